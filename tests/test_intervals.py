"""The spread between sessions, against leaving each session out by hand and against scipy."""

import numpy as np
import pytest
from scipy import stats

from evalkit.intervals import Interval, session_influence, session_t, tail_probability


def test_influence_is_what_leaving_a_session_out_does() -> None:
    counts, sizes = np.array([3.0, 0.0, 7.0, 2.0]), np.array([2.0, 1.0, 4.0, 0.5])
    ratio = counts.sum() / sizes.sum()
    influence = session_influence(counts - ratio * sizes, sizes / sizes.sum())
    for s in range(4):
        without = np.delete(counts, s).sum() / np.delete(sizes, s).sum()
        assert ratio - influence[s] / sizes.sum() == pytest.approx(without, rel=1e-12)


def test_influence_of_sessions_of_one_size_is_the_usual_variance() -> None:
    counts = np.array([3.0, 0.0, 7.0, 2.0, 4.0])
    influence = session_influence(counts - counts.mean(), np.full(5, 0.2))
    # Variance of a sum of 5 independent counts is 5 s^2; ours is that times 5 / 4.
    assert np.sum(influence**2) == pytest.approx(5 * np.var(counts, ddof=1) * 5 / 4)


def test_a_single_session_has_no_influence_even_after_rounding() -> None:
    assert session_influence([1e-15, 0.0], [1.0, 0.0]).tolist() == [0.0, 0.0]


@pytest.mark.parametrize(
    ("shares", "freedom"),
    [
        ([0.25] * 4, 3),
        ([0.5, 0.5, 0.0], 1),
        ([1.0, 0.0], 1),
        ([0.98, 0.01, 0.01], 1),
        ([0.5, 0.25, 0.25], 5 / 3),
    ],
)
def test_session_t_counts_the_sessions_that_carry_weight(shares: list[float], freedom: float) -> None:
    assert session_t(shares, 0.95) == pytest.approx(stats.t.ppf(0.975, freedom), rel=1e-9)


def test_tail_probability_refuses_what_is_not_a_probability() -> None:
    assert tail_probability(0.95) == pytest.approx(0.025)
    for confidence in (0.0, 1.0, 95.0, -0.1, float("nan")):
        with pytest.raises(ValueError, match="confidence"):
            tail_probability(confidence)


def test_pair_is_none_where_a_limit_is_unknown() -> None:
    assert Interval(np.array(0.1), np.array(0.2), "").pair() == (0.1, 0.2)
    assert Interval(np.array(np.nan), np.array(np.nan), "").pair() is None
    assert Interval(np.array(1.0), np.array(np.inf), "").pair() == (1.0, np.inf)
