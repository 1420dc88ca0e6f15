"""Integrator, gate and hold against the R-C charge table, a stiff solver and cases worked by hand."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evalkit.board import HoldKind
from evalkit.crossings import Crossings, Integrator, alerts_of

from .solver import default_board
from .strategies import crossing_trains, exactly

BOARD = default_board()
RATE_HZ = 1_000.0
BARE = Integrator(0.5, 0.25, hold_kind=HoldKind.NONE)
QUICK_S = 0.01 / 0.99 / math.log(2.0)
"""A discharge path beside which a delay of 1 s to half charge empties in a hundredth of its filling time."""

# Exponential law; t/RC and share of full charge as textbooks print it (one decimal) and to four
CHARGE = ((1, 0.632121), (2, 0.864665), (3, 0.950213), (4, 0.981684), (5, 0.993262), (6, 0.997521))
# Time to threshold t = -RC ln(1 - V/Vs) from 0 V
TIME_TO = (
    (0.10, 0.105361), (0.25, 0.287682), (1 / 3, 0.405465), (0.50, 0.693147), (0.60, 0.916291),
    (0.632, 0.999672), (2 / 3, 1.098612), (0.75, 1.386294), (0.90, 2.302585), (0.95, 2.995732),
    (0.99, 4.605170),
)  # fmt: skip


def spans_of(
    train_s: Sequence[float],
    integrator: Integrator,
    delay_s: float,
    *,
    duration_s: float = 1e3,
    rate_hz: float = 1e6,
    chunks: int = 1,
) -> list[tuple[float, float]]:
    """Return start and end of each alert of one setting; `train_s` holds rising and falling edges in turn."""
    sample = np.round(np.array(train_s) * rate_hz).astype(np.int64)
    above = np.array([1 - k % 2 for k in range(len(sample))], np.uint8)
    parts = [
        Crossings(np.zeros(len(s), np.int32), s, a)
        for s, a in zip(np.array_split(sample, chunks), np.array_split(above, chunks))
    ]
    found = alerts_of(
        parts,
        sample_rate_hz=rate_hz,
        duration_s=duration_s,
        n_lanes=1,
        delay_s=np.array([delay_s]),
        integrator=integrator,
        marks_s=np.zeros(0),
    )
    return [(float(t[0]), float(t[1])) for alerts in found for t in alerts.times]


@pytest.mark.parametrize(("constants", "share"), CHARGE)
def test_charge_follows_the_time_constant_table(constants: int, share: float) -> None:
    # a gate that fires just under the printed share fires by then, one just over it does not
    for fire, fires in ((share - 1e-6, True), (share + 1e-6, False)):
        integrator = Integrator(fire, 0.01, hold_kind=HoldKind.NONE)
        delay_s = -math.log1p(-fire)
        assert integrator.tau_s(np.array([delay_s]))[0] == pytest.approx(1.0)
        found = spans_of([1.0, 1.0 + constants], integrator, delay_s)
        assert bool(found) is fires


@pytest.mark.parametrize(("constants", "share"), CHARGE)
def test_discharge_follows_the_time_constant_table(constants: int, share: float) -> None:
    # charged for 20 constants, then left alone: the gate lets go once the remainder is down to its level
    integrator = Integrator(0.999, 1.0 - share, hold_kind=HoldKind.NONE)
    ((_, end_s),) = spans_of([0.0, 20.0], integrator, -math.log1p(-0.999))
    assert end_s == pytest.approx(20.0 + constants, abs=2e-5 * math.exp(constants))


@pytest.mark.parametrize(("share", "constants"), TIME_TO)
def test_time_to_threshold_is_the_table_s(share: float, constants: float) -> None:
    integrator = Integrator(share, 0.5 * share, hold_kind=HoldKind.NONE)
    # with the delay that the formula gives for RC = 1 s, the gate fires after the table's time
    tau_s = integrator.tau_s(np.array([constants]))[0]
    assert tau_s == pytest.approx(1.0, rel=1e-5)
    ((start_s, _),) = spans_of([2.0, 20.0], integrator, constants)
    assert start_s == pytest.approx(2.0 + constants, abs=1e-9)


def test_board_s_delay_is_r_c_times_the_time_to_its_gate_s_threshold() -> None:
    # published-checks 6.2: LM358 at V+ - 1.5 V into a typical gate: 1.764 RC at 5 V, 1.185 at 10, 1.055 at 15
    for supply_v, factor in ((5.0, 1.764), (10.0, 1.185), (15.0, 1.055)):
        board = replace(BOARD, supply=replace(BOARD.supply, voltage=exactly(supply_v)))
        rc = 100e3 * board.integrator.capacitor.typ
        assert board.delay_s(100e3) == pytest.approx(factor * rc, rel=5e-4)


def test_gate_at_or_over_full_charge_never_fires() -> None:
    # LM358 at 5 V gives 3.5 V, the 4093's highest threshold there is 3.6 V (SLOS068AB; HCF4093B p. 3)
    gate = replace(
        BOARD.gate, positive_one_input=tuple(exactly(r.high) for r in BOARD.gate.positive_one_input)
    )
    board = replace(BOARD, gate=gate, supply=replace(BOARD.supply, voltage=exactly(5.0)))
    assert board.fire_fraction == pytest.approx(3.6 / 3.5)
    assert board.delay_s(100e3) == math.inf
    for fraction in (1.0, 1.2):
        with pytest.raises(ValueError, match="never fires"):
            Integrator(fraction, 0.4).tau_s(np.array([1.0]))


@pytest.mark.parametrize(
    ("fire", "release", "path_s", "hold_s"),
    [
        (0.5, 0.5, 1.0, 0.0), (0.5, 0.6, 1.0, 0.0), (0.5, 0.0, 1.0, 0.0), (0.5, 0.4, 0.0, 0.0),
        (0.5, 0.4, 1.0, -1.0),
    ],
)  # fmt: skip
def test_impossible_integrators_are_refused(
    fire: float, release: float, path_s: float, hold_s: float
) -> None:
    with pytest.raises(ValueError, match="must"):
        Integrator(fire, release, path_s, HoldKind.NONE, hold_s)


def solved(
    train: Sequence[int], integrator: Integrator, tau_s: float, end_s: float
) -> list[tuple[float, float]]:
    """Return when the gate fires and lets go, with u' solved piece by piece by a stiff method."""
    from scipy.integrate import solve_ivp

    edges = [0.0, *(sample / RATE_HZ for sample in train), end_s]
    u, fired, times = 0.0, False, []
    for k, (a, b) in enumerate(itertools.pairwise(edges)):
        on = k % 2 == 1
        tau = tau_s if on else 1.0 / (1.0 / tau_s + 1.0 / integrator.discharge_s)
        level = integrator.fire_fraction if on else integrator.release_fraction

        def slope(_: float, y: np.ndarray, on: bool = on, tau: float = tau) -> np.ndarray:
            return ((1.0 if on else 0.0) - y) / tau

        def reached(_: float, y: np.ndarray, level: float = level) -> float:
            return float(y[0]) - level

        found = solve_ivp(slope, (a, b), [u], method="LSODA", rtol=1e-10, atol=1e-13, events=reached)
        if on != fired and len(found.t_events[0]):
            fired = on
            times.append(float(found.t_events[0][0]))
        u = float(found.y[0, -1])
    ends = [*times, math.inf] if fired else times
    return list(zip(ends[::2], ends[1::2]))


