"""Print how often a detector is reported better than chance when its labels mean nothing.

    python -m tests.benchmarks.null_labels [TURNS] [TABLE.csv]

100 turns unless told otherwise, each some 6 s of one core. In each, the labels of every recording of an
invented workshop are turned round by a random time, as if its end were joined to its start, and all detectors
are fitted, chosen, held out and compared as if nothing had happened. At 5 % for all detectors together, some
5 of 100 turns may report one; the labels as they are must report all of them.

Each turn is a row of TABLE (null-labels.csv here if left out) as soon as it is done. A run that was ended goes
on where it stopped when the same command is given again; delete the table to begin anew.
"""

import csv
import os
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from evalkit.cache import CrossingCache
from evalkit.comparison import Comparison, compare
from evalkit.dataset import Dataset, Recording
from evalkit.segments import Segment
from evalkit.training import DetectorName

from ..workshops import make_workshop

LEVEL = 0.05
SEED = 20_250_901
COLUMNS = ("turn", "better_than_chance", "cpu_s", "peak_mb")


def turned(dataset: Dataset, rng: np.random.Generator) -> Dataset:
    """Return the dataset with the labels of each recording turned round by a random time."""
    return replace(dataset, recordings=tuple(_turned(r, rng.uniform(0.0, 1.0)) for r in dataset.recordings))


def _turned(recording: Recording, share: float) -> Recording:
    end_s = recording.duration_s
    by_s = share * end_s
    parts = [part for s in recording.segments for part in _pieces(s, by_s, end_s)]
    return replace(recording, segments=tuple(sorted(parts)))


def _pieces(segment: Segment, by_s: float, end_s: float) -> Iterator[Segment]:
    """A segment moved later; what passes the end goes on at the start."""
    start_s = segment.start_s + by_s
    start_s -= end_s if start_s >= end_s else 0.0
    stop_s = start_s + segment.end_s - segment.start_s
    spans = [(start_s, min(stop_s, end_s)), (0.0, stop_s - end_s)]
    yield from (replace(segment, start_s=a, end_s=b) for a, b in spans if b - a > 1e-3)


def reported(comparison: Comparison) -> tuple[str, ...]:
    """Return the detectors that a comparison reports better than chance."""
    return tuple(c.name for c in comparison.contenders if c.better_than_chance)


def turn(dataset: Dataset, names: Sequence[DetectorName], k: int, cache: CrossingCache) -> tuple[str, ...]:
    """Return what is reported with the labels turned for the k-th time, whatever came before it."""
    return reported(compare(turned(dataset, np.random.default_rng([SEED, k])), names, cache=cache))


def run(table: Path, n: int, one: Callable[[int], tuple[str, ...]]) -> Iterator[tuple[str, ...]]:
    """Yield what each of n turns reports: from the table where it is there, else from `one`, written at once."""
    done = _rows(table)
    for k in range(n):
        if k not in done:
            began = time.process_time()
            done[k] = one(k)
            peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
            row = (k, " ".join(done[k]), f"{time.process_time() - began:.1f}", f"{peak_mb:.0f}")
            with table.open("a", newline="", encoding="utf-8") as stream:
                csv.writer(stream, lineterminator="\n").writerow(row)
                stream.flush()
                os.fsync(stream.fileno())
        yield done[k]


def _rows(table: Path) -> dict[int, tuple[str, ...]]:
    """Turns that are in the table; makes it with its head, and drops a last line that was cut short."""
    text = table.read_text(encoding="utf-8") if table.exists() else ""
    whole = text[: text.rfind("\n") + 1] or ",".join(COLUMNS) + "\n"
    if whole != text:
        table.write_text(whole, encoding="utf-8")
    rows = csv.DictReader(whole.splitlines())
    return {int(row["turn"]): tuple(row["better_than_chance"].split()) for row in rows}


def main(n: int, table: Path) -> None:
    """Print the count as it grows, then the rate with its interval and the verdict."""
    from evalkit.proportions import exact_interval

    names = list(DetectorName)
    with tempfile.TemporaryDirectory(prefix="evalkit-null-") as place:
        dataset = make_workshop(Path(place) / "workshop", sessions=6)
        cache = CrossingCache(dataset.folder)
        print("labels as they are:", ", ".join(reported(compare(dataset, names, cache=cache))), flush=True)
        by_name = dict.fromkeys(map(str, names), 0)
        any_of_them = 0
        for k, found in enumerate(run(table, n, lambda k: turn(dataset, names, k, cache)), 1):
            any_of_them += bool(found)
            for name in found:
                by_name[name] += 1
            if k % 10 == 0 or k == n:
                print(f"{k} turns: {any_of_them} with a detector better than chance {by_name}", flush=True)
    interval = exact_interval(any_of_them, n)
    low, high = float(interval.lower), float(interval.upper)
    print(
        f"rate {any_of_them / n:.3f}, 95 % interval {low:.3f} to {high:.3f} (Clopper-Pearson), stated {LEVEL}",
        end="; ",
    )
    # missed only where the rate is above what is stated beyond chance
    print("met" if low <= LEVEL else "MISSED")


def ended(number: int, _: object) -> None:
    """Say that somebody ended the run, which says nothing by itself."""
    name = signal.Signals(number).name
    raise SystemExit(f"ended from outside by {name}; the turns so far are kept, the same command goes on")


if __name__ == "__main__":
    signal.signal(signal.SIGTERM, ended)
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 100,
        Path(sys.argv[2]) if len(sys.argv) > 2 else Path("null-labels.csv"),
    )
