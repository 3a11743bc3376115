"""Small panels, lamps and cameras, and one rendered shot that several tests look at."""

from collections.abc import Callable

import numpy as np
import pytest

from defectscan.simulation.develop import Development
from defectscan.simulation.panel import Panel
from defectscan.simulation.render import RenderedShot, render_shot
from defectscan.simulation.scene import Camera, Lamp, Scene
from defectscan.simulation.specimen import Specimen, draw_panel
from defectscan.simulation.surface import Surface

MakeScene = Callable[..., Scene]
MakePanel = Callable[..., Panel]


@pytest.fixture(scope="session")
def make_scene() -> MakeScene:
    """Give a function that builds a scene: 400 x 300 px over 200 mm unless told otherwise."""

    def make(
        surface: Surface | None = None,
        *,
        lamp: tuple[float, float, float] = (30.0, -20.0, 420.0),
        camera: tuple[float, float, float] = (-35.0, 25.0, 360.0),
        lamp_radius: float = 3.0,
        width_px: int = 400,
        across_mm: float = 200.0,
        roll_deg: float = 0.0,
    ) -> Scene:
        return Scene(
            surface=surface or Surface(),
            lamp=Lamp(position_mm=lamp, radius_mm=lamp_radius),
            camera=Camera(
                position_mm=camera,
                target_mm=(0.0, 0.0, 0.0),
                focal_px=width_px / across_mm * float(np.linalg.norm(camera)),
                width_px=width_px,
                height_px=width_px * 3 // 4,
                roll_deg=roll_deg,
            ),
        )

    return make


@pytest.fixture(scope="session")
def make_panel() -> MakePanel:
    """Give a function that draws a bare panel, 80 mm across unless told otherwise."""

    def make(*, seed: int = 1, **wanted: object) -> Panel:
        plain: dict[str, object] = {
            "across_mm": 80.0,
            "margin_mm": 15.0,
            "deep_scratches": 0,
            "dust": 0,
            "orange_peel_slope": 0.0,
        }
        specimen = Specimen(**(plain | wanted))  # type: ignore[arg-type]
        return draw_panel(specimen, np.random.default_rng(seed), flake_seed=seed)

    return make


@pytest.fixture(scope="session")
def shot(make_panel: MakePanel, make_scene: MakeScene) -> RenderedShot:
    """Give one shot of a flat black panel without dust or orange peel."""
    panel = make_panel(density_mm_per_cm2=150.0)
    scene = make_scene(
        lamp=(6.0, -4.0, 210.0), camera=(-9.0, 6.0, 180.0), lamp_radius=1.5, across_mm=80.0
    )
    return render_shot(panel, scene, Development(), np.random.default_rng(5))
