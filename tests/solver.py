"""The board as differential equations, for a stiff solver: the outside witness of the `circuit` detector.

Written from the schematic, not from the detector: every part is continuous in time, the diodes are
exponential (Shockley, with their reverse current), nothing is sampled. It is slow (about a second for a
second of sound), so its answers lie in `golden/circuit_solver.json`, made by this module's `main`:

    python -m tests.solver
"""

import json
import math
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board
from evalkit.board_file import default_board_toml

GOLDEN = Path(__file__).parent / "golden" / "circuit_solver.json"
RTOL, ATOL = 1e-6, 1e-9
WALL = 1e8
"""How hard the op-amp's output is stopped at its limits, 1/s: millivolts beyond, for microseconds."""


@dataclass(frozen=True)
class Part:
    """A tone that starts at an instant: steady, spinning up or dying away.

    The tone is amplitude * sin(phase). With `spin_s` the frequency rises as 1 - exp(-t/spin_s), as that of a
    motor under constant voltage does, and the amplitude as its square (rotating unbalance). With `decay_s`
    the amplitude dies away as exp(-t/decay_s).
    """

    start_s: float
    end_s: float
    hz: float
    amplitude: float = 1.0
    phase: float = 0.0
    spin_s: float = 0.0
    decay_s: float = math.inf

    def at(self, time_s: float) -> float:
        t = time_s - self.start_s
        if self.spin_s:
            slow = math.exp(-t / self.spin_s)
            turns = self.hz * (t - self.spin_s * (1.0 - slow))
            return self.amplitude * (1.0 - slow) ** 2 * math.sin(2.0 * math.pi * turns + self.phase)
        fade = math.exp(-t / self.decay_s)
        return self.amplitude * fade * math.sin(2.0 * math.pi * self.hz * t + self.phase)

    def along(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the same at many instants (numpy is slow at single ones, which the solver asks for)."""
        t = time_s - self.start_s
        if self.spin_s:
            slow = np.exp(-t / self.spin_s)
            turns = self.hz * (t - self.spin_s * (1.0 - slow))
            return np.asarray(self.amplitude * (1.0 - slow) ** 2 * np.sin(2.0 * np.pi * turns + self.phase))
        fade = np.exp(-t / self.decay_s)
        return np.asarray(self.amplitude * fade * np.sin(2.0 * np.pi * self.hz * t + self.phase))


@dataclass(frozen=True)
class Stimulus:
    """What the pickup feels, up to a factor, and at which gain and delay the box is asked about it."""

    name: str
    kind: str
    gain: float
    delay_s: float
    duration_s: float
    over_db: float
    """Level over the smallest at which the solver's gate fires."""
    parts: tuple[Part, ...]
    bias_v: float = 5.2
    """Where the amplifier's input rests: the default board's bias, or one near 0 V."""

    def edges(self) -> list[float]:
        """Instants at which the stimulus is not smooth, and its end."""
        inside = {t for p in self.parts for t in (p.start_s, p.end_s) if 0.0 < t < self.duration_s}
        return [*sorted(inside), self.duration_s]

    def over(self, start_s: float) -> Callable[[float], float]:
        """Return the stimulus from an edge to the next one."""
        on = [p for p in self.parts if p.start_s <= start_s < p.end_s]
        return lambda t: sum(p.at(t) for p in on)

    def samples(self, sample_rate_hz: int) -> NDArray[np.float64]:
        """Return the stimulus at the sample instants."""
        time_s = np.arange(int(self.duration_s * sample_rate_hz)) / sample_rate_hz
        out = np.zeros(len(time_s))
        for part in self.parts:
            on = (time_s >= part.start_s) & (time_s < part.end_s)
            out[on] += part.along(time_s[on])
        return out


def tone(hz: float, gain: float, over_db: float, seconds: float = 2.5) -> Stimulus:
    name = f"tone {hz:g} Hz, +{over_db:g} dB"
    return Stimulus(name, "tone", gain, 0.6, seconds, over_db, (Part(0.0, seconds, hz),))


def cadence(hz: float, on_s: float, off_s: float, n: int, gain: float, over_db: float) -> Stimulus:
    period = on_s + off_s
    parts = tuple(Part(k * period, k * period + on_s, hz) for k in range(n))
    name = f"cadence {on_s:g}/{off_s:g} s of {hz:g} Hz, +{over_db:g} dB"
    return Stimulus(name, "cadence", gain, 0.6, n * period, over_db, parts)


def spin_up(hz: float, spin_s: float, on_s: float, n: int, gain: float, over_db: float) -> Stimulus:
    """Bursts with a pause of 0.6 s in which the motor turns up from rest."""
    period = on_s + 0.6
    parts = tuple(Part(k * period, k * period + on_s, hz, spin_s=spin_s) for k in range(n))
    name = f"spin-up {1e3 * spin_s:g} ms to {hz:g} Hz, +{over_db:g} dB"
    return Stimulus(name, "spin-up", gain, 0.6, n * period, over_db, parts)


def taps(modes: Sequence[tuple[float, float, float]], spacing_s: float, n: int, gain: float, delay_s: float,
         over_db: float) -> Stimulus:  # fmt: skip
    """Contact impulses into modes of (Hz, amplitude, decay time)."""
    parts = tuple(
        Part(k * spacing_s, (n + 1) * spacing_s, hz, amplitude, decay_s=decay_s)
        for k in range(n)
        for hz, amplitude, decay_s in modes
    )
    name = f"{n} taps into {modes[0][0]:g} Hz, +{over_db:g} dB"
    return Stimulus(name, "tap", gain, delay_s, (n + 1) * spacing_s, over_db, parts)


def noisy(
    hz: float, low_hz: float, high_hz: float, noise: float, gain: float, over_db: float, seed: int
) -> Stimulus:
    """A tone in band-limited noise: 30 sines of random frequency and phase; `noise` is RMS over RMS."""
    rng = np.random.default_rng(seed)
    seconds, n = 2.0, 30
    amplitude = noise / math.sqrt(n)
    parts = tuple(
        Part(0.0, seconds, float(f), amplitude, float(phase))
        for f, phase in zip(rng.uniform(low_hz, high_hz, n), rng.uniform(0.0, 2.0 * math.pi, n))
    )
    name = f"tone {hz:g} Hz in noise {low_hz:g}-{high_hz:g} Hz, +{over_db:g} dB"
    return Stimulus(name, "noise", gain, 0.6, seconds, over_db, (Part(0.0, seconds, hz), *parts))


def near_zero(stimulus: Stimulus) -> Stimulus:
    """The same for a board that rests at 0.1 V, so that lower half-waves are clipped, the input's too."""
    return replace(stimulus, name=f"{stimulus.name}, bias 0.1 V", kind="near 0 V", bias_v=0.1)


_LID = ((140.0, 1.0, 0.18), (390.0, 0.6, 0.08), (1150.0, 0.4, 0.03))
_BIN = ((210.0, 1.0, 0.25), (610.0, 0.8, 0.06))

STIMULI = (
    tone(100.0, 800.0, 1.5),
    tone(120.0, 40.0, 3.0),
    tone(150.0, 300.0, 6.0),
    tone(175.0, 100.0, 2.0),
    tone(200.0, 600.0, 12.0),
    tone(225.0, 12.0, 1.5),
    tone(165.0, 8.0, 12.0),
    tone(250.0, 200.0, 20.0),
    cadence(175.0, 0.4, 0.2, 5, 150.0, 2.0),
    cadence(160.0, 1.0, 0.5, 3, 60.0, 1.5),
    cadence(190.0, 0.8, 1.2, 2, 500.0, 6.0),
    cadence(130.0, 0.3, 0.1, 6, 25.0, 4.0),
    cadence(220.0, 0.25, 0.25, 6, 250.0, 10.0),
    spin_up(175.0, 0.05, 1.2, 2, 120.0, 2.0),
    spin_up(200.0, 0.08, 1.5, 1, 400.0, 1.5),
    spin_up(140.0, 0.10, 1.0, 3, 50.0, 5.0),
    spin_up(230.0, 0.06, 0.7, 3, 900.0, 8.0),
    taps(_LID, 0.8, 1, 100.0, 0.1, 3.0),
    taps(_BIN, 0.8, 1, 300.0, 0.1, 6.0),
    taps(_LID, 0.25, 5, 200.0, 0.3, 2.0),
    taps(_BIN, 0.4, 4, 60.0, 0.4, 10.0),
    noisy(175.0, 30.0, 400.0, 0.3, 150.0, 2.0, 1),
    noisy(150.0, 50.0, 1000.0, 0.5, 400.0, 4.0, 2),
    noisy(200.0, 20.0, 150.0, 0.7, 80.0, 3.0, 3),
    noisy(185.0, 100.0, 2500.0, 0.4, 250.0, 1.5, 4),
    near_zero(tone(175.0, 60.0, 3.0)),
    near_zero(cadence(160.0, 0.4, 0.2, 5, 20.0, 6.0)),
    near_zero(taps(_BIN, 0.4, 4, 15.0, 0.2, 4.0)),
    tone(175.0, 200.0, 0.3),
    tone(140.0, 30.0, 0.7),
    cadence(175.0, 0.4, 0.2, 5, 150.0, 0.5),
    spin_up(175.0, 0.05, 1.2, 2, 120.0, 0.5),
    taps(_LID, 0.8, 1, 100.0, 0.1, 1.0),
    noisy(175.0, 30.0, 400.0, 0.3, 150.0, 0.7, 1),
)  # fmt: skip

THRESHOLD_GAINS = (800.0, 200.0, 50.0, 12.0)


def guesses_v() -> dict[str, float]:
    """Return the thresholds of the file that is there: where the search for those of today begins."""
    if not GOLDEN.exists():
        return {}
    document = json.loads(GOLDEN.read_text())
    found = {f"{each['gain']:g}": each["threshold_v"] for each in document["thresholds"]}
    return found | {each["name"]: each["threshold_v"] for each in document["stimuli"]}


@dataclass(frozen=True)
class Circuit:
    """The board's typical values, as the equations use them."""

    pickup_f: float
    load_ohm: float
    bias_v: float
    bias_a: float
    """Flows out of the amplifier's input."""
    clamp_v: float
    unity_w: float
    """2 pi times the gain-bandwidth product."""
    offset_v: float
    gain: float
    leg_ohm: float
    leg_f: float
    limit_v: float
    output_ohm: float
    """In series with the amplifier's output, outside its feedback; 0: none."""
    coupling_f: float
    storage_f: float
    bleed_ohm: float
    saturation_a: float
    scale_v: float
    upper_v: float
    lower_v: float

    @classmethod
    def of(cls, board: Board, gain: float) -> "Circuit":
        b, a, r = board, board.amplifier, board.rectifier
        assert a.leg_capacitor is not None
        kelvins = b.supply.temperature.typ + 273.15
        reference = b.supply.voltage.typ * b.comparator.divider_bottom.typ
        reference /= b.comparator.divider_top.typ + b.comparator.divider_bottom.typ
        half = b.comparator.hysteresis.typ / 2.0
        return cls(
            pickup_f=b.pickup.capacitance.typ,
            load_ohm=b.pickup.load.typ,
            bias_v=a.bias.typ,
            bias_a=a.bias_current.typ,
            clamp_v=a.input_clamp.typ,
            unity_w=2.0 * math.pi * a.gain_bandwidth.typ,
            offset_v=a.offset.typ,
            gain=gain,
            leg_ohm=a.leg_resistor.typ,
            leg_f=a.leg_capacitor.typ,
            limit_v=b.supply.voltage.typ - a.headroom.typ,
            output_ohm=0.0 if a.output_resistor is None else a.output_resistor.typ,
            coupling_f=r.coupling.typ,
            storage_f=r.storage.typ,
            bleed_ohm=r.bleed.typ,
            saturation_a=r.diode_saturation.typ,
            scale_v=r.diode_emission.typ * 1.380649e-23 * kelvins / 1.602176634e-19,
            upper_v=reference + half,
            lower_v=reference - half,
        )

    def slope(
        self, stimulus: Callable[[float], float]
    ) -> Callable[[float, NDArray[np.float64]], list[float]]:
        """Return the right-hand side, of the voltages on pickup, amplifier output, leg, coupling and storage.

        The op-amp is an integrator of its input difference (gain-bandwidth product) that stops at its limits;
        its feedback divider, leg resistor and leg capacitor are the parts on the board. The clamp is 100 ohm
        to its level. Of the two diodes one at a time conducts, through the output's resistor.
        """
        c = self
        exp, log = math.exp, math.log
        scale_a = c.scale_v / max(c.output_ohm, 1e-3)
        saturated = log(c.saturation_a / scale_a) + c.saturation_a / scale_a

        def diode_a(volts: float) -> float:
            """Current I of a diode and the resistor: volts = I R + n Vt ln(1 + I/Is), by Lambert's W."""
            z = volts / c.scale_v + saturated
            if z < -30.0:
                return scale_a * exp(z) - c.saturation_a
            w = exp(z) if z < 0.0 else z - log(z) if z > 3.0 else 0.6 + 0.4 * z
            for _ in range(6):
                # Newton's method on w + ln w = z
                step = w * (z - w - log(w)) / (1.0 + w)
                w += step if step > -0.9 * w else -0.9 * w
                if abs(step) < 1e-13 * w:
                    break
            return scale_a * w - c.saturation_a

        def slope(t: float, y: NDArray[np.float64]) -> list[float]:
            pickup, output, leg, coupling, storage = y.tolist()
            x = stimulus(t) - pickup
            into_load = (x - c.bias_v) / c.load_ohm - c.bias_a - max(c.clamp_v - x, 0.0) / 100.0
            out = min(max(output, 0.0), c.limit_v)
            through_leg = (out - leg) / (c.gain * c.leg_ohm)
            inverting = leg + through_leg * c.leg_ohm
            rise = c.unity_w * (x + c.offset_v - inverting)
            rise -= WALL * (output - out)
            node = out - coupling
            into_storage = diode_a(node - storage)
            return [
                into_load / c.pickup_f,
                rise,
                through_leg / c.leg_f,
                (into_storage - diode_a(-node)) / c.coupling_f,
                (into_storage - storage / c.bleed_ohm) / c.storage_f,
            ]

        return slope

    def at_rest(self) -> list[float]:
        input_v = self.bias_v + self.bias_a * self.load_ohm
        resting = input_v + self.offset_v
        return [-input_v, resting, resting, resting, 0.0]


@dataclass(frozen=True)
class Solution:
    """Where the storage voltage passed the trip levels, with the comparator's hysteresis."""

    switches_s: tuple[float, ...]
    """Up, down, up, ..."""
    fires_s: float
    """When the integrator fires the gate; inf: never."""
    final_v: float


def solve(
    circuit: Circuit, stimulus: Stimulus, amplitude: float, integrator: tuple[float, float],
    *, method: str = "LSODA", rtol: float = RTOL, until_fired: bool = False,
) -> Solution:  # fmt: skip
    """Solve the board's equations; `integrator` is (tau, fire fraction)."""
    from scipy.integrate import solve_ivp

    def up(_: float, y: NDArray[np.float64]) -> float:
        return float(y[4]) - circuit.upper_v

    def down(_: float, y: NDArray[np.float64]) -> float:
        return float(y[4]) - circuit.lower_v

    up.direction, down.direction = 1.0, -1.0  # type: ignore[attr-defined]
    shortest = 1.0 / max(p.hz for p in stimulus.parts)
    y = np.array(circuit.at_rest())
    switches: list[float] = []
    fires, start_s = math.inf, 0.0
    for end_s in stimulus.edges():
        f = stimulus.over(start_s)
        found = solve_ivp(
            circuit.slope(lambda t, f=f: amplitude * f(t)),
            (start_s, end_s),
            y,
            method=method,
            rtol=rtol,
            atol=ATOL,
            max_step=shortest / 8.0,
            events=(up, down),
        )
        assert found.success, found.message
        changes = sorted([(t, True) for t in found.t_events[0]] + [(t, False) for t in found.t_events[1]])
        for t, above in changes:
            if above == (len(switches) % 2 == 0):
                switches.append(float(t))
        y, start_s = found.y[:, -1], end_s
        fires = fire_time(switches, end_s, *integrator)
        if until_fired and fires < math.inf:
            break
    return Solution(tuple(switches), fires, float(y[4]))


def fire_time(switches_s: Sequence[float], end_s: float, tau_s: float, fraction: float) -> float:
    """Return when an R-C integrator that the switches drive reaches `fraction`, in closed form."""
    u, last_s = 0.0, 0.0
    for k, t in enumerate([*switches_s, end_s]):
        if k % 2 == 1:
            fires = last_s + tau_s * math.log((1.0 - u) / (1.0 - fraction))
            if fires <= t:
                return fires
            u = 1.0 - (1.0 - u) * math.exp(-(t - last_s) / tau_s)
        else:
            u *= math.exp(-(t - last_s) / tau_s)
        last_s = t
    return math.inf


def default_board() -> Board:
    """Return the board of a new dataset."""
    from tempfile import TemporaryDirectory

    from evalkit.board_file import read_board

    with TemporaryDirectory() as folder:
        path = Path(folder) / "board.toml"
        path.write_text(default_board_toml(), encoding="utf-8")
        return read_board(path)


def integrator_of(board: Board, delay_s: float) -> tuple[float, float]:
    """Return (tau, fire fraction) of the gate at the board's supply: straight lines between its rows."""
    rows = [row.typ for row in board.gate.positive_one_input]
    fires_v = float(np.interp(board.supply.voltage.typ, board.gate.supplies_v, rows))
    fraction = fires_v / (board.supply.voltage.typ - board.comparator.headroom.typ)
    return -delay_s / math.log(1.0 - fraction), fraction


def smallest(holds: Callable[[float], bool], guess: float, resolution_db: float) -> float:
    """Return the smallest amplitude for which `holds`, by halving an interval in dB."""
    step = 10.0 ** (0.08 / 20.0)
    high = guess
    while not holds(high):
        high *= step
        step *= step
    low = high / step
    while holds(low):
        low, high = low / step, low
        step *= step
    while 20.0 * math.log10(high / low) > resolution_db:
        middle = math.sqrt(low * high)
        low, high = (low, middle) if holds(middle) else (middle, high)
    return high


def tone_holds(circuit: Circuit, amplitude: float) -> bool:
    """Whether a steady 175 Hz tone holds the comparator high without a break from 5 s on."""
    steady = Stimulus("", "tone", circuit.gain, 1.0, 5.25, 0.0, (Part(0.0, 5.25, 175.0),))
    found = solve(circuit, steady, amplitude, (1.0, 0.5))
    return len(found.switches_s) % 2 == 1 and found.switches_s[-1] <= 5.0


def _threshold(gain: float) -> dict[str, float]:
    circuit = Circuit.of(default_board(), gain)
    volts = smallest(lambda a: tone_holds(circuit, a), guesses_v().get(f"{gain:g}", 1.45 / gain), 0.01)
    return {"gain": gain, "threshold_v": volts}


def board_of(stimulus: Stimulus) -> Board:
    """Return the default board with the stimulus's bias."""
    board = default_board()
    bias = replace(board.amplifier.bias, typ=stimulus.bias_v)
    return replace(board, amplifier=replace(board.amplifier, bias=bias))


def answer(stimulus: Stimulus) -> dict[str, Any]:
    """Find the stimulus's threshold, and what the board does at its level over that."""
    board = board_of(stimulus)
    circuit, integrator = Circuit.of(board, stimulus.gain), integrator_of(board, stimulus.delay_s)
    threshold = smallest(
        lambda a: solve(circuit, stimulus, a, integrator, until_fired=True).fires_s < math.inf,
        guesses_v().get(stimulus.name, 1.45 / stimulus.gain),
        0.02,
    )
    amplitude = threshold * 10.0 ** (stimulus.over_db / 20.0)
    found = solve(circuit, stimulus, amplitude, integrator)
    return {
        "name": stimulus.name,
        "threshold_v": threshold,
        "amplitude_v": amplitude,
        "fires_s": round(found.fires_s, 8),
        "switches_s": [round(t, 8) for t in found.switches_s],
        "final_v": round(found.final_v, 7),
    }


def solved_board() -> dict[str, float]:
    """Return the values that the answers are for: the default board's, at a gain of 100."""
    return asdict(Circuit.of(default_board(), 100.0))


def main() -> None:
    """Solve everything and write the golden file."""
    with ProcessPoolExecutor(2) as pool:
        thresholds = list(pool.map(_threshold, THRESHOLD_GAINS))
        answers = list(pool.map(answer, STIMULI))
    document = {"board": solved_board(), "thresholds": thresholds, "stimuli": answers}
    GOLDEN.write_text(json.dumps(document, indent=1) + "\n")


if __name__ == "__main__":
    main()
