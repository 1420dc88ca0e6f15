"""The bench sheet: what to build, set, measure and do when a reading differs, on one printed page."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from evalkit.board import Board, HoldKind
from evalkit.dataset import Dataset
from evalkit.knobs import MarginUnit
from evalkit.names import visible
from evalkit.parts import Alternative, PartsList
from evalkit.readings import CallLevels, Expected, call_levels, delay_with_meter_s, readings_at_rest
from evalkit.recommendation import Recommendation
from evalkit.report.drawing import Picture
from evalkit.report.schematic import hysteresis_resistors, schematic_picture
from evalkit.report.wording import hold_change, quantity
from evalkit.report.words import CAUTIONS
from evalkit.standins import Fitness, Middle, StandInCheck

__all__ = ["BenchSheet", "bench_sheet"]

METER_OHM = 10e6
"""Resistance of an ordinary digital meter's volt ranges (common practice, no source)."""

_OHM = "\N{GREEK CAPITAL LETTER OMEGA}"
_PLACES = {
    "TP1": "pickup",
    "TP2": "amplifier",
    "TP3": "storage, C3",
    "TP4": "reference",
    "TP5": "comparator",
    "TP6": "integrator, C4",
    "TP7": "gate",
    "TP8": "output",
}
_PULL = f"220 k{_OHM}"
"""From + to the storage capacitor: with its bleed, well over the trip level, under the comparator's limit."""


@dataclass(frozen=True)
class BenchSheet:
    """A bench sheet in words; tables as rows of text."""

    title: str
    about: str
    """What the dataset says of itself; empty: nothing."""
    setting: tuple[str, ...]
    cautions: tuple[str, ...]
    schematic: Picture
    knobs: tuple[tuple[str, ...], ...]
    """(knob, set by an ohmmeter across, share of travel, what passes)."""
    parts: tuple[tuple[str, ...], ...]
    """(designator, value, series, role)."""
    readings: tuple[tuple[str, ...], ...]
    """(test point, where, at rest, during a call)."""
    readings_note: str
    steps: tuple[str, ...]
    remedies: tuple[tuple[str, str], ...]
    """(what differs, what to do)."""
    others: tuple[tuple[str, ...], ...]
    """(other values, parts, realises, margin left, costs, of travel); not printed, as what follows."""
    hold_reason: str
    stand_in: tuple[tuple[str, ...], ...]
    """(what, rings, stand-in); empty where there is none to compare."""
    stand_in_note: str


def bench_sheet(
    found: Recommendation,
    dataset: Dataset,
    parts: PartsList,
    *,
    stand_in: StandInCheck | None = None,
    about: str = "",
    meter_ohm: float | None = None,
) -> BenchSheet:
    """Write the bench sheet of a recommendation.

    Parameters
    ----------
    found : Recommendation
    dataset : Dataset
        That it was found on.
    parts : PartsList
        Of it.
    stand_in : StandInCheck, optional
        Whether a stand-in may be used, if one was labelled.
    about : str
        Shown under the title: what the dataset says of itself.
    meter_ohm : float, optional
        Resistance of the meter that the readings are for; an ordinary one's if left out.
    """
    meter_ohm = meter_ohm or METER_OHM
    board = parts.board
    calls: tuple[CallLevels, ...] = ()
    if found.gain is not None:
        calls = call_levels(dataset, board, gain=found.gain, delay_s=found.delay_s, meter_ohm=meter_ohm)
    unknown = [part.ref for part in parts.parts if part.value is None]
    return BenchSheet(
        title=f"Bench sheet: {visible(dataset.title)}",
        about=visible(about),
        setting=_setting(found, parts),
        cautions=CAUTIONS,
        schematic=schematic_picture(board, unknown=unknown),
        knobs=_knob_rows(parts),
        parts=tuple(
            (part.ref, _value(part.value, part.unit), part.series, part.role) for part in parts.parts
        ),
        readings=_reading_rows(board, found, calls, meter_ohm),
        readings_note=_readings_note(board, found, parts, calls, meter_ohm),
        steps=_steps(board, found, parts, stand_in),
        remedies=_remedies(board),
        others=tuple(_other_row(alternative, found) for alternative in parts.alternatives),
        hold_reason=" ".join(filter(None, (parts.hold.reason, hold_change(parts)))),
        stand_in=() if stand_in is None else _stand_in_rows(stand_in, calibrated=found.calibrated),
        stand_in_note="" if stand_in is None else _stand_in_note(stand_in),
    )


