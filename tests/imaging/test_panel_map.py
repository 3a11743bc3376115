"""A map of pixels with a bend, and the flat one nearest to it."""

from dataclasses import replace

import numpy as np
import pytest

from defectscan.imaging.panel_map import PanelMap

FLAT = PanelMap(
    homography=np.array([[1.02, 0.01, 5.0], [-0.01, 0.98, -3.0], [1e-5, -2e-5, 1.0]]) * 2,
    bend_px=np.zeros((2, 3)),
    middle_px=np.array([500.0, 400.0]),
    half_px=500.0,
)
GRID_PX = np.stack(np.meshgrid(np.linspace(0, 1000, 11), np.linspace(0, 800, 9)), axis=-1).reshape(
    -1, 2
)


def test_a_flat_map_is_its_homography() -> None:
    homography, bend_px = FLAT.flattened(GRID_PX)
    assert homography == pytest.approx(FLAT.homography / 2)
    assert bend_px == 0


def test_a_bend_adds_what_it_says_and_is_told_in_pixels() -> None:
    # 8 px in x at the right end, as u² does.
    bent = replace(FLAT, bend_px=np.array([[8.0, 0, 0], [0, 0, 0]]))
    off = bent.to_before(GRID_PX) - FLAT.to_before(GRID_PX)
    assert off[:, 0] == pytest.approx(8 * ((GRID_PX[:, 0] - 500) / 500) ** 2)
    assert off[:, 1] == pytest.approx(0)
    _, bend_px = bent.flattened(GRID_PX)
    assert 1 < bend_px < 4
