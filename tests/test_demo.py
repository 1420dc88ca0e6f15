"""The demo: its physics against textbook results, its day book against what was asked of it.

No sound card, motor or lid was measured. Sources of the figures beside the checks;
"textbook" means a standard result that was written down from memory.
"""

import math
import wave
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.signal import hilbert, welch
from scipy.sparse import diags_array, eye_array, kron
from scipy.sparse.linalg import eigsh

from evalkit.dataset import read_dataset
from evalkit.demo import build
from evalkit.demo.build import DEMO_DAY_TOML, build_demo, build_hard_session, render_session
from evalkit.demo.machines import Compressor, Grinder, Shaver, Tram
from evalkit.demo.physics import Pickup, SoundCard
from evalkit.demo.rotor import AUDIBLE_DB, Rotor
from evalkit.demo.scene import CARD, LID, PHONES, SAMPLE_RATE_HZ, Event, Session
from evalkit.demo.schedule import TAP_DECAY_DB, demo_sessions, hard_session
from evalkit.demo.sources import Impacts, PhoneCall, SoftCase, UnbalanceMotor
from evalkit.errors import FileFault
from evalkit.segments import (
    ALL_TIME,
    Call,
    Segment,
    Span,
    format_segments,
    intersect_spans,
    join_calls,
    parse_segments,
    subtract_spans,
    total_s,
)

Floats = npt.NDArray[np.float64]
FS = SAMPLE_RATE_HZ


def db(ratio: float) -> float:
    return 20.0 * math.log10(ratio)


def calm(seed: int = 0) -> np.random.Generator:
    return np.random.default_rng(seed)


def peak_hz(signal: Floats) -> float:
    """Frequency of the strongest line, refined by a parabola over the windowed spectrum's logarithm."""
    spectrum = np.log(np.abs(np.fft.rfft(signal * np.hanning(len(signal)), 4 * len(signal))))
    k = int(np.argmax(spectrum))
    left, middle, right = spectrum[k - 1 : k + 2]
    return float((k + 0.5 * (left - right) / (left - 2.0 * middle + right)) * FS / (4 * len(signal)))


def share_between(signal: Floats, low_hz: float, high_hz: float) -> float:
    """Share of a signal's power between two frequencies."""
    f, power = welch(signal, FS, nperseg=8192)
    return float(power[(f >= low_hz) & (f < high_hz)].sum() / power.sum())


class TestMotor:
    @pytest.mark.parametrize(("rpm", "hertz"), [(9_000, 150.0), (12_000, 200.0), (13_000, 216.667)])
    def test_frequency_is_rotation_rate(self, rpm: int, hertz: float) -> None:
        """Hz = rpm / 60: Precision Microdrives, application bulletin AB-004; the rest is arithmetic."""
        motor = UnbalanceMotor(Rotor(rpm / 60.0, 0.05, 0.08), 1e-6)
        force = motor.force_n([(0.0, 2.0)], 2 * FS, FS)
        assert peak_hz(force[FS:]) == pytest.approx(hertz, rel=2e-4)

    def test_force_is_mass_times_radius_times_speed_squared(self) -> None:
        """Textbook: F = m r w^2. 1 g mm at 200 Hz: 1.579 N."""
        force = UnbalanceMotor(Rotor(200.0, 0.05, 0.08), 1e-6).force_n([(0.0, 2.0)], 2 * FS, FS)
        assert np.abs(force[FS:]).max() == pytest.approx(1.579, rel=1e-3)

    def test_spins_up_and_coasts_down_with_its_time_constants(self) -> None:
        """After one time constant: 1 - 1/e of full speed on, 1/e off (first-order lag, textbook)."""
        force = UnbalanceMotor(Rotor(800.0, 0.2, 0.3), 1e-6).force_n([(0.0, 2.0)], 3 * FS, FS)
        speed_hz = np.diff(np.unwrap(np.angle(hilbert(force)))) * FS / (2.0 * math.pi)

        def at(time_s: float) -> float:
            middle = int(time_s * FS)
            return float(np.mean(speed_hz[middle - 40 : middle + 40]))

        assert at(0.2) == pytest.approx(800.0 * (1.0 - 1.0 / math.e), rel=0.01)
        assert at(2.0 + 0.3) == pytest.approx(800.0 / math.e, rel=0.01)

    def test_closed_form_agrees_with_an_ode_solver(self) -> None:
        """Three bursts, the second and third begun while coasting; scipy's DOP853 as the witness."""
        rotor = Rotor(180.0, 0.05, 0.09)
        drive = [(0.0, 0.4), (0.52, 0.7), (0.73, 1.1)]
        n = round(1.3 * FS)
        force = UnbalanceMotor(rotor, 1e-6).force_n(drive, n, FS)
        edges = [0.0, 0.4, 0.52, 0.7, 0.73, 1.1, 1.3]
        full = 2.0 * math.pi * 180.0
        state = np.array([0.0, 0.0])
        expected = np.zeros(n)
        for k, (a, b) in enumerate(zip(edges, edges[1:], strict=False)):
            on = k % 2 == 0
            times = np.arange(round(a * FS), round(b * FS)) / FS

            def slope(_: float, y: Floats, on: bool = on) -> list[float]:
                change = (full - y[1]) / rotor.spin_up_s if on else -y[1] / rotor.coast_down_s
                return [y[1], change]

            found = solve_ivp(
                slope, (a, b), state, method="DOP853", t_eval=np.append(times, b), rtol=1e-11, atol=1e-11
            )
            angle, speed = found.y[:, :-1]
            change = (full - speed) / rotor.spin_up_s if on else -speed / rotor.coast_down_s
            expected[round(a * FS) : round(b * FS)] = 1e-6 * (
                speed**2 * np.sin(angle) - change * np.cos(angle)
            )
            state = found.y[:, -1]
        assert np.abs(force - expected).max() < 1e-6 * np.abs(expected).max()

    def test_audible_tail_ends_where_it_says(self) -> None:
        rotor = Rotor(180.0, 0.05, 0.09)
        force = UnbalanceMotor(rotor, 1e-6).force_n([(0.0, 1.0)], 2 * FS, FS)
        strength = np.abs(hilbert(force))
        end = round((1.0 + rotor.coasting_s(AUDIBLE_DB)) * FS)
        full = (2.0 * math.pi * 180.0) ** 2 * 1e-6
        assert db(strength[end] / full) == pytest.approx(-AUDIBLE_DB, abs=1.0)

    def test_soft_case_isolates_above_root_two_times_its_frequency(self) -> None:
        """Textbook: transmissibility is 1 at sqrt(2) times the natural frequency, whatever the damping."""
        times = np.arange(2 * FS) / FS
        for damping in (0.1, 0.3, 0.6):
            case = SoftCase(75.0, damping)

            def passed(f: float, case: SoftCase = case) -> float:
                return float(np.abs(case.transmit(np.sin(2.0 * math.pi * f * times), FS)[FS:]).max())

            assert passed(75.0 * math.sqrt(2.0)) == pytest.approx(1.0, abs=0.005)
            assert passed(60.0) > 1.0 > passed(188.0)


