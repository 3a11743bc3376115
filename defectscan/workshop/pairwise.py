"""Several figures told apart, with the chance of any false statement held at 5 %.

References
----------
Holm, Scand. J. Stat. 6 (1979) 65. Zou and Donner, Stat. Med. 27 (2008) 1693, for the interval of
a difference from the intervals of both.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from defectscan.workshop.evidence import Figure, LogFigure

Floats = NDArray[Any]

ERROR_RATE = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """Two squares compared.

    Attributes
    ----------
    better, other
        Names.
    points
        Percentage points between their corrections, with the interval of this pair alone.
    p_value
        After Holm, over all pairs.
    apart
        Whether they can be told apart.
    """

    better: str
    other: str
    points: Figure
    p_value: float
    apart: bool


def adjust_by_holm(p_values: Sequence[float]) -> Floats:
    """Return Holm's adjusted p-values, in the order given.

    Examples
    --------
    >>> adjust_by_holm([0.01, 0.04, 0.03]).tolist()
    [0.03, 0.06, 0.06]
    """
    p = np.asarray(p_values, dtype=float)
    order = np.argsort(p, kind="stable")
    stepped = np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1))
    adjusted = np.empty(len(p))
    adjusted[order] = np.minimum(stepped, 1)
    return adjusted


def two_sided(gap: float, sd: float) -> float:
    """Return the p-value of a normal gap: how easily chance alone makes one as large."""
    if sd == 0:
        return float(gap == 0)
    return float(2 * ndtr(-abs(gap) / sd))


def tell_apart(
    names: Sequence[str], corrections: Sequence[Figure], *, log_shares: Sequence[LogFigure]
) -> tuple[Difference, ...]:
    """Compare all pairs.

    Parameters
    ----------
    names
        Of the combinations.
    corrections
        In percent, for the differences in points.
    log_shares
        Logarithm of the share of lines left, on which the comparison is made.
    """
    pairs = [
        (i, j) if log_shares[i].middle <= log_shares[j].middle else (j, i)
        for i, j in combinations(range(len(names)), 2)
    ]
    p = adjust_by_holm(
        [
            two_sided(
                log_shares[i].middle - log_shares[j].middle,
                math.hypot(
                    log_shares[i].sd_towards(log_shares[j].middle),
                    log_shares[j].sd_towards(log_shares[i].middle),
                ),
            )
            for i, j in pairs
        ]
    )
    return tuple(
        Difference(
            better=names[i],
            other=names[j],
            points=subtract(corrections[i], corrections[j]),
            p_value=float(p_value),
            apart=bool(p_value <= ERROR_RATE),
        )
        for (i, j), p_value in zip(pairs, p, strict=True)
    )


def subtract(a: Figure, b: Figure) -> Figure:
    """Return a - b with its interval, from the two intervals (Zou and Donner)."""
    value = a.value - b.value
    return Figure(
        value=value,
        low=value - math.hypot(a.value - a.low, b.high - b.value),
        high=value + math.hypot(a.high - a.value, b.value - b.low),
    )
