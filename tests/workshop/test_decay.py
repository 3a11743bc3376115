"""The fit of density against film, set beside general statistics libraries on the same points."""

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from odrpack import odr_fit
from scipy import optimize, stats

from defectscan.workshop.decay import Decay, PassHabits, fit_decay
from defectscan.workshop.evidence import Figure, LogFigure

Floats = NDArray[Any]

# Passes may differ as they like, and depths are exponential: the plain fit of a line.
FREE = PassHabits(
    log_reduction=LogFigure(middle=math.log(0.5), sd=2.0),
    film_um=LogFigure(middle=math.log(1.5), sd=2.0),
    spread=LogFigure(middle=math.log(2.0), sd=0.1),
    other_spread=2.0,
    unexplained=0.001,
)


def polished(
    rng: np.random.Generator, *, n: int, density_sd: float, film_sd_um: float
) -> tuple[Floats, Floats]:
    """Return measured film and log density of n states with delta 2.5 um."""
    removed = np.concatenate([[0.0], np.cumsum(rng.uniform(0.5, 1.8, n - 1))])
    film = 110 - removed + rng.normal(0, film_sd_um, n)
    return film, math.log(250) - removed / 2.5 + rng.normal(0, density_sd, n)


def fitted(
    film: Floats, log: Floats, *, density_sd: float, film_sd_um: float, n_draws: int = 8000
) -> Decay:
    return fit_decay(
        [LogFigure(middle=float(value), sd=density_sd) for value in log],
        np.random.default_rng(0),
        film_um=[(float(value), film_sd_um) for value in film],
        habits=FREE,
        n_draws=n_draws,
    )


def test_the_fit_is_that_of_orthogonal_distance_regression() -> None:
    film, log = polished(np.random.default_rng(2), n=9, density_sd=0.08, film_sd_um=0.25)
    result = odr_fit(
        lambda x, b: b[0] + b[1] * (x - 105),
        film,
        log,
        np.array([4.0, 0.3]),
        weight_x=1 / 0.25**2,
        weight_y=1 / 0.08**2,
    )
    slope = result.beta[1]
    # Its standard error for errors that are known beforehand.
    error = math.sqrt(result.cov_beta[1, 1])
    mine = 1 / fitted(film, log, density_sd=0.08, film_sd_um=0.25).depth_um
    assert np.median(mine) == pytest.approx(slope, abs=0.35 * error)
    assert np.std(mine) == pytest.approx(error, rel=0.25)


def test_without_film_errors_the_fit_is_that_of_curve_fit() -> None:
    film, log = polished(np.random.default_rng(3), n=8, density_sd=0.08, film_sd_um=0.0)
    values, covariance = optimize.curve_fit(
        lambda x, d0, depth: d0 - (film[0] - x) / depth,
        film,
        log,
        p0=(5.0, 2.0),
        sigma=np.full(len(log), 0.08),
        absolute_sigma=True,
    )
    decay = fitted(film, log, density_sd=0.08, film_sd_um=0.01)
    error = math.sqrt(covariance[1, 1])
    assert np.median(decay.depth_um) == pytest.approx(values[1], abs=0.3 * error)
    assert np.std(decay.depth_um) == pytest.approx(error, rel=0.2)


def test_the_interval_of_the_depth_is_that_of_a_bootstrap() -> None:
    rng = np.random.default_rng(8)
    film = np.array([110.0, 108.6, 107.0, 105.9, 104.3])
    shots = [rng.normal(5 - (110 - f) / 2.5, 0.4, 60) for f in film]
    centred = film - film.mean()

    def depth(*samples: Floats, axis: int) -> Floats:
        means = np.stack([sample.mean(axis=axis) for sample in samples], axis=-1)
        found: Floats = np.sum(centred**2) / (means @ centred)
        return found

    boot = stats.bootstrap(shots, depth, n_resamples=4000, rng=rng)
    low, high = boot.confidence_interval
    log = np.array([shot.mean() for shot in shots])
    # Each shot's spread is known here, as the bootstrap knows it from the shots.
    error = float(np.mean([shot.std() for shot in shots])) / math.sqrt(60)
    mine = Figure.of_draws(fitted(film, log, density_sd=error, film_sd_um=0.01).depth_um)
    assert (mine.high - mine.low) == pytest.approx(high - low, rel=0.12)
    assert mine.low == pytest.approx(low, abs=0.1 * (high - low))
    assert mine.high == pytest.approx(high, abs=0.1 * (high - low))


def test_film_errors_are_reckoned_with() -> None:
    film, log = polished(np.random.default_rng(4), n=5, density_sd=0.08, film_sd_um=0.0)
    sharp = fitted(film, log, density_sd=0.08, film_sd_um=0.05)
    blunt = fitted(film, log, density_sd=0.08, film_sd_um=0.8)
    assert np.std(blunt.depth_um) > 1.5 * np.std(sharp.depth_um)


def test_one_pass_leaves_the_next_wider_than_four() -> None:
    def width(n: int) -> float:
        logs = [LogFigure(middle=5 - 0.7 * i, sd=0.08) for i in range(n)]
        decay = fit_decay(logs, np.random.default_rng(1))
        next_log = Figure.of_draws(decay.next_log_density - decay.log_density[:, -1])
        return next_log.high - next_log.low

    assert width(2) > 1.3 * width(5)


def test_a_pass_of_another_kind_says_little_about_the_next() -> None:
    logs = [LogFigure(middle=value, sd=0.05) for value in (5.0, 3.5, 3.2, 2.9)]
    unlike = fit_decay(logs, np.random.default_rng(1), alike=[False, True, True])
    same = fit_decay(logs, np.random.default_rng(1))
    lower = [float(np.median(d.log_density[:, -1] - d.next_log_density)) for d in (unlike, same)]
    assert lower[0] == pytest.approx(0.3, abs=0.15)
    assert lower[0] < lower[1]


def test_without_readings_film_is_not_a_number() -> None:
    decay = fit_decay([LogFigure(middle=5.0, sd=0.1)] * 2, np.random.default_rng(1))
    assert np.isnan(decay.film_um).all()


def test_the_same_generator_gives_the_same_draws() -> None:
    logs = [LogFigure(middle=5.0, sd=0.1), LogFigure(middle=4.0, sd=0.1)]
    one, two = (fit_decay(logs, np.random.default_rng(9)) for _ in range(2))
    np.testing.assert_array_equal(one.next_log_density, two.next_log_density)
