"""Sounds in the report: short, evened out, within the limit, and decodable."""

import io

import numpy as np
import pytest
import soundfile

from evalkit.report.sounds import LONGEST_S, encoded


def _decoded(data: bytes) -> tuple[np.ndarray, int]:
    samples, rate = soundfile.read(io.BytesIO(data))
    return samples, rate


@pytest.mark.parametrize("rate_hz", [8_000, 16_000, 44_100, 48_000, 96_000, 4_000])
def test_a_tone_comes_back(rate_hz: int) -> None:
    """A 440 Hz tone stays a 440 Hz tone, whatever rate it was recorded at."""
    n = np.arange(2 * rate_hz)
    sound = encoded((0.01 * np.sin(2 * np.pi * 440 * n / rate_hz)).astype(np.float32), rate_hz)
    samples, rate = _decoded(sound.data)
    assert len(samples) / rate == pytest.approx(2.0, abs=0.1)
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples))))
    assert np.argmax(spectrum) * rate / len(samples) == pytest.approx(440, abs=2)
    # 10 mV were brought to 0.7: 36.9 dB
    assert sound.gain_db == pytest.approx(20 * np.log10(0.7 / 0.01), abs=0.01)
    assert np.abs(samples).max() == pytest.approx(0.7, abs=0.1)


def test_it_is_cut_and_small() -> None:
    rng = np.random.default_rng(1)
    sound = encoded(rng.standard_normal(16_000 * 60).astype(np.float32), 16_000, start_s=12.5)
    samples, rate = _decoded(sound.data)
    assert sound.duration_s == LONGEST_S
    assert sound.start_s == 12.5
    assert len(samples) / rate == pytest.approx(LONGEST_S, abs=0.1)
    assert len(sound.data) < 80_000


def test_silence_stays_silent() -> None:
    sound = encoded(np.full(16_000, 0.25, np.float32), 16_000)
    samples, _ = _decoded(sound.data)
    assert np.abs(samples).max() < 1e-3
    assert sound.gain_db == 0.0
