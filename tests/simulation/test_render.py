"""Render: the same bytes for the same seed, and a truth that the picture bears out."""

import io
from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from defectscan.simulation.develop import Development
from defectscan.simulation.furniture import strip
from defectscan.simulation.panel import Panel, polish
from defectscan.simulation.render import (
    RenderedShot,
    homography_misfit_px,
    reference_floor_density,
    render_shot,
    true_homography,
)
from defectscan.simulation.scene import Scene
from defectscan.simulation.surface import Surface

MakeScene = Callable[..., Scene]
MakePanel = Callable[..., Panel]

STEADY = Development(full_well_e=1e9, read_noise_e=0.0, sharpening=0.0, glare=0.0)


def small(
    panel: Panel, scene: Scene, how: Development | None = None, *, seed: int = 5
) -> RenderedShot:
    return render_shot(panel, scene, how or Development(), np.random.default_rng(seed))


@pytest.fixture
def near(make_scene: MakeScene) -> Scene:
    return make_scene(
        lamp=(6.0, -4.0, 210.0), camera=(-9.0, 6.0, 180.0), lamp_radius=1.5, across_mm=80.0
    )


@pytest.fixture
def moved(make_scene: MakeScene) -> Scene:
    return make_scene(
        lamp=(-8.0, 9.0, 200.0), camera=(14.0, -3.0, 190.0), lamp_radius=1.5, across_mm=80.0,
        roll_deg=3.0,
    )  # fmt: skip


def luminance(shot: RenderedShot) -> NDArray[np.float64]:
    return np.asarray(shot.rgb.astype(float) @ [0.2126, 0.7152, 0.0722])


def test_the_same_seed_gives_the_same_bytes(
    shot: RenderedShot, make_panel: MakePanel, near: Scene
) -> None:
    panel = make_panel(density_mm_per_cm2=150.0)
    again, other = small(panel, near), small(panel, near, seed=6)
    assert again.jpeg == shot.jpeg
    assert np.array_equal(again.lit, shot.lit)
    assert other.jpeg != shot.jpeg
    assert np.array_equal(other.lit, shot.lit)


def test_the_file_is_the_picture(shot: RenderedShot) -> None:
    read = np.asarray(Image.open(io.BytesIO(shot.jpeg))).astype(int)
    assert read.shape == shot.rgb.shape == (300, 400, 3)
    assert np.abs(read - shot.rgb).mean() < 4


def test_lit_lines_are_brighter_than_the_paint_beside_them(shot: RenderedShot) -> None:
    light = luminance(shot)
    beside = cv2.medianBlur(light.astype(np.float32), 5)
    strong = shot.lit == 255
    assert strong.sum() > 300
    assert np.mean(light[strong] > beside[strong]) > 0.97
    faint = shot.lit == 128
    assert (light - beside)[strong].mean() > 3 * max((light - beside)[faint].mean(), 0)


