"""The whole picture: panes, lanes of segments, proposals, reviewed time and the clock, row by row."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from rich.cells import cell_len

from evalkit.editor.desk import Desk
from evalkit.editor.ink import REVERSED, Canvas, Ink, Look
from evalkit.editor.panes import (
    GUTTER,
    alert_pane,
    bands_pane,
    fill_pane,
    level_pane,
    spectrum_pane,
    wave_pane,
)
from evalkit.editor.source import Source
from evalkit.editor.view import View, told_time
from evalkit.proposals import Proposal
from evalkit.segments import Segment

__all__ = ["Extra", "Picture", "draw"]

_TICKS_S = (
    *(0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5),
    *(1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0, 21600.0),
)
_TICK_COLUMNS = 14
_FEWEST_LANES = 4


class Extra(StrEnum):
    """What is shown on demand."""

    NONE = "none"
    WAVE = "wave"
    BANDS = "bands"
    SPECTRUM = "spectrum"


@dataclass(frozen=True)
class Picture:
    """Characters, and what the rows are."""

    canvas: Canvas
    lanes: tuple[tuple[int, str], ...]
    """(row, label) of each lane."""


def draw(desk: Desk, source: Source, rows: int, *, extra: Extra, ink: Ink, waiting: str = "") -> Picture:
    """Return the picture of what is on the desk.

    Parameters
    ----------
    desk : Desk
        Its view says how many columns there are beside the gutter.
    source : Source
        What there is to draw.
    rows : int
        Height.
    extra : Extra
        What is shown beside the box and the labels.
    ink : Ink
    waiting : str
        What is being computed, shown in the place of what is not there yet.
    """
    view = desk.view
    canvas = Canvas.blank(rows, GUTTER + view.columns)
    lanes = _lanes_shown(desk, rows)
    below = len(lanes) + 3
    above = max(rows - below, 0)
    row = 0
    for pane in _panes(desk, source, above, extra, ink, waiting):
        canvas.put(row, 0, Canvas(pane.chars[: above - row], pane.looks[: above - row]))
        row += len(pane.chars)
    row = above
    seen = [s for s in desk.labels.segments if s.start_s < view.end_s and s.end_s > view.start_s]
    shown = []
    for label in lanes:
        if row < rows:
            _draw_lane(canvas, row, desk, label, seen)
            shown.append((row, label))
        row += 1
    for draw_row in (_draw_proposals, _draw_reviewed, _draw_clock):
        if row < rows:
            draw_row(canvas, row, desk)
        row += 1
    _draw_cursor(canvas, desk, above)
    return Picture(canvas, tuple(shown))


def _lanes_shown(desk: Desk, rows: int) -> tuple[str, ...]:
    """Return the labels that have a lane: all if there is room, else those in use first."""
    room = max(2, min(len(desk.names), rows // 3))
    if room >= len(desk.names):
        return desk.names
    used = {segment.label for segment in desk.labels.segments}
    if isinstance(desk.chosen, Segment):
        used.add(desk.chosen.label)
    ranked = sorted(desk.names, key=lambda name: (name not in used, desk.names.index(name)))
    keep = set(ranked[: max(min(room, len(used)), min(room, _FEWEST_LANES))])
    return tuple(name for name in desk.names if name in keep)


def _panes(desk: Desk, source: Source, rows: int, extra: Extra, ink: Ink, waiting: str) -> list[Canvas]:
    """Return the panes over the lanes, together `rows` high."""
    view, board = desk.view, source.board
    box = source.box(view)
    fill = 4 if rows >= 16 else 3 if rows >= 8 else 0
    more = 0 if extra is Extra.NONE else max(3, (rows - fill - 1) // 2)
    level = max(1, rows - fill - more - 1)
    panes: list[Canvas] = []
    if box is not None:
        panes.append(level_pane(box, board, level, ink))
        if fill:
            panes.append(fill_pane(box, board, fill, ink))
    else:
        blank = Canvas.blank(level + fill, GUTTER + view.columns)
        blank.text(0, 0, "level", Look.NAME)
        blank.text((level + fill) // 2, GUTTER + 2, waiting, Look.WARNING)
        panes.append(blank)
    panes.append(alert_pane(box, desk.alerts, view))
    if more:
        panes.append(_extra_pane(view, source, more, extra, ink, waiting))
    return panes


def _extra_pane(view: View, source: Source, rows: int, extra: Extra, ink: Ink, waiting: str) -> Canvas:
    pane: Canvas | None = None
    if extra is Extra.WAVE and (waves := source.waves(view)) is not None:
        pane = wave_pane(waves, source.recording.full_scale_v, rows, ink)
    elif extra is Extra.BANDS and (bands := source.bands_db(view)) is not None:
        pane = bands_pane(bands, rows)
    elif extra is Extra.SPECTRUM:
        pane = spectrum_pane(source.spectrum(view), view.columns, rows, ink)
    if pane is None:
        pane = Canvas.blank(rows, GUTTER + view.columns)
        pane.text(rows // 2, GUTTER + 2, waiting, Look.WARNING)
    return pane


def _columns(
    view: View, starts_s: NDArray[np.float64], ends_s: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return first and last column of stretches, at least one column each, cut at the picture's sides."""
    first = np.floor((starts_s - view.start_s) / view.column_s + 1e-6).astype(np.int64)
    last = np.ceil((ends_s - view.start_s) / view.column_s - 1e-6).astype(np.int64) - 1
    return first, np.maximum(last, first)


