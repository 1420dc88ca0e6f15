"""What a person may do to the labels of a recording, and the way back from it.

`Labels` is a value: every edit returns new ones or says, in one line, why it
cannot be. `Change` is the difference between two, and `History` the line of
changes that undo and redo walk along. No screen and no file is known here.
"""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from evalkit.segments import Segment
from evalkit.spans import Span, merge_spans, subtract_spans

__all__ = ["Change", "History", "Labels"]

# Two boundaries nearer than this are one: the label table's resolution.
_SHORTEST_S = 1e-6

_Item = TypeVar("_Item", Segment, Span)


@dataclass(frozen=True)
class Labels:
    """All that a person has said about one recording."""

    duration_s: float
    """Length of the recording; nothing reaches beyond it."""
    segments: tuple[Segment, ...] = ()
    """In order of time; two of one label never overlap."""
    reviewed: tuple[Span, ...] = ()
    """Disjoint spans, in order, that are fully labelled."""
    dismissed: tuple[Span, ...] = ()
    """Proposals that the person turned down, in order."""

    def has(self, segment: Segment) -> bool:
        """Return whether a segment is there."""
        at = bisect_left(self.segments, segment)
        return self.segments[at : at + 1] == (segment,)

    def add(self, *segments: Segment) -> "Labels":
        """Add segments; those that end after the recording are cut at its end.

        Raises
        ------
        ValueError
            If one overlaps another of its label, or begins after the end.
        """
        labels = self
        for segment in segments:
            labels = labels._with(self._clipped(segment))
        return labels

    def remove(self, segment: Segment) -> "Labels":
        """Remove a segment."""
        self._must_have(segment)
        return replace(self, segments=_changed(self.segments, (segment,), ()))

    def trim(
        self, segment: Segment, *, start_s: float | None = None, end_s: float | None = None
    ) -> tuple["Labels", Segment]:
        """Move one or both ends of a segment; return the labels and the segment as it is now."""
        start = segment.start_s if start_s is None else max(0.0, start_s)
        end = segment.end_s if end_s is None else end_s
        if end - start < _SHORTEST_S:
            raise ValueError("a segment must end after it starts")
        return self._swap(segment, replace(segment, start_s=start, end_s=end))

    def relabel(self, segment: Segment, label: str) -> tuple["Labels", Segment]:
        """Give a segment another label."""
        return self._swap(segment, replace(segment, label=label))

    def annotate(self, segment: Segment, note: str) -> tuple["Labels", Segment]:
        """Write a segment's note."""
        return self._swap(segment, replace(segment, note=note))

    def assign(self, segment: Segment, phone: str) -> tuple["Labels", Segment]:
        """Say which phone rang; empty: the recording's."""
        return self._swap(segment, replace(segment, phone=phone))

    def split(self, segment: Segment, at_s: float) -> tuple["Labels", Segment]:
        """Divide a segment in two that touch; return the labels and the later part."""
        self._must_have(segment)
        at = round(at_s, 6)
        if not segment.start_s + _SHORTEST_S <= at <= segment.end_s - _SHORTEST_S:
            raise ValueError(f"{at:.3f} s is not inside {_told(segment)}")
        late = replace(segment, start_s=at)
        return self.remove(segment).add(replace(segment, end_s=at), late), late

    def join(self, segment: Segment) -> tuple["Labels", Segment]:
        """Join a segment with the next of its label; notes that differ are put one after the other."""
        self._must_have(segment)
        later = [each for each in self.segments if each.label == segment.label and each > segment]
        if not later:
            raise ValueError(f"no {segment.label} follows {_told(segment)}")
        other = min(later)
        notes = dict.fromkeys(note for note in (segment.note, other.note) if note)
        if segment.phone and other.phone and segment.phone != other.phone:
            raise ValueError(f"the two are of different phones, {segment.phone} and {other.phone}")
        joined = replace(
            segment, end_s=other.end_s, note="; ".join(notes), phone=segment.phone or other.phone
        )
        return self.remove(segment).remove(other).add(joined), joined

    def review(self, span: Span) -> "Labels":
        """Mark a span as fully labelled."""
        start_s, end_s = round(span.start_s, 6), round(min(span.end_s, self.duration_s), 6)
        if self.duration_s - end_s < 2 * _SHORTEST_S:
            end_s = self.duration_s
        if end_s - start_s < _SHORTEST_S:
            raise ValueError("there is no time in that span")
        return replace(self, reviewed=merge_spans((*self.reviewed, Span(start_s, end_s))))

    def unreview(self, span: Span) -> "Labels":
        """Take the mark off a span."""
        return replace(self, reviewed=subtract_spans(self.reviewed, (span,)))

    def dismiss(self, span: Span) -> "Labels":
        """Turn a proposal down."""
        return replace(self, dismissed=_changed(self.dismissed, (), (span,)))

    def _with(self, segment: Segment) -> "Labels":
        at = bisect_left(self.segments, segment)
        own = (each for each in reversed(self.segments[:at]) if each.label == segment.label)
        before = next(own, None)
        if before is not None and before.end_s > segment.start_s:
            raise ValueError(f"overlaps {_told(before)} of the same label")
        for other in self.segments[at:]:
            if other.start_s >= segment.end_s:
                break
            if other.label == segment.label:
                raise ValueError(f"overlaps {_told(other)} of the same label")
        return replace(self, segments=_changed(self.segments, (), (segment,)))

    def _swap(self, old: Segment, new: Segment) -> tuple["Labels", Segment]:
        clipped = self._clipped(new)
        return self.remove(old)._with(clipped), clipped

    def _clipped(self, segment: Segment) -> Segment:
        last_s = round(self.duration_s, 6)
        if segment.start_s > last_s - _SHORTEST_S:
            raise ValueError(f"{segment.start_s:.3f} s is after the recording's end")
        return replace(segment, end_s=last_s) if segment.end_s > last_s else segment

    def _must_have(self, segment: Segment) -> None:
        if not self.has(segment):
            raise ValueError(f"{_told(segment)} is not there any more")


