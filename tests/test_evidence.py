"""What `check` says of the evidence: thin classes and phones, labels that do not hold together, levels.

The workshop is invented (tests/workshops.py).
"""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from evalkit.cache import CrossingCache
from evalkit.checking import Finding
from evalkit.cli import main
from evalkit.dataset import Dataset, Recording
from evalkit.evidence import evidence_findings
from evalkit.segments import Segment

from .workshops import make_workshop


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Dataset:
    return make_workshop(tmp_path_factory.mktemp("evidence") / "workshop", sessions=5, calls=4)


def found_in(dataset: Dataset, kind: str) -> list[Finding]:
    findings = evidence_findings(dataset, CrossingCache(dataset.folder))
    assert all(f.usable for f in findings)
    return [f for f in findings if f.kind == kind]


def changed(dataset: Dataset, name: str, change: Callable[[Recording], Recording]) -> Dataset:
    return replace(dataset, recordings=tuple(change(r) if r.name == name else r for r in dataset.recordings))


def test_nothing_is_found_where_the_labels_are_right(workshop: Dataset) -> None:
    findings = evidence_findings(workshop, CrossingCache(workshop.folder))
    assert [f for f in findings if f.kind in ("label?", "level", "few-sessions")] == []


def test_a_ring_that_is_labelled_as_a_tool_is_found_with_its_time(workshop: Dataset) -> None:
    ring = next(s for s in workshop.recording("s2").segments if s.label == "ring")

    def mislabel(recording: Recording) -> Recording:
        call = [s for s in recording.segments if s.label == "ring" and abs(s.start_s - ring.start_s) < 15.0]
        rest = tuple(s for s in recording.segments if s not in call)
        wrong = Segment(call[0].start_s, call[-1].end_s, "tool")
        return replace(recording, segments=tuple(sorted((*rest, wrong))))

    findings = found_in(changed(workshop, "s2", mislabel), "label?")
    assert findings
    assert {f.place for f in findings} == {"s2"}
    for finding in findings:
        assert finding.start_s is not None
        assert finding.end_s is not None
        assert "labelled tool" in finding.message
        assert ring.start_s - 0.5 <= finding.start_s < finding.end_s <= ring.start_s + 15.0


def test_a_ring_that_nobody_labelled_is_found(workshop: Dataset) -> None:
    def forget(recording: Recording) -> Recording:
        first = next(s for s in recording.segments if s.label == "ring")
        keep = tuple(
            s for s in recording.segments if s.label != "ring" or abs(s.start_s - first.start_s) > 15.0
        )
        return replace(recording, segments=keep)

    findings = found_in(changed(workshop, "s1", forget), "label?")
    assert findings
    assert all(f.place == "s1" and "not labelled" in f.message for f in findings)


def test_a_ring_where_nothing_rings_is_found(workshop: Dataset) -> None:
    tool = next(s for s in workshop.recording("s3").segments if s.label == "tool")

    def mislabel(recording: Recording) -> Recording:
        wrong = replace(tool, label="ring")
        return replace(recording, segments=tuple(sorted({*recording.segments, wrong} - {tool})))

    findings = found_in(changed(workshop, "s3", mislabel), "label?")
    assert [(f.place, f.start_s, f.end_s) for f in findings] == [("s3", tool.start_s, tool.end_s)]
    assert "labelled ring" in findings[0].message


def test_a_session_of_another_gain_is_found(tmp_path: Path) -> None:
    dataset = make_workshop(tmp_path / "gain", sessions=4, calls=2, gain_db=(0.0, 0.0, -16.0, 0.0))
    places = {f.place for f in found_in(dataset, "level")}
    assert places == {"session s2"}


def test_classes_and_phones_of_which_there_is_too_little(workshop: Dataset) -> None:
    def untooled(recording: Recording) -> Recording:
        return replace(recording, segments=tuple(s for s in recording.segments if s.label != "tool"))

    thin = replace(
        workshop,
        recordings=tuple(r if r.session == "s0" else untooled(r) for r in workshop.recordings[:3])
        + tuple(untooled(r) for r in workshop.recordings[3:] if r.session != "s0")
        + tuple(r for r in workshop.recordings[3:] if r.session == "s0"),
    )
    (few,) = found_in(thin, "few-sessions")
    assert few.place == "tool"
    assert "one session only" in few.message
    small = replace(workshop, recordings=workshop.recordings[:2])
    phones = {f.place: f.message for f in found_in(small, "few-calls")}
    assert set(phones) == {"brick", "slab"}
    counts = {name: int(text.split("has ")[1].split()[0]) for name, text in phones.items()}
    assert sum(counts.values()) == 8
    for name, n in counts.items():
        # exact lower limit of n of n: 0.025^(1/n) (Clopper-Pearson)
        assert f"no more than {100 * 0.025 ** (1 / n):.0f} % would be shown" in phones[name]


def test_check_shows_evidence_beside_the_faults(
    workshop: Dataset, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", str(workshop.folder), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["usable"] is True
    assert isinstance(document["evidence"], list)
    assert main(["plan", str(workshop.folder), "--detector", "envelope", "--json"]) == 0
    wanted = json.loads(capsys.readouterr().out)
    assert wanted["detector"] == "envelope"
    assert wanted["steps"] or wanted["obstacles"] or wanted["proven"]
    assert main(["plan", str(workshop.folder), "--detector", "nonsense"]) == 2
    assert "unknown detector" in capsys.readouterr().err
