"""Develop: transfer curve, noise, exposure, blur, glare, and the photo file."""

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from defectscan.simulation.develop import Development, develop, spread, to_bytes, to_jpeg

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

NOISELESS = Development(full_well_e=1e14, read_noise_e=0.0, sharpening=0.0)


def even(value: float, size: int = 16) -> Picture:
    return np.full((size, size, 3), value, dtype=np.float32)


def rng() -> np.random.Generator:
    return np.random.default_rng(1)


def linear(encoded: Picture) -> Floats:
    """Undo the sRGB curve (IEC 61966-2-1; threshold from memory)."""
    value = encoded.astype(float)
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


@pytest.mark.parametrize(
    ("light", "encoded"),
    [
        # IEC 61966-2-1: 12.92 L up to 0.0031308, then 1.055 L^(1/2.4) - 0.055.
        (0.001, 0.01292),
        (0.01, 0.0998528),
        (0.04, 0.2209164),
        (0.18, 0.4613561),
        (0.2140411, 0.5),
        (0.5, 0.735357),
        (1.0, 1.0),
    ],
)
def test_the_srgb_curve(light: float, encoded: float) -> None:
    found = develop(even(light), NOISELESS, rng(), gain=1)
    assert found == pytest.approx(encoded, abs=2e-6)


def test_eight_bits() -> None:
    found = to_bytes(develop(even(0.18), NOISELESS, rng(), gain=1))
    assert found.dtype == np.uint8
    assert np.all(found == 118)


def test_the_noise_follows_the_linear_camera_model() -> None:
    """Variance is that of the dark plus one that grows with the light (EMVA 1288, from memory).

    With n electrons at saturation it is signal / n + (dark / n)², times what is left of white
    noise after demosaicing, which this test works out from the blur's weights.
    """
    weights = cv2.getGaussianKernel(5, 0.45).ravel()
    left = float(np.sum(weights**2)) ** 2
    for how in (
        Development(full_well_e=3000, read_noise_e=4, sharpening=0),
        Development(full_well_e=3000, read_noise_e=60, sharpening=0),
    ):
        for signal in (0.15, 0.3, 0.6):
            found = linear(develop(even(signal, 300), how, rng(), gain=1))
            expected = left * (signal / 3000 + (how.read_noise_e / 3000) ** 2)
            assert found.mean() == pytest.approx(signal, rel=1e-3)
            # 270 000 values: the variance's own error is a quarter of a percent, neighbours more.
            assert found.var() == pytest.approx(expected, rel=0.02)


def test_noise_hangs_on_the_generator_alone() -> None:
    how = Development()
    first = develop(even(0.2), how, np.random.default_rng(4), gain=1)
    assert np.array_equal(first, develop(even(0.2), how, np.random.default_rng(4), gain=1))
    assert not np.array_equal(first, develop(even(0.2), how, np.random.default_rng(5), gain=1))


def test_twice_the_gain_is_twice_the_light() -> None:
    one, two = (linear(develop(even(0.2), NOISELESS, rng(), gain=gain)) for gain in (1.0, 2.0))
    assert two / one == pytest.approx(2, rel=1e-4)


def test_light_beyond_saturation_is_white() -> None:
    found = develop(even(7.0), Development(), rng(), gain=1)
    assert found.max() == 1
    assert found.mean() > 0.98


def test_sharpening_overshoots_at_an_edge() -> None:
    step = even(0.2, 40)
    step[:, 20:] = 0.4
    plain, sharp = (
        develop(step, replace(NOISELESS, sharpening=amount), rng(), gain=1)[20, :, 0]
        for amount in (0.0, 0.5)
    )
    assert sharp[20] > plain[20] + 0.02
    assert sharp[19] < plain[19] - 0.02
    assert sharp[[2, 37]] == pytest.approx(plain[[2, 37]], abs=1e-5)


def test_the_blur_is_a_bell_of_the_stated_width() -> None:
    point = np.zeros((65, 65, 3), dtype=np.float32)
    point[32, 32] = 1
    found = spread(point, replace(NOISELESS, blur_px=1.5, glare=0))[..., 0].astype(float)
    y, x = np.mgrid[:65, :65] - 32
    assert found.sum() == pytest.approx(1, abs=1e-5)
    for axis in (x, y):
        assert np.sqrt(np.sum(found * axis**2)) == pytest.approx(1.5, rel=0.02)


def test_glare_takes_light_from_the_lamp_and_throws_it_about() -> None:
    lamp = np.zeros((300, 400, 3), dtype=np.float32)
    lamp[145:155, 195:205] = 1
    clear, glaring = (spread(lamp, replace(NOISELESS, glare=glare)) for glare in (0.0, 1.0))
    # Shares of 1, 0.6, 0.4 and 0.3 percent; most of the first, 1.6 px wide, stays in the lamp.
    assert 1 - 0.023 < glaring[150, 200, 0] < 1 - 0.010
    assert clear[150, 200, 0] == pytest.approx(1)
    assert clear[100, 200].max() == 0
    assert glaring[100, 200].min() > glaring[20, 200].min() > 0
    assert glaring.sum() <= clear.sum() * 1.001


def test_the_photo_says_how_it_was_exposed() -> None:
    how = Development(exposure=0.5, jpeg_quality=90)
    data = to_jpeg(even(0.5, 64), how, exposure_time_s=0.5 / 60)
    photo = Image.open(io.BytesIO(data))
    assert photo.format == "JPEG"
    assert photo.size == (64, 64)
    camera = photo.getexif().get_ifd(0x8769)
    assert float(camera[0x829A]) == pytest.approx(1 / 120, rel=1e-3)  # exposure time
    assert float(camera[0x829D]) == pytest.approx(1.8)  # aperture
    assert camera[0x8827] == 100  # sensitivity


def test_the_jpeg_quality_is_the_one_asked_for() -> None:
    picture = np.random.default_rng(0).random((64, 64, 3), dtype=np.float32)
    tables = {}
    for quality in (85, 95):
        how = Development(jpeg_quality=quality)
        photo = Image.open(io.BytesIO(to_jpeg(picture, how, exposure_time_s=0.01)))
        # The first step of the luminance table of ITU-T T.81 is 16, scaled by 2 - quality / 50
        # (the scaling is common practice).
        tables[quality] = photo.quantization[0][0]  # type: ignore[attr-defined]
    assert tables == {85: round(16 * 0.3), 95: round(16 * 0.1)}
