"""Atomic writes and the lock."""

import errno
import os
import signal
import stat
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from evalkit.durable import copy_file, dataset_lock, holds, move_file, write_bytes
from evalkit.errors import Busy, FileFault

SOURCE = Path(__file__).parents[1]


def run_python(code: str, *arguments: str) -> "subprocess.CompletedProcess[str]":
    """Run a program in a process of its own, with evalkit on its path."""
    return subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code), *arguments],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(SOURCE)},
    )


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_write_makes_and_replaces_a_file_and_leaves_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "labels.csv"
    write_bytes(path, b"first")
    write_bytes(path, b"second")
    assert path.read_bytes() == b"second"
    assert names_in(tmp_path) == ["labels.csv"]


def test_replacing_keeps_permissions(tmp_path: Path) -> None:
    path = tmp_path / "labels.csv"
    path.write_bytes(b"first")
    path.chmod(0o640)
    write_bytes(path, b"second")
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


@pytest.mark.parametrize("failing", ["replace", "fsync"])
def test_a_full_disk_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: str
) -> None:
    path = tmp_path / "labels.csv"
    write_bytes(path, b"old")

    def fail(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, failing, fail)
    with pytest.raises(FileFault, match=r"labels\.csv: cannot be written: No space left"):
        write_bytes(path, b"new")
    assert path.read_bytes() == b"old"
    assert names_in(tmp_path) == ["labels.csv"]


def test_a_killed_writer_leaves_the_old_file_and_a_leftover_that_the_next_lock_removes(
    tmp_path: Path,
) -> None:
    labels = tmp_path / "labels"
    labels.mkdir()
    write_bytes(labels / "a.csv", b"old")
    result = run_python(
        """
        import os, signal, sys
        from pathlib import Path
        from evalkit.durable import write_bytes
        os.fsync = lambda _: os.kill(os.getpid(), signal.SIGKILL)
        write_bytes(Path(sys.argv[1]), b"new")
        """,
        str(labels / "a.csv"),
    )
    assert result.returncode == -signal.SIGKILL
    assert (labels / "a.csv").read_bytes() == b"old"
    assert [name.startswith(".tmp-") for name in names_in(labels)] == [True, False]
    with dataset_lock(tmp_path):
        assert names_in(labels) == ["a.csv"]


@pytest.mark.parametrize("target", ["a folder", "a pipe"])
def test_only_regular_files_are_replaced(tmp_path: Path, target: str) -> None:
    path = tmp_path / "out.csv"
    if target == "a folder":
        path.mkdir()
    else:
        os.mkfifo(path)
    with pytest.raises(FileFault, match=r"out\.csv: cannot be written: it is (a folder|not a regular file)"):
        write_bytes(path, b"x")
    assert not path.is_file()


def test_copy_is_byte_for_byte_and_names_a_missing_source(tmp_path: Path) -> None:
    data = bytes(range(256)) * 9_000
    (tmp_path / "a.wav").write_bytes(data)
    copy_file(tmp_path / "a.wav", tmp_path / "b.wav")
    assert (tmp_path / "b.wav").read_bytes() == data
    with pytest.raises(FileFault, match=r"none\.wav: cannot be read: No such file"):
        copy_file(tmp_path / "none.wav", tmp_path / "c.wav")
    assert names_in(tmp_path) == ["a.wav", "b.wav"]


def test_move_replaces(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"a")
    (tmp_path / "b").write_bytes(b"b")
    move_file(tmp_path / "a", tmp_path / "b")
    assert names_in(tmp_path) == ["b"]
    assert (tmp_path / "b").read_bytes() == b"a"


def test_second_writer_is_told_who_holds_the_lock(tmp_path: Path) -> None:
    holder = rf"being written to by process {os.getpid()} \("
    with dataset_lock(tmp_path), pytest.raises(Busy, match=holder), dataset_lock(tmp_path):
        pass
    # Free again, and no name of the past in it.
    assert (tmp_path / ".evalkit" / "lock").read_bytes() == b""
    with dataset_lock(tmp_path):
        pass


def test_second_writer_in_another_process_is_told(tmp_path: Path) -> None:
    code = """
        import sys
        from pathlib import Path
        from evalkit.durable import dataset_lock
        from evalkit.errors import Busy
        try:
            with dataset_lock(Path(sys.argv[1])):
                print("taken")
        except Busy as error:
            print(error)
    """
    with dataset_lock(tmp_path):
        assert f"process {os.getpid()}" in run_python(code, str(tmp_path)).stdout
    assert run_python(code, str(tmp_path)).stdout == "taken\n"


def test_the_lock_ends_with_a_killed_program(tmp_path: Path) -> None:
    code = """
        import os, signal, sys
        from pathlib import Path
        from evalkit.durable import dataset_lock
        with dataset_lock(Path(sys.argv[1])):
            os.kill(os.getpid(), signal.SIGKILL)
    """
    assert run_python(code, str(tmp_path)).returncode == -signal.SIGKILL
    with dataset_lock(tmp_path):
        pass


def test_leftovers_are_removed_and_nothing_else(tmp_path: Path) -> None:
    for name in ("recordings", "labels"):
        (tmp_path / name).mkdir()
        (tmp_path / name / ".tmp-12-ab").write_bytes(b"x")
        (tmp_path / name / "tmp-mine.wav").write_bytes(b"x")
    # Results are written without the lock: what is new there may be under way.
    for name, age_s in ((".tmp-old", 7_200), (".tmp-new", 0)):
        (tmp_path / name).write_bytes(b"x")
        os.utime(tmp_path / name, (time.time() - age_s, time.time() - age_s))
    with dataset_lock(tmp_path):
        pass
    assert names_in(tmp_path) == [".evalkit", ".tmp-new", "labels", "recordings"]
    assert names_in(tmp_path / "labels") == ["tmp-mine.wav"]


def test_no_dataset_to_lock(tmp_path: Path) -> None:
    with (
        pytest.raises(FileFault, match="cannot be written to: No such file"),
        dataset_lock(tmp_path / "none"),
    ):
        pass


def test_a_file_of_another_length_is_not_read_to_be_compared(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a").write_bytes(b"1234")
    assert holds(tmp_path / "a", b"1234")
    assert not holds(tmp_path / "a", b"1235")
    monkeypatch.setattr(Path, "read_bytes", lambda _: pytest.fail("read"))
    assert not holds(tmp_path / "a", b"12345")
    with pytest.raises(FileFault, match=r"b: cannot be read: No such file"):
        holds(tmp_path / "b", b"")
