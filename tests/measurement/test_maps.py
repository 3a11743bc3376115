"""Maps: where lines are, and which way grooves run."""

from dataclasses import replace

import numpy as np
import pytest

from defectscan.measurement.glint import circles
from defectscan.measurement.lines import Lines
from defectscan.measurement.maps import DensityGrid, density_grid, direction_densities
from defectscan.measurement.score import count_lines
from defectscan.measurement.thinning import NO_THINNING, Thinning
from defectscan.measurement.window import Shot
from tests.drawn_lines import Floats, Mask, lit_grooves, no_lines, ring_zone, shot_of

SHAPE = (540, 720)
CENTRE = np.array([355.0, 262.0])
ZONE = ring_zone(SHAPE, CENTRE, least_px=45)
CIRCLES = circles(CENTRE, reach_px=12)
DENSITY = 0.1


def strewn(seed: int, zone: Mask = ZONE, angle_deg: tuple[float, float] = (0, 180)) -> Lines:
    rng = np.random.default_rng(seed)
    return lit_grooves(rng, CIRCLES, zone=zone, density_per_px=DENSITY, angle_deg=angle_deg)


def grid_of(shots: list[Shot]) -> DensityGrid:
    return density_grid(shots, count_lines(shots))


def cells_of(values: Floats, extent: tuple[float, float, float, float]) -> tuple[Floats, Floats]:
    """Return x and y of the middles of the cells."""
    left, top, right, bottom = extent
    rows, columns = values.shape
    x = left + (np.arange(columns) + 0.5) * (right - left) / columns
    y = top + (np.arange(rows) + 0.5) * (bottom - top) / rows
    return np.meshgrid(x, y)[0], np.meshgrid(x, y)[1]


def test_grid_covers_the_frame() -> None:
    grid = grid_of([shot_of(no_lines(), ZONE, CIRCLES)])
    assert grid.extent_px == pytest.approx((-0.5, -0.5, 719.5, 539.5), abs=25)
    x, y = cells_of(grid.values, grid.extent_px)
    assert np.diff(x[0])[0] == pytest.approx(np.diff(y[:, 0])[0])


def test_even_grooves_have_an_even_map() -> None:
    shots = [shot_of(strewn(seed), ZONE, CIRCLES) for seed in range(12)]
    grid = grid_of(shots)
    known = np.isfinite(grid.values)
    assert known.mean() > 0.7
    assert np.mean(grid.values[known]) == pytest.approx(DENSITY, rel=0.1)
    assert np.std(grid.values[known]) < 0.35 * DENSITY


def test_lines_on_one_side_are_mapped_there() -> None:
    left = np.zeros(SHAPE, dtype=bool)
    left[:, :330] = True
    shots = [shot_of(strewn(seed, ZONE & left), ZONE, CIRCLES) for seed in range(6)]
    grid = grid_of(shots)
    x, _ = cells_of(grid.values, grid.extent_px)
    assert np.nanmean(grid.values[x < 250]) > 0.8 * DENSITY
    assert np.nanmax(grid.values[x > 450]) < 0.02 * DENSITY


def test_no_lines_read_nothing_and_no_zone_is_unknown() -> None:
    half = ZONE.copy()
    half[:, 360:] = False
    grid = grid_of([shot_of(no_lines(), half, CIRCLES)])
    x, y = cells_of(grid.values, grid.extent_px)
    inner = (x < 320) & (np.hypot(x - CENTRE[0], y - CENTRE[1]) > 90)
    found = grid.values[inner]
    assert np.isfinite(found).mean() > 0.8
    assert (found[np.isfinite(found)] == 0).all()
    assert np.isnan(grid.values[x > 480]).all()


def test_little_exposure_is_blank_and_the_rest_follows_the_count() -> None:
    shots = [shot_of(strewn(seed), ZONE, CIRCLES) for seed in range(6)]
    plain, steep = (
        (count, density_grid(shots, count))
        for count in (
            count_lines(shots, thinning=NO_THINNING),
            count_lines(shots, thinning=Thinning(longer_sides=0.4, spread=0.0)),
        )
    )
    # Were walls so shallow, the same lines would speak of more grooves, and far cells of none.
    assert steep[0].density > 1.2 * plain[0].density
    for count, grid in (plain, steep):
        assert np.nanmean(grid.values) == pytest.approx(count.density, rel=0.1)
        assert np.nanmax(grid.values) < 3 * count.density
    blank = [np.isnan(grid.values).mean() for _, grid in (plain, steep)]
    assert blank[1] > blank[0] + 0.1


def test_what_false_lines_take_off_the_density_is_taken_off_the_map() -> None:
    shots = [shot_of(strewn(1), ZONE, CIRCLES)]
    count = count_lines(shots)
    doubtful = replace(count, false=0.3 * count.share)
    cleared = replace(count, false=np.zeros_like(count.share))
    assert density_grid(shots, doubtful).values == pytest.approx(
        0.7 * density_grid(shots, cleared).values, nan_ok=True
    )


def test_parallel_grooves_are_no_heap_where_the_lamp_shows_them() -> None:
    shots = [shot_of(strewn(seed, angle_deg=(60, 90)), ZONE, CIRCLES) for seed in range(6)]
    count = count_lines(shots)
    grid = density_grid(shots, count)
    assert np.nanmean(grid.values) == pytest.approx(count.density, rel=0.15)
    assert np.nanmax(grid.values) < 2.5 * count.density
    # Where it would show grooves of other directions alone, it tells nothing.
    assert 0.1 < np.isfinite(grid.values).mean() < 0.6


def test_the_shots_of_a_state_are_mapped_together() -> None:
    cell = 720 / 16
    shift = np.array([[1, 0, -3 * cell], [0, 1, 0], [0, 0, 1]])
    shots = [shot_of(strewn(seed), ZONE, CIRCLES) for seed in range(2)]
    count = count_lines(shots)
    both = density_grid(shots, count, frames=[np.eye(3), shift])
    first = density_grid(shots, count, frames=[np.eye(3), None])
    # The corners are far from the first lamp, and nearer to the other.
    corners = [np.isfinite(grid.values[:, :3]).sum() for grid in (both, first)]
    assert corners[0] > corners[1]
    # A shot that is not laid takes its part of the exposure with it.
    assert np.nanmean(first.values) == pytest.approx(count.density, rel=0.2)
    narrow = density_grid(shots, count, shape=(540, 360))
    assert narrow.extent_px == pytest.approx((-0.5, -0.5, 359.5, 539.5), abs=12)


def test_millimetres_per_pixel() -> None:
    lines = strewn(1)
    in_px = grid_of([shot_of(lines, ZONE, CIRCLES)]).values
    in_mm = grid_of([shot_of(lines, ZONE, CIRCLES, mm_per_px=0.1)]).values
    assert in_mm == pytest.approx(in_px * 1000, nan_ok=True)


def test_a_homography_moves_the_map() -> None:
    right = np.zeros(SHAPE, dtype=bool)
    right[:, 420:] = True
    shot = shot_of(strewn(2, ZONE & right), ZONE & right, CIRCLES)
    count = count_lines([shot])
    still = density_grid([shot], count)
    cell = 720 / still.values.shape[1]
    shift = np.array([[1, 0, -4 * cell], [0, 1, 0], [0, 0, 1]], dtype=np.float64)
    moved = density_grid([shot], count, frames=[shift])
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
