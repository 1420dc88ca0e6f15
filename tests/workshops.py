"""A small workshop of invented sounds: motor bursts for rings, decaying knocks, noise for a machine.

Nothing in it was recorded. It is small enough to be scored many times in a test.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from evalkit.dataset import Dataset, Recording, create_dataset, import_recordings, read_dataset
from evalkit.segments import Segment, format_segments
from evalkit.spans import ALL_TIME

RATE_HZ = 8_000
DAY = """\
[limits]
calls_caught = 0.8
false_alarms_per_day = 20.0
response_s = 6.0
[exposure.tap]
events_per_day = 20
[exposure.tool]
hours_per_day = 0.2
[exposure.background]
hours_per_day = 1
"""
PHONES = {"slab": 172.0, "brick": 205.0}

Array = NDArray[np.float64]


@dataclass
class _Tape:
    """Samples and labels of a session as it is laid out."""

    rng: np.random.Generator
    samples: Array
    segments: list[Segment]

    def add(self, at_s: float, sound: Array) -> None:
        first = round(at_s * RATE_HZ)
        self.samples[first : first + len(sound)] += sound[: len(self.samples) - first]

    def call(self, at_s: float, phone: str, bursts: int) -> float:
        level = 0.15 * 10.0 ** (self.rng.uniform(-6.0, 0.0) / 20.0)
        for _ in range(bursts):
            self.add(at_s, level * _motor(PHONES[phone] * self.rng.uniform(0.99, 1.01), 1.0))
            self.segments.append(Segment(at_s, at_s + 1.05, "ring", phone=phone))
            at_s += 2.5
        return at_s

    def tap(self, at_s: float) -> float:
        t = np.arange(round(0.3 * RATE_HZ)) / RATE_HZ
        sound = sum(np.exp(-t / 0.04) * np.sin(2 * np.pi * f * t) for f in (203.0, 373.0, 917.0))
        self.add(at_s, self.rng.uniform(0.03, 0.3) * np.asarray(sound))
        self.segments.append(Segment(at_s, at_s + 0.3, "tap"))
        return at_s + self.rng.uniform(1.5, 3.0)

    def tool(self, at_s: float, length_s: float) -> float:
        noise = 0.01 * self.rng.standard_normal(round(length_s * RATE_HZ))
        t = np.arange(len(noise)) / RATE_HZ
        self.add(at_s, noise + 0.02 * np.sin(2 * np.pi * 100.0 * t) + 0.01 * np.sin(2 * np.pi * 300.0 * t))
        self.segments.append(Segment(at_s, at_s + length_s, "tool"))
        return at_s + length_s


def _motor(frequency_hz: float, length_s: float) -> Array:
    """A motor that spins up and coasts down: amplitude follows the speed."""
    t = np.arange(round((length_s + 0.2) * RATE_HZ)) / RATE_HZ
    speed = np.where(t < length_s, 1.0 - np.exp(-t / 0.05), np.exp(-(t - length_s) / 0.05))
    return np.asarray(speed**2 * np.sin(2.0 * np.pi * frequency_hz * np.cumsum(speed) / RATE_HZ))


def make_workshop(
    folder: Path, *, sessions: int = 6, calls: int = 4, seed: int = 20, gain_db: tuple[float, ...] = ()
) -> Dataset:
    """Make a dataset of sessions of about two minutes, labelled and reviewed throughout.

    `gain_db` is added to the sessions' levels, in order.
    """
    create_dataset(folder, spdx="CC0-1.0")
    (folder / "day.toml").write_text(DAY, encoding="utf-8")
    for k in range(sessions):
        tape = _laid_out(np.random.default_rng([seed, k]), calls)
        gain = 10.0 ** ((gain_db[k] if k < len(gain_db) else 0.0) / 20.0)
        wav = folder.parent / f"s{k}.wav"
        soundfile.write(wav, np.clip(gain * tape.samples, -1.0, 1.0), RATE_HZ, subtype="PCM_16")
        table = wav.with_suffix(".csv")
        table.write_text(format_segments(sorted(tape.segments)), encoding="utf-8")
        import_recordings(
            folder,
            [wav],
            session=f"s{k}",
            full_scale_v=1.0,
            input_ohms=1e6,
            labels=table,
            reviewed=ALL_TIME,
        )
        wav.unlink()
        table.unlink()
    return read_dataset(folder)


def _laid_out(rng: np.random.Generator, calls: int) -> _Tape:
    tape = _Tape(rng, 0.001 * rng.standard_normal(600 * RATE_HZ), [])
    jobs = rng.permutation(["call"] * calls + ["taps"] * calls + ["tool"] * 2)
    at_s = 8.0
    for number, job in enumerate(jobs):
        if job == "call":
            at_s = tape.call(at_s, sorted(PHONES)[number % len(PHONES)], int(rng.integers(2, 5)))
        elif job == "taps":
            for _ in range(3):
                at_s = tape.tap(at_s)
        else:
            at_s = tape.tool(at_s, rng.uniform(6.0, 12.0))
        at_s += rng.uniform(6.0, 8.0)
    tape.samples = tape.samples[: round((at_s + 4.0) * RATE_HZ)]
    return tape


def relabelled(recording: Recording) -> Recording:
    """The labels of a recording in another order of time."""
    end_s = recording.duration_s
    return replace(
        recording,
        segments=tuple(
            sorted(
                replace(s, start_s=end_s - s.end_s, end_s=end_s - s.start_s)
                for s in recording.segments
                if s.start_s > 5.0
            )
        ),
    )
