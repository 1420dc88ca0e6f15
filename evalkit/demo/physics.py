"""The path from a force on the lid to numbers in a file, as physical models.

    force -> lid (modes of a plate on rubber) -> pickup (disc, its load, its resonance) -> sound card

Everything here is a pure function of arrays and carried state, so that a long
recording can be made in chunks. The figures of one particular lid, pickup and
sound card are in `scene`; none of them was measured.
"""

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.signal import bilinear, sosfilt

__all__ = ["Lid", "Mode", "Pickup", "SoundCard"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Mode:
    """One way in which the lid swings: a second-order resonator."""

    frequency_hz: float
    """Undamped natural frequency."""
    damping: float
    """Damping ratio: 1 is critical."""
    mass_kg: float
    """Mass that moves, referred to the mode's largest amplitude."""
    order: tuple[int, int]
    """Half-waves along and across; (0, 0) is the whole lid bouncing on its rubber feet."""
    volts_per_metre: float
    """Voltage of the disc for a swing of one metre: its bending where the disc sits."""

    @property
    def decay_rate(self) -> float:
        """Rate at which a free swing dies away, 1/s: it falls as exp(-rate x time)."""
        return 2.0 * math.pi * self.frequency_hz * self.damping


@dataclass(frozen=True)
class Lid:
    """A rectangular plywood lid on rubber feet, with the disc glued under it.

    The plate's natural frequencies are those of a thin, simply supported
    rectangular plate, f = (pi / 2) sqrt(D / m'') ((a / l)^2 + (b / w)^2) with
    D = E h^3 / (12 (1 - nu^2)): a textbook formula, from memory (Leissa,
    "Vibration of Plates", NASA SP-160, 1969). The mass of what lies on the lid
    is left out. Damping ratios are invented.
    """

    length_m: float
    width_m: float
    thickness_m: float
    density_kg_m3: float
    youngs_modulus_pa: float
    feet_hz: float
    """Bounce of the whole lid on its feet."""
    feet_damping: float
    plate_orders: tuple[tuple[int, int], ...]
    plate_damping: tuple[float, ...]
    pickup_at: tuple[float, float]
    """Where the disc sits, as shares of length and width."""
    volts_per_curvature: float
    """Voltage of the disc for a bending of one per metre."""

    @property
    def mass_kg(self) -> float:
        """Mass of the plate."""
        return self.length_m * self.width_m * self.thickness_m * self.density_kg_m3

    def modes(self) -> tuple[Mode, ...]:
        """Return the bounce on the feet and then the plate's modes, in the order given."""
        poisson = 0.3
        stiffness = self.youngs_modulus_pa * self.thickness_m**3 / (12.0 * (1.0 - poisson**2))
        speed = 0.5 * math.pi * math.sqrt(stiffness / (self.density_kg_m3 * self.thickness_m))
        plate = []
        for (along, across), damping in zip(self.plate_orders, self.plate_damping, strict=True):
            waves = (along / self.length_m) ** 2 + (across / self.width_m) ** 2
            bending = math.pi**2 * waves * _shape((along, across), self.pickup_at)
            plate.append(
                Mode(
                    speed * waves,
                    damping,
                    self.mass_kg / 4.0,
                    (along, across),
                    self.volts_per_curvature * bending,
                )
            )
        # A plate that bounces as a whole would not bend; on feet near its corners it sags a little
        # with each bounce. A tenth of the first plate mode's bending is invented.
        bounce = Mode(self.feet_hz, self.feet_damping, self.mass_kg, (0, 0), 0.1 * plate[0].volts_per_metre)
        return (bounce, *plate)

    def weights_at(self, place: tuple[float, float]) -> Floats:
        """Return how strongly a force at `place` (shares of length and width) drives each mode."""
        return np.array([_shape(mode.order, place) for mode in self.modes()])

    def weights_through_feet(self) -> Floats:
        """Return how strongly a shaking bench drives each mode.

        The force is the lid's inertia, the same everywhere, so a mode takes part
        with the mean of its shape: 4 / (pi^2 a b) for odd a and b. Even modes would
        be left out by perfect symmetry; one tenth for feet that are not alike is invented.
        """
        weights = []
        for mode in self.modes():
            along, across = mode.order
            if mode.order == (0, 0):
                weights.append(1.0)
            elif along % 2 and across % 2:
                weights.append(4.0 / (math.pi**2 * along * across))
            else:
                weights.append(0.1 * 4.0 / (math.pi**2 * along * across))
        return np.array(weights)

    def decay_s(self, decay_db: float) -> float:
        """Return the time in which every free swing has fallen by `decay_db`."""
        slowest = min(mode.decay_rate for mode in self.modes())
        return decay_db * math.log(10.0) / 20.0 / slowest

    def rest(self) -> Floats:
        """Return the state of a lid that has been still for ever."""
        return np.zeros((len(self.modes()), 1, 2))

    def swing(self, forces_n: Floats, state: Floats, sample_rate_hz: int) -> tuple[Floats, Floats]:
        """Drive the modes and return the disc's source voltage.

        Each mode is q'' + 2 zeta w q' + w^2 q = F / m, made discrete by sampling its
        impulse response (impulse invariance), so frequency and decay are exact.

        Parameters
        ----------
        forces_n : ndarray of shape (n_modes, n_samples), newtons
            Force in each mode: the sources' forces times their weights.
        state : ndarray of shape (n_modes, 1, 2)
            From `rest` or from the chunk before.
        sample_rate_hz : int
            Samples per second.

        Returns
        -------
        volts : ndarray of shape (n_samples,)
            Voltage of the disc before its own resonance and its load.
        state : ndarray of shape (n_modes, 1, 2)
            For the next chunk.
        """
        volts = np.zeros(forces_n.shape[1])
        after = np.empty_like(state)
        for k, mode in enumerate(self.modes()):
            step = 1.0 / sample_rate_hz
            damped = 2.0 * math.pi * mode.frequency_hz * math.sqrt(1.0 - mode.damping**2)
            shrink = math.exp(-mode.decay_rate * step)
            kick = mode.volts_per_metre * step * shrink * math.sin(damped * step) / (mode.mass_kg * damped)
            section = [[0.0, kick, 0.0, 1.0, -2.0 * shrink * math.cos(damped * step), shrink**2]]
            swing, after[k] = sosfilt(section, forces_n[k], zi=state[k])
            volts += swing
        return volts, after


@dataclass(frozen=True)
class Pickup:
    """A piezo disc: a source behind a capacitance, with one damped resonance of its own."""

    capacitance_f: float
    resonance_hz: float
    resonance_damping: float

    def rest(self) -> Floats:
        """Return the state of a pickup that has been still for ever."""
        return np.zeros((2, 2))

    def deliver(
        self, source_v: Floats, state: Floats, sample_rate_hz: int, *, load_ohm: float
    ) -> tuple[Floats, Floats]:
        """Return the voltage across the load, and the state for the next chunk.

        Capacitance and load are a first-order high-pass, s / (s + 1 / RC); the
        resonance is w^2 / (s^2 + 2 zeta w s + w^2). Both by the bilinear transform.

        Parameters
        ----------
        source_v : ndarray of shape (n_samples,), volts
        state : ndarray of shape (2, 2)
            From `rest` or from the chunk before.
        sample_rate_hz : int
            Samples per second.
        load_ohm : float
            Resistance of the input that the disc drives.
        """
        sections = _pickup_sections(self, load_ohm, sample_rate_hz)
        volts, after = sosfilt(sections, source_v, zi=state)
        return volts, after


@dataclass(frozen=True)
class SoundCard:
    """A 16-bit recorder: hiss, hum, a little DC, TPDF dither, hard limits."""

    full_scale_v: float
    input_ohms: float
    noise_v: float
    """Root mean square of the white noise."""
    hum_v: tuple[float, ...]
    """Peak of the mains hum at 50 Hz and its harmonics."""
    offset_v: float

    def record(
        self, volts: Floats, first_sample: int, rng: np.random.Generator, sample_rate_hz: int
    ) -> npt.NDArray[np.int16]:
        """Return the samples that the card writes for one chunk.

        The chunk starts `first_sample` samples into the recording, which keeps
        the hum in step; noise and dither are drawn from `rng`.
        """
        n = len(volts)
        # 320 samples of 16 kHz hold exactly one mains period: one period is computed and repeated.
        period = sample_rate_hz // 50
        turn = 2.0 * math.pi * (np.arange(period) + first_sample) / period
        hum = sum((peak * np.sin((k + 1) * turn + k) for k, peak in enumerate(self.hum_v)), np.zeros(period))
        step_v = self.full_scale_v / 32768.0
        counts = (volts + self.offset_v) / step_v + np.resize(hum / step_v, n)
        counts += rng.standard_normal(n, dtype=np.float32) * np.float32(self.noise_v / step_v)
        # triangular, one step each way: the error no longer depends on the signal
        counts += rng.random(n, dtype=np.float32)
        counts -= rng.random(n, dtype=np.float32)
        return np.clip(np.rint(counts), -32768, 32767).astype(np.int16)


def _shape(order: tuple[int, int], place: tuple[float, float]) -> float:
    """Shape of a mode at a place: sine half-waves, or 1 everywhere for the bounce."""
    if order == (0, 0):
        return 1.0
    return math.sin(math.pi * order[0] * place[0]) * math.sin(math.pi * order[1] * place[1])


@cache
def _pickup_sections(pickup: Pickup, load_ohm: float, sample_rate_hz: int) -> Floats:
    """High-pass of disc and load, then the disc's resonance, as second-order sections."""
    corner = 1.0 / (load_ohm * pickup.capacitance_f)
    high_pass = bilinear([1.0, 0.0], [1.0, corner], fs=sample_rate_hz)
    w = 2.0 * math.pi * pickup.resonance_hz
    w = 2.0 * sample_rate_hz * math.tan(w / (2.0 * sample_rate_hz))
    resonance = bilinear([w * w], [1.0, 2.0 * pickup.resonance_damping * w, w * w], fs=sample_rate_hz)
    return np.array(
        [
            [*high_pass[0], 0.0, *high_pass[1], 0.0],
            [*resonance[0], *resonance[1]],
        ]
    )
