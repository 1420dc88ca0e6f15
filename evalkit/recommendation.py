"""The recommendation: a setting, its figures, how far they are proven, and what would help."""

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from evalkit.board import Board, Hold
from evalkit.cache import CrossingCache
from evalkit.choice import Choice, Spread, choose
from evalkit.crossings import Integrator
from evalkit.dataset import Dataset
from evalkit.day import Day, Limits
from evalkit.detectors import Detector, Levels, LevelUnit
from evalkit.detectors.learned import probability
from evalkit.errors import TooLittleData
from evalkit.figures import Figures, Outcome, figures_of
from evalkit.holding import Cadence, cadence_of, fitting_hold
from evalkit.matching import Ground, classes_of, ground_of
from evalkit.planes import Plane, exposures_of, plane_of
from evalkit.pooling import check_poolable
from evalkit.scoring import Sweep, Sweeps, Tally
from evalkit.tolerances import Tolerances, built_pass_share, known_tolerances
from evalkit.training import DetectorName
from evalkit.workers import Progress, Workers

__all__ = [
    "Built",
    "Fold",
    "Proven",
    "Recommendation",
    "TradeOff",
    "recommend",
    "recommend_from",
    "sentences",
    "unknown_sentence",
]

_FEWEST_SESSIONS = 3
_WIDEN_BY = 16
"""Steps by which each end of both axes is continued where the edge decided."""
_MOST_HOLDS = 2
"""How often another hold is tried: the delay hardly depends on it, so one time nearly always does."""


@dataclass(frozen=True)
class Fold:
    """The whole procedure, choice included, without one session."""

    session: str
    """What was held out: a session, or a maker (`Tally.cluster`)."""
    lane: int
    delay_index: int
    left_out: tuple[str, ...]
    """Classes that only the held-out session has, not counted in this choice."""
    position: float
    """The chosen threshold on the axis of the fold's own detector."""
    delay_s: float
    detector: Detector | None
    """Fitted without the session; None where the sweep came without one."""
    integrator: Integrator
    """With the hold that the other sessions ask for."""


@dataclass(frozen=True)
class Proven:
    """Whether the worse end of each held-out interval meets its limit."""

    calls: bool
    false_alarms: bool
    response: bool

    @property
    def all(self) -> bool:
        """All three limits."""
        return self.calls and self.false_alarms and self.response


@dataclass(frozen=True)
class TradeOff:
    """A nearby way out where nothing passes: one limit relaxed, the others kept."""

    limit: str
    """The limit given up: `calls`, `false alarms` or `response`."""
    threshold_position: float
    delay_s: float
    calls_caught: float
    false_alarms_per_day: float | None
    response_p95_s: float


@dataclass(frozen=True)
class Built:
    """What the board's tolerances make of the recommended setting."""

    tolerances: Tolerances
    bench_pass_share: float | None
    """Share of boards trimmed on the bench that still pass; None where the setting itself does not."""
    ohms_pass_share: float | None
    """Likewise of boards whose knobs are set by ohms."""


@dataclass(frozen=True)
class Recommendation:
    """What `recommend` found."""

    sweep: Sweep
    plane: Plane
    choice: Choice
    figures: Figures
    """On the recordings that the setting was chosen from."""
    held_out: Figures | None
    """Each session at the setting chosen without it; None with fewer than 3 sessions."""
    folds: tuple[Fold, ...]
    proven: Proven
    thin: tuple[str, ...]
    """Classes whose recordings cannot show the limit: one alarm more would break it."""
    trade_offs: tuple[TradeOff, ...]
    """Empty where the setting passes."""
    limits_failed: tuple[str, ...]
    """Which of `calls`, `false alarms`, `response` the estimates fail."""
    spread: Spread
    calibrated: bool
    full_scale_v: float | None
    """Volts for full scale where all recordings agree on it."""
    built: Built | None = None
    """None for detectors that are not the board."""
    hold: Hold | None = None
    """The hold that all figures are of; None from `recommend_from`, which knows of no board."""

    @property
    def passes(self) -> bool | None:
        """Whether the estimates meet the limits; None: one is unknown and no other fails."""
        if not self.choice.acceptable:
            return False
        return None if self.plane.unknown else True

    @property
    def delay_s(self) -> float:
        """The chosen integrator delay."""
        return float(self.sweep.delay_s[self.choice.delay_index])

    @property
    def threshold_position(self) -> float:
        """The chosen threshold on the detector's axis."""
        return float(self.sweep.levels.position[self.choice.lane])

    @property
    def threshold_v(self) -> float | None:
        """Equivalent threshold, V peak of a 175 Hz tone at the pickup; None uncalibrated or learned."""
        volts = self.sweep.levels.threshold_v
        return float(volts[self.choice.lane]) if volts is not None and self.calibrated else None

    @property
    def threshold_dbfs(self) -> float | None:
        """The same in dB of full scale; None where recordings differ in it."""
        volts = self.sweep.levels.threshold_v
        full_scale_v = self.full_scale_v if self.calibrated else 1.0
        if volts is None or full_scale_v is None:
            return None
        return 20.0 * math.log10(float(volts[self.choice.lane]) / full_scale_v)

    @property
    def threshold_level(self) -> float | None:
        """The threshold as a probability; None for detectors of levels."""
        learned = self.sweep.levels.unit is LevelUnit.LOG_ODDS
        return probability(self.threshold_position) if learned else None

    @property
    def gain(self) -> float | None:
        """Amplifier gain at the setting; None uncalibrated or where no gain sets the threshold."""
        gain = self.sweep.levels.gain
        return float(gain[self.choice.lane]) if gain is not None and self.calibrated else None


