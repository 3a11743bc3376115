"""Charts of what raters gave, as plain marks for any writer."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.rater_statistics.estimate import Estimate, Result
from defectscan.report.figures import LETTER, circle
from defectscan.report.marks import WIDTH, Drawing, Label, Path
from defectscan.report.wording import number

Floats = NDArray[Any]
Marks = list[Path | Label]

_LEFT, _RIGHT = 4.0, 356.0
_SMALL = 10.0
_NAMES = 118.0
# Of the errors' axis, which stays a little clear of the chart's edges.
_HALF = (_RIGHT - _NAMES) / 2 - 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One estimate to draw on a common axis; `lower` and `upper` are limits of agreement."""

    label: str
    estimate: Result
    lower: float | None = None
    upper: float | None = None


def draw_errors(rows: Sequence[Row], *, unit: str, description: str, least_reach: float) -> Drawing:
    """Draw mean errors round a line at none: dot and whisker, limits of agreement as a thin bar.

    The axis holds all means and limits of agreement. A whisker that goes on beyond it ends in an
    arrow head there.

    Parameters
    ----------
    rows
        From top to bottom.
    unit
        On the axis.
    description
        In a sentence, for who cannot see it.
    least_reach
        The axis goes at least so far to both sides.
    """
    reach, ticks = _axis_of(rows, least_reach)

    def place(value: float) -> float:
        return (_NAMES + _RIGHT) / 2 + value / reach * _HALF

    bottom = 16.0 + 24 * len(rows)
    marks: Marks = [
        Label(x=place(-reach), y=9, text="gives too little", ink="muted", size=_SMALL),
        Label(x=place(reach), y=9, text="gives too much", ink="muted", size=_SMALL, anchor="end"),
    ]
    marks += _axis_marks(ticks, place, top=14, bottom=bottom, unit=unit)
    marks.append(Path(points=((place(0), 14), (place(0), bottom)), stroke="muted", width=1.2))
    for i, row in enumerate(rows):
        y = 28.0 + 24 * i
        marks.append(Label(x=_LEFT, y=y + 4, text=_cut(row.label, 19)))
        if row.lower is not None and row.upper is not None:
            marks.append(
                Path(points=((place(row.lower), y), (place(row.upper), y)), stroke="hair", width=7)
            )
        marks += _dot(row.estimate, y, place)
    return Drawing(width=WIDTH, height=bottom + 18, description=description, marks=tuple(marks))


def goes_beyond(rows: Sequence[Row], *, least_reach: float) -> bool:
    """Return whether `draw_errors` ends a whisker in an arrow head, which its caption must say."""
    reach, _ = _axis_of(rows, least_reach)
    edge = reach * (_RIGHT - _NAMES) / 2 / _HALF
    return any(
        end is not None and abs(end) > edge
        for row in rows
        if isinstance(row.estimate, Estimate)
        for end in (row.estimate.low, row.estimate.high)
    )


def draw_grades_given(given: Floats, truth: Floats, *, description: str) -> Drawing:
    """Draw how often each grade was given to photos of each value; the diagonal is agreement.

    Parameters
    ----------
    given, truth
        Grades 0 to 5, shape (n,), nan where missing.
    description
        In a sentence.
    """
    both = ~(np.isnan(given) | np.isnan(truth))
    counts = Counter(zip(truth[both].astype(int), given[both].astype(int), strict=True))
    step, left, top = 30.0, 116.0, 18.0
    marks: Marks = []
    for value in range(6):
        for grade in range(6):
            x, y = left + value * step, top + (5 - grade) * step
            fill = "faint" if value == grade else ""
            marks.append(
                Path(
                    points=_box(x, y, step, step), fill=fill, stroke="hair", closed=True, width=0.8
                )
            )
            if count := counts.get((value, grade)):
                radius = min(13.5, 5.5 + 2.6 * np.sqrt(count))
                ink = (
                    "after"
                    if value == grade
                    else "before"
                    if abs(value - grade) == 1
                    else "warning"
                )
                middle = (x + step / 2, y + step / 2)
                marks.append(Path(points=circle(middle, float(radius), 40), fill=ink, closed=True))
                marks.append(
                    Label(
                        x=middle[0], y=middle[1] + 4, text=str(count), anchor="middle", bold=True,
                        ink="on_before" if ink == "before" else "paper",
                    )
                )  # fmt: skip
        marks.append(
            Label(
                x=left + (value + 0.5) * step,
                y=top + 6 * step + 15,
                text=str(value),
                ink="muted",
                anchor="middle",
            )
        )
        marks.append(
            Label(x=left - 7, y=top + (5.5 - value) * step + 4, text=str(value), ink="muted",
                  anchor="end")
        )  # fmt: skip
    marks.append(Label(x=left - 26, y=11, text="given", ink="muted", size=_SMALL))
    marks.append(
        Label(x=left + 6 * step + 6, y=top + 6 * step + 15, text="value", ink="muted", size=_SMALL)
    )
    return Drawing(
        width=WIDTH, height=top + 6 * step + 22, description=description, marks=tuple(marks)
    )


