"""Frame features against closed forms, general-purpose libraries and slow twins.

Signals are computed; none was recorded. "Textbook" means a standard result that was written down from memory.
"""

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import freqz, get_window, periodogram
from scipy.stats import gmean

from evalkit.detectors import Source
from evalkit.detectors.constants import pickup_section
from evalkit.detectors.features import BANDS_HZ, FEATURES, HOP_S, WINDOW_S, FrameMaker

from .solver import default_board

BOARD = default_board()
MAKER = FrameMaker(BOARD)
NAMES = [feature.name for feature in FEATURES]
RATES = (8_000, 16_000, 44_100, 48_000)

Array = NDArray[np.float64]


def source(rate_hz: int) -> Source:
    return Source(rate_hz, full_scale_v=None, input_ohms=None)


def rows_of(samples: Array, rate_hz: int, cuts: Sequence[int] = ()) -> Array:
    """Return all rows of a signal that is handed over in pieces."""
    state, rows = MAKER.at_rest(source(rate_hz)), []
    for piece in np.split(samples.astype(np.float32), list(cuts)):
        found, state = MAKER.advance(piece, state)
        rows.append(found)
    return np.concatenate(rows).astype(np.float64)


def column(rows: Array, name: str) -> Array:
    return rows[:, NAMES.index(name)]


def tone(frequency_hz: float, seconds: float, rate_hz: int, amplitude: float = 0.1) -> Array:
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    return np.asarray(amplitude * np.sin(2.0 * np.pi * frequency_hz * t))


def loading_db(frequency_hz: float, rate_hz: int) -> float:
    """What the board's pickup load does at a frequency, by scipy's own evaluation of the section."""
    b0, b1, a1 = pickup_section(BOARD, source(rate_hz))
    _, gain = freqz([b0, b1], [1.0, a1], worN=[frequency_hz], fs=rate_hz)
    return 20.0 * math.log10(abs(gain[0]))


@pytest.mark.parametrize("rate_hz", RATES)
def test_a_tone_is_told_alike_at_every_sample_rate(rate_hz: int) -> None:
    rows = rows_of(tone(175.0, 4.0, rate_hz), rate_hz)[60:]
    assert len(rows) == 4 * rate_hz // round(HOP_S * rate_hz) - 60
    expected_db = 20.0 * math.log10(0.1 / math.sqrt(2.0)) + loading_db(175.0, rate_hz)
    assert column(rows, "level") == pytest.approx(expected_db, abs=0.03)
    # 3.01 dB is the crest factor of a sine (textbook)
    assert column(rows, "crest factor") == pytest.approx(3.01, abs=0.06)
    assert column(rows, "line frequency") == pytest.approx(175.0, abs=0.6)
    assert column(rows, "line drift").max() < 0.01
    assert column(rows, "line prominence").min() > 15.0
    assert column(rows, "unsteadiness").max() < 0.05
    assert column(rows, "spectral centroid") == pytest.approx(175.0, abs=12.0)
    bands = rows[:, : len(BANDS_HZ) - 1]
    assert {NAMES[k] for k in bands.argmax(axis=1)} <= {"band 157-177 Hz"}
    assert column(rows, "rise time").max() == column(rows, "decay time").max() == pytest.approx(62 * HOP_S)


def test_band_levels_are_those_of_a_general_purpose_periodogram() -> None:
    rate_hz = 16_000
    samples = np.random.default_rng(1).standard_normal(rate_hz) * 0.01
    rows = rows_of(samples, rate_hz)
    hop = round(HOP_S * rate_hz)
    b0, b1, a1 = pickup_section(BOARD, source(rate_hz))
    heard = np.zeros(len(samples))
    x1 = y1 = 0.0
    for i, x in enumerate(samples.astype(np.float32).astype(np.float64)):
        y1 = b0 * x + b1 * x1 - a1 * y1
        x1, heard[i] = x, y1
    for k in (3, 10, 29):
        window = heard[(k + 1) * hop - 4 * hop : (k + 1) * hop]
        frequency, power = periodogram(
            window, rate_hz, window=get_window("hann", 4 * hop), detrend=False, scaling="density"
        )
        step = frequency[1]
        for j, (low, high) in enumerate(zip(BANDS_HZ, BANDS_HZ[1:])):
            inside = (np.round(low / step) <= np.arange(len(power))) & (
                np.arange(len(power)) < np.round(high / step)
            )
            expected_db = 10.0 * math.log10(power[inside].sum() * step)
            assert rows[k, j] == pytest.approx(expected_db, abs=1e-3)
        between = slice(round(BANDS_HZ[0] / step), round(BANDS_HZ[-1] / step))
        flatness = gmean(power[between]) / power[between].mean()
        assert column(rows, "spectral flatness")[k] == pytest.approx(10.0 * math.log10(flatness), abs=1e-3)
        amplitude = np.sqrt(power[between])
        centroid = np.sum(amplitude * frequency[between]) / amplitude.sum()
        assert column(rows, "spectral centroid")[k] == pytest.approx(centroid, rel=1e-5)
        crest = np.abs(window).max() / np.sqrt(np.mean(window**2))
        assert column(rows, "crest factor")[k] == pytest.approx(20.0 * math.log10(crest), abs=1e-3)


def test_white_noise_has_the_flatness_of_exponential_power() -> None:
    """The mean of ln X for exponential X of mean 1 is minus Euler's constant (textbook): -2.51 dB."""
    samples = np.random.default_rng(2).standard_normal(60 * 16_000) * 0.01
    flatness = column(rows_of(samples, 16_000)[10:], "spectral flatness")
    # neighbouring bins of a Hann window are not independent, so the spread is wider, not the mean
    assert flatness.mean() == pytest.approx(-10.0 * 0.5772156649 / math.log(10.0), abs=0.1)


