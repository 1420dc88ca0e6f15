"""The choice of a setting on planes whose answer can be seen, and against a search without shortcuts."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from evalkit.choice import Choice, Spread, choose
from evalkit.day import BACKGROUND, Day
from evalkit.planes import Plane, plane_of
from evalkit.scoring import Tally
from evalkit.segments import Call

STEP = 0.1
UNIT = Spread(threshold=1.0, delay=STEP)
"""With thresholds 1 dB and delays 10 % (log-ratio) apart, one step is one spread along either axis."""


def plane_with(violation: NDArray[np.float64]) -> Plane:
    """Return a plane whose worst violations are given: at most 1 passes."""
    shape = violation.shape
    tally = Tally(
        "bench", "monday", (Call(20.0, 30.0, "", False),), np.ones((1, *shape), np.uint8),
        np.ones((1, *shape), np.float32), np.zeros((1, *shape), np.int32), np.zeros((1, *shape)),
        np.zeros(1), np.ones(1),
    )  # fmt: skip
    return replace(plane_of((BACKGROUND,), [tally], Day()), violation=violation)


def choice_of(passing: NDArray[np.bool_], spread: Spread = UNIT) -> Choice:
    n, m = passing.shape
    return choose(
        plane_with(np.where(passing, 0.5, 2.0)), np.arange(float(n)), np.exp(STEP * np.arange(m)), spread
    )


def block(shape: tuple[int, int], lanes: slice, delays: slice) -> NDArray[np.bool_]:
    passing = np.zeros(shape, bool)
    passing[lanes, delays] = True
    return passing


def test_centre_of_a_rectangle_is_chosen() -> None:
    found = choice_of(block((15, 12), slice(4, 9), slice(3, 8)))
    assert (found.lane, found.delay_index, found.acceptable) == (6, 5, True)
    # two and a half steps to the midpoints beyond which settings fail, either way
    assert found.distance == pytest.approx(2.5)
    assert found.margin is not None
    assert found.margin.threshold == pytest.approx(2.5)
    assert found.margin.delay_percent == pytest.approx(100.0 * (1.0 - math.exp(-2.5 * STEP)))
    assert not found.margin.at_least
    assert not found.edge_decides


def test_distance_is_counted_in_the_board_s_spread() -> None:
    # 9 dB by 5 steps of delay. With thresholds that scatter by 3 dB and delays by one step the nearest
    # failing settings lie along the threshold axis: its middle decides, and the delay has play
    passing = block((30, 20), slice(10, 19), slice(5, 10))
    found = choice_of(passing, Spread(threshold=3.0, delay=STEP))
    assert found.lane == 14
    assert found.distance == pytest.approx(4.5 / 3.0)
    # the shortest of the delays that are no nearer to a failing one than 1.5 steps
    assert found.delay_index == 6
    found = choice_of(passing, Spread(threshold=1.0, delay=10.0 * STEP))
    assert found.delay_index == 7
    assert found.distance == pytest.approx(0.25)
    assert found.lane == 10


def test_ties_go_to_the_lower_threshold_then_to_the_shorter_delay() -> None:
    assert (found := choice_of(block((14, 14), slice(4, 8), slice(4, 8)))).distance == pytest.approx(1.5)
    assert (found.lane, found.delay_index) == (5, 5)
    two = block((20, 20), slice(3, 6), slice(12, 15)) | block((20, 20), slice(10, 13), slice(4, 7))
    assert (choice_of(two).lane, choice_of(two).delay_index) == (4, 13)
    along = block((20, 20), slice(3, 6), slice(12, 15)) | block((20, 20), slice(3, 6), slice(4, 7))
    assert (choice_of(along).lane, choice_of(along).delay_index) == (4, 5)


def test_hole_in_the_region_counts_as_failing() -> None:
    passing = block((17, 17), slice(3, 14), slice(3, 14))
    passing[8, 8] = False
    found = choice_of(passing)
    # the centre is gone; the farthest from hole and border lies half-way out along a diagonal
    assert found.lane != 8
    assert found.distance == pytest.approx(3.5 * 1.0, abs=1.2)
    assert found == choice_by_search(passing, UNIT, found)


def test_wide_low_block_beats_a_long_narrow_strip() -> None:
    passing = block((30, 30), slice(2, 25), slice(20, 22)) | block((30, 30), slice(5, 10), slice(5, 10))
    assert (choice_of(passing).lane, choice_of(passing).delay_index) == (7, 7)


def test_edge_of_the_sweep_fails_and_is_named_where_it_decides() -> None:
    found = choice_of(np.ones((9, 9), bool))
    assert (found.lane, found.delay_index) == (4, 4)
    assert found.distance == pytest.approx(4.5)
    assert found.edge_decides
    assert found.margin is not None
    assert found.margin.at_least
    # a region that touches one edge only: the edge is as near as the failing settings opposite
    found = choice_of(block((9, 30), slice(0, 5), slice(10, 25)))
    assert found.lane == 2
    assert not found.edge_decides
    # open to one side, decided by that side
    found = choice_of(block((9, 30), slice(0, 6), slice(10, 25)))
    assert found.lane in (2, 3)
    found = choice_of(block((5, 40), slice(0, 5), slice(10, 30)))
    assert found.edge_decides


def test_margin_is_that_of_the_smaller_side() -> None:
    # two lobes: the choice sits in the large one; along its row the region goes on to one side
    passing = block((20, 30), slice(5, 10), slice(5, 10))
    passing[7, 10:20] = True
    found = choice_of(passing)
    assert (found.lane, found.delay_index) == (7, 7)
    assert found.margin is not None
    assert found.margin.threshold == pytest.approx(2.5)
    # down to the midpoint below 2.5 steps shorter: less, in per cent, than as many steps longer
    assert found.margin.delay_percent == pytest.approx(100.0 * (1.0 - math.exp(-2.5 * STEP)))


def test_single_passing_setting_is_half_a_step_from_failing() -> None:
    found = choice_of(block((9, 9), slice(4, 5), slice(6, 7)))
    assert (found.lane, found.delay_index) == (4, 6)
    assert found.distance == pytest.approx(0.5)
    assert found.margin is not None
    assert found.margin.threshold == pytest.approx(0.5)


def test_nothing_passes_takes_the_smallest_worst_violation() -> None:
    violation = np.full((6, 7), 9.0)
    violation[3, 2] = 1.5
    violation[4, 5] = 1.2
    found = choose(plane_with(violation), np.arange(6.0), np.exp(STEP * np.arange(7)), UNIT)
    assert (found.lane, found.delay_index) == (4, 5)
    assert not found.acceptable
    assert math.isnan(found.distance)
    assert found.margin is None
    assert not found.edge_decides
    violation[1, 6] = violation[1, 3] = 1.2
    found = choose(plane_with(violation), np.arange(6.0), np.exp(STEP * np.arange(7)), UNIT)
    assert (found.lane, found.delay_index) == (1, 3)


def choice_by_search(passing: NDArray[np.bool_], spread: Spread, like: Choice) -> Choice:
    """Return `like` with the cell and distance that measuring to every failing cell gives."""
    n, m = passing.shape
    x, y = np.arange(float(n)) / spread.threshold, STEP * np.arange(m) / spread.delay
    half_x, half_y = 0.5 / spread.threshold, 0.5 * STEP / spread.delay
    best, cell = -math.inf, (0, 0)
    for i in range(n):
        for j in range(m):
            if not passing[i, j]:
                continue
            sides = (x[i] - x[0] + half_x, x[-1] - x[i] + half_x, y[j] - y[0] + half_y, y[-1] - y[j] + half_y)
            nearest = min(sides)
            for a in range(n):
                for b in range(m):
                    if not passing[a, b]:
                        apart = (abs(x[a] - x[i]) - half_x, abs(y[b] - y[j]) - half_y)
                        nearest = min(nearest, math.hypot(max(apart[0], 0.0), max(apart[1], 0.0)))
            if nearest > best * (1.0 + 1e-9):
                best, cell = nearest, (i, j)
    assert like.distance == pytest.approx(best)
    return replace(like, lane=cell[0], delay_index=cell[1])


@settings(derandomize=True, deadline=None, database=None, max_examples=40)
@given(
    seed=st.integers(0, 10_000),
    share=st.sampled_from((0.3, 0.7, 0.95)),
    sigma=st.sampled_from((0.5, 1.0, 4.0)),
)
def test_choice_equals_a_search_over_all_failing_settings(seed: int, share: float, sigma: float) -> None:
    rng = np.random.default_rng(seed)
    passing = rng.random((8, 9)) < share
    if not passing.any():
        return
    spread = Spread(threshold=sigma, delay=STEP)
    found = choice_of(passing, spread)
    assert found == choice_by_search(passing, spread, found)


def test_axes_of_one_step_have_no_edge() -> None:
    found = choose(plane_with(np.full((1, 5), 0.5)), np.array([3.0]), np.exp(STEP * np.arange(5)), UNIT)
    assert (found.lane, found.delay_index) == (0, 2)
