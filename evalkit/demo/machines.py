"""The nuisances with a motor, and the stand-in: compressor, grinder, tram, shaver.

Each is a `Source`; forces named in newtons are those that reach the lid before
the scene's level for that machine is applied. Every figure is invented.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import butter, sosfilt

from evalkit.demo.rotor import AUDIBLE_DB, RENDERED_DB, Rotor

__all__ = ["Compressor", "Grinder", "Shaver", "Tram"]

Floats = npt.NDArray[np.float64]

_MAINS_HZ = 50.0
# induction motors turn a few per cent slower than the mains field: 25 and 50 turns a second here
_FOUR_POLE = Rotor(speed_hz=24.3, spin_up_s=0.35, coast_down_s=0.45)
_TWO_POLE = Rotor(speed_hz=49.0, spin_up_s=0.6, coast_down_s=4.0)


@dataclass(frozen=True)
class Compressor:
    """A piston compressor across the room, driven by a four-pole induction motor.

    Its force is the sum of a slider-crank's shaking, w^2 (cos a + ratio cos 2a); a
    push for each compression stroke that grows as the tank fills; and the motor's
    magnetic hum at twice the mains, strong while it starts. Floor and bench pass it
    on through a second-order low-pass.
    """

    run_s: float
    """Time for which the motor has current."""
    rotor: Rotor = _FOUR_POLE
    shake_n: float = 1.0
    crank_ratio: float = 0.25
    """Crank's radius over the connecting rod's length."""
    stroke_n: float = 1.6
    hum_n: float = 0.35
    floor_hz: float = 150.0

    @property
    def end_s(self) -> float:
        """End of the audible coast-down."""
        return self.run_s + self.rotor.coasting_s(AUDIBLE_DB)

    @property
    def duration_s(self) -> float:
        """To where the coast-down is far below anything that matters."""
        return self.run_s + self.rotor.coasting_s(RENDERED_DB)

    def force_n(self, rng: np.random.Generator, sample_rate_hz: int) -> Floats:
        """Return the force of one run, coast-down included."""
        force = np.zeros(round(self.duration_s * sample_rate_hz))
        start_angle = rng.uniform(0.0, 2.0 * math.pi)
        full = 2.0 * math.pi * self.rotor.speed_hz
        for first, angle, speed, _ in self.rotor.turn([(0.0, self.run_s)], len(force), sample_rate_hz):
            here = slice(first, first + len(angle))
            share = (speed / full) ** 2
            along = np.cos(angle + start_angle)
            shake = share * (along + self.crank_ratio * (2.0 * along**2 - 1.0))
            times = np.arange(here.start, here.stop) / sample_rate_hz
            filling = 0.7 + 0.3 * np.minimum(times / self.run_s, 1.0)
            # the gas pushes back over the last part of each stroke
            stroke = speed / full * filling * np.exp(8.0 * (along - 1.0))
            force[here] = self.shake_n * shake + self.stroke_n * stroke
        _add_hum(force, self.run_s, self.rotor.spin_up_s, self.hum_n, sample_rate_hz)
        return _through_ground(force, self.floor_hz, sample_rate_hz)


@dataclass(frozen=True)
class Grinder:
    """A bench grinder on the same bench: a two-pole induction motor with two wheels.

    Unbalance at the rotor's speed and its double, magnetic hum at twice the mains, a
    long coast-down, and, while something is held to the wheel, broadband contact
    noise that swells once a turn.
    """

    run_s: float
    """Time for which the motor has current."""
    contacts: tuple[tuple[float, float], ...]
    """Times at which something is ground, (start_s, end_s)."""
    rotor: Rotor = _TWO_POLE
    unbalance_n: float = 0.5
    hum_n: float = 0.25
    contact_n: float = 2.0
    """Root mean square of the contact noise."""

    @property
    def end_s(self) -> float:
        """End of the audible coast-down."""
        return self.run_s + self.rotor.coasting_s(AUDIBLE_DB)

    @property
    def duration_s(self) -> float:
        """To where the coast-down is far below anything that matters."""
        return self.run_s + self.rotor.coasting_s(RENDERED_DB)

    def force_n(self, rng: np.random.Generator, sample_rate_hz: int) -> Floats:
        """Return the force of one run, coast-down included."""
        force = np.zeros(round(self.duration_s * sample_rate_hz))
        once_a_turn = np.zeros(len(force))
        start_angle = rng.uniform(0.0, 2.0 * math.pi)
        full = 2.0 * math.pi * self.rotor.speed_hz
        for first, angle, speed, _ in self.rotor.turn([(0.0, self.run_s)], len(force), sample_rate_hz):
            here = slice(first, first + len(angle))
            once_a_turn[here] = np.sin(angle + start_angle)
            twice_a_turn = 2.0 * once_a_turn[here] * np.cos(angle + start_angle)
            force[here] = self.unbalance_n * (speed / full) ** 2 * (once_a_turn[here] + 0.3 * twice_a_turn)
        _add_hum(force, self.run_s, self.rotor.spin_up_s, self.hum_n, sample_rate_hz)
        for start, end in self.contacts:
            here = slice(round(start * sample_rate_hz), round(end * sample_rate_hz))
            n = here.stop - here.start
            noise = _band_noise(rng, n, 150.0, 2_500.0, sample_rate_hz)
            pressure = _wavering(rng, n, 1.0, 1.5, sample_rate_hz)
            ramp = np.minimum(np.arange(n) / (0.1 * sample_rate_hz), 1.0)
            swell = np.minimum(ramp, ramp[::-1]) * (1.0 + 0.4 * once_a_turn[here])
            force[here] += self.contact_n * noise * pressure * swell
        return force


@dataclass(frozen=True)
class Tram:
    """A tram that passes the shop: bogies rolling by, a flat on one wheel, a squeal in the far curve.

    Rumble is noise of 20 to 90 Hz whose power is the sum over bogies of
    1 / (1 + (x / d)^2), x along the track and d the distance of the track. The flat
    strikes once a turn of its wheel; its blows come through ground that passes low
    frequencies only.
    """

    speed_m_s: float
    distance_m: float = 12.0
    bogies_m: tuple[float, ...] = (0.0, 7.0, 15.0, 22.0)
    """Places of the bogies behind the front one; the second has the flat."""
    wheel_m: float = 0.6
    """Diameter of a wheel."""
    rumble_n: float = 1.0
    """Root mean square when nearest."""
    flat_n_s: float = 0.004
    """Impulse of a blow when nearest."""
    squeal_n: float = 0.3
    ground_hz: float = 90.0
    reach_m: float = 110.0
    """Distance along the track at which the rumble is taken to begin and to end: 19 dB down."""

    @property
    def duration_s(self) -> float:
        """From the first bogie within reach to the last one out of it."""
        return (2.0 * self.reach_m + self.bogies_m[-1]) / self.speed_m_s

    def force_n(self, rng: np.random.Generator, sample_rate_hz: int) -> Floats:
        """Return the force of one passage."""
        n = round(self.duration_s * sample_rate_hz)
        # how near it is changes slowly: a few thousand points say it
        coarse_s = np.linspace(0.0, self.duration_s, 2_000)
        along_m = self.speed_m_s * coarse_s - self.reach_m - np.array(self.bogies_m)[:, np.newaxis]
        power = 1.0 / (1.0 + (along_m / self.distance_m) ** 2)
        # over the first and the last second it comes from nothing and goes to nothing
        edge = np.minimum(1.0, np.minimum(coarse_s, self.duration_s - coarse_s))
        loudness = edge * np.sqrt(power.sum(axis=0) / power.sum(axis=0).max())
        force = self.rumble_n * _band_noise(rng, n, 20.0, 90.0, sample_rate_hz)
        force *= np.interp(np.arange(n) / sample_rate_hz, coarse_s, loudness)

        turn_s = math.pi * self.wheel_m / self.speed_m_s
        struck_s = np.arange(rng.uniform(0.0, turn_s), self.duration_s, turn_s)
        blows = np.zeros(n)
        strength = self.flat_n_s * np.interp(struck_s, coarse_s, edge * np.sqrt(power[1]))
        blows[(struck_s * sample_rate_hz).astype(np.int64)] = strength * sample_rate_hz
        force += _through_ground(blows, self.ground_hz, sample_rate_hz)

        # the curve lies up the line: the squeal comes early, wavers and is weak here
        here = slice(n // 10, 3 * n // 10)
        length = here.stop - here.start
        pitch_hz = rng.uniform(1_100.0, 1_700.0) * _wavering(rng, length, 0.1, 3.0, sample_rate_hz)
        angle = 2.0 * math.pi * np.cumsum(pitch_hz) / sample_rate_hz
        squeal = np.hanning(length) * _wavering(rng, length, 3.0, 4.0, sample_rate_hz) * np.sin(angle)
        force[here] += self.squeal_n * squeal
        return force


@dataclass(frozen=True)
class Shaver:
    """A mains shaver held to the lid: a magnet's armature that swings at twice the mains frequency."""

    run_s: float
    """Time for which it has current."""
    armature_n: float = 1.0
    harmonics: tuple[float, ...] = (1.0, 0.35, 0.2, 0.1, 0.05)
    """Shares of the swing at 100, 200, 300 ... Hz."""
    rise_s: float = 0.03
    """Time constant with which the swing builds up."""

    @property
    def duration_s(self) -> float:
        """Time for which it runs; its armature is still a tenth of a second later."""
        return self.run_s + 0.1

    def force_n(self, rng: np.random.Generator, sample_rate_hz: int) -> Floats:
        """Return the force of one turn; the pressure of the hand wavers."""
        n = round(self.duration_s * sample_rate_hz)
        times = np.arange(n) / sample_rate_hz
        swing = np.zeros(n)
        for k, share in enumerate(self.harmonics, start=1):
            swing += share * np.sin(
                2.0 * math.pi * 2.0 * _MAINS_HZ * k * times + rng.uniform(0.0, 2.0 * math.pi)
            )
        swing *= 1.0 - np.exp(-times / self.rise_s)
        swing *= np.exp(-np.maximum(times - self.run_s, 0.0) / (0.5 * self.rise_s))
        return self.armature_n * swing * _wavering(rng, n, 0.8, 1.0, sample_rate_hz)


