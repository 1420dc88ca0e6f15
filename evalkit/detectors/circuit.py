"""The board: pickup, clamp, amplifier, two-diode rectifier, comparator.

One lane for each gain of the sensitivity knob; the reference is fixed. All
gains are simulated in full in one pass, since clipping and diode drops do not
scale. Lane arithmetic is float32, the shared front end float64; the order of
operations in `_circuit_kernels` is part of the definition. Every voltage
inside counts from rest.

Pickup, clamp and amplifier go sample by sample. The rectifier goes by as many
samples (1, 2 or 4) as leave it 12,000 steps a second or more, if so many samples
come, from the outputs of all of them; the comparator looks at the end of each step.

The capacitor of the gain leg is charged by what the amplifier really puts
out. Where one half-wave is clipped and the other is not (a board that rests
near 0 V), it charges towards the peaks, and the gain for a steady tone falls
to a small part of what the resistors say.

Not modelled: the amplifier's slew rate (0.3 V/us follows a 5 V swing up to
9 kHz, far above the motor's frequency), its crossover distortion, the
diodes' reverse current.
"""

import os
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cache, cached_property
from itertools import cycle
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

_F = np.float32
_BLOCKS_AHEAD = 1
_Changes = tuple[NDArray[Any], ...]
_Begun = list[Future[list[_Changes]]]
"""A block's changes on their way, by row."""
_NO_CHANGES: _Changes = (np.empty(0, np.int32), np.empty(0, np.int64), np.empty(0, np.uint8))


def gain_axis(board: Board, n_lanes: int) -> NDArray[np.float64]:
    """Return `n_lanes` gains over the knob's range, log-spaced, falling (thresholds rise)."""
    return np.geomspace(board.amplifier.gain_max, board.amplifier.gain_min, n_lanes)


@dataclass(frozen=True)
class CircuitState:
    """What is carried from block to block; voltages count from rest."""

    constants: CircuitConstants
    next_sample: int
    front: NDArray[np.float64]
    """What the kernel of the shared front end carries on."""
    lanes: NDArray[np.float32]
    """One column for each lane: rows as `_circuit_kernels.State` lists them, in spans."""


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
        from evalkit._circuit_kernels import FRONT_STATES

        constants = circuit_constants(self.board, self.gain, source)
        return CircuitState(constants, 0, np.zeros(FRONT_STATES), constants.at_rest)

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
        run = _Run(state, len(self.gain))
        crossings = _crossings(run.begin(block))
        return crossings, run.state()

    def follow(self, blocks: Iterable[NDArray[np.float32]], state: CircuitState) -> Iterator[Crossings]:
        """Yield the crossings of each block in turn, those that `advance` returns.

        The block after it is begun meanwhile, so that no thread waits for the one with the most to do.

        Parameters
        ----------
        blocks : iterable of ndarray of shape (n_samples,), float32, full scale 1
        state : CircuitState
            In which the first block begins.
        """
        run, begun = _Run(state, len(self.gain)), deque[_Begun]()
        for block in blocks:
            begun.append(run.begin(block))
            if len(begun) > _BLOCKS_AHEAD:
                yield _crossings(begun.popleft())
        while begun:
            yield _crossings(begun.popleft())

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
        from evalkit._circuit_kernels import LANES, aligned, circuit_voltages

        c, shape = state.constants, (len(block), len(self.gain))
        lanes, front = aligned(state.lanes), state.front.copy()
        x = _input(block, c, state.next_sample, front).x
        amplifier_v, storage_v, above = np.empty(shape, _F), np.empty(shape, _F), np.empty(shape, np.uint8)
        for lane in range(0, len(self.gain), LANES):
            circuit_voltages(
                x, c.lanes, lanes, lane, state.next_sample, c.stride, amplifier_v, storage_v, above
            )
        amplifier_v *= _F(c.span_v)
        amplifier_v += c.resting_v.astype(_F)
        # spans are turned into volts with a rounding, which must not show beyond the limits
        np.clip(amplifier_v, _F(0.0), _F(self.board.output_limit_v), out=amplifier_v)
        storage_v *= _F(c.span_v)
        seen = Voltages(x + _F(self.board.resting_input_v), amplifier_v, storage_v, above)
        after = state.next_sample + len(block)
        return seen, replace(state, next_sample=after, front=front, lanes=lanes)


