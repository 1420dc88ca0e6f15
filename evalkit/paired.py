"""Two detectors on the same calls: is the difference beyond chance, and beyond the number of pairs tried?"""

import numpy as np
from numpy.typing import ArrayLike

from evalkit.intervals import FloatArray

__all__ = ["holm_adjust", "mcnemar_p", "session_flip_p"]


def mcnemar_p(only_first: int, only_second: int) -> float:
    """Return the two-sided p-value of the exact McNemar test, calls taken as independent.

    Parameters
    ----------
    only_first, only_second : int
        Calls that only the first, only the second detector caught (the discordant ones).

    Returns
    -------
    float
        1 where no call is discordant.

    Raises
    ------
    ValueError
        If a count is negative.

    References
    ----------
    .. [1] McNemar (1947), Psychometrika 12, 153-157; exact form: the sign test.

    Examples
    --------
    >>> round(mcnemar_p(1, 9), 4)
    0.0215
    """
    from scipy.special import bdtr

    if min(only_first, only_second) < 0:
        raise ValueError(f"discordant counts ({only_first}, {only_second}) must not be negative")
    total = only_first + only_second
    return min(1.0, 2.0 * float(bdtr(min(only_first, only_second), total, 0.5))) if total else 1.0


def session_flip_p(only_first_by_session: ArrayLike, only_second_by_session: ArrayLike) -> float:
    """Return the two-sided exact p-value of the same question, with sessions as the independent units.

    If neither detector were better, each session's difference could as well have had the other sign. All 2^n
    choices of signs are reckoned with, by convolution. With one discordant call a session it is `mcnemar_p`.

    Parameters
    ----------
    only_first_by_session, only_second_by_session : ndarray of shape (n_sessions,), whole numbers
        Discordant calls of each session.

    Returns
    -------
    float
        Chance of a total difference at least as large; 1 where no session shows one. Never under 2^(1 - n)
        with n sessions that differ: five sessions cannot show a difference at 5 %.

    Raises
    ------
    ValueError
        If a count is negative or not whole.

    References
    ----------
    .. [1] Fisher (1935), The Design of Experiments, section 21 (cited from memory).
    """
    first = np.asarray(only_first_by_session, dtype=np.float64)
    second = np.asarray(only_second_by_session, dtype=np.float64)
    counts = np.stack(np.broadcast_arrays(first, second))
    if not (np.all(np.isfinite(counts)) and np.all(counts >= 0.0) and np.all(counts == np.floor(counts))):
        raise ValueError("discordant counts must be whole and not negative")
    differences = (counts[0] - counts[1]).astype(np.int64).ravel()
    steps = np.abs(differences)
    chance = np.ones(1)  # chance[i]: that the signed sum is 2 i - sum(steps so far)
    for step in steps[steps > 0]:
        padded = np.zeros(chance.size + int(step))
        padded[: chance.size] += chance / 2.0
        padded[int(step) :] += chance / 2.0
        chance = padded
    sums = 2 * np.arange(chance.size) - int(steps.sum())
    return min(1.0, float(chance[np.abs(sums) >= abs(int(differences.sum()))].sum()))


def holm_adjust(p_values: ArrayLike) -> FloatArray:
    """Return Holm's adjusted p-values, which keep the chance of any false claim among them at the level.

    Parameters
    ----------
    p_values : ndarray of shape (n,)
        Between 0 and 1.

    Returns
    -------
    ndarray of shape (n,)
        In the order given.

    Raises
    ------
    ValueError
        If a value is not between 0 and 1.

    References
    ----------
    .. [1] Holm (1979), Scandinavian Journal of Statistics 6, 65-70.

    Examples
    --------
    >>> holm_adjust([0.01, 0.04, 0.03, 0.005]).round(4).tolist()
    [0.03, 0.06, 0.06, 0.02]
    """
    p = np.asarray(p_values, dtype=np.float64).reshape(-1)
    if not np.all((p >= 0.0) & (p <= 1.0)):
        raise ValueError("p-values must lie between 0 and 1")
    order = np.argsort(p, kind="stable")
    stepped = np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted
