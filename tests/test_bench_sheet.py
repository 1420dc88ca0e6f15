"""The bench sheet: its voltages from circuit laws, its order, its safety, and that it prints on one page."""

import html
import math
import re
import shutil
import subprocess
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from evalkit.board import Board, HoldKind, Value, Wiring
from evalkit.cli import main
from evalkit.knobs import MarginUnit
from evalkit.parts import PartsList, choose_parts
from evalkit.readings import call_levels, delay_with_meter_s, readings_at_rest
from evalkit.report.bench_paper import as_html, as_markdown, write_bench_sheet
from evalkit.report.bench_sheet import BenchSheet, bench_sheet
from evalkit.report.contents import contents_of
from evalkit.report.page import as_html as page_as_html
from evalkit.report.page import as_markdown as page_as_markdown
from evalkit.report.page import page_of
from evalkit.report.schematic import DESIGNATORS, bias_resistors, hysteresis_resistors, schematic_picture
from evalkit.report.wording import quantity
from evalkit.report.words import CAUTIONS
from evalkit.standard_values import Series, nearest_value
from evalkit.standins import Fitness, StandInCheck, check_stand_in
from evalkit.training import DetectorName

from .bench_world import world

HOSTILE = '<script>alert("1")</script> | & *bold* \u202e'
CHROMIUM = shutil.which("chromium")
MEGOHMS_10 = 10e6


@pytest.fixture(scope="module")
def parts() -> PartsList:
    w = world()
    return choose_parts(w.found, w.dataset)


@pytest.fixture(scope="module")
def board(parts: PartsList) -> Board:
    return parts.board


@pytest.fixture(scope="module")
def sheet(parts: PartsList) -> BenchSheet:
    w = world()
    return bench_sheet(w.found, w.dataset, parts, about="All invented.")


@pytest.fixture(scope="module")
def check() -> StandInCheck:
    w = world()
    found = check_stand_in(w.dataset, w.found, w.cache)
    assert found is not None
    return found


def words_of(svg: str) -> str:
    return " ".join(ElementTree.fromstring(svg).itertext())


class TestReadings:
    def test_reference_through_its_dividers_resistance(self, board: Board) -> None:
        """12 V x 20/120 = 2.000 V behind 16.67 kohm (Thevenin): 10 Mohm read 1.9967 V, 1 Mohm 1.967 V."""
        assert readings_at_rest(board, 100.0, MEGOHMS_10)["TP4"].typ_v == pytest.approx(1.99667, abs=1e-5)
        assert readings_at_rest(board, 100.0, 1e6)["TP4"].typ_v == pytest.approx(1.96721, abs=1e-5)

    def test_input_through_the_pickups_load(self, board: Board) -> None:
        """1 Mohm against 10 Mohm: a tenth of the reading is the meter's, 10/11 is left (voltage divider)."""
        read = readings_at_rest(board, 100.0, MEGOHMS_10)["TP1"].typ_v
        assert read == pytest.approx(board.resting_input_v * 10.0 / 11.0, rel=1e-9)

    def test_near_0_v_with_no_vibration(self, board: Board) -> None:
        """Storage, integrator and output of a quiet box are near 0 V (common practice, no source)."""
        rest = readings_at_rest(board, 100.0, MEGOHMS_10)
        for point in ("TP3", "TP5", "TP6", "TP7", "TP8"):
            assert rest[point].high_v <= 0.05

    def test_a_timers_trigger_rests_high(self, board: Board) -> None:
        shot = replace(board, hold=replace(board.hold, kind=HoldKind.ONE_SHOT))
        assert readings_at_rest(shot, 100.0, MEGOHMS_10)["TP7"].typ_v == 12.0

    def test_ends_hold_the_typical_value(self, board: Board) -> None:
        for expected in readings_at_rest(board, 100.0, MEGOHMS_10).values():
            assert expected.low_v <= expected.typ_v <= expected.high_v

    @settings(derandomize=True, deadline=None, max_examples=25)
    @given(st.floats(20e3, 1e6), st.floats(3e6, 1e9))
    def test_delay_with_a_meter_on_the_integrator(self, charging_ohm: float, meter_ohm: float) -> None:
        """C v' = (Voh - v)/R - v/Rm by an ODE solver, until v reaches VT+."""
        board = world().dataset.board
        farads, high_v = board.integrator.capacitor.typ, board.comparator_high_v

        def slope(_: float, v: np.ndarray) -> np.ndarray:
            return ((high_v - v) / charging_ohm - v / meter_ohm) / farads

        def fires(_: float, v: np.ndarray) -> float:
            return float(v[0] - board.gate_positive_v)

        fires.terminal = True  # type: ignore[attr-defined]
        found = solve_ivp(slope, (0.0, 1e3), [0.0], method="LSODA", events=fires, rtol=1e-10, atol=1e-12)
        reached = float(found.t_events[0][0]) if len(found.t_events[0]) else math.inf
        assert delay_with_meter_s(board, charging_ohm, meter_ohm) == pytest.approx(reached, rel=1e-6)

    def test_a_meter_that_keeps_the_gate_from_firing(self, board: Board) -> None:
        assert delay_with_meter_s(board, 1e6, 1e6) == math.inf

    def test_what_a_call_does(self, board: Board) -> None:
        """A ring's sine gives its RMS at TP1; the meter's 10 Mohm beside the 1 Mohm bleed lowers TP3."""
        w = world()
        assert w.found.gain is not None
        levels = call_levels(
            w.dataset, board, gain=w.found.gain, delay_s=w.found.delay_s, meter_ohm=MEGOHMS_10
        )
        assert [c.phone for c in levels] == ["brick", "slab"]
        for c in levels:
            recording = w.dataset.recording(c.recording)
            number = int(recording.session[-1])
            peak = 0.05 * 10.0 ** ((number - 1.5) / 20.0)
            assert c.pickup_rms_v == pytest.approx(peak / math.sqrt(2.0), rel=0.02)
            assert 0.0 < c.storage_v < c.storage_unloaded_v < c.amplifier_peak_v
            assert c.fires
        bleed = replace(board.rectifier, bleed=Value(1e12, 1e12, 1e12))
        loaded = call_levels(
            w.dataset,
            replace(board, rectifier=bleed),
            gain=w.found.gain,
            delay_s=w.found.delay_s,
            meter_ohm=1e6,
        )
        plain = call_levels(w.dataset, board, gain=w.found.gain, delay_s=w.found.delay_s, meter_ohm=1e12)
        # a meter of 1 Mohm in place of the bleed of 1 Mohm is the same circuit
        assert [c.storage_v for c in loaded] == pytest.approx([c.storage_v for c in plain], rel=1e-4)


