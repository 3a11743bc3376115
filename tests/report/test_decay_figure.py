"""The picture of density against film taken off: each number at its place."""

import math
from dataclasses import replace
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from defectscan.report.decay_figure import draw_decay, to_svg
from defectscan.report.marks import Drawing, Label, Path
from defectscan.workshop.decay_picture import DecayPicture, Point
from defectscan.workshop.decision import decide
from defectscan.workshop.evidence import Figure
from defectscan.workshop.outlook import PanelState, WorkshopLimits


def exact(value: float) -> Figure:
    return Figure(value=value, low=value, high=value)


def about(value: float) -> Figure:
    return Figure(value=value, low=0.9 * value, high=1.1 * value)


def picture(
    *, most: float | None = 4.0, names: tuple[str, ...] = ("before", "after")
) -> DecayPicture:
    at = np.linspace(0, 4, 61)
    curve = 200 * np.exp(-at / 2)
    points = tuple(
        Point(
            name=name,
            along=exact(number),
            density_mm_per_cm2=about(200 * math.exp(-number / 2)),
        )
        for number, name in enumerate(names)
    )
    return DecayPicture(
        along="film taken off, um",
        at=at,
        curve=curve,
        low=0.8 * curve,
        high=1.2 * curve,
        points=points,
        predicted=Point(name="next", along=exact(2.0), density_mm_per_cm2=exact(73.6)),
        target_mm_per_cm2=exact(50.0),
        most_um=None if most is None else exact(most),
    )


def test_where_nothing_is_foretold_no_curve_is_drawn() -> None:
    drawing = draw_decay(replace(picture(), predicted=None))
    assert not any("fitted" in text or "next" in text for text in labels(drawing))
    assert not paths(drawing, fill="hair")


def test_a_target_that_is_not_known_is_not_drawn() -> None:
    drawing = draw_decay(replace(picture(), target_mm_per_cm2=None))
    assert not any("target" in text for text in (drawing.description, *labels(drawing)))
    assert not paths(drawing, stroke="before")


def paths(drawing: Drawing, *, fill: str = "", stroke: str = "") -> list[Path]:
    marks = [mark for mark in drawing.marks if isinstance(mark, Path)]
    return [mark for mark in marks if (mark.fill, mark.stroke) == (fill, stroke)]


def labels(drawing: Drawing) -> list[str]:
    return [mark.text for mark in drawing.marks if isinstance(mark, Label)]


def middle(path: Path) -> tuple[float, float]:
    x, y = np.mean(path.points, axis=0)
    return float(x), float(y)


def test_states_and_target_lie_on_one_scale() -> None:
    drawing = draw_decay(picture())
    (x0, y0), (x1, y1) = (middle(dot) for dot in paths(drawing, fill="after", stroke="ink"))
    predicted = middle(paths(drawing, fill="paper", stroke="ink")[0])
    per_um, per_density = x1 - x0, (y1 - y0) / (200 - 200 * math.exp(-0.5))
    assert predicted[0] - x0 == pytest.approx(2 * per_um)
    assert predicted[1] - y0 == pytest.approx((200 - 73.6) * per_density)
    target = paths(drawing, stroke="before")[0]
    assert target.points[0][1] - y0 == pytest.approx((200 - 50) * per_density)
    limit = paths(drawing, stroke="warning")[0]
    assert limit.points[0][0] - x0 == pytest.approx(4 * per_um)


def test_curve_runs_through_states_within_its_band() -> None:
    drawing = draw_decay(picture())
    curve = paths(drawing, stroke="after")[0]
    assert curve.points[15] == pytest.approx(  # at 1 um
        middle(paths(drawing, fill="after", stroke="ink")[1]), abs=1e-6
    )
    (band,) = paths(drawing, fill="hair")
    upper, lower = band.points[:61], band.points[:60:-1]
    for above, on, under in zip(upper, curve.points, lower, strict=True):
        assert above[1] <= on[1] <= under[1]


@pytest.mark.parametrize("most", [None, -3.0, 0.0, 1e9])
def test_everything_stays_on_the_drawing(most: float | None) -> None:
    drawing = draw_decay(picture(most=most))
    marks = [mark for mark in drawing.marks if isinstance(mark, Path)]
    for x, y in (point for mark in marks for point in mark.points):
        assert 0 <= x <= drawing.width
        assert 0 <= y <= drawing.height
    assert any("film that may go" in text for text in labels(drawing)) == (most is not None)
    if most == -3.0:
        assert "film that may go: 0 µm" in labels(drawing)


def test_before_the_first_pass_no_curve_is_drawn() -> None:
    drawing = draw_decay(picture(names=("before",)))
    assert not paths(drawing, fill="hair")
    assert not any("fitted" in text for text in labels(drawing))


def test_a_decision_without_film_is_drawn_against_passes() -> None:
    density = Figure(value=200, low=180, high=222), Figure(value=90, low=80, high=101)
    states = [
        PanelState(name=name, density_mm_per_cm2=d)
        for name, d in zip(("before", "after pass 1"), density, strict=True)
    ]
    limits = WorkshopLimits(target_density_mm_per_cm2=40)
    decision = decide(states, np.random.default_rng(1), limits=limits)
    drawing = draw_decay(decision.picture)
    assert "passes" in labels(drawing)
    assert "Line density against passes: 200 mm/cm² before, 90 after pass 1" in drawing.description


def test_svg_holds_the_marks_and_escapes_text() -> None:
    drawing = draw_decay(picture(names=("<b>&\"'", "after")))
    root = ET.fromstring(to_svg(drawing))  # noqa: S314 - made here
    space = "{http://www.w3.org/2000/svg}"
    assert root.findtext(f"{space}title") == drawing.description
    assert len(root.findall(f"{space}path")) == sum(isinstance(m, Path) for m in drawing.marks)
    texts = [text.text for text in root.findall(f"{space}text")]
    assert texts == labels(drawing)
