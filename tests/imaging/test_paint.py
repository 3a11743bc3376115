"""Bare paint: the ground round the highlight that no edge divides."""

import numpy as np
import pytest
from numpy.typing import NDArray

from defectscan.imaging.highlight import Highlight
from defectscan.imaging.paint import background_luminance, paint_mask

Rgb = NDArray[np.uint8]
Mask = NDArray[np.bool_]

SHAPE = (480, 640)
Y, X = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float64)
HIGHLIGHT = Highlight(x_px=250, y_px=240, radius_px=12, bloom_px=16, area_px=450, cut=False)
PAINT = (60, 70, 110)


def panel(*, glow: float = 60.0, noise: float = 2.0) -> NDArray[np.float64]:
    """Draw paint with the lamp's falling light, its image, and noise."""
    away = np.hypot(X - HIGHLIGHT.x_px, Y - HIGHLIGHT.y_px)
    light = glow / (1 + (away / 60) ** 2)
    picture = np.asarray(PAINT) * (1 - 0.0003 * X)[..., None] + light[..., None]
    picture[away < HIGHLIGHT.radius_px] = 255
    rng = np.random.default_rng(3)
    return np.asarray(picture + noise * rng.standard_normal((*SHAPE, 3)))


def photo(picture: NDArray[np.float64]) -> Rgb:
    return np.clip(np.round(picture), 0, 255).astype(np.uint8)


def test_bare_paint_fills_the_frame() -> None:
    for highlight in (HIGHLIGHT, None):
        mask = paint_mask(photo(panel()), highlight)
        assert mask.shape == SHAPE
        assert mask.dtype == np.bool_
        far = np.hypot(X - HIGHLIGHT.x_px, Y - HIGHLIGHT.y_px) > 60
        assert mask[far].mean() > 0.99


def test_a_bloom_that_grows_paler_is_no_edge() -> None:
    away = np.hypot(X - HIGHLIGHT.x_px, Y - HIGHLIGHT.y_px)
    paler = 1 / (1 + np.exp((away - 60) / 5))
    red = np.array((180.0, 45.0, 50.0))
    picture = red + paler[..., None] * (np.array((185.0, 110.0, 110.0)) - red)
    picture[away < HIGHLIGHT.radius_px] = 255
    assert paint_mask(photo(picture), HIGHLIGHT)[away > 60].mean() > 0.99


@pytest.mark.parametrize(
    ("colour", "what"),
    [((20, 20, 20), "trim"), ((230, 220, 90), "tape"), ((90, 60, 60), "another paint")],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_covers_paint_is_left_out(colour: tuple[int, int, int], what: str) -> None:
    assert what
    picture = panel()
    covered = (X > 430) & (X < 520)
    picture[covered] = colour
    mask = paint_mask(photo(picture), HIGHLIGHT)
    assert not mask[covered].any()
    # What lies beyond is another part: the light need not fall on it alike.
    assert not mask[X > 520].any()
    far = np.hypot(X - HIGHLIGHT.x_px, Y - HIGHLIGHT.y_px) > 60
    assert mask[(X < 430 - 20) & far].mean() > 0.98


def test_an_island_is_left_out_and_the_paint_round_it_kept() -> None:
    picture = panel()
    emblem = np.hypot(X - 470, Y - 120) < 50
    picture[emblem] = (180, 180, 190)
    mask = paint_mask(photo(picture), HIGHLIGHT)
    assert not mask[emblem].any()
    assert mask[(X > 560) & (Y > 200)].mean() > 0.98


def test_the_margin_keeps_off_edges_but_not_off_the_frame() -> None:
    picture = panel()
    picture[:, 500:] = 15
    mask = paint_mask(photo(picture), HIGHLIGHT)
    last = [int(np.flatnonzero(row).max()) for row in mask[50:-50]]
    assert 500 - 50 < min(last) <= max(last) < 500 - 4
    assert mask[150:330, 0].all()
    assert mask[0, 150:350].all()
    assert mask[-1, 150:350].all()


def test_the_ground_is_the_one_with_the_highlight() -> None:
    picture = panel()
    picture[:, 330:360] = 5
    mask = paint_mask(photo(picture), HIGHLIGHT)
    assert mask[:, 100].all()
    assert not mask[:, 360:].any()
    # Without a highlight it is the largest.
    largest = paint_mask(photo(picture), None)
    assert largest[:, 100].mean() > 0.9
    assert not largest[:, 500].any()
    picture[:, 160:190] = 5
    assert paint_mask(photo(picture), None)[:, 500].mean() > 0.9


def test_specks_and_lines_lie_on_paint() -> None:
    picture = panel()
    rng = np.random.default_rng(4)
    for x, y in rng.random((40, 2)) * [600, 440] + 20:
        picture[np.hypot(X - x, Y - y) < 2] = 200
    picture[np.abs(Y - 0.4 * X - 40) < 1.2] = 220
    mask = paint_mask(photo(picture), HIGHLIGHT)
    far = np.hypot(X - HIGHLIGHT.x_px, Y - HIGHLIGHT.y_px) > 60
    assert mask[far].mean() > 0.95


def test_background_follows_the_light_and_not_the_lines() -> None:
    light = 0.05 + 0.0001 * X + 0.00005 * Y
    lines = light.copy()
    lines[np.abs(Y - 0.6 * X) < 1.5] += 0.4
    found = background_luminance(lines.astype(np.float32))
    assert found.shape == SHAPE
    inner = (slice(24, -24), slice(24, -24))
    np.testing.assert_allclose(found[inner], light[inner], rtol=0.03)


def test_background_is_above_zero() -> None:
    assert background_luminance(np.zeros((123, 77), np.float32)).min() > 0
    assert background_luminance(np.zeros((123, 77), np.float32)).shape == (123, 77)


@pytest.mark.parametrize("factor", [0.5, 4.0])
def test_background_is_proportional_to_the_light(factor: float) -> None:
    light = (0.05 + 0.0001 * X).astype(np.float32)
    scaled = background_luminance(light * np.float32(factor))
    np.testing.assert_allclose(scaled, factor * background_luminance(light), rtol=1e-5)


def test_a_quarter_turn_turns_the_mask() -> None:
    picture = panel()
    picture[:, 500:] = 15
    rgb = photo(picture)
    turned = Highlight(
        x_px=HIGHLIGHT.y_px, y_px=639 - HIGHLIGHT.x_px, radius_px=12, bloom_px=16,
        area_px=450, cut=False,
    )  # fmt: skip
    one = paint_mask(rgb, HIGHLIGHT)
    other = paint_mask(np.ascontiguousarray(np.rot90(rgb)), turned)
    assert (np.rot90(one) != other).mean() < 0.02
