"""The bench sheet as Markdown, as HTML for one printed page, and as files."""

import re
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

from evalkit.durable import write_bytes
from evalkit.errors import FileFault
from evalkit.report.bench_sheet import BenchSheet
from evalkit.report.drawing import INK

__all__ = ["as_html", "as_markdown", "write_bench_sheet"]

_OHM = "\N{GREEK CAPITAL LETTER OMEGA}"
_BEFORE_UNIT = re.compile(rf"(?<=\d) (?=[pnumkM]?(?:{_OHM}|V|A|F|s|dB|%)(?![a-z]))")


def write_bench_sheet(folder: Path, sheet: BenchSheet) -> tuple[Path, ...]:
    """Write bench-sheet.md, bench-sheet.html and the schematic as SVG and PNG; return their paths.

    Raises
    ------
    FileFault
        If a file cannot be written.
    """
    picture = sheet.schematic
    contents = {
        f"{picture.name}.svg": picture.svg.encode(),
        f"{picture.name}.png": picture.png,
        "bench-sheet.md": as_markdown(sheet, picture=f"{picture.name}.svg").encode(),
        "bench-sheet.html": as_html(sheet).encode(),
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, data in contents.items():
            write_bytes(folder / name, data)
    except OSError as error:
        raise FileFault(f"{folder}: cannot be written: {error.strerror or error}") from error
    return tuple(folder / name for name in contents)


def as_markdown(sheet: BenchSheet, *, picture: str) -> str:
    """Return the sheet as Markdown; `picture` is where the schematic's file is, from the text's folder."""
    lines = [f"# {_md(sheet.title)}", ""]
    if sheet.about:
        lines += [f"_{_md(sheet.about)}_", ""]
    lines += [*(f"{_md(line)}  " for line in sheet.setting), "", "## Before anything else", ""]
    lines += [f"- **{_md(text)}**" for text in sheet.cautions]
    lines += ["", "## Schematic", "", f"![{_md(sheet.schematic.alt)}]({picture})", ""]
    lines += _md_table(("part", "value", "series", "what it does"), sheet.parts)
    lines += ["## Knobs", ""]
    lines += _md_table(("knob", "set to, across both", "of travel", "passes from - to"), sheet.knobs)
    lines += ["## Voltages", ""]
    lines += _md_table(("point", "where", "at rest", "during a call"), sheet.readings)
    lines += [_md(sheet.readings_note), "", "## In this order", ""]
    lines += [f"{k}. {_md(step)}" for k, step in enumerate(sheet.steps, 1)]
    lines += ["", "## When a reading differs", ""]
    lines += _md_table(("what differs", "what to do"), sheet.remedies)
    lines += ["## Hold", "", _md(sheet.hold_reason), "", "## Other values", ""]
    lines += _md_table(("what", "parts", "realises", "margin left", "costs", "of travel"), sheet.others)
    if sheet.stand_in:
        lines += ["## The stand-in beside the rings", ""]
        lines += [*_md_table(("", "rings", "stand-in"), sheet.stand_in), _md(sheet.stand_in_note)]
    return "\n".join(lines).rstrip() + "\n"


def as_html(sheet: BenchSheet) -> str:
    """Return the sheet as one HTML file that prints on one A4 or Letter page."""
    from jinja2 import Environment

    source = (files("evalkit.report") / "bench_sheet.html").read_text(encoding="utf-8")
    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    # a number stays on one line with its unit
    environment.filters["whole"] = lambda text: _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", text)
    colours = {name.replace("_", "-"): value for name, value in vars(INK).items()}
    return environment.from_string(source).render(sheet=sheet, colours=colours)


def _md_table(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    lines = ["| " + " | ".join(columns) + " |", "|" + "---|" * len(columns)]
    lines += ["| " + " | ".join(_md(cell) for cell in row) + " |" for row in rows]
    return [*lines, ""]


def _md(text: str) -> str:
    """Text of the data as Markdown takes it literally."""
    for mark in ("\\", "`", "*", "_", "[", "]", "<", ">", "|"):
        text = text.replace(mark, "\\" + mark)
    return text
