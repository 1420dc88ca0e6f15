"""Audio files in, blocks out."""

import struct
import wave
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from evalkit.errors import FileFault
from evalkit.recordings import audio_sha256, read_blocks, read_info

Writer = Callable[..., Path]


def whole(path: Path, channel: int = 1, **options: int) -> np.ndarray:
    return np.concatenate(list(read_blocks(path, channel=channel, **options)))


@pytest.fixture
def noise(rng: np.random.Generator) -> np.ndarray:
    """Whole numbers of 16 bits, both ends of their range among them."""
    values = rng.integers(-32_768, 32_768, 30_000, dtype=np.int16)
    values[:4] = (-32_768, 32_767, 0, -1)
    return values


def test_samples_are_those_of_another_reader_over_32768(tmp_path: Path, noise: np.ndarray) -> None:
    """The standard library writes the file and so says what is in it."""
    path = tmp_path / "a.wav"
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(44_100)
        file.writeframes(noise.astype("<i2").tobytes())
    samples = whole(path)
    assert samples.dtype == np.float32
    assert samples.flags.c_contiguous
    np.testing.assert_array_equal(samples * 32_768, noise.astype(np.float64))
    info = read_info(path)
    assert (info.sample_rate_hz, info.n_frames, info.n_channels) == (44_100, 30_000, 1)
    assert (info.container, info.encoding, info.promised_frames) == ("WAV", "PCM_16", 30_000)


@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64", "W64", "FLAC", "AIFF", "AU", "CAF"])
def test_the_same_audio_has_one_hash_in_every_lossless_container(
    write_wav: Writer, noise: np.ndarray, container: str
) -> None:
    original = write_wav("a.wav", noise, 16_000)
    other = write_wav(f"a.{container.lower()}", noise, 16_000, container=container)
    assert audio_sha256(other, channel=1) == audio_sha256(original, channel=1)
    assert read_info(other).promised_frames == read_info(other).n_frames == len(noise)


def test_the_hash_tells_rate_and_samples_apart(write_wav: Writer, noise: np.ndarray) -> None:
    changed = noise.copy()
    changed[-1] ^= 1
    files = [
        write_wav("a.wav", noise, 16_000),
        write_wav("b.wav", noise, 16_001),
        write_wav("c.wav", changed, 16_000),
        write_wav("d.wav", noise[:-1], 16_000),
    ]
    assert len({audio_sha256(file, channel=1) for file in files}) == 4


def test_channels_count_from_one(write_wav: Writer, noise: np.ndarray) -> None:
    path = write_wav("stereo.wav", np.stack([noise, noise[::-1]], axis=1), 16_000)
    np.testing.assert_array_equal(whole(path, 1) * 32_768, noise)
    np.testing.assert_array_equal(whole(path, 2) * 32_768, noise[::-1])
    for block in read_blocks(path, channel=2, block_frames=999):
        assert block.ndim == 1
        assert block.flags.c_contiguous
    assert audio_sha256(path, channel=1) == audio_sha256(write_wav("left.wav", noise, 16_000), channel=1)
    for channel in (0, 3):
        with pytest.raises(FileFault, match=f"has no channel {channel}; it has 2"):
            whole(path, channel)


@settings(derandomize=True, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    block_frames=st.integers(1, 4_000),
    start=st.integers(0, 3_000),
    length=st.integers(0, 3_000),
    container=st.sampled_from(["WAV", "FLAC"]),
)
def test_blocks_of_any_size_join_to_the_same_samples(
    tmp_path: Path, block_frames: int, start: int, length: int, container: str
) -> None:
    path = tmp_path / f"a.{container}"
    values = (np.arange(3_000) * 7_919 % 65_536 - 32_768).astype(np.int16)
    if not path.exists():
        soundfile.write(path, values, 8_000, format=container)
    stop = min(start + length, 3_000)
    blocks = list(read_blocks(path, channel=1, block_frames=block_frames, start=start, stop=stop))
    expected = values[start:stop]
    assert [len(block) for block in blocks[:-1]] == [block_frames] * (len(blocks) - 1)
    np.testing.assert_array_equal(np.concatenate([*blocks, []]) * 32_768, expected)


