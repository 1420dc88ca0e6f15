"""Volts per full scale and input resistance of a recorder, from recordings of a known tone."""

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from evalkit.sinefit import SineFit, fit_sine, fit_sine_and_frequency

__all__ = ["Estimate", "SeriesPart", "fit_tone", "full_scale_of", "input_resistance_of"]

_AT_FULL_SCALE = 1.0 - 2.0**-13
"""A sample this high may have been cut by the converter."""
_HARMONICS = range(2, 11)
_MOST_DISTORTION = 0.01
_MOST_NOISE = 0.05
"""Noise RMS over tone RMS: 26 dB."""
_MOST_WANDER = 0.02
_PIECES = 10
_MOST_UNCERTAIN = 0.1
"""An input resistance less certain than this share says nothing."""
_NORMAL_95 = 1.959963984540054


class SeriesPart(StrEnum):
    """What the tone was sent through."""

    RESISTOR = "resistor"
    CAPACITOR = "capacitor"


@dataclass(frozen=True)
class Estimate:
    """A figure with its standard uncertainty."""

    value: float
    sigma: float

    @property
    def interval(self) -> tuple[float, float]:
        """Ends of the 95 % interval."""
        return self.value - _NORMAL_95 * self.sigma, self.value + _NORMAL_95 * self.sigma


def fit_tone(samples: NDArray[np.float64], sample_rate_hz: float, frequency_hz: float) -> SineFit:
    """Fit a calibration tone, or refuse it with the reason.

    Parameters
    ----------
    samples : ndarray of shape (n_samples,)
        Full scale 1.
    sample_rate_hz : float
    frequency_hz : float
        As told; the recorder's and the generator's clocks may differ by up to a tenth.

    Returns
    -------
    SineFit
        In shares of full scale.

    Raises
    ------
    ValueError
        If the tone is clipped, distorted, noisy, not steady, too short or not there.
    """
    at_limit = int(np.count_nonzero(np.abs(samples) >= _AT_FULL_SCALE))
    if at_limit:
        raise ValueError(
            f"clipped: {at_limit} samples are at full scale; lower the tone, leave the recorder's gain"
        )
    if not np.ptp(samples) > 0.0:
        raise ValueError("silent: there is no tone")
    fit = fit_sine_and_frequency(samples, sample_rate_hz, frequency_hz)
    wander = _wander(samples, sample_rate_hz, fit)
    if wander > _MOST_WANDER:
        raise ValueError(
            f"not steady: its level varies by {100.0 * wander:.3g} %, at most {100.0 * _MOST_WANDER:g} %; "
            "pick the steady part with --start and --stop"
        )
    tone_rms = fit.amplitude / math.sqrt(2.0)
    if float(np.std(fit.residual)) > tone_rms and (other_hz := _frequency_there(samples, sample_rate_hz)):
        raise ValueError(
            f"no steady tone near {frequency_hz:g} Hz; there is one at {other_hz:.1f} Hz: was another "
            "frequency meant?"
        )
    harmonics, rest = _harmonics(fit.residual, sample_rate_hz, fit.frequency_hz)
    if rest > _MOST_NOISE * tone_rms:
        share = 100.0 * rest / tone_rms
        raise ValueError(
            f"noisy: beside {fit.frequency_hz:.1f} Hz there is {share:.3g} % of its level, at most "
            f"{100.0 * _MOST_NOISE:g} %; use a stronger tone, a screened lead, or --start and --stop"
        )
    if harmonics > _MOST_DISTORTION * tone_rms:
        raise ValueError(
            f"distorted: harmonics make up {100.0 * harmonics / tone_rms:.3g} % of it, at most "
            f"{100.0 * _MOST_DISTORTION:g} %; something clips before full scale, or it is no sine"
        )
    return fit


def full_scale_of(tone: SineFit, volts_rms: float, *, meter_error: float = 0.0) -> Estimate:
    """Return the volts at the recorder's input that give full scale.

    Parameters
    ----------
    tone : SineFit
        In shares of full scale.
    volts_rms : float
        At the recorder's input while it was recorded.
    meter_error : float
        Limit of error of the meter that read it, as a share; taken as equally likely within
        the limit, so its standard uncertainty is the limit over root 3.
    """
    value = volts_rms * math.sqrt(2.0) / tone.amplitude
    return Estimate(
        value, value * math.hypot(tone.amplitude_sigma / tone.amplitude, _rectangular(meter_error))
    )


