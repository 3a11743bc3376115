"""Correction with its interval, and what became of each line."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from defectscan.measurement.comparison import Fate, correct, fates
from defectscan.measurement.glint import circles
from defectscan.measurement.lines import Lines
from defectscan.measurement.pairing import carried
from defectscan.measurement.score import Count, count_lines
from tests.drawn_lines import (
    Floats,
    lit_grooves,
    no_lines,
    ring_zone,
    shot_of,
    straight_lines,
)

SHAPE = (420, 560)
CENTRE = np.array([275.0, 205.0])
ZONE = ring_zone(SHAPE, CENTRE, least_px=45)
CIRCLES = circles(CENTRE, reach_px=12)
STILL = np.eye(3)
AWAY = np.array([0.0, 140.0])
MOVE = np.array([[1.0, 0.02, 15.0], [-0.02, 1.0, -9.0], [0, 0, 1]])


def strewn(seed: int, density: float = 0.1) -> Lines:
    rng = np.random.default_rng(seed)
    return lit_grooves(rng, CIRCLES, zone=ZONE, density_per_px=density)


def counted(lines: Lines) -> Count:
    return count_lines([shot_of(lines, ZONE, CIRCLES)])


def polished(lines: Lines, left: float, seed: int = 0) -> Lines:
    """Leave a share of the lines."""
    return lines.of(np.random.default_rng(seed).random(lines.n) < left)


def tangential(radius_px: float, bearing_deg: float, length_px: float = 18.0) -> Floats:
    """Return the ends of a line along a ring: the lamp shows it."""
    angle = np.deg2rad(bearing_deg)
    out = np.array([np.cos(angle), np.sin(angle)])
    along = length_px / 2 * np.array([-out[1], out[0]])
    middle = CENTRE + radius_px * out
    return np.concatenate([middle - along, middle + along])


def some_lines(*places: tuple[float, float]) -> Lines:
    return straight_lines([tuple(tangential(*place)) for place in places])


def test_same_lines_twice_are_no_correction() -> None:
    count = counted(strewn(1))
    n = np.arange(len(count.share))
    paired = correct(count, count, np.random.default_rng(0), grooves=(n, n)).percent
    apart = correct(count, count, np.random.default_rng(0)).percent
    assert paired is not None
    assert apart is not None
    assert paired.value == apart.value == 0
    assert paired.low < 0 < paired.high
    assert apart.low < 0 < apart.high
    # What both states share cancels.
    assert paired.high - paired.low < 0.7 * (apart.high - apart.low)


def test_nothing_left_is_at_least() -> None:
    before, after = counted(strewn(2)), counted(no_lines())
    found = correct(before, after, np.random.default_rng(0))
    assert found.at_least
    assert found.percent is not None
    assert found.percent.value == found.percent.high == 100
    assert 80 < found.percent.low < 100


def test_nothing_before_is_undefined() -> None:
    for after in (no_lines(), strewn(3)):
        found = correct(counted(no_lines()), counted(after), np.random.default_rng(0))
        assert found.percent is None
        assert not found.at_least


def test_an_increase_is_negative() -> None:
    few, many = counted(strewn(4, 0.04)), counted(strewn(5, 0.16))
    found = correct(few, many, np.random.default_rng(0))
    assert found.percent is not None
    assert found.percent.value < found.percent.high < 0
    assert not found.at_least


def test_correction_follows_its_definition() -> None:
    before, after = counted(strewn(6)), counted(polished(strewn(6), 0.4))
    found = correct(before, after, np.random.default_rng(0)).percent
    assert found is not None
    assert found.value == pytest.approx(100 * (1 - after.density / before.density))
    assert found.low < found.value < found.high


@pytest.mark.parametrize("left", [0.2, 0.6, 1.0])
def test_interval_holds_the_true_correction(left: float) -> None:
    # Other lamps show other grooves: before and after are drawn apart.
    held = []
    for seed in range(50):
        before, after = strewn(seed, 0.06), strewn(1000 + seed, 0.06 * left)
        found = correct(counted(before), counted(after), np.random.default_rng(seed)).percent
        assert found is not None
        held.append(found.low <= 100 * (1 - left) <= found.high)
    # 95 % of 50 are 47.5; 43 or fewer would be rare.
    assert sum(held) > 43


def test_more_grooves_narrow_the_interval() -> None:
    widths = []
    for density in (0.02, 0.2):
        before, after = counted(strewn(7, density)), counted(strewn(8, density / 2))
        found = correct(before, after, np.random.default_rng(0)).percent
        assert found is not None
        widths.append(found.high - found.low)
    assert widths[1] < 0.7 * widths[0]


@settings(deadline=None, max_examples=20)
@given(st.floats(0, 1), st.integers(0, 2**32 - 1))
def test_an_interval_holds_its_value(left: float, seed: int) -> None:
    before = counted(strewn(9))
    after = counted(polished(strewn(9), left, seed))
    found = correct(before, after, np.random.default_rng(seed)).percent
    assert found is not None
    assert found.low <= found.value <= found.high <= 100


def test_fates_of_lines() -> None:
    before = some_lines((100, 0), (150, 120), (200, 240))
    after = some_lines((150, 120), (120, 60))
    one, two = (shot_of(lines, ZONE, CIRCLES) for lines in (before, after))
    gone, come = fates(one, two, STILL)
    assert gone == [Fate.REMOVED, Fate.REMAINING, Fate.REMOVED]
    assert come == [Fate.REMAINING, Fate.NEW]
    assert fates(one, one, STILL) == ([Fate.REMAINING] * 3, [Fate.REMAINING] * 3)


def test_a_line_found_by_luck_is_not_counted_as_left() -> None:
    out = CENTRE + np.array([[60.0, 0], [78, 0]])  # no lamp here shows what runs outwards
    both = shot_of(straight_lines([tuple(out.ravel())]), ZONE, CIRCLES)
    assert both.lines.n == 1
    assert fates(both, both, STILL) == ([Fate.UNKNOWN], [Fate.UNKNOWN])


def test_fates_in_a_moved_frame() -> None:
    before = some_lines((100, 10), (150, 120), (200, 240))
    there = carried(before, np.linalg.inv(MOVE))
    away = np.linalg.inv(MOVE) @ [*CENTRE, 1]
    glint = replace(CIRCLES, centre_px=away[:2])
    one, two = shot_of(before, ZONE, CIRCLES), shot_of(there, np.ones(SHAPE, dtype=bool), glint)
    assert fates(one, two, MOVE) == ([Fate.REMAINING] * 3, [Fate.REMAINING] * 3)


def test_a_line_that_the_other_lamp_would_not_show_is_unknown() -> None:
    before = some_lines((100, 0), (200, 240))
    one = shot_of(before, ZONE, CIRCLES)
    # The lamp stands elsewhere: the old lines do not lie along its rings.
    moved = replace(CIRCLES, centre_px=CENTRE + AWAY)
    nothing = shot_of(no_lines(), np.ones(SHAPE, dtype=bool), moved)
    assert fates(one, nothing, STILL)[0] == [Fate.UNKNOWN, Fate.UNKNOWN]
    # Only one of them lies in the other's measuring zone.
    half = ZONE.copy()
    half[:, 320:] = False
    assert fates(one, shot_of(no_lines(), half, CIRCLES), STILL)[0] == [Fate.UNKNOWN, Fate.REMOVED]


def test_a_line_that_the_lamp_before_would_not_have_shown_is_unknown() -> None:
    after = shot_of(some_lines((100, 0), (200, 240)), ZONE, CIRCLES)
    moved = replace(CIRCLES, centre_px=CENTRE + AWAY)
    before = shot_of(no_lines(), np.ones(SHAPE, dtype=bool), moved)
    assert fates(before, after, STILL) == ([], [Fate.UNKNOWN, Fate.UNKNOWN])


def test_fates_beyond_the_other_frame() -> None:
    far = np.array([[1.0, 0, 5000.0], [0, 1, 0], [0, 0, 1]])
    lines = some_lines((100, 0))
    one = shot_of(lines, ZONE, CIRCLES)
    assert fates(one, one, far) == ([Fate.UNKNOWN], [Fate.UNKNOWN])


def test_a_crossing_line_is_not_the_same() -> None:
    before = some_lines((150, 0))
    x, y = CENTRE[0] + 150, CENTRE[1]
    across = straight_lines([(x - 9, y, x + 9, y)])
    one, two = shot_of(before, ZONE, CIRCLES), shot_of(across, ZONE, CIRCLES)
    assert fates(one, two, STILL)[0] == [Fate.REMOVED]
