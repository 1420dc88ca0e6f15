"""The circuit's values, in SI units, and the figures that follow from them.

A board is nine groups of part values. Each value is a `Value`: typical,
lowest, highest and where it comes from. Everything that computes takes the
typical one (`.typ`); a built board is the same dataclass with other typicals.
"""

import dataclasses
import hashlib
import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Any

__all__ = [
    "Board",
    "HoldKind",
    "Load",
    "Value",
    "Wiring",
    "board_sha256",
]

BOLTZMANN_OVER_CHARGE = 8.617333262e-5
"""Thermal voltage per kelvin, V/K (CODATA 2018, exact by the SI)."""
_KELVINS_AT_0_C = 273.15
_SHEET_C = 25.0
"""Temperature for which a diode's figures are given."""
_BAND_GAP_V = 1.11
_SATURATION_EXPONENT = 3.0
"""Of silicon, in the temperature law of circuit simulators' diode models (EG and XTI; from memory)."""


class HoldKind(StrEnum):
    """How the alert goes on after the gate has fired (design, section 2)."""

    AFTER_RELEASE = "after-release"
    ONE_SHOT = "one-shot"
    ONE_SHOT_HELD = "one-shot-held"
    NONE = "none"


class Load(StrEnum):
    """What the alert drives."""

    SOUNDER = "sounder"
    LAMP = "lamp"
    RELAY = "relay"


class Wiring(StrEnum):
    """Which row of the gate's datasheet holds: data sheets give one for each wiring."""

    ONE_INPUT = "one-input"
    TIED = "tied"


@dataclass(frozen=True)
class Value:
    """One part value or datasheet figure, SI units."""

    typ: float
    """Typical (nominal) value."""
    low: float
    """Lowest value that a good part may have."""
    high: float
    """Highest value that a good part may have."""
    source: str = ""
    """Datasheet, marking or "common practice"; empty where the user gave none."""

    def refitted(self, typ: float) -> "Value":
        """Return another part of the same tolerance in its place."""
        if self.typ <= 0.0:
            return Value(typ, typ, typ, "recommended")
        return Value(typ, typ * self.low / self.typ, typ * self.high / self.typ, "recommended")


Farads = Annotated[Value, "F"]
Ohms = Annotated[Value, "ohm"]
Hertz = Annotated[Value, "Hz"]
VoltsPerSecond = Annotated[Value, "V/s"]
Volts = Annotated[Value, "V"]
Amperes = Annotated[Value, "A"]
Celsius = Annotated[Value, "degC"]
Ratio = Annotated[Value, ""]


@dataclass(frozen=True)
class Pickup:
    """Contact pickup: a capacitance that drives a load resistor."""

    capacitance: Farads
    load: Ohms

    @property
    def corner_hz(self) -> float:
        """Corner of the high-pass that the disc makes with its load, Hz."""
        return 1.0 / (2.0 * math.pi * self.load.typ * self.capacitance.typ)


@dataclass(frozen=True)
class Amplifier:
    """Non-inverting amplifier; its gain knob is the sensitivity knob."""

    leg_resistor: Ohms
    leg_capacitor: Farads | None
    feedback_fixed: Ohms
    feedback_pot: Ohms
    gain_bandwidth: Hertz
    slew_rate: VoltsPerSecond
    headroom: Volts
    output_resistor: Ohms | None
    bias: Volts
    offset: Volts
    bias_current: Amperes
    input_clamp: Volts

    @property
    def gain_min(self) -> float:
        """Gain above the leg's corner with the pot at its low end."""
        return 1.0 + self.feedback_fixed.typ / self.leg_resistor.typ

    @property
    def gain_max(self) -> float:
        """Gain above the leg's corner with the pot at its high end."""
        return 1.0 + (self.feedback_fixed.typ + self.feedback_pot.typ) / self.leg_resistor.typ


@dataclass(frozen=True)
class Rectifier:
    """Coupling capacitor, clamp diode, series diode, storage capacitor, bleed."""

    coupling: Farads
    storage: Farads
    bleed: Ohms
    diode_saturation: Amperes
    diode_emission: Ratio

    @property
    def storage_tau_s(self) -> float:
        """Time constant with which the storage capacitor bleeds, s."""
        return self.storage.typ * self.bleed.typ


@dataclass(frozen=True)
class Comparator:
    """Comparator: a divider from the supply sets the reference."""

    divider_top: Ohms
    divider_bottom: Ohms
    hysteresis: Volts
    headroom: Volts
    output_low: Volts
    sink_limit: Amperes
    reference_measured: Volts | None
    output_high_measured: Volts | None


