"""The report in a real browser, its network cut off: what it shows, how it is worked, who can use it.

Needs Debian's `chromium` (installed by .ci/run) and, for the accessibility checker, `npm`; skips where they
are absent.
"""

import base64
import json
import re
import shutil
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from evalkit.cache import CrossingCache
from evalkit.cli import main
from evalkit.dataset import Dataset, read_dataset
from evalkit.figures import Outcome, figures_of
from evalkit.recommendation import Recommendation
from evalkit.report.contents import Contents, contents_of
from evalkit.report.page import page_of
from evalkit.report.writing import write_report
from evalkit.settings import settings_document
from evalkit.training import DetectorName

from .workshop import build_workshop

CHROMIUM = Path("/usr/bin/chromium")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
HOSTILE = "<script>window.hurt = 1</script><img src=x onerror='window.hurt = 2'>"
AXE = "axe-core@4"

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="Debian's chromium is not installed"),
]


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Dataset:
    """A workshop in which nothing passes, so that there are mistakes of every kind, with hostile notes."""
    folder = build_workshop(
        tmp_path_factory.mktemp("browser") / "bench", sessions=4, tool_v=0.03, note=HOSTILE
    )
    descriptor = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
    descriptor["description"] = f"about {HOSTILE}\x1b[31m\u202e"
    (folder / "datapackage.json").write_text(json.dumps(descriptor), encoding="utf-8")
    return read_dataset(folder)


@pytest.fixture(scope="module")
def contents(workshop: Dataset) -> Contents:
    return contents_of(
        workshop,
        [DetectorName.CIRCUIT, DetectorName.ENVELOPE],
        cache=CrossingCache(workshop.folder),
        most_mistakes=6,
        most_sound_bytes=60_000,
    )


@pytest.fixture(scope="module")
def report(contents: Contents, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report")
    return write_report(folder, contents, page_of(contents))


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture
def visit(chromium: Any, report: Path) -> Iterator[Callable[..., Any]]:
    """Open the report; at the end no request but its own must have been made, and nothing complained."""
    contexts: list[Any] = []
    trouble: list[str] = []

    def open_page(width: int = 1280, scheme: str = "light") -> Any:
        context = chromium.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)
        context.set_offline(True)
        page = context.new_page()
        page.on("console", lambda message: trouble.append(f"{message.type}: {message.text}"))
        page.on("pageerror", lambda error: trouble.append(str(error)))
        page.on("dialog", lambda dialog: trouble.append(dialog.message))

        def refuse_all_others(route: Any) -> None:
            if route.request.url == report.as_uri():
                route.continue_()
            else:
                trouble.append(route.request.url)
                route.abort()

        page.route(re.compile(r"^(?!data:)"), refuse_all_others)
        page.goto(report.as_uri())
        contexts.append(context)
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert trouble == []


def _set(page: Any, detector: str, lane: int, delay_index: int) -> None:
    page.select_option("#x-detector", detector)
    for name, value in (("x-threshold", lane), ("x-delay", delay_index)):
        page.evaluate(
            "([id, v]) => { const e = document.getElementById(id); e.value = v;"
            " e.dispatchEvent(new Event('input', { bubbles: true })); }",
            [name, value],
        )


def _figure(page: Any, name: str) -> Any:
    return json.loads(page.get_attribute(f'[data-figure="{name}"]', "data-value"))


def _at(found: Recommendation, dataset: Dataset, lane: int, delay_index: int) -> Recommendation:
    """The recommendation as it would be, had this setting been chosen."""
    figures = figures_of(
        found.sweep.classes, [Outcome(t, lane, delay_index) for t in found.sweep.tallies], dataset.day
    )
    acceptable = bool(found.plane.acceptable[lane, delay_index])
    choice = replace(found.choice, lane=lane, delay_index=delay_index, acceptable=acceptable)
    return replace(found, choice=choice, figures=figures)


