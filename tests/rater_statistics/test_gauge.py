"""The gauge study against its published example, statsmodels and simulated appraisers."""

from io import StringIO
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from defectscan.rater_statistics import gauge
from defectscan.rater_statistics.estimate import GAUGE_LIMITS_PERCENT, Estimate, Undefined, judge
from defectscan.rater_statistics.gauge import GaugeStudy, study_gauge

Floats = NDArray[np.float64]

# The 10 x 3 x 3 study of Measurement Systems Analysis, 4th edition: appraisers A, B, C; parts 1 to
# 10 of three trials each.
STUDY = """
.29 .41 .64 -.56 -.68 -.58 1.34 1.17 1.27 .47 .50 .64 -.80 -.92 -.84
.02 -.11 -.21 .59 .75 .66 -.31 -.20 -.17 2.26 1.99 2.01 -1.36 -1.25 -1.31
.08 .25 .07 -.47 -1.22 -.68 1.19 .94 1.34 .01 1.03 .20 -.56 -1.20 -1.28
-.20 .22 .06 .47 .55 .83 -.63 .08 -.34 1.80 2.12 2.19 -1.68 -1.62 -1.50
.04 -.11 -.15 -1.38 -1.13 -.96 .88 1.09 .67 .14 .20 .11 -1.46 -1.07 -1.45
-.29 -.67 -.49 .02 .01 .21 -.46 -.56 -.49 1.77 1.45 1.87 -1.49 -1.77 -2.16
"""
READINGS = np.loadtxt(StringIO(STUDY)).reshape(3, 10, 3).transpose(1, 0, 2)


def studied(readings: Floats, seed: int = 0, **settings: Any) -> GaugeStudy:
    found = study_gauge(readings, np.random.default_rng(seed), **settings)
    assert isinstance(found, GaugeStudy)
    return found


def test_published_study_to_its_printed_digits() -> None:
    found = studied(READINGS)
    assert found.pooled
    assert found.repeatability_sd.value == pytest.approx(0.199933, abs=1e-6)
    assert found.reproducibility_sd.value == pytest.approx(0.226838, abs=1e-6)
    assert found.gauge_sd.value == pytest.approx(0.302373, abs=1.5e-6)
    assert found.panel_sd.value == pytest.approx(1.042327, abs=1e-6)
    assert found.total_sd.value == pytest.approx(1.085, abs=5e-4)
    assert isinstance(found.gauge_percent, Estimate)
    assert found.gauge_percent.value == pytest.approx(27.86, abs=5e-3)
    assert isinstance(found.distinct_categories, Estimate)
    assert found.distinct_categories.value == pytest.approx(4.861, abs=1e-3)
    assert judge(found.gauge_percent, GAUGE_LIMITS_PERCENT).word == "acceptable for some uses"


def test_published_study_analysis_of_variance() -> None:
    # Mean squares computed with statsmodels apart from this code.
    found = studied(READINGS)
    lines = (found.appraiser, found.panel, found.interaction, found.repeat)
    assert [line.sum_of_squares for line in lines] == pytest.approx(
        [3.167262, 88.361934, 0.358982, 2.758933], abs=1e-6
    )
    assert [line.degrees_of_freedom for line in lines] == [2, 9, 18, 60]
    assert found.interaction_p == pytest.approx(0.974106, abs=1e-6)


def test_an_interaction_below_nought_is_set_to_it_and_told() -> None:
    found = studied(READINGS, pool_above_p=1.0)
    assert not found.pooled
    assert found.repeatability_sd.value == pytest.approx(0.214435, abs=5e-7)
    assert found.clipped == ("interaction",)
    assert not studied(READINGS).clipped


def test_analysis_is_that_of_statsmodels_on_random_studies() -> None:
    rng = np.random.default_rng(2)
    for _ in range(20):
        shape = tuple(rng.integers(2, 6, 3))
        readings = rng.normal(0, 3, (shape[0], 1, 1)) + rng.normal(0, 1, shape)
        panel, appraiser, _ = np.indices(shape)
        table = pd.DataFrame(
            {"y": readings.ravel(), "panel": panel.ravel(), "appraiser": appraiser.ravel()}
        )
        reference = anova_lm(ols("y ~ C(panel) * C(appraiser)", data=table).fit())
        found = studied(readings)
        lines = (found.panel, found.appraiser, found.interaction, found.repeat)
        assert [line.mean_square for line in lines] == pytest.approx(list(reference["mean_sq"]))
        assert found.interaction_p == pytest.approx(reference["PR(>F)"].iloc[2])


