"""Print how often held-out intervals cover the truth when the setting is chosen inside the simulation.

    python -m tests.benchmarks.coverage_with_choice [WORKSHOPS]

4,000 workshops for each case unless told otherwise; some ten minutes in all on two cores. Targets:
design section 7. Each workshop has sessions with calls and nuisances of three classes, a small plane of
settings whose true rates are known, and goes through the very code of `recommend`: choice, folds, figures,
intervals. All workshops are invented: no figure here comes from a recording.
"""

import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from os import cpu_count

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, expit

from evalkit.choice import Spread
from evalkit.crossings import Integrator
from evalkit.day import BACKGROUND, Day, Exposure, Limits
from evalkit.detectors import Levels, LevelUnit
from evalkit.figures import Figures
from evalkit.recommendation import recommend_from
from evalkit.scoring import Sweep, Tally
from evalkit.segments import Call

Array = NDArray[np.float64]

TARGET_INDEPENDENT = 0.94
TARGET_SPREAD = 0.90

POSITION_DB = np.linspace(-18.0, 3.0, 8)
DELAY_S = np.geomspace(0.1, 5.0, 6)
CLASSES = ("tap", "tool", BACKGROUND)
SPREAD = Spread(threshold=2.0, delay=0.4)
_HOLD_S = 4.0
_SPACING_S = 60.0


@dataclass(frozen=True)
class Workshop:
    """A kind of workshop: what is recorded and how sessions differ."""

    name: str
    sessions: int
    calls: int
    """In each session."""
    rate_cv: float
    """Of the factor that each session has on each class's rate of false alarms."""
    correlation: float
    """Of the calls of a session (beta-binomial)."""
    shared: bool = False
    """One factor for all classes of a session."""
    hard: bool = False
    """No setting meets the limits in truth: every choice is a compromise."""
    amount: float = 1.0
    """How much of each class a session brings, against a short one."""

    @property
    def day(self) -> Day:
        """What a day brings, and the limits."""
        exposures = (
            Exposure("tap", 40.0, None),
            Exposure("tool", None, 1.0),
            Exposure(BACKGROUND, None, 7.0),
        )
        limits = Limits(calls_caught=0.97, false_alarms_per_day=0.3) if self.hard else Limits(0.9, 3.0, 6.0)
        return Day(limits, exposures)

    @property
    def recorded(self) -> Array:
        """(n_classes,): events or hours of each class in a session."""
        return self.amount * np.array([25.0, 0.2, 0.8])

    @property
    def per_day(self) -> Array:
        """(n_classes,): the same of a day."""
        return np.array([40.0, 1.0, 7.0])


def true_caught() -> Array:
    """Return the chance that a call is caught, for each setting: weak calls and short rings go first."""
    by_level = 1.0 - 0.995 * expit((POSITION_DB[:, None] + 1.0) / 2.2)
    by_delay = 1.0 - 0.99 * expit((np.log(DELAY_S)[None, :] - np.log(4.5)) / 0.35)
    return by_level * by_delay


def true_rates(workshop: Workshop) -> Array:
    """Return false alarms for each recorded unit, (n_classes, n_lanes, n_delays)."""
    level = np.array([0.35, 0.30, 0.45])[:, None, None] * (POSITION_DB - POSITION_DB[0])[None, :, None]
    delay = np.array([1.6, 0.5, 1.0])[:, None, None] * (np.log(DELAY_S) - np.log(DELAY_S[0]))[None, None, :]
    keen = np.array([0.9, 40.0, 6.0])[:, None, None]
    rates: Array = keen * np.exp(-level - delay)
    return rates * (3.0 if workshop.hard else 1.0)


def simulate(workshop: Workshop, rng: np.random.Generator) -> Sweep:
    """Draw one workshop: tallies for every setting, nested as a real box's are."""
    caught, rates = true_caught(), true_rates(workshop)
    return Sweep(
        detector="simulated",
        levels=Levels(POSITION_DB, LevelUnit.DECIBEL, None, None),
        delay_s=DELAY_S,
        integrator=Integrator(0.6, 0.3),
        classes=CLASSES,
        tallies=tuple(_session(workshop, f"s{k:02d}", caught, rates, rng) for k in range(workshop.sessions)),
    )


