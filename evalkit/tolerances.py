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

from evalkit.board import Board, board_sha256
from evalkit.built import Quantiles, aged, board_at, in_environment, sources_of
from evalkit.cache import Arrays, CrossingCache
from evalkit.choice import Spread
from evalkit.detectors.tone import Hearing, threshold_by_formula, tone_thresholds

__all__ = [
    "BuiltBoard",
    "BuiltBoards",
    "Cause",
    "Tolerances",
    "build_boards",
    "built_pass_share",
    "known_tolerances",
    "simulate_tolerances",
]

METER_SIGMA = 0.01
"""1 sigma of what is read off a meter or a stopwatch while trimming: assumed."""
_ASSUMED = Spread(threshold=1.0, delay=0.10)
"""Of boards that cannot be simulated, because too many of them never trip or never fire: a guess."""
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
        """Half the width of the middle 68.27 %, which is 1 sigma where the distribution is normal.

        1 dB and 10 % are assumed where more than a sixth of the boards never trip or never fire.
        """

        def half_width(x: NDArray[np.float64], assumed: float) -> float:
            # not interpolated: between two numbers that are both infinite there is none
            low, high = np.percentile(x, [15.8655, 84.1345], method="closest_observation")
            return 0.5 * float(high - low) if np.isfinite(high) and np.isfinite(low) else assumed

        return Spread(
            threshold=half_width(self.shift_db, _ASSUMED.threshold),
            delay=half_width(np.log(self.delay_ratio), _ASSUMED.delay),
        )


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
class BuiltBoard:
    """One board as it is built, with its knobs at the nominal ohms."""

    new: Board
    """Its parts, at nominal supply and temperature: what is trimmed on the bench."""
    used: Board
    """The same later: aged, at some supply and temperature."""
    gain: float
    """That its own resistors make."""
    charging_ohm: float
    """Likewise, of its integrator."""


def build_boards(
    board: Board, *, gain: float, charging_ohm: float, n_boards: int, seed: int
) -> tuple[BuiltBoard, ...]:
    """Draw boards from the tolerances of their parts.

    Parameters
    ----------
    board : Board
        With the tolerances.
    gain, charging_ohm : float
        Of the nominal board; the knobs of the others are set, with a meter's
        error, to the ohms that give it.
    n_boards, seed : int
    """
    names = sources_of(board)
    rng = np.random.default_rng(seed)
    built = []
    for _ in range(n_boards):
        parts, ageing = (dict(zip(names, row)) for row in rng.standard_normal((2, len(names))))
        new = board_at(board, parts)
        used = in_environment(aged(new, ageing), parts)
        error = METER_SIGMA * float(rng.standard_normal())
        built.append(_set_by_ohms(new, used, board, gain, charging_ohm, error))
    return tuple(built)


def _set_by_ohms(
    new: Board, used: Board, nominal: Board, gain: float, charging_ohm: float, error: float
) -> BuiltBoard:
    """Set a board's knobs, with a meter's relative error, to the ohms of the nominal setting."""
    wanted, own = nominal.amplifier, new.amplifier
    feedback_ohm = (gain - 1.0) * wanted.leg_resistor.typ - wanted.feedback_fixed.typ
    knob_ohm = charging_ohm - nominal.integrator.fixed.typ
    return BuiltBoard(
        new,
        used,
        gain=1.0 + (own.feedback_fixed.typ + feedback_ohm * (1.0 + error)) / own.leg_resistor.typ,
        charging_ohm=new.integrator.fixed.typ + knob_ohm * (1.0 + error),
    )


@lru_cache(maxsize=4)
def simulate_tolerances(
    board: Board,
    *,
    gain: float | None = None,
    charging_ohm: float | None = None,
    n_boards: int = _BOARDS,
    seed: int = _SEED,
) -> Tolerances:
    """Build boards from parts drawn from their tolerances and find where each stands.

    The threshold of each is found by running the detector on the tone, at the
    gain that its own parts give with the knob at the nominal ohms.

    Parameters
    ----------
    board : Board
        With the tolerances.
    gain, charging_ohm : float, optional
        Of the nominal board; by default the middle of the gain knob in dB and of
        the delay knob in ohms. What comes out depends on them little.
    n_boards, seed : int

    Returns
    -------
    Tolerances
    """
    if gain is None:
        gain = math.sqrt(board.amplifier.gain_min * board.amplifier.gain_max)
    if charging_ohm is None:
        charging_ohm = board.integrator.fixed.typ + 0.5 * board.integrator.pot.typ
    built = build_boards(board, gain=gain, charging_ohm=charging_ohm, n_boards=n_boards, seed=seed)
    # beside the knobs' ohms a meter errs when threshold and delay are trimmed
    meter = 1.0 + METER_SIGMA * np.random.default_rng([seed, 1]).standard_normal((2, n_boards))
    nominal = BuiltBoard(board, board, gain, charging_ohm)
    used_v = _thresholds_v([nominal, *built], board)
    new_v = _thresholds_v([replace(b, used=b.new) for b in built], board)
    used_s = np.array([b.used.delay_s(b.charging_ohm) for b in (nominal, *built)])
    new_s = np.array([b.new.delay_s(b.charging_ohm) for b in built])
    ohms = BuiltBoards(_decibels(_over(used_v[1:], used_v[0])), _over(used_s[1:], used_s[0]))
    bench = BuiltBoards(
        _decibels(_since_trimmed(used_v[1:], new_v) * meter[0]), _since_trimmed(used_s[1:], new_s) * meter[1]
    )
    return Tolerances(ohms, bench, _causes(board, gain, charging_ohm, ohms.spread))


