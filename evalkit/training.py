"""What a detector may learn from: some sessions of a dataset, their levels and labelled frames.

Here detectors are named and fitted; `scoring` sweeps what comes out. Each
recording is looked at once, whatever the number of fits.
"""

import hashlib
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board, board_sha256
from evalkit.cache import Arrays, CrossingCache
from evalkit.dataset import Dataset, Recording
from evalkit.day import Day
from evalkit.detectors import (
    Detector,
    Fitted,
    Frames,
    Levels,
    LevelUnit,
    Meter,
    Training,
    band,
    circuit,
    envelope,
    learned,
)
from evalkit.detectors.features import FEATURES, HOP_S, WINDOW_S, FrameMaker
from evalkit.errors import TooLittleData, WrongUse
from evalkit.folds import makers_held_out
from evalkit.matching import classes_of, ground_of
from evalkit.segments import Role, Span, intersect_spans
from evalkit.streams import Advance, audio_key, frames_of, source_of
from evalkit.workers import Progress, Threads, Workers, each_recording

__all__ = ["DetectorName", "Material", "detector_at", "make_detector"]

_MOST_FRAMES = 200_000
_MOST_OF_A_KIND = 1_000
"""Frames drawn of each class in each session: neighbours look alike, more of them add little but time."""
_MOST_WAITING = 1 << 14
_SEED = 20_250_901


class DetectorName(StrEnum):
    """Detectors that can be compared; each with the function that fits it."""

    fit: Callable[[Training], Fitted]

    # the default is never used: type checkers take the look-up of a name for a call of this
    def __new__(cls, name: str, fit: Callable[[Training], Fitted] = circuit.fit) -> Self:
        member = str.__new__(cls, name)
        member._value_ = name
        member.fit = fit
        return member

    CIRCUIT = "circuit", circuit.fit
    ENVELOPE = "envelope", envelope.fit
    BAND = "band", band.fit
    LOGISTIC = "logistic", learned.fit_logistic
    BOOSTED_TREES = "boosted-trees", learned.fit_boosted_trees
    RHYTHM = "rhythm", learned.fit_rhythm


@dataclass(frozen=True)
class _Drawn:
    """Labelled frames of one recording."""

    features: NDArray[np.float32]
    kind: NDArray[np.int64]
    rank: NDArray[np.float64]
    """Drawn at random; the lowest of each class and session are taken."""


class Material:
    """All of a dataset that can be learned from; `of` gives some sessions of it.

    Parameters
    ----------
    dataset : Dataset
    cache : CrossingCache
        Keeps the frames' features.
    progress : callable, optional
        Told how many seconds of audio were looked at for frames, and of how many.
    workers : Workers, optional
        Who makes the frames; without them it is done here.
    """

    def __init__(
        self,
        dataset: Dataset,
        cache: CrossingCache,
        progress: Progress | None = None,
        workers: Workers | None = None,
    ) -> None:
        self.dataset = dataset
        self.cache = cache
        self.classes = classes_of(dataset)
        self.makers = makers_held_out(dataset)
        self._progress = progress
        self._workers = workers if workers is not None else Threads()
        self._loudest: dict[tuple[str, str], float] = {}
        self._drawn: dict[str, _Drawn] = {}

    @property
    def sessions(self) -> frozenset[str]:
        """Names of all sessions."""
        return frozenset(r.session for r in self.dataset.recordings)

    def of(self, sessions: Collection[str]) -> Training:
        """Return what may be learned from these sessions, and from nothing else."""
        return _SomeSessions(self, frozenset(sessions))

    def fit(self, name: DetectorName, sessions: Collection[str]) -> Fitted:
        """Fit a detector on some sessions; a board's thresholds that were found before are not sought again.

        Raises
        ------
        TooLittleData
            If the sessions do not allow a fit.
        """
        return _Remembering(name.fit(self.of(sessions)), self.dataset.board, self.cache)

    def loudest_target_v(self, recording: Recording, meter: Meter) -> float:
        """Return a meter's highest level in a recording's reviewed target segments; 0 if there is none."""
        key = (recording.name, meter.fingerprint)
        if key not in self._loudest:
            spans = list(_targets(recording, self.dataset.day))

            def loudest() -> Arrays:
                levels = (_level_of(meter, recording, span) for span in spans)
                return {"level_v": np.array(max(levels, default=0.0))}

            found = self.cache.arrays(
                ("loudest", *audio_key(recording), meter.fingerprint, repr(spans)), loudest
            )
            self._loudest[key] = float(found["level_v"])
        return self._loudest[key]

    def drawn(self, recordings: Sequence[Recording]) -> list[_Drawn]:
        """Return the labelled frames of each recording, not yet thinned by session."""
        new = [r for r in recordings if r.name not in self._drawn]
        work = partial(
            _draw, day=self.dataset.day, board=self.dataset.board, classes=self.classes, cache=self.cache
        )
        drawn = each_recording(work, new, progress=self._progress, workers=self._workers)
        self._drawn.update((recording.name, each) for recording, each in zip(new, drawn))
        return [self._drawn[r.name] for r in recordings]


