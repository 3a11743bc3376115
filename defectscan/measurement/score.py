"""Line density of one state with its interval: Horvitz-Thompson over lines and shots."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.measurement.glint import CROSSWISE_DEG, Glint
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
# In widths of the picture, of a flat panel.
USUAL_THINNING = 1.6
THINNING_SPREAD = 0.4
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
    scale_error
        Its relative standard error, 0 where it was given.
    """

    lines: Lines
    zone: Mask
    glint: Glint
    mm_per_px: float | None
    scale_error: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Thinning:
    """How grooves drop out with the needed tilt, for want of walls so steep.

    Attributes
    ----------
    px
        The needed tilt by which 63 % of the grooves have dropped out; infinity for none.
    spread
        Relative standard deviation that its uncertainty leaves in a density.
    """

    px: float
    spread: float


NO_THINNING = Thinning(px=np.inf, spread=0.0)


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
    spread
        Relative standard deviation that is common to all lines.
    """

    share: Floats
    false: Floats
    sector: Floats
    typical: float
    ring_limit_px: Floats
    exposure_shares: Floats
    crowding: float
    thinned: bool
    spread: float

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
    thinning: Thinning | None = None,
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
    thinning
        From `fit_thinning`, where lines of more shots than these tell it.

    References
    ----------
    Horvitz and Thompson, J. Am. Stat. Assoc. 47 (1952) 663.
    """
    each = [None] * len(shots) if weights is None else weights
    if thinning is None:
        thinning = fit_thinning(shots)
    views = [_View.of(shot, weight, thinning) for shot, weight in zip(shots, each, strict=True)]
    limits = np.array([view.limit_px for view in views])
    exposure = np.sum([view.exposure for view in views], axis=0)
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
        # A density goes with the inverse of the scale.
        spread=float(np.hypot(thinning.spread, max(shot.scale_error for shot in shots))),
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
    def of(
        cls, shot: Shot, weight: Callable[[Floats, Floats], Floats] | None, thinning: Thinning
    ) -> "_View":
        glint, lines = shot.glint, shot.lines
        reach = WINDOW_SHARE * glint.reach_px
        grid, grid_tilt = zone_grid(shot)
        size = np.linalg.norm(grid_tilt, axis=-1)
        tilt = glint.tilt(lines.xy_px)
        line_size = np.linalg.norm(tilt, axis=-1)
        along = np.abs(np.sum(tilt * lines.tangent, axis=-1))
        in_window = along <= reach
        left = np.exp(-((size / thinning.px) ** 2)) if np.isfinite(reach) else np.ones(len(size))
        limit = ring_limit(
            size, line_size[in_window], lines.length_px[in_window],
            exposure=left * glint.acceptance(size, reach_px=reach), glint_px=2 * reach,
        )  # fmt: skip
        passage, gate = _passage(glint, lines, np.sum(tilt * lines.tangent, axis=-1), reach)
        counted = np.where(line_size <= limit, passage, 0.0)
        hidden = _hidden_share(shot, size, line_size, limit)
        counted = counted / (1 - hidden)
        sine = along / np.maximum(line_size, 1e-9)
        across = (sine > np.sin(np.deg2rad(CROSSWISE_DEG))) & (line_size <= limit)
        # False lines point anywhere: a third of them lies crosswise, and the acceptance's share
        # of them passes for glints, and would count as one passes.
        passing = glint.acceptance(line_size, reach_px=gate[lines.line])
        once = np.minimum(2 * reach, lines.total(lines.length_px))[lines.line]
        part = lines.length_px / np.maximum(lines.total(lines.length_px), 1e-9)[lines.line]
        crosswise = np.where(across, part * once * passing / (1 - CROSSWISE_DEG / 90), 0.0)
        typical = 2 * reach
        spread_rate = None
        if np.isfinite(reach):
            spread_rate = _spread_rate(glint, grid[size <= limit])
        else:
            # As seen: every line counts wherever it points, and none is known to be false.
            crosswise = np.zeros(len(across))
            typical = float(lines.length_px.sum()) / max(lines.n, 1)
        inside = size <= limit
        emphasis = left[inside]
        if weight is not None:
            counted = counted * weight(lines.xy_px, tilt)
            emphasis = emphasis * weight(grid[inside], grid_tilt[inside])
        angle = np.mod(np.arctan2(lines.tangent[:, 1], lines.tangent[:, 0]), np.pi)
        sector = np.minimum((angle / np.pi * N_SECTORS).astype(np.int64), N_SECTORS - 1)
        cell = GRID_PX**2
        exposure = np.array(
            [
                _exposure(grid_tilt[inside], spread_rate, emphasis, number, reach) * cell
                for number in range(N_SECTORS)
            ]
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


def fit_thinning(shots: Sequence[Shot]) -> Thinning:
    """Learn from the places of glints how grooves drop out with the needed tilt.

    A groove whose walls are less steep than the needed tilt does not glint. Spread walls let
    the density seem to fall as exp(-(s/s1)²). The most likely s1 for the places of the glints
    is taken, with what is usual for panels that fill the frame as a prior.

    Parameters
    ----------
    shots
        Of one panel, in any states.
    """
    rungs = np.geomspace(0.25, 8, 41)
    usual = USUAL_THINNING * shots[0].glint.flatness
    log_likelihood = -((np.log(rungs / usual)) ** 2) / (2 * THINNING_SPREAD**2)
    width = float(shots[0].zone.shape[1])
    log_seen, n_glints = np.zeros(len(rungs)), 0.0
    for shot in shots:
        glint, lines = shot.glint, shot.lines
        reach = WINDOW_SHARE * glint.reach_px
        if not (lines.n and np.isfinite(reach)):
            continue
        tilt = glint.tilt(lines.xy_px)
        passage, _ = _passage(glint, lines, np.sum(tilt * lines.tangent, axis=-1), reach)
        glints = lines.total(passage) / (2 * reach)
        place = lines.total(np.linalg.norm(tilt, axis=-1)) / lines.total(np.ones(len(lines.line)))
        grid, grid_tilt = zone_grid(shot)
        size = np.linalg.norm(grid_tilt, axis=-1)
        # Beside the ring's direction every other is out of the window far off, so the exposure
        # of a place to glints goes with the rate of u over the tilt.
        along = np.stack([-grid_tilt[:, 1], grid_tilt[:, 0]], axis=-1) / size[:, None]
        rate = np.abs(np.sum(_slope(glint, grid, along) * along, axis=-1))
        exposure = glint.acceptance(size, reach_px=reach) * rate
        for index, rung in enumerate(rungs * width):
            seen = float(exposure @ np.exp(-((size / rung) ** 2)))
            log_likelihood[index] -= glints @ (place / rung) ** 2 + glints.sum() * np.log(seen)
            log_seen[index] += np.log(seen) * glints.sum()
        n_glints += float(glints.sum())
    weight = np.exp(log_likelihood - log_likelihood.max())
    weight /= weight.sum()
    log_seen /= max(n_glints, 1e-9)
    # The mean of 1/s1² is what enters the exposure, so that is averaged.
    return Thinning(
        px=width / float(np.sqrt(weight @ rungs**-2.0)),
        spread=float(np.sqrt(weight @ (log_seen - weight @ log_seen) ** 2)),
    )


def _passage(glint: Glint, lines: Lines, u: Floats, reach: float) -> tuple[Floats, Floats]:
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
    rate = np.sum(_slope(glint, lines.xy_px, lines.tangent) * lines.tangent, axis=-1)
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


def _slope(glint: Glint, points: Floats, direction: Floats) -> Floats:
    """Return the change of the needed tilt per px along a direction, both (n, 2)."""
    step = 4.0
    return (glint.tilt(points + step * direction) - glint.tilt(points)) / step


def _spread_rate(glint: Glint, grid: Floats) -> tuple[Floats, Floats, Floats]:
    """Return how fast u runs at grid points along x, along y, and for both together."""
    in_x, in_y = (_slope(glint, grid, np.broadcast_to(d, grid.shape)) for d in np.eye(2))
    return in_x[:, 0], in_y[:, 1], in_x[:, 1] + in_y[:, 0]


def _exposure(
    tilt: Floats,
    spread_rate: tuple[Floats, Floats, Floats] | None,
    emphasis: Floats,
    sector: int,
    reach: float,
) -> float:
    """Return at how many grid points, weighted, the sector's directions are in the window."""
    total = 0.0
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
        total += float(part.sum())
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


def interval(
    count: Count, rng: np.random.Generator, *, groove: NDArray[np.int64] | None = None
) -> Interval:
    """Return the density with its 95 % interval.

    Parameters
    ----------
    count
        From `count_lines`.
    rng
        Source of randomness.
    groove
        Shape (n,): lines of one groove, seen in several shots, are drawn together.
    """
    n = len(count.share)
    number = np.arange(n) if groove is None else groove
    weights = draw_weights(rng, int(number.max()) + 1 if n else 0)
    low, high = resample(count, weights[:, number], rng)
    common = np.exp(rng.normal(0, count.spread, N_RESAMPLES))
    low, high = low * common, high * common
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
