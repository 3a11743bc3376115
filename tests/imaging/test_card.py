"""The scale card in photos: printed, laid on panels, photographed through optics of our own."""

import math
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from defectscan.errors import DefectscanError
from defectscan.imaging import card as card_module
from defectscan.imaging import card_layout
from defectscan.imaging.card import Card, find_card, printed_scale
from defectscan.imaging.card_layout import TAGS
from defectscan.imaging.card_pose import N_PARAMETERS, Lens, fit_pose, project
from tests.drawn_card import Camera, CardPhoto, Shot, draw_shot, take

SHOTS = {
    "straight": Shot(),
    "tilted": Shot(tilt_deg=45, tilt_towards_deg=30, turn_deg=12),
    "blurred": Shot(tilt_deg=15, tilt_towards_deg=200, blur_px=2.0, noise=0.015, px_per_mm=3.6),
    "hidden": Shot(tilt_deg=25, tilt_towards_deg=80, hidden=(0, 2, 3, 4, 5, 7, 8, 10, 11)),
    "bent": Shot(tilt_deg=20, tilt_towards_deg=10, radius_mm=300, axis_deg=70, turn_deg=90),
    "white paint, blown out": Shot(tilt_deg=30, paint=0.75, exposure=1.6, turn_deg=180),
    "black paint, dark": Shot(tilt_deg=10, paint=0.01, exposure=0.2, turn_deg=-90),
}


@cache
def photo(name: str) -> CardPhoto:
    return take(SHOTS[name], np.random.default_rng(7))


@cache
def found(name: str) -> Card:
    card = find_card(photo(name).grey, card_mm=200.0)
    assert card is not None, name
    return card


def test_the_marks_keep_to_the_frame_and_clear_of_the_window() -> None:
    corners = np.concatenate([tag.corners_mm() for tag in TAGS])
    quiet = card_layout.QUIET_MM
    assert (np.abs(corners) + quiet <= card_layout.outline_mm().max(axis=0)).all()
    window = card_layout.window_mm().max(axis=0)
    for tag in TAGS:
        middle = np.abs([tag.x_mm, tag.y_mm])
        assert (middle - card_layout.TAG_MM / 2 - quiet >= window).any()


def test_no_two_marks_can_be_taken_for_each_other() -> None:
    codes = [tag.modules()[1:-1, 1:-1] for tag in TAGS]
    for i, one in enumerate(codes):
        for j, other in enumerate(codes):
            for turns in range(4):
                if i != j or turns:
                    assert np.count_nonzero(one != np.rot90(other, turns)) >= 11


@pytest.mark.parametrize("name", SHOTS)
def test_scale_and_tilt_are_true_and_so_is_their_uncertainty(name: str) -> None:
    card, truth = found(name), photo(name)
    error = card.mm_per_px / truth.mm_per_px - 1
    assert abs(error) < 0.01
    assert abs(error) * truth.mm_per_px < 3.5 * card.fit_standard_error
    assert card.fit_standard_error < 0.01 * truth.mm_per_px
    assert abs(card.tilt_deg - truth.tilt_deg) < 0.3 + 3.5 * card.tilt_standard_error_deg
    assert card.residual_px < 0.5
    hidden = SHOTS[name].hidden
    assert not set(card.tag_numbers) & set(hidden)
    assert len(card.tag_numbers) >= 11 - len(hidden)


def test_the_median_scale_is_within_one_percent() -> None:
    errors = [abs(found(name).mm_per_px / photo(name).mm_per_px - 1) for name in SHOTS]
    assert np.median(errors) < 0.002


def test_half_covered_it_knows_less() -> None:
    assert found("hidden").fit_standard_error > 2 * found("straight").fit_standard_error
    assert found("hidden").homography_error_px > 2 * found("straight").homography_error_px > 0


