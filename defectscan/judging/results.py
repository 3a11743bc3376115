"""What grades say: each rater and the group, by the statistics of `workshop`."""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from defectscan.judging.limits import JudgingLimits, meets_least, stays_within
from defectscan.judging.scale import SPANS, Scale
from defectscan.judging.table import GradeTable
from defectscan.rater_statistics.agreement import (
    Concordance,
    cohen_kappa,
    complete,
    fleiss_kappa,
    kendall_w,
    krippendorff_alpha,
)
from defectscan.rater_statistics.errors import (
    Lean,
    Learning,
    RaterErrors,
    Split,
    leans,
    learn,
    mean_estimate,
    rater_errors,
    splitting_photos,
)
from defectscan.rater_statistics.estimate import Estimate, Result, Undefined
from defectscan.rater_statistics.gauge import GaugeStudy, study_gauge
from defectscan.rater_statistics.reliability import (
    IntraclassCorrelation,
    LimitsOfAgreement,
    Repeatability,
    intraclass_correlation,
    limits_of_agreement,
    repeatability,
)

Floats = NDArray[Any]
Answer = Literal["yes", "not yet", "not known"]

NOT_PERCENT = Undefined(reason="kappa is for grades; percentages have the intraclass correlation")
ONE_RATER = Undefined(reason="there is one rater")


@dataclass(frozen=True, slots=True, kw_only=True)
class RaterResult:
    """One rater.

    Attributes
    ----------
    rater
        Name.
    n_grades, n_sessions
        What was counted.
    self_kappa, days_kappa, truth_kappa, others_kappa
        Quadratically weighted kappa with oneself (second showings), with oneself from one session
        to the next, with the true or measured value, and with the median of the other raters.
    truth_icc
        Absolute agreement of one reading with the value.
    repeatability
        Spread of one's own second showings.
    errors
        Bias and spread against the value by the last grades, slips apart.
    limits
        Of agreement with the value.
    leans
        Groups of photos in which this rater errs otherwise.
    worst
        Rows of the photos farthest from the value, or from the others where there is none.
    learning
        Over sessions.
    answer
        Whether this rater judges as is wanted.
    reasons
        For the answer, a clause each.
    """

    rater: str
    n_grades: int
    n_sessions: int
    self_kappa: Result
    days_kappa: Result
    truth_kappa: Result
    others_kappa: Result
    truth_icc: Result
    repeatability: Repeatability | Undefined
    errors: RaterErrors
    limits: LimitsOfAgreement | Undefined
    leans: tuple[Lean, ...]
    worst: tuple[int, ...]
    learning: Learning | Undefined
    answer: Answer
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GroupResult:
    """The group.

    Attributes
    ----------
    table
        What was graded.
    raters
        Each rater.
    alpha, fleiss, icc, concordance
        Agreement of all; `alpha` takes grades as an order, percentages as amounts.
    gauge
        Of percentages: repeatability and reproducibility from photos shown twice.
    bias
        Of the mean of all raters against the value, slips apart.
    splits
        Photos that split the group.
    answer, reasons
        Whether the group judges alike as is wanted, and why.
    """

    table: GradeTable
    raters: tuple[RaterResult, ...]
    alpha: Result
    fleiss: Result
    icc: IntraclassCorrelation | Undefined
    concordance: Concordance | Undefined
    gauge: GaugeStudy | Undefined
    bias: Result
    splits: tuple[Split, ...]
    answer: Answer
    reasons: tuple[str, ...]


