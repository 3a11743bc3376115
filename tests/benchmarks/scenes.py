"""Panels, lamps and cameras drawn wide, for the benchmarks and for tests."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from defectscan.simulation.clip import lamp_over
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
    draw_dust,
    draw_orange_peel,
    polish,
)
from defectscan.simulation.render import RenderedShot, render_shot
from defectscan.simulation.scene import Camera, Lamp, Scene
from defectscan.simulation.surface import Surface

EXTENT_MM = (200.0, 150.0)
GROUND_MM = (340.0, 290.0)
WIDTH_PX, HEIGHT_PX = 2000, 1500
MARGIN_PX = 150
PX_PER_MM = 10.0
# Of the highlight, as the capture guide shows them.
PLACES_MM = ((0.0, 0.0), (-55.0, -40.0), (55.0, -40.0), (55.0, 40.0), (-55.0, 40.0))
AIM_SD_MM = 5.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """A pair of states with their shots."""

    paint: str
    curved: bool
    furnished: bool
    before: list[RenderedShot]
    after: list[RenderedShot]


def draw_case(
    seed: int,
    *,
    density_mm_per_cm2: float | None = None,
    shots: int = 1,
    over_panel: bool = False,
    curved: bool | None = None,
    furnished: bool | None = None,
    states: int = 2,
) -> Case:
    """Draw a panel in two states, and render its shots.

    Parameters
    ----------
    seed
        Of all randomness; six neighbouring seeds have the six paints.
    density_mm_per_cm2
        Of swirls before; drawn from 50 to 400 on a logarithmic scale where not given.
    shots
        Per state, the highlight elsewhere in each.
    over_panel
        Whether the highlight goes to `PLACES_MM` before, and back there after, as the capture
        guide says: each shot after has lamp and camera up to 40 mm from the shot before. If
        not, all shots have them up to 40 mm from the first.
    curved, furnished
        Whether the panel is curved, and has trim, tape, an edge or an emblem; drawn where not
        given.
    states
        2, or 1 to leave the state after unrendered.
    """
    rng = np.random.default_rng(seed)
    paint = list(PAINTS)[seed % len(PAINTS)]
    if curved is None:
        curved = (seed // len(PAINTS)) % 2 == 1
    if furnished is None:
        furnished = (seed // (2 * len(PAINTS))) % 2 == 1
    panel = _draw_panel(rng, paint, seed, density_mm_per_cm2, curved=curved, furnished=furnished)
    trails = None
    if rng.random() < 0.15:
        trails = draw_machine_trails(
            rng,
            extent_mm=GROUND_MM,
            density_mm_per_cm2=rng.uniform(5, 25),
            direction_rad=rng.uniform(0, np.pi),
            born=1,
        )
    polished = polish(
        panel,
        rng,
        depth_um=rng.uniform(0.1, 2.0),
        haze=float(rng.choice([0.0, 0.0, 0.01])),
        trails=trails,
    )
    stand = _Stand.draw(rng)
    stands = _over_panel(rng, panel, stand, shots) if over_panel else [stand] * shots
    before = [
        _shoot(rng, panel, one, moved=number > 0 and not over_panel)
        for number, one in enumerate(stands)
    ]
    after = [_shoot(rng, polished, one, moved=True) for one in stands[: shots * (states - 1)]]
    return Case(paint=paint, curved=curved, furnished=furnished, before=before, after=after)


def _draw_panel(
    rng: np.random.Generator,
    paint: str,
    seed: int,
    density: float | None,
    *,
    curved: bool,
    furnished: bool,
) -> Panel:
    drawn = float(np.exp(rng.uniform(np.log(50), np.log(400))))
    radii = [float("inf"), float("inf")]
    if curved:
        radii = [rng.uniform(250, 800), rng.uniform(800, 3000) if rng.random() < 0.5 else np.inf]
        if rng.random() < 0.5:
            radii.reverse()
    swirls = draw_swirls(
        rng,
        extent_mm=GROUND_MM,
        density_mm_per_cm2=drawn if density is None else density,
        directed=float(rng.choice([0.0, 0.0, 0.3])),
        direction_rad=rng.uniform(0, np.pi),
    )
    scratches = draw_deep_scratches(
        rng, extent_mm=GROUND_MM, count=0 if density == 0 else int(rng.integers(0, 5))
    )
    return Panel(
        surface=Surface(radius_u_mm=radii[0], radius_v_mm=radii[1]),
        extent_mm=EXTENT_MM,
        ground_mm=GROUND_MM,
        paint=PAINTS[paint],
        grooves=join(swirls, scratches),
        orange_peel=draw_orange_peel(rng, ground_mm=GROUND_MM, slope=rng.uniform(0.0003, 0.0015)),
        flake_seed=seed,
        patches=draw_furniture(rng, extent_mm=EXTENT_MM) if furnished else (),
        dust=draw_dust(rng, count=int(rng.integers(0, 200)), ground_mm=GROUND_MM),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Stand:
    """Where lamp and camera stand before they are moved."""

    lamp_mm: NDArray[np.float64]
    camera_mm: NDArray[np.float64]
    lamp_radius_mm: float
    focal_px: float

    @classmethod
    def draw(cls, rng: np.random.Generator) -> "_Stand":
        lamp_mm = np.array([*rng.uniform(-60, 60, 2), rng.uniform(300, 600)])
        camera_mm = np.array([*rng.uniform(-60, 60, 2), rng.uniform(280, 450)])
        return cls(
            lamp_mm=lamp_mm,
            camera_mm=camera_mm,
            lamp_radius_mm=rng.uniform(2, 5),
            focal_px=PX_PER_MM * float(np.linalg.norm(camera_mm)),
        )

    def scene(
        self,
        panel: Panel,
        *,
        lamp_move: NDArray[np.float64],
        camera_move: NDArray[np.float64],
        roll_deg: float,
    ) -> Scene:
        camera = self.camera_mm + camera_move
        return Scene(
            surface=panel.surface,
            lamp=Lamp(
                position_mm=tuple(float(v) for v in self.lamp_mm + lamp_move),  # type: ignore[arg-type]
                radius_mm=self.lamp_radius_mm,
            ),
            camera=Camera(
                position_mm=tuple(float(v) for v in camera),  # type: ignore[arg-type]
                target_mm=(0.3 * float(camera_move[0]), 0.3 * float(camera_move[1]), 0.0),
                focal_px=self.focal_px,
                width_px=WIDTH_PX,
                height_px=HEIGHT_PX,
                roll_deg=roll_deg,
            ),
        )


def _over_panel(rng: np.random.Generator, panel: Panel, stand: _Stand, shots: int) -> list[_Stand]:
    """Give each shot a stand: the camera held anew, the highlight drawn to one of the places."""
    stands = []
    for number in range(shots):
        held = replace(stand, camera_mm=stand.camera_mm + (_move(rng) if number else 0.0))
        here = held.scene(panel, lamp_move=np.zeros(3), camera_move=np.zeros(3), roll_deg=0.0)
        at = np.array(PLACES_MM[number % len(PLACES_MM)]) + rng.normal(0, AIM_SD_MM, 2)
        stands.append(replace(held, lamp_mm=np.array(lamp_over(here, at).lamp.position_mm)))
    return stands


def _shoot(rng: np.random.Generator, panel: Panel, stand: _Stand, *, moved: bool) -> RenderedShot:
    development = Development(
        exposure=rng.uniform(0.7, 1.3) if moved else 1.0,
        blur_px=rng.uniform(0.7, 1.1),
        glare=rng.uniform(0.5, 1.5),
        sharpening=rng.uniform(0, 0.5),
        jpeg_quality=int(rng.integers(85, 96)),
    )
    while True:
        lamp_move, camera_move = (_move(rng) if moved else np.zeros(3) for _ in range(2))
        scene = stand.scene(
            panel,
            lamp_move=lamp_move,
            camera_move=camera_move,
            roll_deg=rng.uniform(-2, 2) if moved else 0.0,
        )
        x, y = scene.project(scene.mirror_point())
        if MARGIN_PX < x < WIDTH_PX - MARGIN_PX and MARGIN_PX < y < HEIGHT_PX - MARGIN_PX:
            return render_shot(panel, scene, development, rng)
        # The first stand itself may mirror the lamp outside the picture: move it.
        moved = True


def _move(rng: np.random.Generator) -> NDArray[np.float64]:
    """Draw a move of up to 40 mm in any direction."""
    way = rng.normal(size=3)
    return way / np.linalg.norm(way) * rng.uniform(0, 40)


def without_grooves(seed: int) -> RenderedShot:
    """Render a shot of a panel with no groove at all."""
    return draw_case(seed, density_mm_per_cm2=0, states=1).before[0]
