"""How often the statistics of judging hold the truth of simulated raters.

Run `python tests/benchmarks/agreement.py`; it prints one line a statistic: how often its 95 %
interval held the truth, and the mean of its values beside the truth.
"""

import argparse
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.rater_statistics.agreement import cohen_kappa, fleiss_kappa, krippendorff_alpha
from defectscan.rater_statistics.errors import leans, learn, rater_errors, splitting_photos
from defectscan.rater_statistics.gauge import study_gauge
from defectscan.rater_statistics.reliability import (
    intraclass_correlation,
    limits_of_agreement,
    repeatability,
)

Floats = NDArray[np.float64]
# Name, result, truth.
Row = tuple[str, Any, float]
Group = Callable[[np.random.Generator], Iterator[Row]]

RATER_BIAS = np.array([0.0, 0.3, -0.3, 0.1])
N_PHOTOS, FEW_PHOTOS = 30, 10


def grades_of(rng: np.random.Generator, n: int) -> Floats:
    """Return 0-5 grades of four raters: a bias each, spread 0.7, one slip in twenty."""
    shape = (n, len(RATER_BIAS))
    grades = rng.uniform(0, 5, (n, 1)) + RATER_BIAS + 0.7 * rng.standard_normal(shape)
    grades = np.where(rng.random(shape) < 0.05, rng.uniform(0, 5, shape), grades)
    return np.clip(np.round(grades), 0, 5)


def statistics_of_grades(grades: Floats) -> Iterator[tuple[str, Any]]:
    """Give every statistic on a group's grades."""
    for weights in ("none", "linear", "quadratic"):
        yield f"Cohen's kappa, {weights}", cohen_kappa(grades[:, 0], grades[:, 1], weights=weights)
    yield "Fleiss' kappa", fleiss_kappa(grades)
    for scale in ("nominal", "ordinal", "interval"):
        yield f"Krippendorff's alpha, {scale}", krippendorff_alpha(grades, scale=scale)


def grade_group(n_photos: int) -> Group:
    """Return groups that grade so many photos; true is what 4000 photos give."""
    many = grades_of(np.random.default_rng(1), 4000)
    truth = {name: result.value for name, result in statistics_of_grades(many)}

    def group(rng: np.random.Generator) -> Iterator[Row]:
        for name, result in statistics_of_grades(grades_of(rng, n_photos)):
            yield f"{name}, {n_photos} photos", result, truth[name]

    return group


def percent_group(rng: np.random.Generator) -> Iterator[Row]:
    """Give the statistics of a group that estimates percentages."""
    grades = rng.normal(50, 10, (N_PHOTOS, 1)) + rng.normal(0, 4, 4)
    grades = grades + rng.normal(0, 6, grades.shape)
    icc: Any = intraclass_correlation(grades)
    photos, raters, rest = 100.0, 16.0, 36.0
    # The one-way forms are for photos that were each graded by other raters.
    others: Any = intraclass_correlation(
        rng.normal(50, 10, (N_PHOTOS, 1)) + rng.normal(0, np.sqrt(raters + rest), (N_PHOTOS, 4))
    )
    yield "ICC(1,1)", others.one_way, photos / (photos + raters + rest)
    yield "ICC(2,1)", icc.agreement, photos / (photos + raters + rest)
    yield "ICC(3,1)", icc.consistency, photos / (photos + rest)
    yield "ICC(1,k)", others.one_way_mean, photos / (photos + (raters + rest) / 4)
    yield "ICC(2,k)", icc.agreement_mean, photos / (photos + (raters + rest) / 4)
    yield "ICC(3,k)", icc.consistency_mean, photos / (photos + rest / 4)
    pair: Any = limits_of_agreement(rng.normal(3, 5, N_PHOTOS), np.zeros(N_PHOTOS))
    yield "bias of two ways", pair.bias, 3
    yield "lower limit of agreement", pair.lower, 3 - 1.96 * 5
    yield "upper limit of agreement", pair.upper, 3 + 1.96 * 5
    repeats: Any = repeatability(
        rng.normal(50, 10, (N_PHOTOS, 1)) + rng.normal(0, 6, (N_PHOTOS, 2))
    )
    yield "repeatability limit", repeats.limit, 1.959964 * np.sqrt(2) * 6


