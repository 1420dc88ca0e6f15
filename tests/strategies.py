"""What hypothesis draws: boards, gates, signals rich in crossings, and labels."""

import math
from dataclasses import dataclass, replace

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray

from evalkit.board import Board, HoldKind, Value
from evalkit.crossings import Integrator
from evalkit.day import Day
from evalkit.segments import Role, Segment
from evalkit.spans import Span

ROLES = {"phone on the wall": Role.IGNORE, "radio": Role.BACKGROUND, "door": Role.NUISANCE}
SEEDS = st.integers(0, 2**32 - 1)
LABELS = ("ring", "tap", "tool", "stand-in", "quiet", *ROLES)


DELAYS = st.lists(st.integers(0, 59), min_size=3, max_size=3, unique=True).map(
    lambda steps: [0.005 * 1.09**k for k in sorted(steps)]
)
"""Three delays, 5 ms to 0.8 s."""


def exactly(number: float) -> Value:
    """Return a value without spread."""
    return Value(number, number, number)


@st.composite
def boards(draw: st.DrawFn, default: Board) -> Board:
    """Boards of the default kind with other parts, many of them quick enough to chatter."""

    def one_of(*numbers: float) -> Value:
        return exactly(draw(st.sampled_from(numbers)))

    return replace(
        default,
        supply=replace(default.supply, voltage=one_of(9.0, 12.0, 15.0), temperature=one_of(0.0, 25.0)),
        pickup=replace(default.pickup, load=one_of(47e3, 1e6)),
        amplifier=replace(
            default.amplifier,
            bias=one_of(0.1, 3.0, 5.2, 5.2),
            offset=one_of(-3e-3, 0.0, 3e-3),
            leg_capacitor=one_of(2.2e-6, 22e-6),
            gain_bandwidth=one_of(0.7e6, 1.1e6),
            output_resistor=draw(st.sampled_from((None, exactly(100.0), exactly(1e3)))),
        ),
        rectifier=replace(
            default.rectifier,
            coupling=one_of(47e-9, 220e-9),
            storage=one_of(22e-9, 100e-9, 220e-9),
            bleed=one_of(100e3, 1e6),
            diode_emission=one_of(1.2, 1.752),
        ),
        comparator=replace(default.comparator, hysteresis=one_of(0.0, 2e-3, 0.1, 0.4)),
    )


@st.composite
def integrators(draw: st.DrawFn, hold_kind: HoldKind, *, longest_hold_s: float = 1.0) -> Integrator:
    """Gates that fire anywhere, also under the 5 % at which attribution starts to count."""
    fire = draw(st.one_of(st.floats(0.06, 0.97), st.just(0.03)))
    return Integrator(
        fire_fraction=fire,
        release_fraction=fire * draw(st.floats(0.05, 0.98)),
        discharge_s=draw(st.sampled_from((math.inf, math.inf, 0.005, 0.2))),
        hold_kind=hold_kind,
        hold_s=0.0 if hold_kind is HoldKind.NONE else draw(st.floats(0.01, longest_hold_s)),
    )


@st.composite
def signals(draw: st.DrawFn, *, rate_hz: int, seconds: float) -> NDArray[np.float32]:
    """Bursts that swell and fade about an amplitude of 1, decaying knocks, and noise."""
    rng = np.random.default_rng(draw(SEEDS))
    t = np.arange(int(rate_hz * seconds)) / rate_hz
    out = draw(st.sampled_from((0.0, 0.02, 0.3))) * rng.standard_normal(len(t))
    for _ in range(draw(st.integers(1, 6))):
        start_s, length_s = rng.uniform(0.0, seconds), rng.uniform(0.02, 0.6 * seconds)
        hz, depth = rng.uniform(60.0, 400.0), rng.uniform(0.0, 0.9)
        swell = 1.0 + depth * np.sin(2.0 * np.pi * rng.uniform(1.0, 50.0) * t)
        on = (t >= start_s) & (t < start_s + length_s)
        out += on * rng.uniform(0.7, 1.6) * swell * np.sin(2.0 * np.pi * hz * t)
    for _ in range(draw(st.integers(0, 4))):
        at_s = rng.uniform(0.0, seconds)
        fade = np.exp(-np.maximum(t - at_s, 0.0) / rng.uniform(0.01, 0.3))
        out += (t >= at_s) * rng.uniform(0.5, 20.0) * fade * np.sin(2.0 * np.pi * rng.uniform(80, 900) * t)
    return out.astype(np.float32)


@dataclass(frozen=True)
class LabelledTime:
    """What a person might say of a recording; every time lies on a grid of 10 ms."""

    segments: tuple[Segment, ...]
    reviewed: tuple[Span, ...]
    warmup_s: float
    day: Day


@st.composite
def labelled_times(draw: st.DrawFn, *, seconds: float) -> LabelledTime:
    """Segments of several labels that overlap each other but not their own kind, and reviewed spans."""
    n = round(seconds * 100)
    rng = np.random.default_rng(draw(SEEDS))
    segments = []
    for label in LABELS:
        cuts = sorted(int(k) for k in rng.choice(n + 1, 2 * rng.integers(0, 4), replace=False))
        phone = "slab" if label == "ring" else ""
        segments += [Segment(a / 100, b / 100, label, phone=phone) for a, b in zip(cuts[::2], cuts[1::2])]
    edges = sorted(int(k) for k in rng.choice(n + 1, 2 * rng.integers(1, 3), replace=False))
    spans = draw(st.sampled_from(([0, n], [0, n], edges)))
    return LabelledTime(
        segments=tuple(sorted(segments)),
        reviewed=tuple(Span(a / 100, b / 100) for a, b in zip(spans[::2], spans[1::2])),
        warmup_s=draw(st.sampled_from((0.0, 0.1, 0.5))),
        day=Day(
            roles=ROLES,
            call_gap_s=draw(st.sampled_from((0.3, 0.5))),
            grace_s=draw(st.sampled_from((0.0, 0.2, 0.4))),
        ),
    )


@st.composite
def crossing_trains(draw: st.DrawFn, *, n_samples: int, n_lanes: int) -> list[list[int]]:
    """For each lane, the rising samples at which its comparator changes, the first time upward."""
    trains = []
    for _ in range(n_lanes):
        rng = np.random.default_rng(draw(SEEDS))
        longest = draw(st.sampled_from((3, 30, 150, 400)))
        steps = rng.integers(1, longest + 1, size=2 * n_samples // (longest + 1) + 2)
        at = np.cumsum(steps)
        trains.append([int(i) for i in at[at < n_samples]])
    return trains
