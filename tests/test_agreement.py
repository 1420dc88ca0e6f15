"""Cohen's kappa against published examples, the reference library, and hand counts."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.metrics import cohen_kappa_score

from evalkit.agreement import agreement_of, cohen_kappa
from evalkit.day import Day
from evalkit.segments import Segment
from evalkit.spans import Span

from .strategies import LabelledTime, labelled_times


@pytest.mark.parametrize(
    ("table", "kappa"),
    [
        # The textbook example of two readers on 50 grant proposals (from memory; retold widely).
        ([[20, 5], [10, 15]], 0.4),
        # Two studies of 100 that agree on 90, 47 + 43 and 85 + 5, retold second-hand to show how much
        # kappa depends on the shares; the 10 others are split evenly here. By hand: pe = .52^2 + .48^2
        # and .90^2 + .10^2.
        ([[47, 5], [5, 43]], (0.90 - 0.5008) / (1 - 0.5008)),
        ([[85, 5], [5, 5]], (0.90 - 0.82) / (1 - 0.82)),
        # Cohen (1960), table 1, proportions for three categories: po = .29, pc = .35, kappa = -.09
        # (from memory of the paper; the sums were checked).
        ([[0.25, 0.13, 0.12], [0.12, 0.02, 0.16], [0.03, 0.15, 0.02]], (0.29 - 0.35) / (1 - 0.35)),
    ],
)
def test_published_examples(table: list[list[float]], kappa: float) -> None:
    assert cohen_kappa(table) == pytest.approx(kappa, abs=1e-12)


def test_undefined_is_none_never_a_number() -> None:
    assert cohen_kappa(np.zeros((0, 0))) is None
    assert cohen_kappa([[0.0, 0.0], [0.0, 0.0]]) is None
    # Both said the same of everything: agreement, but nothing that chance would not bring.
    assert cohen_kappa([[7.0]]) is None


@settings(derandomize=True, deadline=None, max_examples=200)
@given(st.lists(st.lists(st.integers(0, 30), min_size=3, max_size=3), min_size=3, max_size=3))
def test_the_reference_library_says_the_same(table: list[list[int]]) -> None:
    counts = np.array(table)
    ours = cohen_kappa(counts)
    if ours is None:
        return
    rows, columns = np.indices(counts.shape)
    weights = counts.ravel()
    kept = weights > 0
    reference = cohen_kappa_score(
        rows.ravel()[kept], columns.ravel()[kept], sample_weight=weights[kept], labels=[0, 1, 2]
    )
    assert ours == pytest.approx(reference, abs=1e-12)


ALL = (Span(0.0, 100.0),)


def test_alike_is_one_and_a_relabelled_event_is_counted_as_both() -> None:
    ours = [Segment(10, 20, "ring"), Segment(30, 31, "tap")]
    same = agreement_of(ours, ours, reviewed=ALL, day=Day())
    assert same.by_time == pytest.approx(1)
    assert same.by_event == pytest.approx(1)
    assert (same.matched, same.renamed, same.only_ours, same.only_theirs) == (2, 0, 0, 0)
    other = agreement_of(ours, [Segment(10, 20, "tool")], reviewed=ALL, day=Day())
    assert (other.matched, other.renamed, other.only_ours, other.only_theirs) == (1, 1, 1, 0)


def test_a_cadence_is_one_event_whether_labelled_ring_by_ring_or_whole() -> None:
    rings = [Segment(t, t + 1, "ring") for t in (10, 15, 20)]
    found = agreement_of(rings, [Segment(10, 21, "ring")], reviewed=ALL, day=Day(call_gap_s=5.0))
    assert (found.matched, found.only_ours, found.only_theirs) == (1, 0, 0)
    apart = agreement_of(rings, [Segment(10, 21, "ring")], reviewed=ALL, day=Day(call_gap_s=3.0))
    assert (apart.matched, apart.only_ours) == (1, 2)


def test_only_what_both_reviewed_is_compared() -> None:
    found = agreement_of(
        [Segment(10, 20, "ring"), Segment(50, 60, "tool")],
        [Segment(10, 20, "ring")],
        reviewed=(Span(0, 30), Span(40, 45)),
        day=Day(),
    )
    assert found.seconds == 35
    assert found.by_time == pytest.approx(1)
    assert (found.matched, found.only_ours) == (1, 0)


def test_labels_over_each_other_are_a_category_of_their_own() -> None:
    ours = [Segment(0, 100, "tool"), Segment(20, 30, "ring")]
    theirs = [Segment(0, 100, "tool")]
    found = agreement_of(ours, theirs, reviewed=ALL, day=Day())
    # Theirs has one category only, so that chance explains all agreement.
    assert found.by_time == pytest.approx(0)


@settings(derandomize=True, deadline=None, max_examples=150)
@given(a=labelled_times(seconds=5), b=labelled_times(seconds=5))
def test_against_a_slow_count(a: LabelledTime, b: LabelledTime) -> None:
    """Every centisecond asked one by one, and every pair of events tried."""
    found = agreement_of(a.segments, b.segments, reviewed=a.reviewed, day=a.day)
    instants = [
        k / 100 + 0.005
        for span in a.reviewed
        for k in range(round(100 * span.start_s), round(100 * span.end_s))
    ]

    def category(segments: tuple[Segment, ...], time_s: float) -> str:
        return "+".join(sorted(s.label for s in segments if s.start_s <= time_s < s.end_s))

    ours = [category(a.segments, t) for t in instants]
    theirs = [category(b.segments, t) for t in instants]
    if len(set(ours) | set(theirs)) > 1:
        # Sums of times and counts of centiseconds: the same but for rounding.
        assert found.by_time == pytest.approx(cohen_kappa_score(ours, theirs), abs=1e-9)
    else:
        assert found.by_time is None
    back = agreement_of(b.segments, a.segments, reviewed=a.reviewed, day=a.day)
    assert (back.by_time is None) == (found.by_time is None)
    if found.by_time is not None and back.by_time is not None:
        assert math.isclose(back.by_time, found.by_time, abs_tol=1e-9)
    assert (back.only_ours, back.only_theirs) == (found.only_theirs, found.only_ours)
