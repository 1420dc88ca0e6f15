"""How far two people agree who labelled the same audio: Cohen's kappa, by time and by event.

Kappa is the agreement beyond what chance would bring if each gave out their
own categories at random: (po - pe) / (1 - pe), with po the share on which both
agree and pe the sum over the categories of the product of both shares (Cohen
1960, "A coefficient of agreement for nominal scales", Educational and
Psychological Measurement 20, 37-46).
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from evalkit.day import Day
from evalkit.segments import Role, Segment
from evalkit.spans import Span, merge_spans, total_s

__all__ = ["Agreement", "agreement_of", "cohen_kappa"]

_NOTHING = ""
"""Category of time, or of an event's counterpart, to which nobody gave a label."""


@dataclass(frozen=True)
class Agreement:
    """What two sets of labels of one recording have in common."""

    seconds: float
    """Time that both have reviewed; only it is compared."""
    by_time: float | None
    """Kappa over every instant; None where both gave but one category."""
    by_event: float | None
    """Kappa over the events that either has; None where there is none, or but one category."""
    matched: int
    """Events that both have, whatever they called them."""
    renamed: int
    """Those of them that got different labels."""
    only_ours: int
    only_theirs: int


def cohen_kappa(table: ArrayLike) -> float | None:
    """Return Cohen's kappa of a table of agreement.

    Parameters
    ----------
    table : array_like of shape (n_categories, n_categories)
        Counts, seconds or shares: rows are one judge's categories, columns the other's.

    Returns
    -------
    float or None
        None where kappa is undefined: an empty table, or both judges used one category only.

    Examples
    --------
    Two readers on 50 proposals: both yes 20, both no 15.

    >>> round(cohen_kappa([[20, 5], [10, 15]]), 6)
    0.4
    """
    shares = np.asarray(table, dtype=np.float64)
    total = shares.sum()
    if total <= 0.0:
        return None
    shares = shares / total
    observed = float(np.trace(shares))
    expected = float(shares.sum(axis=1) @ shares.sum(axis=0))
    if 1.0 - expected < 1e-12:
        return None
    return (observed - expected) / (1.0 - expected)


def agreement_of(
    ours: Sequence[Segment],
    theirs: Sequence[Segment],
    *,
    reviewed: Sequence[Span],
    day: Day,
) -> Agreement:
    """Compare two sets of labels of one recording.

    By time the category of an instant is the set of labels that lie over it,
    none included. By event the units are the events that either has: a call
    (target segments over gaps of at most the day's call gap) or a segment of
    another label. An event of ours and one of theirs are the same if they
    overlap, the largest overlaps first and each at most once, whatever their
    labels; one without a counterpart stands against "nothing". Since nothing
    never stands against nothing, chance explains less of the agreement than
    it could, and kappa by event is on the low side.

    Parameters
    ----------
    ours, theirs : sequence of Segment
        In the recording's time.
    reviewed : sequence of Span
        What both have reviewed.
    day : Day
        Roles of labels, and the call gap.
    """
    spans = merge_spans(reviewed)
    our_events, their_events = (_events(segments, spans, day) for segments in (ours, theirs))
    pairs = _pairs(our_events, their_events)
    rows = [(a.label, b.label) for a, b in pairs]
    matched_ours, matched_theirs = {id(a) for a, _ in pairs}, {id(b) for _, b in pairs}
    only_ours = [event.label for event in our_events if id(event) not in matched_ours]
    only_theirs = [event.label for event in their_events if id(event) not in matched_theirs]
    counted = [
        *rows,
        *((label, _NOTHING) for label in only_ours),
        *((_NOTHING, label) for label in only_theirs),
    ]
    return Agreement(
        seconds=total_s(spans),
        by_time=_kappa_by_time(ours, theirs, spans),
        by_event=_kappa([(a, b, 1.0) for a, b in counted]),
        matched=len(pairs),
        renamed=sum(a != b for a, b in rows),
        only_ours=len(only_ours),
        only_theirs=len(only_theirs),
    )


