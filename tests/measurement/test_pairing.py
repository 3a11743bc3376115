"""Pairing: lines of one groove in several shots."""

import numpy as np
import pytest

from defectscan.measurement.glint import circles
from defectscan.measurement.lines import Lines
from defectscan.measurement.pairing import carried, groove_numbers
from tests.drawn_lines import lit_grooves, no_lines, ring_zone, straight_lines

SHAPE = (540, 720)
CENTRE = np.array([355.0, 262.0])
ZONE = ring_zone(SHAPE, CENTRE, least_px=45)
CIRCLES = circles(CENTRE, reach_px=12)
MOVE = np.array([[1.0, 0.02, 15.0], [-0.02, 1.0, -9.0], [0, 0, 1]])


def strewn(seed: int, density: float = 0.1) -> Lines:
    rng = np.random.default_rng(seed)
    return lit_grooves(rng, CIRCLES, zone=ZONE, density_per_px=density)


def test_carried_lines_follow_the_homography() -> None:
    lines = strewn(10)
    there = carried(lines, MOVE)
    expected = lines.xy_px @ MOVE[:2, :2].T + MOVE[:2, 2]
    assert there.xy_px == pytest.approx(expected, abs=1e-6)
    assert np.linalg.norm(there.tangent, axis=-1) == pytest.approx(1)
    way = lines.tangent @ MOVE[:2, :2].T
    way /= np.linalg.norm(way, axis=-1, keepdims=True)
    assert np.sum(way * there.tangent, axis=-1) == pytest.approx(1)
    back = carried(there, np.linalg.inv(MOVE))
    assert back.xy_px == pytest.approx(lines.xy_px, abs=1e-6)
    assert carried(no_lines(), MOVE).n == 0


def test_stretches_of_one_groove_have_one_number() -> None:
    before = straight_lines([(100, 100, 140, 120), (100, 200, 140, 200)])
    # The first goes on after a gap; the second's neighbour runs beside it, and one crosses.
    after = straight_lines([(180, 140, 220, 160), (150, 225, 190, 225), (120, 190, 120, 212)])
    assert [n.tolist() for n in groove_numbers([before, after])] == [[0, 1], [0, 3, 4]]
    again = groove_numbers([before, before, after])
    assert [n.tolist() for n in again[:2]] == [[0, 1], [0, 1]]
    assert again[2][0] == 0
    assert len(set(again[2].tolist()) - {0, 1}) == 2


def test_lines_of_unknown_frames_are_grooves_of_their_own() -> None:
    lines = straight_lines([(100, 100, 140, 120), (100, 200, 140, 200)])
    assert [n.tolist() for n in groove_numbers([2, 3])] == [[0, 1], [2, 3, 4]]
    assert [n.tolist() for n in groove_numbers([lines, 1, lines])] == [[0, 1], [2], [0, 1]]
    assert [n.tolist() for n in groove_numbers([no_lines(), lines])] == [[], [0, 1]]
