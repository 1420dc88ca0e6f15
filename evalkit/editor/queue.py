"""The proposals of a recording that still want an answer, and in which order they come."""

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from evalkit.edits import Change, Labels
from evalkit.proposals import Proposal, open_proposals
from evalkit.spans import Span
from evalkit.suggestions import Suggestion

__all__ = ["CONFIDENT", "Confident", "Order", "ProposalQueue"]

CONFIDENT = 0.9
"""From this confidence on a suggestion is one of those that can be accepted all at once."""

_MANY = 50


class Order(StrEnum):
    """In which order proposals come."""

    TIME = "by time"
    DOUBT = "most doubtful first"


@dataclass(frozen=True)
class Confident:
    """What accepting all confident suggestions would do."""

    accepted: Mapping[str, int]
    """Segments by label."""
    dismissed: int
    """Proposals that seem to be nothing."""
    least: float
    """The smallest confidence among them."""


class ProposalQueue:
    """Proposals, answered and open."""

    def __init__(self) -> None:
        self.open: tuple[Proposal, ...] = ()
        """Those that still want an answer, in order of time."""
        self.order = Order.TIME
        self.suggestions: Mapping[Proposal, Suggestion] = {}
        """What the model makes of them."""
        self._found: tuple[Proposal, ...] = ()
        self._is_open: NDArray[np.bool_] = np.zeros(0, bool)

    def fill(self, found: Sequence[Proposal], labels: Labels) -> None:
        """Take what was found in the recording, answered or not."""
        self._found = tuple(sorted(found))
        self._look_at_all(labels)

    def update(self, before: Labels, after: Labels) -> None:
        """Look again at those proposals only that a change of the labels may have answered."""
        change = Change.between("", before, after)
        spans = [Span(each.start_s, each.end_s) for each in (*change.removed, *change.added)]
        spans += (*change.recalled, *change.dismissed)
        if change.reviewed or change.unreviewed or len(spans) > _MANY:
            self._look_at_all(after)
            return
        if not spans:
            return
        first_s, last_s = min(s.start_s for s in spans), max(s.end_s for s in spans)
        touched = [k for k, p in enumerate(self._found) if p.start_s < last_s and p.end_s > first_s]
        left = set(open_proposals([self._found[k] for k in touched], after))
        for k in touched:
            self._is_open[k] = self._found[k] in left
        self.open = tuple(self._found[k] for k in np.flatnonzero(self._is_open).tolist())

    def has(self, proposal: Proposal) -> bool:
        """Return whether a proposal is open."""
        at = bisect_left(self.open, proposal)
        return self.open[at : at + 1] == (proposal,)

    def ordered(self) -> list[Proposal]:
        """Return the open ones in the order in which they come."""
        if self.order is Order.TIME:
            return list(self.open)

        def doubt(proposal: Proposal) -> tuple[float, float]:
            suggestion = self.suggestions.get(proposal)
            return (suggestion.confidence if suggestion else 0.0, proposal.start_s)

        return sorted(self.open, key=doubt)

    def confident(self) -> list[tuple[Proposal, Suggestion]]:
        """Return the open ones whose suggestion is confident."""
        found = [(proposal, self.suggestions.get(proposal)) for proposal in self.open]
        return [(p, s) for p, s in found if s is not None and s.confidence >= CONFIDENT]

    def summary(self) -> Confident:
        """Return what accepting all confident suggestions would do."""
        labels = [suggestion.label for _, suggestion in self.confident()]
        return Confident(
            accepted={name: labels.count(name) for name in sorted(set(labels)) if name},
            dismissed=labels.count(""),
            least=min((suggestion.confidence for _, suggestion in self.confident()), default=0.0),
        )

    def _look_at_all(self, labels: Labels) -> None:
        left = set(open_proposals(self._found, labels))
        self._is_open = np.array([proposal in left for proposal in self._found], bool)
        self.open = tuple(proposal for proposal in self._found if proposal in left)
