"""Intervals of rates: alarms over an exposure, and the daily figure put together from several classes."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from evalkit.intervals import (
    FloatArray,
    Interval,
    session_influence,
    session_t,
    tail_probability,
)

__all__ = [
    "Rate",
    "class_rate",
    "daily_rate",
    "exposure_needed",
    "poisson_interval",
    "weighted_rate_interval",
]

# Fewer alarms than this cannot show that sessions differ.
_TELLING_ALARMS = 2.0
_ROUNDING = 1.0 + 1e-9


@dataclass(frozen=True, eq=False)
class Rate:
    """A rate with its interval."""

    estimate: FloatArray
    """In counts per unit of exposure, or per day; NaN where unknown."""
    interval: Interval
    """In the same unit."""


def poisson_interval(counts: ArrayLike, exposure: ArrayLike, *, confidence: float = 0.95) -> Interval:
    """Return the exact (Garwood) interval of a rate, events taken as independent.

    Parameters
    ----------
    counts : array_like
        Events counted, not negative.
    exposure : array_like, broadcasts with `counts`
        In what unit the rate is wanted for (hours, events); NaN limits where it is 0.
    confidence : float
        Two-sided: with no event at all the upper limit is 3.69 / exposure at 0.95.

    Raises
    ------
    ValueError
        If an argument is out of range.

    References
    ----------
    .. [1] Garwood (1936), Biometrika 28, 437-442.

    Examples
    --------
    >>> garwood = poisson_interval(0, 1)
    >>> print(f"{garwood.lower:.4f} {garwood.upper:.4f}")
    0.0000 3.6889
    """
    from scipy.special import gammaincinv

    tail = tail_probability(confidence)
    x, e = _not_negative("counts", counts), _not_negative("exposure", exposure)
    e = np.where(e > 0.0, e, np.nan)
    lower = np.where(x > 0.0, gammaincinv(np.where(x > 0.0, x, 1.0), tail), 0.0)
    upper = gammaincinv(x + 1.0, 1.0 - tail)
    return Interval(lower / e, upper / e, "Garwood, events taken as independent")


def weighted_rate_interval(
    counts: ArrayLike, weights: ArrayLike, *, variances: ArrayLike | None = None, confidence: float = 0.95
) -> Interval:
    """Return gamma limits of a weighted sum of counts.

    The upper limit is driven by the largest weight, that of the class with the least exposure for what the
    day brings of it: a class of which little is recorded cannot be ruled out.

    Parameters
    ----------
    counts : ndarray of shape (..., n_classes)
        Not negative.
    weights : ndarray of shape (..., n_classes)
        Of each count in the sum, not negative. NaN limits where none is positive.
    variances : ndarray of shape (..., n_classes), optional
        Of the counts; the counts themselves (Poisson) if absent.
    confidence : float
        Between 0 and 1, exclusive.

    Returns
    -------
    Interval
        Limits of shape (...). With one class and no `variances` they are Garwood's.

    Raises
    ------
    ValueError
        If an argument is out of range.

    References
    ----------
    .. [1] Fay & Feuer (1997), Statistics in Medicine 16, 791-801.
    """
    x, w = np.broadcast_arrays(_not_negative("counts", counts), _not_negative("weights", weights))
    v = x if variances is None else _not_negative("variances", variances)
    total, variance = np.sum(w * x, axis=-1), np.sum(w * w * v, axis=-1)
    lower, upper = _gamma_limits(total, variance, np.max(w, axis=-1, initial=0.0), confidence)
    return Interval(lower, upper, "gamma limits (Fay & Feuer 1997)")


def class_rate(
    counts_by_session: ArrayLike, exposure_by_session: ArrayLike, *, confidence: float = 0.95
) -> Rate:
    """Return the rate of one class and its interval: `daily_rate` of that class alone, per unit of exposure.

    Where the sessions agree the limits are Garwood's.

    Parameters
    ----------
    counts_by_session : ndarray of shape (..., n_sessions)
    exposure_by_session : ndarray of shape (n_sessions,)
    confidence : float
        Between 0 and 1, exclusive.

    Raises
    ------
    ValueError
        If an argument is out of range.
    """
    counts = np.asarray(counts_by_session, dtype=np.float64)
    exposure = np.asarray(exposure_by_session, dtype=np.float64)
    return daily_rate(counts[..., None, :], exposure[None, :], np.ones(1), confidence=confidence)


def daily_rate(
    counts: ArrayLike, exposure: ArrayLike, per_day: ArrayLike, *, confidence: float = 0.95
) -> Rate:
    """Return the alarms of a day: each class's rate times what a day brings of it, summed.

    Limits are Fay & Feuer's gamma limits. Where sessions agree, the variance of a class's count is the count
    (Poisson), and the limits of a single class are Garwood's. Where they do not, it is the between-session
    variance (`session_influence`) times (t / z)^2 (`session_t`), which then is the larger. Since one session
    may be bad for several classes at once (a higher gain, say), the variance of the sum is handled likewise
    and never comes out under that of its classes. Sessions agree when the spread between them is no larger
    than chance alone gives on average, and always when there is only one alarm: it cannot disagree with
    itself. A class with exposure in one session only shows no spread and is taken as Poisson; the method says
    so.

    Parameters
    ----------
    counts : ndarray of shape (..., n_classes, n_sessions)
        False alarms, by class and session, for one setting or a whole plane of them.
    exposure : ndarray of shape (n_classes, n_sessions)
        What was recorded of each class (hours or events), not negative.
    per_day : ndarray of shape (n_classes,)
        What a day brings of it in the same unit; classes with 0 are ignored.
    confidence : float
        Between 0 and 1, exclusive.

    Returns
    -------
    Rate
        Of shape (...), in alarms a day. NaN, never 0, where the day brings a class that has no exposure.

    Raises
    ------
    ValueError
        If an argument is out of range.

    References
    ----------
    .. [1] Fay & Feuer (1997), Statistics in Medicine 16, 791-801.
    """
    from scipy.special import ndtri

    x = _not_negative("counts", counts)
    e = _not_negative("exposure", exposure)
    days = _not_negative("per_day", per_day)
    brought = days > 0.0
    x, e, days = x[..., brought, :], e[brought], days[brought]
    total_e = np.sum(e, axis=-1)
    method = "unknown: nothing recorded of a class that the day brings"
    if not np.all(total_e > 0.0):
        unknown = np.full(x.shape[:-2], np.nan)
        return Rate(unknown, Interval(unknown, unknown, method))
    if not total_e.size:
        nothing = np.zeros(x.shape[:-2])
        return Rate(nothing, Interval(nothing, nothing, "the day brings no class at all"))

    z2 = float(ndtri(1.0 - tail_probability(confidence))) ** 2
    weights = days / total_e
    total_x = np.sum(x, axis=-1)
    shares = e / total_e[:, None]
    off = x - total_x[..., None] * shares
    moved = session_influence(off, shares)
    estimate = np.sum(weights * total_x, axis=-1)

    # off * moved sums to Poisson's variance on average where sessions agree, whatever their exposures.
    agree = (total_x < _TELLING_ALARMS) | (np.sum(off * moved, axis=-1) <= total_x * _ROUNDING)
    between = np.sum(moved**2, axis=-1) * session_t(shares, confidence) ** 2 / z2
    by_class = np.sum(weights**2 * np.where(agree, total_x, between), axis=-1)

    # The whole day's figure, session by session; each session's share is that of the alarms expected in it.
    day_off, day_moved = np.sum(weights[:, None] * off, axis=-2), np.sum(weights[:, None] * moved, axis=-2)
    expected = np.sum((weights * total_x)[..., None] * shares, axis=-2)
    day_shares = expected / np.where(estimate > 0.0, estimate, 1.0)[..., None]
    poisson = np.sum(weights**2 * total_x, axis=-1)
    day_agrees = np.sum(total_x, axis=-1) < _TELLING_ALARMS
    day_agrees |= np.sum(day_off * day_moved, axis=-1) <= poisson * _ROUNDING
    whole = np.sum(day_moved**2, axis=-1) * session_t(day_shares, confidence) ** 2 / z2

    variance = np.where(day_agrees, by_class, np.maximum(by_class, whole))
    lower, upper = _gamma_limits(estimate, variance, np.max(weights), confidence)
    all_agree = bool(np.all(agree) and np.all(day_agrees))
    alone = int(np.count_nonzero(np.count_nonzero(shares > 0.0, axis=-1) == 1))
    return Rate(estimate, Interval(lower, upper, _rate_method(all_agree, len(days), alone)))


def exposure_needed(upper_limit: float, *, count: int = 0, confidence: float = 0.95) -> float:
    """Return the exposure at which Garwood's upper limit of so many events comes down to a given rate.

    Parameters
    ----------
    upper_limit : float
        Rate to stay under, per unit of exposure, positive.
    count : int
        Events allowed in that exposure.
    confidence : float
        Of the two-sided interval; 0.9 gives the one-sided 95 % bound.

    Raises
    ------
    ValueError
        If an argument is out of range.

    Examples
    --------
    Hours without an alarm that show less than one in 10 hours:

    >>> round(exposure_needed(0.1), 1)
    36.9
    """
    if not upper_limit > 0.0:
        raise ValueError(f"upper_limit={upper_limit} must be positive")
    return float(poisson_interval(count, 1.0, confidence=confidence).upper) / upper_limit


def _not_negative(name: str, values: ArrayLike) -> FloatArray:
    array = np.asarray(values, dtype=np.float64)
    if not (np.all(np.isfinite(array)) and np.all(array >= 0.0)):
        raise ValueError(f"{name} must be finite and not negative")
    return array


def _gamma_limits(
    total: FloatArray, variance: FloatArray, largest_weight: ArrayLike, confidence: float
) -> tuple[FloatArray, FloatArray]:
    """Return Fay & Feuer's limits for the given variance; NaN where no weight is positive."""
    from scipy.special import gammaincinv

    tail = tail_probability(confidence)
    some = total > 0.0
    y, v = np.where(some, total, 1.0), np.where(some, variance, 1.0)
    # A gamma of small shape has almost all its mass at 0, so its upper quantile falls again as the variance
    # grows. Less certainty must not give a lower limit: the shape stops where that quantile is highest.
    smallest = _least_shape(confidence)
    lower = np.where(some, gammaincinv(y**2 / v, tail) * v / y, 0.0)
    w = np.asarray(largest_weight, dtype=np.float64)
    w = np.where(w > 0.0, w, np.nan)
    shape = np.maximum((total + w) ** 2 / (np.where(some, variance, 0.0) + w**2), smallest)
    upper = gammaincinv(shape, 1.0 - tail) * (total + w) / shape
    return np.where(np.isnan(w), np.nan, lower), np.asarray(upper, dtype=np.float64)


@lru_cache
def _least_shape(confidence: float) -> float:
    """Return the shape for which the upper quantile of a gamma distribution of mean 1 is highest."""
    from scipy.special import gammaincinv

    shapes = np.geomspace(1e-3, 10.0, 2001)
    return float(shapes[np.argmax(gammaincinv(shapes, 1.0 - tail_probability(confidence)) / shapes)])


def _rate_method(agree: bool, classes: int, alone: int) -> str:
    """Return the words for what was done, given whether sessions agree and how many classes have only one."""
    limits = "Garwood" if agree and classes == 1 else "gamma limits (Fay & Feuer 1997)"
    spread = "sessions agree" if agree else "widened by the spread between sessions, t on sessions - 1"
    if alone == classes:
        spread = "one session shows no spread"
    elif alone:
        spread += f"; {alone} of {classes} classes recorded in one session only, which shows no spread"
    return f"{limits}, {spread}"
