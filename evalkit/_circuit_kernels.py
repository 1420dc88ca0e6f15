"""The board's compiled loops: 32 gains or boards side by side, sample by sample; nothing here raises.

What happens within one sample is written once, in `_amplifier` and
`_rectified`, as arithmetic on a row of lanes, and put out as the processor's
vector instructions: a compiler left to itself keeps the lanes' voltages in
memory and is twice as slow. Every operation is float32 and rounds once, a
fused multiply-add (`fma`) too, so each processor gives the same bits; the
order written here is part of the detector's definition
(`tests/reference.py` holds its twin).

Voltages of the lanes count from rest and are told in spans: one span is
9 n Vt of the board's diodes, over which their knee is bent.
"""

from collections.abc import Callable
from enum import IntEnum, auto
from typing import Any, NamedTuple

import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

from evalkit._kernels import FloatArray, compiled, inlined

__all__ = [
    "KNEE",
    "LANES",
    "SETTLE_WINDOW",
    "WINDOW",
    "Constant",
    "State",
    "circuit_front_end",
    "circuit_lanes",
    "circuit_lanes_apart",
    "circuit_voltages",
]

LANES = 32
"""Lanes that advance together: two vectors of a wide processor, whose instructions then overlap."""
WINDOW = 32
"""Samples for which it is decided at once whether any lane's diodes can conduct."""
SETTLE_WINDOW = 64
"""Voltages nearer to rest than `Constant.SETTLED` and the like are set to it at the start of every window of
so many samples, counted from the recording's start: far below anything a meter shows, and it keeps denormal
numbers away."""

KNEE = (0.14160916 / 9.0, -0.20082699 / 9.0, -0.38643045 / 9.0, 1.1176759 / 9.0)
"""ln(1 + exp(-9 d))/9 for d in [0, 1] as q^3 (K0 + q K1 + q^2 (K2 + q K3)), q = 1 - d, and exactly 0 beyond,
so that an idle diode passes nothing. Minimax of the error over (g + 0.006) on 4,001 points: within 3 % up
to d = 0.55, where a share of 3 % stands for 1.4 mV at n Vt = 45 mV, and within 10 % up to d = 0.8."""

_SETTLED_INPUT_V = 1e-12

# rows of a window's history: the ends of the storage voltage, that at its start included, then all samples
_HIGHEST, _LOWEST, _SEEN = 0, 1, 2


class Constant(IntEnum):
    """Rows of a board's numbers, one column for each lane."""

    INPUT = 0  # to the output from the input, in spans a volt
    LEG = auto()  # to the output from the gain leg's capacitor (negative)
    STAY = auto()  # to the output from itself
    LEAK = auto()  # share of the output that the gain leg's capacitor takes
    LOW = auto()  # limits of the output
    HIGH = auto()
    CLAMP_KNEE = auto()
    SERIES_KNEE = auto()
    CLAMP_SHARE = auto()  # what the resistance before the diode lets pass of the drop above its knee
    SERIES_SHARE = auto()
    TO_COUPLING = auto()  # where a charge through the series diode goes
    TO_STORAGE = auto()
    TO_BOTH = auto()
    KEEP = auto()  # share that the bleed leaves of the storage capacitor's voltage
    UPPER = auto()  # trip levels
    LOWER = auto()
    SETTLED = auto()  # nearest voltages to rest that are kept
    SETTLED_LEG = auto()
    # for the bounds of a window, all rounded outward
    STEADY = auto()  # 1 / (1 - STAY)
    REACH = auto()  # how far beyond its bounds the output may come, in spans
    DRIFT = auto()  # and in shares of the largest voltage about
    KEEP_WINDOW = auto()  # KEEP over a window


_OF_A_GAIN = {
    Constant.INPUT,
    Constant.LEG,
    Constant.STAY,
    Constant.LEAK,
    Constant.LOW,
    Constant.HIGH,
    Constant.STEADY,
    Constant.REACH,
    Constant.DRIFT,
}
"""Rows that differ from lane to lane of one board; the others are read off the first."""


