"""What all commands share: tables and JSON out, numbers in, errors in one line.

Results go to standard output, everything else to standard error. Nothing
that a file or an argument brought along reaches a terminal as it is:
control characters are written as escapes, and rich's markup is off.
"""

import json
import os
import sys
import threading
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer

from evalkit.errors import EvalkitError
from evalkit.names import visible

__all__ = [
    "DatasetArgument",
    "JsonOption",
    "number",
    "print_json",
    "print_table",
    "progress",
    "run",
    "say",
    "sum_of",
    "whole_number",
]

DatasetArgument = Annotated[Path, typer.Argument(metavar="DATASET", help="The dataset's folder.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document, for machines.")]

_MOST_DETAILS = 20
_FIRST_LINE_S, _LINE_EVERY_S = 0.5, 60.0
# What a shell reports for a program that a closed pipe or an interrupt has ended.
_CLOSED_PIPE = 141
_INTERRUPTED = 130
# The class that typer and the click it once needed have in common has no public name.
_UsageError: type[Any] = typer.BadParameter.__mro__[1]


def run(app: typer.Typer, arguments: Sequence[str] | None = None) -> int:
    """Run a command line and return its exit status; every error of ours is told in one line."""
    command = typer.main.get_command(app)
    given = list(sys.argv[1:] if arguments is None else arguments)
    try:
        for stream in (sys.stdout, sys.stderr):
            if hasattr(stream, "reconfigure"):
                stream.reconfigure(errors="backslashreplace")
        status = command.main(args=given or ["--help"], prog_name="evalkit", standalone_mode=False)
        sys.stdout.flush()
        return status if isinstance(status, int) else 0
    except EvalkitError as error:
        say(str(error))
        for line in error.details[:_MOST_DETAILS]:
            say(f"  {line}", prefix="")
        if len(error.details) > _MOST_DETAILS:
            say(f"  and {len(error.details) - _MOST_DETAILS} more", prefix="")
        return error.exit_status
    except _UsageError as error:
        where = error.ctx.command_path if error.ctx is not None else "evalkit"
        say(f"{_one_line(error.format_message())} (see {where} --help)")
        return 2
    except (KeyboardInterrupt, typer.Abort):
        say("interrupted")
        return _INTERRUPTED
    except (BrokenPipeError, SystemExit):
        # Whoever read our output has enough of it (typer exits by itself when it sees that, and
        # else never does). Python would complain of the rest at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _CLOSED_PIPE


def say(message: str, *, prefix: str = "evalkit: ") -> None:
    """Print one line to standard error."""
    print(prefix + visible(message), file=sys.stderr)


def print_json(document: Mapping[str, Any]) -> None:
    """Print the one JSON document of a command; figures that are not finite are a bug of the caller."""
    print(json.dumps(document, indent=2, ensure_ascii=True, allow_nan=False))


def print_table(
    title: str, columns: Sequence[str], rows: Iterable[Sequence[str]], *, right: Collection[str] = ()
) -> None:
    """Print a table; where nobody looks at it, as wide as its content.

    Parameters
    ----------
    title : str
        Printed above it.
    columns : sequence of str
        Headings.
    rows : iterable of sequence of str
        Cells.
    right : collection of str
        The columns that are aligned to the right (figures).
    """
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(
        title=Text(visible(title)), title_justify="left", box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False
    )
    for column in columns:
        # Folded, not cut: a name or a reason that is cut off helps nobody.
        table.add_column(Text(column), justify="right" if column in right else "left", overflow="fold")
    for row in rows:
        table.add_row(*(Text(visible(cell)) for cell in row))
    console = Console(highlight=False, markup=False, emoji=False)
    if console.is_terminal:
        console.print(table)
        return
    wide = Console(highlight=False, markup=False, emoji=False, width=10_000)
    with wide.capture() as capture:
        wide.print(table)
    print("\n".join(line.rstrip() for line in capture.get().splitlines()))


@contextmanager
def progress(what: str) -> Iterator[Callable[[float, float], None]]:
    """Say on standard error what long work is under way and how far it is: what is done, of how much.

    On a terminal that is a bar with the time left, shown at once: enter it
    before anything heavy is imported. Elsewhere it is a line after half a
    second, then one a minute: quick work leaves no trace in a script's log.
    """
    if not sys.stderr.isatty():
        lines = _Lines(what)
        # A thread of its own, since what comes first (imports, tones played to a board) tells nothing.
        first = threading.Timer(_FIRST_LINE_S, say, (what,))
        first.daemon = True
        first.start()
        try:
            yield lines.report
        finally:
            first.cancel()
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def sum_of(report: Callable[[float, float], None], total: float) -> Callable[[float], None]:
    """Return what is to be told the parts of a whole as they are done."""
    done = 0.0

    def advance(amount: float) -> None:
        nonlocal done
        done += amount
        report(done, total)

    return advance


class _Lines:
    """Tells in lines how far a job is, one a minute."""

    def __init__(self, what: str) -> None:
        self._what = what
        self._begun_s = self._told_s = time.monotonic()

    def report(self, done: float, total: float) -> None:
        now_s = time.monotonic()
        if now_s - self._told_s < _LINE_EVERY_S or not 0.0 < done <= total:
            return
        self._told_s = now_s
        left_min = (now_s - self._begun_s) * (total - done) / done / 60.0
        say(f"{self._what}: {100.0 * done / total:.0f} %, about {max(1.0, left_min):.0f} min left")


def number(unit: str) -> Callable[[str], float]:
    """Return a reader of numbers with SI prefixes and, if given, the unit: ``4.7u``, ``100k``, ``2 V``.

    Examples
    --------
    >>> number("V")("20m")
    0.02
    """

    def read(text: str) -> float:
        from quantiphy import InvalidNumber, Quantity

        try:
            # quantiphy would take a decimal comma for a separator of thousands.
            quantity = Quantity(text) if not set(text) & set(",_ '") - {" "} else None
        except InvalidNumber:
            quantity = None
        if (
            quantity is None
            or quantity.units not in ("", unit)
            or quantity.is_infinite()
            or quantity.is_nan()
        ):
            raise typer.BadParameter(f"{text!r} is not a number of {unit or 'this kind'}, like 4.7u or 100k")
        return float(quantity)

    # typer shows the reader's name where a value is wanted.
    read.__name__ = unit or "number"
    return read


def whole_number(text: str) -> int:
    """Read a whole number."""
    try:
        return int(text)
    except ValueError as error:
        raise typer.BadParameter(f"{text!r} is not a whole number") from error


def _one_line(text: str) -> str:
    return " ".join(text.split()).rstrip(".")