@pytest.mark.parametrize("path_s", [math.inf, 0.01, 0.3])
def test_firing_and_release_agree_with_a_stiff_solver_within_1e_6(path_s: float) -> None:
    compared = 0

    @settings(derandomize=True, deadline=None, database=None, max_examples=20)
    @given(
        trains=crossing_trains(n_samples=4_000, n_lanes=1),
        fire=st.floats(0.1, 0.95),
        share=st.floats(0.1, 0.95),
        delay_s=st.floats(0.02, 0.2),
    )
    def check(trains: list[list[int]], fire: float, share: float, delay_s: float) -> None:
        nonlocal compared
        train = trains[0][:40]
        integrator = Integrator(fire, fire * share, path_s, HoldKind.NONE)
        tau_s = -delay_s / math.log(1.0 - fire)
        expected = solved(train, integrator, tau_s, 5.0)
        edges_s = [sample / RATE_HZ for sample in train]
        found = spans_of(edges_s, integrator, delay_s, duration_s=5.0, rate_hz=RATE_HZ)
        assert len(found) == len(expected)
        for (start_s, end_s), (fires_s, releases_s) in zip(found, expected):
            assert start_s == pytest.approx(fires_s, rel=1e-6)
            assert end_s == pytest.approx(min(releases_s, 5.0), rel=1e-6)
        compared += len(found)

    check()
    assert compared >= 10


