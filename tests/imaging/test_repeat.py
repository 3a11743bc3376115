"""Repeating a photo: moves of the camera are told as such, and nothing that is not known."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from defectscan.imaging.highlight import Highlight
from defectscan.imaging.photo import Exposure, Photo
from defectscan.imaging.registration import Registration
from defectscan.imaging.repeat import Repeat, Step, View, _by_map, repeat_photo
from defectscan.simulation.scene import Camera
from tests.drawn_panel import (
    BADGE,
    EDGE,
    SIZE_PX,
    TAPE,
    TRIM,
    DrawnPanel,
    Move,
    draw_picture,
    draw_specks,
)

Floats = NDArray[np.float64]
MIDDLE = np.array([(SIZE_PX[0] - 1) / 2, (SIZE_PX[1] - 1) / 2])
FOCAL_PX = 1500.0
AWAY_MM = 400.0
PANEL = DrawnPanel(
    shapes=(TAPE, BADGE, TRIM, EDGE), specks_px=draw_specks(np.random.default_rng(1), 25)
)
BARE = DrawnPanel(specks_px=np.empty((0, 2)))


def view(
    panel: DrawnPanel = PANEL,
    *,
    name: str = "before",
    move: Move = lambda xy: xy,
    highlight_px: tuple[float, float] = (520, 400),
    radius_px: float = 14.0,
    focal_mm: float | None = None,
) -> View:
    """Draw a picture and see in it what is fixed to the panel."""
    luminance, _ = draw_picture(
        panel, np.random.default_rng(len(name)), move=move, highlight_px=highlight_px
    )
    photo = Photo(
        path=Path(name), sha256=name, format="PNG", bit_depth=8,
        exposure=Exposure(focal_length_35mm_mm=focal_mm),
        width_px=SIZE_PX[0], height_px=SIZE_PX[1], scale=1.0, luminance=luminance,
        clipped=luminance > 0.98, rgb=np.zeros((*luminance.shape, 3), np.uint8),
    )  # fmt: skip
    spot = Highlight(
        x_px=highlight_px[0], y_px=highlight_px[1], radius_px=radius_px, bloom_px=24.0,
        area_px=600, cut=False,
    )  # fmt: skip
    return View.of(photo, (spot,))


@pytest.fixture(scope="module")
def before() -> View:
    return view()


def camera(**changes: object) -> Camera:
    still = Camera(
        position_mm=(0.0, 0.0, AWAY_MM), target_mm=(0.0, 0.0, 0.0), focal_px=FOCAL_PX,
        width_px=SIZE_PX[0], height_px=SIZE_PX[1],
    )  # fmt: skip
    return replace(still, **changes)  # type: ignore[arg-type]


def to_before(moved: Camera) -> Floats:
    """Return the map of a flat panel's pixels from a moved camera's picture to the first's."""
    rows = []
    ground = np.array([[-60.0, -50, 0], [70, -40, 0], [60, 55, 0], [-50, 45, 0]])
    for (x, y), (u, v) in zip(moved.project(ground), camera().project(ground), strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y, -u])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y, -v])
    matrix = np.linalg.svd(np.array(rows))[2][-1].reshape(3, 3)
    return np.asarray(matrix / matrix[2, 2])


def steps(before: View, moved: Camera) -> dict[str, Step]:
    found = replace(Registration.same(), homography_after_to_before=to_before(moved))
    return {s.name: s for s in _by_map(found, before, before, has_lens=True, mm_per_px=None)}


def test_standing_further_off_is_told_by_how_much(before: View) -> None:
    told = steps(before, camera(position_mm=(0.0, 0.0, 1.1 * AWAY_MM)))
    assert told["distance"].value == pytest.approx(10, abs=1e-6)
    assert told["distance"].advice == "Go nearer: you stand 10 % further off than before."
    assert all(told[name].ok for name in ("turn", "place", "slant_across", "slant_down"))
    told = steps(before, camera(position_mm=(0.0, 0.0, 0.9 * AWAY_MM)))
    assert told["distance"].advice == "Step back: you stand 10 % nearer than before."


@pytest.mark.parametrize(
    ("aside_mm", "way"),
    [
        ((-30.0, 0.0), "to the right"), ((30.0, 0.0), "to the left"),
        ((0.0, 30.0), "down"), ((0.0, -30.0), "up"),
    ],
)  # fmt: skip
def test_standing_aside_is_told_in_the_pictures_directions(
    before: View, aside_mm: tuple[float, float], way: str
) -> None:
    moved = camera(position_mm=(*aside_mm, AWAY_MM), target_mm=(*aside_mm, 0.0))
    told = steps(before, moved)
    side, length = ("width", SIZE_PX[0]) if aside_mm[0] else ("height", SIZE_PX[1])
    percent = 100 * 30 / AWAY_MM * FOCAL_PX / length
    assert told["place"].value == pytest.approx(percent)
    wanted = f"Move the camera {way} by {percent:.0f} % of the picture's {side}."
    assert told["place"].advice == wanted
    assert told["distance"].ok