def test_rise_and_decay_tell_how_long_ago_the_level_was_another() -> None:
    rate_hz = 16_000
    samples = np.concatenate([tone(175.0, 3.0, rate_hz, a) for a in (0.001, 0.1, 0.001)])
    rows = rows_of(samples, rate_hz)
    frame = np.arange(len(rows)) + 1
    since_up, since_down = frame * HOP_S - 3.0, frame * HOP_S - 6.0
    rise, decay = column(rows, "rise time"), column(rows, "decay time")
    loud = (since_up > WINDOW_S) & (since_up < 1.5)
    assert rise[loud] == pytest.approx(since_up[loud], abs=WINDOW_S)
    quiet = (since_down > WINDOW_S) & (since_down < 1.5)
    assert decay[quiet] == pytest.approx(since_down[quiet], abs=WINDOW_S)
    assert np.all(np.diff(rise[loud]) == pytest.approx(HOP_S, abs=1e-6))
    long_after = (since_up > 2.2) & (since_up < 2.9)
    assert rise[long_after] == pytest.approx(62 * HOP_S)


@pytest.mark.parametrize(("on_s", "off_s"), [(1.0, 2.0), (0.5, 1.0), (2.0, 2.0)])
def test_a_ringing_cadence_is_told_by_its_period(on_s: float, off_s: float) -> None:
    rate_hz = 8_000
    one = np.concatenate([tone(175.0, on_s, rate_hz), np.zeros(round(off_s * rate_hz))])
    noise = 1e-4 * np.random.default_rng(3).standard_normal(round(24.0 * rate_hz))
    rows = rows_of(np.resize(one, len(noise)) + noise, rate_hz)[round(10.0 / HOP_S) :]
    assert column(rows, "periodicity").min() > 0.8
    assert np.median(column(rows, "period")) == pytest.approx(on_s + off_s, abs=0.13)
    assert column(rows, "on share").mean() == pytest.approx(on_s / (on_s + off_s), abs=0.08)
    assert column(rows, "burst length").max() == pytest.approx(on_s, abs=0.3)


def test_a_machine_that_runs_on_has_no_rhythm() -> None:
    samples = 0.01 * np.random.default_rng(4).standard_normal(30 * 8_000)
    rows = rows_of(samples, 8_000)[round(12.0 / HOP_S) :]
    assert np.median(column(rows, "periodicity")) < 0.5
    assert column(rows, "on share") == pytest.approx(1.0)
    assert column(rows, "depth").max() < 3.0


@settings(derandomize=True, deadline=None, max_examples=25)
@given(
    cuts=st.lists(st.integers(0, 24_000), max_size=12).map(sorted),
    rate_hz=st.sampled_from([5_000, 8_000, 11_025]),
    seed=st.integers(0, 3),
)
def test_blocks_change_no_bit(cuts: list[int], rate_hz: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    samples = 0.02 * rng.standard_normal(24_000) * (np.sin(np.arange(24_000) / 3_000.0) > 0.0)
    whole = rows_of(samples, rate_hz)
    assert len(whole) == 24_000 // round(HOP_S * rate_hz)
    assert np.array_equal(whole, rows_of(samples, rate_hz, cuts))


@settings(derandomize=True, deadline=None, max_examples=15)
@given(frame=st.integers(0, 60))
def test_no_row_depends_on_what_comes_after_it(frame: int) -> None:
    rate_hz = 8_000
    rng = np.random.default_rng(5)
    samples = 0.02 * rng.standard_normal(2 * rate_hz)
    complete = (frame + 1) * round(HOP_S * rate_hz)
    other = samples.copy()
    other[complete:] = rng.standard_normal(len(samples) - complete)
    assert np.array_equal(rows_of(samples, rate_hz)[: frame + 1], rows_of(other, rate_hz)[: frame + 1])
    # nor is a row there before its last sample is
    assert len(rows_of(samples[: complete - 1], rate_hz)) == frame


@pytest.mark.parametrize("rate_hz", RATES)
def test_silence_is_told_in_finite_numbers(rate_hz: int) -> None:
    rows = rows_of(np.zeros(3 * rate_hz), rate_hz)
    assert np.isfinite(rows).all()
    assert column(rows, "level") == pytest.approx(-120.0)


def test_calibration_moves_levels_and_nothing_else() -> None:
    samples = tone(180.0, 2.0, 16_000).astype(np.float32)
    rows = []
    for full_scale_v in (1.0, 0.1):
        state = MAKER.at_rest(Source(16_000, full_scale_v, input_ohms=1e6))
        rows.append(MAKER.advance(samples, state)[0][20:])
    change = rows[0] - rows[1]
    for name in NAMES:
        # the floor under what is no level of the tone hides some of the change in the emptiest bands
        if name == "level" or name in ("band 157-177 Hz", "band 177-198 Hz"):
            assert change[:, NAMES.index(name)] == pytest.approx(20.0, abs=0.02)
    for name in ("crest factor", "line frequency", "spectral centroid"):
        assert change[:, NAMES.index(name)] == pytest.approx(0.0, abs=0.05)


def test_every_feature_is_named_once_and_has_a_unit() -> None:
    assert len(set(NAMES)) == len(NAMES)
    assert all(feature.unit and feature.meaning for feature in FEATURES)
