"""A detector meets a dataset: alerts matched with calls, tallies for the swept plane.

A tally is kept for each recording; figures are sums of tallies, joined in
the order of the recordings' content hash, so that the same input gives the
same output whatever the names or the order of files.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from evalkit.cache import CrossingCache
from evalkit.crossings import Crossings, Integrator
from evalkit.dataset import Dataset, Recording
from evalkit.day import BACKGROUND, Day
from evalkit.detectors import Detector, Levels, Source
from evalkit.detectors.circuit import CircuitDetector, gain_axis
from evalkit.detectors.envelope import EnvelopeDetector
from evalkit.errors import TooLittleData, WrongUse
from evalkit.matching import EARLY_S, Ground, Matching, Verdict, classes_of, ground_of, verdict_of
from evalkit.segments import Call, Role, Span, intersect_spans, subtract_spans

__all__ = [
    "DetectorName",
    "JudgedAlert",
    "Progress",
    "SegmentScores",
    "Sweep",
    "Tally",
    "alerts_at",
    "check_poolable",
    "delay_axis",
    "detector_at",
    "make_detector",
    "score_segments",
    "sweep",
]

_BACKGROUND_PIECE_S = 10.0

Progress = Callable[[float, float], None]
"""Called with the audio seconds done and the seconds there are."""


N_LANES = N_DELAYS = 64
"""Thresholds and delays of the sweep."""
_SPAN_DB = 48.0
_OVER_LOUDEST_DB = 6.0


class DetectorName(StrEnum):
    """Detectors that can be compared."""

    CIRCUIT = "circuit"
    ENVELOPE = "envelope"


def delay_axis(*, extra: int = 0) -> NDArray[np.float64]:
    """Return the delays of the sweep, 0.05 to 6 s, log-spaced; `extra` more steps at each end."""
    return _widened(np.geomspace(0.05, 6.0, N_DELAYS), extra)


def _widened(axis: NDArray[np.float64], extra: int) -> NDArray[np.float64]:
    """Continue a log-spaced axis by `extra` of its own steps at either end."""
    if not extra:
        return axis
    step = (axis[-1] / axis[0]) ** (1.0 / (len(axis) - 1))
    k = np.arange(1, extra + 1)
    return np.concatenate([axis[0] / step ** k[::-1], axis, axis[-1] * step**k])


def make_detector(name: DetectorName, dataset: Dataset, *, extra: int = 0) -> Detector:
    """Return a detector with its threshold axis for a dataset.

    `circuit`: 64 gains over the board's knob. `envelope`: 64 levels over
    48 dB, ending 6 dB above the loudest target. `extra` continues the axis by
    as many steps at each end (a gain is never under 1).

    Raises
    ------
    TooLittleData
        If the axis depends on the targets and there is none.
    """
    if name is DetectorName.CIRCUIT:
        gain = _widened(gain_axis(dataset.board, N_LANES), extra)
        return CircuitDetector(dataset.board, gain[gain >= 1.0])
    top_v = _loudest_target_v(dataset) * 10.0 ** (_OVER_LOUDEST_DB / 20.0)
    level_v = np.geomspace(top_v * 10.0 ** (-_SPAN_DB / 20.0), top_v, N_LANES)
    return EnvelopeDetector(dataset.board, _widened(level_v, extra))


def detector_at(name: DetectorName, dataset: Dataset, threshold_v: float) -> Detector:
    """Return a detector of one lane whose equivalent threshold is `threshold_v`.

    `circuit`: the gain is read off the swept axis between its two neighbours.

    Raises
    ------
    WrongUse
        If no gain of the knob, an octave beyond its ends included, gives that threshold.
    """
    whole = make_detector(name, dataset, extra=8)
    known = whole.levels.threshold_v
    assert known is not None
    if not known[0] <= threshold_v <= known[-1]:
        raise WrongUse(
            f"threshold {threshold_v:.4g} V is outside what {name} can be set to, "
            f"{known[0]:.3g} to {known[-1]:.3g} V"
        )
    if isinstance(whole, CircuitDetector):
        gain = np.exp(np.interp(math.log(threshold_v), np.log(known), np.log(whole.gain)))
        return CircuitDetector(dataset.board, np.array([gain]))
    assert isinstance(whole, EnvelopeDetector)
    return EnvelopeDetector(dataset.board, np.array([threshold_v / known[0] * whole.reference_v[0]]))


def _loudest_target_v(dataset: Dataset) -> float:
    """Highest level of `envelope` in any reviewed target segment, volts RMS."""
    from evalkit.recordings import read_blocks

    detector = EnvelopeDetector(dataset.board, np.array([1.0]))
    loudest = 0.0
    for recording in dataset.recordings:
        rate = recording.sample_rate_hz
        for segment in recording.segments:
            if dataset.day.role(segment.label) is not Role.TARGET:
                continue
            if not intersect_spans([Span(segment.start_s, segment.end_s)], recording.reviewed):
                continue
            state = detector.at_rest(Source(rate, recording.full_scale_v, recording.input_ohms))
            start, stop = (
                int(segment.start_s * rate),
                min(math.ceil(segment.end_s * rate), recording.n_frames),
            )
            for block in read_blocks(recording.path, channel=recording.channel, start=start, stop=stop):
                level, state = detector.level_v(block, state)
                loudest = max(loudest, float(level.max()))
    if loudest <= 0.0:
        raise TooLittleData("no target segment lies in reviewed time, so there is no level to sweep around")
    return loudest


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


@dataclass(frozen=True)
class Sweep:
    """Tallies of all recordings for every setting of one detector."""

    detector: str
    levels: Levels
    delay_s: NDArray[np.float64]
    integrator: Integrator
    classes: tuple[str, ...]
    tallies: tuple[Tally, ...]

    @property
    def sessions(self) -> tuple[str, ...]:
        """Names of the sessions, sorted."""
        return tuple(sorted({tally.session for tally in self.tallies}))


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


def check_poolable(recordings: Sequence[Recording], *, same_scale: bool = False) -> None:
    """Refuse to pool sessions that are not on one scale.

    Raises
    ------
    TooLittleData
        If some sessions are calibrated and others not; names them.
    """
    known: dict[bool, set[str]] = {True: set(), False: set()}
    for recording in recordings:
        known[recording.full_scale_v is not None].add(recording.session)
    if known[True] and known[False] and not same_scale:
        raise TooLittleData(
            f"sessions {', '.join(sorted(known[False]))} are not calibrated but "
            f"{', '.join(sorted(known[True]))} are, so their levels cannot be pooled; "
            "calibrate them, or say --same-scale if full scale, gain and input were equal"
        )


def sweep(
    dataset: Dataset,
    detector: Detector,
    *,
    delay_s: NDArray[np.float64],
    integrator: Integrator,
    warmup_s: float,
    cache: CrossingCache,
    progress: Progress | None = None,
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

    Returns
    -------
    Sweep
        One tally for each recording, in the order of the content hashes.
    """
    classes = classes_of(dataset)
    n_lanes, n_delays = len(detector.levels.position), len(delay_s)
    report = _Tracker(dataset.recordings, progress)
    tallies = []
    for recording in dataset.recordings:
        ground = ground_of(recording, dataset.day, classes, warmup_s=warmup_s)
        matching = Matching(ground, dataset.day, detector.lag_s)
        n_calls = len(ground.calls)
        status = np.zeros((n_calls, n_lanes * n_delays), np.uint8)
        response_s = np.full((n_calls, n_lanes * n_delays), np.inf, np.float32)
        alarms = np.zeros((len(classes), n_lanes * n_delays), np.int32)
        alarm_s = np.zeros((len(classes), n_lanes * n_delays))
        chunks = _crossings(recording, detector, cache, report)
        for alerts in matching.alerts(chunks, recording, n_lanes, delay_s, integrator):
            kind, cause = matching.judge(alerts, n_delays)
            matching.tally(alerts, kind, cause, status, response_s, alarms, alarm_s)
        shape = (n_lanes, n_delays)
        tallies.append(
            Tally(
                recording=recording.name,
                session=recording.session,
                calls=ground.calls,
                status=status.reshape(n_calls, *shape),
                response_s=response_s.reshape(n_calls, *shape),
                alarms=alarms.reshape(len(classes), *shape),
                alarm_s=alarm_s.reshape(len(classes), *shape),
                events=ground.events,
                hours=ground.hours,
            )
        )
        report.finish(recording)
    return Sweep(detector.name, detector.levels, delay_s, integrator, classes, tuple(tallies))


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
    from evalkit import _kernels

    classes = classes_of(dataset)
    report = _Tracker(dataset.recordings, progress)
    found: list[JudgedAlert] = []
    for recording in dataset.recordings:
        ground = ground_of(recording, dataset.day, classes, warmup_s=warmup_s)
        matching = Matching(ground, dataset.day, detector.lag_s)
        n_calls = len(ground.calls)
        status, response = np.zeros((n_calls, 1), np.uint8), np.full((n_calls, 1), np.inf, np.float32)
        alarms, alarm_s = np.zeros((len(classes), 1), np.int32), np.zeros((len(classes), 1))
        chunks = (_only(chunk, lane) for chunk in _crossings(recording, detector, cache, report))
        for alerts in matching.alerts(chunks, recording, 1, np.array([delay_s]), integrator):
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
        report.finish(recording)
    return tuple(found)


