"""Files made by an enemy: each is refused or harmless, in one clear line, and the dataset stays as it was.

To add a case, add a line to PACKS (a pack, given to ``unpack``) or to FILES (a file, given to
``import`` or ``segments import``): its name, how it is made, and what the one line must say; or, where
it must be taken and do no harm, what must have become of it. What fuzzing has found is in
``tests/fixtures/found``, and every file there is a case of its own.
"""

import json
import re
import stat
import struct
import unicodedata
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from evalkit.cli import main
from evalkit.dataset import read_dataset
from evalkit.labelling import segments_of
from evalkit.names import visible
from evalkit.segments import Segment

from .benchmarks.fuzz import TARGETS, try_input
from .pack_tools import (
    Parts,
    audio_of,
    entry_of,
    manifest,
    pack_of,
    raw_zip,
    small_dataset,
    take_apart,
    write_zip,
)
from .test_dataset import contents

FOUND = Path(__file__).parent / "fixtures" / "found"
HEADER = "start_s,end_s,label,note\n"
CONTROL = re.compile(
    r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u200b\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff]"
)

Make = Callable[[Parts, Path], Path]


@dataclass(frozen=True)
class Case:
    """One hostile file."""

    name: str
    make: Make
    """Writes it, given a good pack taken apart and a path, and returns where."""
    says: str
    """A regular expression that the one line must match; empty: it is taken and does no harm."""
    options: tuple[str, ...] = ()


def altered(change: Callable[[Parts], object]) -> Make:
    """Change a pack whose manifests fit afterwards: only what is changed is wrong."""

    def make(parts: Parts, path: Path) -> Path:
        change(parts)
        return parts.write(path)

    return make


def described(change: Callable[[dict[str, Any]], object]) -> Make:
    """Change what the descriptor says of a recording."""
    return altered(lambda parts: parts.recording(change))


def told(key: str, value: object) -> Make:
    """Set a property of a recording."""
    return described(lambda resource: resource.update({key: value}))


def headed(key: str, value: object) -> Make:
    """Set a property of the pack."""
    return altered(lambda parts: parts.edit(lambda document: document["pack"].update({key: value})))


def labelled(*rows: str, header: str = HEADER) -> Make:
    """Give a recording of the pack other label rows."""
    text = header + "".join(f"{row}\n" for row in rows)
    return altered(
        lambda parts: parts.payload.update({"labels/bench.csv": text.encode("utf-8", "surrogatepass")})
    )


def beside(name: str, content: bytes = b"x", kind: int = stat.S_IFREG) -> Make:
    """Add a member to the zip file."""

    def make(parts: Parts, path: Path) -> Path:
        files = parts.files()
        with zipfile.ZipFile(path, "w") as archive:
            for each, data in files.items():
                archive.writestr(entry_of(each), data)
            archive.writestr(entry_of(name.replace("TOP", parts.top), kind), content)
        return path

    return make


def raw(change: Callable[[list[tuple[bytes, bytes]]], object]) -> Make:
    """Write the zip file byte by byte, so that names can be anything."""

    def make(parts: Parts, path: Path) -> Path:
        entries = [(name.encode(), content) for name, content in parts.files().items()]
        change(entries)
        path.write_bytes(raw_zip(entries))
        return path

    return make


def named(name: bytes) -> Make:
    """Add a member under any bytes as its name."""
    return raw(lambda entries: entries.append((name, b"x")))


def patched(change: Callable[[bytearray], object]) -> Make:
    """Change bytes of a good zip file."""

    def make(parts: Parts, path: Path) -> Path:
        data = bytearray(parts.write(path).read_bytes())
        change(data)
        path.write_bytes(data)
        return path

    return make


def in_every_header(data: bytearray, local_at: int, central_at: int, value: bytes) -> None:
    """Overwrite a field of the first member in both of its headers."""
    data[local_at : local_at + len(value)] = value
    start = data.index(b"PK\1\2")
    data[start + central_at : start + central_at + len(value)] = value


def audio(change: Callable[[bytes], bytes], **properties: object) -> Make:
    """Put other bytes in place of a recording's, described as they are."""

    def change_audio(parts: Parts) -> None:
        name = "recordings/bench.flac"
        parts.replace_audio(name, change(parts.payload[name]), **properties)

    return altered(change_audio)


def flac(samples: np.ndarray, rate_hz: int = 8_000) -> bytes:
    import io

    stream = io.BytesIO()
    soundfile.write(stream, samples, rate_hz, subtype="PCM_16", format="FLAC")
    data = stream.getvalue()
    # Without the block of tags that follows the stream information.
    tags = 4 + int.from_bytes(data[43:46], "big")
    return data[:4] + b"\x80" + data[5:42] + data[42 + tags :]


def with_block(kind: int, body: bytes) -> Callable[[bytes], bytes]:
    """Add a metadata block to a FLAC file."""

    def change(data: bytes) -> bytes:
        block = bytes([0x80 | kind]) + len(body).to_bytes(3, "big") + body
        return data[:4] + b"\0" + data[5:42] + block + data[42:]

    return change


