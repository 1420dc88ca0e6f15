"""How far a stand-in resembles a ringing phone, and by how much a knob set with it errs.

A stand-in (any small vibrating appliance) is held to the lid in place of a
phone. A knob set with it is turned down until the box just trips; that
threshold, at the recommended delay, is what each labelled use of it gives.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from evalkit.cache import CrossingCache
from evalkit.dataset import Dataset, Recording
from evalkit.detectors import Source
from evalkit.detectors.constants import pickup_section
from evalkit.intervals import tail_probability
from evalkit.recommendation import Recommendation
from evalkit.recordings import read_blocks
from evalkit.scoring import score_segments
from evalkit.segments import Role, Segment, Span, intersect_spans

__all__ = ["Felt", "Fitness", "Middle", "StandInCheck", "check_stand_in"]

_FEWEST_SESSIONS = 3
_AS_NUISANCE = "held stand-in"
"""Label under which stand-ins are scored as segments of their own."""
_FRAME_S = 0.025
_LOWEST_HZ, _HIGHEST_HZ = 20.0, 2000.0
_LEAST_S = 0.1


class Fitness(StrEnum):
    """Whether the knobs can be set with a stand-in."""

    AS_IT_IS = "as it is"
    WITH_OFFSET = "with the offset"
    NOT_AT_ALL = "not at all"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Middle:
    """Median of some segments, and the values that a tenth of them lie below and above."""

    median: float
    low: float
    high: float


@dataclass(frozen=True)
class Felt:
    """What the pickup felt of some segments."""

    n: int
    level_db: Middle
    """RMS at the pickup on the board's load, dB re 1 V; of full scale where not calibrated."""
    frequency_hz: Middle
    """Strongest frequency from 20 Hz to 2 kHz."""
    modulation: Middle
    """Depth of the level's swings in 25 ms frames: (p90 - p10)/(p90 + p10), 0 steady, 1 on and off."""
    trip_db: Middle | None
    """Threshold at which each call, or each use, just fires the gate at the recommended delay, on the
    detector's axis; None where none fires."""


@dataclass(frozen=True)
class StandInCheck:
    """A stand-in beside the rings."""

    rings: Felt
    stand_in: Felt
    n_uses: int
    """Uses of the stand-in in reviewed time that overlap no call."""
    n_never: int
    """Of these, on how many the gate never fires at the recommended delay, however keen the box."""
    n_sessions: int
    """Sessions with both a use that fires and a call."""
    offset_db: float | None
    """By how much a knob set with the stand-in is above (duller than) where the calls of its session
    just trip, mean over sessions; None without such a session."""
    offset_interval_db: tuple[float, float] | None
    """95 %, t over sessions; None with fewer than 2."""
    error_db: float | None
    """Likewise against the recommended threshold."""
    next_error_db: tuple[float, float] | None
    """Where 95 % of further sessions' errors are expected (prediction interval); None with fewer than 3."""
    allowed_db: tuple[float, float] | None
    """Errors that the passing range allows, below and above 0; None where no setting passes."""
    fitness: Fitness
    reason: str