def _draw_lane(canvas: Canvas, row: int, desk: Desk, label: str, seen: Sequence[Segment]) -> None:
    """Draw a label's segments as half-open intervals: ``[====)``, or its first letter in one column."""
    number = desk.names.index(label) + 1
    name = f"{number} {label}" if number <= 9 else f"  {label}"
    canvas.text(row, 0, name[: GUTTER - 1], Look.NAME)
    view = desk.view
    letter = label[0] if cell_len(label[0]) == 1 else "*"
    _draw_intervals(canvas, row, view, [s for s in seen if s.label == label], "[=)", letter, Look.SEGMENT)
    if isinstance(desk.chosen, Segment) and desk.chosen.label == label:
        _draw_intervals(canvas, row, view, [desk.chosen], "[#)", letter.upper()[0], Look.CHOSEN)


def _draw_intervals(
    canvas: Canvas,
    row: int,
    view: View,
    items: Sequence[Segment | Proposal],
    ends: str,
    single: str,
    look: int,
) -> None:
    if not items:
        return
    starts = np.array([each.start_s for each in items])
    stops = np.array([each.end_s for each in items])
    first, last = _columns(view, starts, stops)
    n = view.columns
    edges = np.zeros(n + 1, np.int64)
    np.add.at(edges, np.clip(first, 0, n), 1)
    np.add.at(edges, np.clip(last + 1, 0, n), -1)
    covered = np.cumsum(edges[:-1]) > 0
    chars, looks = canvas.chars[row, GUTTER:], canvas.looks[row, GUTTER:]
    chars[covered] = ends[1]
    looks[covered] = look
    chars[last[(last >= 0) & (last < n)]] = ends[2]
    chars[first[(first >= 0) & (first < n)]] = ends[0]
    narrow = first[(first == last) & (first >= 0) & (first < n)]
    chars[narrow] = single


def _draw_proposals(canvas: Canvas, row: int, desk: Desk) -> None:
    """Draw open proposals as ``<..>``, ``?`` in one column; the chosen one with what it may be."""
    view = desk.view
    canvas.text(row, 0, "proposals", Look.NAME)
    seen = [p for p in desk.queue.open if p.start_s < view.end_s and p.end_s > view.start_s]
    # Long ones first, so that those inside them stay to be seen.
    seen.sort(key=lambda each: each.start_s - each.end_s)
    for proposal in seen if len(seen) <= view.columns else ():
        _draw_intervals(canvas, row, view, [proposal], "<.>", "?", Look.PROPOSAL)
    if len(seen) > view.columns:
        _draw_intervals(canvas, row, view, seen, "<.>", "?", Look.PROPOSAL)
    if isinstance(desk.chosen, Proposal):
        _draw_intervals(canvas, row, view, [desk.chosen], "<#>", "?", Look.CHOSEN)


def _draw_reviewed(canvas: Canvas, row: int, desk: Desk) -> None:
    canvas.text(row, 0, "reviewed", Look.NAME)
    view = desk.view
    for span in desk.labels.reviewed:
        if span.end_s > view.start_s and span.start_s < view.end_s:
            first, last = _columns(view, np.array([span.start_s]), np.array([span.end_s]))
            a, b = max(0, int(first[0])), min(view.columns, int(last[0]) + 1)
            canvas.chars[row, GUTTER + a : GUTTER + b] = "~"
            canvas.looks[row, GUTTER + a : GUTTER + b] = Look.REVIEWED
    span_now = desk.span
    if span_now is not None:
        item = Proposal(span_now.start_s, span_now.end_s, 0.0)
        _draw_intervals(canvas, row, view, [item], "|^|", "^", Look.CHOSEN)


def _draw_clock(canvas: Canvas, row: int, desk: Desk) -> None:
    view = desk.view
    wanted_s = _TICK_COLUMNS * view.column_s
    step_s = next((step for step in _TICKS_S if step >= wanted_s), _TICKS_S[-1])
    decimals = 0 if step_s >= 1 else 3
    first = int(np.ceil(view.start_s / step_s - 1e-9))
    for k in range(first, first + view.columns):
        column = int((k * step_s - view.start_s) / view.column_s + 1e-6)
        if column >= view.columns:
            break
        canvas.text(row, GUTTER + column, f"'{told_time(k * step_s, decimals=decimals)}", Look.DIM)
    canvas.text(row, 0, "time", Look.NAME)


def _draw_cursor(canvas: Canvas, desk: Desk, above: int) -> None:
    """Show cursor and anchor: reversed over the full height; a dotted line where nothing is drawn."""
    column = desk.view.cursor_column
    if 0 <= column < desk.view.columns:
        canvas.looks[:, GUTTER + column] += np.uint8(REVERSED)
    if desk.anchor_s is not None:
        anchor = int((desk.anchor_s - desk.view.start_s) / desk.view.column_s + 1e-6)
        if 0 <= anchor < desk.view.columns and anchor != column:
            empty = canvas.chars[:above, GUTTER + anchor] == " "
            canvas.chars[:above, GUTTER + anchor][empty] = ":"
