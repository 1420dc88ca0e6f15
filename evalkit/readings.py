"""What a meter reads at the box's test points, its own loading included."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from evalkit.board import Board, HoldKind, Value
from evalkit.dataset import Dataset, Recording
from evalkit.segments import Call, Role
from evalkit.tracing import trace

__all__ = ["CallLevels", "Expected", "call_levels", "delay_with_meter_s", "readings_at_rest"]

_SETTLED_SHARE = 0.5
"""A call's reading is that of the last half of its longest ring."""


@dataclass(frozen=True)
class Expected:
    """A direct voltage to expect, with the ends that good parts allow."""

    low_v: float
    typ_v: float
    high_v: float


@dataclass(frozen=True)
class CallLevels:
    """What a call does at the test points of a box at one setting."""

    phone: str
    recording: str
    pickup_rms_v: float
    """Alternating part at TP1, without a meter."""
    amplifier_mean_v: float
    """What a meter reads at TP2."""
    amplifier_peak_v: float
    """What a scope shows there."""
    storage_v: float
    """What a meter reads at TP3: its resistance is in parallel with the bleed."""
    storage_unloaded_v: float
    """What is there without it."""
    fires: bool
    """Whether the gate fires in the call (without a meter)."""


def readings_at_rest(board: Board, gain: float | None, meter_ohm: float) -> dict[str, Expected]:
    """Return what a meter reads with no vibration, by test point.

    Each source is taken with its own resistance, and the meter across it:
    V Rm/(R + Rm). Ends are those of the parts at their worst, at nominal supply.

    Parameters
    ----------
    board : Board
    gain : float or None
        Of the setting; None leaves out TP2 where it depends on it.
    meter_ohm : float
        The meter's resistance.

    Returns
    -------
    dict of str to Expected
        TP1 to TP8.
    """
    a, c, supply_v = board.amplifier, board.comparator, board.supply.voltage.typ
    load_ohm = board.pickup.load.typ
    at_input = [
        (bias + current * load_ohm) * _share(load_ohm, meter_ohm)
        for bias, current in (
            (a.bias.low, a.bias_current.low),
            (a.bias.typ, a.bias_current.typ),
            (a.bias.high, a.bias_current.high),
        )
    ]
    idle = Expected(c.output_low.low, c.output_low.typ, c.output_low.high)
    nothing = Expected(0.0, 0.0, 0.0)
    full = Expected(supply_v, supply_v, supply_v)
    timer = board.hold.kind in (HoldKind.ONE_SHOT, HoldKind.ONE_SHOT_HELD)
    found = {
        "TP1": Expected(*at_input),
        "TP3": nothing,
        "TP4": _reference(board, meter_ohm),
        "TP5": idle,
        "TP6": idle,
        # a timer is triggered by the low output of the one inverting gate before it
        "TP7": full if timer else nothing,
        "TP8": nothing,
    }
    if a.leg_capacitor is not None or gain is not None:
        resting_v = board.resting_v(gain if gain is not None else 1.0)
        factor = 1.0 if a.leg_capacitor is not None or gain is None else gain
        spread = [
            (bias + current * load_ohm + offset) * factor
            for bias, current, offset in (
                (a.bias.low, a.bias_current.low, a.offset.low),
                (a.bias.high, a.bias_current.high, a.offset.high),
            )
        ]
        found["TP2"] = Expected(max(0.0, spread[0]), resting_v, min(spread[1], board.output_limit_v))
    return dict(sorted(found.items()))


