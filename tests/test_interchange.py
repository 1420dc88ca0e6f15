"""Labels to and from other programs' files: WAV cue points, WebVTT, label tables.

Layouts: IBM and Microsoft, Multimedia Programming Interface and Data Specifications 1.0, 1991, chapter 2
(RIFF, cue points, associated data), seen second hand; W3C, WebVTT: The Web Video Text Tracks Format,
section "WebVTT file structure". Independent readers: libsndfile's own reader of cue points, webvtt-py, and
(slow tier) the WebVTT parser of a web browser.
"""

import http.server
import json
import shutil
import struct
import subprocess
import threading
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
import webvtt
from hypothesis import given, settings
from hypothesis import strategies as st

from evalkit.cli import main
from evalkit.errors import FileFault, WrongUse
from evalkit.interchange import read_labels_file, write_labels_file
from evalkit.labelling import segments_of
from evalkit.marks import Mark, in_ticks, take_marks
from evalkit.segments import Segment
from evalkit.wave_cues import cue_chunks, read_cues, write_with_cues
from evalkit.webvtt import format_webvtt, parse_webvtt

RATE_HZ = 16_000
VTT = Path("labels.vtt")
SEGMENTS = (
    Segment(0.5, 1.25, "ring", "first & <last>", "shop"),
    Segment(1.0, 1.1, "tap"),
    Segment(1.25, 2.0, "ring", 'a "quoted" note --> here', "old"),
    Segment(3.0000625, 3.5, "größer", "日本"),
)

# Published layout, assembled by hand: one cue "1" at frame 48,000, label "ring", region of 24,000 frames.
CUE_CHUNK = bytes.fromhex("637565201c0000000100000001000000 80bb0000 64617461 00000000 00000000 80bb0000")
LIST_CHUNK = bytes.fromhex(
    "4c495354 32000000 6164746c"
    "6c61626c 09000000 01000000 72696e67 0000"
    "6c747874 14000000 01000000 c05d0000 72676e20 00000000 00000000"
)


def wave(path: Path, seconds: float = 4.0, rate_hz: int = RATE_HZ, **how: Any) -> Path:
    noise = np.random.default_rng(1).uniform(-0.5, 0.5, round(seconds * rate_hz))
    soundfile.write(path, noise, rate_hz, **{"subtype": "PCM_16", **how})
    return path


def riff(*chunks: bytes) -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def cues_by_libsndfile(path: Path) -> list[tuple[int, str]]:
    """Return (sample, label) of each cue point as libsndfile reads them (SFC_GET_CUE, sndfile.h)."""
    ffi, lib = soundfile._ffi, soundfile._snd
    with soundfile.SoundFile(path) as file:
        count = ffi.new("uint32_t *")
        lib.sf_command(file._file, 0x10CD, count, 4)
        # SF_CUES: a count and 100 points of six 32-bit words and a name of 256 bytes.
        size = 4 + 100 * (24 + 256)
        buffer = ffi.new("char[]", size)
        assert lib.sf_command(file._file, 0x10CE, buffer, size) == 1
        data = bytes(ffi.buffer(buffer, size))
    found = []
    for k in range(struct.unpack("<I", data[:4])[0]):
        point = data[4 + k * 280 : 4 + (k + 1) * 280]
        sample = struct.unpack("<6I", point[:24])[5]
        found.append((sample, point[24:].partition(b"\0")[0].decode()))
    assert len(found) == count[0]
    return found


