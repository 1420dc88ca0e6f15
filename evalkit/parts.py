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
_FILM_F = (100e-9, 4.7e-6)
_ELECTROLYTIC_F = (10e-6, 220e-6)
_NEIGHBOURING_F = 2.5
"""Other capacitors within this ratio are listed as alternatives."""
_UNKNOWN_RANGE = 2.0
"""Where nothing passes there is no passing range: the knobs then reach half and twice the setting."""
_CLOSE = 1.06
"""Holds this little above the wanted one are as good as each other."""


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
    """What is left to the nearest failing setting, in `unit`, below 0 where it fails; None: nothing passes."""
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
    gain_target, seconds = _gain_target(found, board), _delay_range(found)
    sensitivity = None if gain_target is None else _gain_knob(board, gain_target, Series.E3)
    delay, delay_f = _delay_knob(board, seconds)
    response_s = found.figures.response_p95_s
    hold = recommended_hold(
        cadence_of(dataset),
        board,
        delay_s=found.delay_s,
        response_s=response_s if response_s is not None and math.isfinite(response_s) else found.delay_s,
    )
    hold_values = None if not hold.hold_s else _hold_values(board, hold.hold_s)
    fitted = _fitted(board, sensitivity, delay, delay_f, hold_values)
    alternatives = [*_delay_alternatives(board, seconds, delay, delay_f)]
    if sensitivity is not None:
        alternatives = [*_gain_alternatives(board, sensitivity), *alternatives]
    return PartsList(
        parts=(
            *_gain_parts(board, sensitivity),
            *_delay_parts(delay.fixed_ohm, delay.pot_ohm, delay_f),
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
    """How far the run of passing cells about `at` goes below and above it, half a step past its last cells."""
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


def _delay_knob(found: Recommendation, board: Board) -> tuple[Knob, float]:
    """The delay's knob and capacitor: film if it can be, the board's own if it is as good as another."""
    tolerance = _tolerance(board.integrator.pot)
    ranked = []
    for capacitor in _CAPACITORS:
        target = _delay_target(found, board, capacitor.farads)
        knob = _charging_knob(board, target, capacitor, Series.E3)
        if knob is not None:
            cost = knob_cost(knob, tolerance)
            kept = math.isclose(capacitor.farads, board.integrator.capacitor.typ, rel_tol=1e-6)
            ranked.append(((cost[0], not capacitor.is_film, *cost[1:3], not kept, *cost[3:]), knob, capacitor))
    # some capacitor serves every delay of the sweep, also where it was widened (0.01 to 21 s)
    _, knob, capacitor = min(ranked, key=lambda entry: entry[0])
    return knob, capacitor.farads
