"""The measuring side on path-traced photos: another renderer's light, and nothing of ours in it.

Photos by Mitsuba 3 (https://mitsuba.readthedocs.io) of a panel whose normal map holds the grooves'
profiles; what is true of them by the law of reflection, in `tests/grooved_panel.py`.
"""

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from defectscan.flags import Flag
from defectscan.measurement.kinds import mean_direction
from defectscan.measurement.maps import direction_densities
from defectscan.measurement.state import PanelScore
from defectscan.pipeline import Comparison, compare, score
from tests.grooved_panel import Floats, expected_glints
from tests.pathtracer import PathTracedPair, PathTracedShot, render_pair, render_panel
from tests.test_pathtracer import parallel_grooves


def saved(shot: PathTracedShot, path: Path) -> Path:
    Image.fromarray(shot.rgb).save(path, compress_level=1)
    return path


@pytest.fixture(scope="module")
def pair() -> PathTracedPair:
    return render_pair(seed=3, density_mm_per_cm2=100, size_px=(512, 384), samples=25)


@pytest.fixture(scope="module")
def compared(pair: PathTracedPair, tmp_path_factory: pytest.TempPathFactory) -> Comparison:
    folder = tmp_path_factory.mktemp("path_traced")
    before = saved(pair.before, folder / "before.png")
    after = saved(pair.after, folder / "after.png")
    return compare(before, after, mm_per_px=pair.before.mm_per_px)


def both(pair: PathTracedPair, compared: Comparison) -> list[tuple[PathTracedShot, PanelScore]]:
    return [(pair.before, compared.before), (pair.after, compared.after)]


def test_highlight(pair: PathTracedPair, compared: Comparison) -> None:
    for shot, measured in both(pair, compared):
        highlight = measured.shots[0].highlight
        assert highlight is not None
        off = np.subtract((highlight.x_px, highlight.y_px), shot.highlight_xy_px)
        assert np.hypot(*off) < 1.5


def test_ring_geometry(pair: PathTracedPair, compared: Comparison) -> None:
    for shot, measured in both(pair, compared):
        glint = measured.shots[0].shot.glint
        step = np.array([[1.0, 0], [-1, 0], [0, 1], [0, -1]])
        tilt = glint.tilt(np.array(shot.highlight_xy_px) + step)
        found = np.stack([tilt[0] - tilt[1], tilt[2] - tilt[3]], axis=-1) / 2
        expected = shot.view.tilt_per_px()
        ratios = []
        for matrix in (found, expected):
            values = np.linalg.eigvalsh((matrix + matrix.T) / 2)
            ratios.append(np.sqrt(np.max(np.abs(values)) / np.min(np.abs(values))))
        assert ratios[0] == pytest.approx(ratios[1], rel=0.06)
        assert not glint.assumed


def test_needed_tilt_over_the_whole_picture(pair: PathTracedPair, compared: Comparison) -> None:
    # The directions in which grooves show, against the law of reflection, on a grid of places.
    for shot, measured in both(pair, compared):
        x, y = np.meshgrid(np.arange(-55, 56, 10.0), np.arange(-40, 41, 10.0))
        places = np.stack([x.ravel(), y.ravel()], axis=-1)
        at = shot.view.to_image(places)
        inside = shot.view.in_frame(places)
        inside &= np.hypot(*(at - shot.highlight_xy_px).T) > 60
        expected = shot.view.wall_tilt(places)[0] * [1, -1]
        found = measured.shots[0].shot.glint.tilt(at)
        off = [np.arctan2(v[:, 1], v[:, 0]) for v in (expected, found)]
        apart = np.degrees((off[0] - off[1] + np.pi / 2) % np.pi - np.pi / 2)[inside]
        assert np.abs(apart).mean() < 3


def test_reach_is_the_lamps_and_lenss_size(pair: PathTracedPair, compared: Comparison) -> None:
    for shot, measured in both(pair, compared):
        _, tolerance = shot.view.wall_tilt(shot.view.highlight_mm[None])
        per_px = np.abs(np.linalg.eigvalsh(shot.view.tilt_per_px())).mean()
        lamp_px = tolerance[0] / per_px
        assert measured.shots[0].shot.glint.reach_px == pytest.approx(lamp_px, rel=0.25)


def test_lines_lie_where_the_law_of_reflection_lights_grooves(
    pair: PathTracedPair, compared: Comparison
) -> None:
    for shot, measured in both(pair, compared):
        expected = expected_glints(shot.view, shot.grooves, spacing_mm=0.1)
        lit = expected.points_px[expected.misfit < 1.3]
        lines = measured.shots[0].shot.lines
        apart: Floats = np.hypot(*(lines.xy_px[:, None] - lit[None, ::4]).transpose(2, 0, 1))
        near = apart.min(axis=1) < 2.5
        assert near.mean() > 0.95


def test_density_within_its_interval(pair: PathTracedPair, compared: Comparison) -> None:
    for shot, measured in both(pair, compared):
        density = measured.line_density
        assert density.low < shot.density_mm_per_cm2 < density.high
        # The interval is not so wide as to hold anything.
        assert density.high / density.low < 2.5


def test_correction_within_its_interval(pair: PathTracedPair, compared: Comparison) -> None:
    correction = compared.correction.percent
    assert correction is not None
    assert correction.low < pair.correction_percent < correction.high
    assert correction.high - correction.low < 50
    assert not compared.correction.at_least


def test_the_same_photo_twice(pair: PathTracedPair, tmp_path: Path) -> None:
    photo = saved(pair.after, tmp_path / "photo.png")
    found = compare(photo, photo, mm_per_px=pair.after.mm_per_px)
    assert found.correction.percent is not None
    assert found.correction.percent.value == 0
    assert Flag.SAME_PHOTO in found.flags


@pytest.mark.parametrize(("angle_deg", "sign"), [(45.0, -1), (135.0, 1), (30.0, -1)])
def test_grooves_along_a_diagonal(angle_deg: float, sign: int, tmp_path: Path) -> None:
    # Grooves rising to the right show to the upper left and lower right of the highlight, and
    # never on the other two sides: mirrored rings would be caught here.
    grooves = parallel_grooves(angle_deg)
    shot = render_panel(seed=1, grooves=grooves, size_px=(320, 240), mm_per_px=0.3, samples=16)
    measured = score(saved(shot, tmp_path / "photo.png"), mm_per_px=0.3)
    lines = measured.shots[0].shot.lines
    assert lines.n > 8
    middle = np.stack([lines.total(lines.xy_px[:, k]) for k in (0, 1)], axis=-1)
    middle = middle / lines.total(np.ones(len(lines.line)))[:, None] - shot.highlight_xy_px
    assert (np.sign(middle[:, 0] * -middle[:, 1]) == sign).all()
    # Angles in the picture are counted from x towards y, which points down.
    expected = -angle_deg % 180
    off = (np.degrees(mean_direction(lines)) - expected + 90) % 180 - 90
    assert np.abs(np.median(off)) < 1.5
    directions = direction_densities([shot.shot for shot in measured.shots], measured.count)
    near = np.abs((np.arange(len(directions)) + 0.5) * 180 / len(directions) - expected) <= 15.1
    assert directions[near].sum() > 0.9 * directions.sum()
