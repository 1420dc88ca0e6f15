"""`evalkit demo`: the whole job in one command; small here, in full in the slow tier."""

import json
from pathlib import Path

import pytest

from evalkit.cli import main

from .workshop import build_workshop


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
