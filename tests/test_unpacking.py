"""What `unpack` makes of a pack: verified first, whole or not at all, both makers' labels kept."""

import json
import random
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from evalkit.checking import check_dataset
from evalkit.cli import main
from evalkit.dataset import create_dataset, import_recordings, read_dataset
from evalkit.day import read_day
from evalkit.descriptor import read_descriptor
from evalkit.durable import dataset_lock
from evalkit.errors import Busy, EvalkitError, FileFault
from evalkit.labelling import segments_of, set_reviewed, write_segments
from evalkit.pack_plan import plan_pack
from evalkit.packs import write_pack
from evalkit.recordings import audio_sha256
from evalkit.segments import Role, Segment
from evalkit.spans import ALL_TIME, Span, total_s
from evalkit.unpacking import unpack

from .pack_tools import audio_of, pack_of, small_dataset, take_apart
from .test_dataset import assert_valid_package, contents

Writer = Callable[..., Path]


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    return small_dataset(tmp_path / "bench")


@pytest.fixture
def pack(bench: Path, tmp_path: Path) -> Path:
    return pack_of(bench, tmp_path / "ada.zip")


def files_of(dataset: Path) -> dict[str, str]:
    """Return the hash of every file of a dataset but what .evalkit holds."""
    return {name: digest for name, digest in contents(dataset).items() if not name.startswith(".evalkit/")}


def test_round_trip_gives_the_same_samples_labels_and_properties(
    bench: Path, pack: Path, tmp_path: Path
) -> None:
    unpack(pack, tmp_path / "club")
    before, after = read_dataset(bench), read_dataset(tmp_path / "club")
    assert len(after.recordings) == len(before.recordings) == 2
    for ours, theirs in zip(before.recordings, after.recordings, strict=True):
        assert theirs.audio_sha256 == ours.audio_sha256 == audio_sha256(theirs.path, channel=1)
        samples = [soundfile.read(each.path, dtype="int16")[0] for each in (ours, theirs)]
        assert np.array_equal(*samples)
        for what in ("name", "session", "phone", "segments", "reviewed", "full_scale_v", "sample_rate_hz"):
            assert getattr(theirs, what) == getattr(ours, what), what
        assert ours.maker is None
        assert theirs.maker == "Ada"
    assert_valid_package(tmp_path / "club")
    assert {finding.kind for finding in check_dataset(tmp_path / "club")} <= {"licence", "exposure"}


def test_provenance_is_kept(pack: Path, tmp_path: Path) -> None:
    result = unpack(pack, tmp_path / "club")
    for entry in read_descriptor(tmp_path / "club").entries:
        assert entry.origin is not None
        assert (entry.origin.maker, entry.origin.spdx) == ("Ada", "CC-BY-4.0")
        assert entry.origin.pack_sha512 == result.pack_sha512
    # And survives the next change of the dataset.
    set_reviewed(tmp_path / "club", "bench", [Span(1, 2)])
    assert read_descriptor(tmp_path / "club").entry("bench").maker == "Ada"


def test_a_maker_without_a_name_is_told_apart_by_the_packs_checksum(bench: Path, tmp_path: Path) -> None:
    result = unpack(pack_of(bench, tmp_path / "a.zip", maker=None), tmp_path / "club")
    assert result.maker == f"anonymous-{result.pack_sha512[:8]}"
    assert any("gave no name" in note for note in result.notes)
    assert {each.maker for each in read_dataset(tmp_path / "club").recordings} == {result.maker}


def test_unpacking_twice_changes_nothing(pack: Path, tmp_path: Path) -> None:
    unpack(pack, tmp_path / "club")
    before = files_of(tmp_path / "club")
    result = unpack(pack, tmp_path / "club")
    assert not result.taken
    assert [each.labels_path for each in result.known] == [None, None]
    assert files_of(tmp_path / "club") == before


