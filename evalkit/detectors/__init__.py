"""Detectors: each turns audio blocks into crossings, one lane for each threshold.

A new detector is one file with a class that meets `Detector`, and one line in `_MAKERS`.
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board
from evalkit.crossings import Crossings

__all__ = ["Detector", "LevelUnit", "Levels", "Source"]


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


class Detector(Protocol):
    """What scoring asks of a detector."""

    @property
    def name(self) -> str:
        """Name as in `--detector`."""

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


_Maker = Callable[[Board], Detector]
