"""Levels of a recording at every zoom, kept in files that are made once."""

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import welch

import evalkit.drawn_levels
from evalkit.drawn_levels import BAND_EDGES_HZ, BAND_LOWEST_DB, BAND_STEP_DB, DrawnFiles, DrawnLevels
from evalkit.errors import FileFault
from evalkit.pyramid import Pyramid, PyramidWriter, Row, Summary

RATE_HZ = 16_000
BLOCK = 128


def levels_of(folder: Path, path: Path, n_frames: int, rate_hz: int = RATE_HZ) -> DrawnLevels:
    return DrawnLevels.build(
        DrawnFiles(folder), "a", path, channel=1, sample_rate_hz=rate_hz, n_frames=n_frames
    )


def db(square: float) -> float:
    return float(10.0 * np.log10(square))


class TestLevels:
    """What a file says of the audio."""

    def test_blocks_are_as_counted_by_hand(
        self, tmp_path: Path, rng: np.random.Generator, write_wav: Callable[..., Path]
    ) -> None:
        # More than one piece of reading, and a last block of 71 samples.
        n = (1 << 18) + 3 * BLOCK + 71
        samples = rng.uniform(-0.8, 0.8, n).astype(np.float32)
        path = write_wav("a.wav", samples, subtype="FLOAT")
        levels = levels_of(tmp_path, path, n)
        assert levels.block_samples == BLOCK
        pieces = [samples[k : k + BLOCK].astype(np.float64) for k in range(0, n, BLOCK)]
        expected = [np.mean(piece**2) for piece in pieces]
        np.testing.assert_allclose(levels.square, expected, rtol=1e-5)
        edges = np.arange(0, n + BLOCK, BLOCK, dtype=np.float64)
        low, high, square = levels.columns(edges)
        # float16 holds samples to one part in 2,048.
        np.testing.assert_allclose(low, [piece.min() for piece in pieces], rtol=5e-4)
        np.testing.assert_allclose(high, [piece.max() for piece in pieces], rtol=5e-4)
        np.testing.assert_allclose(square, expected, rtol=1e-5)

    @pytest.mark.parametrize("rate_hz", [8_000, 16_000, 44_100, 48_000, 96_000])
    def test_a_tone_is_in_its_band(
        self, tmp_path: Path, rate_hz: int, write_wav: Callable[..., Path]
    ) -> None:
        tone = 0.25 * np.sin(2 * np.pi * 150.0 * np.arange(3 * rate_hz) / rate_hz)
        levels = levels_of(tmp_path, write_wav("a.wav", tone, rate_hz, "FLOAT"), len(tone), rate_hz)
        assert 0.008 <= levels.block_samples / rate_hz <= 0.016
        assert levels.hop_samples == 4 * levels.block_samples
        bands_db = levels.bands[20] * BAND_STEP_DB + BAND_LOWEST_DB
        own = int(np.searchsorted(BAND_EDGES_HZ, 150.0)) - 1
        assert BAND_EDGES_HZ[own] < 150.0 < BAND_EDGES_HZ[own + 1]
        assert bands_db[own] == pytest.approx(db(0.25**2 / 2), abs=BAND_STEP_DB)
        assert np.delete(bands_db, [own - 1, own, own + 1]).max() < bands_db[own] - 40
        # A steady tone leaks a little through the short window.
        assert db(float(levels.upper[60])) < db(0.25**2 / 2) - 50

    def test_noise_is_spread_as_an_independent_estimate_says(
        self, tmp_path: Path, rng: np.random.Generator, write_wav: Callable[..., Path]
    ) -> None:
        """Against scipy's Welch estimate of the same samples."""
        samples = np.cumsum(rng.standard_normal(60 * RATE_HZ))
        samples = 0.01 * (samples - np.convolve(samples, np.ones(400) / 400, "same"))
        samples /= np.abs(samples).max()
        levels = levels_of(tmp_path, write_wav("a.wav", samples, subtype="FLOAT"), len(samples))
        frequency, density = welch(samples, RATE_HZ, nperseg=16_384)
        # Lower bands are a bin or two wide, and the spectrum falls by 2 dB from one to the next.
        for k in range(6, 15):
            inside = (frequency >= BAND_EDGES_HZ[k]) & (frequency < BAND_EDGES_HZ[k + 1])
            expected = density[inside].sum() * frequency[1]
            entries = levels.bands[:, k].astype(np.float64) * BAND_STEP_DB + BAND_LOWEST_DB
            assert db(np.mean(10 ** (entries / 10))) == pytest.approx(db(expected), abs=1.0)
        upper = density[frequency >= 500].sum() * frequency[1]
        assert db(float(levels.upper.mean())) == pytest.approx(db(upper), abs=0.5)

    def test_bands_above_half_the_rate_are_empty(
        self, tmp_path: Path, rng: np.random.Generator, write_wav: Callable[..., Path]
    ) -> None:
        path = write_wav("a.wav", rng.uniform(-0.5, 0.5, 8_000), 4_000)
        levels = levels_of(tmp_path, path, 8_000, 4_000)
        assert levels.bands[:, -3:].max() == 0
        assert levels.bands[:, :12].min() > 0

    def test_a_recording_shorter_than_a_block(self, tmp_path: Path, write_wav: Callable[..., Path]) -> None:
        levels = levels_of(tmp_path, write_wav("a.wav", np.full(5, 0.5)), 5)
        assert levels.square.tolist() == pytest.approx([0.25])
        assert levels.bands.shape == (1, 16)


