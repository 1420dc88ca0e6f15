"""What to record next: how much more of which class buys which claim, and what the figure would become.

A claim is proven when the worse end of its held-out interval meets the limit.
The plan goes on as the recordings began (the same share of misses, the same
rates of false alarms) and looks for the least that gets the worse end there,
with the very intervals that the figures come with: exact binomial and Poisson
limits, sessions as clusters. It is a plan, not a promise: what will be
recorded may show more misses, and then the claim is not true.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from evalkit.day import Day
from evalkit.figures import Figures
from evalkit.planes import ClassExposure
from evalkit.recommendation import Recommendation

__all__ = ["Claim", "Obstacle", "Plan", "Step", "plan"]

_TO_HOLD_OUT = 3
_AS_SIMULATED = 6
"""Sessions from which on the coverage of the intervals was simulated (design, section 7)."""
_MORE_SESSIONS = 2
"""The least over which more of a class is to be spread, so that it can show whether sessions agree."""
_MOST_TIMES = 1_000.0
"""Beyond so many times what there is, no amount is told."""
_SHARES = (1.0, 0.7, 0.5, 0.3, 0.2, 0.1, 0.05, 0.02, 0.01)
"""Of one weight for all classes in how much more is recorded of each; the rest goes by their alarms."""
_MOST_SESSIONS = 2_000
_TAIL = 0.95


class Claim(StrEnum):
    """What is to be shown."""

    SESSIONS = "held out at all"
    CALLS = "calls"
    FALSE_ALARMS = "false alarms"
    RESPONSE = "response"


@dataclass(frozen=True)
class Step:
    """One thing to record, after the steps before it."""

    claim: Claim
    what: str
    """A nuisance class, a phone, or `sessions`."""
    amount: float
    unit: str
    """`hour`, `event`, `call`, `session` or `maker`."""
    sessions: int
    """In at least so many more sessions; from so many more makers where those are held out."""
    effort_h: float | None
    """Hours of recording it takes at the pace so far; None: nothing like it was recorded yet."""
    worse_end_now: float | None
    """Of the claim's interval: before this step, None where unknown."""
    worse_end_then: float | None
    """After this step, if things go on as they began."""
    limit: float
    """What the worse end has to meet."""
    text: str
    """The step as a sentence."""


@dataclass(frozen=True)
class Obstacle:
    """A claim that no amount of recording will support."""

    claim: Claim
    text: str


@dataclass(frozen=True)
class Plan:
    """All that is open, in the order in which it pays: least recording for a proven claim first."""

    proven: tuple[Claim, ...]
    steps: tuple[Step, ...]
    obstacles: tuple[Obstacle, ...]
    held_out: bool
    """Whether it starts from held-out figures; else from those that the setting was chosen on."""


def plan(found: Recommendation, day: Day) -> Plan:
    """Return what to record so that each claim is proven, cheapest claim first.

    Parameters
    ----------
    found : Recommendation
    day : Day
        Limits and exposure.

    Notes
    -----
    Every step is told apart; one recording often serves several of them.
    """
    figures = found.held_out if found.held_out is not None else found.figures
    pace = _Pace.of(found)
    groups: list[tuple[Claim, list[Step]]] = []
    obstacles: list[Obstacle] = []
    for claim, steps in (
        (Claim.CALLS, _call_steps(figures, day, pace)),
        (Claim.FALSE_ALARMS, _alarm_steps(figures, day, pace)),
        (Claim.RESPONSE, _response_steps(figures, day, pace)),
    ):
        if isinstance(steps, Obstacle):
            obstacles.append(steps)
        elif steps:
            groups.append((claim, steps))
    # a claim whose effort is unknown comes last
    groups.sort(key=lambda group: sum(math.inf if s.effort_h is None else s.effort_h for s in group[1]))
    first = _session_steps(found, pace)
    open_ = {claim for claim, _ in groups} | {o.claim for o in obstacles} | {s.claim for s in first}
    shown = {
        Claim.CALLS: found.proven.calls,
        Claim.FALSE_ALARMS: found.proven.false_alarms,
        Claim.RESPONSE: found.proven.response,
    }
    return Plan(
        proven=tuple(claim for claim, ok in shown.items() if ok and claim not in open_),
        steps=(*first, *(step for _, steps in groups for step in steps)),
        obstacles=tuple(obstacles),
        held_out=found.held_out is not None,
    )


