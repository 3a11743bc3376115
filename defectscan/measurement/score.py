"""Line density of one state with its interval: Horvitz-Thompson over lines and shots."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from defectscan.measurement.glint import CROSSWISE_DEG, Glint
from defectscan.measurement.lines import Lines

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

WINDOW_SHARE = 0.45
N_SECTORS = 6
GRID_PX = 8
N_RINGS = 8
MERGED_PX = 3.5
LEAST_EXPOSURE_SHARE = 0.2
N_RESAMPLES = 1999
MODEL_SD = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A value with its 95 % interval.

    Attributes
    ----------
    value, low, high
        In the unit of the quantity.
    """

    value: float
    low: float
    high: float


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
    """

    lines: Lines
    zone: Mask
    glint: Glint
    mm_per_px: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Count:
    """Density as a sum over lines, ready to be resampled.

    Attributes
    ----------
    share
        Shape (n,): what each line of all shots, one after the other, adds to the density.
    false
        Shape (n,): what each adds to the density of false lines, to be taken off.
    sector
        Shape (N_SECTORS,): density by the grooves' direction, 0 to pi from x towards y.
    typical
        What one more line would add.
    ring_limit_px
        Shape (shots,): the needed tilt up to which each shot was counted.
    exposure_shares
        Shape (N_SECTORS,): exposure of each sector relative to their mean.
    crowding
        Mean share of lines that others hide.
    thinned
        Whether lines thin out further off than the zone reaches.
    """

    share: Floats
    false: Floats
    sector: Floats
    typical: float
    ring_limit_px: Floats
    exposure_shares: Floats
    crowding: float
    thinned: bool

    @property
    def density(self) -> float:
        """The density, never negative."""
        return max(float(self.share.sum() - self.false.sum()), 0.0)

    def weighted(self, weight: Floats) -> "Count":
        """Return the count with each line weighted, shape (n,), as by its share in a kind."""
        return replace(self, share=self.share * weight, false=self.false * weight)


def count_lines(
    shots: Sequence[Shot],
    *,
    weights: Sequence[Callable[[Floats, Floats], Floats]] | None = None,
) -> Count:
    """Weigh the lines of all shots by what their lamps could show.

    Each point of a line within the window |s·t| of its shot counts 1 over the exposure of its
    direction: the area of all zones in which a groove of that direction would lie in the
    window. Sums over shots, never means of ratios.

    Parameters
    ----------
    shots
        Of one state, at least one.
    weights
        For each shot a weight of points (n, 2) with needed tilts (n, 2), applied to lines and
        exposure alike; directions are then not told apart.

    References
    ----------
    Horvitz and Thompson, J. Am. Stat. Assoc. 47 (1952) 663.
    """
    each = [None] * len(shots) if weights is None else weights
    views = [_View.of(shot, weight) for shot, weight in zip(shots, each, strict=True)]
    limits = np.array([view.limit_px for view in views])
    exposure = sum(view.exposure for view in views)
    mean_exposure = float(exposure.mean())
    if weights is not None:
        exposure = np.full(N_SECTORS, mean_exposure)
    seen = exposure > LEAST_EXPOSURE_SHARE * mean_exposure
    weight = np.where(seen, 1 / np.maximum(exposure, 1e-12), 0.0)
    # Directions that no shot can show are taken to be like the others.
    weight *= N_SECTORS / max(int(seen.sum()), 1)
    share, false, sector = [], [], np.zeros(N_SECTORS)
    for view in views:
        point_share = view.counted * weight[view.sector]
        share.append(view.lines.total(point_share))
        false.append(view.lines.total(view.crosswise / max(mean_exposure, 1e-12)))
        sector += np.bincount(view.sector, weights=point_share, minlength=N_SECTORS)
    typical = float(np.mean([view.typical_length for view in views])) / max(mean_exposure, 1e-12)
    crowding = np.average(
        [view.crowding for view in views], weights=[max(view.lines.n, 1) for view in views]
    )
    return Count(
        share=np.concatenate(share),
        false=np.concatenate(false),
        sector=sector * N_SECTORS,
        typical=typical,
        ring_limit_px=limits,
        exposure_shares=exposure / max(mean_exposure, 1e-12),
        crowding=float(crowding),
        thinned=any(view.thinned for view in views),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _View:
    """One shot's lines and exposure, in mm and cm² (or px and px²)."""

    lines: Lines
    counted: Floats
    crosswise: Floats
    sector: NDArray[np.int64]
    exposure: Floats
    typical_length: float
    limit_px: float
    crowding: float
    thinned: bool

    @classmethod
    def of(cls, shot: Shot, weight: Callable[[Floats, Floats], Floats] | None) -> "_View":
        glint, lines = shot.glint, shot.lines
        reach = WINDOW_SHARE * glint.reach_px
        grid, grid_tilt = zone_grid(shot)
        size = np.linalg.norm(grid_tilt, axis=-1)
        tilt = glint.tilt(lines.xy_px)
        line_size = np.linalg.norm(tilt, axis=-1)
        along = np.abs(np.sum(tilt * lines.tangent, axis=-1))
        in_window = along <= reach
        limit = ring_limit(size, line_size[in_window], lines.length_px[in_window], reach, glint)
        counted = np.where(in_window & (line_size <= limit), lines.length_px, 0.0)
        hidden = _hidden_share(shot, size, line_size, limit)
        counted = counted / (1 - hidden)
        sine = along / np.maximum(line_size, 1e-9)
        across = (sine > np.sin(np.deg2rad(CROSSWISE_DEG))) & (line_size <= limit)
        # False lines point anywhere: a third of them lies crosswise, and the acceptance's share
        # of them falls into the window.
        window = glint.acceptance(line_size, reach_px=reach)
        false_share = window / (1 - CROSSWISE_DEG / 90)
        crosswise = np.where(across, lines.length_px * false_share, 0.0)
        typical = 2 * reach
        if not np.isfinite(reach):
            # As seen: every line counts wherever it points, and none is known to be false.
            crosswise = np.zeros(len(across))
            typical = float(lines.length_px.sum()) / max(lines.n, 1)
        inside = size <= limit
        emphasis = np.ones(int(inside.sum()))
        if weight is not None:
            counted = counted * weight(lines.xy_px, tilt)
            emphasis = weight(grid[inside], grid_tilt[inside])
        angle = np.mod(np.arctan2(lines.tangent[:, 1], lines.tangent[:, 0]), np.pi)
        sector = np.minimum((angle / np.pi * N_SECTORS).astype(np.int64), N_SECTORS - 1)
        cell = GRID_PX**2
        exposure = np.array(
            [_exposure(grid_tilt[inside], emphasis, number, reach) * cell for number in range(N_SECTORS)]
        )
        length, area = 1.0, 1.0
        if shot.mm_per_px is not None:
            length, area = shot.mm_per_px, shot.mm_per_px**2 / 100
        return cls(
            lines=lines,
            counted=counted * length,
            crosswise=crosswise * length,
            sector=sector,
            exposure=exposure * area,
            typical_length=typical * length,
            limit_px=limit,
            crowding=float(np.average(hidden, weights=counted)) if counted.any() else 0.0,
            thinned=bool(len(size) and limit < size.max()),
        )


