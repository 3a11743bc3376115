"""Follow ridges to lines: bright, thin, straight or gently bent, whatever their direction."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.measurement.chains import (
    Chains,
    bridge_gaps,
    find_crests,
    fit_bends,
    link_crests,
    read_between,
)
from defectscan.measurement.ridges import Ridges

Floats = NDArray[Any]
Image = NDArray[Any]
Mask = NDArray[np.bool_]

SEED_SIGMA = 5.0
LEAST_LENGTH_PX = 9.0
MARGIN_PX = 6
END_SHARE = 0.04
END_CONTRAST = 0.019
# Standard deviation of a line's end after lens, filter and averaging.
END_BLUR_PX = 1.8
CORE_SHARE = 0.35
LEAST_EVIDENCE = 10.0
KNOB_SHARE = 0.25
# How well lines lie in a row.
ROW_PX = 1.5
ROW_SINE = 0.01
ROWS_AT_ONCE = 256


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lines:
    """Lines as chains of points one pixel apart, in working pixels.

    Attributes
    ----------
    xy_px, tangent
        Shape (m, 2): points and unit directions there.
    length_px
        Shape (m,): the length that each point stands for.
    contrast
        Shape (m,): ridge contrast of the line round the point.
    line
        Shape (m,): which line the point is on.
    evidence
        Shape (n,): the line's ridge contrast over its noise, summed over its core.
    """

    xy_px: Floats
    tangent: Floats
    length_px: Floats
    contrast: Floats
    line: NDArray[np.int64]
    evidence: Floats

    @property
    def n(self) -> int:
        """How many lines there are."""
        return len(self.evidence)

    def of(self, chosen: Mask) -> "Lines":
        """Return the lines that are chosen, shape (n,), numbered anew."""
        number = np.cumsum(chosen) - 1
        kept = chosen[self.line]
        return Lines(
            xy_px=self.xy_px[kept],
            tangent=self.tangent[kept],
            length_px=self.length_px[kept],
            contrast=self.contrast[kept],
            line=number[self.line[kept]],
            evidence=self.evidence[chosen],
        )

    @staticmethod
    def joined(parts: Sequence["Lines"]) -> "Lines":
        """Return the lines of all parts, numbered on from one to the next."""
        first = np.cumsum([0, *(part.n for part in parts)])
        return Lines(
            xy_px=np.concatenate([part.xy_px for part in parts]),
            tangent=np.concatenate([part.tangent for part in parts]),
            length_px=np.concatenate([part.length_px for part in parts]),
            contrast=np.concatenate([part.contrast for part in parts]),
            line=np.concatenate([p.line + k for p, k in zip(parts, first[:-1], strict=True)]),
            evidence=np.concatenate([part.evidence for part in parts]),
        )

    def courses(self) -> list[Floats]:
        """Return each line's points, shape (k, 2), in order."""
        borders = np.searchsorted(self.line, np.arange(self.n + 1))
        return [self.xy_px[a:b] for a, b in pairwise(borders)]

    def middles(self) -> tuple[Floats, Floats]:
        """Return each line's middle and direction there, both (n, 2)."""
        n = self.total(np.ones(len(self.line)))
        middle = np.stack([self.total(self.xy_px[:, k]) / n for k in (0, 1)], axis=-1)
        x, y = self.tangent[:, 0], self.tangent[:, 1]
        angle = np.arctan2(self.total(2 * x * y), self.total(x**2 - y**2)) / 2
        return middle, np.stack([np.cos(angle), np.sin(angle)], axis=-1)

    def row_length_px(self) -> Floats:
        """Return the length of all lines on each line's straight continuation, shape (n,)."""
        length = self.total(self.length_px)
        middle, direction = self.middles()
        total = np.zeros(self.n)
        # In blocks, or the table of all pairs would not fit the memory.
        for first in range(0, self.n, ROWS_AT_ONCE):
            rows = slice(first, first + ROWS_AT_ONCE)
            apart = middle[None] - middle[rows, None]
            along = direction[rows, None]
            off = np.abs(apart[..., 0] * along[..., 1] - apart[..., 1] * along[..., 0])
            turn = np.abs(along[..., 0] * direction[:, 1] - along[..., 1] * direction[:, 0])
            far = np.abs(np.sum(apart * along, axis=-1))
            # A short piece tells its direction badly.
            sure = np.maximum(length[rows, None], length)
            in_line = (off < ROW_PX + far * ROW_SINE) & (turn < ROW_SINE + 2 / sure)
            total[rows] = in_line @ length
        return total

    def total(self, values: Floats) -> Floats:
        """Return the sums of values of points, shape (m,), over each line, shape (n,)."""
        return np.bincount(self.line, weights=values, minlength=self.n)


