"""What `pack` writes: a valid bag, the same samples and labels, and nothing that was not meant to go out."""

import io
import json
import shutil
import struct
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import bagit
import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from evalkit.cache import CrossingCache
from evalkit.cli import main
from evalkit.clips import Margins, margins_of, shared_clips
from evalkit.crossings import Integrator
from evalkit.dataset import Dataset, Recording, create_dataset, import_recordings, read_dataset
from evalkit.errors import FileFault, WrongUse
from evalkit.labelling import set_reviewed
from evalkit.pack_plan import plan_pack
from evalkit.packs import write_pack
from evalkit.scoring import DetectorName, Sweep, delay_axis, make_detector, sweep
from evalkit.segments import Segment, format_segments
from evalkit.spans import ALL_TIME, Span, intersect_spans, merge_spans, total_s
from evalkit.unpacking import unpack

from .pack_tools import audio_of, pack_of, small_dataset, take_apart
from .test_dataset import assert_valid_package, contents, edit_package

Writer = Callable[..., Path]


def extract(pack: Path, folder: Path) -> Path:
    """Unzip a pack with the standard library and return the bag's folder."""
    with zipfile.ZipFile(pack) as archive:
        assert archive.testzip() is None
        archive.extractall(folder)
    (top,) = folder.iterdir()
    return top


