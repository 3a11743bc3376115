"""Rendered clips: the highlight goes where the lamp is drawn, shake and noise are each frame's."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from defectscan.errors import DefectscanError
from defectscan.simulation.clip import Filming, Sway, lamp_over, render_clip, write_clip
from defectscan.simulation.develop import Development
from defectscan.simulation.panel import Panel
from defectscan.simulation.scene import Camera, Lamp, Scene
from defectscan.simulation.specimen import Specimen, draw_panel
from defectscan.simulation.surface import Surface

STILL = Filming(duration_s=0.4, shake_px=0, tremor_px=0, jolt_px=0)
WIDTH_PX, HEIGHT_PX = 320, 180
PLACES_MM = np.array([[-12.0, -4.0], [12.0, 5.0]])


@pytest.fixture(scope="module")
def panel() -> Panel:
    specimen = Specimen(density_mm_per_cm2=80, across_mm=64, margin_mm=20, dust=10)
    return draw_panel(specimen, np.random.default_rng(4))


def scene(surface: Surface) -> Scene:
    return Scene(
        surface=surface,
        lamp=Lamp(position_mm=(0.0, 0.0, 400.0), radius_mm=3.0),
        camera=Camera(
            position_mm=(-20.0, 10.0, 300.0), target_mm=(0.0, 0.0, 0.0), focal_px=1500,
            width_px=WIDTH_PX, height_px=HEIGHT_PX,
        ),
    )  # fmt: skip


@pytest.fixture(scope="module")
def path(panel: Panel) -> list[Scene]:
    return [lamp_over(scene(panel.surface), at) for at in PLACES_MM]


@pytest.fixture(scope="module")
def frames(panel: Panel, path: list[Scene]) -> list[np.ndarray]:
    rng = np.random.default_rng(1)
    return list(render_clip(panel, path, Development(), rng, filming=STILL))


def brightest(frame: np.ndarray) -> np.ndarray:
    y, x = np.nonzero(frame.min(axis=2) >= 250)
    return np.array([x.mean(), y.mean()])


@pytest.mark.parametrize("radius_mm", [float("inf"), 400.0])
def test_the_lamp_is_mirrored_where_it_is_wanted(radius_mm: float) -> None:
    surface = Surface(radius_u_mm=radius_mm, radius_v_mm=float("inf"))
    for at in PLACES_MM:
        moved = lamp_over(scene(surface), at)
        assert moved.mirror_point() == pytest.approx(at, abs=0.2)
        assert moved.lamp.position_mm[2] == 400.0


def test_the_highlight_goes_from_place_to_place(
    frames: list[np.ndarray], path: list[Scene]
) -> None:
    assert len(frames) == STILL.n_frames == 12
    assert {frame.shape for frame in frames} == {(HEIGHT_PX, WIDTH_PX, 3)}
    for number, seen in ((0, frames[0]), (1, frames[-1])):
        expected = path[number].project(path[number].mirror_point())
        assert brightest(seen) == pytest.approx(expected, abs=1.5)


def test_frames_of_a_place_differ_by_noise_alone(frames: list[np.ndarray]) -> None:
    difference = frames[0].astype(float) - frames[1]
    assert 0.5 < difference.std() < 6
    assert abs(difference.mean()) < 0.1
    assert np.corrcoef(difference[:-8, :-8].ravel(), difference[8:, 8:].ravel())[0, 1] < 0.1


def test_a_hand_moves_the_picture_as_its_sway_says(panel: Panel, path: list[Scene]) -> None:
    held = replace(STILL, shake_px=6, readout_s=0.0)
    frames = list(render_clip(panel, path, Development(), np.random.default_rng(7), filming=held))
    sway = Sway.draw(held, np.random.default_rng(7))
    still = path[0].project(path[0].mirror_point())
    for number in range(4):
        moved = sway.at(number / held.frames_per_s)
        # The turn moves what is off the middle, by little here.
        assert brightest(frames[number]) == pytest.approx(still + moved[:2], abs=2.5)
    assert np.abs([sway.at(number / 30) for number in range(4)]).max() > 4


def test_speed_is_the_change_of_place() -> None:
    sway = Sway.draw(Filming(), np.random.default_rng(3))
    for time_s in (0.1, 1.7):
        change = (sway.at(time_s + 0.001) - sway.at(time_s - 0.001)) / 0.002
        assert sway.speed(time_s) == pytest.approx(change, rel=0.02, abs=0.5)


def test_a_clip_is_written_whole(frames: list[np.ndarray], tmp_path: Path) -> None:
    path = tmp_path / "door.mp4"
    assert write_clip(path, iter(frames), frames_per_s=30) == 12
    capture = cv2.VideoCapture(str(path))
    assert capture.get(cv2.CAP_PROP_FRAME_COUNT) == 12
    assert capture.get(cv2.CAP_PROP_FPS) == pytest.approx(30)
    ok, first = capture.read()
    assert ok
    assert np.abs(np.asarray(first, float) - frames[0]).mean() < 6
    with pytest.raises(DefectscanError, match="cannot be written"):
        write_clip(tmp_path / "none" / "door.mp4", iter(frames), frames_per_s=30)
