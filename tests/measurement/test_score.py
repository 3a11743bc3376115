"""Density: unbiased, the same however the photo lies, and with an interval that holds the truth."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2

from defectscan.measurement.glint import Glint, circles
from defectscan.measurement.lines import Lines
from defectscan.measurement.score import (
    Count,
    count_both_ways,
    count_lines,
    detection_limit,
    interval,
)
from defectscan.measurement.thinning import NO_THINNING, Thinning, fit_thinning
from defectscan.measurement.window import Shot, zone_grid
from tests.drawn_lines import (
    Floats,
    Mask,
    lit_grooves,
    no_lines,
    ring_zone,
    shot_of,
    straight_lines,
    turned,
)

SHAPE = (540, 720)
CENTRE = np.array([355.0, 262.0])
REACH = 12.0
DENSITY = 0.15
SPARSE = 0.03  # so few that none hides behind another, and the correction for that is small
ZONE = ring_zone(SHAPE, CENTRE, least_px=45)
ELLIPSES = replace(
    circles(CENTRE, reach_px=REACH), coefficients=np.array([0, 0, 0.8, 0.2, 1.2, 0, 0, 0, 0])
)
GEOMETRIES = pytest.mark.parametrize(
    "glint", [circles(CENTRE, reach_px=REACH), ELLIPSES], ids=["circles", "ellipses"]
)


def strewn(
    seed: int,
    glint: Glint = ELLIPSES,
    *,
    density: float = DENSITY,
    angle_deg: tuple[float, float] = (0, 180),
) -> Shot:
    # The same shot however it is asked for: a cache tells a default from the same when given.
    return _strewn_once(seed, glint, density, angle_deg)


@cache
def _strewn_once(seed: int, glint: Glint, density: float, angle_deg: tuple[float, float]) -> Shot:
    return strewn_in(ZONE, seed, glint, density=density, angle_deg=angle_deg)


def strewn_in(
    zone: Mask,
    seed: int,
    glint: Glint = ELLIPSES,
    *,
    density: float = DENSITY,
    angle_deg: tuple[float, float] = (0, 180),
) -> Shot:
    rng = np.random.default_rng(seed)
    lines = lit_grooves(rng, glint, zone=zone, density_per_px=density, angle_deg=angle_deg)
    return shot_of(lines, zone, glint)


@cache
def counted(*shots: Shot, thinning: Thinning | None = NO_THINNING) -> Count:
    """Count lines of grooves whose walls are as steep as any lamp needs."""
    return count_lines(shots, thinning=thinning)


def mean_density(shots: list[Shot]) -> tuple[float, float]:
    """Return the mean of the shots' densities, and its standard error."""
    found = np.array([counted(shot).density for shot in shots])
    return float(found.mean()), float(found.std(ddof=1) / np.sqrt(len(found)))


def within(lines: Lines, mask: Mask) -> Lines:
    """Return the points of lines that lie in a mask."""
    x, y = np.round(lines.xy_px).astype(int).T
    kept = mask[y, x]
    left, line = np.unique(lines.line[kept], return_inverse=True)
    return Lines(
        xy_px=lines.xy_px[kept],
        tangent=lines.tangent[kept],
        length_px=lines.length_px[kept],
        contrast=lines.contrast[kept],
        line=line,
        evidence=lines.evidence[left],
    )


def equal_lines(n: int, share: float = 1.0) -> Count:
    return Count(
        share=np.full(n, share),
        false=np.zeros(n),
        sector=np.full(6, n * share),
        typical=share,
        ring_limit_px=np.array([300.0]),
        exposure_shares=np.ones(6),
        crowding=0.0,
        thinned=False,
        spread=0.0,
    )


@GEOMETRIES
def test_density_is_unbiased(glint: Glint) -> None:
    # Horvitz and Thompson 1952: the mean over many samples is the truth.
    shots = [strewn(seed, glint, density=SPARSE) for seed in range(100)]
    mean, error = mean_density(shots)
    assert error < 0.03 * SPARSE
    assert mean == pytest.approx(SPARSE, abs=2.6 * error)


