"""Time the full 64 x 64 sweep over one hour of 48 kHz audio against decoding it.

    python -m tests.benchmarks.sweep_speed [--minutes 60]

Prints, in one run on one machine: the time to decode the hour (16-bit WAV to
float32 in 65,536-frame blocks, file in cache), the time of the `circuit`
sweep at 64 thresholds x 64 delays with its matching and tallies, their ratio,
and the process's peak memory; for a busy hour (the demo's audio, resampled and
repeated) and a quiet one (its background noise only). Also the start of
`evalkit --help` against `python -c pass`.
"""

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import resample_poly

from evalkit.cache import CrossingCache
from evalkit.crossings import Integrator
from evalkit.dataset import create_dataset, import_recordings, read_dataset
from evalkit.demo.build import render_session
from evalkit.demo.schedule import demo_sessions
from evalkit.recordings import read_blocks
from evalkit.scoring import DetectorName, delay_axis, make_detector, sweep
from evalkit.spans import ALL_TIME

RATE_HZ = 48_000


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=60.0)
    minutes = parser.parse_args().minutes
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        warm_up(folder)
        print(f"{'hour':8}{'decode s':>10}{'sweep s':>10}{'ratio':>8}{'target':>8}")
        for kind in ("busy", "quiet"):
            wav = write_hour(folder / f"{kind}.wav", kind, minutes)
            decode_s = min(time_decoding(wav) for _ in range(3))
            sweep_s = time_sweep(folder / f"set-{kind}", wav)
            print(f"{kind:8}{decode_s:10.2f}{sweep_s:10.2f}{sweep_s / decode_s:8.1f}{'4':>8}")
            wav.unlink()
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(f"peak memory of this process {peak_mb:.0f} MB (target 400 MB for the sweep)")
    start_up()


def write_hour(path: Path, kind: str, minutes: float) -> Path:
    """Write the hour as 16-bit WAV."""
    n = int(minutes * 60.0 * RATE_HZ)
    rng = np.random.default_rng(1)
    with soundfile.SoundFile(path, "w", RATE_HZ, 1, subtype="PCM_16") as file:
        while file.frames < n:
            if kind == "quiet":
                block = (1e-4 * rng.standard_normal(1 << 16)).astype(np.float32)
                file.write(block[: n - file.frames])
                continue
            for session in demo_sessions():
                sound = np.concatenate(list(render_session(session))).astype(np.float32) / 32768.0
                block = resample_poly(sound, 3, 1).astype(np.float32)
                file.write(block[: n - file.frames])
                if file.frames >= n:
                    break
    return path


def time_decoding(wav: Path) -> float:
    """Seconds to read the file in blocks, with nothing done to them."""
    begin = time.perf_counter()
    for _ in read_blocks(wav, channel=1):
        pass
    return time.perf_counter() - begin


def time_sweep(folder: Path, wav: Path) -> float:
    """Seconds for the whole sweep with nothing cached."""
    create_dataset(folder)
    import_recordings(folder, [wav], session="one", full_scale_v=1.0, input_ohms=1e6, reviewed=ALL_TIME)
    dataset = read_dataset(folder)
    detector = make_detector(DetectorName.CIRCUIT, dataset)
    _ = detector.levels
    begin = time.perf_counter()
    sweep(
        dataset,
        detector,
        delay_s=delay_axis(),
        integrator=Integrator.of_board(dataset.board),
        warmup_s=dataset.board.warmup_s,
        cache=CrossingCache(folder),
    )
    return time.perf_counter() - begin


def warm_up(folder: Path) -> None:
    """Compile every kernel on a short file."""
    time_sweep(folder / "warm", write_hour(folder / "warm.wav", "quiet", 0.1))


def start_up() -> None:
    """Print how long `--help` takes against an empty Python."""
    for arguments in (["-c", "pass"], ["-m", "evalkit", "--help"]):
        times = []
        for _ in range(5):
            begin = time.perf_counter()
            subprocess.run([sys.executable, *arguments], check=True, capture_output=True)
            times.append(time.perf_counter() - begin)
        print(f"python {' '.join(arguments):24}{min(times):8.3f} s")


if __name__ == "__main__":
    main()
