"""Frame features: what a learned detector sees of the vibration, one row every 32 ms.

A frame looks back over 0.128 s and is there once its last sample is; nothing
looks ahead. Features that tell of a course (rise, rhythm) look back further.
The level is that of the board's own pickup load, as every detector hears it.
Everything is computed in blocks with carried state; how a recording is
divided into blocks changes no bit.
"""

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from evalkit.board import Board
from evalkit.detectors import Source
from evalkit.detectors.constants import pickup_section

__all__ = ["BANDS_HZ", "FEATURES", "HOP_S", "WINDOW_S", "Feature", "FrameMaker"]

HOP_S = 0.032
"""From frame to frame; rounded to whole samples."""
_HOPS = 4
WINDOW_S = _HOPS * HOP_S
"""What a frame's spectrum looks back over (Hann window): a line is 12 Hz wide."""

_MOTOR_LOW_HZ, _MOTOR_STEPS = 125.0 / math.sqrt(2.0), 12
BANDS_HZ = (
    *(16.0, 44.0),
    *(_MOTOR_LOW_HZ * 2.0 ** (k / 6.0) for k in range(_MOTOR_STEPS + 1)),
    *(707.0, 1414.0, 2828.0, 4000.0),
)
"""Edges of the bands: sixth-octaves where phone motors turn (88 to 354 Hz), about octaves elsewhere."""
_MOTOR = slice(2, 2 + _MOTOR_STEPS)
_FLOOR = 1e-12
"""V^2: nothing is told to be under -120 dB re 1 V, which no sound card hears."""

_FALL_DB, _RISE_DB = 6.0, 10.0
_COURSE_FRAMES = 62
_STEADY_FRAMES = 16
_DRIFT_FRAMES = 8
_GROUP = 4
"""Frames that make one step of the envelope whose rhythm is told: 0.128 s."""
_STEPS = 62
_SHARE_STEPS = 47
_SHORTEST_LAG, _LONGEST_LAG = 4, 39
_ON_DB, _RHYTHM_RANGE_DB = 10.0, 20.0
_ABOUT = 0.9
_PAGE = 128
"""Frames that are computed at once, so that memory does not grow with a block."""


@dataclass(frozen=True)
class Feature:
    """One column."""

    name: str
    unit: str
    meaning: str


def _band_name(low_hz: float, high_hz: float) -> str:
    return f"band {low_hz:.0f}-{high_hz:.0f} Hz"


FEATURES = (
    *(
        Feature(_band_name(low, high), "dB re 1 V", "RMS level between these frequencies")
        for low, high in zip(BANDS_HZ, BANDS_HZ[1:])
    ),
    Feature("level", "dB re 1 V", "RMS level from 16 Hz to 4 kHz"),
    Feature("crest factor", "dB", "largest sample over the RMS of all samples"),
    Feature("spectral centroid", "Hz", "mean frequency, weighted by amplitude"),
    Feature("spectral flatness", "dB", "geometric over arithmetic mean of power: 0 is white, a tone is low"),
    Feature("line frequency", "Hz", "strongest line from 88 to 354 Hz, between bins by a parabola"),
    Feature("line prominence", "dB", "power of that line over the mean of the others in that range"),
    Feature("line drift", "Hz", "mean change of the line's frequency from frame to frame, last 0.26 s"),
    Feature("rise time", "s", "how long ago the motor's range was 10 dB lower; 2 s: not within 2 s"),
    Feature("decay time", "s", "how long ago it was 6 dB higher; 2 s: not within 2 s"),
    Feature("unsteadiness", "dB", "standard deviation of its level, last 0.5 s"),
    Feature("on share", "1", "share of the last 6 s in which it was within 10 dB of its highest of 8 s"),
    Feature("burst length", "s", "how long it has been so by now; 0: it is not"),
    Feature("depth", "dB", "standard deviation of its level, last 8 s"),
    Feature("periodicity", "1", "highest peak of the autocorrelation of its envelope at 0.5 to 5 s; 0: none"),
    Feature("period", "s", "shortest lag with a peak about as high; 0: none"),
)
_N_RHYTHM = 5


