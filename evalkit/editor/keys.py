"""Every key of the editor, in one table: what it does and what the help says of it.

The hands have their own work. The right one moves: arrows along and into the
recording. The left one acts, without leaving its place: the home row jumps
(a, s, d, f; with shift, back), the row below it shapes the segment at the
cursor, digits say what it is.
"""

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["KEYS", "Command", "Key", "command_of"]


class Command(StrEnum):
    """What the editor can be told to do."""

    LEFT = "left"
    RIGHT = "right"
    FAR_LEFT = "far left"
    FAR_RIGHT = "far right"
    PAGE_LEFT = "page left"
    PAGE_RIGHT = "page right"
    START = "start"
    END = "end"
    CLOSER = "closer"
    WIDER = "wider"
    WHOLE = "whole"
    FIT = "fit"
    GO_TO = "go to"
    NEXT_ALERT = "next alert"
    PREVIOUS_ALERT = "previous alert"
    NEXT_SEGMENT = "next segment"
    PREVIOUS_SEGMENT = "previous segment"
    NEXT_PROPOSAL = "next proposal"
    PREVIOUS_PROPOSAL = "previous proposal"
    NEXT_LOUD = "next loud moment"
    PREVIOUS_LOUD = "previous loud moment"
    ANCHOR = "anchor"
    LABEL = "label"
    LABEL_BY_NAME = "label by name"
    ACCEPT = "accept"
    REMOVE = "remove"
    START_HERE = "start here"
    END_HERE = "end here"
    SPLIT = "split"
    JOIN = "join"
    NOTE = "note"
    PHONE = "phone"
    REVIEW = "review"
    UNREVIEW = "unreview"
    ACCEPT_CONFIDENT = "accept confident"
    ORDER = "order"
    UNDO = "undo"
    REDO = "redo"
    CANCEL = "cancel"
    WAVE = "wave"
    SPECTRUM = "spectrum"
    HEAR = "hear"
    HEAR_HIGH = "hear high"
    HUSH = "hush"
    RECORDINGS = "recordings"
    NEXT_RECORDING = "next recording"
    PREVIOUS_RECORDING = "previous recording"
    HELP = "help"
    QUIT = "quit"


@dataclass(frozen=True)
class Key:
    """One line of the help."""

    group: str
    keys: tuple[str, ...]
    """As the terminal reports them."""
    shown: str
    """As they are printed."""
    command: Command
    text: str
    hint: str = ""
    """A word or two for the line at the bottom; empty: not shown there."""
    argument: str = ""


_MOVE, _JUMP, _ANSWER, _SHAPE, _LOOK, _REST = (
    "Move (right hand)",
    "Jump (left hand, home row; with shift: back)",
    "Say what it is",
    "Shape it",
    "Look and listen",
    "The rest",
)

