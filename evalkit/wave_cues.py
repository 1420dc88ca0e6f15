"""Segments in a WAV file: the chunks `cue ` and `LIST` `adtl` of RIFF, read from any, written to a copy.

A cue point gives a segment's first sample; `labl` its label, `note` its note,
`ltxt` (purpose `rgn `) its length in samples and, as text, ``phone: NAME``.
Layout: IBM and Microsoft, Multimedia Programming Interface and Data
Specifications 1.0, 1991, chapter 2.
"""

import contextlib
import os
import secrets
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import BinaryIO

from evalkit.durable import TEMPORARY_PREFIX, move_file
from evalkit.errors import FileFault
from evalkit.marks import Mark, in_ticks
from evalkit.recordings import Share, read_info
from evalkit.segments import Segment

__all__ = ["cue_chunks", "read_cues", "write_with_cues"]

_UNKNOWN_SIZE = 0xFFFF_FFFF
_LARGEST_CHUNK = 64_000_000
_COPY_BYTES = 1 << 20
_PHONE = "phone: "
_UTF_8 = 65001
# libsndfile's names of sample formats that a WAV file holds as they are.
_SAMPLES_OF_WAV = frozenset({"PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"})
_BLOCK_FRAMES = 65_536


@dataclass
class _Point:
    """What the chunks say of one cue point."""

    sample: int
    label: str = ""
    note: str = ""
    texts: list[str] = field(default_factory=list)
    length: int = 0


@dataclass(frozen=True)
class _Chunk:
    """A chunk of the outermost form."""

    name: bytes
    start: int
    """First byte of its body."""
    size: int


def read_cues(path: Path) -> tuple[Mark, ...]:
    """Return the marks in a WAV, RF64 or BW64 file.

    Chunks that are not understood are skipped, and so is whatever follows a
    place where the file is cut short.

    Raises
    ------
    FileFault
        If the file cannot be read or is no WAV file, or has no cue point.
    """
    rate = read_info(path).sample_rate_hz
    points: dict[int, _Point] = {}
    notes: list[bytes] = []
    with path.open("rb") as stream:
        for chunk in _chunks(stream, path):
            if chunk.name == b"cue ":
                _read_points(_body(stream, chunk), points)
            elif chunk.name == b"LIST" and chunk.size >= 4:
                body = _body(stream, chunk)
                if body[:4] == b"adtl":
                    notes.append(body[4:])
    if not points:
        raise FileFault(f"{path}: has no cue points, so there are no labels in it")
    for body in notes:
        _read_texts(body, points)
    return tuple(
        _mark(point, rate) for _, point in sorted(points.items(), key=lambda pair: (pair[1].sample, pair[0]))
    )


def write_with_cues(
    source: Path, target: Path, segments: Sequence[Segment], *, share: Share = lambda part: None
) -> None:
    """Write a copy of an audio file, as WAV, that carries the segments; the samples are the same.

    `share` is told how much of all was done, piece by piece.

    Raises
    ------
    FileFault
        If the source cannot be read or holds samples that WAV has no lossless
        form for, if a segment does not fit the format, if `source` and `target` are one file, or
        if the target cannot be written.
    """
    info = read_info(source)
    if target.exists() and os.path.samefile(source, target):
        raise FileFault(f"{target}: is the recording itself, which is never altered; name another file")
    chunks = cue_chunks(segments, sample_rate_hz=info.sample_rate_hz, n_frames=info.n_frames)
    temporary = target.with_name(f"{TEMPORARY_PREFIX}{os.getpid()}-{secrets.token_hex(6)}.wav")
    try:
        if info.container not in ("WAV", "WAVEX", "RF64"):
            # converted, then copied
            share = partial(_halved, share)
            _convert(source, temporary, info.encoding, share)
            source = temporary
        with source.open("rb") as original:
            kept = [chunk for chunk in _chunks(original, source) if not _is_ours(original, chunk)]
            second = temporary.with_name(f"{temporary.name}.cues")
            try:
                with second.open("wb") as stream:
                    _copy(original, kept, chunks, stream, target, share)
                    stream.flush()
                    os.fsync(stream.fileno())
                move_file(second, target)
            finally:
                with contextlib.suppress(FileNotFoundError):
                    second.unlink()
    except OSError as error:
        raise FileFault(f"{target}: cannot be written: {error.strerror or error}") from error
    finally:
        with contextlib.suppress(FileNotFoundError):
            temporary.unlink()


