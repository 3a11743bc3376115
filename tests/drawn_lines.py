"""Lines drawn by hand: as pictures of thin lines of light, and as what a perfect eye would trace.

Straight grooves are strewn evenly and in all directions; what a lamp shows of each is the part on
which |s·t| stays within the lamp's reach (`defectscan.measurement.glint` has the symbols).
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from defectscan.imaging.paint import background_luminance
from defectscan.measurement.glint import Glint
from defectscan.measurement.lines import Lines, trace_lines
from defectscan.measurement.ridges import find_ridges
from defectscan.measurement.window import Shot

Floats = NDArray[np.float64]
Image = NDArray[np.float32]
Mask = NDArray[np.bool_]
Segment = tuple[float, float, float, float]

SURE = 1e4  # evidence of lines that a perfect eye has traced


def draw_picture(
    shape: tuple[int, int],
    segments: Sequence[Segment] = (),
    *,
    contrast: float = 0.6,
    width_px: float = 0.9,
    level: float = 0.1,
    noise: float = 0.0,
    seed: int = 0,
) -> Image:
    """Draw the luminance of thin lines of light on even paint, through a Gaussian lens.

    `segments` are (x0, y0, x1, y1); `contrast` is that of a long line's middle, `width_px` the
    lens's standard deviation, `noise` relative to the paint.
    """
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float64)
    light = np.zeros(shape)
    for x0, y0, x1, y1 in segments:
        length = float(np.hypot(x1 - x0, y1 - y0))
        tx, ty = (x1 - x0) / length, (y1 - y0) / length
        along = (x - x0) * tx + (y - y0) * ty
        across = (y - y0) * tx - (x - x0) * ty
        root = np.sqrt(2) * width_px
        ends = (erf(along / root) - erf((along - length) / root)) / 2
        light += contrast * np.exp(-((across / root) ** 2)) * ends
    light += noise * np.random.default_rng(seed).standard_normal(shape)
    return (level * (1 + light)).astype(np.float32)


def segment(
    middle: tuple[float, float], length_px: float, angle_deg: float
) -> tuple[float, float, float, float]:
    """Return the ends of a segment; angles from x towards y."""
    angle = np.deg2rad(angle_deg)
    dx, dy = length_px / 2 * np.cos(angle), length_px / 2 * np.sin(angle)
    return middle[0] - dx, middle[1] - dy, middle[0] + dx, middle[1] + dy


def traced(picture: Image, *, measured: Mask | None = None) -> Lines:
    """Return the lines that the package finds in a picture."""
    if measured is None:
        measured = np.ones(picture.shape, dtype=bool)
    ridges = find_ridges(picture, background_luminance(picture), measured=measured)
    return trace_lines(ridges, measured=measured)


def straight_lines(segments: Sequence[Segment], *, contrast: float = 0.3) -> Lines:
    """Return segments as lines of points one pixel apart, at the middles of the pixels."""
    points, tangents, numbers = [np.zeros((0, 2))], [np.zeros((0, 2))], [np.zeros(0, np.int64)]
    for number, (x0, y0, x1, y1) in enumerate(segments):
        n = max(round(float(np.hypot(x1 - x0, y1 - y0))), 1)
        start, way = np.array([x0, y0]), np.array([x1 - x0, y1 - y0])
        points.append(start + (np.arange(n) + 0.5)[:, None] / n * way)
        tangents.append(np.tile(way / np.linalg.norm(way), (n, 1)))
        numbers.append(np.full(n, number))
    line = np.concatenate(numbers)
    return Lines(
        xy_px=np.concatenate(points),
        tangent=np.concatenate(tangents),
        length_px=np.ones(len(line)),
        contrast=np.full(len(line), contrast),
        line=line,
        evidence=np.full(len(segments), SURE),
    )


def no_lines() -> Lines:
    return straight_lines([])


def lit_grooves(
    rng: np.random.Generator,
    glint: Glint,
    *,
    zone: Mask,
    density_per_px: float,
    length_px: float = 150.0,
    angle_deg: tuple[float, float] = (0.0, 180.0),
) -> Lines:
    """Strew straight grooves over a frame and round it, and return what the lamp shows of them.

    `density_per_px` is the length of groove per area that is expected; the number of grooves is
    Poisson's. Only what lies in the zone is returned.
    """
    height, width = zone.shape
    extent = np.array([width, height]) + length_px
    n = rng.poisson(density_per_px * extent.prod() / length_px)
    middle = rng.random((n, 2)) * extent - length_px / 2
    angle = np.deg2rad(rng.uniform(*angle_deg, n))
    tangent = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    along = np.arange(length_px) - (length_px - 1) / 2
    points = (middle[:, None] + along[:, None] * tangent[:, None]).reshape(-1, 2)
    tangents = np.repeat(tangent, len(along), axis=0)
    groove = np.repeat(np.arange(n), len(along))
    x, y = np.round(points).astype(np.int64).T
    seen = (x >= 0) & (y >= 0) & (x < width) & (y < height)
    seen[seen] = zone[y[seen], x[seen]]
    across = np.abs(np.sum(glint.tilt(points[seen]) * tangents[seen], axis=-1))
    seen[seen] = across <= glint.reach_px
    kept = np.flatnonzero(seen)
    fresh = (np.diff(kept, prepend=-2) != 1) | (np.diff(groove[kept], prepend=-1) != 0)
    line = np.cumsum(fresh) - 1
    n_lines = int(fresh.sum())
    return Lines(
        xy_px=points[kept],
        tangent=tangents[kept],
        length_px=np.ones(len(kept)),
        contrast=np.full(len(kept), 0.3),
        line=line,
        evidence=np.full(n_lines, SURE),
    )


def ring_zone(shape: tuple[int, int], centre_px: Floats, *, least_px: float) -> Mask:
    """Return the frame without a disc round the highlight."""
    y, x = np.ogrid[: shape[0], : shape[1]]
    away: Mask = np.hypot(x - centre_px[0], y - centre_px[1]) > least_px
    return away


def shot_of(lines: Lines, zone: Mask, glint: Glint, *, mm_per_px: float | None = None) -> Shot:
    return Shot(lines=lines, zone=zone, glint=glint, mm_per_px=mm_per_px)


def turned(lines: Lines, width_px: int) -> Lines:
    """Return lines as they lie in the frame after a quarter turn (`np.rot90`)."""
    x, y = lines.xy_px.T
    tx, ty = lines.tangent.T
    return Lines(
        xy_px=np.stack([y, width_px - 1 - x], axis=-1),
        tangent=np.stack([ty, -tx], axis=-1),
        length_px=lines.length_px,
        contrast=lines.contrast,
        line=lines.line,
        evidence=lines.evidence,
    )
