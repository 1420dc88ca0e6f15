"""The fast engine against the plain one of `reference`: crossings, alerts, verdicts, tallies, bit for bit."""

import hashlib
import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from evalkit import _kernels
from evalkit.board import Board, HoldKind
from evalkit.cache import CrossingCache
from evalkit.crossings import Crossings, Integrator, alerts_of
from evalkit.dataset import Dataset, Recording, create_dataset, import_recordings, read_dataset
from evalkit.detectors import Detector, Levels, LevelUnit, Source
from evalkit.detectors.circuit import CircuitDetector
from evalkit.detectors.envelope import EnvelopeDetector
from evalkit.matching import EARLY_S
from evalkit.scoring import Sweep, alerts_at, sweep
from evalkit.segments import Role
from evalkit.spans import ALL_TIME

from . import reference
from .solver import default_board
from .strategies import LabelledTime, boards, crossing_trains, integrators, labelled_times, signals

RATE_HZ = 4_000
SECONDS = 3.0
BOARD = default_board()
SLOWLY = settings(derandomize=True, deadline=None, database=None, phases=(Phase.explicit, Phase.generate))
WORDS = {"missed": 0, "caught": 1, "masked": 2, "masked by a false alarm": 3}


class Circuit(CircuitDetector):
    """The detector without its equivalent thresholds, which take seconds to find and change nothing here."""

    @cached_property
    def levels(self) -> Levels:
        return Levels(-20.0 * np.log10(self.gain), LevelUnit.DECIBEL, None, self.gain)


@dataclass
class Drawn:
    """How many settings were compared and how many were too near a threshold to be."""

    settings: int = 0
    discarded: int = 0
    alerts: int = 0
    false_alarms: int = 0

    def assert_enough(self, fewest: int) -> None:
        assert self.settings >= fewest
        assert self.discarded < 0.05 * self.settings


def one_recording(folder: Path, samples: NDArray[np.float32], said: LabelledTime, board: Board) -> Dataset:
    """Return a dataset of one recording without going through its files' formats."""
    path = folder / "signal.wav"
    soundfile.write(path, samples, RATE_HZ, subtype="FLOAT")
    recording = Recording(
        name="signal",
        path=path,
        session="monday",
        phone="slab",
        channel=1,
        sample_rate_hz=RATE_HZ,
        n_frames=len(samples),
        full_scale_v=0.25,
        input_ohms=None,
        reviewed=said.reviewed,
        audio_sha256=hashlib.sha256(samples.tobytes()).hexdigest(),
        segments=said.segments,
    )
    return Dataset(folder, "bench", None, (recording,), said.day, board)


def labels_of(dataset: Dataset, said: LabelledTime) -> reference.Labels:
    """Return the labels in the plain form; what a call is, is tested in test_segments."""
    (recording,) = dataset.recordings
    calls = recording.calls(
        target_labels={"ring"}, warmup_s=said.warmup_s, call_gap_s=said.day.call_gap_s
    )
    return reference.Labels(
        segments=tuple((s.start_s, s.end_s, s.label) for s in recording.segments),
        roles={s.label: str(said.day.role(s.label)) for s in recording.segments},
        calls=tuple((c.start_s, c.end_s, c.cut) for c in calls),
        reviewed=tuple((s.start_s, s.end_s) for s in said.reviewed),
        warmup_s=said.warmup_s,
        grace_s=said.day.grace_s,
    )


def gate_of(integrator: Integrator, delay_s: float) -> reference.Gate:
    tau_s = -delay_s / np.log(1.0 - integrator.fire_fraction)
    return reference.Gate(
        tau_s,
        tau_s * integrator.discharge_ratio,
        integrator.fire_fraction,
        integrator.release_fraction,
        integrator.hold_kind,
        integrator.hold_s,
    )


