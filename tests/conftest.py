"""Fixtures that several tests share."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import soundfile

from evalkit.dataset import create_dataset, import_recordings
from evalkit.segments import Segment, format_segments
from evalkit.spans import ALL_TIME

RATE_HZ = 16_000


@pytest.fixture(autouse=True)
def no_first_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """What long work says after half a second would come or not come as the machine is busy."""
    monkeypatch.setattr("evalkit.cli.console._FIRST_LINE_S", 1e6)


@pytest.fixture
def rng() -> np.random.Generator:
    """A generator that gives the same numbers in every run."""
    return np.random.default_rng(20_240_229)


@pytest.fixture
def make_tone() -> Callable[..., npt.NDArray[np.float64]]:
    """Make a steady sine: frequency in Hz, duration in s, peak amplitude."""

    def tone(
        frequency_hz: float, duration_s: float, amplitude: float = 0.5, rate_hz: int = RATE_HZ
    ) -> npt.NDArray[np.float64]:
        time_s = np.arange(round(duration_s * rate_hz)) / rate_hz
        return amplitude * np.sin(2 * np.pi * frequency_hz * time_s)

    return tone


@pytest.fixture
def make_burst(make_tone: Callable[..., npt.NDArray[np.float64]]) -> Callable[..., npt.NDArray[np.float64]]:
    """Make silence with a sine from one time to another."""

    def burst(
        frequency_hz: float,
        duration_s: float,
        start_s: float,
        end_s: float,
        amplitude: float = 0.5,
        rate_hz: int = RATE_HZ,
    ) -> npt.NDArray[np.float64]:
        samples = make_tone(frequency_hz, duration_s, amplitude, rate_hz)
        samples[: round(start_s * rate_hz)] = 0
        samples[round(end_s * rate_hz) :] = 0
        return samples

    return burst


@pytest.fixture
def write_wav(tmp_path: Path) -> Callable[..., Path]:
    """Write samples to a 16-bit WAV file (or what else is asked for) and return its path."""

    def write(
        name: str,
        samples: npt.ArrayLike,
        rate_hz: int = RATE_HZ,
        subtype: str = "PCM_16",
        container: str | None = None,
    ) -> Path:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        soundfile.write(path, np.asarray(samples), rate_hz, subtype=subtype, format=container)
        return path

    return write


@pytest.fixture
def tiny_dataset(
    tmp_path: Path,
    rng: np.random.Generator,
    make_burst: Callable[..., npt.NDArray[np.float64]],
    write_wav: Callable[..., Path],
) -> Path:
    """Return a dataset of two sessions, one recording of 12 s each, labelled and reviewed throughout.

    In each a tone of 175 Hz stands for a ringing phone (6 to 8 s) and a short one for a tap (3 s).
    """
    folder = tmp_path / "bench"
    create_dataset(folder, spdx="CC0-1.0")
    for number, session in enumerate(("monday", "tuesday")):
        samples = 0.001 * rng.standard_normal(12 * RATE_HZ)
        samples += make_burst(175, 12, 6, 8, 0.3) + make_burst(900, 12, 3, 3.05, 0.5)
        path = write_wav(f"incoming/{session}.wav", samples)
        table = tmp_path / "incoming" / f"{session}.csv"
        labels = [Segment(3, 3.05, "tap"), Segment(6, 8, "ring", note=f"call {number}")]
        table.write_text(format_segments(labels), encoding="utf-8")
        import_recordings(
            folder,
            [path],
            session=session,
            phone="slab",
            full_scale_v=1.0,
            input_ohms=1e6,
            labels=table,
            reviewed=ALL_TIME,
        )
    return folder
