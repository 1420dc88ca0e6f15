"""A dataset: a folder of recordings with their labels, the board and the day.

Reading takes no lock. Every function that writes holds the dataset's lock,
and `datapackage.json` is written last: what it does not list is not there.
"""

import contextlib
import hashlib
import json
import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from packaging.licenses import InvalidLicenseExpression, canonicalize_license_expression

from evalkit.board import Board
from evalkit.board_file import default_board_toml, read_board
from evalkit.day import DEFAULT_DAY_TOML, Day, read_day
from evalkit.descriptor import (
    DESCRIPTOR_NAME,
    Descriptor,
    RecordingEntry,
    locked_descriptor,
    new_descriptor,
    pick_named,
    read_descriptor,
    write_descriptor,
)
from evalkit.durable import (
    TEMPORARY_PREFIX,
    copy_file,
    dataset_lock,
    make_folder,
    move_file,
    write_bytes,
)
from evalkit.errors import FileFault, WrongUse
from evalkit.names import check_name, name_key
from evalkit.recordings import Share, audio_sha256, file_sha256, read_info
from evalkit.segments import Call, Segment, format_segments, join_calls, read_segments
from evalkit.spans import Span, fit_spans

__all__ = [
    "Dataset",
    "Recording",
    "create_dataset",
    "dataset_sha256",
    "import_recordings",
    "read_dataset",
    "read_labels",
    "read_recording",
]


@dataclass(frozen=True)
class Recording:
    """One channel of an audio file, with everything that is known about it."""

    name: str
    path: Path
    session: str
    phone: str
    """The phone that rings unless a segment names another; empty if unknown."""
    channel: int
    """Counts from 1."""
    sample_rate_hz: int
    n_frames: int
    full_scale_v: float | None
    """Volts at the recorder's input that give full scale; None: not calibrated."""
    input_ohms: float | None
    """Resistance of the recorder's input; None: unknown."""
    reviewed: tuple[Span, ...]
    """Disjoint spans, in order, that a person has fully labelled."""
    audio_sha256: str
    segments: tuple[Segment, ...]
    """In order of time."""
    maker: str | None = None
    """Who made it, by the name in the pack that brought it; None: it is the dataset's own."""

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.n_frames / self.sample_rate_hz

    def calls(
        self, *, target_labels: Collection[str], warmup_s: float, call_gap_s: float
    ) -> tuple[Call, ...]:
        """Return the calls of the reviewed time, each with its phone (`segments.join_calls`)."""
        rings = (segment for segment in self.segments if segment.label in target_labels)
        named = (replace(segment, phone=segment.phone or self.phone) for segment in rings)
        return join_calls(
            named,
            target_labels=target_labels,
            reviewed=self.reviewed,
            duration_s=self.duration_s,
            warmup_s=warmup_s,
            call_gap_s=call_gap_s,
        )


@dataclass(frozen=True)
class Dataset:
    """All that is in a dataset's folder but the samples."""

    folder: Path
    title: str
    spdx: str | None
    recordings: tuple[Recording, ...]
    """In the order of their audio's hash, so that no result depends on names."""
    day: Day
    board: Board

    def recording(self, name: str) -> Recording:
        """Return the recording of that name.

        Raises
        ------
        WrongUse
            If there is none, with the names that there are.
        """
        return pick_named(self.recordings, name)


def create_dataset(folder: Path, *, spdx: str | None = None) -> None:
    """Make an empty dataset with the default board and day.

    Raises
    ------
    WrongUse
        If `spdx` is no SPDX licence expression, or the folder's name cannot be one everywhere.
    FileFault
        If the folder is there and not empty, or cannot be made.
    """
    title = folder.resolve().name
    try:
        check_name(title, "dataset's name")
    except ValueError as error:
        raise WrongUse(str(error)) from error
    licence = None if spdx is None else _canonical_licence(spdx)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        occupied = any(folder.iterdir())
    except (FileExistsError, NotADirectoryError) as error:
        raise FileFault(f"{folder}: is a file, not a folder") from error
    except OSError as error:
        raise FileFault(f"{folder}: cannot be made: {error.strerror or error}") from error
    if occupied:
        what = "is a dataset already" if (folder / DESCRIPTOR_NAME).exists() else "is not empty"
        raise FileFault(f"{folder}: {what}; a new dataset needs a new or empty folder")
    try:
        with dataset_lock(folder):
            for name in ("recordings", "labels"):
                make_folder(folder / name)
            write_bytes(folder / "board.toml", default_board_toml().encode("utf-8"))
            write_bytes(folder / "day.toml", DEFAULT_DAY_TOML.encode("utf-8"))
            write_descriptor(folder, new_descriptor(title, spdx=licence))
    except BaseException:
        # It was empty: half a dataset would only be in the way of the next try.
        for entry in (*folder.glob("*.toml"), folder / ".evalkit" / "lock"):
            with contextlib.suppress(OSError):
                entry.unlink(missing_ok=True)
        for name in ("recordings", "labels", ".evalkit"):
            with contextlib.suppress(OSError):
                (folder / name).rmdir()
        raise


