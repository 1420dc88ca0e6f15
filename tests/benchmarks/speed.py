"""Time the full sweep of `circuit` against everything that it can be held against, in one run on one machine.

    python -m tests.benchmarks.speed [--minutes 60] [--longest 8] [--out FOLDER]

Prints ratios, each from times taken next to each other, with what the design promises (section 7):

- an hour of 48 kHz audio, 64 thresholds x 64 delays with matching and tallies, nothing cached, against
  decoding it as libsndfile does (16-bit WAV to float32 in 65,536-frame blocks, file in cache): a busy hour
  (the demo's audio, resampled and repeated) and a quiet one (noise 80 dB under full scale); evalkit's own
  reading of the same blocks, which lets NumPy turn the whole numbers into float32, is told beside it;
- the same against NumPy and SciPy used straightforwardly for one setting, times the number of settings;
- the same against ngspice, per simulated second and setting;
- learned features, against real time;
- growth over the recording's length, over the number of settings and over the number of workers, and the
  peak of memory by length, each run in a process of its own; the growing exponent is the slope of log time
  over log size;
- the arithmetic of the lanes: operations a lane and sample by what may happen in its window (both diodes,
  one, none), and how long their multiplications alone would take at the rate at which the processor
  multiplies and adds rows of lanes that wait for nothing: the bound, were nothing passed over.

All audio is invented (`evalkit.demo`). With `--out`, the table is written there as speed.csv and speed.png.
"""

import argparse
import csv
import math
import multiprocessing
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from llvmlite import ir
from numba import njit, types
from numba.core import cgutils
from numba.extending import intrinsic
from numpy.typing import NDArray
from scipy.signal import lfilter, resample_poly

from evalkit import _circuit_kernels as kernels
from evalkit.board import Board
from evalkit.cache import CrossingCache
from evalkit.crossings import Integrator
from evalkit.dataset import create_dataset, import_recordings, read_dataset
from evalkit.demo.build import render_session
from evalkit.demo.schedule import demo_sessions
from evalkit.detectors import Source
from evalkit.detectors.circuit import CircuitDetector, gain_axis
from evalkit.detectors.constants import pickup_section
from evalkit.recordings import read_blocks
from evalkit.scoring import sweep
from evalkit.spans import ALL_TIME
from evalkit.workers import open_workers

RATE_HZ = 48_000
MOST_TIMES_DECODING = 4.0
MOST_MB = 400.0
MOST_EXPONENT = 1.05
LEAST_FEATURES = 200.0
N = 64
STRIDE = 4
"""Samples to a step of the rectifier at 48 kHz."""


@dataclass(frozen=True)
class Row:
    """A line of the table."""

    what: str
    size: str
    seconds: float
    """NaN where no time was taken."""
    figure: float
    unit: str
    promise: str


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--longest", type=int, default=8)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    rows: list[Row] = []

    def tell(row: Row) -> None:
        rows.append(row)
        seconds = "" if math.isnan(row.seconds) else f"{row.seconds:.2f} s"
        print(
            f"{row.what:42}{row.size:>18}{seconds:>11}{row.figure:>12.4g} {row.unit:22}{row.promise}",
            flush=True,
        )

    print(machine())
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        alone(Job(dataset_of(folder / "warm", [write_wav(folder, "quiet", 6.0)])))
        per_hour = against_decoding(folder, asked.minutes, tell)
        against_one_setting(folder, per_hour, tell)
        against_simulator(per_hour, tell)
        of_features(folder, tell)
        over_length(folder, asked.longest, tell)
        over_settings(folder, tell)
        over_workers(folder, tell)
        of_arithmetic(per_hour, tell)
    if asked.out is not None:
        write(asked.out, rows)


Tell = Callable[[Row], None]


def machine() -> str:
    """Describe the machine in words."""
    name = "processor of unknown name"
    for line in Path("/proc/cpuinfo").read_text().splitlines():
        if line.startswith("model name"):
            name = line.partition(":")[2].strip()
    cores = multiprocessing.cpu_count()
    memory_gb = next(
        int(line.split()[1]) / 1e6
        for line in Path("/proc/meminfo").read_text().splitlines()
        if line.startswith("MemTotal")
    )
    python = ".".join(map(str, sys.version_info[:3]))
    return f"{cores} cores of {name}, {memory_gb:.0f} GB; Python {python}, NumPy {np.__version__}"


