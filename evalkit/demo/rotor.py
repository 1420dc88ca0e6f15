"""A shaft that is switched on and off: its angle and speed, exact at every sample."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["AUDIBLE_DB", "RENDERED_DB", "Rotor"]

Floats = npt.NDArray[np.float64]

AUDIBLE_DB = 30.0
"""A coasting unbalance counts as audible until its force is this far below the full one."""
RENDERED_DB = 60.0
"""Beyond this it is not computed any more."""
# What a processor's cache holds: a run of minutes is never whole in memory.
_PIECE_SAMPLES = 1 << 16


@dataclass(frozen=True)
class Rotor:
    """A shaft whose speed follows its drive with first-order lags.

    Driven: w' = (w0 - w) / spin_up. Coasting: w' = -w / coast_down. Both are
    solved in closed form, whatever the speed at which a drive begins.
    """

    speed_hz: float
    """Revolutions per second at full speed: rpm / 60."""
    spin_up_s: float
    coast_down_s: float

    def coasting_s(self, decay_db: float) -> float:
        """Return the time in which an unbalance's force falls by `decay_db`: it goes with speed squared."""
        return self.coast_down_s * decay_db * math.log(10.0) / 40.0

    def turn(
        self, drive: Sequence[tuple[float, float]], n_samples: int, sample_rate_hz: int
    ) -> Iterator[tuple[int, Floats, Floats, Floats]]:
        """Yield (first sample, angle, speed, change of speed) piece by piece, in order.

        Radians, rad/s, rad/s^2. A coast-down ends where the next drive begins, at
        `n_samples`, or `RENDERED_DB` down; between pieces the shaft does nothing.

        Parameters
        ----------
        drive : sequence of (start_s, end_s)
            Times at which the motor has current, in order.
        n_samples : int
            Length of what is wanted, at least to the last `end_s`.
        sample_rate_hz : int
            Samples per second.
        """
        full = 2.0 * math.pi * self.speed_hz
        up, down = self.spin_up_s, self.coast_down_s
        coast_samples = round(self.coasting_s(RENDERED_DB) * sample_rate_hz)
        angle_then, speed_then, last = 0.0, 0.0, 0
        for k, (start, end) in enumerate(drive):
            first = round(start * sample_rate_hz)
            gap = (first - last) / sample_rate_hz
            angle_then -= speed_then * down * math.expm1(-gap / down)
            speed_then *= math.exp(-gap / down)
            last = round(end * sample_rate_hz)
            missing = full - speed_then
            for a, b in _pieces(last - first):
                times = np.arange(a, b) / sample_rate_hz
                lag = np.exp(-times / up)
                angle = angle_then + full * times - missing * up * (1.0 - lag)
                yield first + a, angle, full - missing * lag, missing / up * lag
            driven = (last - first) / sample_rate_hz
            angle_then += full * driven + missing * up * math.expm1(-driven / up)
            speed_then = full - missing * math.exp(-driven / up)
            stop = round(drive[k + 1][0] * sample_rate_hz) if k + 1 < len(drive) else n_samples
            for a, b in _pieces(min(stop - last, coast_samples)):
                lag = np.exp(-np.arange(a, b) / (sample_rate_hz * down))
                angle = angle_then + speed_then * down * (1.0 - lag)
                yield last + a, angle, speed_then * lag, -speed_then / down * lag


def _pieces(n_samples: int) -> Iterator[tuple[int, int]]:
    for first in range(0, n_samples, _PIECE_SAMPLES):
        yield first, min(first + _PIECE_SAMPLES, n_samples)