def check_stand_in(dataset: Dataset, found: Recommendation, cache: CrossingCache) -> StandInCheck | None:
    """Compare the labelled stand-in with the labelled rings.

    Parameters
    ----------
    dataset : Dataset
    found : Recommendation
        Of `circuit` on this dataset.
    cache : CrossingCache

    Returns
    -------
    StandInCheck or None
        None where no stand-in or no call can be compared, or no knob sets the detector's threshold.
    """
    detector = found.sweep.by
    if detector is None or found.sweep.levels.gain is None:
        return None
    rings, held = _segments(dataset, Role.TARGET), _segments(dataset, Role.STAND_IN)
    if not rings or not held:
        return None
    scored = score_segments(
        _with_stand_ins_as_nuisances(dataset),
        detector,
        delay_s=found.delay_s,
        integrator=found.sweep.integrator,
        warmup_s=dataset.board.warmup_s,
        cache=cache,
    )
    session, label, kind = (np.array(each) for each in (scored.session, scored.label, scored.kind))
    trips, use, call = np.isfinite(scored.score), label == _AS_NUISANCE, kind == "call"
    ours, theirs = _means(session, scored.score, use & trips), _means(session, scored.score, call & trips)
    both = sorted(ours.keys() & theirs.keys())
    offsets = np.array([ours[name] - theirs[name] for name in both])
    errors = np.array([ours[name] - found.threshold_position for name in both])
    allowed = _allowed(found)
    never = int((use & ~trips).sum())
    next_error = _prediction(errors)
    fitness, reason = _judge(int(use.sum()), never, errors, next_error, allowed, found.delay_s)
    return StandInCheck(
        rings=_felt(dataset, rings, scored.score[call & trips]),
        stand_in=_felt(dataset, held, scored.score[use & trips]),
        n_uses=int(use.sum()),
        n_never=never,
        n_sessions=len(both),
        offset_db=float(offsets.mean()) if len(both) else None,
        offset_interval_db=_interval(offsets),
        error_db=float(errors.mean()) if len(both) else None,
        next_error_db=next_error,
        allowed_db=allowed,
        fitness=fitness,
        reason=reason,
    )


def _segments(dataset: Dataset, role: Role) -> list[tuple[Recording, Segment]]:
    """Reviewed segments of a role that are long enough to be looked at."""
    return [
        (recording, segment)
        for recording in dataset.recordings
        for segment in recording.segments
        if dataset.day.role(segment.label) is role
        and segment.end_s - segment.start_s >= _LEAST_S
        and intersect_spans([Span(segment.start_s, segment.end_s)], recording.reviewed)
    ]


def _felt(
    dataset: Dataset, segments: Sequence[tuple[Recording, Segment]], trips_db: NDArray[np.float64]
) -> Felt:
    looks = np.array([_look(dataset, recording, segment) for recording, segment in segments])
    level, frequency, modulation = (_middle(column) for column in looks.T)
    return Felt(len(looks), level, frequency, modulation, _middle(trips_db) if len(trips_db) else None)


