"""The board: figures that datasheets and formulas give, its file's forms, and every fault told by its key."""

import dataclasses
import math
import re
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from evalkit.board import Board, HoldKind, Value, Wiring, board_sha256
from evalkit.board_file import default_board_toml, read_board
from evalkit.crossings import Integrator
from evalkit.errors import FileFault

from .strategies import exactly

TEXT = default_board_toml()
LOAD = 'load = { value = "1 Mohm", tolerance = "5 %", source = "E24 resistor" }'


@pytest.fixture
def board(tmp_path: Path) -> Board:
    return read(tmp_path)


def read(folder: Path, *changes: tuple[str, str]) -> Board:
    """Return the default board with lines of its file replaced."""
    text = TEXT
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = folder / "board.toml"
    path.write_text(text, encoding="utf-8")
    return read_board(path)


def with_line(key: str, value: str, group: str) -> tuple[str, str]:
    """Return the change that gives a key of a group another value."""
    start = TEXT.index(f"[{group}]")
    end = TEXT.find("\n[", start)
    section = TEXT[start : end if end > 0 else len(TEXT)]
    (line,) = re.findall(rf"^{key} = .*$", section, re.MULTILINE)
    return section, section.replace(line, f"{key} = {value}")


def at_supply(board: Board, volts: float) -> Board:
    return replace(board, supply=replace(board.supply, voltage=exactly(volts)))


def wired(board: Board, wiring: Wiring) -> Board:
    return replace(board, gate=replace(board.gate, wiring=wiring))


# STMicroelectronics HCF4093B sheet, DC specifications, p. 3 of 7: VP and VN, min, typ, max
SHEET = (
    (Wiring.ONE_INPUT, 5.0, (2.2, 2.9, 3.6), (0.9, 1.9, 2.8)),
    (Wiring.ONE_INPUT, 10.0, (4.6, 5.9, 7.1), (2.5, 3.9, 5.2)),
    (Wiring.ONE_INPUT, 15.0, (6.8, 8.8, 10.8), (4.0, 5.8, 7.4)),
    (Wiring.TIED, 5.0, (2.6, 3.3, 4.0), (1.4, 2.3, 3.2)),
    (Wiring.TIED, 10.0, (5.6, 7.0, 8.2), (3.4, 5.1, 6.6)),
    (Wiring.TIED, 15.0, (6.3, 9.4, 12.7), (4.8, 7.3, 9.6)),
)


@pytest.mark.parametrize(("wiring", "supply_v", "positive", "negative"), SHEET)
def test_gate_thresholds_are_those_of_the_sheet(
    board: Board, wiring: Wiring, supply_v: float, positive: tuple[float, ...], negative: tuple[float, ...]
) -> None:
    built = wired(at_supply(board, supply_v), wiring)
    assert built.gate_positive_v == pytest.approx(positive[1])
    assert built.gate_negative_v == pytest.approx(negative[1])
    k = board.gate.supplies_v.index(supply_v)
    one = wiring is Wiring.ONE_INPUT
    up = board.gate.positive_one_input[k] if one else board.gate.positive_tied[k]
    down = board.gate.negative_one_input[k] if one else board.gate.negative_tied[k]
    assert (up.low, up.typ, up.high) == pytest.approx(positive)
    assert (down.low, down.typ, down.high) == pytest.approx(negative)


@pytest.mark.parametrize(
    ("supply_v", "charge", "discharge"), [(5.0, 0.868, 0.968), (10.0, 0.892, 0.942), (15.0, 0.884, 0.950)]
)
def test_gate_s_rc_factors_are_those_derived_from_the_sheet(
    board: Board, supply_v: float, charge: float, discharge: float
) -> None:
    # from 0 toward VDD until VP, and from VDD until VN, typical row of one input
    built = at_supply(board, supply_v)
    assert -math.log(1.0 - built.gate_positive_v / supply_v) == pytest.approx(charge, abs=6e-4)
    assert -math.log(built.gate_negative_v / supply_v) == pytest.approx(discharge, abs=6e-4)


def test_between_two_supplies_of_the_sheet_thresholds_lie_on_a_straight_line(board: Board) -> None:
    assert at_supply(board, 12.0).gate_positive_v == pytest.approx(5.9 + 0.4 * (8.8 - 5.9))
    assert at_supply(board, 7.5).gate_negative_v == pytest.approx(0.5 * (1.9 + 3.9))
    # beyond the ends the last piece goes on
    assert at_supply(board, 16.0).gate_positive_v == pytest.approx(8.8 + 0.2 * (8.8 - 5.9))
    assert at_supply(board, 4.5).gate_positive_v == pytest.approx(2.9 - 0.1 * (5.9 - 2.9))