@dataclass(frozen=True)
class _Grid:
    """A sample rate's windows and bins."""

    hop: int
    taper: NDArray[np.float64]
    scale: float
    bin_hz: float
    edges: NDArray[np.int64]

    @classmethod
    def of_rate(cls, sample_rate_hz: int) -> "_Grid":
        hop = max(1, round(HOP_S * sample_rate_hz))
        n = _HOPS * hop
        taper = 0.5 - 0.5 * np.cos(2.0 * math.pi * np.arange(n) / n)
        bin_hz = sample_rate_hz / n
        edges = np.rint(np.array(BANDS_HZ) / bin_hz).astype(np.int64)
        # two sides of the spectrum; so scaled, the bins' powers sum to the mean square
        return cls(hop, taper, 2.0 / (n * float(np.sum(taper**2))), bin_hz, edges)


@dataclass(frozen=True)
class FrameState:
    """What is carried from block to block."""

    grid: _Grid
    volts: float
    section: NDArray[np.float64]
    memory: NDArray[np.float64]
    tail: NDArray[np.float64]
    """Samples of the last three hops and of the hop that is not yet whole."""
    next_frame: int
    peak: NDArray[np.float64]
    square: NDArray[np.float64]
    """Of the last three hops."""
    motor_db: NDArray[np.float64]
    line_hz: NDArray[np.float64]
    group: NDArray[np.float64]
    """Powers of the frames of the step that is not yet whole."""
    steps_db: NDArray[np.float64]
    rhythm: NDArray[np.float64]
    """Last row of the rhythm's features."""


class FrameMaker:
    """Turns blocks of samples into rows of features.

    Parameters
    ----------
    board : Board
        Its pickup and the load on it: the only part of it that matters here.
    """

    def __init__(self, board: Board) -> None:
        self.board = board

    @property
    def fingerprint(self) -> str:
        """What the features depend on beside audio, calibration and code."""
        pickup = self.board.pickup
        return f"frames {pickup.corner_hz!r} {pickup.capacitance.typ!r}"

    def at_rest(self, source: Source) -> FrameState:
        """Return the state of silence."""
        grid = _Grid.of_rate(source.sample_rate_hz)
        floor_db = 10.0 * math.log10(_FLOOR)
        return FrameState(
            grid=grid,
            volts=source.volts,
            section=pickup_section(self.board, source),
            memory=np.zeros(1),
            tail=np.zeros((_HOPS - 1) * grid.hop),
            next_frame=0,
            peak=np.zeros(_HOPS - 1),
            square=np.zeros(_HOPS - 1),
            motor_db=np.full(_COURSE_FRAMES, floor_db),
            line_hz=np.zeros(_DRIFT_FRAMES - 1),
            group=np.zeros(0),
            steps_db=np.full(_STEPS - 1, floor_db),
            rhythm=np.zeros(_N_RHYTHM),
        )

    def advance(
        self, block: NDArray[np.float32], state: FrameState
    ) -> tuple[NDArray[np.float32], FrameState]:
        """Return the rows of the frames that a block completes, and the state after it.

        Parameters
        ----------
        block : ndarray of shape (n_samples,), float32, full scale 1
        state : FrameState
            As returned for the block before, or by `at_rest`.

        Returns
        -------
        (ndarray of shape (n_frames, n_features), FrameState)
            Frame k of a recording is complete with sample (k + 1) hop - 1.
        """
        from scipy.signal import lfilter

        if not len(block):
            # the filter would give back a state that it never wrote
            return np.empty((0, len(FEATURES)), np.float32), state
        b0, b1, a1 = state.section
        volts = block.astype(np.float64) * state.volts
        volts, memory = lfilter([b0, b1], [1.0, a1], volts, zi=state.memory)
        samples = np.concatenate([state.tail, volts])
        hop = state.grid.hop
        n = (len(samples) - (_HOPS - 1) * hop) // hop
        state = replace(state, memory=memory)
        rows = [np.empty((0, len(FEATURES)), np.float32)]
        for first in range(0, n, _PAGE):
            last = min(first + _PAGE, n)
            page, state = _page(samples[first * hop : (last + _HOPS - 1) * hop], state)
            rows.append(page)
        return np.concatenate(rows), replace(state, tail=samples[n * hop :].copy())