def test_a_pack_comes_home(bench: Path, pack: Path) -> None:
    before = files_of(bench)
    result = unpack(pack, bench)
    assert [(each.name, each.start_s, each.labels_path) for each in result.known] == [
        ("bench", 0.0, None),
        ("lid", 0.0, None),
    ]
    assert all(
        each.agreement is not None and each.agreement.by_time == pytest.approx(1) for each in result.known
    )
    assert files_of(bench) == before


def test_a_rehearsal_tells_the_same_and_writes_nothing(bench: Path, pack: Path, tmp_path: Path) -> None:
    other = small_dataset(tmp_path / "other", seconds=4.0)
    before = contents(tmp_path)
    for folder in (bench, other, tmp_path / "new"):
        unpack(pack, folder, rehearse=True)
    assert contents(tmp_path) == before
    rehearsed, done = unpack(pack, tmp_path / "new", rehearse=True), unpack(pack, tmp_path / "new")
    assert rehearsed == done


def test_two_people_labelled_the_same_audio(bench: Path, tmp_path: Path) -> None:
    """Both tables stay; the one in use stays in use; they agree as far as a hand count says."""
    theirs = small_dataset(tmp_path / "theirs")
    labels = [
        Segment(0.5, 0.6, "tool", "=cmd|'/C calc'!A0"),
        Segment(1.2, 1.7, "ring"),
        Segment(2.5, 2.6, "tap"),
    ]
    write_segments(theirs, "bench", labels, replacing=segments_of(theirs, "bench"))
    pack = pack_of(theirs, tmp_path / "bea.zip", maker="Bea")
    before = files_of(bench)
    first, second = unpack(pack, bench).known
    assert (first.name, first.labels_path) == ("bench", "labels-of/Bea/bench.csv")
    assert (second.name, second.labels_path) == ("lid", None)
    assert segments_of(bench, "bench") == (Segment(0.5, 0.6, "tap", "mallet"), Segment(1.2, 2.2, "ring"))
    after = files_of(bench)
    assert {name for name in after if after[name] != before.get(name)} == {
        "datapackage.json",
        "labels-of/Bea/bench.csv",
    }
    agreement = first.agreement
    assert agreement is not None
    # By time, 3 s: alike for 1.8 of nothing and 0.5 of ring; ours 1.9 nothing, 0.1 tap, 1.0 ring;
    # theirs 2.3 nothing, 0.1 tool, 0.5 ring, 0.1 tap.
    observed = (1.8 + 0.5) / 3
    expected = (1.9 * 2.3 + 1.0 * 0.5 + 0.1 * 0.1) / 9
    assert agreement.by_time == pytest.approx((observed - expected) / (1 - expected))
    assert (agreement.matched, agreement.renamed) == (2, 1)
    assert (agreement.only_ours, agreement.only_theirs) == (0, 1)
    # By event: (tap, tool), (ring, ring), (nothing, tap).
    assert agreement.by_event == pytest.approx((1 / 3 - 2 / 9) / (1 - 2 / 9))
    resource = next(
        each
        for each in json.loads((bench / "datapackage.json").read_text())["resources"]
        if each["path"] == "labels-of/Bea/bench.csv"
    )
    assert resource["recording"] == "bench"
    assert resource["reviewed"] == [[0.0, 3.0]]
    assert resource["origin"]["maker"] == "Bea"
    assert_valid_package(bench)
    assert check_dataset(bench) == check_dataset(small_dataset(tmp_path / "fresh"))
    # A formula in a stranger's note is text for a spreadsheet too, and as written when it is taken up.
    text = (bench / "labels-of" / "Bea" / "bench.csv").read_text()
    assert "'=cmd" in text
    assert main(["segments", "import", str(bench), "bench", str(bench / "labels-of/Bea/bench.csv")]) == 0
    assert segments_of(bench, "bench")[0].note == "=cmd|'/C calc'!A0"


