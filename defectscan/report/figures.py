"""Draw the charts of a report as a few plain marks, for any writer to put on its page.

Nothing is computed but places on the page.
"""

import math
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from defectscan.report.content import Estimate
from defectscan.report.marks import WIDTH, Anchor, Drawing, Label, Path
from defectscan.report.wording import known, number

_LEFT, _RIGHT = 0.5, 356.0
_SMALL = 10.0
LETTER = 7.0
"""Width of a letter of small text where a narrow screen enlarges it."""

_GAP = 10.0
_ENLARGED = 12.5
_NARROW = frozenset(" !'(),-./:;I[]fijlrt|·\N{NO-BREAK SPACE}")
_BROAD = frozenset("MWmw@%ЖМФШЩЫЮжмфшщыю")

Ink = Literal["before", "after"]
_Place = Callable[[float], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """Name one estimate to draw as a bar with a whisker."""

    label: str
    text: str
    estimate: Estimate
    ink: Ink
    limit: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BarGroup:
    """Gather bars under a heading."""

    title: str
    bars: tuple[Bar, ...] = field(default=())


def draw_bars(groups: Sequence[BarGroup], *, unit: str, description: str) -> Drawing:
    """Draw estimates as bars with their intervals as whiskers, limits as a dashed tick."""
    bars = [bar for group in groups for bar in group.bars]
    top = max((_reach(bar) for bar in bars), default=0.0) or 1.0
    ticks = _ticks(0.0, top)
    scale = (_RIGHT - _LEFT) / max(top, ticks[-1])
    marks: list[Path | Label] = []
    y = 0.0
    for group in groups:
        if group.title:
            y += 17
            marks.append(Label(x=_LEFT, y=y - 3, text=group.title, bold=True))
        for bar in group.bars:
            marks.append(Label(x=_LEFT, y=y + 12, text=bar.label, ink="muted"))
            marks.append(Label(x=_RIGHT, y=y + 12, text=bar.text, anchor="end"))
            marks += _bar(bar, y + 18, scale)
            y += 38
        y += 4
    marks = [*_axis(ticks, y, lambda value: _LEFT + value * scale, unit), *marks]
    return Drawing(width=WIDTH, height=y + 19, description=description, marks=tuple(marks))


def draw_corrections(
    rows: Sequence[tuple[str, str, Estimate]], *, description: str, first_leads: bool = True
) -> Drawing:
    """Draw corrections as points with their intervals, on an axis to 100 %.

    Of each row there are its name, its figure and its estimate; a name that leaves no room for the
    figure is cut. The first row stands out where it is the whole of which the others are parts.
    """
    values = [known(e.value) for _, _, e in rows]
    lows = [max(low, -200.0) for _, _, e in rows if (low := known(e.low)) is not None]
    lowest = min([0.0, *lows, *(value for value in values if value is not None)])
    ticks = _ticks(lowest, 100.0)
    scale = (_RIGHT - _LEFT - 14) / (100.0 - ticks[0])

    def place(value: float) -> float:
        return _LEFT + 8 + (min(max(value, ticks[0]), 100.0) - ticks[0]) * scale

    marks: list[Path | Label] = []
    y = 0.0
    for label, text, estimate in rows:
        name = _cut(label, _RIGHT - _LEFT - _GAP - _width(text))
        marks.append(Label(x=_LEFT, y=y + 12, text=name, bold=first_leads and y == 0))
        marks.append(Label(x=_RIGHT, y=y + 12, text=text, anchor="end"))
        marks += _point(estimate, y + 24, place)
        y += 40
    axis = _axis(ticks, y, place, "%")
    # The zero line leaves room for the names above the points.
    zero = [
        Path(points=((place(0), 40 * i + 16), (place(0), 40 * i + 32)), stroke="muted", width=1)
        for i in range(len(rows))
    ]
    marks = [*axis, *zero, *marks]
    return Drawing(width=WIDTH, height=y + 19, description=description, marks=tuple(marks))


def draw_rose(
    before: NDArray[np.floating] | None,
    after: NDArray[np.floating] | None,
    *,
    labels: tuple[str, str],
    unit: str,
    description: str,
) -> Drawing:
    """Draw the direction rose: the area of a sector shows the density of grooves that run so.

    A groove runs both ways, so each sector appears twice, as in the picture. The ring is where a
    sector of the density beside it ends.
    """
    centre, radius = (WIDTH / 2, 150.0), 122.0
    known_values = [v[np.isfinite(v)] for v in (before, after) if v is not None]
    top = max((float(v.max()) for v in known_values if v.size), default=0.0) or 1.0
    ring = _ticks(0.0, top)[-1]
    top = max(top, ring)
    marks: list[Path | Label] = [
        Path(points=circle(centre, radius * share), stroke="hair", width=0.8, closed=True)
        for share in (math.sqrt(0.25 * ring / top), math.sqrt(ring / top))
    ]
    marks += [
        Path(
            points=(_polar(centre, radius, angle), _polar(centre, radius, angle + 180)),
            stroke="hair",
            width=0.8,
        )
        for angle in (0, 45, 90, 135)
    ]
    states: tuple[tuple[NDArray[np.floating] | None, Ink], ...] = (
        (before, "before"),
        (after, "after"),
    )
    for i, (values, ink) in enumerate(states):
        if values is not None:
            marks += _sectors(values, centre, radius / math.sqrt(top), ink)
            y = 14.0 + 18 * i
            marks.append(Path(points=_box(_LEFT, y - 9, 10, 10), fill=ink, closed=True))
            marks.append(Label(x=_LEFT + 16, y=y, text=labels[i]))
    directions: tuple[tuple[int, Anchor, float, float], ...] = (
        (0, "start", 5, 4),
        (45, "start", 3, 11),
        (90, "middle", 0, 14),
        (135, "end", -3, 11),
    )
    for angle, anchor, dx, dy in directions:
        x, y = _polar(centre, radius, angle)
        text = f"{angle}°"
        marks.append(Label(x=x + dx, y=y + dy, text=text, ink="muted", size=_SMALL, anchor=anchor))
    x, y = _polar(centre, radius, -90)  # over the longest sector, which may end beyond the ring
    text = f"ring: {number(ring)} {unit}"
    marks.append(Label(x=x, y=y - 5, text=text, ink="muted", size=_SMALL, anchor="middle"))
    return Drawing(width=WIDTH, height=298, description=description, marks=tuple(marks))


def draw_grade(
    before: float | None, after: float | None, *, labels: tuple[str, str], description: str
) -> Drawing:
    """Draw the six steps of the grade with the states' places on them."""
    step, y = (_RIGHT - _LEFT) / 6, 26.0
    marks: list[Path | Label] = []
    for grade in range(6):
        x = _LEFT + grade * step
        box = _box(x + 1, y, step - 2, 24)
        fill = "after" if grade == after else "before" if grade == before else "faint"
        marks.append(Path(points=box, fill=fill, closed=True))
        ink = {"after": "paper", "before": "on_before", "faint": "muted"}[fill]
        bold = grade in (before, after)
        marks.append(
            Label(x=x + step / 2, y=y + 16.5, text=str(grade), ink=ink, anchor="middle", bold=bold)
        )
    for state, label, height in ((before, labels[0], 18.0), (after, labels[1], 65.0)):
        place = known(state)
        if place is not None and label:
            x = _LEFT + (place + 0.5) * step
            marks.append(Label(x=x, y=height, text=label, anchor="middle", ink="ink"))
    marks.append(Label(x=_LEFT, y=80, text="next to none", ink="muted", size=_SMALL))
    marks.append(Label(x=_RIGHT, y=80, text="dense", ink="muted", size=_SMALL, anchor="end"))
    return Drawing(width=WIDTH, height=86, description=description, marks=tuple(marks))


def _bar(bar: Bar, y: float, scale: float) -> list[Path | Label]:
    value, low, high = (known(v) for v in (bar.estimate.value, bar.estimate.low, bar.estimate.high))
    marks: list[Path | Label] = []
    if value is not None:
        points = _box(_LEFT, y, max(value * scale, 0.0), 11)
        marks.append(Path(points=points, fill=bar.ink, closed=True))
    if low is not None and high is not None:
        marks += _whisker(_LEFT + max(low, 0) * scale, _LEFT + high * scale, y + 5.5)
    limit = known(bar.limit)
    if limit is not None:
        x = _LEFT + limit * scale
        marks.append(
            Path(points=((x, y - 3), (x, y + 14)), stroke="warning", width=1.4, dash=(2.5, 2))
        )
    return marks


def _point(estimate: Estimate, y: float, place: _Place) -> list[Path | Label]:
    at_least, value = known(estimate.at_least), known(estimate.value)
    low, high = known(estimate.low), known(estimate.high)
    if at_least is not None:
        return _whisker(place(at_least), place(100.0), y, open_right=True)
    if value is None:
        return []
    marks: list[Path | Label] = []
    if low is not None or high is not None:
        left, right = (
            place(-math.inf if low is None else low),
            place(100.0 if high is None else high),
        )
        marks += _whisker(left, right, y, open_left=left <= place(-math.inf))
    dot = circle((place(value), y), 5.5, 24)
    return [*marks, Path(points=dot, fill="after", stroke="paper", width=1.2, closed=True)]


def _whisker(
    left: float, right: float, y: float, *, open_left: bool = False, open_right: bool = False
) -> list[Path | Label]:
    """Draw an interval: a line with a cap at each end, or an arrow where it goes on."""
    left, right = min(left, _RIGHT), min(right, _RIGHT)
    lines: list[tuple[tuple[float, float], ...]] = [((left, y), (right, y))]
    for x, is_open, inwards in ((left, open_left, 5), (right, open_right, -5)):
        cap = ((x, y - 5), (x, y + 5))
        arrow = ((x + inwards, y - 4.5), (x, y), (x + inwards, y + 4.5))
        lines.append(arrow if is_open else cap)
    return [Path(points=line, stroke="ink", width=1.5) for line in lines]


def _axis(ticks: Sequence[float], y: float, place: _Place, unit: str) -> list[Path | Label]:
    marks: list[Path | Label] = []
    free = math.inf
    for tick in reversed(ticks):
        x = place(tick)
        marks.append(Path(points=((x, 14), (x, y + 3)), stroke="hair", width=0.8))
        text = number(tick) if tick != ticks[-1] else f"{number(tick)} {unit}"
        width = LETTER * len(text)
        half = width / 2
        anchor: Anchor = "start" if x < half else "end" if x + half > WIDTH else "middle"
        left = x - {"start": 0, "middle": half, "end": width}[anchor]
        if left + width > free:
            continue
        free = left
        marks.append(Label(x=x, y=y + 15, text=text, ink="muted", size=_SMALL, anchor=anchor))
    return marks[::-1]


def _cut(text: str, room: float) -> str:
    """Cut a text that is wider than there is room."""
    if _width(text) <= room:
        return text
    while text and _width(f"{text}…") > room:
        text = text[:-1]
    return f"{text.rstrip()}…"


def _width(text: str) -> float:
    """Return a width that a text does not pass in the broad fonts a page may be set in."""
    return _ENLARGED * sum(map(_width_em, text))


def _width_em(letter: str) -> float:
    category = unicodedata.category(letter)
    if letter in _NARROW:
        return 0.42
    if category in ("Mn", "Me", "Cf"):
        return 0.0
    if category == "So":
        return 1.4
    if letter in _BROAD or category[0] not in "LN":
        return 1.1
    if category == "Lo":
        return 1.0
    return 0.8 if letter.isupper() else 0.66


def _sectors(
    values: NDArray[np.floating], centre: tuple[float, float], scale: float, ink: Ink
) -> list[Path | Label]:
    step = 180.0 / len(values)
    marks: list[Path | Label] = []
    for turn in (0.0, 180.0):
        for i, value in enumerate(values):
            if not np.isfinite(value) or value <= 0:
                continue
            radius = scale * math.sqrt(float(value))
            inset = 0.2 * step if ink == "after" else 0.0
            arc = np.linspace(turn + i * step + inset, turn + (i + 1) * step - inset, 7)
            points = (centre, *(_polar(centre, radius, float(angle)) for angle in arc))
            marks.append(Path(points=points, fill=ink, stroke="paper", width=0.7, closed=True))
    return marks


def _reach(bar: Bar) -> float:
    reaches = (known(bar.estimate.value), known(bar.estimate.high), known(bar.limit))
    return max((reach for reach in reaches if reach is not None), default=0.0)


def _ticks(low: float, high: float) -> list[float]:
    """Place three to six round numbers between the ends; below zero, the first lies outside."""
    rough = (high - low) / 4
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(f * power for f in (1, 2, 2.5, 5, 10) if f * power >= rough * 0.999)
    first = math.floor(low / step + 1e-9)
    return [i * step for i in range(first, math.floor(high / step + 1e-9) + 1)]


def _polar(centre: tuple[float, float], radius: float, angle_deg: float) -> tuple[float, float]:
    angle = math.radians(angle_deg)
    return centre[0] + radius * math.cos(angle), centre[1] + radius * math.sin(angle)


def circle(
    centre: tuple[float, float], radius: float, n: int = 72
) -> tuple[tuple[float, float], ...]:
    """Return the corners of a polygon that looks round."""
    return tuple(_polar(centre, radius, 360 * i / n) for i in range(n))


def _box(x: float, y: float, width: float, height: float) -> tuple[tuple[float, float], ...]:
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))