def test_past_the_end_is_refused(write_wav: Writer, noise: np.ndarray) -> None:
    path = write_wav("a.wav", noise)
    with pytest.raises(FileFault, match="holds 30000 frames, fewer than the 30001 expected"):
        whole(path, stop=30_001)


@pytest.mark.parametrize("container", ["WAV", "RF64", "AIFF", "FLAC"])
def test_a_file_cut_short_tells_what_was_promised(
    tmp_path: Path, write_wav: Writer, noise: np.ndarray, container: str
) -> None:
    path = write_wav(f"a.{container.lower()}", noise, container=container)
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 2 // 3])
    info = read_info(path)
    assert info.promised_frames == len(noise)
    assert 0 < info.n_frames < len(noise)
    np.testing.assert_array_equal(whole(path) * 32_768, noise[: info.n_frames])
    assert len(audio_sha256(path, channel=1)) == 64


def test_a_streamed_header_of_unknown_length_is_read_to_the_end(write_wav: Writer, noise: np.ndarray) -> None:
    path = write_wav("a.wav", noise)
    data = bytearray(path.read_bytes())
    data[4:8] = data[40:44] = b"\xff\xff\xff\xff"
    path.write_bytes(data)
    info = read_info(path)
    assert info.n_frames == len(noise)
    assert info.promised_frames > info.n_frames
    np.testing.assert_array_equal(whole(path) * 32_768, noise)


def riff(*chunks: tuple[bytes, bytes]) -> bytes:
    """Return a WAVE file of these chunks, laid out by hand."""
    body = b"".join(
        name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2) for name, data in chunks
    )
    return b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WAVE" + body


MONO_16 = struct.pack("<HHIIHH", 1, 1, 8_000, 16_000, 2, 16)


def test_odd_chunks_before_and_marks_behind_the_samples_are_no_samples(tmp_path: Path) -> None:
    """The cue and list chunks are the test vector of the RIFF page (published-checks 12.1)."""
    samples = struct.pack("<4h", 1, 2, 3, 4)
    cue = bytes.fromhex("010000000100000080bb0000646174610000000000000000 80bb0000".replace(" ", ""))
    marks = b"adtl" + bytes.fromhex(
        "6c61626c090000000100000072696e670000"
        "6c7478741400000001000000c05d000072676e200000000000000000".replace(" ", "")
    )
    path = tmp_path / "marks.wav"
    path.write_bytes(
        riff((b"fmt ", MONO_16), (b"junk", b"odd"), (b"data", samples), (b"cue ", cue), (b"LIST", marks))
    )
    assert read_info(path).promised_frames == read_info(path).n_frames == 4
    np.testing.assert_array_equal(whole(path) * 32_768, [1, 2, 3, 4])


def test_the_size_of_a_long_file_is_in_its_ds64_chunk(tmp_path: Path) -> None:
    """RF64 puts 0xFFFFFFFF where WAVE has the size of the samples (EBU Tech 3306, published-checks 12.2)."""
    samples = struct.pack("<8h", *range(8))
    ds64 = struct.pack("<QQQI", 112, len(samples), 8, 0)
    body = b"WAVEds64" + struct.pack("<I", len(ds64)) + ds64 + b"fmt " + struct.pack("<I", 16) + MONO_16
    body += b"data\xff\xff\xff\xff" + samples
    path = tmp_path / "long.wav"
    path.write_bytes(b"RF64\xff\xff\xff\xff" + body)
    info = read_info(path)
    assert (info.n_frames, info.promised_frames, info.container) == (8, 8, "RF64")


