"""Faults of recordings and their places."""

import itertools
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evalkit.faults import Fault, FaultKind, _Runs, find_faults

Writer = Callable[..., Path]
RATE_HZ = 8_000


@pytest.fixture
def sound(rng: np.random.Generator) -> np.ndarray:
    """Half a minute of noise without any fault."""
    return 0.05 * rng.standard_normal(30 * RATE_HZ)


def faults_of(path: Path, kind: FaultKind | None = None) -> list[Fault]:
    return [fault for fault in find_faults(path, channel=1) if kind in (None, fault.kind)]


def test_a_good_recording_has_no_fault(write_wav: Writer, sound: np.ndarray) -> None:
    assert faults_of(write_wav("good.wav", sound, RATE_HZ)) == []


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_U8", "PCM_24", "FLOAT", "ULAW"])
def test_clipping_is_found_in_every_encoding(write_wav: Writer, sound: np.ndarray, subtype: str) -> None:
    # Across the end of the window of ten seconds, with both signs.
    at = 10 * RATE_HZ - 3
    sound[at : at + 8] = 1.0
    sound[at + 4_000 : at + 4_005] = -1.0
    path = write_wav("clipped.wav", sound, RATE_HZ, subtype)
    (fault,) = faults_of(path, FaultKind.CLIPPING)
    assert (fault.start_s, fault.end_s) == (at / RATE_HZ, (at + 4_005) / RATE_HZ)
    assert fault.message.startswith("13 samples at full scale, up to 1 ms on end")


def test_one_or_two_samples_at_full_scale_are_a_peak(write_wav: Writer, sound: np.ndarray) -> None:
    sound[1_000:1_002] = 1.0
    assert faults_of(write_wav("peak.wav", sound, RATE_HZ)) == []


def test_places_far_apart_are_told_apart_and_many_are_counted(write_wav: Writer) -> None:
    seconds = 130
    samples = 0.05 * np.sin(np.arange(seconds * RATE_HZ))
    for second in range(0, seconds, 2):
        samples[second * RATE_HZ + 10 : second * RATE_HZ + 20] = 1.0
    found = faults_of(write_wav("often.wav", samples, RATE_HZ), FaultKind.CLIPPING)
    assert len(found) == 51
    assert found[1].start_s == 2 + 10 / RATE_HZ
    assert found[-1].message == "15 more places like these"
    assert found[-1].end_s == 128 + 20 / RATE_HZ


def test_an_offset_is_found_where_it_is(write_wav: Writer, sound: np.ndarray) -> None:
    sound[10 * RATE_HZ : 20 * RATE_HZ] += 0.031
    (fault,) = faults_of(write_wav("offset.wav", sound, RATE_HZ))
    assert (fault.kind, fault.start_s, fault.end_s) == (FaultKind.DC_OFFSET, 10.0, 20.0)
    assert fault.message.startswith("the mean is +3.1% ")


def test_a_dropout_is_found_to_the_sample(write_wav: Writer, sound: np.ndarray) -> None:
    # 25 ms across the end of a window.
    at = 20 * RATE_HZ - 150
    sound[at : at + 200] = 0.0123
    (fault,) = faults_of(write_wav("dropout.wav", sound, RATE_HZ))
    assert (fault.kind, fault.start_s, fault.end_s) == (FaultKind.DROPOUT, at / RATE_HZ, (at + 200) / RATE_HZ)
    assert "25 ms" in fault.message


@pytest.mark.parametrize(("samples", "found"), [(79, False), (80, True)])
def test_ten_milliseconds_make_a_dropout(
    write_wav: Writer, sound: np.ndarray, samples: int, found: bool
) -> None:
    sound[999], sound[1_000 + samples] = 0.5, 0.5
    sound[1_000 : 1_000 + samples] = 0.0
    assert bool(faults_of(write_wav("edge.wav", sound, RATE_HZ), FaultKind.DROPOUT)) is found


def test_silence_to_the_end_is_found(write_wav: Writer, sound: np.ndarray) -> None:
    sound[-12 * RATE_HZ :] = 0.0
    (fault,) = faults_of(write_wav("silence.wav", sound, RATE_HZ))
    assert (fault.kind, fault.start_s, fault.end_s) == (FaultKind.SILENCE, 18.0, 30.0)
    assert "12.0 s" in fault.message


def test_nothing_plugged_in_is_told_once(write_wav: Writer, rng: np.random.Generator) -> None:
    samples = 2e-5 * rng.standard_normal(25 * RATE_HZ)
    found = faults_of(write_wav("quiet.wav", samples, RATE_HZ), FaultKind.SILENCE)
    assert [(fault.start_s, fault.end_s) for fault in found] == [(0.0, 25.0)]
    assert "is the pickup connected" in found[0].message


