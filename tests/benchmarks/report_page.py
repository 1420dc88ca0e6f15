"""Size of a report's page and the time until it can be worked.

    python -m tests.benchmarks.report_page [REPORT.html]

Without an argument: of the demo, built in a temporary folder. Needs Debian's chromium. The time runs from
the request for the file to the moment at which the verdict of the explorer stands in the page; network off,
median of 7, file in cache.

Why the page has a script of its own and not a plotting library in it (measured on two cores, July 2025 class
machine, under load): Bokeh 3.9 with one image, two lines and two sliders is 1.71 MB before any data and was
ready after 0.4 to 0.75 s; its canvases cannot be reached by keyboard, do not follow dark mode and were 810 px
wide on a 360 px screen. The script here is 13 kB, works on the drawings that matplotlib made, and the demo's
page was ready after 0.1 to 0.3 s.
"""

import statistics
import sys
import tempfile
import time
from pathlib import Path

from evalkit.cli import main

CHROMIUM = "/usr/bin/chromium"
RUNS = 7


def measure(page: Path) -> None:
    """Print size and time of one page."""
    from playwright.sync_api import sync_playwright

    print(f"size: {page.stat().st_size / 1e6:.2f} MB")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        for width in (1280, 360):
            seconds = []
            for _ in range(RUNS):
                context = browser.new_context(viewport={"width": width, "height": 900}, offline=True)
                tab = context.new_page()
                start = time.perf_counter()
                # the script runs before the page counts as loaded
                tab.goto(page.as_uri(), wait_until="load")
                assert tab.inner_text("#x-verdict")
                seconds.append(time.perf_counter() - start)
                context.close()
            print(f"{width} px: interactive after {statistics.median(seconds):.2f} s (median of {RUNS})")
        browser.close()


if __name__ == "__main__":
    if len(sys.argv) > 1:
        measure(Path(sys.argv[1]).resolve())
    else:
        with tempfile.TemporaryDirectory() as folder:
            import os

            os.chdir(folder)
            main(["demo"])
            measure(Path(folder) / "reports" / "demo" / "report.html")