@pytest.mark.parametrize("form", [b"RF64", b"BW64"])
def test_samples_beyond_4_gb_are_read(tmp_path: Path, form: bytes) -> None:
    """A file of 2^31 + 1,000 samples of 16 bits, nearly all of it a hole that takes no room on the disk.

    BW64 is the name of the same chunks in ITU-R BS.2088.
    """
    n_frames = (1 << 31) + 1_000
    n_bytes = 2 * n_frames
    ds64 = struct.pack("<QQQI", n_bytes + 72, n_bytes, n_frames, 0)
    head = form + b"\xff\xff\xff\xffWAVEds64" + struct.pack("<I", len(ds64)) + ds64
    head += b"fmt " + struct.pack("<I", 16) + MONO_16 + b"data\xff\xff\xff\xff"
    path = tmp_path / "long.wav"
    with path.open("wb") as stream:
        stream.write(head)
        stream.seek(len(head) + n_bytes - 2 * 500)
        stream.write(struct.pack("<500h", *range(500)))
    if path.stat().st_blocks * 512 > 1 << 20:
        pytest.skip("this file system writes holes out")
    assert path.stat().st_size == len(head) + n_bytes > 1 << 32
    info = read_info(path)
    assert (info.n_frames, info.promised_frames) == (n_frames, n_frames)
    end = np.concatenate(list(read_blocks(path, channel=1, start=n_frames - 600)))
    np.testing.assert_array_equal(end * 32_768, [*([0] * 100), *range(500)])


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_a_sample_that_is_not_finite_is_refused_with_its_time(write_wav: Writer, value: float) -> None:
    samples = np.zeros(40_000)
    samples[24_000] = value
    path = write_wav("bad.wav", samples, 16_000, "FLOAT")
    with pytest.raises(
        FileFault, match=r"bad\.wav: the sample at 1\.500000 s \(frame 24000\) is not a finite"
    ):
        audio_sha256(path, channel=1)


def test_a_channel_that_is_not_read_may_hold_anything(write_wav: Writer) -> None:
    samples = np.zeros((1_000, 2))
    samples[500, 1] = np.nan
    path = write_wav("half.wav", samples, 16_000, "FLOAT")
    assert not whole(path, 1).any()


def test_floats_beyond_full_scale_are_kept(write_wav: Writer) -> None:
    path = write_wav("loud.wav", np.array([0.0, 2.5, -3.0]), 16_000, "FLOAT")
    np.testing.assert_array_equal(whole(path), np.float32([0.0, 2.5, -3.0]))


@pytest.mark.parametrize(
    ("name", "content", "reason"),
    [
        ("text.wav", b"hello, this is no audio\n" * 30, "is not audio that libsndfile reads"),
        ("empty.wav", b"", "is empty"),
        ("head.wav", riff((b"fmt ", MONO_16))[:30], "is not audio that libsndfile reads"),
        ("none.wav", riff((b"fmt ", MONO_16), (b"data", b"")), "holds no samples"),
        ("bare.raw", b"\1\2" * 100, "raw samples without a header"),
    ],
)
def test_what_is_not_audio_is_told_in_one_line(
    tmp_path: Path, name: str, content: bytes, reason: str
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(FileFault, match=reason) as caught:
        read_info(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_folder_and_a_missing_file_are_told(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match="is a folder"):
        read_info(tmp_path)
    with pytest.raises(FileFault, match="no such file"):
        read_info(tmp_path / "gone.wav")


def test_a_file_that_shrinks_while_it_is_read_is_told(write_wav: Writer, noise: np.ndarray) -> None:
    path = write_wav("a.wav", np.tile(noise, 20))
    blocks = read_blocks(path, channel=1, block_frames=1_000)
    next(blocks)
    with path.open("r+b") as stream:
        stream.truncate(100_000)
    with pytest.raises(FileFault, match=r"a\.wav: ends at frame \d+; 600000 were expected"):
        list(blocks)
