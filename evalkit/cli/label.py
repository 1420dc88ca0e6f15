"""The command label: the editor in the terminal."""

import sys
from typing import Annotated

import typer

from evalkit.cli.console import DatasetArgument, JsonOption, print_json, say
from evalkit.errors import WrongUse

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command of this file."""
    app.command("label")(_label)


def _label(
    dataset: DatasetArgument,
    recording: Annotated[
        str | None,
        typer.Argument(metavar="[RECORDING]", help="Where to begin; else the first not fully reviewed."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Label recordings in a full-screen editor; ? shows every key."""
    if not (sys.stdin.isatty() and sys.__stderr__ is not None and sys.__stderr__.isatty()):
        raise WrongUse("label needs a terminal; `evalkit segments` changes labels without one")
    from evalkit.editor.run import run_editor

    outcomes = run_editor(dataset, recording)
    for outcome in outcomes:
        if outcome.unsaved is not None:
            say(f"{outcome.recording}: not written: {outcome.unsaved}; the changes are kept for next time")
    if as_json:
        print_json(
            {
                "recordings": [
                    {"recording": each.recording, "changes": each.changes, "unsaved": each.unsaved}
                    for each in outcomes
                ]
            }
        )
