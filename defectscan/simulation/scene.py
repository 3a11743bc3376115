"""Lamp and camera in space, and where the lamp is mirrored."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from defectscan.simulation.surface import Surface

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lamp:
    """A small disc lamp that faces the panel.

    Attributes
    ----------
    position_mm
        Place in space.
    radius_mm
        Of the light-emitting disc.
    """

    position_mm: tuple[float, float, float]
    radius_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """A pinhole camera.

    Attributes
    ----------
    position_mm, target_mm
        Where it stands, and the point in space on its axis.
    roll_deg
        Turn about the axis.
    focal_px
        Focal length in pixels.
    width_px, height_px
        Size of the picture.
    """

    position_mm: tuple[float, float, float]
    target_mm: tuple[float, float, float]
    focal_px: float
    width_px: int
    height_px: int
    roll_deg: float = 0.0

    def axes(self) -> Floats:
        """Return the camera's right, down and forward directions as rows, shape (3, 3)."""
        forward = _unit(np.subtract(self.target_mm, self.position_mm))
        right = _unit(np.cross(forward, (0.0, 1.0, 0.0)))
        down = np.cross(forward, right)
        roll = np.deg2rad(self.roll_deg)
        return np.stack(
            [
                np.cos(roll) * right + np.sin(roll) * down,
                -np.sin(roll) * right + np.cos(roll) * down,
                forward,
            ]
        )

    def project(self, points_mm: Floats) -> Floats:
        """Return pixel coordinates, shape (..., 2), of points in space, shape (..., 3)."""
        seen = (points_mm - np.asarray(self.position_mm)) @ self.axes().T
        scale = self.focal_px / seen[..., 2:3]
        middle = np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])
        pixels: Floats = seen[..., :2] * scale + middle
        return pixels


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """One shot's lamp, camera and panel shape."""

    surface: Surface
    lamp: Lamp
    camera: Camera

    def project(self, uv_mm: Floats) -> Floats:
        """Return the pixels of surface coordinates, both shape (..., 2)."""
        return self.camera.project(self.surface.point(uv_mm))

    def to_surface(self, xy_px: Floats) -> Floats:
        """Return the surface coordinates that pixels look at, by Newton's method."""
        uv = np.zeros_like(xy_px, dtype=np.float64)
        step = 0.05
        step_u, step_v = np.diag([step, step])
        for _ in range(8):
            here = self.project(uv)
            du = (self.project(uv + step_u) - here) / step
            dv = (self.project(uv + step_v) - here) / step
            miss = xy_px - here
            det = du[..., 0] * dv[..., 1] - du[..., 1] * dv[..., 0]
            move = np.stack(
                [
                    (miss[..., 0] * dv[..., 1] - miss[..., 1] * dv[..., 0]) / det,
                    (du[..., 0] * miss[..., 1] - du[..., 1] * miss[..., 0]) / det,
                ],
                axis=-1,
            )
            uv = uv + np.clip(move, -60, 60)
        return uv

    def facet_slopes(self, uv_mm: Floats) -> tuple[Floats, Floats, Floats]:
        """Return what a facet must be like to mirror the lamp into the camera.

        Parameters
        ----------
        uv_mm
            Surface coordinates, shape (..., 2).

        Returns
        -------
        slopes
            Shape (..., 2): the facet's slope along u and along v.
        lamp_slope
            Shape (...): the lamp's radius as a slope, half the angle that it fills.
        cosine
            Shape (...): of the angle of incidence on the panel.
        """
        point = self.surface.point(uv_mm)
        along_u, along_v, normal = self.surface.frame(uv_mm)
        to_lamp = np.asarray(self.lamp.position_mm) - point
        to_camera = np.asarray(self.camera.position_mm) - point
        distance = np.sqrt(np.vecdot(to_lamp, to_lamp))
        lamp = to_lamp / distance[..., None]
        half = lamp + _unit(to_camera)
        up = np.vecdot(half, normal)
        slopes = np.stack([np.vecdot(half, along_u) / up, np.vecdot(half, along_v) / up], axis=-1)
        return slopes, self.lamp.radius_mm / distance / up, np.vecdot(lamp, normal)

    def mirror_point(self) -> Floats:
        """Return the surface coordinates, shape (2,), where the panel mirrors the lamp."""
        uv = np.zeros(2)
        step = 0.01
        step_u, step_v = np.diag([step, step])
        for _ in range(30):
            here = self.facet_slopes(uv)[0]
            jacobian = np.stack(
                [
                    (self.facet_slopes(uv + step_u)[0] - here) / step,
                    (self.facet_slopes(uv + step_v)[0] - here) / step,
                ],
                axis=-1,
            )
            uv = uv - np.clip(np.linalg.solve(jacobian, here), -50, 50)
        return uv


def _unit(vector: Floats) -> Floats:
    unit: Floats = vector / np.sqrt(np.vecdot(vector, vector))[..., None]
    return unit
