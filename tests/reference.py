"""Plain, slow twins of the signal path, for tests only: one setting at a time, sample by sample.

Written from sections 2 and 4 of the design with Python's own floats, lists and loops (float32 scalars where
the board's lanes are defined in float32, in the order of operations of `_circuit_kernels`). Nothing
here is shared with the package but the words.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board, HoldKind

F = np.float32
KNEE = tuple(F(k / 9.0) for k in (0.6045016, -1.7998283, 1.8923922))
SETTLE_WINDOW = 64


@dataclass
class Nearness:
    """The smallest relative distance of any compared quantity from what it was compared with."""

    smallest: float = math.inf

    def note(self, value: float, threshold: float) -> None:
        scale = abs(threshold) if threshold else 1.0
        self.smallest = min(self.smallest, abs(float(value) - float(threshold)) / scale)


def section(zero: float, pole: float, rate: float) -> tuple[float, float, float]:
    """b0, b1, a1 of (s + zero)/(s + pole) by the bilinear transform."""
    k = 2.0 * rate
    return (k + zero) / (k + pole), (zero - k) / (k + pole), (pole - k) / (k + pole)


def high_pass(samples: Sequence[float], zero: float, pole: float, rate: float) -> list[float]:
    """(s + zero)/(s + pole), sample by sample."""
    b0, b1, a1 = section(zero, pole, rate)
    x1 = y1 = 0.0
    out = []
    for x in samples:
        y1 = b0 * x + b1 * x1 - a1 * y1
        x1 = x
        out.append(y1)
    return out


def held_high_pass(
    samples: Sequence[float], zero: float, pole: float, rate: float, lowest: float
) -> list[float]:
    """(s + zero)/(s + pole), its output held at `lowest` by its own charge.

    Two steps y -> max(d - a1 y, lowest) are one such step; so are two of those. The second and the last of each
    four from the start are reckoned so.
    """
    b0, b1, a1 = section(zero, pole, rate)
    p = -a1
    driven = [b0 * x + b1 * x1 for x1, x in zip([0.0, *samples], samples)]
    y = 0.0
    out: list[float] = []
    for i, d in enumerate(driven):
        if i % SETTLE_WINDOW == 0 and abs(y) <= 1e-12:
            y = 0.0
        if i % 4 == 0:
            first = y
        if i % 4 in (0, 2) or p < 0.0:
            y = max(d + p * y, lowest)
        else:
            drive, least = d + p * driven[i - 1], max(d + p * lowest, lowest)
            if i % 4 == 1:
                half = drive, least
                y = max(drive + (p * p) * first, least)
            else:
                y = max(
                    (drive + (p * p) * half[0]) + ((p * p) * (p * p)) * first,
                    max(drive + (p * p) * half[1], least),
                )
        out.append(y)
    return out


def fma(a: F, b: F, c: F) -> F:
    """a b + c, rounded once: the product of two float32 is exact in double precision.

    The sum is rounded to double before it is rounded to float32, which differs from one rounding about once in
    2^29 times.
    """
    return F(float(a) * float(b) + float(c))


def bent(drop: F) -> tuple[F, F]:
    """Two factors of what the knee adds to a drop's charge, in spans of 9 n Vt; 0 where the diode idles."""
    rest = max(F(1.0) - abs(drop), F(0.0))
    squared = rest * rest
    return squared * squared, fma(KNEE[2], squared, fma(KNEE[1], rest, KNEE[0]))


def merged(outputs: Sequence[F], sign: F) -> F:
    """The one output, for a sample, that charges as these do in turn; the higher counts, or the lower (-1)."""
    if len(outputs) == 1:
        return outputs[0]
    half = len(outputs) // 2
    a, b = merged(outputs[:half], sign), merged(outputs[half:], sign)
    return F(0.5) * (a + b) + sign * max(abs(F(0.5) * (a - b)), F(math.log(2.0) / 9.0))


