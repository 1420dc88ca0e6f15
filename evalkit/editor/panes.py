"""Pictures of what was recorded and of what the box makes of it, one for each pane."""

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board
from evalkit.box_trace import BoxColumns
from evalkit.drawn_levels import BAND_EDGES_HZ
from evalkit.editor.ink import Canvas, Ink, Look, bars, cells, strokes
from evalkit.editor.source import Spectrum, Waves
from evalkit.editor.view import View
from evalkit.spans import Span

__all__ = ["GUTTER", "alert_pane", "bands_pane", "fill_pane", "level_pane", "spectrum_pane", "wave_pane"]

GUTTER = 11
"""Columns left of every pane, for names and scales."""

_TOP_DB, _BOTTOM_DB = 12.0, -40.0
_LOWEST_V = 1e-6
_SHADES = np.array(list(" ░▒▓█"))
_ALERT, _PART = "█", "▒"


def level_pane(box: BoxColumns, board: Board, rows: int, ink: Ink) -> Canvas:
    """Return the storage voltage in dB over the upper trip level, and the comparator under it.

    Solid up to the lowest, thinned out up to the highest of each column; what
    is over the trip level is set apart by its place over the line.
    """
    canvas = _with_gutter(rows, len(box.low_v) // 2)

    def over_trip_db(volts: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(20.0 * np.log10(np.maximum(volts, _LOWEST_V) / board.upper_trip_v), np.float32)

    dots = bars(over_trip_db(box.low_v), over_trip_db(box.high_v), rows, bottom=_BOTTOM_DB, top=_TOP_DB)
    drawn = cells(dots, ink)
    trip = rows - 1 - int((0.0 - _BOTTOM_DB) / (_TOP_DB - _BOTTOM_DB) * rows)
    picture = canvas.chars[:, GUTTER:]
    looks = canvas.looks[:, GUTTER:]
    picture[:] = drawn
    looks[:] = Look.LEVEL
    looks[: trip + 1] = Look.OVER
    line = picture[trip] == " "
    picture[trip][line] = "-"
    looks[trip][line] = Look.LINE
    canvas.text(0, 0, "level", Look.NAME)
    canvas.text(trip, 0, "trips at 0", Look.LINE)
    if trip > 1:
        canvas.text(0, 6, f"{_TOP_DB:+3.0f}dB", Look.DIM)
    canvas.text(rows - 1, 5, f"{_BOTTOM_DB:+3.0f}dB", Look.DIM)
    return canvas


def fill_pane(box: BoxColumns, board: Board, rows: int, ink: Ink) -> Canvas:
    """Return the integrator as it fills toward the gate's two thresholds."""
    canvas = _with_gutter(rows, len(box.low_v) // 2)
    dots = bars(box.low_share, box.high_share, rows, bottom=0.0, top=1.0)
    picture, looks = canvas.chars[:, GUTTER:], canvas.looks[:, GUTTER:]
    picture[:] = cells(dots, ink)
    looks[:] = Look.FILL
    lines = {"lets go": board.release_fraction, "fires": board.fire_fraction}
    for name, share in lines.items():
        row = rows - 1 - min(rows - 1, int(share * rows))
        empty = picture[row] == " "
        picture[row][empty] = "-"
        looks[row][empty] = Look.LINE
        canvas.text(row, 0, name.ljust(GUTTER - 1), Look.LINE)
    if "fires" not in "".join(canvas.chars[0]):
        canvas.text(0, 0, "integrator", Look.NAME)
    return canvas


def alert_pane(box: BoxColumns | None, alerts: tuple[Span, ...], view: View) -> Canvas:
    """Return one row: comparator high in small, alert in full blocks."""
    canvas = _with_gutter(1, view.columns)
    picture, looks = canvas.chars[0, GUTTER:], canvas.looks[0, GUTTER:]
    if box is not None:
        above = np.nan_to_num(box.above).reshape(-1, 2).max(axis=1) > 0.0
        picture[above], looks[above] = ".", Look.LEVEL
        gate = np.nan_to_num(box.gate).reshape(-1, 2).max(axis=1) > 0.0
        picture[gate], looks[gate] = _PART, Look.ALERT
    for alert in alerts:
        if alert.end_s > view.start_s and alert.start_s < view.end_s:
            first = max(0, int((alert.start_s - view.start_s) / view.column_s))
            last = min(view.columns, int(np.ceil((alert.end_s - view.start_s) / view.column_s)))
            picture[first:last] = np.where(picture[first:last] == _PART, _PART, _ALERT)
            looks[first:last] = Look.ALERT
    canvas.text(0, 0, "alert", Look.NAME)
    return canvas


def wave_pane(waves: Waves, volts: float | None, rows: int, ink: Ink) -> Canvas:
    """Return the waveform: solid to the RMS of each column, thinned out to its peaks."""
    canvas = _with_gutter(rows, len(waves.low) // 2)
    peaks = np.abs(np.concatenate([waves.low, waves.high]))
    reach = float(np.nanmax(peaks)) if np.isfinite(peaks).any() else 1.0
    reach = reach if reach > 0.0 else 1.0
    canvas.chars[:, GUTTER:] = cells(strokes(waves.low, waves.high, waves.rms, rows, reach=reach), ink)
    canvas.text(0, 0, "wave", Look.NAME)
    told = _with_prefix(reach * volts, "V") if volts is not None else f"{20 * np.log10(reach):.0f}dBFS"
    canvas.text(0, 5, told[:6].rjust(6), Look.DIM)
    canvas.text(rows - 1, 4, f"-{told}"[:7].rjust(7) if volts is not None else "", Look.DIM)
    return canvas


def bands_pane(bands_db: NDArray[np.float32], rows: int) -> Canvas:
    """Return the spectrum over time: low bands at the bottom, the stronger the darker."""
    canvas = _with_gutter(rows, len(bands_db))
    edges = np.linspace(0, bands_db.shape[1], rows + 1).round().astype(np.int64)
    grouped = np.stack(
        [
            bands_db[:, a : max(b, a + 1)].max(axis=1)
            for a, b in zip(np.minimum(edges[:-1], bands_db.shape[1] - 1), edges[1:])
        ]
    )[::-1]
    known = grouped[np.isfinite(grouped)]
    if len(known):
        bottom, top = float(np.percentile(known, 10)), float(known.max())
        steps = (grouped - bottom) / max(top - bottom, 1.0) * len(_SHADES)
        canvas.chars[:, GUTTER:] = _SHADES[
            np.clip(np.nan_to_num(steps), 0, len(_SHADES) - 1).astype(np.int64)
        ]
    canvas.text(0, 0, "bands", Look.NAME)
    canvas.text(0, 6, _hertz(BAND_EDGES_HZ[-1]), Look.DIM)
    canvas.text(rows - 1, 6, _hertz(BAND_EDGES_HZ[0]), Look.DIM)
    return canvas


def spectrum_pane(spectrum: Spectrum, columns: int, rows: int, ink: Ink) -> Canvas:
    """Return the spectrum at the cursor over frequency, log-spaced, with its strongest frequency."""
    canvas = _with_gutter(rows, columns)
    top_hz = float(spectrum.frequency_hz[-1])
    edges = np.geomspace(20.0, max(top_hz, 40.0), 2 * columns + 1)
    at = np.searchsorted(spectrum.frequency_hz, edges)
    level = np.full(2 * columns, np.nan, np.float32)
    for k in range(2 * columns):
        own = spectrum.level_db[at[k] : max(at[k + 1], at[k] + 1)]
        if len(own):
            level[k] = own.max()
    top = np.ceil(np.nanmax(level) / 10.0) * 10.0
    canvas.chars[: rows - 1, GUTTER:] = cells(bars(level, level, rows - 1, bottom=top - 70.0, top=top), ink)
    canvas.looks[: rows - 1, GUTTER:] = Look.LEVEL
    for hertz in (20, 50, 100, 200, 500, 1_000, 2_000, 5_000, 10_000, 20_000):
        if hertz < top_hz:
            column = int(np.searchsorted(edges, hertz)) // 2
            canvas.text(rows - 1, GUTTER + column, _hertz(hertz), Look.DIM)
    heard = spectrum.frequency_hz > 10.0
    if heard.any():
        strongest = spectrum.frequency_hz[heard][np.argmax(spectrum.level_db[heard])]
        canvas.text(0, 0, f"{strongest:.0f} Hz", Look.NAME)
    canvas.text(1, 0, "at cursor", Look.DIM)
    return canvas


def _with_gutter(rows: int, columns: int) -> Canvas:
    return Canvas.blank(rows, GUTTER + columns)


def _with_prefix(value: float, unit: str) -> str:
    for factor, prefix in ((1.0, ""), (1e-3, "m"), (1e-6, "u")):
        if value >= factor:
            return f"{value / factor:.3g}{prefix}{unit}"
    return f"{value * 1e6:.2g}u{unit}"


def _hertz(value: float) -> str:
    return f"{value / 1000:.3g}k" if value >= 1000 else f"{value:.3g}Hz"