@dataclass(frozen=True)
class _Pace:
    """What an hour of recording has brought so far."""

    unit: str
    """What is held out at a time: `session`, or `maker`."""
    hours_per_unit: float
    calls_per_hour: float
    events_per_hour: dict[str, float]
    hours_per_hour: dict[str, float]

    @classmethod
    def of(cls, found: Recommendation) -> "_Pace":
        tallies = found.sweep.tallies
        hours = sum(float(t.hours.sum()) for t in tallies)
        events = sum((t.events for t in tallies), np.zeros(len(found.sweep.classes)))
        by_hours = sum((t.hours for t in tallies), np.zeros(len(found.sweep.classes)))
        per = 1.0 / hours if hours > 0.0 else 0.0
        return cls(
            unit=found.figures.unit,
            hours_per_unit=hours / len({t.cluster for t in tallies}),
            calls_per_hour=per * sum(len(t.calls) for t in tallies),
            events_per_hour=dict(zip(found.sweep.classes, (per * events).tolist())),
            hours_per_hour=dict(zip(found.sweep.classes, (per * by_hours).tolist())),
        )

    def hours_for(self, amount: float, label: str, unit: str) -> float | None:
        """Return how long the recorder runs for it: a class in hours is taken as recorded on purpose."""
        if unit == "hour":
            return amount
        rate = self.calls_per_hour if unit == "call" else self.events_per_hour.get(label, 0.0)
        return amount / rate if rate > 0.0 else None

    def over(self, least: int) -> str:
        """Say over how many more sessions, or makers, it is to be spread."""
        spread = "in" if self.unit == "session" else "from"
        return f"{spread} at least {_count(least, f'more {self.unit}')}"


def _session_steps(found: Recommendation, pace: _Pace) -> list[Step]:
    have = len({t.cluster for t in found.sweep.tallies if any(not c.cut for c in t.calls)})
    if found.held_out is not None and have >= _AS_SIMULATED:
        return []
    wanted = _TO_HOLD_OUT if have < _TO_HOLD_OUT else _AS_SIMULATED
    if found.held_out is None:
        wanted = max(wanted, have + 1) if have >= _TO_HOLD_OUT else wanted
    more = max(1, wanted - have)
    why = (
        f"with fewer than 3 {pace.unit}s nothing can be held out, so nothing can be proven"
        if have < _TO_HOLD_OUT
        else "the intervals were tried with 6 sessions or more"
        if pace.unit == "session"
        else "makers stand for sessions here, and the intervals were tried with 6 or more"
    )
    record = f"record {_count(more, f'more {pace.unit}')} with calls"
    return [
        Step(
            claim=Claim.SESSIONS,
            what="sessions",
            amount=float(more),
            unit=pace.unit,
            sessions=more,
            effort_h=more * pace.hours_per_unit,
            worse_end_now=float(have),
            worse_end_then=float(have + more),
            limit=float(wanted),
            text=f"{record} in {'it' if more == 1 else 'each'}: {why}"
            if pace.unit == "session"
            else f"take in the recordings of {_count(more, 'more maker')}, calls among them: {why}",
        )
    ]


