"""A detector meets a dataset: alerts matched with calls, tallies for the swept plane.

A tally is kept for each recording; figures are sums of tallies, joined in
the order of the recordings' content hash, so that the same input gives the
same output whatever the names or the order of files.
"""

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from copy import copy
from dataclasses import dataclass, replace
from functools import partial
from os import cpu_count

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Hold
from evalkit.cache import Arrays, CrossingCache
from evalkit.crossings import Crossings, Integrator
from evalkit.dataset import Dataset, Recording
from evalkit.day import BACKGROUND, Day
from evalkit.detectors import Detector, Fitted, Levels, continued
from evalkit.detectors.learned import LearnedDetector
from evalkit.folds import makers_held_out
from evalkit.matching import EARLY_S, Ground, Matching, Verdict, classes_of, ground_of, verdict_of
from evalkit.segments import Call, Role, Span, intersect_spans, subtract_spans
from evalkit.streams import Advance, crossings_key, crossings_of
from evalkit.training import DetectorName, Material, make_detector
from evalkit.workers import Progress, Workers, each_recording

__all__ = [
    "DetectorName",
    "JudgedAlert",
    "PlaneScores",
    "SegmentScores",
    "Sweep",
    "Sweeps",
    "Tally",
    "alerts_at",
    "delay_axis",
    "make_detector",
    "score_plane",
    "score_segments",
    "sweep",
]

_BACKGROUND_PIECE_S = 10.0

N_DELAYS = 64
"""Delays of a sweep."""


def delay_axis(*, extra: int = 0) -> NDArray[np.float64]:
    """Return the delays of the sweep, 0.05 to 6 s, log-spaced; `extra` more steps at each end."""
    delay_s = np.geomspace(0.05, 6.0, N_DELAYS)
    return np.exp(continued(np.log(delay_s), extra)) if extra else delay_s


@dataclass(frozen=True)
class Tally:
    """What one recording says about every setting (axes: threshold, delay)."""

    recording: str
    session: str
    calls: tuple[Call, ...]
    status: NDArray[np.uint8]
    """(n_calls, n_lanes, n_delays): 0 missed, 1 caught, 2 masked, not by a false alarm, 3 masked by one."""
    response_s: NDArray[np.float32]
    """(n_calls, n_lanes, n_delays), inf unless caught."""
    alarms: NDArray[np.int32]
    """(n_classes, n_lanes, n_delays): false alarms by cause, background last."""
    alarm_s: NDArray[np.float64]
    """(n_classes, n_lanes, n_delays): how long those alerts lasted, s."""
    events: NDArray[np.float64]
    """(n_classes,): recorded events."""
    hours: NDArray[np.float64]
    """(n_classes,): recorded hours."""
    maker: str | None = None
    """Whose recording it is; None: the dataset's own."""
    maker_group: str = ""
    """The makers held out together with it; empty: its session is held out by itself."""

    @property
    def cluster(self) -> str:
        """What it is held out with, and what its events are alike with: a maker or a session."""
        return self.maker_group or self.session


@dataclass(frozen=True)
class Sweep:
    """Tallies of all recordings for every setting of one detector."""

    detector: str
    levels: Levels
    delay_s: NDArray[np.float64]
    integrator: Integrator
    classes: tuple[str, ...]
    tallies: tuple[Tally, ...]
    by: Detector | None = None
    """The detector that was swept; None for tallies that no detector made."""

    @property
    def sessions(self) -> tuple[str, ...]:
        """Names of the sessions, sorted."""
        return tuple(sorted({tally.session for tally in self.tallies}))

    def clusters(self, sessions: Sequence[str]) -> NDArray[np.intp]:
        """Return, for each session named, the number of the cluster that it belongs to."""
        cluster = {tally.session: tally.cluster for tally in self.tallies}
        return np.unique([cluster[session] for session in sessions], return_inverse=True)[1]


@dataclass(frozen=True)
class JudgedAlert:
    """One alert of one setting."""

    recording: str
    session: str
    start_s: float
    end_s: float
    verdict: Verdict
    response_s: float | None
    """For the alert that caught a call."""


