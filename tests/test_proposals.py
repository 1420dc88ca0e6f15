"""Proposals: what stands out over its background is found, at every length, and nothing else."""

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from evalkit.demo.build import render_session
from evalkit.demo.schedule import demo_sessions
from evalkit.drawn_levels import DrawnFiles, DrawnLevels
from evalkit.edits import Labels
from evalkit.proposals import Proposal, find_proposals, matching_share, open_proposals
from evalkit.segments import Segment
from evalkit.spans import Span
from evalkit.suggestions import Examples, Suggester, examples_of, features_of

from .benchmarks.proposals_on_demo import BOUNDARY_TARGET_S, FOUND_TARGET, SPURIOUS_TARGET, matched

RATE_HZ = 16_000
Wave = NDArray[np.float64]


class Scene:
    """A stretch of invented vibration, put together by hand."""

    def __init__(self, rng: np.random.Generator, seconds: float, noise: float = 1e-3) -> None:
        self._rng = rng
        self.time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
        self.samples = noise * rng.standard_normal(len(self.time_s))

    def hum(self, start_s: float, end_s: float, amplitude: float, hertz: float = 175.0) -> "Scene":
        """Add a tone from one moment to another."""
        on = (self.time_s >= start_s) & (self.time_s < end_s)
        self.samples += amplitude * on * np.sin(2 * np.pi * hertz * self.time_s)
        return self

    def rumble(self, start_s: float, end_s: float, amplitude: float) -> "Scene":
        """Add noise from one moment to another."""
        on = (self.time_s >= start_s) & (self.time_s < end_s)
        self.samples += amplitude * on * self._rng.standard_normal(len(self.time_s))
        return self

    def knock(self, at_s: float, amplitude: float, fade_s: float = 0.015) -> "Scene":
        """Add a knock: broad-band, gone in some hundredths of a second."""
        since_s = np.maximum(self.time_s - at_s, 0.0)
        fade = np.exp(-since_s / fade_s) * (self.time_s >= at_s)
        self.samples += amplitude * fade * self._rng.standard_normal(len(self.time_s))
        return self


@pytest.fixture
def levels_of(tmp_path: Path, write_wav: Callable[..., Path]) -> Callable[[Wave], DrawnLevels]:
    def build(samples: Wave) -> DrawnLevels:
        path = write_wav("a.wav", samples)
        return DrawnLevels.build(
            DrawnFiles(tmp_path), "a", path, channel=1, sample_rate_hz=RATE_HZ, n_frames=len(samples)
        )

    return build


Levels = Callable[[Wave], DrawnLevels]


def spans_of(proposals: Sequence[Proposal]) -> list[tuple[float, float]]:
    return [(round(p.start_s, 1), round(p.end_s, 1)) for p in proposals]


