"""Two states of a panel: correction with its interval, and what became of each line."""

from dataclasses import dataclass
from enum import Enum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.measurement.lines import Lines
from defectscan.measurement.neighbours import pairs_within
from defectscan.measurement.pairing import carried
from defectscan.measurement.score import Count, Interval, detection_limit, draw_weights, resample
from defectscan.measurement.window import Shot

Floats = NDArray[Any]
Indices = NDArray[np.int64]

NEAR_PX = 5.0
ALIKE_DEG = 8.0
SURE_SHARE = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """How much of the line density is gone, in percent.

    Attributes
    ----------
    percent
        `None` where the density before is below its detection limit. Negative: an increase.
    at_least
        Whether the density after is below its detection limit, so that only the lower limit
        counts.
    """

    percent: Interval | None
    at_least: bool = False


class Fate(Enum):
    """What became of a line."""

    REMOVED = "removed"
    REMAINING = "remaining"
    NEW = "new"
    UNKNOWN = "unknown"


def correct(
    before: Count,
    after: Count,
    rng: np.random.Generator,
    *,
    grooves: tuple[Indices, Indices] | None = None,
) -> Correction:
    """Return 100·(1 - density after / density before) with its 95 % interval.

    Parameters
    ----------
    before, after
        Counts above the same contrast.
    rng
        Source of randomness.
    grooves
        For each state the groove number of each line: lines of one groove in both states are
        resampled together, so that what they share does not widen the interval.
    """
    if before.density <= detection_limit(before):
        return Correction(percent=None)
    if grooves is None:
        n = len(before.share)
        grooves = np.arange(n), n + np.arange(len(after.share))
    weights = draw_weights(rng, max((int(g.max()) + 1 for g in grooves if len(g)), default=0))
    low_before, high_before = resample(before, weights[:, grooves[0]], rng)
    low_after, high_after = resample(after, weights[:, grooves[1]], rng)
    percent = 100 * (1 - after.density / before.density)
    worst = high_after / np.maximum(low_before, before.typical)
    best = low_after / np.maximum(high_before, before.typical)
    return Correction(
        percent=Interval(
            value=percent,
            low=min(100 * (1 - float(np.quantile(worst, 0.975))), percent),
            high=max(100 * (1 - float(np.quantile(best, 0.025))), percent),
        ),
        at_least=bool(after.density <= detection_limit(after)),
    )


def fates(before: Shot, after: Shot, homography: Floats) -> tuple[list[Fate], list[Fate]]:
    """Return what became of the lines before, and where the lines after come from.

    Only a line that the other photo's lamp would show can be told to be gone or to be left. One
    that is found there by luck, at the edge of what its lamp shows, is left out as those are that
    are missing there: or more would seem to be left than is.

    Parameters
    ----------
    before, after
        One shot of each state.
    homography
        From after to before, shape (3, 3), working pixels.
    """
    before_there = carried(before.lines, np.linalg.inv(homography))
    after_here = carried(after.lines, homography)
    gone = _fate(before.lines, after_here, before_there, after, missing=Fate.REMOVED)
    come = _fate(after_here, before.lines, after_here, before, missing=Fate.NEW)
    return gone, come


def _fate(
    lines: Lines, others: Lines, in_other: Lines, other: Shot, *, missing: Fate
) -> list[Fate]:
    """Return the fates of lines: `in_other` are they in the other shot's own frame."""
    if not lines.n:
        return []
    matched = _matched(lines, others)
    height, width = other.zone.shape
    x, y = np.round(in_other.xy_px).astype(np.int64).T
    inside = (x >= 0) & (y >= 0) & (x < width) & (y < height)
    inside[inside] = other.zone[y[inside], x[inside]]
    along = np.abs(np.sum(other.glint.tilt(in_other.xy_px) * in_other.tangent, axis=-1))
    due = inside & (along < 0.7 * other.glint.reach_px)
    n = np.maximum(lines.total(np.ones(len(x))), 1)
    share_matched, share_due = lines.total(matched * 1.0) / n, lines.total(due * 1.0) / n
    result = []
    for is_matched, is_due in zip(share_matched > 0.25, share_due > SURE_SHARE / 2, strict=True):
        if is_due:
            result.append(Fate.REMAINING if is_matched else missing)
        else:
            result.append(Fate.UNKNOWN)
    return result


def _matched(lines: Lines, others: Lines) -> NDArray[np.bool_]:
    """Return at which points the nearest other line is near and runs the same way."""
    mine, theirs, away = pairs_within(lines.xy_px, others.xy_px, NEAR_PX)
    order = np.lexsort((away, mine))
    mine, first = np.unique(mine[order], return_index=True)
    nearest = theirs[order][first]
    cosine = np.abs(np.sum(lines.tangent[mine] * others.tangent[nearest], axis=-1))
    matched = np.zeros(len(lines.xy_px), dtype=np.bool_)
    matched[mine] = cosine > np.cos(np.deg2rad(ALIKE_DEG))
    return matched
