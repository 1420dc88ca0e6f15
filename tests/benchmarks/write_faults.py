"""Faults at every write: killed, power cut, disk full, permission lost, one failed call; each enumerated.

    python -m tests.benchmarks.write_faults [--every N] [COMMAND ...]

A command (import, segments, review, pack, unpack into a dataset, unpack into a new one) runs in a
process of its own whose calls of the operating system go through a shim that counts them: opening for
writing, writing, flushing, renaming, removing, making folders. The process is run once for each call
and each kind of fault, and the fault happens at that call:

- ``kill``: SIGKILL; of a write, half has been done.
- ``power``: SIGKILL, and what was not flushed is lost: files are empty, renames and folders undone.
- ``full``: no space from then on.
- ``denied``: no permission from then on.
- ``once``: that call fails (EIO), the next ones do not.

Then the files are looked at. *Lost*: a file that was there is gone or is neither what it was nor what
it was to become. *Corrupt*: the dataset cannot be read, or something new is not whole. After a kill the
command is run again and must come to the same end as without a fault; after a reported error nothing
may have changed at all.
"""

import argparse
import builtins
import errno
import hashlib
import io
import json
import os
import shutil
import signal
import sys
import tempfile
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from evalkit.dataset import import_recordings, read_dataset
from evalkit.errors import EvalkitError
from evalkit.labelling import replace_labels, segments_of, set_reviewed, write_segments
from evalkit.pack_plan import plan_pack
from evalkit.packs import write_pack
from evalkit.segments import Segment
from evalkit.spans import ALL_TIME, Span
from evalkit.unpacking import unpack
from tests.pack_tools import pack_of, small_dataset

KINDS = ("kill", "power", "full", "denied", "once")
_DONE, _REFUSED, _BUG = 0, 3, 4
_CALLS = (
    *("open", "replace", "rename", "unlink", "remove", "rmdir", "mkdir", "fsync"),
    *("ftruncate", "write", "chmod"),
)
# What a full disk does not hinder: nothing of this takes room.
_FREEING = ("unlink", "remove", "rmdir", "fsync", "ftruncate", "replace", "chmod")


@dataclass(frozen=True)
class Command:
    """Something that writes."""

    name: str
    run: Callable[[Path], object]
    keeps: bool = False
    """Whether a label table that it replaces must be kept."""


def _import(place: Path) -> None:
    files = [place / "incoming" / f"{name}.wav" for name in ("one", "two")]
    import_recordings(
        place / "bench", files, session="new", labels=place / "incoming" / "labels", reviewed=ALL_TIME
    )


def _add(place: Path) -> None:
    before = segments_of(place / "bench", "bench")
    # A phone adds a column, of which the descriptor tells.
    added = Segment(2.5, 2.6, "other", phone="slab")
    write_segments(place / "bench", "bench", [*before, added], replacing=before)


def _replace(place: Path) -> None:
    replace_labels(place / "bench", "lid", place / "incoming" / "labels" / "other.csv")


def _pack(place: Path) -> None:
    write_pack(plan_pack(read_dataset(place / "bench")), place / "out.zip")


COMMANDS = (
    Command("import", _import),
    Command("segments add", _add),
    Command("segments import", _replace, keeps=True),
    Command("review", lambda place: set_reviewed(place / "bench", "bench", [Span(1, 2)])),
    Command("pack", _pack),
    Command("unpack", lambda place: unpack(place / "other.zip", place / "bench")),
    Command("unpack new", lambda place: unpack(place / "other.zip", place / "club")),
)


