"""Scene: projection and its inverse, and the law of reflection worked out in another way."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import minimize

from defectscan.simulation.scene import Camera, Lamp, Scene
from defectscan.simulation.surface import Surface

Floats = NDArray[np.float64]
MakeScene = Callable[..., Scene]

SURFACES = [
    Surface(),
    Surface(radius_u_mm=280),
    Surface(radius_u_mm=900, radius_v_mm=260),
]


def unit(vector: Floats) -> Floats:
    return np.asarray(vector / np.linalg.norm(vector))


def test_a_pinhole_seen_from_straight_above() -> None:
    camera = Camera(
        position_mm=(0, 0, 400),
        target_mm=(0, 0, 0),
        focal_px=800,
        width_px=401,
        height_px=301,
    )
    # Two pixels a millimetre; v goes up, rows go down.
    seen = camera.project(np.array([[0, 0, 0], [50, 30, 0], [50, 30, 200]], dtype=float))
    assert seen == pytest.approx(np.array([[200, 150], [300, 90], [400, 30]]))


def test_a_turn_about_the_axis() -> None:
    camera = Camera(
        position_mm=(0, 0, 400),
        target_mm=(0, 0, 0),
        focal_px=400,
        width_px=201,
        height_px=201,
        roll_deg=90,
    )
    assert camera.axes() @ camera.axes().T == pytest.approx(np.eye(3))
    assert camera.project(np.array([10.0, 0.0, 0.0])) == pytest.approx([100, 90])


@pytest.mark.parametrize("surface", SURFACES)
def test_from_panel_to_picture_and_back(surface: Surface, make_scene: MakeScene) -> None:
    scene = make_scene(surface, roll_deg=7, camera=(-80.0, 60.0, 330.0))
    u, v = np.meshgrid(np.linspace(-100, 100, 9), np.linspace(-75, 75, 7))
    uv = np.stack([u, v], axis=-1)
    assert scene.to_surface(scene.project(uv)) == pytest.approx(uv, abs=1e-7)


@pytest.mark.parametrize("surface", SURFACES)
def test_the_mirror_point_obeys_the_law_of_reflection(
    surface: Surface, make_scene: MakeScene
) -> None:
    scene = make_scene(surface, lamp=(70.0, -20.0, 420.0), camera=(-60.0, 45.0, 300.0))
    uv = scene.mirror_point()
    point, normal = surface.point(uv), surface.frame(uv)[2]
    to_lamp = unit(np.subtract(scene.lamp.position_mm, point))
    to_camera = unit(np.subtract(scene.camera.position_mm, point))
    assert 2 * (to_lamp @ normal) * normal - to_lamp == pytest.approx(to_camera, abs=1e-7)


@pytest.mark.parametrize("surface", SURFACES)
def test_the_mirror_point_has_the_shortest_path(surface: Surface, make_scene: MakeScene) -> None:
    """Fermat's principle: on a convex panel the path by the highlight is the shortest."""
    scene = make_scene(surface, lamp=(70.0, -20.0, 420.0), camera=(-60.0, 45.0, 300.0))

    def path(uv: Floats) -> float:
        point = surface.point(uv)
        ends = (scene.lamp.position_mm, scene.camera.position_mm)
        return float(sum(np.linalg.norm(np.subtract(end, point)) for end in ends))

    found = minimize(path, np.zeros(2), method="Nelder-Mead", options={"xatol": 1e-5, "fatol": 0})
    assert scene.mirror_point() == pytest.approx(found.x, abs=1e-2)


@pytest.fixture
def worked(make_scene: MakeScene) -> Scene:
    """Light at (0, 0, 1) and camera at (0.4, 0, 0.8), in decimetres."""
    return make_scene(lamp=(0.0, 0.0, 100.0), camera=(40.0, 0.0, 80.0), across_mm=60.0)