def _page(samples: NDArray[np.float64], state: FrameState) -> tuple[NDArray[np.float32], FrameState]:
    """Rows of the frames that end in the hops after the first three."""
    grid = state.grid
    windows = sliding_window_view(samples, _HOPS * grid.hop)[:: grid.hop]
    n = len(windows)
    spectrum = np.fft.rfft(windows * grid.taper)
    power = np.zeros((n, int(grid.edges[-1])))
    seen = min(spectrum.shape[1], power.shape[1])
    power[:, :seen] = grid.scale * (spectrum.real[:, :seen] ** 2 + spectrum.imag[:, :seen] ** 2)
    bands = np.add.reduceat(power, grid.edges[:-1], axis=1)
    motor = _row_sum(bands[:, _MOTOR])
    line_hz, prominence_db = _line(power, grid)

    hops = samples[(_HOPS - 1) * grid.hop :].reshape(n, grid.hop)
    peak = np.concatenate([state.peak, np.abs(hops).max(axis=1)])
    square = np.concatenate([state.square, np.mean(hops**2, axis=1)])
    motor_db = np.concatenate([state.motor_db, _db(motor)])
    lines = np.concatenate([state.line_hz, line_hz])
    rhythm, group, steps_db = _rhythm(motor, state)

    rows = np.empty((n, len(FEATURES)), np.float32)
    columns = [
        *_db(bands).T,
        _db(_row_sum(bands)),
        _crest_db(peak, square),
        *_shape(power, grid),
        line_hz,
        prominence_db,
        _row_sum(np.abs(np.diff(sliding_window_view(lines, _DRIFT_FRAMES), axis=1))) / (_DRIFT_FRAMES - 1),
        *_course_s(motor_db),
        _deviation(motor_db[_COURSE_FRAMES + 1 - _STEADY_FRAMES :], _STEADY_FRAMES),
        *rhythm[1:].T,
    ]
    for k, column in enumerate(columns):
        rows[:, k] = column
    return rows, replace(
        state,
        next_frame=state.next_frame + n,
        peak=peak[n:],
        square=square[n:],
        motor_db=motor_db[n:],
        line_hz=lines[n:],
        group=group,
        steps_db=steps_db,
        rhythm=rhythm[-1],
    )


