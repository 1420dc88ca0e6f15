"""Random boards and stimuli, solved by ngspice and by the `circuit` detector. For tests only.

The simulator's answers take minutes, so they lie in `golden/fidelity.json`, made by

    python -m tests.fidelity

Boards, settings and stimuli are drawn by `random.Random`, whose numbers are the same in every version of
Python. All of them are invented; nothing here was measured.
"""

import hashlib
import json
import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board, Value
from evalkit.built import board_at, in_environment, sources_of
from evalkit.detectors import Source
from evalkit.detectors.circuit import CircuitDetector

from . import spice
from .spice import Part, Stimulus

Floats = NDArray[np.float64]

GOLDEN = Path(__file__).parent / "golden" / "fidelity.json"
KINDS = ("steady tone", "cadenced", "spin-up", "taps", "tone in noise")
CASES_OF_A_KIND = 16
RESOLUTION_DB = 0.02
SEED = 20_251
_NORMAL = NormalDist()


@dataclass(frozen=True)
class Case:
    """A built board at a setting, and what its pickup feels."""

    kind: str
    board: Board
    gain: float
    delay_s: float
    stimulus: Stimulus
    factor: float
    """Amplitude over the simulator's own threshold for this stimulus."""

    @property
    def digest(self) -> str:
        """Tell whether a stored answer is still that of this case."""
        text = spice.netlist(self.board, self.gain, self.stimulus.expression(1.0), self.stimulus.duration_s)
        b = self.board
        trips = (b.upper_trip_v, b.lower_trip_v, b.fire_fraction, self.delay_s, self.factor)
        return hashlib.sha256(f"{text}{trips!r}".encode()).hexdigest()[:12]


@dataclass(frozen=True)
class Answer:
    """What either side says of a case."""

    threshold: float
    """Smallest amplitude of the stimulus at which the gate fires, V."""
    fires_s: float
    """Firing time at the case's amplitude, from the stimulus's start; inf: never."""
    peak_v: float
    """Highest storage voltage there."""


def cases(default: Board) -> tuple[Case, ...]:
    """Draw the cases, kind by kind; every other one under twice its threshold."""
    return tuple(_case(default, kind, k) for kind in KINDS for k in range(CASES_OF_A_KIND))


def _case(default: Board, kind: str, k: int) -> Case:
    random = Random(f"{SEED} {kind} {k}")
    board = _wider(default, random) if k % 2 else default
    # a generator for each part, so that a new part on the board leaves the others as they were
    deviates = {
        name: _NORMAL.inv_cdf(Random(f"{SEED} {kind} {k} {name}").uniform(0.0014, 0.9986))
        for name in sources_of(board)
    }
    board = in_environment(board_at(board, deviates), deviates)
    near = k % 4 < 2
    return Case(
        kind=kind,
        board=board,
        gain=_log_uniform(random, 6.0, 800.0),
        delay_s=_log_uniform(random, 0.05, 0.25) if kind == "taps" else _log_uniform(random, 0.2, 1.0),
        stimulus=_STIMULI[kind](random),
        factor=_log_uniform(random, 1.1, 2.0) if near else _log_uniform(random, 2.0, 10.0),
    )


def _wider(board: Board, random: Random) -> Board:
    """Other capacitors, and now and then a board that rests near 0 V, whose lower half-waves are clipped."""
    r, a = board.rectifier, board.amplifier
    assert a.leg_capacitor is not None
    storage = random.choice((100e-9, 220e-9, 470e-9))
    bleed = {100e-9: 2.2e6, 220e-9: 1e6, 470e-9: 470e3}[storage] * random.choice((0.47, 1.0))
    rests_low = random.random() < 0.25
    return replace(
        board,
        amplifier=replace(
            a,
            leg_capacitor=_value_like(a.leg_capacitor, random.choice((10e-6, 22e-6, 47e-6))),
            bias=_value_like(a.bias, 0.1) if rests_low else a.bias,
        ),
        rectifier=replace(
            r,
            coupling=_value_like(r.coupling, random.choice((100e-9, 220e-9, 470e-9, 1e-6))),
            storage=_value_like(r.storage, storage),
            bleed=_value_like(r.bleed, bleed),
        ),
    )


def _value_like(value: Value, typ: float) -> Value:
    """Another typical value of the same tolerance."""
    return Value(typ, typ * value.low / value.typ, typ * value.high / value.typ, value.source)


def _log_uniform(random: Random, low: float, high: float) -> float:
    return float(math.exp(random.uniform(math.log(low), math.log(high))))


