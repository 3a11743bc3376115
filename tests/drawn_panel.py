"""Flat pictures of panels with known maps between them, drawn without optics."""

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Image = NDArray[np.float32]
Mask = NDArray[np.bool_]
Move = Callable[[Floats], Floats]

SIZE_PX = (1000, 750)
PAINT = 0.12
FINE = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnPanel:
    """What is fixed to a panel, in pixels of the before picture.

    Attributes
    ----------
    shapes
        Outlines, shape (n, 2) each, with their luminance.
    specks_px
        Shape (m, 2).
    """

    shapes: tuple[tuple[Floats, float], ...] = ()
    specks_px: Floats


def bar(middle: tuple[float, float], size: tuple[float, float], angle_deg: float) -> Floats:
    """Return the outline of a rectangle."""
    angle = np.deg2rad(angle_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(size) / 2
    return np.asarray(corners @ turn.T + middle)


TRIM = (bar((850, 375), (50, 1400), 3), 0.01)
EDGE = (bar((500, 60), (1600, 24), -2), 0.002)
TAPE = (bar((180, 600), (170, 90), 25), 0.5)
BADGE = (bar((240, 160), (120, 60), -12), 0.4)


def draw_specks(rng: np.random.Generator, n: int) -> Floats:
    """Draw places of specks over the picture and a little beyond."""
    return rng.uniform((-100, -100), (SIZE_PX[0] + 100, SIZE_PX[1] + 100), (n, 2))


def draw_picture(
    panel: DrawnPanel,
    rng: np.random.Generator,
    *,
    move: Move = lambda xy: xy,
    highlight_px: tuple[float, float] = (520, 400),
    exposure: float = 1.0,
    size_px: tuple[int, int] = SIZE_PX,
    n_lines: int = 250,
    loose_specks: int = 15,
) -> tuple[Image, Mask]:
    """Draw the luminance of a picture, and where it must be ignored.

    Parameters
    ----------
    panel
        What is fixed to the panel.
    rng
        Source of the lines of light, of specks that are nowhere else, and of the noise.
    move
        From the before picture to this one.
    highlight_px
        The lamp's mirror image in this picture, the centre of the lines of light.
    exposure
        Factor on the light.
    size_px
        Width and height.
    n_lines, loose_specks
        How many lines and loose specks.
    """
    width, height = size_px
    y, x = np.mgrid[:height, :width].astype(np.float32)
    away = np.hypot(x - highlight_px[0], y - highlight_px[1])
    light = PAINT * (1 + 1.5 * np.exp(-away / 150))
    lines = np.zeros((height, width), dtype=np.float32)
    for _ in range(n_lines):
        radius, angle = rng.uniform(40, 600), rng.uniform(0, 2 * np.pi)
        along = np.array([-np.sin(angle), np.cos(angle)]) * rng.uniform(5, 20)
        middle = np.array(highlight_px) + radius * np.array([np.cos(angle), np.sin(angle)])
        ends = [tuple(int(v) for v in np.round(16 * (middle + s * along))) for s in (-1, 1)]
        cv2.line(lines, ends[0], ends[1], rng.uniform(0.05, 0.6), 1, cv2.LINE_AA, 4)
    light = light + cv2.GaussianBlur(lines, (0, 0), 0.6)
    for outline, luminance in panel.shapes:
        cover = _cover(outline, move, size_px)
        light += cover * (luminance - light)
    loose = rng.uniform((0, 0), size_px, (loose_specks, 2))
    for right, down in np.concatenate([move(panel.specks_px), loose]):
        if 6 <= right < width - 7 and 6 <= down < height - 7:
            near = slice(int(down) - 5, int(down) + 7), slice(int(right) - 5, int(right) + 7)
            light[near] += 0.12 * np.exp(
                -((x[near] - right) ** 2 + (y[near] - down) ** 2) / (2 * 1.0**2)
            )
    light[away < 14] = 2.0
    seen = cv2.GaussianBlur(light * exposure, (0, 0), 0.8)
    noise = rng.standard_normal(seen.shape) * np.sqrt(np.maximum(seen, 0) * 2e-5 + 1e-6)
    encoded = np.round(255 * np.sqrt(np.clip(seen + noise, 0, 1)))
    return np.square(encoded / 255).astype(np.float32), away < 60


def _cover(outline: Floats, move: Move, size_px: tuple[int, int]) -> Image:
    """Return the share of each pixel that a shape covers."""
    share = np.linspace(0, 1, 60, endpoint=False)[:, None]
    ends = np.roll(outline, -1, axis=0)
    dense = np.concatenate([a + share * (b - a) for a, b in zip(outline, ends, strict=True)])
    fine = np.zeros((size_px[1] * FINE, size_px[0] * FINE), dtype=np.uint8)
    corners = ((move(dense) + 0.5) * FINE - 0.5) * 16
    cv2.fillPoly(fine, [np.round(corners).astype(np.int32)], 255, cv2.LINE_8, 4)
    cover = cv2.resize(fine, size_px, interpolation=cv2.INTER_AREA)
    return np.asarray(cover, dtype=np.float32) / np.float32(255)
