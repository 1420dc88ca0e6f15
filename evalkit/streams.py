"""One recording through one detector: its crossings and its frames, from the cache or from the audio."""

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from evalkit.cache import CrossingCache
from evalkit.crossings import Crossings
from evalkit.dataset import Recording
from evalkit.detectors import Detector, Follower, Source
from evalkit.detectors.features import FEATURES, FrameMaker
from evalkit.detectors.learned import LearnedDetector

__all__ = ["Advance", "audio_key", "crossings_key", "crossings_of", "frames_of", "source_of"]

_Item = TypeVar("_Item")

_LONG_BLOCK = 1 << 20
"""Frames that a detector is given at once: 4 MB, few hand-overs between threads."""

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
    key = crossings_key(recording, detector)
    yield from cache.crossings(key, lambda: _ahead(_detect(recording, detector, advance)))


def frames_of(
    recording: Recording, maker: FrameMaker, cache: CrossingCache, advance: Advance | None = None
) -> Iterator[NDArray[np.float32]]:
    """Yield a recording's rows of features, kept on disk."""
    key = (*audio_key(recording), maker.fingerprint)
    yield from cache.rows(key, len(FEATURES), lambda: _make_frames(recording, maker, advance))


def crossings_key(recording: Recording, detector: Detector) -> tuple[str, ...]:
    """Return all that a recording's crossings depend on beside the code."""
    return (*audio_key(recording), detector.fingerprint)


def audio_key(recording: Recording) -> tuple[str, str]:
    """Return what names a recording's audio and its calibration."""
    return recording.audio_sha256, repr((recording.full_scale_v, recording.input_ohms))


def _detect(recording: Recording, detector: Detector, advance: Advance | None) -> Iterator[Crossings]:
    state = detector.at_rest(source_of(recording))
    blocks = _ahead(_blocks(recording, advance, block_frames=_LONG_BLOCK))
    if isinstance(detector, Follower):
        yield from detector.follow(blocks, state)
        return
    for block in blocks:
        chunk, state = detector.advance(block, state)
        yield chunk


def _make_frames(
    recording: Recording, maker: FrameMaker, advance: Advance | None
) -> Iterator[NDArray[np.float32]]:
    state = maker.at_rest(source_of(recording))
    for block in _blocks(recording, advance):
        rows, state = maker.advance(block, state)
        yield rows


def _blocks(
    recording: Recording, advance: Advance | None, *, block_frames: int = 1 << 16
) -> Iterator[NDArray[np.float32]]:
    """The recording's samples; tells how far it is once a block is dealt with."""
    from evalkit.recordings import read_blocks

    stop, done = recording.n_frames, 0
    for block in read_blocks(recording.path, channel=recording.channel, stop=stop, block_frames=block_frames):
        yield block
        done += len(block)
        if advance is not None:
            advance(done / recording.sample_rate_hz)


def _ahead(items: Iterator[_Item]) -> Iterator[_Item]:
    """Yield the same items; while one is dealt with, the next is made in a thread of its own."""
    end = object()
    with ThreadPoolExecutor(1) as pool:
        following = pool.submit(next, items, end)
        while (item := following.result()) is not end:
            following = pool.submit(next, items, end)
            yield cast(_Item, item)
