"""Measure how sharp a photo is from whatever fine things it shows."""

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.imaging.highlight import Highlight
from defectscan.imaging.paint import background_luminance

Image = NDArray[np.float32]
Floats = NDArray[np.float64]

TILE_PX = 16
MIDDLE_SD_PX = 1.9
# Variance of the smoothing in a Sobel filter itself.
SOBEL_VARIANCE_PX2 = 0.45
LEAST_DETAIL = 0.3
N_DIRECTIONS = 6
LEAST_TILES = 10
WIDEST_BLUR_PX = 8.0


def blur_px(luminance: Image, highlights: tuple[Highlight, ...]) -> tuple[float, ...]:
    """Measure how far fine things are spread, in each direction that shows some.

    The energy of gradients is compared at two scales, tile by tile, above the noise. Across a
    line of standard deviation a, smoothed with s, it goes with (a² + s²)^(-3/2) whatever the
    line's contrast; so the ratio gives a. Tiles are sorted by the direction in which light
    changes, as shake blurs one direction only, and of each direction the sharper part counts:
    not all in a picture needs to be fine.

    Parameters
    ----------
    luminance
        Linear luminance, shape (H, W).
    highlights
        Left out, with their bloom.

    Returns
    -------
    tuple of float
        Standard deviations, working pixels; empty where nothing is fine enough to tell.
    """
    background = background_luminance(luminance)
    # Photon noise grows with the root of the light: so it is the same everywhere.
    detail = (luminance - background) / np.sqrt(background)
    fine = _gradient_energy(detail)
    middle = _gradient_energy(cv2.GaussianBlur(detail, (0, 0), MIDDLE_SD_PX))
    y, x = (np.mgrid[: fine.shape[1], : fine.shape[2]] + 0.5) * TILE_PX
    seen = np.ones(x.shape, dtype=bool)
    for spot in highlights:
        seen &= np.hypot(x - spot.x_px, y - spot.y_px) > 2.5 * spot.bloom_px + TILE_PX
    if not seen.any():
        return ()
    xx, yy, xy = np.stack([fine[:, seen], middle[:, seen]], axis=1)
    brightness = np.maximum(_tile_means(luminance / background)[seen], 0.1)
    # Most tiles hold nothing: their energy is the noise.
    noise = np.quantile((xx + yy) / 2 / brightness, 0.25, axis=1)[:, None] * brightness
    direction = np.arctan2(2 * xy[1], xx[1] - yy[1]) / 2
    cos, sin = np.cos(direction), np.sin(direction)
    sharp, soft = xx * cos**2 + yy * sin**2 + 2 * xy * cos * sin - noise
    telling = (soft > LEAST_DETAIL * noise[0]) & (soft > 3 * noise[1])
    ratio = sharp[telling] / soft[telling]
    sector = np.round(direction[telling] / np.pi * N_DIRECTIONS).astype(int) % N_DIRECTIONS
    ratios = [ratio[sector == number] for number in range(N_DIRECTIONS)]
    return tuple(
        _line_spread(float(np.quantile(some, 0.75))) for some in ratios if len(some) >= LEAST_TILES
    )


def _gradient_energy(image: NDArray[Any]) -> Floats:
    """Return the tile means of gx², gy² and gx·gy, shape (3, rows, columns)."""
    across = cv2.Sobel(image, cv2.CV_32F, 1, 0)
    down = cv2.Sobel(image, cv2.CV_32F, 0, 1)
    return np.stack([_tile_means(part) for part in (across**2, down**2, across * down)])


def _tile_means(image: NDArray[Any]) -> Floats:
    rows, columns = (side // TILE_PX for side in image.shape)
    whole = np.ascontiguousarray(image[: rows * TILE_PX, : columns * TILE_PX])
    means = cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA)
    return means.astype(np.float64)


def _line_spread(ratio: float) -> float:
    """Return the standard deviation of a line from its energies at the two scales."""
    fine, middle = SOBEL_VARIANCE_PX2, SOBEL_VARIANCE_PX2 + MIDDLE_SD_PX**2
    steep = max(ratio, 1.0) ** (2 / 3)
    most = WIDEST_BLUR_PX
    if steep * (most**2 + fine) <= most**2 + middle:
        return most
    return float(np.sqrt(max(middle - steep * fine, 0.0) / (steep - 1)))
