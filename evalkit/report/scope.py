"""The box's test points over a stretch of a recording: picture and table, as a storage scope keeps them."""

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board
from evalkit.box_trace import Setting
from evalkit.dataset import Recording
from evalkit.durable import write_bytes
from evalkit.errors import FileFault
from evalkit.report.drawing import INK, Picture, canvas, finish, plain, quiet_axes
from evalkit.report.wording import quantity
from evalkit.segments import Segment
from evalkit.tracing import Trace
from evalkit.whatif import WhatIf

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = [
    "POINTS",
    "Point",
    "hold_note",
    "point_rows",
    "trace_csv",
    "trace_document",
    "trace_picture",
    "write_trace",
]

_SAME_HOLD_S = 0.005
_TITLE_LETTERS = 110
_COLUMNS = 1500
"""Longer stretches are drawn as the lowest and highest value of so many columns."""
_HEIGHTS = (1.2, 1.2, 1.5, 0.6, 1.5, 0.6, 0.6)
_ANALOGUE = ("pickup_v", "amplifier_v", "storage_v", "integrator_v")


@dataclass(frozen=True)
class Point:
    """A test point of the box."""

    ref: str
    """On the schematic."""
    name: str
    field: str
    """Of `Trace`."""


POINTS = (
    Point("TP1", "pickup", "pickup_v"),
    Point("TP2", "amplifier", "amplifier_v"),
    Point("TP3", "storage", "storage_v"),
    Point("TP5", "comparator", "comparator_v"),
    Point("TP6", "integrator", "integrator_v"),
    Point("TP7", "gate", "gate_v"),
    Point("TP8", "output", "output_v"),
)
"""In the order of the signal; TP4, the reference, never moves and is drawn with the storage."""


def trace_picture(
    trace: Trace,
    board: Board,
    *,
    name: str,
    title: str,
    calibrated: bool,
    segments: Sequence[Segment] = (),
    note: str = "",
) -> Picture:
    """Draw every test point over one time axis.

    Parameters
    ----------
    trace : Trace
    board : Board
        That it was computed with: gives the levels that each voltage is compared with.
    name : str
        Stem of the picture's files.
    title : str
    calibrated : bool
        False: voltages are those of a recording whose full scale is taken as 1 V, which is said.
    segments : sequence of Segment
        Labels that overlap the stretch; shaded, with their names on top.
    note : str
        A line under the drawing: what the data are.
    """
    start_s, stop_s = float(trace.time_s[0]), float(trace.time_s[-1])
    inside = [s for s in segments if s.start_s < stop_s and start_s < s.end_s]
    with canvas(8.6, 8.4, note=note) as figure:
        lanes, *rows = figure.subplots(
            1 + len(POINTS), 1, sharex=True, gridspec_kw={"height_ratios": (0.5, *_HEIGHTS)}
        )
        _draw_labels(lanes, inside, start_s, stop_s)
        for axes, point in zip(rows, POINTS, strict=True):
            volts = np.asarray(getattr(trace, point.field), dtype=np.float64)
            levels = _levels(board).get(point.field, ())
            highest = max([float(np.abs(volts).max()), *(level for level, _, _ in levels)])
            small = point.field in _ANALOGUE and highest < 0.5
            scale, unit = (1e3, "mV") if small else (1.0, "V")
            _draw(axes, trace.time_s, volts * scale)
            axes.margins(x=0.0, y=0.12)
            if point.field not in _ANALOGUE:
                axes.set_ylim(-0.15 * board.supply.voltage.typ, 1.15 * board.supply.voltage.typ)
            for level, text, side in levels:
                axes.axhline(level * scale, color=INK.alarm, linewidth=0.8, linestyle=(0, (4, 2)))
                # right of the picture, where no curve runs
                axes.annotate(
                    text,
                    (1.005, level * scale),
                    xycoords=("axes fraction", "data"),
                    va=side,
                    fontsize=7.5,
                    color=INK.alarm,
                )
            axes.set_ylabel(
                f"{point.ref} {point.name}\n{unit}", rotation=0, ha="right", va="center", labelpad=14
            )
            axes.grid(axis="x", color=INK.rule, linewidth=0.5)
            quiet_axes(axes)
        rows[-1].set_xlabel("time in the recording, s")
        scale_note = "" if calibrated else "\nnot calibrated: full scale counts as 1 V"
        figure.suptitle(textwrap.fill(plain(title), _TITLE_LETTERS) + scale_note, fontsize=9.5)
        figure.align_ylabels(list(rows))
        return finish(figure, name, title, _alt(trace, board, title))


def trace_csv(trace: Trace) -> str:
    """Return every sample of every test point as CSV: seconds and volts."""
    import pandas as pd

    # volts to seven digits; instants to a tenth of a microsecond, however late
    columns: dict[str, Any] = {"time_s": [f"{t:.7f}" for t in trace.time_s]}
    for point in POINTS:
        columns[point.field] = np.asarray(getattr(trace, point.field), dtype=np.float64)
    return pd.DataFrame(columns).to_csv(index=False, float_format="%.7g", lineterminator="\n")


def point_rows(trace: Trace) -> list[tuple[str, ...]]:
    """Return (test point, lowest, mean, highest) of each."""
    rows = []
    for point in POINTS:
        volts = np.asarray(getattr(trace, point.field), dtype=np.float64)
        figures = (volts.min(), volts.mean(), volts.max())
        rows.append((f"{point.ref} {point.name}", *(quantity(float(v), "V") for v in figures)))
    return rows


