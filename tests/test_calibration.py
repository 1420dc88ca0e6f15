"""Calibration: the sine fit against theory and a reference library, refusals, what is written.

Formulas: IEEE Std 1057 (sine fit with known and with unknown frequency); Cramér-Rao bounds as in
P. Händel, IEEE Trans. Instrum. Meas. 49 (2000) 1189-1193.
"""

import json
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from evalkit.calibrating import Detour, KnownTone, calibrate
from evalkit.calibration import SeriesPart, fit_tone, full_scale_of, input_resistance_of
from evalkit.cli import main
from evalkit.dataset import import_recordings, read_dataset
from evalkit.errors import FileFault, WrongUse
from evalkit.sinefit import SineFit, fit_sine, fit_sine_and_frequency

from .conftest import RATE_HZ

Floats = npt.NDArray[np.float64]


def cosine(n: int, rate_hz: float, hz: float, amplitude: float, phase: float = 0.0) -> Floats:
    return amplitude * np.cos(2.0 * math.pi * hz * np.arange(n) / rate_hz + phase)


def exact(amplitude: float, frequency_hz: float = 175.0, sigma: float = 0.0) -> SineFit:
    return SineFit(amplitude, sigma, frequency_hz, 0.0, 0.0, np.zeros(1))


class TestSineFit:
    @settings(derandomize=True, deadline=None, max_examples=50)
    @given(
        hertz=st.floats(40.0, 3000.0),
        amplitude=st.floats(1e-3, 1.0),
        phase=st.floats(-3.1, 3.1),
        offset=st.floats(-0.2, 0.2),
        told=st.floats(0.96, 1.04),
    )
    def test_a_clean_tone_is_found_exactly(
        self, hertz: float, amplitude: float, phase: float, offset: float, told: float
    ) -> None:
        samples = cosine(RATE_HZ, RATE_HZ, hertz, amplitude, phase) + offset
        known = fit_sine(samples, RATE_HZ, hertz)
        found = fit_sine_and_frequency(samples, RATE_HZ, hertz * told)
        for fit in (known, found):
            assert fit.amplitude == pytest.approx(amplitude, rel=1e-9)
            assert fit.offset == pytest.approx(offset, abs=1e-9)
            assert fit.residual_rms < 1e-8
        assert found.frequency_hz == pytest.approx(hertz, rel=1e-9)

    def test_worked_example_of_a_metrology_toolbox(self) -> None:
        """QWTB (toolbox of national metrology institutes), example of its four-parameter fit FPNLSF:

        2 V, 100 Hz, 1 rad, offset 0.2 V, 1 s at 10 kHz, frequency told as 100.2 Hz.
        """
        samples = 2.0 * np.sin(2.0 * math.pi * 100.0 * np.arange(10_000) / 1e4 + 1.0) + 0.2
        fit = fit_sine_and_frequency(samples, 1e4, 100.2)
        assert fit.amplitude == pytest.approx(2.0, rel=1e-10)
        assert fit.frequency_hz == pytest.approx(100.0, rel=1e-10)
        assert fit.offset == pytest.approx(0.2, rel=1e-9)

    def test_agrees_with_a_general_least_squares_library(self, rng: np.random.Generator) -> None:
        """scipy's curve_fit on the same model: same estimates, same standard errors in white noise."""
        n, rate = 4000, 8000.0
        samples = cosine(n, rate, 172.3, 0.4, 0.7) + 0.02 + 0.05 * rng.standard_normal(n)
        time_s = np.arange(n) / rate

        def model(t: Floats, a: float, hz: float, phase: float, c: float) -> Floats:
            return a * np.cos(2.0 * math.pi * hz * t + phase) + c

        expected, covariance = curve_fit(model, time_s, samples, p0=(0.4, 172.3, 0.7, 0.0))
        fit = fit_sine_and_frequency(samples, rate, 170.0)
        assert fit.amplitude == pytest.approx(expected[0], rel=1e-6)
        assert fit.frequency_hz == pytest.approx(expected[1], rel=1e-8)
        # the density beside the tone is a mean over some hundred bins, so it may be some per cent higher
        assert fit.amplitude_sigma == pytest.approx(math.sqrt(covariance[0, 0]), rel=0.15)
        assert fit.frequency_sigma_hz == pytest.approx(math.sqrt(covariance[1, 1]), rel=0.15)

    def test_amplitude_scatters_as_the_bound_says(self) -> None:
        """var(A) = 2 sigma^2/n: Cramér-Rao bound; the fit reaches it."""
        n, sigma = 1600, 0.02
        amplitudes = [
            fit_sine(
                cosine(n, 16e3, 175.0, 0.3) + sigma * np.random.default_rng(k).standard_normal(n), 16e3, 175.0
            ).amplitude
            for k in range(1500)
        ]
        assert np.std(amplitudes) == pytest.approx(sigma * math.sqrt(2.0 / n), rel=0.05)

    @pytest.mark.parametrize("colour", ["white", "red"])
    def test_uncertainty_covers_the_truth(self, colour: str) -> None:
        """At least 94 % of 95 % intervals, tone, length and noise drawn afresh each time."""
        hits, n_trials = 0, 1500
        for k in range(n_trials):
            rng = np.random.default_rng((71, k))
            n = int(rng.uniform(0.1, 0.4) * RATE_HZ)
            hertz, amplitude = rng.uniform(100.0, 1000.0), rng.uniform(0.05, 0.9)
            noise = rng.standard_normal(n)
            if colour == "red":
                # one pole at 80 Hz: most of its power lies below the tone, the density at the tone counts
                pole = math.exp(-2.0 * math.pi * 80.0 / RATE_HZ)
                for i in range(1, n):
                    noise[i] += pole * noise[i - 1]
                noise *= math.sqrt(1.0 - pole**2)
            samples = cosine(n, RATE_HZ, hertz, amplitude, rng.uniform(0.0, 6.0))
            samples += 10.0 ** rng.uniform(-4.0, -2.0) * noise
            fit = fit_sine_and_frequency(samples, RATE_HZ, hertz)
            scale = full_scale_of(fit, 0.5)
            low, high = scale.interval
            hits += low <= 0.5 * math.sqrt(2.0) / amplitude <= high
        assert hits >= 0.94 * n_trials

    def test_too_short_and_out_of_range(self) -> None:
        with pytest.raises(ValueError, match="fewer than 5 periods"):
            fit_sine(np.zeros(100), 16e3, 175.0)
        with pytest.raises(ValueError, match="under half the sample rate"):
            fit_sine_and_frequency(np.zeros(16_000), 16e3, 8000.0)


