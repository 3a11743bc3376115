"""The capture guide's drawn figures, each from its top left corner, in millimetres."""

import math

from defectscan.report.palette import SKY_BLUE, VERMILION, YELLOW
from defectscan.report.vector_page import (
    BLACK,
    WHITE,
    Mark,
    Point,
    Shape,
    Words,
    arc,
    circle,
    polyline,
    rectangle,
)

WIDTH_MM, HEIGHT_MM = 59.0, 38.0
ICON_MM = (26.0, 17.0)
_PAINT, _PAINT_EDGE, _TAPE = "#27384f", "#3f5470", "#d9c46a"


def clean_panel(x: float, y: float) -> list[Mark]:
    """Draw a hand-sized cloth that is drawn over a shining panel."""
    marks = _ground(x, y)
    marks += _panel_from_above(x, y)
    cloth = [(0, 0), (5, -1.5), (10, 0.4), (15, -1), (19, 1), (18, 6), (19.5, 11), (14, 12.2),
             (9, 10.8), (4, 12.4), (-0.5, 11), (0.8, 5.5)]  # fmt: skip
    marks.append(
        Shape(points=_moved(cloth, x + 13, y + 15), fill=SKY_BLUE, stroke="ink", width_mm=0.5)
    )
    marks.append(polyline(_moved([(3, 3), (8, 4.5), (14, 3)], x + 13, y + 15), width_mm=0.35))
    marks += _arrow(x + 34, y + 21, x + 46, y + 21, colour=WHITE)
    for dx, dy, size in ((40, 12, 2.6), (47, 28.5, 2.0), (50, 14.5, 1.5)):
        marks.append(_star(x + dx, y + dy, size))
    return marks


def one_lamp(x: float, y: float) -> list[Mark]:
    """Draw one lamp that shines, and ceiling lights and a window that are off."""
    marks = _ground(x, y)
    for at in (5.0, 23.0):
        marks.append(
            rectangle(
                x + at, y + 5, width_mm=15, height_mm=3, stroke="muted", stroke_mm=0.5,
                fill=WHITE, corner_mm=1.2,
            )
        )  # fmt: skip
        marks += _cross(x + at + 7.5, y + 6.5, 2.6)
    lamp = (x + 46.0, y + 14.0)
    marks.append(polyline([(x + 54, y + 34), (x + 54, y + 9), lamp], width_mm=0.9))
    marks += _lamp(*lamp)
    spot = (x + 30, y + 33.0)
    marks.append(
        Shape(
            points=(lamp, (spot[0] - 13, spot[1]), (spot[0] + 9, spot[1])), fill="#fbf6c4",
        )
    )  # fmt: skip
    marks += _lamp(*lamp)
    marks.append(rectangle(x + 6, y + 33, width_mm=46, height_mm=2.2, fill=_PAINT, corner_mm=0.8))
    return marks


def stand_above(x: float, y: float) -> list[Mark]:
    """Draw phone and lamp over the panel from the side, with their distances."""
    marks = _ground(x, y)
    level = y + 33.0
    marks.append(rectangle(x + 6, level, width_mm=47, height_mm=2.2, fill=_PAINT, corner_mm=0.8))
    phone, lamp, spot = (x + 22.0, y + 11.0), (x + 36.5, y + 6.5), (x + 28.0, level)
    for end in (phone, lamp):
        marks.append(polyline([end, spot], stroke="muted", width_mm=0.35, dash_mm=(1.2, 0.9)))
    marks.append(circle(*spot, radius_mm=1.1, fill=YELLOW, stroke="ink", stroke_mm=0.3))
    marks.append(
        rectangle(phone[0] - 7, phone[1] - 1.8, width_mm=13, height_mm=1.8, fill="ink",
                  corner_mm=0.6)
    )  # fmt: skip
    marks.append(rectangle(phone[0] - 1, phone[1], width_mm=2, height_mm=0.7, fill="ink"))
    marks += _lamp(*lamp)
    marks += _distance(x + 10.0, phone[1], level, "30 cm", side=-1)
    marks += _distance(x + 48.5, lamp[1], level, "40 cm", side=1)
    return marks


