"""Every compiled loop: arrays and scalars in and out; nothing here raises.

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
    "SETTLE_WINDOW",
    "HoldCode",
    "Verdict",
    "circuit_front_end",
    "circuit_lanes",
    "circuit_lanes_apart",
    "circuit_voltages",
    "finish_alerts",
    "integrate_crossings",
    "integrator_shares",
    "judge_alerts",
    "level_crossings",
    "mean_square_level",
    "tally_alerts",
]

FloatArray = NDArray[Any]

_F = np.float32
_ZERO = _F(0.0)
_ONE = _F(1.0)

# ln(1 + exp(-t)) for t in [0, 9] as q^3 (K0 + q (K1 + q (K2 + q K3))), q = 1 - t/9, and exactly 0 beyond,
# so that an idle diode passes nothing. Minimax of the error over (g + 0.006) on 4,001 points: within 3 % up
# to t = 5, where a share of 3 % stands for 1.4 mV at n Vt = 45 mV, and within 10 % up to t = 7.
_KNEE_SPAN = _F(1.0 / 9.0)
_K0 = _F(0.14160916)
_K1 = _F(-0.20082699)
_K2 = _F(-0.38643045)
_K3 = _F(1.1176759)

# Voltages nearer to rest than these are set to it at the start of every window of SETTLE_WINDOW samples,
# counted from the recording's start: far below anything a meter shows, and it keeps denormal numbers away.
_SETTLED_V = _F(1e-6)
_SETTLED_LEG_V = _F(1e-9)
_SETTLED_INPUT_V = 1e-12
SETTLE_WINDOW = 64

_Function = TypeVar("_Function", bound=Callable[..., Any])


def _lane(function: _Function) -> _Function:
    """Compile into the caller, so that the lanes' loop can be vectorised."""
    return cast(_Function, numba.njit(inline="always")(function))


def _loop(function: _Function) -> _Function:
    """Compile on first use; keep the machine code for the next process; let other threads run meanwhile."""
    return cast(_Function, numba.njit(cache=True, nogil=True)(function))


@_lane
def _passed(drop_v: Any, knee_v: Any, share: Any, scale_v: Any, per_scale: Any) -> Any:
    """Voltage that an exponential diode takes off `drop_v` within one sample.

    A capacitance C behind a diode I = Is exp(w/(n Vt)) obeys
    exp(-w/nVt) growing linearly in time, so after dt the drop is
    w - n Vt ln(1 + exp((w - knee)/(n Vt))) with knee = n Vt ln(C n Vt/(Is dt)).
    A resistance R before the diode lets pass only `share` = 1/(1 + R C/dt) of
    what lies above the knee.
    """
    u = (drop_v - knee_v) * per_scale
    above = u if u > _ZERO else _ZERO
    q = _ONE - (u if u > _ZERO else -u) * _KNEE_SPAN
    q = q if q > _ZERO else _ZERO
    knee = (q * q * q) * (_K0 + q * (_K1 + q * (_K2 + q * _K3)))
    return scale_v * (share * above + knee)


@_lane
def _amplifier_step(
    x: Any, gain_m1: Any, stay: Any, leak: Any, low_v: Any, high_v: Any, p: Any, leg: Any
) -> Any:
    """Advance one lane's amplifier by one sample; return its output and the capacitor of its gain leg.

    Both count from rest. The amplifier is held at its limits (its own state,
    as in a stage that saturates), and what it puts out, clipped or not,
    charges the capacitor of the gain leg through the feedback.
    """
    target = x + gain_m1 * (x - leg)
    p = target + stay * (p - target)
    p = p if p > low_v else low_v
    p = p if p < high_v else high_v
    leg = leg + leak * (p - leg)
    return p, leg


@_lane
def _rectifier_step(
    p: Any, vc: Any, s: Any, clamp_knee_v: Any, series_knee_v: Any, clamp_share: Any, series_share: Any,
    scale_v: Any, per_scale: Any, to_coupling: Any, to_storage: Any, keep: Any,
) -> Any:  # fmt: skip
    """Advance one lane's rectifier by one sample; return its coupling and storage voltages, from rest."""
    vc = vc - _passed(vc - p, clamp_knee_v, clamp_share, scale_v, per_scale)
    moved = _passed((p - vc) - s, series_knee_v, series_share, scale_v, per_scale)
    vc = vc + moved * to_coupling
    s = (s + moved * to_storage) * keep
    return vc, s


