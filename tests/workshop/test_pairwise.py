"""Holm's procedure and the interval of a difference, against other libraries."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats
from statsmodels.stats.multitest import multipletests

from defectscan.workshop.evidence import Figure
from defectscan.workshop.pairwise import adjust_by_holm, subtract, two_sided


def test_holm_is_that_of_statsmodels() -> None:
    rng = np.random.default_rng(3)
    for n in (1, 2, 3, 15):
        p = rng.uniform(0, 1, n) ** 3
        assert_allclose(adjust_by_holm(p.tolist()), multipletests(p, method="holm")[1])
    assert len(adjust_by_holm([])) == 0


def test_p_values_are_those_of_the_normal_distribution() -> None:
    assert two_sided(-1.3, 0.5) == pytest.approx(2 * stats.norm.sf(2.6))
    assert two_sided(0.0, 0.0) == 1
    assert two_sided(0.1, 0.0) == 0


def test_the_interval_of_a_difference_is_that_of_draws() -> None:
    rng = np.random.default_rng(2)

    def drawn(percent: float, sd: float) -> np.ndarray:
        return 100 * (1 - (1 - percent / 100) * np.exp(rng.normal(0, sd, 200_000)))

    a, b = drawn(85, 0.1), drawn(60, 0.12)
    mine = subtract(Figure.of_draws(a), Figure.of_draws(b))
    draws = Figure.of_draws(a - b)
    assert mine.low == pytest.approx(draws.low, abs=0.4)
    assert mine.high == pytest.approx(draws.high, abs=0.4)


def test_the_interval_of_a_difference_is_that_of_a_bootstrap() -> None:
    rng = np.random.default_rng(1)
    a, b = rng.normal(85, 6, 60), rng.normal(78, 9, 50)
    low, high = stats.bootstrap(
        (a, b), lambda x, y, axis: x.mean(axis=axis) - y.mean(axis=axis), rng=rng, n_resamples=4000
    ).confidence_interval
    mine = subtract(
        *(Figure.about(float(x.mean()), float(x.std(ddof=1)) / math.sqrt(len(x))) for x in (a, b))
    )
    assert mine.low == pytest.approx(low, abs=0.1 * (high - low))
    assert mine.high == pytest.approx(high, abs=0.1 * (high - low))
