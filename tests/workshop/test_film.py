"""Film thickness: the published rule, and intervals against scipy.

The rule: a spot is the mean of at least three readings within a 4 cm circle, an area is five
spots, unrepeatable extremes are discarded (SSPC-PA 2, 2012).
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from defectscan.workshop.evidence import UnusableFiguresError
from defectscan.workshop.film import (
    UNNAMED,
    average_film,
    average_spot,
    average_states,
    film_taken,
    spots_that_count,
    surely_thicker,
)

BEFORE = {
    "a": [112.0, 113.1, 112.4],
    "b": [104.2, 104.9, 104.0],
    "c": [98.7, 99.5, 98.6],
    "d": [120.3, 121.0, 120.8],
    "e": [108.8, 108.1, 109.4],
}
AFTER = {
    "a": [110.1, 110.9, 110.3],
    "b": [102.9, 102.1, 102.6],
    "c": [95.9, 96.8, 96.2],
    "d": [118.8, 119.4, 118.5],
    "e": [107.3, 106.6, 107.0],
}


def spot_means(readings: dict[str, list[float]]) -> list[float]:
    return [float(np.mean(values)) for values in readings.values()]


def test_a_spot_is_the_mean_of_three_readings() -> None:
    spot = average_spot([100.0, 102.0, 101.0])
    assert spot.mean_um == pytest.approx(101.0)
    assert spot.n_readings == 3
    assert spot.discarded_um == ()


@pytest.mark.parametrize("readings", [[], [100.0], [100.0, 101.0]])
def test_fewer_than_three_readings_are_no_spot(readings: list[float]) -> None:
    with pytest.raises(UnusableFiguresError, match="at least 3"):
        average_spot(readings)


def test_extremes_that_are_not_repeated_are_left_out() -> None:
    spot = average_spot([101.0, 60.0, 102.0, 103.0, 150.0])
    assert spot.mean_um == pytest.approx(102.0)
    assert set(spot.discarded_um) == {60.0, 150.0}


@pytest.mark.parametrize(
    "readings",
    [
        [110.0, 111.0, 109.0, 70.0, 71.0, 69.0],
        [70.0, 71.0, 69.0, 110.0, 111.0, 109.0],
        [110.0, 111.0, 109.0, 112.0, 70.0, 71.0, 69.0],
        [70.0, 110.0, 71.0, 110.0, 111.0],
    ],
)
def test_two_places_under_one_name_are_no_spot(readings: list[float]) -> None:
    with pytest.raises(UnusableFiguresError, match=r"two places under one name; .* --at"):
        average_spot(readings)


def test_of_two_readings_as_far_off_the_thicker_is_left_out() -> None:
    for readings in ([100.0, 102.0, 106.0, 108.0], [108.0, 106.0, 102.0, 100.0]):
        assert average_spot(readings).discarded_um == (108.0,)


def test_a_high_spot_that_repeats_is_kept() -> None:
    spot = average_spot([150.0, 151.0, 149.0])
    assert spot.mean_um == pytest.approx(150.0)


def test_readings_that_disagree_are_no_spot() -> None:
    with pytest.raises(UnusableFiguresError, match="disagree"):
        average_spot([100.0, 120.0, 140.0])


@pytest.mark.parametrize("bad", [-1.0, 0.0, float("nan"), float("inf")])
def test_what_is_no_thickness_is_refused(bad: float) -> None:
    with pytest.raises(UnusableFiguresError, match="above 0 um"):
        average_spot([100.0, 101.0, bad])


def test_an_area_is_the_mean_of_five_spots() -> None:
    film = average_film(BEFORE)
    means = spot_means(BEFORE)
    assert film.mean_um.value == pytest.approx(np.mean(means))
    assert film.standard_error_um == pytest.approx(stats.sem(means))
    low, high = stats.t.interval(0.95, 4, np.mean(means), stats.sem(means))
    assert_allclose([film.mean_um.low, film.mean_um.high], [low, high])
    assert film.thinnest_um.value == pytest.approx(min(means))
    assert film.notes == ()


def test_a_spot_with_more_readings_counts_no_more_than_another() -> None:
    film = average_film({"a": [100.0, 100.0, 100.0], "b": [110.0, 110.0, 110.0] * 5})
    assert film.mean_um.value == pytest.approx(105.0)


def test_fewer_than_five_spots_are_noted() -> None:
    film = average_film({"a": [100.0, 101.0, 102.0, 130.0]})
    assert any("asks for 5" in note for note in film.notes)
    assert any("130 um left out" in note for note in film.notes)
    assert film.mean_um.high - film.mean_um.low > 10


def test_a_reading_left_out_below_every_spot_is_to_be_read_again() -> None:
    low = average_film({"a": [100.0, 101.0, 102.0, 60.0], "b": [90.0] * 3})
    assert any("60 um left out" in note and "read it again" in note for note in low.notes)
    above = average_film({"a": [100.0, 101.0, 102.0, 92.0], "b": [90.0] * 3})
    assert any("92 um left out" in note and "again" not in note for note in above.notes)


def test_no_spot_is_refused() -> None:
    with pytest.raises(UnusableFiguresError, match="no film-thickness spot"):
        average_film({})


def test_film_taken_at_the_same_spots_is_the_paired_t_interval() -> None:
    taken = film_taken(BEFORE, AFTER)
    test = stats.ttest_rel(spot_means(BEFORE), spot_means(AFTER))
    interval = test.confidence_interval(0.95)
    assert taken.paired
    assert_allclose([taken.mean_um.low, taken.mean_um.high], [interval.low, interval.high])
    assert taken.standard_error_um == pytest.approx(taken.mean_um.value / test.statistic)


def test_film_taken_at_other_spots_is_the_interval_of_welch() -> None:
    taken = film_taken(BEFORE, {f"{name} later": values for name, values in AFTER.items()})
    test = stats.ttest_ind(spot_means(BEFORE), spot_means(AFTER), equal_var=False)
    interval = test.confidence_interval(0.95)
    assert not taken.paired
    assert_allclose([taken.mean_um.low, taken.mean_um.high], [interval.low, interval.high])


def test_film_taken_against_the_bootstrap_of_scipy() -> None:
    rng = np.random.default_rng(5)
    true, cut = rng.normal(110, 6, 40), rng.normal(2, 0.6, 40)
    before, after = (
        {str(i): list(f + rng.normal(0, 0.5, 3)) for i, f in enumerate(film)}
        for film in (true, true - cut)
    )
    taken = film_taken(before, after)
    differences = np.subtract(spot_means(before), spot_means(after))
    boot = stats.bootstrap((differences,), np.mean, rng=rng, n_resamples=4000)
    assert taken.standard_error_um == pytest.approx(boot.standard_error, rel=0.05)
    low, high = boot.confidence_interval
    reach = 0.1 * (high - low)
    assert_allclose([taken.mean_um.low, taken.mean_um.high], [low, high], atol=reach)


def test_two_states_together_are_as_sharp_as_their_differences() -> None:
    first, second = average_states([BEFORE, AFTER])
    assert first is not None
    assert second is not None
    taken = film_taken(BEFORE, AFTER)
    assert first.mean_um.value - second.mean_um.value == pytest.approx(taken.mean_um.value)
    both = np.hypot(first.standard_error_um, second.standard_error_um)
    assert both == pytest.approx(taken.standard_error_um)
    assert first.standard_error_um < average_film(BEFORE).standard_error_um / 5


def test_states_without_readings_stay_unread() -> None:
    states = average_states([BEFORE, None, AFTER])
    assert states[1] is None
    assert states[2] is not None
    assert states[2].thinnest_um.value == pytest.approx(min(spot_means(AFTER)))


def test_states_read_at_other_spots_keep_their_own_errors() -> None:
    moved = {f"{name} later": values for name, values in AFTER.items()}
    first, _ = average_states([BEFORE, moved])
    assert first == average_film(BEFORE)


def test_the_interval_holds_the_true_cut_as_often_as_it_says() -> None:
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(600):
        film, cut = rng.normal(110, 6, 5), rng.normal(1.5, 0.3, 5)
        before, after = (
            {str(i): list(rng.normal(f, 0.5, 3)) for i, f in enumerate(state)}
            for state in (film, film - cut)
        )
        mean = film_taken(before, after).mean_um
        held += mean.low <= 1.5 <= mean.high
    assert 0.925 <= held / 600 <= 0.975


def test_spots_that_agree_to_the_last_digit_leave_the_rounding_open() -> None:
    before = {"left": [110.0, 111.0, 112.0], "right": [100.0, 101.0, 102.0]}
    after = {name: [value - 3 for value in values] for name, values in before.items()}
    taken = film_taken(before, after)
    # Two means of whole micrometres at two spots: sqrt(2/12/2).
    assert taken.standard_error_um == pytest.approx(np.sqrt(1 / 12))
    assert taken.mean_um.low == pytest.approx(3 - 1.96 * np.sqrt(1 / 12), abs=1e-3)
    states = average_states([before, after])
    assert all(film is not None and film.standard_error_um > 0 for film in states)


def test_readings_that_all_agree_leave_the_rounding_open() -> None:
    alike = {"a": [110.0] * 3, "b": [110.0] * 3}
    film = average_film(alike)
    for figure, n in ((film.mean_um, 2), (film.thinnest_um, 3)):
        assert figure.value == 110
        assert figure.high - 110 == pytest.approx(1.96 * np.sqrt(1 / 12 / n), abs=1e-3)
        assert 110 - figure.low == pytest.approx(figure.high - 110)
    taken = film_taken(alike, {"c": [108.0] * 3, "d": [108.0] * 3}).mean_um
    assert taken.value == 2
    assert taken.low < 2 - 1.96 * np.sqrt(1 / 12) < 2 + 1.96 * np.sqrt(1 / 12) < taken.high


def test_one_spot_is_as_sure_in_a_difference_as_alone() -> None:
    before, after = ({"a": [120.0, 121, 119]}, {"b": [116.0, 117, 115]})
    alone = average_film(before).mean_um
    taken = film_taken(before, after).mean_um
    assert taken.value == 4
    assert taken.high - 4 == pytest.approx(np.sqrt(2) * (alone.high - alone.value))
    # Many spots on one side do not make that one surer, nor less sure.
    many = {str(number): [120.0 + number, 121, 119] for number in range(-3, 4)}
    mixed = film_taken(many, after).mean_um
    assert mixed.high - mixed.value < 1.2 * (taken.high - 4)


def test_a_spot_counts_as_last_read_unless_it_reads_much_thicker() -> None:
    first = average_film({"a": [110.0] * 3, "thin": [81.0] * 3, UNNAMED: [100.0] * 3})
    again = average_film({"a": [109.0] * 3, UNNAMED: [99.0] * 3})
    assert spots_that_count([first, None, again]) == (("thin", UNNAMED), (), ("a", UNNAMED))
    elsewhere = average_film({"thin": [95.0] * 3})
    assert spots_that_count([first, elsewhere]) == (("a", "thin", UNNAMED), ("thin",))
    assert spots_that_count([first, average_film({"thin": [82.0] * 3})])[0] == ("a", UNNAMED)


def test_film_that_reads_thicker_beyond_its_interval_is_found() -> None:
    thicker = {name: [value + 3 for value in values] for name, values in BEFORE.items()}
    films = average_states([BEFORE, AFTER, None, thicker, BEFORE])
    found = surely_thicker(films)
    rise = np.mean(spot_means(thicker)) - np.mean(spot_means(AFTER))
    assert found[3] == pytest.approx(rise)
    assert sorted(found) == [3, 4]
    # Read elsewhere, the means of few spots leave it open.
    moved = {f"{name} later": values for name, values in thicker.items()}
    assert surely_thicker(average_states([BEFORE, moved])) == {}
    # What was read in doubt takes no earlier reading's place.
    assert spots_that_count(films)[1] == tuple(AFTER)


def test_film_taken_at_one_spot_carries_the_spread_of_its_readings() -> None:
    alike = film_taken({"a": [110.0] * 3}, {"a": [108.0] * 3})
    assert alike.standard_error_um == pytest.approx(1)
    spread = film_taken({"a": [108.0, 110, 112]}, {"a": [106.0, 110, 111]})
    # Readings of 2 and 2.65 um about their means, three in each state, beside 1 um of cut.
    assert spread.standard_error_um == pytest.approx(np.sqrt(1 + (2**2 + 7) / 2 * 2 / 3))
    assert spread.mean_um.high - spread.mean_um.value > 1.96 * spread.standard_error_um
    rng = np.random.default_rng(3)
    held, drawn = 0, 400
    for _ in range(drawn):
        before, after = (
            {"a": list(np.round(rng.normal(film, 1.5, 5)))} for film in (110.3, 110.3 - 1.5)
        )
        mean = film_taken(before, after, repeatable_um=20).mean_um
        held += mean.low <= 1.5 <= mean.high
    assert held / drawn >= 0.93


def test_one_common_spot_of_many_does_not_speak_for_the_panel() -> None:
    other = {"a": AFTER["a"], **{f"{n} later": v for n, v in AFTER.items() if n != "a"}}
    taken = film_taken(BEFORE, other)
    assert not taken.paired
    assert taken.n_spots == 5
    assert film_taken(BEFORE, {"a": AFTER["a"]}).paired
