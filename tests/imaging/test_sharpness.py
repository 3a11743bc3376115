"""Sharpness: thin lines spread as they were, whatever their number, contrast or direction."""

import cv2
import numpy as np
import pytest
import skimage.data
from numpy.typing import NDArray

from defectscan.imaging.conditions import MOST_BLUR_PX
from defectscan.imaging.linear_light import srgb_to_linear
from defectscan.imaging.sharpness import blur_px

Image = NDArray[np.float32]
WIDTH_PX = 880


def drawn_lines(count: int, *, contrast: float = 1.0, noise: float = 0.02, seed: int = 1) -> Image:
    """Draw thin straight lines in all directions on even paint, before any blur."""
    rng = np.random.default_rng(seed)
    lines = np.zeros((WIDTH_PX * 3 // 4, WIDTH_PX), np.uint8)
    for x, y, angle in zip(
        rng.uniform(40, WIDTH_PX - 40, count),
        rng.uniform(40, WIDTH_PX * 3 // 4 - 40, count),
        rng.uniform(0, np.pi, count),
        strict=True,
    ):
        reach = 20 * np.array([np.cos(angle), np.sin(angle)])
        ends = [np.round(16 * (np.array([x, y]) + s * reach)).astype(int) for s in (-1, 1)]
        cv2.line(lines, ends[0].tolist(), ends[1].tolist(), 255, 1, cv2.LINE_AA, 4)
    paint = 0.1 * (1 + contrast * lines.astype(np.float32) / 255)
    return (paint + 0.1 * noise * rng.standard_normal(paint.shape)).astype(np.float32)


def blurred(count: int, spread: float, *, contrast: float = 1.0) -> Image:
    clean = drawn_lines(count, contrast=contrast, noise=0.0)
    noise = drawn_lines(0, noise=0.02) - np.float32(0.1)
    return np.asarray(cv2.GaussianBlur(clean, (0, 0), spread) + noise, dtype=np.float32)


@pytest.mark.parametrize("spread", [0.8, 1.2, 2.0, 3.0, 5.0])
def test_blur_is_how_far_lines_are_spread(spread: float) -> None:
    spreads = blur_px(blurred(300, spread, contrast=4.0), ())
    # A drawn line is about a pixel wide of itself.
    assert np.median(spreads) == pytest.approx(np.hypot(spread, 0.4), rel=0.15)


def test_blur_does_not_hang_on_how_many_lines_there_are_or_how_bright() -> None:
    few, many, faint = (
        float(np.median(blur_px(blurred(count, 1.2, contrast=contrast), ())))
        for count, contrast in ((80, 3.0), (900, 3.0), (900, 0.8))
    )
    assert few == pytest.approx(many, rel=0.12)
    assert faint == pytest.approx(many, rel=0.12)


@pytest.mark.parametrize("name", ["brick", "camera", "coins"])
def test_blur_of_real_photos(name: str) -> None:
    """Judge photos that come with scikit-image, none of them of paint."""
    picture = srgb_to_linear(getattr(skimage.data, name)() / 255).astype(np.float32)
    assert max(blur_px(picture, ())) < MOST_BLUR_PX
    for spread in (2.5, 4.0):
        softened = np.asarray(cv2.GaussianBlur(picture, (0, 0), spread), dtype=np.float32)
        assert np.median(blur_px(softened, ())) == pytest.approx(spread, rel=0.2)


def test_noise_alone_tells_nothing_of_blur() -> None:
    assert blur_px(drawn_lines(0, noise=0.05), ()) == ()


@pytest.mark.parametrize("angle_deg", [0, 40, 90, 135])
def test_shake_blurs_one_direction_only(angle_deg: float) -> None:
    streak = np.zeros((25, 25), np.float32)
    reach = 7 * np.array([np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))])
    ends = [np.round(16 * (12 + s * reach)).astype(int).tolist() for s in (-1, 1)]
    cv2.line(streak, ends[0], ends[1], 1.0, 1, cv2.LINE_8, 4)
    clean = cv2.GaussianBlur(drawn_lines(400, contrast=6.0, noise=0.0), (0, 0), 0.7)
    noise = drawn_lines(0, noise=0.02) - np.float32(0.1)
    shaken: Image = cv2.filter2D(clean, -1, streak / streak.sum()).astype(np.float32) + noise
    spreads = blur_px(shaken, ())
    assert min(spreads) < MOST_BLUR_PX < max(spreads)
