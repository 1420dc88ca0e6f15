"""What the editor asks and tells in a box over the sheet."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from evalkit.editor.keys import KEYS
from evalkit.editor.queue import Confident
from evalkit.merging import Merge, Side
from evalkit.segments import Segment

__all__ = ["Ask", "ConfirmConfident", "Help", "PickLabel", "PickRecording", "RecordingLine", "WhoseWord"]


class _Box(ModalScreen[Any]):
    """A box in the middle of the screen; escape leaves it without an answer."""

    DEFAULT_CSS = """
    _Box { align: center middle; background: ansi_default; }
    _Box > VerticalScroll {
        width: auto; min-width: 40; max-width: 95%; height: auto; max-height: 95%;
        border: round ansi_default; padding: 0 1; background: ansi_default;
    }
    """
    CSS = """
    Static { width: auto; max-width: 100%; }
    Input, Input:focus {
        border: none; height: 1; width: 66; max-width: 100%; padding: 0; background: ansi_default;
    }
    OptionList, OptionList:focus {
        border: none; height: auto; max-height: 16; width: 66; max-width: 100%; padding: 0;
        background: ansi_default;
    }
    OptionList > .option-list--option-highlighted { text-style: bold underline; }
    OptionList:focus > .option-list--option-highlighted { text-style: bold underline; }
    """

    def key_escape(self) -> None:
        """Leave."""
        self.dismiss(None)


class Help(_Box):
    """Every key, from the one table."""

    def compose(self) -> ComposeResult:
        with VerticalScroll():
            yield Static(Text(help_text()))

    def on_key(self, event: events.Key) -> None:
        if event.key in ("question_mark", "q", "Q", "enter"):
            event.stop()
            self.dismiss(None)


class Ask(_Box):
    """One line of text."""

    AUTO_FOCUS = "Input"

    def __init__(self, question: str, value: str = "") -> None:
        super().__init__()
        self._question = question
        self._value = value

    def compose(self) -> ComposeResult:
        with VerticalScroll():
            yield Static(Text(self._question))
            yield Input(self._value, select_on_focus=False)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        self.dismiss(event.value)


class PickLabel(_Box):
    """A label from the list, or a new one typed in."""

    AUTO_FOCUS = "Input"

    def __init__(self, names: Sequence[str]) -> None:
        super().__init__()
        self._names = tuple(names)

    def compose(self) -> ComposeResult:
        with VerticalScroll():
            yield Static(Text("Label: type its first letters, or a new name; enter takes the first"))
            yield Input()
            yield OptionList(*self._options(""))

    def on_input_changed(self, event: Input.Changed) -> None:
        options = self.query_one(OptionList)
        options.clear_options()
        options.add_options(self._options(event.value))

    def on_input_submitted(self, event: Input.Submitted) -> None:
        # An exact name, then the first that begins so, then a new one.
        text = event.value.strip()
        known = [name for name in self._names if name.startswith(text)]
        self.dismiss(text if text in self._names or not known else known[0])

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        self.dismiss(str(event.option.id))

    def _options(self, text: str) -> list[Option]:
        known = [name for name in self._names if name.startswith(text.strip())]
        return [Option(Text(name), id=name) for name in known]


@dataclass(frozen=True)
class RecordingLine:
    """One recording in the list."""

    name: str
    session: str
    length: str
    segments: str
    reviewed: str


class PickRecording(_Box):
    """The recordings with how far each is."""

    AUTO_FOCUS = "OptionList"

    def __init__(self, lines: Sequence[RecordingLine], current: str) -> None:
        super().__init__()
        self._lines = tuple(lines)
        self._current = current

    def compose(self) -> ComposeResult:
        widths = [max((len(line.name) for line in self._lines), default=0)]
        widths.append(max((len(line.session) for line in self._lines), default=0))
        with VerticalScroll():
            yield Static(Text("Recordings: arrows and enter"))
            yield OptionList(
                *(
                    Option(
                        Text(
                            f"{'>' if line.name == self._current else ' '} {line.name:{widths[0]}}  "
                            f"{line.session:{widths[1]}}  {line.length:>11}  {line.segments:>5} segments  "
                            f"{line.reviewed:>4} reviewed"
                        ),
                        id=line.name,
                    )
                    for line in self._lines
                )
            )

    def on_mount(self) -> None:
        names = [line.name for line in self._lines]
        if self._current in names:
            self.query_one(OptionList).highlighted = names.index(self._current)

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        self.dismiss(str(event.option.id))


class ConfirmConfident(_Box):
    """A look at what accepting all confident suggestions would do."""

    def __init__(self, summary: Confident) -> None:
        super().__init__()
        self._summary = summary

    def compose(self) -> ComposeResult:
        lines = [f"{count:5} accepted as {label}" for label, count in self._summary.accepted.items()]
        if self._summary.dismissed:
            lines.append(f"{self._summary.dismissed:5} dismissed as nothing")
        lines += [
            "",
            f"The least sure of them has a confidence of {self._summary.least:.0%}.",
            "enter: do it (one undo takes all of it back); escape: not yet",
        ]
        with VerticalScroll():
            yield Static(Text("\n".join(lines)))

    def key_enter(self) -> None:
        """Do it."""
        self.dismiss(True)


class WhoseWord(_Box):
    """Two people changed the same segments: which of them holds."""

    def __init__(self, merge: Merge) -> None:
        super().__init__()
        self._merge = merge

    def compose(self) -> ComposeResult:
        lines = ["Another program changed the same segments meanwhile.", "", "Ours:"]
        lines += [_told(segment) for segment in self._merge.ours]
        lines += ["Theirs:", *(_told(segment) for segment in self._merge.theirs)]
        lines += ["", "o: ours (theirs is kept in a file)   t: theirs   escape: later, nothing is written"]
        with VerticalScroll():
            yield Static(Text("\n".join(lines)))

    def key_o(self) -> None:
        """Ours."""
        self.dismiss(Side.OURS)

    def key_t(self) -> None:
        """Theirs."""
        self.dismiss(Side.THEIRS)


def help_text() -> str:
    """Return the help: every line of the table of keys, by group."""
    lines: list[str] = []
    for group, keys in groupby(KEYS, key=lambda key: key.group):
        lines += [group, *(f"  {key.shown:16}{key.text}" for key in keys), ""]
    lines += [
        "Mouse: click chooses, drag spans, wheel zooms.",
        "Level: what the comparator sees, dB over the level at which it trips. Solid: all of the",
        "time in this column; thinned out: some of it. Below: the integrator, and where the gate",
        "fires and lets go; alert: . comparator high, half-filled: gate on, filled: alert held.",
    ]
    return "\n".join(lines)


def _told(segment: Segment) -> str:
    note = f"  {segment.note}" if segment.note else ""
    return f"  {segment.start_s:.3f}-{segment.end_s:.3f} s {segment.label}{note}"
