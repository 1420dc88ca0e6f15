"""How pictures are drawn: palette, axes, and one figure as PNG, SVG file and SVG inside the page.

Colours are named by what they mean. In the page they become CSS variables, so
that one drawing serves light and dark; in files they are those of light paper.
Every hue is also told by a line style, a hatch, a marker or a word.
"""

import io
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from evalkit.names import visible

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["INK", "WIDE_IN", "Frame", "Ink", "Picture", "canvas", "finish", "plain", "quiet_axes"]


@dataclass(frozen=True)
class Ink:
    """Colours on light paper; sRGB, told apart with any of the common colour-vision deficiencies."""

    text: str = "#1b1f24"
    faint: str = "#5b6570"
    rule: str = "#c4cad1"
    paper: str = "#fdfdfb"
    good: str = "#0b6b58"
    """Passing region, caught calls."""
    wash: str = "#d5ebe4"
    """Fill of the passing region."""
    alarm: str = "#b23a00"
    """False alarms and their limit."""
    miss: str = "#1d5fa8"
    """Missed calls and their limit."""
    slow: str = "#7a4b96"
    """Too slow."""
    alarm_soft: str = "#e3b39b"
    """The same for hatching."""
    miss_soft: str = "#a9c3e2"
    slow_soft: str = "#c9b2d8"
    chosen: str = "#1b1f25"
    """The recommended setting."""
    moved: str = "#b23a01"
    """The setting under the reader's hand."""


INK = Ink()

_VARIABLES = {name: f"var(--{name.replace('_', '-')})" for name in Ink.__dataclass_fields__}

_STYLE: Any = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 9.0,
    "axes.labelsize": 9.0,
    "axes.titlesize": 9.5,
    "axes.edgecolor": INK.faint,
    "axes.labelcolor": INK.text,
    "axes.linewidth": 0.8,
    "axes.facecolor": "none",
    "text.color": INK.text,
    # names come from strangers' files: a dollar sign is a dollar sign
    "text.parse_math": False,
    "xtick.color": INK.faint,
    "ytick.color": INK.faint,
    "xtick.labelcolor": INK.text,
    "ytick.labelcolor": INK.text,
    "xtick.labelsize": 8.5,
    "ytick.labelsize": 8.5,
    "hatch.linewidth": 0.8,
    "svg.fonttype": "none",
    "svg.hashsalt": "evalkit",
    "path.simplify": True,
    "axes.unicode_minus": True,
}
WIDE_IN = 4.7
"""Width of a picture that has a column to itself: readable at its own size on a phone."""
_PNG_DPI = 144
_NOTE_IN = 0.17
_PALETTE = 128


@dataclass(frozen=True)
class Frame:
    """Where a pair of axes lies in a picture's own coordinates, so that a script can place a mark on it."""

    name: str
    x: tuple[float, float]
    """Data at the left and the right edge, as the axis scales it."""
    y: tuple[float, float]
    """Data at the bottom and the top edge."""
    box: tuple[float, float, float, float]
    """Left, top, width and height in the units of the picture's viewBox."""
    symlog: tuple[float, float] | None = None
    """(linthresh, linscale) of a horizontal axis that is linear about 0 and logarithmic beyond."""


@dataclass(frozen=True)
class Picture:
    """One picture in all its forms."""

    name: str
    """Stem of its files."""
    title: str
    alt: str
    """Says in words and numbers what is to be seen."""
    svg: str
    """A file of its own."""
    png: bytes
    inline: str
    """The same for the page: colours as CSS variables, identifiers of its own."""
    frames: tuple[Frame, ...] = field(default=())


@contextmanager
def canvas(width_in: float, height_in: float, *, note: str = "") -> Iterator["Figure"]:
    """Give a figure in the report's style; no global state of matplotlib is left changed.

    Parameters
    ----------
    width_in, height_in : float
        Inches.
    note : str
        A line under the drawing in its files, where nothing else says what the data are; the page leaves
        it out, since it says so itself.
    """
    import matplotlib
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    with warnings.catch_warnings(), matplotlib.rc_context(_STYLE):
        # a name in a script that the drawing font lacks is drawn by the reader's own browser
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from")
        foot = _NOTE_IN / (height_in + _NOTE_IN) if note else 0.0
        figure = Figure(
            figsize=(width_in, height_in / (1.0 - foot)),
            dpi=72,
            layout=ConstrainedLayoutEngine(rect=(0.0, foot, 1.0, 1.0 - foot)),
            facecolor="none",
        )
        if note:
            text = figure.text(0.01, 0.25 * foot, plain(note), fontsize=6.5, color=INK.faint, gid="note")
            text.set_in_layout(False)
        yield figure


