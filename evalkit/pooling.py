"""Which sessions' levels may be pooled: those on one scale (design, section 2, "session").

Full scale in volts makes up for another gain, and the input's resistance for
another recorder's load on the pickup: with both known every level is the
pickup's own. Where only some sessions tell one of the two, levels of different
kinds would be compared with one threshold.
"""

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeVar

from evalkit.dataset import Dataset, Recording
from evalkit.errors import TooLittleData, WrongUse
from evalkit.quantities import quantity

__all__ = ["check_poolable", "told_equal"]

_OR = "or say --same-scale if full scale, gain and input were equal"
_Value = TypeVar("_Value")


def check_poolable(recordings: Sequence[Recording]) -> None:
    """Refuse to pool sessions that are not on one scale.

    Pooled are sessions that all tell their full scale or none of them, and
    likewise their input's resistance. Different resistances need the full
    scale: two recorders whose gains nobody knows are on two scales.

    Raises
    ------
    TooLittleData
        If they are not on one scale; names the sessions.
    """
    full_scale = _sessions(recordings, lambda r: r.full_scale_v is not None)
    if len(full_scale) > 1:
        raise TooLittleData(
            f"sessions {full_scale[False]} are not calibrated but {full_scale[True]} are, so their levels "
            f"cannot be pooled; calibrate them (`evalkit calibrate`), {_OR}"
        )
    known = _sessions(recordings, lambda r: r.input_ohms is not None)
    if len(known) > 1:
        raise TooLittleData(
            f"the recorder's input resistance is unknown for sessions {known[False]}, known for "
            f"{known[True]}: levels as loaded by a recorder cannot be pooled with the pickup's own; find it "
            f"(`evalkit calibrate --through`), {_OR}"
        )
    ohms = {r.input_ohms for r in recordings if r.input_ohms is not None}
    if len(ohms) > 1 and False in full_scale:
        told = _sessions(recordings, lambda r: r.input_ohms)
        one, other = sorted(ohms)[:2]
        raise TooLittleData(
            f"sessions {told[one]} have an input of {quantity(one, 'ohm')}, {told[other]} of "
            f"{quantity(other, 'ohm')}, so two recorders, and full scale is unknown: their levels cannot be "
            f"pooled; calibrate them (`evalkit calibrate`), {_OR}"
        )


def told_equal(dataset: Dataset) -> Dataset:
    """Return the dataset as it is if all sessions had one full scale, gain and input.

    What some sessions tell of them then holds for all.

    Raises
    ------
    WrongUse
        If what is known differs from session to session.
    """
    recordings = dataset.recordings
    full_scale_v = _the_one(recordings, "full scale", "V", lambda r: r.full_scale_v)
    input_ohms = _the_one(recordings, "input", "ohm", lambda r: r.input_ohms)
    return replace(
        dataset,
        recordings=tuple(replace(r, full_scale_v=full_scale_v, input_ohms=input_ohms) for r in recordings),
    )


def _the_one(
    recordings: Sequence[Recording], what: str, unit: str, pick: Callable[[Recording], float | None]
) -> float | None:
    """Return the only value that is known; None: no session tells one."""
    values = sorted({value for r in recordings if (value := pick(r)) is not None})
    if len(values) > 1:
        told = _sessions(recordings, pick)
        one, other = values[:2]
        raise WrongUse(
            f"--same-scale: {what} is {quantity(one, unit)} in {told[one]} and {quantity(other, unit)} in "
            f"{told[other]}, so they are not equal; calibrate those that are not yet instead"
        )
    return values[0] if values else None


def _sessions(recordings: Sequence[Recording], pick: Callable[[Recording], _Value]) -> dict[_Value, str]:
    """Return for each value the names of its sessions, as they are said."""
    found: dict[_Value, set[str]] = defaultdict(set)
    for recording in recordings:
        found[pick(recording)].add(recording.session)
    return {value: ", ".join(sorted(sessions)) for value, sessions in found.items()}
