"""How far boards that are built to one setting stray from it, and which part makes them stray.

A part's deviation moves the board's setting in the plane: its threshold by so
many dB, its delay by a factor. Two ways of setting the knobs are told apart: by
ohms, where every tolerance counts, and on the bench, where both knobs are
trimmed against a measurement at nominal supply and temperature, so that only
supply, temperature, ageing and the meter's error remain.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board
from evalkit.built import Quantiles, aged, board_at, in_environment, sources_of
from evalkit.choice import Spread
from evalkit.detectors.tone import Hearing, threshold_by_formula, tone_thresholds

__all__ = ["BuiltBoards", "Cause", "Tolerances", "built_pass_share", "simulate_tolerances"]

METER_SIGMA = 0.01
"""1 sigma of what is read off a meter or a stopwatch while trimming: assumed."""
_BOARDS = 1000
_SEED = 1
_RATE_HZ = 16_000
_SETTLED_TAUS = 7.0


@dataclass(frozen=True)
class BuiltBoards:
    """Boards of one setting: where each really stands in the plane."""

    shift_db: NDArray[np.float64]
    """(n_boards,): equivalent threshold over that of the nominal board; inf: it never trips."""
    delay_ratio: NDArray[np.float64]
    """(n_boards,): integrator delay over the nominal one; inf: the gate never fires."""

    @property
    def spread(self) -> Spread:
        """Half the width of the middle 68.27 %, which is 1 sigma where the distribution is normal."""
        low, high = 15.8655, 84.1345

        def half_width(x: NDArray[np.float64]) -> float:
            # not interpolated: between two numbers that are both infinite there is none
            return 0.5 * float(np.subtract(*np.percentile(x, [high, low], method="closest_observation")))

        return Spread(threshold=half_width(self.shift_db), delay=half_width(np.log(self.delay_ratio)))


@dataclass(frozen=True)
class Cause:
    """What one source of spread does by itself, at 1 sigma."""

    name: str
    """`group.value` of board.toml, or `meter`."""
    threshold_db: float
    delay_percent: float


@dataclass(frozen=True)
class Tolerances:
    """What a board's tolerances come to."""

    ohms: BuiltBoards
    """Knobs set by ohms."""
    bench: BuiltBoards
    """Knobs trimmed on the bench."""
    causes: tuple[Cause, ...]
    """Knobs set by ohms: what matters most first, measured in the spread by ohms."""


@dataclass(frozen=True)
class _Sample:
    """Boards as they are used, each at the gain and the charging resistance that its knobs give."""

    boards: list[Board]
    gain: list[float]
    charging_ohm: list[float]

    def add(self, board: Board, nominal: Board, gain: float, error: float) -> None:
        """Take a board whose knobs were set, with a meter's relative error, to the nominal ohms."""
        a, i = board.amplifier, board.integrator
        feedback = (gain - 1.0) * nominal.amplifier.leg_resistor.typ - nominal.amplifier.feedback_fixed.typ
        charging = 0.5 * nominal.integrator.pot.typ
        self.boards.append(board)
        self.gain.append(1.0 + (a.feedback_fixed.typ + feedback * (1.0 + error)) / a.leg_resistor.typ)
        self.charging_ohm.append(i.fixed.typ + charging * (1.0 + error))

    def threshold_v(self, nominal: Board, gain: float) -> NDArray[np.float64]:
        taus = (
            nominal.rectifier.storage_tau_s,
            nominal.pickup.load.typ * nominal.pickup.capacitance.typ,
        )
        hearing = Hearing(_RATE_HZ, _SETTLED_TAUS * max(taus), 0.05, 0.01, 0.05)
        one = np.array([gain])
        correction = tone_thresholds([nominal], one, replace(hearing, first_step_db=0.3))
        correction /= threshold_by_formula([nominal], one)
        gains = np.array(self.gain)
        guess_v = threshold_by_formula(self.boards, gains) * correction
        return tone_thresholds(self.boards, gains, hearing, guess_v=guess_v)

    def delay_s(self) -> NDArray[np.float64]:
        return np.array([b.delay_s(ohm) for b, ohm in zip(self.boards, self.charging_ohm)])


