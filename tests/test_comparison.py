"""Detectors side by side: chance, pairs, verdict, and where a setting fails.

Workshops and outcomes are invented; no figure here comes from a recording.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from evalkit import comparison
from evalkit.cache import CrossingCache
from evalkit.chance import _hit, against_chance
from evalkit.choice import Spread
from evalkit.comparison import Comparison, Question, compare
from evalkit.crossings import Integrator
from evalkit.curves import Curves
from evalkit.dataset import Dataset
from evalkit.day import Day, Exposure, Limits
from evalkit.detectors import Cost, Levels, LevelUnit
from evalkit.documents import comparison_document
from evalkit.errors import TooLittleData
from evalkit.failures import call_groups
from evalkit.recommendation import Recommendation, recommend_from
from evalkit.report.comparing import contender_rows, difference_rows, group_rows, method_lines
from evalkit.report.side_by_side import comparison_picture
from evalkit.roc import FreeResponse, Scores, auc, roc_curve
from evalkit.scoring import Sweep, Tally
from evalkit.segments import Call, Segment
from evalkit.training import DetectorName

from .benchmarks import null_labels
from .benchmarks.coverage_with_choice import (
    TARGET_INDEPENDENT,
    TARGET_SPREAD,
    Workshop,
    bias_error,
    run,
    shares,
)
from .benchmarks.null_labels import reported
from .test_coverage import bound
from .workshops import make_workshop

NAMES = (DetectorName.ENVELOPE, DetectorName.LOGISTIC, DetectorName.RHYTHM)


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Dataset:
    return make_workshop(tmp_path_factory.mktemp("comparison") / "workshop", sessions=6, calls=3)


@pytest.fixture(scope="module")
def compared(workshop: Dataset) -> Comparison:
    return compare(workshop, NAMES, cache=CrossingCache(workshop.folder))


class TestComparison:
    """The table of `score`."""

    def test_every_detector_is_held_out_in_every_session(self, compared: Comparison) -> None:
        assert [c.name for c in compared.contenders] == [str(name) for name in NAMES]
        assert compared.left_out == ()
        for contender in compared.contenders:
            figures = contender.found.held_out
            assert figures is not None
            assert len(contender.found.folds) == 6
            assert len(figures.calls) == 18
            assert contender.better_than_chance is True

    def test_each_is_held_against_the_plainest(self, compared: Comparison) -> None:
        assert compared.reference == "envelope"
        assert {(d.detector, d.question) for d in compared.differences} == {
            (name, q) for name in ("logistic", "rhythm") for q in Question
        }
        assert "envelope" in compared.verdict

    def test_no_claim_under_ten_discordant_outcomes(self, compared: Comparison) -> None:
        for d in compared.differences:
            if d.only_detector + d.only_reference < comparison.FEWEST_DISCORDANT:
                assert d.p_value is d.p_adjusted is d.better is None

    def test_one_detector_is_compared_with_nothing(self, workshop: Dataset) -> None:
        alone = compare(workshop, NAMES[:1], cache=CrossingCache(workshop.folder))
        assert alone.reference is None
        assert alone.differences == ()
        assert "nothing to compare" in alone.verdict

    def test_rows_and_document_say_the_same(self, compared: Comparison, workshop: Dataset) -> None:
        document = comparison_document(compared, workshop)
        rows = contender_rows(compared)
        assert [d["detector"] for d in document["detectors"]] == [row[0] for row in rows]
        for entry, row in zip(document["detectors"], rows):
            caught = entry["held_out"]["calls"]
            assert row[2].startswith(f"{caught['caught']} of {caught['counted']} ")
            assert entry["chance"]["better"] is True
            assert sum(g["counted"] for g in entry["where_it_fails"]["calls"] if g["by"] == "phone") == 18
            assert entry["methods"]["calls"]
        by_name = {d["detector"]: d for d in document["detectors"]}
        assert by_name["envelope"]["threshold_v"] > 0.0
        assert by_name["envelope"]["threshold_level"] is None
        assert by_name["logistic"]["threshold_v"] is None
        assert 0.0 < by_name["logistic"]["threshold_level"] < 1.0
        assert len(difference_rows(compared)) == len(document["differences"]) == 4
        said = " ".join(method_lines(compared))
        for figure in ("calls, 95 %", "false alarms, 95 %", "response, 95 %", "AUC, 95 %"):
            assert figure in said

    def test_the_picture_tells_every_detector_in_words_too(
        self, compared: Comparison, workshop: Dataset
    ) -> None:
        picture = comparison_picture(compared, workshop.day)
        for contender in compared.contenders:
            figures = contender.found.held_out
            assert figures is not None
            assert figures.calls_caught is not None
            assert f"{contender.name}, held out: {100 * figures.calls_caught:.1f} % of calls" in picture.alt
            assert contender.name in picture.svg
        assert picture.png.startswith(b"\x89PNG")

    def test_two_sessions_are_enough_to_fit_but_not_to_compare(self, tmp_path: Path) -> None:
        small = make_workshop(tmp_path / "two", sessions=2, calls=2)
        found = compare(small, NAMES[:2], cache=CrossingCache(small.folder))
        assert [c.chance for c in found.contenders] == [None, None]
        assert "Fewer than 3 sessions" in found.verdict
        assert all(d.p_value is None for d in found.differences)

    def test_one_session_leaves_learned_detectors_out_and_says_why(self, tmp_path: Path) -> None:
        small = make_workshop(tmp_path / "one", sessions=1, calls=3)
        cache = CrossingCache(small.folder)
        found = compare(small, NAMES, cache=cache)
        assert [c.name for c in found.contenders] == ["envelope"]
        assert {name for name, _ in found.left_out} == {"logistic", "rhythm"}
        assert "at least 2" in found.left_out[0][1]
        with pytest.raises(TooLittleData, match="at least 2"):
            compare(small, NAMES[1:], cache=cache)


class _Fake:
    """Stands for a detector of some cost where only outcomes matter."""

    def __init__(self, cost: object) -> None:
        self.cost = cost


def _outcomes(caught: np.ndarray, alarms: np.ndarray) -> Recommendation:
    """A recommendation with one setting: (sessions, calls) caught, (sessions,) false alarms."""
    tallies = tuple(
        Tally(
            recording=f"s{k}",
            session=f"s{k}",
            calls=tuple(Call(60.0 * i, 60.0 * i + 10.0, "slab", False) for i in range(len(row))),
            status=row.astype(np.uint8).reshape(-1, 1, 1),
            response_s=np.where(row, 1.0, np.inf).astype(np.float32).reshape(-1, 1, 1),
            alarms=np.array([[[n]]], np.int32),
            alarm_s=np.array([[[4.0 * n]]]),
            events=np.zeros(1),
            hours=np.ones(1),
        )
        for k, (row, n) in enumerate(zip(caught, alarms))
    )
    swept = Sweep(
        "made up",
        Levels(np.zeros(1), LevelUnit.DECIBEL, None, None),
        np.ones(1),
        Integrator(0.6, 0.3),
        ("background",),
        tallies,
    )
    return recommend_from(swept, Day(exposures=(Exposure("background", None, 8.0),)), spread=Spread(1.0, 0.1))


class TestPairs:
    """Differences by hand."""

    def test_discordant_calls_are_counted_by_session(self) -> None:
        first, second = np.ones((3, 4), bool), np.ones((3, 4), bool)
        first[0, 0] = False
        second[0, 1] = second[2, :3] = False
        figures = [_outcomes(rows, np.zeros(3, int)).held_out for rows in (first, second)]
        assert figures[0] is not None
        assert figures[1] is not None
        only_first, only_second = comparison._discordant_calls(figures[0], figures[1])
        assert only_first.tolist() == [1.0, 0.0, 3.0]
        assert only_second.tolist() == [1.0, 0.0, 0.0]

    def test_alarms_of_classes_that_no_day_brings_do_not_count(self) -> None:
        figures = _outcomes(np.ones((3, 2), bool), np.array([3, 0, 2])).held_out
        assert figures is not None
        assert comparison._alarms(figures, figures)[0].tolist() == [3.0, 0.0, 2.0]
        unbrought = replace(
            figures,
            classes=tuple(replace(c, exposure=replace(c.exposure, per_day=0.0)) for c in figures.classes),
        )
        assert comparison._alarms(unbrought, unbrought)[0].tolist() == [0.0, 0.0, 0.0]

    @pytest.mark.parametrize(
        ("sessions", "claimed"),
        # two-sided sign flips, n sessions that all agree: 2 / 2^n = 0.0625 and 0.03125
        [(5, False), (6, True)],
    )
    def test_a_claim_needs_enough_sessions_that_agree(self, sessions: int, claimed: bool) -> None:
        poor, good = np.ones((sessions, 6), bool), np.ones((sessions, 6), bool)
        poor[:, :2] = False
        contenders = []
        for rows, effort in ((poor, 0), (good, 3)):
            found = _outcomes(rows, np.zeros(sessions, int))
            swept = replace(found.sweep, detector=f"effort {effort}", by=_Fake(Cost(effort, "", "")))  # type: ignore[arg-type]
            contenders.append(_contender(replace(found, sweep=swept)))
        reference, one = contenders
        raw = [comparison._difference(one, reference, q) for q in Question]
        calls, alarms = comparison._adjusted(raw)
        assert (calls.only_detector, calls.only_reference) == (2 * sessions, 0)
        assert calls.p_value == calls.p_adjusted == pytest.approx(2.0 / 2**sessions)
        assert calls.better == ("effort 3" if claimed else None)
        # no alarms at all: too few to tell
        assert alarms.p_value is alarms.better is None


def _contender(found: Recommendation) -> comparison.Contender:
    """A contender without curves of its own: all its segments score alike."""
    scores = Scores(np.array([1.0, 2.0]), np.array([0.0, 1.0]))
    nothing = np.empty(0)
    curves = Curves(
        roc_curve(scores),
        auc(scores),
        roc_curve(scores),
        auc(scores),
        FreeResponse(nothing, nothing, np.empty(0, np.intp)),
        scores,
    )
    assert found.sweep.by is not None
    return comparison.Contender(found, curves, found.sweep.by.cost, None, None)


class TestVerdict:
    """The sentence."""

    def _verdict(
        self, poor_calls: int, poor_alarms: int, limits: tuple[float, float, float], sessions: int = 10
    ) -> str:
        contenders = []
        for name, missed, alarms, effort in (("plain", poor_calls, poor_alarms, 0), ("clever", 0, 0, 3)):
            rows = np.ones((sessions, 6), bool)
            rows[:, :missed] = False
            found = _outcomes(rows, np.full(sessions, alarms))
            swept = replace(found.sweep, detector=name, by=_Fake(Cost(effort, "a controller", "20 mA")))  # type: ignore[arg-type]
            contenders.append(_contender(replace(found, sweep=swept)))
        differences = comparison._adjusted(
            [comparison._difference(contenders[1], contenders[0], q) for q in Question]
        )
        return comparison._verdict(contenders[0], contenders[1:], differences, Limits(*limits))

    def test_not_better(self) -> None:
        said = self._verdict(0, 0, (0.9, 1.0, 6.0))
        assert said.startswith("No cleverer detector is better than plain beyond chance")

    def test_better_and_needed(self) -> None:
        said = self._verdict(2, 0, (0.9, 1.0, 6.0))
        assert "clever is better than plain beyond chance (calls: 20 against 0" in said
        assert "worth building" in said
        assert "a controller; 20 mA" in said

    def test_better_but_not_needed(self) -> None:
        said = self._verdict(0, 1, (0.9, 10.0, 6.0))
        assert "false alarms: 0 against 10" in said
        assert "plain meets the limits too: not worth its cost" in said

    def test_better_but_not_good_enough(self) -> None:
        # everyone answers after 1 s, and half a second is wanted
        assert "does not meet the limits either" in self._verdict(2, 0, (0.9, 1.0, 0.5))

    def test_hopeful_but_not_shown(self) -> None:
        said = self._verdict(1, 0, (0.9, 1.0, 6.0), sessions=5)
        assert said.startswith("No cleverer detector")
        assert "clever met the limits in held-out sessions where plain did not" in said

    def test_too_few_sessions_to_claim_anything_are_said(self) -> None:
        """20 discordant calls in 5 sessions that all agree: 2 / 2^5 = 0.0625, and 6 sessions would do."""
        said = self._verdict(4, 0, (0.9, 1.0, 6.0), sessions=5)
        assert "smallest p 0.062" in said
        assert "5 sessions cannot show any difference in so many, 6 that agree could" in said


class TestChance:
    """Labels turned round in time."""

    @settings(derandomize=True, deadline=None, max_examples=100)
    @given(
        calls=st.lists(st.tuples(st.floats(0.0, 95.0), st.floats(0.1, 30.0)), max_size=5),
        starts=st.lists(st.floats(0.0, 99.9), max_size=8),
        shift=st.floats(0.0, 99.9),
    )
    def test_hits_are_those_of_a_plain_loop(
        self, calls: list[tuple[float, float]], starts: list[float], shift: float
    ) -> None:
        table = np.array([[a, a + length] for a, length in calls]).reshape(-1, 2)
        found = _hit(table, np.sort(np.array(starts)), np.array([shift]), 100.0)
        plain = 0
        for a, b in table:
            places = [(s - a - shift) % 100.0 for s in starts]
            edge = [min(abs(p), abs(p - 100.0), abs(p - (b - a))) for p in places]
            assume(all(e > 1e-6 for e in edge))
            plain += any(p < b - a for p in places)
        assert found.tolist() == [plain]

    def test_p_values_of_alerts_at_random_are_uniform(self) -> None:
        """Alerts that know nothing: 5 % of p-values are at most 5 %, within 3 standard deviations."""
        rng = np.random.default_rng(8)
        small = 0
        n = 1_500
        for _ in range(n):
            calls = np.sort(rng.uniform(0.0, 580.0, 12))
            table = np.stack([calls, calls + 15.0], axis=1)
            starts = np.sort(rng.uniform(0.0, 600.0, 20))
            observed = int(_hit(table, starts, np.zeros(1), 600.0)[0])
            turned = _hit(table, starts, rng.uniform(0.0, 600.0, 199), 600.0)
            small += (1 + int((turned >= observed).sum())) / 200 <= 0.05
        assert small / n < 0.05 + 3.0 * np.sqrt(0.05 * 0.95 / n)

    def test_labels_turned_round_are_not_reported(self, workshop: Dataset) -> None:
        """Small version of `python -m tests.benchmarks.null_labels`: 5 % of 8 turns, with luck up to 3."""
        cache = CrossingCache(workshop.folder)
        found = [null_labels.turn(workshop, NAMES, k, cache) for k in range(8)]
        assert sum(bool(names) for names in found) <= 3

    def test_a_run_that_was_ended_goes_on_where_it_stopped(self, tmp_path: Path) -> None:
        table, asked = tmp_path / "turns.csv", list[int]()

        def one(k: int) -> tuple[str, ...]:
            asked.append(k)
            if k == 3 and asked.count(3) == 1:
                raise KeyboardInterrupt
            return ("logistic", "rhythm") if k == 1 else ()

        with pytest.raises(KeyboardInterrupt):
            list(null_labels.run(table, 5, one))
        # killed in the middle of writing a row
        with table.open("a") as stream:
            stream.write("3,circ")
        found = list(null_labels.run(table, 5, one))
        assert found == [(), ("logistic", "rhythm"), (), (), ()]
        assert asked == [0, 1, 2, 3, 3, 4]
        assert [row.split(",")[0] for row in table.read_text().splitlines()] == ["turn", *map(str, range(5))]

    def test_the_labels_as_they_are_are_reported(self, compared: Comparison) -> None:
        assert set(reported(compared)) == {str(name) for name in NAMES}

    def test_without_folds_it_is_unknown(self, compared: Comparison, workshop: Dataset) -> None:
        found = replace(compared.contenders[0].found, folds=())
        assert against_chance(found, workshop, CrossingCache(workshop.folder)) is None


class TestWhereItFails:
    """Rows that the average hides."""

    def test_groups_of_calls(self, compared: Comparison, workshop: Dataset) -> None:
        figures = compared.contenders[0].found.held_out
        assert figures is not None
        groups = call_groups(figures, workshop)
        for by in ("phone", "session"):
            assert sum(g.counted for g in groups if g.by == by) == figures.counted
            assert sum(g.caught for g in groups if g.by == by) == figures.caught
        assert {g.name for g in groups if g.by == "phone"} == {"slab", "brick"}
        for by in ("phone", "during", "session"):
            shares_ = [g.calls_caught for g in groups if g.by == by]
            assert shares_ == sorted(shares_)
        assert len(group_rows(groups)) == len(groups)

    def test_calls_during_a_nuisance_have_their_own_row(
        self, compared: Comparison, workshop: Dataset
    ) -> None:
        figures = compared.contenders[0].found.held_out
        assert figures is not None
        call = figures.calls[0]
        crowded = replace(
            workshop,
            recordings=tuple(
                replace(
                    r,
                    segments=(*r.segments, Segment(call.call.start_s + 0.5, call.call.start_s + 1.0, "tool")),
                )
                if r.name == call.recording
                else r
                for r in workshop.recordings
            ),
        )
        rows = {g.name: g for g in call_groups(figures, crowded) if g.by == "during"}
        assert rows["tool"].counted == 1
        assert rows["nothing else"].counted == figures.counted - 1


class TestCoverage:
    """Small version of `python -m tests.benchmarks.coverage_with_choice` (design, section 7)."""

    @pytest.mark.parametrize(
        ("case", "target"),
        [
            (Workshop("independent", 6, 12, 0.0, 0.0), TARGET_INDEPENDENT),
            (Workshop("spread", 6, 12, 1.0, 0.2), TARGET_SPREAD),
        ],
    )
    def test_held_out_intervals_cover_and_are_unbiased(self, case: Workshop, target: float) -> None:
        n = 250
        rows = run(case, n)
        found = shares(rows)
        error = bias_error(rows)
        for i in range(2):
            assert found["covered"][i] >= bound(target, n)
            assert abs(found["held_out_bias"][i]) < 3.5 * error[i]
        # the data that chose the setting make it look better than it is: fewer alarms than in truth
        assert found["in_sample_bias"][1] < min(-0.2, found["held_out_bias"][1])
