"""Tell swirl, deep scratch, machine trail and haze apart."""

from enum import Enum

import numpy as np
from numpy.typing import NDArray

from defectscan.measurement.glint import Glint
from defectscan.measurement.lines import Lines

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

LONG_RATIO = 3.0
OFF_RATIO = 2.5
LEAST_SCRATCH_PX = 45.0
BRIGHT_RATIO = 1.3


class Kind(Enum):
    """Kinds of groove that a photo tells apart."""

    SWIRL = "swirl"
    DEEP_SCRATCH = "deep_scratch"
    MACHINE_TRAIL = "machine_trail"


def deep_scratches(lines: Lines, glint: Glint) -> Mask:
    """Return which lines are deep scratches, shape (n,).

    A fine groove glints only as far as the lamp reaches along it. A deep one with rounded or
    chipped lips shines well beyond, and often where no fine groove of its direction could.

    Parameters
    ----------
    lines
        Lines of one shot.
    glint
        The shot's geometry.
    """
    if not lines.n:
        return np.zeros(0, dtype=bool)
    length = lines.total(lines.length_px)
    tilt = glint.tilt(lines.xy_px)
    u = np.sum(tilt * lines.tangent, axis=-1)
    step = 2.0
    ahead = glint.tilt(lines.xy_px + step * lines.tangent)
    rate = np.abs(np.sum((ahead - tilt) * lines.tangent, axis=-1)) / step
    count = lines.total(np.ones(len(u)))
    expected = 2.5 * glint.reach_px / np.maximum(lines.total(rate) / count, 0.2)
    mean_off = lines.total(np.abs(u)) / count
    contrast = lines.total(lines.contrast) / count
    bright = contrast > BRIGHT_RATIO * np.median(contrast)
    long = (length > LONG_RATIO * expected) & bright
    off = (mean_off > OFF_RATIO * glint.reach_px) & bright
    return (long | off) & (length > LEAST_SCRATCH_PX)
