"""Which lines of several shots are of one groove."""

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.measurement.lines import Lines

Floats = NDArray[Any]
Indices = NDArray[np.int64]

SAME_GROOVE_PX = 300.0
SAME_GROOVE_OFF_PX = 4.0
SAME_GROOVE_DEG = 4.0
BEND_PX = 1500.0


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
    one, two = known.middles(), lines.middles()
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
