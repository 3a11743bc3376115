"""The line filter: what it makes of even light, slopes, Gaussian lines and noise."""

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from defectscan.imaging.paint import background_luminance
from defectscan.measurement.ridges import (
    N_DIRECTIONS,
    REACH_PX,
    WIDTH_PX,
    FilterBank,
    Ridges,
    find_ridges,
    local_noise,
    ridge_kernel,
)
from tests.drawn_lines import Image, draw_picture, segment

SHAPE = (160, 200)
MIDDLE = (100.0, 80.0)
EVERYWHERE = np.ones(SHAPE, dtype=bool)


def filtered(picture: Image, level: float = 0.1) -> Ridges:
    return find_ridges(picture, np.full(SHAPE, level, np.float32), measured=EVERYWHERE)


def long_line(angle_deg: float, *, contrast: float = 0.5, width_px: float = 1.5) -> Image:
    ends = segment(MIDDLE, 400, angle_deg)
    return draw_picture(SHAPE, [ends], contrast=contrast, width_px=width_px)


def closed_form(contrast: float, width_px: float, scale_px: float) -> float:
    """Second derivative across a Gaussian line, smoothed and scale-normalised."""
    spread: float = (width_px**2 + scale_px**2) ** 1.5
    return contrast * width_px * scale_px**2 / spread


@given(st.floats(-7, 7), st.floats(0.8, 4), st.floats(0.8, 9))
def test_kernel_sums_to_zero(direction: float, width_px: float, reach_px: float) -> None:
    kernel = ridge_kernel(direction, width_px=width_px, reach_px=reach_px)
    assert abs(float(kernel.sum(dtype=np.float64))) < 1e-5 * float(np.abs(kernel).sum())


@given(st.floats(0, np.pi))
def test_kernel_has_no_sense_of_direction(direction: float) -> None:
    kernel = ridge_kernel(direction, width_px=1.2, reach_px=4.5)
    np.testing.assert_allclose(kernel, kernel[::-1, ::-1], atol=1e-6)
    turned = ridge_kernel(direction + np.pi / 2, width_px=1.2, reach_px=4.5)
    np.testing.assert_allclose(turned, np.rot90(kernel, -1), atol=1e-6)


@pytest.mark.parametrize("index", range(0, N_DIRECTIONS, 3))
@pytest.mark.parametrize("width_px", [1.0, 1.5, 3.0])
def test_gaussian_line_against_the_closed_form(index: int, width_px: float) -> None:
    ridges = filtered(long_line(180 * index / N_DIRECTIONS, width_px=width_px))
    x, y = (round(v) for v in MIDDLE)
    assert ridges.direction[y, x] == index
    assert ridges.contrast[y, x] == pytest.approx(closed_form(0.5, width_px, WIDTH_PX), rel=0.01)


@pytest.mark.parametrize("angle_deg", [0.0, 17.0, 45.0, 101.0, 160.0])
def test_curvature_across_and_along_a_line(angle_deg: float) -> None:
    ridges = filtered(long_line(angle_deg))
    xx, yy, xy = (float(part[80, 100]) for part in ridges.curvature)
    tx, ty = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    expected = closed_form(0.5, 1.5, WIDTH_PX)
    assert xx * ty**2 + yy * tx**2 - 2 * xy * tx * ty == pytest.approx(expected, rel=0.01)
    assert xx * tx**2 + yy * ty**2 + 2 * xy * tx * ty == pytest.approx(0, abs=0.01 * expected)


def test_a_bank_filters_as_opencv_does_kernel_by_kernel() -> None:
    kernels = [ridge_kernel(angle, width_px=1.2, reach_px=4.5) for angle in (0.0, 0.4, 2.0)]
    bank = FilterBank(kernels)
    # One size after the other, and one of them twice.
    for shape in ((60, 75), (101, 64), (101, 64), (520, 40)):
        image = np.random.default_rng(0).normal(size=shape).astype(np.float32)
        answers = np.full((len(kernels), *shape), np.nan)
        for rows, index, answer in bank.answers(image):
            answers[index, rows] = answer
        for kernel, answer in zip(kernels, answers, strict=True):
            own = cv2.filter2D(image, cv2.CV_32F, kernel, borderType=cv2.BORDER_REFLECT_101)
            np.testing.assert_allclose(answer, own, atol=2e-6)