def _db(power: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(10.0 * np.log10(np.maximum(power, _FLOOR)))


def _row_sum(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sum of each row, column by column: the same bits for one row as for many."""
    total = values[:, 0].copy()
    for k in range(1, values.shape[1]):
        total += values[:, k]
    return total


def _line(power: NDArray[np.float64], grid: _Grid) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frequency of the strongest line in the motor's range, and its power over the mean of the others."""
    low, high = int(grid.edges[_MOTOR.start]), int(grid.edges[_MOTOR.stop])
    rows = np.arange(len(power))
    k = low + np.argmax(power[:, low:high], axis=1)
    near = np.stack([power[rows, k - 1], power[rows, k], power[rows, k + 1]])
    left, middle, right = np.log(near + _FLOOR * 1e-6)
    bend = left - 2.0 * middle + right
    shift = np.where(bend < 0.0, 0.5 * (left - right) / np.where(bend < 0.0, bend, -1.0), 0.0)
    line = near[0] + near[1] + near[2]
    others = np.maximum(_row_sum(power[:, low - 1 : high + 1]) - line, 0.0) / (high - low - 1)
    frequency_hz = (k + np.clip(shift, -0.5, 0.5)) * grid.bin_hz
    return frequency_hz, _db(line) - _db(others)


def _crest_db(peak: NDArray[np.float64], square: NDArray[np.float64]) -> NDArray[np.float64]:
    highest = sliding_window_view(peak, _HOPS).max(axis=1)
    mean = _row_sum(sliding_window_view(square, _HOPS)) / _HOPS
    return _db(highest**2) - _db(mean)


def _shape(power: NDArray[np.float64], grid: _Grid) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Centroid, Hz, and flatness, dB, of what lies between the outermost edges."""
    import librosa

    first = int(grid.edges[0])
    # with a column of its own kind beside it, one frame is summed in the order in which many are
    amplitude = np.sqrt(np.concatenate([power[:, first:], power[-1:, first:]])).T.copy()
    frequency_hz = grid.bin_hz * np.arange(first, power.shape[1])
    centroid_hz = librosa.feature.spectral_centroid(S=amplitude, freq=frequency_hz)[0, :-1]
    flatness = librosa.feature.spectral_flatness(S=amplitude, amin=1e-6 * _FLOOR)[0, :-1]
    return centroid_hz, _db(flatness)


def _course_s(motor_db: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How long ago the level was 10 dB lower and 6 dB higher than it is."""
    course = sliding_window_view(motor_db, _COURSE_FRAMES + 1)
    now, before = course[:, -1:], course[:, -2::-1]
    found = (before <= now - _RISE_DB, before >= now + _FALL_DB)
    first = (np.where(f.any(axis=1), f.argmax(axis=1) + 1, _COURSE_FRAMES) for f in found)
    rise, decay = (HOP_S * frames for frames in first)
    return rise, decay


def _deviation(values: NDArray[np.float64], length: int) -> NDArray[np.float64]:
    """Standard deviation over each run of so many values."""
    runs = sliding_window_view(values, length)
    off = runs - (_row_sum(runs) / length)[:, None]
    return np.asarray(np.sqrt(_row_sum(off**2) / length))


def _rhythm(
    motor: NDArray[np.float64], state: FrameState
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Rows of the rhythm's features, the carried one first; the unfinished step; the steps to carry.

    A step is there once its last frame is; until the next one its row holds.
    """
    powers = np.concatenate([state.group, motor])
    whole = len(powers) // _GROUP
    fresh = _row_sum(powers[: whole * _GROUP].reshape(whole, _GROUP)) / _GROUP if whole else np.empty(0)
    steps_db = np.concatenate([state.steps_db, _db(fresh)])
    table = np.concatenate([state.rhythm[None, :], _rhythm_rows(steps_db)])
    # frame k of this page is number len(group) + k + 1 since the last whole step
    seen = (len(state.group) + 1 + np.arange(len(motor))) // _GROUP
    rows = np.concatenate([state.rhythm[None, :], table[seen]])
    return rows, powers[whole * _GROUP :].copy(), steps_db[whole:]


def _rhythm_rows(steps_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """One row for each step that has 62 steps up to itself."""
    if len(steps_db) < _STEPS:
        return np.empty((0, _N_RHYTHM))
    step_s = _GROUP * HOP_S
    runs = sliding_window_view(steps_db, _STEPS)
    top = runs.max(axis=1, keepdims=True)
    on = runs > top - _ON_DB
    share = on[:, -_SHARE_STEPS:].sum(axis=1) / _SHARE_STEPS
    off_before = ~on[:, ::-1]
    burst_s = step_s * np.where(off_before.any(axis=1), off_before.argmax(axis=1), _STEPS)
    envelope = np.clip(runs - (top - _RHYTHM_RANGE_DB), 0.0, None)
    envelope = envelope - (_row_sum(envelope) / _STEPS)[:, None]
    likeness = _likeness(envelope)
    inner = likeness[:, 1:-1]
    peaks = np.where((inner >= likeness[:, :-2]) & (inner >= likeness[:, 2:]) & (inner > 0.0), inner, 0.0)
    periodicity = peaks.max(axis=1)
    # a multiple of the period is as good as the period itself: the first peak that is about as high
    best = (peaks >= _ABOUT * periodicity[:, None]).argmax(axis=1)
    period_s = np.where(periodicity > 0.0, step_s * (_SHORTEST_LAG + best), 0.0)
    return np.stack([share, burst_s, _deviation(steps_db, _STEPS), periodicity, period_s], axis=1)


def _likeness(envelope: NDArray[np.float64]) -> NDArray[np.float64]:
    """Correlation of each row with itself some steps earlier, by what of it overlaps; a column for each lag.

    Lags go from one under the shortest to one over the longest. All sums run
    along a row: the same bits for one row as for many.
    """
    n, lags = len(envelope), np.arange(_SHORTEST_LAG - 1, _LONGEST_LAG + 2)
    reach = int(lags[-1])
    padded = np.concatenate([np.zeros((n, reach)), envelope], axis=1)
    # row by row the envelope as it was so many steps earlier, nothing before its start
    earlier = sliding_window_view(padded, _STEPS, axis=1)[:, reach - lags]
    product: Any = np.einsum("nt,nlt->nl", envelope, earlier)
    square = envelope**2
    early = np.cumsum(square, axis=1)[:, _STEPS - 1 - lags]
    late = np.cumsum(square[:, ::-1], axis=1)[:, _STEPS - 1 - lags]
    size = np.sqrt(late * early)
    return np.asarray(np.where(size > 0.0, product / np.where(size > 0.0, size, 1.0), 0.0))