@lru_cache(maxsize=4)
def simulate_tolerances(
    board: Board, *, gain: float | None = None, n_boards: int = _BOARDS, seed: int = _SEED
) -> Tolerances:
    """Build boards from parts drawn from their tolerances and find where each stands.

    The threshold of each is found by running the detector on the tone, at the
    gain that its own parts give with the knob at the nominal ohms.

    Parameters
    ----------
    board : Board
        With the tolerances.
    gain : float, optional
        Of the nominal board; by default the middle of the knob's range in dB. Shifts depend on it little.
    n_boards : int
    seed : int

    Returns
    -------
    Tolerances
    """
    if gain is None:
        gain = math.sqrt(board.amplifier.gain_min * board.amplifier.gain_max)
    names = sources_of(board)
    rng = np.random.default_rng(seed)
    used, trimmed = _Sample([], [], []), _Sample([], [], [])
    used.add(board, board, gain, 0.0)
    draws = rng.standard_normal((n_boards, 2, len(names)))
    # for each board the error of setting the knobs by ohms, then those of trimming threshold and delay
    meter = METER_SIGMA * rng.standard_normal((n_boards, 3))
    for (parts, ageing), error in zip(draws, meter):
        deviates = dict(zip(names, parts))
        new = board_at(board, deviates)
        trimmed.add(new, board, gain, error[0])
        old = aged(new, dict(zip(names, ageing)))
        used.add(in_environment(old, deviates), board, gain, error[0])
    causes = _causes(board, names, gain)
    sample = _Sample(
        [*used.boards, *trimmed.boards],
        [*used.gain, *trimmed.gain],
        [*used.charging_ohm, *trimmed.charging_ohm],
    )
    volts, delay_s = sample.threshold_v(board, gain), sample.delay_s()
    n = n_boards + 1
    ohms = BuiltBoards(_decibels(volts[1:n] / volts[0]), delay_s[1:n] / delay_s[0])
    with np.errstate(invalid="ignore"):
        # what cannot be trimmed, because it never trips, is as bad after trimming
        shift = np.where(np.isfinite(volts[n:]), volts[1:n] / volts[n:], np.inf)
        ratio = np.where(np.isfinite(delay_s[n:]), delay_s[1:n] / delay_s[n:], np.inf)
    bench = BuiltBoards(_decibels(shift * (1.0 + meter[:, 1])), ratio * (1.0 + meter[:, 2]))
    return Tolerances(ohms, bench, _ranked(causes, ohms.spread))


def built_pass_share(
    built: BuiltBoards,
    acceptable: NDArray[np.bool_],
    position: NDArray[np.float64],
    delay_s: NDArray[np.float64],
    lane: int,
    delay_index: int,
) -> float:
    """Return the share of built boards that stand in a passing cell of the plane.

    Cells meet half way between settings, on both axes (dB, logarithm of the
    delay); what lies beyond the sweep does not pass.

    Parameters
    ----------
    built : BuiltBoards
    acceptable : ndarray of shape (n_lanes, n_delays)
    position : ndarray of shape (n_lanes,), ascending
        dB.
    delay_s : ndarray of shape (n_delays,), ascending
    lane, delay_index : int
        The nominal setting.
    """
    i = _cell(position, position[lane] + built.shift_db)
    j = _cell(np.log(delay_s), np.log(delay_s[delay_index] * built.delay_ratio))
    inside = (i >= 0) & (j >= 0)
    return float(np.mean(inside & acceptable[np.maximum(i, 0), np.maximum(j, 0)]))


def _cell(axis: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.int64]:
    """Index of the cell of an axis in which each value lies, -1 beyond half a step of its ends."""
    middles = 0.5 * (axis[1:] + axis[:-1])
    ends = [axis[0] - (middles[0] - axis[0]), axis[-1] + (axis[-1] - middles[-1])]
    found = np.searchsorted(np.concatenate([ends[:1], middles, ends[1:]]), at, side="right") - 1
    return np.where(found == len(axis), -1, found)


def _causes(board: Board, names: Sequence[str], gain: float) -> list[Cause]:
    """Half of what each source does between -1 and +1 sigma, all others nominal."""
    sample = _Sample([], [], [])
    for name in names:
        for deviate in (-1.0, 1.0):
            one: Quantiles = {name: deviate}
            sample.add(in_environment(board_at(board, one), one), board, gain, 0.0)
    for error in (-METER_SIGMA, METER_SIGMA):
        sample.add(board, board, gain, error)
    level_db = _decibels(sample.threshold_v(board, gain)).reshape(-1, 2)
    delay = np.log(sample.delay_s()).reshape(-1, 2)
    return [
        Cause(name, float(0.5 * (db[1] - db[0])), float(100.0 * math.expm1(0.5 * (ln[1] - ln[0]))))
        for name, db, ln in zip([*names, "meter"], level_db, delay)
    ]


def _ranked(causes: Sequence[Cause], spread: Spread) -> tuple[Cause, ...]:
    """Sort by the distance that a source moves the setting, in the board's spread."""

    def distance(cause: Cause) -> float:
        return math.hypot(
            cause.threshold_db / spread.threshold, math.log1p(cause.delay_percent / 100.0) / spread.delay
        )

    return tuple(sorted(causes, key=distance, reverse=True))


def _decibels(ratio: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(20.0 * np.log10(ratio))
