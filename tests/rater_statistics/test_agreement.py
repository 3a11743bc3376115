"""Kappa, alpha and W against published examples, reference libraries and simulated raters."""

import krippendorff
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.inter_rater import fleiss_kappa as reference_fleiss

from defectscan.rater_statistics.agreement import (
    Concordance,
    Scale,
    Weights,
    cohen_kappa,
    fleiss_kappa,
    kappa_of_table,
    kendall_w,
    krippendorff_alpha,
    large_sample_error,
)
from defectscan.rater_statistics.estimate import Estimate, Result, Undefined

Floats = NDArray[np.float64]
NAN = np.nan


def defined(result: Result) -> Estimate:
    assert isinstance(result, Estimate), result
    return result


def spread_out(counts: Floats) -> Floats:
    """Return grades that give these counts per photo."""
    return np.array([np.repeat(np.arange(len(row)), row.astype(int)) for row in counts], float)


# --- Cohen --------------------------------------------------------------------------------------


# Cohen 1968, Psychol. Bull. 70:213, table 1, n = 200; as also in the manual of the R package psych.
COHEN_1968 = 200 * np.array([[0.44, 0.07, 0.09], [0.05, 0.20, 0.05], [0.01, 0.03, 0.06]])
# Fleiss, Cohen and Everitt 1969, Psychol. Bull. 72:323, n = 200; weights of agreement.
FCE_1969 = np.array([[106.0, 10, 4], [22, 28, 10], [2, 12, 6]])
FCE_WEIGHTS = np.array([[1, 0, 0.4444], [0, 1, 0.6667], [0.4444, 0.6667, 1]])
# The example printed in the SAS manual, as in the tests of statsmodels.
SAS = np.array([[0.0, 4, 1], [0, 8, 0], [0, 1, 5]])
STEPS = np.abs(np.subtract.outer(np.arange(3), np.arange(3)))
ALIKE = 1 - np.eye(3)


@pytest.mark.parametrize(
    ("table", "disagreement", "kappa", "error"),
    [
        (COHEN_1968, ALIKE, 0.492, None),
        (COHEN_1968, np.array([[0, 1, 3], [1, 0, 6], [3, 6, 0]]), 0.348, None),
        (COHEN_1968, np.array([[0, 1, 4], [1, 0, 6], [2, 2, 0]]), 0.353, None),
        (FCE_1969, ALIKE, 0.429, 0.054),
        (FCE_1969, 1 - FCE_WEIGHTS, 0.507, 0.057),
        (SAS, ALIKE, 0.4842, 0.1380),
        (SAS, STEPS, 0.4701, 0.1457),
        # Cohen 1960's coefficient on tables that are widely printed, from memory.
        (np.array([[20, 5], [10, 15]]), 1 - np.eye(2), 0.4, None),
        (np.array([[45, 15], [25, 15]]), 1 - np.eye(2), 0.130435, None),
        (np.array([[25, 35], [5, 35]]), 1 - np.eye(2), 0.259259, None),
    ],
)
def test_kappa_as_printed(
    table: Floats, disagreement: Floats, kappa: float, error: float | None
) -> None:
    estimate = defined(kappa_of_table(table, disagreement))
    assert estimate.value == pytest.approx(kappa, abs=0.5 * 10.0 ** -len(f"{kappa}"[2:]))
    if error is not None:
        digits = 4 if table is SAS else 3
        published = large_sample_error(table, disagreement)
        assert published == pytest.approx(error, abs=0.51 * 10.0**-digits)


def test_kappa_does_not_depend_on_the_scale_of_its_weights() -> None:
    once, ten = (kappa_of_table(SAS, size * STEPS) for size in (1, 10))
    assert defined(once).value == pytest.approx(defined(ten).value)
    assert defined(once).low == pytest.approx(defined(ten).low)


def test_agreement_without_exception_is_not_certainty() -> None:
    grades = np.array([0.0, 1, 2, 3, 4, 5] * 2)
    for result in (
        cohen_kappa(grades, grades),
        fleiss_kappa(np.stack([grades] * 3, axis=1)),
        krippendorff_alpha(np.stack([grades] * 3, axis=1)),
    ):
        estimate = defined(result)
        assert estimate.value == estimate.high == 1
        assert estimate.low is not None
        assert -1 <= estimate.low < 0.8
    many = defined(cohen_kappa(np.tile(grades, 20), np.tile(grades, 20)))
    assert many.low is not None
    assert many.low > 0.9


