"""A board at a sample rate and a row of gains, as the kernels of the circuit take it."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board
from evalkit.detectors import Source

if TYPE_CHECKING:
    from evalkit._circuit_kernels import Constant

__all__ = ["CircuitConstants", "circuit_constants", "pickup_section"]

_F = np.float32
# nearer to rest than this a capacitor's voltage is set to it: far below anything a meter shows
_SETTLED_V = 1e-6
_SETTLED_LEG_V = 1e-9
# times a second that the rectifier steps at the least, where that many samples come
_LEAST_STEPS_HZ = 12_000


@dataclass(frozen=True)
class CircuitConstants:
    """The board's numbers in the kernels' order; voltages count from rest."""

    pickup: NDArray[np.float64]
    """(3,): section of the pickup on its load."""
    volts: float
    """For a sample of 1.0."""
    clamp_v: float
    """Lowest input."""
    lanes: NDArray[np.float32]
    """(n_constants, n_columns): rows as `_circuit_kernels.Constant` lists them; voltages in spans. A whole
    number of the kernels' rows wide: the last gain stands in the columns beyond the gains."""
    at_rest: NDArray[np.float32]
    """(n_states, n_columns): rows as `_circuit_kernels.State` lists them, with no vibration."""
    stride: int
    """Samples to a step of the rectifier."""
    span_v: float
    """Volts of a span, 9 n Vt of the diodes."""
    resting_v: NDArray[np.float64]
    """(n_gains,): the output's rest, from which it counts; beyond a limit where the stage cannot reach it."""


def circuit_constants(board: Board, gain: NDArray[np.float64], source: Source) -> CircuitConstants:
    """Return a board's constants at the source's sample rate and calibration.

    Parameters
    ----------
    board : Board
    gain : ndarray of shape (n_gains,)
        At least 1.
    source : Source
    """
    from evalkit._circuit_kernels import LANES, STRIDES, Constant, State, aligned

    n = len(gain)
    gain = np.append(gain, np.full(-n % LANES, gain[-1]))
    rate = float(source.sample_rate_hz)
    r, a = board.rectifier, board.amplifier
    n_vt = board.diode_scale_v
    span_v = 9.0 * n_vt
    input_v = board.resting_input_v + a.offset.typ
    resting = np.full(len(gain), input_v) if a.leg_capacitor is not None else input_v * gain
    low, high = -resting / span_v, (board.output_limit_v - resting) / span_v
    c1, c2 = r.coupling.typ, r.storage.typ
    both = c1 * c2 / (c1 + c2)
    resistor = 0.0 if a.output_resistor is None else a.output_resistor.typ
    stride = max(n for n in STRIDES if n == 1 or rate / n >= _LEAST_STEPS_HZ)
    steps_hz = rate / stride
    keep = math.exp(-1.0 / (steps_hz * r.storage_tau_s))

    def knee(capacitance: float) -> float:
        return math.log(capacitance * n_vt * rate / board.diode_saturation_a) / 9.0

    def share(capacitance: float) -> float:
        return 1.0 / (1.0 + resistor * capacitance * steps_hz)

    amplifier = _amplifier(board, gain, rate)
    rows: dict[Constant, Any] = {
        Constant.INPUT: amplifier.from_input / span_v,
        Constant.LEG: -amplifier.from_leg,
        Constant.STAY: amplifier.stay,
        Constant.LEAK: amplifier.leak,
        Constant.LOW: low,
        Constant.HIGH: high,
        Constant.KNEES: knee(c1) + knee(both),
        Constant.SERIES_KNEE: knee(both),
        Constant.CLAMP_SHARE: share(c1),
        Constant.SERIES_SHARE: share(both),
        Constant.TO_COUPLING: c2 / (c1 + c2),
        Constant.TO_STORAGE: c1 / (c1 + c2) * keep,
        Constant.KEEP: keep,
        Constant.UPPER: board.upper_trip_v / span_v,
        Constant.LOWER: board.lower_trip_v / span_v,
        Constant.SETTLED: _SETTLED_V / span_v,
        Constant.SETTLED_LEG: _SETTLED_LEG_V / span_v,
        **_bounds(amplifier, np.maximum(-low, high), keep, stride, c1 / (c1 + c2)),
    }
    lanes = np.array([np.broadcast_to(rows[row], len(gain)) for row in Constant], _F)
    # the kernels tell a high comparator by the level that it waits for: at least one step apart
    steps_down = np.nextafter(lanes[Constant.UPPER], _F(-np.inf))
    lanes[Constant.LOWER] = np.minimum(lanes[Constant.LOWER], steps_down)
    # a stage that would rest beyond a limit stands at it, and a small vibration does not bring it off
    standing = np.clip(0.0, low, high).astype(_F)
    at_rest = np.zeros((len(State), len(gain)), _F)
    at_rest[State.OUTPUT] = standing
    at_rest[State.COUPLING] = standing + lanes[Constant.SERIES_KNEE]
    if a.leg_capacitor is None:
        at_rest[State.LEG] = standing
    at_rest[State.TRIP] = lanes[Constant.UPPER]
    return CircuitConstants(
        pickup=pickup_section(board, source),
        volts=source.volts,
        clamp_v=a.input_clamp.typ - board.resting_input_v,
        lanes=aligned(lanes),
        at_rest=at_rest,
        stride=stride,
        span_v=span_v,
        resting_v=resting[:n],
    )


