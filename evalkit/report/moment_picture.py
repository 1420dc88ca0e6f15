"""One moment of a recording: waveform, level, integrator and output, one over the other."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from evalkit.day import Day
from evalkit.report.drawing import INK, Picture, canvas, finish, plain, quiet_axes
from evalkit.report.incidents import Shown
from evalkit.report.words import incident_facts
from evalkit.segments import Role

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["incident_picture", "roles_of"]

_CARD_IN = 4.2
_COLUMNS = 360
"""Columns that a waveform is drawn in; each shows its lowest and highest sample."""


def incident_picture(
    shown: Shown, roles: dict[str, Role], *, name: str, calibrated: bool, note: str = ""
) -> Picture:
    """Draw one moment: waveform, level against its trip levels, integrator against the gate's, output."""
    e, incident = shown.excerpt, shown.incident
    first = 0.0 if not len(e.time_s) else float(e.time_s[0])
    t = e.time_s - incident.at_s
    panels = 3 if e.level is not None else 2
    with canvas(_CARD_IN, 1.05 * panels + 0.75, note=note) as figure:
        grid = figure.subplots(panels, 1, sharex=True, height_ratios=[1.0] * panels)
        wave, *rest = list(grid)
        unit, scale = ("mV", 1e3) if calibrated else ("of full scale", 1.0)
        _band(wave, t, e.input_v * scale, INK.text)
        top = 1.05 * max(1e-9, float(np.abs(e.input_v).max()) * scale)
        _labels(wave, shown, roles, incident.at_s, (float(t[0]), float(t[-1])), top)
        wave.set_ylabel(f"input,\n{unit}")
        if e.level is not None:
            level = rest[0]
            unit, scale = ("V", 1.0) if e.upper > 0.5 else ("mV", 1e3)
            _band(level, t, e.level * scale, INK.miss)
            level.axhline(e.upper * scale, color=INK.alarm, linewidth=1.0)
            level.axhline(e.lower * scale, color=INK.alarm, linewidth=1.0, linestyle=(0, (4, 2)))
            high = max(1.15 * float(np.max(e.level)) * scale, 1.6 * e.upper * scale)
            level.set_ylim(0, high)
            _beside(level, e.upper * scale, f"trips\n{e.upper * scale:.3g}")
            what = "storage" if "storage" in e.level_name else "level"
            level.set_ylabel(f"{what},\n{unit}{'' if what == 'storage' else ' RMS'}")
        integrator = rest[-1]
        _gates(integrator, shown)
        integrator.plot(*_thinned(t, e.integrator), color=INK.good, linewidth=1.4)
        integrator.set_ylim(0, 1.04)
        integrator.yaxis.set_major_formatter(lambda value, _: f"{100 * value:.0f} %")
        integrator.set_ylabel("integrator")
        integrator.set_xlabel(f"seconds from {incident.at_s:.2f} s of the recording")
        for axes in grid:
            axes.axvline(0.0, color=INK.faint, linewidth=0.8, linestyle=":")
            axes.set_xlim(first - incident.at_s, float(t[-1]))
            quiet_axes(axes)
        title = (
            f"{incident.kind}: {incident.cause or 'unknown'}, {incident.recording} at {incident.at_s:.1f} s"
        )
        return finish(figure, name, title, incident_facts(shown))


def roles_of(labels: Sequence[str], day: Day) -> dict[str, Role]:
    """Return the role of each label."""
    return {label: day.role(label) for label in labels}


def _band(axes: "Axes", t: NDArray[np.float64], values: NDArray[Any], colour: str) -> None:
    """A waveform as the lowest and highest sample of each column."""
    n = len(values)
    step = max(1, n // _COLUMNS)
    whole = n // step * step
    blocks = np.asarray(values[:whole], np.float64).reshape(-1, step)
    middle = t[:whole].reshape(-1, step)[:, 0]
    low, high = blocks.min(axis=1), blocks.max(axis=1)
    axes.fill_between(middle, low, high, facecolor=colour, edgecolor=colour, linewidth=0.6)


def _thinned(t: NDArray[np.float64], values: NDArray[np.float64]) -> tuple[Any, Any]:
    step = max(1, len(t) // _COLUMNS)
    return t[::step], values[::step]


def _gates(axes: "Axes", shown: Shown) -> None:
    """Both gate thresholds and the time in which the alert is on."""
    e = shown.excerpt
    t = e.time_s - shown.incident.at_s
    on = np.flatnonzero(np.diff(np.concatenate([[False], e.alert, [False]])))
    for first, last in on.reshape(-1, 2):
        axes.axvspan(t[first], t[min(last, len(t) - 1)], ymax=0.14, facecolor=INK.alarm, edgecolor="none")
        axes.text(
            max(t[first], t[0]),
            0.07,
            " alert",
            fontsize=7.5,
            color=INK.paper,
            va="center",
            clip_on=True,
            zorder=4,
        )
    for share, word, style in (
        (e.fire, "fires", "-"),
        (e.release, "lets go", (0, (4, 2))),
    ):
        axes.axhline(share, color=INK.alarm, linewidth=1.0, linestyle=style)
        _beside(axes, share, f"{word}\n{100 * share:.0f} %")


def _beside(axes: "Axes", y: float, text: str) -> None:
    """Name a level to the right of the axes."""
    axes.text(
        1.01,
        y,
        text,
        transform=axes.get_yaxis_transform(),
        va="center",
        fontsize=7.2,
        linespacing=0.95,
        color=INK.alarm,
    )


@dataclass(frozen=True)
class _LabelRow:
    """What stands last in a row of labels over a waveform, in the axis' own seconds."""

    bar_ends: float = -math.inf
    name_ends: float = -math.inf
    label: str = ""

    def takes(self, label: str, start: float) -> bool:
        """Whether a bar that begins at `start` fits; one of the same label needs no name of its own."""
        return self.bar_ends <= start and (label == self.label or self.name_ends <= start)


def _labels(
    axes: "Axes",
    shown: Shown,
    roles: dict[str, Role],
    origin_s: float,
    window: tuple[float, float],
    top: float,
) -> None:
    """The labels as bars over the waveform: targets solid, the rest hatched, names on them."""
    rows: list[_LabelRow] = []
    width = window[1] - window[0]
    for segment in shown.labels:
        a, b = max(segment.start_s - origin_s, window[0]), min(segment.end_s - origin_s, window[1])
        row = next((k for k, r in enumerate(rows) if r.takes(segment.label, a)), len(rows))
        if row == len(rows):
            rows.append(_LabelRow())
        named = rows[row].name_ends > a
        # about what a letter of this size takes of the width
        ends = rows[row].name_ends if named else a + 0.02 * (len(segment.label) + 1) * width
        rows[row] = _LabelRow(b, ends, segment.label)
        target = roles[segment.label] is Role.TARGET
        y = top * (1.12 + 0.42 * row)
        axes.barh(
            y,
            b - a,
            left=a,
            height=0.14 * top,
            facecolor=INK.good if target else "none",
            edgecolor=INK.good if target else INK.alarm,
            hatch=None if target else "//////",
            linewidth=0.8,
        )
        if not named:
            name = plain(segment.label)
            axes.text(a, y + 0.09 * top, name, fontsize=7.2, va="bottom", color=INK.text, clip_on=True)
    axes.set_ylim(-top, top * (1.12 + 0.42 * max(1, len(rows))))