def test_it_shows_the_very_figures_of_recommend(
    visit: Callable[..., Any], contents: Contents, workshop: Dataset, capsys: pytest.CaptureFixture[str]
) -> None:
    page = visit()
    for rival in contents.rivals:
        name = rival.found.sweep.detector
        out = workshop.folder.parent / f"{name}.json"
        assert main(["recommend", str(workshop.folder), "--detector", name, "--json", "--out", str(out)]) == 0
        told = json.loads(capsys.readouterr().out)
        page.select_option("#x-detector", name)
        _agrees(page, told)
        rng = np.random.default_rng(7)
        lanes, delays = rival.found.plane.caught.shape
        for lane, d in zip(rng.integers(lanes, size=25), rng.integers(delays, size=25)):
            _set(page, name, int(lane), int(d))
            _agrees(page, settings_document(_at(rival.found, workshop, int(lane), int(d)), workshop))
            for word, reach, total in (
                ("events", rival.roc.events_reach, rival.roc.events),
                ("pieces", rival.roc.pieces_reach, rival.roc.pieces),
            ):
                assert _figure(page, f"roc-{word}")[:2] == [int(reach[lane, d]), total]


def _agrees(page: Any, document: dict[str, Any]) -> None:
    """Equal to the last bit: Python wrote the number, the page only looks it up."""
    told = page.evaluate(
        "Object.fromEntries([...document.querySelectorAll('[data-figure]')]"
        ".map((e) => [e.dataset.figure, e.dataset.value ?? null]))"
    )
    shown = {name: json.loads(value) for name, value in told.items() if value is not None}
    calls, alarms, response = document["calls"], document["false_alarms_per_day"], document["response_s"]
    assert shown["calls"] == [calls["caught"], calls["counted"]]
    assert shown["calls-interval"] == (calls["interval"] or [None, None])
    assert shown["masked"] == [calls["masked"]["not_counted"], calls["masked"]["by_false_alarm"]]
    assert shown["alarms"] == alarms["estimate"]
    assert shown["alarms-interval"] == (alarms["interval"] or [None, None])
    assert shown["minutes"] == document["alert_minutes_per_day"]
    for name in ("median", "p95"):
        # JSON has no infinity: `recommend` writes null for a response that never comes
        assert (None if shown[name] == "never" else shown[name]) == response[name]
    assert shown["delay"] == document["delay_s"]
    assert shown["threshold"] == document["threshold_v"]
    assert shown["gain"] == document["gain"]
    assert json.loads(page.get_attribute("#x-verdict", "data-value")) == document["passes"]
    assert page.inner_text("#x-verdict").startswith("Passes" if document["passes"] else "Fails")


def test_causes_and_phones_add_up(visit: Callable[..., Any], contents: Contents) -> None:
    page = visit()
    found = contents.found
    _set(page, "circuit", 5, 3)
    rows = page.locator("#x-classes tr").all_inner_texts()
    alarms = np.sum([t.alarms[:, 5, 3] for t in found.sweep.tallies], axis=0)
    assert [row.split("\t")[:2] for row in rows] == [
        [label, str(int(n))] for label, n in zip(found.sweep.classes, alarms)
    ]
    phones = [row.split("\t") for row in page.locator("#x-phones tr").all_inner_texts()]
    caught, counted = _figure(page, "calls")
    assert sum(int(row[1]) for row in phones) == caught
    assert sum(int(row[2]) for row in phones) == counted - caught


def test_pointing_at_the_map_moves_the_setting(visit: Callable[..., Any], contents: Contents) -> None:
    page = visit()
    frame = page_of(contents).view.plane.frames[0]
    sweep = contents.found.sweep
    box = page.locator(".pad svg").first.bounding_box()
    view = page.locator(".pad svg").first.get_attribute("viewBox").split()
    scale = box["width"] / float(view[2])
    for lane, d in ((10, 50), (40, 20), (63, 0)):
        across = (sweep.levels.position[lane] - frame.x[0]) / (frame.x[1] - frame.x[0])
        up = (np.log10(sweep.delay_s[d]) - frame.y[0]) / (frame.y[1] - frame.y[0])
        left, top, width, height = frame.box
        position = {"x": scale * (left + width * across), "y": scale * (top + height * (1.0 - up))}
        page.locator(".pad svg").first.click(position=position)
        assert page.input_value("#x-threshold") == str(lane)
        assert page.input_value("#x-delay") == str(d)
        assert _figure(page, "delay") == float(sweep.delay_s[d])
    # the mark went with it, on all three drawings
    marks = page.locator(".views:not([hidden]) .hand-mark")
    assert marks.count() == 4
    assert all(marks.nth(k).get_attribute("d") for k in range(4))


