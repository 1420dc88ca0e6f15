"""The report: what it shows is what was computed, whole, offline and safe to open."""

import base64
import json
import math
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from markupsafe import escape

from evalkit.cache import CrossingCache
from evalkit.cli import main
from evalkit.crossings import Integrator
from evalkit.dataset import Dataset, read_dataset
from evalkit.errors import TooLittleData
from evalkit.figures import Outcome, figures_of
from evalkit.planning import plan
from evalkit.report.comparing import contender_rows, cost_rows, difference_rows, method_lines
from evalkit.report.contents import Contents, contents_of
from evalkit.report.drawing import INK
from evalkit.report.explore import packed
from evalkit.report.incidents import IncidentKind, mistakes_of
from evalkit.report.page import Page, as_html, as_markdown, page_of
from evalkit.report.plane_picture import outlines
from evalkit.report.words import expectations
from evalkit.report.writing import write_report
from evalkit.scoring import alerts_at
from evalkit.settings import settings_document
from evalkit.spans import Span
from evalkit.streams import crossings_of
from evalkit.tracing import excerpts, trace
from evalkit.training import DetectorName

from .workshop import DAY_TOML, build_workshop

HOSTILE = '<script>alert("1")</script> & "quoted" \u202e'
PNG = b"\x89PNG\r\n\x1a\n"


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Dataset:
    """A workshop in which a setting passes without a mistake."""
    folder = build_workshop(tmp_path_factory.mktemp("easy") / "easy", note="ring & <b>call</b>")
    return read_dataset(folder)


@pytest.fixture(scope="module")
def contents(workshop: Dataset) -> Contents:
    return contents_of(
        workshop,
        [DetectorName.CIRCUIT, DetectorName.ENVELOPE],
        cache=CrossingCache(workshop.folder),
        most_mistakes=5,
    )


@pytest.fixture(scope="module")
def page(contents: Contents) -> Page:
    return page_of(contents)


@pytest.fixture(scope="module")
def loud(tmp_path_factory: pytest.TempPathFactory) -> Dataset:
    """A workshop in which the machine is louder than the ring, so that nothing passes."""
    folder = tmp_path_factory.mktemp("loud") / "loud"
    return read_dataset(build_workshop(folder, sessions=3, tool_v=0.06))


@pytest.fixture(scope="module")
def loud_contents(loud: Dataset) -> Contents:
    return contents_of(loud, [DetectorName.CIRCUIT], cache=CrossingCache(loud.folder), most_mistakes=2)


class _Links(HTMLParser):
    """Everything in a page that a browser would fetch or follow, and its controls."""

    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.ids: list[str] = []
        self.scripts_with_source = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.links += [
            value
            for key in ("src", "href", "xlink:href", "action", "srcset", "poster")
            if (value := given.get(key)) is not None
        ]
        if given.get("id"):
            self.ids.append(str(given["id"]))
        self.scripts_with_source += tag == "script" and "src" in given


def test_the_page_fetches_nothing(page: Page) -> None:
    html = as_html(page)
    parser = _Links()
    parser.feed(html)
    assert parser.links
    assert all(link.startswith(("#", "data:")) for link in parser.links)
    assert parser.scripts_with_source == 0
    assert not re.search(r"@import|url\((?!#|&quot;#|\"#|data:)", html)
    assert "default-src 'none'" in html


def test_identifiers_are_unique_and_links_inside_lead_somewhere(page: Page) -> None:
    parser = _Links()
    parser.feed(as_html(page))
    assert len(parser.ids) == len(set(parser.ids))
    assert {link[1:] for link in parser.links if link.startswith("#")} <= set(parser.ids)


def test_the_page_says_what_recommend_says(contents: Contents, page: Page) -> None:
    document = settings_document(contents.found, contents.dataset)
    for text in (as_html(page), as_markdown(page)):
        assert f"{document['calls']['caught']} of {document['calls']['counted']}" in text
        assert f"{1e3 * document['threshold_v']:.3g} mV" in text
        assert f"{document['delay_s']:.2f} s" in text
        assert "Passes, not yet proven" in text
        assert document["dataset_sha256"] in text
        assert document["board_sha256"] in text
    assert document["passes"] is True


def test_held_out_figures_come_first(contents: Contents, page: Page) -> None:
    assert contents.found.held_out is not None
    assert page.held_out
    rows = expectations(contents.found.held_out, contents.dataset.day)
    assert page.expectations == tuple(rows)
    outcome = page.tables["outcome"]
    assert outcome.columns[2].startswith("held out")


