"""The label editor: every key through Textual's own test driver, and the logic without a screen."""

import asyncio
import itertools
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import threading
import time
import types
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from textual.pilot import Pilot

from evalkit.cli import main
from evalkit.dataset import create_dataset, import_recordings, read_dataset
from evalkit.demo.build import render_session
from evalkit.demo.schedule import demo_sessions
from evalkit.descriptor import read_descriptor
from evalkit.drawn_levels import DrawnLevels
from evalkit.editor.app import EditorApp
from evalkit.editor.desk import Desk, label_names
from evalkit.editor.editing import Editing
from evalkit.editor.keys import KEYS, Command
from evalkit.editor.listening import Player
from evalkit.editor.picture import Extra
from evalkit.editor.queue import Order
from evalkit.editor.run import editor_of
from evalkit.editor.screens import ConfirmConfident, Help, PickRecording, WhoseWord
from evalkit.errors import FileFault, WrongUse
from evalkit.keeping import editing
from evalkit.labelling import segments_of, set_reviewed, write_segments
from evalkit.proposals import Proposal
from evalkit.segments import Segment, format_segments
from evalkit.spans import Span
from evalkit.suggestions import Suggestion

from .benchmarks.editor_kills import kill_and_look, make_bench
from .benchmarks.editor_labeller import label_all, unlabelled
from .benchmarks.proposals_on_demo import matched
from .test_editor_desk import LENGTH_S, strongest_hz
from .test_proposals import RATE_HZ, Scene

SIZE = (100, 40)


