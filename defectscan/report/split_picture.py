"""Draw a half-polished panel: both halves with their lines, their densities and the correction."""

import io
from pathlib import Path

import numpy as np
from matplotlib import get_data_path
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from defectscan.measurement.glint import glints
from defectscan.measurement.state import PanelScore
from defectscan.report import wording, words
from defectscan.report.palette import INKS, SKY_BLUE, YELLOW
from defectscan.split import Split

Floats = NDArray[np.float64]

WIDTH_PX = 1600
FINE = 2
TEXT_PX, HEADING_PX, MARGIN_PX = 34, 52, 28
VEIL = 0.5
QUALITY = 88
LINE_PX, BORDER_PX, DASH_PX = 2, 3, 14
COLOURS = {"untouched": YELLOW, "polished": SKY_BLUE}


def draw_split(split: Split) -> bytes:
    """Draw a split photo.

    Lines of the untouched half run through, those of the polished one are dashed, so that
    neither rests on colour alone.

    Parameters
    ----------
    split
        From `split.split`.

    Returns
    -------
    bytes
        A JPEG of `WIDTH_PX` pixels across.
    """
    rgb = split.photo.rgb
    scale = FINE * WIDTH_PX / rgb.shape[1]
    size = FINE * WIDTH_PX, max(round(rgb.shape[0] * scale), 1)
    dark = (rgb * (1 - VEIL)).astype(np.uint8)
    image = Image.fromarray(dark).resize(size, Image.Resampling.BILINEAR)
    draw = ImageDraw.Draw(image)
    for what, score in (("untouched", split.before), ("polished", split.after)):
        for course in _courses(score):
            path = (course + 0.5) * scale
            parts = _dashes(path, FINE * DASH_PX) if what == "polished" else [path]
            for part in parts:
                points = [(float(x), float(y)) for x, y in part]
                draw.line(points, fill=COLOURS[what], width=FINE * LINE_PX)
    _draw_border(draw, split, scale)
    picture = image.resize((WIDTH_PX, size[1] // FINE), Image.Resampling.LANCZOS)
    return _with_words(picture, split)


def _courses(score: PanelScore) -> list[Floats]:
    """Return the courses of lines that the lamp can have lit, and of deep scratches."""
    measured = score.shots[0]
    lines = measured.shot.lines
    lit = lines.of(glints(lines, measured.shot.glint))
    return [c for part in (lit, measured.scratches) for c in part.courses() if len(c) > 1]


def _dashes(path: Floats, dash_px: float) -> list[Floats]:
    """Cut a path into dashes, with gaps of half their length between."""
    run = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=-1))])
    starts = np.arange(0, max(run[-1], 1e-9), 1.5 * dash_px)
    ends = np.minimum(starts + dash_px, run[-1])
    at = [np.linspace(a, b, 6) for a, b in zip(starts, ends, strict=True)]
    return [np.stack([np.interp(t, run, path[:, k]) for k in (0, 1)], axis=-1) for t in at]


def _draw_border(draw: ImageDraw.ImageDraw, split: Split, scale: float) -> None:
    """Draw both edges of the tape, or the line where there is none, in dashes."""
    chord = split.line.chord(split.photo.luminance.shape)
    if chord is None:
        return
    half = split.line.width_px / 2
    for aside in {-half, half}:
        path = (chord + aside * split.line.normal + 0.5) * scale
        for part in _dashes(path, FINE * DASH_PX):
            points = [(float(x), float(y)) for x, y in part]
            draw.line(points, fill="#ffffff", width=FINE * BORDER_PX)


def _with_words(picture: Image.Image, split: Split) -> bytes:
    """Put the figures above the picture, and the halves' names on them."""
    heading = f"Correction {wording.correction(words.correction_estimate(split.correction))}"
    rows = [
        f"{what}, {name}: {words.density(score)}"
        for what, name, score in (
            ("untouched", split.untouched, split.before),
            ("polished", f"{split.polished} (guessed)" if split.guessed else split.polished,
             split.after),
        )
    ]  # fmt: skip
    top = 2 * MARGIN_PX + HEADING_PX + 2 * (TEXT_PX + 14)
    page = Image.new("RGB", (picture.width, picture.height + top), INKS["paper"])
    page.paste(picture, (0, top))
    draw = ImageDraw.Draw(page)
    draw.text((MARGIN_PX, MARGIN_PX), heading, fill=INKS["ink"], font=_font(HEADING_PX))
    for number, (what, row) in enumerate(zip(COLOURS, rows, strict=True)):
        y = MARGIN_PX + HEADING_PX + 18 + number * (TEXT_PX + 14)
        draw.rectangle((MARGIN_PX, y + 4, MARGIN_PX + 60, y + TEXT_PX), fill="#3a3a3a")
        swatch = np.array([[MARGIN_PX + 6, y + 19], [MARGIN_PX + 54, y + 19]], dtype=np.float64)
        for part in _dashes(swatch, DASH_PX) if what == "polished" else [swatch]:
            points = [(float(a), float(b)) for a, b in part]
            draw.line(points, fill=COLOURS[what], width=2 * LINE_PX)
        draw.text((MARGIN_PX + 76, y), row, fill=INKS["ink"], font=_font(TEXT_PX))
    for what, name in (("untouched", split.untouched), ("polished", split.polished)):
        _label(draw, what, name, size=picture.size, top=top)
    buffer = io.BytesIO()
    page.save(buffer, "JPEG", quality=QUALITY)
    return buffer.getvalue()


def _label(
    draw: ImageDraw.ImageDraw, what: str, name: str, *, size: tuple[int, int], top: int
) -> None:
    """Write what a half is in its outer corner."""
    font = _font(TEXT_PX)
    right = name == "right"
    x = size[0] - MARGIN_PX if right else MARGIN_PX
    y = top + (MARGIN_PX if name != "below" else size[1] - MARGIN_PX - TEXT_PX)
    anchor = "ra" if right else "la"
    draw.text(
        (x, y), what, fill=COLOURS[what], font=font, anchor=anchor,
        stroke_width=3, stroke_fill="#000000",
    )  # fmt: skip


def _font(size_px: int) -> ImageFont.FreeTypeFont:
    # Pillow's own font lacks the superscript two and the no-break space.
    return ImageFont.truetype(Path(get_data_path()) / "fonts/ttf/DejaVuSans.ttf", size_px)