def test_every_delay_of_the_plane_empties_through_its_own_knob_and_the_discharge_path() -> None:
    """C v' = (Voh - v)/R while charging and -v/R - v/Rd after, R of each delay's own, by a stiff method.

    The path's diode is ideal, as in the model.
    """
    from scipy.integrate import solve_ivp

    path_ohm = 100e3
    board = replace(BOARD, integrator=replace(BOARD.integrator, discharge_resistor=exactly(path_ohm)))
    farads, high_v = board.integrator.capacitor.typ, board.comparator_high_v
    delay_s = np.array([0.06, 0.3, 0.9, 2.4])
    edges_s = [0.0, 0.5, 0.7, 2.0, 2.1, 2.3, 3.4, 3.5, 9.0, 12.0]
    sample = np.round(np.array(edges_s[1:]) * RATE_HZ).astype(np.int64)
    above = np.array([1 - k % 2 for k in range(len(sample))], np.uint8)
    found: dict[int, list[tuple[float, float]]] = {k: [] for k in range(len(delay_s))}
    chunks = [
        Crossings(np.zeros(len(s), np.int32), s, a)
        for s, a in zip(np.array_split(sample, 3), np.array_split(above, 3))
    ]
    for alerts in alerts_of(
        chunks,
        sample_rate_hz=RATE_HZ,
        duration_s=20.0,
        n_lanes=1,
        delay_s=delay_s,
        integrator=replace(Integrator.of_board(board), hold_kind=HoldKind.NONE, hold_s=0.0),
        marks_s=np.zeros(0),
    ):
        for setting, times in zip(alerts.setting, alerts.times):
            found[int(setting)].append((float(times[0]), float(times[1])))
    for k, each_s in enumerate(delay_s):
        ohm = each_s / board.delay_s(1.0)
        v, fired, expected = 0.0, False, []
        for n, (a, b) in enumerate(itertools.pairwise([*edges_s, 20.0])):
            on = n % 2 == 1
            level_v = board.gate_positive_v if on else board.gate_negative_v

            def slope(_: float, y: np.ndarray, on: bool = on, ohm: float = ohm) -> np.ndarray:
                return ((high_v - y) / ohm if on else -y / ohm - y / path_ohm) / farads

            def reached(_: float, y: np.ndarray, level_v: float = level_v) -> float:
                return float(y[0]) - level_v

            solved = solve_ivp(slope, (a, b), [v], method="LSODA", rtol=1e-10, atol=1e-12, events=reached)
            if on != fired and len(solved.t_events[0]):
                fired = on
                expected.append(float(solved.t_events[0][0]))
            v = float(solved.y[0, -1])
        # an alert that is on at the end ends there
        expected += [20.0] if fired else []
        assert np.array(found[k]).ravel() == pytest.approx(expected, rel=1e-6), each_s
    assert [len(spans) for spans in found.values()] == [5, 3, 3, 2]


# Worked by hand. The gate fires 1 s after a rise from rest (tau = 1/ln 2 s, fires at 1/2); it lets go at 1/4,
# so after a rise of r s the charge is 1 - 2^-r and falls to 1/4 in log2(4 (1 - 2^-r)) s.
FALL_1 = 1.0  # after 1 s: 1/2
FALL_2 = math.log2(3.0)  # after 2 s: 3/4
FALL_LONG = 2.0  # from full charge


