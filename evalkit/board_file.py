"""`board.toml`: read with every fault told by its key, and the default one."""

import dataclasses
import math
import tomllib
from collections.abc import Mapping
from enum import StrEnum
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, get_args, get_origin, get_type_hints

from evalkit.board import Board, Gate, Value, Wiring
from evalkit.errors import FileFault

__all__ = ["default_board_toml", "read_board"]


def default_board_toml() -> str:
    """Return the text of a `board.toml` of current, ordinary parts, every value commented."""
    return (files("evalkit") / "default_board.toml").read_text(encoding="utf-8")


def read_board(path: Path) -> Board:
    """Read and check a `board.toml`.

    Parameters
    ----------
    path : Path
        The file. A value is a string with its unit (``"220 nF"``) or a table
        with ``value`` and ``tolerance`` (``"5 %"``), or ``min``, ``typ`` and
        ``max``, and a ``source``.

    Returns
    -------
    Board

    Raises
    ------
    FileFault
        One line for a file that cannot be read, is not TOML, misses a key,
        has an unknown one, or describes a board that cannot work.
    """
    try:
        raw = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise FileFault(f"{path}: cannot be read ({error.strerror}); `evalkit new` writes one") from None
    except UnicodeDecodeError as error:
        raise FileFault(f"{path}: not UTF-8 text at byte {error.start}; save it as UTF-8") from None
    # absurd numbers and nesting escape the parser as these
    except (ValueError, RecursionError) as error:
        raise FileFault(f"{path}: not valid TOML: {error}") from None
    board = _Reader(path).board(raw)
    _check(board, path)
    return board


def _unit(annotation: Any) -> str | None:
    """Unit of a field annotated as a value (or as a value or None); None for other fields."""
    for candidate in (annotation, *get_args(annotation)):
        if get_origin(candidate) is Annotated:
            return str(candidate.__metadata__[0])
    return None


