"""The editor as a program of the terminal."""

from textual.app import App

from evalkit.board import Board
from evalkit.editor.editing import Editing, Outcome
from evalkit.keeping import Access

__all__ = ["EditorApp"]


class EditorApp(App[None]):
    """The editor of one dataset.

    Parameters
    ----------
    access : Access
        What may be done with it; held as long as the app runs.
    board : Board
        The dataset's.
    own_labels : sequence of str
        Labels that the dataset uses or gives a role to, beside the standard ones.
    name : str
        The recording to begin with.
    """

    ENABLE_COMMAND_PALETTE = False
    TITLE = "evalkit label"
    CSS = "Screen { background: ansi_default; }"

    def __init__(self, access: Access, board: Board, own_labels: tuple[str, ...], name: str) -> None:
        super().__init__(ansi_color=True)
        if "ansi-dark" in self.available_themes:
            self.theme = "ansi-dark"
        # Before the app runs: a fault in the recording is then told on the terminal like any other.
        self.editing = Editing(access, board, own_labels, name)

    def on_mount(self) -> None:
        """Show it."""
        self.push_screen(self.editing)

    def close(self) -> list[Outcome]:
        """Stop all work, write all there is to write, and return what was done."""
        return self.editing.close()
