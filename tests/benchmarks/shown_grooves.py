"""What nothing but the choice of grooves leaves open: perfect sight of all that the lamps light.

The pairs are those of `accuracy.py`; no photo is rendered. Two kinds of perfect eyes are asked:

- those that know each groove whose course the lamps of either state light, however shallow, in
  both states: what is left of the correction's error is that other grooves of the panel fare
  otherwise;
- those that see in each state what its own lamps light there, on walls steep enough, and know how
  likely a groove was to be lit: the most that can be said without following single grooves from
  one state to the other.
"""

import argparse
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from types import SimpleNamespace
from unittest import mock

import numpy as np
import scenes
from numpy.typing import NDArray

from defectscan.simulation import light as lighting
from defectscan.simulation.develop import Development
from defectscan.simulation.grooves import edge_slope
from defectscan.simulation.panel import Panel
from defectscan.simulation.scene import Scene

Floats = NDArray[np.float64]

# Nearer to the highlight lies its bloom, and steeper walls are rare.
TILTS = (0.015, 0.4)
STEP_MM = 0.4


def not_rendered(
    panel: Panel, scene: Scene, _: Development, rng: np.random.Generator
) -> SimpleNamespace:
    """Stand in for `render_shot`, and draw as many random numbers, for the shots to come."""
    rng.standard_normal((scenes.HEIGHT_PX, scenes.WIDTH_PX, 3), dtype=np.float32)
    return SimpleNamespace(panel=panel, scene=scene)


def in_sight(panel: Panel, scene: Scene, uv_mm: Floats) -> NDArray[np.bool_]:
    """Return which points are in the picture and not covered, shape (n,)."""
    x, y = np.round(scene.project(uv_mm)).astype(np.int64).T
    seen = (x >= 0) & (y >= 0) & (x < scene.camera.width_px) & (y < scene.camera.height_px)
    for patch in panel.patches:
        share = lighting.patch_mask(scene, patch)
        seen[seen] = share[y[seen], x[seen]] < 0.01
    return seen


@dataclass(frozen=True, slots=True)
class Shown:
    """What perfect eyes say of a pair: by how much each kind misses, percentage points."""

    known_in_both: float
    own_lamps: float


def shown_mm(panel: Panel, lit_by: list[Scene], *, steep: bool = False) -> float:
    """Return the length of groove on the courses that each of the lamps lights, summed.

    Parameters
    ----------
    panel
        In one state.
    lit_by
        Shots, of any state.
    steep
        Whether only walls as steep as the lamp asks for count.
    """
    points, depth = panel.samples(STEP_MM)
    grooves = panel.grooves
    steepest = edge_slope(
        depth, grooves.tip_radius_um[points.groove], grooves.wall_slope[points.groove]
    )
    total = 0.0
    for scene in lit_by:
        slopes, lamp_slope, _ = scene.facet_slopes(points.uv_mm)
        along, _ = lighting.along_across(slopes, points)
        tilt = np.linalg.norm(slopes, axis=-1)
        shown = (np.abs(along) <= lamp_slope) & (tilt > TILTS[0]) & (tilt < TILTS[1]) & (depth > 0)
        shown &= in_sight(panel, scene, points.uv_mm)
        if steep:
            shown &= steepest > tilt
        total += float(points.length_mm[shown].sum())
    return total


def exposure_mm2(panel: Panel, lit_by: list[Scene]) -> float:
    """Return the ground in sight of the lamps, each place times the share of directions lit."""
    u, v = (np.arange(-side / 2, side / 2) + 0.5 for side in scenes.GROUND_MM)
    ground = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    total = 0.0
    for scene in lit_by:
        slopes, lamp_slope, _ = scene.facet_slopes(ground)
        tilt = np.linalg.norm(slopes, axis=-1)
        seen = (tilt > TILTS[0]) & (tilt < TILTS[1]) & in_sight(panel, scene, ground)
        share = 2 / np.pi * np.arcsin(np.minimum(1, lamp_slope / np.maximum(tilt, 1e-9)))
        total += float(share[seen].sum())
    return total


def errors_points(seed: int, *, shots: int, over_panel: bool = False) -> Shown:
    """Return by how much perfect eyes' correction misses the panel's."""
    with mock.patch.object(scenes, "render_shot", not_rendered):
        case = scenes.draw_case(seed, shots=shots, over_panel=over_panel)
    before, after = case.before[0].panel, case.after[0].panel
    own = [[shot.scene for shot in state] for state in (case.before, case.after)]
    both = own[0] + own[1]
    left = shown_mm(after, both) / shown_mm(before, both)
    densities = [
        shown_mm(panel, lit_by, steep=True) / exposure_mm2(panel, lit_by)
        for panel, lit_by in zip((before, after), own, strict=True)
    ]
    true = after.density_mm_per_cm2() / before.density_mm_per_cm2()
    return Shown(100 * (true - left), 100 * (true - densities[1] / densities[0]))


def report(found: Sequence[Shown]) -> str:
    """Return the figures of all pairs, a line for each kind of perfect eyes."""
    lines = []
    for words, points in (
        ("all grooves that the lamps light, known in both", [one.known_in_both for one in found]),
        ("what the lamps of each state light in it", [one.own_lamps for one in found]),
    ):
        errors = np.array(points)
        lines.append(
            f"  {words}: median error {np.median(np.abs(errors)):.2f} points, "
            f"rms {np.sqrt(np.mean(errors**2)):.2f}, bias {errors.mean():+.2f}"
        )
    return "\n".join(lines)


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=36)
    parser.add_argument("--first", type=int, default=50_000)
    parser.add_argument("--shots", type=int, default=5)
    parser.add_argument(
        "--over-panel", action="store_true", help="take the shots as the capture guide says"
    )
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.pairs)
    ask = partial(errors_points, shots=given.shots, over_panel=given.over_panel)
    with ProcessPoolExecutor(given.jobs) as pool:
        found = list(pool.map(ask, seeds))
    print(f"correction by perfect eyes, {given.pairs} pairs, {given.shots} shots a state")
    print(report(found))


if __name__ == "__main__":
    main()
