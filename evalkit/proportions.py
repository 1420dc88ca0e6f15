"""Intervals of a proportion (calls caught out of calls counted), with and without regard to sessions."""

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
    "clean_effective_trials",
    "clustered_interval",
    "exact_interval",
    "trials_needed",
    "wilson_interval",
]

# How alike the calls of one session are taken to be (intraclass correlation) while the data cannot tell, and
# how many misses it takes until the data are heard as loudly as that. With few misses the estimated spread
# between sessions says nothing: one miss always gives a design effect near 1. Chosen by simulation
# (tests/benchmarks/coverage_of_intervals.py) as about the mildest with which 95 % intervals cover in
# at least 90 % at a true correlation of 0.2, from 6 sessions on and up to 100 calls in each.
_ASSUMED_CORRELATION = 0.12
_TELLING_MISSES = 5.0


def wilson_interval(successes: ArrayLike, trials: ArrayLike, *, confidence: float = 0.95) -> Interval:
    """Return Wilson's score interval, trials taken as independent.

    Parameters
    ----------
    successes, trials : array_like, broadcast together
        ``0 <= successes <= trials``; NaN limits where `trials` is 0.
    confidence : float
        Between 0 and 1, exclusive.

    Raises
    ------
    ValueError
        If a count or `confidence` is out of range.

    References
    ----------
    .. [1] Wilson (1927), JASA 22, 209-212; method 3 of Newcombe (1998), Statistics in Medicine 17, 857-872.

    Examples
    --------
    >>> wilson = wilson_interval(8, 10)
    >>> print(f"{wilson.lower:.4f} {wilson.upper:.4f}")
    0.4902 0.9433
    """
    from scipy.special import ndtri

    caught, n = _counts(successes, trials)
    z2 = float(ndtri(1.0 - tail_probability(confidence))) ** 2
    some = np.where(n > 0.0, n, 1.0)
    p = caught / some
    centre = (p + z2 / (2.0 * some)) / (1.0 + z2 / some)
    half = np.sqrt(z2 * (p * (1.0 - p) / some + z2 / (4.0 * some**2))) / (1.0 + z2 / some)
    # With none or all caught one limit is exactly 0 or 1; rounding must not put it a hair inside.
    lower = np.where(caught == 0.0, 0.0, centre - half)
    upper = np.where(caught == n, 1.0, centre + half)
    return Interval(
        np.where(n > 0.0, lower, np.nan),
        np.where(n > 0.0, upper, np.nan),
        "Wilson, calls taken as independent",
    )


def exact_interval(successes: ArrayLike, trials: ArrayLike, *, confidence: float = 0.95) -> Interval:
    """Return the exact (Clopper-Pearson) interval, trials taken as independent.

    Covers in at least `confidence` for every true proportion, so it is wide rather than wrong where
    `trials` is small. Counts need not be whole: an effective number of trials goes through the same
    formula.

    Parameters
    ----------
    successes, trials : array_like, broadcast together
        ``0 <= successes <= trials``; NaN limits where `trials` is 0.
    confidence : float
        Between 0 and 1, exclusive.

    Raises
    ------
    ValueError
        If a count or `confidence` is out of range.

    References
    ----------
    .. [1] Clopper & Pearson (1934), Biometrika 26, 404-413.

    Examples
    --------
    >>> exact = exact_interval(0, 10)
    >>> print(f"{exact.lower:.4f} {exact.upper:.4f}")
    0.0000 0.3085
    """
    from scipy.special import betaincinv

    caught, n = _counts(successes, trials)
    tail = tail_probability(confidence)
    missed = n - caught
    lower = np.where(caught > 0.0, betaincinv(np.where(caught > 0.0, caught, 1.0), missed + 1.0, tail), 0.0)
    upper = np.where(
        missed > 0.0, betaincinv(caught + 1.0, np.where(missed > 0.0, missed, 1.0), 1.0 - tail), 1.0
    )
    unknown = n == 0.0
    return Interval(
        np.where(unknown, np.nan, lower),
        np.where(unknown, np.nan, upper),
        "Clopper-Pearson, calls taken as independent",
    )


def clean_effective_trials(trials_by_session: ArrayLike) -> FloatArray:
    """Return what trials without a single miss are worth, in independent trials.

    Within a session each further trial tells less: the first counts 1, the second 1 / (1 + r), the third
    1 / (1 + 2 r) and so on, with r = c / (1 - c) and the assumed intraclass correlation c = 0.12. Where the
    rates of sessions follow a beta distribution of that correlation, so many independent trials would be as
    likely to go without a miss, to first order in the rate of misses.

    Parameters
    ----------
    trials_by_session : ndarray of shape (..., n_sessions)

    Returns
    -------
    ndarray of shape (...)
    """
    from scipy.special import digamma

    trials = np.asarray(trials_by_session, dtype=np.float64)
    r = _ASSUMED_CORRELATION / (1.0 - _ASSUMED_CORRELATION)
    worth = np.where(trials > 0.0, (digamma(trials + 1.0 / r) - digamma(1.0 / r)) / r, 0.0)
    return np.asarray(np.sum(worth, axis=-1), dtype=np.float64)


