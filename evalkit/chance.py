"""Is a detector better than chance? Its held-out alerts against the labels turned round in time."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evalkit.cache import Arrays, CrossingCache
from evalkit.dataset import Dataset, Recording
from evalkit.matching import EARLY_S
from evalkit.recommendation import Fold, Recommendation
from evalkit.scoring import Tally, alerts_at
from evalkit.streams import crossings_key

__all__ = ["Chance", "against_chance"]

_TURNS = 1_999
_SEED = 20_250_901


@dataclass(frozen=True)
class Chance:
    """What a detector caught, and what alerts as many would have caught at other times."""

    caught: int
    """Calls in which an alert of the held-out setting begins."""
    by_chance: float
    """Mean of the same with the labels turned round."""
    p_value: float
    """How often as many or more; never under 1 / 2,000."""


def against_chance(found: Recommendation, dataset: Dataset, cache: CrossingCache) -> Chance | None:
    """Compare a detector's held-out alerts with labels turned round in time.

    Within each recording the labels are turned by a random amount, as if its
    end were joined to its start; the alerts stay. If alerts have nothing to do
    with calls, every turn is as likely as the one that was found, so the share
    of turns that catch as many calls is an exact p-value. It needs no model of
    how long calls are or how often the box alerts: a box that is always at it
    catches much, and by chance as much.

    Parameters
    ----------
    found : Recommendation
        With held-out folds.
    dataset : Dataset
        That it was found on.
    cache : CrossingCache

    Returns
    -------
    Chance or None
        None where nothing could be held out.

    References
    ----------
    .. [1] Besag & Clifford (1989), Biometrika 76, 633-642: p-values of random turns (cited from memory).
    """
    folds = {fold.session: fold for fold in found.folds}
    if not folds:
        return None
    turns = np.random.default_rng(_SEED)
    observed, turned = 0, np.zeros(_TURNS, np.int64)
    tallies = {tally.recording: tally for tally in found.sweep.tallies}
    for recording in dataset.recordings:
        tally = tallies[recording.name]
        calls = np.array([[c.start_s - EARLY_S, c.end_s] for c in tally.calls if not c.cut]).reshape(-1, 2)
        starts = _alert_starts(folds, tally, recording, dataset, cache)
        shifts = turns.uniform(0.0, recording.duration_s, _TURNS)
        observed += int(_hit(calls, starts, np.zeros(1), recording.duration_s)[0])
        turned += _hit(calls, starts, shifts, recording.duration_s)
    as_many = int(np.count_nonzero(turned >= observed))
    return Chance(observed, float(turned.mean()), (1 + as_many) / (1 + _TURNS))


def _alert_starts(
    folds: dict[str, Fold],
    tally: Tally,
    recording: Recording,
    dataset: Dataset,
    cache: CrossingCache,
) -> NDArray[np.float64]:
    """When the setting chosen without the recording's session alerts in it."""
    fold = folds[tally.cluster]
    if fold.detector is None:
        raise ValueError("the folds do not tell their detectors, so their alerts cannot be listed")
    detector = fold.detector

    def begun() -> Arrays:
        alerts = alerts_at(
            replace(dataset, recordings=(recording,)),
            detector,
            lane=fold.lane,
            delay_s=fold.delay_s,
            integrator=fold.integrator,
            warmup_s=dataset.board.warmup_s,
            cache=cache,
        )
        return {"starts_s": np.sort([alert.start_s for alert in alerts])}

    setting = (f"{fold.lane}", repr(fold.delay_s), repr(fold.integrator))
    key = ("alerts", *crossings_key(recording, detector), recording.session, *setting)
    return cache.arrays(key, begun)["starts_s"]


def _hit(
    calls: NDArray[np.float64],
    starts: NDArray[np.float64],
    shifts: NDArray[np.float64],
    duration_s: float,
) -> NDArray[np.int64]:
    """For each shift, in how many calls, turned round by it, an alert begins."""
    if not len(starts) or not len(calls):
        return np.zeros(len(shifts), np.int64)
    # three rounds of alerts: a turned call lies within them, wherever it starts
    rounds = np.concatenate([starts - duration_s, starts, starts + duration_s])
    first = calls[None, :, 0] + shifts[:, None]
    first = np.where(first >= duration_s, first - duration_s, first)
    last = first + (calls[:, 1] - calls[:, 0])
    begun = np.searchsorted(rounds, last) - np.searchsorted(rounds, first)
    return np.asarray((begun > 0).sum(axis=1))