class TestLid:
    def test_plate_frequencies_agree_with_a_finite_difference_plate(self) -> None:
        """A simply supported plate bends by the membrane's Laplacian applied twice (textbook)."""
        points = 120

        def second(length: float) -> object:
            step = length / (points + 1)
            ones = np.ones(points)
            return diags_array([ones[1:], -2.0 * ones, ones[1:]], offsets=[-1, 0, 1]) / step**2

        laplacian = kron(second(LID.length_m), eye_array(points)) + kron(
            eye_array(points), second(LID.width_m)
        )
        lowest = np.sort(
            eigsh(-laplacian.tocsc(), k=4, sigma=0.0, v0=np.ones(points**2), return_eigenvectors=False)
        )
        stiffness = LID.youngs_modulus_pa * LID.thickness_m**3 / (12.0 * (1.0 - 0.3**2))
        expected = lowest * math.sqrt(stiffness / (LID.density_kg_m3 * LID.thickness_m)) / (2.0 * math.pi)
        found = [mode.frequency_hz for mode in LID.modes()[1:5]]
        assert found == pytest.approx(expected.tolist(), rel=1e-3)

    @pytest.mark.parametrize("k", range(6))
    def test_each_mode_rings_and_decays_as_designed(self, k: int) -> None:
        """Free decay of a second-order system: exp(-zeta w t) at f sqrt(1 - zeta^2) (textbook)."""
        mode = LID.modes()[k]
        forces = np.zeros((6, FS))
        forces[k, 0] = 1.0
        volts, _ = LID.swing(forces, LID.rest(), FS)
        period = FS / (mode.frequency_hz * math.sqrt(1.0 - mode.damping**2))
        crossings = np.flatnonzero((volts[:-1] <= 0.0) & (volts[1:] > 0.0))
        if volts[1] < 0.0:
            crossings = np.flatnonzero((volts[:-1] >= 0.0) & (volts[1:] < 0.0))
        exact = crossings + volts[crossings] / (volts[crossings] - volts[crossings + 1])
        assert exact[5] / 5.0 == pytest.approx(period, rel=2e-3)
        # the greatest deflection of each period, one period apart, falls by exp(-rate x period)
        peaks = [np.abs(volts[int(c) : int(c + period)]).max() for c in exact[:5]]
        rate = -np.polyfit(exact[:5] / FS, np.log(peaks), 1)[0]
        assert rate == pytest.approx(mode.decay_rate, rel=0.02)

    def test_a_steady_force_gives_the_transfer_function(self) -> None:
        """Sum of modes, phi F / (m (w_k^2 - w^2 + 2 i zeta w_k w)), in closed form (textbook)."""
        force = np.sin(2.0 * math.pi * 172.0 * np.arange(2 * FS) / FS)
        weights = LID.weights_at((0.70, 0.42))
        volts, _ = LID.swing(weights[:, np.newaxis] * force, LID.rest(), FS)
        s = 2j * math.pi * 172.0
        expected = sum(
            w
            * mode.volts_per_metre
            / mode.mass_kg
            / (s * s + 2.0 * mode.decay_rate * s + (2.0 * math.pi * mode.frequency_hz) ** 2)
            for w, mode in zip(weights, LID.modes(), strict=True)
        )
        assert np.abs(volts[FS:]).max() == pytest.approx(abs(expected), rel=0.005)

    def test_a_shaking_bench_drives_a_mode_by_the_mean_of_its_shape(self) -> None:
        grid = (np.arange(60) + 0.5) / 60.0
        mean = np.mean([LID.weights_at((x, y)) for x in grid for y in grid], axis=0)
        for mode, found, expected in zip(LID.modes(), LID.weights_through_feet(), mean, strict=True):
            if all(n % 2 for n in mode.order) or mode.order == (0, 0):
                assert found == pytest.approx(expected, rel=0.005)
            else:
                assert abs(expected) < 1e-12 < found < 0.05

    def test_chunks_do_not_matter(self) -> None:
        forces = calm().standard_normal((6, 5_000))
        whole, _ = LID.swing(forces, LID.rest(), FS)
        state, parts = LID.rest(), []
        for a, b in ((0, 1), (1, 1_700), (1_700, 5_000)):
            volts, state = LID.swing(forces[:, a:b], state, FS)
            parts.append(volts)
        assert np.array_equal(np.concatenate(parts), whole)


