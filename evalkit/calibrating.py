"""Calibration of a dataset's sessions: tones read, judged, and written to every recording of the session."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from evalkit.calibration import Estimate, SeriesPart, fit_tone, full_scale_of, input_resistance_of
from evalkit.dataset import Recording, read_recording
from evalkit.descriptor import RecordingEntry, locked_descriptor, read_descriptor, write_descriptor
from evalkit.errors import FileFault, WrongUse
from evalkit.recordings import read_blocks
from evalkit.sinefit import SineFit

__all__ = ["Calibrated", "Detour", "KnownTone", "calibrate"]

_LONGEST_S = 60.0
"""A longer tone is fitted over so much of it."""


@dataclass(frozen=True)
class KnownTone:
    """What is known of the tone that was recorded."""

    volts_rms: float
    """At the recorder's input while it was recorded."""
    frequency_hz: float
    meter_error: float = 0.0
    """Limit of error of the meter that read the volts, as a share."""
    start_s: float = 0.0
    """The part of each recording that is the tone."""
    stop_s: float | None = None
    """None: to its end."""


@dataclass(frozen=True)
class Detour:
    """The same tone through a part in series with the recorder's input."""

    recording: str
    part: SeriesPart
    value: float
    """Ohms or farads."""
    part_error: float = 0.0
    """Its tolerance, as a share."""


@dataclass(frozen=True)
class Calibrated:
    """What a session's tone gave."""

    recording: str
    """With the tone."""
    sessions: tuple[str, ...]
    """Whose recordings were calibrated by it."""
    frequency_hz: float
    full_scale_v: Estimate
    input_ohms: Estimate | None
    before: tuple[RecordingEntry, ...]
    """Every recording of these sessions as it was."""


def calibrate(
    folder: Path,
    names: Sequence[str],
    tone: KnownTone,
    *,
    detour: Detour | None = None,
    sessions: Collection[str] = (),
) -> tuple[Calibrated, ...]:
    """Find each session's calibration from its recording of a tone and write it; all or none.

    Parameters
    ----------
    folder : Path
        The dataset.
    names : sequence of str
        Recordings of the tone, one for each session.
    tone : KnownTone
    detour : Detour, optional
        Gives the input's resistance; its recording belongs to the session of the one of `names`.
    sessions : collection of str
        More sessions of the same gain and input, if there is only one tone.

    Raises
    ------
    WrongUse
        If a name, session or value does not fit.
    FileFault
        If a tone cannot be used (the reason is told), or the dataset not be read or written.
    """
    _check(names, tone, detour, sessions)
    descriptor = read_descriptor(folder)
    entries = [descriptor.entry(name) for name in names]
    known = {entry.session for entry in descriptor.entries}
    for session in sessions:
        if session not in known:
            raise WrongUse(f"no session {session!r}; there are {', '.join(sorted(known))}")
    taken: dict[str, str] = {}
    for entry in entries:
        if entry.session in taken:
            pair = f"{taken[entry.session]} and {entry.name}"
            raise WrongUse(f"{pair} are both of session {entry.session}; name one tone of it")
        taken[entry.session] = entry.name
    found = []
    for entry in entries:
        direct = _fit(read_recording(folder, entry), tone)
        resistance = None
        if detour is not None:
            resistance = _input_ohms(folder, entry, direct, descriptor.entry(detour.recording), detour, tone)
        scale = full_scale_of(direct, tone.volts_rms, meter_error=tone.meter_error)
        own = (entry.session, *sorted(set(sessions) - {entry.session}))
        found.append(Calibrated(entry.name, own, direct.frequency_hz, scale, resistance, ()))
    return _write(folder, found)


def _check(names: Sequence[str], tone: KnownTone, detour: Detour | None, sessions: Collection[str]) -> None:
    for what, value in (("volts RMS", tone.volts_rms), ("frequency in Hz", tone.frequency_hz)):
        if not 0.0 < value < float("inf"):
            raise WrongUse(f"the tone's {what} is {value:g}; it must be above 0 and finite")
    for what, share in (("meter's", tone.meter_error), ("part's", detour.part_error if detour else 0.0)):
        if not 0.0 <= share < 1.0:
            raise WrongUse(
                f"the {what} limit of error is {100.0 * share:g} %; it must be from 0 to under 100 %"
            )
    if detour is not None and not 0.0 < detour.value < float("inf"):
        raise WrongUse(f"the {detour.part} is {detour.value:g}; it must be above 0 and finite")
    if not names:
        raise WrongUse("name the recording of the tone")
    if len(names) > 1 and (sessions or detour is not None):
        raise WrongUse("with --session or --through, name one recording of the tone")
    if detour is not None and detour.recording in names:
        raise WrongUse(f"{detour.recording} cannot be both the tone direct and the tone through the part")


def _input_ohms(
    folder: Path,
    entry: RecordingEntry,
    direct: SineFit,
    other: RecordingEntry,
    detour: Detour,
    tone: KnownTone,
) -> Estimate:
    if other.session != entry.session:
        raise WrongUse(
            f"{other.name} is of session {other.session} and {entry.name} of {entry.session}: "
            "their gains may differ"
        )
    through = _fit(read_recording(folder, other), tone)
    try:
        return input_resistance_of(direct, through, detour.part, detour.value, part_error=detour.part_error)
    except ValueError as error:
        raise FileFault(f"{folder / other.audio_path}: {error}") from error


def _fit(recording: Recording, tone: KnownTone) -> SineFit:
    samples = _samples(recording, tone)
    try:
        return fit_tone(samples, recording.sample_rate_hz, tone.frequency_hz)
    except ValueError as error:
        raise FileFault(f"{recording.path}: the tone cannot be used: {error}") from error


def _samples(recording: Recording, tone: KnownTone) -> NDArray[np.float64]:
    rate = recording.sample_rate_hz
    end_s = recording.duration_s if tone.stop_s is None else tone.stop_s
    if not 0.0 <= tone.start_s < end_s <= recording.duration_s + 0.5 / rate:
        raise WrongUse(
            f"{recording.name}: {tone.start_s:g}-{end_s:g} s is no part of it; "
            f"it lasts {recording.duration_s:g} s"
        )
    first = round(tone.start_s * rate)
    last = min(round(min(end_s, tone.start_s + _LONGEST_S) * rate), recording.n_frames)
    blocks = [np.zeros(0, np.float32)]
    blocks += read_blocks(recording.path, channel=recording.channel, start=first, stop=last)
    return np.concatenate(blocks).astype(np.float64)


def _write(folder: Path, found: Sequence[Calibrated]) -> tuple[Calibrated, ...]:
    """Write all calibrations at once; the result tells the recordings as they were."""
    with locked_descriptor(folder) as descriptor:
        changed = descriptor
        told = []
        for each in found:
            before = tuple(entry for entry in descriptor.entries if entry.session in each.sessions)
            told.append(replace(each, before=before))
            for entry in before:
                ohms = entry.input_ohms if each.input_ohms is None else each.input_ohms.value
                changed = changed.with_entry(
                    replace(entry, full_scale_v=each.full_scale_v.value, input_ohms=ohms)
                )
        write_descriptor(folder, changed)
        return tuple(told)
