"""Alerts matched with labels: each rule of the design's sections 2 and 4.3, worked by hand."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from evalkit.board import HoldKind
from evalkit.crossings import Crossings, Integrator
from evalkit.dataset import Dataset, Recording
from evalkit.day import BACKGROUND, Day
from evalkit.matching import Matching, classes_of, ground_of, verdict_of
from evalkit.segments import Role, Segment
from evalkit.spans import Span

from .solver import default_board

RATE_HZ = 1_000
DURATION_S = 100.0
CLASSES = ("door", "tap", "tool", BACKGROUND)
DAY = Day(roles={"door": Role.NUISANCE, "phone on the wall": Role.IGNORE})
ALL = (Span(0.0, DURATION_S),)
RING = Segment(20.0, 30.0, "ring", phone="slab")
# fires 1 s after a rise from rest and lets go within 0.03 s of a fall
QUICK = Integrator(0.5, 0.25, 0.01 / 0.99 / math.log(2.0), HoldKind.NONE)


def recording(segments: Sequence[Segment], reviewed: Sequence[Span] = ALL) -> Recording:
    return Recording(
        name="bench",
        path=Path("bench.wav"),
        session="monday",
        phone="",
        channel=1,
        sample_rate_hz=RATE_HZ,
        n_frames=int(DURATION_S * RATE_HZ),
        full_scale_v=None,
        input_ohms=None,
        reviewed=tuple(reviewed),
        audio_sha256="",
        segments=tuple(sorted(segments)),
    )


@dataclass(frozen=True)
class Judged:
    """What the alerts of one setting were judged to be, and what they came to."""

    alerts: tuple[tuple[float, str, str], ...]
    """Start, what it counts as, cause."""
    calls: tuple[int, ...]
    response_s: tuple[float, ...]
    alarms: dict[str, int]
    alarm_s: dict[str, float]


def judge(
    segments: Sequence[Segment],
    highs: Sequence[tuple[float, float]],
    *,
    reviewed: Sequence[Span] = ALL,
    day: Day = DAY,
    integrator: Integrator = QUICK,
    delay_s: float = 1.0,
    warmup_s: float = 1.0,
    lag_s: float = 0.0,
) -> Judged:
    """Judge the alerts of a comparator that is high during some spans."""
    one = recording(segments, reviewed)
    ground = ground_of(one, day, CLASSES, warmup_s=warmup_s)
    matching = Matching(ground, day, lag_s)
    edges = np.array([edge for span in highs for edge in span]).reshape(-1)
    chunk = Crossings(
        np.zeros(len(edges), np.int32),
        np.round(edges * RATE_HZ).astype(np.int64),
        np.array([1 - k % 2 for k in range(len(edges))], np.uint8),
    )
    status = np.zeros((len(ground.calls), 1), np.uint8)
    response = np.full((len(ground.calls), 1), np.inf, np.float32)
    alarms, alarm_s = np.zeros((len(CLASSES), 1), np.int32), np.zeros((len(CLASSES), 1))
    found: list[tuple[float, str, str]] = []
    for alerts in matching.alerts(iter([chunk]), one, 1, np.array([delay_s]), integrator):
        kind, cause = matching.judge(alerts, 1)
        matching.tally(alerts, kind, cause, status, response, alarms, alarm_s)
        for times, k, c in zip(alerts.times, kind, cause):
            verdict = verdict_of(ground, int(k), int(c))
            found.append((round(float(times[0]), 6), verdict.counts_as, verdict.cause))
    return Judged(
        tuple(found),
        tuple(status[:, 0].tolist()),
        tuple(response[:, 0].tolist()),
        {name: int(n) for name, n in zip(CLASSES, alarms[:, 0]) if n},
        {name: float(s) for name, s in zip(CLASSES, alarm_s[:, 0]) if s},
    )


def test_alert_in_a_call_catches_it_and_tells_its_response() -> None:
    found = judge([RING], [(21.0, 29.0)])
    assert found.alerts == ((22.0, "caught call", "slab"),)
    assert found.calls == (1,)
    assert found.response_s == (2.0,)
    assert found.alarms == {}


@pytest.mark.parametrize(
    ("fires_s", "counts_as"),
    [
        (19.74, "false alarm"),
        (19.76, "caught call"),
        (20.0, "caught call"),
        (29.99, "caught call"),
        (30.01, "not counted: within the grace"),
        (30.99, "not counted: within the grace"),
    ],
)
def test_edges_of_a_call(fires_s: float, counts_as: str) -> None:
    found = judge([RING], [(fires_s - 1.0, fires_s + 0.2)])
    assert found.alerts[0][:2] == (fires_s, counts_as)
    assert found.calls == (1 if counts_as == "caught call" else 0,) or counts_as == "false alarm"


def test_alert_up_to_a_quarter_second_early_has_response_0() -> None:
    assert judge([RING], [(18.8, 21.0)]).response_s == (0.0,)


def test_call_is_caught_at_most_once_and_pauses_belong_to_it() -> None:
    rings = [RING, Segment(34.0, 40.0, "ring", phone="slab")]
    found = judge(rings, [(21.0, 23.0), (25.0, 27.0), (30.5, 32.0), (35.0, 38.0)])
    assert [a[1] for a in found.alerts] == ["caught call", *["in a caught call"] * 3]
    assert found.calls == (1,)
    assert found.response_s == (2.0,)


def test_missed_call_has_no_response() -> None:
    found = judge([RING], [(50.0, 52.0)])
    assert found.calls == (0,)
    assert found.response_s == (float("inf"),)
    assert found.alarms == {BACKGROUND: 1}


def test_false_alarm_lasts_as_long_as_its_alert() -> None:
    hold = replace(QUICK, hold_kind=HoldKind.AFTER_RELEASE, hold_s=4.0)
    found = judge([], [(50.0, 60.0)], integrator=hold)
    fall = 0.01 / np.log(2.0) * np.log(4.0 * (1.0 - 2.0**-10.0))
    assert found.alarm_s[BACKGROUND] == pytest.approx(9.0 + fall + 4.0)


def test_alarm_goes_to_the_segment_with_the_most_time_above_threshold() -> None:
    # from the rise through 5 % (0.07 s after 40) to firing at 41: the tap holds less of it than the tool
    segments = [Segment(39.0, 39.4, "tap"), Segment(39.9, 45.0, "tool")]
    found = judge(segments, [(40.0, 42.0)], day=replace(DAY, grace_s=0.8))
    assert found.alerts == ((41.0, "false alarm", "tool"),)
    # with the tool starting later the tap, whose grace reaches to 40.2, has more
    found = judge([segments[0], Segment(40.95, 45.0, "tool")], [(40.0, 42.0)], day=replace(DAY, grace_s=0.8))
    assert found.alarms == {"tap": 1}


def test_ties_go_to_the_segment_that_began_last_then_by_name() -> None:
    tool, tap = Segment(30.0, 50.0, "tool"), Segment(35.0, 50.0, "tap")
    assert judge([tool, tap], [(40.0, 42.0)]).alarms == {"tap": 1}
    assert judge([replace(tool, start_s=36.0), tap], [(40.0, 42.0)]).alarms == {"tool": 1}
    assert judge([tool, replace(tap, start_s=30.0)], [(40.0, 42.0)]).alarms == {"tap": 1}
    assert judge([tool, Segment(30.0, 50.0, "door")], [(40.0, 42.0)]).alarms == {"door": 1}


def test_only_time_since_the_integrator_was_last_below_5_percent_counts() -> None:
    # 0.5 s of tapping that the quick discharge forgets, then a second of tool
    segments = [Segment(40.0, 40.6, "tap"), Segment(43.0, 43.9, "tool")]
    found = judge(segments, [(40.0, 40.5), (43.1, 44.5)])
    assert found.alarms == {"tool": 1}
    # with an integrator that forgets slowly (5 % is not reached in between) the tap has the larger share
    slow = replace(QUICK, discharge_s=math.inf)
    found = judge([Segment(40.0, 40.6, "tap"), Segment(42.5, 42.7, "tool")], [(40.0, 40.6), (41.8, 43.0)],
                  integrator=slow, day=replace(DAY, grace_s=0.0))  # fmt: skip
    assert found.alarms == {"tap": 1}


def test_segment_reaches_over_its_end_by_the_grace_and_the_detector_s_lag() -> None:
    tap = [Segment(40.0, 40.2, "tap")]
    assert judge(tap, [(41.0, 42.5)]).alarms == {"tap": 1}
    assert judge(tap, [(41.3, 42.5)]).alarms == {BACKGROUND: 1}
    assert judge(tap, [(41.3, 42.5)], lag_s=0.4).alarms == {"tap": 1}


def test_stand_in_and_ignored_segments_take_the_blame_and_count_nowhere() -> None:
    for label in ("stand-in", "phone on the wall"):
        found = judge([Segment(40.0, 50.0, label)], [(41.0, 43.0)])
        assert found.alerts == ((42.0, "not counted: stand-in or ignored", label),)
        assert found.alarms == {}


def test_background_labels_are_nobody_s_fault() -> None:
    assert judge([Segment(40.0, 50.0, "quiet")], [(41.0, 43.0)]).alarms == {BACKGROUND: 1}


def test_alarm_that_mostly_a_call_filled_is_after_the_call() -> None:
    # high from 30.3 on: until firing at 31.3 the call's grace (to 31) has 0.63 s of it
    found = judge([RING], [(30.3, 32.0)])
    assert found.alerts == ((31.3, "not counted: after a call", "slab"),)
    assert found.alarms == {}
    # a tool with more of it than the call is charged; with exactly as much too: only more acquits
    assert judge([RING, Segment(30.31, 45.0, "tool")], [(30.3, 32.0)]).alarms == {"tool": 1}
    assert judge([RING, Segment(30.8, 45.0, "tool")], [(30.3, 32.0)]).alarms == {}


def test_time_that_is_not_scored() -> None:
    reviewed = (Span(10.0, 60.0), Span(80.0, 100.0))
    found = judge([], [(5.0, 7.0), (12.0, 14.0), (70.0, 72.0), (90.0, 92.0)], reviewed=reviewed)
    assert [a[1] for a in found.alerts] == [
        "not counted: time not scored", "false alarm", "not counted: time not scored", "false alarm",
    ]  # fmt: skip
    assert judge([], [(2.0, 4.0)], warmup_s=4.0).alarms == {}
    assert judge([], [(2.0, 4.0)], warmup_s=2.5).alarms == {BACKGROUND: 1}


def test_reviewed_time_is_half_open() -> None:
    assert judge([], [(9.0, 11.0)], reviewed=(Span(10.0, 60.0),)).alarms == {BACKGROUND: 1}
    assert judge([], [(59.0, 61.0)], reviewed=(Span(10.0, 60.0),)).alarms == {}


def test_cut_call_is_listed_and_counted_nowhere() -> None:
    # it ends 4 s before the reviewed time does, and a ring may follow within 5 s
    found = judge([RING], [(21.0, 23.0), (30.2, 31.4)], reviewed=(Span(10.0, 34.0),))
    assert [a[1] for a in found.alerts] == ["not counted: cut call"] * 1 + [found.alerts[1][1]]
    assert found.alerts[1][1].startswith("not counted")
    assert found.alarms == {}


LONG = replace(QUICK, hold_kind=HoldKind.AFTER_RELEASE, hold_s=15.0)


def test_call_masked_by_a_false_alarm_is_told_apart() -> None:
    # the alert from 11 s lasts until 27 s, and the ringing itself is too weak to fire again
    found = judge([RING, Segment(10.0, 12.0, "tool")], [(10.0, 12.0)], integrator=LONG)
    assert found.alarms == {"tool": 1}
    assert found.calls == (3,)
    assert found.response_s == (float("inf"),)


def test_call_masked_by_an_earlier_call_leaves_the_count() -> None:
    earlier = Segment(10.0, 13.0, "ring", phone="other")
    found = judge([earlier, RING], [(10.5, 12.5)], integrator=LONG)
    assert found.calls == (1, 2)


def test_alert_that_a_ring_prolongs_masks_for_its_whole_length() -> None:
    found = judge([RING, Segment(10.0, 12.0, "tool")], [(10.0, 12.0), (20.5, 29.0)], integrator=LONG)
    # the gate fires again at 21.5, within the alert: none begins
    assert [a[0] for a in found.alerts] == [11.0]
    assert found.calls == (3,)


def test_call_whose_start_an_alert_covers_is_caught_by_one_that_begins_later_in_it() -> None:
    found = judge([RING, Segment(10.0, 12.0, "tool")], [(10.0, 12.0), (28.0, 29.5)],
                  integrator=replace(LONG, hold_s=9.0))  # fmt: skip
    assert [a[1] for a in found.alerts] == ["false alarm", "caught call"]
    assert found.calls == (1,)
    assert found.response_s == (9.0,)


def test_alert_that_ends_before_the_call_begins_does_not_mask_it() -> None:
    found = judge([RING, Segment(10.0, 12.0, "tool")], [(10.0, 12.0)], integrator=replace(LONG, hold_s=7.9))
    assert found.calls == (0,)


def test_calls_nearer_than_the_early_allowance_go_to_the_later_one() -> None:
    day = replace(DAY, call_gap_s=0.1)
    rings = [Segment(20.0, 30.0, "ring", phone="a"), Segment(30.2, 40.0, "ring", phone="b")]
    found = judge(rings, [(29.1, 31.0)], day=day)
    assert found.alerts == ((30.1, "caught call", "b"),)


def test_recorded_time_and_events_of_each_class() -> None:
    segments = [
        RING,  # with allowance and grace: 19.75 to 31
        Segment(5.0, 9.0, "tap"),
        Segment(25.0, 33.0, "tap"),  # begins in the call: an event, of which 2 s lie after the grace
        Segment(50.0, 70.0, "tool"),
        Segment(60.0, 65.0, "tap"),  # in both classes
        Segment(68.0, 72.0, "stand-in"),
        Segment(85.0, 95.0, "tool"),  # 85 to 90 reviewed
        Segment(91.0, 93.0, "tap"),  # not reviewed
        Segment(3.0, 4.0, "quiet"),
    ]
    ground = ground_of(recording(segments, (Span(0.0, 90.0),)), DAY, CLASSES, warmup_s=2.0)
    assert dict(zip(CLASSES, ground.events.tolist())) == {"door": 0, "tap": 3, "tool": 2, BACKGROUND: 0}
    seconds = dict(zip(CLASSES, (ground.hours * 3600.0).tolist()))
    assert seconds["tap"] == pytest.approx(4.0 + 2.0 + 5.0)
    assert seconds["tool"] == pytest.approx(18.0 + 5.0)
    # 2 to 90, less call 11.25, taps 4 + 2, tool 20 + 5, rest of the stand-in 2
    assert seconds[BACKGROUND] == pytest.approx(88.0 - 11.25 - 6.0 - 25.0 - 2.0)
    assert ground.calls[0].phone == "slab"


def test_classes_are_the_nuisance_labels_in_use_then_background() -> None:
    labels = ("tap", "door", "quiet", "stand-in", "phone on the wall")
    one = recording([RING, *(Segment(40.0 + k, 41.0 + k, label) for k, label in enumerate(labels))])
    dataset = Dataset(Path("bench"), "bench", None, (one,), DAY, default_board())
    assert classes_of(dataset) == ("door", "tap", BACKGROUND)


def test_box_stuck_on_since_the_warm_up_misses_the_calls() -> None:
    # its alert began before scored time and counts nowhere itself, but the call that it hides is a miss
    found = judge([RING], [(0.0, 90.0)], warmup_s=4.0)
    assert found.alerts == ((1.0, "not counted: time not scored", ""),)
    assert found.alarms == {}
    assert found.calls == (3,)
