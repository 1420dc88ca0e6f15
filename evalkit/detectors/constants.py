"""A board at a sample rate and a row of gains, as the kernels of the circuit take it."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board
from evalkit.detectors import Source

__all__ = ["CircuitConstants", "circuit_constants", "pickup_section"]

_F = np.float32


@dataclass(frozen=True)
class CircuitConstants:
    """The board's numbers in the kernels' order; voltages count from rest."""

    pickup: NDArray[np.float64]
    """(3,): section of the pickup on its load."""
    volts: float
    """For a sample of 1.0."""
    clamp_v: float
    """Lowest input."""
    by_gain: tuple[NDArray[np.float32], ...]
    """(n_gains,) each: gain - 1, share that the amplifier keeps, that the gain leg takes, output's limits."""
    scalars: tuple[Any, ...]
    """float32: knees and shares of clamp and series diode, n Vt, 1/(n Vt), to coupling and storage, bleed."""
    upper_v: Any
    lower_v: Any
    resting_v: NDArray[np.float64]
    """(n_gains,): the output's rest, from which it counts; beyond a limit where the stage cannot reach it."""
    at_rest: NDArray[np.float32]
    """(4, n_gains): amplifier, gain leg, coupling and storage capacitor with no vibration."""


def circuit_constants(board: Board, gain: NDArray[np.float64], source: Source) -> CircuitConstants:
    """Return a board's constants at the source's sample rate and calibration.

    Parameters
    ----------
    board : Board
    gain : ndarray of shape (n_gains,)
        At least 1.
    source : Source
    """
    rate = float(source.sample_rate_hz)
    r, a = board.rectifier, board.amplifier
    c1, c2 = r.coupling.typ, r.storage.typ
    n_vt = board.diode_scale_v

    def knee_v(capacitance: float) -> float:
        return n_vt * math.log(capacitance * n_vt * rate / board.diode_saturation_a)

    def share(capacitance: float) -> float:
        return 1.0 / (1.0 + resistor * capacitance * rate)

    resistor = 0.0 if a.output_resistor is None else a.output_resistor.typ
    both = c1 * c2 / (c1 + c2)
    scalars = (
        knee_v(c1), knee_v(both), share(c1), share(both), n_vt, 1.0 / n_vt,
        c2 / (c1 + c2), c1 / (c1 + c2), math.exp(-1.0 / (rate * r.storage_tau_s)),
    )  # fmt: skip
    # while the output is clipped the leg's capacitor sees it through leg and feedback resistor in series
    leak = np.zeros(len(gain))
    if a.leg_capacitor is not None:
        leak = -np.expm1(-1.0 / (rate * a.leg_resistor.typ * a.leg_capacitor.typ * gain))
    input_v = board.resting_input_v + a.offset.typ
    resting = np.full(len(gain), input_v) if a.leg_capacitor is not None else input_v * gain
    # a stage that would rest beyond a limit stands at it, and a small vibration does not bring it off
    standing = np.clip(0.0, -resting, board.output_limit_v - resting)
    zero = np.zeros(len(gain))
    at_rest = np.array([standing, zero if a.leg_capacitor is None else standing, standing, zero], _F)
    upper_v, lower_v = _F(board.upper_trip_v), _F(board.lower_trip_v)
    by_gain = (
        gain - 1.0, np.exp(-2.0 * math.pi * a.gain_bandwidth.typ / gain / rate), leak,
        -resting, board.output_limit_v - resting,
    )  # fmt: skip
    return CircuitConstants(
        pickup=pickup_section(board, source),
        volts=source.volts,
        clamp_v=a.input_clamp.typ - board.resting_input_v,
        by_gain=tuple(column.astype(_F) for column in by_gain),
        scalars=tuple(_F(value) for value in scalars),
        upper_v=upper_v,
        # the kernels tell a high comparator by the level that it waits for: at least one step apart
        lower_v=min(lower_v, np.nextafter(upper_v, _F(-np.inf))),
        resting_v=resting,
        at_rest=at_rest,
    )


def pickup_section(board: Board, source: Source) -> NDArray[np.float64]:
    """Return (b0, b1, a1) of the board's own pickup high-pass in place of the recorder's.

    With the recorder's input resistance known, its high-pass is inverted
    exactly: H(s) = (s + w_recorder)/(s + w_board). Unknown: H(s) = s/(s + w_board),
    on levels as loaded by the recorder. Bilinear transform: y[n] = b0 x[n] + b1 x[n-1] - a1 y[n-1].
    """
    w_board = 2.0 * math.pi * board.pickup.corner_hz
    w_recorder = 0.0
    if source.input_ohms is not None:
        w_recorder = 1.0 / (source.input_ohms * board.pickup.capacitance.typ)
    k = 2.0 * source.sample_rate_hz
    return np.array([k + w_recorder, w_recorder - k, w_board - k]) / (k + w_board)
