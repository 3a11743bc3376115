"""Intraclass correlation, limits of agreement and repeatability against published examples."""

import warnings
from io import StringIO

import numpy as np
import pandas as pd
import pingouin
import pytest
from numpy.typing import NDArray

from defectscan.rater_statistics.estimate import Estimate, Result, Undefined
from defectscan.rater_statistics.reliability import (
    IntraclassCorrelation,
    LimitsOfAgreement,
    Repeatability,
    intraclass_correlation,
    limits_of_agreement,
    repeatability,
)

Floats = NDArray[np.float64]
FORMS = (
    "one_way", "agreement", "consistency", "one_way_mean", "agreement_mean", "consistency_mean",
)  # fmt: skip

# Shrout and Fleiss 1979, Psychol. Bull. 86:420, table 2: 6 targets, 4 judges.
SHROUT_FLEISS = np.array(
    [[9.0, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
)


def correlations(grades: Floats) -> list[Result]:
    found = intraclass_correlation(grades)
    assert isinstance(found, IntraclassCorrelation)
    return [getattr(found, form) for form in FORMS]


def test_six_forms_of_shrout_and_fleiss_as_printed() -> None:
    printed = [0.17, 0.29, 0.71, 0.44, 0.62, 0.91]
    # Intervals: pingouin 0.6.1 gives the same.
    ends = [
        (-0.132932, 0.722560),
        (0.018787, 0.761084),
        (0.342465, 0.945858),
        (-0.884442, 0.912415),
        (0.07, 0.93),
        (0.675675, 0.985892),
    ]
    for result, value, (low, high) in zip(correlations(SHROUT_FLEISS), printed, ends, strict=True):
        assert isinstance(result, Estimate)
        assert result.value == pytest.approx(value, abs=5e-3)
        tolerance = 5e-3 if low == 0.07 else 1e-6
        assert (result.low, result.high) == pytest.approx((low, high), abs=tolerance)


def test_wines_of_pingouin() -> None:
    wines = np.array(
        [
            [1.0, 1, 3, 6, 6, 7, 8, 9],
            [2, 3, 8, 4, 5, 5, 7, 9],
            [0, 3, 1, 3, 5, 6, 7, 9],
            [1, 2, 4, 3, 6, 2, 9, 8],
        ]
    ).T
    values = [r.value for r in correlations(wines) if isinstance(r, Estimate)]
    assert values == pytest.approx([0.7275, 0.7277, 0.7295, 0.9144, 0.9145, 0.9152], abs=5e-5)


def test_correlations_are_those_of_pingouin_on_random_tables() -> None:
    rng = np.random.default_rng(4)
    numbers = 0
    for case in range(200):
        n, k = rng.integers(1, 13), rng.integers(1, 6)
        grades = np.round(rng.normal(0, rng.choice([0, 1, 3]), (n, 1)) + rng.normal(0, 1, (n, k)))
        if case % 10 == 0:
            grades[:] = 3
        if case % 3 == 0:
            grades[rng.random((n, k)) < 0.1] = np.nan
        whole = grades[~np.isnan(grades).any(axis=1)]
        found = intraclass_correlation(grades)
        if min(whole.shape) < 2:
            assert isinstance(found, Undefined)
            assert found.reason
            continue
        assert isinstance(found, IntraclassCorrelation)
        assert (found.n_photos, found.n_raters) == whole.shape
        if np.ptp(whole) == 0:
            assert all(isinstance(getattr(found, form), Undefined) for form in FORMS)
            continue
        # The reference takes no table of fewer than five grades.
        if whole.size >= 5:
            numbers += compare_with_pingouin(found, whole)
    assert numbers > 100


def compare_with_pingouin(found: IntraclassCorrelation, grades: Floats) -> bool:
    """Return whether all six forms have a number; where they have, it has to be pingouin's."""
    n, k = grades.shape
    photo, rater = np.indices(grades.shape)
    table = pd.DataFrame({"photo": photo.ravel(), "rater": rater.ravel(), "grade": grades.ravel()})
    with np.errstate(all="ignore"), warnings.catch_warnings():
        # The reference uses what its own table library deprecates.
        warnings.simplefilter("ignore")
        reference = pingouin.intraclass_corr(table, "photo", "rater", "grade")
    whole = True
    for form, value, interval in zip(FORMS, reference["ICC"], reference["CI95"], strict=True):
        result = getattr(found, form)
        if isinstance(result, Undefined):
            assert result.reason
            whole = False
            continue
        assert np.isfinite(result.value)
        assert result.value == pytest.approx(value, abs=1e-9), (form, n, k)
        if result.low is None:
            assert result.caution
            whole = False
        else:
            assert (result.low, result.high) == pytest.approx(tuple(interval), abs=0.006)
            assert result.low <= result.value <= result.high
    return whole


@pytest.mark.parametrize("grades", [[[0, 5, 4], [5, 0, 5]], [[3, 5, 0], [5, 1, 1], [1, 5, 2]]])
def test_raters_who_contradict_on_few_photos_leave_no_interval(grades: list[list[int]]) -> None:
    found = intraclass_correlation(np.array(grades, dtype=float))
    assert isinstance(found, IntraclassCorrelation)
    agreement = found.agreement
    assert isinstance(agreement, Estimate)
    assert agreement.value < 0
    assert agreement.low is agreement.high is None
    assert "too few" in agreement.caution


def test_no_spread_gives_a_reason_and_not_nought_by_nought() -> None:
    same = intraclass_correlation(np.full((5, 3), 2.0))
    assert isinstance(same, IntraclassCorrelation)
    assert all(isinstance(getattr(same, form), Undefined) for form in FORMS)
    perfect = correlations(np.arange(5.0)[:, None] + np.zeros(3))
    assert all(isinstance(r, Estimate) and r.value == 1 and r.low is None for r in perfect)
    shifted = correlations(np.arange(5.0)[:, None] + np.array([0.0, 1, 2]))
    consistency, agreement = shifted[2], shifted[1]
    assert isinstance(consistency, Estimate)
    assert isinstance(agreement, Estimate)
    assert consistency.value == 1
    assert agreement.value == pytest.approx(2.5 / 3.5)
    assert agreement.low is not None
    flat = correlations(np.array([[1.0, 2], [2, 1], [1, 2], [2, 1]]))
    assert isinstance(flat[3], Undefined)


# Bland and Altman 1986, Lancet i:307: peak flow of 17 subjects, two meters, two readings each.
PEAK_FLOW = """
494 395 516 434 476 557 413 442 650 433 417 656 267 478 178 423 427
490 397 512 401 470 611 415 431 638 429 420 633 275 492 165 372 421
512 430 520 428 500 600 364 380 658 445 432 626 260 477 259 350 451
525 415 508 444 500 625 460 390 642 432 420 605 227 467 268 370 443
"""
WRIGHT, MINI = np.loadtxt(StringIO(PEAK_FLOW)).reshape(2, 2, 17)


def test_limits_of_agreement_as_printed() -> None:
    # The paper has two standard deviations and the standard deviation cut to 38.8.
    found = limits_of_agreement(WRIGHT[0], MINI[0], limits_sd=2.0)
    assert isinstance(found, LimitsOfAgreement)
    assert found.n == 17
    assert found.bias.value == pytest.approx(-2.1, abs=0.05)
    assert found.sd == pytest.approx(38.8, abs=0.05)
    assert found.lower.value == pytest.approx(-79.7, abs=0.1)
    assert found.upper.value == pytest.approx(75.5, abs=0.1)
    assert (found.bias.low, found.bias.high) == pytest.approx((-22.0, 17.8), abs=0.05)
    assert (found.lower.low, found.lower.high) == pytest.approx((-114.3, -45.1), abs=0.15)
    # In closed form, apart from this code.
    assert (found.lower.low, found.lower.high) == pytest.approx((-114.169742, -45.126072))
    assert (found.upper.low, found.upper.high) == pytest.approx((40.890778, 109.934447))
    usual = limits_of_agreement(WRIGHT[0], MINI[0])
    assert isinstance(usual, LimitsOfAgreement)
    assert (usual.lower.value, usual.upper.value) == pytest.approx((-78.097302, 73.862007))


@pytest.mark.parametrize(
    ("readings", "sd", "printed"), [(WRIGHT, 15.306669, 43.2), (MINI, 19.910831, 56.4)]
)
def test_repeatability_as_printed(readings: Floats, sd: float, printed: float) -> None:
    found = repeatability(readings.T)
    assert isinstance(found, Repeatability)
    assert found.degrees_of_freedom == 17
    assert found.sd.value == pytest.approx(sd)
    # The paper's coefficient: twice the rms difference, which it cut before it doubled it.
    assert 2 * np.sqrt(2) * found.sd.value == pytest.approx(printed, abs=0.1)
    assert found.limit.value == pytest.approx(1.959964 * np.sqrt(2) * sd)


def test_repeats_may_be_missing() -> None:
    found = repeatability(np.array([[1.0, 3, np.nan], [5, 5, 5], [np.nan, 7, np.nan]]))
    assert isinstance(found, Repeatability)
    assert found.degrees_of_freedom == 3
    assert found.sd.value == pytest.approx(np.sqrt(2 / 3))
    nothing = repeatability(np.array([[1.0, np.nan]]))
    assert isinstance(nothing, Undefined)
    assert "twice" in nothing.reason


def test_nothing_is_made_of_one_pair_or_of_no_spread() -> None:
    assert isinstance(limits_of_agreement(np.array([1.0]), np.array([2.0])), Undefined)
    found = limits_of_agreement(np.array([0.1, 0.2, 0.3]), np.array([0.0, 0.1, 0.2]))
    assert isinstance(found, LimitsOfAgreement)
    assert found.bias.value == pytest.approx(0.1)
    assert found.bias.low is None
    assert found.bias.caution
    same = repeatability(np.array([[1.1, 1.1], [2.2, 2.2]]))
    assert isinstance(same, Repeatability)
    assert (same.sd.value, same.sd.low) == (0, None)


def test_intervals_hold_the_truth() -> None:
    # 200 groups here; 500 groups, with the figures, in tests/benchmarks/agreement.py.
    rng = np.random.default_rng(8)
    hits: dict[str, int] = {}
    for _ in range(200):
        grades = rng.normal(50, 10, (30, 1)) + rng.normal(0, 4, 4) + rng.normal(0, 6, (30, 4))
        found = intraclass_correlation(grades)
        assert isinstance(found, IntraclassCorrelation)
        truth = {"agreement": 100 / 152, "consistency": 100 / 136, "agreement_mean": 400 / 452}
        for form, true in truth.items():
            result = getattr(found, form)
            hits[form] = hits.get(form, 0) + (result.low <= true <= result.high)
        pair = limits_of_agreement(rng.normal(3, 5, 30), np.zeros(30))
        assert isinstance(pair, LimitsOfAgreement)
        for name, true in {"bias": 3, "lower": 3 - 9.8, "upper": 3 + 9.8}.items():
            end = getattr(pair, name)
            hits[name] = hits.get(name, 0) + (end.low <= true <= end.high)
    assert {name for name in hits if not 0.9 <= hits[name] / 200 <= 0.99} == set(), hits
