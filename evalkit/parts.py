"""Standard values for the chosen setting."""

from dataclasses import dataclass

from evalkit.board import Board

__all__ = ["Part", "knob_parts"]


@dataclass(frozen=True)
class Part:
    """One part to fit or one knob to set."""

    ref: str
    """Place on the schematic, as `R2`."""
    role: str
    """What it does."""
    value: float | None
    """In `unit`; None where it depends on an unknown calibration."""
    unit: str
    series: str
    """IEC 60063 series that the value is taken from."""


def knob_parts(board: Board, gain: float | None, delay_s: float) -> tuple[Part, ...]:
    """Return the board's two knobs at a setting, rounded to E24 (IEC 60063).

    Parameters
    ----------
    board : Board
    gain : float or None
        Amplifier gain of the setting; None uncalibrated.
    delay_s : float
        Integrator delay of the setting.
    """
    feedback = None if gain is None else _e24(board.gain_resistance_ohm(gain))
    charging = _e24(delay_s / board.delay_s(1.0))
    return (
        Part("R2+RV1", "gain: feedback resistance, fixed part and knob together", feedback, "ohm", "E24"),
        Part("R6+RV2", "delay: integrator resistance, fixed part and knob together", charging, "ohm", "E24"),
    )


def _e24(value: float) -> float:
    import eseries

    return float(eseries.find_nearest(eseries.E24, value))
