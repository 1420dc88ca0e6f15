"""The report's files: one page, and beside it every picture and every table."""

from pathlib import Path

from evalkit.durable import write_bytes
from evalkit.errors import FileFault
from evalkit.report.contents import Contents
from evalkit.report.page import Page, as_html, as_markdown
from evalkit.report.tables import frames_of
from evalkit.settings import settings_document, write_settings
from evalkit.spreadsheet import guarded

__all__ = ["write_plain", "write_report"]


def write_report(folder: Path, contents: Contents, page: Page) -> Path:
    """Write report.html and, beside it, the same as text, settings.json, pictures/ and tables/.

    Pictures are PNG and SVG, tables CSV. Returns the page's path.

    Raises
    ------
    FileFault
        If a file cannot be written.
    """
    target = folder / "report.html"
    for name in ("pictures", "tables"):
        _make(folder / name)
    for picture in page.pictures:
        write_bytes(folder / "pictures" / f"{picture.name}.png", picture.png)
        write_bytes(folder / "pictures" / f"{picture.name}.svg", picture.svg.encode())
    _write_tables(folder / "tables", contents)
    write_settings(folder / "settings.json", settings_document(contents.found, contents.dataset))
    write_bytes(folder / "report.md", as_markdown(page).encode())
    # the page last: whoever finds it finds all that it speaks of
    write_bytes(target, as_html(page).encode())
    return target


def write_plain(folder: Path, contents: Contents, page: Page) -> Path:
    """Write report.md, settings.json and pictures/ (PNG); return the text's path.

    Raises
    ------
    FileFault
        If a file cannot be written.
    """
    target = folder / "report.md"
    _make(folder / "pictures")
    for picture in page.pictures:
        write_bytes(folder / "pictures" / f"{picture.name}.png", picture.png)
    write_settings(folder / "settings.json", settings_document(contents.found, contents.dataset))
    write_bytes(target, as_markdown(page).encode())
    return target


def _write_tables(folder: Path, contents: Contents) -> None:
    for name, frame in frames_of(contents).items():
        # Labels and names may be a stranger's: no spreadsheet must take one for a formula.
        safe = frame.map(lambda cell: guarded(cell) if isinstance(cell, str) else cell)
        write_bytes(folder / f"{name}.csv", safe.to_csv(index=False, lineterminator="\n").encode())


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileFault(f"{folder}: cannot be made: {error.strerror or error}") from error
