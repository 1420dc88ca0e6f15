"""Detectors: each turns audio blocks into crossings, one lane for each threshold.

A new detector is one file with a function that fits it on some sessions
(`Training` in, `Fitted` out), and one line in `training.DetectorName`.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board
from evalkit.crossings import Crossings

__all__ = [
    "N_LANES",
    "Cost",
    "Detector",
    "Fitted",
    "Follower",
    "Frames",
    "LevelUnit",
    "Levels",
    "Meter",
    "Source",
    "Training",
    "continued",
]

N_LANES = 64
"""Thresholds of a sweep."""


class LevelUnit(StrEnum):
    """Unit in which a detector's thresholds are spaced and their margin is told."""

    DECIBEL = "dB"
    LOG_ODDS = "log-odds"


@dataclass(frozen=True)
class Source:
    """What a detector must know of a recording."""

    sample_rate_hz: int
    """Samples per second."""
    full_scale_v: float | None
    """Volts at the recorder's input for full scale; None: uncalibrated, full scale counts as 1 V."""
    input_ohms: float | None
    """The recorder's input resistance; None: levels stay as loaded by the recorder."""
    session: str = ""
    """Session of the recording: a detector fitted on it scores it by what it learned elsewhere."""

    @property
    def volts(self) -> float:
        """Volts for a sample of 1.0."""
        return 1.0 if self.full_scale_v is None else self.full_scale_v


@dataclass(frozen=True)
class Levels:
    """The threshold axis of a detector: one entry for each lane, ascending."""

    position: NDArray[np.float64]
    """Where each lane lies on the axis: dB re 1 V for thresholds in volts, log-odds for probabilities."""
    unit: LevelUnit
    """Unit of `position`."""
    threshold_v: NDArray[np.float64] | None
    """Equivalent threshold, V peak of a 175 Hz tone at the pickup; None for learned detectors."""
    gain: NDArray[np.float64] | None
    """Amplifier gain of each lane; None where the threshold is not set by a gain."""
    sigma: float | None = None
    """1 sigma of a threshold about its setting, in `unit`; None: that of a built board."""


@dataclass(frozen=True)
class Cost:
    """What a detector takes to build."""

    effort: int
    """0 for the plainest; detectors of equal effort are equally plain."""
    parts: str
    """In words, against the board as it is drawn."""
    current: str
    """What it draws, with where the figure is from."""


class Detector(Protocol):
    """What scoring asks of a detector."""

    @property
    def name(self) -> str:
        """Name as in `--detector`."""

    @property
    def cost(self) -> Cost:
        """What it takes to build."""

    @property
    def levels(self) -> Levels:
        """The threshold axis."""

    @property
    def lag_s(self) -> float:
        """How much later than its cause the detector can react, s; counted in attribution."""

    @property
    def fingerprint(self) -> str:
        """Digest of all that the crossings depend on beside the audio and the code."""

    def at_rest(self, source: Source) -> Any:
        """Return the state in which a recording starts."""

    def advance(self, block: NDArray[np.float32], state: Any) -> tuple[Crossings, Any]:
        """Return the crossings of a block and the state after it."""


@runtime_checkable
class Follower(Protocol):
    """A detector that can begin blocks before it has ended those before them."""

    def follow(self, blocks: Iterable[NDArray[np.float32]], state: Any) -> Iterator[Crossings]:
        """Yield the crossings of each block in turn, those that `Detector.advance` returns."""


class Fitted(Protocol):
    """A detector that has learned what there is to learn, before it has a threshold axis."""

    def axis(self, *, extra: int = 0) -> Detector:
        """Return the detector with its axis of 64 thresholds, continued by `extra` steps at each end."""

    def at(self, position: float) -> Detector:
        """Return the detector with one lane, at a position of the axis.

        Raises
        ------
        ValueError
            If it cannot be set there; says what it can be set to.
        """


@runtime_checkable
class Meter(Protocol):
    """A detector that computes one level, whatever its thresholds."""

    @property
    def fingerprint(self) -> str:
        """As of a detector."""

    def at_rest(self, source: Source) -> Any:
        """Return the state in which a recording starts."""

    def level_v(self, block: NDArray[np.float32], state: Any) -> tuple[NDArray[np.float64], Any]:
        """Return the level over a block, volts RMS, and the state after it."""


@dataclass(frozen=True)
class Frames:
    """Labelled frames to learn from, recordings in the order of their content hash."""

    features: NDArray[np.float32]
    """(n_frames, n_features): columns as `features.FEATURES` lists them."""
    kind: NDArray[np.int64]
    """(n_frames,): 0 for the target, else 1 + index into `classes`."""
    session: NDArray[np.int64]
    """(n_frames,): index into `sessions`."""
    classes: tuple[str, ...]
    """Nuisance classes, background last."""
    sessions: tuple[str, ...]
    """In the order in which their first frame comes."""
    makers: tuple[str, ...] = ()
    """Of each session, where makers are held out whole: theirs must not be dealt apart. Empty: they may."""


class Training(Protocol):
    """What a detector may be fitted on: the board, and some sessions of a dataset."""

    @property
    def board(self) -> Board:
        """The circuit; nothing of it depends on the sessions."""

    def loudest_target_v(self, meter: Meter) -> float:
        """Return the highest level of a meter in any reviewed target segment of the sessions.

        Raises
        ------
        TooLittleData
            If there is no such segment.
        """

    def frames(self) -> Frames:
        """Return labelled frames of the sessions, drawn by a seeded rule."""


def continued(axis: NDArray[np.float64], extra: int) -> NDArray[np.float64]:
    """Continue an evenly spaced axis by `extra` of its own steps at either end."""
    if not extra:
        return axis
    step = (axis[-1] - axis[0]) / (len(axis) - 1)
    k = np.arange(1, extra + 1)
    return np.concatenate([axis[0] - step * k[::-1], axis, axis[-1] + step * k])