@pytest.mark.parametrize(
    ("kind", "train_s", "expected"),
    [
        (HoldKind.NONE, [0, 2], [(1, 2 + FALL_2)]),
        (HoldKind.AFTER_RELEASE, [0, 2], [(1, 2 + FALL_2 + 3)]),
        (HoldKind.ONE_SHOT, [0, 2], [(1, 4)]),
        (HoldKind.ONE_SHOT_HELD, [0, 2], [(1, 4)]),
        # held for 100 s: the one-shot is over long before, the other kinds last
        (HoldKind.NONE, [0, 100], [(1, 100 + FALL_LONG)]),
        (HoldKind.AFTER_RELEASE, [0, 100], [(1, 100 + FALL_LONG + 3)]),
        (HoldKind.ONE_SHOT, [0, 100], [(1, 4)]),
        (HoldKind.ONE_SHOT_HELD, [0, 100], [(1, 100 + FALL_LONG)]),
        # too short to fire
        (HoldKind.AFTER_RELEASE, [0, 0.999], []),
        # a second call 30 s later is an alert of its own
        (HoldKind.NONE, [0, 2, 32, 34], [(1, 2 + FALL_2), (33, 34 + FALL_2)]),
        (HoldKind.AFTER_RELEASE, [0, 2, 32, 34], [(1, 5 + FALL_2), (33, 37 + FALL_2)]),
        (HoldKind.ONE_SHOT, [0, 2, 32, 34], [(1, 4), (33, 36)]),
        (HoldKind.ONE_SHOT_HELD, [0, 2, 32, 34], [(1, 4), (33, 36)]),
    ],
)
def test_holds_worked_by_hand(
    kind: HoldKind, train_s: list[float], expected: list[tuple[float, float]]
) -> None:
    integrator = Integrator(0.5, 0.25, math.inf, kind, 0.0 if kind is HoldKind.NONE else 3.0)
    found = spans_of(train_s, integrator, 1.0)
    assert np.array(found).reshape(-1, 2) == pytest.approx(np.array(expected).reshape(-1, 2), abs=1e-5)


@pytest.mark.parametrize("kind", [k for k in HoldKind if k is not HoldKind.NONE])
def test_firing_again_while_the_alert_is_on(kind: HoldKind) -> None:
    # a quick discharge has the gate let go and fire again within the hold of 3 s: firings at 1,
    # 2.5 + small and let go at about 1.2 and 2.6
    integrator = Integrator(0.5, 0.25, QUICK_S, kind, 3.0)
    found = spans_of([0.0, 1.2, 1.5, 2.6], integrator, 1.0)
    quick = 1.0 / math.log(2.0) * 0.01
    charge = 1.0 - 2.0**-1.2
    left = charge * math.exp(-0.3 / quick)
    fires_again = 1.5 + math.log2((1.0 - left) / 0.5)
    peak = 1.0 - (1.0 - left) * 2.0 ** -(2.6 - 1.5)
    lets_go = 2.6 + quick * math.log(peak / 0.25)
    assert 2.4 < fires_again < 2.6
    ends = {
        HoldKind.AFTER_RELEASE: lets_go + 3.0,  # extended by the new firing
        HoldKind.ONE_SHOT: 4.0,  # firings meanwhile do nothing
        HoldKind.ONE_SHOT_HELD: 4.0,  # the later of firing + 3 s and release
    }
    assert found == [(pytest.approx(1.0), pytest.approx(ends[kind], abs=1e-6))]


def test_one_shot_that_the_gate_holds_past_its_time_by_a_second_firing() -> None:
    integrator = Integrator(0.5, 0.25, QUICK_S, HoldKind.ONE_SHOT_HELD, 3.0)
    quick = 1.0 / math.log(2.0) * 0.01
    ((start_s, end_s),) = spans_of([0.0, 1.2, 1.5, 8.0], integrator, 1.0)
    assert start_s == pytest.approx(1.0)
    assert end_s == pytest.approx(8.0 + quick * math.log(4.0), abs=1e-3)


def test_one_shot_triggered_again_after_its_end_starts_anew_only_at_an_edge() -> None:
    integrator = Integrator(0.5, 0.25, math.inf, HoldKind.ONE_SHOT, 3.0)
    # high for 100 s: one alert of 3 s, although the gate never let go
    assert len(spans_of([0.0, 100.0], integrator, 1.0)) == 1


def test_alert_that_is_on_at_the_end_ends_there() -> None:
    for kind in HoldKind:
        integrator = Integrator(0.5, 0.25, math.inf, kind, 0.0 if kind is HoldKind.NONE else 3.0)
        ((start_s, end_s),) = spans_of([0.0], integrator, 1.0, duration_s=2.5)
        assert (start_s, end_s) == (pytest.approx(1.0), 2.5)


