"""The command line: each file here adds a group of commands, each command only translates.

`--help` must stay quick, so a command imports what it computes with when it
runs, never at the top of its file.
"""

from collections.abc import Sequence

import typer

from evalkit.cli import bench, data, demo, evidence, label, labels, report, scoring, sharing
from evalkit.cli.console import run

__all__ = ["app", "main"]

app = typer.Typer(
    name="evalkit",
    help="Find, score and build the settings of a vibration alert from recordings of the real place.",
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
# Every file has one function register(app); the order is that of the help page.
for _part in (demo, data, label, labels, scoring, evidence, report, bench, sharing):
    _part.register(app)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run evalkit with the arguments of the command line, or with these, and return the exit status."""
    return run(app, arguments)
