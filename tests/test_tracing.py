"""The trace: node voltages against an ODE solver, and what the command makes of them."""

import io
import json
import math
import shutil
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import solve_ivp

from evalkit.board import Board
from evalkit.board_file import read_board
from evalkit.cli import main
from evalkit.dataset import Recording
from evalkit.errors import WrongUse
from evalkit.report.scope import POINTS, trace_csv, trace_picture
from evalkit.settings import settings_document, write_settings
from evalkit.tracing import Trace, trace
from evalkit.whatif import what_if

from .bench_world import CALLS_S, RATE_HZ, world

START_S, STOP_S = CALLS_S[0] - 1.0, CALLS_S[0] + 14.0


@pytest.fixture(scope="module")
def recording() -> Recording:
    return next(r for r in world().dataset.recordings if r.session == "day 1")


@pytest.fixture(scope="module")
def board() -> Board:
    return world().dataset.board


@pytest.fixture(scope="module")
def traced(recording: Recording, board: Board) -> Trace:
    """The first call of a session at the recommended setting."""
    found = world().found
    assert found.gain is not None
    return trace(recording, board, found.gain, found.delay_s, START_S, STOP_S)


class TestVoltages:
    def test_integrator_agrees_with_an_ode_solver(self, traced: Trace, board: Board) -> None:
        """u' = (V - u)/tau driven by the comparator's own waveform; scipy's DOP853 from edge to edge."""
        tau_s = world().found.delay_s / -math.log1p(-board.fire_fraction)
        high = traced.comparator_v > 0.5 * board.comparator_high_v
        edges = np.flatnonzero(np.diff(high.astype(int))) + 1
        u = float(traced.integrator_v[0])
        at = 0
        assert len(edges) >= 6, "three rings, up and down"
        for edge in [*edges, len(high) - 1]:
            target = board.comparator_high_v if high[at] else 0.0
            span = (traced.time_s[at], traced.time_s[edge])
            solved = solve_ivp(
                lambda _, y, v=target: (v - y) / tau_s, span, [u], method="DOP853", rtol=1e-10, atol=1e-12
            )
            u = float(solved.y[0, -1])
            assert traced.integrator_v[edge] == pytest.approx(u, rel=1e-6, abs=1e-9)
            at = edge

    def test_gate_switches_where_the_integrator_crosses_its_thresholds(
        self, traced: Trace, board: Board
    ) -> None:
        on = traced.gate_v > 0.0
        rises, falls = np.flatnonzero(on[1:] & ~on[:-1]) + 1, np.flatnonzero(~on[1:] & on[:-1]) + 1
        assert len(rises) == 3
        for k in rises:
            assert traced.integrator_v[k - 1] < board.gate_positive_v <= traced.integrator_v[k] + 1e-9
        for k in falls:
            assert traced.integrator_v[k] <= board.gate_negative_v + 1e-6 < traced.integrator_v[k - 1] + 1e-3

    def test_output_lasts_from_firing_to_release_and_hold(self, traced: Trace, board: Board) -> None:
        """The default hold of 5.96 s bridges pauses of 2 s: one alert, on until the last release and hold."""
        on = traced.gate_v > 0.0
        output = traced.output_v > 0.0
        first = int(np.flatnonzero(on)[0])
        assert not output[:first].any()
        release_s = traced.time_s[np.flatnonzero(on)[-1]]
        held = (traced.time_s >= traced.time_s[first]) & (traced.time_s < release_s + board.hold_s - 1e-3)
        assert output[held].all()

    def test_levels_stay_within_what_the_parts_allow(self, traced: Trace, board: Board) -> None:
        assert traced.amplifier_v.min() >= 0.0
        assert traced.amplifier_v.max() <= np.float32(board.output_limit_v)
        assert traced.pickup_v.min() >= board.amplifier.input_clamp.typ - 1e-6
        assert set(np.unique(traced.output_v)) <= {0.0, 12.0}
        # two diode drops under the amplifier's peak at the most (common practice, no source)
        assert traced.storage_v.max() < traced.amplifier_v.max() - 0.3

    def test_where_the_stretch_begins_does_not_matter(
        self, traced: Trace, recording: Recording, board: Board
    ) -> None:
        found = world().found
        assert found.gain is not None
        later = trace(recording, board, found.gain, found.delay_s, START_S + 3.0, STOP_S)
        skip = round(3.0 * RATE_HZ)
        for point in POINTS:
            whole = getattr(traced, point.field)[skip:]
            assert np.array_equal(getattr(later, point.field), whole), point.field


