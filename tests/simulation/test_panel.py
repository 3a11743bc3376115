"""Panel: polishing takes off what it says, densities by kind, dust and orange peel."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from defectscan.simulation.grooves import (
    KINDS,
    draw_deep_scratches,
    draw_machine_trails,
    join,
    select,
)
from defectscan.simulation.panel import PAINTS, Panel, draw_dust, draw_orange_peel, polish
from defectscan.simulation.surface import Surface

MakePanel = Callable[..., Panel]


def test_the_density_stated_is_the_density_asked(make_panel: MakePanel) -> None:
    found = [
        make_panel(seed=seed, density_mm_per_cm2=150.0).density_mm_per_cm2() for seed in range(40)
    ]
    error = np.std(found) / np.sqrt(len(found))
    assert error < 3
    assert np.mean(found) == pytest.approx(150, abs=3 * error)


def test_the_density_of_one_groove(make_panel: MakePanel) -> None:
    panel = make_panel()
    one = replace(
        select(panel.grooves, np.arange(len(panel.grooves)) == 0),
        start_mm=np.array([[-10.0, 5.0]]),
        heading_rad=np.zeros(1),
        curvature_per_mm=np.zeros(1),
        length_mm=np.array([24.0]),
        depth_um=np.ones(1),
    )
    # 24 mm on 80 x 60 mm, which is 48 cm²; half of it where it leaves the panel at u = 40 mm.
    assert replace(panel, grooves=one).density_mm_per_cm2() == pytest.approx(0.5)
    leaving = replace(one, start_mm=np.array([[28.0, 5.0]]))
    assert replace(panel, grooves=leaving).density_mm_per_cm2() == pytest.approx(0.25, rel=0.03)


def test_the_density_counts_true_lengths_on_a_curved_panel(make_panel: MakePanel) -> None:
    """On a torus of 100 and 100 mm the steps in v shrink to cos(u / 100)."""
    panel = make_panel()
    one = replace(
        select(panel.grooves, np.arange(len(panel.grooves)) == 0),
        start_mm=np.array([[35.0, -10.0]]),
        heading_rad=np.array([np.pi / 2]),
        curvature_per_mm=np.zeros(1),
        length_mm=np.array([20.0]),
        depth_um=np.ones(1),
    )
    curved = replace(panel, grooves=one, surface=Surface(radius_u_mm=100, radius_v_mm=100))
    length = 20 * np.cos(0.35)
    area_cm2 = 60 * 2 * 100 * np.sin(0.4) / 100
    assert curved.density_mm_per_cm2() == pytest.approx(length / area_cm2, rel=1e-4)


def test_densities_by_kind_add_up(make_panel: MakePanel) -> None:
    panel = make_panel(deep_scratches=30)
    trails = draw_machine_trails(
        np.random.default_rng(2),
        extent_mm=panel.ground_mm,
        density_mm_per_cm2=40,
        direction_rad=0.4,
        born=0,
    )
    panel = replace(panel, grooves=join(panel.grooves, trails))
    parts = [panel.density_mm_per_cm2(kind) for kind in range(len(KINDS))]
    assert all(part > 0 for part in parts)
    assert sum(parts) == pytest.approx(panel.density_mm_per_cm2())


def test_an_even_pass_takes_off_its_depth_everywhere(make_panel: MakePanel) -> None:
    panel = make_panel()
    after = polish(panel, np.random.default_rng(0), depth_um=0.7, unevenness=0)
    assert after.samples(1.0)[1] == pytest.approx(panel.samples(1.0)[1] - 0.7)


def test_an_uneven_pass_takes_off_its_depth_on_average(make_panel: MakePanel) -> None:
    panel = make_panel(across_mm=400.0)
    after = polish(panel, np.random.default_rng(1), depth_um=0.7, unevenness=0.2)
    removed = panel.samples(1.0)[1] - after.samples(1.0)[1]
    assert removed.mean() == pytest.approx(0.7, rel=0.05)
    assert removed.std() / 0.7 == pytest.approx(0.2, rel=0.2)


def test_polishing_leaves_the_share_that_was_deeper(make_panel: MakePanel) -> None:
    """Of depths spread exponentially about 1 um, exp(-u) are deeper than u."""
    panel = make_panel(across_mm=400.0, density_mm_per_cm2=120.0)
    before = panel.density_mm_per_cm2()
    state = panel
    for passes in (1, 2):
        state = polish(state, np.random.default_rng(1), depth_um=0.6, unevenness=0)
        share = np.exp(-0.6 * passes)
        # Whole grooves stay or go: binomial, with the spread of their lengths.
        error = np.sqrt(share * (1 - share) * 1.43 / len(panel.grooves))
        assert state.density_mm_per_cm2() / before == pytest.approx(share, abs=3 * error)
        assert error < 0.01


def test_deep_scratches_outlast_a_pass(make_panel: MakePanel) -> None:
    panel = make_panel()
    scratches = draw_deep_scratches(np.random.default_rng(0), extent_mm=panel.ground_mm, count=9)
    panel = replace(panel, grooves=scratches)
    after = polish(panel, np.random.default_rng(0), depth_um=2)
    assert after.density_mm_per_cm2() == pytest.approx(panel.density_mm_per_cm2())


def test_a_pass_spares_its_own_trails_and_the_next_takes_them(make_panel: MakePanel) -> None:
    panel = make_panel(density_mm_per_cm2=0.0)
    rng = np.random.default_rng(3)
    trails = draw_machine_trails(
        rng, extent_mm=panel.ground_mm, density_mm_per_cm2=50, direction_rad=1.0, born=0
    )
    first = polish(panel, rng, depth_um=3.0, trails=trails)
    kind = KINDS.index("machine_trail")
    assert first.density_mm_per_cm2(kind) == pytest.approx(50, rel=0.25)
    assert first.samples(1.0)[1].min() > 0
    second = polish(first, rng, depth_um=3.0)
    assert second.density_mm_per_cm2(kind) == 0


def test_haze_is_that_of_the_last_pass(make_panel: MakePanel) -> None:
    rng = np.random.default_rng(0)
    hazy = polish(make_panel(), rng, depth_um=1, haze=0.02)
    assert hazy.haze == 0.02
    assert polish(hazy, rng, depth_um=0.2).haze == 0


def test_some_dust_stays_and_the_rest_moves(make_panel: MakePanel) -> None:
    panel = make_panel(dust=2000)
    after = polish(panel, np.random.default_rng(0), depth_um=1)
    assert panel.dust is not None
    assert after.dust is not None
    stayed = np.all(after.dust.uv_mm == panel.dust.uv_mm, axis=-1).mean()
    assert stayed == pytest.approx(0.3, abs=0.04)


def test_dust_lies_on_the_ground() -> None:
    dust = draw_dust(np.random.default_rng(0), count=500, ground_mm=(100.0, 60.0))
    assert (np.abs(dust.uv_mm) <= (50, 30)).all()
    assert np.ptp(dust.uv_mm, axis=0) == pytest.approx([100, 60], rel=0.05)
    assert np.median(dust.radius_mm) == pytest.approx(0.06, rel=0.15)


def test_orange_peel_has_the_slope_asked_for() -> None:
    fields = draw_orange_peel(np.random.default_rng(0), ground_mm=(300.0, 240.0), slope=0.001)
    rms = np.sqrt(np.mean([np.mean(field.values**2) for field in fields]))
    assert rms == pytest.approx(0.001, rel=0.01)
    # Slopes of one height: walking round a grid square comes back to the start.
    along_u, along_v = (field.values.astype(float) for field in fields)
    turn = np.gradient(along_v, axis=1) - np.gradient(along_u, axis=0)
    assert np.abs(turn).max() < 1e-3 * np.abs(np.gradient(along_u, axis=0)).max()


def test_paints_differ_in_what_matters() -> None:
    assert PAINTS["black"].albedo[0] < 0.05
    assert PAINTS["white"].albedo[0] > 0.5
    for name, paint in PAINTS.items():
        assert (paint.flakes_per_mm2 > 0) == ("metallic" in name)
