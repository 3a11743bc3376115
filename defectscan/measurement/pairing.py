"""Weights that favour ground where two shots show the same grooves."""

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.measurement.score import Shot

Floats = NDArray[np.float64]
Weight = Callable[[Floats, Floats], Floats]

# Typical groove, relative to the picture's width: how far along it two lamps may light it apart.
GROOVE_SHARE = 0.12
LEAST_RATE = 0.2
MOST_SURVIVING = 0.95


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Partner:
    """Another state's shot of the same ground.

    Attributes
    ----------
    shot
        The other shot.
    homography
        From the own shot's frame to the other's, shape (3, 3), working pixels.
    """

    shot: Shot
    homography: Floats


def pair_weight(partner: Partner, *, surviving: float) -> Weight:
    """Return the weight of points by how surely both shots show the same grooves there.

    A groove lit at a point runs along the ring there. The other lamp lights it where it
    touches the other ring: Δ further along. The share of grooves that reach so far is about
    exp(-Δ/L). Of lines with a chance S to be shared, the ratio after to before scatters with
    the variance f(1 + f - 2 f S) over their number, f being the share that survives: its
    inverse is the weight. Both states must be weighted alike, each by its own partner.

    Parameters
    ----------
    partner
        Shot of the other state.
    surviving
        A first guess of f.

    Returns
    -------
    callable
        Takes points (n, 2) and needed tilts there (n, 2), gives weights (n,).
    """
    f = float(np.clip(surviving, 0.05, MOST_SURVIVING))
    shot, matrix = partner.shot, partner.homography
    height, width = shot.zone.shape
    reach = GROOVE_SHARE * width

    def weight(points: Floats, tilt: Floats) -> Floats:
        if not len(points):
            return np.zeros(0)
        size = np.maximum(np.linalg.norm(tilt, axis=-1, keepdims=True), 1e-9)
        along = np.stack([-tilt[:, 1], tilt[:, 0]], axis=-1) / size
        there = cv2.perspectiveTransform(points[None], matrix)[0]
        ahead = cv2.perspectiveTransform((points + along)[None], matrix)[0] - there
        ahead /= np.linalg.norm(ahead, axis=-1, keepdims=True)
        step = 4.0
        needed = shot.glint.tilt(there)
        u = np.sum(needed * ahead, axis=-1)
        rate = np.sum((shot.glint.tilt(there + step * ahead) - needed) * ahead, axis=-1) / step
        move = -u / np.maximum(rate, LEAST_RATE)
        x, y = np.round(there + move[:, None] * ahead).astype(np.int64).T
        inside = (x >= 0) & (y >= 0) & (x < width) & (y < height)
        inside[inside] = shot.zone[y[inside], x[inside]]
        shared = np.where(inside, np.exp(-np.abs(move) / reach), 0.0)
        return np.asarray(1 / (1 + f - 2 * f * shared))

    return weight