def lock_exposure(x: float, y: float) -> list[Mark]:
    """Draw a phone's screen with a dark panel, a small highlight and a closed lock."""
    marks = _ground(x, y)
    left, top, width, height = x + 12.0, y + 4.0, 36.0, 30.0
    marks.append(rectangle(left, top, width_mm=width, height_mm=height, fill="ink", corner_mm=2.6))
    marks.append(
        rectangle(left + 1.8, top + 2, width_mm=width - 3.6, height_mm=height - 4, fill=_PAINT,
                  corner_mm=0.8)
    )  # fmt: skip
    spot = (left + 14.0, top + 16.0)
    marks += _rings(*spot, reach_mm=10.0)
    box = 4.2
    for sx in (-1, 1):
        for sy in (-1, 1):
            corner = (spot[0] + sx * box, spot[1] + sy * box)
            marks.append(
                polyline(
                    [(corner[0] - sx * 2, corner[1]), corner, (corner[0], corner[1] - sy * 2)],
                    stroke=YELLOW, width_mm=0.5,
                )
            )  # fmt: skip
    marks += _padlock(left + 27.5, top + 5.5)
    rail = left + 29.8
    marks.append(polyline([(rail, top + 14), (rail, top + 26)], stroke=WHITE, width_mm=0.5))
    marks.append(circle(rail, top + 22.5, radius_mm=1.5, fill=YELLOW))
    marks += _arrow(rail - 3.4, top + 15.5, rail - 3.4, top + 22.0, colour=YELLOW)
    return marks


def card_and_tape(x: float, y: float) -> list[Mark]:
    """Draw the card on a panel, taped by its outer edge, the highlight in its window."""
    marks = _ground(x, y)
    marks.append(rectangle(x + 3, y + 3, width_mm=53, height_mm=32, fill=_PAINT, corner_mm=1.5))
    left, top, width, height = x + 14.0, y + 6.0, 31.0, 26.0
    marks += [
        rectangle(left, top, width_mm=width, height_mm=height, fill=WHITE, stroke=BLACK,
                  stroke_mm=0.5),
        rectangle(left + 5, top + 5, width_mm=width - 10, height_mm=height - 10, fill=_PAINT,
                  stroke=BLACK, stroke_mm=0.5),
    ]  # fmt: skip
    for i in range(4):
        for j in range(4):
            if {i, j} & {0, 3}:
                at = (left + 1.1 + i * (width - 5.0) / 3, top + 1.1 + j * (height - 5.0) / 3)
                marks.append(rectangle(*at, width_mm=2.8, height_mm=2.8, fill=BLACK))
                marks.append(
                    rectangle(at[0] + 0.7 + 0.5 * (i % 2), at[1] + 0.8, width_mm=0.8,
                              height_mm=1.1 - 0.4 * (j % 2), fill=WHITE)
                )  # fmt: skip
    marks += _rings(left + width / 2 + 1, top + height / 2 - 0.5, reach_mm=7.2)
    for dx, dy in ((-4.2, 10.5), (width - 2.2, 10.5)):
        marks.append(
            rectangle(left + dx, top + dy, width_mm=6.4, height_mm=4.4, fill=_TAPE, stroke="ink",
                      stroke_mm=0.2)
        )  # fmt: skip
    return marks


def five_shots(x: float, y: float) -> list[Mark]:
    """Draw two panels with the same five numbered places of the highlight."""
    marks = _ground(x, y)
    places = ((7.0, 8.0), (16.0, 7.0), (11.8, 13.5), (6.5, 19.5), (16.5, 20.0))
    for side, name in ((3.5, "before"), (32.5, "after")):
        marks.append(
            rectangle(x + side, y + 3.5, width_mm=23, height_mm=25.5, fill=_PAINT, corner_mm=1.5)
        )
        for number, (u, v) in enumerate(places, start=1):
            at = (x + side + u, y + 3 + v)
            marks.append(circle(*at, radius_mm=2.7, fill=YELLOW))
            marks.append(
                Words(x_mm=at[0], y_mm=at[1] + 1.25, text=str(number), size_pt=9.5, bold=True,
                      anchor="middle", colour=BLACK)
            )  # fmt: skip
        marks.append(
            Words(x_mm=x + side + 11.5, y_mm=y + 34.6, text=name, size_pt=11, bold=True,
                  anchor="middle")
        )  # fmt: skip
    marks.append(
        Words(x_mm=x + WIDTH_MM / 2, y_mm=y + 18.2, text="=", size_pt=17, bold=True,
              anchor="middle")
    )  # fmt: skip
    return marks


def flash(x: float, y: float) -> list[Mark]:
    """Draw a flash of light."""
    bolt = [(4, 0), (0, 6.2), (2.8, 6.2), (1.2, 11.6), (7, 4.4), (4, 4.4), (6, 0)]
    mark = Shape(points=_moved(bolt, x + 9.5, y + 2.7), fill=YELLOW, stroke="ink", width_mm=0.35)
    return [*_icon_ground(x, y), mark, *_bad(x, y)]


