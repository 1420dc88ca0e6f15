"""The command that shows everything on an invented workshop."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from evalkit.cli.console import progress, say
from evalkit.cli.report import SOUND_MB, summary_lines

__all__ = ["register"]

_DEFAULT = Path("datasets") / "demo"
_REPORT = Path("reports") / "demo"
_MOST_MISTAKES = 24


def register(app: typer.Typer) -> None:
    """Add the command of this file."""
    app.command("demo")(_demo)


def _demo(
    dataset: Annotated[
        Path | None,
        typer.Argument(
            metavar="[DATASET]", help="Made if absent, else used as it is; datasets/demo here if left out."
        ),
    ] = None,
) -> None:
    """Build an invented workshop, recommend a setting of the box for it and write the report."""
    # said before the imports, which take a while
    say("the demo's place, phones, machines and recordings are all invented: synthesised, measured nowhere")
    from evalkit.cache import CrossingCache
    from evalkit.dataset import read_dataset
    from evalkit.demo.build import build_demo, build_hard_session
    from evalkit.report.contents import contents_of
    from evalkit.report.page import page_of
    from evalkit.report.writing import write_report
    from evalkit.training import DetectorName

    folder = dataset if dataset is not None else _DEFAULT
    hard = folder.resolve().parent / "hard"
    for place, build in ((folder, build_demo), (hard, build_hard_session)):
        if not place.exists():
            with _building(f"building {place.name}") as told:
                build(place, told)
    opened = read_dataset(folder)
    cache = CrossingCache(opened.folder)
    with progress(f"scoring {opened.folder.name}") as report:
        contents = contents_of(
            opened,
            [DetectorName.CIRCUIT, DetectorName.ENVELOPE],
            cache=cache,
            most_mistakes=_MOST_MISTAKES,
            most_sound_bytes=round(1e6 * SOUND_MB),
            hard=hard,
            progress=report,
        )
    page = page_of(contents)
    written = write_report(_REPORT, contents, page)
    for line in summary_lines(page):
        print(line)
    say(f"wrote {written}; open it in a browser")


@contextmanager
def _building(what: str) -> Iterator[Callable[[str, float], None]]:
    """Show on standard error how much of a dataset is built."""
    with progress(what) as bar:
        yield lambda _, done: bar(done, 1.0)
