"""Whether a photo can be measured: what is wrong comes first, and good photos pass in silence."""

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from defectscan.imaging.capture import check_photo
from defectscan.imaging.conditions import (
    LEAST_PX_PER_MM,
    Condition,
    blur_of,
    brightness_of,
    clipping_of,
    lamp_radius,
    paint_in_view,
    resolution_of,
    room_in_frame,
)
from defectscan.imaging.highlight import Highlight
from defectscan.imaging.photo import Photo, read_photo
from defectscan.simulation.develop import Development
from defectscan.simulation.render import render_shot
from defectscan.simulation.scene import Camera, Lamp, Scene
from defectscan.simulation.specimen import Specimen, draw_panel

Image = NDArray[np.float32]
Shoot = Callable[..., Photo]

NAMES = {
    "size",
    "resolution",
    "brightness",
    "clipping",
    "halo",
    "highlights",
    "frame",
    "blur",
    "highlight_radius",
    "paint",
}
MM_PER_PX = 0.1
WIDTH_PX = 880


@pytest.fixture(scope="session")
def shoot(tmp_path_factory: pytest.TempPathFactory) -> Shoot:
    """Give a function that photographs one and the same panel, each way once a session."""
    panel = draw_panel(
        Specimen(
            paint="graphite metallic",
            density_mm_per_cm2=200,
            across_mm=MM_PER_PX * WIDTH_PX,
            margin_mm=25,
            dust=30,
        ),
        np.random.default_rng(8),
    )
    folder = tmp_path_factory.mktemp("shots")
    taken: dict[str, Photo] = {}

    def shoot(*, lamp_radius_mm: float = 2.0, **development: float) -> Photo:
        path = folder / f"{len(taken)}.jpg"
        key = f"{lamp_radius_mm} {sorted(development.items())}"
        if key not in taken:
            camera = (-20.0, 15.0, 360.0)
            scene = Scene(
                surface=panel.surface,
                lamp=Lamp(position_mm=(-46.0, -20.0, 420.0), radius_mm=lamp_radius_mm),
                camera=Camera(
                    position_mm=camera,
                    target_mm=(0.0, 0.0, 0.0),
                    focal_px=float(np.linalg.norm(camera)) / MM_PER_PX,
                    width_px=WIDTH_PX,
                    height_px=WIDTH_PX * 3 // 4,
                ),
            )
            how = replace(Development(), **development)  # type: ignore[arg-type]
            path.write_bytes(render_shot(panel, scene, how, np.random.default_rng(4)).jpeg)
            taken[key] = read_photo(path)
        return taken[key]

    return shoot


@pytest.fixture
def good(shoot: Shoot) -> Photo:
    return shoot()


def cropped(photo: Photo, *, left: int) -> Photo:
    return replace(
        photo,
        width_px=photo.width_px - left,
        luminance=photo.luminance[:, left:],
        clipped=photo.clipped[:, left:],
        rgb=photo.rgb[:, left:],
    )


def turned(photo: Photo) -> Photo:
    """Turn a photo by half and lay it over itself, as a second lamp would show."""
    return replace(
        photo,
        luminance=np.maximum(photo.luminance, photo.luminance[::-1, ::-1]),
        clipped=photo.clipped | photo.clipped[::-1, ::-1],
        rgb=np.maximum(photo.rgb, photo.rgb[::-1, ::-1]),
    )


def taped(photo: Photo) -> Photo:
    """Cover all but a small window round the highlight with grey tape."""
    y, x = np.argwhere(photo.clipped & (photo.luminance > 0.95)).mean(axis=0)
    height, width = photo.luminance.shape
    covered = np.maximum(*np.ogrid[-y : height - y, -x : width - x]) > 60
    covered |= np.minimum(*np.ogrid[-y : height - y, -x : width - x]) < -60
    return replace(
        photo,
        luminance=np.where(covered, np.float32(0.5), photo.luminance),
        clipped=photo.clipped & ~covered,
        rgb=np.where(covered[..., None], np.uint8(188), photo.rgb),
    )


def first(photo: Photo, *, mm_per_px: float | None = MM_PER_PX) -> Condition:
    return check_photo(photo, mm_per_px=mm_per_px).problems[0]


def highlight_column(photo: Photo) -> int:
    columns = np.flatnonzero((photo.clipped & (photo.luminance > 0.95)).sum(axis=0) > 5)
    return int(columns.mean())


def test_a_good_photo_passes_in_silence(good: Photo) -> None:
    found = check_photo(good, mm_per_px=MM_PER_PX)
    conditions = found.conditions
    assert {condition.name for condition in conditions} == NAMES
    assert found.problems == ()
    assert found.measurable
    assert len(found.highlights) == 1
    assert found.paint.all()
    assert not any(condition.advice for condition in conditions)
    assert all(condition.text.endswith(".") for condition in conditions)


