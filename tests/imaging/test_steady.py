"""What stays while the lamp is drawn on: dust and edges stay, lines of light go."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from defectscan.imaging.steady import steady_picture

Image = NDArray[np.float32]
WIDTH_PX, HEIGHT_PX = 480, 270
DUST = (120, 200), (333, 60), (407, 219)
TAPE_X = 60


def frame(lamp_x: float, moved_px: int, *, lines: bool = True) -> Image:
    """Draw paint with tape, dust, a lamp's glow and lines that only this frame shows."""
    y, x = np.mgrid[:HEIGHT_PX, :WIDTH_PX].astype(np.float32)
    light = 0.1 + 0.2 / (1 + ((x - lamp_x) ** 2 + (y - 130) ** 2) / 90.0**2)
    light[:, :TAPE_X] *= 0.4
    for place in DUST:
        cv2.circle(light, place, 2, 0.6, -1, cv2.LINE_AA)
    if lines:
        rng = np.random.default_rng(int(lamp_x))
        for _ in range(20):
            at = rng.integers((70, 5), (WIDTH_PX - 20, HEIGHT_PX - 20))
            cv2.line(light, at.tolist(), (at + 14).tolist(), 0.8, 1, cv2.LINE_AA)
    return np.asarray(np.roll(light, moved_px, axis=1), np.float32)


def bloom(lamp_x: float, moved_px: int) -> NDArray[np.bool_]:
    y, x = np.ogrid[:HEIGHT_PX, :WIDTH_PX]
    return np.asarray((x - lamp_x - moved_px) ** 2 + (y - 130) ** 2 < 25**2)


@pytest.fixture(scope="module")
def laid() -> tuple[Image, NDArray[np.bool_]]:
    lamps, moves = np.linspace(100, 400, 9), [0, 3, -4, 2, 5, -1, 0, 4, -3]
    return steady_picture(
        [frame(lamp, move) for lamp, move in zip(lamps, moves, strict=True)],
        ignored=[bloom(lamp, move) for lamp, move in zip(lamps, moves, strict=True)],
        to_first=[np.array([[1.0, 0, -move], [0, 1, 0], [0, 0, 1]]) for move in moves],
    )


def contrast(picture: Image) -> Image:
    return np.asarray(picture / cv2.medianBlur(picture, 5) - 1)


def test_lines_of_light_go_and_dust_stays(laid: tuple[Image, NDArray[np.bool_]]) -> None:
    picture, hidden = laid
    assert hidden[:, 10:-10].mean() < 0.01
    inside = contrast(picture)[10:-10, TAPE_X + 10 : -10]
    assert contrast(frame(100, 0))[10:-10, TAPE_X + 10 : -10].max() > 1.5
    for x, y in DUST:
        inside[y - 10 - 4 : y - 10 + 5, x - TAPE_X - 10 - 4 : x - TAPE_X - 10 + 5] = 0
        assert picture[y, x] > 1.5 * np.median(picture[y - 12 : y + 13, x - 12 : x + 13])
    assert inside.max() < 0.1


def test_an_edge_stays_and_no_bloom_leaves_one(laid: tuple[Image, NDArray[np.bool_]]) -> None:
    light = np.log(laid[0][20:-20])
    step = np.abs(light[:, 4:] - light[:, :-4])[:, : -20 - 4]
    assert step[:, TAPE_X - 2].min() > 0.6
    for x, _ in DUST:
        step[:, x - 10 : x + 10] = 0
    assert step[:, TAPE_X + 6 :].max() < 0.12


def test_where_too_few_frames_show_the_panel_nothing_is_known() -> None:
    frames = [frame(lamp, 0) for lamp in (100, 250, 400)]
    aside = [np.eye(3), np.eye(3), np.array([[1.0, 0, 900], [0, 1, 0], [0, 0, 1]])]
    everywhere = np.ones((HEIGHT_PX, WIDTH_PX), dtype=bool)
    nowhere = ~everywhere
    _, hidden = steady_picture(frames, ignored=[everywhere, nowhere, nowhere], to_first=aside)
    assert not hidden[:-1, :-1].any()
    picture, hidden = steady_picture(
        frames[:2], ignored=[everywhere, everywhere], to_first=aside[:2]
    )
    assert hidden.all()
    assert np.isfinite(picture).all()