def test_every_caution_stands_beside_the_parts(page: Page) -> None:
    """Design, section 8: each caution by a word that only it has."""
    html = as_html(page)
    bench = html[html.index('id="bench"') : html.index('id="settings"')]
    for word in ("licensed", "flyback", "fuse", "ear defenders", "emergency", "speech", "Extra-low voltage"):
        assert word in bench


def test_files_beside_the_page(contents: Contents, page: Page, tmp_path: Path) -> None:
    path = write_report(tmp_path, contents, page)
    assert path.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert json.loads((tmp_path / "settings.json").read_text()) == settings_document(
        contents.found, contents.dataset
    )
    for picture in page.pictures:
        assert (tmp_path / "pictures" / f"{picture.name}.png").read_bytes().startswith(PNG)
        root = ElementTree.fromstring((tmp_path / "pictures" / f"{picture.name}.svg").read_bytes())
        assert root.tag.endswith("svg")
    plane = (tmp_path / "tables" / "plane.csv").read_text().splitlines()
    assert len(plane) == 1 + contents.found.plane.caught.size
    assert (tmp_path / "tables" / "mistakes.csv").read_text().count("\n") == 1
    calls = (tmp_path / "tables" / "calls.csv").read_text().splitlines()
    assert len(calls) == 1 + contents.found.figures.total
    assert not [p for p in tmp_path.rglob("*") if p.name.startswith(".tmp")]


def test_every_picture_has_numbers_in_words(page: Page) -> None:
    for picture in page.pictures:
        assert re.search(r"\d", picture.alt), picture.name
        assert len(picture.alt.split()) > 10
        ElementTree.fromstring(picture.inline)


def test_a_picture_s_files_say_what_the_data_are(contents: Contents, page: Page) -> None:
    """In the page the words stand above; a file may travel alone."""
    told = replace(contents, about="Invented & made up. Nothing was measured.")
    made = page_of(told)
    for picture in (*made.view.pictures, made.classes, made.moments[0].picture):
        assert ">Invented &amp; made up.</text>" in picture.svg
        assert "made up" not in picture.inline
        ElementTree.fromstring(picture.inline)
    # the mark of the script lies on the same place with and without the line
    assert [f.box[0] for f in made.view.plane.frames] == pytest.approx(
        [f.box[0] for f in page.view.plane.frames], abs=0.5
    )
    assert "Invented &amp; made up. Nothing was measured." in as_html(made)


def test_drawings_follow_the_page_s_colours(page: Page) -> None:
    """Every ink of the palette is a variable in the page, so that dark mode reaches the drawings."""
    for picture in page.pictures:
        hard_coded = set(re.findall(r"#[0-9a-f]{6}", picture.inline.lower()))
        assert not hard_coded & set(vars(INK).values())
        assert "var(--text)" in picture.inline


def test_other_settings_are_cells_of_the_plane(contents: Contents) -> None:
    plane, found = contents.found.plane, contents.found
    for other in contents.others:
        cell = other.lane, other.delay_index
        assert other.figures.caught == plane.caught[cell]
        assert other.figures.counted == plane.counted[cell]
        assert other.figures.false_alarms_per_day == pytest.approx(
            plane.false_alarms_per_day[cell], rel=1e-12
        )
    keen = next(o for o in contents.others if o.name == "far too keen")
    dull = next(o for o in contents.others if o.name == "far too dull")
    hasty = next(o for o in contents.others if o.name == "hardly any delay")
    # a badly set box visibly fails
    assert (keen.figures.false_alarms_per_day or 0.0) > contents.dataset.day.limits.false_alarms_per_day
    assert dull.figures.caught == 0
    assert (hasty.figures.false_alarms_per_day or 0.0) > contents.dataset.day.limits.false_alarms_per_day
    assert found.sweep.delay_s[hasty.delay_index] < 0.06


