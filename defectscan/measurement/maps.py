"""Where on the panel lines are left, and which way grooves run."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.measurement.kinds import direction_sector
from defectscan.measurement.score import Count
from defectscan.measurement.window import WINDOW_SHARE, Shot, zone_grid

Floats = NDArray[Any]

CELLS_ACROSS = 16
BLUR_CELLS = 1.0
LEAST_EXPOSURE_SHARE = 0.15
N_DIRECTIONS = 12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DensityGrid:
    """Line density cell by cell.

    Attributes
    ----------
    values
        Shape (rows, columns); NaN where nothing was measured.
    extent_px
        Left, top, right, bottom, working pixels.
    """

    values: Floats
    extent_px: tuple[float, float, float, float]


def density_grid(shots: Sequence[Shot], *, homography: Floats | None = None) -> DensityGrid:
    """Return the density of lines over the frame, smoothed over neighbouring cells.

    Parameters
    ----------
    shots
        Of one state; their frames must agree.
    homography
        To the frame that the grid is wanted in, shape (3, 3).
    """
    height, width = shots[0].zone.shape
    cell = width / CELLS_ACROSS
    shape = (max(round(height / cell), 1), CELLS_ACROSS)
    length, exposure = np.zeros(shape), np.zeros(shape)
    for shot in shots:
        reach = WINDOW_SHARE * shot.glint.reach_px
        points, tilt = zone_grid(shot)
        share = shot.glint.acceptance(np.linalg.norm(tilt, axis=-1), reach_px=reach)
        scale = shot.mm_per_px
        per_length, per_area = (1.0, 1.0) if scale is None else (scale, scale**2 / 100)
        step = np.sqrt(shot.zone.sum() / max(len(points), 1))
        _add(exposure, _carried(points, homography), share * step**2 * per_area, cell)
        lines = shot.lines
        along = np.abs(np.sum(shot.glint.tilt(lines.xy_px) * lines.tangent, axis=-1))
        counted = np.where(along <= reach, lines.length_px, 0.0) * per_length
        _add(length, _carried(lines.xy_px, homography), counted, cell)
    length, exposure = (
        cv2.GaussianBlur(part, (0, 0), BLUR_CELLS, borderType=cv2.BORDER_CONSTANT)
        for part in (length, exposure)
    )
    known = exposure > LEAST_EXPOSURE_SHARE * exposure.max(initial=0)
    values = np.full(shape, np.nan)
    values[known] = length[known] / exposure[known]
    extent = (-0.5, -0.5, width - 0.5, shape[0] * cell - 0.5)
    return DensityGrid(values=values, extent_px=extent)


def _carried(points: Floats, homography: Floats | None) -> Floats:
    if homography is None or not len(points):
        return points
    return np.asarray(cv2.perspectiveTransform(points[None], homography)[0])


def _add(grid: Floats, points: Floats, values: Floats, cell: float) -> None:
    column, row = np.floor((points + 0.5) / cell).astype(np.int64).T
    inside = (row >= 0) & (column >= 0) & (row < grid.shape[0]) & (column < grid.shape[1])
    np.add.at(grid, (row[inside], column[inside]), values[inside])


def direction_densities(shots: Sequence[Shot], count: Count) -> Floats:
    """Return the density of the grooves that run in each sector, shape (N_DIRECTIONS,).

    Sectors divide 0 to pi, from x towards y, and add up to the density of the count. What false
    lines take off it is taken off all sectors in proportion, for their directions are chance.

    Parameters
    ----------
    shots
        As counted.
    count
        From `count_lines` of the same shots.
    """
    tangent = np.concatenate([shot.lines.tangent for shot in shots])
    first = np.cumsum([0, *(s.lines.n for s in shots)])
    line = np.concatenate([s.lines.line + k for s, k in zip(shots, first[:-1], strict=True)])
    points = np.bincount(line, minlength=len(count.share))
    share = (count.share / np.maximum(points, 1))[line]
    sector = direction_sector(np.arctan2(tangent[:, 1], tangent[:, 0]), N_DIRECTIONS)
    found = np.bincount(sector, weights=share, minlength=N_DIRECTIONS)
    return found * count.density / max(float(found.sum()), 1e-12)
