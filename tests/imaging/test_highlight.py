"""The lamp's mirror image: found where it is, and nothing else taken for it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from defectscan.imaging.highlight import Highlight, find_highlights

Image = NDArray[np.float32]
SHAPE = (300, 400)
PAINT = 0.03
Y, X = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float64)


def lamp(
    x: float,
    y: float,
    radius: float,
    *,
    top: float = 40.0,
    glow: float = 0.02,
    stretch: float = 1.0,
) -> Image:
    """Draw a lamp's image: a disc far brighter than white, with a soft rim and a wide glow.

    `stretch` makes it an ellipse along x.
    """
    away = np.hypot((X - x) / stretch, Y - y)
    rim = 1 / (1 + np.exp((away - radius) / 0.7))
    light: Image = (top * rim + glow * top / (1 + (away / radius) ** 2)).astype(np.float32)
    return light


def found(*lights: Image, paint: float = PAINT) -> tuple[Highlight, ...]:
    light = sum(lights, start=np.full(SHAPE, paint, np.float32))
    luminance = np.minimum(light, 1).astype(np.float32)
    return find_highlights(luminance, luminance > 0.985)


@settings(deadline=None, max_examples=30)
@given(st.floats(60, 340), st.floats(60, 240), st.floats(6, 25))
def test_place_and_size(x: float, y: float, radius: float) -> None:
    spots = found(lamp(x, y, radius))
    assert len(spots) == 1
    spot = spots[0]
    assert (spot.x_px, spot.y_px) == pytest.approx((x, y), abs=0.5)
    reach = spot.radius_px
    box_px = (x - reach, y - reach, x + reach, y + reach)
    assert spot.box_px == pytest.approx(box_px, abs=1.5)
    # White reaches beyond the disc's rim as far as its soft edge is brighter than white.
    assert radius - 0.5 < spot.radius_px < 1.1 * radius + 4
    assert spot.area_px == pytest.approx(np.pi * spot.radius_px**2, rel=1e-6)
    assert spot.bloom_px > spot.radius_px
    assert not spot.cut


def test_bloom_grows_with_the_glare() -> None:
    faint, strong = (found(lamp(200, 150, 12, glow=glow))[0].bloom_px for glow in (0.002, 0.1))
    assert strong > 1.2 * faint


def test_an_oblique_lamp_is_an_ellipse() -> None:
    spots = found(lamp(200, 150, 12, stretch=1.7))
    assert len(spots) == 1
    assert (spots[0].x_px, spots[0].y_px) == pytest.approx((200, 150), abs=0.5)


@pytest.mark.parametrize("paint", [0.0, 0.02, 0.5])
def test_even_paint_has_no_highlight(paint: float) -> None:
    assert found(paint=paint) == ()


def test_noise_has_no_highlight() -> None:
    rng = np.random.default_rng(0)
    luminance = np.abs(0.02 + 0.01 * rng.standard_normal(SHAPE)).astype(np.float32)
    assert find_highlights(luminance, np.zeros(SHAPE, dtype=bool)) == ()


def test_two_lamps_are_two_the_larger_first() -> None:
    spots = found(lamp(100, 150, 11), lamp(300, 160, 14))
    assert [round(spot.x_px) for spot in spots] == [300, 100]
    assert spots[0].area_px > spots[1].area_px


def test_specks_beside_a_lamp_are_left_out() -> None:
    spots = found(lamp(200, 150, 15), lamp(80, 60, 2.5), lamp(330, 220, 3))
    assert [round(spot.x_px) for spot in spots] == [200]


def test_bright_lines_are_no_lamps() -> None:
    light = np.zeros(SHAPE, np.float32)
    light[100:104, 20:380] = 5
    light[np.abs(X - Y) < 2] = 5
    assert found(light) == ()
    spots = found(light, lamp(300, 220, 15))
    assert len(spots) == 1
    assert (spots[0].x_px, spots[0].y_px) == pytest.approx((300, 220), abs=1)


def test_white_tape_is_no_lamp() -> None:
    tape = np.zeros(SHAPE, np.float32)
    tape[60:130, 50:160] = 1.2
    assert found(tape) == ()
    assert [round(spot.x_px) for spot in found(tape, lamp(300, 200, 14))] == [300]


def test_a_white_strip_is_no_lamp() -> None:
    strip = np.zeros(SHAPE, np.float32)
    strip[40:70, 30:370] = 1.2
    assert found(strip) == ()


@pytest.mark.parametrize(("x", "y"), [(2, 150), (200, 1), (397, 150), (200, 297)])
def test_a_highlight_cut_by_the_frame(x: float, y: float) -> None:
    spots = found(lamp(x, y, 15))
    assert len(spots) == 1
    assert spots[0].cut


def test_a_highlight_that_is_not_blown_out() -> None:
    # Exposed for the lamp itself: the paint is nearly black.
    spots = found(lamp(210, 140, 12, top=0.6, glow=0.001), paint=0.004)
    assert len(spots) == 1
    assert (spots[0].x_px, spots[0].y_px) == pytest.approx((210, 140), abs=0.5)


@pytest.mark.parametrize("paint", [0.03, 0.25, 0.4])
@pytest.mark.parametrize("factor", [0.4, 0.7])
def test_a_photo_darkened_since(paint: float, factor: float) -> None:
    light = np.minimum(lamp(200, 150, 14) + np.float32(paint), 1)
    (taken,) = find_highlights(light, light > 0.985)
    (darkened,) = find_highlights(light * np.float32(factor), np.zeros(SHAPE, dtype=bool))
    assert (darkened.x_px, darkened.y_px) == pytest.approx((taken.x_px, taken.y_px), abs=0.5)
    assert taken.radius_px <= darkened.radius_px < 1.5 * taken.radius_px
    assert taken.bloom_px <= darkened.bloom_px < 1.5 * taken.bloom_px


def test_dull_paint_brightest_in_one_place_has_no_highlight() -> None:
    spread = np.exp(-(((X - 200) ** 2 + (Y - 150) ** 2) / (2 * 60**2))).astype(np.float32)
    assert find_highlights(0.3 + 0.4 * spread, np.zeros(SHAPE, dtype=bool)) == ()


def test_a_quarter_turn_turns_the_highlight() -> None:
    light = np.minimum(PAINT + lamp(120, 80, 14), 1).astype(np.float32)
    spot = find_highlights(light, light > 0.985)[0]
    turned = np.ascontiguousarray(np.rot90(light))
    other = find_highlights(turned, turned > 0.985)[0]
    assert (other.x_px, other.y_px) == pytest.approx((spot.y_px, 399 - spot.x_px), abs=0.05)
    assert other.radius_px == pytest.approx(spot.radius_px, rel=0.01)


def test_blown_out_tape_beside_the_lamp_is_no_highlight() -> None:
    # The lamp's glow makes white tape next to it look as if it glowed itself.
    tape = np.where((X > 60) & (X < 180) & (Y > 60) & (Y < 115), 3.0, 0.0).astype(np.float32)
    spots = found(lamp(215, 150, 12, glow=0.05), tape)
    assert [(round(s.x_px), round(s.y_px)) for s in spots] == [(215, 150)]
