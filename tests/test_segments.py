"""Segments, label tables and calls."""

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evalkit.errors import FileFault
from evalkit.segments import Call, Segment, format_segments, join_calls, parse_segments, read_segments
from evalkit.spans import ALL_TIME, Span

TABLE = Path("labels/bench.csv")
HEADER = "start_s,end_s,label,note\n"


def parse(text: str, duration_s: float = 60.0) -> tuple[Segment, ...]:
    return parse_segments(text, path=TABLE, duration_s=duration_s)


class TestSegment:
    """Values are checked where they are made."""

    def test_times_have_the_resolution_of_a_table(self) -> None:
        assert Segment(1.23456749, 2.00000051, "tap") == Segment(1.234567, 2.000001, "tap")
        assert math.copysign(1, Segment(-0.0, 1, "tap").start_s) == 1

    @pytest.mark.parametrize(
        ("start_s", "end_s", "reason"),
        [
            (math.nan, 1, "start_s=nan is not a finite time"),
            (0, math.inf, "end_s=inf is not a finite time"),
            (-0.1, 1, "start_s=-0.100000 is before the start"),
            (2, 1, "end_s=1.000000 is not after start_s=2.000000"),
            (1, 1 + 4e-7, "end_s=1.000000 is not after"),
        ],
    )
    def test_wrong_times(self, start_s: float, end_s: float, reason: str) -> None:
        with pytest.raises(ValueError, match=reason):
            Segment(start_s, end_s, "tap")

    @pytest.mark.parametrize(
        "label",
        ["", " tap", "tap ", "a/b", "a\\b", "CON", "com1.x", ".tap", "tap.", "a\nb", "a\x1b[2J", "x" * 101],
    )
    def test_wrong_labels(self, label: str) -> None:
        with pytest.raises(ValueError, match="the label"):
            Segment(0, 1, label)

    @pytest.mark.parametrize("note", ["two\nlines", "\u202eright to left", "nul\0", "x" * 501, "\ud800"])
    def test_wrong_notes(self, note: str) -> None:
        with pytest.raises(ValueError, match="the note"):
            Segment(0, 1, "tap", note)