class State(IntEnum):
    """Rows of what is carried from sample to sample, one column for each lane."""

    OUTPUT = 0  # of the amplifier
    LEG = auto()
    COUPLING = auto()
    STORAGE = auto()
    BOTH = auto()  # coupling + storage
    TRIP = auto()  # the level that the comparator waits for: UPPER while low, LOWER while high


_cgutils: Any = cgutils
_Value = Any
"""A row of lanes in a register, as the compiler knows it."""


class _Arithmetic:
    """float32 arithmetic on a row of lanes, as instructions."""

    def __init__(self, builder: Any) -> None:
        self._builder = builder
        self.row = ir.VectorType(ir.FloatType(), LANES)

    def constant(self, value: float) -> _Value:
        one = ir.Constant(ir.FloatType(), float(np.float32(value)))
        return ir.Constant(self.row, [one] * LANES)

    def plus(self, a: _Value, b: _Value) -> _Value:
        return self._builder.fadd(a, b)

    def minus(self, a: _Value, b: _Value) -> _Value:
        return self._builder.fsub(a, b)

    def times(self, a: _Value, b: _Value) -> _Value:
        return self._builder.fmul(a, b)

    def fma(self, a: _Value, b: _Value, c: _Value) -> _Value:
        """a b + c, rounded once."""
        return self._called("fma", a, b, c)

    def magnitude(self, a: _Value) -> _Value:
        return self._called("fabs", a)

    def over(self, a: _Value, b: _Value) -> _Value:
        return self._builder.fcmp_ordered(">", a, b)

    def choose(self, condition: _Value, a: _Value, b: _Value) -> _Value:
        return self._builder.select(condition, a, b)

    def larger(self, a: _Value, b: _Value) -> _Value:
        return self.choose(self.over(a, b), a, b)

    def smaller(self, a: _Value, b: _Value) -> _Value:
        return self.choose(self.over(b, a), a, b)

    def any(self, conditions: list[_Value]) -> _Value:
        """Lanes in which one of the conditions holds, as the bits of a number."""
        either = conditions[0]
        for condition in conditions[1:]:
            either = self._builder.or_(either, condition)
        return self._builder.bitcast(either, ir.IntType(LANES))

    def _called(self, name: str, *values: _Value) -> _Value:
        kind = ir.FunctionType(self.row, [self.row] * len(values))
        function = _cgutils.get_or_insert_function(self._builder.module, kind, f"llvm.{name}.v{LANES}f32")
        return self._builder.call(function, values)


class _Voltages(NamedTuple):
    """State of a row of lanes."""

    output: _Value
    leg: _Value
    coupling: _Value
    storage: _Value
    both: _Value


def _amplifier(
    f: _Arithmetic, k: list[_Value], x: _Value, output: _Value, leg: _Value
) -> tuple[_Value, _Value]:
    """Output, not yet held at its limits, and gain leg's capacitor one sample on.

    The capacitor is charged through the feedback by what the amplifier puts
    out, clipped or not, by the trapezoid rule; the output's own half of the
    rule is solved for and stands in the constants, so neither waits for the
    other.
    """
    aimed = f.fma(k[Constant.LEG], leg, f.times(k[Constant.INPUT], x))
    next_leg = f.fma(k[Constant.LEAK], f.minus(output, leg), leg)
    return f.fma(k[Constant.STAY], output, aimed), next_leg


def _held_at_limits(f: _Arithmetic, k: list[_Value], output: _Value) -> _Value:
    return f.smaller(f.larger(output, k[Constant.LOW]), k[Constant.HIGH])


def _clamp_drop(f: _Arithmetic, k: list[_Value], v: _Voltages) -> _Value:
    return f.minus(v.coupling, f.plus(v.output, k[Constant.CLAMP_KNEE]))


def _series_drop(f: _Arithmetic, k: list[_Value], v: _Voltages) -> _Value:
    return f.minus(f.minus(v.output, k[Constant.SERIES_KNEE]), v.both)


