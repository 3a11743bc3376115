"""How pixels of one photo of a panel map to another's, bend and all."""

from dataclasses import dataclass

import cv2
import numpy as np

from defectscan.imaging.landmarks import Floats
from defectscan.imaging.panel_motion import STRAIGHT, project, quadratic


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PanelMap:
    """A map of pixels from after to before: a homography, and a bend on a curved panel.

    Parameters
    ----------
    homography
        Shape (3, 3), pixels.
    bend_px
        Shape (2, 3): what u², uv and v² add to x and y, (u, v) being places in after.
    middle_px, half_px
        Where (u, v) is (0, 0), shape (2,), and the length of its unit.
    """

    homography: Floats
    bend_px: Floats
    middle_px: Floats
    half_px: float

    def to_before(self, xy_px: Floats) -> Floats:
        """Map pixels of after, shape (n, 2)."""
        place = (xy_px - self.middle_px) / self.half_px
        return project(self.homography, xy_px) + quadratic(place) @ self.bend_px.T

    def flattened(self, xy_px: Floats) -> tuple[Floats, float]:
        """Return the nearest homography at some points, and its mean distance from the map, px.

        Parameters
        ----------
        xy_px
            Pixels of after, shape (n, 2).
        """
        if np.abs(self.bend_px).max() <= STRAIGHT * self.half_px:
            return self.homography / self.homography[2, 2], 0.0
        there = self.to_before(xy_px)
        homography = np.asarray(cv2.findHomography(xy_px, there)[0], dtype=np.float64)
        off = np.linalg.norm(project(homography, xy_px) - there, axis=1)
        return homography, float(off.mean())
