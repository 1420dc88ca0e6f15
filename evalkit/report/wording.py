"""Figures in words and table rows, the same in the terminal and in the report."""

import math

from evalkit.day import Day
from evalkit.detectors import LevelUnit
from evalkit.figures import Figures
from evalkit.intervals import Interval
from evalkit.parts import PartsList
from evalkit.quantities import quantity
from evalkit.recommendation import Recommendation
from evalkit.roc import Auc

__all__ = [
    "auc_text",
    "built_rows",
    "class_rows",
    "headline",
    "interval_notes",
    "hold_change",
    "outcome_rows",
    "quantity",
    "setting_rows",
    "trade_off_rows",
]


def hold_change(parts: PartsList) -> str:
    """Say in one line that the hold is not that of board.toml, and what mends it; empty where it is.

    All figures are of the recommended hold.
    """
    own, fitted, advised_s = parts.own.hold, parts.board.hold, parts.hold.hold_s
    if own == fitted or advised_s is None:
        return ""
    ohm, farads = quantity(fitted.resistor.typ, "ohm"), quantity(fitted.capacitor.typ, "F")
    return (
        f"board.toml holds the alert for {parts.own.hold_s:.2f} s and the calls' cadence asks for "
        f"{advised_s:.2f} s, so all figures are for R9 = {ohm} and C5 = {farads} ({parts.hold_s:.2f} s): fit "
        f'them and set hold.resistor = "{ohm}" and hold.capacitor = "{farads}" in board.toml.'
    )


def headline(found: Recommendation, day: Day) -> tuple[str, ...]:
    """Return what the recommendation comes to, in one to three lines."""
    threshold = _threshold_text(found)
    lines = [f"{found.sweep.detector}: threshold {threshold}, delay {found.delay_s:.2f} s"]
    if found.passes is None:
        lines.append("Nothing known fails, but one figure is unknown, so whether it passes is open.")
    elif not found.passes:
        failed = " and ".join(found.limits_failed) or "a limit"
        lines.append(
            f"NO setting meets the limits: this one misses by least ({failed}). "
            "Either relax a limit (below), record more, or change the box."
        )
    elif found.proven.all:
        lines.append(f"Passes all three limits, and held-out {found.figures.unit}s prove it at 95 %.")
    else:
        open_ = [
            name
            for name, ok in (
                ("calls", found.proven.calls),
                ("false alarms", found.proven.false_alarms),
                ("response", found.proven.response),
            )
            if not ok
        ]
        lines.append(f"Passes on these recordings; not yet proven: {', '.join(open_)}.")
    return tuple(lines)


def setting_rows(found: Recommendation, parts: PartsList) -> list[tuple[str, str]]:
    """Return the setting, its margins, its parts and its knobs as (what, value)."""
    margin = found.choice.margin
    rows = [
        ("threshold", _threshold_text(found)),
        ("integrator delay", f"{found.delay_s:.3f} s"),
        ("hold", f"{found.sweep.integrator.hold_s:.2f} s ({found.sweep.integrator.hold_kind})"),
        ("amplifier gain", _gain_text(found)),
    ]
    if margin is None:
        rows.append(("margin", "none: no setting passes"))
    else:
        least = "at least " if margin.at_least else ""
        unit = str(found.sweep.levels.unit)
        rows.append(("margin, threshold", f"{least}{margin.threshold:.1f} {unit} either way"))
        rows.append(("margin, delay", f"{least}{margin.delay_percent:.0f} % either way"))
    rows += built_rows(found)
    rows += [
        (f"{part.ref} ({part.series})", f"{quantity(part.value, part.unit)}: {part.role}")
        for part in parts.parts
    ]
    for ref, knob in (("RV1", parts.sensitivity), ("RV2", parts.delay)):
        if knob is not None:
            reading = quantity(knob.target.set_ohm, "ohm")
            rows.append(
                (f"{ref} set", f"{reading} with its fixed resistor: {100 * knob.travel:.0f} % of travel")
            )
    rows.append(("hold, why", parts.hold.reason))
    if change := hold_change(parts):
        rows.append(("hold, board.toml", change))
    return rows


def built_rows(found: Recommendation) -> list[tuple[str, str]]:
    """Return how far built boards stray from the setting, and which parts make them, as (what, value)."""
    built = found.built
    if built is None:
        spread = found.spread
        return [
            (
                "spread (1 sigma)",
                f"{spread.threshold:.2g} {found.sweep.levels.unit}, {100 * spread.delay:.2g} % of the delay",
            )
        ]
    rows = []
    for name, boards, share in (
        ("set on the bench", built.tolerances.bench, built.bench_pass_share),
        ("set by ohms", built.tolerances.ohms, built.ohms_pass_share),
    ):
        passing = "" if share is None else f"; {100 * share:.1f} % of {len(boards.shift_db)} simulated pass"
        rows.append(
            (
                f"built boards, {name}",
                f"stray by {boards.spread.threshold:.2g} dB, {100 * boards.spread.delay:.2g} % of the delay "
                f"(1 sigma){passing}",
            )
        )
    worst = [
        f"{cause.name} ({cause.threshold_db:+.2f} dB, {cause.delay_percent:+.1f} %)"
        for cause in built.tolerances.causes[:3]
    ]
    return [*rows, ("parts that matter most, by ohms", ", ".join(worst))]


