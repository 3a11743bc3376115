"""One state: shots pooled to a score, its kinds, grade and flags."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from defectscan.flags import Flag
from defectscan.imaging.highlight import Highlight
from defectscan.imaging.photo import Exposure, Frame, Photo
from defectscan.measurement.glint import circles
from defectscan.measurement.kinds import Kind
from defectscan.measurement.lines import Lines
from defectscan.measurement.score import MODEL_SD, Interval
from defectscan.measurement.state import (
    GRADE_LIMITS_MM_PER_CM2,
    OWN_VARIANCE_SHARE,
    MeasuredShot,
    PanelScore,
    lasting_model_sd,
    lines_mask,
    of_kind,
    once,
    score_state,
)
from defectscan.measurement.thinning import NO_THINNING
from tests.drawn_lines import (
    SURE,
    lit_grooves,
    no_lines,
    ring_zone,
    shot_of,
    straight_lines,
)

SHAPE = (540, 720)
CENTRE = np.array([355.0, 262.0])
ZONE = ring_zone(SHAPE, CENTRE, least_px=45)
CIRCLES = circles(CENTRE, reach_px=12)
HIGHLIGHT = Highlight(x_px=355, y_px=262, radius_px=12, bloom_px=16, area_px=450, cut=False)
NOISE = 0.01
MM_PER_PX = 0.1  # so 0.1 px/px² are 100 mm/cm²


def strewn(seed: int, density: float = 0.1, angle_deg: tuple[float, float] = (0, 180)) -> Lines:
    rng = np.random.default_rng(seed)
    return lit_grooves(rng, CIRCLES, zone=ZONE, density_per_px=density, angle_deg=angle_deg)


def photo(scale: float = 1.0) -> Photo:
    height, width = SHAPE
    return Photo(
        path=Path("drawn.png"),
        sha256="0" * 64,
        format="PNG",
        bit_depth=8,
        exposure=Exposure(),
        width_px=round(width / scale),
        height_px=round(height / scale),
        scale=scale,
        luminance=np.full(SHAPE, 0.05, np.float32),
        clipped=np.zeros(SHAPE, dtype=bool),
        rgb=np.full((*SHAPE, 3), 60, np.uint8),
    )


def measured(
    lines: Lines,
    *,
    scratches: Lines | None = None,
    mm_per_px: float | None = MM_PER_PX,
    noise: float = NOISE,
    highlight: Highlight | None = HIGHLIGHT,
) -> MeasuredShot:
    glint = CIRCLES if highlight else circles(np.zeros(2))
    return MeasuredShot(
        photo=photo(),
        highlight=highlight,
        shot=shot_of(lines, ZONE, glint, mm_per_px=mm_per_px),
        scratches=no_lines() if scratches is None else scratches,
        noise=noise,
        haze=np.array([0.1, 0.12, 0.11, 0.09]) if highlight else np.zeros(0),
    )


def scored(*shots: MeasuredShot, noise: float | None = None) -> PanelScore:
    return score_state(shots, np.random.default_rng(0), noise=noise)


def test_density_in_mm_per_cm2_and_per_px() -> None:
    with_scale = scored(measured(strewn(1)))
    without = scored(measured(strewn(1), mm_per_px=None))
    assert with_scale.has_scale
    assert not without.has_scale
    assert with_scale.line_density.value == pytest.approx(1000 * without.line_density.value)
    assert with_scale.line_density.value == pytest.approx(100, rel=0.4)
    assert with_scale.detection_limit == pytest.approx(1000 * without.detection_limit)
    assert without.grade is None
    assert Flag.NO_SCALE in without.flags
    assert Flag.NO_SCALE not in with_scale.flags


def test_without_a_scale_a_density_is_told_in_the_photos_own_pixels() -> None:
    reduced = replace(measured(strewn(1), mm_per_px=None), photo=photo(scale=0.5))
    assert scored(reduced).told_factor == 0.5
    assert scored(measured(strewn(1), mm_per_px=None)).told_factor == 1
    known = replace(measured(strewn(1)), photo=photo(scale=0.5))
    assert scored(known).told_factor == 1


def test_a_perfect_panel() -> None:
    score = scored(measured(no_lines()))
    assert score.line_density.value == score.line_density.low == 0
    assert score.line_density.high > 0
    assert score.grade == 0
    assert Flag.BELOW_LIMIT in score.flags
    assert all(score.kinds[kind].value == 0 for kind in Kind)
    assert score.trail_share.shape == (0,)
    assert not lines_mask(score.shots[0]).any()


def test_kinds_add_up() -> None:
    trails = strewn(3, 0.15, angle_deg=(57, 63))
    scratch = straight_lines([(80, 60, 80, 400)])
    score = scored(measured(Lines.joined([strewn(2), trails]), scratches=scratch))
    kinds = score.kinds
    assert kinds[Kind.MACHINE_TRAIL].value > 40
    assert kinds[Kind.SWIRL].value > 40
    # 340 px of 0.1 mm over the zone.
    assert kinds[Kind.DEEP_SCRATCH].value == pytest.approx(34 / (ZONE.sum() * 1e-4))
    total = sum(kinds[kind].value for kind in Kind)
    assert total == pytest.approx(score.line_density.value, rel=1e-6)
    for interval in (*kinds.values(), score.line_density):
        assert interval.low <= interval.value <= interval.high
    # Compared with another state is what stands in the row of each kind.
    assert 0 < score.trail_share.max() < 1
    for kind in Kind:
        assert of_kind(score, kind).density == pytest.approx(kinds[kind].value)
    assert Flag.UNEVEN_DIRECTIONS in score.flags


def test_no_deep_scratch_is_not_known_to_be_none() -> None:
    score = scored(measured(strewn(1)))
    none = score.kinds[Kind.DEEP_SCRATCH]
    # Of 45 px or 4.5 mm, 3.69 in the zone at the most.
    assert (none.value, none.low) == (0, 0)
    assert none.high == pytest.approx(3.689 * 4.5 / (ZONE.sum() * 1e-4), rel=1e-3)
    without_scale = scored(measured(strewn(1), mm_per_px=None)).kinds[Kind.DEEP_SCRATCH]
    assert without_scale.high == pytest.approx(none.high / 1000)


def scratched(lengths_px: NDArray[np.float64]) -> Interval:
    """Return the density of deep scratches of a small zone, in their lengths over its area."""
    lines = straight_lines([(80, 60, 80, 60 + length) for length in lengths_px])
    shot = measured(no_lines(), scratches=lines)
    zone = ZONE & (np.arange(SHAPE[0]) < 80)[:, None]
    score = scored(replace(shot, shot=replace(shot.shot, zone=zone)))
    found, area = score.kinds[Kind.DEEP_SCRATCH], zone.sum() * 1e-4
    return Interval(value=found.value * area, low=found.low * area, high=found.high * area)


@pytest.mark.parametrize("n", [1, 2, 5])
def test_equal_deep_scratches_have_the_limits_of_a_poisson_mean(n: int) -> None:
    found = scratched(np.full(n, 50.0))
    assert found.value == pytest.approx(5 * n)
    assert found.low == pytest.approx(5 * stats.gamma.ppf(0.025, n), rel=0.15)
    assert found.high == pytest.approx(5 * stats.gamma.ppf(0.975, n + 1), rel=0.05)
    # One that was found leaves room for more than none does.
    assert found.high > scratched(np.zeros(0)).high


def test_the_interval_of_deep_scratches_holds_the_truth() -> None:
    # Of every length from the shortest on; how many there are is up to chance.
    rng = np.random.default_rng(3)
    shortest, longer, mean_number = 45.0, 65.0, 5.0
    truth = mean_number * (shortest + longer) * MM_PER_PX
    held = 0
    trials = 250
    for _ in range(trials):
        found = scratched(shortest + rng.exponential(longer, rng.poisson(mean_number)))
        held += found.low <= truth <= found.high
    assert 0.92 <= held / trials <= 0.99


def test_the_whole_holds_deep_scratches() -> None:
    scratch = straight_lines([(80, 60, 80, 400)])
    with_scratch = scored(measured(strewn(1), scratches=scratch))
    without = scored(measured(strewn(1)))
    whole, rest = with_scratch.whole, without.whole
    added = with_scratch.kinds[Kind.DEEP_SCRATCH].value
    assert added > 0
    assert whole.density - rest.density == pytest.approx(added)
    assert len(whole.share) == len(whole.false) == len(rest.share) + 1


def test_what_is_each_photos_own_averages_out_in_a_ratio() -> None:
    def of(sha256: str, index: int | None = None) -> MeasuredShot:
        shot = measured(strewn(1))
        frame = None if index is None else Frame(index=index, time_s=index / 30)
        return replace(shot, photo=replace(shot.photo, sha256=sha256, frame=frame))

    alone = scored(of("a"))
    four = scored(*(of(name) for name in "abcd"))
    left = np.sqrt(1 - OWN_VARIANCE_SHARE * 3 / 4)
    assert four.whole.model_sd == pytest.approx(left * alone.whole.model_sd)
    assert of_kind(four, Kind.SWIRL).model_sd == pytest.approx(left * alone.count.model_sd)
    # In a density nothing cancels that they have in common.
    assert four.count.model_sd == alone.count.model_sd
    # A photo given four times tells no more than once, nor do frames of one clip.
    assert scored(*(of("a") for _ in range(4))).whole.model_sd == alone.whole.model_sd
    frames = scored(*(of("a", number) for number in range(4)))
    assert frames.whole.model_sd == scored(of("a", 0)).whole.model_sd
    # What stays however many are taken is the same of any number; of a clip, all of it.
    endless = np.sqrt(1 - OWN_VARIANCE_SHARE) * MODEL_SD
    for state in (alone, four):
        assert lasting_model_sd(state.whole, state.shots) == pytest.approx(endless)
    assert lasting_model_sd(frames.whole, frames.shots) == frames.whole.model_sd


def test_shots_are_pooled() -> None:
    one = measured(strewn(4))
    nothing = measured(no_lines())
    alone, pooled = scored(one), scored(one, nothing)
    assert pooled.line_density.value == pytest.approx(alone.line_density.value / 2)
    assert len(pooled.shots) == 2
    # Two shots tell more of how steep the walls are than one.
    twice = scored(one, one)
    assert twice.line_density.value == pytest.approx(alone.line_density.value, rel=0.05)


def test_a_groove_seen_twice_is_one_piece_of_evidence() -> None:
    one = measured(strewn(5))
    rng = np.random.default_rng
    same, apart, alone = (
        score_state(shots, rng(0), to_frame=frames, thinning=NO_THINNING).line_density
        for shots, frames in (
            ([one, one], [np.eye(3), np.eye(3)]),
            ([one, one], [np.eye(3), None]),
            ([one], None),
        )
    )
    assert same.high - same.low > 1.2 * (apart.high - apart.low)
    assert same.high - same.low == pytest.approx(alone.high - alone.low, rel=0.2)


def test_kinds_know_of_grooves_seen_twice() -> None:
    one = measured(strewn(5))
    same, apart = (
        score_state(
            [one, one], np.random.default_rng(0), to_frame=[np.eye(3), to_frame],
            thinning=NO_THINNING,
        ).kinds[Kind.SWIRL]
        for to_frame in (np.eye(3), None)
    )  # fmt: skip
    assert same.value == apart.value
    assert same.high - same.low > 1.2 * (apart.high - apart.low)


def test_trails_are_found_however_the_camera_was_held() -> None:
    plain = measured(Lines.joined([strewn(2), strewn(3, 0.15, angle_deg=(57, 63))]))
    # The same ground with the camera turned by a quarter: x to the right becomes y down.
    turn = np.array([[0.0, -1, 617], [1, 0, -93], [0, 0, 1]])
    turned = measured(Lines.joined([strewn(6), strewn(7, 0.15, angle_deg=(147, 153))]))
    straight, askew = (
        score_state([plain, turned], np.random.default_rng(0), to_frame=[np.eye(3), to_frame])
        for to_frame in (np.linalg.inv(turn), np.eye(3))
    )
    # 60 % of the grooves are trails; those of one photo alone would be half as many.
    shares = [s.kinds[Kind.MACHINE_TRAIL].value / s.line_density.value for s in (straight, askew)]
    assert shares[0] > 0.5
    assert shares[1] < 0.35
    assert askew.line_density.value == pytest.approx(straight.line_density.value)


def test_the_whole_is_no_surer_than_its_only_part() -> None:
    scratch = straight_lines([(80, 60, 80, 400)])
    score = scored(measured(no_lines(), scratches=scratch))
    part = score.kinds[Kind.DEEP_SCRATCH]
    assert score.line_density.value == part.value
    assert score.line_density.low == pytest.approx(part.low)
    assert score.line_density.high > part.high


@pytest.mark.parametrize("mm_per_px", [MM_PER_PX, None])
def test_a_shot_from_nearer_counts_in_the_scale_of_the_first(mm_per_px: float | None) -> None:
    # Three pixels of the second shot are two of the first: its lines are shorter than they look.
    lines = strewn(9)
    nearer = np.array([[2 / 3, 0, 40.0], [0, 2 / 3, 30.0], [0, 0, 1]])
    shots = [measured(lines, mm_per_px=mm_per_px)]
    plain = score_state(shots, np.random.default_rng(0))
    carried = score_state(shots, np.random.default_rng(0), for_scale=[nearer])
    assert carried.line_density.value == pytest.approx(1.5 * plain.line_density.value)
    assert carried.shots[0].shot.pixel == pytest.approx(2 / 3 * plain.shots[0].shot.pixel)
    # What is stated for its own pixels, of another size, plays no part.
    other = [measured(lines, mm_per_px=None if mm_per_px is None else 2 * mm_per_px)]
    alike = score_state(other, np.random.default_rng(0), for_scale=[nearer], frame=shots[0].shot)
    assert alike.shots[0].shot.pixel == carried.shots[0].shot.pixel
    unknown = score_state(shots, np.random.default_rng(0), for_scale=[None])
    assert unknown.line_density.value == pytest.approx(plain.line_density.value)
    # A perspective map: the mean over the zone.
    tilted = np.array([[1, 0, 0], [0, 1, 0], [4e-4, 0, 1.0]])
    there = cv2.perspectiveTransform(
        np.array([[[0, 0], [719, 0], [719, 539], [0, 539]]], dtype=np.float64), tilted
    )
    whole = np.ones(SHAPE, dtype=bool)
    full = replace(shots[0], shot=replace(shots[0].shot, zone=whole))
    found = score_state([full], np.random.default_rng(0), for_scale=[tilted]).shots[0].shot
    area = cv2.contourArea(there.astype(np.float32)) / (719 * 539)
    assert found.frame_px == pytest.approx(np.sqrt(area), rel=0.02)


def test_shots_lie_on_the_first_where_both_are_known() -> None:
    one, shift = measured(strewn(9)), np.array([[1.0, 0, 5], [0, 1, 0], [0, 0, 1]])
    rng = np.random.default_rng(0)
    first, second, third = score_state([one] * 3, rng, to_frame=[shift, np.eye(3), None]).on_first
    assert first == pytest.approx(np.eye(3))
    assert second == pytest.approx(np.linalg.inv(shift))
    assert third is None
    for frames in (None, [None, shift]):
        alone = score_state([one] * 2, rng, to_frame=frames).on_first
        assert alone[0] == pytest.approx(np.eye(3))
        assert alone[1] is None


def test_lines_are_counted_above_the_poorer_photos_noise() -> None:
    lines = strewn(6)
    # Half the lines stand out by little.
    evidence = np.where(np.arange(lines.n) % 2, SURE, 15.0)
    shot = measured(replace(lines, evidence=evidence))
    alone = scored(shot)
    beside_a_poor_one = scored(shot, noise=3 * NOISE)
    assert beside_a_poor_one.shots[0].shot.lines.n == (evidence == SURE).sum()
    assert alone.shots[0].shot.lines.n == lines.n
    ratio = beside_a_poor_one.line_density.value / alone.line_density.value
    assert 0.2 < ratio < 0.8
    # A better one beside it changes nothing.
    assert scored(shot, noise=NOISE / 2).line_density == alone.line_density
    # Nor does it matter which of a state's own shots is the poor one.
    poor = replace(shot, noise=3 * NOISE)
    assert scored(poor, shot).shots[1].shot.lines.n == (evidence == SURE).sum()


def test_grade_grows_with_density() -> None:
    grades = [
        scored(measured(strewn(7, density), mm_per_px=MM_PER_PX)).grade
        for density in (0.0, 0.01, 0.05, 0.15, 0.6)
    ]
    assert all(isinstance(grade, int) and 0 <= grade <= 5 for grade in grades)
    assert grades == sorted(grades)  # type: ignore[type-var]
    assert len(set(grades)) >= 4
    assert list(GRADE_LIMITS_MM_PER_CM2) == sorted(GRADE_LIMITS_MM_PER_CM2)
    assert len(GRADE_LIMITS_MM_PER_CM2) == 5


def test_as_seen_no_line_is_not_known_to_be_none() -> None:
    score = scored(measured(no_lines(), highlight=None))
    assert score.line_density.value == 0
    assert score.line_density.high > 0
    assert score.detection_limit > 0


def test_as_seen_is_visible_length_over_area() -> None:
    lines = straight_lines([(60, 60, 160, 60), (300, 300, 300, 380)])
    score = scored(measured(lines, highlight=None))
    assert score.as_seen
    assert score.line_density.value == pytest.approx(18 / (ZONE.sum() * 1e-4), rel=0.1)
    assert score.grade is None
    assert score.haze is None
    assert Flag.DIRECTIONS_MISSING not in score.flags


@pytest.mark.parametrize("n", [3, 4, 8, 24])
def test_haze_of_few_sectors_has_the_interval_of_students_t(n: int) -> None:
    values = np.random.default_rng(n).normal(0.2, 0.05, n)
    found = scored(replace(measured(no_lines()), haze=values)).haze
    assert found is not None
    # Of the median, whose error is that of the mean times the root of pi / 2.
    error = np.sqrt(np.pi / 2) * values.std(ddof=1) / np.sqrt(n)
    reach = stats.t.ppf(0.975, n - 1) * error
    assert found.value == np.median(values)
    assert found.value - found.low == pytest.approx(reach, rel=0.035 if n == 3 else 0.01)
    assert found.high - found.value == pytest.approx(found.value - found.low)


def test_missing_directions_are_flagged() -> None:
    band = ZONE & (np.abs(np.arange(SHAPE[0]) - CENTRE[1])[:, None] < 50)
    band &= np.abs(np.arange(SHAPE[1]) - CENTRE[0]) > 120
    shot = measured(no_lines())
    partial = replace(shot, shot=replace(shot.shot, zone=band))
    assert Flag.DIRECTIONS_MISSING in scored(partial).flags
    assert Flag.DIRECTIONS_MISSING not in scored(shot).flags
    # Another shot shows the missing directions.
    assert Flag.DIRECTIONS_MISSING not in scored(partial, shot).flags


def test_flags_of_shots_travel_to_the_score() -> None:
    shot = replace(measured(strewn(8)), flags=(Flag.HIGHLIGHT_CUT, Flag.SPARKLE))
    score = scored(shot, shot)
    assert list(score.flags).count(Flag.HIGHLIGHT_CUT) == 1
    assert {Flag.HIGHLIGHT_CUT, Flag.SPARKLE} <= set(score.flags)
    assert once([Flag.SPARKLE, Flag.CROWDED, Flag.SPARKLE]) == (Flag.SPARKLE, Flag.CROWDED)


def test_crowded_lines_are_flagged() -> None:
    assert Flag.CROWDED in scored(measured(strewn(9, 1.2))).flags
    assert Flag.CROWDED not in scored(measured(strewn(9, 0.02))).flags


def test_lines_mask_shows_what_a_lamp_or_a_deep_scratch_explains() -> None:
    x, y = CENTRE + 0.3
    ring, ray = (x + 150, y - 10, x + 150, y + 10), (x + 100, y, x + 120, y)
    scratch = straight_lines([(80, 60.3, 80, 120.3)])
    mask = lines_mask(measured(straight_lines([ring, ray]), scratches=scratch))
    assert mask.shape == SHAPE
    assert mask[round(y), round(x + 150)]
    assert not mask[round(y), round(x + 110)]
    assert mask[90, 80]
    assert mask.sum() == pytest.approx(80, abs=3)


def test_own_pixels_of_a_reduced_photo() -> None:
    shot = replace(measured(no_lines()), photo=photo(scale=0.5))
    # The centre of the first working pixel lies between the photo's first two.
    assert shot.own_px(0.0) == 0.5
    assert shot.own_px(-0.5) == -0.5
    assert shot.own_px(99.5) == 199.5


def test_same_seed_same_score() -> None:
    one, two = (scored(measured(strewn(10))) for _ in range(2))
    assert one.line_density == two.line_density
    assert one.kinds == two.kinds
