"""How well scores part calls from nuisances: ROC points, AUC with interval, and the free-response curve."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evalkit.intervals import FloatArray, Interval, tail_probability
from evalkit.proportions import clean_effective_trials, exact_interval

__all__ = [
    "Auc",
    "AucDifference",
    "FreeResponse",
    "RocCurve",
    "Scores",
    "auc",
    "auc_difference",
    "free_response",
    "roc_curve",
]

# Beyond it (and its mirror image) a variance rests on the few segments that are out of order: too narrow.
_NEAR_PERFECT = 0.97


@dataclass(frozen=True, eq=False)
class Scores:
    """The scores of one detector on calls (positives) and nuisance segments (negatives).

    Raises
    ------
    ValueError
        If a score is NaN, or sessions are given for one class only or not one for each score.
    """

    positives: FloatArray
    """Scores of the calls, higher meaning more like a call; may be -inf (below every setting swept)."""
    negatives: FloatArray
    """Scores of the nuisance segments."""
    positive_sessions: NDArray[np.int_] | None = None
    """Session of each call, as a whole number; None to take all segments as independent."""
    negative_sessions: NDArray[np.int_] | None = None
    """Session of each nuisance segment, numbered alike."""

    def __post_init__(self) -> None:
        for name in ("positives", "negatives"):
            values = np.asarray(getattr(self, name), dtype=np.float64)
            if values.ndim != 1 or np.any(np.isnan(values)):
                raise ValueError(f"{name} must be a row of scores without NaN")
            object.__setattr__(self, name, values)
        if (self.positive_sessions is None) != (self.negative_sessions is None):
            raise ValueError("sessions must be given for positives and negatives, or for neither")
        for name, values in (("positive_sessions", self.positives), ("negative_sessions", self.negatives)):
            if getattr(self, name) is None:
                continue
            sessions = np.asarray(getattr(self, name))
            if sessions.shape != values.shape:
                raise ValueError(f"{name} has shape {sessions.shape}, the scores {values.shape}")
            object.__setattr__(self, name, sessions)


@dataclass(frozen=True, eq=False)
class RocCurve:
    """Points of an ROC curve, from (0, 0) to (1, 1); empty where a class has no segments."""

    false_positive_rate: FloatArray
    """Share of negatives whose score is at or above the threshold; never falls."""
    true_positive_rate: FloatArray
    """Share of positives whose score is at or above the threshold; never falls."""
    threshold: FloatArray
    """From +inf (no segment reaches it) to the lowest score, falling."""


@dataclass(frozen=True, eq=False)
class Auc:
    """Area under the ROC curve: the chance that a call outscores a nuisance segment, ties counting half."""

    estimate: float
    """NaN where a class has no segments."""
    variance: float
    """Of the estimate, by the method that `interval` names; NaN where it cannot be estimated."""
    interval: Interval
    """NaN limits where unknown."""


@dataclass(frozen=True, eq=False)
class AucDifference:
    """First detector's AUC less the second's, on the same segments."""

    estimate: float
    """NaN where a class has no segments."""
    standard_error: float
    """NaN where it cannot be estimated; 0 where both order every pair alike."""
    interval: Interval
    """NaN limits where unknown."""
    p_value: float
    """Two-sided, of no difference; NaN where the standard error is unknown or 0."""


@dataclass(frozen=True, eq=False)
class FreeResponse:
    """The best calls caught for each figure of false alarms a day: a staircase that rises to the right."""

    false_alarms_per_day: FloatArray
    """Strictly increasing."""
    calls_caught: FloatArray
    """Strictly increasing, 0 to 1."""
    setting: NDArray[np.intp]
    """Place of each step in the flattened plane."""


@dataclass(frozen=True)
class _Components:
    """DeLong's structural components: how each segment fares against the whole other class."""

    area: float
    of_positives: FloatArray
    of_negatives: FloatArray


def roc_curve(scores: Scores) -> RocCurve:
    """Return the ROC points: at each score, the share of either class that reaches it."""
    m, n = scores.positives.size, scores.negatives.size
    if not (m and n):
        nothing = np.empty(0)
        return RocCurve(nothing, nothing, nothing)
    values, place = np.unique(np.concatenate([scores.positives, scores.negatives]), return_inverse=True)
    reach_p, reach_n = (
        np.concatenate([[0], np.cumsum(np.bincount(own, minlength=values.size)[::-1])])
        for own in (place[:m], place[m:])
    )
    return RocCurve(reach_n / n, reach_p / m, np.concatenate([[np.inf], values[::-1]]))