@pytest.mark.parametrize("roll_deg", [-12.0, 12.0])
def test_a_turned_camera_is_turned_back(before: View, roll_deg: float) -> None:
    told = steps(before, camera(roll_deg=roll_deg))
    axes = camera(roll_deg=roll_deg).axes()
    # In the upright camera's eyes its right hand has sunk: it was turned clockwise.
    is_clockwise = float(axes[0] @ camera().axes()[1]) > 0
    way = "anticlockwise" if is_clockwise else "clockwise"
    assert told["turn"].advice == f"Turn the camera 12 degrees {way}."


@pytest.mark.parametrize(
    ("angle_deg", "axis", "name", "way"),
    [
        (-8.0, 0, "slant_across", "right"), (8.0, 0, "slant_across", "left"),
        (-8.0, 1, "slant_down", "upper"), (8.0, 1, "slant_down", "lower"),
    ],
)  # fmt: skip
def test_looking_from_aside_is_told_apart_from_standing_aside(
    before: View, angle_deg: float, axis: int, name: str, way: str
) -> None:
    angle = np.deg2rad(angle_deg)
    place = [0.0, 0.0, AWAY_MM * float(np.cos(angle))]
    place[axis] = AWAY_MM * float(np.sin(angle))
    told = steps(before, camera(position_mm=tuple(place)))
    # Depth changes by the sine over a distance of 1, and over the picture by its angle.
    size = SIZE_PX[axis] / FOCAL_PX
    assert abs(told[name].value) == pytest.approx(100 * abs(np.sin(angle)) * size, rel=0.05)
    assert f"the picture's {way} side, aiming at the same spot" in told[name].advice
    assert told["place"].ok
    assert told["turn"].ok


def registered(before: View, move: Move, **changes: float) -> Repeat:
    there = tuple(float(v) for v in move(np.array([[520.0, 400.0]]))[0])
    now = view(name="now", move=move, highlight_px=there, **changes)  # type: ignore[arg-type]
    return repeat_photo(before, now, mm_per_px=0.1)


def test_a_photo_that_repeats_needs_nothing(before: View) -> None:
    told = registered(before, lambda xy: MIDDLE + 1.01 * (xy - MIDDLE) + 8)
    assert told.registered
    assert told.advice == ()
    assert 90 < (told.covered_percent or 0) <= 100
    assert f"{told.covered_percent:.0f} % of the ground" in told.text
    assert told.text.endswith(" You stand as before.")


def test_a_move_is_read_from_the_pictures_themselves(before: View) -> None:
    told = registered(before, lambda xy: MIDDLE + 0.92 * (xy - MIDDLE) + (90, 0))
    assert told.registered
    assert "as before" not in told.text
    assert told.advice[:2] == (
        "Move the camera to the right by 9 % of the picture's width (9 mm).",
        "Go nearer: you stand 9 % further off than before.",
    )
    corner = MIDDLE - 0.92 * MIDDLE + (90, 0)
    assert told.frame_px[0] == pytest.approx(tuple(corner), abs=2)
    assert told.highlight_px == pytest.approx((520 * 0.92 + 90 + 40, 400 * 0.92 + 30), abs=2)


def test_only_a_moved_lamp_is_asked_to_move(before: View) -> None:
    now = view(name="now", highlight_px=(420, 400))
    told = repeat_photo(before, now, mm_per_px=0.1)
    (line,) = told.advice
    assert line.startswith("Move the lamp until its highlight lies further to the right by 10 % of")
    assert line.endswith("width (10 mm).")


def test_an_upside_down_photo_is_to_be_turned_and_no_more(before: View) -> None:
    told = registered(before, lambda xy: 2 * MIDDLE - xy)
    assert told.advice == ("Stand on the other side, as before: the picture is upside down.",)


def test_the_same_photo_repeats_itself(before: View) -> None:
    told = repeat_photo(before, before, mm_per_px=None)
    assert (told.registered, told.covered_percent, told.advice) == (True, 100, ())


def test_without_anything_fixed_only_the_highlight_speaks() -> None:
    then = view(BARE)
    now = view(BARE, name="now", highlight_px=(420, 460), radius_px=20.0)
    told = repeat_photo(then, now, mm_per_px=0.1)
    assert not told.registered
    assert told.covered_percent is None
    assert told.frame_px == ()
    assert told.highlight_px is None
    assert told.text.startswith("How much of the same ground this picture shows cannot be told")
    place, size = told.advice
    assert "move camera or lamp until it lies to the right by 10 % of the picture's width" in place
    assert "and up by 8 % of the picture's height" in place
    assert size.startswith("Step back: the highlight is 43 % larger than before; as long as")


def test_another_exposure_makes_the_highlights_size_say_nothing() -> None:
    then, now = view(BARE), view(BARE, name="now", radius_px=20.0)
    bright = replace(now, photo=replace(now.photo, luminance=2 * now.photo.luminance))
    told = repeat_photo(then, bright, mm_per_px=None)
    assert {step.name for step in told.steps} == {"highlight"}
    assert repeat_photo(then, replace(bright, highlights=()), mm_per_px=None).steps == ()


def test_another_lens_comes_first_and_hides_the_distance() -> None:
    then, now = view(focal_mm=26), view(name="now", focal_mm=52)
    told = repeat_photo(then, now, mm_per_px=None)
    assert told.advice[0].startswith("Use the lens and zoom of the before photo first: 26 mm then")
    assert "distance" not in {step.name for step in told.steps}
