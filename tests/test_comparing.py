"""What is said beside the figures: which interval it is, what independence would give, what is unknown.

Outcomes are made up (tests/test_planning.py).
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom, binomtest

from evalkit.cache import CrossingCache
from evalkit.choice import Spread
from evalkit.comparison import Comparison, compare
from evalkit.dataset import Dataset
from evalkit.day import Day, Exposure, Limits
from evalkit.documents import comparison_document
from evalkit.recommendation import recommend_from
from evalkit.report.comparing import comparison_tables, contender_rows, method_lines
from evalkit.report.wording import interval_notes, outcome_rows
from evalkit.training import DetectorName

from .test_planning import recommended
from .workshops import make_workshop

NAMES = (DetectorName.ENVELOPE, DetectorName.LOGISTIC)


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Dataset:
    return make_workshop(tmp_path_factory.mktemp("comparing") / "workshop", sessions=6, calls=3)


@pytest.fixture(scope="module")
def compared(workshop: Dataset) -> Comparison:
    return compare(workshop, NAMES, cache=CrossingCache(workshop.folder))


def test_plain_intervals_stand_beside_the_clustered_one() -> None:
    """Design, section 4.4: Wilson and Clopper-Pearson, calls as independent; here by scipy's binomtest."""
    found, day = recommended(missed=((0, 1), (0, 2), (3, 3)))
    rows = {row[0]: row for row in outcome_rows(found, day)}
    told = rows["the same, if calls were independent"][2]
    plain = binomtest(57, 60)
    for method, name in (("exact", "Clopper-Pearson"), ("wilson", "Wilson")):
        low, high = plain.proportion_ci(method=method)
        assert f"{name} [{100 * low:.3g}, {100 * high:.3g}]" in told


def test_each_interval_is_named_with_its_figure() -> None:
    found, _ = recommended(alarms={(0, 0): 1, (1, 0): 1, (2, 2): 9})
    assert found.held_out is not None
    notes = interval_notes(found.held_out)
    said = " ".join(notes)
    assert any(n.startswith("calls caught: Clopper-Pearson on the effective number") for n in notes)
    assert any(n.startswith("false alarms a day") and "gamma limits (Fay & Feuer 1997)" in n for n in notes)
    for label in ("tap", "tool", "background"):
        assert label in said
    # 60 calls: enough for the median, too few for the 95th percentile
    assert "half of the calls within: order statistics" in said
    assert "95 % of calls within: unknown: 60 calls are too few" in said


@pytest.mark.parametrize(("calls", "median", "p95"), [(5, False, False), (6, True, False), (72, True, True)])
def test_intervals_of_response_are_unknown_where_calls_are_too_few(
    calls: int, median: bool, p95: bool
) -> None:
    """Both ends outside for n calls: 2 x 0.5^n, and 0.95^n (arithmetic): 6 and 72 calls are the least."""
    found, day = recommended(sessions=1, calls=calls)
    figures = found.figures
    assert (figures.response_median_interval.pair() is not None) is median
    assert (figures.response_p95_interval.pair() is not None) is p95
    (row,) = [r for r in outcome_rows(found, day) if r[0].startswith("95 %")]
    assert row[3].count("[unknown]") == (not median) + (not p95)


def test_the_median_lies_between_the_ranks_of_the_binomial() -> None:
    """1 to 40 s: the ranks that leave out at most 2.5 % on each side, by scipy's binomial."""
    found, _ = recommended(sessions=1, calls=40)
    (tally,) = found.sweep.tallies
    response = np.arange(1.0, 41.0, dtype=np.float32).reshape(-1, 1, 1)
    swept = replace(found.sweep, tallies=(replace(tally, response_s=response),))
    slow = recommend_from(swept, Day(Limits(0.9, 2.0, 60.0)), spread=Spread(1.0, 0.1)).figures
    pair = slow.response_median_interval.pair()
    assert pair is not None
    low, high = (int(v) for v in pair)
    assert binom.cdf(low - 1, 40, 0.5) <= 0.025 < binom.cdf(low, 40, 0.5)
    assert (low, high) == (14, 27)
    assert slow.response_median_s == 20.0


class TestComparison:
    """The table of detectors."""

    def test_proven_is_told_beside_passes(self, compared: Comparison) -> None:
        for row, each in zip(contender_rows(compared), compared.contenders):
            word = row[5]
            assert each.found.passes is not None
            assert word.startswith("yes" if each.found.passes else "no")
            if each.found.passes:
                assert word == ("yes, proven" if each.found.proven.all else "yes, not proven")

    def test_a_level_is_told_in_volts_or_of_full_scale(self, compared: Comparison) -> None:
        (first, *_) = compared.contenders
        assert first.name == "envelope"
        assert "mV peak" in contender_rows(compared)[0][1]
        bare = replace(
            compared,
            contenders=tuple(
                replace(c, found=replace(c.found, calibrated=False)) for c in compared.contenders
            ),
        )
        assert "dBFS" in contender_rows(bare)[0][1]
        assert "re 1 V" not in contender_rows(bare)[0][1]

    def test_a_class_that_nobody_recorded_is_said_once(self, compared: Comparison) -> None:
        assert not any("tram" in line for line in method_lines(compared))
        unknown = tuple(
            replace(c, found=replace(c.found, plane=replace(c.found.plane, unknown=("tram",))))
            for c in compared.contenders
        )
        lines = [line for line in method_lines(replace(compared, contenders=unknown)) if "tram" in line]
        assert lines == [
            "The day brings tram and no reviewed recording holds any, so false alarms a day are unknown; "
            "record some tram, or set its exposure to 0 in day.toml if it never happens."
        ]

    def test_response_intervals_are_in_the_document(self, compared: Comparison, workshop: Dataset) -> None:
        for entry in comparison_document(compared, workshop)["detectors"]:
            # 18 calls: the median's interval is known, the 95th percentile's is not
            told = entry["response_intervals"]
            assert told["p95"] is None
            assert told["median"][0] <= entry["held_out"]["response_s"]["median"] <= told["median"][1]
            assert "order statistics" in entry["methods"]["response_median_s"]
            assert "too few" in entry["methods"]["response_p95_s"]

    def test_the_tables_name_what_they_are(self, compared: Comparison) -> None:
        tables = {t.name: t for t in comparison_tables(compared)}
        assert set(tables) == {"detectors", "pairs", "costs"}
        for table in tables.values():
            assert all(len(row) == len(table.columns) for row in table.rows)
        assert "in sessions held out" in tables["detectors"].title


def test_exposure_of_nothing_is_not_unknown() -> None:
    day = Day(Limits(0.9, 2.0, 6.0), (Exposure("tram", 0.0, None),))
    found, _ = recommended(day=day)
    assert found.figures.false_alarms_per_day == 0.0
    assert not math.isnan(found.figures.false_alarms_per_day)