def draw_differences(
    given: Floats,
    truth: Floats,
    *,
    bias: Result,
    limits: tuple[float, float] | None,
    description: str,
) -> Drawing:
    """Draw given minus value over their mean, with bias and limits of agreement.

    Parameters
    ----------
    given, truth
        Percentages, shape (n,), nan where missing.
    bias, limits
        Of the differences.
    description
        In a sentence.

    References
    ----------
    Bland and Altman 1986, Lancet i:307.
    """
    both = ~(np.isnan(given) | np.isnan(truth))
    mean, off = (given[both] + truth[both]) / 2, given[both] - truth[both]
    reach = max([10.0, *np.abs(off).tolist(), *(abs(end) for end in limits or ())])
    ticks = _ticks(-reach, reach)
    reach = max(reach, -ticks[0], ticks[-1])
    low = min([0.0, *mean.tolist()])
    left, right, top, bottom = 38.0, 350.0, 16.0, 180.0

    def across(value: float) -> float:
        return left + (value - low) / (100 - low) * (right - left)

    def up(value: float) -> float:
        return (top + bottom) / 2 - value / reach * (bottom - top) / 2

    marks: Marks = []
    for tick in ticks:
        marks += _level(tick, up(tick), (left, right))
    for tick in (t for t in _ticks(low, 100) if t >= low):
        marks.append(
            Label(
                x=across(tick),
                y=bottom + 14,
                text=number(tick),
                ink="muted",
                size=_SMALL,
                anchor="middle",
            )
        )
    marks.append(Path(points=((left, up(0)), (right, up(0))), stroke="muted", width=1.1))
    for end in limits or ():
        marks.append(
            Path(
                points=((left, up(end)), (right, up(end))), stroke="warning", width=1.2, dash=(4, 3)
            )
        )
    if isinstance(bias, Estimate):
        y = up(bias.value)
        marks.append(Path(points=((left, y), (right, y)), stroke="after", width=1.6))
    marks += [
        Path(
            points=circle((across(x), up(y)), 3.6, 24),
            fill="before",
            stroke="paper",
            closed=True,
            width=0.8,
        )
        for x, y in zip(mean.tolist(), off.tolist(), strict=True)
    ]
    marks.append(Label(x=_LEFT, y=9, text="given minus value, points", ink="muted", size=_SMALL))
    marks.append(
        Label(
            x=right, y=bottom + 27, text="mean of both, %", ink="muted", size=_SMALL, anchor="end"
        )
    )
    return Drawing(width=WIDTH, height=bottom + 31, description=description, marks=tuple(marks))


def draw_sessions(means: Sequence[float], *, unit: str, description: str) -> Drawing:
    """Draw the mean size of the error in each session.

    Parameters
    ----------
    means
        In the order of the sessions.
    unit
        Of the errors.
    description
        In a sentence.
    """
    ticks = _ticks(0.0, max(*means, 1e-6))
    reach = max(*means, ticks[-1])
    left, right, top, bottom = 34.0, 340.0, 18.0, 88.0

    def across(i: int) -> float:
        return left + 14 + i * (right - left - 28) / max(len(means) - 1, 1)

    def up(value: float) -> float:
        return bottom - value / reach * (bottom - top)

    marks: Marks = [
        Label(x=_LEFT, y=9, text=f"mean size of the error, {unit}", ink="muted", size=_SMALL)
    ]
    for tick in ticks:
        marks += _level(tick, up(tick), (left, right))
    points = tuple((across(i), up(value)) for i, value in enumerate(means))
    marks.append(Path(points=points, stroke="before", width=1.6))
    shown = (
        {round(i * (len(means) - 1) / 9) for i in range(10)}
        if len(means) > 10
        else set(range(len(means)))
    )
    for i, point in enumerate(points):
        marks.append(
            Path(points=circle(point, 4.6, 24), fill="after", stroke="paper", closed=True, width=1)
        )
        if i in shown:
            marks.append(
                Label(
                    x=point[0],
                    y=bottom + 15,
                    text=str(i + 1),
                    ink="muted",
                    size=_SMALL,
                    anchor="middle",
                )
            )
    marks.append(
        Label(x=right, y=bottom + 28, text="session", ink="muted", size=_SMALL, anchor="end")
    )
    return Drawing(width=WIDTH, height=bottom + 32, description=description, marks=tuple(marks))