def hold_note(setting: Setting, board: Board, box: WhatIf) -> str:
    """Say that the hold shown is not the recommended one; empty where it is, or a change was told."""
    told = any(change.startswith("hold.") for change in box.changes)
    if told or setting.hold_s is None or abs(setting.hold_s - board.hold_s) <= _SAME_HOLD_S:
        return ""
    return f"settings.json recommends a hold of {setting.hold_s:.2f} s; shown is that of board.toml"


def trace_document(trace: Trace, box: WhatIf, recording: Recording) -> dict[str, Any]:
    """Return the setting and each test point's figures, for machines."""
    points = {}
    for point in POINTS:
        volts = np.asarray(getattr(trace, point.field), dtype=np.float64)
        points[point.field] = {
            "ref": point.ref,
            "lowest": float(volts.min()),
            "mean": float(volts.mean()),
            "highest": float(volts.max()),
        }
    return {
        "recording": recording.name,
        "start_s": float(trace.time_s[0]),
        "samples": len(trace.time_s),
        "calibrated": recording.full_scale_v is not None,
        "gain": box.gain,
        "delay_s": box.delay_s,
        "changes": list(box.changes),
        "fires_at_s": [float(t) for t in _firings_s(trace)],
        "output_on_s": float(np.mean(trace.output_v > 0.0)) * len(trace.time_s) / recording.sample_rate_hz,
        "volts": points,
    }


def write_trace(
    trace: Trace, box: WhatIf, recording: Recording, stem: Path, *, note: str = ""
) -> tuple[Path, ...]:
    """Write picture and table beside each other: STEM.png, STEM.svg, STEM.csv; `note` stands in the picture.

    Raises
    ------
    FileFault
        If a file cannot be written.
    """
    title = f"{recording.name}, {trace.time_s[0]:.2f} to {trace.time_s[-1]:.2f} s"
    setting = ", ".join((f"gain {box.gain:.1f}", f"delay {box.delay_s:.3f} s", *box.changes))
    picture = trace_picture(
        trace,
        box.board,
        name=stem.name,
        title=f"{title}: {setting}",
        calibrated=recording.full_scale_v is not None,
        segments=recording.segments,
        note=note,
    )
    contents = {".png": picture.png, ".svg": picture.svg.encode(), ".csv": trace_csv(trace).encode()}
    files = []
    for ending, data in contents.items():
        path = stem.with_name(stem.name + ending)
        try:
            write_bytes(path, data)
        except OSError as error:
            raise FileFault(
                f"{path}: cannot be written ({error.strerror}); name another with --out"
            ) from None
        files.append(path)
    return tuple(files)


def _firings_s(trace: Trace) -> NDArray[np.float64]:
    """When the gate fires within the stretch; one that is on at its start fired before."""
    on = np.asarray(trace.gate_v > 0.0)
    return np.asarray(trace.time_s[1:][on[1:] & ~on[:-1]], dtype=np.float64)


def _levels(board: Board) -> dict[str, tuple[tuple[float, str, str], ...]]:
    """What each voltage is compared with, and on which side of its line the words stand."""
    return {
        "amplifier_v": ((board.output_limit_v, f"limit {board.output_limit_v:.2f} V", "center"),),
        "storage_v": (
            (board.upper_trip_v, f"trips {board.upper_trip_v:.2f} V", "bottom"),
            (board.lower_trip_v, f"lets go {board.lower_trip_v:.2f} V", "top"),
        ),
        "integrator_v": (
            (board.gate_positive_v, f"fires {board.gate_positive_v:.2f} V", "bottom"),
            (board.gate_negative_v, f"lets go {board.gate_negative_v:.2f} V", "top"),
        ),
    }


def _draw_labels(axes: "Axes", segments: Sequence[Segment], start_s: float, stop_s: float) -> None:
    """A lane for each label, its segments as bars; nothing where nothing is labelled."""
    names = sorted({s.label for s in segments})
    for row, name in enumerate(names):
        bars = [(max(s.start_s, start_s), min(s.end_s, stop_s)) for s in segments if s.label == name]
        axes.broken_barh([(a, b - a) for a, b in bars], (row - 0.4, 0.8), color=INK.wash, edgecolor=INK.good)
    axes.set_yticks(range(len(names)), [plain(name) for name in names])
    axes.set_ylim(-0.6, max(len(names), 1) - 0.4)
    quiet_axes(axes)
    axes.spines["bottom"].set_visible(False)
    axes.tick_params(axis="x", length=0)


def _draw(axes: "Axes", time_s: NDArray[np.float64], values: NDArray[np.float64]) -> None:
    """A line, or the band between the lowest and highest of each column where a line would be a blur."""
    if len(values) <= 2 * _COLUMNS:
        axes.plot(time_s, values, color=INK.miss, linewidth=0.8)
        return
    edges = np.linspace(0, len(values), _COLUMNS + 1).astype(int)[:-1]
    low, high = np.minimum.reduceat(values, edges), np.maximum.reduceat(values, edges)
    axes.fill_between(time_s[edges], low, high, color=INK.miss, linewidth=0.8)


def _alt(trace: Trace, board: Board, title: str) -> str:
    """What is to be seen, in words and numbers."""
    when = ", ".join(f"{t:.2f} s" for t in _firings_s(trace)[:5]) or "no moment of it"
    on_s = float(np.mean(trace.output_v > 0.0)) * float(trace.time_s[-1] - trace.time_s[0])
    peak = float(np.asarray(trace.storage_v).max())
    return (
        f"{title}: storage peaks at {peak:.2f} V (trip level {board.upper_trip_v:.2f} V); the gate fires at "
        f"{when}; the output is on for {on_s:.2f} s."
    )
