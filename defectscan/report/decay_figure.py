"""Draw density against film taken off: states, fitted curve with its band, target, limit."""

import html
import math
from collections.abc import Callable

from defectscan.report.figures import circle
from defectscan.report.marks import WIDTH, Anchor, Drawing, Label, Path
from defectscan.report.palette import INKS
from defectscan.report.wording import number
from defectscan.workshop.decay_picture import DecayPicture, Point
from defectscan.workshop.evidence import Figure

HEIGHT = 264.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 44.0, 350.0, 24.0, 198.0
_SMALL = 10.0
_DOT = 4.5
_Place = Callable[[float], float]
_Marks = list[Path | Label]


def draw_decay(picture: DecayPicture) -> Drawing:
    """Draw how density falls with the film taken off, or with passes where film is not known.

    Parameters
    ----------
    picture
        From a decision.

    Returns
    -------
    Drawing
        The states with both intervals, band, curve and what another pass would bring as an open
        mark where that is foretold, the target as a level line where it is known, and the film
        that may be taken off as an upright.
    """
    far = max(float(picture.at[-1]), 1e-6)
    most = _highest(picture)

    def x(value: float) -> float:
        return _LEFT + (_RIGHT - _LEFT) * min(max(value / far, 0.0), 1.0)

    def y(value: float) -> float:
        return _BOTTOM - (_BOTTOM - _TOP) * min(max(value / most, 0.0), 1.0)

    fits = len(picture.points) > 1 and picture.predicted is not None
    marks: _Marks = [*_across(x, far, picture.along), *_upright(y, most)]
    if fits:
        places = [x(at) for at in picture.at]
        upper = list(zip(places, (y(v) for v in picture.high), strict=True))
        lower = list(zip(places, (y(v) for v in picture.low), strict=True))
        band = Path(points=(*upper, *reversed(lower)), fill="hair", closed=True)
        curve = tuple(zip(places, (y(v) for v in picture.curve), strict=True))
        marks = [band, *marks, Path(points=curve, stroke="after", width=2)]
    if picture.target_mm_per_cm2 is not None:
        marks += _target(picture.target_mm_per_cm2, y)
    if picture.most_um is not None:
        marks += _limit(picture.most_um, x)
    for point in picture.points:
        marks += _state(point, x, y, fill="after")
    if picture.predicted is not None:
        marks += _state(picture.predicted, x, y, fill="paper")
    marks += _key(picture, fits=fits)
    return Drawing(
        width=WIDTH, height=HEIGHT, description=_description(picture), marks=tuple(marks)
    )


def to_svg(drawing: Drawing) -> bytes:
    """Write a drawing as an SVG file of its own, with the report's colours."""
    size = f'viewBox="0 0 {drawing.width:g} {drawing.height:g}"'
    size += f' width="{2 * drawing.width:g}" height="{2 * drawing.height:g}"'
    size += ' font-family="DejaVu Sans, Verdana, sans-serif"'
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} lang="en" role="img">',
        f"<title>{html.escape(drawing.description)}</title>",
        f'<rect width="100%" height="100%" fill="{INKS["paper"]}"/>',
        *(
            _svg_text(mark) if isinstance(mark, Label) else _svg_path(mark)
            for mark in drawing.marks
        ),
        "</svg>",
    ]
    return ("\n".join(lines) + "\n").encode()


def _highest(picture: DecayPicture) -> float:
    """Return the top of the upright axis; an interval may reach over it, a value may not."""
    points = [*picture.points, *([picture.predicted] if picture.predicted else [])]
    densities = [point.density_mm_per_cm2 for point in points]
    tops = [min(density.high, 1.6 * density.value) for density in densities]
    values = [density.value for density in densities]
    target = picture.target_mm_per_cm2
    return 1.05 * max(*tops, *values, 0.0 if target is None else target.value, 1e-6)


def _across(x: _Place, far: float, along: str) -> _Marks:
    marks: _Marks = [Path(points=((_LEFT, _BOTTOM), (_RIGHT, _BOTTOM)), stroke="muted")]
    for tick in _ticks(far, whole=along == "passes"):
        marks.append(Path(points=((x(tick), _BOTTOM), (x(tick), _BOTTOM + 4)), stroke="muted"))
        marks.append(_small(x(tick), _BOTTOM + 15, number(tick), middle=True))
    text = along.replace("um", "µm")
    return [*marks, _small((_LEFT + _RIGHT) / 2, _BOTTOM + 28, text, middle=True)]


def _upright(y: _Place, most: float) -> _Marks:
    marks: _Marks = [_small(2, _TOP - 12, "line density, mm/cm²")]
    for tick in _ticks(most):
        line = ((_LEFT, y(tick)), (_RIGHT, y(tick)))
        marks.append(Path(points=line, stroke="hair", width=0.6))
        text = number(tick)
        marks.append(
            Label(x=_LEFT - 9, y=y(tick) + 3.5, text=text, ink="muted", size=_SMALL, anchor="end")
        )
    return marks