def _moved(f: _Arithmetic, drop: _Value, share: _Value) -> _Value:
    """What a diode takes off its drop above the knee within a sample.

    A capacitance C behind a diode I = Is exp(w/(n Vt)) obeys
    exp(-w/nVt) growing linearly in time, so after dt the drop is
    w - n Vt ln(1 + exp((w - knee)/(n Vt))) with knee = n Vt ln(C n Vt/(Is dt)).
    A resistance R before the diode lets pass only `share` = 1/(1 + R C/dt) of
    what lies above the knee. A drop of a span under it moves exactly nothing,
    and no drop moves so much that it ends farther under.
    """
    above = f.larger(drop, f.constant(0.0))
    q = f.larger(f.minus(f.constant(1.0), f.magnitude(drop)), f.constant(0.0))
    squared = f.times(q, q)
    bend = f.fma(
        f.fma(f.constant(KNEE[3]), q, f.constant(KNEE[2])),
        squared,
        f.fma(f.constant(KNEE[1]), q, f.constant(KNEE[0])),
    )
    return f.fma(f.times(squared, q), bend, f.times(above, share))


def _clamped(f: _Arithmetic, k: list[_Value], v: _Voltages) -> _Voltages:
    """Both capacitors one sample on, where only the clamp diode can conduct."""
    moved = _moved(f, _clamp_drop(f, k, v), k[Constant.CLAMP_SHARE])
    bled = f.times(v.storage, k[Constant.KEEP])
    return v._replace(
        coupling=f.minus(v.coupling, moved),
        storage=bled,
        both=f.minus(f.plus(v.coupling, bled), moved),
    )


def _charged(f: _Arithmetic, k: list[_Value], v: _Voltages) -> _Voltages:
    """Both capacitors one sample on, where only the series diode can conduct."""
    moved = _moved(f, _series_drop(f, k, v), k[Constant.SERIES_SHARE])
    bled = f.times(v.storage, k[Constant.KEEP])
    return v._replace(
        coupling=f.fma(moved, k[Constant.TO_COUPLING], v.coupling),
        storage=f.fma(moved, k[Constant.TO_STORAGE], bled),
        both=f.fma(moved, k[Constant.TO_BOTH], f.plus(v.coupling, bled)),
    )


def _rectified(f: _Arithmetic, k: list[_Value], v: _Voltages) -> _Voltages:
    """Both capacitors one sample on, whichever diode conducts.

    The two drops add up to less than both knees below nothing, so where one
    diode conducts to speak of, the other idles: one evaluation, of the
    larger drop, serves both.
    """
    clamp, series = _clamp_drop(f, k, v), _series_drop(f, k, v)
    is_series = f.over(series, clamp)
    share = f.choose(is_series, k[Constant.SERIES_SHARE], k[Constant.CLAMP_SHARE])
    moved = _moved(f, f.larger(series, clamp), share)
    bled = f.times(v.storage, k[Constant.KEEP])
    to_coupling = f.choose(is_series, k[Constant.TO_COUPLING], f.constant(-1.0))
    to_storage = f.choose(is_series, k[Constant.TO_STORAGE], f.constant(0.0))
    to_both = f.choose(is_series, k[Constant.TO_BOTH], f.constant(-1.0))
    return v._replace(
        coupling=f.fma(moved, to_coupling, v.coupling),
        storage=f.fma(moved, to_storage, bled),
        both=f.fma(moved, to_both, f.plus(v.coupling, bled)),
    )


def _settled(f: _Arithmetic, k: list[_Value], v: _Voltages) -> _Voltages:
    def kept(value: _Value, nearest: Constant) -> _Value:
        return f.choose(f.over(f.magnitude(value), k[nearest]), value, f.constant(0.0))

    storage = kept(v.storage, Constant.SETTLED)
    coupling = kept(v.coupling, Constant.SETTLED)
    return _Voltages(
        kept(v.output, Constant.SETTLED_LEG),
        kept(v.leg, Constant.SETTLED_LEG),
        coupling,
        storage,
        f.plus(coupling, storage),
    )


class _Acting(NamedTuple):
    """Lanes, as bits, in which something may act within a window; unset bits are certain."""

    limit: _Value
    clamp: _Value
    series: _Value


