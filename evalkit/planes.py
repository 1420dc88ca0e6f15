"""Figures of every setting: sums of tallies turned into rates for the user's day."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evalkit.day import Day
from evalkit.scoring import Tally

__all__ = ["ClassExposure", "Plane", "exposures_of", "plane_of"]

_TAIL = 0.95
"""Percentile of the response time that is limited (design, section 4.5)."""
_LEAST_ALLOWANCE = 1e-3
"""A limit of no miss at all is compared as if one in a thousand were allowed."""


@dataclass(frozen=True)
class ClassExposure:
    """How much of a class was recorded and how much of it a day brings, in one unit."""

    label: str
    unit: str
    """`event` or `hour`."""
    recorded: float
    per_day: float

    @property
    def weight(self) -> float:
        """A day's false alarms for each one recorded; nan where nothing was recorded."""
        if self.per_day == 0.0:
            return 0.0
        return self.per_day / self.recorded if self.recorded > 0.0 else float("nan")


def exposures_of(classes: Sequence[str], tallies: Sequence[Tally], day: Day) -> tuple[ClassExposure, ...]:
    """Return the exposure of each class, and of classes that only the day names, after them.

    A class that the day does not name is brought by no day (weight 0); its
    rate is still told.
    """
    events = sum((t.events for t in tallies), np.zeros(len(classes)))
    hours = sum((t.hours for t in tallies), np.zeros(len(classes)))
    named = {e.label: e for e in day.exposures}
    result = []
    for label in (*classes, *(name for name in named if name not in classes)):
        k = classes.index(label) if label in classes else None
        exposure = named.get(label)
        by_event = exposure is not None and exposure.events_per_day is not None
        recorded = 0.0 if k is None else float(events[k] if by_event else hours[k])
        per_day = 0.0
        if exposure is not None:
            per_day = float(exposure.events_per_day if by_event else exposure.hours_per_day or 0.0)  # type: ignore[arg-type]
        result.append(ClassExposure(label, "event" if by_event else "hour", recorded, per_day))
    return tuple(result)


@dataclass(frozen=True)
class Plane:
    """Figures of every setting; arrays have the axes (threshold, delay)."""

    total: int
    """Calls of the reviewed time."""
    cut: int
    """Calls counted nowhere because part of them may be missing."""
    caught: NDArray[np.int64]
    counted: NDArray[np.int64]
    """Total less cut and less masked by anything but a false alarm."""
    masked: NDArray[np.int64]
    """Calls that left the count."""
    masked_by_alarm: NDArray[np.int64]
    """Calls missed because a false alarm was on."""
    calls_caught: NDArray[np.float64]
    """Share of the counted calls; nan where none is counted."""
    false_alarms_per_day: NDArray[np.float64]
    """nan where a class that the day brings was not recorded."""
    alert_minutes_per_day: NDArray[np.float64]
    """Minutes of false alert a day; nan likewise."""
    response_p95_s: NDArray[np.float64]
    """Smallest time within which 95 % of counted calls were announced, missed ones being never."""
    violation: NDArray[np.float64]
    """Largest ratio of a known figure to what its limit allows; at most 1 where no known limit fails."""
    known_alarms_per_day: NDArray[np.float64]
    """False alarms a day of the recorded classes: a lower limit of the figure where others were not."""
    unknown: tuple[str, ...]
    """Classes that the day brings and no recording covers."""

    @property
    def acceptable(self) -> NDArray[np.bool_]:
        """Settings at which no known limit fails."""
        return np.asarray(self.violation <= 1.0)