class TestTable:
    """A table holds what was put in, or every reason why not."""

    def test_by_hand(self) -> None:
        text = HEADER + '0.5,1,ring,"said ""hello"", then left"\n3.000000,3.050000,my own,\n'
        assert parse(text) == (
            Segment(0.5, 1, "ring", 'said "hello", then left'),
            Segment(3, 3.05, "my own"),
        )

    def test_fifth_column(self) -> None:
        text = "start_s,end_s,label,note,phone\n1,2,ring,,slab\n3,4,ring,,\n"
        assert [segment.phone for segment in parse(text)] == ["slab", ""]

    @pytest.mark.parametrize(
        "text",
        [
            "\ufeff" + HEADER + "1,2,tap,x\n",
            (HEADER + "1,2,tap,x\n").replace("\n", "\r\n"),
            (HEADER + "1,2,tap,x\n").replace("\n", "\r"),
            HEADER + "\n1,2,tap,x\n\n",
            HEADER + "1,2,tap,x",
            HEADER + "+1.0e0,2.,tap,x",
        ],
    )
    def test_tables_of_other_programs(self, text: str) -> None:
        assert parse(text) == (Segment(1, 2, "tap", "x"),)

    def test_rows_may_come_in_any_order(self) -> None:
        assert parse(HEADER + "5,6,tap,\n1,2,tap,\n") == (Segment(1, 2, "tap"), Segment(5, 6, "tap"))

    def test_different_labels_may_overlap_and_equal_ones_may_touch(self) -> None:
        assert len(parse(HEADER + "1,9,tool,\n2,3,ring,\n3,4,ring,\n")) == 3

    @pytest.mark.parametrize(
        ("row", "reason"),
        [
            ("x,2,tap,", "start_s='x' is not a number of seconds"),
            (",2,tap,", "start_s='' is not a number"),
            ("nan,2,tap,", "start_s='nan' is not a number"),
            ("1,inf,tap,", "end_s='inf' is not a number"),
            ("1_0,20,tap,", "start_s='1_0' is not a number"),
            ('"1,5",2,tap,', "start_s='1,5' is not a number of seconds; the decimal sign must be a point"),
            ("1,5,2,tap,", "5 fields where the header has 4"),
            ("1,2,tap", "3 fields where the header has 4"),
            ("2,1,tap,", "end_s=1.000000 is not after start_s=2.000000"),
            ("-1,1,tap,", "start_s=-1.000000 is before the start"),
            (
                "1,3500,tap,",
                r"end_s=3500.000000 is past the end of the recording \(60.000000 s\); are the times in mill",
            ),
            ("1,2,,", "the label is empty"),
            ("1,2,a/b,", "the label 'a/b' holds /"),
            ('1,2,tap,"a\nb"', "the note .* holds the invisible character"),
            ('1,2,tap,"open', "not a row of CSV"),
            ("1e999,2,tap,", "start_s=inf is not a finite time"),
        ],
    )
    def test_a_wrong_row_is_told_with_its_place(self, row: str, reason: str) -> None:
        with pytest.raises(FileFault, match=rf"labels/bench\.csv, row 3: {reason}") as caught:
            parse(HEADER + "10,11,tap,\n" + row + "\n")
        assert caught.value.details == ()

    def test_all_wrong_rows_are_told_and_none_is_read(self) -> None:
        with pytest.raises(FileFault, match=r"labels/bench\.csv: 3 faults") as caught:
            parse(HEADER + "1,2,tap,\n\nx,2,tap,\n1.5,3,tap,\n70,80,tap,\n")
        assert [line.split(":")[0] for line in caught.value.details] == [
            "labels/bench.csv, row 4",
            "labels/bench.csv, row 5",
            "labels/bench.csv, row 6",
        ]
        assert "overlaps row 2, 1.000000-2.000000, of the same label" in caught.value.details[1]

    @pytest.mark.parametrize(
        ("header", "hint"),
        [
            ("start;end;label;note", "separated by commas"),
            ("1,2,tap,", "the first row must be the header"),
            ("start_s,end_s,label", "wanted: start_s,end_s,label,note"),
            ("start_s,end_s,label,note,who", "wanted"),
            ("Start_s,end_s,label,note", "wanted"),
        ],
    )
    def test_another_header(self, header: str, hint: str) -> None:
        with pytest.raises(FileFault, match=f"row 1: the header is .*{hint}"):
            parse(header + "\n1,2,tap,\n")

    def test_an_empty_file_has_no_header(self) -> None:
        with pytest.raises(FileFault, match="row 1: the table is empty"):
            parse("")
        assert parse(HEADER) == ()

    def test_an_end_may_pass_by_rounding_only(self) -> None:
        text = HEADER + "1,2.000060,tap,\n"
        assert parse_segments(text, path=TABLE, duration_s=2, slack_s=0.5 / 8_000)
        with pytest.raises(FileFault, match="is past the end"):
            parse_segments(text, path=TABLE, duration_s=2, slack_s=0.5 / 16_000)

    @pytest.mark.parametrize(
        ("data", "hint"),
        [
            ((HEADER + "1,2,tap,caf\xe9\n").encode("latin-1"), "row 2: not UTF-8 text; save it as CSV UTF-8"),
            ((HEADER + "1,2,tap,\n").encode("utf-16"), "row 1: not UTF-8 text but UTF-16"),
        ],
    )
    def test_another_encoding(self, tmp_path: Path, data: bytes, hint: str) -> None:
        path = tmp_path / "a.csv"
        path.write_bytes(data)
        with pytest.raises(FileFault, match=hint):
            read_segments(path, n_frames=80_000, sample_rate_hz=8_000)

    def test_no_file_and_a_folder(self, tmp_path: Path) -> None:
        with pytest.raises(FileFault, match=r"none\.csv: cannot be read: No such file"):
            read_segments(tmp_path / "none.csv", n_frames=1, sample_rate_hz=1)
        with pytest.raises(FileFault, match="cannot be read: Is a directory"):
            read_segments(tmp_path, n_frames=1, sample_rate_hz=1)

    @settings(derandomize=True, deadline=None)
    @given(st.data())
    def test_what_is_written_is_read(self, data: st.DataObject) -> None:
        text = st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=20)
        word = text.filter(lambda name: not set(name) & set('/\\:*?"<>|') and name.strip(".") == name)
        labels = data.draw(st.lists(word.filter(_is_label), min_size=1, max_size=4, unique=True))
        written = []
        for label in labels:
            edges = data.draw(st.lists(st.integers(0, 10**9), unique=True, max_size=8))
            edges.sort()
            for start, end in zip(edges[::2], edges[1::2], strict=False):
                note = data.draw(st.text(st.characters(exclude_categories=("C", "Zl", "Zp")), max_size=30))
                phone = data.draw(st.sampled_from(["", "slab", "brick"]))
                written.append(Segment(start / 1e6, end / 1e6, label, note, phone))
        assert parse(format_segments(written), 1_000.0) == tuple(sorted(written))


def _is_label(text: str) -> bool:
    try:
        Segment(0, 1, text)
    except ValueError:
        return False
    return True


def calls(
    spans: list[tuple[float, float]],
    *,
    reviewed: tuple[Span, ...] = ALL_TIME,
    duration_s: float = 100.0,
    warmup_s: float = 2.0,
) -> list[tuple[float, float, bool]]:
    found = join_calls(
        [Segment(start_s, end_s, "ring") for start_s, end_s in spans],
        target_labels={"ring"},
        reviewed=reviewed,
        duration_s=duration_s,
        warmup_s=warmup_s,
    )
    return [(call.start_s, call.end_s, call.cut) for call in found]


