"""Two sides' changes put together: both wills done, or a question."""

from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from evalkit.edits import Labels
from evalkit.merging import Side, merge_labels
from evalkit.segments import Segment, format_segments, parse_segments
from evalkit.spans import Span

from .test_edits import LENGTH_S, edits

RING, TAP, TOOL = Segment(10, 12, "ring"), Segment(20, 21, "tap"), Segment(30, 40, "tool")
BASE = Labels(LENGTH_S, (RING, TAP, TOOL), (Span(0, 30),))


def test_changes_in_different_places_are_both_made() -> None:
    ours = BASE.relabel(TAP, "other")[0].review(Span(40, 50))
    theirs = BASE.remove(TOOL).add(Segment(1, 2, "ring")).unreview(Span(0, 5))
    merge = merge_labels(BASE, ours, theirs)
    assert merge.agrees
    assert merge.labels.segments == (Segment(1, 2, "ring"), RING, Segment(20, 21, "other"))
    assert merge.labels.reviewed == (Span(5, 30), Span(40, 50))


def test_the_same_change_by_both_is_one_change() -> None:
    both = BASE.trim(RING, end_s=13)[0]
    merge = merge_labels(BASE, both, both)
    assert merge.agrees
    assert merge.labels == both


def test_a_segment_changed_here_and_removed_there_stays_as_changed() -> None:
    ours = BASE.annotate(RING, "the shop's own")[0]
    merge = merge_labels(BASE, ours, BASE.remove(RING))
    assert merge.agrees
    assert Segment(10, 12, "ring", "the shop's own") in merge.labels.segments


def test_two_ends_for_one_segment_are_a_question() -> None:
    ours, theirs = BASE.trim(RING, end_s=13)[0], BASE.trim(RING, end_s=14)[0]
    merge = merge_labels(BASE, ours, theirs)
    assert not merge.agrees
    assert (merge.ours, merge.theirs) == ((Segment(10, 13, "ring"),), (Segment(10, 14, "ring"),))
    assert merge.settled(Side.OURS) == ours
    assert merge.settled(Side.THEIRS) == theirs


def test_two_labels_for_one_segment_are_a_question() -> None:
    merge = merge_labels(BASE, BASE.relabel(TAP, "tool")[0], BASE.relabel(TAP, "other")[0])
    assert merge.ours == (Segment(20, 21, "tool"),)
    assert merge.theirs == (Segment(20, 21, "other"),)
    # Two labels in one place that do not come from one segment are two events.
    apart = merge_labels(BASE, BASE.add(Segment(50, 51, "tool")), BASE.add(Segment(50, 51, "other")))
    assert apart.agrees
    assert len(apart.labels.segments) == 5


def test_what_the_losing_side_took_away_for_its_change_comes_back() -> None:
    # They stretched the ring over the place where we put a new one.
    ours, theirs = BASE.add(Segment(13, 14, "ring")), BASE.trim(RING, end_s=15)[0]
    merge = merge_labels(BASE, ours, theirs)
    assert merge.settled(Side.OURS) == ours
    assert merge.settled(Side.THEIRS) == theirs


@settings(derandomize=True, deadline=None, max_examples=150)
@given(st.data())
def test_merges_are_valid_lose_nothing_and_do_not_ask_without_need(data: st.DataObject) -> None:
    base = Labels(LENGTH_S)
    for _ in range(data.draw(st.integers(0, 8))):
        base = data.draw(edits(base))
    ours = theirs = base
    for _ in range(data.draw(st.integers(0, 6))):
        ours = data.draw(edits(ours))
    for _ in range(data.draw(st.integers(0, 6))):
        theirs = data.draw(edits(theirs))
    only_theirs = merge_labels(base, base, theirs)
    assert only_theirs.agrees
    assert only_theirs.labels.segments == theirs.segments
    assert only_theirs.labels.reviewed == theirs.reviewed
    assert merge_labels(base, ours, base).labels == ours
    assert merge_labels(base, ours, ours).labels == ours
    merge = merge_labels(base, ours, theirs)
    made_by_us, made_by_them = (
        set(ours.segments) - set(base.segments),
        set(theirs.segments) - set(base.segments),
    )
    for side, made in ((Side.OURS, made_by_us), (Side.THEIRS, made_by_them)):
        settled = merge.settled(side)
        assert made <= set(settled.segments)
        table = format_segments(settled.segments)
        assert parse_segments(table, path=Path("x.csv"), duration_s=LENGTH_S) == settled.segments
    if merge.agrees:
        assert made_by_us | made_by_them <= set(merge.labels.segments)
        assert merge.settled(Side.OURS) == merge.labels
    untouched = set(ours.segments) & set(theirs.segments)
    assert untouched <= set(merge.labels.segments)
