"""Parts to buy and knobs to set for a recommendation: standard values, what they realise, what they cost.

Designators are those of the schematic: R2, RV1 and R3 set the gain, R6, RV2
and C4 the delay, R9 and C5 the hold.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board, HoldKind, Value
from evalkit.dataset import Dataset
from evalkit.holding import HoldAdvice, cadence_of, recommended_hold
from evalkit.knobs import Knob, MarginUnit, Target, fit_knob, knob_cost
from evalkit.recommendation import Recommendation
from evalkit.standard_values import Dielectric, Series, nearest_value, timing_capacitors

__all__ = ["Alternative", "Part", "PartsList", "choose_parts"]

_LEAST_LOAD_OHM = 10e3
"""Load for which the sheet states the output high (TI SLOS068C p. 9: RL >= 10 kohm)."""
_LEAST_GAIN_OHM = 100.0
_MOST_GAIN_OHM = 1e6
"""Above it dirt on the board leaks as much as the resistor passes (common practice, no source)."""
_NEIGHBOURING_F = 2.5
"""Other capacitors within this ratio are listed as alternatives."""
_UNKNOWN_RANGE = 2.0
"""Where nothing passes there is no passing range: the knobs then reach half and twice the setting."""


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
    cost: float | None
    """How much less that is than at the recommended setting."""
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
    """What the calls' cadence asks for."""
    hold_s: float
    """What R9 and C5 make of it, which all figures are of."""
    alternatives: tuple[Alternative, ...]
    board: Board
    """The board with these parts fitted."""
    own: Board
    """The board as board.toml has it."""


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
        Gain parts are None without calibration, and not listed for a detector
        whose threshold no gain sets; delay and hold are given all the same.
    """
    board = dataset.board
    if found.hold is not None:
        board = replace(board, hold=found.hold)
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
    alternatives = [*_delay_alternatives(found, board, delay, delay_f)]
    if sensitivity is not None:
        alternatives = [*_gain_alternatives(board, sensitivity), *alternatives]
    return PartsList(
        parts=(
            *(_gain_parts(board, sensitivity) if found.sweep.levels.gain is not None else ()),
            *_delay_parts(board, delay, delay_f, Series.E3),
            *_hold_parts(board),
        ),
        sensitivity=sensitivity,
        delay=delay,
        hold=hold,
        hold_s=board.hold_s,
        alternatives=tuple(alternatives),
        board=_fitted(board, sensitivity, delay, delay_f),
        own=dataset.board,
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
        most_total_ohm=_MOST_GAIN_OHM,
        pot_series=series,
    )


def _delay_knob(found: Recommendation, board: Board) -> tuple[Knob, float]:
    """The delay's knob and capacitor: film if it can be, the board's own if it is as good as another."""
    tolerance = _tolerance(board.integrator.pot)
    ranked = []
    for farads, kind in timing_capacitors():
        knob = _charging_knob(board, _delay_target(found, board, farads), kind, Series.E3)
        if knob is not None:
            cost = knob_cost(knob, tolerance)
            other = not math.isclose(farads, board.integrator.capacitor.typ, rel_tol=1e-6)
            # beside another capacitor the discharge path's resistor would change too
            moved = other and board.integrator.discharge_resistor is not None
            ranked.append(
                ((cost[0], moved, kind is not Dielectric.FILM, *cost[1:3], other, *cost[3:]), knob, farads)
            )
    # some capacitor serves every delay of the sweep, also where it was widened (0.01 to 21 s)
    _, knob, farads = min(ranked, key=lambda entry: entry[0])
    return knob, farads


def _charging_knob(board: Board, target: Target, kind: Dielectric, series: Series) -> Knob | None:
    return fit_knob(
        target,
        pot_tolerance=_tolerance(board.integrator.pot),
        least_fixed_ohm=_LEAST_LOAD_OHM,
        most_total_ohm=kind.most_ohm,
        pot_series=series,
    )


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
    for other_f, kind in timing_capacitors():
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
                yield _knob_alternative(what, other, _delay_parts(board, other, other_f, series))
    i = board.integrator
    own = Knob(_delay_target(found, board, i.capacitor.typ), i.fixed.typ, i.pot.typ)
    yield _knob_alternative("as in board.toml", own, _delay_parts(board, own, i.capacitor.typ, None))


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
            _cost(target, ohm),
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
        _cost(target, nearest_ohm),
        target.unit,
        knob.travel_at(nearest_ohm),
        knob.covers,
    )


def _cost(target: Target, ohm: float) -> float | None:
    """What another resistance than the wanted one takes off the margin."""
    whole, left = target.margin(target.set_ohm), target.margin(ohm)
    return None if whole is None or left is None else whole - left


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


def _delay_parts(board: Board, knob: Knob, farads: float, pot_series: Series | None) -> tuple[Part, ...]:
    row = str(pot_series) if pot_series else _series(knob.pot_ohm)
    path = _discharge_path(board, farads)
    beside: tuple[Part, ...] = ()
    if path is not None:
        beside = (Part("R11", "delay: discharge path", path.typ, "ohm", _series(path.typ)),)
    return (
        Part("R6", "delay: fixed part", knob.fixed_ohm, "ohm", _series(knob.fixed_ohm)),
        Part("RV2", "delay: knob", knob.pot_ohm, "ohm", row),
        *_capacitor_part(farads),
        *beside,
    )


def _discharge_path(board: Board, farads: float) -> Value | None:
    """The discharge path's resistor beside a capacitor: its time constant is the one that was swept."""
    i = board.integrator
    if i.discharge_resistor is None or math.isclose(farads, i.capacitor.typ, rel_tol=1e-6):
        return i.discharge_resistor
    return i.discharge_resistor.refitted(nearest_value(Series.E24, board.discharge_s / farads))


