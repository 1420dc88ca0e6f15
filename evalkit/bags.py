"""BagIt 1.0 (RFC 8493): the files that say what is in a bag, and the proof that all of it is there."""

import hashlib
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from evalkit.archive import Archive
from evalkit.errors import FileFault

__all__ = ["PAYLOAD", "Bag", "Payload", "bag_tags", "verify_bag"]

PAYLOAD = "data"
"""Folder of a bag for what it carries."""

_DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
_DECLARATION_FILE = "bagit.txt"
_INFO_FILE = "bag-info.txt"
_MANIFEST_FILE = "manifest-sha512.txt"
_TAG_MANIFEST_FILE = "tagmanifest-sha512.txt"
_README_FILE = "README.txt"
_TAG_FILES = frozenset({_DECLARATION_FILE, _INFO_FILE, _MANIFEST_FILE, _TAG_MANIFEST_FILE, _README_FILE})
# Two blanks, as the programs that check such lists by themselves want it.
_LINE = re.compile(r"([0-9a-fA-F]{128})[ \t]+\*?([^\r\n]+)")
_OXUM = re.compile(r"^Payload-Oxum:[ \t]*(\d{1,18})\.(\d{1,18})[ \t]*$", re.MULTILINE)
_MOST_TAG_BYTES = 8 << 20
_MOST_FAULTS = 50


@dataclass(frozen=True)
class Payload:
    """What a manifest must say of one file of the payload."""

    size: int
    sha512: str


@dataclass(frozen=True)
class Bag:
    """A bag that is complete and whose every file is what its manifests say."""

    top: str
    """The folder that holds all of it."""
    payload: Mapping[str, Payload]
    """By path below the payload's folder."""
    sha512: str
    """The bag's own checksum: that of its tag manifest, which covers everything."""


def bag_tags(
    payload: Mapping[str, Payload], *, info: Sequence[tuple[str, str]], readme: str
) -> dict[str, bytes]:
    """Return the tag files of a bag by their names.

    Parameters
    ----------
    payload : mapping of str to Payload
        By path below the payload's folder.
    info : sequence of (str, str)
        Lines of `bag-info.txt`, after which its count of the payload follows.
    readme : str
        For whoever unpacks the bag by hand.
    """
    oxum = f"{sum(each.size for each in payload.values())}.{len(payload)}"
    lines = [f"{key}: {value}\n" for key, value in (*info, ("Payload-Oxum", oxum))]
    tags = {
        _README_FILE: readme.encode("utf-8"),
        _INFO_FILE: "".join(lines).encode("utf-8"),
        _DECLARATION_FILE: _DECLARATION,
        _MANIFEST_FILE: _manifest({f"{PAYLOAD}/{path}": each.sha512 for path, each in payload.items()}),
    }
    digests = {name: hashlib.sha512(content).hexdigest() for name, content in tags.items()}
    return {**tags, _TAG_MANIFEST_FILE: _manifest(digests)}


