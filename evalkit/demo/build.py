"""Samples, label tables and the dataset's files.

The demo is two datasets: the ordinary sessions, and, beside them and left out of
any recommendation, one session called 'hard'.
"""

import tempfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from evalkit.dataset import create_dataset, import_recordings
from evalkit.demo.scene import CARD, LID, PICKUP, SAMPLE_RATE_HZ, Session
from evalkit.demo.schedule import demo_sessions, hard_session
from evalkit.descriptor import read_descriptor, write_descriptor
from evalkit.durable import move_file, write_bytes
from evalkit.errors import FileFault
from evalkit.segments import ALL_TIME, format_segments

__all__ = [
    "DEMO_DAY_TOML",
    "DEMO_DESCRIPTION",
    "DEMO_LICENCE",
    "build_demo",
    "build_hard_session",
    "render_session",
]

DEMO_LICENCE = "CC0-1.0"

DEMO_DAY_TOML = """\
# A day at the bicycle-repair co-op beside the tram line. The place, the figures and
# the recordings are all invented: computed from physical models, measured nowhere.

# Longest pause inside one call, in seconds: the soft-cased phone pauses 4 s.
call_gap_s = 5.0
# An alert that begins this long after a call's end, in seconds, is still the call's doing.
grace_s = 1.0

[limits]
# One call in twenty may be missed: whoever rings tries again.
calls_caught = 0.95
# Two false alarms in a working day are put up with.
false_alarms_per_day = 2.0
# Longest until the box speaks up, in seconds, for 95 % of calls: voice mail answers soon after.
response_s = 6.0

# A blow with the mallet, a spanner dropped, something put down on the bin, every eight minutes.
[exposure.tap]
events_per_day = 60
# Compressor and bench grinder together.
[exposure.tool]
hours_per_day = 1.0
# A tram every few minutes, about half a minute each.
[exposure.traffic]
hours_per_day = 1.5
# The rest of an eight-hour day.
[exposure.background]
hours_per_day = 5.5
"""

DEMO_DESCRIPTION = (
    "Invented: a bicycle-repair co-op beside a tram line. Place, phones, machines and levels are made up, "
    "and every sample was computed from physical models with a fixed seed; nothing here was measured."
)
"""What the demo's dataset says of itself, and every report of it."""

_HARD_DESCRIPTION = f"{DEMO_DESCRIPTION} In this session the compressor drowns the softest phone."

Progress = Callable[[str, float], None]

_CHUNK_SAMPLES = 1 << 16
# Far below one step of the sound card: a lid that swings less is taken to be at rest.
_STILL = 1e-12


def build_demo(folder: Path, progress: Progress) -> None:
    """Make the demo's dataset: every ordinary session, labelled and reviewed throughout.

    It appears whole or not at all.

    Parameters
    ----------
    folder : Path
        Where the dataset goes; absent or empty.
    progress : callable
        Told what is being done and how much of all is done, from 0 to 1.

    Raises
    ------
    FileFault
        If something is in `folder`, or the disk does not allow it.
    """
    _build(folder, demo_sessions(), DEMO_DESCRIPTION, progress)


def build_hard_session(folder: Path, progress: Progress) -> None:
    """Make the dataset of the one session in which the compressor drowns the soft phone.

    As `build_demo`; a dataset of its own, so that nothing pools it with the others.
    """
    _build(folder, (hard_session(),), _HARD_DESCRIPTION, progress)