def against_decoding(folder: Path, minutes: float, tell: Tell) -> float:
    """Return the seconds that a busy hour takes."""
    per_hour = 0.0
    for kind in ("busy", "quiet"):
        wav = write_wav(folder, kind, 60.0 * minutes)
        decode_s = min(decoding_s(wav) for _ in range(3))
        own_s = min(reading_s(wav) for _ in range(3))
        job = Job(dataset_of(folder / kind, [wav]))
        taken = min((alone(job) for _ in range(3)), key=lambda taken: taken.seconds)
        size = f"{minutes:g} min"
        tell(Row(f"decode, {kind}", size, decode_s, 60.0 * minutes / decode_s, "x real time", ""))
        tell(Row("the same by evalkit", size, own_s, decode_s / own_s, "x as fast", ""))
        tell(
            Row(
                f"sweep 64 x 64, {kind}", size, taken.seconds, taken.seconds / decode_s,
                "x decoding", f"at most {MOST_TIMES_DECODING:g}",
            )
        )  # fmt: skip
        tell(Row(f"sweep's memory, {kind}", size, math.nan, taken.peak_mb, "MB", f"under {MOST_MB:g}"))
        per_hour = max(per_hour, taken.seconds * 60.0 / minutes)
        wav.unlink()
    return per_hour


def against_one_setting(folder: Path, per_hour: float, tell: Tell) -> None:
    seconds = 10.0
    x = demo_audio(seconds)
    board = read_dataset(folder / "warm").board
    begin = time.perf_counter()
    plain_alerts(board, 40.0, 1.0, x)
    taken_s = time.perf_counter() - begin
    settings = taken_s * 3600.0 / seconds * N * N
    tell(
        Row(
            "NumPy and SciPy, one setting",
            f"{seconds:g} s of audio",
            taken_s,
            settings / per_hour,
            "x the sweep",
            "",
        )
    )


def against_simulator(per_hour: float, tell: Tell) -> None:
    from tests import spice
    from tests.solver import default_board

    if spice.ngspice() is None:
        print("ngspice is not installed: left out")
        return
    stimulus = spice.Stimulus("steady tone", 1.0, (spice.Part(0.0, 175.0),))
    begin = time.perf_counter()
    spice.simulate(default_board(), 40.0, stimulus, 0.05)
    taken_s = time.perf_counter() - begin
    ours_s = per_hour / 3600.0
    tell(
        Row(
            "ngspice, to the storage capacitor",
            "1 s of tone",
            taken_s,
            taken_s / ours_s * N,
            "x a gain's share",
            "",
        )
    )
    tell(Row("the same", "1 s of tone", taken_s, taken_s / ours_s * N * N, "x a setting's share", ""))


def of_features(folder: Path, tell: Tell) -> None:
    from evalkit.detectors.features import FrameMaker

    board = read_dataset(folder / "warm").board
    for rate_hz in (16_000, RATE_HZ):
        maker = FrameMaker(board)
        x = np.resize(demo_audio(60.0), 120 * rate_hz)
        state = maker.at_rest(Source(rate_hz, 1.0, 1e6))
        _, state = maker.advance(x[: 10 * rate_hz], state)
        begin = time.process_time()
        for k in range(10 * rate_hz, len(x), 1 << 16):
            _, state = maker.advance(x[k : k + (1 << 16)], state)
        taken_s = time.process_time() - begin
        size = f"110 s, {rate_hz // 1000} kHz"
        promise = f"at least {LEAST_FEATURES:g}, a core"
        tell(Row("learned features", size, taken_s, 110.0 / taken_s, "x real time", promise))


def over_length(folder: Path, longest: int, tell: Tell) -> None:
    hours = [h for h in (1, 2, 4, 8, 16, 24) if h <= longest]
    seconds = []
    for h in hours:
        wav = write_wav(folder, "busy", 3600.0 * h)
        taken = alone(Job(dataset_of(folder / f"{h}h", [wav])))
        wav.unlink()
        seconds.append(taken.seconds)
        tell(
            Row(
                "sweep 64 x 64, by length",
                f"{h} h",
                taken.seconds,
                taken.peak_mb,
                "MB at its peak",
                f"under {MOST_MB:g}",
            )
        )
    if len(hours) > 1:
        tell(
            Row(
                "growing exponent over length",
                "",
                math.nan,
                slope(hours, seconds),
                "",
                f"at most {MOST_EXPONENT:g}",
            )
        )


