"""Test spots side by side."""

import math

import numpy as np
import pytest

from defectscan.workshop.evidence import Figure, UnusableFiguresError
from defectscan.workshop.outlook import WorkshopLimits
from defectscan.workshop.spots import Combination, Reach, SpotAnswer, SpotComparison, compare_spots

LIMITS = WorkshopLimits(target_correction_percent=80)


def corrected(percent: float, sd: float = 0.1) -> Figure:
    share = 1 - percent / 100
    low, high = (100 * (1 - share * math.exp(z * sd)) for z in (1.96, -1.96))
    return Figure(value=percent, low=low, high=high)


def square(name: str, percent: float, film_um: float | None = None, sd: float = 0.1) -> Combination:
    return Combination(
        name=name,
        correction_percent=corrected(percent, sd),
        film_um=None if film_um is None else Figure.about(film_um, 0.15),
        shots=2,
    )


def compared(*squares: Combination) -> SpotComparison:
    return compare_spots(squares, limits=LIMITS)


def test_the_gentlest_that_reaches_is_recommended_by_film() -> None:
    result = compared(
        square("wool", 95, 3.0), square("foam", 90, 1.2), square("soft foam", 40, 0.4)
    )
    assert result.answer is SpotAnswer.RECOMMENDED
    assert result.recommended == "foam"
    assert [row.name for row in result.ranking] == ["wool", "foam", "soft foam"]
    assert result.ranking[-1].reach is Reach.MISSES
    assert result.gentle_by == "film taken off"
    assert "1.2 um" in result.reason


def test_without_readings_the_order_given_is_gentleness() -> None:
    result = compared(square("soft foam", 40), square("foam", 90), square("wool", 95))
    assert result.recommended == "foam"
    assert "order given" in result.gentle_by
    assert any("film is unknown" in note for note in result.notes)
    assert any("film thickness is unknown" in caution for caution in result.cautions)


def test_readings_of_some_squares_only_do_not_count() -> None:
    result = compared(square("soft foam", 92, 2.0), square("foam", 90), square("wool", 95, 0.5))
    assert result.recommended == "soft foam"


def test_film_that_reads_surely_thicker_makes_no_square_the_gentlest() -> None:
    result = compared(square("foam", 90, 1.2), square("wool", 95, -2.0))
    assert result.recommended == "foam"
    assert "order given" in result.gentle_by
    assert any("The film of wool reads thicker after" in note for note in result.notes)
    # Film that may have stayed as it was is what a gentle pass leaves.
    assert compared(square("foam", 90, 1.2), square("wool", 95, -0.1)).recommended == "wool"


def test_what_cannot_be_told_apart_is_said_to_be_so() -> None:
    result = compared(square("a", 90), square("b", 91), square("c", 50))
    assert result.ranking[0].alike == ("a",)
    assert result.ranking[2].alike == ()
    assert any("cannot be told from a" in note for note in result.notes)


def test_film_that_cannot_be_told_apart_is_said_to_be_so() -> None:
    result = compared(square("a", 90, 1.2), square("b", 91, 1.3), square("c", 95, 3.0))
    assert result.recommended == "a"
    assert any("film taken cannot be told from that of b" in note for note in result.notes)


def at_least(name: str, low: float, value: float) -> Combination:
    figure = Figure(value=value, low=low, high=100, at_least=True)
    return Combination(name=name, correction_percent=figure, shots=2)


@pytest.mark.parametrize("value", [92, 96, 99, 100])
def test_a_correction_of_at_least_more_than_the_target_reaches_it(value: float) -> None:
    result = compared(square("b", 50), at_least("a", 85, value))
    assert result.recommended == "a"
    assert "correction at least 85 %" in result.reason
    assert result.ranking[0].correction_percent.at_least


@pytest.mark.parametrize("value", [70, 75, 79.9])
def test_at_least_less_than_the_target_does_not_miss_it(value: float) -> None:
    result = compared(at_least("a", 69, value), square("b", 95))
    (a,) = (row for row in result.ranking if row.name == "a")
    assert a.reach is Reach.OPEN
    assert a.alike == ("b",)  # it may have brought as much


def test_a_density_of_nothing_does_not_miss_a_target_density() -> None:
    squares = [
        Combination(
            name=name,
            correction_percent=corrected(50),
            density_after_mm_per_cm2=Figure(value=0, low=0, high=high),
        )
        for name, high in (("a", 8), ("b", 0.02))
    ]
    result = compare_spots(squares, limits=WorkshopLimits(target_density_mm_per_cm2=0.1))
    assert [row.reach for row in result.ranking] == [Reach.OPEN, Reach.REACHES]


