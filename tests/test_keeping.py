"""Labels kept on disk while they are edited: never lost, never over another program's."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from evalkit.descriptor import read_descriptor, write_descriptor
from evalkit.durable import dataset_lock
from evalkit.errors import FileFault
from evalkit.keeping import LabelKeeper, editing
from evalkit.labelling import segments_of, set_reviewed
from evalkit.merging import Side
from evalkit.segments import Segment
from evalkit.spans import Span

HEADER = "start_s,end_s,label,note\n"
TAP, RING = Segment(3, 3.05, "tap"), Segment(6, 8, "ring", "call 0")


@contextmanager
def kept(folder: Path, name: str = "monday") -> Iterator[LabelKeeper]:
    with editing(folder) as access:
        keeper = LabelKeeper(access, name)
        try:
            yield keeper
        finally:
            keeper.close()


def wait_for(condition: Callable[[], bool], patience_s: float = 20.0) -> None:
    """Wait until something holds; how long it takes is no matter here."""
    end_s = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.01)


def table_of(folder: Path) -> Path:
    return folder / "labels" / "monday.csv"


def test_a_change_is_written_without_being_asked_for(tiny_dataset: Path) -> None:
    with kept(tiny_dataset) as keeper:
        keeper.do("remove", keeper.labels.remove(TAP))
        assert not keeper.saved
        wait_for(lambda: keeper.saved)
        assert segments_of(tiny_dataset, "monday") == (RING,)
        keeper.do("review less", keeper.labels.unreview(Span(0, 5)))
        keeper.do("phone", keeper.labels.add(Segment(9, 10, "ring", phone="old")))
        wait_for(lambda: keeper.saved)
        entry = read_descriptor(tiny_dataset).entry("monday")
        assert entry.reviewed == (Span(5, 12),)
        assert entry.labels_name_phones


def test_undo_reaches_back_over_restarts(tiny_dataset: Path) -> None:
    with kept(tiny_dataset) as keeper:
        before = keeper.labels
        keeper.do("one", keeper.labels.remove(TAP))
        keeper.do("two", keeper.labels.dismiss(Span(1, 2)))
    with kept(tiny_dataset) as keeper:
        assert keeper.labels.segments == (RING,)
        assert keeper.labels.dismissed == (Span(1, 2),)
        assert keeper.undo() == "two"
        assert keeper.undo() == "one"
        assert keeper.undo() is None
        assert keeper.labels == before
    assert segments_of(tiny_dataset, "monday") == (TAP, RING)
    with kept(tiny_dataset) as keeper:
        assert keeper.redo() == "one"
        assert keeper.redo() == "two"
        assert keeper.redo() is None
    assert segments_of(tiny_dataset, "monday") == (RING,)


def test_the_second_is_told_who_has_it_and_sees_what_the_first_does(tiny_dataset: Path) -> None:
    with kept(tiny_dataset) as first, kept(tiny_dataset) as second:
        assert second.refusal is not None
        assert f"being written to by process {os.getpid()}" in second.refusal
        with pytest.raises(FileFault, match="nothing can be changed: "):
            second.do("x", second.labels.remove(TAP))
        assert second.labels.segments == (TAP, RING)
        first.do("remove", first.labels.remove(TAP))
        wait_for(lambda: second.labels.segments == (RING,))
        assert second.news() == ("the labels were changed by another program; shown as they are now",)
    with dataset_lock(tiny_dataset):
        pass


def test_a_folder_that_cannot_be_written_is_looked_at(tiny_dataset: Path) -> None:
    # A file in the place of the folder for locks and journals: refused even for root.
    place = tiny_dataset / ".evalkit"
    (place / "lock").unlink()
    place.rmdir()
    place.write_text("")
    with editing(tiny_dataset) as access:
        assert access.refusal is not None
        assert "cannot be written to" in access.refusal
        keeper = LabelKeeper(access, "monday")
        assert keeper.labels.segments == (TAP, RING)
        keeper.close()


def test_another_program_s_table_is_merged(tiny_dataset: Path) -> None:
    with kept(tiny_dataset) as keeper:
        table_of(tiny_dataset).write_text(HEADER + "3,3.05,tap,\n6,8,ring,call 0\n1,2,tool,drill\n")
        keeper.do("remove", keeper.labels.remove(TAP))
        wait_for(lambda: keeper.saved and len(keeper.labels.segments) == 2)
        assert segments_of(tiny_dataset, "monday") == (Segment(1, 2, "tool", "drill"), RING)
        assert keeper.news() == ("another program changed the labels: 1 added, 0 removed; merged",)
        # It is a change like any other.
        assert keeper.undo() == "another program's change"
        assert keeper.labels.segments == (RING,)


def test_another_program_s_change_is_seen_while_nothing_is_done_here(tiny_dataset: Path) -> None:
    with kept(tiny_dataset) as keeper:
        table_of(tiny_dataset).write_text(HEADER + "6,8,ring,call 0\n")
        wait_for(lambda: keeper.labels.segments == (RING,))
        descriptor = read_descriptor(tiny_dataset)
        entry = descriptor.entry("monday")
        object.__setattr__(entry, "reviewed", (Span(2, 3),))
        write_descriptor(tiny_dataset, descriptor.with_entry(entry))
        wait_for(lambda: keeper.labels.reviewed == (Span(2, 3),))
        wait_for(lambda: keeper.saved)


def test_between_two_sittings_another_program_s_change_is_kept(tiny_dataset: Path) -> None:
    with kept(tiny_dataset) as keeper:
        keeper.do("label", keeper.labels.add(Segment(1, 2, "tool")))
    set_reviewed(tiny_dataset, "monday", (Span(0, 1),))
    table_of(tiny_dataset).write_text(HEADER + "3,3.05,tap,\n1,2,tool,\n10,11,other,\n")
    with kept(tiny_dataset) as keeper:
        assert keeper.labels.segments == (Segment(1, 2, "tool"), TAP, Segment(10, 11, "other"))
        assert keeper.labels.reviewed == (Span(0, 1),)
        keeper.undo()
        assert keeper.labels.segments == (Segment(1, 2, "tool"), TAP, RING)


@pytest.mark.parametrize("side", list(Side))
def test_where_both_changed_one_segment_the_person_is_asked(tiny_dataset: Path, side: Side) -> None:
    theirs = HEADER + "3,3.05,tap,\n6,9,ring,call 0\n"
    with kept(tiny_dataset) as keeper:
        keeper.do("trim", keeper.labels.trim(RING, end_s=7)[0])
        table_of(tiny_dataset).write_text(theirs)
        wait_for(lambda: keeper.question is not None)
        assert keeper.news()[-1] == "another program changed the same segments; say whose word holds"
        # Nothing is written before the answer, whatever else is done.
        keeper.do("remove", keeper.labels.remove(TAP))
        keeper.save()
        assert table_of(tiny_dataset).read_text() == theirs
        keeper.settle(side)
        wait_for(lambda: keeper.saved)
        assert keeper.question is None
        end_s = 7 if side is Side.OURS else 9
        assert segments_of(tiny_dataset, "monday") == (Segment(6, end_s, "ring", "call 0"),)
    aside = tiny_dataset / ".evalkit" / "replaced" / "monday-1.csv"
    assert aside.exists() == (side is Side.OURS)
    if aside.exists():
        assert "6.000000,9.000000,ring,call 0" in aside.read_text()


def test_an_open_question_waits_for_the_next_sitting(tiny_dataset: Path) -> None:
    with kept(tiny_dataset) as keeper:
        keeper.do("trim", keeper.labels.trim(RING, end_s=7)[0])
        table_of(tiny_dataset).write_text(HEADER + "6,9,ring,call 0\n")
        wait_for(lambda: keeper.question is not None)
    with kept(tiny_dataset) as keeper:
        assert keeper.question is not None
        assert keeper.labels.segments == (TAP, Segment(6, 7, "ring", "call 0"))
        keeper.settle(Side.OURS)
    assert segments_of(tiny_dataset, "monday") == (Segment(6, 7, "ring", "call 0"),)


def test_a_table_that_became_wrong_is_not_touched_and_told(tiny_dataset: Path) -> None:
    wrong = HEADER + "3,x,tap,\n"
    with kept(tiny_dataset) as keeper:
        table_of(tiny_dataset).write_text(wrong)
        keeper.do("remove", keeper.labels.remove(TAP))
        wait_for(lambda: keeper.trouble is not None)
        assert keeper.trouble is not None
        assert "monday.csv, row 2: end_s='x' is not a number" in keeper.trouble
        assert table_of(tiny_dataset).read_text() == wrong
        table_of(tiny_dataset).write_text(HEADER + "3,3.05,tap,\n6,8,ring,mended\n")
        wait_for(lambda: keeper.trouble is None and keeper.saved)
        assert segments_of(tiny_dataset, "monday") == (Segment(6, 8, "ring", "mended"),)


def test_a_table_that_is_gone_is_written_again(tiny_dataset: Path) -> None:
    with kept(tiny_dataset):
        table_of(tiny_dataset).unlink()
        wait_for(table_of(tiny_dataset).exists)
        wait_for(lambda: not list(table_of(tiny_dataset).parent.glob(".tmp-*")))
    assert segments_of(tiny_dataset, "monday") == (TAP, RING)


def test_a_change_this_moment_is_not_overwritten(tiny_dataset: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another program writes between our look at the table and our rename."""
    import evalkit.keeping

    real = evalkit.keeping.write_bytes

    def write_and_let_another_write(path: Path, data: bytes) -> None:
        real(path, data)
        if path.name == ".tmp-monday.csv":
            monkeypatch.setattr(evalkit.keeping, "write_bytes", real)
            table_of(tiny_dataset).write_text(HEADER + "3,3.05,tap,\n6,8,ring,call 0\n10,11,tool,\n")

    with kept(tiny_dataset) as keeper:
        monkeypatch.setattr(evalkit.keeping, "write_bytes", write_and_let_another_write)
        keeper.do("remove", keeper.labels.remove(TAP))
        wait_for(lambda: keeper.saved and len(keeper.labels.segments) == 2)
    assert segments_of(tiny_dataset, "monday") == (RING, Segment(10, 11, "tool"))


