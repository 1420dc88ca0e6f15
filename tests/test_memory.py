"""No step holds a recording: what a command takes does not grow with the length of the audio.

The full figures (24 h at 48 kHz, resident memory of each command) are `tests/benchmarks/whole_day.py`'s; here
twenty minutes of 8 kHz stand against two, everything that Python and numpy allocate counted. All is invented.
"""

import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from evalkit.board_file import read_board
from evalkit.box_trace import BoxTrace, present_setting
from evalkit.cache import CrossingCache
from evalkit.checking import check_dataset
from evalkit.comparison import compare
from evalkit.dataset import create_dataset, import_recordings, read_dataset
from evalkit.drawn_levels import DrawnFiles, DrawnLevels
from evalkit.evidence import evidence_findings
from evalkit.pack_plan import plan_pack
from evalkit.packs import write_pack
from evalkit.proposals import find_proposals
from evalkit.report.contents import contents_of
from evalkit.segments import Segment, format_segments
from evalkit.spans import ALL_TIME
from evalkit.tracing import trace
from evalkit.training import DetectorName
from evalkit.unpacking import unpack

RATE_HZ = 8_000
SHORT_S, LONG_S = 480, 1440
NAME = "long"
# The shorter fills all blocks that are on their way at once. As float32 the difference of the two takes 31 MB.
MOST_MORE_BYTES = 8e6


def write_recording(path: Path, seconds: int, seed: int) -> Path:
    """Two minutes in which something happens, then only noise; beside it its labels."""
    rng = np.random.default_rng(seed)
    t = np.arange(120 * RATE_HZ) / RATE_HZ
    busy = np.zeros(len(t))
    segments = []
    for k in range(4):
        ring, tap = 10.0 + 25.0 * k, 22.0 + 25.0 * k
        busy += np.where((t >= ring) & (t < ring + 2.0), 0.03 * np.sin(2 * np.pi * 175 * t), 0.0)
        busy += np.where(t >= tap, 0.3 * np.exp(-np.abs(t - tap) / 0.03) * np.sin(2 * np.pi * 600 * t), 0.0)
        segments += [Segment(ring, ring + 2.0, "ring"), Segment(tap, tap + 0.2, "tap")]
    with soundfile.SoundFile(path, "w", RATE_HZ, 1, "PCM_16") as file:
        for first in range(0, seconds, 60):
            noise = 2e-4 * rng.standard_normal(60 * RATE_HZ)
            own = busy[first * RATE_HZ : (first + 60) * RATE_HZ]
            noise[: len(own)] += own
            file.write(noise)
    path.with_suffix(".csv").write_text(format_segments(segments), encoding="utf-8")
    return path


def peaks(place: Path, seconds: int) -> dict[str, int]:
    """Return the most bytes that each step of the job held at a time."""
    folder = place / "shop"
    create_dataset(folder, spdx="CC0-1.0")
    names = (NAME, "second", "third")
    paths = [
        write_recording(place / f"{n}.wav", seconds if n == NAME else SHORT_S, k) for k, n in enumerate(names)
    ]
    found: dict[str, int] = {}
    for name, step in steps(folder, paths):
        tracemalloc.start()
        step()
        found[name] = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    return found


def steps(folder: Path, paths: list[Path]) -> Iterator[tuple[str, Callable[[], object]]]:
    def take_in() -> None:
        for number, path in enumerate(paths):
            import_recordings(
                folder,
                [path],
                session=f"day {number}",
                full_scale_v=1.0,
                input_ohms=1e6,
                labels=path.with_suffix(".csv"),
                reviewed=ALL_TIME,
            )

    yield "import", take_in
    yield "check", lambda: check_dataset(folder)
    dataset = read_dataset(folder)
    recording, board = dataset.recording(NAME), read_board(folder / "board.toml")
    files, cache = DrawnFiles(folder), CrossingCache(folder)
    yield (
        "draw and propose",
        lambda: find_proposals(
            DrawnLevels.build(
                files,
                NAME,
                recording.path,
                channel=1,
                sample_rate_hz=RATE_HZ,
                n_frames=recording.n_frames,
            )
        ),
    )
    yield "box", lambda: BoxTrace.build(files, recording, board, present_setting(folder, board))
    yield "evidence", lambda: evidence_findings(dataset, cache)
    # one that works on samples, one fitted on frames that works on samples, one that works on frames
    names = [DetectorName.CIRCUIT, DetectorName.BAND, DetectorName.LOGISTIC]
    yield "score", lambda: compare(dataset, names, cache=cache)
    yield "score again", lambda: compare(dataset, names, cache=cache)
    yield (
        "report",
        lambda: contents_of(dataset, [DetectorName.CIRCUIT], cache=cache, most_mistakes=5),
    )
    end_s = recording.duration_s
    yield "trace", lambda: trace(recording, board, 100.0, 1.0, end_s - 5.0, end_s)
    yield "pack", lambda: write_pack(plan_pack(dataset), folder.parent / "shop.zip")
    yield "unpack", lambda: unpack(folder.parent / "shop.zip", folder.parent / "club")


def test_no_step_takes_more_for_a_longer_recording(tmp_path: Path) -> None:
    peaks(tmp_path_of(tmp_path, "first"), SHORT_S)  # what is loaded and compiled once
    short = peaks(tmp_path_of(tmp_path, "short"), SHORT_S)
    long = peaks(tmp_path_of(tmp_path, "long"), LONG_S)
    more = {name: long[name] - short[name] for name in short}
    assert {name: size for name, size in more.items() if size > MOST_MORE_BYTES} == {}


def tmp_path_of(tmp_path: Path, name: str) -> Path:
    (tmp_path / name).mkdir()
    return tmp_path / name


def test_a_step_that_holds_the_recording_would_be_seen(tmp_path: Path) -> None:
    path = write_recording(tmp_path / "a.wav", LONG_S, 0)
    tracemalloc.start()
    held, _ = soundfile.read(path, dtype="float32")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(held) == LONG_S * RATE_HZ
    assert peak > 4 * MOST_MORE_BYTES


def test_a_stretch_too_long_to_show_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "shop"
    create_dataset(folder)
    n_frames = (1 << 25) + 2
    with soundfile.SoundFile(tmp_path / "a.wav", "w", 1000, 1, "PCM_U8") as file:
        for _ in range(4):
            file.write(np.zeros(n_frames // 4 + 1, np.int16))
    import_recordings(folder, [tmp_path / "a.wav"], session="x")
    dataset = read_dataset(folder)
    with pytest.raises(
        ValueError, match=r"are 33554434 samples of a; at most 33554 s of it are shown at once"
    ):
        trace(dataset.recording("a"), dataset.board, 100.0, 1.0, 0.0, n_frames / 1000)