def _acting(f: _Arithmetic, k: list[_Value], v: _Voltages, x_low: _Value, x_high: _Value) -> _Acting:
    """Bound what the input between two values can bring about within a window.

    Unclipped, each output lies between the one before and what it aims at,
    which the input's bounds and the gain leg's drift bound. A diode conducts
    only while its drop is within a span of its knee, and takes it no farther
    than that, so what it does to the other's drop is bounded too.
    """
    from_leg = f.times(k[Constant.LEG], v.leg)
    aims = [f.times(f.fma(k[Constant.INPUT], x, from_leg), k[Constant.STEADY]) for x in (x_low, x_high)]
    low, high = f.smaller(v.output, aims[0]), f.larger(v.output, aims[1])
    about = f.plus(f.larger(f.magnitude(low), f.magnitude(high)), f.magnitude(v.leg))
    rounding = f.fma(f.constant(1e-5), f.magnitude(from_leg), k[Constant.REACH])
    beyond = f.fma(k[Constant.DRIFT], about, rounding)
    low, high = f.minus(low, beyond), f.plus(high, beyond)
    limit = f.any([f.over(high, k[Constant.HIGH]), f.over(k[Constant.LOW], low)])
    low, high = f.larger(low, k[Constant.LOW]), f.smaller(high, k[Constant.HIGH])
    # where each diode begins to conduct: nothing under a span below its knee; a little more for rounding
    span = f.constant(1.0 + 1e-4)
    clamp_from = f.minus(f.plus(low, k[Constant.CLAMP_KNEE]), span)
    series_from = f.plus(f.minus(high, k[Constant.SERIES_KNEE]), span)
    stored = f.times(v.storage, k[Constant.KEEP_WINDOW])
    gained = f.larger(f.minus(series_from, f.plus(v.coupling, stored)), f.constant(0.0))
    most = f.fma(gained, k[Constant.TO_COUPLING], v.coupling)
    least = f.smaller(v.coupling, clamp_from)
    return _Acting(
        limit, f.any([f.over(most, clamp_from)]), f.any([f.over(series_from, f.plus(least, stored))])
    )


