"""day.toml: what a day brings and what is asked of the box."""

import re
from pathlib import Path

import pytest

from evalkit.day import DEFAULT_DAY_TOML, Day, Exposure, Limits, read_day
from evalkit.errors import FileFault
from evalkit.segments import Role


def read(tmp_path: Path, text: str) -> Day:
    path = tmp_path / "day.toml"
    path.write_text(text, encoding="utf-8")
    return read_day(path)


def test_the_default_says_what_the_defaults_are(tmp_path: Path) -> None:
    day = read(tmp_path, DEFAULT_DAY_TOML)
    assert day.limits == Limits(calls_caught=0.99, false_alarms_per_day=0.2, response_s=6.0)
    assert (day.call_gap_s, day.grace_s) == (5.0, 1.0)
    assert {exposure.label for exposure in day.exposures} == {"tap", "tool", "traffic", "background"}
    assert dict(day.roles) == {}


def test_an_empty_file_is_a_day_with_defaults(tmp_path: Path) -> None:
    assert read(tmp_path, "") == Day()


def test_values_are_read(tmp_path: Path) -> None:
    day = read(
        tmp_path,
        """
        call_gap_s = 3
        grace_s = 0
        [limits]
        calls_caught = 1
        false_alarms_per_day = 2
        response_s = 4.5
        [exposure.tap]
        events_per_day = 300
        [exposure."paint shaker"]
        hours_per_day = 0.25
        [roles]
        "paint shaker" = "nuisance"
        "other phone" = "ignore"
        buzz = "target"
        """,
    )
    assert day.limits == Limits(1.0, 2.0, 4.5)
    assert (day.call_gap_s, day.grace_s) == (3.0, 0.0)
    assert day.exposures == (Exposure("tap", 300.0, None), Exposure("paint shaker", None, 0.25))
    assert day.role("buzz") is Role.TARGET


@pytest.mark.parametrize(
    ("label", "role"),
    [
        ("ring", Role.TARGET),
        ("tap", Role.NUISANCE),
        ("tool", Role.NUISANCE),
        ("traffic", Role.NUISANCE),
        ("other", Role.NUISANCE),
        ("stand-in", Role.STAND_IN),
        ("quiet", Role.BACKGROUND),
        ("background", Role.BACKGROUND),
        ("Ring", Role.NUISANCE),
        ("hammer", Role.NUISANCE),
    ],
)
def test_roles_of_the_standard_labels_and_of_unknown_ones(label: str, role: Role) -> None:
    assert Day().role(label) is role


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("call_gap_s = ", "not TOML"),
        ("call_gap = 5", "unknown key call_gap; known here: call_gap_s"),
        ("call_gap_s = -1", "call_gap_s = -1 is out of range: it must be at least 0 and at most 60"),
        ("grace_s = nan", "grace_s = nan is out of range"),
        pytest.param(f"grace_s = {10**400}", "grace_s = inf is out of range", id="too long for a float"),
        pytest.param(f"grace_s = {'9' * 5000}", "not TOML", id="too long for an int"),
        pytest.param("x = " + "[" * 100_000, "not TOML", id="too deep"),
        ("grace_s = true", "grace_s = True is not a number"),
        ("limits = 3", r"limits must be a table, written as \[limits\]"),
        (
            "[limits]\ncalls_caught = 99",
            "limits.calls_caught = 99 is out of range: it must be above 0 and at most 1",
        ),
        ("[limits]\ncalls_caught = 0", "limits.calls_caught = 0 is out of range"),
        (
            "[limits]\nfalse_alarms_per_day = 0",
            "limits.false_alarms_per_day = 0 is out of range: it must be above 0",
        ),
        ("[limits]\nresponse_s = '6 s'", "limits.response_s = '6 s' is not a number"),
        ("[limits]\nresponse = 6", "unknown key limits.response;"),
        ("[exposure]\ntap = 3", "exposure.tap must be a table with events_per_day or hours_per_day"),
        ("[exposure.tap]", "exposure.tap: exactly one of"),
        ("[exposure.tap]\nevents_per_day = 1\nhours_per_day = 1", "exposure.tap: exactly one of"),
        ("[exposure.tap]\nper_day = 1", "unknown key exposure.tap.per_day"),
        ("[exposure.tool]\nhours_per_day = 25", "exposure.tool.hours_per_day = 25 is out of range"),
        ("[exposure.tap]\nevents_per_day = -2", "exposure.tap.events_per_day = -2 is out of range"),
        ("[exposure.tap]\nevents_per_day = inf", "exposure.tap.events_per_day = inf is out of range"),
        ("[exposure.ring]\nevents_per_day = 5", "exposure.ring: a label of role target has no exposure"),
        (
            "[exposure.background]\nevents_per_day = 5",
            "exposure.background: background comes in hours_per_day",
        ),
        ("[exposure.'a/b']\nevents_per_day = 5", "exposure.a/b: the label 'a/b' holds /"),
        ("[roles]\nhammer = 'noise'", "roles.hammer: 'noise' is no role; one of: target, nuisance"),
        ("[roles]\nhammer = 1", "roles.hammer: 1 is no role"),
        ("[roles]\nring = 'ignore'", "roles.ring: the role of this standard label is fixed"),
    ],
)
def test_faults_name_the_file_and_the_key(tmp_path: Path, text: str, fault: str) -> None:
    with pytest.raises(FileFault) as caught:
        read(tmp_path, text)
    lines = caught.value.details or (str(caught.value),)
    assert all(line.startswith(f"{tmp_path / 'day.toml'}: ") for line in lines)
    assert re.search(fault, lines[0])


def test_all_faults_are_told_together(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match=r"day\.toml: 3 faults") as caught:
        read(tmp_path, "wrong = 1\ngrace_s = -1\n[limits]\nresponse_s = 0\n")
    assert len(caught.value.details) == 3


def test_a_file_that_is_not_there_or_not_text(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match=r"day\.toml: cannot be read: No such file"):
        read_day(tmp_path / "day.toml")
    (tmp_path / "day.toml").write_bytes(b"grace_s = 1 # \xff")
    with pytest.raises(FileFault, match=r"day\.toml: not UTF-8"):
        read_day(tmp_path / "day.toml")
