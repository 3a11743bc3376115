"""Find the lamp's mirror image in the clear coat."""

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

LEAST_RADIUS_PX = 3.0
LEAST_ROUNDNESS = 0.7
# A disc or an ellipse overlaps its own by more than a rectangle does (0.88).
ROUND = 0.93
MOST_ELONGATION = 3.0
RIVAL_AREA_SHARE = 0.2
CLEAR_AREA_SHARE = 0.02
CLEAR_RADIUS_PX = 7.0
STANDS_OUT = 6.0
# A blown-out spot stays flat to its rim when the photo is darkened; a hump of light is not.
DIM_FROM = 0.9
FLAT_FROM = 0.97
LEAST_FLAT_SHARE = 0.7
WHITE = 0.9
LEAST_GLOW = 1.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Highlight:
    """The lamp's mirror image, in working pixels.

    Attributes
    ----------
    x_px, y_px
        Its middle.
    radius_px
        Of the disc of the same area as the blown-out spot.
    bloom_px
        Radius inside which nothing can be measured.
    area_px
        Area of the blown-out spot.
    cut
        Whether the frame cuts it.
    box_px
        Left, top, right and bottom of the spot; ``None`` where it is not seen, as below tape.
    """

    x_px: float
    y_px: float
    radius_px: float
    bloom_px: float
    area_px: int
    cut: bool
    box_px: tuple[float, float, float, float] | None = None

    @property
    def reach_px(self) -> tuple[float, float, float, float]:
        """Give left, top, right and bottom of the spot, or of the disc where it is not seen."""
        x, y, radius = self.x_px, self.y_px, self.radius_px
        return self.box_px or (x - radius, y - radius, x + radius, y + radius)


def find_highlights(luminance: Image, clipped: Mask) -> tuple[Highlight, ...]:
    """Find round, blown-out spots, the largest first.

    Thin bright lines are taken off first; spots that are much smaller than the largest are
    specks or flakes and left out. An empty tuple is an empty result.

    Parameters
    ----------
    luminance
        Linear luminance, shape (H, W).
    clipped
        Where the sensor was full, same shape.
    """
    bright, full, dim = clipped & (luminance > WHITE), 1.0, False
    if bright.sum() < np.pi * LEAST_RADIUS_PX**2:
        # Exposed for the highlight itself: it is then merely the brightest spot by far. Where it
        # is not, as in a photo darkened since, only what is flat, round and glows will do.
        full = float(luminance.max())
        dim = full < STANDS_OUT * float(np.median(luminance))
        bright = luminance > (DIM_FROM if dim else 0.5) * full
    found: list[Highlight] = []
    clear: list[Highlight] = []
    for (left, top_row), inside, (x, y) in _spots(bright):
        (height, width), area = inside.shape, int(inside.sum())
        radius = float(np.sqrt(area / np.pi))
        roundness = _roundness(inside)
        if roundness < LEAST_ROUNDNESS:
            continue
        own = luminance[top_row : top_row + height, left : left + width][inside]
        if dim and np.mean(own > FLAT_FROM * full) < LEAST_FLAT_SHARE:
            continue
        glows = _glow(luminance, x, y, radius) >= LEAST_GLOW
        if not (roundness >= ROUND or glows):
            continue
        rows, columns = luminance.shape
        right, bottom = left + width - 1, top_row + height - 1
        cut = left <= 1 or top_row <= 1 or right >= columns - 2 or bottom >= rows - 2
        spot = Highlight(
            x_px=x, y_px=y, radius_px=radius, area_px=area, cut=cut,
            bloom_px=_bloom_px(luminance, x, y, radius, fallen=0.6 * full),
            box_px=(left, top_row, right, bottom),
        )  # fmt: skip
        found.append(spot)
        if roundness >= ROUND and glows:
            clear.append(spot)
    found.sort(key=lambda spot: -spot.area_px)
    # Blown-out tape in a lamp's glow seems to glow itself; beside a clear highlight it is none.
    clear = [
        spot
        for spot in clear
        if spot.radius_px >= CLEAR_RADIUS_PX or spot.area_px >= CLEAR_AREA_SHARE * found[0].area_px
    ]
    found = sorted(clear, key=lambda spot: -spot.area_px) or ([] if dim else found)
    return tuple(s for s in found if s.area_px >= RIVAL_AREA_SHARE * found[0].area_px)