def test_measured_values_override_the_sheet(board: Board) -> None:
    gate = replace(board.gate, positive_measured=exactly(6.8), negative_measured=exactly(4.4))
    comparator = replace(
        board.comparator, reference_measured=exactly(2.1), output_high_measured=exactly(10.4)
    )
    built = replace(board, gate=gate, comparator=comparator)
    assert built.gate_positive_v == 6.8
    assert built.gate_negative_v == 4.4
    assert built.fire_fraction == pytest.approx(6.8 / 10.4)
    assert built.release_fraction == pytest.approx(4.4 / 10.4)
    assert built.upper_trip_v == pytest.approx(2.15)


def test_default_board_s_figures_worked_by_hand(board: Board) -> None:
    assert board.pickup.corner_hz == pytest.approx(7.96, abs=0.005)  # 20 nF into 1 Mohm
    assert board.output_limit_v == pytest.approx(10.5)
    assert board.reference_v == pytest.approx(2.0)  # 12 V x 20 / 120
    assert (board.upper_trip_v, board.lower_trip_v) == pytest.approx((2.05, 1.95))
    assert board.comparator_high_v == pytest.approx(10.5)
    assert board.fire_fraction == pytest.approx(7.06 / 10.5)
    assert board.release_fraction == pytest.approx(4.66 / 10.5)
    assert board.rectifier.storage_tau_s == pytest.approx(0.22)
    assert board.warmup_s == pytest.approx(1.1)
    assert board.discharge_s == math.inf
    assert board.amplifier.gain_min == pytest.approx(1.0 + 1500.0 / 470.0)
    assert board.amplifier.gain_max == pytest.approx(1.0 + 501500.0 / 470.0)
    assert board.gain_resistance_ohm(100.0) == pytest.approx(99.0 * 470.0)
    assert board.delay_s(100e3) == pytest.approx(0.22 * -math.log(1.0 - 7.06 / 10.5))


def test_default_board_keeps_what_the_design_asks_of_it(board: Board) -> None:
    # the design, 4.1: 100 mV of hysteresis, ripple under 5 % at 150 Hz (1/(f R C) overstates it), at most
    # 2 s of warm-up; 4.5: 48 dB of gain
    assert board.comparator.hysteresis.typ == pytest.approx(0.1)
    assert 1.0 / (150.0 * board.rectifier.storage_tau_s) < 0.05
    assert 1.0 <= board.warmup_s <= 2.0
    assert 20.0 * math.log10(board.amplifier.gain_max / board.amplifier.gain_min) == pytest.approx(
        48.0, abs=0.2
    )
    assert 0.3 * board.output_limit_v < board.resting_output_v < 0.7 * board.output_limit_v


@pytest.mark.parametrize(
    ("ohms", "farads", "seconds"), [(100e3, 10e-6, 1.098612), (1e6, 1e-6, 1.098612), (1e6, 4.7e-6, 5.1635)]
)
def test_one_shot_lasts_ln_3_rc(board: Board, ohms: float, farads: float, seconds: float) -> None:
    # 555 monostable: TI TLC555-Q1 SLFS078C prints 1.1 RC; LMC555 SNAS558N gives 5.17 s for 4.7 s of RC
    for kind in (HoldKind.ONE_SHOT, HoldKind.ONE_SHOT_HELD):
        hold = replace(board.hold, kind=kind, resistor=exactly(ohms), capacitor=exactly(farads))
        built = replace(board, hold=hold)
        assert built.hold_s == pytest.approx(seconds, rel=1e-4)
        assert built.hold_s == pytest.approx(1.1 * ohms * farads, rel=2e-3)


def test_hold_after_release_discharges_from_the_supply_less_a_diode_to_the_gate_s_lower_threshold(
    board: Board,
) -> None:
    assert board.hold.kind is HoldKind.AFTER_RELEASE
    assert board.hold_s == pytest.approx(200e3 * 33e-6 * math.log((12.0 - 0.5) / 4.66))
    assert replace(board, hold=replace(board.hold, kind=HoldKind.NONE)).hold_s == 0.0


def test_discharge_path_lies_beside_the_knob(board: Board) -> None:
    """100 kohm and 2.2 uF alone: 0.22 s; beside a knob at 100 kohm half of that (parallel resistors)."""
    built = replace(board, integrator=replace(board.integrator, discharge_resistor=exactly(100e3)))
    assert built.discharge_s == pytest.approx(0.22)
    emptying_s = Integrator.of_board(built).emptying_s(np.array([0.22, 2.2e-6 * 1e6]))
    assert emptying_s == pytest.approx([0.11, 0.2])
    assert Integrator.of_board(board).emptying_s(np.array([0.22]))[0] == 0.22


