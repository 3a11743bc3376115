"""Moments in local time."""

import pytest

from defectscan.workshop.local_time import local_day, local_time, place_in_time


@pytest.mark.usefixtures("ahead_of_utc")
@pytest.mark.parametrize(
    ("moment", "day"),
    [
        ("2026-05-31T12:30:00.000000+00:00", "2026-06-01"),
        ("2026-05-31T11:30:00+00:00", "2026-05-31"),
        ("2026-05-31T23:30:00", "2026-05-31"),  # typed without an offset: the rater's own day
        ("2026-05-31", "2026-05-31"),
        ("9999-12-31T23:00:00+00:00", "9999-12-31"),
        ("some time in May", "some time "),
        ("", ""),
    ],
)
def test_the_day_is_the_one_here(moment: str, day: str) -> None:
    assert local_day(moment) == day


@pytest.mark.usefixtures("ahead_of_utc")
def test_the_hour_is_the_one_here() -> None:
    told = local_time("2026-05-31T12:30:00+00:00")
    assert told is not None
    assert f"{told:%Y-%m-%d %H:%M}" == "2026-06-01 00:30"
    assert local_time("some time in May") is None


@pytest.mark.usefixtures("ahead_of_utc")
def test_moments_are_sorted_by_local_time() -> None:
    later = ["some time in May", "2026-06-01", "2026-05-31T20:00:00+00:00", "2026-06-02"]
    assert sorted(later, key=place_in_time) == later
