"""From a dataset's folder to the running editor and back."""

from pathlib import Path

from evalkit.board_file import read_board
from evalkit.day import read_day
from evalkit.descriptor import Descriptor, read_descriptor
from evalkit.editor.app import EditorApp
from evalkit.editor.editing import Outcome
from evalkit.errors import WrongUse
from evalkit.keeping import Access, editing
from evalkit.spans import total_s

__all__ = ["editor_of", "run_editor"]


def run_editor(folder: Path, name: str | None) -> list[Outcome]:
    """Run the editor on the terminal and return what was done to each recording that was opened.

    Raises
    ------
    WrongUse
        If there is no such recording.
    FileFault
        If the dataset's files are wrong.
    """
    descriptor = read_descriptor(folder)
    with editing(folder) as access:
        app = editor_of(access, descriptor, name)
        try:
            app.run()
        finally:
            outcomes = app.close()
    return outcomes


def editor_of(access: Access, descriptor: Descriptor, name: str | None) -> EditorApp:
    """Return the editor, not yet running.

    Parameters
    ----------
    access : Access
        Held as long as the editor runs; the caller closes the editor.
    descriptor : Descriptor
        Of the dataset.
    name : str, optional
        The recording to begin with; by default the first, by name, that is not fully reviewed.
    """
    board = read_board(access.folder / "board.toml")
    day = read_day(access.folder / "day.toml")
    return EditorApp(access, board, tuple(day.roles), _first(descriptor, name))


def _first(descriptor: Descriptor, name: str | None) -> str:
    if name is not None:
        return descriptor.entry(name).name
    entries = sorted(descriptor.entries, key=lambda entry: entry.name)
    if not entries:
        raise WrongUse("the dataset has no recording yet; `evalkit import` brings some in")
    for entry in entries:
        if total_s(entry.reviewed) < entry.n_frames / entry.sample_rate_hz - 1e-3:
            return entry.name
    return entries[0].name
