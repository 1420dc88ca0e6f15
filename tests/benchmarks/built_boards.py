"""Compare the share of built boards that pass, read off the plane, with boards simulated in full.

    python -m tests.benchmarks.built_boards DATASET [--boards 100]

DATASET is one made by `evalkit demo`. Every board is drawn from its parts' tolerances, supply and
temperature, and run over all recordings with its own amplifier, rectifier, comparator, integrator, gate and
hold. Two settings are tried: the recommended one, and one that lies a quarter of a decibel from the border of
the passing region, where the share is not 1. About half an hour for 100 boards; the demo's sounds are
synthesised.
"""

import argparse
import tempfile
from dataclasses import replace
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from evalkit.board import Board
from evalkit.cache import CrossingCache
from evalkit.crossings import Integrator
from evalkit.dataset import Dataset, read_dataset
from evalkit.detectors import Levels, LevelUnit
from evalkit.detectors.circuit import CircuitDetector
from evalkit.detectors.tone import tone_thresholds
from evalkit.planes import plane_of
from evalkit.recommendation import recommend
from evalkit.scoring import sweep
from evalkit.tolerances import METER_SIGMA, build_boards, built_pass_share, simulate_tolerances
from evalkit.training import DetectorName

Array = NDArray[np.float64]
STEP_DB = 0.05
FROM_BORDER_DB = 0.25


class Circuit(CircuitDetector):
    """The detector on an axis of gains, whose equivalent thresholds are not asked for."""

    @cached_property
    def levels(self) -> Levels:
        return Levels(-20.0 * np.log10(self.gain), LevelUnit.DECIBEL, None, self.gain)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("dataset", type=Path)
    parser.add_argument("--boards", type=int, default=100)
    arguments = parser.parse_args()
    dataset = read_dataset(arguments.dataset)
    found = recommend(dataset, DetectorName.CIRCUIT, cache=CrossingCache(dataset.folder))
    assert found.gain is not None
    assert found.hold is not None
    assert found.choice.acceptable
    dataset = replace(dataset, board=replace(dataset.board, hold=found.hold))
    print(f"recommended: gain {found.gain:.1f}, delay {found.delay_s:.3f} s; {arguments.boards} boards each")
    print(f"{'setting':34}{'knobs set':14}{'read off':>9}{'simulated':>11}  95 % binomial limits")
    nearer = border_gain(dataset, found.gain, found.delay_s)
    compare(dataset, f"{FROM_BORDER_DB} dB from the border", nearer, found.delay_s, arguments.boards)
    compare(dataset, "recommended", found.gain, found.delay_s, arguments.boards)


def border_gain(dataset: Dataset, gain: float, delay_s: float) -> float:
    """Return the gain that lies `FROM_BORDER_DB` inside the nearer end of the passing thresholds."""
    steps = np.arange(-80, 81)
    gains = gain * 10.0 ** (-STEP_DB * steps / 20.0)
    passes = passing(dataset, dataset.board, gains, np.array([delay_s]))[:, 0]
    failing = steps[~passes]
    nearest = int(failing[np.argmin(np.abs(failing))])
    inside = nearest - int(np.sign(nearest) * FROM_BORDER_DB / STEP_DB)
    return float(gain * 10.0 ** (-STEP_DB * inside / 20.0))


def compare(dataset: Dataset, name: str, gain: float, delay_s: float, n_boards: int) -> None:
    """Print both shares at a setting, for knobs set by ohms and set on the bench."""
    board = dataset.board
    charging_ohm = delay_s / board.delay_s(1.0)
    gains = gain * 10.0 ** (STEP_DB * np.arange(32, -33, -1) / 20.0)
    delays = delay_s * np.exp(0.02 * np.arange(-40, 41))
    plane = passing(dataset, board, gains, delays)
    read_off = simulate_tolerances(board, gain=gain, charging_ohm=charging_ohm)
    built = build_boards(board, gain=gain, charging_ohm=charging_ohm, n_boards=n_boards, seed=77)
    own, nominal = np.array([b.gain for b in built]), np.array([gain])
    new_v, nominal_v = tone_thresholds([b.new for b in built], own), tone_thresholds([board], nominal)
    meter = 1.0 + METER_SIGMA * np.random.default_rng(78).standard_normal((2, n_boards))
    for spread, stands in (("by ohms", read_off.ohms), ("on the bench", read_off.bench)):
        passed = 0
        for k, b in enumerate(built):
            own_gain, own_ohm = b.gain, b.charging_ohm
            if spread == "on the bench":
                own_gain *= new_v[k] / nominal_v[0] / meter[0, k]
                own_ohm *= delay_s / b.new.delay_s(b.charging_ohm) * meter[1, k]
            own_delay = np.array([b.used.delay_s(own_ohm)])
            if np.isfinite(own_delay[0]):
                passed += int(passing(dataset, b.used, np.array([own_gain]), own_delay)[0, 0])
        share = built_pass_share(stands, plane, -20.0 * np.log10(gains), delays, 32, 40)
        low, high = stats.binom.interval(0.95, n_boards, share)
        print(
            f"{name:34}{spread:14}{share:9.3f}{passed / n_boards:11.3f}  {low / n_boards:.2f} to "
            f"{high / n_boards:.2f}",
            flush=True,
        )


def passing(dataset: Dataset, board: Board, gain: Array, delay_s: Array) -> NDArray[np.bool_]:
    """Return which settings of a board meet the dataset's limits."""
    with tempfile.TemporaryDirectory() as folder:
        swept = sweep(
            dataset,
            Circuit(board, gain),
            delay_s=delay_s,
            integrator=Integrator.of_board(board),
            warmup_s=dataset.board.warmup_s,
            cache=CrossingCache(Path(folder)),
        )
    return plane_of(swept.classes, swept.tallies, dataset.day).acceptable


if __name__ == "__main__":
    main()
