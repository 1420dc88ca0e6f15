"""Crossings kept on disk, so that a changed label or limit is scored without touching audio.

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

import numpy as np

from evalkit.crossings import Crossings

__all__ = ["LIMIT_BYTES", "CrossingCache"]

LIMIT_BYTES = 2 << 30
"""The cache of one dataset stays under this."""

_RECORD = np.dtype([("sample", "<i8"), ("lane", "<u2"), ("above", "u1")])
_MAGIC = b"evalkit crossings 1\n"
_CHUNK_RECORDS = 1 << 17
_SOURCES = ("_kernels.py", "crossings.py", "recordings.py", "detectors")


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
    """The crossings of a dataset's recordings, each made at most once.

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
        """Return whether the file is there and whole."""
        try:
            with path.open("rb") as stream:
                head = stream.read(len(_MAGIC))
                size = stream.seek(0, os.SEEK_END) - len(_MAGIC)
        except OSError:
            return False
        return head == _MAGIC and size % _RECORD.itemsize == 0

    def write(self, path: Path, chunks: Iterable[Crossings]) -> None:
        """Write crossings as they come; the file appears once it is whole."""
        descriptor, name = tempfile.mkstemp(dir=self._folder, prefix=".tmp-")
        try:
            with os.fdopen(descriptor, "wb") as stream:
                stream.write(_MAGIC)
                for chunk in chunks:
                    records = np.empty(len(chunk.lane), _RECORD)
                    records["sample"], records["lane"] = chunk.sample, chunk.lane
                    records["above"] = chunk.above
                    stream.write(records.tobytes())
            os.replace(name, path)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(name)
            raise
        self._prune()

    def read(self, path: Path) -> Iterator[Crossings]:
        """Yield the crossings in chunks."""
        with path.open("rb") as stream:
            stream.seek(len(_MAGIC))
            with contextlib.suppress(OSError):
                os.utime(path)
            while len(records := np.fromfile(stream, _RECORD, _CHUNK_RECORDS)):
                yield Crossings(
                    records["lane"].astype(np.int32),
                    records["sample"].astype(np.int64),
                    np.ascontiguousarray(records["above"]),
                )

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
