"""One shot's landmarks are found in another where they are, and not where they are not."""

import numpy as np
import pytest

from defectscan.imaging.landmark_matching import edge_links, match_edges, speck_links
from defectscan.imaging.landmarks import Landmarks, ShotPair, find_landmarks
from defectscan.imaging.panel_motion import from_homography, residuals
from tests.drawn_panel import TAPE, TRIM, DrawnPanel, draw_picture, draw_specks

SHIFT_PX = np.array([3.3, -2.2])
PANEL = DrawnPanel(shapes=(TRIM, TAPE), specks_px=draw_specks(np.random.default_rng(1), 30))
STILL = from_homography(np.eye(3))
TRUTH = from_homography(
    np.array([[1, 0, -SHIFT_PX[0] / 500], [0, 1, -SHIFT_PX[1] / 500], [0, 0, 1]])
)


def look(panel: DrawnPanel, seed: int, *, moved: bool = False) -> Landmarks:
    picture, ignore = draw_picture(
        panel,
        np.random.default_rng(seed),
        move=lambda xy: xy + moved * SHIFT_PX,
        highlight_px=(430, 330) if moved else (520, 400),
    )
    return find_landmarks(picture, ignored=ignore)


@pytest.fixture(scope="module")
def shots() -> ShotPair:
    return ShotPair(before=look(PANEL, 2), after=look(PANEL, 3, moved=True))


@pytest.mark.parametrize("coarse", [False, True])
@pytest.mark.parametrize("backward", [False, True])
def test_edges_are_found_as_far_off_as_they_are(
    shots: ShotPair, coarse: bool, backward: bool
) -> None:
    found = match_edges(shots, STILL, reach=6, coarse=coarse, backward=backward)
    assert found.n_found > 0.95 * found.n_seen > 100
    off = np.abs((found.other_xy_px - found.own_xy_px) @ SHIFT_PX) / np.linalg.norm(SHIFT_PX)
    expected = np.abs(found.normal @ SHIFT_PX)
    distance = found.distance_px[found.found]
    assert np.median(np.abs(distance - expected)) < (0.5 if coarse else 0.15)
    assert (off < np.linalg.norm(SHIFT_PX) + 2).all()


def test_edge_links_fit_the_truth(shots: ShotPair) -> None:
    links = edge_links(shots, STILL, reach=8)
    assert not links.is_point.any()
    off = residuals(TRUTH, links)
    assert np.median(np.abs(off[:, 0])) * 500 < 0.15
    assert (off[:, 1] == 0).all()


def test_edges_that_are_not_there_are_not_found(shots: ShotPair) -> None:
    bare = look(DrawnPanel(specks_px=np.empty((0, 2))), 4)
    found = match_edges(ShotPair(before=shots.before, after=bare), STILL, reach=8)
    assert found.n_seen > 100
    assert found.n_found < 0.15 * found.n_seen
    assert match_edges(ShotPair(before=bare, after=shots.before), STILL, reach=8).n_seen == 0


def test_specks_are_linked_to_their_own(shots: ShotPair) -> None:
    links = speck_links(shots, STILL, within_px=6)
    off = np.hypot(*residuals(TRUTH, links).T) * 500
    assert (off < 0.5).sum() >= 15
    assert (off < 0.5).mean() > 0.8
    near = speck_links(shots, TRUTH, within_px=0.0)
    assert len(near) >= (off < 0.5).sum()
    bare = look(DrawnPanel(specks_px=np.empty((0, 2))), 5)
    assert len(speck_links(ShotPair(before=bare, after=shots.after), TRUTH, within_px=1)) <= 5
