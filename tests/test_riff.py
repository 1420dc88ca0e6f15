"""Lists of chunks that would keep libsndfile busy for ever."""

import io
import struct
from pathlib import Path

import pytest

from evalkit.errors import FileFault
from evalkit.riff import check_lists

# RIFF: the pad byte of a part of odd length is not counted in its size (Multimedia Programming
# Interface and Data Specifications 1.0, 1991, chapter 2).


def part(name: bytes, body: bytes, *, size: int | None = None, padded: bool = True) -> bytes:
    pad = b"\0" if len(body) % 2 and padded else b""
    return name + struct.pack("<I", len(body) if size is None else size) + body + pad


def wave(*chunks: bytes, form: bytes = b"RIFF") -> io.BytesIO:
    body = b"WAVE" + b"".join(chunks)
    return io.BytesIO(form + struct.pack("<I", len(body)) + body)


def a_list(*parts: bytes, size: int | None = None) -> bytes:
    return part(b"LIST", b"INFO" + b"".join(parts), size=size)


@pytest.mark.parametrize(
    "stream",
    [
        wave(),
        wave(a_list()),
        wave(a_list(part(b"ICMT", b"loud"), part(b"ISFT", b"odd"))),
        wave(a_list(part(b"ICMT", b"odd", padded=False), part(b"ISFT", b"loud")), part(b"data", b"\1\0")),
        wave(a_list(part(b"ICMT", b"cut off here"))[:-4]),
        wave(part(b"data", b"LIST\xff\xff\xff\xff")),
        io.BytesIO(b"fLaC" + b"LIST\xff\xff\xff\xff" * 9),
        io.BytesIO(b""),
        io.BytesIO(b"RIFF"),
    ],
)
def test_what_is_sound_or_none_of_ours_is_left_alone(stream: io.BytesIO) -> None:
    check_lists(stream, Path("a.wav"))


@pytest.mark.parametrize("size", [5, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFF])
@pytest.mark.parametrize("form", [b"RIFF", b"RF64", b"BW64"])
def test_a_part_longer_than_its_list_is_refused(size: int, form: bytes) -> None:
    stream = wave(a_list(part(b"ISFT", b"ok"), part(b"ICMT", b"loud", size=size)), form=form)
    with pytest.raises(FileFault, match=r"a\.wav: a list of comments or marks in it is broken at byte 34"):
        check_lists(stream, Path("a.wav"))
