"""Put figures of several passes together: their usual share left, and what a point costs."""

import math
from collections.abc import Sequence

import numpy as np
from scipy.special import stdtrit

from defectscan.rater_statistics.estimate import Estimate
from defectscan.workshop.evidence import LogFigure

# Fewer say nothing of how passes differ among themselves.
LEAST_PASSES = 3
_LEAST_SD = 1e-3


def pool_corrections(shares: Sequence[LogFigure]) -> Estimate:
    """Return the usual correction of passes that were made alike, percent.

    Passes differ by more than their photos' errors, so the mean over passes is that of a random
    effect, on the logarithm of the share of lines left. Its interval takes the spread that the
    passes show, and never less than their own errors explain.

    Parameters
    ----------
    shares
        Of each pass, the logarithm of the share of line density that it left; at least one.

    Returns
    -------
    Estimate
        Without an interval where there are fewer than `LEAST_PASSES`.

    References
    ----------
    DerSimonian and Laird, Control. Clin. Trials 7 (1986) 177; Hartung and Knapp, Stat. Med. 20
    (2001) 3875: the interval by Student's t (both from memory).
    """
    middle = np.array([share.middle for share in shares])
    variance = np.array([max(share.sd, _LEAST_SD) ** 2 for share in shares])
    n = len(middle)
    weight = 1 / variance
    fixed = float(np.sum(weight * middle) / weight.sum())
    excess = float(np.sum(weight * (middle - fixed) ** 2)) - (n - 1)
    scale = float(weight.sum() - np.sum(weight**2) / weight.sum())
    between = max(excess / scale, 0.0) if n > 1 else 0.0
    weight = 1 / (variance + between)
    mean = float(np.sum(weight * middle) / weight.sum())
    value = _percent(mean)
    if n < LEAST_PASSES:
        caution = f"{n} pass{'es' * (n > 1)}: too few to say what is usual"
        return Estimate(value=value, low=None, high=None, caution=caution)
    spread = float(np.sum(weight * (middle - mean) ** 2)) / (n - 1)
    error = math.sqrt(max(spread, 1.0) / float(weight.sum()))
    reach = float(stdtrit(n - 1, 0.975)) * error
    return Estimate(value=value, low=_percent(mean + reach), high=_percent(mean - reach))


def spent_per_point(spent: Sequence[float], points: Sequence[float]) -> Estimate | None:
    """Return what a point of correction costs, as a ratio of sums.

    Parameters
    ----------
    spent
        Of each pass, in any unit.
    points
        Of each pass, the correction in percent.

    Returns
    -------
    Estimate or None
        Without an interval where there are fewer than `LEAST_PASSES`; `None` where the passes
        together have brought nothing, or nothing that is more than chance.

    References
    ----------
    Cochran, Sampling Techniques (1977), chapter 6: the variance of a ratio (from memory).
    """
    cost, gain = np.asarray(spent, dtype=float), np.asarray(points, dtype=float)
    n, total = len(gain), float(gain.sum())
    if n == 0 or total <= 0:
        return None
    ratio = float(cost.sum()) / total
    if n < LEAST_PASSES:
        caution = f"{n} pass{'es' * (n > 1)}: too few to say what is usual"
        return Estimate(value=ratio, low=None, high=None, caution=caution)
    quantile = float(stdtrit(n - 1, 0.975))
    if total <= quantile * math.sqrt(n) * float(gain.std(ddof=1)):
        # The interval of a ratio to what may be nothing has no end.
        return None
    error = math.sqrt(n / (n - 1) * float(np.sum((cost - ratio * gain) ** 2))) / total
    reach = quantile * error
    return Estimate(value=ratio, low=ratio - reach, high=ratio + reach)


def _percent(log_share: float) -> float:
    return 100 * (1 - math.exp(log_share))
