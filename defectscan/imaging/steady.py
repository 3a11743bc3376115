"""What stays where it is while the lamp is drawn over a panel."""

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[Any]
Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

# A line of light is there in few frames, so the fourth darkest of twelve is without it.
_RANK_SHARE = 1 / 3
_SHRINK = 8
_GLOW_SD_PX = 48
_ROUNDS = 3


def steady_picture(
    frames: Sequence[Image], *, ignored: Sequence[Mask], to_first: Sequence[Floats]
) -> tuple[Image, Mask]:
    """Lay frames over each other and keep what is in most of them: edges, tape, dust.

    The glow round the lamp is evened out first. Then each place gets one of the darker of its
    values: lines of light, which move with the lamp, are gone.

    Parameters
    ----------
    frames
        Linear luminance, shapes (H, W), all alike.
    ignored
        The highlight with its bloom in each, shapes (H, W).
    to_first
        The homography of each to the first, shapes (3, 3).

    Returns
    -------
    picture
        Shape (H, W), in the first one's frame.
    hidden
        Shape (H, W): where too few frames show the panel.
    """
    shape = frames[0].shape
    stack = list(zip(frames, ignored, to_first, strict=True))
    glow = _glow([_shrunk(_laid(*one)) for one in stack])
    rank = max(round(_RANK_SHARE * len(frames)), 1)
    darkest = [np.full(shape, np.inf, np.float32) for _ in range(rank)]
    for one, own in zip(stack, glow, strict=True):
        evened = _laid(*one) / cv2.resize(own, shape[::-1])
        evened[np.isnan(evened)] = np.inf
        for place, known in enumerate(darkest):
            darkest[place], evened = np.minimum(known, evened), np.maximum(known, evened)
    picture = darkest[-1]
    hidden = ~np.isfinite(picture)
    picture[hidden] = np.median(picture[~hidden]) if not hidden.all() else 0.0
    return picture, hidden


def _laid(frame: Image, ignored: Mask, to_first: Floats) -> Image:
    """Return a frame as it lies on the first, NaN where it shows nothing of the panel."""
    seen = np.where(ignored, np.float32(np.nan), frame)
    size = (frame.shape[1], frame.shape[0])
    return np.asarray(
        cv2.warpPerspective(
            seen, to_first, size, flags=cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT, borderValue=(np.nan,),
        ),
        dtype=np.float32,
    )  # fmt: skip


def _shrunk(frame: Image) -> Image:
    size = [max(side // _SHRINK, 1) for side in frame.shape[::-1]]
    small = cv2.resize(frame, size, interpolation=cv2.INTER_AREA)
    return np.log(np.maximum(small, np.float32(1e-4)), dtype=np.float32)


def _glow(small: Sequence[Image]) -> list[Image]:
    """Return by what each frame is smoothly brighter than the others."""
    light = np.stack(small)
    seen = np.isfinite(light)
    glow = np.zeros_like(light)
    anywhere = seen.any(axis=0)
    for _ in range(_ROUNDS):
        usual = np.zeros(light.shape[1:], np.float32)
        usual[anywhere] = np.nanmedian((light - glow)[:, anywhere], axis=0)
        for number, own in enumerate(light):
            glow[number] = _smooth(np.where(seen[number], own - usual, 0), seen[number])
    return [np.exp(one) for one in glow]


def _smooth(values: Image, known: Mask) -> Image:
    deviation = _GLOW_SD_PX / _SHRINK
    total, share = (
        cv2.GaussianBlur(part.astype(np.float32), (0, 0), deviation) for part in (values, known)
    )
    return np.asarray(total / np.maximum(share, 1e-3), dtype=np.float32)
