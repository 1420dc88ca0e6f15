"""A stranger's pack, verified before any of it is trusted.

Nothing is written while a pack is verified. What comes out are values of our
own kinds, each within its limits; only the audio is still in the zip file, and
is checked once more, sample by sample, when it is taken out.
"""

import contextlib
import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from evalkit.archive import Archive, ArchiveLimits, open_archive
from evalkit.bags import PAYLOAD, Bag, verify_bag
from evalkit.descriptor import DESCRIPTOR_NAME, Descriptor, RecordingEntry, parse_descriptor
from evalkit.durable import write_stream
from evalkit.errors import FileFault
from evalkit.lossless import check_bare
from evalkit.names import check_name
from evalkit.origin import Origin, licence_of_json
from evalkit.packs import PACK_FORMAT
from evalkit.recordings import Share, audio_sha256, read_info
from evalkit.segments import STANDARD_ROLES, Role, Segment, parse_segments

__all__ = ["Pack", "PackLimits", "open_pack", "take_out"]

_MOST_TEXT_BYTES = 16 << 20
# More labels than that never lie over one moment; comparing two such sets would take for ever.
_DEEPEST_LABELS = 50
_CONTAINERS = {".flac": frozenset({"FLAC"}), ".wav": frozenset({"WAV", "WAVEX", "RF64"})}


@dataclass(frozen=True)
class PackLimits:
    """What a pack may ask of the machine."""

    archive: ArchiveLimits = field(default_factory=ArchiveLimits)
    audio_frames: int = 250 * 3600 * 48_000
    """Samples of all recordings together: 250 hours at 48 kHz."""


@dataclass(frozen=True)
class Pack:
    """What a verified pack says; every entry has its origin filled in."""

    path: Path
    maker: str
    """Who made it, by their own name or by one made of the checksum."""
    is_named: bool
    """Whether the maker chose that name."""
    spdx: str | None
    sha512: str
    """The bag's checksum."""
    roles: Mapping[str, Role]
    """What labels that are not standard ones mean to the maker."""
    entries: tuple[RecordingEntry, ...]
    segments: Mapping[str, tuple[Segment, ...]]
    """By recording."""
    archive: Archive
    bag: Bag


@contextmanager
def open_pack(
    path: Path, limits: PackLimits, *, advance: Callable[[int], None] = lambda _: None
) -> Iterator[Pack]:
    """Open a pack and verify its form, its completeness, every checksum, and all of its texts.

    Parameters
    ----------
    path : Path
    limits : PackLimits
    advance : callable
        Called with the number of bytes of every piece whose checksum was taken.

    Raises
    ------
    FileFault
        For whatever is not a pack, or not all that it says it is.
    """
    with open_archive(path, limits.archive) as archive:
        bag = verify_bag(archive, advance=advance)

        def read(name: str) -> bytes:
            return archive.read(f"{bag.top}/{PAYLOAD}/{name}", most_bytes=_MOST_TEXT_BYTES)

        if DESCRIPTOR_NAME not in bag.payload:
            raise FileFault(f"{path}: is a bag but not a pack: {PAYLOAD}/{DESCRIPTOR_NAME} is missing")
        place = path / PAYLOAD
        descriptor = parse_descriptor(
            read(DESCRIPTOR_NAME), path=place / DESCRIPTOR_NAME, default_title="pack"
        )
        head = _pack_property(descriptor, path)
        _check_described(descriptor, bag, path)
        _check_length(descriptor, limits, path)
        maker = head.maker or f"anonymous-{bag.sha512[:8]}"
        own = Origin(maker, head.spdx, bag.sha512)
        segments = {}
        for entry in descriptor.entries:
            table = place / entry.labels_path
            segments[entry.name] = _segments(read(entry.labels_path), entry, table)
        yield Pack(
            path=path,
            maker=maker,
            is_named=head.maker is not None,
            spdx=descriptor.spdx,
            sha512=bag.sha512,
            roles=head.roles,
            entries=tuple(
                # What a stranger added to our own properties is not taken over.
                replace(entry, origin=entry.origin or own, audio_extra={}, labels_extra={})
                for entry in descriptor.entries
            ),
            segments=segments,
            archive=archive,
            bag=bag,
        )


def take_out(
    pack: Pack,
    entry: RecordingEntry,
    target: Path,
    *,
    advance: Callable[[float], None] = lambda n_bytes: None,
) -> None:
    """Write one recording of a pack to a file, which must be just what the pack says.

    Told how many bytes were written, and as many again while the audio is checked.

    Raises
    ------
    FileFault
        If it is not, or cannot be written; there is no file then.
    """
    member = f"{pack.bag.top}/{PAYLOAD}/{entry.audio_path}"
    expected = pack.bag.payload[entry.audio_path]
    name = f"{pack.path}: {entry.audio_path}"
    sha256, sha512 = hashlib.sha256(), hashlib.sha512()

    def fill(stream: Any) -> None:
        for piece in pack.archive.pieces(member):
            stream.write(piece)
            sha256.update(piece)
            sha512.update(piece)
            advance(len(piece))
        if sha512.hexdigest() != expected.sha512:
            raise FileFault(f"{name} has changed since it was verified")
        stream.seek(0)
        check_bare(stream, name)

    write_stream(target, fill)
    try:
        if (sha256.hexdigest(), expected.size) != (entry.file_sha256, entry.n_bytes):
            raise FileFault(f"{name} is not the file that {DESCRIPTOR_NAME} tells of")
        try:
            _check_audio(target, entry, lambda part: advance(part * expected.size))
        except FileFault as fault:
            # The person knows the pack, not the file that is being made of it.
            raise FileFault(str(fault).replace(str(target), name)) from fault
    except BaseException:
        with contextlib.suppress(OSError):
            target.unlink()
        raise


