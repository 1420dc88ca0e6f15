"""A low-pass filter that takes speech out of audio before it is shared."""

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

__all__ = ["low_passed", "lowpass_taps"]

_STOP_DB = 80.0
_PASS_SHARE = 0.8


def low_passed(
    blocks: Iterable[NDArray[np.floating]], *, sample_rate_hz: int, edge_hz: float
) -> Iterator[NDArray[np.float64]]:
    """Yield audio without what lies above an edge, moved by no sample.

    Parameters
    ----------
    blocks : iterable of ndarray of shape (n_samples,)
    sample_rate_hz : int
    edge_hz : float
        From here on everything is down by 80 dB; up to 0.8 of it nothing is changed
        by more than 0.001 dB.

    Yields
    ------
    ndarray, float64
        Together as long as the blocks. Before the first and after the last
        sample there is taken to be silence.
    """
    from scipy.signal import oaconvolve

    taps = lowpass_taps(sample_rate_hz=sample_rate_hz, edge_hz=edge_hz)
    half = len(taps) // 2
    waiting = np.zeros(half)
    for block in blocks:
        waiting = np.concatenate([waiting, block])
        if len(waiting) >= 2 * len(taps):
            yield oaconvolve(waiting, taps, mode="valid")
            waiting = waiting[-2 * half :]
    yield oaconvolve(np.concatenate([waiting, np.zeros(half)]), taps, mode="valid")


def lowpass_taps(*, sample_rate_hz: int, edge_hz: float) -> NDArray[np.float64]:
    """Return the filter: linear phase, an odd number of taps, by Kaiser's window.

    Raises
    ------
    ValueError
        If the edge is not between 0 and half the sample rate.
    """
    from scipy.signal import firwin, kaiserord

    if not 0.0 < edge_hz < sample_rate_hz / 2:
        raise ValueError(f"{edge_hz:g} Hz is not between 0 and half the sample rate ({sample_rate_hz / 2:g})")
    n_taps, beta = kaiserord(_STOP_DB, (1.0 - _PASS_SHARE) * edge_hz / (sample_rate_hz / 2))
    middle_hz = 0.5 * (1.0 + _PASS_SHARE) * edge_hz
    taps = firwin(n_taps | 1, middle_hz, window=("kaiser", beta), fs=sample_rate_hz)
    return np.asarray(taps, dtype=np.float64)
