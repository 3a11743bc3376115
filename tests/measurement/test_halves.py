"""Two halves of one photo: lines cut in two, directions weighed, intervals widened."""

import numpy as np
import pytest

from defectscan.measurement.comparison import Correction
from defectscan.measurement.halves import (
    lines_in,
    over_directions,
    shared_directions,
    widened,
)
from defectscan.measurement.lines import Lines
from defectscan.measurement.score import Count, Interval

N_SECTORS = 6


def straight(*courses: tuple[float, float, float, int]) -> Lines:
    """Return straight lines: x and y of the start, direction in degrees, length in px."""
    xy, tangent, number = [], [], []
    for k, (x, y, angle_deg, n) in enumerate(courses):
        along = np.array([np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))])
        xy.append(np.array([x, y]) + np.arange(n)[:, None] * along)
        tangent.append(np.tile(along, (n, 1)))
        number.append(np.full(n, k))
    total = sum(len(part) for part in xy)
    return Lines(
        xy_px=np.concatenate(xy), tangent=np.concatenate(tangent), length_px=np.ones(total),
        contrast=np.ones(total), line=np.concatenate(number),
        evidence=np.full(len(courses), 40.0),
    )  # fmt: skip


def count_of(exposure_shares: list[float], *, share: list[float], typical: float = 1.0) -> Count:
    return Count(
        share=np.array(share), false=np.zeros(len(share)), sector=np.zeros(N_SECTORS),
        typical=typical, ring_limit_px=np.array([500.0]),
        exposure_shares=np.array(exposure_shares), crowding=0.0, thinned=False, spread=0.0,
    )  # fmt: skip


def test_a_line_over_the_border_has_a_part_in_each_half() -> None:
    lines = straight((30.0, 20.0, 0.0, 60), (10.0, 50.0, 90.0, 20), (60.0, 80.0, 0.0, 10))
    left = np.zeros((100, 100), dtype=bool)
    left[:, :50] = True
    one, two = lines_in(lines, left), lines_in(lines, ~left)
    assert (one.n, two.n) == (2, 2)
    assert one.total(one.length_px) == pytest.approx([20, 20])
    assert two.total(two.length_px) == pytest.approx([40, 10])
    # What was seen of the whole line is shared out with its length.
    assert one.evidence == pytest.approx([40 / 3, 40])
    assert two.evidence == pytest.approx([80 / 3, 40])


def test_a_stub_of_a_line_is_left_out() -> None:
    lines = straight((44.0, 20.0, 0.0, 56))
    left = np.zeros((100, 100), dtype=bool)
    left[:, :50] = True
    assert lines_in(lines, left).n == 0
    assert lines_in(lines, ~left).n == 1
    assert lines_in(lines_in(lines, left), left).n == 0


def test_directions_that_both_halves_show_alike_all_count() -> None:
    even = count_of([1.0] * N_SECTORS, share=[])
    assert shared_directions(even, even) == pytest.approx(np.ones(N_SECTORS))


def test_a_direction_that_one_half_does_not_show_does_not_count() -> None:
    one = count_of([1.5, 1.5, 1.0, 1.0, 1.0, 0.0], share=[])
    two = count_of([1.0] * N_SECTORS, share=[])
    weights = shared_directions(one, two)
    assert weights[5] == 0
    assert weights[:5] == pytest.approx(1.0, abs=0.2)
    assert weights[0] >= weights[2]
    assert np.array_equal(weights, shared_directions(two, one))
    only = [3.0, 3.0, 0.0, 0.0, 0.0, 0.0]
    apart = [count_of(shares, share=[]) for shares in (only, only[::-1])]
    assert not shared_directions(*apart).any()


def test_even_weights_change_no_density() -> None:
    lines = straight(*((50.0, 50.0, 15.0 + 30 * k, 10) for k in range(N_SECTORS)))
    count = count_of([1.0] * N_SECTORS, share=[1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    same = over_directions(count, lines, np.ones(N_SECTORS))
    assert same.density == pytest.approx(count.density)
    # One direction alone stands for all six.
    only = over_directions(count, lines, np.array([0, 0, 1.0, 0, 0, 0]))
    assert only.density == pytest.approx(18.0)


def test_directions_unseen_were_made_up_for_and_are_not_again() -> None:
    lines = straight(*((50.0, 50.0, 15.0 + 30 * k, 10) for k in range(N_SECTORS)))
    # Each seen direction's own density is 12: made up for the unseen one, 12/6 · 6/5 each.
    count = count_of([1.2] * 5 + [0.0], share=[2.4] * 5 + [0.0])
    assert count.density == pytest.approx(12.0)
    weights = np.array([1.0, 0.5, 0.5, 1.0, 1.0, 0.0])
    assert over_directions(count, lines, weights).density == pytest.approx(12.0)


def test_a_further_uncertainty_widens_and_never_narrows() -> None:
    correction = Correction(percent=Interval(value=60.0, low=50.0, high=68.0))
    assert widened(correction, 0.0) == correction
    wide = widened(correction, 0.2).percent
    assert wide is not None
    assert wide.value == 60.0
    assert wide.low < 50.0
    assert 68.0 < wide.high < 100
    # Without sampling error the interval is that of the further one alone.
    alone = widened(Correction(percent=Interval(value=60.0, low=60.0, high=60.0)), 0.2).percent
    assert alone is not None
    assert (100 - alone.low) / 40 == pytest.approx(np.exp(1.96 * 0.2))
    assert (100 - alone.high) / 40 == pytest.approx(np.exp(-1.96 * 0.2))


def test_what_is_undefined_or_all_gone_stays_so() -> None:
    assert widened(Correction(percent=None), 0.3).percent is None
    gone = widened(Correction(percent=Interval(value=100.0, low=90.0, high=100.0)), 0.3).percent
    assert gone is not None
    assert (gone.value, gone.high) == (100.0, 100.0)
    assert gone.low < 90.0
