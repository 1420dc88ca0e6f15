"""How strong a recording is, at every zoom and in 16 bands: what pictures and proposals are drawn from.

One pass over the audio makes a file in the dataset's `.evalkit/drawn/`:
lowest and highest sample and mean square of each block of 8 to 16 ms, the mean
square above 500 Hz, where a knock differs from a hum, and the level in 16
half-octave bands from 31.25 Hz to 8 kHz every four blocks.
"""

import atexit
import math
import os
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evalkit.durable import TEMPORARY_PREFIX
from evalkit.errors import FileFault
from evalkit.pyramid import Pyramid, PyramidWriter, Row, Summary
from evalkit.recordings import read_blocks
from evalkit.shelf import keep_within

__all__ = ["BAND_EDGES_HZ", "BAND_LOWEST_DB", "BAND_STEP_DB", "LIMIT_BYTES", "DrawnFiles", "DrawnLevels"]

BAND_EDGES_HZ = 31.25 * 2.0 ** (np.arange(17) / 2.0)
"""Edges of the bands: half octaves."""
BAND_STEP_DB = 0.75
"""What one step of a band's entry is worth."""
BAND_LOWEST_DB = -160.0
"""Level of the entry 0, dB of a full-scale mean square of 1: this or less, or no such frequency."""
LIMIT_BYTES = 2 << 30
"""The drawn files of one dataset stay under this: some 150 hours of recordings."""

_UPPER_HZ = 500.0
_BLOCK_S = 0.008
_HOP_BLOCKS = 4
_WINDOW_BLOCKS = 8
_UPPER_BLOCKS = 2
_PIECE_FRAMES = 1 << 18
_VERSION = 1
_LEFTOVER_S = 600.0

Progress = Callable[[float], None]
"""Called with the share that is done, 0 to 1."""


