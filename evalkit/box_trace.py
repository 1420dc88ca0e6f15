"""What the box does all through a recording at one setting, at every zoom.

One pass of the circuit's model over the audio makes a file in the dataset's
`.evalkit/drawn/`: storage voltage, integrator, comparator and gate of each
block of 8 to 16 ms, the alerts, and the model's state every 65,536 samples,
from which any stretch is computed again sample by sample.
"""

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board, board_sha256
from evalkit.cache import detection_digest
from evalkit.crossings import Crossings, Integrator, alerts_of
from evalkit.dataset import Recording
from evalkit.detectors import Source
from evalkit.detectors.circuit import CircuitDetector, CircuitState
from evalkit.drawn_levels import DrawnFiles, Progress
from evalkit.errors import FileFault
from evalkit.pyramid import Pyramid, Row, Summary
from evalkit.recordings import read_blocks
from evalkit.spans import Span

__all__ = ["BoxColumns", "BoxTrace", "Setting", "present_setting"]

_BLOCK_S = 0.008
_PIECE_FRAMES = 1 << 16
_VERSION = 3
"""Of the file's own order."""


@dataclass(frozen=True)
class Setting:
    """The two knobs."""

    gain: float
    delay_s: float
    origin: str
    """Where it is from, in words."""
    hold_s: float | None = None
    """The hold that goes with it; None where none was recommended. Shown is the board's own."""


@dataclass(frozen=True)
class BoxColumns:
    """The box over the columns of a picture, one entry for each; NaN outside the recording."""

    low_v: NDArray[np.float32]
    """Lowest storage voltage."""
    high_v: NDArray[np.float32]
    """Highest storage voltage."""
    low_share: NDArray[np.float32]
    """Lowest integrator voltage, as a share of the comparator's high output."""
    high_share: NDArray[np.float32]
    """Highest integrator voltage, likewise."""
    above: NDArray[np.float32]
    """Share of the time that the comparator is high."""
    gate: NDArray[np.float32]
    """1 if the gate is on at any time, else 0."""


def present_setting(folder: Path, board: Board) -> Setting:
    """Return the setting of `settings.json` in a dataset; what it does not know is the middle of the knob.

    A delay knob whose ohms were measured stands where they say, whatever was recommended.
    """
    a, i = board.amplifier, board.integrator
    knob_ohm = 0.5 * i.pot.typ if i.pot_measured is None else i.pot_measured.typ
    at_knob_s = -(i.fixed.typ + knob_ohm) * i.capacitor.typ * math.log1p(-min(board.fire_fraction, 0.999))
    middle = Setting(
        gain=1.0 + (a.feedback_fixed.typ + 0.5 * a.feedback_pot.typ) / a.leg_resistor.typ,
        delay_s=at_knob_s,
        origin="middle of the knobs" + ("" if i.pot_measured is None else ", the delay's as measured"),
    )
    try:
        document = json.loads((folder / "settings.json").read_text(encoding="utf-8"))
        gain, delay_s, hold_s = document["gain"], float(document["delay_s"]), document.get("hold_s")
        origin = "settings.json"
        if document.get("board_sha256") != board_sha256(board):
            origin += ", of another board"
        if gain is None:
            gain = middle.gain
            origin += ", but for the gain, which it does not know: middle of the knob"
        if i.pot_measured is not None:
            delay_s = at_knob_s
            origin += ", the delay's knob as measured"
        found = Setting(float(gain), delay_s, origin, None if hold_s is None else float(hold_s))
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return middle
    usable = found.gain >= 1.0 and 0.0 < delay_s < math.inf and found.gain < math.inf
    return found if usable else middle


