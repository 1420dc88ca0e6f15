"""Label the demo as a person would who only answers proposals, and see what the labels are worth.

    python -m tests.benchmarks.editor_labeller DATASET

DATASET is the demo (`evalkit demo`). A copy without labels is made; a scripted labeller goes through the
sessions of the first days with the editor's own keys: it accepts or dismisses proposals, most doubtful first,
and takes from the truth nothing but the class of the one that is on the screen. Once all suggestions left are
confident it accepts them in bulk, unseen. Then `recommend` runs on the labels so made, and its setting is
tried on the true labels of the sessions that nobody touched. Printed: keys per segment, what the labels are
like beside the truth, and whether the setting passes there. A few minutes; figures of an invented workshop.
"""

import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from evalkit.cache import CrossingCache
from evalkit.dataset import Dataset, Recording, read_dataset
from evalkit.descriptor import read_descriptor, write_descriptor
from evalkit.detectors.circuit import CircuitDetector
from evalkit.drawn_levels import DrawnFiles, DrawnLevels
from evalkit.editor.desk import Desk, label_names
from evalkit.editor.keys import command_of
from evalkit.figures import Figures, Outcome, figures_of
from evalkit.keeping import LabelKeeper, editing
from evalkit.proposals import Proposal, find_proposals, matching_share
from evalkit.recommendation import recommend
from evalkit.scoring import DetectorName, sweep
from evalkit.segments import Segment
from evalkit.spans import Span, total_s
from evalkit.suggestions import Examples, Suggester, examples_of, features_of

from .proposals_on_demo import SAME, levels_of, matched

HELD_OUT = 3
LEARN_EVERY = 4


@dataclass(frozen=True)
class Work:
    """What labelling one recording took."""

    keys: Counter[str]
    """Keys by what they did."""
    segments: tuple[Segment, ...]


class Labeller:
    """Presses keys; knows the truth of what it is asked about and of nothing else."""

    def __init__(self, desk: Desk, levels: DrawnLevels, truth: Sequence[Segment], earlier: Examples) -> None:
        self._desk = desk
        self._levels = levels
        self._truth = truth
        self._earlier = earlier
        self._proposals = find_proposals(levels)
        self._features = features_of(levels, [proposal.span for proposal in self._proposals])
        self.keys: Counter[str] = Counter()
        desk.take_proposals(self._proposals)

    def work(self) -> Examples:
        """Answer every proposal, mark the recording as reviewed, and return what it has taught."""
        self._press("o", "order")
        self._learn()
        self._press("d", "first proposal")
        answered = 0
        while self._desk.queue.open:
            if self._all_confident():
                self._press("y", "bulk")
                # The look at the summary ends with enter.
                self.keys["bulk"] += 1
                if self._all_confident():
                    # What would overlap another of its label is left, and looked at one by one.
                    self._answer_rest()
                break
            self._answer()
            answered += 1
            if answered % LEARN_EVERY == 0:
                self._learn()
        self._press("0", "reviewed")
        self._press("r", "reviewed")
        return examples_of(self._levels, self._desk.labels, self._proposals)

    def _answer(self) -> None:
        chosen = self._desk.chosen
        if not isinstance(chosen, Proposal):
            self._press("d", "first proposal")
            chosen = self._desk.chosen
        assert isinstance(chosen, Proposal)
        label = self._class_of(chosen)
        suggestion = self._desk.suggested(chosen)
        known = suggestion.label if suggestion is not None else self._desk.label_in_hand
        before = len(self._desk.queue.open)
        if known == label:
            self._press("enter", "accept" if label else "dismiss")
        elif label:
            self._press(f"{self._desk.names.index(label) + 1}", "change")
        else:
            self._press("x", "dismiss")
        if len(self._desk.queue.open) == before:
            # It would overlap one of its label that is there already.
            self._press("x", "dismiss")

    def _answer_rest(self) -> None:
        while self._desk.queue.open:
            self._answer()

    def _class_of(self, proposal: Proposal) -> str:
        """Return the label of the true segment that this is, or nothing."""
        shares = [(matching_share(proposal, Span(s.start_s, s.end_s)), s.label) for s in self._truth]
        share, label = max(shares, default=(0.0, ""))
        return label if share >= SAME else ""

    def _learn(self) -> None:
        own = examples_of(self._levels, self._desk.labels, self._proposals)
        suggester = Suggester(Examples.joined([self._earlier, own]))
        if suggester.ready:
            found = suggester.suggest(self._features)
            self._desk.queue.suggestions = dict(zip(self._proposals, found, strict=True))

    def _all_confident(self) -> bool:
        return len(self._desk.queue.confident()) == len(self._desk.queue.open)

    def _press(self, key: str, why: str) -> None:
        line = command_of(key)
        assert line is not None
        self._desk.perform(line.command, line.argument)
        self.keys[why] += 1


def unlabelled(source: Path, target: Path) -> None:
    """Copy a dataset without its labels and what was reviewed."""
    shutil.copytree(source, target, ignore=shutil.ignore_patterns("journal", "lock", "settings.json"))
    descriptor = read_descriptor(target)
    for entry in descriptor.entries:
        (target / entry.labels_path).write_text("start_s,end_s,label,note\n", encoding="utf-8")
        descriptor = descriptor.with_entry(replace(entry, reviewed=(), labels_name_phones=False))
    write_descriptor(target, descriptor)