def plane_of(
    classes: Sequence[str], tallies: Sequence[Tally], day: Day, *, left_out: Sequence[str] = ()
) -> Plane:
    """Return the figures of every setting from the tallies of some recordings.

    Parameters
    ----------
    classes : sequence of str
        As in the sweep, background last.
    tallies : sequence of Tally
        At least one.
    day : Day
        Exposure and limits.
    left_out : sequence of str
        Classes not counted (a fold's class that only the held-out session has).
    """
    exposures = [e for e in exposures_of(classes, tallies, day) if e.label not in left_out]
    unknown = tuple(e.label for e in exposures if np.isnan(e.weight))
    alarms = sum((t.alarms.astype(np.float64) for t in tallies), np.zeros(tallies[0].alarms.shape))
    alarm_s = sum((t.alarm_s for t in tallies), np.zeros(tallies[0].alarm_s.shape))
    weight = np.zeros(len(classes))
    for e in exposures:
        if e.label in classes:
            weight[classes.index(e.label)] = e.weight
    per_day = np.einsum("c,cld->ld", np.nan_to_num(weight), alarms)
    minutes = np.einsum("c,cld->ld", np.nan_to_num(weight), alarm_s) / 60.0

    whole = [np.array([not c.cut for c in t.calls], bool) for t in tallies]
    status = np.concatenate([t.status[keep] for t, keep in zip(tallies, whole)])
    response = np.concatenate([t.response_s[keep] for t, keep in zip(tallies, whole)])
    total = sum(len(t.calls) for t in tallies)
    caught, masked = (status == 1).sum(axis=0), (status == 2).sum(axis=0)
    counted = status.shape[0] - masked
    with np.errstate(invalid="ignore", divide="ignore"):
        calls_caught = np.where(counted > 0, caught / counted, np.nan)
    # calls side by side in memory: sorting them there takes a third of the time
    by_setting = np.ascontiguousarray(np.moveaxis(np.where(status == 2, np.float32(np.nan), response), 0, -1))
    ordered = np.moveaxis(np.sort(by_setting, axis=-1), -1, 0)
    limits = day.limits
    p95 = _ranked(ordered, counted)
    announced = np.where(np.isfinite(p95), p95, _ranked(ordered, caught))
    allowed_misses = max(1.0 - limits.calls_caught, _LEAST_ALLOWANCE)
    ratios = [
        (1.0 - calls_caught) / allowed_misses,
        # misses are charged once, above: an infinite percentile is told by the calls that were caught
        announced / limits.response_s,
    ]
    # rounding must not fail a share that equals its limit
    violation = np.nanmax(np.where(np.isnan(ratios), -np.inf, ratios), axis=0)
    violation = np.where(
        (calls_caught >= limits.calls_caught) & (p95 <= limits.response_s),
        np.minimum(violation, 1.0),
        np.maximum(violation, 1.0 + 1e-9),
    )
    # with a class unknown, the known ones are a lower limit of the day: they alone may break it
    violation = np.maximum(violation, per_day / limits.false_alarms_per_day)
    # where no call is left to count nothing is known of the setting: no other is worse
    violation = np.where(counted > 0, violation, np.inf)
    nowhere = np.full(per_day.shape, np.nan)
    return Plane(
        total=total,
        cut=total - status.shape[0],
        caught=caught,
        counted=counted,
        masked=masked,
        masked_by_alarm=(status == 3).sum(axis=0),
        calls_caught=calls_caught,
        false_alarms_per_day=nowhere if unknown else per_day,
        alert_minutes_per_day=nowhere if unknown else minutes,
        response_p95_s=p95,
        violation=violation,
        known_alarms_per_day=per_day,
        unknown=unknown,
    )


def _ranked(ordered: NDArray[np.float32], n: NDArray[np.int64]) -> NDArray[np.float64]:
    """The smallest value with at least 95 % of the first n at or below it; nan where n is 0."""
    if not len(ordered):
        return np.full(n.shape, np.nan)
    # a whole rank must not be lifted by rounding: 0.95 * 20 is 19
    rank = np.ceil(np.round(_TAIL * n, 9)).astype(np.int64)
    picked = np.take_along_axis(ordered, np.maximum(rank - 1, 0)[None], axis=0)[0].astype(np.float64)
    return np.where(n > 0, picked, np.nan)
