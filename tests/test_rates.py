"""Intervals of rates, against published tables and data, scipy, and a slow twin written from the design."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from evalkit.rates import class_rate, daily_rate, exposure_needed, poisson_interval, weighted_rate_interval

exactly = settings(derandomize=True, deadline=None)

# Garwood (1936), "Fiducial limits for the Poisson distribution", Biometrika 28, 437-442: recomputed from the
# chi-square quantiles that define them (rows 0, 1, 3, 5 also in public test suites). Columns: count,
# two-sided 95 % lower and upper, one-sided 95 % lower and upper (two-sided 90 %).
GARWOOD = [
    (0, 0.0, 3.6889, 0.0, 2.9957),
    (1, 0.0253, 5.5716, 0.0513, 4.7439),
    (2, 0.2422, 7.2247, 0.3554, 6.2958),
    (3, 0.6187, 8.7673, 0.8177, 7.7537),
    (4, 1.0899, 10.2416, 1.3663, 9.1535),
    (5, 1.6235, 11.6683, 1.9701, 10.5130),
    (6, 2.2019, 13.0595, 2.6130, 11.8424),
    (7, 2.8144, 14.4227, 3.2853, 13.1481),
    (8, 3.4538, 15.7632, 3.9808, 14.4346),
    (9, 4.1154, 17.0848, 4.6952, 15.7052),
    (10, 4.7954, 18.3904, 5.4254, 16.9622),
]


@pytest.mark.parametrize(("n", "lower", "upper", "lower_one", "upper_one"), GARWOOD)
def test_garwood(n: int, lower: float, upper: float, lower_one: float, upper_one: float) -> None:
    for confidence, expected in ((0.95, (lower, upper)), (0.9, (lower_one, upper_one))):
        limits = poisson_interval(n, 1.0, confidence=confidence).pair()
        assert limits == pytest.approx(expected, abs=5.1e-5)
    # Per hour, from a third of an hour.
    assert poisson_interval(n, 1 / 3).pair() == pytest.approx((3 * lower, 3 * upper), abs=3 * 5.1e-5)


def test_poisson_limits_are_chi_square_quantiles() -> None:
    n = np.arange(1, 200)
    limits = poisson_interval(n, 2.0)
    assert np.allclose(limits.lower, stats.chi2.ppf(0.025, 2 * n) / 4, rtol=1e-10)
    assert np.allclose(limits.upper, stats.chi2.ppf(0.975, 2 * n + 2) / 4, rtol=1e-10)
    assert np.all(limits.lower < n / 2)
    assert np.all(limits.upper > n / 2)


def test_no_exposure_makes_a_rate_unknown() -> None:
    assert poisson_interval(0, 0.0).pair() is None
    assert poisson_interval(3, 0.0).pair() is None
    assert np.isnan(class_rate([1, 0], [0.0, 0.0]).estimate)


# Fay & Feuer (1997), "Confidence intervals for directly standardized rates: a method based on the gamma
# distribution", Statistics in Medicine 16, 791-801: births in Michigan 1950-64 to mothers with five or more
# children. Result as the documentation of two public statistics packages prints it, per 100,000.
MICHIGAN_COUNTS = np.array([0, 8, 63, 112, 262, 295])
MICHIGAN_EXPOSURE = np.array([327, 30666, 123419, 149919, 104088, 34392])
MICHIGAN_STANDARD = np.array([319933, 931318, 786511, 488235, 237863, 61313])


def test_fay_and_feuer_worked_example() -> None:
    shares = MICHIGAN_STANDARD / MICHIGAN_STANDARD.sum()
    limits = weighted_rate_interval(MICHIGAN_COUNTS, 1e5 * shares / MICHIGAN_EXPOSURE)
    assert limits.pair() == pytest.approx((67.70212, 188.30017), abs=5e-6)
    # The same through the daily figure: one session, and a day that brings the standard population.
    rate = daily_rate(MICHIGAN_COUNTS[:, None], MICHIGAN_EXPOSURE[:, None], 1e5 * shares)
    assert rate.estimate == pytest.approx(75.52901, abs=5e-6)
    assert rate.interval.pair() == pytest.approx((67.70212, 188.30017), abs=5e-6)
    assert "one session" in rate.interval.method


def test_one_class_without_variances_is_garwood() -> None:
    counts = np.arange(30)
    gamma, garwood = weighted_rate_interval(counts[:, None], [0.25]), poisson_interval(counts, 4.0)
    assert np.allclose(gamma.lower, garwood.lower, rtol=1e-12)
    assert np.allclose(gamma.upper, garwood.upper, rtol=1e-12)


def test_no_alarm_at_all_is_bounded_by_the_class_least_recorded() -> None:
    rate = daily_rate(np.zeros((2, 3)), [[1.0, 1.0, 2.0], [20.0, 10.0, 10.0]], [2.0, 5.0])
    assert rate.estimate == 0.0
    # Largest of 2 / 4 and 5 / 40 alarms a day for each alarm, times Garwood's 3.6889 for none.
    assert rate.interval.pair() == pytest.approx((0.0, 0.5 * 3.68888), abs=1e-5)


def slow_daily(
    counts: list[list[int]], exposure: list[list[float]], per_day: list[float]
) -> tuple[float, float, float]:
    """Return estimate and limits as the docstring of daily_rate words them, sessions left out one by one."""
    z = stats.norm.ppf(0.975)
    classes, sessions = range(len(counts)), range(len(counts[0]))
    total = [sum(row) for row in counts]
    whole = [sum(row) for row in exposure]
    weights = [per_day[c] / whole[c] for c in classes]

    def rate(c: int, without: int | None = None) -> float:
        keep = [s for s in sessions if s != without]
        covered = sum(exposure[c][s] for s in keep)
        # A class that one session alone has cannot be judged without that session: no change.
        return sum(counts[c][s] for s in keep) / covered if covered > 1e-9 * whole[c] else rate(c)

    def t_squared(shares: list[float]) -> float:
        return float(stats.t.ppf(0.975, max(1 / sum(h * h for h in shares) - 1, 1)) ** 2) / z**2

    by_class = 0.0
    for c in classes:
        shares = [e / whole[c] for e in exposure[c]]
        moves = [(rate(c) - rate(c, s)) * whole[c] for s in sessions]
        off = [counts[c][s] - rate(c) * exposure[c][s] for s in sessions]
        agree = total[c] < 2 or sum(o * m for o, m in zip(off, moves, strict=True)) <= total[c] * (1 + 1e-9)
        between = sum(m * m for m in moves) * t_squared(shares)
        by_class += weights[c] ** 2 * (total[c] if agree else max(total[c], between))

    estimate = sum(per_day[c] * rate(c) for c in classes)
    variance = by_class
    if sum(total) >= 2:
        moves = [estimate - sum(per_day[c] * rate(c, s) for c in classes) for s in sessions]
        off = [sum(weights[c] * (counts[c][s] - rate(c) * exposure[c][s]) for c in classes) for s in sessions]
        poisson = sum(weights[c] ** 2 * total[c] for c in classes)
        if sum(o * m for o, m in zip(off, moves, strict=True)) > poisson * (1 + 1e-9):
            expected = [
                sum(per_day[c] * rate(c) * exposure[c][s] / whole[c] for c in classes) for s in sessions
            ]
            shares = [x / estimate for x in expected]
            variance = max(variance, sum(m * m for m in moves) * t_squared(shares))

    largest = max(weights)
    lower = 0.0
    if estimate > 0:
        lower = stats.gamma.ppf(0.025, estimate**2 / variance, scale=variance / estimate)
    shape = max((estimate + largest) ** 2 / (variance + largest**2), widest_shape())
    upper = stats.gamma.ppf(0.975, shape, scale=(estimate + largest) / shape)
    return estimate, float(lower), float(upper)


def widest_shape() -> float:
    """Return the shape at which a gamma of mean 1 has its highest 97.5 % quantile, by a plain search."""
    shapes = np.geomspace(0.02, 0.08, 4001)
    return float(shapes[np.argmax(stats.gamma.ppf(0.975, shapes, scale=1 / shapes))])


@pytest.mark.parametrize("seed", range(40))
def test_daily_rate_equals_its_slow_twin(seed: int) -> None:
    rng = np.random.default_rng(seed)
    classes, sessions = int(rng.integers(1, 5)), int(rng.integers(2, 9))
    exposure = rng.gamma(1.0, 1.0, (classes, sessions)) * (rng.random((classes, sessions)) < 0.7)
    exposure[:, 0] += 0.1
    counts = rng.poisson(exposure * rng.gamma(1.0, rng.choice([0.3, 2.0, 8.0]), (classes, sessions)))
    per_day = rng.gamma(1.0, 2.0, classes)
    rate = daily_rate(counts, exposure, per_day)
    estimate, lower, upper = slow_daily(counts.tolist(), exposure.tolist(), per_day.tolist())
    assert rate.estimate == pytest.approx(estimate, rel=1e-12)
    assert rate.interval.lower == pytest.approx(lower, rel=1e-6, abs=1e-12)
    assert rate.interval.upper == pytest.approx(upper, rel=1e-6)


def test_sessions_that_agree_give_garwood_and_others_do_not() -> None:
    even = class_rate([2, 2, 2, 2], [1.0, 1.0, 1.0, 1.0])
    assert even.interval.method.startswith("Garwood")
    assert even.interval.pair() == pytest.approx(poisson_interval(8, 4.0).pair())
    uneven = class_rate([8, 0, 0, 0], [1.0, 1.0, 1.0, 1.0])
    assert uneven.estimate == even.estimate
    assert "Fay" in uneven.interval.method
    assert uneven.interval.lower < even.interval.lower
    assert uneven.interval.upper > 1.5 * even.interval.upper


@exactly
@given(st.lists(st.floats(0.1, 9.0), min_size=2, max_size=8), st.data())
def test_one_alarm_cannot_disagree_with_itself(exposure: list[float], data: st.DataObject) -> None:
    counts = [0] * len(exposure)
    counts[data.draw(st.integers(0, len(exposure) - 1))] = 1
    limits = class_rate(counts, exposure).interval
    assert limits.pair() == pytest.approx(poisson_interval(1, sum(exposure)).pair(), rel=1e-9)


def test_a_session_bad_for_all_classes_widens_the_day() -> None:
    together = daily_rate([[6, 0, 0, 0]] * 3, np.ones((3, 4)), np.ones(3))
    apart = daily_rate([[6, 0, 0, 0], [0, 6, 0, 0], [0, 0, 6, 0]], np.ones((3, 4)), np.ones(3))
    assert together.estimate == apart.estimate
    assert together.interval.upper > 1.2 * apart.interval.upper


def test_a_class_that_the_day_brings_and_nothing_covers_makes_the_day_unknown() -> None:
    exposure = np.array([[1.0, 1.0], [0.0, 0.0]])
    unknown = daily_rate(np.zeros((5, 4, 2, 2)), exposure, [1.0, 3.0])
    assert unknown.estimate.shape == (5, 4)
    assert np.all(np.isnan(unknown.estimate))
    assert np.all(np.isnan(unknown.interval.upper))
    assert "unknown" in unknown.interval.method
    known = daily_rate(np.zeros((5, 4, 2, 2)), exposure, [1.0, 0.0])
    assert np.all(known.estimate == 0.0)
    assert known.interval.upper == pytest.approx(np.full((5, 4), 3.68888 / 2), abs=1e-5)


def test_a_class_heard_in_one_session_only_is_named() -> None:
    rate = daily_rate([[1, 1, 1], [0, 2, 0]], [[1.0, 1.0, 1.0], [0.0, 2.0, 0.0]], [1.0, 1.0])
    assert "1 of 2 classes recorded in one session only" in rate.interval.method


def test_the_plane_at_once_equals_one_setting_at_a_time() -> None:
    rng = np.random.default_rng(7)
    counts = rng.poisson(rng.gamma(1.0, 2.0, (6, 5, 3, 4)))
    exposure, per_day = rng.gamma(2.0, 1.0, (3, 4)), np.array([0.5, 2.0, 9.0])
    plane = daily_rate(counts, exposure, per_day)
    for i, j in itertools.product(range(6), range(5)):
        one = daily_rate(counts[i, j], exposure, per_day)
        assert one.estimate == plane.estimate[i, j]
        assert one.interval.lower == plane.interval.lower[i, j]
        assert one.interval.upper == plane.interval.upper[i, j]


@exactly
@given(
    st.lists(st.integers(0, 40), min_size=1, max_size=6),
    st.lists(st.floats(0.01, 50.0), min_size=6, max_size=6),
    st.lists(st.floats(1.0, 1e6), min_size=6, max_size=6),
)
def test_gamma_limits_hold_the_estimate_and_widen_with_the_variance(
    counts: list[int], weights: list[float], inflation: list[float]
) -> None:
    x, w = np.array(counts, dtype=float), np.array(weights[: len(counts)])
    poisson = weighted_rate_interval(x, w)
    wider = weighted_rate_interval(x, w, variances=x * inflation[: len(counts)])
    assert poisson.lower <= np.sum(w * x) <= poisson.upper
    assert wider.lower <= poisson.lower * (1 + 1e-9)
    assert wider.upper >= poisson.upper * (1 - 1e-9)


@pytest.mark.parametrize(
    ("counts", "exposure", "per_day", "name"),
    [
        ([[-1, 0]], [[1.0, 1.0]], [1.0], "counts"),
        ([[1, 0]], [[1.0, np.nan]], [1.0], "exposure"),
        ([[1, 0]], [[1.0, 1.0]], [-2.0], "per_day"),
        ([[np.inf, 0]], [[1.0, 1.0]], [1.0], "counts"),
    ],
)
def test_impossible_values_are_refused(
    counts: list[list[float]], exposure: list[list[float]], per_day: list[float], name: str
) -> None:
    with pytest.raises(ValueError, match=name):
        daily_rate(counts, exposure, per_day)


def test_exposure_needed() -> None:
    # Hours without an alarm to show under 0.2 a day: 3.68888 / 0.2 days of it.
    assert exposure_needed(0.2) == pytest.approx(18.4444, abs=1e-4)
    for k in range(5):
        hours = exposure_needed(1.5, count=k)
        assert poisson_interval(k, hours).upper == pytest.approx(1.5, rel=1e-12)
    with pytest.raises(ValueError, match="upper_limit"):
        exposure_needed(0.0)
