"""Files that hold a long recording at every zoom: rows of values, each in coarser and coarser copies.

A row has one entry for so many samples; its first coarser copy one for four
of those, and so on. What a picture needs of 24 h is then a few thousand
entries, read where they lie. A file is made in one pass, appears once it is
whole, and says what it was made of: another recording or another setting is
another file. It can be deleted at any time.
"""

import contextlib
import json
import mmap
import os
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import DTypeLike, NDArray

from evalkit.durable import TEMPORARY_PREFIX

__all__ = ["Pyramid", "PyramidWriter", "Row", "Summary"]

_MAGIC = b"evalkit pyramid 1\n"
_STEP = 4
_PIECE = 1 << 18
_FEWEST = 64


class Summary(StrEnum):
    """What one entry of a coarser copy says of the four that it stands for."""

    LOWEST = "lowest"
    HIGHEST = "highest"
    MEAN = "mean"
    NONE = "none"
    """There are no coarser copies."""


@dataclass(frozen=True)
class Row:
    """One row of values."""

    name: str
    dtype: DTypeLike
    n: int
    """Entries of the finest copy."""
    samples: int
    """Samples that one of these stands for."""
    summary: Summary
    width: int = 1
    """Values in an entry."""

    @property
    def lengths(self) -> tuple[int, ...]:
        """Entries of each copy, the finest first."""
        found = [self.n]
        while self.summary is not Summary.NONE and found[-1] > _FEWEST:
            found.append(-(-found[-1] // _STEP))
        return tuple(found)

    @property
    def entry_bytes(self) -> int:
        """Bytes of an entry."""
        return np.dtype(self.dtype).itemsize * self.width


class PyramidWriter:
    """Writes a pyramid; use it as a context manager: an exception leaves no file behind.

    Parameters
    ----------
    path : Path
        The file to be.
    rows : sequence of Row
        All that it will hold, beside `extra`.

    Raises
    ------
    OSError
        If the disk does not allow it; from any method.
    """

    def __init__(self, path: Path, rows: Sequence[Row]) -> None:
        self._path = path
        self._rows = {row.name: row for row in rows}
        self._written = dict.fromkeys(self._rows, 0)
        self._places, self._end = _layout(rows)
        self.size_bytes: int = self._end
        """About as large the file will be."""
        path.parent.mkdir(parents=True, exist_ok=True)
        self._temporary = path.with_name(f"{TEMPORARY_PREFIX}{path.name}-{secrets.token_hex(4)}")
        self._stream = open(self._temporary, "w+b")  # noqa: SIM115 - closed by `finish` or `__exit__`

    def __enter__(self) -> "PyramidWriter":
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self._stream.close()
        with contextlib.suppress(FileNotFoundError):
            self._temporary.unlink()

    def add(self, name: str, values: NDArray[Any]) -> None:
        """Add the next entries of a row: shape (n,) or (n, width)."""
        row = self._rows[name]
        done = self._written[name]
        if done + len(values) > row.n:
            raise ValueError(f"row {name} has {row.n} entries; {done + len(values)} were given")
        self._put(row, 0, done, values)
        self._written[name] = done + len(values)

    def finish(self, made_of: Mapping[str, Any], extra: Mapping[str, Any]) -> "Pyramid":
        """Make the coarser copies, let the file appear and open it.

        Parameters
        ----------
        made_of, extra : mapping
            As JSON: what the file depends on, and what else is to be kept in it.
        """
        for name, row in self._rows.items():
            if self._written[name] != row.n:
                raise ValueError(f"row {name} has {row.n} entries; {self._written[name]} were given")
            for level in range(1, len(row.lengths)):
                self._summarise(row, level)
        head = {
            "made_of": dict(made_of),
            "extra": dict(extra),
            "rows": [
                [row.name, np.dtype(row.dtype).descr, row.n, row.samples, str(row.summary), row.width]
                for row in self._rows.values()
            ],
        }
        text = json.dumps(head).encode("utf-8")
        self._stream.seek(self._end)
        self._stream.write(text)
        self._stream.seek(0)
        self._stream.write(_MAGIC + b"%020d %020d\n" % (self._end, len(text)))
        self._stream.flush()
        # Whoever deletes the folder meanwhile only takes the file from those who come later.
        with contextlib.suppress(FileNotFoundError):
            os.replace(self._temporary, self._path)
        return Pyramid(self._path, stream=self._stream)

    def _put(self, row: Row, level: int, first: int, values: NDArray[Any]) -> None:
        self._stream.seek(self._places[row.name][level] + first * row.entry_bytes)
        self._stream.write(np.ascontiguousarray(values, dtype=row.dtype).tobytes())

    def _summarise(self, row: Row, level: int) -> None:
        """Write a coarser copy, a piece at a time."""
        for first in range(0, row.lengths[level], _PIECE):
            last = min(first + _PIECE, row.lengths[level])
            stop = min(last * _STEP, row.lengths[level - 1])
            self._stream.seek(self._places[row.name][level - 1] + first * _STEP * row.entry_bytes)
            data = self._stream.read((stop - first * _STEP) * row.entry_bytes)
            fine = np.frombuffer(data, row.dtype).reshape(-1, row.width)
            starts = np.arange(0, len(fine), _STEP)
            self._put(row, level, first, _reduced(fine, starts, row.summary))


class Pyramid:
    """A file that a `PyramidWriter` made, open for reading.

    Parameters
    ----------
    path : Path
        The file.
    stream : binary stream, optional
        The file, open, where it may no longer lie at its path.

    Raises
    ------
    OSError, ValueError
        If there is no such file, or it is not whole.
    """

    def __init__(self, path: Path, *, stream: BinaryIO | None = None) -> None:
        with path.open("rb") if stream is None else contextlib.nullcontext(stream) as opened:
            opened.seek(0)
            magic = opened.readline()
            if magic != _MAGIC:
                raise ValueError(f"{path}: not a pyramid of this version")
            end, length = (int(number) for number in opened.readline().split())
            opened.seek(end)
            text = opened.read(length)
            if len(text) != length:
                raise ValueError(f"{path}: cut short")
            # From here on the file may be deleted: what is mapped stays.
            self._map = mmap.mmap(opened.fileno(), 0, access=mmap.ACCESS_READ)
        head = json.loads(text)
        self.made_of: dict[str, Any] = head["made_of"]
        self.extra: dict[str, Any] = head["extra"]
        self.rows = {
            name: Row(name, _dtype_of(descr), n, samples, Summary(summary), width)
            for name, descr, n, samples, summary, width in head["rows"]
        }
        self._places, _ = _layout(list(self.rows.values()))

    def entries(self, name: str, level: int = 0) -> NDArray[Any]:
        """Return a copy of a row as it lies on the disk: shape (n,) or (n, width)."""
        row = self.rows[name]
        place = self._places[name][level]
        n_bytes = row.lengths[level] * row.entry_bytes
        flat = np.frombuffer(self._map, np.uint8, n_bytes, place).view(row.dtype)
        return flat if row.width == 1 else flat.reshape(-1, row.width)

    def let_go(self) -> None:
        """Give back the memory of what was read so far; it is read again where it is wanted again."""
        if hasattr(mmap, "MADV_DONTNEED"):
            self._map.madvise(mmap.MADV_DONTNEED)

    def across(self, name: str, edges: NDArray[np.float64]) -> NDArray[Any]:
        """Return what a row says of each column of a picture.

        Parameters
        ----------
        name : str
            A row that has coarser copies.
        edges : ndarray of shape (n_columns + 1,)
            Samples at which the columns begin and the last one ends; rising.

        Returns
        -------
        ndarray of shape (n_columns,) or (n_columns, width), float32
            Lowest, highest or mean; NaN for columns outside the recording.
        """
        row = self.rows[name]
        per_column = (edges[-1] - edges[0]) / (len(edges) - 1) / row.samples
        level = 0
        while level + 1 < len(row.lengths) and per_column >= 2 * _STEP ** (level + 1):
            level += 1
        n = row.lengths[level]
        places = np.floor(edges / (row.samples * _STEP**level)).astype(np.int64)
        starts, stops = places[:-1], np.maximum(places[1:], places[:-1] + 1)
        result = np.full((len(starts), row.width), np.nan, np.float32)
        inside = (starts < n) & (stops > 0)
        if inside.any():
            first, last = max(0, int(starts[inside][0])), min(n, int(stops[inside][-1]))
            values = self.entries(name, level)[first:last].astype(np.float32).reshape(-1, row.width)
            own = np.clip(starts[inside], first, last - 1) - first
            result[inside] = _reduced(values, own, row.summary)
        return result[:, 0] if row.width == 1 else result


def _layout(rows: Sequence[Row]) -> tuple[dict[str, tuple[int, ...]], int]:
    """Return where each copy of each row begins, in bytes, and where the last one ends."""
    places = {}
    at = 64
    for row in rows:
        own = []
        for length in row.lengths:
            own.append(at)
            at += -(-length * row.entry_bytes // 16) * 16
        places[row.name] = tuple(own)
    return places, at


def _reduced(values: NDArray[Any], starts: NDArray[np.int64], summary: Summary) -> NDArray[Any]:
    """Summarise values of shape (n, width) from each start to the next."""
    if summary is Summary.LOWEST:
        return np.asarray(np.minimum.reduceat(values, starts, axis=0))
    if summary is Summary.HIGHEST:
        return np.asarray(np.maximum.reduceat(values, starts, axis=0))
    sums = np.add.reduceat(values.astype(np.float64), starts, axis=0)
    # reduceat gives the entry itself where the next start is no later.
    counts = np.maximum(np.diff(starts, append=len(values)), 1)
    return np.asarray(sums / counts[:, np.newaxis])


def _dtype_of(descr: list[Any]) -> np.dtype[Any]:
    plain = len(descr) == 1 and descr[0][0] == ""
    fields = [tuple(tuple(part) if isinstance(part, list) else part for part in field) for field in descr]
    return np.dtype(descr[0][1]) if plain else np.dtype(fields)
