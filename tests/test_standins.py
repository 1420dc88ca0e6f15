"""Stand-ins: levels, frequencies and offsets that were put in must come out; verdicts follow the scatter."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import t

from evalkit.standins import Fitness, StandInCheck, check_stand_in

from .bench_world import RING_V, World, world

LEVELS_DB = (3.0, 7.0, 5.0, 5.0)
"""Of the stand-in against the rings, by session."""


@pytest.fixture(scope="module")
def shaky() -> World:
    """A stand-in of 120 Hz, 5 dB above the rings on average, its level swinging by 40 %."""
    return world(stand_in_db=LEVELS_DB, stand_in_hz=120.0, depth=0.4)


@pytest.fixture(scope="module")
def check(shaky: World) -> StandInCheck:
    found = check_stand_in(shaky.dataset, shaky.found, shaky.cache)
    assert found is not None
    return found


class TestWhatIsFelt:
    def test_a_copy_of_the_ring_is_felt_as_the_ring(self) -> None:
        w = world()
        found = check_stand_in(w.dataset, w.found, w.cache)
        assert found is not None
        assert found.stand_in.level_db.median == pytest.approx(found.rings.level_db.median, abs=0.05)
        assert found.offset_db == pytest.approx(0.0, abs=0.4)

    def test_level(self) -> None:
        """RMS of a sine: peak over root 2; the 1 Mohm load takes 0.01 dB at 175 Hz (shared check 9)."""
        w = world()
        found = check_stand_in(w.dataset, w.found, w.cache)
        assert found is not None
        levels = [20.0 * math.log10(RING_V / math.sqrt(2.0)) + number - 1.5 for number in range(4)]
        assert found.rings.level_db.median == pytest.approx(np.median(levels), abs=0.1)
        assert found.rings.n == 24
        assert found.stand_in.n == 4

    def test_frequency(self, check: StandInCheck) -> None:
        assert check.rings.frequency_hz.median == pytest.approx(175.0, abs=1.0)
        assert check.stand_in.frequency_hz.median == pytest.approx(120.0, abs=1.0)

    def test_modulation(self, check: StandInCheck) -> None:
        """1 + m sin: its 90th percentile is 1 + m sin(0.4 pi), so the depth told is 0.951 m.

        Frames of 25 ms blur 5 Hz by sinc(0.125) = 0.974.
        """
        assert check.rings.modulation.median < 0.03
        assert check.stand_in.modulation.median == pytest.approx(0.951 * 0.4 * 0.974, abs=0.03)


class TestOffset:
    def test_a_louder_stand_in_trips_at_a_higher_threshold(self, shaky: World) -> None:
        """A steady copy 6 dB up trips one sweep step or less away from 6 dB up."""
        w = world(stand_in_db=(6.0, 6.0, 6.0, 6.0))
        found = check_stand_in(w.dataset, w.found, w.cache)
        assert found is not None
        step_db = float(np.diff(w.found.sweep.levels.position).max())
        assert found.offset_db == pytest.approx(6.0, abs=step_db)

    def test_interval_is_students_over_sessions(self, check: StandInCheck, shaky: World) -> None:
        """Width of the interval of the mean against that of one further session: root(1 + n) to 1 (textbook).

        Both are of the same sessions' differences if all sessions' calls trip alike after their own level.
        """
        assert check.offset_interval_db is not None
        assert check.next_error_db is not None
        low, high = check.offset_interval_db
        assert check.offset_db == pytest.approx(0.5 * (low + high))
        assert check.error_db == pytest.approx(0.5 * sum(check.next_error_db))
        assert check.n_sessions == 4
        half = 0.5 * (high - low)
        # offsets scatter with the 1.63 dB that was put in, within the sweep's steps
        put_in = t.ppf(0.975, 3) * np.std(LEVELS_DB, ddof=1) / 2.0
        assert half == pytest.approx(put_in, abs=1.2)

    def test_error_against_the_recommended_threshold(self, check: StandInCheck, shaky: World) -> None:
        assert check.stand_in.trip_db is not None
        assert check.error_db is not None
        direct = check.stand_in.trip_db.median - shaky.found.threshold_position
        assert check.error_db == pytest.approx(direct, abs=2.5)
        assert check.error_db > 0.0, "louder than the threshold needs to be: a knob set with it is too dull"


class TestVerdict:
    def judged(self, w: World, below: int, above: int) -> StandInCheck:
        """The check with a passing range of some cells about the recommended threshold."""
        plane, choice = w.found.plane, w.found.choice
        violation = np.full_like(plane.violation, 2.0)
        violation[choice.lane - below : choice.lane + above + 1, choice.delay_index] = 0.5
        narrowed = replace(w.found, plane=replace(plane, violation=violation))
        found = check_stand_in(w.dataset, narrowed, w.cache)
        assert found is not None
        return found

    def test_fit_as_it_is_where_every_further_use_will_land_inside(self, shaky: World) -> None:
        found = self.judged(shaky, 20, 38)
        assert found.fitness is Fitness.AS_IT_IS
        assert "within the" in found.reason

    def test_fit_with_the_offset_where_only_the_mean_is_off(self) -> None:
        found = self.judged(world(), 12, 12)
        assert found.fitness is Fitness.WITH_OFFSET

    def test_not_fit_where_its_scatter_exceeds_what_passes(self, shaky: World) -> None:
        found = self.judged(shaky, 1, 1)
        assert found.fitness is Fitness.NOT_AT_ALL
        assert "only" in found.reason

    def test_unknown_where_nothing_passes(self, shaky: World) -> None:
        nothing = replace(shaky.found, choice=replace(shaky.found.choice, acceptable=False, margin=None))
        found = check_stand_in(shaky.dataset, nothing, shaky.cache)
        assert found is not None
        assert (found.fitness, found.allowed_db) == (Fitness.UNKNOWN, None)

    def test_not_fit_where_the_gate_does_not_fire_on_it(self) -> None:
        """With the longest delay, 6 s, two seconds of it are not enough, however keen the box."""
        w = world()
        longest = replace(w.found, choice=replace(w.found.choice, delay_index=63))
        short = replace(
            w.dataset,
            recordings=tuple(
                replace(
                    r,
                    segments=tuple(
                        replace(s, end_s=s.start_s + 2.0) if s.label == "stand-in" else s for s in r.segments
                    ),
                )
                for r in w.dataset.recordings
            ),
        )
        found = check_stand_in(short, longest, w.cache)
        assert found is not None
        assert (found.n_never, found.n_uses) == (4, 4)
        assert found.fitness is Fitness.NOT_AT_ALL
        assert found.stand_in.trip_db is None

    def test_two_sessions_do_not_tell_the_scatter(self) -> None:
        w = world()
        some = replace(w.dataset, recordings=w.dataset.recordings[:2])
        found = check_stand_in(some, w.found, w.cache)
        assert found is not None
        assert found.fitness is Fitness.UNKNOWN
        assert found.next_error_db is None

    def test_nothing_to_compare(self) -> None:
        w = world()
        without = replace(
            w.dataset,
            recordings=tuple(
                replace(r, segments=tuple(s for s in r.segments if s.label != "stand-in"))
                for r in w.dataset.recordings
            ),
        )
        assert check_stand_in(without, w.found, w.cache) is None
