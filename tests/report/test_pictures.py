"""Photos and overlays for the page."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from defectscan.report.content import Coverage, DensityMap, Highlight, Line, Picture
from defectscan.report.marks import Photo
from defectscan.report.pictures import (
    cover,
    encode,
    frame_layer,
    heat,
    layer,
    outline,
    rings,
)


def decoded_from(photo: Photo) -> NDArray[np.uint8]:
    decoded = cv2.imdecode(np.frombuffer(photo.jpeg, np.uint8), cv2.IMREAD_COLOR_RGB)
    assert decoded is not None
    return decoded.astype(np.uint8)


def test_photo_is_reduced_and_keeps_its_frame_and_colours() -> None:
    image = np.zeros((300, 400, 3), np.uint8)
    image[:, :200] = (200, 40, 20)
    photo = encode(image, 100)
    assert (photo.width_px, photo.height_px) == (400, 300)
    decoded = decoded_from(photo)
    assert decoded.shape == (75, 100, 3)
    assert decoded[40, 20].tolist() == pytest.approx([200, 40, 20], abs=8)
    assert decoded[40, 80].tolist() == pytest.approx([0, 0, 0], abs=8)


@pytest.mark.parametrize("size", [(1, 900), (900, 1), (333, 777), (801, 400)])
def test_longest_side_is_kept_to_and_no_side_vanishes(size: tuple[int, int]) -> None:
    photo = encode(np.full((*size, 3), 90, np.uint8), 200)
    decoded = decoded_from(photo)
    assert max(decoded.shape[:2]) == 200
    expected = [max(1, side * 200 / max(size)) for side in size]
    assert list(decoded.shape[:2]) == pytest.approx(expected, abs=1)


def test_small_photo_is_not_enlarged() -> None:
    photo = encode(np.full((3, 2, 3), 90, np.uint8))
    assert decoded_from(photo).shape == (3, 2, 3)


def test_lines_keep_their_course_with_fewer_points() -> None:
    angle = np.linspace(0, 1, 200)
    arc = 100 * np.column_stack([np.cos(angle), np.sin(angle)])
    straight = np.column_stack([np.linspace(0, 50, 51), np.zeros(51)])
    made = layer("removed", [Line(points_px=arc), Line(points_px=straight)])
    thinned, ends = made.paths
    assert ends == ((0.0, 0.0), (50.0, 0.0))
    assert len(thinned) < 30
    distance = np.abs(np.hypot(*np.array(thinned).T) - 100)
    assert distance.max() < 0.1


def test_frame_holds_zone_and_highlight() -> None:
    zone = np.array([[0, 0], [9, 0], [9, 9], [0, 9]], float)
    spot = Highlight(x_px=5, y_px=5, radius_px=2)
    picture = Picture(image=np.zeros((10, 10, 3), np.uint8), zone_px=(zone,), highlight=spot)
    square, circle = frame_layer(picture).paths
    assert set(square) == {(0, 0), (9, 0), (9, 9), (0, 9)}
    assert np.hypot(*(np.array(circle) - 5).T) == pytest.approx(2, abs=0.1)


def test_outline_follows_the_zone_and_its_hole() -> None:
    zone = np.zeros((20, 30), bool)
    zone[3:17, 4:26] = True
    zone[8:12, 10:15] = False
    outer, hole = outline(zone)
    assert (outer.min(axis=0).tolist(), outer.max(axis=0).tolist()) == ([4, 3], [25, 16])
    assert (hole.min(axis=0).tolist(), hole.max(axis=0).tolist()) == ([9, 7], [15, 12])


def test_heat_leaves_out_what_was_not_measured_and_sorts_the_rest() -> None:
    values = np.array([[0.0, 50.0], [np.nan, 100.0]])
    made = heat(DensityMap(values=values, extent_px=(0, 0, 200, 100)), "mm/cm²")
    assert [cell.level for cell in made.cells] == [0, 2, 4]
    assert [text for _, text in made.key] == [
        "0 to 20",
        "20 to 40",
        "40 to 60",
        "60 to 80",
        "80 to 100 mm/cm²",
    ]
    assert (made.cells[2].x_px, made.cells[2].y_px) == (104, 52)


def test_heat_of_nothing_measured_is_empty() -> None:
    made = heat(DensityMap(values=np.full((2, 2), np.nan), extent_px=(0, 0, 9, 9)), "mm/cm²")
    assert (made.cells, made.key) == ((), ())


def test_covered_ground_is_drawn_in_few_pieces_by_how_often() -> None:
    counts = np.array([[0, 1, 1, 2], [0, 1, 1, 2], [3, 5, 0, 0]])
    ground = Coverage(
        n_shots=counts, extent_px=(-0.5, -0.5, 39.5, 29.5), highlights_px=np.zeros((0, 2)),
        area_cm2=None, shots_laid=5, shots_not_laid=0,
    )  # fmt: skip
    made = cover(ground)
    pieces = [(c.x_px, c.y_px, c.width_px, c.height_px, c.level) for c in made.cells]
    assert pieces == [(9.5, -0.5, 20, 20, 0), (29.5, -0.5, 10, 20, 1), (-0.5, 19.5, 20, 10, 2)]
    assert [label for _, label in made.key] == [
        "Covered once", "Covered twice", "Covered more often",
    ]  # fmt: skip


def test_rings_stand_round_their_places() -> None:
    made = rings(np.array([[40.0, 30.0], [90.0, 12.0]]), 5.0)
    assert made.closed
    for path, place in zip(made.paths, ((40, 30), (90, 12)), strict=True):
        assert np.hypot(*(np.array(path) - place).T) == pytest.approx(5, abs=0.1)
