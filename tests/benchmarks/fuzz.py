"""Fuzzing of everything that reads strangers' files: coverage-guided, each reader apart.

    python -m tests.benchmarks.fuzz [--runs 100000] [--keep FOLDER] [TARGET ...]

Guided by atheris (libFuzzer for Python, extra ``fuzz``) over the lines of evalkit; where that cannot
be installed, by plain mutation of the seeds, which is said. Bad is: an exception that is none of
ours (a person would see a traceback), and more than a second of processor time. Every bad input is
kept in FOLDER (by default a temporary one, named in the end); copied into tests/fixtures/found it is
a regression test from then on.
"""

import argparse
import hashlib
import importlib.util
import json
import random
import re
import struct
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

# evalkit is imported in the functions: atheris must be told of it before its modules are loaded.

__all__ = ["TARGETS", "Target", "try_input"]

LONGEST_S = 1.0
_HEADER = b"start_s,end_s,label,note,phone\n"


@dataclass(frozen=True)
class Target:
    """A reader and what to start from."""

    name: str
    read: Callable[[bytes, Path], None]
    """Reads the bytes; the path is a folder on a memory disk, empty but for what it leaves there."""
    seeds: Callable[[], list[bytes]]
    most_bytes: int = 4_096


class Slow(Exception):
    """An input took over a second."""


def try_input(target: Target, data: bytes) -> None:
    """Give an input to a reader: it must be read or refused by an error of ours, and soon."""
    from evalkit.errors import EvalkitError

    with tempfile.TemporaryDirectory(dir=_memory_disk()) as place:
        _try(target, data, Path(place), EvalkitError)


def _try(target: Target, data: bytes, place: Path, ours: type[Exception]) -> None:
    start_s = time.process_time()
    try:
        target.read(data, place)
    except ours as error:
        if "\n" in str(error):
            raise AssertionError(f"an error of more than one line: {error!r}") from error
    if time.process_time() - start_s > LONGEST_S:
        raise Slow(f"{target.name}: {time.process_time() - start_s:.2f} s")


def _memory_disk() -> str | None:
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


def _file(place: Path, name: str, data: bytes) -> Path:
    path = place / name
    path.write_bytes(data)
    return path


def _read_audio(data: bytes, place: Path) -> None:
    from evalkit.faults import find_faults
    from evalkit.recordings import audio_sha256, read_info

    path = _file(place, "a.wav", data)
    info = read_info(path)
    audio_sha256(path, channel=info.n_channels)
    find_faults(path, channel=1)


def _read_table(data: bytes, place: Path) -> None:
    from evalkit.segments import format_segments, read_segments

    segments = read_segments(_file(place, "a.csv", data), n_frames=80_000, sample_rate_hz=8_000)
    # What was read can be written, and is the same when it is read again.
    again = _file(place, "b.csv", format_segments(segments).encode("utf-8"))
    assert read_segments(again, n_frames=80_000, sample_rate_hz=8_000) == segments


def _read_webvtt(data: bytes, place: Path) -> None:
    from evalkit.interchange import read_labels_file

    read_labels_file(_file(place, "a.vtt", data), n_frames=80_000, sample_rate_hz=8_000)


def _read_cues(data: bytes, place: Path) -> None:
    """Chunks behind those of a sound WAV file, so that it is they that are looked at."""
    from evalkit.interchange import read_labels_file

    body = b"WAVE" + _wav()[12:] + data
    whole = b"RIFF" + struct.pack("<I", len(body)) + body
    read_labels_file(_file(place, "a.wav", whole), n_frames=80_000, sample_rate_hz=8_000)


def _read_day(data: bytes, place: Path) -> None:
    from evalkit.day import read_day

    read_day(_file(place, "day.toml", data))


def _read_board(data: bytes, place: Path) -> None:
    from evalkit.board_file import read_board

    read_board(_file(place, "board.toml", data))


def _read_descriptor(data: bytes, place: Path) -> None:
    from evalkit.descriptor import format_descriptor, parse_descriptor

    descriptor = parse_descriptor(data, path=place / "datapackage.json", default_title="a")
    format_descriptor(descriptor)


def _read_zip(data: bytes, place: Path) -> None:
    """The file itself: headers, names, lists, manifests."""
    from evalkit.pack_reading import PackLimits, open_pack

    with open_pack(_file(place, "a.zip", data), PackLimits()):
        pass


