"""The report's tables, as numbers for spreadsheets and as text for readers."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from evalkit.figures import Figures
from evalkit.recommendation import Recommendation
from evalkit.report.contents import Contents
from evalkit.report.wording import (
    class_rows,
    outcome_rows,
    quantity,
    trade_off_rows,
)
from evalkit.report.words import position_text
from evalkit.roc import RocCurve
from evalkit.settings import settings_document

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Table", "frames_of", "report_document", "shown_tables"]


@dataclass(frozen=True)
class Table:
    """A table for readers."""

    name: str
    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def shown_tables(contents: Contents) -> dict[str, Table]:
    """Return the tables that page and text show, by name."""
    found, dataset = contents.found, contents.dataset
    held = f"held out, each {found.figures.unit} at the setting chosen without it"
    tables = [
        Table(
            "outcome",
            "What to expect, and the recordings that the setting was chosen from",
            ("figure", "limit", held, "on the recordings it was chosen from"),
            tuple(outcome_rows(found, dataset.day)),
        ),
        Table(
            "classes",
            "What each class does to the box, held out"
            if found.held_out
            else "What each class does to the box",
            (
                "class",
                "recorded",
                "false alarms",
                "rate, 95 % interval",
                "adds to a day",
                "at most, to a day",
            ),
            tuple(class_rows(found.held_out or found.figures)),
        ),
        Table(
            "other-settings",
            "What other settings would have done, on the same recordings",
            (
                "setting",
                "threshold",
                "delay",
                "calls caught",
                "false alarms a day",
                "minutes of false alert a day",
                "95 % of calls within",
            ),
            tuple(
                (
                    o.name,
                    position_text(found, o.lane),
                    f"{found.sweep.delay_s[o.delay_index]:.2f} s",
                    *_brief(o.figures),
                )
                for o in contents.others
            ),
        ),
        Table(
            "parts",
            "Parts to fit",
            ("part", "value", "row", "what it does"),
            tuple((p.ref, quantity(p.value, p.unit), p.series, p.role) for p in contents.parts.parts),
        ),
        _trade_offs("trade-offs", found),
    ]
    if contents.hard is not None:
        tables.append(_trade_offs("hard-trade-offs", contents.hard.found))
    return {table.name: table for table in tables}


def frames_of(contents: Contents) -> "dict[str, pd.DataFrame]":
    """Return the tables for spreadsheets, by the stem of their file."""
    import pandas as pd

    found = contents.found
    curves = contents.chosen.curves
    frames = {
        "plane": _plane_frame(found),
        "calls": pd.DataFrame(
            [
                {
                    "recording": c.recording,
                    "session": c.session,
                    "phone": c.call.phone,
                    "start_s": c.call.start_s,
                    "end_s": c.call.end_s,
                    "fate": c.fate,
                    "response_s": c.response_s,
                }
                for c in found.figures.calls
            ]
        ),
        "mistakes": pd.DataFrame(
            [
                {
                    "kind": str(i.kind),
                    "recording": i.recording,
                    "session": i.session,
                    "start_s": i.at_s,
                    "end_s": i.end_s,
                    "cause": i.cause,
                    "threshold_away": i.threshold_away,
                    "delay_away_s": i.delay_away_s,
                }
                for i in contents.mistakes
            ],
            columns=[
                "kind",
                "recording",
                "session",
                "start_s",
                "end_s",
                "cause",
                "threshold_away",
                "delay_away_s",
            ],
        ),
        "classes": _class_frame(found.held_out or found.figures),
        "other-settings": pd.DataFrame(
            [
                {"setting": o.name, **_setting(found, o.lane, o.delay_index), **_numbers(o.figures)}
                for o in contents.others
            ]
        ),
        "roc": pd.concat(
            [_roc_frame("nuisance events", curves.events), _roc_frame("10 s pieces", curves.pieces)],
            ignore_index=True,
        ),
        "free-response": pd.DataFrame(
            {
                "false_alarms_per_day": curves.free.false_alarms_per_day,
                "calls_caught": curves.free.calls_caught,
            }
        ),
    }
    return frames


def report_document(contents: Contents, report: str) -> dict[str, Any]:
    """Return what a report is about, for machines.

    Parameters
    ----------
    contents : Contents
    report : str
        Path of the file that was written.
    """
    return {
        "report": report,
        "settings": settings_document(contents.found, contents.dataset),
        "other_settings": [
            {
                "setting": o.name,
                **_setting(contents.found, o.lane, o.delay_index),
                **_known(_numbers(o.figures)),
            }
            for o in contents.others
        ],
        "mistakes": len(contents.mistakes),
        "shown": [
            {
                "kind": str(s.incident.kind),
                "recording": s.incident.recording,
                "session": s.incident.session,
                "start_s": s.incident.at_s,
                "cause": s.incident.cause,
                "threshold_away": s.incident.threshold_away,
                "delay_away_s": s.incident.delay_away_s,
                "sound": sound is not None,
            }
            for s, sound in zip(contents.shown, contents.sounds, strict=True)
        ],
    }


def _known(numbers: dict[str, Any]) -> dict[str, Any]:
    """None for what never comes: JSON has no infinity."""
    return {name: None if v is None or not math.isfinite(v) else v for name, v in numbers.items()}


def _trade_offs(name: str, found: Recommendation) -> Table:
    return Table(
        name,
        "The nearest ways out: one limit given up, the others kept",
        (
            "limit given up",
            "threshold",
            "delay",
            "calls caught",
            "false alarms a day",
            "95 % of calls within",
        ),
        tuple(trade_off_rows(found)),
    )


def _brief(figures: Figures) -> tuple[str, ...]:
    p95, alarms = figures.response_p95_s, figures.false_alarms_per_day
    minutes = figures.alert_minutes_per_day
    never = "unknown" if p95 is None else "never" if np.isinf(p95) else f"{p95:.2f} s"
    return (
        f"{figures.caught} of {figures.counted}",
        "unknown" if alarms is None else f"{alarms:.3g}",
        "unknown" if minutes is None else f"{minutes:.3g}",
        never,
    )


def _setting(found: Recommendation, lane: int, delay_index: int) -> dict[str, Any]:
    levels = found.sweep.levels
    volts = levels.threshold_v
    return {
        "threshold_position": float(levels.position[lane]),
        "threshold_v": None if volts is None or not found.calibrated else float(volts[lane]),
        "delay_s": float(found.sweep.delay_s[delay_index]),
    }


def _numbers(figures: Figures) -> dict[str, Any]:
    return {
        "calls_caught": figures.caught,
        "calls_counted": figures.counted,
        "false_alarms_per_day": figures.false_alarms_per_day,
        "alert_minutes_per_day": figures.alert_minutes_per_day,
        "response_median_s": figures.response_median_s,
        "response_p95_s": figures.response_p95_s,
    }


def _class_frame(figures: Figures) -> "pd.DataFrame":
    import pandas as pd

    return pd.DataFrame(
        [
            {
                "class": c.exposure.label,
                "unit": c.exposure.unit,
                "recorded": c.exposure.recorded,
                "per_day": c.exposure.per_day,
                "false_alarms": c.alarms,
                "rate": c.rate,
                "rate_lower": None if c.interval is None else c.interval[0],
                "rate_upper": None if c.interval is None else c.interval[1],
                "adds_to_a_day": c.per_day,
                "adds_at_most": c.per_day_upper,
                "method": c.method,
            }
            for c in figures.classes
        ]
    )


def _plane_frame(found: Recommendation) -> "pd.DataFrame":
    import pandas as pd

    plane, levels = found.plane, found.sweep.levels
    n, m = plane.caught.shape
    lane, d = (v.ravel() for v in np.meshgrid(np.arange(n), np.arange(m), indexing="ij"))
    known_v = levels.threshold_v is not None and found.calibrated
    return pd.DataFrame(
        {
            "threshold_position": levels.position[lane],
            "threshold_v": levels.threshold_v[lane] if known_v else np.nan,  # type: ignore[index]
            "delay_s": found.sweep.delay_s[d],
            "passes": plane.acceptable.ravel(),
            "calls_caught": plane.caught.ravel(),
            "calls_counted": plane.counted.ravel(),
            "false_alarms_per_day": plane.false_alarms_per_day.ravel(),
            "alert_minutes_per_day": plane.alert_minutes_per_day.ravel(),
            "response_p95_s": plane.response_p95_s.ravel(),
        }
    )


def _roc_frame(against: str, curve: RocCurve) -> "pd.DataFrame":
    import pandas as pd

    return pd.DataFrame(
        {
            "against": against,
            "threshold_position": curve.threshold,
            "false_positive_rate": curve.false_positive_rate,
            "true_positive_rate": curve.true_positive_rate,
        }
    )