def recommend(
    dataset: Dataset,
    name: DetectorName,
    *,
    cache: CrossingCache,
    progress: Progress | None = None,
    workers: Workers | None = None,
) -> Recommendation:
    """Sweep a detector over a dataset and choose its setting, with evidence.

    Where the edge of the sweep decides, both axes are continued once and the
    choice is made again; likewise where the calls' cadence asks for another hold
    than the board's. A fold keeps that hold where it is about what the fold's own
    calls and setting ask for (`holding.fitting_hold`), else it has its own.

    Raises
    ------
    TooLittleData
        If sessions are not on one scale (`pooling`), no time is reviewed or no
        call can be counted: no setting can be computed.
    """
    check_poolable(dataset.recordings)
    # said before the audio is gone through, which may take long
    _check_enough(_grounds(dataset))
    if progress is not None:
        progress(0.0, 1.0)
    sweeps = Sweeps(name, dataset, cache=cache, progress=progress, workers=workers)
    # every detector's crossings go through the board's integrator, and the ideal ones are built like it
    tolerances = known_tolerances(dataset.board, cache)
    spread = tolerances.bench.spread
    cadence, hold = cadence_of(dataset), dataset.board.hold
    swept, extra = _wide_enough(sweeps, dataset.day, spread)
    for _ in range(_MOST_HOLDS):
        wanted = _hold_wanted(swept, replace(dataset.board, hold=hold), dataset.day, spread, cadence)
        if wanted == hold:
            break
        hold, sweeps = wanted, sweeps.with_hold(wanted)
        swept, extra = _wide_enough(sweeps, dataset.day, spread)
    found = recommend_from(
        swept,
        dataset.day,
        spread=spread,
        without=lambda groups: _with_own_hold(dataset, sweeps, groups, extra, hold, spread),
    )
    scales = {r.full_scale_v for r in dataset.recordings}
    return replace(
        found,
        calibrated=all(r.full_scale_v is not None for r in dataset.recordings),
        full_scale_v=scales.pop() if len(scales) == 1 else None,
        built=_built(found, tolerances) if swept.levels.gain is not None else None,
        hold=hold,
    )


def _with_own_hold(
    dataset: Dataset,
    sweeps: Sweeps,
    groups: Sequence[frozenset[str]],
    extra: int,
    hold: Hold,
    spread: Spread,
) -> Iterator[Sweep]:
    """Yield each fold's sweep, made again where its own sessions ask for another hold."""
    board = replace(dataset.board, hold=hold)
    for group, swept in zip(groups, sweeps.without(groups, extra=extra)):
        rest = replace(dataset, recordings=tuple(r for r in dataset.recordings if r.session not in group))
        own = replace(swept, tallies=tuple(t for t in swept.tallies if t.session not in group))
        wanted = _hold_wanted(own, board, dataset.day, spread, cadence_of(rest))
        if wanted == hold:
            yield swept
        else:
            yield from sweeps.with_hold(wanted).without([group], extra=extra)


def _wide_enough(sweeps: Sweeps, day: Day, spread: Spread) -> tuple[Sweep, int]:
    """The sweep, continued where its edge decides, and by how many steps it was."""
    swept = sweeps.on_all(extra=0)
    if _choice(swept, plane_of(swept.classes, swept.tallies, day), spread).edge_decides:
        return sweeps.on_all(extra=_WIDEN_BY), _WIDEN_BY
    return swept, 0