def _read_pack(data: bytes, place: Path) -> None:
    """What is inside a pack whose checksums fit: descriptor, label table and audio, cut at NUL bytes."""
    from evalkit.pack_reading import PackLimits, open_pack, take_out
    from tests.pack_tools import Parts

    texts = data.split(b"\0\0\0\0", 2)
    texts += [b""] * (3 - len(texts))
    payload = {"datapackage.json": texts[0], "labels/a.csv": texts[1], "recordings/a.wav": texts[2]}
    path = Parts("pack", payload).write(place / "a.zip")
    with open_pack(path, PackLimits()) as pack:
        for entry in pack.entries:
            take_out(pack, entry, place / "out.wav")
            (place / "out.wav").unlink()


def _wav(form: bytes = b"RIFF", n_frames: int = 64) -> bytes:
    samples = struct.pack(f"<{n_frames}h", *(997 * k % 2_000 - 1_000 for k in range(n_frames)))
    head = struct.pack("<HHIIHH", 1, 1, 8_000, 16_000, 2, 16)
    body = b"WAVEfmt " + struct.pack("<I", 16) + head + b"data" + struct.pack("<I", len(samples)) + samples
    return form + struct.pack("<I", len(body)) + body


def _audio_seeds() -> list[bytes]:
    import io

    import numpy as np
    import soundfile

    marks = _cue_seeds()[0] + b"LIST\x1a\0\0\0INFOICMT\5\0\0\0loud\0\0ISFT\2\0\0\0x\0"
    marked = b"WAVE" + _wav()[12:] + marks
    seeds = [_wav(), _wav(b"RF64"), b"RIFF" + struct.pack("<I", len(marked)) + marked]
    for container, subtype in (
        ("WAV", "PCM_16"), ("WAV", "FLOAT"), ("WAV", "IMA_ADPCM"), ("WAV", "ULAW"), ("RF64", "PCM_24"),
        ("FLAC", "PCM_16"), ("AIFF", "PCM_16"), ("OGG", "VORBIS"), ("MP3", "MPEG_LAYER_III"),
        ("CAF", "PCM_16"), ("W64", "PCM_16"), ("AU", "PCM_16"), ("VOC", "PCM_16"), ("NIST", "PCM_16"),
        ("IRCAM", "PCM_16"),
    ):  # fmt: skip
        stream = io.BytesIO()
        soundfile.write(stream, np.sin(np.arange(300) / 5), 8_000, format=container, subtype=subtype)
        seeds.append(stream.getvalue())
    return seeds


def _table_seeds() -> list[bytes]:
    rows = b'0.5,0.6,tap,mallet,\r\n1e0,2.25,ring,"a, ""b""",slab\n.5,1,phone on the wall,\'=1+1,\n\n'
    return [_HEADER + rows, _HEADER.replace(b",phone", b"") + b"1,2,tap,\n", "\ufeff".encode() + _HEADER]


def _webvtt_seeds() -> list[bytes]:
    cues = b"WEBVTT - a\n\nNOTE b\n\n1\n00:00.500 --> 00:00.600 line:0\ntap\nmallet &lt;1&gt;\n\n"
    cues += b"00:00:01.000 --> 00:00:02.250\n<v slab>ring</v>\n\nSTYLE\n::cue{}\n"
    return [cues, cues.replace(b"\n", b"\r\n"), "\ufeffWEBVTT\n\n00:00.000 --> 00:00.000\n".encode()]


def _cue_seeds() -> list[bytes]:
    def chunk(name: bytes, body: bytes) -> bytes:
        return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)

    points = struct.pack("<I", 2)
    for number, sample in ((1, 5), (2, 30)):
        points += struct.pack("<II4sIII", number, sample, b"data", 0, 0, sample)
    texts = chunk(b"labl", b"\1\0\0\0ring\0") + chunk(b"note", b"\1\0\0\0loud\0")
    texts += chunk(b"ltxt", struct.pack("<II4sHHHH", 1, 20, b"rgn ", 0, 0, 0, 65_001) + b"phone: slab\0")
    return [chunk(b"cue ", points) + chunk(b"LIST", b"adtl" + texts), chunk(b"cue ", points)]


def _day_seeds() -> list[bytes]:
    from evalkit.day import DEFAULT_DAY_TOML

    return [
        DEFAULT_DAY_TOML.encode(),
        b"grace_s = 1.5\n[roles]\n'a b' = 'ignore'\n[exposure.tap]\nevents_per_day = 9\n",
    ]


def _board_seeds() -> list[bytes]:
    from evalkit.board_file import default_board_toml

    text = default_board_toml()
    return [text.encode(), re.sub(r"#.*", "", text).encode()]


