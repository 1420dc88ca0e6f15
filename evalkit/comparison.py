"""Detectors side by side under the same limits: is a cleverer one better beyond chance, and worth it?

Only held-out outcomes are compared, each session's at the setting that was
fitted and chosen without it. The plainest detector is the reference: the
question is whether leaving it pays, so each other one is held against it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from evalkit.cache import CrossingCache
from evalkit.chance import Chance, against_chance
from evalkit.curves import Curves, curves_of
from evalkit.dataset import Dataset
from evalkit.day import Limits
from evalkit.detectors import Cost
from evalkit.errors import TooLittleData
from evalkit.figures import Figures
from evalkit.recommendation import Recommendation, recommend
from evalkit.roc import AucDifference, auc_difference
from evalkit.training import DetectorName
from evalkit.workers import Progress, Workers

__all__ = ["Comparison", "Contender", "Difference", "Question", "compare", "compare_found"]

FEWEST_DISCORDANT = 10
"""Under so many outcomes in which two detectors differ, nothing is claimed."""
_LEVEL = 0.05


class Question(StrEnum):
    """In what two detectors are compared."""

    CALLS = "calls"
    FALSE_ALARMS = "false alarms"


@dataclass(frozen=True)
class Contender:
    """One detector with its best setting under the limits."""

    found: Recommendation
    curves: Curves
    cost: Cost
    chance: Chance | None
    """None where nothing could be held out."""
    chance_p: float | None
    """`chance.p_value`, Holm-adjusted over the detectors compared."""

    @property
    def name(self) -> str:
        """As in `--detector`."""
        return self.found.sweep.detector

    @property
    def better_than_chance(self) -> bool | None:
        """Whether it catches calls beyond chance at 5 %; None where that is unknown."""
        return None if self.chance_p is None else self.chance_p <= _LEVEL


@dataclass(frozen=True)
class Difference:
    """A detector against the reference on the same held-out outcomes."""

    detector: str
    reference: str
    question: Question
    only_detector: int
    """Calls that only the detector caught, or its false alarms."""
    only_reference: int
    """Likewise of the reference."""
    p_value: float | None
    """Sign-flip test over sessions, two-sided; None under 10 discordant outcomes."""
    p_adjusted: float | None
    """Holm, over all pairs and both questions."""
    better: str | None
    """Which is better beyond chance at 5 %; None: no claim."""
    area: AucDifference
    """Of the segment-level ROC against nuisance events, paired; told, not used for a claim."""


@dataclass(frozen=True)
class Comparison:
    """What `score` shows."""

    contenders: tuple[Contender, ...]
    """In the order asked for."""
    left_out: tuple[tuple[str, str], ...]
    """Detectors that could not be fitted, with the reason."""
    reference: str | None
    """The plainest detector compared; None if there is one only."""
    differences: tuple[Difference, ...]
    verdict: str
    """Is a cleverer detector better beyond chance, and is it worth it?"""


def compare(
    dataset: Dataset,
    names: Sequence[DetectorName],
    *,
    cache: CrossingCache,
    progress: Progress | None = None,
    workers: Workers | None = None,
) -> Comparison:
    """Recommend a setting for each detector and compare what they do in sessions held out.

    A detector that these sessions do not allow to fit is left out and named.

    Raises
    ------
    TooLittleData
        If none of them can be fitted.
    """
    found: list[tuple[Recommendation, Curves]] = []
    left_out: list[tuple[str, str]] = []
    reason: TooLittleData | None = None
    for name in names:
        try:
            each = recommend(dataset, name, cache=cache, progress=progress, workers=workers)
        except TooLittleData as error:
            # the plainest detector's reason says best what the data lack
            reason = reason or error
            left_out.append((str(name), str(error)))
        else:
            found.append((each, curves_of(dataset, each, cache, workers=workers)))
    if not found and reason is not None:
        raise reason
    return compare_found(dataset, found, cache=cache, left_out=left_out)


def compare_found(
    dataset: Dataset,
    found: Sequence[tuple[Recommendation, Curves]],
    *,
    cache: CrossingCache,
    left_out: Sequence[tuple[str, str]] = (),
) -> Comparison:
    """Compare recommendations that are there already.

    Parameters
    ----------
    dataset : Dataset
        That they were found on.
    found : sequence of (Recommendation, Curves)
    cache : CrossingCache
    left_out : sequence of (str, str)
        Detectors without a recommendation, with the reason.
    """
    from evalkit.paired import holm_adjust

    chances = [against_chance(each, dataset, cache) for each, _ in found]
    known = [c.p_value for c in chances if c is not None]
    adjusted = iter(holm_adjust(known).tolist())
    contenders = tuple(
        Contender(
            found=each,
            curves=curves,
            cost=_cost(each),
            chance=chance,
            chance_p=None if chance is None else next(adjusted),
        )
        for (each, curves), chance in zip(found, chances)
    )
    reference = min(contenders, key=lambda c: c.cost.effort, default=None)
    if reference is None or len(contenders) < 2:
        return Comparison(contenders, tuple(left_out), None, (), "Only one detector: nothing to compare.")
    others = [c for c in contenders if c is not reference]
    differences = _adjusted([_difference(c, reference, q) for c in others for q in Question])
    return Comparison(
        contenders=contenders,
        left_out=tuple(left_out),
        reference=reference.name,
        differences=differences,
        verdict=_verdict(reference, others, differences, dataset.day.limits),
    )


def _cost(found: Recommendation) -> Cost:
    if found.sweep.by is None:
        raise ValueError("the sweep does not tell its detector, so its cost is unknown")
    return found.sweep.by.cost


def _difference(one: Contender, reference: Contender, question: Question) -> Difference:
    """Count the discordant outcomes by session and test them; the adjustment comes later."""
    from evalkit.paired import session_flip_p

    first, second = one.found.held_out, reference.found.held_out
    mine = theirs = np.zeros(0)
    if first is not None and second is not None:
        count = _discordant_calls if question is Question.CALLS else _alarms
        mine, theirs = count(first, second)
    enough = mine.sum() + theirs.sum() >= FEWEST_DISCORDANT
    return Difference(
        detector=one.name,
        reference=reference.name,
        question=question,
        only_detector=int(mine.sum()),
        only_reference=int(theirs.sum()),
        p_value=session_flip_p(mine, theirs) if enough else None,
        p_adjusted=None,
        better=_favoured(one, reference, question, mine, theirs),
        area=auc_difference(one.curves.events_scores, reference.curves.events_scores),
    )


def _discordant_calls(first: Figures, second: Figures) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """By session: calls counted for both that only the one, only the other caught."""
    fates = [
        {(c.recording, c.call.start_s): c for c in figures.calls if c.fate not in ("cut", "masked")}
        for figures in (first, second)
    ]
    only = np.zeros((2, len(first.sessions)))
    for key in fates[0].keys() & fates[1].keys():
        caught = [fate[key].fate == "caught" for fate in fates]
        if caught[0] != caught[1]:
            only[0 if caught[0] else 1, first.sessions.index(fates[0][key].cluster)] += 1
    return only[0], only[1]


def _alarms(first: Figures, second: Figures) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """By session: false alarms of classes that the day brings."""
    counted = np.array([c.exposure.per_day > 0.0 for c in first.classes])
    return first.alarms_by_session[counted].sum(axis=0), second.alarms_by_session[counted].sum(axis=0)


def _favoured(
    one: Contender,
    reference: Contender,
    question: Question,
    mine: NDArray[np.float64],
    theirs: NDArray[np.float64],
) -> str | None:
    """Which of the two the counts favour; for alarms only if the day's figure does too."""
    balance = float(mine.sum() - theirs.sum())
    if question is Question.CALLS:
        return None if balance == 0.0 else (one.name if balance > 0.0 else reference.name)
    days = [_per_day(c) for c in (one, reference)]
    if balance < 0.0 and days[0] < days[1]:
        return one.name
    return reference.name if balance > 0.0 and days[0] > days[1] else None


