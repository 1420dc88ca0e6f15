"""Which parts of a recording are shared: what is reviewed, and as much around it as scores depend on.

Every part becomes a recording of its own. Joining them would put moments side
by side that were not: a call might seem to go on over the joint, and a
detector would carry over what it never heard. A part begins on a whole
second, so that its times are the recording's less a whole number.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from evalkit.board import Board
from evalkit.dataset import Recording
from evalkit.day import Day
from evalkit.segments import Segment
from evalkit.spans import Span, intersect_spans, merge_spans, subtract_spans

__all__ = ["Clip", "Margins", "margins_of", "segments_within", "shared_clips"]

_LONGEST_DELAY_S = 6.0
"""The longest delay of the sweep: the integrator remembers about as long (design, section 4.5)."""


@dataclass(frozen=True)
class Margins:
    """How much is shared beside reviewed time, so that the scores inside do not change."""

    before_s: float
    """Warm-up, call gap and grace, and what the box remembers: its hold and its longest delay."""
    after_s: float
    """Call gap and grace: whether a call goes on, and what an alert still belongs to."""


@dataclass(frozen=True)
class Clip:
    """A part of a recording; its times count from its own start."""

    name: str
    start: int
    """Frame of the recording, on a whole second."""
    stop: int
    start_s: int
    """The recording's time at which it starts."""
    reviewed: tuple[Span, ...]
    segments: tuple[Segment, ...]

    @property
    def n_frames(self) -> int:
        """Length in frames."""
        return self.stop - self.start


def margins_of(day: Day, board: Board) -> Margins:
    """Return the margins that a dataset's day and board ask for."""
    after_s = day.call_gap_s + day.grace_s
    return Margins(board.warmup_s + after_s + board.hold_s + _LONGEST_DELAY_S, after_s)


def shared_clips(
    recording: Recording, margins: Margins, *, left_out: Sequence[Span] = ()
) -> tuple[Clip, ...]:
    """Return the parts of a recording that may be shared, in order of time.

    Reviewed time whose margin does not fit, because something is left out
    beside it, is reviewed no longer: a call there may have begun before or go
    on after, and nobody could tell.

    Parameters
    ----------
    recording : Recording
    margins : Margins
    left_out : sequence of Span
        What must not be shared; not a sample of it is.

    Returns
    -------
    tuple of Clip
        Named like the recording if there is only one; several are numbered.
    """
    rate, n_frames, duration_s = recording.sample_rate_hz, recording.n_frames, recording.duration_s
    found: list[tuple[int, int, int, tuple[Span, ...]]] = []
    for free in subtract_spans((Span(0.0, duration_s),), left_out):
        first_s = math.ceil(free.start_s)
        last = n_frames if free.end_s >= duration_s else math.floor(free.end_s * rate)
        if first_s * rate >= last:
            continue
        usable_from_s = 0.0 if first_s == 0 else first_s + margins.before_s
        usable_to_s = duration_s if last == n_frames else last / rate - margins.after_s
        if usable_from_s >= usable_to_s:
            continue
        reviewed = intersect_spans(recording.reviewed, (Span(usable_from_s, usable_to_s),))
        wanted = merge_spans(
            Span(max(0.0, span.start_s - margins.before_s), span.end_s + margins.after_s) for span in reviewed
        )
        # Rounding to whole seconds may make neighbours touch.
        rounded = merge_spans(
            Span(max(first_s, math.floor(span.start_s)), min(last / rate, span.end_s)) for span in wanted
        )
        for span in rounded:
            start_s = int(span.start_s)
            stop = min(last, math.ceil(span.end_s * rate))
            inside = tuple(each for each in reviewed if span.start_s <= each.start_s < span.end_s)
            found.append((start_s, start_s * rate, stop, inside))
    return tuple(
        Clip(
            name=recording.name if len(found) == 1 else f"{recording.name}-{number}",
            start=start,
            stop=stop,
            start_s=start_s,
            reviewed=tuple(Span(each.start_s - start_s, each.end_s - start_s) for each in reviewed),
            segments=segments_within(recording.segments, start_s, stop / rate),
        )
        for number, (start_s, start, stop, reviewed) in enumerate(found, 1)
    )


def segments_within(segments: Sequence[Segment], start_s: float, end_s: float) -> tuple[Segment, ...]:
    """Return segments in the time of a part of a recording; what lies beyond its edges is cut off."""
    inside = []
    for segment in segments:
        first_s, last_s = max(segment.start_s, start_s), min(segment.end_s, end_s)
        # Less than a microsecond is no segment.
        if round(last_s - first_s, 6) > 0:
            inside.append(replace(segment, start_s=first_s - start_s, end_s=last_s - start_s))
    return tuple(sorted(inside))