def test_density_does_not_hang_on_where_the_highlight_is() -> None:
    shots = []
    for seed, centre in enumerate([(120, 100), (600, 270), (400, 480), (200, 400)] * 15):
        glint = replace(ELLIPSES, centre_px=np.array(centre, dtype=float))
        zone = ring_zone(SHAPE, glint.centre_px, least_px=45)
        shots.append(strewn_in(zone, seed, glint, density=SPARSE))
    mean, error = mean_density(shots)
    assert mean == pytest.approx(SPARSE, abs=2.6 * error)


def test_a_larger_lamp_shows_more_and_counts_the_same() -> None:
    found = []
    for reach in (6.0, 12.0, 24.0):
        glint = ELLIPSES if reach == REACH else replace(ELLIPSES, reach_px=reach)
        shots = [strewn(seed, glint, density=SPARSE) for seed in range(45)]
        found.append(counted(*shots).density)
    assert found == pytest.approx([SPARSE] * 3, rel=0.08)


@pytest.mark.parametrize("angle_deg", [(0, 180), (60, 90)])
def test_all_ground_would_show_the_whole_density(angle_deg: tuple[float, float]) -> None:
    shots = [strewn(seed, angle_deg=angle_deg) for seed in (1, 2)]
    count = counted(*shots)
    assert [len(ground.xy_px) for ground in count.ground] == [len(g.share) for g in count.ground]
    assert sum(float(ground.share.sum()) for ground in count.ground) == pytest.approx(1)
    assert all((ground.share >= 0).all() for ground in count.ground)


def test_two_halves_of_a_photo_add_up() -> None:
    shot = strewn(1)
    left = ZONE.copy()
    left[:, 360:] = False
    halves = [
        replace(shot, zone=ZONE & half, lines=within(shot.lines, half)) for half in (left, ~left)
    ]
    whole, together = counted(shot), counted(*halves)
    assert together.density == pytest.approx(whole.density, rel=0.03)


def test_twice_the_area_has_the_same_density() -> None:
    large = (720, 960)
    glint = replace(ELLIPSES, centre_px=np.array([480.0, 360.0]))
    zone = ring_zone(large, glint.centre_px, least_px=45)
    small = zone.copy()
    small[:106] = small[-106:] = small[:, :141] = small[:, -141:] = False
    assert small.sum() == pytest.approx(zone.sum() / 2, rel=0.02)
    shots = [strewn_in(zone, seed, glint) for seed in range(12)]
    inner = [replace(s, zone=small, lines=within(s.lines, small)) for s in shots]
    assert counted(*inner).density == pytest.approx(counted(*shots).density, rel=0.08)


def test_shots_are_pooled_by_sums() -> None:
    shot = strewn(2)
    once = counted(shot)
    assert counted(shot, shot).density == pytest.approx(once.density)
    nothing = replace(shot, lines=no_lines())
    assert counted(shot, nothing).density == pytest.approx(once.density / 2)
    # A small zone with one line in it may not outweigh a large one: the mean of the two ratios
    # would be several times the pooled density.
    corner = np.zeros(SHAPE, dtype=bool)
    corner[200:260, 460:520] = True
    crowd = within(strewn_in(corner, 3, density=4.0).lines, corner)
    little = replace(shot, zone=corner, lines=crowd)
    alone = counted(little)
    assert alone.density > 8 * once.density
    pooled = counted(shot, little).density
    assert once.density < pooled < once.density + 0.1 * alone.density


def test_a_quarter_turn_changes_nothing() -> None:
    shot = strewn(4)
    height, width = SHAPE
    a, b, c = ELLIPSES.coefficients[2:5]
    glint = replace(
        ELLIPSES,
        centre_px=np.array([CENTRE[1], width - 1 - CENTRE[0]]),
        coefficients=np.array([0, 0, c, -b, a, 0, 0, 0, 0]),
    )
    turned_shot = shot_of(turned(shot.lines, width), np.rot90(ZONE), glint)
    assert turned_shot.zone.shape == (width, height)
    one, other = counted(shot), counted(turned_shot)
    assert other.density == pytest.approx(one.density, rel=0.03)


@settings(deadline=None, max_examples=15)
@given(st.floats(0.01, 1))
def test_millimetres_per_pixel(mm_per_px: float) -> None:
    shot = strewn(5)
    in_px = counted(shot)
    in_mm = counted(replace(shot, mm_per_px=mm_per_px))
    # 1 px/px² is 1/mm_per_px mm per mm², and 100 mm² are 1 cm².
    assert in_mm.density == pytest.approx(in_px.density * 100 / mm_per_px)
    assert in_mm.typical == pytest.approx(in_px.typical * 100 / mm_per_px)
    assert detection_limit(in_mm) == pytest.approx(detection_limit(in_px) * 100 / mm_per_px)


