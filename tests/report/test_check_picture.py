"""The marked picture: what is wrong stands where it is, and can be read."""

import io
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from defectscan.imaging.capture import CaptureCheck, check_photo
from defectscan.imaging.photo import Photo, read_photo
from defectscan.imaging.repeat import Repeat
from defectscan.report.check_picture import WIDTH_PX, draw_check
from defectscan.report.palette import SKY_BLUE, VERMILION, YELLOW

MM_PER_PX = 0.1
Pixels = NDArray[np.uint8]


@pytest.fixture(scope="module")
def good(photos: Any) -> Photo:
    return read_photo(photos.first_before)


@pytest.fixture(scope="module")
def found(good: Photo) -> CaptureCheck:
    return check_photo(good, mm_per_px=MM_PER_PX)


def drawn(
    photo: Photo, check: CaptureCheck, repeat: Repeat | None = None, others: tuple[str, ...] = ()
) -> Pixels:
    data = draw_check(photo, check, repeat=repeat, faults=check.problems[:3], others=others)
    with Image.open(io.BytesIO(data)) as image:
        assert image.format == "JPEG"
        return np.asarray(image.convert("RGB"))


def near(picture: Pixels, colour: str) -> NDArray[np.bool_]:
    wanted = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)])
    return np.asarray(np.abs(picture.astype(int) - wanted).max(axis=-1) < 24)


def test_a_good_photo_shows_zone_and_bloom_and_nothing_wrong(
    good: Photo, found: CaptureCheck
) -> None:
    picture = drawn(good, found)
    assert found.measurable
    assert picture.shape[1] == WIDTH_PX
    assert near(picture, SKY_BLUE).sum() > 1000
    assert near(picture, YELLOW).sum() > 100
    assert near(picture, VERMILION).sum() < 50


def test_the_bloom_is_drawn_round_the_highlight(good: Photo, found: CaptureCheck) -> None:
    picture = drawn(good, found)
    scale = WIDTH_PX / good.width_px
    spot = found.highlights[0]
    top = picture.shape[0] - 20 - 60 * 3 - 20 - round(good.height_px * scale)
    y, x = np.nonzero(near(picture[top:], YELLOW)[: round(good.height_px * scale)])
    away = np.hypot(x - spot.x_px * scale, y - spot.y_px * scale)
    on_ring = np.abs(away - 1.6 * spot.bloom_px * scale) < 6
    assert np.mean(on_ring) > 0.9


def test_a_fault_is_drawn_in_the_colour_of_the_key(good: Photo) -> None:
    doubled = replace(
        good,
        luminance=np.maximum(good.luminance, good.luminance[:, ::-1]),
        clipped=good.clipped | good.clipped[:, ::-1],
        rgb=np.maximum(good.rgb, good.rgb[:, ::-1]),
    )
    check = check_photo(doubled, mm_per_px=MM_PER_PX)
    assert check.problems[0].name == "highlights"
    picture = drawn(doubled, check)
    n, _, stats, _ = cv2.connectedComponentsWithStats(near(picture, VERMILION).astype(np.uint8))
    large = [stats[number] for number in range(1, n) if stats[number][cv2.CC_STAT_AREA] > 800]
    # A bar beside the verdict, the number of its line, two rings with their numbers, the key.
    assert len(large) >= 5
    assert picture.shape[0] > drawn(good, check_photo(good, mm_per_px=MM_PER_PX)).shape[0]


def test_further_advice_stands_over_the_picture(good: Photo, found: CaptureCheck) -> None:
    without, with_line = drawn(good, found), drawn(good, found, others=("Switch it off.",))
    assert with_line.shape[0] - without.shape[0] == 52 + 18


@pytest.mark.parametrize("kind", ["dark", "bright", "blurred", "small", "cut"])
def test_every_fault_can_be_drawn(good: Photo, kind: str) -> None:
    column = int(check_photo(good, mm_per_px=None).highlights[0].x_px)
    photo = {
        "dark": lambda: replace(good, luminance=good.luminance / np.float32(40), rgb=good.rgb // 6),
        "bright": lambda: replace(
            good,
            luminance=np.ones_like(good.luminance),
            clipped=np.ones_like(good.clipped),
            rgb=np.full_like(good.rgb, 255),
        ),
        "blurred": lambda: replace(
            good, luminance=np.asarray(cv2.GaussianBlur(good.luminance, (0, 0), 4), np.float32)
        ),
        "small": lambda: replace(good, width_px=600, height_px=450, scale=good.width_px / 600),
        "cut": lambda: replace(
            good,
            width_px=good.width_px - column,
            luminance=good.luminance[:, column:],
            clipped=good.clipped[:, column:],
            rgb=np.ascontiguousarray(good.rgb[:, column:]),
        ),
    }[kind]()
    check = check_photo(photo, mm_per_px=MM_PER_PX)
    assert not check.measurable
    assert near(drawn(photo, check), VERMILION).sum() > 3000


def test_the_frame_of_the_before_photo_is_drawn(good: Photo, found: CaptureCheck) -> None:
    repeat = Repeat(
        registered=True, reason="", covered_percent=80.0, text="80 % of the ground.", steps=(),
        frame_px=((100.0, 100.0), (700.0, 100.0), (700.0, 500.0), (100.0, 500.0)),
        highlight_px=(300.0, 300.0),
    )  # fmt: skip
    with_frame = drawn(good, found, repeat)
    unknown = replace(
        repeat, registered=False, covered_percent=None, frame_px=(), highlight_px=None
    )
    without = drawn(good, found, unknown)
    # The key has two entries more.
    assert with_frame.shape[0] - without.shape[0] == 2 * 60
    scale = WIDTH_PX / good.width_px
    top = with_frame.shape[0] - 40 - 60 * 5 - round(good.height_px * scale)
    row = with_frame[top + round(100 * scale), round(100 * scale) : round(700 * scale)]
    assert np.mean(row.min(axis=-1) > 230) > 0.4
