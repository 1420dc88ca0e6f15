"""Put a day of 48 kHz audio through every command and print what each takes, beside ten minutes of it.

    python -m tests.benchmarks.whole_day [--hours 24] [--folder FOLDER] [--only NAME,...] [--csv FILE]

Each command runs as a process of its own on a terminal of its own, nothing cached at first, once on a
dataset whose first session lasts ten minutes and once on one whose first session lasts the day (RF64, 16-bit
mono, 8.3 GB for 24 h); both have two more sessions of five minutes, so that sessions can be held out. The
recordings are invented (`day_audio`) and nothing of them is committed. Then a FLAC file of the same length
(24 bit, over 4 GB for 24 h) is imported and checked.

Printed for each: wall and processor time, time to the first byte on the terminal, peak memory on ten minutes,
on the day, and the difference (design, section 7: under 200 MB; `circuit` end to end under 400 MB in all).
About 35 GB of disk are wanted for 24 h, and given back.
"""

import argparse
import csv
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from .watched import Watched, environment, evalkit_command, watch

MOST_GROWTH_MB = 200.0
MOST_CIRCUIT_MB = 400.0
SHORT_S = 600.0
SIDE_S = 300.0
NAME = "day"

# What the editor does in the background, without its screen: levels, proposals, the box at one setting.
DRAWING = """
import sys
from pathlib import Path
from evalkit.board_file import read_board
from evalkit.box_trace import BoxTrace, present_setting
from evalkit.dataset import read_recording
from evalkit.descriptor import read_descriptor
from evalkit.drawn_levels import DrawnFiles, DrawnLevels
from evalkit.proposals import find_proposals
folder = Path(sys.argv[1])
r = read_recording(folder, read_descriptor(folder).entry(sys.argv[2]))
files, board = DrawnFiles(folder), read_board(folder / "board.toml")
levels = DrawnLevels.build(files, r.name, r.path, channel=1, sample_rate_hz=r.sample_rate_hz,
                           n_frames=r.n_frames)
print(len(find_proposals(levels)), "proposals")
trace = BoxTrace.build(files, r, board, present_setting(folder, board))
print(len(trace.alerts), "alerts")
"""


@dataclass(frozen=True)
class Step:
    """One command of the job."""

    name: str
    command: list[str]
    speak: Callable[[subprocess.Popen[bytes], str], str | None] | None = None


def steps(folder: Path, seconds: float) -> Iterator[Step]:
    """Yield the commands in the order in which a person would give them; `folder` holds the audio."""
    data, audio = "shop", folder / f"{NAME}.rf64"

    def evalkit(name: str, *arguments: str | Path) -> Step:
        return Step(name, evalkit_command(*arguments))

    common = ("--full-scale-v", "1", "--input-ohms", "1M", "--reviewed", "all", "--phone", "slab")
    yield evalkit("new", "new", data, "--licence", "CC0-1.0")
    yield evalkit(
        "import", "import", data, audio, "--session", "one", "--labels", audio.with_suffix(".csv"), *common
    )
    for side in ("two", "three"):
        path = folder / f"{side}.wav"
        subprocess.run(
            evalkit_command(
                "import", data, path, "--session", side, "--labels", path.with_suffix(".csv"), *common
            ),
            cwd=folder,
            check=True,
            capture_output=True,
            env=environment(),
        )
    yield evalkit("segments list", "segments", "list", data)
    yield evalkit("segments export", "segments", "export", data, NAME, "labels.csv")
    yield evalkit("segments export .wav", "segments", "export", data, NAME, "cues.wav")
    yield evalkit("segments import", "segments", "import", data, NAME, "labels.csv")
    yield Step("drawing, proposals", [sys.executable, "-c", DRAWING, data, NAME])
    yield Step("label", evalkit_command("label", data, NAME), leaving_when_idle())
    yield evalkit("score circuit", "score", data, "--detector", "circuit")
    yield evalkit("recommend", "recommend", data)
    yield evalkit(
        "score, a setting", "score", data, "--detector", "circuit", "--threshold-v", "20m", "--delay-s", "1"
    )
    yield evalkit("plan", "plan", data)
    yield evalkit("trace", "trace", data, NAME, "--start", f"{seconds - 30:g}", "--stop", f"{seconds - 20:g}")
    yield evalkit("report", "report", data, "--out", "report")
    yield evalkit("score, all six", "score", data)
    yield evalkit("check", "check", data)
    yield evalkit("pack", "pack", data, "shop.zip")
    yield evalkit("unpack", "unpack", "shop.zip", "club")


def flac_steps(folder: Path) -> Iterator[Step]:
    """Yield import and check of a FLAC file."""
    yield Step("new (FLAC)", evalkit_command("new", "flac", "--licence", "CC0-1.0"))
    audio = folder / "long.flac"
    yield Step(
        "import (FLAC)",
        evalkit_command(
            *("import", "flac", audio, "--session", "one", "--labels", audio.with_suffix(".csv")),
            *("--full-scale-v", "1", "--reviewed", "all"),
        ),
    )
    yield Step("check (FLAC)", evalkit_command("check", "flac"))


def leaving_when_idle() -> Callable[[subprocess.Popen[bytes], str], str | None]:
    """Return what leaves the editor once it has had nothing to do for two seconds."""
    since, last = time.monotonic(), -1.0

    def speak(process: subprocess.Popen[bytes], said: str) -> str | None:
        nonlocal since, last
        try:
            fields = Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()
        except OSError:
            return None
        used_s = (int(fields[11]) + int(fields[12])) / 100.0
        now = time.monotonic()
        if used_s > last + 0.1:
            since, last = now, used_s
        if said and now - since > 2.0:
            since = now
            return "Q"
        return None

    return speak


