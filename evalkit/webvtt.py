"""Segments as WebVTT, the web's text tracks (W3C), both ways.

A cue's payload is the label, as the voice of the phone if one is named, and
the note on a line of its own. Times are in milliseconds: a boundary moves by
at most half of one, and a segment shorter than one becomes one long.
"""

import html
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from evalkit.errors import FileFault
from evalkit.marks import Mark, in_ticks
from evalkit.segments import Segment

__all__ = ["TICKS_PER_S", "format_webvtt", "parse_webvtt"]

TICKS_PER_S = 1_000
"""Resolution of the format."""

_ARROW = "-->"
_TIME = re.compile(r"(?:(\d{1,9}):)?(\d{1,2}):(\d{1,2})[.,](\d{1,3})\d*")
_VOICE = re.compile(r"<v(?:\.[^\s>]*)?[ \t]+([^>]*)>", re.IGNORECASE)
_NO_CUE = re.compile(r"(NOTE([ \t]|$)|STYLE[ \t]*$|REGION[ \t]*$)")
_LONGEST_PAYLOAD = 4_000
_TAG = re.compile(r"<[^>]*>")


def format_webvtt(segments: Sequence[Segment], *, last_ms: int) -> str:
    """Return a WebVTT file of some segments.

    Parameters
    ----------
    segments : sequence of Segment
    last_ms : int
        The recording's length, rounded up.

    Raises
    ------
    FileFault
        If two segments of one label lie in one millisecond.
    """
    blocks = ["WEBVTT"]
    for number, (start, end, segment) in enumerate(in_ticks(segments, TICKS_PER_S, last=last_ms), start=1):
        label = _escaped(segment.label)
        lines = [
            f"{number}",
            f"{_told(start)} {_ARROW} {_told(end)}",
            f"<v {_escaped(segment.phone)}>{label}</v>" if segment.phone else label,
        ]
        if segment.note:
            lines.append(_escaped(segment.note))
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks) + "\n"


def parse_webvtt(text: str, *, path: Path) -> tuple[Mark, ...]:
    """Return the marks in a WebVTT file; comments, style and what is not a cue are skipped.

    Raises
    ------
    FileFault
        If the text does not begin as WebVTT does, or a cue's times cannot be
        read: all of those together, each with its line.
    """
    text = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n").replace("\0", "\ufffd")
    if not re.match(r"WEBVTT(?:[ \t\n]|$)", text):
        raise FileFault(f"{path}: does not begin with WEBVTT, so it is no WebVTT file")
    marks: list[Mark] = []
    faults: list[str] = []
    for number, block in _blocks(text):
        at = next((k for k, line in enumerate(block[:2]) if _ARROW in line), None)
        if at is None or _NO_CUE.match(block[0]):
            continue
        before, _, after = block[at].partition(_ARROW)
        start_s, end_s = _seconds(before.strip()), _seconds((after.split() or [""])[0])
        if start_s is None or end_s is None:
            faults.append(f"{path}, line {number + at}: {block[at].strip()[:60]!r} has no two times")
            continue
        marks.append(_mark(start_s, end_s, block[at + 1 :]))
    if len(faults) == 1:
        raise FileFault(faults[0])
    if faults:
        raise FileFault(f"{path}: {len(faults)} cues cannot be read, so nothing was", details=faults)
    return tuple(marks)


def _told(ms: int) -> str:
    return f"{ms // 3_600_000:02d}:{ms // 60_000 % 60:02d}:{ms // 1_000 % 60:02d}.{ms % 1_000:03d}"


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _blocks(text: str) -> Iterator[tuple[int, list[str]]]:
    """Yield the blocks after the header, each with the number of its first line."""
    block: list[str] = []
    first = 1
    for number, line in enumerate(text.split("\n"), start=1):
        if line == "":
            if block:
                yield first, block
            block = []
        else:
            if not block:
                first = number
            block.append(line)
    if block:
        yield first, block


def _seconds(text: str) -> float | None:
    match = _TIME.fullmatch(text)
    if match is None:
        return None
    hours, minutes, seconds, fraction = match.groups()
    if int(minutes) > 59 or int(seconds) > 59:
        return None
    ms = int(fraction.ljust(3, "0"))
    return ((int(hours or 0) * 60 + int(minutes)) * 60 + int(seconds)) + ms / TICKS_PER_S


def _mark(start_s: float, end_s: float, lines: Sequence[str]) -> Mark:
    # A label and a note are far shorter; searching a hostile line for tags takes the square of its length.
    payload = "\n".join(lines)[:_LONGEST_PAYLOAD]
    voice = _VOICE.search(payload)
    plain = [html.unescape(line) for line in _TAG.sub("", payload).split("\n")]
    phone = html.unescape(voice.group(1)).strip() if voice else ""
    return Mark(start_s, end_s, plain[0].strip(), " ".join(plain[1:]), phone)