def auc(scores: Scores, *, confidence: float = 0.95) -> Auc:
    """Return the area under the ROC curve with its interval.

    The interval is symmetric in the logit of the area. Its variance is DeLong's; with sessions the larger
    of that and Obuchowski's for clusters, and t on sessions - 1 takes the place of z. Above 0.97 (or below
    0.03), and where the variance comes out as 0, it is the Clopper-Pearson interval of the smaller class
    instead (with sessions, of `clean_effective_trials` of it): so few segments out of order say nothing
    about a variance.

    Parameters
    ----------
    scores : Scores
    confidence : float
        Between 0 and 1, exclusive.

    Returns
    -------
    Auc
        Estimate NaN where a class is empty; limits NaN also where the variance is unknown (a class of one).

    References
    ----------
    .. [1] DeLong, DeLong & Clarke-Pearson (1988), Biometrics 44, 837-845.
    .. [2] Obuchowski (1997), Biometrics 53, 567-578.
    .. [3] Sun & Xu (2014), IEEE Signal Processing Letters 21, 1389-1393 (midranks; cited from memory).
    """
    from scipy.special import expit, logit

    components = _components(scores)
    area = components.area
    if np.isnan(area):
        unknown = np.array(np.nan)
        return Auc(area, np.nan, Interval(unknown, unknown, "unknown: a class has no segments"))
    variance, quantile, method = _variance(components, scores, confidence)
    if area > _NEAR_PERFECT or area < 1.0 - _NEAR_PERFECT or variance == 0.0:
        trials = _smaller_class(scores)
        exact = exact_interval(min(area * trials, trials), trials, confidence=confidence)
        method = "Clopper-Pearson of the smaller class"
        return Auc(area, variance, Interval(exact.lower, exact.upper, method))
    if np.isnan(variance):
        unknown = np.array(np.nan)
        return Auc(area, variance, Interval(unknown, unknown, method))
    half = quantile * np.sqrt(variance) / (area * (1.0 - area))
    lower, upper = expit(logit(area) - half), expit(logit(area) + half)
    return Auc(area, variance, Interval(np.asarray(lower), np.asarray(upper), f"logit, {method}"))


def auc_difference(first: Scores, second: Scores, *, confidence: float = 0.95) -> AucDifference:
    """Return the difference of two detectors' areas on the same segments.

    Parameters
    ----------
    first, second : Scores
        Of the same segments in the same order.
    confidence : float
        Between 0 and 1, exclusive.

    Raises
    ------
    ValueError
        If the two differ in the number of segments or in their sessions.

    References
    ----------
    .. [1] DeLong, DeLong & Clarke-Pearson (1988), Biometrics 44, 837-845.
    .. [2] Obuchowski (1997), Biometrics 53, 567-578.
    """
    from scipy.special import ndtr, stdtr

    if first.positives.shape != second.positives.shape or first.negatives.shape != second.negatives.shape:
        raise ValueError("the two detectors must have scored the same segments")
    if not np.array_equal(_session_row(first), _session_row(second)):
        raise ValueError("the two detectors must have scored segments of the same sessions")
    a, b = _components(first), _components(second)
    change = _Components(a.area - b.area, a.of_positives - b.of_positives, a.of_negatives - b.of_negatives)
    unknown = np.array(np.nan)
    if np.isnan(change.area):
        nothing = Interval(unknown, unknown, "unknown: a class has no segments")
        return AucDifference(np.nan, np.nan, nothing, np.nan)
    variance, quantile, method = _variance(change, first, confidence)
    error = float(np.sqrt(variance))
    if not error > 0.0:
        return AucDifference(change.area, error, Interval(unknown, unknown, f"unknown, {method}"), np.nan)
    statistic = -abs(change.area) / error
    sessions = _clusters(first)
    p_value = 2.0 * float(ndtr(statistic) if sessions is None else stdtr(sessions - 1, statistic))
    half = quantile * error
    interval = Interval(np.asarray(change.area - half), np.asarray(change.area + half), method)
    return AucDifference(change.area, error, interval, p_value)


