"""The moments that the report shows one by one: mistakes, and what came nearest to one.

Nothing here decides anything: what an alert or a call counts as was decided by
the code that judges the plane.
"""

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from os import cpu_count

import numpy as np
from numpy.typing import NDArray

from evalkit.cache import CrossingCache
from evalkit.dataset import Dataset, Recording
from evalkit.figures import CallOutcome
from evalkit.matching import Verdict
from evalkit.recommendation import Recommendation
from evalkit.scoring import JudgedAlert, alerts_at
from evalkit.segments import Segment, Span
from evalkit.tracing import Excerpt, excerpts
from evalkit.workers import Progress

__all__ = ["Incident", "IncidentKind", "Shown", "incidents_of", "mistakes_of", "near_misses_of"]

_BEFORE_S = 1.0
_AFTER_S = 2.0
_LONGEST_S = 9.0
_NEAREST_CALLS = 4
_NEAREST_OF_A_PHONE = 2
_SAME_MOMENT_S = 2.0


class IncidentKind(StrEnum):
    """What an incident is."""

    MISSED = "missed call"
    FALSE_ALARM = "false alarm"
    NEAR_CALL = "caught by the least margin"
    NEAR_NUISANCE = "nearest to a false alarm"


@dataclass(frozen=True)
class Incident:
    """One moment of a recording at the chosen setting."""

    kind: IncidentKind
    recording: str
    session: str
    at_s: float
    """Start of the call, or moment at which the gate fired (would fire, for a near one)."""
    end_s: float
    """End of the call or of the alert."""
    cause: str
    """Phone of a call, class of a nuisance; empty: unknown."""
    severity: float
    """How far on the wrong side, in spreads of a built board (negative: how far on the right side)."""
    threshold_away: float | None
    """Change of threshold, in the axis' unit, at which the outcome turns; None: none swept turns it."""
    delay_away_s: float | None
    """Delay at which the outcome turns, s; None: no delay swept turns it."""


@dataclass(frozen=True)
class Shown:
    """An incident with what the box made of it."""

    incident: Incident
    excerpt: Excerpt
    labels: tuple[Segment, ...]
    """Segments that reach into the excerpt."""


def mistakes_of(dataset: Dataset, found: Recommendation, cache: CrossingCache) -> tuple[Incident, ...]:
    """Return every missed call and false alarm of the chosen setting, worst first.

    Worst is farthest on the wrong side: the threshold, in spreads of a built
    board, that would have turned the outcome at the chosen delay.
    """
    lane, d = found.choice.lane, found.choice.delay_index
    missed = [
        _call_incident(found, tally_index, k, outcome)
        for tally_index, k, outcome in _outcomes(found)
        if outcome.fate in ("missed", "masked by a false alarm")
    ]
    listed = _Lanes(dataset, found, cache)
    alarms = [a for a in listed.at(lane, d) if a.verdict.counts_as == "false alarm"]
    last = np.full(len(alarms), lane)
    for higher in range(lane + 1, len(found.sweep.levels.position)):
        alive = np.flatnonzero(last == higher - 1)
        if not len(alive):
            break
        there = _Starts(a for a in listed.at(higher, d) if a.verdict.counts_as == "false alarm")
        last[[k for k in alive if there.same_moment(alarms[k])]] = higher
    made = [_alarm_incident(found, alarm, int(k)) for alarm, k in zip(alarms, last, strict=True)]
    return tuple(sorted([*missed, *made], key=lambda i: (-i.severity, i.kind, i.recording, i.at_s)))


def near_misses_of(dataset: Dataset, found: Recommendation, cache: CrossingCache) -> tuple[Incident, ...]:
    """Return the caught calls with the least margin and, of each class, what comes nearest to an alarm.

    Nearest in spreads of a built board, along threshold and delay together.
    """
    calls = [
        _call_incident(found, tally_index, k, outcome)
        for tally_index, k, outcome in _outcomes(found)
        if outcome.fate == "caught"
    ]
    calls.sort(key=lambda i: (-i.severity, i.recording, i.at_s))
    # the softest phone would fill the list: of each phone its own nearest ones
    by_phone: dict[str, list[Incident]] = {}
    for call in calls:
        by_phone.setdefault(call.cause, []).append(call)
    nearest = [call for own in by_phone.values() for call in own[:_NEAREST_OF_A_PHONE]]
    nearest.sort(key=lambda i: (-i.severity, i.recording, i.at_s))
    listed = _Lanes(dataset, found, cache)
    return (*nearest[:_NEAREST_CALLS], *_nearest_nuisances(found, listed))


