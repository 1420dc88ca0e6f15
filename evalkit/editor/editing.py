"""One recording on the screen: keys to the desk, the desk's picture to the sheet."""

import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from textual import events
from textual.app import ComposeResult
from textual.message import Message
from textual.screen import Screen

from evalkit.board import Board
from evalkit.box_trace import present_setting
from evalkit.dataset import read_labels
from evalkit.descriptor import RecordingEntry, read_descriptor
from evalkit.drawn_levels import DrawnFiles
from evalkit.editor.desk import Desk, label_names
from evalkit.editor.frame import Frame
from evalkit.editor.ink import Canvas, Ink, ink_of_terminal
from evalkit.editor.keys import Command, Key, command_of
from evalkit.editor.listening import OCTAVES_UP, Player, transposed
from evalkit.editor.panes import GUTTER
from evalkit.editor.picture import Extra
from evalkit.editor.screens import (
    Ask,
    ConfirmConfident,
    Help,
    PickLabel,
    PickRecording,
    RecordingLine,
    WhoseWord,
)
from evalkit.editor.sheet import Sheet
from evalkit.editor.source import Source
from evalkit.editor.view import told_time
from evalkit.editor.worker import Failed, Found, Learned, Ready, Report, Worker, Working
from evalkit.errors import EvalkitError
from evalkit.keeping import Access, LabelKeeper
from evalkit.segments import Segment
from evalkit.spans import Span, total_s

__all__ = ["Editing", "Outcome"]

_TICK_S = 0.2
_BAR = 20


@dataclass(frozen=True)
class Outcome:
    """What was done to a recording while the editor was open."""

    recording: str
    changes: int
    """Changes made and not undone."""
    unsaved: str | None
    """Why the table on disk is not up to date; the journal is."""


class _Told(Message):
    """A report of the worker on its way to the screen."""

    def __init__(self, worker: Worker, report: Report) -> None:
        super().__init__()
        self.worker = worker
        self.report = report