def _per_day(contender: Contender) -> float:
    """Held-out false alarms a day of the classes that were recorded."""
    figures = contender.found.held_out
    return sum(c.per_day or 0.0 for c in figures.classes) if figures is not None else 0.0


def _adjusted(differences: Sequence[Difference]) -> tuple[Difference, ...]:
    """Adjust for the number of tests and keep the claims that survive."""
    from evalkit.paired import holm_adjust

    tested = [d.p_value for d in differences if d.p_value is not None]
    adjusted = iter(holm_adjust(tested).tolist())
    result = []
    for d in differences:
        p = None if d.p_value is None else float(next(adjusted))
        claimed = p is not None and p <= _LEVEL
        result.append(replace(d, p_adjusted=p, better=d.better if claimed else None))
    return tuple(result)


def _verdict(
    reference: Contender, others: Sequence[Contender], differences: Sequence[Difference], limits: Limits
) -> str:
    if reference.found.held_out is None:
        return (
            "Fewer than 3 sessions with calls: detectors cannot be compared in sessions that they have not "
            f"seen. Until then build the plainest, {reference.name}."
        )
    claims = {c.name: [d for d in differences if d.detector == c.name and d.better] for c in others}
    better = [
        c
        for c in others
        if any(d.better == c.name for d in claims[c.name])
        and not any(d.better == reference.name for d in claims[c.name])
    ]
    fine = _meets(reference, limits)
    if not better:
        hopeful = [c.name for c in others if _meets(c, limits)] if not fine else []
        why = _why_not(differences, len(reference.found.folds))
        said = (
            f"No cleverer detector is better than {reference.name} beyond chance on these recordings "
            f"({why}), so none is worth building on this evidence."
        )
        if hopeful:
            said += (
                f" But {' and '.join(hopeful)} met the limits in held-out sessions where {reference.name} "
                "did not: record more sessions before deciding (`evalkit plan`)."
            )
        return said
    best = min(better, key=lambda c: (not _meets(c, limits), c.cost.effort, _per_day(c)))
    said = f"{best.name} is better than {reference.name} beyond chance ({_claims_text(claims[best.name])})"
    if _meets(best, limits) and not fine:
        return (
            f"{said}, and in held-out sessions it meets the limits where {reference.name} does not: worth "
            f"building. It takes {best.cost.parts}; {best.cost.current}."
        )
    if fine:
        return (
            f"{said}, but {reference.name} meets the limits too: not worth its cost ({best.cost.parts}) "
            "unless the limits are to be tightened."
        )
    return f"{said}, but it does not meet the limits either: change the box or the place before building it."


