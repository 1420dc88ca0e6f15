"""The pictures of the report: plane, curves, classes, and one for each moment that is shown."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board
from evalkit.curves import Curves
from evalkit.day import Day
from evalkit.detectors import Levels
from evalkit.figures import Figures
from evalkit.planes import Plane
from evalkit.recommendation import Recommendation
from evalkit.report.drawing import INK, Picture, canvas, finish, plain, quiet_axes
from evalkit.report.incidents import Shown
from evalkit.report.wording import auc_text, quantity
from evalkit.report.words import amount_text, incident_facts, position_text, tone_text
from evalkit.roc import RocCurve
from evalkit.segments import Role

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = [
    "classes_picture",
    "free_response_picture",
    "incident_picture",
    "plane_picture",
    "roc_picture",
]

_WIDE_IN = 4.7
_CARD_IN = 4.2
_COLUMNS = 360
"""Columns that a waveform is drawn in; each shows its lowest and highest sample."""
_VOLT_TICKS = (1.0, 2.0, 5.0)


def plane_picture(
    found: Recommendation, board: Board, day: Day, *, name: str = "plane", note: str = ""
) -> Picture:
    """Draw threshold by delay: where the box passes, which limit fails elsewhere, the choice, its margins."""
    levels, delay_s = found.sweep.levels, found.sweep.delay_s
    x, y = _edges(levels.position), _edges(np.log10(delay_s))
    fails = limits_failed(found.plane, day)
    passing = ~(fails["calls"] | fails["false alarms"] | fails["response"])
    with canvas(_WIDE_IN, 4.6, note=note) as figure:
        axes = figure.add_subplot()
        axes.set_xlim(x[0], x[-1])
        axes.set_ylim(y[0], y[-1])
        hatches = {
            "calls": ("///", INK.miss_soft, INK.miss),
            "false alarms": ("\\\\\\", INK.alarm_soft, INK.alarm),
            "response": ("---", INK.slow_soft, INK.slow),
        }
        # where calls are missed, the slow ones are those that never come: one reason is enough
        drawn = {**fails, "response": fails["response"] & ~fails["calls"]}
        for limit, (hatch, colour, _) in hatches.items():
            _fill(axes, x, y, drawn[limit], facecolor="none", edgecolor=colour, hatch=hatch, linewidth=0.0)
        _fill(axes, x, y, passing, facecolor=INK.wash, edgecolor=INK.good, linewidth=1.4)
        clear = _clear_of_label(found, passing.shape)
        words = {"calls": "misses calls", "false alarms": "false alarms", "response": "too slow"}
        for limit, word in words.items():
            others = [drawn[other] for other in words if other != limit]
            own = drawn[limit] & ~np.logical_or.reduce(others) & clear
            _name_region(axes, x, y, own, word, hatches[limit][2])
        _name_region(axes, x, y, fails["calls"] & fails["false alarms"] & clear, "both", INK.text)
        _mark_choice(axes, found, passing, x, y)
        _threshold_ticks(axes, found)
        _delay_ticks(axes)
        axes.set_ylabel("integrator delay, s")
        if levels.gain is not None and found.calibrated:
            _knob_axes(axes, levels, board)
        return finish(
            figure,
            name,
            f"Every setting of {found.sweep.detector}",
            _plane_alt(found, passing, fails),
            frames={"plane": axes},
        )


def limits_failed(plane: Plane, day: Day) -> dict[str, NDArray[np.bool_]]:
    """Return, for each limit, the settings whose estimates fail it (unknown figures fail nothing)."""
    limits = day.limits
    return {
        "calls": ~(plane.calls_caught >= limits.calls_caught),
        "false alarms": np.nan_to_num(plane.false_alarms_per_day) > limits.false_alarms_per_day,
        "response": ~(plane.response_p95_s <= limits.response_s),
    }


def roc_picture(found: Recommendation, curves: Curves, *, name: str = "roc", note: str = "") -> Picture:
    """Draw the calls against the nuisances that reach each threshold, at the chosen delay."""
    position = found.threshold_position
    with canvas(_WIDE_IN, 3.7, note=note) as figure:
        axes = figure.add_subplot()
        axes.plot([0, 1], [0, 1], color=INK.rule, linewidth=0.8, linestyle=":")
        rows: tuple[tuple[RocCurve, str, Any, str], ...] = (
            (curves.events, INK.miss, "-", "against nuisance events"),
            (curves.pieces, INK.alarm, (0, (5, 2)), "against 10 s pieces of hours"),
        )
        said = []
        for k, (curve, colour, style, word) in enumerate(rows):
            area = (curves.events_auc, curves.pieces_auc)[k]
            if not len(curve.threshold):
                said.append(f"{word}: unknown, no such segments")
                continue
            axes.plot(
                curve.false_positive_rate,
                curve.true_positive_rate,
                color=colour,
                linestyle=style,
                linewidth=1.8,
                clip_on=False,
                gid=f"curve-{k}",
            )
            at = _point_at(curve, position)
            axes.plot(
                *at, marker="os"[k], color=colour, markersize=6, markerfacecolor=INK.paper, clip_on=False
            )
            said.append(
                f"{word}: area {auc_text(area)}; at the setting {100 * at[1]:.1f} % of calls "
                f"and {100 * at[0]:.1f} % of these"
            )
        for k, line in enumerate(said):
            _, colour, style, _ = rows[k]
            axes.plot([0.30, 0.37], [0.30 - 0.17 * k] * 2, color=colour, linestyle=style, linewidth=1.8)
            axes.text(0.39, 0.30 - 0.17 * k, _wrapped(line, 40), va="center", fontsize=7.6, color=INK.text)
        axes.set_xlim(0, 1)
        axes.set_ylim(0, 1)
        axes.set_xlabel("share of nuisances that would set it off")
        axes.set_ylabel("share of calls caught")
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(lambda value, _: f"{100 * value:.0f} %")
        quiet_axes(axes)
        return finish(
            figure,
            name,
            f"ROC at a delay of {found.delay_s:.2f} s",
            ". ".join(said) + ".",
            frames={"roc": axes},
        )


def free_response_picture(
    found: Recommendation, curves: Curves, day: Day, *, name: str = "free-response", note: str = ""
) -> Picture | None:
    """Draw false alarms a day against calls caught; None where a day is unknown."""
    alarms, caught = curves.free.false_alarms_per_day, curves.free.calls_caught
    own_alarms, own_caught = found.figures.false_alarms_per_day, found.figures.calls_caught
    if not len(alarms) or own_alarms is None or own_caught is None:
        return None
    limits = day.limits
    linear = max(0.5, limits.false_alarms_per_day)
    top = max(float(np.nanmax(found.plane.false_alarms_per_day)), 3.0 * limits.false_alarms_per_day)
    with canvas(_WIDE_IN, 3.7, note=note) as figure:
        axes = figure.add_subplot()
        axes.set_xscale("symlog", linthresh=linear, linscale=0.7)
        axes.set_xlim(-0.06 * linear, top)
        axes.set_ylim(0, 1.0)
        axes.fill_between(
            [-0.06 * linear, limits.false_alarms_per_day],
            limits.calls_caught,
            1.0,
            facecolor=INK.wash,
            edgecolor=INK.good,
            linewidth=1.0,
            label="passes",
        )
        axes.step(
            [*alarms, top], [*caught, caught[-1]], where="post", color=INK.miss, linewidth=1.8, clip_on=False
        )
        figures = found.held_out or found.figures
        axes.plot(
            own_alarms,
            own_caught,
            marker="o",
            markersize=7,
            color=INK.chosen,
            markerfacecolor=INK.paper,
            clip_on=False,
            zorder=5,
        )
        _bars(axes, figures, top, "held out" if found.held_out is not None else "on the same recordings")
        low = limits.calls_caught - 0.06
        axes.annotate(
            f"limits: {100 * limits.calls_caught:g} % of calls,\n"
            f"{limits.false_alarms_per_day:g} alarms a day",
            (limits.false_alarms_per_day, low),
            fontsize=7.6,
            color=INK.good,
            va="top",
            ha="right",
        )
        axes.set_xlabel("false alarms a day")
        axes.set_ylabel("calls caught")
        axes.yaxis.set_major_formatter(lambda value, _: f"{100 * value:.0f} %")
        ticks = [0.0, limits.false_alarms_per_day] + [
            v for v in (10.0, 100.0, 1e3, 1e4) if linear * 2 < v < top
        ]
        axes.set_xticks(sorted(set(ticks)), [f"{v:g}" for v in sorted(set(ticks))])
        axes.minorticks_off()
        quiet_axes(axes)
        best = _best_within(alarms, caught, limits.false_alarms_per_day)
        alt = (
            f"Free-response curve from {alarms[0]:.3g} false alarms a day with {100 * caught[0]:.1f} % of "
            f"calls caught to {alarms[-1]:.3g} a day with {100 * caught[-1]:.1f} %. Within the limit of "
            f"{limits.false_alarms_per_day:g} a day the most is {best}. The chosen setting: "
            f"{own_alarms:.3g} a day, {100 * own_caught:.1f} %."
        )
        return finish(figure, name, "False alarms against calls caught", alt, frames={"free": axes})


def classes_picture(figures: Figures, day: Day, *, name: str = "classes", note: str = "") -> Picture:
    """Draw what each class adds to a day: the estimate and how much the recordings allow."""
    classes = [c for c in figures.classes if c.exposure.per_day > 0.0]
    limit = day.limits.false_alarms_per_day
    known = [c.per_day_upper for c in classes if c.per_day_upper is not None]
    top = 1.15 * max([*known, 1.6 * limit])
    said = []
    with canvas(_WIDE_IN, 1.15 + 0.55 * max(1, len(classes)), note=note) as figure:
        axes = figure.add_subplot()
        axes.axvline(limit, color=INK.good, linewidth=1.2, linestyle=(0, (5, 2)))
        for row, c in enumerate(reversed(classes)):
            recorded = amount_text(c.exposure.recorded, c.exposure.unit)
            if c.per_day is None or c.per_day_upper is None:
                text = f"{c.exposure.label}: none recorded, so unknown"
            else:
                axes.plot(
                    [0, c.per_day_upper], [row, row], color=INK.alarm, linewidth=1.4, solid_capstyle="butt"
                )
                axes.plot(c.per_day_upper, row, marker="|", color=INK.alarm, markersize=10)
                axes.plot(c.per_day, row, marker="D", color=INK.alarm, markersize=6, clip_on=False)
                alarms = "no alarm" if c.alarms == 0 else f"{c.alarms} alarm{'s' if c.alarms > 1 else ''}"
                text = (
                    f"{c.exposure.label}: {alarms} in {recorded}; "
                    f"a day adds {c.per_day:.2g}, at most {c.per_day_upper:.2g}"
                )
            axes.text(
                0.0,
                row + 0.28,
                plain(text),
                fontsize=8.2,
                color=INK.text,
                clip_on=False,
                zorder=4,
                bbox={"facecolor": INK.paper, "edgecolor": "none", "pad": 1.0},
            )
            said.append(text)
        axes.text(
            limit,
            len(classes) - 0.15,
            f" limit of a day: {limit:g}",
            color=INK.good,
            fontsize=8.2,
            va="bottom",
        )
        axes.set_ylim(-0.5, len(classes) + 0.15)
        axes.set_xlim(0, top)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.set_xlabel("false alarms a day: estimate (diamond) and 95 % upper limit (bar)")
        quiet_axes(axes)
        return finish(figure, name, "What each class does to the box", ". ".join(reversed(said)) + ".")


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


def _fill(
    axes: "Axes", x: NDArray[np.float64], y: NDArray[np.float64], mask: NDArray[np.bool_], **style: Any
) -> None:
    """Fill the cells of a mask, merged into one outline."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    loops = outlines(mask)
    if not loops:
        return
    points, codes = [], []
    for loop in loops:
        points += [(x[i], y[j]) for i, j in loop]
        codes += [Path.MOVETO] + [Path.LINETO] * (len(loop) - 2) + [Path.CLOSEPOLY]
    axes.add_patch(PathPatch(Path(points, codes), **style))


