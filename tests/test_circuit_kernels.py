"""The board's compiled loops: a window passed over quickly gives the same bits; lanes apart and together agree.

That the loops compute what the design says is tested with the plain twin in `test_sweep.py`, with a stiff
solver in `test_circuit.py` and with a circuit simulator in `test_fidelity.py`.
"""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from evalkit._circuit_kernels import LANES, WINDOW, Constant, circuit_lanes_apart
from evalkit.board import Board
from evalkit.detectors import Source
from evalkit.detectors.circuit import CircuitDetector, CircuitState

from .solver import default_board
from .strategies import exactly

BOARD = default_board()
NEAR_0_V = replace(BOARD, amplifier=replace(BOARD.amplifier, bias=exactly(0.1)))
QUICK = replace(
    BOARD,
    amplifier=replace(BOARD.amplifier, leg_capacitor=None, bias=exactly(0.02), bias_current=exactly(0.0)),
    rectifier=replace(BOARD.rectifier, coupling=exactly(220e-9), storage=exactly(22e-9), bleed=exactly(10e3)),
)
NO_LEG = replace(BOARD, amplifier=replace(BOARD.amplifier, leg_capacitor=None, bias=exactly(0.02)))
GAIN = np.geomspace(1_000.0, 4.5, 2 * LANES)


def with_rows(state: CircuitState, **rows: float) -> CircuitState:
    """Return the state with some of the bounds' constants set to one number."""
    lanes = state.constants.lanes.copy()
    for name, value in rows.items():
        lanes[Constant[name]] = value
    return replace(state, constants=replace(state.constants, lanes=lanes))


def outcome(detector: CircuitDetector, samples: NDArray[np.float32], state: CircuitState) -> list[bytes]:
    """Return the crossings and the final voltages."""
    crossings, after = detector.advance(samples, state)
    return [a.tobytes() for a in (crossings.lane, crossings.sample, crossings.above, after.lanes)]


def mixture(seed: int, rate_hz: int, level: float) -> NDArray[np.float32]:
    """A second of hum, bursts, steps and silence."""
    rng = np.random.default_rng(seed)
    t = np.arange(rate_hz) / rate_hz
    wave = (
        level
        * np.sin(2.0 * np.pi * rng.uniform(60.0, 400.0) * t)
        * (rng.random(8).repeat(rate_hz // 8) > 0.4)
    )
    wave += 0.1 * level * rng.standard_normal(rate_hz) * (rng.random(16).repeat(rate_hz // 16) > 0.5)
    wave[rate_hz // 2 :] += level * np.exp(-20.0 * t[: rate_hz - rate_hz // 2]) * rng.choice([-2.0, 0.0, 2.0])
    return wave.astype(np.float32)


@settings(max_examples=40, derandomize=True, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    rate_hz=st.sampled_from([8_000, 16_000, 24_000, 48_000]),
    level=st.floats(-4.0, 1.0).map(lambda x: 10.0**x),
    board=st.sampled_from([BOARD, NEAR_0_V, NO_LEG, QUICK]),
)
def test_a_window_in_which_less_can_happen_is_passed_over_without_changing_a_bit(
    seed: int, rate_hz: int, level: float, board: Board
) -> None:
    detector, samples = CircuitDetector(board, GAIN), mixture(seed, rate_hz, level)
    state = detector.at_rest(Source(rate_hz, 1.0, None))
    crossings, after = detector.advance(samples, state)
    # sample by sample nothing is passed over
    seen, in_full = detector.voltages(samples, state)
    assert after.lanes.tobytes() == in_full.lanes.tobytes()
    assert after.front.tobytes() == in_full.front.tobytes()
    changes = np.diff(seen.above, axis=0, prepend=np.uint8(0)) != 0
    expected = [(lane, sample) for sample, lane in np.argwhere(changes).tolist()]
    assert sorted(zip(crossings.lane.tolist(), crossings.sample.tolist())) == sorted(expected)


def test_a_bleed_so_quick_that_the_series_diode_charges_again_is_reckoned_with() -> None:
    # what bleeds off within a window lets the coupling capacitor be charged farther: the clamp diode may act then
    detector = CircuitDetector(QUICK, np.array([100.0]))
    samples = np.zeros(24 * WINDOW, np.float32)
    samples[1_281:1_320] = 0.006
    state = detector.at_rest(Source(8_000, 1.0, QUICK.pickup.load.typ))
    _, at_once = detector.advance(samples, state)
    _, in_full = detector.voltages(samples, state)
    assert at_once.lanes.tobytes() == in_full.lanes.tobytes()


@pytest.mark.parametrize(("level", "idle"), [(1e-6, True), (0.3, False)])
def test_windows_are_passed_over_where_it_is_quiet_and_only_there(level: float, idle: bool) -> None:
    # with bounds drawn so close that every window counts as idle, a quiet recording still comes out the same
    detector, samples = CircuitDetector(BOARD, GAIN), mixture(1, 48_000, level)
    state = detector.at_rest(Source(48_000, 1.0, None))
    always_idle = outcome(detector, samples, with_rows(state, REACH=-1e6, DRIFT=0.0, HIGH=1e9, LOW=-1e9))
    assert (always_idle == outcome(detector, samples, state)) is idle


def test_boards_apart_give_the_voltages_of_the_sweep() -> None:
    rate_hz, observed_from = 48_000, 576  # the storage capacitor still rises
    detector = CircuitDetector(BOARD, np.geomspace(900.0, 20.0, LANES))
    state = detector.at_rest(Source(rate_hz, None, None))
    c = state.constants
    tone = np.sin(2.0 * np.pi * 175.0 / rate_hz * np.arange(9_600))
    amplitude = 0.03125  # so that tone x amplitude is exact in both
    seen, _ = detector.voltages((tone.astype(np.float32) * np.float32(amplitude)), state)
    highest, lowest = np.full(LANES, -np.inf, np.float32), np.full(LANES, np.inf, np.float32)
    arguments: list[Any] = [
        tone.astype(np.float32).astype(np.float64), np.full(LANES, amplitude),
        np.repeat(c.pickup[:, None], LANES, axis=1), np.full(LANES, c.clamp_v), c.stride, c.lanes, c.at_rest.copy(),
    ]  # fmt: skip
    circuit_lanes_apart(*arguments, highest, lowest, observed_from)
    span = np.float32(c.span_v)
    assert (highest * span).tolist() == seen.storage_v.max(axis=0).tolist()
    assert (lowest * span).tolist() == seen.storage_v[observed_from + c.stride - 1 :].min(axis=0).tolist()
    assert lowest.min() > 0.0
