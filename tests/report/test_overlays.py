"""The overlay as a picture file: the right photo, and each kind of line in its colour."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from defectscan.report.content import Line, Panel
from defectscan.report.overlays import overlay_jpeg
from defectscan.report.palette import STROKES


def decoded(panel: Panel) -> np.ndarray:
    picture = cv2.imdecode(np.frombuffer(overlay_jpeg(panel), np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    return picture[..., ::-1].astype(int)


def colour(style: str) -> np.ndarray:
    text = STROKES[style].colour
    return np.array([int(text[k : k + 2], 16) for k in (1, 3, 5)])


@pytest.mark.parametrize(
    "status", ["removed", "remaining", "new", "scratch_before", "scratch_after"]
)
def test_lines_have_the_colour_of_what_became_of_them(panel: Panel, status: str) -> None:
    course = np.stack([np.linspace(50, 250, 201), np.full(201, 80.0)], axis=-1)
    assert panel.registration is not None
    line = Line(points_px=course, status=status)  # type: ignore[arg-type]
    picture = decoded(replace(panel, registration=replace(panel.registration, lines=(line,))))
    on_line = picture[78:83, 50:250].reshape(-1, 3)
    near = np.abs(on_line - colour(status)).max(axis=-1) < 60
    assert near.mean() > 0.15
    away = np.abs(picture[150:] - colour(status)).max(axis=-1) < 60
    assert away.mean() < near.mean() / 4


def test_one_state_shows_its_own_lines_by_kind(panel: Panel) -> None:
    course = np.stack([np.full(151, 120.0), np.linspace(40, 190, 151)], axis=-1)
    line = Line(points_px=course, kind="deep_scratch")
    before = replace(panel.before, picture=replace(panel.before.picture, lines=(line,)))
    picture = decoded(replace(panel, before=before, after=None, registration=None))
    assert picture.shape[:2] == panel.before.picture.image.shape[:2]
    on_line = picture[40:190, 118:123].reshape(-1, 3)
    assert (np.abs(on_line - colour("deep_scratch")).max(axis=-1) < 60).mean() > 0.3


def test_the_photo_before_has_its_own_lines_where_they_are_not_followed(panel: Panel) -> None:
    assert panel.registration is not None
    laid = replace(panel.registration, lines=(), not_followed="Lines are not followed here.")
    alone = replace(panel, after=None, registration=None)
    np.testing.assert_array_equal(decoded(replace(panel, registration=laid)), decoded(alone))


def test_the_photo_is_darkened(panel: Panel) -> None:
    bare = replace(panel, after=None, registration=None)
    bare = replace(
        bare, before=replace(bare.before, picture=replace(bare.before.picture, lines=()))
    )
    assert decoded(bare).mean() < 0.6 * panel.before.picture.image.mean()
