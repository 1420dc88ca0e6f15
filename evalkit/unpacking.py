"""A verified pack taken into a dataset: whole or not at all, and nothing of what was there is lost.

Audio that is there already stays as it is. Whoever else has labelled it keeps
their own table, ``labels-of/MAKER/NAME.csv``, beside the one in use, and how
far the two agree is told.
"""

import contextlib
import json
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from evalkit.dataset import create_dataset
from evalkit.day import DEFAULT_DAY_TOML, Day, read_day
from evalkit.descriptor import (
    Descriptor,
    RecordingEntry,
    locked_descriptor,
    read_descriptor,
    write_descriptor,
)
from evalkit.durable import (
    TEMPORARY_PREFIX,
    dataset_lock,
    make_folder,
    move_file,
    undone_on_failure,
    write_bytes,
)
from evalkit.errors import Busy, FileFault
from evalkit.pack_merging import Arrival, Known, Merged, Taken, merge_pack, notes_on
from evalkit.pack_reading import Pack, PackLimits, open_pack, take_out

__all__ = ["Unpacked", "unpack"]

_Advance = Callable[[float], None]


@dataclass(frozen=True)
class Unpacked:
    """What became of a pack."""

    folder: Path
    maker: str
    """Who made it, by their own name or by one made of the checksum."""
    spdx: str | None
    pack_sha512: str
    taken: tuple[Taken, ...]
    known: tuple[Known, ...]
    licences: tuple[str | None, ...]
    """Of all that came from others in the dataset, with the pack taken in, and of the dataset's own."""
    notes: tuple[str, ...]
    """What a person should know or do, one sentence each."""


def unpack(
    path: Path,
    folder: Path,
    *,
    limits: PackLimits | None = None,
    rehearse: bool = False,
    advance: Callable[[float], None] = lambda _: None,
) -> Unpacked:
    """Verify a pack and take it into a dataset, which is made if absent.

    Parameters
    ----------
    path : Path
        The pack.
    folder : Path
        The dataset.
    limits : PackLimits, optional
        What the pack may ask of the machine.
    rehearse : bool
        Verify and tell everything, and write nothing.
    advance : callable
        Called with the number of bytes of every piece that was gone through: all are verified, then taken
        out, then checked as audio.

    Raises
    ------
    FileFault
        If the pack is not all that it says, or the dataset or the disk does
        not allow it; the dataset is then as it was.
    Busy
        If another program is writing to the dataset.
    """
    try:
        is_new = not folder.exists() or (folder.is_dir() and not any(folder.iterdir()))
    except OSError as error:
        raise FileFault(f"{folder}: cannot be read: {error.strerror or error}") from error
    if not is_new:
        read_descriptor(folder)
    with open_pack(path, limits or PackLimits(), advance=advance) as pack:
        if rehearse:
            return _rehearse(pack, folder, is_new, advance)
        if is_new:
            return _make(pack, folder, advance)
        with locked_descriptor(folder) as descriptor:
            return _take_in(pack, folder, descriptor, advance)


def _rehearse(pack: Pack, folder: Path, is_new: bool, advance: _Advance) -> Unpacked:
    """Do all but write to the dataset."""
    descriptor, day = Descriptor("new", "new", None), Day(roles=pack.roles)
    if not is_new:
        descriptor, day = read_descriptor(folder), read_day(folder / "day.toml")
    with tempfile.TemporaryDirectory(prefix="evalkit-") as place:
        arrivals = [
            _take_out(pack, entry, _staged(Path(place), entry, k), advance) for k, entry in _numbered(pack)
        ]
        merged = merge_pack(folder, descriptor, day, arrivals)
    return _result(pack, folder, day, merged)


