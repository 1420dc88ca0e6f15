"""What a scope would show at one setting: every sample's voltages around a moment.

Always computed from the recording's start, in the same blocks and by the same
arithmetic as the sweep, so that what is seen is what was scored: the state of
capacitors, comparator, integrator and hold at a moment depends on all that
went before it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board, HoldKind
from evalkit.cache import CrossingCache
from evalkit.crossings import Crossings, Integrator, alerts_of
from evalkit.dataset import Recording
from evalkit.detectors import Detector
from evalkit.detectors.circuit import CircuitDetector
from evalkit.detectors.envelope import EnvelopeDetector
from evalkit.recordings import read_blocks
from evalkit.spans import Span
from evalkit.streams import Advance, crossings_of, source_of

__all__ = ["Excerpt", "Trace", "excerpts", "trace"]

# Twelve minutes at 48 kHz: every sample shown takes some 60 bytes of memory.
_MOST_SAMPLES = 1 << 25


@dataclass(frozen=True)
class Trace:
    """The board's nodes over a span of a recording, one entry for each sample; volts to ground."""

    time_s: NDArray[np.float64]
    """From the recording's start."""
    pickup_v: NDArray[np.float32]
    """Amplifier input: the pickup on the board's own load, on the bias, after the input clamp."""
    amplifier_v: NDArray[np.float32]
    """Amplifier output."""
    storage_v: NDArray[np.float32]
    """Storage capacitor, which the comparator compares with its reference."""
    comparator_v: NDArray[np.float32]
    """Comparator output."""
    integrator_v: NDArray[np.float64]
    """Integrator capacitor, the gate's input."""
    gate_v: NDArray[np.float32]
    """The supply from firing to release, else 0 (a single inverting gate shows the opposite)."""
    output_v: NDArray[np.float32]
    """The supply while the alert is on, hold included, else 0."""


@dataclass(frozen=True)
class Excerpt:
    """What any detector made of a span of a recording, one entry for each sample."""

    time_s: NDArray[np.float64]
    """From the recording's start."""
    input_v: NDArray[np.float32]
    """The recording itself; volts, or full scale = 1 where it is not calibrated."""
    level: NDArray[Any] | None
    """What is compared with the trip levels; None for a detector that shows none."""
    level_name: str
    """What `level` is, with its unit."""
    upper: float
    """Level above which the comparator goes high."""
    lower: float
    """Level at or below which it goes low."""
    above: NDArray[np.bool_]
    """Whether the comparator is high."""
    integrator: NDArray[np.float64]
    """As a share of the comparator's high output."""
    fire: float
    """Share at which the gate fires."""
    release: float
    """Share at which it lets go."""
    gate: NDArray[np.bool_]
    """From firing to release."""
    alert: NDArray[np.bool_]
    """Whether the alert is on, hold included."""


@dataclass(frozen=True)
class _Window:
    """Samples [first, last) of a recording as they come in, block by block."""

    first: int
    last: int
    columns: tuple[NDArray[Any], ...]

    def touches(self, first: int, n: int) -> bool:
        """Whether any of the samples [first, first + n) are inside."""
        return first < self.last and first + n > self.first

    def take(self, block_start: int, columns: Sequence[NDArray[Any]]) -> None:
        a = max(self.first, block_start)
        b = min(self.last, block_start + len(columns[0]))
        if a < b:
            for own, column in zip(self.columns, columns, strict=True):
                own[a - self.first : b - self.first] = column[a - block_start : b - block_start]


