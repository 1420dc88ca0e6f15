"""Commands for the bench: calibrate and trace."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from evalkit.cli.console import DatasetArgument, JsonOption, number, print_json, print_table, progress, say
from evalkit.errors import WrongUse

if TYPE_CHECKING:
    from evalkit.calibrating import Calibrated, Detour
    from evalkit.calibration import Estimate
    from evalkit.dataset import Dataset
    from evalkit.training import DetectorName
    from evalkit.workers import Workers

__all__ = ["register", "write_or_print_bench_sheet"]


def register(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command("calibrate")(_calibrate)
    app.command("trace")(_trace)


def _calibrate(
    dataset: DatasetArgument,
    recordings: Annotated[
        list[str],
        typer.Argument(metavar="RECORDING...", help="Recordings of the tone, one for each session."),
    ],
    volts_rms: Annotated[
        float,
        typer.Option(
            "--volts-rms",
            metavar="V",
            parser=number("V"),
            help="RMS volts at the recorder's input meanwhile.",
        ),
    ],
    frequency_hz: Annotated[
        float, typer.Option("--frequency-hz", metavar="HZ", parser=number("Hz"), help="The tone's frequency.")
    ],
    through: Annotated[
        str | None,
        typer.Option(
            metavar="RECORDING", help="The same tone through a part in series: gives the input's ohms."
        ),
    ] = None,
    resistor: Annotated[
        float | None, typer.Option(metavar="R", parser=number("ohm"), help="That part is a resistor, ohms.")
    ] = None,
    capacitor: Annotated[
        float | None, typer.Option(metavar="C", parser=number("F"), help="That part is a capacitor, farads.")
    ] = None,
    meter_percent: Annotated[
        float | None,
        typer.Option(
            metavar="P", parser=number("%"), help="Limit of error of the meter that read the volts."
        ),
    ] = None,
    part_percent: Annotated[
        float | None, typer.Option(metavar="P", parser=number("%"), help="Tolerance of the part in series.")
    ] = None,
    start_s: Annotated[
        float | None, typer.Option("--start", metavar="S", parser=number("s"), help="Where the tone begins.")
    ] = None,
    stop_s: Annotated[
        float | None, typer.Option("--stop", metavar="S", parser=number("s"), help="Where it ends.")
    ] = None,
    session: Annotated[
        list[str] | None, typer.Option(metavar="NAME", help="A further session of the same gain and input.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Find volts per full scale and input resistance from a known tone; write them to its session."""
    from evalkit.calibrating import KnownTone, calibrate

    tone = KnownTone(volts_rms, frequency_hz, (meter_percent or 0.0) / 100.0, start_s or 0.0, stop_s)
    detour = _detour(through, resistor, capacitor, (part_percent or 0.0) / 100.0)
    done = calibrate(dataset, recordings, tone, detour=detour, sessions=session or ())
    if as_json:
        print_json({"calibrated": [_calibration_document(each) for each in done]})
        return
    for each in done:
        _print_calibration(each)
    if not meter_percent:
        say("the intervals hold the fit's uncertainty alone; give the meter's with --meter-percent")


