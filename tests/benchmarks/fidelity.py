"""Print how far the `circuit` detector is from ngspice, by kind of stimulus.

    python -m tests.benchmarks.fidelity

The simulator's answers are read from tests/golden/fidelity.json; `python -m tests.fidelity` makes them
afresh (some ten minutes on two idle cores, needs Debian's ngspice). Boards and stimuli are invented. Targets
(design, section 7): firing time within 1 %, equivalent threshold and storage peak within 0.2 dB, at the 95th
percentile.
"""

import sys

import numpy as np

from tests.fidelity import Differences, cases, differences, stored_answers
from tests.solver import default_board


def main() -> None:
    """Compute and print."""
    stored, drawn = stored_answers(), cases(default_board())
    stale = [case for case in drawn if case.digest not in stored]
    if stale:
        sys.exit(f"{len(stale)} of {len(drawn)} cases have no stored answer: run python -m tests.fidelity")
    for rate in (48_000, 16_000):
        found = differences(drawn, stored, rate)
        print(f"\ndetector at {rate} Hz, {len(found.kind)} cases: median / 95th percentile / worst")
        print(f"{'stimulus':15}{'cases':>6}{'firing time, %':>24}{'threshold, dB':>24}{'peak, dB':>24}")
        for kind in [*dict.fromkeys(found.kind), "all"]:
            print(row(found, kind))
        split = found.split()
        print(f"fires in one and not in the other with a margin over 2 %: {len(split)} {', '.join(split)}")


def row(found: Differences, kind: str) -> str:
    """Return a line of the table."""
    own = np.array([kind in ("all", each) for each in found.kind])
    cells = []
    for each in (100.0 * found.firing_time, found.threshold_db, found.peak_db):
        size = np.abs(each[own])
        cells.append(f"{np.median(size):.3f} / {np.percentile(size, 95):.3f} / {size.max():.3f}")
    return f"{kind:15}{own.sum():>6}" + "".join(f"{cell:>24}" for cell in cells)


if __name__ == "__main__":
    main()