# --- Fleiss -------------------------------------------------------------------------------------

TEN_BY_FOURTEEN = np.array(
    [
        [0, 0, 0, 0, 14],
        [0, 2, 6, 4, 2],
        [0, 0, 3, 5, 6],
        [0, 3, 9, 2, 0],
        [2, 2, 8, 1, 1],
        [7, 7, 0, 0, 0],
        [3, 2, 6, 3, 0],
        [2, 5, 3, 2, 2],
        [6, 5, 2, 1, 0],
        [0, 2, 2, 3, 7],
    ]
)
# Fleiss 1971, Psychol. Bull. 76:378: 30 patients, 6 raters, 5 diagnoses.
FLEISS_1971 = """
00060 03003 01401 00006 03030 20400 00402 20310 20040 00006
10050 11040 03300 10050 02031 00501 30012 51000 02040 10203
00006 01050 02013 20040 10041 05010 40002 02040 10500 00006
"""


def test_fleiss_kappa_as_printed() -> None:
    assert defined(fleiss_kappa(spread_out(TEN_BY_FOURTEEN))).value == pytest.approx(
        0.210, abs=5e-4
    )
    counts = np.array([[int(c) for c in row] for row in FLEISS_1971.split()])
    assert counts.shape == (30, 5)
    assert (counts.sum(axis=1) == 6).all()
    assert defined(fleiss_kappa(spread_out(counts))).value == pytest.approx(0.430, abs=5e-4)


@pytest.mark.parametrize(
    ("counts", "kappa"), [([[7, 1], [3, 5]], 0.161905), ([[6, 1, 0], [0, 7, 0]], 0.708333)]
)
def test_fleiss_kappa_of_small_tables_of_the_tests_of_statsmodels(
    counts: list[list[int]], kappa: float
) -> None:
    assert defined(fleiss_kappa(spread_out(np.array(counts)))).value == pytest.approx(
        kappa, abs=1e-6
    )


# --- Krippendorff -------------------------------------------------------------------------------

# Krippendorff 2011, Computing Krippendorff's Alpha-Reliability, section E: 4 observers, 12 units.
FOUR_BY_TWELVE = np.array(
    [
        [1, 2, 3, 3, 2, 1, 4, 1, 2, NAN, NAN, NAN],
        [1, 2, 3, 3, 2, 2, 4, 1, 2, 5, NAN, 3],
        [NAN, 3, 3, 3, 2, 3, 4, 2, 2, 5, 1, NAN],
        [1, 2, 3, 3, 2, 4, 4, 1, 2, 5, 1, NAN],
    ]
).T


@pytest.mark.parametrize(
    ("scale", "alpha"), [("nominal", 0.743), ("ordinal", 0.815), ("interval", 0.849)]
)
def test_alpha_as_printed(scale: Scale, alpha: float) -> None:
    estimate = defined(krippendorff_alpha(FOUR_BY_TWELVE, scale=scale))
    assert estimate.value == pytest.approx(alpha, abs=5e-4)
    assert estimate.low is not None
    assert estimate.high is not None
    assert estimate.low < alpha < estimate.high


def test_nominal_alpha_is_fleiss_kappa_with_its_small_sample_term() -> None:
    grades = spread_out(TEN_BY_FOURTEEN)
    kappa = defined(fleiss_kappa(grades)).value
    alpha = defined(krippendorff_alpha(grades, scale="nominal")).value
    assert alpha == pytest.approx(1 - (1 - 1 / grades.size) * (1 - kappa))


# --- Kendall ------------------------------------------------------------------------------------


def test_w_without_ties_as_printed() -> None:
    # 10 projects ranked by 4 judges, a worked example of a textbook: S = 1048.
    ranks = (
        """1 2 3 4/3 1 2 2/4 4 1 3/5 5 5 1/2 6 7 6/8 3 4 7/6 8 6 5/7 7 8 9/10 10 9 8/9 9 10 10"""
    )
    grades = np.array([row.split() for row in ranks.split("/")], dtype=float)
    found = kendall_w(grades)
    assert isinstance(found, Concordance)
    assert found.w * (4**2 * (10**3 - 10)) / 12 == pytest.approx(1048)
    assert found.w == pytest.approx(0.794, abs=5e-4)
    assert found.chi_squared == pytest.approx(28.58, abs=5e-3)