def test_warm_up_is_five_of_the_slowest_time_constants(board: Board) -> None:
    slow = replace(board, rectifier=replace(board.rectifier, bleed=exactly(2e6)))
    assert slow.warmup_s == pytest.approx(5 * 0.44)
    quick = replace(board, rectifier=replace(board.rectifier, bleed=exactly(1e5)))
    assert quick.warmup_s == 1.0
    leg = replace(board, amplifier=replace(board.amplifier, leg_capacitor=exactly(1e-3)))
    assert leg.warmup_s == pytest.approx(5 * 0.47)


@pytest.mark.parametrize(
    ("written", "ohms"),
    [
        ('"4.7 kohm"', 4.7e3),
        ('"4.7kohm"', 4.7e3),
        ('"4.7 k"', 4.7e3),
        ('"4700"', 4.7e3),
        ("4700", 4.7e3),
        ("4.7e3", 4.7e3),
        ('"4.7 k\N{GREEK CAPITAL LETTER OMEGA}"', 4.7e3),
        ('"4.7 k\N{OHM SIGN}"', 4.7e3),
        ('"0.5 M\N{OHM SIGN}"', 0.5e6),
        ('"1 Mohm"', 1e6),
        ('"1 mohm"', 1e-3),
    ],
)
def test_ohms_with_prefixes_and_either_sign(tmp_path: Path, written: str, ohms: float) -> None:
    change = with_line("leg_resistor", written, "amplifier")
    assert read(tmp_path, change).amplifier.leg_resistor == Value(ohms, ohms, ohms)


@pytest.mark.parametrize(
    ("written", "farads"),
    [('"220 nF"', 220e-9), ('"0.22 uF"', 220e-9), ('"0.22 \N{MICRO SIGN}F"', 220e-9),
     ('"0.22 \N{GREEK SMALL LETTER MU}F"', 220e-9), ('"220000 pF"', 220e-9), ('"220n"', 220e-9)],
)  # fmt: skip
def test_farads_with_prefixes(tmp_path: Path, written: str, farads: float) -> None:
    change = with_line("coupling", written, "rectifier")
    assert read(tmp_path, change).rectifier.coupling.typ == pytest.approx(farads)


@pytest.mark.parametrize(
    ("written", "low", "typ", "high"),
    [
        ('{ value = "1 kohm", tolerance = "5 %" }', 950.0, 1000.0, 1050.0),
        ('{ value = "1 kohm", tolerance = "0.1%" }', 999.0, 1000.0, 1001.0),
        ('{ value = "1 kohm" }', 1000.0, 1000.0, 1000.0),
        ('{ min = "900 ohm", typ = "1 kohm", max = "1.3 kohm" }', 900.0, 1000.0, 1300.0),
        ('{ typ = "1 kohm", max = "1.3 kohm" }', 1000.0, 1000.0, 1300.0),
    ],
)
def test_tolerance_and_limits(tmp_path: Path, written: str, low: float, typ: float, high: float) -> None:
    found = read(tmp_path, with_line("leg_resistor", written, "amplifier")).amplifier.leg_resistor
    assert (found.low, found.typ, found.high) == pytest.approx((low, typ, high))


def test_tolerance_of_a_negative_value_widens_it_both_ways(tmp_path: Path) -> None:
    change = with_line("input_clamp", '{ value = "-0.3 V", tolerance = "10 %" }', "amplifier")
    found = read(tmp_path, change).amplifier.input_clamp
    assert (found.low, found.high) == pytest.approx((-0.33, -0.27))


def test_sources_are_kept(board: Board) -> None:
    assert "HCF4093B" in board.gate.positive_tied[1].source
    assert board.rectifier.bleed.source == "E24 resistor"


def test_every_value_of_the_default_board_tells_its_source() -> None:
    def values(node: Any, where: str) -> list[tuple[str, dict[str, Any]]]:
        if isinstance(node, dict):
            if {"value", "typ"} & set(node):
                return [(where, node)]
            return [found for key, each in node.items() for found in values(each, f"{where}.{key}")]
        return [found for each in node for found in values(each, where)] if isinstance(node, list) else []

    found = values(tomllib.loads(TEXT), "")
    assert len(found) >= 50
    assert [where for where, value in found if not value.get("source")] == []


GROUPS = ("supply", "pickup", "amplifier", "rectifier", "comparator", "integrator", "gate", "hold", "output")
KEYS = {
    (group.name, field.name)
    for group in dataclasses.fields(Board)
    if isinstance(group.type, type)
    for field in dataclasses.fields(group.type)
} | {("gate", "supplies")}

