"""Quantiles of response times, against numpy, the binomial distribution by hand, and a simulation."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evalkit.quantiles import quantile, quantile_interval

exactly = settings(derandomize=True, deadline=None)
NEVER = float("inf")


def test_a_missed_call_counts_as_never() -> None:
    assert quantile([1.0, NEVER, 2.0], 0.5) == 2.0
    assert quantile([1.0, NEVER, NEVER], 0.5) == NEVER
    assert quantile([NEVER] * 1 + [0.5] * 19, 0.95) == 0.5
    assert quantile([NEVER] * 2 + [0.5] * 18, 0.95) == NEVER
    assert math.isnan(quantile([], 0.5))


@pytest.mark.parametrize("share", [0.07, 0.29, 0.5, 0.57, 0.95, 1.0])
@pytest.mark.parametrize("n", [1, 2, 20, 60, 100])
def test_the_smallest_value_with_that_share_at_or_below(share: float, n: int) -> None:
    values = np.random.default_rng(n).permutation(np.arange(1, n + 1))
    # In whole hundredths: 0.07 * 100 is 7.000000000000001 in binary, and 0.57 * 100 is 56.99999999999999.
    expected = -(-round(share * 100) * n // 100)
    assert quantile(values, share) == expected


@exactly
@given(st.lists(st.floats(0.0, 60.0), min_size=1, max_size=50), st.sampled_from([0.1, 0.25, 0.5, 0.9, 0.95]))
def test_equal_to_numpy(values: list[float], share: float) -> None:
    assert quantile(values, share) == np.quantile(values, share, method="inverted_cdf")


def exact_coverage(lower: int, upper: int, n: int, share: float) -> float:
    """Return the chance that order statistics `lower` and `upper` (from 1) enclose the quantile."""
    return sum(math.comb(n, k) * share**k * (1 - share) ** (n - k) for k in range(lower, upper))


# The textbook cases for the median: places of the limits for n values, from the binomial with p = 1/2.
@pytest.mark.parametrize(
    ("n", "places"), [(6, (1, 6)), (8, (1, 8)), (9, (2, 8)), (10, (2, 9)), (20, (6, 15))]
)
def test_places_for_the_median(n: int, places: tuple[int, int]) -> None:
    assert quantile_interval(np.arange(1.0, n + 1.0), 0.5).pair() == places
    assert exact_coverage(*places, n, 0.5) >= 0.95
    assert exact_coverage(places[0] + 1, places[1] - 1, n, 0.5) < 0.95


@exactly
@given(st.integers(1, 400), st.sampled_from([0.05, 0.5, 0.75, 0.95]), st.sampled_from([0.8, 0.9, 0.95]))
def test_limits_enclose_the_point_and_cover(n: int, share: float, confidence: float) -> None:
    values = np.arange(1.0, n + 1.0)
    pair = quantile_interval(values, share, confidence=confidence).pair()
    if pair is None:
        tail = (1 - confidence) / 2
        assert share**n > tail * (1 - 1e-9) or (1 - share) ** n > tail * (1 - 1e-9)
    else:
        assert pair[0] <= quantile(values, share) <= pair[1]
        assert exact_coverage(int(pair[0]), int(pair[1]), n, share) >= confidence - 1e-12


# 0.95^72 <= 0.025 < 0.95^71, and 0.5^6 <= 0.025 < 0.5^5. For one-sided 95 % confidence in the 95th percentile
# 59 values are enough: Wilks (1941), "Determination of sample sizes for setting tolerance limits", Annals of
# Mathematical Statistics 12, 91-96 (citation from memory; 0.95^59 = 0.0485 recomputed).
@pytest.mark.parametrize(
    ("share", "confidence", "enough"), [(0.95, 0.95, 72), (0.5, 0.95, 6), (0.95, 0.9, 59)]
)
def test_too_few_values_allow_no_interval(share: float, confidence: float, enough: int) -> None:
    short = quantile_interval(np.arange(enough - 1), share, confidence=confidence)
    assert short.pair() is None
    assert "too few" in short.method
    assert quantile_interval(np.arange(enough), share, confidence=confidence).pair() is not None
    assert quantile_interval([], share).pair() is None


def test_the_upper_limit_may_be_never() -> None:
    values = [1.0] * 90 + [NEVER] * 10
    assert quantile_interval(values, 0.5).pair() == (1.0, 1.0)
    assert quantile_interval(values, 0.9).pair() == (1.0, NEVER)


def test_what_is_no_quantile_is_refused() -> None:
    with pytest.raises(ValueError, match="NaN"):
        quantile([1.0, float("nan")], 0.5)
    for share in (0.0, 1.01, float("nan")):
        with pytest.raises(ValueError, match="share"):
            quantile([1.0], share)
    with pytest.raises(ValueError, match="share"):
        quantile_interval([1.0], 1.0)
