"""Which frames of a clip are worth measuring, by what a quick look at them shows."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

MOST_FRAMES = 12

_READOUT_S = 0.02  # of a phone's rolling shutter, common practice
_NEAR_S = 0.5
_LEAST_APART_RADII = 2.0
_LEAST_WORTH = 0.15  # of the best frame's
_ROOM_SHARE = 0.2
_FAR_SHARE = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Glimpse:
    """What a quick look at one frame shows.

    Attributes
    ----------
    index, time_s
        Of the frame in the clip, from 0.
    x_px, y_px, radius_px
        The lamp's highlight, in the clip's own pixels.
    detail
        Energy of fine detail over that of coarser detail round the highlight, in the direction
        that has less of it: what shake and compression take away.
    """

    index: int
    time_s: float
    x_px: float
    y_px: float
    radius_px: float
    detail: float


def choose(glimpses: Sequence[Glimpse], *, size_px: tuple[int, int]) -> list[Glimpse]:
    """Choose sharp frames with the highlight in different places.

    Each next frame is the one furthest from those chosen, the less so the less sharp it is
    against the frames about it, the faster its highlight moves, and the nearer it lies to a
    side; the worst are left out. A fast highlight is elsewhere when the last row is read.
    Frames whose highlights lie close to each other light the same grooves, and add nothing.

    Parameters
    ----------
    glimpses
        In the order of time.
    size_px
        Width and height of the clip.

    Returns
    -------
    list of Glimpse
        In the order of time, at most `MOST_FRAMES`.
    """
    if not glimpses:
        return []
    place = np.array([(one.x_px, one.y_px) for one in glimpses])
    radius = float(np.median([one.radius_px for one in glimpses]))
    worth = _worth(glimpses, place, radius, size_px)
    worth[worth < _LEAST_WORTH * worth.max()] = 0
    chosen = [int(np.argmax(worth))]
    apart = np.linalg.norm(place - place[chosen[0]], axis=-1)
    while len(chosen) < MOST_FRAMES:
        gain = worth * np.minimum(apart, _FAR_SHARE * max(size_px))
        gain[apart < _LEAST_APART_RADII * radius] = 0
        if gain.max() <= 0:
            break
        chosen.append(int(np.argmax(gain)))
        apart = np.minimum(apart, np.linalg.norm(place - place[chosen[-1]], axis=-1))
    return [glimpses[number] for number in sorted(chosen)]


def _worth(
    glimpses: Sequence[Glimpse], place: Floats, radius_px: float, size_px: tuple[int, int]
) -> Floats:
    time = np.array([one.time_s for one in glimpses])
    detail = np.array([one.detail for one in glimpses])
    near = np.abs(time[:, None] - time[None]) <= _NEAR_S
    # What is sharp depends on what there is to see, so neighbours are compared.
    sharp = detail / np.maximum(np.max(np.where(near, detail[None], 0), axis=1), 1e-12)
    speed = np.zeros(len(time))
    if len(time) > 1:
        step = np.linalg.norm(np.diff(place, axis=0), axis=-1) / np.maximum(np.diff(time), 1e-3)
        speed = np.maximum(np.append(step, 0), np.append(0, step))
    slow = 1 / (1 + (speed * _READOUT_S / radius_px) ** 2)
    room = np.minimum(place, np.array(size_px) - 1 - place).min(axis=1)
    inner = np.clip(room / (_ROOM_SHARE * min(size_px)), 0.3, 1)
    worth: Floats = sharp**4 * slow * inner
    return worth
