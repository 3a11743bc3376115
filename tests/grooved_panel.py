"""A panel with grooves, and where a lamp shows in them by the law of reflection alone.

The geometry under the path tracer, in numpy and closed forms, sharing no code with the package.

Panel coordinates are right-handed and in mm: x to the right and y upwards in the picture, z out of
the panel, origin at the panel's middle; on a curved panel x is the arc length. Pixel coordinates:
x right, y down, centre of the first pixel at (0, 0). Lengths are a matter of scale: what counts is
that a groove is no wider than a pixel, and the lamp small against its distance.
"""

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FRAME_MARGIN = 1.12  # the panel is larger than the picture, so that no edge shows


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grooves:
    """Straight grooves with a rounded V for a profile.

    The slope across a groove is d / bottom_radius, d being the distance from its middle, and at
    most the walls'; the groove ends at d = half_width. Polishing lowers the paint round it, so
    that it only gets narrower.

    Parameters
    ----------
    start_mm, end_mm : (n, 2) arrays
        Ends in panel coordinates.
    half_width_mm, bottom_radius_mm, wall_slope : (n,) arrays
        Profile: half the width at the surface, radius of the bottom, slope of the walls.
    """

    start_mm: Floats
    end_mm: Floats
    half_width_mm: Floats
    bottom_radius_mm: Floats
    wall_slope: Floats

    def __len__(self) -> int:
        return len(self.start_mm)

    @property
    def tangent(self) -> Floats:
        """Give the unit vectors along the grooves, (n, 2)."""
        along = self.end_mm - self.start_mm
        tangent: Floats = along / np.linalg.norm(along, axis=1, keepdims=True)
        return tangent

    @property
    def steepest_slope(self) -> Floats:
        """Give the steepest slope of each groove, (n,): less than the walls' in a shallow one."""
        return np.minimum(self.wall_slope, self.half_width_mm / self.bottom_radius_mm)

    @property
    def depth_mm(self) -> Floats:
        """Give the depths, (n,)."""
        return profile_height(self.half_width_mm, self.bottom_radius_mm, self.wall_slope)

    def keep(self, chosen: NDArray[np.bool_]) -> "Grooves":
        """Return the chosen grooves only."""
        return Grooves(
            start_mm=self.start_mm[chosen],
            end_mm=self.end_mm[chosen],
            half_width_mm=self.half_width_mm[chosen],
            bottom_radius_mm=self.bottom_radius_mm[chosen],
            wall_slope=self.wall_slope[chosen],
        )

    def shallower(self, fraction: float) -> "Grooves":
        """Return the grooves with this fraction of their depth taken off."""
        depth = (1 - fraction) * self.depth_mm
        bottom = self.bottom_radius_mm * self.wall_slope
        on_wall = depth / self.wall_slope + bottom / 2
        on_bottom = np.sqrt(2 * self.bottom_radius_mm * depth)
        return replace(self, half_width_mm=np.where(on_wall >= bottom, on_wall, on_bottom))

    def points_along(self, spacing_mm: float) -> tuple[Floats, NDArray[np.intp], Floats]:
        """Give points along the grooves, the groove each is on, and the length it stands for."""
        length = np.linalg.norm(self.end_mm - self.start_mm, axis=1)
        count = np.ceil(length / spacing_mm).astype(int)
        groove = np.repeat(np.arange(len(self)), count)
        first = np.cumsum(count) - count
        part = (np.arange(count.sum()) - first[groove] + 0.5) / count[groove]
        points = self.start_mm[groove] + part[:, None] * (self.end_mm - self.start_mm)[groove]
        return points, groove, (length / count)[groove]


def profile_height(distance: Floats, bottom_radius: Floats, wall_slope: Floats) -> Floats:
    """Give the height of a rounded V above its bottom at a distance from its middle."""
    bottom = bottom_radius * wall_slope
    rounded = distance**2 / (2 * bottom_radius)
    return np.where(distance <= bottom, rounded, wall_slope * (distance - bottom / 2))


