"""Comparison and plan for machines: what `score --json` and `plan --json` print."""

import math
from typing import Any

from evalkit.comparison import Comparison, Contender, Difference
from evalkit.dataset import Dataset
from evalkit.failures import CallGroup, call_groups
from evalkit.figures import ClassFigure, Figures
from evalkit.intervals import Interval
from evalkit.planning import Plan, Step
from evalkit.settings import auc_document, settings_document

__all__ = ["comparison_document", "plan_document"]


def comparison_document(comparison: Comparison, dataset: Dataset) -> dict[str, Any]:
    """Return the document of a comparison; what is unknown is None, never 0.

    Each detector has all of `settings.json`, and beside it what only the
    comparison knows.
    """
    return {
        "detectors": [_contender(each, dataset) for each in comparison.contenders],
        "left_out": [{"detector": name, "reason": reason} for name, reason in comparison.left_out],
        "reference": comparison.reference,
        "differences": [_difference(each) for each in comparison.differences],
        "verdict": comparison.verdict,
    }


def plan_document(plan: Plan, detector: str) -> dict[str, Any]:
    """Return the document of a plan."""
    return {
        "detector": detector,
        "from_held_out": plan.held_out,
        "proven": [str(claim) for claim in plan.proven],
        "steps": [_step(step) for step in plan.steps],
        "obstacles": [{"claim": str(each.claim), "text": each.text} for each in plan.obstacles],
    }


def _contender(contender: Contender, dataset: Dataset) -> dict[str, Any]:
    found, chance = contender.found, contender.chance
    figures = found.held_out if found.held_out is not None else found.figures
    return {
        **settings_document(found, dataset),
        "auc": auc_document(contender.curves.events_auc),
        "chance": None
        if chance is None
        else {
            "caught": chance.caught,
            "by_chance": chance.by_chance,
            "p": chance.p_value,
            "p_adjusted": contender.chance_p,
            "better": contender.better_than_chance,
        },
        "cost": {
            "effort": contender.cost.effort,
            "parts": contender.cost.parts,
            "current": contender.cost.current,
        },
        "where_it_fails": {
            "held_out": found.held_out is not None,
            "calls": [_group(group) for group in call_groups(figures, dataset)],
            "false_alarms": [_class(each) for each in figures.classes],
        },
        "calls_if_independent": {
            "clopper_pearson": _pair(figures.calls_exact),
            "wilson": _pair(figures.calls_wilson),
        },
        "response_intervals": {
            "median": _pair(figures.response_median_interval),
            "p95": _pair(figures.response_p95_interval),
        },
        "methods": _methods(figures),
    }


def _methods(figures: Figures) -> dict[str, str]:
    return {
        "calls": figures.calls_interval.method,
        "false_alarms_per_day": figures.false_alarms_interval.method,
        "response_median_s": figures.response_median_interval.method,
        "response_p95_s": figures.response_p95_interval.method,
    }


def _difference(difference: Difference) -> dict[str, Any]:
    area = difference.area
    return {
        "detector": difference.detector,
        "reference": difference.reference,
        "question": str(difference.question),
        "only_detector": difference.only_detector,
        "only_reference": difference.only_reference,
        "p": difference.p_value,
        "p_adjusted": difference.p_adjusted,
        "better": difference.better,
        "auc_difference": {
            "estimate": _known(area.estimate),
            "interval": _pair(area.interval),
            "p": _known(area.p_value),
            "method": area.interval.method,
        },
    }


def _group(group: CallGroup) -> dict[str, Any]:
    return {
        "by": group.by,
        "name": group.name,
        "caught": group.caught,
        "counted": group.counted,
        "interval": _pair(group.interval),
        "response_p95_s": _known(group.response_p95_s),
    }


def _class(figure: ClassFigure) -> dict[str, Any]:
    return {
        "label": figure.exposure.label,
        "recorded": figure.exposure.recorded,
        "unit": figure.exposure.unit,
        "per_day": figure.exposure.per_day,
        "false_alarms": figure.alarms,
        "rate": figure.rate,
        "interval": None if figure.interval is None else [_known(end) for end in figure.interval],
        "method": figure.method,
        "adds_per_day": figure.per_day,
        "adds_per_day_at_most": _known(figure.per_day_upper),
    }


def _step(step: Step) -> dict[str, Any]:
    return {
        "claim": str(step.claim),
        "what": step.what,
        "amount": step.amount,
        "unit": step.unit,
        "in_more_sessions": step.sessions,
        "effort_hours": step.effort_h,
        "worse_end_now": step.worse_end_now,
        "worse_end_then": step.worse_end_then,
        "limit": step.limit,
        "text": step.text,
    }


def _known(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _pair(interval: Interval) -> list[float | None] | None:
    pair = interval.pair()
    return None if pair is None else [_known(limit) for limit in pair]