class Editing(Screen[None]):
    """One recording on the sheet."""

    def __init__(self, access: Access, board: Board, own_labels: tuple[str, ...], name: str) -> None:
        super().__init__()
        self._access = access
        self._board = board
        self._own_labels = own_labels
        self._folder = access.folder
        self._files = DrawnFiles(access.folder)
        self._player = Player()
        self._told_refusal = False
        self._outcomes: dict[str, Outcome] = {}
        self._worker: Worker | None = None
        self._dragging = False
        self.ink: Ink = ink_of_terminal()
        self.extra = Extra.NONE
        self.waiting = ""
        self.sheet = Sheet(self._canvas)
        self._put_on_desk(name)

    def compose(self) -> ComposeResult:
        """One sheet and nothing else."""
        yield self.sheet

    def on_mount(self) -> None:
        """Start to work in the background once the first picture is there."""
        self.set_interval(_TICK_S, self._tick)
        self.call_after_refresh(self._start_worker)

    def close(self) -> list[Outcome]:
        """Stop and write; return what was done to each recording."""
        self._take_off_desk()
        self._player.stop()
        return list(self._outcomes.values())

    def on_key(self, event: events.Key) -> None:
        """Do what the table of keys says."""
        key = command_of(event.key)
        if key is None:
            return
        event.stop()
        event.prevent_default()
        self.obey(key)

    def obey(self, key: Key) -> None:
        """Do what a line of the table of keys says, or ask for what it needs."""
        act = self._asking().get(key.command)
        if act is None:
            self._perform(key.command, key.argument)
            return
        self.desk.message = ""
        try:
            act()
        except EvalkitError as error:
            self.desk.message = str(error)
        self.sheet.redraw()

    def on_mouse_down(self, event: events.MouseDown) -> None:
        """Choose what is under the pointer, or begin a span there."""
        column, row = event.x - GUTTER, event.y - Frame.TOP
        if 0 <= column < self.desk.view.columns:
            label = next((name for lane, name in self._frame.lanes if lane == row), None)
            self.desk.anchor_s = None
            self.desk.choose_at(self.desk.view.time_of(column), label)
            self._dragging = True
            self.capture_mouse()
            self.sheet.redraw()

    def on_mouse_move(self, event: events.MouseMove) -> None:
        """Stretch the span."""
        column = event.x - GUTTER
        if self._dragging and event.button and 0 <= column <= self.desk.view.columns:
            if self.desk.anchor_s is None:
                self.desk.chosen = None
                self.desk.anchor_s = self.desk.view.cursor_s
            self.desk.view = self.desk.view.at(self.desk.view.time_of(column))
            self.sheet.redraw()

    def on_mouse_up(self) -> None:
        """End the span."""
        self._dragging = False
        self.capture_mouse(False)

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        """Closer, about the pointer."""
        self._wheel(event, closer=True)

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        """Wider, about the pointer."""
        self._wheel(event, closer=False)

    def on__told(self, message: _Told) -> None:
        """Take what the worker found."""
        if message.worker is not self._worker:
            return
        report = message.report
        if isinstance(report, Working):
            self.waiting = _told_progress(report)
        elif isinstance(report, Ready):
            self.waiting = ""
            self.desk.alerts = self.source.trace.alerts if self.source.trace is not None else ()
        elif isinstance(report, Found):
            self.desk.take_proposals(report.proposals)
            self.desk.loud_s = report.loud_s
            self._teach()
        elif isinstance(report, Learned):
            # Not under the eyes of whoever looks at what is to be accepted at once.
            if self.app.screen is self:
                self.desk.queue.suggestions = report.suggestions
        elif isinstance(report, Failed):
            self.waiting = self.desk.message = report.reason
        self.sheet.redraw()

    def _asking(self) -> dict[Command, Callable[[], None]]:
        """What the desk cannot do without the screen."""
        return {
            Command.HELP: lambda: self._push(Help(), lambda _: None),
            Command.QUIT: lambda: self.app.exit(),
            Command.GO_TO: lambda: self._ask("Go to (95.5 or 1:35.5):", Command.GO_TO),
            Command.NOTE: lambda: self._ask_of_segment(Command.NOTE),
            Command.PHONE: lambda: self._ask_of_segment(Command.PHONE),
            Command.LABEL_BY_NAME: lambda: self._push(
                PickLabel(self.desk.names), lambda name: self._perform(Command.LABEL_BY_NAME, name)
            ),
            Command.ACCEPT_CONFIDENT: self._look_at_confident,
            Command.RECORDINGS: self._list_recordings,
            Command.NEXT_RECORDING: lambda: self._other_recording(1),
            Command.PREVIOUS_RECORDING: lambda: self._other_recording(-1),
            Command.WAVE: lambda: self._turn(Extra.WAVE, Extra.NONE),
            Command.SPECTRUM: self._turn_spectrum,
            Command.HEAR: lambda: self._hear(0),
            Command.HEAR_HIGH: lambda: self._hear(OCTAVES_UP),
            Command.HUSH: self._player.stop,
        }

    def _push(self, screen: Screen[Any], answered: Callable[[Any], None]) -> None:
        self.app.push_screen(screen, answered)

    def _perform(self, command: Command, argument: str | None) -> None:
        if argument is not None:
            self.desk.perform(command, argument)
            self._after_edit()
        self.sheet.redraw()

    def _ask(self, question: str, command: Command, value: str = "") -> None:
        self._push(Ask(question, value), lambda text: self._perform(command, text))

    def _ask_of_segment(self, command: Command) -> None:
        """Ask for a segment's note or phone, with what it is so far."""
        if not isinstance(self.desk.chosen, Segment):
            self.desk.choose_at(self.desk.view.cursor_s)
        chosen = self.desk.chosen
        if not isinstance(chosen, Segment):
            self.desk.message = "no segment is chosen here"
        elif command is Command.NOTE:
            self._ask(f"Note on {chosen.label}:", command, chosen.note)
        else:
            self._ask(f"Phone of {chosen.label} (empty: the recording's):", command, chosen.phone)

    def _look_at_confident(self) -> None:
        summary = self.desk.queue.summary()
        if not summary.accepted and not summary.dismissed:
            self._perform(Command.ACCEPT_CONFIDENT, "")
            return
        self._push(
            ConfirmConfident(summary),
            lambda yes: self._perform(Command.ACCEPT_CONFIDENT, "" if yes else None),
        )

    def _turn(self, extra: Extra, other: Extra) -> None:
        self.extra = other if self.extra is extra else extra

    def _turn_spectrum(self) -> None:
        after = {Extra.BANDS: Extra.SPECTRUM, Extra.SPECTRUM: Extra.NONE}
        self.extra = after.get(self.extra, Extra.BANDS)

    def _hear(self, octaves: int) -> None:
        if self._player.refusal is not None:
            # Said once: whoever works without sound need not be told at every key.
            self.desk.message = "" if self._told_refusal else self._player.refusal
            self._told_refusal = True
            return
        chosen, view = self.desk.chosen, self.desk.view
        span = self.desk.span or (Span(chosen.start_s, chosen.end_s) if chosen is not None else None)
        span = span or Span(view.start_s, view.end_s)
        try:
            samples = self.source.samples(span.start_s, min(span.end_s, span.start_s + 60.0))
            rate = self.source.recording.sample_rate_hz
            self._player.play(transposed(samples, rate, octaves) if octaves else samples, rate)
        except (ValueError, EvalkitError) as error:
            self.desk.message = str(error)

    def _list_recordings(self) -> None:
        lines = [_line_of(self._folder, entry) for entry in self._entries()]
        self._push(PickRecording(lines, self.desk.keeper.recording.name), self._switch)

    def _other_recording(self, direction: int) -> None:
        names = [entry.name for entry in self._entries()]
        at = names.index(self.desk.keeper.recording.name) + direction
        if 0 <= at < len(names):
            self._switch(names[at])
        else:
            self.desk.message = f"no recording {'after' if direction > 0 else 'before'} this"

    def _entries(self) -> list[RecordingEntry]:
        return sorted(read_descriptor(self._folder).entries, key=lambda entry: entry.name)

    def _switch(self, name: str | None) -> None:
        if name is None or name == self.desk.keeper.recording.name:
            return
        before = self.desk.keeper.recording.name
        self._take_off_desk()
        try:
            self._put_on_desk(name)
        except EvalkitError as error:
            # Should the one before have become faulty meanwhile, it stays to be looked at.
            with contextlib.suppress(EvalkitError):
                self._put_on_desk(before)
            self.desk.message = str(error)
        self._start_worker()
        self.sheet.redraw()

    def _put_on_desk(self, name: str) -> None:
        keeper = LabelKeeper(self._access, name)
        r = keeper.recording
        own = {segment.label for segment in r.segments}
        self.desk = Desk(keeper, names=label_names(sorted({*own, *self._own_labels})), columns=60)
        self.source = Source(r, self._board, present_setting(self._folder, self._board))
        entries = [entry.name for entry in self._entries()]
        place = f"{entries.index(name) + 1} of {len(entries)}"
        self._frame = Frame(self._folder, f"{name}  {place}")
        self.waiting = "looking for earlier drawings"
        self.source.find(self._files)
        if self.source.trace is not None:
            self.desk.alerts = self.source.trace.alerts

    def _start_worker(self) -> None:
        self._worker = Worker(self._folder, self._files, self.source, self._tell)
        self._worker.start()

    def _tell(self, report: Report) -> None:
        worker = self._worker
        if worker is not None:
            self.post_message(_Told(worker, report))

    def _take_off_desk(self) -> None:
        worker, self._worker = self._worker, None
        if worker is not None:
            worker.stop()
        keeper = self.desk.keeper
        keeper.close()
        unsaved = keeper.trouble
        if keeper.question is not None:
            unsaved = "another program changed the same segments, and whose word holds was left open"
        name = keeper.recording.name
        self._outcomes[name] = Outcome(name, keeper.history.position, unsaved)

    def _teach(self) -> None:
        if self._worker is not None:
            self._worker.teach(self.desk.labels)

    def _after_edit(self) -> None:
        if self.desk.labels is not self._frame.taught:
            self._frame.taught = self.desk.labels
            self._teach()

    def _tick(self) -> None:
        """Notice what other threads and programs did."""
        keeper = self.desk.keeper
        changed = self.desk.refresh()
        for line in keeper.news():
            self.desk.message = line
            changed = True
        if keeper.question is not None and self.app.screen is self and not self._frame.asked:
            self._frame.asked = True
            self._push(WhoseWord(keeper.question), self._settle)
        self._frame.asked = self._frame.asked and keeper.question is not None
        if changed or self._frame.state != Frame.state_of(keeper):
            self.sheet.redraw()

    def _settle(self, side: Any) -> None:
        if side is not None:
            self.desk.keeper.settle(side)
            self.desk.refresh()
        self.sheet.redraw()

    def _wheel(self, event: events.MouseEvent, *, closer: bool) -> None:
        event.stop()
        column = min(max(event.x - GUTTER, 0), self.desk.view.columns - 1)
        self.desk.view = self.desk.view.at(self.desk.view.time_of(column)).zoomed(closer)
        self.sheet.redraw()

    def _canvas(self, rows: int, columns: int) -> Canvas:
        self.desk.resize(max(1, columns - GUTTER))
        try:
            return self._drawn(rows, columns)
        except EvalkitError as error:
            # The audio is gone or damaged: its labels can be edited all the same.
            self.waiting = self.desk.message = str(error)
            self.source.levels = self.source.trace = None
            self.extra = Extra.NONE
            return self._drawn(rows, columns)

    def _drawn(self, rows: int, columns: int) -> Canvas:
        return self._frame.draw(self.desk, self.source, rows, columns, self.extra, self.ink, self.waiting)


def _told_progress(working: Working) -> str:
    done = round(_BAR * working.share)
    bar = f"[{'#' * done}{'.' * (_BAR - done)}]"
    left = "" if working.left_s is None else f", {told_time(working.left_s, decimals=0)} left"
    return f"{working.what} {bar} {working.share:.0%}{left}"


def _line_of(folder: Path, entry: RecordingEntry) -> RecordingLine:
    duration_s = entry.n_frames / entry.sample_rate_hz
    try:
        segments = f"{len(read_labels(folder, entry))}"
    except EvalkitError:
        segments = "faulty"
    return RecordingLine(
        entry.name,
        entry.session,
        told_time(duration_s, decimals=0),
        segments,
        f"{total_s(entry.reviewed) / duration_s:.0%}",
    )