def test_twice_the_lines_have_twice_the_density() -> None:
    one, _ = mean_density([strewn(seed, density=SPARSE) for seed in range(50)])
    two, _ = mean_density([strewn(seed, density=2 * SPARSE) for seed in range(50)])
    assert two / one == pytest.approx(2, rel=0.12)


def test_directions_are_told_apart() -> None:
    count = counted(strewn(6, density=0.1, angle_deg=(35, 55)))
    assert count.sector.argmax() == 1
    assert count.sector[[0, 3, 4, 5]].max() < 0.2 * count.sector[1]
    assert count.sector.mean() == pytest.approx(count.share.sum())
    # One direction shows only on two sides of the highlight: it still counts right.
    mean, error = mean_density(
        [strewn(seed, density=SPARSE, angle_deg=(35, 55)) for seed in range(60)]
    )
    assert mean == pytest.approx(SPARSE, abs=2.6 * error)


def test_pooled_directions_are_as_unbiased() -> None:
    shots = [strewn(seed, density=SPARSE) for seed in range(60)]
    both = [count_both_ways([shot], thinning=NO_THINNING) for shot in shots]
    ratio = [pooled.density / by_direction.density for by_direction, pooled in both]
    assert np.mean(ratio) == pytest.approx(1, abs=0.02)
    assert np.std(ratio) > 0


def test_a_part_of_the_ring_cut_off_does_not_bias() -> None:
    # Trim hides all to the right of the highlight; opposite sides show the same directions.
    half = ZONE.copy()
    half[:, 380:] = False
    mean, error = mean_density([strewn_in(half, s, density=SPARSE) for s in range(80)])
    assert mean == pytest.approx(SPARSE, abs=2.6 * error)


@pytest.mark.parametrize("reach_px", [7.0, 12.0, 18.0])
def test_a_whole_ring_shows_all_directions_alike(reach_px: float) -> None:
    side, middle = 600, np.array([297.3, 302.6])
    y, x = np.ogrid[:side, :side]
    away = np.hypot(x - middle[0], y - middle[1])
    glint = circles(middle, reach_px=reach_px)
    count = counted(shot_of(no_lines(), (away > 130) & (away < 290), glint))
    assert count.exposure_shares == pytest.approx(1, abs=0.04)


def test_directions_that_no_zone_shows_are_reported() -> None:
    right = ZONE & (np.arange(SHAPE[1]) > CENTRE[0] + 120)
    right &= np.abs(np.arange(SHAPE[0]) - CENTRE[1])[:, None] < 60
    count = counted(strewn_in(right, 7))
    assert count.exposure_shares.min() < 0.05
    assert count.exposure_shares.mean() == pytest.approx(1)
    assert counted(strewn(7)).exposure_shares.min() > 0.5


def test_shallow_walls_end_the_zone() -> None:
    # No groove shows beyond a tilt of 250 px: the outer zone must not count as empty.
    found, thinned = [], []
    for seed in range(12):
        shot = strewn(seed, density=0.3)
        steep = np.linalg.norm(ELLIPSES.tilt(shot.lines.xy_px), axis=-1) < 250
        mask = np.zeros(SHAPE, dtype=bool)
        x, y = np.round(shot.lines.xy_px[steep]).astype(int).T
        mask[y, x] = True
        count = counted(replace(shot, lines=within(shot.lines, mask)))
        found.append(count.density)
        thinned.append(count.thinned)
    assert np.mean(thinned) > 0.8
    whole = counted(*[strewn(seed, density=0.3) for seed in range(12)])
    assert not whole.thinned
    # Counting the whole zone would lose more than a third.
    assert np.mean(found) > 0.85 * whole.density


def worn(shot: Shot, thinning_px: float, seed: int) -> Shot:
    """Leave out lines as walls that are not steep enough do: exp(-(s/s1)²) are left."""
    lines = shot.lines
    size = np.linalg.norm(shot.glint.tilt(lines.xy_px), axis=-1)
    mean = lines.total(size) / np.maximum(lines.total(np.ones(len(size))), 1)
    left = np.random.default_rng(seed).random(lines.n) < np.exp(-((mean / thinning_px) ** 2))
    return replace(shot, lines=lines.of(left))


