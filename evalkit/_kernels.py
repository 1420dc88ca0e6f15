"""Every compiled loop but the board's: arrays and scalars in and out; nothing here raises.

Compiled without fast-math, so the order of operations is the one written
here and the plain Python function (`.py_func`) gives the same bits.
"""

from collections.abc import Callable
from enum import IntEnum
from typing import Any, TypeVar, cast

import numba
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "ALERT_FIELDS",
    "SETTING_FIELDS",
    "FloatArray",
    "HoldCode",
    "Verdict",
    "compiled",
    "finish_alerts",
    "inlined",
    "integrate_crossings",
    "integrator_shares",
    "judge_alerts",
    "level_crossings",
    "mean_square_level",
    "tally_alerts",
]

FloatArray = NDArray[Any]

_Function = TypeVar("_Function", bound=Callable[..., Any])


def compiled(function: _Function) -> _Function:
    """Compile on first use; keep the machine code for the next process; let other threads run meanwhile."""
    return cast(_Function, numba.njit(cache=True, nogil=True)(function))


def inlined(function: _Function) -> _Function:
    """Compile into the caller, so that its loop can be vectorised."""
    return cast(_Function, numba.njit(inline="always")(function))


@compiled
def mean_square_level(
    block: FloatArray, volts: float, section: FloatArray, alpha: float, state: FloatArray, level: FloatArray
) -> None:
    """Pickup section, square, RC average, square root: the level in volts RMS.

    `state` is x[n-1], section y[n-1], mean square, and is left updated.
    """
    x1, y1, m = state[0], state[1], state[2]
    for i in range(block.shape[0]):
        x = np.float64(block[i]) * volts
        y = section[0] * x + section[1] * x1 - section[2] * y1
        x1, y1 = x, y
        m = m + alpha * (y * y - m)
        level[i] = np.sqrt(m)
    state[0], state[1], state[2] = x1, y1, m


@compiled
def level_crossings(
    level: FloatArray, upper: FloatArray, lower: FloatArray, high: FloatArray,
    first_sample: int, out_lane: FloatArray, out_sample: FloatArray, out_above: FloatArray,
) -> Any:  # fmt: skip
    """Compare one level with every lane's trip levels; list the changes.

    `high` holds 1 for lanes whose comparator is high and is left updated.
    Returns (n_samples, n_changes) that were done, as `circuit_lanes` does.
    """
    n_lanes = upper.shape[0]
    room = out_lane.shape[0] - n_lanes
    n_out = 0
    next_up, next_down = _waits(upper, lower, high)
    for i in range(level.shape[0]):
        v = level[i]
        if v > next_up or v <= next_down:
            if n_out > room:
                return i, n_out
            for j in range(n_lanes):
                above = v > (lower[j] if high[j] else upper[j])
                if above != (high[j] != 0):
                    high[j] = above
                    out_lane[n_out] = j
                    out_sample[n_out] = first_sample + i
                    out_above[n_out] = above
                    n_out += 1
            next_up, next_down = _waits(upper, lower, high)
    return level.shape[0], n_out


@compiled
def _waits(upper: FloatArray, lower: FloatArray, high: FloatArray) -> Any:
    """Nearest level above and below at which some lane's comparator would change."""
    next_up = np.inf
    next_down = -np.inf
    for j in range(upper.shape[0]):
        if high[j]:
            next_down = lower[j] if lower[j] > next_down else next_down
        else:
            next_up = upper[j] if upper[j] < next_up else next_up
    return next_up, next_down


class HoldCode(IntEnum):
    """Kinds of hold as the integrator's kernel knows them."""

    AFTER_RELEASE = 0
    ONE_SHOT = 1
    ONE_SHOT_HELD = 2
    NONE = 3


# State of one setting (lane x delay) between crossings.
_U = 0  # integrator, share of Voh
_RISE = 1  # when the integrator last rose through 5 %
_RISE_ABOVE = 2  # the lane's above-threshold time at that moment
_GATE = 3  # 1 while the gate has fired and not let go
_START = 4  # start of the alert that is on or last was; -inf: none yet
_END = 5  # its end; inf while the gate keeps it on
_SHOT_END = 6  # end of the running one-shot
_A_RISE = 7  # _RISE, _RISE_ABOVE and the above time at firing, of that alert
_A_RISE_ABOVE = 8
_A_FIRE_ABOVE = 9
SETTING_FIELDS = 10
ALERT_FIELDS = 5  # start, end, rise, above time at rise, above time at firing

_SURELY = 1e-7  # relative, far more than rounding moves a share: whatever is near is looked at exactly
_RISEN = 0.05  # "the last moment at which the integrator was below 5 %"


