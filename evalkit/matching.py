"""Alerts matched with labels: which call each catches, or what caused it (design, section 4.3)."""

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evalkit.crossings import Alerts, Crossings, Integrator, alerts_of
from evalkit.dataset import Dataset, Recording
from evalkit.day import BACKGROUND, Day
from evalkit.segments import Call, Role, Segment, Span, intersect_spans, subtract_spans, total_s

__all__ = ["EARLY_S", "Ground", "Matching", "Verdict", "classes_of", "ground_of", "verdict_of"]

EARLY_S = 0.25
"""Labels are this exact: an alert so much before a call's start still catches it."""


def classes_of(dataset: Dataset) -> tuple[str, ...]:
    """Return the nuisance labels in use, sorted, then background."""
    labels = {
        s.label for r in dataset.recordings for s in r.segments if dataset.day.role(s.label) is Role.NUISANCE
    }
    return (*sorted(labels), BACKGROUND)


@dataclass(frozen=True)
class Ground:
    """What a recording's labels say, as matching needs it."""

    calls: tuple[Call, ...]
    """All calls of the reviewed time, cut ones too, in time order."""
    causes: tuple[Segment, ...]
    """Nuisance, stand-in and ignore segments, by start, ties by falling name."""
    classes: tuple[str, ...]
    """Nuisance labels of the dataset, sorted, then background."""
    cause_class: tuple[int, ...]
    """Class of each cause, -1 for stand-in and ignore."""
    scored: tuple[Span, ...]
    """Reviewed time after the warm-up."""
    events: NDArray[np.float64]
    """Segments of each class that begin in scored time; background has none."""
    hours: NDArray[np.float64]
    """Recorded hours of each class (design, section 2, "exposure")."""


def ground_of(recording: Recording, day: Day, classes: Sequence[str], *, warmup_s: float) -> Ground:
    """Return what the labels of a recording say about its scored time.

    Parameters
    ----------
    recording : Recording
    day : Day
        Roles, call gap and grace.
    classes : sequence of str
        Nuisance labels of the whole dataset, then background.
    warmup_s : float
        Start of the recording that is never scored.
    """
    targets = {s.label for s in recording.segments if day.role(s.label) is Role.TARGET}
    calls = recording.calls(target_labels=targets, warmup_s=warmup_s, call_gap_s=day.call_gap_s)
    roles = (Role.NUISANCE, Role.STAND_IN, Role.IGNORE)
    causes = sorted(
        (s for s in recording.segments if day.role(s.label) in roles), key=lambda s: s.label, reverse=True
    )
    causes.sort(key=lambda s: s.start_s)
    scored: tuple[Span, ...] = ()
    if warmup_s < recording.duration_s:
        scored = intersect_spans(recording.reviewed, [Span(warmup_s, recording.duration_s)])
    uncounted = [Span(max(0.0, c.start_s - EARLY_S), c.end_s + day.grace_s) for c in calls]
    uncounted += [Span(s.start_s, s.end_s) for s in causes if day.role(s.label) is not Role.NUISANCE]
    counted = subtract_spans(scored, uncounted)
    events, hours = np.zeros(len(classes)), np.zeros(len(classes))
    nuisances = [s for s in causes if day.role(s.label) is Role.NUISANCE]
    for k, name in enumerate(classes[:-1]):
        spans = [Span(s.start_s, s.end_s) for s in nuisances if s.label == name]
        hours[k] = total_s(intersect_spans(counted, spans)) / 3600.0
        events[k] = sum(any(a.start_s <= s.start_s < a.end_s for a in scored) for s in spans)
    hours[-1] = total_s(subtract_spans(counted, [Span(s.start_s, s.end_s) for s in nuisances])) / 3600.0
    return Ground(
        calls=calls,
        causes=tuple(causes),
        classes=tuple(classes),
        cause_class=tuple(
            classes.index(s.label) if day.role(s.label) is Role.NUISANCE else -1 for s in causes
        ),
        scored=scored,
        events=events,
        hours=hours,
    )


@dataclass(frozen=True)
class Verdict:
    """What an alert counts as, and whose doing it is."""

    counts_as: str
    """`caught call`, `in a caught call`, `false alarm`, or why it counts nowhere."""
    cause: str
    """Class of the false alarm, label of the segment or phone of the call; empty: none."""


