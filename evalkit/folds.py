"""What is held out together: a session, or all that one maker recorded where several makers are merged.

Sessions of one maker share a box, a place and phones, so they resemble each
other more than a stranger's do. Where packs of several makers were taken in,
what to expect is therefore shown by leaving out a whole maker at a time. That
takes 3 makers, as holding sessions out takes 3 sessions.
"""

from collections.abc import Mapping

from evalkit.dataset import Dataset, Recording
from evalkit.segments import Role

__all__ = ["OWN", "makers_held_out"]

OWN = "the dataset's own maker"
"""Stands for whoever recorded what no pack has brought."""
_FEWEST = 3
_FEWEST_WITH_CALLS = 2
"""So that some call is left whoever is left out."""


def makers_held_out(dataset: Dataset) -> Mapping[str, str]:
    """Return for each session the maker with whom it is held out; empty: sessions are held out one by one.

    Makers who share a session are held out together.
    """
    makers = _by_session(dataset.recordings)
    if len(set(makers.values())) < _FEWEST:
        return {}
    with_calls = {makers[r.session] for r in dataset.recordings if _has_call(r, dataset)}
    return makers if len(with_calls) >= _FEWEST_WITH_CALLS else {}


def _by_session(recordings: tuple[Recording, ...]) -> dict[str, str]:
    """Name the group of makers of each session."""
    groups: list[tuple[set[str], set[str]]] = []
    for recording in recordings:
        makers, sessions = {recording.maker or OWN}, {recording.session}
        apart = []
        for group in groups:
            if group[0] & makers or group[1] & sessions:
                makers, sessions = makers | group[0], sessions | group[1]
            else:
                apart.append(group)
        groups = [*apart, (makers, sessions)]
    return {session: " and ".join(sorted(makers)) for makers, sessions in groups for session in sessions}


def _has_call(recording: Recording, dataset: Dataset) -> bool:
    day = dataset.day
    calls = recording.calls(
        target_labels={s.label for s in recording.segments if day.role(s.label) is Role.TARGET},
        warmup_s=dataset.board.warmup_s,
        call_gap_s=day.call_gap_s,
    )
    return any(not call.cut for call in calls)