def _tone(random: Random) -> Stimulus:
    return Stimulus("steady tone", 3.0, (Part(0.0, random.uniform(100.0, 250.0)),))


def _cadenced(random: Random) -> Stimulus:
    on_s, off_s = random.uniform(0.4, 1.5), random.uniform(0.2, 1.0)
    starts = [k * (on_s + off_s) for k in range(int(4.0 / (on_s + off_s)) + 1)]
    bursts = tuple((s, s + on_s) for s in starts)
    return Stimulus("cadenced", 4.0, (Part(0.0, random.uniform(100.0, 250.0), bursts=bursts),))


def _spin_up(random: Random) -> Stimulus:
    part = Part(0.0, random.uniform(120.0, 250.0), spin_s=random.uniform(0.02, 0.15))
    return Stimulus("spin-up", 3.0, (part,))


def _taps(random: Random) -> Stimulus:
    modes = [
        (random.uniform(120.0, 1200.0), random.uniform(0.3, 1.0), _log_uniform(random, 0.02, 0.2))
        for _ in range(random.randint(2, 4))
    ]
    spacing_s, n = random.uniform(0.1, 0.5), random.randint(1, 4)
    parts = tuple(
        Part(0.05 + j * spacing_s, hz, level, decay_s=decay_s)
        for j in range(n)
        for hz, level, decay_s in modes
    )
    return Stimulus("taps", 0.05 + n * spacing_s + 1.0, parts)


def _noisy(random: Random) -> Stimulus:
    """A tone and 24 sines of random frequency and phase, 0.2 to 0.6 of its RMS together."""
    level = random.uniform(0.2, 0.6) / math.sqrt(24.0)
    noise = tuple(Part(0.0, _log_uniform(random, 30.0, 1500.0), level, random.random()) for _ in range(24))
    return Stimulus("tone in noise", 3.0, (Part(0.0, random.uniform(100.0, 250.0)), *noise))


_STIMULI: dict[str, Callable[[Random], Stimulus]] = dict(
    zip(KINDS, (_tone, _cadenced, _spin_up, _taps, _noisy), strict=True)
)


def simulator_answer(case: Case, guess: float) -> Answer:
    """Solve a case by ngspice; `guess` is where the search for the threshold begins."""

    def fires_at(amplitude: float) -> tuple[float, float]:
        w = spice.simulate(case.board, case.gain, case.stimulus, amplitude)
        changes_s, end_s = crossings(case.board, w.time_s, w.storage_v)
        return _fires_s(case, changes_s, end_s), float(w.storage_v.max())

    threshold = _smallest(lambda a: fires_at(a)[0] < math.inf, guess)
    return Answer(threshold, *fires_at(case.factor * threshold))


def simulator_fires_s(case: Case, amplitude: float) -> float:
    """When the gate fires, with comparator, integrator and gate as parts of the netlist."""
    ohm = case.delay_s / case.board.delay_s(1.0)
    w = spice.simulate_whole(case.board, case.gain, ohm, case.stimulus, amplitude)
    passed = np.flatnonzero(w.integrator_v >= case.board.gate_positive_v)
    return float(w.time_s[passed[0]]) if len(passed) else math.inf


def detector_threshold(case: Case, sample_rate_hz: int) -> float:
    """Smallest amplitude at which the gate behind the detector fires."""
    run = _detector_run(case, sample_rate_hz)
    return _smallest(lambda a: run(a)[0] < math.inf, 1.5 / case.gain, resolution_db=0.002)


def detector_answer(case: Case, sample_rate_hz: int, amplitude: float) -> Answer:
    """Solve a case by the detector at a sample rate; firing time and peak at `amplitude`."""
    return Answer(detector_threshold(case, sample_rate_hz), *_detector_run(case, sample_rate_hz)(amplitude))


def _detector_run(case: Case, sample_rate_hz: int) -> Callable[[float], tuple[float, float]]:
    """Return what tells firing time and storage peak for an amplitude."""
    detector = CircuitDetector(case.board, np.array([case.gain]))
    source = Source(sample_rate_hz, full_scale_v=1.0, input_ohms=None)
    samples = case.stimulus.samples(sample_rate_hz)

    def run(volts: float) -> tuple[float, float]:
        seen, _ = detector.voltages((volts * samples).astype(np.float32), detector.at_rest(source))
        above = seen.above[:, 0].astype(bool)
        changes_s = np.flatnonzero(np.diff(above, prepend=False)) / sample_rate_hz
        return _fires_s(case, changes_s, len(above) / sample_rate_hz), float(seen.storage_v.max())

    return run


