"""Built boards: how parts are drawn, what their tolerances come to, and that simulation in full agrees."""

import hashlib
import math
from dataclasses import replace
from functools import cached_property
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy import stats

from evalkit.board import Board, Value
from evalkit.built import aged, at_supply, board_at, in_environment, sources_of
from evalkit.cache import CrossingCache
from evalkit.crossings import Integrator
from evalkit.dataset import Dataset, Recording
from evalkit.day import Day, Exposure, Limits
from evalkit.detectors import Levels, LevelUnit
from evalkit.detectors.circuit import CircuitDetector
from evalkit.detectors.tone import Hearing, threshold_by_formula, tone_thresholds
from evalkit.planes import plane_of
from evalkit.scoring import sweep
from evalkit.segments import Segment
from evalkit.spans import Span
from evalkit.tolerances import (
    BuiltBoard,
    BuiltBoards,
    build_boards,
    built_pass_share,
    simulate_tolerances,
)

from .solver import default_board

_DEFAULT = default_board()
BOARD = replace(_DEFAULT, hold=replace(_DEFAULT.hold, resistor=_DEFAULT.hold.resistor.refitted(100e3)))
"""The default board with half of its hold: none that is built holds over the 6.5 s between the calls here."""


class TestDrawing:
    def test_min_and_max_lie_at_3_sigma(self) -> None:
        """Symmetrical: the split normal is the normal distribution."""
        for deviate, ohms in ((-3.0, 0.95e6), (0.0, 1e6), (1.0, 1e6 + 50e3 / 3.0), (3.0, 1.05e6)):
            assert board_at(BOARD, {"pickup.load": deviate}).pickup.load.typ == pytest.approx(ohms)

    def test_split_normal(self) -> None:
        """Sides of other widths: the mode stays, and each side is half a normal of its own sigma.

        Of a split normal with s1, s2 the probability under the mode is s1/(s1 + s2), the mean is the mode
        + sqrt(2/pi)(s2 - s1), the variance (1 - 2/pi)(s2 - s1)^2 + s1 s2 (S. John, 1982, from memory; checked
        here against numerical integration).
        """
        low, typ, high = 2.52e-9 / 2.0, 2.52e-9, 2.0 * 2.52e-9
        s1, s2 = (typ - low) / 3.0, (high - typ) / 3.0
        p = (np.arange(4000) + 0.5) / 4000.0
        drawn = np.array(
            [
                board_at(BOARD, {"rectifier.diode_saturation": float(z)}).rectifier.diode_saturation.typ
                for z in stats.norm.ppf(p)
            ]
        )
        assert np.mean(drawn < typ) == pytest.approx(s1 / (s1 + s2), abs=1e-3)
        assert drawn.mean() == pytest.approx(typ + math.sqrt(2.0 / math.pi) * (s2 - s1), rel=1e-3)
        variance = (1.0 - 2.0 / math.pi) * (s2 - s1) ** 2 + s1 * s2
        assert drawn.var() == pytest.approx(variance, rel=0.01)

    def test_only_what_spreads_is_a_source(self) -> None:
        names = sources_of(BOARD)
        assert "amplifier.input_clamp" not in names
        assert {"supply.voltage", "supply.temperature", "gate.positive", "gate.negative"} <= set(names)
        # knobs are set to a resistance
        assert "integrator.pot" not in names
        assert "amplifier.feedback_pot" not in names

    def test_no_deviation_is_the_typical_board(self) -> None:
        zero = dict.fromkeys(sources_of(BOARD), 0.0)
        board = in_environment(aged(board_at(BOARD, zero), zero), zero)
        assert board.rectifier.diode_saturation.typ != BOARD.rectifier.diode_saturation.typ  # its median
        for name in ("pickup.load", "supply.voltage", "comparator.divider_top"):
            group, field = name.split(".")
            assert getattr(getattr(board, group), field).typ == getattr(getattr(BOARD, group), field).typ

    def test_gate_thresholds_of_one_gate_move_together_and_stay_apart(self) -> None:
        rng = np.random.default_rng(1)
        boards = [
            board_at(BOARD, {"gate.positive": float(a), "gate.negative": float(b)})
            for a, b in rng.standard_normal((2000, 2))
        ]
        up = np.array([b.gate_positive_v for b in boards])
        down = np.array([b.gate_negative_v for b in boards])
        assert np.corrcoef(up, down)[0, 1] == pytest.approx(0.64, abs=0.05)
        # HCF4093B sheet, p. 3: hysteresis at least 0.3 V at 5 V, 1.2 V at 10 V
        assert (up - down).min() >= 0.06 * 12.0 - 1e-9
        # 4.6/5.9/7.1 V at 10 V: sigma (1.3 + 1.2)/6 = 0.42 V; at 12 V, between 10 and 15 V, 0.51 V
        assert up.std() == pytest.approx(0.51, rel=0.06)

    def test_measured_values_follow_the_supply(self) -> None:
        """A measured reference is still made by its divider, a high output still lies under the supply."""
        c = replace(
            BOARD.comparator,
            reference_measured=Value(2.0, 2.0, 2.0),
            output_high_measured=Value(10.4, 10.4, 10.4),
        )
        board = at_supply(replace(BOARD, comparator=c), 11.0)
        assert board.reference_v == pytest.approx(2.0 * 11.0 / 12.0)
        assert board.comparator_high_v == pytest.approx(9.4)
        assert board.resting_output_v == pytest.approx(5.2 * 11.0 / 12.0 + 0.02)

    def test_ageing_is_a_fifth_of_the_tolerance(self) -> None:
        old = aged(BOARD, dict.fromkeys(sources_of(BOARD), 3.0))
        assert old.integrator.capacitor.typ == pytest.approx(2.2e-6 * 1.02)
        assert old.gate == BOARD.gate
        assert old.comparator.headroom == BOARD.comparator.headroom


