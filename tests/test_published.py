"""Checks against what is published outside the project: each with its source beside it."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.special import ndtr
from skimage.draw import line as digital_line
from skimage.filters import sato

from defectscan.imaging.linear_light import srgb_to_linear
from defectscan.imaging.photo import Exposure
from defectscan.measurement.glint import Glint, circles, fit_glint
from defectscan.measurement.lines import Lines
from defectscan.measurement.ridges import WIDTH_PX, find_ridges
from defectscan.measurement.score import count_lines
from defectscan.measurement.state import GRADE_LIMITS_MM_PER_CM2
from defectscan.measurement.thinning import NO_THINNING
from defectscan.simulation.scene import Camera, Lamp, Scene
from defectscan.simulation.surface import Surface
from tests.drawn_lines import draw_picture, shot_of, straight_lines, traced

Floats = NDArray[np.float64]


# --- Glint geometry -----------------------------------------------------------------------------
# A smooth groove of direction t shows the lamp where (l + v)·t = 0, l and v being unit vectors to
# lamp and camera: Kajiya and Kay, SIGGRAPH 1989, from memory. The worked figures and closed forms
# were computed from it apart from this code.


def scene_of(lamp: tuple[float, float, float], camera: tuple[float, float, float]) -> Scene:
    return Scene(
        surface=Surface(),
        lamp=Lamp(position_mm=lamp, radius_mm=0.01),
        camera=Camera(
            position_mm=camera, target_mm=(0, 0, 0), focal_px=1000, width_px=800, height_px=600
        ),
    )


WORKED = scene_of((0.0, 0.0, 1.0), (0.4, 0.0, 0.8))


def test_mirror_point_and_angle_of_incidence() -> None:
    mirror = WORKED.mirror_point()
    assert mirror == pytest.approx([0.222222, 0], abs=1e-6)
    cosine = WORKED.facet_slopes(mirror)[2]
    assert np.degrees(np.arccos(cosine)) == pytest.approx(12.5288, abs=1e-4)


@pytest.mark.parametrize(
    ("place", "direction_deg", "wall_tilt_deg"),
    [
        ((0, 0.1), 64.6445, 14.6312),
        ((0.3, 0), 90, 4.7871),
        ((0.3, 0.1), 143.2783, 8.0036),
        ((0.5, 0.3), 137.9572, 24.5281),
        ((-0.2, 0.2), 63.5427, 26.5331),
    ],
)
def test_visible_direction_and_wall_tilt_at_worked_points(
    place: tuple[float, float], direction_deg: float, wall_tilt_deg: float
) -> None:
    slope = WORKED.facet_slopes(np.array(place, dtype=float))[0]
    assert np.degrees(np.arctan2(slope[0], -slope[1])) % 180 == pytest.approx(
        direction_deg, abs=1e-4
    )
    assert np.degrees(np.arctan(np.hypot(*slope))) == pytest.approx(wall_tilt_deg, abs=1e-4)


@pytest.mark.parametrize(
    ("radius", "tilt_deg"), [(0.05, 2.862), (0.1, 5.711), (0.2, 11.310)], ids=str
)
def test_lamp_and_camera_together_need_a_tilt_of_atan_radius_over_height(
    radius: float, tilt_deg: float
) -> None:
    together = scene_of((0.0, 0.0, 1.0), (0.0, 0.0, 1.0))
    angles = np.linspace(0, 2 * np.pi, 12)
    places = radius * np.stack([np.cos(angles), np.sin(angles)], axis=-1)
    slope = together.facet_slopes(places)[0]
    assert np.degrees(np.arctan(np.linalg.norm(slope, axis=-1))) == pytest.approx(
        tilt_deg, abs=5e-4
    )
    # Circles: the needed slope points along the radius.
    assert slope[:, 0] * places[:, 1] == pytest.approx(slope[:, 1] * places[:, 0], abs=1e-12)


def visible_lines(scene: Scene, *, reach_mm: float, px_per_mm: float, seed: int) -> Lines:
    """Return short lines on the panel, seen square on, that the law of reflection lights up."""
    rng = np.random.default_rng(seed)
    middle = scene.mirror_point()
    places = middle + reach_mm * rng.uniform(-1, 1, (400, 2))
    slope = scene.facet_slopes(places)[0]
    direction = np.arctan2(slope[:, 0], -slope[:, 1])
    half = 6 / px_per_mm * np.stack([np.cos(direction), np.sin(direction)], axis=-1)
    ends = px_per_mm * (np.concatenate([places - half, places + half], axis=-1) - [*middle] * 2)
    return straight_lines([tuple(e) for e in ends])


def fitted(lines: Lines) -> Glint:
    return fit_glint(lines, np.zeros(2), least_radius_px=25, scale_px=500, usual_reach_px=20)


def rings_of(glint: Glint) -> tuple[float, float]:
    """Return the rings' axis ratio at the highlight and the direction of the long axis, deg."""
    tilt = glint.tilt(np.array([[1.0, 0], [-1, 0], [0, 1], [0, -1]]))
    jacobian = np.stack([tilt[0] - tilt[1], tilt[2] - tilt[3]], axis=-1) / 2
    values, vectors = np.linalg.eigh((jacobian + jacobian.T) / 2)
    angle = float(np.degrees(np.arctan2(vectors[1, 0], vectors[0, 0]))) % 180
    # Rings are where the path d·A·d/2 is the same: an axis is as long as 1/sqrt(eigenvalue).
    return float(np.sqrt(values[1] / values[0])), angle


