"""`envelope` behind a band-pass at the phone motor's frequency, made of parts that can be bought.

The band-pass is the multiple-feedback stage around one operational amplifier
with two equal capacitors (formulas: textbook, written from memory; the tests
solve its nodes). Centre and Q are those, out of all that standard values
give, with which the level tells the target's frames best from every other
class; only the training sessions are looked at.
"""

import math
from dataclasses import dataclass, replace
from functools import cache, partial

import numpy as np
from numpy.typing import NDArray

from evalkit.board import Board
from evalkit.detectors import Cost, Fitted, Frames, Source, Training
from evalkit.detectors.constants import pickup_section
from evalkit.detectors.envelope import EnvelopeDetector, EnvelopeState, fit_levels
from evalkit.detectors.features import BANDS_HZ
from evalkit.standard_values import Series, nearest_value, values_between

__all__ = ["BandDetector", "BandPass", "buildable", "fit"]

_CENTRES_HZ = np.geomspace(110.0, 300.0, 12)
_QS = (1.0, 1.5, 2.0, 3.0, 4.0)
_CAPACITORS_F = (10e-9, 100e-9)
_RESISTORS_OHM = (1e3, 1e6)
_ENOUGH_FRAMES = 20_000
_AS_GOOD = 1e-3
"""Areas this close are equal: the lower Q is taken, which forgives a motor that runs slower, then the
centre with the widest gap."""


