"""Where on the panel lines are left, and which way grooves run."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.measurement.kinds import direction_sector
from defectscan.measurement.score import Count
from defectscan.measurement.window import Shot

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


def density_grid(
    shots: Sequence[Shot],
    count: Count,
    *,
    frames: Sequence[Floats | None] | None = None,
    shape: tuple[int, int] | None = None,
) -> DensityGrid:
    """Return the density of lines over the frame, smoothed over neighbouring cells.

    What the cell's lines add to the density of the count, over the part of it that the cell would
    show of even ground: weighted by that part, the cells' mean is the density of the count. What
    false lines take off it is taken off all cells in proportion. Deep scratches are not in it.

    Parameters
    ----------
    shots
        As counted.
    count
        From `count_lines` of the same shots.
    frames
        For each shot the homography to the frame that the grid is wanted in, `None` where it is
        not known: such a shot is left out. All lie in it where not given.
    shape
        Height and width of that frame, px; those of the first shot where not given.
    """
    height, width = shape or shots[0].zone.shape
    cell = width / CELLS_ACROSS
    rows = max(round(height / cell), 1)
    found, exposure = np.zeros((rows, CELLS_ACROSS)), np.zeros((rows, CELLS_ACROSS))
    first = np.cumsum([0, *(shot.lines.n for shot in shots)])
    frames = [np.eye(3)] * len(shots) if frames is None else frames
    for shot, ground, to_frame, start in zip(shots, count.ground, frames, first[:-1], strict=True):
        if to_frame is None:
            continue
        _add(exposure, _carried(ground.xy_px, to_frame), ground.share, cell)
        lines = shot.lines
        share = count.share[start : start + lines.n] / lines.total(np.ones(len(lines.line)))
        _add(found, _carried(lines.xy_px, to_frame), share[lines.line], cell)
    found, exposure = (
        cv2.GaussianBlur(part, (0, 0), BLUR_CELLS, borderType=cv2.BORDER_CONSTANT)
        for part in (found, exposure)
    )
    known = exposure > LEAST_EXPOSURE_SHARE * exposure.max(initial=0)
    values = np.full(found.shape, np.nan)
    true_share = count.density / max(float(count.share.sum()), 1e-12)
    values[known] = found[known] / exposure[known] * true_share
    extent = (-0.5, -0.5, width - 0.5, rows * cell - 0.5)
    return DensityGrid(values=values, extent_px=extent)


def _carried(points: Floats, homography: Floats) -> Floats:
    if not len(points):
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