def test_a_second_opinion_does_not_replace_the_first(bench: Path, tmp_path: Path) -> None:
    theirs = small_dataset(tmp_path / "theirs")
    for number, label in enumerate(("tool", "other"), 1):
        write_segments(theirs, "lid", [Segment(1, 2, label)], replacing=segments_of(theirs, "lid"))
        unpack(pack_of(theirs, tmp_path / f"{number}.zip", maker="Bea"), bench)
    kept = sorted(path.name for path in (bench / "labels-of" / "Bea").iterdir())
    assert kept == ["lid-2.csv", "lid.csv"]
    assert_valid_package(bench)
    before = files_of(bench)
    unpack(tmp_path / "1.zip", bench)
    unpack(tmp_path / "2.zip", bench)
    assert files_of(bench) == before


def test_names_and_sessions_of_others_are_kept_apart(bench: Path, tmp_path: Path) -> None:
    """Another maker's `bench` of the same name is another recording, and another sitting."""
    theirs = small_dataset(tmp_path / "theirs", seconds=4.0)
    result = unpack(pack_of(theirs, tmp_path / "bea.zip", maker="Bea"), bench)
    assert [each.entry.name for each in result.taken] == ["bench (Bea)", "lid (Bea)"]
    assert [each.entry.session for each in result.taken] == ["bench (Bea)", "lid (Bea)"]
    assert sorted(each.name for each in read_dataset(bench).recordings) == [
        "bench",
        "bench (Bea)",
        "lid",
        "lid (Bea)",
    ]
    assert any("is called bench (Bea) here" in note for note in result.notes)


def test_a_session_of_two_makers_is_found(pack: Path, tmp_path: Path, write_wav: Writer) -> None:
    unpack(pack, tmp_path / "club")
    import_recordings(tmp_path / "club", [write_wav("own.wav", np.ones(800) / 9, 8_000)], session="lid")
    findings = [each for each in check_dataset(tmp_path / "club") if each.kind == "session"]
    assert [each.place for each in findings] == ["session lid"]
    assert "Ada and your own" in findings[0].message


@pytest.fixture
def long_bench(tmp_path: Path, write_wav: Writer, rng: np.random.Generator) -> Path:
    """A recording of 120 s, of which 40 to 80 s are reviewed."""
    folder = tmp_path / "long"
    create_dataset(folder, spdx="CC0-1.0")
    path = write_wav("a.wav", 0.1 * rng.standard_normal(120 * 4_000), 4_000)
    import_recordings(folder, [path], session="a", reviewed=[Span(40, 80)])
    write_segments(folder, "a", [Segment(50, 52, "ring"), Segment(84, 99, "tool")], replacing=())
    return folder


def test_a_part_of_what_is_here_is_known(long_bench: Path, tmp_path: Path) -> None:
    pack = pack_of(long_bench, tmp_path / "part.zip")
    assert take_apart(pack).document["resources"][0]["n_frames"] < 70 * 4_000
    before = files_of(long_bench)
    (known,) = unpack(pack, long_bench).known
    # 40 s less warm-up, gap and grace, the default board's hold of 5.96 s and the longest delay
    assert (known.name, known.start_s, known.labels_path) == ("a", 20.0, None)
    assert files_of(long_bench) == before
    # Labelled anew by somebody else, the table is kept in the whole recording's time.
    unpack(pack, tmp_path / "club")
    write_segments(
        tmp_path / "club", "a", [Segment(30, 33, "ring")], replacing=segments_of(tmp_path / "club", "a")
    )
    (known,) = unpack(pack_of(tmp_path / "club", tmp_path / "b.zip", maker="Bea"), long_bench).known
    # Ada's recording, shared on by Bea: it is still Ada's, and so the labels go by her name.
    assert known.labels_path == "labels-of/Ada/a.csv"
    assert "50.000000,53.000000,ring" in (long_bench / "labels-of" / "Ada" / "a.csv").read_text()