def bomb(parts: Parts, path: Path) -> Path:
    """A hundred megabytes of nothing in a hundred kilobytes."""
    parts.payload["labels/bench.csv"] = HEADER.encode() + b"\n" * 100_000_000
    return parts.write(path, zipfile.ZIP_DEFLATED)


def lying_bomb(parts: Parts, path: Path) -> Path:
    """Says that it is small: both headers give a length of 100 bytes."""
    name = f"{parts.top}/data/labels/bench.csv"
    data = bytearray(bomb(parts, path).read_bytes())
    for signature, offset, name_at in ((b"PK\3\4", 22, 30), (b"PK\1\2", 24, 46)):
        at = -1
        while (at := data.find(signature, at + 1)) >= 0:
            if data[at + name_at : at + name_at + len(name)] == name.encode():
                data[at + offset : at + offset + 4] = struct.pack("<I", 100)
    path.write_bytes(data)
    return path


def many_files(parts: Parts, path: Path) -> Path:
    files = parts.files()
    files.update({f"{parts.top}/data/labels/x{number}.csv": b"" for number in range(10_001)})
    return write_zip(path, files)


def overlapping(parts: Parts, path: Path) -> Path:
    """Two entries of the list share one member's bytes, as in bombs without nesting."""
    data = bytearray(parts.write(path).read_bytes())
    first = data.index(b"PK\1\2")
    second = data.index(b"PK\1\2", first + 4)
    data[second + 42 : second + 46] = data[first + 42 : first + 46]
    path.write_bytes(data)
    return path


def over(count: int, *, label: str = "x{}") -> list[str]:
    return [f"0.1,2.9,{label.format(number)}," for number in range(count)]


def not_a_zip(parts: Parts, path: Path) -> Path:
    path.write_bytes(b"hello" * 100)
    return path


def in_a_pack(parts: Parts, path: Path) -> Path:
    """A pack in a pack."""
    inner = parts.write(path.with_name("inner.zip")).read_bytes()
    parts.payload["recordings/inner.zip"] = inner
    return parts.write(path)


def in_a_zip(parts: Parts, path: Path) -> Path:
    """A pack in a plain zip file."""
    inner = parts.write(path.with_name("inner.zip")).read_bytes()
    return write_zip(path, {"inner.zip": inner})


def symlink(parts: Parts, path: Path) -> Path:
    path.symlink_to(path.with_name("gone.zip"))
    return path


def without(name: str) -> Make:
    """Leave a tag file out."""
    return altered(lambda parts: parts.overrides.update({name: None}))


def lines_of(parts: Parts) -> list[str]:
    files = {f"data/{name}": content for name, content in parts.payload.items()}
    return manifest(files).decode().splitlines()


def listed(change: Callable[[list[str]], object]) -> Make:
    """Change the payload's manifest, and let the tag manifest fit it."""

    def change_lines(parts: Parts) -> None:
        lines = lines_of(parts)
        change(lines)
        parts.overrides["manifest-sha512.txt"] = "".join(f"{line}\n" for line in lines).encode()

    return altered(change_lines)


ZERO = "0" * 128

