"""`datapackage.json` of a dataset: the standard's properties and ours, read and written.

The file follows the Data Package standard, version 2, so that other programs
can list and check what is in a dataset. What evalkit does not know in it
(a description, contributors, more resources) is kept as it is.
"""

import difflib
import json
import math
import re
import unicodedata
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import Any, Protocol, TypeVar

from evalkit.durable import dataset_lock, write_bytes
from evalkit.errors import FileFault, WrongUse
from evalkit.names import check_name, name_key
from evalkit.origin import Cut, Origin
from evalkit.spans import Span, merge_spans

__all__ = [
    "DESCRIPTOR_NAME",
    "Descriptor",
    "RecordingEntry",
    "format_descriptor",
    "label_table_resource",
    "locked_descriptor",
    "new_descriptor",
    "parse_descriptor",
    "pick_named",
    "read_descriptor",
    "write_descriptor",
]

DESCRIPTOR_NAME = "datapackage.json"
"""The file's name, fixed by the standard."""

_PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
_RECORDINGS = "recordings"
_LABELS = "labels"
# Identifiers of the Open Definition's licence list for the SPDX identifiers of licences that suit
# data (both from memory; the list is at licenses.opendefinition.org).
_OPEN_LICENCES = {
    "CC0-1.0": ("CC0-1.0", "https://creativecommons.org/publicdomain/zero/1.0/"),
    "CC-BY-4.0": ("CC-BY-4.0", "https://creativecommons.org/licenses/by/4.0/"),
    "CC-BY-SA-4.0": ("CC-BY-SA-4.0", "https://creativecommons.org/licenses/by-sa/4.0/"),
    "ODC-By-1.0": ("ODC-BY-1.0", "https://opendatacommons.org/licenses/by/1-0/"),
    "ODbL-1.0": ("ODbL-1.0", "https://opendatacommons.org/licenses/odbl/1-0/"),
    "PDDL-1.0": ("ODC-PDDL-1.0", "https://opendatacommons.org/licenses/pddl/1-0/"),
}
_MEDIA_TYPES = {
    ".wav": "audio/vnd.wave",
    ".flac": "audio/flac",
    ".ogg": "audio/ogg",
    ".mp3": "audio/mpeg",
    ".aif": "audio/aiff",
    ".aiff": "audio/aiff",
}
# What evalkit writes into the resource of a recording and of a label table; all else is kept as it is.
_LABELS_KEYS = frozenset({"name", "title", "path", "type", "format", "mediatype", "encoding", "schema"})
_AUDIO_KEYS = frozenset({"name", "title", "path", "format", "mediatype", "bytes", "hash", "reviewed"}) | {
    *(
        "session",
        "phone",
        "channel",
        "sample_rate_hz",
        "n_frames",
        "full_scale_v",
        "input_ohms",
        "audio_sha256",
        "origin",
        "cut_from",
    )
}
# Whole numbers of JSON have no bounds, those of other programs end here.
_MOST = 2**53
_SHA256 = re.compile(r"[0-9a-f]{64}")


class _HasName(Protocol):
    @property
    def name(self) -> str: ...


_Named = TypeVar("_Named", bound=_HasName)
_Part = TypeVar("_Part", Origin, Cut)


@dataclass(frozen=True)
class RecordingEntry:
    """One recording as the descriptor tells of it."""

    file_name: str
    """Name of the audio file in ``recordings/``; its stem names the recording."""
    session: str
    phone: str
    """Empty if unknown."""
    channel: int
    """Counts from 1."""
    sample_rate_hz: int
    n_frames: int
    full_scale_v: float | None
    input_ohms: float | None
    reviewed: tuple[Span, ...]
    audio_sha256: str
    file_sha256: str
    n_bytes: int
    labels_name_phones: bool = False
    """Whether the label table has the column ``phone``."""
    origin: Origin | None = None
    """The pack that brought it; None: it is the dataset's own."""
    cut_from: Cut | None = None
    """The longer audio that it was cut from, as its pack tells."""
    audio_extra: Mapping[str, Any] = field(default_factory=dict, compare=False)
    """Properties of the recording's resource that evalkit does not know."""
    labels_extra: Mapping[str, Any] = field(default_factory=dict, compare=False)
    """Properties of the label table's resource that evalkit does not know."""

    @property
    def name(self) -> str:
        """Name of the recording."""
        return PurePosixPath(self.file_name).stem

    @property
    def maker(self) -> str | None:
        """Who made it; None: whoever the dataset belongs to."""
        return None if self.origin is None else self.origin.maker

    @property
    def audio_path(self) -> str:
        """Where the audio is, from the dataset's folder."""
        return f"{_RECORDINGS}/{self.file_name}"

    @property
    def labels_path(self) -> str:
        """Where the label table is, from the dataset's folder."""
        return f"{_LABELS}/{self.name}.csv"