def _window(*, own_input: bool) -> Any:
    """Make the instruction that carries `LANES` lanes through a window of samples.

    It takes x, first sample and number of samples, the input's bounds (of a
    shared input), `Constant` and `State` arrays, the first lane, whether to
    settle, and `history` (samples + 2 x `LANES`), which it fills with the storage
    voltage's ends and samples. x is (n_samples,) or, with `own_input`, (n_samples, n_lanes).
    It returns the lanes, as bits, whose storage voltage passed the trip level.
    """

    def typed(typing: Any, x: Any, first: Any, count: Any, low: Any, high: Any, constants: Any, state: Any,
              lane: Any, settles: Any, history: Any) -> Any:  # fmt: skip
        signature = types.int64(
            x, types.int64, types.int64, types.float32, types.float32, constants, state, types.int64,
            types.boolean, history,
        )  # fmt: skip

        def put_out(context: Any, builder: Any, signature: Any, values: Any) -> Any:
            f, whole = _Arithmetic(builder), ir.IntType(64)
            arrays = {
                place: context.make_array(signature.args[place])(context, builder, values[place])
                for place in (0, 5, 6, 9)
            }
            first, count, lane = values[1], values[2], values[7]
            width = builder.extract_value(arrays[5].shape, 1)

            def row_at(place: int, index: Any) -> Any:
                """Address of a row of lanes, `index` numbers into an array."""
                return builder.bitcast(builder.gep(arrays[place].data, [index]), f.row.as_pointer())

            def load(address: Any) -> Any:
                value = builder.load(address)
                value.align = 4
                return value

            def store(value: Any, address: Any) -> None:
                builder.store(value, address).align = 4

            def spread(value: Any) -> Any:
                """The same number in every lane."""
                none = ir.Constant(f.row, ir.Undefined)
                at_first = builder.insert_element(none, value, ir.Constant(ir.IntType(32), 0))
                order = ir.Constant(ir.VectorType(ir.IntType(32), LANES), [0] * LANES)
                return builder.shuffle_vector(at_first, none, order)

            def of(place: int, row: int) -> Any:
                return row_at(place, builder.add(builder.mul(ir.Constant(whole, int(row)), width), lane))

            def constant(row: Constant) -> Any:
                if own_input or row in _OF_A_GAIN:
                    return load(of(5, row))
                at = builder.add(builder.mul(ir.Constant(whole, int(row)), width), lane)
                return spread(builder.load(builder.gep(arrays[5].data, [at])))

            k = [constant(row) for row in Constant]
            begun = _Voltages(*(load(of(6, row)) for row in list(State)[: len(_Voltages._fields)]))
            settled = _settled(f, k, begun)
            begun = _Voltages(*(f.choose(values[8], a, b) for a, b in zip(settled, begun)))
            # rows in memory that the compiler turns into registers
            held = [_cgutils.alloca_once(builder, f.row) for _ in range(len(begun) + 2)]
            for place, value in zip(held, [*begun, begun.storage, begun.storage]):
                builder.store(value, place)

            def samples(step: Callable[[_Value, _Voltages], _Voltages]) -> None:
                with _cgutils.for_range(builder, count) as loop:
                    at = builder.add(first, loop.index)
                    if own_input:
                        x = load(row_at(0, builder.add(builder.mul(at, width), lane)))
                    else:
                        x = spread(builder.load(builder.gep(arrays[0].data, [at])))
                    *now, highest, lowest = (builder.load(place) for place in held)
                    v = step(x, _Voltages(*now))
                    ends = [f.larger(v.storage, highest), f.smaller(v.storage, lowest)]
                    for place, value in zip(held, [*v, *ends]):
                        builder.store(value, place)
                    seen = builder.add(loop.index, ir.Constant(whole, _SEEN))
                    store(v.storage, row_at(9, builder.mul(seen, ir.Constant(whole, LANES))))

            def amplified(x: _Value, v: _Voltages) -> _Voltages:
                output, leg = _amplifier(f, k, x, v.output, v.leg)
                return v._replace(output=_held_at_limits(f, k, output), leg=leg)

            def whole_step(x: _Value, v: _Voltages) -> _Voltages:
                return _rectified(f, k, amplified(x, v))

            # the same bits where it is certain that less happens

            def clamp_step(x: _Value, v: _Voltages) -> _Voltages:
                return _clamped(f, k, amplified(x, v))

            def series_step(x: _Value, v: _Voltages) -> _Voltages:
                return _charged(f, k, amplified(x, v))

            def idle_step(x: _Value, v: _Voltages) -> _Voltages:
                output, leg = _amplifier(f, k, x, v.output, v.leg)
                bled = f.times(v.storage, k[Constant.KEEP])
                return v._replace(output=output, leg=leg, storage=bled, both=f.plus(v.coupling, bled))

            if own_input:
                samples(whole_step)
            else:
                acting = _acting(f, k, begun, spread(values[3]), spread(values[4]))
                none = ir.Constant(ir.IntType(LANES), 0)
                clamp, series = (builder.icmp_unsigned("!=", a, none) for a in (acting.clamp, acting.series))
                limit = builder.icmp_unsigned("!=", acting.limit, none)
                with builder.if_else(series) as (with_series, without):
                    with with_series, builder.if_else(clamp) as (with_clamp, alone):
                        with with_clamp:
                            samples(whole_step)
                        with alone:
                            samples(series_step)
                    with without, builder.if_else(builder.or_(clamp, limit)) as (with_clamp, idle):
                        with with_clamp:
                            samples(clamp_step)
                        with idle:
                            samples(idle_step)
            *ended, highest, lowest = (builder.load(place) for place in held)
            for row, value in zip(State, ended):
                store(value, of(6, row))
            store(highest, row_at(9, ir.Constant(whole, _HIGHEST * LANES)))
            store(lowest, row_at(9, ir.Constant(whole, _LOWEST * LANES)))
            trip = load(of(6, State.TRIP))
            is_high = builder.fcmp_ordered("==", trip, k[Constant.LOWER])
            passed = builder.select(
                is_high,
                builder.fcmp_ordered("<=", lowest, trip),
                builder.fcmp_ordered(">", highest, trip),
            )
            return builder.zext(f.any([passed]), whole)

        return signature, put_out

    return intrinsic(typed)