FAULTS = [
    # what is written for a value
    ("pickup", "load", '"1 F"', "must be in ohm"),
    ("pickup", "load", '"1 megohm"', "must be in ohm"),
    ("pickup", "load", '"plenty"', "not a number"),
    ("pickup", "load", '""', "not a number"),
    ("pickup", "load", '"1,5 Mohm"', "decimal"),
    ("pickup", "load", "true", "must be a number"),
    ("pickup", "load", "[1]", "must be a number"),
    ("pickup", "load", '"inf ohm"', "finite"),
    ("pickup", "load", '"nan"', "finite"),
    ("pickup", "load", '"0 ohm"', "above 0"),
    ("pickup", "load", '"-1 kohm"', "above 0"),
    ("pickup", "load", "{}", "value or min, typ, max"),
    ("pickup", "load", '{ min = "1 ohm", max = "2 ohm" }', "value or min, typ, max"),
    ("pickup", "load", '{ value = "1 Mohm", spread = "5 %" }', "spread"),
    ("pickup", "load", '{ value = "1 Mohm", tolerance = "5" }', "tolerance"),
    ("pickup", "load", '{ value = "1 Mohm", tolerance = 5 }', "tolerance"),
    ("pickup", "load", '{ value = "1 Mohm", tolerance = "-5 %" }', "tolerance"),
    ("pickup", "load", '{ value = "1 Mohm", tolerance = "100 %" }', "tolerance"),
    ("pickup", "load", '{ value = "1 Mohm", source = 3 }', "source"),
    ("pickup", "load", '{ min = "2 Mohm", typ = "1 Mohm", max = "3 Mohm" }', "rise"),
    ("pickup", "load", '{ value = "1 Mohm", typ = "2 Mohm" }', "typ"),
    ("pickup", "load", '{ typ = "1 Mohm", tolerance = "5 %" }', "tolerance"),
    ("supply", "temperature", '"25 degF"', "degC"),
    ("rectifier", "diode_emission", '"1.7 V"', "no unit"),
    ("amplifier", "gain_bandwidth", '"1 MV"', "Hz"),
    ("amplifier", "slew_rate", '"0.6 V"', "V/s"),
    ("gate", "supplies", '"5 V"', "list"),
    ("gate", "supplies", '["10 V", "5 V", "15 V"]', "rise"),
    ("gate", "wiring", '"both"', "one-input, tied"),
    ("gate", "unused_inputs_tied", '"yes"', "true or false"),
    ("hold", "kind", '"forever"', "after-release"),
    ("output", "load", "5", "sounder"),
    # what does not fit together
    ("supply", "voltage", '"-12 V"', "above 0"),
    ("supply", "temperature", '"200 degC"', "125"),
    ("comparator", "hysteresis", '"-0.1 V"', "negative"),
    ("comparator", "hysteresis", '"5 V"', "lower trip level"),
    ("comparator", "divider_bottom", '"2 Mohm"', "never goes high"),
    ("amplifier", "bias", '"12 V"', "rest"),
    ("amplifier", "headroom", '"13 V"', "no output"),
    ("amplifier", "input_clamp", '"0.3 V"', "below 0"),
]  # fmt: skip


@pytest.mark.parametrize(("group", "key", "written", "says"), FAULTS)
def test_fault_names_file_group_and_key(
    tmp_path: Path, group: str, key: str, written: str, says: str
) -> None:
    with pytest.raises(FileFault) as caught:
        read(tmp_path, with_line(key, written, group))
    lines = caught.value.details or (str(caught.value),)
    for line in lines:
        assert "\n" not in line
        named = re.match(rf"{re.escape(str(tmp_path / 'board.toml'))}: \[(\w+)\] (\w+): ", line)
        assert named is not None, line
        assert named.groups() in KEYS, line
    assert any(f"[{group}] {key}: " in line and says in line for line in lines), lines


@pytest.mark.parametrize("measured", [("positive_measured", '"13 V"'), ("negative_measured", '"9 V"')])
def test_gate_that_cannot_work_is_told_by_a_key_of_its_group(
    tmp_path: Path, measured: tuple[str, str]
) -> None:
    # VT+ of 13 V over a comparator that reaches 10.5 V never fires; VT- of 9 V lies over VT+
    key, written = measured
    change = f"# {key} = " + {"positive_measured": '"7.0 V"', "negative_measured": '"4.6 V"'}[key]
    with pytest.raises(FileFault) as caught:
        read(tmp_path, (change, f"{key} = {written}"))
    named = re.search(r"board\.toml: \[(\w+)\] (\w+): ", str(caught.value))
    assert named is not None, caught.value
    assert named.groups() in KEYS


