"""Comparison, failures and plan in table rows and sentences."""

import math
from collections.abc import Sequence

from evalkit.comparison import Comparison, Contender, Question
from evalkit.failures import CallGroup
from evalkit.figures import Figures
from evalkit.intervals import Interval
from evalkit.planning import Plan
from evalkit.report.wording import auc_text

__all__ = ["contender_rows", "cost_rows", "difference_rows", "group_rows", "method_lines", "plan_lines"]


def contender_rows(comparison: Comparison) -> list[tuple[str, ...]]:
    """Return (detector, setting, calls, alarms, response, passes, margin, chance, AUC), held out if known."""
    return [
        (
            each.name,
            _setting(each),
            _calls(figures := _shown(each)),
            f"{_number(figures.false_alarms_per_day)} {_interval(figures.false_alarms_interval)}",
            f"{_seconds(figures.response_p95_s)} {_interval(figures.response_p95_interval)}",
            {True: "yes", False: "no", None: "unknown"}[each.found.passes],
            _margin(each),
            _chance(each),
            auc_text(each.curves.events_auc),
        )
        for each in comparison.contenders
    ]


def difference_rows(comparison: Comparison) -> list[tuple[str, ...]]:
    """Return (detector, question, its outcomes, the reference's, p, better, AUC difference)."""
    rows: list[tuple[str, ...]] = []
    for d in comparison.differences:
        what = "caught by it alone" if d.question is Question.CALLS else "its false alarms"
        p = "too few to tell" if d.p_adjusted is None else f"{d.p_adjusted:.2g}"
        area = (
            "unknown"
            if math.isnan(d.area.estimate)
            else f"{d.area.estimate:+.3f} {_interval(d.area.interval)}"
        )
        rows.append(
            (
                d.detector,
                str(d.question),
                f"{d.only_detector} {what}",
                f"{d.only_reference} of {d.reference}",
                p,
                d.better or "no claim",
                area if d.question is Question.CALLS else "",
            )
        )
    return rows


def cost_rows(comparison: Comparison) -> list[tuple[str, str, str]]:
    """Return (detector, what it takes, current)."""
    return [(each.name, each.cost.parts, each.cost.current) for each in comparison.contenders]


def group_rows(groups: Sequence[CallGroup]) -> list[tuple[str, ...]]:
    """Return (by, name, calls caught, response), the worst of each kind first."""
    return [
        (
            group.by,
            group.name,
            f"{group.caught} of {group.counted} ({100 * group.calls_caught:.0f} %) "
            f"{_interval(group.interval, 100.0)}",
            _seconds(group.response_p95_s),
        )
        for group in groups
    ]


def method_lines(comparison: Comparison) -> list[str]:
    """Return which interval stands behind which figure, each way once with the detectors that it is for."""
    ways: dict[tuple[str, str], list[str]] = {}
    for each in comparison.contenders:
        figures = _shown(each)
        for what, method in (
            ("calls", figures.calls_interval.method),
            ("false alarms", figures.false_alarms_interval.method),
            ("response", figures.response_p95_interval.method),
            ("AUC", each.curves.events_auc.interval.method),
        ):
            ways.setdefault((what, method), []).append(each.name)
    everyone = [each.name for each in comparison.contenders]
    return [
        f"{what}, 95 %{'' if names == everyone else ' (' + ', '.join(names) + ')'}: {method}"
        for (what, method), names in sorted(ways.items())
    ]


def plan_lines(plan: Plan) -> list[str]:
    """Return the plan as numbered sentences, then what no recording will do."""
    lines = [f"{k}. {step.text}." for k, step in enumerate(plan.steps, 1)]
    lines += [f"No recording helps with {each.claim}: {each.text}." for each in plan.obstacles]
    if plan.proven:
        lines.append(f"Proven already: {', '.join(plan.proven)}.")
    if len(plan.steps) > 1:
        lines.append("One recording can serve several of these at once.")
    if not plan.held_out:
        lines.append("Nothing could be held out, so this starts from the recordings it was chosen from.")
    return lines


def _shown(contender: Contender) -> Figures:
    held_out = contender.found.held_out
    return held_out if held_out is not None else contender.found.figures


def _setting(contender: Contender) -> str:
    found = contender.found
    if found.threshold_level is not None:
        level = f"p {found.threshold_level:.2g}"
    else:
        level = f"{found.threshold_position:.1f} dB re 1 V"
    return f"{level}, {found.delay_s:.2f} s"


def _margin(contender: Contender) -> str:
    margin = contender.found.choice.margin
    if margin is None:
        return "none"
    return f"{margin.threshold:.1f} {contender.found.sweep.levels.unit}, {margin.delay_percent:.0f} %"


def _chance(contender: Contender) -> str:
    chance, better = contender.chance, contender.better_than_chance
    if chance is None or better is None:
        return "unknown"
    word = "yes" if better else "no"
    return f"{word}: {chance.caught} against {chance.by_chance:.0f}, p {contender.chance_p:.2g}"


def _calls(figures: Figures) -> str:
    if figures.calls_caught is None:
        return "unknown: no call counted"
    share = 100.0 * figures.calls_caught
    return f"{figures.caught} of {figures.counted} ({share:.1f} %) {_interval(figures.calls_interval, 100.0)}"


def _interval(interval: Interval, scale: float = 1.0) -> str:
    pair = interval.pair()
    if pair is None:
        return "[unknown]"
    low, high = ("never" if math.isinf(end) else f"{scale * end:.3g}" for end in pair)
    return f"[{low}, {high}]"


def _number(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.3g}"


def _seconds(value: float | None) -> str:
    if value is None:
        return "unknown"
    return "never" if math.isinf(value) else f"{value:.2f} s"
