"""Labels from and to whoever has other software: a label table, a WebVTT file or a WAV file with cue points.

The file's name says which: ``.csv``, ``.vtt``, ``.wav``.
"""

from collections.abc import Sequence
from pathlib import Path

from evalkit.durable import write_bytes
from evalkit.errors import FileFault, WrongUse
from evalkit.marks import Taken, take_marks, ticks_in
from evalkit.recordings import Share
from evalkit.segments import Segment, format_segments, read_segments
from evalkit.wave_cues import read_cues, write_with_cues
from evalkit.webvtt import TICKS_PER_S, format_webvtt, parse_webvtt

__all__ = ["read_labels_file", "write_labels_file"]

_WAVE = frozenset({".wav", ".wave", ".rf64", ".bw64", ".bwf"})
_LARGEST_TEXT_BYTES = 50_000_000


def read_labels_file(path: Path, *, n_frames: int, sample_rate_hz: int) -> Taken:
    """Return the segments that a file holds for a recording.

    Parameters
    ----------
    path : Path
        Anything but ``.vtt`` and WAV's endings is read as a label table, which is taken as it is or refused.
    n_frames, sample_rate_hz : int
        Of the recording.

    Raises
    ------
    FileFault
        If the file cannot be read or holds no labels of its kind.
    """
    kind = path.suffix.lower()
    duration_s = n_frames / sample_rate_hz
    if kind in _WAVE:
        return take_marks(read_cues(path), duration_s=duration_s, tick_s=1.0 / sample_rate_hz)
    if kind == ".vtt":
        return take_marks(
            parse_webvtt(_text(path), path=path), duration_s=duration_s, tick_s=1.0 / TICKS_PER_S
        )
    return Taken(read_segments(path, n_frames=n_frames, sample_rate_hz=sample_rate_hz), ())


def write_labels_file(
    path: Path,
    segments: Sequence[Segment],
    *,
    audio: Path,
    n_frames: int,
    sample_rate_hz: int,
    share: Share = lambda part: None,
) -> None:
    """Write the segments of a recording as the kind of file that its name says.

    Parameters
    ----------
    path : Path
        ``.csv``, ``.vtt`` or ``.wav``; the last is a copy of the audio.
    segments : sequence of Segment
    audio : Path
        The recording.
    n_frames, sample_rate_hz : int
        Of the recording.
    share : callable
        Told, while audio is copied, how much of all each piece is.

    Raises
    ------
    WrongUse
        If the name says none of these.
    FileFault
        If the segments do not fit the format, or the file cannot be written.
    """
    kind = path.suffix.lower()
    if kind == ".wav":
        write_with_cues(audio, path, segments, share=share)
    elif kind == ".vtt":
        last_ms = ticks_in(n_frames, sample_rate_hz, TICKS_PER_S)
        write_bytes(path, format_webvtt(segments, last_ms=last_ms).encode("utf-8"))
    elif kind == ".csv":
        write_bytes(path, format_segments(segments).encode("utf-8"))
    else:
        raise WrongUse(f"{path}: the name must end in .csv, .vtt or .wav, which says what to write")


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > _LARGEST_TEXT_BYTES:
            raise FileFault(f"{path}: is too large for a file of labels")
        return path.read_bytes().decode("utf-8")
    except OSError as error:
        raise FileFault(f"{path}: cannot be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise FileFault(f"{path}: not UTF-8 text") from error