class TestSchematic:
    def test_every_part_is_drawn_with_its_value(self, board: Board) -> None:
        words = words_of(schematic_picture(board).svg)
        for ref, (group, key) in DESIGNATORS.items():
            value = getattr(getattr(board, group), key)
            assert (ref in words.split()) == (value is not None), ref
        ohm = "\N{GREEK CAPITAL LETTER OMEGA}"
        for wanted in (
            quantity(board.integrator.capacitor.typ, "F"),
            quantity(board.amplifier.feedback_fixed.typ, ohm),
            quantity(board.integrator.pot.typ, ohm),
            quantity(board.hold.resistor.typ, ohm),
        ):
            assert wanted in words

    def test_the_resistor_behind_the_amplifier_is_drawn(self, board: Board) -> None:
        """It is part of the model (100 ohm, outside the feedback), so it must be part of the box."""
        words = words_of(schematic_picture(board).svg).split()
        assert "R5" in words
        bare = replace(board, amplifier=replace(board.amplifier, output_resistor=None))
        assert "R5" not in words_of(schematic_picture(bare).svg).split()

    @settings(derandomize=True, deadline=None, max_examples=40)
    @given(st.floats(0.5, 11.0))
    def test_the_bias_has_a_divider_that_makes_it(self, bias_v: float) -> None:
        """12 V x 10/(13 + 10) = 5.22 V on the default board; any other within 5 %, light beside a load of 1 Mohm."""
        board = world().dataset.board
        assert bias_resistors(board) == (13e3, 10e3)
        other = replace(board, amplifier=replace(board.amplifier, bias=Value(bias_v, bias_v, bias_v)))
        pair = bias_resistors(other)
        assert pair is not None
        top_ohm, bottom_ohm = pair
        assert 12.0 * bottom_ohm / (top_ohm + bottom_ohm) == pytest.approx(bias_v, rel=0.05)
        assert top_ohm * bottom_ohm / (top_ohm + bottom_ohm) <= 0.02 * board.pickup.load.typ
        assert {nearest_value(Series.E24, ohm) for ohm in pair} == set(pair)

    def test_the_bias_s_divider_is_drawn(self, board: Board) -> None:
        words = words_of(schematic_picture(board).svg).split()
        assert {"R14", "R15"} <= set(words)
        # so near 0 V no divider of ordinary values makes it
        low = replace(board, amplifier=replace(board.amplifier, bias=Value(0.005, 0.005, 0.005)))
        assert "R14" not in words_of(schematic_picture(low).svg).split()

    def test_unknown_values_are_question_marks(self, board: Board) -> None:
        assert words_of(schematic_picture(board, unknown=("R2", "RV1")).svg).split().count("?") == 2

    @pytest.mark.parametrize("kind", list(HoldKind))
    def test_each_hold_is_drawn(self, board: Board, kind: HoldKind) -> None:
        words = words_of(schematic_picture(replace(board, hold=replace(board.hold, kind=kind))).svg)
        assert ("555," in words) == (kind in (HoldKind.ONE_SHOT, HoldKind.ONE_SHOT_HELD))
        assert ("C5" in words.split()) == (kind is not HoldKind.NONE)

    @pytest.mark.parametrize("kind", list(HoldKind))
    def test_nothing_is_drawn_beyond_the_edge(self, board: Board, kind: HoldKind) -> None:
        """A ground symbol that is cut off looks like a wire that goes on."""
        path = Value(100e3, 100e3, 100e3)
        full = replace(
            board,
            hold=replace(board.hold, kind=kind),
            integrator=replace(board.integrator, discharge_resistor=path),
        )
        root = ElementTree.fromstring(schematic_picture(full).svg)
        _, _, width, height = (float(v) for v in root.attrib["viewBox"].split())
        drawn = [
            (float(x), float(y))
            for each in root.iter("{http://www.w3.org/2000/svg}path")
            for x, y in re.findall(r"[ML] (-?[\d.]+) (-?[\d.]+)", each.attrib["d"])
        ]
        assert len(drawn) > 200
        assert all(0.0 <= x <= width and 0.0 <= y <= height for x, y in drawn)

    def test_flyback_diode_only_where_the_board_has_it(self, board: Board) -> None:
        without = replace(board, output=replace(board.output, flyback_diode=False))
        assert "D5" in words_of(schematic_picture(board).svg)
        assert "D5" not in words_of(schematic_picture(without).svg)

    def test_hysteresis_resistors_make_the_hysteresis(self, board: Board) -> None:
        """Upper less lower trip level of R12, R13 is the swing x R12/R13; within E12's 10 %."""
        series_ohm, feedback_ohm = hysteresis_resistors(board)
        assert 10.5 * series_ohm / feedback_ohm == pytest.approx(0.1, rel=0.1)

    def test_wiring_of_the_gate_is_told(self, board: Board) -> None:
        tied = replace(board, gate=replace(board.gate, wiring=Wiring.TIED))
        assert "inputs tied" in words_of(schematic_picture(tied).svg)