def label_all(folder: Path, truth: Sequence[Recording]) -> list[Work]:
    """Label the recordings one after the other; each teaches for those after it."""
    files = DrawnFiles(folder)
    earlier: list[Examples] = []
    done = []
    with editing(folder) as access:
        assert access.refusal is None, access.refusal
        for recording in truth:
            keeper = LabelKeeper(access, recording.name)
            desk = Desk(keeper, names=label_names([]), columns=149)
            levels = levels_of(files, keeper.recording)
            labeller = Labeller(desk, levels, recording.segments, Examples.joined(earlier))
            earlier.append(labeller.work())
            done.append(Work(labeller.keys, desk.labels.segments))
            keeper.close()
            assert keeper.saved
    return done


def print_work(truth: Sequence[Recording], done: Sequence[Work]) -> None:
    """Print keys per segment and how the labels compare with the truth."""
    keys: Counter[str] = sum((work.keys for work in done), Counter())
    n_segments = sum(len(work.segments) for work in done)
    hours = sum(recording.duration_s for recording in truth) / 3600
    print(f"{len(done)} sessions, {hours:.2f} h: {n_segments} segments with {keys.total()} keys")
    print(f"keys per segment: {keys.total() / n_segments:.2f}   ({dict(keys.most_common())})")
    for recording, work in zip(truth, done):
        told = f"{work.keys.total()} keys for {len(work.segments)} segments"
        print(f"  {recording.name:8} {told}, {work.keys.total() / max(1, len(work.segments)):.2f} each")
    right = wrong = missing = 0
    for recording, work in zip(truth, done):
        found = matched([Proposal(s.start_s, s.end_s, 0.0) for s in work.segments], recording.segments)
        right += sum(work.segments[i].label == recording.segments[j].label for i, j in found.items())
        wrong += len(work.segments) - sum(
            work.segments[i].label == recording.segments[j].label for i, j in found.items()
        )
        missing += len(recording.segments) - len(found)
    print(f"beside the truth: {right} right, {wrong} of another label or nothing, {missing} missing")


def figures_at(dataset: Dataset, gain: float, delay_s: float, cache: CrossingCache) -> Figures:
    """Return the figures of the board at one setting on a dataset's own labels."""
    from evalkit.crossings import Integrator

    detector = CircuitDetector(dataset.board, np.array([gain]))
    swept = sweep(
        dataset,
        detector,
        delay_s=np.array([delay_s]),
        integrator=Integrator.of_board(dataset.board),
        warmup_s=dataset.board.warmup_s,
        cache=cache,
    )
    return figures_of(swept.classes, [Outcome(tally, 0, 0) for tally in swept.tallies], dataset.day)


def main(folder: Path) -> None:
    """Label, recommend, try, print."""
    truth = read_dataset(folder)
    by_name = sorted(truth.recordings, key=lambda recording: recording.name)
    days = ("mon", "tue", "wed", "thu", "fri")
    in_time = sorted(by_name, key=lambda recording: (days.index(recording.name[:3]), recording.name))
    seen, held_out = in_time[:-HELD_OUT], in_time[-HELD_OUT:]
    with tempfile.TemporaryDirectory(prefix="editor-labeller-") as temporary:
        work = Path(temporary) / "demo"
        unlabelled(folder, work)
        print_work(seen, label_all(work, seen))
        made = read_dataset(work)
        names = {recording.name for recording in seen}
        labelled = replace(made, recordings=tuple(r for r in made.recordings if r.name in names))
        assert all(total_s(r.reviewed) > 0.999 * r.duration_s for r in labelled.recordings)
        cache = CrossingCache(work)
        found = recommend(labelled, DetectorName.CIRCUIT, cache=cache)
        assert found.gain is not None
        print(
            f"recommended on these labels: gain {found.gain:.1f}, delay {found.delay_s:.3f} s, "
            f"passes on them: {found.passes}"
        )
        untouched = {recording.name for recording in held_out}
        rest = replace(truth, recordings=tuple(r for r in truth.recordings if r.name in untouched))
        figures = figures_at(rest, found.gain, found.delay_s, cache)
        limits = truth.day.limits
        caught, alarms, response = figures.calls_caught, figures.false_alarms_per_day, figures.response_p95_s
        print(f"on the true labels of {', '.join(sorted(untouched))}:")
        ok = caught is not None and caught >= limits.calls_caught
        print(
            f"  calls caught {figures.caught} of {figures.counted} (at least {limits.calls_caught:.0%}): {ok}"
        )
        quiet = alarms is not None and alarms <= limits.false_alarms_per_day
        print(f"  false alarms a day {alarms} (at most {limits.false_alarms_per_day:g}): {quiet}")
        quick = response is not None and response <= limits.response_s
        print(f"  95th percentile of response {response:.2f} s (at most {limits.response_s:g} s): {quick}")
        print(f"passes on the held-out truth: {'met' if ok and quiet and quick else 'MISSED'}")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