def test_alerts_that_overlap_are_one() -> None:
    integrator = Integrator(0.5, 0.25, QUICK_S, HoldKind.AFTER_RELEASE, 5.0)
    trains = [edge for k in range(20) for edge in (2.0 * k, 2.0 * k + 1.5)]
    assert len(spans_of(trains, integrator, 1.0)) == 1
    assert len(spans_of(trains, replace(integrator, hold_s=0.1), 1.0)) == 20


def test_time_above_is_told_at_marks_rise_and_firing() -> None:
    # above 1-2 and 4-9 s; 5 % is passed 0.074 s after the second rise, firing 1 s after it
    crossings = Crossings(
        np.zeros(4, np.int32), np.array([1000, 1300, 4000, 9000]), np.array([1, 0, 1, 0], np.uint8)
    )
    integrator = Integrator(0.5, 0.25, QUICK_S, HoldKind.NONE)
    found = list(
        alerts_of(
            [crossings], sample_rate_hz=1e3, duration_s=20.0, n_lanes=1, delay_s=np.array([1.0]),
            integrator=integrator, marks_s=np.array([0.5, 1.1, 3.0, 4.5, 15.0]),
        )
    )  # fmt: skip
    (times,) = np.concatenate([alerts.times for alerts in found])
    to_5_percent = -math.log2(0.95)
    assert times[0] == pytest.approx(5.0)
    assert times[2] == pytest.approx(4.0 + to_5_percent)
    assert times[3] == pytest.approx(0.3 + to_5_percent)
    assert times[4] == pytest.approx(1.3)
    assert found[-1].mark_above_s[0] == pytest.approx([0.0, 0.1, 0.3, 0.8, 5.3])


def test_more_alerts_than_fit_at_once_are_all_listed() -> None:
    n = 40_000
    train_s = [edge for k in range(n) for edge in (0.004 * k, 0.004 * k + 0.002)]
    integrator = Integrator(0.5, 0.25, 0.001 * QUICK_S, HoldKind.NONE)
    found = spans_of(train_s, integrator, 0.001, duration_s=0.004 * n + 1.0)
    assert len(found) == n
    assert np.allclose([a for a, _ in found], 0.004 * np.arange(n) + 0.001, atol=1e-9)


@settings(derandomize=True, deadline=None, database=None, max_examples=60)
@given(
    trains=crossing_trains(n_samples=5_000, n_lanes=1),
    fire=st.floats(0.1, 0.95),
    delays=st.lists(st.floats(0.01, 1.0), min_size=2, max_size=6, unique=True).map(sorted),
    chunks=st.integers(1, 5),
)
def test_longer_delay_never_fires_earlier(
    trains: list[list[int]], fire: float, delays: list[float], chunks: int
) -> None:
    # with tau_d = tau_c the slower integrator is a weighted mean of the quicker one and of its own past
    edges_s = [sample / RATE_HZ for sample in trains[0]]
    first = []
    for delay_s in delays:
        integrator = Integrator(fire, 0.5 * fire, math.inf, HoldKind.NONE)
        found = spans_of(edges_s, integrator, delay_s, duration_s=6.0, rate_hz=RATE_HZ, chunks=chunks)
        first.append(found[0][0] if found else math.inf)
    assert all(a <= b + 1e-9 for a, b in itertools.pairwise(first))


@settings(derandomize=True, deadline=None, database=None, max_examples=60)
@given(
    trains=crossing_trains(n_samples=5_000, n_lanes=1),
    kind=st.sampled_from(list(HoldKind)),
    fire=st.floats(0.03, 0.95),
    path_s=st.sampled_from((0.02, math.inf, 0.5)),
    hold_s=st.floats(0.0, 1.0),
    delay_s=st.floats(0.005, 0.5),
)
def test_alerts_are_apart_in_order_and_within_the_recording(
    trains: list[list[int]], kind: HoldKind, fire: float, path_s: float, hold_s: float, delay_s: float
) -> None:
    edges_s = [sample / RATE_HZ for sample in trains[0]]
    integrator = Integrator(fire, 0.5 * fire, path_s, kind, hold_s)
    found = spans_of(edges_s, integrator, delay_s, duration_s=5.5, rate_hz=RATE_HZ)
    assert all(0.0 <= a <= b <= 5.5 for a, b in found)
    assert all(before[1] < after[0] for before, after in itertools.pairwise(found))