def _meets(contender: Contender, limits: Limits) -> bool:
    """Whether the held-out estimates meet the limits that are known."""
    figures = contender.found.held_out
    return (
        figures is not None
        and figures.calls_caught is not None
        and figures.calls_caught >= limits.calls_caught
        and _per_day(contender) <= limits.false_alarms_per_day
        and figures.response_p95_s is not None
        and figures.response_p95_s <= limits.response_s
    )


def _why_not(differences: Sequence[Difference], sessions: int) -> str:
    tested = [d.p_adjusted for d in differences if d.p_adjusted is not None]
    if not tested:
        return f"in no pair are there {FEWEST_DISCORDANT} outcomes in which the two differ"
    said = f"smallest p {min(tested):.2g} after Holm's adjustment for {len(tested)} tests"
    # sessions that all agree have a p-value of 2 / 2^n: with too few of them nothing can ever be claimed
    enough = math.ceil(math.log2(2.0 * len(tested) / _LEVEL))
    if sessions < enough:
        said += f"; {sessions} sessions cannot show any difference in so many, {enough} that agree could"
    return said


def _claims_text(claims: Sequence[Difference]) -> str:
    return "; ".join(
        f"{d.question}: {d.only_detector} against {d.only_reference}, p {d.p_adjusted:.2g}" for d in claims
    )
