"""What check reports, each with its place."""

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from evalkit.checking import Finding, check_dataset
from evalkit.dataset import create_dataset, import_recordings
from evalkit.errors import FileFault
from evalkit.labelling import set_reviewed

from .test_dataset import edit_package

Writer = Callable[..., Path]
HEADER = "start_s,end_s,label,note\n"
DAY = "[exposure.tap]\nevents_per_day = 9\n"


@pytest.fixture
def good_dataset(tiny_dataset: Path) -> Path:
    """A dataset whose day asks for just what is in it."""
    (tiny_dataset / "day.toml").write_text(DAY)
    return tiny_dataset


def only(findings: tuple[Finding, ...]) -> Finding:
    assert len(findings) == 1, findings
    return findings[0]


def test_nothing_is_found_where_nothing_is_wrong(good_dataset: Path) -> None:
    assert check_dataset(good_dataset) == ()


def test_an_empty_dataset_is_fine(tmp_path: Path) -> None:
    create_dataset(tmp_path / "a")
    assert check_dataset(tmp_path / "a") == ()


def test_faults_of_recordings_are_found(
    good_dataset: Path, write_wav: Writer, rng: np.random.Generator
) -> None:
    samples = 0.1 * rng.standard_normal(16_000 * 3)
    samples[16_000:16_010] = 1.0
    path = write_wav("loud.wav", samples)
    path.write_bytes(path.read_bytes()[: 44 + 2 * 40_000])
    import_recordings(good_dataset, [path], session="x")
    truncated, clipping = check_dataset(good_dataset)
    assert (truncated.kind, truncated.place, truncated.start_s) == ("truncated", "loud", 2.5)
    assert (clipping.kind, clipping.start_s, clipping.end_s) == ("clipping", 1.0, 1.0 + 10 / 16_000)
    assert clipping.usable
    # Asked for others only, it is not looked at.
    assert check_dataset(good_dataset, names={"monday"}) == ()


def test_audio_that_was_changed(good_dataset: Path) -> None:
    path = good_dataset / "recordings" / "monday.wav"
    samples, rate_hz = soundfile.read(path, dtype="int16")
    with path.open("ab") as stream:
        stream.write(b"LIST\4\0\0\0INFO")
    finding = only(check_dataset(good_dataset))
    assert (finding.kind, finding.place, finding.usable) == ("changed", "monday", True)
    samples[5] ^= 1
    soundfile.write(path, samples, rate_hz)
    finding = only(check_dataset(good_dataset))
    assert (finding.kind, finding.usable) == ("changed", False)
    assert "bring the original back" in finding.message
    path.write_text("no audio")
    assert (only(check_dataset(good_dataset)).kind, finding.usable) == ("audio", False)
    path.unlink()
    assert (only(check_dataset(good_dataset)).kind, finding.usable) == ("missing", False)


def test_wrong_rows_are_found_one_by_one(good_dataset: Path) -> None:
    (good_dataset / "labels" / "monday.csv").write_text(HEADER + "1,x,tap,\n2,1,tap,\n3,4,tap,\n")
    first, second = check_dataset(good_dataset)
    assert (first.kind, first.place, first.usable) == ("labels", "monday", False)
    assert "monday.csv, row 2: end_s='x'" in first.message
    assert "monday.csv, row 3: end_s=1.000000 is not after" in second.message


@pytest.mark.parametrize("name", ["day.toml", "board.toml"])
def test_a_wrong_board_or_day(good_dataset: Path, name: str) -> None:
    (good_dataset / name).write_text("wrong = [")
    finding = next(finding for finding in check_dataset(good_dataset) if not finding.usable)
    assert finding.place == name


def test_files_that_are_not_listed(good_dataset: Path) -> None:
    shutil.copy(good_dataset / "recordings" / "monday.wav", good_dataset / "recordings" / "copy.wav")
    (good_dataset / "labels" / "copy.csv").write_text(HEADER)
    (good_dataset / "labels" / ".tmp-1-a").write_text("half")
    assert [(finding.kind, finding.place) for finding in check_dataset(good_dataset)] == [
        ("stray", "recordings/copy.wav"),
        ("stray", "labels/copy.csv"),
    ]


