"""Intervals of a proportion, against published tables, scipy, and a slow twin written from the papers."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from evalkit.intervals import Interval
from evalkit.proportions import (
    clean_effective_trials,
    clustered_interval,
    exact_interval,
    trials_needed,
    wilson_interval,
)

exactly = settings(derandomize=True, deadline=None)


def rounded(interval: Interval, digits: int) -> tuple[float, float]:
    pair = interval.pair()
    assert pair is not None
    return round(pair[0], digits), round(pair[1], digits)


# Newcombe (1998), "Two-sided confidence intervals for the single proportion: comparison of seven methods",
# Statistics in Medicine 17, 857-872, Table I: methods 3 (Wilson) and 5 (Clopper-Pearson), 95 %.
NEWCOMBE_TABLE_I = [
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20, (0.0000, 0.1611), (0.0000, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
]


@pytest.mark.parametrize(("r", "n", "wilson", "exact"), NEWCOMBE_TABLE_I)
def test_newcombe_table(r: int, n: int, wilson: tuple[float, float], exact: tuple[float, float]) -> None:
    assert rounded(wilson_interval(r, n), 4) == wilson
    assert rounded(exact_interval(r, n), 4) == exact


# Wilson limits that public test suites of general-purpose statistics libraries quote.
@pytest.mark.parametrize(
    ("r", "n", "limits"),
    [
        (8, 10, (0.4902, 0.9433)),
        (10, 10, (0.7225, 1.0)),
        (0, 10, (0.0, 0.2775)),
        (10, 100, (0.0552, 0.1744)),
    ],
)
def test_more_wilson_limits(r: int, n: int, limits: tuple[float, float]) -> None:
    assert rounded(wilson_interval(r, n), 4) == limits


# Hanley & Lippman-Hand (1983), "If nothing goes wrong, is everything all right?", JAMA 249, 1743-1745
# (citation from memory): zero numerators. One-sided 95 % bounds are the limits of a two-sided 90 % interval.
@pytest.mark.parametrize(
    ("n", "one_sided", "two_sided"),
    [
        (10, 0.258866, 0.308497),
        (20, 0.139108, 0.168433),
        (30, 0.095034, 0.115703),
        (50, 0.058155, 0.071122),
        (100, 0.029513, 0.036217),
        (300, 0.009936, 0.012221),
        (1000, 0.002991, 0.003682),
    ],
)
def test_rule_of_three(n: int, one_sided: float, two_sided: float) -> None:
    bound = exact_interval(0, n, confidence=0.9).upper
    assert bound == pytest.approx(one_sided, abs=5e-7)
    assert exact_interval(0, n).upper == pytest.approx(two_sided, abs=5e-7)
    assert bound < 3.0 / n


@exactly
@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), st.floats(0.5, 0.999))
def test_equal_to_scipy(counts: tuple[int, int], confidence: float) -> None:
    r, n = counts
    reference = stats.binomtest(r, n)
    for ours, method in ((exact_interval, "exact"), (wilson_interval, "wilson")):
        expected = reference.proportion_ci(confidence_level=confidence, method=method)
        limits = ours(r, n, confidence=confidence)
        assert limits.lower == pytest.approx(expected.low, rel=1e-9, abs=1e-12)
        assert limits.upper == pytest.approx(expected.high, rel=1e-9, abs=1e-12)


@exactly
@given(st.integers(1, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_intervals_hold_the_estimate_and_rise_with_it(counts: tuple[int, int]) -> None:
    r, n = counts
    for interval in (wilson_interval, exact_interval):
        here = interval(r, n)
        assert 0.0 <= here.lower <= r / n <= here.upper <= 1.0
        if r < n:
            above = interval(r + 1, n)
            assert above.lower > here.lower
            assert above.upper > here.upper


def test_edges_are_exact() -> None:
    for interval in (wilson_interval, exact_interval):
        for n in (1, 3, 7, 263):
            assert interval(0, n).lower == 0.0
            assert interval(n, n).upper == 1.0
    assert exact_interval(0, 12).upper == pytest.approx(1 - 0.025 ** (1 / 12), rel=1e-12)


def test_a_plane_of_counts_at_once() -> None:
    caught, counted = np.arange(12).reshape(3, 4), np.array([11, 12, 13, 0])
    caught = np.minimum(caught, counted)
    for interval in (wilson_interval, exact_interval):
        plane = interval(caught, counted)
        assert plane.lower.shape == plane.upper.shape == (3, 4)
        assert np.all(np.isnan(plane.lower[:, 3]))
        assert np.all(np.isnan(plane.upper[:, 3]))
        assert plane.lower[2, 1] == interval(int(caught[2, 1]), 12).lower


@pytest.mark.parametrize(("r", "n"), [(-1, 5), (6, 5), (1, float("inf")), (float("nan"), 5)])
def test_impossible_counts_are_refused(r: float, n: float) -> None:
    for interval in (wilson_interval, exact_interval):
        with pytest.raises(ValueError, match="successes and trials"):
            interval(r, n)
    with pytest.raises(ValueError, match="successes and trials"):
        clustered_interval([r], [n])


def slow_clustered(caught: list[int], calls: list[int], confidence: float) -> tuple[float, float]:
    """Return Korn & Graubard's limits in the words of clustered_interval's docstring, step by step."""
    pairs = [(c, m) for c, m in zip(caught, calls, strict=True) if m]
    n, s, k = sum(m for _, m in pairs), sum(c for c, _ in pairs), len(pairs)
    p, fewer = s / n, min(s, n - s)
    quantile = 1 - (1 - confidence) / 2
    variance = 0.0
    for c, m in pairs:
        if k > 1:
            variance += ((s - c) / (n - m) - p) ** 2  # sum over sessions left out, no factor (k - 1) / k
    squares = sum((m / n) ** 2 for _, m in pairs)
    freedom = max(1 / squares - 1, 1)
    t_ratio = stats.t.ppf(quantile, freedom) / stats.t.ppf(quantile, max(n - 1, 1))
    shown = variance / (p * (1 - p) / n) * t_ratio**2 if fewer else 0.0
    r = 0.12 / 0.88
    if fewer:
        assumed = 1 + 0.12 * (sum(m * m for _, m in pairs) / n - 1)
    else:
        assumed = n / sum(1 / (1 + j * r) for _, m in pairs for j in range(m))
    weight = fewer / (fewer + 5) if k > 1 else 0.0
    effective = n / max(1.0, shown, weight * shown + (1 - weight) * assumed)
    x, tail = p * effective, 1 - quantile
    lower = stats.beta.ppf(tail, x, effective - x + 1) if s else 0.0
    upper = stats.beta.ppf(1 - tail, x + 1, effective - x) if s < n else 1.0
    return float(lower), float(upper)


sessions_of_calls = st.lists(
    st.integers(0, 30).flatmap(lambda m: st.tuples(st.integers(0, m), st.just(m))), min_size=1, max_size=9
).filter(lambda pairs: sum(m for _, m in pairs) > 0)


@exactly
@given(sessions_of_calls, st.sampled_from([0.8, 0.95, 0.99]))
def test_clustered_interval_equals_its_slow_twin(pairs: list[tuple[int, int]], confidence: float) -> None:
    caught, calls = [c for c, _ in pairs], [m for _, m in pairs]
    limits = clustered_interval(caught, calls, confidence=confidence)
    lower, upper = slow_clustered(caught, calls, confidence)
    assert limits.lower == pytest.approx(lower, rel=1e-7, abs=1e-9)
    assert limits.upper == pytest.approx(upper, rel=1e-7, abs=1e-9)


@exactly
@given(sessions_of_calls)
def test_clustered_interval_is_never_inside_the_plain_one(pairs: list[tuple[int, int]]) -> None:
    caught, calls = np.array([c for c, _ in pairs]), np.array([m for _, m in pairs])
    clustered, plain = clustered_interval(caught, calls), exact_interval(caught.sum(), calls.sum())
    assert clustered.lower <= plain.lower + 1e-12
    assert clustered.upper >= plain.upper - 1e-12
    assert clustered.lower <= caught.sum() / calls.sum() <= clustered.upper


def test_spread_between_sessions_widens_the_interval() -> None:
    even = clustered_interval([8, 8, 8, 8, 8, 8], [10] * 6)
    uneven = clustered_interval([10, 10, 10, 10, 8, 0], [10] * 6)
    assert uneven.lower < even.lower - 0.1
    assert uneven.upper > even.upper + 0.05


def test_clean_sessions_are_worth_less_than_their_calls_and_more_than_one_each() -> None:
    # One call a session has nothing to be alike with. By hand: 1 + 1/(1 + r) + 1/(1 + 2 r), r = 0.12/0.88.
    assert clean_effective_trials([1, 1, 1, 0]) == pytest.approx(3.0)
    assert clean_effective_trials([3]) == pytest.approx(1 + 0.88 / 1.0 + 1 / (1 + 0.24 / 0.88))
    assert 8 < float(clean_effective_trials([13] * 8)) < 104
    clean = clustered_interval([13] * 8, [13] * 8)
    assert clean.upper == 1.0
    assert clean.lower == pytest.approx(0.025 ** (1 / float(clean_effective_trials([13] * 8))))


def test_clean_effective_trials_is_the_beta_binomial_limit() -> None:
    """So many independent trials go without a miss as often as the sessions do, when misses are rare."""
    rare, strength = 1e-6, 0.88 / 0.12
    log_clean = sum(
        math.lgamma((1 - rare) * strength + m)
        - math.lgamma(strength + m)
        - math.lgamma((1 - rare) * strength)
        + math.lgamma(strength)
        for m in (4, 17, 30)
    )
    assert clean_effective_trials([4, 17, 30]) == pytest.approx(log_clean / math.log1p(-rare), rel=1e-4)


@pytest.mark.parametrize("size", [1, 2, 10, 50])
def test_one_miss_never_raises_the_lower_limit(size: int) -> None:
    clean = clustered_interval([size] * 7, [size] * 7)
    missed = clustered_interval([size] * 6 + [size - 1], [size] * 7)
    assert missed.lower < clean.lower


def test_what_cannot_be_known_is_said() -> None:
    none = clustered_interval([0, 0], [0, 0])
    assert none.pair() is None
    assert "no calls" in none.method
    one = clustered_interval([18, 0], [20, 0])
    assert "one session" in one.method
    assert one.lower < exact_interval(18, 20).lower
    many = clustered_interval([18, 20], [20, 20])
    assert "Korn" in many.method
    assert "one session" not in many.method


def test_clustered_interval_of_many_settings_at_once() -> None:
    caught = np.array([[[5, 4], [5, 5]], [[0, 0], [2, 5]]])
    limits = clustered_interval(caught, [5, 5])
    assert limits.lower.shape == (2, 2)
    assert limits.lower[1, 1] == clustered_interval([2, 5], [5, 5]).lower
    assert limits.upper[0, 0] == clustered_interval([5, 4], [5, 5]).upper


# Clean trials for a one-sided 95 % bound, by 1 - 0.05^(1/n) <= 1 - p: the rule of three's usual examples.
@pytest.mark.parametrize(("p", "n"), [(0.90, 29), (0.95, 59), (0.97, 99), (0.99, 299)])
def test_clean_trials_needed(p: float, n: int) -> None:
    assert trials_needed(p, confidence=0.9) == n


@exactly
@given(st.floats(0.05, 0.99), st.integers(0, 12), st.sampled_from([0.9, 0.95]))
def test_trials_needed_is_the_first_that_suffices(p: float, misses: int, confidence: float) -> None:
    n = trials_needed(p, misses=misses, confidence=confidence)
    assert exact_interval(n - misses, n, confidence=confidence).lower >= p * (1 - 1e-9)
    if n - 1 > misses:
        assert exact_interval(n - 1 - misses, n - 1, confidence=confidence).lower < p * (1 + 1e-9)


@pytest.mark.parametrize(("p", "misses"), [(0.0, 0), (1.0, 0), (0.9, -1)])
def test_trials_needed_refuses_what_no_number_can_show(p: float, misses: int) -> None:
    with pytest.raises(ValueError, match="must"):
        trials_needed(p, misses=misses)