def test_the_page_s_figures_are_those_of_one_setting(workshop: Dataset, contents: Contents) -> None:
    """The plane's figures, computed at once, equal `figures_of` to the last bit, and so do the areas."""
    rng = np.random.default_rng(3)
    for rival in contents.rivals:
        found, at_once = rival.found, rival.figures
        lanes, delays = found.plane.caught.shape
        for lane, d in zip(rng.integers(lanes, size=60), rng.integers(delays, size=60)):
            outcomes = [Outcome(t, int(lane), int(d)) for t in found.sweep.tallies]
            figures = figures_of(found.sweep.classes, outcomes, workshop.day)
            pairs = [
                (figures.caught, at_once.caught),
                (figures.counted, at_once.counted),
                (figures.masked, at_once.masked),
                (figures.masked_by_alarm, at_once.masked_by_alarm),
                (figures.false_alarms_per_day, at_once.alarms_per_day),
                (figures.alert_minutes_per_day, at_once.alert_minutes_per_day),
                (figures.response_median_s, at_once.response_median_s),
                (figures.response_p95_s, at_once.response_p95_s),
            ]
            for interval, lower, upper in (
                (figures.calls_interval, at_once.calls_lower, at_once.calls_upper),
                (figures.false_alarms_interval, at_once.alarms_lower, at_once.alarms_upper),
                (figures.response_p95_interval, at_once.p95_lower_s, at_once.p95_upper_s),
            ):
                pair = interval.pair() or (math.nan, math.nan)
                pairs += [(pair[0], lower), (pair[1], upper)]
            for one, all_ in pairs:
                np.testing.assert_equal(float(all_[lane, d]), math.nan if one is None else float(one))
            assert [c.alarms for c in figures.classes if c.exposure.label in at_once.classes] == list(
                at_once.alarms[:, lane, d]
            )
            assert at_once.caught_of_phone[:, lane, d].sum() == figures.caught
        chosen = found.choice.delay_index
        area = rival.curves.events_auc
        assert rival.roc.events_auc[chosen, 0] == area.estimate
        assert rival.roc.events_auc[chosen, 1] == float(area.interval.lower)
        # the curve of the report is the chosen delay's column
        share = rival.roc.calls_reach[:, chosen] / rival.roc.calls
        for level, expected in zip(found.sweep.levels.position, share):
            reached = rival.curves.events.threshold >= level
            assert rival.curves.events.true_positive_rate[reached].max() == pytest.approx(expected)


@settings(derandomize=True, deadline=None, max_examples=100)
@given(
    arrays(
        np.float64,
        st.integers(1, 50),
        elements=st.one_of(st.floats(allow_nan=False), st.just(math.nan), st.just(math.inf)),
    )
)
def test_packing_loses_nothing(values: np.ndarray) -> None:
    """Through JSON and back as the page reads it: every bit of every finite number."""
    sent = json.loads(json.dumps(packed(values)))
    which = np.frombuffer(base64.b64decode(sent["which"]), "<u2")
    assert len(which) == len(values)
    for k, value in zip(which, values):
        told = sent["values"][k]
        if math.isnan(value):
            assert told is None
        elif math.isinf(value):
            assert told == "never"
        else:
            assert told == value


def test_without_a_mistake_the_nearest_are_shown(contents: Contents) -> None:
    assert contents.mistakes == ()
    kinds = [shown.incident.kind for shown in contents.shown]
    assert IncidentKind.NEAR_CALL in kinds
    assert IncidentKind.NEAR_NUISANCE in kinds
    position = contents.found.sweep.levels.position
    for shown in contents.shown:
        if shown.incident.kind is not IncidentKind.NEAR_CALL or shown.incident.threshold_away is None:
            continue
        # the call is caught one step below where it is said to turn, and missed there
        at = position[contents.found.choice.lane] + shown.incident.threshold_away
        lane = int(np.argmin(np.abs(position - at)))
        for step, expected in ((lane - 1, True), (lane, False)):
            outcomes = [
                Outcome(t, step, contents.found.choice.delay_index) for t in contents.found.sweep.tallies
            ]
            fates = {
                (c.recording, c.call.start_s): c.fate
                for c in figures_of(contents.found.sweep.classes, outcomes, contents.dataset.day).calls
            }
            assert (fates[shown.incident.recording, shown.incident.at_s] == "caught") is expected


def test_every_mistake_is_listed_worst_first(loud: Dataset, loud_contents: Contents) -> None:
    found = loud_contents.found
    mistakes = mistakes_of(loud, found, CrossingCache(loud.folder))
    figures = found.figures
    missed = [i for i in mistakes if i.kind is IncidentKind.MISSED]
    alarms = [i for i in mistakes if i.kind is IncidentKind.FALSE_ALARM]
    assert len(missed) == figures.counted - figures.caught
    assert len(alarms) == sum(c.alarms for c in figures.classes)
    assert mistakes == loud_contents.mistakes
    assert len(mistakes) > 2
    severities = [i.severity for i in mistakes]
    assert severities == sorted(severities, reverse=True)
    shown = [s.incident for s in loud_contents.shown if s.incident in mistakes]
    assert shown == list(mistakes[:2])


