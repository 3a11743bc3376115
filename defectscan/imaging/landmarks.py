"""What is fixed to a panel in a shot: edges of things on or round it, and specks."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

SHRINK = 4

_SMOOTHING_PX = 1.0
_MARGIN_PX = 40  # the glare's own border must not pass for an edge
_EDGE_CONTRAST = 0.02
_EDGE_LENGTH_PX = 48
_EDGE_SHARPNESS = 0.5
_MAX_EDGES = 1500
_SPECK_NOISE = 6.0
_SPECK_ROUNDNESS = 0.5
_SPECK_BORDER_PX = 8
_SPECK_CELLS = (6, 8)
_SPECKS_PER_CELL = 6
_MAX_SPECKS = 160


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Landmarks:
    """What a shot shows that is fixed to the panel.

    Parameters
    ----------
    smooth
        Linear luminance, slightly smoothed, shape (H, W).
    small
        Square root of luminance at 1/`SHRINK` size, without lines of light.
    hidden
        Where `small` must not be used, same shape.
    step
        Relative gradient of `small`, shape (..., 2), zero where hidden.
    edge_xy_px, edge_normal
        Points on edges, the strongest first, and unit vectors towards the brighter side,
        both shape (n, 2).
    speck_xy_px
        Middles of specks, the clearest first, shape (m, 2).
    speck_is_bright
        Whether each is brighter than the paint round it, shape (m,).
    """

    smooth: Image
    small: Image
    hidden: Mask
    step: Image
    edge_xy_px: Floats
    edge_normal: Floats
    speck_xy_px: Floats
    speck_is_bright: Mask

    @property
    def width_px(self) -> int:
        """Give the shot's width."""
        return int(self.smooth.shape[1])

    @property
    def height_px(self) -> int:
        """Give the shot's height."""
        return int(self.smooth.shape[0])

    @property
    def half_px(self) -> float:
        """Give half the longer side: the unit in which motion is described."""
        return max(self.width_px, self.height_px) / 2

    @property
    def middle_px(self) -> Floats:
        """Give the shot's middle, shape (2,)."""
        return np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])

    def to_unit(self, xy_px: Floats) -> Floats:
        """Convert pixels to units of half the longer side from the shot's middle."""
        return (xy_px - self.middle_px) / self.half_px

    def to_px(self, xy: Floats) -> Floats:
        """Convert those units to pixels."""
        return xy * self.half_px + self.middle_px


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShotPair:
    """Two shots of a panel.

    Parameters
    ----------
    before, after
        What each shows that is fixed to the panel.
    """

    before: Landmarks
    after: Landmarks


def find_landmarks(luminance: Image, *, ignored: Mask, lines: Mask | None = None) -> Landmarks:
    """Find what is fixed to the panel.

    Edges are long, sharp steps of light, sought at coarse scale, where lines of light are gone.
    Specks are round spots of the size of the sharpness: dust, flakes, corners.

    Parameters
    ----------
    luminance
        Linear luminance, shape (H, W).
    ignored
        The highlight with its bloom, shape (H, W).
    lines
        Lines of light that move with the lamp; no speck is taken there.
    """
    height_px, width_px = luminance.shape
    size = max(width_px // SHRINK, 1), max(height_px // SHRINK, 1)
    whole = slice(size[1] * SHRINK), slice(size[0] * SHRINK)
    encoded = np.sqrt(
        np.maximum(cv2.resize(luminance[whole], size, interpolation=cv2.INTER_AREA), 0)
    )
    thinned = cv2.morphologyEx(encoded, cv2.MORPH_OPEN, np.ones((3, 3)))
    small = np.asarray(cv2.medianBlur(thinned, 5), dtype=np.float32)
    covered = cv2.resize(ignored[whole].astype(np.float32), size, interpolation=cv2.INTER_AREA)
    reach = 2 * (_MARGIN_PX // SHRINK) + 1
    hidden = cv2.dilate(covered, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))) > 0
    slope, step = _steps(small, hidden)
    smooth = np.asarray(cv2.GaussianBlur(luminance, (0, 0), _SMOOTHING_PX), dtype=np.float32)
    edge_xy, normal = _edges(slope, step, smooth)
    speck_xy, is_bright = _specks(smooth, ignored if lines is None else ignored | lines)
    return Landmarks(
        smooth=smooth,
        small=small,
        hidden=hidden,
        step=step,
        edge_xy_px=edge_xy,
        edge_normal=normal,
        speck_xy_px=speck_xy,
        speck_is_bright=is_bright,
    )


def _steps(small: Image, hidden: Mask) -> tuple[Image, Image]:
    """Return the length of the gradient, and the gradient relative to the light, zero if hidden."""
    soft = cv2.GaussianBlur(small, (0, 0), 1.0)
    step: Image = np.stack(
        [
            cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=1 / 8),
            cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=1 / 8),
        ],
        axis=-1,
    ).astype(np.float32)
    slope = np.asarray(np.hypot(step[..., 0], step[..., 1]), dtype=np.float32)
    step /= np.maximum(soft, 0.02)[..., None]
    step[hidden] = 0
    for border in (slice(0, 3), slice(-3, None)):
        step[border] = 0
        step[:, border] = 0
    return slope, step