@dataclass(frozen=True)
class BandPass:
    """The stage as it can be built: unity gain at its centre but for rounding."""

    input_ohm: float
    """From the signal to the node of the capacitors."""
    ground_ohm: float
    """From that node to ground."""
    feedback_ohm: float
    """From output to inverting input."""
    capacitor_f: float
    """Both of them."""

    @property
    def centre_hz(self) -> float:
        """1/(2 pi C sqrt(R3 (R1 || R2)))."""
        return 1.0 / (2.0 * math.pi * self.capacitor_f * math.sqrt(self.feedback_ohm * self._parallel_ohm))

    @property
    def q(self) -> float:
        """pi f C R3."""
        return math.pi * self.centre_hz * self.capacitor_f * self.feedback_ohm

    @property
    def gain(self) -> float:
        """At the centre, R3/(2 R1); the stage inverts."""
        return self.feedback_ohm / (2.0 * self.input_ohm)

    @property
    def _parallel_ohm(self) -> float:
        return self.input_ohm * self.ground_ohm / (self.input_ohm + self.ground_ohm)

    def response(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the size of the gain at frequencies above 0."""
        off = self.q * (frequency_hz / self.centre_hz - self.centre_hz / frequency_hz)
        return np.asarray(self.gain / np.sqrt(1.0 + off**2))

    def section(self, sample_rate_hz: float) -> NDArray[np.float64]:
        """Return (b0, b1, b2, 1, a1, a2): bilinear transform that keeps the centre where it is.

        Raises
        ------
        ValueError
            If the centre is not under half the sample rate.
        """
        if self.centre_hz >= 0.5 * sample_rate_hz:
            raise ValueError(f"sample_rate_hz={sample_rate_hz:g} is too low for {self.centre_hz:.0f} Hz")
        w = 2.0 * math.pi * self.centre_hz / sample_rate_hz
        alpha = math.sin(w) / (2.0 * self.q)
        b = self.gain * alpha
        return np.array([b, 0.0, -b, 1.0 + alpha, -2.0 * math.cos(w), 1.0 - alpha]) / (1.0 + alpha)


def buildable(centre_hz: float, q: float) -> BandPass:
    """Return the stage nearest to a centre and a Q, resistors of E24 and capacitors of E6 (IEC 60063).

    Parameters
    ----------
    centre_hz : float
    q : float
        At least 1: at unity gain the stage needs more than 0.71.

    Raises
    ------
    ValueError
        If it cannot be built with resistors from 1 kohm to 1 Mohm.
    """
    if q < 1.0:
        raise ValueError(f"q={q} must be at least 1")
    # the largest capacitor keeps resistors low, and so noise and leakage
    for farads in reversed(values_between(Series.E6, *_CAPACITORS_F)):
        reactance = 1.0 / (2.0 * math.pi * centre_hz * farads)
        wanted = (q * reactance, q * reactance / (2.0 * q * q - 1.0), 2.0 * q * reactance)
        if _RESISTORS_OHM[0] <= min(wanted) and max(wanted) <= _RESISTORS_OHM[1]:
            first, ground, feedback = (nearest_value(Series.E24, ohm) for ohm in wanted)
            return BandPass(first, ground, feedback, farads)
    raise ValueError(f"no band-pass of centre_hz={centre_hz:g} and q={q:g} can be built")


@dataclass(frozen=True)
class BandState(EnvelopeState):
    """What is carried from block to block."""

    sections: NDArray[np.float64]
    """Pickup and band-pass, second-order sections."""
    band_memory: NDArray[np.float64]


class BandDetector(EnvelopeDetector):
    """Mean-square level behind the board's pickup and a band-pass, compared with a row of levels.

    Parameters
    ----------
    board : Board
    stage : BandPass
    level_v : ndarray of shape (n_lanes,), volts RMS, rising
        Reference levels.
    """

    name = "band"

    def __init__(self, board: Board, stage: BandPass, level_v: NDArray[np.float64]) -> None:
        super().__init__(board, level_v)
        self.stage = stage
        self.tone_hz = stage.centre_hz
        self.cost = Cost(
            2,
            f"as envelope, and a band-pass of {stage.centre_hz:.0f} Hz, Q {stage.q:.1f}: one operational "
            f"amplifier, {stage.input_ohm:g}, {stage.ground_ohm:g} and {stage.feedback_ohm:g} ohm (E24), "
            f"two of {1e9 * stage.capacitor_f:g} nF",
            "as envelope and under 1 mA more (LM358 class, from memory)",
        )

    @property
    def fingerprint(self) -> str:
        """As of `envelope`, and the stage's parts."""
        return f"{super().fingerprint} {self.stage!r}"

    def at_rest(self, source: Source) -> BandState:
        """Return the state of no signal."""
        b0, b1, a1 = pickup_section(self.board, source)
        sections = np.array([[b0, b1, 0.0, 1.0, a1, 0.0], self.stage.section(source.sample_rate_hz)])
        rest = super().at_rest(source)
        return BandState(
            # the sections below do the pickup's part
            section=np.array([1.0, 0.0, 0.0]),
            volts=1.0,
            alpha=rest.alpha,
            next_sample=0,
            memory=rest.memory,
            high=rest.high,
            sections=sections * np.array([[source.volts] * 3 + [1.0] * 3, [1.0] * 6]),
            band_memory=np.zeros((2, 2)),
        )

    def level_v(
        self, block: NDArray[np.float32], state: EnvelopeState
    ) -> tuple[NDArray[np.float64], EnvelopeState]:
        """Return the level over a block, volts RMS, and the state after it."""
        from scipy.signal import sosfilt

        assert isinstance(state, BandState)
        if not len(block):
            return np.empty(0), state
        passed, memory = sosfilt(state.sections, block.astype(np.float64), zi=state.band_memory)
        return super().level_v(passed, replace(state, band_memory=memory))


def fit(training: Training) -> Fitted:
    """Return the detector with the band-pass that tells the sessions' targets best from all else.

    The criterion is the area under the ROC curve of the filtered level of
    single frames, against each other class, averaged over the classes.
    """
    stage = _best_stage(training.frames())
    return fit_levels(partial(BandDetector, training.board, stage), training)


def _best_stage(frames: Frames) -> BandPass:
    centres_hz = np.sqrt(np.array(BANDS_HZ[:-1]) * np.array(BANDS_HZ[1:]))
    some = slice(None, None, max(1, len(frames.kind) // _ENOUGH_FRAMES))
    power = 10.0 ** (frames.features[some, : len(centres_hz)].astype(np.float64) / 10.0)
    kind = frames.kind[some]
    levels = [np.einsum("fb,b->f", power, stage.response(centres_hz) ** 2) for _, stage in _stages()]
    areas = np.array([_mean_area(level, kind) for level in levels])
    good = [k for k, area in enumerate(areas) if area >= areas.max() - _AS_GOOD]
    best = min(good, key=lambda k: (_stages()[k][0], -_gap_db(levels[k], kind)))
    return _stages()[best][1]


def _gap_db(level: NDArray[np.float64], kind: NDArray[np.int64]) -> float:
    """How far the weakest tenth of the target's frames lies over the strongest tenth of all others."""
    target, others = level[kind == 0], level[kind > 0]
    if not len(target) or not len(others):
        return 0.0
    return float(10.0 * np.log10(np.quantile(target, 0.1) / np.quantile(others, 0.9)))


@cache
def _stages() -> tuple[tuple[float, BandPass], ...]:
    """Return what is tried, each with the Q asked for."""
    return tuple((q, buildable(float(centre_hz), q)) for q in _QS for centre_hz in _CENTRES_HZ)


def _mean_area(level: NDArray[np.float64], kind: NDArray[np.int64]) -> float:
    """Area under the curve of target frames against each other kind, averaged; 0.5 where there is none."""
    target = np.sort(level[kind == 0])
    areas = []
    for other_kind in np.unique(kind[kind > 0]):
        other = level[kind == other_kind]
        below = np.searchsorted(target, other, side="left") + np.searchsorted(target, other, side="right")
        areas.append(1.0 - below.mean() / (2.0 * len(target)) if len(target) else 0.5)
    return float(np.mean(areas)) if areas else 0.5
