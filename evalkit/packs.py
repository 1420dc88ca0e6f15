"""A pack: reviewed parts of a dataset's recordings with their labels, made to be given away.

It is a BagIt bag (RFC 8493) in a zip file. The bag's payload is a Data Package
like a dataset's own, without board and day:

    pack-0123456789ab/
      README.txt  bag-info.txt  bagit.txt  manifest-sha512.txt  tagmanifest-sha512.txt
      data/datapackage.json
      data/labels/NAME.csv
      data/recordings/NAME.flac

The same dataset, shared in the same way, gives the same bytes.
"""

import hashlib
import os
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO

from evalkit.archive import Member, write_archive
from evalkit.bags import PAYLOAD, Payload, bag_tags
from evalkit.descriptor import DESCRIPTOR_NAME, Descriptor, RecordingEntry, format_descriptor
from evalkit.durable import write_stream
from evalkit.errors import FileFault
from evalkit.lossless import encode_part
from evalkit.origin import Cut
from evalkit.pack_plan import PackPlan, Shared
from evalkit.segments import format_segments

__all__ = ["PACK_FORMAT", "write_pack"]

PACK_FORMAT = 1
"""Version of the form of a pack, as its `datapackage.json` tells it."""

_COPY_BYTES = 1 << 20


def write_pack(plan: PackPlan, out: Path, *, advance: Callable[[float], None] = lambda _: None) -> str:
    """Write the pack of a plan and return its checksum.

    It appears whole or not at all. A file of that name that holds the same
    bytes stays as it is.

    Parameters
    ----------
    plan : PackPlan
    out : Path
        A zip file.
    advance : callable
        Called with the seconds of audio of every block that was gone through, each three times.

    Returns
    -------
    str
        The bag's checksum: the SHA-512 of its tag manifest, in hexadecimal.

    Raises
    ------
    FileFault
        If another file is there, a recording cannot be read, or the disk does not allow it.
    """
    try:
        # Files without a name: whatever happens, nothing of them stays.
        with tempfile.TemporaryFile(dir=out.parent) as spool:
            members, sha512 = _bag(plan, spool, out.parent, advance)
            if out.exists():
                _compare(out, members)
            else:
                write_stream(out, lambda stream: write_archive(stream, members))
    except OSError as error:
        raise FileFault(f"{out}: cannot be written: {error.strerror or error}") from error
    return sha512


def _bag(
    plan: PackPlan, spool: BinaryIO, folder: Path, advance: Callable[[float], None]
) -> tuple[list[Member], str]:
    """Return the members of the pack's zip file, the audio in the spool, and the bag's checksum."""
    payload: dict[str, Payload] = {}
    contents: dict[str, Member] = {}

    def add_text(path: str, data: bytes) -> None:
        payload[path] = Payload(len(data), hashlib.sha512(data).hexdigest())
        contents[path] = Member(path, len(data), lambda: (data,))

    entries = []
    for each in plan.shared:
        with tempfile.TemporaryFile(dir=folder) as part:
            entry, sha512 = _encode(plan, each, part, advance)
            at = spool.tell()
            part.seek(0)
            for piece in iter(lambda: part.read(_COPY_BYTES), b""):
                spool.write(piece)
        payload[entry.audio_path] = Payload(entry.n_bytes, sha512)
        contents[entry.audio_path] = Member(entry.audio_path, entry.n_bytes, _slice(spool, at, entry.n_bytes))
        add_text(entry.labels_path, format_segments(each.clip.segments).encode("utf-8"))
        entries.append(entry)
    descriptor = Descriptor(
        name="shared-recordings",
        title="Shared recordings" + (f" of {plan.maker}" if plan.maker else ""),
        spdx=plan.spdx,
        entries=tuple(entries),
        extra={"pack": _pack_property(plan)},
    )
    add_text(DESCRIPTOR_NAME, format_descriptor(descriptor))
    info = [
        ("External-Description", "Recordings of a vibration pickup with labels (evalkit)"),
        ("Evalkit-Pack-Format", str(PACK_FORMAT)),
        ("License", plan.spdx),
        *([("Contact-Name", plan.maker)] if plan.maker else []),
    ]
    tags = bag_tags(payload, info=info, readme=_readme(plan, entries))
    sha512 = hashlib.sha512(tags["tagmanifest-sha512.txt"]).hexdigest()
    # Named by what is in it: the maker's own names of folders and files stay at home.
    top = f"pack-{hashlib.sha512(tags['manifest-sha512.txt']).hexdigest()[:12]}"
    members = [replace(member, name=f"{top}/{PAYLOAD}/{path}") for path, member in contents.items()]
    members += [Member(f"{top}/{name}", len(data), _whole(data)) for name, data in tags.items()]
    return sorted(members, key=lambda member: member.name), sha512


