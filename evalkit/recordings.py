"""Audio files in, blocks of samples out.

Whatever libsndfile reads is a recording. Files are read in blocks, so that
memory does not grow with their length; a frame is one sample of every
channel, channels count from 1, and full scale is 1.0.
"""

import hashlib
import os
import stat
import struct
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Literal

import numpy as np
import numpy.typing as npt
import soundfile

from evalkit.errors import FileFault
from evalkit.riff import check_lists

__all__ = [
    "AudioInfo",
    "NumberType",
    "Share",
    "audio_sha256",
    "file_sha256",
    "read_blocks",
    "read_blocks_as",
    "read_info",
    "samples_sha256",
]

NumberType = Literal["int16", "int32", "float32", "float64"]
"""In which samples can be read."""

Share = Callable[[float], None]
"""Told, as a share of the whole file, how long each piece is that was gone through."""

_BLOCK_FRAMES = 65_536
_PIECE_BYTES = 1 << 20
# A file whose compressed frames are damaged is counted in steps of this many frames.
_COUNT_FRAMES = 4_096
# A phone's motor turns near 175 Hz; above a megahertz a header lies, or the sound is none.
_LEAST_RATE_HZ, _MOST_RATE_HZ = 1_000, 1_000_000
_FLOAT_ENCODINGS = frozenset({"FLOAT", "DOUBLE"})
# The length of these is what their header says until someone decodes them.
_COMPRESSED_CONTAINERS = frozenset({"FLAC", "OGG", "MP3", "CAF"})
# Format tags of RIFF whose frames all have the same number of bytes: linear, float, A-law, mu-law
# and the extensible form of these.
_RIFF_FIXED_SIZE_TAGS = frozenset({1, 3, 6, 7, 0xFFFE})
_UNKNOWN_SIZE = 0xFFFF_FFFF


@dataclass(frozen=True)
class AudioInfo:
    """What an audio file says of itself, and how much of that is there."""

    sample_rate_hz: int
    n_frames: int
    """Frames that can be read."""
    n_channels: int
    container: str
    """libsndfile's name of the file format: ``"WAV"``, ``"FLAC"``."""
    encoding: str
    """libsndfile's name of the sample format: ``"PCM_16"``, ``"FLOAT"``."""
    promised_frames: int
    """Frames that the header promises; more than `n_frames` in a file that was cut short."""


def read_info(path: Path, *, known_bytes: int | None = None) -> AudioInfo:
    """Return what an audio file holds, without reading its samples.

    (Of a compressed file the last frame is decoded, and if it was cut short all, to count what is left.
    Where the file is as long as `known_bytes`, its length when it was known to be whole, nothing is.)

    Raises
    ------
    FileFault
        In one clear line, for whatever is not usable audio: no such file, a
        folder, no permission, an empty file, not audio, no samples.
    """
    with _opened(path) as file:
        info = AudioInfo(file.samplerate, file.frames, file.channels, file.format, file.subtype, file.frames)
        whole = path.stat().st_size == known_bytes or info.container not in _COMPRESSED_CONTAINERS
        if not whole and not _last_frame_decodes(file, info.n_frames):
            n_frames = _count_frames(path)
            # A stream of unknown length reports the largest number there is.
            promised = info.n_frames if info.n_frames < 1 << 60 else n_frames
        else:
            n_frames = info.n_frames
            promised = max(n_frames, _promised_frames(path))
    if n_frames <= 0:
        raise FileFault(f"{path}: holds no samples")
    if not _LEAST_RATE_HZ <= info.sample_rate_hz <= _MOST_RATE_HZ:
        raise FileFault(
            f"{path}: says that its sample rate is {info.sample_rate_hz} Hz; "
            f"{_LEAST_RATE_HZ} to {_MOST_RATE_HZ} can be used"
        )
    return AudioInfo(info.sample_rate_hz, n_frames, info.n_channels, info.container, info.encoding, promised)


def read_blocks(
    path: Path,
    *,
    channel: int,
    block_frames: int = _BLOCK_FRAMES,
    start: int = 0,
    stop: int | None = None,
) -> Iterator[npt.NDArray[np.float32]]:
    """Yield the samples of one channel, block by block.

    Parameters
    ----------
    path : Path
        An audio file.
    channel : int
        Counts from 1.
    block_frames : int
        Length of every block but the last.
    start, stop : int
        The frames [start, stop) are read; by default to the end.

    Yields
    ------
    ndarray of shape (n_frames,), float32, full scale = 1.0
        One-dimensional, C-contiguous, finite, a new array each time.

    Raises
    ------
    FileFault
        If the file is not usable audio, ends before `stop`, has no such
        channel, or holds a sample that is not finite (its time is named).
    """
    blocks = read_blocks_as(
        "float32", path, channel=channel, block_frames=block_frames, start=start, stop=stop
    )
    for block in blocks:
        yield block.astype(np.float32, copy=False)


