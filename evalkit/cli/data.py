"""Commands that make and fill a dataset: new, import, check."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from evalkit.cli.console import (
    DatasetArgument,
    JsonOption,
    number,
    print_json,
    print_table,
    progress,
    say,
    whole_number,
)
from evalkit.cli.scoring import SchedulerOption, WorkersOption

if TYPE_CHECKING:
    from evalkit.checking import Finding
    from evalkit.workers import Workers

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command("new")(_new)
    app.command("import")(_import)
    app.command("check")(_check)


def _new(
    dataset: DatasetArgument,
    licence: Annotated[
        str | None, typer.Option(metavar="SPDX", help="Licence of the recordings, such as CC0-1.0.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Make an empty dataset with a default board.toml and day.toml."""
    from evalkit.dataset import create_dataset
    from evalkit.descriptor import read_descriptor

    create_dataset(dataset, spdx=licence)
    spdx = read_descriptor(dataset).spdx
    if as_json:
        print_json({"dataset": str(dataset), "spdx": spdx})
    else:
        say(f"made {dataset}; edit its board.toml and day.toml, then: evalkit import {dataset} FILE...")


def _import(
    dataset: DatasetArgument,
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Audio files; all or none.")],
    session: Annotated[str, typer.Option(metavar="NAME", help="One sitting: same box, place and gain.")],
    phone: Annotated[str, typer.Option(metavar="NAME", help="The phone that rings in them.")] = "",
    channel: Annotated[
        int | None,
        typer.Option(metavar="N", parser=whole_number, help="The channel with the pickup; counts from 1."),
    ] = None,
    full_scale_v: Annotated[
        float | None,
        typer.Option(metavar="V", parser=number("V"), help="Volts at the recorder's input at full scale."),
    ] = None,
    input_ohms: Annotated[
        float | None,
        typer.Option(metavar="R", parser=number("ohm"), help="Resistance of the recorder's input, ohms."),
    ] = None,
    labels: Annotated[
        Path | None,
        typer.Option(metavar="CSV-OR-FOLDER", help="A label table, or a folder with NAME.csv for each file."),
    ] = None,
    reviewed: Annotated[
        str,
        typer.Option(metavar="all|none|START-END[,...]", help="What the labels cover completely, seconds."),
    ] = "none",
    as_json: JsonOption = False,
) -> None:
    """Copy recordings into a dataset and report their faults."""
    spans = _spans(reviewed)
    with progress(f"reading {_counted(len(files), 'recording')}") as report:
        from evalkit.checking import check_dataset
        from evalkit.dataset import import_recordings

        recordings = import_recordings(
            dataset,
            files,
            session=session,
            phone=phone,
            channel=channel,
            full_scale_v=full_scale_v,
            input_ohms=input_ohms,
            labels=labels,
            reviewed=spans,
            progress=report,
        )
    with progress(f"checking {_counted(len(recordings), 'recording')}") as report:
        names = {recording.name for recording in recordings}
        findings = check_dataset(dataset, names=names, progress=report)
    if as_json:
        imported = [
            {
                "recording": recording.name,
                "session": recording.session,
                "phone": recording.phone or None,
                "channel": recording.channel,
                "sample_rate_hz": recording.sample_rate_hz,
                "duration_s": recording.duration_s,
                "segments": len(recording.segments),
                "reviewed": [[span.start_s, span.end_s] for span in recording.reviewed],
                "audio_sha256": recording.audio_sha256,
            }
            for recording in recordings
        ]
        print_json({"imported": imported, "findings": [_as_json(finding) for finding in findings]})
        return
    from evalkit.spans import total_s

    rows = [
        (
            recording.name,
            recording.session,
            recording.phone,
            f"{recording.duration_s:.3f}",
            f"{recording.sample_rate_hz}",
            f"{len(recording.segments)}",
            f"{total_s(recording.reviewed):.3f}",
        )
        for recording in recordings
    ]
    columns = ("recording", "session", "phone", "length, s", "rate, Hz", "segments", "reviewed, s")
    print_table("Imported", columns, rows, right=columns[3:])
    if findings:
        _print_findings("To look at", findings)


def _check(
    dataset: DatasetArgument,
    workers: WorkersOption = None,
    scheduler: SchedulerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Report every fault of a dataset, with its place."""
    with progress(f"checking {dataset.resolve().name}") as report:
        from evalkit.checking import check_dataset
        from evalkit.descriptor import read_descriptor
        from evalkit.workers import open_workers

        entries = read_descriptor(dataset).entries
        findings = check_dataset(dataset, progress=report)
    with open_workers(workers, scheduler) as team:
        usable = all(finding.usable for finding in findings)
        evidence = _evidence(dataset, team) if usable else ()
    if as_json:
        document = {
            "dataset": str(dataset),
            "recordings": len(entries),
            "usable": usable,
            "findings": [_as_json(finding) for finding in findings],
            "evidence": [_as_json(finding) for finding in evidence],
        }
        print_json(document)
    elif findings:
        _print_findings(f"{len(entries)} recordings, {len(findings)} findings", findings)
        if not usable:
            say("the dataset cannot be used before the findings marked 'mend' are mended")
    else:
        print(f"{len(entries)} recordings, nothing found")
    if evidence and not as_json:
        print()
        _print_findings("Evidence: what to listen to or to record more of", evidence)


def _evidence(dataset: Path, team: "Workers | None") -> "tuple[Finding, ...]":
    """What stands in the way of evidence, where anything is labelled at all."""
    with progress("looking for evidence") as report:
        from evalkit.cache import CrossingCache
        from evalkit.dataset import read_dataset
        from evalkit.evidence import evidence_findings

        opened = read_dataset(dataset)
        if not any(recording.segments for recording in opened.recordings):
            return ()
        return evidence_findings(opened, CrossingCache(opened.folder), progress=report, workers=team)


def _counted(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def _spans(reviewed: str) -> Any:
    from evalkit.spans import parse_spans

    try:
        return parse_spans(reviewed)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--reviewed") from error


def _as_json(finding: "Finding") -> dict[str, Any]:
    return {
        "kind": finding.kind,
        "place": finding.place,
        "start_s": finding.start_s,
        "end_s": finding.end_s,
        "message": finding.message,
        "usable": finding.usable,
    }


def _print_findings(title: str, findings: "tuple[Finding, ...]") -> None:
    rows = [
        (
            "look" if finding.usable else "mend",
            finding.kind,
            finding.place,
            "" if finding.start_s is None else f"{finding.start_s:.3f}",
            "" if finding.end_s is None else f"{finding.end_s:.3f}",
            finding.message,
        )
        for finding in findings
    ]
    columns = ("to", "kind", "place", "from, s", "to, s", "what")
    print_table(title, columns, rows, right=columns[3:5])
