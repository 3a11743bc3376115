"""Small photos with a known truth, for people to judge: single states, pairs, and anchors."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.errors import DefectscanError
from defectscan.simulation.develop import Development
from defectscan.simulation.grooves import KINDS
from defectscan.simulation.panel import PAINTS, Panel
from defectscan.simulation.render import RenderedShot, render_shot
from defectscan.simulation.specimen import (
    Pass,
    Specimen,
    Stand,
    draw_panel,
    first_scene,
    highlight_is_inside,
    polish_panel,
)

DEFAULT_RANGE_MM_PER_CM2 = (1.0, 320.0)
ACROSS_MM = 120.0
MOVE_MM = 25.0
_MOST_TRIES = 50


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JudgedPhoto:
    """A rendered photo and what is true of it.

    Attributes
    ----------
    name, paint
        What it is called in the key, and the paint.
    jpeg
        The photo's file.
    lit
        uint8, shape (H, W): above 0 on the middles of the lines that it shows.
    density_mm_per_cm2
        True line density.
    kinds_mm_per_cm2
        The same by kind.
    """

    name: str
    paint: str
    jpeg: bytes
    lit: NDArray[np.uint8]
    density_mm_per_cm2: float
    kinds_mm_per_cm2: dict[str, float]


def render_singles(
    count: int,
    *,
    range_mm_per_cm2: tuple[float, float],
    seed: int,
    width_px: int,
    progress: Callable[[str], None] = lambda _: None,
) -> list[JudgedPhoto]:
    """Render single states, their densities spread evenly in ratio over a range.

    Parameters
    ----------
    count
        How many.
    range_mm_per_cm2
        Lowest and highest line density.
    seed
        Of all randomness.
    width_px
        Width of the photos.
    progress
        Told the name of each photo before it is rendered.

    Raises
    ------
    DefectscanError
        If the range is none.
    """
    low, high = _checked(range_mm_per_cm2)
    steps = np.linspace(0, 1, count) if count > 1 else np.array([0.5])
    photos = []
    for number, (step, paint, rng) in enumerate(_plan(count, seed, steps), start=1):
        name = f"rendered {number}"
        progress(name)
        density = low * (high / low) ** step
        panel = draw_panel(_specimen(rng, paint, density), rng, flake_seed=seed + number)
        photos.append(_photo(panel, rng, name=name, paint=paint, width_px=width_px))
    return photos


def render_pairs(
    count: int,
    *,
    range_mm_per_cm2: tuple[float, float],
    seed: int,
    width_px: int,
    progress: Callable[[str], None] = lambda _: None,
) -> list[tuple[JudgedPhoto, JudgedPhoto]]:
    """Render panels before and after a pass, their corrections spread over 5 to 97 %.

    Parameters
    ----------
    count
        How many pairs.
    range_mm_per_cm2
        Lowest and highest line density before; under 60 mm/cm² there is little to correct.
    seed, width_px, progress
        As for `render_singles`.

    Raises
    ------
    DefectscanError
        If the range is none.
    """
    low, high = _checked((max(range_mm_per_cm2[0], 60.0), range_mm_per_cm2[1]))
    steps = np.linspace(0, 1, count) if count > 1 else np.array([0.5])
    pairs = []
    for number, (step, paint, rng) in enumerate(_plan(count, seed, steps), start=1):
        name = f"rendered {number}"
        progress(name)
        specimen = _specimen(rng, paint, float(rng.uniform(low, high)))
        panel = draw_panel(replace(specimen, deep_scratches=0), rng, flake_seed=seed + number)
        # Depths are spread exponentially with a mean of 1 um.
        depth_um = -math.log(1 - (0.05 + 0.92 * step))
        polished = polish_panel(panel, Pass(depth_um=depth_um, unevenness=0.05), rng)
        before, after = (
            _photo(state, rng, name=f"{name}, {when}", paint=paint, width_px=width_px)
            for state, when in ((panel, "before"), (polished, "after"))
        )
        pairs.append((before, after))
    return pairs


def render_anchors(densities_mm_per_cm2: Sequence[float], *, width_px: int) -> list[bytes]:
    """Render one black panel a step of the scale, under the same lamp, as JPEG.

    Parameters
    ----------
    densities_mm_per_cm2
        Of each step.
    width_px
        Width of the pictures.
    """
    pictures = []
    for number, density in enumerate(densities_mm_per_cm2):
        rng = np.random.default_rng(4_000 + number)
        specimen = Specimen(
            density_mm_per_cm2=density,
            deep_scratches=0,
            dust=10,
            across_mm=ACROSS_MM,
            margin_mm=40.0,
        )
        panel = draw_panel(specimen, rng)
        stand = Stand(width_px=width_px, lamp_mm=(20.0, -12.0, 420.0), camera_mm=(-20.0, 14.0, 360))
        scene = first_scene(panel, stand)
        pictures.append(render_shot(panel, scene, Development(), rng).jpeg)
    return pictures


def _plan(
    count: int, seed: int, steps: NDArray[Any]
) -> list[tuple[float, str, np.random.Generator]]:
    """Give each photo its place in the range and a paint, so that neither tells the other."""
    *rngs, of_order = np.random.default_rng(seed).spawn(count + 1)
    names = list(PAINTS)
    # Whole rounds of all paints along the range: each paint gets all of it.
    rounds = [of_order.permutation(names) for _ in range(math.ceil(count / len(names)))]
    paints = [str(name) for one in rounds for name in one][:count]
    return list(zip(steps.tolist(), paints, rngs, strict=True))


def _specimen(rng: np.random.Generator, paint: str, density: float) -> Specimen:
    curved = bool(rng.random() < 0.3)
    return Specimen(
        paint=paint,
        density_mm_per_cm2=density,
        directed=float(rng.choice([0.0, 0.0, 0.3])),
        direction_deg=float(rng.uniform(0, 180)),
        deep_scratches=int(rng.integers(0, 3)) if density > 10 else 0,
        dust=int(rng.integers(10, 70)),
        radius_mm=float(rng.uniform(500, 1500)) if curved else math.inf,
        across_mm=ACROSS_MM,
        margin_mm=40.0,
    )


def _photo(
    panel: Panel, rng: np.random.Generator, *, name: str, paint: str, width_px: int
) -> JudgedPhoto:
    for _ in range(_MOST_TRIES):
        lamp, camera = rng.uniform(-MOVE_MM, MOVE_MM, (2, 3))
        stand = Stand(
            width_px=width_px,
            lamp_mm=(20 + lamp[0], -12 + lamp[1], 420 + lamp[2]),
            camera_mm=(-20 + camera[0], 14 + camera[1], 360 + camera[2]),
        )
        scene = first_scene(panel, stand)
        if highlight_is_inside(scene):
            break
    development = Development(
        exposure=float(rng.uniform(0.85, 1.2)), blur_px=0.8, jpeg_quality=int(rng.integers(85, 96))
    )
    shot: RenderedShot = render_shot(panel, scene, development, rng)
    return JudgedPhoto(
        name=name,
        paint=paint,
        jpeg=shot.jpeg,
        lit=shot.lit,
        density_mm_per_cm2=panel.density_mm_per_cm2(),
        kinds_mm_per_cm2={kind: panel.density_mm_per_cm2(i) for i, kind in enumerate(KINDS)},
    )


def _checked(given: tuple[float, float]) -> tuple[float, float]:
    low, high = given
    if not (0 < low < high <= 1000):
        raise DefectscanError(
            f"the range of line densities is {low:g} to {high:g} mm/cm²",
            allowed="it rises, within 0 to 1000, its lower end above 0 (for pairs its upper above "
            "60)",
            remedy="give another --range",
        )
    return low, high