def _descriptor_seeds() -> list[bytes]:
    return [
        _small_pack()[0],
        b'{"resources": [{"name": "a", "path": "recordings/a.wav"}], "spdx": "CC0-1.0"}',
    ]


def _small_pack() -> tuple[bytes, bytes, bytes]:
    """Return descriptor, table and audio of a pack of a few hundred bytes."""
    from evalkit.recordings import audio_sha256

    audio = _wav()
    with tempfile.TemporaryDirectory() as place:
        sha256 = audio_sha256(_file(Path(place), "a.wav", audio), channel=1)
    resource = {
        "name": "recording-a", "path": "recordings/a.wav", "bytes": len(audio),
        "hash": f"sha256:{hashlib.sha256(audio).hexdigest()}", "session": "a", "phone": None, "channel": 1,
        "sample_rate_hz": 8_000, "n_frames": 64, "full_scale_v": 1.0, "input_ohms": None,
        "audio_sha256": sha256, "reviewed": [[0.0, 0.008]],
        "origin": {"maker": "Ada", "spdx": "CC0-1.0", "pack_sha512": "0" * 128},
        "cut_from": {"audio_sha256": "0" * 64, "start_frame": 8_000, "lowpass_hz": None},
    }  # fmt: skip
    document = {
        "name": "a", "title": "b", "spdx": "CC0-1.0",
        "pack": {"format": 1, "maker": "Ada", "spdx": "CC0-1.0", "roles": {"radio": "background"}},
        "resources": [resource, {"name": "labels-a", "path": "labels/a.csv"}],
    }  # fmt: skip
    return json.dumps(document).encode(), b"start_s,end_s,label,note\n0,0.004,tap,x\n", audio


def _pack_seeds() -> list[bytes]:
    return [b"\0\0\0\0".join(_small_pack())]


