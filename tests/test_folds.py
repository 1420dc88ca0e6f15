"""Makers held out whole where a dataset merges several (issue: no leakage from maker to maker).

The workshops are invented (tests/workshops.py); who made which of them is set by hand here, as `unpack` would.
"""

from dataclasses import replace

import numpy as np
import pytest

from evalkit.cache import CrossingCache
from evalkit.choice import Spread
from evalkit.comparison import _discordant_calls
from evalkit.curves import curves_of
from evalkit.dataset import Dataset, Recording
from evalkit.detectors import Source
from evalkit.detectors.learned import LearnedDetector
from evalkit.folds import OWN, makers_held_out
from evalkit.planning import plan
from evalkit.recommendation import Recommendation, recommend, recommend_from, sentences
from evalkit.scoring import Sweeps
from evalkit.training import DetectorName, Material

from .workshops import make_workshop, relabelled

SPREAD = Spread(threshold=1.0, delay=0.1)
MAKERS = {"s0": None, "s1": None, "s2": "ada", "s3": "ada", "s4": "bo", "s5": "bo"}


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> Dataset:
    """Six sessions of one maker."""
    return make_workshop(tmp_path_factory.mktemp("folds") / "workshop", sessions=6, calls=3)


@pytest.fixture(scope="module")
def merged(alone: Dataset) -> Dataset:
    """The same audio as the sessions of three makers."""
    return made_by(alone, MAKERS)


def made_by(dataset: Dataset, makers: dict[str, str | None]) -> Dataset:
    return replace(dataset, recordings=tuple(replace(r, maker=makers[r.session]) for r in dataset.recordings))


def recommended(dataset: Dataset, name: DetectorName) -> Recommendation:
    sweeps = Sweeps(name, dataset, cache=CrossingCache(dataset.folder))
    return recommend_from(
        sweeps.on_all(extra=0),
        dataset.day,
        spread=SPREAD,
        without=lambda groups: sweeps.without(groups, extra=0),
    )


@pytest.fixture(scope="module")
def found(merged: Dataset) -> Recommendation:
    return recommended(merged, DetectorName.ENVELOPE)


class TestWhatIsHeldOutTogether:
    """A session, or a maker."""

    def test_the_sessions_of_one_maker_are_held_out_one_by_one(self, alone: Dataset) -> None:
        assert makers_held_out(alone) == {}
        assert makers_held_out(made_by(alone, dict.fromkeys(MAKERS, "ada"))) == {}

    def test_three_makers_are_held_out_whole(self, merged: Dataset) -> None:
        assert makers_held_out(merged) == {s: maker or OWN for s, maker in MAKERS.items()}

    def test_two_makers_are_too_few(self, alone: Dataset) -> None:
        two = {s: maker or "ada" for s, maker in MAKERS.items()}
        assert makers_held_out(made_by(alone, two)) == {}

    def test_some_call_must_be_left_whoever_is_left_out(self, merged: Dataset) -> None:
        def silent(recording: Recording) -> Recording:
            if recording.maker == "ada":
                return recording
            return replace(recording, segments=tuple(s for s in recording.segments if s.label != "ring"))

        assert makers_held_out(replace(merged, recordings=tuple(map(silent, merged.recordings)))) == {}

    def test_makers_who_share_a_session_are_held_out_together(self, alone: Dataset) -> None:
        four = made_by(alone, {**MAKERS, "s1": "cy"})
        shared = tuple(replace(r, session="s0") if r.session == "s2" else r for r in four.recordings)
        groups = makers_held_out(replace(four, recordings=shared))
        assert groups["s0"] == groups["s3"] == " and ".join(sorted(["ada", OWN]))
        assert set(groups.values()) == {groups["s0"], "bo", "cy"}