class TestThresholds:
    def test_short_tone_at_16_khz_shifts_as_the_definition_does(self) -> None:
        """What the Monte Carlo computes, against the threshold by its definition (48 kHz, 5 s)."""
        built = build_boards(BOARD, gain=60.0, charging_ohm=3e5, n_boards=12, seed=3)
        boards, gain = [BOARD, *(b.used for b in built)], np.array([60.0, *(b.gain for b in built)])
        exact = 20.0 * np.log10(tone_thresholds(boards, gain))
        quick = 20.0 * np.log10(tone_thresholds(boards, gain, Hearing(16_000, 1.6, 0.05, 0.01)))
        assert quick[1:] - quick[0] == pytest.approx(exact[1:] - exact[0], abs=0.02)

    def test_formula_is_good_for_the_changes(self) -> None:
        """So that the search can begin near: 0.3 dB, and 0.05 dB from board to board."""
        built = build_boards(BOARD, gain=60.0, charging_ohm=3e5, n_boards=12, seed=3)
        boards, gain = [b.used for b in built], np.array([b.gain for b in built])
        apart_db = 20.0 * np.log10(
            tone_thresholds(boards, gain, Hearing(16_000, 1.6, 0.05, 0.01))
            / threshold_by_formula(boards, gain)
        )
        assert np.abs(apart_db).max() < 0.4
        assert np.ptp(apart_db) < 0.05


class TestSpread:
    def test_reference_alone_by_propagation_of_errors(self) -> None:
        """Threshold about (trip/2 + drop)/gain; the drop grows as n Vt ln(current), the current as the level.

        Reference 2 V from 100 kohm over 20 kohm: d ln(ref)/d ln(top) = -100/120; sigma = 5 %/3.
        """
        board = _exact(BOARD)
        top = Value(100e3, 95e3, 105e3)
        board = replace(board, comparator=replace(board.comparator, divider_top=top))
        found = simulate_tolerances(board, gain=60.0, n_boards=300)
        swing_v = 60.0 * float(tone_thresholds([board], np.array([60.0]))[0])
        expected = (5.0 / 300.0) * (100.0 / 120.0) * (0.5 * board.reference_v + board.diode_scale_v) / swing_v
        by_name = {cause.name: cause for cause in found.causes}
        assert by_name["comparator.divider_top"].threshold_db == pytest.approx(
            -20.0 / math.log(10.0) * expected, rel=0.03
        )
        # with the ohmmeter's 1 % on the gain
        both = 20.0 / math.log(10.0) * math.hypot(expected, 0.01)
        assert found.ohms.spread.threshold == pytest.approx(both, rel=0.12)
        # trimmed on the bench, only the meter's error remains: 1 % are 0.087 dB
        assert found.bench.spread.threshold == pytest.approx(0.0869, rel=0.12)
        assert found.bench.spread.delay == pytest.approx(0.01, rel=0.12)

    def test_gate_makes_the_delay_by_ohms_and_trimming_takes_it_away(self) -> None:
        """HCF4093B sheet: a nominal RC delay becomes 0.62/0.89 to 1.24/0.89 of itself at 10 V."""
        found = simulate_tolerances(BOARD)
        assert found.causes[0].name == "gate.positive"
        assert 0.12 < found.ohms.spread.delay < 0.16
        assert found.bench.spread.delay < 0.02
        assert 0.15 < found.bench.spread.threshold <= found.ohms.spread.threshold < 0.35

    def test_gate_that_never_fires_counts_as_never(self) -> None:
        gate = replace(
            BOARD.gate, positive_measured=Value(10.4, 9.0, 11.8), negative_measured=Value(3.0, 3.0, 3.0)
        )
        found = simulate_tolerances(replace(BOARD, gate=gate), n_boards=100)
        assert np.isinf(found.ohms.delay_ratio).any()
        assert np.isfinite(found.ohms.delay_ratio).any()

    def test_boards_of_which_too_many_never_fire_have_an_assumed_spread(self) -> None:
        built = BuiltBoards(np.linspace(-1.0, 1.0, 100), np.array([1.0, 1.1] * 40 + [np.inf] * 20))
        assert built.spread.delay == 0.10
        assert built.spread.threshold == pytest.approx(0.683, abs=0.02)

    def test_board_that_never_trips_is_simulated_all_the_same(self) -> None:
        """A reference of 9.6 V, which two drops under 10.5 V do not reach."""
        c = replace(BOARD.comparator, divider_bottom=Value(400e3, 396e3, 404e3))
        found = simulate_tolerances(replace(BOARD, comparator=c), n_boards=20)
        assert np.all(np.isinf(found.ohms.shift_db))
        assert found.bench.spread.threshold == 1.0
        assert np.all(np.isfinite(found.ohms.delay_ratio))

    def test_the_same_board_gives_the_same_boards(self) -> None:
        one = build_boards(BOARD, gain=60.0, charging_ohm=3e5, n_boards=3, seed=5)
        assert one == build_boards(BOARD, gain=60.0, charging_ohm=3e5, n_boards=3, seed=5)
        # and the first ones of many are those of few
        assert one == build_boards(BOARD, gain=60.0, charging_ohm=3e5, n_boards=5, seed=5)[:3]