@dataclass(frozen=True)
class Integrator:
    """R-C integrator; its pot is the delay knob."""

    fixed: Ohms
    pot: Ohms
    capacitor: Farads
    leakage: Amperes
    discharge_resistor: Ohms | None
    pot_measured: Ohms | None


@dataclass(frozen=True)
class Gate:
    """Schmitt gate: thresholds at the supplies that its sheet lists."""

    wiring: Wiring
    supplies_v: tuple[float, ...]
    positive_one_input: tuple[Value, ...]
    negative_one_input: tuple[Value, ...]
    positive_tied: tuple[Value, ...]
    negative_tied: tuple[Value, ...]
    output_current: Amperes
    unused_inputs_tied: bool
    positive_measured: Volts | None
    negative_measured: Volts | None


@dataclass(frozen=True)
class Hold:
    """What keeps the alert on: kind, resistor, capacitor, charging diode."""

    kind: HoldKind
    resistor: Ohms
    capacitor: Farads
    diode_drop: Volts


@dataclass(frozen=True)
class Output:
    """Sounder, lamp or relay with its transistor."""

    load: Load
    current: Amperes
    transistor_gain: Ratio
    base_resistor: Ohms
    base_drop: Volts
    flyback_diode: bool


@dataclass(frozen=True)
class Supply:
    """Supply and the temperature that the diodes work at."""

    voltage: Volts
    temperature: Celsius