def cue_chunks(segments: Sequence[Segment], *, sample_rate_hz: int, n_frames: int) -> bytes:
    """Return the two chunks for some segments; nothing for none.

    Raises
    ------
    FileFault
        If two segments of one label lie in one sample, or one lies beyond the 2^32nd sample.
    """
    placed = in_ticks(segments, sample_rate_hz, last=n_frames)
    if placed and placed[-1][0] > 0xFFFF_FFFF:
        raise FileFault("a cue point cannot lie beyond sample 4294967295; use .csv or .vtt instead")
    if not placed:
        return b""
    points = [struct.pack("<I", len(placed))]
    labels, notes, regions = [], [], []
    for name, (start, end, segment) in enumerate(placed, start=1):
        points.append(struct.pack("<II4sIII", name, start, b"data", 0, 0, start))
        key = struct.pack("<I", name)
        labels.append(_chunk(b"labl", key + segment.label.encode() + b"\0"))
        if segment.note:
            notes.append(_chunk(b"note", key + segment.note.encode() + b"\0"))
        text = f"{_PHONE}{segment.phone}".encode() + b"\0" if segment.phone else b""
        region = struct.pack("<I4sHHHH", end - start, b"rgn ", 0, 0, 0, _UTF_8 if text else 0)
        regions.append(_chunk(b"ltxt", key + region + text))
    # Labels first: some readers lose their way behind a region's text.
    texts = b"".join([b"adtl", *labels, *notes, *regions])
    return _chunk(b"cue ", b"".join(points)) + _chunk(b"LIST", texts)


def _chunk(name: bytes, body: bytes) -> bytes:
    return name + struct.pack("<I", len(body)) + body + bytes(len(body) % 2)


def _chunks(stream: BinaryIO, path: Path) -> Iterator[_Chunk]:
    """Yield the chunks of a RIFF, RF64 or BW64 file of form WAVE, as far as they lie in the file."""
    length = stream.seek(0, os.SEEK_END)
    stream.seek(0)
    head = stream.read(12)
    if head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:] != b"WAVE":
        raise FileFault(f"{path}: is not a WAV file; only those carry cue points")
    data_bytes = None
    at = 12
    while at + 8 <= length:
        stream.seek(at)
        name, size = struct.unpack("<4sI", stream.read(8))
        if name == b"ds64" and len(sizes := stream.read(16)) == 16:
            data_bytes = struct.unpack("<Q", sizes[8:])[0]
        if name == b"data" and size == _UNKNOWN_SIZE:
            size = data_bytes if data_bytes is not None else length - at - 8
        yield _Chunk(name, at + 8, min(size, length - at - 8))
        at += 8 + size + size % 2


def _body(stream: BinaryIO, chunk: _Chunk) -> bytes:
    stream.seek(chunk.start)
    return stream.read(min(chunk.size, _LARGEST_CHUNK))


def _is_ours(stream: BinaryIO, chunk: _Chunk) -> bool:
    """Whether a chunk holds the marks that are to be replaced."""
    if chunk.name == b"cue ":
        return True
    stream.seek(chunk.start)
    return chunk.name == b"LIST" and stream.read(4) == b"adtl"