class TestCuePoints:
    """Segments in a WAV file."""

    def test_published_layout(self) -> None:
        chunks = cue_chunks([Segment(1.0, 1.5, "ring")], sample_rate_hz=48_000, n_frames=96_000)
        assert chunks == CUE_CHUNK + LIST_CHUNK

    def test_published_layout_is_read_and_the_audio_stays_whole(self, tmp_path: Path) -> None:
        path = wave(tmp_path / "a.wav", 2.0, 48_000)
        data = path.read_bytes() + CUE_CHUNK + LIST_CHUNK
        path.write_bytes(data[:4] + struct.pack("<I", len(data) - 8) + data[8:])
        assert read_cues(path) == (Mark(1.0, 1.5, "ring"),)
        assert soundfile.info(path).frames == 96_000
        assert cues_by_libsndfile(path) == [(48_000, "ring")]

    def test_there_and_back(self, tmp_path: Path) -> None:
        source, target = wave(tmp_path / "a.wav"), tmp_path / "b.wav"
        write_labels_file(target, SEGMENTS, audio=source, n_frames=4 * RATE_HZ, sample_rate_hz=RATE_HZ)
        taken = read_labels_file(target, n_frames=4 * RATE_HZ, sample_rate_hz=RATE_HZ)
        assert taken.remarks == ()
        assert taken.segments == SEGMENTS
        assert np.array_equal(soundfile.read(target)[0], soundfile.read(source)[0])
        labels = [(round(each.start_s * RATE_HZ), each.label) for each in SEGMENTS]
        assert cues_by_libsndfile(target) == labels

    def test_old_marks_are_replaced_and_all_else_is_kept(self, tmp_path: Path) -> None:
        source, first, second = wave(tmp_path / "a.wav"), tmp_path / "b.wav", tmp_path / "c.wav"
        data = source.read_bytes() + b"LIST" + struct.pack("<I", 16) + b"INFOINAM\x04\0\0\0abc\0"
        source.write_bytes(data[:4] + struct.pack("<I", len(data) - 8) + data[8:])
        write_with_cues(source, first, SEGMENTS)
        write_with_cues(first, second, SEGMENTS[:1])
        assert len(read_cues(second)) == 1
        assert second.read_bytes().count(b"INFOINAM") == 1
        assert struct.unpack("<I", second.read_bytes()[4:8])[0] == second.stat().st_size - 8
        write_with_cues(second, first, ())
        with pytest.raises(FileFault, match=r"b\.wav: has no cue points"):
            read_cues(first)
        assert first.read_bytes() == source.read_bytes()

    @pytest.mark.parametrize(
        ("name", "how"),
        [
            ("a.flac", {"subtype": "PCM_24"}),
            ("a.aiff", {"subtype": "PCM_16"}),
            ("a.rf64", {"format": "RF64"}),
            ("a.wav", {"subtype": "FLOAT"}),
            ("a.wav", {"format": "WAVEX", "subtype": "PCM_24"}),
            ("a.w64", {"subtype": "PCM_U8"}),
        ],
    )
    def test_other_containers_are_copied_sample_for_sample(
        self, tmp_path: Path, name: str, how: dict[str, str]
    ) -> None:
        source, target = wave(tmp_path / name, **how), tmp_path / "out.wav"
        write_with_cues(source, target, SEGMENTS)
        assert np.array_equal(soundfile.read(target)[0], soundfile.read(source)[0])
        assert soundfile.info(target).subtype == soundfile.info(source).subtype
        assert len(read_cues(target)) == len(SEGMENTS)
        assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []

    def test_what_cannot_be_written(self, tmp_path: Path) -> None:
        source = wave(tmp_path / "a.wav")
        link = tmp_path / "link.wav"
        link.hardlink_to(source)
        before = source.read_bytes()
        for target in (source, link):
            with pytest.raises(FileFault, match="is the recording itself, which is never altered"):
                write_with_cues(source, target, SEGMENTS)
        assert source.read_bytes() == before
        ogg = wave(tmp_path / "a.ogg", format="OGG", subtype="VORBIS")
        with pytest.raises(FileFault, match="holds VORBIS samples, which WAV cannot hold as they are"):
            write_with_cues(ogg, tmp_path / "out.wav", SEGMENTS)
        with pytest.raises(FileFault, match=r"out\.wav: cannot be written"):
            write_with_cues(source, tmp_path / "no" / "out.wav", SEGMENTS)
        with pytest.raises(FileFault, match="beyond sample 4294967295"):
            cue_chunks([Segment(90_000, 90_001, "x")], sample_rate_hz=48_000, n_frames=5_000_000_000)
        assert sorted(path.name for path in tmp_path.iterdir()) == ["a.ogg", "a.wav", "link.wav"]

    def test_reading_is_tolerant(self, tmp_path: Path) -> None:
        data = b"data" + struct.pack("<I", 2 * RATE_HZ) + bytes(2 * RATE_HZ)
        head = b"fmt " + struct.pack("<IHHIIHH", 16, 1, 1, RATE_HZ, 2 * RATE_HZ, 2, 16)
        points = [(7, 100, 0), (3, 0, 200), (9, 0, 300), (9, 0, 999)]
        # More points are announced than are there; one is given twice; one by its position alone.
        cue = struct.pack("<I", 9) + b"".join(
            struct.pack("<II4sIII", name, position, b"data", 0, 0, sample)
            for name, position, sample in points
        )
        notes = b"adtl" + b"".join(
            (
                b"labl" + struct.pack("<II", 8, 7) + b"t\xe4p\0",
                b"odd!" + struct.pack("<I", 3) + b"abc\0",
                b"ltxt" + struct.pack("<IIIIII", 25, 3, 50, 0, 0, 0) + b"tool\0" + b"\0",
                b"labl" + struct.pack("<II", 7, 77) + b"no" + b"\0\0",
                b"labl" + struct.pack("<II", 10, 9) + b"third\0",
            )
        )
        chunks = (
            b"junk" + struct.pack("<I", 3) + b"abc\0",
            b"cue " + struct.pack("<I", len(cue)) + cue,
            b"LIST" + struct.pack("<I", len(notes)) + notes,
        )
        path = tmp_path / "a.wav"
        path.write_bytes(riff(head, data, *chunks))
        assert read_cues(path) == (
            Mark(100 / RATE_HZ, None, "täp"),
            Mark(200 / RATE_HZ, 250 / RATE_HZ, "tool"),
            Mark(300 / RATE_HZ, None, "third"),
        )
        path.write_bytes(riff(head, data, *chunks)[:-30])
        assert len(read_cues(path)) == 3

    def test_not_a_wave_file(self, tmp_path: Path) -> None:
        path = wave(tmp_path / "a.flac").rename(tmp_path / "b.wav")
        with pytest.raises(FileFault, match="is not a WAV file; only those carry cue points"):
            read_cues(path)