@dataclass(frozen=True)
class Change:
    """The difference between two states of a recording's labels."""

    what: str
    """What was done, in words for the person: ``relabel tap as ring``."""
    removed: tuple[Segment, ...] = ()
    added: tuple[Segment, ...] = ()
    unreviewed: tuple[Span, ...] = ()
    """Time that was reviewed before and is not after it."""
    reviewed: tuple[Span, ...] = ()
    """Time that is reviewed after and was not before it."""
    recalled: tuple[Span, ...] = ()
    """Proposals that were turned down before and are not after it."""
    dismissed: tuple[Span, ...] = ()
    """Proposals that are turned down after and were not before it."""

    @classmethod
    def between(cls, what: str, before: Labels, after: Labels) -> "Change":
        """Return the change that makes `after` of `before`."""
        return cls(
            what,
            removed=_diff(after.segments, before.segments),
            added=_diff(before.segments, after.segments),
            unreviewed=subtract_spans(before.reviewed, after.reviewed),
            reviewed=subtract_spans(after.reviewed, before.reviewed),
            recalled=_diff(after.dismissed, before.dismissed),
            dismissed=_diff(before.dismissed, after.dismissed),
        )

    @property
    def is_empty(self) -> bool:
        """Whether nothing differs."""
        return self == Change(self.what)

    def reverse(self) -> "Change":
        """Return the change that leads back."""
        return Change(
            self.what,
            removed=self.added,
            added=self.removed,
            unreviewed=self.reviewed,
            reviewed=self.unreviewed,
            recalled=self.dismissed,
            dismissed=self.recalled,
        )

    def apply(self, labels: Labels) -> Labels:
        """Return `labels` with the change made; exact where they are those that it was made from."""
        return replace(
            labels,
            segments=_changed(labels.segments, self.removed, self.added),
            reviewed=merge_spans((*subtract_spans(labels.reviewed, self.unreviewed), *self.reviewed)),
            dismissed=_changed(labels.dismissed, self.recalled, self.dismissed),
        )


@dataclass(frozen=True)
class History:
    """Labels and every change that led to them, undone ones included."""

    labels: Labels
    """As they are now."""
    changes: tuple[Change, ...] = ()
    """In the order in which they were made."""
    position: int = 0
    """How many of them are done; those after it were undone and can be done again."""

    def do(self, what: str, labels: Labels) -> "History":
        """Go on to other labels; what was undone can then no longer be done again."""
        change = Change.between(what, self.labels, labels)
        return self if change.is_empty else self.record(change)

    def record(self, change: Change) -> "History":
        """Make a change."""
        done = (*self.changes[: self.position], change)
        return History(change.apply(self.labels), done, len(done))

    def undo(self) -> "History":
        """Take the last change back; without one nothing happens."""
        if self.position == 0:
            return self
        change = self.changes[self.position - 1]
        return History(change.reverse().apply(self.labels), self.changes, self.position - 1)

    def redo(self) -> "History":
        """Make the change that was taken back last; without one nothing happens."""
        if self.position == len(self.changes):
            return self
        return History(self.changes[self.position].apply(self.labels), self.changes, self.position + 1)


def _diff(before: Sequence[_Item], after: Sequence[_Item]) -> tuple[_Item, ...]:
    """Return what is in `after` and not in `before`, in order."""
    # An edit touches a few of thousands: what both begin and end with need not be looked at twice.
    first, last = 0, min(len(before), len(after))
    while first < last and before[first] is after[first]:
        first += 1
    tail = 0
    while tail < last - first and before[-1 - tail] is after[-1 - tail]:
        tail += 1
    old = set(before[first : len(before) - tail])
    return tuple(each for each in after[first : len(after) - tail] if each not in old)


def _changed(items: Sequence[_Item], removed: Iterable[_Item], added: Iterable[_Item]) -> tuple[_Item, ...]:
    """Return sorted `items` without `removed` and with `added`, each once."""
    result = list(items)
    for each in removed:
        at = bisect_left(result, each)
        if at < len(result) and result[at] == each:
            del result[at]
    for each in added:
        at = bisect_left(result, each)
        if at == len(result) or result[at] != each:
            result.insert(at, each)
    return tuple(result)


def _told(segment: Segment) -> str:
    return f"{segment.label} {segment.start_s:.3f}-{segment.end_s:.3f} s"