def _read_points(body: bytes, points: dict[int, _Point]) -> None:
    for at in range(4, len(body) - 23, 24):
        name, position, _, _, _, sample = struct.unpack("<II4sIII", body[at : at + 24])
        if (at - 4) // 24 >= struct.unpack("<I", body[:4])[0]:
            break
        # Some writers fill in the position alone.
        points.setdefault(name, _Point(sample or position))


def _read_texts(body: bytes, points: dict[int, _Point]) -> None:
    at = 0
    while at + 8 <= len(body):
        name, size = struct.unpack("<4sI", body[at : at + 8])
        part = body[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
        if len(part) < 4 or (point := points.get(struct.unpack("<I", part[:4])[0])) is None:
            continue
        if name == b"labl":
            point.label = point.label or _text(part[4:])
        elif name == b"note":
            point.note = point.note or _text(part[4:])
        elif name == b"ltxt" and len(part) >= 20:
            point.length = point.length or struct.unpack("<I", part[4:8])[0]
            if text := _text(part[20:]):
                point.texts.append(text)


def _text(data: bytes) -> str:
    """Return the text up to its zero; UTF-8, or what old Windows programs wrote."""
    data = data.partition(b"\0")[0]
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")


def _mark(point: _Point, rate: int) -> Mark:
    phone = ""
    others = []
    for text in point.texts:
        if text.startswith(_PHONE):
            phone = phone or text.removeprefix(_PHONE)
        else:
            others.append(text)
    label = point.label or (others.pop(0) if others else "")
    note = "; ".join([point.note, *others] if point.note else others)
    end_s = (point.sample + point.length) / rate if point.length else None
    return Mark(point.sample / rate, end_s, label, note, phone)


def _halved(share: Share, part: float) -> None:
    share(part / 2.0)


def _copy(
    original: BinaryIO, kept: Sequence[_Chunk], added: bytes, out: BinaryIO, target: Path, share: Share
) -> None:
    """Write a form of the chunks that are kept and those that are added."""
    original.seek(0)
    form = original.read(4)
    size = 4 + sum(8 + chunk.size + chunk.size % 2 for chunk in kept) + len(added)
    if form == b"RIFF" and size > 0xFFFF_FFFF:
        raise FileFault(f"{target}: would pass 4 GiB, which a WAV file cannot; use .csv or .vtt instead")
    out.write(form + struct.pack("<I", size if form == b"RIFF" else _UNKNOWN_SIZE) + b"WAVE")
    for chunk in kept:
        original.seek(chunk.start)
        long = form != b"RIFF" and chunk.name == b"data"
        out.write(chunk.name + struct.pack("<I", _UNKNOWN_SIZE if long else chunk.size))
        left = chunk.size
        if chunk.name == b"ds64" and chunk.size >= 8:
            original.read(8)
            out.write(struct.pack("<Q", size))
            left -= 8
        while left:
            part = original.read(min(left, _COPY_BYTES))
            if not part:
                raise FileFault(f"{target}: the recording was cut short while it was read")
            out.write(part)
            left -= len(part)
            share(len(part) / size)
        out.write(bytes(chunk.size % 2))
    out.write(added)


def _convert(source: Path, target: Path, encoding: str, share: Share) -> None:
    """Write the samples of another container as WAV."""
    import soundfile

    encoding = "PCM_U8" if encoding == "PCM_S8" else encoding
    if encoding not in _SAMPLES_OF_WAV:
        raise FileFault(f"{source}: holds {encoding} samples, which WAV cannot hold as they are; use .vtt")
    kind = "float64" if encoding in ("FLOAT", "DOUBLE") else "int32"
    with soundfile.SoundFile(source) as file:
        large = file.frames * file.channels * 8 > 0xF000_0000
        with soundfile.SoundFile(
            target, "w", file.samplerate, file.channels, encoding, format="RF64" if large else "WAV"
        ) as out:
            while len(block := file.read(_BLOCK_FRAMES, dtype=kind)):
                out.write(block)
                share(len(block) / max(file.frames, len(block)))