def _capacitor_part(farads: float) -> tuple[Part, ...]:
    kind = next((k for f, k in timing_capacitors() if math.isclose(f, farads, rel_tol=1e-6)), None)
    role = "delay: integrator capacitor" + (f", {kind}" if kind is not None else "")
    return (Part("C4", role, farads, "F", _series(farads)),)


def _hold_parts(board: Board) -> tuple[Part, ...]:
    hold = board.hold
    if hold.kind is HoldKind.NONE:
        return ()
    return (
        Part("R9", f"hold ({hold.kind}): resistor", hold.resistor.typ, "ohm", _series(hold.resistor.typ)),
        Part("C5", f"hold ({hold.kind}): capacitor", hold.capacitor.typ, "F", _series(hold.capacitor.typ)),
    )


def _series(value: float | None) -> str:
    """The coarsest row that holds a value."""
    if value is not None:
        for series in (Series.E6, Series.E12, Series.E24, Series.E96, Series.ONE_TWO_FIVE):
            if math.isclose(nearest_value(series, value), value, rel_tol=1e-6):
                return str(series)
    return "E24" if value is None else "none"


def _fitted(board: Board, sensitivity: Knob | None, delay: Knob, delay_f: float) -> Board:
    """The board with the recommended parts; each keeps the tolerance that board.toml gives its place."""
    amplifier, integrator = board.amplifier, board.integrator
    if sensitivity is not None:
        amplifier = replace(
            amplifier,
            feedback_fixed=amplifier.feedback_fixed.refitted(sensitivity.fixed_ohm),
            feedback_pot=amplifier.feedback_pot.refitted(sensitivity.pot_ohm),
        )
    integrator = replace(
        integrator,
        fixed=integrator.fixed.refitted(delay.fixed_ohm),
        pot=integrator.pot.refitted(delay.pot_ohm),
        capacitor=integrator.capacitor.refitted(delay_f),
        discharge_resistor=_discharge_path(board, delay_f),
    )
    return replace(board, amplifier=amplifier, integrator=integrator)


def _tolerance(value: Value) -> float:
    return 1.0 - value.low / value.typ
