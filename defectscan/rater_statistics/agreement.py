"""Do raters agree? Kappa, Krippendorff's alpha and Kendall's W on grades.

Grades are arrays of shape (n_photos, n_raters) with nan where a grade is missing.
"""

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from defectscan.rater_statistics.estimate import Estimate, Result, Undefined, not_ruled_out

Floats = NDArray[Any]
Weights = Literal["none", "linear", "quadratic"]
Scale = Literal["nominal", "ordinal", "interval"]

# Rank tests lean on chi-squared, which is rough for fewer photos: common practice.
FEW_PHOTOS = 8
# Of two photos, leaving out one leaves nothing to compare.
LEAST_FOR_JACKKNIFE = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Concordance:
    """Kendall's W and its test.

    Attributes
    ----------
    w
        0: no common order; 1: all raters put the photos in the same order. Ties are corrected for.
    chi_squared, degrees_of_freedom, p_value
        Test of "no common order".
    n_photos, n_raters
        What was counted: photos that every rater graded.
    caution
        What to know before relying on the test; empty where there is nothing.
    """

    w: float
    chi_squared: float
    degrees_of_freedom: int
    p_value: float
    n_photos: int
    n_raters: int
    caution: str = ""


def cohen_kappa(first: Floats, second: Floats, *, weights: Weights = "quadratic") -> Result:
    """Return Cohen's kappa of two raters, or of one rater with oneself.

    Parameters
    ----------
    first, second
        Grades of the same photos, shape (n_photos,); nan where one is missing.
    weights
        How a disagreement weighs: "none" all alike, "linear" or "quadratic" in the difference.
    """
    first, second = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    both = ~(np.isnan(first) | np.isnan(second))
    n = int(both.sum())
    grades, code = np.unique(np.concatenate([first[both], second[both]]), return_inverse=True)
    table = np.zeros((len(grades), len(grades)))
    np.add.at(table, (code[:n], code[n:]), 1)
    difference = np.abs(grades[:, None] - grades)
    power = {"none": 0, "linear": 1, "quadratic": 2}[weights]
    return kappa_of_table(table, np.where(difference > 0, difference**power, 0))


def kappa_of_table(table: Floats, disagreement: Floats) -> Result:
    """Return kappa of a table of counts, with any weights.

    The interval is from the larger of two standard errors: Fleiss, Cohen and Everitt's, with
    n - 1 for n, which is too small for a few photos and steep weights, and that from leaving out
    one photo at a time (jackknife). Where no photo was disagreed on, its lower end is what the
    number of photos cannot rule out.

    Parameters
    ----------
    table
        How often the first rater gave the row's grade and the second the column's, shape (k, k).
    disagreement
        Weights of any scale, 0 on the diagonal, shape (k, k).

    References
    ----------
    Cohen 1960, Educ. Psychol. Meas. 20:37. Cohen 1968, Psychol. Bull. 70:213.
    """
    n = int(table.sum())
    if n < 2:
        return Undefined(reason=f"photos with both grades: {n}, at least 2 are needed")
    observed, expected = _disagreements(table, disagreement)
    if expected == 0:
        return Undefined(reason="all grades are the same, so agreement by chance is complete")
    kappa = float(1 - observed / expected)
    if observed == 0:
        low = 1 - not_ruled_out(n) * disagreement.max() / expected
        return Estimate(value=1.0, low=max(float(low), -1.0), high=1.0)
    published = large_sample_error(table, disagreement) * np.sqrt(n / (n - 1))
    cells = np.argwhere(table > 0)
    times = table[tuple(cells.T)]
    without_one = []
    for row, column in cells:
        fewer = table.copy()
        fewer[row, column] -= 1
        left, chance = _disagreements(fewer, disagreement)
        without_one.append(1 - left / chance if chance > 0 else kappa)
    off = np.array(without_one) - np.average(without_one, weights=times)
    jackknife = np.sqrt((n - 1) / n * np.sum(times * off**2))
    return _with_error(kappa, float(max(published, jackknife)), n)