class TestWebVtt:
    """Segments as text tracks."""

    def test_there_and_back(self) -> None:
        text = format_webvtt(SEGMENTS, last_ms=4000)
        marks = parse_webvtt(text, path=VTT)
        taken = take_marks(marks, duration_s=4.0, tick_s=1e-3)
        assert taken.remarks == ()
        # 3.0000625 s is between two milliseconds.
        assert taken.segments == (*SEGMENTS[:3], Segment(3.0, 3.5, "größer", "日本"))

    def test_rules_of_the_format(self) -> None:
        text = format_webvtt([*SEGMENTS, Segment(100_000, 100_001.5, "tool")], last_ms=200_000_000)
        blocks = text.split("\n\n")
        assert blocks[0] == "WEBVTT"
        assert text.endswith("\n")
        identifiers, starts = [], []
        for block in blocks[1:]:
            identifier, timing, *payload = block.rstrip("\n").split("\n")
            identifiers.append(identifier)
            start, end = timing.split(" --> ")
            starts.append(start)
            assert start < end
            assert all("-->" not in line and line for line in payload)
        assert len(set(identifiers)) == len(identifiers)
        assert starts == sorted(starts)
        assert starts[-1] == "27:46:40.000"
        assert "<v shop>ring</v>\nfirst &amp; &lt;last&gt;" in text

    def test_an_independent_reader_finds_the_same(self, tmp_path: Path) -> None:
        path = tmp_path / "a.vtt"
        plain = (Segment(0.5, 1.25, "ring", "first", "shop"), Segment(1.0, 1.1, "tap"))
        path.write_text(format_webvtt(plain, last_ms=4000), encoding="utf-8")
        captions = list(webvtt.read(path))
        assert [(c.start, c.end) for c in captions] == [
            ("00:00:00.500", "00:00:01.250"),
            ("00:00:01.000", "00:00:01.100"),
        ]
        assert [c.voice for c in captions] == ["shop", None]
        assert [c.text for c in captions] == ["ring\nfirst", "tap"]

    def test_reading_is_tolerant(self) -> None:
        text = (
            "\ufeffWEBVTT - a comment\r\nKind: x\r\n\r\nNOTE\r\nnot --> this\r\n\r\nSTYLE\r\n::cue{}\r\n\r\n"
            "00:01,5 --> 00:02.25  align:left\r\n<b>ring</b> <i>loud</i>\r\nsecond\r\nthird\r\n\r\n\r\n"
            "an id\r\n1:00:00.000-->1:00:00.000\r\n<v.x Old &amp; Co>tap &amp; tool\r\n\r\n"
            "no times here\r\n\r\n00:05.000 --> 00:06.000"
        )
        assert parse_webvtt(text, path=VTT) == (
            Mark(1.5, 2.25, "ring loud", "second third"),
            Mark(3600.0, 3600.0, "tap & tool", "", "Old & Co"),
            Mark(5.0, 6.0, ""),
        )

    @pytest.mark.parametrize(
        ("text", "reason"),
        [
            ("", "does not begin with WEBVTT"),
            ("WEBVTTx\n\n", "does not begin with WEBVTT"),
            ("1\n00:00:01,000 --> 00:00:02,000\nsubrip\n", "does not begin with WEBVTT"),
            ("WEBVTT\n\n00:01 --> 00:02\nx\n", "line 3: '00:01 --> 00:02' has no two times"),
            ("WEBVTT\n\nid\n00:61.000 --> 02:00.000\nx\n", "line 4: .* has no two times"),
            ("WEBVTT\n\n --> 1\n\n1 --> \n", "2 cues cannot be read, so nothing was"),
        ],
    )
    def test_what_cannot_be_read_is_told(self, text: str, reason: str) -> None:
        with pytest.raises(FileFault, match=reason):
            parse_webvtt(text, path=VTT)


