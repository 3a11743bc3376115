"""Light: Fresnel's reflectances, the lamp's falling off, glints where the lamp is mirrored."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from defectscan.simulation import light
from defectscan.simulation.grooves import KINDS, Grooves
from defectscan.simulation.panel import PAINTS, Panel, Patch
from defectscan.simulation.scene import Scene
from defectscan.simulation.surface import Surface

Floats = NDArray[np.float64]
MakeScene = Callable[..., Scene]
MakePanel = Callable[..., Panel]

HEIGHT_MM = 300.0


def one_groove(
    start_mm: tuple[float, float],
    *,
    heading_deg: float,
    length_mm: float,
    depth_um: float = 3.0,
    tip_radius_um: float = 8.0,
    wall_slope: float = 0.5,
) -> Grooves:
    return Grooves(
        start_mm=np.array([start_mm]),
        heading_rad=np.array([np.deg2rad(heading_deg)]),
        curvature_per_mm=np.zeros(1),
        length_mm=np.array([length_mm]),
        depth_um=np.array([depth_um]),
        tip_radius_um=np.array([tip_radius_um]),
        wall_slope=np.array([wall_slope]),
        waviness=np.zeros(1),
        kind=np.array([KINDS.index("swirl")]),
        born=np.zeros(1, dtype=np.int64),
    )


@pytest.fixture
def above(make_scene: MakeScene) -> Scene:
    """Lamp and camera at one place, straight above the panel."""
    place = (0.0, 0.0, HEIGHT_MM)
    return make_scene(lamp=place, camera=place, lamp_radius=4.0, width_px=800)


@pytest.mark.parametrize(
    ("index", "angle_deg", "reflectance"),
    [
        # ((n - 1) / (n + 1))² at normal incidence, closed form.
        (1.45, 0, 0.03374),
        (1.50, 0, 0.04000),
        (1.55, 0, 0.04652),
        # Fresnel's formulas for the black glass of ISO 2813 and ASTM D523, n = 1.567.
        (1.567, 0, 0.048788),
        (1.567, 20, 0.049078),
        (1.567, 30, 0.050436),
        (1.567, 45, 0.059708),
        (1.567, 60, 0.100056),
        (1.567, 85, 0.619148),
    ],
)
def test_fresnel(index: float, angle_deg: float, reflectance: float) -> None:
    cosine = np.cos(np.deg2rad(np.array(float(angle_deg))))
    assert light.fresnel(cosine, index=index) == pytest.approx(reflectance, abs=6e-6)


def test_clear_coat_mirrors_4_percent() -> None:
    assert light.fresnel(np.array(1.0)) == pytest.approx(0.04, abs=1e-12)


def test_the_lamps_light_falls_off(above: Scene) -> None:
    """On a flat panel under a disc that faces it: the fourth power of the cosine."""
    distance = np.array([0.0, 50.0, 120.0])
    uv = np.stack([distance, np.zeros(3)], axis=-1)
    cosine = HEIGHT_MM / np.hypot(distance, HEIGHT_MM)
    expected = (4.0 / HEIGHT_MM) ** 2 * cosine**4
    assert light.irradiance(above, uv) == pytest.approx(expected, rel=1e-9)


def test_a_lamp_twice_as_far_gives_a_quarter(make_scene: MakeScene) -> None:
    near, far = (
        light.irradiance(make_scene(lamp=(0.0, 0.0, z)), np.zeros(2)) for z in (200.0, 400.0)
    )
    assert near / far == pytest.approx(4)


def test_a_panel_that_leans_away_gets_less(make_scene: MakeScene) -> None:
    lamp = (0.0, 0.0, HEIGHT_MM)
    uv = np.array([90.0, 0.0])
    curved = Surface(radius_u_mm=300)
    found = light.irradiance(make_scene(curved, lamp=lamp, lamp_radius=4.0), uv)
    x, _, z = curved.point(uv)
    way = np.array([-x, 0, HEIGHT_MM - z])
    distance = np.linalg.norm(way)
    normal = np.array([np.sin(0.3), 0, np.cos(0.3)])
    expected = (4 / distance) ** 2 * (way @ normal / distance) * (way[2] / distance)
    assert found == pytest.approx(expected)
    assert found < light.irradiance(make_scene(lamp=lamp, lamp_radius=4.0), uv)


def test_paint_shows_its_colour(make_panel: MakePanel, above: Scene) -> None:
    """Two solid paints differ by their reflectances times the light that falls on them."""
    uv = np.array([[-60.0, 20.0], [30.0, 45.0]])
    red, white = (
        light.paint_light(make_panel(paint=name), above, ambient=1e-5, uv_mm=uv)
        for name in ("red", "white")
    )
    falls = light.irradiance(above, uv) + 1e-5
    colours = np.subtract(PAINTS["white"].albedo, PAINTS["red"].albedo)
    assert white - red == pytest.approx(falls[:, None] * colours)


def test_haze_glows_round_the_highlight(make_panel: MakePanel, above: Scene) -> None:
    plain = make_panel()
    uv = np.array([[0.0, 0.0], [10.0, 0.0], [60.0, 0.0]])
    clear, hazy = (
        light.paint_light(replace(plain, haze=haze), above, ambient=0, uv_mm=uv)[:, 0]
        for haze in (0.0, 0.02)
    )
    glow = hazy - clear
    assert (np.diff(glow) < 0).all()
    # A bell of slopes with a deviation of 0.06, and slopes of distance over height.
    assert glow[1] / glow[0] == pytest.approx(np.exp(-((10 / 300 / 0.06) ** 2) / 2), rel=2e-3)


def test_the_highlight_is_the_lamps_image(make_panel: MakePanel, above: Scene) -> None:
    """In a flat mirror, seen from the lamp's place, the image is half as large as the lamp."""
    image, (rows, columns) = light.highlight_light(make_panel(), above)
    px_per_mm = 800 / 200
    assert image.sum() / 0.04 == pytest.approx(np.pi * (4 / 2 * px_per_mm) ** 2, rel=0.01)
    assert image.max() == pytest.approx(0.04, rel=1e-3)
    y, x = np.mgrid[rows, columns]
    centre = [np.sum(x * image) / image.sum(), np.sum(y * image) / image.sum()]
    assert centre == pytest.approx([(800 - 1) / 2, (600 - 1) / 2], abs=0.02)