def test_what_fails_is_said(loud_contents: Contents) -> None:
    page = page_of(loud_contents)
    html = as_html(page)
    assert page.verdict == "Nothing passes"
    assert "misses by least" in html
    assert page.tables["trade-offs"].rows
    assert f"makes {len(loud_contents.mistakes)} mistakes" in html
    assert "in tables/mistakes.csv" in html


def test_what_comes_from_the_dataset_is_text(
    workshop: Dataset, contents: Contents, page: Page, tmp_path: Path
) -> None:
    descriptor = json.loads((workshop.folder / "datapackage.json").read_text(encoding="utf-8"))
    original = json.dumps(descriptor)
    descriptor["title"] = f"title {HOSTILE}\x1b[31m\x00"
    descriptor["description"] = f"about {HOSTILE}"
    try:
        (workshop.folder / "datapackage.json").write_text(json.dumps(descriptor), encoding="utf-8")
        told = contents_of(
            read_dataset(workshop.folder),
            [DetectorName.CIRCUIT],
            cache=CrossingCache(workshop.folder),
            most_mistakes=1,
        )
    finally:
        (workshop.folder / "datapackage.json").write_text(original, encoding="utf-8")
    made = page_of(told)
    html, markdown = as_html(made), as_markdown(made)
    assert "<script>alert" not in html
    assert "<b>call</b>" not in html
    assert "&lt;script&gt;alert(" in html
    assert "&lt;b&gt;call&lt;/b&gt;" in html
    assert "\\x1b[31m" in html
    for text in (html, markdown):
        assert not re.search(r"[\x00-\x08\x0b-\x1f\u202e]", text)
    assert "\\<script\\>" in markdown


def test_detectors_that_were_compared_stand_side_by_side(contents: Contents) -> None:
    """Table, picture, and the sentence: better beyond chance? worth it? The same as `score` prints."""
    told = contents.detectors
    assert told is not None
    assert [c.name for c in told.contenders] == ["circuit", "envelope"]
    page = page_of(contents)
    html, markdown = as_html(page), as_markdown(page)
    assert escape(told.verdict) in html
    assert told.verdict.split(" (")[0] in markdown
    assert 'href="#detectors"' in html
    assert "detectors" in {picture.name for picture in page.pictures}
    for rows in (contender_rows(told), difference_rows(told), cost_rows(told)):
        assert rows
        for row in rows:
            for cell in row:
                assert not cell or escape(cell) in html
    for line in method_lines(told):
        assert escape(line) in html


def test_one_detector_is_compared_with_nothing(loud_contents: Contents) -> None:
    assert loud_contents.detectors is None
    html = as_html(page_of(loud_contents))
    assert 'id="detectors"' not in html


def test_a_detector_that_cannot_be_fitted_is_left_out_and_named(tmp_path: Path) -> None:
    folder = build_workshop(tmp_path / "one", sessions=1)
    dataset = read_dataset(folder)
    names = [DetectorName.CIRCUIT, DetectorName.LOGISTIC]
    told = contents_of(dataset, names, cache=CrossingCache(folder), most_mistakes=1)
    page = page_of(told)
    for text in (as_html(page), as_markdown(page)):
        assert "logistic is left out: logistic learns from the sessions that it is not scored on" in text
    with pytest.raises(TooLittleData, match="at least 2"):
        contents_of(dataset, names[::-1], cache=CrossingCache(folder), most_mistakes=1)


def test_what_to_record_next_is_the_plan_itself(contents: Contents) -> None:
    """One source: page and text say what `evalkit plan` says, in its order; whether it would do is its own test."""
    wanted = plan(contents.found, contents.dataset.day)
    assert len(wanted.steps) > 1
    page = page_of(contents)
    for text in (page.wanted, page.wanted_notes):
        assert text
    assert [s.lower() for s in page.wanted] == [f"{step.text}.".lower() for step in wanted.steps]
    html, markdown = as_html(page), as_markdown(page)
    places = [html.index(escape(said)) for said in page.wanted]
    assert places == sorted(places)
    for k, said in enumerate(page.wanted, 1):
        assert re.search(rf"^{k}\. {re.escape(said[:20])}", markdown, re.MULTILINE)
    # every note is an item of its own, after a line of nothing
    assert f"\n\n- {page.wanted_notes[0][:12]}" in markdown
    assert "\\n" not in markdown


