"""Drawings in true millimetres, as a sheet of PDF, SVG or PNG.

All lengths are in millimetres from the top left corner of the paper.
"""

import html
import importlib.util
import io
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from fpdf import FPDF, ViewerPreferences
from fpdf.enums import TextEmphasis
from PIL import Image, ImageDraw, ImageFont

from defectscan.report.palette import INKS
from defectscan.version import __version__

Point = tuple[float, float]
Anchor = Literal["start", "middle", "end"]

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
PNG_DPI = 600
MM_PER_PT = 25.4 / 72
_MM_PER_INCH = 25.4
_FAMILY = "DejaVu"
_CURVE_STEPS = 48
# The same page is to give the same bytes, and its content has no date.
_ALWAYS = datetime(2000, 1, 1, tzinfo=UTC)
BLACK, WHITE = "#000000", "#ffffff"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """A line or an area through points; colours are names of inks or #rrggbb, "" draws none."""

    points: tuple[Point, ...]
    fill: str = ""
    stroke: str = ""
    width_mm: float = 0.3
    dash_mm: tuple[float, float] | None = None
    closed: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """One line of text on its base line, turned clockwise by a multiple of 90 degrees."""

    x_mm: float
    y_mm: float
    text: str
    size_pt: float = 9.0
    colour: str = "ink"
    bold: bool = False
    anchor: Anchor = "start"
    turn_deg: int = 0


Mark = Shape | Words


@dataclass(frozen=True, slots=True, kw_only=True)
class VectorPage:
    """A sheet of paper with what is drawn on it, in drawing order."""

    title: str
    paper: str
    marks: tuple[Mark, ...]

    @property
    def size_mm(self) -> tuple[float, float]:
        """Give the paper's width and height."""
        return PAPERS_MM[self.paper]


def rectangle(
    x_mm: float,
    y_mm: float,
    *,
    width_mm: float,
    height_mm: float,
    fill: str = "",
    stroke: str = "",
    stroke_mm: float = 0.3,
    dash_mm: tuple[float, float] | None = None,
    corner_mm: float = 0.0,
) -> Shape:
    """Return a rectangle, with round corners where asked."""
    right, bottom = x_mm + width_mm, y_mm + height_mm
    points: list[Point] = [(x_mm, y_mm), (right, y_mm), (right, bottom), (x_mm, bottom)]
    if corner_mm:
        r = corner_mm
        middles = [(right - r, y_mm + r), (right - r, bottom - r), (x_mm + r, bottom - r)]
        middles.append((x_mm + r, y_mm + r))
        points = [
            point
            for i, (x, y) in enumerate(middles)
            for point in arc(x, y, radius_mm=r, from_deg=90 * i - 90, to_deg=90 * i, steps=8)
        ]
    return Shape(
        points=tuple(points), fill=fill, stroke=stroke, width_mm=stroke_mm, dash_mm=dash_mm
    )


def circle(
    x_mm: float,
    y_mm: float,
    *,
    radius_mm: float,
    fill: str = "",
    stroke: str = "",
    stroke_mm: float = 0.3,
    flat: float = 1.0,
) -> Shape:
    """Return a circle, or an ellipse that is `flat` times as high as wide."""
    points = arc(0, 0, radius_mm=radius_mm, from_deg=0, to_deg=360)[:-1]
    return Shape(
        points=tuple((x_mm + x, y_mm + y * flat) for x, y in points),
        fill=fill,
        stroke=stroke,
        width_mm=stroke_mm,
    )


def arc(
    x_mm: float,
    y_mm: float,
    *,
    radius_mm: float,
    from_deg: float,
    to_deg: float,
    steps: int = _CURVE_STEPS,
) -> list[Point]:
    """Return points on an arc; angles run clockwise from the right."""
    angles = [math.radians(from_deg + (to_deg - from_deg) * i / steps) for i in range(steps + 1)]
    return [(x_mm + radius_mm * math.cos(a), y_mm + radius_mm * math.sin(a)) for a in angles]


def polyline(
    points: Sequence[Point],
    *,
    stroke: str = "ink",
    width_mm: float = 0.4,
    dash_mm: tuple[float, float] | None = None,
) -> Shape:
    """Return an open line."""
    return Shape(
        points=tuple(points), stroke=stroke, width_mm=width_mm, dash_mm=dash_mm, closed=False
    )


