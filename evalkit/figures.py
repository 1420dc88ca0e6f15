"""Figures of one setting with their intervals, from the outcomes of recordings."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from evalkit.day import Day
from evalkit.intervals import Interval
from evalkit.planes import ClassExposure, exposures_of
from evalkit.scoring import Tally
from evalkit.segments import Call

if TYPE_CHECKING:
    from evalkit.rates import Rate

__all__ = ["CallOutcome", "ClassFigure", "Figures", "Outcome", "figures_of"]


@dataclass(frozen=True)
class CallOutcome:
    """What became of one call."""

    recording: str
    session: str
    call: Call
    fate: str
    """`caught`, `missed`, `cut`, `masked` (not counted) or `masked by a false alarm` (a miss)."""
    response_s: float | None
    """None unless caught."""
    cluster: str
    """Session, or maker where those are held out: whose calls are alike."""


@dataclass(frozen=True)
class Outcome:
    """One recording at one setting."""

    tally: Tally
    lane: int
    delay_index: int

    @property
    def calls(self) -> tuple[CallOutcome, ...]:
        """Fate of each call."""
        words = ("missed", "caught", "masked", "masked by a false alarm")
        status = self.tally.status[:, self.lane, self.delay_index]
        response = self.tally.response_s[:, self.lane, self.delay_index]
        return tuple(
            CallOutcome(
                recording=self.tally.recording,
                session=self.tally.session,
                call=call,
                fate="cut" if call.cut else words[int(s)],
                response_s=float(r) if s == 1 and not call.cut else None,
                cluster=self.tally.cluster,
            )
            for call, s, r in zip(self.tally.calls, status, response)
        )

    @property
    def alarms(self) -> NDArray[np.float64]:
        """(n_classes,): false alarms by cause."""
        return self.tally.alarms[:, self.lane, self.delay_index].astype(np.float64)

    @property
    def alarm_s(self) -> NDArray[np.float64]:
        """(n_classes,): how long they lasted, s."""
        return self.tally.alarm_s[:, self.lane, self.delay_index]


@dataclass(frozen=True)
class ClassFigure:
    """False alarms of one class."""

    exposure: ClassExposure
    alarms: int
    rate: float | None
    """False alarms for each recorded event or hour; None: nothing recorded."""
    interval: tuple[float, float] | None
    method: str
    per_day: float | None
    """What the class adds to a day."""
    per_day_upper: float | None
    """Upper limit of that."""


@dataclass(frozen=True)
class Figures:
    """What a setting did, with intervals at 95 %."""

    total: int
    cut: int
    masked: int
    masked_by_alarm: int
    counted: int
    caught: int
    calls_interval: Interval
    """On the effective number of calls, sessions as clusters."""
    calls_exact: Interval
    """Plain Clopper-Pearson, calls as independent."""
    calls_wilson: Interval
    false_alarms_per_day: float | None
    false_alarms_interval: Interval
    alert_minutes_per_day: float | None
    response_median_s: float | None
    response_p95_s: float | None
    """inf where more than 5 % are missed; None where no call is counted."""
    response_median_interval: Interval
    response_p95_interval: Interval
    classes: tuple[ClassFigure, ...]
    calls: tuple[CallOutcome, ...]
    sessions: tuple[str, ...]
    """Sorted; the makers instead where those are held out."""
    alarms_by_session: NDArray[np.float64]
    """(n_classes, n_sessions): false alarms, in the order of `classes` and `sessions`."""
    recorded_by_session: NDArray[np.float64]
    """(n_classes, n_sessions): events or hours."""

    @property
    def calls_caught(self) -> float | None:
        """Share of the counted calls."""
        return self.caught / self.counted if self.counted else None

    @property
    def unit(self) -> str:
        """What the intervals take as independent of each other: `session`, or `maker`."""
        return "maker" if any(c.cluster != c.session for c in self.calls) else "session"


def figures_of(classes: Sequence[str], outcomes: Sequence[Outcome], day: Day) -> Figures:
    """Return the figures of outcomes, each recording's at the setting chosen for it.

    Parameters
    ----------
    classes : sequence of str
        As in the sweep, background last.
    outcomes : sequence of Outcome
    day : Day
    """
    from evalkit.proportions import clustered_interval, exact_interval, wilson_interval
    from evalkit.quantiles import quantile, quantile_interval
    from evalkit.rates import class_rate, daily_rate

    sessions = sorted({o.tally.cluster for o in outcomes})
    unit = "maker" if any(o.tally.maker_group for o in outcomes) else "session"
    calls = tuple(call for o in outcomes for call in o.calls)
    counted = [c for c in calls if c.fate not in ("cut", "masked")]
    caught = [c for c in counted if c.fate == "caught"]
    by_session = [[sum(c.cluster == name for c in group) for name in sessions] for group in (caught, counted)]
    response = np.array([np.inf if c.response_s is None else c.response_s for c in counted])

    tallies = [o.tally for o in outcomes]
    exposures = exposures_of(classes, tallies, day)
    alarms, alarm_s, recorded = (np.zeros((len(exposures), len(sessions))) for _ in range(3))
    for o in outcomes:
        s = sessions.index(o.tally.cluster)
        alarms[: len(classes), s] += o.alarms
        alarm_s[: len(classes), s] += o.alarm_s
        for k, e in enumerate(exposures[: len(classes)]):
            recorded[k, s] += o.tally.events[k] if e.unit == "event" else o.tally.hours[k]
    per_day = np.array([e.per_day for e in exposures])
    daily = daily_rate(alarms, recorded, per_day)
    estimate = float(daily.estimate)
    weights = np.array([e.weight for e in exposures])
    minutes = None if np.isnan(weights).any() else float(weights @ alarm_s.sum(axis=1)) / 60.0
    return Figures(
        total=len(calls),
        cut=sum(c.fate == "cut" for c in calls),
        masked=sum(c.fate == "masked" for c in calls),
        masked_by_alarm=sum(c.fate == "masked by a false alarm" for c in calls),
        counted=len(counted),
        caught=len(caught),
        calls_interval=clustered_interval(*by_session).between(unit),
        calls_exact=exact_interval(len(caught), len(counted)),
        calls_wilson=wilson_interval(len(caught), len(counted)),
        false_alarms_per_day=None if np.isnan(estimate) else estimate,
        false_alarms_interval=daily.interval.between(unit),
        alert_minutes_per_day=minutes,
        response_median_s=quantile(response, 0.5) if len(counted) else None,
        response_p95_s=quantile(response, 0.95) if len(counted) else None,
        response_median_interval=quantile_interval(response, 0.5),
        response_p95_interval=quantile_interval(response, 0.95),
        classes=tuple(
            _class_figure(e, int(alarms[k].sum()), class_rate(alarms[k], recorded[k]), unit)
            for k, e in enumerate(exposures)
        ),
        calls=calls,
        sessions=tuple(sessions),
        alarms_by_session=alarms,
        recorded_by_session=recorded,
    )


def _class_figure(exposure: ClassExposure, alarms: int, rate: "Rate", unit: str) -> ClassFigure:
    estimate = float(rate.estimate)
    known = not np.isnan(estimate)
    interval = rate.interval.pair()
    return ClassFigure(
        exposure=exposure,
        alarms=alarms,
        rate=estimate if known else None,
        interval=interval,
        method=rate.interval.between(unit).method,
        per_day=estimate * exposure.per_day if known else (0.0 if exposure.per_day == 0.0 else None),
        per_day_upper=interval[1] * exposure.per_day if interval is not None else None,
    )
