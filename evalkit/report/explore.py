"""Every figure of every setting, packed for the page, so that it shows what `recommend` computes.

Nothing is computed again in the page: a script there looks figures up. An
array is sent as its distinct values and, for each setting, which of them.
"""

import base64
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evalkit.cache import CrossingCache
from evalkit.dataset import Dataset
from evalkit.day import Day
from evalkit.planes import exposures_of
from evalkit.proportions import clustered_interval
from evalkit.quantiles import quantile_interval
from evalkit.rates import daily_rate
from evalkit.recommendation import Recommendation
from evalkit.roc import Scores, auc
from evalkit.scoring import PlaneScores, score_plane
from evalkit.workers import Workers

__all__ = ["PlaneFigures", "RocCounts", "packed", "plane_figures", "roc_counts"]

_TAIL = 0.95
_MEDIAN = 0.5


@dataclass(frozen=True)
class PlaneFigures:
    """What `figures_of` computes, for every setting at once; arrays are (n_lanes, n_delays)."""

    total: int
    cut: int
    caught: NDArray[np.int64]
    counted: NDArray[np.int64]
    masked: NDArray[np.int64]
    masked_by_alarm: NDArray[np.int64]
    calls_lower: NDArray[np.float64]
    calls_upper: NDArray[np.float64]
    """Interval of the share of calls caught, sessions as clusters; nan: unknown."""
    alarms_per_day: NDArray[np.float64]
    alarms_lower: NDArray[np.float64]
    alarms_upper: NDArray[np.float64]
    """nan: unknown."""
    alert_minutes_per_day: NDArray[np.float64]
    response_median_s: NDArray[np.float64]
    response_p95_s: NDArray[np.float64]
    """inf: never; nan: no call counted."""
    p95_lower_s: NDArray[np.float64]
    p95_upper_s: NDArray[np.float64]
    acceptable: NDArray[np.bool_]
    """No known limit fails."""
    fails_calls: NDArray[np.bool_]
    fails_alarms: NDArray[np.bool_]
    fails_response: NDArray[np.bool_]
    classes: tuple[str, ...]
    """Nuisance classes, background last."""
    alarms: NDArray[np.int64]
    """(n_classes, n_lanes, n_delays)."""
    phones: tuple[str, ...]
    caught_of_phone: NDArray[np.int64]
    """(n_phones, n_lanes, n_delays)."""
    counted_of_phone: NDArray[np.int64]


@dataclass(frozen=True)
class RocCounts:
    """How many segments reach each threshold at each delay; arrays are (n_lanes, n_delays)."""

    calls: int
    events: int
    pieces: int
    calls_reach: NDArray[np.int64]
    events_reach: NDArray[np.int64]
    pieces_reach: NDArray[np.int64]
    events_auc: NDArray[np.float64]
    """(n_delays, 3): area, lower, upper; nan: unknown."""
    pieces_auc: NDArray[np.float64]