def _setting(found: Recommendation, parts: PartsList) -> tuple[str, ...]:
    threshold = "threshold unknown"
    if found.threshold_v is not None:
        threshold = f"threshold {quantity(found.threshold_v, 'V')} peak at 175 Hz"
    elif found.threshold_dbfs is not None:
        threshold = f"threshold {found.threshold_dbfs:.1f} dBFS (not calibrated: volts unknown)"
    gain = "gain unknown: calibrate first" if found.gain is None else f"gain {found.gain:.1f}"
    hold = f"hold {parts.hold_s:.1f} s" if parts.hold_s else "no hold"
    verdict = {
        True: "Passes all three limits on the recordings it was chosen from.",
        False: "DOES NOT PASS: the setting that misses the limits by least.",
        None: "One figure is unknown, so whether it passes is open.",
    }[found.passes]
    return (f"{threshold}, {gain}; delay {found.delay_s:.2f} s; {hold}.", verdict)


def _knob_rows(parts: PartsList) -> tuple[tuple[str, ...], ...]:
    rows = []
    if parts.sensitivity is None:
        rows.append(("RV1 sensitivity", "unknown: calibrate the recordings first", "", ""))
    knobs = [("RV1 sensitivity", "R2 + RV1", parts.sensitivity), ("RV2 delay", "R6 + RV2", parts.delay)]
    for name, across, knob in knobs:
        if knob is None:
            continue
        t = knob.target
        ends = [f"{_ohms(ohm)} ({_percent(knob.travel_at(ohm))})" for ohm in (t.low_ohm, t.high_ohm)]
        passing = f"{ends[0]} - {ends[1]}" if t.range_known else "nothing passes"
        rows.append((name, f"{across} = {_ohms(t.set_ohm)}", _percent(knob.travel), passing))
    return tuple(rows)


def _reading_rows(
    board: Board, found: Recommendation, calls: Sequence[CallLevels], meter_ohm: float
) -> tuple[tuple[str, ...], ...]:
    rest = readings_at_rest(board, found.gain, meter_ohm)
    supply = quantity(board.supply.voltage.typ, "V")
    timer = board.hold.kind in (HoldKind.ONE_SHOT, HoldKind.ONE_SHOT_HELD)
    unknown = "unknown: not calibrated"
    peaks = f", scope: peaks {_span([c.amplifier_peak_v for c in calls])}" if calls else ""
    ring = {
        "TP1": f"the same; AC {_span([c.pickup_rms_v for c in calls])}" if calls else unknown,
        "TP2": _span([c.amplifier_mean_v for c in calls]) + peaks if calls else unknown,
        "TP3": _span([c.storage_v for c in calls]) if calls else unknown,
        "TP4": "the same",
        "TP5": quantity(board.comparator_high_v, "V"),
        "TP6": f"rises; past {quantity(board.gate_positive_v, 'V')} the gate fires",
        "TP7": "0 V once fired" if timer else f"{supply} once fired",
        "TP8": f"{supply} until the hold ends",
    }
    return tuple((ref, _PLACES[ref], _expected(rest[ref]), ring[ref]) for ref in _PLACES if ref in rest)


