"""Comparison, failures and plan in table rows and sentences."""

import math
from collections.abc import Sequence

from evalkit.comparison import Comparison, Contender, Question
from evalkit.failures import CallGroup
from evalkit.figures import Figures
from evalkit.intervals import Interval
from evalkit.planning import Plan
from evalkit.recommendation import unknown_sentence
from evalkit.report.tables import Table
from evalkit.report.wording import auc_text
from evalkit.report.words import position_text

__all__ = [
    "comparison_tables",
    "contender_rows",
    "cost_rows",
    "difference_rows",
    "group_rows",
    "method_lines",
    "plan_lines",
    "plan_notes",
]


def contender_rows(comparison: Comparison) -> list[tuple[str, ...]]:
    """Return (detector, setting, calls, alarms, response, passes, margin, chance, AUC), held out if known."""
    return [
        (
            each.name,
            _setting(each),
            _calls(figures := _shown(each)),
            f"{_number(figures.false_alarms_per_day)} {_interval(figures.false_alarms_interval)}",
            f"{_seconds(figures.response_p95_s)} {_interval(figures.response_p95_interval)}; half within "
            f"{_seconds(figures.response_median_s)} {_interval(figures.response_median_interval)}",
            _passes(each),
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
    """Return which interval stands behind which figure, then what is unknown and who is left out."""
    ways: dict[tuple[str, str], list[str]] = {}
    for each in comparison.contenders:
        figures = _shown(each)
        for what, method in (
            ("calls", figures.calls_interval.method),
            ("false alarms", figures.false_alarms_interval.method),
            ("95th percentile of response", figures.response_p95_interval.method),
            ("median response", figures.response_median_interval.method),
            ("AUC", each.curves.events_auc.interval.method),
        ):
            ways.setdefault((what, method), []).append(each.name)
    unknown = dict.fromkeys(label for each in comparison.contenders for label in each.found.plane.unknown)
    everyone = [each.name for each in comparison.contenders]
    return [
        *(
            f"{what}, 95 %{'' if names == everyone else ' (' + ', '.join(names) + ')'}: {method}"
            for (what, method), names in sorted(ways.items())
        ),
        *(unknown_sentence(label) for label in unknown),
        *(f"{name} is left out: {reason}" for name, reason in comparison.left_out),
    ]


def comparison_tables(comparison: Comparison) -> list[Table]:
    """Return the tables that terminal, page and text show: the detectors and, if several, pairs and costs."""
    contenders = comparison.contenders
    unit = contenders[0].found.figures.unit if contenders else "session"
    held_out = any(c.found.held_out is not None for c in contenders)
    where = f"in {unit}s held out" if held_out else "on the recordings they were chosen from"
    tables = [
        Table(
            "detectors",
            f"Best setting of each detector under the same limits; outcomes {where}",
            (
                *("detector", "setting", "calls caught", "false alarms a day", "95 % answered within"),
                *("passes", "margin", "better than chance", "AUC, events"),
            ),
            tuple(contender_rows(comparison)),
        )
    ]
    if comparison.differences:
        tables += [
            Table(
                "pairs",
                f"Each against {comparison.reference}, {where}; p after Holm's adjustment",
                ("detector", "in", "outcomes", "against", "p", "better beyond chance", "AUC difference"),
                tuple(difference_rows(comparison)),
            ),
            Table("costs", "What each takes", ("detector", "parts", "current"), tuple(cost_rows(comparison))),
        ]
    return tables


def plan_lines(plan: Plan) -> list[str]:
    """Return the plan as numbered sentences, then what no recording will do."""
    return [*(f"{k}. {step.text}." for k, step in enumerate(plan.steps, 1)), *plan_notes(plan)]


def plan_notes(plan: Plan) -> list[str]:
    """Return what is to be known beside the steps: what no recording will do, what is proven."""
    lines = [f"No recording helps with {each.claim}: {each.text}." for each in plan.obstacles]
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
    return f"{position_text(found, found.choice.lane)}, {found.delay_s:.2f} s"


def _passes(contender: Contender) -> str:
    found = contender.found
    if not found.passes:
        return "no" if found.passes is False else "unknown"
    return "yes, proven" if found.proven.all else "yes, not proven"


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
