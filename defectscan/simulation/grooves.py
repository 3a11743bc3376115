"""Grooves in the clear coat: where they run, how deep they are, how their walls mirror."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

Floats = NDArray[np.float64]

KINDS = ("swirl", "deep_scratch", "machine_trail")
WAVELENGTH_UM = 0.55


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grooves:
    """Grooves, one entry each; a groove is an arc on the surface with a round-bottomed V profile.

    Attributes
    ----------
    start_mm
        Shape (n, 2), surface coordinates of one end.
    heading_rad, curvature_per_mm, length_mm
        Shape (n,): direction at the start, 1/radius of the arc, length.
    depth_um, tip_radius_um, wall_slope
        Shape (n,): depth when cut, radius of the bottom, slope of the straight walls.
    waviness
        Shape (n,): standard deviation of the slope along the groove (chipped, uneven bottom).
    kind
        Shape (n,), index into `KINDS`.
    born
        Shape (n,): how many polishing passes had been made when it was cut.
    """

    start_mm: Floats
    heading_rad: Floats
    curvature_per_mm: Floats
    length_mm: Floats
    depth_um: Floats
    tip_radius_um: Floats
    wall_slope: Floats
    waviness: Floats
    kind: NDArray[np.int64]
    born: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.length_mm)


def join(*parts: Grooves) -> Grooves:
    """Return the grooves of all parts together."""
    names = Grooves.__dataclass_fields__
    return Grooves(**{name: np.concatenate([getattr(p, name) for p in parts]) for name in names})


def draw_swirls(
    rng: np.random.Generator,
    *,
    extent_mm: tuple[float, float],
    density_mm_per_cm2: float,
    mean_depth_um: float = 1.0,
    directed: float = 0.0,
    direction_rad: float = 0.0,
) -> Grooves:
    """Draw the fine grooves that washing leaves: arcs in all directions, mostly shallow.

    Depths are spread exponentially; walls and tips are those of the grain, whatever the depth.

    Parameters
    ----------
    rng
        Source of randomness.
    extent_mm
        Size along u and v of the ground to fill, centred on (0, 0).
    density_mm_per_cm2
        Length of groove per area, on average over the ground.
    mean_depth_um
        Mean of the exponential depth.
    directed
        0 all directions alike; towards 1 the more along `direction_rad`.
    direction_rad
        Favoured direction in surface coordinates.
    """
    wanted = density_mm_per_cm2 * extent_mm[0] * extent_mm[1] / 100
    mean_length = 28.0
    n = rng.poisson(wanted / mean_length)
    length = rng.lognormal(np.log(mean_length) - 0.6**2 / 2, 0.6, n)
    angle = rng.uniform(0, np.pi, n)
    along = rng.random(n) < directed
    angle[along] = direction_rad + rng.normal(0, 0.35, along.sum())
    radius = rng.lognormal(np.log(150), 0.5, n) * rng.choice([-1, 1], n)
    return _laid(
        rng,
        extent_mm,
        angle,
        length,
        curvature_per_mm=1 / radius,
        depth_um=rng.exponential(mean_depth_um, n),
        tip_radius_um=rng.lognormal(np.log(8), 0.3, n),
        wall_slope=np.clip(rng.lognormal(np.log(0.38), 0.3, n), 0.15, 0.9),
        waviness=np.full(n, 0.0015),
        kind=np.full(n, KINDS.index("swirl")),
        born=np.zeros(n, dtype=np.int64),
    )


def draw_deep_scratches(
    rng: np.random.Generator, *, extent_mm: tuple[float, float], count: int
) -> Grooves:
    """Draw isolated scratches: long, nearly straight, deep, with chipped walls."""
    n = count
    return _laid(
        rng,
        extent_mm,
        rng.uniform(0, np.pi, n),
        rng.uniform(25, 90, n),
        curvature_per_mm=rng.normal(0, 1 / 600, n),
        depth_um=rng.uniform(5, 12, n),
        tip_radius_um=rng.uniform(10, 20, n),
        wall_slope=rng.uniform(0.5, 0.9, n),
        waviness=rng.uniform(0.03, 0.06, n),
        kind=np.full(n, KINDS.index("deep_scratch")),
        born=np.zeros(n, dtype=np.int64),
    )


def draw_machine_trails(
    rng: np.random.Generator,
    *,
    extent_mm: tuple[float, float],
    density_mm_per_cm2: float,
    direction_rad: float,
    born: int,
) -> Grooves:
    """Draw the parallel, faint grooves that a machine leaves along its path."""
    mean_length = 40.0
    n = rng.poisson(density_mm_per_cm2 * extent_mm[0] * extent_mm[1] / 100 / mean_length)
    return _laid(
        rng,
        extent_mm,
        direction_rad + rng.normal(0, np.deg2rad(4), n),
        rng.lognormal(np.log(mean_length) - 0.4**2 / 2, 0.4, n),
        curvature_per_mm=rng.normal(0, 1 / 800, n),
        depth_um=rng.exponential(0.25, n) + 0.05,
        tip_radius_um=rng.lognormal(np.log(3), 0.3, n),
        wall_slope=np.clip(rng.lognormal(np.log(0.3), 0.25, n), 0.15, 0.9),
        waviness=np.full(n, 0.0015),
        kind=np.full(n, KINDS.index("machine_trail")),
        born=np.full(n, born),
    )


def _laid(
    rng: np.random.Generator,
    extent_mm: tuple[float, float],
    angle_rad: Floats,
    length_mm: Floats,
    **cut: Floats | NDArray[np.int64],
) -> Grooves:
    """Lay grooves evenly: their middles are uniform, and ends may leave the ground."""
    n = len(angle_rad)
    angle = angle_rad + np.pi * rng.integers(0, 2, n)
    middle = (rng.random((n, 2)) - 0.5) * np.asarray(extent_mm)
    half = length_mm / 2
    # Heading at the start such that the chord through the middle has the drawn direction.
    heading = angle - cut["curvature_per_mm"] * half
    start = middle - half[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    return Grooves(start_mm=start, heading_rad=heading, length_mm=length_mm, **cut)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GrooveSamples:
    """Points along grooves.

    Attributes
    ----------
    uv_mm, direction_rad
        Shape (n, 2) and (n,): place on the surface and direction of the groove there.
    groove
        Shape (n,): which groove.
    length_mm
        Shape (n,): the length that each point stands for.
    """

    uv_mm: Floats
    direction_rad: Floats
    groove: NDArray[np.int64]
    length_mm: Floats

    def chosen(self, which: NDArray[np.bool_]) -> "GrooveSamples":
        """Return some of the points; `which` is of shape (n,)."""
        return GrooveSamples(
            uv_mm=self.uv_mm[which],
            direction_rad=self.direction_rad[which],
            groove=self.groove[which],
            length_mm=self.length_mm[which],
        )


def sample(grooves: Grooves, *, step_mm: float) -> GrooveSamples:
    """Return points along each groove, about `step_mm` apart, at the middles of equal parts."""
    count = np.maximum(np.ceil(grooves.length_mm / step_mm).astype(np.int64), 1)
    groove = np.repeat(np.arange(len(grooves)), count)
    first = np.cumsum(count) - count
    part = np.arange(len(groove)) - first[groove]
    length = (grooves.length_mm / count)[groove]
    along = (part + 0.5) * length
    kappa = grooves.curvature_per_mm[groove]
    heading = grooves.heading_rad[groove]
    direction = heading + kappa * along
    # A chord of an arc: twice its radius times the sine of half its angle, at the mean heading.
    half_turn = kappa * along / 2
    chord = along * np.sinc(half_turn / np.pi)
    mean_heading = heading + half_turn
    offset = chord[:, None] * np.stack([np.cos(mean_heading), np.sin(mean_heading)], axis=-1)
    return GrooveSamples(
        uv_mm=grooves.start_mm[groove] + offset,
        direction_rad=direction,
        groove=groove,
        length_mm=length,
    )


def edge_slope(depth_um: Floats, tip_radius_um: Floats, wall_slope: Floats) -> Floats:
    """Return the steepest slope of a groove worn down to `depth_um`."""
    return np.minimum(wall_slope, np.sqrt(2 * np.maximum(depth_um, 0) / tip_radius_um))


def width_per_slope_um(
    slope: Floats, depth_um: Floats, tip_radius_um: Floats, wall_slope: Floats
) -> Floats:
    """Return how much of a groove's width has a given slope, in um per unit of slope.

    The bottom is a parabola, each slope over `tip_radius_um`; where the groove is deep enough,
    straight but uneven walls of `wall_slope` follow. Diffraction at so narrow a groove smears
    the slopes by about a quarter of wavelength over width.

    Parameters
    ----------
    slope
        Slope across the groove at which to evaluate.
    depth_um
        What is left of the depth; where it is not positive the groove is gone.
    tip_radius_um, wall_slope
        As in `Grooves`.
    """
    depth = np.maximum(depth_um, 1e-6)
    steepest = edge_slope(depth, tip_radius_um, wall_slope)
    wall_um = np.maximum(depth - tip_radius_um * wall_slope**2 / 2, 0) / wall_slope
    width_um = 2 * (tip_radius_um * steepest + wall_um)
    smear = 0.25 * WAVELENGTH_UM / np.maximum(width_um, 1.0) + 0.01
    root2 = np.sqrt(2) * smear
    bottom = tip_radius_um / 2 * (erf((steepest - slope) / root2) + erf((steepest + slope) / root2))
    uneven = np.hypot(smear, 0.08)
    wall = wall_um * (_bell(slope - wall_slope, uneven) + _bell(slope + wall_slope, uneven))
    return np.where(depth_um > 0, bottom + wall, 0.0)


def _bell(x: Floats, sd: Floats) -> Floats:
    height: Floats = np.exp(-((x / sd) ** 2) / 2) / (np.sqrt(2 * np.pi) * sd)
    return height


def select(grooves: Grooves, chosen: NDArray[np.bool_]) -> Grooves:
    """Return only the chosen grooves."""
    fields = {name: getattr(grooves, name)[chosen] for name in Grooves.__dataclass_fields__}
    return replace(grooves, **fields)
