"""Lists of chunks in RIFF files, looked at before a library is let near them."""

import os
import struct
from pathlib import Path
from typing import BinaryIO

from evalkit.errors import FileFault

__all__ = ["check_lists"]

_FORMS = (b"RIFF", b"RF64", b"BW64")


def check_lists(stream: BinaryIO, path: Path) -> None:
    """Refuse a WAV file in which a part of a list is longer than the list.

    libsndfile 1.2.2 takes such a length for a step back and reads the same
    part again, for ever (found by fuzzing).

    Parameters
    ----------
    stream : binary stream
        Any file; what is not RIFF is left alone.
    path : Path
        Named in messages.

    Raises
    ------
    FileFault
    """
    stream.seek(0)
    head = stream.read(12)
    if head[:4] not in _FORMS:
        return
    length = stream.seek(0, os.SEEK_END)
    at = 12
    while at + 8 <= length:
        stream.seek(at)
        name, size = struct.unpack("<4sI", stream.read(8))
        if name == b"LIST":
            _check_parts(stream, path, at + 12, at + 8 + size, length)
        at += 8 + size + size % 2


def _check_parts(stream: BinaryIO, path: Path, at: int, end: int, length: int) -> None:
    while at + 8 <= min(end, length):
        stream.seek(at)
        size = struct.unpack("<I", stream.read(8)[4:])[0]
        following = at + 8 + size
        if following > end:
            raise FileFault(
                f"{path}: a list of comments or marks in it is broken at byte {at}; open it in an audio "
                "editor and save it anew"
            )
        # A part of odd length has a zero behind it; some programs leave that out.
        stream.seek(following)
        at = following + (size % 2 if stream.read(1) == b"\0" else 0)
