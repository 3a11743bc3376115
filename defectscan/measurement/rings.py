"""Where a lamp is mirrored that something hides: the centre of the rings that its lines lie on."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.measurement.glint import Glint, fit_glint
from defectscan.measurement.kinds import mean_direction
from defectscan.measurement.lines import Lines

Floats = NDArray[Any]

ROUNDS = 10
STILL_PX = 0.5
N_STARTS = 3
# Of the picture's longer side.
BLUR_SHARE = 0.02
APART_SHARE = 0.06
MOST_REACH_SHARE = 0.022


def centre_of_rings(
    lines: Lines, start_px: Floats, *, side_px: float, radius_px: float
) -> tuple[Floats, Glint]:
    """Return the place that needs no tilt by the lines' own account, and their geometry.

    A fit holds the centre near where it starts; so it starts anew from the centre it found until
    that rests.

    Parameters
    ----------
    lines
        In the measuring zone.
    start_px
        Shape (2,): about where the lamp is mirrored.
    side_px
        Longer side of the picture.
    radius_px
        About the radius of the lamp's image.
    """
    centre = np.asarray(start_px, dtype=np.float64)
    for _ in range(ROUNDS):
        glint = fit_glint(
            lines, centre, least_radius_px=2.4 * radius_px, scale_px=side_px / 2,
            usual_reach_px=radius_px,
        )  # fmt: skip
        last, centre = centre, _level_place(glint)
        if not np.linalg.norm(centre - start_px) < side_px:
            return last, glint
        if np.linalg.norm(centre - last) < STILL_PX:
            break
    return centre, glint


def find_rings(
    lines: Lines, places_px: Floats, *, side_px: float, radius_px: float
) -> Floats | None:
    """Return the centre of rings that most lines lie on, shape (2,), `None` if there are none.

    Parameters
    ----------
    lines
        In the measuring zone.
    places_px
        Shape (k, 2): where it may lie, roughly.
    side_px, radius_px
        As for `centre_of_rings`.
    """
    count = lines.total(np.ones(len(lines.line)))
    middle = np.stack([lines.total(lines.xy_px[:, k]) / count for k in (0, 1)], axis=-1)
    angle = mean_direction(lines)
    tangent = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    off = np.sum(middle * tangent, axis=-1) - places_px @ tangent.T
    likely = np.mean(1 / (1 + (off / (BLUR_SHARE * side_px)) ** 2), axis=-1)
    best, found = MOST_REACH_SHARE * side_px, None
    for _ in range(N_STARTS):
        start = places_px[int(np.argmax(likely))]
        centre, glint = centre_of_rings(lines, start, side_px=side_px, radius_px=radius_px)
        if not glint.assumed and glint.reach_px < best:
            best, found = glint.reach_px, centre
        near = np.linalg.norm(places_px - start, axis=-1) < APART_SHARE * side_px
        likely = np.where(near, -1.0, likely)
        if likely.max() < 0:
            break
    return found


def _level_place(glint: Glint) -> Floats:
    """Return where the needed tilt is zero, by Newton's method from the centre."""
    place = glint.centre_px.astype(np.float64)
    for _ in range(4):
        ahead, behind = glint.tilt(place + np.eye(2)), glint.tilt(place - np.eye(2))
        place = place - np.linalg.solve((ahead - behind).T / 2, glint.tilt(place))
    return place