class TestPassShare:
    POSITION = np.arange(-5.0, 6.0)
    DELAY_S = np.geomspace(0.1, 10.0, 21)

    def share(self, passing: NDArray[np.bool_], shift_db: list[float], ratio: list[float]) -> float:
        built = BuiltBoards(np.array(shift_db), np.array(ratio))
        return built_pass_share(built, passing, self.POSITION, self.DELAY_S, 5, 10)

    def test_boards_are_looked_up_in_the_cells_that_they_stand_in(self) -> None:
        passing = np.zeros((11, 21), bool)
        passing[5, 10] = True
        # half a step is 0.5 dB and a factor of 10^0.05
        assert self.share(passing, [0.49, 0.51, -0.49, -0.51], [1.0] * 4) == 0.5
        assert self.share(passing, [0.0] * 4, [1.12, 1.13, 0.892, 0.88]) == 0.5

    def test_beyond_the_sweep_none_passes(self) -> None:
        passing = np.ones((11, 21), bool)
        assert self.share(passing, [5.4, 5.6, -5.6, np.inf], [1.0] * 4) == 0.25
        assert self.share(passing, [0.0] * 4, [1.0, 11.0, np.inf, 120.0]) == 0.5


class TestBruteForce:
    """Shares read off the plane against boards that are simulated in full, each with its own parts."""

    def test_25_boards(self, tmp_path: Path) -> None:
        compare_with_simulation(tmp_path, 25)

    @pytest.mark.slow
    def test_100_boards(self, tmp_path: Path) -> None:
        compare_with_simulation(tmp_path, 100)


RATE_HZ = 8_000
GAIN, DELAY_S = 60.0, 0.5


class Circuit(CircuitDetector):
    """The detector on a threshold axis that is told, not found: it takes seconds and is not tried here."""

    @cached_property
    def levels(self) -> Levels:
        return Levels(-20.0 * np.log10(self.gain), LevelUnit.DECIBEL, None, self.gain)


def compare_with_simulation(folder: Path, n_boards: int) -> None:
    """At a setting near two borders of its region: of 1,000 boards read off, and of some simulated."""
    dataset = workshop(folder)
    delay_s = DELAY_S * np.exp(0.02 * np.arange(-50, 51))
    gain = GAIN * 10.0 ** (0.05 * np.arange(40, -41, -1) / 20.0)
    plane = passing(dataset, BOARD, gain, delay_s)
    assert plane[40, 50]
    assert not plane.all()
    charging_ohm = DELAY_S / BOARD.delay_s(1.0)
    simulated = simulate_tolerances(BOARD, gain=GAIN, charging_ohm=charging_ohm)
    share = built_pass_share(simulated.ohms, plane, -20.0 * np.log10(gain), delay_s, 40, 50)
    assert 0.3 < share < 0.9
    built = build_boards(BOARD, gain=GAIN, charging_ohm=charging_ohm, n_boards=n_boards, seed=99)
    passed = [passes(dataset, each) for each in built]
    low, high = stats.binom.interval(0.95, n_boards, share)
    assert low <= sum(passed) <= high
    # more than the shares: the same boards, one by one
    volts = tone_thresholds(
        [BOARD, *(each.used for each in built)],
        np.array([GAIN, *(each.gain for each in built)]),
        Hearing(16_000, 1.6, 0.05, 0.01),
    )
    ratios = [each.used.delay_s(each.charging_ohm) / DELAY_S for each in built]
    read_off = [
        built_pass_share(
            BuiltBoards(np.array([shift_db]), np.array([ratio])),
            plane,
            -20.0 * np.log10(gain),
            delay_s,
            40,
            50,
        )
        for shift_db, ratio in zip(20.0 * np.log10(volts[1:] / volts[0]), ratios)
    ]
    assert np.mean(np.array(read_off) == passed) >= 0.92


