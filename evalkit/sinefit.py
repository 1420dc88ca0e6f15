"""Sine fit of IEEE Std 1057: amplitude, frequency and offset of a tone, with their uncertainty.

The model is x[n] = A cos(w t_n) + B sin(w t_n) + C. With w known it is linear
(three parameters); with w to be found, each step solves for a correction of w
as well (four parameters).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["SineFit", "fit_sine", "fit_sine_and_frequency"]

_STEPS = 12
_SETTLED = 1e-9
"""Change of the phase over the whole record, rad, at which the frequency is found."""
_NEARBY = (0.7, 1.4)
"""Frequencies, as shares of the tone's, over which the noise density around it is averaged."""


@dataclass(frozen=True)
class SineFit:
    """A fitted tone, in the unit of the samples."""

    amplitude: float
    """Peak."""
    amplitude_sigma: float
    """Standard uncertainty of it."""
    frequency_hz: float
    frequency_sigma_hz: float
    """0 where the frequency was given."""
    phase_rad: float
    """Of the cosine at the first sample."""
    offset: float
    residual: NDArray[np.float64]
    """Samples less the fitted tone and offset, shape (n_samples,)."""

    @property
    def residual_rms(self) -> float:
        """RMS of what the tone does not explain: noise, hum, harmonics."""
        return float(np.sqrt(np.mean(self.residual**2)))


def fit_sine(samples: NDArray[np.float64], sample_rate_hz: float, frequency_hz: float) -> SineFit:
    """Fit a tone of known frequency: three parameters, one least-squares solution.

    Parameters
    ----------
    samples : ndarray of shape (n_samples,)
        At least 4.
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
    .. [1] IEEE Std 1057, Standard for Digitizing Waveform Recorders, sine-wave fit with known frequency
       (matrix form; section numbers differ between editions).
    .. [2] P. Händel, "Properties of the IEEE-STD-1057 four-parameter sine wave fit algorithm", IEEE Trans.
       Instrum. Meas. 49 (2000) 1189-1193: in Gaussian noise the fit comes close to the Cramér-Rao bound, which
       for the amplitude is var(A) = 2 sigma^2/n.
    """
    _check(samples, sample_rate_hz, frequency_hz)
    solution, design = _solve(samples, sample_rate_hz, frequency_hz, None)
    return _result(samples, sample_rate_hz, frequency_hz, solution[:3], design[:, :3], 0.0, 3)


def fit_sine_and_frequency(
    samples: NDArray[np.float64], sample_rate_hz: float, near_hz: float
) -> SineFit:
    """Fit a tone whose frequency is known roughly: four parameters, by iteration.

    Starts at the highest peak of the spectrum within a tenth of `near_hz`;
    each step solves for A, B, C and a correction of the frequency.

    Parameters
    ----------
    samples : ndarray of shape (n_samples,)
        At least five periods.
    sample_rate_hz : float
    near_hz : float
        Within a tenth of the tone's frequency.

    Returns
    -------
    SineFit

    Raises
    ------
    ValueError
        If there are too few samples, the frequency is out of range, or no tone is found near it.

    References
    ----------
    .. [1] IEEE Std 1057, sine-wave fit with unknown frequency.
    .. [2] D.C. Rife, R.R. Boorstyn, "Single-tone parameter estimation from discrete-time observations", IEEE
       Trans. Inf. Theory 20 (1974) 591-598: var(w) = 24 sigma^2/(A^2 T^2 n) for a long record of length T
       (real tone; formula from memory).
    """
    _check(samples, sample_rate_hz, near_hz)
    length_s = len(samples) / sample_rate_hz
    if length_s * near_hz < 5.0:
        raise ValueError(f"{length_s:.3g} s hold fewer than 5 periods of {near_hz:g} Hz")
    frequency_hz = _spectral_peak_hz(samples, sample_rate_hz, near_hz)
    for _ in range(_STEPS):
        first, _design = _solve(samples, sample_rate_hz, frequency_hz, None)
        solution, design = _solve(samples, sample_rate_hz, frequency_hz, (first[0], first[1]))
        step_hz = solution[3] / (2.0 * math.pi)
        frequency_hz += step_hz
        if not 0.9 * near_hz < frequency_hz < 1.1 * near_hz:
            raise ValueError(f"no tone is found within a tenth of {near_hz:g} Hz")
        if abs(step_hz) * 2.0 * math.pi * length_s < _SETTLED:
            break
    solution, _ = _solve(samples, sample_rate_hz, frequency_hz, None)
    fit = _result(samples, sample_rate_hz, frequency_hz, solution[:3], design, 0.0, 4)
    density = (fit.amplitude_sigma / fit.amplitude) ** 2 * 12.0 / length_s**2 if fit.amplitude else math.inf
    return SineFit(
        fit.amplitude,
        fit.amplitude_sigma,
        fit.frequency_hz,
        math.sqrt(density) / (2.0 * math.pi),
        fit.phase_rad,
        fit.offset,
        fit.residual,
    )
