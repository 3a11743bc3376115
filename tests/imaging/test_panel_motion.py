"""The model of how a panel's picture moves, its fit, and its held-out residuals."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from defectscan.imaging.panel_motion import (
    CURVED,
    FLAT,
    Links,
    PanelMotion,
    fit,
    from_homography,
    held_out,
    join,
    no_links,
    project,
    residuals,
    start,
)

Floats = NDArray[np.float64]

# From the Oxford affine set, as OpenCV ships it in samples/data/H1to3p.xml.
GRAFFITI = np.array(
    [
        [0.76285898, -0.29922929, 225.67123],
        [0.33443473, 1.0143901, -76.999973],
        [3.4663091e-4, -1.4364524e-5, 1.0],
    ]
)


def moved(seed: int, *, bend: float = 0.01, quarter_turns: int = 0) -> PanelMotion:
    rng = np.random.default_rng(seed)
    parameters = rng.normal(0, FLAT)
    parameters[8:] = rng.normal(0, bend, 6)
    return replace(start(quarter_turns), parameters=parameters)


def points(seed: int, n: int = 40) -> Floats:
    return np.random.default_rng(seed).uniform(-1, 1, (n, 2))


def linked(motion: PanelMotion, x: Floats, *, noise: float, seed: int = 0) -> Links:
    rng = np.random.default_rng(seed)
    return Links(
        after=x,
        before=motion.forth(x) + rng.normal(0, noise, x.shape),
        normal=np.tile([1.0, 0.0], (len(x), 1)),
        deviation=np.full(len(x), noise),
        is_point=np.ones(len(x), dtype=bool),
    )


def test_points_are_mapped_as_the_published_homography_maps_them() -> None:
    corners = np.array([[0, 0], [799, 0], [799, 639], [0, 639], [400, 320]], dtype=float)
    # worked by hand from the matrix, to four decimals
    expected = [
        [225.6712, -77.0000],
        [654.0509, 148.9582],
        [507.9655, 661.3207],
        [34.7830, 576.4868],
        [383.6332, 336.2963],
    ]
    assert_allclose(project(GRAFFITI, corners), expected, atol=1e-4)


def test_a_turn_of_one_degree_moves_the_corners_of_640_by_480_as_trigonometry_says() -> None:
    half = np.array([319.5, 239.5])
    motion = start()
    motion = replace(motion, parameters=motion.parameters + np.eye(14)[3] * np.deg2rad(1))
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half / 319.5
    distance = np.linalg.norm(motion.forth(corners) - corners, axis=1) * 319.5
    assert_allclose(distance.mean(), 6.969011, atol=1e-5)


@pytest.mark.parametrize("quarter_turns", [0, 1, 2, 3])
def test_derivatives_are_those_of_small_changes(quarter_turns: int) -> None:
    motion, x = moved(1, quarter_turns=quarter_turns), points(2)
    wide = motion.derivatives(x)
    for number, step in enumerate(np.eye(14) * 1e-6):
        ahead, behind = (
            replace(motion, parameters=motion.parameters + sign * step).forth(x) for sign in (1, -1)
        )
        assert_allclose(wide[..., number], (ahead - behind) / 2e-6, atol=1e-7)


def test_back_undoes_forth() -> None:
    motion, x = moved(3), points(4)
    # two rounds leave the bend's third power
    assert_allclose(motion.back(motion.forth(x)), x, atol=2e-4)
    flat = moved(3, bend=0)
    assert not flat.is_bent
    assert_allclose(flat.back(flat.forth(x)), x, atol=1e-12)


@pytest.mark.parametrize("quarter_turns", [0, 1, 2, 3])
def test_a_homography_is_taken_apart_and_put_together(quarter_turns: int) -> None:
    motion = moved(5, bend=0, quarter_turns=quarter_turns)
    found = from_homography(-3 * motion.homography)
    assert found.quarter_turns == quarter_turns
    assert_allclose(found.homography, motion.homography, atol=1e-12)


def test_a_fit_finds_the_motion_among_false_links() -> None:
    truth, x = moved(7, bend=0), points(8, 60)
    links = linked(truth, x, noise=3e-4)
    links.before[:15] += np.random.default_rng(9).uniform(-0.03, 0.03, (15, 2))
    found = fit(start(), links, tolerance=0.004, expected=FLAT, rounds=30)
    assert np.linalg.norm(found.forth(x) - truth.forth(x), axis=1).max() < 1e-3


def test_the_covariance_is_that_of_repeated_fits() -> None:
    truth, x = moved(11, bend=0), points(12, 30)
    # without the prior's pull, which repeated fits of one motion do not show
    wide = FLAT * np.where(np.arange(14) < 8, 1e3, 1)
    fits = [
        fit(truth, linked(truth, x, noise=1e-3, seed=s), tolerance=1.0, expected=wide)
        for s in range(300)
    ]
    there = np.stack([found.forth(x[:5]) for found in fits])
    expected = np.diagonal(fits[0].spread(x[:5]), axis1=1, axis2=2)
    # 300 fits know a variance to 8 % (1 sd)
    assert_allclose(there.var(axis=0), expected, rtol=0.35)


def test_edges_bind_across_only() -> None:
    x = np.stack([np.linspace(-1, 1, 30), np.zeros(30)], axis=-1)
    links = replace(
        linked(start(), x, noise=1e-3),
        normal=np.tile([0.0, 1.0], (30, 1)),
        is_point=np.zeros(30, dtype=bool),
    )
    shifted = replace(links, before=links.before + np.array([0.1, 0.0]))
    assert_allclose(residuals(start(), shifted), residuals(start(), links), atol=1e-15)
    found = fit(start(), links, tolerance=0.01, expected=FLAT)
    spread = found.spread(np.zeros((1, 2)))[0]
    assert spread[1, 1] < 1e-6
    assert_allclose(spread[0, 0], FLAT[0] ** 2, rtol=0.01)


def test_a_bend_is_significant_only_where_there_is_one() -> None:
    x = points(14, 60)
    for bend, is_there in ((0.0, False), (0.01, True)):
        truth = moved(15, bend=bend)
        found = fit(start(), linked(truth, x, noise=1e-3), tolerance=0.01, expected=CURVED)
        assert (found.bend_significance() > 22.5) == is_there


def test_held_out_residuals_are_those_of_a_fit_without_them() -> None:
    truth, x = moved(17, bend=0), points(18, 24)
    links = linked(truth, x, noise=1e-3)
    group = np.arange(24) // 2
    found = fit(start(), links, tolerance=1e3, expected=FLAT, rounds=30)
    off = held_out(found, links, tolerance=1e3, group=group)
    for number in range(12):
        rest = group != number
        others = Links(**{name: getattr(links, name)[rest] for name in Links.__dataclass_fields__})
        without = fit(start(), others, tolerance=1e3, expected=FLAT, rounds=30)
        miss = (without.forth(x) - links.before)[group == number].mean(axis=0)
        # one mean row stands for the group's two rows: nearly, not wholly, the same
        assert off[number] == pytest.approx(np.linalg.norm(miss), rel=0.5, abs=3e-4)


def test_links_are_joined() -> None:
    links = linked(start(), points(20, 5), noise=1e-3)
    assert len(no_links()) == 0
    assert len(join(no_links(), links, links)) == 10
