"""What the report says in plain sentences, so that a maker can act on it."""

import math
from collections.abc import Sequence

import numpy as np

from evalkit.board import HoldKind
from evalkit.day import Day
from evalkit.detectors import LevelUnit
from evalkit.detectors.learned import probability
from evalkit.detectors.tone import TONE_HZ
from evalkit.figures import Figures
from evalkit.parts import PartsList
from evalkit.recommendation import Recommendation
from evalkit.report.incidents import IncidentKind, Shown
from evalkit.report.wording import hold_change, quantity

__all__ = [
    "CAUTIONS",
    "amount_text",
    "expectations",
    "first_sentence",
    "incident_facts",
    "incident_story",
    "position_text",
    "setting_sentences",
    "tone_text",
    "verdict",
]

CAUTIONS = (
    "Extra-low voltage only: a battery or a certified plug-in supply. A relay that switches mains is work "
    "for a licensed person under the local code.",
    "Put a flyback diode across a relay's coil, and a fuse in the lead of a battery.",
    "A sounder that is loud enough to be heard through ear defenders harms the ears of whoever wears none: "
    "use the lamp instead.",
    "The box is a convenience. It is not a safety device and not an emergency alarm: it will miss calls.",
    "A contact pickup records speech. Listen before you share recordings, and ask whoever can be heard.",
)
"""Design, section 8."""
_LONGEST_NOTE = 95
"""Letters that fit under a picture."""


def amount_text(recorded: float, unit: str) -> str:
    """Return an amount of recordings: events, minutes or hours.

    Examples
    --------
    >>> amount_text(0.35, "hour")
    '21 min'
    """
    if unit == "event":
        return f"{recorded:.0f} event{'' if round(recorded) == 1 else 's'}"
    return f"{recorded:.1f} h" if recorded >= 2.0 else f"{60.0 * recorded:.0f} min"


def first_sentence(text: str) -> str:
    """Return the first sentence of what a dataset says of itself, short enough to stand under a picture.

    Examples
    --------
    >>> first_sentence("Invented: a repair shop. Nothing was measured.")
    'Invented: a repair shop.'
    """
    sentence = text.partition(". ")[0].rstrip(".")
    if not sentence:
        return ""
    return f"{sentence}." if len(sentence) < _LONGEST_NOTE else f"{sentence[: _LONGEST_NOTE - 3]}..."


def position_text(found: Recommendation, lane: int) -> str:
    """Return a threshold of the sweep as it is told to a reader."""
    levels = found.sweep.levels
    if levels.threshold_v is None or levels.unit is not LevelUnit.DECIBEL:
        return f"probability {probability(float(levels.position[lane])):.2f}"
    if found.calibrated:
        return f"{quantity(float(levels.threshold_v[lane]), 'V')} peak"
    return f"{levels.position[lane]:.1f} dBFS"


def tone_text(found: Recommendation) -> str:
    """Return the tone by which a detector's threshold is told: a band-pass has it at its own centre.

    Examples of what comes out: `175 Hz at the pickup`, `182 Hz at the pickup`.
    """
    return f"{getattr(found.sweep.by, 'tone_hz', TONE_HZ):.0f} Hz at the pickup"


def verdict(found: Recommendation) -> tuple[str, str]:
    """Return the answer in three words or so, and in one sentence."""
    if found.passes is None:
        return (
            "Open",
            "Nothing that is known fails, but a figure is unknown, so whether this setting passes is open.",
        )
    if not found.passes:
        failed = _joined(found.limits_failed) or "a limit"
        return (
            "Nothing passes",
            "No setting of this box meets all limits on these recordings. "
            f"This one misses by least ({failed}).",
        )
    if found.proven.all:
        return (
            "Passes, and proven",
            "It meets all three limits, and so do the worse ends of the held-out intervals, at 95 %.",
        )
    return (
        "Passes, not yet proven",
        "It meets all three limits on these recordings. They are too few to show that it will go on meeting "
        f"the limit on {_joined(_unproven(found))}.",
    )


