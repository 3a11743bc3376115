"""The panel's shape: flat, or curved with one or two radii, and its orange peel."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """A convex panel, laid out by its own surface coordinates (u, v) in mm.

    Attributes
    ----------
    radius_u_mm, radius_v_mm
        Radius of curvature along u and along v; infinity is flat. The surface touches z = 0 at
        (0, 0) and falls away from the camera, which stands at positive z.
    """

    radius_u_mm: float = float("inf")
    radius_v_mm: float = float("inf")

    def point(self, uv_mm: Floats) -> Floats:
        """Return the points in space, shape (..., 3), mm, of surface coordinates (..., 2)."""
        u, v = uv_mm[..., 0], uv_mm[..., 1]
        x, drop = _arc(u, self.radius_u_mm)
        # The arc along u, swung round an axis that lies radius_v below the touching point.
        y, drop_v = _arc(v, self.radius_v_mm)
        shrink = np.zeros_like(v) if np.isinf(self.radius_v_mm) else drop / self.radius_v_mm
        return np.stack([x, y * (1 - shrink), -drop_v - drop * self._cos_v(v)], axis=-1)

    def frame(self, uv_mm: Floats) -> tuple[Floats, Floats, Floats]:
        """Return unit tangents along u and v and the outward normal, each (..., 3)."""
        u, v = uv_mm[..., 0], uv_mm[..., 1]
        angle_u = u / self.radius_u_mm
        cos_v, sin_v = self._cos_v(v), np.sin(v / self.radius_v_mm)
        cos_u, sin_u = np.cos(angle_u), np.sin(angle_u)
        along_u = np.stack([cos_u, -sin_u * sin_v, -sin_u * cos_v], axis=-1)
        along_v = np.stack([np.zeros_like(u), cos_v, -sin_v], axis=-1)
        normal = np.stack([sin_u, cos_u * sin_v, cos_u * cos_v], axis=-1)
        return along_u, along_v, normal

    def stretch_v(self, uv_mm: Floats) -> Floats:
        """Return how long a step of 1 in v is on the surface (1 where flat)."""
        _, drop = _arc(uv_mm[..., 0], self.radius_u_mm)
        if np.isinf(self.radius_v_mm):
            return np.ones_like(drop)
        return 1 - drop / self.radius_v_mm

    def _cos_v(self, v: Floats) -> Floats:
        return np.cos(v / self.radius_v_mm)


def _arc(length: Floats, radius: float) -> tuple[Floats, Floats]:
    """Return the chord and the drop of an arc of the given length."""
    if np.isinf(radius):
        return length, np.zeros_like(length)
    return radius * np.sin(length / radius), radius * (1 - np.cos(length / radius))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SmoothField:
    """A smooth random field over the panel, sampled on a grid and read by interpolation.

    Attributes
    ----------
    values
        Shape (rows, columns), float32.
    step_mm
        Grid step.
    """

    values: NDArray[np.float32]
    step_mm: float

    def at(self, uv_mm: Floats) -> Floats:
        """Return the field, shape (...), at surface coordinates (..., 2)."""
        rows, columns = self.values.shape
        shape = uv_mm.shape[:-1]
        flat = uv_mm.reshape(-1, 2)
        if not len(flat):
            return np.zeros(shape)
        map_x = (flat[:, 0] / self.step_mm + (columns - 1) / 2).astype(np.float32)
        map_y = (flat[:, 1] / self.step_mm + (rows - 1) / 2).astype(np.float32)
        # cv2.remap takes maps of fewer than 2**15 rows and columns.
        width = 4096
        pad = -len(flat) % width
        map_x = np.pad(map_x, (0, pad)).reshape(-1, width)
        map_y = np.pad(map_y, (0, pad)).reshape(-1, width)
        read = cv2.remap(
            self.values, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101
        )
        return read.ravel()[: len(flat)].reshape(shape).astype(np.float64)


def smooth_field(
    rng: np.random.Generator,
    *,
    extent_mm: tuple[float, float],
    wavelength_mm: float,
    standard_deviation: float,
) -> SmoothField:
    """Draw a smooth field of mean 0 with a typical wavelength.

    Parameters
    ----------
    rng
        Source of randomness.
    extent_mm
        Size along u and v.
    wavelength_mm
        Typical distance between crests.
    standard_deviation
        Of the values.
    """
    step = wavelength_mm / 8
    shape = (int(extent_mm[1] / step) + 2, int(extent_mm[0] / step) + 2)
    noise = rng.standard_normal(shape, dtype=np.float32)
    smooth = np.asarray(cv2.GaussianBlur(noise, (0, 0), 8 / (2 * np.pi) * 1.4), dtype=np.float32)
    smooth -= smooth.mean()
    smooth *= np.float32(standard_deviation / max(float(smooth.std()), 1e-12))
    return SmoothField(values=smooth, step_mm=step)
