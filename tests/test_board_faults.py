"""What `evalkit check` says of a board: every fault in one line with its mend, worst cases from sheets."""

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from evalkit.board import Board, HoldKind, Load, Value
from evalkit.board_faults import BoardFault, board_faults
from evalkit.board_file import default_board_toml, read_board
from evalkit.cli import main
from evalkit.detectors.tone import tone_thresholds
from evalkit.errors import FileFault

from .solver import default_board

BOARD = default_board()


def between(low: float, typ: float, high: float) -> Value:
    return Value(typ, low, high)


def exactly(number: float) -> Value:
    return Value(number, number, number)


def changed(group: str, **values: Any) -> Board:
    """The default board with other values in one group."""
    parts: dict[str, Any] = {group: replace(getattr(BOARD, group), **values)}
    return replace(BOARD, **parts)


def only(board: Board, pauses_s: list[float] | None = None) -> BoardFault:
    (fault,) = board_faults(board, pauses_s)
    assert "\n" not in fault.message
    return fault


def test_the_default_board_has_no_fault() -> None:
    assert board_faults(BOARD, [8.0, 20.0]) == ()


class TestGateBehindAnLm358:
    """Output high of an LM358 against the gate's highest threshold, at the lowest supply.

    TI SLOS068 section 5.7: within 1.5 V of the positive rail; the default board spreads it to 1.7 V.
    STMicroelectronics HCF4093B sheet, p. 3: positive threshold, one input, at most 3.6 V at 5 V and 7.1 V at
    10 V; both inputs tied, at most 4.0 V and 8.2 V.
    """

    def lowest_supply(self, volts: float) -> Board:
        # a reference of a sixth of the supply stays under what the rectifier reaches at 5 V
        board = changed("supply", voltage=between(volts, volts, volts))
        half = replace(board.amplifier, bias=exactly(0.5 * (volts - 1.5)))
        smaller = replace(board.output, current=exactly(5e-3))
        return replace(board, amplifier=half, output=smaller)

    def test_at_9_and_12_volts_it_always_fires(self) -> None:
        # 9 - 1.7 = 7.3 V over 3.6 + 0.8 x 3.5 = 6.4 V; 12 - 1.7 = 10.3 V over 7.1 + 0.4 x 3.7 = 8.58 V
        for volts in (9.0, 12.0):
            assert board_faults(self.lowest_supply(volts)) == ()

    def test_at_5_volts_it_may_never_fire(self) -> None:
        """5 - 1.7 = 3.3 V is not over 3.6 V, though the typical 3.5 V is over the typical 2.9 V."""
        board = self.lowest_supply(5.0)
        assert board.fire_fraction < 1.0
        fault = only(board)
        assert fault.place == "[gate] positive_one_input"
        assert "3.3 V" in fault.message
        assert "3.6 V" in fault.message
        assert "raise the lowest supply" in fault.message

    def test_the_lowest_supply_counts(self) -> None:
        found = board_faults(changed("supply", voltage=between(5.0, 12.0, 13.0)))
        assert any("never fire" in fault.message for fault in found)

    def test_measured_values_stand_in_place_of_the_worst_case(self) -> None:
        board = self.lowest_supply(5.0)
        measured = replace(board.comparator, output_high_measured=exactly(3.9))
        assert board_faults(replace(board, comparator=measured)) == ()
        gate = replace(board.gate, positive_measured=exactly(3.0), negative_measured=exactly(2.0))
        assert board_faults(replace(board, gate=gate)) == ()


