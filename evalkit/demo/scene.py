"""Who and what: the co-op's lid, phones, machines and levels. Every figure is invented.

Levels are in decibels against the newtons that each source names as its own, so
that one line here makes a machine louder without touching its physics. What the
invented figures lean on: motors of 10 mm turn at 133 to 250 Hz (a motor vendor's
selection page); three of the cadences are ringing tones of national networks
(ITU-T E.180 Supplement 2, 1994, seen second hand), which a phone's motor need not
follow; a 27 mm disc has some 20 nF (common practice, no source).
"""

from dataclasses import dataclass

from evalkit.demo.physics import Lid, Pickup, SoundCard
from evalkit.demo.rotor import Rotor
from evalkit.demo.sources import SoftCase, Source, UnbalanceMotor
from evalkit.segments import Segment

__all__ = [
    "CARD",
    "LEVELS",
    "LID",
    "PHONES",
    "PICKUP",
    "SAMPLE_RATE_HZ",
    "Event",
    "Levels",
    "Phone",
    "Session",
]

SAMPLE_RATE_HZ = 16_000

LID = Lid(
    # a parts bin's lid of 3 mm plywood, about the size of a tabloid sheet
    length_m=0.34,
    width_m=0.24,
    thickness_m=0.003,
    density_kg_m3=650.0,
    youngs_modulus_pa=4.9e9,
    # small rubber feet, well damped
    feet_hz=52.0,
    feet_damping=0.15,
    # 102, 203, 306, 373 and 917 Hz: the phones' motors run about the second
    plate_orders=((1, 1), (2, 1), (1, 2), (3, 1), (3, 3)),
    plate_damping=(0.08, 0.06, 0.05, 0.05, 0.08),
    # off centre, so that no mode passes unfelt
    pickup_at=(0.40, 0.42),
    # so that a phone gives some tens of millivolts
    volts_per_curvature=5.0,
)

PICKUP = Pickup(
    capacitance_f=20e-9,
    # free 27 mm discs: 3.0 and 4.6 kHz (AVX catalogue, KBS-27DA-3A and -5A); glued down, between and damped
    resonance_hz=3_800.0,
    resonance_damping=0.12,
)

CARD = SoundCard(
    # a calibrated high-impedance input at low gain: the strongest blows stay inside
    full_scale_v=1.0,
    input_ohms=1e6,
    noise_v=60e-6,
    # a cable along a bench with mains on it: hum at 50, 100, 150, 200 and 250 Hz
    hum_v=(300e-6, 60e-6, 120e-6, 20e-6, 60e-6),
    offset_v=400e-6,
)


@dataclass(frozen=True)
class Phone:
    """A phone that lies on the lid."""

    name: str
    motor: UnbalanceMotor
    case: SoftCase | None
    cadence: tuple[tuple[float, float], ...]
    """One turn of its ringing pattern: (on_s, off_s) pairs."""
    place: tuple[float, float]
    """Where it usually lies, as shares of the lid's length and width."""
    level_db: float
    """Against the force that motor and case give."""


PHONES = (
    # the shop's own: a second on, two off
    Phone(
        "shop",
        UnbalanceMotor(Rotor(speed_hz=172.0, spin_up_s=0.050, coast_down_s=0.080), unbalance_kg_m=8.0e-7),
        None,
        ((1.0, 2.0),),
        (0.70, 0.42),
        0.0,
    ),
    # a mechanic's: short double bursts from a fast motor
    Phone(
        "double",
        UnbalanceMotor(Rotor(speed_hz=214.0, spin_up_s=0.040, coast_down_s=0.060), unbalance_kg_m=7.0e-7),
        None,
        ((0.4, 0.2), (0.4, 2.0)),
        (0.76, 0.55),
        0.0,
    ),
    # an old one with a slow, heavy motor that rings half of the time
    Phone(
        "old",
        UnbalanceMotor(Rotor(speed_hz=153.0, spin_up_s=0.060, coast_down_s=0.095), unbalance_kg_m=9.0e-7),
        None,
        ((1.5, 1.5),),
        (0.68, 0.50),
        0.0,
    ),
    # two seconds on, four off, in a soft case: the one that is hard to feel
    Phone(
        "cased",
        UnbalanceMotor(Rotor(speed_hz=188.0, spin_up_s=0.045, coast_down_s=0.075), unbalance_kg_m=7.5e-7),
        SoftCase(natural_hz=75.0, damping=0.3),
        ((2.0, 4.0),),
        (0.73, 0.46),
        0.3,
    ),
)


@dataclass(frozen=True)
class Levels:
    """How strong each nuisance is, dB against its source's own force."""

    compressor_db: float = -12.1
    grinder_db: float = -10.1
    tram_db: float = -15.0
    shaver_db: float = -8.0
    strongest_blow_n_s: float = 0.0205
    """Impulse of the strongest mallet blow as it reaches the lid: a few per cent of what hits the bench."""


LEVELS = Levels()
"""The ordinary sessions': the softest ring is some 4 dB above the strongest lasting nuisance."""


@dataclass(frozen=True)
class Event:
    """One source at work, and what a careful listener would write down about it."""

    start_s: float
    source: Source
    place: tuple[float, float] | None
    """Where it shakes the lid; None: through the bench and the lid's feet."""
    level_db: float
    segments: tuple[Segment, ...]


@dataclass(frozen=True)
class Session:
    """One sitting, one recording: what happens in it and how strongly the lid takes it up."""

    name: str
    seed: int
    level_db: float
    """The session's own factor on everything mechanical: how the bin stands, what is in it."""
    duration_s: float
    events: tuple[Event, ...]
    """In order of their start."""
