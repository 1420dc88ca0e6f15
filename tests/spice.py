"""The board as a netlist for ngspice, and stimuli that both ngspice and numpy can make. For tests only.

Written part by part from the same `board.toml` as the package reads; nothing is shared with the detector but
the board's values. What is in the netlist:

- pickup: a voltage source behind the disc's capacitance, its load to the bias, the input's bias current, the
  input clamp as an ideal limit with 100 ohm;
- op-amp: open-loop gain-bandwidth and slew rate (an integrator whose current is limited), output limits 0 V
  and supply less headroom, the feedback network with its gain-leg capacitor as real parts, the output
  resistor after it;
- rectifier: D models with the board's Is and N at the board's temperature, capacitors, bleed.

The comparator's crossings are read off the storage waveform, straight lines between the simulator's points,
and the integrator is solved between them in closed form; `whole_netlist` has both as parts instead.
"""

import math
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board

Floats = NDArray[np.float64]

STEP_S = 20e-6
"""Longest step of the simulator."""


def ngspice() -> str | None:
    """Return the simulator's path, or None where it is not installed."""
    return shutil.which("ngspice")


@dataclass(frozen=True)
class Stimulus:
    """What the pickup feels, for an amplitude of 1: a sum of parts, each an envelope times a sine.

    Every part is `level * envelope(t) * sin(2 pi phase(t))`.
    """

    kind: str
    duration_s: float
    parts: tuple["Part", ...]

    def samples(self, sample_rate_hz: float) -> Floats:
        """Return the stimulus at the sample instants."""
        time_s = np.arange(round(self.duration_s * sample_rate_hz)) / sample_rate_hz
        return np.asarray(sum(part.at(time_s) for part in self.parts))

    def expression(self, amplitude: float) -> str:
        """Return the same as an expression of ngspice."""
        return f"{amplitude!r}*(" + "+".join(part.expression() for part in self.parts) + ")"


@dataclass(frozen=True)
class Part:
    """One sine with its envelope, from `start_s` on."""

    start_s: float
    hz: float
    level: float = 1.0
    phase: float = 0.0
    """In turns."""
    decay_s: float = math.inf
    """Dies away as exp(-t/decay_s)."""
    spin_s: float = 0.0
    """Frequency rises as 1 - exp(-t/spin_s) and amplitude as its square: a motor with an unbalance."""
    bursts: tuple[tuple[float, float], ...] = ()
    """(start, end) from `start_s`; straight ramps of RAMP_S at both; none: always on."""

    RAMP_S = 0.01

    def at(self, time_s: Floats) -> Floats:
        """Return the part at some instants."""
        t = np.maximum(time_s - self.start_s, 0.0)
        envelope = self.level * np.exp(-t / self.decay_s) * (time_s >= self.start_s)
        turns = self.hz * t + self.phase
        if self.spin_s:
            fall = np.exp(-t / self.spin_s)
            turns = self.hz * (t - self.spin_s * (1.0 - fall)) + self.phase
            envelope = envelope * (1.0 - fall) ** 2
        if self.bursts:
            envelope = envelope * np.interp(t, *self._gate())
        return np.asarray(envelope * np.sin(2.0 * math.pi * turns))

    def expression(self) -> str:
        """Return the same as an expression of ngspice (`time` from 0)."""
        t = f"max(time-{self.start_s!r},0)" if self.start_s else "time"
        factors = [repr(self.level)]
        if self.start_s:
            factors.append(f"u(time-{self.start_s!r})")
        if math.isfinite(self.decay_s):
            factors.append(f"exp(-{t}/{self.decay_s!r})")
        turns = f"{self.hz!r}*{t}+{self.phase!r}"
        if self.spin_s:
            rise = f"(1-exp(-{t}/{self.spin_s!r}))"
            turns = f"{self.hz!r}*({t}-{self.spin_s!r}*{rise})+{self.phase!r}"
            factors.append(f"{rise}*{rise}")
        if self.bursts:
            points = ",".join(f"{x!r},{y!r}" for x, y in zip(*self._gate()))
            factors.append(f"pwl({t},{points})")
        return "*".join(factors) + f"*sin({2.0 * math.pi!r}*({turns}))"

    def _gate(self) -> tuple[list[float], list[float]]:
        at, on = [0.0], [0.0]
        for start_s, end_s in self.bursts:
            at += [start_s + 1e-9, start_s + self.RAMP_S, end_s - self.RAMP_S, end_s]
            on += [0.0, 1.0, 1.0, 0.0]
        return [*at, at[-1] + 1e3], [*on, 0.0]


@dataclass(frozen=True)
class Waveform:
    """What the simulator found."""

    time_s: Floats
    amplifier_v: Floats
    storage_v: Floats
    integrator_v: Floats | None = None


