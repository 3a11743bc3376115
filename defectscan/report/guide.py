"""The capture guide: one sheet to hang in the bay, to be read from a metre away."""

from defectscan.report import guide_figures as figures
from defectscan.report.palette import INKS
from defectscan.report.vector_page import (
    MM_PER_PT,
    PAPERS_MM,
    WHITE,
    Mark,
    VectorPage,
    Words,
    broken,
    polyline,
    rectangle,
)
from defectscan.version import __version__

TITLE = "Photos that can be measured"
SUBTITLE = "One small lamp, a clean panel, and the same again after polishing"
# (heading, what to do, figure)
STEPS = (
    (
        "Wash, dry, wipe",
        "No dust, water, wax or polish oil: they hide scratches or look like them.",
        figures.clean_panel,
    ),
    (
        "One small lamp",
        "Bare and bright, no diffuser. Switch off or cover every other light.",
        figures.one_lamp,
    ),
    (
        "Straight above",
        "Phone and lamp side by side, both at rest. Use the self-timer.",
        figures.stand_above,
    ),
    (
        "Lock the exposure",
        "Hold a finger on the paint, then darken until the highlight looks small.",
        figures.lock_exposure,
    ),
    (
        "Card and tape",
        "Highlight in the window. Tape stays on: it ties before to after.",
        figures.card_and_tape,
    ),
    (
        "Five before, five after",
        "Move the lamp between shots, never the zoom. Repeat the same places.",
        figures.five_shots,
    ),
)
SPOILERS = (
    ("Flash", figures.flash),
    ("Second light, daylight", figures.two_lights),
    ("Shake, out of focus", figures.shaken),
    ("Glow too large", figures.blown_out),
    ("Dust, water, wax", figures.dusty),
    ("Night, portrait, zoom", figures.processed),
)
FILM_FIRST = """Measure film thickness first, at several spots. Clear coat does not grow back, and
no photo shows how much is left."""
CAUTIONS = (
    (
        FILM_FIRST,
        "Spare edges, body lines and repainted parts. Try a small hidden spot.",
        "No photo orders a pass: a skilled person decides, at the panel.",
    ),
    (
        "Protect eyes, ears, hands and lungs. Tie back hair and cables.",
        "Ventilate. Read the safety data sheets and the makers' instructions.",
        "Do not look into the lamp or at its image in the paint.",
        "Local codes and licensed trades come before this sheet.",
    ),
)

_WIDTH_MM, _HEIGHT_MM = 186.0, 258.0
_BAND_MM, _GAP_MM = 24.0, 4.0
_TILE_MM, _TILE_GAP_MM = (59.0, 68.0), 4.5
_SPOILERS_MM, _CAUTIONS_MM = 38.0, 46.0
_HEADING_PT, _TEXT_PT, _SMALL_PT = 14.5, 11.0, 10.0
_LEADING = 1.32


def guide_page(paper: str) -> VectorPage:
    """Draw the guide.

    Parameters
    ----------
    paper
        ``"a4"`` or ``"letter"``.
    """
    width, height = PAPERS_MM[paper]
    left = (width - _WIDTH_MM) / 2
    margin = min(12.0, (height - _HEIGHT_MM) / 2)
    gap = _GAP_MM + (height - _HEIGHT_MM - 2 * margin) / 3
    y = margin
    marks = _title(left, y)
    y += _BAND_MM + gap
    for i, (heading, text, figure) in enumerate(STEPS):
        row, column = divmod(i, 3)
        x = left + column * (_TILE_MM[0] + _TILE_GAP_MM)
        top = y + row * (_TILE_MM[1] + _GAP_MM)
        marks += figure(x, top)
        marks += _tile_words(i + 1, heading, text, x, top + figures.HEIGHT_MM)
    y += 2 * _TILE_MM[1] + _GAP_MM + gap
    marks += _spoilers(left, y)
    y += _SPOILERS_MM + gap
    marks += _cautions(left, y)
    return VectorPage(title=TITLE, paper=paper, marks=tuple(marks))