def diode_at(board: Board) -> tuple[float, float]:
    """n Vt and saturation current at the board's temperature (silicon: 1.11 eV, exponent 3; 25 degC)."""
    emission, kelvins = board.rectifier.diode_emission.typ, board.supply.temperature.typ + 273.15
    n_vt = emission * 8.617333262e-5 * kelvins
    warmer = kelvins / 298.15
    growth = warmer ** (3.0 / emission) * math.exp(1.11 * (warmer - 1.0) / n_vt)
    return n_vt, board.rectifier.diode_saturation.typ * growth


def board_trace(
    board: Board, gain: float, samples: Sequence[float], rate: float, *, input_ohms: float | None = None,
    near: Nearness | None = None,
) -> tuple[list[bool], list[F]]:  # fmt: skip
    """Whether the comparator is high, and the storage voltage, after each sample (volts at the recorder).

    Every voltage is counted from rest. The input is held at the clamp by the pickup's own charge; the
    amplifier's output, within its limits, charges the capacitor of the gain leg through feedback and leg
    resistor.
    """
    a, r = board.amplifier, board.rectifier
    w_board = 1.0 / (board.pickup.load.typ * board.pickup.capacitance.typ)
    w_recorder = 0.0 if input_ohms is None else 1.0 / (input_ohms * board.pickup.capacitance.typ)
    input_rests = a.bias.typ + a.bias_current.typ * board.pickup.load.typ
    top = board.supply.voltage.typ - a.headroom.typ
    if a.leg_capacitor is None:
        output_rests, leak = (input_rests + a.offset.typ) * gain, 0.0
    else:
        output_rests = input_rests + a.offset.typ
        leak = -math.expm1(-1.0 / (rate * a.leg_resistor.typ * a.leg_capacitor.typ * gain))
    output_rests = min(max(output_rests, 0.0), top)
    n_vt, saturation = diode_at(board)
    span = 9.0 * n_vt
    # p[n] = s p[n-1] + (1 - s)(g x[n] - (g - 1) leg[n]), leg[n] = q[n] + leak p[n]/2,
    # q[n] = q[n-1] + leak (p[n-1] - q[n-1]), solved for p[n]
    pole = math.exp(-2.0 * math.pi * a.gain_bandwidth.typ / gain / rate)
    leg_share = (1.0 - pole) * (gain - 1.0)
    own = 1.0 + leg_share * leak / 2.0
    from_input, from_leg = F((1.0 - pole) * gain / own / span), F(-leg_share / own * (1.0 - leak))
    stay, takes = F(pole / own - leg_share / own * leak), F(leak)
    lowest, highest = F(-output_rests / span), F((top - output_rests) / span)
    c1, c2 = r.coupling.typ, r.storage.typ
    both = c1 * c2 / (c1 + c2)
    # the rectifier steps 12,000 times a second at the least
    stride = 4 if rate >= 48_000.0 else 2 if rate >= 24_000.0 else 1
    steps = rate / stride
    clamp_knee = math.log(c1 * n_vt * rate / saturation) / 9.0
    series_knee = math.log(both * n_vt * rate / saturation) / 9.0
    knees, series_knee = F(clamp_knee + series_knee), F(series_knee)
    resistor = 0.0 if a.output_resistor is None else a.output_resistor.typ
    clamp_share = F(1.0 / (1.0 + resistor * c1 * steps))
    series_share = F(1.0 / (1.0 + resistor * both * steps))
    kept = math.exp(-1.0 / (steps * (r.storage.typ * r.bleed.typ)))
    to_coupling, to_storage = F(c2 / (c1 + c2)), F(c1 / (c1 + c2) * kept)
    keep = F(kept)
    upper, lower = F(board.upper_trip_v / span), F(board.lower_trip_v / span)
    settled, settled_leg = F(1e-6 / span), F(1e-9 / span)
    felt = held_high_pass(samples, w_recorder, w_board, rate, a.input_clamp.typ - input_rests)
    p = leg = s = F(0.0)
    vc = series_knee  # the coupling capacitor's voltage is carried with the series diode's knee
    step: list[F] = []
    high = False
    above: list[bool] = []
    storage: list[F] = []
    for i, volts in enumerate(felt):
        if i % SETTLE_WINDOW == 0:
            p = p if abs(p) > settled_leg else F(0.0)
            leg = leg if abs(leg) > settled_leg else F(0.0)
            vc = vc if abs(vc - series_knee) > settled else series_knee
            s = s if s > settled else F(0.0)
        x = F(volts)
        aimed = fma(from_leg, leg, from_input * x)
        leg, p = fma(takes, p - leg, leg), fma(stay, p, aimed)
        p = min(max(p, lowest), highest)
        step.append(p)
        if len(step) == stride:
            low, peak = merged(step, F(-1.0)), merged(step, F(1.0))
            step.clear()
            clamp, series = vc - (low + knees), peak - (vc + s)
            clamped = fma(*bent(clamp), max(clamp, F(0.0)) * clamp_share)
            charged = fma(*bent(series), max(series, F(0.0)) * series_share)
            vc, s = fma(charged, to_coupling, vc - clamped), fma(charged, to_storage, s * keep)
        if near is not None:
            near.note(s, lower if high else upper)
        high = bool(s > (lower if high else upper))
        above.append(high)
        storage.append(s * F(span))
    return above, storage