def _call_steps(figures: Figures, day: Day, pace: _Pace) -> list[Step] | Obstacle:
    from evalkit.proportions import clustered_interval, trials_needed

    limit = day.limits.calls_caught
    by_session = np.array(
        [
            [sum(c.cluster == s and c.fate in fates for c in figures.calls) for s in figures.sessions]
            for fates in (("caught",), ("caught", "missed", "masked by a false alarm"))
        ],
        np.float64,
    ).reshape(2, -1)
    caught, counted = by_session[:, by_session[1] > 0.0]
    share = figures.calls_caught
    if share is None:
        return Obstacle(Claim.CALLS, "no call is counted yet: record calls, in 3 sessions at least")
    if limit >= 1.0:
        return Obstacle(Claim.CALLS, "a limit of all calls can never be proven by any number of them")
    if share < limit:
        return Obstacle(
            Claim.CALLS,
            f"{figures.caught} of {figures.counted} calls caught is under the limit of {100 * limit:g} %: "
            "more recording alone would only show that better; change the setting, the limits or the box",
        )
    now = float(clustered_interval(caught, counted).lower)
    if now >= limit:
        return []
    size = max(1.0, round(float(counted.mean())))

    def lower(more: int) -> float:
        ends = (np.concatenate([x, np.full(more, y)]) for x, y in ((caught, size * share), (counted, size)))
        return float(clustered_interval(*ends).lower)

    sessions = _least(lambda more: lower(more) >= limit, _MOST_SESSIONS)
    if sessions is None:
        return Obstacle(
            Claim.CALLS,
            f"calls caught ({100 * share:.1f} %) is so near its limit of {100 * limit:g} % that no "
            "reasonable number of calls would show on which side it is",
        )
    calls = int(sessions * size)
    floor = trials_needed(limit, misses=figures.counted - figures.caught)
    if floor > figures.counted:
        least = f"; {floor} calls in all would do only if those of a {pace.unit} were independent"
    else:
        least = ""
    then = lower(sessions)
    steps = []
    for phone, share_of_calls in _by_phone(figures, calls):
        of = f" from the phone '{phone}'" if phone else ""
        steps.append(
            Step(
                claim=Claim.CALLS,
                what=phone or "calls",
                amount=float(share_of_calls),
                unit="call",
                sessions=max(sessions, _MORE_SESSIONS),
                effort_h=pace.hours_for(share_of_calls, "", "call"),
                worse_end_now=now,
                worse_end_then=then,
                limit=limit,
                text=f"record {_count(share_of_calls, 'more call')}{of}, spread over "
                f"{max(sessions, _MORE_SESSIONS)} more {pace.unit}s",
            )
        )
    steps[-1] = _with_outcome(
        steps[-1],
        f"then at least {100 * then:.1f} % of calls would be shown (now {100 * now:.1f} %, wanted "
        f"{100 * limit:g} %){least}",
    )
    return steps


def _by_phone(figures: Figures, calls: int) -> Iterator[tuple[str, int]]:
    """Share out calls so that the phones heard least catch up first."""
    have: dict[str, int] = {}
    for call in figures.calls:
        if call.fate not in ("cut", "masked"):
            have[call.call.phone] = have.get(call.call.phone, 0) + 1
    given = dict.fromkeys(have, 0)
    for _ in range(calls):
        least = min(have, key=lambda phone: (have[phone] + given[phone], phone))
        given[least] += 1
    for phone in sorted(given, key=lambda phone: (-given[phone], phone)):
        if given[phone]:
            yield phone, given[phone]


def _alarm_steps(figures: Figures, day: Day, pace: _Pace) -> list[Step] | Obstacle:
    limit = day.limits.false_alarms_per_day
    exposures = [c.exposure for c in figures.classes]
    brought = [k for k, e in enumerate(exposures) if e.per_day > 0.0]
    if not brought:
        return Obstacle(
            Claim.FALSE_ALARMS, "day.toml brings no class at all, so there is no daily figure: fill it in"
        )
    known = sum(c.per_day or 0.0 for c in figures.classes)
    if known >= limit:
        worst = max(figures.classes, key=lambda c: c.per_day or 0.0)
        return Obstacle(
            Claim.FALSE_ALARMS,
            f"{known:.3g} false alarms a day is not under the limit of {limit:g} (most of it from "
            f"{worst.exposure.label}): more recording alone would only show that better; change the setting "
            "or the box",
        )
    tally = _Alarms(
        alarms=figures.alarms_by_session[brought],
        recorded=figures.recorded_by_session[brought],
        per_day=np.array([exposures[k].per_day for k in brought]),
    )
    now = tally.upper()
    if now is not None and now <= limit:
        return []
    # of a class with no pace yet an event is taken to need a minute: it only weighs one class against another
    hours_each = [pace.hours_for(1.0, e.label, e.unit) or 1.0 / 60.0 for e in (exposures[k] for k in brought)]
    amounts = tally.needed(limit, np.array(hours_each))
    if amounts is None:
        return Obstacle(
            Claim.FALSE_ALARMS,
            f"{known:.3g} false alarms a day is so near the limit of {limit:g} that no reasonable amount of "
            "recording would show on which side it is",
        )
    steps: list[Step] = []
    weight = [math.inf if not e.recorded > 0.0 else e.weight for e in (exposures[k] for k in brought)]
    for k in sorted(range(len(brought)), key=lambda k: (-weight[k], exposures[brought[k]].label)):
        if amounts[k] <= 0.0:
            continue
        exposure = exposures[brought[k]]
        amount = _rounded_up(float(amounts[k]), exposure.unit)
        tally = tally.with_more(k, amount)
        then = tally.upper()
        steps.append(_class_step(exposure, amount, now, then, limit, pace))
        now = then
    return steps


