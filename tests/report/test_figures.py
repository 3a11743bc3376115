"""Charts: each number at its place."""

import math

import numpy as np
import pytest
from PIL import ImageFont

from defectscan.report.content import Estimate
from defectscan.report.figures import (
    Bar,
    BarGroup,
    draw_bars,
    draw_corrections,
    draw_grade,
    draw_rose,
)
from defectscan.report.marks import Drawing, Label, Path
from defectscan.report.vector_page import font_file
from defectscan.report.wording import short_correction


def paths(drawing: Drawing, *, fill: str = "", stroke: str = "") -> list[Path]:
    return [
        mark
        for mark in drawing.marks
        if isinstance(mark, Path) and mark.fill == fill and (not stroke or mark.stroke == stroke)
    ]


def labels(drawing: Drawing) -> list[str]:
    return [mark.text for mark in drawing.marks if isinstance(mark, Label)]


def width(path: Path) -> float:
    xs = [x for x, _ in path.points]
    return max(xs) - min(xs)


def bar(value: float | None, *, low: float | None = None, high: float | None = None) -> Bar:
    estimate = Estimate(value=value, low=low, high=high)
    return Bar(label="Before", text="", estimate=estimate, ink="before")


def test_bars_are_as_long_as_their_values_and_whiskers_as_their_intervals() -> None:
    bars = (bar(100, low=80, high=130), bar(25, low=20, high=30))
    drawing = draw_bars([BarGroup(title="", bars=bars)], unit="mm/cm²", description="")
    long, short = paths(drawing, fill="before")
    assert width(long) / width(short) == pytest.approx(4)
    whiskers = [p for p in paths(drawing, stroke="ink") if width(p) > 0]
    per_unit = width(long) / 100
    assert [width(p) / per_unit for p in whiskers] == pytest.approx([50, 10])


def test_axis_is_marked_where_its_numbers_are() -> None:
    drawing = draw_bars([BarGroup(title="", bars=(bar(100),))], unit="mm/cm²", description="")
    per_unit = width(paths(drawing, fill="before")[0]) / 100
    ticks = sorted(p.points[0][0] for p in paths(drawing, stroke="hair"))
    assert np.diff(ticks) / per_unit == pytest.approx([25] * 4)
    assert labels(drawing)[:5] == ["0", "25", "50", "75", "100 mm/cm²"]


@pytest.mark.parametrize("top", [0.0123, 0.9, 7.0, 1234.0])
def test_everything_stays_on_the_drawing(top: float) -> None:
    bars = (bar(top, low=0.5 * top, high=1.4 * top), bar(None), bar(0.0))
    drawing = draw_bars([BarGroup(title="Swirls", bars=bars)], unit="mm/cm²", description="")
    for path in paths(drawing) + paths(drawing, fill="before"):
        for x, y in path.points:
            assert 0 <= x <= drawing.width
            assert 0 <= y <= drawing.height


def test_nothing_known_draws_no_bar() -> None:
    drawing = draw_bars([BarGroup(title="", bars=(bar(None),))], unit="mm/cm²", description="")
    assert paths(drawing, fill="before") == []


def test_corrections_lie_on_one_axis_up_to_100() -> None:
    rows = [
        ("a", "", Estimate(value=100, low=90, high=100)),
        ("b", "", Estimate(value=0, low=-50, high=50)),
        ("c", "", Estimate(value=50, low=40, high=60)),
    ]
    drawing = draw_corrections(rows, description="")
    x = [float(np.mean([p[0] for p in dot.points])) for dot in paths(drawing, fill="after")]
    assert (x[0] - x[2]) == pytest.approx(x[2] - x[1])
    zeros = paths(drawing, stroke="muted")
    assert zeros
    assert [zero.points[0][0] for zero in zeros] == pytest.approx([x[1]] * len(zeros))


def test_correction_that_is_only_bounded_has_an_open_end_and_no_dot() -> None:
    drawing = draw_corrections([("a", "", Estimate(at_least=96))], description="")
    assert paths(drawing, fill="after") == []
    assert [len(p.points) for p in paths(drawing, stroke="ink")] == [2, 2, 3]