@pytest.mark.parametrize("theta_deg", [12.5288, 30, 45, 55])
@pytest.mark.parametrize("azimuth_deg", [0, 50])
def test_rings_are_ellipses_of_the_axis_ratio_one_over_cosine(
    theta_deg: float, azimuth_deg: float
) -> None:
    # Closed form: near the mirror point the rings on the panel are ellipses with the long axis
    # in the plane of incidence, and the axis ratio 1/cos(theta).
    theta, azimuth = np.radians(theta_deg), np.radians(azimuth_deg)
    aside, above = 1000 * np.sin(theta), 1000 * np.cos(theta)
    x, y = float(aside * np.cos(azimuth)), float(aside * np.sin(azimuth))
    scene = scene_of((-x, -y, float(above)), (x, y, float(above)))
    ratio, angle = rings_of(fitted(visible_lines(scene, reach_mm=80, px_per_mm=4, seed=1)))
    assert ratio == pytest.approx(1 / np.cos(theta), rel=0.02)
    assert abs((angle - azimuth_deg + 90) % 180 - 90) < 3 or theta_deg < 20


def test_worked_axis_ratio() -> None:
    # Lamp (0, 0, 1), camera (.4, 0, .8): 1.024394, also by a numerical Hessian of the path.
    lines = visible_lines(WORKED, reach_mm=0.08, px_per_mm=4000, seed=2)
    assert rings_of(fitted(lines))[0] == pytest.approx(1.024394, abs=0.012)


def test_foreshortening_makes_the_rings_round_in_the_photo() -> None:
    # Closed form: a far camera sees the long axis shortened by cos(theta).
    theta = np.radians(50)
    aside, above = float(np.sin(theta)), float(np.cos(theta))
    scene = scene_of((-1000 * aside, 0, 1000 * above), (1000 * aside, 0, 1000 * above))
    flat = visible_lines(scene, reach_mm=60, px_per_mm=4, seed=3)
    squeeze = np.array([above, 1.0])
    tangent = flat.tangent * squeeze
    seen = replace(
        flat,
        xy_px=flat.xy_px * squeeze,
        tangent=tangent / np.linalg.norm(tangent, axis=-1, keepdims=True),
    )
    assert rings_of(fitted(flat))[0] == pytest.approx(1 / above, rel=0.02)
    assert rings_of(fitted(seen))[0] == pytest.approx(1, abs=0.03)


