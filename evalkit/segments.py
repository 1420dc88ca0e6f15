"""Segments, the spans of a recording that carry a label, and the calls that they make up.

Times are seconds from the start of the recording and have a resolution of
one microsecond, that of the label tables. Every span is half-open:
[start_s, end_s).
"""

import csv
import io
import math
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from types import MappingProxyType

from evalkit.errors import FileFault
from evalkit.names import check_name, check_note
from evalkit.spans import (
    ALL_TIME,
    Span,
    intersect_spans,
    merge_spans,
    subtract_spans,
    total_s,
)
from evalkit.spreadsheet import guarded, unguarded

__all__ = [
    "ALL_TIME",
    "STANDARD_ROLES",
    "Call",
    "Role",
    "Segment",
    "Span",
    "format_segments",
    "intersect_spans",
    "join_calls",
    "merge_spans",
    "parse_segments",
    "read_segments",
    "subtract_spans",
    "total_s",
]

_COLUMNS = ("start_s", "end_s", "label", "note")
_PHONE_COLUMN = "phone"
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
# Two times are the same instant when a label table cannot tell them apart: each may be half a
# microsecond off, and the length of a recording is a ratio that the table rounds as well.
_SAME_INSTANT_S = 2e-6
# Some hundred thousand rows; a larger file is an audio file by mistake.
_LARGEST_TABLE_BYTES = 50_000_000


class Role(StrEnum):
    """What a label means to the scoring."""

    TARGET = "target"
    NUISANCE = "nuisance"
    STAND_IN = "stand-in"
    BACKGROUND = "background"
    IGNORE = "ignore"


STANDARD_ROLES: Mapping[str, Role] = MappingProxyType(
    {
        "ring": Role.TARGET,
        "tap": Role.NUISANCE,
        "tool": Role.NUISANCE,
        "traffic": Role.NUISANCE,
        "stand-in": Role.STAND_IN,
        "quiet": Role.BACKGROUND,
        "other": Role.NUISANCE,
    }
)


@dataclass(frozen=True, order=True)
class Segment:
    """A span of a recording with one label.

    Times are rounded to the microsecond when a segment is made, so that
    what is written to a label table is what was in memory.
    """

    start_s: float
    """First instant, at least 0."""
    end_s: float
    """First instant after it."""
    label: str
    """A standard label or the user's own."""
    note: str = ""
    """Free text in one line."""
    phone: str = ""
    """Which phone rang; empty: the recording's."""

    def __post_init__(self) -> None:
        _round_times(self)
        check_name(self.label, "label")
        check_note(self.note)
        if self.phone:
            check_name(self.phone, "phone")


@dataclass(frozen=True)
class Call:
    """The target segments of one recording, joined over the pauses of the ringing cadence."""

    start_s: float
    end_s: float
    phone: str
    """The phone that rang, several joined by " + ", empty if unknown."""
    cut: bool
    """Whether part of the call may lie where nobody listened: such a call is counted nowhere."""


def join_calls(
    segments: Iterable[Segment],
    *,
    target_labels: Collection[str],
    reviewed: Iterable[Span],
    duration_s: float,
    warmup_s: float,
    call_gap_s: float = 5.0,
) -> tuple[Call, ...]:
    """Return the calls that have time in the reviewed spans, in order.

    Target segments are joined over gaps of at most `call_gap_s`, whatever
    their phone and whether reviewed or not; a call wholly in unreviewed time
    is then left out. (With ``reviewed=ALL_TIME`` none is.)

    A call is cut when it touches or crosses an edge of the recording or of a
    reviewed span, when it lies within `call_gap_s` of an edge beyond which
    the recording goes on (the call may have another part there), or when it
    starts in the first `warmup_s` of the recording.

    Parameters
    ----------
    segments : iterable of Segment
        Of one recording, in any order.
    target_labels : collection of str
        The labels whose role is target.
    reviewed : iterable of Span
        The spans that a person has fully labelled.
    duration_s, warmup_s, call_gap_s : float
        Seconds.
    """
    spans = intersect_spans(reviewed, (Span(0.0, duration_s),))
    targets = sorted(segment for segment in segments if segment.label in target_labels)
    calls: list[Call] = []
    group: list[Segment] = []
    end_s = -math.inf
    for segment in targets:
        # A cadence at the limit belongs together: the gap is a difference of rounded times.
        if group and segment.start_s - end_s > call_gap_s + _SAME_INSTANT_S:
            calls.extend(_call(group, end_s, spans, duration_s, warmup_s, call_gap_s))
            group = []
        group.append(segment)
        end_s = max(end_s, segment.end_s)
    if group:
        calls.extend(_call(group, end_s, spans, duration_s, warmup_s, call_gap_s))
    return tuple(calls)


