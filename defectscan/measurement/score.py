"""Line density of one state with its interval: Horvitz-Thompson over lines and shots."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.measurement.glint import CROSSWISE_DEG
from defectscan.measurement.kinds import direction_sector
from defectscan.measurement.lines import LEAST_LENGTH_PX, Lines
from defectscan.measurement.thinning import Thinning, fit_thinning
from defectscan.measurement.window import (
    GRID_PX,
    N_SECTORS,
    WINDOW_SHARE,
    Shot,
    exposure_at,
    hidden_share,
    passage_of,
    ring_limit,
    spread_rate_of,
    zone_grid,
)

Floats = NDArray[Any]

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
class Ground:
    """The places of one shot where its lines were counted.

    Attributes
    ----------
    xy_px
        Shape (n, 2): grid points, working pixels.
    share
        Shape (n,): what part of the density each would show if grooves ran on it as they do on the
        whole; 1 over all points of all shots.
    """

    xy_px: Floats
    share: Floats


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
    model_sd
        Relative standard deviation that each state has of its own beyond counting.
    ground
        Of each shot, by the same exposure; empty where directions are pooled.
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
    model_sd: float = MODEL_SD
    ground: tuple[Ground, ...] = ()

    @property
    def density(self) -> float:
        """The density, never negative."""
        return max(float(self.share.sum() - self.false.sum()), 0.0)

    def weighted(self, weight: Floats) -> "Count":
        """Return the count with each line weighted, shape (n,), as by its share in a kind."""
        return replace(self, share=self.share * weight, false=self.false * weight)


def count_lines(shots: Sequence[Shot], *, thinning: Thinning | None = None) -> Count:
    """Weigh the lines of all shots by what their lamps could show.

    Each point of a line within the window |s·t| of its shot counts 1 over the exposure of its
    direction: the area of all zones in which a groove of that direction would lie in the
    window. Sums over shots, never means of ratios.

    Parameters
    ----------
    shots
        Of one state, at least one.
    thinning
        From `fit_thinning`, where lines of more shots than these tell it.

    References
    ----------
    Horvitz and Thompson, J. Am. Stat. Assoc. 47 (1952) 663.
    """
    return count_both_ways(shots, thinning=thinning)[0]


def count_both_ways(
    shots: Sequence[Shot], *, thinning: Thinning | None = None
) -> tuple[Count, Count]:
    """Return the count by `count_lines`, and the same with directions pooled.

    Pooled, each line counts 1 over the mean exposure of all directions. Two states of one panel
    under about the same lamp are missing about the same directions, and their ratio is the
    steadier for not being weighted by them.

    Parameters
    ----------
    shots, thinning
        As for `count_lines`.
    """
    if thinning is None:
        thinning = fit_thinning(shots)
    views = [_View.of(shot, thinning) for shot in shots]
    # A density goes with the inverse of the scale.
    spread = float(np.hypot(thinning.spread, max(shot.scale_error for shot in shots)))
    exposure = np.sum([view.exposure for view in views], axis=0)
    pooled = np.full(N_SECTORS, float(exposure.mean()))
    count = _counted(views, exposure, spread=spread)
    return (
        replace(count, ground=tuple(_grounds(views, exposure, count))),
        _counted(views, pooled, spread=spread),
    )


def _grounds(views: Sequence["_View"], exposure: Floats, count: Count) -> Iterator[Ground]:
    """Yield the ground of each view, for grooves that run as those of the count do."""
    # With one more line in each sector no direction counts for nothing, however few there are.
    likely = np.where(_is_shown(exposure), count.sector / N_SECTORS + count.typical, 0.0)
    weight = likely / max(float(likely.sum()), 1e-12) / np.maximum(exposure, 1e-12)
    for view in views:
        yield Ground(xy_px=view.ground_px, share=view.ground_exposure @ weight)


def _is_shown(exposure: Floats) -> NDArray[np.bool_]:
    """Return which sectors are exposed enough to be counted by, both (N_SECTORS,)."""
    return np.asarray(exposure > LEAST_EXPOSURE_SHARE * float(exposure.mean()))


def _counted(views: Sequence["_View"], exposure: Floats, *, spread: float) -> Count:
    """Return the count for the exposure of each sector, shape (N_SECTORS,)."""
    mean_exposure = float(exposure.mean())
    seen = _is_shown(exposure)
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
        ring_limit_px=np.array([view.limit_px for view in views]),
        exposure_shares=exposure / max(mean_exposure, 1e-12),
        crowding=float(crowding),
        thinned=any(view.thinned for view in views),
        spread=spread,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _View:
    """One shot's lines and exposure, in mm and cm² (or px and px²)."""

    lines: Lines
    counted: Floats
    crosswise: Floats
    sector: NDArray[np.int64]
    exposure: Floats
    ground_px: Floats
    ground_exposure: Floats
    typical_length: float
    limit_px: float
    crowding: float
    thinned: bool

    @classmethod
    def of(cls, shot: Shot, thinning: Thinning) -> "_View":
        glint, lines = shot.glint, shot.lines
        reach = WINDOW_SHARE * glint.reach_px
        grid, grid_tilt = zone_grid(shot)
        size = np.linalg.norm(grid_tilt, axis=-1)
        tilt = glint.tilt(lines.xy_px)
        line_size = np.linalg.norm(tilt, axis=-1)
        along = np.abs(np.sum(tilt * lines.tangent, axis=-1))
        in_window = along <= reach
        left = np.ones(len(size))
        if np.isfinite(reach):
            left = np.exp(-((size / (thinning.longer_sides * max(shot.zone.shape))) ** 2))
        limit = ring_limit(
            size, line_size[in_window], lines.length_px[in_window],
            exposure=left * glint.acceptance(size, reach_px=reach), glint_px=2 * reach,
        )  # fmt: skip
        passage, gate = passage_of(glint, lines, np.sum(tilt * lines.tangent, axis=-1), reach)
        counted = np.where(line_size <= limit, passage, 0.0)
        hidden = hidden_share(shot, size, line_size, limit)
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
            spread_rate = spread_rate_of(glint, grid[size <= limit])
        else:
            # As seen: every line counts wherever it points, and none is known to be false.
            crosswise = np.zeros(len(across))
            # Where there is none, one more would be as short as a line can be.
            typical = float(lines.length_px.sum()) / lines.n if lines.n else LEAST_LENGTH_PX
        inside = size <= limit
        emphasis = left[inside]
        angle = np.arctan2(lines.tangent[:, 1], lines.tangent[:, 0])
        sector = direction_sector(angle, N_SECTORS)
        length = shot.pixel
        area = (GRID_PX * length) ** 2 / (1 if shot.mm_per_px is None else 100)
        ground_exposure = area * np.stack(
            [
                exposure_at(grid_tilt[inside], spread_rate, emphasis, number, reach)
                for number in range(N_SECTORS)
            ],
            axis=-1,
        )
        return cls(
            lines=lines,
            counted=counted * length,
            crosswise=crosswise * length,
            sector=sector,
            exposure=ground_exposure.sum(axis=0),
            ground_px=grid[inside],
            ground_exposure=ground_exposure,
            typical_length=typical * length,
            limit_px=limit,
            crowding=float(np.average(hidden, weights=counted)) if counted.any() else 0.0,
            thinned=bool(len(size) and limit < size.max()),
        )


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
    model = np.exp(rng.normal(0, count.model_sd, N_RESAMPLES))
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
