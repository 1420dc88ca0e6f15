"""ROC points, AUC and its intervals, against published examples, scikit-learn, scipy and pair counting."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from sklearn import metrics

from evalkit.proportions import clean_effective_trials, exact_interval
from evalkit.roc import Auc, Scores, auc, auc_difference, free_response, roc_curve

exactly = settings(derandomize=True, deadline=None)
NONE = np.empty(0)

# T. Fawcett (2006), "An introduction to ROC analysis", Pattern Recognition Letters 27, 861-874, Fig. 3: 20
# instances in falling order of score, with the point that each adds.
FAWCETT_CLASSES = "ppnpppnnpnpnpnnnpnpn"
# fmt: off
FAWCETT_SCORES = [
    0.90, 0.80, 0.70, 0.60, 0.55, 0.54, 0.53, 0.52, 0.51, 0.505,
    0.40, 0.39, 0.38, 0.37, 0.36, 0.35, 0.34, 0.33, 0.30, 0.10,
]
FAWCETT_FALSE = [
    0.0,
    0.0, 0.0, 0.1, 0.1, 0.1, 0.1, 0.2, 0.3, 0.3, 0.4,
    0.4, 0.5, 0.5, 0.6, 0.7, 0.8, 0.8, 0.9, 0.9, 1.0,
]
FAWCETT_TRUE = [
    0.0,
    0.1, 0.2, 0.2, 0.3, 0.4, 0.5, 0.5, 0.5, 0.6, 0.6,
    0.7, 0.7, 0.8, 0.8, 0.8, 0.8, 0.9, 0.9, 1.0, 1.0,
]
# fmt: on

# J.A. Hanley, B.J. McNeil (1982), "The meaning and use of the area under a receiver operating characteristic
# (ROC) curve", Radiology 143, 29-36, Table I: ratings 1 to 5 of CT images.
HANLEY_NORMAL = [33, 6, 6, 11, 2]
HANLEY_ABNORMAL = [3, 2, 2, 11, 33]

# DeLong, DeLong & Clarke-Pearson (1988), Biometrics 44, 837-845: the 43 complete records as the SAS/STAT
# User's Guide (procedure LOGISTIC, "Comparing Receiver Operating Characteristic Curves") reprints them:
# albumin, total protein, K-G score, outcome (0 = event).
OVARIAN_RECORDS = """
3.0 5.8 10 0  3.2 6.3 5 1  3.9 6.8 3 1  2.8 4.8 6 0  3.2 5.8 3 1  0.9 4.0 5 0
2.5 5.7 8 0   1.6 5.6 5 1  3.8 5.7 5 1  3.7 6.7 6 1  3.2 5.4 4 1  3.8 6.6 6 1
4.1 6.6 5 1   3.6 5.7 5 1  4.3 7.0 4 1  3.6 6.7 4 0  2.3 4.4 6 1  4.2 7.6 4 0
4.0 6.6 6 0   3.5 5.8 6 1  3.8 6.8 7 1  3.0 4.7 8 0  4.5 7.4 5 1  3.7 7.4 5 1
3.1 6.6 6 1   4.1 8.2 6 1  4.3 7.0 5 1  4.3 6.5 4 1  3.2 5.1 5 1  2.6 4.7 6 1
3.3 6.8 6 0   1.7 4.0 7 0  3.7 6.1 5 1  3.3 6.3 7 1  4.2 7.7 6 1  3.5 6.2 5 1
2.9 5.7 9 0   2.1 4.8 7 1  2.8 6.2 8 0  4.0 7.0 7 1  3.3 5.7 6 1  3.7 6.9 5 1
3.6 6.6 5 1
"""
OVARIAN = np.array(OVARIAN_RECORDS.split(), dtype=np.float64).reshape(-1, 4)


def fawcett() -> Scores:
    is_call = np.array([c == "p" for c in FAWCETT_CLASSES])
    scores = np.array(FAWCETT_SCORES)
    return Scores(scores[is_call], scores[~is_call])


def hanley() -> Scores:
    ratings = np.arange(1.0, 6.0)
    return Scores(np.repeat(ratings, HANLEY_ABNORMAL), np.repeat(ratings, HANLEY_NORMAL))


def ovarian(name: str) -> Scores:
    column = {"albumin": -OVARIAN[:, 0], "protein": -OVARIAN[:, 1], "K-G": OVARIAN[:, 2]}[name]
    event = OVARIAN[:, 3] == 0
    return Scores(column[event], column[~event])


def standard_error(result: Auc) -> float:
    return float(np.sqrt(result.variance))


def test_fawcett_points_and_area() -> None:
    curve = roc_curve(fawcett())
    assert curve.false_positive_rate == pytest.approx(FAWCETT_FALSE)
    assert curve.true_positive_rate == pytest.approx(FAWCETT_TRUE)
    assert curve.threshold.tolist() == [np.inf, *FAWCETT_SCORES]
    # 10 of each class: accuracy is the mean of the true rate and one less the false rate; 70 % best, at 0.54.
    accuracy = (curve.true_positive_rate + 1.0 - curve.false_positive_rate) / 2.0
    assert accuracy.max() == pytest.approx(0.70)
    assert curve.threshold[np.argmax(accuracy)] == 0.54
    area = auc(fawcett())
    assert area.estimate == 0.68  # 68 of 100 pairs in order: recomputed
    assert standard_error(area) == pytest.approx(0.127017, abs=5e-7)  # DeLong's, recomputed


def test_hanley_and_mcneil() -> None:
    curve = roc_curve(hanley())
    assert curve.false_positive_rate.round(4).tolist() == [0.0, 0.0345, 0.2241, 0.3276, 0.4310, 1.0]
    assert curve.true_positive_rate.round(4).tolist() == [0.0, 0.6471, 0.8627, 0.9020, 0.9412, 1.0]
    assert curve.threshold.tolist() == [np.inf, 5.0, 4.0, 3.0, 2.0, 1.0]
    area = auc(hanley())
    assert round(area.estimate, 3) == 0.893  # as printed
    assert area.estimate == 2642 / 2958
    assert standard_error(area) == pytest.approx(0.030724, abs=5e-7)  # DeLong's, recomputed
    # The paper's own standard error, from Q1 and Q2 counted in the table, is another estimate of the same.
    a, calls, others = area.estimate, np.array(HANLEY_ABNORMAL), np.array(HANLEY_NORMAL)
    above, below = calls[::-1].cumsum()[::-1] - calls, others.cumsum() - others
    q1 = np.sum(others * (above**2 + above * calls + calls**2 / 3)) / (others.sum() * calls.sum() ** 2)
    q2 = np.sum(calls * (below**2 + below * others + others**2 / 3)) / (calls.sum() * others.sum() ** 2)
    theirs = np.sqrt((a * (1 - a) + 50 * (q1 - a * a) + 57 * (q2 - a * a)) / (51 * 58))
    assert theirs == pytest.approx(0.03199, abs=5e-6)
    assert standard_error(area) == pytest.approx(theirs, rel=0.05)


@pytest.mark.parametrize(
    ("name", "area", "error"),
    [("albumin", 0.736559, 0.092694), ("K-G", 0.725806, 0.102822), ("protein", 0.647849, 0.100047)],
)
def test_delong_areas(name: str, area: float, error: float) -> None:
    result = auc(ovarian(name))
    assert result.estimate == pytest.approx(area, abs=5e-7)
    assert standard_error(result) == pytest.approx(error, abs=5e-7)


@pytest.mark.parametrize(
    ("first", "difference", "error", "chi_square", "p"),
    [("albumin", 0.010753, 0.095344, 0.0127, 0.9102), ("protein", -0.077957, 0.104610, 0.5554, 0.4561)],
)
def test_delong_paired_differences(
    first: str, difference: float, error: float, chi_square: float, p: float
) -> None:
    result = auc_difference(ovarian(first), ovarian("K-G"))
    assert result.estimate == pytest.approx(difference, abs=5e-7)
    assert result.standard_error == pytest.approx(error, abs=5e-7)
    assert (result.estimate / result.standard_error) ** 2 == pytest.approx(chi_square, abs=5e-5)
    assert result.p_value == pytest.approx(p, abs=5e-5)
    half = stats.norm.ppf(0.975) * error
    assert result.interval.pair() == pytest.approx((difference - half, difference + half), abs=2e-6)


def pairs_in_order(positives: np.ndarray, negatives: np.ndarray) -> np.ndarray:
    """Return psi of every pair: 1 in order, 1/2 tied, 0 out of order."""
    return (positives[:, None] > negatives) + 0.5 * (positives[:, None] == negatives)


def slow_delong(psi: np.ndarray) -> float:
    m, n = psi.shape
    return float(np.var(psi.mean(axis=1), ddof=1) / m + np.var(psi.mean(axis=0), ddof=1) / n)


def slow_obuchowski(psi: np.ndarray, calls_in: np.ndarray, nuisances_in: np.ndarray) -> float:
    """Return the variance of Obuchowski (1997), cluster by cluster."""
    m, n = psi.shape
    area, of_calls, of_nuisances = psi.mean(), psi.mean(axis=1), psi.mean(axis=0)
    clusters = sorted(set(calls_in) | set(nuisances_in))
    i10, i01, i = len(set(calls_in)), len(set(nuisances_in)), len(clusters)
    s10 = s01 = s11 = 0.0
    for k in clusters:
        here_c, here_n = of_calls[calls_in == k], of_nuisances[nuisances_in == k]
        v10, v01 = here_c.sum() - here_c.size * area, here_n.sum() - here_n.size * area
        s10 += v10**2 * i10 / ((i10 - 1) * m)
        s01 += v01**2 * i01 / ((i01 - 1) * n)
        s11 += v10 * v01 * i / (i - 1)
    return float(s10 / m + s01 / n + 2 * s11 / (m * n))


scores_with_ties = st.lists(
    st.one_of(st.integers(-3, 3).map(float), st.just(-np.inf)), min_size=2, max_size=25
).map(np.array)


@exactly
@given(scores_with_ties, scores_with_ties)
def test_area_and_curve_by_counting_pairs_and_by_scikit_learn(pos: np.ndarray, neg: np.ndarray) -> None:
    scores, psi = Scores(pos, neg), pairs_in_order(pos, neg)
    result, curve = auc(scores), roc_curve(scores)
    assert result.estimate == pytest.approx(psi.mean(), abs=1e-15)
    assert result.variance == pytest.approx(slow_delong(psi), rel=1e-9, abs=1e-16)
    # scikit-learn refuses -inf; a finite score below all others orders the segments alike.
    finite = np.maximum(np.concatenate([pos, neg]), -9.0)
    is_call = np.repeat([1, 0], [pos.size, neg.size])
    assert result.estimate == pytest.approx(metrics.roc_auc_score(is_call, finite), abs=1e-12)
    false_rate, true_rate, threshold = metrics.roc_curve(is_call, finite, drop_intermediate=False)
    assert np.array_equal(curve.false_positive_rate, false_rate)
    assert np.array_equal(curve.true_positive_rate, true_rate)
    assert np.array_equal(np.maximum(curve.threshold, -9.0), threshold)
    # Its own area is the same.
    assert metrics.auc(curve.false_positive_rate, curve.true_positive_rate) == pytest.approx(result.estimate)


@exactly
@given(scores_with_ties, scores_with_ties)
def test_curve_rises_from_corner_to_corner_and_counts_at_or_above(pos: np.ndarray, neg: np.ndarray) -> None:
    curve = roc_curve(Scores(pos, neg))
    assert (curve.false_positive_rate[0], curve.true_positive_rate[0]) == (0.0, 0.0)
    assert (curve.false_positive_rate[-1], curve.true_positive_rate[-1]) == (1.0, 1.0)
    assert np.all(np.diff(curve.false_positive_rate) >= 0.0)
    assert np.all(np.diff(curve.true_positive_rate) >= 0.0)
    assert np.all(curve.threshold[:-1] > curve.threshold[1:])
    for i, threshold in enumerate(curve.threshold):
        assert curve.true_positive_rate[i] == pytest.approx(np.mean(pos >= threshold))
        assert curve.false_positive_rate[i] == pytest.approx(np.mean(neg >= threshold))


@exactly
@given(scores_with_ties, scores_with_ties)
def test_only_the_order_of_scores_counts(pos: np.ndarray, neg: np.ndarray) -> None:
    # Small whole numbers: the cube is strictly increasing and exact, and keeps -inf.
    plain, cubed = auc(Scores(pos, neg)), auc(Scores(pos**3, neg**3))
    assert plain.estimate == cubed.estimate
    assert plain.variance == cubed.variance
    assert plain.interval.lower == pytest.approx(cubed.interval.lower, nan_ok=True)
    mirrored = auc(Scores(neg, pos))
    assert mirrored.estimate == pytest.approx(1.0 - plain.estimate)
    assert mirrored.variance == pytest.approx(plain.variance, rel=1e-9, abs=1e-16)


@exactly
@given(scores_with_ties, scores_with_ties)
def test_interval_holds_the_estimate(pos: np.ndarray, neg: np.ndarray) -> None:
    sessions = Scores(pos, neg, np.arange(pos.size) % 3, np.arange(neg.size) % 4)
    for scores in (Scores(pos, neg), sessions):
        result = auc(scores)
        assert 0.0 <= result.interval.lower <= result.estimate + 1e-12
        assert result.estimate - 1e-12 <= result.interval.upper <= 1.0


def clustered_scores(seed: int, sessions: int = 6) -> Scores:
    rng = np.random.default_rng(seed)
    calls_in, nuisances_in = rng.integers(0, sessions, 40), rng.integers(0, sessions, 70)
    shift = rng.normal(0.0, 1.0, (2, sessions))
    calls = np.round(1.0 + shift[0, calls_in] + rng.normal(0.0, 1.0, 40), 1)
    nuisances = np.round(shift[1, nuisances_in] + rng.normal(0.0, 1.0, 70), 1)
    return Scores(calls, nuisances, calls_in, nuisances_in)


@pytest.mark.parametrize("seed", range(20))
def test_clustered_variance_equals_its_slow_twin(seed: int) -> None:
    scores = clustered_scores(seed)
    assert scores.positive_sessions is not None
    assert scores.negative_sessions is not None
    psi = pairs_in_order(scores.positives, scores.negatives)
    twin = slow_obuchowski(psi, scores.positive_sessions, scores.negative_sessions)
    result = auc(scores)
    assert result.variance == pytest.approx(max(twin, slow_delong(psi)), rel=1e-9)
    assert "Obuchowski" in result.interval.method
    # Symmetric on the logit, with t of the sessions less one.
    half = stats.t.ppf(0.975, 5) * np.sqrt(result.variance) / (result.estimate * (1 - result.estimate))
    centre = np.log(result.estimate / (1 - result.estimate))
    assert result.interval.pair() == pytest.approx(
        (1 / (1 + np.exp(half - centre)), 1 / (1 + np.exp(-half - centre))), rel=1e-9
    )


def test_one_segment_a_session_is_delong() -> None:
    plain = hanley()
    apart = Scores(plain.positives, plain.negatives, np.arange(51), np.arange(51, 109))
    # Clusters of one: Obuchowski's variance is DeLong's.
    assert auc(apart).variance == pytest.approx(auc(plain).variance, rel=1e-12)


@pytest.mark.parametrize("seed", range(10))
def test_clustered_difference(seed: int) -> None:
    first = clustered_scores(seed)
    assert first.positive_sessions is not None
    assert first.negative_sessions is not None
    rng = np.random.default_rng(100 + seed)
    second = Scores(
        first.positives + np.round(rng.normal(0.0, 1.0, 40), 1),
        first.negatives + np.round(rng.normal(0.0, 1.0, 70), 1),
        first.positive_sessions,
        first.negative_sessions,
    )
    psi = pairs_in_order(first.positives, first.negatives) - pairs_in_order(
        second.positives, second.negatives
    )
    twin = slow_obuchowski(psi, first.positive_sessions, first.negative_sessions)
    result = auc_difference(first, second)
    assert result.estimate == pytest.approx(psi.mean(), abs=1e-12)
    assert result.standard_error**2 == pytest.approx(max(twin, slow_delong(psi)), rel=1e-9)
    expected = 2 * stats.t.sf(abs(result.estimate) / result.standard_error, 5)
    assert result.p_value == pytest.approx(expected, rel=1e-9)
    swapped = auc_difference(second, first)
    assert swapped.estimate == pytest.approx(-result.estimate)
    assert swapped.p_value == pytest.approx(result.p_value)


def test_near_perfect_areas_get_the_exact_interval_of_the_smaller_class() -> None:
    perfect = auc(Scores(np.arange(10.0) + 50, np.arange(40.0)))
    assert perfect.estimate == 1.0
    assert perfect.interval.pair() == pytest.approx((0.025**0.1, 1.0))
    assert "Clopper-Pearson" in perfect.interval.method
    nearly = auc(Scores(np.append(np.arange(9.0) + 50, 30.5), np.arange(40.0)))
    assert nearly.estimate == pytest.approx(1 - 9 / 400)
    assert nearly.interval.pair() == pytest.approx(exact_interval(10 * (1 - 9 / 400), 10).pair())
    worst = auc(Scores(np.arange(40.0), np.arange(10.0) + 50))
    assert worst.interval.pair() == pytest.approx((0.0, 1 - 0.025**0.1))
    # With sessions, the smaller class counts for fewer.
    together = auc(Scores(np.arange(10.0) + 50, np.arange(40.0), np.arange(10) // 5, np.arange(40) // 5))
    effective = float(clean_effective_trials([5, 5]))
    assert together.interval.pair() == pytest.approx((0.025 ** (1 / effective), 1.0))


def test_all_scores_alike_is_no_certainty() -> None:
    result = auc(Scores(np.zeros(5), np.zeros(9)))
    assert result.estimate == 0.5
    assert result.variance == 0.0
    assert result.interval.pair() == pytest.approx(exact_interval(2.5, 5).pair())


def test_degenerate_input_gives_no_plausible_number() -> None:
    for scores in (Scores(NONE, np.arange(3.0)), Scores(np.arange(3.0), NONE), Scores(NONE, NONE)):
        result = auc(scores)
        assert np.isnan(result.estimate)
        assert result.interval.pair() is None
        assert roc_curve(scores).threshold.size == 0
        difference = auc_difference(scores, scores)
        assert np.isnan(difference.estimate)
        assert np.isnan(difference.p_value)
    lonely = auc(Scores(np.array([2.5]), np.arange(5.0)))
    assert lonely.estimate == 0.6
    assert np.isnan(lonely.variance)
    assert lonely.interval.pair() is None
    alike = auc_difference(hanley(), hanley())
    assert (alike.estimate, alike.standard_error) == (0.0, 0.0)
    assert np.isnan(alike.p_value)
    assert alike.interval.pair() is None


def test_a_class_in_one_session_only_is_taken_as_independent_and_said_so() -> None:
    plain = fawcett()
    one = auc(Scores(plain.positives, plain.negatives, np.zeros(10, int), np.arange(10)))
    assert "independent" in one.interval.method
    assert one.variance == auc(plain).variance


def test_scores_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match="NaN"):
        Scores(np.array([1.0, np.nan]), np.array([0.0]))
    with pytest.raises(ValueError, match="or for neither"):
        Scores(np.arange(2.0), np.arange(2.0), np.arange(2))
    with pytest.raises(ValueError, match="negative_sessions"):
        Scores(np.arange(2.0), np.arange(2.0), np.arange(2), np.arange(3))
    with pytest.raises(ValueError, match="same segments"):
        auc_difference(Scores(np.arange(2.0), np.arange(2.0)), Scores(np.arange(3.0), np.arange(2.0)))
    with pytest.raises(ValueError, match="same sessions"):
        auc_difference(
            Scores(np.arange(2.0), np.arange(2.0), np.array([0, 1]), np.array([0, 1])),
            Scores(np.arange(2.0), np.arange(2.0), np.array([0, 1]), np.array([1, 0])),
        )


def test_free_response_is_the_upper_left_staircase() -> None:
    caught = np.array([[0.5, 0.8, 0.8], [0.9, 0.95, 0.9], [np.nan, 1.0, 0.2]])
    alarms = np.array([[0.0, 0.1, 0.3], [2.0, 2.0, 1.0], [0.0, np.nan, 0.0]])
    steps = free_response(caught, alarms)
    assert steps.false_alarms_per_day.tolist() == [0.0, 0.1, 1.0, 2.0]
    assert steps.calls_caught.tolist() == [0.5, 0.8, 0.9, 0.95]
    assert steps.setting.tolist() == [0, 1, 5, 4]
    kept = free_response(caught, alarms, keep=alarms != 0.1)
    assert kept.setting.tolist() == [0, 2, 5, 4]
    assert free_response(caught, alarms, keep=np.zeros((3, 3), bool)).setting.size == 0
    with pytest.raises(ValueError, match="same"):
        free_response(caught, alarms[:2])


@exactly
@given(st.lists(st.tuples(st.integers(0, 6), st.integers(0, 6)), min_size=1, max_size=40))
def test_free_response_keeps_exactly_what_nothing_beats(plane: list[tuple[int, int]]) -> None:
    caught, alarms = np.array(plane, dtype=float).T
    steps = free_response(caught / 6, alarms)
    unbeaten = {
        (a, c / 6) for c, a in plane if not any((x >= c and b <= a) and (x > c or b < a) for x, b in plane)
    }
    assert list(zip(steps.false_alarms_per_day, steps.calls_caught, strict=True)) == sorted(unbeaten)
    for place, c, a in zip(steps.setting, steps.calls_caught, steps.false_alarms_per_day, strict=True):
        assert (caught[place] / 6, alarms[place]) == (c, a)
        assert place == plane.index((int(caught[place]), int(a)))
