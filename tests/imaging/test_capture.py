"""Whether a photo can be measured: what is wrong comes first, and good photos pass in silence."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage.data
from numpy.typing import NDArray

from defectscan.imaging.capture import (
    LEAST_PX_PER_MM,
    MOST_BLUR_PX,
    Condition,
    blur_px,
    check_photo,
    problems,
)
from defectscan.imaging.linear_light import srgb_to_linear
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
    return problems(check_photo(photo, mm_per_px=mm_per_px))[0]


def highlight_column(photo: Photo) -> int:
    columns = np.flatnonzero((photo.clipped & (photo.luminance > 0.95)).sum(axis=0) > 5)
    return int(columns.mean())


def test_a_good_photo_passes_in_silence(good: Photo) -> None:
    conditions = check_photo(good, mm_per_px=MM_PER_PX)
    assert {condition.name for condition in conditions} == NAMES
    assert problems(conditions) == ()
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
    assert first(cropped(good, left=column)).name == "frame"
    for photo, n in ((cropped(good, left=column + 60), 0), (turned(good), 2)):
        assert (first(photo).name, first(photo).value) == ("highlights", n)
    assert first(taped(good)).name == "paint"


def test_resolution_is_judged_as_measured(good: Photo) -> None:
    reduced = replace(good, scale=0.5)
    for photo, mm_per_px, ok in (
        (good, 1 / LEAST_PX_PER_MM, True),
        (good, 1.01 / LEAST_PX_PER_MM, False),
        (reduced, 0.51 / LEAST_PX_PER_MM, False),
    ):
        conditions = check_photo(photo, mm_per_px=mm_per_px)
        judged = next(c for c in conditions if c.name == "resolution")
        assert judged.ok is ok
        assert judged.value == pytest.approx(photo.scale / mm_per_px)
    assert first(good, mm_per_px=0.4).name == "resolution"


def test_without_a_scale_resolution_is_unknown(good: Photo) -> None:
    conditions = check_photo(good, mm_per_px=None)
    judged = next(c for c in conditions if c.name == "resolution")
    assert judged.value is None
    assert judged.ok


def test_pixels_are_those_of_the_photo_itself(good: Photo) -> None:
    whole, reduced = (
        {c.name: c for c in check_photo(photo, mm_per_px=None)}
        for photo in (good, replace(good, scale=0.5))
    )
    for name in ("blur", "frame"):
        assert reduced[name].value == pytest.approx(2 * (whole[name].value or 0))
    assert reduced["blur"].limit == 2 * whole["blur"].limit


def test_what_hides_the_rest_comes_first(shoot: Shoot) -> None:
    conditions = check_photo(shoot(exposure=1 / 15, lamp_radius_mm=12.0), mm_per_px=0.3)
    named = [condition.name for condition in problems(conditions)]
    assert named == ["resolution", "brightness", "highlight_radius"]
    assert [c.name for c in conditions[: len(named)]] == named


def test_no_second_lamp_is_blamed_for_what_is_blown_out(shoot: Shoot) -> None:
    conditions = check_photo(shoot(exposure=15.0), mm_per_px=MM_PER_PX)
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
    conditions = check_photo(nothing, mm_per_px=None)
    assert {condition.name for condition in conditions} == NAMES
    assert next(c for c in conditions if c.name == "blur").value is None
    wrong = {condition.name for condition in problems(conditions)}
    assert ("clipping" if level == 1.0 else "highlights") in wrong


def drawn_lines(count: int, *, contrast: float = 1.0, noise: float = 0.02, seed: int = 1) -> Image:
    """Draw thin straight lines in all directions on even paint, before any blur."""
    rng = np.random.default_rng(seed)
    lines = np.zeros((WIDTH_PX * 3 // 4, WIDTH_PX), np.uint8)
    for x, y, angle in zip(
        rng.uniform(40, WIDTH_PX - 40, count),
        rng.uniform(40, WIDTH_PX * 3 // 4 - 40, count),
        rng.uniform(0, np.pi, count),
        strict=True,
    ):
        reach = 20 * np.array([np.cos(angle), np.sin(angle)])
        ends = [np.round(16 * (np.array([x, y]) + s * reach)).astype(int) for s in (-1, 1)]
        cv2.line(lines, ends[0].tolist(), ends[1].tolist(), 255, 1, cv2.LINE_AA, 4)
    paint = 0.1 * (1 + contrast * lines.astype(np.float32) / 255)
    return (paint + 0.1 * noise * rng.standard_normal(paint.shape)).astype(np.float32)


def blurred(count: int, spread: float, *, contrast: float = 1.0) -> Image:
    clean = drawn_lines(count, contrast=contrast, noise=0.0)
    noise = drawn_lines(0, noise=0.02) - np.float32(0.1)
    return np.asarray(cv2.GaussianBlur(clean, (0, 0), spread) + noise, dtype=np.float32)


@pytest.mark.parametrize("spread", [0.8, 1.2, 2.0, 3.0, 5.0])
def test_blur_is_how_far_lines_are_spread(spread: float) -> None:
    spreads = blur_px(blurred(300, spread, contrast=4.0), ())
    # A drawn line is about a pixel wide of itself.
    assert np.median(spreads) == pytest.approx(np.hypot(spread, 0.4), rel=0.15)


def test_blur_does_not_hang_on_how_many_lines_there_are_or_how_bright() -> None:
    few, many, faint = (
        float(np.median(blur_px(blurred(count, 1.2, contrast=contrast), ())))
        for count, contrast in ((80, 3.0), (900, 3.0), (900, 0.8))
    )
    assert few == pytest.approx(many, rel=0.12)
    assert faint == pytest.approx(many, rel=0.12)


@pytest.mark.parametrize("name", ["brick", "camera", "coins"])
def test_blur_of_real_photos(name: str) -> None:
    """Judge photos that come with scikit-image, none of them of paint."""
    picture = srgb_to_linear(getattr(skimage.data, name)() / 255).astype(np.float32)
    assert max(blur_px(picture, ())) < MOST_BLUR_PX
    for spread in (2.5, 4.0):
        softened = np.asarray(cv2.GaussianBlur(picture, (0, 0), spread), dtype=np.float32)
        assert np.median(blur_px(softened, ())) == pytest.approx(spread, rel=0.2)


def test_noise_alone_tells_nothing_of_blur() -> None:
    assert blur_px(drawn_lines(0, noise=0.05), ()) == ()


@pytest.mark.parametrize("angle_deg", [0, 40, 90, 135])
def test_shake_blurs_one_direction_only(good: Photo, angle_deg: float) -> None:
    streak = np.zeros((25, 25), np.float32)
    reach = 7 * np.array([np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))])
    ends = [np.round(16 * (12 + s * reach)).astype(int).tolist() for s in (-1, 1)]
    cv2.line(streak, ends[0], ends[1], 1.0, 1, cv2.LINE_8, 4)
    clean = cv2.GaussianBlur(drawn_lines(400, contrast=6.0, noise=0.0), (0, 0), 0.7)
    noise = drawn_lines(0, noise=0.02) - np.float32(0.1)
    shaken: Image = cv2.filter2D(clean, -1, streak / streak.sum()).astype(np.float32) + noise
    spreads = blur_px(shaken, ())
    assert min(spreads) < MOST_BLUR_PX < max(spreads)
    judged = next(
        c for c in check_photo(replace(good, luminance=shaken), mm_per_px=None) if c.name == "blur"
    )
    assert not judged.ok
    assert "moved" in judged.advice


def test_a_photo_is_not_changed(good: Photo) -> None:
    before = [image.copy() for image in (good.luminance, good.clipped, good.rgb)]
    check_photo(good, mm_per_px=None)
    for image, copy in zip((good.luminance, good.clipped, good.rgb), before, strict=True):
        np.testing.assert_array_equal(image, copy)


def test_the_file_does_not_matter(good: Photo) -> None:
    moved = replace(good, path=Path("elsewhere.jpg"))
    assert check_photo(moved, mm_per_px=0.1) == check_photo(good, mm_per_px=0.1)
