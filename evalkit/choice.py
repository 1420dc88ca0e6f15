"""The choice of a setting: passing, and as far as possible from any that fails."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evalkit.planes import Plane

__all__ = ["Choice", "Margin", "Spread", "choose"]


@dataclass(frozen=True)
class Spread:
    """Spread (1 sigma) of a built board about its setting."""

    threshold: float
    """In the unit of the threshold axis: dB or log-odds."""
    delay: float
    """Of the delay's natural logarithm: a share of the delay."""


@dataclass(frozen=True)
class Margin:
    """How far the chosen setting may drift before a limit fails, the smaller side."""

    threshold: float
    """In the unit of the threshold axis, at the chosen delay."""
    delay_percent: float
    """At the chosen threshold."""
    at_least: bool
    """True where the edge of the sweep, not a failing setting, ends a margin."""


@dataclass(frozen=True)
class Choice:
    """A cell of the plane and why it was taken."""

    lane: int
    delay_index: int
    acceptable: bool
    """Whether no known limit fails there."""
    distance: float
    """To the nearest failing setting, in spreads; nan where nothing passes."""
    margin: Margin | None
    """None where nothing passes."""
    edge_decides: bool
    """Whether the nearest failing setting is the sweep's own edge."""


def choose(
    plane: Plane, position: NDArray[np.float64], delay_s: NDArray[np.float64], spread: Spread
) -> Choice:
    """Choose the passing setting farthest from any failing one.

    Distance is measured in the board's spread. A failing setting stands for
    its cell, whose border is the midpoint between the last passing and the
    first failing setting, that is half a step from either. Outside the sweep
    counts as failing. Ties go to the lower threshold, then to the shorter delay.
    Where nothing passes: the setting with the smallest worst violation.

    Parameters
    ----------
    plane : Plane
    position : ndarray of shape (n_lanes,), ascending
        Threshold axis, dB or log-odds.
    delay_s : ndarray of shape (n_delays,), ascending, seconds
    spread : Spread

    Returns
    -------
    Choice
    """
    passing = plane.acceptable
    if not passing.any():
        lane, d = divmod(int(np.argmin(plane.violation)), passing.shape[1])
        return Choice(lane, d, False, math.nan, None, False)
    x, y = position / spread.threshold, np.log(delay_s) / spread.delay
    x_edge, y_edge = _edges(x), _edges(y)
    lanes, delays = np.nonzero(passing)
    outside = np.minimum.reduce(
        [x[lanes] - x_edge[0], x_edge[-1] - x[lanes], y[delays] - y_edge[0], y_edge[-1] - y[delays]]
    )
    nearest = np.full(len(lanes), np.inf)
    for i, j in zip(*np.nonzero(_rim(passing))):
        dx = np.maximum(0.0, np.maximum(x_edge[i] - x[lanes], x[lanes] - x_edge[i + 1]))
        dy = np.maximum(0.0, np.maximum(y_edge[j] - y[delays], y[delays] - y_edge[j + 1]))
        np.minimum(nearest, np.hypot(dx, dy), out=nearest)
    distance = np.minimum(nearest, outside)
    # equal up to rounding is a tie; nonzero lists lower thresholds, then shorter delays, first
    best = int(np.argmax(distance >= distance.max() * (1.0 - 1e-12)))
    lane, d = int(lanes[best]), int(delays[best])
    return Choice(
        lane=lane,
        delay_index=d,
        acceptable=True,
        distance=float(distance[best]),
        margin=_margin(passing, position, delay_s, lane, d),
        edge_decides=bool(outside[best] < nearest[best]),
    )


def _edges(axis: NDArray[np.float64]) -> NDArray[np.float64]:
    """Borders of the cells: midpoints, and half a step beyond the ends."""
    if len(axis) == 1:
        return np.array([-np.inf, np.inf])
    middles = 0.5 * (axis[1:] + axis[:-1])
    return np.concatenate([[2 * axis[0] - middles[0]], middles, [2 * axis[-1] - middles[-1]]])


def _rim(passing: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Failing cells that touch a passing one: no other can be the nearest."""
    padded = np.pad(passing, 1)
    n, m = passing.shape
    near = np.zeros_like(passing)
    for i in (0, 1, 2):
        for j in (0, 1, 2):
            near |= padded[i : i + n, j : j + m]
    return near & ~passing


def _margin(
    passing: NDArray[np.bool_], position: NDArray[np.float64], delay_s: NDArray[np.float64], lane: int, d: int
) -> Margin:
    """Distances along the two axes from a passing cell to the border of its passing run."""
    low, high, open_threshold = _run(passing[:, d], _edges(position), lane)
    shortest, longest, open_delay = _run(passing[lane], _edges(np.log(delay_s)), d)
    centre = math.log(delay_s[d])
    sides = (1.0 - math.exp(shortest - centre), math.exp(min(longest - centre, 700.0)) - 1.0)
    down, up = position[lane] - low, high - position[lane]
    return Margin(
        threshold=float(min(down, up)),
        delay_percent=100.0 * min(sides),
        at_least=bool(open_threshold[int(np.argmin([down, up]))] or open_delay[int(np.argmin(sides))]),
    )


def _run(
    passing: NDArray[np.bool_], edges: NDArray[np.float64], at: int
) -> tuple[float, float, tuple[bool, bool]]:
    """Borders of the run of passing cells around `at`, and whether each is the sweep's edge."""
    first = last = at
    while first > 0 and passing[first - 1]:
        first -= 1
    while last < len(passing) - 1 and passing[last + 1]:
        last += 1
    return float(edges[first]), float(edges[last + 1]), (first == 0, last == len(passing) - 1)
