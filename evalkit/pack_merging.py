"""What becomes of every recording of a pack in a dataset: taken in, or known already.

Nothing is written here.
"""

import json
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from evalkit.agreement import Agreement, agreement_of
from evalkit.clips import segments_within
from evalkit.dataset import read_labels
from evalkit.day import Day
from evalkit.descriptor import Descriptor, RecordingEntry, label_table_resource
from evalkit.errors import FileFault
from evalkit.names import name_key
from evalkit.origin import Origin
from evalkit.pack_reading import Pack
from evalkit.recordings import file_sha256, read_blocks
from evalkit.segments import Segment, format_segments
from evalkit.spans import Span, intersect_spans, subtract_spans, total_s

__all__ = ["Arrival", "Known", "Merged", "Taken", "merge_pack", "notes_on"]

_LABELS_OF = "labels-of"
_LONGEST_NAME = 90
_LONGEST_MAKER = 40


@dataclass(frozen=True)
class Arrival:
    """A recording of a pack that was taken out and found to be what the pack says."""

    entry: RecordingEntry
    segments: tuple[Segment, ...]
    path: Path
    """Where its audio lies for now."""

    @property
    def origin(self) -> Origin:
        """Whose it is."""
        assert self.entry.origin is not None
        return self.entry.origin


@dataclass(frozen=True)
class Taken:
    """A recording of the pack that is the dataset's from now on."""

    name_in_pack: str
    entry: RecordingEntry
    n_segments: int
    twice_s: float
    """Reviewed time that another recording holds as reviewed too, and that is not reviewed in this one."""


@dataclass(frozen=True)
class Known:
    """A recording of the pack whose audio is in the dataset already."""

    name_in_pack: str
    name: str
    """Of the recording that holds its audio."""
    start_s: float
    """Where in that recording it begins."""
    agreement: Agreement | None
    """Of the labels in use with the pack's; None: those in use cannot be read."""
    labels_path: str | None
    """Where the pack's labels are kept, from the dataset's folder; None: they are those in use."""


@dataclass(frozen=True)
class Merged:
    """A dataset with a pack taken in, and what must be written for it, the descriptor last."""

    descriptor: Descriptor
    moves: tuple[tuple[Path, Path], ...] = ()
    """Audio files: where they lie and where they belong."""
    tables: tuple[tuple[Path, bytes], ...] = ()
    """Label tables."""
    taken: tuple[Taken, ...] = ()
    known: tuple[Known, ...] = ()


@dataclass(frozen=True)
class _Overlap:
    """Audio that a recording of the dataset and one of the pack have in common."""

    entry: RecordingEntry
    offset: int
    """Frame of the dataset's recording at which the pack's begins; may be negative."""
    start: int
    """Frames of the pack's recording that both have: [start, stop)."""
    stop: int


def merge_pack(folder: Path, descriptor: Descriptor, day: Day, arrivals: Sequence[Arrival]) -> Merged:
    """Decide what becomes of every recording of a pack.

    Parameters
    ----------
    folder : Path
        The dataset.
    descriptor : Descriptor
        What it holds.
    day : Day
        Its roles of labels, for comparing two people's.
    arrivals : sequence of Arrival
        The recordings of the pack.

    Raises
    ------
    FileFault
        If a recording of the dataset that must be compared cannot be read.
    """
    merged = Merged(descriptor)
    for arrival in arrivals:
        overlaps = list(_overlaps(folder, descriptor.entries, arrival))
        whole = next((each for each in overlaps if each.stop - each.start == arrival.entry.n_frames), None)
        if whole is None:
            merged = _take(folder, merged, arrival, overlaps)
        else:
            merged = _keep_labels(folder, merged, arrival, whole, day)
    return merged


def _overlaps(folder: Path, entries: Sequence[RecordingEntry], arrival: Arrival) -> Iterator[_Overlap]:
    """Find the recordings that hold the arrival's audio or a part of it."""
    for entry in entries:
        for ours_sha256, ours_at in _places(entry):
            for theirs_sha256, theirs_at in _places(arrival.entry):
                offset = theirs_at - ours_at
                start, stop = max(0, -offset), min(arrival.entry.n_frames, entry.n_frames - offset)
                found = _Overlap(entry, offset, start, stop)
                if ours_sha256 == theirs_sha256 and start < stop and _same_audio(folder, found, arrival):
                    yield found