@pytest.mark.parametrize(
    ("name", "how"),
    [
        ("blur", {"blur_px": 2.6}),
        ("blur", {"blur_px": 5.0}),
        ("brightness", {"exposure": 1 / 15}),
        ("clipping", {"exposure": 15.0}),
        ("highlight_radius", {"lamp_radius_mm": 12.0}),
    ],
)
def test_a_fault_of_the_shot_comes_first(shoot: Shoot, name: str, how: dict[str, float]) -> None:
    for mm_per_px in (MM_PER_PX, None):
        worst = first(shoot(**how), mm_per_px=mm_per_px)
        assert worst.name == name
        assert worst.advice


def test_a_fault_of_the_picture_comes_first(good: Photo) -> None:
    column = highlight_column(good)
    worst = first(cropped(good, left=column))
    assert (worst.name, worst.value) == ("frame", 0)
    assert "left side cuts" in worst.text
    assert "Turn the camera to the left" in worst.advice
    for photo, n in ((cropped(good, left=column + 60), 0), (turned(good), 2)):
        assert (first(photo).name, first(photo).value) == ("highlights", n)
    assert first(taped(good)).name == "paint"


@pytest.mark.parametrize(
    ("box_px", "cut", "side", "room_px", "turn"),
    [
        # Broader than high, as curved panels show a lamp: the disc of its area tells another side.
        ((0, 16, 224, 104), True, "left", 0, "to the left"),
        ((776, 16, 999, 104), True, "right", 0, "to the right"),
        ((400, 20, 520, 80), False, "upper", 20, ""),
        ((400, 680, 520, 737), False, "lower", 12, ""),
    ],
)
def test_room_is_that_of_the_spot_and_not_of_a_disc(
    good: Photo,
    box_px: tuple[float, float, float, float],
    cut: bool,
    side: str,
    room_px: float,
    turn: str,
) -> None:
    photo = replace(good, luminance=np.zeros((750, 1000), np.float32))
    left, top, right, bottom = box_px
    across, down = right - left + 1, bottom - top + 1
    spot = Highlight(
        x_px=(left + right) / 2, y_px=(top + bottom) / 2, radius_px=np.sqrt(across * down) / 2,
        bloom_px=100, area_px=round(np.pi / 4 * across * down), cut=cut, box_px=box_px,
    )  # fmt: skip
    judged = room_in_frame(spot, photo)
    assert (judged.ok, judged.value) == (not cut, room_px)
    assert f"{side} side" in judged.text
    assert judged.advice == (f"Turn the camera {turn} until the highlight lies well inside." * cut)


def test_resolution_is_judged_as_measured(good: Photo) -> None:
    reduced = replace(good, scale=0.5)
    for photo, mm_per_px, ok in (
        (good, 1 / LEAST_PX_PER_MM, True),
        (good, 1.01 / LEAST_PX_PER_MM, False),
        (reduced, 0.51 / LEAST_PX_PER_MM, False),
    ):
        conditions = check_photo(photo, mm_per_px=mm_per_px).conditions
        judged = next(c for c in conditions if c.name == "resolution")
        assert judged.ok is ok
        # Told in pixels of the photo itself, as its scale is.
        assert judged.value == pytest.approx(1 / mm_per_px)
        assert judged.limit == pytest.approx(LEAST_PX_PER_MM / photo.scale)
    worst = first(good, mm_per_px=0.4)
    assert (worst.name, "full size" in worst.advice) == ("resolution", True)
    worst = first(reduced, mm_per_px=0.11)
    assert "Only 9.1 pixels" in worst.text
    assert "at least 10 in a photo of this size" in worst.text
    assert worst.advice == "Go nearer."


def test_without_a_scale_resolution_is_unknown(good: Photo) -> None:
    conditions = check_photo(good, mm_per_px=None).conditions
    judged = next(c for c in conditions if c.name == "resolution")
    assert judged.value is None
    assert judged.ok


def test_pixels_are_those_of_the_photo_itself(good: Photo) -> None:
    whole, reduced = (
        {c.name: c for c in check_photo(photo, mm_per_px=None).conditions}
        for photo in (good, replace(good, scale=0.5))
    )
    for name in ("blur", "frame"):
        assert reduced[name].value == pytest.approx(2 * (whole[name].value or 0))
    assert reduced["blur"].limit == 2 * whole["blur"].limit


def test_what_hides_the_rest_comes_first(shoot: Shoot) -> None:
    found = check_photo(shoot(exposure=1 / 15, lamp_radius_mm=12.0), mm_per_px=0.3)
    named = [condition.name for condition in found.problems]
    assert named == ["resolution", "brightness", "highlight_radius"]
    assert [c.name for c in found.conditions[: len(named)]] == named


def test_no_second_lamp_is_blamed_for_what_is_blown_out(shoot: Shoot) -> None:
    conditions = check_photo(shoot(exposure=15.0), mm_per_px=MM_PER_PX).conditions
    judged = next(c for c in conditions if c.name == "highlights")
    assert judged.value is None
    assert judged.ok