def prepare(place: Path) -> None:
    """Make what the commands work on: a dataset, files to import, and another maker's pack."""
    small_dataset(place / "bench")
    shutil.rmtree(place / "incoming-bench")
    theirs = small_dataset(place / "theirs")
    before = segments_of(theirs, "bench")
    write_segments(theirs, "bench", [Segment(0.5, 0.7, "tool")], replacing=before)
    extra = small_dataset(place / "extra", seconds=3.5)
    incoming = place / "incoming"
    (incoming / "labels").mkdir(parents=True)
    for name, source in (("one", "bench"), ("two", "lid")):
        shutil.copy(extra / "recordings" / f"{source}.wav", incoming / f"{name}.wav")
        shutil.copy(extra / "labels" / f"{source}.csv", incoming / "labels" / f"{name}.csv")
    (incoming / "labels" / "other.csv").write_text("start_s,end_s,label,note\n2.5,2.7,tool,new\n")
    # The pack holds one recording that is in the dataset already, labelled otherwise, and two new ones.
    more = small_dataset(place / "more", seconds=4.0)
    set_reviewed(theirs, "lid", [])
    files = [more / "recordings" / f"{name}.wav" for name in ("bench", "lid")]
    for file in files:
        file.rename(file.with_name(f"{file.stem}4.wav"))
    import_recordings(
        theirs, [file.with_name(f"{file.stem}4.wav") for file in files], session="s", reviewed=ALL_TIME
    )
    pack_of(theirs, place / "other.zip", maker="Bea")
    for name in ("theirs", "extra", "more", "incoming-theirs", "incoming-extra", "incoming-more"):
        shutil.rmtree(place / name)
    shutil.rmtree(place / "bench" / ".evalkit", ignore_errors=True)


