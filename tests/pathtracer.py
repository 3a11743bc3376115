"""Photos of a scratched panel by path tracing, with their truth.

The outside check of the package's optics: the light is traced by Mitsuba 3
(https://mitsuba.readthedocs.io). The clear coat is a smooth mirror of constant reflectance whose
normal map holds the profile of every groove, so that rings, acceptance and crossings are the ray
tracer's doing.
"""

import math
from dataclasses import dataclass, replace
from typing import Any

import cv2
import mitsuba as mi
import numpy as np
from numpy.typing import NDArray

from tests.grooved_panel import Grooves, Pose, View, draw_grooves, profile_height

mi.set_variant("scalar_rgb")

CLEAR_COAT_REFLECTANCE = 0.04  # ((n - 1)/(n + 1))^2 for n = 1.5, Fresnel's formula at 0 degrees
LUMINANCE_WEIGHTS = (0.2126, 0.7152, 0.0722)  # linear RGB, ITU-R BT.709
TEXELS_PER_PX = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Paint:
    """How the panel is drawn: base coat, exposure, lens and noise.

    Parameters
    ----------
    albedo : three floats
        Of the base coat, linear RGB.
    level : float
        Linear luminance of the paint in the photo (median), 1 being white.
    ambient : float
        Even light from the room on the paint, in units of the lamp's at the panel's middle.
    blur_px : float
        Standard deviation of the lens's point spread.
    glare : float
        Share of the light that the lens scatters 5 and 20 pixels wide.
    noise : float
        Standard deviation of the noise at full white; it grows with the root of the light.
    """

    albedo: tuple[float, float, float] = (0.07, 0.08, 0.12)
    level: float = 0.035
    ambient: float = 3.0
    blur_px: float = 0.7
    glare: float = 0.01
    noise: float = 0.008


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PathTracedShot:
    """A path-traced photo with its truth.

    Parameters
    ----------
    rgb : (h, w, 3) uint8 array
        The photo, sRGB.
    radiance : (h, w, 3) float32 array
        Before lens, exposure and noise; the lamp's own radiance is 1.
    view : View
        Pose and geometry: `to_image`, `wall_tilt`, `homography`, `tilt_per_px`, `highlight_mm`.
    grooves : Grooves
        Every groove of the panel, also beyond the frame.
    mm_per_px : float
        At the middle of the picture.
    density_mm_per_cm2 : float
        Length of groove per area of panel, both inside the frame.
    highlight_xy_px : (x, y)
        In closed form.
    """

    rgb: NDArray[np.uint8]
    radiance: NDArray[np.float32]
    view: View
    grooves: Grooves
    mm_per_px: float
    density_mm_per_cm2: float
    highlight_xy_px: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PathTracedPair:
    """One panel before and after a polishing pass, lamp and camera moved between the two.

    Parameters
    ----------
    before, after : PathTracedShot
    removed : (n,) bool array
        Which of the grooves before are gone.
    correction_percent : float
        Of the panel inside the frame of the photo before.
    """

    before: PathTracedShot
    after: PathTracedShot
    removed: NDArray[np.bool_]
    correction_percent: float


def render_panel(
    *,
    seed: int,
    density_mm_per_cm2: float = 0.0,
    grooves: Grooves | None = None,
    size_px: tuple[int, int] = (720, 540),
    mm_per_px: float = 0.2,
    pose: Pose | None = None,
    panel_radius_mm: float = math.inf,
    paint: Paint | None = None,
    samples: int = 64,
) -> PathTracedShot:
    """Path-trace a photo of a panel strewn with grooves in all directions.

    `samples` is per pixel. A glint fills some two per cent of its pixels, so that with few samples
    it is grainy. `grooves`, when given, take the place of drawn ones.
    """
    width, height = size_px
    view = View(
        pose=pose or Pose(),
        width_px=width,
        height_px=height,
        mm_per_px=mm_per_px,
        panel_radius_mm=panel_radius_mm,
    )
    paint = paint or Paint()
    if grooves is None:
        grooves = draw_grooves(
            np.random.default_rng([seed, 0]),
            size_mm=view.panel_size_mm,
            density_mm_per_cm2=density_mm_per_cm2,
            width_mm=(0.75 * mm_per_px, mm_per_px),
        )
    radiance = trace(view, grooves, albedo=paint.albedo, samples=samples, seed=seed)
    lamp_squared = (view.pose.lamp_radius_mm / math.dist(view.pose.lamp_mm, (0, 0, 0))) ** 2
    radiance += (paint.ambient * lamp_squared * np.array(paint.albedo)).astype(np.float32)
    x, y = view.highlight_px
    return PathTracedShot(
        rgb=develop(radiance, paint, np.random.default_rng([seed, 1])),
        radiance=radiance,
        view=view,
        grooves=grooves,
        mm_per_px=mm_per_px,
        density_mm_per_cm2=view.density_mm_per_cm2(grooves),
        highlight_xy_px=(float(x), float(y)),
    )


