"""Shots laid over each other by the scale card that lies still in them."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from defectscan.imaging.card import Card, find_card
from defectscan.imaging.card_registration import card_homography, register_by_card
from tests.drawn_card import Camera, Shot, take

BEFORE = Shot(tilt_deg=12, tilt_towards_deg=30)
AFTER = Shot(tilt_deg=20, tilt_towards_deg=200, turn_deg=5, off_middle=(0.03, -0.02))
SHAPE = (BEFORE.height_px, BEFORE.width_px)
ROUND_MM = np.array([[-60.0, -90], [60, -90], [60, 90], [-60, 90], [0, 0]])


def card_of(shot: Shot) -> Card:
    card = find_card(take(shot, np.random.default_rng(3)).grey)
    assert card is not None
    return card


def test_the_map_is_that_of_the_two_cameras() -> None:
    before, after = card_of(BEFORE), card_of(AFTER)
    seen_after = Camera(AFTER).to_px(ROUND_MM)
    there = cv2.perspectiveTransform(seen_after[None], card_homography(before, after))[0]
    assert_allclose(there, Camera(BEFORE).to_px(ROUND_MM), atol=0.5)
    found = register_by_card(before, after, shape=SHAPE)
    assert found.registered
    assert "scale card" in found.reason
    assert 0 < found.uncertainty_px < 0.5
    assert 0.7 < found.overlap < 1
    assert_allclose(found.to_before(seen_after), there)


def test_what_the_card_cannot_tell_is_not_registered() -> None:
    card = card_of(BEFORE)
    unsure = replace(card, homography_error_px=3.0)
    assert not register_by_card(card, unsure, shape=SHAPE).registered
    away = replace(card, homography_mm_to_px=shifted(card, (1000.0, 0.0)))
    found = register_by_card(card, away, shape=SHAPE)
    assert not found.registered
    assert found.overlap == pytest.approx(1 - 1000 / 1300, abs=1e-3)
    assert np.isnan(found.homography_after_to_before).all()


def shifted(card: Card, by_px: tuple[float, float]) -> np.ndarray:
    return np.array([[1, 0, by_px[0]], [0, 1, by_px[1]], [0, 0, 1]]) @ card.homography_mm_to_px