def over_settings(folder: Path, tell: Tell) -> None:
    wav = write_wav(folder, "busy", 1200.0)
    sides, seconds = (16, 32, 64, 128), []
    for n in sides:
        data = dataset_of(folder / f"{n}x{n}", [wav])
        taken = alone(Job(data, side=n))
        seconds.append(taken.seconds)
        tell(
            Row(
                "sweep of 20 min, by settings",
                f"{n} x {n}",
                taken.seconds,
                1e6 * taken.seconds / n**2,
                "us a setting",
                "",
            )
        )
    tell(Row("growing exponent over settings", "", math.nan, slope([n * n for n in sides], seconds), "", ""))
    wav.unlink()


def over_workers(folder: Path, tell: Tell) -> None:
    wavs = [write_wav(folder, "busy", 3_600.0, place=k) for k in range(4)]
    first = math.nan
    for n, cores in ((1, 1), (1, 2), (2, 2)):
        taken = alone(Job(dataset_of(folder / f"{n} workers, {cores} cores", wavs), workers=n, cores=cores))
        first = taken.seconds if cores == 1 else first
        tell(
            Row(
                "sweep of 4 x 1 h, by processes",
                f"{n}, on {cores} of the cores",
                taken.seconds,
                first / taken.seconds,
                "x one core",
                "",
            )
        )
    for wav in wavs:
        wav.unlink()


def of_arithmetic(per_hour: float, tell: Tell) -> None:
    updates = 3600.0 * RATE_HZ * N
    roof = multiprocessing.cpu_count() * multiply_adds_a_second()
    tell(Row("multiply-adds that wait for nothing", "all cores", math.nan, roof / 1e9, "G a second", ""))
    tell(Row("lane updates, busy hour", "all cores", per_hour, updates / per_hour / 1e9, "G a second", ""))
    for name, f in operations_of_a_step().items():
        tell(Row(f"operations, {name} step", "a lane and sample", math.nan, f.count / STRIDE, "", ""))
        bound_s = f.multiplying / STRIDE * updates / roof
        tell(Row("of these multiplications", "", math.nan, f.multiplying / STRIDE, "", ""))
        tell(
            Row(
                "an hour of nothing else at that rate",
                "",
                bound_s,
                100.0 * bound_s / per_hour,
                "% of the busy hour",
                "",
            )
        )


@dataclass(frozen=True)
class Job:
    """One sweep."""

    folder: Path
    side: int = N
    workers: int = 1
    cores: int = 2


@dataclass(frozen=True)
class Taken:
    """What it took."""

    seconds: float
    peak_mb: float


def timed_sweep(job: Job) -> Taken:
    """Sweep a dataset with nothing cached and everything compiled."""
    os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[: job.cores])
    dataset = read_dataset(job.folder)
    detector = CircuitDetector(dataset.board, gain_axis(dataset.board, job.side))
    _ = detector.levels
    once_over_silence(detector)
    with open_workers(job.workers, None) as workers:
        begin = time.perf_counter()
        sweep(
            dataset,
            detector,
            delay_s=np.geomspace(0.05, 6.0, job.side),
            integrator=Integrator.of_board(dataset.board),
            warmup_s=dataset.board.warmup_s,
            cache=CrossingCache(dataset.folder),
            workers=workers,
        )
        seconds = time.perf_counter() - begin
    for file in (job.folder / ".evalkit" / "crossings").iterdir():
        file.unlink()
    return Taken(seconds, peak_mb())


