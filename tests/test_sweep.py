"""The fast engine against the plain one of `reference`: crossings, alerts, verdicts, tallies, bit for bit."""

import hashlib
import itertools
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

import evalkit.recordings
from evalkit import _kernels
from evalkit.board import Board, HoldKind
from evalkit.cache import CrossingCache
from evalkit.crossings import Crossings, Integrator, alerts_of
from evalkit.dataset import Dataset, Recording, create_dataset, import_recordings, read_dataset
from evalkit.day import Day
from evalkit.detectors import Detector, Levels, LevelUnit, Source
from evalkit.detectors.circuit import CircuitDetector
from evalkit.detectors.envelope import EnvelopeDetector
from evalkit.errors import FileFault
from evalkit.scoring import Sweep, alerts_at, sweep
from evalkit.segments import Segment
from evalkit.spans import ALL_TIME, Span

from . import reference
from .solver import default_board
from .strategies import (
    DELAYS,
    LabelledTime,
    boards,
    crossing_trains,
    exactly,
    integrators,
    labelled_times,
    signals,
)

RATE_HZ = 4_000
SECONDS = 2.5
FULL_SCALE_V = 0.25
SOURCE = Source(RATE_HZ, FULL_SCALE_V, None)
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
    calls: Counter[str] = field(default_factory=Counter)
    """Calls by what became of them."""

    def assert_enough(self, fewest: int) -> None:
        assert self.settings >= fewest
        assert self.discarded < 0.05 * self.settings


def one_recording(
    folder: Path, samples: NDArray[np.float32], rate_hz: int, said: LabelledTime, board: Board
) -> Dataset:
    """Return a dataset of one recording without going through its files' formats."""
    path = folder / "signal.wav"
    soundfile.write(path, samples, rate_hz, subtype="FLOAT")
    recording = Recording(
        name="signal",
        path=path,
        session="monday",
        phone="slab",
        channel=1,
        sample_rate_hz=rate_hz,
        n_frames=len(samples),
        full_scale_v=FULL_SCALE_V,
        input_ohms=None,
        reviewed=said.reviewed,
        audio_sha256=hashlib.sha256(samples.tobytes()).hexdigest(),
        segments=said.segments,
    )
    return Dataset(folder, "bench", None, (recording,), said.day, board)


def labels_of(dataset: Dataset, said: LabelledTime, lag_s: float) -> reference.Labels:
    """Return the labels in the plain form; what a call is, is tested in test_segments."""
    (recording,) = dataset.recordings
    calls = recording.calls(target_labels={"ring"}, warmup_s=said.warmup_s, call_gap_s=said.day.call_gap_s)
    return reference.Labels(
        segments=tuple((s.start_s, s.end_s, s.label) for s in recording.segments),
        roles={s.label: str(said.day.role(s.label)) for s in recording.segments},
        calls=tuple((c.start_s, c.end_s, c.cut) for c in calls),
        reviewed=tuple((s.start_s, s.end_s) for s in said.reviewed),
        warmup_s=said.warmup_s,
        grace_s=said.day.grace_s,
        lag_s=lag_s,
    )


