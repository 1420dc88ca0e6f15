"""Packs made for tests: good ones, and good ones altered so that only one thing is wrong with them."""

import hashlib
import json
import stat
import struct
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from evalkit.dataset import create_dataset, import_recordings, read_dataset
from evalkit.pack_plan import plan_pack
from evalkit.packs import write_pack
from evalkit.segments import Segment, format_segments
from evalkit.spans import ALL_TIME

RATE_HZ = 8_000


def small_dataset(folder: Path, *, seconds: float = 3.0, spdx: str | None = "CC-BY-4.0") -> Path:
    """Make a dataset of two short recordings, wholly reviewed."""
    incoming = folder.parent / f"incoming-{folder.name}"
    incoming.mkdir(parents=True)
    create_dataset(folder, spdx=spdx)
    rng = np.random.default_rng(7)
    for name in ("bench", "lid"):
        samples = 0.05 * rng.standard_normal(round(seconds * RATE_HZ))
        soundfile.write(incoming / f"{name}.wav", samples, RATE_HZ, subtype="PCM_16")
        labels = [Segment(0.5, 0.6, "tap", "mallet"), Segment(1.2, 2.2, "ring")]
        (incoming / f"{name}.csv").write_text(format_segments(labels), encoding="utf-8")
        import_recordings(
            folder,
            [incoming / f"{name}.wav"],
            session=name,
            full_scale_v=1.0,
            labels=incoming / f"{name}.csv",
            reviewed=ALL_TIME,
        )
    return folder


def pack_of(dataset: Path, out: Path, *, maker: str | None = "Ada") -> Path:
    """Pack a dataset."""
    write_pack(plan_pack(read_dataset(dataset), maker=maker), out)
    return out


@dataclass
class Parts:
    """A pack taken apart: its top folder, its payload, and tag files that override what fits the payload."""

    top: str
    payload: dict[str, bytes]
    overrides: dict[str, bytes | None] = field(default_factory=dict)
    """Tag files to write as they are here; None leaves one out."""

    @property
    def document(self) -> dict[str, Any]:
        """The pack's `datapackage.json`."""
        found: dict[str, Any] = json.loads(self.payload["datapackage.json"])
        return found

    def edit(self, change: Callable[[dict[str, Any]], object]) -> None:
        """Change `datapackage.json`."""
        document = self.document
        change(document)
        self.payload["datapackage.json"] = json.dumps(document).encode()

    def recording(self, change: Callable[[dict[str, Any]], object], number: int = 0) -> None:
        """Change the resource of a recording."""
        self.edit(lambda document: change(audio_of(document)[number]))

    def replace_audio(self, name: str, content: bytes, **told: object) -> None:
        """Put other bytes under an audio file's name and let the descriptor tell of them."""
        self.payload[name] = content

        def change(document: dict[str, Any]) -> None:
            for resource in audio_of(document):
                if resource["path"] == name:
                    resource["hash"] = f"sha256:{hashlib.sha256(content).hexdigest()}"
                    resource["bytes"] = len(content)
                    resource.update(told)

        self.edit(change)

    def files(self) -> dict[str, bytes]:
        """Return every file with manifests that fit, but for the overrides."""
        carried = {f"data/{name}": content for name, content in self.payload.items()}
        size = sum(map(len, carried.values()))
        tags: dict[str, bytes] = {
            "README.txt": b"a pack\n",
            "bag-info.txt": f"Payload-Oxum: {size}.{len(carried)}\n".encode(),
            "bagit.txt": b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
            "manifest-sha512.txt": manifest(carried),
        }
        tags.update({name: content for name, content in self.overrides.items() if content is not None})
        tags = {name: content for name, content in tags.items() if self.overrides.get(name, b"") is not None}
        if "tagmanifest-sha512.txt" not in self.overrides:
            tags["tagmanifest-sha512.txt"] = manifest(tags)
        return {f"{self.top}/{name}": content for name, content in {**carried, **tags}.items()}

    def write(self, path: Path, compression: int = zipfile.ZIP_STORED) -> Path:
        """Write the pack."""
        return write_zip(path, self.files(), compression)


def take_apart(pack: Path) -> Parts:
    """Return a pack's payload."""
    with zipfile.ZipFile(pack) as archive:
        names = archive.namelist()
        top = names[0].partition("/")[0]
        payload = {
            name.removeprefix(f"{top}/data/"): archive.read(name)
            for name in names
            if name.startswith(f"{top}/data/")
        }
    return Parts(top, payload)


def audio_of(document: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the resources of the recordings."""
    return [each for each in document["resources"] if each["path"].startswith("recordings/")]


def manifest(files: Mapping[str, bytes]) -> bytes:
    """Return the SHA-512 manifest of files."""
    lines = [f"{hashlib.sha512(content).hexdigest()}  {name}\n" for name, content in sorted(files.items())]
    return "".join(lines).encode()


def write_zip(path: Path, files: Mapping[str, bytes], compression: int = zipfile.ZIP_STORED) -> Path:
    """Write a zip file as any program might."""
    with zipfile.ZipFile(path, "w", compression) as archive:
        for name, content in files.items():
            archive.writestr(entry_of(name), content, compression)
    return path


def entry_of(name: str, kind: int = stat.S_IFREG) -> zipfile.ZipInfo:
    """Return the entry of a member, of any kind of file."""
    info = zipfile.ZipInfo(name, (2020, 2, 2, 2, 2, 2))
    info.create_system = 3
    info.external_attr = (kind | 0o644) << 16
    return info


def raw_zip(entries: list[tuple[bytes, bytes]]) -> bytes:
    """Return a zip file with names of any bytes, which no zip library would write."""
    import zlib

    body, directory = b"", b""
    for name, content in entries:
        crc, size = zlib.crc32(content), len(content)
        common = struct.pack("<HHHHHIIIHH", 20, 0x800, 0, 0, 0x21, crc, size, size, len(name), 0)
        directory += b"PK\1\2" + struct.pack("<H", 0x314) + common
        directory += struct.pack("<HHHII", 0, 0, 0, (stat.S_IFREG | 0o644) << 16, len(body)) + name
        body += b"PK\3\4" + common + name + content
    end = struct.pack("<HHHHIIH", 0, 0, len(entries), len(entries), len(directory), len(body), 0)
    return body + directory + b"PK\5\6" + end
