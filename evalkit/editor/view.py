"""Which part of a recording is seen, where the cursor is in it, and how times are told and read."""

from dataclasses import dataclass, replace

__all__ = ["View", "parse_time", "told_time"]

_STEP = 2.0
_CLOSEST_S = 0.02
_EDGE = 0.1
_FAR = 0.1


@dataclass(frozen=True)
class View:
    """A window on [start_s, start_s + span_s) of a recording, with a cursor inside the recording."""

    duration_s: float
    """Length of the recording."""
    columns: int
    """Columns of the picture."""
    start_s: float = 0.0
    span_s: float = 0.0
    """0: the whole recording."""
    cursor_s: float = 0.0

    def __post_init__(self) -> None:
        longest = max(self.duration_s, 1e-6)
        span_s = min(self.span_s if self.span_s > 0 else longest, longest)
        span_s = max(span_s, min(_CLOSEST_S, longest))
        object.__setattr__(self, "span_s", span_s)
        object.__setattr__(self, "start_s", min(max(0.0, self.start_s), max(0.0, longest - span_s)))
        object.__setattr__(self, "cursor_s", min(max(0.0, self.cursor_s), self.duration_s))

    @property
    def end_s(self) -> float:
        """First instant after the view."""
        return self.start_s + self.span_s

    @property
    def column_s(self) -> float:
        """What one column stands for."""
        return self.span_s / self.columns

    @property
    def cursor_column(self) -> int:
        """Column that the cursor is in; outside 0 to columns - 1 it is not seen."""
        column = int((self.cursor_s - self.start_s) / self.column_s + 1e-6)
        # The end of the recording is seen at the end of the last column.
        return min(column, self.columns - 1) if self.cursor_s <= self.end_s + 1e-9 else column

    def time_of(self, column: float) -> float:
        """Return the instant at which a column begins."""
        return min(max(0.0, self.start_s + column * self.column_s), self.duration_s)

    def resized(self, columns: int) -> "View":
        """Return the same time in another number of columns."""
        return replace(self, columns=max(1, columns))

    def step(self, columns: float) -> "View":
        """Move the cursor by columns; the view follows."""
        return self.at(self.cursor_s + columns * self.column_s)

    def far(self, direction: int) -> "View":
        """Move the cursor by a tenth of the view."""
        return self.at(self.cursor_s + direction * _FAR * self.span_s)

    def page(self, direction: int) -> "View":
        """Move view and cursor by a view's length."""
        move_s = direction * self.span_s
        return replace(self, start_s=self.start_s + move_s, cursor_s=self.cursor_s + move_s).at()

    def at(self, cursor_s: float | None = None) -> "View":
        """Put the cursor somewhere; the view follows if it would leave it."""
        moved = self if cursor_s is None else replace(self, cursor_s=cursor_s)
        margin_s = _EDGE * moved.span_s
        if moved.cursor_s < moved.start_s:
            return replace(moved, start_s=moved.cursor_s - margin_s)
        if moved.cursor_s > moved.end_s or (moved.cursor_s == moved.end_s < moved.duration_s):
            return replace(moved, start_s=moved.cursor_s - moved.span_s + margin_s)
        return moved

    def zoomed(self, closer: bool) -> "View":
        """Show half or twice the time; the cursor stays where it is on the screen."""
        span_s = self.span_s / _STEP if closer else self.span_s * _STEP
        span_s = max(min(span_s, self.duration_s), min(_CLOSEST_S, self.duration_s))
        share = min(max((self.cursor_s - self.start_s) / self.span_s, 0.0), 1.0)
        return replace(self, span_s=span_s, start_s=self.cursor_s - share * span_s)

    def whole(self) -> "View":
        """Show the whole recording."""
        return replace(self, start_s=0.0, span_s=0.0)

    def about(self, start_s: float, end_s: float, *, share: float) -> "View":
        """Show a stretch so that it takes up a share of the view, the cursor at its start."""
        span_s = (end_s - start_s) / share
        middle_s = 0.5 * (start_s + end_s)
        return replace(self, span_s=span_s, start_s=middle_s - span_s / 2, cursor_s=start_s)

    def shows(self, start_s: float, end_s: float) -> "View":
        """Go to a stretch; zoom only if it could not be seen well as it is."""
        length_s = end_s - start_s
        if length_s < 3 * self.column_s or length_s > 0.8 * self.span_s:
            return self.about(start_s, end_s, share=0.15 if length_s < 20.0 else 0.5)
        if start_s < self.start_s + _EDGE * self.span_s or end_s > self.end_s - _EDGE * self.span_s:
            return replace(self, start_s=start_s - 0.3 * self.span_s, cursor_s=start_s)
        return replace(self, cursor_s=start_s)


def told_time(time_s: float, *, decimals: int = 3) -> str:
    """Return a time as ``h:mm:ss.mmm``.

    Examples
    --------
    >>> told_time(3725.5)
    '1:02:05.500'
    """
    ticks = round(time_s * 10**decimals)
    seconds, fraction = divmod(ticks, 10**decimals)
    text = f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    return f"{text}.{fraction:0{decimals}d}" if decimals else text


def parse_time(text: str) -> float:
    """Return the time that ``95.5``, ``1:35.5`` or ``0:01:35.5`` means, seconds.

    Raises
    ------
    ValueError
        If it means none.
    """
    parts = text.strip().split(":")
    try:
        values = [float(part) for part in parts]
    except ValueError:
        values = []
    if not 1 <= len(values) <= 3 or any(not 0 <= value < 1e9 for value in values):
        raise ValueError(f"{text.strip()[:20]!r} is no time; 95.5 or 1:35.5 is")
    total = 0.0
    for value in values:
        total = 60.0 * total + value
    return total