@compiled
def _emit(
    state: FloatArray, setting: int, end_s: float, out_setting: FloatArray, out: FloatArray, n: int
) -> int:
    """Write a finished alert."""
    out_setting[n] = setting
    out[n, 0] = state[_START]
    out[n, 1] = state[_END] if state[_END] < end_s else end_s
    out[n, 2] = state[_A_RISE]
    out[n, 3] = state[_A_RISE_ABOVE]
    out[n, 4] = state[_A_FIRE_ABOVE]
    return n + 1


@compiled
def _advance(
    state: FloatArray, setting: int, on: bool, t0: float, t1: float, above_s: float,
    tau_c: float, tau_d: float, fire: float, release: float, hold_kind: int, hold_s: float,
    out_setting: FloatArray, out: FloatArray, n: int,
) -> int:  # fmt: skip
    """Advance one setting over a stretch [t0, t1] in which its comparator does not change.

    The solution is exact: u rises as 1 - (1 - u0) exp(-(t - t0)/tau_c) or
    falls as u0 exp(-(t - t0)/tau_d), so firing and release are found in closed form.
    `above_s` is the lane's above-threshold time up to t0.
    """
    u = state[_U]
    if not on:
        if state[_GATE] != 0.0:
            t = t0 + tau_d * np.log(u / release) if u > release else t0
            if t <= t1:
                state[_GATE] = 0.0
                if hold_kind == HoldCode.AFTER_RELEASE:
                    state[_END] = t + hold_s
                elif hold_kind == HoldCode.ONE_SHOT_HELD:
                    state[_END] = t if t > state[_SHOT_END] else state[_SHOT_END]
                elif hold_kind == HoldCode.NONE:
                    state[_END] = t
        state[_U] = u * np.exp(-(t1 - t0) / tau_d)
        return n
    if u < _RISEN:
        t = t0 + tau_c * np.log((1.0 - u) / (1.0 - _RISEN))
        if t <= t1:
            state[_RISE] = t
            state[_RISE_ABOVE] = above_s + (t - t0)
    if state[_GATE] == 0.0:
        t = t0 + tau_c * np.log((1.0 - u) / (1.0 - fire)) if u < fire else t0
        if t <= t1:
            state[_GATE] = 1.0
            if t > state[_END]:
                if state[_START] > -np.inf:
                    n = _emit(state, setting, np.inf, out_setting, out, n)
                state[_START] = t
                # a gate that fires under 5 % has no rise before it
                state[_A_RISE] = state[_RISE] if fire > _RISEN else t
                state[_A_RISE_ABOVE] = state[_RISE_ABOVE] if fire > _RISEN else above_s + (t - t0)
                state[_A_FIRE_ABOVE] = above_s + (t - t0)
                state[_SHOT_END] = t + hold_s
            elif t == state[_END]:
                state[_SHOT_END] = t + hold_s
            if hold_kind == HoldCode.ONE_SHOT:
                state[_END] = state[_SHOT_END]
            else:
                state[_END] = np.inf
    state[_U] = 1.0 - (1.0 - u) * np.exp(-(t1 - t0) / tau_c)
    return n


@compiled
def _advance_lane(
    lane: int, t1: float, lanes: FloatArray, next_mark: FloatArray, marks: FloatArray, mark_above: FloatArray,
    states: FloatArray, tau_c: FloatArray, tau_d: FloatArray, fire: float, release: float,
    hold_kind: int, hold_s: float, out_setting: FloatArray, out: FloatArray, n: int,
) -> int:  # fmt: skip
    """Advance every delay of a lane to t1. `lanes` is (last time, comparator high, above time) by lane."""
    t0, on, above_s = lanes[lane, 0], lanes[lane, 1] != 0.0, lanes[lane, 2]
    k = next_mark[lane]
    while k < marks.shape[0] and marks[k] <= t1:
        mark_above[lane, k] = above_s + (marks[k] - t0 if on else 0.0)
        k += 1
    next_mark[lane] = k
    n_delays = tau_c.shape[0]
    for d in range(n_delays):
        # most stretches end with the gate as it was: then nothing is called, and no logarithm taken
        u, gate = states[lane, d, _U], states[lane, d, _GATE] != 0.0
        if on:
            after = 1.0 - (1.0 - u) * np.exp(-(t1 - t0) / tau_c[d])
            rises = u < _RISEN and after >= _RISEN * (1.0 - _SURELY)
            still = not rises and (gate or after < fire * (1.0 - _SURELY))
        else:
            after = u * np.exp(-(t1 - t0) / tau_d[d])
            still = not gate or after > release * (1.0 + _SURELY)
        if still:
            states[lane, d, _U] = after
            continue
        n = _advance(
            states[lane, d], lane * n_delays + d, on, t0, t1, above_s, tau_c[d], tau_d[d],
            fire, release, hold_kind, hold_s, out_setting, out, n,
        )  # fmt: skip
    lanes[lane, 0] = t1
    lanes[lane, 2] = above_s + (t1 - t0 if on else 0.0)
    return n