def netlist(board: Board, gain: float, source: str, duration_s: float, *, step_s: float = STEP_S) -> str:
    """Return the circuit from pickup to storage capacitor as ngspice text."""
    a, r = board.amplifier, board.rectifier
    limit_v = board.supply.voltage.typ - a.headroom.typ
    bias_v = a.bias.typ
    input_v = bias_v + a.bias_current.typ * board.pickup.load.typ
    feedback_ohm = (gain - 1.0) * a.leg_resistor.typ
    # transconductance and capacitor of the compensated stage: GBW = g/(2 pi C), slew = I/C
    siemens = 1e-3
    compensation_f = siemens / (2.0 * math.pi * a.gain_bandwidth.typ)
    slew_a = a.slew_rate.typ * compensation_f
    resting_v = input_v + a.offset.typ
    output_ohm = 1e-3 if a.output_resistor is None else a.output_resistor.typ
    return f"""board
Bsrc src 0 V={source}
Cp src in {board.pickup.capacitance.typ!r} IC={-input_v!r}
Rload in bias {board.pickup.load.typ!r}
Vbias bias 0 {bias_v!r}
Iin 0 in {a.bias_current.typ!r}
Bclamp 0 in I=max({a.input_clamp.typ!r}-V(in),0)/100
Bgm 0 comp I=max(min({siemens!r}*(V(in)+{a.offset.typ!r}-V(inv)),{slew_a!r}),{-slew_a!r})
Ccomp comp 0 {compensation_f!r} IC={resting_v!r}
Blow 0 comp I=max(-V(comp),0)
Bhigh 0 comp I=-max(V(comp)-{limit_v!r},0)
Eout out 0 comp 0 1
Rf out inv {feedback_ohm!r}
Rleg inv leg {a.leg_resistor.typ!r}
Cleg leg 0 {a.leg_capacitor.typ!r} IC={resting_v!r}
Rout out drive {output_ohm!r}
Ccoupling drive x {r.coupling.typ!r} IC={resting_v!r}
Dclamp 0 x DIODE
Dseries x store DIODE
Cstore store 0 {r.storage.typ!r} IC=0
Rbleed store 0 {r.bleed.typ!r}
.model DIODE D(IS={r.diode_saturation.typ!r} N={r.diode_emission.typ!r})
.options TEMP={board.supply.temperature.typ!r} TNOM=25 RELTOL=1e-4 ABSTOL=1e-13
.tran {step_s!r} {duration_s!r} 0 {step_s!r} uic
.save v(out) v(store)
.end
"""


def whole_netlist(board: Board, gain: float, charging_ohm: float, source: str, duration_s: float) -> str:
    """Return the same with comparator and integrator as parts.

    The comparator is a smooth step of 20 uV between its two outputs, 10 us late, whose trip level its own
    output moves by the hysteresis; its low output is 0 V, as in the closed form.
    """
    high_v, half = board.comparator_high_v, 0.5 * board.comparator.hysteresis.typ
    trip = f"({board.reference_v!r}+{half!r}*(1-2*V(cmp)/{high_v!r}))"
    after = f"""Bcmp step 0 V={0.5 * high_v!r}*(1+tanh((V(store)-{trip})/20u))
Rcmp step cmp 1k
Ccmp cmp 0 10n IC=0
Ecmp high 0 cmp 0 1
Rint high int {charging_ohm!r}
Cint int 0 {board.integrator.capacitor.typ!r} IC=0
"""
    text = netlist(board, gain, source, duration_s)
    return text.replace(".model", after + ".model").replace(".save", ".save v(int)")


def run(text: str, duration_s: float) -> Waveform:
    """Simulate a netlist that saves v(out) and v(store).

    Raises
    ------
    RuntimeError
        If the simulator stops before the end.
    """
    program = ngspice()
    assert program is not None
    with TemporaryDirectory() as folder:
        circuit, raw = Path(folder) / "board.cir", Path(folder) / "board.raw"
        circuit.write_text(text)
        done = subprocess.run(
            [program, "-b", "-r", str(raw), str(circuit)], capture_output=True, text=True, check=False
        )
        if not raw.exists():
            raise RuntimeError(f"ngspice wrote nothing: {done.stdout[-500:]}{done.stderr[-500:]}")
        header, _, data = raw.read_bytes().partition(b"Binary:\n")
        listed = header.decode().partition("Variables:\n")[2].splitlines()
        names = [line.split()[1] for line in listed if line]
        table = np.frombuffer(data, dtype=np.float64).reshape(-1, len(names))
        columns = {name: column.copy() for name, column in zip(names, table.T, strict=True)}
    if columns["time"][-1] < duration_s * (1.0 - 1e-6):
        raise RuntimeError(f"ngspice stopped at {columns['time'][-1]} s: {done.stderr[-500:]}")
    integrator_v = columns.get("v(int)")
    return Waveform(columns["time"], columns["v(out)"], columns["v(store)"], integrator_v)


def simulate(
    board: Board, gain: float, stimulus: Stimulus, amplitude: float, *, step_s: float = STEP_S
) -> Waveform:
    """Simulate the board with a stimulus from its resting state."""
    text = netlist(board, gain, stimulus.expression(amplitude), stimulus.duration_s, step_s=step_s)
    return run(text, stimulus.duration_s)


def simulate_whole(
    board: Board, gain: float, charging_ohm: float, stimulus: Stimulus, amplitude: float
) -> Waveform:
    """Simulate the board with its comparator and its integrator."""
    text = whole_netlist(board, gain, charging_ohm, stimulus.expression(amplitude), stimulus.duration_s)
    return run(text, stimulus.duration_s)
