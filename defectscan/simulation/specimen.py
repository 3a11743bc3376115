"""A panel, its polishing and its shots, asked for in plain figures and rendered."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from defectscan.errors import DefectscanError
from defectscan.simulation.develop import Development
from defectscan.simulation.furniture import draw_furniture
from defectscan.simulation.grooves import (
    draw_deep_scratches,
    draw_machine_trails,
    draw_swirls,
    join,
)
from defectscan.simulation.panel import (
    PAINTS,
    Panel,
    Patch,
    draw_dust,
    draw_orange_peel,
    polish,
)
from defectscan.simulation.render import RenderedShot, render_shot
from defectscan.simulation.scene import Camera, Lamp, Scene
from defectscan.simulation.surface import Surface

ASPECT = 3 / 4
INNER_SHARE = 0.075
MOST_TRIES = 200
ROLL_DEG_PER_MM = 0.1
LEAST_COSINE = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Pass:
    """A polishing pass.

    Attributes
    ----------
    depth_um, unevenness
        Mean film taken off, and its relative standard deviation over the panel.
    haze
        Share of the light that grooves too fine to see scatter round the highlight.
    trails_mm_per_cm2, trail_direction_deg
        Density of the machine's trails, and their direction.
    """

    depth_um: float
    unevenness: float = 0.2
    haze: float = 0.0
    trails_mm_per_cm2: float = 0.0
    trail_direction_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Specimen:
    """What to draw a panel from.

    Attributes
    ----------
    paint
        A key of `PAINTS`.
    density_mm_per_cm2
        Of swirls before polishing.
    mean_depth_um
        Of the swirls.
    directed, direction_deg
        Share of the swirls that keep to one direction, and that direction.
    deep_scratches
        Their number on the ground round the panel.
    radius_mm, radius_across_mm
        Radius of curvature along the photo's width and height; infinity is flat.
    across_mm
        Width of the panel in the picture; its height is three quarters of that.
    margin_mm
        How far grooves, flakes and dust go on beyond it on each side.
    orange_peel_slope
        Standard deviation of the clear coat's waviness as a slope.
    dust
        Number of specks.
    patches
        What is stuck on the panel or bounds it.
    draws_furniture
        Whether more patches are drawn at random.
    passes
        The polishing passes between before and after.
    """

    paint: str = "black"
    density_mm_per_cm2: float = 150.0
    mean_depth_um: float = 1.0
    directed: float = 0.0
    direction_deg: float = 0.0
    deep_scratches: int = 2
    radius_mm: float = float("inf")
    radius_across_mm: float = float("inf")
    across_mm: float = 200.0
    margin_mm: float = 70.0
    orange_peel_slope: float = 0.0008
    dust: int = 60
    patches: tuple[Patch, ...] = ()
    draws_furniture: bool = False
    passes: tuple[Pass, ...] = field(default=(Pass(depth_um=1.0),))


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """Where lamp and camera stand in the first shot, and how they move in the later ones.

    Attributes
    ----------
    lamp_mm, lamp_radius_mm
        Place and size of the lamp; (0, 0, 0) is the panel's middle and z its normal there.
    camera_mm
        Place of the camera.
    width_px
        Width of the photos; their height is three quarters of that.
    move_mm
        Lamp and camera each move by up to this between the shots, in any direction; the camera
        turns about its axis by up to a tenth of a degree a millimetre.
    """

    lamp_mm: tuple[float, float, float] = (30.0, -20.0, 420.0)
    lamp_radius_mm: float = 3.0
    camera_mm: tuple[float, float, float] = (-35.0, 25.0, 360.0)
    width_px: int = 2000
    move_mm: float = 20.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RenderedState:
    """A panel at one time, with its shots.

    Attributes
    ----------
    name
        "before" or "after".
    shots
        One or more photos of it.
    """

    name: str
    shots: tuple[RenderedShot, ...]

    @property
    def panel(self) -> Panel:
        """The panel in this state."""
        return self.shots[0].panel


def draw_panel(specimen: Specimen, rng: np.random.Generator, *, flake_seed: int = 0) -> Panel:
    """Draw the panel before polishing.

    Parameters
    ----------
    specimen
        What is asked for.
    rng
        Source of randomness.
    flake_seed
        Of the paint's effect flakes.
    """
    extent = (specimen.across_mm, specimen.across_mm * ASPECT)
    ground = (extent[0] + 2 * specimen.margin_mm, extent[1] + 2 * specimen.margin_mm)
    swirls = draw_swirls(
        rng,
        extent_mm=ground,
        density_mm_per_cm2=specimen.density_mm_per_cm2,
        mean_depth_um=specimen.mean_depth_um,
        directed=specimen.directed,
        direction_rad=float(np.deg2rad(specimen.direction_deg)),
    )
    scratches = draw_deep_scratches(rng, extent_mm=ground, count=specimen.deep_scratches)
    drawn = draw_furniture(rng, extent_mm=extent) if specimen.draws_furniture else ()
    return Panel(
        surface=Surface(radius_u_mm=specimen.radius_mm, radius_v_mm=specimen.radius_across_mm),
        extent_mm=extent,
        ground_mm=ground,
        paint=PAINTS[specimen.paint],
        grooves=join(swirls, scratches),
        orange_peel=draw_orange_peel(rng, ground_mm=ground, slope=specimen.orange_peel_slope),
        flake_seed=flake_seed,
        patches=(*specimen.patches, *drawn),
        dust=draw_dust(rng, count=specimen.dust, ground_mm=ground),
    )


def polish_panel(panel: Panel, done: Pass, rng: np.random.Generator) -> Panel:
    """Return the panel after one pass.

    Parameters
    ----------
    panel
        The state before it.
    done
        The pass.
    rng
        Source of randomness.
    """
    trails = draw_machine_trails(
        rng,
        extent_mm=panel.ground_mm,
        density_mm_per_cm2=done.trails_mm_per_cm2,
        direction_rad=float(np.deg2rad(done.trail_direction_deg)),
        born=len(panel.passes) + 1,
    )
    return polish(
        panel,
        rng,
        depth_um=done.depth_um,
        unevenness=done.unevenness,
        haze=done.haze,
        trails=trails,
    )


def render_states(
    specimen: Specimen,
    *,
    stand: Stand,
    development: Development,
    seed: int,
    shots: int = 1,
    exposure_after: float = 1.0,
    progress: Callable[[str], None] = lambda _: None,
) -> tuple[RenderedState, RenderedState]:
    """Render a panel before and after polishing.

    The panel, its polishing, the moves of lamp and camera, and the sensor's noise have each a
    stream of random numbers of their own, so that another camera sees the same panel.

    Parameters
    ----------
    specimen, stand, development
        The panel, lamp and camera, and what the camera makes of it.
    seed
        Of all randomness.
    shots
        Photos of each state; the highlight lies elsewhere in each.
    exposure_after
        Factor on the exposure of the photos after, against those before.
    progress
        Told the name of each photo before it is rendered.

    Returns
    -------
    tuple of RenderedState
        "before" and "after".

    Raises
    ------
    DefectscanError
        If the panel curves out of the sight of lamp or camera within a picture.
    """
    of_panel, of_passes, of_moves, of_sensor = np.random.default_rng(seed).spawn(4)
    panel = draw_panel(specimen, of_panel, flake_seed=seed)
    polished = panel
    for done in specimen.passes:
        polished = polish_panel(polished, done, of_passes)
    first = _scene(panel, stand)
    # Where the highlight lies outside the picture from the first, it may stay there.
    tries = MOST_TRIES if highlight_is_inside(first) else 1
    states: list[RenderedState] = []
    for name, state, factor in (("before", panel, 1.0), ("after", polished, exposure_after)):
        how = replace(development, exposure=development.exposure * factor)
        rendered = []
        for number in range(shots):
            progress(f"{name} {number + 1}")
            stays = not states and not number
            scene = first if stays else _moved(panel, stand, of_moves, tries=tries)
            check_in_sight(scene)
            rendered.append(render_shot(state, scene, how, of_sensor))
        states.append(RenderedState(name=name, shots=tuple(rendered)))
    return states[0], states[1]


def first_scene(panel: Panel, stand: Stand) -> Scene:
    """Return where lamp and camera stand in the first shot.

    Parameters
    ----------
    panel, stand
        What is photographed, and from where.

    Raises
    ------
    DefectscanError
        If the panel curves out of the sight of lamp or camera within the picture.
    """
    scene = _scene(panel, stand)
    check_in_sight(scene)
    return scene


def check_in_sight(scene: Scene) -> None:
    """Check that all of the picture shows panel on which the lamp shines.

    Parameters
    ----------
    scene
        Lamp, camera and shape of the panel.

    Raises
    ------
    DefectscanError
        If part of the picture looks past the panel, or at a part that the lamp grazes.
    """
    camera = scene.camera
    x, y = np.linspace(0, camera.width_px - 1, 17), np.linspace(0, camera.height_px - 1, 13)
    pixels = np.stack(np.meshgrid(x, y), axis=-1)
    uv = scene.to_surface(pixels)
    met = np.linalg.norm(scene.project(uv) - pixels, axis=-1) < 1
    point, normal = scene.surface.point(uv), scene.surface.frame(uv)[2]
    seen = min(
        float(np.min(np.sum(way * normal, axis=-1) / np.linalg.norm(way, axis=-1)))
        for way in (
            np.asarray(place) - point for place in (camera.position_mm, scene.lamp.position_mm)
        )
    )
    if not met.all() or not seen > LEAST_COSINE:
        raise DefectscanError(
            "the panel curves out of the sight of lamp or camera within the picture",
            allowed="all of the picture must show panel that the lamp shines on",
            remedy="place lamp and camera higher or nearer the middle, or take a larger radius",
        )


def highlight_is_inside(scene: Scene) -> bool:
    """Return whether the lamp's mirror image lies well inside the picture."""
    width, height = scene.camera.width_px, scene.camera.height_px
    x, y = scene.project(scene.mirror_point())
    margin = INNER_SHARE * width
    return bool(margin < x < width - 1 - margin and margin < y < height - 1 - margin)


