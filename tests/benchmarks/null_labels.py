"""Print how often a detector is reported better than chance when its labels mean nothing.

    python -m tests.benchmarks.null_labels [TURNS]

100 turns unless told otherwise; about ten minutes. In each, the labels of every recording of an invented
workshop are turned round by a random time, as if its end were joined to its start, and all detectors are
fitted, chosen, held out and compared as if nothing had happened. At 5 % for all detectors together, some 5
of 100 turns may report one; the labels as they are must report all of them.
"""

import sys
import tempfile
from collections.abc import Iterator, Sequence
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


def turns(
    dataset: Dataset, names: Sequence[DetectorName], n: int, cache: CrossingCache
) -> Iterator[tuple[str, ...]]:
    """Yield what is reported with the labels turned, n times."""
    for k in range(n):
        yield reported(compare(turned(dataset, np.random.default_rng([SEED, k])), names, cache=cache))


def main(n: int) -> None:
    """Print the count as it grows, then the verdict."""
    names = list(DetectorName)
    with tempfile.TemporaryDirectory(prefix="evalkit-null-") as place:
        dataset = make_workshop(Path(place) / "workshop", sessions=6)
        cache = CrossingCache(dataset.folder)
        print("labels as they are:", ", ".join(reported(compare(dataset, names, cache=cache))), flush=True)
        by_name = dict.fromkeys(map(str, names), 0)
        any_of_them = 0
        for k, found in enumerate(turns(dataset, names, n, cache), 1):
            any_of_them += bool(found)
            for name in found:
                by_name[name] += 1
            if k % 10 == 0 or k == n:
                print(f"{k} turns: {any_of_them} with a detector better than chance {by_name}", flush=True)
    most = LEVEL * n + 2.0 * np.sqrt(LEVEL * (1.0 - LEVEL) * n)
    print(f"allowed: {LEVEL * n:.0f}, and by luck of the draw up to {most:.0f}:", end=" ")
    print("met" if any_of_them <= most else "MISSED")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