def _dot(estimate: Result, y: float, place: Callable[[float], float]) -> Marks:
    if not isinstance(estimate, Estimate):
        return [Label(x=place(0) + 6, y=y + 4, text="not known", ink="muted", size=_SMALL)]
    marks: Marks = []
    if estimate.low is not None and estimate.high is not None:
        ends = place(estimate.low), place(estimate.high)
        left, right = max(ends[0], _NAMES), min(ends[1], _RIGHT)
        # A cap where the interval ends, an arrow head where only the chart does.
        back = (5 * (ends[0] < _NAMES), -5 * (ends[1] > _RIGHT))
        marks += [
            Path(points=line, stroke="ink", width=1.5)
            for line in (
                ((left, y), (right, y)),
                ((left + back[0], y - 4), (left, y), (left + back[0], y + 4)),
                ((right + back[1], y - 4), (right, y), (right + back[1], y + 4)),
            )
        ]
    dot = circle((place(estimate.value), y), 4.8, 24)
    return [*marks, Path(points=dot, fill="after", stroke="paper", width=1.1, closed=True)]


def _axis_marks(
    ticks: Sequence[float], place: Callable[[float], float], *, top: float, bottom: float, unit: str
) -> Marks:
    marks: Marks = []
    free = np.inf
    for tick in reversed(ticks):
        x = place(tick)
        marks.append(Path(points=((x, top), (x, bottom)), stroke="hair", width=0.8))
        text = number(tick) if tick != ticks[-1] or not unit else f"{number(tick)} {unit}"
        anchor: Any = "end" if tick == ticks[-1] and unit else "middle"
        x = min(x + 8 if anchor == "end" else x, WIDTH)
        width = LETTER * len(text)
        left = x - (width if anchor == "end" else width / 2)
        if left + width > free:
            continue
        free = left
        marks.append(Label(x=x, y=bottom + 14, text=text, ink="muted", size=_SMALL, anchor=anchor))
    return marks[::-1]


def _axis_of(rows: Sequence[Row], least_reach: float) -> tuple[float, list[float]]:
    """Return how far the axis goes to both sides, and its ticks."""
    values = [row.estimate.value for row in rows if isinstance(row.estimate, Estimate)]
    limits = [end for row in rows for end in (row.lower, row.upper) if end is not None]
    reach = max([least_reach, *(abs(end) for end in (*values, *limits) if np.isfinite(end))])
    ticks = _ticks(-reach, reach)
    return max(reach, -ticks[0], ticks[-1]), ticks


def _ticks(low: float, high: float) -> list[float]:
    """Place three to seven round numbers within the ends."""
    rough = (high - low) / 5
    power = 10.0 ** np.floor(np.log10(rough))
    step = next(f * power for f in (1, 2, 2.5, 5, 10) if f * power >= rough * 0.999)
    first, last = int(np.ceil(low / step - 1e-9)), int(np.floor(high / step + 1e-9))
    return [float(i * step) for i in range(first, last + 1)]


def _cut(text: str, letters: int) -> str:
    return text if len(text) <= letters else text[: letters - 1] + "…"


def _box(x: float, y: float, width: float, height: float) -> tuple[tuple[float, float], ...]:
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))


def _level(value: float, y: float, ends: tuple[float, float]) -> Marks:
    """Draw the line of one value across a chart, with the value before it."""
    left, right = ends
    return [
        Path(points=((left, y), (right, y)), stroke="hair", width=0.8),
        Label(x=left - 5, y=y + 3.5, text=number(value), ink="muted", size=_SMALL, anchor="end"),
    ]
