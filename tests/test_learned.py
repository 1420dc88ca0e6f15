"""Learned detectors: what they see, what they must not see, and what comes out as crossings.

The workshops are invented (tests/workshops.py); frames of other tests are drawn from normal distributions.
"""

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from typing import cast

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from sklearn.base import clone
from sklearn.utils.estimator_checks import check_estimator

from evalkit.board import Board
from evalkit.cache import CrossingCache
from evalkit.choice import Spread
from evalkit.crossings import Crossings, Integrator
from evalkit.dataset import Dataset, Recording
from evalkit.day import Day
from evalkit.detectors import Fitted, Frames, LevelUnit, Meter, Source, Training, learned
from evalkit.detectors.envelope import EnvelopeDetector, fit_levels
from evalkit.detectors.features import FEATURES, HOP_S, WINDOW_S, FrameMaker
from evalkit.detectors.learned import LearnedDetector, log_odds, probability
from evalkit.errors import TooLittleData
from evalkit.recommendation import recommend_from
from evalkit.scoring import Sweeps, alerts_at
from evalkit.segments import Role, Segment, Span
from evalkit.streams import crossings_of, frames_of, source_of
from evalkit.training import DetectorName, Material, _kinds, detector_at, make_detector

from .solver import default_board
from .workshops import RATE_HZ, make_workshop, relabelled

BOARD = default_board()
N_FEATURES = len(FEATURES)
LEARNED = (DetectorName.LOGISTIC, DetectorName.BOOSTED_TREES, DetectorName.RHYTHM)
SPREAD = Spread(threshold=1.0, delay=0.1)

Array = NDArray[np.float64]


class Sessions:
    """Training sessions whose frames are given outright."""

    def __init__(self, frames: Frames) -> None:
        self.given = frames

    @property
    def board(self) -> Board:
        return BOARD

    def loudest_target_v(self, meter: Meter) -> float:
        raise AssertionError("a learned detector has no level")

    def frames(self) -> Frames:
        return self.given


def drawn_frames(seed: int = 1, *, sessions: int = 4, each: int = 300, apart: float = 1.0) -> Frames:
    """Frames whose log-odds are known: two normal classes in three of the columns, noise in the rest."""
    rng = np.random.default_rng(seed)
    n = sessions * each
    kind = rng.integers(0, 3, n)
    features = rng.normal(0.0, 1.0, (n, N_FEATURES))
    features[:, :3] += np.where(kind == 0, apart, 0.0)[:, None]
    names = tuple(f"s{k}" for k in range(sessions))
    return Frames(
        features.astype(np.float32),
        kind.astype(np.int64),
        np.repeat(np.arange(sessions), each),
        ("tap", "background"),
        names,
    )


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Dataset:
    return make_workshop(tmp_path_factory.mktemp("learned") / "workshop", sessions=4, calls=3)


@pytest.fixture(scope="module")
def material(workshop: Dataset) -> Material:
    return Material(workshop, CrossingCache(workshop.folder))


def concatenated(chunks: Iterator[Crossings] | list[Crossings]) -> list[NDArray[np.int64]]:
    found = list(chunks)
    return [np.concatenate([getattr(c, field) for c in found]) for field in ("lane", "sample", "above")]


