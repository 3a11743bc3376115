"""Wall tilt and acceptance: geometry learnt from lines alone, and the share that a lamp shows."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from defectscan.measurement.glint import (
    Glint,
    circles,
    cross_angle_deg,
    fit_glint,
    glints,
)
from defectscan.measurement.lines import Lines
from tests.drawn_lines import Floats, lit_grooves, no_lines, ring_zone, straight_lines

SHAPE = (750, 1000)
CENTRE = np.array([470.0, 360.0])
REACH = 12.0
ZONE = ring_zone(SHAPE, CENTRE, least_px=45)


def ellipses(ratio: float, angle_deg: float, *, centre: Floats = CENTRE) -> Glint:
    """Return rings as ellipses, the long axis `ratio` times the short one, along an angle."""
    angle = np.deg2rad(angle_deg)
    axes = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    # Rings are where the path d·A·d/2 is the same: an axis is as long as 1/sqrt(eigenvalue).
    a = axes @ np.diag([1 / ratio**2, 1.0]) @ axes.T
    a *= 2 / np.trace(a)
    return replace(
        circles(centre, reach_px=REACH),
        coefficients=np.array([0, 0, a[0, 0], a[0, 1], a[1, 1], 0, 0, 0, 0]),
        scale_px=500,
    )


def axes_of(glint: Glint, at: Floats) -> tuple[float, float]:
    """Return the axis ratio of the rings, and the direction of the long axis, in degrees."""
    step = np.array([[1.0, 0], [-1, 0], [0, 1], [0, -1]])
    tilt = glint.tilt(at + step)
    jacobian = np.stack([tilt[0] - tilt[1], tilt[2] - tilt[3]], axis=-1) / 2
    values, vectors = np.linalg.eigh((jacobian + jacobian.T) / 2)
    angle = float(np.rad2deg(np.arctan2(vectors[1, 0], vectors[0, 0]))) % 180
    return float(np.sqrt(values[1] / values[0])), angle


def middle_of(glint: Glint) -> Floats:
    """Return where the tilt is 0, by Newton's steps."""
    at = glint.centre_px
    for _ in range(20):
        tilt = glint.tilt(at + np.array([[0, 0], [0.1, 0], [0, 0.1]]))
        at = at - np.linalg.solve((tilt[1:] - tilt[0]).T / 0.1, tilt[0])
    return at


def strewn(truth: Glint, seed: int = 0, density_per_px: float = 0.05) -> Lines:
    rng = np.random.default_rng(seed)
    return lit_grooves(rng, truth, zone=ZONE, density_per_px=density_per_px)


def fitted(lines: Lines, *, centre: Floats = CENTRE, like: Glint | None = None) -> Glint:
    return fit_glint(lines, centre, least_radius_px=60, scale_px=500, usual_reach_px=20, like=like)


@pytest.mark.parametrize("seed", range(3))
def test_circles_are_recovered(seed: int) -> None:
    glint = fitted(strewn(ellipses(1, 0), seed))
    assert axes_of(glint, CENTRE)[0] == pytest.approx(1, abs=0.03)
    assert middle_of(glint) == pytest.approx(CENTRE, abs=2)
    assert not glint.assumed


@pytest.mark.parametrize("angle_deg", [0.0, 35.0, 90.0, 140.0])
@pytest.mark.parametrize("ratio", [1.2, 1.6])
def test_ellipses_are_recovered(ratio: float, angle_deg: float) -> None:
    glint = fitted(strewn(ellipses(ratio, angle_deg)))
    found, angle = axes_of(glint, CENTRE)
    assert found == pytest.approx(ratio, rel=0.03)
    assert abs((angle - angle_deg + 90) % 180 - 90) < 3
    assert not glint.assumed


def test_a_highlight_some_pixels_off_is_put_right() -> None:
    truth = CENTRE + np.array([4.0, -3.0])
    glint = fitted(strewn(ellipses(1.1, 20, centre=truth), density_per_px=0.1))
    assert np.linalg.norm(middle_of(glint) - truth) < 2


def test_reach_is_half_the_width_of_the_spread() -> None:
    for ratio in (1.0, 1.4):
        glint = fitted(strewn(ellipses(ratio, 50)))
        scale = np.trace(_jacobian(glint)) / 2
        assert glint.reach_px / scale == pytest.approx(REACH, rel=0.08)


