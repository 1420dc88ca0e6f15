"""Is there evidence enough, and do the labels hold together? What `check` says beyond the files' faults.

Nothing here is a fault of a file: each finding is a place to listen at or
something to record more of.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evalkit.cache import CrossingCache
from evalkit.checking import Finding
from evalkit.dataset import Dataset, Recording
from evalkit.detectors.features import FEATURES, HOP_S, WINDOW_S, FrameMaker
from evalkit.detectors.learned import LearnedDetector
from evalkit.errors import TooLittleData
from evalkit.matching import classes_of, ground_of
from evalkit.segments import Role, Segment, Span, merge_spans, subtract_spans
from evalkit.streams import frames_of, source_of
from evalkit.training import DetectorName, Material
from evalkit.workers import Progress, Workers

__all__ = ["evidence_findings"]

_FEWEST_SESSIONS = 3
_FEWEST_CALLS = 10
_CONTRADICTED = 3.0
"""Log-odds, 20 to 1: so sure must the other sessions be that a label is wrong."""
_LEAST_S = 0.5
"""A stretch has to look so for as long as this; single frames prove nothing."""
_RING_LIKE_S = 1.0
_GROSS_DB = 10.0
_PIECE_FRAMES = 1 << 16


def evidence_findings(
    dataset: Dataset,
    cache: CrossingCache,
    *,
    progress: Progress | None = None,
    workers: Workers | None = None,
) -> tuple[Finding, ...]:
    """Return what stands in the way of evidence, with its place.

    - Classes that the day brings and that fewer than 3 sessions hold.
    - Phones with fewer than 10 counted calls.
    - Labels that a detector fitted on the other sessions contradicts at 20 to
      1: rings that it takes for none, and what it takes for a ring elsewhere.
    - Sessions whose rings or whose quiet differ by more than 10 dB from the
      middle of the sessions: was the gain changed?

    Parameters
    ----------
    dataset : Dataset
    cache : CrossingCache
        Keeps the frames' features.
    progress : callable, optional
    workers : Workers, optional
        Who makes the frames; without them it is done here.
    """
    found = [*_thin_classes(dataset), *_thin_phones(dataset)]
    material = Material(dataset, cache, progress, workers)
    found += _contradictions(dataset, material, progress)
    found += _level_changes(dataset, cache, progress)
    return tuple(found)


def _thin_classes(dataset: Dataset) -> Iterator[Finding]:
    day, classes = dataset.day, classes_of(dataset)
    sessions: dict[str, set[str]] = defaultdict(set)
    for recording in dataset.recordings:
        ground = ground_of(recording, day, classes, warmup_s=dataset.board.warmup_s)
        for k, label in enumerate(classes):
            if ground.hours[k] > 0.0:
                sessions[label].add(recording.session)
    for exposure in day.exposures:
        brought = exposure.events_per_day or exposure.hours_per_day
        n = len(sessions[exposure.label])
        if brought and 0 < n < _FEWEST_SESSIONS:
            where = "one session" if n == 1 else f"{n} sessions"
            text = (
                f"{exposure.label} was recorded in {where} only, which cannot show how much sessions differ "
                f"in it; record some in {_FEWEST_SESSIONS - n} more"
            )
            yield Finding("few-sessions", exposure.label, text)


def _thin_phones(dataset: Dataset) -> Iterator[Finding]:
    from evalkit.proportions import exact_interval

    day = dataset.day
    calls: dict[str, int] = defaultdict(int)
    for recording in dataset.recordings:
        ground = ground_of(recording, day, classes_of(dataset), warmup_s=dataset.board.warmup_s)
        for call in ground.calls:
            calls[call.phone] += not call.cut
    for phone, n in sorted(calls.items()):
        if n >= _FEWEST_CALLS:
            continue
        name = f"phone '{phone}'" if phone else "a phone without a name"
        if n == 0:
            text = f"{name} has no call that counts (all are cut)"
        else:
            shown = float(exact_interval(n, n).lower)
            text = (
                f"{name} has {n} counted call{'s' if n > 1 else ''}: were all of them caught, no more than "
                f"{100 * shown:.0f} % would be shown of it (95 %)"
            )
        yield Finding("few-calls", phone or "phones", text)


def _contradictions(dataset: Dataset, material: Material, progress: Progress | None) -> Iterator[Finding]:
    """What a logistic regression fitted on the other sessions makes of each label."""
    if len(material.sessions) < 2:
        return
    try:
        detector = DetectorName.LOGISTIC.fit(material.of(material.sessions)).at(0.0)
    except TooLittleData:
        return
    assert isinstance(detector, LearnedDetector)
    tell = _Told(dataset, progress)
    for recording in sorted(dataset.recordings, key=lambda r: r.name):
        rings = _rings_long_enough(recording, dataset)
        inside = _Parts([_frames_in(segment, recording) for segment in rings])
        sure = _SureRuns(max(1, round(_RING_LIKE_S / _hop_s(recording))))
        state = detector.at_rest(source_of(recording))
        frames = frames_of(recording, detector.maker, material.cache, tell.advance)
        for first, level in _pieces(detector.level(rows, state) for rows in frames):
            inside.take(first, level)
            sure.take(first, level)
        yield from _silent_rings(recording, zip(rings, inside.found, strict=True))
        yield from _ring_like(recording, dataset, sure.found)
        tell.finish(recording)


class _Told:
    """Tells how much of all recordings was gone through."""

    def __init__(self, dataset: Dataset, progress: Progress | None) -> None:
        self._progress = progress
        self._total_s = math.fsum(r.duration_s for r in dataset.recordings)
        self._done_s = 0.0

    def advance(self, seconds: float) -> None:
        if self._progress is not None:
            self._progress(self._done_s + seconds, self._total_s)

    def finish(self, recording: Recording) -> None:
        self._done_s += recording.duration_s
        self.advance(0.0)


def _pieces(values: Iterable[NDArray[Any]]) -> Iterator[tuple[int, NDArray[Any]]]:
    """Yield the same values in pieces of one length, each with the place of its first one.

    What is summed over a piece then does not depend on how the values came.
    """
    waiting: list[NDArray[Any]] = []
    n, first = 0, 0
    for some in values:
        waiting.append(some)
        n += len(some)
        while n >= _PIECE_FRAMES:
            joined = np.concatenate(waiting)
            yield first, joined[:_PIECE_FRAMES]
            waiting, n, first = [joined[_PIECE_FRAMES:]], n - _PIECE_FRAMES, first + _PIECE_FRAMES
    if n:
        yield first, np.concatenate(waiting)


class _Parts:
    """Collects some parts [first, last) of values that pass by in pieces."""

    def __init__(self, wanted: Sequence[tuple[int, int]]) -> None:
        self._wanted = wanted
        self.found: list[NDArray[Any]] = [np.empty(0)] * len(wanted)

    def take(self, first: int, values: NDArray[Any]) -> None:
        for k, (start, stop) in enumerate(self._wanted):
            if start < first + len(values) and stop > first:
                own = values[max(0, start - first) : max(0, stop - first)]
                self.found[k] = np.concatenate([self.found[k], own])


class _SureRuns:
    """Finds where the mean of so many values on end is high, in values that pass by in pieces."""

    def __init__(self, run: int) -> None:
        self._run = run
        self._before = np.empty(0)
        self.found: list[tuple[int, int]] = []
        """[first, last) of the frames of each stretch."""

    def take(self, first: int, values: NDArray[np.float64]) -> None:
        joined = np.concatenate([self._before, values])
        start = first - len(self._before)
        self._before = joined[len(joined) - min(len(joined), self._run - 1) :]
        if len(joined) < self._run:
            return
        edges = np.flatnonzero(
            np.diff(_means(joined, self._run) >= _CONTRADICTED, prepend=False, append=False)
        )
        ends = (start + edges[1::2] + self._run - 1).tolist()
        self.found += zip((start + edges[::2]).tolist(), ends, strict=True)


def _hop_s(recording: Recording) -> float:
    return max(1, round(HOP_S * recording.sample_rate_hz)) / recording.sample_rate_hz


def _frames_in(segment: Segment, recording: Recording) -> tuple[int, int]:
    """The frames whose whole window lies in a segment."""
    hop_s = _hop_s(recording)
    return int((segment.start_s + WINDOW_S) / hop_s), int(segment.end_s / hop_s)


def _targets(recording: Recording, dataset: Dataset) -> list[Segment]:
    return [s for s in recording.segments if dataset.day.role(s.label) is Role.TARGET]


def _rings_long_enough(recording: Recording, dataset: Dataset) -> list[Segment]:
    return [s for s in _targets(recording, dataset) if s.end_s - s.start_s >= _LEAST_S]


def _silent_rings(
    recording: Recording, rings: Iterable[tuple[Segment, NDArray[np.float64]]]
) -> Iterator[Finding]:
    """Target segments in which nothing looks like one for as long as 0.5 s."""
    run = max(1, round(_LEAST_S / _hop_s(recording)))
    for segment, own in rings:
        best = float(np.max(_means(own, min(run, len(own))))) if len(own) else 0.0
        if best <= -_CONTRADICTED:
            text = (
                f"labelled {segment.label}, but what the other sessions teach takes all of it for something "
                "else (20 to 1); listen there"
            )
            yield Finding("label?", recording.name, text, segment.start_s, segment.end_s)


def _ring_like(recording: Recording, dataset: Dataset, sure: Sequence[tuple[int, int]]) -> Iterator[Finding]:
    """Stretches of 1 s and more outside all calls that look like a ring."""
    day = dataset.day
    ground = ground_of(recording, day, classes_of(dataset), warmup_s=dataset.board.warmup_s)
    known = [Span(max(0.0, c.start_s - WINDOW_S), c.end_s + day.grace_s) for c in ground.calls]
    known += [
        Span(s.start_s, s.end_s + WINDOW_S)
        for s in recording.segments
        if day.role(s.label) not in (Role.NUISANCE, Role.BACKGROUND)
    ]
    hop_s = _hop_s(recording)
    looks = merge_spans(Span(first * hop_s, last * hop_s) for first, last in sure)
    for span in subtract_spans(looks, known):
        inside = any(s.start_s <= span.start_s and span.end_s <= s.end_s for s in ground.scored)
        if span.end_s - span.start_s < _RING_LIKE_S or not inside:
            continue
        labels = sorted(
            {s.label for s in recording.segments if s.start_s < span.end_s and span.start_s < s.end_s}
        )
        what = f"labelled {' and '.join(labels)}" if labels else "not labelled"
        text = f"{what}, but what the other sessions teach takes it for a ring (20 to 1); listen there"
        yield Finding("label?", recording.name, text, span.start_s, span.end_s)


def _means(values: NDArray[np.float64], run: int) -> NDArray[np.float64]:
    """Mean of each run of so many values."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    return np.asarray((total[run:] - total[:-run]) / run)


