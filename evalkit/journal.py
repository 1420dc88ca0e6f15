"""What was done to a recording's labels, line by line, as soon as it is done.

One file for each recording, ``.evalkit/journal/NAME.jsonl``, only ever added
to. A line is a checksum (CRC-32, eight hexadecimal digits), a blank and a
JSON object; the first holds the labels from which the changes start. A line
handed to the system survives the death of the program at any moment; `flush`
makes it survive a power cut. A line that was cut short at the end of the file
was never acknowledged and is dropped.
"""

import contextlib
import json
import os
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from evalkit.edits import Change, Labels
from evalkit.errors import FileFault
from evalkit.segments import Segment
from evalkit.spans import Span

__all__ = ["Entry", "Journal", "Mark", "Saved"]


class Mark(StrEnum):
    """What a line can say beside a change."""

    UNDO = "undo"
    REDO = "redo"


@dataclass(frozen=True)
class Saved:
    """A line that says that label table and descriptor were written."""

    steps: int
    """They hold what the first so many changes, undos and redos of the journal had led to: while
    a table is being written, the next change may well be made."""


Entry = Change | Mark | Saved


class Journal:
    """The journal of one recording, open for adding to; the caller holds the dataset's lock.

    Parameters
    ----------
    path : Path
        The file; made if absent, and made anew if it is of other audio or
        damaged (the old one is then kept beside it).
    audio_sha256 : str
        Of the recording.
    start : Labels
        As they are on disk, for a new journal.

    Raises
    ------
    FileFault
        If the file cannot be read or written.
    """

    def __init__(self, path: Path, *, audio_sha256: str, start: Labels) -> None:
        self.set_aside: Path | None = None
        """Where a journal that cannot be used is kept."""
        self.start = start
        """Labels from which the entries start."""
        self.entries: tuple[Entry, ...] = ()
        """Those that were there when the journal was opened."""
        self._path = path
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            data = path.read_bytes() if path.exists() else b""
            lines, sound_bytes, whole = _sound_lines(data)
            if data:
                found = _read(lines, audio_sha256, start.duration_s) if whole and lines else None
                if found is None:
                    self.set_aside = _set_aside(path)
                    sound_bytes = 0
                else:
                    self.start, self.entries = found
            self._handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o666)
            os.ftruncate(self._handle, sound_bytes)
        except OSError as error:
            raise FileFault(f"{path}: cannot be written: {error.strerror or error}") from error
        if not sound_bytes:
            self._write({"audio_sha256": audio_sha256, "labels": _labels_to_json(start)})

    def append(self, entry: Entry) -> None:
        """Add a line; when this returns, the death of the program no longer matters.

        Raises
        ------
        FileFault
            If the disk does not take it; nothing is added then.
        """
        self._write(_entry_to_json(entry))

    def flush(self) -> None:
        """Return once every line is on the disk itself."""
        try:
            os.fsync(self._handle)
        except OSError as error:
            raise FileFault(f"{self._path}: cannot be written: {error.strerror or error}") from error

    def close(self) -> None:
        """Close the file."""
        os.close(self._handle)

    def _write(self, document: dict[str, Any]) -> None:
        text = json.dumps(document, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
        body = text.encode("ascii")
        line = b"%08x %s\n" % (zlib.crc32(body), body)
        before = os.fstat(self._handle).st_size
        try:
            written = os.write(self._handle, line)
            if written != len(line):
                raise OSError(0, "the disk is full")
        except OSError as error:
            with contextlib.suppress(OSError):
                os.ftruncate(self._handle, before)
            raise FileFault(f"{self._path}: cannot be written: {error.strerror or error}") from error


def _sound_lines(data: bytes) -> tuple[list[dict[str, Any]], int, bool]:
    """Return the lines up to the first bad one, their bytes, and whether nothing good follows it."""
    lines: list[dict[str, Any]] = []
    at = 0
    while at < len(data):
        end = data.find(b"\n", at)
        line = _parsed(data[at:end]) if end >= 0 else None
        if line is None:
            rest = data[at:].split(b"\n")[1:]
            return lines, at, not any(_parsed(each) is not None for each in rest)
        lines.append(line)
        at = end + 1
    return lines, at, True


def _parsed(line: bytes) -> dict[str, Any] | None:
    checksum, blank, body = line.partition(b" ")
    if not blank or checksum != b"%08x" % zlib.crc32(body):
        return None
    try:
        document = json.loads(body)
    except ValueError:
        return None
    return document if isinstance(document, dict) else None


def _read(
    lines: Sequence[dict[str, Any]], audio_sha256: str, duration_s: float
) -> tuple[Labels, tuple[Entry, ...]] | None:
    """Return what the lines say, or None if they are not of this audio or not ours."""
    try:
        if lines[0]["audio_sha256"] != audio_sha256:
            return None
        start = _labels_of_json(lines[0]["labels"], duration_s)
        entries = [_entry_of_json(line) for line in lines[1:]]
    except (KeyError, TypeError, ValueError):
        return None
    return start, tuple(entries)


def _set_aside(path: Path) -> Path:
    number = 1
    while (other := path.with_name(f"{path.stem}.aside-{number}")).exists():
        number += 1
    os.replace(path, other)
    return other


def _labels_to_json(labels: Labels) -> dict[str, Any]:
    return {
        "segments": _segments_to_json(labels.segments),
        "reviewed": _spans_to_json(labels.reviewed),
        "dismissed": _spans_to_json(labels.dismissed),
    }


def _labels_of_json(document: dict[str, Any], duration_s: float) -> Labels:
    return Labels(
        duration_s,
        _segments_of_json(document["segments"]),
        _spans_of_json(document["reviewed"]),
        _spans_of_json(document["dismissed"]),
    )


def _entry_to_json(entry: Entry) -> dict[str, Any]:
    if isinstance(entry, Saved):
        return {"saved": entry.steps}
    return {"mark": str(entry)} if isinstance(entry, Mark) else _change_to_json(entry)


def _entry_of_json(document: dict[str, Any]) -> Entry:
    if "saved" in document:
        return Saved(int(document["saved"]))
    return Mark(document["mark"]) if "mark" in document else _change_of_json(document)


def _change_to_json(change: Change) -> dict[str, Any]:
    document = {
        "removed": _segments_to_json(change.removed),
        "added": _segments_to_json(change.added),
        "unreviewed": _spans_to_json(change.unreviewed),
        "reviewed": _spans_to_json(change.reviewed),
        "recalled": _spans_to_json(change.recalled),
        "dismissed": _spans_to_json(change.dismissed),
    }
    return {"what": change.what, **{key: value for key, value in document.items() if value}}


def _change_of_json(document: dict[str, Any]) -> Change:
    return Change(
        what=str(document["what"]),
        removed=_segments_of_json(document.get("removed", [])),
        added=_segments_of_json(document.get("added", [])),
        unreviewed=_spans_of_json(document.get("unreviewed", [])),
        reviewed=_spans_of_json(document.get("reviewed", [])),
        recalled=_spans_of_json(document.get("recalled", [])),
        dismissed=_spans_of_json(document.get("dismissed", [])),
    )


def _segments_to_json(segments: Sequence[Segment]) -> list[list[Any]]:
    return [[each.start_s, each.end_s, each.label, each.note, each.phone] for each in segments]


def _segments_of_json(rows: list[list[Any]]) -> tuple[Segment, ...]:
    return tuple(Segment(*row) for row in rows)


def _spans_to_json(spans: Sequence[Span]) -> list[list[float]]:
    return [[span.start_s, span.end_s] for span in spans]


def _spans_of_json(pairs: list[list[float]]) -> tuple[Span, ...]:
    return tuple(Span(float(start_s), float(end_s)) for start_s, end_s in pairs)