@dataclass(frozen=True)
class _Alarms:
    """False alarms and exposure by class and session, with what a day brings."""

    alarms: NDArray[np.float64]
    recorded: NDArray[np.float64]
    per_day: NDArray[np.float64]

    def upper(self) -> float | None:
        """Upper limit of the daily figure; None while a class has no recording."""
        from evalkit.rates import daily_rate

        upper = float(daily_rate(self.alarms, self.recorded, self.per_day).interval.upper)
        return None if math.isnan(upper) else upper

    def with_more(self, k: int, amount: float) -> "_Alarms":
        """Return the same with more of a class in two sessions more, at its rate so far."""
        recorded = float(self.recorded[k].sum())
        rate = float(self.alarms[k].sum()) / recorded if recorded > 0.0 else 0.0
        new = np.zeros((len(self.per_day), _MORE_SESSIONS))
        new[k] = amount / _MORE_SESSIONS
        alarms = np.concatenate([self.alarms, new * rate], axis=1)
        return _Alarms(alarms, np.concatenate([self.recorded, new], axis=1), self.per_day)

    def needed(self, limit: float, hours_each: NDArray[np.float64]) -> NDArray[np.float64] | None:
        """Return how much more of each class brings the upper limit down to `limit` in the least time.

        The upper limit hangs on two things: the class of which one alarm more
        would weigh most, for which one weight for all is best (without any
        alarm it is Garwood's 3.69); and the variance of the alarms so far, for
        which amounts in proportion to the day's share times the root of the
        rate are best (Neyman's allocation, from memory). Mixtures of the two
        are tried.

        Parameters
        ----------
        limit : float
        hours_each : ndarray of shape (n_classes,)
            How long the recorder runs for one event or hour of a class.
        """
        rates = np.divide(
            self.alarms.sum(axis=1),
            self.recorded.sum(axis=1),
            out=np.zeros(len(self.per_day)),
            where=self.recorded.sum(axis=1) > 0.0,
        )
        narrowing = np.sqrt(rates / hours_each)
        narrowing /= max(float(narrowing.max()), 1e-300)
        mixed = (self._needed(limit, self.per_day * (s + (1.0 - s) * narrowing)) for s in _SHARES)
        found = [amounts for amounts in mixed if amounts is not None]
        return min(found, key=lambda amounts: float(amounts @ hours_each), default=None)

    def _needed(self, limit: float, shape: NDArray[np.float64]) -> NDArray[np.float64] | None:
        """Return the least amounts, in all in proportion to `shape`, that bring the upper limit there."""
        from evalkit.rates import exposure_needed

        total = self.recorded.sum(axis=1)

        def more(cap: float) -> NDArray[np.float64]:
            return np.asarray(np.maximum(shape / cap - total, 0.0))

        def reached(cap: float) -> bool:
            tally = self
            for k, amount in enumerate(more(cap)):
                if amount > 0.0:
                    tally = tally.with_more(k, float(amount))
            upper = tally.upper()
            return upper is not None and upper <= limit * (1.0 + 1e-9)

        # with no alarm at all this cap is enough, and with some it is the least that could be
        high = 1.0 / exposure_needed(limit)
        low = high / _MOST_TIMES
        if not reached(low):
            return None
        if reached(high):
            return more(high)
        for _ in range(60):
            middle = math.sqrt(low * high)
            low, high = (middle, high) if reached(middle) else (low, middle)
        return more(low)


