"""Crests of ridges, linked to chains, each with its bend; gaps bridged."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.measurement.neighbours import connected, pairs_within
from defectscan.measurement.ridges import N_DIRECTIONS, Ridges

Floats = NDArray[Any]
Image = NDArray[Any]
Mask = NDArray[np.bool_]

FOLLOW_SIGMA = 2.8
SKIRT = 0.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chains:
    """Crests that hang together, before anything is said of how far they are lit.

    Attributes
    ----------
    points
        Shape (m, 2), working pixels.
    value
        Shape (m,): strength of each.
    label
        Shape (m,): which chain it belongs to, from 0 on.
    """

    points: Floats
    value: Floats
    label: NDArray[np.int64]

    @property
    def n(self) -> int:
        """How many chains there are."""
        return int(self.label.max()) + 1 if len(self.label) else 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bends:
    """A parabola in each chain's own frame: across = c0 + c1 along + c2 along²."""

    middle: Floats
    axis: Floats
    coefficients: Floats
    low: Floats
    high: Floats
    residual: Floats

    def at(self, line: NDArray[np.int64], along: Floats) -> tuple[Floats, Floats]:
        """Return points and unit tangents of lines at distances along their axes."""
        c0, c1, c2 = self.coefficients[line].T
        axis = self.axis[line]
        normal = np.stack([-axis[:, 1], axis[:, 0]], axis=-1)
        across = c0 + c1 * along + c2 * along**2
        points = self.middle[line] + along[:, None] * axis + across[:, None] * normal
        tangent = axis + (c1 + 2 * c2 * along)[:, None] * normal
        return points, tangent / np.linalg.norm(tangent, axis=-1, keepdims=True)


def find_crests(
    ridges: Ridges, measured: Mask
) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats, Floats]:
    """Return pixels that top their neighbours across, the crest's offset, and its direction."""
    # A bright line's skirts are crests too, in other directions: they are no lines.
    brightest = cv2.dilate(ridges.contrast, np.ones((9, 9), dtype=np.uint8))
    least = np.maximum(FOLLOW_SIGMA * ridges.noise, SKIRT * brightest)
    candidate = (ridges.contrast > least) & measured
    candidate[:2] = candidate[-2:] = candidate[:, :2] = candidate[:, -2:] = False
    y, x = np.divmod(np.flatnonzero(candidate), candidate.shape[1])
    angle = np.pi * ridges.direction[y, x].astype(np.float64) / N_DIRECTIONS
    dx, dy = -np.sin(angle), np.cos(angle)
    middle = ridges.contrast[y, x].astype(np.float64)
    ahead = read_between(ridges.contrast, x + dx, y + dy)
    behind = read_between(ridges.contrast, x - dx, y - dy)
    crest = (middle >= ahead) & (middle > behind)
    bend = ahead + behind - 2 * middle
    offset = np.clip(0.5 * (behind - ahead) / np.minimum(bend, -1e-12), -0.7, 0.7)
    return y[crest], x[crest], offset[crest], angle[crest]


def read_between(image: Image, x: Floats, y: Floats) -> Floats:
    """Return an image's values between pixels, by bilinear interpolation."""
    left, top = np.floor(x).astype(np.int64), np.floor(y).astype(np.int64)
    fx, fy = x - left, y - top
    width = image.shape[1]
    flat, at = image.ravel(), top * width + left
    upper = flat[at] * (1 - fx) + flat[at + 1] * fx
    lower = flat[at + width] * (1 - fx) + flat[at + width + 1] * fx
    return upper * (1 - fy) + lower * fy


def link_crests(
    shape: tuple[int, ...], y: NDArray[np.int64], x: NDArray[np.int64], angle: Floats
) -> tuple[NDArray[np.int64], int]:
    """Label crests that touch (or leave one pixel out) and run in about the same direction."""
    index = np.full(shape, -1, dtype=np.int64)
    index[y, x] = np.arange(len(y))
    first, second = [], []
    for dy, dx in ((0, 1), (1, -1), (1, 0), (1, 1), (0, 2), (1, -2), (1, 2), (2, -2), (2, -1),
                   (2, 0), (2, 1), (2, 2)):  # fmt: skip
        inside = (y + dy < shape[0]) & (x + dx < shape[1]) & (x + dx >= 0)
        here = np.flatnonzero(inside)
        there = index[y[here] + dy, x[here] + dx]
        here, there = here[there >= 0], there[there >= 0]
        apart = np.abs(angle[here] - angle[there])
        apart = np.minimum(apart, np.pi - apart)
        step = np.arctan2(dy, dx)
        off_line = np.abs(np.sin(step - angle[here])) * np.hypot(dx, dy)
        agree = (apart < 1.6 * np.pi / N_DIRECTIONS) & (off_line < 1.3)
        first.append(here[agree])
        second.append(there[agree])
    label = connected(len(y), np.concatenate(first), np.concatenate(second))
    return label, int(label.max(initial=-1)) + 1