def compare(
    dataset: Dataset,
    detector: Detector,
    traces: Sequence[tuple[list[bool], reference.Nearness]],
    delays: Sequence[float],
    integrator: Integrator,
    said: LabelledTime,
    drawn: Drawn,
) -> None:
    """Compare every setting of the fast engine with the plain one."""
    cache = CrossingCache(dataset.folder)
    common: dict[str, Any] = {"integrator": integrator, "warmup_s": said.warmup_s, "cache": cache}
    swept = sweep(dataset, detector, delay_s=np.array(delays), **common)
    (tally,) = swept.tallies
    labels = labels_of(dataset, said)
    duration_s = dataset.recordings[0].duration_s
    for k, name in enumerate(swept.classes):
        events, seconds = reference.recorded(labels, duration_s, name)
        assert tally.hours[k] * 3600.0 == pytest.approx(seconds, abs=1e-6)
        if name != "background":
            assert tally.events[k] == events
    for (lane, (above, crossed)), (d, delay_s) in itertools.product(enumerate(traces), enumerate(delays)):
        near = replace(crossed)
        gate = gate_of(integrator, delay_s)
        plain = reference.held_alerts(reference.gate_spans(above, RATE_HZ, gate, near), gate, duration_s)
        counts = reference.judge(plain, reference.spans_above(above, RATE_HZ), labels, near)
        drawn.settings += 1
        if near.smallest < 1e-9:
            drawn.discarded += 1
            continue
        drawn.alerts += len(plain)
        drawn.false_alarms += sum(counts.alarms.values())
        fast = alerts_at(dataset, detector, lane=lane, delay_s=delay_s, **common)
        assert len(fast) == len(plain)
        for a, b in zip(fast, plain):
            assert abs(a.start_s - b.start_s) <= 1.0 / RATE_HZ
            assert abs(a.end_s - b.end_s) <= 1.0 / RATE_HZ
            if b.counts_as.startswith("not counted"):
                assert a.verdict.counts_as.startswith("not counted")
            else:
                assert a.verdict.counts_as == b.counts_as
            if b.cause:
                assert a.verdict.cause == b.cause
            assert (a.response_s is None) == (b.response_s is None)
            if b.response_s is not None:
                assert a.response_s == pytest.approx(b.response_s, abs=1.0 / RATE_HZ)
        assert tally.status[:, lane, d].tolist() == [WORDS[word] for word in counts.calls]
        assert tally.response_s[:, lane, d] == pytest.approx(np.array(counts.response_s), abs=1.0 / RATE_HZ)
        for k, name in enumerate(swept.classes):
            assert tally.alarms[k, lane, d] == counts.alarms.get(name, 0)
            assert tally.alarm_s[k, lane, d] == pytest.approx(counts.alarm_s.get(name, 0.0), abs=1e-2)


@pytest.mark.parametrize("hold_kind", HoldKind)
def test_circuit_sweep_equals_the_plain_simulation(
    hold_kind: HoldKind, tmp_path_factory: pytest.TempPathFactory
) -> None:
    drawn = Drawn()

    @settings(SLOWLY, max_examples=18)
    @given(
        board=boards(BOARD),
        integrator=integrators(hold_kind),
        signal=signals(rate_hz=RATE_HZ, seconds=SECONDS),
        said=labelled_times(seconds=SECONDS),
        gain=st.floats(6.0, 900.0),
        delays=st.lists(st.floats(0.005, 0.8), min_size=3, max_size=3, unique=True).map(sorted),
    )
    def check(
        board: Board, integrator: Integrator, signal: NDArray[np.float32], said: LabelledTime, gain: float,
        delays: list[float],
    ) -> None:  # fmt: skip
        samples = (signal * np.float32(3.0 / gain / 0.25)).astype(np.float32)
        dataset = one_recording(tmp_path_factory.mktemp("sweep"), samples, said, board)
        gains = np.array([1.5 * gain, 0.8 * gain])
        volts = [float(x) * 0.25 for x in samples]
        traces = []
        for each in gains:
            near = reference.Nearness()
            above, _ = reference.board_trace(board, float(each), volts, RATE_HZ, near=near)
            traces.append((above, near))
        compare(dataset, Circuit(board, gains), traces, delays, integrator, said, drawn)

    check()
    drawn.assert_enough(100)
    assert drawn.alerts > 100
    assert drawn.false_alarms > 20