@dataclass(frozen=True)
class Board:
    """The whole circuit. Derived figures are nominal, SI units."""

    supply: Supply
    pickup: Pickup
    amplifier: Amplifier
    rectifier: Rectifier
    comparator: Comparator
    integrator: Integrator
    gate: Gate
    hold: Hold
    output: Output

    @property
    def output_limit_v(self) -> float:
        """Highest voltage that the amplifier's output reaches."""
        return self.supply.voltage.typ - self.amplifier.headroom.typ

    @property
    def resting_input_v(self) -> float:
        """Amplifier input with no vibration: its bias, and what its bias current adds in the pickup's load.

        The current of a PNP input stage flows out of the input, so it lifts the node.
        """
        return self.amplifier.bias.typ + self.amplifier.bias_current.typ * self.pickup.load.typ

    @property
    def resting_output_v(self) -> float:
        """Amplifier output with no vibration, with the gain knob at its low end."""
        return self.resting_v(self.amplifier.gain_min)

    @property
    def reference_v(self) -> float:
        """Voltage that the comparator compares with."""
        c = self.comparator
        if c.reference_measured is not None:
            return c.reference_measured.typ
        return self.supply.voltage.typ * c.divider_bottom.typ / (c.divider_top.typ + c.divider_bottom.typ)

    @property
    def upper_trip_v(self) -> float:
        """Storage voltage above which the comparator goes high."""
        return self.reference_v + 0.5 * self.comparator.hysteresis.typ

    @property
    def lower_trip_v(self) -> float:
        """Storage voltage at or below which the comparator goes low again."""
        return self.reference_v - 0.5 * self.comparator.hysteresis.typ

    @property
    def comparator_high_v(self) -> float:
        """Comparator's high output, Voh: what charges the integrator."""
        c = self.comparator
        if c.output_high_measured is not None:
            return c.output_high_measured.typ
        return self.supply.voltage.typ - c.headroom.typ

    @property
    def reference_key(self) -> str:
        """Key of board.toml that makes the reference."""
        return "divider_bottom" if self.comparator.reference_measured is None else "reference_measured"

    @property
    def gate_positive_key(self) -> str:
        """Key of board.toml that makes the gate's positive threshold."""
        if self.gate.positive_measured is not None:
            return "positive_measured"
        return "positive_one_input" if self.gate.wiring is Wiring.ONE_INPUT else "positive_tied"

    @property
    def gate_negative_key(self) -> str:
        """Key of board.toml that makes the gate's negative threshold."""
        if self.gate.negative_measured is not None:
            return "negative_measured"
        return "negative_one_input" if self.gate.wiring is Wiring.ONE_INPUT else "negative_tied"

    @property
    def gate_positive_v(self) -> float:
        """Gate threshold for a rising input, VT+, at the supply and for the wiring."""
        g = self.gate
        if g.positive_measured is not None:
            return g.positive_measured.typ
        rows = g.positive_one_input if g.wiring is Wiring.ONE_INPUT else g.positive_tied
        return _interpolate(self.supply.voltage.typ, g.supplies_v, [row.typ for row in rows])

    @property
    def gate_negative_v(self) -> float:
        """Gate threshold for a falling input, VT-, at the supply and for the wiring."""
        g = self.gate
        if g.negative_measured is not None:
            return g.negative_measured.typ
        rows = g.negative_one_input if g.wiring is Wiring.ONE_INPUT else g.negative_tied
        return _interpolate(self.supply.voltage.typ, g.supplies_v, [row.typ for row in rows])

    @property
    def fire_fraction(self) -> float:
        """a = VT+/Voh: share of full charge at which the gate fires; 1 or more means never."""
        return self.gate_positive_v / self.comparator_high_v

    @property
    def release_fraction(self) -> float:
        """b = VT-/Voh: share of full charge at which the gate lets go."""
        return self.gate_negative_v / self.comparator_high_v

    @property
    def discharge_s(self) -> float:
        """Time constant of the integrator's discharge path by itself, its diode ideal; inf: there is none."""
        path = self.integrator.discharge_resistor
        return math.inf if path is None else path.typ * self.integrator.capacitor.typ

    @property
    def hold_s(self) -> float:
        """Time that the alert goes on, by the hold's kind (design, section 2)."""
        h = self.hold
        rc = h.resistor.typ * h.capacitor.typ
        if h.kind is HoldKind.AFTER_RELEASE:
            return rc * math.log((self.supply.voltage.typ - h.diode_drop.typ) / self.gate_negative_v)
        if h.kind is HoldKind.NONE:
            return 0.0
        return rc * math.log(3.0)

    @property
    def diode_scale_v(self) -> float:
        """n Vt, the voltage over which a diode's current grows e-fold."""
        kelvins = self.supply.temperature.typ + _KELVINS_AT_0_C
        return self.rectifier.diode_emission.typ * BOLTZMANN_OVER_CHARGE * kelvins

    @property
    def diode_saturation_a(self) -> float:
        """Saturation current at the board's temperature; the part's own is that at 25 degC.

        Is (T/T0)^(XTI/n) exp((T/T0 - 1) EG/(n kT/q)): a drop falls by some 2 mV for each degree.
        """
        emission = self.rectifier.diode_emission.typ
        ratio = (self.supply.temperature.typ + _KELVINS_AT_0_C) / (_SHEET_C + _KELVINS_AT_0_C)
        growth = (ratio - 1.0) * _BAND_GAP_V / self.diode_scale_v
        at_sheet = self.rectifier.diode_saturation.typ
        return float(at_sheet * ratio ** (_SATURATION_EXPONENT / emission) * math.exp(growth))

    @property
    def warmup_s(self) -> float:
        """Start of a recording that is never scored: 5 of the slowest time constants, at least 1 s."""
        leg = self.amplifier.leg_capacitor
        slowest = max(
            self.rectifier.storage_tau_s,
            self.pickup.capacitance.typ * self.pickup.load.typ,
            0.0 if leg is None else self.amplifier.leg_resistor.typ * leg.typ,
        )
        return max(1.0, 5.0 * slowest)

    def resting_v(self, gain: float) -> float:
        """Return the amplifier's output with no vibration, within its limits.

        A capacitor in the gain leg makes the gain for direct current 1; without it, input and offset are
        amplified like everything else.
        """
        level = self.resting_input_v + self.amplifier.offset.typ
        if self.amplifier.leg_capacitor is None:
            level *= gain
        return min(max(level, 0.0), self.output_limit_v)

    def delay_s(self, resistance_ohm: float) -> float:
        """Return the integrator's delay for a charging resistance, s; inf where the gate never fires."""
        if self.fire_fraction >= 1.0:
            return math.inf
        return -resistance_ohm * self.integrator.capacitor.typ * math.log1p(-self.fire_fraction)

    def gain_resistance_ohm(self, gain: float) -> float:
        """Return the feedback resistance (fixed part and pot together) that gives `gain`."""
        return (gain - 1.0) * self.amplifier.leg_resistor.typ


def _interpolate(x: float, xs: tuple[float, ...], ys: list[float]) -> float:
    """Piecewise linear, the end pieces continued: thresholds grow nearly in proportion to the supply."""
    if len(xs) == 1:
        return ys[0] * x / xs[0]
    i = max(0, min(len(xs) - 2, next((k for k in range(len(xs) - 1) if x <= xs[k + 1]), len(xs) - 2)))
    return ys[i] + (ys[i + 1] - ys[i]) * (x - xs[i]) / (xs[i + 1] - xs[i])


def board_sha256(board: Board) -> str:
    """Return a digest of every value that computes (sources, being words, do not count)."""

    def plain(value: Any) -> Any:
        if isinstance(value, Value):
            return (value.typ, value.low, value.high)
        if dataclasses.is_dataclass(value):
            return [(f.name, plain(getattr(value, f.name))) for f in dataclasses.fields(value)]
        if isinstance(value, tuple):
            return [plain(v) for v in value]
        return str(value) if isinstance(value, StrEnum) else value

    return hashlib.sha256(repr(plain(board)).encode()).hexdigest()
