"""Print how well the proposals find the demo's true segments.

    python -m tests.benchmarks.proposals_on_demo DATASET

DATASET is the demo (`evalkit demo`), whose labels are the truth: they are known because every sound in it
was computed. Nothing of the labels is given to what is measured. A true segment is found if a proposal shares
at least half of the time that either of the two has; each proposal answers for one segment. A few seconds.
"""

import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from evalkit.dataset import Dataset, Recording, read_dataset
from evalkit.drawn_levels import DrawnFiles, DrawnLevels
from evalkit.proposals import Proposal, find_proposals, matching_share
from evalkit.segments import Role, Segment
from evalkit.spans import Span

SAME = 0.5
FOUND_TARGET, SPURIOUS_TARGET, BOUNDARY_TARGET_S = 0.95, 0.20, 0.050


def levels_of(files: DrawnFiles, recording: Recording) -> DrawnLevels:
    """Return a recording's levels, made if need be."""
    return DrawnLevels.find(
        files, recording.name, recording.path, channel=recording.channel
    ) or DrawnLevels.build(
        files,
        recording.name,
        recording.path,
        channel=recording.channel,
        sample_rate_hz=recording.sample_rate_hz,
        n_frames=recording.n_frames,
    )


def matched(proposals: Sequence[Proposal], truth: Sequence[Segment]) -> dict[int, int]:
    """Return which true segment each proposal found: the best pairs first, each of either once."""
    pairs = []
    for i, proposal in enumerate(proposals):
        for j, segment in enumerate(truth):
            share = matching_share(proposal, Span(segment.start_s, segment.end_s))
            if share >= SAME:
                pairs.append((share, i, j))
    found: dict[int, int] = {}
    taken = set()
    for _, i, j in sorted(pairs, reverse=True):
        if i not in found and j not in taken:
            found[i] = j
            taken.add(j)
    return found


def is_drowned(segment: Segment, recording: Recording, levels: DrawnLevels, dataset: Dataset) -> bool:
    """Whether a ring lies wholly inside another segment that, between all rings, is usually louder."""
    if dataset.day.role(segment.label) is not Role.TARGET:
        return False
    times_s = np.arange(len(levels.square)) * levels.block_samples / levels.sample_rate_hz
    in_ring = np.zeros(len(times_s), bool)
    for ring in recording.segments:
        if dataset.day.role(ring.label) is Role.TARGET:
            in_ring |= (times_s >= ring.start_s) & (times_s < ring.end_s)
    own = float(np.median(levels.square[(times_s >= segment.start_s) & (times_s < segment.end_s)]))
    for other in recording.segments:
        if other.start_s <= segment.start_s and segment.end_s <= other.end_s and other.label != segment.label:
            around = levels.square[(times_s >= other.start_s) & (times_s < other.end_s) & ~in_ring]
            if len(around) and float(np.median(around)) >= own:
                return True
    return False


def main(folder: Path) -> None:
    """Print the counts by kind, then the three figures beside their targets."""
    dataset = read_dataset(folder)
    files = DrawnFiles(folder)
    of, missed, spurious_in = Counter[str](), Counter[str](), Counter[str]()
    errors_s: list[float] = []
    drowned = drowned_found = n_proposals = n_spurious = 0
    for recording in dataset.recordings:
        levels = levels_of(files, recording)
        proposals = find_proposals(levels)
        found = matched(proposals, recording.segments)
        n_proposals += len(proposals)
        for i, proposal in enumerate(proposals):
            if i in found:
                segment = recording.segments[found[i]]
                errors_s += [abs(proposal.start_s - segment.start_s), abs(proposal.end_s - segment.end_s)]
            else:
                n_spurious += 1
                inside = [
                    f"{s.label} {s.note}".strip()
                    for s in recording.segments
                    if s.start_s < proposal.end_s and s.end_s > proposal.start_s
                ]
                spurious_in[inside[0] if inside else "nothing"] += 1
        for j, segment in enumerate(recording.segments):
            if is_drowned(segment, recording, levels, dataset):
                drowned += 1
                drowned_found += j in found.values()
                continue
            kind = f"{segment.label} {segment.note or segment.phone}".strip()
            of[kind] += 1
            missed[kind] += j not in found.values()
    print(f"{'kind':24} {'true':>6} {'found':>6}")
    for kind in sorted(of):
        print(f"{kind:24} {of[kind]:6} {of[kind] - missed[kind]:6}")
    print(f"rings wholly inside a louder segment, counted apart: {drowned_found} of {drowned} found")
    print(f"spurious proposals by what they lie in: {dict(spurious_in.most_common())}")
    share = 1.0 - sum(missed.values()) / sum(of.values())
    spurious = n_spurious / n_proposals
    boundary_s = float(np.median(errors_s))
    for what, figure, target, met in (
        ("true segments found", f"{100 * share:.1f} %", "at least 95 %", share >= FOUND_TARGET),
        ("spurious proposals", f"{100 * spurious:.1f} %", "at most 20 %", spurious <= SPURIOUS_TARGET),
        (
            "median boundary error",
            f"{1e3 * boundary_s:.1f} ms",
            "at most 50 ms",
            boundary_s <= BOUNDARY_TARGET_S,
        ),
    ):
        print(f"{what}: {figure} (target {target}: {'met' if met else 'MISSED'})")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