def large_sample_error(table: Floats, disagreement: Floats) -> float:
    """Return kappa's standard error in many photos.

    Parameters
    ----------
    table, disagreement
        As for `kappa_of_table`; not all grades the same.

    References
    ----------
    Fleiss, Cohen and Everitt 1969, Psychol. Bull. 72:323.
    """
    share = table / table.sum()
    row, column = share.sum(axis=1), share.sum(axis=0)
    observed, expected = _disagreements(table, disagreement)
    influence = disagreement - observed / expected * (
        (disagreement @ column)[:, None] + row @ disagreement
    )
    variance = np.sum(share * influence**2) - np.sum(share * influence) ** 2
    return float(np.sqrt(max(variance, 0) / table.sum()) / expected)


def _disagreements(table: Floats, disagreement: Floats) -> tuple[float, float]:
    """Return the mean disagreement, and that of grades put together by chance."""
    share = table / table.sum()
    chance = share.sum(axis=1) @ disagreement @ share.sum(axis=0)
    return float(np.sum(share * disagreement)), float(chance)


def fleiss_kappa(grades: Floats) -> Result:
    """Return Fleiss' kappa of a group; the order of grades does not count.

    Only photos that every rater graded are counted. The interval is from leaving out one whole
    photo at a time (jackknife), about nominal alpha: kappa itself reads low where photos are few.

    Parameters
    ----------
    grades
        Shape (n_photos, n_raters), nan where missing.

    References
    ----------
    Fleiss 1971, Psychol. Bull. 76:378.
    """
    grades = complete(grades)
    found = _chance_corrected(grades, scale="nominal", self_pairs=True)
    unbiased = _chance_corrected(grades, scale="nominal", self_pairs=False)
    if isinstance(found, Undefined) or isinstance(unbiased, Undefined):
        return found
    if found.low is None or unbiased.low is None or unbiased.high is None:
        return found
    return replace(found, low=min(unbiased.low, found.value), high=max(unbiased.high, found.value))


def krippendorff_alpha(grades: Floats, *, scale: Scale = "ordinal") -> Result:
    """Return Krippendorff's alpha of a group; grades may be missing.

    The interval is from leaving out one whole photo at a time (jackknife).

    Parameters
    ----------
    grades
        Shape (n_photos, n_raters), nan where missing. Photos with fewer than two grades say
        nothing and are left out.
    scale
        What the grades are: names, an order, or amounts.

    References
    ----------
    Krippendorff 2011, Computing Krippendorff's Alpha-Reliability.
    """
    return _chance_corrected(np.asarray(grades, dtype=float), scale=scale, self_pairs=False)


def kendall_w(grades: Floats) -> Concordance | Undefined:
    """Return how alike raters order the photos, corrected for ties.

    Parameters
    ----------
    grades
        Shape (n_photos, n_raters), nan where missing. Only photos that every rater graded count.

    References
    ----------
    Kendall and Babington Smith 1939, Ann. Math. Stat. 10:275, from memory.
    """
    grades = complete(grades)
    n, m = grades.shape
    if n < 2 or m < 2:
        return Undefined(
            reason=f"{n} photos graded by all of {m} raters: at least 2 of each are needed"
        )
    ranks = stats.rankdata(grades, axis=0)
    ties = [np.unique(column, return_counts=True)[1] for column in ranks.T]
    correction = m * sum(float(np.sum(t.astype(float) ** 3 - t)) for t in ties)
    room = m**2 * (n**3 - n) - correction
    if room <= 0:
        return Undefined(reason="no rater told any photo from another")
    w = float(12 * np.sum((ranks.sum(axis=1) - m * (n + 1) / 2) ** 2) / room)
    chi_squared = m * (n - 1) * w
    return Concordance(
        w=w,
        chi_squared=chi_squared,
        degrees_of_freedom=n - 1,
        p_value=float(stats.chi2.sf(chi_squared, n - 1)),
        n_photos=n,
        n_raters=m,
        caution=f"only {n} photos: the p-value is rough" if n < FEW_PHOTOS else "",
    )


def complete(grades: Floats) -> Floats:
    """Return the photos that every rater graded."""
    grades = np.asarray(grades, dtype=float)
    return grades[~np.isnan(grades).any(axis=1)]


