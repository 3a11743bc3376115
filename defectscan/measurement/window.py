"""What one shot can show: the window on s·t, how lines pass it, and what exposes it."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.measurement.glint import Glint
from defectscan.measurement.lines import Lines

Floats = NDArray[Any]
Mask = NDArray[np.bool_]

WINDOW_SHARE = 0.3
N_SECTORS = 6
GRID_PX = 8
N_RINGS = 8
MERGED_PX = 7.0
DIRECTION_ERROR = 12.0
USUAL_MIDDLE = 0.4
GATE = 1.6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shot:
    """What one photo says: lines, the zone they were sought in, and the geometry of its glints.

    Attributes
    ----------
    lines
        Lines in the zone, working pixels; deep scratches are not among them.
    zone
        Shape (H, W): where a line could be seen and counted.
    glint
        The geometry.
    mm_per_px
        Millimetres per working pixel; `None` where the scale is unknown.
    scale_error
        Its relative standard error, 0 where it was given.
    frame_px
        Pixels of the state's first shot that one pixel spans, where registration tells; used
        where the scale is unknown.
    """

    lines: Lines
    zone: Mask
    glint: Glint
    mm_per_px: float | None
    scale_error: float = 0.0
    frame_px: float = 1.0

    @property
    def pixel(self) -> float:
        """Length of a pixel, in mm where the scale is known, else in pixels of the first shot."""
        return self.frame_px if self.mm_per_px is None else self.mm_per_px


def zone_grid(shot: Shot) -> tuple[Floats, Floats]:
    """Return a grid of the zone's points, shape (n, 2), `GRID_PX` apart, and their tilts."""
    half = GRID_PX // 2
    y, x = np.nonzero(shot.zone[half::GRID_PX, half::GRID_PX])
    points = np.stack([x, y], axis=-1) * float(GRID_PX) + half
    return points, shot.glint.tilt(points)


def passage_of(glint: Glint, lines: Lines, u: Floats, reach: float) -> tuple[Floats, Floats]:
    """Return how much of the window each point's line passes there, and each line's gate.

    Along a groove u runs through the window at a rate that the geometry knows for straight
    grooves; a bent one runs faster or slower and glints shorter or longer. What counts is how
    far u runs within the window, not the length: so each full passage counts alike. A whole
    glint has its middle at u = 0. A short, faint line's direction is uncertain and with it its
    middle, the more the further off; so the middle is drawn towards 0 as far as its error asks.

    Parameters
    ----------
    glint, lines
        Of one shot.
    u
        Shape (m,): s·t at the points, with its sign.
    reach
        Half-width of the window.

    Returns
    -------
    passage
        Shape (m,), px: the line's run within the window, shared among its points.
    gate
        Shape (n,), px: lines whose middle lies further off are no glints.
    """
    if not (lines.n and np.isfinite(reach)):
        return lines.length_px, np.full(lines.n, np.inf)
    rate = np.sum(slope_along(glint, lines.xy_px, lines.tangent) * lines.tangent, axis=-1)
    first = np.searchsorted(lines.line, np.arange(lines.n))
    last = np.append(first[1:], len(u)) - 1
    start = u[first] - rate[first] / 2
    stop = u[last] + rate[last] / 2
    middle, half = (start + stop) / 2, np.abs(stop - start) / 2
    count = lines.total(np.ones(len(u)))
    size = lines.total(np.linalg.norm(glint.tilt(lines.xy_px), axis=-1)) / count
    error = size * DIRECTION_ERROR / (lines.evidence * count)
    usual = USUAL_MIDDLE * glint.reach_px
    gate = GATE * glint.reach_px + 2.5 * error
    drawn = middle * usual**2 / (usual**2 + error**2)
    run = np.minimum(drawn + half, reach) - np.maximum(drawn - half, -reach)
    run = np.where(np.abs(middle) <= gate, np.maximum(run, 0), 0)
    return (run / count)[lines.line], gate


def slope_along(glint: Glint, points: Floats, direction: Floats) -> Floats:
    """Return the change of the needed tilt per px along a direction, both (n, 2)."""
    step = 4.0
    return (glint.tilt(points + step * direction) - glint.tilt(points)) / step


