"""Check that the path-traced scene is the panel that its truth tells of."""

import math
from dataclasses import replace
from typing import Any

import drjit
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tests.grooved_panel import Grooves, Pose, View, draw_grooves, expected_glints
from tests.pathtracer import (
    CLEAR_COAT_REFLECTANCE,
    TEXELS_PER_PX,
    Paint,
    PathTracedPair,
    PathTracedShot,
    render_pair,
    render_panel,
)

SMALL: dict[str, Any] = {"size_px": (240, 180), "mm_per_px": 0.35, "samples": 36}
CURVE_MM = 250.0


def parallel_grooves(angle_deg: float) -> Grooves:
    """Lay grooves 3 mm apart, through the whole panel, at one angle from x towards y."""
    angle = math.radians(angle_deg)
    along = np.array([math.cos(angle), math.sin(angle)])
    offset = np.arange(-81.0, 82.0, 3.0)[:, None] * np.array([-along[1], along[0]])
    count = len(offset)
    return Grooves(
        start_mm=offset - 80 * along,
        end_mm=offset + 80 * along,
        half_width_mm=np.full(count, 0.15),
        bottom_radius_mm=np.full(count, 0.4),
        wall_slope=np.full(count, 0.35),
    )


def mirrored(shot: PathTracedShot) -> NDArray[np.float32]:
    """Leave only what the clear coat mirrors: the base coat is smooth."""
    light: NDArray[np.float32] = shot.radiance[..., 0]
    return np.where(light > 1.5 * np.median(light), light - np.median(light), 0)


def glints(shot: PathTracedShot) -> tuple[NDArray[np.float64], NDArray[np.float32]]:
    """Give places (x, y) and strength of the bright pixels off the highlight."""
    light = mirrored(shot)
    y, x = np.nonzero(light)
    far = np.hypot(x - shot.highlight_xy_px[0], y - shot.highlight_xy_px[1]) > 22
    return np.stack([x, y], 1)[far].astype(float), light[y, x][far]


@pytest.fixture(scope="module", params=[math.inf, CURVE_MM], ids=["flat", "curved"])
def bare(request: pytest.FixtureRequest) -> PathTracedShot:
    return render_panel(seed=1, panel_radius_mm=request.param, **{**SMALL, "samples": 16})


@pytest.fixture(scope="module", params=[math.inf, CURVE_MM], ids=["flat", "curved"])
def swirled(request: pytest.FixtureRequest) -> PathTracedShot:
    return render_panel(seed=2, density_mm_per_cm2=80, panel_radius_mm=request.param, **SMALL)


@pytest.fixture(scope="module")
def pair() -> PathTracedPair:
    return render_pair(seed=3, density_mm_per_cm2=60, **SMALL)


def test_highlight_is_at_the_mirror_point(bare: PathTracedShot) -> None:
    y, x = np.nonzero(bare.radiance[..., 0] > CLEAR_COAT_REFLECTANCE / 2)
    assert (x.mean(), y.mean()) == pytest.approx(bare.highlight_xy_px, abs=0.2)


def test_highlight_has_the_size_and_light_of_the_lamps_image(bare: PathTracedShot) -> None:
    # Closed forms of the plane and convex mirror: the image of a lamp of radius a is an ellipse
    # whose half-axes in wall tilt are the tolerance.
    light = bare.radiance[..., 0]
    paint = np.median(light)
    assert light.max() - paint == pytest.approx(CLEAR_COAT_REFLECTANCE, rel=0.01)
    tolerance = bare.view.wall_tilt(bare.view.highlight_mm[None])[1][0]
    area = math.pi * tolerance**2 / np.linalg.det(bare.view.tilt_per_px())
    seen = (light - paint).sum() / CLEAR_COAT_REFLECTANCE
    assert seen == pytest.approx(area, rel=0.03)


def test_a_bare_panel_has_no_glint(bare: PathTracedShot) -> None:
    places, _ = glints(bare)
    assert len(places) == 0