def input_resistance_of(
    direct: SineFit, through: SineFit, part: SeriesPart, value: float, *, part_error: float = 0.0
) -> Estimate:
    """Return the recorder's input resistance from the same tone direct and through a part in series.

    With r the ratio of the two amplitudes: a resistor R and the input divide, so the
    input is R r/(1 - r); a capacitor C and the input make a high-pass, r = 1/sqrt(1 + 1/(w C Rin)^2),
    so it is r/(w C sqrt(1 - r^2)).

    Parameters
    ----------
    direct, through : SineFit
        In shares of full scale, recorded at the same gain from a source of low resistance.
    part : SeriesPart
    value : float
        Ohms or farads.
    part_error : float
        Its tolerance, as a share; as `meter_error` above.

    Raises
    ------
    ValueError
        If the tones differ in frequency, or the part changes the level too little or too much to tell.
    """
    if abs(through.frequency_hz / direct.frequency_hz - 1.0) > 0.01:
        raise ValueError(
            f"the tones differ in frequency: {direct.frequency_hz:.2f} and {through.frequency_hz:.2f} Hz"
        )
    ratio = through.amplitude / direct.amplitude
    ratio_sigma = ratio * math.hypot(
        direct.amplitude_sigma / direct.amplitude, through.amplitude_sigma / through.amplitude
    )
    if not ratio < 1.0:
        raise ValueError(
            f"the {part} does not lower the level (ratio {ratio:.4f}): take {_other(part, weaker=True)}"
        )
    if part is SeriesPart.RESISTOR:
        resistance = value * ratio / (1.0 - ratio)
        slope = value / (1.0 - ratio) ** 2
    else:
        reactance = 1.0 / (2.0 * math.pi * direct.frequency_hz * value)
        resistance = reactance * ratio / math.sqrt(1.0 - ratio**2)
        slope = reactance / (1.0 - ratio**2) ** 1.5
    sigma = math.hypot(slope * ratio_sigma, resistance * _rectangular(part_error))
    if sigma > _MOST_UNCERTAIN * resistance:
        raise ValueError(
            f"the {part} changes the level by {100.0 * (1.0 - ratio):.3g} %, which gives "
            f"{resistance:.3g} ohm within {100.0 * sigma / resistance:.2g} %, too little to tell: "
            f"take {_other(part, weaker=ratio > 0.5)}"
        )
    return Estimate(resistance, sigma)


def _frequency_there(samples: NDArray[np.float64], sample_rate_hz: float) -> float | None:
    """The strongest tone's frequency; None where it is not most of the samples' power."""
    power = np.abs(np.fft.rfft((samples - samples.mean()) * np.hanning(len(samples)))) ** 2
    strongest = int(np.argmax(power))
    # the window spreads a tone over three bins or so
    if power[max(0, strongest - 2) : strongest + 3].sum() < 0.5 * power.sum():
        return None
    return strongest * sample_rate_hz / len(samples)


def _harmonics(
    residual: NDArray[np.float64], sample_rate_hz: float, frequency_hz: float
) -> tuple[float, float]:
    """RMS of the tone's harmonics up to the tenth, and of what is left without them."""
    power, rest = 0.0, residual
    for order in _HARMONICS:
        if order * frequency_hz < 0.49 * sample_rate_hz:
            fit = fit_sine(rest, sample_rate_hz, order * frequency_hz)
            # noise alone shows an amplitude of some sigmas at any frequency
            power += 0.5 * max(0.0, fit.amplitude**2 - 9.0 * fit.amplitude_sigma**2)
            rest = fit.residual
    return math.sqrt(power), float(np.sqrt(np.mean(rest**2)))


def _wander(samples: NDArray[np.float64], sample_rate_hz: float, fit: SineFit) -> float:
    """How far apart the levels of ten pieces are, less what noise explains, as a share."""
    fewest = math.ceil(6.0 * sample_rate_hz / fit.frequency_hz)
    n_pieces = min(_PIECES, len(samples) // fewest)
    if n_pieces < 2:
        return 0.0
    pieces = [fit_sine(p, sample_rate_hz, fit.frequency_hz) for p in np.array_split(samples, n_pieces)]
    levels = [piece.amplitude for piece in pieces]
    by_noise = 6.0 * max(piece.amplitude_sigma for piece in pieces)
    return max(0.0, max(levels) - min(levels) - by_noise) / fit.amplitude


def _rectangular(limit: float) -> float:
    """Standard uncertainty of an error that is equally likely within plus and minus a limit."""
    return limit / math.sqrt(3.0)


def _other(part: SeriesPart, *, weaker: bool) -> str:
    if part is SeriesPart.RESISTOR:
        return "a larger resistor" if weaker else "a smaller resistor"
    return "a smaller capacitor" if weaker else "a larger capacitor"
