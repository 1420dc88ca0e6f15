"""Kill the editor at random moments of a burst of edits and see what is left.

    python -m tests.benchmarks.editor_kills [KILLS]

200 kills (SIGKILL) unless told otherwise, some fifteen minutes. A child process runs the app without a
terminal and presses keys as fast as they are taken; whenever the screen's first line shows a new number of
changes it prints what is acknowledged. After each kill the label table and the descriptor must be valid as
they lie there; opened again, every state that was acknowledged must be in the history, and what is on disk
then must be its end.
"""

import hashlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from evalkit.dataset import create_dataset, import_recordings, read_labels
from evalkit.descriptor import read_descriptor
from evalkit.edits import Change, History, Labels
from evalkit.journal import Journal, Mark, Saved
from evalkit.keeping import LabelKeeper, editing
from evalkit.segments import format_segments

RATE_HZ = 16_000
LENGTH_S = 120
NAME = "bench"
SURE_S = 1.0

CHILD = """
import asyncio, hashlib, itertools, json, random, sys, time
from pathlib import Path
from evalkit.descriptor import read_descriptor
from evalkit.editor.run import editor_of
from evalkit.keeping import editing
from evalkit.segments import format_segments
from textual import events

def digest(labels):
    text = format_segments(labels.segments) + repr(labels.reviewed) + repr(labels.dismissed)
    return hashlib.sha256(text.encode()).hexdigest()

MOVES = ["full_stop", "comma", "pagedown", "pageup", "right", "left", "home", "end", "f", "D", "d"]

async def go():
    rng = random.Random(int(sys.argv[2]))
    folder = Path(sys.argv[1])
    with editing(folder) as access:
        app = editor_of(access, read_descriptor(folder), "bench")
        async with app.run_test(size=(100, 30)) as pilot:
            await pilot.pause(0.3)
            keeper, sheet, seen = app.editing.desk.keeper, app.editing.sheet, -1
            acts = {
                "make": lambda: ["escape", *rng.choices(MOVES, k=3), "space", "right", rng.choice("1234567")],
                "answer": lambda: ["d", rng.choice(["enter", "2", "x"])],
                "relabel": lambda: [rng.choice("sS"), rng.choice("1234567")],
                "trim": lambda: ["s", rng.choice(["right", "left"]), rng.choice("cv")],
                "split": lambda: ["s", "right", "b"],
                "undo": lambda: ["z"],
                "redo": lambda: ["Z"],
                "review": lambda: [rng.choice("rR")],
            }
            for key in ["up"] * 5:
                await pilot.press(key)
            while True:
                for key in acts[rng.choice([*acts, "make", "make"])]():
                    app.post_message(events.Key(key, key if len(key) == 1 else None))
                    await asyncio.sleep(0.004)
                # What the first line of the screen says is acknowledged.
                row = "".join(sheet.render_line(0).text)
                shown = int(row.split(" changes")[0].split()[-1])
                if keeper._steps != seen and shown == keeper.history.position:
                    seen = keeper._steps
                    print(json.dumps([time.time(), seen, digest(keeper.labels)]), flush=True)
asyncio.run(go())
"""


@dataclass(frozen=True)
class Tally:
    """What the kills have shown."""

    kills: int
    acknowledged: int
    """Changes that the screen showed before a kill."""
    sure: int
    """Of these, more than a second before it."""
    lost: int
    """Acknowledged changes that were not there again."""
    invalid: int
    """Kills after which a file was not valid."""


def make_bench(folder: Path) -> None:
    """Make a dataset of one recording with bursts, unlabelled."""
    create_dataset(folder)
    rng = np.random.default_rng(2)
    t = np.arange(LENGTH_S * RATE_HZ) / RATE_HZ
    x = 1e-3 * rng.standard_normal(len(t)) + 0.1 * np.sin(2 * np.pi * 175 * t) * (t % 5.0 < 1.0)
    path = folder.parent / f"{NAME}.wav"
    soundfile.write(path, x, RATE_HZ, subtype="PCM_16")
    import_recordings(folder, [path], session="bench", full_scale_v=1.0, input_ohms=1e6)


def digest_of(labels: Labels) -> str:
    """Return what the child prints of a state."""
    text = format_segments(labels.segments) + repr(labels.reviewed) + repr(labels.dismissed)
    return hashlib.sha256(text.encode()).hexdigest()


def states_of(folder: Path) -> list[Labels]:
    """Return every state that the journal leads through."""
    entry = read_descriptor(folder).entry(NAME)
    path = folder / ".evalkit" / "journal" / f"{NAME}.jsonl"
    start = Labels(entry.n_frames / entry.sample_rate_hz)
    journal = Journal(path, audio_sha256=entry.audio_sha256, start=start)
    journal.close()
    assert journal.set_aside is None
    history = History(journal.start)
    states = [history.labels]
    for line in journal.entries:
        if isinstance(line, Saved):
            continue
        if isinstance(line, Change):
            history = history.record(line)
        else:
            history = history.undo() if line is Mark.UNDO else history.redo()
        states.append(history.labels)
    return states


def kill_and_look(folder: Path, kills: int, rng: np.random.Generator) -> Tally:
    """Kill a child so many times and return what was found."""
    acknowledged = sure = lost = invalid = 0
    for _ in range(kills):
        command = [sys.executable, "-c", CHILD, str(folder), f"{rng.integers(2**31)}"]
        child = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert child.stdout is not None
        first = child.stdout.readline()
        time.sleep(rng.uniform(0.0, 2.5))
        killed_s = time.time()
        os.kill(child.pid, signal.SIGKILL)
        told = [json.loads(line) for line in (first + child.stdout.read()).splitlines() if line.endswith("]")]
        child.wait()
        child.stdout.close()
        entry = read_descriptor(folder).entry(NAME)
        try:
            read_labels(folder, entry)
        except Exception as error:
            print(f"not valid: {error}")
            invalid += 1
        with editing(folder) as access:
            keeper = LabelKeeper(access, NAME)
            digests = [digest_of(labels) for labels in states_of(folder)]
            for at_s, steps, digest in told:
                acknowledged += 1
                sure += at_s < killed_s - SURE_S
                lost += steps >= len(digests) or digests[steps] != digest
            keeper.close()
            on_disk = read_labels(folder, read_descriptor(folder).entry(NAME))
            lost += on_disk != keeper.labels.segments
    return Tally(kills, acknowledged, sure, lost, invalid)


def main(kills: int) -> None:
    """Kill so many times and print what was found."""
    with tempfile.TemporaryDirectory(prefix="editor-kills-") as temporary:
        folder = Path(temporary) / "dataset"
        make_bench(folder)
        rng = np.random.default_rng(11)
        start_s = time.monotonic()
        tally = kill_and_look(folder, kills, rng)
        print(
            f"{tally.kills} kills in {time.monotonic() - start_s:.0f} s: {tally.acknowledged} changes "
            f"shown on the screen, {tally.sure} of them over {SURE_S:g} s before the kill; "
            f"{tally.lost} lost, {tally.invalid} files not valid"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
