"""Charts of what raters gave: an interval is not drawn shorter than it is."""

import pytest

from defectscan.judging.figures import Row, draw_errors, goes_beyond
from defectscan.rater_statistics.estimate import Estimate
from defectscan.report.marks import Drawing, Path


def drawn(low: float, high: float) -> tuple[Drawing, bool]:
    rows = [Row(label="Ana", estimate=Estimate(value=0.5, low=low, high=high))]
    drawing = draw_errors(rows, unit="grades", description="Errors.", least_reach=1.0)
    return drawing, goes_beyond(rows, least_reach=1.0)


@pytest.mark.parametrize(
    ("low", "high", "arrows"),
    [(-0.9, 0.9, (False, False)), (-10.3, 0.9, (True, False)), (-0.9, 10.6, (False, True))],
)
def test_a_whisker_ends_in_a_cap_only_where_the_interval_does(
    low: float, high: float, arrows: tuple[bool, bool]
) -> None:
    drawing, beyond = drawn(low, high)
    ends = [m for m in drawing.marks if isinstance(m, Path) and m.stroke == "ink"][1:]
    ends.sort(key=lambda end: end.points[1])
    tips = [end.points[1][0] - end.points[0][0] for end in ends]
    assert [tip != 0 for tip in tips] == list(arrows)
    # Arrow heads point outwards.
    assert tips[0] <= 0 <= tips[1]
    assert beyond is any(arrows)
