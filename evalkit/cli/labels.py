"""Commands on the labels of recordings: segments list, add, remove, import, export, review."""

from collections.abc import Sequence
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
)
from evalkit.errors import FileFault, WrongUse

if TYPE_CHECKING:
    from evalkit.dataset import Recording
    from evalkit.segments import Segment
    from evalkit.spans import Span

__all__ = ["register"]

_RecordingArgument = Annotated[str, typer.Argument(metavar="RECORDING", help="A recording's name.")]
_StartArgument = Annotated[
    float, typer.Argument(metavar="START", parser=number("s"), help="Seconds from the recording's start.")
]
_EndArgument = Annotated[
    float, typer.Argument(metavar="END", parser=number("s"), help="First instant after it, seconds.")
]
_LabelArgument = Annotated[
    str, typer.Argument(metavar="LABEL", help="ring, tap, tool, traffic, stand-in, quiet, other or your own.")
]


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    segments = typer.Typer(help="List, change, import and export labels.", rich_markup_mode=None)
    segments.command("list")(_list)
    segments.command("add")(_add)
    segments.command("remove")(_remove)
    segments.command("import")(_import)
    segments.command("export")(_export)
    segments.command("review")(_review)
    app.add_typer(segments, name="segments")


def _list(
    dataset: DatasetArgument,
    recording: Annotated[
        str | None, typer.Argument(metavar="[RECORDING]", help="One recording; all if left out.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Show segments and reviewed spans."""
    from evalkit.dataset import read_recording
    from evalkit.descriptor import read_descriptor

    descriptor = read_descriptor(dataset)
    entries = descriptor.entries if recording is None else (descriptor.entry(recording),)
    chosen = sorted((read_recording(dataset, entry) for entry in entries), key=lambda each: each.name)
    if as_json:
        print_json({"recordings": [_as_json(each) for each in chosen]})
        return
    _print_overview(chosen)
    rows = [
        (
            each.name,
            f"{segment.start_s:.6f}",
            f"{segment.end_s:.6f}",
            segment.label,
            segment.phone,
            segment.note,
        )
        for each in chosen
        for segment in each.segments
    ]
    columns = ("recording", "start, s", "end, s", "label", "phone", "note")
    print_table("Segments", columns, rows, right=columns[1:3])


def _add(
    dataset: DatasetArgument,
    recording: _RecordingArgument,
    start: _StartArgument,
    end: _EndArgument,
    label: _LabelArgument,
    note: Annotated[str, typer.Option(metavar="TEXT", help="A line of free text.")] = "",
    phone: Annotated[str, typer.Option(metavar="NAME", help="The phone, if not the recording's.")] = "",
    as_json: JsonOption = False,
) -> None:
    """Add one segment."""
    from evalkit.labelling import segments_of, write_segments

    before = segments_of(dataset, recording)
    added = _segment(start, end, label, note, phone)
    write_segments(dataset, recording, [*before, added], replacing=before)
    _hint(dataset, [added])
    _report(dataset, recording, as_json, f"added {label} {added.start_s:.6f}-{added.end_s:.6f}")


def _remove(
    dataset: DatasetArgument,
    recording: _RecordingArgument,
    start: _StartArgument,
    end: _EndArgument,
    label: _LabelArgument,
    as_json: JsonOption = False,
) -> None:
    """Remove the segment with these times and this label."""
    from evalkit.labelling import segments_of, write_segments

    before = segments_of(dataset, recording)
    wanted = _segment(start, end, label, "", "")
    key = (wanted.start_s, wanted.end_s, wanted.label)
    after = [each for each in before if (each.start_s, each.end_s, each.label) != key]
    if len(after) == len(before):
        raise WrongUse(
            f"{recording}: has no segment {label} {wanted.start_s:.6f}-{wanted.end_s:.6f}; "
            f"`evalkit segments list {dataset} {recording}` shows what it has"
        )
    write_segments(dataset, recording, after, replacing=before)
    _report(dataset, recording, as_json, f"removed {label} {wanted.start_s:.6f}-{wanted.end_s:.6f}")


def _import(
    dataset: DatasetArgument,
    recording: _RecordingArgument,
    csv: Annotated[
        Path,
        typer.Argument(metavar="CSV", help="A label table; or WebVTT (.vtt), or WAV with cue points (.wav)."),
    ],
    as_json: JsonOption = False,
) -> None:
    """Replace a recording's labels by those of a table; the old table is kept in .evalkit/replaced."""
    from evalkit.labelling import replace_labels

    replaced = replace_labels(dataset, recording, csv)
    for remark in replaced.remarks:
        say(f"{csv}: {remark}")
    _hint(dataset, replaced.segments)
    text = f"{len(replaced.segments)} segments"
    if replaced.kept is not None:
        text += f"; {len(replaced.gone)} of the old ones are gone, the old table is kept in {replaced.kept}"
    _report(dataset, recording, as_json, text)


def _export(
    dataset: DatasetArgument,
    recording: _RecordingArgument,
    csv: Annotated[
        Path,
        typer.Argument(metavar="CSV", help="Where to: .csv, .vtt (WebVTT) or .wav (a copy with cue points)."),
    ],
    replace: Annotated[bool, typer.Option("--replace", help="Write over another file of that name.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Write a recording's labels to a file outside the dataset."""
    from evalkit.descriptor import read_descriptor
    from evalkit.durable import holds
    from evalkit.interchange import write_labels_file
    from evalkit.labelling import segments_of
    from evalkit.segments import format_segments

    entry, segments = read_descriptor(dataset).entry(recording), segments_of(dataset, recording)
    if csv.is_file() and not replace and not holds(csv, format_segments(segments).encode("utf-8")):
        raise FileFault(f"{csv}: is there already and holds something else; --replace writes over it")
    with progress(f"writing {csv.name}") as report:
        write_labels_file(
            csv,
            segments,
            audio=dataset / entry.audio_path,
            n_frames=entry.n_frames,
            sample_rate_hz=entry.sample_rate_hz,
            share=sum_of(report, 1.0),
        )
    if as_json:
        print_json({"recording": recording, "csv": str(csv), "segments": len(segments)})
    else:
        say(f"{csv}: {len(segments)} segments of {recording}")


def _review(
    dataset: DatasetArgument,
    recording: _RecordingArgument,
    spans: Annotated[
        str, typer.Argument(metavar="all|none|START-END[,...]", help="What is completely labelled, seconds.")
    ],
    as_json: JsonOption = False,
) -> None:
    """Set which spans of a recording are completely labelled; only they are scored."""
    from evalkit.labelling import set_reviewed
    from evalkit.spans import parse_spans, total_s

    try:
        wanted = parse_spans(spans)
    except ValueError as error:
        raise typer.BadParameter(str(error)) from error
    reviewed = set_reviewed(dataset, recording, wanted)
    _report(dataset, recording, as_json, f"{total_s(reviewed):.3f} s reviewed")


def _segment(start_s: float, end_s: float, label: str, note: str, phone: str) -> "Segment":
    from evalkit.segments import Segment

    try:
        return Segment(start_s, end_s, label, note, phone)
    except ValueError as error:
        raise WrongUse(str(error)) from error


def _report(dataset: Path, recording: str, as_json: bool, text: str) -> None:
    """Say what was done, or print the recording's labels as they are now."""
    if as_json:
        _list(dataset, recording, as_json=True)
    else:
        say(f"{recording}: {text}")


def _hint(dataset: Path, segments: "Sequence[Segment]") -> None:
    """Say what labels of the user's own count as: one of them may be a slip of the pen."""
    from evalkit.checking import label_findings

    for finding in label_findings(dataset, segments):
        say(finding.message)


def _as_json(recording: "Recording") -> dict[str, Any]:
    return {
        "recording": recording.name,
        "session": recording.session,
        "phone": recording.phone or None,
        "duration_s": recording.duration_s,
        "reviewed": [[span.start_s, span.end_s] for span in recording.reviewed],
        "segments": [
            {
                "start_s": segment.start_s,
                "end_s": segment.end_s,
                "label": segment.label,
                "note": segment.note,
                "phone": segment.phone or None,
            }
            for segment in recording.segments
        ],
    }


def _print_overview(recordings: "Sequence[Recording]") -> None:
    rows = [
        (
            each.name,
            each.session,
            each.phone,
            f"{each.duration_s:.3f}",
            f"{len(each.segments)}",
            _spans_text(each.reviewed),
        )
        for each in recordings
    ]
    columns = ("recording", "session", "phone", "length, s", "segments", "reviewed, s")
    print_table("Recordings", columns, rows, right=columns[3:5])


def _spans_text(spans: "Sequence[Span]") -> str:
    return ", ".join(f"{span.start_s:.3f}-{span.end_s:.3f}" for span in spans) or "none"
