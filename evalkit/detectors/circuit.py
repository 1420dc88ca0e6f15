"""The board, sample by sample: pickup, clamp, amplifier, two-diode rectifier, comparator.

One lane for each gain of the sensitivity knob; the reference is fixed. All
gains are simulated in full in one pass, since clipping and diode drops do not
scale. Lane arithmetic is float32, the shared front end float64; the order of
operations in `_kernels._circuit_step` is part of the definition.

The amplifier's slew rate is not modelled: 0.3 V/us follows a 10 V peak up to
4.8 kHz, far above the motor's frequency.
"""

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from os import cpu_count
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board, board_sha256
from evalkit.crossings import Crossings
from evalkit.detectors import Levels, LevelUnit, Source

__all__ = [
    "REFERENCE_RATE_HZ",
    "TONE_HZ",
    "CircuitDetector",
    "Voltages",
    "gain_axis",
    "pickup_section",
]

TONE_HZ = 175.0
"""Frequency of the steady tone by which thresholds are told."""
REFERENCE_RATE_HZ = 48_000
"""Sample rate at which equivalent thresholds are found."""
_HELD_AFTER_S = 5.0
_HELD_FOR_S = 0.25
_MIN_LANES_PER_THREAD = 16

_F = np.float32


def gain_axis(board: Board, n_lanes: int) -> NDArray[np.float64]:
    """Return `n_lanes` gains over the knob's range, log-spaced, falling (thresholds rise)."""
    return np.geomspace(board.amplifier.gain_max, board.amplifier.gain_min, n_lanes)


def pickup_section(board: Board, source: Source) -> NDArray[np.float64]:
    """Return (b0, b1, a1) of the board's own pickup high-pass in place of the recorder's.

    With the recorder's input resistance known, its high-pass is inverted
    exactly: H(s) = (s + w_recorder)/(s + w_board). Unknown: H(s) = s/(s + w_board),
    on levels as loaded by the recorder. Bilinear transform.
    """
    w_board = 2.0 * math.pi * board.pickup.corner_hz
    w_recorder = 0.0
    if source.input_ohms is not None:
        w_recorder = 1.0 / (source.input_ohms * board.pickup.capacitance.typ)
    return _bilinear(w_recorder, w_board, source.sample_rate_hz)


def _bilinear(zero: float, pole: float, sample_rate_hz: float) -> NDArray[np.float64]:
    """(s + zero)/(s + pole) as (b0, b1, a1) of y[n] = b0 x[n] + b1 x[n-1] - a1 y[n-1]."""
    k = 2.0 * sample_rate_hz
    return np.array([k + zero, zero - k, pole - k]) / (k + pole)


@dataclass(frozen=True)
class _Constants:
    """A board at a sample rate, as the kernels take it."""

    pickup: NDArray[np.float64]
    leg: NDArray[np.float64]
    volts: float
    bias_v: float
    clamp_v: float
    gain_m1: NDArray[np.float32]
    stay: NDArray[np.float32]
    pole: NDArray[np.float32]
    lane: Any
    """Offset, limit, clamp and series knee, n Vt, 1/(n Vt), shares to coupling and storage, kept by bleed."""
    upper_v: Any
    lower_v: Any


@dataclass(frozen=True)
class CircuitState:
    """Voltages carried from block to block, one value for each lane."""

    constants: _Constants
    next_sample: int
    front: NDArray[np.float64]
    amplifier_v: NDArray[np.float32]
    coupling_v: NDArray[np.float32]
    storage_v: NDArray[np.float32]
    trip_v: NDArray[np.float32]


@dataclass(frozen=True)
class Voltages:
    """Every sample of a block, as a scope would show it."""

    input_v: NDArray[np.float32]
    """(n_samples,): amplifier input, with its bias and clamp."""
    amplifier_v: NDArray[np.float32]
    """(n_samples, n_lanes): amplifier output, within its limits."""
    storage_v: NDArray[np.float32]
    """(n_samples, n_lanes): storage capacitor, which the comparator compares."""
    above: NDArray[np.uint8]
    """(n_samples, n_lanes): 1 where the comparator is high."""


