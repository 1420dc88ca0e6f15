"""Sine fit of IEEE Std 1057: amplitude, frequency and offset of a tone, with their uncertainty.

The model is x[n] = A cos(w t) + B sin(w t) + C. With w known it is linear (three
parameters); with w to be found, each step solves for a correction of w as
well (four parameters). Formulas after the standard's matrix form (the section
numbers differ between editions).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["SineFit", "fit_sine", "fit_sine_and_frequency"]

_FEWEST_PERIODS = 5.0
_MOST_STEPS = 12
_SETTLED_RAD = 1e-9
"""Change of phase over the whole record at which the frequency is found."""
_NEARBY = (0.7, 1.4)
"""Shares of the tone's frequency between which the noise density beside it is averaged."""
_REACH = 0.1
"""The frequency may differ from the one that was told by this share."""


@dataclass(frozen=True)
class SineFit:
    """A fitted tone, in the unit of the samples."""

    amplitude: float
    """Peak."""
    amplitude_sigma: float
    """Its standard uncertainty."""
    frequency_hz: float
    frequency_sigma_hz: float
    """0 where the frequency was given."""
    offset: float
    residual: NDArray[np.float64]
    """Samples less tone and offset: noise, hum, harmonics; shape (n_samples,)."""

    @property
    def residual_rms(self) -> float:
        """RMS of the residual."""
        return float(np.sqrt(np.mean(self.residual**2)))


def fit_sine(samples: NDArray[np.float64], sample_rate_hz: float, frequency_hz: float) -> SineFit:
    """Fit a tone of known frequency: three parameters, one least-squares solution.

    The amplitude's uncertainty is the Cramér-Rao bound for white noise,
    var = 2 sigma^2/n, or the same with the noise density beside the tone where that is larger.

    Parameters
    ----------
    samples : ndarray of shape (n_samples,)
        At least five periods.
    sample_rate_hz : float
    frequency_hz : float
        Above 0 and under half the sample rate.

    Returns
    -------
    SineFit

    Raises
    ------
    ValueError
        If there are too few samples or the frequency is out of range.

    References
    ----------
    .. [1] IEEE Std 1057, Standard for Digitizing Waveform Recorders: fit with known frequency.
    .. [2] P. Händel, "Properties of the IEEE-STD-1057 four-parameter sine wave fit algorithm",
       IEEE Trans. Instrum. Meas. 49 (2000) 1189-1193: close to the Cramér-Rao bound in Gaussian noise.
    """
    _check(samples, sample_rate_hz, frequency_hz)
    cosine, sine, offset = _solve(samples, _basis(len(samples), sample_rate_hz, frequency_hz))
    return _fit(samples, sample_rate_hz, frequency_hz, cosine, sine, offset)


def fit_sine_and_frequency(samples: NDArray[np.float64], sample_rate_hz: float, near_hz: float) -> SineFit:
    """Fit a tone whose frequency is known within a tenth: four parameters, by iteration.

    Starts from the highest peak of the spectrum there.

    Parameters
    ----------
    samples : ndarray of shape (n_samples,)
        At least five periods.
    sample_rate_hz : float
    near_hz : float
        Above 0 and under half the sample rate.

    Returns
    -------
    SineFit

    Raises
    ------
    ValueError
        If there are too few samples, the frequency is out of range, or no tone is near it.

    References
    ----------
    .. [1] IEEE Std 1057: fit with unknown frequency.
    .. [2] D.C. Rife, R.R. Boorstyn, "Single-tone parameter estimation from discrete-time observations",
       IEEE Trans. Inf. Theory 20 (1974) 591-598, for the frequency's bound: for a record of T s,
       var(w) = 12 var(A)/(A T)^2 (from memory).
    """
    _check(samples, sample_rate_hz, near_hz)
    length_s = len(samples) / sample_rate_hz
    time_s = _time_s(len(samples), sample_rate_hz)
    frequency_hz = _peak_hz(samples, sample_rate_hz, near_hz)
    for _ in range(_MOST_STEPS):
        basis = _basis(len(samples), sample_rate_hz, frequency_hz)
        cosine, sine, _offset = _solve(samples, basis)
        slope = time_s * (sine * basis[:, 0] - cosine * basis[:, 1])
        step = _solve(samples, np.column_stack([basis, slope]))[3]
        frequency_hz += step / (2.0 * math.pi)
        if not abs(frequency_hz / near_hz - 1.0) < _REACH:
            raise ValueError(f"no steady tone is within a tenth of {near_hz:g} Hz")
        if abs(step) * length_s < _SETTLED_RAD:
            break
    cosine, sine, offset = _solve(samples, _basis(len(samples), sample_rate_hz, frequency_hz))
    return _fit(samples, sample_rate_hz, frequency_hz, cosine, sine, offset, unknown_over_s=length_s)


