"""Filter for bright lines: how much like a line each pixel is, and how much of that is noise."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[Any]
Mask = NDArray[np.bool_]

N_DIRECTIONS = 12
WIDTH_PX = 1.2
REACH_PX = 4.5
LEAST_NOISE = 2e-4
GLARING = 1.0
GLARE_PX = 25
STRIP_ROWS = 240


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ridges:
    """How much like a bright line each pixel is.

    Attributes
    ----------
    contrast
        Shape (H, W): scale-normalised second derivative across the best direction, relative to
        the local paint: for a Gaussian line of contrast c and standard deviation a, smoothed
        with s, it is c·a·s²/(a² + s²)^1.5.
    direction
        Shape (H, W), uint8: index of the best direction, pi/N_DIRECTIONS apart.
    noise
        Shape (H, W): standard deviation of `contrast` for a single direction without lines.
    curvature
        Scale-normalised second derivatives xx, yy, xy, turned positive on bright lines, with no
        reach along: what stands at a point itself.
    curvature_noise
        Shape (H, W): their standard deviation without lines.
    """

    contrast: Image
    direction: NDArray[np.uint8]
    noise: Image
    curvature: tuple[Image, Image, Image]
    curvature_noise: Image

    def typical_noise(self, zone: Mask) -> float:
        """Return the median of `curvature_noise` in a zone, shape (H, W)."""
        step = 8
        return float(np.median(self.curvature_noise[::step, ::step][zone[::step, ::step]]))


def ridge_kernel(direction: float, *, width_px: float, reach_px: float) -> Image:
    """Return the filter for bright lines along `direction` (radians, x towards y).

    The second derivative of a Gaussian across, a Gaussian along; its sum is zero.

    Parameters
    ----------
    direction
        Of the line.
    width_px, reach_px
        Standard deviations across and along.
    """
    half = int(np.ceil(max(2.6 * reach_px, 4 * width_px)))
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float64)
    along = x * np.cos(direction) + y * np.sin(direction)
    across = y * np.cos(direction) - x * np.sin(direction)
    bell = np.exp(-(across**2) / (2 * width_px**2) - along**2 / (2 * reach_px**2))
    kernel = (1 - across**2 / width_px**2) * bell
    # A sampled and cut-off kernel has a small mean that a slope of light would leak through.
    kernel -= bell * (kernel.sum() / bell.sum())
    return (kernel / bell.sum()).astype(np.float32)


def find_ridges(luminance: Image, background: Image, *, measured: Mask) -> Ridges:
    """Filter for bright lines in all directions.

    Parameters
    ----------
    luminance
        Linear luminance, shape (H, W).
    background
        Luminance of the paint without lines, same shape, positive.
    measured
        Where the noise is to be judged.
    """
    relative = luminance / background - 1
    # A clipped highlight would ring through every filter that touches it.
    np.clip(relative, -0.9, 30, out=relative)
    # Beside glaring lines every filter swings far below zero: that is no noise.
    glaring = cv2.dilate((relative > GLARING).astype(np.uint8), np.ones((GLARE_PX, GLARE_PX)))
    quiet = measured & (glaring == 0)
    best = np.full(luminance.shape, -np.inf, dtype=np.float32)
    direction = np.zeros(luminance.shape, dtype=np.uint8)
    single = {index: np.empty_like(best) for index in (0, N_DIRECTIONS // 2)}
    for rows, index, answer in _line_bank().answers(relative):
        if index in single:
            single[index][rows] = answer
        better = cv2.compare(answer, best[rows], cv2.CMP_GT)
        cv2.max(answer, best[rows], best[rows])
        cv2.copyTo(np.full_like(direction[rows], index), better, direction[rows])
    noise = _mean_noise(*single.values(), measured=quiet)
    # Before more of the photo's size is made.
    single.clear()
    curvature = _curvature(relative)
    return Ridges(
        contrast=best,
        direction=direction,
        noise=noise,
        curvature=curvature,
        curvature_noise=_mean_noise(*curvature[:2], measured=quiet),
    )


class FilterBank:
    """Several kernels to filter images with, mirrored at their borders.

    By Fourier transform, which all kernels share, and in strips of rows that fit the cache. The
    kernels' own transforms are kept for the next image of that size.

    Parameters
    ----------
    kernels
        Square, of one odd side, the same when turned by half a turn: so their transforms are
        real.
    """

    def __init__(self, kernels: Sequence[Image]) -> None:
        self._kernels = kernels
        self._transforms: tuple[tuple[int, int], list[Image]] = ((0, 0), [])

    def answers(self, image: Image) -> Iterator[tuple[slice, int, Image]]:
        """Filter an image of shape (H, W), float32.

        Yields
        ------
        rows, index, answer
            The strip's rows, the kernel's index, and its answer there: good until the next.
        """
        half = len(self._kernels[0]) // 2
        height, width = image.shape
        n_rows = min(STRIP_ROWS, _transform_size(height + 2 * half))
        n_columns = _transform_size(width + 2 * half)
        step = n_rows - 2 * half
        n_strips = -(-height // step)
        below, right = n_strips * step - height + half, n_columns - width - half
        padded = cv2.copyMakeBorder(image, half, below, half, right, cv2.BORDER_REFLECT_101)
        transforms = self._of_shape((n_rows, n_columns))
        # Into the same memory each time: fresh pages would cost as much as the transforms.
        spectrum, product, answer = (np.empty((n_rows, n_columns), np.float32) for _ in range(3))
        for top in range(0, height, step):
            cv2.dft(padded[top : top + n_rows], spectrum)
            rows = slice(top, min(top + step, height))
            for index, transform in enumerate(transforms):
                np.multiply(spectrum, transform, out=product)
                cv2.idft(product, answer, cv2.DFT_SCALE)
                yield rows, index, answer[half:][: rows.stop - top, half : half + width]

    def _of_shape(self, shape: tuple[int, int]) -> list[Image]:
        # Photos are looked at side by side: what is used was read at once.
        known, transforms = self._transforms
        if known != shape:
            transforms = [_transform(kernel, shape) for kernel in self._kernels]
            self._transforms = shape, transforms
        return transforms


@cache
def _line_bank() -> FilterBank:
    return FilterBank(
        [
            ridge_kernel(np.pi * index / N_DIRECTIONS, width_px=WIDTH_PX, reach_px=REACH_PX)
            for index in range(N_DIRECTIONS)
        ]
    )


def _transform_size(least: int) -> int:
    """Return an even size that is transformed quickly."""
    return 16 * cv2.getOptimalDFTSize(-(-least // 16))


def _transform(kernel: Image, shape: tuple[int, int]) -> Image:
    """Return the factors of a kernel, the same when turned by half a turn, on a spectrum.

    In OpenCV's packing of a real picture's spectrum, of even sides: pairs of a real and an
    imaginary part stand side by side, in the first and last column one below the other. The
    kernel's own spectrum is real, and its real part is a factor on both.
    """
    centred = np.zeros(shape, np.float32)
    side = len(kernel)
    centred[:side, :side] = kernel
    spectrum: Image = cv2.dft(np.roll(centred, (-(side // 2), -(side // 2)), axis=(0, 1)))
    spectrum[:, 2::2] = spectrum[:, 1:-1:2]
    spectrum[2::2, [0, -1]] = spectrum[1:-1:2, [0, -1]]
    return spectrum


def _curvature(relative: Image) -> tuple[Image, Image, Image]:
    half = int(np.ceil(4 * WIDTH_PX))
    x = np.arange(-half, half + 1)
    bell = np.exp(-(x**2) / (2 * WIDTH_PX**2))
    bell /= bell.sum()
    slope = -x / WIDTH_PX * bell
    bend = (1 - x**2 / WIDTH_PX**2) * bell
    bend -= bell * bend.sum()
    kernels = ((bend, bell), (bell, bend), (slope, slope))
    xx, yy, xy = (cv2.sepFilter2D(relative, cv2.CV_32F, kx, ky) for kx, ky in kernels)
    np.negative(xy, out=xy)
    return xx, yy, xy


def _mean_noise(one: Image, other: Image, *, measured: Mask) -> Image:
    noise = local_noise(one, measured)
    noise += local_noise(other, measured)
    noise /= 2
    return noise


def local_noise(answer: Image, measured: Mask, *, tile_px: int = 64) -> Image:
    """Return the standard deviation of an image in tiles, by its darker side.

    Bright lines cover little of a tile in any one direction and hardly move these quantiles; but
    the strokes of JPEG blocks and the sparkle of flakes have long tails, which the outer one sees.
    """
    height, width = answer.shape
    rows, columns = -(-height // tile_px), -(-width // tile_px)
    # Every third pixel each way, tile by tile: noise is correlated over about as much.
    inside = np.arange(1, tile_px, 3)
    y, x = ((tile_px * np.arange(n)[:, None] + inside).ravel() for n in (rows, columns))
    thin = np.full((len(y), len(x)), np.nan, dtype=np.float32)
    y, x = y[y < height], x[x < width]
    # Rows first: both at once would go through memory point by point.
    thin[: len(y), : len(x)] = np.where(measured[y][:, x], answer[y][:, x], np.nan)
    tiles = thin.reshape(rows, len(inside), columns, len(inside))
    tiles = np.sort(tiles.transpose(0, 2, 1, 3).reshape(rows, columns, -1), axis=-1)
    seen = np.sum(np.isfinite(tiles), axis=-1)
    tail, middle, half = (
        np.take_along_axis(tiles, (share * seen).astype(np.int64)[..., None], axis=-1)[..., 0]
        for share in (0.0228, 0.1587, 0.5)
    )
    # A picture without noise still has its steps of brightness.
    coarse = np.maximum(np.maximum(half - middle, (half - tail) / 2), LEAST_NOISE)
    coarse[seen < tiles.shape[-1] // 8] = np.nan
    known = np.isfinite(coarse)
    if not known.any():
        return np.full(answer.shape, np.inf, dtype=np.float32)
    # Tiles without paint take the mean of their neighbours with paint.
    filled = np.where(known, coarse, 0).astype(np.float32)
    weight = cv2.GaussianBlur(known.astype(np.float32), (0, 0), 1.0)
    smooth = cv2.GaussianBlur(filled, (0, 0), 1.0) / np.maximum(weight, 1e-6)
    smooth[weight < 1e-3] = np.median(coarse[known])
    size = (columns * tile_px, rows * tile_px)
    return cv2.resize(smooth, size, interpolation=cv2.INTER_LINEAR)[:height, :width]