@dataclass(frozen=True)
class SegmentScores:
    """Score of every segment at one delay: the highest threshold at which the gate fires in it."""

    kind: tuple[str, ...]
    """`call`, `nuisance` (events), or `piece` (hour classes and background, cut into 10 s)."""
    label: tuple[str, ...]
    session: tuple[str, ...]
    score: NDArray[np.float64]
    """Position on the threshold axis; -inf below the lowest."""


@dataclass(frozen=True)
class PlaneScores:
    """Scores of every segment at every delay."""

    kind: tuple[str, ...]
    """As of `SegmentScores`."""
    label: tuple[str, ...]
    session: tuple[str, ...]
    score: NDArray[np.float64]
    """(n_segments, n_delays): position on the threshold axis; -inf below the lowest."""

    def at(self, delay_index: int) -> SegmentScores:
        """Return the scores at one delay."""
        return SegmentScores(self.kind, self.label, self.session, self.score[:, delay_index].copy())


def sweep(
    dataset: Dataset,
    detector: Detector,
    *,
    delay_s: NDArray[np.float64],
    integrator: Integrator,
    warmup_s: float,
    cache: CrossingCache,
    progress: Progress | None = None,
    workers: Workers | None = None,
) -> Sweep:
    """Score every setting of a detector on all of a dataset.

    Parameters
    ----------
    dataset : Dataset
    detector : Detector
        Gives the threshold axis.
    delay_s : ndarray of shape (n_delays,), seconds
    integrator : Integrator
    warmup_s : float
        Start of each recording that is not scored; the largest among the compared detectors.
    cache : CrossingCache
    progress : callable, optional
    workers : Workers, optional
        Who tallies the recordings; without them it is done here.

    Returns
    -------
    Sweep
        One tally for each recording, in the order of the content hashes.
    """
    # of a board the levels take seconds to find: once, here, and not for each recording
    levels, classes, makers = detector.levels, classes_of(dataset), makers_held_out(dataset)
    terms = _Terms(detector, integrator, dataset.day, classes, warmup_s, cache)
    work = partial(_tally, terms=terms, n_lanes=len(levels.position), delay_s=delay_s, makers=makers)
    tallies = each_recording(work, dataset.recordings, progress=progress, workers=workers)
    return Sweep(detector.name, levels, delay_s, integrator, classes, tuple(tallies), detector)


@dataclass(frozen=True)
class _Terms:
    """What scoring a recording takes beside the recording."""

    detector: Detector
    integrator: Integrator
    day: Day
    classes: tuple[str, ...]
    warmup_s: float
    cache: CrossingCache

    def of(self, recording: Recording) -> tuple[Ground, Matching]:
        """Return the recording's labels, and as the matching kernels take them."""
        ground = ground_of(recording, self.day, self.classes, warmup_s=self.warmup_s)
        return ground, Matching(ground, self.day, self.detector.lag_s)


def _tally(
    recording: Recording,
    advance: Advance,
    *,
    terms: _Terms,
    n_lanes: int,
    delay_s: NDArray[np.float64],
    makers: Mapping[str, str],
) -> Tally:
    """Score every setting of a detector on one recording."""
    ground, matching = terms.of(recording)
    detector, integrator = terms.detector, terms.integrator
    n_calls, n_classes, n_delays = len(ground.calls), len(terms.classes), len(delay_s)

    def count() -> Arrays:
        n_settings = n_lanes * n_delays
        status = np.zeros((n_calls, n_settings), np.uint8)
        response_s = np.full((n_calls, n_settings), np.inf, np.float32)
        alarms = np.zeros((n_classes, n_settings), np.int32)
        alarm_s = np.zeros((n_classes, n_settings))
        chunks = crossings_of(recording, detector, terms.cache, advance)
        for alerts in matching.alerts(chunks, recording, n_lanes, delay_s, integrator):
            kind, cause = matching.judge(alerts, n_delays)
            matching.tally(alerts, kind, cause, status, response_s, alarms, alarm_s)
        return {"status": status, "response_s": response_s, "alarms": alarms, "alarm_s": alarm_s}

    # all that the counts depend on: neither the day's exposure nor its limits are among it
    key = (*crossings_key(recording, detector), recording.session, matching.fingerprint, f"{n_classes}")
    counts = terms.cache.arrays((*key, repr(integrator), repr(delay_s.tolist())), count)
    shape = (n_lanes, n_delays)
    return Tally(
        recording=recording.name,
        session=recording.session,
        calls=ground.calls,
        status=counts["status"].reshape(n_calls, *shape),
        response_s=counts["response_s"].reshape(n_calls, *shape),
        alarms=counts["alarms"].reshape(n_classes, *shape),
        alarm_s=counts["alarm_s"].reshape(n_classes, *shape),
        events=ground.events,
        hours=ground.hours,
        maker=recording.maker,
        maker_group=makers.get(recording.session, ""),
    )