class TestSheet:
    def test_cautions_come_first(self, sheet: BenchSheet) -> None:
        for text in (as_markdown(sheet, picture="s.svg"), html.unescape(as_html(sheet))):
            body = text[text.index("Bench sheet") :]
            first = [body.index(re.split(r"[:.]", caution)[0]) for caution in CAUTIONS]
            others = [body.rindex(word) for word in ("Knobs", "Voltages", "In this order")]
            assert max(first) < min(others)

    def test_the_box_must_stop_by_itself(self, sheet: BenchSheet) -> None:
        (step,) = [step for step in sheet.steps if "with the phone off" in step]
        assert "must stop by itself" in step
        assert sheet.steps.index(step) > 4, "after delay, hold and sensitivity are set"

    def test_knobs_in_ohms_and_share_of_travel(self, sheet: BenchSheet, parts: PartsList) -> None:
        ohm = "\N{GREEK CAPITAL LETTER OMEGA}"
        assert parts.sensitivity is not None
        for row, knob in zip(sheet.knobs, (parts.sensitivity, parts.delay), strict=True):
            assert row[1].endswith(f"= {quantity(knob.target.set_ohm, ohm)}")
            assert row[2] == f"{100 * knob.travel:.0f} %"

    def test_every_test_point_has_a_row(self, sheet: BenchSheet) -> None:
        assert [row[0] for row in sheet.readings] == [f"TP{k}" for k in range(1, 9)]
        assert all(row[2] and row[3] for row in sheet.readings)

    def test_another_meter_reads_otherwise(self, parts: PartsList) -> None:
        w = world()
        old = bench_sheet(w.found, w.dataset, parts, meter_ohm=200e3)
        assert "200 k" in old.readings_note
        assert {row[0]: row[2] for row in old.readings}["TP4"].startswith("1.85 V")

    def test_uncalibrated_volts_are_unknown_never_invented(self) -> None:
        w = world(calibrated=False)
        blind = bench_sheet(w.found, w.dataset, choose_parts(w.found, w.dataset))
        told = {row[0]: row[3] for row in blind.readings}
        assert {told[point] for point in ("TP1", "TP2", "TP3")} == {"unknown: not calibrated"}
        assert "10.5 V" in told["TP5"]
        assert blind.knobs[0][1] == "unknown: calibrate the recordings first"
        assert "dBFS" in blind.setting[0]
        assert words_of(blind.schematic.svg).split().count("?") == 2

    @pytest.mark.parametrize("fitness", list(Fitness))
    def test_the_stand_in_is_used_only_where_it_is_fit(
        self, parts: PartsList, check: StandInCheck, fitness: Fitness
    ) -> None:
        w = world()
        judged = replace(check, fitness=fitness, error_db=4.0)
        made = bench_sheet(w.found, w.dataset, parts, stand_in=judged)
        (step,) = [step for step in made.steps if step.startswith("Stand-in")]
        forbidden = "do not set RV1" in step
        assert forbidden == (fitness in (Fitness.NOT_AT_ALL, Fitness.UNKNOWN))
        assert ("4.0 dB keener" in step) == (fitness is Fitness.WITH_OFFSET)

    def test_markdown_tells_alternatives_hold_and_stand_in(
        self, parts: PartsList, check: StandInCheck
    ) -> None:
        w = world()
        text = as_markdown(bench_sheet(w.found, w.dataset, parts, stand_in=check), picture="s.svg")
        for alternative in parts.alternatives:
            assert alternative.margin is not None
            assert f"| {alternative.margin:.1f} {alternative.unit} |" in text
        assert parts.hold.reason in text
        assert f"| strongest frequency, Hz | {check.rings.frequency_hz.median:.0f} (" in text
        assert check.reason in text

    def test_alternatives_tell_the_setting_that_they_realise(self, parts: PartsList) -> None:
        """In volts and seconds, not only as a difference: by hand from the resistors."""
        w = world()
        rows = bench_sheet(w.found, w.dataset, parts).others
        assert w.found.threshold_v is not None
        for row, other in zip(rows, parts.alternatives, strict=True):
            if other.unit is MarginUnit.DECIBEL:
                told = quantity(w.found.threshold_v * 10.0 ** (other.shift / 20.0), "V")
            else:
                told = f"{w.found.delay_s * (1.0 + other.shift / 100.0):.2f} s"
            assert row[2].startswith(f"{told} ("), row
        blind = world(calibrated=False)
        sheet = bench_sheet(blind.found, blind.dataset, choose_parts(blind.found, blind.dataset))
        assert all(" s (" in row[2] for row in sheet.others), "only the delay's are known"

    def test_what_each_phone_does_at_tp3_is_told(self, sheet: BenchSheet) -> None:
        """One of the steps compares it: a span over all phones would not do."""
        for phone in ("brick", "slab"):
            assert re.search(rf"{phone} [\d.]+ V", sheet.readings_note)

    def test_what_a_standard_value_costs_is_told_beside_what_is_left(self, parts: PartsList) -> None:
        """Margin at the recommended setting less that with the other values: nothing for a knob that reaches it."""
        w = world()
        rows = bench_sheet(w.found, w.dataset, parts).others
        assert len(rows) == len(parts.alternatives)
        for row, other in zip(rows, parts.alternatives, strict=True):
            assert other.cost is not None
            assert other.margin is not None
            knob = parts.sensitivity if other.unit is MarginUnit.DECIBEL else parts.delay
            assert knob is not None
            whole = knob.target.margin(knob.target.set_ohm)
            assert whole is not None
            assert other.cost == pytest.approx(whole - other.margin)
            assert row[4] == f"{round(other.cost, 1) + 0.0:.1f} {other.unit}"
            if other.travel is not None and 0.0 <= other.travel <= 1.0 and other.shift == pytest.approx(0.0):
                assert other.cost == pytest.approx(0.0, abs=1e-9)
        assert any(other.cost and other.cost > 0.0 for other in parts.alternatives)

    def test_the_report_s_page_and_text_tell_them_too(self) -> None:
        """Alternatives beside the schematic, why the hold is what it is, and the stand-in beside the rings."""
        w = world()
        contents = contents_of(w.dataset, [DetectorName.CIRCUIT], cache=w.cache, most_mistakes=0)
        page = page_of(contents)
        assert page.bench is not None
        for text in (html.unescape(page_as_html(page)), page_as_markdown(page).replace("\\", "")):
            section = text[text.index("Build and set it") :]
            for row in page.bench.others:
                assert all(cell in section for cell in row)
            for row in page.bench.stand_in:
                assert all(cell in section for cell in row)
            assert page.bench.stand_in
            assert page.bench.stand_in_note in section
            assert page.bench.hold_reason in section

    def test_names_from_the_data_do_no_harm(self, parts: PartsList) -> None:
        w = world()
        hostile = bench_sheet(w.found, replace(w.dataset, title=HOSTILE), parts, about=HOSTILE)
        page = as_html(hostile)
        assert "<script" not in page
        assert "\u202e" not in page
        text = as_markdown(hostile, picture="schematic.svg")
        assert "<script" not in text.replace("\\<", "")
        for line in text.splitlines():
            if line.startswith("|"):
                assert len(re.findall(r"(?<!\\)\|", line)) in (3, 4, 5, 7), line

    def test_the_same_input_gives_the_same_bytes(self, sheet: BenchSheet, parts: PartsList) -> None:
        w = world()
        again = bench_sheet(w.found, w.dataset, parts, about="All invented.")
        assert as_html(again) == as_html(sheet)
        assert again.schematic.png == sheet.schematic.png

    def test_files(self, sheet: BenchSheet, tmp_path: Path) -> None:
        written = write_bench_sheet(tmp_path / "out", sheet)
        assert {path.name for path in written} == {
            *("bench-sheet.html", "bench-sheet.md", "schematic.svg", "schematic.png")
        }
        page = (tmp_path / "out" / "bench-sheet.html").read_text(encoding="utf-8")
        assert not re.search(r"""(?:src|href)=["'](?!#)""", page), "nothing from elsewhere"
        assert "(schematic.svg)" in (tmp_path / "out" / "bench-sheet.md").read_text(encoding="utf-8")


