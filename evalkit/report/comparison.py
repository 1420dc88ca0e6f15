"""Two datasets or two boards side by side: what changed, and whether beyond chance.

On the same recordings the same calls are compared one by one (McNemar's exact
test, and its like with sessions as the units) and so are the segments of the
ROC. On different recordings each figure's own intervals are put together.
"""

import dataclasses
import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from evalkit.board import Board, Value
from evalkit.cache import CrossingCache
from evalkit.curves import chosen_scores
from evalkit.dataset import Dataset
from evalkit.day import Day
from evalkit.figures import CallOutcome, Figures, Outcome, figures_of
from evalkit.intervals import Interval
from evalkit.paired import mcnemar_p, session_flip_p
from evalkit.recommendation import Recommendation
from evalkit.report.wording import quantity
from evalkit.report.words import position_text
from evalkit.roc import Auc, Scores, auc, auc_difference
from evalkit.scoring import SegmentScores

__all__ = ["Comparison", "Difference", "compared", "difference_of", "side_of"]

_BEYOND = 0.05


@dataclass(frozen=True)
class Side:
    """One of the two."""

    dataset: Dataset
    found: Recommendation
    scores: Scores
    """Calls against nuisance events, at the recommended delay."""


@dataclass(frozen=True)
class Difference:
    """One figure of both, and whether they differ beyond chance."""

    figure: str
    first: str
    second: str
    change: str
    """Second less first, with its interval."""
    beyond_chance: bool | None
    """None: cannot be told."""
    how: str
    """By which test or interval."""


@dataclass(frozen=True)
class Comparison:
    """What two recommendations have in common and in what they differ."""

    first: str
    second: str
    same_recordings: bool
    changed: tuple[tuple[str, str, str], ...]
    """(what, first, second): setting, board, day, recordings; only what differs."""
    differences: tuple[Difference, ...]
    carried: tuple[str, ...]
    """What the first one's setting would do on the second's recordings, and the reverse, in words."""


def side_of(dataset: Dataset, found: Recommendation, cache: CrossingCache) -> Side:
    """Return one side of a comparison.

    Raises
    ------
    ValueError
        If the recommendation's sweep does not tell its detector.
    """
    return Side(dataset, found, _event_scores(chosen_scores(dataset, found, cache)))


def compared(first: Side, second: Side) -> Comparison:
    """Compare two recommendations of one kind of detector."""
    same = _same_calls(first, second)
    names = _names(first.dataset, second.dataset)
    return Comparison(
        first=names[0],
        second=names[1],
        same_recordings=same,
        changed=tuple(_changes(first, second)),
        differences=(
            _calls_difference(first, second, same),
            _alarms_difference(first, second),
            _response_difference(first, second),
            _area_difference(first, second, same),
        ),
        carried=tuple(_carried(first, second, names)) + tuple(_carried(second, first, names[::-1])),
    )


def difference_of(
    first: float, first_interval: Interval, second: float, second_interval: Interval
) -> tuple[float, float, float] | None:
    """Return the difference of two independent figures with its 95 % interval, from their own intervals.

    The limits of each figure stand for its spread on the side that matters
    (square-and-add), so that skewed intervals give a skewed one.

    Returns
    -------
    (second - first, lower, upper) or None
        None where an interval is unknown or not finite.

    References
    ----------
    .. [1] Newcombe (1998), Statistics in Medicine 17, 873-890, method 10 (cited from memory).
    .. [2] Zou & Donner (2008), Statistics in Medicine 27, 1693-1702 (cited from memory).

    Examples
    --------
    >>> from evalkit.proportions import wilson_interval
    >>> change = difference_of(48 / 80, wilson_interval(48, 80), 56 / 70, wilson_interval(56, 70))
    >>> [round(value, 4) for value in change]
    [0.2, 0.0524, 0.3339]
    """
    a, b = first_interval.pair(), second_interval.pair()
    if a is None or b is None or not all(map(math.isfinite, (*a, *b, first, second))):
        return None
    change = second - first
    down = math.hypot(second - b[0], a[1] - first)
    up = math.hypot(b[1] - second, first - a[0])
    return change, change - down, change + up


def _event_scores(scored: SegmentScores) -> Scores:
    kind = np.array(scored.kind)
    session = np.unique(np.array(scored.session), return_inverse=True)[1]
    positive, negative = kind == "call", kind == "nuisance"
    return Scores(scored.score[positive], scored.score[negative], session[positive], session[negative])


def _figures(side: Side) -> Figures:
    return side.found.held_out or side.found.figures


def _names(first: Dataset, second: Dataset) -> tuple[str, str]:
    if first.title != second.title:
        return first.title, second.title
    a, b = first.folder.resolve().name, second.folder.resolve().name
    return (a, b) if a != b else (f"{first.title} (first)", f"{second.title} (second)")


