"""A part of a recording as a file of its own: every sample as it was, and nothing but samples.

Whole numbers of up to 24 bits become FLAC, all else WAV. The files are bare:
no dates, devices, places, comments, pictures, and no block or chunk that could
hold any.
"""

import os
import struct
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import soundfile
from numpy.typing import NDArray

from evalkit.errors import FileFault
from evalkit.lowpass import low_passed
from evalkit.recordings import NumberType, read_blocks, read_blocks_as, read_info, samples_sha256

__all__ = ["Encoded", "check_bare", "encode_part"]

_BLOCK_FRAMES = 65_536
_COPY_BYTES = 1 << 20
# libsndfile's names of sample formats, and how each is kept: the type to read it in, which holds
# every bit of it, and the bits that a FLAC file of it needs. A-law and mu-law decode to 16 bits.
_FLAC_BITS: dict[str, tuple[NumberType, int]] = {
    "PCM_S8": ("int16", 8),
    "PCM_U8": ("int16", 8),
    "PCM_16": ("int16", 16),
    "PCM_24": ("int32", 24),
    "ALAW": ("int16", 16),
    "ULAW": ("int16", 16),
}
_WAV_TYPES: dict[str, NumberType] = {"PCM_32": "int32", "DOUBLE": "float64"}
# FLAC's stream information has 20 bits for the rate; its frames have room for any rate up to
# 65,535 and beyond that for multiples of 10.
_FLAC_MOST_HZ = 655_350
_FLAC_EVERY_RATE_HZ = 65_535
_STREAM_INFORMATION = 0
_BARE_FLAC = frozenset({_STREAM_INFORMATION, 1, 3})
"""Stream information, padding and seek table; other metadata blocks can hold anything."""
_BARE_WAV = frozenset({b"ds64", b"fmt ", b"fact", b"data"})
_LARGEST_RIFF = 0xFFFF_FFFF - 1024
_PCM, _FLOAT = 1, 3


@dataclass(frozen=True)
class Encoded:
    """What was written."""

    suffix: str
    """``".flac"`` or ``".wav"``."""
    n_frames: int
    audio_sha256: str


def encode_part(
    path: Path,
    target: BinaryIO,
    *,
    channel: int,
    start: int,
    stop: int,
    lowpass_hz: float | None = None,
    advance: Callable[[int], None] = lambda _: None,
) -> Encoded:
    """Write the frames [start, stop) of one channel as a file of their own.

    The file is read back, and is the same to the last bit unless it was
    filtered; then it is what the filter made, rounded to the recording's own
    sample format.

    Parameters
    ----------
    path : Path
        The recording.
    target : binary stream
        An empty file on the disk, open for reading and writing.
    channel, start, stop : int
    lowpass_hz : float, optional
        Take out what lies above (`lowpass.low_passed`).
    advance : callable
        Called with the number of frames of every block that was gone through; each is gone through
        three times, encoded, read back and compared (twice if it was filtered).

    Raises
    ------
    FileFault
        If the recording cannot be read or the disk is full.
    OSError
        If the target cannot be written.
    """
    info = read_info(path)
    rate, n_frames = info.sample_rate_hz, stop - start
    fits_flac = rate <= _FLAC_EVERY_RATE_HZ or (rate <= _FLAC_MOST_HZ and rate % 10 == 0)
    number_type, bits = _FLAC_BITS.get(info.encoding, (_WAV_TYPES.get(info.encoding, "float32"), 0))
    blocks = _advancing(read_blocks_as(number_type, path, channel=channel, start=start, stop=stop), advance)
    if lowpass_hz is not None:
        blocks = _filtered(blocks, number_type, bits, sample_rate_hz=rate, edge_hz=lowpass_hz)
    suffix = ".flac" if bits and fits_flac else ".wav"
    try:
        if suffix == ".flac":
            _write_flac(target, blocks, sample_rate_hz=rate, bits=bits)
        else:
            _write_wav(target, blocks, number_type, sample_rate_hz=rate, n_frames=n_frames)
        sha256 = samples_sha256(_advancing(_read_back(target), advance), sample_rate_hz=rate)
    except soundfile.LibsndfileError as error:
        reason = error.error_string.strip().rstrip(".")
        raise FileFault(f"{path}: no copy of it can be written ({reason}); is the disk full?") from error
    if lowpass_hz is None:
        blocks = _advancing(read_blocks(path, channel=channel, start=start, stop=stop), advance)
        original = samples_sha256(blocks, sample_rate_hz=rate)
        if sha256 != original:
            raise FileFault(f"{path}: changed while it was read, or its samples do not survive in {suffix}")
    return Encoded(suffix, n_frames, sha256)


def check_bare(stream: BinaryIO, name: str) -> None:
    """Raise a FileFault unless a FLAC or WAV file holds samples and nothing else.

    Parameters
    ----------
    stream : binary stream
        At the start of the file; seekable.
    name : str
        Named in messages.
    """
    head = stream.read(12)
    if head[:4] == b"fLaC":
        stream.seek(4)
        for kind, size in _flac_blocks(stream, name):
            if kind not in _BARE_FLAC:
                raise FileFault(f"{name}: holds more than audio (FLAC metadata block {kind}, {size} bytes)")
            stream.seek(size, 1)
    elif head[:4] in (b"RIFF", b"RF64") and head[8:] == b"WAVE":
        while len(header := stream.read(8)) == 8:
            chunk, size = header[:4], struct.unpack("<I", header[4:])[0]
            if chunk not in _BARE_WAV:
                raise FileFault(f"{name}: holds more than audio (WAV chunk {chunk!r}, {size} bytes)")
            if chunk == b"data" and size == 0xFFFF_FFFF:
                return
            stream.seek(size + size % 2, 1)
    else:
        raise FileFault(f"{name}: is neither FLAC nor WAV")