def test_worked_mirror_point(worked: Scene) -> None:
    # Closed form of the mirror image: (0.2222, 0), at an incidence of 12.5288 degrees.
    uv = worked.mirror_point()
    assert uv == pytest.approx([100 * 0.2 / 0.9, 0], abs=1e-6)
    cosine = worked.facet_slopes(uv)[2]
    assert np.rad2deg(np.arccos(cosine)) == pytest.approx(12.5288, abs=1e-4)


@pytest.mark.parametrize(
    ("point", "direction_deg", "tilt_deg"),
    [
        ((0.0, 0.1), 64.6445, 14.6312),
        ((0.3, 0.0), 90.0, 4.7871),
        ((0.3, 0.1), 143.2783, 8.0036),
        ((0.5, 0.3), 137.9572, 24.5281),
        ((-0.2, 0.2), 63.5427, 26.5331),
    ],
)
def test_worked_directions_and_tilts(
    worked: Scene, point: tuple[float, float], direction_deg: float, tilt_deg: float
) -> None:
    """A smooth groove of tangent t glints where (L + V).t = 0 (Kajiya & Kay 1989, from memory).

    The figures are this rule's closed form at these points.
    """
    slope_u, slope_v = worked.facet_slopes(100 * np.array(point))[0]
    direction = np.rad2deg(np.arctan2(slope_v, slope_u)) + 90
    assert direction % 180 == pytest.approx(direction_deg, abs=1e-3)
    assert np.rad2deg(np.arctan(np.hypot(slope_u, slope_v))) == pytest.approx(tilt_deg, abs=1e-3)


def test_rings_are_ellipses_along_the_plane_of_incidence(worked: Scene) -> None:
    """Near the highlight their axes are as 1 to 1/cos(incidence): 1.024394 here (closed form)."""
    uv, h = worked.mirror_point(), 1e-3
    columns = [
        (worked.facet_slopes(uv + step)[0] - worked.facet_slopes(uv - step)[0]) / (2 * h)
        for step in np.diag([h, h])
    ]
    # Slopes are the gradient of the path, so along u they grow more slowly.
    values, vectors = np.linalg.eig(np.stack(columns, axis=-1))
    gentle, steep = np.sort(np.abs(values))
    assert np.sqrt(steep / gentle) == pytest.approx(1.024394, abs=1e-5)
    assert np.abs(vectors[:, np.abs(values).argmin()]) == pytest.approx([1, 0], abs=1e-6)


@pytest.mark.parametrize(("ratio", "tilt_deg"), [(0.05, 2.862), (0.1, 5.711), (0.2, 11.310)])
def test_lamp_and_camera_at_one_place(ratio: float, tilt_deg: float, make_scene: MakeScene) -> None:
    """The wall tilt is atan(r / h) whatever the direction: circles (closed form)."""
    scene = make_scene(lamp=(0.0, 0.0, 300.0), camera=(0.0, 0.0, 300.0))
    turn = np.linspace(0, 6, 7)
    ring = 300 * ratio * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    tilt = np.rad2deg(np.arctan(np.linalg.norm(scene.facet_slopes(ring)[0], axis=-1)))
    assert tilt == pytest.approx(tilt_deg, abs=1e-3)


def test_the_lamps_size_is_what_its_rim_needs(make_scene: MakeScene) -> None:
    """A lamp moved sideways by its own radius needs facets steeper by the lamp's slope."""
    middle = np.zeros(2)
    scene = make_scene(lamp=(0.0, 0.0, 400.0), camera=(0.0, 0.0, 300.0), lamp_radius=4)
    slopes, lamp_slope, _ = scene.facet_slopes(middle)
    aside = Scene(
        surface=scene.surface,
        camera=scene.camera,
        lamp=Lamp(position_mm=(4.0, 0.0, 400.0), radius_mm=4),
    )
    assert slopes == pytest.approx([0, 0])
    assert aside.facet_slopes(middle)[0] == pytest.approx([lamp_slope, 0], rel=1e-4)