class TestEstimators:
    """What comes from scikit-learn, put together here."""

    def test_the_logistic_passes_scikit_learns_own_checks(self) -> None:
        """No estimator is defined here. This is the one put together from parts that takes any columns.

        A pipeline fits its steps in place, which two of the checks mind: that is scikit-learn's own doing.
        """
        in_place = ("check_estimators_overwrite_params", "check_dont_overwrite_parameters")
        results = check_estimator(
            learned._logistic(),
            on_fail=None,
            on_skip=None,
            expected_failed_checks=dict.fromkeys(in_place, "scikit-learn's Pipeline fits its steps in place"),
        )
        assert len(results) > 40
        for result in results:
            assert result["status"] in ("passed", "skipped", "xfail"), result

    @pytest.mark.parametrize("name", LEARNED)
    def test_probabilities_are_calibrated_in_sessions_not_seen(self, name: DetectorName) -> None:
        """Of frames told 20, 50 and 80 %, about as many are the target's."""
        known = drawn_frames(2, sessions=6, each=800)
        model = name.fit(Sessions(known)).axis()
        assert isinstance(model, LearnedDetector)
        fresh = drawn_frames(3, sessions=1, each=6_000)
        state = model.at_rest(Source(16_000, 1.0, None, "elsewhere"))
        told = 1.0 / (1.0 + np.exp(-model.level(fresh.features, state)))
        is_target = fresh.kind == 0
        if name is DetectorName.RHYTHM:
            # its columns are noise here, so it can but tell the share that there is
            assert told.mean() == pytest.approx(is_target.mean(), abs=0.05)
            assert told.std() < 0.1
            return
        for p in (0.2, 0.5, 0.8):
            near = np.abs(told - p) < 0.1
            assert is_target[near].mean() == pytest.approx(told[near].mean(), abs=0.08)

    def test_the_logistic_finds_the_log_odds_that_are_true(self) -> None:
        """Two normal classes of equal spread have log-odds that are linear, here with slope 1 (textbook)."""
        known = drawn_frames(4, sessions=6, each=2_000)
        model = DetectorName.LOGISTIC.fit(Sessions(known)).axis()
        assert isinstance(model, LearnedDetector)
        probe = np.zeros((3, N_FEATURES), np.float32)
        probe[:, :3] = np.array([[-1.0], [0.5], [2.0]])
        level = model.level(probe, model.at_rest(Source(16_000, 1.0, None, "elsewhere")))
        shape = 3.0 * (probe[:, 0] - 0.5)
        prior = np.log((known.kind == 0).mean() / (known.kind > 0).mean())
        assert level == pytest.approx(shape + prior, abs=0.45)

    def test_the_same_frames_give_the_same_bits(self) -> None:
        rows = drawn_frames(5, each=50).features
        for name in LEARNED:
            levels = []
            for _ in range(2):
                model = name.fit(Sessions(drawn_frames(6))).axis()
                assert isinstance(model, LearnedDetector)
                levels.append(model.level(rows, model.at_rest(Source(8_000, None, None))))
            assert np.array_equal(*levels)

    def test_one_session_cannot_be_learned_from(self) -> None:
        with pytest.raises(TooLittleData, match="at least 2 with a ring"):
            DetectorName.LOGISTIC.fit(Sessions(drawn_frames(sessions=1)))
        only_rings = drawn_frames()
        kind = np.where(only_rings.session > 0, 0, only_rings.kind)
        with pytest.raises(TooLittleData, match="at least 2"):
            DetectorName.BOOSTED_TREES.fit(Sessions(replace(only_rings, kind=kind)))

    def test_a_probability_and_its_log_odds(self) -> None:
        for p in (0.01, 0.5, 0.9):
            assert probability(log_odds(p)) == pytest.approx(p)
        with pytest.raises(ValueError, match="between 0 and 1"):
            log_odds(1.0)


