"""The band-pass stage against its own circuit's nodes, and the detector behind it."""

import math
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import freqz_sos

from evalkit.board import Board
from evalkit.cli import main
from evalkit.detectors import Frames, Meter, Source
from evalkit.detectors.band import BandDetector, BandPass, _stages, buildable, fit
from evalkit.detectors.envelope import EnvelopeDetector
from evalkit.detectors.features import BANDS_HZ, FEATURES

from .solver import default_board

BOARD = default_board()
E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
"""IEC 60063, table for 5 %."""

Array = NDArray[np.float64]


def nodal_gain(stage: BandPass, frequency_hz: float) -> float:
    """Solve the nodes of the multiple-feedback stage around an ideal amplifier.

    The signal comes through R1 to a node with R2 to ground; from the node one capacitor goes to the output,
    one to the inverting input, which R3 joins to the output. Unknowns: node and output voltage for 1 V in.
    """
    jwc = 2j * math.pi * frequency_hz * stage.capacitor_f
    g1, g2, g3 = 1 / stage.input_ohm, 1 / stage.ground_ohm, 1 / stage.feedback_ohm
    # currents out of the node; currents into the inverting input, which is at 0 V
    nodes = np.array([[g1 + g2 + 2 * jwc, -jwc], [jwc, g3]])
    _, output = np.linalg.solve(nodes, np.array([g1, 0.0]))
    return float(abs(output))


@pytest.mark.parametrize("centre_hz", [110.0, 175.0, 300.0])
@pytest.mark.parametrize("q", [1.0, 2.0, 4.0])
def test_formulas_are_what_the_nodes_of_the_circuit_give(centre_hz: float, q: float) -> None:
    stage = buildable(centre_hz, q)
    for frequency_hz in (20.0, 90.0, centre_hz, 400.0, 3_000.0):
        expected = nodal_gain(stage, frequency_hz)
        assert float(stage.response(np.array([frequency_hz]))[0]) == pytest.approx(expected, rel=1e-9)
    # the centre is where the gain is highest, and Q is centre over bandwidth at -3.01 dB
    grid = np.linspace(0.5 * centre_hz, 2.0 * centre_hz, 30_001)
    gains = stage.response(grid)
    assert grid[gains.argmax()] == pytest.approx(stage.centre_hz, rel=1e-3)
    inside = grid[gains >= gains.max() / math.sqrt(2.0)]
    assert stage.centre_hz / (inside[-1] - inside[0]) == pytest.approx(stage.q, rel=2e-3)


@settings(derandomize=True, deadline=None, max_examples=60)
@given(centre_hz=st.floats(100.0, 350.0), q=st.floats(1.0, 5.0))
def test_what_is_buildable_is_near_what_was_asked_and_in_the_rows(centre_hz: float, q: float) -> None:
    stage = buildable(centre_hz, q)
    # three resistors, each rounded by at most 5 % (half a step of E24 is 4.9 %)
    assert stage.centre_hz == pytest.approx(centre_hz, rel=0.06)
    assert stage.q == pytest.approx(q, rel=0.11)
    assert stage.gain == pytest.approx(1.0, rel=0.11)
    for ohm in (stage.input_ohm, stage.ground_ohm, stage.feedback_ohm):
        assert 1e3 <= ohm <= 1e6
        assert any(math.isclose(ohm / 10.0 ** math.floor(math.log10(ohm)), v / 10.0) for v in E24)


def test_what_cannot_be_built_is_refused() -> None:
    with pytest.raises(ValueError, match=r"q=0\.5 must be at least 1"):
        buildable(175.0, 0.5)
    with pytest.raises(ValueError, match="no band-pass of centre_hz=175 and q=300"):
        buildable(175.0, 300.0)
    with pytest.raises(ValueError, match="too low for"):
        buildable(175.0, 2.0).section(300.0)


