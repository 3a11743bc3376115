"""Tracing: drawn lines come out at their place, direction and length, and nothing else does."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from defectscan.measurement.lines import Lines
from tests.drawn_lines import (
    Floats,
    Image,
    Segment,
    draw_picture,
    no_lines,
    segment,
    straight_lines,
    traced,
)

SHAPE = (180, 240)
MIDDLE = (120.0, 90.0)
NOISE = 0.02
ANGLES_DEG = (0, 11, 45, 73.5, 90, 120, 168.75)


def direction_deg(tangent: Floats) -> float:
    """Give the mean direction as an axis, 0 to 180 degrees."""
    x, y = tangent.T
    return float(np.rad2deg(np.arctan2((2 * x * y).mean(), (x**2 - y**2).mean()) / 2)) % 180


def apart_deg(one: float, other: float) -> float:
    return abs((one - other + 90) % 180 - 90)


def picture_of(*segments: Segment, contrast: float = 0.6, seed: int = 0) -> Image:
    return draw_picture(SHAPE, segments, contrast=contrast, noise=NOISE, seed=seed)


def test_an_empty_picture_has_no_lines() -> None:
    lines = traced(draw_picture(SHAPE))
    assert lines.n == 0
    assert lines.xy_px.shape == lines.tangent.shape == (0, 2)
    assert lines.courses() == []
    assert lines.total(lines.length_px).shape == (0,)
    assert lines.of(np.zeros(0, dtype=bool)).n == 0


@pytest.mark.parametrize("seed", range(4))
def test_noise_has_no_lines(seed: int) -> None:
    assert traced(draw_picture((400, 600), noise=0.05, seed=seed)).n == 0


@pytest.mark.parametrize("length_px", [25, 60, 130])
def test_length_of_a_line(length_px: float) -> None:
    found = [
        traced(picture_of(segment(MIDDLE, length_px, angle_deg))).length_px.sum()
        for angle_deg in ANGLES_DEG
    ]
    assert found == pytest.approx([length_px] * len(ANGLES_DEG), abs=2)


@pytest.mark.parametrize("length_px", [25, 60, 130])
@pytest.mark.parametrize("angle_deg", ANGLES_DEG)
def test_direction_and_place_of_a_line(angle_deg: float, length_px: float) -> None:
    lines = traced(picture_of(segment(MIDDLE, length_px, angle_deg)))
    assert lines.n == 1
    assert apart_deg(direction_deg(lines.tangent), angle_deg) < 1
    assert lines.xy_px.mean(axis=0) == pytest.approx(MIDDLE, abs=1)
    angle = np.deg2rad(angle_deg)
    off = (lines.xy_px - MIDDLE) @ [-np.sin(angle), np.cos(angle)]
    assert np.abs(off).max() < 0.4


@settings(deadline=None, max_examples=25)
@given(st.floats(0, 180), st.floats(20, 120), st.floats(-0.5, 0.5), st.floats(-0.5, 0.5))
def test_any_line_is_found_once(angle: float, length: float, dx: float, dy: float) -> None:
    lines = traced(picture_of(segment((MIDDLE[0] + dx, MIDDLE[1] + dy), length, angle)))
    assert lines.n == 1
    assert lines.length_px.sum() == pytest.approx(length, abs=8)
    assert apart_deg(direction_deg(lines.tangent), angle) < 1.5


def test_twice_as_bright_is_not_longer() -> None:
    ends = segment(MIDDLE, 80, 33)
    faint, bright = (traced(picture_of(ends, contrast=c)) for c in (0.3, 3.0))
    assert bright.length_px.sum() == pytest.approx(faint.length_px.sum(), abs=2)
    assert bright.contrast.mean() == pytest.approx(10 * faint.contrast.mean(), rel=0.1)
    assert bright.evidence[0] > faint.evidence[0]


@pytest.mark.parametrize("between_deg", [90, 60, 40])
def test_crossing_lines_stay_two(between_deg: float) -> None:
    lines = traced(picture_of(segment(MIDDLE, 100, 20), segment(MIDDLE, 100, 20 + between_deg)))
    assert lines.n == 2
    assert lines.total(lines.length_px) == pytest.approx([100, 100], abs=5)
    found = sorted(direction_deg(lines.tangent[lines.line == k]) for k in range(2))
    assert apart_deg(found[0], 20) < 2
    assert apart_deg(found[1], 20 + between_deg) < 2


def test_parallel_lines_stay_two() -> None:
    lines = traced(picture_of(segment((120, 85), 80, 0), segment((120, 95), 80, 0)))
    assert lines.n == 2
    middles = lines.total(lines.xy_px[:, 1]) / lines.total(np.ones(len(lines.line)))
    assert sorted(middles) == pytest.approx([85, 95], abs=0.4)


def test_a_short_gap_does_not_make_two_lines() -> None:
    whole = traced(picture_of((40, 60, 110, 95), (114, 97, 184, 132)))
    assert whole.n == 1
    apart = traced(picture_of((40, 60, 100, 90), (140, 110, 184, 132)))
    assert apart.n == 2


@pytest.mark.parametrize("width_px", [0.8, 1.2, 2.0, 4.0])
@pytest.mark.parametrize("contrast", [0.5, 5.0])
def test_a_speck_is_no_line(width_px: float, contrast: float) -> None:
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    speck = contrast * np.exp(-((x - 120.3) ** 2 + (y - 90.4) ** 2) / (2 * width_px**2))
    picture = picture_of() + np.float32(0.1) * speck.astype(np.float32)
    assert traced(picture).n == 0


def test_a_dash_shorter_than_a_line_is_none() -> None:
    assert traced(picture_of(segment(MIDDLE, 3, 0))).n == 0


@pytest.mark.parametrize("bend_px", [150.0, 400.0])
def test_a_bent_line(bend_px: float) -> None:
    angles = np.linspace(-45, 45, 181) / bend_px
    x, y = MIDDLE[0] + bend_px * np.sin(angles), MIDDLE[1] + bend_px * (1 - np.cos(angles))
    pieces = list(zip(x[:-1], y[:-1], x[1:], y[1:], strict=True))
    lines = traced(picture_of(*pieces))
    assert lines.n == 1
    radius = np.hypot(lines.xy_px[:, 0] - MIDDLE[0], lines.xy_px[:, 1] - MIDDLE[1] - bend_px)
    assert np.abs(radius - bend_px).max() < 0.6
    course = lines.xy_px - [MIDDLE[0], MIDDLE[1] + bend_px]
    slant = np.abs(np.sum(course * lines.tangent, axis=-1)) / radius
    assert np.rad2deg(np.arcsin(slant)).max() < 3


def test_lines_are_sought_only_where_measured() -> None:
    measured = np.zeros(SHAPE, dtype=bool)
    measured[:, :120] = True
    left, right = segment((60, 90), 60, 70), segment((180, 90), 60, 70)
    lines = traced(picture_of(left, right), measured=measured)
    assert lines.n == 1
    assert lines.xy_px[:, 0].max() < 120


def test_a_line_out_of_the_frame_keeps_what_is_inside() -> None:
    lines = traced(picture_of((100, 90, 400, 90)))
    assert lines.n == 1
    assert lines.length_px.sum() == pytest.approx(140, abs=6)
    assert lines.xy_px.max() <= 239


def test_courses_follow_each_line_in_steps_of_a_pixel() -> None:
    lines = traced(picture_of(segment((70, 60), 60, 20), segment((160, 120), 40, 100)))
    courses = lines.courses()
    assert [len(c) for c in courses] == lines.total(np.ones(len(lines.line))).tolist()
    for number, course in enumerate(courses):
        np.testing.assert_array_equal(course, lines.xy_px[lines.line == number])
        assert np.hypot(*np.diff(course, axis=0).T) == pytest.approx(1, abs=0.05)
    assert np.hypot(*lines.tangent.T) == pytest.approx(1)


def test_chosen_lines_are_numbered_anew() -> None:
    lines = straight_lines([(0, 0, 10, 0), (0, 5, 20, 5), (0, 9, 0, 39)])
    some = lines.of(np.array([True, False, True]))
    assert some.n == 2
    assert some.line.tolist() == [0] * 10 + [1] * 30
    assert some.total(some.length_px).tolist() == [10, 30]
    assert some.courses()[1][0].tolist() == [0, 9.5]
    assert lines.of(np.zeros(3, dtype=bool)).n == 0


def test_totals_over_each_line() -> None:
    lines = straight_lines([(0, 0, 3, 0), (0, 5, 2, 5)])
    assert lines.total(lines.xy_px[:, 0]).tolist() == [0.5 + 1.5 + 2.5, 0.5 + 1.5]
    assert no_lines().total(np.zeros(0)).tolist() == []


def test_joined_lines_are_numbered_on() -> None:
    one, other = straight_lines([(0, 0, 3, 0), (0, 5, 2, 5)]), straight_lines([(9, 9, 9, 13)])
    both = Lines.joined([one, no_lines(), other])
    assert both.n == 3
    assert both.total(both.length_px).tolist() == [3, 2, 4]
    assert both.of(np.array([False, False, True])).xy_px.tolist() == other.xy_px.tolist()