class TestTone:
    def tone(self, amplitude: float = 0.3, seconds: float = 2.0) -> Floats:
        return cosine(round(seconds * RATE_HZ), RATE_HZ, 175.0, amplitude)

    def test_a_clean_tone_passes(self, rng: np.random.Generator) -> None:
        samples = np.round((self.tone() + 3e-4 * rng.standard_normal(2 * RATE_HZ)) * 32768.0) / 32768.0
        assert fit_tone(samples, RATE_HZ, 175.0).amplitude == pytest.approx(0.3, rel=1e-4)

    def test_clipping_at_full_scale(self) -> None:
        with pytest.raises(ValueError, match=r"clipped: \d+ samples are at full scale"):
            fit_tone(np.clip(self.tone(1.1), -1.0, 32767 / 32768), RATE_HZ, 175.0)

    def test_clipping_before_the_converter(self) -> None:
        """A preamplifier that clips at 90 %: 5 % of third harmonic, no sample at full scale."""
        with pytest.raises(ValueError, match="distorted: harmonics make up"):
            fit_tone(np.clip(self.tone(0.5), -0.4, 0.4), RATE_HZ, 175.0)

    def test_noise(self, rng: np.random.Generator) -> None:
        with pytest.raises(ValueError, match=r"noisy: beside 175\.0 Hz there is"):
            fit_tone(self.tone() + 0.03 * rng.standard_normal(2 * RATE_HZ), RATE_HZ, 175.0)

    def test_hum_counts_as_noise(self) -> None:
        hum = cosine(2 * RATE_HZ, RATE_HZ, 50.0, 0.03)
        with pytest.raises(ValueError, match="noisy"):
            fit_tone(self.tone() + hum, RATE_HZ, 175.0)

    def test_noise_alone(self, rng: np.random.Generator) -> None:
        with pytest.raises(ValueError, match=r"noisy|no steady tone"):
            fit_tone(0.1 * rng.standard_normal(2 * RATE_HZ), RATE_HZ, 175.0)

    def test_silence(self) -> None:
        with pytest.raises(ValueError, match="silent"):
            fit_tone(np.zeros(2 * RATE_HZ), RATE_HZ, 175.0)

    def test_switched_on_on_the_way(self) -> None:
        samples = self.tone()
        samples[: RATE_HZ // 2] = 0.0
        with pytest.raises(ValueError, match="not steady"):
            fit_tone(samples, RATE_HZ, 175.0)

    def test_another_frequency_than_told(self) -> None:
        with pytest.raises(ValueError, match=r"noisy|no steady tone"):
            fit_tone(self.tone(), RATE_HZ, 220.0)

    @pytest.mark.parametrize("hertz", [50.0, 1000.0])
    def test_the_frequency_that_is_there_is_named(self, rng: np.random.Generator, hertz: float) -> None:
        """A wrong figure on the command line is a likelier cause than noise."""
        samples = cosine(2 * RATE_HZ, RATE_HZ, hertz, 0.3) + 1e-4 * rng.standard_normal(2 * RATE_HZ)
        with pytest.raises(ValueError, match=rf"no steady tone near 175 Hz; there is one at {hertz:.1f} Hz"):
            fit_tone(samples, RATE_HZ, 175.0)


class TestFigures:
    def test_full_scale(self) -> None:
        """0.5 V RMS at a quarter of full scale: 4 x 0.5 x root 2 = 2.828 V (arithmetic)."""
        scale = full_scale_of(exact(0.25, sigma=0.0025), 0.5)
        assert scale.value == pytest.approx(2.8284, rel=1e-4)
        assert scale.sigma == pytest.approx(0.028284, rel=1e-4)

    def test_meter_error_is_rectangular(self) -> None:
        """A limit of a has a standard uncertainty of a/root 3 (GUM, JCGM 100:2008, 4.3.7; from memory)."""
        scale = full_scale_of(exact(0.25), 0.5, meter_error=0.03)
        assert scale.sigma / scale.value == pytest.approx(0.03 / math.sqrt(3.0), rel=1e-12)

    def test_input_resistance_by_a_resistor(self) -> None:
        """Half the level through 10 kohm: the input has 10 kohm too (voltage divider)."""
        found = input_resistance_of(exact(0.4), exact(0.2), SeriesPart.RESISTOR, 10e3)
        assert found.value == pytest.approx(10e3, rel=1e-12)

    @pytest.mark.parametrize(("loss_db", "ohms"), [(13.36, 10e3), (0.82, 100e3)])
    def test_input_resistance_by_a_capacitor(self, loss_db: float, ohms: float) -> None:
        """20 nF into 10 kohm loses 13.36 dB at 175 Hz, into 100 kohm 0.82 dB.

        First-order high-pass, f = 1/(2 pi R C); the losses are the table of shared check 9, rounded to
        0.01 dB, which is 0.1 % and 0.7 % of the resistance.
        """
        through = exact(0.4 * 10.0 ** (-loss_db / 20.0))
        found = input_resistance_of(exact(0.4), through, SeriesPart.CAPACITOR, 20e-9)
        assert found.value == pytest.approx(ohms, rel=0.008)

    @pytest.mark.parametrize("part", list(SeriesPart))
    def test_uncertainty_of_the_resistance_is_the_slope_times_that_of_the_level(
        self, part: SeriesPart
    ) -> None:
        value = 10e3 if part is SeriesPart.RESISTOR else 50e-9
        sigma, step = 1e-5, 1e-7
        direct, through = exact(0.4), exact(0.2, sigma=sigma)
        low, high = (input_resistance_of(direct, exact(0.2 + d), part, value).value for d in (-step, step))
        expected = sigma * (high - low) / (2.0 * step)
        assert input_resistance_of(direct, through, part, value).sigma == pytest.approx(expected, rel=1e-5)

    def test_a_part_that_tells_nothing_is_refused(self) -> None:
        with pytest.raises(ValueError, match=r"does not lower the level .* larger resistor"):
            input_resistance_of(exact(0.4), exact(0.4), SeriesPart.RESISTOR, 10e3)
        with pytest.raises(ValueError, match="too little to tell: take a larger resistor"):
            input_resistance_of(exact(0.4, sigma=1e-4), exact(0.3999, sigma=1e-4), SeriesPart.RESISTOR, 10e3)
        with pytest.raises(ValueError, match="differ in frequency"):
            input_resistance_of(exact(0.4), exact(0.2, 200.0), SeriesPart.RESISTOR, 10e3)


@pytest.fixture
def with_tones(tiny_dataset: Path, write_wav: Callable[..., Path], rng: np.random.Generator) -> Path:
    """The two-session dataset with, on Monday, a tone of 0.2 V RMS direct and through 22 kohm.

    The recorder: 1.5 V for full scale, 47 kohm.
    """
    peak = 0.2 * math.sqrt(2.0) / 1.5
    noise = 2e-4 * rng.standard_normal((2, 3 * RATE_HZ))
    for k, (name, level) in enumerate((("tone", peak), ("tone-22k", peak * 47.0 / 69.0))):
        path = write_wav(f"tones/{name}.wav", cosine(3 * RATE_HZ, RATE_HZ, 400.2, level) + noise[k])
        import_recordings(tiny_dataset, [path], session="monday")
    return tiny_dataset


class TestCalibrate:
    def test_every_recording_of_the_session_is_calibrated(self, with_tones: Path) -> None:
        detour = Detour("tone-22k", SeriesPart.RESISTOR, 22e3)
        (done,) = calibrate(with_tones, ["tone"], KnownTone(0.2, 400.0), detour=detour)
        assert done.sessions == ("monday",)
        assert {entry.name for entry in done.before} == {"monday", "tone", "tone-22k"}
        recordings = {r.name: r for r in read_dataset(with_tones).recordings}
        for name in ("monday", "tone", "tone-22k"):
            assert recordings[name].full_scale_v == pytest.approx(1.5, rel=1e-3)
            assert recordings[name].input_ohms == pytest.approx(47e3, rel=2e-3)
        assert (recordings["tuesday"].full_scale_v, recordings["tuesday"].input_ohms) == (1.0, 1e6)

    def test_labels_and_reviewed_spans_stay(self, with_tones: Path) -> None:
        before = read_dataset(with_tones).recording("monday")
        calibrate(with_tones, ["tone"], KnownTone(0.2, 400.0))
        after = read_dataset(with_tones).recording("monday")
        assert (after.segments, after.reviewed) == (before.segments, before.reviewed)
        assert after.input_ohms == before.input_ohms, "without a second tone the resistance stays as it was"

    def test_another_session_of_the_same_gain(self, with_tones: Path) -> None:
        calibrate(with_tones, ["tone"], KnownTone(0.2, 400.0), sessions=["tuesday"])
        assert read_dataset(with_tones).recording("tuesday").full_scale_v == pytest.approx(1.5, rel=1e-3)

    def test_a_refused_tone_leaves_all_as_it_was(
        self, with_tones: Path, write_wav: Callable[..., Path]
    ) -> None:
        loud = np.clip(cosine(2 * RATE_HZ, RATE_HZ, 400.0, 1.3), -1.0, 1.0)
        import_recordings(with_tones, [write_wav("tones/loud.wav", loud)], session="tuesday")
        descriptor = with_tones / "datapackage.json"
        before = descriptor.read_bytes()
        with pytest.raises(FileFault, match=r"loud\.wav: the tone cannot be used: clipped"):
            calibrate(with_tones, ["tone", "loud"], KnownTone(0.2, 400.0))
        assert descriptor.read_bytes() == before

    @pytest.mark.parametrize(
        ("names", "tone", "more", "words"),
        [
            (["tone", "tone-22k"], KnownTone(0.2, 400.0), {}, "both of session monday"),
            (["tone"], KnownTone(0.0, 400.0), {}, "volts RMS is 0"),
            (["tone"], KnownTone(0.2, 400.0), {"sessions": ["june"]}, "no session 'june'"),
            (["tone"], KnownTone(0.2, 400.0, start_s=5.0), {}, "is no part of it; it lasts 3 s"),
            (["nothing"], KnownTone(0.2, 400.0), {}, "no recording 'nothing'"),
            (
                ["tone"],
                KnownTone(0.2, 400.0),
                {"detour": Detour("tuesday", SeriesPart.RESISTOR, 1e3)},
                "gains may differ",
            ),
        ],
    )
    def test_wrong_use(
        self, with_tones: Path, names: list[str], tone: KnownTone, more: dict[str, object], words: str
    ) -> None:
        with pytest.raises(WrongUse, match=words):
            calibrate(with_tones, names, tone, **more)  # type: ignore[arg-type]

    def test_command(self, with_tones: Path, capsys: pytest.CaptureFixture[str]) -> None:
        arguments = ["calibrate", str(with_tones), "tone", "--volts-rms", "200m", "--frequency-hz", "400"]
        arguments += ["--through", "tone-22k", "--resistor", "22k", "--json"]
        assert main(arguments) == 0
        (session,) = json.loads(capsys.readouterr().out)["calibrated"]
        assert session["full_scale_v"]["value"] == pytest.approx(1.5, rel=1e-3)
        low, high = session["full_scale_v"]["interval"]
        assert low < 1.5 < high
        assert session["input_ohms"]["value"] == pytest.approx(47e3, rel=2e-3)

    def test_command_counts_the_meters_error(
        self, with_tones: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """1 % within limits is 0.577 % of standard uncertainty; 5 % of the part's likewise."""
        line = ["calibrate", str(with_tones), "tone", "--volts-rms", "0.2 V", "--frequency-hz", "400 Hz"]
        line += ["--through", "tone-22k", "--resistor", "22k", "--meter-percent", "1", "--part-percent", "5%"]
        assert main([*line, "--json"]) == 0
        (session,) = json.loads(capsys.readouterr().out)["calibrated"]
        scale, ohms = session["full_scale_v"], session["input_ohms"]
        assert scale["sigma"] / scale["value"] == pytest.approx(0.01 / math.sqrt(3.0), rel=0.02)
        assert ohms["sigma"] / ohms["value"] == pytest.approx(0.05 / math.sqrt(3.0), rel=0.02)
        assert main(line) == 0
        said = capsys.readouterr().out
        # 1.96 x 0.577 % of 1.5 V; 1.96 x 2.89 % of 47 kohm
        assert "full scale: 1.5 V \N{PLUS-MINUS SIGN} 17 mV (95 %)" in said
        assert "input resistance: 47 kohm \N{PLUS-MINUS SIGN} 2.7 kohm (95 %)" in said

    def test_command_tells_what_is_wrong_in_one_line(
        self, with_tones: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        line = ["calibrate", str(with_tones), "tone", "--volts-rms", "0.2", "--frequency-hz", "400"]
        assert main([*line, "--through", "tone-22k"]) == 2
        assert "--resistor or --capacitor" in capsys.readouterr().err
        assert main([*line[:3], "--volts-rms", "0.2", "--frequency-hz", "800"]) == 1
        assert "the tone cannot be used" in capsys.readouterr().err