def _edges(slope: Image, step: Image, smooth: Image) -> tuple[Floats, Floats]:
    """Find the crests of the gradient, long and sharp ones only, thinned to every other one."""
    height = np.hypot(step[..., 0], step[..., 1])
    y, x = np.nonzero(height > _EDGE_CONTRAST)
    if not len(y):
        return np.empty((0, 2)), np.empty((0, 2))
    normal = step[y, x] / height[y, x, None]
    crest = np.ones(len(y), dtype=bool)
    for side in (1, -1):
        crest &= slope[y, x] >= _at(slope, np.stack([x, y], axis=-1) + side * normal)
    y, x, normal = y[crest], x[crest], normal[crest]
    drawn = np.zeros(height.shape, dtype=np.uint8)
    drawn[y, x] = 1
    _, piece, stats, _ = cv2.connectedComponentsWithStats(cv2.dilate(drawn, np.ones((3, 3))))
    extent = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    kept = (extent * SHRINK >= _EDGE_LENGTH_PX)[piece[y, x]]
    y, x, normal = y[kept], x[kept], normal[kept]
    order = np.argsort(-height[y, x], kind="stable")
    _, first = np.unique((y[order] // 2) * height.shape[1] + x[order] // 2, return_index=True)
    order = order[np.sort(first)][:_MAX_EDGES]
    xy = np.stack([x, y], axis=-1)[order] * float(SHRINK) + (SHRINK - 1) / 2
    normal = normal[order].astype(np.float64)
    # A lamp's glow is a wide slope, whatever its height.
    across = np.arange(-10, 11.0)
    profile = _at(smooth, xy[:, None] + across[:, None] * normal[:, None])
    rise = (profile[:, 5:] - profile[:, :-5]).max(axis=1)
    sharp = rise > _EDGE_SHARPNESS * np.ptp(profile, axis=1)
    return xy[sharp], normal[sharp]


def _at(image: Image, xy: Floats) -> Image:
    """Sample an image between its pixels."""
    if not xy.size:
        return np.empty(xy.shape[:-1], dtype=np.float32)
    x, y = (np.atleast_2d(part).astype(np.float32) for part in (xy[..., 0], xy[..., 1]))
    values = cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(values, dtype=np.float32).reshape(xy.shape[:-1])


def _specks(smooth: Image, ignored: Mask) -> tuple[Floats, Mask]:
    """Find round spots well above the noise, spread over the shot."""
    wide = cv2.GaussianBlur(smooth, (0, 0), 2.3)
    spot = (smooth - wide) / np.sqrt(wide + 1e-3)  # noise grows with the root of the light
    sparse = np.abs(spot[::SHRINK, ::SHRINK])
    usual = float(np.median(sparse))
    noise = 1.25 * cv2.blur(np.minimum(sparse, 3 * usual), (31, 31)) + 1e-9
    height = np.abs(spot)
    top = (height > 3 * usual) & (height >= cv2.dilate(height, np.ones((9, 9)))) & ~ignored
    for border in (slice(0, _SPECK_BORDER_PX), slice(-_SPECK_BORDER_PX, None)):
        top[border] = False
        top[:, border] = False
    y, x = np.nonzero(top)
    clear = height[y, x] / noise[y // SHRINK, x // SHRINK]
    kept = clear > _SPECK_NOISE
    y, x, clear = y[kept], x[kept], clear[kept]
    near = np.array(
        [[spot[y + down, x + right] for right in (-1, 0, 1)] for down in (-1, 0, 1)],
        dtype=np.float64,
    ).reshape(3, 3, len(y))
    middle = near[1, 1]
    xx = near[1, 2] + near[1, 0] - 2 * middle
    yy = near[2, 1] + near[0, 1] - 2 * middle
    xy = (near[2, 2] + near[0, 0] - near[2, 0] - near[0, 2]) / 4
    mean, spread = np.abs(xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    kept = mean - spread > _SPECK_ROUNDNESS * (mean + spread)
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = np.stack([near[1, 0] - near[1, 2], near[0, 1] - near[2, 1]], axis=-1) / (
            2 * np.stack([xx, yy], axis=-1)
        )
    places = np.stack([x, y], axis=-1) + np.clip(shift, -0.6, 0.6)
    order = np.flatnonzero(kept)[np.argsort(-clear[kept], kind="stable")]
    down, right = _SPECK_CELLS
    cell = (y * down // smooth.shape[0]) * right + x * right // smooth.shape[1]
    order = order[_rank_within(cell[order]) < _SPECKS_PER_CELL][:_MAX_SPECKS]
    return places[order], middle[order] > 0


def _rank_within(group: NDArray[np.int64]) -> NDArray[np.int64]:
    """Give each entry's rank among those of its group, in their order."""
    together = np.argsort(group, kind="stable")
    _, first, count = np.unique(group[together], return_index=True, return_counts=True)
    rank = np.empty(len(group), dtype=np.int64)
    rank[together] = np.arange(len(group)) - np.repeat(first, count)
    return rank