def call_levels(
    dataset: Dataset, board: Board, *, gain: float, delay_s: float, meter_ohm: float
) -> tuple[CallLevels, ...]:
    """Return what one labelled call of each phone does, the first whole one of it.

    Parameters
    ----------
    dataset : Dataset
    board : Board
        With the parts that are fitted.
    gain, delay_s : float
        The setting.
    meter_ohm : float
    """
    bleed = board.rectifier.bleed.typ
    loaded_ohm = bleed * meter_ohm / (bleed + meter_ohm)
    loaded = replace(
        board, rectifier=replace(board.rectifier, bleed=Value(loaded_ohm, loaded_ohm, loaded_ohm))
    )
    found = []
    for phone, (recording, call) in _first_calls(dataset).items():
        start_s, stop_s = _longest_ring(dataset, recording, call)
        settled_s = stop_s - _SETTLED_SHARE * (stop_s - start_s)
        bare = trace(recording, board, gain, delay_s, call.start_s, call.end_s)
        metered = trace(recording, loaded, gain, delay_s, settled_s, stop_s)
        own = (bare.time_s >= settled_s) & (bare.time_s < stop_s)
        found.append(
            CallLevels(
                phone=phone,
                recording=recording.name,
                pickup_rms_v=float(np.std(bare.pickup_v[own], dtype=np.float64)),
                amplifier_mean_v=float(np.mean(bare.amplifier_v[own], dtype=np.float64)),
                amplifier_peak_v=float(np.max(bare.amplifier_v[own])),
                storage_v=float(np.mean(metered.storage_v, dtype=np.float64)),
                storage_unloaded_v=float(np.mean(bare.storage_v[own], dtype=np.float64)),
                fires=bool(np.any(bare.gate_v > 0.0)),
            )
        )
    return tuple(found)


def delay_with_meter_s(board: Board, charging_ohm: float, meter_ohm: float) -> float:
    """Return the delay with a meter across the integrator's capacitor; inf where it then never fires.

    The capacitor charges through R toward Voh Rm/(R + Rm) with the time constant C R Rm/(R + Rm).
    """
    share = _share(charging_ohm, meter_ohm)
    fraction = board.fire_fraction / share
    if fraction >= 1.0:
        return math.inf
    return -charging_ohm * share * board.integrator.capacitor.typ * math.log1p(-fraction)


def _share(source_ohm: float, meter_ohm: float) -> float:
    """What a meter leaves of a voltage behind a resistance."""
    return meter_ohm / (source_ohm + meter_ohm)


def _reference(board: Board, meter_ohm: float) -> Expected:
    c, supply_v = board.comparator, board.supply.voltage.typ
    source_ohm = c.divider_top.typ * c.divider_bottom.typ / (c.divider_top.typ + c.divider_bottom.typ)
    kept = _share(source_ohm, meter_ohm)
    if c.reference_measured is not None:
        m = c.reference_measured
        return Expected(m.low, m.typ, m.high)
    low = c.divider_bottom.low / (c.divider_top.high + c.divider_bottom.low)
    high = c.divider_bottom.high / (c.divider_top.low + c.divider_bottom.high)
    return Expected(low * supply_v * kept, board.reference_v * kept, high * supply_v * kept)


def _first_calls(dataset: Dataset) -> dict[str, tuple[Recording, Call]]:
    """The first whole call of each phone; of several recordings the one in which it comes soonest."""
    found: dict[str, tuple[Recording, Call]] = {}
    for recording in dataset.recordings:
        targets = _targets(dataset, recording)
        calls = recording.calls(
            target_labels=targets, warmup_s=dataset.board.warmup_s, call_gap_s=dataset.day.call_gap_s
        )
        for call in calls:
            earlier = found.get(call.phone)
            if not call.cut and (earlier is None or call.start_s < earlier[1].start_s):
                found[call.phone] = (recording, call)
    return dict(sorted(found.items()))


def _longest_ring(dataset: Dataset, recording: Recording, call: Call) -> tuple[float, float]:
    targets = _targets(dataset, recording)
    rings: Sequence[tuple[float, float]] = [
        (s.start_s, s.end_s)
        for s in recording.segments
        if s.label in targets and call.start_s <= s.start_s and s.end_s <= call.end_s
    ]
    return max(rings, key=lambda ring: ring[1] - ring[0])


def _targets(dataset: Dataset, recording: Recording) -> set[str]:
    return {s.label for s in recording.segments if dataset.day.role(s.label) is Role.TARGET}