class TestImpacts:
    @given(
        start=st.floats(0.0, 0.01),
        impulse=st.floats(1e-4, 1.0),
        contact=st.floats(0.0002, 0.002),
    )
    @settings(derandomize=True, deadline=None)
    def test_no_impulse_is_lost_between_samples(self, start: float, impulse: float, contact: float) -> None:
        """Whatever the pulse's place between samples, the sum of force x sample period is its impulse."""
        force = Impacts((start,), (impulse,), contact).force_n(calm(), FS)
        assert force.sum() / FS == pytest.approx(impulse, rel=1e-9)
        assert force.min() >= 0.0
        assert np.count_nonzero(force) <= math.ceil(contact * FS) + 1

    def test_half_sine_pulse_has_its_peak(self) -> None:
        """A half sine of area J and length T peaks at pi J / (2 T) (its mean is 2 / pi of its peak)."""
        force = Impacts((0.0,), (0.01,), 0.002).force_n(calm(), 1_000_000)
        assert force.max() == pytest.approx(math.pi * 0.01 / (2.0 * 0.002), rel=1e-4)

    def test_a_dropped_spanner_bounces_by_the_laws_of_free_fall(self) -> None:
        """Each flight and each impulse is the one before times the restitution (textbook)."""
        drops = [
            event.source
            for session in demo_sessions()
            for event in session.events
            if event.segments[0].note == "spanner"
        ]
        assert len(drops) >= 50
        for drop in drops:
            assert isinstance(drop, Impacts)
            flights = np.diff(drop.times_s)
            restitution = np.array(drop.impulses_n_s[1:]) / np.array(drop.impulses_n_s[:-1])
            assert restitution == pytest.approx(np.full(len(restitution), restitution[0]))
            assert flights[1:] / flights[:-1] == pytest.approx(restitution[1:])
            # first flight 2 e v / g with v = sqrt(2 g h): 5 to 20 cm of fall
            height = (flights[0] * 9.81 / (2.0 * restitution[0])) ** 2 / (2.0 * 9.81)
            assert 0.05 <= height <= 0.20


