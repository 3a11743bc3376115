"""Find the line between the two halves of a panel: a straight strip of tape across the photo."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[Any]
Image = NDArray[Any]
Mask = NDArray[np.bool_]

COARSE, FINE = 8, 4
# Of log2 of lightness or colour, per pixel of the reduced picture.
LEAST_SLOPE = 0.04
SLOPE_NOISE = 4.0
# Share of its way through the picture along which a strip shows its edge.
EDGE_SHARE = 0.5
LEAST_CHORD = 0.5
MOST_SLOPE = 3.0
# Half the width round an edge in which it is fitted, round by round, in reduced pixels.
EDGE_WINDOWS = (6.0, 4.0, 3.0, 2.0)
LEAST_HALF = 0.08
MOST_WIDTH = 0.3
NEAR_DEG = 4.0
# Around a strip: its soft edge, and what the median filters of the background reach.
SOFT_PX = 8.0
REACH_PX = 24.0
MARGIN_PX = 16.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SplitLine:
    """A straight line across a photo, with the tape that lies along it.

    Attributes
    ----------
    point_px
        Shape (2,): a point on its middle.
    direction
        Shape (2,): unit vector along it.
    width_px
        Of the tape; 0 for a line without any.
    """

    point_px: Floats
    direction: Floats
    width_px: float = 0.0

    @classmethod
    def through(cls, first_px: Floats, second_px: Floats) -> "SplitLine":
        """Return the line without tape through two different points, shape (2,) each."""
        along = np.asarray(second_px, dtype=np.float64) - first_px
        return cls(point_px=np.asarray(first_px), direction=along / np.linalg.norm(along))

    @property
    def halves(self) -> tuple[str, str]:
        """What the halves are called: the one with negative `across` first."""
        upright = abs(self.direction[1]) >= abs(self.direction[0])
        return ("left", "right") if upright else ("above", "below")

    @property
    def normal(self) -> Floats:
        """Unit vector across, to the right or down, shape (2,)."""
        normal = np.array([-self.direction[1], self.direction[0]])
        return normal if normal[0 if self.halves[0] == "left" else 1] > 0 else -normal

    def across(self, xy_px: Floats) -> Floats:
        """Return the signed distance from the middle, shape (...), of points (..., 2)."""
        return np.asarray((xy_px - self.point_px) @ self.normal)

    def across_picture(self, shape: tuple[int, ...]) -> Floats:
        """Return the signed distance of each pixel of a picture, shape (H, W), float32."""
        y, x = np.ogrid[: shape[0], : shape[1]]
        off = (x - self.point_px[0]) * self.normal[0] + (y - self.point_px[1]) * self.normal[1]
        return np.asarray(off, dtype=np.float32)

    def chord(self, shape: tuple[int, ...]) -> Floats | None:
        """Return where the line enters and leaves a picture, shape (2, 2); `None` if it misses."""
        low, high = -np.inf, np.inf
        for start, step, size in zip(self.point_px, self.direction, shape[1::-1], strict=True):
            if abs(step) < 1e-12:
                if not 0 <= start <= size - 1:
                    return None
                continue
            near, far = sorted(((0 - start) / step, (size - 1 - start) / step))
            low, high = max(low, near), min(high, far)
        if not low < high:
            return None
        return self.point_px + np.array([[low], [high]]) * self.direction


def find_line(rgb: NDArray[np.uint8], *, near: SplitLine | None = None) -> SplitLine | None:
    """Find the strip of tape that parts a photo.

    Both edges of a strip are straight steps of lightness or colour, the one up and the other
    down, along most of the way through the picture. Where there are several strips, the one
    with clear edges that halves the picture best is taken.

    Parameters
    ----------
    rgb
        The photo, sRGB, shape (H, W, 3).
    near
        A line along which to look; `None` looks everywhere.

    Returns
    -------
    SplitLine or None
        `None` where there is no strip.
    """
    angles = np.arange(0.0, 180.0, 2.0)
    if near is not None:
        own = float(np.rad2deg(np.arctan2(near.direction[1], near.direction[0])))
        angles = own + np.arange(-NEAR_DEG, NEAR_DEG + 1, 2.0)
    coarse = _best(rgb, angles, near)
    return None if coarse is None else _refined(rgb, coarse)


def mended(image: Image, line: SplitLine) -> Image:
    """Return a picture with the tape painted over by what lies on both sides of it.

    Parameters
    ----------
    image
        Shape (H, W) or (H, W, 3), uint8 or float32.
    line
        With its tape; without any, the picture is returned as it is.
    """
    if line.width_px == 0:
        return image
    height, width = image.shape[:2]
    size = -(-width // COARSE), -(-height // COARSE)
    smooth = cv2.medianBlur(cv2.resize(image, size, interpolation=cv2.INTER_AREA), 5)
    off = line.across_picture(image.shape)
    half = line.width_px / 2
    y, x = np.nonzero(np.abs(off) <= half + SOFT_PX)
    if not len(x):
        return image
    here = off[y, x]
    reach = half + REACH_PX
    sides = []
    for side in (-reach, reach):
        at = (np.stack([x, y], axis=-1) + (side - here)[:, None] * line.normal + 0.5) / COARSE - 0.5
        column = np.clip(np.round(at[:, 0]).astype(np.int64), 0, size[0] - 1)
        row = np.clip(np.round(at[:, 1]).astype(np.int64), 0, size[1] - 1)
        sides.append(smooth[row, column].astype(np.float32))
    share = np.clip((here + reach) / (2 * reach), 0, 1)
    if image.ndim > 2:
        share = share[:, None]
    result: Image = image.copy()
    result[y, x] = ((1 - share) * sides[0] + share * sides[1]).astype(image.dtype)
    return result


def _refined(rgb: NDArray[np.uint8], coarse: SplitLine) -> SplitLine:
    """Return a strip with lines fitted to both its edges, which share one direction."""
    planes = _slopes(rgb, FINE)
    height, width = planes[0][0].shape
    y, x = np.mgrid[:height, :width].astype(np.float32)
    away = np.stack([x, y], axis=-1) * FINE + (FINE - 1) / 2 - coarse.point_px
    along, across = away @ coarse.direction, away @ coarse.normal
    signed = [a * coarse.normal[0] + b * coarse.normal[1] for a, b in planes]
    half = coarse.width_px / 2
    edges = [np.abs(across - side) < FINE * EDGE_WINDOWS[0] for side in (-half, half)]
    rise = [[float(plane[edge].mean()) for edge in edges] for plane in signed]
    best = max(range(len(rise)), key=lambda k: -rise[k][0] * rise[k][1])
    fits = []
    for number, side in enumerate((-half, half)):
        start, tilt = side, 0.0
        weight = np.clip(signed[best] * np.sign(rise[best][number]), 0, MOST_SLOPE)
        for window in EDGE_WINDOWS:
            near = np.abs(across - start - tilt * along) < FINE * window
            w, s, d = weight[near], along[near], across[near]
            if w.sum() <= 0:
                break
            mean_s, mean_d = np.average(s, weights=w), np.average(d, weights=w)
            spread = np.average((s - mean_s) ** 2, weights=w)
            tilt = float(np.average((s - mean_s) * (d - mean_d), weights=w) / max(spread, 1.0))
            start = float(mean_d - tilt * mean_s)
        fits.append((start, tilt))
    tilt = (fits[0][1] + fits[1][1]) / 2
    direction = coarse.direction + tilt * coarse.normal
    return SplitLine(
        point_px=coarse.point_px + (fits[0][0] + fits[1][0]) / 2 * coarse.normal,
        direction=direction / np.linalg.norm(direction),
        width_px=float((fits[1][0] - fits[0][0]) / np.hypot(1, tilt)),
    )


def _best(rgb: NDArray[np.uint8], angles_deg: Floats, near: SplitLine | None) -> SplitLine | None:
    """Return the best strip in the reduced picture, in directions given."""
    planes = _slopes(rgb, COARSE)
    height, width = planes[0][0].shape
    y, x = np.mgrid[:height, :width].astype(np.float64)
    best, found = 0.0, None
    for angle in np.deg2rad(angles_deg):
        along = np.array([np.cos(angle), np.sin(angle)])
        normal = np.array([-along[1], along[0]])
        place = x * normal[0] + y * normal[1]
        first = int(np.floor(place.min())) - 1
        number = (np.round(place) - first).astype(np.int64).ravel()
        count = np.bincount(number)
        crosses = count >= LEAST_CHORD * min(height, width)
        before = np.cumsum(count) / count.sum()
        for plane_x, plane_y in planes:
            slope = np.clip(plane_x * normal[0] + plane_y * normal[1], -1, 1).ravel()
            share = np.bincount(number, weights=slope) / np.maximum(count, 1)
            for one, two in _strips(np.where(crosses, share, 0.0)):
                halves = min(before[int(one)], 1 - before[int(two)])
                strip = SplitLine(
                    point_px=(((one + two) / 2 + first) * normal + 0.5) * COARSE - 0.5,
                    direction=along,
                    width_px=float((two - one) * COARSE),
                )
                clear = min(abs(share[round(one)]), abs(share[round(two)]))
                value = clear * np.sqrt(halves) if near is None else clear
                if two - one > MOST_WIDTH * min(height, width) or halves < LEAST_HALF:
                    continue
                if near is not None and not _lies_along(strip, near, rgb.shape):
                    continue
                if value > best:
                    best, found = value, strip
    return found


def _strips(share: Floats) -> Iterator[tuple[float, float]]:
    """Give places of neighbouring clear edges of opposite sign, from a profile across."""
    size = np.abs(share)
    peak = (size[1:-1] >= EDGE_SHARE) & (size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:])
    edges = np.flatnonzero(peak) + 1
    for one, two in pairwise(edges):
        if share[one] * share[two] < 0:
            yield _peak(size, int(one)), _peak(size, int(two))


def _peak(size: Floats, at: int) -> float:
    """Return the place of a peak between bins, as the middle of it and its neighbours."""
    near = size[at - 1 : at + 2]
    return at + float((near[2] - near[0]) / near.sum())


def _lies_along(strip: SplitLine, line: SplitLine, shape: tuple[int, ...]) -> bool:
    """Tell whether a strip covers a line within the picture, but for a hundredth of its width."""
    chord = line.chord(shape)
    if chord is None:
        return False
    allowed = strip.width_px / 2 + 0.01 * max(shape)
    return bool(np.all(np.abs(strip.across(chord)) <= allowed))


def _slopes(rgb: NDArray[np.uint8], shrink: int) -> list[tuple[Image, Image]]:
    """Return slopes of lightness and colour along x and y, in units of a clear edge's."""
    height, width = rgb.shape[:2]
    size = -(-width // shrink), -(-height // shrink)
    smooth = cv2.medianBlur(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), 5)
    log = np.log2(cv2.GaussianBlur(smooth.astype(np.float32), (0, 0), 1.0) + 4)
    grey = log.mean(axis=-1)
    planes = []
    for channel in (grey, *cv2.split(log - grey[..., None])):
        plane = np.ascontiguousarray(channel)
        x = cv2.Sobel(plane, cv2.CV_32F, 1, 0) / 8
        y = cv2.Sobel(plane, cv2.CV_32F, 0, 1) / 8
        noise = 1.4826 * float(np.median(np.hypot(x, y)))
        unit = max(LEAST_SLOPE, SLOPE_NOISE * noise)
        planes.append((x / unit, y / unit))
    return planes
