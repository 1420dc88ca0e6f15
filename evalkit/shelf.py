"""Files that can be made again: kept in a folder that is bounded in size and may be emptied at any time.

A file appears once it is whole, and says so in its last bytes. Whoever reads
or writes one holds it open, so that nothing happens to them when it, or the
whole folder, is deleted meanwhile. A folder that cannot be written, or a full
disk, costs time later and nothing else.
"""

import contextlib
import os
import secrets
import struct
import time
import zlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

from evalkit.durable import TEMPORARY_PREFIX
from evalkit.errors import FileFault

__all__ = ["Shelf", "keep_within"]

_END = struct.Struct("<8sQI")
_MAGIC = b"evalkit1"
# A file that was begun and not finished: whoever writes for longer only loses what would be kept.
_LEFTOVER_S = 24 * 3600.0
_SLACK = 16


class Shelf:
    """One folder of such files.

    Parameters
    ----------
    folder : Path
        Made when the first file is.
    limit_bytes : int
        The files stay under this together, one in the making apart; those used longest ago go first.
    """

    def __init__(self, folder: Path, *, limit_bytes: int) -> None:
        self._folder = folder
        self._limit_bytes = limit_bytes
        # Looking through the folder after every small file would take longer than the files.
        self._unseen_bytes = limit_bytes

    def stream(
        self, name: str, make: Callable[[], Iterable[bytes]], *, piece_bytes: int = 1 << 20
    ) -> Iterator[bytes]:
        """Yield what is kept under a name, else what `make` yields, which is kept once it was all taken.

        Parameters
        ----------
        name : str
            Of a file; a digest of all that its content depends on.
        make : callable
            Not called where there is a file.
        piece_bytes : int
            Length of the pieces (but the last) in which a file is read.

        Raises
        ------
        FileFault
            If a file is not what was written; it is gone then.
        """
        kept = self._open(name)
        if kept is not None:
            with kept as stream:
                yield from self._read(name, stream, piece_bytes)
            return
        with _Draft(self._folder, name, self._limit_bytes) as draft:
            for piece in make():
                draft.add(piece)
                yield piece
            self._unseen_bytes += draft.keep()
        slack = self._limit_bytes // _SLACK
        if self._unseen_bytes > slack:
            self._unseen_bytes = 0
            keep_within(self._folder, self._limit_bytes - slack)

    def whole(self, name: str, make: Callable[[], bytes]) -> bytes:
        """Return what is kept under a name, else what `make` returns, which is then kept.

        A file that is not what was written is made again.
        """
        with contextlib.suppress(_Damaged):
            return b"".join(self.stream(name, lambda: (make(),)))
        return b"".join(self.stream(name, lambda: (make(),)))

    def _open(self, name: str) -> BinaryIO | None:
        """Open a file if it is there and ends as a whole one does."""
        with contextlib.suppress(OSError), contextlib.ExitStack() as stack:
            stream = stack.enter_context((self._folder / name).open("rb"))
            end = stream.seek(0, os.SEEK_END)
            if end < _END.size:
                return None
            stream.seek(end - _END.size)
            magic, size, _ = _END.unpack(stream.read(_END.size))
            if magic != _MAGIC or size != end - _END.size:
                return None
            stream.seek(0)
            with contextlib.suppress(OSError):
                # used now: it is among the last to go
                os.utime(self._folder / name)
            stack.pop_all()
            return stream
        return None

    def _read(self, name: str, stream: BinaryIO, piece_bytes: int) -> Iterator[bytes]:
        left = os.fstat(stream.fileno()).st_size - _END.size
        check = 0
        while left:
            piece = stream.read(min(piece_bytes, left))
            if not piece:
                break
            left -= len(piece)
            check = zlib.crc32(piece, check)
            yield piece
        end = stream.read(_END.size)
        if len(end) < _END.size or _END.unpack(end)[2] != check:
            path = self._folder / name
            # Some systems delete no file that is open.
            stream.close()
            with contextlib.suppress(OSError):
                path.unlink()
            raise _Damaged(f"{path}: was damaged and is removed; run the command again")


class _Damaged(FileFault):
    """A file is not what was written."""


class _Draft:
    """A file in the making; nothing that the disk does to it is an error."""

    def __init__(self, folder: Path, name: str, limit_bytes: int) -> None:
        self._limit_bytes = limit_bytes
        self._path = folder / name
        self._temporary = folder / f"{TEMPORARY_PREFIX}{name}-{secrets.token_hex(4)}"
        self._check = 0
        self._size = 0
        self._stream: BinaryIO | None = None
        with contextlib.suppress(OSError):
            folder.mkdir(parents=True, exist_ok=True)
            self._stream = self._temporary.open("xb")

    def __enter__(self) -> "_Draft":
        return self

    def __exit__(self, *_: object) -> None:
        self._give_up()

    def add(self, piece: bytes) -> None:
        if self._stream is None:
            return
        self._size += len(piece)
        self._check = zlib.crc32(piece, self._check)
        try:
            self._stream.write(piece)
        except OSError:
            self._give_up()
        if self._size > self._limit_bytes:
            # One file that is more than all may be would only push the others out.
            self._give_up()

    def keep(self) -> int:
        """Let the file appear and return its size; 0 if there is none."""
        if self._stream is None:
            return 0
        with contextlib.suppress(OSError):
            self._stream.write(_END.pack(_MAGIC, self._size, self._check))
            self._stream.close()
            os.replace(self._temporary, self._path)
            self._stream = None
            return self._size + _END.size
        return 0

    def _give_up(self) -> None:
        if self._stream is not None:
            with contextlib.suppress(OSError):
                self._stream.close()
            with contextlib.suppress(OSError):
                self._temporary.unlink()
            self._stream = None


def keep_within(folder: Path, limit_bytes: int) -> None:
    """Remove from a folder the files used longest ago while together they pass a limit."""
    entries: list[tuple[float, int, str]] = []
    with contextlib.suppress(OSError):
        for entry in os.scandir(folder):
            with contextlib.suppress(OSError):
                status = entry.stat(follow_symlinks=False)
                leftover = (
                    entry.name.startswith(TEMPORARY_PREFIX) and time.time() - status.st_mtime > _LEFTOVER_S
                )
                entries.append((-1.0 if leftover else status.st_mtime, status.st_size, entry.path))
    excess = sum(size for _, size, _ in entries) - limit_bytes
    for used_s, size, path in sorted(entries):
        if excess <= 0 and used_s >= 0.0:
            break
        with contextlib.suppress(OSError):
            os.unlink(path)
        excess -= size