def outcome_rows(found: Recommendation, day: Day) -> list[tuple[str, str, str, str]]:
    """Return (figure, limit, held out, on the recordings it was chosen from)."""
    limits = day.limits
    columns = (found.held_out, found.figures)
    no = "unknown: nothing could be held out"

    def row(name: str, limit: str, text: list[str]) -> tuple[str, str, str, str]:
        return (name, limit, text[0], text[1])

    calls = [_calls_text(f) if f is not None else no for f in columns]
    plain = [
        no
        if f is None
        else f"Clopper-Pearson {_interval_text(f.calls_exact, scale=100.0)}, "
        f"Wilson {_interval_text(f.calls_wilson, scale=100.0)}"
        for f in columns
    ]
    alarms = [
        no if f is None else f"{_figure(f.false_alarms_per_day)} {_interval_text(f.false_alarms_interval)}"
        for f in columns
    ]
    response = [
        no
        if f is None
        else f"{_seconds(f.response_p95_s)} {_interval_text(f.response_p95_interval)}, "
        f"half within {_seconds(f.response_median_s)} {_interval_text(f.response_median_interval)}"
        for f in columns
    ]
    minutes = [no if f is None else _figure(f.alert_minutes_per_day) for f in columns]
    return [
        row("calls caught", f"at least {100 * limits.calls_caught:g} %", calls),
        row("the same, if calls were independent", "", plain),
        row("false alarms a day", f"at most {limits.false_alarms_per_day:g}", alarms),
        row("95 % of calls answered within", f"{limits.response_s:g} s", response),
        row("minutes of false alert a day", "", minutes),
    ]


def interval_notes(figures: Figures) -> list[str]:
    """Return which 95 % interval stands behind which figure, each way once."""
    told = [
        ("calls caught", figures.calls_interval.method),
        ("false alarms a day", figures.false_alarms_interval.method),
        *((c.exposure.label, c.method) for c in figures.classes),
        ("half of the calls within", figures.response_median_interval.method),
        ("95 % of calls within", figures.response_p95_interval.method),
    ]
    ways: dict[str, list[str]] = {}
    for what, method in told:
        ways.setdefault(method, []).append(what)
    return [f"{', '.join(what)}: {method}" for method, what in ways.items()]


def class_rows(figures: Figures) -> list[tuple[str, ...]]:
    """Return (class, recorded, false alarms, rate with interval, adds to a day, at most)."""
    rows: list[tuple[str, ...]] = []
    for c in figures.classes:
        e = c.exposure
        recorded = f"{e.recorded:.0f} events" if e.unit == "event" else f"{60 * e.recorded:.1f} min"
        interval = "" if c.interval is None else f" [{c.interval[0]:.2g}, {c.interval[1]:.2g}]"
        rows.append(
            (
                e.label,
                recorded,
                str(c.alarms),
                "unknown" if c.rate is None else f"{c.rate:.3g} per {e.unit}{interval}",
                "unknown" if c.per_day is None else f"{c.per_day:.3g}",
                "unknown" if c.per_day_upper is None else f"{c.per_day_upper:.3g}",
            )
        )
    return rows


def trade_off_rows(found: Recommendation) -> list[tuple[str, ...]]:
    """Return (limit given up, threshold, delay, calls caught, false alarms a day, response p95)."""
    unit = found.sweep.levels.unit
    return [
        (
            t.limit,
            f"{t.threshold_position:.1f} {'dB re 1 V' if unit is LevelUnit.DECIBEL else unit}",
            f"{t.delay_s:.2f} s",
            f"{100 * t.calls_caught:.1f} %",
            _figure(t.false_alarms_per_day),
            _seconds(t.response_p95_s),
        )
        for t in found.trade_offs
    ]


def auc_text(area: Auc) -> str:
    """Return an area with its interval."""
    if math.isnan(area.estimate):
        return "unknown"
    return f"{area.estimate:.3f} {_interval_text(area.interval)}"


def _gain_text(found: Recommendation) -> str:
    if found.sweep.levels.gain is None:
        return f"none: no gain sets the threshold of {found.sweep.detector}"
    return "unknown: not calibrated" if found.gain is None else f"{found.gain:.1f}"


def _threshold_text(found: Recommendation) -> str:
    if found.sweep.levels.unit is not LevelUnit.DECIBEL:
        return f"probability {found.threshold_level:.3f} ({found.threshold_position:+.2f} log-odds)"
    dbfs = "" if found.threshold_dbfs is None else f"{found.threshold_dbfs:.1f} dBFS"
    if found.threshold_v is None:
        return dbfs or "unknown"
    return f"{quantity(found.threshold_v, 'V')} peak at 175 Hz" + (f" ({dbfs})" if dbfs else "")


def _calls_text(figures: Figures) -> str:
    if figures.calls_caught is None:
        return "unknown: no call counted"
    return (
        f"{figures.caught} of {figures.counted} ({100 * figures.calls_caught:.1f} %) "
        f"{_interval_text(figures.calls_interval, scale=100.0)}"
    )


def _interval_text(interval: Interval, *, scale: float = 1.0) -> str:
    pair = interval.pair()
    return "[unknown]" if pair is None else f"[{scale * pair[0]:.3g}, {scale * pair[1]:.3g}]"


def _figure(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.3g}"


def _seconds(value: float | None) -> str:
    if value is None:
        return "unknown"
    return "never" if math.isinf(value) else f"{value:.2f} s"
