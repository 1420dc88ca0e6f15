"""The page: contents turned into one HTML file that needs nothing else, and into Markdown.

Everything that comes from a dataset is text: HTML is escaped by the template
engine, Markdown by `_as_markdown`, and control characters are written out.
"""

import base64
import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import evalkit
from evalkit.board import board_sha256
from evalkit.dataset import dataset_sha256
from evalkit.detectors import LevelUnit
from evalkit.names import visible
from evalkit.planning import plan
from evalkit.recommendation import Recommendation, sentences
from evalkit.report.bench_sheet import BenchSheet
from evalkit.report.comparing import comparison_tables, method_lines, plan_notes
from evalkit.report.comparison import Comparison, Side
from evalkit.report.contents import Contents
from evalkit.report.drawing import Picture
from evalkit.report.incidents import IncidentKind, Shown
from evalkit.report.moment_picture import incident_picture, roles_of
from evalkit.report.pictures import classes_picture
from evalkit.report.plane_picture import plane_picture
from evalkit.report.side_by_side import comparison_picture
from evalkit.report.sounds import Sound
from evalkit.report.tables import Table, shown_tables
from evalkit.report.views import View, explorer_document, view_of
from evalkit.report.wording import interval_notes, quantity
from evalkit.report.words import (
    CAUTIONS,
    expectations,
    first_sentence,
    incident_facts,
    incident_story,
    position_text,
    setting_sentences,
    tone_text,
    verdict,
)
from evalkit.segments import Segment

__all__ = ["Moment", "Page", "as_html", "as_markdown", "page_of"]


@dataclass(frozen=True)
class Moment:
    """One mistake, or what came nearest to one, as it is shown."""

    picture: Picture
    kind: str
    heading: str
    story: str
    facts: str
    cause: str
    session: str
    phone: str
    labels: tuple[str, ...]
    is_mistake: bool
    sound: str
    """Source of the player, a data address; empty: left out."""
    sound_words: str


@dataclass(frozen=True)
class HardPage:
    """The section on what nothing simple can do."""

    title: str
    about: str
    verdict: str
    picture: Picture
    expectations: tuple[tuple[str, str, str], ...]
    missing: tuple[str, ...]


@dataclass(frozen=True)
class Detectors:
    """The section on detectors side by side."""

    verdict: str
    picture: Picture
    tables: tuple[Table, ...]
    notes: tuple[str, ...]
    """Which interval is which; who is left out."""


@dataclass(frozen=True)
class Page:
    """All that the templates show, in words and pictures."""

    title: str
    about: str
    detector: str
    verdict: str
    verdict_sentence: str
    passes: bool | None
    dials: tuple[tuple[str, str, str], ...]
    """(what, value, what it means)."""
    setting: tuple[str, ...]
    held_out: bool
    unit: str
    """What is held out at a time: `session`, or `maker`."""
    expectations: tuple[tuple[str, str, str], ...]
    limits: tuple[str, str, str]
    interval_notes: tuple[str, ...]
    """Which interval stands behind which figure."""
    missing: tuple[str, ...]
    wanted: tuple[str, ...]
    """What to record next, in the order in which it pays."""
    wanted_notes: tuple[str, ...]
    cautions: tuple[str, ...]
    bench: BenchSheet | None
    tables: dict[str, Table]
    views: tuple[View, ...]
    """Of every detector, the one that the report is about first."""
    explorer: dict[str, Any]
    """What the page's script is given."""
    classes: Picture
    moments: tuple[Moment, ...]
    n_mistakes: int
    hard: HardPage | None
    detectors: Detectors | None
    """None: there is only one."""
    comparison: Comparison | None
    other_plane: Picture | None
    """Of the dataset that it is compared with."""
    facts: tuple[tuple[str, str], ...]
    """What was computed from what."""

    @property
    def view(self) -> View:
        """Of the detector that the report is about."""
        return self.views[0]

    @property
    def n_mistakes_shown(self) -> int:
        """How many of the mistakes are shown one by one."""
        return sum(moment.is_mistake for moment in self.moments)

    @property
    def n_silent(self) -> int:
        """How many moments are shown without their sound."""
        return sum(not moment.sound for moment in self.moments)

    @property
    def filters(self) -> tuple[tuple[str, str, tuple[str, ...]], ...]:
        """(attribute, label, values) by which the moments can be sifted."""
        return tuple(
            (name, label, tuple(sorted({getattr(m, name) for m in self.moments} - {""})))
            for name, label in (
                ("kind", "Kind"),
                ("cause", "Cause"),
                ("phone", "Phone"),
                ("session", "Session"),
            )
        )

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """All pictures, in the order of the page."""
        found = [picture for view in self.views for picture in view.pictures]
        if self.bench is not None:
            found.append(self.bench.schematic)
        if self.detectors is not None:
            found.append(self.detectors.picture)
        found += [self.classes, *(m.picture for m in self.moments)]
        if self.other_plane is not None:
            found.append(self.other_plane)
        if self.hard is not None:
            found.append(self.hard.picture)
        return tuple(found)


