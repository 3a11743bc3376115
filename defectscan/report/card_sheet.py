"""Draw the scale card on a sheet of paper, with how to print it, check it, cut it and lay it."""

from defectscan.imaging.card_layout import (
    BORDER_MM,
    FRAME_MM,
    HEIGHT_MM,
    RULER_MM,
    TAG_MM,
    TAG_MODULES,
    TAGS,
    WIDTH_MM,
    Tag,
)
from defectscan.report.vector_page import (
    BLACK,
    MM_PER_PT,
    PAPERS_MM,
    WHITE,
    Mark,
    Shape,
    VectorPage,
    Words,
    broken,
    circle,
    polyline,
    rectangle,
)

PRINT = """At actual size (100 %, no "fit to page"), on matte uncoated paper of 120 to 200 g/m².
Gloss paper and laminate mirror the lamp and hide the marks."""
CHECK = """Measure the ruler on the left with a steel rule, from 0 to 200. Write what you measured
on the card and give it with every photo, as in: --card-mm 199.3"""
CUT = """Along the outside of the black border, and this window out along its inside. Keep the black
border on the card. Cut on a cutting mat, never on the car."""
LAY = """On paint that is washed, dry and wiped: grit under paper scratches. Set it down, do not
slide it. Tape its outer edge flat with painter's tape, clear of the marks."""
SHOOT = """The lamp's highlight in the window, the whole card in the picture and in focus. Lift it
off before polishing and put it back in the same place, against pieces of tape."""
NOTE = """Some marks may be hidden: two that can be read are enough, more are better. A card that is
wet, creased or stained no longer measures: print a new one."""
# For the paper in the window, which is cut away.
STEPS = (
    ("Print", PRINT),
    ("Check", CHECK),
    ("Cut", CUT),
    ("Lay", LAY),
    ("Shoot", SHOOT),
)
ON_TOP = (
    ("Matte paper", "actual size, 100 %"),
    ("Scale card", "defectscan"),
    ("Tape it flat", "by its outer edge"),
)
ON_RIGHT = (
    ("!Washed, dry, wiped paint only", "Grit under paper scratches."),
    ("Highlight in the window", "Whole card in the picture, in focus."),
    ("!Do not slide it", "Set it down, lift it straight off."),
)
ON_BOTTOM = (
    ("Keep it dry", "and uncreased"),
    ("Lift it off", "before polishing"),
    ("Same place", "before and after"),
)
_HEADING_PT, _TEXT_PT = 8.5, 6.5
_SIGN_MM = 4.2
TRIANGLE = ((0.0, 0.0), (2.5, _SIGN_MM), (-2.5, _SIGN_MM))


def card_page(paper: str) -> VectorPage:
    """Draw the card in the middle of a sheet.

    Parameters
    ----------
    paper
        ``"a4"`` or ``"letter"``; the card is the same on both.
    """
    width, height = PAPERS_MM[paper]
    left, top = (width - WIDTH_MM) / 2, (height - HEIGHT_MM) / 2
    middle_x, middle_y = width / 2, height / 2
    marks: list[Mark] = [
        rectangle(left, top, width_mm=WIDTH_MM, height_mm=HEIGHT_MM, fill=BLACK),
        _inset(left, top, BORDER_MM, fill=WHITE),
        _inset(left, top, FRAME_MM - BORDER_MM, fill=BLACK),
        _inset(left, top, FRAME_MM, fill=WHITE),
        *_crop_marks(left, top),
    ]
    for tag in TAGS:
        marks += _draw_tag(tag, middle_x, middle_y)
    marks += _ruler(left, middle_y)
    marks += _frame_words(left, top)
    marks += _instructions(left + FRAME_MM, top + FRAME_MM, width_mm=WIDTH_MM - 2 * FRAME_MM)
    return VectorPage(
        title="Scale card, to be printed at actual size", paper=paper, marks=tuple(marks)
    )


