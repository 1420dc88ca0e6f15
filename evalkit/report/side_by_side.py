"""The picture of a comparison: each detector's held-out calls and false alarms with their intervals."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from evalkit.comparison import Comparison, Contender
from evalkit.day import Day
from evalkit.report.drawing import INK, WIDE_IN, Picture, canvas, finish, plain, quiet_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["comparison_picture"]


def comparison_picture(
    comparison: Comparison, day: Day, *, name: str = "comparison", note: str = ""
) -> Picture:
    """Draw one row for each detector: share of calls on the left, false alarms a day on the right.

    Dots are estimates, bars 95 % intervals, dashed lines the limits. A filled
    dot meets its limit; a bar that ends short of the line proves it.
    """
    limits = day.limits
    contenders = comparison.contenders
    rows = range(len(contenders) - 1, -1, -1)
    with canvas(WIDE_IN, 1.1 + 0.34 * max(1, len(contenders)), note=note) as figure:
        left, right = figure.subplots(1, 2, sharey=True)
        for row, each in zip(rows, contenders):
            calls, alarms = _calls(each), _alarms(each)
            _bar(left, row, calls, INK.miss, meets=calls is not None and calls[0] >= limits.calls_caught)
            _bar(
                right,
                row,
                alarms,
                INK.alarm,
                meets=alarms is not None and alarms[0] <= limits.false_alarms_per_day,
            )
        for axes, limit in ((left, limits.calls_caught), (right, limits.false_alarms_per_day)):
            axes.axvline(limit, color=INK.good, linewidth=1.2, linestyle=(0, (5, 2)), zorder=0)
            quiet_axes(axes)
        left.set_yticks(list(rows), [plain(each.name) for each in contenders])
        left.set_ylim(-0.6, len(contenders) - 0.4)
        lowest = min((end for each in contenders for end in _ends(_calls(each))), default=0.0)
        # whole tenths, with room for the limit's line; what is not drawn is told by the axis
        least = math.floor(10.0 * (min(lowest, limits.calls_caught) - 0.01)) / 10.0
        left.set_xlim(max(0.0, least), 1.0 + 0.02 * (1.0 - least))
        left.locator_params(axis="x", nbins=4, steps=[1, 2, 5, 10])
        left.xaxis.set_major_formatter(lambda value, _: f"{100 * value:.3g} %")
        left.set_xlabel(f"calls caught (limit {100 * limits.calls_caught:g} %)")
        linear = max(0.5, limits.false_alarms_per_day)
        right.set_xscale("symlog", linthresh=linear, linscale=0.7)
        right.set_xlim(left=-0.06 * linear)
        ticks = [0.0, limits.false_alarms_per_day, *_decades(linear, right.get_xlim()[1])]
        right.set_xticks(sorted(set(ticks)), [f"{v:g}" for v in sorted(set(ticks))])
        right.minorticks_off()
        right.set_xlabel(f"false alarms a day (limit {limits.false_alarms_per_day:g})")
        return finish(figure, name, "Detectors under the same limits", _alt(contenders))


_Figure = tuple[float, tuple[float, float] | None]


def _calls(each: Contender) -> _Figure | None:
    figures = each.found.held_out if each.found.held_out is not None else each.found.figures
    share = figures.calls_caught
    return None if share is None else (share, figures.calls_interval.pair())


def _alarms(each: Contender) -> _Figure | None:
    figures = each.found.held_out if each.found.held_out is not None else each.found.figures
    alarms = figures.false_alarms_per_day
    return None if alarms is None else (alarms, figures.false_alarms_interval.pair())


def _ends(figure: _Figure | None) -> Sequence[float]:
    """Everything of a figure that is drawn."""
    return () if figure is None else (figure[0], *(figure[1] or ()))


def _bar(axes: "Axes", row: int, figure: _Figure | None, colour: str, *, meets: bool) -> None:
    if figure is None:
        axes.text(0.5, row, "unknown", transform=axes.get_yaxis_transform(), va="center", color=INK.faint)
        return
    value, interval = figure
    if interval is not None:
        axes.plot(interval, [row, row], color=colour, linewidth=1.8, solid_capstyle="butt")
        axes.plot(interval, [row, row], color=colour, linestyle="none", marker="|", markersize=9)
    axes.plot(
        value,
        row,
        marker="o",
        markersize=7,
        color=colour,
        markerfacecolor=colour if meets else INK.paper,
        clip_on=False,
        zorder=5,
    )


def _decades(linear: float, top: float) -> Sequence[float]:
    return [10.0**k for k in range(7) if 1.5 * linear < 10.0**k < top]


def _alt(contenders: Sequence[Contender]) -> str:
    said = []
    for each in contenders:
        calls, alarms = _calls(each), _alarms(each)
        where = "held out" if each.found.held_out is not None else "on the recordings it was chosen from"
        caught = "calls unknown" if calls is None else f"{100 * calls[0]:.1f} % of calls{_sure(calls, 100.0)}"
        false = (
            "false alarms unknown" if alarms is None else f"{alarms[0]:.3g} false alarms a day{_sure(alarms)}"
        )
        said.append(f"{each.name}, {where}: {caught}, {false}")
    return ". ".join(said) + "."


def _sure(figure: _Figure, scale: float = 1.0) -> str:
    pair = figure[1]
    if pair is None or not all(map(math.isfinite, pair)):
        return ""
    return f" (95 %: {scale * pair[0]:.3g} to {scale * pair[1]:.3g})"
