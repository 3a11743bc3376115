"""Maps: where lines are, and which way grooves run."""

from dataclasses import replace

import numpy as np
import pytest

from defectscan.measurement.glint import circles
from defectscan.measurement.lines import Lines
from defectscan.measurement.maps import density_grid, direction_densities
from defectscan.measurement.score import count_lines
from tests.drawn_lines import Floats, Mask, lit_grooves, no_lines, ring_zone, shot_of

SHAPE = (540, 720)
CENTRE = np.array([355.0, 262.0])
ZONE = ring_zone(SHAPE, CENTRE, least_px=45)
CIRCLES = circles(CENTRE, reach_px=12)
DENSITY = 0.1


def strewn(seed: int, zone: Mask = ZONE, angle_deg: tuple[float, float] = (0, 180)) -> Lines:
    rng = np.random.default_rng(seed)
    return lit_grooves(rng, CIRCLES, zone=zone, density_per_px=DENSITY, angle_deg=angle_deg)


def cells_of(values: Floats, extent: tuple[float, float, float, float]) -> tuple[Floats, Floats]:
    """Return x and y of the middles of the cells."""
    left, top, right, bottom = extent
    rows, columns = values.shape
    x = left + (np.arange(columns) + 0.5) * (right - left) / columns
    y = top + (np.arange(rows) + 0.5) * (bottom - top) / rows
    return np.meshgrid(x, y)[0], np.meshgrid(x, y)[1]


def test_grid_covers_the_frame() -> None:
    grid = density_grid([shot_of(no_lines(), ZONE, CIRCLES)])
    assert grid.extent_px == pytest.approx((-0.5, -0.5, 719.5, 539.5), abs=25)
    x, y = cells_of(grid.values, grid.extent_px)
    assert np.diff(x[0])[0] == pytest.approx(np.diff(y[:, 0])[0])


def test_even_grooves_have_an_even_map() -> None:
    shots = [shot_of(strewn(seed), ZONE, CIRCLES) for seed in range(12)]
    grid = density_grid(shots)
    known = np.isfinite(grid.values)
    assert known.mean() > 0.7
    assert np.mean(grid.values[known]) == pytest.approx(DENSITY, rel=0.1)
    assert np.std(grid.values[known]) < 0.35 * DENSITY


def test_lines_on_one_side_are_mapped_there() -> None:
    left = np.zeros(SHAPE, dtype=bool)
    left[:, :330] = True
    shots = [shot_of(strewn(seed, ZONE & left), ZONE, CIRCLES) for seed in range(6)]
    grid = density_grid(shots)
    x, _ = cells_of(grid.values, grid.extent_px)
    assert np.nanmean(grid.values[x < 250]) > 0.8 * DENSITY
    assert np.nanmax(grid.values[x > 450]) < 0.02 * DENSITY


def test_no_lines_read_nothing_and_no_zone_is_unknown() -> None:
    half = ZONE.copy()
    half[:, 360:] = False
    grid = density_grid([shot_of(no_lines(), half, CIRCLES)])
    x, y = cells_of(grid.values, grid.extent_px)
    inner = (x < 320) & (np.hypot(x - CENTRE[0], y - CENTRE[1]) > 90)
    found = grid.values[inner]
    assert np.isfinite(found).mean() > 0.8
    assert (found[np.isfinite(found)] == 0).all()
    assert np.isnan(grid.values[x > 480]).all()
    nowhere = density_grid([shot_of(no_lines(), np.zeros(SHAPE, dtype=bool), CIRCLES)])
    assert np.isnan(nowhere.values).all()


def test_millimetres_per_pixel() -> None:
    lines = strewn(1)
    in_px = density_grid([shot_of(lines, ZONE, CIRCLES)]).values
    in_mm = density_grid([shot_of(lines, ZONE, CIRCLES, mm_per_px=0.1)]).values
    assert in_mm == pytest.approx(in_px * 1000, nan_ok=True)


def test_a_homography_moves_the_map() -> None:
    right = np.zeros(SHAPE, dtype=bool)
    right[:, 420:] = True
    shot = shot_of(strewn(2, ZONE & right), ZONE & right, CIRCLES)
    still = density_grid([shot])
    cell = 720 / still.values.shape[1]
    shift = np.array([[1, 0, -4 * cell], [0, 1, 0], [0, 0, 1]], dtype=np.float64)
    moved = density_grid([shot], homography=shift)
    assert moved.values[:, 3:-4] == pytest.approx(still.values[:, 7:], nan_ok=True, rel=1e-6)


def test_directions_add_up_to_the_density() -> None:
    shots = [shot_of(strewn(seed), ZONE, CIRCLES) for seed in (3, 4)]
    count = count_lines(shots)
    directions = direction_densities(shots, count)
    assert directions.sum() == pytest.approx(count.density)
    assert directions.std() < 0.5 * directions.mean()
    # False lines are taken off them as off the density.
    doubtful = replace(count, false=0.2 * count.share)
    assert direction_densities(shots, doubtful) == pytest.approx(0.8 * directions)


@pytest.mark.parametrize("angle_deg", [20.0, 95.0, 170.0])
def test_directions_of_parallel_grooves(angle_deg: float) -> None:
    lines = strewn(5, angle_deg=(angle_deg - 3, angle_deg + 3))
    shots = [shot_of(lines, ZONE, CIRCLES)]
    directions = direction_densities(shots, count_lines(shots))
    sector = 180 / len(directions)
    assert directions.argmax() == int(angle_deg / sector)
    assert directions.max() > 0.7 * directions.sum()


def test_directions_of_nothing() -> None:
    shots = [shot_of(no_lines(), ZONE, CIRCLES)]
    assert (direction_densities(shots, count_lines(shots)) == 0).all()