def test_a_session_of_two_calibrations(
    good_dataset: Path, write_wav: Writer, rng: np.random.Generator
) -> None:
    path = write_wav("more.wav", 0.1 * rng.standard_normal(16_000))
    import_recordings(good_dataset, [path], session="monday", full_scale_v=2.0, input_ohms=1e6)
    finding = only(check_dataset(good_dataset, names={"more"}))
    assert (finding.kind, finding.place) == ("calibration", "session monday")
    assert "(monday, more)" in finding.message
    assert only(check_dataset(good_dataset)) == finding


def test_spellings_that_differ_in_case(
    good_dataset: Path, write_wav: Writer, rng: np.random.Generator
) -> None:
    path = write_wav("more.wav", 0.1 * rng.standard_normal(16_000))
    import_recordings(good_dataset, [path], session="Monday", phone="Slab")
    assert [finding.message for finding in check_dataset(good_dataset)] == [
        "'Monday' and 'monday' count as different sessions",
        "'Slab' and 'slab' count as different phones",
    ]


@pytest.mark.parametrize(
    ("label", "text"),
    [
        (
            "Ring",
            "'Ring' (1 segments) differs from the standard label 'ring' in the case of its letters only",
        ),
        ("trafic", "'trafic' (1 segments) is your own and has no role in day.toml; was 'traffic' meant?"),
        ("hammer", "'hammer' (1 segments) is your own and has no role in day.toml; it counts as nuisance"),
    ],
)
def test_labels_of_ones_own_are_told_once(good_dataset: Path, label: str, text: str) -> None:
    (good_dataset / "labels" / "monday.csv").write_text(HEADER + f"1,2,{label},\n3,4,tap,\n")
    (good_dataset / "day.toml").write_text(DAY + f'[exposure."{label}"]\nevents_per_day = 1\n')
    finding = only(check_dataset(good_dataset))
    assert finding.kind == "label"
    assert finding.message.startswith(text)
    # A role settles it, unless it is a standard label misspelt.
    (good_dataset / "day.toml").write_text(DAY + f'[roles]\n"{label}" = "ignore"\n')
    assert len(check_dataset(good_dataset)) == (label == "Ring")


def test_the_day_and_the_labels_are_compared(good_dataset: Path) -> None:
    (good_dataset / "day.toml").write_text(
        "[exposure.tool]\nhours_per_day = 1\n[exposure.traffic]\nevents_per_day = 0\n"
        '[exposure.background]\nhours_per_day = 7\n[roles]\nhammer = "ignore"\n'
    )
    assert [
        (finding.kind, finding.message.split(":")[0].split(",")[0]) for finding in check_dataset(good_dataset)
    ] == [
        ("exposure", "has no exposure for 'tap'"),
        ("exposure", "brings 'tool'"),
        ("role", "gives a role to 'hammer'"),
    ]


def test_labels_without_reviewed_time(good_dataset: Path) -> None:
    set_reviewed(good_dataset, "tuesday", ())
    finding = only(check_dataset(good_dataset))
    assert (finding.kind, finding.place) == ("not-reviewed", "tuesday")


def test_the_same_audio_listed_twice(good_dataset: Path) -> None:
    shutil.copy(good_dataset / "recordings" / "monday.wav", good_dataset / "recordings" / "again.wav")
    shutil.copy(good_dataset / "labels" / "monday.csv", good_dataset / "labels" / "again.csv")

    def change(package: dict) -> None:
        audio, labels = package["resources"][2:4]
        package["resources"].append({**audio, "name": "x", "path": "recordings/again.wav"})
        package["resources"].append({**labels, "name": "y", "path": "labels/again.csv"})

    edit_package(good_dataset, change)
    finding = only(check_dataset(good_dataset))
    assert (finding.kind, finding.place) == ("double", "again")
    assert "the same audio as monday" in finding.message


def test_columns_changed_by_hand_are_told(good_dataset: Path) -> None:
    (good_dataset / "labels" / "monday.csv").write_text("start_s,end_s,label,note,phone\n3,4,tap,,brick\n")
    assert only(check_dataset(good_dataset)).kind == "description"


def test_no_dataset_is_no_answer(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match="is not a dataset"):
        check_dataset(tmp_path)
