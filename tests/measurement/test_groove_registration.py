"""Clips laid over each other by the courses of grooves."""

import numpy as np
from numpy.typing import NDArray

from defectscan.imaging.panel_motion import project
from defectscan.measurement.groove_registration import register_by_grooves
from defectscan.measurement.lines import Lines
from defectscan.measurement.pairing import carried

SHAPE = (1080, 1920)
LIT_PX = 20


def lit(middle: NDArray[np.float64], angle: NDArray[np.float64]) -> Lines:
    """Return straight lines of `LIT_PX` points round their middles."""
    direction = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    along = np.arange(LIT_PX) - (LIT_PX - 1) / 2
    points = middle[:, None] + along[:, None] * direction[:, None]
    n = len(middle)
    return Lines(
        xy_px=points.reshape(-1, 2),
        tangent=np.repeat(direction, LIT_PX, axis=0),
        length_px=np.ones(n * LIT_PX),
        contrast=np.ones(n * LIT_PX),
        line=np.repeat(np.arange(n), LIT_PX),
        evidence=np.full(n, 50.0),
    )


def courses(rng: np.random.Generator, n: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return middles and angles of grooves over the whole frame."""
    return rng.uniform((0, 0), SHAPE[::-1], (n, 2)), rng.uniform(0, np.pi, n)


def lit_elsewhere(
    rng: np.random.Generator, middle: NDArray[np.float64], angle: NDArray[np.float64]
) -> Lines:
    """Return lines on the same courses, each lit up to 80 px further along."""
    by = rng.uniform(-80, 80, len(middle))
    return lit(middle + by[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=-1), angle)


def similarity(scale: float, turn: float, shift: tuple[float, float]) -> NDArray[np.float64]:
    """Return a turn and scale about the frame's middle with a shift."""
    middle = np.array([SHAPE[1] - 1, SHAPE[0] - 1]) / 2
    linear = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    matrix = np.eye(3)
    matrix[:2, :2], matrix[:2, 2] = linear, middle + shift - linear @ middle
    return matrix


def off_px(found: NDArray[np.float64], true: NDArray[np.float64]) -> float:
    """Return the largest distance between two maps over the frame."""
    x, y = np.meshgrid(np.linspace(0, SHAPE[1], 7), np.linspace(0, SHAPE[0], 5))
    grid = np.stack([x, y], axis=-1).reshape(-1, 2)
    return float(np.abs(project(found, grid) - project(true, grid)).max())


def test_clips_are_laid_by_grooves_lit_elsewhere() -> None:
    rng = np.random.default_rng(1)
    middle, angle = courses(rng, 400)
    true = similarity(1.06, 0.03, (90.0, -40.0))
    # Half of the grooves after are gone, and what is left is lit in other places.
    after = carried(lit_elsewhere(rng, middle[:200], angle[:200]), np.linalg.inv(true))
    found = register_by_grooves(lit(middle, angle), after, shape=SHAPE)
    assert found.registered, found.reason
    assert off_px(found.homography_after_to_before, true) < 1.0
    assert found.uncertainty_px < 1.0


def test_other_grooves_prove_nothing() -> None:
    rng = np.random.default_rng(2)
    before, after = (lit(*courses(rng, 400)) for _ in range(2))
    found = register_by_grooves(before, after, shape=SHAPE)
    assert not found.registered
    assert "are needed" in found.reason
    assert np.isnan(found.homography_after_to_before).all()


def test_few_lines_are_not_enough() -> None:
    rng = np.random.default_rng(3)
    few = lit(*courses(rng, 8))
    assert not register_by_grooves(few, few, shape=SHAPE).registered


def test_frames_of_a_clip_are_laid_without_a_search() -> None:
    rng = np.random.default_rng(4)
    middle, angle = courses(rng, 200)
    true = similarity(1.0, 0.004, (7.0, -9.0))
    after = carried(lit_elsewhere(rng, middle, angle), np.linalg.inv(true))
    found = register_by_grooves(lit(middle, angle), after, shape=SHAPE, alike=True)
    assert found.registered, found.reason
    assert off_px(found.homography_after_to_before, true) < 0.5
