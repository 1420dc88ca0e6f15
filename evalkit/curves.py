"""Curves of a detector: segment-level ROC at the chosen delay and the free-response curve."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evalkit.cache import CrossingCache
from evalkit.dataset import Dataset
from evalkit.recommendation import Recommendation
from evalkit.roc import Auc, FreeResponse, RocCurve, Scores, auc, free_response, roc_curve
from evalkit.scoring import SegmentScores, score_segments
from evalkit.workers import Workers

__all__ = ["Curves", "chosen_scores", "curves_of"]


@dataclass(frozen=True)
class Curves:
    """What the threshold alone does at the chosen delay, and what the whole plane offers."""

    events: RocCurve
    """Calls against nuisance events (classes that the day counts in events)."""
    events_auc: Auc
    pieces: RocCurve
    """Calls against 10 s pieces of the hour classes and of background."""
    pieces_auc: Auc
    free: FreeResponse
    """For each figure of false alarms a day, the most calls caught by any setting."""
    events_scores: Scores
    """What `events` and its area come from: the same segments, in the same order, for every detector."""


def chosen_scores(
    dataset: Dataset, found: Recommendation, cache: CrossingCache, *, workers: Workers | None = None
) -> SegmentScores:
    """Score every segment at a recommendation's delay.

    Raises
    ------
    ValueError
        If the recommendation's sweep does not tell its detector.
    """
    if found.sweep.by is None:
        raise ValueError("the sweep does not tell its detector, so segments cannot be scored")
    return score_segments(
        dataset,
        found.sweep.by,
        delay_s=found.delay_s,
        integrator=found.sweep.integrator,
        warmup_s=dataset.board.warmup_s,
        cache=cache,
        workers=workers,
    )


def curves_of(
    dataset: Dataset, found: Recommendation, cache: CrossingCache, *, workers: Workers | None = None
) -> Curves:
    """Return the curves of a recommendation's detector.

    Sessions are the clusters of the areas' intervals. Where the daily figure
    is unknown the free-response curve is empty.

    Raises
    ------
    ValueError
        If the recommendation's sweep does not tell its detector.
    """
    scored = chosen_scores(dataset, found, cache, workers=workers)
    cluster = found.sweep.clusters(scored.session)
    events, pieces = _scores(scored, "nuisance", cluster), _scores(scored, "piece", cluster)
    areas = [auc(each) for each in (events, pieces)]
    events_auc, pieces_auc = (
        replace(area, interval=area.interval.between(found.figures.unit)) for area in areas
    )
    return Curves(
        events=roc_curve(events),
        events_auc=events_auc,
        pieces=roc_curve(pieces),
        pieces_auc=pieces_auc,
        free=free_response(found.plane.calls_caught, found.plane.false_alarms_per_day),
        events_scores=events,
    )


def _scores(scored: SegmentScores, negatives: str, cluster: NDArray[np.intp]) -> Scores:
    kind = np.array(scored.kind)
    positive, negative = kind == "call", kind == negatives
    return Scores(scored.score[positive], scored.score[negative], cluster[positive], cluster[negative])
