"""Boards as they are built: every part drawn from its tolerance, at some supply and temperature.

A value's min, typ and max are read as a split normal distribution: two half
normals that meet at typ, with min and max at 3 sigma. Parts are drawn
independently, but for what sits in one package: a gate's thresholds move
together over its supplies, and its two thresholds partly with each other; both
diodes are of one batch.
"""

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from typing import Annotated, Any, get_args, get_origin, get_type_hints

from evalkit.board import Board, Gate, Value

__all__ = ["Quantiles", "aged", "at_supply", "board_at", "in_environment", "sources_of"]

Quantiles = Mapping[str, float]
"""Standard normal deviate of each source of spread, by its name; those not named stay typical."""

_AGEING_SHARE = 0.2
"""1 sigma of a part's ageing, as a share of the 1 sigma of its tolerance: assumed."""
_SIGMAS = 3.0
_SUPPLY, _TEMPERATURE = "supply.voltage", "supply.temperature"
_GATE_RISING, _GATE_FALLING = "gate.positive", "gate.negative"
_GATE_TOGETHER = 0.64
"""Correlation of a gate's two thresholds, from the spread of their difference: at 10 V, 4.6/5.9/7.1 V and
2.5/3.9/5.2 V with a difference of 1.2/2.3/3.4 V (STMicroelectronics HCF4093B sheet, p. 3)."""
_LEAST_HYSTERESIS = 0.06
"""A gate's thresholds lie at least so much of its supply apart: 0.3 V at 5 V (same sheet)."""
_SET_BY_METER = ("amplifier.feedback_pot", "integrator.pot")
"""Knobs are set to a resistance, so their own tolerance does not count."""
_AGEING_UNITS = ("F", "ohm")


def sources_of(board: Board) -> tuple[str, ...]:
    """Return the names, as `group.value`, of all that spreads, supply and temperature among it.

    The knobs' own tolerance is not one: they are set to a resistance.
    """
    names = [name for name, value in _values(board) if value.high > value.low and name not in _SET_BY_METER]
    gate = board.gate
    rows = (*_rows(gate, rising=True), *_rows(gate, rising=False))
    if any(row.high > row.low for row in rows):
        names += [_GATE_RISING, _GATE_FALLING]
    return tuple(names)


def board_at(board: Board, deviates: Quantiles) -> Board:
    """Return the board with its parts at given places of their distributions, in its nominal environment.

    Supply and temperature among the deviates are left to `in_environment`.
    """
    moved = {
        name: _placed(value, deviates[name])
        for name, value in _values(board)
        if name in deviates and name not in (_SUPPLY, _TEMPERATURE)
    }
    drawn = _with(board, moved)
    if _GATE_RISING in deviates or _GATE_FALLING in deviates:
        drawn = replace(drawn, gate=_gate_at(drawn.gate, deviates))
    return drawn


def in_environment(board: Board, deviates: Quantiles) -> Board:
    """Return a built board at another supply and temperature."""
    supply = board.supply
    degrees = _placed(supply.temperature, deviates.get(_TEMPERATURE, 0.0))
    warmer = replace(board, supply=replace(supply, temperature=degrees))
    return at_supply(warmer, _split_normal(supply.voltage, deviates.get(_SUPPLY, 0.0)))


def at_supply(board: Board, volts: float) -> Board:
    """Return a board at another supply.

    What a divider makes from the supply, the bias and a measured reference,
    goes with it; a measured high output keeps its distance from it; measured
    gate thresholds keep their share of it.
    """
    before = board.supply.voltage.typ
    ratio, rise_v = volts / before, volts - before
    comparator, gate = board.comparator, board.gate
    high = comparator.output_high_measured
    return replace(
        board,
        supply=replace(board.supply, voltage=_at(board.supply.voltage, volts)),
        amplifier=replace(board.amplifier, bias=_at(board.amplifier.bias, board.amplifier.bias.typ * ratio)),
        comparator=replace(
            comparator,
            reference_measured=_scaled(comparator.reference_measured, ratio),
            output_high_measured=None if high is None else _at(high, high.typ + rise_v),
        ),
        gate=replace(
            gate,
            positive_measured=_scaled(gate.positive_measured, ratio),
            negative_measured=_scaled(gate.negative_measured, ratio),
        ),
    )