@dataclass(frozen=True)
class Descriptor:
    """What `datapackage.json` says."""

    name: str
    """Name of the package: lower-case letters, digits, point, hyphen, underscore."""
    title: str
    spdx: str | None
    """SPDX identifier of the licence."""
    entries: tuple[RecordingEntry, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict, compare=False)
    """Properties of the package that evalkit does not know."""
    other_resources: tuple[Mapping[str, Any], ...] = field(default=(), compare=False)
    """Resources that are neither recordings nor label tables, `board.toml` and `day.toml` among them."""

    def entry(self, name: str) -> RecordingEntry:
        """Return the recording of that name; WrongUse if there is none."""
        return pick_named(self.entries, name)

    def with_entry(self, entry: RecordingEntry) -> "Descriptor":
        """Return the same with one recording told anew."""
        entries = tuple(entry if each.name == entry.name else each for each in self.entries)
        return replace(self, entries=entries)


def read_descriptor(folder: Path) -> Descriptor:
    """Return what a dataset's `datapackage.json` says.

    Raises
    ------
    FileFault
        If there is none or it is wrong: all faults together, each with its
        place.
    """
    path = folder / DESCRIPTOR_NAME
    try:
        data = path.read_bytes()
    except FileNotFoundError as error:
        raise FileFault(
            f"{path}: no such file, so {path.parent} is not a dataset; `evalkit new` makes one"
        ) from error
    except NotADirectoryError as error:
        raise FileFault(f"{path.parent}: is not a folder, so it is not a dataset") from error
    except OSError as error:
        raise FileFault(f"{path}: cannot be read: {error.strerror or error}") from error
    return parse_descriptor(data, path=path, default_title=folder.resolve().name)


def parse_descriptor(data: bytes, *, path: Path, default_title: str) -> Descriptor:
    """Return what the bytes of a `datapackage.json` say.

    Parameters
    ----------
    data : bytes
    path : Path
        Named in messages only.
    default_title : str
        Title of a package that has none.

    Raises
    ------
    FileFault
        For all faults together, each with its place.
    """
    package = _parse_json(data, path)
    reader = _Reader()
    resources = package.get("resources")
    if not isinstance(resources, list) or not all(isinstance(resource, dict) for resource in resources):
        raise FileFault(f"{path}: resources must be a list of objects")
    audio: list[tuple[int, Mapping[str, Any]]] = []
    labels: dict[str, Mapping[str, Any]] = {}
    others: list[Mapping[str, Any]] = []
    for number, resource in enumerate(resources):
        where = resource.get("path")
        if isinstance(where, str) and where.startswith(f"{_RECORDINGS}/"):
            audio.append((number, resource))
        elif isinstance(where, str) and where.startswith(f"{_LABELS}/"):
            labels[where] = resource
        else:
            others.append(resource)
    entries = [entry for number, resource in audio if (entry := reader.entry(number, resource, labels))]
    seen: dict[str, str] = {}
    for entry in entries:
        if name_key(entry.name) in seen:
            reader.faults.append(f"{entry.audio_path} and {seen[name_key(entry.name)]} have one name")
        seen[name_key(entry.name)] = entry.audio_path
    name, title = package.get("name"), package.get("title")
    spdx = package.get("spdx")
    if spdx is not None and not isinstance(spdx, str):
        reader.faults.append("spdx must be a licence's identifier")
    if reader.faults:
        lines = [f"{path}: {fault}" for fault in reader.faults]
        raise FileFault(
            lines[0] if len(lines) == 1 else f"{path}: {len(lines)} faults", details=lines[1:] and lines
        )
    known_labels = {entry.labels_path for entry in entries}
    others.extend(resource for where, resource in labels.items() if where not in known_labels)
    return Descriptor(
        name=name if isinstance(name, str) else _slug(default_title),
        title=title if isinstance(title, str) else default_title,
        spdx=spdx,
        entries=tuple(entries),
        extra=_without(package, {"name", "title", "spdx", "resources"}),
        other_resources=tuple(others),
    )


