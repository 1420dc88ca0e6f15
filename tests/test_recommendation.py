"""The recommendation and its folds, on planes whose outcomes are made up."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from evalkit.choice import Spread
from evalkit.day import Day, Exposure, Limits
from evalkit.detectors import Levels, LevelUnit
from evalkit.errors import TooLittleData
from evalkit.recommendation import Proven, recommend_from, sentences
from evalkit.scoring import Sweep, Tally

from .benchmarks.coverage_with_choice import SPREAD, Workshop, simulate
from .test_planning import a_day, recommended

WORKSHOP = Workshop("made up", 5, 12, 0.5, 0.1)


def drawn(seed: int = 3) -> Sweep:
    return simulate(WORKSHOP, np.random.default_rng(seed))


def changed(swept: Sweep, session: str, **to: object) -> Sweep:
    return replace(
        swept,
        tallies=tuple(replace(t, **to) if t.session == session else t for t in swept.tallies),  # type: ignore[arg-type]
    )


class TestFolds:
    """Each session at the setting that was chosen without it."""

    def test_a_fold_is_what_the_other_sessions_choose(self) -> None:
        swept = drawn()
        found = recommend_from(swept, WORKSHOP.day, spread=SPREAD)
        assert [fold.session for fold in found.folds] == list(swept.sessions)
        for fold in found.folds:
            rest = replace(swept, tallies=tuple(t for t in swept.tallies if t.session != fold.session))
            alone = recommend_from(rest, WORKSHOP.day, spread=SPREAD)
            assert (fold.lane, fold.delay_index) == (alone.choice.lane, alone.choice.delay_index)
            assert fold.position == swept.levels.position[fold.lane]
            assert fold.delay_s == swept.delay_s[fold.delay_index]

    def test_held_out_figures_are_sums_over_the_folds(self) -> None:
        swept = drawn()
        found = recommend_from(swept, WORKSHOP.day, spread=SPREAD)
        figures = found.held_out
        assert figures is not None
        at = {fold.session: (fold.lane, fold.delay_index) for fold in found.folds}
        assert figures.caught == sum(int((t.status[:, *at[t.session]] == 1).sum()) for t in swept.tallies)
        alarms = sum(t.alarms[:, *at[t.session]] for t in swept.tallies)
        assert [c.alarms for c in figures.classes] == alarms.tolist()
        for k, session in enumerate(figures.sessions):
            tally = next(t for t in swept.tallies if t.session == session)
            assert figures.alarms_by_session[:, k].tolist() == tally.alarms[:, *at[session]].tolist()
            # taps are counted in events, the others in hours
            assert figures.recorded_by_session[:, k].tolist() == pytest.approx([25.0, 0.2, 0.8])

    def test_outcomes_of_a_session_do_not_touch_its_own_fold(self) -> None:
        swept = drawn()
        before = recommend_from(swept, WORKSHOP.day, spread=SPREAD)
        worst = next(t for t in swept.tallies if t.session == "s02")
        ruined = changed(
            swept,
            "s02",
            status=np.zeros_like(worst.status),
            response_s=np.full_like(worst.response_s, np.inf),
            alarms=worst.alarms + 50,
        )
        after = recommend_from(ruined, WORKSHOP.day, spread=SPREAD)
        assert before.folds[2] == after.folds[2]
        assert before.folds[:2] != after.folds[:2]

    def test_a_class_that_only_the_held_out_session_has_is_left_out_and_named(self) -> None:
        swept = drawn()
        for session in ("s00", "s01", "s02", "s03"):
            tally = next(t for t in swept.tallies if t.session == session)
            swept = changed(swept, session, hours=tally.hours * np.array([1.0, 0.0, 1.0]))
        found = recommend_from(swept, WORKSHOP.day, spread=SPREAD)
        assert [fold.left_out for fold in found.folds] == [(), (), (), (), ("tool",)]
        assert any("Without session s04 there is no tool" in said for said in sentences(found, WORKSHOP.day))
        assert found.held_out is not None

    def test_without_a_call_elsewhere_nothing_is_held_out(self) -> None:
        swept = drawn()
        for session in ("s00", "s01", "s02", "s03"):
            tally = next(t for t in swept.tallies if t.session == session)
            none = {"calls": (), "status": tally.status[:0], "response_s": tally.response_s[:0]}
            swept = changed(swept, session, **none)
        found = recommend_from(swept, WORKSHOP.day, spread=SPREAD)
        assert found.held_out is None
        assert found.folds == ()
        assert not found.proven.all

    def test_a_fold_that_cannot_be_fitted_leaves_nothing_held_out(self) -> None:
        def without(groups: Sequence[frozenset[str]]) -> Sequence[Sweep]:
            raise TooLittleData("too few sessions")

        found = recommend_from(drawn(), WORKSHOP.day, spread=SPREAD, without=without)
        assert found.held_out is None
        assert not found.proven.calls

    def test_every_fold_asks_for_its_own_sweep(self) -> None:
        swept, other = drawn(), drawn(4)
        asked: list[frozenset[str]] = []

        def without(groups: Sequence[frozenset[str]]) -> Sequence[Sweep]:
            asked.extend(groups)
            return [other] * len(groups)

        found = recommend_from(swept, WORKSHOP.day, spread=SPREAD, without=without)
        assert asked == [frozenset({s}) for s in swept.sessions]
        expected = recommend_from(other, WORKSHOP.day, spread=SPREAD)
        assert found.folds == expected.folds
        assert found.choice == recommend_from(swept, WORKSHOP.day, spread=SPREAD).choice

    @pytest.mark.parametrize("sessions", [1, 2])
    def test_under_three_sessions_nothing_is_proven(self, sessions: int) -> None:
        found, day = recommended(sessions=sessions)
        assert found.held_out is None
        assert found.proven == Proven(calls=False, false_alarms=False, response=False)
        assert any("Fewer than 3 sessions" in said for said in sentences(found, day))


class TestClaims:
    """What is proven, thin or unknown."""

    def test_proven_is_the_worse_end_of_each_held_out_interval(self) -> None:
        generous, day = recommended(sessions=8, calls=30, recorded=(60.0, 1.0, 5.0))
        assert generous.proven.all
        figures = generous.held_out
        assert figures is not None
        calls, alarms = figures.calls_interval.pair(), figures.false_alarms_interval.pair()
        assert calls is not None
        assert alarms is not None
        stricter = day.limits
        for limits, proven in (
            (replace(stricter, calls_caught=calls[0] - 1e-6), True),
            (replace(stricter, calls_caught=calls[0] + 1e-6), False),
        ):
            found, _ = recommended(sessions=8, calls=30, recorded=(60.0, 1.0, 5.0), day=a_day(limits))
            assert found.proven.calls is proven
        for limits, proven in (
            (replace(stricter, false_alarms_per_day=alarms[1] + 1e-6), True),
            (replace(stricter, false_alarms_per_day=alarms[1] - 1e-6), False),
        ):
            found, _ = recommended(sessions=8, calls=30, recorded=(60.0, 1.0, 5.0), day=a_day(limits))
            assert found.proven.false_alarms is proven

    def test_thin_is_a_class_of_which_one_alarm_more_would_break_the_limit(self) -> None:
        # 60 taps a day of 120: 0.5 a day for each; 1 h of 0.6 h: 1.67; 6 h of 3 h: 2
        found, _ = recommended(day=a_day(Limits(0.9, 1.9, 6.0)))
        assert found.thin == ("background",)
        found, _ = recommended(day=a_day(Limits(0.9, 0.4, 6.0)))
        assert set(found.thin) == {"tap", "tool", "background"}

    def test_one_miss_more_is_said_only_where_the_limit_still_holds(self) -> None:
        """10 calls in each of 6 sessions; 90 % of 60 allows 6 misses."""

        def about_calls(misses: int) -> list[str]:
            missed = tuple((k % 6, k // 6) for k in range(misses))
            found, day = recommended(missed=missed)
            assert found.figures.caught == 60 - misses
            return [said for said in sentences(found, day) if said.startswith("Calls:")]

        assert about_calls(0) == []
        assert about_calls(5) == []
        (last,) = about_calls(6)
        assert last == "Calls: 54 of 60 caught; one more miss would be under the limit of 90 %."
        (over,) = about_calls(7)
        assert (
            over
            == "Calls: 53 of 60 caught is under the limit of 90 % already; of 60 at most 6 may be missed."
        )

    def test_one_alarm_more_is_said_to_break_a_limit_only_where_it_still_holds(self) -> None:
        day = a_day(Limits(0.9, 1.0, 6.0))
        (tool,) = [s for s in sentences(*recommended(alarms={(0, 1): 3}, day=day)) if s.startswith("tool")]
        assert "3 alarms in 36 min" in tool
        assert "the limit of 1 a day is missed already" in tool
        (tool,) = [s for s in sentences(*recommended(day=day)) if s.startswith("tool")]
        assert "no alarm in 36 min; one more would mean 1.7 more a day (the limit is 1)" in tool

    def test_an_unknown_class_leaves_passing_open(self) -> None:
        day = Day(Limits(0.9, 2.0, 6.0), (Exposure("tram", 10.0, None),))
        found, _ = recommended(day=day)
        assert found.passes is None
        assert found.figures.false_alarms_per_day is None
        assert any("brings tram" in said for said in sentences(found, day))

    def test_a_detector_with_a_spread_of_its_own_is_measured_by_it(self) -> None:
        swept = drawn()
        own = replace(
            swept,
            levels=Levels(swept.levels.position, LevelUnit.LOG_ODDS, None, None, sigma=7.0),
        )
        found = recommend_from(own, WORKSHOP.day, spread=SPREAD)
        assert found.spread == Spread(7.0, SPREAD.delay)
        assert found.threshold_v is None
        assert found.gain is None
        assert found.threshold_level == pytest.approx(1.0 / (1.0 + np.exp(-found.threshold_position)))
        assert any("optimistic" in said for said in sentences(found, WORKSHOP.day))
        plain = recommend_from(swept, WORKSHOP.day, spread=SPREAD)
        assert plain.spread == SPREAD
        assert plain.threshold_level is None
        assert not any("optimistic" in said for said in sentences(plain, WORKSHOP.day))

    def test_nothing_reviewed_and_no_call_are_refused(self) -> None:
        swept = drawn()
        bare: dict[str, object] = {"calls": ()}

        def emptied(tally: Tally, **more: object) -> Tally:
            return replace(
                tally,
                status=tally.status[:0],
                response_s=tally.response_s[:0],
                **{**bare, **more},  # type: ignore[arg-type]
            )

        nobody_rang = replace(swept, tallies=tuple(emptied(t) for t in swept.tallies))
        with pytest.raises(TooLittleData, match="no call lies wholly inside"):
            recommend_from(nobody_rang, WORKSHOP.day, spread=SPREAD)
        nothing = np.zeros(3)
        unheard = replace(
            swept, tallies=tuple(emptied(t, events=nothing, hours=nothing) for t in swept.tallies)
        )
        with pytest.raises(TooLittleData, match="no time is reviewed"):
            recommend_from(unheard, WORKSHOP.day, spread=SPREAD)