@compiled
def integrate_crossings(
    lane: FloatArray, sample: FloatArray, above: FloatArray, first: int, sample_rate_hz: float,
    lanes: FloatArray, next_mark: FloatArray, marks: FloatArray, mark_above: FloatArray,
    states: FloatArray, tau_c: FloatArray, tau_d: FloatArray, fire: float, release: float,
    hold_kind: int, hold_s: float, out_setting: FloatArray, out: FloatArray,
) -> Any:  # fmt: skip
    """Carry all settings through a chunk of crossings from index `first` on.

    Returns (next index, n_alerts): stops early where the output may not hold
    one alert more of each delay.
    """
    n = 0
    n_delays = tau_c.shape[0]
    for r in range(first, lane.shape[0]):
        if n + n_delays > out_setting.shape[0]:
            return r, n
        j = lane[r]
        n = _advance_lane(
            j, sample[r] / sample_rate_hz, lanes, next_mark, marks, mark_above, states, tau_c, tau_d,
            fire, release, hold_kind, hold_s, out_setting, out, n,
        )  # fmt: skip
        lanes[j, 1] = 1.0 if above[r] else 0.0
    return lane.shape[0], n


@compiled
def integrator_shares(
    above: FloatArray, kept_c: float, kept_d: float, fire: float, release: float, state: FloatArray,
    out_share: FloatArray, out_gate: FloatArray,
) -> None:  # fmt: skip
    """Integrator and gate at every sample, from every sample's comparator, for pictures.

    `kept_c` and `kept_d` are exp(-dt/tau) while charging and discharging. `state` is the share of Voh,
    1 while the gate has fired and 1 while the comparator is high, and is left updated. Between two
    samples the comparator is what it was at the first of them, as in `integrate_crossings`.
    """
    u, gate, was = state[0], state[1] != 0.0, state[2] != 0.0
    for i in range(above.shape[0]):
        u = 1.0 - (1.0 - u) * kept_c if was else u * kept_d
        gate = u > release if gate else u >= fire
        was = above[i] != 0
        out_share[i] = u
        out_gate[i] = gate
    state[0] = u
    state[1] = 1.0 if gate else 0.0
    state[2] = 1.0 if was else 0.0


@compiled
def finish_alerts(
    end_s: float, lanes: FloatArray, next_mark: FloatArray, marks: FloatArray, mark_above: FloatArray,
    states: FloatArray, tau_c: FloatArray, tau_d: FloatArray, fire: float, release: float,
    hold_kind: int, hold_s: float, out_setting: FloatArray, out: FloatArray,
) -> int:  # fmt: skip
    """Carry all settings to the recording's end and emit what is still on.

    The output must hold two alerts for every setting.
    """
    n = 0
    n_delays = tau_c.shape[0]
    for j in range(lanes.shape[0]):
        n = _advance_lane(
            j, end_s, lanes, next_mark, marks, mark_above, states, tau_c, tau_d,
            fire, release, hold_kind, hold_s, out_setting, out, n,
        )  # fmt: skip
        for d in range(n_delays):
            if states[j, d, _START] > -np.inf:
                n = _emit(states[j, d], j * n_delays + d, end_s, out_setting, out, n)
    return n


class Verdict(IntEnum):
    """What an alert counts as (design, sections 2 and 4.3)."""

    FALSE_ALARM = 0
    CATCHES_CALL = 1
    DURING_CALL = 2  # a further alert in a call that was caught already
    GRACE = 3  # begins within the grace after a call
    NOT_SCORED = 4  # begins outside reviewed time, in the warm-up or in a cut call
    OTHER_CAUSE = 5  # caused by a stand-in or ignore segment
    AFTER_CALL = 6  # most of what filled the integrator was a call