def to_pdf(page: VectorPage) -> bytes:
    """Write a page as PDF; the same page gives the same bytes."""
    pdf = FPDF(unit="mm", format=page.size_mm)
    pdf.set_creation_date(_ALWAYS)
    for style in ("", "B"):
        pdf.add_font(_FAMILY, style, font_file(bold=bool(style)))
    pdf.set_auto_page_break(False)
    pdf.set_title(page.title)
    pdf.set_creator(f"defectscan {__version__}")
    pdf.set_lang("en")
    # Asks the viewer not to fit the page to the paper.
    pdf.viewer_preferences = ViewerPreferences(print_scaling="None")
    pdf.add_page()
    for mark in page.marks:
        if isinstance(mark, Words):
            _write_words(pdf, mark)
        else:
            _draw_shape(pdf, mark)
    return bytes(pdf.output())


def to_svg(page: VectorPage) -> bytes:
    """Write a page as SVG whose units are millimetres."""
    width, height = page.size_mm
    size = f'width="{width:g}mm" height="{height:g}mm" viewBox="0 0 {width:g} {height:g}"'
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} lang="en">',
        f"<title>{html.escape(page.title)}</title>",
        f'<rect width="{width:g}" height="{height:g}" fill="{WHITE}"/>',
        *(_svg(mark) for mark in page.marks),
        "</svg>",
    ]
    return ("\n".join(lines) + "\n").encode()


def to_png(page: VectorPage) -> bytes:
    """Write a page as a grey PNG of 600 dpi that says so."""
    scale = PNG_DPI / _MM_PER_INCH
    size = [round(side * scale) for side in page.size_mm]
    image = Image.new("L", (size[0], size[1]), 255)
    draw = ImageDraw.Draw(image)
    for mark in page.marks:
        if isinstance(mark, Words):
            _paint_words(image, mark, scale)
        else:
            _paint_shape(draw, mark, scale)
    file = io.BytesIO()
    image.save(file, "PNG", dpi=(PNG_DPI, PNG_DPI), optimize=False)
    return file.getvalue()


def width_of(text: str, *, size_pt: float, bold: bool = False) -> float:
    """Return the width of a text in millimetres."""
    font = ImageFont.truetype(font_file(bold=bold), 1000)
    return font.getlength(text) / 1000 * size_pt * MM_PER_PT