def test_it_works_by_keyboard_alone(visit: Callable[..., Any], contents: Contents) -> None:
    page = visit()
    lane, d = contents.found.choice.lane, contents.found.choice.delay_index

    def tab_to(selector: str) -> None:
        for _ in range(200):
            page.keyboard.press("Tab")
            if page.evaluate("s => document.activeElement.matches(s)", selector):
                outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
                assert outline != "none", selector
                return
        raise AssertionError(f"{selector} cannot be reached by Tab")

    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    tab_to("#x-threshold")
    lanes, delays = contents.found.plane.caught.shape
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    assert _figure(page, "gain") == float(contents.found.sweep.levels.gain[min(lanes - 1, lane + 2)])
    tab_to("#x-delay")
    page.keyboard.press("ArrowLeft")
    assert _figure(page, "delay") == float(contents.found.sweep.delay_s[max(0, d - 1)])
    tab_to('[data-preset="keen"]')
    page.keyboard.press("Enter")
    assert page.input_value("#x-threshold") == "0"
    tab_to(".pad")
    page.keyboard.press("Home")
    assert page.input_value("#x-threshold") == str(lane)
    page.keyboard.press("ArrowUp")
    page.keyboard.press("Shift+ArrowLeft")
    assert page.input_value("#x-delay") == str(min(delays - 1, d + 1))
    assert page.input_value("#x-threshold") == str(max(0, lane - 8))
    tab_to("#m-kind")
    page.keyboard.press("ArrowDown")
    assert page.inner_text("#m-count") != f"{len(contents.shown)} of {len(contents.shown)} shown"


def test_the_detector_can_be_changed(visit: Callable[..., Any], contents: Contents) -> None:
    page = visit()
    page.select_option("#x-detector", "envelope")
    shown = page.locator(".views:not([hidden])")
    assert {shown.nth(k).get_attribute("data-detector") for k in range(shown.count())} == {"envelope"}
    other = contents.rivals[1].found
    assert _figure(page, "threshold") == other.threshold_v
    assert page.input_value("#x-delay") == str(other.choice.delay_index)


def test_sounds_decode(visit: Callable[..., Any], contents: Contents) -> None:
    page = visit()
    sounds = [sound for sound in contents.sounds if sound is not None]
    assert 0 < len(sounds) < len(contents.shown)
    assert sum(len(sound.data) for sound in sounds) <= 60_000
    assert page.locator("audio").count() == len(sounds)
    assert f"{len(contents.shown) - len(sounds)} of {len(contents.shown)} moments are without sound" in (
        page.inner_text("#moments")
    )
    for k, sound in enumerate(sounds):
        told = page.locator("audio").nth(k).get_attribute("src")
        assert base64.b64decode(told.partition(",")[2]) == sound.data
        seconds, peak = page.evaluate(
            """async (k) => {
              const audio = document.querySelectorAll("audio")[k];
              const bytes = Uint8Array.from(atob(audio.src.split(",")[1]), (c) => c.charCodeAt(0));
              const decoded = await new OfflineAudioContext(1, 16000, 16000).decodeAudioData(bytes.buffer);
              return [decoded.duration, Math.max(...decoded.getChannelData(0).map(Math.abs))];
            }""",
            k,
        )
        assert seconds == pytest.approx(sound.duration_s, abs=0.2)
        assert 0.4 < peak <= 1.0
    # the element itself plays it
    played = page.evaluate(
        """() => new Promise((done) => {
          const audio = document.querySelector("audio");
          audio.addEventListener("loadedmetadata", () => done(audio.duration));
          audio.addEventListener("error", () => done(-1));
          audio.load(); audio.preload = "auto"; audio.load();
        })"""
    )
    assert played == pytest.approx(sounds[0].duration_s, abs=0.2)