def two_lights(x: float, y: float) -> list[Mark]:
    """Draw a panel that mirrors a lamp and a window."""
    marks = _icon_ground(x, y)
    marks.append(circle(x + 8.5, y + 9, radius_mm=1.8, fill=WHITE))
    for dx in (14.0, 17.4):
        for dy in (4.2, 8.6):
            marks.append(rectangle(x + dx, y + dy, width_mm=3, height_mm=4, fill=WHITE))
    return [*marks, *_bad(x, y)]


def shaken(x: float, y: float) -> list[Mark]:
    """Draw a highlight and its scratches, smeared."""
    marks = _icon_ground(x, y)
    for dx, grey in ((-2.4, "#5d6f88"), (2.4, "#5d6f88"), (0.0, "#aab6c6")):
        marks.append(circle(x + 13 + dx, y + 8.5, radius_mm=1.8, fill=grey))
        for radius in (4.0, 6.2):
            for start in (200, 20):
                points = arc(
                    x + 13 + dx, y + 8.5, radius_mm=radius, from_deg=start, to_deg=start + 60
                )
                marks.append(polyline(points, stroke=grey, width_mm=0.4))
    return [*marks, *_bad(x, y)]


def blown_out(x: float, y: float) -> list[Mark]:
    """Draw a highlight that fills the picture."""
    marks = _icon_ground(x, y)
    for radius, colour in ((7.6, "#5d6f88"), (6.4, "#aab6c6"), (5.2, WHITE)):
        marks.append(circle(x + 13, y + 8.5, radius_mm=radius, fill=colour))
    return [*marks, *_bad(x, y)]


def dusty(x: float, y: float) -> list[Mark]:
    """Draw dust, and drops of water."""
    marks = _icon_ground(x, y)
    for i in range(22):
        dx, dy = 2 + 22 * (0.618 * i % 1), 2 + 13 * ((0.33 * i + 0.2 * i * i) % 1)
        marks.append(circle(x + dx, y + dy, radius_mm=0.25 + 0.12 * (i % 3), fill=WHITE))
    for dx, dy, size in ((9.0, 9.5, 2.4), (16.0, 7.0, 1.8)):
        drop = [(0.0, -1.7 * size), *arc(0, 0, radius_mm=size, from_deg=-30, to_deg=210)]
        marks.append(
            Shape(points=_moved(drop, x + dx, y + dy), fill=SKY_BLUE, stroke=WHITE, width_mm=0.25)
        )
    return [*marks, *_bad(x, y)]


def processed(x: float, y: float) -> list[Mark]:
    """Draw a moon, a head with shoulders and a magnifier."""
    marks = _icon_ground(x, y)
    outer = arc(x + 6.5, y + 8.5, radius_mm=3.2, from_deg=60, to_deg=300)
    inner = arc(x + 8.3, y + 8.5, radius_mm=2.9, from_deg=290, to_deg=70)
    marks.append(Shape(points=(*outer, *inner), fill=YELLOW))
    marks.append(circle(x + 13, y + 6.4, radius_mm=1.7, fill=WHITE))
    marks.append(Shape(points=tuple(arc(x + 13, y + 12, radius_mm=3, from_deg=180, to_deg=360)),
                       fill=WHITE))  # fmt: skip
    marks.append(circle(x + 19.4, y + 7.4, radius_mm=2.3, stroke=WHITE, stroke_mm=0.7))
    marks.append(polyline([(x + 21.1, y + 9.2), (x + 23, y + 11.4)], stroke=WHITE, width_mm=0.9))
    return [*marks, *_bad(x, y)]


def warning_sign(x: float, y: float) -> list[Mark]:
    """Draw a triangle with an exclamation mark, its top in the middle."""
    triangle = ((x, y), (x + 6.6, y + 11.6), (x - 6.6, y + 11.6))
    return [
        Shape(points=triangle, fill=YELLOW, stroke="ink", width_mm=0.9),
        Words(x_mm=x, y_mm=y + 10.3, text="!", size_pt=24, bold=True, anchor="middle"),
    ]


def _ground(x: float, y: float) -> list[Mark]:
    return [rectangle(x, y, width_mm=WIDTH_MM, height_mm=HEIGHT_MM, fill="faint", corner_mm=2.5)]


def _icon_ground(x: float, y: float) -> list[Mark]:
    width, height = ICON_MM
    return [rectangle(x, y, width_mm=width, height_mm=height, fill=_PAINT, corner_mm=1.8)]