def trace_lines(ridges: Ridges, *, measured: Mask, least_contrast: float = 0.0) -> Lines:
    """Follow ridges to lines.

    Crests are kept where they reach `SEED_SIGMA` times the noise somewhere and
    `FOLLOW_SIGMA` times throughout; neighbours join when their directions agree, so that
    crossing lines stay apart; a bend of second order is fitted to each chain.

    Parameters
    ----------
    ridges
        From `find_ridges`.
    measured
        Where lines are sought.
    least_contrast
        Lines whose crest stays below this ridge contrast are left out.
    """
    y, x, offset, angle = find_crests(ridges, measured)
    value = ridges.contrast[y, x]
    strong = value > np.maximum(SEED_SIGMA * ridges.noise[y, x], least_contrast)
    label, n = link_crests(ridges.contrast.shape, y, x, angle)
    seeded = np.bincount(label, weights=strong, minlength=n) > 0
    length = np.bincount(label, minlength=n)
    kept = (seeded & (length >= LEAST_LENGTH_PX * 0.6))[label]
    normal = np.stack([-np.sin(angle), np.cos(angle)], axis=-1)
    points = np.stack([x, y], axis=-1) + offset[:, None] * normal
    number = np.unique(label[kept], return_inverse=True)[1]
    chains = Chains(points=points[kept], value=value[kept].astype(np.float64), label=number)
    joined = bridge_gaps(chains)
    return _resample(joined, ridges)


def _recentred(chains: Chains, ridges: Ridges) -> Chains:
    """Return the chains with their points moved to the crest square to the fitted bend.

    The long filter's coarse directions leave its crests a little off; the line's own crest,
    weighted with its strength, gives the direction as well as the noise allows.
    """
    bends = fit_bends(chains)
    along = np.sum((chains.points - bends.middle[chains.label]) * bends.axis[chains.label], axis=-1)
    points, tangent = bends.at(chains.label, along)
    height, width = ridges.contrast.shape
    points = np.clip(points, 3, (width - 4, height - 4))
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=-1)
    here, ahead, behind = (
        _across_along(ridges, points + k * normal, tangent)[0] for k in (0.0, 1.0, -1.0)
    )
    bend = np.minimum(ahead + behind - 2 * here, -1e-9)
    offset = np.clip(0.5 * (behind - ahead) / bend, -1, 1)
    value = np.maximum(here, 0.05 * chains.value) ** 2
    return Chains(points=points + offset[:, None] * normal, value=value, label=chains.label)


def _resample(chains: Chains, ridges: Ridges) -> Lines:
    """Return points one pixel apart along each chain's fitted bend, as far as it is bright."""
    bends = fit_bends(_recentred(chains, ridges))
    number = np.flatnonzero(bends.residual < 1.3)
    count = np.ceil(bends.high[number] - bends.low[number]).astype(np.int64) + 2 * MARGIN_PX
    line = np.repeat(np.arange(len(number)), count)
    part = np.arange(len(line)) - np.repeat(np.cumsum(count) - count, count)
    along = bends.low[number][line] - MARGIN_PX + part + 0.5
    points, tangent = bends.at(number[line], along)
    height, width = ridges.contrast.shape
    inside = np.all((points >= 1) & (points < (width - 2, height - 2)), axis=-1)
    points, tangent, line = points[inside], tangent[inside], line[inside]
    value, knob = _across_along(ridges, points, tangent)
    noise = ridges.curvature_noise[
        np.round(points[:, 1]).astype(np.int64), np.round(points[:, 0]).astype(np.int64)
    ]
    line, kept, evidence, end_share = _lit_stretch(value, knob, noise, line)
    points, tangent, value = points[kept], tangent[kept], value[kept]
    first = _first_of_doubles(points, tangent, evidence, line, ridges.contrast.shape)
    points, tangent, value, line = points[first], tangent[first], value[first], line[first]
    left, line = np.unique(line, return_inverse=True)
    return Lines(
        xy_px=points,
        tangent=tangent,
        length_px=_own_length(line, end_share[left]),
        contrast=value,
        line=line,
        evidence=evidence[left],
    )


def _own_length(line: NDArray[np.int64], end_share: Floats) -> Floats:
    """Return the length that each point stands for, less what blur adds at a line's two ends.

    A blurred end falls as a Gaussian's integral does: the lower the share of the line's
    brightness at which it is cut, the further out.
    """
    if not len(line):
        return np.zeros(0)
    cut = np.array([NormalDist().inv_cdf(share) for share in np.clip(end_share, 1e-3, 0.5)])
    carried = -END_BLUR_PX * cut
    return (1 - 2 * carried / np.bincount(line))[line]


