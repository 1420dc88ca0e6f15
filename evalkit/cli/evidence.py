"""The command that says what to record next."""

from typing import Annotated

import typer

from evalkit.cli.console import DatasetArgument, JsonOption, print_json
from evalkit.cli.scoring import SameScale, audio_progress, detector_named

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command of this file."""
    app.command("plan")(_plan)


def _plan(
    dataset: DatasetArgument,
    detector: Annotated[
        str, typer.Option("--detector", metavar="NAME", help="Detector whose claims are to be proven.")
    ] = "circuit",
    same_scale: SameScale = False,
    as_json: JsonOption = False,
) -> None:
    """Say what to record next: how much of what, in which order it pays, what it would show."""
    from evalkit.cache import CrossingCache
    from evalkit.dataset import read_dataset
    from evalkit.documents import plan_document
    from evalkit.planning import plan
    from evalkit.recommendation import recommend
    from evalkit.report.comparing import plan_lines

    name = detector_named(detector)
    opened = read_dataset(dataset)
    with audio_progress(f"scoring {opened.folder.name}") as report:
        found = recommend(
            opened, name, cache=CrossingCache(opened.folder), progress=report, same_scale=same_scale
        )
    wanted = plan(found, opened.day)
    if as_json:
        print_json(plan_document(wanted, str(name)))
        return
    for line in plan_lines(wanted):
        print(line)