def peak_mb() -> float:
    """Most memory that was resident in this process; unlike `getrusage`, not less its parent's."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM"):
            return int(line.split()[1]) / 1024.0
    return math.nan


def once_over_silence(detector: CircuitDetector) -> None:
    """Load the compiled loops."""
    detector.advance(np.zeros(100, np.float32), detector.at_rest(Source(RATE_HZ, 1.0, 1e6)))


def decoding_s(wav: Path) -> float:
    """Seconds that libsndfile takes for the file in blocks of float32, with nothing done to them."""
    begin = time.perf_counter()
    with soundfile.SoundFile(wav) as file:
        while len(file.read(65_536, dtype="float32")):
            pass
    return time.perf_counter() - begin


def reading_s(wav: Path) -> float:
    """Seconds that evalkit takes for the same blocks."""
    begin = time.perf_counter()
    for _ in read_blocks(wav, channel=1):
        pass
    return time.perf_counter() - begin


def alone(job: Job) -> Taken:
    """Time a sweep in a process of its own, whose memory holds nothing else."""
    code = f"from pathlib import *; from {__spec__.name} import *; t = timed_sweep({job!r}); print(t.seconds, t.peak_mb)"
    done = subprocess.run([sys.executable, "-c", code], check=True, stdout=subprocess.PIPE, text=True)
    return Taken(*map(float, done.stdout.split()))


def plain_alerts(board: Board, gain: float, delay_s: float, x: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return when one setting fires: the board's equations as one writes them down first.

    Filters by SciPy, the amplifier's limits and the two diodes (fixed drops) sample by sample.
    """
    a, r = board.amplifier, board.rectifier
    assert a.leg_capacitor is not None
    b0, b1, a1 = pickup_section(board, Source(RATE_HZ, 1.0, 1e6))
    felt = np.maximum(lfilter([b0, b1], [1.0, a1], x), a.input_clamp.typ - board.resting_input_v)
    corner = 1.0 / (RATE_HZ * a.leg_resistor.typ * a.leg_capacitor.typ)
    pole = math.exp(-2.0 * math.pi * a.gain_bandwidth.typ / gain / RATE_HZ)
    amplified = gain * lfilter([1.0, -1.0], [1.0, corner - 1.0], felt)
    amplified = lfilter([1.0 - pole], [1.0, -pole], amplified)
    amplified = np.clip(amplified, -board.resting_input_v, board.output_limit_v - board.resting_input_v)
    share = r.coupling.typ / (r.coupling.typ + r.storage.typ)
    keep = math.exp(-1.0 / (RATE_HZ * r.storage_tau_s))
    storage_v = np.empty(len(x))
    coupled = stored = 0.0
    for i, output in enumerate(amplified.tolist()):
        coupled = min(coupled, output + 0.45)
        moved = max(0.0, output - coupled - stored - 0.45)
        coupled += moved * (1.0 - share)
        stored = (stored + moved * share) * keep
        storage_v[i] = stored
    above = (storage_v > board.upper_trip_v).astype(float)
    kept = math.exp(-1.0 / (RATE_HZ * delay_s / -math.log1p(-board.fire_fraction)))
    filled = lfilter([1.0 - kept], [1.0, -kept], above)
    return np.flatnonzero(np.diff((filled >= board.fire_fraction).astype(int)) > 0) / RATE_HZ


class Counting:
    """Stands in for the kernels' arithmetic and counts what is asked of it."""

    def __init__(self) -> None:
        self.count = 0
        self.multiplying = 0

    def constant(self, value: float) -> str:
        return "value"

    def __getattr__(self, name: str) -> Callable[..., str]:
        def counted(*values: Any) -> str:
            self.count += 1
            self.multiplying += name in ("fma", "times")
            return "value"

        return counted


def operations_of_a_step() -> dict[str, Counting]:
    """Operations on a lane in a step, by what may happen in its window; stores left out."""
    k = ["value"] * len(kernels.Constant)
    v = kernels._Voltages(*k[:4])
    rectify = {
        "whole": kernels._rectified,
        "series": kernels._charged,
        "clamp": kernels._clamped,
        "idle": kernels._rested,
    }
    found = {}
    for name, each in rectify.items():
        f: Any = Counting()
        for _ in range(STRIDE):
            kernels._amplifier(f, k, "value", "value", "value")
        if name == "whole":
            for _ in range(STRIDE):
                kernels._held_at_limits(f, k, "value")
        ends = kernels._Ends("value", "value") if name == "idle" else kernels._ends(f, ["value"] * STRIDE)
        each(f, k, v, ends)
        found[name] = f
    return found


def multiply_adds_a_second() -> float:
    """float32 multiply-adds that one core does where none waits for another for long."""
    multiplied_and_added(1)
    times = 2_000_000
    begin = time.perf_counter()
    multiplied_and_added(times)
    return times * ROWS_AT_ONCE * kernels.LANES / (time.perf_counter() - begin)


ROWS_AT_ONCE = 8


