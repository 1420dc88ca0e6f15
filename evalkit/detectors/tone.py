"""The threshold of a board: the smallest steady tone that holds its comparator high."""

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from os import cpu_count
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board
from evalkit.detectors import Source
from evalkit.detectors.constants import circuit_constants

__all__ = ["REFERENCE_RATE_HZ", "TONE_HZ", "Hearing", "tone_thresholds"]

TONE_HZ = 175.0
"""Frequency of the steady tone by which thresholds are told."""
REFERENCE_RATE_HZ = 48_000
"""Sample rate at which equivalent thresholds are found."""

_F = np.float32
_DIODE_V = 0.45
"""About what each diode takes: where the search begins."""


@dataclass(frozen=True)
class Hearing:
    """How the tone is played to the board."""

    sample_rate_hz: int = REFERENCE_RATE_HZ
    held_from_s: float = 5.0
    """From here on the comparator must stay high."""
    held_for_s: float = 0.25
    """For so long."""
    resolution_db: float = 0.001


def tone_thresholds(
    boards: Sequence[Board], gain: NDArray[np.float64], hearing: Hearing = Hearing()
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

    def spare_v(log_amplitude: NDArray[np.float64], index: NDArray[np.int64]) -> NDArray[np.float64]:
        """Storage voltage to spare over what going and staying high needs; 0 is the threshold."""
        flat, own = np.exp(log_amplitude).ravel(), np.asarray(index, np.int64).ravel()
        parts = min(cpu_count() or 1, len(flat))
        jobs = zip(np.array_split(flat, parts), np.array_split(own, parts), strict=True)
        with ThreadPoolExecutor(parts) as pool:
            spare = list(pool.map(lambda job: _spare_v(columns, tone, observed_from, *job), jobs))
        return np.concatenate(spare).reshape(np.shape(log_amplitude))

    swing_v = np.array([board.upper_trip_v + 2.0 * _DIODE_V for board in boards])
    guess, index = np.log(0.5 * swing_v / gain), np.arange(len(gain))
    bracket = bracket_root(spare_v, guess - 0.1, guess + 0.1, args=(index,), maxiter=12)
    threshold = np.full(len(gain), np.inf)
    held = np.asarray(bracket.success)
    if held.any():
        found = find_root(
            spare_v,
            tuple(end[held] for end in bracket.bracket),
            args=(index[held],),
            tolerances={
                "xatol": hearing.resolution_db * math.log(10.0) / 20.0,
                "xrtol": 0.0,
                "fatol": 0.0,
                "frtol": 0.0,
            },
        )
        threshold[held] = np.exp(found.bracket[1])
    return threshold


@dataclass(frozen=True)
class _Columns:
    """One entry for each board."""

    pickup: NDArray[np.float64]
    clamp_v: NDArray[np.float64]
    by_gain: NDArray[np.float32]
    scalars: NDArray[np.float32]
    upper_v: NDArray[np.float32]
    lower_v: NDArray[np.float32]


def _columns(boards: Sequence[Board], gain: NDArray[np.float64], source: Source) -> _Columns:
    each = [circuit_constants(board, gain[k : k + 1], source) for k, board in enumerate(boards)]
    return _Columns(
        pickup=np.array([c.pickup for c in each]).T.copy(),
        clamp_v=np.array([c.clamp_v for c in each]),
        by_gain=np.concatenate([c.by_gain for c in each], axis=1),
        scalars=np.array([c.scalars for c in each], _F).T.copy(),
        upper_v=np.array([c.upper_v for c in each]),
        lower_v=np.array([c.lower_v for c in each]),
    )


def _spare_v(
    columns: _Columns,
    tone: NDArray[np.float64],
    observed_from: int,
    amplitude: NDArray[np.float64],
    index: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Run each board with the tone at its amplitude; return min(highest - upper, lowest late - lower)."""
    from evalkit import _kernels

    n = len(index)
    front, state = np.zeros((2, n)), np.zeros((4, n), _F)
    highest, lowest = np.full(n, _F(-np.inf)), np.full(n, _F(np.inf))
    arguments: list[Any] = [tone, amplitude, columns.pickup[:, index], columns.clamp_v[index], front]
    arguments += [*columns.by_gain[:, index], *state, highest, lowest, *columns.scalars[:, index]]
    arguments.append(observed_from)
    _kernels.circuit_lanes_apart(*arguments)
    spare = np.minimum(highest - columns.upper_v[index], lowest - columns.lower_v[index])
    return np.asarray(spare, dtype=np.float64)
