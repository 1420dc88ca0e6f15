"""The editor without a screen: commands in, labels, view and messages out."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from evalkit.editor.keys import Command
from evalkit.editor.queue import CONFIDENT, Order, ProposalQueue
from evalkit.editor.view import View, parse_time
from evalkit.edits import Labels
from evalkit.errors import EvalkitError
from evalkit.keeping import LabelKeeper
from evalkit.proposals import Proposal, matching_share
from evalkit.segments import STANDARD_ROLES, Segment
from evalkit.spans import Span
from evalkit.suggestions import Suggestion

__all__ = ["Desk", "label_names"]

_SAME = 0.5


class Desk:
    """One recording on the desk.

    Parameters
    ----------
    keeper : LabelKeeper
        Of the recording.
    names : sequence of str
        The labels that digits stand for, in order; any others come after them.
    columns : int
        Columns of the picture.
    """

    def __init__(self, keeper: LabelKeeper, *, names: Sequence[str], columns: int) -> None:
        self.keeper = keeper
        self.names = tuple(names)
        self.view = View(keeper.recording.duration_s, max(1, columns))
        self.chosen: Segment | Proposal | None = None
        """What commands act on."""
        self.anchor_s: float | None = None
        """Where a span begins that ends at the cursor."""
        self.message = ""
        """What came of the last command."""
        self.label_in_hand = self.names[0]
        """The label that is given where none is named and none suggested."""
        self.queue = ProposalQueue()
        """The proposals that still want an answer."""
        self.alerts: tuple[Span, ...] = ()
        self.loud_s: NDArray[np.float64] = np.zeros(0)
        self._origin: Proposal | None = None
        self._offer: Suggestion | None = None
        self._seen = keeper.labels
        self._before: View | None = None
        self._acts: dict[Command, Callable[[str], None]] = self._table()

    @property
    def labels(self) -> Labels:
        """The labels as they are now."""
        return self.keeper.labels

    @property
    def span(self) -> Span | None:
        """From the anchor to the cursor."""
        if self.anchor_s is None or self.anchor_s == self.view.cursor_s:
            return None
        return Span(min(self.anchor_s, self.view.cursor_s), max(self.anchor_s, self.view.cursor_s))

    def perform(self, command: Command, argument: str = "") -> None:
        """Do what a command says, or say in `message` why not."""
        self.message = ""
        try:
            self._acts[command](argument)
        except (ValueError, EvalkitError) as error:
            self.message = str(error)
        self.refresh()

    def resize(self, columns: int) -> None:
        """Fit another number of columns."""
        self.view = self.view.resized(columns)

    def take_proposals(self, proposals: Sequence[Proposal]) -> None:
        """Take what was found in the recording, answered or not."""
        self.queue.fill(proposals, self.labels)

    def refresh(self) -> bool:
        """Notice what became of the labels meanwhile; return whether anything did."""
        labels = self.keeper.labels
        if labels is self._seen:
            return False
        before, self._seen = self._seen, labels
        self.queue.update(before, labels)
        if isinstance(self.chosen, Segment) and not labels.has(self.chosen):
            self.chosen = None
        if isinstance(self.chosen, Proposal) and not self.queue.has(self._origin or self.chosen):
            self.chosen = self._origin = None
        self.names = tuple(dict.fromkeys([*self.names, *sorted({s.label for s in labels.segments})]))
        return True

    def suggested(self, proposal: Proposal) -> Suggestion | None:
        """Return what the model makes of a proposal; of the chosen one, what it made when it was chosen."""
        if proposal is self.chosen or proposal == self._origin:
            return self._offer
        return self.queue.suggestions.get(proposal)

    def choose_at(self, time_s: float, label: str | None = None) -> None:
        """Choose the shortest segment or proposal at a moment, of a label if one is named."""
        self.view = self.view.at(time_s)
        reach_s = self.view.column_s
        segments = [
            each
            for each in self.labels.segments
            if each.start_s < time_s + reach_s and time_s < each.end_s and label in (None, each.label)
        ]
        proposals = [
            each
            for each in self.queue.open
            if each.start_s < time_s + reach_s and time_s < each.end_s and label is None
        ]
        candidates: list[Segment | Proposal] = [*segments, *proposals]
        self._choose(min(candidates, key=lambda each: each.end_s - each.start_s, default=None))

    def _table(self) -> dict[Command, Callable[[str], None]]:
        c = Command
        return {
            c.LEFT: lambda _: self._look(self.view.step(-1)),
            c.RIGHT: lambda _: self._look(self.view.step(1)),
            c.FAR_LEFT: lambda _: self._look(self.view.far(-1)),
            c.FAR_RIGHT: lambda _: self._look(self.view.far(1)),
            c.PAGE_LEFT: lambda _: self._look(self.view.page(-1)),
            c.PAGE_RIGHT: lambda _: self._look(self.view.page(1)),
            c.START: lambda _: self._look(self.view.at(0.0)),
            c.END: lambda _: self._look(self.view.at(self.view.duration_s)),
            c.CLOSER: lambda _: self._look(self.view.zoomed(True)),
            c.WIDER: lambda _: self._look(self.view.zoomed(False)),
            c.WHOLE: lambda _: self._look(self.view.whole()),
            c.FIT: lambda _: self._fit(),
            c.GO_TO: self._go_to,
            c.NEXT_ALERT: lambda _: self._jump([a.start_s for a in self.alerts], 1, "alert"),
            c.PREVIOUS_ALERT: lambda _: self._jump([a.start_s for a in self.alerts], -1, "alert"),
            c.NEXT_LOUD: lambda _: self._jump(self.loud_s, 1, "loud moment"),
            c.PREVIOUS_LOUD: lambda _: self._jump(self.loud_s, -1, "loud moment"),
            c.NEXT_SEGMENT: lambda _: self._next_segment(1),
            c.PREVIOUS_SEGMENT: lambda _: self._next_segment(-1),
            c.NEXT_PROPOSAL: lambda _: self._next_proposal(1),
            c.PREVIOUS_PROPOSAL: lambda _: self._next_proposal(-1),
            c.ANCHOR: lambda _: self._anchor(),
            c.LABEL: self._label_numbered,
            c.LABEL_BY_NAME: self._label,
            c.ACCEPT: lambda _: self._accept(),
            c.REMOVE: lambda _: self._remove(),
            c.START_HERE: lambda _: self._trim(start_s=self.view.cursor_s),
            c.END_HERE: lambda _: self._trim(end_s=self.view.cursor_s),
            c.SPLIT: lambda _: self._split(),
            c.JOIN: lambda _: self._join(),
            c.NOTE: self._note,
            c.PHONE: self._phone,
            c.REVIEW: lambda _: self._review(),
            c.UNREVIEW: lambda _: self._unreview(),
            c.ACCEPT_CONFIDENT: lambda _: self._accept_confident(),
            c.ORDER: lambda _: self._turn_order(),
            c.UNDO: lambda _: self._undo(),
            c.REDO: lambda _: self._redo(),
            c.CANCEL: lambda _: self._cancel(),
        }

    def _look(self, view: View) -> None:
        self.view = view

    def _fit(self) -> None:
        if self._before is not None and isinstance(self.chosen, Segment | Proposal):
            fitted = self.view.about(self.chosen.start_s, self.chosen.end_s, share=0.5)
            if fitted.span_s == self.view.span_s:
                self.view, self._before = self._before.at(self.view.cursor_s), None
                return
        if self.chosen is None:
            raise ValueError("nothing is chosen")
        self._before = self.view
        self.view = self.view.about(self.chosen.start_s, self.chosen.end_s, share=0.5)

    def _go_to(self, text: str) -> None:
        self.view = self.view.at(parse_time(text))

    def _jump(self, times_s: Sequence[float] | NDArray[np.float64], direction: int, what: str) -> None:
        times = np.asarray(times_s, np.float64)
        near_s = 0.5 * self.view.column_s
        ahead = times > self.view.cursor_s + near_s if direction > 0 else times < self.view.cursor_s - near_s
        if not ahead.any():
            raise ValueError(f"no {what} {'after' if direction > 0 else 'before'} this")
        self.view = self.view.at(float(times[ahead][0 if direction > 0 else -1]))

    def _next_segment(self, direction: int) -> None:
        segments = self.labels.segments
        if isinstance(self.chosen, Segment):
            here = (self.chosen.start_s, self.chosen)
            ahead = [s for s in segments if ((s.start_s, s) > here) == (direction > 0) and s != self.chosen]
        else:
            cursor_s = self.view.cursor_s
            ahead = [s for s in segments if (s.start_s > cursor_s if direction > 0 else s.start_s < cursor_s)]
        if not ahead:
            raise ValueError(f"no segment {'after' if direction > 0 else 'before'} this")
        self._show(ahead[0 if direction > 0 else -1])

    def _next_proposal(self, direction: int) -> None:
        queue = self.queue.ordered()
        if not queue:
            raise ValueError("no proposal is left")
        current = self._origin or self.chosen
        if isinstance(current, Proposal) and current in queue:
            at = queue.index(current) + direction
        elif self.queue.order is Order.DOUBT:
            at = 0
        else:
            later = [k for k, p in enumerate(queue) if p.start_s >= self.view.cursor_s - 1e-6]
            at = (later[0] if later else len(queue)) - (direction < 0)
        if not 0 <= at < len(queue):
            self.message = "from the start again" if direction > 0 else "from the end again"
        self._show(queue[at % len(queue)])

    def _show(self, item: Segment | Proposal) -> None:
        self._choose(item)
        self.anchor_s = None
        self.view = self.view.shows(item.start_s, item.end_s)

    def _choose(self, item: Segment | Proposal | None) -> None:
        """Choose; what enter would do does not change while one looks, whatever is learned meanwhile."""
        self.chosen, self._origin = item, None
        self._offer = self.queue.suggestions.get(item) if isinstance(item, Proposal) else None

    def _anchor(self) -> None:
        self.anchor_s = None if self.anchor_s is not None else self.view.cursor_s
        self.message = "a span begins here" if self.anchor_s is not None else ""

    def _label_numbered(self, number: str) -> None:
        if int(number) > len(self.names):
            raise ValueError(f"there are {len(self.names)} labels; l gives one by its name")
        self._label(self.names[int(number) - 1])

    def _label(self, name: str) -> None:
        span = self.span
        subject = self._subject()
        if span is not None:
            made = Segment(span.start_s, span.end_s, name)
            self._commit(f"label {_told(made)}", self.labels.add(made))
            self.chosen, self.anchor_s, self._origin = made, None, None
        elif isinstance(subject, Proposal):
            self._answer(subject, name)
        elif isinstance(subject, Segment):
            labels, made = self.labels.relabel(subject, name)
            self._commit(f"relabel {subject.label} as {name}", labels)
            self.chosen = made
        else:
            raise ValueError("nothing is chosen here; space begins a span")
        self.label_in_hand = name

    def _accept(self) -> None:
        subject = self._subject()
        if self.span is None and isinstance(subject, Proposal):
            suggestion = self.suggested(subject)
            self._answer(subject, suggestion.label if suggestion is not None else self.label_in_hand)
        elif self.span is None and isinstance(subject, Segment):
            raise ValueError(f"this is labelled {subject.label} already")
        else:
            self._label(self.label_in_hand)

    def _answer(self, proposal: Proposal, label: str) -> None:
        """Accept a proposal with a label, or dismiss it with none, and go on to the next."""
        origin = self._origin if proposal is self.chosen and self._origin else proposal
        at = self.queue.ordered().index(origin)
        if label:
            made = Segment(proposal.start_s, proposal.end_s, label)
            labels = self.labels.add(made)
            if matching_share(proposal, origin) < _SAME:
                labels = labels.dismiss(origin.span)
            self._commit(f"accept {_told(made)}", labels)
        else:
            what = f"dismiss {origin.start_s:.3f}-{origin.end_s:.3f} s"
            self._commit(what, self.labels.dismiss(origin.span))
        self.refresh()
        self.chosen = self._origin = None
        queue = self.queue.ordered()
        if queue:
            told = self.message
            self._show(queue[0 if self.queue.order is Order.DOUBT else min(at, len(queue) - 1)])
            self.message = told
        else:
            self.message += "; no proposal is left"

    def _remove(self) -> None:
        subject = self._subject()
        if isinstance(subject, Proposal):
            self._answer(subject, "")
        elif isinstance(subject, Segment):
            self._commit(f"remove {_told(subject)}", self.labels.remove(subject))
        else:
            raise ValueError("nothing is chosen here")

    def _trim(self, *, start_s: float | None = None, end_s: float | None = None) -> None:
        subject = self._subject()
        if isinstance(subject, Segment):
            labels, made = self.labels.trim(subject, start_s=start_s, end_s=end_s)
            self._commit(f"trim {_told(made)}", labels)
            self.chosen = made
        elif isinstance(subject, Proposal):
            start = subject.start_s if start_s is None else start_s
            end = subject.end_s if end_s is None else end_s
            if start >= end:
                raise ValueError("a segment must end after it starts")
            if self._origin is None or subject is not self.chosen:
                self._origin = subject
            self.chosen = replace(subject, start_s=start, end_s=end)
            self.message = "proposal trimmed; enter or a digit accepts it so"
        else:
            raise ValueError("nothing is chosen here")

    def _split(self) -> None:
        labels, late = self.labels.split(self._segment(), self.view.cursor_s)
        self._commit(f"split {late.label} at {late.start_s:.3f} s", labels)
        self.chosen = late

    def _join(self) -> None:
        labels, joined = self.labels.join(self._segment())
        self._commit(f"join {_told(joined)}", labels)
        self.chosen = joined

    def _note(self, text: str) -> None:
        labels, made = self.labels.annotate(self._segment(), text)
        self._commit(f"note on {_told(made)}", labels)
        self.chosen = made

    def _phone(self, name: str) -> None:
        labels, made = self.labels.assign(self._segment(), name.strip())
        self._commit(f"phone of {_told(made)}", labels)
        self.chosen = made

    def _review(self) -> None:
        span = self._span_or_view()
        self._commit(f"reviewed {span.start_s:.3f}-{span.end_s:.3f} s", self.labels.review(span))
        self.anchor_s = None

    def _unreview(self) -> None:
        span = self._span_or_view()
        self._commit(f"not reviewed {span.start_s:.3f}-{span.end_s:.3f} s", self.labels.unreview(span))
        self.anchor_s = None

    def _accept_confident(self) -> None:
        labels, taken, refused = self.labels, 0, 0
        for proposal, suggestion in self.queue.confident():
            try:
                label = suggestion.label
                made = Segment(proposal.start_s, proposal.end_s, label) if label else None
                labels = labels.add(made) if made is not None else labels.dismiss(proposal.span)
                taken += 1
            except ValueError:
                refused += 1
        if not taken:
            raise ValueError(f"no suggestion has a confidence of {CONFIDENT:.0%}")
        self._commit(f"answer {taken} confident proposals", labels)
        if refused:
            self.message += f"; {refused} would overlap another of their label and are left"

    def _turn_order(self) -> None:
        self.queue.order = Order.DOUBT if self.queue.order is Order.TIME else Order.TIME
        self.message = f"proposals {self.queue.order}"

    def _undo(self) -> None:
        what = self.keeper.undo()
        self.message = "nothing to undo" if what is None else f"undone: {what}"

    def _redo(self) -> None:
        what = self.keeper.redo()
        self.message = "nothing to redo" if what is None else f"done again: {what}"

    def _cancel(self) -> None:
        self.chosen = self._origin = self.anchor_s = None

    def _commit(self, what: str, labels: Labels) -> None:
        self.keeper.do(what, labels)
        self.message = what

    def _subject(self) -> Segment | Proposal | None:
        """What is chosen, or else what lies under the cursor."""
        if self.chosen is None:
            self.choose_at(self.view.cursor_s)
        return self.chosen

    def _segment(self) -> Segment:
        subject = self._subject()
        if not isinstance(subject, Segment):
            raise ValueError("no segment is chosen here")
        return subject

    def _span_or_view(self) -> Span:
        return self.span or Span(self.view.start_s, self.view.end_s)


def label_names(others: Sequence[str]) -> tuple[str, ...]:
    """Return the labels in the order of their digits: the standard ones, then a person's own."""
    return tuple(dict.fromkeys([*STANDARD_ROLES, *sorted(others)]))


def _told(segment: Segment) -> str:
    return f"{segment.label} {segment.start_s:.3f}-{segment.end_s:.3f} s"