def test_base_coat_follows_lamberts_cosine_law() -> None:
    paint = Paint(ambient=0.0)
    shot = render_panel(seed=1, paint=paint, **{**SMALL, "samples": 1})
    x, y = np.meshgrid(np.arange(0, 240, 30.0), np.arange(0, 180, 30.0))
    pixel = np.stack([x.ravel(), y.ravel(), np.ones(x.size)])
    panel = np.linalg.solve(shot.view.homography(), pixel)
    place = np.stack([panel[0] / panel[2], panel[1] / panel[2], np.zeros(x.size)], 1)
    to_lamp = shot.view.pose.lamp_mm - place
    distance = np.linalg.norm(to_lamp, axis=1)
    lamp = (shot.view.pose.lamp_radius_mm / distance) ** 2 * to_lamp[:, 2] / distance
    seen = shot.radiance[y.astype(int), x.astype(int)].reshape(-1, 3)
    off = np.hypot(*(pixel[:2].T - shot.highlight_xy_px).T) > 25
    assert seen[off] == pytest.approx(lamp[off, None] * paint.albedo, rel=0.03)
    assert seen[off].mean() == pytest.approx((lamp[off, None] * paint.albedo).mean(), rel=0.003)


def test_wall_tilt_at_worked_points() -> None:
    # Lamp at (0, 0, 1), camera at (.4, 0, .8): the direction of groove that shows is across the
    # tangential part of l + v (Kajiya and Kay 1989, from memory); the wall's angle is that between
    # l + v and the normal. Degrees, computed apart from this code.
    pose = Pose(lamp_mm=(0.0, 0.0, 1.0), camera_mm=(0.4, 0.0, 0.8))
    view = View(pose=pose, width_px=10, height_px=10, mm_per_px=0.01)
    assert view.highlight_mm == pytest.approx([0.222222, 0], abs=1e-6)
    points = np.array([[0, 0.1], [0.3, 0], [0.3, 0.1], [0.5, 0.3], [-0.2, 0.2]])
    tilt, _ = view.wall_tilt(points)
    direction = np.degrees(np.arctan2(tilt[:, 0], -tilt[:, 1])) % 180
    wall_deg = np.degrees(np.arctan(np.linalg.norm(tilt, axis=1)))
    assert direction == pytest.approx([64.6445, 90, 143.2783, 137.9572, 63.5427], abs=1e-4)
    assert wall_deg == pytest.approx([14.6312, 4.7871, 8.0036, 24.5281, 26.5331], abs=1e-4)


def test_bright_pixels_lie_on_grooves_that_should_glint(swirled: PathTracedShot) -> None:
    places, strength = glints(swirled)
    assert len(places) > 500
    expected = expected_glints(swirled.view, swirled.grooves)
    to_groove, nearest = cKDTree(expected.points_px).query(places)
    assert np.mean(to_groove < 1.5) > 0.99
    to_lit, nearest = cKDTree(expected.points_px[expected.lit]).query(places)
    near = to_lit < 2
    assert strength[near].sum() > 0.95 * strength.sum()
    # No shift between picture and truth.
    shift = (places - expected.points_px[expected.lit][nearest])[near]
    assert shift.mean(axis=0) == pytest.approx([0, 0], abs=0.1)


def test_grooves_that_should_glint_are_bright(swirled: PathTracedShot) -> None:
    places, _ = glints(swirled)
    expected = expected_glints(swirled.view, swirled.grooves)
    from_highlight = np.hypot(*(expected.points_px - swirled.highlight_xy_px).T)
    inner = expected.lit & (expected.misfit < 0.7) & (from_highlight > 25)
    dark = (expected.misfit > 1.5) & (from_highlight > 25)
    to_bright, _ = cKDTree(places).query(expected.points_px)
    assert np.mean(to_bright[inner] < 2) > 0.97
    assert np.mean(to_bright[dark] < 2) < 0.1