class Sweeps:
    """Sweeps of one kind of detector, fitted on whichever sessions are asked for.

    Detectors that come out alike are swept once: that of `circuit`, of which
    nothing is fitted, serves all folds.

    Parameters
    ----------
    name : DetectorName
    dataset : Dataset
    cache : CrossingCache
    progress : callable, optional
    workers : Workers, optional
        Who works on the recordings; without them it is done here.
    """

    def __init__(
        self,
        name: DetectorName,
        dataset: Dataset,
        *,
        cache: CrossingCache,
        progress: Progress | None = None,
        workers: Workers | None = None,
    ) -> None:
        self._name = name
        self._dataset = dataset
        self._cache = cache
        self._progress = progress
        self._workers = workers
        self._material = Material(dataset, cache, progress, workers)
        self._fitted: dict[frozenset[str], Fitted] = {}
        self._begun: dict[str, Future[Sweep]] = {}
        self._integrator = Integrator.of_board(dataset.board)

    def with_hold(self, hold: Hold) -> "Sweeps":
        """Return the sweeps of the same box with another hold; what was fitted so far is shared."""
        other = copy(self)
        other._begun = {}
        other._integrator = Integrator.of_board(replace(self._dataset.board, hold=hold))
        return other

    def on_all(self, *, extra: int) -> Sweep:
        """Return the sweep of the detector fitted on all sessions, its axes continued by `extra` steps."""
        detector = self._detector(self._material.sessions, extra)
        done: Future[Sweep] = Future()
        done.set_result(self._sweep(detector, extra, self._progress))
        self._begun = {detector.fingerprint: done}
        return done.result()

    def without(self, groups: Sequence[frozenset[str]], *, extra: int) -> Iterator[Sweep]:
        """Yield, for each group, the sweep over all recordings of the detector fitted without it.

        Raises
        ------
        TooLittleData
            If the other sessions do not allow a fit.
        """
        at_once = cpu_count() or 1
        waiting: deque[tuple[Detector, Future[Sweep]]] = deque()
        with ThreadPoolExecutor(at_once) as pool:
            for group in groups:
                # fits come one after the other, each in one thread; sweeps, compiled code, go on meanwhile
                detector = self._detector(self._material.sessions - group, extra)
                if detector.fingerprint not in self._begun:
                    self._begun[detector.fingerprint] = pool.submit(self._sweep, detector, extra, None)
                waiting.append((detector, self._begun[detector.fingerprint]))
                if len(waiting) > at_once:
                    yield self._finished(*waiting.popleft(), groups, len(waiting))
            while waiting:
                yield self._finished(*waiting.popleft(), groups, len(waiting))

    def _finished(
        self, detector: Detector, begun: "Future[Sweep]", groups: Sequence[frozenset[str]], left: int
    ) -> Sweep:
        swept = begun.result()
        if isinstance(detector, LearnedDetector):
            # another fold's comes out different: keeping it would only hold memory
            self._begun.pop(detector.fingerprint, None)
        if self._progress is not None:
            self._progress(float(len(groups) - left), float(len(groups)))
        return swept

    def _detector(self, sessions: frozenset[str], extra: int) -> Detector:
        if sessions not in self._fitted:
            self._fitted[sessions] = self._material.fit(self._name, sessions)
        return self._fitted[sessions].axis(extra=extra)

    def _sweep(self, detector: Detector, extra: int, progress: Progress | None) -> Sweep:
        return sweep(
            self._dataset,
            detector,
            delay_s=delay_axis(extra=extra),
            integrator=self._integrator,
            warmup_s=self._dataset.board.warmup_s,
            cache=self._cache,
            progress=progress,
            workers=self._workers,
        )


