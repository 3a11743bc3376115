"""Rendered photos for decks: the range asked for, all paints, the same again by the same seed."""

import numpy as np
import pytest

from defectscan.errors import DefectscanError
from defectscan.simulation.deck_photos import render_pairs, render_singles

RANGE = (2.0, 200.0)


def test_single_states_cover_the_range() -> None:
    photos = render_singles(3, range_mm_per_cm2=RANGE, seed=5, width_px=400)
    densities = [photo.density_mm_per_cm2 for photo in photos]
    assert densities[0] == pytest.approx(2, abs=4)
    assert densities[1] == pytest.approx(20, rel=0.5)
    assert densities[2] == pytest.approx(200, rel=0.25)
    assert len({photo.paint for photo in photos}) == 3
    lit = [int(np.count_nonzero(photo.lit)) for photo in photos]
    assert lit[0] < lit[2]
    assert all(photo.jpeg.startswith(b"\xff\xd8") for photo in photos)
    for photo in photos:
        assert sum(photo.kinds_mm_per_cm2.values()) == pytest.approx(photo.density_mm_per_cm2)


def test_pairs_cover_small_and_large_corrections_and_come_again() -> None:
    told: list[str] = []
    few = (2.0, 70.0)  # lines, to be rendered fast
    pairs = render_pairs(2, range_mm_per_cm2=few, seed=5, width_px=400, progress=told.append)
    shares = [after.density_mm_per_cm2 / before.density_mm_per_cm2 for before, after in pairs]
    assert shares[0] == pytest.approx(0.95, abs=0.05)
    assert shares[1] == pytest.approx(0.03, abs=0.05)
    assert told == ["rendered 1", "rendered 2"]
    again = render_pairs(2, range_mm_per_cm2=few, seed=5, width_px=400)
    assert [a.jpeg for pair in again for a in pair] == [a.jpeg for pair in pairs for a in pair]


@pytest.mark.parametrize("odd", [(0, 10), (10, 5), (10, 2000), (float("nan"), 5)])
def test_a_range_that_is_none_is_refused(odd: tuple[float, float]) -> None:
    with pytest.raises(DefectscanError, match="range of line densities"):
        render_singles(2, range_mm_per_cm2=odd, seed=0, width_px=400)
