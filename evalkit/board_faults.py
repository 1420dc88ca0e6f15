"""Weak or wrong designs that can be read and simulated all the same: each in one line, with its mend.

A board with which nothing can be computed is refused when it is read
(`board_file`). Here the worst case counts: every part at the end of its
range that makes matters worst, at the lowest supply unless told otherwise.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from evalkit.board import Board, HoldKind, Load, Value
from evalkit.built import at_supply
from evalkit.quantities import quantity
from evalkit.standard_values import Series, values_between

__all__ = ["BoardFault", "board_faults"]

_LEAST_REST_V = 0.05
_REST_UNDER_LIMIT_V = 1.0
_DIODE_A = 1e-5
"""About the current at which a diode's drop decides the rectified level."""
_OVERDRIVE = 2.0
"""Base current over what the transistor's least gain asks: common practice, no source."""


@dataclass(frozen=True)
class BoardFault:
    """One thing about a board that will not work, or not always."""

    place: str
    """Group and key of board.toml, as `[gate] wiring`."""
    message: str
    """What is wrong and what mends it, in one line."""


def board_faults(board: Board, pauses_s: Sequence[float] | None = None) -> tuple[BoardFault, ...]:
    """Return what is wrong with a board.

    Parameters
    ----------
    board : Board
    pauses_s : sequence of float, optional
        Times from a labelled call's end to the next one's start; unknown by default.
    """
    weakest = _weakest(board)
    resting = _resting(board)
    checks = (
        # where it cannot rest it clips too: one mend serves both
        resting or _half_waves(weakest),
        _reach(weakest),
        _gate_reached(weakest),
        _gate_released(board),
        _leakage(weakest),
        _sink(board),
        _base_current(weakest),
        _flyback(board),
        _unused_inputs(board),
        _hold(board, pauses_s or ()),
    )
    return tuple(fault for fault in checks if fault is not None)


def _weakest(board: Board) -> Board:
    """The board at its lowest supply and temperature, its amplifier with the least room."""
    s, a = board.supply, board.amplifier
    return at_supply(
        replace(
            board,
            supply=replace(s, temperature=replace(s.temperature, typ=s.temperature.low)),
            amplifier=replace(a, headroom=replace(a.headroom, typ=a.headroom.high)),
        ),
        s.voltage.low,
    )


def _resting(board: Board) -> BoardFault | None:
    """The output must have room to move both ways, with every part at its worst."""
    a, load = board.amplifier, board.pickup.load
    direct = a.leg_capacitor is None
    low = a.bias.low + a.bias_current.low * load.low + a.offset.low
    high = a.bias.high + a.bias_current.high * load.high + a.offset.high
    if direct:
        low, high = low * a.gain_min, high * a.gain_max
    top = board.output_limit_v - _REST_UNDER_LIMIT_V
    if low >= _LEAST_REST_V and high <= top:
        return None
    lift_v = a.bias_current.high * load.high
    if direct:
        mend = "put a capacitor into the gain leg, without which bias and offset are amplified too"
    elif low >= _LEAST_REST_V and high - lift_v <= top:
        mend = "take a smaller load for the pickup or an amplifier with less input bias current"
    else:
        mend = f"choose a bias near {0.5 * (board.output_limit_v - lift_v):.2g} V, the middle of its swing"
    return BoardFault(
        "[amplifier] bias",
        f"the amplifier may rest anywhere from {low:.3g} V to {high:.3g} V, not within "
        f"{_LEAST_REST_V:g} V to {top:.3g} V (1 V under its limit); {mend}",
    )