@settings(derandomize=True, deadline=None, max_examples=200)
@given(arrays(bool, st.tuples(st.integers(1, 7), st.integers(1, 7))))
def test_outlines_enclose_exactly_the_cells(mask: np.ndarray) -> None:
    """Green's theorem: the signed areas of all loops add up to the number of cells."""
    area = 0.0
    for loop in outlines(mask):
        assert loop[0] == loop[-1]
        for (x0, y0), (x1, y1) in zip(loop, loop[1:]):
            assert (x0 == x1) != (y0 == y1)
            area += (x0 * y1 - x1 * y0) / 2.0
    assert area == mask.sum()


def test_a_trace_is_what_was_scored(workshop: Dataset, contents: Contents) -> None:
    found = contents.found
    assert found.gain is not None
    assert found.sweep.by is not None
    cache = CrossingCache(workshop.folder)
    recording = workshop.recordings[0]
    # the board with the hold that was recommended and scored
    board = contents.parts.board
    assert board.hold == found.hold
    whole = trace(recording, board, found.gain, found.delay_s, 0.0, recording.duration_s)
    assert len(whole.time_s) == recording.n_frames
    high = whole.comparator_v > 1.0
    at = np.flatnonzero(np.diff(high, prepend=False))
    swept = [
        (chunk.sample[own], chunk.above[own])
        for chunk in crossings_of(recording, found.sweep.by, cache)
        for own in [chunk.lane == found.choice.lane]
    ]
    assert np.array_equal(at, np.concatenate([sample for sample, _ in swept]))
    # the alerts of the list, to the sample
    alerts = [
        a
        for a in alerts_at(
            workshop,
            found.sweep.by,
            lane=found.choice.lane,
            delay_s=found.delay_s,
            integrator=found.sweep.integrator,
            warmup_s=workshop.board.warmup_s,
            cache=cache,
        )
        if a.recording == recording.name
    ]
    on = np.zeros(recording.n_frames, bool)
    for alert in alerts:
        on |= (whole.time_s >= alert.start_s) & (whole.time_s < alert.end_s)
    assert len(alerts) == 4
    assert np.array_equal(whole.output_v > 1.0, on)
    # the gate fires when the integrator reaches its share
    fire_v = workshop.board.gate_positive_v
    fired = np.flatnonzero(np.diff((whole.gate_v > 1.0).astype(int)) == 1) + 1
    assert len(fired) == 4
    assert np.all(whole.integrator_v[fired] >= fire_v - 1e-9)
    assert np.all(whole.integrator_v[fired - 1] < fire_v)


def test_a_trace_does_not_depend_on_where_it_begins(workshop: Dataset, contents: Contents) -> None:
    found, recording = contents.found, workshop.recordings[1]
    assert found.gain is not None
    whole = trace(recording, workshop.board, found.gain, found.delay_s, 0.0, 60.0)
    part = trace(recording, workshop.board, found.gain, found.delay_s, 31.5, 33.25)
    first = round(31.5 * recording.sample_rate_hz)
    for name in vars(part):
        own, same = getattr(part, name), getattr(whole, name)[first : first + len(part.time_s)]
        assert np.array_equal(own, same), name


def test_a_trace_integrates_as_the_closed_form_says(workshop: Dataset, contents: Contents) -> None:
    """Euler's method in tiny steps from the comparator alone, a second way to the same voltage."""
    found, recording = contents.found, workshop.recordings[2]
    assert found.gain is not None
    shown = trace(recording, workshop.board, found.gain, found.delay_s, 0.0, 40.0)
    integrator = Integrator.of_board(workshop.board)
    tau = float(integrator.tau_s(np.array([found.delay_s]))[0])
    kept, u, expected = math.exp(-1.0 / (recording.sample_rate_hz * tau)), 0.0, []
    for high in shown.comparator_v > 1.0:
        expected.append(u)
        u = 1.0 - (1.0 - u) * kept if high else u * kept
    np.testing.assert_allclose(
        shown.integrator_v, np.array(expected) * workshop.board.comparator_high_v, rtol=1e-6, atol=1e-9
    )