def trace(
    recording: Recording,
    board: Board,
    gain: float,
    delay_s: float,
    start_s: float,
    stop_s: float,
    *,
    advance: Advance = lambda seconds: None,
) -> Trace:
    """Return the board's voltages over [start_s, stop_s) of a recording.

    The simulation runs from the recording's start, whatever `start_s` is.

    Parameters
    ----------
    recording : Recording
    board : Board
    gain : float
        Amplifier gain, at least 1.
    delay_s : float
        Integrator delay, above 0.
    start_s, stop_s : float
        ``0 <= start_s < stop_s``; a stop after the recording's end means its end.
    advance : callable
        Told how many seconds of the recording were gone through.

    Raises
    ------
    ValueError
        If the span is empty, too long to show or begins after the recording's end, or a setting is out
        of range.
    FileFault
        If the recording cannot be read.
    """
    if delay_s <= 0.0:
        raise ValueError(f"delay_s={delay_s} must be above 0")
    detector = CircuitDetector(board, np.array([gain]))
    integrator = Integrator.of_board(board)
    window = _window(recording, Span(start_s, stop_s), 4)
    changes: list[Crossings] = []
    was = np.uint8(0)
    state = detector.at_rest(source_of(recording))
    for first, block in _blocks(recording, window.last, advance):
        if window.touches(first, len(block)):
            voltages, state = detector.voltages(block, state)
            above = voltages.above[:, 0]
            window.take(
                first, (voltages.input_v, voltages.amplifier_v[:, 0], voltages.storage_v[:, 0], above)
            )
            changes.append(_changes(above, was, first))
        else:
            # the same to the last bit, and quicker where no voltage is wanted
            found, state = detector.advance(block, state)
            changes.append(found)
        was = changes[-1].above[-1] if len(changes[-1].above) else was
    pickup_v, amplifier_v, storage_v, high = window.columns
    time_s = np.arange(window.first, window.last) / recording.sample_rate_hz
    after = _Course.of(changes, recording, integrator, delay_s, window.last).at(time_s)
    supply_v, low_v = np.float32(board.supply.voltage.typ), np.float32(board.comparator.output_low.typ)
    return Trace(
        time_s=time_s,
        pickup_v=pickup_v.astype(np.float32),
        amplifier_v=amplifier_v.astype(np.float32),
        storage_v=storage_v.astype(np.float32),
        comparator_v=np.where(high != 0, np.float32(board.comparator_high_v), low_v),
        integrator_v=after.integrator * board.comparator_high_v,
        gate_v=np.where(after.gate, supply_v, np.float32(0.0)),
        output_v=np.where(after.alert, supply_v, np.float32(0.0)),
    )


def excerpts(
    recording: Recording,
    detector: Detector,
    lane: int,
    *,
    cache: CrossingCache,
    integrator: Integrator,
    delay_s: float,
    spans: Sequence[Span],
    advance: Advance = lambda seconds: None,
) -> tuple[Excerpt, ...]:
    """Return what a detector made of some spans of a recording at one of its thresholds.

    The crossings are those of the sweep; the level is computed again in one
    pass over the recording.

    Parameters
    ----------
    recording : Recording
    detector : Detector
    lane : int
        Index on its threshold axis.
    cache : CrossingCache
    integrator : Integrator
    delay_s : float
    spans : sequence of Span
        In any order; they may overlap.
    advance : callable
        Told how many seconds of the recording were gone through.

    Raises
    ------
    ValueError
        If a span begins after the recording's end.
    """
    windows = [_window(recording, span, 2) for span in spans]
    last = max((window.last for window in windows), default=0)
    whole = crossings_of(recording, detector, cache)
    changes = [
        Crossings(chunk.lane[own], chunk.sample[own], chunk.above[own])
        for chunk in whole
        for own in [(chunk.lane == lane) & (chunk.sample < last)]
    ]
    changes = [Crossings(np.zeros_like(c.lane), c.sample, c.above) for c in changes]
    scale = _Scale("", float("nan"), float("nan"))
    volts = np.float32(source_of(recording).volts)
    meter = _meter(detector, lane)
    if meter is not None:
        scale = meter.scale
        for first, block, level in meter.follow(recording, last, windows, advance):
            for window in windows:
                window.take(first, (block * volts, level))
    else:
        for first, block in _blocks(recording, last, advance):
            for window in windows:
                window.take(first, (block * volts, np.full(len(block), np.nan)))
    course = _Course.of(changes, recording, integrator, delay_s, last)
    return tuple(_excerpt(recording, integrator, course, window, scale) for window in windows)