def clustered_interval(
    successes_by_session: ArrayLike, trials_by_session: ArrayLike, *, confidence: float = 0.95
) -> Interval:
    """Return the Clopper-Pearson interval on the effective number of trials, sessions as clusters.

    Korn & Graubard's: the number of trials over the design effect (between-session variance over the
    binomial one), times (t of trials - 1 over t of sessions - 1)^2, and never more than the trials. The
    between-session variance is that of `session_influence`, the t `session_t`.

    That alone covers far too seldom where sessions differ and misses are few (66 % instead of 95 % in the
    worst case simulated), since a design effect cannot be estimated from a few misses. So, with m the fewer
    of misses and successes:

    - none (m = 0): the effective number is `clean_effective_trials`;
    - else the design effect of an assumed intraclass correlation (Kish: 1 + (size of session - 1) 0.12) is
      mixed in with weight 5 / (m + 5), where it is the larger of the two;
    - one session shows no spread at all: the assumed design effect alone is used, and the method says so.

    Sessions without trials are ignored. Limits are NaN where there are no trials.

    Parameters
    ----------
    successes_by_session, trials_by_session : ndarray of shape (..., n_sessions), broadcast together
    confidence : float
        Between 0 and 1, exclusive.

    Returns
    -------
    Interval
        Limits of shape (...).

    Raises
    ------
    ValueError
        If a count or `confidence` is out of range.

    References
    ----------
    .. [1] Korn & Graubard (1998), Survey Methodology 24, 193-201.
    .. [2] Kish (1965), Survey Sampling: design effect of clusters (cited from memory).
    """
    from scipy.special import stdtrit

    caught, trials = _counts(successes_by_session, trials_by_session)
    n, s = np.sum(trials, axis=-1), np.sum(caught, axis=-1)
    some = np.where(n > 0.0, n, 1.0)
    p = s / some
    shares = trials / some[..., None]
    sessions = np.count_nonzero(trials > 0.0, axis=-1)
    variance = np.sum(session_influence(caught - p[..., None] * trials, shares) ** 2, axis=-1)
    binomial = some * p * (1.0 - p)
    fewer = np.minimum(s, n - s)

    t_ratio = session_t(shares, confidence) / stdtrit(
        np.maximum(n - 1.0, 1.0), 1.0 - tail_probability(confidence)
    )
    shown = np.where(fewer > 0.0, variance / np.where(fewer > 0.0, binomial, 1.0), 0.0) * t_ratio**2
    size = np.sum(trials * shares, axis=-1)
    assumed = np.where(
        fewer > 0.0,
        1.0 + _ASSUMED_CORRELATION * np.maximum(size - 1.0, 0.0),
        some / np.maximum(clean_effective_trials(trials), 1e-12),
    )
    heard = np.where(sessions > 1, fewer / (fewer + _TELLING_MISSES), 0.0)
    design_effect = np.maximum(np.maximum(shown, heard * shown + (1.0 - heard) * assumed), 1.0)
    effective = n / design_effect
    plain = exact_interval(np.minimum(p * effective, effective), effective, confidence=confidence)
    return Interval(plain.lower, plain.upper, _clustered_method(sessions))


def trials_needed(lower_limit: float, *, misses: int = 0, confidence: float = 0.95) -> int:
    """Return the fewest independent trials whose Clopper-Pearson lower limit reaches a given proportion.

    Parameters
    ----------
    lower_limit : float
        Proportion to be shown, between 0 and 1, exclusive.
    misses : int
        Misses allowed among them.
    confidence : float
        Of the two-sided interval; 0.9 gives the one-sided 95 % bound.

    Raises
    ------
    ValueError
        If an argument is out of range.

    Examples
    --------
    Clean trials that show 99 % with one-sided 95 % confidence:

    >>> trials_needed(0.99, confidence=0.9)
    299
    """
    from scipy.special import bdtr

    if not 0.0 < lower_limit < 1.0:
        raise ValueError(f"lower_limit={lower_limit} must lie between 0 and 1, exclusive")
    if misses < 0:
        raise ValueError(f"misses={misses} must not be negative")
    tail = tail_probability(confidence)

    # The limit reaches p exactly when so few misses would be rarer than the tail at p.
    def reached(trials: int) -> bool:
        return bool(bdtr(misses, trials, 1.0 - lower_limit) <= tail)

    short, enough = misses, 2 * misses + 1
    while not reached(enough):
        short, enough = enough, 2 * enough
    while enough - short > 1:
        middle = (short + enough) // 2
        short, enough = (short, middle) if reached(middle) else (middle, enough)
    return enough


def _counts(successes: ArrayLike, trials: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return both as float arrays of one shape, or say what is wrong with them."""
    caught, n = np.broadcast_arrays(
        np.asarray(successes, dtype=np.float64), np.asarray(trials, dtype=np.float64)
    )
    if not (np.all(np.isfinite(n)) and np.all(caught >= 0.0) and np.all(caught <= n)):
        raise ValueError("successes and trials must be finite, with 0 <= successes <= trials")
    return caught, n


def _clustered_method(sessions: np.ndarray[tuple[int, ...], np.dtype[np.intp]]) -> str:
    """Return the words for what was done, given the number of sessions with trials."""
    fewest = int(np.min(sessions, initial=np.iinfo(np.intp).max))
    if fewest == 0:
        return "unknown: no calls"
    if fewest == 1:
        return (
            "Clopper-Pearson on the effective number of calls, with an assumed intraclass correlation of "
            f"{_ASSUMED_CORRELATION} (one session shows no spread)"
        )
    return "Clopper-Pearson on the effective number of calls, sessions as clusters (Korn & Graubard 1998)"
