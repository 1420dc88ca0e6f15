"""The threshold of a board: the smallest steady tone that holds its comparator high."""

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from os import cpu_count

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board
from evalkit.detectors import Source
from evalkit.detectors.constants import circuit_constants

__all__ = ["REFERENCE_RATE_HZ", "TONE_HZ", "Hearing", "threshold_by_formula", "tone_thresholds"]

TONE_HZ = 175.0
"""Frequency of the steady tone by which thresholds are told."""
REFERENCE_RATE_HZ = 48_000
"""Sample rate at which equivalent thresholds are found."""

_F = np.float32
_NEPERS_PER_DB = math.log(10.0) / 20.0
_LANES_AT_ONCE = 128
"""So many boards' numbers stay in a processor's nearest cache."""
_WIDEST = 8.0
"""How far from the guess a threshold is looked for, in the amplitude's logarithm: 69 dB either way."""
_DIODE_A = 1e-5
"""About the current at which a diode's drop decides the rectified level: where the search begins."""


@dataclass(frozen=True)
class Hearing:
    """How the tone is played to the board."""

    sample_rate_hz: int = REFERENCE_RATE_HZ
    held_from_s: float = 5.0
    """From here on the comparator must stay high."""
    held_for_s: float = 0.25
    """For so long."""
    resolution_db: float = 0.001
    first_step_db: float = 0.3
    """Width of the first bracket: the narrower, the better the guess must be."""


def tone_thresholds(
    boards: Sequence[Board],
    gain: NDArray[np.float64],
    hearing: Hearing = Hearing(),
    *,
    guess_v: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Find, for each board at its gain, the smallest tone that holds the comparator high without a break.

    Found by running the detector, all boards side by side, not by formula.

    Parameters
    ----------
    boards : sequence of Board
        One for each gain; the same one may stand in many places.
    gain : ndarray of shape (n_boards,)
        Amplifier gains.
    hearing : Hearing
        The definition of the threshold by default.
    guess_v : ndarray of shape (n_boards,), optional
        Where the search begins; by default at `threshold_by_formula`.

    Returns
    -------
    ndarray of shape (n_boards,), volts peak at the pickup
        The upper end of the last bracket, so the tone that is told does hold it; inf where none does.
    """
    from scipy.optimize.elementwise import bracket_root, find_root

    gain = np.asarray(gain, dtype=np.float64)
    columns = _columns(boards, gain, Source(hearing.sample_rate_hz, full_scale_v=None, input_ohms=None))
    n = int((hearing.held_from_s + hearing.held_for_s) * hearing.sample_rate_hz)
    tone = np.sin(2.0 * math.pi * TONE_HZ / hearing.sample_rate_hz * np.arange(n))
    observed_from = int(hearing.held_from_s * hearing.sample_rate_hz)

    def spare(log_amplitude: NDArray[np.float64], index: NDArray[np.int64]) -> NDArray[np.float64]:
        """Storage voltage to spare over what going and staying high needs, in spans; 0 is the threshold."""
        flat, own = np.exp(log_amplitude).ravel(), np.asarray(index, np.int64).ravel()
        threads = min(cpu_count() or 1, len(flat))
        parts = max(threads, math.ceil(len(flat) / _LANES_AT_ONCE))
        jobs = zip(np.array_split(flat, parts), np.array_split(own, parts), strict=True)
        with ThreadPoolExecutor(threads) as pool:
            found = list(pool.map(lambda job: _spare(columns, tone, observed_from, *job), jobs))
        return np.concatenate(found).reshape(np.shape(log_amplitude))

    guess = np.log(threshold_by_formula(boards, gain) if guess_v is None else guess_v)
    half, index = 0.5 * hearing.first_step_db * _NEPERS_PER_DB, np.arange(len(gain))
    bracket = bracket_root(
        spare,
        guess - half,
        guess + half,
        args=(index,),
        xmin=guess - _WIDEST,
        xmax=guess + _WIDEST,
        maxiter=60,
    )
    threshold = np.full(len(gain), np.inf)
    held = np.asarray(bracket.success)
    if held.any():
        found = find_root(
            spare,
            tuple(end[held] for end in bracket.bracket),
            args=(index[held],),
            tolerances={
                "xatol": hearing.resolution_db * _NEPERS_PER_DB,
                "xrtol": 0.0,
                "fatol": 0.0,
                "frtol": 0.0,
            },
        )
        # the search ends at once where float32 leaves exactly nothing to spare, its bracket still wide
        nearest = np.minimum(found.bracket[1], found.x + hearing.resolution_db * _NEPERS_PER_DB)
        threshold[held] = np.exp(nearest)
    return threshold


def threshold_by_formula(boards: Sequence[Board], gain: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return about what the thresholds are: half of the trip level and two diode drops, over the gain.

    Good to some 0.3 dB, and in its changes from board to board to some
    0.02 dB, where neither half-wave is clipped; far too low where one is.
    """
    swing_v = []
    for board in boards:
        drop_v = board.diode_scale_v * math.log(_DIODE_A / board.diode_saturation_a)
        swing_v.append(0.5 * board.upper_trip_v + drop_v)
    return np.array(swing_v) / gain


@dataclass(frozen=True)
class _Columns:
    """One column for each board."""

    pickup: NDArray[np.float64]
    clamp_v: NDArray[np.float64]
    stride: int
    lanes: NDArray[np.float32]
    at_rest: NDArray[np.float32]


def _columns(boards: Sequence[Board], gain: NDArray[np.float64], source: Source) -> _Columns:
    each = [circuit_constants(board, gain[k : k + 1], source) for k, board in enumerate(boards)]
    return _Columns(
        pickup=np.array([c.pickup for c in each]).T.copy(),
        clamp_v=np.array([c.clamp_v for c in each]),
        stride=each[0].stride,
        lanes=np.stack([c.lanes[:, 0] for c in each], axis=1),
        at_rest=np.stack([c.at_rest[:, 0] for c in each], axis=1),
    )


def _spare(
    columns: _Columns,
    tone: NDArray[np.float64],
    observed_from: int,
    amplitude: NDArray[np.float64],
    index: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Run each board with the tone at its amplitude; return min(highest - upper, late lowest - lower)."""
    from evalkit._circuit_kernels import LANES, Constant, aligned, circuit_lanes_apart

    n = len(index)
    filled = np.append(np.arange(n), np.full(-n % LANES, n - 1))
    index, amplitude = index[filled], amplitude[filled]
    lanes = aligned(columns.lanes[:, index])
    highest, lowest = np.full(len(index), _F(-np.inf)), np.full(len(index), _F(np.inf))
    circuit_lanes_apart(
        tone, amplitude, np.ascontiguousarray(columns.pickup[:, index]), columns.clamp_v[index],
        columns.stride, lanes, aligned(columns.at_rest[:, index]), highest, lowest, observed_from,
    )  # fmt: skip
    spare = np.minimum(highest - lanes[Constant.UPPER], lowest - lanes[Constant.LOWER])
    return np.asarray(spare[:n], dtype=np.float64)