def _zip_seeds() -> list[bytes]:
    from tests.pack_tools import Parts, raw_zip

    descriptor, table, audio = _small_pack()
    parts = Parts("pack", {"datapackage.json": descriptor, "labels/a.csv": table, "recordings/a.wav": audio})
    with tempfile.TemporaryDirectory() as place:
        stored = parts.write(Path(place) / "a.zip").read_bytes()
        deflated = parts.write(Path(place) / "b.zip", 8).read_bytes()
    small = raw_zip([(b"p/bagit.txt", b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")])
    return [stored, deflated, small, raw_zip([(b"p/a", b"x"), (b"p/b", b"")])]


TARGETS = (
    Target("audio", _read_audio, _audio_seeds, 2_048),
    Target("csv", _read_table, _table_seeds, 512),
    Target("webvtt", _read_webvtt, _webvtt_seeds, 512),
    Target("cues", _read_cues, _cue_seeds, 512),
    Target("day", _read_day, _day_seeds, 2_048),
    Target("board", _read_board, _board_seeds, 8_192),
    Target("descriptor", _read_descriptor, _descriptor_seeds, 4_096),
    Target("zip", _read_zip, _zip_seeds, 6_144),
    Target("pack", _read_pack, _pack_seeds, 4_096),
)


@dataclass
class _Count:
    runs: int = 0
    crashes: int = 0
    hangs: int = 0


def _checked(target: Target, keep: Path, place: Path, count: _Count) -> Callable[[bytes], None]:
    """Return a function that tries an input, counts, and keeps what is bad, one of each kind."""
    from evalkit.errors import EvalkitError

    seen: set[str] = set()

    def one(data: bytes) -> None:
        count.runs += 1
        try:
            _try(target, data, place, EvalkitError)
        except Exception as error:
            if isinstance(error, Slow):
                count.hangs += 1
            else:
                count.crashes += 1
            frames = traceback.extract_tb(error.__traceback__)
            kind = f"{type(error).__name__} {frames[-1].filename}:{frames[-1].lineno}"
            if kind not in seen:
                seen.add(kind)
                folder = keep / target.name
                folder.mkdir(parents=True, exist_ok=True)
                (folder / hashlib.sha256(data).hexdigest()[:16]).write_bytes(data)
                print(f"{target.name}: {kind}: {str(error)[:200]!r}", file=sys.stderr, flush=True)

    return one


def _fuzz_one(target: Target, runs: int, keep: Path) -> None:
    """Fuzz one target in this process, which ends with it."""
    guided = importlib.util.find_spec("atheris") is not None
    if guided:
        import atheris

        with atheris.instrument_imports(include=["evalkit", "tomllib"]):
            _warm_up(target)
    count = _Count()
    with tempfile.TemporaryDirectory(dir=_memory_disk()) as folder:
        place, corpus = Path(folder) / "place", Path(folder) / "corpus"
        place.mkdir()
        corpus.mkdir()
        one = _checked(target, keep, place, count)
        seeds = target.seeds()
        for number, seed in enumerate(seeds):
            (corpus / f"seed{number}").write_bytes(seed)
        start_s = time.monotonic()

        def tell() -> None:
            took_s = time.monotonic() - start_s
            result = [target.name, count.runs, count.crashes, count.hangs, round(took_s), guided]
            print("result " + json.dumps(result), flush=True)

        if not guided:
            chance = random.Random(1)
            while count.runs < runs:
                one(_mutated(chance, seeds))
            tell()
            return

        def counted(data: bytes) -> None:
            one(data)
            # libFuzzer ends the process itself, without coming back.
            if count.runs == runs:
                tell()

        # A library that does not come back is ended after 20 s, and what it was given is kept.
        (keep / target.name).mkdir(parents=True, exist_ok=True)
        options = [f"-runs={runs + 1_000}", f"-max_len={target.most_bytes}", "-seed=1", "-rss_limit_mb=4096"]
        options += ["-timeout=20", f"-artifact_prefix={keep / target.name}/", "-verbosity=0"]
        atheris.Setup([sys.argv[0], *options, str(corpus)], counted)
        atheris.Fuzz()


def _warm_up(target: Target) -> None:
    """Load the modules that a target reads with, so that they are watched."""
    with tempfile.TemporaryDirectory() as place:
        for seed in target.seeds():
            try:
                target.read(seed, Path(place))
            except Exception:
                continue


def _mutated(chance: random.Random, seeds: Sequence[bytes]) -> bytes:
    """Return a seed with some bytes changed, added, taken out or repeated."""
    data = bytearray(chance.choice(seeds))
    for _ in range(chance.choice((1, 1, 2, 4, 8))):
        at = chance.randrange(len(data) + 1)
        match chance.randrange(5):
            case 0 if at < len(data):
                data[at] ^= 1 << chance.randrange(8)
            case 1:
                data[at:at] = bytes(chance.randrange(256) for _ in range(chance.choice((1, 2, 4))))
            case 2:
                del data[at : at + chance.choice((1, 2, 4, 16))]
            case 3:
                length = chance.choice((1, 4, 16, 64))
                data[at:at] = data[at - length : at] if at >= length else b""
            case _:
                data[at : at + 4] = struct.pack("<I", chance.choice((0, 1, 2**31 - 1, 2**31, 2**32 - 1)))
    return bytes(data)


def main() -> int:
    """Fuzz the targets one after the other and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("targets", nargs="*", metavar="TARGET", help=", ".join(each.name for each in TARGETS))
    parser.add_argument("--runs", type=int, default=100_000)
    parser.add_argument("--keep", type=Path, default=None)
    parser.add_argument("--in-this-process", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    chosen = [each for each in TARGETS if not given.targets or each.name in given.targets]
    keep = given.keep if given.keep is not None else Path(tempfile.mkdtemp(prefix="fuzz-found-"))
    if given.in_this_process:
        _fuzz_one(chosen[0], given.runs, keep)
        return 0
    print(f"{'reader':<12}{'executions':>12}{'tracebacks':>12}{'over 1 s':>10}{'seconds':>9}  guided by")
    bad = 0
    for target in chosen:
        command = [sys.executable, "-m", "tests.benchmarks.fuzz", target.name, "--in-this-process"]
        result = subprocess.run(
            [*command, "--runs", str(given.runs), "--keep", str(keep)],
            check=False,
            capture_output=True,
            text=True,
            errors="replace",
        )
        told = [line for line in result.stdout.splitlines() if line.startswith("result ")]
        if not told:
            print(f"{target.name:<12} died: {result.stderr[-2_000:]}")
            bad += 1
            continue
        name, runs, crashes, hangs, took_s, guided = json.loads(told[0].removeprefix("result "))
        how = "coverage (atheris)" if guided else "mutation only"
        print(f"{name:<12}{runs:>12}{crashes:>12}{hangs:>10}{took_s:>9}  {how}", flush=True)
        for line in result.stderr.splitlines():
            if line.startswith(f"{name}: "):
                print(f"    {line}")
        bad += crashes + hangs
    if bad:
        print(f"bad inputs are kept in {keep}")
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
