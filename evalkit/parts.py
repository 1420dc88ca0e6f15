"""Parts to buy and knobs to set for a recommendation: standard values, what they realise, what they cost.

Designators are those of the schematic: R2, RV1 and R3 set the gain, R6, RV2
and C4 the delay, R9 and C5 the hold.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board, HoldKind, Value
from evalkit.dataset import Dataset
from evalkit.holding import HoldAdvice, cadence_of, hold_factor, recommended_hold
from evalkit.knobs import Knob, MarginUnit, Target, fit_knob, knob_cost
from evalkit.recommendation import Recommendation
from evalkit.standard_values import Series, nearest_value, values_between

__all__ = ["Alternative", "Part", "PartsList", "choose_parts"]

_MOST_FILM_OHM = 1e6
"""Above it dirt on the board leaks as much as the resistor passes (common practice, no source)."""
_MOST_ELECTROLYTIC_OHM = 220e3
"""Above it an electrolytic capacitor's own leakage counts (common practice, no source)."""
_LEAST_LOAD_OHM = 10e3
"""Load for which the sheet states the output high (TI SLOS068C p. 9: RL >= 10 kohm)."""
_LEAST_GAIN_OHM = 100.0
_NEIGHBOURING_F = 2.5
"""Other capacitors within this ratio are listed as alternatives."""
_UNKNOWN_RANGE = 2.0
"""Where nothing passes there is no passing range: the knobs then reach half and twice the setting."""
_CLOSE = 1.06
"""Holds this little above the wanted one are as good as each other."""


class _Dielectric(StrEnum):
    """Kind of capacitor for timing; it limits the resistance beside it."""

    FILM = "film"
    ELECTROLYTIC = "electrolytic"

    @property
    def most_ohm(self) -> float:
        """Largest resistance that goes with it."""
        return _MOST_FILM_OHM if self is _Dielectric.FILM else _MOST_ELECTROLYTIC_OHM


@dataclass(frozen=True)
class Part:
    """One part to fit."""

    ref: str
    """Place on the schematic, as `R2`."""
    role: str
    """What it does."""
    value: float | None
    """In `unit`; None where it depends on an unknown calibration."""
    unit: str
    series: str
    """IEC 60063 series that the value is taken from; `none` for a value of board.toml that is in none."""


@dataclass(frozen=True)
class Alternative:
    """Other standard values for one of the two settings, and what they would realise."""

    what: str
    """Which row, or which part differs."""
    parts: tuple[Part, ...]
    shift: float
    """From the recommended setting, in `unit`; above 0 is less sensitive or slower."""
    margin: float | None
    """What is left to the nearest failing setting, in `unit`, below 0 where it fails; None: none passes."""
    unit: MarginUnit
    travel: float | None
    """Position of the knob; None for a fixed resistor."""
    covers: bool
    """Whether the whole passing range can be set."""


@dataclass(frozen=True)
class PartsList:
    """All that a recommendation asks for."""

    parts: tuple[Part, ...]
    sensitivity: Knob | None
    """R2 and RV1; None where the gain is unknown (not calibrated, or a detector without one)."""
    delay: Knob
    """R6 and RV2."""
    hold: HoldAdvice
    hold_s: float | None
    """What R9 and C5 realise."""
    alternatives: tuple[Alternative, ...]
    board: Board
    """The board with these parts fitted."""


def choose_parts(found: Recommendation, dataset: Dataset) -> PartsList:
    """Choose standard values for a recommendation.

    Parameters
    ----------
    found : Recommendation
    dataset : Dataset
        That it was found on: its board and its labelled cadence.

    Returns
    -------
    PartsList
        Gain parts are None without calibration; delay and hold are given all the same.
    """
    board = dataset.board
    gain_target = _gain_target(found, board)
    sensitivity = None if gain_target is None else _gain_knob(board, gain_target, Series.E3)
    delay, delay_f = _delay_knob(found, board)
    response_s = found.figures.response_p95_s
    hold = recommended_hold(
        cadence_of(dataset),
        board,
        delay_s=found.delay_s,
        response_s=response_s if response_s is not None and math.isfinite(response_s) else found.delay_s,
    )
    hold_values = None if not hold.hold_s else _hold_values(board, hold.hold_s)
    fitted = _fitted(board, sensitivity, delay, delay_f, hold_values)
    alternatives = [*_delay_alternatives(found, board, delay, delay_f)]
    if sensitivity is not None:
        alternatives = [*_gain_alternatives(board, sensitivity), *alternatives]
    return PartsList(
        parts=(
            *_gain_parts(board, sensitivity),
            *_delay_parts(delay, delay_f, Series.E3),
            *_hold_parts(board, hold_values),
        ),
        sensitivity=sensitivity,
        delay=delay,
        hold=hold,
        hold_s=fitted.hold_s if hold_values is not None else hold.hold_s,
        alternatives=tuple(alternatives),
        board=fitted,
    )


