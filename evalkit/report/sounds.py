"""The sound of a moment, small enough to travel inside the page.

MP3, since every browser of the last decade plays it (FLAC where the installed
libsndfile cannot write it). Loudness is evened out for listening, so that a
soft ring can be heard; by how much is said beside the player.
"""

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evalkit.dataset import Dataset
from evalkit.report.incidents import Shown

__all__ = ["LONGEST_S", "Sound", "encoded", "sounds_of"]

LONGEST_S = 6.0
"""Longest sound, s."""
_RATES_HZ = (8_000, 11_025, 12_000, 16_000, 22_050, 24_000)
"""Rates that MP3 has and that are enough for what a lid lets through."""
_RATE_HZ = 16_000
_PEAK = 0.7
_FADE_S = 0.02


@dataclass(frozen=True)
class Sound:
    """A few seconds of a recording, compressed."""

    data: bytes
    media_type: str
    start_s: float
    """From the recording's start."""
    duration_s: float
    gain_db: float
    """By how much it is louder than the recording."""


def sounds_of(shown: Sequence[Shown], dataset: Dataset, *, most_bytes: int) -> tuple[Sound | None, ...]:
    """Return the sound of each moment, in order, None once they would pass `most_bytes` together.

    A moment that is left out because it does not fit any more leaves room for a later, smaller one.
    """
    found: list[Sound | None] = []
    left = most_bytes
    for each in shown:
        rate = dataset.recording(each.incident.recording).sample_rate_hz
        if left <= 0:
            found.append(None)
            continue
        sound = encoded(each.excerpt.input_v, rate, start_s=float(each.excerpt.time_s[0]))
        if len(sound.data) > left:
            found.append(None)
            continue
        left -= len(sound.data)
        found.append(sound)
    return tuple(found)


def encoded(samples: NDArray[np.float32], sample_rate_hz: int, *, start_s: float = 0.0) -> Sound:
    """Compress the first seconds of some samples.

    Parameters
    ----------
    samples : ndarray of shape (n_samples,)
        In any unit.
    sample_rate_hz : int
    start_s : float
        Where they begin in their recording.
    """
    import soundfile
    from scipy.signal import resample_poly

    piece = np.asarray(samples[: round(LONGEST_S * sample_rate_hz)], dtype=np.float64)
    duration_s = len(piece) / sample_rate_hz
    rate_hz = sample_rate_hz
    if rate_hz not in _RATES_HZ:
        shared = math.gcd(_RATE_HZ, rate_hz)
        piece, rate_hz = resample_poly(piece, _RATE_HZ // shared, rate_hz // shared), _RATE_HZ
    # what a pickup's bias adds is no sound, and a cut edge clicks
    piece = piece - piece.mean()
    peak = float(np.abs(piece).max(initial=0.0))
    gain = _PEAK / peak if peak > 0.0 else 1.0
    fade = min(len(piece) // 2, round(_FADE_S * rate_hz))
    ramp = np.linspace(0.0, 1.0, fade)
    piece = gain * piece
    piece[:fade] *= ramp
    piece[len(piece) - fade :] *= ramp[::-1]
    container, media_type = _container()
    stream = io.BytesIO()
    soundfile.write(stream, piece, rate_hz, format=container)
    return Sound(stream.getvalue(), media_type, start_s, duration_s, 20.0 * math.log10(gain))


def _container() -> tuple[str, str]:
    import soundfile

    if "MP3" in soundfile.available_formats():
        return "MP3", "audio/mpeg"
    return "FLAC", "audio/flac"
