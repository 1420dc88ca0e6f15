"""The ideal of the circuit: square, RC average, square root, comparator."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board, board_sha256
from evalkit.crossings import Crossings
from evalkit.detectors import N_LANES, Cost, Fitted, Levels, LevelUnit, Source, Training, continued
from evalkit.detectors.constants import pickup_section
from evalkit.detectors.tone import REFERENCE_RATE_HZ, TONE_HZ

__all__ = ["AVERAGING_S", "EnvelopeDetector", "EnvelopeState", "crossings_of_level", "fit", "fit_levels"]

AVERAGING_S = 0.125
"""Time constant of the average, s: the F weighting of IEC 61672-1."""
_HELD_AFTER_S = 5.0
_SPAN_DB = 48.0
_OVER_LOUDEST_DB = 6.0


@dataclass(frozen=True)
class EnvelopeState:
    """What is carried from block to block."""

    section: NDArray[np.float64]
    volts: float
    alpha: float
    next_sample: int
    memory: NDArray[np.float64]
    """x[n-1], section y[n-1], mean square, V and V^2."""
    high: NDArray[np.uint8]


class EnvelopeDetector:
    """Mean-square level behind the board's pickup, compared with a row of levels.

    Parameters
    ----------
    board : Board
        Gives the pickup's high-pass and, as a share of its reference, the hysteresis.
    level_v : ndarray of shape (n_lanes,), volts RMS, rising
        Reference levels.
    tau_s : float
        Time constant of the average.
    """

    name = "envelope"
    lag_s = 0.0
    cost = Cost(
        1,
        "an ideal: the board with a true-RMS converter in place of its rectifier comes near it",
        "the board's and some 1 mA for the converter (from memory)",
    )
    tone_hz = TONE_HZ
    """Frequency of the steady tone by which thresholds are told."""

    def __init__(self, board: Board, level_v: NDArray[np.float64], *, tau_s: float = AVERAGING_S) -> None:
        level_v = np.asarray(level_v, dtype=np.float64)
        if level_v.ndim != 1 or not len(level_v) or np.any(np.diff(level_v) <= 0) or level_v[0] <= 0.0:
            raise ValueError("level_v must be a rising row of numbers above 0")
        if tau_s <= 0.0:
            raise ValueError(f"tau_s={tau_s} must be above 0")
        self.board = board
        self.tau_s = tau_s
        self.reference_v = level_v
        half = 0.5 * board.comparator.hysteresis.typ / board.reference_v
        self.upper_v = level_v * (1.0 + half)
        self.lower_v = level_v * (1.0 - half)

    @property
    def fingerprint(self) -> str:
        """Name, pickup, time constant and trip levels."""
        trips = (self.upper_v.tobytes() + self.lower_v.tobytes()).hex()
        return f"{self.name} {board_sha256(self.board)} {self.tau_s!r} {trips}"

    @cached_property
    def levels(self) -> Levels:
        """Equivalent thresholds: the detector run on a steady tone of 1 V peak, which scales."""
        source = Source(REFERENCE_RATE_HZ, full_scale_v=None, input_ohms=None)
        n = np.arange(int((_HELD_AFTER_S + 0.25) * REFERENCE_RATE_HZ))
        tone = np.sin(2.0 * math.pi * self.tone_hz / REFERENCE_RATE_HZ * n).astype(np.float32)
        level, _ = self.level_v(tone, self.at_rest(source))
        lowest = level[int(_HELD_AFTER_S * REFERENCE_RATE_HZ) :].min()
        threshold_v = np.maximum(self.upper_v / level.max(), self.lower_v / lowest)
        return Levels(20.0 * np.log10(threshold_v), LevelUnit.DECIBEL, threshold_v, None)

    def at_rest(self, source: Source) -> EnvelopeState:
        """Return the state of no signal."""
        return EnvelopeState(
            section=pickup_section(self.board, source),
            volts=source.volts,
            alpha=-math.expm1(-1.0 / (self.tau_s * source.sample_rate_hz)),
            next_sample=0,
            memory=np.zeros(3),
            high=np.zeros(len(self.upper_v), np.uint8),
        )

    def level_v(
        self, block: NDArray[np.float32], state: EnvelopeState
    ) -> tuple[NDArray[np.float64], EnvelopeState]:
        """Return the level over a block, volts RMS, and the state after it."""
        from evalkit import _kernels

        memory = state.memory.copy()
        level = np.empty(len(block))
        _kernels.mean_square_level(block, state.volts, state.section, state.alpha, memory, level)
        return level, replace(state, memory=memory, next_sample=state.next_sample + len(block))

    def advance(self, block: NDArray[np.float32], state: EnvelopeState) -> tuple[Crossings, EnvelopeState]:
        """Return the crossings of a block and the state after it."""
        level, after = self.level_v(block, state)
        crossings, high = crossings_of_level(
            level, self.upper_v, self.lower_v, high=state.high, first_sample=state.next_sample
        )
        return crossings, replace(after, high=high)


def fit(training: Training) -> Fitted:
    """Return the detector with levels about those of the sessions' targets."""
    return fit_levels(partial(EnvelopeDetector, training.board), training)