def _same_calls(first: Side, second: Side) -> bool:
    """Whether both were scored on the same audio with the same calls."""

    def key(side: Side) -> list[tuple[str, tuple[tuple[float, float, bool], ...]]]:
        audio = {r.name: r.audio_sha256 for r in side.dataset.recordings}
        return sorted(
            (audio[t.recording], tuple((c.start_s, c.end_s, c.cut) for c in t.calls))
            for t in side.found.sweep.tallies
        )

    return key(first) == key(second)


def _outcomes(side: Side) -> dict[tuple[str, float], CallOutcome]:
    audio = {r.name: r.audio_sha256 for r in side.dataset.recordings}
    return {(audio[c.recording], c.call.start_s): c for c in _figures(side).calls}


def _calls_difference(first: Side, second: Side, same: bool) -> Difference:
    a, b = _figures(first), _figures(second)
    texts = _two(f"{f.caught} of {f.counted}" for f in (a, b))
    if a.calls_caught is None or b.calls_caught is None:
        return Difference("calls caught", *texts, "unknown", None, "no call was counted")
    change = difference_of(a.calls_caught, a.calls_interval, b.calls_caught, b.calls_interval)
    told = _told(change, lambda v: f"{100 * v:+.1f} %")
    if not same:
        return Difference("calls caught", *texts, told, _excludes_zero(change), _OWN_INTERVALS)
    one, two = _outcomes(first), _outcomes(second)
    sessions = sorted({c.cluster for c in one.values()})
    only = np.zeros((2, len(sessions)), np.int64)
    for key, outcome in one.items():
        fates = [c.fate for c in (outcome, two[key])]
        if "masked" in fates or "cut" in fates:
            continue
        s = sessions.index(outcome.cluster)
        only[0, s] += fates[0] == "caught" != fates[1]
        only[1, s] += fates[1] == "caught" != fates[0]
    p_calls = mcnemar_p(int(only[0].sum()), int(only[1].sum()))
    p_sessions = session_flip_p(only[0], only[1])
    how = (
        f"{only[0].sum()} calls caught by the first only, {only[1].sum()} by the second only; exact tests: "
        f"p = {p_calls:.2g} with calls as independent, {p_sessions:.2g} with sessions"
    )
    change_only = f"{100 * (b.calls_caught - a.calls_caught):+.1f} %"
    return Difference("calls caught", *texts, change_only, max(p_calls, p_sessions) < _BEYOND, how)


def _alarms_difference(first: Side, second: Side) -> Difference:
    a, b = _figures(first), _figures(second)
    values = (a.false_alarms_per_day, b.false_alarms_per_day)
    texts = _two("unknown" if v is None else f"{v:.3g}" for v in values)
    name = "false alarms a day"
    if values[0] is None or values[1] is None:
        return Difference(name, *texts, "unknown", None, "a class that the day brings was not recorded")
    change = difference_of(values[0], a.false_alarms_interval, values[1], b.false_alarms_interval)
    return Difference(
        name, *texts, _told(change, lambda v: f"{v:+.3g}"), _excludes_zero(change), _OWN_INTERVALS
    )


def _response_difference(first: Side, second: Side) -> Difference:
    a, b = _figures(first), _figures(second)
    values = [math.nan if f.response_p95_s is None else f.response_p95_s for f in (a, b)]
    texts = _two("unknown" if math.isnan(v) else "never" if math.isinf(v) else f"{v:.2f} s" for v in values)
    change = difference_of(values[0], a.response_p95_interval, values[1], b.response_p95_interval)
    told = _told(change, lambda v: f"{v:+.2f} s")
    return Difference("95 % of calls within", *texts, told, _excludes_zero(change), _OWN_INTERVALS)


def _area_difference(first: Side, second: Side, same: bool) -> Difference:
    areas: list[Auc] = [auc(side.scores) for side in (first, second)]
    texts = _two("unknown" if math.isnan(a.estimate) else f"{a.estimate:.3f}" for a in areas)
    name = "area under the ROC, events"
    if same and first.scores.negatives.shape == second.scores.negatives.shape:
        paired = auc_difference(second.scores, first.scores)
        pair = paired.interval.pair()
        change = None if pair is None else (paired.estimate, *pair)
        known = not math.isnan(paired.p_value)
        how = (
            f"same segments, sessions as clusters (DeLong, Obuchowski): p = {paired.p_value:.2g}"
            if known
            else "same segments: they order every pair alike, or a variance is unknown"
        )
        beyond = paired.p_value < _BEYOND if known else False if paired.estimate == 0.0 else None
        return Difference(name, *texts, _told(change, lambda v: f"{v:+.3f}"), beyond, how)
    change = difference_of(areas[0].estimate, areas[0].interval, areas[1].estimate, areas[1].interval)
    return Difference(
        name, *texts, _told(change, lambda v: f"{v:+.3f}"), _excludes_zero(change), _OWN_INTERVALS
    )