def _inset(left: float, top: float, inset: float, *, fill: str) -> Shape:
    return rectangle(
        left + inset, top + inset, width_mm=WIDTH_MM - 2 * inset,
        height_mm=HEIGHT_MM - 2 * inset, fill=fill,
    )  # fmt: skip


def _crop_marks(left: float, top: float) -> list[Mark]:
    """Lengthen the cutting lines beyond their corners, on paper that falls away."""
    marks: list[Mark] = []
    right, bottom = left + WIDTH_MM, top + HEIGHT_MM
    for x, out_x in ((left, -1), (right, 1)):
        for y, out_y in ((top, -1), (bottom, 1)):
            marks += [
                polyline([(x + 1 * out_x, y), (x + 5 * out_x, y)], width_mm=0.15),
                polyline([(x, y + 1 * out_y), (x, y + 5 * out_y)], width_mm=0.15),
            ]
    for y in (top - 1.2, top + FRAME_MM + 4.6):
        marks.append(Words(x_mm=left + 40, y_mm=y, text="✂", size_pt=11))
        marks.append(
            Words(
                x_mm=left + 45, y_mm=y - 0.4, text="cut along the line", size_pt=6, colour="muted"
            )
        )
    return marks


def _draw_tag(tag: Tag, middle_x: float, middle_y: float) -> list[Mark]:
    """Draw a mark as rows of black: a black square, white runs on it."""
    left, top = middle_x + tag.x_mm - TAG_MM / 2, middle_y + tag.y_mm - TAG_MM / 2
    side = TAG_MM / TAG_MODULES
    marks: list[Mark] = [rectangle(left, top, width_mm=TAG_MM, height_mm=TAG_MM, fill=BLACK)]
    for row, blacks in enumerate(tag.modules().tolist()):
        column = 0
        while column < TAG_MODULES:
            end = column
            while end < TAG_MODULES and not blacks[end]:
                end += 1
            if end > column:
                marks.append(
                    rectangle(
                        left + column * side, top + row * side, width_mm=(end - column) * side,
                        height_mm=side, fill=WHITE,
                    )
                )  # fmt: skip
            column = end + 1
    return marks


def _ruler(left: float, middle_y: float) -> list[Mark]:
    start = left + BORDER_MM
    marks: list[Mark] = []
    for mm in range(round(RULER_MM) + 1):
        y = middle_y - RULER_MM / 2 + mm
        length = 2.7 if mm % 10 == 0 else 2.0 if mm % 5 == 0 else 1.2
        if mm in {0, round(RULER_MM)}:
            length += 3.0
        width = 0.25 if mm % 10 == 0 else 0.15
        marks.append(rectangle(start, y - width / 2, width_mm=length, height_mm=width, fill=BLACK))
        beside_tag = any(
            abs(tag.y_mm + RULER_MM / 2 - mm) < TAG_MM / 2 + 3 for tag in TAGS if tag.x_mm < 0
        )
        if mm % 10 == 0 and not beside_tag:
            ends = mm in {0, round(RULER_MM)}
            marks.append(
                Words(
                    x_mm=start + length + 0.7, y_mm=y + 0.9, text=str(mm), size_pt=7.5, bold=ends,
                    colour=BLACK,
                )
            )  # fmt: skip
    x = left + FRAME_MM - 8
    for text, shift, bold in (
        (f"drawn {RULER_MM:g} mm", 0.0, False),
        ("measured ________ mm", 4.4, True),
    ):
        marks.append(
            Words(
                x_mm=x + shift, y_mm=middle_y, text=text, size_pt=7.5, bold=bold, turn_deg=-90,
                anchor="middle", colour=BLACK,
            )
        )  # fmt: skip
    return marks


