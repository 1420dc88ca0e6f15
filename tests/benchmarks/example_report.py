"""Make reports/example again: the demo's report as text, JSON and small pictures.

    python -m tests.benchmarks.example_report [DATASET]

Runs `evalkit demo` in a temporary folder (with DATASET instead of the built demo, if given) and copies
report.md, settings.json and the PNG pictures. `tests/test_cli_demo.py` compares them with a fresh run.
"""

import os
import shutil
import sys
import tempfile
from pathlib import Path

from evalkit.cli import main

EXAMPLE = Path(__file__).parents[2] / "reports" / "example"


def make_example(dataset: Path | None) -> None:
    """Run the demo and copy what is kept of it."""
    with tempfile.TemporaryDirectory() as folder:
        before = Path.cwd()
        os.chdir(folder)
        try:
            status = main(["demo"] if dataset is None else ["demo", str(dataset)])
        finally:
            os.chdir(before)
        if status:
            raise SystemExit(status)
        made = Path(folder) / "reports" / "demo"
        shutil.rmtree(EXAMPLE, ignore_errors=True)
        (EXAMPLE / "pictures").mkdir(parents=True)
        for name in ("report.md", "settings.json"):
            shutil.copyfile(made / name, EXAMPLE / name)
        for picture in sorted((made / "pictures").glob("*.png")):
            shutil.copyfile(picture, EXAMPLE / "pictures" / picture.name)
    size = sum(path.stat().st_size for path in EXAMPLE.rglob("*") if path.is_file())
    print(f"{EXAMPLE}: {size / 1e3:.0f} kB")


if __name__ == "__main__":
    make_example(Path(sys.argv[1]).resolve() if len(sys.argv) > 1 else None)