@intrinsic
def _multiplied_and_added(typing: Any, times: Any) -> Any:
    """Multiply and add eight rows of lanes so many times; return a number that depends on all of them."""

    def put_out(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        f: Any = kernels._Arithmetic(builder)
        held = [cgutils.alloca_once_value(builder, f.constant(k)) for k in range(ROWS_AT_ONCE)]
        with cgutils.for_range(builder, values[0]):
            for row in held:
                builder.store(f.fma(builder.load(row), f.constant(0.999), f.constant(1e-3)), row)
        total = builder.load(held[0])
        for row in held[1:]:
            total = f.plus(total, builder.load(row))
        return builder.extract_element(total, ir.Constant(ir.IntType(32), 0))

    return types.float32(types.int64), put_out


@njit
def multiplied_and_added(times: int) -> Any:
    return _multiplied_and_added(times)


def demo_audio(seconds: float) -> NDArray[np.float32]:
    """Return the start of the demo's first session at 48 kHz."""
    return _session(0)[: int(seconds * RATE_HZ)]


@cache
def _session(k: int) -> NDArray[np.float32]:
    sound = np.concatenate(list(render_session(demo_sessions()[k]))).astype(np.float32) / 32768.0
    return np.asarray(resample_poly(sound, 3, 1), np.float32)


def write_wav(folder: Path, kind: str, seconds: float, *, place: int = 0) -> Path:
    """Write a 16-bit WAV: three of the demo's sessions over and over from the `place`-th on, or noise only."""
    path = folder / f"{kind} {seconds:g} s {place}.wav"
    n, rng = int(seconds * RATE_HZ), np.random.default_rng(1)
    pieces = [_session((place + k) % len(demo_sessions())) for k in range(3)] if kind == "busy" else []
    with soundfile.SoundFile(path, "w", RATE_HZ, 1, subtype="PCM_16") as file:
        k = 0
        while file.frames < n:
            if kind == "quiet":
                block = (1e-4 * rng.standard_normal(1 << 16)).astype(np.float32)
            else:
                block = pieces[k % len(pieces)]
            file.write(block[: n - file.frames])
            k += 1
    return path


def dataset_of(folder: Path, wavs: list[Path]) -> Path:
    """Make a dataset of the files."""
    create_dataset(folder)
    import_recordings(folder, wavs, session="one", full_scale_v=1.0, input_ohms=1e6, reviewed=ALL_TIME)
    return folder


def slope(sizes: list[int] | tuple[int, ...], seconds: list[float]) -> float:
    """Exponent of growth: log time over log size, least squares."""
    return float(np.polyfit(np.log(sizes), np.log(seconds), 1)[0])


def apart(values: list[float]) -> list[float]:
    """Values of which none lies so near above another that their labels would touch."""
    kept: list[float] = []
    for value in sorted(values):
        if not kept or value > 1.1 * kept[-1]:
            kept.append(value)
    return kept


def write(folder: Path, rows: list[Row]) -> None:
    """Write the table as CSV, and what grows as a picture."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "speed.csv").open("w", newline="") as stream:
        table = csv.writer(stream, lineterminator="\n")
        table.writerow(["what", "size", "seconds", "figure", "unit", "promise"])
        for row in rows:
            seconds = "" if math.isnan(row.seconds) else f"{row.seconds:.3f}"
            table.writerow([row.what, row.size, seconds, f"{row.figure:.5g}", row.unit, row.promise])
        table.writerow([machine(), "", "", "", "", ""])
    figure, (left, right) = plt.subplots(1, 2, figsize=(8.0, 3.2), layout="constrained")
    for axes, what, label in (
        (left, "sweep 64 x 64, by length", "length of the recording, h"),
        (right, "sweep of 20 min, by settings", "settings"),
    ):
        own = [row for row in rows if row.what == what]
        sizes = [math.prod(float(s) for s in row.size.replace(" h", "").split(" x ")) for row in own]
        axes.loglog(sizes, [row.seconds for row in own], "o-", color="0.15")
        axes.set_xlabel(label)
        axes.set_ylabel("seconds for the sweep")
        axes.set_xticks(sizes, [f"{size:g}" for size in sizes])
        ticks = apart([row.seconds for row in own])
        axes.set_yticks(ticks, [f"{tick:.3g}" for tick in ticks])
        axes.minorticks_off()
        axes.grid(True, color="0.85")
    figure.savefig(folder / "speed.png", dpi=120)


if __name__ == "__main__":
    main()
