"""A knob and its fixed resistor, chosen so that a range of settings lies on the travel."""

import math
from dataclasses import dataclass
from enum import StrEnum

from evalkit.standard_values import Series, values_between

__all__ = ["Knob", "MarginUnit", "Target", "fit_knob", "knob_cost"]

_NEAR_MIDDLE = (0.3, 0.7)
"""Shares of the travel that count as near its middle (common practice, no source)."""
_LEAST_POT_OHM = 100.0


class MarginUnit(StrEnum):
    """In what a setting's shift and margin are told."""

    DECIBEL = "dB"
    PERCENT = "%"


@dataclass(frozen=True)
class Target:
    """A resistance that a setting asks for, and the range of it within which all limits are met.

    The setting goes as (resistance + offset): gain with the leg's resistor as offset, delay with none.
    """

    set_ohm: float
    low_ohm: float
    """Lower end of the passing range."""
    high_ohm: float
    """Upper end of the passing range."""
    offset_ohm: float
    unit: MarginUnit
    range_known: bool
    """False where no setting passes: the ends are then a guess."""

    def shift(self, ohm: float) -> float:
        """Return how far another resistance is from the setting: dB of threshold, or per cent of delay."""
        ratio = self._ratio(ohm, self.set_ohm)
        return -20.0 * math.log10(ratio) if self.unit is MarginUnit.DECIBEL else 100.0 * (ratio - 1.0)

    def margin(self, ohm: float) -> float | None:
        """Return what is left to the nearest failing setting, below 0 where it fails; None: none passes."""
        if not self.range_known:
            return None
        up, down = self._ratio(self.high_ohm, ohm), self._ratio(self.low_ohm, ohm)
        if self.unit is MarginUnit.DECIBEL:
            return 20.0 * math.log10(min(up, 1.0 / down))
        return 100.0 * min(up - 1.0, 1.0 - down)

    def _ratio(self, ohm: float, to_ohm: float) -> float:
        return (ohm + self.offset_ohm) / (to_ohm + self.offset_ohm)


@dataclass(frozen=True)
class Knob:
    """A fixed resistor and a linear pot in series, and how they meet a target."""

    target: Target
    fixed_ohm: float
    pot_ohm: float

    @property
    def travel(self) -> float:
        """Where the setting lies: 0 at the end where only the fixed resistor is left, 1 at the other."""
        return self.travel_at(self.target.set_ohm)

    @property
    def covers(self) -> bool:
        """Whether the whole passing range lies on the travel."""
        return self.covers_with(self.pot_ohm)

    def travel_at(self, ohm: float) -> float:
        """Return where a resistance of the two together lies on the knob; not clipped to 0..1."""
        return (ohm - self.fixed_ohm) / self.pot_ohm

    def covers_with(self, pot_ohm: float) -> bool:
        """Return the same with a pot of another actual value."""
        t = self.target
        return self.fixed_ohm <= t.low_ohm and self.fixed_ohm + pot_ohm >= t.high_ohm


def fit_knob(
    target: Target,
    *,
    pot_tolerance: float,
    least_fixed_ohm: float,
    most_total_ohm: float,
    pot_series: Series = Series.E3,
) -> Knob | None:
    """Choose a fixed resistor (E24) and a pot of standard value.

    In this order: the whole range on the travel; likewise with a pot at the
    low end of its tolerance; the setting near the middle of the travel;
    closest to the middle; the smaller pot, which is set more finely.

    Parameters
    ----------
    target : Target
    pot_tolerance : float
        As a share.
    least_fixed_ohm, most_total_ohm : float
        Smallest fixed resistor, largest sum.
    pot_series : Series
        Row that the pot is taken from.

    Returns
    -------
    Knob or None
        None if no pair reaches the setting.
    """
    most_fixed_ohm = min(target.set_ohm, most_total_ohm)
    candidates = [
        Knob(target, fixed_ohm, pot_ohm)
        for fixed_ohm in values_between(Series.E24, least_fixed_ohm, most_fixed_ohm)
        for pot_ohm in values_between(
            pot_series, max(target.set_ohm - fixed_ohm, _LEAST_POT_OHM), most_total_ohm - fixed_ohm
        )
    ]
    return min(candidates, key=lambda knob: knob_cost(knob, pot_tolerance), default=None)


def knob_cost(knob: Knob, pot_tolerance: float) -> tuple[bool, bool, bool, float, float]:
    """Return what orders knobs, the best first."""
    return (
        not knob.covers,
        not knob.covers_with((1.0 - pot_tolerance) * knob.pot_ohm),
        not _NEAR_MIDDLE[0] <= knob.travel <= _NEAR_MIDDLE[1],
        abs(knob.travel - 0.5),
        knob.pot_ohm,
    )