def _readings_note(
    board: Board,
    found: Recommendation,
    parts: PartsList,
    calls: Sequence[CallLevels],
    meter_ohm: float,
) -> str:
    limits = board.supply.voltage
    said = [
        f"Direct volts to ground as a {quantity(meter_ohm, _OHM)} meter reads them, at a supply of "
        f"{quantity(limits.typ, 'V')} ({quantity(limits.low, 'V')} to {quantity(limits.high, 'V')} allowed)."
    ]
    if calls:
        phones = ", ".join(
            f"{visible(c.phone) or 'an unknown phone'} {quantity(c.storage_v, 'V')}" for c in calls
        )
        said.append(f"During a call: one ring each, as recorded; TP3: {phones}.")
        taken = [1.0 - c.storage_v / c.storage_unloaded_v for c in calls if c.storage_unloaded_v > 0.0]
        if taken:
            said.append(f"The meter takes {_percent(sum(taken) / len(taken))} off TP3 (R4 in parallel).")
    slow_s = delay_with_meter_s(board, parts.delay.target.set_ohm, meter_ohm)
    if math.isinf(slow_s):
        said.append("With the meter on TP6 the gate never fires: take it off.")
    else:
        longer = _percent(slow_s / found.delay_s - 1.0)
        said.append(f"With the meter on TP6 the delay is {longer} longer: time it without.")
    return " ".join(said)


def _steps(
    board: Board, found: Recommendation, parts: PartsList, stand_in: StandInCheck | None
) -> tuple[str, ...]:
    delay, hold = parts.delay.target, board.hold.kind
    first = f"R6 + RV2 to {_ohms(delay.set_ohm)}"
    if parts.sensitivity is not None:
        first = f"R2 + RV1 to {_ohms(parts.sensitivity.target.set_ohm)} and {first}"
    shortest, longest = (found.delay_s * ohm / delay.set_ohm for ohm in (delay.low_ohm, delay.high_ohm))
    passing = f" ({shortest:.2f} to {longest:.2f} s pass)" if delay.range_known else ""
    off = {
        HoldKind.AFTER_RELEASE: f"about {board.hold_s:.1f} s after the gate lets go",
        HoldKind.ONE_SHOT: f"{board.hold_s:.1f} s after it began",
        HoldKind.ONE_SHOT_HELD: f"{board.hold_s:.1f} s after it began, or when the gate lets go",
        HoldKind.NONE: "as the gate lets go",
    }[hold]
    return (
        f"Power off: set {first}, by ohmmeter; wait until it settles (capacitors charge).",
        f"Power on through the fuse: {quantity(board.supply.voltage.typ, 'V')}; nothing may get warm.",
        "Lid still: TP4 first, then TP1 to TP8 at rest.",
        f"Delay: pull TP3 to + through {_PULL}; TP7 must follow in {found.delay_s:.2f} s{passing}; trim RV2.",
        f"Hold: let go of TP3; the alert must end {off}.",
        "Sensitivity: ring each phone on the lid and compare TP3. Turn RV1 only if it differs.",
        _stand_in_step(stand_in),
        "Sound it with the phone off (TP3 to +, then let go): it must stop by itself. A sounder that shakes "
        "its own lid holds its own alert on: move it off the lid, damp it, or use the lamp.",
        "Knock as a working day does: no alert. Ring every phone: an alert each time.",
    )


def _stand_in_step(check: StandInCheck | None) -> str:
    if check is None or check.fitness is Fitness.UNKNOWN:
        return "Stand-in: do not set RV1 with one; how far it resembles a phone is not known."
    if check.fitness is Fitness.AS_IT_IS:
        return "Stand-in: RV1 may be set where it just trips the box."
    if check.fitness is Fitness.WITH_OFFSET and check.error_db is not None:
        way = "keener" if check.error_db > 0.0 else "duller"
        return f"Stand-in: set RV1 where it just trips the box, then {abs(check.error_db):.1f} dB {way}."
    off = "" if check.error_db is None else f" ({check.error_db:+.1f} dB off on average)"
    return f"Stand-in: do not set RV1 with it{off}; use it only to see that the box is alive."


def _stand_in_rows(check: StandInCheck, *, calibrated: bool) -> tuple[tuple[str, ...], ...]:
    """Median, and between which values four fifths lie."""
    unit = "dB re 1 V" if calibrated else "dBFS"

    def told(middle: Middle | None, digits: int, scale: float = 1.0) -> str:
        if middle is None:
            return "never"
        low, median, high = (f"{scale * v:.{digits}f}" for v in (middle.low, middle.median, middle.high))
        return f"{median} ({low} to {high})"

    sides = (check.rings, check.stand_in)
    return (
        ("segments", *(str(side.n) for side in sides)),
        (f"level at the pickup, {unit} RMS", *(told(side.level_db, 1) for side in sides)),
        ("strongest frequency, Hz", *(told(side.frequency_hz, 0) for side in sides)),
        ("level swings by, %", *(told(side.modulation, 0, 100.0) for side in sides)),
        (f"just trips at, {unit} peak", *(told(side.trip_db, 1) for side in sides)),
    )


