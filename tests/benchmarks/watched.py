"""Run a command as a person would, on a terminal of its own, and note what it took.

Only the standard library is imported here: what a child is charged with as its peak of memory is at least
what its parent held when it was started (Linux, `getrusage`), so the parent must stay small.
"""

import os
import pty
import select
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Watched", "environment", "evalkit_command", "watch"]

_LINES, _COLUMNS = 50, 160


@dataclass(frozen=True)
class Watched:
    """One run of a command."""

    wall_s: float
    cpu_s: float
    """Of all its threads, user and system."""
    peak_mb: float
    """Most memory that was resident, pages of files that it maps included."""
    first_s: float | None
    """Until the first byte on its terminal; None: it said nothing."""
    status: int
    text: str
    """The end of what it said."""


def evalkit_command(*arguments: str | Path) -> list[str]:
    """Return the command line of an evalkit command, run by this Python."""
    return [sys.executable, "-m", "evalkit", *map(str, arguments)]


def environment() -> dict[str, str]:
    """Return an environment in which this checkout's evalkit is run."""
    return {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}


def watch(
    command: Sequence[str],
    *,
    folder: Path,
    speak: Callable[[subprocess.Popen[bytes], str], str | None] | None = None,
) -> Watched:
    """Run a command with a terminal as its output and wait for its end.

    Parameters
    ----------
    command : sequence of str
    folder : Path
        Where it runs.
    speak : callable, optional
        Given the process and what it said so far, now and then; returns what is to be typed. Without it
        there is nothing on standard input.
    """
    ours, theirs = pty.openpty()
    _set_size(theirs)
    own = {**environment(), "TERM": "xterm-256color", "COLUMNS": str(_COLUMNS), "LINES": str(_LINES)}
    start_s = time.perf_counter()
    process = subprocess.Popen(
        command,
        cwd=folder,
        env=own,
        stdin=theirs if speak is not None else subprocess.DEVNULL,
        stdout=theirs,
        stderr=theirs,
        start_new_session=True,
    )
    os.close(theirs)
    said, first_s = b"", None
    while True:
        ready, _, _ = select.select([ours], [], [], 0.2)
        if ready:
            try:
                piece = os.read(ours, 1 << 16)
            except OSError:
                # Linux says so when nobody has the other end any more.
                break
            if not piece:
                break
            if first_s is None:
                first_s = time.perf_counter() - start_s
            said = (said + piece)[-100_000:]
        if speak is not None and (typed := speak(process, said.decode("utf-8", "replace"))) is not None:
            os.write(ours, typed.encode())
    _, code, used = os.wait4(process.pid, 0)
    wall_s = time.perf_counter() - start_s
    os.close(ours)
    process.returncode = os.waitstatus_to_exitcode(code)
    # Linux counts the peak in kibibytes.
    peak_mb = used.ru_maxrss * 1024 / 1e6
    return Watched(
        wall_s,
        used.ru_utime + used.ru_stime,
        peak_mb,
        first_s,
        process.returncode,
        said.decode("utf-8", "replace"),
    )


def _set_size(terminal: int) -> None:
    import fcntl
    import termios

    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", _LINES, _COLUMNS, 0, 0))