@pytest.mark.parametrize("group", GROUPS)
def test_missing_group_and_keys_are_named(tmp_path: Path, group: str) -> None:
    start = TEXT.index(f"[{group}]")
    end = TEXT.find("\n[", start)
    section = TEXT[start : end if end > 0 else len(TEXT)]
    with pytest.raises(FileFault, match=rf"board\.toml: \[{group}\]: .*missing"):
        read(tmp_path, (section, ""))
    tried = 0
    for key in (k for g, k in KEYS if g == group and k not in ("leg_capacitor", "output_resistor")):
        found = re.findall(rf"^{key} = (?:\[\n(?: .*\n)+\]|.*)$", section, re.MULTILINE)
        if not found:
            continue
        with pytest.raises(FileFault, match=rf"board\.toml: \[{group}\] {key}: missing"):
            read(tmp_path, (section, section.replace(found[0], "")))
        tried += 1
    assert tried >= 2


def test_unknown_group_and_key_are_named(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match=r"board\.toml: \[spares\]: unknown group"):
        read(tmp_path, ("[supply]\n", "[spares]\nfuse = 1\n[supply]\n"))
    with pytest.raises(FileFault, match=r"board\.toml: \[supply\] fuse: unknown key"):
        read(tmp_path, ("[supply]\n", '[supply]\nfuse = "1 A"\n'))
    with pytest.raises(FileFault, match=r"board\.toml: \[gate\] fuse: unknown key"):
        read(tmp_path, ("[gate]\n", '[gate]\nfuse = "1 A"\n'))


def test_gate_row_of_the_wrong_length_is_named(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match=r"\[gate\] \w+: must list one value for each of the 2 supplies"):
        read(tmp_path, with_line("supplies", '["5 V", "10 V"]', "gate"))


@pytest.mark.parametrize(
    ("content", "says"),
    [(b"\xff\xfe", "not UTF-8"), (b"[supply", "not valid TOML"), (b"", r"\[supply\]: .*missing"),
     (b"a = 1", r"\[a\]: unknown group"), (b"supply = 3", r"\[supply\]")],
)  # fmt: skip
def test_file_that_is_no_board_is_refused_in_one_line(tmp_path: Path, content: bytes, says: str) -> None:
    path = tmp_path / "board.toml"
    path.write_bytes(content)
    with pytest.raises(FileFault, match=says) as caught:
        read_board(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match="cannot be read"):
        read_board(tmp_path / "board.toml")


def leaves(node: Any, path: tuple[Any, ...] = ()) -> list[tuple[tuple[Any, ...], Any]]:
    """Return every number, word and flag of a board with the way to it; sources left out."""
    if dataclasses.is_dataclass(node):
        return [
            found
            for field in dataclasses.fields(node)
            if field.name != "source"
            for found in leaves(getattr(node, field.name), (*path, field.name))
        ]
    if isinstance(node, tuple):
        return [found for k, each in enumerate(node) for found in leaves(each, (*path, k))]
    return [(path, node)]


def altered(node: Any, path: tuple[Any, ...], value: Any) -> Any:
    """Return the board with one of its leaves replaced."""
    if not path:
        return value
    step, *rest = path
    if isinstance(node, tuple):
        return tuple(altered(each, tuple(rest), value) if k == step else each for k, each in enumerate(node))
    return replace(node, **{step: altered(getattr(node, step), tuple(rest), value)})


def test_digest_changes_with_every_value(board: Board) -> None:
    digests = {board_sha256(board)}
    found = leaves(board)
    assert len(found) > 150
    for path, value in found:
        if value is None:
            other: Any = exactly(1.0)
        elif isinstance(value, bool):
            other = not value
        elif isinstance(value, float):
            other = value + 1e-12 if value == 0.0 else value * (1.0 + 1e-12)
        else:
            other = next(each for each in type(value) if each is not value)
        digests.add(board_sha256(altered(board, path, other)))
    assert len(digests) == 1 + len(found)


def test_digest_does_not_change_with_sources_or_comments(board: Board, tmp_path: Path) -> None:
    text = re.sub(r', source = "[^"]*"', "", TEXT)
    text = re.sub(r"^#.*$", "", text, flags=re.MULTILINE)
    path = tmp_path / "other.toml"
    path.write_text(text, encoding="utf-8")
    assert read_board(path).rectifier.bleed.source == ""
    assert board_sha256(read_board(path)) == board_sha256(board)
