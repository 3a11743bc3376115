"""Put panel, scene and camera together: one photo and everything that is true of it."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.simulation import light as lighting
from defectscan.simulation.develop import Development, develop, spread, to_bytes, to_jpeg
from defectscan.simulation.panel import Dust, Panel
from defectscan.simulation.scene import Scene

Floats = NDArray[np.float64]

LUMINANCE = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)
LIT_CONTRAST = 0.05
LIT_NOISE = 5.0
RING_TILT = (0.03, 0.10)
# Of a lens at f/1.8 and ISO 100, under a lamp that needs 1/60 s for a middling paint.
SECONDS_PER_GAIN = 1.5e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RenderedShot:
    """A rendered photo with its truth.

    Attributes
    ----------
    rgb
        uint8, shape (H, W, 3).
    jpeg
        The photo's file.
    lit
        uint8, shape (H, W): 255 on the middle of lit lines of a contrast of at least
        `LIT_CONTRAST` of the paint and `LIT_NOISE` noise deviations, 128 on fainter ones.
    on_paint
        Boolean, shape (H, W): bare paint.
    highlight_xy_px
        Shape (2,): the mirror point.
    mm_per_px
        Square root of area over pixels, averaged over the panel in the picture.
    density_mm_per_cm2
        Of the panel's stated ground.
    reference_length_mm, reference_exposure_cm2
        What perfect eyes see in the ring of `RING_TILT`: length of all glints, and the area
        weighted with the true share of grooves that glint. Their ratio is a density.
    scene, panel, development
        What was rendered.
    """

    rgb: NDArray[np.uint8]
    jpeg: bytes
    lit: NDArray[np.uint8]
    on_paint: NDArray[np.bool_]
    highlight_xy_px: Floats
    mm_per_px: float
    density_mm_per_cm2: float
    reference_length_mm: float
    reference_exposure_cm2: float
    scene: Scene
    panel: Panel
    development: Development


def render_shot(
    panel: Panel,
    scene: Scene,
    development: Development,
    rng: np.random.Generator,
    *,
    ambient: float = 5e-6,
) -> RenderedShot:
    """Render one photo of a panel.

    Parameters
    ----------
    panel, scene
        What is seen, and from where.
    development
        What the camera makes of it.
    rng
        Source of the sensor's noise.
    ambient
        Radiance of the room relative to the lamp's.
    """
    grid = lighting.ground_grid(scene)
    mm_per_px = _mm_per_px(panel, grid)
    seen = scene_light(panel, scene, ambient=ambient, grid_mm=grid)
    outside = _beyond_ground(panel, grid)
    on_paint = (seen.covered < 0.01) & ~(lighting.enlarge(outside, scene) > 0)

    through_lens = spread(seen.light, development)
    gain = seen.own_gain * development.exposure
    encoded = develop(through_lens, development, rng, gain=gain)
    lit = _lit_mask(
        seen.glints,
        covered=seen.covered,
        through_lens=through_lens,
        lines=seen.lines,
        development=development,
        gain=gain,
    )
    reference_length, reference_exposure = _reference(panel, scene, grid, on_paint)
    return RenderedShot(
        rgb=to_bytes(encoded),
        jpeg=to_jpeg(encoded, development, exposure_time_s=gain * SECONDS_PER_GAIN),
        lit=lit,
        on_paint=on_paint,
        highlight_xy_px=scene.project(scene.mirror_point()),
        mm_per_px=mm_per_px,
        density_mm_per_cm2=panel.density_mm_per_cm2(),
        reference_length_mm=reference_length,
        reference_exposure_cm2=reference_exposure,
        scene=scene,
        panel=panel,
        development=development,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SceneLight:
    """What falls on the lens.

    Attributes
    ----------
    light
        Linear, shape (H, W, 3).
    lines
        Of that the glints of grooves, shape (H, W).
    glints
        The same, one by one.
    covered
        Share of each pixel that something on the panel covers, shape (H, W).
    own_gain
        Exposure that the paint would get by itself.
    """

    light: NDArray[np.float32]
    lines: NDArray[np.float32]
    glints: lighting.Glints
    covered: NDArray[np.float32]
    own_gain: float


def scene_light(panel: Panel, scene: Scene, *, ambient: float, grid_mm: Floats) -> SceneLight:
    """Render the light of a scene, before lens and sensor.

    Parameters
    ----------
    panel, scene
        What is seen, and from where.
    ambient
        Radiance of the room relative to the lamp's.
    grid_mm
        From `light.ground_grid`.
    """
    shape = (scene.camera.height_px, scene.camera.width_px)
    paint = lighting.paint_light(panel, scene, ambient=ambient, uv_mm=grid_mm)
    base = lighting.enlarge(paint, scene)
    matt = lighting.enlarge(lighting.irradiance(scene, grid_mm) + ambient, scene)
    highlight, window = lighting.highlight_light(panel, scene)
    base[window] += highlight[..., None]
    glints = lighting.groove_glints(panel, scene)
    lines = lighting.deposit(shape, glints.xy_px, glints.light_px * glints.length_px)
    if panel.paint.flakes_per_mm2:
        lines_and_flakes = lines + lighting.deposit(shape, *lighting.sparkles(panel, scene))
    else:
        lines_and_flakes = lines
    light: NDArray[np.float32] = base + lines_and_flakes[..., None]
    covered = np.zeros(shape, dtype=np.float32)
    for patch in panel.patches:
        mask = lighting.patch_mask(scene, patch)
        left, top, width, height = cv2.boundingRect((mask > 0).astype(np.uint8))
        inside = slice(top, top + height), slice(left, left + width)
        colour = np.asarray(patch.albedo, dtype=np.float32) * matt[inside][..., None]
        light[inside] += mask[inside][..., None] * (colour - light[inside])
        covered[inside] = np.maximum(covered[inside], mask[inside])
    if panel.dust is not None:
        _add_dust(light, panel.dust, scene, matt, px_per_mm=1 / _mm_per_px(panel, grid_mm))
    smooth = cv2.resize(
        paint.astype(np.float32) @ LUMINANCE, (64, 48), interpolation=cv2.INTER_AREA
    )
    albedo = float(np.asarray(panel.paint.albedo) @ LUMINANCE)
    return SceneLight(
        light=light.astype(np.float32),
        lines=lines,
        glints=glints,
        covered=covered,
        own_gain=0.35 * albedo**0.45 / float(np.median(smooth)),
    )


def true_homography(after: RenderedShot, before: RenderedShot) -> Floats:
    """Return the homography from after to before that fits the panel best, shape (3, 3)."""
    uv = _ground_points(before.panel)
    source, target = after.scene.project(uv), before.scene.project(uv)
    matrix, _ = cv2.findHomography(source, target)
    return np.asarray(matrix)


def homography_misfit_px(after: RenderedShot, before: RenderedShot) -> float:
    """Return the rms error of `true_homography` on the panel: no homography fits a curved one."""
    uv = _ground_points(before.panel)
    source = np.concatenate([after.scene.project(uv), np.ones((len(uv), 1))], axis=-1)
    mapped = source @ true_homography(after, before).T
    miss = mapped[:, :2] / mapped[:, 2:] - before.scene.project(uv)
    return float(np.sqrt(np.mean(np.sum(miss**2, axis=-1))))


def reference_floor_density(shots: Sequence[RenderedShot]) -> float:
    """Return the density that perfect eyes with a known lamp would state from these shots.

    It is not a number where no shot shows any of the ring.
    """
    length = sum(shot.reference_length_mm for shot in shots)
    exposure = sum(shot.reference_exposure_cm2 for shot in shots)
    return length / exposure if exposure > 0 else float("nan")


def _ground_points(panel: Panel) -> Floats:
    u, v = (np.linspace(-0.45, 0.45, 12) * extent for extent in panel.extent_mm)
    return np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)


def _beyond_ground(panel: Panel, grid: Floats) -> Floats:
    beyond: NDArray[np.bool_] = np.any(np.abs(grid) > np.asarray(panel.ground_mm) / 2 - 1, axis=-1)
    return beyond.astype(np.float64)


def _add_dust(
    light: NDArray[np.float32],
    dust: Dust,
    scene: Scene,
    matt: NDArray[np.float32],
    *,
    px_per_mm: float,
) -> None:
    """Blend specks of dust into the light, each a soft disc."""
    height, width = matt.shape
    for (x, y), radius_mm, albedo in zip(
        scene.project(dust.uv_mm), dust.radius_mm, dust.albedo, strict=True
    ):
        radius = radius_mm * px_per_mm
        half = int(radius + 2)
        left, top = int(x) - half, int(y) - half
        if left < 0 or top < 0 or left + 2 * half >= width or top + 2 * half >= height:
            continue
        yy, xx = np.mgrid[top : top + 2 * half + 1, left : left + 2 * half + 1]
        cover = np.clip(radius - np.hypot(xx - x, yy - y) + 0.5, 0, 1)[..., None]
        part = light[top : top + 2 * half + 1, left : left + 2 * half + 1]
        speck = albedo * matt[top : top + 2 * half + 1, left : left + 2 * half + 1, None]
        part += (cover * (speck - part)).astype(np.float32)


def _lit_mask(
    glints: lighting.Glints,
    *,
    covered: NDArray[np.float32],
    through_lens: NDArray[np.float32],
    lines: NDArray[np.float32],
    development: Development,
    gain: float,
) -> NDArray[np.uint8]:
    """Mark the middle of each lit line, strong or faint, by its contrast to what lies round it."""
    height, width = covered.shape
    x, y = np.round(glints.xy_px).astype(np.int64).T
    inside = (x >= 0) & (y >= 0) & (x < width) & (y < height)
    x, y = x[inside], y[inside]
    peak = glints.light_px[inside] / (np.sqrt(2 * np.pi) * np.hypot(development.blur_px, 0.3))
    without = through_lens @ LUMINANCE - cv2.GaussianBlur(lines, (0, 0), development.blur_px)
    paint = np.maximum(without[y, x], 0)
    noise = np.sqrt(
        paint / (development.full_well_e * gain)
        + (development.read_noise_e / development.full_well_e / gain) ** 2
    )
    open_paint = covered[y, x] < 0.01
    clipped = paint * gain >= 1
    strong = (peak >= LIT_CONTRAST * paint) & (peak >= LIT_NOISE * noise) & open_paint & ~clipped
    faint = (peak >= 0.2 * LIT_CONTRAST * paint) & open_paint & ~strong
    mask = np.zeros((height, width), dtype=np.uint8)
    mask[y[faint], x[faint]] = 128
    mask[y[strong], x[strong]] = 255
    return mask


def _mm_per_px(panel: Panel, grid: Floats) -> float:
    """Return the square root of the panel's area per pixel, over the stated ground in sight."""
    step = lighting.COARSE_PX
    along_x, along_y = np.diff(grid, axis=1)[:-1], np.diff(grid, axis=0)[:, :-1]
    area = np.abs(along_x[..., 0] * along_y[..., 1] - along_x[..., 1] * along_y[..., 0])
    corner = grid[:-1, :-1]
    area = area * panel.surface.stretch_v(corner)
    inside = np.all(np.abs(corner) <= np.asarray(panel.extent_mm) / 2, axis=-1)
    return float(np.sqrt(area[inside].mean()) / step)