def plane_figures(found: Recommendation, day: Day) -> PlaneFigures:
    """Return the figures of every setting on the recordings that the choice was made from."""
    sweep, plane = found.sweep, found.plane
    tallies = sweep.tallies
    # makers, where those are held out: the units of the intervals, as in `figures_of`
    sessions = sorted({t.cluster for t in tallies})
    whole = [np.array([not c.cut for c in t.calls], bool) for t in tallies]
    status = np.concatenate([t.status[keep] for t, keep in zip(tallies, whole)])
    response = np.concatenate([t.response_s[keep] for t, keep in zip(tallies, whole)])
    of_session = np.repeat([sessions.index(t.cluster) for t in tallies], [int(k.sum()) for k in whole])
    phone_of = [c.phone for t in tallies for c in t.calls if not c.cut]
    phones = tuple(sorted(set(phone_of)))
    is_caught, is_counted = status == 1, status != 2
    by_session = [_grouped(flags, of_session, len(sessions)) for flags in (is_caught, is_counted)]
    # sessions last and side by side: sums then run in the order of those of a single setting
    calls = clustered_interval(*(np.ascontiguousarray(np.moveaxis(v, 0, -1)) for v in by_session))

    alarms = _alarms_by_session(sweep.classes, tallies, sessions)
    exposures = exposures_of(sweep.classes, tallies, day)
    recorded = np.array(
        [
            [sum(_recorded(t, k, e.unit) for t in tallies if t.cluster == s) for s in sessions]
            for k, e in enumerate(exposures)
        ]
    )
    padded = np.zeros((len(exposures), *alarms.shape[1:]))
    padded[: len(sweep.classes)] = alarms
    by_class = np.ascontiguousarray(np.moveaxis(padded, (0, 1), (-2, -1)))
    daily = daily_rate(by_class, recorded, [e.per_day for e in exposures])
    ordered = np.sort(np.where(is_counted, response.astype(np.float64), np.nan), axis=0)
    counted = is_counted.sum(axis=0)
    lower, upper = _order_limits(len(status))
    limits = day.limits
    p95 = plane.response_p95_s
    of_phone = np.array([phones.index(p) for p in phone_of], np.int64)
    return PlaneFigures(
        total=plane.total,
        cut=plane.cut,
        caught=plane.caught,
        counted=plane.counted,
        masked=plane.masked,
        masked_by_alarm=plane.masked_by_alarm,
        calls_lower=np.asarray(calls.lower),
        calls_upper=np.asarray(calls.upper),
        alarms_per_day=np.asarray(daily.estimate),
        alarms_lower=np.asarray(daily.interval.lower),
        alarms_upper=np.asarray(daily.interval.upper),
        alert_minutes_per_day=_minutes(sweep.classes, tallies, sessions, [e.weight for e in exposures]),
        response_median_s=_at_rank(
            ordered, np.ceil(np.round(_MEDIAN * counted, 9)).astype(np.int64), counted
        ),
        response_p95_s=p95,
        p95_lower_s=_at_rank(ordered, lower[counted], counted),
        p95_upper_s=_at_rank(ordered, upper[counted], counted),
        acceptable=plane.acceptable,
        fails_calls=~(plane.calls_caught >= limits.calls_caught),
        fails_alarms=np.nan_to_num(plane.false_alarms_per_day) > limits.false_alarms_per_day,
        fails_response=~(p95 <= limits.response_s),
        classes=sweep.classes,
        alarms=alarms.sum(axis=1).astype(np.int64),
        phones=phones,
        caught_of_phone=_grouped(is_caught, of_phone, len(phones)),
        counted_of_phone=_grouped(is_counted, of_phone, len(phones)),
    )


def roc_counts(
    found: Recommendation, dataset: Dataset, cache: CrossingCache, *, workers: Workers | None = None
) -> RocCounts:
    """Return the segment-level ROC of every delay of the sweep."""
    if found.sweep.by is None:
        raise ValueError("the sweep does not tell its detector, so segments cannot be scored")
    scored = score_plane(
        dataset,
        found.sweep.by,
        delay_s=found.sweep.delay_s,
        integrator=found.sweep.integrator,
        warmup_s=dataset.board.warmup_s,
        cache=cache,
        workers=workers,
    )
    kind = np.array(scored.kind)
    groups = {name: scored.score[kind == name] for name in ("call", "nuisance", "piece")}
    position = found.sweep.levels.position
    reach = {
        name: np.stack([(score >= level).sum(axis=0) for level in position]) for name, score in groups.items()
    }
    return RocCounts(
        calls=len(groups["call"]),
        events=len(groups["nuisance"]),
        pieces=len(groups["piece"]),
        calls_reach=reach["call"],
        events_reach=reach["nuisance"],
        pieces_reach=reach["piece"],
        events_auc=_areas(scored, "nuisance", found.sweep.clusters(scored.session)),
        pieces_auc=_areas(scored, "piece", found.sweep.clusters(scored.session)),
    )