class TestMarks:
    """Another program's marks become segments, and what was changed is said."""

    def test_each_mend_is_told(self) -> None:
        taken = take_marks(
            [
                Mark(1.0, None, "tap"),
                Mark(2.0, 3.0, ""),
                Mark(4.0, 99.0, "ring"),
                Mark(50.0, 51.0, "ring"),
                Mark(5.0, 6.0, "saw/drill", "bench"),
                Mark(5.0, 6.0, "NUL"),
                Mark(7.0, 8.0, "tool", "two\nlines"),
                Mark(7.5, 9.0, "tool", "more", "shop"),
            ],
            duration_s=10.0,
            tick_s=1e-3,
        )
        assert taken.segments == (
            Segment(1.0, 1.001, "tap"),
            Segment(2.0, 3.0, "other"),
            Segment(4.0, 10.0, "ring"),
            Segment(5.0, 6.0, "other", "NUL"),
            Segment(5.0, 6.0, "saw-drill", "saw/drill; bench"),
            Segment(7.0, 9.0, "tool", "two lines; more", "shop"),
        )
        assert taken.remarks == (
            "1 marks without length were made 1 ms long",
            "1 marks begin after the recording's end and were left out",
            "1 marks pass the recording's end and were cut there",
            "1 marks name no label and were called other",
            "3 labels or notes held characters that labels cannot hold and were mended",
            "1 marks overlap another of their label and were joined with it",
        )

    def test_a_rounded_end_is_no_fault(self) -> None:
        taken = take_marks([Mark(1.0, 2.0, "ring")], duration_s=1.9996, tick_s=1e-3)
        assert taken.segments == (Segment(1.0, 1.9996, "ring"),)
        assert taken.remarks == ()

    def test_too_close_for_the_format(self) -> None:
        near = [Segment(1.0, 1.0001, "tap"), Segment(1.0002, 1.0003, "tap"), Segment(1.0004, 1.0005, "tap")]
        with pytest.raises(FileFault, match=r"tap 1\.000400-1\.000500 and .* in steps of 1 ms"):
            in_ticks(near, 1_000, last=4000)


labels = st.sampled_from(("ring", "tap", "größer", "a b", "x&y;"))
notes = st.text(
    st.characters(exclude_categories=("Cc", "Cf", "Cs", "Zl", "Zp"), exclude_characters="\u00a0"), max_size=12
)


@st.composite
def tables(draw: st.DrawFn, tick: int) -> tuple[Segment, ...]:
    """Labels whose times are whole ticks, no two of one label in one tick."""
    found: dict[str, list[Segment]] = {}
    for _ in range(draw(st.integers(0, 8))):
        label = draw(labels)
        own = found.setdefault(label, [])
        start = round(own[-1].end_s * tick) + draw(st.integers(0, 500)) if own else draw(st.integers(0, 900))
        end = start + draw(st.integers(1, 400))
        own.append(
            Segment(
                start / tick, end / tick, label, draw(notes), draw(st.sampled_from(("", "shop", "A & B")))
            )
        )
    return tuple(sorted(each for own in found.values() for each in own))


@settings(derandomize=True, deadline=None, max_examples=150)
@given(tables(1_000))
def test_webvtt_brings_back_what_it_was_given(table: tuple[Segment, ...]) -> None:
    text = format_webvtt(table, last_ms=60_000)
    assert take_marks(parse_webvtt(text, path=VTT), duration_s=60.0, tick_s=1e-3).segments == table


@settings(derandomize=True, deadline=None, max_examples=60)
@given(tables(RATE_HZ))
def test_cue_points_bring_back_what_they_were_given(
    tmp_path_factory: pytest.TempPathFactory, table: tuple[Segment, ...]
) -> None:
    folder = tmp_path_factory.getbasetemp() / "cues"
    folder.mkdir(exist_ok=True)
    source = folder / "a.wav"
    if not source.exists():
        wave(source)
    if not table:
        return
    write_with_cues(source, folder / "b.wav", table)
    taken = take_marks(read_cues(folder / "b.wav"), duration_s=4.0, tick_s=1 / RATE_HZ)
    assert (taken.segments, taken.remarks) == (table, ())


