"""What speaks for a fit: specks against chance, and how far off a fit says it may be."""

import numpy as np
import pytest
from scipy.stats import poisson

from defectscan.imaging.landmarks import ShotPair, find_landmarks
from defectscan.imaging.motion_proof import (
    _specks_against_chance,
    mean_distance_px,
    prove,
    shared_points,
    uncertainty_px,
)
from defectscan.imaging.panel_motion import from_homography, start
from tests.drawn_panel import SIZE_PX, TAPE, TRIM, DrawnPanel, draw_picture, draw_specks

PANEL = DrawnPanel(shapes=(TRIM, TAPE), specks_px=draw_specks(np.random.default_rng(1), 20))


@pytest.fixture(scope="module")
def shots() -> ShotPair:
    rng = np.random.default_rng(2)
    drawn = [draw_picture(PANEL, rng, highlight_px=place) for place in ((520, 400), (440, 330))]
    before, after = (find_landmarks(picture, ignored=ignore) for picture, ignore in drawn)
    return ShotPair(before=before, after=after)


@pytest.mark.parametrize(("is_bent", "edges_agree"), [(False, True), (True, True), (False, False)])
def test_so_many_specks_are_needed_that_chance_seldom_brings_them(
    is_bent: bool, edges_agree: bool
) -> None:
    density = 160 * 160 / 3e6
    _, needed = _specks_against_chance(
        np.empty(0), density=density, is_bent=is_bent, edges_agree=edges_agree, edges_differ=False
    )
    free, poses = (2 + is_bent, 1e3) if edges_agree else (3 + 2 * is_bent, 1e5)
    expected = density * np.pi  # within 1 px, the tolerance at which fewest are needed
    assert poisson.sf(needed - free - 1, expected) * poses < 1e-3
    assert poisson.sf(needed - free - 2, expected) * poses >= 1e-3


def test_specks_against_the_edges_must_be_more() -> None:
    off = np.full(9, 0.3)
    alike, unlike = (
        _specks_against_chance(
            off, density=1e-3, is_bent=False, edges_agree=False, edges_differ=differ
        )
        for differ in (False, True)
    )
    assert alike[0] == unlike[0] == 9
    assert unlike[1] == alike[1] + 4


def test_the_right_motion_is_proved_and_a_wrong_one_is_not(shots: ShotPair) -> None:
    right = prove(shots, from_homography(np.eye(3)))
    assert right.edges_agree
    assert right.specks_prove
    assert right.residual_px < 0.5
    assert right.overlap == pytest.approx(1)
    shift = np.eye(3)
    shift[0, 2] = 0.05  # 25 px
    wrong = prove(shots, from_homography(shift))
    assert not wrong.edges_agree
    assert not wrong.specks_prove
    assert wrong.score < right.score


def test_points_in_both_shots_are_told(shots: ShotPair) -> None:
    shift = np.eye(3)
    shift[0, 2] = 1.0  # half the width of the picture
    motion = from_homography(shift)
    points = shared_points(shots, motion, n_a_side=20)
    assert len(points) == pytest.approx(200, abs=20)
    assert (points[:, 0] < 0.01).all()
    assert prove(shots, motion).overlap == pytest.approx(0.5, abs=0.01)
    shift[0, 2] = 3.0
    assert not len(shared_points(shots, from_homography(shift), n_a_side=20))
    assert np.isinf(uncertainty_px(shots, from_homography(shift)))


def test_distances_between_motions_are_in_pixels(shots: ShotPair) -> None:
    shift = np.eye(3)
    shift[:2, 2] = 3 / (SIZE_PX[0] / 2)
    assert mean_distance_px(shots, start(), other=from_homography(shift)) == pytest.approx(3)
