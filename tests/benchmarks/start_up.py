"""Print how soon each command says something: bare Python, `--help`, then every command on a small dataset.

    python -m tests.benchmarks.start_up [--runs 5] [--folder FOLDER]

Each runs as a process of its own, once with a terminal as its output (a bar is shown) and once without (lines
come after half a second), nothing cached. The table gives the time to the first byte, the smallest and the
middle of the runs, in seconds and in starts of bare Python (`python -c pass`), and the time to the end. The
targets are the design's: `--help` under 0.3 s, every command's first output within 1 s. What a loaded machine
makes of them is not the commands' doing: the processor time of the whole command stands beside.
"""

import argparse
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from .watched import Watched, environment, evalkit_command, watch
from .whole_day import SIDE_S, Step, leaving_when_idle, make

HELP_S, FIRST_S = 0.3, 1.0
SESSIONS = ("one", "two", "three")


@dataclass(frozen=True)
class Row:
    """One command, several times."""

    name: str
    seen: list[Watched]
    piped_s: float | None
    """Until the first byte without a terminal; None: quick enough to say nothing before its result."""

    @property
    def first_s(self) -> list[float]:
        return [each.first_s for each in self.seen if each.first_s is not None]


def steps(folder: Path) -> Iterator[Step]:
    """Yield every command; `folder` holds the dataset `shop` and what to import."""
    yield Step("python -c pass", [sys.executable, "-c", "pass"])

    def evalkit(name: str, *arguments: str | Path) -> Step:
        return Step(name, evalkit_command(*arguments))

    yield evalkit("--help", "--help")
    yield evalkit("new", "new", "made")
    yield evalkit("import", "import", "made", folder / "one.wav", "--session", "x")
    yield evalkit("check", "check", "shop")
    yield evalkit("segments list", "segments", "list", "shop")
    yield evalkit("segments export", "segments", "export", "shop", "one", "labels.csv", "--replace")
    yield evalkit("segments import", "segments", "import", "shop", "one", "labels.csv")
    yield Step("label", evalkit_command("label", "shop", "one"), leaving_when_idle())
    yield evalkit("score", "score", "shop")
    yield evalkit("score circuit", "score", "shop", "--detector", "circuit")
    setting = ("--threshold-v", "20m", "--delay-s", "1")
    yield evalkit("score, a setting", "score", "shop", "--detector", "circuit", *setting)
    yield evalkit("recommend", "recommend", "shop")
    yield evalkit("plan", "plan", "shop")
    yield evalkit("trace", "trace", "shop", "one", "--start", "200", "--stop", "201")
    yield evalkit("report", "report", "shop", "--out", "page")
    yield evalkit("report --bench", "report", "shop", "--bench", "--out", "sheet")
    yield evalkit("pack", "pack", "shop", "shop.zip")
    yield evalkit("unpack", "unpack", "shop.zip", "club")
    yield evalkit("demo, built before", "demo", "shop")


def prepare(folder: Path) -> None:
    """Make three sessions of five minutes and the dataset of them, and what `demo` wants beside it."""
    for seed, name in enumerate(SESSIONS, 1):
        make(folder / f"{name}.wav", SIDE_S, seed)
    told = ("--full-scale-v", "1", "--input-ohms", "1M", "--reviewed", "all")
    commands = [("new", "shop", "--licence", "CC0-1.0"), ("new", "hard")]
    for name in SESSIONS:
        labels = folder / f"{name}.csv"
        commands.append(("import", "shop", f"{name}.wav", "--session", name, "--labels", str(labels), *told))
    commands.append(("import", "hard", "one.wav", "--session", "one", "--labels", "one.csv", *told))
    for command in commands:
        subprocess.run(
            evalkit_command(*command), cwd=folder, check=True, capture_output=True, env=environment()
        )


def forget(folder: Path, name: str) -> None:
    """Take away what an earlier run has left."""
    for place in ("shop", "hard"):
        shutil.rmtree(folder / place / ".evalkit", ignore_errors=True)
    if name in ("new", "import"):
        shutil.rmtree(folder / "made", ignore_errors=True)
    if name == "import":
        subprocess.run(evalkit_command("new", "made"), cwd=folder, check=True, env=environment())
    if name == "pack":
        (folder / "shop.zip").unlink(missing_ok=True)
    if name == "unpack":
        shutil.rmtree(folder / "club", ignore_errors=True)


def first_without_terminal(step: Step, folder: Path) -> float | None:
    """Seconds until a command writes to a pipe, on either stream; None for those that need a terminal."""
    if step.speak is not None:
        return None
    begun_s = time.perf_counter()
    process = subprocess.Popen(
        step.command,
        cwd=folder,
        env=environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )
    assert process.stdout is not None
    first = process.stdout.read(1)
    taken_s = time.perf_counter() - begun_s
    process.stdout.read()
    process.wait()
    return taken_s if first else None


def measure(folder: Path, runs: int) -> Iterator[Row]:
    """Yield the commands as they are measured; once in advance each, so that files are in memory."""
    for step in steps(folder):
        seen = []
        for number in range(runs + 1):
            forget(folder, step.name)
            each = watch(step.command, folder=folder, speak=step.speak)
            if each.status != 0:
                sys.exit(f"{step.name}: status {each.status}\n{each.text[-2000:]}")
            if number:
                seen.append(each)
        forget(folder, step.name)
        yield Row(step.name, seen, first_without_terminal(step, folder))


def print_row(row: Row, bare_s: float) -> None:
    """Print one line of the table."""
    ends_s = statistics.median(each.wall_s for each in row.seen)
    cpu_s = statistics.median(each.cpu_s for each in row.seen)
    target_s = {"python -c pass": None, "--help": HELP_S}.get(row.name, FIRST_S)
    if target_s is None:
        print(f"{row.name:20}{'':>26}{ends_s:9.2f}{cpu_s:9.2f}")
        return
    least_s, middle_s = min(row.first_s), statistics.median(row.first_s)
    verdict = "" if middle_s < target_s else f"  MISSED: {target_s:g}"
    piped = "      -" if row.piped_s is None else f"{row.piped_s:7.2f}"
    print(
        f"{row.name:20}{least_s:7.2f}{middle_s:7.2f}{middle_s / bare_s:5.0f} x{piped}{ends_s:8.2f}{cpu_s:9.2f}{verdict}",
        flush=True,
    )


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--folder", type=Path, help="where the disk has room; the system's place if left out")
    told = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="start-up-", dir=told.folder) as name:
        folder = Path(name)
        prepare(folder)
        print(f"{'':20}{'first output, s':>21}{'piped':>7}{'end, s':>8}{'cpu, s':>9}")
        print(f"{'command':20}{'least':>7}{'middle':>7}{'of bare':>7}")
        bare_s = 0.0
        for row in measure(folder, told.runs):
            bare_s = bare_s or statistics.median(each.wall_s for each in row.seen)
            print_row(row, bare_s)


if __name__ == "__main__":
    main()