def _smallest(fires: Callable[[float], bool], guess: float, *, resolution_db: float = RESOLUTION_DB) -> float:
    """Halve an interval in dB until it is as narrow as the resolution; return its middle."""
    step, low, high = 10.0 ** (0.1 / 20.0), guess, guess
    if fires(guess):
        while fires(low):
            low, high, step = low / step, low, step**2
    else:
        while not fires(high):
            low, high, step = high, high * step, step**2
    while 20.0 * math.log10(high / low) > resolution_db:
        middle = math.sqrt(low * high)
        low, high = (low, middle) if fires(middle) else (middle, high)
    return math.sqrt(low * high)


def crossings(board: Board, time_s: Floats, storage_v: Floats) -> tuple[Floats, float]:
    """Instants at which a comparator with hysteresis changes, straight lines between the points; the end."""
    changes: list[float] = []
    at = 0
    while True:
        waits, over = (board.lower_trip_v, False) if len(changes) % 2 else (board.upper_trip_v, True)
        passed = np.flatnonzero(storage_v[at:] > waits if over else storage_v[at:] <= waits)
        if not len(passed):
            return np.array(changes), float(time_s[-1])
        at += int(passed[0])
        before, after = storage_v[at - 1], storage_v[at]
        share = (waits - before) / (after - before)
        changes.append(float(time_s[at - 1] + share * (time_s[at] - time_s[at - 1])))


def _fires_s(case: Case, changes_s: Floats, end_s: float) -> float:
    """When the gate fires, from the closed form of an R-C that charges and empties with one time constant."""
    fraction = case.board.fire_fraction
    tau_s = -case.delay_s / math.log1p(-fraction)
    u, last_s = 0.0, 0.0
    for k, t in enumerate([*changes_s, end_s]):
        if k % 2:
            fires_s = last_s + tau_s * math.log((1.0 - u) / (1.0 - fraction))
            if fires_s <= t:
                return float(fires_s)
            u = 1.0 - (1.0 - u) * math.exp(-(t - last_s) / tau_s)
        else:
            u *= math.exp(-(t - last_s) / tau_s)
        last_s = t
    return math.inf


@dataclass(frozen=True)
class Differences:
    """Detector less simulator, case by case."""

    kind: tuple[str, ...]
    firing_time: Floats
    """As a share of the simulator's; inf: only one of them fires."""
    threshold_db: Floats
    peak_db: Floats

    def split(self) -> list[str]:
        """Return the cases that fire in one and not in the other, 2 % or more from a threshold."""
        beyond = 20.0 * math.log10(1.02)
        wrong = ~np.isfinite(self.firing_time) | (np.abs(self.threshold_db) > beyond)
        return [f"{self.kind[k]} {k}" for k in np.flatnonzero(wrong)]


def differences(drawn: Sequence[Case], stored: Mapping[str, Answer], sample_rate_hz: int) -> Differences:
    """Run the detector on the cases and compare it with the simulator's answers."""
    firing, threshold_db, peak_db = [], [], []
    for case in drawn:
        theirs = stored[case.digest]
        ours = detector_answer(case, sample_rate_hz, case.factor * theirs.threshold)
        firing.append(
            ours.fires_s / theirs.fires_s - 1.0
            if math.isfinite(ours.fires_s) and math.isfinite(theirs.fires_s)
            else math.inf
        )
        threshold_db.append(20.0 * math.log10(ours.threshold / theirs.threshold))
        peak_db.append(20.0 * math.log10(ours.peak_v / theirs.peak_v))
    kinds = tuple(case.kind for case in drawn)
    return Differences(kinds, np.array(firing), np.array(threshold_db), np.array(peak_db))


def stored_answers() -> dict[str, Answer]:
    """Return the simulator's answers by the digest of their case."""
    rows = json.loads(GOLDEN.read_text())
    return {row[0]: Answer(row[1], math.inf if row[2] is None else row[2], row[3]) for row in rows}


def main() -> None:
    """Solve every case by ngspice and write the golden file."""
    from .solver import default_board

    drawn = cases(default_board())

    def solve(case: Case) -> list[str | float | None]:
        found = simulator_answer(case, detector_threshold(case, 48_000))
        print(f"{case.kind:14} {found}", flush=True)
        fires_s = None if math.isinf(found.fires_s) else round(found.fires_s, 6)
        return [case.digest, float(f"{found.threshold:.6g}"), fires_s, round(found.peak_v, 5)]

    with ThreadPoolExecutor(2) as pool:
        rows = list(pool.map(solve, drawn))
    GOLDEN.write_text("[\n" + ",\n".join(json.dumps(row) for row in rows) + "\n]\n")


if __name__ == "__main__":
    main()
