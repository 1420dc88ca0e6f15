"""One recording through one detector: its crossings and its frames, from the cache or from the audio."""

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from evalkit.cache import CrossingCache
from evalkit.crossings import Crossings
from evalkit.dataset import Recording
from evalkit.detectors import Detector, Source
from evalkit.detectors.features import FEATURES, FrameMaker
from evalkit.detectors.learned import LearnedDetector

__all__ = ["Advance", "crossings_of", "frames_of", "source_of"]

Advance = Callable[[float], None]
"""Told how many seconds of the recording are done."""


def source_of(recording: Recording) -> Source:
    """Return what a detector must know of a recording."""
    return Source(recording.sample_rate_hz, recording.full_scale_v, recording.input_ohms, recording.session)


def crossings_of(
    recording: Recording, detector: Detector, cache: CrossingCache, advance: Advance | None = None
) -> Iterator[Crossings]:
    """Yield a recording's crossings.

    Those of a detector that works on samples are kept on disk. A learned one
    starts from the frames, which are kept, and is too quick for its crossings
    to be worth keeping.
    """
    if isinstance(detector, LearnedDetector):
        state = detector.at_rest(source_of(recording))
        for rows in frames_of(recording, detector.maker, cache, advance):
            chunk, state = detector.compare(rows, state)
            yield chunk
        return
    path = cache.path(*_audio_key(recording), detector.fingerprint)
    if not cache.has(path):
        cache.write(path, _detect(recording, detector, advance))
    yield from cache.read(path)


def frames_of(
    recording: Recording, maker: FrameMaker, cache: CrossingCache, advance: Advance | None = None
) -> Iterator[NDArray[np.float32]]:
    """Yield a recording's rows of features, kept on disk."""
    path = cache.path(*_audio_key(recording), maker.fingerprint)
    if not cache.has_rows(path, len(FEATURES)):
        cache.write_rows(path, _make_frames(recording, maker, advance), len(FEATURES))
    yield from cache.read_rows(path, len(FEATURES))


def _audio_key(recording: Recording) -> tuple[str, str]:
    return recording.audio_sha256, repr((recording.full_scale_v, recording.input_ohms))


def _detect(recording: Recording, detector: Detector, advance: Advance | None) -> Iterator[Crossings]:
    state = detector.at_rest(source_of(recording))
    for block in _blocks(recording, advance):
        chunk, state = detector.advance(block, state)
        yield chunk


def _make_frames(
    recording: Recording, maker: FrameMaker, advance: Advance | None
) -> Iterator[NDArray[np.float32]]:
    state = maker.at_rest(source_of(recording))
    for block in _blocks(recording, advance):
        rows, state = maker.advance(block, state)
        yield rows


def _blocks(recording: Recording, advance: Advance | None) -> Iterator[NDArray[np.float32]]:
    """The recording's samples; tells how far it is once a block is dealt with."""
    from evalkit.recordings import read_blocks

    done = 0
    for block in read_blocks(recording.path, channel=recording.channel, stop=recording.n_frames):
        yield block
        done += len(block)
        if advance is not None:
            advance(done / recording.sample_rate_hz)