class Shim:
    """Counts calls that change files, and lets the one with a certain number fail."""

    def __init__(self, kind: str | None, number: int) -> None:
        self.count = 0
        self._kind, self._number = kind, number
        self._real = {name: getattr(os, name) for name in _CALLS}
        self._real_open = builtins.open
        # For the power cut: what is not flushed yet.
        self._paths: dict[int, str] = {}
        self._dirty: set[str] = set()
        self._pending: list[tuple[str, Callable[[], object]]] = []

    def install(self) -> None:
        """Take the place of the operating system's calls."""
        for name in self._real:
            setattr(os, name, getattr(self, f"_{name}"))
        for module in (builtins, io):
            module.open = self._open_stream  # type: ignore[attr-defined]

    def _at(self, what: str, half: Callable[[], object] | None = None) -> None:
        """Count a call; let the fault happen if it is its turn."""
        self.count += 1
        if self._kind is None or self.count < self._number:
            return
        if self._kind == "full" and what in _FREEING:
            return
        if self.count > self._number and self._kind not in ("full", "denied"):
            return
        if self._kind == "kill" or self._kind == "power":
            if half is not None:
                half()
            if self._kind == "power":
                self._lose()
            os.kill(os.getpid(), signal.SIGKILL)
        code = {"full": errno.ENOSPC, "denied": errno.EACCES, "once": errno.EIO}[str(self._kind)]
        raise OSError(code, os.strerror(code))

    def _lose(self) -> None:
        for path in self._dirty:
            if os.path.exists(path):
                os.truncate(path, 0)
        for _, undo in reversed(self._pending):
            undo()

    def _open(self, path: Any, flags: int, mode: int = 0o777, **options: Any) -> int:
        if flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
            self._at("open")
        handle: int = self._real["open"](path, flags, mode, **options)
        self._paths[handle] = os.path.abspath(os.fspath(path))
        if flags & os.O_CREAT and not flags & getattr(os, "O_TMPFILE", 0) & ~os.O_DIRECTORY:
            self._dirty.add(self._paths[handle])
        return handle

    def _replace(self, source: Any, target: Any, **options: Any) -> None:
        self._at("replace")
        source, target = os.path.abspath(os.fspath(source)), os.path.abspath(os.fspath(target))
        if os.path.isfile(target):
            before = Path(target).read_bytes()
            undo: Callable[[], object] = lambda: Path(target).write_bytes(before)  # noqa: E731
        else:
            undo = lambda: os.path.exists(target) and self._real["replace"](target, source)  # noqa: E731
        self._real["replace"](source, target, **options)
        if source in self._dirty:
            self._dirty.discard(source)
            self._dirty.add(target)
        self._pending.append((os.path.dirname(target), undo))

    def _rename(self, source: Any, target: Any, **options: Any) -> None:
        self._replace(source, target, **options)

    def _mkdir(self, path: Any, *arguments: Any, **options: Any) -> None:
        self._at("mkdir")
        self._real["mkdir"](path, *arguments, **options)
        made = os.path.abspath(os.fspath(path))
        self._pending.append((os.path.dirname(made), lambda: shutil.rmtree(made, ignore_errors=True)))

    def _fsync(self, handle: int) -> None:
        self._at("fsync")
        self._real["fsync"](handle)
        path = self._paths.get(handle, "")
        self._dirty.discard(path)
        self._pending = [(folder, undo) for folder, undo in self._pending if folder != path]

    def _write(self, handle: int, data: bytes) -> int:
        self._at("write", lambda: self._real["write"](handle, data[: len(data) // 2]))
        return int(self._real["write"](handle, data))

    def _unlink(self, path: Any, **options: Any) -> None:
        self._at("unlink")
        self._real["unlink"](path, **options)
        self._dirty.discard(os.path.abspath(os.fspath(path)))

    _remove = _unlink

    def _rmdir(self, path: Any, **options: Any) -> None:
        self._at("rmdir")
        self._real["rmdir"](path, **options)

    def _ftruncate(self, handle: int, length: int) -> None:
        self._at("ftruncate")
        self._real["ftruncate"](handle, length)

    def _chmod(self, path: Any, mode: int, **options: Any) -> None:
        self._at("chmod")
        self._real["chmod"](path, mode, **options)

    def _open_stream(self, file: Any, mode: str = "r", *arguments: Any, **options: Any) -> Any:
        if not set(mode) & set("wax+"):
            return self._real_open(file, mode, *arguments, **options)
        if not isinstance(file, int):
            self._at("open")
            # A file without a name, which tempfile opens in its own way, leaves nothing behind.
            if "opener" not in options:
                self._dirty.add(os.path.abspath(os.fspath(file)))
        return _Stream(self._real_open(file, mode, *arguments, **options), self)


class _Stream:
    """A file open for writing, each write of which is a call that may fail."""

    def __init__(self, stream: Any, shim: Shim) -> None:
        self._stream, self._shim = stream, shim

    def write(self, data: Any) -> int:
        def half() -> None:
            self._stream.write(data[: len(data) // 2])
            self._stream.flush()

        self._shim._at("write", half)
        return int(self._stream.write(data))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)

    def __enter__(self) -> "_Stream":
        return self

    def __exit__(self, *_: object) -> None:
        self._stream.close()


def run_in_child(command: Command, place: Path, kind: str | None = None, number: int = 0) -> tuple[int, int]:
    """Run a command in a process of its own; return its end (negative: a signal) and its number of calls."""
    sys.stdout.flush()
    sys.stderr.flush()
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        status = _BUG
        try:
            shim = Shim(kind, number)
            raw_write = os.write
            shim.install()
            try:
                command.run(place)
                status = _DONE
            except EvalkitError:
                status = _REFUSED
            raw_write(writing, str(shim.count).encode())
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(status)
    os.close(writing)
    told = b""
    while piece := os.read(reading, 100):
        told += piece
    os.close(reading)
    _, ended = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(ended), int(told or 0)


def state_of(place: Path) -> dict[str, str]:
    """Return the hash of every file but locks, caches and what is called .tmp-*."""
    found = {}
    for path in sorted(place.rglob("*")):
        relative = path.relative_to(place)
        if (
            path.is_file()
            and ".evalkit" not in relative.parts
            and not any(part.startswith(".tmp-") for part in relative.parts)
        ):
            found[relative.as_posix()] = hashlib.sha256(_content(path)).hexdigest()
    return found


def _content(path: Path) -> bytes:
    """Return a file's bytes; of a descriptor, without the columns that it tells of label tables.

    The table is written before the descriptor: between the two the descriptor tells the old columns,
    which the next change mends and nobody reads.
    """
    data = path.read_bytes()
    if path.name == "datapackage.json":
        try:
            document = json.loads(data)
        except ValueError:
            return data
        for resource in document["resources"]:
            resource.pop("schema", None)
        return json.dumps(document).encode()
    return data


@dataclass
class Count:
    """What came of the faults of one command."""

    faults: int = 0
    lost: int = 0
    corrupt: int = 0
    other: int = 0
    """Tracebacks, an error after which something had changed, another end when run again."""
    kinds: dict[str, int] = field(default_factory=dict)
    """Faults by kind."""

    def told(self, what: str) -> None:
        """Report the bad ones as they come."""
        print(f"    {what}", file=sys.stderr, flush=True)


def _look(
    command: Command,
    before: dict[str, str],
    now: dict[str, str],
    final: dict[str, str],
    place: Path,
    count: Count,
) -> None:
    """Count what is lost or corrupt after a kill."""
    for name, digest in before.items():
        if now.get(name) not in (digest, final.get(name)) or (name in final and name not in now):
            count.lost += 1
            count.told(f"lost: {name}")
    replaced = {hashlib.sha256(path.read_bytes()).hexdigest() for path in place.glob("*/.evalkit/replaced/*")}
    for name, digest in before.items():
        if command.keeps and "/labels/" in name and now.get(name) != digest and digest not in replaced:
            count.lost += 1
            count.told(f"lost: what {name} held")
    for name, digest in now.items():
        if name not in before and final.get(name) != digest:
            count.corrupt += 1
            count.told(f"corrupt: {name}")
    for dataset in ("bench", "club"):
        if (place / dataset).exists():
            try:
                read_dataset(place / dataset)
            except EvalkitError as error:
                count.corrupt += 1
                count.told(f"corrupt: {error}")
    if any(name.startswith("club/") for name in now) and {n for n in now if n.startswith("club/")} != {
        n for n in final if n.startswith("club/")
    }:
        count.corrupt += 1
        count.told("corrupt: a part of a new dataset")


def enumerate_faults(command: Command, base: Path, *, every: int = 1, first: int = 1) -> Count:
    """Let a command fail at every call (or at every so many, from a first one) in every way."""
    count = Count()
    before = state_of(base)
    with tempfile.TemporaryDirectory(dir=base.parent) as folder:
        place = Path(folder) / "whole"
        shutil.copytree(base, place)
        status, n_calls = run_in_child(command, place)
        assert status == _DONE, f"{command.name} fails by itself"
        final = state_of(place)
        assert final != before
        for kind in KINDS:
            for number in range(first, n_calls + 1, every):
                place = Path(folder) / f"{kind}-{number}"
                shutil.copytree(base, place)
                status, _ = run_in_child(command, place, kind, number)
                count.faults += 1
                count.kinds[kind] = count.kinds.get(kind, 0) + 1
                now = state_of(place)
                if kind in ("kill", "power"):
                    if status != -signal.SIGKILL:
                        count.other += 1
                        count.told(f"{command.name} {kind} {number}: ended with {status}")
                    _look(command, before, now, final, place, count)
                    run_in_child(command, place)
                    now = state_of(place)
                    if now != final:
                        count.other += 1
                        count.told(
                            f"{command.name} {kind} {number}: run again, another end: {_differ(now, final)}"
                        )
                else:
                    expected = {_DONE: final, _REFUSED: before}.get(status)
                    if kind == "denied" and status == _REFUSED:
                        # Nothing can be taken back either: of two files the first may be new, and whole
                        # files that nobody lists may stay.
                        _look(command, before, now, final, place, count)
                        expected = now
                    if now != expected:
                        count.other += 1
                        count.told(
                            f"{command.name} {kind} {number}: {status}, {_differ(now, expected or before)}"
                        )
                shutil.rmtree(place)
    return count


def _differ(a: dict[str, str], b: dict[str, str]) -> list[str]:
    return sorted(name for name in a.keys() | b.keys() if a.get(name) != b.get(name))[:5]


def main() -> int:
    """Enumerate and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument(
        "commands", nargs="*", metavar="COMMAND", help=", ".join(each.name for each in COMMANDS)
    )
    parser.add_argument("--every", type=int, default=1, metavar="N", help="Only every N-th call.")
    given = parser.parse_args()
    print(f"{'command':<16}{'faults':>8}{'lost':>6}{'corrupt':>9}{'other':>7}")
    total = Count()
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder) / "base"
        base.mkdir()
        prepare(base)
        for command in COMMANDS:
            if given.commands and command.name not in given.commands:
                continue
            count = enumerate_faults(command, base, every=given.every)
            print(
                f"{command.name:<16}{count.faults:>8}{count.lost:>6}{count.corrupt:>9}{count.other:>7}",
                flush=True,
            )
            for what in ("faults", "lost", "corrupt", "other"):
                setattr(total, what, getattr(total, what) + getattr(count, what))
    print(f"{total.faults} faults, {total.lost} lost, {total.corrupt} corrupt, {total.other} other")
    return 1 if total.lost or total.corrupt or total.other else 0


if __name__ == "__main__":
    raise SystemExit(main())