def alerts_at(
    dataset: Dataset,
    detector: Detector,
    *,
    lane: int,
    delay_s: float,
    integrator: Integrator,
    warmup_s: float,
    cache: CrossingCache,
    progress: Progress | None = None,
    workers: Workers | None = None,
) -> tuple[JudgedAlert, ...]:
    """List the alerts of one setting, one by one, judged by the code that judges the plane.

    Parameters
    ----------
    lane : int
        Index on the detector's threshold axis.
    delay_s : float

    Returns
    -------
    tuple of JudgedAlert
        By recording, in time order.
    """
    terms = _Terms(detector, integrator, dataset.day, classes_of(dataset), warmup_s, cache)
    work = partial(_judged, terms=terms, lane=lane, delay_s=delay_s)
    found = each_recording(work, dataset.recordings, progress=progress, workers=workers)
    return tuple(alert for alerts in found for alert in alerts)


def _judged(
    recording: Recording,
    advance: Advance,
    *,
    terms: _Terms,
    lane: int,
    delay_s: float,
) -> list[JudgedAlert]:
    """List the alerts of one setting on one recording."""
    from evalkit import _kernels

    ground, matching, classes = *terms.of(recording), terms.classes
    n_calls = len(ground.calls)
    status, response = np.zeros((n_calls, 1), np.uint8), np.full((n_calls, 1), np.inf, np.float32)
    alarms, alarm_s = np.zeros((len(classes), 1), np.int32), np.zeros((len(classes), 1))
    crossings = crossings_of(recording, terms.detector, terms.cache, advance)
    chunks = (_only(chunk, lane) for chunk in crossings)
    found = []
    for alerts in matching.alerts(chunks, recording, 1, np.array([delay_s]), terms.integrator):
        kind, cause = matching.judge(alerts, 1)
        matching.tally(alerts, kind, cause, status, response, alarms, alarm_s)
        for times, k, c in zip(alerts.times, kind, cause):
            caught = k == _kernels.Verdict.CATCHES_CALL
            found.append(
                JudgedAlert(
                    recording=recording.name,
                    session=recording.session,
                    start_s=float(times[0]),
                    end_s=float(times[1]),
                    verdict=verdict_of(ground, int(k), int(c)),
                    response_s=float(max(0.0, times[0] - ground.calls[c].start_s)) if caught else None,
                )
            )
    return found


def score_segments(
    dataset: Dataset,
    detector: Detector,
    *,
    delay_s: float,
    integrator: Integrator,
    warmup_s: float,
    cache: CrossingCache,
    workers: Workers | None = None,
) -> SegmentScores:
    """Score every segment at one delay, for the segment-level ROC.

    The score is the highest threshold of the sweep at which the gate fires
    between the segment's start and its end + grace. Calls are positives;
    negatives are nuisance segments that overlap no call; segments of classes
    that the day counts in hours, and background, are cut into 10 s pieces.

    Returns
    -------
    SegmentScores
    """
    scored = score_plane(
        dataset,
        detector,
        delay_s=np.array([delay_s]),
        integrator=integrator,
        warmup_s=warmup_s,
        cache=cache,
        workers=workers,
    )
    return scored.at(0)


def score_plane(
    dataset: Dataset,
    detector: Detector,
    *,
    delay_s: NDArray[np.float64],
    integrator: Integrator,
    warmup_s: float,
    cache: CrossingCache,
    workers: Workers | None = None,
) -> PlaneScores:
    """Score every segment at every delay, in one pass over the crossings (see `score_segments`).

    Parameters
    ----------
    delay_s : ndarray of shape (n_delays,), seconds

    Returns
    -------
    PlaneScores
    """
    bare = Integrator(integrator.fire_fraction, integrator.release_fraction, integrator.discharge_s)
    terms = _Terms(detector, bare, dataset.day, classes_of(dataset), warmup_s, cache)
    work = partial(_segment_scores, terms=terms, position=detector.levels.position, delay_s=delay_s)
    found = each_recording(work, dataset.recordings, workers=workers)
    return PlaneScores(
        kind=tuple(kind for each in found for kind in each.kind),
        label=tuple(label for each in found for label in each.label),
        session=tuple(session for each in found for session in each.session),
        score=np.concatenate([np.zeros((0, len(delay_s))), *(each.score for each in found)]),
    )


