"""Tell swirl, deep scratch, machine trail and haze apart."""

from dataclasses import dataclass
from enum import Enum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.imaging.highlight import Highlight
from defectscan.measurement.glint import Glint
from defectscan.measurement.lines import Lines

Floats = NDArray[Any]
Image = NDArray[Any]
Mask = NDArray[np.bool_]

LONG_RATIO = 3.0
OFF_RATIO = 2.5
LEAST_SCRATCH_PX = 45.0
BRIGHT_RATIO = 1.3
TRAIL_HALF_WIDTH_RAD = float(np.deg2rad(12.5))
TRAIL_SIGMA = 4.0
NARROW_SHARE = 0.75


class Kind(Enum):
    """Kinds of groove that a photo tells apart."""

    SWIRL = "swirl"
    DEEP_SCRATCH = "deep_scratch"
    MACHINE_TRAIL = "machine_trail"


def deep_scratches(lines: Lines, glint: Glint) -> Mask:
    """Return which lines are deep scratches, shape (n,).

    A fine groove glints only as far as the lamp reaches along it. A deep one with rounded or
    chipped lips shines well beyond, and often where no fine groove of its direction could.

    Parameters
    ----------
    lines
        Lines of one shot.
    glint
        The shot's geometry.
    """
    if not lines.n:
        return np.zeros(0, dtype=bool)
    length = lines.total(lines.length_px)
    tilt = glint.tilt(lines.xy_px)
    u = np.sum(tilt * lines.tangent, axis=-1)
    step = 2.0
    ahead = glint.tilt(lines.xy_px + step * lines.tangent)
    rate = np.abs(np.sum((ahead - tilt) * lines.tangent, axis=-1)) / step
    count = lines.total(np.ones(len(u)))
    expected = 2.5 * glint.reach_px / np.maximum(lines.total(rate) / count, 0.2)
    mean_off = lines.total(np.abs(u)) / count
    contrast = lines.total(lines.contrast) / count
    bright = contrast > BRIGHT_RATIO * np.median(contrast)
    long = (length > LONG_RATIO * expected) & bright
    off = (mean_off > OFF_RATIO * glint.reach_px) & bright
    return (long | off) & (length > LEAST_SCRATCH_PX)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trails:
    """Machine trails: a narrow crowd of one direction among the grooves.

    Attributes
    ----------
    direction_rad
        Of the crowd, 0 to pi from x towards y.
    share
        Share of the lines in `within` that are trails; 0 where there is no crowd.
    """

    direction_rad: float
    share: float

    def within(self, direction_rad: Floats) -> Mask:
        """Return which directions lie in the crowd."""
        apart = np.abs(np.mod(direction_rad - self.direction_rad + np.pi / 2, np.pi) - np.pi / 2)
        return apart <= TRAIL_HALF_WIDTH_RAD


def find_trails(direction_rad: Floats, share: Floats) -> Trails:
    """Look for machine trails among swirls.

    Washing leaves grooves in all directions, wiping favours one broadly. A machine drawn over
    the panel leaves them parallel within a few degrees.

    Parameters
    ----------
    direction_rad, share
        Shape (n,): direction of each line and what it adds to the density.
    """
    n_bins = 36
    bins = direction_sector(direction_rad, n_bins)
    count = np.bincount(bins, weights=(share > 0).astype(np.float64), minlength=n_bins)
    dense = np.bincount(bins, weights=share, minlength=n_bins)
    ring = np.arange(-2, 3)
    crowd = np.array([count[(k + ring) % n_bins].sum() for k in range(n_bins)])
    peak = int(np.argmax(crowd))
    near = (peak + ring) % n_bins
    wide = np.setdiff1d((peak + np.arange(-7, 8)) % n_bins, near)
    far = np.setdiff1d(np.arange(n_bins), np.union1d(near, wide))
    usual = float(count[far].mean()) * len(near)
    beside = float(count[wide].mean()) * len(near)
    excess = crowd[peak] - usual
    narrow = crowd[peak] - beside > NARROW_SHARE * excess
    clear = excess > TRAIL_SIGMA * np.sqrt(usual + 1) and excess > usual
    total = float(dense[near].sum())
    if not (narrow and clear and total > 0):
        return Trails(direction_rad=0.0, share=0.0)
    background = float(dense[far].mean()) * len(near)
    return Trails(
        direction_rad=(peak + 0.5) * np.pi / n_bins, share=max(1 - background / total, 0.0)
    )


def mean_direction(lines: Lines) -> Floats:
    """Return the mean direction of each line, shape (n,), 0 to pi from x towards y."""
    x, y = lines.tangent[:, 0], lines.tangent[:, 1]
    # Directions are axes: doubled angles have a mean.
    double = np.arctan2(lines.total(2 * x * y), lines.total(x**2 - y**2))
    return np.mod(double / 2, np.pi)


def direction_sector(direction_rad: Floats, n: int) -> NDArray[np.int64]:
    """Return which of n sectors of half a turn each direction lies in, shape (m,)."""
    turned = np.mod(direction_rad, np.pi) / np.pi
    return np.minimum((turned * n).astype(np.int64), n - 1)


def haze_glow(background: Image, zone: Mask, highlight: Highlight) -> Floats:
    """Return how much brighter the paint is near the highlight than far off, by eight sectors.

    Grooves too fine to resolve raise a smooth glow round the highlight. So do effect flakes and
    the lens: the value means something only beside that of the same panel in another state.

    Parameters
    ----------
    background
        Linear luminance without lines, shape (H, W).
    zone
        Where there is bare paint.
    highlight
        The lamp's mirror image.
    """
    step = 4
    part = (slice(None, None, step), slice(None, None, step))
    dx = np.arange(0, background.shape[1], step) - highlight.x_px
    dy = np.arange(0, background.shape[0], step) - highlight.y_px
    away = np.sqrt(dx**2 + dy[:, None] ** 2)
    paint, level = zone[part], background[part]
    near = paint & (away > 3 * highlight.bloom_px) & (away < 5 * highlight.bloom_px)
    far = paint & (away > 12 * highlight.bloom_px)
    if not (near.any() and far.any()):
        return np.zeros(0)
    base = float(np.median(level[far]))
    y, x = np.nonzero(near)
    sector = direction_sector(np.arctan2(dy[y], dx[x]) / 2, 8)
    values = [level[y, x][sector == k] for k in range(8)]
    return np.array([float(np.median(v)) / base - 1 for v in values if v.size > 20])