def test_undefined_correction_draws_nothing_but_its_label() -> None:
    drawing = draw_corrections([("a", "undefined", Estimate())], description="")
    assert paths(drawing, stroke="ink") == []
    assert "undefined" in labels(drawing)


def test_a_low_limit_far_below_zero_does_not_squeeze_the_axis() -> None:
    rows = [("a", "", Estimate(value=9, low=-4000, high=52))]
    drawing = draw_corrections(rows, description="")
    assert labels(drawing)[0] == "\N{MINUS SIGN}200"
    assert [len(p.points) for p in paths(drawing, stroke="ink")] == [2, 3, 2]


NAMES = (
    "",
    "Bonnet",
    "Bonnet, front left quarter",
    "W" * 80,
    "i" * 200,
    "ЖИДКИЙ ЩИТ ЛЮЛЬКИ ДЛЯ ЛЮБИМЫХ ДЮЙМОВ",
    "門" * 40,
    "\u05d3\u05dc\u05ea \u05e7\u05d3\u05de\u05d9\u05ea " * 6,
    "\N{AUTOMOBILE}" * 40,
    "√∑∏" * 30,
)


@pytest.mark.parametrize(
    "estimate",
    [
        Estimate(value=-338, low=-515, high=-217),
        Estimate(value=-31338, low=-51512, high=-21711),
        Estimate(note="the two states were not compared, and no scale is known"),
        Estimate(at_least=96),
    ],
)
def test_a_name_is_cut_where_the_figure_stands(estimate: Estimate) -> None:
    text = short_correction(estimate)
    # A narrow screen enlarges the letters to 12.5 units.
    font = ImageFont.truetype(font_file(bold=False), 125)
    for name in NAMES:
        drawing = draw_corrections([(name, text, estimate)], description="", first_leads=False)
        left, right = (mark for mark in drawing.marks if isinstance(mark, Label) and mark.y == 12)
        assert right.text == text
        widths = [font.getlength(label.text) / 10 for label in (left, right)]
        assert right.x - left.x - sum(widths) > 8, name
        assert name.startswith(left.text.removesuffix("…"))
        assert left.text or not name


def test_a_name_that_has_room_is_not_cut() -> None:
    for name in ("Bonnet, front left half", "Передняя левая дверь", "左前のドア"):
        row = (name, "83 % (76 to 88 %)", Estimate(value=83, low=76, high=88))
        assert name in labels(draw_corrections([row], description=""))


def area(path: Path) -> float:
    x, y = np.array(path.points).T
    return 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))


def test_rose_shows_density_by_area_and_each_direction_twice() -> None:
    before = np.array([4.0, 1.0, np.nan, 0.0])
    drawing = draw_rose(before, None, labels=("Before", "After"), unit="mm/cm²", description="")
    sectors = [p for p in paths(drawing, fill="before") if len(p.points) > 4]
    assert len(sectors) == 4
    assert area(sectors[0]) / area(sectors[1]) == pytest.approx(4)
    centre = sectors[0].points[0]
    middle = np.mean(sectors[0].points[1:], axis=0) - centre
    assert math.degrees(math.atan2(middle[1], middle[0])) == pytest.approx(22.5)
    opposite = np.mean(sectors[2].points[1:], axis=0) - centre
    assert opposite == pytest.approx(-middle)


def test_a_sector_of_the_rings_density_reaches_the_ring() -> None:
    drawing = draw_rose(
        np.array([20.0, 5.0, 5.0]), None, labels=("Before", "After"), unit="mm/cm²", description=""
    )
    assert "ring: 20 mm/cm²" in labels(drawing)
    sector = next(p for p in paths(drawing, fill="before") if len(p.points) > 4)
    ring = max((p for p in paths(drawing, stroke="hair") if len(p.points) > 4), key=width)
    assert math.dist(*sector.points[:2]) == pytest.approx(width(ring) / 2, rel=1e-6)


def test_grade_marks_the_steps_of_both_states() -> None:
    drawing = draw_grade(4, 1, labels=("Before", "After"), description="")
    (before,), (after,) = paths(drawing, fill="before"), paths(drawing, fill="after")
    assert before.points[0][0] > after.points[0][0]
    assert {"0", "1", "2", "3", "4", "5", "Before", "After"} <= set(labels(drawing))
