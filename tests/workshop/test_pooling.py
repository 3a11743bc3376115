"""Pooling of passes: against a general statistics library, and against resampling."""

import math

import numpy as np
import pytest
from scipy.stats import bootstrap
from statsmodels.stats.meta_analysis import combine_effects

from defectscan.workshop.evidence import LogFigure
from defectscan.workshop.pooling import LEAST_PASSES, pool_corrections, spent_per_point


def figures(seed: int, n: int, spread: float) -> list[LogFigure]:
    rng = np.random.default_rng(seed)
    sds = rng.uniform(0.05, 0.2, n)
    middles = math.log(0.25) + rng.normal(0, spread, n) + rng.normal(0, sds)
    return [LogFigure(middle=float(m), sd=float(s)) for m, s in zip(middles, sds, strict=True)]


@pytest.mark.parametrize(("seed", "n"), [(1, 3), (2, 8), (3, 25)])
def test_pooling_agrees_with_statsmodels(seed: int, n: int) -> None:
    # statsmodels 0.14, combine_effects: DerSimonian-Laird, interval by Hartung and Knapp.
    shares = figures(seed, n, spread=0.4)
    oracle = combine_effects(
        np.array([share.middle for share in shares]),
        np.array([share.sd**2 for share in shares]),
        method_re="dl",
        use_t=True,
    )
    low, high = oracle.conf_int()[3]
    spread = oracle.scale_hksj_re
    pooled = pool_corrections(shares)
    assert pooled.low is not None
    assert pooled.high is not None
    log_of = [math.log(1 - value / 100) for value in (pooled.high, pooled.value, pooled.low)]
    assert log_of[1] == pytest.approx(oracle.mean_effect_re, rel=1e-9)
    # Where the passes agree by chance, ours is the wider one.
    widened = max(1.0, 1 / math.sqrt(spread))
    assert log_of[2] - log_of[0] == pytest.approx((high - low) * widened, rel=1e-9)


def test_interval_covers_the_mean_of_all_passes() -> None:
    truth, inside = 100 * (1 - 0.25), 0
    for seed in range(300):
        pooled = pool_corrections(figures(seed, 6, spread=0.3))
        inside += (pooled.low or 0) <= truth <= (pooled.high or 0)
    assert 0.91 <= inside / 300 <= 0.99


@pytest.mark.parametrize("n", [1, 2])
def test_too_few_passes_have_no_interval(n: int) -> None:
    pooled = pool_corrections(figures(0, n, spread=0.1))
    assert (pooled.low, pooled.high) == (None, None)
    assert "too few" in pooled.caution
    spent = spent_per_point([4.0] * n, [50.0] * n)
    assert spent is not None
    assert spent.value == pytest.approx(0.08)
    assert spent.low is None


def test_a_point_costs_what_was_spent_over_what_it_brought() -> None:
    rng = np.random.default_rng(4)
    points = rng.uniform(30, 90, 40)
    minutes = 0.2 * points * rng.uniform(0.7, 1.3, 40)
    spent = spent_per_point(list(minutes), list(points))
    assert spent is not None
    assert spent.value == pytest.approx(minutes.sum() / points.sum())
    drawn = bootstrap(
        (minutes, points),
        lambda x, y, axis=-1: x.sum(axis=axis) / y.sum(axis=axis),
        paired=True,
        rng=rng,
        method="basic",
    ).confidence_interval
    assert spent.low == pytest.approx(drawn.low, rel=0.03)
    assert spent.high == pytest.approx(drawn.high, rel=0.03)


def test_passes_that_brought_nothing_have_no_price() -> None:
    assert spent_per_point([], []) is None
    assert spent_per_point([5.0] * LEAST_PASSES, [-10.0, 5.0, 5.0]) is None


def test_passes_that_may_have_brought_nothing_have_no_price() -> None:
    assert spent_per_point([6.0, 6.0, 6.0, 6.0], [5.0, -4.0, 6.0, -3.0]) is None
    surely = spent_per_point([6.0, 6.0, 6.0, 6.0], [50.0, 40.0, 60.0, 30.0])
    assert surely is not None
    assert surely.low is not None
    assert surely.low > 0