class TestCommand:
    def test_alone(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        """As files, and as Markdown on standard output, which says the same."""
        folder = tmp_path / "bench"
        shutil.copytree(world().dataset.folder, folder)
        assert main(["report", str(folder), "--bench", "--out", str(tmp_path / "out")]) == 0
        assert capsys.readouterr().out == ""
        assert main(["report", str(folder), "--bench", "--plain"]) == 0
        printed = capsys.readouterr().out
        assert printed.startswith("# Bench sheet: bench\n")
        assert printed == (tmp_path / "out" / "bench-sheet.md").read_text(encoding="utf-8")

    def test_for_another_meter(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        """A pointer meter of 20 kohm/V on its 10 V range: 200 kohm (common practice, no source)."""
        folder = tmp_path / "bench"
        shutil.copytree(world().dataset.folder, folder)
        assert main(["report", str(folder), "--bench", "--plain", "--meter-ohms", "200k"]) == 0
        printed = capsys.readouterr().out
        assert "as a 200 k\N{GREEK CAPITAL LETTER OMEGA} meter reads them" in printed
        assert "| TP4 | reference | 1.85 V" in printed
        assert main(["report", str(folder), "--bench", "--plain", "--meter-ohms", "0"]) == 2
        assert "above 0" in capsys.readouterr().err


@pytest.mark.slow
@pytest.mark.skipif(CHROMIUM is None, reason="needs Debian's chromium")
@pytest.mark.parametrize(("paper", "points"), [("letter", (612, 792)), ("A4", (595, 842))])
@pytest.mark.parametrize("kind", [HoldKind.AFTER_RELEASE, HoldKind.ONE_SHOT])
def test_prints_on_one_page(
    parts: PartsList,
    check: StandInCheck,
    tmp_path: Path,
    paper: str,
    points: tuple[int, int],
    kind: HoldKind,
) -> None:
    """With the longest of everything: many phones' levels, a stand-in, two lines about the data."""
    w = world()
    board = replace(parts.board, hold=replace(parts.board.hold, kind=kind))
    made = bench_sheet(
        w.found, w.dataset, replace(parts, board=board), stand_in=check, about="All of it is invented. " * 6
    )
    page = as_html(made).replace("@page {", f"@page {{ size: {paper};")
    source, target = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    source.write_text(page, encoding="utf-8")
    assert CHROMIUM is not None
    command = [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"]
    subprocess.run(
        [*command, f"--user-data-dir={tmp_path / 'profile'}", f"--print-to-pdf={target}", source.as_uri()],
        check=True,
        capture_output=True,
        timeout=120,
    )
    data = target.read_bytes()
    assert len(re.findall(rb"/Type\s*/Page\b", data)) == 1
    box = re.search(rb"/MediaBox\s*\[\s*0\s+0\s+([\d.]+)\s+([\d.]+)", data)
    assert box is not None
    assert (round(float(box[1])), round(float(box[2]))) == points