def finish(
    figure: "Figure", name: str, title: str, alt: str, *, frames: dict[str, "Axes"] | None = None
) -> Picture:
    """Render a figure; call it inside its `canvas`."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    png, svg = io.BytesIO(), io.StringIO()
    FigureCanvasAgg(figure)
    # one layout serves both forms
    figure.draw_without_rendering()
    figure.set_layout_engine("none")
    figure.savefig(png, format="png", dpi=_PNG_DPI, facecolor=INK.paper, metadata={"Title": plain(title)})
    FigureCanvasSVG(figure)
    figure.savefig(svg, format="svg", metadata={"Date": None, "Creator": None, "Title": plain(title)})
    text = svg.getvalue()
    return Picture(
        name=name,
        title=title,
        alt=alt,
        svg=text,
        png=_fewer_colours(png),
        inline=_inline(text, name),
        frames=tuple(_frame_of(figure, label, axes) for label, axes in (frames or {}).items()),
    )


def _frame_of(figure: "Figure", name: str, axes: "Axes") -> Frame:
    """Return where axes lie after the layout was made."""
    from matplotlib.scale import SymmetricalLogTransform

    width, height = figure.get_size_inches() * 72.0
    box = axes.get_position()
    scale = axes.xaxis.get_transform()
    symlog = None
    if isinstance(scale, SymmetricalLogTransform):
        symlog = float(scale.linthresh), float(scale.linscale)
    return Frame(
        name=name,
        x=tuple(float(v) for v in axes.get_xlim()),  # type: ignore[arg-type]
        y=tuple(float(v) for v in axes.get_ylim()),  # type: ignore[arg-type]
        box=(
            round(float(box.x0 * width), 3),
            round(float((1.0 - box.y1) * height), 3),
            round(float(box.width * width), 3),
            round(float(box.height * height), 3),
        ),
        symlog=symlog,
    )


def quiet_axes(axes: "Axes") -> None:
    """Take away what carries no information."""
    axes.spines["top"].set_visible(False)
    axes.spines["right"].set_visible(False)
    axes.tick_params(length=3, width=0.8)


def plain(text: str) -> str:
    """Return a name from the data as it may be drawn: one line, nothing invisible."""
    return visible(text)


def _fewer_colours(png: io.BytesIO) -> bytes:
    """The same picture with a palette: line drawings lose nothing to see and two thirds of their size."""
    from PIL import Image

    small = io.BytesIO()
    with Image.open(png) as full:
        full.convert("RGB").quantize(_PALETTE, dither=Image.Dither.NONE).save(small, "PNG", optimize=True)
    return small.getvalue()


_HEX = re.compile(r"#[0-9a-fA-F]{6}\b")
_BY_HEX = {value: _VARIABLES[name] for name, value in vars(INK).items()}
_NOTE = re.compile(r'<g id="note">.*?</g>\s*', re.DOTALL)
_PATH = re.compile(r'\bd="[^"]*"')
_NUMBER = re.compile(r"-?\d+\.\d+")
_FONT = re.compile(r"font(?:-family)?: ([^;\"]*?)'DejaVu Sans'[^;\"]*")
_ID = re.compile(r'(\bid="|url\(#|href="#)([^")]+)')


def _inline(svg: str, name: str) -> str:
    """Make an SVG file part of a page: variables for colours, own identifiers, the page's font."""
    body = svg[svg.index("<svg") :]
    body, n_notes = _NOTE.subn("", body)
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    body = body.replace("xlink:href", "href")
    body = _ID.sub(lambda m: f"{m[1]}{name}-{m[2]}", body)
    body = _HEX.sub(lambda m: _BY_HEX.get(m[0].lower(), m[0]), body)
    body = _FONT.sub(_page_font, body)
    # a tenth of a point is finer than any screen shows, and halves the file
    body = _PATH.sub(_short_path, body)
    body = re.sub(r"<defs>\s*<style.*?</style>\s*</defs>", "", body, flags=re.DOTALL)
    body = re.sub(r">\s*\n\s*<", ">\n<", body)
    head, rest = body[: body.index(">")], body[body.index(">") :]
    view = re.search(r'viewBox="([^"]*)"', head)
    assert view is not None
    left, top, width, height = (float(v) for v in view[1].split())
    height -= n_notes * 72.0 * _NOTE_IN
    box = f"{left:g} {top:g} {width:g} {height:g}"
    return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}" class="drawing"' + rest


def _short_path(match: re.Match[str]) -> str:
    rounded = _NUMBER.sub(lambda n: f"{float(n[0]):.1f}".removesuffix(".0"), match[0])
    parts: list[str] = []
    last = ""
    for step in rounded.split("\n"):
        # numbers without a letter go on as a line, but only after a move or a line
        parts.append(step[2:] if step[:1] == "L" and last in ("M", "L") else step)
        last = step.removeprefix('d="')[:1] or last
    return " ".join(part.strip() for part in parts if part)


def _page_font(match: re.Match[str]) -> str:
    size = re.search(r"[\d.]+px", match[1])
    weight = "bold " if "bold" in match[1] or " 700" in match[1] else ""
    return f"font: {weight}{size[0]} var(--font)" if size else "font-family: var(--font)"