class TestFinding:
    """Each kind of event, alone."""

    def test_bursts_each_for_itself(self, rng: np.random.Generator, levels_of: Levels) -> None:
        scene = Scene(rng, 60).hum(10, 11, 0.1).hum(13, 14, 0.1).hum(16, 17, 0.1).hum(30, 30.4, 0.02)
        found = find_proposals(levels_of(scene.samples))
        assert spans_of(found) == [(10.0, 11.0), (13.0, 14.0), (16.0, 17.0), (30.0, 30.4)]
        # 0.1 peak over 1e-3 RMS is 37 dB, and the second and the last as many.
        assert found[0].over_db == pytest.approx(37, abs=2)
        assert found[3].over_db == pytest.approx(23, abs=2)

    def test_noise_alone_is_nothing(self, rng: np.random.Generator, levels_of: Levels) -> None:
        assert find_proposals(levels_of(Scene(rng, 300, 0.01).samples)) == ()

    def test_silence_is_nothing(self, levels_of: Levels) -> None:
        assert find_proposals(levels_of(np.zeros(60 * RATE_HZ))) == ()

    def test_a_step_to_a_lasting_level_is_no_short_event(
        self, rng: np.random.Generator, levels_of: Levels
    ) -> None:
        found = find_proposals(levels_of(Scene(rng, 120).rumble(60, 120, 0.05).samples))
        assert [p for p in found if p.end_s - p.start_s < 20] == []

    def test_a_knock_has_a_length_that_can_be_seen(self, rng: np.random.Generator, levels_of: Levels) -> None:
        (found,) = find_proposals(levels_of(Scene(rng, 30).knock(12, 0.4).samples))
        assert found.start_s == pytest.approx(12.0, abs=0.02)
        assert 0.0999 < found.end_s - found.start_s < 0.2

    def test_what_bounces_is_one_event(self, rng: np.random.Generator, levels_of: Levels) -> None:
        scene = Scene(rng, 30).knock(12, 0.4).knock(12.25, 0.2).knock(12.4, 0.1)
        (found,) = find_proposals(levels_of(scene.samples))
        assert (found.start_s, found.end_s) == pytest.approx((12.0, 12.48), abs=0.08)
        # Two blows of one strength, further apart, are two.
        assert len(find_proposals(levels_of(Scene(rng, 30).knock(12, 0.3).knock(13, 0.3).samples))) == 2

    def test_a_long_event_and_what_happens_during_it(
        self, rng: np.random.Generator, levels_of: Levels
    ) -> None:
        scene = Scene(rng, 240).rumble(80, 120, 0.01).hum(95, 96, 0.2).knock(105, 0.5)
        found = find_proposals(levels_of(scene.samples))
        truth = [(80.0, 120.0), (95.0, 96.0), (105.0, 105.1)]
        assert len(found) == 3
        for (start_s, end_s), proposal in zip(truth, found, strict=True):
            assert (proposal.start_s, proposal.end_s) == pytest.approx((start_s, end_s), abs=0.2)

    def test_a_knock_during_a_louder_hum_is_a_change_of_character(
        self, rng: np.random.Generator, levels_of: Levels
    ) -> None:
        """In all it adds under 1 dB; above 500 Hz it stands out."""
        scene = Scene(rng, 60).hum(20, 22, 0.4).knock(21, 0.1)
        found = find_proposals(levels_of(scene.samples))
        assert spans_of(found) == [(20.0, 22.0), (21.0, 21.1)]

    def test_the_same_wherever_the_work_is_cut(
        self, rng: np.random.Generator, levels_of: Levels, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        scene = Scene(rng, 200)
        for at_s in np.arange(5.0, 195.0, 7.3):
            scene.hum(at_s, at_s + 1.5, 0.05)
        levels = levels_of(scene.samples)
        whole = find_proposals(levels)
        assert len(whole) == 27
        monkeypatch.setattr("evalkit.proposals._PIECE_S", 10.0)
        monkeypatch.setattr("evalkit.proposals._MARGIN_S", 8.0)
        assert find_proposals(levels) == whole


def test_the_demo_s_segments_are_found(levels_of: Levels) -> None:
    """One session of nine; `tests.benchmarks.proposals_on_demo` measures all."""
    session = min(demo_sessions(), key=lambda each: each.duration_s)
    samples = np.concatenate(list(render_session(session))).astype(np.float64) / 32_768
    truth = sorted(segment for event in session.events for segment in event.segments)
    proposals = find_proposals(levels_of(samples))
    found = matched(proposals, truth)
    errors_s = [
        abs(end)
        for i, j in found.items()
        for end in (proposals[i].start_s - truth[j].start_s, proposals[i].end_s - truth[j].end_s)
    ]
    assert len(truth) > 80
    assert len(found) / len(truth) >= FOUND_TARGET
    assert 1.0 - len(found) / len(proposals) <= SPURIOUS_TARGET
    assert np.median(errors_s) <= BOUNDARY_TARGET_S


class TestAnswers:
    """What a person has said settles proposals."""

    P = (Proposal(1, 2, 20.0), Proposal(5, 5.1, 20.0), Proposal(4, 8, 20.0))

    def test_matching_share(self) -> None:
        assert matching_share(Span(0, 2), Span(1, 3)) == pytest.approx(1 / 3)
        assert matching_share(Span(0, 1), Span(1, 2)) == 0.0
        assert matching_share(Span(0, 4), Span(1, 3)) == 0.5

    @pytest.mark.parametrize(
        ("labels", "left"),
        [
            (Labels(10.0), P),
            (Labels(10.0, (Segment(1, 2, "ring"),)), P[1:]),
            (Labels(10.0, (Segment(1.5, 2, "ring"),)), P[1:]),
            (Labels(10.0, (Segment(1.51, 2, "ring"),)), P),
            (Labels(10.0, (Segment(0, 10, "tool"),)), P),
            (Labels(10.0, (Segment(4, 8, "tool"),)), P[:2]),
            (Labels(10.0, (), (), (Span(5, 5.1),)), (P[0], P[2])),
            (Labels(10.0, (), (Span(0.5, 6),)), (P[2],)),
            (Labels(10.0, (), (Span(0, 10),)), ()),
        ],
    )
    def test_open(self, labels: Labels, left: tuple[Proposal, ...]) -> None:
        assert open_proposals(self.P, labels) == left


class TestSuggestions:
    """Labels are learned from what is labelled so far."""

    def scene(self, rng: np.random.Generator) -> tuple[Scene, list[Segment]]:
        scene = Scene(rng, 200)
        truth = []
        for k in range(12):
            at_s = 5.0 + 16.0 * k
            scene.hum(at_s, at_s + 1.0, rng.uniform(0.03, 0.2)).knock(at_s + 5.0, rng.uniform(0.1, 0.5))
            scene.rumble(at_s + 9.0, at_s + 10.5, rng.uniform(0.02, 0.1))
            truth += [Segment(at_s, at_s + 1.0, "ring"), Segment(at_s + 5.0, at_s + 5.1, "tap")]
            truth.append(Segment(at_s + 9.0, at_s + 10.5, "tool"))
        return scene, truth

    def test_a_few_examples_of_each_are_enough(self, rng: np.random.Generator, levels_of: Levels) -> None:
        scene, truth = self.scene(rng)
        levels = levels_of(scene.samples)
        taught = Labels(200.0, tuple(truth[:12]))
        proposals = find_proposals(levels)
        suggester = Suggester(examples_of(levels, taught, proposals))
        assert suggester.ready
        found = matched(proposals, truth)
        assert len(found) == len(truth)
        suggestions = suggester.suggest(features_of(levels, [p.span for p in proposals]))
        right = [suggestions[i].label == truth[j].label for i, j in found.items()]
        assert all(right)
        assert all(0.4 < each.confidence <= 1.0 for each in suggestions)
        # The same again, bit for bit.
        again = Suggester(examples_of(levels, taught, proposals))
        assert again.suggest(features_of(levels, [p.span for p in proposals])) == suggestions

    def test_what_was_dismissed_teaches_that_it_is_nothing(
        self, rng: np.random.Generator, levels_of: Levels
    ) -> None:
        scene, truth = self.scene(rng)
        levels = levels_of(scene.samples)
        proposals = find_proposals(levels)
        rumbles = [s for s in truth if s.label == "tool"]
        taught = Labels(
            200.0,
            tuple(s for s in truth if s.label == "ring")[:6],
            (),
            tuple(Span(s.start_s, s.end_s) for s in rumbles[:3]),
        )
        # One more is told by reviewed time in which it is not labelled.
        taught = taught.review(Span(rumbles[3].start_s - 1, rumbles[3].end_s + 1))
        examples = examples_of(levels, taught, proposals)
        assert examples.labels.count("") == 4
        suggester = Suggester(examples)
        late = rumbles[-1]
        (suggestion,) = suggester.suggest(features_of(levels, [Span(late.start_s, late.end_s)]))
        assert suggestion.label == ""
        assert suggestion.confidence > 0.8

    def test_with_too_little_nothing_is_suggested(self, rng: np.random.Generator, levels_of: Levels) -> None:
        scene, truth = self.scene(rng)
        levels = levels_of(scene.samples)
        rings = tuple(s for s in truth if s.label == "ring")
        taps = tuple(s for s in truth if s.label == "tap")
        for segments in ((), rings, rings + taps[:3]):
            suggester = Suggester(examples_of(levels, Labels(200.0, tuple(sorted(segments))), ()))
            assert not suggester.ready
            assert suggester.suggest(features_of(levels, [Span(1, 2)])) == ()
        both = Labels(200.0, tuple(sorted(rings + taps[:4])))
        assert Suggester(examples_of(levels, both, ())).ready

    def test_recordings_are_learned_from_together(self, rng: np.random.Generator, levels_of: Levels) -> None:
        scene, truth = self.scene(rng)
        levels = levels_of(scene.samples)
        parts = [examples_of(levels, Labels(200.0, tuple(truth[k::3])), ()) for k in range(3)]
        joined = Examples.joined([*parts, examples_of(levels, Labels(200.0), ())])
        assert joined.features.shape == (36, parts[0].features.shape[1])
        assert joined.labels[:2] == ("ring", "ring")
        assert Suggester(joined).ready
