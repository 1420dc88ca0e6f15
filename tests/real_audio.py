"""Datasets arranged from real audio that registry packages carry.

What is real: every sound (recordings of bells, alarms, drum and hand hits, a
door, a running 3-D printer; ground motion and accelerometer records). What is
arranged here: order, cadence, level, overlap, resampling to 16 kHz, and that
these sounds are taken for what a contact pickup would deliver. None of it is
a phone on a lid, so no share of calls caught is quoted from it.
"""

import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import resample_poly

RATE_HZ = 16_000
SAMPLES = Path("/usr/share/sonic-pi/samples")
SOUNDS = Path("/usr/share/sounds/freedesktop/stereo")
RINGTONES = Path("/usr/share/sounds/lomiri/ringtones")

# (seconds on, seconds off) or a double ring, after ITU-T E.180 Supplement 2 (01/94), read second-hand
CADENCES = (((1.0, 4.0),), ((2.0, 4.0),), ((0.4, 0.2), (0.4, 2.0)), ((1.5, 3.5),))

_RINGS = ("phone-incoming-call.oga", "alarm-clock-elapsed.oga")
_MACHINE = "loop_3d_printer.flac"
_HITS = ("drum_tom_*", "drum_bass_*", "drum_snare_*", "tabla_*", "perc_snap*", "perc_door*", "drum_cowbell*")


@dataclass(frozen=True)
class Arranged:
    """One session: samples and its label rows."""

    name: str
    samples: NDArray[np.float32]
    rows: tuple[tuple[float, float, str], ...]

    def write(self, folder: Path) -> Path:
        """Write NAME.wav and NAME.csv; return the WAV's path."""
        wav = folder / f"{self.name}.wav"
        soundfile.write(wav, self.samples, RATE_HZ, subtype="PCM_16")
        lines = [
            "start_s,end_s,label,note",
            *(f"{a:.6f},{b:.6f},{label}," for a, b, label in sorted(self.rows)),
        ]
        wav.with_suffix(".csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        return wav


def import_session(folder: Path, sounds: Path, arranged: Arranged) -> None:
    """Take a session into a dataset as from the command line, calibrated at 1 V, reviewed throughout."""
    from evalkit.cli import main

    wav = arranged.write(sounds)
    command = ["import", str(folder), str(wav), "--session", arranged.name, "--reviewed", "all"]
    assert main([*command, "--labels", str(wav.with_suffix(".csv")), "--full-scale-v", "1"]) == 0


def missing_packages() -> str:
    """Return which Debian packages are absent, for the reason of a skip; empty if none is."""
    wanted = {"sonic-pi-samples": SAMPLES / _MACHINE, "sound-theme-freedesktop": SOUNDS / _RINGS[0]}
    return ", ".join(package for package, path in wanted.items() if not path.exists())


def workshop_sessions(n_sessions: int = 6, calls_each: int = 6, seed: int = 20) -> Iterator[Arranged]:
    """Arrange sessions of real bells and alarms among real hits and a real machine."""
    rings = [_load(SOUNDS / name) for name in _RINGS]
    hits = [_load(path) for pattern in _HITS for path in sorted(SAMPLES.glob(pattern + ".flac"))]
    machine = _load(SAMPLES / _MACHINE)
    for k in range(n_sessions):
        yield _session(f"real{k + 1}", rings, hits, machine, calls_each, np.random.default_rng([seed, k]))


def ringtone_sessions(n_sessions: int = 12, calls_each: int = 8, seed: int = 22) -> Iterator[Arranged]:
    """The same, but no ring and no hit of a session is in any other; the rings are produced ringtones.

    So a detector that is scored on a session has heard nothing of it but the one machine, which is in all of
    them. The rings are music, which no motor plays.
    """
    hits = [_load(path) for pattern in _HITS for path in sorted(SAMPLES.glob(pattern + ".flac"))]
    machine, tones = _load(SAMPLES / _MACHINE), sorted(RINGTONES.glob("*.ogg"))
    for k in range(n_sessions):
        rings = [_load(path) for path in tones[k::n_sessions]]
        yield _session(
            f"tones{k + 1}", rings, hits[k::n_sessions], machine, calls_each, np.random.default_rng([seed, k])
        )


def _session(
    name: str,
    rings: list[NDArray[np.float32]],
    hits: list[NDArray[np.float32]],
    machine: NDArray[np.float32],
    n_calls: int,
    rng: np.random.Generator,
) -> Arranged:
    pieces: list[tuple[float, NDArray[np.float32]]] = []
    rows: list[tuple[float, float, str]] = []
    clock = 10.0
    jobs = rng.permutation(["call"] * n_calls + ["hits"] * n_calls + ["machine"] * (n_calls // 2))
    for number, job in enumerate(jobs):
        gain = 10.0 ** (rng.uniform(-20.0, 0.0) / 20.0)
        if job == "call":
            begin = clock
            sound, cadence = rings[rng.integers(len(rings))], CADENCES[rng.integers(len(CADENCES))]
            for _ in range(rng.integers(3, 6)):
                for on_s, off_s in cadence:
                    n = int(on_s * RATE_HZ)
                    pieces.append((clock, 0.5 * gain * np.resize(sound, n)))
                    rows.append((clock, clock + on_s, "ring"))
                    clock += on_s + off_s
            if number % 3 == 0:
                length = clock - begin
                pieces.append((begin, 0.05 * np.resize(machine, int(length * RATE_HZ))))
                rows.append((begin, begin + length, "tool"))
        elif job == "hits":
            for _ in range(rng.integers(2, 6)):
                sound = hits[rng.integers(len(hits))]
                pieces.append((clock, gain * sound))
                rows.append((clock, clock + len(sound) / RATE_HZ, "tap"))
                clock += len(sound) / RATE_HZ + rng.uniform(0.3, 4.0)
        else:
            length = rng.uniform(10.0, 25.0)
            pieces.append((clock, 0.3 * gain * np.resize(machine, int(length * RATE_HZ))))
            rows.append((clock, clock + length, "tool"))
            clock += length
        clock += rng.uniform(7.0, 12.0)
    samples = 1e-4 * rng.standard_normal(int((clock + 8.0) * RATE_HZ))
    for at, piece in pieces:
        i = int(at * RATE_HZ)
        samples[i : i + len(piece)] += piece
    return Arranged(name, np.clip(samples, -1.0, 1.0).astype(np.float32), tuple(rows))


def vibration_records(names: tuple[str, ...]) -> Iterator[Arranged]:
    """Real ground motion from the seismology library's own test data, in which nothing is a call.

    Scaled to a peak of a tenth of full scale and played as if sampled at
    16 kHz: the shape is real, the scale of level and time is arranged.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import obspy

        root = Path(obspy.__file__).parent
        for name in names:
            found = sorted(root.rglob(f"data/{name}"))
            if not found:
                continue
            trace = max(obspy.read(str(found[0])), key=len)
            data = np.asarray(trace.data, dtype=np.float64)
            data = data - data.mean()
            repeated = np.resize(data, max(len(data), 30 * RATE_HZ))
            samples = (0.1 * repeated / np.abs(data).max()).astype(np.float32)
            yield Arranged(Path(name).stem.replace(".", "-"), samples, ())


def _load(path: Path) -> NDArray[np.float32]:
    samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
    mono = samples[:, 0]
    resampled = resample_poly(mono, RATE_HZ, rate) if rate != RATE_HZ else mono
    return np.asarray(resampled, dtype=np.float32)
