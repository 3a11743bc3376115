"""Kinds: deep scratches, machine trails and haze told from swirls."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from defectscan.imaging.highlight import Highlight
from defectscan.measurement.glint import circles
from defectscan.measurement.kinds import (
    deep_scratches,
    find_trails,
    haze_glow,
    mean_direction,
)
from defectscan.measurement.lines import Lines
from tests.drawn_lines import Image, lit_grooves, no_lines, ring_zone, straight_lines

SHAPE = (540, 720)
CENTRE = np.array([355.0, 262.0])
ZONE = ring_zone(SHAPE, CENTRE, least_px=45)
CIRCLES = circles(CENTRE, reach_px=12)
HIGHLIGHT = Highlight(x_px=355, y_px=262, radius_px=12, bloom_px=16, area_px=450, cut=False)


def swirls(seed: int = 0) -> Lines:
    return lit_grooves(np.random.default_rng(seed), CIRCLES, zone=ZONE, density_per_px=0.1)


def test_swirls_are_no_deep_scratches() -> None:
    assert not deep_scratches(swirls(), CIRCLES).any()
    assert deep_scratches(no_lines(), CIRCLES).tolist() == []


@pytest.mark.parametrize(
    "ends", [(400, 60, 600, 200), (390, 180, 600, 40), (60, 80, 60, 420)], ids=str
)
def test_a_long_bright_line_is_a_deep_scratch(ends: tuple[float, float, float, float]) -> None:
    lines = Lines.joined([swirls(), straight_lines([ends], contrast=2.0)])
    found = deep_scratches(lines, CIRCLES)
    assert found[-1]
    assert not found[:-1].any()


def test_a_faint_line_is_no_deep_scratch() -> None:
    lines = Lines.joined([swirls(), straight_lines([(400, 60, 600, 200)], contrast=0.3)])
    assert not deep_scratches(lines, CIRCLES).any()


def test_even_directions_have_no_trails() -> None:
    rng = np.random.default_rng(0)
    mistaken = [find_trails(rng.uniform(0, np.pi, 150), np.ones(150)).share > 0 for _ in range(100)]
    assert np.mean(mistaken) <= 0.05


@pytest.mark.parametrize("direction_deg", [0.0, 40.0, 90.0, 178.0])
def test_a_machines_trails_are_found(direction_deg: float) -> None:
    rng = np.random.default_rng(1)
    trail = np.deg2rad(rng.normal(direction_deg, 4, 60))
    direction = np.concatenate([rng.uniform(0, np.pi, 150), trail]) % np.pi
    trails = find_trails(direction, np.ones(210))
    off = (np.rad2deg(trails.direction_rad) - direction_deg + 90) % 180 - 90
    assert abs(off) < 10
    inside = trails.within(direction)
    assert inside[150:].mean() > 0.9
    # Among the lines in the crowd, 60 are trails and a few of the 150 happen to lie there.
    assert trails.share == pytest.approx(60 / inside.sum(), abs=0.12)


def test_wiping_is_no_machine_trail() -> None:
    # One favoured direction, but broadly: the hand does not keep to a few degrees.
    mistaken = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        wiped = np.deg2rad(rng.normal(60, 20, 100))
        direction = np.concatenate([rng.uniform(0, np.pi, 100), wiped]) % np.pi
        mistaken.append(find_trails(direction, np.ones(200)).share > 0)
    assert np.mean(mistaken) <= 0.1


def test_no_lines_have_no_trails() -> None:
    assert find_trails(np.zeros(0), np.zeros(0)).share == 0
    assert find_trails(np.array([0.3]), np.array([1.0])).share == 0


@given(st.floats(0, np.pi), st.floats(-10, 10))
def test_within_a_trails_crowd_angles_are_axes(direction: float, turns: float) -> None:
    rng = np.random.default_rng(3)
    angles = np.concatenate([rng.uniform(0, np.pi, 60), np.full(60, 0.02)])
    trails = find_trails(angles, np.ones(120))
    assert trails.share > 0
    one = trails.within(np.array([direction]))
    assert one == trails.within(np.array([direction + round(turns) * np.pi]))


@given(st.floats(0, 180, exclude_max=True))
def test_mean_direction_of_a_line(angle_deg: float) -> None:
    angle = np.deg2rad(angle_deg)
    way = 20 * np.array([np.cos(angle), np.sin(angle)])
    both = straight_lines([(50, 50, 50 + way[0], 50 + way[1]), (50 + way[0], 50 + way[1], 50, 50)])
    off = (np.rad2deg(mean_direction(both)) - angle_deg + 90) % 180 - 90
    assert off == pytest.approx([0, 0], abs=1e-6)
    assert (mean_direction(both) >= 0).all()
    assert (mean_direction(both) <= np.pi).all()


def glow(rise: float, width_px: float = 60.0) -> Image:
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    away = np.hypot(x - HIGHLIGHT.x_px, y - HIGHLIGHT.y_px)
    light: Image = (0.05 * (1 + rise * np.exp(-((away / width_px) ** 2)))).astype(np.float32)
    return light


def test_haze_is_the_glow_near_the_highlight() -> None:
    none = haze_glow(glow(0), ZONE, HIGHLIGHT)
    assert none == pytest.approx([0] * 8, abs=1e-6)
    faint, strong = (np.median(haze_glow(glow(rise), ZONE, HIGHLIGHT)) for rise in (0.4, 0.8))
    assert 0.05 < faint < 0.4
    assert strong == pytest.approx(2 * faint, rel=1e-3)


def test_haze_does_not_hang_on_the_exposure() -> None:
    one = haze_glow(glow(0.5), ZONE, HIGHLIGHT)
    other = haze_glow(3 * glow(0.5), ZONE, HIGHLIGHT)
    assert other == pytest.approx(one, rel=1e-4)


def test_haze_is_unknown_without_paint_to_compare() -> None:
    assert haze_glow(glow(1), np.zeros(SHAPE, dtype=bool), HIGHLIGHT).shape == (0,)
    half = ZONE & (np.arange(SHAPE[1]) > 355)
    assert len(haze_glow(glow(1), half, HIGHLIGHT)) == 4