def test_w_with_ties_as_printed() -> None:
    # Zar, Biostatistical Analysis, example 20.5; the measurements from memory, their rank sums as
    # printed.
    birds = np.array(
        [
            [10.4, 10.8, 11.1, 10.2, 10.3, 10.2, 10.7, 10.5, 10.8, 11.2, 10.6, 11.4],
            [7.4, 7.6, 7.9, 7.2, 7.4, 7.1, 7.4, 7.2, 7.8, 7.7, 7.8, 8.3],
            [17, 17, 20, 14.5, 15.5, 13, 19.5, 16, 21, 20, 18, 22],
        ]
    ).T
    assert stats.rankdata(birds, axis=0).sum(axis=1).tolist() == [
        14.5, 21, 30.5, 6, 11, 3.5, 20, 11.5, 29, 28.5, 22.5, 36,
    ]  # fmt: skip
    found = kendall_w(birds)
    assert isinstance(found, Concordance)
    assert found.w == pytest.approx(0.924, abs=5e-4)
    assert found.chi_squared == pytest.approx(30.496, abs=5e-4)
    assert found.p_value == pytest.approx(0.00132, abs=5e-6)
    assert not found.caution
    assert "rough" in str(kendall_w(birds[:6]))


# --- Reference libraries on random tables ---------------------------------------------------------


def random_tables() -> list[Floats]:
    """Return 200 tables: gaps, ties, one rater, one category, nothing at all."""
    rng = np.random.default_rng(11)
    tables = []
    for _ in range(200):
        n, m, k = rng.integers(1, 13), rng.integers(1, 6), rng.integers(1, 7)
        middle = rng.integers(0, k, n)[:, None]
        grades = np.clip(middle + rng.integers(-1, 2, (n, m)), 0, k - 1).astype(float)
        grades[rng.random((n, m)) < rng.choice([0, 0, 0.2, 0.6])] = NAN
        tables.append(grades)
    return tables


TABLES = random_tables()


def check(result: Result, reference: float) -> bool:
    """Return whether there is a number, which then has to be the reference's."""
    if isinstance(result, Undefined):
        assert result.reason
        return False
    assert result.value == pytest.approx(reference, abs=1e-9)
    if result.low is None or result.high is None:
        assert result.caution
    else:
        assert -1 <= result.low <= result.value <= result.high <= 1
    return True


@pytest.mark.parametrize("weights", ["none", "linear", "quadratic"])
def test_kappa_is_that_of_statsmodels(weights: Weights) -> None:
    numbers = 0
    for grades in TABLES:
        if grades.shape[1] < 2:
            continue
        first, second = grades[:, 0], grades[:, 1]
        both = ~np.isnan(first + second)
        table = np.zeros((6, 6))
        np.add.at(table, (first[both].astype(int), second[both].astype(int)), 1)
        if both.sum() < 2 or len(np.unique([first[both], second[both]])) < 2:
            assert isinstance(cohen_kappa(first, second, weights=weights), Undefined)
            continue
        with np.errstate(all="ignore"):
            reference = cohens_kappa(table, wt=None if weights == "none" else weights)
        result = defined(cohen_kappa(first, second, weights=weights))
        numbers += check(result, reference.kappa)
        if np.isfinite(reference.std_kappa):
            power = {"none": 0, "linear": 1, "quadratic": 2}[weights]
            apart = np.abs(np.subtract.outer(np.arange(6.0), np.arange(6)))
            published = large_sample_error(table, np.where(apart > 0, apart**power, 0))
            assert published == pytest.approx(reference.std_kappa, rel=1e-6, abs=1e-7)
    assert numbers > 80


def test_fleiss_kappa_is_that_of_statsmodels() -> None:
    numbers = 0
    for grades in TABLES:
        whole = grades[~np.isnan(grades).any(axis=1)]
        counts = (whole[:, :, None] == np.arange(6)).sum(axis=1)
        result = fleiss_kappa(grades)
        lacking = min(whole.shape) < 2 or np.sum(counts.sum(axis=0) > 0) < 2
        assert isinstance(result, Undefined) == lacking
        numbers += not lacking and check(result, reference_fleiss(counts))
    assert numbers > 80