_shared_window = _window(own_input=False)
_own_window = _window(own_input=True)


@compiled
def circuit_front_end(
    block: FloatArray, volts: float, pickup: FloatArray, clamp_v: float, first_sample: int, state: FloatArray,
    x_out: FloatArray, bounds: FloatArray,
) -> None:  # fmt: skip
    """Pickup section and input clamp, counted from the input's rest: what all lanes share.

    The section is (b0, b1, a1): y[n] = b0 x[n] + b1 x[n-1] - a1 y[n-1]. The
    clamp holds y itself, so the charge that it passes stays on the pickup.
    `state` is x[n-1], y[n-1], and is left updated. `bounds` gets the lowest
    and the highest of `x_out` in each window of the recording that the block touches.
    """
    x1, y1 = state[0], state[1]
    b0, b1, a1 = pickup[0], pickup[1], pickup[2]
    window = 0
    begin = 0
    while begin < block.shape[0]:
        at = first_sample + begin
        end = min(block.shape[0], begin + WINDOW - at % WINDOW)
        if at % SETTLE_WINDOW == 0 and -_SETTLED_INPUT_V <= y1 <= _SETTLED_INPUT_V:
            y1 = 0.0
        for i in range(begin, end):
            x = np.float64(block[i]) * volts
            y1 = _front_end_step(x, x1, y1, b0, b1, a1, clamp_v)
            x1 = x
            x_out[i] = y1
        low = x_out[begin]
        high = x_out[begin]
        for i in range(begin + 1, end):
            low = x_out[i] if x_out[i] < low else low
            high = x_out[i] if x_out[i] > high else high
        bounds[window, 0] = low
        bounds[window, 1] = high
        window += 1
        begin = end
    state[0], state[1] = x1, y1


@inlined
def _front_end_step(x: Any, x1: Any, y1: Any, b0: Any, b1: Any, a1: Any, clamp_v: Any) -> Any:
    """Advance the front end by one sample."""
    y = (b0 * x + b1 * x1) - a1 * y1
    return y if y > clamp_v else clamp_v


@compiled
def circuit_lanes(
    x: FloatArray, bounds: FloatArray, constants: FloatArray, state: FloatArray, lane: int, n_lanes: int,
    first_sample: int, history: FloatArray,
    out_lane: FloatArray, out_sample: FloatArray, out_above: FloatArray, done: int,
) -> Any:  # fmt: skip
    """Simulate lanes `lane` .. `lane` + `LANES` over a block, from index `done` on; list comparator changes.

    The columns of `state` (see `State`) are left updated; columns beyond
    `n_lanes` only fill the row. `bounds` are the front end's, `history`
    (`WINDOW` + 2 x `LANES`) is room to work in. Stops early, at a window's start,
    where the output may not hold the changes of one window more.

    Returns
    -------
    (n_samples, n_changes) that were done.
    """
    n_out = 0
    first_window = first_sample // WINDOW
    i = done
    while i < x.shape[0]:
        if n_out + WINDOW * LANES > out_lane.shape[0]:
            return i, n_out
        at = first_sample + i
        count = min(x.shape[0] - i, WINDOW - at % WINDOW)
        window = at // WINDOW - first_window
        passed = _shared_window(
            x, i, count, bounds[window, 0], bounds[window, 1], constants, state, lane,
            at % SETTLE_WINDOW == 0, history,
        )  # fmt: skip
        if passed != 0:
            for j in range(min(LANES, n_lanes - lane)):
                if (passed >> j) & 1:
                    n_out = _list_changes(
                        history,
                        count,
                        j,
                        lane + j,
                        constants,
                        state,
                        at,
                        out_lane,
                        out_sample,
                        out_above,
                        n_out,
                    )
        i += count
    return x.shape[0], n_out