def test_lit_length_of_a_straight_groove() -> None:
    # Closed form: passing the highlight at distance rho, within ± delta, 2 rho tan(delta) is lit.
    rho, delta = 50.0, np.radians(5)
    assert 2 * rho * np.tan(delta) == pytest.approx(8.749, abs=5e-4)
    along = np.linspace(-30, 30, 60001)
    points = np.stack([along, np.full_like(along, rho)], axis=-1)
    # |s·t| <= eps with eps = rho tan(delta): the angle to the ring's tangent stays under delta.
    u = circles(np.zeros(2)).tilt(points)[:, 0]
    lit = np.abs(u) <= rho * np.tan(delta)
    assert np.ptp(along[lit]) == pytest.approx(8.749, abs=2e-3)
    slant = np.degrees(np.arctan2(np.abs(along[lit]), rho))
    assert slant.max() == pytest.approx(5, abs=0.01)


def test_share_of_directions_that_one_lamp_shows() -> None:
    # Far from the highlight 2 delta / pi; with delta = 10 degrees every ninth groove.
    glint = circles(np.zeros(2))
    delta = np.radians(10)
    share = glint.acceptance(np.array([300.0]), reach_px=float(300 * np.sin(delta)))
    assert share == pytest.approx([2 * delta / np.pi])
    assert 1 / share[0] == pytest.approx(9)


# --- Length of digital straight lines -----------------------------------------------------------
# Estimators a·Ne + b·No + c·Nc: even steps, odd (diagonal) steps, changes between the two.
# Freeman 1970: 1, sqrt 2. Kulpa, CGIP 6 (1977) 434: pi/8 (1 + sqrt 2) and sqrt 2 times it.
# Vossepoel and Smeulders, CGIP 20 (1982) 347: .980, 1.406, -.091. Coefficients as in public code
# (yannickbijl/ContourEstimator); mean, least, most and rms error over all angles computed anew.

KULPA = np.pi / 8 * (1 + np.sqrt(2))
ESTIMATORS = {
    "pixel count": ((1, 1, 0), (0.90032, 0.70711, 1.0, 0.1330)),
    "Freeman": ((1, np.sqrt(2), 0), (1.05479, 1.0, 1.08239, 0.0601)),
    "Kulpa": ((KULPA, np.sqrt(2) * KULPA, 0), (1.0, 0.94806, 1.02617, 0.0233)),
    "Vossepoel and Smeulders": ((0.980, 1.406, -0.091), (0.99989, 0.98, 1.00992, 0.0071)),
}
OCTANT_DEG = (np.arange(90) + 0.5) / 2


def relative_lengths(weights: tuple[float, float, float], length_px: int = 20_000) -> Floats:
    """Return estimated over true length of long digital lines at angles over an octant."""
    ratios = []
    for angle in np.radians(OCTANT_DEG):
        dx, dy = round(length_px * np.cos(angle)), round(length_px * np.sin(angle))
        rows, columns = digital_line(0, 0, dy, dx)  # type: ignore[no-untyped-call]
        odd = (np.diff(rows) != 0) & (np.diff(columns) != 0)
        changes = np.count_nonzero(np.diff(odd))
        a, b, c = weights
        estimate = a * np.count_nonzero(~odd) + b * np.count_nonzero(odd) + c * changes
        ratios.append(estimate / np.hypot(dx, dy))
    return np.array(ratios)


@pytest.mark.parametrize("name", ESTIMATORS)
def test_published_estimators_of_length(name: str) -> None:
    weights, (mean, least, most, rms) = ESTIMATORS[name]
    ratios = relative_lengths(weights)
    assert ratios.mean() == pytest.approx(mean, abs=3e-4)
    assert ratios.min() == pytest.approx(least, abs=6e-3)
    assert ratios.max() == pytest.approx(most, abs=2e-3)
    assert np.sqrt(np.mean((ratios - 1) ** 2)) == pytest.approx(rms, abs=5e-4)


def test_freeman_on_a_slope_of_one_half() -> None:
    # (1 + sqrt 2)/sqrt 5 is 7.97 % too long (inperc.com/blog2/2007/10/27).
    rows, _ = digital_line(0, 0, 1000, 2000)  # type: ignore[no-untyped-call]
    odd = np.diff(rows) != 0
    length = np.count_nonzero(~odd) + np.sqrt(2) * np.count_nonzero(odd)
    assert length / np.hypot(1000, 2000) == pytest.approx(1.0797, abs=1e-4)