@contextmanager
def locked_descriptor(folder: Path) -> Iterator[Descriptor]:
    """Hold the dataset's lock and give what its `datapackage.json` says.

    Raises
    ------
    FileFault
        If `folder` is no dataset; nothing is made in it then.
    Busy
        If another program holds the lock.
    """
    read_descriptor(folder)
    with dataset_lock(folder):
        # Read again: another program may have written since, up to the moment that we held the lock.
        yield read_descriptor(folder)


def write_descriptor(folder: Path, descriptor: Descriptor) -> None:
    """Write `datapackage.json`, atomically; the caller holds the dataset's lock."""
    write_bytes(folder / DESCRIPTOR_NAME, format_descriptor(descriptor))


def format_descriptor(descriptor: Descriptor) -> bytes:
    """Return the bytes of the `datapackage.json` that says so."""
    package = dict(descriptor.extra)
    package.setdefault("$schema", _PROFILE)
    head: dict[str, Any] = {
        "$schema": package.pop("$schema"),
        "name": descriptor.name,
        "title": descriptor.title,
    }
    if descriptor.spdx is not None:
        head["spdx"] = descriptor.spdx
        if descriptor.spdx in _OPEN_LICENCES:
            name, address = _OPEN_LICENCES[descriptor.spdx]
            package.setdefault("licenses", [{"name": name, "path": address}])
    resources = [dict(resource) for resource in descriptor.other_resources]
    taken = {resource.get("name") for resource in resources}
    for entry in sorted(descriptor.entries, key=lambda entry: entry.name):
        resources.extend(_resources_of(entry, taken))
    text = json.dumps(
        {**head, **package, "resources": resources}, indent=2, ensure_ascii=False, allow_nan=False
    )
    return (text + "\n").encode("utf-8")


def new_descriptor(title: str, *, spdx: str | None) -> Descriptor:
    """Return the descriptor of a dataset without recordings."""
    files = (
        {"name": "board", "path": "board.toml", "title": "The circuit", "mediatype": "application/toml"},
        {"name": "day", "path": "day.toml", "title": "The day's exposure", "mediatype": "application/toml"},
    )
    return Descriptor(_slug(title), title, spdx, other_resources=files)


def pick_named(candidates: Sequence[_Named], name: str) -> _Named:
    """Return the recording of that name.

    Raises
    ------
    WrongUse
        If there is none, with the name that may have been meant.
    """
    names = [candidate.name for candidate in candidates]
    if name in names:
        return candidates[names.index(name)]
    if not names:
        raise WrongUse(f"no recording {name!r}: the dataset has none yet")
    near = difflib.get_close_matches(name, names, n=1)
    hint = f"did you mean {near[0]!r}?" if near else f"the dataset's {len(names)} have other names"
    raise WrongUse(f"no recording {name!r}; {hint}")


def _parse_json(data: bytes, path: Path) -> dict[str, Any]:
    def refuse(constant: str) -> None:
        raise ValueError(f"{constant} is not a number of JSON")

    try:
        package = json.loads(data.decode("utf-8"), parse_constant=refuse)
    except UnicodeDecodeError as error:
        raise FileFault(f"{path}: not UTF-8 text") from error
    except (ValueError, RecursionError) as error:
        raise FileFault(f"{path}: not JSON: {error}") from error
    if not isinstance(package, dict):
        raise FileFault(f"{path}: must hold one JSON object")
    return package


