"""The line between two halves: found where it was drawn, and the tape painted over."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from defectscan.imaging.split_line import SplitLine, find_line, mended

SIZE = (750, 1000)
TAPE = (200, 180, 110)
PAINT = (40, 42, 46)


def drawn(
    *strips: SplitLine, colour: tuple[int, int, int] = TAPE, paint: tuple[int, int, int] = PAINT
) -> NDArray[np.uint8]:
    """Draw strips on paint that a lamp lights from the left, with noise and some lines."""
    rng = np.random.default_rng(1)
    x = np.linspace(1.5, 0.7, SIZE[1])[None, :, None]
    light = np.broadcast_to(np.array(paint) * x, (*SIZE, 3)).copy()
    for start in rng.uniform(0, SIZE[::-1], (200, 2)):
        end = start + rng.normal(0, 20, 2)
        points = [(int(a), int(b)) for a, b in (start, end)]
        cv2.line(light, points[0], points[1], (150.0, 150.0, 150.0), 1, cv2.LINE_AA)
    for strip in strips:
        off = np.abs(strip.across_picture(SIZE))
        cover = np.clip(strip.width_px / 2 - off + 0.5, 0, 1)[..., None]
        light = light + cover * (np.array(colour) * x**0.3 - light)
    seen = cv2.GaussianBlur(light, (0, 0), 0.8) + rng.normal(0, 2, (*SIZE, 3))
    return np.clip(seen, 0, 255).astype(np.uint8)


def tape(x: float, y: float, angle_deg: float, *, width_px: float = 70) -> SplitLine:
    angle = np.deg2rad(angle_deg)
    return SplitLine(
        point_px=np.array([x, y]),
        direction=np.array([np.cos(angle), np.sin(angle)]),
        width_px=width_px,
    )


def off_px(found: SplitLine | None, true: SplitLine) -> float:
    """Return how far at most the found line lies from the true one within the picture."""
    assert found is not None
    chord = found.chord(SIZE)
    assert chord is not None
    return float(np.abs(true.across(chord)).max())


@pytest.mark.parametrize("angle_deg", [90, 77, 103, 0, 8, 172, 41])
def test_tape_is_found_where_it_lies(angle_deg: float) -> None:
    true = tape(520, 360, angle_deg)
    found = find_line(drawn(true))
    assert off_px(found, true) < 4
    assert found is not None
    assert found.width_px == pytest.approx(70, abs=8)


@pytest.mark.parametrize("width_px", [20, 140])
def test_narrow_and_broad_tape(width_px: float) -> None:
    true = tape(450, 400, 95, width_px=width_px)
    found = find_line(drawn(true))
    assert off_px(found, true) < 4


def test_tape_as_light_as_the_paint_shows_by_its_colour() -> None:
    true = tape(500, 400, 85)
    found = find_line(drawn(true, colour=(120, 40, 20), paint=(53, 55, 60)))
    assert off_px(found, true) < 4


def test_of_two_strips_the_one_nearer_the_middle_is_taken() -> None:
    true = tape(540, 400, 92)
    found = find_line(drawn(tape(880, 400, 88), true))
    assert off_px(found, true) < 4


def test_a_line_given_finds_its_own_tape() -> None:
    outer = tape(800, 400, 90)
    rgb = drawn(outer, tape(380, 400, 90))
    near = SplitLine.through(np.array([795.0, 10.0]), np.array([806.0, 740.0]))
    assert off_px(find_line(rgb, near=near), outer) < 4
    aside = SplitLine.through(np.array([590.0, 10.0]), np.array([590.0, 740.0]))
    assert find_line(rgb, near=aside) is None


def test_nothing_is_found_on_bare_paint_nor_on_a_piece_of_tape() -> None:
    assert find_line(drawn()) is None
    rgb = drawn()
    rgb[100:320, 450:520] = TAPE
    assert find_line(rgb) is None


def test_mended_tape_is_gone_and_the_rest_is_untouched() -> None:
    true = tape(520, 360, 84)
    rgb, bare = drawn(true), drawn()
    whole = mended(rgb, true)
    off = np.abs(true.across_picture(SIZE))
    assert np.array_equal(whole[off > 50], rgb[off > 50])
    inside = off < 40
    error = whole[inside].astype(float).mean(axis=0) - bare[inside].astype(float).mean(axis=0)
    assert np.all(np.abs(error) < 6)
    light = (rgb[..., 0] / 255).astype(np.float32)
    assert mended(light, true).dtype == np.float32
    assert mended(light, true)[inside].max() < 0.5


def test_halves_are_named_by_where_they_lie() -> None:
    upright = SplitLine.through(np.array([500.0, 700.0]), np.array([520.0, 0.0]))
    assert upright.halves == ("left", "right")
    assert upright.across(np.array([0.0, 300.0])) < 0 < upright.across(np.array([900.0, 300.0]))
    flat = SplitLine.through(np.array([900.0, 300.0]), np.array([0.0, 310.0]))
    assert flat.halves == ("above", "below")
    assert flat.across(np.array([400.0, 0.0])) < 0 < flat.across(np.array([400.0, 700.0]))


def test_the_chord_of_a_line() -> None:
    line = SplitLine.through(np.array([-10.0, 100.0]), np.array([20.0, 100.0]))
    chord = line.chord(SIZE)
    assert chord is not None
    assert sorted(chord[:, 0]) == pytest.approx([0, 999])
    assert chord[:, 1] == pytest.approx([100, 100])
    beyond = SplitLine.through(np.array([-10.0, 100.0]), np.array([-20.0, 900.0]))
    assert beyond.chord(SIZE) is None
    aside = SplitLine.through(np.array([0.0, 800.0]), np.array([10.0, 800.0]))
    assert aside.chord(SIZE) is None
