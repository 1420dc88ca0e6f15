"""Quantiles of response times and their intervals by order statistics; a missed call is infinite."""

import numpy as np
from numpy.typing import ArrayLike

from evalkit.intervals import Interval, tail_probability

__all__ = ["quantile", "quantile_interval"]


def quantile(values: ArrayLike, share: float) -> float:
    """Return the smallest value with at least the given share of all values at or below it.

    Parameters
    ----------
    values : ndarray of shape (n,)
        Infinite for "never" (a missed call).
    share : float
        0.5 for the median; above 0, at most 1.

    Returns
    -------
    float
        One of the values, which may be infinite; NaN where there are none.

    Raises
    ------
    ValueError
        If `share` is out of range or a value is NaN.

    Examples
    --------
    >>> quantile([0.8, 1.2, float("inf"), 1.0], 0.5)
    1.0
    """
    ordered = _ordered(values)
    if not 0.0 < share <= 1.0:
        raise ValueError(f"share={share} must be above 0 and at most 1")
    return float(ordered[_rank(share, ordered.size) - 1]) if ordered.size else float("nan")


def quantile_interval(values: ArrayLike, share: float, *, confidence: float = 0.95) -> Interval:
    """Return the interval of a quantile between two order statistics, values taken as independent.

    The number of values below the true quantile is binomial, whatever their distribution: the limits are the
    nearest two values that leave out no more than half of 1 - `confidence` on each side.

    Parameters
    ----------
    values : ndarray of shape (n,)
        Infinite for "never"; the upper limit then may be infinite.
    share : float
        0.5 for the median; between 0 and 1, exclusive.
    confidence : float
        Between 0 and 1, exclusive.

    Returns
    -------
    Interval
        Both limits NaN where too few values allow one: at 0.95, under 6 for the median, under 72 for the 95th
        percentile.

    Raises
    ------
    ValueError
        If an argument is out of range or a value is NaN.

    References
    ----------
    .. [1] David & Nagaraja (2003), Order Statistics, 3rd ed., section 7.1 (cited from memory).
    """
    from scipy.special import bdtr

    ordered = _ordered(values)
    if not 0.0 < share < 1.0:
        raise ValueError(f"share={share} must lie between 0 and 1, exclusive")
    tail, n = tail_probability(confidence), ordered.size
    # at_most[k]: chance that at most k of the n values lie at or below the true quantile.
    at_most = bdtr(np.arange(n), n, share) if n else np.empty(0)
    below = int(np.count_nonzero(at_most <= tail))
    above = int(np.count_nonzero(1.0 - at_most > tail)) + 1
    if below < 1 or above > n:
        unknown = np.array(np.nan)
        return Interval(unknown, unknown, f"unknown: {n} calls are too few for this quantile")
    return Interval(
        np.array(ordered[below - 1]),
        np.array(ordered[above - 1]),
        "order statistics, calls taken as independent",
    )


def _ordered(values: ArrayLike) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    array = np.asarray(values, dtype=np.float64).reshape(-1)
    if np.any(np.isnan(array)):
        raise ValueError("values must not be NaN; a call that was missed is infinite")
    return np.sort(array)


def _rank(share: float, n: int) -> int:
    """Return ceil(share * n), not led astray by 0.07 * 100 = 7.000000000000001."""
    return int(np.ceil(share * n - 1e-9 * n))