def envelope_trace(
    board: Board, level_v: float, tau_s: float, samples: Sequence[float], rate: float, *,
    input_ohms: float | None = None, near: Nearness | None = None,
) -> tuple[list[bool], list[float]]:  # fmt: skip
    """Whether the comparator is high, and the RMS level, after each sample (volts at the recorder)."""
    w_board = 1.0 / (board.pickup.load.typ * board.pickup.capacitance.typ)
    w_recorder = 0.0 if input_ohms is None else 1.0 / (input_ohms * board.pickup.capacitance.typ)
    share = 0.5 * board.comparator.hysteresis.typ / board.reference_v
    upper, lower = level_v * (1.0 + share), level_v * (1.0 - share)
    alpha = 1.0 - math.exp(-1.0 / (tau_s * rate))
    mean, high = 0.0, False
    above: list[bool] = []
    levels: list[float] = []
    for v in high_pass(samples, w_recorder, w_board, rate):
        mean += alpha * (v * v - mean)
        level = math.sqrt(mean)
        if near is not None:
            near.note(level, lower if high else upper)
        high = level > (lower if high else upper)
        above.append(high)
        levels.append(level)
    return above, levels


@dataclass(frozen=True)
class Gate:
    """Integrator, gate and hold of one setting."""

    tau_c_s: float
    tau_d_s: float
    fire: float
    release: float
    hold_kind: HoldKind
    hold_s: float


@dataclass
class Alert:
    """One alert, with what attribution needs."""

    start_s: float
    end_s: float
    risen_s: float
    """The last moment before firing at which the integrator was below 5 %."""
    counts_as: str = ""
    cause: str = ""
    response_s: float | None = None


def gate_spans(
    above: Sequence[bool], rate: float, gate: Gate, near: Nearness | None = None
) -> list[tuple[float, float, float]]:
    """When the gate fires and lets go (inf: not by the end), and when the integrator was last below 5 %."""
    charge, discharge = math.exp(-1.0 / (rate * gate.tau_c_s)), math.exp(-1.0 / (rate * gate.tau_d_s))
    u, fired, risen, spans = 0.0, False, 0.0, []
    fire_s = fire_risen = math.nan
    for i, on in enumerate(above):
        t = i / rate
        before = u
        if on:
            u = 1.0 - (1.0 - u) * charge
            if before < 0.05 <= u:
                risen = t + gate.tau_c_s * math.log((1.0 - before) / 0.95)
            if not fired and u >= gate.fire:
                fired = True
                fire_s = t + gate.tau_c_s * math.log((1.0 - before) / (1.0 - gate.fire))
                fire_risen = risen if gate.fire > 0.05 else fire_s
        else:
            u = u * discharge
            if fired and u <= gate.release:
                fired = False
                spans.append((fire_s, t + gate.tau_d_s * math.log(before / gate.release), fire_risen))
        if near is not None and i + 1 < len(above) and above[i + 1] != on:
            near.note(u, gate.fire)
            near.note(u, gate.release)
            near.note(u, 0.05)
    if fired:
        spans.append((fire_s, math.inf, fire_risen))
    return spans


