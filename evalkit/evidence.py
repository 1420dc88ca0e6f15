"""Is there evidence enough, and do the labels hold together? What `check` says beyond the files' faults.

Nothing here is a fault of a file: each finding is a place to listen at or
something to record more of.
"""

import math
from collections import defaultdict
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from evalkit.cache import CrossingCache
from evalkit.checking import Finding
from evalkit.dataset import Dataset, Recording
from evalkit.detectors.features import FEATURES, HOP_S, WINDOW_S, FrameMaker
from evalkit.detectors.learned import LearnedDetector
from evalkit.errors import TooLittleData
from evalkit.matching import classes_of, ground_of
from evalkit.scoring import Progress
from evalkit.segments import Role, Span, merge_spans, subtract_spans
from evalkit.streams import frames_of, source_of
from evalkit.training import DetectorName, Material

__all__ = ["evidence_findings"]

_FEWEST_SESSIONS = 3
_FEWEST_CALLS = 10
_CONTRADICTED = 3.0
"""Log-odds, 20 to 1: so sure must the other sessions be that a label is wrong."""
_LEAST_S = 0.5
"""A stretch has to look so for as long as this; single frames prove nothing."""
_RING_LIKE_S = 1.0
_GROSS_DB = 10.0


def evidence_findings(
    dataset: Dataset, cache: CrossingCache, *, progress: Progress | None = None
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
    """
    found = [*_thin_classes(dataset), *_thin_phones(dataset)]
    material = Material(dataset, cache, progress)
    found += _contradictions(dataset, material, progress)
    found += _level_changes(dataset, cache)
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
    total = math.fsum(r.duration_s for r in dataset.recordings)
    done = 0.0
    for recording in sorted(dataset.recordings, key=lambda r: r.name):
        level = _log_odds(recording, detector, material)
        yield from _silent_rings(recording, dataset, level)
        yield from _ring_like(recording, dataset, level)
        done += recording.duration_s
        if progress is not None:
            progress(done, total)


def _log_odds(recording: Recording, detector: LearnedDetector, material: Material) -> NDArray[np.float64]:
    """Log-odds of each frame by what was learned in the other sessions."""
    state = detector.at_rest(source_of(recording))
    rows = [detector.level(chunk, state) for chunk in frames_of(recording, detector.maker, material.cache)]
    return np.concatenate(rows or [np.empty(0)])


def _hop_s(recording: Recording) -> float:
    return max(1, round(HOP_S * recording.sample_rate_hz)) / recording.sample_rate_hz


def _silent_rings(recording: Recording, dataset: Dataset, level: NDArray[np.float64]) -> Iterator[Finding]:
    """Target segments in which nothing looks like one for as long as 0.5 s."""
    hop_s = _hop_s(recording)
    for segment in recording.segments:
        if dataset.day.role(segment.label) is not Role.TARGET or segment.end_s - segment.start_s < _LEAST_S:
            continue
        own = level[int((segment.start_s + WINDOW_S) / hop_s) : int(segment.end_s / hop_s)]
        run = max(1, round(_LEAST_S / hop_s))
        best = float(np.max(_means(own, min(run, len(own))))) if len(own) else 0.0
        if best <= -_CONTRADICTED:
            text = (
                f"labelled {segment.label}, but what the other sessions teach takes all of it for something "
                "else (20 to 1); listen there"
            )
            yield Finding("label?", recording.name, text, segment.start_s, segment.end_s)


def _ring_like(recording: Recording, dataset: Dataset, level: NDArray[np.float64]) -> Iterator[Finding]:
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
    run = max(1, round(_RING_LIKE_S / hop_s))
    if len(level) < run:
        return
    sure = np.flatnonzero(_means(level, run) >= _CONTRADICTED)
    looks = merge_spans(Span(k * hop_s, (k + run) * hop_s) for k in sure)
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


def _level_changes(dataset: Dataset, cache: CrossingCache) -> Iterator[Finding]:
    """Compare the sessions' rings and their quiet; both are levels as the detectors hear them."""
    column = [feature.name for feature in FEATURES].index("level")
    maker = FrameMaker(dataset.board)
    rings: dict[str, list[NDArray[np.float32]]] = defaultdict(list)
    quiet: dict[str, list[NDArray[np.float32]]] = defaultdict(list)
    for recording in dataset.recordings:
        rows = [chunk[:, column] for chunk in frames_of(recording, maker, cache)]
        level = np.concatenate(rows or [np.empty(0, np.float32)])
        hop_s = _hop_s(recording)
        first = int(dataset.board.warmup_s / hop_s)
        quiet[recording.session].append(level[first:])
        for segment in recording.segments:
            if dataset.day.role(segment.label) is Role.TARGET:
                own = level[int((segment.start_s + WINDOW_S) / hop_s) : int(segment.end_s / hop_s)]
                rings[recording.session].append(own)
    for what, levels, share in (("rings are", rings, 50.0), ("quiet is", quiet, 10.0)):
        typical = {
            session: float(np.percentile(np.concatenate(parts), share))
            for session, parts in levels.items()
            if sum(map(len, parts))
        }
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
