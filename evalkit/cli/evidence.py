"""The command that says what to record next."""

from typing import Annotated

import typer

from evalkit.cli.console import DatasetArgument, JsonOption, print_json, progress
from evalkit.cli.scoring import (
    SameScale,
    SchedulerOption,
    WorkersOption,
    detector_named,
    read_pooled,
)

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command of this file."""
    app.command("plan")(_plan)


def _plan(
    dataset: DatasetArgument,
    detector: Annotated[
        str, typer.Option("--detector", metavar="NAME", help="Detector whose claims are to be proven.")
    ] = "circuit",
    workers: WorkersOption = None,
    scheduler: SchedulerOption = None,
    same_scale: SameScale = False,
    as_json: JsonOption = False,
) -> None:
    """Say what to record next: how much of what, in which order it pays, what it would show."""
    with progress(f"scoring {dataset.resolve().name}") as report:
        from evalkit.cache import CrossingCache
        from evalkit.documents import plan_document
        from evalkit.planning import plan
        from evalkit.recommendation import recommend
        from evalkit.report.comparing import plan_lines
        from evalkit.workers import open_workers

        name = detector_named(detector)
        opened = read_pooled(dataset, same_scale)
        cache = CrossingCache(opened.folder)
        with open_workers(workers, scheduler) as team:
            found = recommend(opened, name, cache=cache, progress=report, workers=team)
    wanted = plan(found, opened.day)
    if as_json:
        print_json(plan_document(wanted, str(name)))
        return
    for line in plan_lines(wanted):
        print(line)