def render_session(session: Session) -> Iterator[npt.NDArray[np.int16]]:
    """Yield the session's samples in chunks, from its start to its end.

    Each event and the sound card draw from generators of their own, seeded by
    the session's seed and the event's number, so the samples depend on nothing else.
    """
    n_samples = round(session.duration_s * SAMPLE_RATE_HZ)
    card_rng = np.random.default_rng((session.seed, 0))
    lid_state, pickup_state = LID.rest(), PICKUP.rest()
    waiting = [(round(event.start_s * SAMPLE_RATE_HZ), k) for k, event in enumerate(session.events)]
    sounding: list[tuple[int, npt.NDArray[np.float64], npt.NDArray[np.float64]]] = []
    for first in range(0, n_samples, _CHUNK_SAMPLES):
        last = min(first + _CHUNK_SAMPLES, n_samples)
        while waiting and waiting[0][0] < last:
            start, k = waiting.pop(0)
            event = session.events[k]
            force = event.source.force_n(np.random.default_rng((session.seed, 1, k)), SAMPLE_RATE_HZ)
            weights = LID.weights_through_feet() if event.place is None else LID.weights_at(event.place)
            sounding.append((start, weights * 10.0 ** ((event.level_db + session.level_db) / 20.0), force))
        if sounding or np.abs(lid_state).max() > _STILL:
            forces = np.zeros((len(LID.modes()), last - first))
            for start, weights, force in sounding:
                a, b = max(first, start), min(last, start + len(force))
                forces[:, a - first : b - first] += weights[:, np.newaxis] * force[a - start : b - start]
            volts, lid_state = LID.swing(forces, lid_state, SAMPLE_RATE_HZ)
        else:
            volts, lid_state = np.zeros(last - first), LID.rest()
        sounding = [piece for piece in sounding if piece[0] + len(piece[2]) > last]
        volts, pickup_state = PICKUP.deliver(volts, pickup_state, SAMPLE_RATE_HZ, load_ohm=CARD.input_ohms)
        yield CARD.record(volts, first, card_rng, SAMPLE_RATE_HZ)


def _build(folder: Path, sessions: Sequence[Session], description: str, progress: Progress) -> None:
    """Make the dataset in a temporary folder beside its place and move it there when it is whole."""
    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise FileFault(f"{folder}: something is there already; remove it or name another folder")
        folder.parent.mkdir(parents=True, exist_ok=True)
        workshop = tempfile.TemporaryDirectory(prefix=".tmp-demo-", dir=folder.parent)
    except OSError as error:
        raise FileFault(f"{folder}: cannot be made: {error.strerror or error}") from error
    with workshop as place:
        work = Path(place)
        dataset = work / folder.resolve().name
        create_dataset(dataset, spdx=DEMO_LICENCE)
        write_bytes(dataset / "day.toml", DEMO_DAY_TOML.encode("utf-8"))
        # rendering is compiled code that lets other threads run; the files are taken in one by one
        with ThreadPoolExecutor(2) as pool:
            written = pool.map(lambda session: _write_wav(work / f"{session.name}.wav", session), sessions)
            for done, (session, wav) in enumerate(zip(sessions, written, strict=True)):
                progress(f"session {session.name}", done / len(sessions))
                table = work / f"{session.name}.csv"
                segments = [segment for event in session.events for segment in event.segments]
                write_bytes(table, format_segments(segments).encode("utf-8"))
                import_recordings(
                    dataset,
                    [wav],
                    session=session.name,
                    full_scale_v=CARD.full_scale_v,
                    input_ohms=CARD.input_ohms,
                    labels=table,
                    reviewed=ALL_TIME,
                )
                wav.unlink()
        descriptor = read_descriptor(dataset)
        about = {**descriptor.extra, "description": description}
        write_descriptor(dataset, replace(descriptor, extra=about))
        if folder.exists():
            folder.rmdir()
        move_file(dataset, folder)
    progress("done", 1.0)


def _write_wav(path: Path, session: Session) -> Path:
    """Write a session's samples as 16-bit WAV."""
    import soundfile

    try:
        with soundfile.SoundFile(path, "w", SAMPLE_RATE_HZ, 1, subtype="PCM_16", format="WAV") as file:
            for samples in render_session(session):
                file.write(samples)
    except (OSError, soundfile.LibsndfileError) as error:
        raise FileFault(f"{path}: cannot be written: {error}") from error
    return path