@contextmanager
def place(folder: Path | None) -> Iterator[Path]:
    """Give a folder that is empty and will be gone."""
    with tempfile.TemporaryDirectory(prefix="whole-day-", dir=folder) as name:
        yield Path(name)


def make(path: Path, seconds: float, seed: int, *encoding: str) -> None:
    """Make audio and labels in a process of its own, which may be as large as it likes."""
    command = [
        sys.executable,
        "-m",
        "tests.benchmarks.day_audio",
        str(path),
        f"{seconds:g}",
        str(seed),
        *encoding,
    ]
    subprocess.run(command, check=True, cwd=Path(__file__).parents[2])


def run(parent: Path, seconds: float, only: set[str], *, flac: bool) -> dict[str, Watched]:
    """Run all steps on one length and return what each took."""
    found: dict[str, Watched] = {}
    with place(parent) as folder:
        make(folder / f"{NAME}.rf64", seconds, 1)
        for seed, side in enumerate(("two", "three"), 2):
            make(folder / f"{side}.wav", SIDE_S, seed)
        for step in steps(folder, seconds):
            if only and step.name not in only and step.name not in ("new", "import"):
                continue
            found[step.name] = _watched(step, folder)
            if found[step.name].status and step.name in ("new", "import"):
                sys.exit(f"{step.name} failed, so nothing else can be seen")
            if step.name == "import":
                (folder / f"{NAME}.rf64").unlink()
            (folder / "cues.wav").unlink(missing_ok=True)
    if flac:
        with place(parent) as folder:
            make(folder / "long.flac", seconds, 1, "PCM_24")
            size = (folder / "long.flac").stat().st_size
            print(f"  FLAC of {seconds / 3600:g} h: {size / 2**30:.2f} GiB", flush=True)
            for step in flac_steps(folder):
                found[step.name] = _watched(step, folder)
    return found


def _watched(step: Step, folder: Path) -> Watched:
    seen = watch(step.command, folder=folder, speak=step.speak)
    first = "  none" if seen.first_s is None else f"{seen.first_s:6.2f}"
    print(
        f"  {step.name:22}{seen.wall_s:9.1f} s wall {seen.cpu_s:9.1f} s cpu {first} s first "
        f"{seen.peak_mb:7.0f} MB  status {seen.status}",
        flush=True,
    )
    if seen.status != 0:
        print(seen.text[-2000:], flush=True)
    return seen


def print_table(short: dict[str, Watched], long: dict[str, Watched], hours: float) -> None:
    """Print both runs side by side with what was promised."""
    print()
    print(
        f"{'':22}{'10 min':>10}{'':8}{f'{hours:g} h':>10}{'':8}{'first':>8}{'10 min':>9}{f'{hours:g} h':>9}{'more':>8}"
    )
    print(
        f"{'command':22}{'wall s':>10}{'cpu s':>8}{'wall s':>10}{'cpu s':>8}{'out s':>8}{'MB':>9}{'MB':>9}{'MB':>8}"
    )
    for name, day in long.items():
        few = short.get(name)
        if few is None:
            continue
        growth = day.peak_mb - few.peak_mb
        verdict = "" if growth < MOST_GROWTH_MB else "  MISSED: over 200 more"
        if name in ("score circuit", "recommend") and day.peak_mb >= MOST_CIRCUIT_MB:
            verdict += "  MISSED: over 400 in all"
        first_s = float("nan") if day.first_s is None else day.first_s
        print(
            f"{name:22}{few.wall_s:10.1f}{few.cpu_s:8.1f}{day.wall_s:10.1f}{day.cpu_s:8.1f}{first_s:8.2f}"
            f"{few.peak_mb:9.0f}{day.peak_mb:9.0f}{growth:+8.0f}{verdict}"
        )


def write_csv(path: Path, short: dict[str, Watched], long: dict[str, Watched], hours: float) -> None:
    """Write the same figures as CSV."""
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow(["command", "hours", "wall_s", "cpu_s", "first_s", "peak_mb", "status"])
        for length_h, runs in ((SHORT_S / 3600, short), (hours, long)):
            for name, seen in runs.items():
                figures = (
                    f"{seen.wall_s:.3f}",
                    f"{seen.cpu_s:.3f}",
                    f"{seen.first_s or 0:.3f}",
                    f"{seen.peak_mb:.1f}",
                )
                writer.writerow([name, f"{length_h:g}", *figures, seen.status])


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--folder", type=Path, help="where the disk has room; the system's place if left out")
    parser.add_argument("--only", default="", help="names of commands, with commas between them")
    parser.add_argument("--no-flac", action="store_true", help="leave the FLAC file out")
    parser.add_argument("--csv", type=Path)
    told = parser.parse_args()
    only = {name.strip() for name in told.only.split(",") if name.strip()}
    free = shutil.disk_usage(told.folder or tempfile.gettempdir()).free
    if free < told.hours * 1.5e9:
        sys.exit(f"{free / 1e9:.0f} GB are free; {told.hours * 1.5:.0f} GB are wanted")
    flac = not told.no_flac and not only
    print("compiling: every command once on two minutes", flush=True)
    run(told.folder, 120.0, only, flac=False)
    print("10 minutes", flush=True)
    short = run(told.folder, SHORT_S, only, flac=flac)
    print(f"{told.hours:g} hours", flush=True)
    long = run(told.folder, 3600.0 * told.hours, only, flac=flac)
    print_table(short, long, told.hours)
    if told.csv is not None:
        write_csv(told.csv, short, long, told.hours)


if __name__ == "__main__":
    main()
