"""What is made of recordings, kept on disk: a changed label or limit is scored without touching audio.

Files lie in the dataset's `.evalkit/crossings/`, named by a digest of all that
they depend on: audio, calibration, board, detector, labels, code, libraries.
They can be deleted at any time; those used longest ago go when together they
pass `LIMIT_BYTES`.
"""

import atexit
import hashlib
import io
import os
import platform
import re
import shutil
import tempfile
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cache
from importlib.metadata import distribution
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evalkit.crossings import Crossings
from evalkit.shelf import Shelf

__all__ = ["LIMIT_BYTES", "Arrays", "CrossingCache", "detection_digest"]

LIMIT_BYTES = 4 << 30
"""The cache of one dataset stays under this."""

Arrays = Mapping[str, NDArray[Any]]
"""Arrays by name."""

_RECORD = np.dtype([("sample", "<i8"), ("lane", "<u2"), ("above", "u1")])
_CHUNK_RECORDS = 1 << 17
_CHUNK_ROWS = 1 << 13
# What crossings and features are made by; all else in the package can change without making them again.
_DETECTION = ("_kernels.py", "_circuit_kernels.py", "board.py", "crossings.py", "recordings.py", "detectors")
_LIBRARIES = ("numpy", "scipy", "numba", "scikit-learn")


class CrossingCache:
    """What was made of a dataset's recordings, each thing at most once.

    Parameters
    ----------
    folder : Path
        The dataset. Where it cannot be written, a temporary folder serves instead.
    """

    def __init__(self, folder: Path) -> None:
        self._shelf = Shelf(_place(folder.absolute() / ".evalkit" / "crossings"), limit_bytes=LIMIT_BYTES)

    def crossings(self, key: Sequence[str], make: Callable[[], Iterable[Crossings]]) -> Iterator[Crossings]:
        """Yield the crossings that `make` yields, from the disk if they are there.

        Parameters
        ----------
        key : sequence of str
            All that they depend on beside code and libraries: audio, calibration, detector.
        make : callable
        """
        pieces = self._shelf.stream(
            _name("crossings", detection_digest(), key),
            lambda: map(_packed, make()),
            piece_bytes=_CHUNK_RECORDS * _RECORD.itemsize,
        )
        for piece in pieces:
            records = np.frombuffer(piece, _RECORD)
            yield Crossings(
                records["lane"].astype(np.int32),
                records["sample"].astype(np.int64),
                np.ascontiguousarray(records["above"]),
            )

    def rows(
        self, key: Sequence[str], n_columns: int, make: Callable[[], Iterable[NDArray[np.float32]]]
    ) -> Iterator[NDArray[np.float32]]:
        """Yield the rows of features, (n_rows, n_columns) each time, that `make` yields (see `crossings`)."""
        pieces = self._shelf.stream(
            _name(f"{n_columns} columns", detection_digest(), key),
            lambda: (rows.astype("<f4", copy=False).tobytes() for rows in make()),
            piece_bytes=4 * n_columns * _CHUNK_ROWS,
        )
        for piece in pieces:
            yield np.frombuffer(piece, "<f4").reshape(-1, n_columns)

    def arrays(self, key: Sequence[str], make: Callable[[], Arrays]) -> Arrays:
        """Return the arrays that `make` returns, from the disk if they are there.

        Parameters
        ----------
        key : sequence of str
            All that they depend on beside code and libraries.
        make : callable
        """
        data = self._shelf.whole(_name("arrays", _package_digest(), key), lambda: _saved(make()))
        with np.load(io.BytesIO(zlib.decompress(data)), allow_pickle=False) as loaded:
            return {name: loaded[name] for name in loaded.files}


def _place(folder: Path) -> Path:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if os.access(folder, os.W_OK):
            return folder
    except OSError:
        pass
    temporary = tempfile.mkdtemp(prefix="evalkit-")
    atexit.register(shutil.rmtree, temporary, ignore_errors=True)
    return Path(temporary)


def _name(kind: str, code: bytes, key: Sequence[str]) -> str:
    digest = hashlib.sha256(code)
    for part in (kind, *key):
        digest.update(part.encode() + b"\0")
    return digest.hexdigest()


@cache
def detection_digest() -> bytes:
    """Digest of the code that makes crossings and features: another version makes other files."""
    package = Path(__file__).parent
    return _code_digest(package / name for name in _DETECTION)


@cache
def _package_digest() -> bytes:
    """Digest of all code that computes."""
    package = Path(__file__).parent
    return _code_digest([*package.glob("*.py"), package / "detectors"])


def _code_digest(places: Iterable[Path]) -> bytes:
    digest = hashlib.sha256(_machine().encode())
    for place in sorted(places):
        for source in sorted(place.rglob("*.py")) if place.is_dir() else [place]:
            digest.update(source.read_bytes())
    return digest.digest()


@cache
def _machine() -> str:
    """What else the same code's last bits can depend on."""
    told = [distribution(name).read_text("METADATA") or "" for name in _LIBRARIES]
    versions = [re.findall(r"(?m)^Version: .*$", text)[:1] for text in told]
    return repr([platform.machine(), platform.python_version(), *versions])


def _packed(chunk: Crossings) -> bytes:
    records = np.empty(len(chunk.lane), _RECORD)
    records["sample"], records["lane"] = chunk.sample, chunk.lane
    records["above"] = chunk.above
    return records.tobytes()


def _saved(arrays: Arrays) -> bytes:
    stream = io.BytesIO()
    np.savez(stream, allow_pickle=False, **arrays)
    # tallies are nearly all zeros and repetitions
    return zlib.compress(stream.getvalue(), 1)