def held_alerts(spans: Sequence[tuple[float, float, float]], gate: Gate, duration_s: float) -> list[Alert]:
    """Turn the gate's spans into alerts by the kind of hold (design, section 2)."""
    alerts: list[Alert] = []
    for fire_s, release_s, risen_s in spans:
        running = bool(alerts) and fire_s <= alerts[-1].end_s
        if gate.hold_kind is HoldKind.NONE:
            end_s = release_s
        elif gate.hold_kind is HoldKind.AFTER_RELEASE:
            end_s = release_s + gate.hold_s
        elif gate.hold_kind is HoldKind.ONE_SHOT:
            end_s = alerts[-1].end_s if running else fire_s + gate.hold_s
        else:
            end_s = max(release_s, alerts[-1].end_s if running else fire_s + gate.hold_s)
        if running:
            alerts[-1].end_s = end_s
        else:
            alerts.append(Alert(fire_s, end_s, risen_s))
    for alert in alerts:
        alert.end_s = min(alert.end_s, duration_s)
    return alerts


def spans_above(above: Sequence[bool], rate: float) -> list[tuple[float, float]]:
    """Spans of time in which the comparator is high."""
    edges = [i for i in range(len(above)) if above[i] != (above[i - 1] if i else False)]
    ends = [*edges, len(above)] if len(edges) % 2 else edges
    return [(a / rate, b / rate) for a, b in zip(ends[::2], ends[1::2])]


@dataclass(frozen=True)
class Labels:
    """What a person said of a recording: spans as (start, end), and what the day makes of labels."""

    segments: tuple[tuple[float, float, str], ...]
    roles: dict[str, str]
    """Role of each label: target, nuisance, stand-in, background, ignore."""
    calls: tuple[tuple[float, float, bool], ...]
    """(start, end, cut)."""
    reviewed: tuple[tuple[float, float], ...]
    warmup_s: float
    grace_s: float
    lag_s: float = 0.0


@dataclass
class Counts:
    """What one setting comes to on one recording."""

    calls: list[str] = field(default_factory=list)
    """For each call: caught, missed, masked or masked by a false alarm."""
    response_s: list[float] = field(default_factory=list)
    alarms: dict[str, int] = field(default_factory=dict)
    alarm_s: dict[str, float] = field(default_factory=dict)