def _stand_in_note(check: StandInCheck) -> str:
    said = [f"Fit to set the sensitivity: {check.fitness}. {check.reason}"]
    if check.offset_db is not None:
        interval = check.offset_interval_db
        between = "" if interval is None else f" ({interval[0]:+.1f} to {interval[1]:+.1f} at 95 %)"
        said.append(
            f"It trips {check.offset_db:+.1f} dB{between} from where the calls of its session trip on "
            f"average, over {check.n_sessions} sessions."
        )
    return " ".join(said)


def _other_row(other: Alternative, found: Recommendation) -> tuple[str, ...]:
    values = ", ".join(f"{part.ref} {_value(part.value, part.unit)}" for part in other.parts)
    margin = cost = "nothing passes"
    # adding 0 keeps a rounded nothing from being told as -0
    if other.margin is not None and other.cost is not None:
        margin, cost = (f"{round(v, 1) + 0.0:.1f} {other.unit}" for v in (other.margin, other.cost))
    travel = "" if other.travel is None else _percent(other.travel)
    if other.travel is not None and not other.covers:
        travel += ", not all that passes"
    off = f"{round(other.shift, 2) + 0.0:+.2f} {other.unit}"
    if other.unit is MarginUnit.PERCENT:
        off = f"{found.delay_s * (1.0 + other.shift / 100.0):.2f} s ({off})"
    elif found.threshold_v is not None:
        off = f"{quantity(found.threshold_v * 10.0 ** (other.shift / 20.0), 'V')} ({off})"
    return (other.what, values, off, margin, cost, travel)


def _remedies(board: Board) -> tuple[tuple[str, str], ...]:
    high = quantity(board.comparator_high_v, "V")
    series, feedback = hysteresis_resistors(board)
    return (
        ("TP4", "R7, R8, supply; or enter what you read (comparator.reference_measured) and recommend anew"),
        ("TP1, TP2 at rest", "bias divider, R1, leaky lead; TP2 at its limit: C1 shorted, R2 or RV1 open"),
        ("TP3 over 0.1 V at rest", "hum: screen the pickup's lead, ground the lid; D2 or D3 reversed"),
        (
            f"TP5 not {high}",
            f"enter comparator.output_high_measured; chatter: R12 {_ohms(series)}, R13 {_ohms(feedback)}",
        ),
        ("TP6 stops short", "C4 leaks or is reversed; RV2 too high; the meter's own load"),
        ("TP7 elsewhere", "gates differ: enter gate.positive_measured, negative_measured and recommend anew"),
        ("delay or hold off", "C4, C5 are off value: turn RV2, change R9"),
        ("never stops", "sounder shakes the lid; R9 open; a machine runs: see TP3"),
        ("misses a phone", "RV1 up (keener) within what passes; then RV2 down (shorter)"),
        ("fires on knocks", "RV2 up (longer) within what passes; then RV1 down (duller)"),
    )


def _expected(e: Expected) -> str:
    if e.high_v == 0.0:
        return "0 V"
    if e.low_v == e.high_v:
        return quantity(e.typ_v, "V")
    if e.low_v <= 0.0:
        return f"under {quantity(e.high_v, 'V')}"
    return f"{quantity(e.typ_v, 'V')} ({_span([e.low_v, e.high_v])})"


def _span(values: Sequence[float]) -> str:
    """Lowest to highest, the unit told once where it is the same."""
    low, high = (quantity(v, "V") for v in (min(values), max(values)))
    if low == high:
        return low
    number, _, unit = low.partition(" ")
    return f"{number} to {high}" if high.endswith(f" {unit}") else f"{low} to {high}"


def _value(value: float | None, unit: str) -> str:
    return "unknown" if value is None else quantity(value, unit).replace("ohm", _OHM)


def _ohms(value: float) -> str:
    return quantity(value, _OHM)


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %"
