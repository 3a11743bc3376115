"""Starts: the right one is among the few that the searches return."""

import numpy as np
import pytest
from numpy.typing import NDArray

from defectscan.imaging.landmarks import ShotPair, find_landmarks
from defectscan.imaging.panel_motion import FLAT, PanelMotion, project, start
from defectscan.imaging.pose_search import linked, poses_by_edges, poses_by_specks
from tests.drawn_panel import BADGE, SIZE_PX, TAPE, TRIM, DrawnPanel, draw_picture, draw_specks

Floats = NDArray[np.float64]

PANEL = DrawnPanel(shapes=(TRIM, TAPE, BADGE), specks_px=draw_specks(np.random.default_rng(1), 30))
ANGLE = np.deg2rad(4.0)
LINEAR = 1.05 * np.array([[np.cos(ANGLE), -np.sin(ANGLE)], [np.sin(ANGLE), np.cos(ANGLE)]])
MIDDLE = (np.array(SIZE_PX) - 1) / 2
MOVED = np.vstack([np.column_stack([LINEAR, MIDDLE - LINEAR @ MIDDLE + (60, -45)]), [0, 0, 1]])


@pytest.fixture(scope="module")
def shots() -> ShotPair:
    rng = np.random.default_rng(2)
    before = draw_picture(PANEL, rng)
    after = draw_picture(PANEL, rng, move=lambda xy: project(MOVED, xy), highlight_px=(430, 330))
    first, second = (find_landmarks(picture, ignored=ignore) for picture, ignore in (before, after))
    return ShotPair(before=first, after=second)


def error_px(shots: ShotPair, motion: PanelMotion) -> float:
    before, after = shots.before, shots.after
    points = np.random.default_rng(3).uniform((100, 100), (900, 650), (50, 2))
    there = before.to_px(motion.forth(after.to_unit(project(MOVED, points))))
    return float(np.linalg.norm(there - points, axis=1).mean())


def test_the_gradients_find_the_shift_among_turns_and_scales(
    shots: ShotPair,
) -> None:
    poses = poses_by_edges(shots, at_most=3)
    assert 1 <= len(poses) <= 3
    assert min(error_px(shots, pose) for pose in poses) < 30


def test_the_specks_vote_for_the_motion(shots: ShotPair) -> None:
    poses = poses_by_specks(shots, start(), at_most=4)
    assert 1 <= len(poses) <= 4
    assert min(error_px(shots, pose) for pose in poses) < 20


def test_too_few_specks_do_not_vote(shots: ShotPair) -> None:
    bare, ignore = draw_picture(
        DrawnPanel(specks_px=np.empty((0, 2))),
        np.random.default_rng(4),
        n_lines=0,
        loose_specks=2,
    )
    pair = ShotPair(before=shots.before, after=find_landmarks(bare, ignored=ignore))
    assert poses_by_specks(pair, start()) == []


@pytest.mark.parametrize("by", ["specks", "edges", "both"])
def test_links_and_fits_by_turns_end_at_the_truth(shots: ShotPair, by: str) -> None:
    best = min(poses_by_specks(shots, start()), key=lambda pose: error_px(shots, pose))
    found = linked(
        shots,
        best,
        expected=FLAT,
        within_px=(24, 12, 8, 5, 4),
        specks=by != "edges",
        edges=by != "specks",
        to_the_end=True,
    )
    assert found is not None
    assert error_px(shots, found) < 1.0


def test_without_links_there_is_no_fit(shots: ShotPair) -> None:
    empty = find_landmarks(
        np.full((750, 1000), 0.2, dtype=np.float32), ignored=np.zeros((750, 1000), dtype=bool)
    )
    pair = ShotPair(before=shots.before, after=empty)
    assert linked(pair, start(), expected=FLAT, within_px=(8,)) is None