def packed(values: NDArray[Any]) -> dict[str, Any]:
    """Return an array as its distinct values and, in base64, which of them each setting has.

    Values that are not finite become None (unknown) or "never".

    Examples
    --------
    >>> packed(np.array([0.5, np.inf, 0.5]))
    {'values': [0.5, 'never'], 'which': 'AAABAAAA'}
    """
    distinct, which = np.unique(np.asarray(values).ravel(), return_inverse=True)
    if len(distinct) > 1 << 16:
        raise ValueError(f"{len(distinct)} distinct values do not fit into 16 bits")
    return {
        "values": [_plain(value) for value in distinct.tolist()],
        "which": base64.b64encode(which.astype("<u2").tobytes()).decode("ascii"),
    }


def _plain(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None if math.isnan(value) else "never"
    return value


def _grouped(flags: NDArray[np.bool_], group: NDArray[np.int64], n_groups: int) -> NDArray[np.int64]:
    """(n_groups, n_lanes, n_delays): how many calls of each group have the flag."""
    return np.stack([flags[group == g].sum(axis=0) for g in range(n_groups)]).astype(np.int64)


def _alarms_by_session(
    classes: Sequence[str], tallies: Sequence[Any], sessions: Sequence[str]
) -> NDArray[np.float64]:
    """(n_classes, n_sessions, n_lanes, n_delays)."""
    found = np.zeros((len(classes), len(sessions), *tallies[0].alarms.shape[1:]))
    for t in tallies:
        found[:, sessions.index(t.cluster)] += t.alarms
    return found


def _minutes(
    classes: Sequence[str], tallies: Sequence[Any], sessions: Sequence[str], weights: Sequence[float]
) -> NDArray[np.float64]:
    """Minutes of false alert a day, summed in the order in which `figures_of` does."""
    shape = tallies[0].alarm_s.shape[1:]
    if np.isnan(weights).any():
        return np.full(shape, np.nan)
    seconds = np.zeros((*shape, len(weights), len(sessions)))
    for t in tallies:
        seconds[:, :, : len(classes), sessions.index(t.cluster)] += np.moveaxis(t.alarm_s, 0, -1)
    each = seconds.sum(axis=-1).reshape(-1, len(weights))
    day = np.array(weights)
    return np.array([float(day @ row) for row in each]).reshape(shape) / 60.0


def _recorded(tally: Any, k: int, unit: str) -> float:
    if k >= len(tally.events):
        return 0.0
    return float(tally.events[k] if unit == "event" else tally.hours[k])


def _order_limits(most: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Ranks between which the 95th percentile of n calls lies, for each n; 0: unknown."""
    lower, upper = np.zeros(most + 1, np.int64), np.zeros(most + 1, np.int64)
    for n in range(1, most + 1):
        pair = quantile_interval(np.arange(1.0, n + 1.0), _TAIL).pair()
        if pair is not None:
            lower[n], upper[n] = int(pair[0]), int(pair[1])
    return lower, upper


def _at_rank(
    ordered: NDArray[np.float64], rank: NDArray[np.int64], counted: NDArray[np.int64]
) -> NDArray[np.float64]:
    if not len(ordered):
        return np.full(counted.shape, np.nan)
    picked = np.take_along_axis(ordered, np.maximum(rank - 1, 0)[None], axis=0)[0]
    return np.where((rank > 0) & (counted > 0), picked, np.nan)


def _areas(scored: PlaneScores, negatives: str, cluster: NDArray[np.intp]) -> NDArray[np.float64]:
    kind = np.array(scored.kind)
    positive, negative = kind == "call", kind == negatives
    found = np.full((scored.score.shape[1], 3), np.nan)
    for d in range(scored.score.shape[1]):
        area = auc(
            Scores(scored.score[positive, d], scored.score[negative, d], cluster[positive], cluster[negative])
        )
        found[d] = area.estimate, float(area.interval.lower), float(area.interval.upper)
    return found
