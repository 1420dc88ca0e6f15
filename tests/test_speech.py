"""What is listed for a person to listen to: real speech is, real hits and machines mostly are not.

Real are the sounds: read sentences and dictated digits of pocketsphinx-testdata (Debian, BSD-2),
drum, tabla and door hits and a running 3-D printer of sonic-pi-samples (Debian, nearly all CC0).
Arranged here: their order, levels and the noise they are mixed with. None of it came through a
contact pickup.
"""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy.signal import butter, resample_poly, sosfilt

from evalkit.spans import Span, total_s
from evalkit.speech import envelope_of, speech_like

RATE_HZ = 16_000
SPEECH = Path("/usr/share/pocketsphinx/test/data")
SOUNDS = Path("/usr/share/sonic-pi/samples")

needs_speech = pytest.mark.skipif(not SPEECH.exists(), reason="Debian's pocketsphinx-testdata is absent")
needs_sounds = pytest.mark.skipif(not SOUNDS.exists(), reason="Debian's sonic-pi-samples is absent")


def heard_share(samples: NDArray[np.floating], rate_hz: int = RATE_HZ) -> float:
    """Return the share of time that is listed."""
    found = speech_like([samples.astype(np.float32)], sample_rate_hz=rate_hz)
    return total_s([Span(each.start_s, each.end_s) for each in found]) * rate_hz / len(samples)


def load(path: Path) -> NDArray[np.float64]:
    if path.suffix == ".raw":
        return np.fromfile(path, "<i2") / 32_768
    samples, rate_hz = soundfile.read(path, always_2d=True)
    return samples[:, 0] if rate_hz == RATE_HZ else resample_poly(samples[:, 0], RATE_HZ, rate_hz)


def in_band(samples: NDArray[np.floating]) -> float:
    sections = butter(4, (300, 3400), "bandpass", fs=RATE_HZ, output="sos")
    return float(np.sqrt(np.mean(sosfilt(sections, samples) ** 2)))


def mixed(speech: NDArray[np.floating], noise: NDArray[np.floating], snr_db: float) -> NDArray[np.float64]:
    """Mix at a ratio of effective values in the speech band."""
    noise = np.resize(noise, len(speech))
    return 0.05 * (10 ** (snr_db / 20) * speech / in_band(speech) + noise / in_band(noise))


def test_a_tone_noise_and_silence_do_not_swing(rng: np.random.Generator) -> None:
    time_s = np.arange(20 * RATE_HZ) / RATE_HZ
    assert heard_share(0.3 * np.sin(2 * np.pi * 440 * time_s)) == 0
    assert heard_share(0.1 * rng.standard_normal(len(time_s))) == 0
    assert heard_share(np.zeros(len(time_s))) == 0
    # The rounding of 16 bits alone.
    assert heard_share(np.round(0.4 * rng.standard_normal(len(time_s))) / 32_768) == 0


@pytest.mark.parametrize(("swing_hz", "listed"), [(0.5, False), (4.0, True), (7.0, True), (15.0, False)])
def test_the_pace_of_the_swing_decides(rng: np.random.Generator, swing_hz: float, listed: bool) -> None:
    time_s = np.arange(20 * RATE_HZ) / RATE_HZ
    swing = 1 + 0.9 * np.sin(2 * np.pi * swing_hz * time_s)
    share = heard_share(0.05 * swing * rng.standard_normal(len(time_s)))
    assert share == pytest.approx(1.0) if listed else share < 0.1


def test_the_swing_of_other_bands_does_not_count() -> None:
    time_s = np.arange(20 * RATE_HZ) / RATE_HZ
    swing = 1 + 0.9 * np.sin(2 * np.pi * 5 * time_s)
    for frequency_hz, listed in ((1_000, True), (60, False), (7_500, False)):
        # Steady noise of the band itself, 40 dB under the tone, as any recording has.
        noise = 0.003 * np.random.default_rng(1).standard_normal(len(time_s))
        share = heard_share(0.3 * swing * np.sin(2 * np.pi * frequency_hz * time_s) + noise)
        assert share == pytest.approx(1.0) if listed else share == 0, frequency_hz


def test_single_hits_do_not_count_as_syllables() -> None:
    """A knock every 1.7 s: each swings once."""
    time_s = np.arange(60 * RATE_HZ) / RATE_HZ
    since_s = time_s % 1.7
    assert heard_share(0.5 * np.exp(-since_s / 0.03) * np.sin(2 * np.pi * 900 * time_s)) == 0


