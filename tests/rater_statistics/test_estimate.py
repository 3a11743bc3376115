"""Words for statistics."""

import pytest

from defectscan.errors import DefectscanError
from defectscan.rater_statistics.estimate import (
    ALPHA_LIMITS,
    DISTINCT_LIMITS,
    GAUGE_LIMITS_PERCENT,
    KOO_LI,
    LANDIS_KOCH,
    Estimate,
    Limits,
    Undefined,
    judge,
)


@pytest.mark.parametrize(
    ("value", "word"),
    [
        (-0.01, "poor"),
        (0.0, "slight"),
        (0.20, "slight"),
        (0.2049, "slight"),  # reads 0.20
        (0.2051, "fair"),  # reads 0.21
        (0.40, "fair"),
        (0.41, "moderate"),
        (0.60, "moderate"),
        (0.61, "substantial"),
        (0.80, "substantial"),
        (0.81, "almost perfect"),
        (1.0, "almost perfect"),
    ],
)
def test_bands_of_landis_and_koch_1977(value: float, word: str) -> None:
    assert LANDIS_KOCH.word(value) == word


@pytest.mark.parametrize(
    ("value", "word"),
    [(0.499, "poor"), (0.5, "moderate"), (0.75, "good"), (0.899, "good"), (0.9, "excellent")],
)
def test_bands_of_koo_and_li_2016(value: float, word: str) -> None:
    assert KOO_LI.word(value) == word


def test_a_verdict_goes_by_the_interval() -> None:
    verdict = judge(Estimate(value=0.92, low=0.6, high=0.98), KOO_LI)
    assert (verdict.word, verdict.surely) == ("excellent", "moderate")
    assert verdict.text == "between moderate and excellent"
    assert "Koo" in verdict.source
    assert judge(Estimate(value=0.95, low=0.91, high=0.98), KOO_LI).text == "excellent"


def test_the_worse_end_is_the_upper_one_where_small_is_good() -> None:
    verdict = judge(Estimate(value=8.0, low=5.0, high=34.0), GAUGE_LIMITS_PERCENT)
    assert verdict.surely == "not acceptable"
    assert verdict.text == "between not acceptable and acceptable"
    assert judge(Estimate(value=6.0, low=5.2, high=7.0), DISTINCT_LIMITS).surely.startswith(
        "enough"
    )
    assert judge(Estimate(value=0.7, low=0.6, high=0.81), ALPHA_LIMITS).word == "tentative"


def test_without_interval_or_value_nothing_is_sure() -> None:
    bare = judge(Estimate(value=1.0, low=None, high=None), KOO_LI)
    assert (bare.word, bare.surely) == ("excellent", "")
    assert "without an interval" in bare.text
    undefined = judge(Undefined(reason="all grades are the same"), KOO_LI)
    assert (undefined.word, undefined.text) == ("", "undefined: all grades are the same")


def test_a_workshop_sets_its_own_limits() -> None:
    own = Limits(words=("train", "fine"), bounds=(0.7,))
    assert judge(Estimate(value=0.8, low=0.71, high=0.9), own).text == "fine"
    assert "workshop" in own.source


@pytest.mark.parametrize(
    ("words", "bounds"), [(("a", "b"), (0.1, 0.2)), (("a", "b", "c"), (0.2, 0.1))]
)
def test_limits_that_make_no_sense_are_refused(
    words: tuple[str, ...], bounds: tuple[float, ...]
) -> None:
    with pytest.raises(DefectscanError, match="bounds rise"):
        Limits(words=words, bounds=bounds)