def _session(workshop: Workshop, name: str, caught: Array, rates: Array, rng: np.random.Generator) -> Tally:
    chance = caught
    if workshop.correlation > 0.0:
        strength = 1.0 / workshop.correlation - 1.0
        # one place in the distribution for all settings: a session that is bad at one is bad at all
        chance = betaincinv(caught * strength, (1.0 - caught) * strength, rng.random())
    luck = rng.random(workshop.calls)
    status = (luck[:, None, None] < chance).astype(np.uint8)
    response = DELAY_S[None, None, :] + rng.exponential(0.2, workshop.calls)[:, None, None]
    alarms = np.zeros(rates.shape, np.int32)
    k = 1.0 / workshop.rate_cv**2 if workshop.rate_cv > 0.0 else 0.0
    shared = rng.gamma(k, 1.0 / k) if k else 1.0
    for c in range(len(CLASSES)):
        factor = shared if workshop.shared or not k else rng.gamma(k, 1.0 / k)
        expected = rates[c].max() * workshop.recorded[c] * factor
        marks = rng.random(rng.poisson(expected)) * rates[c].max()
        # an event that sets off a dull box sets off a keener one
        alarms[c] = (marks[:, None, None] < rates[c]).sum(axis=0)
    by_event = np.array([1.0, 0.0, 0.0])
    return Tally(
        recording=name,
        session=name,
        calls=tuple(
            Call(_SPACING_S * i, _SPACING_S * i + 15.0, "slab", False) for i in range(workshop.calls)
        ),
        status=status,
        response_s=np.where(status == 1, response, np.inf).astype(np.float32),
        alarms=alarms,
        alarm_s=_HOLD_S * alarms,
        events=workshop.recorded * by_event,
        hours=workshop.recorded * (1.0 - by_event),
    )


@dataclass(frozen=True)
class Row:
    """What one workshop showed; figures are (calls caught, false alarms a day)."""

    held_out: tuple[float, float]
    in_sample: tuple[float, float]
    covered: tuple[bool, bool]
    """Whether the held-out intervals hold the truth of the recommended setting."""
    fold_covered: tuple[bool, bool]
    """Whether they hold the mean truth of the settings that the folds chose."""
    in_sample_covered: tuple[bool, bool]
    truth: tuple[float, float]
    """Of the recommended setting."""
    fold_truth: tuple[float, float]
    """Mean of the settings that the folds chose, as they weigh in the held-out figures."""
    passes: bool


def row_of(workshop: Workshop, rng: np.random.Generator) -> Row:
    """Run one workshop through `recommend_from`."""
    caught, rates = true_caught(), true_rates(workshop)
    daily = np.einsum("c,cld->ld", workshop.per_day, rates)
    found = recommend_from(simulate(workshop, rng), workshop.day, spread=SPREAD)
    assert found.held_out is not None
    at = (found.choice.lane, found.choice.delay_index)
    truth = (float(caught[at]), float(daily[at]))
    folds = [(fold.lane, fold.delay_index) for fold in found.folds]
    fold_truth = (
        float(np.mean([caught[cell] for cell in folds])),
        float(np.mean([daily[cell] for cell in folds])),
    )
    return Row(
        held_out=_estimates(found.held_out),
        in_sample=_estimates(found.figures),
        covered=_covers(found.held_out, truth),
        fold_covered=_covers(found.held_out, fold_truth),
        in_sample_covered=_covers(found.figures, truth),
        truth=truth,
        fold_truth=fold_truth,
        passes=bool(found.choice.acceptable),
    )


def _estimates(figures: Figures) -> tuple[float, float]:
    assert figures.calls_caught is not None
    assert figures.false_alarms_per_day is not None
    return figures.calls_caught, figures.false_alarms_per_day


def _covers(figures: Figures, truth: tuple[float, float]) -> tuple[bool, bool]:
    pairs = (figures.calls_interval.pair(), figures.false_alarms_interval.pair())
    calls, alarms = (pair is not None and pair[0] <= t <= pair[1] for pair, t in zip(pairs, truth))
    return calls, alarms


def run(workshop: Workshop, n: int, seed: int = 20_250_901) -> list[Row]:
    """Simulate so many workshops, each from a generator of its own."""
    return [row_of(workshop, np.random.default_rng([seed, k])) for k in range(n)]


def _some(job: tuple[Workshop, Sequence[int]]) -> list[Row]:
    workshop, numbers = job
    return [row_of(workshop, np.random.default_rng([20_250_901, k])) for k in numbers]


