"""What the box does all through a recording, against the detector that is scored."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from evalkit.board import Board, Value, board_sha256
from evalkit.board_file import read_board
from evalkit.box_trace import BoxTrace, Setting, present_setting
from evalkit.crossings import Integrator, alerts_of
from evalkit.dataset import Recording, read_dataset
from evalkit.detectors import Source
from evalkit.detectors.circuit import CircuitDetector
from evalkit.drawn_levels import DrawnFiles
from evalkit.recordings import read_blocks
from evalkit.tracing import trace

SETTING = Setting(gain=20.0, delay_s=0.4, origin="test")


@pytest.fixture
def bench(tiny_dataset: Path) -> tuple[Recording, Board, DrawnFiles]:
    dataset = read_dataset(tiny_dataset)
    return dataset.recording("monday"), dataset.board, DrawnFiles(tiny_dataset)


Bench = tuple[Recording, Board, DrawnFiles]


def test_blocks_hold_what_the_board_s_nodes_do(bench: Bench) -> None:
    recording, board, files = bench
    box = BoxTrace.build(files, recording, board, SETTING)
    nodes = trace(recording, board, SETTING.gain, SETTING.delay_s, 0.0, recording.duration_s)
    n = box.block_samples
    got = box.columns(np.arange(0, recording.n_frames + n, n, dtype=np.float64))
    storage = nodes.storage_v.reshape(-1, n)
    # float16 and bytes: for pictures.
    np.testing.assert_allclose(got.low_v, storage.min(axis=1), rtol=1e-3, atol=1e-4)
    np.testing.assert_allclose(got.high_v, storage.max(axis=1), rtol=1e-3, atol=1e-4)
    share = (nodes.integrator_v / board.comparator_high_v).reshape(-1, n)
    np.testing.assert_allclose(got.high_share, share.max(axis=1), atol=0.5 / 255)
    np.testing.assert_allclose(got.low_share, share.min(axis=1), atol=0.5 / 255)
    above = (nodes.comparator_v > 1.0).reshape(-1, n)
    np.testing.assert_allclose(got.above, above.mean(axis=1), atol=0.5 / 255)
    assert 0.0 < above.mean() < 1.0
    gate = (nodes.gate_v > 0.0).reshape(-1, n)
    assert np.array_equal(got.gate > 0.0, gate.any(axis=1))
    assert gate.any()


def test_a_discharge_path_empties_the_integrator_in_both_pictures(bench: Bench) -> None:
    """While the comparator is low: exp(-t/tau), 1/tau = 1/tau_c + 1/(Rd C) (parallel resistors), by hand."""
    recording, board, files = bench
    path = Value(100e3, 100e3, 100e3)
    quick = replace(board, integrator=replace(board.integrator, discharge_resistor=path))
    nodes = trace(recording, quick, SETTING.gain, SETTING.delay_s, 0.0, recording.duration_s)
    low = nodes.comparator_v < 1.0
    falls = np.flatnonzero(low[1:] & ~low[:-1]) + 1
    tau_c = SETTING.delay_s / -math.log1p(-board.fire_fraction)
    tau_s = 1.0 / (1.0 / tau_c + 1.0 / (100e3 * board.integrator.capacitor.typ))
    checked = 0
    for k in falls:
        n = int(np.argmax(~low[k:])) if (~low[k:]).any() else len(low) - k
        if n > 100:
            left = nodes.integrator_v[k + n - 1] / nodes.integrator_v[k]
            assert left == pytest.approx(math.exp(-(n - 1) / recording.sample_rate_hz / tau_s), rel=1e-6)
            checked += 1
    assert checked >= 2
    box = BoxTrace.build(files, recording, quick, SETTING)
    n = box.block_samples
    whole = recording.n_frames // n
    got = box.columns(np.arange(whole + 1) * float(n))
    share = (nodes.integrator_v[: whole * n] / quick.comparator_high_v).reshape(-1, n)
    np.testing.assert_allclose(got.high_share, share.max(axis=1), atol=0.5 / 255)


def test_alerts_are_those_that_are_scored(bench: Bench) -> None:
    recording, board, files = bench
    box = BoxTrace.build(files, recording, board, SETTING)
    detector = CircuitDetector(board, np.array([SETTING.gain]))
    state = detector.at_rest(Source(recording.sample_rate_hz, recording.full_scale_v, recording.input_ohms))
    chunks = []
    for block in read_blocks(recording.path, channel=1, block_frames=5_000):
        chunk, state = detector.advance(block, state)
        chunks.append(chunk)
    expected = [
        (times[0], times[1])
        for alerts in alerts_of(
            chunks,
            sample_rate_hz=recording.sample_rate_hz,
            duration_s=recording.duration_s,
            n_lanes=1,
            delay_s=np.array([SETTING.delay_s]),
            integrator=Integrator.of_board(board),
            marks_s=np.zeros(0),
        )
        for times in alerts.times
    ]
    assert [(span.start_s, span.end_s) for span in box.alerts] == expected
    assert any(start_s < 8.0 < end_s for start_s, end_s in expected)


@pytest.mark.parametrize("start", [0, 65_530, 100_003])
def test_narrow_columns_are_computed_sample_by_sample(bench: Bench, start: int) -> None:
    """From the state kept at the start of the piece, to the bit what a run from the start gives."""
    recording, board, files = bench
    box = BoxTrace.build(files, recording, board, SETTING)
    rate = recording.sample_rate_hz
    nodes = trace(recording, board, SETTING.gain, SETTING.delay_s, start / rate, (start + 800) / rate)
    one = box.columns(start + np.arange(801, dtype=np.float64))
    assert np.array_equal(one.low_v, nodes.storage_v)
    assert np.array_equal(one.high_v, nodes.storage_v)
    np.testing.assert_allclose(
        one.high_share, (nodes.integrator_v / board.comparator_high_v).astype(np.float32), atol=1e-6
    )
    eight = box.columns(start + 8.0 * np.arange(101))
    assert np.array_equal(eight.high_v, nodes.storage_v.reshape(-1, 8).max(axis=1))
    assert np.array_equal(
        eight.above, (nodes.comparator_v > 1.0).reshape(-1, 8).mean(axis=1, dtype=np.float32)
    )


def test_outside_the_recording_there_is_nothing(bench: Bench) -> None:
    recording, board, files = bench
    box = BoxTrace.build(files, recording, board, SETTING)
    n = recording.n_frames
    for edges in (np.linspace(n - 100.0, n + 100.0, 51), np.linspace(-n, 2.0 * n, 301)):
        columns = box.columns(edges)
        inside = (edges[:-1] >= 0) & (edges[:-1] < n)
        assert np.isfinite(columns.low_v[inside]).all()
        beyond = (edges[:-1] >= n) | (edges[1:] < -box.block_samples)
        assert np.isnan(columns.low_v[beyond]).all()


def test_a_file_is_of_one_setting_board_and_calibration(bench: Bench) -> None:
    recording, board, files = bench
    made = BoxTrace.build(files, recording, board, SETTING)
    found = BoxTrace.find(files, recording, board, SETTING)
    assert found is not None
    assert found.alerts == made.alerts
    assert BoxTrace.find(files, recording, board, Setting(20.0, 0.41, "")) is None
    assert BoxTrace.find(files, recording, board, Setting(20.1, 0.4, "")) is None
    from dataclasses import replace

    assert BoxTrace.find(files, replace(recording, full_scale_v=2.0), board, SETTING) is None


def test_a_measured_pot_is_where_the_knob_stands(tiny_dataset: Path) -> None:
    """22 kohm + 470 kohm, 2.2 uF, a gate that fires at 7.06 of 10.5 V: 1.208 s, by hand."""
    path = tiny_dataset / "board.toml"
    path.write_text(path.read_text().replace('# pot_measured = "470 kohm"', 'pot_measured = "470 kohm" #'))
    board = read_board(path)
    by_hand_s = -492e3 * 2.2e-6 * math.log(1.0 - 7.06 / 10.5)
    found = present_setting(tiny_dataset, board)
    assert found.delay_s == pytest.approx(by_hand_s, rel=1e-6)
    assert found.origin == "middle of the knobs, the delay's as measured"
    document = {"gain": 30.0, "delay_s": 0.7, "board_sha256": board_sha256(board)}
    (tiny_dataset / "settings.json").write_text(json.dumps(document))
    found = present_setting(tiny_dataset, board)
    assert (found.gain, found.delay_s) == (30.0, pytest.approx(by_hand_s, rel=1e-6))
    assert found.origin == "settings.json, the delay's knob as measured"


def test_the_present_setting(tiny_dataset: Path) -> None:
    board = read_board(tiny_dataset / "board.toml")
    middle = present_setting(tiny_dataset, board)
    assert middle.origin == "middle of the knobs"
    a, i = board.amplifier, board.integrator
    assert board.gain_resistance_ohm(middle.gain) == pytest.approx(
        a.feedback_fixed.typ + a.feedback_pot.typ / 2
    )
    assert middle.delay_s == pytest.approx(board.delay_s(i.fixed.typ + i.pot.typ / 2))
    path = tiny_dataset / "settings.json"
    path.write_text(json.dumps({"gain": 30.0, "delay_s": 0.7, "board_sha256": board_sha256(board)}))
    assert present_setting(tiny_dataset, board) == Setting(30.0, 0.7, "settings.json")
    path.write_text(json.dumps({"gain": 30.0, "delay_s": 0.7, "board_sha256": "x"}))
    assert present_setting(tiny_dataset, board).origin == "settings.json, of another board"
    path.write_text(
        json.dumps({"gain": None, "delay_s": 0.7, "hold_s": 3.0, "board_sha256": board_sha256(board)})
    )
    uncalibrated = present_setting(tiny_dataset, board)
    assert (uncalibrated.gain, uncalibrated.delay_s, uncalibrated.hold_s) == (middle.gain, 0.7, 3.0)
    assert (
        uncalibrated.origin == "settings.json, but for the gain, which it does not know: middle of the knob"
    )
    for useless in ('{"gain": null, "delay_s": null}', "[]", "{", '{"gain": 0.5, "delay_s": 1}'):
        path.write_text(useless)
        assert present_setting(tiny_dataset, board) == middle
