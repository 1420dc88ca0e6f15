"""`settings.json`: the recommendation for machines (design, section 6)."""

import json
import math
from pathlib import Path
from typing import Any

import evalkit
from evalkit.board import board_sha256
from evalkit.dataset import Dataset, dataset_sha256
from evalkit.durable import write_bytes
from evalkit.errors import FileFault
from evalkit.figures import Figures
from evalkit.intervals import Interval
from evalkit.parts import choose_parts
from evalkit.recommendation import Recommendation
from evalkit.roc import Auc

__all__ = ["auc_document", "settings_document", "write_settings"]


def settings_document(found: Recommendation, dataset: Dataset) -> dict[str, Any]:
    """Return the document; what is unknown is None, never 0.

    Parameters
    ----------
    found : Recommendation
    dataset : Dataset
        That it was found on.
    """
    board, limits, figures = dataset.board, dataset.day.limits, found.figures
    margin, built = found.choice.margin, found.built
    return {
        "detector": found.sweep.detector,
        "threshold_v": found.threshold_v,
        "threshold_dbfs": found.threshold_dbfs,
        "threshold_level": found.threshold_level,
        "delay_s": found.delay_s,
        "hold_s": found.sweep.integrator.hold_s,
        "hold_kind": str(found.sweep.integrator.hold_kind),
        "gain": found.gain,
        "passes": found.passes,
        "proven": {
            "calls": found.proven.calls,
            "false_alarms": found.proven.false_alarms,
            "response": found.proven.response,
        },
        "limits": {
            "calls_caught": limits.calls_caught,
            "false_alarms_per_day": limits.false_alarms_per_day,
            "response_s": limits.response_s,
        },
        "thin": list(found.thin),
        "calls": {
            "caught": figures.caught,
            "counted": figures.counted,
            "total": figures.total,
            "interval": _pair(figures.calls_interval),
            "cut": figures.cut,
            "masked": {"not_counted": figures.masked, "by_false_alarm": figures.masked_by_alarm},
        },
        "false_alarms_per_day": _alarms(figures),
        "alert_minutes_per_day": _known(figures.alert_minutes_per_day),
        "response_s": _response(figures),
        "margin": {
            "threshold": _known(margin.threshold) if margin is not None else None,
            "threshold_unit": str(found.sweep.levels.unit),
            "delay_percent": _known(margin.delay_percent) if margin is not None else None,
            "at_least": margin.at_least if margin is not None else None,
            "built_pass_share": built.bench_pass_share if built is not None else None,
            "built_pass_share_by_ohms": built.ohms_pass_share if built is not None else None,
        },
        "parts": [
            {"ref": p.ref, "role": p.role, "value": p.value, "unit": p.unit, "series": p.series}
            for p in choose_parts(found, dataset).parts
        ],
        "held_out": _held_out(found.held_out, len(found.folds)),
        "board_sha256": board_sha256(board),
        "dataset_sha256": dataset_sha256(dataset),
        "evalkit": evalkit.__version__,
    }


def write_settings(path: Path, document: dict[str, Any]) -> None:
    """Write the document as JSON, whole or not at all.

    Raises
    ------
    FileFault
        If the file cannot be written.
    """
    try:
        write_bytes(path, (json.dumps(document, indent=2, allow_nan=False) + "\n").encode())
    except OSError as error:
        raise FileFault(
            f"{path}: cannot be written ({error.strerror}); name another file with --out"
        ) from None


def auc_document(area: Auc) -> dict[str, Any]:
    """Return an area with its interval and the method that gave it."""
    return {
        "estimate": _known(area.estimate),
        "interval": _pair(area.interval),
        "method": area.interval.method,
    }


def _held_out(figures: Figures | None, sessions: int) -> dict[str, Any]:
    if figures is None:
        return {"calls": None, "false_alarms_per_day": None, "response_s": None, "sessions": None}
    return {
        "calls": {
            "caught": figures.caught,
            "counted": figures.counted,
            "interval": _pair(figures.calls_interval),
        },
        "false_alarms_per_day": _alarms(figures),
        "response_s": _response(figures),
        "sessions": sessions,
    }


def _alarms(figures: Figures) -> dict[str, Any]:
    return {
        "estimate": _known(figures.false_alarms_per_day),
        "interval": _pair(figures.false_alarms_interval),
    }


def _response(figures: Figures) -> dict[str, Any]:
    return {"median": _known(figures.response_median_s), "p95": _known(figures.response_p95_s)}


def _known(value: float | None) -> float | None:
    """A number, or None where it is unknown or never (JSON has no infinity)."""
    return value if value is not None and math.isfinite(value) else None


def _pair(interval: Interval) -> list[float | None] | None:
    pair = interval.pair()
    return None if pair is None else [_known(limit) for limit in pair]
