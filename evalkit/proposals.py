"""Where something happens in a recording: segments proposed by change of level and of character.

Formula. Let l(t) be the level in dB of a short mean square (three blocks), and
q5, q20 its quantiles over a time W. The background is tracked on both sides of
every moment: b(t) is the larger of q20 over the W before and q20 over the W
after it, so that a step up to a new lasting level is no event, and what stands
out over both sides is. r(t) is q20 - q5 of that side, how restless the
background itself is. An event is a stretch with l - b > on/2 that somewhere
has l - b > on, where on = 6 dB + 4 r, at most 15 dB.

That is done at four scales, so that a knock on a grinder's noise, a ring in a
passing tram and the tram itself are all found: W = 3 s on l itself, parts that
lie 30 dB under the event's peak left out; W = 20, 100 and 400 s on the q25 of l
over 1, 5 and 10 s, which is what goes on most of that time, with its ends then
looked for in l again. W = 3 s is also done on the mean square above 500 Hz:
change of character, a knock during a ring.

Short events that follow one another within 0.35 s, none stronger than the
first by 3 dB, are one that bounces. What a longer scale finds counts only if
it is not mostly made of what shorter ones found.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evalkit.drawn_levels import DrawnLevels
from evalkit.edits import Labels
from evalkit.spans import Span, total_s

__all__ = ["Proposal", "find_proposals", "matching_share", "open_proposals"]

_ON_DB, _ON_PER_RESTLESS, _ON_MOST_DB = 6.0, 4.0, 15.0
_OFF_SHARE = 0.5
_UNDER_PEAK_DB = 30.0
_QUIETEST = 1e-12
_SHORT_W_S, _SHORT_STEP_S = 3.0, 0.04
_SHORTEST_S = 0.1
_PIECE_S, _MARGIN_S = 1_800.0, 30.0
# W, time over which q25 is taken, step: seconds.
_LONG_SCALES = ((20.0, 1.0, 0.04), (100.0, 5.0, 0.1), (400.0, 10.0, 0.2))
_BOUNCE_GAP_S, _BOUNCE_LONGEST_S, _BOUNCES_S, _BOUNCE_RISE_DB = 0.35, 0.3, 1.2, 3.0
_KNOCK_S, _KNOCK_DB = 0.15, 10.0
_INSIDE = 4.0
_EDGE_S = 0.1
_MOSTLY = 0.6
_SAME = 0.5

Floats = NDArray[np.float32]


@dataclass(frozen=True, order=True)
class Proposal:
    """A stretch in which something seems to happen."""

    start_s: float
    end_s: float
    over_db: float
    """How far its level rises over the background."""

    @property
    def span(self) -> Span:
        """Its time."""
        return Span(self.start_s, self.end_s)


def find_proposals(levels: DrawnLevels) -> tuple[Proposal, ...]:
    """Return the events of a recording in order of time, by the formula above.

    No label is used; what has been labelled already is found as well.
    """
    block_s = levels.block_samples / levels.sample_rate_hz
    short = list(_short_events(levels.square, block_s))
    levels.let_go()
    found = [_at_least(event, _SHORTEST_S) for event in short]
    timeline = _Timeline(short)
    for event in _short_events(levels.upper, block_s):
        if not any(_is_part(event, other) for other in timeline.at(event)):
            found.append(_at_least(event, _SHORTEST_S))
    levels.let_go()
    found.sort()
    for scale in _LONG_SCALES:
        longer = list(_long_events(levels.square, block_s, *scale))
        levels.let_go()
        timeline = _Timeline(found)
        found = sorted([*found, *(event for event in longer if _is_new(event, timeline.at(event)))])
    return tuple(found)


def open_proposals(proposals: Iterable[Proposal], labels: Labels) -> tuple[Proposal, ...]:
    """Return the proposals that still want an answer.

    Answered are those that a segment matches or that were dismissed (at least
    half of the longer of the two is shared), and those in reviewed time.
    """
    found = tuple(proposals)
    answers = sorted([*(Span(s.start_s, s.end_s) for s in labels.segments), *labels.dismissed])
    answer_starts = np.array([span.start_s for span in answers])
    starts = np.array([proposal.start_s for proposal in found])
    ends = np.array([proposal.end_s for proposal in found])
    reviewed = np.array([[-np.inf, -np.inf], *([r.start_s, r.end_s] for r in labels.reviewed)])
    at = np.searchsorted(reviewed[:, 0], starts, side="right") - 1
    wanted = ends > reviewed[at, 1]
    # A match starts at most one length earlier, or it would be over twice as long.
    first = np.searchsorted(answer_starts, starts - (ends - starts) - 1e-6)
    last = np.searchsorted(answer_starts, ends)
    for k in np.flatnonzero(wanted & (last > first)).tolist():
        near = answers[int(first[k]) : int(last[k])]
        wanted[k] = all(matching_share(found[k], answer) < _SAME for answer in near)
    return tuple(found[k] for k in np.flatnonzero(wanted).tolist())


def matching_share(a: "Proposal | Span", b: "Proposal | Span") -> float:
    """Return the time that both have, as a share of the time that either has."""
    shared_s = min(a.end_s, b.end_s) - max(a.start_s, b.start_s)
    if shared_s <= 0.0:
        return 0.0
    return shared_s / (max(a.end_s, b.end_s) - min(a.start_s, b.start_s))


def _level_db(square: NDArray[np.float32]) -> Floats:
    """Level of the mean square over three blocks."""
    from scipy.ndimage import uniform_filter1d

    smooth = uniform_filter1d(np.asarray(square, np.float32), 3, mode="nearest")
    return np.asarray(10.0 * np.log10(np.maximum(smooth, np.float32(_QUIETEST))), np.float32)


def _background(level: Floats, n: int) -> tuple[Floats, Floats]:
    """Return q20 and q20 - q5 of the side, n entries before or after, whose q20 is larger."""
    from scipy.ndimage import percentile_filter

    shift = (n - 1) // 2
    before, before_q5 = (percentile_filter(level, q, n, mode="nearest", origin=shift) for q in (20, 5))
    after, after_q5 = (percentile_filter(level, q, n, mode="nearest", origin=-shift) for q in (20, 5))
    return np.maximum(before, after), np.where(before >= after, before - before_q5, after - after_q5)


def _on_db(restless: Floats) -> Floats:
    on_db = np.float32(_ON_DB) + np.float32(_ON_PER_RESTLESS) * restless
    return np.asarray(np.minimum(on_db, np.float32(_ON_MOST_DB)), np.float32)


def _runs(where: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return [first, last) of every stretch of true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], where, [False]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist()))


def _medians(level: Floats, k: int) -> Floats:
    """Return the median of each k entries, the last ones repeated to fill up."""
    padded = np.append(level, np.full(-len(level) % k, level[-1], np.float32))
    return np.asarray(np.median(padded.reshape(-1, k), axis=1), np.float32)


def _short_events(square: NDArray[np.float32], block_s: float) -> Iterator[Proposal]:
    """Yield the events at W = 3 s, a piece of the recording at a time."""
    piece, margin = round(_PIECE_S / block_s), round(_MARGIN_S / block_s)
    for first in range(0, len(square), piece):
        start = max(0, first - margin)
        level = _level_db(square[start : first + piece + margin])
        for a, b, over_db in _joined_bounces(_short_runs(level, block_s), level, block_s):
            # The piece in which an event starts has it.
            if first <= start + a < first + piece:
                yield Proposal((start + a) * block_s, (start + b) * block_s, over_db)


def _short_runs(level: Floats, block_s: float) -> Iterator[tuple[int, int, float]]:
    k = max(1, round(_SHORT_STEP_S / block_s))
    coarse, restless = _background(_medians(level, k), max(3, round(_SHORT_W_S / (k * block_s))))
    over = level - np.repeat(coarse, k)[: len(level)]
    on = np.repeat(_on_db(restless), k)[: len(level)]
    for first, last in _runs(over > on * _OFF_SHARE):
        own = level[first:last]
        for a, b in _runs(own > own.max() - _UNDER_PEAK_DB):
            part = slice(first + a, first + b)
            if (over[part] > on[part]).any():
                yield part.start, part.stop, float(over[part].max())


def _joined_bounces(
    events: Iterable[tuple[int, int, float]], level: Floats, block_s: float
) -> list[tuple[int, int, float]]:
    result: list[tuple[int, int, float]] = []
    peak_db = -np.inf
    for a, b, over_db in events:
        own = level[a:b]
        knock = (own > own.max() - _KNOCK_DB).sum() * block_s < _KNOCK_S
        if knock and (b - a) * block_s < _BOUNCE_LONGEST_S and peak_db > -np.inf:
            first, last, first_over_db = result[-1]
            near = (a - last) * block_s < _BOUNCE_GAP_S and (b - first) * block_s < _BOUNCES_S
            if near and own.max() < peak_db + _BOUNCE_RISE_DB:
                result[-1] = first, b, max(first_over_db, over_db)
                continue
        result.append((a, b, over_db))
        peak_db = float(own.max()) if knock and (b - a) * block_s < _BOUNCE_LONGEST_S else -np.inf
    return result


def _long_events(
    square: NDArray[np.float32], block_s: float, w_s: float, usual_s: float, step_s: float
) -> Iterator[Proposal]:
    """Yield the events of what goes on most of `usual_s`, their ends looked for in the level itself."""
    from scipy.ndimage import percentile_filter

    k = max(1, round(step_s / block_s))
    piece = round(_PIECE_S / block_s) // k * k
    level = np.concatenate(
        [_medians(_level_db(square[i : i + piece]), k) for i in range(0, len(square), piece)]
    )
    step_s = k * block_s
    reach = max(1, round(usual_s / step_s))
    usual = percentile_filter(level, 25, size=reach, mode="nearest")
    background, restless = _background(usual, max(3, round(w_s / step_s)))
    on = _on_db(restless)
    over, off = usual - background, background + on * _OFF_SHARE
    for first, last in _runs(over > on * _OFF_SHARE):
        if not (over[first:last] > on[first:last]).any():
            continue
        off_db = float(off[first:last].min())
        gap = max(1, reach // 10)
        start = first - _reach(level[max(0, first - reach) : first][::-1] > off_db, gap)
        end = last + _reach(level[last : last + reach] > off_db, gap)
        yield Proposal(
            start * step_s, min(end * step_s, len(square) * block_s), float(over[first:last].max())
        )


def _reach(goes_on: NDArray[np.bool_], gap: int) -> int:
    """Return how far an event goes on, over breaks of at most `gap` entries."""
    far = 0
    for at, on in enumerate(goes_on.tolist(), start=1):
        if on:
            far = at
        elif at - far > gap:
            break
    return far


def _is_part(event: Proposal, other: Proposal) -> bool:
    """Whether an event in the upper band is the same as one in all, or its attack or end."""
    return (
        other.end_s - other.start_s < _INSIDE * (event.end_s - event.start_s)
        or abs(event.start_s - other.start_s) < _EDGE_S
        or abs(event.end_s - other.end_s) < _EDGE_S
    )


def _is_new(event: Proposal, inside: Sequence[Proposal]) -> bool:
    """Whether a longer event is more than what shorter scales found in its time."""
    if any(matching_share(event, other) > _SAME for other in inside):
        return False
    covered = [Span(max(event.start_s, other.start_s), min(event.end_s, other.end_s)) for other in inside]
    return total_s(covered) <= _MOSTLY * (event.end_s - event.start_s)


class _Timeline:
    """Events in order of their start, of which those at some time are found quickly."""

    def __init__(self, events: Sequence[Proposal]) -> None:
        self._events = events
        self._starts = np.array([event.start_s for event in events])
        self._latest = np.maximum.accumulate(np.array([event.end_s for event in events]))

    def at(self, event: Proposal) -> list[Proposal]:
        """Return the events that overlap another one."""
        first = int(np.searchsorted(self._latest, event.start_s, side="right"))
        last = int(np.searchsorted(self._starts, event.end_s))
        return [other for other in self._events[first:last] if other.end_s > event.start_s]


def _at_least(event: Proposal, shortest_s: float) -> Proposal:
    return Proposal(event.start_s, max(event.end_s, event.start_s + shortest_s), event.over_db)