def read_dataset(folder: Path) -> Dataset:
    """Return everything in a dataset but the samples.

    Raises
    ------
    FileFault
        If the descriptor, a label table, the board or the day is wrong, or
        an audio file is gone or has another length than it had.
    """
    descriptor = read_descriptor(folder)
    recordings = [read_recording(folder, entry) for entry in descriptor.entries]
    return Dataset(
        folder=folder,
        title=descriptor.title,
        spdx=descriptor.spdx,
        recordings=tuple(sorted(recordings, key=lambda recording: recording.audio_sha256)),
        day=read_day(folder / "day.toml"),
        board=read_board(folder / "board.toml"),
    )


def read_recording(folder: Path, entry: RecordingEntry) -> Recording:
    """Return one recording of a dataset with its labels.

    Raises
    ------
    FileFault
        If its audio file is gone or has another rate or length than when it
        was imported, or if its label table is wrong.
    """
    path = folder / entry.audio_path
    told = (entry.sample_rate_hz, entry.n_frames)
    info = read_info(path, known_bytes=entry.n_bytes)
    if (info.sample_rate_hz, info.n_frames) != told:
        # one that was cut short before it was imported promises more than it holds
        info = read_info(path)
    if (info.sample_rate_hz, info.n_frames) != told:
        raise FileFault(
            f"{path}: is no longer the file that was imported: {info.n_frames} frames at "
            f"{info.sample_rate_hz} Hz, not {entry.n_frames} at {entry.sample_rate_hz} Hz"
        )
    return _recording(folder, entry, read_labels(folder, entry))


def read_labels(folder: Path, entry: RecordingEntry) -> tuple[Segment, ...]:
    """Return the segments of one recording of a dataset; a FileFault tells every wrong row."""
    return read_segments(
        folder / entry.labels_path, n_frames=entry.n_frames, sample_rate_hz=entry.sample_rate_hz
    )


def import_recordings(
    folder: Path,
    files: Sequence[Path],
    *,
    session: str,
    phone: str = "",
    channel: int | None = None,
    full_scale_v: float | None = None,
    input_ohms: float | None = None,
    labels: Path | None = None,
    reviewed: Sequence[Span] = (),
    progress: Callable[[float, float], None] = lambda done, total: None,
) -> tuple[Recording, ...]:
    """Copy audio files into a dataset: all of them or none.

    Parameters
    ----------
    folder : Path
        The dataset.
    files : sequence of Path
        A recording is named after its file's stem.
    session, phone : str
        Names; the phone may be empty (unknown).
    channel : int, optional
        Counts from 1; may be left out for files with one channel.
    full_scale_v, input_ohms : float, optional
        Volts at the recorder's input that give full scale, and its resistance.
    labels : Path, optional
        A label table, for one file, or a folder with NAME.csv for each.
    reviewed : sequence of Span
        What a person has fully labelled, of every file; `segments.ALL_TIME` for all of it.
    progress : callable
        Told how many bytes are done, of how many; each file is gone through several times.

    Returns
    -------
    tuple of Recording
        In the order of `files`.

    Raises
    ------
    WrongUse
        For an option that does not fit, among them several channels and none picked.
    FileFault
        For files that cannot be taken: several are told together. The same
        audio or name twice is refused, naming the other.
    """
    _check_options(files, session, phone, full_scale_v, input_ohms, labels)
    with locked_descriptor(folder) as descriptor:
        arrivals: list[_Arrival] = []
        faults: list[FileFault] = []
        told = _Told(files, progress)
        for file in files:
            try:
                arrival = _examine(file, channel, labels, reviewed, told)
                _refuse_double(arrival, descriptor, arrivals)
                _refuse_stranger(folder, arrival)
                arrivals.append(arrival)
            except FileFault as fault:
                faults.append(fault)
        if len(faults) == 1:
            raise faults[0]
        if faults:
            lines = [line for fault in faults for line in (fault.details or (str(fault),))]
            raise FileFault(
                f"{folder}: nothing was imported; {len(faults)} files cannot be taken", details=lines
            )
        entries = [
            RecordingEntry(
                file_name=arrival.source.name,
                session=session,
                phone=phone,
                channel=arrival.channel,
                sample_rate_hz=arrival.sample_rate_hz,
                n_frames=arrival.n_frames,
                full_scale_v=full_scale_v,
                input_ohms=input_ohms,
                reviewed=arrival.reviewed,
                audio_sha256=arrival.audio_sha256,
                file_sha256=arrival.file_sha256,
                n_bytes=arrival.n_bytes,
                labels_name_phones=any(segment.phone for segment in arrival.segments),
            )
            for arrival in arrivals
        ]
        _take_in(folder, replace(descriptor, entries=(*descriptor.entries, *entries)), arrivals, told)
        return tuple(
            _recording(folder, entry, arrival.segments)
            for entry, arrival in zip(entries, arrivals, strict=True)
        )