@pytest.mark.parametrize(("angle_deg", "sign"), [(45.0, -1), (135.0, 1), (30.0, -1)])
def test_diagonal_grooves_light_up_on_the_right_diagonal(angle_deg: float, sign: int) -> None:
    # Lines along x = y in the panel (rising to the right) show where the wall tilt is across
    # them: to the upper left and lower right of the highlight, never to the other two sides.
    shot = render_panel(seed=1, grooves=parallel_grooves(angle_deg), **{**SMALL, "samples": 16})
    places, strength = glints(shot)
    x, y_down = (places - shot.highlight_xy_px).T
    on_right_side = np.sign(x * -y_down) == sign
    assert strength[on_right_side].sum() > 0.99 * strength.sum()
    bearing = np.radians(angle_deg + 90)
    across = np.abs(x * math.sin(bearing) + y_down * math.cos(bearing))
    assert np.average(across, weights=strength) < 10


def test_a_glint_has_the_light_of_its_profile() -> None:
    # Closed form: a round bottom of radius r shows the slopes of the lamp's disc, of area
    # pi e^2, on r pi e^2 / |ds/dx| of the panel; the lips, a texel wide, add their own radius.
    grooves = parallel_grooves(0)
    shot = render_panel(seed=1, grooves=grooves, **SMALL)
    tilt_per_px = shot.view.tilt_per_px()
    lip_mm = shot.mm_per_px / TEXELS_PER_PX / 0.35
    _, strength = glints(shot)
    y = shot.view.to_image(np.column_stack([np.zeros(55), grooves.start_mm[:, 1]]))[:, 1]
    shown = (np.abs(y - shot.highlight_xy_px[1]) > 25) & (y > 0) & (y < 179)
    at = np.column_stack([np.full(55, shot.view.highlight_mm[0]), grooves.start_mm[:, 1]])[shown]
    tolerance = shot.view.wall_tilt(at)[1]
    area_px = (0.4 + lip_mm) / shot.mm_per_px * math.pi * tolerance**2 / -tilt_per_px[0, 0]
    assert strength.sum() == pytest.approx(CLEAR_COAT_REFLECTANCE * area_px.sum(), rel=0.05)


def test_grooves_in_one_corner_light_up_there_only() -> None:
    everywhere = draw_grooves(
        np.random.default_rng(4),
        size_mm=(90.0, 70.0),
        density_mm_per_cm2=200,
        width_mm=(0.25, 0.35),
    )
    in_corner = np.minimum(everywhere.start_mm, everywhere.end_mm).min(axis=1) > 2
    corner = everywhere.keep(in_corner)
    places, _ = glints(render_panel(seed=4, grooves=corner, **{**SMALL, "samples": 16}))
    assert len(places) > 100
    assert (places[:, 0] > 120).all()
    assert (places[:, 1] < 90).all()


def test_same_seed_same_photo_on_any_number_of_cores() -> None:
    tiny: dict[str, Any] = {
        "size_px": (90, 70),
        "mm_per_px": 0.5,
        "samples": 4,
        "density_mm_per_cm2": 50,
    }
    both = render_panel(seed=7, **tiny)
    threads = drjit.thread_count()
    drjit.set_thread_count(1)
    one = render_panel(seed=7, **tiny)
    drjit.set_thread_count(threads)
    np.testing.assert_array_equal(both.radiance, one.radiance)
    np.testing.assert_array_equal(both.rgb, one.rgb)
    assert (render_panel(seed=8, **tiny).rgb != one.rgb).any()


def test_photo_is_exposed_on_the_paint(swirled: PathTracedShot) -> None:
    x, y = (round(value) for value in swirled.highlight_xy_px)
    assert (swirled.rgb[y - 3 : y + 4, x - 3 : x + 4].mean()) > 240
    coded = np.median(swirled.rgb.reshape(-1, 3), axis=0) / 255
    linear = ((coded + 0.055) / 1.055) ** 2.4  # IEC 61966-2-1, from memory
    assert linear @ [0.2126, 0.7152, 0.0722] == pytest.approx(Paint().level, rel=0.05)