def test_bright_lines_are_lit(shot: RenderedShot) -> None:
    """On plain paint nothing else stands out, so what stands out lies on the mask."""
    light = luminance(shot).astype(np.float32)
    out = light - cv2.medianBlur(light, 5)
    y, x = np.mgrid[:300, :400]
    hx, hy = shot.highlight_xy_px
    clear = np.hypot(x - hx, y - hy) > 25
    bright = (out > 25) & clear
    near_lit = cv2.dilate((shot.lit > 0).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    assert bright.sum() > 300
    assert np.mean(near_lit[bright]) > 0.99
    # And by chance it would not: the mask is a small part of the picture.
    assert np.mean(near_lit[clear]) < 0.3


def test_no_groove_no_lit_line(make_panel: MakePanel, near: Scene) -> None:
    bare = small(make_panel(density_mm_per_cm2=0.0), near)
    assert bare.density_mm_per_cm2 == 0
    assert bare.reference_length_mm == 0
    assert not bare.lit.any()


def test_polished_panels_have_fewer_lit_lines(
    shot: RenderedShot, make_panel: MakePanel, near: Scene
) -> None:
    panel = make_panel(density_mm_per_cm2=150.0)
    after = small(polish(panel, np.random.default_rng(0), depth_um=1.5), near)
    assert after.density_mm_per_cm2 < 0.4 * shot.density_mm_per_cm2
    assert (after.lit == 255).sum() < 0.5 * (shot.lit == 255).sum()


def test_the_highlight_is_where_it_is_said_to_be(make_panel: MakePanel, moved: Scene) -> None:
    bare = small(make_panel(density_mm_per_cm2=0.0), moved, STEADY)
    y, x = np.nonzero(luminance(bare) >= 254)
    assert [x.mean(), y.mean()] == pytest.approx(bare.highlight_xy_px, abs=0.5)


def test_twice_the_exposure_is_twice_the_light(make_panel: MakePanel, near: Scene) -> None:
    panel = make_panel(density_mm_per_cm2=0.0)
    corner = []
    for exposure in (0.7, 1.4):
        how = replace(STEADY, exposure=exposure)
        encoded = small(panel, near, how).rgb[200:280, 20:120].astype(float) / 255
        # IEC 61966-2-1 undone, well above its straight part.
        corner.append(np.mean(((encoded + 0.055) / 1.055) ** 2.4))
    assert corner[1] / corner[0] == pytest.approx(2, rel=0.02)


def test_the_homography_carries_points_of_a_flat_panel(
    make_panel: MakePanel, near: Scene, moved: Scene
) -> None:
    panel = make_panel(density_mm_per_cm2=0.0)
    before, after = small(panel, near), small(panel, moved)
    uv = np.random.default_rng(0).uniform(-35, 35, (40, 2))
    here = np.column_stack([moved.project(uv), np.ones(40)]) @ true_homography(after, before).T
    assert here[:, :2] / here[:, 2:] == pytest.approx(near.project(uv), abs=1e-4)
    assert homography_misfit_px(after, before) < 1e-4


def test_no_homography_fits_a_curved_panel(make_panel: MakePanel, make_scene: MakeScene) -> None:
    panel = replace(make_panel(density_mm_per_cm2=0.0), surface=Surface(radius_u_mm=250))
    shots = [
        small(panel, make_scene(panel.surface, camera=(x, 6.0, 180.0), across_mm=80.0))
        for x in (-40.0, 40.0)
    ]
    assert 0.2 < homography_misfit_px(shots[1], shots[0]) < 5


def test_the_scale_is_that_of_the_picture(make_panel: MakePanel, make_scene: MakeScene) -> None:
    panel = make_panel(density_mm_per_cm2=0.0)
    above = make_scene(camera=(0.0, 0.0, 180.0), across_mm=80.0)
    assert small(panel, above).mm_per_px == pytest.approx(80 / 400, rel=1e-6)


def test_nothing_is_lit_under_a_strip(make_panel: MakePanel, near: Scene) -> None:
    panel = replace(make_panel(), patches=(strip(offset_mm=15, angle_deg=0, width_mm=10),))
    covered = small(panel, near)
    x, y = (int(v) for v in near.project(np.array([10.0, 15.0])))
    assert not covered.on_paint[y, x]
    assert not covered.lit[y - 15 : y + 15].any()
    assert covered.lit.any()


def test_dust_shows(make_panel: MakePanel, near: Scene) -> None:
    plain, dusty = (
        small(make_panel(density_mm_per_cm2=0.0, dust=count), near, STEADY) for count in (0, 150)
    )
    brighter = luminance(dusty) > luminance(plain) + 3
    assert 30 < cv2.connectedComponents(brighter.astype(np.uint8))[0] - 1 <= 150


def test_the_reference_floor_is_unbiased(make_panel: MakePanel, make_scene: MakeScene) -> None:
    """Perfect eyes are right on average, whatever the seed (Horvitz & Thompson 1952).

    The grooves are deep, so that walls are steep enough everywhere in the ring.
    """
    ratios = []
    for seed in range(16):
        panel = make_panel(
            seed=seed, density_mm_per_cm2=100.0, mean_depth_um=1000.0, across_mm=120.0
        )
        shift = np.random.default_rng(seed).uniform(-8, 8, 4)
        scene = make_scene(
            lamp=(shift[0], shift[1], 330.0), camera=(shift[2], shift[3], 300.0),
            lamp_radius=3.0, across_mm=120.0,
        )  # fmt: skip
        seen = small(panel, scene)
        ratios.append(reference_floor_density([seen]) / 100)
    error = np.std(ratios) / np.sqrt(len(ratios))
    assert 0.01 < error < 0.06
    assert np.mean(ratios) == pytest.approx(1, abs=3 * error)


def test_shots_are_pooled_by_sums(shot: RenderedShot) -> None:
    lucky = replace(shot, reference_length_mm=30.0, reference_exposure_cm2=0.1)
    poor = replace(shot, reference_length_mm=10.0, reference_exposure_cm2=0.3)
    assert reference_floor_density([lucky, poor]) == pytest.approx(100)
    outside = replace(shot, reference_length_mm=0.0, reference_exposure_cm2=0.0)
    assert np.isnan(reference_floor_density([outside]))