class CircuitDetector:
    """The board at a set of gains.

    Parameters
    ----------
    board : Board
        The circuit.
    gain : ndarray of shape (n_lanes,)
        Amplifier gains, falling, each at least 1.
    """

    name = "circuit"
    lag_s = 0.0

    def __init__(self, board: Board, gain: NDArray[np.float64]) -> None:
        gain = np.asarray(gain, dtype=np.float64)
        if gain.ndim != 1 or not len(gain) or np.any(np.diff(gain) >= 0) or gain[-1] < 1.0:
            raise ValueError("gain must be a falling row of numbers that are at least 1")
        self.board = board
        self.gain = gain

    @property
    def fingerprint(self) -> str:
        """Name, board and gains."""
        return f"{self.name} {board_sha256(self.board)} {self.gain.tobytes().hex()}"

    @cached_property
    def levels(self) -> Levels:
        """Equivalent thresholds, found by running the detector on a steady tone."""
        threshold_v = _tone_thresholds(self)
        return Levels(20.0 * np.log10(threshold_v), LevelUnit.DECIBEL, threshold_v, self.gain)

    def constants(self, source: Source) -> _Constants:
        """Return the board at the source's sample rate and calibration."""
        board, rate = self.board, float(source.sample_rate_hz)
        r, a = board.rectifier, board.amplifier
        c1, c2 = r.coupling.typ, r.storage.typ
        n_vt = board.diode_scale_v
        series = c1 * c2 / (c1 + c2)

        def knee_v(capacitance: float) -> float:
            return n_vt * math.log(capacitance * n_vt * rate / r.diode_saturation.typ)

        stay = np.exp(-2.0 * math.pi * a.gain_bandwidth.typ / self.gain / rate)
        lane = (
            a.offset.typ, board.output_limit_v, knee_v(c1), knee_v(series), n_vt, 1.0 / n_vt,
            c2 / (c1 + c2), c1 / (c1 + c2), math.exp(-1.0 / (rate * r.storage_tau_s)),
        )  # fmt: skip
        return _Constants(
            pickup=pickup_section(board, source),
            leg=_bilinear(0.0, 1.0 / (a.leg_resistor.typ * a.leg_capacitor.typ), rate),
            volts=source.volts,
            bias_v=a.bias.typ,
            clamp_v=a.input_clamp.typ,
            gain_m1=(self.gain - 1.0).astype(_F),
            stay=stay.astype(_F),
            pole=(1.0 - stay).astype(_F),
            lane=tuple(_F(value) for value in lane),
            upper_v=_F(board.upper_trip_v),
            lower_v=_F(board.lower_trip_v),
        )

    def at_rest(self, source: Source) -> CircuitState:
        """Return the board's resting state: output at bias and offset, capacitors settled, all low."""
        constants = self.constants(source)
        n = len(self.gain)
        resting = _F(self.board.resting_output_v)
        return CircuitState(
            constants=constants,
            next_sample=0,
            front=np.array([0.0, 0.0, self.board.amplifier.bias.typ, 0.0]),
            amplifier_v=np.full(n, resting),
            coupling_v=np.full(n, resting),
            storage_v=np.zeros(n, _F),
            trip_v=np.full(n, constants.upper_v),
        )

    def advance(self, block: NDArray[np.float32], state: CircuitState) -> tuple[Crossings, CircuitState]:
        """Simulate a block in all lanes.

        Parameters
        ----------
        block : ndarray of shape (n_samples,), float32, full scale 1
            The next samples of the recording.
        state : CircuitState
            As returned for the block before, or by `at_rest`.

        Returns
        -------
        (Crossings, CircuitState)
        """
        from evalkit import _kernels

        c = state.constants
        front = state.front.copy()
        x, h = np.empty(len(block), _F), np.empty(len(block), _F)
        _kernels.circuit_front_end(block, c.volts, c.pickup, c.leg, c.bias_v, c.clamp_v, front, x, h)
        carried = (state.amplifier_v, state.coupling_v, state.storage_v, state.trip_v)
        voltages = tuple(v.copy() for v in carried)
        n_lanes = len(self.gain)
        # lanes do not touch each other, so how they are shared among threads changes no bit
        parts = max(1, min(cpu_count() or 1, n_lanes // _MIN_LANES_PER_THREAD))
        edges = [n_lanes * k // parts for k in range(parts + 1)]
        shares = [slice(a, b) for a, b in zip(edges, edges[1:])]
        with ThreadPoolExecutor(parts) as pool:
            changes = list(
                pool.map(lambda share: _lanes(c, x, h, voltages, share, state.next_sample), shares)
            )
        crossings = Crossings(*(np.concatenate([change[k] for change in changes]) for k in range(3)))
        return crossings, replace(
            state,
            next_sample=state.next_sample + len(block),
            front=front,
            amplifier_v=voltages[0],
            coupling_v=voltages[1],
            storage_v=voltages[2],
            trip_v=voltages[3],
        )

    def voltages(self, block: NDArray[np.float32], state: CircuitState) -> tuple[Voltages, CircuitState]:
        """Simulate a block as `advance` does, bit for bit, and keep every sample's voltages.

        Parameters
        ----------
        block : ndarray of shape (n_samples,), float32, full scale 1
        state : CircuitState
            As returned for the block before by either method, or by `at_rest`.

        Returns
        -------
        (Voltages, CircuitState)
        """
        from evalkit import _kernels

        c, shape = state.constants, (len(block), len(self.gain))
        front = state.front.copy()
        x, h = np.empty(len(block), _F), np.empty(len(block), _F)
        _kernels.circuit_front_end(block, c.volts, c.pickup, c.leg, c.bias_v, c.clamp_v, front, x, h)
        carried = (state.amplifier_v, state.coupling_v, state.storage_v, state.trip_v)
        after: Any = [v.copy() for v in carried]
        found: Any = [np.empty(shape, _F), np.empty(shape, _F), np.empty(shape, np.uint8)]
        arguments: list[Any] = [x, h, c.gain_m1, c.stay, c.pole, *after, *c.lane, c.upper_v, c.lower_v]
        arguments += [state.next_sample, *found]
        _kernels.circuit_voltages(*arguments)
        return Voltages(x, *found), replace(
            state,
            next_sample=state.next_sample + len(block),
            front=front,
            amplifier_v=after[0],
            coupling_v=after[1],
            storage_v=after[2],
            trip_v=after[3],
        )


def _lanes(
    c: _Constants,
    x: NDArray[np.float32],
    h: NDArray[np.float32],
    voltages: tuple[NDArray[Any], ...],
    lanes: slice,
    first_sample: int,
) -> tuple[NDArray[Any], ...]:
    """Run a share of the lanes over a block, updating their voltages; return their changes."""
    from evalkit import _kernels

    own: Any = [v[lanes] for v in (c.gain_m1, c.stay, c.pole, *voltages)]
    room = 4096 + len(own[0])
    changes = (np.empty(room, np.int32), np.empty(room, np.int64), np.empty(room, np.uint8))
    found: list[tuple[NDArray[Any], ...]] = []
    done = 0
    while done < len(x):
        arguments: list[Any] = [x[done:], h[done:], *own, *c.lane, c.upper_v, c.lower_v, first_sample + done]
        arguments += changes
        n_samples, n = _kernels.circuit_lanes(*arguments)
        done += n_samples
        found.append((changes[0][:n] + np.int32(lanes.start), changes[1][:n].copy(), changes[2][:n].copy()))
    return tuple(np.concatenate(column) for column in zip(*found, strict=True))


def _tone_thresholds(detector: CircuitDetector) -> NDArray[np.float64]:
    """Find, for each lane, the smallest tone that holds the comparator high without a break after 5 s.

    Resolved to 0.002 dB, at the upper end of the bracket, so the tone that is told does hold it.
    """
    from scipy.optimize.elementwise import bracket_root, find_root

    board = detector.board
    n = int((_HELD_AFTER_S + _HELD_FOR_S) * REFERENCE_RATE_HZ)
    tone = np.sin(2.0 * math.pi * TONE_HZ / REFERENCE_RATE_HZ * np.arange(n))

    def spare_v(log_amplitude: NDArray[np.float64], gain: NDArray[np.float64]) -> NDArray[np.float64]:
        """Storage voltage to spare over what going and staying high needs; 0 is the threshold."""
        flat, gains = np.exp(log_amplitude).ravel(), np.asarray(gain, np.float64).ravel()
        parts = min(cpu_count() or 1, len(flat))
        jobs = zip(np.array_split(flat, parts), np.array_split(gains, parts), strict=True)
        with ThreadPoolExecutor(parts) as pool:
            spare = list(pool.map(lambda job: _spare_v(board, tone, *job), jobs))
        return np.concatenate(spare).reshape(np.shape(log_amplitude))

    guess = np.log((board.upper_trip_v + 0.7) / detector.gain)
    bracket = bracket_root(spare_v, guess - 0.1, guess + 0.1, args=(detector.gain,), maxiter=20)
    if not np.all(bracket.success):
        raise ValueError("no tone holds this board's comparator high")
    found = find_root(
        spare_v,
        bracket.bracket,
        args=(detector.gain,),
        tolerances={"xatol": 1e-4, "xrtol": 0.0, "fatol": 0.0, "frtol": 0.0},
    )
    return np.asarray(np.exp(found.bracket[1]), dtype=np.float64)


def _spare_v(
    board: Board, tone: NDArray[np.float64], amplitude: NDArray[np.float64], gain: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Run the board with a tone for each gain; return min(highest - upper, lowest late - lower)."""
    from evalkit import _kernels

    detector = CircuitDetector(board, np.unique(gain)[::-1])
    lanes = len(detector.gain) - 1 - np.searchsorted(detector.gain[::-1], gain)
    source = Source(REFERENCE_RATE_HZ, full_scale_v=None, input_ohms=None)
    c, rest = detector.constants(source), detector.at_rest(source)
    front = np.tile(rest.front, (len(gain), 1))
    highest, lowest = np.full(len(gain), _F(-np.inf)), np.full(len(gain), _F(np.inf))
    lanes_of_each = (c.gain_m1, c.stay, c.pole, rest.amplifier_v, rest.coupling_v, rest.storage_v)
    arguments: list[Any] = [tone, amplitude, c.pickup, c.leg, c.bias_v, c.clamp_v, front]
    arguments += [v[lanes] for v in lanes_of_each]
    arguments += [lowest, highest, *c.lane, int(_HELD_AFTER_S * REFERENCE_RATE_HZ)]
    _kernels.circuit_lanes_apart(*arguments)
    spare = np.minimum(highest - c.upper_v, lowest - c.lower_v)
    return np.asarray(spare, dtype=np.float64)