PACKS = [
    # No pack at all.
    Case("text", not_a_zip, r"hostile\.zip: is not a zip file"),
    Case("empty file", lambda _, path: (path.write_bytes(b""), path)[1], r"is not a zip file"),
    Case("only the end of a zip", lambda _, path: (path.write_bytes(b"PK\5\6" + bytes(18)), path)[1],
         r"is not a pack: it must hold one folder"),
    Case("link to nowhere", symlink, r"cannot be read: No such file"),
    Case("folder", lambda _, path: (path.mkdir(), path)[1], r"is a folder, not a pack"),
    Case("pack in a zip", in_a_zip, r"is not a pack: it must hold one folder"),
    Case("another bag", altered(lambda parts: parts.payload.pop("datapackage.json")), r"is a bag but not a pack"),
    Case("dataset, not pack", altered(lambda parts: parts.edit(lambda document: document.pop("pack"))),
         r"pack: is missing, so this bag is not a pack"),
    # Names.
    Case("climbs out", beside("TOP/../../evil"), r"evil: the name leads out"),
    Case("climbs out of data", beside("TOP/data/../../evil"), r"the name leads out"),
    Case("absolute", beside("/etc/evil"), r"the name leads out"),
    Case("absolute in the folder", beside("TOP//etc/evil"), r"the name is empty"),
    Case("drive", beside("TOP/C:/evil"), r"holds :"),
    Case("backslashes", named(b"pack\\..\\evil"), r"holds \\"),
    Case("device of Windows", beside("TOP/data/labels/nul.csv"), r"'nul\.csv' is a name that Windows reserves"),
    Case("device with a superscript", beside("TOP/data/com\u00b9"), r"is a name that Windows reserves"),
    Case("trailing dot", beside("TOP/data/labels/a.csv."), r"begins or ends with a blank or a dot"),
    Case("alternate stream", beside("TOP/data/labels/a.csv:evil"), r"holds :"),
    Case("bidirectional override", beside("TOP/data/labels/\u202evsc.exe"), r"invisible character"),
    Case("zero width", beside("TOP/data/labels/a\u200bb.csv"), r"invisible character"),
    Case("escape sequence", beside("TOP/data/labels/\x1b[2J\x1b]0;x\x07.csv"), r"invisible character"),
    Case("line break", beside("TOP/data/labels/a\nb.csv"), r"invisible character"),
    Case("NUL in a name", named(b"pack/a\0b"), r"has a name that programs read differently"),
    Case("not UTF-8", named(b"pack/\xff\xfe"), r"not a sound zip file"),
    Case("surrogate in UTF-8", named(b"pack/\xed\xa0\x80"), r"not a sound zip file"),
    Case("too long", beside("TOP/data/" + "x" * 101), r"has 101 characters"),
    Case("too deep", beside("TOP/a/b/c/d/e"), r"4 folders deep"),
    Case("too many bytes", beside("TOP/data/" + "\U0001f600" * 99), r"over 255 bytes"),
    Case("decomposed", beside("TOP/data/labels/" + unicodedata.normalize("NFD", "é.csv")), r"composed form"),
    Case("per cent", beside("TOP/data/labels/a%2e.csv"), r"holds %"),
    Case("twice", raw(lambda entries: entries.append(entries[0])), r"is there twice"),
    Case("case collision", beside("TOP/data/labels/BENCH.csv"), r"are one name to some system"),
    Case("folder's case", beside("TOP/DATA/labels/x.csv"), r"are one name to some system"),
    Case("file and folder", beside("TOP/data/labels"), r"is a file and a folder"),
    Case("two folders", beside("other/evil"), r"must hold one folder"),
    Case("beside the folder", beside("evil"), r"must hold one folder"),
    # Kinds of file.
    Case("symbolic link", beside("TOP/data/labels/x.csv", b"/etc/passwd", stat.S_IFLNK), r"is a symbolic link"),
    Case("device", beside("TOP/data/labels/x.csv", b"", stat.S_IFCHR), r"is not a regular file"),
    Case("pipe", beside("TOP/data/labels/x.csv", b"", stat.S_IFIFO), r"is not a regular file"),
    Case("folder entry", beside("TOP/data/labels/", b"", stat.S_IFDIR), r"is not a regular file"),
    Case("program", beside("TOP/run.sh", b"#!/bin/sh\n"), r"run\.sh is no part of a pack"),
    Case("pack in a pack", in_a_pack, r"inner\.zip is no part of a pack"),
    # Size.
    Case("bomb", bomb, r"would grow \d+-fold; at most 100-fold"),
    Case("bomb that lies", lying_bomb, r"hostile\.zip: "),
    Case("too many files", many_files, r"holds 10011 files; at most 10000"),
    Case("more than asked for", altered(lambda _: None), r"would fill \d+ bytes; at most 1000",
         ("--most-bytes", "1000")),
    Case("more files than asked for", altered(lambda _: None), r"holds 10 files; at most 9",
         ("--most-files", "9")),
    Case("more audio than asked for", altered(lambda _: None), r"holds 48000 samples; at most 172",
         ("--most-hours", "1e-6")),
    Case("entries that overlap", overlapping, r"overlaps another member|described in two ways"),
    Case("prefix", patched(lambda data: data.__setitem__(slice(0, 0), b"MZ" + bytes(98))), r"before, between or"),
    Case("two names for one member", patched(lambda data: data.__setitem__(slice(30, 34), b"evil")),
         r"hostile\.zip: "),
    Case("encrypted", patched(lambda data: in_every_header(data, 6, 8, b"\1\0")), r"is encrypted"),
    Case("unknown compression", patched(lambda data: in_every_header(data, 8, 10, b"\x63\0")),
         r"compressed in a way that packs do not use"),
    Case("says stored, is not", patched(lambda data: in_every_header(data, 8, 10, b"\x08\0")), r"hostile\.zip: "),
    Case("a length of 4 GiB", patched(lambda data: in_every_header(data, 22, 24, b"\xfe\xff\xff\xff")),
         r"would grow|described in two ways|hostile\.zip"),
    Case("a comment", patched(lambda data: data.__setitem__(slice(-2, None), b"\5\0hello")), r"is not a zip file"),
    # Manifests that lie.
    Case("wrong digest", listed(lambda lines: lines.__setitem__(0, ZERO + lines[0][128:])),
         r"is not what its manifest says"),
    Case("listed but missing", listed(lambda lines: lines.append(f"{ZERO}  data/labels/gone.csv")),
         r"gone\.csv is listed in manifest-sha512\.txt but missing"),
    Case("not listed", listed(lambda lines: lines.pop()), r"is in no manifest"),
    Case("listed twice", listed(lambda lines: lines.append(lines[0])), r"is listed twice"),
    Case("listed outside", listed(lambda lines: lines.append(f"{ZERO}  ../../etc/passwd")), r"passwd is listed in"),
    Case("no digest", listed(lambda lines: lines.append("hello")), r"manifest-sha512\.txt, line 6: not a SHA-512"),
    Case("empty manifest", listed(lambda lines: lines.clear()), r"line 1: not a SHA-512"),
    Case("manifest not UTF-8", altered(lambda parts: parts.overrides.update({"manifest-sha512.txt": b"\xff"})),
         r"manifest-sha512\.txt is not UTF-8"),
    Case("weaker digests only", without("manifest-sha512.txt"), r"manifest-sha512\.txt is missing"),
    Case("no tag manifest", without("tagmanifest-sha512.txt"), r"tagmanifest-sha512\.txt is missing"),
    Case("no declaration", without("bagit.txt"), r"bagit\.txt is missing"),
    Case("another BagIt", altered(lambda parts: parts.overrides.update(
        {"bagit.txt": b"BagIt-Version: 2.0\nTag-File-Character-Encoding: UTF-16\n"})), r"not that of BagIt 1\.0"),
    Case("files from the network", beside("TOP/fetch.txt", b"http://x.invalid/ 9 data/x\n"), r"nothing is fetched"),
    Case("miscounted", altered(lambda parts: parts.overrides.update({"bag-info.txt": b"Payload-Oxum: 7.2\n"})),
         r"bag-info\.txt counts 7\.2"),
    # Descriptors that lie.
    Case("no JSON", altered(lambda parts: parts.payload.update({"datapackage.json": b"{"})), r"not JSON"),
    Case("deep JSON", altered(lambda parts: parts.payload.update({"datapackage.json": b"[" * 100_000})),
         r"not JSON"),
    Case("endless number", altered(lambda parts: parts.payload.update(
        {"datapackage.json": b'{"resources": [], "pack": {"format": ' + b"9" * 5_000 + b"}}"})),
         r"not JSON|format"),
    Case("not a number", altered(lambda parts: parts.payload.update(
        {"datapackage.json": parts.payload["datapackage.json"].replace(b"8000", b"NaN")})), r"NaN is not a number"),
    Case("path out", told("path", "recordings/../../evil.flac"), r"resources\[0\]"),
    Case("path with an override", told("path", "recordings/\u202ecalf.flac"), r"resources\[0\]"),
    Case("half a surrogate", told("session", "\ud800"), r"invisible character"),
    Case("escape in a session", told("session", "\x1b[2J"), r"invisible character"),
    Case("wrong rate", told("sample_rate_hz", 4_000), r"holds 24000 frames in 1 channels at 8000 Hz, not 24000"),
    Case("negative rate", told("sample_rate_hz", -1), r"must be a whole number of at least 1"),
    Case("longer than it is", told("n_frames", 10**9), r"not 1000000000 in 1 at"),
    Case("shorter than it is", described(lambda told: told.update(n_frames=20_000, reviewed=[])), r"not 20000 in 1"),
    Case("longer than all time", told("n_frames", 2**52), r"samples; at most"),
    Case("reviewed beyond", told("reviewed", [[0, 1e9]]), r"is no span within the recording"),
    Case("reviewed backwards", told("reviewed", [[2, 1]]), r"is no span within"),
    Case("other audio", told("audio_sha256", "0" * 64), r"holds other audio than"),
    Case("another file", told("hash", "sha256:" + "0" * 64), r"is not the file that datapackage\.json tells of"),
    Case("channel 2", told("channel", 2), r"not 24000 in 1 at 8000 Hz"),
    Case("infinite volts", told("full_scale_v", 1e308), r"full_scale_v must be a number"),
    Case("twice the same audio", altered(lambda parts: parts.edit(
        lambda document: audio_of(document)[1].update(audio_sha256=audio_of(document)[0]["audio_sha256"]))),
         r"is the same audio as"),
    Case("no recordings", altered(lambda parts: (parts.edit(lambda document: document.update(resources=[])),
         [parts.payload.pop(name) for name in list(parts.payload) if name != "datapackage.json"])),
         r"holds no recordings"),
    Case("a file too many", altered(lambda parts: parts.payload.update({"labels/more.csv": b"x"})),
         r"labels/more\.csv is no part of a pack"),
    Case("from the future", headed("format", 2), r"format 2 is newer than this evalkit knows"),
    Case("no format", headed("format", "one"), r"format must be a whole number"),
    Case("maker with a path", headed("maker", "../../evil"), r"the maker .* holds /|leads out"),
    Case("maker as a list", headed("maker", ["a"]), r"maker must be a name or null"),
    Case("maker with an escape", headed("maker", "a\x1b[31mb"), r"invisible character"),
    Case("unknown role", headed("roles", {"phone": "emperor"}), r"'emperor' is not a valid Role"),
    Case("origin with a path", told("origin", {"maker": "../x", "spdx": None, "pack_sha512": ZERO}),
         r"origin: the maker"),
    Case("cut from before its start", told("cut_from", {"audio_sha256": "0" * 64, "start_frame": -5}),
         r"cut_from: start_frame"),
    # Labels.
    Case("a time that is no number", labelled("nan,1,tap,"), r"bench\.csv, row 2: start_s='nan'"),
    Case("infinite time", labelled("0,1e999,tap,"), r"row 2: end_s=inf is not a finite time"),
    Case("huge time", labelled("0,1e300,tap,"), r"row 2: end_s=.* is past the end"),
    Case("negative time", labelled("-1,1,tap,"), r"row 2: start_s=-1\.000000 is before"),
    Case("endless digits", labelled("0," + "9" * 100_000 + ",tap,"), r"row 2: end_s="),
    Case("path as a label", labelled("0,1,../../x,"), r"row 2: the label '\.\./\.\./x' holds /"),
    Case("escape in a note", labelled("0,1,tap,\x1b]8;;http://x.invalid\x07"), r"row 2: the note .* invisible"),
    Case("override in a note", labelled("0,1,tap,a\u202eb"), r"row 2: the note .* invisible"),
    Case("half a surrogate in a note", labelled("0,1,tap,\ud800"), r"bench\.csv: not UTF-8"),
    Case("open quote", labelled('0,1,tap,"'), r"row 2: not a row of CSV"),
    Case("a hundred labels over each other", labelled(*over(100)), r"over 50 labels lie over each other"),
    Case("long note", labelled("0,1,tap," + "x" * 501), r"row 2: the note has 501 characters"),
    Case("one field of megabytes", labelled("0,1,tap," + "x" * 1_000_000), r"row 2: "),
    Case("more than 16 MB of labels", labelled(*["0,1,tap,"] * 2_000_000), r"bench\.csv has \d+ bytes; at most"),
    # Audio.
    Case("text as audio", audio(lambda _: b"hello" * 99), r"bench\.flac: is neither FLAC nor WAV"),
    Case("audio cut short", audio(lambda data: data[:-9_000]), r"recordings/bench\.flac: "),
    Case("a picture in it", audio(with_block(6, b"\x89PNG" + bytes(99))), r"holds more than audio \(FLAC metadata"),
    Case("a tag in it", audio(with_block(4, b"LOCATION")), r"holds more than audio"),
    Case("other samples", audio(lambda _: flac(np.zeros(24_000))), r"holds other audio than"),
    Case("another rate inside", audio(lambda _: flac(np.zeros(24_000), 44_100)), r"at 44100 Hz, not 24000"),
    Case("two channels", audio(lambda _: flac(np.zeros((24_000, 2)))), r"in 2 channels"),
    Case("FLAC that is WAV", audio(lambda _: b"RIFF\x24\0\0\0WAVEdata\0\0\0\0" + bytes(99)), r"bench\.flac: "),
    # Taken, and harmless.
    Case("formula in a note", labelled("0,1,tap,=cmd|'/C calc'!A0"), ""),
    Case("HTML in a note", labelled("0,1,tap,<script>alert(1)</script>"), ""),
    Case("markup of the terminal library in a note", labelled("0,1,tap,[bold red]x[/]"), ""),
    Case("twenty thousand segments", labelled(*[f"{k / 1e4:.4f},{k / 1e4 + 5e-5:.5f},tap," for k in range(20_000)]),
         ""),
]  # fmt: skip