def incidents_of(
    dataset: Dataset,
    found: Recommendation,
    incidents: Sequence[Incident],
    cache: CrossingCache,
    *,
    progress: Progress | None = None,
) -> tuple[Shown, ...]:
    """Return the incidents with the traces around them, one pass over each recording.

    Parameters
    ----------
    incidents : sequence of Incident
        Kept in this order.
    progress : callable, optional
        Told how much of the recordings, each up to its last incident, was gone through.
    """
    detector = found.sweep.by
    assert detector is not None
    names = sorted({incident.recording for incident in incidents})
    done_s = dict.fromkeys(names, 0.0)
    total_s = sum(max(i.end_s for i in incidents if i.recording == name) for name in names)

    def tell(name: str, seconds: float) -> None:
        done_s[name] = seconds
        if progress is not None:
            progress(min(sum(done_s.values()), total_s), total_s)

    def trace_one(name: str) -> list[tuple[int, Shown]]:
        recording = dataset.recording(name)
        own = [(k, incident) for k, incident in enumerate(incidents) if incident.recording == name]
        spans = [_span(recording, incident, found.delay_s) for _, incident in own]
        traced = excerpts(
            recording,
            detector,
            found.choice.lane,
            cache=cache,
            integrator=found.sweep.integrator,
            delay_s=found.delay_s,
            spans=spans,
            advance=partial(tell, name),
        )
        return [
            (k, Shown(incident, excerpt, _labels_in(recording, span)))
            for (k, incident), span, excerpt in zip(own, spans, traced, strict=True)
        ]

    # the compiled loops let other threads run
    with ThreadPoolExecutor(cpu_count() or 1) as pool:
        shown = dict(pair for pairs in pool.map(trace_one, names) for pair in pairs)
    return tuple(shown[k] for k in range(len(incidents)))


class _Lanes:
    """Alerts of any cell of the plane, listed at most once each."""

    def __init__(self, dataset: Dataset, found: Recommendation, cache: CrossingCache) -> None:
        self._dataset, self._found, self._cache = dataset, found, cache
        if found.sweep.by is None:
            raise ValueError("the sweep does not tell its detector, so its alerts cannot be listed")
        self._detector = found.sweep.by
        self._known: dict[tuple[int, int], tuple[JudgedAlert, ...]] = {}

    def at(self, lane: int, delay_index: int) -> tuple[JudgedAlert, ...]:
        key = (lane, delay_index)
        if key not in self._known:
            self._known[key] = alerts_at(
                self._dataset,
                self._detector,
                lane=lane,
                delay_s=float(self._found.sweep.delay_s[delay_index]),
                integrator=self._found.sweep.integrator,
                warmup_s=self._dataset.board.warmup_s,
                cache=self._cache,
            )
        return self._known[key]


def _outcomes(found: Recommendation) -> Iterator[tuple[int, int, CallOutcome]]:
    """Every call with its tally's index and its own index in it."""
    outcomes = iter(found.figures.calls)
    for t, tally in enumerate(found.sweep.tallies):
        for k in range(len(tally.calls)):
            yield t, k, next(outcomes)


def _call_incident(found: Recommendation, tally_index: int, k: int, outcome: CallOutcome) -> Incident:
    lane, d = found.choice.lane, found.choice.delay_index
    position, delay_s = found.sweep.levels.position, found.sweep.delay_s
    caught = found.sweep.tallies[tally_index].status[k] == 1
    ok = bool(caught[lane, d])
    turn_lane = _nearest_turn(caught[:, d], lane, towards=1 if ok else -1)
    turn_delay = _nearest_turn(caught[lane], d, towards=1 if ok else -1)
    away = None if turn_lane is None else float(position[turn_lane] - position[lane])
    distance = _distance_to(caught != ok, found)
    return Incident(
        kind=IncidentKind.NEAR_CALL if ok else IncidentKind.MISSED,
        recording=outcome.recording,
        session=outcome.session,
        at_s=outcome.call.start_s,
        end_s=outcome.call.end_s,
        cause=outcome.call.phone,
        severity=-distance if ok else distance,
        threshold_away=away,
        delay_away_s=None if turn_delay is None else float(delay_s[turn_delay]),
    )


def _alarm_incident(found: Recommendation, alarm: JudgedAlert, last_lane: int) -> Incident:
    position = found.sweep.levels.position
    turn = last_lane + 1
    away = float(position[turn] - position[found.choice.lane]) if turn < len(position) else None
    return Incident(
        kind=IncidentKind.FALSE_ALARM,
        recording=alarm.recording,
        session=alarm.session,
        at_s=alarm.start_s,
        end_s=alarm.end_s,
        cause=alarm.verdict.cause,
        severity=float("inf") if away is None else away / found.spread.threshold,
        threshold_away=away,
        delay_away_s=None,
    )


