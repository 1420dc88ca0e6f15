"""Commands that compute: score and recommend."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from evalkit.cli.console import DatasetArgument, JsonOption, number, print_json, print_table, say
from evalkit.errors import WrongUse

if TYPE_CHECKING:
    from evalkit.dataset import Dataset
    from evalkit.recommendation import Recommendation
    from evalkit.scoring import DetectorName, JudgedAlert

__all__ = ["register"]

_SameScale = Annotated[
    bool,
    typer.Option("--same-scale", help="Pool uncalibrated sessions: full scale, gain and input were equal."),
]


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command("score")(_score)
    app.command("recommend")(_recommend)


def _score(
    dataset: DatasetArgument,
    detector: Annotated[
        list[str] | None,
        typer.Option("--detector", metavar="NAME", help="May be given several times; all if left out."),
    ] = None,
    threshold_v: Annotated[
        float | None,
        typer.Option(
            "--threshold-v", metavar="V", parser=number("V"), help="V peak of a 175 Hz tone at the pickup."
        ),
    ] = None,
    threshold_dbfs: Annotated[
        float | None,
        typer.Option("--threshold-dbfs", metavar="X", parser=number("dB"), help="In dB of full scale."),
    ] = None,
    delay_s: Annotated[
        float | None, typer.Option("--delay-s", metavar="S", parser=number("s"), help="Integrator delay.")
    ] = None,
    same_scale: _SameScale = False,
    as_json: JsonOption = False,
) -> None:
    """Score detectors; with a threshold and a delay, list that setting's alerts one by one."""
    from evalkit.dataset import read_dataset

    names = [_detector(name) for name in detector or _all_detectors()]
    thresholds = [v for v in (threshold_v, threshold_dbfs) if v is not None]
    if len(thresholds) > 1 or bool(thresholds) != (delay_s is not None):
        raise WrongUse("a setting is one --threshold-v or --threshold-dbfs together with --delay-s")
    opened = read_dataset(dataset)
    if delay_s is None:
        _score_plane(opened, names, same_scale, as_json)
        return
    if not 0.0 < delay_s < 3600.0:
        raise WrongUse(f"--delay-s {delay_s:g} must be above 0 and under an hour")
    if threshold_v is not None and threshold_v <= 0.0:
        raise WrongUse(f"--threshold-v {threshold_v:g} must be above 0")
    if len(names) > 1 and detector is None:
        names = names[:1]
    _list_alerts(opened, names, threshold_v, threshold_dbfs, delay_s, as_json)


def _recommend(
    dataset: DatasetArgument,
    detector: Annotated[str, typer.Option("--detector", metavar="NAME", help="Detector to set.")] = "circuit",
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Where to write; DATASET/settings.json if left out."),
    ] = None,
    same_scale: _SameScale = False,
    as_json: JsonOption = False,
) -> None:
    """Recommend threshold and delay with evidence; write settings.json."""
    from evalkit.cache import CrossingCache
    from evalkit.dataset import read_dataset
    from evalkit.recommendation import recommend
    from evalkit.settings import settings_document, write_settings

    opened = read_dataset(dataset)
    with audio_progress(f"scoring {opened.folder.name}") as report:
        found = recommend(
            opened,
            _detector(detector),
            cache=CrossingCache(opened.folder),
            progress=report,
            same_scale=same_scale,
        )
    document = settings_document(found, opened)
    target = out if out is not None else opened.folder / "settings.json"
    write_settings(target, document)
    if as_json:
        print_json(document)
    else:
        print_recommendation(found, opened)
    say(f"wrote {target}")