def test_a_convex_panel_makes_the_highlight_smaller(
    make_panel: MakePanel, make_scene: MakeScene
) -> None:
    place = (0.0, 0.0, HEIGHT_MM)
    flat, curved = (
        light.highlight_light(
            make_panel(),
            make_scene(surface, lamp=place, camera=place, lamp_radius=12.0, width_px=800),
        )[0].sum()
        for surface in (Surface(), Surface(radius_u_mm=300))
    )
    # Convex mirror seen from the lamp at height h: the panel's turn x / r joins the view's x / h.
    assert curved / flat == pytest.approx(1 / (1 + HEIGHT_MM / 300), rel=0.02)


def test_no_highlight_where_it_lies_outside(make_panel: MakePanel, make_scene: MakeScene) -> None:
    aside = make_scene(lamp=(480.0, 0.0, 300.0), camera=(100.0, 0.0, 300.0))
    assert light.highlight_light(make_panel(), aside)[0].sum() == 0


@pytest.mark.parametrize("distance_mm", [12.0, 30.0, 50.0])
def test_a_groove_along_a_ring_is_lit_where_the_lamp_is_mirrored(
    distance_mm: float, make_panel: MakePanel, above: Scene
) -> None:
    """A panel point moved by x along the groove moves the mirrored ray by 2x at the lamp.

    So a lamp of radius 4 mm lights 4 mm of it, at any distance from the highlight.
    """
    line = one_groove((-40.0, distance_mm), heading_deg=0, length_mm=80)
    glints = light.groove_glints(replace(make_panel(), grooves=line), above)
    lit = glints.xy_px[glints.light_px > 0]
    u, v = above.to_surface(lit).T
    assert v == pytest.approx(distance_mm)
    assert np.ptp(u) == pytest.approx(4.0, abs=0.08)
    assert u.mean() == pytest.approx(0, abs=0.05)


