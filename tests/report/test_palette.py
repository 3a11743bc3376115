"""Colours that can be told apart, against the contrast formula of WCAG 2.1."""

from itertools import combinations, pairwise

import numpy as np
import pytest

from defectscan.report.palette import COVER, HEAT, INKS, STROKES
from defectscan.report.pictures import encode


def luminance(colour: str | tuple[float, ...]) -> float:
    """Relative luminance, WCAG 2.1 "Definitions"."""
    if isinstance(colour, str):
        colour = tuple(int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in colour]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str | tuple[float, ...], b: str | tuple[float, ...]) -> float:
    light, dark = sorted((luminance(a), luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_formula() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)  # WCAG 2.1, the largest possible


@pytest.mark.parametrize(
    "styles", [("removed", "remaining", "new"), ("swirl", "deep_scratch", "machine_trail")]
)
def test_lines_differ_in_lightness_and_in_form(styles: tuple[str, ...]) -> None:
    for a, b in combinations((STROKES[style] for style in styles), 2):
        assert contrast(a.colour, b.colour) > 1.5
        assert a.width_pt != b.width_pt
        assert a.dash_pt != b.dash_pt


@pytest.mark.parametrize("scratch", ["scratch_before", "scratch_after"])
def test_deep_scratches_are_the_widest_lines_over_a_pair(scratch: str) -> None:
    for style in ("removed", "remaining", "new", "frame"):
        assert STROKES[scratch].width_pt > 1.25 * STROKES[style].width_pt
    dashes = {STROKES[style].dash_pt for style in ("scratch_before", "scratch_after")}
    assert len(dashes) == 2


@pytest.mark.parametrize(
    "paint", [(8, 8, 10), (26, 33, 46), (150, 20, 24), (128, 128, 128), (250, 250, 250)]
)
def test_lines_stand_out_on_the_darkened_photo_of_any_paint(paint: tuple[int, int, int]) -> None:
    photo = encode(np.full((60, 80, 3), paint, np.uint8))
    backdrop = tuple((1 - photo.veil) * c / 255 for c in paint)
    for style in ("removed", "remaining", "new", "scratch_before", "scratch_after"):
        assert contrast(STROKES[style].colour, backdrop) >= 3  # WCAG 2.1, 1.4.11


def test_texts_are_readable_on_paper() -> None:
    for ink in ("ink", "muted", "after", "warning"):
        assert contrast(INKS[ink], INKS["paper"]) >= 4.5  # WCAG 2.1, 1.4.3
    for ink, ground in (("paper", "after"), ("on_before", "before"), ("muted", "faint")):
        assert contrast(INKS[ink], INKS[ground]) >= 4.5


def test_heat_grows_lighter_all_the_way() -> None:
    levels = [luminance(colour) for colour in HEAT]
    assert levels == sorted(levels)
    assert all(b > 1.3 * a for a, b in pairwise(levels))


def test_ground_covered_more_often_is_lighter() -> None:
    levels = [luminance(colour) for colour in COVER]
    assert all(b > 2 * a for a, b in pairwise(levels))