class TestFiles:
    """A file is used for just what it was made of."""

    def test_found_again_until_the_audio_changes(
        self, tmp_path: Path, rng: np.random.Generator, write_wav: Callable[..., Path]
    ) -> None:
        path = write_wav("a.wav", rng.uniform(-0.5, 0.5, 40_000))
        made = levels_of(tmp_path, path, 40_000)
        files = DrawnFiles(tmp_path)
        found = DrawnLevels.find(files, "a", path, channel=1)
        assert found is not None
        assert np.array_equal(found.bands, made.bands)
        assert DrawnLevels.find(files, "a", path, channel=2) is None
        assert DrawnLevels.find(files, "b", path, channel=1) is None
        write_wav("a.wav", rng.uniform(-0.5, 0.5, 40_000))
        assert DrawnLevels.find(files, "a", path, channel=1) is None

    def test_a_damaged_file_is_not_used(self, tmp_path: Path, write_wav: Callable[..., Path]) -> None:
        path = write_wav("a.wav", np.full(40_000, 0.1))
        levels_of(tmp_path, path, 40_000)
        file = tmp_path / ".evalkit" / "drawn" / "a.levels"
        data = file.read_bytes()
        for damaged in (b"", data[:40], data[:-3], b"x" + data[1:], data.replace(b'"rows"', b'"rowz"')):
            file.write_bytes(damaged)
            assert DrawnLevels.find(DrawnFiles(tmp_path), "a", path, channel=1) is None
        assert [each.name for each in file.parent.iterdir()] == ["a.levels"]

    def test_stopped_half_way_nothing_is_left_and_the_old_file_stays(
        self, tmp_path: Path, write_wav: Callable[..., Path]
    ) -> None:
        path = write_wav("a.wav", np.full(600_000, 0.1))
        levels_of(tmp_path, path, 600_000)
        file = tmp_path / ".evalkit" / "drawn" / "a.levels"
        before = file.read_bytes()

        def stop(share: float) -> None:
            if share > 0.4:
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            DrawnLevels.build(
                DrawnFiles(tmp_path),
                "a",
                path,
                channel=1,
                sample_rate_hz=RATE_HZ,
                n_frames=600_000,
                progress=stop,
            )
        assert [each.name for each in file.parent.iterdir()] == ["a.levels"]
        assert file.read_bytes() == before

    def test_what_a_crash_left_goes_and_what_another_writes_stays(
        self, tmp_path: Path, write_wav: Callable[..., Path]
    ) -> None:
        path = write_wav("a.wav", np.full(40_000, 0.1))
        levels_of(tmp_path, path, 40_000)
        folder = tmp_path / ".evalkit" / "drawn"
        old, new = folder / ".tmp-a.levels-0123", folder / ".tmp-a.levels-4567"
        for file in (old, new):
            file.write_bytes(b"half")
        os.utime(old, (0.0, 0.0))
        levels_of(tmp_path, path, 40_000)
        assert sorted(each.name for each in folder.iterdir()) == [new.name, "a.levels"]

    def test_where_nothing_can_be_written_a_temporary_folder_serves(
        self, tmp_path: Path, write_wav: Callable[..., Path]
    ) -> None:
        path = write_wav("a.wav", np.full(40_000, 0.1))
        (tmp_path / ".evalkit").write_text("a file where the folder should be")
        files = DrawnFiles(tmp_path)
        levels = DrawnLevels.build(files, "a", path, channel=1, sample_rate_hz=RATE_HZ, n_frames=40_000)
        assert levels.square[0] == pytest.approx(0.01, rel=1e-3)
        assert DrawnLevels.find(files, "a", path, channel=1) is not None

    def test_the_folder_may_vanish_while_a_file_is_made_or_read(
        self, tmp_path: Path, write_wav: Callable[..., Path], rng: np.random.Generator
    ) -> None:
        path = write_wav("a.wav", rng.uniform(-0.5, 0.5, 600_000))
        expected = levels_of(tmp_path, path, 600_000).square.tolist()
        found = DrawnLevels.find(DrawnFiles(tmp_path), "a", path, channel=1)
        built = DrawnLevels.build(
            DrawnFiles(tmp_path),
            "b",
            path,
            channel=1,
            sample_rate_hz=RATE_HZ,
            n_frames=600_000,
            progress=lambda share: shutil.rmtree(tmp_path / ".evalkit", ignore_errors=True),
        )
        assert found is not None
        assert found.square.tolist() == built.square.tolist() == expected
        assert DrawnLevels.find(DrawnFiles(tmp_path), "a", path, channel=1) is None

    def test_together_they_stay_under_the_limit(
        self, tmp_path: Path, write_wav: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        path = write_wav("a.wav", np.full(100_000, 0.1))
        levels_of(tmp_path, path, 100_000)
        folder = tmp_path / ".evalkit" / "drawn"
        size = (folder / "a.levels").stat().st_size
        monkeypatch.setattr(evalkit.drawn_levels, "LIMIT_BYTES", 3 * size + size // 2)
        for number in range(6):
            DrawnLevels.build(
                DrawnFiles(tmp_path), f"{number}", path, channel=1, sample_rate_hz=RATE_HZ, n_frames=100_000
            )
            # looked at every time, the first one stays
            assert DrawnLevels.find(DrawnFiles(tmp_path), "a", path, channel=1) is not None
            assert sum(file.stat().st_size for file in folder.iterdir()) <= 3 * size + size // 2
        assert len(list(folder.iterdir())) == 3

    def test_progress_rises_to_one(self, tmp_path: Path, write_wav: Callable[..., Path]) -> None:
        shares: list[float] = []
        path = write_wav("a.wav", np.full(600_000, 0.1))
        DrawnLevels.build(
            DrawnFiles(tmp_path),
            "a",
            path,
            channel=1,
            sample_rate_hz=RATE_HZ,
            n_frames=600_000,
            progress=shares.append,
        )
        assert shares == sorted(shares)
        assert (shares[0], shares[-1]) == (0.0, 1.0)

    def test_audio_that_is_gone_is_told(self, tmp_path: Path) -> None:
        with pytest.raises(FileFault, match=r"gone\.wav"):
            levels_of(tmp_path, tmp_path / "gone.wav", 100)


values = st.lists(st.integers(-1000, 1000), min_size=1, max_size=3000).map(lambda v: np.array(v, np.int16))


class TestPyramid:
    """Coarser copies say what the finest would."""

    @settings(derandomize=True, deadline=None, max_examples=60)
    @given(
        data=values, first=st.integers(-500, 3000), n_columns=st.integers(1, 60), width=st.integers(1, 400)
    )
    def test_columns_of_whole_entries(
        self,
        tmp_path_factory: pytest.TempPathFactory,
        data: NDArray[np.int16],
        first: int,
        n_columns: int,
        width: int,
    ) -> None:
        path = tmp_path_factory.getbasetemp() / "pyramid"
        rows = [Row(str(s), "<i2", len(data), 10, s) for s in (Summary.LOWEST, Summary.HIGHEST, Summary.MEAN)]
        with PyramidWriter(path, rows) as writer:
            for row in rows:
                writer.add(row.name, data[:7])
                writer.add(row.name, data[7:])
            pyramid = writer.finish({"a": 1}, {})
        # Columns that are a power of four wide and begin at one use whole entries of every copy.
        step = 4 ** int(np.log(width) / np.log(4))
        start = first // step * step
        edges = 10.0 * (start + step * np.arange(n_columns + 1))
        low, high = pyramid.across("lowest", edges), pyramid.across("highest", edges)
        for k in range(n_columns):
            own = data[max(0, start + k * step) : max(0, start + (k + 1) * step)]
            if len(own):
                assert (low[k], high[k]) == (own.min(), own.max())
            else:
                assert np.isnan(low[k])
        # However the columns lie, nothing falls between them.
        odd = np.linspace(-3.0, 10.0 * len(data) + 1.0, n_columns + 1)
        assert np.nanmin(pyramid.across("lowest", odd)) == data.min()
        assert np.nanmax(pyramid.across("highest", odd)) == data.max()

    def test_rows_of_wrong_length_are_refused(self, tmp_path: Path) -> None:
        with PyramidWriter(tmp_path / "p", [Row("a", "u1", 3, 1, Summary.NONE)]) as writer:
            writer.add("a", np.zeros(2))
            with pytest.raises(ValueError, match="row a has 3 entries; 2 were given"):
                writer.finish({}, {})
            with pytest.raises(ValueError, match="row a has 3 entries; 4 were given"):
                writer.add("a", np.zeros(2))
        assert list(tmp_path.iterdir()) == []

    def test_what_it_was_made_of_is_kept(self, tmp_path: Path) -> None:
        with PyramidWriter(tmp_path / "p", [Row("a", "<f4", 1, 1, Summary.NONE, 2)]) as writer:
            writer.add("a", np.array([[1.5, -2.0]]))
            writer.finish({"knob": [1, "größer"]}, {"alerts": [[0.1, 1 / 3]]})
        pyramid = Pyramid(tmp_path / "p")
        assert pyramid.made_of == {"knob": [1, "größer"]}
        assert pyramid.extra == {"alerts": [[0.1, 1 / 3]]}
        assert pyramid.entries("a").tolist() == [[1.5, -2.0]]
