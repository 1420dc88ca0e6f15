"""Edits of labels: what they do, what they refuse, and the way back."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evalkit.edits import Change, History, Labels
from evalkit.segments import Segment, format_segments, parse_segments
from evalkit.spans import Span, total_s

LENGTH_S = 60.0
RING, TAP = Segment(10, 12, "ring", "first", "shop"), Segment(11, 11.1, "tap")
LABELS = Labels(LENGTH_S, (RING, TAP), (Span(0, 30),))


class TestEdits:
    """Each edit does one thing, or says why it cannot."""

    def test_add(self) -> None:
        assert LABELS.add(Segment(5, 6, "ring")).segments == (Segment(5, 6, "ring"), RING, TAP)
        # [10, 12) and [12, 13) touch and do not overlap.
        assert Segment(12, 13, "ring") in LABELS.add(Segment(12, 13, "ring")).segments

    @pytest.mark.parametrize(
        ("segment", "reason"),
        [
            (Segment(11.999999, 13, "ring"), r"overlaps ring 10\.000-12\.000 s of the same label"),
            (Segment(9, 10.000001, "ring"), r"overlaps ring 10\.000-12\.000 s"),
            (Segment(10.5, 11.5, "ring"), "overlaps ring"),
            (Segment(9, 13, "tap"), r"overlaps tap 11\.000-11\.100 s"),
            (Segment(60, 61, "tool"), r"60\.000 s is after the recording's end"),
        ],
    )
    def test_add_refused(self, segment: Segment, reason: str) -> None:
        with pytest.raises(ValueError, match=reason):
            LABELS.add(segment)

    def test_what_passes_the_end_is_cut_there(self) -> None:
        assert LABELS.add(Segment(59, 61, "tool")).segments[-1] == Segment(59, 60, "tool")

    def test_trim(self) -> None:
        labels, ring = LABELS.trim(RING, start_s=9.5)
        assert ring == Segment(9.5, 12, "ring", "first", "shop")
        assert labels.segments == (ring, TAP)
        labels, ring = labels.trim(ring, end_s=99)
        assert ring.end_s == LENGTH_S
        with pytest.raises(ValueError, match="a segment must end after it starts"):
            LABELS.trim(RING, start_s=12)
        with pytest.raises(ValueError, match=r"overlaps ring 10\.000"):
            LABELS.add(Segment(20, 21, "ring")).trim(Segment(20, 21, "ring"), start_s=11)

    def test_split_and_join_are_each_other_s_way_back(self) -> None:
        parts, late = LABELS.split(RING, 11.25)
        assert parts.segments == (
            Segment(10, 11.25, "ring", "first", "shop"),
            TAP,
            Segment(11.25, 12, "ring", "first", "shop"),
        )
        assert late == parts.segments[-1]
        joined, ring = parts.join(parts.segments[0])
        assert joined == LABELS
        assert ring == RING

    @pytest.mark.parametrize("at_s", [9.0, 10.0, 12.0, 10.0000004])
    def test_split_refused_at_the_ends_and_outside(self, at_s: float) -> None:
        with pytest.raises(ValueError, match=r"is not inside ring 10\.000-12\.000 s"):
            LABELS.split(RING, at_s)

    def test_join_fills_the_gap_and_keeps_both_notes(self) -> None:
        labels = LABELS.add(Segment(20, 21, "ring", "second"))
        joined, ring = labels.join(RING)
        assert ring == Segment(10, 21, "ring", "first; second", "shop")
        assert joined.segments == (ring, TAP)
        with pytest.raises(ValueError, match="no ring follows"):
            joined.join(ring)
        with pytest.raises(ValueError, match="of different phones, shop and old"):
            LABELS.add(Segment(20, 21, "ring", phone="old")).join(RING)

    def test_relabel_and_annotate(self) -> None:
        labels, tool = LABELS.relabel(TAP, "tool")
        assert tool == Segment(11, 11.1, "tool")
        labels, tool = labels.annotate(tool, "drill")
        assert labels.segments == (RING, Segment(11, 11.1, "tool", "drill"))
        with pytest.raises(ValueError, match="overlaps ring"):
            LABELS.relabel(TAP, "ring")
        with pytest.raises(ValueError, match="the label is empty"):
            LABELS.relabel(TAP, "")
        with pytest.raises(ValueError, match="invisible character"):
            LABELS.annotate(TAP, "a\nb")

    def test_assign(self) -> None:
        labels, ring = LABELS.assign(RING, "old")
        assert ring.phone == "old"
        assert labels.assign(ring, "")[1].phone == ""
        with pytest.raises(ValueError, match="the phone"):
            LABELS.assign(RING, "a/b")

    def test_a_segment_that_is_gone_cannot_be_edited(self) -> None:
        for edit in (LABELS.remove(TAP).remove, LABELS.remove(TAP).join):
            with pytest.raises(ValueError, match=r"tap 11\.000-11\.100 s is not there any more"):
                edit(TAP)

    def test_reviewed_time(self) -> None:
        assert LABELS.review(Span(30, 40)).reviewed == (Span(0, 40),)
        assert LABELS.unreview(Span(5, 6)).reviewed == (Span(0, 5), Span(6, 30))
        # A length that no table can write: the end stays the recording's own.
        odd = Labels(100 / 3)
        assert odd.review(Span(0, 33.333333)).reviewed == (Span(0, 100 / 3),)
        assert odd.review(Span(1, 99)).reviewed == (Span(1, 100 / 3),)
        with pytest.raises(ValueError, match="no time in that span"):
            LABELS.review(Span(60, 61))

    def test_dismissed_proposals_are_told_once(self) -> None:
        assert LABELS.dismiss(Span(3, 4)).dismiss(Span(1, 2)).dismiss(Span(3, 4)).dismissed == (
            Span(1, 2),
            Span(3, 4),
        )


times = st.integers(0, 600).map(lambda tenth: tenth / 10)
spans = st.tuples(times, times).filter(lambda pair: pair[0] != pair[1]).map(lambda p: Span(min(p), max(p)))
names = st.sampled_from(("ring", "tap", "tool", "our own"))


@st.composite
def edits(draw: st.DrawFn, labels: Labels) -> Labels:
    """Return what one edit, any of them, makes of labels; the same labels if it is refused."""
    span = draw(spans)
    kinds = ["add", "review", "unreview", "dismiss"]
    if labels.segments:
        kinds += ["remove", "trim", "split", "join", "relabel", "annotate"]
    kind = draw(st.sampled_from(kinds))
    chosen = draw(st.sampled_from(labels.segments)) if labels.segments else None
    try:
        if kind in ("review", "unreview", "dismiss"):
            return getattr(labels, kind)(span)
        if kind == "add":
            return labels.add(Segment(span.start_s, span.end_s, draw(names)))
        assert chosen is not None
        if kind == "remove":
            return labels.remove(chosen)
        if kind == "trim":
            return labels.trim(chosen, start_s=span.start_s, end_s=draw(st.one_of(st.none(), times)))[0]
        if kind == "split":
            return labels.split(chosen, span.start_s)[0]
        if kind == "join":
            return labels.join(chosen)[0]
        if kind == "relabel":
            return labels.relabel(chosen, draw(names))[0]
        return labels.annotate(chosen, draw(st.text("ab ", max_size=3)))[0]
    except ValueError:
        return labels


@settings(derandomize=True, deadline=None, max_examples=150)
@given(st.data())
def test_whatever_is_done_can_be_written_and_undone_and_done_again(data: st.DataObject) -> None:
    history = History(Labels(LENGTH_S))
    states = [history.labels]
    for _ in range(data.draw(st.integers(1, 25))):
        after = data.draw(edits(history.labels))
        grown = history.do("edit", after)
        assert grown.labels == after
        if grown is not history:
            states.append(after)
        history = grown
        table = format_segments(after.segments)
        assert parse_segments(table, path=Path("x.csv"), duration_s=LENGTH_S) == after.segments
        assert list(after.reviewed) == sorted(after.reviewed)
        assert total_s(after.reviewed) <= LENGTH_S
    for state in reversed(states[:-1]):
        history = history.undo()
        assert history.labels == state
    assert history.undo() is history
    for state in states[1:]:
        history = history.redo()
        assert history.labels == state
    assert history.redo() is history


@settings(derandomize=True, deadline=None, max_examples=100)
@given(st.data())
def test_a_change_leads_there_and_back(data: st.DataObject) -> None:
    before = after = Labels(LENGTH_S)
    for _ in range(data.draw(st.integers(0, 10))):
        before = data.draw(edits(before))
    for _ in range(data.draw(st.integers(0, 10))):
        after = data.draw(edits(after))
    change = Change.between("all", before, after)
    assert change.apply(before) == after
    assert change.reverse().apply(after) == before
    assert change.is_empty == (before == after)


def test_a_new_edit_ends_what_could_be_done_again() -> None:
    history = History(LABELS).do("a", LABELS.remove(TAP)).do("b", LABELS.remove(TAP).remove(RING))
    history = history.undo().undo().do("c", LABELS.dismiss(Span(1, 2)))
    assert [change.what for change in history.changes] == ["c"]
    assert history.redo() is history
    # What changes nothing is no change, and takes nothing away.
    assert history.undo().do("nothing", LABELS).redo().labels == LABELS.dismiss(Span(1, 2))