def _look(dataset: Dataset, recording: Recording, segment: Segment) -> tuple[float, float, float]:
    """Level, strongest frequency and modulation of the middle four fifths of a segment."""
    from scipy.signal import lfilter

    rate = recording.sample_rate_hz
    first, last = round(segment.start_s * rate), min(round(segment.end_s * rate), recording.n_frames)
    blocks = list(read_blocks(recording.path, channel=recording.channel, start=first, stop=last))
    source = Source(rate, recording.full_scale_v, recording.input_ohms)
    b0, b1, a1 = pickup_section(dataset.board, source)
    volts = lfilter([b0, b1], [1.0, a1], np.concatenate(blocks).astype(np.float64) * source.volts)
    edge = len(volts) // 10
    middle = volts[edge : len(volts) - edge]
    n_frame = max(1, round(_FRAME_S * rate))
    whole = middle[: len(middle) // n_frame * n_frame].reshape(-1, n_frame)
    low, high = np.quantile(np.sqrt(np.mean(whole**2, axis=1)), (0.1, 0.9))
    power = np.abs(np.fft.rfft(middle * np.hanning(len(middle)))) ** 2
    hertz = np.fft.rfftfreq(len(middle), 1.0 / rate)
    power[(hertz < _LOWEST_HZ) | (hertz > _HIGHEST_HZ)] = 0.0
    level_db = 10.0 * math.log10(max(float(np.mean(middle**2)), 1e-30))
    return level_db, float(hertz[np.argmax(power)]), float((high - low) / max(high + low, 1e-30))


def _middle(values: NDArray[np.float64]) -> Middle:
    low, median, high = (float(v) for v in np.quantile(values, (0.1, 0.5, 0.9)))
    return Middle(median, low, high)


def _with_stand_ins_as_nuisances(dataset: Dataset) -> Dataset:
    """The same with stand-ins under a label that is scored."""

    def renamed(recording: Recording) -> Recording:
        segments = tuple(
            replace(s, label=_AS_NUISANCE) if dataset.day.role(s.label) is Role.STAND_IN else s
            for s in recording.segments
        )
        return replace(recording, segments=segments)

    return replace(dataset, recordings=tuple(renamed(r) for r in dataset.recordings))


def _means(
    session: NDArray[np.str_], score: NDArray[np.float64], which: NDArray[np.bool_]
) -> dict[str, float]:
    """Mean score by session."""
    return {str(name): float(score[which & (session == name)].mean()) for name in np.unique(session[which])}


def _allowed(found: Recommendation) -> tuple[float, float] | None:
    """How far the threshold may be off, below and above, at the recommended delay: to the last passing."""
    if not found.choice.acceptable:
        return None
    lane, position = found.choice.lane, found.sweep.levels.position
    failing = np.flatnonzero(~found.plane.acceptable[:, found.choice.delay_index])
    first = int(failing[failing < lane].max(initial=-1)) + 1
    last = int(failing[failing > lane].min(initial=len(position))) - 1
    return float(position[first] - position[lane]), float(position[last] - position[lane])


def _interval(values: NDArray[np.float64]) -> tuple[float, float] | None:
    if len(values) < 2:
        return None
    half = _t(len(values)) * float(np.std(values, ddof=1)) / math.sqrt(len(values))
    return float(values.mean()) - half, float(values.mean()) + half


def _prediction(values: NDArray[np.float64]) -> tuple[float, float] | None:
    """Interval for one more session: mean and t s sqrt(1 + 1/n)."""
    n = len(values)
    if n < _FEWEST_SESSIONS:
        return None
    half = _t(n) * float(np.std(values, ddof=1)) * math.sqrt(1.0 + 1.0 / n)
    return float(values.mean()) - half, float(values.mean()) + half


def _t(n: int) -> float:
    from scipy.stats import t

    return float(t.isf(tail_probability(0.95), n - 1))


def _judge(
    n_uses: int,
    n_never: int,
    errors: NDArray[np.float64],
    next_error: tuple[float, float] | None,
    allowed: tuple[float, float] | None,
    delay_s: float,
) -> tuple[Fitness, str]:
    if n_never:
        return (
            Fitness.NOT_AT_ALL,
            f"On {n_never} of {n_uses} uses the gate does not fire at the recommended delay "
            f"({delay_s:.2f} s), however keen the box.",
        )
    if next_error is None:
        sessions = "1 session" if len(errors) == 1 else f"{len(errors)} sessions"
        return (
            Fitness.UNKNOWN,
            f"Compared in {sessions}; with fewer than {_FEWEST_SESSIONS} its scatter is unknown.",
        )
    if allowed is None:
        return Fitness.UNKNOWN, "No setting passes, so there is no range that a knob must hit."
    off = f"{next_error[0]:+.1f} to {next_error[1]:+.1f} dB"
    passing = f"{allowed[0]:+.1f} to {allowed[1]:+.1f} dB"
    half = 0.5 * (next_error[1] - next_error[0])
    said = f"A knob set where it just trips will be {off} off"
    if allowed[0] <= next_error[0] and next_error[1] <= allowed[1]:
        return Fitness.AS_IT_IS, f"{said}, within the {passing} that pass."
    if half <= min(-allowed[0], allowed[1]):
        return (
            Fitness.WITH_OFFSET,
            f"{said}, outside the {passing} that pass; corrected by the mean, within {half:.1f} dB.",
        )
    return (
        Fitness.NOT_AT_ALL,
        f"{said}, and corrected by the mean still within {half:.1f} dB only; {passing} pass.",
    )