def _frame_words(left: float, top: float) -> list[Mark]:
    """Write on the card itself, in the gaps between its marks; the right side reads downwards."""
    middle_x, middle_y = left + WIDTH_MM / 2, top + HEIGHT_MM / 2
    over, below = top + FRAME_MM / 2, top + HEIGHT_MM - FRAME_MM / 2
    right = left + WIDTH_MM - FRAME_MM / 2
    marks: list[Mark] = []
    for texts, y in ((ON_TOP, over), (ON_BOTTOM, below)):
        for text, a, b in zip(texts, TAGS[:3], TAGS[1:4], strict=True):
            marks += _block(text, middle_x + (a.x_mm + b.x_mm) / 2, y)
    for text, a, b in zip(ON_RIGHT, TAGS[3:6], TAGS[4:7], strict=True):
        marks += _block(text, right, middle_y + (a.y_mm + b.y_mm) / 2, turned=True)
    return marks


def _block(text: tuple[str, ...], x: float, y: float, *, turned: bool = False) -> list[Mark]:
    """Write lines round a middle, the first one bold; "!" before it sets a warning sign over it."""
    sign = text[0].startswith("!")
    heading, *rest = (text[0].lstrip("!"), *text[1:])
    sizes = [_HEADING_PT, *([_TEXT_PT] * len(rest))]
    steps = [size * MM_PER_PT * 1.35 for size in sizes]
    if sign:
        steps.insert(0, _SIGN_MM + 1)
    at = -sum(steps) / 2
    marks: list[Mark] = []

    def place(along: float, across: float) -> tuple[float, float]:
        return (x - across, y + along) if turned else (x + along, y + across)

    if sign:
        marks += warning_sign(
            [place(a, at + b) for a, b in TRIANGLE], place(0, at + 0.86 * _SIGN_MM), turned=turned
        )
        at += steps.pop(0)
    for line, size, step in zip([heading, *rest], sizes, steps, strict=True):
        at += step
        line_x, line_y = place(0, at - 0.3 * step)
        marks.append(
            Words(
                x_mm=line_x, y_mm=line_y, text=line, size_pt=size, bold=size == _HEADING_PT,
                anchor="middle", turn_deg=90 if turned else 0, colour=BLACK,
            )
        )  # fmt: skip
    return marks


def warning_sign(
    triangle: list[tuple[float, float]], foot: tuple[float, float], *, turned: bool = False
) -> list[Mark]:
    """Draw a triangle with an exclamation mark, its foot at a point."""
    return [
        Shape(points=tuple(triangle), stroke=BLACK, width_mm=0.5),
        Words(
            x_mm=foot[0], y_mm=foot[1], text="!", size_pt=9, bold=True, anchor="middle",
            turn_deg=90 if turned else 0, colour=BLACK,
        ),
    ]  # fmt: skip


def _instructions(x: float, y: float, *, width_mm: float) -> list[Mark]:
    """Write in the window what to do, in steps."""
    inset = 14.0
    y += 26
    marks: list[Mark] = [
        Words(x_mm=x + inset, y_mm=y, text="Cut this window out", size_pt=20, bold=True),
        Words(
            x_mm=x + inset, y_mm=y + 6.5, size_pt=9.5, colour="muted",
            text="The card gives a photo its scale; the paint shows through its middle.",
        ),
    ]  # fmt: skip
    y += 21
    indent = 13.0
    for number, (heading, text) in enumerate(STEPS, start=1):
        marks += [
            circle(x + inset + 4.2, y - 1.6, radius_mm=4.2, fill="ink"),
            Words(
                x_mm=x + inset + 4.2, y_mm=y + 0.2, text=str(number), size_pt=12, bold=True,
                colour=WHITE, anchor="middle",
            ),
            Words(x_mm=x + inset + indent, y_mm=y, text=heading, size_pt=12, bold=True),
        ]  # fmt: skip
        y += 5.4
        for line in broken(text, width_mm=width_mm - 2 * inset - indent, size_pt=10):
            marks.append(Words(x_mm=x + inset + indent, y_mm=y, text=line, size_pt=10))
            y += 5.1
        y += 5.2
    for line in broken(NOTE, width_mm=width_mm - 2 * inset, size_pt=8.5):
        marks.append(Words(x_mm=x + inset, y_mm=y, text=line, size_pt=8.5, colour="muted"))
        y += 4.3
    return marks
