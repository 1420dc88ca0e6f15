"""What is wrong with a recording, and where.

A recording is examined in windows of some ten seconds that start at its
start, so memory does not grow with its length. The limits are common
practice, no source: they say what a person should look at, and nothing that
is found makes a recording unusable.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

import numpy as np
import numpy.typing as npt

from evalkit.recordings import AudioInfo, Share, read_blocks, read_info

__all__ = ["Fault", "FaultKind", "find_faults"]

_LOWEST_RATE_HZ = 4_000
_WINDOW_S = 10.0
# Whatever the header says of the rate, a window is neither tiny nor more than memory is meant to hold.
_WINDOW_FRAMES = (65_536, 2_097_152)
# More places than these of one kind are counted, not listed.
_LISTED_PLACES = 50
# Runs closer together than this are one place.
_PLACE_GAP_S = 1.0
_CLIPPED_RUN = 3
_DROPOUT_S = 0.010
_SILENCE_S = 1.0
_SILENT_PEAK = 1e-3
_OFFSET = 0.01
_SHORTEST_MEAN_S = 1.0
_MAINS_HZ = (50, 60)
_HARMONICS = 8
_HUM_SEGMENT_S = 4.0
_HUM_SHORTEST_S = 1.0
_HUM_DB = 12.0
_HUM_RATE_HZ = 4_800
# Bins nearer to a harmonic than the first are its own, further than the second those of something else.
_HUM_FLOOR_HZ = (2.0, 8.0)
# Largest sample of the encodings that are coarser than 16 bits.
_COARSE_FULL_SCALE = {
    "PCM_U8": 127 / 128,
    "PCM_S8": 127 / 128,
    "ULAW": 32_124 / 32_768,
    "ALAW": 32_256 / 32_768,
}
_FINE_FULL_SCALE = 32_767 / 32_768


class FaultKind(StrEnum):
    """What can be wrong with a recording that can still be used."""

    TRUNCATED = "truncated"
    LOW_RATE = "low-rate"
    CLIPPING = "clipping"
    DC_OFFSET = "dc-offset"
    HUM = "hum"
    DROPOUT = "dropout"
    SILENCE = "silence"


@dataclass(frozen=True)
class Fault:
    """Something wrong with a recording between two times of it, in seconds."""

    kind: FaultKind
    start_s: float
    end_s: float
    message: str
    """One line that says how bad it is."""


def find_faults(path: Path, *, channel: int, share: Share = lambda part: None) -> list[Fault]:
    """Return what is wrong with one channel of an audio file, by kind and then by time.

    - truncated: the header promises more than the file holds;
    - low-rate: fewer than 4,000 samples a second;
    - clipping: three or more samples in a row at full scale;
    - DC offset: a window's mean is over 1 % of full scale;
    - hum: 50 or 60 Hz, or two of their harmonics, 12 dB over the median of the
      spectrum within 8 Hz (the spectrum is the mean of Hann-windowed
      periodograms of 4 s that overlap by half, Welch 1967);
    - dropout: one value for 10 ms or more; silence: for a second or more, or a
      recording that never passes 0.1 % of full scale.

    Parameters
    ----------
    path : Path
        An audio file.
    channel : int
        Counts from 1.
    share : callable
        Told how long each piece is that was examined, as a share of the whole.

    Raises
    ------
    FileFault
        If the file is not usable audio, or holds a sample that is not finite.
    """
    info = read_info(path)
    rate_hz = info.sample_rate_hz
    window_frames = int(min(max(_WINDOW_S * rate_hz, _WINDOW_FRAMES[0]), _WINDOW_FRAMES[1]))
    scan = _Scan(rate_hz, info.n_frames, _COARSE_FULL_SCALE.get(info.encoding, _FINE_FULL_SCALE))
    for window in read_blocks(path, channel=channel, block_frames=window_frames):
        scan.feed(window)
        share(len(window) / info.n_frames)
    return [*_header_faults(info), *scan.faults()]


@dataclass
class _Place:
    start: int
    stop: int
    samples: int
    longest: int
    level: float


@dataclass
class _Places:
    """Runs of one kind, those near each other joined; memory does not grow with their number."""

    gap: int
    listed: list[_Place] = field(default_factory=list)
    more: int = 0
    last: _Place | None = None

    def add(self, start: int, stop: int, level: float) -> None:
        length = stop - start
        if self.last is not None and start - self.last.stop <= self.gap:
            self.last.stop = stop
            self.last.samples += length
            self.last.longest = max(self.last.longest, length)
            self.last.level = max(self.last.level, level, key=abs)
            return
        self.last = _Place(start, stop, length, length, level)
        if len(self.listed) < _LISTED_PLACES:
            self.listed.append(self.last)
        else:
            self.more += 1


class _Runs:
    """Finds runs of true values in a mask that comes in pieces."""

    def __init__(self, shortest: int) -> None:
        self._shortest = shortest
        self._open: int | None = None

    def feed(self, mask: npt.NDArray[np.bool_], offset: int) -> list[tuple[int, int]]:
        """Return the runs [start, stop) of enough values that end inside this piece."""
        edges = np.flatnonzero(mask[1:] != mask[:-1]) + 1
        rising = mask[edges]
        starts, stops = edges[rising] + offset, edges[~rising] + offset
        if mask[0]:
            first = offset if self._open is None else self._open
            starts = np.concatenate(([first], starts))
        elif self._open is not None:
            starts = np.concatenate(([self._open], starts))
            stops = np.concatenate(([offset], stops))
        self._open = int(starts[-1]) if mask[-1] else None
        starts = starts[: len(stops)]
        keep = stops - starts >= self._shortest
        return list(zip(starts[keep].tolist(), stops[keep].tolist(), strict=True))

    def close(self, end: int) -> list[tuple[int, int]]:
        """Return the run that goes on to the end of the recording, if it is long enough."""
        start, self._open = self._open, None
        return [(start, end)] if start is not None and end - start >= self._shortest else []


class _Scan:
    """Takes the windows of a recording in order and keeps what is wrong with them."""

    def __init__(self, rate_hz: int, n_frames: int, full_scale: float) -> None:
        self._rate_hz = rate_hz
        self._n_frames = n_frames
        # Half a step below full scale, so that the comparison does not hang on rounding.
        self._clip_level = full_scale - 0.5 / 32_768
        self._position = 0
        self._previous: float | None = None
        self._peak = (math.inf, -math.inf)
        self._clipped_runs = _Runs(_CLIPPED_RUN)
        # A run of equal neighbours is one shorter than the run of samples.
        self._steady_runs = _Runs(max(1, math.ceil(_DROPOUT_S * rate_hz) - 1))
        gap = int(_PLACE_GAP_S * rate_hz)
        self._clipping, self._dropouts, self._silence = _Places(gap), _Places(gap), _Places(gap)
        self._offset = _Places(0)
        self._hum = {mains_hz: _Hum(mains_hz) for mains_hz in _MAINS_HZ}

    def feed(self, window: npt.NDArray[np.float32]) -> None:
        start, stop = self._position, self._position + len(window)
        low, high = float(window.min()), float(window.max())
        self._peak = (min(self._peak[0], low), max(self._peak[1], high))
        self._find_clipping(window, start, max(-low, high))
        self._find_steady(window, start)
        only = stop - start == self._n_frames
        mean = float(window.mean(dtype=np.float64))
        if abs(mean) > _OFFSET and (only or len(window) >= _SHORTEST_MEAN_S * self._rate_hz):
            self._offset.add(start, stop, mean)
        shortest_s = _HUM_SHORTEST_S if only else _HUM_SEGMENT_S
        if len(window) >= shortest_s * self._rate_hz:
            spectrum = _spectrum(window, self._rate_hz)
            for hum in self._hum.values():
                hum.feed(spectrum, start, stop)
        self._position = stop

    def faults(self) -> list[Fault]:
        """Return the faults found, once the last window was fed."""
        for start, stop in self._clipped_runs.close(self._position):
            self._clipping.add(start, stop, 0.0)
        for start, stop in self._steady_runs.close(self._position):
            self._add_steady(start, stop, float(self._previous or 0.0))
        found = self._listed(FaultKind.CLIPPING, self._clipping, self._clipping_text)
        found += self._listed(
            FaultKind.DC_OFFSET, self._offset, lambda place: f"the mean is {place.level:+.1%} of full scale"
        )
        for hum in self._hum.values():
            found += hum.faults(self._rate_hz)
        found += self._listed(
            FaultKind.DROPOUT,
            self._dropouts,
            lambda place: f"one value for {place.longest / self._rate_hz * 1e3:.0f} ms: samples were lost",
        )
        peak = (self._peak[1] - self._peak[0]) / 2
        if peak < _SILENT_PEAK:
            text = f"never louder than {peak:.3%} of full scale: is the pickup connected and the gain up?"
            found.append(Fault(FaultKind.SILENCE, 0.0, self._n_frames / self._rate_hz, text))
        else:
            found += self._listed(
                FaultKind.SILENCE,
                self._silence,
                lambda place: f"one value for {place.longest / self._rate_hz:.1f} s",
            )
        return found

    def _find_clipping(self, window: npt.NDArray[np.float32], start: int, peak: float) -> None:
        # Most windows come nowhere near full scale and need no second look.
        clipped = np.abs(window) >= self._clip_level if peak >= self._clip_level else np.zeros(1, np.bool_)
        for first, last in self._clipped_runs.feed(clipped, start):
            self._clipping.add(first, last, 0.0)

    def _find_steady(self, window: npt.NDArray[np.float32], start: int) -> None:
        steady = np.empty(len(window), np.bool_)
        steady[0] = self._previous is not None and window[0] == self._previous
        np.equal(window[1:], window[:-1], out=steady[1:])
        for first, last in self._steady_runs.feed(steady, start):
            value = float(window[last - 1 - start]) if last > start else float(self._previous or 0.0)
            self._add_steady(first, last, value)
        self._previous = float(window[-1])

    def _add_steady(self, first: int, last: int, value: float) -> None:
        """Keep a run of equal neighbours; its samples begin one before."""
        if abs(value) >= self._clip_level:
            return
        length = last - first + 1
        places = self._silence if length >= _SILENCE_S * self._rate_hz else self._dropouts
        places.add(first - 1, last, value)

    def _clipping_text(self, place: _Place) -> str:
        longest_ms = place.longest / self._rate_hz * 1e3
        return f"{place.samples} samples at full scale, up to {longest_ms:.2g} ms on end: turn the gain down"

    def _listed(self, kind: FaultKind, places: _Places, text: Callable[[_Place], str]) -> list[Fault]:
        rate_hz = self._rate_hz
        found = [
            Fault(kind, place.start / rate_hz, place.stop / rate_hz, text(place)) for place in places.listed
        ]
        if places.more and places.last is not None:
            first = found[-1].end_s
            found.append(
                Fault(kind, first, places.last.stop / rate_hz, f"{places.more} more places like these")
            )
        return found


@dataclass(frozen=True)
class _Spectrum:
    """Mean power in bins that are `step_hz` apart."""

    power: npt.NDArray[np.float64]
    step_hz: float

    def between(self, low_hz: float, high_hz: float) -> npt.NDArray[np.float64]:
        first = max(0, math.ceil(low_hz / self.step_hz))
        return self.power[first : max(first, math.floor(high_hz / self.step_hz) + 1)]

    def prominence_db(self, frequency_hz: float) -> float:
        """Return how far the strongest bin at a frequency stands over the median of its neighbours."""
        # The mains keep their frequency within 0.2 %, and the window spreads a line over two bins.
        half_width_hz = 0.002 * frequency_hz + 2 * self.step_hz
        line = self.between(frequency_hz - half_width_hz, frequency_hz + half_width_hz)
        near_hz, far_hz = _HUM_FLOOR_HZ
        below = self.between(frequency_hz - far_hz, frequency_hz - near_hz)
        above = self.between(frequency_hz + near_hz, frequency_hz + far_hz)
        floor = float(np.median(np.concatenate((below, above)))) if len(below) and len(above) else 0.0
        peak = float(line.max()) if len(line) else 0.0
        return 10 * math.log10(peak / floor) if floor > 0 and peak > 0 else -math.inf


def _spectrum(window: npt.NDArray[np.float32], rate_hz: int) -> _Spectrum:
    """Return the mean periodogram, up to some 2.4 kHz, of a window's overlapping segments (Welch 1967)."""
    # Means of neighbouring samples suffice: what folds down from above is at least 20 dB weaker
    # than it was, and a transform a tenth as long takes a tenth of the time.
    joined = max(1, rate_hz // _HUM_RATE_HZ)
    samples = window[: len(window) // joined * joined].reshape(-1, joined).mean(axis=1)
    n = min(int(_HUM_SEGMENT_S * rate_hz / joined), len(samples))
    shape = np.hanning(n + 1)[:n].astype(np.float32)
    starts = range(0, len(samples) - n + 1, max(1, n // 2))
    power = np.zeros(n // 2 + 1)
    for start in starts:
        power += np.abs(np.fft.rfft(samples[start : start + n] * shape)) ** 2
    return _Spectrum(power / len(starts), rate_hz / joined / n)


class _Hum:
    """How far one mains frequency and its harmonics stand out, over the windows in which they do."""

    def __init__(self, mains_hz: int) -> None:
        self._mains_hz = mains_hz
        self._sums_db = np.zeros(_HARMONICS)
        self._windows = 0
        self._with_hum = 0
        self._start = self._stop = 0

    def feed(self, spectrum: _Spectrum, start: int, stop: int) -> None:
        self._windows += 1
        levels_db = [spectrum.prominence_db(self._mains_hz * number) for number in range(1, _HARMONICS + 1)]
        # A harmonic that both mains frequencies share is evidence for neither.
        other_hz = sum(_MAINS_HZ) - self._mains_hz
        own = [
            level_db >= _HUM_DB
            for number, level_db in enumerate(levels_db, start=1)
            if self._mains_hz * number % other_hz
        ]
        if not own[0] and sum(own) < 2:
            return
        if not self._with_hum:
            self._start = start
        self._stop = stop
        self._with_hum += 1
        # A harmonic beyond half the rate has no level; it counts as being at the floor.
        self._sums_db += np.maximum(levels_db, 0.0)

    def faults(self, rate_hz: int) -> list[Fault]:
        if not self._with_hum:
            return []
        means_db = self._sums_db / self._with_hum
        lines = [
            f"{self._mains_hz * number} Hz {mean_db:.0f}"
            for number, mean_db in enumerate(means_db, start=1)
            if mean_db >= _HUM_DB / 2
        ]
        text = (
            f"mains hum of {self._mains_hz} Hz in {self._with_hum} of {self._windows} windows of 10 s, "
            f"dB over the floor: {', '.join(lines)} (a machine on the mains gives the same lines)"
        )
        return [Fault(FaultKind.HUM, self._start / rate_hz, self._stop / rate_hz, text)]


def _header_faults(info: AudioInfo) -> list[Fault]:
    found: list[Fault] = []
    rate_hz = info.sample_rate_hz
    end_s = info.n_frames / rate_hz
    if info.promised_frames > info.n_frames:
        text = (
            f"the header promises {info.promised_frames / rate_hz:.3f} s, the file holds {end_s:.3f} s; "
            "what is there can be used"
        )
        found.append(Fault(FaultKind.TRUNCATED, end_s, end_s, text))
    if rate_hz < _LOWEST_RATE_HZ:
        text = f"{rate_hz} samples a second; with fewer than {_LOWEST_RATE_HZ} most of a tap is lost"
        found.append(Fault(FaultKind.LOW_RATE, 0.0, end_s, text))
    return found