def test_no_file_is_too_slow_for_any_stage(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Files under 1 kHz are refused at the door, in one line; from there on every stage tried can be sampled."""
    assert main(["new", str(tmp_path / "slow")]) == 0
    for rate_hz, status in ((599, 1), (999, 1), (1_000, 0)):
        wav = tmp_path / f"at{rate_hz}.wav"
        soundfile.write(wav, 0.1 * np.sin(np.arange(3 * rate_hz)), rate_hz)
        capsys.readouterr()
        assert main(["import", str(tmp_path / "slow"), str(wav), "--session", "s"]) == status
        if status:
            said = [line for line in capsys.readouterr().err.splitlines() if line]
            assert len(said) == 1
            assert wav.name in said[0]
            assert f"sample rate is {rate_hz} Hz; 1000 to" in said[0]
    for _, stage in _stages():
        assert np.isfinite(stage.section(1_000.0)).all()


@pytest.mark.parametrize("rate_hz", [8_000, 16_000, 48_000])
def test_the_sampled_stage_follows_the_analog_one(rate_hz: int) -> None:
    stage = buildable(190.0, 2.0)
    frequency_hz = np.array([50.0, 100.0, stage.centre_hz, 300.0, 600.0])
    _, gain = freqz_sos(stage.section(rate_hz)[None, :], worN=frequency_hz, fs=rate_hz)
    off_db = 20.0 * np.log10(np.abs(gain) / stage.response(frequency_hz))
    assert np.abs(off_db).max() < (0.6 if rate_hz == 8_000 else 0.15)
    assert off_db[2] == pytest.approx(0.0, abs=1e-9)


def test_thresholds_are_told_at_the_centre() -> None:
    stage = buildable(190.0, 2.0)
    band = BandDetector(BOARD, stage, np.array([0.01, 0.1]))
    plain = EnvelopeDetector(BOARD, np.array([0.01, 0.1]))
    plain.tone_hz = stage.centre_hz
    ratio = np.asarray(band.levels.threshold_v) / np.asarray(plain.levels.threshold_v)
    assert ratio == pytest.approx(1.0 / stage.gain, rel=1e-3)


@settings(derandomize=True, deadline=None, max_examples=20)
@given(cuts=st.lists(st.integers(0, 8_000), max_size=8).map(sorted))
def test_blocks_change_no_crossing(cuts: list[int]) -> None:
    samples = (0.1 * np.random.default_rng(6).standard_normal(8_000)).astype(np.float32)
    detector = BandDetector(BOARD, buildable(175.0, 2.0), np.geomspace(1e-3, 0.1, 9))
    found = []
    for pieces in ([samples], np.split(samples, cuts)):
        state = detector.at_rest(Source(8_000, 1.0, 1e6))
        chunks = []
        for piece in pieces:
            chunk, state = detector.advance(piece, state)
            chunks.append(chunk)
        found.append([np.concatenate([getattr(c, f) for c in chunks]) for f in ("lane", "sample", "above")])
    assert len(found[0][0]) > 0
    assert all(np.array_equal(a, b) for a, b in zip(*found, strict=True))


class Sessions:
    """Training sessions whose frames are given outright."""

    def __init__(self, frames: Frames) -> None:
        self.given = frames
        self.asked: list[Meter] = []

    @property
    def board(self) -> Board:
        return BOARD

    def loudest_target_v(self, meter: Meter) -> float:
        self.asked.append(meter)
        return 0.2

    def frames(self) -> Frames:
        return self.given


def frames_with_motor(frequency_hz: float, rng: np.random.Generator, n: int = 2_000) -> Frames:
    """Targets with a strong line at a frequency; hum and a machine above 300 Hz for the rest."""
    levels = rng.normal(-70.0, 3.0, (2 * n, len(FEATURES)))
    edges = list(pairwise(BANDS_HZ))
    line = next(k for k, (low, high) in enumerate(edges) if low <= frequency_hz < high)
    levels[:n, line] = rng.normal(-32.0, 3.0, n)
    levels[n:, 0] = rng.normal(-30.0, 3.0, n)
    machine = next(k for k, (low, high) in enumerate(edges) if low <= 400.0 < high)
    levels[n:, machine] = rng.normal(-30.0, 3.0, n)
    kind = np.repeat([0, 1], n)
    return Frames(levels.astype(np.float32), kind, np.zeros(2 * n, np.int64), ("tool", "background"), ("s",))


@pytest.mark.parametrize("motor_hz", [130.0, 175.0, 205.0])
def test_the_centre_is_found_where_the_motor_turns(motor_hz: float) -> None:
    sessions = Sessions(frames_with_motor(motor_hz, np.random.default_rng(7)))
    detector = fit(sessions).axis()
    assert isinstance(detector, BandDetector)
    assert detector.stage.centre_hz == pytest.approx(motor_hz, rel=0.15)
    assert "E24" in detector.cost.parts
    # 64 levels over 48 dB that end 6 dB above the loudest target (design, section 4.5)
    assert len(detector.reference_v) == 64
    assert 20 * math.log10(detector.reference_v[-1] / 0.2) == pytest.approx(6.0)
    assert 20 * math.log10(detector.reference_v[-1] / detector.reference_v[0]) == pytest.approx(48.0)
    wider = fit(sessions).axis(extra=2)
    assert wider.levels.position[2:-2] == pytest.approx(detector.levels.position)
    position = float(detector.levels.position[10])
    assert fit(sessions).at(position).levels.position[0] == pytest.approx(position, abs=1e-6)