def _gain_target(found: Recommendation, board: Board) -> Target | None:
    """The feedback that the gain asks for: the threshold goes as the gain's inverse."""
    if found.gain is None:
        return None
    passing = found.plane.acceptable[:, found.choice.delay_index]
    below_db, above_db = _reach(passing, found.sweep.levels.position, found.choice.lane)
    if not found.choice.acceptable:
        below_db = above_db = 20.0 * math.log10(_UNKNOWN_RANGE)
    leg = board.amplifier.leg_resistor.typ
    return Target(
        set_ohm=board.gain_resistance_ohm(found.gain),
        low_ohm=max(0.0, board.gain_resistance_ohm(found.gain * 10.0 ** (-above_db / 20.0))),
        high_ohm=board.gain_resistance_ohm(found.gain * 10.0 ** (below_db / 20.0)),
        offset_ohm=leg,
        unit=MarginUnit.DECIBEL,
        range_known=found.choice.acceptable,
    )


def _delay_target(found: Recommendation, board: Board, capacitor_f: float) -> Target:
    """The charging resistance that the delay asks for with a capacitor."""
    passing = found.plane.acceptable[found.choice.lane]
    below, above = _reach(passing, np.log(found.sweep.delay_s), found.choice.delay_index)
    if not found.choice.acceptable:
        below = above = math.log(_UNKNOWN_RANGE)
    set_ohm = found.delay_s / (-math.log1p(-board.fire_fraction) * capacitor_f)
    return Target(
        set_ohm=set_ohm,
        low_ohm=set_ohm * math.exp(-below),
        high_ohm=set_ohm * math.exp(above),
        offset_ohm=0.0,
        unit=MarginUnit.PERCENT,
        range_known=found.choice.acceptable,
    )


def _reach(passing: NDArray[np.bool_], axis: NDArray[np.float64], at: int) -> tuple[float, float]:
    """How far the run of passing cells about `at` goes below and above it, to half a step past its ends."""
    failing = np.flatnonzero(~passing)
    first = int(failing[failing < at].max(initial=-1)) + 1
    last = int(failing[failing > at].min(initial=len(passing))) - 1
    step = np.diff(axis, prepend=axis[0], append=axis[-1])
    return (
        float(axis[at] - axis[first] + 0.5 * step[first]),
        float(axis[last] - axis[at] + 0.5 * step[last + 1]),
    )


def _gain_knob(board: Board, target: Target, series: Series) -> Knob | None:
    return fit_knob(
        target,
        pot_tolerance=_tolerance(board.amplifier.feedback_pot),
        least_fixed_ohm=_LEAST_GAIN_OHM,
        most_total_ohm=_MOST_FILM_OHM,
        pot_series=series,
    )


def _capacitors() -> Iterator[tuple[float, _Dielectric]]:
    """Capacitors for timing that shops keep (common practice, no source)."""
    for farads in values_between(Series.E6, 100e-9, 4.7e-6):
        yield farads, _Dielectric.FILM
    for farads in values_between(Series.E6, 10e-6, 1e-3):
        yield farads, _Dielectric.ELECTROLYTIC


