"""What nothing but the choice of grooves leaves open: perfect sight of all that the lamps light.

The pairs are those of `accuracy.py`. Of each, the grooves are taken whose course the lamps of
either state light, however shallow, and are known in both states: that is all that the photos
could tell. What is left of the correction's error is that other grooves of the panel fare
otherwise. No photo is rendered.
"""

import argparse
from types import SimpleNamespace
from unittest import mock

import numpy as np
import scenes
from numpy.typing import NDArray

from defectscan.simulation import light as lighting
from defectscan.simulation.develop import Development
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


def shown_mm(panel: Panel, lit_by: list[Scene]) -> float:
    """Return the length of groove on the courses that each of the lamps lights, summed."""
    points, depth = panel.samples(STEP_MM)
    total = 0.0
    for scene in lit_by:
        slopes, lamp_slope, _ = scene.facet_slopes(points.uv_mm)
        along, _ = lighting.along_across(slopes, points)
        tilt = np.linalg.norm(slopes, axis=-1)
        shown = (np.abs(along) <= lamp_slope) & (tilt > TILTS[0]) & (tilt < TILTS[1]) & (depth > 0)
        shown &= in_sight(panel, scene, points.uv_mm)
        total += float(points.length_mm[shown].sum())
    return total


def error_points(seed: int, *, shots: int, over_panel: bool = False) -> float:
    """Return by how much the shown grooves' correction misses the panel's, percentage points."""
    with mock.patch.object(scenes, "render_shot", not_rendered):
        case = scenes.draw_case(seed, shots=shots, over_panel=over_panel)
    before, after = case.before[0].panel, case.after[0].panel
    lit_by = [shot.scene for shot in [*case.before, *case.after]]
    shown = shown_mm(after, lit_by) / shown_mm(before, lit_by)
    true = after.density_mm_per_cm2() / before.density_mm_per_cm2()
    return 100 * (true - shown)


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=36)
    parser.add_argument("--first", type=int, default=50_000)
    parser.add_argument("--shots", type=int, default=5)
    parser.add_argument(
        "--over-panel", action="store_true", help="take the shots as the capture guide says"
    )
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.pairs)
    errors = np.array(
        [error_points(seed, shots=given.shots, over_panel=given.over_panel) for seed in seeds]
    )
    print(
        f"correction by all grooves that {given.shots} lamps a state light, {given.pairs} pairs: "
        f"median error {np.median(np.abs(errors)):.2f} points, "
        f"rms {np.sqrt(np.mean(errors**2)):.2f}, bias {errors.mean():+.2f}"
    )


if __name__ == "__main__":
    main()
