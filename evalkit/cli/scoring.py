"""Commands that compute: score and recommend."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from evalkit.cli.console import DatasetArgument, JsonOption, number, print_json, print_table, say
from evalkit.errors import WrongUse

if TYPE_CHECKING:
    from evalkit.comparison import Comparison
    from evalkit.dataset import Dataset
    from evalkit.detectors import LevelUnit
    from evalkit.recommendation import Recommendation
    from evalkit.scoring import JudgedAlert
    from evalkit.training import DetectorName

__all__ = ["SameScale", "audio_progress", "detector_named", "print_recommendation", "register"]

SameScale = Annotated[
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
    threshold_level: Annotated[
        float | None,
        typer.Option("--threshold-level", metavar="P", parser=number(""), help="Probability, if learned."),
    ] = None,
    delay_s: Annotated[
        float | None, typer.Option("--delay-s", metavar="S", parser=number("s"), help="Integrator delay.")
    ] = None,
    same_scale: SameScale = False,
    as_json: JsonOption = False,
) -> None:
    """Score detectors; with a threshold and a delay, list that setting's alerts one by one."""
    from evalkit.dataset import read_dataset

    names = [detector_named(name) for name in detector or _all_detectors()]
    thresholds = [v for v in (threshold_v, threshold_dbfs, threshold_level) if v is not None]
    if len(thresholds) > 1 or bool(thresholds) != (delay_s is not None):
        raise WrongUse(
            "a setting is one --threshold-v, --threshold-dbfs or --threshold-level together with --delay-s"
        )
    opened = read_dataset(dataset)
    if delay_s is None:
        _score_plane(opened, names, same_scale, as_json)
        return
    if not 0.0 < delay_s < 3600.0:
        raise WrongUse(f"--delay-s {delay_s:g} must be above 0 and under an hour")
    if threshold_v is not None and threshold_v <= 0.0:
        raise WrongUse(f"--threshold-v {threshold_v:g} must be above 0")
    if threshold_level is not None and not 0.0 < threshold_level < 1.0:
        raise WrongUse(f"--threshold-level {threshold_level:g} must lie between 0 and 1")
    if len(names) > 1 and detector is None:
        names = [names[0] if threshold_level is None else detector_named("logistic")]
    _list_alerts(opened, names, (threshold_v, threshold_dbfs, threshold_level), delay_s, as_json)


def _recommend(
    dataset: DatasetArgument,
    detector: Annotated[str, typer.Option("--detector", metavar="NAME", help="Detector to set.")] = "circuit",
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Where to write; DATASET/settings.json if left out."),
    ] = None,
    same_scale: SameScale = False,
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
            detector_named(detector),
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
    from evalkit.comparison import compare
    from evalkit.documents import comparison_document

    with audio_progress(f"comparing {len(names)} detectors" if len(names) > 1 else str(names[0])) as report:
        comparison = compare(
            opened, names, cache=CrossingCache(opened.folder), progress=report, same_scale=same_scale
        )
    if as_json:
        print_json(comparison_document(comparison, opened))
    else:
        print_comparison(comparison, opened)