class TestMachines:
    def test_compressor_turns_at_its_slip_speed_and_hums_at_twice_the_mains(self) -> None:
        force = Compressor(8.0).force_n(calm(), FS)[3 * FS : 7 * FS]
        assert peak_hz(force) == pytest.approx(24.3, abs=0.02)
        f, power = welch(force, FS, nperseg=4 * FS)
        hum = power[(f > 99.0) & (f < 101.0)].max()
        # between the crank's fourth and fifth harmonic (97.2 and 121.5 Hz) there is only the hum
        assert hum > 1_000.0 * power[(f > 104.0) & (f < 117.0)].max()

    def test_compressor_pushes_harder_as_its_tank_fills(self) -> None:
        force = Compressor(20.0).force_n(calm(), FS)
        assert force[15 * FS : 19 * FS].max() > 1.05 * force[3 * FS : 7 * FS].max()

    def test_grinder_turns_at_its_slip_speed_and_coasts_down(self) -> None:
        grinder = Grinder(6.0, ())
        force = grinder.force_n(calm(), FS)
        assert peak_hz(force[4 * FS : 6 * FS]) == pytest.approx(49.0, abs=0.1)
        # one time constant after the current stops: 1/e of the speed
        later = round((6.0 + grinder.rotor.coast_down_s) * FS)
        assert peak_hz(force[later - FS // 4 : later + FS // 4]) == pytest.approx(49.0 / math.e, rel=0.05)

    def test_contact_noise_is_broadband_and_of_its_strength(self) -> None:
        grinder = Grinder(9.0, ((1.0, 8.0),), unbalance_n=0.0, hum_n=0.0)
        noise = grinder.force_n(calm(), FS)[2 * FS : 7 * FS]
        # the swell (1 + 0.4 sin) adds 8 % of power, the hand's pressure wanders by a decibel
        assert np.sqrt(np.mean(noise**2)) == pytest.approx(grinder.contact_n, rel=0.2)
        # 0.78 for an analog filter (as for the tram below); the digital one has no skirt above 8 kHz
        assert 0.78 < share_between(noise, 150.0, 2_500.0) < 0.9

    def test_tram_rumbles_low_and_swells(self) -> None:
        tram = Tram(7.0, flat_n_s=0.0, squeal_n=0.0)
        force = tram.force_n(calm(), FS)
        # a second-order Butterworth band holds 0.867 / 1.111 of its noise between its corners (integral of
        # 1 / (1 + x^4) from 0 to 1, and to infinity)
        assert share_between(force, 20.0, 90.0) == pytest.approx(0.78, abs=0.03)
        rms = [float(np.sqrt(np.mean(part**2))) for part in np.array_split(force, 9)]
        assert 3 <= int(np.argmax(rms)) <= 5
        assert max(rms) == pytest.approx(tram.rumble_n, rel=0.3)
        assert rms[0] < 0.2 * max(rms) > rms[-1]

    def test_flat_wheel_strikes_once_a_turn(self) -> None:
        tram = Tram(7.0, rumble_n=0.0, squeal_n=0.0)
        force = tram.force_n(calm(), FS)
        near = force[round(14.0 * FS) : round(20.0 * FS)]
        strikes = np.flatnonzero(
            (near[1:-1] > near[:-2]) & (near[1:-1] >= near[2:]) & (near[1:-1] > 0.3 * near.max())
        )
        assert np.diff(strikes) / FS == pytest.approx(
            np.full(len(strikes) - 1, math.pi * 0.6 / 7.0), abs=2.0 / FS
        )

    def test_shaver_swings_at_twice_the_mains(self) -> None:
        force = Shaver(4.0).force_n(calm(), FS)
        assert peak_hz(force[FS : 3 * FS]) == pytest.approx(100.0, abs=0.05)
        assert np.abs(force[-FS // 100 :]).max() < 0.01 * np.abs(force).max()


class TestPickupAndCard:
    @pytest.mark.parametrize(
        ("load_ohm", "loss_db"), [(10e3, -13.36), (100e3, -0.82), (470e3, -0.04), (1e6, -0.009)]
    )
    def test_loss_at_175_hz(self, load_ohm: float, loss_db: float) -> None:
        """20 nF into a load, f = 1 / (2 pi R C): loss at 175 Hz, recomputed in published-checks section 9."""
        tone = np.sin(2.0 * math.pi * 175.0 * np.arange(2 * FS) / FS)
        pickup = Pickup(20e-9, 3_800.0, 0.12)

        def peak(load: float) -> float:
            return float(np.abs(pickup.deliver(tone, pickup.rest(), FS, load_ohm=load)[0][FS:]).max())

        assert db(peak(load_ohm) / peak(1e12)) == pytest.approx(loss_db, abs=0.01)

    def test_resonance_is_where_it_should_be(self) -> None:
        """Peak gain 1 / (2 zeta sqrt(1 - zeta^2)) near f sqrt(1 - 2 zeta^2) (textbook)."""
        pickup = Pickup(20e-9, 3_800.0, 0.12)
        impulse = np.zeros(FS)
        impulse[0] = 1.0
        gain = np.abs(np.fft.rfft(pickup.deliver(impulse, pickup.rest(), FS, load_ohm=1e12)[0]))
        assert np.argmax(gain) == pytest.approx(3_800.0, rel=0.02)
        assert gain.max() == pytest.approx(1.0 / (2.0 * 0.12 * math.sqrt(1.0 - 0.12**2)), rel=0.01)

    def test_dither_makes_the_error_independent_of_the_signal(self) -> None:
        """Triangular dither of two steps: mean error 0 and total error variance 1/4 step^2 at any level.

        Lipshitz, Wannamaker & Vanderkooy (1992), "Quantization and dither: a theoretical
        survey", J. Audio Eng. Soc. 40(5); from memory.
        """
        card = SoundCard(1.0, 1e6, 0.0, (), 0.0)
        for share in (0.0, 0.3, 0.5):
            counts = card.record(np.full(400_000, share / 32768.0), 0, calm(), FS)
            assert counts.mean() == pytest.approx(share, abs=0.004)
            assert counts.var() == pytest.approx(0.25, rel=0.01)

    def test_hiss_hum_and_offset_are_as_given(self) -> None:
        card = SoundCard(1.0, 1e6, 60e-6, (300e-6, 0.0, 120e-6), 400e-6)
        rng = calm()
        volts = (
            np.concatenate([card.record(np.zeros(n), a, rng, FS) for a, n in ((0, 1_001), (1_001, 14_999))])
            / 32768.0
        )
        lines = np.abs(np.fft.rfft(volts)) * 2.0 / FS
        assert volts.mean() == pytest.approx(400e-6, abs=3e-6)
        assert lines[50] == pytest.approx(300e-6, rel=0.02)
        assert lines[150] == pytest.approx(120e-6, rel=0.03)
        assert lines[100] < 5e-6
        f, density = welch(volts - volts.mean(), FS, nperseg=1600)
        floor = math.sqrt(np.median(density[f > 1_000.0]) * FS / 2.0)
        assert floor == pytest.approx(math.hypot(60e-6, 0.5 / 32768.0), rel=0.05)

    def test_limits_are_hard(self) -> None:
        counts = SoundCard(1.0, 1e6, 0.0, (), 0.0).record(np.array([2.0, -2.0, 0.0]), 0, calm(), FS)
        assert counts.dtype == np.int16
        assert counts[:2].tolist() == [32767, -32768]


def calls_of(session: Session) -> tuple[Call, ...]:
    segments = [segment for event in session.events for segment in event.segments]
    return join_calls(
        segments, target_labels={"ring"}, reviewed=ALL_TIME, duration_s=session.duration_s, warmup_s=2.0
    )


def spans_of(session: Session, label: str) -> list[Span]:
    segments = [segment for event in session.events for segment in event.segments]
    return [Span(segment.start_s, segment.end_s) for segment in segments if segment.label == label]


class TestDayBook:
    def test_sessions(self) -> None:
        sessions = demo_sessions()
        assert len(sessions) >= 8
        assert len({session.name for session in sessions}) == len({s.seed for s in sessions}) == len(sessions)
        assert 1.8 <= sum(session.duration_s for session in sessions) / 3600.0 <= 2.2
        assert 0.7 <= float(np.std([session.level_db for session in sessions])) <= 1.3

    def test_phones(self) -> None:
        assert len(PHONES) == 4
        speeds = [phone.motor.rotor.speed_hz for phone in PHONES]
        assert min(speeds) >= 150.0
        assert max(speeds) <= 220.0
        assert len(set(speeds)) == len({phone.cadence for phone in PHONES}) == 4
        assert sum(phone.case is not None for phone in PHONES) == 1

    def test_calls(self) -> None:
        per_phone = defaultdict(set)
        count = 0
        for session in demo_sessions():
            calls = calls_of(session)
            assert len(calls) == sum(isinstance(event.source, PhoneCall) for event in session.events)
            for call in calls:
                assert not call.cut
                assert call.start_s > 5.0
                assert call.end_s < session.duration_s - 5.0
                assert 10.0 <= call.end_s - call.start_s <= 25.0
                per_phone[call.phone].add(session.name)
            for a, b in zip(calls, calls[1:], strict=False):
                assert b.start_s - a.end_s > 15.0
            count += len(calls)
        assert count >= 100
        assert set(per_phone) == {phone.name for phone in PHONES}
        assert all(len(names) >= 3 for names in per_phone.values())

    def test_a_third_of_the_calls_ring_while_something_else_goes_on(self) -> None:
        busy = count = 0
        for session in demo_sessions():
            other = [span for label in ("tap", "tool", "traffic") for span in spans_of(session, label)]
            for call in calls_of(session):
                busy += bool(intersect_spans([Span(call.start_s, call.end_s)], other))
                count += 1
        assert 1.0 / 3.0 <= busy / count <= 0.5

    def test_each_nuisance_comes_in_at_least_three_sessions(self) -> None:
        where = defaultdict(set)
        for session in demo_sessions():
            for event in session.events:
                for segment in event.segments:
                    where[(segment.label, segment.note)].add(session.name)
        kinds = [("tap", "mallet"), ("tap", "spanner"), ("tap", "put down"), ("tool", "compressor")]
        kinds += [("tool", "grinder"), ("traffic", "tram"), ("stand-in", "shaver")]
        assert set(where) == {*kinds, ("ring", "")}
        assert all(len(where[kind]) >= 3 for kind in kinds)

    def test_how_much_of_each_class_there_is(self) -> None:
        """300 taps, 20 min of tools, 20 min of trams: also when time in calls is not counted."""
        sessions = demo_sessions()
        assert sum(len(spans_of(session, "tap")) for session in sessions) >= 300
        for label in ("tool", "traffic"):
            recorded = 0.0
            for session in sessions:
                ringing = [Span(call.start_s - 0.25, call.end_s + 1.0) for call in calls_of(session)]
                recorded += total_s(subtract_spans(spans_of(session, label), ringing))
            assert recorded >= 1_200.0

    @pytest.mark.parametrize("session", [*demo_sessions(), hard_session()], ids=lambda session: session.name)
    def test_labels_make_a_table(self, session: Session) -> None:
        """The table's reader refuses overlaps of one label, and times past the end."""
        segments = [segment for event in session.events for segment in event.segments]
        text = format_segments(segments)
        assert parse_segments(text, path=Path("x.csv"), duration_s=session.duration_s) == tuple(
            sorted(segments)
        )
        assert min(segment.start_s for segment in segments) > 2.0
        assert list(session.events) == sorted(session.events, key=lambda event: event.start_s)

    def test_cadence_is_as_labelled(self) -> None:
        """A ring's segment starts with the current and ends with the audible coast-down."""
        for phone in PHONES:
            event = first_event(phone.name)
            pattern = [on for on, _ in phone.cadence]
            pauses = [off for _, off in phone.cadence]
            tail = phone.motor.rotor.coasting_s(AUDIBLE_DB)
            for k, segment in enumerate(event.segments):
                assert segment.end_s - segment.start_s == pytest.approx(
                    pattern[k % len(pattern)] + tail, abs=2e-6
                )
                if k:
                    gap = segment.start_s - event.segments[k - 1].end_s
                    assert gap == pytest.approx(pauses[(k - 1) % len(pauses)] - tail, abs=2e-6)

    def test_the_signal_sounds_where_the_labels_say(self) -> None:
        for phone in PHONES:
            session, event = alone(first_event(phone.name))
            level = plain_rectifier(volts_of(session), storage_tau_s=0.02)
            times = np.arange(len(level)) / FS
            inside = np.zeros(len(level), dtype=bool)
            for segment in event.segments:
                inside |= (times >= segment.start_s + 0.1) & (times < segment.end_s - tail_of(phone.name))
            around = np.zeros(len(level), dtype=bool)
            for segment in event.segments:
                # the lid and the level's own decay end soon after the motor
                around |= (times >= segment.start_s) & (times < segment.end_s + 0.12)
            loud = np.median(level[inside])
            assert level[inside].min() > 0.3 * loud
            assert level[~around & (times > 0.2)].max() < 0.1 * loud

    def test_taps_end_when_the_lid_is_still(self) -> None:
        taps = [event for event in demo_sessions()[0].events if event.segments[0].label == "tap"]
        for event in taps[:12]:
            force = event.source.force_n(calm(), FS)
            weights = LID.weights_through_feet() if event.place is None else LID.weights_at(event.place)
            forces = np.pad(weights[:, np.newaxis] * force, ((0, 0), (0, FS)))
            volts, _ = LID.swing(forces, LID.rest(), FS)
            end = round((event.segments[0].end_s - event.start_s) * FS)
            assert db(np.abs(volts[end:]).max() / np.abs(volts).max()) < -TAP_DECAY_DB + 2.0


def plain_rectifier(volts: Floats, *, storage_tau_s: float = 0.22) -> Floats:
    """Level of a two-diode rectifier with ideal diodes and equal capacitors, positive half-waves only.

    The clamp keeps the coupling capacitor's far end above zero; the series diode
    passes charge, half of the difference to each capacitor; the storage capacitor
    bleeds. No drops, no gain, no limits: not the board, only near it.
    """
    keep = math.exp(-1.0 / (FS * storage_tau_s))
    coupling = storage = 0.0
    level = []
    for x in np.maximum(volts, 0.0).tolist():
        coupling = min(coupling, x)
        passed = x - coupling - storage
        if passed > 0.0:
            coupling += 0.5 * passed
            storage += 0.5 * passed
        storage *= keep
        level.append(storage)
    return np.array(level)


def held(level: Floats, hold_s: float) -> float:
    """The highest level that is kept up for `hold_s` without a break."""
    window = round(hold_s * FS)
    steps = level[: len(level) // 160 * 160].reshape(-1, 160).min(axis=1)
    count = window // 160
    return float(np.lib.stride_tricks.sliding_window_view(steps, count).min(axis=1).max())


def first_event(phone: str) -> Event:
    return next(
        event for session in demo_sessions() for event in session.events if event.segments[0].phone == phone
    )


def tail_of(phone: str) -> float:
    return next(each for each in PHONES if each.name == phone).motor.rotor.coasting_s(AUDIBLE_DB)


def alone(event: Event, *, longest_s: float = 30.0, level_db: float = 0.0) -> tuple[Session, Event]:
    """Return a session in which nothing but this event happens, from one second on."""
    shift = 1.0 - event.start_s
    segments = tuple(
        Segment(each.start_s + shift, each.end_s + shift, each.label, each.note, each.phone)
        for each in event.segments
    )
    moved = replace(event, start_s=1.0, segments=segments)
    duration_s = min(longest_s, segments[-1].end_s + 1.0)
    return Session("alone", 7, level_db, duration_s, (moved,)), moved


def volts_of(session: Session) -> Floats:
    samples = np.concatenate(list(render_session(session)))
    volts = samples * CARD.full_scale_v / 32768.0
    return volts - CARD.offset_v


def loudest(sessions: tuple[Session, ...], label: str, note: str, count: int) -> list[tuple[float, Event]]:
    """Return the events of a kind with the highest levels, each with its session's level."""
    found = [
        (session.level_db, event)
        for session in sessions
        for event in session.events
        if (event.segments[0].label, event.segments[0].note) == (label, note)
    ]

    def strength(pair: tuple[float, Event]) -> float:
        level_db, event = pair
        blow = db(max(event.source.impulses_n_s)) if isinstance(event.source, Impacts) else 0.0
        return level_db + event.level_db + blow

    return sorted(found, key=strength)[-count:]


@pytest.fixture(scope="module")
def softest_ring_db() -> float:
    """Return the least that a call of the soft-cased phone keeps up for 0.8 s in its first burst."""
    levels = []
    for session in demo_sessions():
        for event in session.events:
            if event.segments[0].phone == "cased":
                short, _ = alone(event, longest_s=3.2, level_db=session.level_db)
                levels.append(held(plain_rectifier(volts_of(short)), 0.8))
    return db(min(levels))


class TestLevels:
    """What the scene promises, on a plain rectifier; dB re 1 V at the recorder's input."""

    def test_the_soft_case_makes_the_softest_phone(self) -> None:
        levels = {}
        for phone in PHONES:
            short, _ = alone(first_event(phone.name), longest_s=3.0)
            levels[phone.name] = db(plain_rectifier(volts_of(short))[round(1.35 * FS)])
        softest = levels.pop("cased")
        assert all(softest + 3.0 < level < softest + 15.0 for level in levels.values())

    def test_the_softest_ring_is_some_4_db_above_the_strongest_lasting_nuisance(
        self, softest_ring_db: float
    ) -> None:
        nuisances = {}
        for label, note, longest_s in (
            ("tool", "compressor", 140.0),
            ("tool", "grinder", 60.0),
            ("traffic", "tram", 40.0),
        ):
            levels = []
            for level_db, event in loudest(demo_sessions(), label, note, 2):
                session, _ = alone(event, longest_s=longest_s, level_db=level_db)
                levels.append(held(plain_rectifier(volts_of(session)), 0.8))
            nuisances[note] = db(max(levels))
        assert 3.5 <= softest_ring_db - max(nuisances.values()) <= 5.5
        assert max(nuisances.values()) - min(nuisances.values()) < 4.0

    def test_the_strongest_tap_is_some_15_db_above_that_ring_and_short(self, softest_ring_db: float) -> None:
        peaks, lasting = [], []
        for note in ("mallet", "spanner", "put down"):
            for level_db, event in loudest(demo_sessions(), "tap", note, 3):
                session, _ = alone(event, level_db=level_db)
                volts = volts_of(session)
                assert np.abs(volts).max() < 0.8 * CARD.full_scale_v
                peaks.append(float(plain_rectifier(volts).max()))
                lasting.append(held(plain_rectifier(volts), 0.8))
        assert db(max(peaks)) - softest_ring_db == pytest.approx(15.0, abs=1.5)
        # that is why a delay helps: no tap keeps up even the softest ring's level
        assert db(max(lasting)) < softest_ring_db - 6.0

    def test_in_the_hard_session_the_compressor_drowns_the_soft_phone(self, softest_ring_db: float) -> None:
        run = next(event for event in hard_session().events if event.segments[0].label == "tool")
        session, _ = alone(run, longest_s=20.0)
        assert db(held(plain_rectifier(volts_of(session)), 0.8)) > softest_ring_db + 6.0
        drowned = [
            call
            for call in calls_of(hard_session())
            if intersect_spans([Span(call.start_s, call.end_s)], spans_of(hard_session(), "tool"))
        ]
        assert {call.phone for call in drowned} == {"cased"}
        assert len(drowned) >= 6


def tiny_sessions() -> tuple[Session, ...]:
    """Two short sessions cut out of the real ones."""
    tiny = []
    for k, phone in enumerate(("double", "old")):
        event = first_event(phone)
        session, _ = alone(event)
        tiny.append(
            replace(session, name=f"tiny-{k}", seed=100 + k, duration_s=math.ceil(session.duration_s) + 6.0)
        )
    return tuple(tiny)


class TestBuild:
    @pytest.fixture(autouse=True)
    def _small(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(build, "demo_sessions", tiny_sessions)
        monkeypatch.setattr(build, "hard_session", lambda: tiny_sessions()[0])

    def test_it_is_a_dataset_with_everything_reviewed(self, tmp_path: Path) -> None:
        told: list[tuple[str, float]] = []
        build_demo(tmp_path / "demo", lambda what, share: told.append((what, share)))
        dataset = read_dataset(tmp_path / "demo")
        assert dataset.spdx == "CC0-1.0"
        assert {recording.name for recording in dataset.recordings} == {"tiny-0", "tiny-1"}
        for recording, session in zip(
            sorted(dataset.recordings, key=lambda each: each.name), tiny_sessions(), strict=True
        ):
            assert recording.session == session.name
            assert recording.sample_rate_hz == 16_000
            assert recording.duration_s == session.duration_s
            assert (recording.full_scale_v, recording.input_ohms) == (CARD.full_scale_v, CARD.input_ohms)
            assert recording.reviewed == (Span(0.0, recording.duration_s),)
            assert recording.segments == tuple(sorted(session.events[0].segments))
            with wave.open(str(recording.path)) as file:
                assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, 16_000)
        day = dataset.day
        assert (day.limits.calls_caught, day.limits.false_alarms_per_day, day.limits.response_s) == (
            0.95,
            2.0,
            6.0,
        )
        assert {each.label for each in day.exposures} == {"tap", "tool", "traffic", "background"}
        assert "invented" in DEMO_DAY_TOML
        assert told[-1] == ("done", 1.0)
        assert [share for _, share in told] == sorted(share for _, share in told)

    def test_two_builds_have_the_same_bytes(self, tmp_path: Path) -> None:
        for name in ("one", "two"):
            build_demo(tmp_path / name / "demo", lambda what, share: None)
        files = sorted(p.relative_to(tmp_path / "one") for p in (tmp_path / "one").rglob("*") if p.is_file())
        assert len(files) >= 7
        for file in files:
            if ".evalkit" not in file.parts:
                assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes(), file

    def test_the_hard_session_is_a_dataset_of_its_own(self, tmp_path: Path) -> None:
        build_hard_session(tmp_path / "hard", lambda what, share: None)
        assert len(read_dataset(tmp_path / "hard").recordings) == 1

    def test_an_empty_folder_will_do_and_nothing_else_is_left_behind(self, tmp_path: Path) -> None:
        (tmp_path / "demo").mkdir()
        build_demo(tmp_path / "demo", lambda what, share: None)
        assert [path.name for path in tmp_path.iterdir()] == ["demo"]

    def test_what_is_there_already_is_left_alone(self, tmp_path: Path) -> None:
        (tmp_path / "demo").mkdir()
        (tmp_path / "demo" / "mine.txt").write_text("mine")
        (tmp_path / "file").write_text("mine")
        for name in ("demo", "file"):
            with pytest.raises(FileFault, match="is there already") as caught:
                build_demo(tmp_path / name, lambda what, share: None)
            assert "\n" not in str(caught.value)
        assert (tmp_path / "demo" / "mine.txt").read_text() == "mine"
        assert (tmp_path / "file").read_text() == "mine"

    def test_a_build_that_is_broken_off_leaves_nothing(self, tmp_path: Path) -> None:
        def stop(what: str, share: float) -> None:
            if share > 0.0:
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            build_demo(tmp_path / "demo", stop)
        assert list(tmp_path.iterdir()) == []


def test_samples_are_the_same_every_time_and_differ_by_seed() -> None:
    session, _ = alone(first_event("shop"), longest_s=6.0)
    first = np.concatenate(list(render_session(session)))
    assert np.array_equal(first, np.concatenate(list(render_session(session))))
    assert len(first) == 6 * FS
    other = np.concatenate(list(render_session(replace(session, seed=8))))
    assert not np.array_equal(first, other)


def test_events_that_cross_chunks_are_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """The mechanical part does not depend on how it is cut; hiss and dither are drawn chunk by chunk."""
    session, _ = alone(first_event("old"), longest_s=9.0)
    silent = replace(CARD, noise_v=0.0)
    monkeypatch.setattr(build, "CARD", silent)
    whole = np.concatenate(list(render_session(session))).astype(np.int64)
    monkeypatch.setattr(build, "_CHUNK_SAMPLES", 1_234)
    cut = np.concatenate(list(render_session(session))).astype(np.int64)
    # two dithered readings of one voltage: at most one step and a half off, each way
    assert np.abs(whole - cut).max() <= 3


def test_lid_has_few_modes_and_a_known_decay() -> None:
    assert 4 <= len(LID.modes()) <= 6
    slowest = min(mode.decay_rate for mode in LID.modes())
    assert math.exp(-slowest * LID.decay_s(40.0)) == pytest.approx(0.01)
