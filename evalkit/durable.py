"""Writes that survive a crash, and the lock that keeps two writers apart.

A file is written under a temporary name in the folder where it belongs,
flushed to the disk and renamed over the old one, and the folder is flushed
too: after a power cut there is the old file or the new one, never half of
either. What a crash leaves behind is called ``.tmp-*`` and is removed by the
next program that takes the lock.
"""

import contextlib
import os
import secrets
import stat
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from evalkit.errors import Busy, FileFault

__all__ = [
    "TEMPORARY_PREFIX",
    "copy_file",
    "dataset_lock",
    "holds",
    "make_folder",
    "move_file",
    "undone_on_failure",
    "write_bytes",
    "write_stream",
    "write_together",
]

TEMPORARY_PREFIX = ".tmp-"
"""How the names of unfinished files begin."""

_COPY_BYTES = 1 << 20
_LONGEST_WRITE_S = 3600.0


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file atomically and durably, over an old one if there is one.

    Raises
    ------
    FileFault
        If the folder or the disk does not allow it; an old file is then
        unchanged.
    """
    write_stream(path, _writer(data))


def write_stream(path: Path, fill: Callable[[BinaryIO], None]) -> None:
    """Write a file that `fill` makes, with the guarantees of `write_bytes`.

    The stream that `fill` is given can be read back and sought in; it need
    not be closed.
    """
    temporary = _stage(path, fill)
    try:
        _put(temporary, path)
    finally:
        _remove(temporary)


def write_together(files: Sequence[tuple[Path, bytes]]) -> None:
    """Write files that belong together, each with the guarantees of `write_bytes`, in this order.

    All of them are on the disk before the first gets its name, so that a full
    disk leaves all as they were. Only the death of the program between two
    renames leaves the first new and the others old.
    """
    staged: list[Path] = []
    old: list[Path | None] = []
    try:
        for path, data in files:
            staged.append(_stage(path, _writer(data)))
        # In case a later one cannot be renamed.
        for path, _ in files[:-1]:
            old.append(_stage(path, _writer(path.read_bytes())) if path.exists() else None)
        for number, (path, _) in enumerate(files):
            try:
                _put(staged[number], path)
            except FileFault:
                for before, (earlier, _) in zip(old[:number], files):
                    if before is None:
                        _remove(earlier)
                    else:
                        _put(before, earlier)
                raise
    except OSError as error:
        raise FileFault(f"{files[0][0]}: cannot be written: {_reason(error)}") from error
    finally:
        for temporary in (*staged, *old):
            if temporary is not None:
                _remove(temporary)


def _stage(path: Path, fill: Callable[[BinaryIO], None]) -> Path:
    """Write a file under a temporary name, down to the disk, and return that name."""
    temporary = path.parent / f"{TEMPORARY_PREFIX}{os.getpid()}-{secrets.token_hex(6)}"
    try:
        mode = _mode_of_regular(path)
        handle = os.open(temporary, os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
        try:
            with open(handle, "w+b") as stream:
                if mode is not None:
                    os.chmod(temporary, mode)
                fill(stream)
                stream.flush()
                os.fsync(stream.fileno())
        except BaseException:
            _remove(temporary)
            raise
    except OSError as error:
        raise FileFault(f"{path}: cannot be written: {_reason(error)}") from error
    return temporary


def _put(temporary: Path, path: Path) -> None:
    """Give a temporary file its name."""
    try:
        os.replace(temporary, path)
    except OSError as error:
        raise FileFault(f"{path}: cannot be written: {_reason(error)}") from error
    _flush_folder(path.parent)


def _remove(path: Path) -> None:
    with contextlib.suppress(OSError):
        path.unlink(missing_ok=True)


def _writer(data: bytes) -> Callable[[BinaryIO], None]:
    return lambda stream: _write_all(stream, data)


def copy_file(source: Path, target: Path, *, advance: Callable[[int], None] = lambda n_bytes: None) -> None:
    """Copy a file byte for byte with the guarantees of `write_bytes`; tell how long each piece was."""

    def copy(stream: BinaryIO) -> None:
        # The source is opened here so that its own fault is told apart from the target's.
        try:
            original = source.open("rb")
        except OSError as error:
            raise FileFault(f"{source}: cannot be read: {_reason(error)}") from error
        with original:
            while piece := original.read(_COPY_BYTES):
                stream.write(piece)
                advance(len(piece))

    write_stream(target, copy)


def holds(path: Path, data: bytes) -> bool:
    """Return whether a file holds just these bytes; a longer one is not read for it."""
    try:
        return path.stat().st_size == len(data) and path.read_bytes() == data
    except OSError as error:
        raise FileFault(f"{path}: cannot be read: {_reason(error)}") from error


def move_file(source: Path, target: Path) -> None:
    """Rename a file within one file system, over an old one if there is one, durably."""
    try:
        os.replace(source, target)
    except OSError as error:
        raise FileFault(f"{target}: cannot be written: {_reason(error)}") from error
    _flush_folder(target.parent)
    if source.parent != target.parent:
        _flush_folder(source.parent)


def make_folder(path: Path) -> bool:
    """Make a folder if it is not there, durably; return whether it was made."""
    try:
        if path.is_dir():
            return False
        path.mkdir()
    except OSError as error:
        raise FileFault(f"{path}: cannot be made: {_reason(error)}") from error
    _flush_folder(path.parent)
    return True


@contextmanager
def undone_on_failure() -> Iterator[list[Path]]:
    """Give a list for files and folders made one after another; if the block fails, they are removed."""
    made: list[Path] = []
    try:
        yield made
    except BaseException:
        for path in reversed(made):
            with contextlib.suppress(OSError):
                if path.is_dir():
                    path.rmdir()
                else:
                    path.unlink()
        raise


@contextmanager
def dataset_lock(folder: Path) -> Iterator[None]:
    """Hold the right to write to a dataset; reading needs no lock.

    The lock is the system's own on ``.evalkit/lock``: it ends with the
    program, however that ends. Unfinished files of earlier programs are
    removed once it is held, so `folder` must be a dataset's.

    Raises
    ------
    Busy
        If another program holds it, naming its number and its command.
    FileFault
        If the dataset's folder cannot be written to.
    """
    path = folder / ".evalkit" / "lock"
    try:
        if not path.parent.is_dir():
            path.parent.mkdir(exist_ok=True)
            # What is kept in it must not go with it in a power cut.
            _flush_folder(folder)
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as error:
        raise FileFault(f"{folder}: cannot be written to: {_reason(error)}") from error
    try:
        if not _take(handle):
            os.lseek(handle, 0, os.SEEK_SET)
            holder = os.read(handle, 200).decode("utf-8", "replace").strip() or "another program"
            raise Busy(f"{folder}: being written to by {holder}; wait for it to end, then try again")
        program = " ".join([Path(sys.argv[0]).name, *sys.argv[1:2]])
        # The name is for whoever has to wait; the lock holds without it, on a full disk too.
        with contextlib.suppress(OSError):
            os.ftruncate(handle, 0)
            os.write(handle, f"process {os.getpid()} ({program})\n".encode("utf-8", "replace"))
        try:
            _remove_leftovers(folder)
            yield
        finally:
            # The next program to look must not read the name of one that has ended.
            with contextlib.suppress(OSError):
                os.ftruncate(handle, 0)
    finally:
        os.close(handle)


def _mode_of_regular(path: Path) -> int | None:
    """Return the permissions of a file that is to be replaced; devices and folders never are."""
    try:
        status = path.stat()
    except FileNotFoundError:
        return None
    if not stat.S_ISREG(status.st_mode):
        kind = "a folder" if stat.S_ISDIR(status.st_mode) else "not a regular file"
        raise FileFault(f"{path}: cannot be written: it is {kind}")
    return stat.S_IMODE(status.st_mode)


def _write_all(stream: BinaryIO, data: bytes) -> None:
    stream.write(data)


def _flush_folder(folder: Path) -> None:
    """Make a rename survive a power cut, where the file system can.

    A failure is not told: the file has its new name by now, and whoever took this for a failed
    write would undo the rest of a change that has happened.
    """
    if sys.platform == "win32":
        return
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _remove_leftovers(folder: Path) -> None:
    """Remove unfinished files; only the holder of the lock may, since a writer's own look the same.

    Recordings and labels are written under the lock alone. In the folder itself other programs
    write results without it, so there only what is too old to be under way is removed.
    """
    leftovers = [
        path
        for place in ("recordings", "labels", "labels-of/*")
        for path in folder.glob(f"{place}/{TEMPORARY_PREFIX}*")
    ]
    with contextlib.suppress(OSError):
        too_old = time.time() - _LONGEST_WRITE_S
        leftovers += [path for path in folder.glob(f"{TEMPORARY_PREFIX}*") if path.stat().st_mtime < too_old]
    for leftover in leftovers:
        with contextlib.suppress(OSError):
            leftover.unlink()


def _reason(error: OSError) -> str:
    return error.strerror or str(error)


if sys.platform == "win32":
    import msvcrt

    # Windows locks bytes of a file against reading too: one far past the text is locked.
    _LOCKED_BYTE = 1 << 20

    def _take(handle: int) -> bool:
        """Try to take the lock without waiting."""
        os.lseek(handle, _LOCKED_BYTE, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            os.lseek(handle, 0, os.SEEK_SET)
        return True

else:
    import fcntl

    def _take(handle: int) -> bool:
        """Try to take the lock without waiting."""
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