def _delay_knob(found: Recommendation, board: Board) -> tuple[Knob, float]:
    """The delay's knob and capacitor: film if it can be, the board's own if it is as good as another."""
    tolerance = _tolerance(board.integrator.pot)
    ranked = []
    for farads, kind in _capacitors():
        knob = _charging_knob(board, _delay_target(found, board, farads), kind, Series.E3)
        if knob is not None:
            cost = knob_cost(knob, tolerance)
            other = not math.isclose(farads, board.integrator.capacitor.typ, rel_tol=1e-6)
            ranked.append(
                ((cost[0], kind is not _Dielectric.FILM, *cost[1:3], other, *cost[3:]), knob, farads)
            )
    # some capacitor serves every delay of the sweep, also where it was widened (0.01 to 21 s)
    _, knob, farads = min(ranked, key=lambda entry: entry[0])
    return knob, farads


def _charging_knob(board: Board, target: Target, kind: _Dielectric, series: Series) -> Knob | None:
    return fit_knob(
        target,
        pot_tolerance=_tolerance(board.integrator.pot),
        least_fixed_ohm=_LEAST_LOAD_OHM,
        most_total_ohm=kind.most_ohm,
        pot_series=series,
    )


def _hold_values(board: Board, hold_s: float) -> tuple[float, float] | None:
    """R and C that hold at least as long: little above it, the board's own capacitor if it can."""
    factor = hold_factor(board)
    ranked = []
    for farads, kind in _capacitors():
        wanted_ohm = hold_s / (factor * farads)
        enough = [r for r in values_between(Series.E24, _LEAST_LOAD_OHM, kind.most_ohm) if r >= wanted_ohm]
        if enough:
            excess = enough[0] / wanted_ohm
            other = not math.isclose(farads, board.hold.capacitor.typ, rel_tol=1e-6)
            cost = (excess > _CLOSE, other, farads)
            ranked.append((cost, enough[0], farads))
    if not ranked:
        return None
    _, ohm, farads = min(ranked)
    return ohm, farads


def _gain_alternatives(board: Board, knob: Knob) -> Iterator[Alternative]:
    yield from _fixed_alternatives(knob.target, "R2", "gain: feedback", ())
    other = _gain_knob(board, knob.target, Series.ONE_TWO_FIVE)
    if other is not None:
        yield _knob_alternative("knob from the row 1-2-5", other, _gain_pair(other, Series.ONE_TWO_FIVE))
    a = board.amplifier
    own = Knob(knob.target, a.feedback_fixed.typ, a.feedback_pot.typ)
    yield _knob_alternative("as in board.toml", own, _gain_pair(own, None))


def _delay_alternatives(
    found: Recommendation, board: Board, knob: Knob, farads: float
) -> Iterator[Alternative]:
    yield from _fixed_alternatives(knob.target, "R6", "delay:", _capacitor_part(farads))
    for other_f, kind in _capacitors():
        if not 1.0 / _NEIGHBOURING_F < other_f / farads < _NEIGHBOURING_F:
            continue
        target = _delay_target(found, board, other_f)
        for series, row in ((Series.E3, "1-2.2-4.7"), (Series.ONE_TWO_FIVE, "1-2-5")):
            other = _charging_knob(board, target, kind, series)
            if other is not None and (other.fixed_ohm, other.pot_ohm, other_f) != (
                *(knob.fixed_ohm, knob.pot_ohm),
                farads,
            ):
                what = f"C4 {'kept' if other_f == farads else 'changed'}, knob from the row {row}"
                yield _knob_alternative(what, other, _delay_parts(other, other_f, series))
    i = board.integrator
    own = Knob(_delay_target(found, board, i.capacitor.typ), i.fixed.typ, i.pot.typ)
    yield _knob_alternative("as in board.toml", own, _delay_parts(own, i.capacitor.typ, None))


def _fixed_alternatives(
    target: Target, ref: str, role: str, others: tuple[Part, ...]
) -> Iterator[Alternative]:
    """A fixed resistor in place of the knob, from three series: what rounding to them costs."""
    for series in (Series.E12, Series.E24, Series.E96):
        ohm = nearest_value(series, target.set_ohm)
        part = Part(ref, f"{role} fixed resistor, no knob", ohm, "ohm", str(series))
        yield Alternative(
            f"no knob, nearest {series}",
            (part, *others),
            target.shift(ohm),
            target.margin(ohm),
            target.unit,
            None,
            False,
        )


