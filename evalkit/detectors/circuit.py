"""The board, sample by sample: pickup, clamp, amplifier, two-diode rectifier, comparator.

One lane for each gain of the sensitivity knob; the reference is fixed. All
gains are simulated in full in one pass, since clipping and diode drops do not
scale. Lane arithmetic is float32, the shared front end float64; the order of
operations in `_kernels._circuit_step` is part of the definition. Every voltage
inside counts from rest.

The capacitor of the gain leg is charged by what the amplifier really puts
out. Where one half-wave is clipped and the other is not (a board that rests
near 0 V), it charges towards the peaks, and the gain for a steady tone falls
to a small part of what the resistors say.

Not modelled: the amplifier's slew rate (0.3 V/us follows a 5 V swing up to
9 kHz, far above the motor's frequency), its crossover distortion, the
diodes' reverse current.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from os import cpu_count
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board, board_sha256
from evalkit.crossings import Crossings
from evalkit.detectors import N_LANES, Cost, Fitted, Levels, LevelUnit, Source, Training, continued
from evalkit.detectors.constants import CircuitConstants, circuit_constants
from evalkit.detectors.tone import tone_thresholds
from evalkit.errors import FileFault

__all__ = ["CircuitDetector", "Voltages", "fit", "gain_axis"]

_MIN_LANES_PER_THREAD = 16

_F = np.float32


def gain_axis(board: Board, n_lanes: int) -> NDArray[np.float64]:
    """Return `n_lanes` gains over the knob's range, log-spaced, falling (thresholds rise)."""
    return np.geomspace(board.amplifier.gain_max, board.amplifier.gain_min, n_lanes)


@dataclass(frozen=True)
class CircuitState:
    """What is carried from block to block; voltages count from rest, one for each lane."""

    constants: CircuitConstants
    next_sample: int
    front: NDArray[np.float64]
    """Last sample and input."""
    voltages: tuple[NDArray[np.float32], ...]
    """Amplifier, gain leg, coupling and storage capacitor, and the trip level that is waited for."""


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
    cost = Cost(
        0,
        "the board as it is drawn: no program",
        "about 2 mA at rest (LM358 and LM393 classes, 4093: sheets' typical values, from memory)",
    )

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
        threshold_v = tone_thresholds([self.board] * len(self.gain), self.gain)
        if not np.all(np.isfinite(threshold_v)):
            raise FileFault(
                "board.toml: no vibration holds this board's comparator high at every gain of its knob; "
                "`evalkit check` says what is wrong with the board"
            )
        return Levels(20.0 * np.log10(threshold_v), LevelUnit.DECIBEL, threshold_v, self.gain)

    def at_rest(self, source: Source) -> CircuitState:
        """Return the board's resting state: amplifier at its bias, capacitors settled, comparator low."""
        constants = circuit_constants(self.board, self.gain, source)
        n = len(self.gain)
        return CircuitState(constants, 0, np.zeros(2), (*constants.at_rest, np.full(n, constants.upper_v)))

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

        x, front = _input(block, state)
        voltages = tuple(v.copy() for v in state.voltages)
        c = state.constants
        n_lanes = len(self.gain)
        # lanes do not touch each other, so how they are shared among threads changes no bit
        parts = max(1, min(cpu_count() or 1, n_lanes // _MIN_LANES_PER_THREAD))
        edges = [n_lanes * k // parts for k in range(parts + 1)]
        shares = [slice(a, b) for a, b in zip(edges, edges[1:])]
        with ThreadPoolExecutor(parts) as pool:
            changes = list(pool.map(lambda share: _lanes(c, x, voltages, share, state.next_sample), shares))
        crossings = Crossings(*(np.concatenate([change[k] for change in changes]) for k in range(3)))
        return crossings, replace(
            state, next_sample=state.next_sample + len(block), front=front, voltages=voltages
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
        x, front = _input(block, state)
        voltages = tuple(v.copy() for v in state.voltages)
        amplifier_v, storage_v, above = np.empty(shape, _F), np.empty(shape, _F), np.empty(shape, np.uint8)
        arguments: list[Any] = [x, *c.by_gain, *voltages, *c.scalars, c.upper_v, c.lower_v]
        arguments += [state.next_sample, amplifier_v, storage_v, above]
        _kernels.circuit_voltages(*arguments)
        output_v = amplifier_v + c.resting_v.astype(_F)
        seen = Voltages(x + _F(self.board.resting_input_v), output_v, storage_v, above)
        return seen, replace(
            state, next_sample=state.next_sample + len(block), front=front, voltages=voltages
        )


def _input(
    block: NDArray[np.float32], state: CircuitState
) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Return the amplifier's input over a block, from its rest, and what the front end carries on."""
    from evalkit import _kernels

    c, front, x = state.constants, state.front.copy(), np.empty(len(block), _F)
    _kernels.circuit_front_end(block, c.volts, c.pickup, c.clamp_v, front, x)
    return x, front


def _lanes(
    c: CircuitConstants,
    x: NDArray[np.float32],
    voltages: tuple[NDArray[Any], ...],
    lanes: slice,
    first_sample: int,
) -> tuple[NDArray[Any], ...]:
    """Run a share of the lanes over a block, updating their voltages; return their changes."""
    from evalkit import _kernels

    own: Any = [v[lanes] for v in (*c.by_gain, *voltages)]
    room = 4096 + len(own[0])
    changes = (np.empty(room, np.int32), np.empty(room, np.int64), np.empty(room, np.uint8))
    found: list[tuple[NDArray[Any], ...]] = []
    done = 0
    while done < len(x):
        arguments: list[Any] = [x[done:], *own, *c.scalars, c.upper_v, c.lower_v, first_sample + done]
        arguments += changes
        n_samples, n = _kernels.circuit_lanes(*arguments)
        done += n_samples
        found.append((changes[0][:n] + np.int32(lanes.start), changes[1][:n].copy(), changes[2][:n].copy()))
    return tuple(np.concatenate(column) for column in zip(*found, strict=True))


def fit(training: Training) -> Fitted:
    """Return the board: nothing of it is learned, so it is the same whatever the sessions."""
    return _FittedCircuit(training.board)


@dataclass(frozen=True)
class _FittedCircuit:
    board: Board

    def axis(self, *, extra: int = 0) -> CircuitDetector:
        gain = gain_axis(self.board, N_LANES)
        if extra:
            gain = np.exp(continued(np.log(gain), extra))
        # a non-inverting amplifier has no gain under 1
        return CircuitDetector(self.board, gain[gain >= 1.0])

    def at(self, position: float) -> CircuitDetector:
        """Read the gain off the axis, an octave of the knob beyond each of its ends included."""
        whole = self.axis(extra=8)
        known = whole.levels.position
        if not known[0] <= position <= known[-1]:
            low, high = (10.0 ** (end / 20.0) for end in (known[0], known[-1]))
            raise ValueError(f"circuit can be set to {low:.3g} to {high:.3g} V")
        gain = np.exp(np.interp(position, known, np.log(whole.gain)))
        return CircuitDetector(self.board, np.array([gain]))