def verify_bag(archive: Archive, *, advance: Callable[[int], None] = lambda _: None) -> Bag:
    """Check that an archive is one bag, complete and valid, and that nothing else is in it.

    Parameters
    ----------
    archive : Archive
    advance : callable
        Called with the number of bytes of every piece that was read.

    Raises
    ------
    FileFault
        For whatever is missing, too much, or not what the manifests say: all
        of it together, each with its place.
    """
    tops = {name.partition("/")[0] for name in archive.sizes}
    if len(tops) != 1 or any("/" not in name for name in archive.sizes):
        raise FileFault(f"{archive.path}: is not a pack: it must hold one folder and nothing beside it")
    top = tops.pop()
    inside = {name.removeprefix(f"{top}/") for name in archive.sizes}

    def read(name: str) -> bytes:
        if name not in inside:
            raise FileFault(f"{archive.path}: is not a pack: {name} is missing")
        return archive.read(f"{top}/{name}", most_bytes=_MOST_TAG_BYTES)

    if read(_DECLARATION_FILE) != _DECLARATION:
        raise FileFault(f"{archive.path}: {_DECLARATION_FILE} is not that of BagIt 1.0 in UTF-8")
    if "fetch.txt" in inside:
        raise FileFault(f"{archive.path}: wants files from the network (fetch.txt); nothing is fetched")
    tag_manifest = read(_TAG_MANIFEST_FILE)
    tags = _parse_manifest(tag_manifest, _TAG_MANIFEST_FILE, archive)
    payload = _parse_manifest(read(_MANIFEST_FILE), _MANIFEST_FILE, archive)
    faults = _incomplete(inside, tags, payload)
    if not faults:
        oxum = _OXUM.search(read(_INFO_FILE).decode("utf-8", "replace"))
        told = (sum(archive.sizes[f"{top}/{path}"] for path in payload), len(payload))
        if oxum is not None and (int(oxum[1]), int(oxum[2])) != told:
            faults.append(f"{_INFO_FILE} counts {oxum[1]}.{oxum[2]}, there are {told[0]}.{told[1]}")
        for path, digest in {**tags, **payload}.items():
            if _digest(archive, f"{top}/{path}", advance) != digest:
                faults.append(f"{path} is not what its manifest says (SHA-512)")
    if faults:
        lines = [f"{archive.path}: {fault}" for fault in faults[:_MOST_FAULTS]]
        if len(faults) == 1:
            raise FileFault(lines[0])
        raise FileFault(f"{archive.path}: {len(faults)} faults, so it is not trusted", details=lines)
    return Bag(
        top,
        {
            path.removeprefix(f"{PAYLOAD}/"): Payload(archive.sizes[f"{top}/{path}"], digest)
            for path, digest in payload.items()
        },
        hashlib.sha512(tag_manifest).hexdigest(),
    )


def _manifest(digests: Mapping[str, str]) -> bytes:
    return "".join(f"{digests[path]}  {path}\n" for path in sorted(digests)).encode("utf-8")


def _parse_manifest(data: bytes, name: str, archive: Archive) -> dict[str, str]:
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise FileFault(f"{archive.path}: {name} is not UTF-8 text") from error
    found: dict[str, str] = {}
    for number, line in enumerate(text.replace("\r\n", "\n").removesuffix("\n").split("\n"), 1):
        match = _LINE.fullmatch(line)
        if match is None:
            raise FileFault(f"{archive.path}: {name}, line {number}: not a SHA-512 and a path")
        digest, path = match.groups()
        if path in found:
            raise FileFault(f"{archive.path}: {name}, line {number}: {path} is listed twice")
        found[path] = digest.lower()
    return found


def _incomplete(inside: set[str], tags: Mapping[str, str], payload: Mapping[str, str]) -> list[str]:
    """Return what is missing, not listed, or no part of a pack."""
    faults = [
        f"{path} is no part of a pack"
        for path in sorted(inside)
        if path not in _TAG_FILES and not path.startswith(f"{PAYLOAD}/")
    ]
    faults += [
        f"{path} is listed in {_MANIFEST_FILE} but missing" for path in sorted(payload.keys() - inside)
    ]
    faults += [
        f"{path} is listed in {_TAG_MANIFEST_FILE} but missing" for path in sorted(tags.keys() - inside)
    ]
    carried = {path for path in inside if path.startswith(f"{PAYLOAD}/")}
    faults += [f"{path} is in no manifest" for path in sorted(carried - payload.keys())]
    # RFC 8493 lets a tag manifest leave tag files out; then nobody would know that one was changed.
    faults += [
        f"{path} is not in {_TAG_MANIFEST_FILE}"
        for path in sorted((_TAG_FILES & inside) - tags.keys() - {_TAG_MANIFEST_FILE})
    ]
    faults += [
        f"{path} is listed in the wrong manifest" for path in sorted(payload.keys() - carried & inside)
    ]
    faults += [f"{path} is listed in the wrong manifest" for path in sorted(tags.keys() - _TAG_FILES)]
    if _INFO_FILE not in inside:
        faults.append(f"{_INFO_FILE} is missing")
    return faults


def _digest(archive: Archive, name: str, advance: Callable[[int], None]) -> str:
    digest = hashlib.sha512()
    for piece in archive.pieces(name):
        digest.update(piece)
        advance(len(piece))
    return digest.hexdigest()