def gate_of(integrator: Integrator, delay_s: float) -> reference.Gate:
    tau_s = -delay_s / np.log(1.0 - integrator.fire_fraction)
    return reference.Gate(
        tau_s,
        1.0 / (1.0 / tau_s + 1.0 / integrator.discharge_s),
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
    labels = labels_of(dataset, said, detector.lag_s)
    duration_s, rate_hz = dataset.recordings[0].duration_s, dataset.recordings[0].sample_rate_hz
    for k, name in enumerate(swept.classes):
        events, seconds = reference.recorded(labels, duration_s, name)
        assert tally.hours[k] * 3600.0 == pytest.approx(seconds, abs=1e-6)
        if name != "background":
            assert tally.events[k] == events
    for (lane, (above, crossed)), (d, delay_s) in itertools.product(enumerate(traces), enumerate(delays)):
        near = replace(crossed)
        gate = gate_of(integrator, delay_s)
        plain = reference.held_alerts(reference.gate_spans(above, rate_hz, gate, near), gate, duration_s)
        counts = reference.judge(plain, reference.spans_above(above, rate_hz), labels, near)
        drawn.settings += 1
        if near.smallest < 1e-9:
            drawn.discarded += 1
            continue
        drawn.alerts += len(plain)
        drawn.false_alarms += sum(counts.alarms.values())
        drawn.calls.update(word for word, (_, _, cut) in zip(counts.calls, labels.calls) if not cut)
        fast = alerts_at(dataset, detector, lane=lane, delay_s=delay_s, **common)
        assert len(fast) == len(plain)
        for a, b in zip(fast, plain):
            assert abs(a.start_s - b.start_s) <= 1.0 / rate_hz
            assert abs(a.end_s - b.end_s) <= 1.0 / rate_hz
            if b.counts_as.startswith("not counted"):
                assert a.verdict.counts_as.startswith("not counted")
            else:
                assert a.verdict.counts_as == b.counts_as
            if b.cause:
                assert a.verdict.cause == b.cause
            assert (a.response_s is None) == (b.response_s is None)
            if b.response_s is not None:
                assert a.response_s == pytest.approx(b.response_s, abs=1.0 / rate_hz)
        assert tally.status[:, lane, d].tolist() == [WORDS[word] for word in counts.calls]
        assert tally.response_s[:, lane, d] == pytest.approx(np.array(counts.response_s), abs=1.0 / rate_hz)
        for k, name in enumerate(swept.classes):
            assert tally.alarms[k, lane, d] == counts.alarms.get(name, 0)
            assert tally.alarm_s[k, lane, d] == pytest.approx(counts.alarm_s.get(name, 0.0), abs=1e-2)


@pytest.mark.parametrize("hold_kind", HoldKind)
def test_circuit_sweep_equals_the_plain_simulation(
    hold_kind: HoldKind, tmp_path_factory: pytest.TempPathFactory
) -> None:
    drawn = Drawn()

    @settings(SLOWLY, max_examples=12)
    @given(
        board=boards(BOARD),
        integrator=integrators(hold_kind),
        signal=signals(rate_hz=RATE_HZ, seconds=SECONDS),
        said=labelled_times(seconds=SECONDS),
        gain=st.floats(6.0, 900.0),
        delays=DELAYS,
    )
    def check(
        board: Board, integrator: Integrator, signal: NDArray[np.float32], said: LabelledTime, gain: float,
        delays: list[float],
    ) -> None:  # fmt: skip
        samples = (signal * np.float32(1.5 / gain / FULL_SCALE_V)).astype(np.float32)
        dataset = one_recording(tmp_path_factory.mktemp("sweep"), samples, RATE_HZ, said, board)
        gains = np.array([1.5 * gain, 0.8 * gain])
        volts = [float(x) * FULL_SCALE_V for x in samples]
        traces = []
        for each in gains:
            near = reference.Nearness()
            above, _ = reference.board_trace(board, float(each), volts, RATE_HZ, near=near)
            traces.append((above, near))
        compare(dataset, Circuit(board, gains), traces, delays, integrator, said, drawn)

    check()
    drawn.assert_enough(60)
    assert drawn.alerts > 40


@pytest.mark.parametrize("hold_kind", [HoldKind.AFTER_RELEASE, HoldKind.ONE_SHOT])
def test_envelope_sweep_equals_the_plain_simulation(
    hold_kind: HoldKind, tmp_path_factory: pytest.TempPathFactory
) -> None:
    drawn = Drawn()

    @settings(SLOWLY, max_examples=10)
    @given(
        board=boards(BOARD),
        integrator=integrators(hold_kind),
        signal=signals(rate_hz=RATE_HZ, seconds=SECONDS),
        said=labelled_times(seconds=SECONDS),
        tau_s=st.sampled_from((0.01, 0.125)),
        delays=DELAYS,
    )
    def check(
        board: Board, integrator: Integrator, signal: NDArray[np.float32], said: LabelledTime, tau_s: float,
        delays: list[float],
    ) -> None:  # fmt: skip
        dataset = one_recording(tmp_path_factory.mktemp("sweep"), signal, RATE_HZ, said, board)
        levels = np.array([0.25, 0.6, 1.1]) * FULL_SCALE_V
        volts = [float(x) * FULL_SCALE_V for x in signal]
        traces = []
        for level_v in levels:
            near = reference.Nearness()
            above, _ = reference.envelope_trace(board, float(level_v), tau_s, volts, RATE_HZ, near=near)
            traces.append((above, near))
        detector = EnvelopeDetector(board, levels, tau_s=tau_s)
        compare(dataset, detector, traces, delays, integrator, said, drawn)

    check()
    drawn.assert_enough(60)
    assert drawn.alerts > 40


class Scripted:
    """A detector whose comparators change where it was told."""

    name = "scripted"
    lag_s = 0.0

    def __init__(self, trains: list[list[int]], lag_s: float = 0.0) -> None:
        self.trains = trains
        self.lag_s = lag_s
        position = np.arange(float(len(trains)))
        self.levels = Levels(position, LevelUnit.DECIBEL, None, None)
        self.fingerprint = f"{self.name} {trains}"

    def at_rest(self, source: Source) -> int:
        return 0

    def advance(self, block: NDArray[np.float32], state: int) -> tuple[Crossings, int]:
        after = state + len(block)
        found = [
            (lane, sample, 1 - k % 2)
            for lane, train in enumerate(self.trains)
            for k, sample in enumerate(train)
            if state <= sample < after
        ]
        table = np.array(found, np.int64).reshape(-1, 3)
        table = table[np.argsort(table[:, 1], kind="stable")]
        return (
            Crossings(table[:, 0].astype(np.int32), table[:, 1].copy(), table[:, 2].astype(np.uint8)),
            after,
        )


@pytest.mark.parametrize("hold_kind", HoldKind)
def test_alerts_and_tallies_of_random_crossings_equal_the_plain_ones(
    hold_kind: HoldKind, tmp_path_factory: pytest.TempPathFactory
) -> None:
    drawn = Drawn()
    rate_hz, seconds = 1_000, 6.0
    n_samples = int(rate_hz * seconds)

    @settings(SLOWLY, max_examples=80)
    @given(
        trains=crossing_trains(n_samples=n_samples, n_lanes=3),
        integrator=integrators(hold_kind),
        said=labelled_times(seconds=seconds),
        delays=DELAYS,
        lag_s=st.sampled_from((0.0, 0.05)),
        block=st.integers(1, 3_000),
    )
    def check(
        trains: list[list[int]], integrator: Integrator, said: LabelledTime, delays: list[float],
        lag_s: float, block: int,
    ) -> None:  # fmt: skip
        folder = tmp_path_factory.mktemp("sweep")
        dataset = one_recording(folder, np.zeros(n_samples, np.float32), rate_hz, said, BOARD)
        traces = []
        for train in trains:
            changes = np.zeros(n_samples, int)
            changes[train] = 1
            traces.append(((np.cumsum(changes) % 2 == 1).tolist(), reference.Nearness()))
        compare(dataset, Scripted(trains, lag_s), traces, delays, integrator, said, drawn)

    check()
    drawn.assert_enough(200)
    assert drawn.alerts > 500
    assert drawn.false_alarms > 100
    # every fate must be among the draws; how often depends on them (hypothesis takes constants from the
    # modules that happen to be loaded, so the draws of one test alone and of the whole run differ)
    assert drawn.calls["caught"] > 10
    assert drawn.calls["missed"] > 0
    if hold_kind is not HoldKind.NONE:
        assert drawn.calls["masked"] + drawn.calls["masked by a false alarm"] > 0


def in_order(chunks: Sequence[Crossings]) -> NDArray[np.int64]:
    """Return crossings as rows of lane, sample, direction, by lane and sample."""
    rows = np.concatenate([np.stack([c.lane, c.sample, c.above], axis=1) for c in chunks])
    return rows[np.lexsort((rows[:, 1], rows[:, 0]))]


def detect(
    detector: Detector, samples: NDArray[np.float32], cuts: Sequence[int], rate_hz: int = RATE_HZ
) -> tuple[list[Crossings], Any]:
    state = detector.at_rest(Source(rate_hz, FULL_SCALE_V, None))
    chunks = []
    for a, b in itertools.pairwise([0, *cuts, len(samples)]):
        chunk, state = detector.advance(samples[a:b], state)
        chunks.append(chunk)
    return chunks, state


def some_signal(seed: int, gain: float, rate_hz: int = RATE_HZ) -> NDArray[np.float32]:
    """Swelling 175 Hz in noise, about the threshold of the gain."""
    t = np.arange(int(2.0 * rate_hz)) / rate_hz
    rng = np.random.default_rng(seed)
    out = (1.0 + np.sin(2.0 * np.pi * 1.5 * t)) * np.sin(2.0 * np.pi * 175.0 * t)
    out += 0.2 * rng.standard_normal(len(t))
    return (out * 1.5 / gain / FULL_SCALE_V).astype(np.float32)


@settings(SLOWLY, max_examples=25)
@given(
    seed=st.integers(0, 1_000),
    rate_hz=st.sampled_from([RATE_HZ, 48_000]),
    cuts=st.lists(st.integers(1, 2 * RATE_HZ - 1), max_size=12, unique=True).map(sorted),
    circuit=st.booleans(),
)
def test_block_size_changes_no_bit(seed: int, rate_hz: int, cuts: list[int], circuit: bool) -> None:
    samples = some_signal(seed, 100.0, rate_hz)
    detector: Detector = EnvelopeDetector(BOARD, np.geomspace(1e-3, 0.1, 5))
    if circuit:
        detector = CircuitDetector(BOARD, np.geomspace(400.0, 30.0, 5))
    whole, at_end = detect(detector, samples, [], rate_hz)
    parts, after_parts = detect(detector, samples, cuts, rate_hz)
    assert np.array_equal(in_order(whole), in_order(parts))
    assert len(in_order(whole)) > 4
    for a, b in zip(leaves(at_end), leaves(after_parts), strict=True):
        assert a.tobytes() == b.tobytes()
    common: dict[str, Any] = {
        "sample_rate_hz": rate_hz,
        "duration_s": len(samples) / rate_hz,
        "n_lanes": 5,
        "delay_s": np.array([0.02, 0.1, 0.3]),
        "integrator": Integrator(0.6, 0.4, 0.05, HoldKind.AFTER_RELEASE, 0.05),
        "marks_s": np.array([0.3, 0.8, 1.1]),
    }
    of_whole, of_parts = list(alerts_of(whole, **common)), list(alerts_of(parts, **common))
    assert of_whole[-1].mark_above_s.tobytes() == of_parts[-1].mark_above_s.tobytes()
    for k in range(15):
        each = [
            np.concatenate([a.times[a.setting == k] for a in chunks]).tobytes()
            for chunks in (of_whole, of_parts)
        ]
        assert each[0] == each[1]


def test_block_size_changes_no_bit_where_the_rectifier_holds_next_to_nothing() -> None:
    # under a microvolt is set to nothing at instants counted from the recording's start, not the block's
    detector = CircuitDetector(BOARD, np.geomspace(400.0, 5.0, 60))
    samples = np.float32(0.05) * some_signal(5, 100.0)[:400]
    nearly_empty = 0
    for n in range(100, 400, 11):
        _, at_end = detect(detector, samples[:n], [])
        _, after_parts = detect(detector, samples[:n], list(range(37, n, 37)))
        storage_v = at_end.lanes[3] * at_end.constants.span_v
        nearly_empty += int(np.count_nonzero((storage_v > 0.0) & (storage_v < 1e-6)))
        for a, b in zip(leaves(at_end), leaves(after_parts), strict=True):
            assert a.tobytes() == b.tobytes()
    assert nearly_empty > 10


def leaves(state: Any) -> list[NDArray[Any]]:
    """Return the arrays of a detector's state."""
    found = []
    for value in vars(state).values():
        if isinstance(value, np.ndarray):
            found.append(value)
        elif isinstance(value, tuple):
            found += [v for v in value if isinstance(v, np.ndarray)]
    assert found
    return found


def test_sharing_lanes_among_threads_changes_no_bit(monkeypatch: pytest.MonkeyPatch) -> None:
    samples, detector = some_signal(7, 100.0), CircuitDetector(BOARD, np.geomspace(900.0, 10.0, 100))
    found = {}
    for threads in (1, 2, 3, 4):
        with ExitStack() as stack:
            pools = [stack.enter_context(ThreadPoolExecutor(1)) for _ in range(threads)]
            monkeypatch.setattr("evalkit.detectors.circuit._threads", lambda pools=pools: pools)
            chunks, state = detect(detector, samples, [1_000, 5_000])
        found[threads] = in_order(chunks).tobytes() + b"".join(v.tobytes() for v in leaves(state))
    assert len(set(found.values())) == 1


def test_blocks_begun_ahead_give_the_crossings_of_one_after_the_other() -> None:
    samples, detector = some_signal(7, 100.0), CircuitDetector(BOARD, np.geomspace(900.0, 10.0, 100))
    cuts = list(range(1_001, len(samples), 4_001))
    one_by_one, _ = detect(detector, samples, cuts)
    taken: list[int] = []

    def blocks() -> Iterator[NDArray[np.float32]]:
        for number, block in enumerate(np.split(samples, cuts)):
            taken.append(number)
            yield block

    at_once = list(detector.follow(blocks(), detector.at_rest(SOURCE)))
    assert [in_order([each]).tolist() for each in at_once] == [
        in_order([each]).tolist() for each in one_by_one
    ]
    assert sum(map(len, map(in_order, ([each] for each in at_once)))) > 100
    # it does run ahead, by one block
    taken.clear()
    following = detector.follow(blocks(), detector.at_rest(SOURCE))
    next(following)
    assert taken == [0, 1]
    following.close()


def test_a_recording_that_breaks_off_leaves_no_thread_waiting() -> None:
    samples, detector = some_signal(7, 100.0), CircuitDetector(BOARD, np.geomspace(900.0, 10.0, 100))

    def breaking_off() -> Iterator[NDArray[np.float32]]:
        yield samples[:5_000]
        raise FileFault("a.wav: ends at frame 5000")

    with pytest.raises(FileFault, match="ends at frame 5000"):
        list(detector.follow(breaking_off(), detector.at_rest(SOURCE)))
    again = list(detector.follow(iter([samples]), detector.at_rest(SOURCE)))
    assert np.array_equal(in_order(again), in_order(detect(detector, samples, [])[0]))


def test_a_lane_alone_equals_its_place_in_the_sweep() -> None:
    samples, gain = some_signal(9, 100.0), np.geomspace(900.0, 10.0, 40)
    together = in_order(detect(CircuitDetector(BOARD, gain), samples, [])[0])
    for lane in (0, 7, 22, 39):
        alone = in_order(detect(CircuitDetector(BOARD, gain[lane : lane + 1]), samples, [])[0])
        assert np.array_equal(together[together[:, 0] == lane][:, 1:], alone[:, 1:])


def test_more_changes_than_fit_at_once_are_all_listed() -> None:
    # a storage capacitor of 2 ms without hysteresis: the ripple alone passes the trip level twice a period
    board = replace(
        BOARD,
        rectifier=replace(BOARD.rectifier, storage=exactly(22e-9), bleed=exactly(100e3)),
        comparator=replace(BOARD.comparator, hysteresis=exactly(1e-3)),
    )
    gain = np.geomspace(120.0, 80.0, 12)
    samples = np.tile(some_signal(13, 100.0), 4)
    together = in_order(detect(CircuitDetector(board, gain), samples, [])[0])
    assert len(together) > 10_000
    for lane in (0, 5, 11):
        alone = in_order(detect(CircuitDetector(board, gain[lane : lane + 1]), samples, [])[0])
        assert np.array_equal(together[together[:, 0] == lane][:, 1:], alone[:, 1:])


@settings(SLOWLY, max_examples=30)
@given(
    board=boards(BOARD),
    rate_hz=st.sampled_from([16_000, 24_000, 44_100, 48_000, 96_000]),
    signal=signals(rate_hz=48_000, seconds=0.3),
    input_ohms=st.none() | st.just(1e6),
    gain=st.floats(6.0, 900.0),
    cuts=st.lists(st.integers(1, 14_399), min_size=1, max_size=4, unique=True).map(sorted),
)
def test_steps_of_several_samples_are_those_of_the_plain_simulation(
    board: Board,
    rate_hz: int,
    signal: NDArray[np.float32],
    input_ohms: float | None,
    gain: float,
    cuts: list[int],
) -> None:
    # from 24 and 48 kHz on the rectifier steps with every second or fourth sample; a block may end between them
    gains = np.array([1.5 * gain, 0.8 * gain])
    samples = (signal * np.float32(6.0 / gain)).astype(np.float32)
    detector, source = CircuitDetector(board, gains), Source(rate_hz, 1.0, input_ohms)
    found = list(detector.follow(np.split(samples, cuts), detector.at_rest(source)))
    seen, _ = detector.voltages(samples, detector.at_rest(source))
    rows = in_order(found)
    for lane, each in enumerate(gains):
        above, storage_v = reference.board_trace(
            board, float(each), [float(x) for x in samples], rate_hz, input_ohms=input_ohms
        )
        assert rows[rows[:, 0] == lane][:, 1].tolist() == edges_of(above)
        assert seen.storage_v[:, lane].tolist() == [float(v) for v in storage_v]


@pytest.mark.parametrize("rate_hz", [RATE_HZ, 48_000])
def test_kept_voltages_are_those_of_the_sweep(rate_hz: int) -> None:
    samples, detector = some_signal(11, 100.0, rate_hz), CircuitDetector(BOARD, np.geomspace(400.0, 30.0, 3))
    chunks, state = detect(detector, samples, [], rate_hz)
    seen, after = detector.voltages(samples, detector.at_rest(Source(rate_hz, FULL_SCALE_V, None)))
    assert [v.tobytes() for v in leaves(state)] == [v.tobytes() for v in leaves(after)]
    for lane in range(3):
        plain, _ = reference.board_trace(
            BOARD, float(detector.gain[lane]), [float(x) * FULL_SCALE_V for x in samples], rate_hz
        )
        assert seen.above[:, lane].tolist() == plain
        rows = in_order(chunks)
        assert rows[rows[:, 0] == lane][:, 1].tolist() == edges_of(plain)


def edges_of(above: Sequence[bool]) -> list[int]:
    return [i for i in range(len(above)) if above[i] != (above[i - 1] if i else False)]


def workshop(folder: Path, names: Sequence[str], order: Sequence[int]) -> Dataset:
    """Return a dataset of three recordings, imported in some order under some names."""
    create_dataset(folder)
    incoming = folder.parent / f"incoming-{folder.name}"
    incoming.mkdir()
    for k in order:
        samples = np.tile(some_signal(k, 100.0), 3)
        path, table = incoming / f"{names[k]}.wav", incoming / f"{names[k]}.csv"
        soundfile.write(path, samples, RATE_HZ, subtype="FLOAT")
        table.write_text(f"start_s,end_s,label,note\n{0.2 + k},{2.0 + k},ring,\n{2.4 + k},2.6,tap,\n".replace(
            f"{2.4 + k},2.6", f"{2.4 + k},{2.6 + k}"))  # fmt: skip
        import_recordings(
            folder, [path], session=f"day {k}", full_scale_v=FULL_SCALE_V, labels=table, reviewed=ALL_TIME
        )
    dataset = read_dataset(folder)
    return replace(dataset, day=replace(dataset.day, call_gap_s=0.1))


def test_names_order_and_block_size_of_files_change_no_bit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def tallies(dataset: Dataset) -> Sweep:
        return sweep(
            dataset,
            Circuit(BOARD, np.geomspace(300.0, 60.0, 6)),
            delay_s=np.geomspace(0.05, 1.0, 5),
            integrator=Integrator.of_board(BOARD),
            warmup_s=0.1,
            cache=CrossingCache(dataset.folder),
        )

    first = tallies(workshop(tmp_path / "a", ("one", "two", "three"), (0, 1, 2)))
    whole_blocks = evalkit.recordings.read_blocks
    monkeypatch.setattr(
        "evalkit.recordings.read_blocks", lambda *a, **k: whole_blocks(*a, **(k | {"block_frames": 777}))
    )
    second = tallies(workshop(tmp_path / "b", ("zebra", "yak", "ant"), (2, 0, 1)))
    assert [t.session for t in first.tallies] == [t.session for t in second.tallies]
    for a, b in zip(first.tallies, second.tallies, strict=True):
        for name in ("status", "response_s", "alarms", "alarm_s", "events", "hours"):
            assert getattr(a, name).tobytes() == getattr(b, name).tobytes()
    assert sum(int((t.status == 1).sum()) for t in first.tallies) > 0
    assert sum(int(t.alarms.sum()) for t in first.tallies) > 0


def test_one_cell_of_the_plane_equals_the_alerts_listed_for_it(tmp_path: Path) -> None:
    dataset = workshop(tmp_path / "a", ("one", "two", "three"), (0, 1, 2))
    detector, delays = Circuit(BOARD, np.geomspace(300.0, 60.0, 4)), np.array([0.05, 0.2, 0.6])
    common: dict[str, Any] = {
        "integrator": replace(Integrator.of_board(BOARD), hold_s=0.3),
        "warmup_s": 0.1,
        "cache": CrossingCache(dataset.folder),
    }
    swept = sweep(dataset, detector, delay_s=delays, **common)
    listed = 0
    for lane, d in itertools.product(range(4), range(3)):
        alerts = alerts_at(dataset, detector, lane=lane, delay_s=float(delays[d]), **common)
        listed += len(alerts)
        for tally in swept.tallies:
            own = [a for a in alerts if a.recording == tally.recording]
            responses = [a.response_s for a in own if a.verdict.counts_as == "caught call"]
            assert (tally.status[:, lane, d] == 1).sum() == len(responses)
            caught = tally.response_s[:, lane, d][tally.status[:, lane, d] == 1]
            assert caught.tolist() == np.array(responses, np.float32).tolist()
            for k, name in enumerate(swept.classes):
                false = [a for a in own if a.verdict.counts_as == "false alarm" and a.verdict.cause == name]
                assert tally.alarms[k, lane, d] == len(false)
                assert tally.alarm_s[k, lane, d] == pytest.approx(sum(a.end_s - a.start_s for a in false))
    assert listed > 10


def plainly(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let every kernel but the board's, also where one calls another, run as plain Python."""
    for name, kernel in vars(_kernels).items():
        if hasattr(kernel, "py_func"):
            monkeypatch.setattr(_kernels, name, kernel.py_func)


@pytest.mark.parametrize("hold_kind", HoldKind)
def test_kernels_give_the_same_bits_compiled_and_as_plain_python(
    hold_kind: HoldKind, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    samples = np.concatenate([some_signal(3, 100.0)[2_000:5_000], np.zeros(1_000, np.float32)])
    said = LabelledTime(
        segments=(Segment(0.5, 0.7, "ring"), Segment(0.1, 0.25, "tap"), Segment(0.3, 0.8, "tool")),
        reviewed=(Span(0.0, 1.0),),
        warmup_s=0.02,
        day=Day(call_gap_s=0.01, grace_s=0.05),
    )
    detectors = {
        "circuit": Circuit(BOARD, np.array([300.0, 120.0, 60.0])),
        "envelope": EnvelopeDetector(BOARD, np.array([0.002, 0.006, 0.01]), tau_s=0.01),
    }
    delays = np.array([0.01, 0.05])
    integrator = Integrator(0.5, 0.3, 0.05, hold_kind, 0.0 if hold_kind is HoldKind.NONE else 0.06)

    def everything(folder: Path) -> dict[str, bytes]:
        folder.mkdir()
        dataset = one_recording(folder, samples, RATE_HZ, said, BOARD)
        found: dict[str, bytes] = {}
        for name, detector in detectors.items():
            (tally,) = sweep(
                dataset, detector, delay_s=delays, integrator=integrator, warmup_s=said.warmup_s,
                cache=CrossingCache(folder),
            ).tallies  # fmt: skip
            for part in ("status", "response_s", "alarms", "alarm_s"):
                found[f"{name} {part}"] = getattr(tally, part).tobytes()
            found[f"{name} state"] = b"".join(v.tobytes() for v in leaves(detect(detector, samples, [])[1]))
        return found

    compiled = everything(tmp_path / "compiled")
    plainly(monkeypatch)
    plain = everything(tmp_path / "plain")
    assert {name for name in compiled if compiled[name] != plain[name]} == set()
    counts = np.frombuffer(compiled["circuit status"], np.uint8)
    assert 1 in counts
    assert np.frombuffer(compiled["circuit alarms"], np.int32).sum() > 0
