"""Light from a panel, linear and unclipped, in units of the lamp's own radiance."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.simulation.grooves import GrooveSamples, edge_slope, width_per_slope_um
from defectscan.simulation.panel import Panel, Patch
from defectscan.simulation.scene import Scene
from defectscan.simulation.surface import SmoothField

Floats = NDArray[np.float64]
Image = NDArray[np.float32]

COARSE_PX = 8
REFRACTIVE_INDEX = 1.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Glints:
    """The lit points of grooves.

    Attributes
    ----------
    xy_px
        Shape (n, 2).
    light_px
        Shape (n,): light of each point per pixel of length along the line, so that a line of
        constant value v blurred by a Gaussian of sd b has the peak v / (sqrt(2 pi) b).
    length_px
        Shape (n,): length that each point stands for in the picture.
    """

    xy_px: Floats
    light_px: Floats
    length_px: Floats


def fresnel(cosine: Floats, *, index: float = REFRACTIVE_INDEX) -> Floats:
    """Return the unpolarised reflectance of clear coat at the cosine of incidence (Fresnel).

    Parameters
    ----------
    cosine
        Shape (...): of the angle of incidence.
    index
        Refractive index.
    """
    n = index
    inside = np.sqrt(n**2 - (1 - cosine**2))
    across = ((cosine - inside) / (cosine + inside)) ** 2
    along = ((n**2 * cosine - inside) / (n**2 * cosine + inside)) ** 2
    return (across + along) / 2


def ground_grid(scene: Scene) -> Floats:
    """Return the surface coordinates of a coarse grid of pixels, shape (rows, columns, 2)."""
    camera = scene.camera
    x = (np.arange(-(-camera.width_px // COARSE_PX)) + 0.5) * COARSE_PX - 0.5
    y = (np.arange(-(-camera.height_px // COARSE_PX)) + 0.5) * COARSE_PX - 0.5
    return scene.to_surface(np.stack(np.meshgrid(x, y), axis=-1))


def enlarge(coarse: Floats, scene: Scene) -> Image:
    """Return a coarse grid's values at every pixel."""
    rows, columns = coarse.shape[:2]
    size = (columns * COARSE_PX, rows * COARSE_PX)
    full = cv2.resize(coarse.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(full, dtype=np.float32)[: scene.camera.height_px, : scene.camera.width_px]


def irradiance(scene: Scene, uv_mm: Floats) -> Floats:
    """Return the radiance of a white matt surface lit by the lamp (its disc faces the panel)."""
    point = scene.surface.point(uv_mm)
    normal = scene.surface.frame(uv_mm)[2]
    to_lamp = np.asarray(scene.lamp.position_mm) - point
    distance = np.linalg.norm(to_lamp, axis=-1)
    cosine = np.sum(to_lamp * normal, axis=-1) / distance
    facing = to_lamp[..., 2] / distance
    radiance: Floats = (scene.lamp.radius_mm / distance) ** 2 * np.maximum(cosine * facing, 0)
    return radiance


def paint_light(panel: Panel, scene: Scene, *, ambient: float, uv_mm: Floats) -> Floats:
    """Return the light of paint, haze and mirrored room on the coarse grid, shape (..., 3)."""
    slopes, lamp_slope, cosine = scene.facet_slopes(uv_mm)
    matt = irradiance(scene, uv_mm)
    tilt_squared = np.sum(slopes**2, axis=-1)
    paint = panel.paint
    flash = 20 * paint.flash * np.exp(-tilt_squared / (2 * paint.flake_tilt**2))
    colour = np.asarray(paint.albedo)
    bright = colour / max(colour.mean(), 1e-6)
    light: Floats = colour * (matt + ambient)[..., None] + bright * (flash * matt)[..., None]
    shine = fresnel(np.clip(cosine, 0.05, 1))
    width = 0.06
    haze = panel.haze * lamp_slope**2 / (2 * width**2) * np.exp(-tilt_squared / (2 * width**2))
    # The room mirrored in the panel: brighter towards one side, as a workshop with a door is.
    room = ambient * (1 + 1.5 * np.tanh(2 * (slopes[..., 0] + 0.4 * slopes[..., 1])))
    light += (shine * (haze + room))[..., None]
    return light


def highlight_light(panel: Panel, scene: Scene) -> tuple[Image, tuple[slice, slice]]:
    """Return the lamp's mirror image and the part of the picture that it fills."""
    camera = scene.camera
    centre = scene.mirror_point()
    middle = scene.project(centre)
    slope = scene.facet_slopes(centre)[1]
    reach = 1.0
    slopes_off = scene.facet_slopes(centre + np.array([[reach, 0], [0, reach]]))[0]
    per_mm = max(float(np.linalg.norm(slopes_off, axis=-1).min()), 1e-6)
    px_per_mm = np.linalg.norm(scene.project(centre + np.array([1.0, 0.0])) - middle)
    half = int((slope / per_mm + 3) * px_per_mm * 1.6) + 8
    x0, y0 = (int(v) - half for v in middle)
    left, top = max(x0, 0), max(y0, 0)
    right = max(min(x0 + 2 * half, camera.width_px), left)
    bottom = max(min(y0 + 2 * half, camera.height_px), top)
    window = (slice(top, bottom), slice(left, right))
    if right == left or bottom == top:
        return np.zeros((bottom - top, right - left), dtype=np.float32), window
    y, x = np.mgrid[top:bottom, left:right].astype(np.float64)
    uv = scene.to_surface(np.stack([x, y], axis=-1))
    slopes, lamp_slope, cosine = scene.facet_slopes(uv)
    miss = np.linalg.norm(slopes - peel_slopes(panel, uv), axis=-1)
    # Soft by half a pixel at the rim, as a pixel partly filled is.
    per_px = per_mm / px_per_mm
    cover = np.clip((lamp_slope - miss) / per_px + 0.5, 0, 1)
    return (cover * fresnel(cosine)).astype(np.float32), window


def peel_slopes(panel: Panel, uv_mm: Floats) -> Floats:
    """Return the orange peel's slopes, shape (..., 2)."""
    return np.stack([field.at(uv_mm) for field in panel.orange_peel], axis=-1)


def groove_glints(panel: Panel, scene: Scene) -> Glints:
    """Return the glints of all grooves in the picture, and of some just beside it.

    A facet mirrors the lamp where its slope lies within the lamp's disc of slopes. Integrated
    over the slopes across a groove and over its waviness along, this gives the lit width.
    """
    coarse, depth_um = panel.samples(0.4)
    near = _near_picture(scene, coarse.uv_mm)
    coarse, depth_um = coarse.chosen(near), depth_um[near]
    slopes, lamp_slope, _ = scene.facet_slopes(coarse.uv_mm)
    slopes -= peel_slopes(panel, coarse.uv_mm)
    along, across = along_across(slopes, coarse)
    waviness = panel.grooves.waviness[coarse.groove]
    lit = (np.abs(along) < lamp_slope + 4 * waviness + 0.004) & (depth_um > 0)
    parts = 12
    offset = (np.arange(parts) + 0.5) / parts - 0.5
    chosen = np.flatnonzero(lit)
    groove = coarse.groove[chosen]
    # Finer points by straight interpolation along the groove: slopes change little in 0.4 mm.
    length = coarse.length_mm[chosen]
    direction = coarse.direction_rad[chosen]
    ahead = np.stack([np.cos(direction), np.sin(direction)], axis=-1)
    uv = coarse.uv_mm[chosen][:, None] + offset[:, None] * (length[:, None] * ahead)[:, None]
    change = (scene.facet_slopes(uv[:, -1])[0] - scene.facet_slopes(uv[:, 0])[0]) / (1 - 1 / parts)
    change_along = np.sum(change * ahead, axis=-1)
    change_along += panel.grooves.curvature_per_mm[groove] * length * across[chosen]
    fine_along = along[chosen][:, None] + offset * change_along[:, None]
    lamp = lamp_slope[chosen][:, None]
    chord = _chord(fine_along, lamp, waviness[chosen][:, None])
    lit_um = chord * width_per_slope_um(
        across[chosen][:, None],
        depth_um[chosen][:, None],
        panel.grooves.tip_radius_um[groove][:, None],
        panel.grooves.wall_slope[groove][:, None],
    )
    xy = scene.project(uv)
    step_px = np.linalg.norm(xy[:, -1] - xy[:, 0], axis=-1) / (parts - 1)
    side = np.stack([-ahead[:, 1], ahead[:, 0]], axis=-1)
    middle = coarse.uv_mm[chosen]
    px_across = _px_across(scene, middle, ahead, side)
    _, _, cosine = scene.facet_slopes(middle)
    light = lit_um / 1000 * (px_across * fresnel(cosine))[:, None]
    return Glints(
        xy_px=xy.reshape(-1, 2),
        light_px=light.ravel(),
        length_px=np.repeat(step_px, parts),
    )


def _near_picture(scene: Scene, uv_mm: Floats) -> NDArray[np.bool_]:
    """Return which places, shape (n, 2), are in the picture or within a fiftieth of it beside."""
    size = np.array([scene.camera.width_px, scene.camera.height_px])
    margin = size.max() / 50
    xy = scene.project(uv_mm)
    near: NDArray[np.bool_] = np.all((xy > -margin) & (xy < size + margin), axis=-1)
    return near


def along_across(slopes: Floats, points: GrooveSamples) -> tuple[Floats, Floats]:
    """Return the needed slope's parts along each groove and, as a magnitude, across it."""
    cos, sin = np.cos(points.direction_rad), np.sin(points.direction_rad)
    along = slopes[..., 0] * cos + slopes[..., 1] * sin
    across = np.abs(slopes[..., 1] * cos - slopes[..., 0] * sin)
    return along, across


def steepest_slope(panel: Panel, points: GrooveSamples, depth_um: Floats) -> Floats:
    """Return the steepest slope left of the groove at each point, 0 where it is gone."""
    grooves = panel.grooves
    slope = edge_slope(
        depth_um, grooves.tip_radius_um[points.groove], grooves.wall_slope[points.groove]
    )
    return np.where(depth_um > 0, slope, 0.0)


def _chord(along: Floats, lamp: Floats, waviness: Floats) -> Floats:
    """Return the lamp's extent across the groove at `along`, averaged over the waviness."""
    nodes = np.array([-1.7, -1.0, -0.5, 0.0, 0.5, 1.0, 1.7])
    weights = np.exp(-(nodes**2) / 2)
    weights /= weights.sum()
    total = np.zeros(np.broadcast_shapes(along.shape, lamp.shape))
    for node, weight in zip(nodes, weights, strict=True):
        off = along + node * waviness
        total += weight * 2 * np.sqrt(np.maximum(lamp**2 - off**2, 0))
    return total


def _px_across(scene: Scene, uv: Floats, ahead: Floats, side: Floats) -> Floats:
    """Return the pixels per mm across each groove, as seen square to its image."""
    step = 0.05
    here = scene.project(uv)
    forward = scene.project(uv + step * ahead) - here
    sideways = scene.project(uv + step * side) - here
    area = np.abs(forward[:, 0] * sideways[:, 1] - forward[:, 1] * sideways[:, 0])
    px_per_mm: Floats = area / np.linalg.norm(forward, axis=-1) / step
    return px_per_mm


def sparkles(panel: Panel, scene: Scene) -> tuple[Floats, Floats]:
    """Return the pixels, shape (n, 2), and the light in px of the effect flakes that sparkle."""
    paint = panel.paint
    rng = np.random.default_rng(panel.flake_seed)
    n = rng.poisson(paint.flakes_per_mm2 * panel.ground_mm[0] * panel.ground_mm[1])
    uv = (rng.random((n, 2)) - 0.5) * np.asarray(panel.ground_mm)
    tilt = rng.normal(0, paint.flake_tilt, (n, 2))
    area = paint.flake_area_um2 * rng.lognormal(-(0.8**2) / 2, 0.8, n)
    step = 2.0
    rows, columns = (int(e / step) + 3 for e in panel.ground_mm[::-1])
    v, u = np.mgrid[:rows, :columns]
    grid = np.stack([u - (columns - 1) / 2, v - (rows - 1) / 2], axis=-1) * step
    slopes, lamp_slope, _ = scene.facet_slopes(grid)
    needed = np.stack(
        [
            SmoothField(values=slopes[..., axis].astype(np.float32), step_mm=step).at(uv)
            for axis in (0, 1)
        ],
        axis=-1,
    )
    # A flake some ten micrometres across spreads its light by diffraction over this slope.
    spread = np.hypot(float(lamp_slope.mean()), 0.02)
    miss = np.sum((tilt - needed) ** 2, axis=-1) / spread**2
    seen = miss < 12
    weight = (float(lamp_slope.mean()) / spread) ** 2 * np.exp(-miss[seen] / 2)
    xy = scene.project(uv[seen])
    return xy, weight * area[seen] * 1e-6 * _area_scale(scene)


def _area_scale(scene: Scene) -> float:
    corners = scene.project(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    a, b = corners[1] - corners[0], corners[2] - corners[0]
    return float(abs(a[0] * b[1] - a[1] * b[0]))


def deposit(shape: tuple[int, int], xy_px: Floats, light: Floats) -> Image:
    """Return a picture of points, each shared among its four nearest pixels."""
    height, width = shape
    floor = np.floor(xy_px).astype(np.int64)
    inside = np.all((floor >= 0) & (floor < (width - 1, height - 1)), axis=-1)
    floor, fraction, light = floor[inside], (xy_px - floor)[inside], light[inside]
    total = np.zeros(height * width)
    for dx in (0, 1):
        for dy in (0, 1):
            share = np.abs(1 - dx - fraction[:, 0]) * np.abs(1 - dy - fraction[:, 1])
            index = (floor[:, 1] + dy) * width + floor[:, 0] + dx
            total += np.bincount(index, weights=light * share, minlength=height * width)
    return total.reshape(shape).astype(np.float32)


def patch_mask(scene: Scene, patch: Patch) -> Image:
    """Return the share of each pixel that a patch covers."""
    corners = np.asarray(patch.outline_mm)
    ends = np.roll(corners, -1, axis=0)
    part = np.linspace(0, 1, 24, endpoint=False)[:, None]
    outline = np.concatenate([a + part * (b - a) for a, b in zip(corners, ends, strict=True)])
    # OpenCV's own antialiasing draws near-level edges most of a pixel too far out.
    fine = 4
    xy = (scene.project(outline) + 0.5) * fine - 0.5
    height, width = scene.camera.height_px, scene.camera.width_px
    mask = np.zeros((fine * height, fine * width), dtype=np.uint8)
    cv2.fillPoly(mask, [np.round(xy * 16).astype(np.int32)], 255, cv2.LINE_8, shift=4)
    share = cv2.resize(mask, (width, height), interpolation=cv2.INTER_AREA)
    return share.astype(np.float32) / np.float32(255)