class _Levels:
    """How often each level came, in steps of 0.01 dB: a day of levels takes no more room than a minute."""

    _LOWEST_DB, _HIGHEST_DB, _STEP_DB = -400.0, 200.0, 0.01

    def __init__(self) -> None:
        self._counts = np.zeros(round((self._HIGHEST_DB - self._LOWEST_DB) / self._STEP_DB), np.int64)

    def add(self, level_db: NDArray[np.float32]) -> None:
        steps = np.floor((level_db.astype(np.float64) - self._LOWEST_DB) / self._STEP_DB)
        places = np.clip(steps, 0, len(self._counts) - 1).astype(np.int64)
        self._counts += np.bincount(places, minlength=len(self._counts))

    def percentile(self, share: float) -> float | None:
        """Return the middle of the step that holds the percentile; None where nothing came."""
        total = np.cumsum(self._counts)
        if not total[-1]:
            return None
        place = int(np.searchsorted(total, share / 100.0 * float(total[-1])))
        return self._LOWEST_DB + (min(place, len(total) - 1) + 0.5) * self._STEP_DB


def _level_changes(dataset: Dataset, cache: CrossingCache, progress: Progress | None) -> Iterator[Finding]:
    """Compare the sessions' rings and their quiet; both are levels as the detectors hear them."""
    column = [feature.name for feature in FEATURES].index("level")
    maker = FrameMaker(dataset.board)
    rings: dict[str, _Levels] = defaultdict(_Levels)
    quiet: dict[str, _Levels] = defaultdict(_Levels)
    tell = _Told(dataset, progress)
    for recording in dataset.recordings:
        settled = int(dataset.board.warmup_s / _hop_s(recording))
        inside = _Parts([_frames_in(segment, recording) for segment in _targets(recording, dataset)])
        frames = frames_of(recording, maker, cache, tell.advance)
        for first, level in _pieces(rows[:, column] for rows in frames):
            quiet[recording.session].add(level[max(0, settled - first) :])
            inside.take(first, level)
        for own in inside.found:
            rings[recording.session].add(own)
        tell.finish(recording)
    for what, levels, share in (("rings are", rings, 50.0), ("quiet is", quiet, 10.0)):
        middles = {session: each.percentile(share) for session, each in levels.items()}
        typical = {session: value for session, value in middles.items() if value is not None}
        if len(typical) < _FEWEST_SESSIONS:
            continue
        middle = float(np.median(list(typical.values())))
        for session, value in sorted(typical.items()):
            if abs(value - middle) > _GROSS_DB:
                off_db, way = abs(value - middle), "above" if value > middle else "below"
                text = (
                    f"{what} {off_db:.0f} dB {way} the middle of the sessions: was the gain changed, or the "
                    "pickup moved? If so, calibrate it, or take it for another box"
                )
                yield Finding("level", f"session {session}", text)