class TestWhatIf:
    def changed(self, *changes: str) -> tuple[float, float, Board]:
        w = world()
        assert w.found.gain is not None
        box = what_if(
            w.dataset.folder / "board.toml",
            w.dataset.board,
            changes,
            gain=w.found.gain,
            delay_s=w.found.delay_s,
        )
        return box.gain, box.delay_s, box.board

    def test_nothing_changed_is_the_board_itself(self, board: Board) -> None:
        gain, delay_s, same = self.changed()
        assert (gain, delay_s, same) == (world().found.gain, world().found.delay_s, board)

    def test_a_pot_is_what_its_knob_is_turned_to(self, board: Board) -> None:
        """delay = -(22 kohm + 47 kohm) x 2.2 uF x ln(1 - a); gain = 1 + (1.5 + 100)/0.47 (arithmetic)."""
        _, delay_s, _ = self.changed("integrator.pot=47k")
        assert delay_s == pytest.approx(-69e3 * 2.2e-6 * math.log(1.0 - board.fire_fraction))
        gain, _, _ = self.changed("amplifier.feedback_pot = 100 kohm")
        assert gain == pytest.approx(1.0 + 101.5 / 0.47)

    def test_the_delay_follows_the_capacitor_and_the_gain_the_leg(self) -> None:
        found = world().found
        _, delay_s, _ = self.changed("integrator.capacitor=1.1u")
        assert delay_s == pytest.approx(0.5 * found.delay_s)
        gain, _, _ = self.changed("amplifier.leg_resistor=940")
        assert found.gain is not None
        assert gain - 1.0 == pytest.approx(0.5 * (found.gain - 1.0))

    def test_other_values_reach_the_board(self) -> None:
        _, _, board = self.changed("supply.voltage=9 V", "hold.kind=none", "output.flyback_diode=false")
        assert board.supply.voltage.typ == 9.0
        assert (board.hold_s, board.output.flyback_diode) == (0.0, False)

    def test_what_a_divider_makes_follows_the_supply(self) -> None:
        """At 9 V the bias of 5.2 V is 3.9 V, the reference 1.5 V (dividers); a bias that is told stays."""
        _, _, board = self.changed("supply.voltage=9 V")
        assert board.amplifier.bias.typ == pytest.approx(5.2 * 9.0 / 12.0)
        assert board.reference_v == pytest.approx(1.5)
        _, _, board = self.changed("supply.voltage=9", "amplifier.bias=4 V")
        assert board.amplifier.bias.typ == 4.0
        # 5.2 V would be over the limit of 3.5 V at 5 V
        _, _, board = self.changed("supply.voltage=5V")
        assert board.amplifier.bias.typ == pytest.approx(5.2 * 5.0 / 12.0)

    @pytest.mark.parametrize(
        ("change", "words"),
        [
            ("integrator.pots=47k", r"\[integrator\] pots: unknown key; known are fixed, pot"),
            ("sensor.gain=3", r"\[sensor\]: unknown group"),
            ("integrator.pot", r"wanted is group\.key=value"),
            ("integrator.pot=47 V", "must be in ohm, not V"),
            ("integrator.pot=-47k", "must be above 0"),
            ("gate.supplies=5 V", "is a list"),
            ("hold.kind=forever", "must be one of"),
            ("gate.positive_measured=11 V", "never fires"),
        ],
    )
    def test_what_cannot_be_is_refused_in_one_line(self, change: str, words: str) -> None:
        with pytest.raises(WrongUse, match=words) as caught:
            self.changed(change)
        assert "\n" not in str(caught.value)
        assert "/tmp" not in str(caught.value), "the copy that was read is nobody's business"