def _encode(
    plan: PackPlan, each: Shared, part: BinaryIO, advance: Callable[[float], None]
) -> tuple[RecordingEntry, str]:
    """Write the audio of one part and return what the pack says of it, with its SHA-512."""
    recording, clip, rate = each.recording, each.clip, each.recording.sample_rate_hz
    encoded = encode_part(
        recording.path,
        part,
        channel=recording.channel,
        start=clip.start,
        stop=clip.stop,
        lowpass_hz=plan.lowpass_hz,
        advance=lambda n_frames: advance(n_frames / rate),
    )
    part.seek(0)
    sha256, sha512 = hashlib.sha256(), hashlib.sha512()
    for piece in iter(lambda: part.read(_COPY_BYTES), b""):
        sha256.update(piece)
        sha512.update(piece)
    entry = RecordingEntry(
        file_name=f"{each.name}{encoded.suffix}",
        session=recording.session,
        phone=recording.phone,
        channel=1,
        sample_rate_hz=rate,
        n_frames=clip.n_frames,
        full_scale_v=recording.full_scale_v,
        input_ohms=recording.input_ohms,
        reviewed=clip.reviewed,
        audio_sha256=encoded.audio_sha256,
        file_sha256=sha256.hexdigest(),
        n_bytes=part.seek(0, os.SEEK_END),
        labels_name_phones=any(segment.phone for segment in clip.segments),
        origin=each.entry.origin,
        cut_from=_cut(each, plan.lowpass_hz),
    )
    return entry, sha512.hexdigest()


def _cut(each: Shared, lowpass_hz: float | None) -> Cut | None:
    """Return what the part was cut from, as far back as is known; None for a whole recording."""
    before, clip = each.entry.cut_from, each.clip
    if before is None:
        if clip.n_frames == each.recording.n_frames and lowpass_hz is None:
            return None
        return Cut(each.recording.audio_sha256, clip.start, lowpass_hz)
    edges = [edge for edge in (before.lowpass_hz, lowpass_hz) if edge is not None]
    return Cut(before.audio_sha256, before.start_frame + clip.start, min(edges, default=None))


def _pack_property(plan: PackPlan) -> dict[str, Any]:
    return {
        "format": PACK_FORMAT,
        "maker": plan.maker,
        "spdx": plan.own_spdx,
        "roles": plan.roles,
        "call_gap_s": plan.day.call_gap_s,
        "grace_s": plan.day.grace_s,
        "margin_before_s": plan.margins.before_s,
        "margin_after_s": plan.margins.after_s,
        "lowpass_hz": plan.lowpass_hz,
    }


def _readme(plan: PackPlan, entries: Iterable[RecordingEntry]) -> str:
    """Return the text for a person who opens the pack by hand."""
    rows = [
        f"  {entry.file_name}: session {entry.session}, {entry.n_frames / entry.sample_rate_hz:.3f} s at "
        f"{entry.sample_rate_hz} Hz, {len(each.clip.segments)} segments, licence {each.spdx}"
        + (f", recorded by {entry.origin.maker}" if entry.origin is not None else "")
        for each, entry in zip(plan.shared, entries, strict=True)
    ]
    filtered = (
        f"The audio has passed a low-pass filter at {plan.lowpass_hz:g} Hz: levels of a detector differ.\n"
        if plan.lowpass_hz is not None
        else "The samples are those of the recordings, bit for bit.\n"
    )
    return (
        "Recordings of a vibration pickup, with labels\n"
        "=============================================\n\n"
        f"Maker: {plan.maker or 'not named'}\n"
        f"Licence: {plan.spdx} (https://spdx.org/licenses/)\n\n"
        + "\n".join(rows)
        + "\n\n"
        + filtered
        + "\ndata/datapackage.json describes every file (Data Package, version 2). data/labels has a table\n"
        "for each recording: start_s,end_s,label,note in seconds from the recording's start. Only spans\n"
        'that datapackage.json calls "reviewed" are completely labelled; the rest is there so that a\n'
        "detector can settle. A part of a longer recording says where in it it begins (cut_from).\n\n"
        "To check that all is as it was sent: sha512sum -c manifest-sha512.txt tagmanifest-sha512.txt\n"
        "To add it to a dataset: evalkit unpack THIS.zip DATASET\n\n"
        "Pickups can hear speech. If you hear somebody in it who may not have agreed, tell the maker and do\n"
        "not pass it on.\n"
    )


def _whole(data: bytes) -> Callable[[], Iterable[bytes]]:
    return lambda: (data,)


def _slice(spool: BinaryIO, at: int, size: int) -> Callable[[], Iterable[bytes]]:
    """Return a reader of a part of the spool."""

    def read() -> Iterator[bytes]:
        spool.seek(at)
        left = size
        while left and (piece := spool.read(min(_COPY_BYTES, left))):
            left -= len(piece)
            yield piece

    return read


def _compare(out: Path, members: Sequence[Member]) -> None:
    """Refuse to write over a file unless it is the very pack that would be written."""
    if not out.is_file():
        raise FileFault(f"{out}: cannot be written: it is a folder, or not a regular file")
    with tempfile.TemporaryFile(dir=out.parent) as fresh, out.open("rb") as there:
        write_archive(fresh, members)
        fresh.seek(0)
        while True:
            ours, theirs = fresh.read(_COPY_BYTES), there.read(_COPY_BYTES)
            if ours != theirs:
                raise FileFault(f"{out}: is there already and holds something else; name another file")
            if not ours:
                return