def _jacobian(glint: Glint) -> Floats:
    tilt = glint.tilt(CENTRE + np.array([[1.0, 0], [-1, 0], [0, 1], [0, -1]]))
    return np.stack([tilt[0] - tilt[1], tilt[2] - tilt[3]], axis=-1) / 2


def test_false_lines_do_not_move_the_rings() -> None:
    true = strewn(ellipses(1.5, 30), density_per_px=0.1)
    rng = np.random.default_rng(1)
    places, angles = rng.random((60, 2)) * [1000, 750], rng.uniform(0, np.pi, 60)
    ends = 8 * np.stack([np.cos(angles), np.sin(angles)], axis=-1)
    false = straight_lines([(*a, *b) for a, b in zip(places - ends, places + ends, strict=True)])
    glint = fitted(Lines.joined([true, false]))
    found, angle = axes_of(glint, CENTRE)
    assert found == pytest.approx(1.5, rel=0.03)
    assert angle == pytest.approx(30, abs=3)
    assert glint.reach_px == pytest.approx(REACH, rel=0.1)


def test_no_lines_leave_the_usual_geometry() -> None:
    glint = fitted(no_lines())
    assert axes_of(glint, CENTRE)[0] == pytest.approx(1)
    assert middle_of(glint) == pytest.approx(CENTRE)
    assert glint.reach_px == 20


def test_few_lines_take_the_like_shots_ellipses() -> None:
    like = ellipses(1.4, 60)
    few = strewn(like, density_per_px=0.005)
    assert 0 < few.n < 15
    ratio, angle = axes_of(fitted(few, like=like), CENTRE)
    assert ratio == pytest.approx(1.4, rel=0.05)
    assert angle == pytest.approx(60, abs=8)


def test_the_like_shots_photo_may_be_of_another_size() -> None:
    cubic = replace(ellipses(1.4, 60), coefficients=np.append(np.zeros(5), [0.1, 0, 0.05, 0]))
    like = replace(cubic, coefficients=cubic.coefficients + ellipses(1.4, 60).coefficients)
    twice = replace(like, centre_px=2 * CENTRE, scale_px=1000, reach_px=2 * REACH)
    one, other = (fitted(no_lines(), like=each) for each in (like, twice))
    assert one.reach_px == other.reach_px == REACH
    places = CENTRE + np.array([[100.0, 0], [-50, 80], [300, -200]])
    assert np.allclose(one.tilt(places), other.tilt(places))


def test_lines_too_long_for_glints_tell_no_reach() -> None:
    short = [(x, y, x + 12, y + 12) for x in (600.0, 640.0) for y in (480.0, 520.0)]
    long = (CENTRE[0] - 300, CENTRE[1] + 150, CENTRE[0] + 300, CENTRE[1] + 150)
    assert fitted(straight_lines([*short, long])).reach_px == 20


def test_lines_towards_the_highlight_are_no_lamps() -> None:
    # All lines point at the highlight: no ring goes along them.
    angles = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    way = np.stack([np.cos(angles), np.sin(angles)], axis=-1)
    ends = np.concatenate([CENTRE + 150 * way, CENTRE + 190 * way], axis=-1)
    glint = fitted(straight_lines([tuple(e) for e in ends]))
    assert axes_of(glint, CENTRE)[0] < 2.2
    assert middle_of(glint) == pytest.approx(CENTRE, abs=50)


def test_acceptance_in_closed_form() -> None:
    glint = circles(CENTRE, reach_px=REACH)
    tilt = REACH / np.sin(np.pi / 2 * np.array([1.0, 2 / 3, 1 / 2, 1 / 3, 0.1]))
    found = glint.acceptance(tilt, reach_px=REACH)
    assert found == pytest.approx([1, 2 / 3, 1 / 2, 1 / 3, 0.1])
    assert glint.acceptance(np.array([0.0, 0.5 * REACH]), reach_px=REACH) == pytest.approx([1, 1])
    assert glint.acceptance(tilt, reach_px=np.inf) == pytest.approx(1)
    # Far off it falls with the distance: 2 delta / pi.
    assert glint.acceptance(np.array([1e5]), reach_px=REACH) == pytest.approx(
        2 / np.pi * REACH / 1e5, rel=1e-6
    )