class _Reader:
    """Takes recordings out of the descriptor's resources and collects the faults on the way."""

    def __init__(self) -> None:
        self.faults: list[str] = []

    def entry(
        self, number: int, resource: Mapping[str, Any], labels: Mapping[str, Mapping[str, Any]]
    ) -> RecordingEntry | None:
        path = resource["path"]
        place = f"resources[{number}] ({path})"
        before = len(self.faults)
        file_name = path.removeprefix(f"{_RECORDINGS}/")
        try:
            check_name(file_name, "file name")
            check_name(PurePosixPath(file_name).stem, "recording's name")
        except ValueError as error:
            self.faults.append(f"{place}: {error}")
        rate = self._whole(place, resource, "sample_rate_hz")
        frames = self._whole(place, resource, "n_frames")
        entry_session = self._name(place, resource, "session")
        phone = self._name(place, resource, "phone", may_be_missing=True)
        channel = self._whole(place, resource, "channel")
        full_scale_v = self._positive(place, resource, "full_scale_v")
        input_ohms = self._positive(place, resource, "input_ohms")
        sha256 = resource.get("audio_sha256")
        if not isinstance(sha256, str) or not _SHA256.fullmatch(sha256):
            self.faults.append(f"{place}: audio_sha256 must be 64 hexadecimal digits")
        file_hash = resource.get("hash")
        if not isinstance(file_hash, str) or not _SHA256.fullmatch(file_hash.removeprefix("sha256:")):
            self.faults.append(f"{place}: hash must be sha256: and 64 hexadecimal digits")
        n_bytes = self._whole(place, resource, "bytes")
        origin = self._part(place, resource, "origin", Origin.of_json)
        cut_from = self._part(place, resource, "cut_from", Cut.of_json)
        reviewed = self._reviewed(place, resource, (frames + 0.5) / rate if rate and frames else math.inf)
        if len(self.faults) > before:
            return None
        table = labels.get(f"{_LABELS}/{PurePosixPath(file_name).stem}.csv", {})
        return RecordingEntry(
            file_name=file_name,
            session=entry_session,
            phone=phone,
            channel=channel,
            sample_rate_hz=rate,
            n_frames=frames,
            full_scale_v=full_scale_v,
            input_ohms=input_ohms,
            reviewed=reviewed,
            audio_sha256=str(sha256),
            file_sha256=str(file_hash).removeprefix("sha256:"),
            n_bytes=n_bytes,
            labels_name_phones=_names_phones(table),
            origin=origin,
            cut_from=cut_from,
            audio_extra=_without(resource, _AUDIO_KEYS),
            labels_extra=_without(table, _LABELS_KEYS),
        )

    def _part(
        self, place: str, resource: Mapping[str, Any], key: str, read: Callable[[object], _Part]
    ) -> _Part | None:
        value = resource.get(key)
        try:
            return None if value is None else read(value)
        except ValueError as error:
            self.faults.append(f"{place}: {key}: {error}")
            return None

    def _whole(self, place: str, resource: Mapping[str, Any], key: str) -> int:
        value = resource.get(key)
        if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value < _MOST:
            self.faults.append(f"{place}: {key} must be a whole number of at least 1, not {value!r}")
            return 0
        return value

    def _name(
        self, place: str, resource: Mapping[str, Any], key: str, *, may_be_missing: bool = False
    ) -> str:
        value = resource.get(key)
        if value is None and may_be_missing:
            return ""
        if not isinstance(value, str):
            self.faults.append(f"{place}: {key} must be a name, not {value!r}")
            return ""
        try:
            check_name(value, key)
        except ValueError as error:
            self.faults.append(f"{place}: {error}")
        return value

    def _positive(self, place: str, resource: Mapping[str, Any], key: str) -> float | None:
        value = resource.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < _MOST:
            self.faults.append(f"{place}: {key} must be a number above 0 or null, not {value!r}")
            return None
        return float(value)

    def _reviewed(self, place: str, resource: Mapping[str, Any], longest_s: float) -> tuple[Span, ...]:
        value = resource.get("reviewed", [])
        spans: list[Span] = []
        for pair in value if isinstance(value, list) else [value]:
            numbers = pair if isinstance(pair, list) else []
            if len(numbers) != 2 or any(
                isinstance(number, bool) or not isinstance(number, int | float) or abs(number) > _MOST
                for number in numbers
            ):
                self.faults.append(
                    f"{place}: reviewed must be a list of [start, end] in seconds, not {pair!r}"
                )
            elif not 0 <= numbers[0] < numbers[1] <= longest_s:
                self.faults.append(
                    f"{place}: reviewed {numbers[0]:g}-{numbers[1]:g} is no span within the recording"
                )
            else:
                spans.append(Span(float(numbers[0]), float(numbers[1])))
        return merge_spans(spans)


