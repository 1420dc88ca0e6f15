"""The `circuit` detector against a general-purpose circuit simulator, ngspice, on netlists of the same board.

The first tier compares with the simulator's stored answers; the slow one runs the simulator.
"""

import math

import numpy as np
import pytest

from . import spice
from .fidelity import (
    KINDS,
    Case,
    Differences,
    cases,
    crossings,
    detector_answer,
    detector_threshold,
    differences,
    simulator_answer,
    simulator_fires_s,
    stored_answers,
)
from .solver import default_board

CASES = cases(default_board())
needs_ngspice = pytest.mark.skipif(
    spice.ngspice() is None, reason="ngspice is not installed (Debian's package ngspice)"
)


ONE_OF_EACH_KIND = [next(c for c in CASES if c.kind == kind and c.factor < 2.0) for kind in KINDS]


@pytest.fixture(scope="module")
def found() -> Differences:
    stored = stored_answers()
    stale = [case for case in CASES if case.digest not in stored]
    assert not stale, f"{len(stale)} cases have no stored answer: run python -m tests.fidelity"
    return differences(CASES, stored, 48_000)


class TestStoredAnswers:
    def test_cases_are_as_the_figure_demands(self) -> None:
        assert len(CASES) >= 60
        factors = np.array([case.factor for case in CASES])
        assert factors.min() >= 1.1
        assert factors.max() <= 10.0
        assert np.mean(factors < 2.0) == 0.5

    def test_firing_time_within_1_percent(self, found: Differences) -> None:
        assert np.percentile(np.abs(found.firing_time), 95) < 0.01

    def test_equivalent_threshold_within_a_fifth_of_a_decibel(self, found: Differences) -> None:
        assert np.percentile(np.abs(found.threshold_db), 95) < 0.2

    def test_storage_peak_within_a_fifth_of_a_decibel(self, found: Differences) -> None:
        assert np.percentile(np.abs(found.peak_db), 95) < 0.2

    def test_each_kind_by_itself_too(self, found: Differences) -> None:
        """Better than asked: the 95th percentile over all kinds could hide a bad one."""
        for kind in KINDS:
            own = np.array([each == kind for each in found.kind])
            assert np.percentile(np.abs(found.firing_time[own]), 95) < 0.01
            assert np.percentile(np.abs(found.threshold_db[own]), 95) < 0.2
            assert np.percentile(np.abs(found.peak_db[own]), 95) < 0.2

    def test_none_fires_in_one_and_not_in_the_other(self, found: Differences) -> None:
        assert found.split() == []


@pytest.mark.slow
@needs_ngspice
class TestSimulator:
    @pytest.mark.parametrize("case", ONE_OF_EACH_KIND, ids=lambda case: case.kind)
    def test_stored_answer_is_the_simulators(self, case: Case) -> None:
        stored = stored_answers()[case.digest]
        again = simulator_answer(case, stored.threshold * 1.02)
        assert 20.0 * math.log10(again.threshold / stored.threshold) == pytest.approx(0.0, abs=0.03)
        # the amplitude follows the threshold, and with it, by less than its change, the other two
        assert again.fires_s == pytest.approx(stored.fires_s, rel=0.01)
        assert again.peak_v == pytest.approx(stored.peak_v, rel=0.01)

    @pytest.mark.parametrize("case", ONE_OF_EACH_KIND, ids=lambda case: case.kind)
    def test_closed_form_integrator_is_that_of_the_whole_netlist(self, case: Case) -> None:
        """Comparator, integrator and gate as parts of the netlist fire when the closed form says so."""
        amplitude = case.factor * detector_threshold(case, 48_000)
        ours = detector_answer(case, 48_000, amplitude)
        assert simulator_fires_s(case, amplitude) == pytest.approx(ours.fires_s, rel=0.003)

    def test_a_finer_step_changes_nothing(self) -> None:
        """The simulator's own error is far under what is compared with it."""
        case = next(case for case in CASES if case.kind == "taps")
        amplitude = case.factor * detector_threshold(case, 48_000)
        coarse, fine = (
            spice.simulate(case.board, case.gain, case.stimulus, amplitude, step_s=step_s)
            for step_s in (spice.STEP_S, spice.STEP_S / 4.0)
        )
        assert 20.0 * math.log10(coarse.storage_v.max() / fine.storage_v.max()) == pytest.approx(
            0.0, abs=0.01
        )
        ups = [crossings(case.board, w.time_s, w.storage_v)[0] for w in (coarse, fine)]
        assert len(ups[0]) == len(ups[1])
        assert ups[0] == pytest.approx(ups[1], abs=50e-6)


@pytest.mark.slow
@needs_ngspice
def test_a_board_that_rests_near_0_v_amplifies_a_steady_tone_far_less() -> None:
    """What the gain leg's capacitor does where the lower half-waves are clipped: seen by both, to 0.1 dB."""
    from dataclasses import replace

    from evalkit.board import Value

    board = default_board()
    low = replace(board, amplifier=replace(board.amplifier, bias=Value(0.1, 0.1, 0.1)))
    tone = spice.Stimulus("steady tone", 3.0, (spice.Part(0.0, 175.0),))
    thresholds = []
    for each in (board, low):
        case = Case("steady tone", each, 76.0, 0.5, tone, 1.1)
        ours = detector_threshold(case, 48_000)
        theirs = simulator_answer(case, ours).threshold
        assert 20.0 * math.log10(ours / theirs) == pytest.approx(0.0, abs=0.1)
        thresholds.append(theirs)
    assert 20.0 * math.log10(thresholds[1] / thresholds[0]) > 15.0