@contextmanager
def audio_progress(what: str) -> Iterator[Callable[[float, float], None]]:
    """Show on standard error how much of the audio is done and the time left."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    console = Console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def print_recommendation(found: "Recommendation", opened: "Dataset") -> None:
    """Print the setting, the figures and how far they are proven."""
    from evalkit.parts import choose_parts
    from evalkit.recommendation import sentences
    from evalkit.report.wording import headline, outcome_rows, setting_rows

    for line in headline(found, opened.day):
        print(line)
    print()
    print_table("Setting", ("what", "value"), setting_rows(found, choose_parts(found, opened)))
    print()
    print_table(
        "Held out shows what to expect; the other column is on the recordings it was chosen from",
        ("figure", "limit", "held out", "chosen from"),
        outcome_rows(found, opened.day),
    )
    for line in sentences(found, opened.day):
        print(f"- {line}")


def _score_plane(opened: "Dataset", names: "list[DetectorName]", same_scale: bool, as_json: bool) -> None:
    from evalkit.cache import CrossingCache
    from evalkit.curves import curves_of
    from evalkit.recommendation import recommend
    from evalkit.report.wording import class_rows, score_row
    from evalkit.settings import auc_document, settings_document

    cache = CrossingCache(opened.folder)
    results = []
    for name in names:
        with audio_progress(f"{name}") as report:
            results.append(recommend(opened, name, cache=cache, progress=report, same_scale=same_scale))
    areas = [curves_of(opened, found, cache).events_auc for found in results]
    if as_json:
        documents = [
            {**settings_document(found, opened), "auc": auc_document(area)}
            for found, area in zip(results, areas)
        ]
        print_json({"detectors": documents})
        return
    columns = (
        "detector",
        "calls caught",
        "false alarms a day",
        "response p95",
        "margin",
        "passes",
        "AUC, events",
    )
    print_table(
        "Best setting of each detector, held out where it says so",
        columns,
        [score_row(found, area) for found, area in zip(results, areas)],
    )
    for found in results:
        print()
        print_table(
            f"{found.sweep.detector}: what each class does to the box at the chosen setting",
            ("class", "recorded", "false alarms", "rate", "a day adds", "at most"),
            class_rows(found.figures),
        )


def _list_alerts(
    opened: "Dataset",
    names: "list[DetectorName]",
    threshold_v: float | None,
    threshold_dbfs: float | None,
    delay_s: float,
    as_json: bool,
) -> None:
    from evalkit.cache import CrossingCache
    from evalkit.crossings import Integrator
    from evalkit.scoring import alerts_at, detector_at

    if threshold_v is None:
        assert threshold_dbfs is not None
        scales = {r.full_scale_v for r in opened.recordings}
        if len(scales) > 1:
            raise WrongUse("--threshold-dbfs needs recordings of one full scale; use --threshold-v")
        threshold_v = (scales.pop() or 1.0) * 10.0 ** (threshold_dbfs / 20.0)
    documents: list[dict[str, Any]] = []
    for name in names:
        found = detector_at(name, opened, threshold_v)
        alerts = alerts_at(
            opened,
            found,
            lane=0,
            delay_s=delay_s,
            integrator=Integrator.of_board(opened.board),
            warmup_s=opened.board.warmup_s,
            cache=CrossingCache(opened.folder),
        )
        assert found.levels.threshold_v is not None
        realised = float(found.levels.threshold_v[0])
        documents.append(
            {
                "detector": str(name),
                "threshold_v": realised,
                "delay_s": delay_s,
                "alerts": [_alert_document(alert) for alert in alerts],
            }
        )
        if not as_json:
            print_table(
                f"{name} at {1e3 * realised:.4g} mV, {delay_s:.3g} s: {len(alerts)} alerts",
                ("recording", "session", "start s", "end s", "counts as", "cause", "response s"),
                [_alert_row(alert) for alert in alerts],
                right=("start s", "end s", "response s"),
            )
    if as_json:
        print_json({"settings": documents})


def _alert_row(alert: "JudgedAlert") -> tuple[str, ...]:
    response = "" if alert.response_s is None else f"{alert.response_s:.3f}"
    return (
        alert.recording,
        alert.session,
        f"{alert.start_s:.3f}",
        f"{alert.end_s:.3f}",
        alert.verdict.counts_as,
        alert.verdict.cause,
        response,
    )


def _alert_document(alert: "JudgedAlert") -> dict[str, Any]:
    return {
        "recording": alert.recording,
        "session": alert.session,
        "start_s": alert.start_s,
        "end_s": alert.end_s,
        "counts_as": alert.verdict.counts_as,
        "cause": alert.verdict.cause,
        "response_s": alert.response_s,
    }


def _all_detectors() -> list[str]:
    from evalkit.scoring import DetectorName

    return [str(name) for name in DetectorName]


def _detector(name: str) -> "DetectorName":
    from evalkit.scoring import DetectorName

    try:
        return DetectorName(name)
    except ValueError:
        raise WrongUse(f"unknown detector {name!r}; known are {', '.join(_all_detectors())}") from None
