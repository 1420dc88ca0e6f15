"""Compare all detectors on real sounds, say what to record next, and write the report.

    python -m tests.benchmarks.real_recordings [FOLDER] [SESSIONS]

FOLDER (real-recordings here if left out) must be new or empty; 12 sessions unless told otherwise. Needs the
Debian packages sonic-pi-samples, sound-theme-freedesktop and lomiri-sounds. tests/real_audio.py says what is
real in it (every sound) and what is arranged (order, cadence, level, overlap, sample rate, that a pickup would
deliver them). No phone on a lid is among them, so the share of calls caught says nothing about any box: what
the tables show is how detectors stand to each other on sounds that nobody here made, and how many real hits and
how much of a real machine set them off. Twice:

- bells: two electronic bells ring, and the same hits fall, in every session. A detector that learns has heard
  the very sounds that it is scored on, in other sessions: its lead is the most that there could be.
- ringtones: music, and no ring and no hit of one session is in any other; the machine is.
"""

import sys
from collections.abc import Iterable
from pathlib import Path

from evalkit.cli import main as evalkit
from evalkit.training import DetectorName

from ..real_audio import (
    RINGTONES,
    Arranged,
    import_session,
    missing_packages,
    ringtone_sessions,
    workshop_sessions,
)

CALLS_EACH = 8
DAY = """\
# Invented: how much of these sounds an imaginary day brings, and what is asked of the box.
[limits]
calls_caught = 0.9
false_alarms_per_day = 10.0
response_s = 8.0
[exposure.tap]
events_per_day = 60
[exposure.tool]
hours_per_day = 1
[exposure.background]
hours_per_day = 7
"""


def run(*command: str) -> None:
    """Give a command as on the command line; end where it does not end well."""
    print(f"$ evalkit {' '.join(command)}", flush=True)
    status = evalkit(list(command))
    if status:
        raise SystemExit(status)
    print(flush=True)


def main(folder: Path, sessions: int) -> None:
    """Make the datasets and go through the commands."""
    absent = missing_packages() or ("" if RINGTONES.exists() else "lomiri-sounds")
    if absent:
        raise SystemExit(f"Debian packages {absent} are not installed")
    go_through(folder / "bells", workshop_sessions(sessions, CALLS_EACH, seed=21))
    go_through(folder / "ringtones", ringtone_sessions(sessions, CALLS_EACH, seed=22))


def go_through(folder: Path, arranged: Iterable[Arranged]) -> None:
    """New, import, check, score, plan, report."""
    dataset, sounds = folder / "dataset", folder / "sounds"
    sounds.mkdir(parents=True)
    run("new", str(dataset), "--licence", "GPL-2.0-or-later AND CC0-1.0")
    (dataset / "day.toml").write_text(DAY, encoding="utf-8")
    for each in arranged:
        import_session(dataset, sounds, each)
    run("check", str(dataset))
    run("score", str(dataset))
    for name in ("circuit", "boosted-trees"):
        run("plan", str(dataset), "--detector", name)
    chosen = [word for name in DetectorName for word in ("--detector", str(name))]
    run("report", str(dataset), *chosen, "--out", str(folder / "report"))


if __name__ == "__main__":
    main(
        Path(sys.argv[1]) if len(sys.argv) > 1 else Path("real-recordings"),
        int(sys.argv[2]) if len(sys.argv) > 2 else 12,
    )