def passes(dataset: Dataset, built: BuiltBoard) -> bool:
    """Whether a board, simulated in full with its own integrator, gate and hold, meets the limits."""
    delay_s = np.array([built.used.delay_s(built.charging_ohm)])
    if not np.isfinite(delay_s[0]):
        return False
    return bool(passing(dataset, built.used, np.array([built.gain]), delay_s)[0, 0])


def passing(
    dataset: Dataset, board: Board, gain: NDArray[np.float64], delay_s: NDArray[np.float64]
) -> NDArray[np.bool_]:
    found = sweep(
        dataset,
        Circuit(board, gain),
        delay_s=delay_s,
        integrator=Integrator.of_board(board),
        warmup_s=BOARD.warmup_s,
        cache=CrossingCache(dataset.folder),
    )
    return plane_of(found.classes, found.tallies, dataset.day).acceptable


def workshop(folder: Path) -> Dataset:
    """Calls of rising level, of which two may be missed, and rattles of rising length: four may alarm."""
    threshold_v = float(tone_thresholds([BOARD], np.array([GAIN]))[0])
    segments, samples = [], np.zeros(int(260.0 * RATE_HZ))

    def add(start_s: float, seconds: float, over_db: float) -> None:
        t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
        at = int(start_s * RATE_HZ)
        samples[at : at + len(t)] = threshold_v * 10.0 ** (over_db / 20.0) * np.sin(2.0 * np.pi * 175.0 * t)

    for k in range(20):
        # the third weakest is 0.25 dB over the nominal threshold
        add(3.0 + 8.0 * k, 1.5, 0.05 + 0.1 * k)
        segments.append(Segment(3.0 + 8.0 * k, 4.5 + 8.0 * k, "ring"))
    for k in range(10):
        # the comparator stays high some 0.26 s after such a rattle
        add(165.0 + 9.0 * k, 0.02 + 0.02 * k, 8.0)
        segments.append(Segment(165.0 + 9.0 * k, 165.5 + 9.0 * k, "tap"))
    path = folder / "workshop.wav"
    soundfile.write(path, samples.astype(np.float32), RATE_HZ, subtype="FLOAT")
    recording = Recording(
        name="workshop",
        path=path,
        session="monday",
        phone="slab",
        channel=1,
        sample_rate_hz=RATE_HZ,
        n_frames=len(samples),
        full_scale_v=1.0,
        input_ohms=None,
        reviewed=(Span(0.0, 260.0),),
        audio_sha256=hashlib.sha256(samples.tobytes()).hexdigest(),
        segments=tuple(segments),
    )
    day = Day(
        limits=Limits(calls_caught=0.9, false_alarms_per_day=4.0, response_s=6.0),
        exposures=(Exposure("tap", 10.0, None),),
        roles={},
        call_gap_s=5.0,
        grace_s=1.0,
    )
    return Dataset(folder, "workshop", None, (recording,), day, BOARD)


def _exact(board: Board) -> Board:
    """The board without any spread."""
    names = sources_of(board)
    for name in names:
        if name.startswith("gate."):
            continue
        group, field = name.split(".")
        value = getattr(getattr(board, group), field)
        own = replace(getattr(board, group), **{field: Value(value.typ, value.typ, value.typ)})
        board = replace(board, **{group: own})
    up, down = board.gate_positive_v, board.gate_negative_v
    gate = replace(board.gate, **{
        row: tuple(Value(v.typ, v.typ, v.typ) for v in getattr(board.gate, row))
        for row in ("positive_one_input", "negative_one_input", "positive_tied", "negative_tied")
    })  # fmt: skip
    board = replace(board, gate=replace(gate, output_current=Value(2e-3, 2e-3, 2e-3)))
    assert (board.gate_positive_v, board.gate_negative_v) == (up, down)
    return board