class TestNoLeakage:
    """Nothing of a held-out maker is known to whatever is scored on it."""

    @pytest.mark.parametrize("name", [DetectorName.ENVELOPE, DetectorName.BAND, DetectorName.LOGISTIC])
    def test_labels_of_the_held_out_maker_change_nothing_of_its_fold(
        self, merged: Dataset, name: DetectorName
    ) -> None:
        other = replace(
            merged,
            recordings=tuple(relabelled(r) if r.maker == "ada" else r for r in merged.recordings),
        )
        folds = []
        for dataset in (merged, other):
            found = recommended(dataset, name)
            assert [fold.session for fold in found.folds] == sorted(["ada", "bo", OWN])
            fold = next(f for f in found.folds if f.session == "ada")
            assert fold.detector is not None
            folds.append((fold.detector.fingerprint, fold.lane, fold.delay_index))
        assert folds[0] == folds[1]

    def test_a_session_is_not_scored_by_what_was_learned_from_another_of_its_maker(
        self, merged: Dataset
    ) -> None:
        """Cross-fitting by maker, where a setting is chosen on the very sessions of the fit."""
        material = Material(merged, CrossingCache(merged.folder))
        for left_out in ((), ("s0", "s1")):
            sessions = material.sessions - set(left_out)
            detector = DetectorName.LOGISTIC.fit(material.of(sessions)).axis()
            assert isinstance(detector, LearnedDetector)
            own = {s: detector.at_rest(Source(8_000, 1.0, 1e6, s)).members for s in sorted(material.sessions)}
            for maker in {"ada", "bo"}:
                assert len({own[s] for s in sessions if MAKERS[s] == maker}) == 1
            assert own["s2"] != own["s4"]


class TestHold:
    """The hold, too, is chosen without what is held out."""

    def test_a_session_that_pauses_longer_does_not_set_the_hold_that_it_is_scored_with(
        self, alone: Dataset
    ) -> None:
        """Every second ring of one session is not labelled: its calls pause 4 s, the others' 1.5 s."""

        def rarer(recording: Recording) -> Recording:
            if recording.session != "s0":
                return recording
            rings = [s for s in recording.segments if s.label == "ring"]
            calls = [[r] for r in rings[:1]]
            for ring in rings[1:]:
                if ring.start_s - calls[-1][-1].end_s > 4.5:
                    calls.append([])
                calls[-1].append(ring)
            kept = {ring for call in calls for ring in call[::2]}
            return replace(
                recording, segments=tuple(s for s in recording.segments if s.label != "ring" or s in kept)
            )

        # what is left unlabelled would be false alarms: none of that matters to the hold
        odd = replace(alone, recordings=tuple(map(rarer, alone.recordings)))
        found = recommend(odd, DetectorName.ENVELOPE, cache=CrossingCache(odd.folder))
        hold_s = {fold.session: fold.integrator.hold_s for fold in found.folds}
        others = {hold_s[s] for s in hold_s if s != "s0"}
        assert others == {found.sweep.integrator.hold_s}
        assert hold_s["s0"] < 0.8 * min(others)
        (own,) = [t for t in found.sweep.tallies if t.session == "s0"]
        assert own.calls


class TestWhatIsSaid:
    """Intervals, sentences and plan tell that makers are the units."""

    def test_makers_are_the_clusters_of_the_intervals(self, found: Recommendation, alone: Dataset) -> None:
        assert found.held_out is not None
        assert found.held_out.sessions == tuple(sorted(["ada", "bo", OWN]))
        assert found.held_out.alarms_by_session.shape[1] == 3
        assert {c.session for c in found.held_out.calls} == set(MAKERS)
        by_maker, by_session = (
            _discordant_calls(f.held_out, f.held_out)[0]
            for f in (found, recommended(alone, DetectorName.ENVELOPE))
            if f.held_out is not None
        )
        assert (len(by_maker), len(by_session)) == (3, 6)

    def test_makers_are_the_clusters_of_the_curves(self, found: Recommendation, merged: Dataset) -> None:
        scores = curves_of(merged, found, CrossingCache(merged.folder)).events_scores
        assert scores.positive_sessions is not None
        assert len(np.unique(scores.positive_sessions)) == 3

    def test_it_is_said(self, found: Recommendation, merged: Dataset, alone: Dataset) -> None:
        said = " ".join(sentences(found, merged.day))
        assert "3 makers" in said
        assert "whose box" in said
        by_session = recommended(alone, DetectorName.ENVELOPE)
        assert "maker" not in " ".join(sentences(by_session, alone.day))
        two = made_by(alone, {s: maker or "ada" for s, maker in MAKERS.items()})
        said = " ".join(sentences(recommended(two, DetectorName.ENVELOPE), two.day))
        assert "2 makers" in said
        assert "sessions are held out" in said

    def test_the_plan_asks_for_makers(self, found: Recommendation, merged: Dataset) -> None:
        strict = replace(merged.day, limits=replace(merged.day.limits, calls_caught=0.5))
        texts = [step.text for step in plan(found, strict).steps]
        assert any("more makers" in text for text in texts)
        assert not any("more session" in text for text in texts)