def setting_sentences(found: Recommendation, parts: PartsList) -> list[str]:
    """Return what to set, and what the box then does."""
    said = []
    if found.sweep.detector == "circuit":
        knobs = [("RV2", "R6", "delay", parts.delay)]
        if parts.sensitivity is not None:
            knobs.insert(0, ("RV1", "R2", "sensitivity", parts.sensitivity))
        turns = [
            f"turn {pot} ({what}) until it and {fixed} together measure "
            f"{quantity(knob.target.set_ohm, 'ohm')}, {100 * knob.travel:.0f} % of its travel"
            for pot, fixed, what, knob in knobs
        ]
        said.append(f"On the bench: {'; '.join(turns)}.")
        if parts.sensitivity is None:
            said.append("The recordings are not calibrated, so the sensitivity knob's ohms are unknown.")
    else:
        said.append(
            f'The detector "{found.sweep.detector}" is not the board as drawn: it shows what another one '
            "would do behind the same pickup."
        )
    said.append(
        f"{_what_counts(found)} sets the box off once it has lasted {found.delay_s:.2f} s. {_hold(found)}"
    )
    if change := hold_change(parts):
        said.append(change)
    margin = found.choice.margin
    if margin is not None:
        least = "at least " if margin.at_least else ""
        said.append(
            f"The threshold may drift by {least}{margin.threshold:.1f} {found.sweep.levels.unit} and the "
            f"delay by {margin.delay_percent:.0f} % before a limit fails; a box set on the bench strays by "
            f"{found.spread.threshold:.2g} {found.sweep.levels.unit} and {100 * found.spread.delay:.2g} % "
            "(1 sigma, simulated from its parts' tolerances, not measured)."
        )
    return said


def expectations(figures: Figures, day: Day) -> list[tuple[str, str, str]]:
    """Return (question, answer, how sure) for calls, false alarms and response."""
    limits = day.limits
    rows: list[tuple[str, str, str]] = []
    if figures.calls_caught is None:
        rows.append(("Calls caught", "unknown", "no call was counted"))
    else:
        pair = figures.calls_interval.pair()
        sure = "how sure is unknown"
        if pair is not None:
            low, high = _hundred(pair[0]), _hundred(pair[1])
            sure = f"of 100 calls, {low} to {high} (95 % interval, {figures.unit}s as clusters)"
        rows.append(
            (
                "Calls caught",
                f"{figures.caught} of {figures.counted}",
                f"{sure}; wanted: at least {100 * limits.calls_caught:g} of 100",
            )
        )
    pair = figures.false_alarms_interval.pair()
    if figures.false_alarms_per_day is None or pair is None:
        rows.append(("False alarms", "unknown", "a class that the day brings was not recorded"))
    else:
        alarms, limit = figures.false_alarms_per_day, limits.false_alarms_per_day
        rows.append(
            (
                "False alarms",
                f"{_round(alarms)} a day, {_round(7 * alarms)} a week",
                f"the recordings allow {_round(pair[0])} to {_round(pair[1])} a day (95 % interval), up to "
                f"{_round(7 * pair[1])} in seven such days; wanted: at most {limit:g} a day",
            )
        )
    rows.append(_response_row(figures, limits.response_s))
    return rows


def incident_story(shown: Shown, found: Recommendation) -> str:
    """Return what would have turned the outcome."""
    i, unit = shown.incident, found.sweep.levels.unit
    away = "" if i.threshold_away is None else f"{abs(i.threshold_away):.1f} {unit}"
    if i.kind is IncidentKind.MISSED:
        turn = f"a threshold {away} lower" if away else "no threshold of the sweep, at this delay,"
        other = "" if i.delay_away_s is None else f", or a delay of {i.delay_away_s:.2f} s,"
        return _sentence(f"{turn}{other} would have caught it")
    if i.kind is IncidentKind.FALSE_ALARM:
        return (
            f"A threshold {away} higher would have kept it quiet."
            if away
            else "No threshold of the sweep would have kept it quiet at this delay."
        )
    if i.kind is IncidentKind.NEAR_CALL:
        turn = f"a threshold {away} higher" if away else "no higher threshold of the sweep"
        other = "" if i.delay_away_s is None else f", or a delay of {i.delay_away_s:.2f} s,"
        return _sentence(f"{turn}{other} would have missed it")
    turns = [f"a threshold {away} lower"] if away else []
    if i.delay_away_s is not None:
        turns.append(f"a delay of {i.delay_away_s:.2f} s")
    if not turns:
        return "Only a lower threshold together with a shorter delay would make it an alarm."
    return _sentence(f"{' or '.join(turns)} would make it an alarm")