def _knob_alternative(what: str, knob: Knob, parts: tuple[Part, ...]) -> Alternative:
    """Another knob, set to the same resistance: the margin is whole where that is in reach."""
    target = knob.target
    nearest_ohm = min(max(target.set_ohm, knob.fixed_ohm), knob.fixed_ohm + knob.pot_ohm)
    return Alternative(
        what,
        parts,
        target.shift(nearest_ohm),
        target.margin(nearest_ohm),
        target.unit,
        knob.travel_at(nearest_ohm),
        knob.covers,
    )


def _gain_parts(board: Board, knob: Knob | None) -> tuple[Part, ...]:
    leg = board.amplifier.leg_resistor.typ
    return (
        *_gain_pair(knob, Series.E3),
        Part("R3", "gain: leg to ground, unchanged", leg, "ohm", _series(leg)),
    )


def _gain_pair(knob: Knob | None, pot_series: Series | None) -> tuple[Part, ...]:
    fixed, pot = (None, None) if knob is None else (knob.fixed_ohm, knob.pot_ohm)
    return (
        Part("R2", "gain: fixed part of the feedback", fixed, "ohm", _series(fixed)),
        Part("RV1", "gain: sensitivity knob", pot, "ohm", str(pot_series) if pot_series else _series(pot)),
    )


def _delay_parts(knob: Knob, farads: float, pot_series: Series | None) -> tuple[Part, ...]:
    row = str(pot_series) if pot_series else _series(knob.pot_ohm)
    return (
        Part("R6", "delay: fixed part", knob.fixed_ohm, "ohm", _series(knob.fixed_ohm)),
        Part("RV2", "delay: knob", knob.pot_ohm, "ohm", row),
        *_capacitor_part(farads),
    )


def _capacitor_part(farads: float) -> tuple[Part, ...]:
    kind = next((k for f, k in _capacitors() if math.isclose(f, farads, rel_tol=1e-6)), None)
    role = "delay: integrator capacitor" + (f", {kind}" if kind is not None else "")
    return (Part("C4", role, farads, "F", _series(farads)),)


def _hold_parts(board: Board, values: tuple[float, float] | None) -> tuple[Part, ...]:
    if board.hold.kind is HoldKind.NONE:
        return ()
    ohm, farads = (None, None) if values is None else values
    return (
        Part("R9", f"hold ({board.hold.kind}): resistor", ohm, "ohm", "E24"),
        Part("C5", f"hold ({board.hold.kind}): capacitor", farads, "F", "E6"),
    )


def _series(value: float | None) -> str:
    """The coarsest row that holds a value."""
    if value is not None:
        for series in (Series.E6, Series.E12, Series.E24, Series.E96, Series.ONE_TWO_FIVE):
            if math.isclose(nearest_value(series, value), value, rel_tol=1e-6):
                return str(series)
    return "E24" if value is None else "none"


def _fitted(
    board: Board,
    sensitivity: Knob | None,
    delay: Knob,
    delay_f: float,
    hold_values: tuple[float, float] | None,
) -> Board:
    """The board with the recommended parts; each keeps the tolerance that board.toml gives its place."""
    amplifier, integrator, hold = board.amplifier, board.integrator, board.hold
    if sensitivity is not None:
        amplifier = replace(
            amplifier,
            feedback_fixed=_scaled(amplifier.feedback_fixed, sensitivity.fixed_ohm),
            feedback_pot=_scaled(amplifier.feedback_pot, sensitivity.pot_ohm),
        )
    integrator = replace(
        integrator,
        fixed=_scaled(integrator.fixed, delay.fixed_ohm),
        pot=_scaled(integrator.pot, delay.pot_ohm),
        capacitor=_scaled(integrator.capacitor, delay_f),
    )
    if hold_values is not None:
        hold = replace(
            hold,
            resistor=_scaled(hold.resistor, hold_values[0]),
            capacitor=_scaled(hold.capacitor, hold_values[1]),
        )
    return replace(board, amplifier=amplifier, integrator=integrator, hold=hold)


def _scaled(old: Value, typ: float) -> Value:
    if old.typ <= 0.0:
        return Value(typ, typ, typ, "recommended")
    return Value(typ, typ * old.low / old.typ, typ * old.high / old.typ, "recommended")


def _tolerance(value: Value) -> float:
    return 1.0 - value.low / value.typ