@pytest.fixture(scope="module")
def good_pack(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("good")
    return pack_of(small_dataset(folder / "theirs"), folder / "good.zip")


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    return small_dataset(tmp_path / "bench", seconds=4.0)


def refuse(status: int, captured: "pytest.CaptureResult[str]", says: str) -> None:
    """Check that a command has refused, in one line and without harm to the terminal."""
    lines = captured.err.splitlines()
    assert status == 1, captured.err
    assert captured.out == ""
    assert "Traceback" not in captured.err
    assert lines[0].startswith("evalkit: ")
    assert re.search(says, captured.err), captured.err
    assert not CONTROL.search(captured.err)
    # More than one fault is listed below the one line.
    assert all(line.startswith("  ") for line in lines[1:]), captured.err
    assert len(captured.err) < 5_000


def test_there_are_at_least_sixty() -> None:
    assert len(PACKS) + len(FILES) >= 60
    names = [case.name for case in (*PACKS, *FILES)]
    assert len(set(names)) == len(names)


@pytest.mark.parametrize("case", PACKS, ids=lambda case: case.name)
def test_hostile_packs(
    case: Case, good_pack: Path, bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = case.make(take_apart(good_pack), tmp_path / "hostile.zip")
    (bench / ".evalkit").mkdir(exist_ok=True)
    (bench / ".evalkit" / "lock").touch()
    before = contents(tmp_path)
    for folder in (bench, tmp_path / "new"):
        status = main(["unpack", str(path), str(folder), *case.options])
        captured = capsys.readouterr()
        if case.says:
            refuse(status, captured, case.says)
            assert contents(tmp_path) == before
        else:
            assert status == 0, captured.err
            assert not CONTROL.search(captured.out + captured.err)
    assert (tmp_path / "new").exists() is not bool(case.says)


def test_harmless_notes_are_kept_as_they_are(good_pack: Path, tmp_path: Path) -> None:
    rows = ["=1+1", "<script>", "[bold]", "&amp;", "%n%s"]
    parts = take_apart(good_pack)
    labelled(*(f"{k / 10},{k / 10 + 0.05},tap,{row}" for k, row in enumerate(rows)))(
        parts, tmp_path / "a.zip"
    )
    assert main(["unpack", str(tmp_path / "a.zip"), str(tmp_path / "club")]) == 0
    assert [segment.note for segment in segments_of(tmp_path / "club", "bench")] == rows
    assert "'=1+1" in (tmp_path / "club" / "labels" / "bench.csv").read_text()


# Files for `import` and `segments import`. {in} is a folder that may be filled, {ds} the dataset.


@dataclass(frozen=True)
class FileCase:
    """One hostile file given to another command."""

    name: str
    file: str
    content: Callable[[], bytes]
    says: str
    """Empty: it is taken and does no harm."""
    command: str = "import {ds} {in} --session x"


SEGMENTS = "segments import {ds} bench {in}"


def wav(
    samples: int = 100,
    *,
    rate_hz: int = 8_000,
    tag: int = 1,
    channels: int = 1,
    bits: int = 16,
    data_bytes: int | None = None,
    riff_bytes: int | None = None,
    align: int | None = None,
    before: bytes = b"",
    after: bytes = b"",
    form: bytes = b"RIFF",
) -> bytes:
    """Return a WAV file whose header says whatever is asked for."""
    body = struct.pack(f"<{samples}h", *(k % 1000 for k in range(samples)))
    block = align if align is not None else channels * bits // 8
    head = struct.pack(
        "<HHIIHH", tag, channels, rate_hz, (rate_hz * block) & 0xFFFFFFFF, block & 0xFFFF, bits
    )
    size = len(body) if data_bytes is None else data_bytes
    data = b"WAVE" + before + b"fmt " + struct.pack("<I", 16) + head
    data += b"data" + struct.pack("<I", size) + body + after
    return form + struct.pack("<I", len(data) if riff_bytes is None else riff_bytes) + data


def chunk(name: bytes, body: bytes, size: int | None = None) -> bytes:
    return name + struct.pack("<I", len(body) if size is None else size) + body + b"\0" * (len(body) % 2)


def cues(*samples: int, count: int | None = None) -> bytes:
    body = struct.pack("<I", len(samples) if count is None else count)
    for number, sample in enumerate(samples, 1):
        body += struct.pack("<II4sIII", number, sample, b"data", 0, 0, sample)
    return chunk(b"cue ", body)


def adtl(*parts: bytes) -> bytes:
    return chunk(b"LIST", b"adtl" + b"".join(parts))


def labl(number: int, text: bytes) -> bytes:
    return chunk(b"labl", struct.pack("<I", number) + text)


def ltxt(number: int, length: int) -> bytes:
    return chunk(b"ltxt", struct.pack("<II4sHHHH", number, length, b"rgn ", 0, 0, 0, 0))


FILES = [
    FileCase("WAV of rate 0", "a.wav", lambda: wav(rate_hz=0), r"a\.wav: "),
    FileCase("WAV of 1 Hz", "a.wav", lambda: wav(rate_hz=1), r"says that its sample rate is 1 Hz"),
    FileCase("WAV of 4 GHz", "a.wav", lambda: wav(rate_hz=0xFFFFFFFF), r"a\.wav: "),
    FileCase("WAV of 2 GHz", "a.wav", lambda: wav(rate_hz=0x7FFFFFFF), r"a\.wav: "),
    FileCase("WAV of no channels", "a.wav", lambda: wav(channels=0), r"a\.wav: "),
    FileCase("WAV of 65535 channels", "a.wav", lambda: wav(channels=65_535, align=65_535), r"a\.wav: "),
    FileCase("WAV of 0 bits", "a.wav", lambda: wav(bits=0), r"a\.wav: "),
    FileCase("WAV of 999 bits", "a.wav", lambda: wav(bits=999), r"a\.wav: "),
    FileCase("WAV of an unknown kind", "a.wav", lambda: wav(tag=0xBEEF), r"a\.wav: is not audio"),
    FileCase("WAV that says 4 GiB", "a.wav", lambda: wav(data_bytes=0xFFFFFFF0), ""),
    FileCase("WAV with a chunk of 4 GiB", "a.wav", lambda: wav(before=chunk(b"LIST", b"INFO", 0xFFFFFFF0)),
             r"a\.wav: "),
    FileCase("RF64 without its sizes", "a.wav", lambda: wav(form=b"RF64", data_bytes=0xFFFFFFFF), r"a\.wav: |^$"),
    FileCase("RF64 of 16 EiB", "a.wav", lambda: wav(form=b"RF64", riff_bytes=0xFFFFFFFF, data_bytes=0xFFFFFFFF,
             before=chunk(b"ds64", struct.pack("<QQQI", *(2**64 - 1,) * 3, 0))), r"a\.wav: |^$"),
    FileCase("FLAC head that says 2^36 samples", "a.flac", lambda: b"fLaC\x80\0\0\x22" + struct.pack(
        ">HH", 4096, 4096) + bytes(6) + (8_000 << 44 | 15 << 36 | 2**36 - 1).to_bytes(8, "big") + bytes(16),
        r"a\.flac: "),
    FileCase("AIFF of an absurd rate", "a.aiff", lambda: b"FORM\0\0\0\x2eAIFFCOMM\0\0\0\x12\0\1\0\0\0\1\0\x10\x7f\xfe"
             + b"\xff" * 8 + b"SSND\0\0\0\x0a" + bytes(10), r"a\.aiff: "),
    FileCase("MP3 of nothing but heads", "a.mp3", lambda: b"\xff\xfb\x90\x64" * 500, r"a\.mp3: |^$"),
    FileCase("Ogg page cut short", "a.ogg", lambda: b"OggS\0\2" + bytes(20) + b"\1\x1e\1vorbis", r"a\.ogg: "),
    FileCase("program as audio", "a.wav", lambda: b"\x7fELF" + bytes(999), r"a\.wav: is not audio"),
    FileCase("table as audio", "a.wav", lambda: HEADER.encode(), r"a\.wav: is not audio"),
    # Label tables.
    FileCase("table of NUL", "a.csv", lambda: b"\0" * 10_000, r"a\.csv, row 1", SEGMENTS),
    FileCase("table with a NUL", "a.csv", lambda: HEADER.encode() + b"0,1,ta\0p,\n", r"a\.csv, row 2", SEGMENTS),
    FileCase("table of quotes", "a.csv", lambda: b'"' * 99_999, r"a\.csv, row 1", SEGMENTS),
    FileCase("table of one line", "a.csv", lambda: b"a," * 500_000, r"a\.csv, row 1", SEGMENTS),
    FileCase("table of returns", "a.csv", lambda: HEADER.encode() + b"\r" * 100_000, "", SEGMENTS),
    FileCase("times in hexadecimal", "a.csv", lambda: HEADER.encode() + b"0x1,0x2,tap,\n", r"start_s='0x1'",
             SEGMENTS),
    FileCase("times in other digits", "a.csv", lambda: (HEADER + "\u0661,\u0662,tap,\n").encode(), r"a\.csv|^$",
             SEGMENTS),
    FileCase("times with a line", "a.csv", lambda: HEADER.encode() + b"1_0,2_0,tap,\n", r"start_s='1_0'", SEGMENTS),
    FileCase("label with an override", "a.csv", lambda: (HEADER + "0,1,a\u202eb,\n").encode(), r"invisible", SEGMENTS),
    FileCase("formula as a label", "a.csv", lambda: (HEADER + "0,1,=1+1,=2+2\n").encode(), "", SEGMENTS),
    # WebVTT.
    FileCase("WebVTT without its head", "a.vtt", lambda: b"1\n00:00.000 --> 00:01.000\ntap\n", r"a\.vtt", SEGMENTS),
    FileCase("WebVTT of endless hours", "a.vtt", lambda: b"WEBVTT\n\n" + b"9" * 400 + b":00:00.000 --> "
             + b"9" * 401 + b":00:00.000\ntap\n", r"a\.vtt|a\.csv|bench", SEGMENTS),
    FileCase("WebVTT with an escape", "a.vtt", lambda: b"WEBVTT\n\n00:00.000 --> 00:01.000\nt\x1b[2Jp\n",
             r"a\.vtt|^$", SEGMENTS),
    FileCase("WebVTT of open tags", "a.vtt", lambda: b"WEBVTT\n\n00:00.000 --> 00:01.000\n" + b"<v" * 50_000,
             r"a\.vtt|^$", SEGMENTS),
    FileCase("WebVTT of references", "a.vtt", lambda: b"WEBVTT\n\n00:00.000 --> 00:01.000\n" + b"&lt;" * 200,
             r"a\.vtt|^$", SEGMENTS),
    FileCase("WebVTT not UTF-8", "a.vtt", lambda: b"WEBVTT\n\n\xff\xfe", r"a\.vtt: not UTF-8", SEGMENTS),
    # Cue chunks.
    FileCase("cues past the end", "a.wav", lambda: wav(after=cues(2**32 - 1) + adtl(ltxt(1, 2**32 - 1))),
             r"a\.wav|^$", SEGMENTS),
    FileCase("four thousand million cues", "a.wav", lambda: wav(after=cues(5, count=2**32 - 1)), r"a\.wav|^$",
             SEGMENTS),
    FileCase("cues of one name", "a.wav", lambda: wav(after=cues(5) + cues(9)), r"a\.wav|^$", SEGMENTS),
    FileCase("a label for no cue", "a.wav", lambda: wav(after=cues(5) + adtl(labl(99, b"tap\0"))), r"a\.wav|^$",
             SEGMENTS),
    FileCase("a label without its end", "a.wav", lambda: wav(after=cues(5) + adtl(labl(1, b"tap"))), r"a\.wav|^$",
             SEGMENTS),
    FileCase("an escape in a label", "a.wav", lambda: wav(after=cues(5) + adtl(labl(1, b"\x1b[2Jtap\0"))),
             r"a\.wav|^$", SEGMENTS),
    FileCase("a list in a list in a list", "a.wav", lambda: wav(after=cues(5) + chunk(
        b"LIST", b"adtl" + b"LIST\xff\xff\xff\x7fadtl" * 5_000)), r"a\.wav|^$", SEGMENTS),
    FileCase("a chunk of no length, for ever", "a.wav", lambda: wav(after=b"labl\0\0\0\0" * 20_000),
             r"a\.wav", SEGMENTS),
]  # fmt: skip


@pytest.mark.parametrize("case", FILES, ids=lambda case: case.name)
def test_hostile_files(
    case: FileCase, bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Those whose line may be empty are broken in ways that a reader may put up with."""
    path = tmp_path / "in" / case.file
    path.parent.mkdir()
    path.write_bytes(case.content())
    before = contents(tmp_path)
    arguments = [part.format(ds=bench) if "{ds}" in part else part for part in case.command.split(" ")]
    status = main([str(path) if part == "{in}" else part for part in arguments])
    captured = capsys.readouterr()
    if status:
        assert case.says
        refuse(status, captured, case.says)
        after = {name: digest for name, digest in contents(tmp_path).items() if "/.evalkit/" not in name}
        assert after == {name: digest for name, digest in before.items() if "/.evalkit/" not in name}
    else:
        assert case.says == "" or re.search(case.says, ""), "must be refused"
        assert not CONTROL.search(captured.out + captured.err)
    # Whatever happened, the dataset can be read.
    read_dataset(bench)


def test_names_from_a_file_system_reach_no_terminal_raw(
    bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Also those that are no text at all."""
    for name in (b"a\x1b]0;x\x07.wav", b"\xff\xfe.wav", "a\u202evaw.b".encode(), b"a\nevalkit: done.wav"):
        import os

        path = os.fsdecode(os.path.join(os.fsencode(tmp_path), name))
        assert main(["import", str(bench), path, "--session", "x"]) == 1
        captured = capsys.readouterr()
        assert len(captured.err.splitlines()) == 1
        assert not CONTROL.search(captured.err)
        assert main(["unpack", path, str(bench)]) == 1
        assert not CONTROL.search(capsys.readouterr().err)


def test_json_output_has_no_control_characters(
    good_pack: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["unpack", str(good_pack), str(tmp_path / "club"), "--json"]) == 0
    out = capsys.readouterr().out
    assert out.isascii()
    json.loads(out)


def test_visible_covers_what_the_table_looks_for() -> None:
    assert not CONTROL.search(
        visible("".join(map(chr, [*range(0xA0), 0x200B, 0x202E, 0x2066, 0xD800, 0xDFFF])))
    )


def test_the_table_can_fail(good_pack: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The unaltered pack, by the same way as the altered ones, is taken."""
    path = take_apart(good_pack).write(tmp_path / "hostile.zip")
    assert main(["unpack", str(path), str(tmp_path / "club")]) == 0
    with pytest.raises(AssertionError):
        refuse(0, capsys.readouterr(), "anything")


def test_a_bomb_is_refused_before_it_goes_off(
    good_pack: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not a byte of any member is unpacked."""

    def fail(*_: object) -> None:
        raise AssertionError("unpacked")

    path = bomb(take_apart(good_pack), tmp_path / "bomb.zip")
    monkeypatch.setattr(zlib, "decompressobj", fail)
    assert main(["unpack", str(path), str(tmp_path / "club")]) == 1


@pytest.mark.parametrize(
    "path", sorted(FOUND.glob("*/*")), ids=lambda path: f"{path.parent.name}/{path.name}"
)
def test_what_fuzzing_found(path: Path) -> None:
    """Each input once ended in a traceback or took over a second; the folder names the reader."""
    target = next(each for each in TARGETS if each.name == path.parent.name)
    try_input(target, path.read_bytes())


def test_a_table_of_very_many_segments_is_read(bench: Path, tmp_path: Path) -> None:
    """Some 15 microseconds each, so that a million take well under a minute; here a fiftieth of it."""
    rows = "".join(f"{k / 1e6:.6f},{(k + 1) / 1e6:.6f},tap,\n" for k in range(0, 1_000_000, 50))
    (tmp_path / "a.csv").write_text(HEADER + rows)
    assert main(["segments", "import", str(bench), "bench", str(tmp_path / "a.csv")]) == 0
    assert len(segments_of(bench, "bench")) == 20_000
    assert segments_of(bench, "bench")[0] == Segment(0.0, 1e-6, "tap")