KEYS: tuple[Key, ...] = (
    Key(_MOVE, ("left",), "left", Command.LEFT, "cursor one column back"),
    Key(_MOVE, ("right",), "right", Command.RIGHT, "cursor one column on"),
    Key(_MOVE, ("shift+left", "comma"), "shift+left  ,", Command.FAR_LEFT, "a tenth of the view back"),
    Key(_MOVE, ("shift+right", "full_stop"), "shift+right  .", Command.FAR_RIGHT, "a tenth of the view on"),
    Key(_MOVE, ("pageup",), "page up", Command.PAGE_LEFT, "a view back"),
    Key(_MOVE, ("pagedown",), "page down", Command.PAGE_RIGHT, "a view on"),
    Key(_MOVE, ("home",), "home", Command.START, "start of the recording"),
    Key(_MOVE, ("end",), "end", Command.END, "end of the recording"),
    Key(_MOVE, ("up",), "up", Command.CLOSER, "closer, about the cursor", "closer"),
    Key(_MOVE, ("down",), "down", Command.WIDER, "wider", "wider"),
    Key(_MOVE, ("0",), "0", Command.WHOLE, "the whole recording"),
    Key(_MOVE, ("i",), "i", Command.FIT, "closer to what is chosen, or out again"),
    Key(_MOVE, ("g",), "g", Command.GO_TO, "go to a time"),
    Key(_JUMP, ("a",), "a", Command.NEXT_ALERT, "next alert of the box"),
    Key(_JUMP, ("A",), "A", Command.PREVIOUS_ALERT, "the one before"),
    Key(_JUMP, ("s",), "s", Command.NEXT_SEGMENT, "next segment"),
    Key(_JUMP, ("S",), "S", Command.PREVIOUS_SEGMENT, "the one before"),
    Key(_JUMP, ("d",), "d", Command.NEXT_PROPOSAL, "next proposal, in the order chosen with o", "next"),
    Key(_JUMP, ("D",), "D", Command.PREVIOUS_PROPOSAL, "the one before"),
    Key(_JUMP, ("f",), "f", Command.NEXT_LOUD, "next loud moment"),
    Key(_JUMP, ("F",), "F", Command.PREVIOUS_LOUD, "the one before"),
    Key(_ANSWER, ("enter",), "enter", Command.ACCEPT, "accept the proposal as suggested", "accept"),
    *(
        Key(
            _ANSWER,
            (f"{n}",),
            f"{n}",
            Command.LABEL,
            "accept, make or relabel, as the label numbered so" if n == 1 else "likewise",
            argument=f"{n}",
        )
        for n in range(1, 10)
    ),
    Key(_ANSWER, ("l",), "l", Command.LABEL_BY_NAME, "likewise, by the label's name; a new one too", "label"),
    Key(
        _ANSWER,
        ("x", "delete", "backspace"),
        "x  delete",
        Command.REMOVE,
        "dismiss the proposal, remove the segment",
        "dismiss",
    ),
    Key(_ANSWER, ("y",), "y", Command.ACCEPT_CONFIDENT, "all confident suggestions at once, after a look"),
    Key(_ANSWER, ("o",), "o", Command.ORDER, "proposals in order of time, or most doubtful first"),
    Key(_ANSWER, ("r",), "r", Command.REVIEW, "span, or else view, is fully labelled", "reviewed"),
    Key(_ANSWER, ("R",), "R", Command.UNREVIEW, "it is not"),
    Key(_ANSWER, ("t",), "t", Command.NOTE, "write a note on the segment"),
    Key(_ANSWER, ("p",), "p", Command.PHONE, "say which phone rings, if not the recording's"),
    Key(_SHAPE, ("space",), "space", Command.ANCHOR, "a span begins here; again: none", "span"),
    Key(_SHAPE, ("c",), "c", Command.START_HERE, "the chosen one starts at the cursor"),
    Key(_SHAPE, ("v",), "v", Command.END_HERE, "the chosen one ends at the cursor"),
    Key(_SHAPE, ("b",), "b", Command.SPLIT, "break the segment at the cursor"),
    Key(_SHAPE, ("j",), "j", Command.JOIN, "join it with the next of its label"),
    Key(_SHAPE, ("z", "ctrl+z"), "z", Command.UNDO, "undo, without limit, over restarts", "undo"),
    Key(_SHAPE, ("Z", "ctrl+y"), "Z", Command.REDO, "redo"),
    Key(_SHAPE, ("escape",), "escape", Command.CANCEL, "no span, nothing chosen"),
    Key(_LOOK, ("w",), "w", Command.WAVE, "waveform, on and off"),
    Key(_LOOK, ("e",), "e", Command.SPECTRUM, "spectrum over time, spectrum at the cursor, off"),
    Key(_LOOK, ("h",), "h", Command.HEAR, "hear span, chosen one or view"),
    Key(_LOOK, ("H",), "H", Command.HEAR_HIGH, "the same, two octaves up"),
    Key(_LOOK, ("q",), "q", Command.HUSH, "be quiet"),
    Key(_REST, ("k",), "k", Command.RECORDINGS, "list of recordings"),
    Key(_REST, ("n",), "n", Command.NEXT_RECORDING, "next recording"),
    Key(_REST, ("N",), "N", Command.PREVIOUS_RECORDING, "the one before"),
    Key(_REST, ("question_mark",), "?", Command.HELP, "this help", "help"),
    Key(_REST, ("Q", "ctrl+q"), "Q", Command.QUIT, "leave; all is saved already", "leave"),
)


def command_of(key: str) -> Key | None:
    """Return the line of the table for a key as the terminal reports it."""
    return _BY_KEY.get(key)


_BY_KEY = {name: key for key in KEYS for name in key.keys}
