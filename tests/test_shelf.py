"""Files that can be made again: bounded, whole or absent, and deletable at any time."""

import errno
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evalkit.errors import FileFault
from evalkit.shelf import Shelf, keep_within

PIECES = (b"one,", b"two,", b"three")
WHOLE = b"".join(PIECES)


class Maker:
    """Counts how often something is made."""

    def __init__(self, pieces: tuple[bytes, ...] = PIECES) -> None:
        self.pieces = pieces
        self.times = 0

    def __call__(self) -> Iterator[bytes]:
        self.times += 1
        yield from self.pieces


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf(tmp_path / "shelf", limit_bytes=1000)


def files(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir()) if folder.exists() else []


class TestKeeping:
    def test_a_thing_is_made_once_and_read_afterwards(self, shelf: Shelf) -> None:
        maker = Maker()
        assert b"".join(shelf.stream("x", maker)) == WHOLE
        assert b"".join(shelf.stream("x", maker)) == WHOLE
        assert maker.times == 1

    @given(pieces=st.lists(st.binary(max_size=20), max_size=6), piece_bytes=st.integers(1, 9))
    def test_it_is_read_in_pieces_of_the_length_asked_for(
        self, tmp_path_factory: pytest.TempPathFactory, pieces: list[bytes], piece_bytes: int
    ) -> None:
        shelf = Shelf(tmp_path_factory.mktemp("shelf"), limit_bytes=1000)
        assert list(shelf.stream("x", lambda: pieces)) == pieces
        again = list(shelf.stream("x", lambda: pytest.fail("made again"), piece_bytes=piece_bytes))
        assert b"".join(again) == b"".join(pieces)
        assert all(len(piece) == piece_bytes for piece in again[:-1])

    def test_what_was_not_taken_to_its_end_is_not_kept(self, shelf: Shelf, tmp_path: Path) -> None:
        stream = shelf.stream("x", Maker())
        assert next(stream) == b"one,"
        stream.close()  # type: ignore[attr-defined]
        assert files(tmp_path / "shelf") == []

    def test_what_failed_is_not_kept(self, shelf: Shelf, tmp_path: Path) -> None:
        def failing() -> Iterator[bytes]:
            yield b"some"
            raise FileFault("the audio ends here")

        with pytest.raises(FileFault, match="the audio ends here"):
            list(shelf.stream("x", failing))
        with pytest.raises(FileFault, match="the audio ends here"):
            shelf.whole("y", lambda: b"".join(failing()))
        assert files(tmp_path / "shelf") == []


class TestDamage:
    @pytest.mark.parametrize("n_bytes", [0, 1, 19, 20, 24])
    def test_a_file_that_was_cut_short_is_made_again(
        self, shelf: Shelf, tmp_path: Path, n_bytes: int
    ) -> None:
        maker = Maker()
        list(shelf.stream("x", maker))
        os.truncate(tmp_path / "shelf" / "x", n_bytes)
        assert b"".join(shelf.stream("x", maker)) == WHOLE
        assert maker.times == 2

    def test_a_flipped_bit_is_never_taken_for_what_was_written(self, shelf: Shelf, tmp_path: Path) -> None:
        path = tmp_path / "shelf" / "x"
        for place in range(len(WHOLE)):
            list(shelf.stream("x", Maker()))
            data = bytearray(path.read_bytes())
            data[place] ^= 1
            path.write_bytes(data)
            with pytest.raises(FileFault, match=r"x: was damaged and is removed; run the command again"):
                list(shelf.stream("x", Maker()))
            assert not path.exists()

    def test_a_whole_that_was_damaged_is_made_again(self, shelf: Shelf, tmp_path: Path) -> None:
        assert shelf.whole("x", lambda: WHOLE) == WHOLE
        path = tmp_path / "shelf" / "x"
        path.write_bytes(b"O" + path.read_bytes()[1:])
        assert shelf.whole("x", lambda: WHOLE) == WHOLE
        assert shelf.whole("x", lambda: pytest.fail("made again")) == WHOLE