def _spots(bright: Mask) -> Iterator[tuple[tuple[int, int], Mask, tuple[float, float]]]:
    """Give left and top of each spot that is no thin line, its pixels from there, its middle."""
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7))
    # Little of a picture is bright: with a rim for the disc, the rest need not be gone through.
    x, y, n_columns, n_rows = cv2.boundingRect(bright.view(np.uint8))
    from_x, from_y = max(x - 8, 0), max(y - 8, 0)
    part = bright.view(np.uint8)[from_y : y + n_rows + 8, from_x : x + n_columns + 8]
    opened = cv2.morphologyEx(part, cv2.MORPH_OPEN, disc)
    n, label, stats, middles = cv2.connectedComponentsWithStats(opened, connectivity=8)
    for number in range(1, n):
        left, top, width, height, area = (int(v) for v in stats[number])
        if area < np.pi * LEAST_RADIUS_PX**2:
            continue
        inside = label[top : top + height, left : left + width] == number
        x_px, y_px = (float(v) for v in middles[number] + (from_x, from_y))
        yield (left + from_x, top + from_y), inside, (x_px, y_px)


def _roundness(inside: Mask) -> float:
    """Return the overlap over union of a spot with the ellipse of its moments; 0 if too long."""
    y, x = np.nonzero(inside)
    off = np.stack([x - x.mean(), y - y.mean()])
    moments = off @ off.T / len(x) + np.eye(2) / 12
    values = np.linalg.eigvalsh(moments)
    if values[1] / values[0] > MOST_ELONGATION**2:
        return 0.0
    yy, xx = np.mgrid[-2 : inside.shape[0] + 2, -2 : inside.shape[1] + 2]
    grid = np.stack([xx - x.mean(), yy - y.mean()])
    ellipse = np.einsum("iyx,ij,jyx->yx", grid, np.linalg.inv(moments), grid) <= 4
    common = float((ellipse & np.pad(inside, 2)).sum())
    return common / (float(ellipse.sum()) + len(x) - common)


def _glow(luminance: Image, x: float, y: float, radius: float) -> float:
    """Return how much brighter it is close round a spot than further out.

    A lamp's image is far brighter than the sensor can show and glows beyond its rim; white
    tape or paper does not.
    """
    ring, part = _rings(luminance, x, y, 3 * radius + 8)
    near = part[(ring > radius + 2) & (ring < 1.3 * radius + 5)]
    far = part[(ring > 2.2 * radius + 4) & (ring < 3 * radius + 8)]
    if not (near.size and far.size):
        return 0.0
    return float(np.median(near)) / max(float(np.median(far)), 1e-4)


def _rings(luminance: Image, x: float, y: float, reach: float) -> tuple[Image, Image]:
    """Return the distances from (x, y) and the luminance in a square window round it."""
    left, top = max(int(x - reach), 0), max(int(y - reach), 0)
    part = luminance[top : int(y + reach) + 1, left : int(x + reach) + 1]
    off_x = np.arange(left, left + part.shape[1], dtype=np.float32) - np.float32(x)
    off_y = np.arange(top, top + part.shape[0], dtype=np.float32) - np.float32(y)
    # Ten times as quick as hypot.
    return np.sqrt(off_x**2 + off_y[:, None] ** 2), part


def _bloom_px(luminance: Image, x: float, y: float, radius: float, *, fallen: float) -> float:
    """Return where the median round the highlight has fallen well below its own."""
    reach = int(8 * radius + 20)
    ring, part = _rings(luminance, x, y, reach)
    for r in range(int(radius), reach - 2, 2):
        on_ring = part[(ring >= r) & (ring < r + 2)]
        if on_ring.size and float(np.median(on_ring)) < fallen:
            return max(float(r), 1.3 * radius)
    return float(reach)
