"""Stretches of a recording in which somebody may be heard to speak, for a person to listen to.

Speech is loud and soft at the pace of its syllables: the envelope of its band
swings most strongly at some 5 Hz whatever the language (Ding et al. 2017,
Neuroscience and Biobehavioral Reviews 81, 181-187; the 4 Hz modulation energy
of Scheirer & Slaney 1997, ICASSP, from memory, is the same idea). So the band from 300 to
3400 Hz (that of the telephone, ITU-T G.712, from memory) is taken, its
effective value in steps of 10 ms, and of that, in windows of 2 s every half
second: the share of its swing (the power spectrum above 0.75 Hz) that lies
between 2 and 8 Hz, the depth of the swing (standard deviation over mean), and
how often it swings. A window in which all three are large enough is listed.

It finds what to listen to; it proves nothing. Music and quick hammering swing
like speech; a single word, or speech that louder noise drowns, may not. It
does not ask for any level over that of 16-bit rounding, since what a pickup
hears faintly can be made loud.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["SPEECH_BAND_HZ", "SpeechLike", "envelope_of", "speech_like"]

SPEECH_BAND_HZ = (300.0, 3400.0)
"""What a telephone carries of a voice."""

_STEP_S = 0.01
_WINDOW_S = 2.0
_HOP_S = 0.5
_SWING_HZ = (2.0, 8.0)
_SLOWEST_HZ = 0.75
# Set on real speech and real hits (tests/test_speech.py has the figures): of windows of read speech
# more than nine in ten pass them, also at 6 dB over white noise; of windows of random drum hits, one
# a second, fewer than one in ten. Single hits have the depth and the share, but swing once or twice.
_LEAST_SHARE = 0.4
_LEAST_DEPTH = 0.2
_LEAST_SWINGS_HZ = 1.5
# A swing goes this far over the mean and comes back as far under it, in standard deviations.
_SWING_EDGE = 0.25
# The envelope is smoothed over this many steps before its swings are counted: speech's own
# fundamental would be counted else.
_SMOOTHING_STEPS = 9
# Below -94 dB of full scale there is the rounding of 16 bits (8.8e-6) and little else.
_SILENCE = 2e-5


@dataclass(frozen=True)
class SpeechLike:
    """A stretch that swings like speech."""

    start_s: float
    end_s: float
    share: float
    """Largest share of its envelope's swing between 2 and 8 Hz, 0 to 1."""


def speech_like(blocks: Iterable[NDArray[np.float32]], *, sample_rate_hz: int) -> tuple[SpeechLike, ...]:
    """Return the stretches in which speech may be heard, in order.

    Parameters
    ----------
    blocks : iterable of ndarray of shape (n_samples,)
        The recording, block by block; full scale is 1.
    sample_rate_hz : int

    Returns
    -------
    tuple of SpeechLike
        Seconds from the start; windows that touch are one stretch.
    """
    step_s = _step_samples(sample_rate_hz) / sample_rate_hz
    length, hop = round(_WINDOW_S / step_s), round(_HOP_S / step_s)
    found: list[SpeechLike] = []
    for start, window in _windows(_envelope(blocks, sample_rate_hz=sample_rate_hz), length, hop):
        share = _share(window.astype(np.float64), step_s)
        if share is None:
            continue
        stretch = SpeechLike(start * step_s, (start + len(window)) * step_s, share)
        if found and stretch.start_s <= found[-1].end_s:
            before = found.pop()
            stretch = SpeechLike(before.start_s, stretch.end_s, max(before.share, share))
        found.append(stretch)
    return tuple(found)


def envelope_of(blocks: Iterable[NDArray[np.float32]], *, sample_rate_hz: int) -> NDArray[np.float32]:
    """Return the effective value of the speech band in steps of 10 ms, full scale = 1.

    Returns
    -------
    ndarray of shape (n_steps,), float32
        Empty where the rate is too low to hold any of the band. A part of a
        step at the end is left out.
    """
    return np.concatenate([np.zeros(0, np.float32), *_envelope(blocks, sample_rate_hz=sample_rate_hz)])


def _envelope(blocks: Iterable[NDArray[np.float32]], *, sample_rate_hz: int) -> Iterator[NDArray[np.float32]]:
    """Yield the same, block by block."""
    from scipy.signal import butter, sosfilt, sosfilt_zi

    top_hz = min(SPEECH_BAND_HZ[1], 0.45 * sample_rate_hz)
    sounds = top_hz > SPEECH_BAND_HZ[0]
    band_hz = (SPEECH_BAND_HZ[0], top_hz)
    sections = butter(4, band_hz, "bandpass", fs=sample_rate_hz, output="sos") if sounds else None
    state = 0.0 * sosfilt_zi(sections) if sounds else None
    step = _step_samples(sample_rate_hz)
    rest = np.zeros(0)
    for block in blocks:
        if not sounds:
            continue
        filtered, state = sosfilt(sections, block, zi=state)
        waiting = np.concatenate([rest, filtered])
        whole = len(waiting) // step
        steps = waiting[: whole * step].reshape(whole, step)
        yield np.sqrt(np.mean(steps**2, axis=1)).astype(np.float32)
        rest = waiting[whole * step :]


def _windows(
    envelope: Iterable[NDArray[np.float32]], length: int, hop: int
) -> Iterator[tuple[int, NDArray[np.float32]]]:
    """Yield windows every so many steps and one that ends with the last step, each with its start.

    A recording shorter than a window is looked at as it is; one shorter than a hop not at all.
    """
    kept, first, start = np.zeros(0, np.float32), 0, 0
    for piece in envelope:
        kept = np.concatenate([kept, piece])
        while first + len(kept) > start + length:
            yield start, kept[start - first : start - first + length]
            start += hop
        # the last window may reach back as far as its length
        spare = max(0, min(start - first, len(kept) - length))
        kept, first = kept[spare:], first + spare
    if first + len(kept) >= hop:
        own = min(length, len(kept))
        yield first + len(kept) - own, kept[len(kept) - own :]


def _share(window: NDArray[np.float64], step_s: float) -> float | None:
    """Return the share of a window's swing between 2 and 8 Hz if it swings like speech."""
    mean = float(window.mean())
    if mean < _SILENCE or float(window.std()) < _LEAST_DEPTH * mean:
        return None
    length = len(window)
    if _swings(window - mean) < max(2, round(_LEAST_SWINGS_HZ * length * step_s)):
        return None
    frequencies, taper = _transform(length, step_s)
    power = np.abs(np.fft.rfft((window - mean) * taper)) ** 2
    syllables = (frequencies >= _SWING_HZ[0]) & (frequencies <= _SWING_HZ[1])
    share = float(power[syllables].sum() / power[frequencies >= _SLOWEST_HZ].sum())
    return share if share >= _LEAST_SHARE else None


@lru_cache(maxsize=4)
def _transform(length: int, step_s: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return frequencies and taper of a window."""
    return np.asarray(np.fft.rfftfreq(length, step_s), np.float64), np.hanning(length)


def _swings(window: NDArray[np.float64]) -> int:
    """Return how often a window without its mean goes up and comes down again."""
    kernel = np.hanning(_SMOOTHING_STEPS + 2)
    smooth = np.convolve(window, kernel / kernel.sum(), "same")
    edge = _SWING_EDGE * float(window.std())
    sides = np.sign(np.where(np.abs(smooth) >= edge, smooth, 0.0))
    sides = sides[sides != 0.0]
    return int(np.count_nonzero(np.diff(sides, prepend=-1.0) > 0.0))


def _step_samples(sample_rate_hz: int) -> int:
    return max(1, round(_STEP_S * sample_rate_hz))