def run_side_by_side(workshop: Workshop, n: int) -> list[Row]:
    """Return the rows of `run` on all cores."""
    jobs = [(workshop, range(first, min(first + 50, n))) for first in range(0, n, 50)]
    with ProcessPoolExecutor(cpu_count() or 1) as pool:
        return [row for rows in pool.map(_some, jobs) for row in rows]


def cases() -> Iterator[tuple[Workshop, float]]:
    """Yield each kind of workshop with the coverage that is promised for it."""
    yield Workshop("independent, 6 sessions", 6, 12, 0.0, 0.0), TARGET_INDEPENDENT
    yield Workshop("independent, 12 sessions", 12, 12, 0.0, 0.0), TARGET_INDEPENDENT
    yield Workshop("independent, 6 sessions, nothing passes", 6, 12, 0.0, 0.0, hard=True), TARGET_INDEPENDENT
    yield Workshop("spread, 6 sessions", 6, 12, 1.0, 0.2), TARGET_SPREAD
    yield Workshop("spread, 12 sessions", 12, 12, 1.0, 0.2), TARGET_SPREAD
    yield Workshop("spread, shared by the classes, 6 sessions", 6, 12, 1.0, 0.2, shared=True), TARGET_SPREAD
    yield Workshop("independent, 8 long sessions", 8, 60, 0.0, 0.0, amount=6.0), TARGET_INDEPENDENT
    yield Workshop("spread, 8 long sessions", 8, 60, 1.0, 0.2, amount=6.0), TARGET_SPREAD
    yield Workshop("spread, 6 sessions, nothing passes", 6, 12, 1.0, 0.2, hard=True), TARGET_SPREAD


def shares(rows: Sequence[Row]) -> dict[str, tuple[float, float]]:
    """Return coverage and bias for calls and for false alarms a day."""

    def mean(pick: str) -> tuple[float, float]:
        values = np.array([getattr(row, pick) for row in rows], np.float64).mean(axis=0)
        return float(values[0]), float(values[1])

    held_out, in_sample = np.array([mean("held_out"), mean("in_sample")])
    truth, fold_truth = np.array(mean("truth")), np.array(mean("fold_truth"))
    return {
        "covered": mean("covered"),
        "fold_covered": mean("fold_covered"),
        "in_sample_covered": mean("in_sample_covered"),
        "truth": mean("truth"),
        "held_out_bias": tuple(held_out - fold_truth),
        "held_out_off": tuple(held_out - truth),
        "in_sample_bias": tuple(in_sample - truth),
    }


def bias_error(rows: Sequence[Row]) -> tuple[float, float]:
    """Return the standard error of the held-out bias."""
    off = np.array([np.subtract(row.held_out, row.fold_truth) for row in rows])
    calls, alarms = off.std(axis=0, ddof=1) / np.sqrt(len(rows))
    return float(calls), float(alarms)


def main(n: int) -> None:
    """Print one block for each kind of workshop."""
    print(f"Choice made inside, {n} workshops for each case; nominal 95 % intervals, held out")
    for workshop, target in cases():
        rows = run_side_by_side(workshop, n)
        found = shares(rows)
        print(
            f"{workshop.name}: {100 * np.mean([r.passes for r in rows]):.0f} % of workshops have a setting",
            end="",
        )
        print(f" that passes; truth on average {found['truth'][0]:.4f} and {found['truth'][1]:.3f} a day")
        for i, name in enumerate(("calls caught", "false alarms a day")):
            covered = found["covered"][i]
            verdict = "met" if covered >= target else "MISSED"
            bias, error = found["held_out_bias"][i], bias_error(rows)[i]
            off, in_sample = found["held_out_off"][i], found["in_sample_bias"][i]
            print(f"  {name}")
            print(f"    held-out intervals cover the recommended setting's truth in {covered:.3f}", end="")
            print(f" (target {target:.2f} {verdict}),", end="")
            print(f" the mean truth of the folds' settings in {found['fold_covered'][i]:.3f};", end="")
            print(f" in-sample intervals in {found['in_sample_covered'][i]:.3f}")
            print(
                f"    bias held out {bias:+.4f} (standard error {error:.4f}), against the recommended", end=""
            )
            print(f" setting {off:+.4f}; in-sample {in_sample:+.4f}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 4000)