def broken(text: str, *, width_mm: float, size_pt: float, bold: bool = False) -> list[str]:
    """Break a text into lines at spaces."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and width_of(longer, size_pt=size_pt, bold=bold) > width_mm:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def font_file(*, bold: bool) -> Path:
    """Find a DejaVu font that matplotlib brings, without importing it."""
    spec = importlib.util.find_spec("matplotlib")
    if spec is None or spec.origin is None:
        raise RuntimeError("matplotlib, whose fonts the sheets are set in, is not installed")
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf" / name


def _colour(name: str) -> str:
    return INKS.get(name, name)


def _draw_shape(pdf: FPDF, shape: Shape) -> None:
    if shape.fill:
        pdf.set_fill_color(_colour(shape.fill))
    if shape.stroke:
        pdf.set_draw_color(_colour(shape.stroke))
        pdf.set_line_width(shape.width_mm)
        pdf.set_dash_pattern(*(shape.dash_mm or ()))
    style = ("D" if shape.stroke else "") + ("F" if shape.fill else "")
    with pdf.local_context(stroke_cap_style="butt", stroke_join_style="miter"):
        pdf.polyline(list(shape.points), polygon=shape.closed, style=style)


def _write_words(pdf: FPDF, words: Words) -> None:
    style = TextEmphasis.B if words.bold else TextEmphasis.NONE
    pdf.set_font(_FAMILY, style.style, words.size_pt)
    pdf.set_text_color(_colour(words.colour))
    shift = {"start": 0.0, "middle": 0.5, "end": 1.0}[words.anchor]
    x = words.x_mm - shift * pdf.get_string_width(words.text)
    # The library turns counter-clockwise.
    with pdf.rotation(-words.turn_deg, words.x_mm, words.y_mm):
        pdf.text(x, words.y_mm, words.text)


def _svg(mark: Mark) -> str:
    if isinstance(mark, Words):
        turn = (
            f' transform="rotate({mark.turn_deg} {mark.x_mm:.4g} {mark.y_mm:.4g})"'
            if mark.turn_deg
            else ""
        )
        weight = ' font-weight="bold"' if mark.bold else ""
        return (
            f'<text x="{mark.x_mm:.3f}" y="{mark.y_mm:.3f}" text-anchor="{mark.anchor}" '
            f'font-family="DejaVu Sans, Verdana, sans-serif" '
            f'font-size="{mark.size_pt * MM_PER_PT:.3f}"{weight} '
            f'fill="{_colour(mark.colour)}"{turn}>{html.escape(mark.text)}</text>'
        )
    points = " ".join(f"{x:.4f},{y:.4f}" for x, y in mark.points)
    kind = "polygon" if mark.closed else "polyline"
    stroke = (
        f' stroke="{_colour(mark.stroke)}" stroke-width="{mark.width_mm:g}"' if mark.stroke else ""
    )
    dash = f' stroke-dasharray="{mark.dash_mm[0]:g} {mark.dash_mm[1]:g}"' if mark.dash_mm else ""
    fill = _colour(mark.fill) if mark.fill else "none"
    return f'<{kind} points="{points}" fill="{fill}"{stroke}{dash}/>'


def _paint_shape(draw: ImageDraw.ImageDraw, shape: Shape, scale: float) -> None:
    points = [(x * scale, y * scale) for x, y in shape.points]
    if shape.fill:
        # The library paints the pixels on the rim as well; a pixel's middle is at a half here.
        _fill(draw, points, _colour(shape.fill))
    if shape.stroke:
        around = [*points, points[0]] if shape.closed else points
        width = max(1, round(shape.width_mm * scale))
        for piece in _dashes(around, [part * scale for part in shape.dash_mm or ()]):
            draw.line(piece, fill=_colour(shape.stroke), width=width, joint="curve")


def _fill(draw: ImageDraw.ImageDraw, points: Sequence[Point], colour: str) -> None:
    columns, rows = sorted({x for x, _ in points}), sorted({y for _, y in points})
    if len(points) == 4 and len(columns) == len(rows) == 2:
        left, top, right, bottom = (
            round(edge) for edge in (columns[0], rows[0], columns[1], rows[1])
        )
        draw.rectangle((left, top, right - 1, bottom - 1), fill=colour)
    else:
        draw.polygon(list(points), fill=colour)


def _dashes(points: Sequence[Point], dash: Sequence[float]) -> list[list[Point]]:
    """Cut a line into dashes."""
    if not dash:
        return [list(points)]
    pieces: list[list[Point]] = []
    for (x0, y0), (x1, y1) in itertools.pairwise(points):
        length = math.hypot(x1 - x0, y1 - y0)
        at = 0.0
        while at < length:
            ends = (at / length, min(at + dash[0], length) / length)
            pieces.append([(x0 + s * (x1 - x0), y0 + s * (y1 - y0)) for s in ends])
            at += dash[0] + dash[1]
    return pieces


def _paint_words(image: Image.Image, words: Words, scale: float) -> None:
    font = ImageFont.truetype(font_file(bold=words.bold), round(words.size_pt * MM_PER_PT * scale))
    anchor = {"start": "l", "middle": "m", "end": "r"}[words.anchor]
    x, y = round(words.x_mm * scale), round(words.y_mm * scale)
    if not words.turn_deg:
        ImageDraw.Draw(image).text(
            (x, y), words.text, fill=_colour(words.colour), font=font, anchor=f"{anchor}s"
        )
        return
    half = math.ceil(font.getlength(words.text) + font.size)
    stencil = Image.new("L", (2 * half, 2 * half), 0)
    ImageDraw.Draw(stencil).text((half, half), words.text, fill=255, font=font, anchor=f"{anchor}s")
    image.paste(
        Image.new("L", stencil.size, _colour(words.colour)),
        (x - half, y - half),
        stencil.rotate(-words.turn_deg),
    )
