"""Print how often the intervals cover the truth, over simulated workshops with known rates.

    python -m tests.benchmarks.coverage_of_intervals [WORKSHOPS]

4,000 workshops for each case unless told otherwise; about two minutes. Targets: design section 7. Only the
intervals are tried here, at a setting given in advance; the choice of a setting inside the simulation is
another matter. All workshops are invented: no figure here comes from a recording.
"""

import sys
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evalkit.intervals import Interval
from evalkit.proportions import clustered_interval, exact_interval
from evalkit.quantiles import quantile_interval
from evalkit.rates import daily_rate, weighted_rate_interval
from evalkit.roc import Scores, auc

Array = NDArray[np.float64]

TARGET_INDEPENDENT = 0.94
TARGET_SPREAD = 0.90


@dataclass(frozen=True)
class CallWorkshops:
    """Sessions of calls whose chance to be caught varies from session to session."""

    sessions: int
    calls_per_session: float
    caught: float
    correlation: float
    """Intraclass correlation of the beta-binomial; 0: every call on its own."""
    alike: bool
    """Sessions of one size, or of sizes that vary with CV about 0.7."""

    def draw(self, rng: np.random.Generator, workshops: int) -> tuple[Array, Array]:
        """Return calls caught and calls counted, each of shape (workshops, sessions)."""
        shape = (workshops, self.sessions)
        calls = np.full(shape, self.calls_per_session)
        if not self.alike:
            calls = np.maximum(1.0, rng.poisson(rng.gamma(2.0, self.calls_per_session / 2.0, shape)))
        chance = np.full(shape, self.caught)
        if self.correlation > 0.0:
            strength = 1.0 / self.correlation - 1.0
            chance = rng.beta(self.caught * strength, (1.0 - self.caught) * strength, shape)
        return rng.binomial(calls.astype(np.int64), chance).astype(np.float64), calls


@dataclass(frozen=True)
class AlarmWorkshops:
    """Sessions with several nuisance classes whose alarm rates vary from session to session."""

    sessions: int
    classes: int
    alarms_per_class: float
    """Expected over all sessions, mean of the classes, whose rates range over a factor of 20."""
    spread: float
    """CV of the session-to-session gamma factor on the rates."""
    shared: bool
    """One factor for all classes of a session (a high gain), or one for each class."""
    alike: bool
    """Exposures of one size, or with CV 0.7."""
    heard_in: int | None = None
    """Each class recorded in so many sessions, drawn at random; all of them if None."""

    def draw(self, rng: np.random.Generator, workshops: int) -> tuple[Array, Array, Array, float]:
        """Return counts and exposures (workshops, classes, sessions), per_day, and the true daily figure."""
        shape = (workshops, self.classes, self.sessions)
        exposure = np.ones(shape) if self.alike else rng.gamma(2.0, 0.5, shape)
        if self.heard_in is not None:
            exposure *= np.argsort(rng.random(shape), axis=-1) < self.heard_in
        relative = np.geomspace(1.0, 20.0, self.classes) if self.classes > 1 else np.ones(1)
        rates = relative / relative.mean() * self.alarms_per_class / (self.heard_in or self.sessions)
        per_day = relative**-0.5
        factor: Array | float = 1.0
        if self.spread > 0.0:
            k = 1.0 / self.spread**2
            factor = rng.gamma(k, 1.0 / k, (workshops, 1 if self.shared else self.classes, self.sessions))
        counts = rng.poisson(rates[:, None] * exposure * factor).astype(np.float64)
        return counts, exposure, per_day, float(np.sum(rates * per_day))


def share_covered(interval: Interval, truth: float) -> float:
    """Return the share of intervals that hold the truth; an unknown one does not."""
    return float(np.mean((interval.lower <= truth) & (truth <= interval.upper)))


def calls_coverage(case: CallWorkshops, rng: np.random.Generator, workshops: int) -> tuple[float, float]:
    """Return the coverage of the clustered interval, and of Clopper-Pearson without regard to sessions."""
    caught, calls = case.draw(rng, workshops)
    plain = exact_interval(caught.sum(axis=-1), calls.sum(axis=-1))
    return share_covered(clustered_interval(caught, calls), case.caught), share_covered(plain, case.caught)


def alarms_coverage(case: AlarmWorkshops, rng: np.random.Generator, workshops: int) -> tuple[float, float]:
    """Return the coverage of the day's figure, and of Fay & Feuer's limits without regard to sessions."""
    counts, exposure, per_day, truth = case.draw(rng, workshops)
    if case.alike and case.heard_in is None:
        covered = share_covered(daily_rate(counts, exposure[0], per_day).interval, truth)
    else:
        each = [daily_rate(x, e, per_day).interval for x, e in zip(counts, exposure, strict=True)]
        covered = float(np.mean([i.lower <= truth <= i.upper for i in each]))
    plain = weighted_rate_interval(counts.sum(axis=-1), per_day / exposure.sum(axis=-1))
    return covered, share_covered(plain, truth)