def parse_segments(
    text: str, *, path: Path, duration_s: float, slack_s: float = _SAME_INSTANT_S
) -> tuple[Segment, ...]:
    """Return the segments of a label table, in order of time.

    Parameters
    ----------
    text : str
        The table as CSV with the header ``start_s,end_s,label,note`` and, if
        wanted, a fifth column ``phone``. Rows may come in any order.
    path : Path
        Named in messages only.
    duration_s : float
        Length of the recording; no segment may end later.
    slack_s : float
        By how much an end may pass `duration_s` for the sake of rounding:
        half a sample.

    Raises
    ------
    FileFault
        Naming every wrong row with its reason: one in the message, several
        in the details. Nothing is read from a table with a wrong row.
    """
    rows, faults = _table_rows(text)
    read: list[tuple[int, Segment]] = []
    for number, row in rows:
        try:
            segment = _segment_of(row)
            if segment.end_s > duration_s + slack_s:
                hint = "; are the times in milliseconds?" if segment.end_s > 10 * duration_s else ""
                raise ValueError(
                    f"end_s={segment.end_s:.6f} is past the end of the recording ({duration_s:.6f} s){hint}"
                )
        except ValueError as error:
            faults.append((number, str(error)))
        else:
            read.append((number, segment))
    faults.extend(_overlaps(read))
    if faults:
        lines = [f"{path}, row {number}: {reason}" for number, reason in sorted(faults)]
        if len(lines) == 1:
            raise FileFault(lines[0])
        raise FileFault(f"{path}: {len(lines)} faults, so nothing was read from it", details=lines)
    return tuple(sorted(segment for _, segment in read))


def read_segments(path: Path, *, n_frames: int, sample_rate_hz: int) -> tuple[Segment, ...]:
    """Return the segments of a label table in a file of UTF-8 text (`parse_segments`).

    An end may pass that of the recording by half a sample: that is rounding.
    """
    try:
        if path.stat().st_size > _LARGEST_TABLE_BYTES and path.is_file():
            raise FileFault(f"{path}: is too large for a label table")
        data = path.read_bytes()
    except OSError as error:
        raise FileFault(f"{path}: cannot be read: {error.strerror or error}") from error
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        hint = (
            "; save it as CSV UTF-8"
            if data[:2] not in (b"\xff\xfe", b"\xfe\xff")
            else " but UTF-16; save it as CSV UTF-8"
        )
        row = data.count(b"\n", 0, error.start) + 1
        raise FileFault(f"{path}, row {row}: not UTF-8 text{hint}") from error
    return parse_segments(text, path=path, duration_s=n_frames / sample_rate_hz, slack_s=0.5 / sample_rate_hz)


def format_segments(segments: Iterable[Segment]) -> str:
    """Return the label table of `segments`, in order of time, times with six decimals.

    The column ``phone`` is there when a segment names its phone. A text that a
    spreadsheet would take for a formula has an apostrophe before it
    (`spreadsheet.guarded`), which `parse_segments` takes off.
    """
    ordered = sorted(segments)
    with_phone = any(segment.phone for segment in ordered)
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow((*_COLUMNS, _PHONE_COLUMN) if with_phone else _COLUMNS)
    for segment in ordered:
        # Whoever opens the table in a spreadsheet must not run what a stranger wrote into a note.
        texts = (guarded(text) for text in (segment.label, segment.note, segment.phone))
        row = (f"{segment.start_s:.6f}", f"{segment.end_s:.6f}", *texts)
        writer.writerow(row if with_phone else row[:4])
    return stream.getvalue()


def _round_times(segment: Segment) -> None:
    for name in ("start_s", "end_s"):
        value = getattr(segment, name)
        if not math.isfinite(value):
            raise ValueError(f"{name}={value} is not a finite time")
        # Adding zero turns a negative zero into a plain one.
        object.__setattr__(segment, name, round(float(value), 6) + 0.0)
    if segment.start_s < 0:
        raise ValueError(f"start_s={segment.start_s:.6f} is before the start of the recording")
    if segment.end_s <= segment.start_s:
        raise ValueError(f"end_s={segment.end_s:.6f} is not after start_s={segment.start_s:.6f}")