class Matching:
    """A recording's labels as the arrays that the matching kernels take."""

    def __init__(self, ground: Ground, day: Day, lag_s: float) -> None:
        self.ground = ground
        self.grace_s = day.grace_s
        self.calls = np.array([[c.start_s, c.end_s, c.cut] for c in ground.calls], np.float64).reshape(-1, 3)
        reach = day.grace_s + lag_s
        self.segments = np.array([[s.start_s, s.end_s + reach] for s in ground.causes]).reshape(-1, 2)
        # what a call leaves behind reaches as far as what a segment does
        self.call_spans = self.calls.copy()
        self.call_spans[:, 1] += reach
        self.scored = np.array([[s.start_s, s.end_s] for s in ground.scored]).reshape(-1, 2)
        ends = np.concatenate([self.segments.ravel(), self.call_spans[:, :2].ravel()])
        self.marks_s, where = np.unique(ends, return_inverse=True)
        self.segment_marks = where[: self.segments.size].reshape(-1, 2)
        self.call_marks = where[self.segments.size :].reshape(-1, 2)
        self.latest_end = np.maximum.accumulate(self.segments[:, 1])
        self.segment_class = np.array(ground.cause_class, np.int64)

    @property
    def fingerprint(self) -> str:
        """Digest of all that alerts are matched with."""
        digest = hashlib.sha256(f"{self.grace_s!r}".encode())
        for array in (self.scored, self.calls, self.call_spans, self.segments, self.segment_class):
            digest.update(f"{array.shape}".encode() + array.tobytes())
        return digest.hexdigest()

    def alerts(
        self,
        chunks: Iterator[Crossings],
        recording: Recording,
        n_lanes: int,
        delay_s: NDArray[np.float64],
        integrator: Integrator,
    ) -> Iterator[Alerts]:
        return alerts_of(
            chunks,
            sample_rate_hz=recording.sample_rate_hz,
            duration_s=recording.duration_s,
            n_lanes=n_lanes,
            delay_s=delay_s,
            integrator=integrator,
            marks_s=self.marks_s,
        )

    def judge(self, alerts: Alerts, n_delays: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        from evalkit import _kernels

        kind, cause = (np.empty(len(alerts.setting), np.int64) for _ in range(2))
        _kernels.judge_alerts(
            alerts.setting, alerts.times, n_delays, alerts.mark_above_s,
            self.scored, self.calls, self.call_spans, self.call_marks, EARLY_S, self.grace_s,
            self.segments, self.segment_marks, self.segment_class, self.latest_end, kind, cause,
        )  # fmt: skip
        return kind, cause

    def tally(
        self,
        alerts: Alerts,
        kind: NDArray[np.int64],
        cause: NDArray[np.int64],
        status: NDArray[np.uint8],
        response_s: NDArray[np.float32],
        alarms: NDArray[np.int32],
        alarm_s: NDArray[np.float64],
    ) -> None:
        from evalkit import _kernels

        _kernels.tally_alerts(
            alerts.setting, alerts.times, kind, cause, self.calls, EARLY_S, self.segment_class,
            status, response_s, alarms, alarm_s,
        )  # fmt: skip


def verdict_of(ground: Ground, kind: int, cause: int) -> Verdict:
    """Put a kernel's verdict into words."""
    from evalkit import _kernels

    code = _kernels.Verdict
    if kind == code.FALSE_ALARM:
        return Verdict("false alarm", ground.causes[cause].label if cause >= 0 else BACKGROUND)
    if kind == code.OTHER_CAUSE:
        return Verdict("not counted: stand-in or ignored", ground.causes[cause].label)
    words = {
        code.CATCHES_CALL: "caught call",
        code.DURING_CALL: "in a caught call",
        code.GRACE: "not counted: within the grace",
        code.AFTER_CALL: "not counted: after a call",
        code.NOT_SCORED: "not counted: cut call" if cause >= 0 else "not counted: time not scored",
    }
    return Verdict(words[code(kind)], ground.calls[cause].phone if cause >= 0 else "")