def test_blocks_do_not_matter_and_times_are_those_of_the_recording(rng: np.random.Generator) -> None:
    time_s = np.arange(30 * RATE_HZ) / RATE_HZ
    on = (time_s >= 12) & (time_s < 16)
    samples = 0.001 * rng.standard_normal(len(time_s))
    samples += on * 0.1 * (1 + np.sin(2 * np.pi * 5 * time_s)) * np.sin(2 * np.pi * 800 * time_s)
    whole = speech_like([samples.astype(np.float32)], sample_rate_hz=RATE_HZ)
    pieces = speech_like(
        (samples[k : k + 777].astype(np.float32) for k in range(0, len(samples), 777)), sample_rate_hz=RATE_HZ
    )
    assert whole == pieces
    (found,) = whole
    assert found.start_s == pytest.approx(12, abs=2)
    assert found.end_s == pytest.approx(16, abs=2)


def test_a_rate_too_low_for_a_voice() -> None:
    assert len(envelope_of([np.ones(5_000, np.float32)], sample_rate_hz=600)) == 0
    assert speech_like([np.ones(5_000, np.float32)], sample_rate_hz=600) == ()
    assert speech_like([], sample_rate_hz=RATE_HZ) == ()


@pytest.mark.slow
@needs_speech
def test_real_speech_is_listed() -> None:
    """Five read sentences (25 s), and dictation of digits and commands."""
    sentences = np.concatenate([load(path) for path in sorted(SPEECH.glob("librivox/*.wav"))])
    assert heard_share(sentences) > 0.95
    for name in ("goforward.raw", "numbers.raw", "something.raw", "tidigits/dhd.2934z.raw", "cards/005.wav"):
        assert heard_share(load(SPEECH / name)) > 0.8, name


@pytest.mark.slow
@needs_speech
@pytest.mark.parametrize(("snr_db", "least"), [(20, 0.95), (6, 0.95), (0, 0.85)])
def test_real_speech_in_noise(rng: np.random.Generator, snr_db: float, least: float) -> None:
    sentences = np.concatenate([load(path) for path in sorted(SPEECH.glob("librivox/*.wav"))])
    assert heard_share(mixed(sentences, rng.standard_normal(RATE_HZ * 30), snr_db)) > least


@pytest.mark.slow
@needs_speech
@needs_sounds
@pytest.mark.parametrize(("snr_db", "least"), [(6, 0.9), (0, 0.75)])
def test_real_speech_beside_a_real_machine(snr_db: float, least: float) -> None:
    sentences = np.concatenate([load(path) for path in sorted(SPEECH.glob("librivox/*.wav"))])
    assert heard_share(mixed(sentences, load(SOUNDS / "loop_3d_printer.flac"), snr_db)) > least


def _hits() -> Iterator[NDArray[np.float64]]:
    for pattern in ("drum_tom_*", "drum_bass_*", "drum_snare_*", "tabla_*", "perc_*"):
        for path in sorted(SOUNDS.glob(f"{pattern}.flac")):
            yield load(path)


@pytest.mark.slow
@needs_sounds
@pytest.mark.parametrize(("hits_per_s", "most"), [(0.3, 0.1), (1.0, 0.35)])
def test_real_hits_are_mostly_not_listed(rng: np.random.Generator, hits_per_s: float, most: float) -> None:
    """Three minutes of drums, tabla and doors at random. (Stretches are 2 s long: one window lists 2 s.)"""
    hits = list(_hits())
    assert len(hits) > 30
    samples = 1e-3 * rng.standard_normal(180 * RATE_HZ)
    time_s = 0.5
    while time_s < 178:
        hit = hits[rng.integers(len(hits))]
        at = int(time_s * RATE_HZ)
        hit = hit[: len(samples) - at]
        samples[at : at + len(hit)] += hit
        time_s += rng.exponential(1 / hits_per_s) + 0.1
    assert heard_share(samples) < most


@pytest.mark.slow
@needs_sounds
def test_single_real_sounds_are_not_listed() -> None:
    """Hits and cymbals, one by one: fewer than one in ten."""
    listed = [heard_share(np.pad(hit, (RATE_HZ, RATE_HZ))) > 0 for hit in _hits()]
    assert np.mean(listed) < 0.1
