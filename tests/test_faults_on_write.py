"""Faults while something is written: nothing is lost, nothing is corrupt.

Every single call of the operating system with every kind of fault is enumerated by
``python -m tests.benchmarks.write_faults``; here a part of it, and what cannot be enumerated: a
really full disk, a really read-only one, two programs at once, files that go away, a clock that jumps.
"""

import contextlib
import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

import evalkit.lossless
import evalkit.recordings
from evalkit.cli import main
from evalkit.dataset import import_recordings, read_dataset
from evalkit.durable import dataset_lock, write_bytes, write_stream, write_together
from evalkit.errors import EvalkitError, FileFault
from evalkit.labelling import segments_of, write_segments
from evalkit.pack_plan import plan_pack
from evalkit.packs import write_pack
from evalkit.segments import Segment
from evalkit.spans import ALL_TIME
from evalkit.unpacking import unpack

from .pack_tools import RATE_HZ, pack_of, small_dataset
from .test_dataset import contents

ROOT = Path(__file__).parents[1]


def without_lock(folder: Path) -> dict[str, str]:
    return {name: digest for name, digest in contents(folder).items() if ".evalkit/" not in name}


def test_a_part_of_the_enumeration() -> None:
    """Some 4 % of all calls, spread over every command; the whole is run by hand."""
    result = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.write_faults", "--every", "29"],
        cwd=ROOT,
        check=False,
        capture_output=True,
        text=True,
    )
    assert result.returncode == 0, result.stdout + result.stderr
    last = result.stdout.splitlines()[-1]
    match = re.fullmatch(r"(\d+) faults, 0 lost, 0 corrupt, 0 other", last)
    assert match, last
    assert int(match[1]) >= 60


def test_the_enumeration_can_fail(tmp_path: Path) -> None:
    """A writer that is not atomic is found out: the file is corrupt or lost after some kill."""
    code = """
import sys
from pathlib import Path
import evalkit.durable, evalkit.labelling
def careless(files):
    for path, data in files:
        with open(path, "wb") as stream:
            stream.write(data)
evalkit.labelling.write_together = careless
from tests.benchmarks import write_faults as bench
base = Path(sys.argv[1])
bench.prepare(base)
add = next(each for each in bench.COMMANDS if each.name == "segments add")
count = bench.enumerate_faults(add, base, every=2)
print(count.lost + count.corrupt, count.other)
"""
    (tmp_path / "base").mkdir()
    result = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "base")],
        cwd=ROOT,
        check=False,
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert result.returncode == 0, result.stderr
    bad, _ = map(int, result.stdout.split())
    assert bad >= 2


@contextlib.contextmanager
def mounted(place: Path, options: str) -> Iterator[None]:
    """Mount a memory disk; skip where that is not allowed."""
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(place)]
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        pytest.skip("only root can mount a disk of its own")
    if subprocess.run(command, check=False, capture_output=True).returncode:
        pytest.skip("no disk can be mounted here")
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def fill(place: Path, *, leave: int) -> Path:
    """Fill a disk but for some bytes, and return the file that does."""
    ballast = place / "ballast"
    handle = os.open(ballast, os.O_WRONLY | os.O_CREAT)
    with contextlib.suppress(OSError):
        while True:
            os.write(handle, b"x" * 4_096)
    os.close(handle)
    os.truncate(ballast, max(0, ballast.stat().st_size - leave))
    return ballast


@pytest.mark.parametrize("leave", [0, 8_192, 40_960])
def test_a_really_full_disk(tmp_path: Path, leave: int, capsys: pytest.CaptureFixture[str]) -> None:
    """Every command on a disk with no room, or not room enough: one line, and all is as it was."""
    disk = tmp_path / "disk"
    theirs = pack_of(small_dataset(tmp_path / "theirs", seconds=4.0), tmp_path / "theirs.zip")
    incoming = tmp_path / "new.wav"
    soundfile.write(incoming, np.random.default_rng(1).standard_normal(30_000) / 9, RATE_HZ)
    with mounted(disk, "size=900k"):
        small_dataset(disk / "bench", seconds=3.0)
        ballast = fill(disk, leave=leave)
        before = without_lock(disk)
        commands = [
            ["import", disk / "bench", incoming, "--session", "x"],
            ["pack", disk / "bench", disk / "out.zip"],
            ["unpack", theirs, disk / "bench"],
            ["unpack", theirs, disk / "club"],
        ]
        if leave == 0:
            commands.append(["segments", "add", disk / "bench", "bench", "2.5", "2.6", "tap"])
        for command in commands:
            status = main([str(part) for part in command])
            captured = capsys.readouterr()
            assert status == 1, command
            lines = [line for line in captured.err.splitlines() if "pickups do record speech" not in line]
            assert len(lines) == 1, captured.err
            assert "No space left" in lines[0] or "is the disk full?" in lines[0]
            assert "Traceback" not in captured.err
            assert without_lock(disk) == before, command
        # With room again, all of them work.
        ballast.unlink()
        for command in commands[1:3]:
            assert main([str(part) for part in command]) == 0
        read_dataset(disk / "bench")