@pytest.mark.parametrize("level", [0.0, 0.2, 1.0], ids=["black", "grey", "white"])
def test_a_picture_of_nothing_is_judged_too(good: Photo, level: float) -> None:
    shape = (240, 200)
    nothing = replace(
        good,
        width_px=200,
        height_px=240,
        luminance=np.full(shape, level, np.float32),
        clipped=np.full(shape, level == 1.0),
        rgb=np.full((*shape, 3), round(255 * level), np.uint8),
    )
    found = check_photo(nothing, mm_per_px=None)
    conditions = found.conditions
    assert {condition.name for condition in conditions} == NAMES
    assert next(c for c in conditions if c.name == "blur").value is None
    wrong = {condition.name for condition in found.problems}
    assert ("clipping" if level == 1.0 else "highlights") in wrong


def test_a_photo_is_not_changed(good: Photo) -> None:
    before = [image.copy() for image in (good.luminance, good.clipped, good.rgb)]
    check_photo(good, mm_per_px=None)
    for image, copy in zip((good.luminance, good.clipped, good.rgb), before, strict=True):
        np.testing.assert_array_equal(image, copy)


def test_the_file_does_not_matter(good: Photo) -> None:
    moved = replace(good, path=Path("elsewhere.jpg"))
    one, other = (check_photo(photo, mm_per_px=0.1) for photo in (good, moved))
    assert one.conditions == other.conditions


def test_every_fault_is_told_with_value_and_limit(shoot: Shoot, good: Photo) -> None:
    faulty = [
        shoot(blur_px=5.0),
        shoot(exposure=1 / 15),
        shoot(exposure=15.0),
        shoot(lamp_radius_mm=12.0),
        cropped(good, left=highlight_column(good)),
        turned(good),
        taped(good),
    ]
    for photo in faulty:
        worst = first(photo)
        assert worst.value is not None
        numbers = {float(word) for word in re.findall(r"\d+(?:\.\d+)?", worst.text)}
        shown = {float(f"{worst.value:.{digits}f}") for digits in range(3)}
        assert numbers & shown, worst.text
        assert worst.advice.endswith(".")


@pytest.mark.parametrize(
    ("judged", "value", "limit"),
    [
        (clipping_of(30.4), "30.4 %", "at most 30 %"),
        (clipping_of(31.4), "31 %", "at most 30 %"),
        (brightness_of(1.96), "1.96 %", "at least 2 %"),
        (brightness_of(1.5), "1.5 %", "at least 2 %"),
        (paint_in_view(9.6), "9.6 %", "at least 10 %"),
        (lamp_radius(4.03, limit=4.0), "4.03 %", "at most 4 %"),
        (lamp_radius(2.7549, limit=2.7541), "2.755 %", "at most 2.754 %"),
        (blur_of((1.5001,), scale=1.0), "1.5001 px", "at most 1.5 px"),
        (blur_of((2.0,), scale=0.7), "2.86 px", "at most 2.14 px"),
        (resolution_of(4.96, scale=1.0), "4.96 pixels", "at least 5"),
    ],
)
def test_a_fault_is_never_told_by_a_value_that_reads_as_its_limit(
    judged: Condition, value: str, limit: str
) -> None:
    assert not judged.ok
    assert f" {value}" in judged.text
    assert f"{limit} " in f"{judged.text[:-1]} "


@pytest.mark.parametrize("colour", [(255, 255, 255), (255, 243, 180)], ids=["lamp", "tape"])
def test_a_broad_lamp_bent_by_orange_peel_is_named_and_tape_is_not(
    good: Photo, colour: tuple[int, int, int]
) -> None:
    angle = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    radius = 100 * (1 + 0.1 * np.cos(3 * angle) + 0.06 * np.sin(5 * angle))
    middle = np.array([WIDTH_PX / 2, WIDTH_PX * 3 / 8])
    outline = middle + radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    shape = np.zeros(good.luminance.shape, np.uint8)
    paint = np.random.default_rng(2).normal(0.4, 0.01, shape.shape)
    cv2.fillPoly(shape, [np.round(outline).astype(np.int32)], 1)
    photo = replace(
        good,
        luminance=np.where(shape > 0, np.float32(1), paint.astype(np.float32)),
        clipped=shape > 0,
        rgb=np.where(shape[..., None] > 0, np.array(colour, np.uint8), np.uint8(170)),
    )
    expected = "highlight_radius" if min(colour) == 255 else "highlights"
    assert first(photo).name == expected


def test_a_picture_a_little_soft_without_a_lamp_lacks_the_lamp_first(good: Photo) -> None:
    paint = np.where(good.luminance > 0.1, np.median(good.luminance), good.luminance)
    dark = replace(good, luminance=paint.astype(np.float32))
    lit = np.zeros_like(good.clipped)
    lit[::40, ::40] = True
    soft = np.asarray(cv2.GaussianBlur(dark.luminance, (0, 0), 1.6), dtype=np.float32)
    wrong = check_photo(replace(dark, luminance=soft, clipped=lit), mm_per_px=None).problems
    assert wrong[0].name == "highlights"
    assert wrong[0].value == 0
