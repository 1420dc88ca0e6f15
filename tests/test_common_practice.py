"""What whoever builds such boxes expects of one at its recommended setting: common practice, no source."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from evalkit.cache import CrossingCache
from evalkit.crossings import Integrator, alerts_of
from evalkit.dataset import read_dataset
from evalkit.detectors import Source
from evalkit.detectors.circuit import CircuitDetector
from evalkit.recommendation import Recommendation, recommend
from evalkit.training import DetectorName

RATE_HZ = 16_000
Made = Callable[..., NDArray[np.float64]]


@pytest.fixture
def found(tiny_dataset: Path) -> Recommendation:
    dataset = read_dataset(tiny_dataset)
    return recommend(dataset, DetectorName.CIRCUIT, cache=CrossingCache(dataset.folder))


def alerts(found: Recommendation, board_of: Path, volts: NDArray[np.float64]) -> list[float]:
    """Start times of the alerts of the box at the recommended setting."""
    board = read_dataset(board_of).board
    assert found.gain is not None
    detector = CircuitDetector(board, np.array([found.gain]))
    crossings, _ = detector.advance(
        volts.astype(np.float32), detector.at_rest(Source(RATE_HZ, full_scale_v=1.0, input_ohms=None))
    )
    chunks = alerts_of(
        [crossings],
        sample_rate_hz=RATE_HZ,
        duration_s=len(volts) / RATE_HZ,
        n_lanes=1,
        delay_s=np.array([found.delay_s]),
        integrator=Integrator.of_board(board),
        marks_s=np.zeros(0),
    )
    return [float(start) for chunk in chunks for start in chunk.times[:, 0]]


def test_a_short_tap_trips_nothing_and_a_call_does(
    found: Recommendation, tiny_dataset: Path, make_burst: Made
) -> None:
    """A knock of 30 ms that is stronger than any call, on a box that was set with other taps and calls."""
    assert found.choice.acceptable
    t = np.arange(6 * RATE_HZ) / RATE_HZ
    since = np.maximum(t - 2.0, 0.0)
    tap = 1.0 * np.exp(-since / 0.03) * np.sin(2.0 * np.pi * 310.0 * since)
    call = make_burst(160, 6, 2, 4, 0.2)
    assert alerts(found, tiny_dataset, tap) == []
    (start_s,) = alerts(found, tiny_dataset, call)
    assert 2.0 + 0.5 * found.delay_s < start_s < 4.0


def test_it_falls_silent_by_itself_and_stays_so(found: Recommendation, tiny_dataset: Path) -> None:
    """With no vibration no alert begins, also from the first sample on."""
    assert alerts(found, tiny_dataset, np.zeros(6 * RATE_HZ)) == []


def test_what_remains_after_trimming_leaves_nearly_every_box_passing(found: Recommendation) -> None:
    built = found.built
    assert built is not None
    assert built.bench_pass_share is not None
    assert built.bench_pass_share > 0.99
    assert built.ohms_pass_share is not None
    assert built.ohms_pass_share <= built.bench_pass_share