def test_moments_can_be_sifted(visit: Callable[..., Any], contents: Contents) -> None:
    page = visit()
    for name, attribute in (("kind", "data-kind"), ("cause", "data-cause"), ("session", "data-session")):
        values = {m.get_attribute(attribute) for m in page.locator(".moment").all()}
        for value in values:
            page.select_option(f"#m-{name}", value)
            visible = page.locator(".moment:not([hidden])")
            assert {m.get_attribute(attribute) for m in visible.all()} == {value}
            assert page.inner_text("#m-count") == f"{visible.count()} of {len(contents.shown)} shown"
        page.select_option(f"#m-{name}", "")
    assert page.locator(".moment:not([hidden])").count() == len(contents.shown)


def test_what_comes_from_the_dataset_stays_text(visit: Callable[..., Any]) -> None:
    page = visit()
    assert page.evaluate("window.hurt") is None
    assert page.locator("img").count() == 0
    assert HOSTILE in page.inner_text(".about >> nth=0")
    assert "\\x1b[31m\\u202e" in page.inner_text(".about >> nth=0")
    page.locator("#moments details summary").last.click()
    assert page.evaluate("window.hurt") is None


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1280])
def test_it_fits_the_screen(visit: Callable[..., Any], tmp_path: Path, width: int, scheme: str) -> None:
    page = visit(width=width, scheme=scheme)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    drawings = page.locator("svg.drawing:visible")
    for k in range(drawings.count()):
        assert drawings.nth(k).bounding_box()["width"] <= width
    shot = tmp_path / "page.png"
    page.screenshot(path=shot, full_page=True)
    assert shot.stat().st_size > 50_000
    background = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
    red = int(re.findall(r"\d+", background)[0])
    assert red > 200 if scheme == "light" else red < 60


@pytest.fixture(scope="module")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The accessibility checker's script, from its npm package."""
    if shutil.which("npm") is None:
        pytest.skip("npm is not installed, so the accessibility checker cannot be fetched")
    folder = tmp_path_factory.mktemp("axe")
    done = subprocess.run(["npm", "pack", "--silent", AXE], cwd=folder, capture_output=True, text=True)
    packs = list(folder.glob("*.tgz"))
    if done.returncode or not packs:
        pytest.skip(f"npm could not fetch {AXE}: {done.stderr.strip()[:200]}")
    shutil.unpack_archive(packs[0], folder, format="gztar")
    return (folder / "package" / "axe.min.js").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("width", "scheme"), [(1280, "light"), (1280, "dark"), (360, "light"), (360, "dark")]
)
def test_the_accessibility_checker_finds_nothing(
    visit: Callable[..., Any], axe: str, width: int, scheme: str
) -> None:
    page = visit(width=width, scheme=scheme)
    _set(page, "envelope", 3, 3)
    for summary in page.locator("details summary:visible").all()[:5]:
        summary.click()
    page.evaluate(axe)
    found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")
    assert found["passes"] or found["incomplete"] is not None
    told = [
        (v["id"], v["help"], [node["html"][:200] for node in v["nodes"][:3]]) for v in found["violations"]
    ]
    assert told == []


def test_the_bench_sheet_prints_on_one_page(visit: Callable[..., Any]) -> None:
    page = visit()
    page.evaluate("document.body.classList.add('sheet-only')")
    for paper in ("A4", "Letter"):
        printed = page.pdf(format=paper)
        assert len(re.findall(rb"/Type\s*/Page[^s]", printed)) == 1, paper
    page.evaluate("document.body.classList.remove('sheet-only')")
    assert len(re.findall(rb"/Type\s*/Page[^s]", page.pdf(format="A4"))) > 3


def test_without_script_the_page_is_whole(chromium: Any, report: Path, contents: Contents) -> None:
    context = chromium.new_context(java_script_enabled=False, offline=True)
    page = context.new_page()
    page.goto(report.as_uri())
    text = page.inner_text("body")
    assert f"{contents.found.figures.caught} of {contents.found.figures.counted}" in text
    assert page.locator(".needs-script:visible").count() == 0
    assert page.locator(".views:visible").count() == 2
    context.close()