def _bad(x: float, y: float) -> list[Mark]:
    """Set a crossed disc on an icon's corner."""
    at = (x + ICON_MM[0] - 1.2, y + ICON_MM[1] - 1.2)
    disc = circle(*at, radius_mm=3.1, fill=VERMILION, stroke=WHITE, stroke_mm=0.7)
    return [disc, *_cross(*at, 1.3, colour=WHITE)]


def _cross(x: float, y: float, reach: float, *, colour: str = VERMILION) -> list[Mark]:
    return [
        polyline([(x - reach, y - s * reach), (x + reach, y + s * reach)], stroke=colour,
                 width_mm=0.9)
        for s in (-1, 1)
    ]  # fmt: skip


def _panel_from_above(x: float, y: float) -> list[Mark]:
    outline: list[Point] = [(10, 7), (55, 7), (50, 34), (4, 34)]
    shine: list[Point] = [(33, 7), (38, 7), (31.5, 34), (26, 34)]
    return [
        Shape(points=_moved(outline, x, y), fill=_PAINT),
        Shape(points=_moved(shine, x, y), fill=_PAINT_EDGE),
    ]


def _lamp(x: float, y: float) -> list[Mark]:
    """Draw a small shining lamp."""
    rays: list[Mark] = []
    for i in range(8):
        a = math.radians(45 * i + 22.5)
        rays.append(
            polyline(
                [(x + r * math.cos(a), y + r * math.sin(a)) for r in (2.9, 4.6)], stroke="ink",
                width_mm=0.5,
            )
        )  # fmt: skip
    return [*rays, circle(x, y, radius_mm=2.1, fill=YELLOW, stroke="ink", stroke_mm=0.5)]


def _rings(x: float, y: float, *, reach_mm: float) -> list[Mark]:
    """Draw a highlight with pieces of scratches lying round it."""
    marks: list[Mark] = []
    for i in range(16):
        radius = reach_mm * (0.38 + 0.62 * ((i * 5) % 16) / 15)
        start = i * 137.5 % 360
        marks.append(
            polyline(
                arc(x, y, radius_mm=radius, from_deg=start, to_deg=start + 34, steps=10),
                stroke="#9fb1c8", width_mm=0.28,
            )
        )  # fmt: skip
    return [*marks, circle(x, y, radius_mm=1.3, fill=WHITE)]


def _star(x: float, y: float, size: float) -> Shape:
    points = []
    for i in range(8):
        radius = size if i % 2 == 0 else size * 0.22
        a = math.radians(45 * i)
        points.append((x + radius * math.cos(a), y + radius * math.sin(a)))
    return Shape(points=tuple(points), fill=WHITE)


def _padlock(x: float, y: float) -> list[Mark]:
    shackle = arc(x + 2.2, y + 2, radius_mm=1.5, from_deg=180, to_deg=360, steps=16)
    return [
        polyline([(x + 0.7, y + 3.6), *shackle, (x + 3.7, y + 3.6)], stroke=YELLOW, width_mm=0.7),
        rectangle(x, y + 3.2, width_mm=4.4, height_mm=3.6, fill=YELLOW, corner_mm=0.5),
    ]


def _arrow(x0: float, y0: float, x1: float, y1: float, *, colour: str = "ink") -> list[Mark]:
    length = math.hypot(x1 - x0, y1 - y0)
    u, v = (x1 - x0) / length, (y1 - y0) / length
    head = [(x1, y1), (x1 - 2 * u - 1.2 * v, y1 - 2 * v + 1.2 * u),
            (x1 - 2 * u + 1.2 * v, y1 - 2 * v - 1.2 * u)]  # fmt: skip
    return [
        polyline([(x0, y0), (x1 - 1.5 * u, y1 - 1.5 * v)], stroke=colour, width_mm=0.7),
        Shape(points=tuple(head), fill=colour),
    ]


def _distance(x: float, top: float, bottom: float, text: str, *, side: int) -> list[Mark]:
    middle = (top + bottom) / 2
    return [
        *_arrow(x, middle, x, top + 0.2),
        *_arrow(x, middle, x, bottom - 0.3),
        Words(x_mm=x + side * 2.2, y_mm=middle, text=text,
              size_pt=12, bold=True, anchor="middle", turn_deg=90 * side),
    ]  # fmt: skip


def _moved(points: list[Point], x: float, y: float) -> tuple[Point, ...]:
    return tuple((x + u, y + v) for u, v in points)
