"""A dataset on disk: made, filled, read, and never half of anything."""

import hashlib
import json
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

import evalkit.dataset
from evalkit.dataset import (
    create_dataset,
    dataset_sha256,
    import_recordings,
    read_dataset,
)
from evalkit.day import read_day
from evalkit.descriptor import read_descriptor
from evalkit.errors import FileFault, WrongUse
from evalkit.labelling import set_reviewed, write_segments
from evalkit.recordings import audio_sha256
from evalkit.segments import Call, Segment
from evalkit.spans import ALL_TIME, Span

Writer = Callable[..., Path]


def contents(folder: Path) -> dict[str, str]:
    """Return the hash of every file below a folder."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def assert_valid_package(folder: Path) -> None:
    """Ask the reference library of the Data Package standard."""
    with warnings.catch_warnings():
        # Its dependencies' deprecations are not ours.
        warnings.simplefilter("ignore")
        import frictionless

        report = frictionless.validate(str(folder / "datapackage.json"))
    assert report.valid, report.flatten(["place", "type", "message"])


def edit_package(folder: Path, change: Callable[[dict], object]) -> None:
    path = folder / "datapackage.json"
    package = json.loads(path.read_text(encoding="utf-8"))
    change(package)
    path.write_text(json.dumps(package), encoding="utf-8")


class TestNew:
    """An empty dataset."""

    def test_has_board_day_and_licence(self, tmp_path: Path) -> None:
        folder = tmp_path / "Bike Co-op"
        create_dataset(folder, spdx="cc-by-4.0")
        dataset = read_dataset(folder)
        assert (dataset.title, dataset.spdx, dataset.recordings) == ("Bike Co-op", "CC-BY-4.0", ())
        assert dataset.day == read_day(folder / "day.toml")
        package = json.loads((folder / "datapackage.json").read_text())
        assert package["name"] == "bike-co-op"
        assert package["licenses"][0]["name"] == "CC-BY-4.0"
        assert_valid_package(folder)

    def test_a_licence_that_the_open_definition_does_not_list_has_its_identifier_only(
        self, tmp_path: Path
    ) -> None:
        create_dataset(tmp_path / "a", spdx="CERN-OHL-S-2.0")
        package = json.loads((tmp_path / "a" / "datapackage.json").read_text())
        assert package["spdx"] == "CERN-OHL-S-2.0"
        assert "licenses" not in package

    def test_an_empty_folder_is_taken(self, tmp_path: Path) -> None:
        (tmp_path / "a").mkdir()
        create_dataset(tmp_path / "a")
        assert read_dataset(tmp_path / "a").spdx is None

    @pytest.mark.parametrize("failing", ["write_bytes", "write_descriptor"])
    def test_half_a_dataset_is_not_left(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: str
    ) -> None:
        def fail(*_: object) -> None:
            raise FileFault("the disk is full")

        monkeypatch.setattr(evalkit.dataset, failing, fail)
        with pytest.raises(FileFault, match="the disk is full"):
            create_dataset(tmp_path / "a")
        monkeypatch.undo()
        assert list((tmp_path / "a").iterdir()) == []
        create_dataset(tmp_path / "a")

    def test_an_occupied_folder_is_not(self, tmp_path: Path) -> None:
        (tmp_path / "notes.txt").write_text("mine")
        with pytest.raises(FileFault, match="is not empty"):
            create_dataset(tmp_path)
        create_dataset(tmp_path / "a")
        before = contents(tmp_path)
        with pytest.raises(FileFault, match="is a dataset already"):
            create_dataset(tmp_path / "a")
        assert contents(tmp_path) == before


class TestImport:
    """All files or none."""

    def test_originals_are_copied_byte_for_byte(self, tiny_dataset: Path, tmp_path: Path) -> None:
        for name in ("monday", "tuesday"):
            original = (tmp_path / "incoming" / f"{name}.wav").read_bytes()
            assert (tiny_dataset / "recordings" / f"{name}.wav").read_bytes() == original
        assert_valid_package(tiny_dataset)

    def test_what_is_read_is_what_was_imported(self, tiny_dataset: Path) -> None:
        recording = read_dataset(tiny_dataset).recording("tuesday")
        path = tiny_dataset / "recordings" / "tuesday.wav"
        assert (recording.session, recording.phone, recording.channel) == ("tuesday", "slab", 1)
        assert (recording.full_scale_v, recording.input_ohms) == (1.0, 1e6)
        assert (recording.sample_rate_hz, recording.n_frames, recording.duration_s) == (16_000, 192_000, 12.0)
        assert recording.reviewed == (Span(0, 12),)
        assert recording.audio_sha256 == audio_sha256(path, channel=1)
        assert recording.segments == (Segment(3, 3.05, "tap"), Segment(6, 8, "ring", "call 1"))

    def test_order_is_that_of_the_audio_not_of_names(self, tiny_dataset: Path) -> None:
        recordings = read_dataset(tiny_dataset).recordings
        hashes = [recording.audio_sha256 for recording in recordings]
        assert hashes == sorted(hashes)

    def test_any_container_and_channel(
        self, tiny_dataset: Path, write_wav: Writer, rng: np.random.Generator
    ) -> None:
        stereo = 0.1 * rng.standard_normal((8_000, 2))
        path = write_wav("both.FLAC", stereo, container="FLAC")
        with pytest.raises(WrongUse, match=r"both\.FLAC: has 2 channels; pick one with --channel"):
            import_recordings(tiny_dataset, [path], session="x")
        (recording,) = import_recordings(tiny_dataset, [path], session="x", channel=2)
        assert recording.path.name == "both.FLAC"
        assert read_dataset(tiny_dataset).recording("both").audio_sha256 == audio_sha256(path, channel=2)
        assert_valid_package(tiny_dataset)

    def test_a_folder_of_labels(
        self, tiny_dataset: Path, write_wav: Writer, rng: np.random.Generator
    ) -> None:
        files = [write_wav(f"new/{name}.wav", rng.standard_normal(8_000) / 9) for name in ("one", "two")]
        labels = files[0].parent
        (labels / "one.csv").write_text("start_s,end_s,label,note,phone\n0.1,0.2,ring,,brick\n")
        with pytest.raises(FileFault, match=r"new/two\.csv: no such file"):
            import_recordings(tiny_dataset, files, session="x", labels=labels)
        (labels / "two.csv").write_text("start_s,end_s,label,note\n")
        recordings = import_recordings(
            tiny_dataset, files, session="x", labels=labels, reviewed=(Span(0.05, 0.4),)
        )
        assert [len(recording.segments) for recording in recordings] == [1, 0]
        assert [recording.reviewed for recording in recordings] == [(Span(0.05, 0.4),)] * 2
        assert_valid_package(tiny_dataset)

    def test_one_table_for_several_files_is_refused(
        self, tiny_dataset: Path, tmp_path: Path, write_wav: Writer
    ) -> None:
        files = [write_wav(f"{name}.wav", np.arange(100) / 200) for name in ("one", "two")]
        (tmp_path / "t.csv").write_text("start_s,end_s,label,note\n")
        with pytest.raises(WrongUse, match="one label table for 2 files"):
            import_recordings(tiny_dataset, files, session="x", labels=tmp_path / "t.csv")

    @pytest.mark.parametrize("container", ["WAV", "FLAC", "AIFF"])
    def test_the_same_audio_is_refused_naming_the_other(
        self, tiny_dataset: Path, tmp_path: Path, container: str
    ) -> None:
        samples, rate_hz = soundfile.read(tiny_dataset / "recordings" / "monday.wav", dtype="int16")
        path = tmp_path / f"renamed.{container.lower()}"
        soundfile.write(path, samples, rate_hz, format=container)
        with pytest.raises(
            FileFault, match=r"renamed\..*: the same audio as monday \(recordings/monday\.wav\)"
        ):
            import_recordings(tiny_dataset, [path], session="x")

    def test_the_same_audio_twice_at_once_is_refused(self, tiny_dataset: Path, write_wav: Writer) -> None:
        files = [write_wav(f"{name}.wav", np.arange(100) / 200) for name in ("one", "two")]
        with pytest.raises(FileFault, match=r"two\.wav: the same audio as one"):
            import_recordings(tiny_dataset, files, session="x")

    @pytest.mark.parametrize("name", ["monday.flac", "Monday.wav", "MONDAY.aiff"])
    def test_a_name_is_taken_whatever_its_case(
        self, tiny_dataset: Path, write_wav: Writer, name: str
    ) -> None:
        path = write_wav(f"other/{name}", np.arange(100) / 200)
        with pytest.raises(FileFault, match="a recording named monday is there already"):
            import_recordings(tiny_dataset, [path], session="x")

    def test_one_bad_file_keeps_all_out_and_all_faults_are_told(
        self, tiny_dataset: Path, tmp_path: Path, write_wav: Writer
    ) -> None:
        good = write_wav("good.wav", np.arange(100) / 200)
        (tmp_path / "text.wav").write_text("no audio")
        bad = write_wav("bad.wav", np.array([0, np.nan]), subtype="FLOAT")
        before = contents(tiny_dataset)
        with pytest.raises(FileFault, match="nothing was imported; 2 files cannot be taken") as caught:
            import_recordings(tiny_dataset, [good, tmp_path / "text.wav", bad], session="x")
        assert ["text.wav" in caught.value.details[0], "bad.wav" in caught.value.details[1]] == [True, True]
        assert contents(tiny_dataset) == before

    @pytest.mark.parametrize("step", ["copy_file", "move_file", "write_bytes", "write_descriptor"])
    @pytest.mark.parametrize("nth", [1, 2])
    def test_whatever_fails_on_the_way_leaves_the_dataset_as_it_was(
        self, tiny_dataset: Path, write_wav: Writer, monkeypatch: pytest.MonkeyPatch, step: str, nth: int
    ) -> None:
        files = [write_wav(f"{name}.wav", np.arange(n) / 200) for name, n in (("one", 100), ("two", 99))]
        before = contents(tiny_dataset)
        real = getattr(evalkit.dataset, step)
        calls = []

        def fail_at_nth(*arguments: object, **told: object) -> None:
            calls.append(arguments)
            if len(calls) == nth or step == "write_descriptor":
                raise FileFault("the disk is full")
            real(*arguments, **told)

        monkeypatch.setattr(evalkit.dataset, step, fail_at_nth)
        with pytest.raises(FileFault, match="the disk is full"):
            import_recordings(tiny_dataset, files, session="x")
        assert contents(tiny_dataset) == before
        monkeypatch.undo()
        assert len(import_recordings(tiny_dataset, files, session="x")) == 2

    def test_what_a_crash_left_is_taken_in_by_the_next_try(
        self, tiny_dataset: Path, tmp_path: Path, write_wav: Writer
    ) -> None:
        """A program that dies before datapackage.json is written leaves files that are not listed."""
        path = write_wav("one.wav", np.arange(100) / 200)
        (tiny_dataset / "recordings" / "one.wav").write_bytes(path.read_bytes())
        (tiny_dataset / "labels" / "one.csv").write_text("start_s,end_s,label,note\n")
        assert [each.name for each in read_dataset(tiny_dataset).recordings].count("one") == 0
        import_recordings(tiny_dataset, [path], session="x")
        assert read_dataset(tiny_dataset).recording("one").n_frames == 100

    def test_a_file_put_into_the_folder_by_hand_is_adopted(
        self, tiny_dataset: Path, write_wav: Writer
    ) -> None:
        path = write_wav("bench/recordings/mine.wav", np.arange(100) / 200)
        before = path.read_bytes()
        import_recordings(tiny_dataset, [path], session="x")
        assert path.read_bytes() == before
        assert read_dataset(tiny_dataset).recording("mine").path == path

    def test_files_that_nobody_listed_are_not_overwritten(
        self, tiny_dataset: Path, write_wav: Writer
    ) -> None:
        path = write_wav("one.wav", np.arange(100) / 200)
        stray = tiny_dataset / "recordings" / "one.wav"
        stray.write_bytes(b"somebody's")
        with pytest.raises(FileFault, match=r"recordings/one\.wav: another file is there"):
            import_recordings(tiny_dataset, [path], session="x")
        assert stray.read_bytes() == b"somebody's"
        stray.unlink()
        (tiny_dataset / "labels" / "one.csv").write_text("start_s,end_s,label,note\n0.001,0.002,ring,\n")
        with pytest.raises(
            FileFault, match=r"labels/one\.csv: labels are there that the dataset does not list"
        ):
            import_recordings(tiny_dataset, [path], session="x")
        (recording,) = import_recordings(
            tiny_dataset, [path], session="x", labels=tiny_dataset / "labels" / "one.csv"
        )
        assert recording.segments == (Segment(0.001, 0.002, "ring"),)

    def test_all_of_a_length_that_no_table_can_write(self, tiny_dataset: Path, write_wav: Writer) -> None:
        path = write_wav("odd.wav", np.arange(10_000) % 100 / 200, 44_100)
        import_recordings(tiny_dataset, [path], session="x", reviewed=ALL_TIME)
        recording = read_dataset(tiny_dataset).recording("odd")
        assert recording.reviewed == (Span(0.0, recording.duration_s),)


class TestRead:
    """What was edited by hand or damaged is told with its place."""

    def test_what_evalkit_does_not_know_is_kept(self, tiny_dataset: Path) -> None:
        def change(package: dict) -> None:
            package["description"] = "Bench by the window"
            package["contributors"] = [{"title": "A. Maker"}]
            package["resources"].append({"name": "photo", "path": "photo.jpg"})
            package["resources"][2]["microphone"] = "disc"

        edit_package(tiny_dataset, change)
        (tiny_dataset / "photo.jpg").write_bytes(b"jpg")
        set_reviewed(tiny_dataset, "monday", (Span(0, 1),))
        package = json.loads((tiny_dataset / "datapackage.json").read_text())
        assert package["description"] == "Bench by the window"
        assert package["contributors"] == [{"title": "A. Maker"}]
        by_name = {resource["name"]: resource for resource in package["resources"]}
        assert by_name["photo"] == {"name": "photo", "path": "photo.jpg"}
        assert by_name["recording-monday"]["microphone"] == "disc"
        assert by_name["recording-monday"]["reviewed"] == [[0.0, 1.0]]

    def test_resource_names_stay_apart_where_names_do_not_fit_the_standard(
        self, tmp_path: Path, write_wav: Writer
    ) -> None:
        create_dataset(tmp_path / "a")
        files = [
            write_wav(f"{name}.wav", np.arange(n) / 200)
            for name, n in (("Ä 1", 100), ("a-1", 99), ("鐘", 98))
        ]
        import_recordings(tmp_path / "a", files, session="Sitzung Ä")
        assert {recording.name for recording in read_dataset(tmp_path / "a").recordings} == {
            "Ä 1",
            "a-1",
            "鐘",
        }
        assert_valid_package(tmp_path / "a")
        names = [
            r["name"] for r in json.loads((tmp_path / "a" / "datapackage.json").read_text())["resources"]
        ]
        assert len(set(names)) == len(names)

    @pytest.mark.parametrize(
        ("key", "value", "fault"),
        [
            ("path", "recordings/../../etc/passwd", "holds /"),
            ("path", "recordings/", "the file name is empty"),
            ("session", None, "session must be a name, not None"),
            ("session", "a\x1b[1mb", "holds the invisible character"),
            ("phone", 3, "phone must be a name, not 3"),
            ("channel", 0, "channel must be a whole number of at least 1, not 0"),
            ("channel", True, "channel must be a whole number of at least 1, not True"),
            ("n_frames", 10**400, "n_frames must be a whole number"),
            ("full_scale_v", 10**400, "full_scale_v must be a number above 0"),
            ("reviewed", [[0, 10**400]], "reviewed must be a list of"),
            ("n_frames", 1.5, "n_frames must be a whole number"),
            ("sample_rate_hz", "16k", "sample_rate_hz must be a whole number"),
            ("full_scale_v", -1, "full_scale_v must be a number above 0 or null, not -1"),
            ("input_ohms", "10k", "input_ohms must be a number above 0 or null"),
            ("audio_sha256", "abc", "audio_sha256 must be 64 hexadecimal digits"),
            ("hash", None, "hash must be sha256:"),
            ("bytes", -1, "bytes must be a whole number"),
            ("reviewed", [[0, 99]], "reviewed 0-99 is no span within the recording"),
            ("reviewed", [[2, 1]], "reviewed 2-1 is no span"),
            ("reviewed", "all", "reviewed must be a list of"),
            ("reviewed", [[0, "x"]], "reviewed must be a list of"),
        ],
    )
    def test_a_wrong_property_is_told(self, tiny_dataset: Path, key: str, value: object, fault: str) -> None:
        edit_package(tiny_dataset, lambda package: package["resources"][2].update({key: value}))
        with pytest.raises(FileFault, match=rf"datapackage\.json: resources\[2\] .*{fault}"):
            read_dataset(tiny_dataset)

    @pytest.mark.parametrize(
        ("text", "fault"),
        [
            ("{", "not JSON"),
            ("[]", "must hold one JSON object"),
            ("{}", "resources must be a list"),
            ('{"resources": [1]}', "resources must be a list of objects"),
            ('{"resources": [], "spdx": NaN}', "NaN is not a number of JSON"),
            ('{"resources": [], "spdx": 1}', "spdx must be"),
            ("[" * 100_000, "not JSON"),
        ],
    )
    def test_a_descriptor_that_is_none(self, tiny_dataset: Path, text: str, fault: str) -> None:
        (tiny_dataset / "datapackage.json").write_text(text)
        with pytest.raises(FileFault, match=rf"datapackage\.json: .*{fault}"):
            read_dataset(tiny_dataset)

    def test_a_recording_listed_twice_is_told(self, tiny_dataset: Path) -> None:
        edit_package(tiny_dataset, lambda package: package["resources"].append(package["resources"][2]))
        with pytest.raises(FileFault, match="have one name"):
            read_dataset(tiny_dataset)

    def test_audio_that_is_gone_or_another(self, tiny_dataset: Path) -> None:
        path = tiny_dataset / "recordings" / "monday.wav"
        path.write_bytes((tiny_dataset / "recordings" / "tuesday.wav").read_bytes()[:-2_000])
        with pytest.raises(
            FileFault, match=r"monday\.wav: is no longer the file that was imported: 191000 frames"
        ):
            read_dataset(tiny_dataset)
        path.unlink()
        with pytest.raises(FileFault, match=r"monday\.wav: no such file"):
            read_dataset(tiny_dataset)

    def test_no_dataset(self, tmp_path: Path) -> None:
        with pytest.raises(FileFault, match="is not a dataset; `evalkit new` makes one"):
            read_dataset(tmp_path)

    def test_an_unknown_recording_is_told_with_the_one_that_was_meant(self, tiny_dataset: Path) -> None:
        with pytest.raises(WrongUse, match="no recording 'mondy'; did you mean 'monday'"):
            read_dataset(tiny_dataset).recording("mondy")

    def test_calls_name_their_phone(self, tiny_dataset: Path) -> None:
        recording = read_dataset(tiny_dataset).recording("monday")
        arguments = {"target_labels": {"ring"}, "warmup_s": 2.0, "call_gap_s": 1.0}
        assert recording.calls(**arguments) == (Call(6, 8, "slab", False),)
        other = replace(recording, segments=(Segment(6, 8, "ring", phone="brick"),))
        assert other.calls(**arguments) == (Call(6, 8, "brick", False),)


class TestHash:
    """dataset_sha256 changes with what figures depend on, and with nothing else."""

    def test_is_that_of_the_content(self, tiny_dataset: Path, tmp_path: Path) -> None:
        before = dataset_sha256(read_dataset(tiny_dataset))
        moved = tiny_dataset.rename(tmp_path / "moved")
        (moved / "day.toml").write_text("")
        dataset = read_dataset(moved)
        assert dataset_sha256(dataset) == before
        assert dataset_sha256(replace(dataset, recordings=dataset.recordings[::-1])) == before
        renamed = [replace(recording, name=recording.name + "x") for recording in dataset.recordings]
        assert dataset_sha256(replace(dataset, recordings=tuple(renamed))) == before

    @pytest.mark.parametrize(
        "change",
        [
            {"session": "x"},
            {"phone": ""},
            {"full_scale_v": None},
            {"input_ohms": 1e5},
            {"reviewed": (Span(0, 11),)},
            {"audio_sha256": "0" * 64},
            {"segments": ()},
            {"segments": (Segment(3, 3.05, "tap"), Segment(6, 8.000001, "ring"))},
            {"segments": (Segment(3, 3.05, "tap"), Segment(6, 8, "ring", phone="brick"))},
        ],
    )
    def test_changes_with(self, tiny_dataset: Path, change: dict) -> None:
        dataset = read_dataset(tiny_dataset)
        changed = (replace(dataset.recordings[0], **change), *dataset.recordings[1:])
        assert dataset_sha256(replace(dataset, recordings=changed)) != dataset_sha256(dataset)

    def test_a_note_changes_nothing(self, tiny_dataset: Path) -> None:
        before = read_dataset(tiny_dataset)
        old = before.recording("monday").segments
        write_segments(tiny_dataset, "monday", [replace(each, note="x") for each in old], replacing=old)
        assert dataset_sha256(read_dataset(tiny_dataset)) == dataset_sha256(before)


def test_the_package_tells_the_columns_that_a_table_has(tiny_dataset: Path) -> None:
    old = read_dataset(tiny_dataset).recording("monday").segments
    with_phone = [replace(each, phone="brick") for each in old]
    write_segments(tiny_dataset, "monday", with_phone, replacing=old)
    assert [entry.labels_name_phones for entry in read_descriptor(tiny_dataset).entries] == [True, False]
    assert_valid_package(tiny_dataset)
    write_segments(tiny_dataset, "monday", old, replacing=with_phone)
    assert_valid_package(tiny_dataset)