def study(table: GradeTable, limits: JudgingLimits, rng: np.random.Generator) -> GroupResult:
    """Work out what grades say of each rater and of the group.

    Raters are held against each other by the last grade that each gave a photo at its first
    showing; with oneself by second showings of all sessions.

    Parameters
    ----------
    table
        From `lay_out`.
    limits
        What is wanted.
    rng
        Source of randomness for the gauge study's intervals.
    """
    grades = table.last()
    quantity = table.scale is Scale.QUANTITY
    single = len(table.raters) < 2
    alpha = (
        ONE_RATER
        if single
        else krippendorff_alpha(grades, scale="ordinal" if quantity else "interval")
    )
    icc = intraclass_correlation(grades)
    gauge: GaugeStudy | Undefined = Undefined(reason="a gauge study is for percentages")
    if not quantity:
        gauge = study_gauge(table.gauge(), rng) if not single else ONE_RATER
    answer, reasons = _group_answer(alpha, icc, limits, quantity=quantity)
    raters = tuple(_rater(table, grades, i, limits) for i in range(len(table.raters)))
    return GroupResult(
        table=table,
        raters=raters,
        alpha=alpha,
        fleiss=(fleiss_kappa(grades) if not single else ONE_RATER) if quantity else NOT_PERCENT,
        icc=icc,
        concordance=kendall_w(grades) if not single else ONE_RATER,
        gauge=gauge,
        bias=_group_bias(table, grades, raters),
        splits=splitting_photos(grades, step=SPANS[table.scale].step) if not single else (),
        answer=answer,
        reasons=reasons,
    )


def _group_bias(table: GradeTable, grades: Floats, raters: tuple[RaterResult, ...]) -> Result:
    """Return the mean error of the raters' mean, each rater's slips set apart."""
    usual = grades.copy()
    for i, one in enumerate(raters):
        usual[list(one.errors.slips), i] = np.nan
    mean = _row_means(usual) - table.truth
    mean = mean[~np.isnan(mean)]
    if len(mean) < 2:
        return Undefined(reason="fewer than 2 photos have a value")
    return mean_estimate(mean, step=SPANS[table.scale].step)


def _rater(table: GradeTable, grades: Floats, rater: int, limits: JudgingLimits) -> RaterResult:
    own = grades[:, rater]
    quantity = table.scale is Scale.QUANTITY
    repeats = table.repeats(rater)
    others = _row_medians(np.delete(grades, rater, axis=1))
    errors, sessions = table.errors(rater)
    truth_kappa: Result = NOT_PERCENT
    self_kappa: Result = NOT_PERCENT
    days_kappa: Result = NOT_PERCENT
    others_kappa: Result = NOT_PERCENT
    if quantity:
        truth_kappa = cohen_kappa(own, table.truth)
        self_kappa = cohen_kappa(repeats[:, 0], repeats[:, 1])
        days = table.from_session_to_session(rater)
        days_kappa = cohen_kappa(days[:, 0], days[:, 1])
        others_kappa = cohen_kappa(own, others) if len(table.raters) > 1 else ONE_RATER
    both = complete(np.column_stack([own, table.truth]))
    icc = intraclass_correlation(both)
    truth_icc: Result = icc if isinstance(icc, Undefined) else icc.agreement
    if len(both) < 2:
        truth_icc = Undefined(
            reason=f"photos with a grade and a value: {len(both)}, at least 2 are needed"
        )
        truth_kappa = truth_icc if quantity else NOT_PERCENT
    found = rater_errors(own, table.truth, step=SPANS[table.scale].step)
    answer, reasons = _rater_answer(
        truth_kappa if quantity else truth_icc, found, limits, quantity=quantity
    )
    return RaterResult(
        rater=table.raters[rater],
        n_grades=int(sum((~np.isnan(one.readings)).sum() for one in table.of(rater))),
        n_sessions=len(table.of(rater)),
        self_kappa=self_kappa,
        days_kappa=days_kappa,
        truth_kappa=truth_kappa,
        others_kappa=others_kappa,
        truth_icc=truth_icc,
        repeatability=repeatability(repeats),
        errors=found,
        limits=limits_of_agreement(own, table.truth),
        leans=_leans(table, own),
        worst=_worst(own, table.truth, others),
        learning=learn(errors, sessions),
        answer=answer,
        reasons=reasons,
    )