@pytest.mark.parametrize("scale", ["nominal", "ordinal", "interval"])
def test_alpha_is_that_of_krippendorff(scale: Scale) -> None:
    numbers = 0
    for grades in TABLES:
        paired = grades[np.sum(~np.isnan(grades), axis=1) >= 2]
        result = krippendorff_alpha(grades, scale=scale)
        lacking = len(paired) < 2 or len(np.unique(paired[~np.isnan(paired)])) < 2
        assert isinstance(result, Undefined) == lacking
        if not lacking:
            reference = krippendorff.alpha(paired.T, level_of_measurement=scale)
            numbers += check(result, reference)
    assert numbers > 100


def test_w_is_that_of_scipy() -> None:
    numbers = 0
    for grades in TABLES:
        whole = grades[~np.isnan(grades).any(axis=1)]
        found = kendall_w(grades)
        flat = whole.size == 0 or (np.ptp(whole, axis=0) == 0).all()
        assert isinstance(found, Undefined) == (min(whole.shape) < 2 or bool(flat))
        if isinstance(found, Concordance) and len(whole) >= 3:
            reference = stats.friedmanchisquare(*whole)
            assert found.chi_squared == pytest.approx(reference.statistic, abs=1e-9)
            assert found.p_value == pytest.approx(reference.pvalue)
            numbers += 1
    assert numbers > 60


# --- Simulated raters ---------------------------------------------------------------------------


def simulated(rng: np.random.Generator, n: int) -> Floats:
    """Return grades of three raters with a bias each, spread, and one slip in twenty."""
    truth = rng.uniform(0, 5, n)[:, None]
    grades = truth + np.array([0, 0.3, -0.3]) + 0.7 * rng.standard_normal((n, 3))
    grades = np.where(rng.random((n, 3)) < 0.05, rng.uniform(0, 5, (n, 3)), grades)
    return np.clip(np.round(grades), 0, 5)


def test_intervals_hold_what_a_great_many_photos_give() -> None:
    # 120 groups here; 500 groups, with the figures, in tests/benchmarks/agreement.py.
    rng = np.random.default_rng(5)
    many = simulated(rng, 40_000)
    true_kappa = defined(cohen_kappa(many[:, 0], many[:, 1])).value
    true_fleiss = defined(fleiss_kappa(many[:2000])).value
    hits = np.zeros(2)
    for _ in range(120):
        grades = simulated(rng, 30)
        pairs = (
            (cohen_kappa(grades[:, 0], grades[:, 1]), true_kappa),
            (fleiss_kappa(grades), true_fleiss),
        )
        for place, (result, true) in enumerate(pairs):
            estimate = defined(result)
            assert estimate.low is not None
            assert estimate.high is not None
            hits[place] += estimate.low <= true <= estimate.high
    assert (hits / 120 > 0.87).all(), hits


def test_the_interval_of_fleiss_kappa_holds_the_truth_of_few_photos() -> None:
    # Of 4000 groups it holds it in 93 %; about kappa itself, which reads low, it would in 89 %.
    rng = np.random.default_rng(6)
    true = defined(fleiss_kappa(rough(rng, 2000))).value
    trials, held, with_interval = 1000, 0, 0
    for _ in range(trials):
        found = fleiss_kappa(rough(rng, 5))
        if isinstance(found, Estimate) and found.low is not None and found.high is not None:
            with_interval += 1
            held += found.low <= true <= found.high
            assert found.low <= found.value <= found.high
    assert with_interval > 0.9 * trials
    assert held / with_interval > 0.92


def rough(rng: np.random.Generator, n: int) -> Floats:
    """Return grades of three raters who are a grade off as often as not."""
    truth = rng.integers(0, 6, n)[:, None]
    return np.clip(np.round(truth + rng.normal(0, 1.0, (n, 3))), 0, 5)


def test_two_photos_are_too_few_for_an_interval() -> None:
    found = defined(krippendorff_alpha(np.array([[1.0, 2], [4, 4]])))
    assert (found.low, found.caution) == (None, "2 photos are too few for an interval")
