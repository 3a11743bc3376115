"""Raters with a known bias, spread and slips; photos that split; learning and chance."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from defectscan.rater_statistics.errors import (
    Learning,
    leans,
    learn,
    mean_estimate,
    outliers,
    rater_errors,
    splitting_photos,
)
from defectscan.rater_statistics.estimate import Estimate, Result, Undefined

Floats = NDArray[np.float64]

# Rosner 1983, Technometrics 25:165: 54 values, of which the test names the last three.
VALUES = """
-0.25 0.68 0.94 1.15 1.20 1.26 1.26 1.34 1.38 1.43 1.49 1.49 1.55 1.56 1.58 1.65 1.69 1.70 1.76 1.77
1.81 1.91 1.94 1.96 1.99 2.06 2.09 2.10 2.14 2.15 2.23 2.24 2.26 2.35 2.37 2.40 2.47 2.54 2.62 2.64
2.90 2.92 2.92 2.93 3.21 3.26 3.30 3.59 3.68 4.30 4.64 5.34 5.42 6.01
"""
ROSNER = np.array(VALUES.split(), dtype=float)


def holds(result: Result, true: float) -> bool:
    assert isinstance(result, Estimate), result
    assert result.low is not None
    assert result.high is not None
    return result.low <= true <= result.high


def test_outliers_of_rosner_1983() -> None:
    assert ROSNER[outliers(ROSNER)].tolist() == [5.34, 5.42, 6.01]
    assert outliers(ROSNER, at_least=3.5).tolist() == [53]


def test_mean_and_its_interval_are_those_of_scipy() -> None:
    found = mean_estimate(ROSNER)
    reference = stats.ttest_1samp(ROSNER, 0).confidence_interval()
    assert (found.value, found.low, found.high) == pytest.approx(
        (ROSNER.mean(), reference.low, reference.high)
    )


def simulated(rng: np.random.Generator, n: int, n_slips: int) -> tuple[Floats, Floats]:
    """Return grades and truth, percent: bias 4, spread 6, slips of 40 to 60 up or down."""
    truth = rng.uniform(20, 90, n)
    grades = truth + 4 + 6 * rng.standard_normal(n)
    slips = rng.permutation(n)[:n_slips]
    grades[slips] += rng.choice([-1, 1], n_slips) * rng.uniform(40, 60, n_slips)
    return grades, truth


def test_bias_and_spread_are_recovered_with_slips_set_apart() -> None:
    # 120 groups here; 500 groups, with the figures, in tests/benchmarks/agreement.py.
    rng = np.random.default_rng(1)
    bias, spread, named = 0, 0, 0
    values = []
    for _ in range(120):
        grades, truth = simulated(rng, 40, 2)
        found = rater_errors(grades, truth)
        large = np.flatnonzero(np.abs(grades - truth - 4) > 30)
        named += set(large.tolist()) <= set(found.slips)
        bias += holds(found.bias, 4)
        spread += holds(found.spread, 6)
        assert isinstance(found.bias, Estimate)
        assert isinstance(found.spread, Estimate)
        values.append((found.bias.value, found.spread.value))
    assert 108 <= bias <= 119
    assert 108 <= spread <= 119
    assert named == 120
    assert np.mean(values, axis=0) == pytest.approx([4, 6], abs=0.2)


def test_one_step_of_the_scale_is_no_slip() -> None:
    truth = np.arange(30.0) % 6
    grades = truth.copy()
    grades[[3, 8]] -= 1
    grades[20] -= 2
    assert rater_errors(grades, truth).slips == (3, 8, 20)
    assert rater_errors(grades, truth, step=1).slips == (20,)


def test_slips_are_named_by_the_row_they_stand_in() -> None:
    grades, truth = simulated(np.random.default_rng(0), 40, 1)
    slip = int(np.argmax(np.abs(grades - truth - 4)))
    gaps = [number for number in (0, 1, 30) if number != slip]
    grades[gaps] = np.nan
    found = rater_errors(grades, truth)
    assert found.slips == (slip,)
    assert found.n == 40 - len(gaps)


def test_few_grades_or_none_give_reasons() -> None:
    none = rater_errors(np.full(5, np.nan), np.zeros(5))
    assert isinstance(none.bias, Undefined)
    assert isinstance(none.spread, Undefined)
    assert isinstance(none.slip_share, Undefined)
    exact = rater_errors(np.arange(4.0), np.arange(4.0))
    assert isinstance(exact.bias, Estimate)
    assert (exact.bias.value, exact.bias.low) == (0, None)
    assert exact.bias.caution


def test_a_rater_without_spread_has_a_bias_that_steps_not_seen_yet_leave_open() -> None:
    truth = np.arange(60.0) % 6
    # One photo in sixty off by a step would be missed by 60 of them as often as 1 - 0.025^(1/60).
    share = 1 - 0.025 ** (1 / 60)
    for off in (0.0, 1.0):
        bias = rater_errors(truth + off, truth, step=1).bias
        assert isinstance(bias, Estimate)
        assert (bias.value, bias.low, bias.high) == pytest.approx((off, off - share, off + share))
    # Nor is one surer for an error, and with many errors Student's t is as it was.
    slip = truth.copy()
    slip[3] += 1
    bias = rater_errors(slip, truth, step=1).bias
    assert isinstance(bias, Estimate)
    assert bias.high == pytest.approx(1 / 60 + share)
    many = truth + np.random.default_rng(0).integers(-1, 2, 60)
    assert rater_errors(many, truth, step=1).bias == mean_estimate(many - truth)


def test_a_lean_in_one_paint_is_found_and_chance_is_not() -> None:
    rng = np.random.default_rng(6)
    paints = ["black", "silver", "white"] * 20
    false = found = 0
    for _ in range(60):
        errors = rng.normal(3, 5, 60)
        false += any(not holds(lean.difference, 0) for lean in leans(errors, paints))
        errors[2::3] += 8
        by_name = {lean.group: lean for lean in leans(errors, paints)}
        found += holds(by_name["white"].difference, 8) and not holds(by_name["white"].difference, 0)
        assert by_name["white"].n == 20
    assert false <= 7
    assert found >= 54
    alone = leans(np.array([1.0, 2, 3]), ["black"] * 3)
    assert isinstance(alone[0].difference, Undefined)


def test_photos_that_split_the_group_are_found_and_others_are_not() -> None:
    rng = np.random.default_rng(7)
    false = 0
    for _ in range(40):
        grades = rng.normal(50, 15, (24, 1)) + np.array([0, 8, -8, 3]) + rng.normal(0, 4, (24, 4))
        grades[rng.random(grades.shape) < 0.05] = np.nan
        false += len(splitting_photos(grades)) > 0
        grades[5] = [90, 20, 80, 15]
        found = splitting_photos(grades)
        assert found[0].photo == 5
        assert found[0].p_value < 0.001
        assert (found[0].residual[[0, 2]] > 0).all()
        assert (found[0].residual[[1, 3]] < 0).all()
    assert false <= 5


def test_grades_one_step_apart_split_nobody() -> None:
    grades = np.tile(np.arange(12.0)[:, None] % 6, 3)
    grades[4, 0] += 1
    assert [split.photo for split in splitting_photos(grades)] == [4]
    assert not splitting_photos(grades, step=1)
    assert not splitting_photos(np.full((4, 3), 2.0))
    assert not splitting_photos(np.full((4, 3), np.nan))
    assert not splitting_photos(np.arange(5.0)[:, None])


def sessions_of(rng: np.random.Generator, spreads: Floats) -> tuple[Floats, Floats]:
    """Return errors of 20 grades a session, with good and bad days."""
    numbers = np.repeat(np.arange(len(spreads), dtype=float), 20)
    days = np.exp(0.15 * rng.standard_normal(len(spreads)))
    return np.repeat(spreads * days, 20) * rng.standard_normal(len(numbers)), numbers


def test_learning_is_proven_and_chance_is_not_called_learning() -> None:
    rng = np.random.default_rng(9)
    proven = lucky = held = 0
    for _ in range(200):
        better = learn(*sessions_of(rng, np.linspace(14, 3, 10)))
        same = learn(*sessions_of(rng, np.full(10, 8.0)))
        assert isinstance(better, Learning)
        assert isinstance(same, Learning)
        proven += better.proven
        lucky += same.proven
        held += holds(same.change, 0)
    assert proven >= 190
    assert lucky <= 10
    assert 180 <= held <= 198


def test_learning_needs_sessions() -> None:
    two = learn(np.array([9.0, 8, 1, 1]), np.array([1.0, 1, 2, 2]))
    assert isinstance(two, Undefined)
    assert two.reason.startswith("sessions with known values: 2")
    steady = learn(np.ones(6), np.array([1.0, 1, 2, 2, 3, 3]))
    assert isinstance(steady, Learning)
    assert not steady.proven
    assert steady.change.caution
    assert steady.mean_error == (1, 1, 1)