def score_segments(
    dataset: Dataset,
    detector: Detector,
    *,
    delay_s: float,
    integrator: Integrator,
    warmup_s: float,
    cache: CrossingCache,
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
    day, classes = dataset.day, classes_of(dataset)
    by_hours = {e.label for e in day.exposures if e.hours_per_day is not None} | {BACKGROUND}
    position = detector.levels.position
    bare = Integrator(integrator.fire_fraction, integrator.release_fraction, integrator.discharge_ratio)
    kinds: list[str] = []
    labels: list[str] = []
    sessions: list[str] = []
    scores: list[float] = []
    for recording in dataset.recordings:
        ground = ground_of(recording, day, classes, warmup_s=warmup_s)
        matching = Matching(ground, day, detector.lag_s)
        items = list(_scored_items(ground, day, by_hours))
        spans = np.array([[s.start_s, s.end_s + day.grace_s] for _, _, s in items]).reshape(-1, 2)
        best = np.full(len(items), -np.inf)
        order = np.argsort(spans[:, 0], kind="stable")
        reach = np.maximum.accumulate(spans[order, 1]) if len(items) else np.zeros(0)
        chunks = _crossings(recording, detector, cache, None)
        for alerts in matching.alerts(chunks, recording, len(position), np.array([delay_s]), bare):
            for lane, time in zip(alerts.setting, alerts.times[:, 0]):
                k = int(np.searchsorted(spans[order, 0], time, side="right")) - 1
                while k >= 0 and reach[k] >= time:
                    if spans[order[k], 1] >= time:
                        best[order[k]] = max(best[order[k]], position[lane])
                    k -= 1
        for (kind, label, _), score in zip(items, best):
            kinds.append(kind)
            labels.append(label)
            sessions.append(recording.session)
            scores.append(float(score))
    return SegmentScores(tuple(kinds), tuple(labels), tuple(sessions), np.array(scores))


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


class _Tracker:
    """Progress over all recordings, in audio seconds."""

    def __init__(self, recordings: Sequence[Recording], progress: Progress | None) -> None:
        self._progress = progress
        self._total = math.fsum(r.duration_s for r in recordings)
        self._done = 0.0

    def at(self, seconds: float) -> None:
        if self._progress is not None:
            self._progress(self._done + seconds, self._total)

    def finish(self, recording: Recording) -> None:
        self._done += recording.duration_s
        self.at(0.0)


def _crossings(
    recording: Recording, detector: Detector, cache: CrossingCache, report: _Tracker | None
) -> Iterator[Crossings]:
    """The recording's crossings, from the cache or from the audio."""
    path = cache.path(
        recording.audio_sha256, repr((recording.full_scale_v, recording.input_ohms)), detector.fingerprint
    )
    if not cache.has(path):
        cache.write(path, _detect(recording, detector, report))
    return cache.read(path)


def _detect(recording: Recording, detector: Detector, report: _Tracker | None) -> Iterator[Crossings]:
    from evalkit.recordings import read_blocks

    rate = recording.sample_rate_hz
    state = detector.at_rest(Source(rate, recording.full_scale_v, recording.input_ohms))
    done = 0
    for block in read_blocks(recording.path, channel=recording.channel, stop=recording.n_frames):
        chunk, state = detector.advance(block, state)
        done += len(block)
        if report is not None:
            report.at(done / rate)
        yield chunk


def _only(chunk: Crossings, lane: int) -> Crossings:
    """The crossings of one lane, as lane 0."""
    own = chunk.lane == lane
    return Crossings(np.zeros(int(own.sum()), np.int32), chunk.sample[own], chunk.above[own])
