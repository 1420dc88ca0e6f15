"""Changes to labels: never lost, never over someone else's."""

from pathlib import Path

import pytest

from evalkit.dataset import read_dataset
from evalkit.durable import dataset_lock
from evalkit.errors import Busy, FileFault, WrongUse
from evalkit.labelling import replace_labels, segments_of, set_reviewed, write_segments
from evalkit.segments import Segment
from evalkit.spans import ALL_TIME, Span

from .test_dataset import contents

HEADER = "start_s,end_s,label,note\n"


def test_segments_are_written_and_read(tiny_dataset: Path) -> None:
    old = segments_of(tiny_dataset, "monday")
    new = [*old, Segment(9, 9.5, "hammer", "copper mallet")]
    write_segments(tiny_dataset, "monday", new, replacing=old)
    assert segments_of(tiny_dataset, "monday") == tuple(new)
    assert (tiny_dataset / "labels" / "monday.csv").read_text() == (
        HEADER
        + "3.000000,3.050000,tap,\n6.000000,8.000000,ring,call 0\n9.000000,9.500000,hammer,copper mallet\n"
    )


def test_a_table_edited_meanwhile_is_not_overwritten(tiny_dataset: Path) -> None:
    old = segments_of(tiny_dataset, "monday")
    path = tiny_dataset / "labels" / "monday.csv"
    path.write_text(HEADER + "1,2,tap,by hand\n")
    before = contents(tiny_dataset)
    with pytest.raises(FileFault, match=r"monday\.csv: was changed by someone else meanwhile"):
        write_segments(tiny_dataset, "monday", [], replacing=old)
    assert contents(tiny_dataset) == before


def test_the_same_labels_written_in_another_way_are_no_change(tiny_dataset: Path) -> None:
    old = segments_of(tiny_dataset, "monday")
    path = tiny_dataset / "labels" / "monday.csv"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n").replace(b"3.000000", b"3"))
    write_segments(tiny_dataset, "monday", old[:1], replacing=old)
    assert segments_of(tiny_dataset, "monday") == old[:1]


@pytest.mark.parametrize(
    ("segment", "reason"),
    [
        (Segment(7, 9, "ring"), "ring 7.000000-9.000000 overlaps row 3, 6.000000-8.000000"),
        (Segment(11, 13, "tap"), "end_s=13.000000 is past the end of the recording"),
    ],
)
def test_what_does_not_fit_is_not_written(tiny_dataset: Path, segment: Segment, reason: str) -> None:
    old = segments_of(tiny_dataset, "monday")
    before = contents(tiny_dataset)
    with pytest.raises(FileFault, match=f"not written: .*{reason}"):
        write_segments(tiny_dataset, "monday", [*old, segment], replacing=old)
    assert contents(tiny_dataset) == before


def test_a_second_writer_waits_its_turn(tiny_dataset: Path) -> None:
    old = segments_of(tiny_dataset, "monday")
    with dataset_lock(tiny_dataset):
        # Reading needs no lock.
        assert segments_of(tiny_dataset, "monday") == old
        with pytest.raises(Busy, match="being written to by process"):
            write_segments(tiny_dataset, "monday", [], replacing=old)
        with pytest.raises(Busy):
            set_reviewed(tiny_dataset, "monday", ())
    assert segments_of(tiny_dataset, "monday") == old


def test_replaced_labels_are_kept(tiny_dataset: Path, tmp_path: Path) -> None:
    table = tmp_path / "new.csv"
    table.write_text(HEADER + "6,8,ring,call 0\n9,10,tool,\n")
    old = (tiny_dataset / "labels" / "monday.csv").read_bytes()
    replaced = replace_labels(tiny_dataset, "monday", table)
    assert replaced.segments == segments_of(tiny_dataset, "monday")
    assert replaced.gone == (Segment(3, 3.05, "tap"),)
    assert replaced.kept is not None
    assert replaced.kept.read_bytes() == old
    # Nothing is gone the second time; the third has a place of its own.
    assert replace_labels(tiny_dataset, "monday", table).kept is None
    table.write_text(HEADER)
    assert replace_labels(tiny_dataset, "monday", table).kept == replaced.kept.with_name("monday-2.csv")


def test_a_wrong_table_of_the_dataset_can_be_replaced_and_is_kept(tiny_dataset: Path, tmp_path: Path) -> None:
    wrong = tiny_dataset / "labels" / "monday.csv"
    wrong.write_text(HEADER + "1,2,tap,\n2,x,ring,\n")
    with pytest.raises(FileFault, match="row 3"):
        read_dataset(tiny_dataset)
    table = tmp_path / "new.csv"
    table.write_text(HEADER + "1,2,tap,\n")
    replaced = replace_labels(tiny_dataset, "monday", table)
    assert replaced.kept is not None
    assert "2,x,ring" in replaced.kept.read_text()
    assert read_dataset(tiny_dataset).recording("monday").segments == (Segment(1, 2, "tap"),)


def test_a_wrong_new_table_changes_nothing(tiny_dataset: Path, tmp_path: Path) -> None:
    table = tmp_path / "new.csv"
    table.write_text(HEADER + "1,200,tap,\n")
    before = contents(tiny_dataset)
    with pytest.raises(FileFault, match=r"new\.csv, row 2: end_s=200\.000000 is past the end"):
        replace_labels(tiny_dataset, "monday", table)
    assert contents(tiny_dataset) == before


def test_reviewed_spans_are_set(tiny_dataset: Path) -> None:
    assert set_reviewed(tiny_dataset, "monday", (Span(1, 2), Span(2, 3))) == (Span(1, 3),)
    assert read_dataset(tiny_dataset).recording("monday").reviewed == (Span(1, 3),)
    assert set_reviewed(tiny_dataset, "monday", ALL_TIME) == (Span(0, 12),)
    assert set_reviewed(tiny_dataset, "monday", ()) == ()
    with pytest.raises(WrongUse, match="monday: 5-13 s passes the end"):
        set_reviewed(tiny_dataset, "monday", (Span(5, 13),))
    with pytest.raises(WrongUse, match="no recording 'sunday'"):
        set_reviewed(tiny_dataset, "sunday", ())
