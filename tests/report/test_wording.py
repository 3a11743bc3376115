"""Numbers in words: as many digits as they are worth, and no 0 or 100 % by rounding."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from defectscan.report import wording
from defectscan.report.content import Estimate

NAN, INF = float("nan"), float("inf")


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ").replace("\N{MINUS SIGN}", "-")


@pytest.mark.parametrize(
    ("estimate", "text"),
    [
        (Estimate(value=83.2, low=76.1, high=88.3), "83 % (76 to 88 %)"),
        (Estimate(value=99.7, low=91, high=99.96), "99.7 % (91 to 99.96 %)"),
        (Estimate(value=99.96, low=99.2, high=99.99), "99.96 % (99.2 to 99.99 %)"),
        (Estimate(value=99.999, low=90, high=100), "> 99.99 % (90 to 100 %)"),
        (Estimate(value=100, low=80, high=100), "100 % (80 to 100 %)"),
        (Estimate(value=0, low=-5, high=5), "0 % (-5 to 5 %)"),
        (Estimate(value=0.3, low=-8, high=9), "0.3 % (-8 to 9 %)"),
        (Estimate(value=0.001, low=-8, high=9), "< 0.01 % (-8 to 9 %)"),
        (Estimate(value=-0.001, low=-8, high=9), "> -0.01 % (-8 to 9 %), an increase"),
        (Estimate(value=-12.3, low=-22, high=-3.2), "-12 % (-22 to -3 %), an increase"),
        (Estimate(value=50), "50.0 % (interval not known)"),
        (Estimate(value=-30, low=-INF, high=20), "-30.0 % (at most 20.0 %), an increase"),
        (Estimate(value=70, high=INF, low=20), "70.0 % (at least 20.0 %)"),
        (Estimate(at_least=96.9), "at least 96 %"),
        (Estimate(at_least=0.4), "at least 0.4 %"),
        (Estimate(at_least=0.001), "more than 0 %"),
        (Estimate(at_least=0), "at least 0 %"),
        (Estimate(at_least=-3.2), "too little to tell"),
        (Estimate(value=80, low=-977, high=100, at_least=-977), "too little to tell"),
        (Estimate(), "undefined"),
        (Estimate(value=NAN), "undefined"),
        (Estimate(note="no scale"), "undefined (no scale)"),
    ],
)
def test_correction_says_what_is_known_and_no_more(estimate: Estimate, text: str) -> None:
    assert plain(wording.correction(estimate)) == text


@given(
    st.floats(-300, 100, exclude_max=True).filter(bool),
    st.floats(1e-9, 200),
)
def test_a_percentage_is_never_rounded_to_0_or_100(value: float, width: float) -> None:
    estimate = Estimate(value=value, low=value - width, high=value + width)
    text = plain(wording.percent(estimate))
    number = float(re.sub(r"[<>% ]", "", text))
    if text.startswith(("<", ">")):
        assert (number > value) if text.startswith("<") else (number < value)
    else:
        assert number not in (0.0, 100.0)
        assert number == pytest.approx(value, abs=0.5 + 1e-9)


@given(st.floats(0, 100))
def test_a_lower_bound_is_never_rounded_up(bound: float) -> None:
    text = plain(wording.percent(Estimate(at_least=bound)))
    assert float(re.sub(r"[^-\d.]", "", text)) <= bound


@pytest.mark.parametrize(
    ("estimate", "value", "interval"),
    [
        (Estimate(value=143.2, low=128, high=160), "143 mm/cm²", "128 to 160"),
        (Estimate(value=4.23, low=3.5, high=5.1), "4.2 mm/cm²", "3.5 to 5.1"),
        (Estimate(value=0.01234, low=0.0113, high=0.0131), "0.0123 mm/cm²", "0.0113 to 0.0131"),
        (Estimate(value=0.2, low=0, high=9), "0.2 mm/cm²", "0 to 9"),
        (Estimate(value=12.345), "12.3 mm/cm²", "interval not known"),
        (Estimate(value=0, low=0, high=4), "0 mm/cm²", "0 to 4"),
        (Estimate(), "not known", "interval not known"),
    ],
)
def test_density_has_the_digits_its_interval_is_worth(
    estimate: Estimate, value: str, interval: str
) -> None:
    assert plain(wording.density(estimate, "mm/cm²")) == value
    assert plain(wording.density_interval(estimate)) == interval


def test_density_under_its_limit_is_said_to_be_so() -> None:
    text = wording.density_and_interval(Estimate(value=1, low=0, high=2), "mm/cm²", limit=3.14159)
    assert plain(text) == "under 3.14 mm/cm²"


def test_missing_density_gives_its_reason() -> None:
    estimate = Estimate(note="no scale in the picture")
    text = wording.density_and_interval(estimate, "mm/cm²")
    assert text == "not known (no scale in the picture)"


@given(st.floats(1e-6, 1e6), st.integers(2, 4))
def test_number_keeps_its_significant_digits(value: float, digits: int) -> None:
    shown = float(wording.number(value, digits))
    assert abs(shown - value) <= 0.5 * 10 ** (math.floor(math.log10(value)) + 1 - digits) * 1.001


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(1 / 120, "1/120 s"), (0.5, "0.5 s"), (2.0, "2 s"), (None, "not known"), (0.0, "not known")],
)
def test_exposure_time(seconds: float | None, text: str) -> None:
    assert plain(wording.exposure_time(seconds)) == text


@pytest.mark.parametrize(
    ("low", "high", "change"), [(1, 5, True), (-5, -1, True), (-1, 5, False), (None, None, False)]
)
def test_a_change_is_sure_only_where_its_interval_leaves_out_zero(
    low: float | None, high: float | None, *, change: bool
) -> None:
    assert wording.is_change(Estimate(value=2, low=low, high=high)) is change


def test_share_is_not_rounded_to_all() -> None:
    assert plain(wording.share(0.943)) == "94 %"
    assert plain(wording.share(0.998)) == "99.8 %"
    assert plain(wording.share(1.0)) == "100 %"


@pytest.mark.parametrize(
    ("known", "said"),
    [
        ((231.4, 3, 0), "3 shots that lie on each other cover 231 cm² of ground in all."),
        (
            (None, 4, 1),
            "4 shots that lie on each other cover ground of unknown size (no scale). "  # noqa: ISC004
            "1 shot could not be laid over the first: its ground is unknown.",
        ),
        (
            (150.2, 1, 2),
            "The first shot covers 150 cm² of ground. No other shot lies on it. "  # noqa: ISC004
            "2 shots could not be laid over the first: their ground is unknown.",
        ),
    ],
)
def test_ground_covered(known: tuple[float | None, int, int], said: str) -> None:
    assert wording.covered(*known).replace("\N{NO-BREAK SPACE}", " ") == said
