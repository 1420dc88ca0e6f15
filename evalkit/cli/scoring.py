"""Commands that compute: score and recommend."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from evalkit.cli.console import DatasetArgument, JsonOption, number, print_json, print_table, progress, say
from evalkit.errors import WrongUse

if TYPE_CHECKING:
    from evalkit.comparison import Comparison
    from evalkit.dataset import Dataset
    from evalkit.detectors import Detector, LevelUnit
    from evalkit.recommendation import Recommendation
    from evalkit.scoring import JudgedAlert
    from evalkit.training import DetectorName

__all__ = [
    "SameScale",
    "SchedulerOption",
    "WorkersOption",
    "detector_named",
    "print_recommendation",
    "read_pooled",
    "register",
]

SameScale = Annotated[
    bool,
    typer.Option("--same-scale", help="Pool uncalibrated sessions: full scale, gain and input were equal."),
]
WorkersOption = Annotated[
    int | None,
    typer.Option(
        "--workers", metavar="N", min=1, help="Share the recordings out among N processes of this machine."
    ),
]
SchedulerOption = Annotated[
    str | None,
    typer.Option(
        "--scheduler", metavar="ADDRESS", help="Share them out among the workers of this Dask scheduler."
    ),
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
    workers: WorkersOption = None,
    scheduler: SchedulerOption = None,
    same_scale: SameScale = False,
    as_json: JsonOption = False,
) -> None:
    """Score detectors; with a threshold and a delay, list that setting's alerts one by one."""
    thresholds = [v for v in (threshold_v, threshold_dbfs, threshold_level) if v is not None]
    if len(thresholds) > 1 or bool(thresholds) != (delay_s is not None):
        raise WrongUse(
            "a setting is one --threshold-v, --threshold-dbfs or --threshold-level together with --delay-s"
        )
    if delay_s is None:
        _score_plane(dataset, same_scale, detector, (workers, scheduler), as_json)
        return
    if not 0.0 < delay_s < 3600.0:
        raise WrongUse(f"--delay-s {delay_s:g} must be above 0 and under an hour")
    if threshold_v is not None and threshold_v <= 0.0:
        raise WrongUse(f"--threshold-v {threshold_v:g} must be above 0")
    if threshold_level is not None and not 0.0 < threshold_level < 1.0:
        raise WrongUse(f"--threshold-level {threshold_level:g} must lie between 0 and 1")
    names = detector or ["circuit" if threshold_level is None else "logistic"]
    at = (threshold_v, threshold_dbfs, threshold_level)
    _list_alerts(dataset, same_scale, names, at, delay_s, (workers, scheduler), as_json)


def _recommend(
    dataset: DatasetArgument,
    detector: Annotated[str, typer.Option("--detector", metavar="NAME", help="Detector to set.")] = "circuit",
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Where to write; DATASET/settings.json if left out."),
    ] = None,
    workers: WorkersOption = None,
    scheduler: SchedulerOption = None,
    same_scale: SameScale = False,
    as_json: JsonOption = False,
) -> None:
    """Recommend threshold and delay with evidence; write settings.json."""
    with progress(f"scoring {dataset.resolve().name}") as report:
        from evalkit.cache import CrossingCache
        from evalkit.recommendation import recommend
        from evalkit.settings import settings_document, write_settings
        from evalkit.workers import open_workers

        name, opened = detector_named(detector), read_pooled(dataset, same_scale)
        cache = CrossingCache(opened.folder)
        with open_workers(workers, scheduler) as team:
            found = recommend(opened, name, cache=cache, progress=report, workers=team)
    document = settings_document(found, opened)
    target = out if out is not None else opened.folder / "settings.json"
    write_settings(target, document)
    if as_json:
        print_json(document)
    else:
        print_recommendation(found, opened)
    say(f"wrote {target}")


def read_pooled(folder: Path, same_scale: bool) -> "Dataset":
    """Read a dataset; where its sessions are said to be on one scale, they are from here on."""
    from evalkit.dataset import read_dataset
    from evalkit.pooling import told_equal

    opened = read_dataset(folder)
    return told_equal(opened) if same_scale else opened


def print_recommendation(found: "Recommendation", opened: "Dataset") -> None:
    """Print the setting, the figures and how far they are proven."""
    from evalkit.parts import choose_parts
    from evalkit.recommendation import sentences
    from evalkit.report.wording import headline, interval_notes, outcome_rows, setting_rows

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
    print("95 % intervals:")
    for line in interval_notes(found.held_out if found.held_out is not None else found.figures):
        print(f"- {line}")
    print()
    for line in sentences(found, opened.day):
        print(f"- {line}")


def _score_plane(
    dataset: Path,
    same_scale: bool,
    detectors: list[str] | None,
    team: tuple[int | None, str | None],
    as_json: bool,
) -> None:
    with progress(f"scoring {dataset.resolve().name}") as report:
        from evalkit.cache import CrossingCache
        from evalkit.comparison import compare
        from evalkit.documents import comparison_document
        from evalkit.workers import open_workers

        names = [detector_named(name) for name in detectors or _all_detectors()]
        opened = read_pooled(dataset, same_scale)
        cache = CrossingCache(opened.folder)
        with open_workers(*team) as workers:
            comparison = compare(opened, names, cache=cache, progress=report, workers=workers)
    if as_json:
        print_json(comparison_document(comparison, opened))
    else:
        print_comparison(comparison, opened)


def print_comparison(comparison: "Comparison", opened: "Dataset") -> None:
    """Print detectors side by side, what parts them, and where each fails."""
    from evalkit.failures import call_groups
    from evalkit.report.comparing import comparison_tables, group_rows, method_lines
    from evalkit.report.wording import class_rows

    first, *others = comparison_tables(comparison)
    print_table(first.title, first.columns, first.rows)
    for line in method_lines(comparison):
        print(f"- {line}")
    for table in others:
        print()
        print_table(table.title, table.columns, table.rows)
    print()
    print(comparison.verdict)
    for contender in comparison.contenders:
        found = contender.found
        figures = found.held_out if found.held_out is not None else found.figures
        where = (
            f"in {figures.unit}s held out"
            if found.held_out is not None
            else "on the recordings it was chosen from"
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
    dataset: Path,
    same_scale: bool,
    names: list[str],
    threshold: tuple[float | None, float | None, float | None],
    delay_s: float,
    team: tuple[int | None, str | None],
    as_json: bool,
) -> None:
    with progress(f"scoring {dataset.resolve().name}") as report:
        from evalkit.cache import CrossingCache
        from evalkit.crossings import Integrator
        from evalkit.detectors import LevelUnit
        from evalkit.detectors.learned import probability
        from evalkit.scoring import alerts_at
        from evalkit.training import detector_at
        from evalkit.workers import open_workers

        chosen, opened = [detector_named(name) for name in names], read_pooled(dataset, same_scale)
        position, unit = _position(opened, *threshold)
        listed: list[tuple[Detector, tuple[JudgedAlert, ...]]] = []
        with open_workers(*team) as workers:
            for name in chosen:
                found = detector_at(name, opened, position, unit, progress=report, workers=workers)
                alerts = alerts_at(
                    opened,
                    found,
                    lane=0,
                    delay_s=delay_s,
                    integrator=Integrator.of_board(opened.board),
                    warmup_s=opened.board.warmup_s,
                    cache=CrossingCache(opened.folder),
                    progress=report,
                    workers=workers,
                )
                listed.append((found, alerts))
    documents: list[dict[str, Any]] = []
    for name, (found, alerts) in zip(chosen, listed, strict=True):
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
