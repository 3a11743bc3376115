"""The centre of rings: found from the lines alone, and none where there are no rings."""

import numpy as np
import pytest
from numpy.typing import NDArray

from defectscan.measurement.lines import Lines
from defectscan.measurement.rings import centre_of_rings, find_rings

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

SIDE_PX, RADIUS_PX = 1000.0, 12.0
CENTRE = np.array([430.0, 380.0])


def glinting(*, stretch: float, reach_px: float, n: int = 150) -> Lines:
    """Return short lines on rings round `CENTRE`, u = s·t within the reach.

    Parameters
    ----------
    stretch
        Needed tilt per px along y over that along x.
    reach_px
        Greatest |u|.
    n
        How many.
    """
    rng = np.random.default_rng(4)
    xy: list[Floats] = []
    tangent: list[Floats] = []
    number: list[Indices] = []
    while len(xy) < n:
        place = rng.uniform((0, 0), (1000, 750))
        away = place - CENTRE
        if np.linalg.norm(away) < 60:
            continue
        tilt = away * np.array([1, stretch])
        sine = rng.uniform(-1, 1) * reach_px / np.linalg.norm(tilt)
        angle = np.arctan2(tilt[1], tilt[0]) + np.pi / 2 + np.arcsin(np.clip(sine, -1, 1))
        along = np.array([np.cos(angle), np.sin(angle)])
        points = place + np.arange(-7, 8)[:, None] * along
        number.append(np.full(len(points), len(xy)))
        xy.append(points)
        tangent.append(np.tile(along, (len(points), 1)))
    total = sum(map(len, xy))
    return Lines(
        xy_px=np.concatenate(xy), tangent=np.concatenate(tangent), length_px=np.ones(total),
        contrast=np.ones(total), line=np.concatenate(number), evidence=np.full(n, 40.0),
    )  # fmt: skip


@pytest.mark.parametrize("stretch", [1.0, 1.5])
def test_rings_are_found_along_a_strip_that_hides_their_centre(stretch: float) -> None:
    lines = glinting(stretch=stretch, reach_px=10)
    strip = np.stack([np.full(48, 440.0), np.linspace(0, 749, 48)], axis=-1)
    found = find_rings(lines, strip, side_px=SIDE_PX, radius_px=RADIUS_PX)
    assert found is not None
    assert np.linalg.norm(found - CENTRE) < 5


def test_lines_in_all_directions_lie_on_no_rings() -> None:
    lines = glinting(stretch=1.0, reach_px=1e9)
    strip = np.stack([np.full(48, 440.0), np.linspace(0, 749, 48)], axis=-1)
    assert find_rings(lines, strip, side_px=SIDE_PX, radius_px=RADIUS_PX) is None


def test_a_centre_some_way_off_is_walked_to() -> None:
    lines = glinting(stretch=1.2, reach_px=8)
    centre, glint = centre_of_rings(
        lines, CENTRE + np.array([25, -20]), side_px=SIDE_PX, radius_px=RADIUS_PX
    )
    assert np.linalg.norm(centre - CENTRE) < 3
    assert not glint.assumed
    assert np.linalg.norm(glint.tilt(centre)) < 2