def _check(samples: NDArray[np.float64], sample_rate_hz: float, frequency_hz: float) -> None:
    if not 0.0 < frequency_hz < 0.5 * sample_rate_hz:
        raise ValueError(
            f"frequency {frequency_hz:g} Hz must be above 0 and under half the sample rate, "
            f"{0.5 * sample_rate_hz:g} Hz"
        )
    if len(samples) * frequency_hz < _FEWEST_PERIODS * sample_rate_hz:
        raise ValueError(
            f"{len(samples) / sample_rate_hz:.3g} s hold fewer than {_FEWEST_PERIODS:g} periods "
            f"of {frequency_hz:g} Hz"
        )


def _time_s(n: int, sample_rate_hz: float) -> NDArray[np.float64]:
    """Sample instants about the record's middle, which parts the frequency's column from the others."""
    return np.asarray((np.arange(n) - 0.5 * (n - 1)) / sample_rate_hz, dtype=np.float64)


def _basis(n: int, sample_rate_hz: float, frequency_hz: float) -> NDArray[np.float64]:
    angle = 2.0 * math.pi * frequency_hz * _time_s(n, sample_rate_hz)
    return np.column_stack([np.cos(angle), np.sin(angle), np.ones(n)])


def _solve(samples: NDArray[np.float64], basis: NDArray[np.float64]) -> list[float]:
    return [float(value) for value in np.linalg.lstsq(basis, samples, rcond=None)[0]]


def _peak_hz(samples: NDArray[np.float64], sample_rate_hz: float, near_hz: float) -> float:
    """Highest bin of the windowed spectrum within a tenth of `near_hz`, refined by a parabola."""
    n_padded = 1 << (2 * len(samples) - 1).bit_length()
    windowed = (samples - samples.mean()) * np.hanning(len(samples))
    spectrum = np.log(np.abs(np.fft.rfft(windowed, n_padded)) + 1e-300)
    bin_hz = sample_rate_hz / n_padded
    low = max(1, math.floor(near_hz * (1.0 - _REACH) / bin_hz))
    high = min(len(spectrum) - 2, math.ceil(near_hz * (1.0 + _REACH) / bin_hz))
    k = low + int(np.argmax(spectrum[low : high + 1]))
    left, middle, right = spectrum[k - 1 : k + 2]
    bend = left - 2.0 * middle + right
    return float((k + (0.5 * (left - right) / bend if bend < 0.0 else 0.0)) * bin_hz)


def _fit(
    samples: NDArray[np.float64],
    sample_rate_hz: float,
    frequency_hz: float,
    cosine: float,
    sine: float,
    offset: float,
    *,
    unknown_over_s: float | None = None,
) -> SineFit:
    n = len(samples)
    parameters = np.array([cosine, sine, offset])
    residual = samples - _basis(n, sample_rate_hz, frequency_hz) @ parameters
    amplitude = math.hypot(cosine, sine)
    degrees_of_freedom = n - (3 if unknown_over_s is None else 4)
    white = float(residual @ residual) / degrees_of_freedom
    power = np.abs(np.fft.rfft(residual)) ** 2 / n
    hertz = np.fft.rfftfreq(n, 1.0 / sample_rate_hz)
    beside = power[(hertz > _NEARBY[0] * frequency_hz) & (hertz < _NEARBY[1] * frequency_hz)]
    density = max(white, float(beside.mean()) if len(beside) else 0.0)
    sigma = math.sqrt(2.0 * density / n)
    frequency_sigma_hz = 0.0
    if unknown_over_s is not None and amplitude > 0.0:
        frequency_sigma_hz = math.sqrt(12.0) * sigma / (2.0 * math.pi * amplitude * unknown_over_s)
    return SineFit(amplitude, sigma, frequency_hz, frequency_sigma_hz, offset, residual)
