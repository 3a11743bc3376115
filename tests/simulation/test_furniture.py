"""Furniture: sizes and places of strips, tape, emblem and edge."""

import cv2
import numpy as np
import pytest

from defectscan.simulation.furniture import draw_furniture, edge, emblem, strip, tape_piece
from defectscan.simulation.panel import Patch


def area_mm2(patch: Patch) -> float:
    return float(cv2.contourArea(np.asarray(patch.outline_mm, dtype=np.float32)))


def test_a_strip_has_its_size_and_place() -> None:
    lying = strip(offset_mm=30, angle_deg=0, width_mm=10, length_mm=200)
    outline = np.asarray(lying.outline_mm)
    assert outline.min(axis=0) == pytest.approx([-100, 25])
    assert outline.max(axis=0) == pytest.approx([100, 35])
    standing = np.asarray(strip(offset_mm=30, angle_deg=90, width_mm=10, length_mm=200).outline_mm)
    assert standing[:, 0].mean() == pytest.approx(-30)
    assert np.ptp(standing, axis=0) == pytest.approx([10, 200])


def test_tape_is_18_mm_wide() -> None:
    piece = tape_piece(middle_mm=(12.0, -7.0), angle_deg=0, length_mm=40)
    outline = np.asarray(piece.outline_mm)
    assert np.ptp(outline[:, 1]) == pytest.approx(18)
    assert area_mm2(piece) == pytest.approx(18 * 40, rel=0.01)
    assert piece.what == "tape"


def test_an_emblem_is_where_it_is_put() -> None:
    parts = emblem(middle_mm=(20.0, 10.0), size_mm=30)
    assert {part.what for part in parts} == {"emblem"}
    for part in parts:
        outline = np.asarray(part.outline_mm)
        assert np.abs(outline - (20, 10)).max() <= 15
    rim, inner = area_mm2(parts[0]), area_mm2(parts[1])
    assert inner < rim


def test_beyond_an_edge_lies_a_gap_and_then_something_else() -> None:
    beyond, gap = edge(offset_mm=60, angle_deg=0, gap_mm=4)
    assert np.asarray(gap.outline_mm)[:, 1].min() == pytest.approx(60)
    assert np.asarray(gap.outline_mm)[:, 1].max() == pytest.approx(64)
    assert np.asarray(beyond.outline_mm)[:, 1].min() == pytest.approx(64)


def test_there_is_always_something_and_at_times_everything() -> None:
    drawn = [draw_furniture(np.random.default_rng(s), extent_mm=(200, 150)) for s in range(80)]
    assert all(drawn)
    seen = {patch.what for parts in drawn for patch in parts}
    assert seen == {"trim", "tape", "emblem", "gap"}
    again = draw_furniture(np.random.default_rng(7), extent_mm=(200, 150))
    assert len(again) == len(drawn[7])
    assert all(
        np.array_equal(a.outline_mm, b.outline_mm) for a, b in zip(again, drawn[7], strict=True)
    )


def test_the_middle_of_the_panel_stays_free() -> None:
    for seed in range(80):
        for patch in draw_furniture(np.random.default_rng(seed), extent_mm=(200, 150)):
            outline = np.asarray(patch.outline_mm, dtype=np.float32)
            assert cv2.pointPolygonTest(outline, (0.0, 0.0), measureDist=True) < -10