@compiled
def _list_changes(
    history: FloatArray, count: int, column: int, lane: int, constants: FloatArray, state: FloatArray,
    at: int, out_lane: FloatArray, out_sample: FloatArray, out_above: FloatArray, n_out: int,
) -> int:  # fmt: skip
    """List one lane's comparator changes within a window; return how many there are by now."""
    upper, lower = constants[Constant.UPPER, lane], constants[Constant.LOWER, lane]
    trip = state[State.TRIP, lane]
    for k in range(count):
        above = history[_SEEN + k, column] > trip
        if above != (trip == lower):
            trip = lower if above else upper
            out_lane[n_out] = lane
            out_sample[n_out] = at + k
            out_above[n_out] = above
            n_out += 1
    state[State.TRIP, lane] = trip
    return n_out


@compiled
def circuit_lanes_apart(
    tone: FloatArray, amplitude: FloatArray, pickup: FloatArray, clamp_v: FloatArray,
    constants: FloatArray, state: FloatArray, highest: FloatArray, lowest: FloatArray, observed_from: int,
) -> None:  # fmt: skip
    """Simulate lanes that are boards of their own, each with the tone at its own amplitude.

    Leaves the storage voltage's highest value over all samples and its lowest
    from sample `observed_from`, a whole number of settling windows, on in
    `highest` and `lowest`. `pickup` is (3 x lanes), as in `circuit_front_end`.
    """
    n_lanes = amplitude.shape[0]
    front_x, front_y = np.zeros(n_lanes), np.zeros(n_lanes)
    x = np.zeros((SETTLE_WINDOW, n_lanes), np.float32)
    history = np.empty((_SEEN + SETTLE_WINDOW, LANES), np.float32)
    nothing = np.float32(0.0)
    for first in range(0, tone.shape[0], SETTLE_WINDOW):
        count = min(SETTLE_WINDOW, tone.shape[0] - first)
        for j in range(n_lanes):
            if -_SETTLED_INPUT_V <= front_y[j] <= _SETTLED_INPUT_V:
                front_y[j] = 0.0
        for k in range(count):
            for j in range(n_lanes):
                now = tone[first + k] * amplitude[j]
                y = _front_end_step(
                    now, front_x[j], front_y[j], pickup[0, j], pickup[1, j], pickup[2, j], clamp_v[j]
                )
                front_x[j] = now
                front_y[j] = y
                x[k, j] = y
        for lane in range(0, n_lanes, LANES):
            _own_window(x, 0, count, nothing, nothing, constants, state, lane, True, history)
            for j in range(LANES):
                highest[lane + j] = max(highest[lane + j], history[_HIGHEST, j])
                if first >= observed_from:
                    lowest[lane + j] = min(lowest[lane + j], history[_LOWEST, j])


@compiled
def circuit_voltages(
    x: FloatArray, constants: FloatArray, state: FloatArray, lane: int, first_sample: int,
    out_output: FloatArray, out_storage: FloatArray, out_above: FloatArray,
) -> None:  # fmt: skip
    """Simulate lanes `lane` .. `lane` + `LANES` over a block as `circuit_lanes` does; keep every sample.

    The outputs are (samples x lanes), as many columns as are asked for:
    amplifier counted from its rest and storage, in spans, and 1 where the comparator is high.
    """
    history = np.empty((_SEEN + 1, LANES), np.float32)
    n_lanes = min(LANES, out_output.shape[1] - lane)
    for i in range(x.shape[0]):
        _shared_window(
            x, i, 1, x[i], x[i], constants, state, lane, (first_sample + i) % SETTLE_WINDOW == 0, history
        )
        for j in range(lane, lane + n_lanes):
            above = state[State.STORAGE, j] > state[State.TRIP, j]
            state[State.TRIP, j] = constants[Constant.LOWER if above else Constant.UPPER, j]
            out_output[i, j] = state[State.OUTPUT, j]
            out_storage[i, j] = state[State.STORAGE, j]
            out_above[i, j] = above