def _rounded_up(amount: float, unit: str) -> float:
    """Whole minutes or whole events."""
    return math.ceil(60.0 * amount - 1e-6) / 60.0 if unit == "hour" else float(math.ceil(amount - 1e-6))


def _class_step(
    exposure: ClassExposure,
    amount: float,
    now: float | None,
    then: float | None,
    limit: float,
    pace: _Pace,
) -> Step:
    hours = exposure.unit == "hour"
    said = _duration(amount) if hours else f"{amount:.0f}"
    became = "still unknown" if then is None else f"at most {then:.3g}"
    before = "unknown" if now is None else f"at most {now:.3g}"
    what = (
        f"record {said} more of {exposure.label}"
        if hours
        else f"record {said} more events of {exposure.label}"
    )
    return Step(
        claim=Claim.FALSE_ALARMS,
        what=exposure.label,
        amount=amount,
        unit=exposure.unit,
        sessions=_MORE_SESSIONS,
        effort_h=pace.hours_for(amount, exposure.label, exposure.unit),
        worse_end_now=now,
        worse_end_then=then,
        limit=limit,
        text=f"{what} {pace.over(_MORE_SESSIONS)}: then {became} false alarms a day would be "
        f"shown (now {before}, wanted {limit:g})",
    )


def _response_steps(figures: Figures, day: Day, pace: _Pace) -> list[Step] | Obstacle:
    from evalkit.proportions import exact_interval, trials_needed

    limit = day.limits.response_s
    if not figures.counted:
        return Obstacle(Claim.RESPONSE, "no call is counted yet: record calls, in 3 sessions at least")
    pair = figures.response_p95_interval.pair()
    if pair is not None and pair[1] <= limit:
        return []
    response = [math.inf if c.response_s is None else c.response_s for c in figures.calls]
    in_time = sum(r <= limit for r in response)
    if in_time / figures.counted < _TAIL:
        return Obstacle(
            Claim.RESPONSE,
            f"{in_time} of {figures.counted} calls were answered within {limit:g} s, under 95 %: more "
            "recording alone would only show that better; a shorter delay or another limit is wanted",
        )
    late = 1.0 - in_time / figures.counted
    # the 95th percentile is within the limit when at least 95 % of calls are: exact binomial
    total = _least(
        lambda n: trials_needed(_TAIL, misses=math.floor(late * n + 1e-9)) <= n, _MOST_SESSIONS * 10
    )
    if total is None:
        return Obstacle(
            Claim.RESPONSE,
            f"{in_time} of {figures.counted} calls were answered within {limit:g} s, so near 95 % that no "
            "reasonable number of calls would show on which side it is",
        )
    more = max(1, total - figures.counted)
    now = float(exact_interval(in_time, figures.counted).lower)
    share = 1.0 - math.floor(late * (figures.counted + more) + 1e-9) / (figures.counted + more)
    then = float(exact_interval(share * (figures.counted + more), figures.counted + more).lower)
    return [
        Step(
            claim=Claim.RESPONSE,
            what="calls",
            amount=float(more),
            unit="call",
            sessions=_MORE_SESSIONS,
            effort_h=pace.hours_for(more, "", "call"),
            worse_end_now=now,
            worse_end_then=then,
            limit=_TAIL,
            text=f"record {_count(more, 'more call')} {pace.over(_MORE_SESSIONS)}: then at "
            f"least {100 * then:.1f} % answered within {limit:g} s would be shown (now {100 * now:.1f} %, "
            "wanted 95 %)",
        )
    ]


def _least(enough: Callable[[int], bool], most: int) -> int | None:
    """Least whole number from 1 that is enough, found by doubling and halving; None beyond `most`."""
    high = 1
    while not enough(high):
        high *= 2
        if high > most:
            return None
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def _with_outcome(step: Step, outcome: str) -> Step:
    return replace(step, text=f"{step.text}: {outcome}")


def _count(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"


def _duration(hours: float) -> str:
    return f"{hours:.1f} h" if hours >= 2.0 else f"{60.0 * hours:.0f} min"