class DrawnFiles:
    """Where the drawn files of a dataset lie; a temporary folder where it cannot be written.

    Parameters
    ----------
    folder : Path
        The dataset.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder / ".evalkit" / "drawn"

    def found(self, name: str, made_of: dict[str, Any]) -> Pyramid | None:
        """Return a file if it is there, whole, and made of just that."""
        try:
            pyramid = Pyramid(self._folder / name)
            # used now: it is among the last to go
            os.utime(self._folder / name)
        except (OSError, ValueError, KeyError):
            return None
        return pyramid if pyramid.made_of == made_of else None

    def writer(self, name: str, rows: list[Row]) -> PyramidWriter:
        """Return a writer for a file; the old one stays until the new one is whole."""
        try:
            for leftover in self._folder.glob(f"{TEMPORARY_PREFIX}{name}-*"):
                # One that is still being written, by another editor, has just been written to.
                if time.time() - leftover.stat().st_mtime > _LEFTOVER_S:
                    leftover.unlink(missing_ok=True)
            writer = PyramidWriter(self._folder / name, rows)
            keep_within(self._folder, max(0, LIMIT_BYTES - writer.size_bytes))
            return writer
        except OSError:
            self._folder = Path(tempfile.mkdtemp(prefix="evalkit-"))
            atexit.register(shutil.rmtree, self._folder, ignore_errors=True)
            return PyramidWriter(self._folder / name, rows)


class DrawnLevels:
    """The levels of one channel of an audio file.

    Parameters
    ----------
    pyramid : Pyramid
        As made by `build`.
    """

    def __init__(self, pyramid: Pyramid) -> None:
        self._pyramid = pyramid
        self.sample_rate_hz: int = pyramid.extra["sample_rate_hz"]
        self.block_samples: int = pyramid.rows["square"].samples
        self.hop_samples: int = pyramid.rows["bands"].samples

    @classmethod
    def find(cls, files: DrawnFiles, name: str, path: Path, *, channel: int) -> "DrawnLevels | None":
        """Return the levels if they are there and the audio file is the one they were made of."""
        pyramid = files.found(f"{name}.levels", _made_of(path, channel))
        return None if pyramid is None else cls(pyramid)

    @classmethod
    def build(
        cls,
        files: DrawnFiles,
        name: str,
        path: Path,
        *,
        channel: int,
        sample_rate_hz: int,
        n_frames: int,
        progress: Progress = lambda share: None,
    ) -> "DrawnLevels":
        """Read an audio file through and write its levels.

        Parameters
        ----------
        files : DrawnFiles
        name : str
            Of the recording; names the file.
        path : Path
            The audio.
        channel, sample_rate_hz, n_frames : int
            As in the dataset.
        progress : callable
            May raise, to stop; then no file is left behind.

        Raises
        ------
        FileFault
            If the audio cannot be read, or the file not be written.
        """
        made_of = _made_of(path, channel)
        block = 2 ** math.ceil(math.log2(_BLOCK_S * sample_rate_hz))
        hop = _HOP_BLOCKS * block
        n_blocks, n_hops = -(-n_frames // block), -(-n_frames // hop)
        rows = [
            Row("low", "<f2", n_blocks, block, Summary.LOWEST),
            Row("high", "<f2", n_blocks, block, Summary.HIGHEST),
            Row("square", "<f4", n_blocks, block, Summary.MEAN),
            Row("upper", "<f4", n_blocks, block, Summary.MEAN),
            Row("bands", "u1", n_hops, hop, Summary.HIGHEST, len(BAND_EDGES_HZ) - 1),
        ]
        try:
            with files.writer(f"{name}.levels", rows) as writer:
                upper = _Spectra(hop=block, window=_UPPER_BLOCKS * block)
                upper_from = math.ceil(_UPPER_HZ * _UPPER_BLOCKS * block / sample_rate_hz)
                bands = _Spectra(hop=hop, window=_WINDOW_BLOCKS * block)
                band_starts = np.ceil(BAND_EDGES_HZ * _WINDOW_BLOCKS * block / sample_rate_hz).astype(
                    np.int64
                )
                done = 0
                progress(0.0)
                for samples in read_blocks(path, channel=channel, block_frames=_PIECE_FRAMES, stop=n_frames):
                    low, high, square = _blocks_of(samples, block)
                    writer.add("low", np.clip(low, -6e4, 6e4))
                    writer.add("high", np.clip(high, -6e4, 6e4))
                    writer.add("square", square)
                    writer.add("upper", _above(upper.take(samples), upper_from))
                    writer.add("bands", _band_entries(bands.take(samples), band_starts))
                    done += len(samples)
                    progress(0.97 * done / n_frames)
                writer.add("upper", _above(upper.rest(n_blocks), upper_from))
                writer.add("bands", _band_entries(bands.rest(n_hops), band_starts))
                pyramid = writer.finish(made_of, {"sample_rate_hz": sample_rate_hz})
        except OSError as error:
            raise FileFault(f"{path}: cannot be drawn: {error.strerror or error}") from error
        progress(1.0)
        return cls(pyramid)

    def columns(self, edges: NDArray[np.float64]) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
        """Return lowest and highest sample and mean square of each column (`Pyramid.across`)."""
        low, high, square = (self._pyramid.across(name, edges) for name in ("low", "high", "square"))
        return low, high, square

    def band_columns_db(self, edges: NDArray[np.float64]) -> NDArray[np.float32]:
        """Return the highest level of each band in each column, dB of full scale: (n_columns, 16)."""
        return np.asarray(self._pyramid.across("bands", edges) * BAND_STEP_DB + BAND_LOWEST_DB)

    def let_go(self) -> None:
        """Give back the memory of what was read so far (`Pyramid.let_go`): for who went through all of it."""
        self._pyramid.let_go()

    @property
    def square(self) -> NDArray[np.float32]:
        """Mean square of every block, full scale = 1."""
        return self._pyramid.entries("square")

    @property
    def upper(self) -> NDArray[np.float32]:
        """Mean square above 500 Hz of every block, full scale = 1."""
        return self._pyramid.entries("upper")

    @property
    def bands(self) -> NDArray[np.uint8]:
        """Level of every band every four blocks, steps of `BAND_STEP_DB` over `BAND_LOWEST_DB`."""
        return self._pyramid.entries("bands")


class _Spectra:
    """Power spectra of overlapping Hann windows, piece by piece.

    Spectrum k is of the window about the middle of samples [k hop, (k + 1) hop);
    before the start and after the end lie zeros. A mean square of 1 in some
    bins gives 1 there: the window's power is taken out and both halves are counted.
    """

    def __init__(self, *, hop: int, window: int) -> None:
        self._hop = hop
        self._window = np.hanning(window + 1)[:-1].astype(np.float32)
        power = window * float(np.square(self._window, dtype=np.float64).sum())
        self._window *= np.float32(math.sqrt(2.0 / power))
        self._waiting = np.zeros((window - hop) // 2, np.float32)
        self._done = 0

    def take(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the spectra whose windows are now complete: (n, window / 2 + 1)."""
        from scipy.fft import rfft

        samples = np.concatenate([self._waiting, samples])
        n = len(self._window)
        count = max(0, (len(samples) - n) // self._hop + 1)
        self._waiting = samples[count * self._hop :].copy()
        self._done += count
        if not count:
            return np.zeros((0, n // 2 + 1), np.float32)
        windows = np.lib.stride_tricks.sliding_window_view(samples, n)[:: self._hop][:count]
        spectra = rfft(windows * self._window, axis=1)
        return np.asarray(spectra.real**2 + spectra.imag**2)

    def rest(self, n: int) -> NDArray[np.float32]:
        """Return the spectra at the end, so that there are `n` in all."""
        left = n - self._done
        return self.take(np.zeros(left * self._hop + len(self._window), np.float32))[:left]


def _above(power: NDArray[np.float32], first: int) -> NDArray[np.float32]:
    """Return the mean square from a bin upward; nothing if the rate is too low for it."""
    return np.asarray(power[:, first:].sum(axis=1))


def _band_entries(power: NDArray[np.float32], starts: NDArray[np.int64]) -> NDArray[np.uint8]:
    """Return the entries of the bands between the given bins; 0 for bands above half the rate."""
    n_bins = power.shape[1]
    sums = np.zeros((len(power), len(starts) - 1), np.float32)
    inside = starts[:-1] < n_bins
    if len(power):
        own = power[:, : min(n_bins, int(starts[-1]))]
        sums[:, inside] = np.add.reduceat(own, starts[:-1][inside], axis=1)
    level_db = 10.0 * np.log10(np.maximum(sums, 1e-30))
    return np.asarray(np.clip(np.rint((level_db - BAND_LOWEST_DB) / BAND_STEP_DB), 0, 255), np.uint8)


def _made_of(path: Path, channel: int) -> dict[str, Any]:
    try:
        status = path.stat()
    except OSError as error:
        raise FileFault(f"{path}: cannot be read: {error.strerror or error}") from error
    return {
        "version": _VERSION,
        "bytes": status.st_size,
        "mtime_ns": status.st_mtime_ns,
        "channel": channel,
    }


def _blocks_of(samples: NDArray[np.float32], block: int) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Return lowest, highest and mean square of each block; the last one may be shorter."""
    whole = len(samples) // block * block
    table = samples[:whole].reshape(-1, block)
    low, high = table.min(axis=1), table.max(axis=1)
    square = np.einsum("ij,ij->i", table, table) / np.float32(block)
    if whole < len(samples):
        tail = samples[whole:]
        low, high = np.append(low, tail.min()), np.append(high, tail.max())
        square = np.append(square, np.float32(np.mean(np.square(tail, dtype=np.float64))))
    return low, high, square
