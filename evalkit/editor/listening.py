"""Playing what is seen, where there is something to play it on.

sounddevice and the PortAudio library are optional: without them nothing is
played and everything else works.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["OCTAVES_UP", "Player", "transposed"]

OCTAVES_UP = 2
"""By how much vibrations are raised for small speakers: 175 Hz become 700 Hz."""

_WINDOW_S = 0.06
_LOUDEST = 0.9


class Player:
    """Plays samples, or knows why it cannot."""

    def __init__(self) -> None:
        self._device: Any = None
        self.refusal: str | None = None
        """Why nothing can be played."""
        try:
            # Without the PortAudio library the import itself raises OSError.
            import sounddevice
        except ImportError:
            self.refusal = "nothing can be played: install evalkit's extra 'listen'"
        except OSError:
            self.refusal = "nothing can be played: the PortAudio library is missing (libportaudio2)"
        else:
            self._device = sounddevice

    def play(self, samples: NDArray[np.float32], sample_rate_hz: int) -> None:
        """Start to play, as loud as it goes; what was playing stops.

        Raises
        ------
        ValueError
            If it cannot be played, saying why.
        """
        if self._device is None:
            raise ValueError(self.refusal)
        peak = float(np.abs(samples).max(initial=0.0))
        louder = samples * np.float32(_LOUDEST / peak) if peak > 0.0 else samples
        try:
            self._device.play(louder, sample_rate_hz)
        # PortAudioError is the module's own; a missing device is told by it or by ValueError.
        except Exception as error:
            raise ValueError(f"nothing can be played: {error}") from error

    def stop(self) -> None:
        """Be quiet."""
        if self._device is not None:
            self._device.stop()


def transposed(samples: NDArray[np.float32], sample_rate_hz: int, octaves: int) -> NDArray[np.float32]:
    """Return the samples that much higher, as long as before.

    Overlapping windows are laid apart, each moved to where it goes on in
    phase with the one before (synchronous overlap and add), and what has
    become 2^octaves times as long is played that much faster.
    """
    from scipy.signal import resample_poly

    factor = 2**octaves
    n = min(len(samples), 2 * max(16, round(_WINDOW_S * sample_rate_hz / 2)))
    hop, search = n // 2, n // 4
    if n < 32:
        return samples
    window = np.hanning(n + 1)[:-1].astype(np.float32)
    padded = np.concatenate([samples, np.zeros(n + search, np.float32)])
    count = max(1, len(samples) * factor // hop)
    out = np.zeros(count * hop + n, np.float32)
    at = 0
    for k in range(count):
        wanted = k * hop // factor
        if k:
            # The piece that would have followed the last one, as the pattern to be met.
            pattern = padded[at + hop : at + hop + hop]
            first = max(0, wanted - search)
            stretch = padded[first : wanted + search + hop]
            if len(pattern) == hop and len(stretch) > hop:
                match = np.correlate(stretch, pattern, "valid")
                energy = np.convolve(np.square(stretch), np.ones(hop, np.float32), "valid")
                at = first + int(np.argmax(match / np.sqrt(energy + 1e-12)))
            else:
                at = wanted
        piece = padded[at : at + n]
        out[k * hop : k * hop + len(piece)] += piece * window[: len(piece)]
    return np.asarray(resample_poly(out[: len(samples) * factor], 1, factor), np.float32)[: len(samples)]