def test_density_is_what_was_asked_for(swirled: PathTracedShot) -> None:
    assert swirled.density_mm_per_cm2 == pytest.approx(80, rel=0.08)
    # One line of known length across the whole frame.
    view = View(pose=Pose(), width_px=200, height_px=100, mm_per_px=0.2)
    one = parallel_grooves(0).keep(np.arange(55) == 27)
    width_mm = 200 * 0.2
    area_cm2 = width_mm * 100 * 0.2 / 100
    assert view.density_mm_per_cm2(one) == pytest.approx(width_mm / area_cm2, rel=0.02)


def test_lit_length_over_acceptance_is_the_density() -> None:
    # Horvitz and Thompson 1952: with the lamp's half-width e in slopes, of grooves in all
    # directions the fraction (2/pi) asin(e/|s|) shows at wall tilt s.
    view = View(pose=Pose(), width_px=720, height_px=540, mm_per_px=0.2)
    estimate, truth = [], []
    for seed in range(6):
        grooves = draw_grooves(
            np.random.default_rng(seed), size_mm=view.panel_size_mm, density_mm_per_cm2=100
        )
        seen = expected_glints(view, grooves, spacing_mm=0.2)
        tilt, tolerance = view.wall_tilt(seen.points_mm)
        size = np.linalg.norm(tilt, axis=1)
        ring = view.in_frame(seen.points_mm) & (size > 0.03) & (size < 0.2)
        accepted = 2 / math.pi * np.arcsin(np.minimum(1, tolerance / size))
        estimate.append((seen.length_mm / accepted)[ring & seen.lit].sum())
        truth.append(seen.length_mm[ring].sum())
    assert sum(estimate) == pytest.approx(sum(truth), rel=0.05)


def test_polishing_takes_the_depth_off_and_narrows() -> None:
    grooves = parallel_grooves(0)
    worn = grooves.shallower(0.3)
    assert worn.depth_mm == pytest.approx(0.7 * grooves.depth_mm)
    assert (worn.half_width_mm < grooves.half_width_mm).all()
    deep = replace(grooves, half_width_mm=grooves.half_width_mm * 3)
    assert deep.shallower(0.3).depth_mm == pytest.approx(0.7 * deep.depth_mm)
    assert deep.shallower(0.3).steepest_slope == pytest.approx(deep.wall_slope)


def test_pair_tells_the_true_correction(pair: PathTracedPair) -> None:
    kept = pair.before.grooves.keep(~pair.removed)
    np.testing.assert_array_equal(kept.start_mm, pair.after.grooves.start_mm)
    density = pair.before.view.density_mm_per_cm2(kept)
    assert pair.correction_percent == pytest.approx(
        100 * (1 - density / pair.before.density_mm_per_cm2)
    )
    assert 45 < pair.correction_percent < 75
    moved = np.subtract(pair.before.highlight_xy_px, pair.after.highlight_xy_px)
    assert 1 < np.hypot(*moved) < 150


def test_removed_grooves_are_dark_after(pair: PathTracedPair) -> None:
    gone = pair.before.grooves.keep(pair.removed)
    after = pair.after
    places, _ = glints(after)
    to_bright = cKDTree(places)
    shares = []
    for grooves in (gone, after.grooves):
        expected = expected_glints(after.view, grooves)
        from_highlight = np.hypot(*(expected.points_px - after.highlight_xy_px).T)
        inner = expected.lit & (expected.misfit < 0.7) & (from_highlight > 25)
        shares.append(np.mean(to_bright.query(expected.points_px[inner])[0] < 2))
    assert shares[0] < 0.1
    assert shares[1] > 0.95


def test_an_edge_in_the_picture_is_refused() -> None:
    slantwise = Pose(camera_mm=(-300.0, 0.0, 200.0))
    with pytest.raises(ValueError, match="edge"):
        render_panel(seed=1, pose=slantwise, **{**SMALL, "samples": 1})