def fit_levels(make: Callable[[NDArray[np.float64]], EnvelopeDetector], training: Training) -> "FittedLevels":
    """Return a detector of this kind with 64 levels over 48 dB, ending 6 dB above the loudest target.

    Parameters
    ----------
    make : callable
        Makes the detector from its reference levels, volts RMS.
    training : Training

    Raises
    ------
    TooLittleData
        If the sessions have no reviewed target segment.
    """
    loudest_v = training.loudest_target_v(make(np.array([1.0])))
    return FittedLevels(make, loudest_v * 10.0 ** (_OVER_LOUDEST_DB / 20.0))


@dataclass(frozen=True)
class FittedLevels:
    """A level detector with the top of its axis."""

    make: Callable[[NDArray[np.float64]], EnvelopeDetector]
    top_v: float

    def axis(self, *, extra: int = 0) -> EnvelopeDetector:
        """Return the detector with its axis."""
        level_v = np.geomspace(self.top_v * 10.0 ** (-_SPAN_DB / 20.0), self.top_v, N_LANES)
        return self.make(np.exp(continued(np.log(level_v), extra)) if extra else level_v)

    def at(self, position: float) -> EnvelopeDetector:
        """Return the detector with one lane; its threshold goes as its reference."""
        threshold_v = self.make(np.array([1.0])).levels.threshold_v
        assert threshold_v is not None
        return self.make(np.array([10.0 ** (position / 20.0) / threshold_v[0]]))


def crossings_of_level(
    level: NDArray[np.float64],
    upper: NDArray[np.float64],
    lower: NDArray[np.float64],
    *,
    high: NDArray[np.uint8],
    first_sample: int,
) -> tuple[Crossings, NDArray[np.uint8]]:
    """Compare one level with every lane's trip levels.

    Parameters
    ----------
    level : ndarray of shape (n_samples,)
        Of consecutive samples.
    upper, lower : ndarray of shape (n_lanes,)
        A comparator goes high at a level above `upper` and low at one not above `lower`.
    high : ndarray of shape (n_lanes,)
        1 where the comparator is high before the first sample.
    first_sample : int
        Index of the first sample in the recording.

    Returns
    -------
    (Crossings, ndarray)
        And `high` after the last sample.
    """
    from evalkit import _kernels

    high = high.copy()
    room = 4096 + len(upper)
    lane, sample, above = np.empty(room, np.int32), np.empty(room, np.int64), np.empty(room, np.uint8)
    found = [(lane[:0], sample[:0], above[:0])]
    done = 0
    while done < len(level):
        n_samples, n = _kernels.level_crossings(
            level[done:], upper, lower, high, first_sample + done, lane, sample, above
        )
        done += n_samples
        found.append((lane[:n].copy(), sample[:n].copy(), above[:n].copy()))
    return Crossings(*(np.concatenate(column) for column in zip(*found, strict=True))), high