def free_response(
    calls_caught: ArrayLike, false_alarms_per_day: ArrayLike, keep: ArrayLike | None = None
) -> FreeResponse:
    """Return the upper-left staircase of all settings: for each false-alarm figure the most calls caught.

    Parameters
    ----------
    calls_caught, false_alarms_per_day : ndarray of one shape
        Over the plane of settings; settings where either is NaN are left out.
    keep : ndarray of bool, same shape, optional
        Settings to consider (those that answer in time, say); all if absent.

    Returns
    -------
    FreeResponse
        Empty where no setting is left. Of settings with both figures alike, the first of the plane.

    Raises
    ------
    ValueError
        If the shapes differ.
    """
    caught, alarms = np.asarray(calls_caught, np.float64), np.asarray(false_alarms_per_day, np.float64)
    mask = np.ones(caught.shape, dtype=bool) if keep is None else np.asarray(keep, dtype=bool)
    if not caught.shape == alarms.shape == mask.shape:
        raise ValueError(f"shapes {caught.shape}, {alarms.shape} and {mask.shape} must be the same")
    caught, alarms = caught.ravel(), alarms.ravel()
    places = np.flatnonzero(mask.ravel() & np.isfinite(caught) & np.isfinite(alarms))
    order = places[np.lexsort((places, -caught[places], alarms[places]))]
    best_before = np.concatenate([[-np.inf], np.maximum.accumulate(caught[order])])[: order.size]
    steps = order[caught[order] > best_before]
    return FreeResponse(alarms[steps], caught[steps], steps)


def _components(scores: Scores) -> _Components:
    """Return DeLong's components from midranks, in n log n."""
    positives, negatives = scores.positives, scores.negatives
    m, n = positives.size, negatives.size
    if not (m and n):
        return _Components(float("nan"), np.empty(0), np.empty(0))
    among_all = _midranks(np.concatenate([positives, negatives]))
    of_positives = (among_all[:m] - _midranks(positives)) / n
    of_negatives = 1.0 - (among_all[m:] - _midranks(negatives)) / m
    # Ranks are halves of whole numbers: their sum is exact, where a mean of quotients is not.
    area = (float(np.sum(among_all[:m])) - m * (m + 1) / 2.0) / (m * n)
    return _Components(area, of_positives, of_negatives)


def _midranks(values: FloatArray) -> FloatArray:
    """Return ranks from 1, equal values sharing the mean of theirs."""
    _, place, counts = np.unique(values, return_inverse=True, return_counts=True)
    return np.asarray((np.cumsum(counts) - (counts - 1) / 2.0)[place], dtype=np.float64)


def _clusters(scores: Scores) -> int | None:
    """Return the number of sessions, or None where they are untold or a class lies in one of them only."""
    if scores.positive_sessions is None or scores.negative_sessions is None:
        return None
    if min(np.unique(scores.positive_sessions).size, np.unique(scores.negative_sessions).size) < 2:
        return None
    return int(np.unique(_session_row(scores)).size)


def _session_row(scores: Scores) -> NDArray[np.int_]:
    if scores.positive_sessions is None or scores.negative_sessions is None:
        return np.empty(0, dtype=np.int_)
    return np.concatenate([scores.positive_sessions, scores.negative_sessions])


def _variance(components: _Components, scores: Scores, confidence: float) -> tuple[float, float, str]:
    """Return the variance of an area (or a difference of two), the quantile to go with it, and its name."""
    from scipy.special import ndtri, stdtrit

    cumulative = 1.0 - tail_probability(confidence)
    off_p = components.of_positives - components.area
    off_n = components.of_negatives - components.area
    m, n = off_p.size, off_n.size
    if min(m, n) < 2:
        return float("nan"), float("nan"), "unknown: a class has only one segment"
    independent = float(np.sum(off_p**2) / ((m - 1) * m) + np.sum(off_n**2) / ((n - 1) * n))
    sessions = _clusters(scores)
    if sessions is None:
        words = "DeLong 1988, segments taken as independent"
        return independent, float(ndtri(cumulative)), words
    _, session = np.unique(_session_row(scores), return_inverse=True)
    by_p = np.bincount(session[:m], off_p, sessions) / m
    by_n = np.bincount(session[m:], off_n, sessions) / n
    with_p, with_n = np.unique(session[:m]).size, np.unique(session[m:]).size
    clustered = float(
        with_p / (with_p - 1) * np.sum(by_p**2)
        + with_n / (with_n - 1) * np.sum(by_n**2)
        + 2.0 * sessions / (sessions - 1) * np.sum(by_p * by_n)
    )
    words = "sessions as clusters (Obuchowski 1997), not under DeLong's, t on sessions - 1"
    return max(clustered, independent), float(stdtrit(sessions - 1, cumulative)), words


def _smaller_class(scores: Scores) -> float:
    """Return the size of the smaller class, in independent segments where sessions are told."""
    pairs = ((scores.positives, scores.positive_sessions), (scores.negatives, scores.negative_sessions))
    sizes = [
        float(values.size)
        if sessions is None
        else float(clean_effective_trials(np.unique(sessions, return_counts=True)[1]))
        for values, sessions in pairs
    ]
    return min(sizes)