def fit_bends(chains: Chains) -> Bends:
    """Fit a parabola to each chain, a straight line to short ones, in its principal frame."""
    n, label, value = chains.n, chains.label, chains.value
    # A crest counts by its strength, or the skirts of bright lines would bend the fit.
    value = value / np.bincount(label, weights=value, minlength=n)[label]

    def total(part: Floats) -> Floats:
        # Without any chain numpy counts in whole numbers.
        return np.bincount(label, weights=part * value, minlength=n).astype(np.float64)

    middle = np.stack([total(chains.points[:, k]) for k in (0, 1)], axis=-1)
    off = chains.points - middle[label]
    xx, yy, xy = (total(p) for p in (off[:, 0] ** 2, off[:, 1] ** 2, off[:, 0] * off[:, 1]))
    angle = 0.5 * np.arctan2(2 * xy, xx - yy)
    axis = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    along = np.sum(off * axis[label], axis=-1)
    across = off[:, 1] * axis[label, 0] - off[:, 0] * axis[label, 1]
    low, high = np.full(n, np.inf), np.full(n, -np.inf)
    np.minimum.at(low, label, along)
    np.maximum.at(high, label, along)
    scale = np.maximum((high - low) / 2, 1.0)
    t = along / scale[label]
    power = [total(t**k) for k in range(5)]
    right = np.stack([total(across * t**k) for k in range(3)], axis=-1)
    normal = np.stack(
        [np.stack([power[i + j] for j in range(3)], axis=-1) for i in range(3)], axis=-2
    )
    # A short chain cannot tell a bend from noise: hold its bend at nothing.
    short = (high - low) < 25
    normal[short, 2, 2] += 1e6
    normal[:, [0, 1, 2], [0, 1, 2]] += 1e-9
    coefficients = np.linalg.solve(normal, right[..., None])[..., 0] if n else np.zeros((0, 3))
    fitted = np.sum(coefficients[label] * np.stack([np.ones_like(t), t, t**2], axis=-1), axis=-1)
    residual = np.sqrt(total((across - fitted) ** 2))
    powers = np.stack([np.ones(n), scale, scale**2], axis=-1)
    return Bends(
        middle=middle, axis=axis, coefficients=coefficients / powers, low=low, high=high,
        residual=residual,
    )  # fmt: skip


def bridge_gaps(chains: Chains, *, gap_px: float = 9.0) -> Chains:
    """Join chains that continue each other across a gap, as at a crossing."""
    if chains.n < 2:
        return chains
    bends = fit_bends(chains)
    each = np.arange(chains.n)
    start, start_tangent = bends.at(each, bends.low)
    end, end_tangent = bends.at(each, bends.high)
    tips = np.concatenate([start, end])
    outward = np.concatenate([-start_tangent, end_tangent])
    owner = np.concatenate([each, each])
    a, b, away = pairs_within(tips, tips, gap_px)
    once = owner[a] < owner[b]
    a, b, away = a[once], b[once], away[once]
    gap = tips[b] - tips[a]
    side_a = np.abs(gap[:, 0] * outward[a, 1] - gap[:, 1] * outward[a, 0])
    side_b = np.abs(gap[:, 0] * outward[b, 1] - gap[:, 1] * outward[b, 0])
    facing = np.sum(outward[a] * outward[b], axis=-1) < -np.cos(np.deg2rad(15))
    ahead = np.sum(gap * outward[a], axis=-1) > -2.5
    good = facing & ahead & (side_a < 1.8) & (side_b < 1.8)
    a, b, away = a[good], b[good], away[good]
    # Each tip goes to its nearest partner only.
    taken: set[int] = set()
    first, second = [], []
    for k in np.argsort(away):
        if a[k] not in taken and b[k] not in taken:
            taken.update((int(a[k]), int(b[k])))
            first.append(owner[a[k]])
            second.append(owner[b[k]])
    label = connected(chains.n, np.array(first, dtype=np.int64), np.array(second, dtype=np.int64))
    return Chains(points=chains.points, value=chains.value, label=label[chains.label])