class TestAmplifierAtRest:
    def test_bias_current_lifts_the_input(self) -> None:
        """250 nA (an LM358's most, from memory) through 10 Mohm are 2.5 V: 5.2 V becomes 7.96 V or more."""
        board = changed("pickup", load=between(9.5e6, 10e6, 10.5e6))
        board = replace(board, amplifier=replace(board.amplifier, bias=between(6.9, 7.0, 7.1)))
        fault = only(board)
        assert fault.place == "[amplifier] bias"
        assert "9.73 V" in fault.message
        assert "smaller load" in fault.message

    def test_a_low_bias_is_not_blamed_on_the_input_s_current(self) -> None:
        """30 mV is under 50 mV whatever flows; the middle of 0 to 10.5 V less half the 0.27 V it may add."""
        fault = only(changed("amplifier", bias=between(0.0285, 0.03, 0.0315)))
        assert fault.place == "[amplifier] bias"
        assert "choose a bias near 5.1 V" in fault.message
        assert "smaller load" not in fault.message

    @pytest.mark.parametrize("bias_v", [0.04, 9.6])
    def test_outside_50_mv_to_1_v_under_the_limit(self, bias_v: float) -> None:
        board = changed("amplifier", bias=exactly(bias_v), bias_current=exactly(0.0), offset=exactly(0.0))
        said = [fault.message for fault in board_faults(board)]
        assert any("not within 0.05 V to 9.5 V" in line and "choose a bias" in line for line in said)

    def test_clipped_half_waves(self) -> None:
        """A board referred to ground: its lower half-waves are clipped before it trips."""
        fault = only(changed("amplifier", bias=between(0.095, 0.1, 0.105)))
        assert "lower half-waves are clipped" in fault.message
        assert "choose a bias near 4.7 V" in fault.message

    def test_no_capacitor_in_the_gain_leg(self) -> None:
        """Then the bias is amplified like everything else: 5 mV to 21 mV or 5.3 V by the knob."""
        bare = changed("amplifier", leg_capacitor=None, bias=exactly(0.005), bias_current=exactly(0.0))
        fault = board_faults(bare)[0]
        assert "put a capacitor into the gain leg" in fault.message


class TestComparatorAndIntegrator:
    def test_reference_out_of_the_rectifier_s_reach(self) -> None:
        """11 V less 1.7 V less two drops of 0.41 V at 5 degC are 8.5 V; the reference makes 8.6 V of 11 V."""
        fault = only(changed("comparator", divider_top=exactly(28e3), divider_bottom=exactly(100e3)))
        assert fault.place == "[comparator] divider_bottom"
        assert "lower divider_bottom" in fault.message

    def test_low_output_that_does_not_release_the_gate(self) -> None:
        fault = only(changed("comparator", output_low=between(0.5, 2.0, 3.5)))
        assert "never let go" in fault.message

    def test_leaking_capacitor(self) -> None:
        """10 uA through 1.22 Mohm would be 12 V: an electrolytic behind a 1 Mohm knob."""
        fault = only(changed("integrator", leakage=between(0.0, 1e-6, 10e-6)))
        assert fault.place == "[integrator] leakage"
        assert "10 uA" in fault.message
        assert "12.2 V" in fault.message
        assert "film capacitor" in fault.message

    def test_a_measured_pot_counts_instead_of_the_whole_travel(self) -> None:
        leaks = between(0.0, 1e-7, 2e-6)
        assert board_faults(changed("integrator", leakage=leaks)) != ()
        assert board_faults(changed("integrator", leakage=leaks, pot_measured=exactly(330e3))) == ()

    def test_discharge_path_over_the_sink_limit(self) -> None:
        """10.5 V over 1 kohm are 10.5 mA; the default board's comparator sinks at least 5 mA."""
        fault = only(changed("integrator", discharge_resistor=exactly(1e3)))
        assert fault.place == "[integrator] discharge_resistor"
        assert "10.5 mA" in fault.message
        assert "2.2 kohm or more" in fault.message
        assert board_faults(changed("integrator", discharge_resistor=exactly(2.2e3))) == ()


class TestOutputStage:
    def test_base_resistor_too_large(self) -> None:
        """I_B = I_C / gain, twice for saturation (common practice, no source): 80 mA / 100 x 2 = 1.6 mA;

        (11 - 0.8) V / 10.5 kohm are 0.97 mA. A gate that gives 3 mA and 6.4 kohm or less mend it."""
        board = changed("output", load=Load.RELAY, current=between(60e-3, 70e-3, 80e-3))
        strong = replace(board.gate, output_current=between(3e-3, 4e-3, 5e-3))
        fault = only(replace(board, gate=strong))
        assert fault.place == "[output] base_resistor"
        assert "1.6 mA" in fault.message
        assert "971 uA" in fault.message
        assert "5.6 kohm or less" in fault.message, "6.4 kohm less 5 %, E24"
        mended = replace(board.output, base_resistor=between(0.95 * 5.6e3, 5.6e3, 1.05 * 5.6e3))
        assert board_faults(replace(board, gate=strong, output=mended)) == ()

    def test_gate_too_weak(self) -> None:
        """A HCF4093B gives at least 1.1 mA at 10 V (sheet, p. 3)."""
        board = changed(
            "output", current=between(60e-3, 70e-3, 80e-3), base_resistor=between(6.1e3, 6.2e3, 6.3e3)
        )
        fault = only(board)
        assert fault.place == "[gate] output_current"
        assert "1.1 mA" in fault.message

    def test_relay_without_flyback_diode(self) -> None:
        fault = only(changed("output", load=Load.RELAY, flyback_diode=False))
        assert "flyback" in fault.place
        assert "across the coil" in fault.message

    @pytest.mark.parametrize("load", [Load.SOUNDER, Load.LAMP])
    def test_other_loads_need_none(self, load: Load) -> None:
        assert board_faults(changed("output", load=load, flyback_diode=False)) == ()

    def test_unused_inputs(self) -> None:
        fault = only(changed("gate", unused_inputs_tied=False))
        assert "tie each" in fault.message