def known_tolerances(board: Board, cache: CrossingCache) -> Tolerances:
    """Return what `simulate_tolerances` finds by default, kept on disk: a thousand boards are built once."""

    def simulated() -> Arrays:
        found = simulate_tolerances(board)
        return {
            "ohms": np.array([found.ohms.shift_db, found.ohms.delay_ratio]),
            "bench": np.array([found.bench.shift_db, found.bench.delay_ratio]),
            "names": np.array([cause.name for cause in found.causes]),
            "causes": np.array([[cause.threshold_db, cause.delay_percent] for cause in found.causes]),
        }

    kept = cache.arrays(("tolerances", board_sha256(board)), simulated)
    causes = zip(kept["names"].tolist(), kept["causes"].tolist(), strict=True)
    return Tolerances(
        ohms=BuiltBoards(*kept["ohms"]),
        bench=BuiltBoards(*kept["bench"]),
        causes=tuple(Cause(name, *figures) for name, figures in causes),
    )


def _since_trimmed(used: NDArray[np.float64], new: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return used over new; what was infinite when it was to be trimmed stays so."""
    with np.errstate(invalid="ignore"):
        return np.where(np.isfinite(new), used / new, np.inf)


def _over(used: NDArray[np.float64], nominal: float) -> NDArray[np.float64]:
    """Return used over nominal; inf where the nominal board itself never trips or fires."""
    return used / nominal if math.isfinite(nominal) else np.full(len(used), np.inf)


def _thresholds_v(built: Sequence[BuiltBoard], nominal: Board) -> NDArray[np.float64]:
    """Equivalent thresholds of boards in use, by the detector at a lower rate and over a shorter tone."""
    slowest = max(nominal.rectifier.storage_tau_s, nominal.pickup.load.typ * nominal.pickup.capacitance.typ)
    hearing = Hearing(_RATE_HZ, _SETTLED_TAUS * slowest, 0.05, 0.01)
    boards, gain = [b.used for b in built], np.array([b.gain for b in built])
    guess_v = threshold_by_formula(boards, gain)
    # the formula is good for the changes from board to board, so the first board's error serves for all
    first_v = float(tone_thresholds(boards[:1], gain[:1], hearing)[0])
    if math.isfinite(first_v):
        guess_v *= first_v / guess_v[0]
    return tone_thresholds(boards, gain, replace(hearing, first_step_db=0.05), guess_v=guess_v)


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


def _causes(board: Board, gain: float, charging_ohm: float, spread: Spread) -> tuple[Cause, ...]:
    """Half of what each source does between -1 and +1 sigma, all others nominal; the largest first."""
    names = sources_of(board)
    built = []
    for name in names:
        for deviate in (-1.0, 1.0):
            one: Quantiles = {name: deviate}
            new = board_at(board, one)
            built.append(_set_by_ohms(new, in_environment(new, one), board, gain, charging_ohm, 0.0))
    for error in (-METER_SIGMA, METER_SIGMA):
        built.append(_set_by_ohms(board, board, board, gain, charging_ohm, error))
    level_db = _decibels(_thresholds_v(built, board)).reshape(-1, 2)
    delay = np.log([b.used.delay_s(b.charging_ohm) for b in built]).reshape(-1, 2)
    causes = [
        Cause(name, _half_change(*db), 100.0 * math.expm1(_half_change(*ln)))
        for name, db, ln in zip([*names, "meter"], level_db, delay)
    ]

    def distance(cause: Cause) -> float:
        return math.hypot(
            cause.threshold_db / spread.threshold, math.log1p(cause.delay_percent / 100.0) / spread.delay
        )

    return tuple(sorted(causes, key=distance, reverse=True))


def _half_change(before: float, after: float) -> float:
    """Return half of after less before; 0 where neither is a number, inf where one is none."""
    if math.isfinite(before) and math.isfinite(after):
        return 0.5 * float(after - before)
    return math.inf if math.isfinite(before) or math.isfinite(after) else 0.0


def _decibels(ratio: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(20.0 * np.log10(ratio))