def _check_audio(path: Path, entry: RecordingEntry, share: Share) -> None:
    info = read_info(path)
    told = (entry.sample_rate_hz, entry.n_frames, 1, entry.n_frames)
    found = (info.sample_rate_hz, info.n_frames, info.n_channels, info.promised_frames)
    if told != found or entry.channel != 1:
        raise FileFault(
            f"{path}: holds {info.n_frames} frames in {info.n_channels} channels at "
            f"{info.sample_rate_hz} Hz, not {entry.n_frames} in 1 at {entry.sample_rate_hz} Hz as "
            f"{DESCRIPTOR_NAME} says"
        )
    if info.container not in _CONTAINERS[path.suffix]:
        raise FileFault(f"{path}: is {info.container} under the name of another format")
    if audio_sha256(path, channel=1, share=share) != entry.audio_sha256:
        raise FileFault(f"{path}: holds other audio than {DESCRIPTOR_NAME} says")


@dataclass(frozen=True)
class _Head:
    maker: str | None
    spdx: str | None
    roles: Mapping[str, Role]


def _pack_property(descriptor: Descriptor, path: Path) -> _Head:
    """Return what the descriptor says of the pack as a whole."""
    place = f"{path}: {PAYLOAD}/{DESCRIPTOR_NAME}: pack"
    table = descriptor.extra.get("pack")
    if not isinstance(table, dict):
        raise FileFault(f"{place}: is missing, so this bag is not a pack")
    version, maker, roles = table.get("format"), table.get("maker"), table.get("roles", {})
    if isinstance(version, bool) or not isinstance(version, int) or version < 1:
        raise FileFault(f"{place}: format must be a whole number")
    if version > PACK_FORMAT:
        raise FileFault(f"{place}: format {version} is newer than this evalkit knows; update evalkit")
    try:
        if maker is not None:
            if not isinstance(maker, str):
                raise ValueError("maker must be a name or null")
            check_name(maker, "maker")
        if not isinstance(roles, dict):
            raise ValueError("roles must be an object")
        for label in roles:
            check_name(label, "label")
        meanings = {label: Role(role) for label, role in roles.items() if label not in STANDARD_ROLES}
        return _Head(maker, licence_of_json(table.get("spdx")), meanings)
    except ValueError as error:
        raise FileFault(f"{place}: {error}") from error


def _check_described(descriptor: Descriptor, bag: Bag, path: Path) -> None:
    """Check that the descriptor tells of every file, and that every file it tells of is there."""
    told = {DESCRIPTOR_NAME}
    for entry in descriptor.entries:
        told |= {entry.audio_path, entry.labels_path}
        if not any(entry.file_name.endswith(suffix) for suffix in _CONTAINERS):
            raise FileFault(f"{path}: {entry.audio_path}: a pack holds FLAC and WAV files only")
    faults = [f"{name} is missing" for name in sorted(told - bag.payload.keys())]
    faults += [f"{name} is no part of a pack" for name in sorted(bag.payload.keys() - told)]
    audio: dict[str, str] = {}
    for entry in descriptor.entries:
        if entry.audio_sha256 in audio:
            faults.append(f"{entry.audio_path} is the same audio as {audio[entry.audio_sha256]}")
        audio.setdefault(entry.audio_sha256, entry.audio_path)
    if faults:
        lines = [f"{path}: {PAYLOAD}/{fault}" for fault in faults]
        if len(lines) == 1:
            raise FileFault(lines[0])
        raise FileFault(f"{path}: {len(lines)} faults, so it is not trusted", details=lines)
    if not descriptor.entries:
        raise FileFault(f"{path}: holds no recordings")


def _check_length(descriptor: Descriptor, limits: PackLimits, path: Path) -> None:
    n_frames = sum(entry.n_frames for entry in descriptor.entries)
    if n_frames > limits.audio_frames:
        raise FileFault(f"{path}: holds {n_frames} samples; at most {limits.audio_frames} are allowed")


def _segments(data: bytes, entry: RecordingEntry, place: Path) -> tuple[Segment, ...]:
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise FileFault(f"{place}: not UTF-8 text") from error
    segments = parse_segments(
        text,
        path=place,
        duration_s=entry.n_frames / entry.sample_rate_hz,
        slack_s=0.5 / entry.sample_rate_hz,
    )
    _check_depth(segments, place)
    return segments


def _check_depth(segments: Sequence[Segment], place: Path) -> None:
    changes = sorted(change for each in segments for change in ((each.start_s, 1), (each.end_s, -1)))
    depth = 0
    for time_s, step in changes:
        depth += step
        if depth > _DEEPEST_LABELS:
            raise FileFault(f"{place}: over {_DEEPEST_LABELS} labels lie over each other at {time_s:.6f} s")