class BoxTrace:
    """The box at one setting, all through one recording.

    Use `find` or `build`.
    """

    def __init__(self, pyramid: Pyramid, recording: Recording, board: Board, setting: Setting) -> None:
        self._pyramid = pyramid
        self._recording = recording
        self._model = _Model(recording, board, setting)
        self.block_samples: int = pyramid.rows["low"].samples
        self.alerts: tuple[Span, ...] = tuple(Span(a, b) for a, b in pyramid.extra["alerts"])
        """The alerts, hold included, in order."""

    @classmethod
    def find(
        cls, files: DrawnFiles, recording: Recording, board: Board, setting: Setting
    ) -> "BoxTrace | None":
        """Return the trace if its file is there and made of this audio, board and setting."""
        pyramid = files.found(f"{recording.name}.box", _made_of(recording, board, setting))
        return None if pyramid is None else cls(pyramid, recording, board, setting)

    @classmethod
    def build(
        cls,
        files: DrawnFiles,
        recording: Recording,
        board: Board,
        setting: Setting,
        progress: Progress = lambda share: None,
    ) -> "BoxTrace":
        """Run the model over the whole recording and write its file.

        Parameters
        ----------
        progress : callable
            May raise, to stop; then no file is left behind.

        Raises
        ------
        FileFault
            If the audio cannot be read, or the file not be written.
        """
        rate, n_frames = recording.sample_rate_hz, recording.n_frames
        block = 2 ** math.ceil(math.log2(_BLOCK_S * rate))
        n_blocks = -(-n_frames // block)
        rows = [
            Row("low", "<f2", n_blocks, block, Summary.LOWEST),
            Row("high", "<f2", n_blocks, block, Summary.HIGHEST),
            Row("low_share", "u1", n_blocks, block, Summary.LOWEST),
            Row("high_share", "u1", n_blocks, block, Summary.HIGHEST),
            Row("above", "u1", n_blocks, block, Summary.MEAN),
            Row("gate", "u1", n_blocks, block, Summary.HIGHEST),
        ]
        made_of = _made_of(recording, board, setting)
        model = _Model(recording, board, setting)
        n_pieces, width = -(-n_frames // _PIECE_FRAMES), len(model.packed(model.rest()))
        rows.append(Row("state", "<f8", n_pieces, _PIECE_FRAMES, Summary.NONE, width))
        try:
            with files.writer(f"{recording.name}.box", rows) as writer:

                def chunks() -> Iterator[Crossings]:
                    progress(0.0)
                    state, done = model.rest(), 0
                    was = np.uint8(0)
                    blocks = read_blocks(
                        recording.path,
                        channel=recording.channel,
                        block_frames=_PIECE_FRAMES,
                        stop=n_frames,
                    )
                    for samples in blocks:
                        writer.add("state", model.packed(state)[np.newaxis])
                        found, state = model.run(samples, state)
                        writer.add("low", _reduced(np.minimum, found.storage_v, block))
                        writer.add("high", _reduced(np.maximum, found.storage_v, block))
                        share = np.rint(found.share * 255.0).astype(np.uint8)
                        writer.add("low_share", _reduced(np.minimum, share, block))
                        writer.add("high_share", _reduced(np.maximum, share, block))
                        writer.add("above", _mean_byte(found.above, block))
                        writer.add("gate", _reduced(np.maximum, found.gate, block))
                        at = np.flatnonzero(np.diff(found.above, prepend=was))
                        was = found.above[-1]
                        yield Crossings(
                            np.zeros(len(at), np.int32), at.astype(np.int64) + done, found.above[at]
                        )
                        done += len(samples)
                        progress(0.98 * done / n_frames)

                alerts = [
                    times[:2].tolist()
                    for alert in alerts_of(
                        chunks(),
                        sample_rate_hz=rate,
                        duration_s=recording.duration_s,
                        n_lanes=1,
                        delay_s=np.array([setting.delay_s]),
                        integrator=model.integrator,
                        marks_s=np.zeros(0),
                    )
                    for times in alert.times
                    if times[0] < times[1]
                ]
                pyramid = writer.finish(made_of, {"alerts": alerts})
        except OSError as error:
            raise FileFault(f"{recording.name}: cannot be drawn: {error.strerror or error}") from error
        progress(1.0)
        return cls(pyramid, recording, board, setting)

    def columns(self, edges: NDArray[np.float64]) -> BoxColumns:
        """Return the box over the columns of a picture.

        Parameters
        ----------
        edges : ndarray of shape (n_columns + 1,)
            Samples at which the columns begin and the last one ends; rising.
            Columns narrower than a block are computed from the audio.

        Raises
        ------
        FileFault
            If the audio cannot be read.
        """
        if edges[-1] - edges[0] < self.block_samples * (len(edges) - 1):
            return self._fine_columns(edges)

        def share(name: str, whole: float = 255.0) -> NDArray[np.float32]:
            return np.asarray(self._pyramid.across(name, edges) / np.float32(whole))

        return BoxColumns(
            low_v=self._pyramid.across("low", edges),
            high_v=self._pyramid.across("high", edges),
            low_share=share("low_share"),
            high_share=share("high_share"),
            above=share("above"),
            gate=share("gate", 1.0),
        )

    def _fine_columns(self, edges: NDArray[np.float64]) -> BoxColumns:
        """Compute the columns from the samples, from the nearest state before them."""
        n_frames = self._recording.n_frames
        first = max(0, min(math.floor(edges[0]), n_frames - 1))
        last = max(first + 1, min(math.ceil(edges[-1]), n_frames))
        piece = first // _PIECE_FRAMES
        start = piece * _PIECE_FRAMES
        state = self._model.unpacked(self._pyramid.entries("state")[piece], start)
        samples = np.concatenate(
            list(read_blocks(self._recording.path, channel=self._recording.channel, start=start, stop=last))
        )
        found, _ = self._model.run(samples, state)
        own = np.floor(edges).astype(np.int64) - start
        inside = (own[:-1] < len(samples)) & (own[1:] > first - start) & (own[1:] > 0)
        starts = np.clip(own[:-1][inside], first - start, len(samples) - 1)

        def over(row: NDArray[Any], how: np.ufunc) -> NDArray[np.float32]:
            result = np.full(len(own) - 1, np.nan, np.float32)
            if len(starts):
                result[inside] = how.reduceat(row[: last - start].astype(np.float32), starts)
            return result

        counts = np.maximum(np.diff(starts, append=len(samples)), 1)
        above = over(found.above, np.add)
        above[inside] /= counts
        return BoxColumns(
            low_v=over(found.storage_v, np.minimum),
            high_v=over(found.storage_v, np.maximum),
            low_share=over(found.share, np.minimum),
            high_share=over(found.share, np.maximum),
            above=above,
            gate=over(found.gate, np.maximum),
        )


@dataclass(frozen=True)
class _Samples:
    """The box at every sample of a piece."""

    storage_v: NDArray[np.float32]
    above: NDArray[np.uint8]
    share: NDArray[np.float64]
    gate: NDArray[np.uint8]


@dataclass(frozen=True)
class _State:
    circuit: CircuitState
    integrator: NDArray[np.float64]


class _Model:
    """The circuit, integrator and gate at one setting, from piece to piece."""

    def __init__(self, recording: Recording, board: Board, setting: Setting) -> None:
        self._detector = CircuitDetector(board, np.array([setting.gain]))
        self._source = Source(recording.sample_rate_hz, recording.full_scale_v, recording.input_ohms)
        self.integrator = Integrator.of_board(board)
        tau_c = setting.delay_s / -math.log1p(-min(board.fire_fraction, 0.999))
        tau_d = float(self.integrator.emptying_s(np.array(tau_c)))
        step_s = 1.0 / recording.sample_rate_hz
        self._kept = math.exp(-step_s / tau_c), math.exp(-step_s / tau_d)

    def rest(self) -> _State:
        return _State(self._detector.at_rest(self._source), np.zeros(3))

    def run(self, samples: NDArray[np.float32], state: _State) -> tuple[_Samples, _State]:
        from evalkit import _kernels

        voltages, circuit = self._detector.voltages(samples, state.circuit)
        above = np.ascontiguousarray(voltages.above[:, 0])
        integrator = state.integrator.copy()
        share, gate = np.empty(len(samples)), np.empty(len(samples), np.uint8)
        fire, release = self.integrator.fire_fraction, self.integrator.release_fraction
        _kernels.integrator_shares(above, *self._kept, fire, release, integrator, share, gate)
        return _Samples(voltages.storage_v[:, 0], above, share, gate), _State(circuit, integrator)

    def packed(self, state: _State) -> NDArray[np.float64]:
        """Return all numbers of a state in a row; float64 holds each of them exactly."""
        numbers = [np.asarray(array, np.float64).ravel() for array in _arrays(state.circuit)]
        return np.concatenate([*numbers, state.integrator])

    def unpacked(self, packed: NDArray[np.float64], next_sample: int) -> _State:
        rest = self._detector.at_rest(self._source)
        at = 0
        arrays = []
        for like in _arrays(rest):
            arrays.append(packed[at : at + like.size].reshape(like.shape).astype(like.dtype))
            at += like.size
        return _State(_with_arrays(rest, arrays, next_sample), np.array(packed[at:], np.float64))


def _arrays(state: CircuitState) -> list[NDArray[Any]]:
    """Return what the circuit carries from block to block."""
    return [state.front, state.lanes]


def _with_arrays(state: CircuitState, arrays: list[NDArray[Any]], next_sample: int) -> CircuitState:
    return replace(state, next_sample=next_sample, front=arrays[0], lanes=arrays[1])


def _made_of(recording: Recording, board: Board, setting: Setting) -> dict[str, Any]:
    try:
        status = recording.path.stat()
    except OSError as error:
        raise FileFault(f"{recording.path}: cannot be read: {error.strerror or error}") from error
    return {
        "version": _VERSION,
        "code": detection_digest().hex(),
        "bytes": status.st_size,
        "mtime_ns": status.st_mtime_ns,
        "channel": recording.channel,
        "calibration": [recording.full_scale_v, recording.input_ohms],
        "board": board_sha256(board),
        "setting": [setting.gain, setting.delay_s],
    }


def _reduced(how: np.ufunc, values: NDArray[Any], block: int) -> NDArray[Any]:
    whole = len(values) // block * block
    result = how.reduce(values[:whole].reshape(-1, block), axis=1)
    if whole < len(values):
        result = np.append(result, how.reduce(values[whole:]))
    return np.asarray(result)


def _mean_byte(bits: NDArray[np.uint8], block: int) -> NDArray[np.uint8]:
    """Share of ones in each block, 0 to 255."""
    counts = _reduced(np.add, bits.astype(np.uint16), block)
    lengths = np.full(len(counts), block)
    if len(bits) % block:
        lengths[-1] = len(bits) % block
    return np.asarray(np.rint(255.0 * counts / lengths), np.uint8)