def render_pair(
    *,
    seed: int,
    density_mm_per_cm2: float,
    removed_fraction: float = 0.6,
    shallower_fraction: float = 0.15,
    move_mm: float = 20.0,
    pose: Pose | None = None,
    **panel: Any,
) -> PathTracedPair:
    """Path-trace a panel before and after a pass that removes some grooves and wears the rest.

    Lamp and camera are moved by up to `move_mm` along each axis of the panel, and half that away
    from it, in both photos. `panel` goes on to `render_panel`.
    """
    rng = np.random.default_rng([seed, 2])
    pose = pose or Pose()
    before = render_panel(
        seed=seed,
        density_mm_per_cm2=density_mm_per_cm2,
        pose=_moved(pose, rng, move_mm),
        **panel,
    )
    removed = rng.random(len(before.grooves)) < removed_fraction
    left = before.grooves.keep(~removed).shallower(shallower_fraction)
    after = render_panel(seed=seed + 1, grooves=left, pose=_moved(pose, rng, move_mm), **panel)
    kept = before.view.density_mm_per_cm2(left) / before.density_mm_per_cm2
    return PathTracedPair(
        before=before, after=after, removed=removed, correction_percent=100 * (1 - kept)
    )


def _moved(pose: Pose, rng: np.random.Generator, move_mm: float) -> Pose:
    def moved(place: tuple[float, float, float]) -> tuple[float, float, float]:
        dx, dy, dz = rng.uniform(-move_mm, move_mm, 3)
        return place[0] + float(dx), place[1] + float(dy), place[2] + float(dz) / 2

    return replace(pose, lamp_mm=moved(pose.lamp_mm), camera_mm=moved(pose.camera_mm))


def normal_map(
    grooves: Grooves, *, size_mm: tuple[float, float], texel_mm: float
) -> NDArray[np.float32]:
    """Draw the normals of a grooved panel as (n + 1)/2, n being (-dz/dx, -dz/dy, 1).

    Row 0 is the lowest y, as the path tracer's v axis points the way of y. Where grooves cross,
    the deepest is there. The slope is the profile's own derivative at the middle of the texel: a
    difference of heights would tilt the walls along the groove. The path tracer interpolates
    between texels, which rounds the lips: the slope falls to nothing over one texel about the edge.
    """
    shape = round(size_mm[0] / texel_mm), round(size_mm[1] / texel_mm)
    lowest = np.full(shape[::-1], np.inf, np.float32)
    slopes = np.zeros((2, *lowest.shape), np.float32)
    texels_per_mm = np.array(shape) / size_mm
    first = (grooves.start_mm + np.array(size_mm) / 2) * texels_per_mm - 0.5
    last = (grooves.end_mm + np.array(size_mm) / 2) * texels_per_mm - 0.5
    for i, tangent in enumerate(grooves.tangent):
        half_width = grooves.half_width_mm[i]
        profile = grooves.bottom_radius_mm[i], grooves.wall_slope[i]
        # One step along the axis nearest the groove, and there a run of texels across it.
        major = int(abs(tangent[1]) > abs(tangent[0]))
        low, high = sorted((first[i, major], last[i, major]))
        steps = np.arange(max(0, math.ceil(low)), min(shape[major], math.floor(high) + 1))[:, None]
        slant = tangent[1 - major] / tangent[major]
        middle = first[i, 1 - major] + (steps - first[i, major]) * slant
        reach = math.ceil((half_width / texel_mm + 0.5) / abs(tangent[major]))
        minor = np.rint(middle).astype(int) + np.arange(-reach, reach + 1)
        across = np.array([-tangent[1], tangent[0]])
        distance = (minor - middle) * texel_mm * across[1 - major]
        height = profile_height(np.minimum(np.abs(distance), half_width), *profile)
        depth = height - grooves.depth_mm[i]
        here = np.abs(distance) < half_width + texel_mm / 2
        here &= (minor >= 0) & (minor < shape[1 - major])
        steps = np.broadcast_to(steps, minor.shape)
        columns, rows = (steps, minor) if major == 0 else (minor, steps)
        here[here] = depth[here] < lowest[rows[here], columns[here]]
        at = rows[here], columns[here]
        lowest[at] = depth[here]
        slope = np.clip(distance[here] / profile[0], -profile[1], profile[1])
        slopes[0][at] = slope * across[0]
        slopes[1][at] = slope * across[1]
    return np.stack([0.5 - slopes[0] / 2, 0.5 - slopes[1] / 2, np.ones_like(slopes[0])], 2)


