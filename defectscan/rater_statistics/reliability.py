"""How alike are amounts? Intraclass correlation, limits of agreement, repeatability.

Amounts are percentages or densities; nan stands where one is missing.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from defectscan.rater_statistics.agreement import complete
from defectscan.rater_statistics.estimate import Estimate, Result, Undefined

Floats = NDArray[Any]

# Two readings of one thing differ by more than this many standard deviations once in twenty.
PER_REPEATABILITY_SD = 1.959964 * np.sqrt(2)
NO_SPREAD = "no spread was seen, so nothing says how large it may be"
NO_END = "the interval has no end"
NO_INTERVAL = "the photos are too few, and the raters too far from agreeing, for an interval"


@dataclass(frozen=True, slots=True, kw_only=True)
class IntraclassCorrelation:
    """The six forms of Shrout and Fleiss, each with its interval.

    Attributes
    ----------
    one_way, agreement, consistency
        Of one rater: ICC(1,1), ICC(2,1) and ICC(3,1). Agreement is absolute and counts it against
        raters if one is always kinder; consistency does not. As numbers, the absolute agreement
        of chosen raters is the same as that of raters drawn at random.
    one_way_mean, agreement_mean, consistency_mean
        Of the mean of all raters: ICC(1,k), ICC(2,k) and ICC(3,k).
    n_photos, n_raters
        What was counted: photos that every rater graded.
    """

    one_way: Result
    agreement: Result
    consistency: Result
    one_way_mean: Result
    agreement_mean: Result
    consistency_mean: Result
    n_photos: int
    n_raters: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitsOfAgreement:
    """Differences between two ways of reading.

    Attributes
    ----------
    bias
        Mean of first minus second.
    sd
        Standard deviation of the differences.
    lower, upper
        Limits that hold about 95 % of the differences.
    n
        Number of pairs.
    """

    bias: Estimate
    sd: float
    lower: Estimate
    upper: Estimate
    n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeatability:
    """How far readings of one thing lie apart.

    Attributes
    ----------
    sd
        Standard deviation within a photo.
    limit
        Two readings differ by more than this once in twenty: the smallest change to be believed.
    degrees_of_freedom
        Readings less photos.
    """

    sd: Estimate
    limit: Estimate
    degrees_of_freedom: int


def intraclass_correlation(grades: Floats) -> IntraclassCorrelation | Undefined:
    """Return the intraclass correlations with intervals from the F distribution.

    Parameters
    ----------
    grades
        Shape (n_photos, n_raters), nan where missing. Only photos that every rater graded count.

    References
    ----------
    Shrout and Fleiss 1979, Psychol. Bull. 86:420. McGraw and Wong 1996, Psychol. Methods 1:30,
    from memory.
    """
    grades = complete(grades)
    n, k = grades.shape
    if n < 2 or k < 2:
        return Undefined(
            reason=f"{n} photos graded by all of {k} raters: at least 2 of each are needed"
        )
    photo, rater, rest = _two_way(grades)
    within = (rater * (k - 1) + rest * (n - 1) * (k - 1)) / (n * (k - 1))
    one_way, one_way_mean = _by_f(photo, within, n=n, k=k, df=n * (k - 1))
    consistency, consistency_mean = _by_f(photo, rest, n=n, k=k, df=(n - 1) * (k - 1))
    agreement, agreement_mean = _absolute(photo, rater, rest, n=n, k=k)
    return IntraclassCorrelation(
        one_way=one_way,
        agreement=agreement,
        consistency=consistency,
        one_way_mean=one_way_mean,
        agreement_mean=agreement_mean,
        consistency_mean=consistency_mean,
        n_photos=n,
        n_raters=k,
    )


def limits_of_agreement(
    first: Floats, second: Floats, *, limits_sd: float = 1.96
) -> LimitsOfAgreement | Undefined:
    """Return bias and limits of agreement of Bland and Altman.

    Parameters
    ----------
    first, second
        Readings of the same photos, shape (n_photos,); nan where one is missing.
    limits_sd
        How many standard deviations the limits are from the bias.

    References
    ----------
    Bland and Altman 1986, Lancet i:307.
    """
    difference = np.asarray(first, dtype=float) - np.asarray(second, dtype=float)
    difference = difference[~np.isnan(difference)]
    n = len(difference)
    if n < 2:
        return Undefined(reason=f"photos read both ways: {n}, at least 2 are needed")
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    reach = float(stats.t.ppf(0.975, n - 1)) * sd / np.sqrt(n)

    def estimate(value: float, half: float) -> Estimate:
        if _is_nought(sd, difference):
            return Estimate(value=value, low=None, high=None, caution=NO_SPREAD)
        return Estimate(value=value, low=value - half, high=value + half)

    return LimitsOfAgreement(
        bias=estimate(bias, float(reach)),
        sd=sd,
        lower=estimate(bias - limits_sd * sd, float(np.sqrt(3) * reach)),
        upper=estimate(bias + limits_sd * sd, float(np.sqrt(3) * reach)),
        n=n,
    )


def repeatability(readings: Floats) -> Repeatability | Undefined:
    """Return the spread of repeated readings of the same photos.

    Parameters
    ----------
    readings
        Shape (n_photos, n_repeats), nan where missing.

    References
    ----------
    Bland and Altman 1986, Lancet i:307.
    """
    readings = np.asarray(readings, dtype=float)
    readings = readings[(~np.isnan(readings)).sum(axis=1) >= 2]
    if not len(readings):
        return Undefined(reason="no photo was read twice")
    n_readings = (~np.isnan(readings)).sum(axis=1)
    df = int(np.sum(n_readings - 1))
    square = float(np.sum(np.nanvar(readings, axis=1) * n_readings)) / df
    sd = 0.0 if _is_nought(np.sqrt(square), readings) else float(np.sqrt(square))
    return Repeatability(
        sd=sd_estimate(sd, df),
        limit=sd_estimate(sd, df, times=float(PER_REPEATABILITY_SD)),
        degrees_of_freedom=df,
    )


def sd_estimate(sd: float, df: int, *, times: float = 1.0) -> Estimate:
    """Return a standard deviation, times a factor, with its interval from chi-squared.

    Parameters
    ----------
    sd
        Standard deviation.
    df
        Its degrees of freedom.
    times
        The factor.
    """
    if sd == 0:
        return Estimate(value=0.0, low=None, high=None, caution=NO_SPREAD)
    low, high = sd * times * np.sqrt(df / stats.chi2.ppf([0.975, 0.025], df))
    return Estimate(value=sd * times, low=float(low), high=float(high))


def _is_nought(sd: float, values: Floats) -> bool:
    """Return whether a spread is rounding of the arithmetic."""
    return sd <= 1e-9 * float(np.nanmax(np.abs(values)))


def _two_way(grades: Floats) -> tuple[float, float, float]:
    """Return the mean squares of photos, raters and the rest."""
    n, k = grades.shape
    grades = grades - grades.mean()
    photos, raters = grades.mean(axis=1), grades.mean(axis=0)
    rest = grades - photos[:, None] - raters
    squares = (
        k * float(np.sum(photos**2)) / (n - 1),
        n * float(np.sum(raters**2)) / (k - 1),
        float(np.sum(rest**2)) / ((n - 1) * (k - 1)),
    )
    # What is left of a difference that cancels is no spread.
    photo, rater, rest_square = (s if s > 1e-20 * np.sum(grades**2) else 0.0 for s in squares)
    return photo, rater, rest_square


def _by_f(photo: float, error: float, *, n: int, k: int, df: int) -> tuple[Result, Result]:
    """Return a correlation that is a function of one F ratio, of one rater and of the mean."""
    if photo + error == 0:
        nothing = Undefined(reason="all grades are the same")
        return nothing, nothing
    single = (photo - error) / (photo + (k - 1) * error)
    if photo == 0:
        flat = Undefined(reason="the photos got the same mean grade, so none differs from another")
        return Estimate(value=single, low=None, high=None, caution=NO_SPREAD), flat
    mean = (photo - error) / photo
    if error == 0:
        perfect = Estimate(value=1.0, low=None, high=None, caution=NO_SPREAD)
        return perfect, perfect
    ratio = photo / error
    low = ratio / float(stats.f.ppf(0.975, n - 1, df))
    high = ratio * float(stats.f.ppf(0.975, df, n - 1))
    return (
        Estimate(value=single, low=(low - 1) / (low + k - 1), high=(high - 1) / (high + k - 1)),
        Estimate(value=mean, low=1 - 1 / low, high=1 - 1 / high),
    )


def _absolute(photo: float, rater: float, rest: float, *, n: int, k: int) -> tuple[Result, Result]:
    """Return absolute agreement of one rater and of the mean, after Satterthwaite."""
    if photo + rest + rater == 0:
        nothing = Undefined(reason="all grades are the same")
        return nothing, nothing
    below_single = photo + (k - 1) * rest + k * (rater - rest) / n
    below_mean = photo + (rater - rest) / n
    odd = Undefined(reason="photos and raters differ in their means by less than chance alone does")
    if below_single <= 0:
        return odd, odd
    single = (photo - rest) / below_single
    mean: Result = odd
    if below_mean > 0:
        mean = Estimate(value=(photo - rest) / below_mean, low=None, high=None, caution=NO_END)
    # The degrees of freedom, multiplied by the rest's mean square so that it may be nought.
    a = k * single * rater
    b = (n * (1 + (k - 1) * single) - k * single) * rest
    if photo == 0 or a**2 + b**2 == 0:
        return Estimate(value=single, low=None, high=None, caution=NO_SPREAD), mean
    df = (n - 1) * (k - 1) * (a + b) ** 2 / ((n - 1) * a**2 + b**2)
    upper, lower = (float(stats.f.ppf(0.975, *dfs)) for dfs in ((n - 1, df), (df, n - 1)))
    others = k * rater + (k * n - k - n) * rest
    low = n * (photo - upper * rest) / (upper * others + n * photo)
    high = n * (lower * photo - rest) / (others + n * lower * photo)
    if not low <= single <= high:
        # Satterthwaite's degrees of freedom are none, or too odd, where raters contradict.
        return Estimate(value=single, low=None, high=None, caution=NO_INTERVAL), mean
    if isinstance(mean, Estimate) and 1 + (k - 1) * low > 0:
        low_mean, high_mean = (k * end / (1 + (k - 1) * end) for end in (low, high))
        mean = Estimate(value=mean.value, low=low_mean, high=high_mean)
    return Estimate(value=single, low=low, high=high), mean