class TestCrossFitting:
    """Nobody is scored by what was learned from his own session."""

    def test_a_session_is_scored_by_an_estimator_fitted_without_it(self) -> None:
        """In one session the labels are upside down; who learned from it would tell them so."""
        frames = drawn_frames(7, sessions=6, each=1_000, apart=2.0)
        odd = frames.session == 0
        kind = np.where(odd, np.where(frames.kind == 0, 1, 0), frames.kind)
        model = DetectorName.LOGISTIC.fit(Sessions(replace(frames, kind=kind))).axis()
        assert isinstance(model, LearnedDetector)
        state = model.at_rest(Source(16_000, 1.0, None, "s0"))
        assert len(state.members) == 1
        level = model.level(frames.features[odd], state)
        # what the other sessions teach is right about it, and its own labels are wrong
        assert level[frames.kind[odd] == 0].mean() > 1.0
        assert level[frames.kind[odd] > 0].mean() < -1.0
        assert len(model.at_rest(Source(16_000, 1.0, None, "never seen")).members) == 3

    @settings(derandomize=True, deadline=None, max_examples=100)
    @given(
        counts=st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30)), min_size=1, max_size=9),
    )
    def test_groups_hold_whole_sessions_and_both_kinds(self, counts: list[tuple[int, int]]) -> None:
        kind = np.concatenate([[0] * t + [1] * o for t, o in counts]).astype(np.int64)
        session = np.repeat(np.arange(len(counts)), [t + o for t, o in counts])
        frames = Frames(
            np.zeros((len(kind), N_FEATURES), np.float32), kind, session, ("x",), tuple(map(str, counts))
        )
        group = learned._groups(frames)
        whole = sum(t > 0 and o > 0 for t, o in counts)
        assert len(group) == len(counts)
        assert group.max() + 1 == max(1, min(3, whole))
        if whole < 2:
            return
        for g in range(group.max() + 1):
            for chosen in (group == g, group != g):
                assert sum(counts[s][0] for s in np.flatnonzero(chosen)) > 0
                assert sum(counts[s][1] for s in np.flatnonzero(chosen)) > 0

    def test_the_spread_of_thresholds_is_that_of_the_estimators(self) -> None:
        few, many = (
            name_sigma
            for name_sigma in (
                DetectorName.BOOSTED_TREES.fit(Sessions(drawn_frames(8, each=n))).axis().levels.sigma
                for n in (300, 5_000)
            )
        )
        assert few is not None
        assert many is not None
        # less to learn from leaves the estimators further apart; never under 0.25 (design, section 4.5)
        assert few > many >= 0.25

    def test_the_axis(self) -> None:
        fitted = DetectorName.LOGISTIC.fit(Sessions(drawn_frames()))
        levels = fitted.axis().levels
        assert levels.unit is LevelUnit.LOG_ODDS
        assert levels.threshold_v is None
        assert levels.gain is None
        assert (len(levels.position), levels.position[0], levels.position[-1]) == (64, -6.0, 6.0)
        wider = fitted.axis(extra=16).levels.position
        assert len(wider) == 96
        assert wider[16:-16] == pytest.approx(levels.position)


class TestFold:
    """The whole procedure without a session does not depend on anything of that session."""

    @pytest.mark.parametrize("name", [DetectorName.ENVELOPE, DetectorName.BAND, *LEARNED])
    def test_labels_of_the_held_out_session_change_nothing_of_its_fold(
        self, workshop: Dataset, name: DetectorName
    ) -> None:
        out = sorted({r.session for r in workshop.recordings})[1]
        other = replace(
            workshop,
            recordings=tuple(relabelled(r) if r.session == out else r for r in workshop.recordings),
        )
        choices = []
        for dataset in (workshop, other):
            sweeps = Sweeps(name, dataset, cache=CrossingCache(dataset.folder))
            found = recommend_from(
                sweeps.on_all(extra=0),
                dataset.day,
                spread=SPREAD,
                without=lambda groups, sweeps=sweeps: sweeps.without(groups, extra=0),  # type: ignore[misc]
            )
            assert len(found.folds) == 4
            fold = next(f for f in found.folds if f.session == out)
            assert fold.detector is not None
            choices.append((fold.detector.fingerprint, fold.lane, fold.delay_index))
            assert found.held_out is not None
        assert choices[0] == choices[1]

    def test_folds_of_a_fitted_detector_differ(self, workshop: Dataset) -> None:
        """The check above must not pass because nothing is fitted at all."""
        sweeps = Sweeps(DetectorName.LOGISTIC, workshop, cache=CrossingCache(workshop.folder))
        groups = [frozenset({s}) for s in sorted({r.session for r in workshop.recordings})]
        prints = {s.by.fingerprint for s in sweeps.without(groups, extra=0) if s.by is not None}
        assert len(prints) == len(groups)

    def test_what_is_held_out_together(self, workshop: Dataset) -> None:
        swept = Sweeps(DetectorName.ENVELOPE, workshop, cache=CrossingCache(workshop.folder)).on_all(extra=0)
        assert {t.cluster for t in swept.tallies} == {r.session for r in workshop.recordings}