@given(st.floats(20, 700), st.floats(0, 2 * np.pi), st.floats(1, 2))
def test_acceptance_is_the_share_of_directions_in_the_window(
    away: float, bearing: float, ratio: float
) -> None:
    glint = ellipses(ratio, 25)
    place = CENTRE + away * np.array([np.cos(bearing), np.sin(bearing)])
    tilt = glint.tilt(place)
    angle = (np.arange(20_000) + 0.5) / 20_000 * np.pi
    along = np.abs(np.cos(angle) * tilt[0] + np.sin(angle) * tilt[1])
    share = np.mean(along <= REACH)
    accepted = glint.acceptance(np.array([np.linalg.norm(tilt)]), reach_px=REACH)
    assert accepted == pytest.approx([share], abs=2e-4)


@given(st.lists(st.floats(-0.4, 0.4), min_size=4, max_size=4), st.floats(0, 999), st.floats(0, 749))
def test_tilt_is_the_gradient_of_a_path(cubic: list[float], x: float, y: float) -> None:
    glint = replace(ellipses(1.4, 40), coefficients=np.concatenate([[2, -1, 0.9, 0.1, 1.1], cubic]))
    step = 0.5 * np.array([[1.0, 0], [-1, 0], [0, 1], [0, -1]])
    tilt = glint.tilt(np.array([x, y]) + step)
    assert (tilt[0] - tilt[1])[1] == pytest.approx((tilt[2] - tilt[3])[0], abs=1e-6)


def test_cross_angle() -> None:
    glint = circles(CENTRE)
    x, y = CENTRE
    tangential, radial, slant = (x + 100, y - 1, x + 100, y + 1), (x, y + 99, x, y + 101), 30
    lines = straight_lines([tangential, radial])
    assert cross_angle_deg(glint, lines) == pytest.approx([0, 0, 90, 90], abs=0.6)
    angle = np.deg2rad(90 + slant)
    tilted = straight_lines([(x + 200, y, x + 200 + np.cos(angle), y + np.sin(angle))])
    assert cross_angle_deg(glint, tilted) == pytest.approx([slant], abs=0.3)


def test_glints_are_lines_along_the_rings() -> None:
    glint = circles(CENTRE, reach_px=REACH)
    x, y = CENTRE
    across, along = (x + 200, y - 10, x + 200, y + 10), (x + 200, y, x + 220, y)
    assert glints(straight_lines([across, along]), glint).tolist() == [True, False]
    assert glints(no_lines(), glint).tolist() == []


@pytest.mark.parametrize("n_pieces", [1, 12])
def test_long_edges_do_not_outweigh_the_glints(n_pieces: int) -> None:
    truth = ellipses(1.3, 30)
    lines = strewn(truth)
    ends = np.array([(850.0, 10.0, 860.0, 740.0), (20.0, 700.0, 980.0, 690.0)])
    share = np.arange(n_pieces) / n_pieces
    way = ends[:, 2:] - ends[:, :2]
    starts = ends[:, None, :2] + share[:, None] * way[:, None]
    # Seen in pieces, with gaps between them.
    stops = starts + 0.8 * way[:, None] / n_pieces
    edges = [tuple(row) for row in np.concatenate([starts, stops], axis=-1).reshape(-1, 4)]
    disturbed = fitted(Lines.joined([lines, straight_lines(edges)]))
    quiet = fitted(lines)
    ratio, angle = axes_of(disturbed, CENTRE)
    assert ratio == pytest.approx(axes_of(quiet, CENTRE)[0], rel=0.04)
    assert abs((angle - axes_of(quiet, CENTRE)[1] + 90) % 180 - 90) < 6
    assert disturbed.reach_px == pytest.approx(quiet.reach_px, rel=0.1)


@pytest.mark.parametrize("ratio", [1.0, 1.3, 1.6])
def test_flatness_is_what_the_flat_direction_needs(ratio: float) -> None:
    # Of mean 1, with a ratio of `ratio` squared between the two.
    assert ellipses(ratio, 40).flatness == pytest.approx(2 / (1 + ratio**2))