def _scene(
    panel: Panel,
    stand: Stand,
    *,
    lamp_move_mm: NDArray[np.float64] | None = None,
    camera_move_mm: NDArray[np.float64] | None = None,
    roll_deg: float = 0.0,
) -> Scene:
    still = np.zeros(3)
    lamp = np.asarray(stand.lamp_mm) + (still if lamp_move_mm is None else lamp_move_mm)
    move = still if camera_move_mm is None else camera_move_mm
    camera = np.asarray(stand.camera_mm) + move
    distance = float(np.linalg.norm(stand.camera_mm))
    return Scene(
        surface=panel.surface,
        lamp=Lamp(
            position_mm=(float(lamp[0]), float(lamp[1]), float(lamp[2])),
            radius_mm=stand.lamp_radius_mm,
        ),
        camera=Camera(
            position_mm=(float(camera[0]), float(camera[1]), float(camera[2])),
            # Whoever moves the camera aims it again, but not exactly.
            target_mm=(0.3 * float(move[0]), 0.3 * float(move[1]), 0.0),
            focal_px=stand.width_px / panel.extent_mm[0] * distance,
            width_px=stand.width_px,
            height_px=round(stand.width_px * ASPECT),
            roll_deg=roll_deg,
        ),
    )


def _moved(panel: Panel, stand: Stand, rng: np.random.Generator, *, tries: int) -> Scene:
    """Return lamp and camera moved, the highlight kept inside the picture where that can be."""
    for _ in range(tries):
        scene = _scene(
            panel,
            stand,
            lamp_move_mm=_move(rng, stand.move_mm),
            camera_move_mm=_move(rng, stand.move_mm),
            roll_deg=float(rng.uniform(-1, 1)) * ROLL_DEG_PER_MM * stand.move_mm,
        )
        if highlight_is_inside(scene):
            break
    return scene


def _move(rng: np.random.Generator, most_mm: float) -> NDArray[np.float64]:
    way = rng.standard_normal(3)
    move: NDArray[np.float64] = way / np.linalg.norm(way) * rng.uniform(0, most_mm)
    return move
