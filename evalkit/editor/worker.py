"""What is read and computed in the background for the recording on the desk, one thing after the other."""

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from evalkit.box_trace import BoxTrace
from evalkit.dataset import Recording, read_recording
from evalkit.descriptor import read_descriptor
from evalkit.drawn_levels import DrawnFiles, DrawnLevels
from evalkit.editor.source import Source
from evalkit.edits import Labels
from evalkit.errors import EvalkitError
from evalkit.proposals import Proposal, find_proposals
from evalkit.suggestions import Examples, Suggester, Suggestion, examples_of, features_of

__all__ = ["Failed", "Found", "Learned", "Ready", "Report", "Worker", "Working"]

_GATHER_S = 0.4
# Every report is a picture to draw, and there are thousands of pieces in a day.
_TELL_S = 0.2
_MOST_EXAMPLES = 4_000


@dataclass(frozen=True)
class Working:
    """Something is under way."""

    what: str
    share: float
    """0 to 1."""
    left_s: float | None
    """How long it will still take, at the rate so far."""


@dataclass(frozen=True)
class Ready:
    """There is more to draw than before."""


@dataclass(frozen=True)
class Found:
    """What was found in the recording."""

    proposals: tuple[Proposal, ...]
    loud_s: NDArray[np.float64]


@dataclass(frozen=True)
class Learned:
    """What the model makes of the proposals, after what was labelled so far."""

    suggestions: Mapping[Proposal, Suggestion]


@dataclass(frozen=True)
class Failed:
    """Why something is not there."""

    reason: str


Report = Working | Ready | Found | Learned | Failed


class _Stopped(Exception):
    """Nobody wants to know any more."""


class Worker:
    """Works for one recording in a thread of its own until it is stopped.

    Parameters
    ----------
    folder : Path
        The dataset.
    files : DrawnFiles
    source : Source
        Takes what was drawn.
    tell : callable
        Called with each report, from the thread.
    """

    def __init__(
        self, folder: Path, files: DrawnFiles, source: Source, tell: Callable[[Report], None]
    ) -> None:
        self._folder = folder
        self._files = files
        self._source = source
        self._tell = tell
        self._stop = threading.Event()
        self._wake = threading.Event()
        self._labels: Labels | None = None
        self._proposals: tuple[Proposal, ...] = ()
        self._features: NDArray[np.float32] | None = None
        self._others: Examples | None = None
        self._thread = threading.Thread(target=self._work, name="drawing", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def teach(self, labels: Labels) -> None:
        """Learn from the labels as they are now, soon."""
        self._labels = labels
        self._wake.set()

    def stop(self) -> None:
        """Stop at the next moment; no report comes after this."""
        self._stop.set()
        self._wake.set()
        # What is in the middle of a long computation ends by itself, unheard.
        self._thread.join(timeout=1.0)

    def _work(self) -> None:
        try:
            self._draw_levels()
            self._draw_box()
            while not self._stop.is_set():
                self._wake.wait()
                # Several answers in a row are learned from at once.
                self._stop.wait(_GATHER_S)
                self._wake.clear()
                if not self._stop.is_set():
                    self._learn()
        except _Stopped:
            return
        except EvalkitError as error:
            self._say(Failed(str(error)))
        except Exception as error:
            # A fault of ours: told on the screen, since a traceback from a thread would be written over it.
            self._say(Failed(f"{type(error).__name__}: {error}"))

    def _say(self, report: Report) -> None:
        if not self._stop.is_set():
            self._tell(report)

    def _progress(self, what: str) -> Callable[[float], None]:
        start_s = time.monotonic()
        next_s = start_s

        def tell(share: float) -> None:
            nonlocal next_s
            if self._stop.is_set():
                raise _Stopped
            now_s = time.monotonic()
            if now_s >= next_s:
                next_s = now_s + _TELL_S
                left_s = (now_s - start_s) * (1.0 - share) / share if share > 0.0 else None
                self._say(Working(what, share, left_s))

        return tell

    def _draw_levels(self) -> None:
        r = self._source.recording
        levels = self._source.levels or DrawnLevels.find(self._files, r.name, r.path, channel=r.channel)
        if levels is None:
            levels = DrawnLevels.build(
                self._files,
                r.name,
                r.path,
                channel=r.channel,
                sample_rate_hz=r.sample_rate_hz,
                n_frames=r.n_frames,
                progress=self._progress("reading the recording"),
            )
        self._source.levels = levels
        self._say(Ready())
        self._proposals = find_proposals(levels)
        self._say(Found(self._proposals, self._source.loud_moments()))

    def _draw_box(self) -> None:
        s = self._source
        trace = s.trace or BoxTrace.find(self._files, s.recording, s.board, s.setting)
        if trace is None:
            progress = self._progress("working out what the box does")
            trace = BoxTrace.build(self._files, s.recording, s.board, s.setting, progress)
        s.trace = trace
        self._say(Ready())

    def _learn(self) -> None:
        labels, levels = self._labels, self._source.levels
        if labels is None or levels is None or not self._proposals:
            return
        if self._others is None:
            self._others = self._examples_elsewhere()
        own = examples_of(levels, labels, self._proposals)
        suggester = Suggester(Examples.joined([own, self._others]))
        if suggester.ready and not self._stop.is_set():
            if self._features is None:
                self._features = features_of(levels, [proposal.span for proposal in self._proposals])
            suggestions = suggester.suggest(self._features)
            self._say(Learned(dict(zip(self._proposals, suggestions, strict=True))))

    def _examples_elsewhere(self) -> Examples:
        """Return what the labels of the other recordings teach, as far as these are drawn already."""
        found: list[Examples] = []
        for entry in read_descriptor(self._folder).entries:
            if self._stop.is_set() or sum(len(part.labels) for part in found) > _MOST_EXAMPLES:
                break
            if entry.name == self._source.recording.name:
                continue
            try:
                other = read_recording(self._folder, entry)
            except EvalkitError:
                # A fault in another recording is told where that recording is opened.
                continue
            if other.segments and (levels := self._drawn(other)) is not None:
                labels = Labels(other.duration_s, other.segments, other.reviewed)
                found.append(examples_of(levels, labels, find_proposals(levels)))
        return Examples.joined(found)

    def _drawn(self, recording: Recording) -> DrawnLevels | None:
        return DrawnLevels.find(self._files, recording.name, recording.path, channel=recording.channel)