def dataset_sha256(dataset: Dataset) -> str:
    """Return a hash of all in a dataset that a figure can depend on, board and day apart.

    It covers audio, sessions, phones, calibration, reviewed spans, labels and makers;
    not the names of recordings and not the notes.
    """
    facts = [
        [
            recording.audio_sha256,
            recording.session,
            recording.phone,
            recording.full_scale_v,
            recording.input_ohms,
            [[span.start_s, span.end_s] for span in recording.reviewed],
            [[each.start_s, each.end_s, each.label, each.phone] for each in recording.segments],
            # Named where there is one only, so that a dataset of one's own keeps its hash.
            *([recording.maker] if recording.maker is not None else []),
        ]
        for recording in sorted(dataset.recordings, key=lambda recording: recording.audio_sha256)
    ]
    return hashlib.sha256(json.dumps(facts, ensure_ascii=True, allow_nan=False).encode("ascii")).hexdigest()


@dataclass(frozen=True)
class _Arrival:
    """A file that was found fit to be imported."""

    source: Path
    channel: int
    sample_rate_hz: int
    n_frames: int
    n_bytes: int
    file_sha256: str
    audio_sha256: str
    reviewed: tuple[Span, ...]
    segments: tuple[Segment, ...]

    @property
    def name(self) -> str:
        return self.source.stem


class _Told:
    """Tells how far an import is: each file is hashed, decoded, copied, and its copy hashed."""

    _PASSES = 4

    def __init__(self, files: Sequence[Path], progress: Callable[[float, float], None]) -> None:
        self._progress = progress
        self._sizes = {file: file.stat().st_size if file.is_file() else 0 for file in files}
        self._done = 0.0
        self.piece(0.0)

    def share(self, file: Path) -> Share:
        return lambda part: self.piece(part * self._sizes[file])

    def piece(self, n_bytes: float) -> None:
        self._done += n_bytes
        self._progress(self._done, float(self._PASSES * sum(self._sizes.values())))


def _check_options(
    files: Sequence[Path],
    session: str,
    phone: str,
    full_scale_v: float | None,
    input_ohms: float | None,
    labels: Path | None,
) -> None:
    try:
        check_name(session, "session")
        if phone:
            check_name(phone, "phone")
    except ValueError as error:
        raise WrongUse(str(error)) from error
    for what, value in (("full scale in volts", full_scale_v), ("input resistance in ohms", input_ohms)):
        if value is not None and not 0 < value < math.inf:
            raise WrongUse(f"the {what} is {value:g}; it must be above 0 and finite")
    if not files:
        raise WrongUse("no file to import was named")
    if labels is not None and len(files) > 1 and not labels.is_dir():
        if not labels.exists():
            raise FileFault(f"{labels}: no such file or folder")
        raise WrongUse(
            f"{labels}: one label table for {len(files)} files; give a folder with NAME.csv for each"
        )