def _half_waves(weakest: Board) -> BoardFault | None:
    """Neither half-wave may be clipped by a vibration that just trips the comparator."""
    half_v = 0.5 * weakest.upper_trip_v + _drop_v(weakest)
    rest_v, limit_v = weakest.resting_output_v, weakest.output_limit_v
    # where even the whole swing is too little, or no capacitor can charge, another fault tells
    if weakest.amplifier.leg_capacitor is None or 2.0 * half_v > limit_v:
        return None
    if rest_v >= half_v and limit_v - rest_v >= half_v:
        return None
    side = "lower" if rest_v < half_v else "upper"
    return BoardFault(
        "[amplifier] bias",
        f"the amplifier rests at {rest_v:.3g} V, so the {side} half-waves are clipped before the comparator "
        f"trips (it takes {half_v:.3g} V either way); the gain-leg capacitor then charges to the other ones "
        "and a steady vibration is amplified far less than the resistors say: choose a bias near "
        f"{0.5 * limit_v:.2g} V at the lowest supply",
    )


def _reach(weakest: Board) -> BoardFault | None:
    """The rectified level must be able to pass the upper trip level."""
    limit_v = weakest.output_limit_v
    reach_v = limit_v - 2.0 * _drop_v(weakest)
    if weakest.upper_trip_v < reach_v:
        return None
    return BoardFault(
        f"[comparator] {weakest.reference_key}",
        f"the upper trip level, {weakest.upper_trip_v:.3g} V, is not under the highest rectified level, "
        f"{reach_v:.3g} V at the lowest supply (limit {limit_v:.3g} V less two diode drops), so the "
        "comparator may never go high; lower divider_bottom",
    )


def _gate_reached(weakest: Board) -> BoardFault | None:
    """The least high output must pass the highest gate threshold at the lowest supply."""
    high_v = _least_output_high_v(weakest)
    threshold_v = _with_gate(weakest, "high").gate_positive_v
    if high_v > threshold_v:
        return None
    volts = weakest.supply.voltage.typ
    return BoardFault(
        f"[gate] {weakest.gate_positive_key}",
        f"the comparator's least high output, {high_v:.3g} V, is not over the gate's highest positive "
        f"threshold, {threshold_v:.3g} V at the lowest supply ({volts:.3g} V), so some built boards never "
        "fire; raise the lowest supply, take a rail-to-rail comparator or another gate",
    )


def _gate_released(board: Board) -> BoardFault | None:
    """The highest low output must stay under the lowest negative threshold."""
    low_v = board.comparator.output_low.high
    threshold_v = _with_gate(at_supply(board, board.supply.voltage.low), "low").gate_negative_v
    if low_v < threshold_v:
        return None
    return BoardFault(
        "[comparator] output_low",
        f"the comparator's low output, up to {low_v:.3g} V, is not under the gate's lowest negative "
        f"threshold, {threshold_v:.3g} V, so the gate may never let go; take a comparator whose output goes "
        "nearer 0 V",
    )


def _leakage(weakest: Board) -> BoardFault | None:
    """What leaks through the capacitor must leave the integrator enough to pass the gate's threshold."""
    i = weakest.integrator
    pot_ohm = i.pot.high if i.pot_measured is None else i.pot_measured.high
    ohm = i.fixed.high + pot_ohm
    high_v, threshold_v = _least_output_high_v(weakest), _with_gate(weakest, "high").gate_positive_v
    reached_v = high_v - i.leakage.high * ohm
    # a board that fails without leakage is told of that
    if reached_v > threshold_v or high_v <= threshold_v:
        return None
    return BoardFault(
        "[integrator] leakage",
        f"a capacitor that leaks {quantity(i.leakage.high, 'A')} takes {i.leakage.high * ohm:.3g} V across "
        f"{quantity(ohm, 'ohm')}, so {high_v:.3g} V cannot charge it over the gate's highest threshold, "
        f"{threshold_v:.3g} V: take a film capacitor, or a larger capacitor with less resistance",
    )


def _sink(board: Board) -> BoardFault | None:
    """A discharge path must not ask more of the comparator than it sinks."""
    i = board.integrator
    if i.discharge_resistor is None:
        return None
    peak_a = board.comparator_high_v / i.discharge_resistor.low
    limit_a = board.comparator.sink_limit.low
    if peak_a <= limit_a:
        return None
    path = i.discharge_resistor
    least_ohm = board.comparator_high_v / limit_a * path.typ / path.low
    return BoardFault(
        "[integrator] discharge_resistor",
        f"discharging starts with {quantity(peak_a, 'A')} and the comparator sinks at least "
        f"{quantity(limit_a, 'A')} only; take {_at_least(least_ohm)} or more",
    )


