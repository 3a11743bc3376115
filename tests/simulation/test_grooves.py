"""Grooves: drawn as dense, deep and directed as asked; arcs; profiles that add up."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from defectscan.simulation.grooves import (
    KINDS,
    Grooves,
    draw_deep_scratches,
    draw_machine_trails,
    draw_swirls,
    edge_slope,
    join,
    sample,
    select,
    width_per_slope_um,
)

Floats = NDArray[np.float64]

EXTENT_MM = (500.0, 400.0)


def draw(density: float = 150.0, seed: int = 0, **wanted: float) -> Grooves:
    return draw_swirls(
        np.random.default_rng(seed), extent_mm=EXTENT_MM, density_mm_per_cm2=density, **wanted
    )


@pytest.mark.parametrize("density", [50.0, 200.0])
def test_the_density_drawn_is_the_density_asked(density: float) -> None:
    grooves = draw(density)
    found = grooves.length_mm.sum() / (EXTENT_MM[0] * EXTENT_MM[1] / 100)
    # A Poisson number of lengths: the error of their sum is the root of the sum of squares.
    error = np.sqrt(np.sum(grooves.length_mm**2)) / grooves.length_mm.sum()
    assert error < 0.03
    assert found == pytest.approx(density, rel=3 * error)


def test_no_density_no_groove() -> None:
    assert len(draw(0.0)) == 0
    assert len(sample(draw(0.0), step_mm=0.5).groove) == 0


def test_depths_are_spread_exponentially() -> None:
    depth = draw(200.0, mean_depth_um=1.7).depth_um
    assert stats.kstest(depth, stats.expon(scale=1.7).cdf).pvalue > 0.01
    # The test can tell: a mean a tenth off is refused.
    assert stats.kstest(depth, stats.expon(scale=1.53).cdf).pvalue < 0.01


def test_swirls_run_in_all_directions_alike() -> None:
    grooves = draw(200.0)
    chord = grooves.heading_rad + grooves.curvature_per_mm * grooves.length_mm / 2
    assert stats.kstest(chord % np.pi / np.pi, "uniform").pvalue > 0.01
    # Either end may be the start.
    assert np.mean(np.cos(chord - 0.3) > 0) == pytest.approx(0.5, abs=0.02)


def test_directed_swirls_keep_to_their_direction() -> None:
    grooves = draw(200.0, directed=0.5, direction_rad=0.8)
    chord = grooves.heading_rad + grooves.curvature_per_mm * grooves.length_mm / 2
    off = np.abs((chord - 0.8 + np.pi / 2) % np.pi - np.pi / 2)
    within = np.mean(off < 0.7)
    # Half of them within two deviations of 0.35, and the rest anywhere.
    assert within == pytest.approx(0.5 * 0.954 + 0.5 * 1.4 / np.pi, abs=0.03)


def test_grooves_lie_evenly() -> None:
    grooves = draw(200.0)
    points = sample(grooves, step_mm=0.5)
    u, v = np.abs(points.uv_mm).T
    quarter = (u < EXTENT_MM[0] / 4) & (v < EXTENT_MM[1] / 4)
    inner = points.length_mm[quarter].sum() / (EXTENT_MM[0] * EXTENT_MM[1] / 400)
    n = len(np.unique(points.groove[quarter]))
    assert inner == pytest.approx(200, rel=3 * 1.2 / np.sqrt(n))


def test_samples_follow_arcs_of_the_stated_length() -> None:
    grooves = draw(30.0)
    points = sample(grooves, step_mm=0.5)
    total = np.bincount(points.groove, weights=points.length_mm)
    assert total == pytest.approx(grooves.length_mm)
    assert points.length_mm.max() <= 0.5
    one = int(np.argmax(grooves.length_mm))
    here = points.uv_mm[points.groove == one]
    direction = points.direction_rad[points.groove == one]
    # The centre lies to the left by the radius of the arc, the same for all points.
    radius = 1 / grooves.curvature_per_mm[one]
    left = np.stack([-np.sin(direction), np.cos(direction)], axis=-1)
    centre = here + radius * left
    assert centre == pytest.approx(np.broadcast_to(centre[0], centre.shape), abs=1e-9)
    ahead = np.stack([np.cos(direction), np.sin(direction)], axis=-1)
    assert np.sum(np.diff(here, axis=0) * ahead[:-1], axis=-1).min() > 0
    half_step = points.length_mm[points.groove == one][0] / 2
    assert np.linalg.norm(here[0] - grooves.start_mm[one]) == pytest.approx(half_step, rel=1e-3)


def test_deep_scratches_are_few_long_and_deep() -> None:
    grooves = draw_deep_scratches(np.random.default_rng(0), extent_mm=EXTENT_MM, count=40)
    assert len(grooves) == 40
    assert np.all(grooves.kind == KINDS.index("deep_scratch"))
    assert grooves.length_mm.min() >= 25
    assert grooves.depth_um.min() >= 5


def test_machine_trails_are_parallel_and_faint() -> None:
    trails = draw_machine_trails(
        np.random.default_rng(0),
        extent_mm=EXTENT_MM,
        density_mm_per_cm2=60,
        direction_rad=2.0,
        born=3,
    )
    chord = trails.heading_rad + trails.curvature_per_mm * trails.length_mm / 2
    off = (chord - 2.0 + np.pi / 2) % np.pi - np.pi / 2
    assert off.mean() == pytest.approx(0, abs=0.02)
    assert off.std() == pytest.approx(np.deg2rad(4), rel=0.15)
    assert np.all(trails.born == 3)
    assert np.median(trails.depth_um) < np.median(draw().depth_um)


def width_um(depth: float, tip: float, wall: float) -> float:
    """Return a groove's width: walk up its round bottom, then up its straight wall."""
    bottom = tip * wall**2 / 2
    if depth <= bottom:
        return 2 * float(np.sqrt(2 * depth * tip))
    return 2 * (tip * wall + (depth - bottom) / wall)