class TestAddingADetector:
    """One file with a function that fits, one line with its name: the rest comes by itself."""

    def test_a_detector_that_nobody_has_heard_of_is_fitted_swept_and_held_out(
        self, workshop: Dataset
    ) -> None:
        fitted_on: list[frozenset[str]] = []

        class Newcomer(EnvelopeDetector):
            name = "newcomer"

        class Name:
            """Stands for a line of `DetectorName`."""

            @staticmethod
            def fit(training: Training) -> Fitted:
                fitted_on.append(frozenset(training.frames().sessions))
                return fit_levels(partial(Newcomer, training.board), training)

        sweeps = Sweeps(cast(DetectorName, Name), workshop, cache=CrossingCache(workshop.folder))
        found = recommend_from(
            sweeps.on_all(extra=0),
            workshop.day,
            spread=SPREAD,
            without=lambda groups: sweeps.without(groups, extra=0),
        )
        sessions = frozenset(r.session for r in workshop.recordings)
        assert found.sweep.detector == "newcomer"
        assert set(fitted_on) == {sessions} | {sessions - {s} for s in sessions}
        assert found.held_out is not None
        assert found.held_out.caught > 9


class TestDraw:
    """Which frames are learned from."""

    def test_every_frame_has_the_kind_that_a_plain_rule_gives(self, workshop: Dataset) -> None:
        for recording in workshop.recordings:
            kinds = _kinds(recording, workshop.day, workshop.board, ("tap", "tool", "background"))
            plain = [
                _plain_kind(recording, workshop.day, k, workshop.board.warmup_s) for k in range(len(kinds))
            ]
            different = np.flatnonzero(kinds != np.array(plain))
            # instants on a span's edge are told apart by rounding
            assert len(different) <= 3
            assert {0, 1, 2, 3} <= set(kinds.tolist())

    def test_a_frame_is_drawn_by_its_audio_not_by_names_or_order(
        self, workshop: Dataset, material: Material
    ) -> None:
        turned = tuple(replace(r, name=f"other-{k}") for k, r in enumerate(workshop.recordings))
        other = Material(replace(workshop, recordings=turned), CrossingCache(workshop.folder))
        a, b = (m.of(m.sessions).frames() for m in (material, other))
        assert np.array_equal(a.features, b.features)
        assert np.array_equal(a.kind, b.kind)
        assert a.sessions == b.sessions

    def test_leaving_a_session_out_changes_no_other_draw(self, material: Material) -> None:
        whole = material.of(material.sessions).frames()
        rest = material.of(material.sessions - {"s1"}).frames()
        kept = whole.session != whole.sessions.index("s1")
        assert np.array_equal(whole.features[kept], rest.features)
        assert np.array_equal(whole.kind[kept], rest.kind)

    def test_no_more_of_a_kind_and_session_than_the_rule_says(
        self, workshop: Dataset, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("evalkit.training._MOST_OF_A_KIND", 40)
        small = Material(workshop, CrossingCache(workshop.folder))
        frames = small.of(small.sessions).frames()
        _, counts = np.unique(frames.session * 10 + frames.kind, return_counts=True)
        assert counts.max() == 40
        assert len(counts) == 4 * 4

    def test_cached_rows_are_the_rows_of_the_audio(self, workshop: Dataset) -> None:
        recording = workshop.recordings[0]
        maker, cache = FrameMaker(workshop.board), CrossingCache(workshop.folder)
        samples, _ = soundfile.read(recording.path, dtype="float32")
        rows, _ = maker.advance(samples, maker.at_rest(source_of(recording)))
        for _ in range(2):
            assert np.array_equal(np.concatenate(list(frames_of(recording, maker, cache))), rows)


def _plain_kind(recording: Recording, day: Day, frame: int, warmup_s: float) -> int:
    """What a frame is, from the words of the rule alone."""
    end_s = (frame + 1) * HOP_S
    start_s = end_s - WINDOW_S

    def touches(a: float, b: float) -> bool:
        return start_s < b and a < end_s

    if start_s < warmup_s or end_s > recording.duration_s:
        return -1
    rings = [s for s in recording.segments if day.role(s.label) is Role.TARGET]
    if any(s.start_s <= start_s and end_s <= s.end_s for s in rings):
        return 0
    calls = recording.calls(target_labels={"ring"}, warmup_s=warmup_s, call_gap_s=day.call_gap_s)
    if any(touches(c.start_s, c.end_s + day.grace_s) for c in calls):
        return -1
    for kind, label in ((1, "tap"), (2, "tool")):
        if any(s.label == label and touches(s.start_s, s.end_s) for s in recording.segments):
            return kind
    return 3


@pytest.fixture(scope="module")
def detector(workshop: Dataset) -> LearnedDetector:
    found = make_detector(DetectorName.LOGISTIC, workshop)
    assert isinstance(found, LearnedDetector)
    return found


class TestCrossings:
    """From frames to crossings."""

    def test_streamed_audio_gives_the_crossings_of_the_cached_frames(
        self, workshop: Dataset, detector: LearnedDetector
    ) -> None:
        recording = workshop.recordings[0]
        cached = concatenated(crossings_of(recording, detector, CrossingCache(workshop.folder)))
        samples, _ = soundfile.read(recording.path, dtype="float32")
        rng = np.random.default_rng(9)
        for cuts in ([], [100_000], sorted(rng.integers(0, len(samples), 40).tolist())):
            state, chunks = detector.at_rest(source_of(recording)), []
            for piece in np.split(samples, cuts):
                chunk, state = detector.advance(piece, state)
                chunks.append(chunk)
            assert all(np.array_equal(a, b) for a, b in zip(concatenated(chunks), cached, strict=True))
        assert len(cached[0]) > 100

    def test_a_crossing_is_there_with_the_last_sample_of_its_frame(
        self, workshop: Dataset, detector: LearnedDetector
    ) -> None:
        recording = workshop.recordings[0]
        lane, sample, above = concatenated(crossings_of(recording, detector, CrossingCache(workshop.folder)))
        hop = round(HOP_S * RATE_HZ)
        assert set((sample + 1) % hop) == {0}
        # cut short after any of them, the recording shows the same crossings up to there
        samples, _ = soundfile.read(recording.path, dtype="float32")
        until = int(sample[len(sample) // 2]) + 1
        chunk, _ = detector.advance(samples[:until], detector.at_rest(source_of(recording)))
        assert np.array_equal(chunk.sample, sample[sample < until])
        chunk, _ = detector.advance(samples[: until - 1], detector.at_rest(source_of(recording)))
        assert np.array_equal(chunk.sample, sample[sample < until - 1])
        # each lane's changes alternate, the first being upward
        for k in np.unique(lane):
            own = above[lane == k]
            assert own[0] == 1
            assert np.all(own[1:] != own[:-1])

    def test_the_lag_is_the_window(self, detector: LearnedDetector) -> None:
        assert detector.lag_s == pytest.approx(0.128)

    @pytest.mark.parametrize("name", LEARNED)
    def test_a_setting_that_is_listed_catches_the_calls(self, workshop: Dataset, name: DetectorName) -> None:
        one = detector_at(name, workshop, log_odds(0.5), LevelUnit.LOG_ODDS)
        alerts = alerts_at(
            workshop,
            one,
            lane=0,
            delay_s=0.3,
            integrator=Integrator.of_board(workshop.board),
            warmup_s=workshop.board.warmup_s,
            cache=CrossingCache(workshop.folder),
        )
        caught = sum(a.verdict.counts_as == "caught call" for a in alerts)
        assert caught >= 11  # of 12, by what was learned in other sessions
        # it cannot be quicker than its frame is long and its delay asks for
        assert min(a.response_s for a in alerts if a.response_s is not None) > 0.3


def test_spans_and_segments_are_what_the_workshop_says(workshop: Dataset) -> None:
    """The fixture itself: 12 calls, taps and a machine in every session, all of it reviewed."""
    for recording in workshop.recordings:
        labels = [s.label for s in recording.segments]
        assert labels.count("tap") == 9
        assert labels.count("tool") == 2
        assert recording.reviewed == (Span(0.0, recording.duration_s),)
        assert all(isinstance(s, Segment) for s in recording.segments)
    assert clone(learned._logistic()) is not None