@pytest.mark.parametrize("name", ["tilted", "bent"])
def test_places_on_the_panel_are_mapped_there_and_back(name: str) -> None:
    card, camera = found(name), Camera(SHOTS[name])
    places = np.array([[0.0, 0], [-60, 80], [70, -95], [90, 120], [-90, -120]])
    pixels = card.to_px(places)
    assert np.abs(pixels - camera.to_px(places)).max() < 0.6
    assert np.abs(card.to_mm(pixels) - places).max() < 1e-6
    (scale,) = card.mm_per_px_at(card.to_px(np.zeros((1, 2))))
    assert scale == pytest.approx(card.mm_per_px, rel=1e-6)
    truths = [camera.mm_per_px(place) for place in places]
    assert np.allclose(card.mm_per_px_at(pixels), truths, rtol=0.01)


def test_the_homography_is_that_of_a_flat_panel() -> None:
    card, camera = found("tilted"), Camera(SHOTS["tilted"])
    places = np.array([[0.0, 0], [-60, 80], [70, -95], [-70, -100]])
    mapped = cv2.perspectiveTransform(places[None], card.homography_mm_to_px)[0]
    misses = np.linalg.norm(mapped - camera.to_px(places), axis=1)
    assert misses.max() < 0.6
    assert np.sqrt((misses**2).mean()) < 4 * card.homography_error_px
    spread = np.sqrt(np.diag(card.homography_covariance))
    assert card.homography_covariance.shape == (8, 8)
    assert (spread > 0).all()
    # The place of the card's middle is the third and sixth entry, in pixels.
    assert spread[2] < 0.5
    assert spread[5] < 0.5


def test_a_bent_panel_is_known_to_be_bent() -> None:
    bent, flat = found("bent"), found("tilted")
    curvatures = np.linalg.eigvalsh(bent.curvature_per_mm)
    assert curvatures[1] == pytest.approx(1 / 300, rel=0.05)
    assert abs(curvatures[0]) < 2e-4
    assert bent.bend_px > 5 > 20 * flat.bend_px


@pytest.mark.parametrize("name", ["tilted", "bent", "hidden"])
def test_the_mask_covers_the_card_and_leaves_the_window(name: str) -> None:
    card, truth = found(name), photo(name)
    shape = truth.grey.shape[:2]
    mask = card.mask((shape[0], shape[1]))
    assert mask[truth.on_card > 0].all()
    wider = card.mask((shape[0], shape[1]), margin_mm=5)
    assert (wider | ~mask).all()
    window = np.zeros(shape, dtype=np.uint8)
    cv2.fillPoly(window, [np.round(card.window_px).astype(np.int32)], 1)
    assert mask[window > 0].mean() < 0.1
    x, y = np.round(truth.middle_px).astype(int)
    assert not mask[y, x]
    assert mask.sum() < 1.5 * (truth.on_card > 0).sum()


def test_a_ruler_that_was_measured_rescales_everything() -> None:
    grey = photo("straight").grey
    small = find_card(grey, card_mm=194.0)
    assert small is not None
    true = found("straight")
    assert small.mm_per_px == pytest.approx(0.97 * true.mm_per_px, rel=1e-4)
    assert small.printed_wrong
    assert not true.printed_wrong
    assert np.allclose(small.window_px, true.window_px, atol=0.05)
    unmeasured = find_card(grey)
    assert unmeasured is not None
    assert unmeasured.mm_per_px == pytest.approx(true.mm_per_px, rel=1e-9)
    relative = unmeasured.mm_per_px_standard_error / unmeasured.mm_per_px
    assert relative == pytest.approx(0.005, rel=0.1)
    assert true.fit_standard_error < true.mm_per_px_standard_error
    assert true.mm_per_px_standard_error < unmeasured.mm_per_px_standard_error


