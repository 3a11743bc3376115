"""Two halves of one photo: their lines, the directions that both show, and what is not shared."""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.measurement.comparison import Correction
from defectscan.measurement.kinds import direction_sector, mean_direction
from defectscan.measurement.lines import LEAST_EVIDENCE, LEAST_LENGTH_PX, Lines
from defectscan.measurement.score import LEAST_EXPOSURE_SHARE, Count, Interval
from defectscan.measurement.window import N_SECTORS

Floats = NDArray[Any]
Mask = NDArray[np.bool_]


def lines_in(lines: Lines, zone: Mask) -> Lines:
    """Return the parts of lines that lie in a zone, where they are long and clear enough."""
    x, y = np.round(lines.xy_px).astype(np.int64).T
    inside = zone[np.clip(y, 0, zone.shape[0] - 1), np.clip(x, 0, zone.shape[1] - 1)]
    within = lines.total(lines.length_px * inside)
    evidence = lines.evidence * within / np.maximum(lines.total(lines.length_px), 1e-9)
    cut = Lines(
        xy_px=lines.xy_px[inside],
        tangent=lines.tangent[inside],
        length_px=lines.length_px[inside],
        contrast=lines.contrast[inside],
        line=lines.line[inside],
        evidence=evidence,
    )
    whole = within >= lines.total(lines.length_px) - 1e-9
    long = (within >= LEAST_LENGTH_PX) & (evidence >= LEAST_EVIDENCE)
    return cut.of((within > 0) & (whole | long))


def shared_directions(one: Count, two: Count) -> Floats:
    """Return how far each sector of directions can be compared, 0 to 1, shape (N_SECTORS,).

    The ratio of two counts scatters with the sum of their inverse exposures, so a direction is
    worth the harmonic mean of what both halves show of it. Directions worth more than the mean
    count alike; one that a half does not show counts nothing.

    Parameters
    ----------
    one, two
        Counts of the halves.
    """
    # The typical line's share is inverse to the mean exposure.
    exposures = [count.exposure_shares / count.typical for count in (one, two)]
    seen = np.min([c.exposure_shares for c in (one, two)], axis=0) > LEAST_EXPOSURE_SHARE
    both = 1 / np.sum([1 / np.maximum(e, 1e-12) for e in exposures], axis=0)
    even = 1 / np.sum([1 / max(float(e.mean()), 1e-12) for e in exposures])
    return np.where(seen, np.minimum(both / even, 1.0), 0.0)


def over_directions(count: Count, lines: Lines, weights: Floats) -> Count:
    """Return a count as a weighted mean over sectors of directions.

    Parameters
    ----------
    count
        Of one shot.
    lines
        Of that shot.
    weights
        Shape (N_SECTORS,), from `shared_directions`.
    """
    n_seen = int((count.exposure_shares > LEAST_EXPOSURE_SHARE).sum())
    sector = direction_sector(mean_direction(lines), N_SECTORS)
    factor = n_seen * weights / weights.sum()
    return replace(count, share=count.share * factor[sector])


def widened(correction: Correction, relative_sd: float) -> Correction:
    """Return a correction with a further, relative uncertainty of what is left.

    Parameters
    ----------
    correction
        With its interval.
    relative_sd
        Relative standard deviation of the ratio of densities.
    """
    percent = correction.percent
    if percent is None or relative_sd == 0:
        return correction
    left, most, least = (1 - v / 100 for v in (percent.value, percent.low, percent.high))
    reach = 1.96 * relative_sd
    if left <= 0:
        most *= np.exp(reach)
    else:
        most = left * np.exp(np.hypot(np.log(max(most / left, 1)), reach))
        if least > 0:
            least = left * np.exp(-np.hypot(np.log(max(left / least, 1)), reach))
    low, high = 100 * (1 - most), 100 * (1 - least)
    return replace(
        correction, percent=Interval(value=percent.value, low=float(low), high=float(high))
    )