def test_none_reaches() -> None:
    result = compared(square("a", 40), square("b", 60))
    assert result.answer is SpotAnswer.NONE_REACHES
    assert result.recommended == ""
    assert "the best is b" in result.reason


def test_not_enough_evidence_names_the_shots() -> None:
    result = compared(square("a", 40), square("b", 83.5))
    assert result.answer is SpotAnswer.NOT_ENOUGH_EVIDENCE
    assert result.ranking[0].reach is Reach.OPEN
    assert result.ranking[0].more_shots is not None
    assert f"b: {result.ranking[0].more_shots}" in result.reason


def test_a_gentler_one_that_may_reach_too_is_named() -> None:
    result = compared(square("soft", 82, 0.5), square("hard", 95, 2.0))
    assert result.recommended == "hard"
    assert any(note.startswith("soft is gentler") for note in result.notes)
    # Where none is recommended, there is nothing that others are gentler than.
    result = compared(square("soft", 78, 0.5), square("hard", 82, 2.0))
    assert result.recommended == ""
    assert not any("gentler" in note for note in result.notes)


def test_six_squares_have_to_be_surer_than_two() -> None:
    # Its own interval lies just over the target.
    just = square("just", 83.9)
    assert just.correction_percent is not None
    assert just.correction_percent.low > 80
    two = compared(just, square("weak", 10))
    six = compared(just, *(square(f"near {i}", 80 + i) for i in range(5)))
    assert two.recommended == "just"
    assert six.recommended == ""


def test_draws_serve_as_well_as_an_interval() -> None:
    share = np.random.default_rng(4).normal(math.log(0.1), 0.1, 20000)
    drawn = Combination(name="a", correction_draws_percent=100 * (1 - np.exp(share)))
    one, two = (compared(first, square("b", 60)) for first in (drawn, square("a", 90)))
    assert one.recommended == two.recommended == "a"
    a, b = (result.ranking[0].correction_percent for result in (one, two))
    assert a.low == pytest.approx(b.low, abs=0.15)
    assert a.high == pytest.approx(b.high, abs=0.15)


def test_a_correction_of_all_lines_is_no_division_by_nothing() -> None:
    whole = Combination(name="a", correction_percent=Figure(value=100, low=96, high=100))
    assert compared(whole, square("b", 60)).recommended == "a"


def test_a_target_density_needs_the_densities() -> None:
    limits = WorkshopLimits(target_density_mm_per_cm2=40)
    with pytest.raises(UnusableFiguresError, match="no density"):
        compare_spots([square("a", 90), square("b", 60)], limits=limits)
    after = [
        Combination(
            name=name,
            correction_percent=corrected(percent),
            density_after_mm_per_cm2=Figure(value=value, low=0.85 * value, high=1.18 * value),
        )
        for name, percent, value in (("a", 90, 20.0), ("b", 60, 80.0))
    ]
    assert compare_spots(after, limits=limits).recommended == "a"


def test_the_usual_target_is_marked() -> None:
    assert "without a source" in compare_spots([square("a", 90), square("b", 60)]).assumptions[0]
    assert compared(square("a", 90), square("b", 60)).assumptions == ()


@pytest.mark.parametrize("n", [0, 1, 7])
def test_too_few_or_too_many_are_refused(n: int) -> None:
    with pytest.raises(UnusableFiguresError, match="2 to 6"):
        compared(*(square(str(i), 50) for i in range(n)))


def test_two_of_one_name_are_refused() -> None:
    with pytest.raises(UnusableFiguresError, match="called a"):
        compared(square("a", 50), square("a", 60))


def test_squares_without_a_correction_are_refused() -> None:
    with pytest.raises(UnusableFiguresError, match="no correction"):
        compared(square("a", 50), Combination(name="b"))


def test_equal_squares_are_rarely_told_apart_and_rarely_reach() -> None:
    """Of six squares that truly stand just at the target, one is called false in 5 % of sets."""
    rng = np.random.default_rng(6)
    apart, called = 0, 0
    for _ in range(1000):
        squares = [square(str(i), 100 * (1 - 0.2 * math.exp(rng.normal(0, 0.1)))) for i in range(6)]
        result = compared(*squares)
        apart += any(difference.apart for difference in result.differences)
        called += any(row.reach is not Reach.OPEN for row in result.ranking)
    assert apart / 1000 <= 0.065
    assert 0.03 <= called / 1000 <= 0.065