class TestPictureAndTable:
    def test_table_holds_every_sample(self, traced: Trace) -> None:
        table = pd.read_csv(io.StringIO(trace_csv(traced)))
        assert list(table.columns) == ["time_s", *(point.field for point in POINTS)]
        assert len(table) == len(traced.time_s)
        assert np.allclose(table["storage_v"], traced.storage_v, rtol=1e-6, atol=1e-9)
        assert np.allclose(np.diff(table["time_s"]), 1.0 / RATE_HZ, atol=2e-7)

    @pytest.mark.parametrize("stop_s", [START_S + 0.2, STOP_S])
    def test_picture_names_every_point_and_level(
        self, recording: Recording, board: Board, stop_s: float
    ) -> None:
        """A stretch of 0.2 s is drawn as lines, one of 15 s as bands."""
        found = world().found
        assert found.gain is not None
        piece = trace(recording, board, found.gain, found.delay_s, START_S, stop_s)
        picture = trace_picture(
            piece,
            board,
            name="t",
            title="a <b> $x$ title",
            note="All invented.",
            calibrated=False,
            segments=recording.segments,
        )
        assert picture.png.startswith(b"\x89PNG")
        words = "".join(ElementTree.fromstring(picture.svg).itertext())
        told = (
            "TP1",
            "TP8",
            "fires 7.06 V",
            "trips 2.05 V",
            "a <b> $x$ title",
            "not calibrated",
            "All invented.",
        )
        for wanted in told:
            assert wanted in words
        assert "mV" not in words, "levels of volts beside a curve that has just begun to rise"
        assert len(picture.svg) < 600_000

    def test_alternative_text_tells_when_the_gate_fires(self, traced: Trace, board: Board) -> None:
        picture = trace_picture(traced, board, name="t", title="t", calibrated=True)
        on = traced.gate_v > 0.0
        first_s = traced.time_s[int(np.flatnonzero(on)[0])]
        assert f"the gate fires at {first_s:.2f} s" in picture.alt


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the bench with its recommendation written."""
    w = world()
    copy = tmp_path / "bench"
    shutil.copytree(w.dataset.folder, copy, ignore=shutil.ignore_patterns(".evalkit"))
    write_settings(copy / "settings.json", settings_document(w.found, w.dataset))
    return copy


def trace_line(folder: Path, out: Path, *, stop_s: int) -> list[str]:
    return [
        *("trace", str(folder), "day-1"),
        *("--start", "7", "--stop", str(stop_s), "--out", str(out / "look")),
    ]


class TestCommand:
    def test_writes_picture_and_table(
        self, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        line = trace_line(folder, tmp_path, stop_s=22)
        assert main([*line, "--json"]) == 0
        document = json.loads(capsys.readouterr().out)
        assert {Path(name).name for name in document["files"]} == {"look.png", "look.svg", "look.csv"}
        assert all(Path(name).stat().st_size > 1000 for name in document["files"])
        assert len(document["fires_at_s"]) == 3
        assert document["delay_s"] == pytest.approx(world().found.delay_s)
        assert document["volts"]["comparator_v"]["highest"] == pytest.approx(10.5)

    def test_the_picture_says_what_the_data_are(self, folder: Path, tmp_path: Path) -> None:
        descriptor = folder / "datapackage.json"
        document = json.loads(descriptor.read_text())
        document["description"] = "Invented: tones for rings. Nothing was measured."
        descriptor.write_text(json.dumps(document))
        stem = tmp_path / "look"
        assert main(["trace", str(folder), "day-1", "--start", "7", "--stop", "8", "--out", str(stem)]) == 0
        assert "Invented: tones for rings." in stem.with_suffix(".svg").read_text(encoding="utf-8")

    def test_a_what_if_that_moves_the_hold_is_no_reason_to_speak(
        self, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        board = read_board(folder / "board.toml")
        document = json.loads((folder / "settings.json").read_text())
        (folder / "settings.json").write_text(json.dumps({**document, "hold_s": board.hold_s}))
        line = trace_line(folder, tmp_path, stop_s=8)
        assert main([*line, "--set", "supply.voltage=11 V"]) == 0
        assert "recommends a hold" not in capsys.readouterr().err

    def test_a_hold_other_than_the_recommended_one_is_said(
        self, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Shown is the box of board.toml; the bench's cadence asks for a shorter hold than its 5.96 s."""
        line = trace_line(folder, tmp_path, stop_s=22)
        assert main(line) == 0
        told = capsys.readouterr()
        recommended_s = world().found.sweep.integrator.hold_s
        assert "hold 5.96 s" in told.out
        assert f"settings.json recommends a hold of {recommended_s:.2f} s" in told.err
        hold = world().found.hold
        assert hold is not None
        changes = [f"hold.resistor={hold.resistor.typ}", f"hold.capacitor={hold.capacitor.typ}"]
        assert main([*line, "--set", changes[0], "--set", changes[1]]) == 0
        told = capsys.readouterr()
        assert f"hold {recommended_s:.2f} s" in told.out
        assert "recommends a hold" not in told.err

    def test_a_longer_delay_does_not_fire(
        self, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        line = trace_line(folder, tmp_path, stop_s=22)
        assert main([*line, "--set", "integrator.pot=1M", "--json"]) == 0
        assert json.loads(capsys.readouterr().out)["fires_at_s"] == []

    @pytest.mark.parametrize(
        ("more", "words"),
        [
            (["--start", "7", "--stop", "22", "--set", "integrator.knob=1"], "unknown key"),
            (["--start", "95", "--stop", "99"], "holds no sample of day-1"),
            (["--start", "9", "--stop", "8"], "is no span of time"),
        ],
    )
    def test_wrong_use_is_one_line_and_writes_nothing(
        self, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], more: list[str], words: str
    ) -> None:
        before = sorted(tmp_path.iterdir())
        assert main(["trace", str(folder), "day-1", *more, "--out", str(tmp_path / "look")]) == 2
        said = capsys.readouterr().err
        assert words in said
        assert said.count("\n") == 1
        assert sorted(tmp_path.iterdir()) == before