@compiled
def judge_alerts(
    setting: FloatArray, alerts: FloatArray, n_delays: int, mark_above: FloatArray,
    scored: FloatArray, calls: FloatArray, call_spans: FloatArray, call_marks: FloatArray,
    early_s: float, grace_s: float,
    segments: FloatArray, segment_marks: FloatArray, segment_class: FloatArray, latest_end: FloatArray,
    kind: FloatArray, cause: FloatArray,
) -> None:  # fmt: skip
    """Say for each alert what it counts as and which call or segment it belongs to.

    `scored` (start, end); `calls` (start, end, cut); `call_spans` and `segments` (start,
    end with grace and lag), sorted by start, ties by falling name; `*_marks` index the
    columns of `mark_above`; `segment_class` is -1 for stand-in and ignore; `latest_end` is the
    running maximum of the segments' ends. `cause` is the call's or segment's
    index, -1 for background.
    """
    for r in range(setting.shape[0]):
        t, rise, above_rise, above_fire = alerts[r, 0], alerts[r, 2], alerts[r, 3], alerts[r, 4]
        lane = setting[r] // n_delays
        cause[r] = -1
        # the last call that starts, less the early allowance, at or before t
        k = np.searchsorted(calls[:, 0], t + early_s, side="right") - 1
        if k >= 0 and t <= calls[k, 1] + grace_s:
            cause[r] = k
            if calls[k, 2] != 0.0:
                kind[r] = Verdict.NOT_SCORED
            elif t <= calls[k, 1]:
                kind[r] = Verdict.CATCHES_CALL
            else:
                kind[r] = Verdict.GRACE
            continue
        inside = np.searchsorted(scored[:, 0], t, side="right") - 1
        if inside < 0 or t >= scored[inside, 1]:
            kind[r] = Verdict.NOT_SCORED
            continue
        best = 0.0
        i = np.searchsorted(segments[:, 0], t, side="left") - 1
        while i >= 0 and latest_end[i] > rise:
            share = _share(segments[i], segment_marks[i], mark_above[lane], t, rise, above_rise, above_fire)
            if share > best:
                best = share
                cause[r] = i
            i -= 1
        kind[r] = Verdict.FALSE_ALARM
        if cause[r] >= 0 and segment_class[cause[r]] < 0:
            kind[r] = Verdict.OTHER_CAUSE
        while k >= 0 and call_spans[k, 1] > rise:
            if _share(call_spans[k], call_marks[k], mark_above[lane], t, rise, above_rise, above_fire) > best:
                kind[r] = Verdict.AFTER_CALL
                cause[r] = k
                break
            k -= 1


@compiled
def _share(
    span: FloatArray, marks: FloatArray, mark_above: FloatArray,
    fire: float, rise: float, above_rise: float, above_fire: float,
) -> Any:  # fmt: skip
    """Above-threshold time that falls into a span (its marks at start and end) between rise and firing."""
    if span[0] >= fire:
        return 0.0
    begin = mark_above[marks[0]] if span[0] > rise else above_rise
    if span[1] >= fire:
        return above_fire - begin
    return max(0.0, mark_above[marks[1]] - begin)


@compiled
def tally_alerts(
    setting: FloatArray, alerts: FloatArray, kind: FloatArray, cause: FloatArray,
    calls: FloatArray, early_s: float, segment_class: FloatArray,
    status: FloatArray, response: FloatArray, alarms: FloatArray, alarm_s: FloatArray,
) -> None:  # fmt: skip
    """Add judged alerts, each setting's in time order, to the tallies.

    `status` (calls x settings): 0 missed, 1 caught, 2 masked by a call's or an uncounted alert,
    3 masked by a false alarm. `response` likewise, s, inf unless caught.
    `alarms` and `alarm_s` (classes x settings): false alarms and how long they lasted, background last.
    """
    background = alarms.shape[0] - 1
    for r in range(setting.shape[0]):
        c = setting[r]
        if kind[r] == Verdict.CATCHES_CALL:
            k = cause[r]
            if status[k, c] == 1:
                kind[r] = Verdict.DURING_CALL
            else:
                status[k, c] = 1
                late = alerts[r, 0] - calls[k, 0]
                response[k, c] = late if late > 0.0 else 0.0
        elif kind[r] == Verdict.FALSE_ALARM:
            row = segment_class[cause[r]] if cause[r] >= 0 else background
            alarms[row, c] += 1
            alarm_s[row, c] += alerts[r, 1] - alerts[r, 0]
        # Calls at whose start this alert was already on. One that has been on since before scored time
        # is nobody's doing that is known of: a box stuck on must not look as if it had no call to catch.
        to_blame = kind[r] == Verdict.FALSE_ALARM or (kind[r] == Verdict.NOT_SCORED and cause[r] < 0)
        k = np.searchsorted(calls[:, 0], alerts[r, 0] + early_s, side="right")
        while k < calls.shape[0] and calls[k, 0] < alerts[r, 1]:
            if status[k, c] == 0:
                status[k, c] = 3 if to_blame else 2
            k += 1