def _examine(
    file: Path, channel: int | None, labels: Path | None, reviewed: Sequence[Span], told: _Told
) -> _Arrival:
    """Read a file whole and return what is to be known of it."""
    info = read_info(file)
    try:
        check_name(file.name, "file name")
        check_name(file.stem, "recording's name")
    except ValueError as error:
        raise FileFault(f"{file}: {error}; rename it") from error
    if channel is None and info.n_channels > 1:
        raise WrongUse(f"{file}: has {info.n_channels} channels; pick one with --channel")
    picked = channel if channel is not None else 1
    if not 1 <= picked <= info.n_channels:
        raise WrongUse(f"{file}: has no channel {picked}; its channels count from 1 to {info.n_channels}")
    try:
        spans = fit_spans(reviewed, n_frames=info.n_frames, sample_rate_hz=info.sample_rate_hz)
    except ValueError as error:
        raise WrongUse(f"{file}: reviewed {error}") from error
    segments: tuple[Segment, ...] = ()
    if labels is not None:
        table = labels / f"{file.stem}.csv" if labels.is_dir() else labels
        if not table.exists():
            raise FileFault(f"{table}: no such file; the labels of {file.name} are wanted there")
        segments = read_segments(table, n_frames=info.n_frames, sample_rate_hz=info.sample_rate_hz)
    return _Arrival(
        source=file,
        channel=picked,
        sample_rate_hz=info.sample_rate_hz,
        n_frames=info.n_frames,
        n_bytes=file.stat().st_size,
        # Taken before the samples are read and compared with the copy's: all that is read in
        # between is of the very bytes that are imported.
        file_sha256=file_sha256(file, share=told.share(file)),
        audio_sha256=audio_sha256(file, channel=picked, share=told.share(file)),
        reviewed=spans,
        segments=segments,
    )


def _refuse_double(arrival: _Arrival, descriptor: Descriptor, others: Sequence[_Arrival]) -> None:
    known = [(entry.name, entry.audio_sha256, entry.audio_path) for entry in descriptor.entries]
    known += [(other.name, other.audio_sha256, str(other.source)) for other in others]
    for name, sha256, where in known:
        if sha256 == arrival.audio_sha256:
            raise FileFault(f"{arrival.source}: the same audio as {name} ({where})")
    for name, _, where in known:
        if name_key(name) == name_key(arrival.name):
            raise FileFault(
                f"{arrival.source}: a recording named {name} is there already ({where}); rename the file"
            )


def _refuse_stranger(folder: Path, arrival: _Arrival) -> None:
    """Refuse to write over a file that lies in the dataset's folders without being listed."""
    audio = folder / "recordings" / arrival.source.name
    if audio.exists() and file_sha256(audio) != arrival.file_sha256:
        raise FileFault(f"{audio}: another file is there that the dataset does not list; move it away first")
    table = folder / "labels" / f"{arrival.name}.csv"
    if table.exists():
        there = read_segments(table, n_frames=arrival.n_frames, sample_rate_hz=arrival.sample_rate_hz)
        if there != arrival.segments:
            raise FileFault(
                f"{table}: labels are there that the dataset does not list; move them away, or give them "
                "as --labels"
            )


def _take_in(folder: Path, descriptor: Descriptor, arrivals: Sequence[_Arrival], told: _Told) -> None:
    """Copy and list; whatever fails, nothing that was not there before stays."""
    audio_folder, labels_folder = folder / "recordings", folder / "labels"
    made: list[Path] = []
    try:
        for place in (audio_folder, labels_folder):
            make_folder(place)
        staged: list[tuple[Path, Path]] = []
        for number, arrival in enumerate(arrivals):
            target = audio_folder / arrival.source.name
            if target.exists():
                continue
            copy = audio_folder / f"{TEMPORARY_PREFIX}import-{number}{arrival.source.suffix}"
            made.append(copy)
            copy_file(arrival.source, copy, advance=told.piece)
            if file_sha256(copy, share=told.share(arrival.source)) != arrival.file_sha256:
                raise FileFault(f"{arrival.source}: changed while it was read; nothing was imported")
            staged.append((copy, target))
        for copy, target in staged:
            made.append(target)
            move_file(copy, target)
        for arrival in arrivals:
            table = labels_folder / f"{arrival.name}.csv"
            if not table.exists():
                made.append(table)
            write_bytes(table, format_segments(arrival.segments).encode("utf-8"))
        write_descriptor(folder, descriptor)
    except BaseException:
        for path in made:
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)
        raise


def _recording(folder: Path, entry: RecordingEntry, segments: tuple[Segment, ...]) -> Recording:
    return Recording(
        name=entry.name,
        path=folder / entry.audio_path,
        session=entry.session,
        phone=entry.phone,
        channel=entry.channel,
        sample_rate_hz=entry.sample_rate_hz,
        n_frames=entry.n_frames,
        full_scale_v=entry.full_scale_v,
        input_ohms=entry.input_ohms,
        reviewed=entry.reviewed,
        audio_sha256=entry.audio_sha256,
        segments=segments,
        maker=entry.maker,
    )


def _canonical_licence(spdx: str) -> str:
    try:
        return str(canonicalize_license_expression(spdx))
    except InvalidLicenseExpression as error:
        raise WrongUse(
            f"{spdx!r} is no SPDX licence identifier; for recordings: CC0-1.0, CC-BY-4.0 or CC-BY-SA-4.0"
        ) from error
