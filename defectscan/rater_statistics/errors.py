"""Each rater against the truth, photos that split the group, and learning over sessions."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from defectscan.rater_statistics.estimate import Estimate, Result, Undefined, not_ruled_out
from defectscan.rater_statistics.reliability import NO_SPREAD, sd_estimate

Floats = NDArray[Any]

# A test for slips needs a good many grades: Rosner 1983 gives 25 as safe, 15 as fair.
LEAST_FOR_SLIPS = 15
LEAST_SESSIONS = 3
CHANCE = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class RaterErrors:
    """One rater against the truth; errors are grade minus truth.

    Attributes
    ----------
    bias
        Mean error, slips apart, for a slip is no habit: above nought, the rater gives more than
        is true.
    bias_with_slips
        Mean error of all grades; the same where there are no slips.
    spread
        Standard deviation of the errors, slips apart.
    slips
        Which photos got a grade far from what this rater else does.
    slip_share
        Share of grades that are slips; undefined where there are too few grades to look for them.
    n
        Number of grades with a truth.
    """

    bias: Result
    bias_with_slips: Result
    spread: Result
    slips: tuple[int, ...]
    slip_share: Result
    n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Lean:
    """How a rater's errors in one group of photos differ from those in the others.

    Attributes
    ----------
    group
        Its name.
    difference
        Mean error in the group minus mean error elsewhere. The interval is widened for the number
        of groups looked at, so that one of many is not taken for more than chance.
    n
        Grades in the group.
    by_truth
        Whether the groups were made by the truth itself. The ends of a scale then pull the errors
        of scattered grades apart without any habit.
    """

    group: str
    difference: Result
    n: int
    by_truth: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Split:
    """A photo that the raters saw more differently than photos usually are.

    Attributes
    ----------
    photo
        Its row.
    residual
        Shape (n_raters,): grade minus what this photo and this rater's habit would give; nan
        where missing.
    p_value
        How likely that is by chance, allowing for the number of photos.
    """

    photo: int
    residual: Floats
    p_value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Learning:
    """Trend of the error over sessions.

    Attributes
    ----------
    change
        Of the mean absolute error, per unit of the session number; below nought is better.
    proven
        Whether the whole interval of the change is below nought.
    sessions
        Session numbers, rising.
    mean_error
        Mean absolute error of each session.
    """

    change: Estimate
    proven: bool
    sessions: tuple[float, ...]
    mean_error: tuple[float, ...]


def rater_errors(grades: Floats, truth: Floats, *, step: float = 0.0) -> RaterErrors:
    """Return one rater's bias and spread against the truth, with slips set apart.

    Bias has an interval from Student's t, spread one from chi-squared. Slips are found by the
    generalised extreme studentised deviate at 5 %.

    Parameters
    ----------
    grades, truth
        Shape (n_photos,), nan where missing.
    step
        Step of the scale: an error no larger than that, beside the rater's usual one, is no slip;
        and the bias is no surer than photos that are off by one step, and not seen yet, leave it.

    References
    ----------
    Rosner 1983, Technometrics 25:165.
    """
    error = np.asarray(grades, dtype=float) - np.asarray(truth, dtype=float)
    there = np.flatnonzero(~np.isnan(error))
    n = len(there)
    far = outliers(error[there], at_least=step) if n >= LEAST_FOR_SLIPS else np.array([], int)
    usual = np.delete(error[there], far)
    slip_share: Result = Undefined(
        reason=f"{n} grades: slips are looked for from {LEAST_FOR_SLIPS} on"
    )
    if n >= LEAST_FOR_SLIPS:
        interval = stats.binomtest(len(far), n).proportion_ci(method="wilson")
        slip_share = Estimate(
            value=len(far) / n, low=float(interval.low), high=float(interval.high)
        )
    few = Undefined(reason=f"grades with a known truth: {n}, at least 2 are needed")
    return RaterErrors(
        bias=mean_estimate(usual, step=step) if n >= 2 else few,
        bias_with_slips=mean_estimate(error[there], step=step) if n >= 2 else few,
        spread=sd_estimate(float(usual.std(ddof=1)), len(usual) - 1) if n >= 2 else few,
        slips=tuple(int(i) for i in there[far]),
        slip_share=slip_share,
        n=n,
    )


def outliers(values: Floats, *, at_least: float = 0.0) -> NDArray[np.int64]:
    """Return which values lie outside a normal distribution's reach, at most a fifth of them.

    Parameters
    ----------
    values
        Shape (n,), at least three.
    at_least
        Values no farther from the median than this are never outliers.

    References
    ----------
    Rosner 1983, Technometrics 25:165.
    """
    left = np.arange(len(values))
    taken: list[int] = []
    n_outliers = 0
    for step in range(1, max(1, len(values) // 5) + 1):
        n = len(left)
        distance = np.abs(values[left] - values[left].mean())
        sd = values[left].std(ddof=1)
        if n < 3 or sd <= 1e-9 * np.abs(values).max():
            break
        farthest = int(np.argmax(distance))
        t = stats.t.ppf(1 - CHANCE / (2 * n), n - 2)
        if distance[farthest] / sd > (n - 1) * t / np.sqrt((n - 2 + t**2) * n):
            n_outliers = step
        taken.append(int(left[farthest]))
        left = np.delete(left, farthest)
    found = np.array(sorted(taken[:n_outliers]), dtype=np.int64)
    return found[np.abs(values[found] - np.median(values)) > at_least * (1 + 1e-9)]


def leans(errors: Floats, groups: list[str], *, by_truth: bool = False) -> tuple[Lean, ...]:
    """Return in which groups of photos a rater errs otherwise than elsewhere.

    Intervals from Welch's t, at 95 % for all groups together (Bonferroni).

    Parameters
    ----------
    errors
        Grade minus truth, shape (n_photos,), nan where missing.
    groups
        Group of each photo, such as its paint.
    by_truth
        Whether the groups were made by the truth itself.
    """
    errors, named = np.asarray(errors, dtype=float), np.asarray(groups, dtype=object)
    names = sorted(set(groups))
    there = ~np.isnan(errors)
    n_looks = max(1, len(names) - (len(names) == 2))
    found = []
    for name in names:
        here, elsewhere = errors[there & (named == name)], errors[there & (named != name)]
        difference: Result
        if min(len(here), len(elsewhere)) < 2:
            difference = Undefined(
                reason=f"{len(here)} grades in this group, {len(elsewhere)} elsewhere: at least 2 "
                "of each are needed"
            )
        else:
            difference = _welch(here, elsewhere, level=1 - CHANCE / n_looks)
        found.append(Lean(group=name, difference=difference, n=len(here), by_truth=by_truth))
    return tuple(found)


def splitting_photos(grades: Floats, *, step: float = 0.0) -> tuple[Split, ...]:
    """Return the photos that split the group, the worst first.

    Each rater's habit of grading high or low is taken out first. A photo's disagreement is then
    held against that of all others by F, with Holm's allowance for the number of photos.

    Parameters
    ----------
    grades
        Shape (n_photos, n_raters), nan where missing.
    step
        Step of the scale: grades no farther apart than that do not split the group.
    """
    grades = np.asarray(grades, dtype=float)
    square, df, residual = _additive_fit(grades)
    candidates = []
    for photo, n_grades in enumerate((~np.isnan(grades)).sum(axis=1)):
        if n_grades < 2:
            continue
        others, others_df, _ = _additive_fit(np.delete(grades, photo, axis=0))
        if others_df < 1 or df <= others_df:
            continue
        p_value = 1.0
        if square - others > 1e-12 * square:
            p_value = 0.0
            if others > 1e-12 * square:
                ratio = (square - others) / (df - others_df) / (others / others_df)
                p_value = float(stats.f.sf(ratio, df - others_df, others_df))
        candidates.append((p_value, photo))
    found, adjusted = [], 0.0
    for rank, (p_value, photo) in enumerate(sorted(candidates)):
        adjusted = max(adjusted, min(1.0, p_value * (len(candidates) - rank)))
        if adjusted >= CHANCE:
            break
        apart = float(np.nanmax(grades[photo]) - np.nanmin(grades[photo]))
        if apart > step * (1 + 1e-9):
            found.append(Split(photo=photo, residual=residual[photo], p_value=adjusted))
    return tuple(found)


def learn(errors: Floats, sessions: Floats) -> Learning | Undefined:
    """Return the trend of the absolute error over sessions.

    The session is the unit: a good day makes all its grades good together, so that many grades
    on few days prove nothing. Interval from Student's t of the line through session means.

    Parameters
    ----------
    errors
        Grade minus truth, shape (n,), nan where missing.
    sessions
        Number of the session, or its day, of each grade, shape (n,).
    """
    errors, sessions = np.asarray(errors, dtype=float), np.asarray(sessions, dtype=float)
    there = ~np.isnan(errors)
    numbers, which = np.unique(sessions[there], return_inverse=True)
    n = len(numbers)
    if n < LEAST_SESSIONS:
        return Undefined(
            reason=f"sessions with known values: {n}, at least {LEAST_SESSIONS} are needed"
        )
    mean = np.bincount(which, np.abs(errors[there])) / np.bincount(which)
    line = stats.linregress(numbers, mean)
    half = float(stats.t.ppf(0.975, n - 2) * line.stderr)
    slope = float(line.slope)
    change = Estimate(value=slope, low=None, high=None, caution=NO_SPREAD)
    if half > 1e-9 * float(mean.max()):
        change = Estimate(value=slope, low=slope - half, high=slope + half)
    return Learning(
        change=change,
        proven=change.high is not None and change.high < 0,
        sessions=tuple(float(number) for number in numbers),
        mean_error=tuple(float(value) for value in mean),
    )


def mean_estimate(values: Floats, *, step: float = 0.0) -> Estimate:
    """Return a mean with its interval from Student's t.

    Parameters
    ----------
    values
        Shape (n,), at least two.
    step
        Of the scale, where it has steps. So many values as chance may have left out could lie one
        step off: the interval is no narrower than that, and there is one where no spread was seen.
    """
    n, mean = len(values), float(values.mean())
    half = float(stats.t.ppf(0.975, n - 1) * values.std(ddof=1) / np.sqrt(n))
    half = max(half, not_ruled_out(n) * step)
    if half <= 1e-9 * np.abs(values).max():
        return Estimate(value=mean, low=None, high=None, caution=NO_SPREAD)
    return Estimate(value=mean, low=mean - half, high=mean + half)


def _welch(here: Floats, elsewhere: Floats, *, level: float) -> Estimate:
    difference = float(here.mean() - elsewhere.mean())
    if np.ptp(here) == 0 and np.ptp(elsewhere) == 0:
        return Estimate(value=difference, low=None, high=None, caution=NO_SPREAD)
    squares = [float(values.var(ddof=1)) / len(values) for values in (here, elsewhere)]
    sizes = [len(here) - 1, len(elsewhere) - 1]
    freedom = sum(squares) ** 2 / sum(s**2 / n for s, n in zip(squares, sizes, strict=True))
    half = float(stats.t.ppf(0.5 + level / 2, freedom)) * float(np.sqrt(sum(squares)))
    return Estimate(value=difference, low=difference - half, high=difference + half)


def _additive_fit(grades: Floats) -> tuple[float, int, Floats]:
    """Fit photo plus rater; return the residual sum of squares, its freedom and the residuals."""
    photo, rater = np.nonzero(~np.isnan(grades))
    n_photos, n_raters = grades.shape
    design = np.zeros((len(photo), n_photos + n_raters))
    design[np.arange(len(photo)), photo] = 1
    design[np.arange(len(photo)), n_photos + rater] = 1
    given = grades[photo, rater]
    fit, _, rank, _ = np.linalg.lstsq(design, given)
    residual = np.full(grades.shape, np.nan)
    residual[photo, rater] = given - design @ fit
    return float(np.nansum(residual**2)), len(photo) - int(rank), residual