def page_of(contents: Contents, comparison: Comparison | None = None, other: Side | None = None) -> Page:
    """Put the contents of a report into words and pictures.

    Parameters
    ----------
    contents : Contents
    comparison : Comparison, optional
        With another dataset or board.
    other : Side, optional
        The other one of that comparison.
    """
    found, dataset = contents.found, contents.dataset
    figures = found.held_out or found.figures
    word, sentence = verdict(found)
    views = tuple(view_of(rival, contents) for rival in contents.rivals)
    further = plan(found, dataset.day)
    return Page(
        title=dataset.title,
        about=contents.about,
        detector=found.sweep.detector,
        verdict=word,
        verdict_sentence=sentence,
        passes=found.passes,
        dials=_dials(contents),
        setting=tuple(setting_sentences(found, contents.parts)),
        held_out=found.held_out is not None,
        unit=figures.unit,
        expectations=tuple(expectations(figures, dataset.day)),
        limits=_limits(contents),
        interval_notes=tuple(interval_notes(figures)),
        missing=tuple(sentences(found, dataset.day)),
        wanted=tuple(f"{step.text[0].upper()}{step.text[1:]}." for step in further.steps),
        wanted_notes=tuple(plan_notes(further)),
        cautions=CAUTIONS,
        bench=contents.bench,
        tables=shown_tables(contents),
        views=views,
        explorer=explorer_document(contents, views),
        classes=classes_picture(figures, dataset.day, note=first_sentence(contents.about)),
        moments=tuple(
            _moment(k, shown, sound, contents)
            for k, (shown, sound) in enumerate(zip(contents.shown, contents.sounds, strict=True), 1)
        ),
        n_mistakes=len(contents.mistakes),
        hard=_hard_page(contents),
        detectors=_detectors(contents),
        comparison=comparison,
        other_plane=None
        if other is None
        else plane_picture(other.found, other.dataset.board, other.dataset.day, name="other-plane"),
        facts=_facts(contents),
    )


def as_html(page: Page) -> str:
    """Return the page as one HTML file."""
    return str(_html().get_template("page.html").render(page=page))


def as_markdown(page: Page) -> str:
    """Return the page as Markdown, pictures named as files beside it."""
    return str(_markdown().get_template("page.md").render(page=page))


@cache
def _html() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=PackageLoader("evalkit", "report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=lambda value: (
            visible(value) if isinstance(value, str) and not isinstance(value, Markup) else value
        ),
    )
    environment.filters["drawn"] = lambda picture: Markup(picture.inline)
    environment.filters["embedded"] = _embedded
    environment.globals["included"] = lambda name: Markup(_package_text(name))
    return environment


@cache
def _markdown() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("evalkit", "report"),
        autoescape=False,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=lambda value: (
            _as_markdown(value) if isinstance(value, str) and not isinstance(value, _Ready) else value
        ),
    )
    environment.filters["as_table"] = lambda table: _markdown_rows(table.rows, *table.columns)
    environment.filters["as_rows"] = _markdown_rows
    return environment


class _Ready(str):
    """Text that is Markdown already."""


def _markdown_rows(cells: Sequence[Sequence[str]], *columns: str) -> _Ready:
    """A table as Markdown has them."""
    rows = [columns, *cells]
    lines = ["| " + " | ".join(_as_markdown(cell) for cell in row) + " |" for row in rows]
    lines.insert(1, "|" + " --- |" * len(columns))
    return _Ready("\n".join(lines) + "\n")


def _package_text(name: str) -> str:
    return (files("evalkit") / "report" / name).read_text(encoding="utf-8")


def _embedded(value: Any) -> Any:
    """JSON that can stand in a script element: nothing in it can end the element."""
    from markupsafe import Markup

    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))


_MARKDOWN_MARKS = frozenset("\\`*_{}[]<>|#~$")


def _as_markdown(text: str) -> str:
    """Text that Markdown shows as it is."""
    return "".join("\\" + c if c in _MARKDOWN_MARKS else c for c in visible(text))