def _make(pack: Pack, folder: Path, advance: _Advance) -> Unpacked:
    """Make a dataset of a pack, in a temporary folder beside its place, and move it there whole."""
    name = folder.resolve().name
    prefix = f"{TEMPORARY_PREFIX}unpack-{name}-"
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        _remove_left_over(folder.parent, prefix)
        workshop = Path(tempfile.mkdtemp(prefix=prefix, dir=folder.parent))
    except OSError as error:
        raise FileFault(f"{folder}: cannot be made: {error.strerror or error}") from error
    try:
        # Held while it is worked in: without a holder it is what a killed program has left.
        with dataset_lock(workshop):
            work = workshop / name
            create_dataset(work)
            write_bytes(work / "day.toml", _day_toml(pack).encode("utf-8"))
            with locked_descriptor(work) as descriptor:
                result = _take_in(pack, work, descriptor, advance)
            try:
                if folder.exists():
                    folder.rmdir()
            except OSError as error:
                raise FileFault(f"{folder}: cannot be made: {error.strerror or error}") from error
            move_file(work, folder)
    finally:
        shutil.rmtree(workshop, ignore_errors=True)
    return replace(result, folder=folder)


def _remove_left_over(place: Path, prefix: str) -> None:
    """Remove the folders of earlier programs that were killed while they made the same dataset."""
    for workshop in [path for path in place.iterdir() if path.name.startswith(prefix)]:
        with contextlib.suppress(Busy, FileFault), dataset_lock(workshop):
            shutil.rmtree(workshop, ignore_errors=True)


def _day_toml(pack: Pack) -> str:
    """Return the default day with the roles that the pack's maker gave to labels."""
    # A JSON string of printable characters is a TOML string too.
    roles = sorted(pack.roles.items())
    lines = [f"{json.dumps(label, ensure_ascii=False)} = {json.dumps(role)}\n" for label, role in roles]
    return DEFAULT_DAY_TOML + "".join(lines)


def _take_in(pack: Pack, folder: Path, descriptor: Descriptor, advance: _Advance) -> Unpacked:
    """Take a pack into a dataset; the caller holds its lock."""
    day = read_day(folder / "day.toml")
    with undone_on_failure() as made:
        for place in (folder / "recordings", folder / "labels"):
            if make_folder(place):
                made.append(place)
        staged = [_staged(folder / "recordings", entry, number) for number, entry in _numbered(pack)]
        made += staged
        arrivals = [_take_out(pack, entry, staged[number], advance) for number, entry in _numbered(pack)]
        merged = merge_pack(folder, descriptor, day, arrivals)
        for source, target in merged.moves:
            if not target.exists():
                made.append(target)
                move_file(source, target)
        for target, table in merged.tables:
            if not target.exists():
                for place in (target.parent.parent, target.parent):
                    if make_folder(place):
                        made.append(place)
                made.append(target)
                write_bytes(target, table)
        if merged.descriptor is not descriptor:
            write_descriptor(folder, merged.descriptor)
    for path in staged:
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)
    return _result(pack, folder, day, merged)


def _numbered(pack: Pack) -> "enumerate[RecordingEntry]":
    return enumerate(pack.entries)


def _staged(place: Path, entry: RecordingEntry, number: int) -> Path:
    return place / f"{TEMPORARY_PREFIX}unpack-{number}{Path(entry.file_name).suffix}"


def _take_out(pack: Pack, entry: RecordingEntry, path: Path, advance: _Advance) -> Arrival:
    take_out(pack, entry, path, advance=advance)
    return Arrival(entry, pack.segments[entry.name], path)


def _result(pack: Pack, folder: Path, day: Day, merged: Merged) -> Unpacked:
    entries = merged.descriptor.entries
    licences = {entry.origin.spdx for entry in entries if entry.origin is not None}
    if any(entry.origin is None for entry in entries):
        licences.add(merged.descriptor.spdx)
    return Unpacked(
        folder=folder,
        maker=pack.maker,
        spdx=pack.spdx,
        pack_sha512=pack.sha512,
        taken=merged.taken,
        known=merged.known,
        licences=tuple(sorted(licences, key=lambda licence: licence or "")),
        notes=tuple(notes_on(pack, day, merged)),
    )
