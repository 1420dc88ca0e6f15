"""`evalkit demo`: the whole job in one command; small here, in full in the slow tier."""

import json
import re
from pathlib import Path
from typing import Any

import pytest

from evalkit.cli import main

from .workshop import build_workshop

EXAMPLE = Path(__file__).parents[1] / "reports" / "example"


def test_the_demo_uses_datasets_that_are_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same command on a workshop of a few minutes: every step but the building."""
    monkeypatch.chdir(tmp_path)
    folder = build_workshop(tmp_path / "small")
    build_workshop(tmp_path / "hard", sessions=1, tool_v=0.1)
    before = sorted(p.name for p in (folder / "recordings").iterdir())
    assert main(["demo", "small"]) == 0
    told = capsys.readouterr()
    lines = told.out.splitlines()
    assert len(lines) == 5
    assert lines[0].startswith("small: threshold ")
    assert lines[1].startswith("Passes, not yet proven.")
    assert "invented" in told.err
    assert sorted(p.name for p in (folder / "recordings").iterdir()) == before
    report = tmp_path / "reports" / "demo"
    html = (report / "report.html").read_text(encoding="utf-8")
    assert "What nothing simple can do" in html
    assert "Nothing passes" in html
    settings = json.loads((report / "settings.json").read_text())
    assert settings["passes"] is True
    assert f"{settings['calls']['caught']} of {settings['calls']['counted']}" in lines[2]
    # the datasets themselves are left alone
    assert not (folder / "settings.json").exists()


@pytest.mark.slow
def test_the_demo_in_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["demo"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 5
    assert "Passes, not yet proven" in lines[1]
    settings = json.loads((tmp_path / "reports" / "demo" / "settings.json").read_text())
    assert settings["passes"] is True
    assert not all(settings["proven"].values())
    assert settings["calls"]["counted"] >= 100
    # the softest ring is about 4 dB above the strongest nuisance, so about 2 dB either way
    assert settings["margin"]["threshold"] == pytest.approx(2.0, abs=1.0)
    html = (tmp_path / "reports" / "demo" / "report.html").read_text(encoding="utf-8")
    assert html.count("Invented: a bicycle-repair co-op") >= 1
    assert html.count("nothing here was measured") >= 2
    assert "compressor drowns the softest phone" in html
    hard = html[html.index('id="hard"') :]
    assert "Nothing passes" in hard
    assert (tmp_path / "reports" / "demo" / "report.html").stat().st_size < 8_000_000
    # what is committed as the example is what this run made
    committed = json.loads((EXAMPLE / "settings.json").read_text(encoding="utf-8"))
    assert _disagreements(committed, settings) == []
    made = (tmp_path / "reports" / "demo" / "report.md").read_text(encoding="utf-8")
    assert _text_disagreements((EXAMPLE / "report.md").read_text(encoding="utf-8"), made) == []
    names = {p.name for p in (tmp_path / "reports" / "demo" / "pictures").glob("*.png")}
    assert {p.name for p in (EXAMPLE / "pictures").iterdir()} == names


def _disagreements(one: Any, two: Any, where: str = "") -> list[str]:
    """Where two documents differ: counts and words must be equal, figures agree within 1 %."""
    if where.rpartition("/")[2] in ("dataset_sha256", "evalkit"):
        # samples are computed in floating point, which differs between processors
        return []
    if isinstance(one, dict) and isinstance(two, dict):
        if one.keys() != two.keys():
            return [where]
        return [fault for key in one for fault in _disagreements(one[key], two[key], f"{where}/{key}")]
    if isinstance(one, list) and isinstance(two, list) and len(one) == len(two):
        pairs = enumerate(zip(one, two))
        return [fault for k, (a, b) in pairs for fault in _disagreements(a, b, f"{where}/{k}")]
    if isinstance(one, float) and isinstance(two, float):
        return [] if two == pytest.approx(one, rel=0.01, abs=1e-12) else [f"{where}: {one} {two}"]
    return [] if one == two else [f"{where}: {one} {two}"]


_NUMBER = re.compile(r"\d+(?:\.\d+)?")


def _text_disagreements(one: str, two: str) -> list[str]:
    """Where two texts differ: words and whole numbers must be equal, figures agree within 1 % or a digit.

    Up to the single moments, whose order is that of margins which may tie; hashes and version left out.
    """
    lines = [
        [line for line in text.partition("came nearest to")[0].splitlines() if "SHA-256" not in line]
        for text in (one, two)
    ]
    if len(lines[0]) != len(lines[1]):
        return [f"{len(lines[0])} and {len(lines[1])} lines"]
    return [a for a, b in zip(*lines) if not _lines_agree(a, b)]


def _lines_agree(one: str, two: str) -> bool:
    if _NUMBER.sub("#", one) != _NUMBER.sub("#", two):
        return False
    for a, b in zip(_NUMBER.findall(one), _NUMBER.findall(two)):
        digit = 10.0 ** -len(a.partition(".")[2])
        if a != b and ("." not in a or abs(float(a) - float(b)) > max(0.01 * float(a), 1.01 * digit)):
            return False
    return True


def test_the_comparison_with_the_example_can_fail() -> None:
    settings = {"calls": {"caught": 3}, "delay_s": 0.9, "thin": ["tool"]}
    assert _disagreements(settings, {**settings, "delay_s": 0.905}) == []
    assert _disagreements(settings, {**settings, "delay_s": 0.92}) != []
    assert _disagreements(settings, {**settings, "calls": {"caught": 4}}) != []
    assert _disagreements(settings, {**settings, "thin": []}) != []
    assert _text_disagreements("3 of 4 calls, 0.90 s", "3 of 4 calls, 0.91 s") == []
    assert _text_disagreements("3 of 4 calls, 0.90 s", "3 of 4 calls, 0.95 s") != []
    assert _text_disagreements("3 of 4 calls", "2 of 4 calls") != []
    assert _text_disagreements("passes", "fails") != []


def test_the_committed_example_is_whole() -> None:
    text = (EXAMPLE / "report.md").read_text(encoding="utf-8")
    assert "Invented: a bicycle-repair co-op" in text
    pictures = set(re.findall(r"\(pictures/([^)]+\.png)\)", text))
    there = {p.name for p in (EXAMPLE / "pictures").iterdir()}
    assert pictures
    assert pictures <= there
    assert all((EXAMPLE / "pictures" / name).stat().st_size < 60_000 for name in there)
    settings = json.loads((EXAMPLE / "settings.json").read_text(encoding="utf-8"))
    assert f"{settings['calls']['caught']} of {settings['calls']['counted']}" in text