class TestHold:
    def test_longer_than_the_pause_between_calls(self) -> None:
        """33 uF through 200 kohm hold 5.96 s: longer than one of these pauses."""
        assert BOARD.hold_s == pytest.approx(5.96, abs=0.01)
        fault = only(BOARD, [5.5, 8.0, 30.0])
        assert "1 of 3 pauses" in fault.message
        assert "shortest 5.5 s" in fault.message
        assert "180 kohm or less" in fault.message, "200 kohm x 5.5/5.96 = 184.5 kohm; E24 under it is 180"

    def test_shorter_or_none(self) -> None:
        assert board_faults(BOARD, [6.0]) == ()
        assert board_faults(changed("hold", kind=HoldKind.NONE), [1.0]) == ()


def test_check_shows_the_faults_of_a_dataset_s_board(
    tiny_dataset: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tiny_dataset / "board.toml"
    path.write_text(path.read_text().replace("unused_inputs_tied = true", "unused_inputs_tied = false"))
    main(["check", str(tiny_dataset), "--json"])
    findings = json.loads(capsys.readouterr().out)["findings"]
    (found,) = [f for f in findings if f["kind"] == "board"]
    assert found["place"] == "board.toml [gate] unused_inputs_tied"
    assert "tie each" in found["message"]


class TestImpossibleBoards:
    """Refused where they are read, all faults together, each in one line."""

    def refusal(self, tmp_path: Path, edit: Callable[[str], str]) -> FileFault:
        path = tmp_path / "board.toml"
        path.write_text(edit(default_board_toml()), encoding="utf-8")
        with pytest.raises(FileFault) as caught:
            read_board(path)
        return caught.value

    def test_reference_above_the_amplifier_s_limit(self, tmp_path: Path) -> None:
        fault = self.refusal(tmp_path, lambda t: t.replace('value = "20 kohm"', 'value = "1 Mohm"'))
        assert "[comparator] divider_bottom" in str(fault)
        assert "lower divider_bottom" in str(fault)

    def test_gate_that_never_fires(self, tmp_path: Path) -> None:
        fault = self.refusal(tmp_path, lambda t: t.replace("# output_high_measured", "output_high_measured")
                             .replace('"10.5 V"', '"6.5 V"'))  # fmt: skip
        assert "the gate never fires" in str(fault)

    def test_amplifier_that_rests_at_its_limit(self, tmp_path: Path) -> None:
        fault = self.refusal(
            tmp_path, lambda t: t.replace('bias = { value = "5.2 V"', 'bias = { value = "11 V"')
        )
        assert "[amplifier] bias" in str(fault)

    def test_all_faults_at_once(self, tmp_path: Path) -> None:
        def edit(text: str) -> str:
            return text.replace('value = "20 kohm"', 'value = "1 Mohm"').replace(
                'bias = { value = "5.2 V"', 'bias = { value = "11 V"'
            )

        fault = self.refusal(tmp_path, edit)
        assert "2 faults" in str(fault)
        assert len(fault.details) == 2

    def test_load_of_another_kind(self, tmp_path: Path) -> None:
        fault = self.refusal(tmp_path, lambda t: t.replace('load = "sounder"', 'load = "siren"'))
        assert "[output] load" in str(fault)
        assert "lamp" in str(fault)


def test_half_waves_are_clipped_from_where_the_fault_says() -> None:
    """The swing that the fault asks for is what the detector takes to trip, here at a gain of 76."""
    swing_v = 76.0 * float(tone_thresholds([BOARD], np.array([76.0]))[0])
    near = 0.5 * BOARD.upper_trip_v + BOARD.diode_scale_v * math.log(1e-5 / BOARD.diode_saturation_a)
    assert near == pytest.approx(swing_v, rel=0.05)
