"""The whole job on real audio (tests/real_audio.py says what is real and what is arranged)."""

import json
from pathlib import Path

import pytest

from evalkit.cli import main

from .real_audio import import_session, missing_packages, vibration_records, workshop_sessions

_VIBRATION = ("arpick_pr3552.mseed", "II.TLY.BHZ.SAC", "CRLZ.HHZ.10.NZ.SAC", "IU.ANMO.00.BHZ.mseed")

# The day of these sounds: hits and one machine, no traffic. Invented figures.
_DAY = """\
[limits]
calls_caught = 0.5
false_alarms_per_day = 50.0
response_s = 6.0
[exposure.tap]
events_per_day = 60
[exposure.tool]
hours_per_day = 1
[exposure.background]
hours_per_day = 7
"""


@pytest.mark.slow
def test_the_whole_job_runs_on_real_sounds(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    absent = missing_packages()
    if absent:
        pytest.skip(f"Debian packages {absent} are not installed")
    folder, sounds = tmp_path / "real", tmp_path / "sounds"
    sounds.mkdir()
    assert main(["new", str(folder), "--licence", "CC0-1.0"]) == 0
    (folder / "day.toml").write_text(_DAY, encoding="utf-8")
    for arranged in workshop_sessions():
        import_session(folder, sounds, arranged)
    assert main(["check", str(folder)]) == 0
    capsys.readouterr()

    assert main(["recommend", str(folder), "--json"]) == 0
    settings = json.loads(capsys.readouterr().out)
    assert settings == json.loads((folder / "settings.json").read_text(encoding="utf-8"))
    calls = settings["calls"]
    assert calls["total"] == 36
    masked = calls["masked"]["not_counted"]
    assert calls["counted"] == calls["total"] - calls["cut"] - masked
    assert settings["held_out"]["sessions"] == 6
    assert settings["detector"] == "circuit"

    setting = ["--threshold-v", repr(settings["threshold_v"]), "--delay-s", repr(settings["delay_s"])]
    assert main(["score", str(folder), "--detector", "circuit", *setting, "--json"]) == 0
    alerts = json.loads(capsys.readouterr().out)["settings"][0]["alerts"]
    # the setting's alerts, listed one by one, are those that the plane counted
    assert sum(a["counts_as"] == "caught call" for a in alerts) == calls["caught"]
    taps = sum(a["counts_as"] == "false alarm" and a["cause"] == "tap" for a in alerts)
    assert settings["false_alarms_per_day"]["estimate"] >= 60 * taps / _rows(folder, "tap") - 1e-9

    assert main(["score", str(folder), "--json"]) == 0
    detectors = json.loads(capsys.readouterr().out)["detectors"]
    assert {"circuit", "envelope"} <= {d["detector"] for d in detectors}
    areas = {d["detector"]: d["auc"]["estimate"] for d in detectors}
    # what repeats in a cadence is told from single hits by at least one of them; beeps from hits by level, hardly
    assert max(areas.values()) > 0.6, areas
    assert all(0.0 <= area <= 1.0 for area in areas.values()), areas

    assert main(["report", str(folder), "--out", str(tmp_path / "report")]) == 0
    pages = list((tmp_path / "report").glob("*.html"))
    assert pages
    assert all("http://" not in page.read_text(encoding="utf-8").split("<body")[0] for page in pages)


def _rows(folder: Path, label: str) -> int:
    """Count the rows of a label in a dataset."""
    rows = [line for table in (folder / "labels").glob("*.csv") for line in table.read_text().splitlines()]
    return sum(row.split(",")[2] == label for row in rows if row)


def test_real_ground_motion_holds_no_call_so_every_alert_is_false(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    records = list(vibration_records(_VIBRATION))
    if len(records) < 3:
        pytest.skip("the installed obspy carries too few of the records")
    folder, sounds = tmp_path / "ground", tmp_path / "sounds"
    sounds.mkdir()
    assert main(["new", str(folder)]) == 0
    for arranged in records:
        import_session(folder, sounds, arranged)
    capsys.readouterr()

    counts = []
    for threshold in ("3m", "30m", "300m"):
        setting = ["--threshold-v", threshold, "--delay-s", "0.1", "--detector", "circuit"]
        assert main(["score", str(folder), *setting, "--json"]) == 0
        alerts = json.loads(capsys.readouterr().out)["settings"][0]["alerts"]
        assert {a["counts_as"] for a in alerts} <= {"false alarm", "not counted: time not scored"}
        assert all(a["cause"] == "background" for a in alerts if a["counts_as"] == "false alarm")
        counts.append(sum(a["end_s"] - a["start_s"] for a in alerts))
    # shaking that a keen box hears for long, a duller one hears for a shorter time
    assert counts[0] > counts[1] >= counts[2]

    # without a call no setting can be computed, and that is said
    assert main(["recommend", str(folder)]) == 1
    assert "no call" in capsys.readouterr().err