class _Reader:
    """Turns the TOML tree into a Board; knows the file for its messages."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def fail(self, where: str, why: str) -> FileFault:
        return FileFault(f"{self.path}: {where}: {why}")

    def board(self, raw: Mapping[str, Any]) -> Board:
        groups = {f.name: f.type for f in dataclasses.fields(Board)}
        for name in raw:
            if name not in groups:
                raise self.fail(f"[{name}]", f"unknown group; known are {', '.join(groups)}")
        parts: dict[str, Any] = {}
        for name, kind in groups.items():
            table = raw.get(name)
            if not isinstance(table, dict):
                raise self.fail(f"[{name}]", "this group is missing; copy it from a fresh board.toml")
            parts[name] = self.gate(table) if kind is Gate else self.group(name, kind, table)
        return Board(**parts)

    def group(self, name: str, kind: Any, table: Mapping[str, Any]) -> Any:
        fields = get_type_hints(kind, include_extras=True)
        for key in table:
            if key not in fields:
                raise self.fail(f"[{name}] {key}", f"unknown key; known are {', '.join(fields)}")
        values: dict[str, Any] = {}
        for key, spec in fields.items():
            where = f"[{name}] {key}"
            optional = type(None) in get_args(spec)
            if optional and key not in table:
                values[key] = None
            elif key not in table:
                raise self.fail(where, "missing; copy it from a fresh board.toml")
            elif (unit := _unit(spec)) is not None:
                values[key] = self.value(where, table[key], unit)
            else:
                values[key] = self.plain(where, table[key], spec)
        return kind(**values)

    def plain(self, where: str, raw: Any, kind: Any) -> Any:
        if kind is bool:
            if not isinstance(raw, bool):
                raise self.fail(where, f"{raw!r} must be true or false")
            return raw
        if isinstance(kind, type) and issubclass(kind, StrEnum):
            if raw not in [member.value for member in kind]:
                raise self.fail(where, f"{raw!r} must be one of {', '.join(m.value for m in kind)}")
            return kind(raw)
        if not isinstance(raw, str):
            raise self.fail(where, f"{raw!r} must be text")
        return raw

    def gate(self, table: Mapping[str, Any]) -> Gate:
        known = {
            "wiring", "supplies", "positive_one_input", "negative_one_input", "positive_tied",
            "negative_tied", "output_current", "unused_inputs_tied", "positive_measured", "negative_measured",
        }  # fmt: skip
        for key in table:
            if key not in known:
                raise self.fail(f"[gate] {key}", f"unknown key; known are {', '.join(sorted(known))}")
        for key in sorted(known - {"positive_measured", "negative_measured"}):
            if key not in table:
                raise self.fail(f"[gate] {key}", "missing; copy it from a fresh board.toml")
        supplies = table["supplies"]
        if not isinstance(supplies, list) or not supplies:
            raise self.fail("[gate] supplies", 'must be a list such as ["5 V", "10 V", "15 V"]')
        volts = tuple(self.value("[gate] supplies", raw, "V").typ for raw in supplies)
        if list(volts) != sorted(set(volts)):
            raise self.fail("[gate] supplies", "must rise from the lowest to the highest")

        def rows(key: str) -> tuple[Value, ...]:
            raw = table[key]
            if not isinstance(raw, list) or len(raw) != len(volts):
                raise self.fail(f"[gate] {key}", f"must list one value for each of the {len(volts)} supplies")
            return tuple(self.value(f"[gate] {key}", entry, "V") for entry in raw)

        def measured(key: str) -> Value | None:
            return self.value(f"[gate] {key}", table[key], "V") if key in table else None

        return Gate(
            wiring=self.plain("[gate] wiring", table["wiring"], Wiring),
            supplies_v=volts,
            positive_one_input=rows("positive_one_input"),
            negative_one_input=rows("negative_one_input"),
            positive_tied=rows("positive_tied"),
            negative_tied=rows("negative_tied"),
            output_current=self.value("[gate] output_current", table["output_current"], "A"),
            unused_inputs_tied=self.plain("[gate] unused_inputs_tied", table["unused_inputs_tied"], bool),
            positive_measured=measured("positive_measured"),
            negative_measured=measured("negative_measured"),
        )

    def value(self, where: str, raw: Any, unit: str) -> Value:
        if not isinstance(raw, dict):
            number = self.number(where, raw, unit)
            return Value(number, number, number)
        known = {"value", "tolerance", "min", "typ", "max", "source"}
        for key in raw:
            if key not in known:
                raise self.fail(where, f"unknown key {key!r}; known are {', '.join(sorted(known))}")
        source = raw.get("source", "")
        if not isinstance(source, str):
            raise self.fail(where, f"source {source!r} must be text")
        if "value" in raw and ("typ" in raw or "min" in raw or "max" in raw):
            raise self.fail(where, "has both value and min, typ or max; keep one way of telling it")
        if "typ" in raw and "tolerance" in raw:
            raise self.fail(where, "has both typ and tolerance; a tolerance goes with value")
        if "typ" in raw:
            typ = self.number(where, raw["typ"], unit)
            low = self.number(where, raw.get("min", raw["typ"]), unit)
            high = self.number(where, raw.get("max", raw["typ"]), unit)
        elif "value" in raw:
            typ = self.number(where, raw["value"], unit)
            share = self.share(where, raw.get("tolerance", "0 %"))
            low, high = typ - abs(typ) * share, typ + abs(typ) * share
        else:
            raise self.fail(where, "must have either value or min, typ, max")
        if not low <= typ <= high:
            raise self.fail(where, f"min {low:g}, typ {typ:g}, max {high:g} must rise in this order")
        return Value(typ, low, high, source)

    def share(self, where: str, raw: Any) -> float:
        text = str(raw).strip()
        try:
            share = float(text.removesuffix("%")) / 100.0 if text.endswith("%") else math.nan
        except ValueError:
            share = math.nan
        if not 0.0 <= share < 1.0:
            raise self.fail(where, f'tolerance {raw!r} must be text such as "5 %", under 100 %')
        return share

    def number(self, where: str, raw: Any, unit: str) -> float:
        from quantiphy import QuantiPhyError, Quantity

        if isinstance(raw, bool) or not isinstance(raw, str | int | float):
            raise self.fail(where, f"{raw!r} must be a number with its unit, in quotes")
        if "," in str(raw):
            raise self.fail(where, f"{raw!r} has a comma; write a decimal point and no thousands separator")
        try:
            quantity = Quantity(
                str(raw).replace("\N{OHM SIGN}", "ohm").replace("\N{GREEK CAPITAL LETTER OMEGA}", "ohm")
            )
        except QuantiPhyError:
            raise self.fail(where, f"{raw!r} is not a number with a unit such as 4.7 k{unit or ''}") from None
        number = float(quantity)
        if not math.isfinite(number):
            raise self.fail(where, f"{raw!r} must be finite")
        if quantity.units not in ("", unit):
            raise self.fail(where, f"{raw!r} must be in {unit or 'no unit'}, not {quantity.units}")
        return number


def _check(board: Board, path: Path) -> None:
    """Refuse values with which nothing can be computed, all together; weak designs are for `board_faults`."""
    found: list[str] = []

    def fail(where: str, why: str) -> None:
        found.append(f"{path}: {where}: {why}")

    def refuse() -> None:
        if len(found) == 1:
            raise FileFault(found[0])
        if found:
            raise FileFault(f"{path}: {len(found)} faults, so nothing can be computed with it", details=found)

    may_be_zero = {("integrator", "fixed")}
    must_be_positive = {
        ("rectifier", "diode_saturation"),
        ("rectifier", "diode_emission"),
        ("supply", "voltage"),
    }
    for group in dataclasses.fields(Board):
        part = getattr(board, group.name)
        for name, spec in get_type_hints(type(part), include_extras=True).items():
            key, value = (group.name, name), getattr(part, name)
            physical = _unit(spec) in ("F", "ohm", "Hz", "V/s") and key not in may_be_zero
            if isinstance(value, Value) and value.low <= 0.0 and (physical or key in must_be_positive):
                fail(f"[{group.name}] {name}", f"{value.low:g} must be above 0")
    # what is computed from the values makes sense only with values that do
    refuse()
    if board.supply.temperature.low < -55.0 or board.supply.temperature.high > 125.0:
        fail("[supply] temperature", "must lie between -55 degC and 125 degC")
    if board.comparator.hysteresis.low < 0.0:
        fail("[comparator] hysteresis", f"{board.comparator.hysteresis.low:g} V must not be negative")
    if board.output_limit_v <= 0.0:
        fail("[amplifier] headroom", f"leaves no output under a supply of {board.supply.voltage.typ:g} V")
    elif not 0.0 < board.resting_output_v < board.output_limit_v:
        fail(
            "[amplifier] bias",
            f"makes the amplifier rest at its limit, {board.resting_output_v:.3g} V, so it cannot swing both "
            "ways; choose a bias in the middle of its swing, or put a capacitor into the gain leg",
        )
    if board.amplifier.input_clamp.typ >= 0.0:
        fail("[amplifier] input_clamp", f"{board.amplifier.input_clamp.typ:g} V must be below 0")
    if board.lower_trip_v <= 0.0:
        fail(
            "[comparator] hysteresis",
            f"puts the lower trip level at {board.lower_trip_v:g} V; it must be above 0",
        )
    if board.upper_trip_v >= board.output_limit_v:
        fail(
            f"[comparator] {board.reference_key}",
            f"upper trip level {board.upper_trip_v:.3g} V is not under the amplifier's limit "
            f"{board.output_limit_v:.3g} V, so the comparator never goes high; lower divider_bottom",
        )
    if board.gate_negative_v <= 0.0 or board.gate_negative_v >= board.gate_positive_v:
        fail(
            f"[gate] {board.gate_negative_key}",
            f"negative threshold {board.gate_negative_v:.3g} V must be over 0 and under the positive, "
            f"{board.gate_positive_v:.3g} V",
        )
    if board.fire_fraction >= 1.0:
        fail(
            f"[gate] {board.gate_positive_key}",
            f"positive threshold {board.gate_positive_v:.3g} V is not under the comparator's high output "
            f"{board.comparator_high_v:.3g} V: the gate never fires; raise the supply or take another gate",
        )
    refuse()