def test_a_really_read_only_disk(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    disk = tmp_path / "disk"
    theirs = pack_of(small_dataset(tmp_path / "theirs", seconds=4.0), tmp_path / "theirs.zip")
    with mounted(disk, "size=4m"):
        bench = small_dataset(disk / "bench")
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        before = contents(disk)
        for command in (
            ["import", bench, disk / "incoming-bench" / "bench.wav", "--session", "x"],
            ["segments", "add", bench, "bench", "2.5", "2.6", "tap"],
            ["pack", bench, disk / "out.zip"],
            ["unpack", theirs, bench],
            ["unpack", theirs, disk / "club"],
        ):
            status = main([str(part) for part in command])
            captured = capsys.readouterr()
            assert status == 1, captured.err
            assert "Read-only file system" in captured.err.splitlines()[-1]
            assert "Traceback" not in captured.err
        # Reading needs no right to write; a pack can go elsewhere.
        assert main(["pack", str(bench), str(tmp_path / "out.zip")]) == 0
        assert main(["segments", "list", str(bench)]) == 0
        assert contents(disk) == before


def test_two_programs_at_once(tmp_path: Path) -> None:
    """Both unpack into one dataset, again and again: each is done, or told that the other is at it."""
    packs = [
        pack_of(small_dataset(tmp_path / f"m{k}", seconds=3.0 + k), tmp_path / f"{k}.zip", maker=f"M{k}")
        for k in (1, 2)
    ]
    bench = small_dataset(tmp_path / "bench", seconds=6.0)
    for _ in range(3):
        running = [
            subprocess.Popen(
                [sys.executable, "-m", "evalkit", "unpack", str(pack), str(bench)],
                cwd=ROOT,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                text=True,
            )
            for pack in packs
        ]
        for process in running:
            _, told = process.communicate()
            assert process.returncode in (0, 1), told
            if process.returncode == 1:
                # the holder takes the lock before it writes its name: in between it is "another program"
                assert "being written to by" in told
                assert "wait for it to end" in told
    # Whichever had to wait comes in afterwards.
    for pack in packs:
        unpack(pack, bench)
    names = {each.name for each in read_dataset(bench).recordings}
    assert names == {"bench", "lid", "bench (M1)", "lid (M1)", "bench (M2)", "lid (M2)"}
    assert not list(bench.rglob(".tmp-*"))


def test_two_programs_make_one_new_dataset(tmp_path: Path) -> None:
    pack = pack_of(small_dataset(tmp_path / "theirs"), tmp_path / "a.zip")
    command = [sys.executable, "-m", "evalkit", "unpack", str(pack), str(tmp_path / "club")]
    running = [
        subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        for _ in range(2)
    ]
    ends = [(process.communicate()[1], process.returncode) for process in running]
    assert 0 in [status for _, status in ends], ends
    assert all("Traceback" not in told for told, _ in ends)
    assert len(read_dataset(tmp_path / "club").recordings) == 2
    assert not [path for path in tmp_path.iterdir() if path.name.startswith(".tmp-")]


def test_a_recording_that_is_cut_short_while_it_is_packed(tmp_path: Path) -> None:
    bench = small_dataset(tmp_path / "bench")
    plan = plan_pack(read_dataset(bench))
    path = bench / "recordings" / "lid.wav"
    os.truncate(path, 9_000)
    with pytest.raises(FileFault, match=r"lid\.wav"):
        write_pack(plan, tmp_path / "out.zip")
    path.unlink()
    with pytest.raises(FileFault, match=r"lid\.wav: no such file"):
        write_pack(plan, tmp_path / "out.zip")
    assert sorted(each.name for each in tmp_path.iterdir()) == ["bench", "incoming-bench"]


def test_a_recording_that_changes_while_it_is_packed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its samples are read twice, to be encoded and to be compared with what was encoded."""
    bench = small_dataset(tmp_path / "bench")
    plan = plan_pack(read_dataset(bench))
    real = evalkit.recordings.read_blocks_as

    def changing(number_type: str, path: Path, **options: object) -> Iterator[np.ndarray]:
        yield from real(number_type, path, **options)
        data = bytearray(path.read_bytes())
        data[1_000] ^= 1
        path.write_bytes(data)

    monkeypatch.setattr(evalkit.lossless, "read_blocks_as", changing)
    with pytest.raises(FileFault, match=r"bench\.wav: changed while it was read"):
        write_pack(plan, tmp_path / "out.zip")
    assert not (tmp_path / "out.zip").exists()


def test_a_pack_that_goes_away_while_it_is_unpacked(tmp_path: Path) -> None:
    pack = pack_of(small_dataset(tmp_path / "theirs", seconds=4.0), tmp_path / "a.zip")
    bench = small_dataset(tmp_path / "bench")
    before = without_lock(bench)
    seen = 0

    def cut(_: int) -> None:
        nonlocal seen
        seen += 1
        if seen == 3:
            os.truncate(pack, 5_000)

    with pytest.raises(FileFault, match=r"a\.zip: "):
        unpack(pack, bench, advance=cut)
    assert without_lock(bench) == before


def test_a_clock_that_jumps(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing that is written depends on the time of day, back or ahead by years."""
    first = pack_of(small_dataset(tmp_path / "a"), tmp_path / "a.zip").read_bytes()
    real = time.time
    steps = iter(range(10_000))
    monkeypatch.setattr(time, "time", lambda: real() + (-1) ** next(steps) * 3e8)
    bench = small_dataset(tmp_path / "b")
    assert pack_of(bench, tmp_path / "b.zip").read_bytes() == first
    unpack(tmp_path / "b.zip", tmp_path / "club")
    write_segments(bench, "bench", [Segment(1, 2, "tap")], replacing=segments_of(bench, "bench"))
    assert segments_of(bench, "bench") == (Segment(1, 2, "tap"),)


def test_a_clock_that_jumps_takes_no_file_from_its_writer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the clock an hour ahead a file at work looks left over: its writer is told, nothing is lost."""
    (tmp_path / "settings.json").write_bytes(b"old")
    real = time.time

    def meanwhile(stream: object) -> None:
        monkeypatch.setattr(time, "time", lambda: real() + 1e6)
        with dataset_lock(tmp_path):
            pass

    with pytest.raises(FileFault, match=r"settings\.json: cannot be written: No such file"):
        write_stream(tmp_path / "settings.json", meanwhile)
    assert (tmp_path / "settings.json").read_bytes() == b"old"


@pytest.mark.parametrize("failing", [1, 2, 3])
def test_files_that_belong_together(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: int) -> None:
    """Whichever rename fails, all are as they were, those that were not there included."""
    (tmp_path / "a").write_bytes(b"old a")
    (tmp_path / "c").write_bytes(b"old c")
    files = [(tmp_path / name, f"new {name}".encode()) for name in "abc"]
    real, calls = os.replace, 0

    def replace(source: object, target: object) -> None:
        nonlocal calls
        calls += 1
        if calls == failing:
            raise OSError(5, "Input/output error")
        real(source, target)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(FileFault, match="cannot be written: Input/output error"):
        write_together(files)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"a": b"old a", "c": b"old c"}
    monkeypatch.setattr(os, "replace", real)
    write_together(files)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {
        name: f"new {name}".encode() for name in "abc"
    }


def test_a_folder_that_cannot_be_flushed_is_no_failed_write(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file has its name by then: whoever took it for a failure would undo half of a change."""
    real = os.fsync

    def fsync(handle: int) -> None:
        if os.path.isdir(f"/proc/self/fd/{handle}"):
            raise OSError(22, "Invalid argument")
        real(handle)

    monkeypatch.setattr(os, "fsync", fsync)
    write_bytes(tmp_path / "a", b"x")
    bench = small_dataset(tmp_path / "bench")
    import_recordings(bench, [_wav(tmp_path)], session="x", reviewed=ALL_TIME)
    assert len(read_dataset(bench).recordings) == 3


def _wav(place: Path) -> Path:
    path = place / "new.wav"
    soundfile.write(path, np.sin(np.arange(9_000) / 7) / 2, RATE_HZ)
    return path


def test_a_lock_that_cannot_be_written_to_is_a_lock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a full disk the holder's name finds no room; the work goes on, or fails by itself."""

    def fail(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "write", fail)
    monkeypatch.setattr(os, "ftruncate", fail)
    with dataset_lock(tmp_path), pytest.raises(EvalkitError, match="another program"), dataset_lock(tmp_path):
        pass