def test_overlapping_parts_count_once(long_bench: Path, tmp_path: Path) -> None:
    """Two packs of one recording, made at different times: the time in both is reviewed in the first."""
    first = pack_of(long_bench, tmp_path / "1.zip")
    set_reviewed(long_bench, "a", [Span(60, 110)])
    second = pack_of(long_bench, tmp_path / "2.zip")
    unpack(first, tmp_path / "club")
    result = unpack(second, tmp_path / "club")
    assert [each.twice_s for each in result.taken] == [20.0]
    recordings = read_dataset(tmp_path / "club").recordings
    assert sum(total_s(each.reviewed) for each in recordings) == 40 + 50 - 20
    assert sorted(each.name for each in recordings) == ["a", "a (Ada)"]
    assert any("nothing counts twice" in note for note in result.notes)


def test_a_lie_about_the_source_does_not_hide_audio(long_bench: Path, tmp_path: Path) -> None:
    """A pack may say that its audio was cut from what is here; the samples tell."""
    other = tmp_path / "other"
    create_dataset(other, spdx="CC0-1.0")
    soundfile.write(tmp_path / "b.wav", 0.1 * np.sin(np.arange(40_000) / 5), 4_000)
    import_recordings(other, [tmp_path / "b.wav"], session="b", reviewed=ALL_TIME)
    parts = take_apart(pack_of(other, tmp_path / "b.zip"))
    sha256 = read_descriptor(long_bench).entry("a").audio_sha256
    parts.recording(
        lambda told: told.update(cut_from={"audio_sha256": sha256, "start_frame": 0, "lowpass_hz": None})
    )
    result = unpack(parts.write(tmp_path / "lie.zip"), long_bench)
    assert [each.entry.name for each in result.taken] == ["b"]
    assert not result.known


def test_roles_of_labels_travel(bench: Path, tmp_path: Path) -> None:
    write_segments(
        bench, "lid", [Segment(1, 2, 'phone on "x"'.replace('"', "'"))], replacing=segments_of(bench, "lid")
    )
    (bench / "day.toml").write_text('[roles]\n"phone on \'x\'" = "ignore"\nunused = "target"\n')
    pack = pack_of(bench, tmp_path / "a.zip")
    unpack(pack, tmp_path / "new")
    assert read_day(tmp_path / "new" / "day.toml").role("phone on 'x'") is Role.IGNORE
    other = small_dataset(tmp_path / "other", seconds=4.0)
    notes = unpack(pack, other).notes
    assert any("Ada takes \"phone on 'x'\" for ignore, day.toml here for nuisance" in note for note in notes)


def test_licences_are_told_apart(bench: Path, tmp_path: Path) -> None:
    theirs = small_dataset(tmp_path / "theirs", seconds=4.0, spdx="CC-BY-SA-4.0")
    pack = pack_of(theirs, tmp_path / "bea.zip", maker="Bea")
    assert unpack(pack, bench).licences == ("CC-BY-4.0", "CC-BY-SA-4.0")
    findings = {each.place: each.message for each in check_dataset(bench) if each.kind == "licence"}
    assert findings["your own"] == "2 recordings under CC-BY-4.0"
    assert findings["Bea"] == "2 recordings under CC-BY-SA-4.0"
    assert "all of it may be shared under CC-BY-SA-4.0 (name the makers)" in findings["all together"]


