"""Pairing: lines of one groove in several shots, and where two shots show the same grooves."""

from dataclasses import replace

import numpy as np
import pytest

from defectscan.measurement.glint import circles
from defectscan.measurement.lines import Lines
from defectscan.measurement.pairing import Partner, carried, groove_numbers, pair_weight
from defectscan.measurement.score import count_lines
from defectscan.measurement.thinning import NO_THINNING
from defectscan.measurement.window import zone_grid
from tests.drawn_lines import lit_grooves, no_lines, ring_zone, shot_of, straight_lines

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


def test_ground_that_both_shots_show_alike_weighs_most() -> None:
    # The same lamp twice, but the other photo ends in the middle.
    half = ZONE.copy()
    half[:, 360:] = False
    other = shot_of(no_lines(), half, CIRCLES)
    weight = pair_weight([Partner(shot=other, homography=np.eye(3))], surviving=0.8)
    points, tilt = zone_grid(shot_of(no_lines(), ZONE, CIRCLES))
    found = weight(points, tilt)
    assert found[points[:, 0] < 340].min() > 2 * found[points[:, 0] > 380].max()
    assert (found > 0).all()


def test_pairing_fades_as_the_lamps_part() -> None:
    points, tilt = zone_grid(shot_of(no_lines(), ZONE, CIRCLES))
    means = []
    for move_px in (0.0, 30.0, 90.0):
        moved = replace(CIRCLES, centre_px=CENTRE + np.array([move_px, 0]))
        other = shot_of(no_lines(), np.ones(SHAPE, dtype=bool), moved)
        weight = pair_weight([Partner(shot=other, homography=np.eye(3))], surviving=0.8)
        means.append(float(weight(points, tilt).mean()))
    assert means[0] > means[1] > means[2]


def test_where_nothing_survives_nothing_is_gained_by_pairing() -> None:
    half = ZONE.copy()
    half[:, 360:] = False
    other = shot_of(no_lines(), half, CIRCLES)
    points, tilt = zone_grid(shot_of(no_lines(), ZONE, CIRCLES))
    spread = []
    for surviving in (0.0, 0.5, 1.0):
        weight = pair_weight([Partner(shot=other, homography=np.eye(3))], surviving=surviving)
        found = weight(points, tilt)
        spread.append(float(found.max() / found.min()))
    assert 1 <= spread[0] < 1.2
    assert spread[0] < spread[1] < spread[2]


def test_a_weighted_count_is_as_unbiased() -> None:
    moved = replace(CIRCLES, centre_px=CENTRE + np.array([60, 20]))
    other = shot_of(no_lines(), np.ones(SHAPE, dtype=bool), moved)
    weight = pair_weight([Partner(shot=other, homography=np.eye(3))], surviving=0.8)
    found = [
        count_lines(
            [shot_of(strewn(seed, 0.03), ZONE, CIRCLES)], weights=[weight], thinning=NO_THINNING
        ).density
        for seed in range(80)
    ]
    error = np.std(found, ddof=1) / np.sqrt(len(found))
    assert np.mean(found) == pytest.approx(0.03, abs=2.6 * error)