def read_blocks_as(
    number_type: NumberType,
    path: Path,
    *,
    channel: int,
    block_frames: int = _BLOCK_FRAMES,
    start: int = 0,
    stop: int | None = None,
) -> Iterator[npt.NDArray[Any]]:
    """Yield what `read_blocks` yields in another number type, for who must keep every bit.

    Whole numbers are full scale at the ends of their type, as libsndfile gives them.
    """
    info = read_info(path)
    if not 1 <= channel <= info.n_channels:
        raise FileFault(f"{path}: has no channel {channel}; it has {info.n_channels}")
    end = info.n_frames if stop is None else stop
    if end > info.n_frames:
        raise FileFault(f"{path}: holds {info.n_frames} frames, fewer than the {end} expected of it")
    may_be_infinite = info.encoding in _FLOAT_ENCODINGS
    # the same numbers as libsndfile's own float32, in a quarter of its time
    by_numpy = number_type == "float32" and info.encoding == "PCM_16"
    with _opened(path) as file:
        position = start
        if start:
            file.seek(start)
        while position < end:
            wanted = min(block_frames, end - position)
            block = _read(file, wanted, path, "int16" if by_numpy else number_type)
            if len(block) < wanted:
                raise FileFault(f"{path}: ends at frame {position + len(block)}; {end} were expected")
            samples = np.ascontiguousarray(block[:, channel - 1])
            if by_numpy:
                samples = np.multiply(samples, np.float32(2.0**-15), dtype=np.float32)
            if may_be_infinite and not np.isfinite(samples).all():
                at = position + int(np.flatnonzero(~np.isfinite(samples))[0])
                raise FileFault(
                    f"{path}: the sample at {at / info.sample_rate_hz:.6f} s (frame {at}) is not a finite "
                    "number; repair the file with an audio editor, or record again"
                )
            yield samples
            position += wanted


def audio_sha256(path: Path, *, channel: int, share: Share = lambda part: None) -> str:
    """Return the SHA-256 of the sample rate and the samples of one channel, in hexadecimal.

    It is taken over the decoded samples as little-endian float32, so the same
    audio in another lossless container has the same hash.
    """
    info = read_info(path)

    def blocks() -> Iterator[npt.NDArray[np.float32]]:
        for block in read_blocks(path, channel=channel):
            yield block
            share(len(block) / info.n_frames)

    return samples_sha256(blocks(), sample_rate_hz=info.sample_rate_hz)


def samples_sha256(blocks: Iterable[npt.NDArray[np.float32]], *, sample_rate_hz: int) -> str:
    """Return the `audio_sha256` of samples that lie elsewhere than in a file of their own."""
    digest = hashlib.sha256(f"float32 {sample_rate_hz} Hz\n".encode())
    for block in blocks:
        digest.update(block.astype("<f4", copy=False).data)
    return digest.hexdigest()


