"""Figures of the swept plane from tallies made by hand, every figure worked out beside it."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from evalkit.day import BACKGROUND, Day, Exposure, Limits
from evalkit.planes import exposures_of, plane_of
from evalkit.scoring import Tally
from evalkit.segments import Call

CLASSES = ("tap", "tool", BACKGROUND)
DAY = Day(
    limits=Limits(calls_caught=0.9, false_alarms_per_day=2.0, response_s=6.0),
    exposures=(
        Exposure("tap", events_per_day=200.0, hours_per_day=None),
        Exposure("tool", events_per_day=None, hours_per_day=0.5),
        Exposure(BACKGROUND, events_per_day=None, hours_per_day=7.0),
    ),
)
MISSED, CAUGHT, MASKED, MASKED_BY_ALARM = 0, 1, 2, 3


def tally(
    status: Sequence[int],
    response_s: Sequence[float],
    *,
    alarms: Sequence[int] = (0, 0, 0),
    alarm_s: Sequence[float] = (0.0, 0.0, 0.0),
    events: Sequence[float] = (400.0, 9.0, 0.0),
    hours: Sequence[float] = (0.5, 0.25, 3.5),
    cut: Sequence[bool] | None = None,
    session: str = "monday",
) -> Tally:
    """Return the tally of a plane of one setting."""
    n = len(status)
    cuts = cut if cut is not None else [False] * n
    return Tally(
        recording="bench",
        session=session,
        calls=tuple(Call(20.0 * k, 20.0 * k + 10.0, "slab", c) for k, c in enumerate(cuts)),
        status=np.array(status, np.uint8).reshape(n, 1, 1),
        response_s=np.array(response_s, np.float32).reshape(n, 1, 1),
        alarms=np.array(alarms, np.int32).reshape(-1, 1, 1),
        alarm_s=np.array(alarm_s, float).reshape(-1, 1, 1),
        events=np.array(events, float),
        hours=np.array(hours, float),
    )


def caught(n: int) -> Tally:
    """All of n calls caught after 1, 2, ... tenths of a second."""
    return tally([CAUGHT] * n, [0.1 * (k + 1) for k in range(n)])


def cell(array: np.ndarray) -> float:
    assert array.shape == (1, 1)
    return float(array[0, 0])


def test_calls_are_counted_once_over_all_recordings() -> None:
    first = tally([CAUGHT, MISSED, MASKED], [1.0, math.inf, math.inf])
    second = tally([CAUGHT, MASKED_BY_ALARM, CAUGHT], [2.0, math.inf, 3.0], cut=[False, False, True])
    plane = plane_of(CLASSES, [first, second], DAY)
    assert (plane.total, plane.cut) == (6, 1)
    # of the five whole calls one left the count: an earlier call's alert was on
    assert cell(plane.counted) == 4
    assert cell(plane.caught) == 2
    assert cell(plane.masked) == 1
    assert cell(plane.masked_by_alarm) == 1
    assert cell(plane.calls_caught) == 0.5


@pytest.mark.parametrize(
    ("n_caught", "n_missed", "rank"),
    [(1, 0, 1), (19, 0, 19), (20, 0, 19), (21, 0, 20), (40, 0, 38), (100, 0, 95), (19, 1, 19), (39, 1, 38)],
)
def test_95th_percentile_is_the_smallest_time_within_which_95_percent_were_announced(
    n_caught: int, n_missed: int, rank: int
) -> None:
    times = [0.1 * (k + 1) for k in range(n_caught)]
    np.random.default_rng(1).shuffle(times)
    one = tally([CAUGHT] * n_caught + [MISSED] * n_missed, times + [math.inf] * n_missed)
    assert cell(plane_of(CLASSES, [one], DAY).response_p95_s) == pytest.approx(0.1 * rank)


def test_missed_call_is_never_announced_and_a_masked_one_leaves_the_count() -> None:
    # 18 of 20: the 19th smallest time is never
    two_missed = tally([CAUGHT] * 18 + [MISSED, MASKED_BY_ALARM], [1.0] * 18 + [math.inf] * 2)
    assert cell(plane_of(CLASSES, [two_missed], DAY).response_p95_s) == math.inf
    two_masked = tally([CAUGHT] * 18 + [MASKED] * 2, [1.0] * 18 + [math.inf] * 2)
    assert cell(plane_of(CLASSES, [two_masked], DAY).response_p95_s) == 1.0


def test_false_alarms_are_weighted_by_the_day_s_exposure() -> None:
    one = tally([CAUGHT], [1.0], alarms=(4, 1, 0), alarm_s=(20.0, 30.0, 0.0))
    two = tally([CAUGHT], [1.0], alarms=(0, 0, 3), alarm_s=(0.0, 0.0, 9.0), session="tuesday")
    plane = plane_of(CLASSES, [one, two], DAY)
    # 4 alarms in 800 taps, 200 a day; 1 in half an hour of tool, half an hour a day; 3 in 7 h, 7 a day
    assert cell(plane.false_alarms_per_day) == pytest.approx(1.0 + 1.0 + 3.0)
    assert cell(plane.alert_minutes_per_day) == pytest.approx((20.0 / 4.0 + 30.0 + 9.0) / 60.0)
    assert cell(plane.known_alarms_per_day) == pytest.approx(5.0)
    assert plane.unknown == ()


def test_exposure_is_told_in_the_day_s_unit() -> None:
    found = {e.label: e for e in exposures_of(CLASSES, [caught(1)], DAY)}
    assert (found["tap"].unit, found["tap"].recorded, found["tap"].weight) == ("event", 400.0, 0.5)
    assert (found["tool"].unit, found["tool"].recorded, found["tool"].weight) == ("hour", 0.25, 2.0)
    assert found[BACKGROUND].weight == 2.0


def test_class_that_the_day_does_not_name_weighs_nothing() -> None:
    day = replace(DAY, exposures=DAY.exposures[1:])
    plane = plane_of(CLASSES, [tally([CAUGHT], [1.0], alarms=(50, 0, 0))], day)
    assert cell(plane.false_alarms_per_day) == 0.0
    assert cell(plane.violation) <= 1.0


def test_class_that_no_recording_covers_makes_the_daily_figure_unknown() -> None:
    day = replace(
        DAY, exposures=(*DAY.exposures, Exposure("traffic", events_per_day=50.0, hours_per_day=None))
    )
    plane = plane_of(CLASSES, [tally([CAUGHT], [1.0], alarms=(1, 0, 0))], day)
    assert plane.unknown == ("traffic",)
    assert math.isnan(cell(plane.false_alarms_per_day))
    assert math.isnan(cell(plane.alert_minutes_per_day))
    # no known limit fails: half an alarm a day is known of two allowed
    assert cell(plane.known_alarms_per_day) == 0.5
    assert bool(plane.acceptable[0, 0])
    # what is known alone breaks the limit
    plane = plane_of(CLASSES, [tally([CAUGHT], [1.0], alarms=(5, 0, 0))], day)
    assert not plane.acceptable[0, 0]


def test_class_brought_0_times_a_day_may_go_unrecorded() -> None:
    day = replace(
        DAY, exposures=(*DAY.exposures, Exposure("traffic", events_per_day=0.0, hours_per_day=None))
    )
    assert plane_of(CLASSES, [caught(1)], day).unknown == ()


def test_left_out_classes_do_not_count() -> None:
    one = tally([CAUGHT], [1.0], alarms=(50, 0, 1))
    plane = plane_of(CLASSES, [one], DAY, left_out=("tap",))
    assert cell(plane.false_alarms_per_day) == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("one", "worst"),
    [
        # shares of what each limit allows: misses of 10 %, response of 6 s, 2 alarms a day
        (tally([CAUGHT] * 19 + [MISSED], [1.5] * 19 + [math.inf]), 0.5),
        (tally([CAUGHT] * 20, [4.5] * 20), 0.75),
        (tally([CAUGHT] * 20, [1.0] * 20, alarms=(3, 0, 0)), 0.75),
        (tally([CAUGHT] * 20, [1.0] * 20, alarms=(4, 0, 0)), 1.0),
        (tally([CAUGHT] * 20, [1.0] * 20, alarms=(6, 0, 0)), 1.5),
        (tally([CAUGHT] * 14 + [MISSED] * 6, [1.0] * 14 + [math.inf] * 6), 3.0),
        (tally([CAUGHT] * 20, [9.0] * 20), 1.5),
        (tally([CAUGHT] * 20, [9.0] * 20, alarms=(20, 0, 0)), 5.0),
    ],
)
def test_violation_is_the_largest_share_of_what_a_limit_allows(one: Tally, worst: float) -> None:
    plane = plane_of(CLASSES, [one], DAY)
    assert cell(plane.violation) == pytest.approx(worst)
    assert bool(plane.acceptable[0, 0]) is (worst <= 1.0)


def test_figures_equal_to_their_limits_pass() -> None:
    limits = Limits(calls_caught=0.9, false_alarms_per_day=0.5, response_s=1.5)
    one = tally([CAUGHT] * 27 + [MISSED] * 3, [1.5] * 27 + [math.inf] * 3, alarms=(1, 0, 0))
    # 27 of 30 is 0.9; but 95 % were not announced at all
    plane = plane_of(CLASSES, [one], replace(DAY, limits=limits))
    assert not plane.acceptable[0, 0]
    one = tally([CAUGHT] * 19 + [MISSED], [1.5] * 19 + [math.inf], alarms=(1, 0, 0))
    assert plane_of(CLASSES, [one], replace(DAY, limits=replace(limits, calls_caught=0.95))).acceptable[0, 0]


def test_limit_of_no_miss_at_all_fails_with_one() -> None:
    day = replace(DAY, limits=replace(DAY.limits, calls_caught=1.0))
    assert plane_of(CLASSES, [caught(20)], day).acceptable[0, 0]
    one = tally([CAUGHT] * 99 + [MISSED], [1.0] * 99 + [math.inf])
    assert not plane_of(CLASSES, [one], day).acceptable[0, 0]


def test_setting_at_which_no_call_is_counted_is_the_worst_there_is() -> None:
    # an alert that began in the warm-up and never ends masks every call and is no false alarm: such a box
    # must not come out as the one that misses its limits by least
    stuck = tally([MASKED] * 20, [math.inf] * 20)
    plane = plane_of(CLASSES, [stuck], DAY)
    assert cell(plane.counted) == 0
    assert math.isnan(cell(plane.calls_caught))
    assert math.isnan(cell(plane.response_p95_s))
    assert not plane.acceptable[0, 0]
    poor = tally([CAUGHT] * 2 + [MISSED] * 18, [1.0] * 2 + [math.inf] * 18)
    assert cell(plane.violation) > cell(plane_of(CLASSES, [poor], DAY).violation)


def test_axes_are_threshold_and_delay() -> None:
    one = caught(2)
    wide = replace(
        one,
        status=np.array([[[1, 0, 1]], [[1, 1, 0]]], np.uint8),
        response_s=np.array([[[1.0, math.inf, 2.0]], [[3.0, 4.0, math.inf]]], np.float32),
        alarms=np.array([[[0, 1, 2]], [[0, 0, 0]], [[0, 0, 0]]], np.int32),
        alarm_s=np.zeros((3, 1, 3)),
    )
    plane = plane_of(CLASSES, [wide], DAY)
    assert plane.caught.tolist() == [[2, 1, 1]]
    assert plane.false_alarms_per_day.tolist() == [[0.0, 0.5, 1.0]]
    assert plane.response_p95_s.tolist() == [[3.0, math.inf, math.inf]]