@dataclass(frozen=True)
class _Amplifier:
    """What an output is made of, beside its own last value; (n_gains,) each."""

    from_input: NDArray[np.float64]
    from_leg: NDArray[np.float64]
    stay: NDArray[np.float64]
    leak: NDArray[np.float64]


def _amplifier(board: Board, gain: NDArray[np.float64], rate: float) -> _Amplifier:
    """Return the constants of p[n] = stay p[n-1] + from_input x[n] - from_leg q[n-1], with the gain leg's
    capacitor q[n] = q[n-1] + leak (p[n-1] - q[n-1]).

    The pole at gain-bandwidth / gain alone gives p[n] = s p[n-1] + (1 - s)(g x[n] - (g - 1) leg[n]), where
    leg[n] = q[n] + leak p[n] / 2 is the trapezoid rule's. Putting q[n] and leg[n] in and solving for p[n]
    gives what is returned.
    """
    a = board.amplifier
    stay = np.exp(-2.0 * math.pi * a.gain_bandwidth.typ / gain / rate)
    # while the output is clipped the leg's capacitor sees it through leg and feedback resistor in series
    leak = np.zeros(len(gain))
    if a.leg_capacitor is not None:
        leak = -np.expm1(-1.0 / (rate * a.leg_resistor.typ * a.leg_capacitor.typ * gain))
    own_half = 1.0 + (1.0 - stay) * (gain - 1.0) * leak / 2.0
    from_leg = (1.0 - stay) * (gain - 1.0) / own_half
    return _Amplifier(
        from_input=(1.0 - stay) * gain / own_half,
        from_leg=from_leg * (1.0 - leak),
        stay=stay / own_half - from_leg * leak,
        leak=leak,
    )


def _bounds(
    amplifier: _Amplifier, limit: NDArray[np.float64], keep: float, stride: int, to_storage: float
) -> "dict[Constant, Any]":
    """Return what bounds a window's outputs, rounded outward (see `_circuit_kernels._acting`).

    With the leg's capacitor as it was at the window's start, an output lies between the one before and
    what it aims at; beyond by 2 |stay| times the limit where stay is negative. The capacitor moves by no more
    than window x leak times the largest |p - q|, and moves the output by from_leg / (1 - stay) times that.
    Of what the series diode passes, the storage capacitor has at a window's end at least `to_storage` times
    what the bleed leaves over a window; so much the less is the coupling capacitor's, of what both may gain.
    """
    from evalkit._circuit_kernels import WINDOW, Constant

    steady = 1.0 / (1.0 - amplifier.stay)
    moved, on_output = WINDOW * amplifier.leak, amplifier.from_leg * steady
    left = 1.0 - moved * (1.0 + on_output)
    # a window so long that the capacitor follows bounds nothing
    drift = np.where(left > 0.0, moved * on_output / np.where(left > 0.0, left, 1.0), 1e6)
    kept = keep ** (WINDOW // stride) * (1.0 - 1e-5)
    return {
        Constant.STEADY: steady,
        Constant.REACH: 2.0 * np.maximum(-amplifier.stay, 0.0) * limit + 1e-5,
        Constant.DRIFT: drift * (1.0 + 1e-5) + 1e-5,
        Constant.KEEP_WINDOW: kept,
        Constant.COUPLED: (1.0 - to_storage) / (1.0 - to_storage + to_storage * kept) * (1.0 + 1e-5),
    }


def pickup_section(board: Board, source: Source) -> NDArray[np.float64]:
    """Return (b0, b1, a1) of the board's own pickup high-pass in place of the recorder's.

    With the recorder's input resistance known, its high-pass is inverted
    exactly: H(s) = (s + w_recorder)/(s + w_board). Unknown: H(s) = s/(s + w_board),
    on levels as loaded by the recorder. Bilinear transform: y[n] = b0 x[n] + b1 x[n-1] - a1 y[n-1].
    """
    w_board = 2.0 * math.pi * board.pickup.corner_hz
    w_recorder = 0.0
    if source.input_ohms is not None:
        w_recorder = 1.0 / (source.input_ohms * board.pickup.capacitance.typ)
    k = 2.0 * source.sample_rate_hz
    return np.array([k + w_recorder, w_recorder - k, w_board - k]) / (k + w_board)
