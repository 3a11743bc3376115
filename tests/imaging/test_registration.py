"""Registration: right where something holds the panel, refused with a reason where nothing does."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from defectscan.imaging.panel_motion import project
from defectscan.imaging.registration import Registration, register
from tests.drawn_panel import (
    BADGE,
    EDGE,
    SIZE_PX,
    TAPE,
    TRIM,
    DrawnPanel,
    Move,
    bar,
    draw_picture,
    draw_specks,
)

Floats = NDArray[np.float64]

NO_SPECKS = np.empty((0, 2))
GRID = np.stack(np.meshgrid(np.linspace(50, 950, 9), np.linspace(50, 700, 7)), -1).reshape(-1, 2)
MIDDLE = np.array([(SIZE_PX[0] - 1) / 2, (SIZE_PX[1] - 1) / 2])


def camera_moved(seed: int) -> Floats:
    """Draw a homography from before to after as a camera held by hand twice makes it."""
    rng = np.random.default_rng(seed)
    angle, scale = np.deg2rad(rng.uniform(-4, 4)), rng.uniform(0.9, 1.1)
    linear = scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    shift = MIDDLE - linear @ MIDDLE + rng.uniform(-40, 40, 2)
    slant = rng.uniform(-1.5e-5, 1.5e-5, 2)
    return np.block([[linear, shift[:, None]], [slant[None], np.ones((1, 1))]])


def by(homography: Floats) -> Move:
    return lambda xy: project(homography, xy)


def register_drawn(
    before: DrawnPanel, after: DrawnPanel, homography: Floats, *, seed: int = 0
) -> Registration:
    """Register two pictures with the highlight at other places and other lines of light."""
    rng = np.random.default_rng(seed)
    first, first_ignore = draw_picture(before, rng)
    second, second_ignore = draw_picture(
        after, rng, move=by(homography), highlight_px=(430, 330), exposure=0.8
    )
    return register(first, second, before_ignore=first_ignore, after_ignore=second_ignore)


def mean_error_px(found: Registration, homography: Floats) -> float:
    """Return the mean distance over the panel between where points are and where they are put."""
    mapped = project(found.homography_after_to_before, project(homography, GRID))
    return float(np.linalg.norm(mapped - GRID, axis=1).mean())


def span(homography: Floats) -> float:
    """Return how many pixels there one here spans, in the middle."""
    here = project(homography, MIDDLE + np.array([[0, 0], [1, 0], [0, 1]]))
    return float(np.sqrt(abs(np.linalg.det(here[1:] - here[0]))))


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize(
    "shapes", [(TRIM, TAPE), (EDGE, BADGE), (EDGE, TRIM, TAPE)], ids=["trim", "edge", "all"]
)
def test_a_panel_with_furniture_and_dust_is_registered_to_a_pixel(
    shapes: tuple[tuple[Floats, float], ...], seed: int
) -> None:
    panel = DrawnPanel(shapes=shapes, specks_px=draw_specks(np.random.default_rng(seed + 50), 20))
    moved = camera_moved(seed)
    found = register_drawn(panel, panel, moved, seed=seed)
    assert found.registered, found.reason
    assert mean_error_px(found, moved) < 1.0
    assert found.uncertainty_px <= 2.5
    assert found.bend_px == 0
    assert 0.6 < found.overlap <= 1


def test_edges_across_each_other_need_no_specks() -> None:
    panel = DrawnPanel(shapes=(TAPE, BADGE, TRIM, EDGE), specks_px=NO_SPECKS)
    moved = camera_moved(11)
    found = register_drawn(panel, panel, moved)
    assert found.registered, found.reason
    assert mean_error_px(found, moved) < 1.0


def test_specks_alone_register_a_panel_that_fills_the_frame() -> None:
    panel = DrawnPanel(specks_px=draw_specks(np.random.default_rng(3), 30))
    moved = camera_moved(5)
    found = register_drawn(panel, panel, moved)
    assert found.registered, found.reason
    assert found.n_edge_pieces == 0
    assert mean_error_px(found, moved) < 1.0


def test_the_highlight_and_its_rings_alone_are_nothing_to_hold_on_to() -> None:
    bare = DrawnPanel(specks_px=NO_SPECKS)
    found = register_drawn(bare, bare, camera_moved(1))
    assert not found.registered
    assert "speck" in found.reason
    assert np.isnan(found.homography_after_to_before).all()
    assert np.isnan(found.to_before(GRID)).all()
    assert found.for_scale is None


def test_a_single_strip_leaves_the_way_along_it_open() -> None:
    panel = DrawnPanel(shapes=(TRIM,), specks_px=NO_SPECKS)
    moved = camera_moved(2)
    found = register_drawn(panel, panel, moved)
    assert not found.registered
    assert "open" in found.reason
    assert found.uncertainty_px > 2.5
    assert found.edges_found > 0.9
    # How far away the camera was, a strip still tells.
    assert found.for_scale is not None
    assert span(found.for_scale) == pytest.approx(1 / span(moved), rel=0.02)
    assert abs(span(moved) - 1) > 0.04


def test_specks_close_the_way_along_a_single_strip() -> None:
    panel = DrawnPanel(shapes=(TRIM,), specks_px=draw_specks(np.random.default_rng(8), 20))
    moved = camera_moved(2)
    found = register_drawn(panel, panel, moved)
    assert found.registered, found.reason
    assert mean_error_px(found, moved) < 1.0


@pytest.mark.parametrize(
    "other",
    [
        DrawnPanel(specks_px=draw_specks(np.random.default_rng(91), 20)),
        DrawnPanel(
            shapes=((bar((700, 500), (140, 60), 70), 0.5), (bar((90, 375), (30, 1400), 0), 0.01)),
            specks_px=draw_specks(np.random.default_rng(92), 20),
        ),
        DrawnPanel(shapes=(TRIM,), specks_px=draw_specks(np.random.default_rng(93), 20)),
        DrawnPanel(
            shapes=((TRIM[0], 0.01), (bar((500, 700), (260, 60), 8), 0.5)),
            specks_px=draw_specks(np.random.default_rng(94), 20),
        ),
    ],
    ids=["bare", "other furniture", "same trim", "same trim, other tape"],
)
def test_two_panels_are_not_one(other: DrawnPanel) -> None:
    panel = DrawnPanel(
        shapes=(TRIM, TAPE, BADGE), specks_px=draw_specks(np.random.default_rng(90), 20)
    )
    found = register_drawn(panel, other, camera_moved(7))
    assert not found.registered
    assert found.reason


@pytest.mark.parametrize("quarter_turns", [1, 2, 3])
def test_a_turned_photo_is_registered_as_turned(quarter_turns: int) -> None:
    panel = DrawnPanel(shapes=(TRIM, TAPE), specks_px=draw_specks(np.random.default_rng(21), 20))
    rng = np.random.default_rng(4)
    moved = camera_moved(4)
    first, first_ignore = draw_picture(panel, rng)
    second, second_ignore = draw_picture(panel, rng, move=by(moved), highlight_px=(430, 330))
    turned = np.rot90(second, quarter_turns).copy()
    turned_ignore = np.rot90(second_ignore, quarter_turns).copy()
    found = register(first, turned, before_ignore=first_ignore, after_ignore=turned_ignore)
    assert found.registered, found.reason
    assert found.turned_deg == 90 * quarter_turns
    # where a point of the upright picture comes to lie in the turned one
    width, height = SIZE_PX
    quarter = {
        1: [[0, 1, 0], [-1, 0, width - 1], [0, 0, 1]],
        2: [[-1, 0, width - 1], [0, -1, height - 1], [0, 0, 1]],
        3: [[0, -1, height - 1], [1, 0, 0], [0, 0, 1]],
    }[quarter_turns]
    assert mean_error_px(found, np.array(quarter) @ moved) < 1.0


def test_a_shot_on_itself_stays_where_it_is() -> None:
    panel = DrawnPanel(shapes=(TRIM, TAPE), specks_px=draw_specks(np.random.default_rng(6), 12))
    shot, ignore = draw_picture(panel, np.random.default_rng(6))
    found = register(shot, shot, before_ignore=ignore, after_ignore=ignore)
    assert found.registered, found.reason
    assert_allclose(found.to_before(GRID), GRID, atol=0.05)
    assert_allclose(Registration.same().to_before(GRID), GRID)
    assert found.overlap == pytest.approx(1, abs=0.002)


def test_shots_of_different_size_are_registered() -> None:
    panel = DrawnPanel(shapes=(TRIM, TAPE), specks_px=draw_specks(np.random.default_rng(31), 20))
    moved = np.diag([0.8, 0.8, 1.0]) @ camera_moved(3)
    rng = np.random.default_rng(5)
    first, first_ignore = draw_picture(panel, rng)
    second, second_ignore = draw_picture(
        panel, rng, move=by(moved), highlight_px=(400, 280), size_px=(800, 600)
    )
    found = register(first, second, before_ignore=first_ignore, after_ignore=second_ignore)
    assert found.registered, found.reason
    assert mean_error_px(found, moved) < 1.0


def test_a_curved_panel_is_mapped_with_its_bend() -> None:
    panel = DrawnPanel(
        shapes=(TRIM, EDGE, TAPE, BADGE), specks_px=draw_specks(np.random.default_rng(41), 40)
    )
    moved = camera_moved(9)

    def bent(xy: Floats) -> Floats:
        # the middle of a cylinder about a level axis stands out towards the camera
        height = 1 - ((xy[:, 1] - MIDDLE[1]) / MIDDLE[1]) ** 2
        out: Floats = project(moved, xy) + height[:, None] * np.array([6.0, 10.0])
        return out

    rng = np.random.default_rng(9)
    first, first_ignore = draw_picture(panel, rng)
    second, second_ignore = draw_picture(panel, rng, move=bent, highlight_px=(430, 330))
    found = register(first, second, before_ignore=first_ignore, after_ignore=second_ignore)
    assert found.registered, found.reason
    off = np.linalg.norm(found.to_before(bent(GRID)) - GRID, axis=1).mean()
    flat = np.linalg.norm(
        project(found.homography_after_to_before, bent(GRID)) - GRID, axis=1
    ).mean()
    assert off < 1.0
    assert 1.0 < found.bend_px < 6.0
    assert off < flat / 2


def test_a_start_far_beyond_the_search_is_taken() -> None:
    panel = DrawnPanel(
        shapes=(TRIM, TAPE, BADGE), specks_px=draw_specks(np.random.default_rng(61), 20)
    )
    angle = np.deg2rad(24)
    linear = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    turned = np.block([[linear, (MIDDLE - linear @ MIDDLE)[:, None]], [np.eye(3)[2:]]])
    rng = np.random.default_rng(12)
    first, first_ignore = draw_picture(panel, rng)
    second, second_ignore = draw_picture(panel, rng, move=by(turned), highlight_px=(430, 330))
    found = register(
        first,
        second,
        before_ignore=first_ignore,
        after_ignore=second_ignore,
        initial=np.linalg.inv(turned),
    )
    assert found.registered, found.reason
    assert mean_error_px(found, turned) < 1.0