@pytest.mark.parametrize(
    ("depth", "tip", "wall"),
    [(0.2, 8.0, 0.38), (1.0, 8.0, 0.38), (3.0, 8.0, 0.25), (8.0, 15.0, 0.8), (0.1, 3.0, 0.3)],
)
def test_the_widths_at_all_slopes_add_up_to_the_width(
    depth: float, tip: float, wall: float
) -> None:
    slope = np.linspace(-4, 4, 40001)
    density = width_per_slope_um(slope, np.array(depth), np.array(tip), np.array(wall))
    found = np.trapezoid(density, slope)
    assert found == pytest.approx(width_um(depth, tip, wall), rel=1e-6)
    assert density == pytest.approx(density[::-1], abs=1e-12)


def test_a_round_bottom_has_its_tip_radius_at_every_slope() -> None:
    """Of z = x²/2r the slope is x/r, so each unit of slope takes r of width."""
    found = width_per_slope_um(
        np.array([0.0, 0.05, 0.1]), np.array(3.0), np.array(10.0), np.array(0.5)
    )
    assert found == pytest.approx(10, rel=1e-3)


def test_a_worn_groove_is_narrower_and_less_steep() -> None:
    depth = np.array([4.0, 2.0, 1.0, 0.5, 0.1])
    tip, wall = np.full(5, 8.0), np.full(5, 0.4)
    slope = np.linspace(-2, 2, 4001)[:, None]
    widths = np.trapezoid(width_per_slope_um(slope, depth, tip, wall), slope, axis=0)
    assert (np.diff(widths) < 0).all()
    steepest = edge_slope(depth, tip, wall)
    assert steepest[0] == pytest.approx(0.4)
    assert steepest[-1] == pytest.approx(np.sqrt(2 * 0.1 / 8))
    assert (np.diff(steepest[2:]) < 0).all()


@pytest.mark.parametrize("depth", [0.0, -0.4])
def test_a_groove_that_is_gone_mirrors_nothing(depth: float) -> None:
    found = width_per_slope_um(np.array([0.0, 0.1]), np.array(depth), np.array(8.0), np.array(0.4))
    assert np.array_equal(found, [0, 0])


def test_join_and_select() -> None:
    one, two = draw(20.0), draw(20.0, seed=1)
    both = join(one, two)
    assert len(both) == len(one) + len(two)
    again = select(both, np.arange(len(both)) >= len(one))
    assert np.array_equal(again.start_mm, two.start_mm)
    assert np.array_equal(again.depth_um, two.depth_um)