def incident_facts(shown: Shown) -> str:
    """Return in numbers what the picture of a moment shows."""
    e = shown.excerpt
    said = [f"{float(e.time_s[-1] - e.time_s[0]):.1f} s of {shown.incident.recording}."]
    if e.level is not None:
        name, _, unit = e.level_name.partition(", ")
        scale, prefix = (1.0, "") if e.upper > 0.5 else (1e3, "m")
        said.append(
            f"The {name} reaches {scale * float(np.max(e.level)):.3g} {prefix}{unit}; it trips at "
            f"{scale * e.upper:.3g} and lets go at {scale * e.lower:.3g} {prefix}{unit}."
        )
    said.append(
        f"The integrator reaches {100 * float(e.integrator.max()):.0f} %; the gate fires at "
        f"{100 * e.fire:.0f} % and lets go at {100 * e.release:.0f} %."
    )
    labels = sorted({s.label for s in shown.labels})
    said.append(f"Labels: {', '.join(labels)}." if labels else "Nothing is labelled here.")
    return " ".join(said)


def _what_counts(found: Recommendation) -> str:
    threshold = position_text(found, found.choice.lane)
    if found.sweep.levels.unit is not LevelUnit.DECIBEL:
        return f"A sound that the detector takes for a call with {threshold} or more"
    return f"A steady vibration of {threshold} at {tone_text(found)} or more"


def _hold(found: Recommendation) -> str:
    integrator = found.sweep.integrator
    hold = f"{integrator.hold_s:.1f} s"
    after = {
        HoldKind.AFTER_RELEASE: f"The alert goes on for {hold} after the integrator has let go.",
        HoldKind.ONE_SHOT: f"The alert lasts {hold}.",
        HoldKind.ONE_SHOT_HELD: f"The alert lasts {hold}, or until the integrator lets go.",
        HoldKind.NONE: "The alert ends when the integrator lets go.",
    }
    return after[integrator.hold_kind]


def _response_row(figures: Figures, limit_s: float) -> tuple[str, str, str]:
    p95, median = figures.response_p95_s, figures.response_median_s
    wanted = f"wanted: 95 % of calls within {limit_s:g} s"
    if p95 is None or median is None:
        return "Answers within", "unknown", f"no call was counted; {wanted}"
    pair = figures.response_p95_interval.pair()
    sure = "" if pair is None else f" ({_seconds(pair[0])} to {_seconds(pair[1])}, 95 % interval)"
    half = figures.response_median_interval.pair()
    told = f"{_seconds(median)} for half of the calls"
    if half is not None:
        told += f" ({_seconds(half[0])} to {_seconds(half[1])})"
    late = f"95 % of them within {_seconds(p95)}{sure}"
    if math.isinf(p95):
        late = f"more than 5 % of them never{sure}"
    return "Answers within", told, f"{late}; {wanted}"


def _unproven(found: Recommendation) -> list[str]:
    p = found.proven
    return [
        word
        for word, ok in (("calls", p.calls), ("false alarms", p.false_alarms), ("response", p.response))
        if not ok
    ]


def _joined(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)


def _round(value: float) -> str:
    """Two digits that count, never an exponent."""
    return f"{float(f'{value:.2g}'):g}"


def _hundred(share: float) -> str:
    return f"{100 * share:.0f}" if share in (0.0, 1.0) else f"{100 * share:.1f}"


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def _seconds(value: float) -> str:
    return "never" if math.isinf(value) else f"{value:.2f} s"