def print_comparison(comparison: "Comparison", opened: "Dataset") -> None:
    """Print detectors side by side, what parts them, and where each fails."""
    from evalkit.failures import call_groups
    from evalkit.report.comparing import (
        contender_rows,
        cost_rows,
        difference_rows,
        group_rows,
        method_lines,
    )
    from evalkit.report.wording import class_rows

    print_table(
        "Best setting of each detector under the same limits; outcomes of sessions held out, if 3 or more",
        (
            *("detector", "setting", "calls caught", "false alarms a day", "95 % answered within"),
            *("passes", "margin", "better than chance", "AUC, events"),
        ),
        contender_rows(comparison),
    )
    for line in method_lines(comparison):
        print(f"- {line}")
    for name, reason in comparison.left_out:
        print(f"- {name} is left out: {reason}")
    if comparison.differences:
        print()
        print_table(
            f"Each against {comparison.reference}, in sessions held out; p after Holm's adjustment",
            ("detector", "in", "outcomes", "against", "p", "better beyond chance", "AUC difference"),
            difference_rows(comparison),
        )
        print()
        print_table("What each takes", ("detector", "parts", "current"), cost_rows(comparison))
    print()
    print(comparison.verdict)
    for contender in comparison.contenders:
        found = contender.found
        figures = found.held_out if found.held_out is not None else found.figures
        where = (
            "in sessions held out" if found.held_out is not None else "on the recordings it was chosen from"
        )
        print()
        print_table(
            f"{contender.name}: false alarms by cause, {where}",
            ("class", "recorded", "false alarms", "rate", "a day adds", "at most"),
            class_rows(figures),
        )
        print()
        print_table(
            f"{contender.name}: calls by phone, by what went on, by session with a miss, worst first",
            ("by", "which", "calls caught", "95 % answered within"),
            group_rows(
                [g for g in call_groups(figures, opened) if g.by != "session" or g.caught < g.counted]
            ),
        )


def _list_alerts(
    opened: "Dataset",
    names: "list[DetectorName]",
    threshold: tuple[float | None, float | None, float | None],
    delay_s: float,
    as_json: bool,
) -> None:
    from evalkit.cache import CrossingCache
    from evalkit.crossings import Integrator
    from evalkit.detectors import LevelUnit
    from evalkit.detectors.learned import probability
    from evalkit.scoring import alerts_at
    from evalkit.training import detector_at

    position, unit = _position(opened, *threshold)
    documents: list[dict[str, Any]] = []
    for name in names:
        found = detector_at(name, opened, position, unit)
        alerts = alerts_at(
            opened,
            found,
            lane=0,
            delay_s=delay_s,
            integrator=Integrator.of_board(opened.board),
            warmup_s=opened.board.warmup_s,
            cache=CrossingCache(opened.folder),
        )
        volts = None if found.levels.threshold_v is None else float(found.levels.threshold_v[0])
        level = probability(position) if unit is LevelUnit.LOG_ODDS else None
        documents.append(
            {
                "detector": str(name),
                "threshold_v": volts,
                "threshold_level": level,
                "delay_s": delay_s,
                "alerts": [_alert_document(alert) for alert in alerts],
            }
        )
        if not as_json:
            at = f"p {level:.4g}" if volts is None else f"{1e3 * volts:.4g} mV"
            print_table(
                f"{name} at {at}, {delay_s:.3g} s: {len(alerts)} alerts",
                ("recording", "session", "start s", "end s", "counts as", "cause", "response s"),
                [_alert_row(alert) for alert in alerts],
                right=("start s", "end s", "response s"),
            )
    if as_json:
        print_json({"settings": documents})


def _position(
    opened: "Dataset", threshold_v: float | None, threshold_dbfs: float | None, level: float | None
) -> "tuple[float, LevelUnit]":
    """Return the one threshold that was given as a place on its axis."""
    import math

    from evalkit.detectors import LevelUnit
    from evalkit.detectors.learned import log_odds

    if level is not None:
        return log_odds(level), LevelUnit.LOG_ODDS
    if threshold_v is None:
        assert threshold_dbfs is not None
        scales = {r.full_scale_v for r in opened.recordings}
        if len(scales) > 1:
            raise WrongUse("--threshold-dbfs needs recordings of one full scale; use --threshold-v")
        threshold_v = (scales.pop() or 1.0) * 10.0 ** (threshold_dbfs / 20.0)
    return 20.0 * math.log10(threshold_v), LevelUnit.DECIBEL


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
    from evalkit.training import DetectorName

    return [str(name) for name in DetectorName]


def detector_named(name: str) -> "DetectorName":
    """Return the detector of that name; another is refused with the names that there are."""
    from evalkit.training import DetectorName

    try:
        return DetectorName(name)
    except ValueError:
        raise WrongUse(f"unknown detector {name!r}; known are {', '.join(_all_detectors())}") from None
