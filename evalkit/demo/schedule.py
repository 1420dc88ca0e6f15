"""When: a seeded day book of the co-op, session by session.

A session is a shuffled list of acts (a call, a tram with a call in it, a grinder
run, a mallet at work, quiet), laid out one after the other. Calls and turns of the
shaver keep their distance from one another, so that each is heard for itself.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, partial

import numpy as np

from evalkit.demo.machines import Compressor, Grinder, Shaver, Tram
from evalkit.demo.rotor import AUDIBLE_DB
from evalkit.demo.scene import LEVELS, LID, PHONES, Event, Levels, Phone, Session
from evalkit.demo.sources import Impacts, PhoneCall
from evalkit.segments import Segment

__all__ = ["TAP_DECAY_DB", "demo_sessions", "hard_session"]

TAP_DECAY_DB = 40.0
"""A tap's segment ends when the lid's free swing has fallen by this much after the last contact."""

_SEED = 20_250_901
_CALL_SPACING_S = 16.0
"""From the end of one call to the start of the next: more than the longest pause in a cadence, the
grace after a call and the time that an alert of a few seconds goes on."""
_GRAVITY_M_S2 = 9.81


@dataclass(frozen=True)
class _Plan:
    """What a session brings."""

    name: str
    level_db: float
    phones: tuple[str, ...]
    compressor: bool
    grinder: bool
    shaver_turns: int


_PLANS = (
    _Plan("mon-am", 0.3, ("shop", "double", "old", "cased"), True, True, 1),
    _Plan("mon-pm", -1.1, ("shop", "old", "cased"), True, True, 0),
    _Plan("tue-am", 0.9, ("double", "old", "cased"), True, False, 2),
    _Plan("tue-pm", -0.4, ("shop", "double", "cased"), False, True, 1),
    _Plan("wed-am", 1.2, ("shop", "double", "old"), True, True, 0),
    _Plan("wed-pm", -0.8, ("shop", "double", "old", "cased"), True, False, 1),
    _Plan("thu-am", 0.6, ("double", "old", "cased"), True, True, 2),
    _Plan("thu-pm", -1.3, ("shop", "old", "cased"), False, True, 1),
    _Plan("fri-am", 0.1, ("shop", "double", "cased"), True, True, 1),
)
_CALLS_A_SESSION = 13


@cache
def demo_sessions() -> tuple[Session, ...]:
    """Return the sessions of the demo, the same every time."""
    return tuple(_session(plan, _SEED + k) for k, plan in enumerate(_PLANS))


@cache
def hard_session() -> Session:
    """Return the session in which the compressor, moved next to the bin, drowns the soft phone."""
    book = _DayBook(np.random.default_rng(_SEED + 1_000), Levels(compressor_db=LEVELS.compressor_db + 18.0))
    cased = next(phone for phone in PHONES if phone.name == "cased")
    for k in range(3):
        book.quiet()
        book.compressor((cased, cased))
        book.quiet()
        book.call(cased)
        if k == 1:
            book.blows(5)
    return book.close("hard", _SEED + 1_000, 0.0)


class _DayBook:
    """A session as it is written: acts are added at its end."""

    def __init__(self, rng: np.random.Generator, levels: Levels) -> None:
        self._rng = rng
        self._levels = levels
        self._events: list[Event] = []
        self._now_s = 8.0
        self._call_from_s = 0.0

    def close(self, name: str, seed: int, level_db: float) -> Session:
        """Return the session."""
        events = tuple(sorted(self._events, key=lambda event: (event.start_s, event.segments)))
        return Session(name, seed, level_db, math.ceil(self._now_s + 12.0), events)

    def quiet(self) -> None:
        """Nothing for a while."""
        self._now_s += self._rng.uniform(15.0, 25.0)

    def call(self, phone: Phone) -> None:
        """One call, and the shop as quiet as it gets."""
        self._begin(0.0)
        self._now_s = self._ring(phone, self._now_s) + 5.0

    def call_with_blows(self, phone: Phone) -> None:
        """One call while somebody works with the mallet."""
        self._begin(0.0)
        start = self._now_s
        end = self._ring(phone, start)
        self._blows(start + self._rng.uniform(0.8, 2.5), 4)
        self._now_s = max(end, self._now_s) + 5.0

    def blows(self, count: int) -> None:
        """Some mallet blows, dropped spanners and things put down on the lid."""
        self._begin(math.inf)
        self._blows(self._now_s, count)

    def tram(self, phones: tuple[Phone, ...], blows: int = 0) -> None:
        """One tram; a call or some blows in the middle of it."""
        source = Tram(self._rng.uniform(6.2, 7.8))
        early = self._rng.uniform(2.0, 0.4 * source.duration_s)
        self._begin(early if phones else math.inf)
        start = self._now_s
        span = Segment(start, start + source.duration_s, "traffic", "tram")
        level = self._levels.tram_db + self._rng.uniform(-3.0, 0.0)
        self._events.append(Event(start, source, None, level, (span,)))
        end = span.end_s
        for phone in phones:
            end = max(end, self._ring(phone, start + early))
        if blows:
            self._blows(start + self._rng.uniform(4.0, 10.0), blows)
        self._now_s = max(end, self._now_s)

    def compressor(self, phones: tuple[Phone, ...]) -> None:
        """The compressor fills its tank; calls and blows meanwhile."""
        run = Compressor(self._rng.uniform(105.0, 135.0))
        level = self._levels.compressor_db + self._rng.uniform(-1.5, 0.0)
        self._machine(run, run.run_s, run.end_s, "compressor", level, phones)

    def grinder(self, phones: tuple[Phone, ...]) -> None:
        """The grinder runs; something is ground in bursts; calls and blows meanwhile."""
        run_s = self._rng.uniform(80.0, 100.0)
        contacts = []
        at = self._rng.uniform(3.0, 6.0)
        while at < run_s - 8.0:
            length = self._rng.uniform(1.5, 6.0)
            contacts.append((at, at + length))
            at += length + self._rng.uniform(1.0, 5.0)
        grinder = Grinder(run_s, tuple(contacts))
        level = self._levels.grinder_db + self._rng.uniform(-1.5, 0.0)
        self._machine(grinder, run_s, grinder.end_s, "grinder", level, phones)

    def shaver(self) -> None:
        """Somebody holds the shaver to the lid, as a stand-in for a phone."""
        self._begin(0.0)
        source = Shaver(self._rng.uniform(5.0, 9.0))
        span = Segment(self._now_s, self._now_s + source.duration_s, "stand-in", "shaver")
        level = self._levels.shaver_db + self._rng.uniform(-1.0, 1.0)
        place = (self._rng.uniform(0.3, 0.7), self._rng.uniform(0.3, 0.7))
        self._events.append(Event(span.start_s, source, place, level, (span,)))
        self._now_s = span.end_s + 8.0
        self._call_from_s = span.end_s + _CALL_SPACING_S

    def _begin(self, first_call_s: float) -> None:
        """Leave a pause; a call that comes `first_call_s` into the act keeps its distance."""
        self._now_s += self._rng.uniform(3.0, 7.0)
        self._now_s = max(self._now_s, self._call_from_s - first_call_s)

    def _machine(
        self,
        source: Compressor | Grinder,
        run_s: float,
        end_s: float,
        note: str,
        level_db: float,
        phones: tuple[Phone, ...],
    ) -> None:
        self._begin(10.0 if phones else math.inf)
        start = self._now_s
        span = Segment(start, start + end_s, "tool", note)
        self._events.append(Event(start, source, None, level_db, (span,)))
        at = start + self._rng.uniform(10.0, 16.0)
        for phone in phones:
            at = max(at, self._call_from_s)
            at = self._ring(phone, at) + 8.0
        if at < start + run_s - 12.0:
            self._blows(at, 3)
        self._now_s = max(span.end_s, self._now_s, at)

    def _ring(self, phone: Phone, start_s: float) -> float:
        """Write one call and return its end."""
        turn_s = sum(on + off for on, off in phone.cadence)
        turns = max(3, math.ceil(self._rng.uniform(10.0, 22.0) / turn_s))
        bursts = []
        at = 0.0
        for on, off in phone.cadence * turns:
            bursts.append((at, at + on))
            at += on + off
        tail_s = phone.motor.rotor.coasting_s(AUDIBLE_DB)
        segments = tuple(
            Segment(start_s + on, start_s + off + tail_s, "ring", "", phone.name) for on, off in bursts
        )
        x, y = phone.place
        place = (x + self._rng.uniform(-0.02, 0.02), y + self._rng.uniform(-0.02, 0.02))
        level = phone.level_db + self._rng.normal(0.0, 0.3)
        source = PhoneCall(phone.motor, phone.case, tuple(bursts))
        self._events.append(Event(start_s, source, place, level, segments))
        self._call_from_s = segments[-1].end_s + _CALL_SPACING_S
        return segments[-1].end_s

    def _blows(self, start_s: float, count: int) -> None:
        """Write some impacts, far enough apart that each dies away before the next."""
        at = start_s
        for _ in range(count):
            kind = self._rng.choice(("mallet", "spanner", "put down"), p=(0.5, 0.3, 0.2))
            strength = self._levels.strongest_blow_n_s * 10.0 ** (self._rng.uniform(-16.0, 0.0) / 20.0)
            place = None
            if kind == "mallet":
                source = Impacts((0.0,), (strength,), self._rng.uniform(0.0010, 0.0020))
            elif kind == "spanner":
                source = _dropped(self._rng, strength)
            else:
                place = (self._rng.uniform(0.15, 0.85), self._rng.uniform(0.15, 0.85))
                second_s = self._rng.uniform(0.03, 0.12)
                # an edge first, then the flat: less than a blow, but right on the lid
                source = Impacts((0.0, second_s), (0.2 * strength, 0.1 * strength), 0.001)
            end = at + source.times_s[-1] + LID.decay_s(TAP_DECAY_DB)
            self._events.append(Event(at, source, place, 0.0, (Segment(at, end, "tap", kind),)))
            self._now_s = end
            at += self._rng.uniform(1.4, 3.0)


def _dropped(rng: np.random.Generator, impulse_n_s: float) -> Impacts:
    """A spanner that falls and bounces: each bounce is lower and sooner by its restitution."""
    height_m = rng.uniform(0.05, 0.20)
    restitution = rng.uniform(0.30, 0.45)
    speed = math.sqrt(2.0 * _GRAVITY_M_S2 * height_m)
    times, impulses = [0.0], [impulse_n_s]
    while impulses[-1] > 0.1 * impulse_n_s:
        speed *= restitution
        times.append(times[-1] + 2.0 * speed / _GRAVITY_M_S2)
        impulses.append(impulses[-1] * restitution)
    return Impacts(tuple(times), tuple(impulses), rng.uniform(0.0002, 0.0005))


def _session(plan: _Plan, seed: int) -> Session:
    """Shuffle a plan's acts and write them down."""
    rng = np.random.default_rng(seed)
    book = _DayBook(rng, LEVELS)
    present = [phone for phone in PHONES if phone.name in plan.phones]
    calls = [present[k % len(present)] for k in range(_CALLS_A_SESSION)]
    rng.shuffle(calls)
    acts: list[Callable[[], None]] = [
        partial(book.tram, (calls.pop(),)),
        partial(book.tram, (calls.pop(),)),
        partial(book.tram, (), 4),
        partial(book.tram, ()),
        partial(book.tram, ()),
        partial(book.call_with_blows, calls.pop()),
        partial(book.call_with_blows, calls.pop()),
    ]
    if plan.compressor:
        acts.append(partial(book.compressor, (calls.pop(),)))
    if plan.grinder:
        acts.append(partial(book.grinder, (calls.pop(),)))
    acts += [book.shaver] * plan.shaver_turns
    acts += [partial(book.blows, 6)] * 4
    acts += [book.quiet] * 3
    acts += [partial(book.call, phone) for phone in calls]
    for k in rng.permutation(len(acts)):
        acts[k]()
    return book.close(plan.name, seed, plan.level_db)
