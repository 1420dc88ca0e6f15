"""The board's compiled loops: 32 gains or boards side by side; nothing here raises.

What happens is written once, in `_amplifier` for a sample and in `_rectified`
for a step of the rectifier, as arithmetic on a row of lanes, and put out as the
processor's vector instructions: a compiler left to itself keeps the lanes'
voltages in memory and is twice as slow. Every operation is float32 and rounds
once, a fused multiply-add (`fma`) too, so each processor gives the same bits;
the order written here is part of the detector's definition
(`tests/reference.py` holds its twin).

The rectifier steps with each sample or, where the caller's `stride` is 2 or 4,
with the last of each two or four from the recording's start.

Voltages of the lanes count from rest and are told in spans: one span is
9 n Vt of the board's diodes, over which their knee is bent.
"""

import math
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
    "FRONT_STATES",
    "KNEE",
    "LANES",
    "STRIDES",
    "TWICE_AS_LONG",
    "WINDOW",
    "Constant",
    "State",
    "aligned",
    "circuit_front_end",
    "circuit_lanes",
    "circuit_lanes_apart",
    "circuit_voltages",
]

LANES = 32
"""Lanes that advance together: two vectors of a wide processor, whose instructions then overlap."""
WINDOW = 64
"""Samples, counted from the recording's start, for which it is decided at once whether any lane's diodes can
conduct. At the start of every window voltages nearer to rest than `Constant.SETTLED` and the like are set to
it: far below anything a meter shows, and it keeps denormal numbers away."""
STRIDES = (1, 2, 4)
"""Samples that a step of the rectifier may take."""
FRONT_STATES = 5
"""Numbers that the front end carries on, all 0 at rest."""

KNEE = (0.6045016 / 9.0, -1.7998283 / 9.0, 1.8923922 / 9.0)
"""ln(1 + exp(-9 d))/9 for d in [0, 1] as q^4 (K0 + q K1 + q^2 K2), q = 1 - d, and exactly 0 beyond, so that
an idle diode passes nothing. Minimax of the error over (g + 0.006) on 4,001 points: within 3.3 % up to
d = 0.55, where a share of 3 % stands for 1.4 mV at n Vt = 45 mV, and within 9 % up to d = 0.75."""

TWICE_AS_LONG = math.log(2.0) / 9.0
"""By how much, in spans, an output acts as if it were higher where it lasts twice as long."""

_SETTLED_INPUT_V = 1e-12
_LINE_BYTES = 64


class Constant(IntEnum):
    """Rows of a board's numbers, one column for each lane."""

    INPUT = 0  # to the output from the input, in spans a volt
    LEG = auto()  # to the output from the gain leg's capacitor (negative)
    STAY = auto()  # to the output from itself
    LEAK = auto()  # share of the output that the gain leg's capacitor takes
    LOW = auto()  # limits of the output
    HIGH = auto()
    KNEES = auto()  # both diodes' knees, added up
    SERIES_KNEE = auto()
    CLAMP_SHARE = auto()  # what the resistance before the diode lets pass of the drop above its knee
    SERIES_SHARE = auto()
    TO_COUPLING = auto()  # where a charge through the series diode goes
    TO_STORAGE = auto()
    KEEP = auto()  # share that the bleed leaves of the storage capacitor's voltage in a step of the rectifier
    UPPER = auto()  # trip levels
    LOWER = auto()
    SETTLED = auto()  # nearest voltages to rest that are kept
    SETTLED_LEG = auto()
    # for the bounds of a window, all rounded outward
    STEADY = auto()  # 1 / (1 - STAY)
    REACH = auto()  # how far beyond its bounds the output may come, in spans
    DRIFT = auto()  # and in shares of the largest voltage about
    KEEP_WINDOW = auto()  # KEEP over a window
    COUPLED = auto()  # largest share of what both capacitors gain that may stay on the coupling capacitor


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
    COUPLING = auto()  # and the series diode's knee: what the output must exceed while nothing is stored
    STORAGE = auto()
    TRIP = auto()  # the level that the comparator waits for: UPPER while low, LOWER while high
    FIRST = auto()  # outputs of the step that is on, but for the last; 0 while there are none
    SECOND = auto()


