"""Two people changed the labels of one recording: what both wanted, and where they disagree."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

from evalkit.edits import Labels
from evalkit.segments import Segment
from evalkit.spans import merge_spans, subtract_spans

__all__ = ["Merge", "Side", "merge_labels"]


class Side(StrEnum):
    """Whose word holds where two disagree."""

    OURS = "ours"
    THEIRS = "theirs"


@dataclass(frozen=True)
class Merge:
    """Both sides' changes made on the same labels."""

    labels: Labels
    """All that does not stand against anything of the other side."""
    ours: tuple[Segment, ...]
    """Segments of ours that cannot be beside `theirs`."""
    theirs: tuple[Segment, ...]
    """Segments of theirs that cannot be beside `ours`."""
    only_ours: tuple[Segment, ...]
    """Segments that only they removed, in favour of one of `theirs`."""
    only_theirs: tuple[Segment, ...]
    """Segments that only we removed, in favour of one of `ours`."""

    @property
    def agrees(self) -> bool:
        """Whether there is nothing to ask."""
        return not self.ours

    def settled(self, side: Side) -> Labels:
        """Return the labels with one side's word where the two disagree."""
        kept, restored = (self.ours, self.only_ours) if side is Side.OURS else (self.theirs, self.only_theirs)
        labels = self.labels.add(*kept)
        for segment in restored:
            try:
                labels = labels.add(segment)
            except ValueError:
                # Something else that both agree on has taken its place.
                continue
        return labels


def merge_labels(base: Labels, ours: Labels, theirs: Labels) -> Merge:
    """Return what becomes of labels that two sides have changed, each from `base`.

    A segment that either side removed is gone; one that either side made is
    there. The sides disagree where each made a segment and the two overlap
    and have one label, or come from one segment that both changed. For
    reviewed spans the same holds of every instant, and nobody can disagree.

    Parameters
    ----------
    base, ours, theirs : Labels
        Of one recording. Dismissed proposals are taken from `ours`.
    """
    kept, mine, others = set(base.segments), set(ours.segments), set(theirs.segments)
    we_removed, they_removed = kept - mine, kept - others
    we_made, they_made = mine - kept - others, others - kept - mine
    both_removed = we_removed & they_removed
    clashes = [
        (a, b)
        for a in we_made
        for b in they_made
        if _overlap(a, b)
        and (a.label == b.label or any(_overlap(a, c) and _overlap(b, c) for c in both_removed))
    ]
    our_side, their_side = {a for a, _ in clashes}, {b for _, b in clashes}
    merged = (
        (kept - we_removed - they_removed) | (mine & others) | (we_made - our_side) | (they_made - their_side)
    )
    reviewed = subtract_spans(
        merge_spans((*theirs.reviewed, *subtract_spans(ours.reviewed, base.reviewed))),
        subtract_spans(base.reviewed, ours.reviewed),
    )
    return Merge(
        labels=replace(ours, segments=tuple(sorted(merged)), reviewed=reviewed),
        ours=tuple(sorted(our_side)),
        theirs=tuple(sorted(their_side)),
        only_ours=_touching(they_removed - we_removed, their_side),
        only_theirs=_touching(we_removed - they_removed, our_side),
    )


def _touching(segments: Iterable[Segment], others: Iterable[Segment]) -> tuple[Segment, ...]:
    return tuple(sorted(a for a in segments if any(_overlap(a, b) for b in others)))


def _overlap(a: Segment, b: Segment) -> bool:
    return a.start_s < b.end_s and b.start_s < a.end_s
