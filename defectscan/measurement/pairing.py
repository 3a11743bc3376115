"""Which lines of several shots are of one groove, and where two states show the same grooves."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.measurement.lines import Lines
from defectscan.measurement.window import Shot

Floats = NDArray[Any]
Indices = NDArray[np.int64]
Weight = Callable[[Floats, Floats], Floats]

# Typical groove, relative to the picture's width: how far along it two lamps may light it apart.
GROOVE_SHARE = 0.12
LEAST_RATE = 0.2
MOST_SURVIVING = 0.95
SAME_GROOVE_PX = 300.0
SAME_GROOVE_OFF_PX = 4.0
SAME_GROOVE_DEG = 4.0
BEND_PX = 1500.0


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


def pair_weight(partners: Sequence[Partner], *, surviving: float) -> Weight:
    """Return the weight of points by how surely both shots show the same grooves there.

    A groove lit at a point runs along the ring there. The other lamp lights it where it
    touches the other ring: Δ further along. The share of grooves that reach so far is about
    exp(-Δ/L). Of lines with a chance S to be shared, the ratio after to before scatters with
    the variance f(1 + f - 2 f S) over their number, f being the share that survives: its
    inverse is the weight. Both states must be weighted alike, each by its own partners.

    Parameters
    ----------
    partners
        Shots of the other state.
    surviving
        A first guess of f.

    Returns
    -------
    callable
        Takes points (n, 2) and needed tilts there (n, 2), gives weights (n,).
    """
    f = float(np.clip(surviving, 0.05, MOST_SURVIVING))

    def weight(points: Floats, tilt: Floats) -> Floats:
        shared = np.zeros(len(points))
        for partner in partners:
            shared = np.maximum(shared, _shared(partner, points, tilt))
        return np.asarray(1 / (1 + f - 2 * f * shared))

    return weight


def _shared(partner: Partner, points: Floats, tilt: Floats) -> Floats:
    """Return the chance that a groove lit at each point is lit in the partner's shot, too."""
    if not len(points):
        return np.zeros(0)
    shot = partner.shot
    height, width = shot.zone.shape
    size = np.maximum(np.linalg.norm(tilt, axis=-1, keepdims=True), 1e-9)
    along = np.stack([-tilt[:, 1], tilt[:, 0]], axis=-1) / size
    there = cv2.perspectiveTransform(points[None], partner.homography)[0]
    ahead = cv2.perspectiveTransform((points + along)[None], partner.homography)[0] - there
    ahead /= np.linalg.norm(ahead, axis=-1, keepdims=True)
    step = 4.0
    needed = shot.glint.tilt(there)
    u = np.sum(needed * ahead, axis=-1)
    rate = np.sum((shot.glint.tilt(there + step * ahead) - needed) * ahead, axis=-1) / step
    move = -u / np.maximum(rate, LEAST_RATE)
    x, y = np.round(there + move[:, None] * ahead).astype(np.int64).T
    inside = (x >= 0) & (y >= 0) & (x < width) & (y < height)
    inside[inside] = shot.zone[y[inside], x[inside]]
    return np.where(inside, np.exp(-np.abs(move) / (GROOVE_SHARE * width)), 0.0)


def carried(lines: Lines, homography: Floats) -> Lines:
    """Return lines as they lie in the frame that a homography leads to."""
    if not lines.n:
        return lines
    here = cv2.perspectiveTransform(lines.xy_px[None], homography)[0]
    ahead = cv2.perspectiveTransform((lines.xy_px + lines.tangent)[None], homography)[0]
    tangent = ahead - here
    return Lines(
        xy_px=here,
        tangent=tangent / np.linalg.norm(tangent, axis=-1, keepdims=True),
        length_px=lines.length_px,
        contrast=lines.contrast,
        line=lines.line,
        evidence=lines.evidence,
    )


def groove_numbers(shots: Sequence[Lines | int]) -> list[Indices]:
    """Return for each shot the groove number of each of its lines.

    The lamps of two shots light different places of the same groove. Lines that lie on one
    gently bent course get one number.

    Parameters
    ----------
    shots
        Lines of each shot in one frame, or the number of lines where the frame is not known:
        those are grooves of their own.
    """
    numbers: list[Indices] = []
    known: list[Lines] = []
    known_numbers = np.zeros(0, dtype=np.int64)
    free = 0
    for lines in shots:
        n = lines if isinstance(lines, int) else lines.n
        number = free + np.arange(n)
        free += n
        if not isinstance(lines, int) and n:
            if len(known_numbers):
                best, found = _same_groove(Lines.joined(known), lines)
                number = np.where(found, known_numbers[best], number)
            known.append(lines)
            known_numbers = np.concatenate([known_numbers, number])
        numbers.append(number)
    return numbers


def _same_groove(known: Lines, lines: Lines) -> tuple[Indices, NDArray[np.bool_]]:
    """Return for each line the known line that it continues best, and whether it does."""
    one, two = _middles(known), _middles(lines)
    apart = two[0][:, None] - one[0][None]
    distance = np.linalg.norm(apart, axis=-1)
    off = np.abs(apart[..., 0] * one[1][None, :, 1] - apart[..., 1] * one[1][None, :, 0])
    sine = np.abs(two[1][:, None, 0] * one[1][None, :, 1] - two[1][:, None, 1] * one[1][None, :, 0])
    allowed_off = SAME_GROOVE_OFF_PX + distance**2 / (2 * BEND_PX)
    allowed_sine = np.sin(np.deg2rad(SAME_GROOVE_DEG)) + distance / BEND_PX
    misfit = np.maximum(off / allowed_off, sine / allowed_sine)
    misfit[distance > SAME_GROOVE_PX] = np.inf
    best = np.argmin(misfit, axis=1)
    return best, misfit[np.arange(lines.n), best] < 1


def _middles(lines: Lines) -> tuple[Floats, Floats]:
    """Return each line's middle and direction there, both (n, 2)."""
    n = lines.total(np.ones(len(lines.line)))
    middle = np.stack([lines.total(lines.xy_px[:, k]) / n for k in (0, 1)], axis=-1)
    x, y = lines.tangent[:, 0], lines.tangent[:, 1]
    angle = np.arctan2(lines.total(2 * x * y), lines.total(x**2 - y**2)) / 2
    return middle, np.stack([np.cos(angle), np.sin(angle)], axis=-1)
