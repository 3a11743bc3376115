"""Shots laid over each other: photos one by one, the frames of a clip all together."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose
from PIL import Image

from defectscan.imaging.card_registration import card_homography
from defectscan.imaging.registration import Registration
from defectscan.laying import Laid, carried_on, lay_state, lay_states
from defectscan.measurement.lines import Lines
from defectscan.measurement.state import MeasuredShot
from defectscan.simulation.develop import Development
from defectscan.simulation.specimen import Specimen, Stand, render_states
from defectscan.states import measure_states
from tests.drawn_card import laid_on
from tests.drawn_clip import HEIGHT_PX, WIDTH_PX, painted, with_lamps, written
from tests.drawn_lines import segment, straight_lines

LAMPS_PX = ((120, 130), (230, 130), (340, 130))


def speckled(seed: int) -> np.ndarray:
    """Draw paint with marks that a polisher took and specks that stay."""
    paint = painted(marks=25, seed=seed)
    rng = np.random.default_rng(99)
    for x, y in rng.integers((20, 20), (WIDTH_PX - 20, HEIGHT_PX - 20), (40, 2)).tolist():
        cv2.circle(paint, (x, y), 1, 150.0, -1, cv2.LINE_AA)
    return paint


def shots_of(
    path: Path, seed: int, *, moved_px: int = 0, upside_down: bool = False
) -> tuple[MeasuredShot, ...]:
    paint = np.roll(speckled(seed), moved_px, axis=1)
    if upside_down:
        paint = paint[::-1]
    rng = np.random.default_rng(seed)

    def frame(number: int) -> np.ndarray:
        x, y = LAMPS_PX[number // 6]
        lit = with_lamps(paint, (x + 25 * seed, y + 15 * seed)).astype(np.float32)
        # Without noise the steps of the glow itself would be landmarks.
        noisy = lit + rng.normal(0, 2, lit.shape[:2])[..., None]
        return np.clip(noisy, 0, 255).astype(np.uint8)

    frames = (frame(number) for number in range(18))
    (state,) = measure_states([written(path, frames)], mm_per_px=0.2)
    assert len(state.shots) == 3
    return state.shots


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> tuple[MeasuredShot, ...]:
    return shots_of(tmp_path_factory.mktemp("before") / "door.mp4", 0)


def test_the_frames_of_a_clip_lie_on_the_first(before: tuple[MeasuredShot, ...]) -> None:
    found = lay_state(before)
    assert [one.registered for one in found] == [True, True]
    for one in found:
        assert_allclose(one.homography_after_to_before, np.eye(3), atol=0.3)


def test_a_clip_lies_on_another(before: tuple[MeasuredShot, ...], tmp_path: Path) -> None:
    laid = lay_states(before, shots_of(tmp_path / "door.mp4", 1, moved_px=6))
    assert [one.registered for one in laid.after] == [True] * 3
    assert laid.after_on_first == ()
    for one in laid.after:
        assert_allclose(one.homography_after_to_before[:2, 2], [-6, 0], atol=0.6)


def test_a_clip_of_another_panel_lies_on_itself_alone(
    before: tuple[MeasuredShot, ...], tmp_path: Path
) -> None:
    mirrored = shots_of(tmp_path / "bonnet.mp4", 1, upside_down=True)
    laid = lay_states(before, mirrored)
    assert not any(one.registered for one in laid.after)
    assert [one.registered for one in laid.after_on_first] == [True] * 3


def as_photos(
    shots: tuple[MeasuredShot, ...], state: str, *, dust_mirrored: bool = False
) -> list[MeasuredShot]:
    """Take the frames of a clip for photos of their own."""
    rows = slice(None, None, -1 if dust_mirrored else 1)
    names = [f"{state} {number}" for number in range(len(shots))]
    photos = [
        replace(
            shot.photo,
            frame=None,
            path=Path(name),
            sha256=name,
            luminance=shot.photo.luminance[rows],
        )
        for shot, name in zip(shots, names, strict=True)
    ]
    return [replace(shot, photo=photo) for shot, photo in zip(shots, photos, strict=True)]


def with_grooves(shots: list[MeasuredShot], seed: int, *, moved_px: int = 0) -> list[MeasuredShot]:
    """Give each shot lines on some of the same 150 courses, each lit somewhere along its way."""
    drawn, lamps = np.random.default_rng(3), np.random.default_rng(seed)
    middles = drawn.uniform((0, 0), (WIDTH_PX, HEIGHT_PX), (150, 2))
    angles_deg = drawn.uniform(0, 180, 150)

    def lines() -> Lines:
        lit = lamps.permutation(150)[:60]
        way = np.stack([np.cos(np.deg2rad(angles_deg)), np.sin(np.deg2rad(angles_deg))], axis=-1)
        places = middles + lamps.uniform(-40, 40, (150, 1)) * way + (moved_px, 0)
        return straight_lines([segment(tuple(places[k]), 20, angles_deg[k]) for k in lit])

    return [replace(shot, shot=replace(shot.shot, lines=lines())) for shot in shots]


def test_photos_with_other_dust_lie_on_the_first_state_all_together(
    before: tuple[MeasuredShot, ...],
) -> None:
    first = with_grooves(as_photos(before, "first"), 4)
    second = with_grooves(as_photos(before, "second", dust_mirrored=True), 5, moved_px=6)
    laid = lay_states(first, second)
    assert [one.registered for one in laid.after] == [True] * 3
    assert laid.after_on_first == ()
    for one in laid.after:
        assert "courses" in one.reason
        assert_allclose(one.homography_after_to_before[:2, 2], [-6, 0], atol=0.6)


def test_photos_lie_on_the_first_state_by_one_of_theirs_that_does(
    before: tuple[MeasuredShot, ...],
) -> None:
    first = as_photos(before[:1], "first")
    other, likewise = as_photos(before[:2], "second", dust_mirrored=True)
    # One photo shows the dust of both states.
    seen = np.maximum(first[0].photo.luminance, other.photo.luminance)
    between = replace(other, photo=replace(other.photo, luminance=seen))
    assert not lay_states(first, [likewise]).after[0].registered
    for one in lay_states(first, [between, likewise]).after:
        assert one.registered
        assert "specks" in one.reason
        assert_allclose(one.homography_after_to_before, np.eye(3), atol=0.5)


def test_the_same_clip_lies_on_itself(before: tuple[MeasuredShot, ...]) -> None:
    laid = lay_states(before, before)
    assert laid.after[0].reason == "the same photo"
    assert all(one.registered for one in laid.after)


def test_maps_are_carried_on() -> None:
    same = Registration.same()
    shift = np.array([[1.0, 0, 10], [0, 1, 0], [0, 0, 1]])
    one = replace(
        same, reason="rests on 9 specks", homography_after_to_before=shift, uncertainty_px=0.3
    )
    two = replace(one, homography_after_to_before=np.diag([2.0, 2.0, 1.0]), uncertainty_px=0.4)
    both = carried_on(one, two)
    assert_allclose(both.homography_after_to_before, shift @ np.diag([2.0, 2.0, 1.0]))
    assert both.uncertainty_px == pytest.approx(0.5)
    assert carried_on(one, same) is one
    assert carried_on(same, two) is two
    # Two maps that are good enough each need not be so together.
    for less in ({"uncertainty_px": 2.49}, {"overlap": 0.5}):
        twice = carried_on(replace(one, **less), replace(two, **less))  # type: ignore[arg-type]
        assert not twice.registered
        assert twice.reason.startswith("by way of another photo")
        assert np.isnan(twice.homography_after_to_before).all()
        assert twice.for_scale is not None
        assert_allclose(twice.for_scale, shift @ np.diag([2.0, 2.0, 1.0]))
    # What does not lie there may still tell the scale, by its map.
    open_map = replace(one.panel_map, homography=shift)
    loose = replace(one, registered=False, reason="open", panel_map=open_map)
    for carried in (carried_on(loose, two), carried_on(two, loose)):
        assert not carried.registered
        assert carried.reason == "open"
    scaled = carried_on(loose, two).for_scale
    assert scaled is not None
    assert_allclose(scaled, shift @ np.diag([2.0, 2.0, 1.0]))
    lost = replace(loose, tells_scale=False)
    assert carried_on(lost, two).for_scale is carried_on(one, lost).for_scale is None


def lying(matrix: np.ndarray | None, *, registered: bool = True) -> Registration:
    """Return how a shot lies, surely or good for the scale alone, or that nothing is known."""
    same = Registration.same()
    if matrix is None:
        return replace(same, registered=False, tells_scale=False)
    open_map = replace(same.panel_map, homography=matrix)
    return replace(
        same, registered=registered, homography_after_to_before=matrix, panel_map=open_map
    )


def scales(laid: Laid) -> tuple[list[float | None], list[float | None]]:
    before, after = ([None if m is None else m[0, 0] for m in maps] for maps in laid.for_scale())
    return before, after


def test_the_scale_comes_from_maps_too_open_for_lines() -> None:
    half, third = np.diag([1 / 2, 1 / 2, 1.0]), np.diag([1 / 3, 1 / 3, 1.0])
    laid = Laid(
        before=(lying(half), lying(third, registered=False), lying(None)),
        after=(lying(half, registered=False), lying(None)),
    )
    assert scales(laid) == ([1, 1 / 2, 1 / 3, None], [1 / 2, None])
    # Shots that lie on the first of their own state have its scale, where one of them tells it.
    apart = (lying(np.eye(3)), lying(third))
    nothing = Laid(before=(), after=(lying(None), lying(None)), after_on_first=apart)
    assert scales(nothing)[1] == [1, 1 / 3]
    second = Laid(
        before=(), after=(lying(None), lying(half, registered=False)), after_on_first=apart
    )
    assert scales(second)[1] == pytest.approx([3 / 2, 1 / 2])


@pytest.fixture(scope="module")
def bare() -> np.ndarray:
    """Render a panel with nothing on it."""
    specimen = Specimen(paint="black", density_mm_per_cm2=160, across_mm=100, margin_mm=40)
    before, _ = render_states(
        specimen, stand=Stand(width_px=1000, move_mm=8), development=Development(), seed=5, shots=1
    )
    return before.shots[0].rgb


def with_card(rgb: np.ndarray, path: Path, *, warp: np.ndarray | None = None) -> MeasuredShot:
    laid: np.ndarray = laid_on(rgb, mm_per_px=0.28)
    if warp is not None:
        laid = cv2.warpAffine(laid, warp, laid.shape[1::-1], borderMode=cv2.BORDER_REFLECT)
    Image.fromarray(laid).save(path, compress_level=1)
    (state,) = measure_states([path], mm_per_px=None)
    return state.shots[0]


@pytest.fixture(scope="module")
def carded(bare: np.ndarray, tmp_path_factory: pytest.TempPathFactory) -> MeasuredShot:
    return with_card(bare, tmp_path_factory.mktemp("carded") / "1.png")


def test_shots_of_a_state_lie_as_their_card_does(
    bare: np.ndarray, carded: MeasuredShot, tmp_path: Path
) -> None:
    turn = cv2.getRotationMatrix2D((500, 375), 2.0, 1.0)
    turn[:, 2] += (6, -4)
    # Mirrored, the paint has nothing that could be matched.
    second = with_card(bare[:, ::-1], tmp_path / "2.png", warp=turn)
    (found,) = lay_state([carded, second])
    assert "scale card" in found.reason
    back = cv2.invertAffineTransform(turn)
    corners = np.array([[200.0, 150], [800, 150], [800, 600], [200, 600]])
    assert_allclose(found.to_before(corners), corners @ back[:, :2].T + back[:, 2], atol=0.5)
    # Between two states somebody may have taken the card off.
    (found,) = lay_states([carded], [second]).after
    assert not found.registered


def test_what_is_fixed_to_the_panel_counts_more_than_a_card_that_was_moved(
    bare: np.ndarray, carded: MeasuredShot, tmp_path: Path
) -> None:
    after = with_card(np.roll(bare, 12, axis=1), tmp_path / "after.png")
    assert carded.card is not None
    assert after.card is not None
    assert_allclose(card_homography(carded.card, after.card), np.eye(3), atol=0.05)
    for found in (*lay_state([carded, after]), *lay_states([carded], [after]).after):
        assert found.registered
        assert_allclose(found.homography_after_to_before[:2, 2], [-12, 0], atol=0.5)