_EARLIER = (State.FIRST, State.SECOND)


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

    def at_least(self, a: _Value, least: _Value) -> _Value:
        """Return the larger of a and what is not negative.

        Done on the bits as whole numbers, which grow with the number from 0 on and are negative where it is:
        this keeps the units free that add.
        """
        whole = ir.VectorType(ir.IntType(32), LANES)
        kind = ir.FunctionType(whole, [whole, whole])
        larger = _cgutils.get_or_insert_function(self._builder.module, kind, f"llvm.smax.v{LANES}i32")
        bits = [self._builder.bitcast(each, whole) for each in (a, least)]
        return self._builder.bitcast(self._builder.call(larger, bits), self.row)

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


class _Ends(NamedTuple):
    """The outputs of a step as the diodes feel them: the clamp diode low, the series diode high."""

    low: _Value
    high: _Value


def _ends(f: _Arithmetic, outputs: list[_Value]) -> _Ends:
    """Sum up the outputs of a step: one, two or four.

    Behind a diode two outputs p of a sample each charge as one would, for a
    sample, that is n Vt ln(exp(p1/(n Vt)) + exp(p2/(n Vt))). This puts the two
    asymptotes in its place: their mean and n Vt ln 2, or the higher, which is
    never more and less by 0.23 n Vt at the most. Two pairs make four.
    """
    if len(outputs) == 1:
        return _Ends(outputs[0], outputs[0])
    half = len(outputs) // 2
    first, second = _ends(f, outputs[:half]), _ends(f, outputs[half:])
    highs = _mean_and_apart(f, first.high, second.high)
    lows = highs if half == 1 else _mean_and_apart(f, first.low, second.low)
    return _Ends(f.minus(*lows), f.plus(*highs))


def _mean_and_apart(f: _Arithmetic, a: _Value, b: _Value) -> tuple[_Value, _Value]:
    half = f.constant(0.5)
    apart = f.magnitude(f.times(half, f.minus(a, b)))
    return f.times(half, f.plus(a, b)), f.at_least(apart, f.constant(TWICE_AS_LONG))


def _clamp_drop(f: _Arithmetic, k: list[_Value], v: _Voltages, ends: _Ends) -> _Value:
    return f.minus(v.coupling, f.plus(ends.low, k[Constant.KNEES]))


def _series_drop(f: _Arithmetic, k: list[_Value], v: _Voltages, ends: _Ends) -> _Value:
    return f.minus(ends.high, f.plus(v.coupling, v.storage))


def _moved(f: _Arithmetic, drop: _Value, share: _Value) -> _Value:
    """What a diode takes off its drop above the knee within a step.

    A capacitance C behind a diode I = Is exp(w/(n Vt)) obeys
    exp(-w/nVt) growing linearly in time, so after dt the drop is
    w - n Vt ln(1 + exp((w - knee)/(n Vt))) with knee = n Vt ln(C n Vt/(Is dt)),
    where dt is a sample: what a step lasts longer is in its ends. A resistance R
    before the diode lets pass only `share` = 1/(1 + R C/step) of what lies above
    the knee. A drop of a span under it moves exactly nothing, and no drop moves so
    much that it ends farther under.
    """
    nothing = f.constant(0.0)
    q = f.at_least(f.minus(f.constant(1.0), f.magnitude(drop)), nothing)
    squared = f.times(q, q)
    bend = f.fma(f.constant(KNEE[2]), squared, f.fma(f.constant(KNEE[1]), q, f.constant(KNEE[0])))
    return f.fma(f.times(squared, squared), bend, f.times(f.at_least(drop, nothing), share))