def members_of(pack: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(pack) as archive:
        return {name.partition("/")[2]: archive.read(name) for name in archive.namelist()}


@pytest.fixture
def pack(tmp_path: Path) -> Path:
    return pack_of(small_dataset(tmp_path / "bench"), tmp_path / "out.zip")


def test_the_bag_library_finds_it_valid(pack: Path, tmp_path: Path) -> None:
    """The Library of Congress's own validator, as a library and as its command."""
    top = extract(pack, tmp_path / "bag")
    bag = bagit.Bag(str(top))
    assert bag.validate()
    assert bag.version_info == (1, 0)
    assert bag.algorithms == ["sha512"]
    assert not bag.is_holey() if hasattr(bag, "is_holey") else True
    command = [sys.executable, bagit.__file__, "--validate", "--quiet", str(top)]
    assert subprocess.run(command, check=False, capture_output=True).returncode == 0
    # The check that cannot fail is no check.
    (top / "data" / "labels" / "bench.csv").write_bytes(b"changed")
    assert subprocess.run(command, check=False, capture_output=True).returncode != 0


@pytest.mark.skipif(shutil.which("sha512sum") is None, reason="sha512sum of the GNU core utilities is absent")
def test_manifests_fit_by_a_program_that_knows_no_bags(pack: Path, tmp_path: Path) -> None:
    top = extract(pack, tmp_path / "bag")
    command = ["sha512sum", "--check", "--strict", "manifest-sha512.txt", "tagmanifest-sha512.txt"]
    result = subprocess.run(command, cwd=top, check=False, capture_output=True, text=True)
    assert result.returncode == 0, result.stderr
    listed = {line.split(": ")[0] for line in result.stdout.splitlines()}
    files = {path.relative_to(top).as_posix() for path in top.rglob("*") if path.is_file()}
    assert files - listed == {"tagmanifest-sha512.txt"}


def test_rfc_8493_letter_by_letter(pack: Path) -> None:
    """RFC 8493 (2018), sections 2.1.1 to 2.2.2, as `published-checks.md` 12.4 has them."""
    files = members_of(pack)
    assert files["bagit.txt"] == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    payload = {name: content for name, content in files.items() if name.startswith("data/")}
    listed = [line.split("  ", 1)[1] for line in files["manifest-sha512.txt"].decode().splitlines()]
    assert listed == sorted(payload)
    tags = [line.split("  ", 1)[1] for line in files["tagmanifest-sha512.txt"].decode().splitlines()]
    assert tags == ["README.txt", "bag-info.txt", "bagit.txt", "manifest-sha512.txt"]
    oxum = f"Payload-Oxum: {sum(map(len, payload.values()))}.{len(payload)}"
    assert oxum in files["bag-info.txt"].decode().splitlines()
    with zipfile.ZipFile(pack) as archive:
        assert len({name.partition("/")[0] for name in archive.namelist()}) == 1


def test_the_payload_is_a_data_package(pack: Path, tmp_path: Path) -> None:
    assert_valid_package(extract(pack, tmp_path / "bag") / "data")


def test_the_same_dataset_gives_the_same_bytes(tmp_path: Path) -> None:
    """Wherever it lies, whatever the pack is called, whenever and in what order it was filled."""
    first = small_dataset(tmp_path / "bench")
    shutil.copytree(first, tmp_path / "elsewhere" / "other")
    edit_package(tmp_path / "elsewhere" / "other", lambda package: package["resources"].reverse())
    a = pack_of(first, tmp_path / "a.zip")
    b = pack_of(tmp_path / "elsewhere" / "other", tmp_path / "elsewhere" / "b.zip")
    assert a.read_bytes() == b.read_bytes()
    assert str(tmp_path).encode() not in a.read_bytes()
    assert b"elsewhere" not in b.read_bytes()


def test_a_pack_that_is_there_is_left_alone(tmp_path: Path) -> None:
    dataset = small_dataset(tmp_path / "bench")
    out = pack_of(dataset, tmp_path / "a.zip")
    before = out.stat().st_mtime_ns
    pack_of(dataset, out)
    assert out.stat().st_mtime_ns == before
    with pytest.raises(FileFault, match=r"a\.zip: is there already and holds something else"):
        pack_of(dataset, out, maker="Bea")
    assert out.stat().st_mtime_ns == before
    assert not [path for path in tmp_path.iterdir() if path.name.startswith(".tmp-")]


@pytest.mark.parametrize(
    ("container", "subtype", "rate_hz", "suffix"),
    [
        ("WAV", "PCM_U8", 16_000, ".flac"),
        ("WAV", "PCM_16", 44_100, ".flac"),
        ("WAV", "PCM_24", 48_000, ".flac"),
        ("AIFF", "PCM_24", 22_050, ".flac"),
        ("FLAC", "PCM_16", 16_000, ".flac"),
        ("WAV", "ULAW", 8_000, ".flac"),
        ("WAV", "PCM_32", 48_000, ".wav"),
        ("WAV", "FLOAT", 48_000, ".wav"),
        ("WAV", "DOUBLE", 8_000, ".wav"),
        ("RF64", "PCM_16", 8_000, ".flac"),
        # FLAC's frames have no room for such a rate.
        ("WAV", "PCM_16", 96_001, ".wav"),
        ("OGG", "VORBIS", 44_100, ".wav"),
    ],
)
def test_samples_are_the_same_to_the_last_bit(
    tmp_path: Path, rng: np.random.Generator, container: str, subtype: str, rate_hz: int, suffix: str
) -> None:
    """Read back by libsndfile as the widest whole number, or float, of the source."""
    samples = np.clip(0.4 * rng.standard_normal((2 * rate_hz, 2)), -1, 1)
    source = tmp_path / f"x.{container.lower()}"
    soundfile.write(source, samples, rate_hz, subtype=subtype, format=container)
    dataset = tmp_path / "bench"
    create_dataset(dataset, spdx="CC0-1.0")
    import_recordings(dataset, [source], session="a", channel=2, reviewed=ALL_TIME)
    files = members_of(pack_of(dataset, tmp_path / "out.zip"))
    kind = "float64" if subtype in ("FLOAT", "DOUBLE", "VORBIS") else "int32"
    expected, _ = soundfile.read(source, dtype=kind)
    found, found_rate = soundfile.read(io.BytesIO(files[f"data/recordings/x{suffix}"]), dtype=kind)
    assert found_rate == rate_hz
    assert found.ndim == 1, "the other channel stays at home"
    assert np.array_equal(found, expected[:, 1])


def chunk(name: bytes, body: bytes) -> bytes:
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def test_no_metadata_of_the_originals_goes_out(tmp_path: Path, rng: np.random.Generator) -> None:
    """A WAV with bext, INFO, iXML, ID3 and cue chunks, a FLAC with tags and a picture: byte by byte."""
    secret = b"SECRET-51.4769N-Zoom-H4n-2024-05-01"
    plain = tmp_path / "plain.wav"
    soundfile.write(plain, 0.1 * rng.standard_normal(16_000), 8_000, subtype="PCM_16")
    data = plain.read_bytes()[12:]
    bext = (
        secret.ljust(256, b"\0") + b"originator".ljust(32, b"\0") + b"\0" * 32 + b"2024-05-01" + b"10:32:00"
    )
    extra = chunk(b"bext", bext.ljust(602, b"\0")) + chunk(b"iXML", b"<BWFXML>" + secret + b"</BWFXML>")
    extra += chunk(b"LIST", b"INFO" + chunk(b"ICMT", secret)) + chunk(b"id3 ", b"ID3\3\0\0" + secret)
    cues = struct.pack("<IIIIIII", 1, 1, 100, 0x61746164, 0, 0, 100)
    extra += chunk(b"cue ", cues) + chunk(b"LIST", b"adtl" + chunk(b"labl", struct.pack("<I", 1) + secret))
    body = b"WAVE" + extra + data + extra
    wav = tmp_path / "a.wav"
    wav.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    flac = tmp_path / "b.flac"
    with soundfile.SoundFile(flac, "w", 8_000, 1, subtype="PCM_24", format="FLAC") as file:
        file.write(0.1 * rng.standard_normal(16_000))
    flac_bytes = flac.read_bytes()
    comment = struct.pack("<I", 4) + b"none" + struct.pack("<II", 1, 9 + len(secret)) + b"LOCATION=" + secret
    picture = struct.pack(">II", 3, 9) + b"image/png" + struct.pack(">I", 0) + b"\0" * 16
    picture += struct.pack(">I", 8 + len(secret)) + b"\x89PNG\r\n\x1a\n" + secret
    application = b"riff" + secret
    blocks = b"".join(
        bytes([kind]) + len(block).to_bytes(3, "big") + block
        for kind, block in ((4, comment), (6, picture), (2, application))
    )
    # Behind the stream information, which libsndfile has marked as not the last block.
    flac.write_bytes(flac_bytes[:42] + blocks + flac_bytes[42:])
    assert secret in wav.read_bytes()
    assert secret in flac.read_bytes()
    dataset = tmp_path / "bench"
    create_dataset(dataset, spdx="CC0-1.0")
    import_recordings(dataset, [wav, flac], session="a", reviewed=ALL_TIME)
    out = pack_of(dataset, tmp_path / "out.zip", maker=None)
    packed = out.read_bytes()
    for trace in (
        secret,
        b"SECRET",
        b"Zoom",
        b"2024",
        b"bext",
        b"iXML",
        b"ICMT",
        b"LOCATION",
        b"PNG",
        b"libFLAC",
    ):
        assert trace not in packed, trace
    files = members_of(out)
    for name in ("a", "b"):
        encoded = files[f"data/recordings/{name}.flac"]
        # One metadata block, the stream information, and it is the last.
        assert encoded[:8] == b"fLaC\x80\0\0\x22"


def recording(
    duration_s: float, reviewed: list[Span], segments: list[Segment], rate_hz: int = 8_000
) -> Recording:
    return Recording(
        name="bench",
        path=Path("bench.wav"),
        session="a",
        phone="",
        channel=1,
        sample_rate_hz=rate_hz,
        n_frames=round(duration_s * rate_hz),
        full_scale_v=1.0,
        input_ohms=None,
        reviewed=tuple(reviewed),
        audio_sha256="0" * 64,
        segments=tuple(sorted(segments)),
    )


MARGINS = Margins(before_s=10.0, after_s=6.0)


def test_reviewed_time_goes_out_with_its_margins() -> None:
    segments = [
        Segment(45.5, 46, "tap"),
        Segment(70, 90, "ring"),
        Segment(20, 30, "tool"),
        Segment(5, 6, "tap"),
    ]
    (clip,) = shared_clips(recording(200, [Span(40.25, 80)], segments), MARGINS)
    assert (clip.start_s, clip.start, clip.stop) == (30, 240_000, 86 * 8_000)
    assert clip.reviewed == (Span(10.25, 50),)
    # The ring is cut off where the clip ends, the tool lies before its start, to the microsecond.
    assert clip.segments == (Segment(15.5, 16, "tap"), Segment(40, 56, "ring"))
    assert clip.name == "bench"


def test_at_the_recordings_own_ends_there_is_no_margin() -> None:
    (clip,) = shared_clips(recording(50, [Span(0, 50)], []), MARGINS)
    assert (clip.start, clip.stop, clip.reviewed) == (0, 400_000, (Span(0, 50),))


def test_several_spans_become_several_recordings() -> None:
    clips = shared_clips(recording(300, [Span(50, 60), Span(65, 70), Span(200, 210)], []), MARGINS)
    assert [(clip.name, clip.start_s, clip.stop / 8_000) for clip in clips] == [
        ("bench-1", 40, 76.0),
        ("bench-2", 190, 216.0),
    ]
    assert clips[0].reviewed == (Span(10, 20), Span(25, 30))


def test_what_is_left_out_takes_its_neighbourhood_with_it() -> None:
    """A call there may have begun before, or go on, and the warm-up would lie in it."""
    clips = shared_clips(recording(200, [Span(0, 200)], []), MARGINS, left_out=[Span(99.5, 100.3)])
    assert [(clip.start_s, clip.stop / 8_000) for clip in clips] == [(0, 99.5), (101, 200.0)]
    assert [clip.reviewed for clip in clips] == [(Span(0, 93.5),), (Span(10, 99),)]
    assert shared_clips(recording(200, [Span(0, 200)], []), MARGINS, left_out=ALL_TIME) == ()
    # Too little is left between the two.
    middle = shared_clips(recording(200, [Span(80, 95)], []), MARGINS, left_out=[Span(0, 78), Span(93, 200)])
    assert middle == ()


@st.composite
def _times(draw: st.DrawFn, most: int = 4) -> list[Span]:
    cuts = draw(st.lists(st.integers(0, 3_000), max_size=2 * most, unique=True).map(sorted))
    return [Span(a / 10, b / 10) for a, b in zip(cuts[::2], cuts[1::2])]


@settings(derandomize=True, deadline=None, max_examples=300)
@given(reviewed=_times(), left_out=_times(3))
def test_of_any_reviewed_and_left_out_time(reviewed: list[Span], left_out: list[Span]) -> None:
    """Not a sample of what is left out goes out; all reviewed time far enough from it does, once."""
    duration_s, rate_hz = 300.0, 10
    clips = shared_clips(recording(duration_s, reviewed, [], rate_hz), MARGINS, left_out=left_out)
    previous = 0
    shared: list[Span] = []
    for clip in clips:
        assert previous <= clip.start < clip.stop <= duration_s * rate_hz
        previous = clip.stop
        extent = Span(clip.start / rate_hz, clip.stop / rate_hz)
        assert total_s(intersect_spans([extent], left_out)) == 0
        assert clip.start == clip.start_s * rate_hz
        for span in clip.reviewed:
            # A margin on either side, or the recording's own end.
            assert clip.start == 0 or span.start_s >= MARGINS.before_s - 1e-9
            assert clip.stop == duration_s * rate_hz or clip.n_frames / rate_hz - span.end_s >= 6 - 1e-9
            shared.append(Span(span.start_s + clip.start_s, span.end_s + clip.start_s))
    assert total_s(shared) == pytest.approx(total_s(intersect_spans(shared, reviewed)))
    # One second more than the margins, for the whole second that a clip begins on.
    near = merge_spans(Span(max(0, span.start_s - 6), span.end_s + 11) for span in left_out)
    clear = intersect_spans(reviewed, [Span(0, duration_s)])
    for span in clear:
        if total_s(intersect_spans([span], near)) == 0:
            assert total_s(intersect_spans([span], shared)) == pytest.approx(span.end_s - span.start_s)


@pytest.fixture
def long_dataset(tmp_path: Path, write_wav: Writer, rng: np.random.Generator) -> Path:
    """Two minutes and a half with calls and taps everywhere, of which two spans are reviewed."""
    rate_hz, seconds = 8_000, 150
    time_s = np.arange(seconds * rate_hz) / rate_hz
    samples = 2e-4 * rng.standard_normal(len(time_s))
    segments = []
    for number, start_s in enumerate(np.arange(3.0, 140.0, 9.7)):
        end_s = start_s + 2.1
        amplitude = (0.02, 0.005, 0.1)[number % 3]
        on = (time_s >= start_s) & (time_s < end_s)
        samples += on * amplitude * np.sin(2 * np.pi * 175 * time_s)
        segments.append(Segment(start_s, end_s, "ring" if number % 2 else "tool"))
        tap_s = start_s + 5.0
        samples += (time_s >= tap_s) * 0.3 * np.exp(-(time_s - tap_s).clip(0) / 0.02) * np.sin(2500 * time_s)
        segments.append(Segment(tap_s, tap_s + 0.1, "tap"))
    table = tmp_path / "long.csv"
    table.write_text(format_segments(segments), encoding="utf-8")
    folder = tmp_path / "workshop"
    create_dataset(folder, spdx="CC0-1.0")
    path = write_wav("long.wav", samples.clip(-1, 1), rate_hz)
    import_recordings(folder, [path], session="a", full_scale_v=1.0, input_ohms=1e6, labels=table)
    set_reviewed(folder, "long", [Span(30.3, 62.7), Span(110.0, 150.0)])
    return folder


def swept(dataset: Dataset) -> Sweep:
    detector = make_detector(DetectorName.CIRCUIT, dataset)
    return sweep(
        dataset,
        detector,
        delay_s=delay_axis(),
        integrator=Integrator.of_board(dataset.board),
        warmup_s=dataset.board.warmup_s,
        cache=CrossingCache(dataset.folder),
    )


def test_scores_of_what_is_shared_do_not_change(long_dataset: Path, tmp_path: Path) -> None:
    """Every setting of the plane: each call's fate, every false alarm, events and hours.

    Something happens every 5 s here, so a few settings out of thousands may differ: those at which
    the gate, or an alert, was on since before the shared time and is kept on by what alone would
    not have switched it on. No margin is long enough for that.
    """
    unpack(pack_of(long_dataset, tmp_path / "out.zip"), tmp_path / "club")
    ours, theirs = read_dataset(long_dataset), read_dataset(tmp_path / "club")
    assert len(theirs.recordings) == 2
    assert sum(each.n_frames for each in theirs.recordings) < ours.recordings[0].n_frames
    (a,), b = swept(ours).tallies, sorted(swept(theirs).tallies, key=lambda tally: tally.recording)
    assert [call.cut for call in a.calls] == [call.cut for tally in b for call in tally.calls]
    assert {call.cut for call in a.calls} == {True, False}
    alarms, status = sum(tally.alarms for tally in b), np.concatenate([tally.status for tally in b])
    assert a.alarms.sum() > 1_000
    assert (a.status == 1).sum() > 1_000
    assert np.mean(a.alarms != alarms) < 1e-3
    assert np.mean(a.status != status) < 1e-3
    assert np.array_equal(a.events, sum(tally.events for tally in b))
    assert np.allclose(a.hours, sum(tally.hours for tally in b), rtol=1e-12)
    same = a.status == status
    response_s = np.concatenate([tally.response_s for tally in b])
    assert np.allclose(a.response_s[same], response_s[same], atol=2e-3)


def test_margins_hold_warm_up_grace_gap_hold_and_longest_delay(tiny_dataset: Path) -> None:
    dataset = read_dataset(tiny_dataset)
    margins = margins_of(dataset.day, dataset.board)
    assert margins.after_s == dataset.day.grace_s + dataset.day.call_gap_s
    assert margins.before_s == pytest.approx(dataset.board.warmup_s + 6.0 + dataset.board.hold_s + 6.0)


def test_what_lies_above_the_edge_is_taken_out(tmp_path: Path, write_wav: Writer) -> None:
    rate_hz = 16_000
    time_s = np.arange(4 * rate_hz) / rate_hz
    low, high = np.sin(2 * np.pi * 150 * time_s), np.sin(2 * np.pi * 500 * time_s)
    dataset = tmp_path / "bench"
    create_dataset(dataset, spdx="CC0-1.0")
    import_recordings(
        dataset,
        [write_wav("a.wav", 0.4 * low + 0.4 * high, subtype="PCM_24")],
        session="a",
        reviewed=ALL_TIME,
    )
    out = tmp_path / "out.zip"
    write_pack(plan_pack(read_dataset(dataset), lowpass_hz=300.0), out)
    files = members_of(out)
    samples, _ = soundfile.read(io.BytesIO(files["data/recordings/a.flac"]))
    middle = slice(rate_hz, 3 * rate_hz)
    spectrum = 2 * np.abs(np.fft.rfft(samples[middle])) / (2 * rate_hz)
    assert spectrum[300] == pytest.approx(0.4, rel=2e-4)
    assert spectrum[1_000] < 0.4e-4
    # Moved by no sample: where nothing is filtered, the samples are the low tone's own.
    assert np.abs(samples[middle] - 0.4 * low[middle]).max() < 1e-4
    document = json.loads(files["data/datapackage.json"])
    assert document["pack"]["lowpass_hz"] == 300.0
    assert audio_of(document)[0]["cut_from"]["lowpass_hz"] == 300.0
    with pytest.raises(WrongUse, match="low-pass filter's 9000 Hz is not between 0 and half"):
        plan_pack(read_dataset(dataset), lowpass_hz=9_000.0)


def test_without_a_licence_or_reviewed_time_nothing_goes_out(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match=r'has no licence.*"spdx": "CC0-1.0"'):
        plan_pack(read_dataset(small_dataset(tmp_path / "a", spdx=None)))
    bench = small_dataset(tmp_path / "b")
    for name in ("bench", "lid"):
        set_reviewed(bench, name, [])
    with pytest.raises(FileFault, match="nothing of it can be shared: bench has no reviewed time"):
        plan_pack(read_dataset(bench))
    create_dataset(tmp_path / "c", spdx="CC0-1.0")
    with pytest.raises(FileFault, match="nothing of it can be shared: it has no recordings"):
        plan_pack(read_dataset(tmp_path / "c"))


def test_names_that_a_bag_cannot_hold_are_changed(tmp_path: Path, write_wav: Writer) -> None:
    dataset = tmp_path / "bench"
    create_dataset(dataset, spdx="CC0-1.0")
    files = [
        write_wav(f"{name}.wav", 0.1 * np.sin(np.arange(800) * k), 8_000)
        for k, name in enumerate(("50% load", "50_ load", "e\u0301t\u00e9", "x" * 95), 1)
    ]
    import_recordings(dataset, files, session="a", reviewed=ALL_TIME)
    out = pack_of(dataset, tmp_path / "out.zip")
    names = sorted(take_apart(out).payload)
    assert [name for name in names if name.startswith("recordings/")] == [
        "recordings/50_ load-2.flac",
        "recordings/50_ load.flac",
        f"recordings/{'x' * 88}.flac",
        "recordings/\u00e9t\u00e9.flac",
    ]
    bagit.Bag(str(extract(out, tmp_path / "bag"))).validate()
    assert len(unpack(out, tmp_path / "club").taken) == 4


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    status = main([str(argument) for argument in arguments])
    captured = capsys.readouterr()
    return status, captured.out, captured.err


def test_dry_run_shows_everything_and_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    dataset = small_dataset(tmp_path / "bench")
    before = contents(tmp_path)
    status, out, err = run(
        capsys, "pack", dataset, tmp_path / "a.zip", "--dry-run", "--maker", "Ada", "--leave-out", "lid"
    )
    assert status == 0
    assert "Goes out, by Ada, under CC-BY-4.0" in out
    assert "mallet" in out
    assert "lid" in out.split("Stays at home")[1]
    assert "record speech" in err
    assert contents(tmp_path) == before
    status, out, _ = run(capsys, "pack", dataset, tmp_path / "a.zip", "--dry-run", "--json")
    document = json.loads(out)
    assert document["pack"] is None
    assert document["sha512"] is None
    assert [each["name"] for each in document["shared"]] == ["bench", "lid"]
    assert document["shared"][0]["notes"] == ["mallet"]


def test_speech_like_stretches_are_listed_in_the_recordings_own_time(
    tmp_path: Path, write_wav: Writer, rng: np.random.Generator, capsys: pytest.CaptureFixture[str]
) -> None:
    """A band of noise that swings 5 times a second stands for speech (real speech: test_speech.py)."""
    rate_hz = 16_000
    time_s = np.arange(90 * rate_hz) / rate_hz
    swing = (1 + np.sin(2 * np.pi * 5 * time_s)) * ((time_s >= 40) & (time_s < 44))
    samples = 0.05 * swing * rng.standard_normal(len(time_s)) + 1e-3 * rng.standard_normal(len(time_s))
    dataset = tmp_path / "bench"
    create_dataset(dataset, spdx="CC0-1.0")
    import_recordings(dataset, [write_wav("a.wav", samples)], session="a", reviewed=[Span(35, 90)])
    status, out, _ = run(capsys, "pack", dataset, tmp_path / "a.zip", "--json", "--dry-run")
    (stretch,) = json.loads(out)["shared"][0]["speech_like"]
    assert stretch["start_s"] == pytest.approx(40, abs=2.0)
    assert stretch["end_s"] == pytest.approx(44, abs=2.0)
    leave = f"a:{stretch['start_s']:.1f}-{stretch['end_s'] + 0.1:.1f}"
    status, out, _ = run(capsys, "pack", dataset, tmp_path / "a.zip", "--json", "--leave-out", leave)
    assert status == 0
    assert [each["speech_like"] for each in json.loads(out)["shared"]] == [[]]
    status, out, _ = run(capsys, "pack", dataset, tmp_path / "b.zip", "--json", "--lowpass", "250")
    assert [each["speech_like"] for each in json.loads(out)["shared"]] == [[]]


@pytest.mark.parametrize(("answer", "status"), [("n", 1), ("y", 0)])
def test_a_person_at_a_terminal_is_asked(
    tmp_path: Path,
    write_wav: Writer,
    rng: np.random.Generator,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    answer: str,
    status: int,
) -> None:
    time_s = np.arange(8 * 16_000) / 16_000
    samples = 0.05 * (1 + np.sin(2 * np.pi * 5 * time_s)) * rng.standard_normal(len(time_s))
    dataset = tmp_path / "bench"
    create_dataset(dataset, spdx="CC0-1.0")
    import_recordings(dataset, [write_wav("a.wav", samples)], session="a", reviewed=ALL_TIME)
    terminal = io.StringIO(f"{answer}\n")
    terminal.isatty = lambda: True  # type: ignore[method-assign]
    monkeypatch.setattr(sys, "stdin", terminal)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    found, _, err = run(capsys, "pack", dataset, tmp_path / "a.zip")
    assert found == status
    assert "Have you listened to these 1 stretches" in err
    assert (tmp_path / "a.zip").exists() is (status == 0)


def test_audio_that_is_not_what_was_imported_stays_at_home(tmp_path: Path) -> None:
    """Its labels may be another recording's; the same audio in another file is as good."""
    bench = small_dataset(tmp_path / "bench")
    path = bench / "recordings" / "lid.wav"
    samples, rate_hz = soundfile.read(path, dtype="int16")
    soundfile.write(path, samples, rate_hz, subtype="PCM_24")
    assert len(plan_pack(read_dataset(bench)).shared) == 2
    soundfile.write(path, samples[::-1], rate_hz, subtype="PCM_16")
    with pytest.raises(FileFault, match=r"lid\.wav: holds other audio than was imported"):
        plan_pack(read_dataset(bench))
    assert len(plan_pack(read_dataset(bench), left_out={"lid": ALL_TIME}).shared) == 1


def test_what_is_left_out_must_be_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    dataset = small_dataset(tmp_path / "bench")
    for arguments, named in (
        (["--leave-out", "bensh:0-1"], "no recording 'bensh'; did you mean 'bench'"),
        (["--leave-out", "bench:1-0"], "1-0 is no span"),
        (["--leave-out", "bench:soon"], "'soon' is not all, none or START-END"),
        (["--maker", "a/b"], "the maker's name 'a/b' holds /"),
        (["--lowpass", "5k"], "low-pass filter's 5000 Hz"),
    ):
        status, out, err = run(capsys, "pack", dataset, tmp_path / "a.zip", *arguments)
        assert (status, out) == (2, "")
        assert named in err
    assert not (tmp_path / "a.zip").exists()


def test_where_no_pack_can_be_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    dataset = small_dataset(tmp_path / "bench")
    (tmp_path / "file").write_bytes(b"")
    for out, named in (
        (tmp_path / "no" / "a.zip", "cannot be written: No such file"),
        (tmp_path / "bench", "cannot be written: it is a folder"),
        (tmp_path / "file" / "a.zip", "cannot be written: Not a directory"),
    ):
        status, _, err = run(capsys, "pack", dataset, out)
        assert status == 1
        assert named in err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bench", "file", "incoming-bench"]


def test_large_members_and_many_bytes_are_told_in_64_bits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stands for a pack of over 4 GiB: the library takes its limit from this constant."""
    monkeypatch.setattr(zipfile, "ZIP64_LIMIT", 1_000)
    out = pack_of(small_dataset(tmp_path / "bench"), tmp_path / "a.zip")
    assert b"PK\x06\x06" in out.read_bytes()
    assert len(unpack(out, tmp_path / "club").taken) == 2


def test_long_float_audio_becomes_rf64(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stands for a WAV of over 4 GiB (EBU Tech 3306): libsndfile must read what is written."""
    import evalkit.lossless

    monkeypatch.setattr(evalkit.lossless, "_LARGEST_RIFF", 1_000)
    source = tmp_path / "a.wav"
    samples = np.linspace(-0.5, 0.5, 4_001).astype(np.float32)
    soundfile.write(source, samples, 8_000, subtype="FLOAT")
    with (tmp_path / "out.wav").open("w+b") as target:
        evalkit.lossless.encode_part(source, target, channel=1, start=0, stop=4_001)
    info = soundfile.info(tmp_path / "out.wav")
    assert (info.format, info.subtype, info.frames) == ("RF64", "FLOAT", 4_001)
    assert np.array_equal(soundfile.read(tmp_path / "out.wav", dtype="float32")[0], samples)


def test_the_readme_is_for_a_person(pack: Path) -> None:
    text = members_of(pack)["README.txt"].decode()
    assert "Maker: Ada" in text
    assert "CC-BY-4.0" in text
    assert "bench.flac: session bench, 3.000 s at 8000 Hz, 2 segments" in text
    assert "Pickups can hear speech" in text


def test_the_pack_tells_its_form(pack: Path) -> None:
    document: dict[str, Any] = take_apart(pack).document
    assert document["pack"]["format"] == 1
    assert document["pack"]["maker"] == "Ada"
    assert document["spdx"] == "CC-BY-4.0"
