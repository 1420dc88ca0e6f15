"""Small version of the coverage simulation: do intervals hold the truth as often as design section 7 says?

All workshops here are invented. The full version, with 4,000 workshops for each case and many more cases, is
``python -m tests.benchmarks.coverage_of_intervals``.
"""

import numpy as np
import pytest

from .benchmarks.coverage_of_intervals import (
    TARGET_INDEPENDENT,
    TARGET_SPREAD,
    AlarmWorkshops,
    CallWorkshops,
    alarms_coverage,
    auc_coverage,
    calls_coverage,
)

WORKSHOPS = 1000


def bound(target: float, workshops: int = WORKSHOPS) -> float:
    """Return what a true coverage of `target` falls under in one of 700 runs: 3 standard deviations below."""
    return target - 3.0 * float(np.sqrt(target * (1.0 - target) / workshops))


@pytest.mark.parametrize("sessions", [6, 12])
@pytest.mark.parametrize("caught", [0.9, 0.97, 0.99])
@pytest.mark.parametrize("alike", [True, False])
def test_calls_caught(sessions: int, caught: float, alike: bool) -> None:
    rng = np.random.default_rng(20240607)
    for size in (10, 50):
        independent, _ = calls_coverage(CallWorkshops(sessions, size, caught, 0.0, alike), rng, WORKSHOPS)
        assert independent >= bound(TARGET_INDEPENDENT)
        spread, plain = calls_coverage(CallWorkshops(sessions, size, caught, 0.2, alike), rng, WORKSHOPS)
        assert spread >= bound(TARGET_SPREAD)
        assert spread >= plain


@pytest.mark.parametrize("sessions", [6, 12])
@pytest.mark.parametrize("expected", [1.0, 10.0, 200.0])
@pytest.mark.parametrize(("classes", "shared"), [(1, False), (4, False), (4, True)])
def test_false_alarms_a_day(sessions: int, expected: float, classes: int, shared: bool) -> None:
    rng = np.random.default_rng(20240607)
    for spread, target in ((0.0, TARGET_INDEPENDENT), (1.0, TARGET_SPREAD)):
        case = AlarmWorkshops(sessions, classes, expected, spread, shared, alike=True)
        covered, _ = alarms_coverage(case, rng, WORKSHOPS)
        assert covered >= bound(target)


def test_the_simulation_would_notice_an_interval_that_takes_events_as_independent() -> None:
    rng = np.random.default_rng(20240607)
    _, plain = calls_coverage(CallWorkshops(8, 50, 0.97, 0.2, True), rng, WORKSHOPS)
    assert plain < bound(TARGET_SPREAD)
    _, plain = alarms_coverage(AlarmWorkshops(8, 4, 50.0, 1.0, False, True), rng, WORKSHOPS)
    assert plain < bound(TARGET_SPREAD)
    _, plain = auc_coverage(0.9, 8, 1.0, rng, 200)
    assert plain < bound(TARGET_SPREAD, 200)


def test_area_under_the_curve() -> None:
    rng = np.random.default_rng(20240607)
    for spread, target in ((0.0, TARGET_INDEPENDENT), (1.0, TARGET_SPREAD)):
        for area in (0.8, 0.95, 0.99):
            covered, _ = auc_coverage(area, 6, spread, rng, 300)
            assert covered >= bound(target, 300)