def test_lengths_along_fitted_bends_beat_every_local_estimator() -> None:
    # Lines through the whole picture, one pixel wide and unblurred; what lies within a circle.
    side, radius = 240, 100.0
    middle = (side - 1) / 2
    ratios = []
    for angle in np.radians(np.arange(1.5, 180, 6)):
        dx, dy = 200 * np.cos(angle), 200 * np.sin(angle)
        ends = (round(middle - dy), round(middle - dx), round(middle + dy), round(middle + dx))
        rows, columns = digital_line(*ends)  # type: ignore[no-untyped-call]
        inside = (rows >= 0) & (columns >= 0) & (rows < side) & (columns < side)
        picture = draw_picture((side, side), noise=0.01)
        picture[rows[inside], columns[inside]] *= 2
        lines = traced(picture)
        near = np.hypot(lines.xy_px[:, 0] - middle, lines.xy_px[:, 1] - middle) < radius
        # The digitised line misses the middle by up to half a pixel: its chord is as good as 2 r.
        # Points are a pixel apart; how much the ends' blur adds is a matter of the ends alone.
        ratios.append(np.count_nonzero(near) / (2 * radius))
    found = np.array(ratios)
    assert found.mean() == pytest.approx(1, abs=0.002)
    rms = np.sqrt(np.mean((found - 1) ** 2))
    assert rms <= min(row[1][3] for row in ESTIMATORS.values())


# --- Horvitz and Thompson, J. Am. Stat. Assoc. 47 (1952) 663 -------------------------------------


def total_and_variance(
    values: Floats, chance: Floats, joint: Floats, sampled: NDArray[np.bool_]
) -> tuple[float, float]:
    """Return the estimated total of a sample, and the estimator's variance over all samples."""
    estimate = float((values / chance)[sampled].sum())
    scaled = values / chance
    variance = float(scaled @ (joint - np.outer(chance, chance)) @ scaled)
    return estimate, variance


def test_horvitz_thompson_of_two_out_of_four() -> None:
    # Simple random sampling: pi_i = n/N, pi_ij = n(n-1)/(N(N-1)).
    values, chance = np.arange(1.0, 5), np.full(4, 1 / 2)
    joint = np.where(np.eye(4, dtype=bool), 1 / 2, 1 / 6)
    estimates = []
    for one in range(4):
        for two in range(one + 1, 4):
            sampled = np.isin(np.arange(4), (one, two))
            estimate, variance = total_and_variance(values, chance, joint, sampled)
            estimates.append(estimate)
            assert variance == pytest.approx(6.666667, abs=1e-6)
    assert sorted(estimates) == pytest.approx([6, 8, 10, 10, 12, 14])
    assert np.mean(estimates) == pytest.approx(10)
    assert np.var(estimates) == pytest.approx(6.666667, abs=1e-6)


def test_horvitz_thompson_of_poisson_sampling() -> None:
    values, chance = np.arange(1.0, 5), np.array([0.2, 0.4, 0.6, 0.8])
    joint = np.where(np.eye(4, dtype=bool), chance, np.outer(chance, chance))
    none = np.zeros(4, dtype=bool)
    assert total_and_variance(values, chance, joint, none)[1] == pytest.approx(20)
    mean = 0.0
    for number in range(16):
        sampled = (number >> np.arange(4) & 1).astype(bool)
        how_likely = np.prod(np.where(sampled, chance, 1 - chance))
        mean += how_likely * total_and_variance(values, chance, joint, sampled)[0]
    assert mean == pytest.approx(10)


def test_the_packages_count_is_horvitz_thompsons() -> None:
    # One full passage through the window in each of many directions, far from the highlight: each
    # line counts its length over its chance to show, here 2 delta/pi nearly.
    glint = circles(np.array([300.0, 300.0]), reach_px=12)
    y, x = np.mgrid[:601, :601]
    away = np.hypot(x - 300, y - 300)
    zone = (away > 140) & (away < 290)
    bearing = np.linspace(0, 2 * np.pi, 24, endpoint=False) + 0.01
    out = np.stack([np.cos(bearing), np.sin(bearing)], axis=-1)
    along = np.stack([-out[:, 1], out[:, 0]], axis=-1)
    radius = np.linspace(160, 270, 24)[:, None]
    ends = 300 + np.concatenate([radius * out - 12 * along, radius * out + 12 * along], axis=-1)
    lines = straight_lines([tuple(e) for e in ends])
    found = count_lines([shot_of(lines, zone, glint)], thinning=NO_THINNING).density
    # The population's density for which 24 lines of 24 px are expected in the zone.
    accepted = glint.acceptance(away[zone], reach_px=12.0).sum()
    assert found == pytest.approx(24 * 24 / accepted, rel=0.05)