def test_excerpts_show_any_detector(workshop: Dataset, contents: Contents) -> None:
    for rival in contents.rivals:
        found = rival.found
        assert found.sweep.by is not None
        recording = workshop.recordings[0]
        call = recording.segments[0]
        (shown,) = excerpts(
            recording,
            found.sweep.by,
            found.choice.lane,
            cache=CrossingCache(workshop.folder),
            integrator=found.sweep.integrator,
            delay_s=found.delay_s,
            spans=[Span(call.start_s - 1.0, call.end_s + 1.0)],
        )
        assert shown.level is not None
        # the comparator is high exactly where the level has passed its trips
        high, state = [], bool(shown.above[0])
        for value in shown.level:
            state = value > (shown.lower if state else shown.upper)
            high.append(state)
        assert np.array_equal(np.array(high), shown.above)
        assert shown.alert.any()
        assert float(shown.integrator.max()) >= shown.fire


def test_an_unknown_day_leaves_the_curve_out(tmp_path: Path) -> None:
    day = DAY_TOML + "[exposure.traffic]\nhours_per_day = 1.0\n"
    dataset = read_dataset(build_workshop(tmp_path / "w", sessions=3, day=day))
    told = contents_of(dataset, [DetectorName.CIRCUIT], cache=CrossingCache(dataset.folder), most_mistakes=3)
    page = page_of(told)
    assert page.passes is None
    assert page.verdict == "Open"
    assert page.view.free is None
    html = as_html(page)
    assert "False alarms a day are unknown" in html
    assert ("False alarms", "unknown", "a class that the day brings was not recorded") in page.expectations
    assert "record some traffic" in html


def test_without_calibration_volts_and_ohms_are_unknown(tmp_path: Path) -> None:
    dataset = read_dataset(build_workshop(tmp_path / "w", sessions=3, full_scale_v=None))
    page = page_of(
        contents_of(dataset, [DetectorName.CIRCUIT], cache=CrossingCache(dataset.folder), most_mistakes=1)
    )
    assert page.dials[0][1].endswith("dBFS")
    assert [what for what, _, _ in page.dials] == ["Threshold", "Delay", "Delay knob"]
    html = as_html(page)
    assert "not calibrated, so the sensitivity knob&#39;s ohms are unknown" in html
    explorer = page.explorer["detectors"][0]
    assert explorer["thresholdV"] is None
    assert all(lane["ohm"] is None and lane["gain"] is None for lane in explorer["lanes"])


def test_a_learned_detector_tells_a_probability(tmp_path: Path) -> None:
    dataset = read_dataset(build_workshop(tmp_path / "w", sessions=3))
    cache = CrossingCache(dataset.folder)
    told = contents_of(dataset, [DetectorName.LOGISTIC], cache=cache, most_mistakes=1)
    page = page_of(told)
    level = told.found.threshold_level
    assert level is not None
    assert page.dials[0][1] == f"probability {level:.2f}"
    lane = told.found.choice.lane
    assert page.explorer["detectors"][0]["thresholdLevel"][lane] == level
    # no level is drawn, the integrator is
    assert all(shown.excerpt.level is None for shown in told.shown)
    assert any(shown.excerpt.integrator.max() > 0.5 for shown in told.shown)
    assert page.bench is None


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (["report", "nowhere"], 1, "not a dataset"),
        (["report", "nowhere", "--detector", "best"], 2, "unknown detector 'best'"),
        (["report", "nowhere", "--mistakes", "-1"], 2, "--mistakes"),
        (["report", "nowhere", "--sound-mb", "-1"], 2, "--sound-mb -1 must lie between 0 and 100"),
        (["report"], 2, "DATASET"),
    ],
)
def test_bad_use_is_one_line(
    arguments: list[str], status: int, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == status
    said = capsys.readouterr().err.strip()
    assert words in said
    assert "\n" not in said


def test_two_datasets_in_one_report(
    workshop: Dataset, loud: Dataset, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["report", str(workshop.folder), str(loud.folder), "--out", str(tmp_path / "r"), "--json"]
    assert main([*arguments, "--sound-mb", "0", "--detector", "circuit"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["settings"]["passes"] is True
    assert told["mistakes"] == 0
    assert not any(moment["sound"] for moment in told["shown"])
    html = Path(told["report"]).read_text(encoding="utf-8")
    assert "easy beside loud" in html
    assert "beyond chance" in html
    assert "<audio" not in html
    assert "without sound" in html
    assert (tmp_path / "r" / "pictures" / "other-plane.png").exists()


def test_plain_prints_the_whole_report(workshop: Dataset, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", str(workshop.folder), "--plain", "--detector", "circuit"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("# How to set the box at easy\n")
    for heading in (
        "The answer",
        "How sure",
        "Build and set it",
        "Every setting",
        "Curves",
        "What each class",
    ):
        assert f"## {heading}" in out
    assert "Extra-low voltage only" in out
