"""What of a dataset would be shared, and what a person should listen to before it is."""

import unicodedata
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from evalkit.clips import Clip, Margins, margins_of, shared_clips
from evalkit.dataset import Dataset, Recording
from evalkit.day import Day
from evalkit.descriptor import DESCRIPTOR_NAME, RecordingEntry, read_descriptor
from evalkit.errors import FileFault, WrongUse
from evalkit.licences import terms_of
from evalkit.lowpass import low_passed, lowpass_taps
from evalkit.names import check_name, name_key
from evalkit.recordings import audio_sha256, file_sha256, read_blocks
from evalkit.segments import STANDARD_ROLES
from evalkit.spans import Span
from evalkit.speech import SPEECH_BAND_HZ, SpeechLike, speech_like

__all__ = ["KeptBack", "PackPlan", "Shared", "plan_pack"]

# A name in a pack may grow by a number and an extension and must still be one.
_LONGEST_NAME = 88


@dataclass(frozen=True)
class Shared:
    """One part of a recording that goes out."""

    recording: Recording
    entry: RecordingEntry
    clip: Clip
    name: str
    """Its name in the pack."""
    spdx: str
    """Its licence."""
    speech: tuple[SpeechLike, ...]
    """Where somebody may be heard to speak, in seconds of the recording."""


@dataclass(frozen=True)
class KeptBack:
    """A recording of which nothing goes out."""

    name: str
    reason: str


@dataclass(frozen=True)
class PackPlan:
    """All that a pack will hold, before it is written: for a person to look at."""

    maker: str | None
    """The name under which the maker wants to be known; None: none."""
    own_spdx: str | None
    """Licence of what is the maker's own; None: nothing of it goes out."""
    shared: tuple[Shared, ...]
    """In the order of their names."""
    kept_back: tuple[KeptBack, ...]
    lowpass_hz: float | None
    day: Day
    margins: Margins

    @property
    def spdx(self) -> str:
        """Licence of all of it, or licences joined by AND."""
        return " AND ".join(sorted({each.spdx for each in self.shared}))

    @property
    def roles(self) -> dict[str, str]:
        """Roles of the labels that go out and are not standard ones."""
        labels = {segment.label for each in self.shared for segment in each.clip.segments}
        return {label: str(self.day.role(label)) for label in sorted(labels - STANDARD_ROLES.keys())}


def plan_pack(
    dataset: Dataset,
    *,
    maker: str | None = None,
    left_out: Mapping[str, Sequence[Span]] | None = None,
    lowpass_hz: float | None = None,
    advance: Callable[[float], None] = lambda _: None,
) -> PackPlan:
    """Return what a pack of a dataset would hold, and where somebody may be heard in it.

    Parameters
    ----------
    dataset : Dataset
    maker : str, optional
        A name of the maker's choice.
    left_out : mapping of str to sequence of Span, optional
        What must not go out, by recording; `spans.ALL_TIME` for all of it.
    lowpass_hz : float, optional
        Take out of everything what lies above.
    advance : callable
        Called with the seconds of audio that were gone through: all of each recording of which something
        may go out, to see that it is as it was imported, then what was listened to.

    Raises
    ------
    WrongUse
        For an unknown recording, a name that cannot be one, or a filter that cannot be.
    FileFault
        If nothing can be shared, or the dataset has no licence.
    """
    if maker is not None:
        try:
            check_name(maker, "maker's name")
        except ValueError as error:
            raise WrongUse(str(error)) from error
    left_out = {} if left_out is None else left_out
    for name in left_out:
        dataset.recording(name)
    margins = margins_of(dataset.day, dataset.board)
    entries = {entry.name: entry for entry in read_descriptor(dataset.folder).entries}
    shared: list[Shared] = []
    kept_back: list[KeptBack] = []
    names: set[str] = set()
    for recording in sorted(dataset.recordings, key=lambda each: each.name):
        _check_filter(recording, lowpass_hz)
        entry = entries[recording.name]
        clips = shared_clips(recording, margins, left_out=left_out.get(recording.name, ()))
        licence = dataset.spdx if entry.origin is None else entry.origin.spdx
        reason = _obstacle(recording, entry, clips, licence)
        if reason is not None:
            kept_back.append(KeptBack(recording.name, reason))
            continue
        _check_unchanged(recording, entry, advance)
        if licence is None:
            raise FileFault(
                f"{dataset.folder}: has no licence, so nobody could use what you share; add "
                f'"spdx": "CC0-1.0" (or "CC-BY-4.0", or another) to {DESCRIPTOR_NAME}'
            )
        for clip in clips:
            shared.append(
                Shared(
                    recording,
                    entry,
                    clip,
                    _free_name(clip.name, names),
                    licence,
                    _speech(recording, clip, lowpass_hz, advance),
                )
            )
    if not shared:
        why = f": {kept_back[0].name} {kept_back[0].reason}" if kept_back else ": it has no recordings"
        raise FileFault(f"{dataset.folder}: nothing of it can be shared{why}")
    own_spdx = dataset.spdx if any(each.entry.origin is None for each in shared) else None
    ordered = tuple(sorted(shared, key=lambda each: each.name))
    return PackPlan(maker, own_spdx, ordered, tuple(kept_back), lowpass_hz, dataset.day, margins)