def test_response_is_proportional_to_contrast() -> None:
    faint, bright = (filtered(long_line(30, contrast=c)).contrast for c in (0.1, 0.4))
    np.testing.assert_allclose(bright, 4 * faint, atol=1e-5)


def test_even_light_and_slopes_of_light_give_nothing() -> None:
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    slope = (0.1 * (1 + 0.002 * x - 0.001 * y)).astype(np.float32)
    inner = (slice(20, -20), slice(20, -20))
    for picture in (draw_picture(SHAPE), slope):
        ridges = filtered(picture)
        assert np.abs(ridges.contrast[inner]).max() < 1e-4
        assert all(np.abs(part[inner]).max() < 1e-4 for part in ridges.curvature)


def test_a_dark_line_has_no_crest_on_it() -> None:
    dark, bright = (filtered(long_line(45, contrast=c)).contrast[80, 100] for c in (-0.5, 0.5))
    assert dark < 0.001 * bright


@pytest.mark.parametrize("factor", [0.25, 3.0])
def test_exposure_cancels(factor: float) -> None:
    picture = draw_picture(SHAPE, [segment(MIDDLE, 60, 20)], noise=0.05)
    one = find_ridges(picture, background_luminance(picture), measured=EVERYWHERE)
    picture = picture * np.float32(factor)
    other = find_ridges(picture, background_luminance(picture), measured=EVERYWHERE)
    np.testing.assert_allclose(other.contrast, one.contrast, atol=1e-5)
    np.testing.assert_allclose(other.noise, one.noise, rtol=1e-4)


def test_noise_is_that_of_one_direction() -> None:
    picture = draw_picture((600, 800), noise=0.04)
    measured = np.ones(picture.shape, dtype=bool)
    ridges = find_ridges(picture, np.full(picture.shape, 0.1, np.float32), measured=measured)
    kernel = ridge_kernel(0.7, width_px=WIDTH_PX, reach_px=REACH_PX)
    answer = cv2.filter2D(picture / np.float32(0.1), cv2.CV_32F, kernel)
    # The quantiles of some hundred independent places a tile are themselves uncertain.
    assert np.median(ridges.noise) == pytest.approx(answer.std(), rel=0.1)
    assert np.median(ridges.curvature_noise) == pytest.approx(ridges.curvature[0].std(), rel=0.1)


def test_local_noise_follows_the_noise_and_not_the_lines() -> None:
    rng = np.random.default_rng(4)
    answer = rng.standard_normal((512, 512)).astype(np.float32)
    answer[:, 256:] *= 3
    everywhere = np.ones(answer.shape, dtype=bool)
    clean = local_noise(answer, everywhere)
    assert np.median(clean[:, :192]) == pytest.approx(1, rel=0.1)
    assert np.median(clean[:, 320:]) == pytest.approx(3, rel=0.1)
    answer[rng.random(answer.shape) < 0.03] = 100
    assert np.median(local_noise(answer, everywhere)[:, :192]) == pytest.approx(1, rel=0.15)


def test_noise_is_judged_where_it_is_asked() -> None:
    rng = np.random.default_rng(5)
    answer = rng.standard_normal((256, 256)).astype(np.float32)
    answer[:, 128:] *= 50
    left = np.zeros(answer.shape, dtype=bool)
    left[:, :128] = True
    assert local_noise(answer, left).max() < 2
    assert np.isinf(local_noise(answer, np.zeros_like(left))).all()


def test_glaring_lines_do_not_raise_the_noise() -> None:
    rng = np.random.default_rng(3)
    noise = 0.1 * (1 + 0.02 * rng.standard_normal(SHAPE)).astype(np.float32)
    ends = [segment((20.0 + 20 * k, 80.0), 60, 80) for k in range(9)]
    lines = draw_picture(SHAPE, ends, contrast=12.0, width_px=1.3) - np.float32(0.1)
    quiet, glaring = filtered(noise), filtered(noise + lines)
    at = (slice(50, 110), slice(20, 180))
    ratio = np.median(glaring.noise[at]) / np.median(quiet.noise[at])
    assert ratio == pytest.approx(1, abs=0.25)