@_lane
def _circuit_step(
    x: Any, gain_m1: Any, stay: Any, leak: Any, low_v: Any, high_v: Any, p: Any, leg: Any, vc: Any, s: Any,
    clamp_knee_v: Any, series_knee_v: Any, clamp_share: Any, series_share: Any, scale_v: Any, per_scale: Any,
    to_coupling: Any, to_storage: Any, keep: Any,
) -> Any:  # fmt: skip
    """Advance one lane by one sample; return its amplifier, leg, coupling and storage voltages."""
    p, leg = _amplifier_step(x, gain_m1, stay, leak, low_v, high_v, p, leg)
    vc, s = _rectifier_step(
        p, vc, s, clamp_knee_v, series_knee_v, clamp_share, series_share, scale_v, per_scale,
        to_coupling, to_storage, keep,
    )  # fmt: skip
    return p, leg, vc, s


@_lane
def _settled(v: Any, nearest: Any) -> Any:
    """Return `v`, or 0 where it is no farther from 0 than `nearest`."""
    return v if v > nearest or v < -nearest else _ZERO


@_loop
def circuit_front_end(
    block: FloatArray, volts: float, pickup: FloatArray, clamp_v: float, state: FloatArray, x_out: FloatArray
) -> None:
    """Pickup section and input clamp, counted from the input's rest: what all lanes share.

    The section is (b0, b1, a1): y[n] = b0 x[n] + b1 x[n-1] - a1 y[n-1]. The
    clamp holds y itself, so the charge that it passes stays on the pickup.
    `state` is x[n-1], y[n-1], and is left updated.
    """
    x1, y1 = state[0], state[1]
    for i in range(block.shape[0]):
        x = np.float64(block[i]) * volts
        y1 = _front_end_step(x, x1, y1, pickup[0], pickup[1], pickup[2], clamp_v)
        x1 = x
        x_out[i] = y1
    state[0], state[1] = x1, y1


@_lane
def _front_end_step(x: Any, x1: Any, y1: Any, b0: Any, b1: Any, a1: Any, clamp_v: Any) -> Any:
    """Advance the front end by one sample."""
    y = b0 * x + b1 * x1 - a1 * y1
    y = y if y > clamp_v else clamp_v
    return y if y > _SETTLED_INPUT_V or y < -_SETTLED_INPUT_V else 0.0


@_loop
def circuit_lanes(
    x: FloatArray,
    gain_m1: FloatArray, stay: FloatArray, leak: FloatArray, low_v: FloatArray, high_v: FloatArray,
    p: FloatArray, leg: FloatArray, vc: FloatArray, s: FloatArray, trip: FloatArray,
    clamp_knee_v: Any, series_knee_v: Any, clamp_share: Any, series_share: Any, scale_v: Any, per_scale: Any,
    to_coupling: Any, to_storage: Any, keep: Any, upper_v: Any, lower_v: Any,
    first_sample: int, out_lane: FloatArray, out_sample: FloatArray, out_above: FloatArray,
) -> Any:  # fmt: skip
    """Simulate all lanes (gains) over a block; list comparator changes.

    State arrays hold one value per lane and are left updated; `trip` is the
    level that the lane's comparator is waiting for: `upper_v` while low,
    `lower_v` while high. Stops early, with a consistent state, where fewer
    than one change per lane still fits into the output.

    Returns
    -------
    (n_samples, n_changes) that were done.
    """
    n_lanes = gain_m1.shape[0]
    room = out_lane.shape[0] - n_lanes
    n_out = 0
    held = np.empty((4, n_lanes), _F)
    reached = np.empty((2, n_lanes), _F)
    i = 0
    while i < x.shape[0]:
        if (first_sample + i) % SETTLE_WINDOW == 0:
            for j in range(n_lanes):
                p[j] = _settled(p[j], _SETTLED_LEG_V)
                leg[j] = _settled(leg[j], _SETTLED_LEG_V)
                s[j] = _settled(s[j], _SETTLED_V)
        stop = min(x.shape[0], i + SETTLE_WINDOW - (first_sample + i) % SETTLE_WINDOW)
        for j in range(n_lanes):
            held[0, j], held[1, j], held[2, j], held[3, j] = p[j], leg[j], vc[j], s[j]
            reached[0, j], reached[1, j] = s[j], s[j]
        # A loop of float32 alone fills the vector unit; comparing as it goes would not. So the window
        # runs with only the storage voltage's extremes kept, and once more if one passed a trip level.
        for k in range(i, stop):
            for j in range(n_lanes):
                p_j, leg_j, vc_j, s_j = _circuit_step(
                    x[k], gain_m1[j], stay[j], leak[j], low_v[j], high_v[j], p[j], leg[j], vc[j], s[j],
                    clamp_knee_v, series_knee_v, clamp_share, series_share, scale_v, per_scale,
                    to_coupling, to_storage, keep,
                )  # fmt: skip
                p[j] = p_j
                leg[j] = leg_j
                vc[j] = vc_j
                s[j] = s_j
                reached[0, j] = s_j if s_j > reached[0, j] else reached[0, j]
                reached[1, j] = s_j if s_j < reached[1, j] else reached[1, j]
        quiet = True
        for j in range(n_lanes):
            if (reached[1, j] <= lower_v) if trip[j] == lower_v else (reached[0, j] > upper_v):
                quiet = False
        if quiet:
            i = stop
            continue
        for j in range(n_lanes):
            p[j], leg[j], vc[j], s[j] = held[0, j], held[1, j], held[2, j], held[3, j]
        for k in range(i, stop):
            if n_out > room:
                return k, n_out
            for j in range(n_lanes):
                p_j, leg_j, vc_j, s_j = _circuit_step(
                    x[k], gain_m1[j], stay[j], leak[j], low_v[j], high_v[j], p[j], leg[j], vc[j], s[j],
                    clamp_knee_v, series_knee_v, clamp_share, series_share, scale_v, per_scale,
                    to_coupling, to_storage, keep,
                )  # fmt: skip
                p[j] = p_j
                leg[j] = leg_j
                vc[j] = vc_j
                s[j] = s_j
            for j in range(n_lanes):
                above = s[j] > trip[j]
                if above != (trip[j] == lower_v):
                    trip[j] = lower_v if above else upper_v
                    out_lane[n_out] = j
                    out_sample[n_out] = first_sample + k
                    out_above[n_out] = above
                    n_out += 1
        i = stop
    return x.shape[0], n_out