def test_panels_with_gaps_are_left_out_and_counted() -> None:
    readings = READINGS.copy()
    readings[3, 1, 2] = np.nan
    found = studied(readings)
    assert (found.n_panels, found.n_left_out) == (9, 1)
    assert found.gauge_sd == studied(np.delete(READINGS, 3, axis=0)).gauge_sd


@pytest.mark.parametrize(
    ("readings", "reason"),
    [
        (READINGS[:1], "1 panels"),
        (READINGS[:, :1], "1 appraisers"),
        (READINGS[:, :, :1], "1 readings"),
        (np.full((3, 2, 2), np.nan), "0 panels"),
        (np.full((3, 2, 2), 7.0), "all readings are the same"),
    ],
)
def test_what_cannot_be_studied_says_why(readings: Floats, reason: str) -> None:
    found = study_gauge(readings, np.random.default_rng(0))
    assert isinstance(found, Undefined)
    assert reason in found.reason


def test_repeats_without_any_spread() -> None:
    found = studied(np.arange(6.0)[:, None, None] + np.zeros((1, 3, 2)))
    assert found.repeatability_sd.value == 0
    assert found.repeatability_sd.caution
    assert isinstance(found.distinct_categories, Undefined)
    assert isinstance(found.gauge_percent, Estimate)
    assert found.gauge_percent.value == 0
    without = ("reproducibility_sd", "gauge_sd", "total_sd", "gauge_percent")
    assert {(getattr(found, name).low, getattr(found, name).high) for name in without} == {
        (None, None)
    }
    assert found.panel_sd.low is not None
    assert judge(found.gauge_percent, GAUGE_LIMITS_PERCENT).surely == ""


def test_a_source_without_spread_leaves_no_interval_to_what_rests_on_it() -> None:
    # Two that always differ by ten, and never from themselves: only that is seen of their spread.
    apart = studied(np.arange(6.0)[:, None, None] * 20 + np.array([[0.0], [10.0]]) + np.zeros(2))
    assert apart.reproducibility_sd.high is not None
    assert apart.gauge_sd.high is None
    # The same mean of both by chance, and panels that are the same on the whole.
    rests = np.array([[1.0, -1.0], [-1.0, 1.0]])
    level = studied(np.concatenate([rests[None], -rests[None], rests[None]]))
    assert level.repeatability_sd.high is not None
    assert level.reproducibility_sd.high is None
    assert level.panel_sd.high is None
    assert isinstance(level.gauge_percent, Estimate)
    assert level.gauge_percent.high is None


def test_tens_are_never_surely_acceptable_by_agreeing_throughout() -> None:
    rng = np.random.default_rng(1)
    agreed = 0
    for seed in range(200):
        true = rng.choice([70.0, 80, 90, 100], 3)
        readings = np.round((true[:, None, None] + rng.normal(0, 3, (3, 2, 2))) / 10) * 10
        if np.ptp(readings) == 0 or np.any(readings != readings[:, :1, :1]):
            continue
        share = studied(readings, seed).gauge_percent
        assert isinstance(share, Estimate)
        assert share.high is None
        agreed += 1
    assert agreed > 30


def test_intervals_hold_the_truth() -> None:
    # 100 groups here; 500 groups, with the figures, in tests/benchmarks/agreement.py.
    rng = np.random.default_rng(3)
    hits: dict[str, int] = {}
    truth = {
        "repeatability_sd": 3.0,
        "reproducibility_sd": 2.0,
        "gauge_sd": np.sqrt(13),
        "panel_sd": 10.0,
        "gauge_percent": 100 * np.sqrt(13 / 113),
        "distinct_categories": 1.41 * np.sqrt(100 / 13),
    }
    for seed in range(100):
        readings = (
            rng.normal(0, 10, (10, 1, 1)) + rng.normal(0, 2, (4, 1)) + rng.normal(0, 3, (10, 4, 3))
        )
        found = studied(readings, seed)
        for name, true in truth.items():
            result = getattr(found, name)
            hits[name] = hits.get(name, 0) + (result.low <= true <= result.high)
    assert {name for name in hits if hits[name] < 88} == set(), hits


@pytest.mark.parametrize("shape", [(3, 2, 2), (10, 3, 2)])
def test_appraisers_that_do_not_differ_are_seldom_found_to(
    shape: tuple[int, int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    # 4.9 to 5.9 % of 4000 studies; whether to pool the interaction is decided by the data, too.
    monkeypatch.setattr(gauge, "N_DRAWS", 1999)
    rng = np.random.default_rng(5)
    trials, differ = 1000, 0
    for seed in range(trials):
        readings = rng.normal(0, 10, (shape[0], 1, 1)) + rng.normal(0, 2, shape)
        found = studied(readings, seed).reproducibility_sd
        assert found.low is not None
        differ += found.low > 0
    assert differ / trials < 0.075