def _chance_corrected(grades: Floats, *, scale: Scale, self_pairs: bool) -> Result:
    """Return 1 - observed / expected disagreement with its interval."""
    grades = grades[(~np.isnan(grades)).sum(axis=1) >= 2]
    n = len(grades)
    if n < 2:
        return Undefined(reason=f"photos graded at least twice: {n}, at least 2 are needed")
    values = np.unique(grades[~np.isnan(grades)])
    if len(values) < 2:
        return Undefined(reason="all grades are the same, so agreement by chance is complete")
    counts = (grades[:, :, None] == values).sum(axis=1).astype(float)
    measure = _Disagreement(counts=counts, values=values, scale=scale, self_pairs=self_pairs)
    whole = np.ones((1, n))
    observed, expected = (float(part[0]) for part in measure.totals(whole))
    value = 1 - observed / expected
    if observed <= 1e-12 * expected:
        # At worst, the photos that cannot be ruled out hold grades as far apart as can be.
        apart = measure.farthest() * counts.sum() / expected
        return Estimate(value=1.0, low=max(1 - not_ruled_out(n) * apart, -1.0), high=1.0)
    without_one = measure.statistic(1 - np.eye(n))
    error = np.sqrt((n - 1) / n * np.sum((without_one - without_one.mean()) ** 2))
    return _with_error(value, float(error), n)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Disagreement:
    """Disagreement within photos, and expected by chance, for any weights of the photos.

    The ordinal scale is the interval scale on mid-ranks: Krippendorff's ordinal difference is the
    squared difference of those.
    """

    counts: Floats
    values: Floats
    scale: Scale
    self_pairs: bool

    def scores(self, weights: Floats) -> Floats:
        """Return each value's place, shape (n_weights, n_values)."""
        if self.scale == "ordinal":
            totals = weights @ self.counts
            return np.cumsum(totals, axis=1) - totals / 2
        return np.broadcast_to(self.values - self.values.mean(), (len(weights), len(self.values)))

    def farthest(self) -> float:
        """Return the difference between the two values farthest apart."""
        if self.scale == "nominal":
            return 1.0
        return float(np.ptp(self.scores(np.ones((1, len(self.counts)))))) ** 2

    def totals(self, weights: Floats) -> tuple[Floats, Floats]:
        """Return the observed and the expected disagreement, summed over grades."""
        counts, in_photo = self.counts, self.counts.sum(axis=1)
        totals = weights @ counts
        n = totals.sum(axis=1)
        pairs = n if self.self_pairs else n - 1
        if self.scale == "nominal":
            apart = (in_photo**2 - (counts**2).sum(axis=1)) / (in_photo - 1)
            return weights @ apart, (n**2 - (totals**2).sum(axis=1)) / pairs
        scores = self.scores(weights)
        within = scores**2 @ counts.T - (scores @ counts.T) ** 2 / in_photo
        observed = (weights * within) @ (2 * in_photo / (in_photo - 1))
        spread = np.sum(totals * scores**2, axis=1) - np.sum(totals * scores, axis=1) ** 2 / n
        return observed, 2 * n / pairs * spread

    def statistic(self, weights: Floats) -> Floats:
        """Return 1 - observed / expected, nan where all grades are the same."""
        observed, expected = self.totals(weights)
        some = expected > 1e-9 * expected.max()
        return 1 - np.divide(observed, expected, out=np.full(len(weights), np.nan), where=some)


def _with_error(value: float, standard_error: float, n: int) -> Estimate:
    """Return a value between -1 and 1 with its interval: Student's t on Fisher's z.

    On simulated raters this holds the truth more often than large-sample theory or percentiles of
    photos drawn anew, which are too narrow for a few dozen photos.
    """
    if not standard_error > 1e-6 or abs(value) > 1 - 1e-9:
        caution = "the grades vary too little for an interval"
        if n < LEAST_FOR_JACKKNIFE:
            caution = f"{n} photos are too few for an interval"
        return Estimate(value=value, low=None, high=None, caution=caution)
    reach = float(stats.t.ppf(0.975, n - 1)) * standard_error / (1 - value**2)
    middle = np.arctanh(value)
    return Estimate(
        value=value, low=float(np.tanh(middle - reach)), high=float(np.tanh(middle + reach))
    )