def test_glints_lie_where_the_slope_along_the_groove_is_within_the_lamp(
    make_panel: MakePanel, make_scene: MakeScene
) -> None:
    panel = make_panel(density_mm_per_cm2=60.0)
    grooves = replace(
        panel.grooves,
        waviness=np.zeros(len(panel.grooves)),
        curvature_per_mm=np.zeros(len(panel.grooves)),
    )
    panel = replace(panel, grooves=grooves)
    scene = make_scene(lamp=(6.0, -4.0, 210.0), camera=(-9.0, 6.0, 180.0), across_mm=80.0)
    glints = light.groove_glints(panel, scene)
    lit = glints.light_px > 0
    uv = scene.to_surface(glints.xy_px)
    slopes, lamp_slope, _ = scene.facet_slopes(uv)
    # Each point's groove is the straight line that it lies on.
    ahead = np.stack([np.cos(grooves.heading_rad), np.sin(grooves.heading_rad)], axis=-1)
    apart = uv[:, None] - grooves.start_mm
    off = np.abs(apart[..., 0] * ahead[:, 1] - apart[..., 1] * ahead[:, 0])
    beyond = np.sum(apart * ahead, axis=-1)
    off[(beyond < -1e-6) | (beyond > grooves.length_mm + 1e-6)] = np.inf
    mine = ahead[off.argmin(axis=1)]
    assert off.min(axis=1).max() < 1e-6
    along = np.abs(np.sum(slopes * mine, axis=-1))
    assert lit.sum() > 500
    # Between the coarse points the slope is taken as straight: 1 % of the lamp.
    assert (along[lit] <= 1.01 * lamp_slope[lit]).all()
    dark = ~lit & (along < 0.98 * lamp_slope)
    assert not dark.any()


def test_a_groove_across_the_rings_is_dark(make_panel: MakePanel, above: Scene) -> None:
    line = one_groove((20.0, 0.0), heading_deg=0, length_mm=60)
    glints = light.groove_glints(replace(make_panel(), grooves=line), above)
    assert glints.light_px.sum() == 0


def test_shallow_walls_glint_only_near_the_highlight(make_panel: MakePanel, above: Scene) -> None:
    """At 20 mm a wall of 0.067 is needed, at 60 mm one of 0.2; this groove has up to 0.1."""
    near, far = (
        light.groove_glints(
            replace(
                make_panel(),
                grooves=one_groove(
                    (-30.0, v), heading_deg=0, length_mm=60, depth_um=0.5, tip_radius_um=100
                ),
            ),
            above,
        ).light_px.sum()
        for v in (20.0, 60.0)
    )
    assert far < 1e-3 * near


