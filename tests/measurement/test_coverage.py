"""Ground that the shots of a state cover: areas by hand."""

from dataclasses import replace

import numpy as np
import pytest

from defectscan.imaging.highlight import Highlight
from defectscan.measurement.coverage import CELLS_ACROSS, coverage
from defectscan.measurement.state import MeasuredShot, PanelScore, score_state
from tests.drawn_lines import no_lines, shot_of
from tests.measurement.test_state import CIRCLES, MM_PER_PX, NOISE, SHAPE, photo

HEIGHT_PX, WIDTH_PX = SHAPE
CELL_PX = WIDTH_PX / CELLS_ACROSS
PHOTO_CM2 = WIDTH_PX * HEIGHT_PX * MM_PER_PX**2 / 100


def shifted(right_px: float) -> np.ndarray:
    return np.array([[1.0, 0.0, right_px], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])


def scored(*frames: np.ndarray | None, mm_per_px: float | None = MM_PER_PX) -> PanelScore:
    zone = np.ones(SHAPE, dtype=bool)
    shot = MeasuredShot(
        photo=photo(),
        highlight=Highlight(
            x_px=300, y_px=200, radius_px=12, bloom_px=16, area_px=450, cut=False
        ),
        shot=shot_of(no_lines(), zone, CIRCLES, mm_per_px=mm_per_px),
        scratches=no_lines(),
        noise=NOISE,
        haze=np.zeros(0),
    )  # fmt: skip
    rng = np.random.default_rng(0)
    return score_state([shot] * len(frames), rng, to_frame=list(frames))


def test_ground_that_overlaps_counts_once_and_is_counted_twice() -> None:
    found = coverage(scored(np.eye(3), shifted(WIDTH_PX / 4)))
    assert found is not None
    assert found.area_cm2 == pytest.approx(1.25 * PHOTO_CM2)
    quarter = CELLS_ACROSS // 4
    assert (found.n_shots[:, :quarter] == 1).all()
    assert (found.n_shots[:, quarter:] == 2).all()
    assert found.highlights_px.tolist() == [[300, 200], [480, 200]]
    assert (found.shots_laid, found.shots_not_laid) == (2, 0)


def test_a_shot_from_nearer_covers_less() -> None:
    found = coverage(scored(np.eye(3), np.diag([0.5, 0.5, 1.0])))
    assert found is not None
    assert found.area_cm2 == pytest.approx(PHOTO_CM2)
    assert (found.n_shots == 2).mean() == pytest.approx(0.25, abs=0.02)


def test_shots_that_do_not_lie_on_the_first_are_told_apart() -> None:
    found = coverage(scored(np.eye(3), None, shifted(0)))
    assert found is not None
    assert (found.shots_laid, found.shots_not_laid) == (2, 1)
    assert found.n_shots.max() == 2


def test_frames_of_another_state_are_taken_back_to_the_first_shot() -> None:
    here = coverage(scored(np.eye(3), shifted(90)))
    there = coverage(scored(shifted(40), shifted(130)))
    assert here is not None
    assert there is not None
    assert (here.n_shots == there.n_shots).all()


def test_a_first_shot_that_lies_nowhere_stands_alone() -> None:
    found = coverage(scored(None, shifted(40)))
    assert found is not None
    assert (found.shots_laid, found.shots_not_laid) == (1, 1)
    assert found.area_cm2 == pytest.approx(PHOTO_CM2)


def test_without_a_scale_there_is_no_area_and_for_one_shot_nothing() -> None:
    found = coverage(scored(np.eye(3), shifted(0), mm_per_px=None))
    assert found is not None
    assert found.area_cm2 is None
    assert coverage(scored(np.eye(3))) is None
    alone = coverage(replace(scored(np.eye(3), shifted(0)), frames=()))
    assert alone is not None
    assert alone.shots_laid == 1