def _segment_scores(
    recording: Recording,
    advance: Advance,
    *,
    terms: _Terms,
    position: NDArray[np.float64],
    delay_s: NDArray[np.float64],
) -> PlaneScores:
    """Score the segments of one recording at every delay."""
    (ground, matching), day = terms.of(recording), terms.day
    by_hours = {e.label for e in day.exposures if e.hours_per_day is not None} | {BACKGROUND}
    items = list(_scored_items(ground, day, by_hours))
    spans = np.array([[s.start_s, s.end_s + day.grace_s] for _, _, s in items]).reshape(-1, 2)

    def highest() -> Arrays:
        best = np.full((len(items), len(delay_s)), -np.inf)
        order = np.argsort(spans[:, 0], kind="stable")
        starts, ends = spans[order, 0], spans[order, 1]
        reach = np.maximum.accumulate(ends) if len(items) else np.zeros(0)
        chunks = crossings_of(recording, terms.detector, terms.cache, advance)
        for alerts in matching.alerts(chunks, recording, len(position), delay_s, terms.integrator):
            lane, d = np.divmod(alerts.setting, len(delay_s))
            time_s = alerts.times[:, 0]
            k = np.searchsorted(starts, time_s, side="right") - 1
            # all alerts step back together, each as far as some span may still hold it
            while len(k):
                open_ = (k >= 0) & (reach[k] >= time_s) if len(reach) else np.zeros(len(k), bool)
                lane, d, time_s, k = lane[open_], d[open_], time_s[open_], k[open_]
                inside = ends[k] >= time_s
                np.maximum.at(best, (order[k[inside]], d[inside]), position[lane[inside]])
                k = k - 1
        return {"best": best}

    key = (*crossings_key(recording, terms.detector), recording.session, repr(spans.tolist()))
    found = terms.cache.arrays((*key, repr(terms.integrator), repr(delay_s.tolist())), highest)
    return PlaneScores(
        kind=tuple(kind for kind, _, _ in items),
        label=tuple(label for _, label, _ in items),
        session=(recording.session,) * len(items),
        score=found["best"],
    )


def _scored_items(ground: Ground, day: Day, by_hours: set[str]) -> Iterator[tuple[str, str, Span]]:
    """Calls, nuisance events clear of calls, and 10 s pieces of the hour classes and background."""
    calls = [c for c in ground.calls if not c.cut]
    for call in calls:
        yield "call", call.phone, Span(call.start_s, call.end_s)
    call_time = [Span(max(0.0, c.start_s - EARLY_S), c.end_s + day.grace_s) for c in ground.calls]
    nuisances = [s for s in ground.causes if day.role(s.label) is Role.NUISANCE]
    others = [Span(s.start_s, s.end_s) for s in ground.causes if day.role(s.label) is not Role.NUISANCE]
    for segment in nuisances:
        span = Span(segment.start_s, segment.end_s)
        clear = not any(t.start_s < span.end_s and span.start_s < t.end_s for t in call_time)
        inside = any(s.start_s <= span.start_s < s.end_s for s in ground.scored)
        if segment.label not in by_hours and clear and inside:
            yield "nuisance", segment.label, span
    free = subtract_spans(ground.scored, [*call_time, *others])
    for label in sorted({s.label for s in nuisances if s.label in by_hours}):
        own = [Span(s.start_s, s.end_s) for s in nuisances if s.label == label]
        yield from (("piece", label, piece) for piece in _pieces(intersect_spans(free, own)))
    rest = subtract_spans(free, [Span(s.start_s, s.end_s) for s in nuisances])
    yield from (("piece", BACKGROUND, piece) for piece in _pieces(rest))


def _pieces(spans: Sequence[Span]) -> Iterator[Span]:
    """Whole pieces of 10 s; what is left over at a span's end is not scored."""
    for span in spans:
        for k in range(int((span.end_s - span.start_s) / _BACKGROUND_PIECE_S)):
            start_s = span.start_s + k * _BACKGROUND_PIECE_S
            yield Span(start_s, start_s + _BACKGROUND_PIECE_S)


def _only(chunk: Crossings, lane: int) -> Crossings:
    """The crossings of one lane, as lane 0."""
    own = chunk.lane == lane
    return Crossings(np.zeros(int(own.sum()), np.int32), chunk.sample[own], chunk.above[own])