def _leans(table: GradeTable, own: Floats) -> tuple[Lean, ...]:
    found: list[Lean] = []
    for sort in ("paint", "amount"):
        named = [photo.groups.get(sort, "") for photo in table.photos]
        known = [i for i, name in enumerate(named) if name]
        if len({named[i] for i in known}) > 1:
            found += leans(
                (own - table.truth)[known],
                [named[i] for i in known],
                by_truth=sort == "amount",
            )
    return tuple(found)


def _worst(own: Floats, truth: Floats, others: Floats) -> tuple[int, ...]:
    """Return up to two photos farthest off, the worst first."""
    off = np.abs(own - np.where(np.isnan(truth), others, truth))
    rows = [i for i in np.argsort(-np.nan_to_num(off, nan=-1.0), kind="stable") if off[i] > 0]
    return tuple(int(i) for i in rows[:2])


def _rater_answer(
    agreement: Result, errors: RaterErrors, limits: JudgingLimits, *, quantity: bool
) -> tuple[Answer, tuple[str, ...]]:
    least, largest = (
        (limits.kappa, limits.bias_grade) if quantity else (limits.icc, limits.bias_percent)
    )
    what = "weighted kappa" if quantity else "intraclass correlation"
    unit = "of a grade" if quantity else "points"
    within = f"within ±{largest.value:g} {unit} ({largest.source})"
    tests = [
        (
            agreement,
            meets_least(agreement, least),
            f"agreement with the values ({what}) of at least {least.value:g} ({least.source})",
        ),
        (
            errors.bias,
            stays_within(errors.bias, largest),
            f"a mean error{', slips apart,' if errors.slips else ''} {within}",
        ),
    ]
    if errors.slips:
        # Far grades that all go one way may be a blind spot: leaving them out must not decide.
        met = stays_within(errors.bias_with_slips, largest)
        tests.append((errors.bias_with_slips, met, f"a mean error, slips counted, {within}"))
    return _together(tests)


def _group_answer(
    alpha: Result,
    icc: IntraclassCorrelation | Undefined,
    limits: JudgingLimits,
    *,
    quantity: bool,
) -> tuple[Answer, tuple[str, ...]]:
    if quantity:
        wanted = f"Krippendorff's alpha of at least {limits.alpha.value:g} ({limits.alpha.source})"
        return _together([(alpha, meets_least(alpha, limits.alpha), wanted)])
    agreement: Result = icc if isinstance(icc, Undefined) else icc.agreement
    wanted = f"an intraclass correlation of at least {limits.icc.value:g} ({limits.icc.source})"
    return _together([(agreement, meets_least(agreement, limits.icc), wanted)])


def _together(tests: list[tuple[Result, bool | None, str]]) -> tuple[Answer, tuple[str, ...]]:
    reasons = tuple(f"{what}: {said(result, met)}" for result, met, what in tests)
    mets = [met for _, met, _ in tests]
    if all(met is True for met in mets):
        return "yes", reasons
    return ("not yet" if False in mets else "not known"), reasons


def said(result: Result, met: bool | None, *, few: str = "grades") -> str:
    """Say whether a statistic meets what is wanted, or why that is not known.

    Parameters
    ----------
    result, met
        The statistic, and whether it does.
    few
        Of what there are too few where its interval settles nothing.
    """
    if met is not None:
        return "shown" if met else "not reached"
    if isinstance(result, Undefined):
        return f"not known, {result.reason}"
    if result.low is None:
        return f"not known, {result.caution}"
    return f"not settled by so few {few}"


def _row_means(grades: Floats) -> Floats:
    n = (~np.isnan(grades)).sum(axis=1)
    return np.divide(np.nansum(grades, axis=1), n, out=np.full(len(n), np.nan), where=n > 0)


def _row_medians(grades: Floats) -> Floats:
    found = np.full(len(grades), np.nan)
    some = (~np.isnan(grades)).any(axis=1)
    if some.any():
        found[some] = np.nanmedian(grades[some], axis=1)
    return found


def value_of(result: Result) -> float | None:
    """Return a statistic's value; `None` where it is undefined."""
    return result.value if isinstance(result, Estimate) else None