def outlines(mask: NDArray[np.bool_]) -> list[list[tuple[int, int]]]:
    """Return the closed outlines of the true cells of a mask, as corners of cells.

    Each loop ends where it began and keeps the filled cells on its left, so that holes wind the other way.
    """
    step: dict[tuple[int, int], list[tuple[int, int]]] = {}
    n, m = mask.shape
    for i, j in zip(*np.nonzero(mask)):
        i, j = int(i), int(j)
        for inside, a, b in (
            (j > 0 and mask[i, j - 1], (i, j), (i + 1, j)),
            (i + 1 < n and mask[i + 1, j], (i + 1, j), (i + 1, j + 1)),
            (j + 1 < m and mask[i, j + 1], (i + 1, j + 1), (i, j + 1)),
            (i > 0 and mask[i - 1, j], (i, j + 1), (i, j)),
        ):
            if not inside:
                step.setdefault(a, []).append(b)
    loops = []
    while step:
        start = at = next(iter(step))
        loop, before = [start], (0, 0)
        while True:
            ways = step[at]
            # where two cells touch at a corner only, keep to the left: each stays an outline of its own
            ways.sort(key=lambda b: _turn(before, (b[0] - at[0], b[1] - at[1])))
            to = ways.pop()
            if not ways:
                del step[at]
            move = (to[0] - at[0], to[1] - at[1])
            if move == before:
                loop[-1] = to
            else:
                loop.append(to)
            at, before = to, move
            if at == start:
                break
        loops.append(loop)
    return loops


