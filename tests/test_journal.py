"""The journal: what is in it after the worst."""

import json
import os
import zlib
from pathlib import Path

import pytest

from evalkit.edits import Change, Labels
from evalkit.errors import FileFault
from evalkit.journal import Journal, Mark, Saved
from evalkit.segments import Segment
from evalkit.spans import Span

START = Labels(60.0, (Segment(1, 2, "tap", 'with "quotes"', "shop"),), (Span(0, 100 / 3),), (Span(5, 6),))
CHANGE = Change(
    "relabel",
    removed=(Segment(1, 2, "tap", 'with "quotes"', "shop"),),
    added=(Segment(1, 2, "ring", "größer", ""),),
    unreviewed=(Span(0, 1),),
    reviewed=(Span(40, 50),),
    recalled=(Span(5, 6),),
    dismissed=(Span(7.25, 8),),
)
ENTRIES = (CHANGE, Saved(2), Mark.UNDO, Mark.REDO)


def opened(path: Path, start: Labels = START, audio: str = "a") -> Journal:
    return Journal(path, audio_sha256=audio, start=start)


def written(path: Path) -> bytes:
    journal = opened(path)
    for entry in ENTRIES:
        journal.append(entry)
    journal.close()
    return path.read_bytes()


def test_what_is_appended_is_there_again(tmp_path: Path) -> None:
    path = tmp_path / "journal" / "monday.jsonl"
    data = written(path)
    journal = opened(path, Labels(60.0))
    assert (journal.start, journal.entries) == (START, ENTRIES)
    assert journal.set_aside is None
    journal.close()
    assert path.read_bytes() == data


def test_lines_are_a_checksum_and_an_object(tmp_path: Path) -> None:
    for line in written(tmp_path / "j").splitlines():
        checksum, _, body = line.partition(b" ")
        assert int(checksum, 16) == zlib.crc32(body)
        assert isinstance(json.loads(body), dict)


def test_a_file_cut_anywhere_gives_the_whole_lines_before_the_cut(tmp_path: Path) -> None:
    path = tmp_path / "j"
    data = written(path)
    ends = [at for at, byte in enumerate(data) if byte == ord("\n")]
    for cut in range(len(data)):
        path.write_bytes(data[:cut])
        journal = opened(path)
        whole = sum(end < cut for end in ends)
        assert journal.entries == ENTRIES[: max(0, whole - 1)]
        journal.append(Saved(2))
        journal.close()
        # What is added after a cut line is read again.
        again = opened(path)
        assert again.entries == (*ENTRIES[: max(0, whole - 1)], Saved(2))
        again.close()


def test_zeros_at_the_end_as_after_a_power_cut_are_dropped(tmp_path: Path) -> None:
    path = tmp_path / "j"
    path.write_bytes(written(path) + bytes(4096))
    journal = opened(path)
    assert journal.entries == ENTRIES
    journal.close()


def test_a_journal_damaged_inside_is_set_aside(tmp_path: Path) -> None:
    path = tmp_path / "monday.jsonl"
    data = bytearray(written(path))
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    journal = opened(path, Labels(60.0))
    assert (journal.start, journal.entries) == (Labels(60.0), ())
    assert journal.set_aside == tmp_path / "monday.aside-1"
    assert journal.set_aside.read_bytes() == data
    journal.close()


def test_a_journal_of_other_audio_is_set_aside(tmp_path: Path) -> None:
    path = tmp_path / "monday.jsonl"
    written(path)
    journal = opened(path, audio="b")
    assert journal.entries == ()
    assert journal.set_aside == tmp_path / "monday.aside-1"
    journal.close()


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full here")
def test_a_full_disk_is_told(tmp_path: Path) -> None:
    path = tmp_path / "j"
    written(path)
    journal = opened(path)
    os.dup2(os.open("/dev/full", os.O_WRONLY), journal._handle)
    with pytest.raises(FileFault, match="cannot be written: No space left"):
        journal.append(Saved(2))
    journal.close()