def halved(shot: Shot) -> Shot:
    """Return the same on a photo of half the size."""
    lines, glint = shot.lines, shot.glint
    return replace(
        shot,
        lines=replace(lines, xy_px=lines.xy_px / 2, length_px=lines.length_px / 2),
        zone=shot.zone[::2, ::2],
        glint=replace(
            glint,
            centre_px=glint.centre_px / 2,
            reach_px=glint.reach_px / 2,
            scale_px=glint.scale_px / 2,
        ),
    )


@pytest.mark.parametrize("thinning_px", [220.0, 350.0])
def test_thinning_is_learnt_and_made_up_for(thinning_px: float) -> None:
    shots = [worn(strewn(seed), thinning_px, seed) for seed in range(16)]
    longer_px = max(shots[0].zone.shape)
    assert fit_thinning(shots).longer_sides * longer_px == pytest.approx(thinning_px, rel=0.15)
    as_if_steep = counted(*shots).density
    made_up_for = counted(*shots, thinning=None).density
    whole = counted(*[strewn(seed) for seed in range(16)]).density
    assert as_if_steep < 0.85 * whole
    assert made_up_for == pytest.approx(whole, rel=0.06)


def test_steep_walls_are_told_by_many_lines() -> None:
    shots = [strewn(seed) for seed in range(16)]
    assert counted(*shots, thinning=None).density == pytest.approx(
        counted(*shots).density, rel=0.05
    )


def test_what_a_state_has_of_its_own_widens_its_interval() -> None:
    count = counted(*(strewn(seed) for seed in range(8)))
    usual, wide = (
        interval(replace(count, model_sd=sd), np.random.default_rng(0)) for sd in (0.05, 0.2)
    )
    assert usual.value == wide.value
    assert (wide.high - wide.low) > 1.5 * (usual.high - usual.low)


def test_no_lines_leave_the_usual_thinning() -> None:
    usual = fit_thinning([shot_of(no_lines(), ZONE, ELLIPSES)])
    assert 0.2 < usual.longer_sides < 5
    # The same for a photo taken upright.
    upright = fit_thinning([shot_of(no_lines(), ZONE.T, ELLIPSES)])
    assert upright.longer_sides == pytest.approx(usual.longer_sides)


def test_thinning_is_that_of_the_panel_whatever_the_photos_sizes() -> None:
    shots = [worn(strewn(seed), 220.0, seed) for seed in range(16)]
    small = [halved(shot) for shot in shots]
    whole, half, mixed = (fit_thinning(some) for some in (shots, small, shots[:8] + small[8:]))
    assert half.longer_sides == pytest.approx(whole.longer_sides, rel=0.01)
    assert mixed.longer_sides == pytest.approx(whole.longer_sides, rel=0.01)


def test_false_lines_are_taken_off() -> None:
    rng = np.random.default_rng(8)
    clean, dirty = [], []
    for seed in range(12):
        shot = strewn(seed)
        false = scattered(rng, 150)
        clean.append(counted(shot).density)
        dirty.append(counted(replace(shot, lines=Lines.joined([shot.lines, false]))).density)
    raw = [counted(strewn(0, density=0)).density]
    assert raw == [0]
    assert np.mean(dirty) == pytest.approx(np.mean(clean), rel=0.08)


def scattered(rng: np.random.Generator, n: int) -> Lines:
    """Lay short false lines anywhere in any direction."""
    places = rng.random((n, 2)) * [SHAPE[1] - 40, SHAPE[0] - 40] + 20
    angle = rng.uniform(0, np.pi, n)
    half = 6 * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    ends = np.concatenate([places - half, places + half], axis=-1)
    return within(straight_lines([tuple(e) for e in ends]), ZONE)


def test_nothing_found() -> None:
    empty = shot_of(no_lines(), ZONE, ELLIPSES)
    count = counted(empty)
    assert count.density == 0
    assert count.share.shape == count.false.shape == (0,)
    assert count.crowding == 0
    found = interval(count, np.random.default_rng(0))
    assert found.value == found.low == 0
    # None out of a Poisson mean of 3.69 is the one-sided limit of 97.5 % (Garwood 1936).
    assert found.high == pytest.approx(3.689 * count.typical, rel=0.12)
    assert 0 < detection_limit(count) < np.inf