@dataclass(frozen=True)
class _Input:
    """The amplifier's input over a block, from its rest."""

    x: NDArray[np.float32]
    bounds: NDArray[np.float32]
    """(n_windows, 2): lowest and highest in each window of the kernels that the block holds as a whole."""


def _input(
    block: NDArray[np.float32], c: CircuitConstants, first_sample: int, front: NDArray[np.float64]
) -> _Input:
    """Return the amplifier's input over a block; update what is carried on."""
    from evalkit._circuit_kernels import WINDOW, circuit_front_end

    x, bounds = np.empty(len(block), _F), np.empty((len(block) // WINDOW + 2, 2), _F)
    circuit_front_end(block, c.volts, c.pickup, c.clamp_v, first_sample, front, x, bounds)
    return _Input(x, bounds)


class _Run:
    """One recording on its way through the lanes, block by block, rows of lanes in threads of their own."""

    def __init__(self, state: CircuitState, n_gains: int) -> None:
        from evalkit._circuit_kernels import LANES, aligned

        self._begun_in, self._n_gains = state, n_gains
        self._at, self._front, self._lanes = state.next_sample, state.front.copy(), aligned(state.lanes)
        # lanes do not touch each other, so how they are shared among threads changes no bit
        self._rows = list(zip(cycle(_threads()), range(0, n_gains, LANES), strict=False))

    def begin(self, block: NDArray[np.float32]) -> _Begun:
        """Make what all lanes share and hand it on to the rows, each of which may be at a block before."""
        felt, at = _input(block, self._begun_in.constants, self._at, self._front), self._at
        self._at += len(block)
        return [thread.submit(self._changes, felt, lane, at) for thread, lane in self._rows]

    def state(self) -> CircuitState:
        """Return the state after all blocks, whose crossings are there."""
        return replace(self._begun_in, next_sample=self._at, front=self._front, lanes=self._lanes)

    def _changes(self, felt: _Input, lane: int, first_sample: int) -> list[_Changes]:
        """Run a row of lanes over a block, updating its state; return its changes, in order."""
        from evalkit._circuit_kernels import LANES, WINDOW, aligned, circuit_lanes

        c, room = self._begun_in.constants, 8 * WINDOW * LANES
        changes = (np.empty(room, np.int32), np.empty(room, np.int64), np.empty(room, np.uint8))
        history = aligned(np.zeros((WINDOW, LANES), _F))
        found: list[_Changes] = []
        done = 0
        while done < len(felt.x):
            done, n = circuit_lanes(
                felt.x, felt.bounds, c.lanes, self._lanes, lane, self._n_gains, first_sample, c.stride,
                history, *changes, done,
            )  # fmt: skip
            found.append(tuple(column[:n].copy() for column in changes))
        return found


def _crossings(begun: _Begun) -> Crossings:
    """Wait for a block's changes; return them, row after row."""
    found = [changes for row in begun for changes in row.result()]
    return Crossings(*(np.concatenate(column) for column in zip(_NO_CHANGES, *found, strict=True)))


@cache
def _threads() -> tuple[ThreadPoolExecutor, ...]:
    """Threads that serve all recordings, each its own rows.

    As many as compiled code may use here: as processors, or one where several processes share them.
    """
    import numba

    config: Any = numba.config
    return tuple(ThreadPoolExecutor(1) for _ in range(config.NUMBA_NUM_THREADS))


if hasattr(os, "register_at_fork"):
    # threads do not outlive a fork
    os.register_at_fork(after_in_child=_threads.cache_clear)


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