def test_sharing_on_what_came_from_others(bench: Path, tmp_path: Path) -> None:
    """Under their licence and by their name; what has none, or allows no changes, stays at home."""
    for number, spdx in enumerate(("CC-BY-SA-4.0", "CC-BY-ND-4.0", "LicenseRef-mine"), 1):
        theirs = small_dataset(tmp_path / f"theirs{number}", seconds=3.0 + number, spdx=spdx)
        unpack(pack_of(theirs, tmp_path / f"{number}.zip", maker=f"M{number}"), bench)
    plan = plan_pack(read_dataset(bench), maker="Ada")
    assert plan.spdx == "CC-BY-4.0 AND CC-BY-SA-4.0"
    assert {each.name: each.reason for each in plan.kept_back} == {
        "bench (M2)": "came from M2 under CC-BY-ND-4.0, which allows no changes",
        "lid (M2)": "came from M2 under CC-BY-ND-4.0, which allows no changes",
        "bench (M3)": "came from M3 under LicenseRef-mine: ask before sharing it on",
        "lid (M3)": "came from M3 under LicenseRef-mine: ask before sharing it on",
    }
    write_pack(plan, tmp_path / "out.zip")
    unpack(tmp_path / "out.zip", tmp_path / "club")
    makers = {each.name: each.maker for each in read_dataset(tmp_path / "club").recordings}
    assert makers == {"bench": "Ada", "lid": "Ada", "bench (M1)": "M1", "lid (M1)": "M1"}
    assert read_descriptor(tmp_path / "club").entry("bench").origin.spdx == "CC-BY-4.0"  # type: ignore[union-attr]


@pytest.mark.parametrize("member", range(9))
def test_any_byte_changed_in_any_member_is_refused(pack: Path, tmp_path: Path, member: int) -> None:
    """Random bytes of every member, each changed to a random other one, and the manifests left alone."""
    with zipfile.ZipFile(pack) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    assert len(files) == 10, "five tag files, the descriptor, two tables, two recordings"
    chance = random.Random(member)
    for name in (sorted(files)[member], sorted(files)[9]):
        for _ in range(12):
            at = chance.randrange(len(files[name]))
            altered = bytearray(files[name])
            altered[at] ^= chance.randrange(1, 256)
            path = tmp_path / "altered.zip"
            with zipfile.ZipFile(path, "w") as archive:
                for each, content in files.items():
                    archive.writestr(zipfile.ZipInfo(each), bytes(altered) if each == name else content)
            with pytest.raises(FileFault, match=r"altered\.zip"):
                unpack(path, tmp_path / "club")
            assert not (tmp_path / "club").exists()


def test_any_byte_changed_in_the_file_itself_is_refused(pack: Path, tmp_path: Path) -> None:
    """Every byte of the last 2,000 (list of files, end, checksum) and 300 anywhere, whatever they mean."""
    good = pack.read_bytes()
    chance = random.Random(8)
    places = [*range(len(good) - 2_000, len(good)), *(chance.randrange(len(good)) for _ in range(300))]
    path = tmp_path / "altered.zip"
    for at in places:
        altered = bytearray(good)
        altered[at] ^= chance.randrange(1, 256)
        path.write_bytes(altered)
        with pytest.raises(FileFault):
            unpack(path, tmp_path / "club", rehearse=True)


@pytest.mark.parametrize("cut", [1, 21, 22, 250, 1_000, 20_000])
def test_a_pack_that_was_cut_short_or_added_to_is_refused(pack: Path, tmp_path: Path, cut: int) -> None:
    good = pack.read_bytes()
    for broken in (good[:-cut], good + b"\0" * cut, b"\0" * cut + good, good[cut:]):
        pack.write_bytes(broken)
        with pytest.raises(FileFault, match=r"ada\.zip: "):
            unpack(pack, tmp_path / "club")
    assert not (tmp_path / "club").exists()


def test_a_busy_dataset_is_left_alone(bench: Path, tmp_path: Path) -> None:
    pack = pack_of(small_dataset(tmp_path / "theirs", seconds=4.0), tmp_path / "a.zip")
    before = contents(bench)
    with dataset_lock(bench), pytest.raises(Busy, match="being written to by process"):
        unpack(pack, bench)
    assert contents(bench) == before