def _title(x: float, y: float) -> list[Mark]:
    return [
        rectangle(x, y, width_mm=_WIDTH_MM, height_mm=_BAND_MM, fill="ink", corner_mm=2.5),
        Words(x_mm=x + 7, y_mm=y + 12, text=TITLE, size_pt=28, bold=True, colour=WHITE),
        Words(x_mm=x + 7, y_mm=y + 19.3, text=SUBTITLE, size_pt=12.5, colour=WHITE),
    ]


def _tile_words(number: int, heading: str, text: str, x: float, y: float) -> list[Mark]:
    y += 7.2
    marks: list[Mark] = [
        Words(x_mm=x, y_mm=y, text=str(number), size_pt=19, bold=True, colour="after"),
        Words(x_mm=x + 6.2, y_mm=y, text=heading, size_pt=_fitting(heading, 52.5), bold=True),
    ]
    marks += _paragraph(text, x, y + 6.3, width_mm=_TILE_MM[0], size_pt=_TEXT_PT)
    return marks


def _fitting(heading: str, width_mm: float) -> float:
    """Return the size in which a heading fits on one line."""
    size = _HEADING_PT
    while len(broken(heading, width_mm=width_mm, size_pt=size, bold=True)) > 1:
        size -= 0.5
    return size


def _spoilers(x: float, y: float) -> list[Mark]:
    marks: list[Mark] = [
        polyline([(x, y), (x + _WIDTH_MM, y)], stroke="hair", width_mm=0.4),
        Words(x_mm=x, y_mm=y + 7.5, text="What spoils a shot", size_pt=_HEADING_PT, bold=True),
    ]
    step = (_WIDTH_MM + _TILE_GAP_MM) / len(SPOILERS)
    for i, (text, figure) in enumerate(SPOILERS):
        at = x + i * step
        marks += figure(at, y + 10.5)
        middle = at + figures.ICON_MM[0] / 2
        for n, line in enumerate(broken(text, width_mm=step - 1, size_pt=_SMALL_PT)):
            marks.append(
                Words(
                    x_mm=middle, y_mm=y + 32.2 + 4.4 * n, text=line, size_pt=_SMALL_PT,
                    anchor="middle",
                )
            )  # fmt: skip
    return marks


def _cautions(x: float, y: float) -> list[Mark]:
    marks: list[Mark] = [
        rectangle(
            x, y, width_mm=_WIDTH_MM, height_mm=_CAUTIONS_MM, stroke="warning", stroke_mm=0.8,
            corner_mm=2.5,
        ),
        *figures.warning_sign(x + 11, y + 5),
    ]  # fmt: skip
    column = 79.0
    for i, points in enumerate(CAUTIONS):
        at, down = x + 22 + i * (column + 4), y + 6.6
        for point in points:
            marks.append(
                rectangle(at, down - 2.3, width_mm=1.6, height_mm=1.6, fill=INKS["warning"])
            )
            lines = _paragraph(point, at + 3.6, down, width_mm=column - 4, size_pt=_SMALL_PT)
            marks += lines
            down += len(lines) * _SMALL_PT * MM_PER_PT * _LEADING + 1.5
    marks.append(
        Words(
            x_mm=x + 11, y_mm=y + _CAUTIONS_MM - 3.2, text=f"v{__version__}", size_pt=6.5,
            colour="muted", anchor="middle",
        )
    )  # fmt: skip
    return marks


def _paragraph(text: str, x: float, y: float, *, width_mm: float, size_pt: float) -> list[Mark]:
    step = size_pt * MM_PER_PT * _LEADING
    return [
        Words(x_mm=x, y_mm=y + i * step, text=line, size_pt=size_pt)
        for i, line in enumerate(broken(text, width_mm=width_mm, size_pt=size_pt))
    ]