@dataclass(frozen=True)
class _Scale:
    """A level's name and trip levels."""

    name: str
    upper: float
    lower: float


class _StorageMeter:
    """The storage voltage of one gain of the board."""

    def __init__(self, detector: CircuitDetector, lane: int) -> None:
        self._alone = CircuitDetector(detector.board, detector.gain[lane : lane + 1])
        board = detector.board
        self.scale = _Scale("storage capacitor, V", board.upper_trip_v, board.lower_trip_v)

    def follow(
        self, recording: Recording, last: int, windows: Sequence[_Window], advance: Advance
    ) -> Iterator[tuple[int, NDArray[np.float32], NDArray[Any]]]:
        """Yield the blocks that touch a window."""
        state = self._alone.at_rest(source_of(recording))
        for first, block in _blocks(recording, last, advance):
            if any(window.touches(first, len(block)) for window in windows):
                voltages, state = self._alone.voltages(block, state)
                yield first, block, voltages.storage_v[:, 0]
            else:
                _, state = self._alone.advance(block, state)


class _LevelMeter:
    """The level of a detector that has one for all thresholds."""

    def __init__(self, detector: EnvelopeDetector, lane: int) -> None:
        self._detector = detector
        self.scale = _Scale("level, V RMS", float(detector.upper_v[lane]), float(detector.lower_v[lane]))

    def follow(
        self, recording: Recording, last: int, windows: Sequence[_Window], advance: Advance
    ) -> Iterator[tuple[int, NDArray[np.float32], NDArray[Any]]]:
        state = self._detector.at_rest(source_of(recording))
        for first, block in _blocks(recording, last, advance):
            level, state = self._detector.level_v(block, state)
            yield first, block, level


def _meter(detector: Detector, lane: int) -> _StorageMeter | _LevelMeter | None:
    """What shows the detector's level; None for a learned one, which has a probability for each frame."""
    if isinstance(detector, CircuitDetector):
        return _StorageMeter(detector, lane)
    return _LevelMeter(detector, lane) if isinstance(detector, EnvelopeDetector) else None


@dataclass(frozen=True)
class _AfterComparator:
    above: NDArray[np.bool_]
    integrator: NDArray[np.float64]
    gate: NDArray[np.bool_]
    alert: NDArray[np.bool_]


def _excerpt(
    recording: Recording, integrator: Integrator, course: "_Course", window: _Window, scale: _Scale
) -> Excerpt:
    time_s = np.arange(window.first, window.last) / recording.sample_rate_hz
    after = course.at(time_s)
    return Excerpt(
        time_s=time_s,
        input_v=window.columns[0].astype(np.float32),
        level=window.columns[1] if scale.name else None,
        level_name=scale.name,
        upper=scale.upper,
        lower=scale.lower,
        above=after.above,
        integrator=after.integrator,
        fire=integrator.fire_fraction,
        release=integrator.release_fraction,
        gate=after.gate,
        alert=after.alert,
    )


def _window(recording: Recording, span: Span, n_columns: int) -> _Window:
    rate = recording.sample_rate_hz
    first, last = round(span.start_s * rate), min(round(min(span.end_s, 1e12) * rate), recording.n_frames)
    if first >= last:
        raise ValueError(
            f"{span.start_s:g}-{span.end_s:g} s holds no sample of {recording.name} "
            f"({recording.duration_s:.3f} s)"
        )
    if last - first > _MOST_SAMPLES:
        raise ValueError(
            f"{span.start_s:g}-{span.end_s:g} s are {last - first} samples of {recording.name}; at most "
            f"{_MOST_SAMPLES / rate:.0f} s of it are shown at once"
        )
    return _Window(first, last, tuple(np.empty(last - first) for _ in range(n_columns)))


def _blocks(recording: Recording, stop: int, advance: Advance) -> Iterator[tuple[int, NDArray[np.float32]]]:
    """Yield (index of the first sample, block) up to `stop`; tells how far it is after each."""
    first = 0
    for block in read_blocks(recording.path, channel=recording.channel, stop=stop):
        yield first, block
        first += len(block)
        advance(first / recording.sample_rate_hz)