def aged(board: Board, deviates: Quantiles) -> Board:
    """Return a board after its resistors and capacitors have aged, by names as in `sources_of`."""
    older = {}
    for name, value in _values(board):
        if name in deviates and _unit_of(name) in _AGEING_UNITS:
            sigma = (value.high - value.low) / (2.0 * _SIGMAS) * _AGEING_SHARE
            older[name] = _at(value, max(value.typ + sigma * deviates[name], 0.1 * value.typ))
    return _with(board, older)


def _values(board: Board) -> list[tuple[str, Value]]:
    """Every single value of the board by its name; the gate's rows are not among them."""
    found = []
    for group in dataclasses.fields(Board):
        part = getattr(board, group.name)
        for field in dataclasses.fields(part):
            value = getattr(part, field.name)
            if isinstance(value, Value):
                found.append((f"{group.name}.{field.name}", value))
    return found


@cache
def _unit_of(name: str) -> str:
    """Unit of a value of the board, by its name."""
    group, field = name.split(".")
    hint = get_type_hints(get_type_hints(Board)[group], include_extras=True)[field]
    for candidate in (hint, *get_args(hint)):
        if get_origin(candidate) is Annotated:
            return str(candidate.__metadata__[0])
    return ""


def _with(board: Board, values: Mapping[str, Value]) -> Board:
    """Return the board with other values, by their names."""
    groups: dict[str, dict[str, Any]] = {}
    for name, value in values.items():
        group, field = name.split(".")
        groups.setdefault(group, {})[field] = value
    return replace(board, **{g: replace(getattr(board, g), **change) for g, change in groups.items()})


def _at(value: Value, typ: float) -> Value:
    """Return the value with another typical one; its limits stay those of the sheet."""
    return Value(typ, value.low, value.high, value.source)


def _scaled(value: Value | None, ratio: float) -> Value | None:
    return None if value is None else _at(value, value.typ * ratio)


def _placed(value: Value, deviate: float) -> Value:
    """Return the value at the place in its distribution that a standard normal deviate has in its own."""
    return _at(value, _split_normal(value, deviate))


def _split_normal(value: Value, deviate: float) -> float:
    """Map a standard normal deviate to the split normal's value of the same probability.

    With s1 and s2 the sigmas of the sides, the mode splits the probability as
    s1 : s2, and each side is half of a normal distribution about the mode.
    """
    below, above = (value.typ - value.low) / _SIGMAS, (value.high - value.typ) / _SIGMAS
    if below + above == 0.0:
        return value.typ
    if below == above:
        moved = value.typ + below * deviate
    else:
        from scipy.special import ndtr, ndtri

        p, lower = float(ndtr(deviate)), below / (below + above)
        if p < lower:
            moved = value.typ + below * float(ndtri(p / (2.0 * lower)))
        else:
            moved = value.typ - above * float(ndtri((1.0 - p) / (2.0 * (1.0 - lower))))
    # what cannot be negative must not become so far out in the tail
    return max(moved, 0.1 * value.low) if value.low > 0.0 else moved


def _rows(gate: Gate, *, rising: bool) -> tuple[Value, ...]:
    if rising:
        return (*gate.positive_one_input, *gate.positive_tied)
    return (*gate.negative_one_input, *gate.negative_tied)


def _gate_at(gate: Gate, deviates: Quantiles) -> Gate:
    """Return the gate with all its rows moved together."""
    up = deviates.get(_GATE_RISING, 0.0)
    own = deviates.get(_GATE_FALLING, 0.0)
    down = _GATE_TOGETHER * up + math.sqrt(1.0 - _GATE_TOGETHER**2) * own

    def pair(
        rising: tuple[Value, ...], falling: tuple[Value, ...]
    ) -> tuple[tuple[Value, ...], tuple[Value, ...]]:
        ups = tuple(_placed(row, up) for row in rising)
        downs = tuple(
            _at(row, min(_split_normal(row, down), top.typ - _LEAST_HYSTERESIS * volts))
            for row, top, volts in zip(falling, ups, gate.supplies_v)
        )
        return ups, downs

    one = pair(gate.positive_one_input, gate.negative_one_input)
    tied = pair(gate.positive_tied, gate.negative_tied)
    return replace(
        gate,
        positive_one_input=one[0],
        negative_one_input=one[1],
        positive_tied=tied[0],
        negative_tied=tied[1],
    )
