"""A panel and its states: paint, grooves, what is stuck on it, and what polishing does."""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from defectscan.simulation.grooves import Grooves, GrooveSamples, join, sample
from defectscan.simulation.surface import SmoothField, Surface, smooth_field

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Paint:
    """A paint under its clear coat.

    Attributes
    ----------
    albedo
        Red, green, blue reflectance of the base coat, linear.
    flakes_per_mm2
        Effect flakes large enough to sparkle one by one; 0 is a solid paint.
    flake_tilt
        Standard deviation of the flakes' slope.
    flake_area_um2
        Mean mirroring area of a flake.
    flash
        Reflectance of all finer flakes together, which brighten the paint round the highlight.
    """

    albedo: tuple[float, float, float]
    flakes_per_mm2: float = 0.0
    flake_tilt: float = 0.12
    flake_area_um2: float = 1.5
    flash: float = 0.0


PAINTS = {
    "black": Paint(albedo=(0.012, 0.012, 0.013)),
    "graphite metallic": Paint(albedo=(0.05, 0.052, 0.056), flakes_per_mm2=25, flash=0.010),
    "blue metallic": Paint(albedo=(0.02, 0.045, 0.16), flakes_per_mm2=18, flash=0.008),
    "red": Paint(albedo=(0.36, 0.02, 0.02)),
    "silver metallic": Paint(
        albedo=(0.20, 0.20, 0.21), flakes_per_mm2=30, flake_area_um2=3.0, flash=0.012
    ),
    "white": Paint(albedo=(0.65, 0.65, 0.63)),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patch:
    """Something that covers paint: trim, tape, an emblem, or what lies beyond an edge.

    Attributes
    ----------
    outline_mm
        Shape (n, 2), surface coordinates of its corners.
    albedo
        Linear reflectance.
    what
        "trim", "tape", "emblem" or "gap".
    """

    outline_mm: Floats
    albedo: tuple[float, float, float]
    what: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Dust:
    """Specks on the paint.

    Attributes
    ----------
    uv_mm, radius_mm, albedo
        Shape (n, 2), (n,) and (n,).
    """

    uv_mm: Floats
    radius_mm: Floats
    albedo: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PolishingPass:
    """One pass: how much it took off, and the haze that it left.

    Attributes
    ----------
    depth_um
        Mean film taken off.
    unevenness
        Relative departure from the mean over the panel.
    haze
        Share of the light that grooves too fine to see scatter round the highlight.
    """

    depth_um: float
    unevenness: SmoothField
    haze: float = 0.0

    def removed_um(self, uv_mm: Floats) -> Floats:
        """Return the film taken off at surface coordinates (..., 2)."""
        return self.depth_um * np.maximum(1 + self.unevenness.at(uv_mm), 0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Panel:
    """A panel in one state.

    Attributes
    ----------
    extent_mm
        Size along u and v of the ground on which its density is stated.
    ground_mm
        Size of the larger ground that grooves, flakes and dust fill.
    """

    surface: Surface
    extent_mm: tuple[float, float]
    ground_mm: tuple[float, float]
    paint: Paint
    grooves: Grooves
    orange_peel: tuple[SmoothField, SmoothField]
    flake_seed: int
    patches: tuple[Patch, ...] = ()
    dust: Dust | None = None
    haze: float = 0.0
    passes: tuple[PolishingPass, ...] = field(default=())

    def samples(self, step_mm: float) -> tuple[GrooveSamples, Floats]:
        """Return points along all grooves and the depth in um left at each (0 or less: gone)."""
        points = sample(self.grooves, step_mm=step_mm)
        depth = self.grooves.depth_um[points.groove].copy()
        born = self.grooves.born[points.groove]
        for number, done in enumerate(self.passes):
            hit = born <= number
            depth[hit] -= done.removed_um(points.uv_mm[hit])
        return points, depth

    def density_mm_per_cm2(self, kind: int | None = None) -> float:
        """Return the true length of groove per area of the panel."""
        points, depth = self.samples(0.5)
        inside = np.all(np.abs(points.uv_mm) <= np.asarray(self.extent_mm) / 2, axis=-1)
        inside &= depth > 0
        if kind is not None:
            inside &= self.grooves.kind[points.groove] == kind
        uv = points.uv_mm[inside]
        stretch = self.surface.stretch_v(uv)
        angle = points.direction_rad[inside]
        length = points.length_mm[inside] * np.hypot(np.cos(angle), np.sin(angle) * stretch)
        u = (np.arange(200) + 0.5) / 200 * self.extent_mm[0] - self.extent_mm[0] / 2
        strip = self.surface.stretch_v(np.stack([u, np.zeros_like(u)], axis=-1))
        area_cm2 = self.extent_mm[0] * self.extent_mm[1] * strip.mean() / 100
        return float(length.sum() / area_cm2)


def polish(
    panel: Panel,
    rng: np.random.Generator,
    *,
    depth_um: float,
    unevenness: float = 0.2,
    haze: float = 0.0,
    trails: Grooves | None = None,
) -> Panel:
    """Return the panel after a pass that took off `depth_um`, unevenly.

    Parameters
    ----------
    panel
        The state before.
    rng
        Source of randomness.
    depth_um
        Mean film taken off, um.
    unevenness
        Relative standard deviation over the panel.
    haze
        Haze left, as in `PolishingPass`; it takes the place of the haze that was there.
    trails
        Grooves that the machine left; their `born` is set here.
    """
    uneven = smooth_field(
        rng, extent_mm=panel.ground_mm, wavelength_mm=80, standard_deviation=unevenness
    )
    done = PolishingPass(depth_um=depth_um, unevenness=uneven, haze=haze)
    grooves = panel.grooves
    if trails is not None:
        born = np.full(len(trails), len(panel.passes) + 1)
        grooves = join(grooves, replace(trails, born=born))
    dust = panel.dust
    if dust is not None:
        stays = rng.random(len(dust.radius_mm)) < 0.3
        moved = np.where(stays[:, None], dust.uv_mm, _anywhere(rng, len(stays), panel.ground_mm))
        dust = replace(dust, uv_mm=moved)
    return replace(panel, grooves=grooves, dust=dust, haze=haze, passes=(*panel.passes, done))


def draw_dust(rng: np.random.Generator, *, count: int, ground_mm: tuple[float, float]) -> Dust:
    """Draw specks of dust, most of them a few hundredths of a millimetre across."""
    return Dust(
        uv_mm=_anywhere(rng, count, ground_mm),
        radius_mm=np.clip(rng.lognormal(np.log(0.06), 0.6, count), 0.02, 0.6),
        albedo=rng.uniform(0.2, 0.7, count),
    )


def draw_orange_peel(
    rng: np.random.Generator, *, ground_mm: tuple[float, float], slope: float
) -> tuple[SmoothField, SmoothField]:
    """Draw the paint's waviness as slopes along u and v with the given standard deviation."""
    height = smooth_field(rng, extent_mm=ground_mm, wavelength_mm=6, standard_deviation=1.0)
    along_v, along_u = np.gradient(height.values, height.step_mm)
    scale = slope / max(float(np.hypot(along_u.std(), along_v.std())) / np.sqrt(2), 1e-12)
    return (
        SmoothField(values=(along_u * scale).astype(np.float32), step_mm=height.step_mm),
        SmoothField(values=(along_v * scale).astype(np.float32), step_mm=height.step_mm),
    )


def _anywhere(rng: np.random.Generator, n: int, ground_mm: tuple[float, float]) -> Floats:
    places: Floats = (rng.random((n, 2)) - 0.5) * np.asarray(ground_mm)
    return places