def _base_current(weakest: Board) -> BoardFault | None:
    """The base current must saturate the transistor at the load's current."""
    o = weakest.output
    through_a = (weakest.supply.voltage.typ - o.base_drop.high) / o.base_resistor.high
    given_a, gate_a = max(through_a, 0.0), weakest.gate.output_current.low
    wanted_a = _OVERDRIVE * o.current.high / o.transistor_gain.low
    if min(given_a, gate_a) >= wanted_a:
        return None
    need = (
        f"{quantity(o.current.high, 'A')} through a transistor of gain {o.transistor_gain.low:.3g} take "
        f"{quantity(wanted_a, 'A')} of base current (twice what the gain asks)"
    )
    if gate_a < wanted_a:
        return BoardFault(
            "[gate] output_current",
            f"{need}, and the gate gives at least {quantity(gate_a, 'A')} only; take a transistor of more "
            "gain, a Darlington or a logic-level MOSFET",
        )
    most_ohm = (weakest.supply.voltage.typ - o.base_drop.high) / wanted_a
    most_ohm *= o.base_resistor.typ / o.base_resistor.high
    return BoardFault(
        "[output] base_resistor",
        f"{need}, and {quantity(o.base_resistor.high, 'ohm')} let {quantity(given_a, 'A')} through at the "
        f"lowest supply; take {_at_most(most_ohm)} or less",
    )


def _flyback(board: Board) -> BoardFault | None:
    if board.output.load is not Load.RELAY or board.output.flyback_diode:
        return None
    return BoardFault(
        "[output] flyback_diode",
        "a relay's coil without a flyback diode kills its transistor when it is switched off; put a diode "
        "across the coil, its cathode to the supply",
    )


def _unused_inputs(board: Board) -> BoardFault | None:
    if board.gate.unused_inputs_tied:
        return None
    return BoardFault(
        "[gate] unused_inputs_tied",
        "unused inputs of a CMOS gate that float pick up hum, draw current and can switch the gate; tie each "
        "to the supply or to ground",
    )


def _hold(board: Board, pauses_s: Sequence[float]) -> BoardFault | None:
    shorter = [pause for pause in pauses_s if pause < board.hold_s]
    if board.hold.kind is HoldKind.NONE or not shorter:
        return None
    return BoardFault(
        "[hold] resistor",
        f"the alert is held for {board.hold_s:.3g} s, longer than {len(shorter)} of {len(pauses_s)} pauses "
        f"between labelled calls (shortest {min(shorter):.3g} s), so the next call is not announced anew; "
        f"take {_at_most(board.hold.resistor.typ * min(shorter) / board.hold_s)} or less",
    )


def _at_most(ohm: float) -> str:
    """The highest standard resistor that is not above a value; the value itself where none is near."""
    return quantity(max(values_between(Series.E24, 0.5 * ohm, ohm), default=ohm), "ohm")


def _at_least(ohm: float) -> str:
    return quantity(min(values_between(Series.E24, ohm, 2.0 * ohm), default=ohm), "ohm")


def _drop_v(board: Board) -> float:
    return board.diode_scale_v * math.log(_DIODE_A / board.diode_saturation_a)


def _least_output_high_v(weakest: Board) -> float:
    measured = weakest.comparator.output_high_measured
    if measured is not None:
        return measured.typ
    return weakest.supply.voltage.typ - weakest.comparator.headroom.high


def _with_gate(board: Board, end: str) -> Board:
    """The board with all of its gate's thresholds at one end, `low` or `high`, of their range."""

    def at(value: Value) -> Value:
        return replace(value, typ=getattr(value, end))

    gate = board.gate
    names = ("positive_one_input", "negative_one_input", "positive_tied", "negative_tied")
    rows: dict[str, Any] = {name: tuple(at(row) for row in getattr(gate, name)) for name in names}
    return replace(board, gate=replace(gate, **rows))
