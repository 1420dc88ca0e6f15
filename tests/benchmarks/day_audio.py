"""An invented day at the workshop's lid, as long as wanted, made block by block.

    python -m tests.benchmarks.day_audio FILE SECONDS SEED [ENCODING]

Writes FILE (its ending names the container: .wav, .rf64, .flac) at 48 kHz and FILE's stem with .csv: the
labels. Every ten minutes hold one call of four rings, three taps, twenty seconds of a grinder and one use
of a stand-in; the rest is noise and hum. All of it is made up; nothing was measured.
"""

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

RATE_HZ = 48_000
BLOCK_S = 10
PERIOD_S = 600
_CONTAINERS = {".wav": "WAV", ".rf64": "RF64", ".flac": "FLAC"}
_NOISE_V, _HUM_V = 5e-4, 3e-4
_RING_V, _STAND_IN_V, _GRINDER_V, _TAP_V = 0.06, 0.05, 0.004, 0.3


def events(seconds: float, seed: int) -> list[tuple[float, float, str]]:
    """Return what happens: start, end, label, in order; every period another way."""
    found: list[tuple[float, float, str]] = []
    for period in range(int(np.ceil(seconds / PERIOD_S))):
        rng = np.random.default_rng([seed, period])
        start_s = period * PERIOD_S
        call_s = start_s + rng.uniform(40.0, 150.0)
        found += [(call_s + 3.0 * k, call_s + 3.0 * k + 1.0, "ring") for k in range(4)]
        for tap_s in start_s + np.array([200.0, 260.0, 320.0]) + rng.uniform(0.0, 50.0, 3):
            found.append((tap_s, tap_s + 0.15, "tap"))
        grinder_s = start_s + rng.uniform(420.0, 480.0)
        found.append((grinder_s, grinder_s + 20.0, "tool"))
        held_s = start_s + rng.uniform(520.0, 580.0)
        found.append((held_s, held_s + 5.0, "stand-in"))
    rounded = [(round(a, 3), round(b, 3), label) for a, b, label in found]
    return sorted(each for each in rounded if each[1] < seconds - 1.0)


def blocks(seconds: float, seed: int) -> Iterator[NDArray[np.float32]]:
    """Yield the vibration, ten seconds at a time; full scale is 1."""
    n_frames, length = round(seconds * RATE_HZ), BLOCK_S * RATE_HZ
    happening = events(seconds, seed)
    rng = np.random.default_rng(seed)
    # A long tile of noise, entered anywhere: drawing 4 billion numbers would take longer than all else.
    tile = (_NOISE_V * rng.standard_normal(1 << 22)).astype(np.float32)
    for first in range(0, n_frames, length):
        n = min(length, n_frames - first)
        t = (first + np.arange(n)) / RATE_HZ
        at = int(rng.integers(len(tile) - length))
        block = tile[at : at + n] + np.float32(_HUM_V) * np.sin(2 * np.pi * 50.0 * t).astype(np.float32)
        while happening and happening[0][1] < t[0]:
            happening.pop(0)
        for start_s, end_s, label in happening:
            if start_s > t[-1]:
                break
            inside = (t >= start_s) & (t < end_s)
            block[inside] += _sound(label, t[inside] - start_s, rng)
        yield block


def _sound(label: str, t: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float32]:
    if label == "ring":
        wave = _RING_V * np.sin(2 * np.pi * 175.0 * t)
    elif label == "stand-in":
        wave = _STAND_IN_V * np.sin(2 * np.pi * 120.0 * t)
    elif label == "tool":
        wave = _GRINDER_V * (np.sin(2 * np.pi * 150.0 * t) + rng.standard_normal(len(t)))
    else:
        wave = _TAP_V * np.exp(-t / 0.03) * np.sin(2 * np.pi * 600.0 * t)
    return np.asarray(wave, np.float32)


def write_day(path: Path, seconds: float, seed: int, encoding: str = "PCM_16") -> None:
    """Write the audio and, beside it, the labels."""
    container = _CONTAINERS[path.suffix]
    with soundfile.SoundFile(path, "w", RATE_HZ, 1, encoding, format=container) as file:
        for block in blocks(seconds, seed):
            file.write(block)
    rows = [f"{start_s:.6f},{end_s:.6f},{label}," for start_s, end_s, label in events(seconds, seed)]
    path.with_suffix(".csv").write_text("start_s,end_s,label,note\n" + "\n".join(rows) + "\n")


if __name__ == "__main__":
    write_day(Path(sys.argv[1]), float(sys.argv[2]), int(sys.argv[3]), *sys.argv[4:5])
