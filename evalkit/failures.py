"""Where a setting fails: calls by phone, by what else went on, and by session, which the average hides."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from evalkit.dataset import Dataset
from evalkit.figures import CallOutcome, Figures
from evalkit.intervals import Interval
from evalkit.segments import Role

__all__ = ["CallGroup", "call_groups"]

_ALONE = "nothing else"


@dataclass(frozen=True)
class CallGroup:
    """The counted calls that have something in common."""

    by: str
    """`phone`, `during` (nuisances that overlap the call) or `session`."""
    name: str
    caught: int
    counted: int
    interval: Interval
    """Of the share caught, sessions as clusters."""
    response_p95_s: float
    """inf where more than 5 % were missed."""

    @property
    def calls_caught(self) -> float:
        """Share of the counted calls."""
        return self.caught / self.counted


def call_groups(figures: Figures, dataset: Dataset) -> tuple[CallGroup, ...]:
    """Return the calls in groups: phones, then overlaps, then sessions, the worst of each first.

    A call that two nuisances overlap is in the row of each; one that none
    overlaps is in the row `nothing else`. A call whose phone is unknown is
    under `unknown`.

    Parameters
    ----------
    figures : Figures
        Held out where there are such.
    dataset : Dataset
        Whose labels tell what else went on.
    """
    ways: tuple[tuple[str, Callable[[CallOutcome], tuple[str, ...]]], ...] = (
        ("phone", lambda c: (c.call.phone or "unknown",)),
        ("during", lambda c: _during(c, dataset)),
        ("session", lambda c: (c.session,)),
    )
    return tuple(group for by, names in ways for group in _groups(figures, by, names))


def _groups(
    figures: Figures, by: str, names: Callable[[CallOutcome], tuple[str, ...]]
) -> Iterator[CallGroup]:
    from evalkit.proportions import clustered_interval
    from evalkit.quantiles import quantile

    members: dict[str, list[CallOutcome]] = {}
    for call in figures.calls:
        if call.fate not in ("cut", "masked"):
            for name in names(call):
                members.setdefault(name, []).append(call)
    found = []
    for name, calls in members.items():
        clusters = sorted({c.cluster for c in calls})
        caught = [sum(c.cluster == s and c.fate == "caught" for c in calls) for s in clusters]
        counted = [sum(c.cluster == s for c in calls) for s in clusters]
        response = np.array([np.inf if c.response_s is None else c.response_s for c in calls])
        interval = clustered_interval(caught, counted)
        found.append(CallGroup(by, name, sum(caught), sum(counted), interval, quantile(response, 0.95)))
    yield from sorted(found, key=lambda g: (g.calls_caught, -g.response_p95_s, g.name))


def _during(call: CallOutcome, dataset: Dataset) -> tuple[str, ...]:
    recording, day = dataset.recording(call.recording), dataset.day
    labels = {
        s.label
        for s in recording.segments
        if day.role(s.label) is Role.NUISANCE and s.start_s < call.call.end_s and call.call.start_s < s.end_s
    }
    return tuple(sorted(labels)) or (_ALONE,)
