"""What there is to draw of one recording: files drawn earlier, and samples where columns are narrow."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board
from evalkit.box_trace import BoxColumns, BoxTrace, Setting
from evalkit.dataset import Recording
from evalkit.drawn_levels import DrawnFiles, DrawnLevels
from evalkit.editor.view import View
from evalkit.recordings import read_blocks

__all__ = ["Source", "Spectrum", "Waves"]

_SPECTRUM_S = 0.25
_LOUD_DB = 10.0
_LOUD_BREAK_S = 0.5


@dataclass(frozen=True)
class Waves:
    """The waveform over the columns of a picture; full scale = 1, NaN outside the recording."""

    low: NDArray[np.float32]
    high: NDArray[np.float32]
    rms: NDArray[np.float32]


@dataclass(frozen=True)
class Spectrum:
    """Power about a moment."""

    frequency_hz: NDArray[np.float64]
    level_db: NDArray[np.float64]
    """dB of full scale."""


class Source:
    """One recording as pictures are drawn of it.

    Parameters
    ----------
    recording : Recording
    board : Board
    setting : Setting
        The present one.
    """

    def __init__(self, recording: Recording, board: Board, setting: Setting) -> None:
        self.recording = recording
        self.board = board
        self.setting = setting
        self.levels: DrawnLevels | None = None
        """None until they are there."""
        self.trace: BoxTrace | None = None
        """None until it is there."""

    def find(self, files: DrawnFiles) -> None:
        """Take what was drawn earlier, if it is of this audio, board and setting."""
        r = self.recording
        self.levels = DrawnLevels.find(files, r.name, r.path, channel=r.channel)
        self.trace = BoxTrace.find(files, r, self.board, self.setting)

    def waves(self, view: View) -> Waves | None:
        """Return the waveform over two columns for each of the view's; None if it is not there yet."""
        edges = self._edges(view, 2)
        if edges[-1] - edges[0] < self._block * (len(edges) - 1):
            return self._fine_waves(edges)
        if self.levels is None:
            return None
        low, high, square = self.levels.columns(edges)
        return Waves(low, high, np.sqrt(square))

    def box(self, view: View) -> BoxColumns | None:
        """Return what the box does over two columns for each of the view's; None if not there yet."""
        return None if self.trace is None else self.trace.columns(self._edges(view, 2))

    def bands_db(self, view: View) -> NDArray[np.float32] | None:
        """Return the level of each band over the view's columns: (columns, 16); None if not there yet."""
        return None if self.levels is None else self.levels.band_columns_db(self._edges(view, 1))

    def spectrum(self, view: View) -> Spectrum:
        """Return the spectrum of a quarter of a second about the cursor."""
        rate = self.recording.sample_rate_hz
        samples = self.samples(view.cursor_s - _SPECTRUM_S / 2, view.cursor_s + _SPECTRUM_S / 2)
        window = np.hanning(len(samples) + 1)[:-1]
        power = np.abs(np.fft.rfft(samples * window)) ** 2
        power *= 2.0 / (len(samples) * max(float(np.square(window).sum()), 1e-12))
        frequency_hz = np.fft.rfftfreq(len(samples), 1.0 / rate)
        level_db = 10.0 * np.log10(np.maximum(power, 1e-15))
        return Spectrum(np.asarray(frequency_hz, np.float64), np.asarray(level_db, np.float64))

    def samples(self, start_s: float, end_s: float) -> NDArray[np.float32]:
        """Return the samples of a stretch, full scale = 1; at least one."""
        r = self.recording
        first = min(max(0, math.floor(start_s * r.sample_rate_hz)), r.n_frames - 1)
        last = min(max(first + 1, math.ceil(end_s * r.sample_rate_hz)), r.n_frames)
        blocks = read_blocks(r.path, channel=r.channel, start=first, stop=last)
        return np.concatenate(list(blocks))

    def loud_moments(self) -> NDArray[np.float64]:
        """Return when the level rises by 10 dB over what the recording usually is, after half a second."""
        if self.levels is None:
            return np.zeros(0)
        square = self.levels.square
        usual = float(np.median(square[:: max(1, len(square) // 100_000)]))
        loud = np.flatnonzero(square > max(usual, 1e-12) * 10.0 ** (_LOUD_DB / 10.0))
        block_s = self.levels.block_samples / self.levels.sample_rate_hz
        starts = loud[np.diff(loud, prepend=-(10**9)) * block_s > _LOUD_BREAK_S]
        self.levels.let_go()
        return np.asarray(starts * block_s, np.float64)

    @property
    def _block(self) -> int:
        if self.levels is not None:
            return self.levels.block_samples
        return 1 << math.ceil(math.log2(0.008 * self.recording.sample_rate_hz))

    def _edges(self, view: View, per_column: int) -> NDArray[np.float64]:
        rate = self.recording.sample_rate_hz
        n = view.columns * per_column
        return np.linspace(view.start_s * rate, view.end_s * rate, n + 1)

    def _fine_waves(self, edges: NDArray[np.float64]) -> Waves:
        rate = self.recording.sample_rate_hz
        first = min(max(0, math.floor(edges[0])), self.recording.n_frames - 1)
        samples = self.samples(first / rate, math.ceil(edges[-1]) / rate)
        own = np.floor(edges).astype(np.int64) - first
        inside = own[:-1] < len(samples)
        starts = np.clip(own[:-1][inside], 0, len(samples) - 1)

        def over(values: NDArray[np.float32], how: np.ufunc) -> NDArray[np.float32]:
            result = np.full(len(own) - 1, np.nan, np.float32)
            result[inside] = how.reduceat(values, starts)
            return result

        counts = np.ones(len(own) - 1, np.float32)
        counts[inside] = np.maximum(np.diff(starts, append=len(samples)), 1)
        square = over(np.square(samples), np.add) / counts
        return Waves(over(samples, np.minimum), over(samples, np.maximum), np.sqrt(square))