BURST = """
import sys
from pathlib import Path
from evalkit.keeping import LabelKeeper, editing
from evalkit.segments import Segment
from evalkit.spans import Span
with editing(Path(sys.argv[1])) as access:
    keeper = LabelKeeper(access, "monday")
    n = len(keeper.labels.segments)
    while True:
        labels = keeper.labels
        n += 1
        start_s = (n * 37 % 11000) / 1000
        try:
            labels = labels.add(Segment(start_s, start_s + 0.0004, "burst", str(n)))
        except ValueError:
            continue
        keeper.do("add", labels.review(Span(start_s, start_s + 0.0004)))
        print(n, flush=True)
"""


def test_killed_at_any_moment_nothing_that_was_acknowledged_is_lost(
    tiny_dataset: Path, rng: np.random.Generator
) -> None:
    with kept(tiny_dataset) as keeper:
        keeper.do("start", keeper.labels.unreview(Span(0, 12)))
    known: set[int] = set()
    for _ in range(6):
        child = subprocess.Popen(
            [sys.executable, "-c", BURST, str(tiny_dataset)], stdout=subprocess.PIPE, text=True
        )
        assert child.stdout is not None
        first = child.stdout.readline()
        time.sleep(rng.uniform(0.0, 0.8))
        os.kill(child.pid, signal.SIGKILL)
        acknowledged = [int(line) for line in (first + child.stdout.read()).split()]
        child.wait()
        child.stdout.close()
        # The table is valid before anyone mends anything, and so is the descriptor.
        segments_of(tiny_dataset, "monday")
        with kept(tiny_dataset) as keeper:
            assert not keeper.news()
            found = {int(each.note) for each in keeper.labels.segments if each.label == "burst"}
            assert set(acknowledged) <= found
            # The one change that was under way may be there as well.
            assert len(found - known - set(acknowledged)) <= 1
            known = found
        written = segments_of(tiny_dataset, "monday")
        assert {int(each.note) for each in written if each.label == "burst"} == found
    lines = (tiny_dataset / ".evalkit" / "journal" / "monday.jsonl").read_bytes().splitlines()
    assert all(json.loads(line.partition(b" ")[2]) for line in lines)