def _reference(
    panel: Panel, scene: Scene, grid: Floats, on_paint: NDArray[np.bool_]
) -> tuple[float, float]:
    """Return glint length in mm and weighted area in cm2 that perfect eyes find in the ring."""
    low, high = RING_TILT
    points, depth = panel.samples(0.2)
    height, width = on_paint.shape
    xy = np.round(scene.project(points.uv_mm)).astype(np.int64)
    # Most grooves of the ground lie outside the picture: they need no slopes.
    seen = np.all((xy >= 0) & (xy < (width, height)), axis=-1)
    seen[seen] = on_paint[xy[seen, 1], xy[seen, 0]]
    points, depth = points.chosen(seen), depth[seen]
    slopes, lamp_slope, _ = scene.facet_slopes(points.uv_mm)
    tilt = np.linalg.norm(slopes, axis=-1)
    along, across = lighting.along_across(slopes, points)
    # Swirls' waviness widens the lamp: two standard deviations hold nearly every glint.
    reach = lamp_slope + 2 * 0.0015
    steepest = lighting.steepest_slope(panel, points, depth)
    glints = (tilt >= low) & (tilt <= high) & (np.abs(along) <= reach) & (across <= steepest)
    stretch = panel.surface.stretch_v(points.uv_mm[glints])
    angle = points.direction_rad[glints]
    length_mm = points.length_mm[glints] * np.hypot(np.cos(angle), np.sin(angle) * stretch)
    length = float(length_mm.sum())

    slopes, lamp_slope, _ = scene.facet_slopes(grid)
    tilt = np.linalg.norm(slopes, axis=-1)
    step = lighting.COARSE_PX
    small = on_paint[step // 2 :: step, step // 2 :: step]
    along_x = np.gradient(grid, axis=1)
    along_y = np.gradient(grid, axis=0)
    area = np.abs(along_x[..., 0] * along_y[..., 1] - along_x[..., 1] * along_y[..., 0])
    area = area * panel.surface.stretch_v(grid)
    rows, columns = min(small.shape[0], area.shape[0]), min(small.shape[1], area.shape[1])
    ring = (tilt >= low) & (tilt <= high)
    ring[:rows, :columns] &= small[:rows, :columns]
    share = 2 / np.pi * np.arcsin(np.minimum(1, (lamp_slope + 2 * 0.0015) / np.maximum(tilt, 1e-9)))
    return length, float((area * share)[ring].sum() / 100)