def _kappa_by_time(ours: Sequence[Segment], theirs: Sequence[Segment], spans: Sequence[Span]) -> float | None:
    # Every instant at which either's labels change, and the edges of what is compared.
    changes = [
        (time, side, segment.label, step)
        for side, segments in enumerate((ours, theirs))
        for segment in segments
        for time, step in ((segment.start_s, 1), (segment.end_s, -1))
    ]
    changes.sort(key=lambda change: change[0])
    rows: list[tuple[str, str, float]] = []
    counts: tuple[dict[str, int], dict[str, int]] = ({}, {})
    position = 0
    for span in spans:
        at_s = span.start_s
        while at_s < span.end_s:
            while position < len(changes) and changes[position][0] <= at_s:
                _, side, label, step = changes[position]
                counts[side][label] = counts[side].get(label, 0) + step
                position += 1
            next_s = changes[position][0] if position < len(changes) else span.end_s
            until_s = min(next_s, span.end_s)
            rows.append((_category(counts[0]), _category(counts[1]), until_s - at_s))
            at_s = until_s
    return _kappa(rows)


def _category(counts: dict[str, int]) -> str:
    return "\n".join(sorted(label for label, count in counts.items() if count > 0))


def _kappa(rows: Sequence[tuple[str, str, float]]) -> float | None:
    categories = sorted({category for row in rows for category in row[:2]})
    number = {category: k for k, category in enumerate(categories)}
    table = np.zeros((len(categories), len(categories)))
    for a, b, weight in rows:
        table[number[a], number[b]] += weight
    return cohen_kappa(table)


def _events(segments: Sequence[Segment], spans: Sequence[Span], day: Day) -> list[Segment]:
    """Return calls and other segments that have compared time, each as one segment."""
    events: list[Segment] = []
    open_calls: dict[str, int] = {}
    for segment in sorted(segments):
        call = open_calls.get(segment.label)
        if day.role(segment.label) is Role.TARGET:
            if call is not None and segment.start_s - events[call].end_s <= day.call_gap_s:
                end_s = max(segment.end_s, events[call].end_s)
                events[call] = Segment(events[call].start_s, end_s, segment.label)
                continue
            open_calls[segment.label] = len(events)
        events.append(Segment(segment.start_s, segment.end_s, segment.label))
    ends_s = [span.end_s for span in spans]

    def is_compared(event: Segment) -> bool:
        k = bisect_right(ends_s, event.start_s)
        return k < len(spans) and spans[k].start_s < event.end_s

    return [event for event in events if is_compared(event)]


def _pairs(ours: Sequence[Segment], theirs: Sequence[Segment]) -> list[tuple[Segment, Segment]]:
    """Pair events that overlap, the largest overlaps first, each event at most once."""
    candidates: list[tuple[float, int, int, int]] = []
    # Events in order of their starts; each meets those of the other side that have not ended.
    starts = [
        (event.start_s, side, k)
        for side, events in enumerate((ours, theirs))
        for k, event in enumerate(events)
    ]
    going: tuple[list[int], list[int]] = ([], [])
    for start_s, side, k in sorted(starts):
        others = theirs if side == 0 else ours
        going[1 - side][:] = [other for other in going[1 - side] if others[other].end_s > start_s]
        for other in going[1 - side]:
            i, j = (k, other) if side == 0 else (other, k)
            overlap_s = min(ours[i].end_s, theirs[j].end_s) - start_s
            # Of two that overlap as much, the one with the same label comes first.
            candidates.append((-overlap_s, int(ours[i].label != theirs[j].label), i, j))
        going[side].append(k)
    candidates.sort()
    taken_ours: set[int] = set()
    taken_theirs: set[int] = set()
    pairs = []
    for _, _, i, j in candidates:
        if i not in taken_ours and j not in taken_theirs:
            taken_ours.add(i)
            taken_theirs.add(j)
            pairs.append((ours[i], theirs[j]))
    return pairs
