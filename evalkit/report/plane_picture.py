"""The map of all settings: threshold by delay, where the box passes and which limit fails elsewhere."""

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board
from evalkit.day import Day
from evalkit.detectors import Levels
from evalkit.planes import Plane
from evalkit.recommendation import Recommendation
from evalkit.report.drawing import INK, WIDE_IN, Picture, canvas, finish
from evalkit.report.wording import quantity
from evalkit.report.words import position_text, tone_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["limits_failed", "outlines", "plane_picture"]

_VOLT_TICKS = (1.0, 2.0, 5.0)


def plane_picture(
    found: Recommendation, board: Board, day: Day, *, name: str = "plane", note: str = ""
) -> Picture:
    """Draw threshold by delay: where the box passes, which limit fails elsewhere, the choice, its margins."""
    levels, delay_s = found.sweep.levels, found.sweep.delay_s
    x, y = _edges(levels.position), _edges(np.log10(delay_s))
    fails = limits_failed(found.plane, day)
    passing = ~(fails["calls"] | fails["false alarms"] | fails["response"])
    with canvas(WIDE_IN, 4.6, note=note) as figure:
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


def _edges(axis: NDArray[np.float64]) -> NDArray[np.float64]:
    """Borders of cells: midpoints, and half a step beyond the ends."""
    middles = 0.5 * (axis[1:] + axis[:-1])
    return np.concatenate([[2 * axis[0] - middles[0]], middles, [2 * axis[-1] - middles[-1]]])