def _places(entry: RecordingEntry) -> list[tuple[str, int]]:
    """Return the audio that a recording is, and that it was cut from, with where in it it begins."""
    places = [(entry.audio_sha256, 0)]
    if entry.cut_from is not None:
        places.append((entry.cut_from.audio_sha256, entry.cut_from.start_frame))
    return places


def _same_audio(folder: Path, overlap: _Overlap, arrival: Arrival) -> bool:
    """Whether what a pack says of where its audio was cut from is true, as far as samples can show."""
    ours, theirs = overlap.entry, arrival.entry
    if ours.sample_rate_hz != theirs.sample_rate_hz:
        return False
    if ours.audio_sha256 == theirs.audio_sha256:
        return True
    if _edge_hz(ours) != _edge_hz(theirs):
        # Filtered differently, the samples differ; then the word has to do.
        return True
    first, last = overlap.start, overlap.stop
    our_blocks = read_blocks(
        folder / ours.audio_path,
        channel=ours.channel,
        start=first + overlap.offset,
        stop=last + overlap.offset,
    )
    their_blocks = read_blocks(arrival.path, channel=1, start=first, stop=last)
    return all(np.array_equal(a, b) for a, b in zip(our_blocks, their_blocks, strict=True))


def _edge_hz(entry: RecordingEntry) -> float | None:
    return None if entry.cut_from is None else entry.cut_from.lowpass_hz


def _keep_labels(folder: Path, merged: Merged, arrival: Arrival, overlap: _Overlap, day: Day) -> Merged:
    """Keep the pack's labels beside those in use, and compare the two."""
    entry, rate = overlap.entry, overlap.entry.sample_rate_hz
    start_s, end_s = overlap.offset / rate, (overlap.offset + arrival.entry.n_frames) / rate
    segments = tuple(
        replace(each, start_s=each.start_s + start_s, end_s=each.end_s + start_s) for each in arrival.segments
    )
    reviewed = tuple(Span(span.start_s + start_s, span.end_s + start_s) for span in arrival.entry.reviewed)
    agreement: Agreement | None = None
    says_nothing_new = False
    with suppress(FileFault):
        in_use = read_labels(folder, entry)
        both = intersect_spans(entry.reviewed, reviewed)
        agreement = agreement_of(in_use, segments, reviewed=both, day=day)
        says_nothing_new = segments_within(in_use, start_s, end_s) == arrival.segments and total_s(
            both
        ) == total_s(reviewed)
    labels_path = None
    if not says_nothing_new:
        table = format_segments(segments).encode("utf-8")
        path = _table_path(folder, arrival.origin.maker, entry.name, table)
        labels_path = path.relative_to(folder).as_posix()
        others = merged.descriptor.other_resources
        if not any(resource.get("path") == labels_path for resource in others):
            told = _resource(labels_path, arrival, entry.name, reviewed, {r.get("name") for r in others})
            merged = replace(
                merged,
                descriptor=replace(merged.descriptor, other_resources=(*others, told)),
                tables=(*merged.tables, (path, table)),
            )
    known = Known(arrival.entry.name, entry.name, start_s, agreement, labels_path)
    return replace(merged, known=(*merged.known, known))


def _table_path(folder: Path, maker: str, name: str, table: bytes) -> Path:
    """Return where a table is to be kept: where it is already, or where nothing is."""
    number = 1
    while True:
        suffix = "" if number == 1 else f"-{number}"
        path = folder / _LABELS_OF / maker / f"{name}{suffix}.csv"
        if not path.exists() or path.read_bytes() == table:
            return path
        number += 1


def _resource(
    path: str, arrival: Arrival, recording: str, reviewed: Sequence[Span], taken: set[Any]
) -> dict[str, Any]:
    """Return the resource of a table of somebody else's labels."""
    maker, phones = arrival.origin.maker, any(segment.phone for segment in arrival.segments)
    resource = label_table_resource(path, title=f"Labels of {recording} by {maker}", with_phone=phones)
    wanted, number = resource["name"], 2
    while resource["name"] in taken:
        resource["name"], number = f"{wanted}-{number}", number + 1
    return {
        **resource,
        "recording": recording,
        "phone": arrival.entry.phone or None,
        "origin": arrival.origin.to_json(),
        "reviewed": [[span.start_s, span.end_s] for span in reviewed],
    }