def auc_coverage(
    area: float, sessions: int, spread: float, rng: np.random.Generator, workshops: int
) -> tuple[float, float]:
    """Return the coverage of the AUC interval with and without sessions: 15 calls, 30 nuisances in each.

    Normal scores; session means of calls and of nuisances vary, apart from each other, with `spread` times
    the deviation within sessions.
    """
    from scipy.special import ndtri

    of_calls, of_nuisances = np.repeat(np.arange(sessions), 15), np.repeat(np.arange(sessions), 30)
    gap = float(ndtri(area)) * np.sqrt(2.0 * (1.0 + spread**2))
    hits = np.zeros(2)
    for _ in range(workshops):
        shifts = rng.normal(0.0, 1.0, (2, sessions)) * spread
        calls = gap + shifts[0, of_calls] + rng.normal(size=of_calls.size)
        nuisances = shifts[1, of_nuisances] + rng.normal(size=of_nuisances.size)
        for i, scores in enumerate(
            (Scores(calls, nuisances, of_calls, of_nuisances), Scores(calls, nuisances))
        ):
            interval = auc(scores).interval
            hits[i] += bool(interval.lower <= area <= interval.upper)
    return float(hits[0] / workshops), float(hits[1] / workshops)


def _call_cases(correlation: float, calls_per_session: float) -> Iterator[CallWorkshops]:
    for sessions in (6, 8, 12, 20):
        for alike in (True, False):
            for caught in (0.8, 0.9, 0.93, 0.95, 0.96, 0.97, 0.98, 0.985, 0.99, 0.995):
                yield CallWorkshops(sessions, calls_per_session, caught, correlation, alike)


def _alarm_cases(spread: float, shared: bool, classes: int, alike: bool) -> Iterator[AlarmWorkshops]:
    for sessions in (6, 8, 12):
        for expected in (0.3, 1.0, 3.0, 6.0, 10.0, 20.0, 50.0, 200.0, 1000.0):
            yield AlarmWorkshops(sessions, classes, expected, spread, shared, alike)


def _print_worst(name: str, results: list[tuple[float, float, object]], target: float) -> None:
    covered, _, where = min(results, key=lambda result: result[0])
    mean, plain = np.mean([r[0] for r in results]), min(r[1] for r in results)
    verdict = "met" if covered >= target else "MISSED"
    print(f"{name}: worst {covered:.3f}, mean {mean:.3f}, target {target:.2f} {verdict};", end=" ")
    print(f"without regard to sessions worst {plain:.3f}\n    worst at {where}", flush=True)


def main(workshops: int) -> None:
    """Print one line for each family of cases, with the worst of them."""
    rng = np.random.default_rng(20240607)
    print(f"Coverage of nominal 95 % intervals, {workshops} workshops for each case")
    for correlation, target in ((0.0, TARGET_INDEPENDENT), (0.1, TARGET_SPREAD), (0.2, TARGET_SPREAD)):
        for size in (5, 10, 20, 50, 100):
            cases = list(_call_cases(correlation, size))
            results = [(*calls_coverage(case, rng, workshops), case) for case in cases]
            _print_worst(f"calls caught, correlation {correlation}, {size} a session", results, target)
    for spread, shared, target in (
        (0.0, False, TARGET_INDEPENDENT),
        (1.0, False, TARGET_SPREAD),
        (1.0, True, TARGET_SPREAD),
    ):
        for classes in (1, 4):
            for alike in (True, False):
                if classes == 1 and shared:
                    continue
                alarm_cases = list(_alarm_cases(spread, shared, classes, alike))
                results = [(*alarms_coverage(case, rng, workshops), case) for case in alarm_cases]
                words = f"CV {spread:g}{' shared' if shared else ''}, {classes} classes"
                words += f", exposures {'alike' if alike else 'unlike'}"
                _print_worst(f"false alarms a day, {words}", results, target)
    for shared in (False, True):
        few = [AlarmWorkshops(8, 4, n, 1.0, shared, False, heard_in=3) for n in (1.0, 3.0, 10.0, 50.0, 200.0)]
        results = [(*alarms_coverage(case, rng, workshops), case) for case in few]
        words = "CV 1 shared" if shared else "CV 1"
        _print_worst(
            f"false alarms a day, {words}, 4 classes each in 3 of 8 sessions", results, TARGET_SPREAD
        )
    for spread in (0.0, 0.5, 1.0):
        results = []
        for sessions in (6, 12):
            for area in (0.75, 0.9, 0.95, 0.98, 0.995):
                results.append((*auc_coverage(area, sessions, spread, rng, workshops), (sessions, area)))
        target = TARGET_SPREAD if spread else TARGET_INDEPENDENT
        _print_worst(f"AUC, session means spread by {spread:g}", results, target)
    for share, n in ((0.5, 20), (0.5, 100), (0.95, 100), (0.95, 300)):
        draws = rng.lognormal(0.0, 0.5, (workshops, n))
        truth = float(np.exp(0.5 * {0.5: 0.0, 0.95: 1.6448536269514722}[share]))
        each = [quantile_interval(row, share) for row in draws]
        covered = float(np.mean([i.lower <= truth <= i.upper for i in each]))
        print(f"response time, {share:g} quantile of {n} independent calls: {covered:.3f}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 4000)
