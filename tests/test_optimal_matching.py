"""Alerts matched with calls, against an optimal one-to-one matching by a general-purpose library.

A call takes the first alert that begins in it. Where calls lie apart, no matching of alerts with calls
catches more of them, nor the same number sooner: scipy's maximum matching and its least-cost assignment are
the witnesses.
"""

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment
from scipy.sparse import csr_array
from scipy.sparse.csgraph import maximum_bipartite_matching

from evalkit.matching import EARLY_S
from evalkit.segments import Segment

from .test_matching import judge

NEVER_S = 1e6


@st.composite
def calls_and_highs(draw: st.DrawFn) -> tuple[list[Segment], list[tuple[float, float]]]:
    """Calls over 6 s apart, away from the edges, and times at which a comparator is high."""
    at_s, calls = 8.0, []
    for _ in range(draw(st.integers(0, 4))):
        at_s += draw(st.integers(6_500, 15_000)) / 1_000.0
        length_s = draw(st.integers(500, 6_000)) / 1_000.0
        if at_s + length_s > 90.0:
            break
        calls.append(Segment(at_s, at_s + length_s, "ring"))
        at_s += length_s
    at_s, highs = 2.0, []
    for _ in range(draw(st.integers(0, 25))):
        at_s += draw(st.integers(100, 6_000)) / 1_000.0
        length_s = draw(st.integers(200, 2_500)) / 1_000.0
        if at_s + length_s > 98.0:
            break
        highs.append((at_s, at_s + length_s))
        at_s += length_s
    return calls, highs


@settings(derandomize=True, deadline=None, max_examples=400)
@given(calls_and_highs())
def test_no_matching_catches_more_calls_or_catches_them_sooner(
    drawn: tuple[list[Segment], list[tuple[float, float]]],
) -> None:
    calls, highs = drawn
    # fires after 0.5 s, lets go at once and holds nothing: alerts are short, so none masks a later call
    found = judge(calls, highs, delay_s=0.5)
    starts = np.array([start for start, _, _ in found.alerts])
    edges = np.array([edge for c in calls for edge in (c.start_s - EARLY_S, c.end_s)])
    assume(not len(starts) or not len(edges) or np.abs(starts[:, None] - edges).min() > 1e-5)
    fits = np.array(
        [[c.start_s - EARLY_S <= s < c.end_s for c in calls] for s in starts], dtype=np.int64
    ).reshape(len(starts), len(calls))
    largest = 0
    if fits.size:
        matched = maximum_bipartite_matching(csr_array(fits), perm_type="row")
        largest = int(np.count_nonzero(matched >= 0))
    assert sum(status == 1 for status in found.calls) == largest
    counted = [counts_as for _, counts_as, _ in found.alerts]
    assert counted.count("caught call") == largest
    assert counted.count("caught call") + counted.count("in a caught call") == fits.sum()

    response = np.array([[max(0.0, s - c.start_s) for c in calls] for s in starts]).reshape(fits.shape)
    cost = np.where(fits > 0, response, NEVER_S)
    rows, columns = linear_sum_assignment(cost)
    soonest = cost[rows, columns]
    told = np.array(found.response_s)
    assert np.isclose(told[np.isfinite(told)].sum(), soonest[soonest < NEVER_S].sum(), atol=1e-4)


def test_the_draws_hold_every_outcome() -> None:
    """The check above must not pass because nothing ever happens."""
    calls = [Segment(20.0, 30.0, "ring"), Segment(50.0, 55.0, "ring")]
    found = judge(calls, [(21.0, 23.0), (24.0, 26.0), (70.0, 72.0)], delay_s=0.5)
    assert found.calls == (1, 0)
    assert len(found.alerts) == 3