def _nearest_nuisances(found: Recommendation, listed: _Lanes) -> list[Incident]:
    """Of each class silent at the setting: the alarm at the nearest cell where it has one."""
    sweep, choice = found.sweep, found.choice
    lane, d = choice.lane, choice.delay_index
    position, delay_s = sweep.levels.position, sweep.delay_s
    alarms = np.stack([t.alarms for t in sweep.tallies]).sum(axis=0)
    near: list[Incident] = []
    for k, label in enumerate(sweep.classes):
        if alarms[k, lane, d] or not alarms[k].any():
            continue
        cell = _nearest_cell(alarms[k] > 0, found)
        there = [
            a for a in listed.at(*cell) if a.verdict.counts_as == "false alarm" and a.verdict.cause == label
        ]
        if not there:
            continue
        alarm = max(there, key=lambda a: (a.end_s - a.start_s, -a.start_s))
        turn_lane = _nearest_turn(alarms[k, :, d] > 0, lane, towards=-1)
        turn_delay = _nearest_turn(alarms[k, lane] > 0, d, towards=-1)
        near.append(
            Incident(
                kind=IncidentKind.NEAR_NUISANCE,
                recording=alarm.recording,
                session=alarm.session,
                at_s=alarm.start_s,
                end_s=alarm.end_s,
                cause=label,
                severity=-_distance_to(alarms[k] > 0, found),
                threshold_away=None if turn_lane is None else float(position[turn_lane] - position[lane]),
                delay_away_s=None if turn_delay is None else float(delay_s[turn_delay]),
            )
        )
    return sorted(near, key=lambda i: -i.severity)


def _distances(found: Recommendation) -> NDArray[np.float64]:
    """Distance of every cell's middle from the chosen one, in spreads of a built board."""
    position, delay_s = found.sweep.levels.position, found.sweep.delay_s
    dx = (position - position[found.choice.lane]) / found.spread.threshold
    dy = np.log(delay_s / delay_s[found.choice.delay_index]) / found.spread.delay
    return np.asarray(np.hypot(dx[:, None], dy[None, :]))


def _nearest_cell(there: NDArray[np.bool_], found: Recommendation) -> tuple[int, int]:
    distance = np.where(there, _distances(found), np.inf)
    lane, d = divmod(int(np.argmin(distance)), there.shape[1])
    return lane, d


def _distance_to(there: NDArray[np.bool_], found: Recommendation) -> float:
    return float(_distances(found)[there].min()) if there.any() else float("inf")


def _nearest_turn(row: NDArray[np.bool_], at: int, *, towards: int) -> int | None:
    """Nearest index on one side whose value differs from the one at `at`."""
    k = at + towards
    while 0 <= k < len(row):
        if row[k] != row[at]:
            return k
        k += towards
    return None


class _Starts:
    """When the alerts of each recording and verdict began: to find one event at another threshold."""

    def __init__(self, alerts: Iterable[JudgedAlert]) -> None:
        self._starts: dict[tuple[str, Verdict], list[float]] = {}
        for alert in alerts:
            self._starts.setdefault((alert.recording, alert.verdict), []).append(alert.start_s)

    def same_moment(self, alert: JudgedAlert) -> bool:
        """Whether one of them is the same event's doing: a firing moves with the threshold."""
        starts = self._starts.get((alert.recording, alert.verdict), [])
        k = bisect_left(starts, alert.start_s - _SAME_MOMENT_S)
        return k < len(starts) and starts[k] <= alert.end_s


def _labels_in(recording: Recording, span: Span) -> tuple[Segment, ...]:
    return tuple(s for s in recording.segments if s.start_s < span.end_s and s.end_s > span.start_s)


def _span(recording: Recording, incident: Incident, delay_s: float) -> Span:
    """What is shown: some seconds from before the vibration begins."""
    if incident.kind in (IncidentKind.MISSED, IncidentKind.NEAR_CALL):
        start_s, stop_s = incident.at_s - _BEFORE_S, incident.end_s + _AFTER_S
    else:
        start_s, stop_s = incident.at_s - delay_s - _BEFORE_S, incident.end_s + _AFTER_S
    start_s = max(0.0, start_s)
    return Span(start_s, min(stop_s, start_s + _LONGEST_S, recording.duration_s))
