"""What a report says, computed once and then only shown: page, pictures, tables and text read from here."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from evalkit.cache import CrossingCache
from evalkit.comparison import Comparison, compare_found
from evalkit.curves import Curves, curves_of
from evalkit.dataset import Dataset, read_dataset
from evalkit.descriptor import read_descriptor
from evalkit.errors import TooLittleData
from evalkit.figures import Figures, Outcome, figures_of
from evalkit.parts import PartsList, choose_parts
from evalkit.recommendation import Recommendation, recommend
from evalkit.report.bench_sheet import BenchSheet, bench_sheet
from evalkit.report.explore import PlaneFigures, RocCounts, plane_figures, roc_counts
from evalkit.report.incidents import Incident, Shown, incidents_of, mistakes_of, near_misses_of
from evalkit.report.sounds import Sound, sounds_of
from evalkit.standins import check_stand_in
from evalkit.training import DetectorName
from evalkit.workers import Progress, Workers

__all__ = ["Contents", "Hard", "OtherSetting", "Rival", "about", "contents_of"]


@dataclass(frozen=True)
class OtherSetting:
    """What a setting other than the recommended one would have done."""

    name: str
    """What is wrong with it, in a few words."""
    lane: int
    delay_index: int
    figures: Figures


@dataclass(frozen=True)
class Rival:
    """One detector's recommendation with its curves."""

    found: Recommendation
    curves: Curves
    figures: PlaneFigures
    """Of every setting, on the recordings that the choice was made from."""
    roc: RocCounts
    """Segments that reach each setting."""


@dataclass(frozen=True)
class Hard:
    """A second dataset that shows what no setting of the box can do."""

    dataset: Dataset
    about: str
    found: Recommendation


@dataclass(frozen=True)
class Contents:
    """Everything that a report shows."""

    dataset: Dataset
    about: str
    """What the dataset says of itself (`description` of its descriptor); empty: nothing."""
    chosen: Rival
    """The detector that the report is about."""
    parts: PartsList
    bench: BenchSheet | None
    """Of the board; None for a detector that is not the board."""
    rivals: tuple[Rival, ...]
    """All detectors that were compared, the chosen one among them."""
    detectors: Comparison | None
    """What comes of comparing them; None: only one was asked for."""
    others: tuple[OtherSetting, ...]
    shown: tuple[Shown, ...]
    """Mistakes, worst first; then what came nearest to one."""
    sounds: tuple[Sound | None, ...]
    """Of each; None: left out."""
    mistakes: tuple[Incident, ...]
    """All of the chosen setting, shown or not, worst first."""
    hard: Hard | None

    @property
    def found(self) -> Recommendation:
        """The recommendation that the report is about."""
        return self.chosen.found


def contents_of(
    dataset: Dataset,
    names: Sequence[DetectorName],
    *,
    cache: CrossingCache,
    most_mistakes: int,
    most_sound_bytes: int = 0,
    meter_ohm: float | None = None,
    hard: Path | None = None,
    progress: Progress | None = None,
    workers: Workers | None = None,
) -> Contents:
    """Compute a report.

    Parameters
    ----------
    dataset : Dataset
    names : sequence of DetectorName
        The first is the one that the report recommends a setting of; the others are compared with it.
    cache : CrossingCache
    most_mistakes : int
        How many mistakes are shown one by one; the rest is only counted.
    most_sound_bytes : int
        How much compressed sound goes into the page at most.
    meter_ohm : float, optional
        Of the meter that the bench sheet's readings are for, if it is no ordinary one.
    hard : Path, optional
        Folder of a second dataset that no setting can cope with.
    progress : callable, optional
    workers : Workers, optional
        Who scores the recordings; without them it is done here.

    Raises
    ------
    TooLittleData
        If no setting can be computed. A further detector that cannot be
        fitted is left out instead, and named.
    FileFault
        If a file of a dataset cannot be read.
    """
    rivals: list[Rival] = []
    left_out: list[tuple[str, str]] = []
    for name in names:
        try:
            found = recommend(dataset, name, cache=cache, progress=progress, workers=workers)
        except TooLittleData as error:
            if not rivals:
                raise
            left_out.append((str(name), str(error)))
            continue
        rivals.append(
            Rival(
                found,
                curves_of(dataset, found, cache, workers=workers),
                plane_figures(found, dataset.day),
                roc_counts(found, dataset, cache, workers=workers),
            )
        )
    chosen = rivals[0].found
    mistakes = mistakes_of(dataset, chosen, cache)
    moments = (*mistakes[:most_mistakes], *near_misses_of(dataset, chosen, cache))
    parts = choose_parts(chosen, dataset)
    shown = incidents_of(dataset, chosen, moments, cache, progress=progress)
    return Contents(
        dataset=dataset,
        about=about(dataset.folder),
        chosen=rivals[0],
        parts=parts,
        bench=bench_sheet(
            chosen,
            dataset,
            parts,
            stand_in=check_stand_in(dataset, chosen, cache),
            about=about(dataset.folder),
            meter_ohm=meter_ohm,
        )
        if names[0] is DetectorName.CIRCUIT
        else None,
        rivals=tuple(rivals),
        detectors=compare_found(
            dataset, [(r.found, r.curves) for r in rivals], cache=cache, left_out=left_out
        )
        if len(names) > 1
        else None,
        others=_other_settings(chosen, dataset),
        shown=shown,
        sounds=sounds_of(shown, dataset, most_bytes=most_sound_bytes),
        mistakes=mistakes,
        hard=None if hard is None else _hard(hard, names[0]),
    )


def about(folder: Path) -> str:
    """Return what a dataset says of itself, or nothing."""
    text = read_descriptor(folder).extra.get("description")
    return text if isinstance(text, str) else ""


def _hard(folder: Path, name: DetectorName) -> Hard:
    dataset = read_dataset(folder)
    found = recommend(dataset, name, cache=CrossingCache(dataset.folder))
    return Hard(dataset, about(folder), found)


def _other_settings(found: Recommendation, dataset: Dataset) -> tuple[OtherSetting, ...]:
    """The corners of the plane around the chosen setting: what a screwdriver and luck may give."""
    sweep, choice = found.sweep, found.choice
    last_lane, last_delay = len(sweep.levels.position) - 1, len(sweep.delay_s) - 1
    usual = int(np.argmin(np.abs(np.log(sweep.delay_s / 0.05))))
    corners = (
        ("as recommended", choice.lane, choice.delay_index),
        ("far too keen", 0, choice.delay_index),
        ("far too dull", last_lane, choice.delay_index),
        ("hardly any delay", choice.lane, usual),
        ("far too long a delay", choice.lane, last_delay),
    )
    return tuple(
        OtherSetting(
            name,
            lane,
            d,
            figures_of(sweep.classes, [Outcome(t, lane, d) for t in sweep.tallies], dataset.day),
        )
        for name, lane, d in corners
    )
