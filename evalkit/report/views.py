"""One detector in the page: its drawings, and its figures of every setting as the script takes them."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from evalkit.detectors import LevelUnit
from evalkit.detectors.learned import probability
from evalkit.report.contents import Contents, Rival
from evalkit.report.drawing import Frame, Picture
from evalkit.report.explore import PlaneFigures, RocCounts, packed
from evalkit.report.pictures import free_response_picture, roc_picture
from evalkit.report.plane_picture import plane_picture
from evalkit.report.wording import quantity
from evalkit.report.words import amount_text, first_sentence, position_text
from evalkit.standard_values import Series, nearest_value

__all__ = ["View", "explorer_document", "view_of"]

_SHORT_DELAY_S = 0.05


@dataclass(frozen=True)
class View:
    """One detector's drawings."""

    detector: str
    plane: Picture
    free: Picture | None
    roc: Picture
    spread: str
    """That of a built board, which the map shows as ovals."""

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """Those that there are."""
        return tuple(p for p in (self.plane, self.free, self.roc) if p is not None)


def view_of(rival: Rival, contents: Contents) -> View:
    """Draw one detector; the chosen one's pictures have plain names, the others' end in the detector's."""
    found, dataset = rival.found, contents.dataset
    note = first_sentence(contents.about)
    tail = "" if rival is contents.chosen else f"-{found.sweep.detector}"
    return View(
        detector=found.sweep.detector,
        plane=plane_picture(found, dataset.board, dataset.day, name=f"plane{tail}", note=note),
        free=free_response_picture(found, rival.curves, dataset.day, name=f"free-response{tail}", note=note),
        roc=roc_picture(found, rival.curves, name=f"roc{tail}", note=note),
        spread=f"{found.spread.threshold:.2g} {found.sweep.levels.unit} and {100 * found.spread.delay:.2g} %",
    )


def explorer_document(contents: Contents, views: tuple[View, ...]) -> dict[str, Any]:
    """Return what the page's script is given: plain values, ready for JSON."""
    return {
        "detectors": [
            _detector(rival, view, contents) for rival, view in zip(contents.rivals, views, strict=True)
        ]
    }


def _detector(rival: Rival, view: View, contents: Contents) -> dict[str, Any]:
    found, figures = rival.found, rival.figures
    sweep = found.sweep
    frames = {frame.name: _frame(frame) for picture in view.pictures for frame in picture.frames}
    volts = sweep.levels.threshold_v
    return {
        "name": sweep.detector,
        "chosen": [found.choice.lane, found.choice.delay_index],
        "shortDelay": int(np.argmin(np.abs(np.log(sweep.delay_s / _SHORT_DELAY_S)))),
        "unknown": list(found.plane.unknown),
        "position": [float(v) for v in sweep.levels.position],
        "logDelay": [math.log10(v) for v in sweep.delay_s],
        "thresholdV": [float(v) for v in volts] if volts is not None and found.calibrated else None,
        "thresholdLevel": [probability(float(v)) for v in sweep.levels.position]
        if sweep.levels.unit is LevelUnit.LOG_ODDS
        else None,
        "lanes": [_lane(rival, contents, lane) for lane in range(len(sweep.levels.position))],
        "delays": [_delay(contents, float(delay_s)) for delay_s in sweep.delay_s],
        "frames": frames,
        "figures": _figures(figures),
        "classes": [
            {
                "name": label,
                "alarms": packed(figures.alarms[k]),
                "recorded": amount_text(e.recorded, e.unit),
                "weight": None if math.isnan(e.weight) else e.weight,
            }
            for k, (label, e) in enumerate(
                zip(figures.classes, (c.exposure for c in found.figures.classes), strict=False)
            )
        ],
        "phones": [
            {
                "name": phone or "unknown",
                "caught": packed(figures.caught_of_phone[k]),
                "counted": packed(figures.counted_of_phone[k]),
            }
            for k, phone in enumerate(figures.phones)
        ],
        "roc": _roc(rival.roc),
    }


def _figures(figures: PlaneFigures) -> dict[str, Any]:
    names = (
        *("caught", "counted", "masked", "masked_by_alarm", "calls_lower", "calls_upper"),
        *("alarms_per_day", "alarms_lower", "alarms_upper", "alert_minutes_per_day"),
        *("response_median_s", "response_p95_s", "p95_lower_s", "p95_upper_s"),
        *("acceptable", "fails_calls", "fails_alarms", "fails_response"),
    )
    return {name: packed(getattr(figures, name)) for name in names}


def _roc(roc: RocCounts) -> dict[str, Any]:
    return {
        "calls": roc.calls,
        "events": roc.events,
        "pieces": roc.pieces,
        "reach": {
            "calls": packed(roc.calls_reach),
            "events": packed(roc.events_reach),
            "pieces": packed(roc.pieces_reach),
        },
        "areas": {"events": _areas(roc.events_auc), "pieces": _areas(roc.pieces_auc)},
    }


def _areas(areas: Any) -> list[list[float | None]]:
    return [[None if math.isnan(v) else v for v in row] for row in areas.tolist()]


def _frame(frame: Frame) -> dict[str, Any]:
    bent = frame.symlog
    return {
        "x": frame.x,
        "y": frame.y,
        "box": frame.box,
        "symlog": None if bent is None else {"linthresh": bent[0], "linscale": bent[1]},
    }


def _lane(rival: Rival, contents: Contents, lane: int) -> dict[str, Any]:
    """A threshold in words, with the sensitivity knob of the recommended parts."""
    found, board, knob = rival.found, contents.dataset.board, contents.parts.sensitivity
    told: dict[str, Any] = {"text": position_text(found, lane), "gain": None, "ohm": None}
    gain = found.sweep.levels.gain
    if gain is None:
        return {**told, "gainText": "not set by a gain", "knob": "not the board's", "nearest": "none"}
    if not found.calibrated:
        unknown = "unknown: not calibrated"
        return {**told, "gainText": unknown, "knob": unknown, "nearest": unknown}
    ohm = board.gain_resistance_ohm(float(gain[lane]))
    told |= {"gain": float(gain[lane]), "ohm": ohm, "gainText": f"{gain[lane]:.1f}"}
    travel = None if knob is None else knob.travel_at(ohm)
    return {**told, **_knob("R2 + RV1", ohm, travel)}


def _delay(contents: Contents, delay_s: float) -> dict[str, Any]:
    """A delay in words, with the delay knob of the recommended parts."""
    knob = contents.parts.delay
    ohm = knob.target.set_ohm * delay_s / contents.found.delay_s
    return {
        "text": f"{delay_s:.2f} s",
        "s": delay_s,
        "ohm": ohm,
        **_knob("R6 + RV2", ohm, knob.travel_at(ohm)),
    }


def _knob(where: str, ohm: float, travel: float | None) -> dict[str, str]:
    told = f"{where} = {quantity(ohm, 'ohm')}"
    if travel is not None:
        told += f", {100 * travel:.0f} % of travel" if 0.0 <= travel <= 1.0 else ", off the knob's travel"
    fixed = nearest_value(Series.E24, ohm) if ohm > 0.0 else None
    return {
        "knob": told,
        "nearest": "none" if fixed is None else f"{quantity(fixed, 'ohm')} (E24)",
    }