class TestCalls:
    """The definition of a call in the design, section 2, case by case."""

    def test_a_cadence_is_one_call(self) -> None:
        assert calls([(10, 11), (15, 16), (20, 21)]) == [(10, 21, False)]

    def test_a_gap_of_exactly_the_limit_joins_and_more_does_not(self) -> None:
        assert calls([(10, 11), (16, 17)]) == [(10, 17, False)]
        assert calls([(10, 11), (16.00001, 17)]) == [(10, 11, False), (16.00001, 17, False)]

    def test_only_targets_count_and_phones_are_named(self) -> None:
        segments = [
            Segment(10, 12, "ring", phone="slab"),
            Segment(11, 30, "tool"),
            Segment(13, 14, "buzz", phone="brick"),
            Segment(50, 51, "ring"),
        ]
        found = join_calls(
            segments, target_labels={"ring", "buzz"}, reviewed=ALL_TIME, duration_s=100, warmup_s=2
        )
        assert found == (Call(10, 14, "brick + slab", False), Call(50, 51, "", False))

    def test_a_call_at_an_edge_of_the_recording_is_cut(self) -> None:
        assert calls([(0, 3)], warmup_s=0) == [(0, 3, True)]
        assert calls([(98, 100)]) == [(98, 100, True)]
        # There is nothing beyond that edge, so being near it does no harm.
        assert calls([(2.5, 3)]) == [(2.5, 3, False)]
        assert calls([(98, 99.9)]) == [(98, 99.9, False)]

    def test_an_end_that_a_table_rounds_still_touches(self) -> None:
        duration_s = 10_000 / 44_100 * 100
        assert calls([(10, round(duration_s, 6))], duration_s=duration_s) == [
            (10, round(duration_s, 6), True)
        ]

    def test_a_call_near_an_edge_beyond_which_the_recording_goes_on_is_cut(self) -> None:
        reviewed = (Span(20, 60),)
        assert calls([(25, 26)], reviewed=reviewed) == [(25, 26, True)]
        assert calls([(25.001, 26)], reviewed=reviewed) == [(25.001, 26, False)]
        assert calls([(54, 55)], reviewed=reviewed) == [(54, 55, True)]
        assert calls([(54, 54.999)], reviewed=reviewed) == [(54, 54.999, False)]

    def test_a_call_across_an_edge_is_cut_and_one_outside_is_left_out(self) -> None:
        reviewed = (Span(20, 60),)
        assert calls([(15, 40)], reviewed=reviewed) == [(15, 40, True)]
        assert calls([(59, 61)], reviewed=reviewed) == [(59, 61, True)]
        assert calls([(5, 10), (70, 75)], reviewed=reviewed) == []
        # The part outside belongs to the call inside.
        assert calls([(16, 17), (21, 22), (26, 45)], reviewed=reviewed) == [(16, 45, True)]

    def test_a_call_between_two_reviewed_spans_is_cut(self) -> None:
        assert calls([(30, 50)], reviewed=(Span(20, 40), Span(45, 80))) == [(30, 50, True)]
        # Spans that touch have no edge between them.
        assert calls([(30, 50)], reviewed=(Span(20, 40), Span(40, 80))) == [(30, 50, False)]

    def test_a_call_that_starts_in_the_warm_up_is_cut(self) -> None:
        assert calls([(1.999, 30)]) == [(1.999, 30, True)]
        assert calls([(2.0, 30)]) == [(2.0, 30, False)]

    def test_nothing_reviewed_is_nothing_known(self) -> None:
        assert calls([(10, 20)], reviewed=()) == []

    @settings(derandomize=True, deadline=None, max_examples=300)
    @given(
        targets=st.lists(st.tuples(st.integers(0, 38), st.integers(1, 6)), max_size=8),
        reviewed=st.lists(st.tuples(st.integers(0, 38), st.integers(1, 30)), max_size=3),
        gap_s=st.integers(0, 4),
        warmup_s=st.integers(0, 3),
    )
    def test_calls_are_those_of_a_slow_reading_of_the_definition(
        self, targets: list[tuple[int, int]], reviewed: list[tuple[int, int]], gap_s: int, warmup_s: int
    ) -> None:
        """In whole seconds every set of instants is a set of numbers, so the definition can be read out."""
        duration = 40
        segments = [Segment(start, min(start + length, duration), "ring") for start, length in targets]
        spans = [Span(start, min(start + length, duration)) for start, length in reviewed]
        found = join_calls(
            segments,
            target_labels={"ring"},
            reviewed=spans,
            duration_s=duration,
            warmup_s=warmup_s,
            call_gap_s=gap_s,
        )
        ringing = {s for each in segments for s in range(int(each.start_s), int(each.end_s))}
        known = {s for span in spans for s in range(int(span.start_s), int(span.end_s))}
        expected = []
        for start in sorted(ringing):
            if any(s in ringing for s in range(start - 1 - gap_s, start)):
                continue
            end = start + 1
            while any(s in ringing for s in range(end, end + gap_s + 1)):
                end += 1
            own = set(range(start, end))
            if not own & known:
                continue
            at_file_edge = start == 0 or end == duration
            near = set(range(max(0, start - 1 - gap_s), min(duration, end + gap_s + 1)))
            expected.append((start, end, at_file_edge or not near <= known or start < warmup_s))
        assert [(call.start_s, call.end_s, call.cut) for call in found] == expected
