"""A small invented workshop for the tests of report and comparison: tones for rings, bursts for taps.

Five sessions of 100 s at 8 kHz. Everything in it is made up; its answer is visible by eye: a call is a
175 Hz tone of 30 mV for 2 s, a tap a decaying burst of 300 mV, a machine a tone of 6 mV.
"""

from pathlib import Path

import numpy as np
import soundfile

from evalkit.dataset import create_dataset, import_recordings
from evalkit.segments import Segment, format_segments
from evalkit.spans import ALL_TIME

RATE_HZ = 8_000
LENGTH_S = 100.0
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


def build_workshop(
    folder: Path,
    *,
    sessions: int = 5,
    ring_v: float = 0.03,
    tool_v: float = 0.006,
    note: str = "",
    phone: str = "slab",
    day: str = DAY_TOML,
    full_scale_v: float | None = 1.0,
) -> Path:
    """Make the dataset; the samples depend on the arguments only."""
    create_dataset(folder, spdx="CC0-1.0")
    (folder / "day.toml").write_text(day, encoding="utf-8")
    for number in range(sessions):
        rng = np.random.default_rng(number)
        t = np.arange(round(LENGTH_S * RATE_HZ)) / RATE_HZ
        volts = 0.0002 * rng.standard_normal(len(t))
        segments = []
        for k in range(4):
            start = 8.0 + 23.0 * k + rng.uniform(0, 2)
            _add(volts, t, start, start + 2.0, ring_v * rng.uniform(0.9, 1.1), 175.0)
            segments.append(Segment(start, start + 2.0, "ring", note=note))
            tap = start + 12.0
            since = t - tap
            decay = np.where(since >= 0, np.exp(-np.abs(since) / 0.03), 0.0)
            volts += 0.3 * decay * np.sin(2 * np.pi * 600 * since)
            segments.append(Segment(tap, tap + 0.15, "tap", note="mallet"))
        _add(volts, t, 30.0, 40.0, tool_v, 150.0)
        segments.append(Segment(30.0, 40.0, "tool"))
        wav, table = folder.parent / f"sitting-{number}.wav", folder.parent / f"sitting-{number}.csv"
        soundfile.write(wav, volts, RATE_HZ, subtype="PCM_16")
        table.write_text(format_segments(segments), encoding="utf-8")
        import_recordings(
            folder,
            [wav],
            session=f"day {number}",
            phone=phone,
            full_scale_v=full_scale_v,
            input_ohms=None if full_scale_v is None else 1e6,
            labels=table,
            reviewed=ALL_TIME,
        )
    return folder


def _add(volts: np.ndarray, t: np.ndarray, start: float, stop: float, peak: float, hertz: float) -> None:
    own = (t >= start) & (t < stop)
    volts[own] += peak * np.sin(2 * np.pi * hertz * t[own])