def _across_along(ridges: Ridges, points: Floats, tangent: Floats) -> tuple[Floats, Floats]:
    """Return the second derivatives across and along the line at each point itself."""
    xx, yy, xy = (read_between(part, points[:, 0], points[:, 1]) for part in ridges.curvature)
    tx, ty = tangent.T
    across = xx * ty**2 + yy * tx**2 - 2 * xy * tx * ty
    return across, xx + yy - across


def _lit_stretch(
    value: Floats, knob: Floats, noise: Floats, line: NDArray[np.int64]
) -> tuple[NDArray[np.int64], Mask, Floats, Floats]:
    """Return the lit stretch of each lit point, which points are lit, and two for each stretch.

    These are its evidence, and the share of its brightness at which it ends.

    The filter's reach blurs ends and makes dashes of points of light. So each point is judged
    by its own neighbourhood, and stretches shorter than `LEAST_LENGTH_PX` are no lines.
    """
    kept = np.zeros(len(value), dtype=bool)
    stretch = np.zeros(len(value), dtype=np.int64)
    evidences: list[float] = []
    shares: list[float] = []
    borders = np.flatnonzero(np.diff(line, prepend=-1, append=-1))
    for first, last in pairwise(borders):
        v = value[first:last]
        if len(v) < LEAST_LENGTH_PX:
            continue
        sigma = float(noise[(first + last) // 2])
        peak = float(np.partition(v, (4 * len(v)) // 5)[(4 * len(v)) // 5])
        # Average so many points that noise stays well below the line.
        window = int(np.clip((4 * sigma / max(peak, 1e-9)) ** 2, 3, 9)) | 1
        smooth = np.convolve(np.pad(v, window // 2, mode="edge"), np.ones(window) / window, "valid")
        top = float(np.sort(smooth)[-max(len(smooth) // 4, 4)])
        end = max(END_SHARE * top, END_CONTRAST, 2.0 * sigma / np.sqrt(window))
        bright = smooth > end
        # Close gaps of up to four points: crossings and noise.
        edges = np.flatnonzero(np.diff(bright.astype(np.int8), prepend=0, append=0))
        runs = edges.reshape(-1, 2)
        merged: list[list[int]] = []
        for start, stop in runs:
            if merged and start - merged[-1][1] <= 4:
                merged[-1][1] = int(stop)
            else:
                merged.append([int(start), int(stop)])
        for start, stop in merged:
            part = v[start:stop]
            length = stop - start
            # A line's light is spread along it; a speck's or flake's is in one place. So the
            # brightest third of its core does not count, nor may it be knobbly along itself.
            core = smooth[start:stop] > CORE_SHARE * top
            rest = np.sort(part[core])[: -max(int(core.sum()) // 3, 1)]
            if length < LEAST_LENGTH_PX or len(rest) < LEAST_LENGTH_PX / 2:
                continue
            evidence = rest.sum() / (sigma * np.sqrt(len(rest)))
            knobs = np.maximum(knob[first + start : first + stop], 0).sum() / part.sum()
            if evidence < LEAST_EVIDENCE or knobs > KNOB_SHARE:
                continue
            kept[first + start : first + stop] = True
            stretch[first + start : first + stop] = len(evidences)
            evidences.append(float(evidence))
            shares.append(end / max(top, end))
    return stretch[kept], kept, np.array(evidences), np.array(shares)


def _first_of_doubles(
    points: Floats,
    tangent: Floats,
    evidence: Floats,
    line: NDArray[np.int64],
    shape: tuple[int, ...],
) -> Mask:
    """Return which points no stronger line runs over already in about the same direction."""
    if not len(line):
        return np.zeros(0, dtype=bool)
    rank = np.empty(len(evidence), dtype=np.int64)
    rank[np.argsort(-evidence)] = np.arange(len(evidence))
    x, y = np.round(points).astype(np.int64).T
    owner = np.full(shape, len(evidence), dtype=np.int32)
    angle = np.zeros(shape, dtype=np.float32)
    order = np.argsort(-rank[line], kind="stable")
    own_angle = np.arctan2(tangent[:, 1], tangent[:, 0])
    # The strongest is written last, with the pixels right beside it.
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            yy, xx = y[order] + dy, x[order] + dx
            better = rank[line[order]] <= owner[yy, xx]
            owner[yy[better], xx[better]] = rank[line[order]][better]
            angle[yy[better], xx[better]] = own_angle[order][better]
    apart = np.abs(np.sin(own_angle - angle[y, x]))
    return (owner[y, x] == rank[line]) | (apart > np.sin(np.deg2rad(20)))