def draw_grooves(
    rng: np.random.Generator,
    *,
    size_mm: tuple[float, float],
    density_mm_per_cm2: float,
    length_mm: tuple[float, float] = (12.0, 40.0),
    width_mm: tuple[float, float] = (0.15, 0.2),
    wall_slope: tuple[float, float] = (0.25, 0.4),
    direction_deg: tuple[float, float] | None = None,
) -> Grooves:
    """Strew grooves evenly over a panel and the strip round it.

    Ranges are of uniform distributions. `direction_deg` is mean and standard deviation, counted
    from the x axis towards the y axis; without it all directions are alike.
    """
    extent = np.array(size_mm) + length_mm[1]
    count = round(density_mm_per_cm2 / 100 * float(extent.prod()) / (sum(length_mm) / 2))
    middle = (rng.random((count, 2)) - 0.5) * extent
    if direction_deg is None:
        angle = rng.uniform(0, math.pi, count)
    else:
        angle = np.radians(rng.normal(*direction_deg, count))
    half_length = rng.uniform(*length_mm, count)[:, None] / 2
    along = half_length * np.stack([np.cos(angle), np.sin(angle)], 1)
    half_width = rng.uniform(*width_mm, count) / 2
    slope = rng.uniform(*wall_slope, count)
    return Grooves(
        start_mm=middle - along,
        end_mm=middle + along,
        half_width_mm=half_width,
        bottom_radius_mm=half_width * rng.uniform(0.7, 1.0, count) / slope,
        wall_slope=slope,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """Where lamp and camera stand, in mm; the camera looks at `target_mm` on the panel."""

    lamp_mm: tuple[float, float, float] = (28.0, 10.0, 330.0)
    camera_mm: tuple[float, float, float] = (-22.0, -8.0, 350.0)
    target_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    lamp_radius_mm: float = 8.0


@dataclass(frozen=True, kw_only=True)
class View:
    """A pose with its picture size, and the optics of the panel seen from it.

    Parameters
    ----------
    pose : Pose
    width_px, height_px : int
    mm_per_px : float
        At the target.
    panel_radius_mm : float
        Radius of a convex cylinder whose axis lies along y; infinite for a flat panel.
    """

    pose: Pose
    width_px: int
    height_px: int
    mm_per_px: float
    panel_radius_mm: float = math.inf

    @property
    def is_flat(self) -> bool:
        """Tell whether the panel is flat."""
        return math.isinf(self.panel_radius_mm)

    @property
    def panel_size_mm(self) -> tuple[float, float]:
        """Give width and height of the panel."""
        scale = FRAME_MARGIN * self.mm_per_px
        return self.width_px * scale, self.height_px * scale

    @property
    def focal_length_px(self) -> float:
        """Give the focal length."""
        return math.dist(self.pose.target_mm, self.pose.camera_mm) / self.mm_per_px

    @cached_property
    def _camera_matrix(self) -> Floats:
        forward = np.subtract(self.pose.target_mm, self.pose.camera_mm)
        forward /= np.linalg.norm(forward)
        right = np.cross(forward, (0.0, 1.0, 0.0))
        right /= np.linalg.norm(right)
        focal = self.focal_length_px
        inner = np.array(
            [
                [focal, 0, (self.width_px - 1) / 2],
                [0, focal, (self.height_px - 1) / 2],
                [0, 0, 1],
            ]
        )
        matrix: Floats = inner @ np.stack([right, np.cross(forward, right), forward])
        return matrix

    def surface(self, points_mm: Floats) -> tuple[Floats, Floats, Floats]:
        """Give the places in space, the unit vectors along x, and the normals, each (n, 3)."""
        x, y = points_mm.T
        angle = x / self.panel_radius_mm
        sine, cosine, zero = np.sin(angle), np.cos(angle), np.zeros_like(x)
        place = [x, y, zero]
        if not self.is_flat:
            radius = self.panel_radius_mm
            place = [radius * sine, y, radius * (cosine - 1)]
        along_x, normal = [cosine, zero, -sine], [sine, zero, cosine]
        return np.stack(place, 1), np.stack(along_x, 1), np.stack(normal, 1)

    def to_image(self, points_mm: Floats) -> Floats:
        """Give the pixel coordinates, (n, 2), of points of the panel, (n, 2)."""
        ray = self.surface(points_mm)[0] - self.pose.camera_mm
        pixel = ray @ self._camera_matrix.T
        xy_px: Floats = pixel[:, :2] / pixel[:, 2:]
        return xy_px

    def in_frame(self, points_mm: Floats) -> NDArray[np.bool_]:
        """Tell which points of the panel, (n, 2), are inside the picture."""
        from_corner = self.to_image(points_mm) + 0.5
        inside = (from_corner >= 0) & (from_corner <= (self.width_px, self.height_px))
        return inside[:, 0] & inside[:, 1]

    def homography(self) -> Floats:
        """Give the 3x3 matrix from (x, y, 1) on a flat panel to pixels."""
        if not self.is_flat:
            raise ValueError("a curved panel has no homography")
        panel = np.column_stack([np.eye(3)[:, :2], -np.array(self.pose.camera_mm)])
        matrix = self._camera_matrix @ panel
        scaled: Floats = matrix / matrix[2, 2]
        return scaled

    def wall_tilt(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Give the slopes that mirror the lamp into the camera, and the lamp's width in slopes.

        Parameters
        ----------
        points_mm : (n, 2) array

        Returns
        -------
        tilt : (n, 2) array
            s = h_t / (h . n), with h the sum of the unit vectors to lamp and camera.
        tolerance : (n,) array
            Half the range of slopes over which some part of the lamp is mirrored.
        """
        place, along_x, normal = self.surface(points_mm)
        to_lamp = self.pose.lamp_mm - place
        to_camera = self.pose.camera_mm - place
        distance = np.linalg.norm(to_lamp, axis=1, keepdims=True)
        half = to_lamp / distance + to_camera / np.linalg.norm(to_camera, axis=1, keepdims=True)
        along_normal: Floats = np.sum(half * normal, axis=1)
        tilt = np.stack([np.sum(half * along_x, axis=1), half[:, 1]], 1) / along_normal[:, None]
        tolerance: Floats = self.pose.lamp_radius_mm / distance[:, 0] / along_normal
        return tilt, tolerance

    @cached_property
    def highlight_mm(self) -> Floats:
        """Give the mirror point in panel coordinates, (2,): where the wall tilt is 0."""
        lamp, camera = np.array(self.pose.lamp_mm), np.array(self.pose.camera_mm)
        point: Floats = (lamp[:2] * camera[2] + camera[:2] * lamp[2]) / (lamp[2] + camera[2])
        if self.is_flat:
            return point
        for _ in range(50):  # Newton's steps
            tilt = self.wall_tilt(point + np.array([[0, 0], [0.01, 0], [0, 0.01]]))[0]
            point = point - np.linalg.solve((tilt[1:] - tilt[0]).T / 0.01, tilt[0])
        return point

    @property
    def highlight_px(self) -> Floats:
        """Give the highlight's pixel coordinates, (2,)."""
        xy_px: Floats = self.to_image(self.highlight_mm[None])[0]
        return xy_px

    def tilt_per_px(self) -> Floats:
        """Give the 2x2 matrix of wall tilt per pixel at the highlight, in picture axes (y down)."""
        steps = self.highlight_mm + 0.05 * np.array([[1, 0], [-1, 0], [0, 1], [0, -1]])
        tilt, pixel = self.wall_tilt(steps)[0], self.to_image(steps)
        per_tilt = np.stack([tilt[0] - tilt[1], tilt[2] - tilt[3]], 1)
        per_pixel = np.stack([pixel[0] - pixel[1], pixel[2] - pixel[3]], 1)
        matrix: Floats = np.diag([1.0, -1.0]) @ per_tilt @ np.linalg.inv(per_pixel)
        return matrix

    def density_mm_per_cm2(self, grooves: Grooves) -> float:
        """Give the length of groove per area of panel inside the frame."""
        points, _, length_mm = grooves.points_along(0.25)
        width, height = self.panel_size_mm
        even = (np.arange(400) + 0.5) / 400 - 0.5
        x, y = np.meshgrid(even * width, even * height)
        framed = self.in_frame(np.stack([x.ravel(), y.ravel()], 1)).mean()
        return float(100 * length_mm[self.in_frame(points)].sum() / (framed * width * height))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExpectedGlints:
    """Points along the grooves, and which of them should glint.

    Parameters
    ----------
    points_mm, points_px : (n, 2) arrays
    length_mm : (n,) array
        Length of groove that each point stands for.
    groove : (n,) int array
    misfit : (n,) array
        |s . t| over the lamp's half-width in slopes: the glint ends at 1.
    lit : (n,) bool array
        Misfit under 1, slope across within the groove's steepest, inside the frame.
    """

    points_mm: Floats
    points_px: Floats
    length_mm: Floats
    groove: NDArray[np.intp]
    misfit: Floats
    lit: NDArray[np.bool_]


def expected_glints(view: View, grooves: Grooves, *, spacing_mm: float = 0.1) -> ExpectedGlints:
    """Tell from the law of reflection where along the grooves the lamp shows.

    Crossings are left out of it: where a deeper groove cuts through, there is no glint.
    """
    points, groove, length = grooves.points_along(spacing_mm)
    tilt, tolerance = view.wall_tilt(points)
    tangent = grooves.tangent[groove]
    misfit = np.abs(np.sum(tilt * tangent, axis=1)) / tolerance
    across = np.abs(tilt[:, 1] * tangent[:, 0] - tilt[:, 0] * tangent[:, 1])
    return ExpectedGlints(
        points_mm=points,
        points_px=view.to_image(points),
        length_mm=length,
        groove=groove,
        misfit=misfit,
        lit=(misfit < 1) & (across < grooves.steepest_slope[groove]) & view.in_frame(points),
    )