def _target(target: Figure, y: _Place) -> _Marks:
    level = ((_LEFT, y(target.value)), (_RIGHT, y(target.value)))
    bracket = ((_RIGHT, y(target.low)), (_RIGHT, y(target.high)))
    return [
        Path(points=level, stroke="before", width=1.6, dash=(5, 3)),
        Path(points=bracket, stroke="before", width=2.5),
    ]


def _limit(most: Figure, x: _Place) -> _Marks:
    upright = ((x(most.value), _TOP), (x(most.value), _BOTTOM))
    bracket = ((x(most.low), _TOP), (x(most.high), _TOP))
    return [
        Path(points=upright, stroke="warning", width=1.6, dash=(2.5, 2)),
        Path(points=bracket, stroke="warning", width=2.5),
    ]


def _state(point: Point, x: _Place, y: _Place, *, fill: str) -> _Marks:
    along, density = point.along, point.density_mm_per_cm2
    at, level = x(along.value), y(density.value)
    across = ((x(along.low), level), (x(along.high), level))
    upright = ((at, y(density.low)), (at, y(density.high)))
    dot = circle((at, level), _DOT, 24)
    return [
        Path(points=across, stroke="ink", width=1.2),
        Path(points=upright, stroke="ink", width=1.2),
        Path(points=dot, fill=fill, stroke="ink", width=1.2, closed=True),
    ]


def _key(picture: DecayPicture, *, fits: bool) -> _Marks:
    low, high = HEIGHT - 18, HEIGHT - 4
    marks: _Marks = []
    if picture.target_mm_per_cm2 is not None:
        text = f"target {number(picture.target_mm_per_cm2.value)} mm/cm²"
        dash = Path(points=((4, low - 4), (28, low - 4)), stroke="before", width=1.6, dash=(5, 3))
        marks += [dash, _small(33, low, text)]
    if picture.most_um is not None:
        text = f"film that may go: {number(max(picture.most_um.value, 0.0))} µm"
        dashes = (2.5, 2.0)
        marks.append(
            Path(points=((180, low - 4), (204, low - 4)), stroke="warning", width=1.6, dash=dashes)
        )
        marks.append(_small(209, low, text))
    if fits:
        marks.append(Path(points=((4, high - 4), (28, high - 4)), stroke="hair", width=9))
        marks.append(Path(points=((4, high - 4), (28, high - 4)), stroke="after", width=2))
        marks.append(_small(33, high, "fitted, with 95 % band"))
    if picture.predicted is not None:
        marks += _state_key(picture.predicted.name, 192, high)
    return marks


def _state_key(name: str, x: float, y: float) -> _Marks:
    mark = Path(
        points=circle((x, y - 3.5), _DOT, 24), fill="paper", stroke="ink", width=1.2, closed=True
    )
    return [mark, _small(209, y, name)]


def _description(picture: DecayPicture) -> str:
    first, last = picture.points[0], picture.points[-1]
    text = (
        f"Line density against {picture.along.replace('um', 'µm')}: "
        f"{number(first.density_mm_per_cm2.value)} mm/cm² {first.name}"
    )
    if last is not first:
        text += f", {number(last.density_mm_per_cm2.value)} {last.name}"
    if picture.predicted is not None:
        expected = picture.predicted.density_mm_per_cm2
        text += f", {number(expected.value)} expected after {picture.predicted.name}"
    target = picture.target_mm_per_cm2
    return f"{text}." if target is None else f"{text}; target {number(target.value)}."


def _ticks(most: float, *, whole: bool = False) -> list[float]:
    """Return round numbers from 0 on, some five of them."""
    power = 10.0 ** math.floor(math.log10(most / 4))
    step = next(f * power for f in (1, 2, 5, 10) if f * power >= most / 5)
    if whole:
        step = max(round(step), 1)
    return [i * step for i in range(math.floor(most / step + 1e-9) + 1)]


def _small(x: float, y: float, text: str, *, middle: bool = False) -> Label:
    anchor: Anchor = "middle" if middle else "start"
    return Label(x=x, y=y, text=text, ink="muted", size=_SMALL, anchor=anchor)


def _svg_text(mark: Label) -> str:
    weight = ' font-weight="bold"' if mark.bold else ""
    look = f'font-size="{mark.size:g}" text-anchor="{mark.anchor}" fill="{INKS[mark.ink]}"{weight}'
    return f'<text x="{mark.x:.1f}" y="{mark.y:.1f}" {look}>{html.escape(mark.text)}</text>'


def _svg_path(mark: Path) -> str:
    data = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in mark.points) + "z" * mark.closed
    look = f'fill="{INKS[mark.fill]}"' if mark.fill else 'fill="none"'
    if mark.stroke:
        look += f' stroke="{INKS[mark.stroke]}" stroke-width="{mark.width:g}"'
    if mark.dash:
        look += f' stroke-dasharray="{mark.dash[0]:g} {mark.dash[1]:g}"'
    return f'<path d="{data}" {look}/>'
