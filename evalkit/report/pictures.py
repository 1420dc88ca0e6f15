"""The pictures of curves and classes."""

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from evalkit.curves import Curves
from evalkit.day import Day
from evalkit.figures import Figures
from evalkit.recommendation import Recommendation
from evalkit.report.drawing import INK, WIDE_IN, Picture, canvas, finish, plain, quiet_axes
from evalkit.report.wording import auc_text
from evalkit.report.words import amount_text
from evalkit.roc import RocCurve

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["classes_picture", "free_response_picture", "roc_picture"]


def roc_picture(found: Recommendation, curves: Curves, *, name: str = "roc", note: str = "") -> Picture:
    """Draw the calls against the nuisances that reach each threshold, at the chosen delay."""
    position = found.threshold_position
    with canvas(WIDE_IN, 3.7, note=note) as figure:
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
    with canvas(WIDE_IN, 3.7, note=note) as figure:
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
    with canvas(WIDE_IN, 1.15 + 0.55 * max(1, len(classes)), note=note) as figure:
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


def _wrapped(text: str, width: int) -> str:
    import textwrap

    return "\n".join(textwrap.wrap(text, width))