def test_a_glints_light_agrees_with_rays_traced_one_by_one(
    make_panel: MakePanel, above: Scene
) -> None:
    """Mirror many rays by a groove's true surface in space, and count those that hit the lamp.

    The groove is 20 um wide, a parabola with slopes up to 0.1, so diffraction hardly smears it.
    """
    depth, tip, distance = 0.5, 100.0, 15.0
    line = one_groove((-6.0, distance), heading_deg=0, length_mm=12, depth_um=depth,
                      tip_radius_um=tip)  # fmt: skip
    glints = light.groove_glints(replace(make_panel(), grooves=line), above)
    total = float(np.sum(glints.light_px * glints.length_px))

    rng = np.random.default_rng(0)
    n = 400_000
    width_mm = 2 * np.sqrt(2 * depth * tip) / 1000
    u = rng.uniform(-6, 6, n)
    across = rng.uniform(-width_mm / 2, width_mm / 2, n)
    slope = across * 1000 / tip
    normal = np.stack([np.zeros(n), -slope, np.ones(n)], axis=-1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    point = np.stack([u, distance + across, np.zeros(n)], axis=-1)
    view = np.array([0, 0, HEIGHT_MM]) - point
    mirrored = 2 * np.sum(view * normal, axis=-1, keepdims=True) * normal - view
    at_lamp = point + mirrored * ((HEIGHT_MM - point[:, 2]) / mirrored[:, 2])[:, None]
    hits = np.hypot(at_lamp[:, 0], at_lamp[:, 1]) < 4.0
    lit_mm2 = hits.mean() * 12 * width_mm
    px_per_mm = 800 / 200
    assert total == pytest.approx(lit_mm2 * px_per_mm**2 * 0.04, rel=0.03)


def test_glints_are_alike_in_all_directions(make_panel: MakePanel, above: Scene) -> None:
    """Lamp and camera at one place: turned about the highlight, all is the same."""
    totals = []
    for heading_deg in (0.0, 35.0, 140.0):
        turn = np.deg2rad(heading_deg)
        ahead, aside = (
            np.array([np.cos(turn), np.sin(turn)]),
            np.array([-np.sin(turn), np.cos(turn)]),
        )
        # Here a slope of 0.1 is needed, and the groove just has it.
        u, v = 30.0 * aside - 6.0 * ahead
        line = one_groove((u, v), heading_deg=heading_deg, length_mm=12, depth_um=0.5,
                          tip_radius_um=100)  # fmt: skip
        glints = light.groove_glints(replace(make_panel(), grooves=line), above)
        totals.append(np.sum(glints.light_px * glints.length_px))
    assert totals == pytest.approx([totals[0]] * 3, rel=0.01)
    assert totals[0] > 0


def test_deposited_light_is_kept_and_stays_in_place() -> None:
    xy = np.array([[10.3, 20.7], [30.0, 5.0], [40.9, 30.2]])
    amounts = np.array([2.0, 3.0, 5.0])
    image = light.deposit((60, 80), xy, amounts).astype(float)
    assert image.sum() == pytest.approx(10)
    y, x = np.mgrid[:60, :80]
    centre = np.array([(image * x).sum(), (image * y).sum()]) / 10
    assert centre == pytest.approx(amounts @ xy / 10, abs=1e-6)
    assert light.deposit((60, 80), np.array([[-3.0, 4.0]]), np.ones(1)).sum() == 0


def test_a_patch_covers_its_area(above: Scene) -> None:
    square = np.array([[-20.0, -10.0], [20.0, -10.0], [20.0, 10.0], [-20.0, 10.0]])
    square += [11.0, 7.0]
    mask = light.patch_mask(above, Patch(outline_mm=square, albedo=(0.0, 0.0, 0.0), what="tape"))
    wide, high = 40 * 800 / 200, 20 * 800 / 200
    # Edges are drawn to within a pixel.
    assert (wide - 2) * (high - 2) < mask.sum() < (wide + 2) * (high + 2)
    y, x = np.mgrid[:600, :800]
    centre = [np.sum(x * mask) / mask.sum(), np.sum(y * mask) / mask.sum()]
    assert centre == pytest.approx(above.project(np.array([11.0, 7.0])), abs=0.6)


def test_flakes_sparkle_round_the_highlight(make_panel: MakePanel, above: Scene) -> None:
    panel = make_panel(paint="graphite metallic")
    xy, amount = light.sparkles(panel, above)
    assert (amount > 0).all()
    # Tilts are a bell of 0.12, so at a slope of 0.11 fewer flakes mirror the lamp than at 0.
    r_mm = np.hypot(*(above.to_surface(xy)).T)
    near, far = (((r_mm > a) & (r_mm < b)).sum() / (b**2 - a**2) for a, b in ((0, 12), (28, 36)))
    assert far < near
    again = light.sparkles(panel, above)[0]
    assert np.array_equal(xy, again)
    other = light.sparkles(replace(panel, flake_seed=99), above)[0]
    assert len(other) != len(xy) or not np.array_equal(other, xy)


def test_solid_paint_has_no_flakes(make_panel: MakePanel, above: Scene) -> None:
    assert len(light.sparkles(make_panel(paint="red"), above)[0]) == 0