_OWN_INTERVALS = (
    "from both figures' own 95 % intervals (square-and-add), taken as independent; "
    "cautious on the same recordings"
)


def _two(texts: Iterable[str]) -> tuple[str, str]:
    first, second = texts
    return first, second


def _told(change: tuple[float, float, float] | None, as_text: Callable[[float], str]) -> str:
    if change is None:
        return "unknown"
    return f"{as_text(change[0])} [{as_text(change[1])}, {as_text(change[2])}]"


def _excludes_zero(change: tuple[float, float, float] | None) -> bool | None:
    return None if change is None else not change[1] <= 0.0 <= change[2]


def _changes(first: Side, second: Side) -> Iterator[tuple[str, str, str]]:
    told: tuple[tuple[str, Callable[[Side], str]], ...] = (
        ("detector", lambda side: side.found.sweep.detector),
        ("threshold", lambda side: position_text(side.found, side.found.choice.lane)),
        ("delay", lambda side: f"{side.found.delay_s:.2f} s"),
        ("passes", lambda side: _yes(side.found.passes)),
        ("recordings", lambda side: _recordings_text(side.dataset)),
    )
    rows = [(what, text(first), text(second)) for what, text in told]
    rows += _day_rows(first.dataset.day, second.dataset.day)
    rows += _board_rows(first.dataset.board, second.dataset.board)
    yield from (row for row in rows if row[1] != row[2])


def _yes(passes: bool | None) -> str:
    return {True: "yes", False: "no", None: "unknown"}[passes]


def _recordings_text(dataset: Dataset) -> str:
    sessions = {r.session for r in dataset.recordings}
    hours = sum(r.duration_s for r in dataset.recordings) / 3600.0
    return f"{len(dataset.recordings)} in {len(sessions)} sessions, {hours:.2f} h"


def _day_rows(first: Day, second: Day) -> Iterator[tuple[str, str, str]]:
    for name in (f.name for f in dataclasses.fields(first.limits)):
        yield f"limit: {name}", f"{getattr(first.limits, name):g}", f"{getattr(second.limits, name):g}"
    told = [
        {
            e.label: f"{e.events_per_day:g} a day"
            if e.events_per_day is not None
            else f"{e.hours_per_day:g} h"
            for e in day.exposures
        }
        for day in (first, second)
    ]
    for label in sorted({*told[0], *told[1]}):
        yield f"a day brings: {label}", told[0].get(label, "nothing"), told[1].get(label, "nothing")


def _board_rows(first: Board, second: Board) -> Iterator[tuple[str, str, str]]:
    """Every value of the two boards; those that differ are picked out by the caller."""
    for group in dataclasses.fields(first):
        one, two = getattr(first, group.name), getattr(second, group.name)
        for part in dataclasses.fields(one):
            name = f"board: {group.name} {part.name.replace('_', ' ')}"
            yield name, _part_text(getattr(one, part.name)), _part_text(getattr(two, part.name))


def _part_text(value: Any) -> str:
    if isinstance(value, Value):
        typ, low, high = (quantity(v, "").strip() for v in (value.typ, value.low, value.high))
        return f"{typ} ({low} to {high})"
    if isinstance(value, tuple):
        return ", ".join(_part_text(each) for each in value)
    return "none" if value is None else str(value)


def _carried(of: Side, to: Side, names: tuple[str, str]) -> Iterator[str]:
    """What one side's setting would do on the other's recordings, read off the nearest cell of its plane."""
    a, b = of.found, to.found
    if a.sweep.detector != b.sweep.detector or a.calibrated != b.calibrated:
        return
    position, delays = b.sweep.levels.position, np.log(b.sweep.delay_s)
    lane = int(np.argmin(np.abs(position - a.threshold_position)))
    d = int(np.argmin(np.abs(delays - math.log(a.delay_s))))
    figures = figures_of(b.sweep.classes, [Outcome(t, lane, d) for t in b.sweep.tallies], to.dataset.day)
    alarms = figures.false_alarms_per_day
    told = "an unknown number of" if alarms is None else f"{alarms:.3g}"
    yield (
        f"The setting of {names[0]} on the recordings of {names[1]} (its nearest swept setting, "
        f"{position_text(b, lane)} and {b.sweep.delay_s[d]:.2f} s): {figures.caught} of {figures.counted} "
        f"calls caught, {told} false alarms a day."
    )