def trace(
    view: View,
    grooves: Grooves,
    *,
    albedo: tuple[float, float, float],
    samples: int,
    seed: int,
) -> NDArray[np.float32]:
    """Path-trace a grooved panel under a lamp of radiance 1, mirror and base coat by themselves.

    The mirror is sampled by its own reflection only (a ray meets the lamp or not) and needs the
    many samples, the base coat by the lamp only.
    """
    texel_mm = view.mm_per_px / TEXELS_PER_PX
    normals = normal_map(grooves, size_mm=view.panel_size_mm, texel_mm=texel_mm)
    coat = {
        "type": "normalmap",
        "normalmap": {
            "type": "bitmap",
            "bitmap": mi.Bitmap(normals),
            "raw": True,
            "filter_type": "bilinear",
            "wrap_mode": "clamp",
            "to_uv": _texture_place(view),
        },
        "mirror": {
            "type": "conductor",
            "material": "none",
            "specular_reflectance": CLEAR_COAT_REFLECTANCE,
        },
    }
    base = {"type": "diffuse", "reflectance": {"type": "rgb", "value": list(albedo)}}
    by_mirror = {"type": "direct", "bsdf_samples": 1, "emitter_samples": 0}
    by_lamp = {"type": "direct", "bsdf_samples": 0, "emitter_samples": 1}
    paint = _render(view, base, by_lamp, samples=1, seed=seed)
    if not paint.all():
        raise ValueError("the panel's edge is in the picture: let the camera look less slantwise")
    return paint + _render(view, coat, by_mirror, samples=samples, seed=seed)


def _render(
    view: View, bsdf: dict[str, Any], integrator: dict[str, Any], *, samples: int, seed: int
) -> NDArray[np.float32]:
    scene = mi.load_dict(
        {
            "type": "scene",
            "panel": {**_panel_shape(view), "bsdf": bsdf},
            "lamp": {
                "type": "sphere",
                "center": list(view.pose.lamp_mm),
                "radius": view.pose.lamp_radius_mm,
                "emitter": {"type": "area", "radiance": {"type": "rgb", "value": 1.0}},
            },
        }
    )
    sensor = mi.load_dict(
        {
            "type": "perspective",
            "fov_axis": "x",
            "fov": math.degrees(2 * math.atan(view.width_px / 2 / view.focal_length_px)),
            "to_world": mi.ScalarTransform4f().look_at(
                origin=view.pose.camera_mm, target=view.pose.target_mm, up=[0, 1, 0]
            ),
            "film": {
                "type": "hdrfilm",
                "width": view.width_px,
                "height": view.height_px,
                "rfilter": {"type": "box"},
                "pixel_format": "rgb",
                "component_format": "float32",
            },
            "sampler": {"type": "multijitter", "sample_count": samples},
        }
    )
    # A fixed block size makes the picture the same on any number of cores.
    method = mi.load_dict({**integrator, "block_size": 32})
    picture = mi.render(scene, sensor=sensor, integrator=method, seed=mi.UInt32(seed))
    return np.array(picture, np.float32)


def _panel_shape(view: View) -> dict[str, Any]:
    width, height = view.panel_size_mm
    if view.is_flat:
        place = mi.ScalarTransform4f().scale([width / 2, height / 2, 1])
        return {"type": "rectangle", "to_world": place}
    # A whole tube, turned so that its u axis starts at the back and passes the front at 1/2.
    radius = view.panel_radius_mm
    turned = [[0, -radius, 0, 0], [0, 0, height, -height / 2], [-radius, 0, 0, -radius]]
    place = mi.ScalarTransform4f(np.array([*turned, [0, 0, 0, 1]], float))
    return {"type": "cylinder", "to_world": place}


def _texture_place(view: View) -> Any:
    place = mi.ScalarTransform3f()
    if view.is_flat:
        return place
    wide = 2 * math.pi * view.panel_radius_mm / view.panel_size_mm[0]
    return place.translate([0.5 - wide / 2, 0]) @ place.scale([wide, 1])


def develop(
    radiance: NDArray[np.float32], paint: Paint, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Make a photo of the radiance: lens, exposure, noise, sRGB, 8 bits."""
    exposure = paint.level / float(np.median(radiance @ np.array(LUMINANCE_WEIGHTS)))
    sharp, near, far = (
        cv2.GaussianBlur(radiance, (0, 0), width_px) for width_px in (paint.blur_px, 5, 20)
    )
    light = exposure * ((1 - paint.glare) * sharp + paint.glare * (0.8 * near + 0.2 * far))
    light = light + paint.noise * np.sqrt(light + 0.002) * rng.standard_normal(light.shape)
    light = np.clip(light, 0, 1)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    photo: NDArray[np.uint8] = np.rint(255 * coded).astype(np.uint8)
    return photo
