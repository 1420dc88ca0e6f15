"""Paired comparisons, against scipy's sign test, all flips of sign one by one, and Holm's rule by hand."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from evalkit.paired import holm_adjust, mcnemar_p, session_flip_p

exactly = settings(derandomize=True, deadline=None)


@exactly
@given(st.integers(0, 60), st.integers(0, 60))
def test_mcnemar_is_the_sign_test(first: int, second: int) -> None:
    expected = stats.binomtest(first, first + second, 0.5).pvalue if first + second else 1.0
    assert mcnemar_p(first, second) == pytest.approx(expected, rel=1e-9)


def all_flips(differences: list[int]) -> float:
    """Return the share of all choices of signs whose total is at least as large."""
    totals = [
        abs(sum(sign * d for sign, d in zip(signs, differences, strict=True)))
        for signs in itertools.product((-1, 1), repeat=len(differences))
    ]
    return sum(total >= abs(sum(differences)) for total in totals) / len(totals)


@exactly
@given(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9)), min_size=1, max_size=9))
def test_flips_of_sessions_one_by_one(pairs: list[tuple[int, int]]) -> None:
    first, second = zip(*pairs, strict=True)
    p = session_flip_p(first, second)
    assert p == pytest.approx(all_flips([a - b for a, b in pairs]), rel=1e-12)
    assert session_flip_p(second, first) == p


@exactly
@given(st.integers(0, 30), st.integers(0, 30))
def test_one_discordant_call_a_session_is_mcnemar(first: int, second: int) -> None:
    by_session = np.array([1] * first + [0] * second + [0, 0])
    assert session_flip_p(by_session, np.array([0] * first + [1] * second + [0, 0])) == pytest.approx(
        mcnemar_p(first, second), rel=1e-9
    )


def test_few_sessions_cannot_show_much() -> None:
    assert mcnemar_p(50, 0) < 1e-14
    assert session_flip_p([10] * 5, [0] * 5) == 2 / 2**5
    assert session_flip_p([10] * 6, [0] * 6) == 2 / 2**6
    assert session_flip_p([3, 3], [3, 3]) == 1.0
    assert session_flip_p([], []) == 1.0


def test_impossible_counts_are_refused() -> None:
    with pytest.raises(ValueError, match="negative"):
        mcnemar_p(-1, 3)
    for wrong in ([-1.0, 2.0], [0.5, 1.0], [float("nan"), 1.0]):
        with pytest.raises(ValueError, match="whole"):
            session_flip_p(wrong, [0, 0])


def test_holm_by_hand() -> None:
    # 4 x 0.005; 3 x 0.01; 2 x 0.03; then 1 x 0.04, which may not fall below the one before it.
    assert holm_adjust([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm_adjust([0.9, 0.6]) == pytest.approx([1.0, 1.0])
    assert holm_adjust([]).size == 0


@exactly
@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=12), st.floats(0.001, 0.3))
def test_holm_rejects_what_stepping_down_rejects(p_values: list[float], level: float) -> None:
    rejected: set[int] = set()
    for i in sorted(range(len(p_values)), key=lambda i: p_values[i]):
        if p_values[i] * (len(p_values) - len(rejected)) > level:
            break
        rejected.add(i)
    assert set(np.flatnonzero(holm_adjust(p_values) <= level).tolist()) == rejected


def test_holm_refuses_what_is_no_probability() -> None:
    for wrong in ([1.2], [-0.1], [float("nan")]):
        with pytest.raises(ValueError, match="between 0 and 1"):
            holm_adjust(wrong)