@_loop
def circuit_lanes_apart(
    tone: FloatArray, amplitude: FloatArray,
    pickup: FloatArray, clamp_v: FloatArray, front: FloatArray, x_now: FloatArray,
    gain_m1: FloatArray, stay: FloatArray, leak: FloatArray, low_v: FloatArray, high_v: FloatArray,
    p: FloatArray, leg: FloatArray, vc: FloatArray, s: FloatArray, highest: FloatArray, lowest: FloatArray,
    clamp_knee_v: FloatArray, series_knee_v: FloatArray, clamp_share: FloatArray, series_share: FloatArray,
    scale_v: FloatArray, per_scale: FloatArray,
    to_coupling: FloatArray, to_storage: FloatArray, keep: FloatArray, observed_from: int,
) -> None:  # fmt: skip
    """Simulate lanes that are boards of their own, each with the tone at its own amplitude.

    Leaves the storage voltage's highest value over all samples and its lowest
    from sample `observed_from` on in `highest` and `lowest`. `pickup` is
    (3 x lanes) and `front` (2 x lanes), as in `circuit_front_end`; `x_now`
    (lanes) is room to work in.
    """
    for i in range(tone.shape[0]):
        if i % SETTLE_WINDOW == 0:
            for j in range(gain_m1.shape[0]):
                p[j] = _settled(p[j], _SETTLED_LEG_V)
                leg[j] = _settled(leg[j], _SETTLED_LEG_V)
                s[j] = _settled(s[j], _SETTLED_V)
        # short loops, each with few enough arrays to be vectorised
        for j in range(gain_m1.shape[0]):
            x = tone[i] * amplitude[j]
            y = _front_end_step(
                x, front[0, j], front[1, j], pickup[0, j], pickup[1, j], pickup[2, j], clamp_v[j]
            )
            front[0, j] = x
            front[1, j] = y
            x_now[j] = y
        for j in range(gain_m1.shape[0]):
            p_j, leg_j = _amplifier_step(
                x_now[j], gain_m1[j], stay[j], leak[j], low_v[j], high_v[j], p[j], leg[j]
            )
            p[j] = p_j
            leg[j] = leg_j
        for j in range(gain_m1.shape[0]):
            vc_j, s_j = _rectifier_step(
                p[j], vc[j], s[j], clamp_knee_v[j], series_knee_v[j], clamp_share[j], series_share[j],
                scale_v[j], per_scale[j], to_coupling[j], to_storage[j], keep[j],
            )  # fmt: skip
            vc[j] = vc_j
            s[j] = s_j
        for j in range(gain_m1.shape[0]):
            highest[j] = s[j] if s[j] > highest[j] else highest[j]
        if i >= observed_from:
            for j in range(gain_m1.shape[0]):
                lowest[j] = s[j] if s[j] < lowest[j] else lowest[j]


