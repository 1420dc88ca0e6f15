"""Only what changed is computed again: audio, tones and crossings are left alone, and caches may vanish.

All on an invented workshop of a few minutes.
"""

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

import evalkit.cache
from evalkit.cache import CrossingCache
from evalkit.cli import main
from evalkit.dataset import Dataset, read_dataset
from evalkit.detectors import tone
from evalkit.evidence import evidence_findings
from evalkit.recommendation import recommend
from evalkit.settings import settings_document
from evalkit.training import DetectorName, Material

from .workshop import build_workshop

Captured = pytest.CaptureFixture[str]
COMMANDS = (["recommend"], ["score", "--detector", "circuit"], ["plan"])
SETTING = ["score", "--detector", "circuit", "--threshold-v", "15m", "--delay-s", "0.6"]
SOURCE = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def warm(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A dataset on which everything was computed once."""
    folder = build_workshop(tmp_path_factory.mktemp("warm") / "shop", sessions=3)
    for command in (*COMMANDS, SETTING):
        assert main([command[0], str(folder), *command[1:]]) == 0
    return folder


@pytest.fixture
def shop(warm: Path, tmp_path: Path) -> Path:
    return shutil.copytree(warm, tmp_path / "shop")


@pytest.fixture
def silent(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody may read a sample, or play a tone to a board."""
    silence(monkeypatch)


def silence(patch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("touched")

    for name in ("read", "buffer_read", "buffer_read_into", "blocks"):
        patch.setattr(soundfile.SoundFile, name, refuse)
    patch.setattr(tone, "_columns", refuse)


def outcome(folder: Path, command: list[str], capsys: Captured) -> Any:
    """Run a command and return its document."""
    capsys.readouterr()
    assert main([command[0], str(folder), *command[1:], "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def as_if_new(folder: Path, tmp_path: Path) -> Path:
    """A copy without anything kept."""
    return shutil.copytree(folder, tmp_path / "new" / "shop", ignore=shutil.ignore_patterns(".evalkit"))


def drop_a_label(folder: Path) -> None:
    table = folder / "labels" / "sitting-1.csv"
    lines = table.read_text().splitlines(keepends=True)
    assert "tap" in lines[2]
    table.write_text("".join(lines[:2] + lines[3:]))


def tighten_a_limit(folder: Path) -> None:
    edit(folder / "day.toml", "response_s = 6.0", "response_s = 0.7")


def change_the_exposure(folder: Path) -> None:
    edit(folder / "day.toml", "events_per_day = 10", "events_per_day = 40")


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


@pytest.mark.parametrize("change", [drop_a_label, tighten_a_limit, change_the_exposure])
@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command[0])
def test_a_change_is_scored_without_audio_and_as_if_all_were_new(
    shop: Path, tmp_path: Path, command: list[str], change: Callable[[Path], None], capsys: Captured
) -> None:
    before = outcome(shop, command, capsys)
    change(shop)
    with pytest.MonkeyPatch.context() as patch:
        silence(patch)
        after = outcome(shop, command, capsys)
    assert after != before
    assert after == outcome(as_if_new(shop, tmp_path), command, capsys)


def test_the_guard_of_these_tests_sees_audio_that_is_read(
    shop: Path, silent: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.rmtree(shop / ".evalkit" / "crossings")
    with pytest.raises(AssertionError, match="touched"):
        main(["recommend", str(shop)])


def test_a_setting_that_was_looked_at_is_listed_without_audio(
    shop: Path, silent: None, capsys: Captured
) -> None:
    assert outcome(shop, SETTING, capsys)["settings"][0]["alerts"]


def test_another_board_is_another_matter(shop: Path, tmp_path: Path, capsys: Captured) -> None:
    before = outcome(shop, COMMANDS[0], capsys)
    edit(shop / "board.toml", 'bleed = { value = "1 Mohm"', 'bleed = { value = "330 kohm"')
    after = outcome(shop, COMMANDS[0], capsys)
    assert after["board_sha256"] != before["board_sha256"]
    assert after == outcome(as_if_new(shop, tmp_path), COMMANDS[0], capsys)


@pytest.mark.parametrize("command", [["recommend"], ["score", "--detector", "circuit"]])
def test_nothing_heavy_is_loaded_where_nothing_is_computed(shop: Path, command: list[str]) -> None:
    """Numba, scikit-learn and scipy's larger parts would each take longer to load than all the rest."""
    code = (
        "import sys\nfrom evalkit.cli import main\n"
        f"assert main([{command[0]!r}, {str(shop)!r}, *{command[1:]!r}, '--json']) == 0\n"
        "heavy = ('numba', 'sklearn', 'pandas', 'matplotlib', 'librosa', 'scipy.stats', 'scipy.optimize',"
        " 'scipy.signal', 'joblib', 'distributed', 'rich')\n"
        "print([name for name in heavy if name in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=shop,
        env={**os.environ, "PYTHONPATH": str(SOURCE)},
    )
    assert done.stderr.splitlines()[-1] == "[]"


def found(dataset: Dataset, name: DetectorName, told: Callable[[float, float], None] | None = None) -> Any:
    """What `recommend` finds, as its document."""
    recommended = recommend(dataset, name, cache=CrossingCache(dataset.folder), progress=told)
    return settings_document(recommended, dataset)


class TestDeletedAndBounded:
    @pytest.mark.parametrize("name", [DetectorName.CIRCUIT, DetectorName.ENVELOPE, DetectorName.LOGISTIC])
    def test_caches_may_vanish_at_any_moment(self, shop: Path, tmp_path: Path, name: DetectorName) -> None:
        expected = found(read_dataset(as_if_new(shop, tmp_path)), name)
        deleted = 0

        def delete(done: float, total: float) -> None:
            nonlocal deleted
            deleted += 1
            shutil.rmtree(shop / ".evalkit", ignore_errors=True)

        delete(0.0, 1.0)
        assert found(read_dataset(shop), name, delete) == expected
        assert deleted > 3
        assert found(read_dataset(shop), name) == expected

    @pytest.mark.parametrize("name", [DetectorName.CIRCUIT, DetectorName.ENVELOPE])
    def test_with_hardly_any_room_all_is_made_again_and_the_same(
        self, shop: Path, tmp_path: Path, name: DetectorName, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        expected = found(read_dataset(as_if_new(shop, tmp_path)), name)
        shutil.rmtree(shop / ".evalkit")
        monkeypatch.setattr(evalkit.cache, "LIMIT_BYTES", 30_000)
        largest = 0

        def weigh(done: float, total: float) -> None:
            nonlocal largest
            place = shop / ".evalkit" / "crossings"
            largest = max(largest, sum(path.stat().st_size for path in place.glob("[!.]*")))

        assert found(read_dataset(shop), name, weigh) == expected
        assert 0 < largest <= 30_000


def test_frames_are_drawn_alike_from_the_audio_and_from_the_disk(shop: Path) -> None:
    """Rows come in pieces of another length from either; and a draw that is kept is the same draw."""
    shutil.rmtree(shop / ".evalkit")
    dataset = read_dataset(shop)

    def frames() -> Any:
        material = Material(dataset, CrossingCache(shop))
        return material.of(material.sessions).frames()

    cold, kept = frames(), frames()
    for path in (shop / ".evalkit" / "crossings").iterdir():
        # what was drawn goes, the rows it was drawn from stay
        if path.stat().st_size < 200_000:
            path.unlink()
    redrawn = frames()
    for other in (kept, redrawn):
        assert np.array_equal(cold.features, other.features)
        assert np.array_equal(cold.kind, other.kind)
        assert np.array_equal(cold.session, other.session)


def test_evidence_is_the_same_cold_and_warm(shop: Path) -> None:
    shutil.rmtree(shop / ".evalkit")
    dataset = read_dataset(shop)
    cold = evidence_findings(dataset, CrossingCache(shop))
    assert cold == evidence_findings(dataset, CrossingCache(shop))