def _check_filter(recording: Recording, lowpass_hz: float | None) -> None:
    if lowpass_hz is None:
        return
    try:
        lowpass_taps(sample_rate_hz=recording.sample_rate_hz, edge_hz=lowpass_hz)
    except ValueError as error:
        raise WrongUse(f"{recording.name}: the low-pass filter's {error}") from error


def _check_unchanged(recording: Recording, entry: RecordingEntry, advance: Callable[[float], None]) -> None:
    """Refuse audio that is not what was imported: its labels may be another's."""
    duration_s = recording.duration_s
    if (
        file_sha256(recording.path, share=lambda part: advance(part * duration_s)) != entry.file_sha256
        and audio_sha256(recording.path, channel=recording.channel) != entry.audio_sha256
    ):
        raise FileFault(
            f"{recording.path}: holds other audio than was imported; bring the original back, or leave "
            f"it out: --leave-out {recording.name}"
        )


def _obstacle(
    recording: Recording, entry: RecordingEntry, clips: Sequence[Clip], licence: str | None
) -> str | None:
    """Return why a recording cannot go out, if so."""
    if not recording.reviewed:
        return "has no reviewed time"
    if not clips:
        return "has no reviewed time far enough from what is left out"
    if entry.origin is None:
        return None
    terms = terms_of(licence)
    if not terms.known:
        return f"came from {entry.origin.maker} under {licence or 'no licence'}: ask before sharing it on"
    if terms.no_derivatives:
        return f"came from {entry.origin.maker} under {licence}, which allows no changes"
    return None


def _free_name(wanted: str, taken: set[str]) -> str:
    """Return a name that is harmless in a bag and not taken yet."""
    # BagIt's manifests write % in a way of their own, in which programs differ.
    name = unicodedata.normalize("NFC", wanted).replace("%", "_")[:_LONGEST_NAME].rstrip(". ")
    found, number = name, 2
    while name_key(found) in taken:
        found, number = f"{name}-{number}", number + 1
    taken.add(name_key(found))
    return found


def _speech(
    recording: Recording, clip: Clip, lowpass_hz: float | None, advance: Callable[[float], None]
) -> tuple[SpeechLike, ...]:
    """Listen to what will go out.

    After a filter below the speech band no word can be made out; what is left of a voice is its pitch.
    """
    if lowpass_hz is not None and lowpass_hz <= SPEECH_BAND_HZ[0]:
        return ()
    rate = recording.sample_rate_hz

    def blocks() -> Iterator[Any]:
        for block in read_blocks(recording.path, channel=recording.channel, start=clip.start, stop=clip.stop):
            advance(len(block) / rate)
            yield block

    heard = blocks()
    if lowpass_hz is not None:
        heard = low_passed(heard, sample_rate_hz=rate, edge_hz=lowpass_hz)
    found = speech_like(heard, sample_rate_hz=rate)
    return tuple(
        replace(each, start_s=each.start_s + clip.start_s, end_s=each.end_s + clip.start_s) for each in found
    )