def _hold_wanted(swept: Sweep, board: Board, day: Day, spread: Spread, cadence: Cadence | None) -> Hold:
    """What R9 and C5 should be at the setting that a sweep leads to; those of the board where they fit."""
    plane = plane_of(swept.classes, swept.tallies, day)
    chosen = _choice(swept, plane, spread)
    delay_s = float(swept.delay_s[chosen.delay_index])
    response_s = float(plane.response_p95_s[chosen.lane, chosen.delay_index])
    if not math.isfinite(response_s):
        response_s = delay_s
    return fitting_hold(board, cadence, delay_s=delay_s, response_s=response_s)


def _built(found: Recommendation, tolerances: Tolerances) -> Built:
    if not found.choice.acceptable:
        return Built(tolerances, None, None)
    ohms, bench = (
        built_pass_share(
            boards,
            found.plane.acceptable,
            found.sweep.levels.position,
            found.sweep.delay_s,
            found.choice.lane,
            found.choice.delay_index,
        )
        for boards in (tolerances.ohms, tolerances.bench)
    )
    return Built(tolerances, bench_pass_share=bench, ohms_pass_share=ohms)


SweepsWithout = Callable[[Sequence[frozenset[str]]], Iterable[Sweep]]
"""For each group of sessions the sweep, over all recordings, of a detector that was fitted without it."""


def recommend_from(
    swept: Sweep, day: Day, *, spread: Spread, without: SweepsWithout | None = None
) -> Recommendation:
    """Choose a setting from a sweep and hold each session out in turn.

    Parameters
    ----------
    swept : Sweep
    day : Day
        Limits and exposure.
    spread : Spread
        Of a built board, the unit of distance in the choice. A detector that
        tells the spread of its own thresholds has that instead.
    without : callable, optional
        Gives the sweeps of the folds; without it `swept` serves them all, as
        it may where nothing of the detector was fitted.

    Returns
    -------
    Recommendation
        Taken as calibrated with full scale 1 V; `recommend` says otherwise where it is.

    Raises
    ------
    TooLittleData
        If no time is reviewed or no call can be counted.
    """
    _check_enough(swept.tallies)
    plane = plane_of(swept.classes, swept.tallies, day)
    choice = _choice(swept, plane, spread)
    figures = figures_of(
        swept.classes, [Outcome(t, choice.lane, choice.delay_index) for t in swept.tallies], day
    )
    same: SweepsWithout = lambda groups: [swept] * len(groups)  # noqa: E731
    folds, held_out = _hold_out(swept, day, spread, without or same)
    return Recommendation(
        sweep=swept,
        plane=plane,
        choice=choice,
        figures=figures,
        held_out=held_out,
        folds=folds,
        proven=_proven(held_out, day),
        thin=_thin(figures, day),
        trade_offs=() if choice.acceptable else _trade_offs(plane, swept, day),
        limits_failed=_failed(figures, day),
        spread=_spread_of(swept.levels, spread),
        calibrated=True,
        full_scale_v=1.0,
    )


def _grounds(dataset: Dataset) -> list[Ground]:
    classes, warmup_s = classes_of(dataset), dataset.board.warmup_s
    return [ground_of(r, dataset.day, classes, warmup_s=warmup_s) for r in dataset.recordings]


def _check_enough(recordings: Sequence[Ground | Tally]) -> None:
    if not any(r.hours.sum() > 0.0 or r.events.sum() > 0.0 or r.calls for r in recordings):
        raise TooLittleData(
            "no time is reviewed, so nothing can be scored; mark spans with `segments review`"
        )
    if not any(not call.cut for r in recordings for call in r.calls):
        raise TooLittleData(
            "no call lies wholly inside reviewed time after the warm-up, so no setting can be computed; "
            "label rings (or review more of the time around them)"
        )


def _spread_of(levels: Levels, built: Spread) -> Spread:
    return built if levels.sigma is None else replace(built, threshold=levels.sigma)


def _choice(swept: Sweep, plane: Plane, spread: Spread) -> Choice:
    return choose(plane, swept.levels.position, swept.delay_s, _spread_of(swept.levels, spread))