@_loop
def circuit_voltages(
    x: FloatArray,
    gain_m1: FloatArray, stay: FloatArray, leak: FloatArray, low_v: FloatArray, high_v: FloatArray,
    p: FloatArray, leg: FloatArray, vc: FloatArray, s: FloatArray, trip: FloatArray,
    clamp_knee_v: Any, series_knee_v: Any, clamp_share: Any, series_share: Any, scale_v: Any, per_scale: Any,
    to_coupling: Any, to_storage: Any, keep: Any, upper_v: Any, lower_v: Any,
    first_sample: int, out_amplifier: FloatArray, out_storage: FloatArray, out_above: FloatArray,
) -> None:  # fmt: skip
    """Simulate all lanes over a block as `circuit_lanes` does; keep every sample's voltages.

    The outputs are (samples x lanes): amplifier counted from its rest,
    storage, and 1 where the comparator is high.
    """
    for i in range(x.shape[0]):
        settles = (first_sample + i) % SETTLE_WINDOW == 0
        for j in range(gain_m1.shape[0]):
            if settles:
                p[j] = _settled(p[j], _SETTLED_LEG_V)
                leg[j] = _settled(leg[j], _SETTLED_LEG_V)
                s[j] = _settled(s[j], _SETTLED_V)
            p_j, leg_j, vc_j, s_j = _circuit_step(
                x[i], gain_m1[j], stay[j], leak[j], low_v[j], high_v[j], p[j], leg[j], vc[j], s[j],
                clamp_knee_v, series_knee_v, clamp_share, series_share, scale_v, per_scale,
                to_coupling, to_storage, keep,
            )  # fmt: skip
            p[j] = p_j
            leg[j] = leg_j
            vc[j] = vc_j
            s[j] = s_j
            above = s_j > trip[j]
            trip[j] = lower_v if above else upper_v
            out_amplifier[i, j] = p_j
            out_storage[i, j] = s_j
            out_above[i, j] = above


@_loop
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


@_loop
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


@_loop
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

_RISEN = 0.05  # "the last moment at which the integrator was below 5 %"


@_loop
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


@_loop
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


@_loop
def _advance_lane(
    lane: int, t1: float, lanes: FloatArray, next_mark: FloatArray, marks: FloatArray, mark_above: FloatArray,
    states: FloatArray, tau_c: FloatArray, ratio: float, fire: float, release: float,
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
        n = _advance(
            states[lane, d], lane * n_delays + d, on, t0, t1, above_s, tau_c[d], tau_c[d] * ratio,
            fire, release, hold_kind, hold_s, out_setting, out, n,
        )  # fmt: skip
    lanes[lane, 0] = t1
    lanes[lane, 2] = above_s + (t1 - t0 if on else 0.0)
    return n


@_loop
def integrate_crossings(
    lane: FloatArray, sample: FloatArray, above: FloatArray, first: int, sample_rate_hz: float,
    lanes: FloatArray, next_mark: FloatArray, marks: FloatArray, mark_above: FloatArray,
    states: FloatArray, tau_c: FloatArray, ratio: float, fire: float, release: float,
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
            j, sample[r] / sample_rate_hz, lanes, next_mark, marks, mark_above, states, tau_c, ratio,
            fire, release, hold_kind, hold_s, out_setting, out, n,
        )  # fmt: skip
        lanes[j, 1] = 1.0 if above[r] else 0.0
    return lane.shape[0], n


@_loop
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


@_loop
def finish_alerts(
    end_s: float, lanes: FloatArray, next_mark: FloatArray, marks: FloatArray, mark_above: FloatArray,
    states: FloatArray, tau_c: FloatArray, ratio: float, fire: float, release: float,
    hold_kind: int, hold_s: float, out_setting: FloatArray, out: FloatArray,
) -> int:  # fmt: skip
    """Carry all settings to the recording's end and emit what is still on.

    The output must hold two alerts for every setting.
    """
    n = 0
    n_delays = tau_c.shape[0]
    for j in range(lanes.shape[0]):
        n = _advance_lane(
            j, end_s, lanes, next_mark, marks, mark_above, states, tau_c, ratio,
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


@_loop
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


@_loop
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


@_loop
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