def _turn(before: tuple[int, int], after: tuple[int, int]) -> int:
    return before[0] * after[1] - before[1] * after[0]


def _name_region(
    axes: "Axes",
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    mask: NDArray[np.bool_],
    word: str,
    colour: str,
) -> None:
    """Write a region's name where it has most room around it; nowhere if it has little."""
    from scipy.ndimage import distance_transform_edt

    room = distance_transform_edt(np.pad(mask, 1))[1:-1, 1:-1]
    i, j = np.unravel_index(int(np.argmax(room)), room.shape)
    if room[i, j] < 0.045 * max(mask.shape):
        return
    axes.text(
        0.5 * (x[i] + x[i + 1]),
        0.5 * (y[j] + y[j + 1]),
        word,
        ha="center",
        va="center",
        fontsize=8.6,
        color=colour,
        bbox={"facecolor": INK.paper, "edgecolor": "none", "pad": 2.0},
        zorder=4,
    )


def _clear_of_label(found: Recommendation, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Cells away from the place where the chosen setting's own label stands."""
    lane, d = np.indices(shape)
    beside = np.abs(lane - found.choice.lane) < 0.3 * shape[0]
    return np.asarray(~(beside & (np.abs(d - found.choice.delay_index) < 0.25 * shape[1])))


def _mark_choice(
    axes: "Axes",
    found: Recommendation,
    passing: NDArray[np.bool_],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
) -> None:
    from matplotlib.patches import Ellipse

    lane, d = found.choice.lane, found.choice.delay_index
    at = (float(found.sweep.levels.position[lane]), math.log10(found.sweep.delay_s[d]))
    if found.choice.margin is not None:
        low, high = _run(passing[:, d], lane)
        short, long = _run(passing[lane], d)
        for ends, along in (((x[low], x[high]), 0), ((y[short], y[long]), 1)):
            line = [list(ends), [at[1 - along]] * 2]
            axes.plot(*(line if along == 0 else line[::-1]), color=INK.chosen, linewidth=1.0, zorder=5)
            for end in ends:
                where = (end, at[1]) if along == 0 else (at[0], end)
                axes.plot(*where, marker="|" if along == 0 else "_", color=INK.chosen, markersize=7, zorder=5)
        for sigmas in (1.0, 2.0):
            axes.add_patch(
                Ellipse(
                    at,
                    2 * sigmas * found.spread.threshold,
                    2 * sigmas * found.spread.delay / math.log(10.0),
                    fill=False,
                    edgecolor=INK.chosen,
                    linewidth=0.8,
                    linestyle=(0, (2, 2)),
                    zorder=5,
                )
            )
    axes.plot(*at, marker="o", color=INK.chosen, markerfacecolor=INK.paper, markersize=7, zorder=6)
    word = "recommended" if found.passes else "misses by least"
    above = at[1] + 0.30 * (y[-1] - y[0]) < y[-1]
    across = (at[0] - x[0]) / (x[-1] - x[0])
    axes.annotate(
        word,
        at,
        xytext=(0, 46 if above else -46),
        textcoords="offset points",
        ha="left" if across < 0.2 else "right" if across > 0.8 else "center",
        va="center",
        fontsize=9,
        fontweight="bold",
        color=INK.chosen,
        zorder=7,
        bbox={
            "facecolor": INK.paper,
            "edgecolor": INK.chosen,
            "linewidth": 0.8,
            "boxstyle": "round,pad=0.25",
        },
        arrowprops={"arrowstyle": "-", "color": INK.chosen, "linewidth": 0.8, "shrinkB": 4},
    )


def _threshold_ticks(axes: "Axes", found: Recommendation) -> None:
    levels = found.sweep.levels
    low, high = axes.get_xlim()
    if levels.threshold_v is None:
        axes.set_xlabel("threshold, log-odds")
        return
    if not found.calibrated:
        axes.set_xlabel(f"threshold, dB of full scale ({tone_text(found)})")
        return
    axes.set_xlabel(f"threshold, mV peak ({tone_text(found)})")
    ticks = [
        step * 10.0**power
        for power in range(-6, 4)
        for step in _VOLT_TICKS
        if low <= 20.0 * math.log10(step * 10.0**power) <= high
    ]
    axes.set_xticks([20.0 * math.log10(v) for v in ticks], [f"{1e3 * v:g}" for v in ticks])


def _delay_ticks(axes: "Axes") -> None:
    low, high = axes.get_ylim()
    ticks = [v for v in (0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0) if low <= math.log10(v) <= high]
    axes.set_yticks([math.log10(v) for v in ticks], [f"{v:g}" for v in ticks])


def _knob_axes(axes: "Axes", levels: Levels, board: Board) -> None:
    """The same two axes told by what is turned: feedback resistance and integrator resistance."""
    assert levels.gain is not None
    order = np.argsort(levels.gain)
    log_gain, position = np.log(levels.gain[order]), levels.position[order]

    top = axes.twiny()
    top.set_xlim(axes.get_xlim())
    ohms = [v for v in _decades(1e2, 1e7) if _inside(1.0 + v / board.amplifier.leg_resistor.typ, levels.gain)]
    top.set_xticks(
        [
            float(np.interp(math.log(1.0 + v / board.amplifier.leg_resistor.typ), log_gain, position))
            for v in ohms
        ],
        [quantity(v, "", 3).replace(" ", "") for v in ohms],
    )
    top.set_xlabel("gain knob R2+RV1, ohm")
    right = axes.twinx()
    right.set_ylim(axes.get_ylim())
    per_ohm = board.delay_s(1.0)
    low, high = axes.get_ylim()
    ohms = [v for v in _decades(1e3, 1e8) if low <= math.log10(v * per_ohm) <= high]
    right.set_yticks(
        [math.log10(v * per_ohm) for v in ohms], [quantity(v, "", 3).replace(" ", "") for v in ohms]
    )
    right.set_ylabel("delay knob R6+RV2, ohm", rotation=270, va="bottom")
    for other in (top, right):
        other.tick_params(length=3, width=0.8, labelsize=8.0)


def _decades(low: float, high: float) -> list[float]:
    powers = range(round(math.log10(low)), round(math.log10(high)) + 1)
    return [
        step * 10.0**power for power in powers for step in (1.0, 3.0) if low <= step * 10.0**power <= high
    ]


def _inside(value: float, axis: NDArray[np.float64]) -> bool:
    return bool(axis.min() <= value <= axis.max())


def _plane_alt(found: Recommendation, passing: NDArray[np.bool_], fails: dict[str, NDArray[np.bool_]]) -> str:
    levels, delay_s = found.sweep.levels, found.sweep.delay_s
    n, m = passing.shape
    said = [f"Map of {n} thresholds by {m} delays, {n * m} settings; {int(passing.sum())} of them pass."]
    if passing.any():
        lanes, delays = np.nonzero(passing)
        said.append(
            f"They lie between {position_text(found, int(lanes.min()))} and "
            f"{position_text(found, int(lanes.max()))} and between {delay_s[delays.min()]:.2g} and "
            f"{delay_s[delays.max()]:.2g} s."
        )
    word = "The recommended setting" if found.passes else "The setting that misses by least"
    said.append(f"{word} is at {position_text(found, found.choice.lane)} and {found.delay_s:.2f} s.")
    margin = found.choice.margin
    if margin is not None:
        least = "at least " if margin.at_least else ""
        said.append(
            f"Its margin is {least}{margin.threshold:.1f} {levels.unit} and {margin.delay_percent:.0f} %."
        )
    for limit, words in (
        ("calls", "miss too many calls (higher thresholds, longer delays)"),
        ("false alarms", "give too many false alarms (lower thresholds, shorter delays)"),
        ("response", "respond too late or never"),
    ):
        said.append(f"{int(fails[limit].sum())} settings {words}.")
    return " ".join(said)


def _run(passing: NDArray[np.bool_], at: int) -> tuple[int, int]:
    """Borders, as indices of edges, of the run of passing cells around `at`."""
    first = last = at
    while first > 0 and passing[first - 1]:
        first -= 1
    while last < len(passing) - 1 and passing[last + 1]:
        last += 1
    return first, last + 1


def _point_at(curve: RocCurve, position: float) -> tuple[float, float]:
    """The curve's point for a threshold: what scores at or above it."""
    k = int(np.searchsorted(-curve.threshold, -position, side="right")) - 1
    return float(curve.false_positive_rate[k]), float(curve.true_positive_rate[k])


def _best_within(alarms: NDArray[np.float64], caught: NDArray[np.float64], limit: float) -> str:
    k = int(np.searchsorted(alarms, limit, side="right")) - 1
    return "no call" if k < 0 else f"{100 * caught[k]:.1f} % at {alarms[k]:.3g} a day"


def _bars(axes: "Axes", figures: Figures, top: float, word: str) -> None:
    """Intervals of the held-out figures, through their own point."""
    alarms, calls = figures.false_alarms_interval.pair(), figures.calls_interval.pair()
    if alarms is None or calls is None or figures.calls_caught is None:
        return
    x, y = figures.false_alarms_per_day or 0.0, figures.calls_caught
    axes.plot(
        [alarms[0], min(alarms[1], top)], [y, y], color=INK.chosen, linewidth=3.0, alpha=0.35, clip_on=False
    )
    axes.plot([x, x], calls, color=INK.chosen, linewidth=3.0, alpha=0.35, clip_on=False)
    axes.annotate(
        f"{word}: 95 % intervals",
        (min(alarms[1], top), y),
        xytext=(0, -4),
        textcoords="offset points",
        fontsize=7.6,
        ha="right",
        va="top",
        color=INK.faint,
    )


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


def _edges(axis: NDArray[np.float64]) -> NDArray[np.float64]:
    """Borders of cells: midpoints, and half a step beyond the ends."""
    middles = 0.5 * (axis[1:] + axis[:-1])
    return np.concatenate([[2 * axis[0] - middles[0]], middles, [2 * axis[-1] - middles[-1]]])


def _wrapped(text: str, width: int) -> str:
    import textwrap

    return "\n".join(textwrap.wrap(text, width))


def roles_of(labels: Sequence[str], day: Day) -> dict[str, Role]:
    """Return the role of each label."""
    return {label: day.role(label) for label in labels}
