"""Specimen: the panel does not hang on the camera, moves stay within bounds, all is in sight."""

import numpy as np
import pytest

from defectscan.errors import DefectscanError
from defectscan.simulation.develop import Development
from defectscan.simulation.grooves import KINDS
from defectscan.simulation.scene import Camera, Lamp, Scene
from defectscan.simulation.specimen import (
    Pass,
    RenderedState,
    Specimen,
    Stand,
    check_in_sight,
    draw_panel,
    highlight_is_inside,
    polish_panel,
    render_states,
)
from defectscan.simulation.surface import Surface

SMALL = Specimen(
    density_mm_per_cm2=40, across_mm=80, margin_mm=15, deep_scratches=0, dust=0,
    passes=(Pass(depth_um=0.5), Pass(depth_um=0.3)),
)  # fmt: skip
STAND = Stand(lamp_mm=(6.0, -4.0, 210.0), camera_mm=(-9.0, 6.0, 180.0), width_px=240, move_mm=10)


def render(
    specimen: Specimen = SMALL, stand: Stand = STAND, *, seed: int = 0, shots: int = 1,
    exposure_after: float = 1.0,
) -> tuple[RenderedState, RenderedState]:  # fmt: skip
    return render_states(
        specimen,
        stand=stand,
        development=Development(),
        seed=seed,
        shots=shots,
        exposure_after=exposure_after,
    )


def test_the_panel_hangs_on_the_seed_and_not_on_the_camera() -> None:
    first, _ = render()
    aside, _ = render(stand=Stand(lamp_mm=(0.0, 9.0, 250.0), camera_mm=(0.0, 0.0, 200.0),
                                  width_px=240))  # fmt: skip
    other, _ = render(seed=1)
    assert np.array_equal(first.panel.grooves.start_mm, aside.panel.grooves.start_mm)
    assert not np.array_equal(first.shots[0].rgb, aside.shots[0].rgb)
    assert len(first.panel.grooves) != len(other.panel.grooves) or not np.array_equal(
        first.panel.grooves.start_mm, other.panel.grooves.start_mm
    )


def test_all_passes_lie_between_before_and_after() -> None:
    before, after = render()
    assert (before.name, after.name) == ("before", "after")
    assert before.panel.passes == ()
    assert [done.depth_um for done in after.panel.passes] == [0.5, 0.3]


def test_the_first_shot_stands_where_told_and_the_others_move() -> None:
    before, after = render(shots=3)
    scenes = [shot.scene for shot in (*before.shots, *after.shots)]
    assert scenes[0].lamp.position_mm == STAND.lamp_mm
    assert scenes[0].camera.position_mm == STAND.camera_mm
    for place, start in (
        ([s.lamp.position_mm for s in scenes], STAND.lamp_mm),
        ([s.camera.position_mm for s in scenes], STAND.camera_mm),
    ):
        moves = np.linalg.norm(np.subtract(place, start), axis=-1)
        assert moves[0] == 0
        assert (moves[1:] > 0).all()
        assert (moves <= 10).all()
    assert all(highlight_is_inside(scene) for scene in scenes)
    assert max(abs(scene.camera.roll_deg) for scene in scenes) <= 1


def test_no_move_leaves_the_pose_alone() -> None:
    before, after = render(stand=Stand(lamp_mm=STAND.lamp_mm, camera_mm=STAND.camera_mm,
                                       width_px=240, move_mm=0))  # fmt: skip
    assert after.shots[0].scene == before.shots[0].scene


def test_the_panel_fills_the_width_of_the_picture() -> None:
    before, _ = render(stand=Stand(lamp_mm=(0.0, 0.0, 210.0), camera_mm=(0.0, 0.0, 180.0),
                                   width_px=240))  # fmt: skip
    assert before.shots[0].mm_per_px == pytest.approx(80 / 240, rel=1e-3)
    assert before.shots[0].rgb.shape == (180, 240, 3)


def test_the_exposure_after_may_differ() -> None:
    before, after = render(exposure_after=0.8)
    assert before.shots[0].development.exposure == 1
    assert after.shots[0].development.exposure == pytest.approx(0.8)


def test_a_pass_leaves_its_trails_and_haze() -> None:
    rng = np.random.default_rng(0)
    panel = draw_panel(SMALL, rng)
    done = Pass(depth_um=1, haze=0.01, trails_mm_per_cm2=40, trail_direction_deg=30)
    after = polish_panel(panel, done, rng)
    assert after.haze == 0.01
    trails = after.density_mm_per_cm2(KINDS.index("machine_trail"))
    assert trails == pytest.approx(40, rel=0.35)
    mine = after.grooves.kind == KINDS.index("machine_trail")
    heading = np.rad2deg(after.grooves.heading_rad[mine]) % 180
    assert np.median(heading) == pytest.approx(30, abs=3)


def test_furniture_is_drawn_beside_what_is_placed() -> None:
    drawn = draw_panel(Specimen(draws_furniture=True), np.random.default_rng(0))
    assert drawn.patches
    assert draw_panel(Specimen(), np.random.default_rng(0)).patches == ()


def scene(camera_x_mm: float, surface: Surface) -> Scene:
    return Scene(
        surface=surface,
        lamp=Lamp(position_mm=(0.0, 0.0, 400.0), radius_mm=3),
        camera=Camera(
            position_mm=(camera_x_mm, 0.0, 300.0), target_mm=(0.0, 0.0, 0.0),
            focal_px=600.0, width_px=400, height_px=300,
        ),
    )  # fmt: skip


def test_a_panel_that_curves_out_of_sight_is_refused() -> None:
    tight = Surface(radius_u_mm=250, radius_v_mm=250)
    check_in_sight(scene(0.0, tight))
    check_in_sight(scene(250.0, Surface()))
    with pytest.raises(DefectscanError, match="curves out of the sight"):
        check_in_sight(scene(250.0, tight))