def test_a_wrongly_printed_card_reads_true_once_its_ruler_is_measured() -> None:
    shot = Shot(print_scale=0.94, tilt_deg=12, px_per_mm=3.4)
    wrong = take(shot, np.random.default_rng(3))
    card = find_card(wrong.grey, card_mm=188.0)
    assert card is not None
    assert card.printed_wrong
    assert card.print_scale == pytest.approx(0.94)
    assert card.mm_per_px == pytest.approx(wrong.mm_per_px, rel=0.002)


@pytest.mark.parametrize("card_mm", [0.0, -200.0, 7.87, 20.0, 159.0, 241.0, math.nan, math.inf])
def test_a_ruler_of_no_card_is_refused(card_mm: float) -> None:
    with pytest.raises(DefectscanError, match="does not belong to a scale card; drawn as 200 mm"):
        printed_scale(card_mm)
    with pytest.raises(DefectscanError):
        find_card(np.zeros((50, 50), np.uint8), card_mm=card_mm)


def test_none_where_there_is_no_card() -> None:
    rng = np.random.default_rng(0)
    for grey in (
        np.zeros((300, 400), np.uint8),
        rng.integers(0, 256, (300, 400)).astype(np.uint8),
        np.full((300, 400), 0.4, np.float32),
    ):
        assert find_card(grey) is None


def test_one_mark_alone_is_not_enough_and_a_second_card_is_not_mixed_in() -> None:
    truth = photo("straight")
    camera = Camera(SHOTS["straight"])
    x, y = np.round(camera.to_px(np.array([TAGS[0].x_mm, TAGS[0].y_mm]))).astype(int)
    patch = truth.grey[y - 40 : y + 40, x - 40 : x + 40]
    alone = np.full_like(truth.grey, 90)
    alone[500:580, 600:680] = patch
    assert find_card(alone) is None
    # A copy of one mark elsewhere: that mark is given up, the others hold.
    double = truth.grey.copy()
    double[460:540, 610:690] = patch
    card = find_card(double, card_mm=200.0)
    assert card is not None
    assert card.mm_per_px == pytest.approx(truth.mm_per_px, rel=0.002)


def test_turned_reduced_and_linear_photos_agree() -> None:
    grey, card = photo("tilted").grey, found("tilted")
    quarter = find_card(np.ascontiguousarray(np.rot90(grey)), card_mm=200.0)
    assert quarter is not None
    assert quarter.mm_per_px == pytest.approx(card.mm_per_px, rel=0.002)
    assert quarter.tilt_deg == pytest.approx(card.tilt_deg, abs=0.2)
    twice = find_card(cv2.resize(grey, None, fx=2, fy=2), card_mm=200.0)
    assert twice is not None
    assert twice.mm_per_px == pytest.approx(card.mm_per_px / 2, rel=0.002)
    encoded = grey / 255
    light = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    linear = find_card(light.astype(np.float32), card_mm=200.0)
    assert linear is not None
    assert linear.mm_per_px == pytest.approx(card.mm_per_px, rel=0.002)


@pytest.mark.parametrize("radius_mm", [math.inf, 280.0])
def test_the_fits_model_is_the_camera_and_the_cylinder(radius_mm: float) -> None:
    shot = Shot(
        tilt_deg=33, tilt_towards_deg=130, turn_deg=20, radius_mm=radius_mm, axis_deg=25,
        distortion=0.01, off_middle=(0.05, -0.03),
    )  # fmt: skip
    camera = Camera(shot)
    parameters = np.zeros(N_PARAMETERS)
    parameters[:3] = cv2.Rodrigues(camera.turn)[0].ravel()
    parameters[3:6] = camera.place
    parameters[6] = math.log(camera.focal)
    across = np.array([-math.sin(math.radians(25)), math.cos(math.radians(25))])
    bend = np.outer(across, across) / radius_mm
    parameters[9:12] = bend[0, 0], bend[0, 1], bend[1, 1]
    parameters[12] = shot.distortion
    lens = Lens(width_px=shot.width_px, height_px=shot.height_px, focal_px=None)
    places = np.random.default_rng(1).uniform(-100, 100, (50, 2))
    assert np.allclose(project(parameters, places, lens), camera.to_px(places), atol=1e-6)


