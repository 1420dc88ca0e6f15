"""What touches the lid: phones and blows; and what every source of vibration has in common."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt
from scipy.signal import bilinear, sosfilt

from evalkit.demo.rotor import RENDERED_DB, Rotor

__all__ = ["Impacts", "PhoneCall", "SoftCase", "Source", "UnbalanceMotor"]

Floats = npt.NDArray[np.float64]


class Source(Protocol):
    """Something that shakes the lid for a known time, described but not yet computed."""

    @property
    def duration_s(self) -> float:
        """Length of its force."""

    def force_n(self, rng: np.random.Generator, sample_rate_hz: int) -> Floats:
        """Return its force from its own start, newtons as felt by the lid; chance comes from `rng` alone."""


@dataclass(frozen=True)
class UnbalanceMotor:
    """A phone's motor: an eccentric mass on a shaft."""

    rotor: Rotor
    unbalance_kg_m: float
    """Mass times eccentricity."""

    def force_n(self, drive: Sequence[tuple[float, float]], n_samples: int, sample_rate_hz: int) -> Floats:
        """Return the force across the lid, m r (w^2 sin a - w' cos a): the mass's weight in motion.

        Parameters
        ----------
        drive : sequence of (start_s, end_s)
            Times at which current flows, in order.
        n_samples, sample_rate_hz : int
        """
        force = np.zeros(n_samples)
        for first, angle, speed, change in self.rotor.turn(drive, n_samples, sample_rate_hz):
            piece = speed**2 * np.sin(angle) - change * np.cos(angle)
            force[first : first + len(piece)] = self.unbalance_kg_m * piece
        return force


@dataclass(frozen=True)
class SoftCase:
    """A phone in a soft case: its mass on a damped spring, which passes less the faster the shaking.

    Transmissibility of a second-order isolator,
    (2 zeta w s + w^2) / (s^2 + 2 zeta w s + w^2): a textbook formula.
    """

    natural_hz: float
    damping: float

    def transmit(self, force_n: Floats, sample_rate_hz: int) -> Floats:
        """Return the force under the case."""
        w = 2.0 * math.pi * self.natural_hz
        spring = [2.0 * self.damping * w, w * w]
        b, a = bilinear(spring, [1.0, *spring], fs=sample_rate_hz)
        passed: Floats = sosfilt(np.array([[*b, *a]]), force_n)
        return passed


@dataclass(frozen=True)
class PhoneCall:
    """One call: the motor's bursts, through a soft case if there is one."""

    motor: UnbalanceMotor
    case: SoftCase | None
    bursts: tuple[tuple[float, float], ...]
    """Times at which current flows, (start_s, end_s), from the call's start."""

    @property
    def duration_s(self) -> float:
        """To where the last coast-down is far below anything that matters."""
        return self.bursts[-1][1] + self.motor.rotor.coasting_s(RENDERED_DB)

    def force_n(self, rng: np.random.Generator, sample_rate_hz: int) -> Floats:
        """Return the force of the whole call; nothing in it is left to chance."""
        force = self.motor.force_n(self.bursts, round(self.duration_s * sample_rate_hz), sample_rate_hz)
        return force if self.case is None else self.case.transmit(force, sample_rate_hz)


@dataclass(frozen=True)
class Impacts:
    """Contact impulses: half-sine pulses of force, each short against the lid's swing."""

    times_s: tuple[float, ...]
    impulses_n_s: tuple[float, ...]
    """Area of each pulse, newton seconds."""
    contact_s: float
    """Length of each pulse: short for steel on wood, longer for a rubber mallet."""

    @property
    def duration_s(self) -> float:
        """To the end of the last pulse, and a sample or two."""
        return self.times_s[-1] + self.contact_s + 0.001

    def force_n(self, rng: np.random.Generator, sample_rate_hz: int) -> Floats:
        """Return the pulses. Each sample is the mean force over its period, so no impulse is lost."""
        edges = np.arange(round(self.duration_s * sample_rate_hz) + 1) / sample_rate_hz
        given = np.zeros(len(edges))
        for start, impulse in zip(self.times_s, self.impulses_n_s, strict=True):
            share = np.clip((edges - start) / self.contact_s, 0.0, 1.0)
            given += 0.5 * impulse * (1.0 - np.cos(math.pi * share))
        return np.diff(given) * sample_rate_hz
