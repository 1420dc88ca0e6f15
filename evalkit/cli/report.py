"""The command that writes a report."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from evalkit.cli.bench import write_or_print_bench_sheet
from evalkit.cli.console import DatasetArgument, JsonOption, number, print_json, progress, say
from evalkit.cli.scoring import SameScale, SchedulerOption, WorkersOption, read_pooled
from evalkit.errors import WrongUse

if TYPE_CHECKING:
    from evalkit.report.page import Page
    from evalkit.training import DetectorName

__all__ = ["SOUND_MB", "register", "summary_lines"]

SOUND_MB = 3.0
"""How much compressed sound a page holds by default."""
_MOST_SOUND_MB = 100.0


def register(app: typer.Typer) -> None:
    """Add the command of this file."""
    app.command("report")(_report)


def _report(
    dataset: DatasetArgument,
    other: Annotated[
        Path | None,
        typer.Argument(metavar="[DATASET_B]", help="Another dataset, or the same with another board."),
    ] = None,
    detector: Annotated[
        list[str] | None,
        typer.Option(
            "--detector",
            metavar="NAME",
            help="Detector that the report is about; further ones are compared with it. "
            "circuit and envelope if left out.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FOLDER", help="Where to write; reports/NAME here if left out."),
    ] = None,
    plain: Annotated[
        bool,
        typer.Option(
            "--plain", help="The whole report as Markdown: on standard output, or as files with --out."
        ),
    ] = False,
    bench: Annotated[
        bool,
        typer.Option(
            "--bench", help="Only the bench sheet, to print on one page; with --plain on standard output."
        ),
    ] = False,
    meter_ohms: Annotated[
        float | None,
        typer.Option(
            "--meter-ohms",
            metavar="R",
            parser=number("ohm"),
            help="Resistance of the meter that the bench sheet's readings are for; 10M if left out.",
        ),
    ] = None,
    most_mistakes: Annotated[
        int,
        typer.Option(
            "--mistakes", metavar="N", min=0, help="Mistakes shown one by one; the rest is counted."
        ),
    ] = 24,
    sound_mb: Annotated[
        float,
        typer.Option("--sound-mb", metavar="MB", help="Most compressed sound in the page; 0: none."),
    ] = SOUND_MB,
    workers: WorkersOption = None,
    scheduler: SchedulerOption = None,
    same_scale: SameScale = False,
    as_json: JsonOption = False,
) -> None:
    """Write a report that opens in any browser, offline: answer, evidence, every mistake."""
    if not 0.0 <= sound_mb <= _MOST_SOUND_MB:
        raise WrongUse(f"--sound-mb {sound_mb:g} must lie between 0 and {_MOST_SOUND_MB:g}")
    if meter_ohms is not None and meter_ohms <= 0.0:
        raise WrongUse(f"--meter-ohms {meter_ohms:g} must be above 0")
    name = dataset.resolve().name
    with progress(f"scoring {name}") as report:
        from evalkit.workers import open_workers

        names = [_named(name) for name in detector or ("circuit", "envelope")]
        opened = read_pooled(dataset, same_scale)
    with open_workers(workers, scheduler) as team:
        if bench:
            folder = None if plain else out or Path("reports") / name
            write_or_print_bench_sheet(opened, names[0], out=folder, meter_ohm=meter_ohms, workers=team)
            return
        with progress(f"scoring {name}") as report:
            from evalkit.cache import CrossingCache
            from evalkit.recommendation import recommend
            from evalkit.report.comparison import compared, side_of
            from evalkit.report.contents import contents_of
            from evalkit.report.page import as_markdown, page_of
            from evalkit.report.tables import report_document
            from evalkit.report.writing import write_plain, write_report

            cache = CrossingCache(opened.folder)
            contents = contents_of(
                opened,
                names,
                cache=cache,
                most_mistakes=most_mistakes,
                most_sound_bytes=round(1e6 * sound_mb),
                meter_ohm=meter_ohms,
                progress=report,
                workers=team,
            )
        if other is None:
            page = page_of(contents)
        else:
            opened_b = read_pooled(other, same_scale)
            cache_b = CrossingCache(opened_b.folder)
            with progress(f"scoring {opened_b.folder.name}") as report:
                found_b = recommend(
                    opened_b,
                    names[0],
                    cache=cache_b,
                    progress=report,
                    workers=team,
                )
            sides = side_of(opened, contents.found, cache), side_of(opened_b, found_b, cache_b)
            page = page_of(contents, compared(*sides), sides[1])
    if plain and out is None:
        if as_json:
            raise WrongUse("--plain without --out prints the text itself, so it does not go with --json")
        print(as_markdown(page), end="")
        return
    folder = out if out is not None else Path("reports") / opened.folder.resolve().name
    written = write_plain(folder, contents, page) if plain else write_report(folder, contents, page)
    if as_json:
        print_json(report_document(contents, str(written)))
    else:
        for line in summary_lines(page):
            print(line)
    say(f"wrote {written}")


def summary_lines(page: "Page") -> list[str]:
    """Return five lines: setting, verdict, and what to expect of calls, false alarms and response."""
    dials = ", ".join(f"{what.lower()} {value}" for what, value, _ in page.dials)
    return [
        f"{page.title}: {dials}",
        f"{page.verdict}. {page.verdict_sentence}",
        *(f"{question}: {answer}; {sure}" for question, answer, sure in page.expectations),
    ]


def _named(name: str) -> "DetectorName":
    from evalkit.training import DetectorName

    try:
        return DetectorName(name)
    except ValueError:
        known = ", ".join(DetectorName)
        raise WrongUse(f"unknown detector {name!r}; known are {known}") from None