@pytest.fixture(scope="session")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a dataset of two unlabelled recordings of a minute, invented: bursts, a knock, a rumble.

    What the editor draws of them is there already.
    """
    import soundfile

    folder = tmp_path_factory.mktemp("shelf") / "bench"
    create_dataset(folder)
    rng = np.random.default_rng(3)
    for name in ("monday", "tuesday"):
        scene = Scene(rng, LENGTH_S).hum(10, 11, 0.1).hum(13, 14, 0.1).knock(20, 0.4).rumble(30, 36, 0.05)
        path = folder.parent / f"{name}.wav"
        soundfile.write(path, scene.samples, RATE_HZ, subtype="PCM_16")
        import_recordings(folder, [path], session=name, full_scale_v=1.0, input_ohms=1e6)
    for name in ("monday", "tuesday"):
        drive(folder, name, ready)
    return folder


@pytest.fixture
def bench(shelf: Path, tmp_path: Path) -> Path:
    """Return a copy of the shelf; times of files are kept, so that the drawings stay valid."""
    folder = tmp_path / "bench"
    shutil.copytree(shelf, folder)
    return folder


Drive = Callable[[EditorApp, Pilot[None]], Awaitable[None]]


def drive(folder: Path, name: str | None, *steps: Drive | str, size: tuple[int, int] = SIZE) -> EditorApp:
    """Run the editor without a terminal: wait until all is drawn, then take the steps; a string is a key."""

    async def run() -> EditorApp:
        with editing(folder) as access:
            app = editor_of(access, read_descriptor(folder), name)
            async with app.run_test(size=size) as pilot:
                await ready(app, pilot)
                for step in steps:
                    if isinstance(step, str):
                        await pilot.press(step)
                    else:
                        await step(app, pilot)
                await pilot.pause()
            app.outcomes = app.close()  # type: ignore[attr-defined]
            return app

    return asyncio.run(run())


def screen_of(app: EditorApp) -> Editing:
    return app.editing


async def until(pilot: Pilot[None], condition: Callable[[], bool], patience_s: float = 60.0) -> None:
    end_s = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < end_s, "waited in vain"
        await pilot.pause(0.02)


async def ready(app: EditorApp, pilot: Pilot[None]) -> None:
    """Wait until the recording on the desk is drawn and looked through."""
    await pilot.pause()
    await until(
        pilot, lambda: screen_of(app).source.trace is not None and len(screen_of(app).desk.loud_s) > 0
    )
    await pilot.pause()


def rows_of(app: EditorApp) -> list[str]:
    """Return what is on the screen."""
    return ["".join(row).rstrip() for row in screen_of(app).sheet._canvas.chars.tolist()]


def labels_of(folder: Path, name: str = "monday") -> list[tuple[float, float, str]]:
    return [(round(s.start_s, 1), round(s.end_s, 1), s.label) for s in segments_of(folder, name)]


def check(what: Callable[[EditorApp], object]) -> Drive:
    """Return a step that asserts something of the running app."""

    async def step(app: EditorApp, pilot: Pilot[None]) -> None:
        await pilot.pause()
        assert what(app), rows_of(app)

    return step


def text_typed(text: str) -> list[str]:
    names = {" ": "space", ".": "full_stop", "-": "minus", ":": "colon"}
    return [names.get(character, character) for character in text]


def desk_of(app: EditorApp) -> Desk:
    return screen_of(app).desk


def chosen_times(app: EditorApp) -> tuple[float, float] | None:
    chosen = desk_of(app).chosen
    return None if chosen is None else (round(chosen.start_s, 1), round(chosen.end_s, 1))


def cursor_near(time_s: float) -> Callable[[EditorApp], bool]:
    return lambda app: abs(desk_of(app).view.cursor_s - time_s) < 0.15


RING, KNOCK, RUMBLE = (10.0, 11.0, "ring"), (20.0, 20.1, "tap"), (30.0, 36.0, "tool")

# Every action of the table of keys: what is pressed (or checked), and the labels that are on disk then.
ACTIONS: dict[str, tuple[tuple[str | Drive, ...], list[tuple[float, float, str]]]] = {
    "accept and go on": (("d", "enter", check(lambda app: chosen_times(app) == (13.0, 14.0))), [RING]),
    "accept as another label": (("d", "d", "d", "2", "3"), [KNOCK, RUMBLE]),
    "accept by name": (("d", "l", *"to", "enter"), [(10.0, 11.0, "tool")]),
    "accept with a new label": (("d", "l", *text_typed("our own"), "enter"), [(10.0, 11.0, "our own")]),
    "dismiss": (
        ("d", "x", "enter", "d", "delete", check(lambda app: len(desk_of(app).queue.open) == 1)),
        [(13.0, 14.0, "ring")],
    ),
    "backwards": (("end", "D", "3", "D", "2"), [(13.0, 14.0, "tap"), RUMBLE]),
    "make a span": (
        ("g", *"40", "enter", "space", "g", *"42.5", "enter", "4"),
        [(40.0, 42.5, "traffic")],
    ),
    "make a span backwards, with the label in hand": (
        ("g", *"42.5", "enter", "space", "g", *"40", "enter", "enter"),
        [(40.0, 42.5, "ring")],
    ),
    "give up a span": (
        ("space", "right", "right", "escape", check(lambda app: desk_of(app).span is None), "1"),
        [],
    ),
    "relabel": (("d", "enter", "S", "7"), [(10.0, 11.0, "other")]),
    "trim": (
        ("d", "enter", "S", "g", *"10.5", "enter", "c", "g", *"12", "enter", "v"),
        [(10.5, 12.0, "ring")],
    ),
    "trim a proposal first": (("d", "g", *"10.4", "enter", "c", "enter"), [(10.4, 11.0, "ring")]),
    "split": (
        ("d", "enter", "S", "g", *"10.5", "enter", "b", "2"),
        [(10.0, 10.5, "ring"), (10.5, 11.0, "tap")],
    ),
    "join": (("d", "enter", "enter", "S", "S", "j"), [(10.0, 14.0, "ring")]),
    "remove": (("d", "enter", "enter", "S", "x"), [RING]),
    "undo and redo": (
        ("d", "enter", "enter", "z", "ctrl+z", check(lambda app: desk_of(app).labels.segments == ()), "Z"),
        [RING],
    ),
    "undo, and there is nothing": (
        ("z", check(lambda app: "nothing to undo" in rows_of(app)[-2]), "ctrl+y"),
        [],
    ),
    "next and previous segment": (
        (
            *("d", "enter", "enter", "home", "escape", "s"),
            check(lambda app: chosen_times(app) == (10.0, 11.0)),
            "s",
            check(lambda app: chosen_times(app) == (13.0, 14.0)),
            "S",
            check(lambda app: chosen_times(app) == (10.0, 11.0)),
        ),
        [RING, (13.0, 14.0, "ring")],
    ),
    "loud moments": (
        ("f", check(cursor_near(10)), "f", check(cursor_near(13)), "F", check(cursor_near(10))),
        [],
    ),
    "alerts": (
        (
            "a",
            check(lambda app: desk_of(app).view.cursor_s == desk_of(app).alerts[0].start_s),
            "A",
            check(lambda app: "no alert before this" in rows_of(app)[-2]),
        ),
        [],
    ),
    "columns, tenths and views": (
        (
            *("right", "right", "left"),
            check(lambda app: desk_of(app).view.cursor_column == 1),
            *("full_stop", "shift+right", "comma", "shift+left", "up", "up", "pagedown"),
            check(lambda app: desk_of(app).view.start_s == pytest.approx(15.0, abs=1.0)),
            "pageup",
            check(lambda app: desk_of(app).view.start_s == pytest.approx(0.0, abs=1.0)),
            *("end", "home"),
            check(lambda app: desk_of(app).view.cursor_s == 0.0),
        ),
        [],
    ),
    "closer, wider, whole, fit": (
        (
            *("up", "up", "up", "down"),
            check(lambda app: desk_of(app).view.span_s == pytest.approx(LENGTH_S / 4)),
            "0",
            check(lambda app: desk_of(app).view.span_s == LENGTH_S),
            *("d", "i"),
            check(lambda app: desk_of(app).view.span_s == pytest.approx(2.0, abs=0.1)),
            "i",
            check(lambda app: 6.0 < desk_of(app).view.span_s < 7.0),
        ),
        [],
    ),
    "note": (("d", "enter", "S", "t", *text_typed("by hand"), "enter"), [RING]),
    "phone": (
        (
            *("d", "enter", "S", "p", *"shop", "enter"),
            check(lambda app: "phone shop" in rows_of(app)[-3]),
        ),
        [RING],
    ),
    "reviewed": (
        (
            "r",
            check(lambda app: desk_of(app).labels.reviewed == (Span(0.0, LENGTH_S),)),
            check(lambda app: "100% reviewed" in rows_of(app)[0]),
            *("g", *"10", "enter", "space", "g", *"20", "enter", "R"),
            check(lambda app: len(desk_of(app).labels.reviewed) == 2),
        ),
        [],
    ),
    "order of proposals": (("o", check(lambda app: desk_of(app).queue.order is Order.DOUBT), "o"), []),
    "all confident": (
        (
            "y",
            check(lambda app: "no suggestion has a confidence" in rows_of(app)[-2]),
            check(lambda app: teach(app, {(10.0, "ring"), (13.0, "ring"), (30.0, "")})),
            "y",
            check(lambda app: isinstance(app.screen, ConfirmConfident)),
            "escape",
            check(lambda app: desk_of(app).labels.segments == ()),
            *("y", "enter"),
            check(lambda app: len(desk_of(app).queue.open) == 1),
        ),
        [RING, (13.0, 14.0, "ring")],
    ),
    "wave and spectrum": (
        (
            "w",
            check(lambda app: any(row.startswith("wave") for row in rows_of(app))),
            *("w", "e"),
            check(lambda app: any(row.startswith("bands") for row in rows_of(app))),
            *("g", *"10.5", "enter", "e"),
            check(lambda app: any(row.startswith("176 Hz") for row in rows_of(app))),
            "e",
            check(lambda app: screen_of(app).extra is Extra.NONE),
        ),
        [],
    ),
    "hear": (
        (
            "h",
            check(lambda app: "nothing can be played" in rows_of(app)[-2]),
            # Said once.
            *("H", "q"),
            check(lambda app: "nothing can be played" not in rows_of(app)[-2]),
        ),
        [],
    ),
    "recordings": (
        (
            *("d", "enter", "n"),
            check(lambda app: "tuesday" in rows_of(app)[0]),
            "n",
            check(lambda app: "no recording after this" in rows_of(app)[-2]),
            "N",
            check(lambda app: "1 segments" in rows_of(app)[0]),
            "k",
            check(lambda app: isinstance(app.screen, PickRecording)),
            *("down", "enter"),
            check(lambda app: "tuesday" in rows_of(app)[0]),
            *("k", "escape"),
            check(lambda app: app.screen is screen_of(app)),
        ),
        [RING],
    ),
    "help": (
        (
            "question_mark",
            check(lambda app: isinstance(app.screen, Help)),
            "escape",
            check(lambda app: app.screen is screen_of(app)),
        ),
        [],
    ),
    "leave": (("d", "enter", "Q"), [RING]),
}


def teach(app: EditorApp, known: set[tuple[float, str]]) -> bool:
    """Put suggestions on the desk as if they were learned."""
    desk = desk_of(app)
    desk.queue.suggestions = {
        proposal: Suggestion(label, 0.95)
        for proposal in desk.queue.open
        for start_s, label in known
        if abs(proposal.start_s - start_s) < 0.1
    }
    return True


@pytest.mark.parametrize("name", ACTIONS)
def test_every_action(bench: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("evalkit.editor.listening.Player.__init__", _no_sound)
    steps, expected = ACTIONS[name]
    drive(bench, "monday", *steps)
    assert labels_of(bench) == expected


def _no_sound(player: Player) -> None:
    player._device = None
    player.refusal = "nothing can be played: not here"


def test_no_action_is_left_out() -> None:
    pressed = {step for steps, _ in ACTIONS.values() for step in steps if isinstance(step, str)}
    for key in KEYS:
        if key.command is not Command.LABEL:
            assert pressed & set(key.keys), f"{key.shown} ({key.command}) is not tried"


class TestKeys:
    """One table; the rest is in `test_editor_desk`."""

    def test_every_command_is_done_by_the_desk_or_the_screen(self, bench: Path) -> None:
        async def by_screen(app: EditorApp, _: Pilot[None]) -> None:
            by_desk = set(desk_of(app)._acts)
            # What needs the screen to ask first may end on the desk: go to, note, label, confident.
            assert by_desk | set(screen_of(app)._asking()) == set(Command)

        drive(bench, "monday", by_screen)


class TestScreen:
    """What is seen, and with what."""

    def test_the_box_comes_first(self, bench: Path) -> None:
        rows: list[str] = []

        async def look(app: EditorApp, _: Pilot[None]) -> None:
            rows.extend(rows_of(app))

        drive(bench, "monday", "d", "enter", look, size=(80, 24))
        names = [row[:10].strip() for row in rows]
        assert "bench / monday  1 of 2" in rows[0]
        assert "1 segments  3 open  0% reviewed  1 changes" in rows[0]
        order = [
            "trips at 0",
            "fires",
            "lets go",
            "alert",
            "1 ring",
            "2 tap",
            "proposals",
            "reviewed",
            "time",
        ]
        assert [name for name in names if name in order] == order
        assert "middle of the knobs" in rows[1]
        assert rows[-3].startswith("proposal (enter: ring)")
        assert rows[-2].startswith("accept ring 9.9")
        assert rows[-1].endswith("? help  Q leave")
        lane = next(row for row in rows if row.startswith("1 ring"))
        assert lane.endswith(")")

    @pytest.mark.parametrize("size", [(80, 24), (160, 50), (100, 30), (40, 14), (200, 70)])
    @pytest.mark.parametrize("extra", ["", "w", "e"])
    def test_every_size_is_filled(self, bench: Path, size: tuple[int, int], extra: str) -> None:
        async def look(app: EditorApp, _: Pilot[None]) -> None:
            rows = screen_of(app).sheet._canvas.chars
            assert rows.shape == (size[1], size[0])
            text = rows_of(app)
            assert text[-4].startswith("time")
            assert text[-1]

        drive(bench, "monday", *([extra] if extra else []), look, size=size)

    def test_too_small_is_said(self, bench: Path) -> None:
        async def look(app: EditorApp, pilot: Pilot[None]) -> None:
            assert rows_of(app)[0] == "too small: 40 x 14 is needed"
            await pilot.resize_terminal(80, 24)
            await pilot.pause()
            assert rows_of(app)[-4].startswith("time")
            assert desk_of(app).view.columns == 69

        drive(bench, "monday", look, size=(30, 10))

    def test_nothing_is_said_by_colour_alone(
        self, shelf: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Without colours the characters are the same, and no colour is put out."""
        shots: dict[str, tuple[str, list[str]]] = {}

        async def look(app: EditorApp, _: Pilot[None]) -> None:
            shots[mode] = (app.export_screenshot(), rows_of(app)[1:])

        for mode in ("coloured", "plain"):
            monkeypatch.delenv("NO_COLOR", raising=False)
            if mode == "plain":
                monkeypatch.setenv("NO_COLOR", "1")
            folder = shutil.copytree(shelf, tmp_path / mode / "bench")
            drive(folder, "monday", *("d", "enter", "r", "S", "i", "down", "z", "Z", "z"), look)
        assert tinted(shots["coloured"][0])
        assert not tinted(shots["plain"][0])
        # Segment, threshold, reviewed time and the chosen one have characters of their own.
        rows = shots["plain"][1]
        assert rows == shots["coloured"][1]
        assert any("[#" in row and row.startswith("1 ring") for row in rows)
        assert any("-" * 10 in row for row in rows)

    def test_unlabelled_lanes_have_names_and_digits(self, bench: Path) -> None:
        async def look(app: EditorApp, _: Pilot[None]) -> None:
            rows = rows_of(app)
            for n, name in enumerate(label_names([]), start=1):
                assert any(row.startswith(f"{n} {name}") for row in rows)

        drive(bench, "monday", look, size=(160, 50))

    def test_mouse(self, bench: Path) -> None:
        async def use(app: EditorApp, pilot: Pilot[None]) -> None:
            view = desk_of(app).view
            await pilot.click(offset=(11 + int(10.5 / view.column_s), 8))
            assert chosen_times(app) == (10.0, 11.0)
            await pilot.press("enter", "0")
            assert desk_of(app).view.span_s == LENGTH_S
            # A span is drawn by dragging, then labelled.
            from_x, to_x = 11 + int(40 / view.column_s), 11 + int(44 / view.column_s)
            await pilot.mouse_down(offset=(from_x, 8))
            await pilot._post_mouse_events([_moved], screen_of(app).sheet, offset=(to_x, 8), button=1)
            await pilot.mouse_up(offset=(to_x, 8))
            assert desk_of(app).span is not None
            await pilot.press("4")
            lane = next(row for row, name in screen_of(app)._frame.lanes if name == "traffic")
            await pilot.click(offset=(from_x + 2, lane + 2))
            chosen = desk_of(app).chosen
            assert isinstance(chosen, Segment)
            assert chosen.label == "traffic"

        from textual import events

        _moved = events.MouseMove
        drive(bench, "monday", use)
        made = labels_of(bench)
        assert made[0] == RING
        assert made[1] == (pytest.approx(40, abs=0.8), pytest.approx(44, abs=0.8), "traffic")

    def test_wheel(self, bench: Path) -> None:
        from textual import events

        async def use(app: EditorApp, pilot: Pilot[None]) -> None:
            view = desk_of(app).view
            for kind, span_s in ((events.MouseScrollUp, LENGTH_S / 2), (events.MouseScrollDown, LENGTH_S)):
                await pilot._post_mouse_events([kind], screen_of(app).sheet, offset=(50, 10))
                await pilot.pause()
                assert desk_of(app).view.span_s == pytest.approx(span_s)
            assert view.span_s == LENGTH_S

        drive(bench, "monday", use)

    def test_while_it_is_drawn_for_the_first_time_one_can_work(
        self, bench: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The bar shows how far it is; labels can be made meanwhile."""
        shutil.rmtree(bench / ".evalkit" / "drawn")
        go_on = threading.Event()
        real = DrawnLevels.build

        def slow(*arguments: Any, progress: Callable[[float], None], **more: Any) -> DrawnLevels:
            progress(0.25)
            assert go_on.wait(60)
            return real(*arguments, progress=progress, **more)

        monkeypatch.setattr("evalkit.editor.worker.DrawnLevels.build", slow)

        async def run() -> None:
            with editing(bench) as access:
                app = editor_of(access, read_descriptor(bench), "monday")
                async with app.run_test(size=SIZE) as pilot:
                    await until(pilot, lambda: any("reading the recording" in row for row in rows_of(app)))
                    (row,) = (row for row in rows_of(app) if "reading the recording" in row)
                    assert "[#####...............] 25%, 0:00:0" in row
                    await pilot.press("space", "right", "right", "5", "w")
                    assert [s.label for s in desk_of(app).labels.segments] == ["stand-in"]
                    go_on.set()
                    await ready(app, pilot)
                    assert not any("reading" in row for row in rows_of(app))
                app.close()

        asyncio.run(run())
        assert [each[2] for each in labels_of(bench)] == ["stand-in"]

    def test_suggestions_come_from_what_is_labelled(self, bench: Path) -> None:
        """Labels of the other recording and of this one, learned in the background."""
        elsewhere = [Segment(a, b, "ring") for a, b in ((10, 11), (13, 14))]
        elsewhere += [Segment(30 + k, 30.9 + k, "tool") for k in range(5)]
        elsewhere += [Segment(40 + k, 40.5 + k, "ring", "quiet") for k in range(4)]
        write_segments(bench, "tuesday", elsewhere, replacing=())

        async def learn(app: EditorApp, pilot: Pilot[None]) -> None:
            await until(pilot, lambda: len(desk_of(app).queue.suggestions) >= 4)
            desk = desk_of(app)
            by_start = {round(p.start_s): desk.suggested(p) for p in desk.queue.open}
            assert by_start[30] is not None
            assert by_start[30].label == "tool"

        drive(bench, "monday", learn)


class TestOthers:
    """Second editors, other programs, faults."""

    def test_a_second_editor_is_told_and_changes_nothing(self, bench: Path) -> None:
        with editing(bench) as access:
            assert access.refusal is None
            seen: list[str] = []

            async def look(app: EditorApp, pilot: Pilot[None]) -> None:
                seen.extend(rows_of(app))

            drive(bench, "monday", look, "d", "enter", look)
        assert "LOOKING ONLY" in seen[0]
        told = " ".join(seen[-3:-1])
        assert f"nothing can be changed: bench: being written to by process {os.getpid()}" in told
        assert labels_of(bench) == []

    def test_another_program_s_change_appears(self, bench: Path) -> None:
        async def other(app: EditorApp, pilot: Pilot[None]) -> None:
            (bench / "labels" / "monday.csv").write_text("start_s,end_s,label,note\n1,2,tool,by hand\n")
            await until(pilot, lambda: any("1 segments" in row for row in rows_of(app)[:1]))
            assert "another program changed the labels" in rows_of(app)[-2]

        drive(bench, "monday", other, "d", "enter")
        assert labels_of(bench) == [(1.0, 2.0, "tool"), RING]

    @pytest.mark.parametrize(("key", "end_s"), [("o", 10.5), ("t", 12.0)])
    def test_a_disagreement_is_asked_about(self, bench: Path, key: str, end_s: float) -> None:
        write_segments(bench, "monday", [Segment(10, 11, "ring")], replacing=())

        async def other(app: EditorApp, pilot: Pilot[None]) -> None:
            (bench / "labels" / "monday.csv").write_text("start_s,end_s,label,note\n10,12,ring,\n")
            await until(pilot, lambda: isinstance(app.screen, WhoseWord))
            await pilot.press(key)
            await until(pilot, lambda: desk_of(app).keeper.saved)

        drive(bench, "monday", "s", "g", *"10.5", "enter", "v", other)
        assert labels_of(bench) == [(10.0, end_s, "ring")]

    def test_a_disagreement_left_open_is_told_in_the_end(self, bench: Path) -> None:
        write_segments(bench, "monday", [Segment(10, 11, "ring")], replacing=())

        async def other(app: EditorApp, pilot: Pilot[None]) -> None:
            (bench / "labels" / "monday.csv").write_text("start_s,end_s,label,note\n10,12,ring,\n")
            await until(pilot, lambda: isinstance(app.screen, WhoseWord))
            await pilot.press("escape")
            await pilot.pause()
            assert "NOT WRITTEN: whose word?" in rows_of(app)[0]

        app = drive(bench, "monday", "s", "g", *"10.5", "enter", "v", other)
        (outcome,) = app.outcomes  # type: ignore[attr-defined]
        assert "whose word holds was left open" in outcome.unsaved
        assert labels_of(bench) == [(10.0, 12.0, "ring")]

    def test_it_begins_where_work_is_left(self, bench: Path) -> None:
        set_reviewed(bench, "monday", (Span(0, LENGTH_S),))
        seen: list[str] = []

        async def look(app: EditorApp, pilot: Pilot[None]) -> None:
            seen.extend(rows_of(app))

        drive(bench, None, look)
        assert "tuesday  2 of 2" in seen[0]

    def test_a_faulty_recording_cannot_be_switched_to(self, bench: Path) -> None:
        (bench / "labels" / "tuesday.csv").write_text("nonsense\n")

        async def look(app: EditorApp, pilot: Pilot[None]) -> None:
            told = " ".join(rows_of(app)[-3:-1])
            assert told.startswith("bench/labels/tuesday.csv, row 1: the header is 'nonsense'")
            assert "monday" in rows_of(app)[0]

        drive(bench, "monday", "n", look, "d", "enter")
        assert labels_of(bench) == [RING]

    def test_audio_that_goes_away_is_told_and_labels_go_on(self, bench: Path) -> None:
        async def take_away(app: EditorApp, pilot: Pilot[None]) -> None:
            (bench / "recordings" / "monday.wav").unlink()
            # So close that samples are read.
            await pilot.press(*["up"] * 8, "w")
            assert any("monday.wav: no such file" in row for row in rows_of(app))
            await pilot.press("h")

        drive(bench, "monday", "d", "enter", take_away, "enter")
        assert labels_of(bench) == [RING, (13.0, 14.0, "ring")]

    def test_a_descriptor_that_becomes_faulty_is_told(self, bench: Path) -> None:
        whole = (bench / "datapackage.json").read_bytes()

        async def break_it(app: EditorApp, pilot: Pilot[None]) -> None:
            (bench / "datapackage.json").write_text("{")
            await pilot.press("k")
            assert "datapackage.json: not JSON" in " ".join(rows_of(app)[-3:-1])
            await pilot.press("enter")
            await until(pilot, lambda: "NOT WRITTEN" in rows_of(app)[0])
            (bench / "datapackage.json").write_bytes(whole)
            await until(pilot, lambda: rows_of(app)[0].endswith("saved"))

        drive(bench, "monday", "d", break_it)
        assert labels_of(bench) == [RING]

    def test_the_command_line(self, bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        # Tests have no terminal.
        assert main(["label", str(bench)]) == 2
        assert "label needs a terminal" in capsys.readouterr().err
        (bench / "labels" / "monday.csv").write_text("nonsense\n")
        with editing(bench) as access, pytest.raises(FileFault, match="the header is 'nonsense'"):
            editor_of(access, read_descriptor(bench), "monday")
        with editing(bench) as access, pytest.raises(WrongUse, match="'mondya'; did you mean 'monday'"):
            editor_of(access, read_descriptor(bench), "mondya")
        create_dataset(tmp_path / "empty")
        with (
            editing(tmp_path / "empty") as access,
            pytest.raises(WrongUse, match="the dataset has no recording yet"),
        ):
            editor_of(access, read_descriptor(tmp_path / "empty"), None)


class TestListening:
    """What the keys for listening do where there is sound output; the rest is in `test_editor_desk`."""

    def test_with_a_device_it_plays(self, bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        played: list[tuple[np.ndarray, int]] = []
        fake: Any = types.ModuleType("sounddevice")
        fake.play = lambda samples, rate: played.append((samples, rate))
        fake.stop = lambda: None
        monkeypatch.setitem(sys.modules, "sounddevice", fake)
        drive(bench, "monday", "d", "h", "H", "q")
        assert [rate for _, rate in played] == [RATE_HZ, RATE_HZ]
        plain, high = (samples for samples, _ in played)
        assert abs(len(plain) - RATE_HZ) < 0.05 * RATE_HZ
        assert len(high) == len(plain)
        assert np.abs(plain).max() == pytest.approx(0.9, abs=1e-4)
        assert strongest_hz(plain) == pytest.approx(175, abs=3)
        assert strongest_hz(high) == pytest.approx(700, abs=12)

        def no_device(samples: object, rate: object) -> None:
            raise RuntimeError("no output device")

        fake.play = no_device

        async def look(app: EditorApp, pilot: Pilot[None]) -> None:
            assert "nothing can be played: no output device" in rows_of(app)[-2]

        drive(bench, "monday", "h", look)


def tinted(svg: str) -> set[str]:
    """Return the colours of a screenshot that are not nearly grey."""
    fills = {part[:7] for part in svg.split("fill: ")[1:]}
    channels = {fill: [int(fill[k : k + 2], 16) for k in (1, 3, 5)] for fill in fills}
    return {fill for fill, own in channels.items() if max(own) - min(own) > 8}


_SOCKETS = itertools.count()


class Terminal:
    """The editor in a real terminal, of tmux."""

    def __init__(
        self, folder: Path, name: str, *, size: tuple[int, int], environment: dict[str, str]
    ) -> None:
        self._socket = f"evalkit-{os.getpid()}-{next(_SOCKETS)}"
        command = [sys.executable, "-m", "evalkit", "label", str(folder), name]
        settings = [f"{name}={value}" for name, value in environment.items()]
        self._tmux(
            *("-f", os.devnull, "new-session", "-d", "-x", f"{size[0]}", "-y", f"{size[1]}"),
            # A size that the environment tells goes before the terminal's own.
            shlex.join(["env", "-u", "COLUMNS", "-u", "LINES", *settings, *command])
            + "; echo status $?; sleep 60",
        )

    def __enter__(self) -> "Terminal":
        return self

    def __exit__(self, *_: object) -> None:
        # The server on this socket is ours alone.
        subprocess.run(["tmux", "-L", self._socket, "kill-server"], capture_output=True, check=False)

    def _tmux(self, *arguments: str) -> str:
        command = ["tmux", "-L", self._socket, *arguments]
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout

    def screen(self) -> str:
        return self._tmux("capture-pane", "-p")

    def codes(self) -> str:
        return self._tmux("capture-pane", "-p", "-e")

    def press(self, *keys: str) -> None:
        for key in keys:
            self._tmux("send-keys", key)

    def wait_for(self, text: str, patience_s: float = 60.0) -> str:
        end_s = time.monotonic() + patience_s
        while text not in (screen := self.screen()):
            assert time.monotonic() < end_s, f"{text!r} did not appear in\n{screen}"
            time.sleep(0.05)
        return screen


def await_line(terminal: Terminal, *parts: str) -> None:
    """Wait until a line of the screen, its codes included, holds all parts."""
    end_s = time.monotonic() + 60.0
    while True:
        lines = terminal.codes().split("\n")
        if any(all(part in line for part in parts) for line in lines):
            return
        assert time.monotonic() < end_s, lines
        time.sleep(0.1)


needs_tmux = pytest.mark.skipif(shutil.which("tmux") is None, reason="needs the Debian package tmux")


@pytest.mark.slow
@needs_tmux
@pytest.mark.parametrize("size", [(80, 24), (160, 50)])
def test_a_whole_session_in_a_terminal(bench: Path, size: tuple[int, int]) -> None:
    """Open, accept a proposal, trim, relabel, undo, quit; the table is right."""
    with Terminal(bench, "monday", size=size, environment={"NO_COLOR": ""}) as terminal:
        terminal.wait_for("0 segments  4 open")
        terminal.press("d")
        terminal.wait_for("proposal (enter: ring)")
        terminal.press("Enter")
        terminal.wait_for("accept ring")
        terminal.press("S")
        terminal.wait_for("ring  0:00:09.992 to 0:00:11.008")
        terminal.press("g")
        terminal.wait_for("Go to (95.5 or 1:35.5):")
        terminal.press(*"10.25", "Enter")
        terminal.wait_for("cursor 0:00:10.250")
        terminal.press("c")
        terminal.wait_for("trim ring 10.250-11.008 s")
        terminal.press("2")
        terminal.wait_for("relabel ring as tap")
        terminal.press("z")
        terminal.wait_for("undone: relabel ring as tap")
        screen = terminal.wait_for("2 changes  saved")
        assert len(screen.rstrip("\n").split("\n")) == size[1]
        assert "[" in next(line for line in screen.split("\n") if line.startswith("1 ring"))
        terminal.press("Q")
        terminal.wait_for("status 0")
    table = (bench / "labels" / "monday.csv").read_text()
    assert table == "start_s,end_s,label,note\n10.250000,11.008000,ring,\n"


@pytest.mark.slow
@needs_tmux
def test_colours_are_the_terminal_s_own_sixteen_or_none(bench: Path) -> None:
    """SGR codes: 30-37, 90-97 and 38;5;0-15 are the sixteen; 38;2 and 38;5;16-255 are not."""
    for environment, coloured in ({"TERM": "screen"}, True), ({"NO_COLOR": "1"}, False):
        with Terminal(bench, "monday", size=(80, 24), environment=environment) as terminal:
            terminal.wait_for("4 open")
            codes = set(re.findall(r"\x1b\[([0-9;]+)m", terminal.codes()))
            parts = {part for code in codes for part in code.split(";")}
            assert not parts & {"38", "48"}, codes
            assert bool(parts & {str(n) for n in (*range(31, 37), *range(91, 97))}) == coloured
            # The cursor is seen without colour, and so is what is picked in a list.
            assert "7" in parts
            terminal.press("k")
            terminal.wait_for("Recordings: arrows and enter")
            terminal.press("Down")
            await_line(terminal, "tuesday", "\x1b[1;4m")
            # Escape and a key right after it would be one key with Alt.
            terminal.press("Escape")
            terminal.wait_for("4 open")
            terminal.press("Q")
            terminal.wait_for("status 0")


@pytest.mark.slow
@needs_tmux
def test_killed_in_the_middle_it_goes_on_where_it_was(bench: Path) -> None:
    """A small version of `tests.benchmarks.editor_kills`: what was on the screen is there again."""
    with Terminal(bench, "monday", size=(80, 24), environment={}) as terminal:
        terminal.wait_for("4 open")
        terminal.press("d", "Enter", "2", "x")
        terminal.wait_for("3 changes")
        held = (bench / ".evalkit" / "lock").read_text()
        os.kill(int(held.split()[1]), signal.SIGKILL)
        terminal.wait_for("status 137")
    with Terminal(bench, "monday", size=(80, 24), environment={}) as terminal:
        terminal.wait_for("2 segments  1 open  0% reviewed  3 changes")
        terminal.press("z", "z", "z")
        terminal.wait_for("0 segments  4 open  0% reviewed  0 changes")
        terminal.press("Q")
        terminal.wait_for("status 0")
    assert labels_of(bench) == []


@pytest.mark.slow
def test_killed_at_random_moments_of_a_burst_nothing_shown_is_lost(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    """14 kills; `tests.benchmarks.editor_kills` makes 200."""
    make_bench(tmp_path / "bench")
    tally = kill_and_look(tmp_path / "bench", 14, rng)
    assert (tally.lost, tally.invalid) == (0, 0)
    assert tally.sure >= 14


def test_a_labeller_who_only_answers_proposals(tmp_path: Path) -> None:
    """One session of the demo; `tests.benchmarks.editor_labeller` labels six and tries them on three."""
    import soundfile

    session = min(demo_sessions(), key=lambda each: each.duration_s)
    wav, table = tmp_path / f"{session.name}.wav", tmp_path / "truth.csv"
    soundfile.write(wav, np.concatenate(list(render_session(session))), RATE_HZ, subtype="PCM_16")
    truth = [segment for event in session.events for segment in event.segments]
    table.write_text(format_segments(truth), encoding="utf-8")
    create_dataset(tmp_path / "true")
    recordings = import_recordings(tmp_path / "true", [wav], session=session.name, labels=table)
    unlabelled(tmp_path / "true", tmp_path / "work")
    (work,) = label_all(tmp_path / "work", recordings)
    # Fewer keys than segments: the suggestions are right, and the last ones are taken together.
    assert work.keys.total() < 0.8 * len(work.segments)
    found = matched([Proposal(s.start_s, s.end_s, 0.0) for s in work.segments], recordings[0].segments)
    right = [work.segments[i].label == recordings[0].segments[j].label for i, j in found.items()]
    assert sum(right) >= 0.95 * len(truth)
    assert len(work.segments) - sum(right) <= 0.05 * len(truth)
    (labelled,) = read_dataset(tmp_path / "work").recordings
    assert labelled.segments == work.segments
    assert labelled.reviewed == (Span(0.0, labelled.duration_s),)
