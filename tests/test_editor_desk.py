"""The label editor without its screen: view, desk, keys, ink and listening."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from evalkit.dataset import create_dataset, import_recordings
from evalkit.editor.desk import Desk, label_names
from evalkit.editor.ink import Canvas, Ink, Look, bars, cells, ink_of_terminal
from evalkit.editor.keys import KEYS, Command, command_of
from evalkit.editor.listening import Player, transposed
from evalkit.editor.screens import help_text
from evalkit.editor.view import View, told_time
from evalkit.keeping import LabelKeeper, editing
from evalkit.proposals import Proposal
from evalkit.segments import Segment
from evalkit.spans import Span
from evalkit.suggestions import Suggestion

from .test_proposals import RATE_HZ

LENGTH_S = 60.0
EVENTS = ((10.0, 11.0), (13.0, 14.0), (20.0, 20.1), (30.0, 36.0))


@pytest.fixture
def bench(tmp_path: Path, rng: np.random.Generator, write_wav: Callable[..., Path]) -> Path:
    """Return a dataset of one unlabelled recording of a minute."""
    folder = tmp_path / "bench"
    create_dataset(folder)
    path = write_wav("monday.wav", 1e-3 * rng.standard_normal(int(LENGTH_S * RATE_HZ)))
    import_recordings(folder, [path], session="monday")
    return folder


class TestKeys:
    """One table, and the help is made of it."""

    def test_each_key_means_one_thing(self) -> None:
        keys = [name for key in KEYS for name in key.keys]
        assert len(keys) == len(set(keys))
        assert {key.command for key in KEYS} == set(Command)
        assert command_of("no such key") is None

    def test_the_help_shows_every_line(self) -> None:
        text = help_text()
        for key in KEYS:
            assert f"  {key.shown:16}{key.text}" in text


class TestView:
    """What is seen, and where the cursor is."""

    @pytest.mark.parametrize("columns", [1, 7, 69, 149])
    def test_a_column_s_time_is_in_that_column(self, columns: int) -> None:
        view = View(86_400.0, columns, start_s=40_000.1, span_s=0.33)
        for column in range(columns):
            assert view.at(view.time_of(column)).cursor_column == column

    def test_zoom_keeps_the_cursor_in_its_column(self) -> None:
        view = View(600.0, 69, start_s=100.0, span_s=80.0, cursor_s=130.0)
        column = view.cursor_column
        for _ in range(8):
            view = view.zoomed(True)
            assert abs(view.cursor_column - column) <= 1
        assert view.span_s == pytest.approx(80 / 256)

    def test_limits(self) -> None:
        view = View(600.0, 69)
        assert (view.start_s, view.end_s) == (0.0, 600.0)
        for _ in range(30):
            view = view.zoomed(True)
        assert view.span_s == 0.02
        for _ in range(30):
            view = view.zoomed(False)
        assert (view.start_s, view.span_s) == (0.0, 600.0)
        assert view.at(1e9).cursor_s == 600.0
        assert view.at(600.0).cursor_column == 68
        assert view.at(-5.0).cursor_s == 0.0
        short = View(0.005, 69)
        assert short.zoomed(True).span_s == 0.005

    def test_the_view_follows_the_cursor(self) -> None:
        view = View(600.0, 60, start_s=100.0, span_s=60.0, cursor_s=100.0)
        assert view.step(-1).start_s < 99.0
        assert view.at(159.9).start_s == 100.0
        assert view.at(160.0).start_s > 100.0
        for cursor_s in (0.0, 90.0, 300.0, 599.9, 600.0):
            moved = view.at(cursor_s)
            assert moved.start_s <= moved.cursor_s <= moved.end_s

    def test_times(self) -> None:
        assert told_time(0.0) == "0:00:00.000"
        assert told_time(59.9996) == "0:01:00.000"
        assert told_time(86_399.0, decimals=0) == "23:59:59"


@contextmanager
def on_desk(folder: Path, columns: int = 89) -> Iterator[Desk]:
    """Yield a desk without a screen, its proposals put there by hand."""
    with editing(folder) as access:
        keeper = LabelKeeper(access, "monday")
        desk = Desk(keeper, names=label_names([]), columns=columns)
        desk.take_proposals([Proposal(a, b, 30.0) for a, b in EVENTS])
        try:
            yield desk
        finally:
            keeper.close()


class TestDesk:
    """Commands in, labels out, no screen."""

    def test_most_doubtful_first(self, bench: Path) -> None:
        with on_desk(bench) as desk:
            shares = dict(zip(desk.queue.open, (0.9, 0.6, 0.99, 0.7), strict=True))
            desk.queue.suggestions = {p: Suggestion("tool", share) for p, share in shares.items()}
            desk.perform(Command.ORDER)
            seen = []
            for _ in range(4):
                desk.perform(Command.NEXT_PROPOSAL)
                assert isinstance(desk.chosen, Proposal)
                seen.append(shares[desk.chosen])
            assert seen == [0.6, 0.7, 0.9, 0.99]
            desk.perform(Command.NEXT_PROPOSAL)
            assert desk.message == "from the start again"
            # What enter would do is what was shown, whatever is learned meanwhile.
            desk.queue.suggestions = {p: Suggestion("tap", share) for p, share in shares.items()}
            # After an answer the most doubtful of the rest comes.
            desk.perform(Command.ACCEPT)
            assert desk.labels.segments[0].label == "tool"
            assert isinstance(desk.chosen, Proposal)
            assert shares[desk.chosen] == 0.7

    def test_a_suggestion_of_nothing_is_accepted_by_dismissing(self, bench: Path) -> None:
        with on_desk(bench) as desk:
            first = desk.queue.open[0]
            desk.queue.suggestions = {first: Suggestion("", 0.8)}
            desk.perform(Command.NEXT_PROPOSAL)
            desk.perform(Command.ACCEPT)
            assert desk.labels.segments == ()
            assert desk.labels.dismissed == (first.span,)
            assert desk.message == "dismiss 10.000-11.000 s"
            # Undone, the proposal asks again.
            desk.perform(Command.UNDO)
            assert desk.queue.open[0] == first

    def test_all_answered(self, bench: Path) -> None:
        with on_desk(bench) as desk:
            desk.perform(Command.NEXT_PROPOSAL)
            for _ in EVENTS:
                desk.perform(Command.ACCEPT)
            assert desk.message.endswith("no proposal is left")
            desk.perform(Command.NEXT_PROPOSAL)
            assert desk.message == "no proposal is left"
            assert len(desk.labels.segments) == 4

    def test_confident_ones_that_do_not_fit_are_left(self, bench: Path) -> None:
        with on_desk(bench) as desk:
            desk.take_proposals([Proposal(10, 11, 9.0), Proposal(10.9, 12, 9.0), Proposal(20, 21, 9.0)])
            desk.queue.suggestions = {p: Suggestion("ring", 0.95) for p in desk.queue.open}
            assert desk.queue.summary().accepted == {"ring": 3}
            desk.perform(Command.ACCEPT_CONFIDENT)
            assert len(desk.labels.segments) == 2
            assert "1 would overlap another of their label" in desk.message
            assert len(desk.queue.open) == 1
            # All of it is one change.
            desk.perform(Command.UNDO)
            assert desk.labels.segments == ()

    def test_a_trimmed_proposal_far_from_what_was_found_settles_it(self, bench: Path) -> None:
        with on_desk(bench) as desk:
            desk.perform(Command.NEXT_PROPOSAL)
            desk.perform(Command.GO_TO, "10.9")
            desk.perform(Command.START_HERE)
            desk.perform(Command.LABEL, "2")
            assert desk.labels.segments == (Segment(10.9, 11.0, "tap"),)
            assert desk.labels.dismissed == (Span(10.0, 11.0),)
            assert len(desk.queue.open) == 3

    def test_refusals_are_messages(self, bench: Path) -> None:
        with on_desk(bench) as desk:
            for command, argument, message in (
                (Command.LABEL, "1", "nothing is chosen here; space begins a span"),
                (Command.LABEL, "9", "there are 7 labels; l gives one by its name"),
                (Command.REMOVE, "", "nothing is chosen here"),
                (Command.SPLIT, "", "no segment is chosen here"),
                (Command.PHONE, "x", "no segment is chosen here"),
                (Command.FIT, "", "nothing is chosen"),
                (Command.GO_TO, "1:2:3:4", "'1:2:3:4' is no time; 95.5 or 1:35.5 is"),
                (Command.GO_TO, "-4", "'-4' is no time"),
                (Command.NEXT_SEGMENT, "", "no segment after this"),
                (Command.NEXT_ALERT, "", "no alert after this"),
                (Command.REDO, "", "nothing to redo"),
            ):
                desk.perform(command, argument)
                assert message in desk.message
            assert desk.labels.segments == ()
            desk.perform(Command.GO_TO, "0:01:02.5")
            assert desk.view.cursor_s == LENGTH_S
            desk.perform(Command.GO_TO, "0:10")
            desk.perform(Command.ACCEPT)
            desk.perform(Command.PREVIOUS_SEGMENT)
            desk.perform(Command.ACCEPT)
            assert desk.message == "this is labelled ring already"
            desk.perform(Command.LABEL_BY_NAME, "a/b")
            assert "file names may not hold" in desk.message
            assert desk.labels.segments == (Segment(10, 11, "ring"),)

    def test_the_shortest_under_the_cursor_is_meant(self, bench: Path) -> None:
        with on_desk(bench) as desk:
            desk.keeper.do("x", desk.labels.add(Segment(5, 50, "tool"), Segment(20, 21, "tap")))
            desk.refresh()
            desk.choose_at(20.5)
            assert desk.chosen == Segment(20, 21, "tap")
            desk.choose_at(20.5, "tool")
            assert desk.chosen == Segment(5, 50, "tool")
            desk.choose_at(30.5)
            assert desk.chosen == Proposal(30, 36, 30.0)
            desk.choose_at(55)
            assert desk.chosen is None

    def test_a_label_of_one_s_own_gets_the_next_digit(self, bench: Path) -> None:
        with on_desk(bench) as desk:
            desk.perform(Command.NEXT_PROPOSAL)
            desk.perform(Command.LABEL_BY_NAME, "belt drive")
            assert desk.names[7] == "belt drive"
            desk.perform(Command.LABEL, "8")
            assert [s.label for s in desk.labels.segments] == ["belt drive", "belt drive"]


class TestListening:
    """Where there is sound output, and where there is none."""

    def test_without_the_library_it_says_why(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setitem(sys.modules, "sounddevice", None)
        player = Player()
        assert player.refusal == "nothing can be played: install evalkit's extra 'listen'"
        with pytest.raises(ValueError, match="extra 'listen'"):
            player.play(np.zeros(10, np.float32), RATE_HZ)
        player.stop()

    def test_without_portaudio_it_says_why(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        (tmp_path / "sounddevice.py").write_text("raise OSError('PortAudio library not found')\n")
        monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
        monkeypatch.syspath_prepend(str(tmp_path))
        assert "PortAudio library is missing" in (Player().refusal or "")

    @pytest.mark.parametrize("hertz", [40.0, 175.0, 390.0])
    def test_transposed(self, hertz: float) -> None:
        t = np.arange(RATE_HZ) / RATE_HZ
        tone = (0.5 * np.sin(2 * np.pi * hertz * t)).astype(np.float32)
        high = transposed(tone, RATE_HZ, 2)
        assert len(high) == len(tone)
        assert strongest_hz(high) == pytest.approx(4 * hertz, rel=0.03)
        # As long as before: the second half is as loud as the first.
        halves = [float(np.std(half)) for half in np.split(high, 2)]
        assert halves[1] == pytest.approx(halves[0], rel=0.1)
        assert halves[0] == pytest.approx(0.35, rel=0.2)

    def test_a_few_samples_are_left_as_they_are(self) -> None:
        assert len(transposed(np.zeros(5, np.float32), RATE_HZ, 2)) == 5


def strongest_hz(samples: np.ndarray) -> float:
    power = np.abs(np.fft.rfft(samples * np.hanning(len(samples)))) ** 2
    return float(np.argmax(power) * RATE_HZ / len(samples))


class TestInk:
    """Dots become characters."""

    def test_braille(self) -> None:
        # Unicode, Braille Patterns: dots 1, 2, 3, 7 are the left column from above, 4, 5, 6, 8 the right.
        left = np.zeros((4, 2), bool)
        left[:, 0] = True
        assert cells(left, Ink.BRAILLE).tolist() == [["⡇"]]
        corner = np.zeros((4, 4), bool)
        corner[0, 1] = corner[3, 2] = True
        assert cells(corner, Ink.BRAILLE).tolist() == [["⠈", "⡀"]]
        assert cells(np.ones((8, 2), bool), Ink.BRAILLE).tolist() == [["⣿"], ["⣿"]]

    def test_blocks(self) -> None:
        dots = np.zeros((4, 8), bool)
        dots[0, 0] = dots[3, 2] = dots[1, 4] = dots[2, 5] = True
        assert cells(dots, Ink.BLOCKS).tolist() == [["▀", "▄", "█", " "]]

    def test_the_bare_console_gets_blocks(self) -> None:
        assert ink_of_terminal({"TERM": "linux"}) is Ink.BLOCKS
        assert ink_of_terminal({"TERM": "xterm-256color"}) is Ink.BRAILLE

    def test_bars(self) -> None:
        low = np.array([-9.0, 0.0, 0.5, 1.0, np.nan], np.float32)
        high = np.array([-9.0, 0.5, 0.5, 9.0, np.nan], np.float32)
        dots = bars(low, high, 1, bottom=0.0, top=1.0)
        heights = dots.sum(axis=0).tolist()
        assert heights == [0, 2, 2, 4, 0] or heights == [0, 1, 2, 4, 0]
        assert dots[-1].tolist() == [False, dots[-1, 1], True, True, False]

    def test_wide_characters_take_two_columns(self) -> None:
        canvas = Canvas.blank(1, 6)
        canvas.text(0, 0, "日本e\u0301!")
        assert canvas.chars[0].tolist() == ["日", "", "本", "", "é", "!"]
        canvas.text(0, 3, "x日本")
        assert "".join(canvas.chars[0].tolist()) == "日本x日"
        canvas.text(0, 0, " " * 5 + "日")
        assert canvas.chars[0].tolist() == [" "] * 6

    def test_texts_are_cut_at_the_sides(self) -> None:
        canvas = Canvas.blank(1, 5)
        canvas.text(0, 3, "abc", Look.NAME)
        canvas.text(0, -1, "xy")
        canvas.text(4, 0, "beyond")
        assert "".join(canvas.chars[0].tolist()) == "y  ab"