def _changes(above: NDArray[np.uint8], was: np.uint8, first: int) -> Crossings:
    """Crossings of one lane within a block, from every sample's comparator and the last one before."""
    at = np.flatnonzero(np.diff(above, prepend=was))
    return Crossings(np.zeros(len(at), np.int32), at.astype(np.int64) + first, above[at])


@dataclass(frozen=True)
class _Course:
    """Comparator, integrator, gate and alert of one setting all through a recording."""

    at_s: NDArray[np.float64]
    """The crossings."""
    high: NDArray[np.bool_]
    """Whether each goes up."""
    share: NDArray[np.float64]
    """Of the integrator at each crossing, after an entry for the start."""
    tau_s: tuple[float, float]
    """Charging, discharging."""
    gates_s: NDArray[np.float64]
    """(n, 2): when the gate goes on and off."""
    alerts_s: NDArray[np.float64]
    """(n, 2): likewise of the alert."""

    @classmethod
    def of(
        cls,
        changes: Sequence[Crossings],
        recording: Recording,
        integrator: Integrator,
        delay_s: float,
        last: int,
    ) -> "_Course":
        """Follow the crossings of one lane before the sample `last`, by the closed forms of `alerts_of`."""
        rate = recording.sample_rate_hz
        at_s = np.concatenate([c.sample for c in changes]) / rate
        high = np.concatenate([c.above for c in changes]).astype(bool)
        charging_s = integrator.tau_s(np.array([delay_s]))
        tau_c, tau_d = float(charging_s[0]), float(integrator.emptying_s(charging_s)[0])
        share = np.zeros(len(at_s) + 1)
        for k in range(1, len(at_s)):
            dt = at_s[k] - at_s[k - 1]
            u = share[k]
            share[k + 1] = 1.0 - (1.0 - u) * np.exp(-dt / tau_c) if high[k - 1] else u * np.exp(-dt / tau_d)
        bare = replace(integrator, hold_kind=HoldKind.NONE, hold_s=0.0)
        gates_s, alerts_s = (_on_times(changes, rate, last, each, delay_s) for each in (bare, integrator))
        return cls(at_s, high, share, (tau_c, tau_d), gates_s, alerts_s)

    def at(self, time_s: NDArray[np.float64]) -> _AfterComparator:
        """Return what is so at some instants."""
        tau_c, tau_d = self.tau_s
        # entry 0 stands for the time before the first crossing: low, empty
        past = np.searchsorted(self.at_s, time_s, side="right")
        since_s = time_s - np.concatenate([[0.0], self.at_s])[past]
        u, on = self.share[past], np.concatenate([[False], self.high])[past]
        return _AfterComparator(
            above=on,
            integrator=np.where(on, 1.0 - (1.0 - u) * np.exp(-since_s / tau_c), u * np.exp(-since_s / tau_d)),
            gate=_is_on(self.gates_s, time_s),
            alert=_is_on(self.alerts_s, time_s),
        )


def _on_times(
    changes: Sequence[Crossings], rate: int, last: int, integrator: Integrator, delay_s: float
) -> NDArray[np.float64]:
    found = alerts_of(
        changes,
        sample_rate_hz=rate,
        duration_s=last / rate,
        n_lanes=1,
        delay_s=np.array([delay_s]),
        integrator=integrator,
        marks_s=np.zeros(0),
    )
    times = np.concatenate([alerts.times[:, :2] for alerts in found])
    # an alert that is still on at the last instant goes on
    times[:, 1] = np.where(times[:, 1] >= last / rate, np.inf, times[:, 1])
    return times


def _is_on(times_s: NDArray[np.float64], time_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    latest = np.searchsorted(times_s[:, 0], time_s, side="right") - 1
    ends = np.concatenate([times_s[:, 1], [-np.inf]])
    return np.asarray(time_s < ends[latest], dtype=np.bool_)