def _advancing(blocks: Iterable[NDArray[Any]], advance: Callable[[int], None]) -> Iterator[NDArray[Any]]:
    for block in blocks:
        yield block
        advance(len(block))


def _filtered(
    blocks: Iterable[NDArray[Any]], number_type: NumberType, bits: int, *, sample_rate_hz: int, edge_hz: float
) -> Iterator[NDArray[Any]]:
    """Filter whole numbers and floats alike; whole numbers are rounded to what their format holds."""
    kind = np.dtype(number_type)
    floats = (block.astype(np.float64) for block in blocks)
    for block in low_passed(floats, sample_rate_hz=sample_rate_hz, edge_hz=edge_hz):
        if kind.kind == "f":
            yield block.astype(kind)
            continue
        # A format with fewer bits than its type lies at the upper end of it.
        step = 2.0 ** (8 * kind.itemsize - (bits or 8 * kind.itemsize))
        limits = np.iinfo(kind)
        rounded = np.clip(step * np.rint(block / step), limits.min, limits.max - step + 1)
        yield rounded.astype(kind)


def _write_flac(target: BinaryIO, blocks: Iterable[NDArray[Any]], *, sample_rate_hz: int, bits: int) -> None:
    subtype = "PCM_S8" if bits == 8 else f"PCM_{bits}"
    # By the file's number: through a file object libsndfile would not learn of a full disk.
    handle = os.dup(target.fileno())
    with soundfile.SoundFile(handle, "w", sample_rate_hz, 1, subtype=subtype, format="FLAC") as file:
        for block in blocks:
            file.write(block)
    _strip_flac(target)


def _strip_flac(target: BinaryIO) -> None:
    """Move the audio of a FLAC file up over all metadata but the stream information."""
    target.seek(4)
    for kind, size in _flac_blocks(target, "FLAC"):
        if kind == _STREAM_INFORMATION:
            information = target.read(size)
        else:
            target.seek(size, 1)
    read_at = target.tell()
    target.seek(4)
    # 0x80: this is the last metadata block.
    target.write(bytes([0x80 | _STREAM_INFORMATION]) + len(information).to_bytes(3, "big") + information)
    write_at = target.tell()
    while True:
        target.seek(read_at)
        piece = target.read(_COPY_BYTES)
        if not piece:
            break
        read_at += len(piece)
        target.seek(write_at)
        target.write(piece)
        write_at += len(piece)
    target.truncate(write_at)


def _flac_blocks(stream: BinaryIO, name: str) -> Iterator[tuple[int, int]]:
    """Yield kind and size of each metadata block; the caller reads or skips it."""
    last = False
    while not last:
        header = stream.read(4)
        if len(header) < 4:
            raise FileFault(f"{name}: ends within its FLAC metadata")
        last = bool(header[0] & 0x80)
        yield header[0] & 0x7F, int.from_bytes(header[1:], "big")


def _write_wav(
    target: BinaryIO,
    blocks: Iterable[NDArray[Any]],
    number_type: NumberType,
    *,
    sample_rate_hz: int,
    n_frames: int,
) -> None:
    """Write a WAV file, or RF64 where it is too long for one, of as few chunks as the format has."""
    kind = np.dtype(number_type).newbyteorder("<")
    frame_bytes = kind.itemsize
    n_bytes = n_frames * frame_bytes
    tag = _FLOAT if kind.kind == "f" else _PCM
    form = struct.pack(
        "<HHIIHH", tag, 1, sample_rate_hz, sample_rate_hz * frame_bytes, frame_bytes, 8 * frame_bytes
    )
    chunks = b"fmt " + struct.pack("<I", len(form)) + form
    large = n_bytes > _LARGEST_RIFF
    if tag != _PCM:
        # What is not plain PCM must tell its number of samples.
        chunks += b"fact" + struct.pack("<II", 4, min(n_frames, 0xFFFF_FFFF))
    if large:
        riff_bytes = 4 + 8 + 28 + len(chunks) + 8 + n_bytes + n_bytes % 2
        long_sizes = struct.pack("<QQQI", riff_bytes, n_bytes, n_frames, 0)
        head = b"RF64" + struct.pack("<I", 0xFFFF_FFFF) + b"WAVEds64" + struct.pack("<I", 28) + long_sizes
        data = b"data" + struct.pack("<I", 0xFFFF_FFFF)
    else:
        riff_bytes = 4 + len(chunks) + 8 + n_bytes + n_bytes % 2
        head = b"RIFF" + struct.pack("<I", riff_bytes) + b"WAVE"
        data = b"data" + struct.pack("<I", n_bytes)
    target.write(head + chunks + data)
    for block in blocks:
        target.write(block.astype(kind, copy=False).tobytes())
    if n_bytes % 2:
        target.write(b"\0")


def _read_back(target: BinaryIO) -> Iterator[NDArray[np.float32]]:
    target.flush()
    os.lseek(target.fileno(), 0, os.SEEK_SET)
    with soundfile.SoundFile(os.dup(target.fileno())) as file:
        while len(block := file.read(_BLOCK_FRAMES, dtype="float32")):
            yield block