def file_sha256(path: Path, *, share: Share = lambda part: None) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal."""
    digest = hashlib.sha256()
    try:
        with path.open("rb") as stream:
            size = os.fstat(stream.fileno()).st_size
            while piece := stream.read(_PIECE_BYTES):
                digest.update(piece)
                share(len(piece) / max(size, len(piece)))
            return digest.hexdigest()
    except OSError as error:
        raise FileFault(f"{path}: cannot be read: {error.strerror or error}") from error


def _opened(path: Path) -> Any:
    """Return the open SoundFile, or raise a FileFault that says what is wrong with the file."""
    try:
        status = os.stat(path)
        if stat.S_ISDIR(status.st_mode):
            raise FileFault(f"{path}: is a folder, not an audio file")
        if not stat.S_ISREG(status.st_mode):
            raise FileFault(f"{path}: is not a regular file")
        with path.open("rb") as stream:
            check_lists(stream, path)
    except FileNotFoundError as error:
        raise FileFault(f"{path}: no such file") from error
    except PermissionError as error:
        raise FileFault(f"{path}: no permission to read it") from error
    except OSError as error:
        raise FileFault(f"{path}: cannot be read: {error.strerror or error}") from error
    if status.st_size == 0:
        raise FileFault(f"{path}: is empty")
    try:
        with path.open("rb") as stream:
            form = stream.read(4)
        return soundfile.SoundFile(_AsRf64(path) if form == b"BW64" else path)
    except soundfile.LibsndfileError as error:
        reason = error.error_string.strip().rstrip(".")
        raise FileFault(f"{path}: is not audio that libsndfile reads ({reason})") from error
    except TypeError as error:
        # soundfile takes the extension .raw for samples without a header and asks for their format.
        raise FileFault(f"{path}: is raw samples without a header; convert it to WAV") from error


class _AsRf64:
    """A BW64 file under the name that libsndfile knows: what it needs of the chunks is the same in both.

    (ITU-R BS.2088: the first four bytes differ, and BW64 has a chunk more, which players may leave out.)
    """

    def __init__(self, path: Path) -> None:
        self._stream = path.open("rb")

    def read(self, size: int = -1) -> bytes:
        at = self._stream.tell()
        data = self._stream.read(size)
        return b"RF64"[at : at + len(data)] + data[max(0, 4 - at) :] if at < 4 else data

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        return self._stream.seek(offset, whence)

    def tell(self) -> int:
        return self._stream.tell()

    def __del__(self) -> None:
        self._stream.close()


def _read(file: Any, n_frames: int, path: Path, number_type: NumberType) -> npt.NDArray[Any]:
    try:
        block: npt.NDArray[Any] = file.read(n_frames, dtype=number_type, always_2d=True)
    except ValueError as error:
        raise FileFault(f"{path}: cannot be decoded: its header lies about its length") from error
    except soundfile.LibsndfileError as error:
        reason = error.error_string.strip().rstrip(".") or "damaged"
        raise FileFault(f"{path}: cannot be decoded at frame {file.tell()} ({reason})") from error
    return block


def _last_frame_decodes(file: Any, n_frames: int) -> bool:
    if n_frames <= 0:
        return True
    try:
        file.seek(n_frames - 1)
        return len(file.read(1)) == 1
    # Where a header lies, the number of frames left to read can be negative: that is the ValueError.
    except (soundfile.LibsndfileError, OverflowError, ValueError):
        return False


def _count_frames(path: Path) -> int:
    """Return how many frames of a damaged file decode, counted from its start."""
    with _opened(path) as file:
        n_frames = 0
        while True:
            try:
                found = len(file.read(_COUNT_FRAMES, dtype="float32"))
            except (soundfile.LibsndfileError, ValueError):
                return n_frames
            n_frames += found
            if found < _COUNT_FRAMES:
                return n_frames


def _promised_frames(path: Path) -> int:
    """Return the number of frames in the header of a WAV, RF64, BW64 or AIFF file, else 0."""
    with path.open("rb") as stream:
        head = stream.read(12)
        if head[:4] in (b"RIFF", b"RF64", b"BW64") and head[8:] == b"WAVE":
            return _riff_frames(stream)
        if head[:4] == b"FORM" and head[8:] in (b"AIFF", b"AIFC"):
            return _aiff_frames(stream)
    return 0


def _riff_frames(stream: BinaryIO) -> int:
    frame_bytes = 0
    long_size = 0
    while len(header := stream.read(8)) == 8:
        name, size = header[:4], struct.unpack("<I", header[4:])[0]
        if name == b"data":
            data_bytes = long_size if size == _UNKNOWN_SIZE and long_size else size
            return int(data_bytes // frame_bytes) if frame_bytes else 0
        start = stream.tell()
        if name == b"ds64":
            body = stream.read(16)
            long_size = struct.unpack("<Q", body[8:16])[0] if len(body) == 16 else 0
        elif name == b"fmt ":
            body = stream.read(14)
            if len(body) == 14 and struct.unpack("<H", body[:2])[0] in _RIFF_FIXED_SIZE_TAGS:
                frame_bytes = struct.unpack("<H", body[12:14])[0]
        # Chunks are padded to an even length, and the pad is not counted in their size.
        stream.seek(start + size + size % 2)
    return 0


def _aiff_frames(stream: BinaryIO) -> int:
    while len(header := stream.read(8)) == 8:
        name, size = header[:4], struct.unpack(">I", header[4:])[0]
        if name == b"COMM":
            body = stream.read(6)
            return int(struct.unpack(">I", body[2:6])[0]) if len(body) == 6 else 0
        stream.seek(size + size % 2, os.SEEK_CUR)
    return 0