def zone_grid(shot: Shot) -> tuple[Floats, Floats]:
    """Return a grid of the zone's points, shape (n, 2), `GRID_PX` apart, and their tilts."""
    half = GRID_PX // 2
    y, x = np.nonzero(shot.zone[half::GRID_PX, half::GRID_PX])
    points = np.stack([x, y], axis=-1) * float(GRID_PX) + half
    return points, shot.glint.tilt(points)


def _exposure(tilt: Floats, emphasis: Floats, sector: int, reach: float) -> float:
    """Return at how many grid points, weighted, the sector's directions are in the window."""
    angles = (sector + (np.arange(3) + 0.5) / 3) * np.pi / N_SECTORS
    directions = np.stack([np.cos(angles), np.sin(angles)])
    return float(np.mean(emphasis @ (np.abs(tilt @ directions) <= reach)))


def ring_limit(
    size: Floats, line_size: Floats, length: Floats, reach: float, glint: Glint
) -> float:
    """Return the needed tilt at which lines begin to thin out, in px.

    Grooves with walls of less than the needed tilt vanish. The zone is cut into rings of equal
    exposure; from the outside, rings are dropped that hold fewer lines than those within by
    more than chance allows, at most half of them.
    """
    if not len(size):
        return 0.0
    order = np.sort(size)
    exposure = np.cumsum(glint.acceptance(order, reach_px=reach))
    if exposure[-1] <= 0:
        return float(order[-1])
    borders = order[np.searchsorted(exposure, np.linspace(0, exposure[-1], N_RINGS + 1)[1:-1])]
    ring = np.searchsorted(borders, line_size)
    in_ring = np.bincount(ring, weights=length, minlength=N_RINGS)
    glints = in_ring / max(2 * reach, 1e-9)
    last = N_RINGS
    while last > N_RINGS // 2:
        inner = glints[: last - 1].mean()
        spread = np.sqrt(max(inner, 1.0) * (1 + 1 / (last - 1)))
        if glints[last - 1] > inner - 2.0 * spread or glints[last - 1] > 0.8 * inner:
            break
        last -= 1
    return float(borders[last - 1]) if last < N_RINGS else float(order[-1])


def _hidden_share(shot: Shot, size: Floats, line_size: Floats, limit: float) -> Floats:
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


def draw_weights(rng: np.random.Generator, n: int) -> Floats:
    """Draw weights for resampling n whole lines (or grooves), shape (N_RESAMPLES, n).

    Exponential draws are the smooth kin of drawing with replacement.
    """
    return rng.exponential(size=(N_RESAMPLES, n))


def resample(count: Count, weights: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Return low and high draws of the density, each (N_RESAMPLES,).

    The high draws hold one more line than was found. For equal lines the quantiles are then the
    exact limits of a Poisson mean (Garwood 1936, from memory).

    Parameters
    ----------
    count
        From `count_lines`.
    weights
        Of each line, shape (N_RESAMPLES, n), from `draw_weights`.
    rng
        Source of the further line and of what the model leaves open.
    """
    low = weights @ (count.share - count.false)
    high = low + count.typical * rng.exponential(size=N_RESAMPLES)
    model = np.exp(rng.normal(0, MODEL_SD, N_RESAMPLES))
    return np.maximum(low, 0) * model, np.maximum(high, 0) * model


def interval(count: Count, rng: np.random.Generator) -> Interval:
    """Return the density with its 95 % interval."""
    low, high = resample(count, draw_weights(rng, len(count.share)), rng)
    value = count.density
    return Interval(
        value=value,
        low=min(float(np.quantile(low, 0.025)), value),
        high=max(float(np.quantile(high, 0.975)), value),
    )


def detection_limit(count: Count) -> float:
    """Return the density that a panel without grooves stays under in 95 % of photos.

    What reads as lines there are false ones; their number in the window follows from those
    that lie crosswise, and its upper limit from theirs.
    """
    crosswise = count.false[count.false > 0]
    each = max(float(crosswise.mean()) if len(crosswise) else 0.0, 0.0)
    expected = float(count.false.sum()) + 1.645 * each * np.sqrt(len(crosswise) + 1.0)
    spread = np.sqrt(expected * count.typical)
    return expected + 1.645 * spread + 2 * count.typical