@pytest.mark.parametrize("n", [1, 3, 10, 40])
def test_equal_lines_have_garwoods_interval(n: int) -> None:
    # Garwood, Biometrika 28 (1936) 437, from memory: exact limits of a Poisson mean.
    low, high = chi2.ppf(0.025, 2 * n) / 2, chi2.ppf(0.975, 2 * n + 2) / 2
    found = [interval(equal_lines(n), np.random.default_rng(seed)) for seed in range(20)]
    assert [f.value for f in found] == [n] * 20
    # What the model leaves open can only widen it.
    assert np.mean([f.low for f in found]) == pytest.approx(low, abs=0.08 * (n - low))
    assert np.mean([f.high for f in found]) == pytest.approx(high, abs=0.12 * (high - n))
    assert np.mean([f.low for f in found]) < low + 0.02 * (n - low)
    assert np.mean([f.high for f in found]) > high * 0.99


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.floats(0, 5), st.floats(0, 1)), max_size=12),
    st.integers(0, 2**32 - 1),
)
def test_an_interval_holds_its_value(lines: list[tuple[float, float]], seed: int) -> None:
    share, false = (np.array([line[k] for line in lines]) for k in (0, 1))
    count = replace(equal_lines(len(lines)), share=share, false=false)
    found = interval(count, np.random.default_rng(seed))
    assert 0 <= found.low <= found.value <= found.high < np.inf
    assert found.value == count.density
    assert found.high > 0


def test_same_seed_same_interval() -> None:
    count = counted(strewn(9))
    one, two = (interval(count, np.random.default_rng(3)) for _ in range(2))
    assert one == two


@pytest.mark.parametrize("density", [0.01, SPARSE, 0.1])
def test_interval_holds_the_truth(density: float) -> None:
    held = []
    for seed in range(60):
        found = interval(counted(strewn(seed, density=density)), np.random.default_rng(seed))
        held.append(found.low <= density <= found.high)
    # 95 % of 60 are 57; 52 or fewer would be rare (4 in 1000) were it 95 %.
    assert sum(held) > 52


def test_interval_narrows_with_the_root_of_the_shots() -> None:
    one: list[float] = []
    nine: list[float] = []
    for seed in range(10):
        shots = [strewn(9 * seed + k, density=SPARSE) for k in range(9)]
        for number, widths in ((1, one), (9, nine)):
            count = counted(*shots[:number])
            found = interval(count, np.random.default_rng(seed))
            widths.append((found.high - found.low) / found.value)
    assert 2 < np.mean(one) / np.mean(nine) < 3.4


def test_a_bare_panel_stays_under_its_detection_limit() -> None:
    rng = np.random.default_rng(10)
    under = []
    for _ in range(60):
        lines = scattered(rng, int(rng.poisson(rng.choice([0, 2, 10, 40]))))
        count = counted(shot_of(lines, ZONE, ELLIPSES))
        under.append(count.density <= detection_limit(count))
    # Of 60 that hold with 95 %, 52 or fewer would be rare.
    assert sum(under) > 52


def test_scratches_are_above_the_detection_limit() -> None:
    for seed in range(5):
        count = counted(strewn(seed))
        assert count.density > 2 * detection_limit(count)


def test_a_kinds_count_is_part_of_the_whole() -> None:
    count = counted(strewn(11))
    weight = np.linspace(0, 1, len(count.share))
    one, other = count.weighted(weight), count.weighted(1 - weight)
    assert one.share + other.share == pytest.approx(count.share)
    assert one.density + other.density == pytest.approx(count.density)
    assert one.typical == count.typical


def test_grid_of_the_zone() -> None:
    shot = shot_of(no_lines(), ZONE, ELLIPSES)
    points, tilt = zone_grid(shot)
    x, y = points.astype(int).T
    assert ZONE[y, x].all()
    step: Floats = np.diff(np.unique(points[:, 0]))
    assert len(points) * step.min() ** 2 == pytest.approx(ZONE.sum(), rel=0.02)
    assert tilt == pytest.approx(ELLIPSES.tilt(points))
