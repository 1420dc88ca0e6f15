"""Long work says at once what it is and then how far it is, also within one long file."""

import io
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from evalkit.checking import check_dataset
from evalkit.cli import console
from evalkit.cli.console import progress
from evalkit.dataset import create_dataset, import_recordings, read_dataset
from evalkit.interchange import write_labels_file
from evalkit.pack_plan import plan_pack
from evalkit.packs import write_pack
from evalkit.segments import Segment
from evalkit.spans import ALL_TIME
from evalkit.tracing import trace
from evalkit.unpacking import unpack

Captured = pytest.CaptureFixture[str]


class Terminal(io.StringIO):
    """A terminal that remembers."""

    def isatty(self) -> bool:
        return True


class TestWithoutTerminal:
    def test_a_line_comes_though_nothing_is_reported(
        self, monkeypatch: pytest.MonkeyPatch, capsys: Captured
    ) -> None:
        monkeypatch.setattr(console, "_FIRST_LINE_S", 0.0)
        told = ""
        with progress("scoring shop"):
            while not told:
                time.sleep(0.01)
                told = capsys.readouterr().err
        assert told == "evalkit: scoring shop\n"

    def test_quick_work_says_nothing(self, capsys: Captured) -> None:
        with progress("scoring shop") as report:
            report(1.0, 2.0)
        time.sleep(0.05)
        assert capsys.readouterr().err == ""

    def test_then_one_line_a_minute(self, monkeypatch: pytest.MonkeyPatch, capsys: Captured) -> None:
        now_s = 1000.0
        monkeypatch.setattr(console.time, "monotonic", lambda: now_s)
        lines = console._Lines("scoring shop")
        for second in range(1, 301):
            now_s = 1000.0 + second
            lines.report(second, 600.0)
        told = capsys.readouterr().err.splitlines()
        assert told == [
            "evalkit: scoring shop: 10 %, about 9 min left",
            "evalkit: scoring shop: 20 %, about 8 min left",
            "evalkit: scoring shop: 30 %, about 7 min left",
            "evalkit: scoring shop: 40 %, about 6 min left",
            "evalkit: scoring shop: 50 %, about 5 min left",
        ]

    @pytest.mark.parametrize(("done", "total"), [(0.0, 0.0), (0.0, 10.0), (11.0, 10.0), (float("nan"), 10.0)])
    def test_what_makes_no_sense_is_not_told(
        self, monkeypatch: pytest.MonkeyPatch, capsys: Captured, done: float, total: float
    ) -> None:
        monkeypatch.setattr(console, "_LINE_EVERY_S", 0.0)
        console._Lines("x").report(done, total)
        assert capsys.readouterr().err == ""


def test_on_a_terminal_the_bar_is_there_before_anything_is_reported(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    with progress("scoring shop") as report:
        assert "scoring shop" in terminal.getvalue()
        report(30.0, 40.0)
        time.sleep(0.2)
    assert "75%" in terminal.getvalue()


class Heard:
    """Notes what is reported: done and total, or pieces that make up a whole."""

    def __init__(self) -> None:
        self.done: list[float] = []
        self.total = 0.0

    def report(self, done: float, total: float) -> None:
        self.done.append(done)
        self.total = total

    def piece(self, amount: float) -> None:
        self.done.append(amount + (self.done[-1] if self.done else 0.0))

    def ends_at(self, total: float, *, steps: int) -> None:
        assert self.done == sorted(self.done)
        assert len(set(self.done)) >= steps
        assert self.done[-1] == pytest.approx(total)


def test_one_long_file_shows_progress_within_itself(
    tmp_path: Path, write_wav: Callable[..., Path], rng: np.random.Generator
) -> None:
    """Four million samples: more than one block, piece or window of every reader."""
    folder, heard = tmp_path / "shop", Heard()
    create_dataset(folder, spdx="CC0-1.0")
    path = write_wav("long.wav", 0.01 * rng.standard_normal(4_000_000), rate_hz=48_000)
    size, seconds = path.stat().st_size, 4_000_000 / 48_000
    import_recordings(folder, [path], session="x", reviewed=ALL_TIME, progress=heard.report)
    heard.ends_at(4 * size, steps=20)
    assert heard.total == 4 * size
    heard = Heard()
    check_dataset(folder, progress=heard.report)
    heard.ends_at(2 * size, steps=10)
    dataset = read_dataset(folder)
    heard = Heard()
    plan = plan_pack(dataset, advance=heard.piece)
    heard.ends_at(2 * seconds, steps=10)
    heard = Heard()
    write_pack(plan, tmp_path / "shop.zip", advance=heard.piece)
    heard.ends_at(3 * seconds, steps=20)
    heard = Heard()
    unpack(tmp_path / "shop.zip", tmp_path / "club", advance=heard.piece)
    packed = (tmp_path / "club" / "recordings" / "long.flac").stat().st_size
    assert 3 * packed <= heard.done[-1] <= 3 * (tmp_path / "shop.zip").stat().st_size
    assert len(set(heard.done)) > 20
    for name in ("cues.wav", "from-flac.wav"):
        source = folder if name == "cues.wav" else tmp_path / "club"
        audio = next((source / "recordings").iterdir())
        heard = Heard()
        write_labels_file(
            tmp_path / name,
            [Segment(1.0, 2.0, "ring")],
            audio=audio,
            n_frames=4_000_000,
            sample_rate_hz=48_000,
            share=heard.piece,
        )
        # beside the samples a few bytes of marks
        assert 0.99 <= heard.done[-1] <= 1.0 + 1e-9
        assert len(set(heard.done)) > 5
    heard = Heard()
    trace(
        dataset.recording("long"),
        dataset.board,
        100.0,
        1.0,
        70.0,
        71.0,
        advance=lambda seconds: heard.report(seconds, 71.0),
    )
    heard.ends_at(71.0, steps=10)