def _trace(
    dataset: DatasetArgument,
    recording: Annotated[str, typer.Argument(metavar="RECORDING", help="A recording of the dataset.")],
    start_s: Annotated[
        float, typer.Option("--start", metavar="S", parser=number("s"), help="From here, seconds.")
    ],
    stop_s: Annotated[float, typer.Option("--stop", metavar="S", parser=number("s"), help="To here.")],
    changes: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="GROUP.KEY=VALUE",
            help="What if: a value of board.toml; a pot's is what its knob is turned to.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="STEM", help="Files STEM.png, STEM.svg, STEM.csv; here if left out."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Show the voltage at every test point over a stretch, as picture and CSV."""
    with progress(f"following the box through {recording}") as report:
        from evalkit.box_trace import present_setting
        from evalkit.dataset import read_dataset
        from evalkit.report.contents import about
        from evalkit.report.scope import hold_note, point_rows, trace_document, write_trace
        from evalkit.report.words import first_sentence
        from evalkit.tracing import trace
        from evalkit.whatif import what_if

        opened = read_dataset(dataset)
        taken = opened.recording(recording)
        setting = present_setting(opened.folder, opened.board)
        box = what_if(
            opened.folder / "board.toml",
            opened.board,
            changes or [],
            gain=setting.gain,
            delay_s=setting.delay_s,
        )
        until_s = min(stop_s, taken.duration_s)
        try:
            found = trace(
                taken,
                box.board,
                box.gain,
                box.delay_s,
                start_s,
                stop_s,
                advance=lambda seconds: report(seconds, until_s),
            )
        except ValueError as error:
            raise WrongUse(str(error)) from error
        stem = out if out is not None else Path(f"trace-{taken.name}-{start_s:g}s")
        files = write_trace(found, box, taken, stem, note=first_sentence(about(opened.folder)))
    if as_json:
        print_json({**trace_document(found, box, taken), "files": [str(file) for file in files]})
        return
    knobs = f"gain {box.gain:.1f}, delay {box.delay_s:.3f} s, hold {box.board.hold_s:.2f} s"
    print(f"{knobs} ({', '.join((setting.origin, *box.changes))})")
    if note := hold_note(setting, opened.board, box):
        say(note)
    print_table("Volts at the test points", ("point", "lowest", "mean", "highest"), point_rows(found))
    say(f"wrote {', '.join(str(file) for file in files)}")


def write_or_print_bench_sheet(
    opened: "Dataset",
    name: "DetectorName",
    *,
    out: Path | None,
    meter_ohm: float | None,
    workers: "Workers | None",
) -> None:
    """Write the bench sheet alone to a folder, or print it as Markdown where there is none."""
    from evalkit.cache import CrossingCache
    from evalkit.parts import choose_parts
    from evalkit.recommendation import recommend
    from evalkit.report.bench_paper import as_markdown, write_bench_sheet
    from evalkit.report.bench_sheet import bench_sheet
    from evalkit.report.contents import about
    from evalkit.standins import check_stand_in

    cache = CrossingCache(opened.folder)
    with progress(f"scoring {opened.folder.name}") as report:
        found = recommend(opened, name, cache=cache, progress=report, workers=workers)
    sheet = bench_sheet(
        found,
        opened,
        choose_parts(found, opened),
        stand_in=check_stand_in(opened, found, cache),
        about=about(opened.folder),
        meter_ohm=meter_ohm,
    )
    if out is None:
        print(as_markdown(sheet, picture=f"{sheet.schematic.name}.svg"), end="")
        return
    say(f"wrote {', '.join(str(path) for path in write_bench_sheet(out, sheet))}")


def _detour(
    through: str | None, resistor: float | None, capacitor: float | None, part_error: float
) -> "Detour | None":
    from evalkit.calibrating import Detour
    from evalkit.calibration import SeriesPart

    parts = [(SeriesPart.RESISTOR, resistor), (SeriesPart.CAPACITOR, capacitor)]
    given = [(part, value) for part, value in parts if value is not None]
    if through is None and not given:
        return None
    if through is None or len(given) != 1:
        raise WrongUse("--through RECORDING goes with one of --resistor or --capacitor, the part in series")
    return Detour(through, given[0][0], given[0][1], part_error)


def _estimate(estimate: "Estimate | None") -> dict[str, Any] | None:
    if estimate is None:
        return None
    return {"value": estimate.value, "sigma": estimate.sigma, "interval": list(estimate.interval)}


def _calibration_document(done: "Calibrated") -> dict[str, Any]:
    return {
        "recording": done.recording,
        "sessions": list(done.sessions),
        "frequency_hz": done.frequency_hz,
        "full_scale_v": _estimate(done.full_scale_v),
        "input_ohms": _estimate(done.input_ohms),
        "recordings": [
            {"recording": e.name, "full_scale_v_before": e.full_scale_v, "input_ohms_before": e.input_ohms}
            for e in done.before
        ],
    }


def _print_calibration(done: "Calibrated") -> None:
    from evalkit.report.wording import quantity

    scale, ohms = done.full_scale_v, done.input_ohms

    def told(estimate: "Estimate", unit: str) -> str:
        half = estimate.interval[1] - estimate.value
        # as many digits as the uncertainty leaves
        digits = 2 + max(0, round(math.log10(estimate.value / half))) if half > 0.0 else 7
        within = quantity(half, unit, 2)
        return f"{quantity(estimate.value, unit, digits)} \N{PLUS-MINUS SIGN} {within} (95 %)"

    print(f"full scale: {told(scale, 'V')} from {done.recording}, {done.frequency_hz:.2f} Hz")
    if ohms is not None:
        print(f"input resistance: {told(ohms, 'ohm')}")
    rows = [
        (
            entry.name,
            entry.session,
            "not calibrated" if entry.full_scale_v is None else quantity(entry.full_scale_v, "V", 5),
            quantity(scale.value, "V", 5),
            quantity(entry.input_ohms, "ohm", 5),
            quantity(entry.input_ohms if ohms is None else ohms.value, "ohm", 5),
        )
        for entry in done.before
    ]
    columns = ("recording", "session", "full scale before", "now", "input before", "now")
    print_table("Calibrated", columns, rows)