def _hold_out(
    swept: Sweep, day: Day, spread: Spread, without: SweepsWithout
) -> tuple[tuple[Fold, ...], Figures | None]:
    """Fit and choose without each session in turn and score it by what comes out."""
    members: dict[str, set[str]] = {}
    for tally in swept.tallies:
        members.setdefault(tally.cluster, set()).add(tally.session)
    names = sorted(members)
    for name in names:
        elsewhere = [t for t in swept.tallies if t.cluster != name]
        if not any(not call.cut for t in elsewhere for call in t.calls):
            return (), None
    if len(names) < _FEWEST_SESSIONS:
        return (), None
    folds: list[Fold] = []
    outcomes: list[Outcome] = []
    try:
        for name, fold_sweep in zip(names, without([frozenset(members[name]) for name in names])):
            rest = [t for t in fold_sweep.tallies if t.cluster != name]
            own = [t for t in fold_sweep.tallies if t.cluster == name]
            only_here = tuple(
                there.label
                for there, elsewhere in zip(
                    exposures_of(swept.classes, own, day), exposures_of(swept.classes, rest, day)
                )
                if there.recorded > 0.0 and elsewhere.recorded == 0.0
            )
            plane = plane_of(fold_sweep.classes, rest, day, left_out=only_here)
            choice = _choice(fold_sweep, plane, spread)
            lane, delay_index = choice.lane, choice.delay_index
            folds.append(
                Fold(
                    session=name,
                    lane=lane,
                    delay_index=delay_index,
                    left_out=only_here,
                    position=float(fold_sweep.levels.position[lane]),
                    delay_s=float(fold_sweep.delay_s[delay_index]),
                    detector=fold_sweep.by,
                    integrator=fold_sweep.integrator,
                )
            )
            outcomes += [Outcome(t, lane, delay_index) for t in own]
    except TooLittleData:
        # the sessions left do not allow a fit, so nothing can be held out
        return (), None
    order = {t.recording: k for k, t in enumerate(swept.tallies)}
    outcomes.sort(key=lambda o: order[o.tally.recording])
    return tuple(folds), figures_of(swept.classes, outcomes, day)


def _proven(held_out: Figures | None, day: Day) -> Proven:
    if held_out is None:
        return Proven(False, False, False)
    calls = held_out.calls_interval.pair()
    alarms = held_out.false_alarms_interval.pair()
    response = held_out.response_p95_interval.pair()
    return Proven(
        calls=calls is not None and calls[0] >= day.limits.calls_caught,
        false_alarms=alarms is not None and alarms[1] <= day.limits.false_alarms_per_day,
        response=response is not None and response[1] <= day.limits.response_s,
    )


def _thin(figures: Figures, day: Day) -> tuple[str, ...]:
    """Classes of which one alarm more would take the day over its limit."""
    limit = day.limits.false_alarms_per_day
    now = figures.false_alarms_per_day
    base = now if now is not None and now <= limit else 0.0
    return tuple(
        c.exposure.label
        for c in figures.classes
        if c.exposure.per_day > 0.0 and not base + c.exposure.weight <= limit
    )


def _failed(figures: Figures, day: Day) -> tuple[str, ...]:
    failed = []
    if figures.calls_caught is None or figures.calls_caught < day.limits.calls_caught:
        failed.append("calls")
    if sum(c.per_day or 0.0 for c in figures.classes) > day.limits.false_alarms_per_day:
        failed.append("false alarms")
    if figures.response_p95_s is None or figures.response_p95_s > day.limits.response_s:
        failed.append("response")
    return tuple(failed)


def _trade_offs(plane: Plane, swept: Sweep, day: Day) -> tuple[TradeOff, ...]:
    """For each limit: the setting that meets the other two and misses this one by least."""
    import numpy as np

    limits = day.limits
    alarms = plane.known_alarms_per_day
    meets = {
        "calls": plane.calls_caught >= limits.calls_caught,
        "false alarms": alarms <= limits.false_alarms_per_day,
        "response": plane.response_p95_s <= limits.response_s,
    }
    badness = {"calls": -plane.calls_caught, "false alarms": alarms, "response": plane.response_p95_s}
    found = []
    for limit in meets:
        # a call that is missed has no response time: giving up calls gives up that limit's tail too
        kept = [
            meets[other]
            for other in meets
            if other != limit and not (limit == "calls" and other == "response")
        ]
        allowed = np.logical_and.reduce(kept)
        if not allowed.any():
            continue
        lane, d = divmod(int(np.argmin(np.where(allowed, badness[limit], np.inf))), len(swept.delay_s))
        known = float(plane.false_alarms_per_day[lane, d])
        found.append(
            TradeOff(
                limit=limit,
                threshold_position=float(swept.levels.position[lane]),
                delay_s=float(swept.delay_s[d]),
                calls_caught=float(plane.calls_caught[lane, d]),
                false_alarms_per_day=None if math.isnan(known) else known,
                response_p95_s=float(plane.response_p95_s[lane, d]),
            )
        )
    return tuple(found)


