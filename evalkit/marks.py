"""What other programs' files say of a recording, made into segments, and segments made ready for them.

Reading is tolerant and says what it had to change; writing is strict.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from evalkit.errors import FileFault
from evalkit.names import check_name, check_note
from evalkit.segments import Segment

__all__ = ["Mark", "Taken", "in_ticks", "take_marks"]

UNNAMED = "other"
"""Label of a mark that names none."""

_LONGEST_NAME = 100
_LONGEST_NOTE = 500


@dataclass(frozen=True)
class Mark:
    """One mark as a file tells of it, not yet checked."""

    start_s: float
    end_s: float | None
    """None for a mark without length."""
    label: str
    note: str = ""
    phone: str = ""


@dataclass(frozen=True)
class Taken:
    """Segments from another program's file."""

    segments: tuple[Segment, ...]
    remarks: tuple[str, ...]
    """What had to be changed to make segments of it, one line for each kind."""


def take_marks(marks: Iterable[Mark], *, duration_s: float, tick_s: float) -> Taken:
    """Return the segments that marks stand for.

    A mark without length becomes a segment of one tick or 1 ms, whichever is
    longer; one without a label is called `other`; a name that cannot be a
    label is mended and kept as it was in the note; what reaches over the
    recording's end is cut there; overlapping segments of one label become one.

    Parameters
    ----------
    marks : iterable of Mark
        In any order.
    duration_s : float
        Length of the recording. Marks that begin after it are left out.
    tick_s : float
        Resolution of the file, seconds; so much past the end is rounding.
    """
    counts = dict.fromkeys(("point", "beyond", "cut", "unnamed", "mended", "joined"), 0)
    found: list[Segment] = []
    for mark in marks:
        if mark.start_s >= duration_s - tick_s / 2:
            counts["beyond"] += 1
            continue
        end_s = mark.end_s
        if end_s is None or end_s <= mark.start_s:
            counts["point"] += 1
            end_s = mark.start_s + max(1e-3, tick_s)
        if end_s > duration_s:
            counts["cut"] += end_s > duration_s + tick_s
            end_s = duration_s
        label, note = _label_of(mark, counts)
        phone = _mended(mark.phone, "phone") if mark.phone else ""
        start_s = max(0.0, mark.start_s)
        found.append(Segment(start_s, max(end_s, start_s + 1e-6), label, note, phone))
    segments = _joined(found, counts)
    words = {
        "point": "{} marks without length were made {:g} ms long".format("{}", 1e3 * max(1e-3, tick_s)),
        "beyond": "{} marks begin after the recording's end and were left out",
        "cut": "{} marks pass the recording's end and were cut there",
        "unnamed": f"{{}} marks name no label and were called {UNNAMED}",
        "mended": "{} labels or notes held characters that labels cannot hold and were mended",
        "joined": "{} marks overlap another of their label and were joined with it",
    }
    return Taken(segments, tuple(words[kind].format(n) for kind, n in counts.items() if n))


def in_ticks(segments: Sequence[Segment], ticks_per_s: int, *, last: int) -> list[tuple[int, int, Segment]]:
    """Return (start, end, segment) in order, in whole ticks of a format that counts in them.

    Every end comes after its start, and segments of one label do not overlap.

    Parameters
    ----------
    segments : sequence of Segment
        Of one recording.
    ticks_per_s : int
        Samples, or 1,000 for milliseconds.
    last : int
        The recording's length in ticks, rounded up.

    Raises
    ------
    FileFault
        If two segments of one label lie in one tick, or one in none.
    """
    placed = []
    ends: dict[str, tuple[int, Segment]] = {}
    for segment in sorted(segments):
        start, end = round(segment.start_s * ticks_per_s), round(segment.end_s * ticks_per_s)
        before, other = ends.get(segment.label, (0, segment))
        start = max(start, before)
        end = max(end, start + 1)
        if end > last or start - segment.start_s * ticks_per_s > 1.0:
            raise FileFault(
                f"{segment.label} {segment.start_s:.6f}-{segment.end_s:.6f} and "
                f"{other.start_s:.6f}-{other.end_s:.6f} cannot be told apart in steps of "
                f"{1e3 / ticks_per_s:g} ms; use a label table (.csv) instead"
            )
        ends[segment.label] = (end, segment)
        placed.append((start, end, segment))
    return sorted(placed, key=lambda each: (each[0], each[1], each[2]))


def _label_of(mark: Mark, counts: dict[str, int]) -> tuple[str, str]:
    """Return a label and a note that can be written."""
    text, note = mark.label.strip(), mark.note
    if not text:
        counts["unnamed"] += 1
        label = UNNAMED
    else:
        label = _mended(text, "label")
        if label != text:
            note = f"{text}; {note}" if note else text
            counts["mended"] += 1
    try:
        check_note(note)
    except ValueError:
        counts["mended"] += label == text or not text
        note = " ".join("".join(c if c.isprintable() else " " for c in note).split())[:_LONGEST_NOTE]
    return label, note


def _mended(text: str, what: str) -> str:
    """Return the nearest that can be a name."""
    try:
        check_name(text, what)
        return text
    except ValueError:
        kept = "".join("-" if c in '/\\:*?"<>|' else c if c.isprintable() else " " for c in text)
        short = " ".join(kept.split())[:_LONGEST_NAME].strip(" .")
    try:
        check_name(short, what)
    except ValueError:
        return UNNAMED if what == "label" else ""
    return short


def _joined(segments: Sequence[Segment], counts: dict[str, int]) -> tuple[Segment, ...]:
    """Return segments of which no two of one label overlap."""
    result: list[Segment] = []
    latest: dict[str, int] = {}
    for segment in sorted(segments):
        at = latest.get(segment.label)
        if at is not None and result[at].end_s > segment.start_s:
            before = result[at]
            notes = dict.fromkeys(note for note in (before.note, segment.note) if note)
            result[at] = replace(
                before,
                end_s=max(before.end_s, segment.end_s),
                note="; ".join(notes)[:_LONGEST_NOTE],
                phone=before.phone or segment.phone,
            )
            counts["joined"] += 1
            continue
        latest[segment.label] = len(result)
        result.append(segment)
    return tuple(sorted(result))


def ticks_in(n_frames: int, sample_rate_hz: int, ticks_per_s: int) -> int:
    """Return the length of a recording in ticks, rounded up."""
    return math.ceil(n_frames * ticks_per_s / sample_rate_hz)
