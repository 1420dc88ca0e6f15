"""The lines above and below the picture: where one is, what is chosen, what came of the last key."""

import textwrap
from pathlib import Path

from evalkit.editor.desk import Desk
from evalkit.editor.ink import Canvas, Ink, Look
from evalkit.editor.keys import KEYS
from evalkit.editor.picture import Extra, draw
from evalkit.editor.source import Source
from evalkit.editor.view import told_time
from evalkit.edits import Labels
from evalkit.keeping import LabelKeeper
from evalkit.names import visible
from evalkit.proposals import Proposal
from evalkit.segments import Segment
from evalkit.spans import total_s

__all__ = ["Frame"]

_BOTTOM = 3
_SMALLEST = (40, 14)


class Frame:
    """Everything on the screen for one recording.

    Parameters
    ----------
    folder : Path
        The dataset; messages call it by its name alone.
    title : str
        Recording and its place among the others.
    """

    TOP = 2
    """Rows above the picture."""

    def __init__(self, folder: Path, title: str) -> None:
        self._folder = folder
        self._title = f"{folder.resolve().name} / {title}"
        self.state = ""
        """How the labels stand to the disk, as drawn last."""
        self.lanes: tuple[tuple[int, str], ...] = ()
        """(row of the picture, label), as drawn last."""
        self.taught: Labels | None = None
        self.asked = False

    @staticmethod
    def state_of(keeper: LabelKeeper) -> str:
        """Return how the labels stand to the disk, in a word or two."""
        if keeper.refusal is not None:
            return "LOOKING ONLY"
        if keeper.question is not None:
            return "NOT WRITTEN: whose word?"
        if keeper.trouble is not None:
            return "NOT WRITTEN"
        return "saved" if keeper.saved else "saving"

    def draw(
        self,
        desk: Desk,
        source: Source,
        rows: int,
        columns: int,
        extra: Extra,
        ink: Ink,
        waiting: str,
    ) -> Canvas:
        """Return the whole screen."""
        canvas = Canvas.blank(rows, columns)
        if columns < _SMALLEST[0] or rows < _SMALLEST[1]:
            canvas.text(0, 0, f"too small: {_SMALLEST[0]} x {_SMALLEST[1]} is needed", Look.WARNING)
            return canvas
        picture = draw(desk, source, rows - self.TOP - _BOTTOM, extra=extra, ink=ink, waiting=waiting)
        self.lanes = picture.lanes
        canvas.put(self.TOP, 0, picture.canvas)
        self._draw_head(canvas, desk, source)
        chosen = _told_chosen(desk)
        canvas.text(rows - 3, 0, chosen, Look.NAME if desk.chosen is not None else Look.DIM)
        keeper = desk.keeper
        message = desk.message or keeper.trouble or keeper.refusal or ""
        self._draw_message(canvas, message.replace(str(self._folder), self._folder.name))
        canvas.text(rows - 1, 0, _hints(columns), Look.DIM)
        return canvas

    def _draw_message(self, canvas: Canvas, message: str) -> None:
        """Write a message over the last line but one; a long one takes the line above as well."""
        rows, columns = canvas.chars.shape
        lines = textwrap.wrap(visible(message), columns, max_lines=2, placeholder=" ...") or [""]
        if len(lines) > 1:
            canvas.text(rows - 3, 0, lines[0].ljust(columns), Look.WARNING)
        canvas.text(rows - 2, 0, lines[-1], Look.WARNING)

    def _draw_head(self, canvas: Canvas, desk: Desk, source: Source) -> None:
        columns = canvas.chars.shape[1]
        labels, keeper = desk.labels, desk.keeper
        self.state = self.state_of(keeper)
        reviewed = total_s(labels.reviewed) / labels.duration_s
        facts = [
            f"{len(labels.segments)} segments",
            f"{len(desk.queue.open)} open",
            f"{reviewed:.0%} reviewed",
            f"{keeper.history.position} changes",
            self.state,
        ]
        right = "  ".join(facts)
        canvas.text(0, 0, visible(self._title)[: max(10, columns - len(right) - 2)], Look.NAME)
        canvas.text(0, max(0, columns - len(right)), right, Look.PLAIN)
        view, setting = desk.view, source.setting
        seen = f"cursor {told_time(view.cursor_s)}  view {_told_span(view.span_s)}"
        if desk.span is not None:
            seen += f"  span {_told_span(desk.span.end_s - desk.span.start_s)}"
        box = f"gain {setting.gain:.3g}, delay {setting.delay_s:.3g} s ({setting.origin})"
        canvas.text(1, 0, seen, Look.PLAIN)
        if len(seen) + len(box) + 2 <= columns:
            canvas.text(1, columns - len(box), box, Look.DIM)


def _told_chosen(desk: Desk) -> str:
    chosen = desk.chosen
    if isinstance(chosen, Segment):
        parts = [chosen.label, _times(chosen)]
        parts += [f"phone {chosen.phone}"] if chosen.phone else []
        parts += [visible(chosen.note)] if chosen.note else []
        return "  ".join(parts)
    if isinstance(chosen, Proposal):
        suggestion = desk.suggested(chosen)
        if suggestion is None:
            guess = f"enter: {desk.label_in_hand}"
        else:
            guess = f"enter: {suggestion.label or 'dismiss, it is nothing'} ({suggestion.confidence:.0%})"
        return f"proposal ({guess})  {_times(chosen)}  {chosen.over_db:.0f} dB up"
    if desk.anchor_s is not None:
        return f"span from {told_time(desk.anchor_s)}: a digit labels it, r marks it reviewed"
    return f"nothing chosen  digits: {_numbered(desk)}"


def _numbered(desk: Desk) -> str:
    return "  ".join(f"{n} {name}" for n, name in enumerate(desk.names[:9], start=1))


def _times(item: Segment | Proposal) -> str:
    length = _told_span(item.end_s - item.start_s)
    return f"{told_time(item.start_s)} to {told_time(item.end_s)} ({length})"


def _told_span(span_s: float) -> str:
    if span_s < 1.0:
        return f"{1e3 * span_s:.4g} ms"
    return f"{span_s:.4g} s" if span_s < 120.0 else told_time(span_s, decimals=0)


def _hints(columns: int) -> str:
    parts = [f"{key.shown.split()[0]} {key.hint}" for key in KEYS if key.hint]
    text = "  ".join(parts)
    while len(text) > columns and len(parts) > 1:
        # The help and the way out stay.
        del parts[-3 if len(parts) > 2 else 0]
        text = "  ".join(parts)
    return text