def _call(
    group: Sequence[Segment],
    end_s: float,
    reviewed: Sequence[Span],
    duration_s: float,
    warmup_s: float,
    call_gap_s: float,
) -> list[Call]:
    """Return the call of one group of target segments, or nothing if it has no reviewed time."""
    start_s = group[0].start_s
    inside = intersect_spans((Span(start_s, end_s),), reviewed)
    if not inside:
        return []
    home = next(span for span in reviewed if span.start_s <= inside[0].start_s < span.end_s)
    # Beyond an edge of the recording there is nothing more of the call to be missed, so there
    # only touching counts; beyond any other edge its next ring may follow within the gap.
    before_s = 0.0 if home.start_s <= _SAME_INSTANT_S else call_gap_s
    after_s = 0.0 if home.end_s >= duration_s - _SAME_INSTANT_S else call_gap_s
    cut = (
        start_s - home.start_s <= before_s + _SAME_INSTANT_S
        or home.end_s - end_s <= after_s + _SAME_INSTANT_S
        or start_s < warmup_s
    )
    phones = sorted({segment.phone for segment in group if segment.phone})
    return [Call(start_s, end_s, " + ".join(phones), cut)]


def _table_rows(text: str) -> tuple[list[tuple[int, list[str]]], list[tuple[int, str]]]:
    """Return the numbered rows below the header, five fields each, and the faults of form."""
    lines = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")
    reader = csv.reader(io.StringIO(lines, newline=""), strict=True)
    rows: list[tuple[int, list[str]]] = []
    faults: list[tuple[int, str]] = []
    header: list[str] | None = None
    while True:
        number = reader.line_num + 1
        try:
            row = next(reader)
        except StopIteration:
            break
        except csv.Error as error:
            faults.append((number, f"not a row of CSV: {error}"))
            break
        if header is None:
            header = row
            fault = _header_fault(header)
            if fault:
                return [], [(number, fault)]
        elif not row:
            continue
        elif len(row) != len(header):
            faults.append((number, f"{len(row)} fields where the header has {len(header)}"))
        else:
            rows.append((number, row if len(row) == 5 else [*row, ""]))
    if header is None and not faults:
        faults.append((1, f"the table is empty; its header {','.join(_COLUMNS)} is wanted"))
    return rows, faults


def _header_fault(header: Sequence[str]) -> str | None:
    if tuple(header) in (_COLUMNS, (*_COLUMNS, _PHONE_COLUMN)):
        return None
    wanted = ",".join(_COLUMNS)
    found = ",".join(header)
    hint = ""
    if len(header) == 1 and (";" in found or "\t" in found):
        hint = "; the columns must be separated by commas"
    elif header and _NUMBER.fullmatch(header[0]):
        hint = "; the first row must be the header"
    return f"the header is {found[:80]!r}; wanted: {wanted} and, at the end if at all, {_PHONE_COLUMN}{hint}"


def _segment_of(row: Sequence[str]) -> Segment:
    start, end, *texts = row
    label, note, phone = (unguarded(text) for text in texts)
    return Segment(_time_of("start_s", start), _time_of("end_s", end), label, note, phone)


def _time_of(name: str, text: str) -> float:
    if not _NUMBER.fullmatch(text):
        hint = "; the decimal sign must be a point" if re.fullmatch(r"\s*\d+,\d+\s*", text) else ""
        raise ValueError(f"{name}={text[:40]!r} is not a number of seconds{hint}")
    return float(text)


def _overlaps(numbered: Iterable[tuple[int, Segment]]) -> list[tuple[int, str]]:
    """Return a fault for every segment that overlaps an earlier one of its label."""
    faults: list[tuple[int, str]] = []
    latest: dict[str, tuple[int, Segment]] = {}
    for number, segment in sorted(numbered, key=lambda pair: (pair[1], pair[0])):
        if segment.label in latest:
            other, before = latest[segment.label]
            if segment.start_s < before.end_s:
                faults.append(
                    (
                        number,
                        f"{segment.label} {segment.start_s:.6f}-{segment.end_s:.6f} overlaps "
                        f"row {other}, {before.start_s:.6f}-{before.end_s:.6f}, of the same label",
                    )
                )
            if segment.end_s <= before.end_s:
                continue
        latest[segment.label] = (number, segment)
    return faults
