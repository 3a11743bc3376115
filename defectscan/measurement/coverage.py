"""How much ground the shots of a state cover, and how often."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.measurement.state import PanelScore

Floats = NDArray[Any]

CELLS_ACROSS = 60
MOST_SIDES = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Coverage:
    """The ground that the shots of a state were measured on.

    Attributes
    ----------
    n_shots
        Shape (rows, columns): how many shots cover each cell of the first photo.
    extent_px
        Left, top, right, bottom of those cells, working pixels of the first photo.
    highlights_px
        Where the highlights of the shots lie in it, shape (n, 2).
    area_cm2
        All ground covered, that beyond the first photo too; `None` where the scale is unknown.
    shots_laid, shots_not_laid
        Shots that lie on the first, itself counted, and those whose ground is unknown.
    """

    n_shots: NDArray[np.int64]
    extent_px: tuple[float, float, float, float]
    highlights_px: Floats
    area_cm2: float | None
    shots_laid: int
    shots_not_laid: int


def coverage(score: PanelScore) -> Coverage | None:
    """Return the ground that the shots of a state cover; `None` for a single shot.

    Ground counts as covered where a line would have been seen and counted.

    Parameters
    ----------
    score
        Of one state.
    """
    shots = score.shots
    if len(shots) < 2:
        return None
    known = score.on_first
    height, width = shots[0].shot.zone.shape
    cell = width / CELLS_ACROSS
    rows = max(round(height / cell), 1)
    # Cells all round the first photo as well, for ground beyond it.
    beyond = round((MOST_SIDES - 1) / 2 * CELLS_ACROSS)
    shape = (rows + 2 * beyond, CELLS_ACROSS + 2 * beyond)
    counts = np.zeros(shape, np.int64)
    to_cells = np.array(
        [[1 / cell, 0, beyond + 0.5 / cell], [0, 1 / cell, beyond + 0.5 / cell], [0, 0, 1]]
    )
    highlights = []
    for shot, matrix in zip(shots, known, strict=True):
        if matrix is None:
            continue
        counts += _covered(shot.shot.zone, to_cells @ matrix, shape)
        if shot.highlight is not None:
            spot = np.array([[[shot.highlight.x_px, shot.highlight.y_px]]], dtype=np.float64)
            highlights.append(cv2.perspectiveTransform(spot, matrix)[0, 0])
    scale = shots[0].shot.mm_per_px
    laid = sum(one is not None for one in known)
    return Coverage(
        n_shots=counts[beyond : beyond + rows, beyond : beyond + CELLS_ACROSS],
        extent_px=(-0.5, -0.5, width - 0.5, rows * cell - 0.5),
        highlights_px=np.array(highlights).reshape(-1, 2),
        area_cm2=None if scale is None else float((counts > 0).sum()) * (cell * scale) ** 2 / 100,
        shots_laid=laid,
        shots_not_laid=len(shots) - laid,
    )


def _covered(zone: NDArray[np.bool_], to_cells: Floats, shape: tuple[int, int]) -> Floats:
    """Return which cells a zone fills by half or more, shape (rows, columns)."""
    fine = 4
    finer = np.array([[fine, 0, -0.5], [0, fine, -0.5], [0, 0, 1]])
    size = (fine * shape[1], fine * shape[0])
    laid = cv2.warpPerspective(
        zone.astype(np.float32), finer @ to_cells, size, flags=cv2.INTER_NEAREST
    )
    filled = laid.reshape(shape[0], fine, shape[1], fine).mean(axis=(1, 3))
    return (filled >= 0.5).astype(np.int64)
