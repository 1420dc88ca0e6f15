"""An invented bench for the tests of parts, stand-ins and bench sheet: tones for everything, all made up.

Each session lasts 90 s at 8 kHz and holds two calls (three rings of 175 Hz, 1 s on and 2 s off), taps, a
humming machine and one use of a stand-in. Levels are arguments, so a test knows the answer beforehand.
"""

import math
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile

from evalkit.cache import CrossingCache
from evalkit.dataset import Dataset, create_dataset, import_recordings, read_dataset
from evalkit.recommendation import Recommendation, recommend
from evalkit.segments import Segment, format_segments
from evalkit.spans import ALL_TIME
from evalkit.training import DetectorName

RATE_HZ = 8_000
LENGTH_S = 90.0
PAUSE_S = 2.0
RING_V = 0.05
CALLS_S = (8.0, 45.0)
STAND_IN_S = (70.0, 76.0)
DAY_TOML = """\
[limits]
calls_caught = 0.9
false_alarms_per_day = 2.0
response_s = 6.0
[exposure.tap]
events_per_day = 10
[exposure.tool]
hours_per_day = 0.1
[exposure.background]
hours_per_day = 0.2
"""


@dataclass(frozen=True)
class World:
    """A dataset with its recommendation."""

    dataset: Dataset
    found: Recommendation
    cache: CrossingCache


def build_bench(
    folder: Path,
    *,
    stand_in_db: Sequence[float] = (0.0, 0.0, 0.0, 0.0),
    stand_in_hz: float = 175.0,
    depth: float = 0.0,
    full_scale_v: float | None = 1.0,
) -> Path:
    """Make the dataset: one session for each level of the stand-in, in dB against the session's rings.

    `depth` modulates the stand-in's amplitude at 5 Hz. Sessions differ in level by 1 dB steps.
    """
    create_dataset(folder, spdx="CC0-1.0")
    (folder / "day.toml").write_text(DAY_TOML, encoding="utf-8")
    t = np.arange(round(LENGTH_S * RATE_HZ)) / RATE_HZ
    for number, level_db in enumerate(stand_in_db):
        rng = np.random.default_rng(number)
        ring_v = RING_V * 10.0 ** ((number - 1.5) / 20.0)
        volts = 0.0002 * rng.standard_normal(len(t))
        segments = [Segment(25.0, 37.0, "tool"), Segment(*STAND_IN_S, "stand-in", note="shaver")]
        volts += tone(t, (25.0, 37.0), 0.004, 150.0)
        held = tone(t, STAND_IN_S, ring_v * 10.0 ** (level_db / 20.0), stand_in_hz)
        volts += held * (1.0 + depth * np.sin(2.0 * math.pi * 5.0 * t))
        for call_s in CALLS_S:
            for k in range(3):
                ring = (call_s + k * (1.0 + PAUSE_S), call_s + k * (1.0 + PAUSE_S) + 1.0)
                volts += tone(t, ring, ring_v, 175.0)
                segments.append(Segment(*ring, "ring"))
        for tap_s in (21.0, 58.0, 62.0):
            since = t - tap_s
            decay = np.where(since >= 0.0, np.exp(-np.abs(since) / 0.03), 0.0)
            volts += 0.3 * decay * np.sin(2.0 * math.pi * 600.0 * since)
            segments.append(Segment(tap_s, tap_s + 0.15, "tap"))
        wav, table = folder.parent / f"day-{number}.wav", folder.parent / f"day-{number}.csv"
        soundfile.write(wav, volts, RATE_HZ, subtype="PCM_24")
        table.write_text(format_segments(segments), encoding="utf-8")
        import_recordings(
            folder,
            [wav],
            session=f"day {number}",
            phone=("slab", "brick")[number % 2],
            full_scale_v=full_scale_v,
            input_ohms=None if full_scale_v is None else 1e6,
            labels=table,
            reviewed=ALL_TIME,
        )
    return folder


def tone(
    t: npt.NDArray[np.float64], span: tuple[float, float], peak: float, hertz: float
) -> npt.NDArray[np.float64]:
    """A sine within a span, silence outside."""
    return np.where((t >= span[0]) & (t < span[1]), peak * np.sin(2.0 * math.pi * hertz * t), 0.0)


@cache
def world(
    *,
    stand_in_db: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0),
    stand_in_hz: float = 175.0,
    depth: float = 0.0,
    calibrated: bool = True,
) -> World:
    """Build a bench once for all tests of a run, and recommend on it."""
    place = Path(_ROOM.name) / f"world-{len(list(Path(_ROOM.name).iterdir()))}"
    place.mkdir()
    folder = build_bench(
        place / "bench",
        stand_in_db=stand_in_db,
        stand_in_hz=stand_in_hz,
        depth=depth,
        full_scale_v=1.0 if calibrated else None,
    )
    dataset = read_dataset(folder)
    crossings = CrossingCache(folder)
    return World(dataset, recommend(dataset, DetectorName.CIRCUIT, cache=crossings), crossings)


_ROOM = tempfile.TemporaryDirectory(prefix="evalkit-bench-")