def test_what_a_killed_program_left_is_taken_up(bench: Path, tmp_path: Path) -> None:
    """Audio and labels of the pack that lie there unlisted are the pack's own, to the last bit."""
    pack = pack_of(small_dataset(tmp_path / "theirs", seconds=4.0), tmp_path / "a.zip")
    descriptor = (bench / "datapackage.json").read_bytes()
    unpack(pack, bench)
    whole = files_of(bench)
    (bench / "datapackage.json").write_bytes(descriptor)
    unpack(pack, bench)
    assert files_of(bench) == whole


def test_a_strangers_file_in_the_way_is_not_written_over(bench: Path, tmp_path: Path) -> None:
    pack = pack_of(small_dataset(tmp_path / "theirs", seconds=4.0), tmp_path / "a.zip")
    (bench / "recordings" / "bench (Ada).flac").write_bytes(b"mine")
    (bench / "labels" / "lid (Ada).csv").write_bytes(b"mine")
    names = [each.entry.name for each in unpack(pack, bench).taken]
    assert names == ["bench (Ada) 2", "lid (Ada) 2"]
    assert (bench / "recordings" / "bench (Ada).flac").read_bytes() == b"mine"
    assert (bench / "labels" / "lid (Ada).csv").read_bytes() == b"mine"


def test_deflated_members_are_read_too(pack: Path, tmp_path: Path) -> None:
    """Another program's zip of the same bag."""
    path = take_apart(pack).write(tmp_path / "other.zip", zipfile.ZIP_DEFLATED)
    assert len(unpack(path, tmp_path / "club").taken) == 2


def test_unknown_properties_of_a_stranger_are_not_taken_over(pack: Path, tmp_path: Path) -> None:
    parts = take_apart(pack)
    parts.edit(lambda document: document.update(evil="x" * 99, contributors=[{"title": "<script>"}]))
    parts.recording(lambda told: told.update(evil="x" * 99))
    unpack(parts.write(tmp_path / "a.zip"), tmp_path / "club")
    text = (tmp_path / "club" / "datapackage.json").read_text()
    assert "evil" not in text
    assert "<script" not in text


def test_where_nothing_can_be_unpacked(pack: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"x")
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine").write_bytes(b"x")
    before = contents(tmp_path)
    for folder, named in (
        (tmp_path / "file", "is not a folder|Not a directory|not a dataset"),
        (tmp_path / "full", "is not a dataset; `evalkit new` makes one"),
        (tmp_path / "file" / "below", "below"),
    ):
        with pytest.raises(EvalkitError, match=named):
            unpack(pack, folder)
    assert contents(tmp_path) == before


def test_the_command_takes_a_pack_without_a_dataset(
    pack: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["unpack", str(pack), "--dry-run"]) == 0
    assert "nothing was written" in capsys.readouterr().err
    assert not (tmp_path / "ada").exists()
    assert main(["unpack", str(pack), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["written"] is True
    assert [each["recording"] for each in document["taken"]] == ["bench", "lid"]
    assert document["licences"]["as_one"] == "CC-BY-4.0"
    assert (tmp_path / "ada" / "datapackage.json").exists()
    assert main(["unpack", str(pack), str(tmp_path / "ada")]) == 0
    captured = capsys.readouterr()
    assert "is here already" in captured.out
    assert "1.000" in captured.out


def test_audio_properties_come_from_the_descriptor(pack: Path) -> None:
    (first, second) = audio_of(take_apart(pack).document)
    assert {first["session"], second["session"]} == {"bench", "lid"}


def test_a_descriptor_with_what_only_escapes_can_write(bench: Path) -> None:
    """Half a surrogate pair in somebody's own property: kept, and written as an escape again."""
    path = bench / "datapackage.json"
    path.write_text(path.read_text().replace('"title"', '"description": "\\ud800", "title"', 1))
    set_reviewed(bench, "bench", [Span(1, 2)])
    assert "\\ud800" in path.read_text()
    path.write_text(path.read_text().replace("8000", "1e999", 1))
    with pytest.raises(FileFault, match="1e999 is more than any number can be"):
        read_descriptor(bench)
