"""Surface: its points, tangents and normals agree with its radii; smooth fields are as asked."""

import numpy as np
import pytest
from numpy.typing import NDArray

from defectscan.simulation.surface import SmoothField, Surface, smooth_field

Floats = NDArray[np.float64]

FLAT = Surface()
ALONG_U = Surface(radius_u_mm=300)
ALONG_V = Surface(radius_v_mm=450)
BOTH = Surface(radius_u_mm=300, radius_v_mm=450)
SURFACES = [FLAT, ALONG_U, ALONG_V, BOTH]


def some_places() -> Floats:
    return np.random.default_rng(0).uniform(-110, 110, (60, 2))


def steps(surface: Surface, uv: Floats) -> tuple[Floats, Floats]:
    """Return how a point moves in space with u and with v, by central differences."""
    h = 1e-3
    along_u, along_v = (
        (surface.point(uv + step) - surface.point(uv - step)) / (2 * h) for step in np.diag([h, h])
    )
    return along_u, along_v


@pytest.mark.parametrize("surface", SURFACES)
def test_the_frame_is_orthonormal_and_faces_the_camera(surface: Surface) -> None:
    axes = np.stack(surface.frame(some_places()), axis=-2)
    assert axes @ np.swapaxes(axes, -1, -2) == pytest.approx(
        np.broadcast_to(np.eye(3), axes.shape), abs=1e-12
    )
    assert np.cross(axes[:, 0], axes[:, 1]) == pytest.approx(axes[:, 2], abs=1e-12)
    assert (axes[:, 2, 2] > 0).all()


@pytest.mark.parametrize("surface", SURFACES)
def test_the_tangents_are_where_the_points_go(surface: Surface) -> None:
    uv = some_places()
    step_u, step_v = steps(surface, uv)
    along_u, along_v, normal = surface.frame(uv)
    assert step_u == pytest.approx(along_u, abs=1e-6)
    assert step_v == pytest.approx(along_v * surface.stretch_v(uv)[:, None], abs=1e-6)
    assert np.sum(step_u * normal, axis=-1) == pytest.approx(0, abs=1e-6)


def test_a_length_along_u_is_an_arc() -> None:
    # 100 mm on a radius of 300 mm is a third of a radian.
    x, y, z = ALONG_U.point(np.array([100.0, 20.0]))
    assert x == pytest.approx(300 * np.sin(1 / 3))
    assert y == pytest.approx(20)
    assert z == pytest.approx(300 * (np.cos(1 / 3) - 1))


def test_points_keep_their_radius() -> None:
    uv = some_places()
    x, _, z = ALONG_U.point(uv).T
    assert np.hypot(x, z + 300) == pytest.approx(300)
    _, y, z = ALONG_V.point(uv).T
    assert np.hypot(y, z + 450) == pytest.approx(450)
    # Curved both ways: a torus, whose tube has the first radius and lies 150 mm off its axis.
    x, y, z = BOTH.point(uv).T
    assert np.hypot(np.hypot(y, z + 450) - 150, x) == pytest.approx(300)


def test_a_flat_panel_is_flat() -> None:
    uv = some_places()
    assert np.array_equal(FLAT.point(uv), np.column_stack([uv, np.zeros(len(uv))]))
    assert np.array_equal(FLAT.stretch_v(uv), np.ones(len(uv)))


@pytest.mark.parametrize("surface", [ALONG_U, ALONG_V, BOTH])
def test_a_curved_panel_falls_away_from_the_camera(surface: Surface) -> None:
    assert surface.point(np.zeros(2)) == pytest.approx(np.zeros(3))
    assert (surface.point(some_places())[:, 2] < 0).all()


def test_a_smooth_field_has_the_mean_deviation_and_wavelength_asked_for() -> None:
    field = smooth_field(
        np.random.default_rng(3),
        extent_mm=(400, 300),
        wavelength_mm=6,
        standard_deviation=0.002,
    )
    assert field.values.mean() == pytest.approx(0, abs=1e-6)
    assert field.values.std() == pytest.approx(0.002, rel=1e-4)
    row = field.values
    crests = (row[:, 1:-1] > row[:, :-2]) & (row[:, 1:-1] > row[:, 2:])
    between = row.shape[1] * field.step_mm / crests.sum(axis=1).mean()
    assert between == pytest.approx(6, rel=0.25)


def test_a_field_is_read_between_its_grid_points() -> None:
    values = np.array([[0, 1, 2], [10, 11, 12], [20, 21, 22]], dtype=np.float32)
    field = SmoothField(values=values, step_mm=4.0)
    places = np.array([[0.0, 0.0], [-4.0, -4.0], [2.0, 0.0], [0.0, 1.0], [4.0, 4.0]])
    assert field.at(places) == pytest.approx([11, 0, 11.5, 13.5, 22])
    assert field.at(places.reshape(5, 1, 2)).shape == (5, 1)
    assert field.at(np.empty((0, 2))).shape == (0,)


def test_a_field_hangs_on_the_seed_alone() -> None:
    def draw(seed: int) -> SmoothField:
        return smooth_field(
            np.random.default_rng(seed),
            extent_mm=(60, 40),
            wavelength_mm=20,
            standard_deviation=1,
        )

    assert np.array_equal(draw(1).values, draw(1).values)
    assert not np.array_equal(draw(1).values, draw(2).values)
