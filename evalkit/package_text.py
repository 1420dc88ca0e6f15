"""`datapackage.json` as text: from its bytes to values and back.

The file follows the Data Package standard, version 2, so that other programs
can list and check what is in a dataset. What evalkit does not know in it
(a description, contributors, more resources) is kept as it is.
"""

import json
import math
import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path, PurePosixPath
from typing import Any, TypeVar

from evalkit.entries import LABELS_FOLDER, RECORDINGS_FOLDER, Descriptor, RecordingEntry
from evalkit.errors import FileFault
from evalkit.names import check_name, name_key
from evalkit.origin import Cut, Origin
from evalkit.spans import Span, merge_spans

__all__ = ["format_descriptor", "label_table_resource", "parse_descriptor", "resource_name"]

_PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
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

_Part = TypeVar("_Part", Origin, Cut)


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
        if isinstance(where, str) and where.startswith(f"{RECORDINGS_FOLDER}/"):
            audio.append((number, resource))
        elif isinstance(where, str) and where.startswith(f"{LABELS_FOLDER}/"):
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
        name=name if isinstance(name, str) else resource_name(default_title),
        title=title if isinstance(title, str) else default_title,
        spdx=spdx,
        entries=tuple(entries),
        extra=_without(package, {"name", "title", "spdx", "resources"}),
        other_resources=tuple(others),
    )


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
    document = {**head, **package, "resources": resources}
    try:
        text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)
        return (text + "\n").encode("utf-8")
    except UnicodeEncodeError:
        # Half a surrogate pair, which only an escape can write.
        return (json.dumps(document, indent=2, ensure_ascii=True, allow_nan=False) + "\n").encode("ascii")


def _parse_json(data: bytes, path: Path) -> dict[str, Any]:
    def refuse(constant: str) -> None:
        raise ValueError(f"{constant} is not a number of JSON")

    def finite(number: str) -> float:
        value = float(number)
        if not math.isfinite(value):
            raise ValueError(f"{number[:40]} is more than any number can be")
        return value

    try:
        package = json.loads(data.decode("utf-8"), parse_constant=refuse, parse_float=finite)
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
        file_name = path.removeprefix(f"{RECORDINGS_FOLDER}/")
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
        table = labels.get(f"{LABELS_FOLDER}/{PurePosixPath(file_name).stem}.csv", {})
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
        "name": _free_name("recording-" + resource_name(entry.name), taken),
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
        "name": _free_name("labels-" + resource_name(entry.name), taken),
        **entry.labels_extra,
    }
    return [audio, labels]


def label_table_resource(path: str, *, title: str, with_phone: bool) -> dict[str, Any]:
    """Return the resource of a label table, named after its path."""
    return {
        "name": resource_name(path.removesuffix(".csv").replace("/", "-")),
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


def resource_name(text: str) -> str:
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
