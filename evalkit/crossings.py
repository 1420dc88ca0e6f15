"""Crossings, the waist of the tool, and the integrator that turns them into alerts.

Every detector makes `Crossings`; from here on all detectors are treated
alike. Streams move in chunks: a stage takes a chunk and its carried state
and returns a chunk and the new state, so nothing holds a whole recording.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board, HoldKind

__all__ = ["Alerts", "Crossings", "Integrator", "alerts_of"]


@dataclass(frozen=True)
class Crossings:
    """Comparator changes of all lanes within one chunk of a recording.

    A lane is one threshold of the sweep. Within a lane the changes are in
    time order and alternate, the first of a recording being upward.
    """

    lane: NDArray[np.int32]
    """Index of the threshold, ascending thresholds, shape (n_changes,)."""
    sample: NDArray[np.int64]
    """Sample at which the level was first on the other side, from the recording's start."""
    above: NDArray[np.uint8]
    """1 for a crossing upward, 0 downward."""


@dataclass(frozen=True)
class Integrator:
    """R-C integrator, Schmitt gate and hold, normalised to the comparator's high output.

    u' = (1 - u)/tau_c while above threshold and -u/tau_d while below; the gate
    fires at u >= fire_fraction and lets go at u <= release_fraction. A discharge
    path, its diode ideal, lies beside the delay knob: 1/tau_d = 1/tau_c + 1/path.
    """

    fire_fraction: float
    """a = VT+/Voh; 1 or more means that the gate never fires."""
    release_fraction: float
    """b = VT-/Voh, under `fire_fraction`."""
    discharge_s: float = math.inf
    """Time constant of the discharge path by itself, s; inf: there is none."""
    hold_kind: HoldKind = HoldKind.AFTER_RELEASE
    """What keeps the alert on."""
    hold_s: float = 0.0
    """How long, s."""

    def __post_init__(self) -> None:
        """Refuse fractions out of order."""
        if not 0.0 < self.release_fraction < self.fire_fraction:
            raise ValueError(
                f"release_fraction={self.release_fraction} must be above 0 and under "
                f"fire_fraction={self.fire_fraction}"
            )
        if self.discharge_s <= 0.0 or self.hold_s < 0.0:
            raise ValueError(
                f"discharge_s={self.discharge_s} must be above 0 and hold_s={self.hold_s} not below 0"
            )

    @classmethod
    def of_board(cls, board: Board) -> "Integrator":
        """Return the board's integrator, gate and hold."""
        return cls(
            fire_fraction=board.fire_fraction,
            release_fraction=board.release_fraction,
            discharge_s=board.discharge_s,
            hold_kind=board.hold.kind,
            hold_s=board.hold_s,
        )

    def tau_s(self, delay_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the charging time constants that give the delays: delay = -tau_c ln(1 - a)."""
        if self.fire_fraction >= 1.0:
            raise ValueError(f"fire_fraction={self.fire_fraction} must be under 1: this gate never fires")
        return np.asarray(delay_s, dtype=np.float64) / -math.log1p(-self.fire_fraction)

    def emptying_s(self, charging_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return tau_d for each tau_c: the slower the knob, the more the discharge path decides."""
        # without a path this is tau_c to the bit
        return np.asarray(charging_s / (1.0 + charging_s / self.discharge_s))


@dataclass(frozen=True)
class Alerts:
    """Finished alerts of a chunk; each setting's are in time order."""

    setting: NDArray[np.int32]
    """lane * n_delays + delay index, shape (n_alerts,)."""
    times: NDArray[np.float64]
    """(n_alerts, 5): start and end, s from the recording's start; when the integrator last rose
    through 5 %; the lane's time above threshold, counted from the recording's start, at that
    moment and at firing."""
    mark_above_s: NDArray[np.float64]
    """(n_lanes, n_marks): each lane's time above threshold at the marks passed so far."""


@dataclass(frozen=True)
class _State:
    """What the integrator carries from chunk to chunk."""

    lanes: NDArray[np.float64]
    next_mark: NDArray[np.int64]
    mark_above: NDArray[np.float64]
    settings: NDArray[np.float64]

    @classmethod
    def at_rest(cls, n_lanes: int, n_delays: int, n_marks: int) -> "_State":
        from evalkit._kernels import SETTING_FIELDS

        settings = np.zeros((n_lanes, n_delays, SETTING_FIELDS))
        settings[:, :, 1:] = -np.inf
        settings[:, :, 2] = settings[:, :, 3] = 0.0
        return cls(
            np.zeros((n_lanes, 3)), np.zeros(n_lanes, np.int64), np.full((n_lanes, n_marks), np.nan), settings
        )


def alerts_of(
    chunks: Iterable[Crossings],
    *,
    sample_rate_hz: float,
    duration_s: float,
    n_lanes: int,
    delay_s: NDArray[np.float64],
    integrator: Integrator,
    marks_s: NDArray[np.float64],
) -> Iterator[Alerts]:
    """Turn a recording's crossings into its alerts, for every lane and delay.

    Between crossings the integrator's solution is exact, so firing and release
    are found in closed form; nothing is stepped, and how the crossings are
    divided into chunks does not matter.

    Parameters
    ----------
    chunks : iterable of Crossings
        In time order.
    sample_rate_hz, duration_s : float
        Of the recording. Alerts still on at its end, end there.
    n_lanes : int
        Number of thresholds.
    delay_s : ndarray of shape (n_delays,), seconds
        Delays of the sweep.
    integrator : Integrator
        Gate fractions and hold.
    marks_s : ndarray of shape (n_marks,), seconds, ascending
        Moments at which each lane's time above threshold is noted, for finding what caused an alert.

    Yields
    ------
    Alerts
        An alert appears once its end is known.
    """
    from evalkit import _kernels

    codes = {
        HoldKind.AFTER_RELEASE: _kernels.HoldCode.AFTER_RELEASE,
        HoldKind.ONE_SHOT: _kernels.HoldCode.ONE_SHOT,
        HoldKind.ONE_SHOT_HELD: _kernels.HoldCode.ONE_SHOT_HELD,
        HoldKind.NONE: _kernels.HoldCode.NONE,
    }
    tau_c = integrator.tau_s(delay_s)
    circuit = (
        tau_c,
        integrator.emptying_s(tau_c),
        integrator.fire_fraction,
        integrator.release_fraction,
        codes[integrator.hold_kind],
        integrator.hold_s,
    )
    marks = np.ascontiguousarray(marks_s, dtype=np.float64)
    state = _State.at_rest(n_lanes, len(delay_s), len(marks))
    stage = (state.lanes, state.next_mark, marks, state.mark_above, state.settings, *circuit)
    room = max(1 << 14, 2 * n_lanes * len(delay_s))
    setting = np.empty(room, np.int32)
    times = np.empty((room, _kernels.ALERT_FIELDS))
    for chunk in chunks:
        done = 0
        while done < len(chunk.lane):
            done, n = _kernels.integrate_crossings(
                chunk.lane, chunk.sample, chunk.above, done, float(sample_rate_hz), *stage, setting, times
            )
            if n:
                yield Alerts(setting[:n].copy(), times[:n].copy(), state.mark_above)
    n = _kernels.finish_alerts(duration_s, *stage, setting, times)
    yield Alerts(setting[:n].copy(), times[:n].copy(), state.mark_above)