def test_errors_of_the_fit_are_as_large_as_it_says() -> None:
    """Corners with known noise, without pictures; the benchmark does it with pictures."""
    ratios = []
    for seed in range(24):
        rng = np.random.default_rng([11, seed])
        shot = draw_shot(rng)
        camera = Camera(shot)
        seen = [
            (tag.corners_mm(), camera.to_px(tag.corners_mm()) + rng.normal(0, 0.15, (4, 2)))
            for tag in TAGS
            if tag.number % 4 != seed % 4
        ]
        lens = Lens(width_px=shot.width_px, height_px=shot.height_px, focal_px=None)
        mm, px = (np.concatenate(part) for part in zip(*seen, strict=True))
        pose = fit_pose(mm, px, lens)
        assert pose is not None
        step = 1e-3

        def log_scale(parameters: np.ndarray, lens: Lens = lens) -> float:
            at = np.array([[0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]])
            a, b, c, d = project(parameters, at, lens)
            return -0.5 * math.log(abs(np.linalg.det(np.stack([a - b, c - d]))))

        sds = np.sqrt(np.diag(pose.covariance)) * step
        slope = np.array(
            [
                (log_scale(pose.parameters + d) - log_scale(pose.parameters - d)) / 2 / d.sum()
                for d in np.diag(sds)
            ]
        )
        error = log_scale(pose.parameters) - math.log(camera.mm_per_px(np.zeros(2)))
        ratios.append(error / math.sqrt(slope @ pose.covariance @ slope))
    assert 0.65 < np.sqrt(np.mean(np.square(ratios))) < 1.4
    assert np.mean(np.abs(ratios) < 1.96) > 0.83


def test_the_scale_away_from_the_card_is_no_surer_than_it_is() -> None:
    # The card lies half out of the picture, the paint that is measured beside it.
    rng = np.random.default_rng(4)
    lens = Lens(width_px=2000, height_px=1500, focal_px=None)
    focal_px = 0.75 * lens.diagonal_px
    paint_px = np.stack(np.meshgrid(np.arange(700, 2000, 100), np.arange(0, 1500, 100)), axis=-1)
    places = paint_px.reshape(-1, 2).astype(np.float64)
    errors, claimed, middle = [], [], []
    for _ in range(12):
        true = np.zeros(N_PARAMETERS)
        true[:2] = np.deg2rad(5) * rng.standard_normal(2)
        true[3:7] = -230, 100, focal_px * 0.25, math.log(focal_px)
        marks = [tag for tag in TAGS if within(project(true, tag.corners_mm(), lens), lens)]
        corners = np.concatenate([tag.corners_mm() for tag in marks])
        seen = project(true, corners, lens)
        pose = fit_pose(corners, seen + rng.normal(0, 0.1, seen.shape), lens)
        assert pose is not None
        card, truth = (
            card_module._measure(one, tuple(tag.number for tag in marks), 1.0, 200.0)
            for one in (pose, replace(pose, parameters=true))
        )
        scale, _, fit_error = card.mean_mm_per_px(places)
        true_scale = float(np.sqrt(np.mean(truth.mm_per_px_at(places) ** 2)))
        errors.append(math.log(scale / true_scale))
        claimed.append(fit_error)
        middle.append(card.fit_standard_error / card.mm_per_px)
    z = np.array(errors) / claimed
    assert 0.5 < np.sqrt(np.mean(z**2)) < 2
    assert np.median(claimed) > 2 * np.median(middle)


def within(xy_px: np.ndarray, lens: Lens) -> bool:
    """Tell whether a mark lies whole in the picture."""
    return bool(np.all((xy_px > 8) & (xy_px < (lens.width_px - 8, lens.height_px - 8))))