def _clamped(f: _Arithmetic, k: list[_Value], v: _Voltages, ends: _Ends) -> _Voltages:
    """Both capacitors one step on, where only the clamp diode can conduct."""
    moved = _moved(f, _clamp_drop(f, k, v, ends), k[Constant.CLAMP_SHARE])
    return v._replace(coupling=f.minus(v.coupling, moved), storage=f.times(v.storage, k[Constant.KEEP]))


def _charged(f: _Arithmetic, k: list[_Value], v: _Voltages, ends: _Ends) -> _Voltages:
    """Both capacitors one step on, where only the series diode can conduct."""
    moved = _moved(f, _series_drop(f, k, v, ends), k[Constant.SERIES_SHARE])
    return v._replace(
        coupling=f.fma(moved, k[Constant.TO_COUPLING], v.coupling),
        storage=f.fma(moved, k[Constant.TO_STORAGE], f.times(v.storage, k[Constant.KEEP])),
    )


def _rectified(f: _Arithmetic, k: list[_Value], v: _Voltages, ends: _Ends) -> _Voltages:
    """Both capacitors one step on, whichever diode conducts."""
    clamped = _moved(f, _clamp_drop(f, k, v, ends), k[Constant.CLAMP_SHARE])
    charged = _moved(f, _series_drop(f, k, v, ends), k[Constant.SERIES_SHARE])
    return v._replace(
        coupling=f.fma(charged, k[Constant.TO_COUPLING], f.minus(v.coupling, clamped)),
        storage=f.fma(charged, k[Constant.TO_STORAGE], f.times(v.storage, k[Constant.KEEP])),
    )


def _rested(f: _Arithmetic, k: list[_Value], v: _Voltages, ends: _Ends) -> _Voltages:
    """Both capacitors one step on, where no diode can conduct."""
    return v._replace(storage=f.times(v.storage, k[Constant.KEEP]))


def _settled(f: _Arithmetic, k: list[_Value], v: _Voltages) -> _Voltages:
    def kept(value: _Value, nearest: Constant, rest: _Value) -> _Value:
        return f.choose(f.over(f.magnitude(f.minus(value, rest)), k[nearest]), value, rest)

    nothing = f.constant(0.0)
    return _Voltages(
        kept(v.output, Constant.SETTLED_LEG, nothing),
        kept(v.leg, Constant.SETTLED_LEG, nothing),
        kept(v.coupling, Constant.SETTLED, k[Constant.SERIES_KNEE]),
        kept(v.storage, Constant.SETTLED, nothing),
    )


class _Acting(NamedTuple):
    """Lanes, as bits, in which something may act within a window; unset bits are certain."""

    limit: _Value
    clamp: _Value
    series: _Value


def _acting(
    f: _Arithmetic, k: list[_Value], v: _Voltages, x_low: _Value, x_high: _Value, stride: int
) -> _Acting:
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
    # where each diode begins to conduct: nothing under a span below its knee; what the outputs of a step act
    # like lies beyond them by so much for each halving; a little more for rounding
    span = f.constant(1.0 + 1e-4 + TWICE_AS_LONG * math.log2(stride))
    clamp_from = f.minus(f.plus(low, k[Constant.KNEES]), span)
    series_from = f.plus(high, span)
    stored = f.times(v.storage, k[Constant.KEEP_WINDOW])
    gained = f.larger(f.minus(series_from, f.plus(v.coupling, stored)), f.constant(0.0))
    most = f.fma(gained, k[Constant.COUPLED], v.coupling)
    least = f.smaller(v.coupling, clamp_from)
    return _Acting(
        limit, f.any([f.over(most, clamp_from)]), f.any([f.over(series_from, f.plus(least, stored))])
    )


_Step = Callable[[_Arithmetic, list[_Value], _Voltages, _Ends], _Voltages]