def _add_hum(force: Floats, run_s: float, start_s: float, hum_n: float, sample_rate_hz: int) -> None:
    """Add a motor's magnetic hum at twice the mains, three times as strong at the moment it starts."""
    times = np.arange(round(run_s * sample_rate_hz)) / sample_rate_hz
    inrush = 1.0 + 2.0 * np.exp(-times / start_s)
    force[: len(times)] += hum_n * inrush * np.sin(2.0 * math.pi * 2.0 * _MAINS_HZ * times)


def _through_ground(force: Floats, corner_hz: float, sample_rate_hz: int) -> Floats:
    """Return what floor or ground passes on: a second-order low-pass."""
    passed: Floats = sosfilt(butter(2, corner_hz, fs=sample_rate_hz, output="sos"), force)
    return passed


def _band_noise(
    rng: np.random.Generator, n_samples: int, low_hz: float, high_hz: float, sample_rate_hz: int
) -> Floats:
    """Return noise of a band, root mean square 1.

    White noise of variance 1 holds 2 / rate of it in each hertz, and a second-order
    Butterworth band passes as much noise as an ideal one pi / (2 sqrt 2) times as wide.
    """
    band = butter(2, [low_hz, high_hz], "bandpass", fs=sample_rate_hz, output="sos")
    width_hz = (high_hz - low_hz) * math.pi / (2.0 * math.sqrt(2.0))
    noise: Floats = sosfilt(band, rng.standard_normal(n_samples))
    return noise * math.sqrt(sample_rate_hz / (2.0 * width_hz))


def _wavering(
    rng: np.random.Generator, n_samples: int, spread_db: float, changes_per_s: float, sample_rate_hz: int
) -> Floats:
    """Return a factor about 1 that wanders: log-normal values joined by lines in decibels."""
    knots_db = rng.normal(0.0, spread_db, math.ceil(n_samples / sample_rate_hz * changes_per_s) + 2)
    at = np.arange(n_samples) * (changes_per_s / sample_rate_hz)
    factor: Floats = 10.0 ** (np.interp(at, np.arange(len(knots_db)), knots_db) / 20.0)
    return factor