def _resources_of(entry: RecordingEntry, taken: set[Any]) -> list[dict[str, Any]]:
    """Return the resources of a recording and its label table, under names not yet taken."""
    suffix = PurePosixPath(entry.file_name).suffix
    audio: dict[str, Any] = {
        "name": _free_name("recording-" + _slug(entry.name), taken),
        "title": entry.name,
        "path": entry.audio_path,
        "format": suffix.removeprefix(".").lower(),
        "mediatype": _MEDIA_TYPES.get(suffix.lower(), "application/octet-stream"),
        "bytes": entry.n_bytes,
        "hash": f"sha256:{entry.file_sha256}",
        "session": entry.session,
        "phone": entry.phone or None,
        "channel": entry.channel,
        "sample_rate_hz": entry.sample_rate_hz,
        "n_frames": entry.n_frames,
        "full_scale_v": entry.full_scale_v,
        "input_ohms": entry.input_ohms,
        "audio_sha256": entry.audio_sha256,
        "reviewed": [[span.start_s, span.end_s] for span in entry.reviewed],
        **({} if entry.origin is None else {"origin": entry.origin.to_json()}),
        **({} if entry.cut_from is None else {"cut_from": entry.cut_from.to_json()}),
        **entry.audio_extra,
    }
    # No size and no hash here: a person may edit the table with any program.
    labels: dict[str, Any] = {
        **label_table_resource(
            entry.labels_path, title=f"Labels of {entry.name}", with_phone=entry.labels_name_phones
        ),
        "name": _free_name("labels-" + _slug(entry.name), taken),
        **entry.labels_extra,
    }
    return [audio, labels]


def label_table_resource(path: str, *, title: str, with_phone: bool) -> dict[str, Any]:
    """Return the resource of a label table, named after its path."""
    return {
        "name": _slug(path.removesuffix(".csv").replace("/", "-")),
        "title": title,
        "path": path,
        "type": "table",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "schema": _table_schema(with_phone),
    }


def _table_schema(with_phone: bool) -> dict[str, Any]:
    time = {"type": "number", "constraints": {"required": True, "minimum": 0}}
    fields: list[dict[str, Any]] = [
        {"name": "start_s", "title": "Start", "description": "Seconds from the recording's start", **time},
        {"name": "end_s", "title": "End", "description": "First instant after the segment, seconds", **time},
        {"name": "label", "type": "string", "constraints": {"required": True}},
        {"name": "note", "type": "string"},
    ]
    if with_phone:
        fields.append({"name": "phone", "type": "string", "description": "Which phone rang"})
    return {"fields": fields}


def _names_phones(table: Mapping[str, Any]) -> bool:
    schema = table.get("schema")
    fields = schema.get("fields") if isinstance(schema, dict) else None
    return isinstance(fields, list) and any(
        isinstance(column, dict) and column.get("name") == "phone" for column in fields
    )


def _slug(text: str) -> str:
    """Return a resource name made of the characters that the standard recommends."""
    ascii_text = unicodedata.normalize("NFKD", text.lower()).encode("ascii", "ignore").decode("ascii")
    return re.sub(r"[^a-z0-9._-]+", "-", ascii_text).strip("-") or "unnamed"


def _free_name(wanted: str, taken: set[Any]) -> str:
    name = wanted
    number = 2
    while name in taken:
        name = f"{wanted}-{number}"
        number += 1
    taken.add(name)
    return name


def _without(table: Mapping[str, Any], keys: Sequence[str] | set[str] | frozenset[str]) -> dict[str, Any]:
    return {key: value for key, value in table.items() if key not in keys}