def spread_rate_of(glint: Glint, grid: Floats) -> tuple[Floats, Floats, Floats]:
    """Return how fast u runs at grid points along x, along y, and for both together."""
    in_x, in_y = (slope_along(glint, grid, np.broadcast_to(d, grid.shape)) for d in np.eye(2))
    return in_x[:, 0], in_y[:, 1], in_x[:, 1] + in_y[:, 0]


def exposure_at(
    tilt: Floats,
    spread_rate: tuple[Floats, Floats, Floats] | None,
    emphasis: Floats,
    sector: int,
    reach: float,
) -> Floats:
    """Return how far the sector's directions are in the window at each grid point, shape (n,)."""
    total = np.zeros(len(tilt))
    angles = (sector + (np.arange(6) + 0.5) / 6) * np.pi / N_SECTORS
    for cos, sin in zip(np.cos(angles), np.sin(angles), strict=True):
        u = tilt[:, 0] * cos + tilt[:, 1] * sin
        # A grid point stands for a cell, of which the window's edge may cut a part.
        cover = np.minimum(u + GRID_PX / 2, reach) - np.maximum(u - GRID_PX / 2, -reach)
        seen = cover > 0
        part = emphasis[seen]
        if np.isfinite(reach):
            part = part * (cover[seen] / GRID_PX)
        if spread_rate is not None:
            xx, yy, xy = (values[seen] for values in spread_rate)
            part = part * np.abs(xx * cos**2 + yy * sin**2 + xy * cos * sin)
        total[seen] += part
    return total / len(angles)


def ring_limit(
    size: Floats, line_size: Floats, length: Floats, *, exposure: Floats, glint_px: float
) -> float:
    """Return the needed tilt at which lines fall away unexpectedly, in px.

    Where the picture blurs or darkens outwards, lines are lost. The zone is cut into rings of
    equal exposure; from the outside, rings are dropped that hold fewer lines than those within
    by more than chance allows, at most half of them.

    Parameters
    ----------
    size, exposure
        Shape (n,): needed tilt of the zone's places, and how likely a groove glints there.
    line_size, length
        Shape (m,): needed tilt of the points of lines, and what length each stands for.
    glint_px
        Length of a glint, to tell how many there are.
    """
    if not len(size):
        return 0.0
    ordered = np.argsort(size)
    order, exposure = size[ordered], np.cumsum(exposure[ordered])
    if exposure[-1] <= 0:
        return float(order[-1])
    borders = order[np.searchsorted(exposure, np.linspace(0, exposure[-1], N_RINGS + 1)[1:-1])]
    ring = np.searchsorted(borders, line_size)
    in_ring = np.bincount(ring, weights=length, minlength=N_RINGS)
    glints = in_ring / max(glint_px, 1e-9)
    last = N_RINGS
    while last > N_RINGS // 2:
        inner = glints[: last - 1].mean()
        spread = np.sqrt(max(inner, 1.0) * (1 + 1 / (last - 1)))
        if glints[last - 1] > inner - 2.0 * spread or glints[last - 1] > 0.8 * inner:
            break
        last -= 1
    return float(borders[last - 1]) if last < N_RINGS else float(order[-1])


def hidden_share(shot: Shot, size: Floats, line_size: Floats, limit: float) -> Floats:
    """Return for each point of a line how likely a line there is hidden by another.

    Lines closer than about `MERGED_PX` are seen as one. Their crowd depends on the needed tilt.
    """
    lines = shot.lines
    if not lines.n:
        return np.zeros(len(line_size))
    borders = np.quantile(size[size <= limit], np.linspace(0, 1, 13)[1:-1] ** 2)
    area = np.bincount(np.searchsorted(borders, size[size <= limit]), minlength=12) * GRID_PX**2
    ring = np.searchsorted(borders, line_size)
    length = np.bincount(ring, weights=lines.length_px, minlength=12)
    return np.minimum(MERGED_PX * length / np.maximum(area, 1), 0.5)[ring]