def _dials(contents: Contents) -> tuple[tuple[str, str, str], ...]:
    found, parts = contents.found, contents.parts
    lane = found.choice.lane
    dials = [
        ("Threshold", position_text(found, lane).removesuffix(" peak"), _threshold_meaning(found)),
        ("Delay", f"{found.delay_s:.2f} s", "so long must it last"),
    ]
    if found.sweep.detector == "circuit":
        if parts.sensitivity is not None:
            ohm = parts.sensitivity.target.set_ohm
            dials.append(
                (
                    "Sensitivity knob",
                    quantity(ohm, "ohm"),
                    f"R2 + RV1, {100 * parts.sensitivity.travel:.0f} % of travel",
                )
            )
        dials.append(
            (
                "Delay knob",
                quantity(parts.delay.target.set_ohm, "ohm"),
                f"R6 + RV2, {100 * parts.delay.travel:.0f} % of travel",
            )
        )
    return tuple(dials)


def _threshold_meaning(found: Recommendation) -> str:
    if found.sweep.levels.unit is not LevelUnit.DECIBEL:
        return "from there on a frame counts as a call"
    return f"peak of a steady {tone_text(found)}"


def _limits(contents: Contents) -> tuple[str, str, str]:
    limits = contents.dataset.day.limits
    return (
        f"at least {100 * limits.calls_caught:g} %",
        f"at most {limits.false_alarms_per_day:g}",
        f"at most {limits.response_s:g} s",
    )


def _moment(number: int, shown: Shown, sound: Sound | None, contents: Contents) -> Moment:
    incident, day = shown.incident, contents.dataset.day
    of_call = incident.kind in (IncidentKind.MISSED, IncidentKind.NEAR_CALL)
    cause = incident.cause or ("unknown phone" if of_call else "unknown")
    return Moment(
        picture=incident_picture(
            shown,
            roles_of([s.label for s in shown.labels], day),
            name=f"moment-{number:02d}",
            note=first_sentence(contents.about),
            calibrated=contents.found.calibrated,
        ),
        kind=str(incident.kind),
        heading=f"{incident.kind}: {cause}",
        story=incident_story(shown, contents.found),
        facts=incident_facts(shown),
        cause=cause,
        session=incident.session,
        phone=cause if of_call else _phone_of(shown),
        labels=tuple(_label_text(s) for s in shown.labels),
        is_mistake=incident.kind in (IncidentKind.MISSED, IncidentKind.FALSE_ALARM),
        sound=""
        if sound is None
        else f"data:{sound.media_type};base64,{base64.b64encode(sound.data).decode('ascii')}",
        sound_words=""
        if sound is None
        else f"{sound.duration_s:.1f} s from {sound.start_s:.1f} s, {_loudness(sound)}",
    )


def _loudness(sound: Sound) -> str:
    word = "louder" if sound.gain_db >= 0.0 else "softer"
    return f"made {abs(sound.gain_db):.0f} dB {word}"


def _phone_of(shown: Shown) -> str:
    """The phone that rings in the excerpt, if it is one."""
    phones = {s.phone for s in shown.labels if s.phone}
    return phones.pop() if len(phones) == 1 else ""


def _label_text(segment: Segment) -> str:
    more = ", ".join(word for word in (segment.phone, segment.note) if word)
    span = f"{segment.start_s:.2f} to {segment.end_s:.2f} s"
    return f"{segment.label}{f' ({more})' if more else ''}, {span}"


def _hard_page(contents: Contents) -> HardPage | None:
    hard = contents.hard
    if hard is None:
        return None
    found: Recommendation = hard.found
    return HardPage(
        title=hard.dataset.title,
        about=hard.about,
        verdict=". ".join(verdict(found)),
        picture=plane_picture(
            found, hard.dataset.board, hard.dataset.day, name="hard-plane", note=first_sentence(hard.about)
        ),
        expectations=tuple(expectations(found.held_out or found.figures, hard.dataset.day)),
        missing=tuple(sentences(found, hard.dataset.day)),
    )


def _detectors(contents: Contents) -> Detectors | None:
    told = contents.detectors
    if told is None:
        return None
    return Detectors(
        verdict=told.verdict,
        picture=comparison_picture(
            told, contents.dataset.day, name="detectors", note=first_sentence(contents.about)
        ),
        tables=tuple(comparison_tables(told)),
        notes=tuple(method_lines(told)),
    )


def _facts(contents: Contents) -> tuple[tuple[str, str], ...]:
    found, dataset = contents.found, contents.dataset
    hours = sum(r.duration_s for r in dataset.recordings) / 3600.0
    sessions: Sequence[str] = found.sweep.sessions
    return (
        ("recordings", f"{len(dataset.recordings)} in {len(sessions)} sessions, {hours:.2f} h"),
        ("settings tried", f"{found.plane.caught.size} of the detector {found.sweep.detector}"),
        ("dataset, SHA-256", dataset_sha256(dataset)),
        ("board, SHA-256", board_sha256(dataset.board)),
        ("licence of the recordings", dataset.spdx or "not stated"),
        ("evalkit", evalkit.__version__),
    )