def judge(
    alerts: Sequence[Alert], high: Sequence[tuple[float, float]], labels: Labels, near: Nearness | None = None
) -> Counts:
    """Match the alerts of one setting with the labels, and say of each what it counts as."""
    early_s = 0.25
    counts = Counts(["missed"] * len(labels.calls), [math.inf] * len(labels.calls))

    def share(start_s: float, end_s: float, alert: Alert) -> float:
        low, top = max(start_s, alert.risen_s), min(end_s, alert.start_s)
        return sum(max(0.0, min(b, top) - max(a, low)) for a, b in high)

    def verdict(alert: Alert) -> tuple[str, str]:
        t = alert.start_s
        for k, (start_s, end_s, cut) in enumerate(labels.calls):
            for edge in (start_s - early_s, end_s, end_s + labels.grace_s):
                if near is not None:
                    near.note(t, edge)
            if start_s - early_s <= t <= end_s and not cut:
                if counts.calls[k] == "caught":
                    return "in a caught call", ""
                counts.calls[k] = "caught"
                counts.response_s[k] = alert.response_s = max(0.0, t - start_s)
                return "caught call", ""
        for start_s, end_s, cut in labels.calls:
            if start_s - early_s <= t <= end_s + labels.grace_s:
                return ("not counted: cut call" if cut else "not counted: within the grace"), ""
        for start_s, end_s in labels.reviewed:
            if near is not None:
                near.note(t, start_s)
                near.note(t, end_s)
                near.note(t, labels.warmup_s)
        if t < labels.warmup_s or not any(a <= t < b for a, b in labels.reviewed):
            return "not counted: time not scored", ""
        reach = labels.grace_s + labels.lag_s
        causes = []
        for start_s, end_s, label in labels.segments:
            if labels.roles[label] in ("nuisance", "stand-in", "ignore"):
                causes.append((share(start_s, end_s + reach, alert), start_s, label))
        causes = [cause for cause in causes if cause[0] > 0.0]
        of_calls = max([share(a, b + reach, alert) for a, b, _ in labels.calls], default=0.0)
        most = max([cause[0] for cause in causes], default=0.0)
        if near is not None:
            for other in [cause[0] for cause in causes if cause[0] != most] + [of_calls]:
                if other != most:
                    near.note(other, most)
        if of_calls > most:
            return "not counted: after a call", ""
        if not causes:
            return "false alarm", "background"
        latest = max(start_s for amount, start_s, _ in causes if amount == most)
        label = min(name for amount, start_s, name in causes if (amount, start_s) == (most, latest))
        if labels.roles[label] != "nuisance":
            return "not counted: stand-in or ignored", label
        return "false alarm", label

    for alert in alerts:
        alert.counts_as, alert.cause = verdict(alert)
        if alert.counts_as == "false alarm":
            counts.alarms[alert.cause] = counts.alarms.get(alert.cause, 0) + 1
            length_s = alert.end_s - alert.start_s
            counts.alarm_s[alert.cause] = counts.alarm_s.get(alert.cause, 0.0) + length_s
    for k, (start_s, _, _) in enumerate(labels.calls):
        if counts.calls[k] == "caught":
            continue
        for alert in alerts:
            if near is not None:
                near.note(alert.end_s, start_s)
            if alert.start_s < start_s - early_s and start_s < alert.end_s:
                # on since before scored time: as bad as a false alarm, a box stuck on
                by_alarm = alert.counts_as in ("false alarm", "not counted: time not scored")
                counts.calls[k] = "masked by a false alarm" if by_alarm else "masked"
    return counts


def recorded(labels: Labels, duration_s: float, label: str, step_s: float = 0.01) -> tuple[int, float]:
    """Events and seconds of a class (label, or background), counted on a grid that all labels lie on."""

    def index(time_s: float) -> int:
        return round(time_s / step_s)

    n = index(duration_s)
    scored, counted, own, nuisance = (np.zeros(n, bool) for _ in range(4))
    for a, b in labels.reviewed:
        scored[max(index(a), index(labels.warmup_s)) : index(b)] = True
    counted |= scored
    for a, b, _ in labels.calls:
        counted[max(0, index(a - 0.25)) : index(b + labels.grace_s)] = False
    for a, b, name in labels.segments:
        if labels.roles[name] in ("stand-in", "ignore"):
            counted[index(a) : index(b)] = False
        if labels.roles[name] == "nuisance":
            nuisance[index(a) : index(b)] = True
        if name == label:
            own[index(a) : index(b)] = True
    if label == "background":
        own = ~nuisance
    events = sum(name == label and bool(scored[index(a)]) for a, _, name in labels.segments)
    return events, float((own & counted).sum() * step_s)


def level_changes(
    level: NDArray[np.float64], upper: float, lower: float, high: bool = False
) -> list[tuple[int, bool]]:
    """Samples at which a comparator with hysteresis changes; a sample equal to a trip level is not above."""
    changes = []
    for i, v in enumerate(level):
        now = v > (lower if high else upper)
        if now != high:
            changes.append((i, bool(now)))
        high = bool(now)
    return changes