def gauge_group(interaction_sd: float) -> Group:
    """Return gauge studies of 10 panels, 4 appraisers and 3 repeats."""
    panel, appraiser, repeat = 10.0, 2.0, 3.0
    gauge = np.sqrt(repeat**2 + appraiser**2 + interaction_sd**2)

    def group(rng: np.random.Generator) -> Iterator[Row]:
        readings = rng.normal(0, panel, (10, 1, 1)) + rng.normal(0, appraiser, (4, 1))
        readings = readings + rng.normal(0, interaction_sd, (10, 4, 1))
        found: Any = study_gauge(readings + rng.normal(0, repeat, (10, 4, 3)), rng)
        said = f", interaction {interaction_sd:g}"
        yield "gauge: repeatability" + said, found.repeatability_sd, repeat
        yield (
            "gauge: reproducibility" + said,
            found.reproducibility_sd,
            float(np.hypot(appraiser, interaction_sd)),
        )
        yield "gauge: both" + said, found.gauge_sd, gauge
        yield "gauge: panels" + said, found.panel_sd, panel
        yield "gauge: percent" + said, found.gauge_percent, 100 * gauge / np.hypot(gauge, panel)
        yield "gauge: categories" + said, found.distinct_categories, 1.41 * panel / gauge

    return group


def rater_group(rng: np.random.Generator) -> Iterator[Row]:
    """Give bias and spread of raters with and without slips, a lean, and a trend."""
    for n_slips in (0, 2):
        truth = rng.uniform(20, 90, 40)
        grades = truth + 4 + 6 * rng.standard_normal(40)
        slips = rng.permutation(40)[:n_slips]
        grades[slips] += rng.choice([-1, 1], n_slips) * rng.uniform(30, 60, n_slips)
        found = rater_errors(grades, truth)
        yield f"bias, {n_slips} slips in 40", found.bias, 4
        yield f"spread, {n_slips} slips in 40", found.spread, 6
        yield f"share of slips, {n_slips} in 40", found.slip_share, n_slips / 40
    errors = rng.normal(4, 6, 60)
    errors[::3] += 5
    yield (
        "lean in one of three paints",
        leans(errors, ["white", "red", "blue"] * 20)[2].difference,
        5,
    )
    for name, ends in (("learning", (12.0, 5.0)), ("no learning", (8.0, 8.0))):
        spreads = np.linspace(*ends, 8)
        # Good and bad days: the logarithm's mean makes the mean of the factor one.
        days = np.exp(0.15 * rng.standard_normal(8) - 0.15**2 / 2)
        sessions = np.repeat(np.arange(8.0), 20)
        trend: Any = learn(np.repeat(spreads * days, 20) * rng.standard_normal(160), sessions)
        yield f"change a session, {name}", trend.change, np.sqrt(2 / np.pi) * np.diff(ends)[0] / 7


def split_rates(rng: np.random.Generator, n_groups: int) -> tuple[float, float]:
    """Return how often a photo is named that does not split, and how often one that does."""
    false = found = 0
    for _ in range(n_groups):
        grades = rng.normal(50, 15, (24, 1)) + rng.normal(0, 5, 4) + rng.normal(0, 5, (24, 4))
        false += len(splitting_photos(grades)) > 0
        grades[7] += [20, -20, 20, -20]
        found += 7 in [split.photo for split in splitting_photos(grades)]
    return false / n_groups, found / n_groups


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--groups", type=int, default=500)
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    rng = np.random.default_rng(given.seed)
    groups = (
        grade_group(N_PHOTOS),
        grade_group(FEW_PHOTOS),
        percent_group,
        gauge_group(0.0),
        gauge_group(2.0),
        rater_group,
    )
    for group in groups:
        held: dict[str, list[bool]] = {}
        values: dict[str, list[float]] = {}
        truths: dict[str, float] = {}
        for _ in range(given.groups):
            for name, result, true in group(rng):
                held.setdefault(name, []).append(result.low <= true <= result.high)
                values.setdefault(name, []).append(result.value)
                truths[name] = float(true)
        for name, hits in held.items():
            print(
                f"{name:40} held {100 * np.mean(hits):5.1f} %   true {truths[name]:8.3f}   "
                f"mean {np.mean(values[name]):8.3f}",
                flush=True,
            )
    false, found = split_rates(rng, given.groups)
    print(f"photos that split: named without reason {100 * false:.1f} %, found {100 * found:.1f} %")


if __name__ == "__main__":
    main()