# --- Ridge filter -------------------------------------------------------------------------------
# Bar of half-width w and height h, Gaussian sigma s: L''(0) = -2 h w/(sqrt(2 pi) s^3)
# exp(-w^2/2 s^2) (Steger, IEEE TPAMI 20 (1998) 113, from memory). Gaussian line of standard
# deviation a: s^2 |L''(0)| = h a s^2/(a^2 + s^2)^1.5, at most 2/3^1.5 h. Scale normalisation s^2:
# Lindeberg, from memory. scikit-image's `sato` is s^2 max(-lambda, 0) of the same derivatives.

SIDE = 121


def bar(half_width_px: float) -> Floats:
    """Return a bright bar along y through the middle, each pixel the mean over its width."""
    x = np.arange(SIDE) - SIDE // 2
    inside = np.clip(half_width_px - np.abs(x) + 0.5, 0, 1)
    return np.tile(inside, (SIDE, 1))


def gaussian_line(width_px: float) -> Floats:
    x = np.arange(SIDE) - SIDE // 2
    return np.tile(np.exp(-(x**2) / (2 * width_px**2)), (SIDE, 1))


def curvature_at_the_middle(picture: Floats) -> float:
    """Return the package's own second derivative across, for a contrast of 1."""
    luminance = (0.1 * (1 + picture)).astype(np.float32)
    background = np.full_like(luminance, 0.1)
    ridges = find_ridges(luminance, background, measured=np.ones(luminance.shape, dtype=bool))
    return float(ridges.curvature[0][SIDE // 2, SIDE // 2])


@pytest.mark.parametrize(
    ("half_width_px", "scale_px", "height", "bend"),
    [
        (3, 3 / np.sqrt(3), 0.916735, -0.102787),
        (3, 1.5, 0.954500, -0.095984),
        (3, 3, 0.682689, -0.053771),
        (3, 6, 0.382925, -0.009780),
    ],
)
def test_closed_forms_of_the_bar(
    half_width_px: float, scale_px: float, height: float, bend: float
) -> None:
    w, s = half_width_px, scale_px
    assert 2 * ndtr(w / s) - 1 == pytest.approx(height, abs=1e-6)
    formula = -2 * w / (np.sqrt(2 * np.pi) * s**3) * np.exp(-(w**2) / (2 * s**2))
    assert formula == pytest.approx(bend, abs=1e-6)


@pytest.mark.parametrize("half_width_px", [1.5, 2.5, 4.5])
def test_bar_profile(half_width_px: float) -> None:
    w, s = half_width_px, WIDTH_PX
    expected = 2 * w / (np.sqrt(2 * np.pi) * s) * np.exp(-(w**2) / (2 * s**2))
    # Sampling at whole pixels costs some per cent of a bar with sharp sides.
    assert curvature_at_the_middle(bar(w)) == pytest.approx(expected, rel=0.06, abs=0.004)


@pytest.mark.parametrize("width_px", [0.8, 1.2, 2.0, 3.0])
def test_gaussian_line_profile(width_px: float) -> None:
    a, s = width_px, WIDTH_PX
    expected = a * s**2 / (a**2 + s**2) ** 1.5
    assert curvature_at_the_middle(gaussian_line(a)) == pytest.approx(expected, rel=0.01)


def test_largest_answer_to_a_gaussian_line() -> None:
    # At s = sqrt(2) a: 2/3^1.5 = .384900 of its height.
    a = WIDTH_PX / np.sqrt(2)
    assert curvature_at_the_middle(gaussian_line(a)) == pytest.approx(0.384900, rel=0.01)


@pytest.mark.parametrize("width_px", [1.0, 1.7, 2.5])
@pytest.mark.parametrize("kind", [gaussian_line, bar], ids=["Gaussian line", "bar"])
def test_ridge_filter_against_scikit_image(kind: type, width_px: float) -> None:
    picture = kind(width_px)
    theirs = sato(picture, sigmas=[WIDTH_PX], black_ridges=False, mode="reflect")  # type: ignore[no-untyped-call]
    ours = curvature_at_the_middle(picture)
    assert ours == pytest.approx(float(theirs[SIDE // 2, SIDE // 2]), rel=0.02, abs=0.003)


@pytest.mark.parametrize(
    ("profile", "scale_px", "answer"),
    [
        (gaussian_line(2), 2.828427, 0.384900),
        (gaussian_line(2), 2.0, 0.353553),
        (gaussian_line(2), 4.0, 0.357771),
        (bar(2.5), 2.5, 0.490486),  # in the continuum .483941
    ],
    ids=["Gaussian, peak", "Gaussian, s = a", "Gaussian, s = 2 a", "bar, s = w"],
)
def test_scikit_image_answers_as_published(profile: Floats, scale_px: float, answer: float) -> None:
    found = sato(profile, sigmas=[scale_px], black_ridges=False, mode="reflect")  # type: ignore[no-untyped-call]
    assert found[SIDE // 2, SIDE // 2] == pytest.approx(answer, abs=2e-4)


# --- Photometry ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "linear"),
    # IEC 61966-2-1, decoding threshold from memory; worked values computed from its formula.
    [
        (1, 0.0003035),
        (10, 0.0030353),
        (11, 0.0033465),
        (50, 0.031896),
        (64, 0.0512695),
        (100, 0.1274377),
        (118, 0.1811642),
        (127, 0.2122308),
        (128, 0.2158605),
        (188, 0.5028865),
        (200, 0.5775804),
        (254, 0.9911021),
        (255, 1.0),
    ],
)
def test_srgb_decoding(code: int, linear: float) -> None:
    assert float(srgb_to_linear(np.array(code / 255))) == pytest.approx(linear, rel=2e-5, abs=5e-8)


@pytest.mark.parametrize(
    ("linear", "code"),
    [(0.001, 0.01292), (0.01, 0.0998528), (0.04, 0.2209164), (0.18, 0.4613561), (0.5, 0.735357)],
)
def test_srgb_encoding_turned_round(linear: float, code: float) -> None:
    assert float(srgb_to_linear(np.array(code))) == pytest.approx(linear, rel=2e-5)


@pytest.mark.parametrize(
    ("f_number", "time_s", "iso", "exposure_value"),
    # EV = log2(N²/t), EV100 = EV - log2(S/100); ISO 2720:1974, from memory.
    [
        (1, 1, 100, 0),
        (16, 1 / 125, 100, 14.9658),
        (16, 1 / 128, 100, 15),
        (8, 1 / 125, 400, 10.9658),
        (5.6, 1 / 60, 100, 10.8777),
        (2.8, 1 / 30, 100, 7.8777),
        (11, 1 / 250, 100, 14.8846),
        (4, 1 / 4, 100, 6),
    ],
)
def test_exposure_values(f_number: float, time_s: float, iso: float, exposure_value: float) -> None:
    exposure = Exposure(f_number=f_number, exposure_time_s=time_s, iso_speed=iso)
    assert exposure.exposure_value_100 == pytest.approx(exposure_value, abs=5e-5)


# --- Grade --------------------------------------------------------------------------------------


@given(st.floats(0, 1000), st.floats(0, 1000))
def test_grade_in_the_style_of_iso_4628_1(one: float, other: float) -> None:
    # ISO 4628-1, from memory: quantity of defects from 0 (none) to 5, for defects that no other
    # part covers. The limits are the project's own; more defects are never a better grade.
    low, high = sorted((one, other))
    grades = [int(np.searchsorted(GRADE_LIMITS_MM_PER_CM2, density)) for density in (0, low, high)]
    assert grades[0] == 0
    assert grades[0] <= grades[1] <= grades[2] <= 5