@dataclass(frozen=True)
class _SomeSessions:
    """The training sessions of one fit."""

    material: Material
    sessions: frozenset[str]

    @property
    def board(self) -> Board:
        return self.material.dataset.board

    def loudest_target_v(self, meter: Meter) -> float:
        levels = [self.material.loudest_target_v(recording, meter) for recording in self._recordings()]
        if not max(levels, default=0.0) > 0.0:
            raise TooLittleData(
                "no target segment lies in reviewed time, so there is no level to sweep around"
            )
        return max(levels)

    def frames(self) -> Frames:
        recordings = self._recordings()
        sessions = tuple(dict.fromkeys(r.session for r in recordings))
        drawn = self.material.drawn(recordings)
        session = np.concatenate(
            [np.full(len(d.kind), sessions.index(r.session)) for r, d in zip(recordings, drawn)]
            or [np.empty(0, np.int64)]
        )
        kind = np.concatenate([d.kind for d in drawn] or [np.empty(0, np.int64)])
        rank = np.concatenate([d.rank for d in drawn] or [np.empty(0)])
        features = np.concatenate([d.features for d in drawn] or [np.empty((0, len(FEATURES)), np.float32)])
        n_kinds = 1 + len(self.material.classes)
        # the number of sessions in all, so that leaving one out changes no other's draw
        share = min(_MOST_OF_A_KIND, _MOST_FRAMES // (n_kinds * max(1, len(self.material.sessions))))
        taken = _lowest(rank, session * n_kinds + kind, share)
        makers = tuple(self.material.makers[s] for s in sessions) if self.material.makers else ()
        return Frames(features[taken], kind[taken], session[taken], self.material.classes, sessions, makers)

    def _recordings(self) -> list[Recording]:
        return [r for r in self.material.dataset.recordings if r.session in self.sessions]


@dataclass(frozen=True)
class _Remembering:
    """A fitted detector whose thresholds, where tones must be played to a board to find them, are kept."""

    fitted: Fitted
    board: Board
    cache: CrossingCache

    def axis(self, *, extra: int = 0) -> Detector:
        return self._with_levels(self.fitted.axis(extra=extra))

    def at(self, position: float) -> Detector:
        if not isinstance(self.fitted.axis(), circuit.CircuitDetector):
            return self.fitted.at(position)

        def gain_there() -> Arrays:
            there = self.fitted.at(position)
            assert isinstance(there, circuit.CircuitDetector)
            return {"gain": there.gain}

        found = self.cache.arrays(("gain", board_sha256(self.board), repr(position)), gain_there)
        return self._with_levels(circuit.CircuitDetector(self.board, found["gain"]))

    def _with_levels(self, detector: Detector) -> Detector:
        if isinstance(detector, circuit.CircuitDetector):
            own = detector

            def sought() -> Arrays:
                volts = own.levels.threshold_v
                assert volts is not None
                return {"position": own.levels.position, "threshold_v": volts}

            found = self.cache.arrays(("thresholds", own.fingerprint), sought)
            own.levels = Levels(found["position"], LevelUnit.DECIBEL, found["threshold_v"], own.gain)
        return detector


def make_detector(name: DetectorName, dataset: Dataset, *, extra: int = 0) -> Detector:
    """Return a detector fitted on all sessions of a dataset, with its threshold axis.

    Parameters
    ----------
    name : DetectorName
    dataset : Dataset
    extra : int
        Steps by which the axis is continued at each end.

    Raises
    ------
    TooLittleData
        If the sessions do not allow a fit.
    """
    material = Material(dataset, CrossingCache(dataset.folder))
    return material.fit(name, material.sessions).axis(extra=extra)


def detector_at(
    name: DetectorName,
    dataset: Dataset,
    position: float,
    unit: LevelUnit,
    *,
    progress: Progress | None = None,
    workers: Workers | None = None,
) -> Detector:
    """Return a detector of one lane, fitted on all sessions, at a position of its threshold axis.

    Parameters
    ----------
    name : DetectorName
    dataset : Dataset
    position : float
        dB re 1 V peak, or log-odds.
    unit : LevelUnit
        Which of the two it is.
    progress : callable, optional
    workers : Workers, optional
        Who makes the frames to learn from; without them it is done here.

    Raises
    ------
    WrongUse
        If the detector's thresholds are of the other unit, or it cannot be set there.
    """
    material = Material(dataset, CrossingCache(dataset.folder), progress, workers)
    fitted = material.fit(name, material.sessions)
    try:
        detector = fitted.at(position)
    except ValueError as error:
        raise WrongUse(f"the threshold is out of reach: {error}") from error
    if detector.levels.unit is not unit:
        wanted = "--threshold-level" if unit is LevelUnit.DECIBEL else "--threshold-v or --threshold-dbfs"
        raise WrongUse(f"the thresholds of {name} are not of this kind; use {wanted}")
    return detector


def _targets(recording: Recording, day: Day) -> Iterator[Span]:
    for segment in recording.segments:
        span = Span(segment.start_s, segment.end_s)
        if day.role(segment.label) is Role.TARGET and intersect_spans([span], recording.reviewed):
            yield span


def _level_of(meter: Meter, recording: Recording, span: Span) -> float:
    """Highest level of a meter that starts from rest with the span."""
    from evalkit.recordings import read_blocks

    rate = recording.sample_rate_hz
    start, stop = int(span.start_s * rate), min(int(np.ceil(span.end_s * rate)), recording.n_frames)
    state, loudest = meter.at_rest(source_of(recording)), 0.0
    for block in read_blocks(recording.path, channel=recording.channel, start=start, stop=stop):
        level, state = meter.level_v(block, state)
        loudest = max(loudest, float(level.max(initial=0.0)))
    return loudest


def _draw(
    recording: Recording,
    advance: Advance,
    *,
    day: Day,
    board: Board,
    classes: Sequence[str],
    cache: CrossingCache,
) -> _Drawn:
    """Label a recording's frames and give each a rank by its audio, so that names and order do not matter."""
    kind, maker = _kinds(recording, day, board, classes), FrameMaker(board)

    def drawn() -> Arrays:
        rng = np.random.default_rng([_SEED, int(recording.audio_sha256[:16], 16)])
        lowest, first = _Lowest(), 0
        for rows in frames_of(recording, maker, cache, advance):
            own, rank = kind[first : first + len(rows)], rng.random(len(rows))
            labelled = own >= 0
            lowest.add(rows[labelled], own[labelled], rank[labelled])
            first += len(rows)
        features, kinds, ranks = lowest.taken()
        return {"features": features, "kind": kinds, "rank": ranks}

    labels = hashlib.sha256(kind.tobytes()).hexdigest()
    found = cache.arrays(("drawn", *audio_key(recording), maker.fingerprint, labels), drawn)
    return _Drawn(found["features"], found["kind"], found["rank"])


class _Lowest:
    """The frames of lowest rank of each kind, out of all that pass by: no more than a session may give."""

    def __init__(self) -> None:
        self._features = [np.empty((0, len(FEATURES)), np.float32)]
        self._kind = [np.empty(0, np.int64)]
        self._rank = [np.empty(0)]
        self._waiting = 0

    def add(
        self, features: NDArray[np.float32], kind: NDArray[np.integer[Any]], rank: NDArray[np.float64]
    ) -> None:
        self._features.append(features)
        self._kind.append(kind.astype(np.int64))
        self._rank.append(rank)
        self._waiting += len(kind)
        if self._waiting >= _MOST_WAITING:
            self._cut()

    def taken(self) -> tuple[NDArray[np.float32], NDArray[np.int64], NDArray[np.float64]]:
        """Return features, kind and rank of those taken, in the order in which they came."""
        self._cut()
        return self._features[0], self._kind[0], self._rank[0]

    def _cut(self) -> None:
        kind, rank = np.concatenate(self._kind), np.concatenate(self._rank)
        taken = _lowest(rank, kind, _MOST_OF_A_KIND)
        self._features = [np.concatenate(self._features)[taken]]
        self._kind, self._rank, self._waiting = [kind[taken]], [rank[taken]], 0


def _kinds(recording: Recording, day: Day, board: Board, classes: Sequence[str]) -> NDArray[np.int16]:
    """What each frame of a recording is: 0 target, 1 + class, -1 not to learn from.

    A frame whose whole window lies in target segments is the target; one that
    touches a nuisance segment is of its class (the rarer of two), the rest of
    the scored time is background. Left out: windows that a target segment
    fills in part, calls' pauses and grace (an alert there is no false alarm),
    stand-ins and what is ignored, time that is not scored.
    """
    ground = ground_of(recording, day, classes, warmup_s=board.warmup_s)
    hop = max(1, round(HOP_S * recording.sample_rate_hz))
    n = recording.n_frames // hop
    touching = partial(_touching, hop_s=hop / recording.sample_rate_hz, n=n)
    kind = np.full(n, -1, np.int16)
    for span in ground.scored:
        kind[touching(span.start_s + WINDOW_S, span.end_s - WINDOW_S)] = len(classes)
    scored = kind >= 0
    by_hours = sorted(range(len(classes) - 1), key=lambda k: -ground.hours[k])
    for k in by_hours:
        for segment, own in zip(ground.causes, ground.cause_class):
            if own == k:
                kind[touching(segment.start_s, segment.end_s)] = 1 + k
    for call in ground.calls:
        kind[touching(call.start_s, call.end_s + day.grace_s)] = -1
    for segment, own in zip(ground.causes, ground.cause_class):
        if own < 0:
            kind[touching(segment.start_s, segment.end_s)] = -1
    for span in _targets(recording, day):
        kind[touching(span.start_s, span.end_s)] = -1
        kind[touching(span.start_s + WINDOW_S, span.end_s - WINDOW_S)] = 0
    kind[~scored] = -1
    return kind


def _touching(start_s: float, end_s: float, *, hop_s: float, n: int) -> slice:
    """Frames whose window, which ends (k + 1) hops from the start, has time in [start_s, end_s)."""
    if end_s <= start_s - WINDOW_S:
        return slice(0, 0)
    first = int(np.floor(start_s / hop_s + 1e-9))
    last = int(np.ceil((end_s + WINDOW_S) / hop_s - 1e-9)) - 1
    return slice(max(0, first), max(0, min(n, last)))


def _lowest(rank: NDArray[np.float64], group: NDArray[np.int64], most: int) -> NDArray[np.int64]:
    """Places of the `most` lowest ranks of each group, in order."""
    order = np.lexsort((rank, group))
    _, first = np.unique(group[order], return_index=True)
    start = np.zeros(len(group), np.int64)
    start[first] = first
    within = np.arange(len(group)) - np.maximum.accumulate(start)
    return np.sort(order[within < most])