def _window(*, own_input: bool, stride: int, whole: bool) -> Any:
    """Make the instruction that carries `LANES` lanes through a window of samples, or a part of one.

    It takes x, first sample and number of samples (`WINDOW` of a whole one), the
    input's bounds (of a shared input), `Constant` and `State` arrays, the first
    lane, whether to settle, how many samples of its first step lie before it, and
    `history` (steps x `LANES`), which it fills with the storage voltage after each
    step that ends in it. x is (n_samples,) or, with `own_input`, (n_samples, n_lanes).
    It returns the lanes, as bits, whose storage voltage may have passed the trip level.
    """

    def typed(typing: Any, x: Any, first: Any, count: Any, low: Any, high: Any, constants: Any, state: Any,
              lane: Any, settles: Any, begun_before: Any, history: Any) -> Any:  # fmt: skip
        signature = types.int64(
            x, types.int64, types.int64, types.float32, types.float32, constants, state, types.int64,
            types.boolean, types.int64, history,
        )  # fmt: skip

        def put_out(context: Any, builder: Any, signature: Any, values: Any) -> Any:
            f = _Arithmetic(builder)
            x_at, constants_at, state_at, history_at = 0, 5, 6, 10
            arrays = {
                place: context.make_array(signature.args[place])(context, builder, values[place])
                for place in (x_at, constants_at, state_at, history_at)
            }
            first, count, lane, begun_before = values[1], values[2], values[7], values[9]
            width = builder.extract_value(arrays[constants_at].shape, 1)

            def number(value: int) -> Any:
                return ir.Constant(ir.IntType(64), value)

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
                return row_at(place, builder.add(builder.mul(number(int(row)), width), lane))

            def constant(row: Constant) -> Any:
                if own_input or row in _OF_A_GAIN:
                    return load(of(constants_at, row))
                at = builder.add(builder.mul(number(int(row)), width), lane)
                return spread(builder.load(builder.gep(arrays[constants_at].data, [at])))

            k = [constant(row) for row in Constant]
            begun = _Voltages(*(load(of(state_at, row)) for row in list(State)[: len(_Voltages._fields)]))
            settled = _settled(f, k, begun)
            begun = _Voltages(*(f.choose(values[8], a, b) for a, b in zip(settled, begun)))
            # rows in memory that the compiler turns into registers
            held = [_cgutils.alloca_once(builder, f.row) for _ in begun]

            def hold(v: _Voltages) -> None:
                for place, value in zip(held, v):
                    builder.store(value, place)

            def now() -> _Voltages:
                return _Voltages(*(builder.load(place) for place in held))

            def input_at(index: Any) -> Any:
                at = builder.add(first, index)
                if own_input:
                    return load(row_at(x_at, builder.add(builder.mul(at, width), lane)))
                return spread(builder.load(builder.gep(arrays[x_at].data, [at])))

            def amplified(index: Any, v: _Voltages, *, limited: bool = True) -> _Voltages:
                output, leg = _amplifier(f, k, input_at(index), v.output, v.leg)
                return v._replace(output=_held_at_limits(f, k, output) if limited else output, leg=leg)

            def end_step(step: Any, v: _Voltages) -> None:
                hold(v)
                store(v.storage, row_at(history_at, builder.mul(step, number(LANES))))

            def sample(place: int, index: Any) -> None:
                """One sample, at a place within its step."""
                before = now()
                v = amplified(index, before)
                if place < stride - 1:
                    hold(v)
                    if place > 0:
                        store(before.output, of(state_at, _EARLIER[place - 1]))
                    return
                earlier = [of(state_at, row) for row in _EARLIER[: place - 1]] if place else []
                outputs = [*map(load, earlier), *([before.output] if place else []), v.output]
                step = builder.udiv(builder.add(begun_before, index), number(stride))
                end_step(step, _rectified(f, k, v, _ends(f, outputs)))
                for address in earlier:
                    store(f.constant(0.0), address)

            def samples() -> None:
                with _cgutils.for_range(builder, count) as loop:
                    at = builder.urem(builder.add(begun_before, loop.index), number(stride))
                    for place in range(stride):
                        with builder.if_then(builder.icmp_unsigned("==", at, number(place))):
                            sample(place, loop.index)

            def steps(rectify: _Step, *, limited: bool = True) -> None:
                with _cgutils.for_range(builder, number(WINDOW // stride)) as loop:
                    at = builder.mul(loop.index, number(stride))
                    v, outputs = now(), []
                    for place in range(stride):
                        v = amplified(builder.add(at, number(place)), v, limited=limited)
                        outputs.append(v.output)
                    end_step(loop.index, rectify(f, k, v, _ends(f, outputs)))

            def steps_where_certain_ones_are_short() -> None:
                """The same bits, sooner where it is certain that less happens."""
                acting = _acting(f, k, begun, spread(values[3]), spread(values[4]), stride)
                none = ir.Constant(ir.IntType(LANES), 0)
                limit, clamp, series = (builder.icmp_unsigned("!=", lanes, none) for lanes in acting)
                with builder.if_else(limit) as branches:
                    for branch, limited in zip(branches, (True, False)):
                        with branch, builder.if_else(series) as (with_series, without):
                            with with_series, builder.if_else(clamp) as (with_clamp, alone):
                                with with_clamp:
                                    steps(_rectified, limited=limited)
                                with alone:
                                    steps(_charged, limited=limited)
                            with without, builder.if_else(clamp) as (with_clamp, idle):
                                with with_clamp:
                                    steps(_clamped, limited=limited)
                                with idle:
                                    steps(_rested, limited=limited)

            hold(begun)
            if not whole:
                samples()
            elif own_input:
                steps(_rectified)
            else:
                steps_where_certain_ones_are_short()
            ended = now()
            for row, value in zip(State, ended):
                store(value, of(state_at, row))
            trip = load(of(state_at, State.TRIP))
            is_high = builder.fcmp_ordered("==", trip, k[Constant.LOWER])

            # the storage voltage falls no faster than the bleed takes it
            passed = builder.select(
                is_high,
                builder.fcmp_ordered("<=", f.times(begun.storage, k[Constant.KEEP_WINDOW]), trip),
                builder.fcmp_ordered(">", ended.storage, f.times(trip, k[Constant.KEEP_WINDOW])),
            )
            return builder.zext(f.any([passed]), ir.IntType(64))

        return signature, put_out

    return intrinsic(typed)


_whole_1, _whole_2, _whole_4 = (_window(own_input=False, stride=n, whole=True) for n in STRIDES)
_part_1, _part_2, _part_4 = (_window(own_input=False, stride=n, whole=False) for n in STRIDES)
_own_1, _own_2, _own_4 = (_window(own_input=True, stride=n, whole=True) for n in STRIDES)


@inlined
def _through_window(
    x: Any, i: Any, low: Any, high: Any, constants: Any, state: Any, lane: Any, stride: Any, history: Any
) -> Any:
    """Carry a row of lanes through the window that begins at sample `i` of x."""
    if stride == 4:
        return _whole_4(x, i, WINDOW, low, high, constants, state, lane, True, 0, history)
    if stride == 2:
        return _whole_2(x, i, WINDOW, low, high, constants, state, lane, True, 0, history)
    return _whole_1(x, i, WINDOW, low, high, constants, state, lane, True, 0, history)


@compiled
def _through_part(
    x: FloatArray, i: int, count: int, constants: FloatArray, state: FloatArray, lane: int, at: int,
    stride: int, history: FloatArray,
) -> Any:  # fmt: skip
    """Carry a row of lanes through part of a window: `count` samples, from `at` of the recording on."""
    settles, before, nothing = at % WINDOW == 0, at % stride, np.float32(0.0)
    if stride == 4:
        return _part_4(x, i, count, nothing, nothing, constants, state, lane, settles, before, history)
    if stride == 2:
        return _part_2(x, i, count, nothing, nothing, constants, state, lane, settles, before, history)
    return _part_1(x, i, count, nothing, nothing, constants, state, lane, settles, before, history)


@inlined
def _through_own(x: Any, constants: Any, state: Any, lane: Any, stride: Any, history: Any) -> Any:
    """Carry a row of lanes, each with an input of its own, through a window."""
    nothing = np.float32(0.0)
    if stride == 4:
        return _own_4(x, 0, WINDOW, nothing, nothing, constants, state, lane, True, 0, history)
    if stride == 2:
        return _own_2(x, 0, WINDOW, nothing, nothing, constants, state, lane, True, 0, history)
    return _own_1(x, 0, WINDOW, nothing, nothing, constants, state, lane, True, 0, history)


def aligned(values: FloatArray) -> FloatArray:
    """Return a copy that begins where a cache line does.

    The kernels take any array. One whose rows of lanes straddle lines, as rows
    wider than what memory is handed out by do, costs them a sixth of the time.
    """
    room = np.empty(values.nbytes + _LINE_BYTES, np.uint8)
    begin = -room.ctypes.data % _LINE_BYTES
    copy = room[begin : begin + values.nbytes].view(values.dtype).reshape(values.shape)
    copy[...] = values
    return copy


@compiled
def circuit_front_end(
    block: FloatArray, volts: float, pickup: FloatArray, clamp_v: float, first_sample: int, state: FloatArray,
    x_out: FloatArray, bounds: FloatArray,
) -> None:  # fmt: skip
    """Pickup section and input clamp, counted from the input's rest: what all lanes share.

    The section is (b0, b1, a1): y[n] = b0 x[n] + b1 x[n-1] - a1 y[n-1]. The
    clamp holds y itself, so the charge that it passes stays on the pickup.
    `state` (`FRONT_STATES`) is x[n-1], y before the group of `_felt` that is on, and
    what that group was driven by so far; it is left updated. `bounds` has a row for each
    window of the recording that the block touches; of those that it holds as a whole it
    gets the lowest and the highest of `x_out`.
    """
    x1, y = state[0], state[1]
    b0, b1, a1 = pickup[0], pickup[1], pickup[2]
    driven, lows, highs = (
        np.zeros(WINDOW),
        np.empty(WINDOW // 4, np.float32),
        np.empty(WINDOW // 4, np.float32),
    )
    place = first_sample % WINDOW
    driven[place - place % 4 : place] = state[2 : 2 + place % 4]
    window = 0
    begin = 0
    while begin < block.shape[0]:
        if place == 0 and -_SETTLED_INPUT_V <= y <= _SETTLED_INPUT_V:
            y = 0.0
        count = min(block.shape[0] - begin, WINDOW - place)
        if count == WINDOW:
            own, felt = block[begin : begin + WINDOW], x_out[begin : begin + WINDOW]
            driven[0] = b0 * (np.float64(own[0]) * volts) + b1 * x1
            for i in range(1, WINDOW):
                driven[i] = b0 * (np.float64(own[i]) * volts) + b1 * (np.float64(own[i - 1]) * volts)
            x1 = np.float64(own[WINDOW - 1]) * volts
            for g in range(0, WINDOW, 4):
                four = _felt(driven[g], driven[g + 1], driven[g + 2], driven[g + 3], y, a1, clamp_v)
                felt[g], felt[g + 1], felt[g + 2], felt[g + 3] = four
                y = four[3]
            bounds[window, 0], bounds[window, 1] = _extremes(felt, lows, highs)
        else:
            for i in range(place, place + count):
                x = np.float64(block[begin + i - place]) * volts
                driven[i] = b0 * x + b1 * x1
                x1 = x
                k = i % 4
                four = _felt(
                    driven[i - k], driven[i - k + 1], driven[i - k + 2], driven[i - k + 3], y, a1, clamp_v
                )
                y = four[3] if k == 3 else y
                x_out[begin + i - place] = four[k]
        window += 1
        begin += count
        place = (place + count) % WINDOW
    state[0], state[1] = x1, y
    state[2:] = 0.0
    state[2 : 2 + place % 4] = driven[place - place % 4 : place]


@inlined
def _extremes(window: FloatArray, lows: FloatArray, highs: FloatArray) -> Any:
    """Lowest and highest of a window's values; `lows` and `highs` are room for a quarter."""
    for c in range(WINDOW // 4):
        p, q = window[c], window[WINDOW // 4 + c]
        r, s = window[WINDOW // 2 + c], window[3 * (WINDOW // 4) + c]
        low, high = (p if p < q else q), (p if p > q else q)
        other_low, other_high = (r if r < s else s), (r if r > s else s)
        lows[c] = low if low < other_low else other_low
        highs[c] = high if high > other_high else other_high
    lowest, highest = lows[0], highs[0]
    for c in range(1, WINDOW // 4):
        lowest = lows[c] if lows[c] < lowest else lowest
        highest = highs[c] if highs[c] > highest else highest
    return lowest, highest


@inlined
def _felt(d0: Any, d1: Any, d2: Any, d3: Any, y: Any, a1: Any, clamp_v: Any) -> Any:
    """Advance the front end by four samples, counted from the recording's start: y -> max(d - a1 y, clamp).

    With -a1 not negative two such steps are one of the same form, and so are two
    of those, which leaves one step of four to wait for the one before. Later d
    bear on no earlier result.
    """
    p = -a1
    held = p * clamp_v
    if p >= 0.0:
        pp = p * p
        drive, least = d1 + p * d0, _larger(d1 + held, clamp_v)
        last_drive, last_least = d3 + p * d2, _larger(d3 + held, clamp_v)
        y0, y1 = _larger(d0 + p * y, clamp_v), _larger(drive + pp * y, least)
        y2 = _larger(d2 + p * y1, clamp_v)
        y3 = _larger((last_drive + pp * drive) + (pp * pp) * y, _larger(last_drive + pp * least, last_least))
    else:
        # a pickup whose corner lies beyond a third of the sample rate
        y0 = _larger(d0 + p * y, clamp_v)
        y1 = _larger(d1 + p * y0, clamp_v)
        y2 = _larger(d2 + p * y1, clamp_v)
        y3 = _larger(d3 + p * y2, clamp_v)
    return y0, y1, y2, y3


@inlined
def _larger(a: Any, b: Any) -> Any:
    return a if a > b else b


@compiled
def circuit_lanes(
    x: FloatArray, bounds: FloatArray, constants: FloatArray, state: FloatArray, lane: int, n_lanes: int,
    first_sample: int, stride: int, history: FloatArray,
    out_lane: FloatArray, out_sample: FloatArray, out_above: FloatArray, done: int,
) -> Any:  # fmt: skip
    """Simulate lanes `lane` .. `lane` + `LANES` over a block, from index `done` on; list comparator changes.

    The rectifier steps with every `stride`-th sample. The columns of
    `state` (see `State`) are left updated; columns beyond `n_lanes` only fill
    the row. `bounds` are the front end's, `history` (`WINDOW` x `LANES`) is
    room to work in. Stops early, at a window's start, where the output may not hold the changes of one
    window more.

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
        if count == WINDOW:
            low, high = bounds[window, 0], bounds[window, 1]
            passed = _through_window(x, i, low, high, constants, state, lane, stride, history)
        else:
            passed = _through_part(x, i, count, constants, state, lane, at, stride, history)
        if passed != 0:
            before = at % stride
            for j in range(min(LANES, n_lanes - lane)):
                if (passed >> j) & 1:
                    n_out = _list_changes(
                        history, (count + before) // stride, j, lane + j, constants, state,
                        at + stride - 1 - before, stride, out_lane, out_sample, out_above, n_out,
                    )  # fmt: skip
        i += count
    return x.shape[0], n_out


@compiled
def _list_changes(
    history: FloatArray, n_steps: int, column: int, lane: int, constants: FloatArray, state: FloatArray,
    at: int, stride: int, out_lane: FloatArray, out_sample: FloatArray, out_above: FloatArray, n_out: int,
) -> int:  # fmt: skip
    """List one lane's comparator changes within a window; return how many there are by now."""
    upper, lower = constants[Constant.UPPER, lane], constants[Constant.LOWER, lane]
    trip = state[State.TRIP, lane]
    for k in range(n_steps):
        above = history[k, column] > trip
        if above != (trip == lower):
            trip = lower if above else upper
            out_lane[n_out] = lane
            out_sample[n_out] = at + k * stride
            out_above[n_out] = above
            n_out += 1
    state[State.TRIP, lane] = trip
    return n_out


@compiled
def circuit_lanes_apart(
    tone: FloatArray, amplitude: FloatArray, pickup: FloatArray, clamp_v: FloatArray, stride: int,
    constants: FloatArray, state: FloatArray, highest: FloatArray, lowest: FloatArray, observed_from: int,
) -> None:  # fmt: skip
    """Simulate lanes that are boards of their own, each with the tone at its own amplitude.

    Leaves the storage voltage's highest value after any step and its lowest
    after those of the first window that begins at sample `observed_from` or later
    on in `highest` and `lowest`. `pickup` is (3 x lanes), as in `circuit_front_end`.
    """
    n_lanes = amplitude.shape[0]
    front_x, front_y = np.zeros(n_lanes), np.zeros(n_lanes)
    x = np.zeros((WINDOW, n_lanes), np.float32)
    driven = np.zeros((4, n_lanes))
    history = np.empty((WINDOW, LANES), np.float32)
    for first in range(0, tone.shape[0], WINDOW):
        count = min(WINDOW, tone.shape[0] - first)
        for j in range(n_lanes):
            if -_SETTLED_INPUT_V <= front_y[j] <= _SETTLED_INPUT_V:
                front_y[j] = 0.0
        for k in range(0, count, 4):
            for m in range(min(4, count - k)):
                for j in range(n_lanes):
                    now = tone[first + k + m] * amplitude[j]
                    driven[m, j] = pickup[0, j] * now + pickup[1, j] * front_x[j]
                    front_x[j] = now
            for j in range(n_lanes):
                felt = _felt(
                    driven[0, j],
                    driven[1, j],
                    driven[2, j],
                    driven[3, j],
                    front_y[j],
                    pickup[2, j],
                    clamp_v[j],
                )
                for m in range(min(4, count - k)):
                    x[k + m, j] = felt[m]
                front_y[j] = felt[3]
        for lane in range(0, n_lanes, LANES):
            # past the tone's end to the window's: those steps are not looked at
            _through_own(x, constants, state, lane, stride, history)
            for k in range(count // stride):
                for j in range(LANES):
                    highest[lane + j] = max(highest[lane + j], history[k, j])
                    if first >= observed_from:
                        lowest[lane + j] = min(lowest[lane + j], history[k, j])


@compiled
def circuit_voltages(
    x: FloatArray, constants: FloatArray, state: FloatArray, lane: int, first_sample: int, stride: int,
    out_output: FloatArray, out_storage: FloatArray, out_above: FloatArray,
) -> None:  # fmt: skip
    """Simulate lanes `lane` .. `lane` + `LANES` over a block as `circuit_lanes` does; keep every sample.

    The outputs are (samples x lanes), as many columns as are asked for:
    amplifier counted from its rest and storage, in spans, and 1 where the comparator is high.
    """
    history = np.empty((1, LANES), np.float32)
    n_lanes = min(LANES, out_output.shape[1] - lane)
    for i in range(x.shape[0]):
        at = first_sample + i
        _through_part(x, i, 1, constants, state, lane, at, stride, history)
        for j in range(lane, lane + n_lanes):
            above = state[State.STORAGE, j] > state[State.TRIP, j]
            state[State.TRIP, j] = constants[Constant.LOWER if above else Constant.UPPER, j]
            out_output[i, j] = state[State.OUTPUT, j]
            out_storage[i, j] = state[State.STORAGE, j]
            out_above[i, j] = above