def _take(folder: Path, merged: Merged, arrival: Arrival, overlaps: Sequence[_Overlap]) -> Merged:
    """List a new recording; what of it is reviewed elsewhere already counts there only."""
    entry, rate = arrival.entry, arrival.entry.sample_rate_hz
    elsewhere = [
        Span(max(0.0, span.start_s - each.offset / rate), span.end_s - each.offset / rate)
        for each in overlaps
        for span in each.entry.reviewed
        if span.end_s * rate > each.offset
    ]
    table = format_segments(arrival.segments).encode("utf-8")
    told = replace(
        entry,
        file_name=_free_name(folder, merged.descriptor, arrival, table),
        session=_free_session(merged.descriptor.entries, entry.session, arrival.origin.maker),
        reviewed=subtract_spans(entry.reviewed, elsewhere),
        labels_name_phones=any(segment.phone for segment in arrival.segments),
    )
    twice_s = total_s(intersect_spans(entry.reviewed, elsewhere))
    return replace(
        merged,
        descriptor=replace(merged.descriptor, entries=(*merged.descriptor.entries, told)),
        moves=(*merged.moves, (arrival.path, folder / told.audio_path)),
        tables=(*merged.tables, (folder / told.labels_path, table)),
        taken=(*merged.taken, Taken(entry.name, told, len(arrival.segments), twice_s)),
    )


def _free_name(folder: Path, descriptor: Descriptor, arrival: Arrival, table: bytes) -> str:
    """Return a file name, the recording's own if it can be, that neither dataset nor folders have."""
    entry, suffix = arrival.entry, Path(arrival.entry.file_name).suffix
    listed = {name_key(each.name) for each in descriptor.entries}
    number = 0
    while True:
        name = entry.name
        if number:
            tail = f" ({arrival.origin.maker[:_LONGEST_MAKER]})" + ("" if number == 1 else f" {number}")
            name = f"{name[: _LONGEST_NAME - len(tail)].rstrip('. ')}{tail}"
        audio, labels = folder / "recordings" / f"{name}{suffix}", folder / "labels" / f"{name}.csv"
        # What a program that was killed has left is the same to the last bit, and taken as it is.
        if (
            name_key(name) not in listed
            and (not audio.exists() or file_sha256(audio) == entry.file_sha256)
            and (not labels.exists() or labels.read_bytes() == table)
        ):
            return f"{name}{suffix}"
        number += 1


def _free_session(entries: Sequence[RecordingEntry], session: str, maker: str) -> str:
    """Return the session's name; another maker's session of that name is another session."""
    key = name_key(session)
    if all(entry.maker == maker for entry in entries if name_key(entry.session) == key):
        return session
    tail = f" ({maker[:_LONGEST_MAKER]})"
    return f"{session[: _LONGEST_NAME - len(tail)].rstrip('. ')}{tail}"


def notes_on(pack: Pack, day: Day, merged: Merged) -> Iterator[str]:
    """Say what a person should know or do about a pack that is taken in, a sentence each."""
    for each in merged.taken:
        if each.entry.name != each.name_in_pack:
            yield f"{each.name_in_pack} is called {each.entry.name} here: its own name was taken"
        if each.twice_s:
            yield (
                f"{each.entry.name}: {each.twice_s:.3f} s of it are reviewed in another recording too and "
                "are not in this one, so that nothing counts twice"
            )
    used = {segment.label for segments in pack.segments.values() for segment in segments}
    for label, role in sorted(pack.roles.items()):
        if label in used and day.role(label) is not role:
            line = f"{json.dumps(label, ensure_ascii=False)} = {json.dumps(role)}"
            yield (
                f"{pack.maker} takes {label!r} for {role}, day.toml here for {day.role(label)}; to follow "
                f"them, add {line} to its [roles]"
            )
    if not pack.is_named:
        yield (
            f"the maker gave no name and is called {pack.maker}; another pack of the same person's would "
            "count as another maker's"
        )
