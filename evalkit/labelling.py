"""Changes to labels and reviewed spans: whole or not at all, and never over what someone else wrote."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from evalkit.dataset import read_labels
from evalkit.descriptor import (
    DESCRIPTOR_NAME,
    Descriptor,
    RecordingEntry,
    format_descriptor,
    locked_descriptor,
    read_descriptor,
    write_descriptor,
)
from evalkit.durable import make_folder, write_bytes, write_together
from evalkit.errors import FileFault, WrongUse
from evalkit.interchange import read_labels_file
from evalkit.segments import Segment, format_segments, parse_segments
from evalkit.spans import Span, fit_spans

__all__ = ["Replaced", "replace_labels", "segments_of", "set_reviewed", "write_segments"]


@dataclass(frozen=True)
class Replaced:
    """What became of a recording's labels."""

    segments: tuple[Segment, ...]
    """Those from now on."""
    gone: tuple[Segment, ...]
    """Those of the old table that are not in the new one; empty if the old one was wrong."""
    kept: Path | None
    """Where the old table is kept; None if it had no segment that is gone."""
    remarks: tuple[str, ...] = ()
    """What had to be changed to make segments of another program's marks."""


def segments_of(folder: Path, name: str) -> tuple[Segment, ...]:
    """Return the segments of one recording; the rest of the dataset may be wrong.

    Raises
    ------
    WrongUse
        If there is no such recording.
    FileFault
        If its label table or `datapackage.json` is wrong.
    """
    return read_labels(folder, read_descriptor(folder).entry(name))


def write_segments(
    folder: Path, name: str, segments: Iterable[Segment], *, replacing: Sequence[Segment]
) -> None:
    """Write the labels of one recording in place of those that the caller has read.

    Parameters
    ----------
    folder : Path
        The dataset.
    name : str
        The recording.
    segments : iterable of Segment
        Its labels from now on.
    replacing : sequence of Segment
        Its labels as the caller read them.

    Raises
    ------
    WrongUse
        If there is no such recording.
    FileFault
        If the table holds anything but `replacing` by now (somebody edited
        it; it is left as it is), or if `segments` do not fit the recording
        or each other.
    """
    with locked_descriptor(folder) as descriptor:
        entry = descriptor.entry(name)
        if read_labels(folder, entry) != tuple(sorted(replacing)):
            path = folder / entry.labels_path
            raise FileFault(f"{path}: was changed by someone else meanwhile; nothing was written, try again")
        _write(folder, descriptor, entry, segments)


def replace_labels(folder: Path, name: str, table: Path) -> Replaced:
    """Write the labels of a file outside the dataset in place of those of a recording, right or wrong.

    The old table is kept in ``.evalkit/replaced`` if anything of it would be lost.

    Raises
    ------
    WrongUse
        If there is no such recording.
    FileFault
        If `table` is wrong; the labels are then as they were.
    """
    with locked_descriptor(folder) as descriptor:
        entry = descriptor.entry(name)
        taken = read_labels_file(table, n_frames=entry.n_frames, sample_rate_hz=entry.sample_rate_hz)
        segments = taken.segments
        path = folder / entry.labels_path
        old = path.read_bytes() if path.is_file() else b""
        gone: tuple[Segment, ...] = ()
        try:
            gone = tuple(sorted(set(read_labels(folder, entry)) - set(segments)))
            lost = bool(gone)
        except FileFault:
            # A table that cannot be read may hold labels all the same.
            lost = bool(old)
        kept = _keep(folder, entry.name, old) if lost else None
        _write(folder, descriptor, entry, segments)
        return Replaced(segments, gone, kept, taken.remarks)


def set_reviewed(folder: Path, name: str, spans: Sequence[Span]) -> tuple[Span, ...]:
    """Set what a person has fully labelled of one recording, and return it.

    Raises
    ------
    WrongUse
        If there is no such recording, or a span passes its end.
    """
    with locked_descriptor(folder) as descriptor:
        entry = descriptor.entry(name)
        try:
            reviewed = fit_spans(spans, n_frames=entry.n_frames, sample_rate_hz=entry.sample_rate_hz)
        except ValueError as error:
            raise WrongUse(f"{name}: {error}") from error
        write_descriptor(folder, descriptor.with_entry(replace(entry, reviewed=reviewed)))
        return reviewed


def _write(folder: Path, descriptor: Descriptor, entry: RecordingEntry, segments: Iterable[Segment]) -> None:
    """Write a label table; what is written is what a reader will find, or nothing is."""
    path = folder / entry.labels_path
    text = format_segments(segments)
    try:
        checked = parse_segments(
            text,
            path=path,
            duration_s=entry.n_frames / entry.sample_rate_hz,
            slack_s=0.5 / entry.sample_rate_hz,
        )
    except FileFault as fault:
        raise FileFault(f"not written: {fault}", details=fault.details) from fault
    files = [(path, text.encode("utf-8"))]
    with_phones = any(segment.phone for segment in checked)
    if with_phones != entry.labels_name_phones:
        told = descriptor.with_entry(replace(entry, labels_name_phones=with_phones))
        files.append((folder / DESCRIPTOR_NAME, format_descriptor(told)))
    write_together(files)


def _keep(folder: Path, name: str, data: bytes) -> Path:
    """Keep an old label table under a number that is free."""
    place = folder / ".evalkit" / "replaced"
    make_folder(place)
    try:
        number = 1
        while (path := place / f"{name}-{number}.csv").exists():
            number += 1
    except OSError as error:
        raise FileFault(f"{place}: cannot be written: {error.strerror or error}") from error
    write_bytes(path, data)
    return path
