"""Commands that give recordings away and take them in: pack and unpack."""

import sys
from collections.abc import Iterable
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
    sum_of,
    whole_number,
)
from evalkit.errors import EvalkitError, WrongUse

if TYPE_CHECKING:
    from evalkit.agreement import Agreement
    from evalkit.pack_plan import PackPlan
    from evalkit.pack_reading import PackLimits
    from evalkit.spans import Span
    from evalkit.unpacking import Unpacked

__all__ = ["register"]

_CAUTION = (
    "contact pickups do record speech: listen to what is listed, leave out what nobody agreed to, and ask "
    "whoever can be heard before you give the pack away"
)


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command("pack")(_pack)
    app.command("unpack")(_unpack)


def _pack(
    dataset: DatasetArgument,
    out: Annotated[Path, typer.Argument(metavar="OUT.zip", help="Where to write the pack.")],
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Show what would go out, and write nothing.")
    ] = False,
    leave_out: Annotated[
        list[str] | None,
        typer.Option(
            "--leave-out",
            metavar="RECORDING[:START-END[,...]]",
            help="Share nothing of a recording, or not these seconds. May be given several times.",
        ),
    ] = None,
    lowpass_hz: Annotated[
        float | None,
        typer.Option(
            "--lowpass", metavar="HZ", parser=number("Hz"), help="Take out all above; levels then differ."
        ),
    ] = None,
    maker: Annotated[
        str | None, typer.Option("--maker", metavar="NAME", help="A name of your choice; none if left out.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Write reviewed parts of recordings with their labels to a file to give away."""
    with progress("listening") as report:
        from evalkit.dataset import read_dataset
        from evalkit.pack_plan import plan_pack
        from evalkit.packs import write_pack

        opened = read_dataset(dataset)
        # each is compared with what was imported, then listened to
        total_s = 2.0 * sum(recording.duration_s for recording in opened.recordings)
        plan = plan_pack(
            opened,
            maker=maker,
            left_out=_left_out(leave_out or ()),
            lowpass_hz=lowpass_hz,
            advance=sum_of(report, total_s),
        )
    if not as_json:
        _print_plan(plan)
    say(_CAUTION)
    sha512 = None
    if dry_run:
        say("nothing was written (--dry-run)")
    else:
        _ask(plan)
        with progress("writing") as report:
            # each part is encoded, read back, and compared unless it was filtered
            passes = 3.0 if plan.lowpass_hz is None else 2.0
            sha512 = write_pack(plan, out, advance=sum_of(report, passes * _seconds(plan)))
        say(f"wrote {out}, {out.stat().st_size} bytes")
    if as_json:
        print_json(_plan_json(plan, None if dry_run else out, sha512))


def _unpack(
    pack: Annotated[Path, typer.Argument(metavar="PACK", help="A pack that somebody gave you.")],
    dataset: Annotated[
        Path | None,
        typer.Argument(
            metavar="DATASET", help="Made if absent; left out: a folder here, named like the pack."
        ),
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Verify and show everything, and write nothing.")
    ] = False,
    most_files: Annotated[
        int | None,
        typer.Option(
            metavar="N", parser=whole_number, help="Refuse a pack of more files; 10,000 if left out."
        ),
    ] = None,
    most_bytes: Annotated[
        float | None,
        typer.Option(metavar="N", parser=number("B"), help="Refuse more bytes, unpacked; 64G if left out."),
    ] = None,
    most_ratio: Annotated[
        float | None,
        typer.Option(metavar="X", parser=number(""), help="Refuse what grows more-fold; 100 if left out."),
    ] = None,
    most_hours: Annotated[
        float | None,
        typer.Option(metavar="H", parser=number(""), help="Refuse more audio, at 48 kHz; 250 if left out."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Verify a pack and take it into a dataset, whole or not at all."""
    with progress("verifying") as report:
        from evalkit.unpacking import unpack

        limits = _limits(most_files, most_bytes, most_ratio, most_hours)
        folder = dataset if dataset is not None else Path(pack.stem)
        # everything is verified, taken out and checked as audio
        size = 3.0 * pack.stat().st_size if pack.is_file() else 0.0
        advance = sum_of(report, size)
        result = unpack(pack, folder, limits=limits, rehearse=dry_run, advance=advance)
    if as_json:
        print_json(_unpacked_json(result, dry_run))
        return
    _print_unpacked(result)
    if dry_run:
        say("nothing was written (--dry-run)")


def _limits(
    files: int | None, n_bytes: float | None, ratio: float | None, hours: float | None
) -> "PackLimits":
    from evalkit.archive import ArchiveLimits
    from evalkit.pack_reading import PackLimits

    asked = {"--most-files": files, "--most-bytes": n_bytes, "--most-ratio": ratio, "--most-hours": hours}
    for option, value in asked.items():
        if value is not None and value <= 0:
            raise WrongUse(f"{option} {value:g} must be above 0")
    archive, limits = ArchiveLimits(), PackLimits()
    return PackLimits(
        ArchiveLimits(
            members=archive.members if files is None else files,
            total_bytes=archive.total_bytes if n_bytes is None else int(n_bytes),
            ratio=archive.ratio if ratio is None else ratio,
        ),
        audio_frames=limits.audio_frames if hours is None else int(hours * 3600 * 48_000),
    )


def _left_out(texts: Iterable[str]) -> "dict[str, tuple[Span, ...]]":
    from evalkit.spans import ALL_TIME, merge_spans, parse_spans

    left_out: dict[str, tuple[Span, ...]] = {}
    for text in texts:
        # No name holds a colon.
        name, colon, spans = text.partition(":")
        try:
            wanted = parse_spans(spans) if colon else ALL_TIME
        except ValueError as error:
            raise typer.BadParameter(str(error), param_hint="--leave-out") from error
        left_out[name] = merge_spans((*left_out.get(name, ()), *wanted))
    return left_out


def _ask(plan: "PackPlan") -> None:
    """Ask a person at a terminal whether they have listened; a script has been told."""
    heard = sum(len(each.speech) for each in plan.shared)
    if not heard or not (sys.stdin.isatty() and sys.stderr.isatty()):
        return
    asked = f"Have you listened to these {heard} stretches, and does whoever is heard agree?"
    if not typer.confirm(asked, err=True):
        raise EvalkitError(
            "nothing was written; leave stretches out with --leave-out, or take speech out with --lowpass 300"
        )


def _seconds(plan: "PackPlan") -> float:
    return sum(each.clip.n_frames / each.recording.sample_rate_hz for each in plan.shared)


def _print_plan(plan: "PackPlan") -> None:
    from evalkit.spans import total_s

    rows = [
        (
            each.name,
            each.recording.session,
            each.recording.phone,
            each.recording.name,
            f"{each.clip.start_s:.3f}",
            f"{each.clip.stop / each.recording.sample_rate_hz:.3f}",
            f"{total_s(each.clip.reviewed):.3f}",
            f"{len(each.clip.segments)}",
            each.spdx,
        )
        for each in plan.shared
    ]
    columns = (
        "goes out as",
        "session",
        "phone",
        "from",
        "from, s",
        "to, s",
        "reviewed, s",
        "segments",
        "licence",
    )
    title = f"Goes out, by {plan.maker or 'a maker without a name'}, under {plan.spdx}"
    print_table(title, columns, rows, right=columns[4:8])
    notes = sorted({segment.note for each in plan.shared for segment in each.clip.segments if segment.note})
    if notes:
        print()
        print_table("Notes", ("notes that go out",), [(note,) for note in notes])
    print()
    heard = [
        (
            each.recording.name,
            f"{speech.start_s:.1f}",
            f"{speech.end_s:.1f}",
            f"{speech.share:.2f}",
            f"--leave-out {each.recording.name}:{speech.start_s:.1f}-{speech.end_s:.1f}",
        )
        for each in plan.shared
        for speech in each.speech
    ]
    if heard:
        places = ("recording", "from, s", "to, s", "swing at 2-8 Hz", "to leave it out")
        print_table("Somebody may be heard to speak: listen here", places, heard, right=places[1:4])
    else:
        print("No stretch swings like speech (a word or two may be missed; music and hammering would show).")
    if plan.kept_back:
        print()
        staying = [(each.name, each.reason) for each in plan.kept_back]
        print_table("Stays at home", ("recording", "why"), staying)


def _plan_json(plan: "PackPlan", out: Path | None, sha512: str | None) -> dict[str, Any]:
    return {
        "pack": None if out is None else str(out),
        "sha512": sha512,
        "maker": plan.maker,
        "spdx": plan.spdx,
        "lowpass_hz": plan.lowpass_hz,
        "shared": [
            {
                "name": each.name,
                "recording": each.recording.name,
                "session": each.recording.session,
                "phone": each.recording.phone or None,
                "start_s": each.clip.start_s,
                "end_s": each.clip.stop / each.recording.sample_rate_hz,
                "reviewed": [[span.start_s, span.end_s] for span in each.clip.reviewed],
                "segments": len(each.clip.segments),
                "notes": sorted({segment.note for segment in each.clip.segments if segment.note}),
                "spdx": each.spdx,
                "speech_like": [
                    {"start_s": speech.start_s, "end_s": speech.end_s, "share": speech.share}
                    for speech in each.speech
                ],
            }
            for each in plan.shared
        ],
        "kept_back": [{"recording": each.name, "reason": each.reason} for each in plan.kept_back],
    }


def _print_unpacked(result: "Unpacked") -> None:
    from evalkit.licences import combine
    from evalkit.spans import total_s

    if result.taken:
        rows = [
            (
                each.entry.name,
                each.entry.session,
                each.entry.phone,
                each.entry.maker or "",
                f"{each.entry.n_frames / each.entry.sample_rate_hz:.3f}",
                f"{total_s(each.entry.reviewed):.3f}",
                f"{each.n_segments}",
            )
            for each in result.taken
        ]
        columns = ("recording", "session", "phone", "maker", "length, s", "reviewed, s", "segments")
        print_table(f"Taken into {result.folder}", columns, rows, right=columns[4:])
    if result.known:
        if result.taken:
            print()
        known = [
            (each.name, each.name_in_pack, *_agreement_row(each.agreement), each.labels_path or "the same")
            for each in result.known
        ]
        compared = (
            *("is here as", "in the pack", "compared, s", "kappa by time", "kappa by event"),
            *("both", "renamed", "only here", "only theirs", "their labels"),
        )
        title = "Audio that is here already; the labels here stay in use"
        print_table(title, compared, known, right=compared[2:9])
    for note in result.notes:
        say(note)
    say(f"what is in {result.folder}: {combine(result.licences).reason}")


def _agreement_row(agreement: "Agreement | None") -> tuple[str, ...]:
    if agreement is None:
        return ("",) * 7
    kappas = ["" if kappa is None else f"{kappa:.3f}" for kappa in (agreement.by_time, agreement.by_event)]
    counts = (agreement.matched, agreement.renamed, agreement.only_ours, agreement.only_theirs)
    return (f"{agreement.seconds:.3f}", *kappas, *(str(count) for count in counts))


def _unpacked_json(result: "Unpacked", dry_run: bool) -> dict[str, Any]:
    from evalkit.licences import combine

    together = combine(result.licences)
    return {
        "dataset": str(result.folder),
        "written": not dry_run,
        "maker": result.maker,
        "spdx": result.spdx,
        "pack_sha512": result.pack_sha512,
        "taken": [
            {
                "recording": each.entry.name,
                "name_in_pack": each.name_in_pack,
                "session": each.entry.session,
                "maker": each.entry.maker,
                "duration_s": each.entry.n_frames / each.entry.sample_rate_hz,
                "reviewed": [[span.start_s, span.end_s] for span in each.entry.reviewed],
                "segments": each.n_segments,
            }
            for each in result.taken
        ],
        "known": [
            {
                "recording": each.name,
                "name_in_pack": each.name_in_pack,
                "start_s": each.start_s,
                "labels": each.labels_path,
                "agreement": None
                if each.agreement is None
                else {
                    "seconds": each.agreement.seconds,
                    "kappa_by_time": each.agreement.by_time,
                    "kappa_by_event": each.agreement.by_event,
                    "matched": each.agreement.matched,
                    "renamed": each.agreement.renamed,
                    "only_ours": each.agreement.only_ours,
                    "only_theirs": each.agreement.only_theirs,
                },
            }
            for each in result.known
        ],
        "licences": {
            "may_be_shared": together.may_be_shared,
            "as_one": together.as_one,
            "reason": together.reason,
        },
        "notes": list(result.notes),
    }
