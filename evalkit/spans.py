"""Spans of time and their algebra: what is reviewed, what is scored, how long it is.

Seconds from the start of a recording; every span is half-open: [start_s, end_s).
"""

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

__all__ = [
    "ALL_TIME",
    "Span",
    "fit_spans",
    "intersect_spans",
    "merge_spans",
    "parse_spans",
    "subtract_spans",
    "total_s",
]

_SECONDS = re.compile(r"\d+\.?\d*|\.\d+")


@dataclass(frozen=True, order=True)
class Span:
    """A length of time, [start_s, end_s); an infinite end stands for the end of the recording."""

    start_s: float
    end_s: float

    def __post_init__(self) -> None:
        if not (0 <= self.start_s < self.end_s):
            raise ValueError(
                f"{self.start_s:g}-{self.end_s:g} is no span of time: 0 <= start < end is wanted"
            )


ALL_TIME = (Span(0.0, math.inf),)
"""The spans that cover any recording from its start to its end."""


def merge_spans(spans: Iterable[Span]) -> tuple[Span, ...]:
    """Return the same time as disjoint spans in order; spans that touch become one.

    Examples
    --------
    >>> merge_spans([Span(2, 3), Span(0, 1), Span(1, 2)])
    (Span(start_s=0, end_s=3),)
    """
    merged: list[Span] = []
    for span in sorted(spans):
        if merged and span.start_s <= merged[-1].end_s:
            if span.end_s > merged[-1].end_s:
                merged[-1] = Span(merged[-1].start_s, span.end_s)
        else:
            merged.append(span)
    return tuple(merged)


def intersect_spans(a: Iterable[Span], b: Iterable[Span]) -> tuple[Span, ...]:
    """Return the time that is in both, as disjoint spans in order."""
    left, right = merge_spans(a), merge_spans(b)
    shared: list[Span] = []
    i = j = 0
    while i < len(left) and j < len(right):
        start_s = max(left[i].start_s, right[j].start_s)
        end_s = min(left[i].end_s, right[j].end_s)
        if start_s < end_s:
            shared.append(Span(start_s, end_s))
        if left[i].end_s <= right[j].end_s:
            i += 1
        else:
            j += 1
    return tuple(shared)


def subtract_spans(a: Iterable[Span], b: Iterable[Span]) -> tuple[Span, ...]:
    """Return the time that is in `a` and not in `b`, as disjoint spans in order."""
    taken = merge_spans(b)
    left: list[Span] = []
    first = 0
    for span in merge_spans(a):
        start_s = span.start_s
        while first < len(taken) and taken[first].end_s <= start_s:
            first += 1
        for cut in taken[first:]:
            if cut.start_s >= span.end_s:
                break
            if cut.start_s > start_s:
                left.append(Span(start_s, cut.start_s))
            start_s = max(start_s, cut.end_s)
        if start_s < span.end_s:
            left.append(Span(start_s, span.end_s))
    return tuple(left)


def total_s(spans: Iterable[Span]) -> float:
    """Return the time in `spans`, in seconds; time in several spans counts once."""
    return math.fsum(span.end_s - span.start_s for span in merge_spans(spans))


def parse_spans(text: str) -> tuple[Span, ...]:
    """Return the spans that ``all``, ``none`` or ``START-END[,START-END...]`` stands for.

    Raises
    ------
    ValueError
        If `text` is none of these.

    Examples
    --------
    >>> parse_spans("0-12.5,20-30")
    (Span(start_s=0.0, end_s=12.5), Span(start_s=20.0, end_s=30.0))
    """
    if text == "none":
        return ()
    if text == "all":
        return ALL_TIME
    spans = []
    for part in text.split(","):
        start, dash, end = part.strip().partition("-")
        if not dash or not _SECONDS.fullmatch(start) or not _SECONDS.fullmatch(end):
            raise ValueError(f"{part!r} is not all, none or START-END in seconds")
        spans.append(Span(round(float(start), 6), round(float(end), 6)))
    merged = merge_spans(spans)
    if not math.isfinite(merged[-1].end_s):
        raise ValueError(f"{text!r} has a time that is not finite")
    return merged


def fit_spans(spans: Sequence[Span], *, n_frames: int, sample_rate_hz: int) -> tuple[Span, ...]:
    """Return the spans with infinite ends closed at the end of a recording.

    Raises
    ------
    ValueError
        If a span passes the end by more than half a sample.
    """
    duration_s = n_frames / sample_rate_hz
    for span in spans:
        latest_s = duration_s + 0.5 / sample_rate_hz
        if span.start_s >= duration_s or latest_s < span.end_s < math.inf:
            raise ValueError(
                f"{span.start_s:g}-{span.end_s:g} s passes the end of the recording ({duration_s:.6f} s)"
            )
    return intersect_spans(spans, (Span(0.0, duration_s),))