class TestDeletedMeanwhile:
    def test_while_it_is_read(self, shelf: Shelf, tmp_path: Path) -> None:
        list(shelf.stream("x", Maker()))
        stream = shelf.stream("x", Maker(()), piece_bytes=4)
        found = [next(stream)]
        shutil.rmtree(tmp_path / "shelf")
        assert b"".join([*found, *stream]) == WHOLE

    def test_while_it_is_written(self, shelf: Shelf, tmp_path: Path) -> None:
        stream = shelf.stream("x", Maker())
        found = [next(stream)]
        shutil.rmtree(tmp_path / "shelf")
        assert b"".join([*found, *stream]) == WHOLE
        assert b"".join(shelf.stream("x", Maker())) == WHOLE
        assert files(tmp_path / "shelf") == ["x"]

    def test_a_file_stands_where_the_folder_should_be(self, shelf: Shelf, tmp_path: Path) -> None:
        (tmp_path / "shelf").write_text("in the way")
        assert b"".join(shelf.stream("x", Maker())) == WHOLE

    def test_a_full_disk_costs_nothing_but_time(
        self, shelf: Shelf, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        real = Path.open

        def opened(self: Path, *arguments: Any, **options: Any) -> Any:
            stream = real(self, *arguments, **options)
            if arguments[:1] != ("xb",):
                return stream
            return FullDisk(stream)

        monkeypatch.setattr(Path, "open", opened)
        assert b"".join(shelf.stream("x", Maker())) == WHOLE
        assert files(tmp_path / "shelf") == []


class FullDisk:
    """A stream that takes one piece and then no more."""

    def __init__(self, stream: Any) -> None:
        self._stream = stream
        self._left = 1

    def write(self, piece: bytes) -> int:
        if not self._left:
            raise OSError(errno.ENOSPC, "No space left on device")
        self._left -= 1
        return self._stream.write(piece)

    def close(self) -> None:
        self._stream.close()


class TestBounds:
    def test_the_files_used_longest_ago_go_first(self, tmp_path: Path) -> None:
        for number in range(10):
            path = tmp_path / f"{number}"
            path.write_bytes(bytes(100))
            os.utime(path, (number, number))
        keep_within(tmp_path, 350)
        assert files(tmp_path) == ["7", "8", "9"]

    def test_reading_counts_as_use(self, shelf: Shelf, tmp_path: Path) -> None:
        for name in ("a", "b"):
            list(shelf.stream(name, Maker((bytes(400),))))
            os.utime(tmp_path / "shelf" / name, (1, 1))
        list(shelf.stream("a", Maker()))
        list(shelf.stream("c", Maker((bytes(400),))))
        assert files(tmp_path / "shelf") == ["a", "c"]

    @given(sizes=st.lists(st.integers(0, 1500), min_size=1, max_size=30))
    def test_together_they_stay_under_the_limit(
        self, tmp_path_factory: pytest.TempPathFactory, sizes: list[int]
    ) -> None:
        folder = tmp_path_factory.mktemp("shelf")
        shelf = Shelf(folder, limit_bytes=1000)
        for number, size in enumerate(sizes):
            assert b"".join(shelf.stream(f"{number}", lambda size=size: (bytes(size),))) == bytes(size)
            assert sum(path.stat().st_size for path in folder.iterdir()) <= 1000

    def test_one_that_is_more_than_all_may_be_pushes_no_other_out(self, shelf: Shelf, tmp_path: Path) -> None:
        list(shelf.stream("small", Maker()))
        assert len(b"".join(shelf.stream("large", Maker((bytes(600), bytes(600)))))) == 1200
        assert files(tmp_path / "shelf") == ["small"]

    def test_what_a_killed_program_began_goes_in_the_end(self, shelf: Shelf, tmp_path: Path) -> None:
        folder = tmp_path / "shelf"
        folder.mkdir()
        (folder / ".tmp-old").write_bytes(b"half")
        os.utime(folder / ".tmp-old", (1, 1))
        (folder / ".tmp-of-another-program").write_bytes(b"half")
        list(shelf.stream("x", Maker()))
        assert files(folder) == [".tmp-of-another-program", "x"]
