"""Landmarks: what is fixed to the panel is found, and the lamp's doing is not."""

import numpy as np
from scipy.spatial import cKDTree

from defectscan.imaging.landmarks import find_landmarks
from tests.drawn_panel import TRIM, DrawnPanel, draw_picture, draw_specks

NO_SPECKS = np.empty((0, 2))


def test_the_highlight_and_its_lines_are_no_landmarks() -> None:
    picture, ignore = draw_picture(
        DrawnPanel(specks_px=NO_SPECKS), np.random.default_rng(1), n_lines=400, loose_specks=0
    )
    found = find_landmarks(picture, ignored=ignore)
    assert len(found.edge_xy_px) == 0
    assert len(found.speck_xy_px) <= 12  # of 400 lines


def test_edges_are_found_where_they_are() -> None:
    panel = DrawnPanel(shapes=(TRIM,), specks_px=NO_SPECKS)
    picture, ignore = draw_picture(panel, np.random.default_rng(2))
    found = find_landmarks(picture, ignored=ignore)
    corners = TRIM[0]
    sides = [(corners[0], corners[3]), (corners[1], corners[2])]
    off = []
    for start, end in sides:
        along = (end - start) / np.linalg.norm(end - start)
        across = (found.edge_xy_px - start) @ np.array([-along[1], along[0]])
        off.append(np.abs(across))
    nearest = np.min(off, axis=0)
    # points lie on a grid of 4 px
    assert np.quantile(nearest, 0.98) < 4
    # both sides, every 8 px, of 750 px each
    assert 150 < len(found.edge_xy_px) < 420
    # the trim is darker: towards the brighter side is away from its middle
    outward = np.sign(found.edge_xy_px[:, 0] - 850 + (found.edge_xy_px[:, 1] - 375) * 0.052)
    assert (np.sign(found.edge_normal[:, 0]) == outward).mean() > 0.98


def test_specks_are_found_to_a_fraction_of_a_pixel() -> None:
    specks = draw_specks(np.random.default_rng(3), 40)
    picture, ignore = draw_picture(
        DrawnPanel(specks_px=specks), np.random.default_rng(4), loose_specks=0, n_lines=0
    )
    found = find_landmarks(picture, ignored=ignore)
    inside = ((specks > 14) & (specks < np.array([986, 736]))).all(axis=1)
    inside &= np.linalg.norm(specks - (520, 400), axis=1) > 66
    distance, _ = cKDTree(found.speck_xy_px).query(specks[inside])
    assert (distance < 0.3).mean() > 0.9
    assert found.speck_is_bright.all()


def test_no_speck_is_taken_from_a_line() -> None:
    specks = draw_specks(np.random.default_rng(3), 40)
    picture, ignore = draw_picture(DrawnPanel(specks_px=specks), np.random.default_rng(4))
    lines = np.zeros_like(ignore)
    lines[:, :500] = True
    found = find_landmarks(picture, ignored=ignore, lines=lines)
    assert len(found.speck_xy_px)
    assert (found.speck_xy_px[:, 0] > 498).all()


def test_units_are_half_the_longer_side_from_the_middle() -> None:
    picture, ignore = draw_picture(DrawnPanel(specks_px=NO_SPECKS), np.random.default_rng(5))
    found = find_landmarks(picture, ignored=ignore)
    corners = np.array([[0.0, 0.0], [999.0, 749.0]])
    np.testing.assert_allclose(found.to_unit(corners), [[-0.999, -0.749], [0.999, 0.749]])
    np.testing.assert_allclose(found.to_px(found.to_unit(corners)), corners)


def test_a_picture_of_nothing_has_no_landmarks() -> None:
    found = find_landmarks(
        np.full((240, 320), 0.2, dtype=np.float32), ignored=np.zeros((240, 320), dtype=bool)
    )
    assert len(found.edge_xy_px) == len(found.speck_xy_px) == 0