def sentences(found: Recommendation, day: Day) -> Sequence[str]:
    """Say in words how far the evidence reaches: what one more miss or alarm would do, what is unknown."""
    figures, limits = found.figures, day.limits
    said: list[str] = []
    said += [unknown_sentence(label) for label in found.plane.unknown]
    for c in figures.classes:
        if c.exposure.label not in found.thin or c.exposure.label in found.plane.unknown:
            continue
        amount = _amount(c.exposure.recorded, c.exposure.unit)
        upper = (
            "" if c.per_day_upper is None else f"; the recordings allow up to {_short(c.per_day_upper)} a day"
        )
        alarms = "no alarm" if c.alarms == 0 else f"{c.alarms} alarm{'s' if c.alarms > 1 else ''}"
        limit = f"the limit is {limits.false_alarms_per_day:g}"
        if "false alarms" in found.limits_failed:
            limit = f"the limit of {limits.false_alarms_per_day:g} a day is missed already"
        said.append(
            f"{c.exposure.label}: {alarms} in {amount}; one more would mean {_short(c.exposure.weight)} "
            f"more a day ({limit}){upper}."
        )
    said += _calls_sentences(figures, limits)
    if found.sweep.levels.unit is LevelUnit.LOG_ODDS:
        said.append(
            f"{found.sweep.detector} was fitted and its setting chosen on these recordings: what is told of "
            "them is optimistic; expect what is held out."
        )
    said += _held_out_sentences(found)
    return said


def unknown_sentence(label: str) -> str:
    """Say that a class which the day brings was not recorded, and what mends it."""
    return (
        f"The day brings {label} and no reviewed recording holds any, so false alarms a day are "
        f"unknown; record some {label}, or set its exposure to 0 in day.toml if it never happens."
    )


def _calls_sentences(figures: Figures, limits: Limits) -> Iterable[str]:
    """Say how near the share of calls is to its limit, on whichever side."""
    caught, counted = figures.caught, figures.counted
    wanted = f"{100 * limits.calls_caught:g} %"
    if not counted:
        return
    if caught / counted < limits.calls_caught:
        # a hair over a whole number of misses is that number: 0.9 of 60 leaves 6
        spare = math.floor(counted * (1.0 - limits.calls_caught) + 1e-9)
        yield (
            f"Calls: {caught} of {counted} caught is under the limit of {wanted} already; of {counted} at "
            f"most {spare} may be missed."
        )
    elif (caught - 1) / counted < limits.calls_caught:
        yield f"Calls: {caught} of {counted} caught; one more miss would be under the limit of {wanted}."


def _held_out_sentences(found: Recommendation) -> Iterable[str]:
    """Say what was held out together, and where nothing was."""
    unit, tallies = found.figures.unit, found.sweep.tallies
    makers = len({t.maker for t in tallies})
    if unit == "maker":
        yield (
            f"Recordings of {makers} makers are merged here, so a whole maker was held out at a time: the "
            "held-out figures are what to expect of a maker whose box nobody has recorded yet, and their "
            "intervals take makers, not sessions, as the units that differ."
        )
    elif makers > 1 and found.held_out is not None:
        yield (
            f"Recordings of {makers} makers are merged here, too few with calls to hold a whole maker out, "
            "so sessions are held out one by one: the figures hold for these makers' boxes, and another's "
            "may do worse."
        )
    if found.held_out is None:
        with_calls = {t.session for t in tallies if any(not call.cut for call in t.calls)}
        why = (
            "Fewer than 3 sessions with calls"
            if len(with_calls) < _FEWEST_SESSIONS
            else f"Without one {unit} or another the rest holds too little to fit or to choose by"
        )
        yield f"{why}: nothing can be held out, so nothing is proven."
    for fold in found.folds:
        if fold.left_out:
            yield (
                f"Without {unit} {fold.session} there is no {', '.join(fold.left_out)}: "
                "its choice did not count it."
            )


def _short(value: float) -> str:
    return f"{value:.0f}" if value >= 10.0 else f"{value:.2g}"


def _amount(recorded: float, unit: str) -> str:
    if unit == "event":
        return f"{recorded:.0f} events"
    return f"{recorded:.1f} h" if recorded >= 2.0 else f"{60.0 * recorded:.0f} min"
