"""The one widget of the editor: a sheet of characters that covers the screen."""

from collections.abc import Callable

import numpy as np
from rich.segment import Segment as Run
from rich.style import Style
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from evalkit.editor.ink import REVERSED, Canvas, Look

__all__ = ["Sheet"]

# The sixteen colours of every terminal and its own background; each look also differs by the
# characters that it is used for, so that nothing is lost without colour.
_STYLES = {
    Look.PLAIN: Style(),
    Look.DIM: Style(dim=True),
    Look.NAME: Style(bold=True),
    Look.LEVEL: Style(color="cyan"),
    Look.OVER: Style(color="red", bold=True),
    Look.LINE: Style(color="magenta"),
    Look.FILL: Style(color="green"),
    Look.ALERT: Style(color="red", bold=True),
    Look.SEGMENT: Style(),
    Look.CHOSEN: Style(bold=True, underline=True),
    Look.PROPOSAL: Style(color="magenta"),
    Look.REVIEWED: Style(color="green"),
    Look.WARNING: Style(bold=True),
}
_ALL = {int(look): style for look, style in _STYLES.items()}
_ALL |= {int(look) + REVERSED: style + Style(reverse=True) for look, style in _STYLES.items()}


class Sheet(Widget, can_focus=False):
    """Shows what a function draws for its size, and sends on only what has changed.

    Parameters
    ----------
    draw : callable
        Called with (rows, columns), returns a canvas of that size.
    """

    DEFAULT_CSS = "Sheet { width: 100%; height: 100%; }"

    def __init__(self, draw: Callable[[int, int], Canvas]) -> None:
        super().__init__()
        self._draw = draw
        self._canvas = Canvas.blank(0, 0)
        self._strips: list[Strip] = []

    def redraw(self) -> None:
        """Draw anew."""
        rows, columns = self.size.height, self.size.width
        if rows < 1 or columns < 1:
            return
        new, old = self._draw(rows, columns), self._canvas
        self._canvas = new
        if old.chars.shape != new.chars.shape:
            self._strips = [_strip(new, row) for row in range(rows)]
            self.refresh()
            return
        changed = (new.chars != old.chars) | (new.looks != old.looks)
        regions = []
        for row in np.flatnonzero(changed.any(axis=1)).tolist():
            self._strips[row] = _strip(new, row)
            where = np.flatnonzero(changed[row])
            regions.append(Region(int(where[0]), row, int(where[-1] - where[0]) + 1, 1))
        if regions:
            self.refresh(*regions)

    def render_line(self, y: int) -> Strip:
        """Return a row, as Textual asks for it."""
        if y >= len(self._strips):
            return Strip.blank(self.size.width)
        return self._strips[y]

    def on_resize(self) -> None:
        """Draw for the new size."""
        self.redraw()


def _strip(canvas: Canvas, row: int) -> Strip:
    chars, looks = canvas.chars[row], canvas.looks[row]
    edges = np.concatenate([[0], np.flatnonzero(np.diff(looks)) + 1, [len(looks)]]).tolist()
    text = "".join(chars.tolist())
    runs = [Run(text[a:b], _ALL[int(looks[a])]) for a, b in zip(edges, edges[1:])]
    return Strip(runs, len(looks))