@pytest.mark.parametrize(("mains_hz", "rate_hz"), [(50, 8_000), (60, 8_000), (50, 44_100), (60, 48_000)])
def test_hum_stands_over_the_floor_by_the_textbook_figure(
    write_wav: Writer, rng: np.random.Generator, mains_hz: int, rate_hz: int
) -> None:
    """A line of amplitude A in white noise of deviation s, seen through a Hann window of n samples.

    The line gives (A/2)^2 (sum w)^2, the noise s^2 sum w^2, and (sum w)^2 / sum w^2 = n / 1.5 (equivalent
    noise bandwidth of the Hann window 1.5 bins: F. J. Harris, Proc. IEEE 66(1), 1978, table 1; from memory).
    """
    amplitude, deviation, n = 0.004, 0.03, 4 * rate_hz
    time_s = np.arange(20 * rate_hz) / rate_hz
    samples = deviation * rng.standard_normal(len(time_s)) + amplitude * np.sin(2 * np.pi * mains_hz * time_s)
    (fault,) = faults_of(write_wav("hum.wav", samples, rate_hz))
    expected_db = 10 * math.log10((amplitude / 2) ** 2 * n / 1.5 / deviation**2)
    assert fault.kind is FaultKind.HUM
    assert (fault.start_s, fault.end_s) == (0.0, 20.0)
    assert fault.message.startswith(f"mains hum of {mains_hz} Hz in 2 of 2 windows")
    told_db = float(fault.message.split(f"{mains_hz} Hz ")[-1].split()[0])
    assert told_db == pytest.approx(expected_db, abs=1.5)


def test_hum_has_a_place(write_wav: Writer, sound: np.ndarray) -> None:
    part = slice(10 * RATE_HZ, 20 * RATE_HZ)
    sound[part] += 0.02 * np.sin(2 * np.pi * 100 * np.arange(10 * RATE_HZ) / RATE_HZ)
    sound[part] += 0.02 * np.sin(2 * np.pi * 200 * np.arange(10 * RATE_HZ) / RATE_HZ)
    (fault,) = faults_of(write_wav("part.wav", sound, RATE_HZ))
    assert (fault.kind, fault.start_s, fault.end_s) == (FaultKind.HUM, 10.0, 20.0)
    assert "100 Hz" in fault.message
    assert "200 Hz" in fault.message


@pytest.mark.parametrize("frequency_hz", [100, 150, 175, 180, 240])
def test_a_phone_is_no_hum(write_wav: Writer, sound: np.ndarray, frequency_hz: int) -> None:
    sound += 0.3 * np.sin(2 * np.pi * frequency_hz * np.arange(len(sound)) / RATE_HZ)
    assert faults_of(write_wav("phone.wav", sound, RATE_HZ)) == []


def test_a_low_rate_and_a_short_file_are_told(write_wav: Writer, rng: np.random.Generator) -> None:
    path = write_wav("low.wav", 0.1 * rng.standard_normal(3_999), 3_999)
    (fault,) = faults_of(path)
    assert (fault.kind, fault.start_s, fault.end_s) == (FaultKind.LOW_RATE, 0.0, 1.0)
    assert faults_of(write_wav("fine.wav", 0.1 * rng.standard_normal(4_000), 4_000)) == []


def test_a_file_cut_short_is_told(write_wav: Writer, sound: np.ndarray) -> None:
    path = write_wav("cut.wav", sound, RATE_HZ)
    path.write_bytes(path.read_bytes()[: 44 + 2 * 12 * RATE_HZ])
    (fault,) = faults_of(path)
    assert (fault.kind, fault.start_s, fault.end_s) == (FaultKind.TRUNCATED, 12.0, 12.0)
    assert "promises 30.000 s, the file holds 12.000 s" in fault.message


def test_a_single_sample_is_examined(write_wav: Writer) -> None:
    assert [fault.kind for fault in faults_of(write_wav("one.wav", [0.25], RATE_HZ))] == [
        FaultKind.DC_OFFSET,
        FaultKind.SILENCE,
    ]


@settings(derandomize=True, deadline=None)
@given(
    mask=st.lists(st.booleans(), min_size=1, max_size=60),
    cuts=st.lists(st.integers(1, 59), max_size=8),
    shortest=st.integers(1, 5),
)
def test_runs_are_found_however_the_mask_is_cut(mask: list[bool], cuts: list[int], shortest: int) -> None:
    runs = _Runs(shortest)
    edges = sorted({0, len(mask), *(cut for cut in cuts if cut < len(mask))})
    found = []
    for start, stop in itertools.pairwise(edges):
        found += runs.feed(np.array(mask[start:stop]), start)
    found += runs.close(len(mask))
    expected, position = [], 0
    for value, group in itertools.groupby(mask):
        length = len(list(group))
        if value and length >= shortest:
            expected.append((position, position + length))
        position += length
    assert found == expected
