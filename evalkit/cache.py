"""Crossings and features kept on disk, so that a changed label or limit is scored without touching audio.

Files lie in the dataset's `.evalkit/crossings/`, named by a digest of all
that they depend on. They can be deleted at any time; the oldest go when
together they pass `LIMIT_BYTES`.
"""

import contextlib
import hashlib
import os
import tempfile
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evalkit.crossings import Crossings

__all__ = ["LIMIT_BYTES", "CrossingCache"]

LIMIT_BYTES = 2 << 30
"""The cache of one dataset stays under this."""

_RECORD = np.dtype([("sample", "<i8"), ("lane", "<u2"), ("above", "u1")])
_MAGIC = b"evalkit crossings 1\n"
_CHUNK_RECORDS = 1 << 17
_CHUNK_ROWS = 1 << 13
_SOURCES = ("_kernels.py", "board.py", "crossings.py", "recordings.py", "detectors")


@cache
def _code_digest() -> bytes:
    """Digest of the code that makes crossings: another version makes other files."""
    digest = hashlib.sha256()
    package = Path(__file__).parent
    for name in _SOURCES:
        place = package / name
        for source in sorted(place.rglob("*.py")) if place.is_dir() else [place]:
            digest.update(source.read_bytes())
    return digest.digest()


class CrossingCache:
    """The crossings and frame features of a dataset's recordings, each made at most once.

    Parameters
    ----------
    folder : Path
        The dataset. Where it cannot be written, a temporary folder serves instead.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder / ".evalkit" / "crossings"
        self._temporary: tempfile.TemporaryDirectory[str] | None = None
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            writable = os.access(self._folder, os.W_OK)
        except OSError:
            writable = False
        if not writable:
            self._temporary = tempfile.TemporaryDirectory(prefix="evalkit-")
            self._folder = Path(self._temporary.name)

    def path(self, *parts: str) -> Path:
        """Return the file for what `parts` name: audio, calibration, detector."""
        digest = hashlib.sha256(_code_digest())
        for part in parts:
            digest.update(part.encode() + b"\0")
        return self._folder / digest.hexdigest()

    def has(self, path: Path) -> bool:
        """Return whether the file of crossings is there and whole."""
        return _is_whole(path, _MAGIC, _RECORD.itemsize)

    def write(self, path: Path, chunks: Iterable[Crossings]) -> None:
        """Write crossings as they come; the file appears once it is whole."""
        self._write(path, _MAGIC, (_packed(chunk) for chunk in chunks))

    def read(self, path: Path) -> Iterator[Crossings]:
        """Yield the crossings in chunks."""
        for records in _read(path, _MAGIC, _RECORD, _CHUNK_RECORDS):
            yield Crossings(
                records["lane"].astype(np.int32),
                records["sample"].astype(np.int64),
                np.ascontiguousarray(records["above"]),
            )

    def has_rows(self, path: Path, n_columns: int) -> bool:
        """Return whether the file of feature rows is there and whole."""
        return _is_whole(path, _rows_magic(n_columns), 4 * n_columns)

    def write_rows(self, path: Path, chunks: Iterable[NDArray[np.float32]], n_columns: int) -> None:
        """Write rows, (n_rows, n_columns) each, as they come; the file appears once it is whole."""
        self._write(
            path, _rows_magic(n_columns), (chunk.astype("<f4", copy=False).tobytes() for chunk in chunks)
        )

    def read_rows(self, path: Path, n_columns: int) -> Iterator[NDArray[np.float32]]:
        """Yield the rows in chunks of (n_rows, n_columns)."""
        row = np.dtype(("<f4", (n_columns,)))
        yield from _read(path, _rows_magic(n_columns), row, _CHUNK_ROWS)

    def _write(self, path: Path, magic: bytes, pieces: Iterable[bytes]) -> None:
        descriptor, name = tempfile.mkstemp(dir=self._folder, prefix=".tmp-")
        try:
            with os.fdopen(descriptor, "wb") as stream:
                stream.write(magic)
                for piece in pieces:
                    stream.write(piece)
            os.replace(name, path)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(name)
            raise
        self._prune()

    def _prune(self) -> None:
        """Remove the files used longest ago while the folder is over its limit."""
        entries = []
        for entry in os.scandir(self._folder):
            with contextlib.suppress(OSError):
                entries.append((entry.stat().st_mtime, entry.stat().st_size, entry.path))
        excess = sum(size for _, size, _ in entries) - LIMIT_BYTES
        for _, size, name in sorted(entries):
            if excess <= 0:
                break
            with contextlib.suppress(OSError):
                os.unlink(name)
            excess -= size


def _rows_magic(n_columns: int) -> bytes:
    return f"evalkit frames 1, {n_columns} columns\n".encode()


def _packed(chunk: Crossings) -> bytes:
    records = np.empty(len(chunk.lane), _RECORD)
    records["sample"], records["lane"] = chunk.sample, chunk.lane
    records["above"] = chunk.above
    return records.tobytes()


def _is_whole(path: Path, magic: bytes, item_bytes: int) -> bool:
    try:
        with path.open("rb") as stream:
            head = stream.read(len(magic))
            size = stream.seek(0, os.SEEK_END) - len(magic)
    except OSError:
        return False
    return head == magic and size % item_bytes == 0


def _read(path: Path, magic: bytes, item: np.dtype[Any], most: int) -> Iterator[NDArray[Any]]:
    with path.open("rb") as stream:
        stream.seek(len(magic))
        with contextlib.suppress(OSError):
            os.utime(path)
        while len(records := np.fromfile(stream, item, most)):
            yield records