class TestCommands:
    """`segments import` and `segments export` go by the file's name."""

    @pytest.mark.parametrize("name", ["out.vtt", "out.wav", "out.csv"])
    def test_out_and_in_again(self, tiny_dataset: Path, tmp_path: Path, name: str) -> None:
        before = segments_of(tiny_dataset, "monday")
        file = tmp_path / name
        assert main(["segments", "export", str(tiny_dataset), "monday", str(file)]) == 0
        assert main(["segments", "import", str(tiny_dataset), "tuesday", str(file)]) == 0
        assert segments_of(tiny_dataset, "tuesday") == before

    def test_remarks_and_refusals_are_told(
        self, tiny_dataset: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        file = tmp_path / "marks.vtt"
        file.write_text("WEBVTT\n\n00:01.000 --> 00:01.000\n\n")
        assert main(["segments", "import", str(tiny_dataset), "monday", str(file)]) == 0
        assert "marks.vtt: 1 marks without length were made 1 ms long" in capsys.readouterr().err
        assert segments_of(tiny_dataset, "monday") == (Segment(1, 1.001, "other"),)
        assert main(["segments", "export", str(tiny_dataset), "monday", str(file)]) == 1
        assert "is there already and holds something else" in capsys.readouterr().err
        assert main(["segments", "export", str(tiny_dataset), "monday", str(tmp_path / "a.txt")]) == 2
        assert "must end in .csv, .vtt or .wav" in capsys.readouterr().err
        own = str(tiny_dataset / "recordings" / "monday.wav")
        assert main(["segments", "export", str(tiny_dataset), "monday", own, "--replace"]) == 1
        assert "is the recording itself" in capsys.readouterr().err

    def test_a_name_without_a_known_ending(self, tmp_path: Path) -> None:
        with pytest.raises(WrongUse, match="must end in"):
            write_labels_file(tmp_path / "x", (), audio=tmp_path, n_frames=1, sample_rate_hz=1)


PAGE = """<video><track id=t kind=metadata src=labels.vtt default></video><pre id=out></pre><script>
const t = document.getElementById('t'); t.track.mode = 'hidden';
t.onload = () => {
  const plain = c => c.getCueAsHTML().textContent;
  document.getElementById('out').textContent =
    JSON.stringify([...t.track.cues].map(c => [c.id, c.startTime, c.endTime, plain(c), c.text]));
  document.title = 'done';
};
</script>"""


@pytest.mark.slow
def test_a_browser_reads_the_same(tmp_path: Path, make_server: Callable[[Path], str]) -> None:
    """The WebVTT parser of a web browser is the format's own."""
    if shutil.which("chromium") is None:
        pytest.skip("needs the Debian package chromium")
    (tmp_path / "labels.vtt").write_text(format_webvtt(SEGMENTS, last_ms=4000), encoding="utf-8")
    (tmp_path / "page.html").write_text(PAGE, encoding="utf-8")
    command = ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--virtual-time-budget=10000"]
    page = subprocess.run(
        [*command, "--dump-dom", make_server(tmp_path) + "/page.html"],
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    ).stdout
    import html

    cues = json.loads(html.unescape(page.partition('<pre id="out">')[2].partition("</pre>")[0]))
    assert [(c[0], c[1], c[2]) for c in cues] == [
        ("1", 0.5, 1.25),
        ("2", 1.0, 1.1),
        ("3", 1.25, 2.0),
        ("4", 3.0, 3.5),
    ]
    assert [c[3] for c in cues] == [
        "ring\nfirst & <last>",
        "tap",
        'ring\na "quoted" note --> here',
        "größer\n日本",
    ]
    assert cues[0][4].startswith("<v shop>ring</v>")


@pytest.fixture
def make_server() -> Any:
    """Serve a folder on this machine alone."""
    servers = []

    def serve(folder: Path) -> str:
        class Quiet(http.server.SimpleHTTPRequestHandler):
            def log_message(self, *_: Any) -> None: ...

        server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), partial(Quiet, directory=str(folder)))
        threading.Thread(target=server.serve_forever, daemon=True).start()
        servers.append(server)
        return f"http://127.0.0.1:{server.server_address[1]}"

    yield serve
    for server in servers:
        server.shutdown()
        server.server_close()
