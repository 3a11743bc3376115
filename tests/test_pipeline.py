"""From photos to figures: what must come out whatever the photo's exposure, turn or number."""

import io
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from defectscan import states
from defectscan.errors import NotMeasurableError, UnreadablePhotoError
from defectscan.flags import Flag
from defectscan.imaging.conditions import MOST_RADIUS_MM, MOST_RADIUS_PERCENT
from defectscan.imaging.linear_light import srgb_to_linear
from defectscan.imaging.photo import Exposure, Photo, read_photo
from defectscan.laying import Laid
from defectscan.measurement.comparison import Correction, Fate, correct
from defectscan.measurement.glint import glints
from defectscan.measurement.kinds import Kind
from defectscan.measurement.score import MODEL_SD, Count, Interval
from defectscan.measurement.state import PanelScore, for_ratio
from defectscan.pipeline import (
    WANTED_POINTS,
    Comparison,
    compare,
    compare_states,
    lines_png,
    score,
)
from defectscan.shots import Sighting, look, measure, measure_shot
from defectscan.states import Seen
from tests.conftest import MM_PER_PX, RenderedPhotos

Rgb = NDArray[np.uint8]


def encoded(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give sRGB values of linear light (IEC 61966-2-1)."""
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


def saved(path: Path, rgb: Rgb) -> Path:
    Image.fromarray(rgb).save(path, compress_level=1)
    return path


def exposed(path: Path, rgb: Rgb, factor: float) -> Path:
    """Save a picture at a multiple of its light, in 16 bits, so that nothing gets lost."""
    light = encoded(np.asarray(srgb_to_linear(rgb / 255)) * factor)
    wide = np.round(np.clip(light, 0, 1) * 65535).astype(np.uint16)
    path.write_bytes(cv2.imencode(".png", wide[..., ::-1])[1].tobytes())
    return path


def paint(seed: int = 0, colour: tuple[int, int, int] = (30, 32, 36)) -> NDArray[np.float64]:
    rng = np.random.default_rng(seed)
    return np.asarray(colour + 1.5 * rng.standard_normal((480, 640, 3)))


def with_lamp(picture: NDArray[np.float64], x: float, y: float) -> NDArray[np.float64]:
    yy, xx = np.mgrid[: picture.shape[0], : picture.shape[1]]
    away = np.hypot(xx - x, yy - y)[..., None]
    lit: NDArray[np.float64] = (
        picture + 400 / (1 + np.exp((away - 14) / 1.5)) + 40 / (1 + (away / 25) ** 2)
    )
    return lit


def to_rgb(picture: NDArray[np.float64]) -> Rgb:
    return np.clip(np.round(picture), 0, 255).astype(np.uint8)


@pytest.fixture(scope="module")
def rgb(photos: RenderedPhotos) -> Rgb:
    return photos.states[0].shots[0].rgb


# --- One state ----------------------------------------------------------------------------------


def test_density_and_highlight_of_a_rendered_photo(
    photos: RenderedPhotos, state: PanelScore
) -> None:
    truth = photos.states[0].shots[0]
    assert state.line_density.low < truth.density_mm_per_cm2 < state.line_density.high
    assert state.line_density.high < 2 * state.line_density.low
    highlight = state.shots[0].highlight
    assert highlight is not None
    off = np.subtract((highlight.x_px, highlight.y_px), truth.highlight_xy_px)
    assert np.hypot(*off) < 5
    assert state.grade is not None
    assert not state.as_seen


def test_lines_lie_on_lit_grooves(photos: RenderedPhotos, state: PanelScore) -> None:
    truth = photos.states[0].shots[0]
    shot = state.shots[0].shot
    chosen = shot.lines.of(glints(shot.lines, shot.glint))
    x, y = np.round(chosen.xy_px).astype(int).T
    near = cv2.dilate((truth.lit > 0).astype(np.uint8), np.ones((5, 5), np.uint8))
    assert near[y, x].mean() > 0.9


def test_zone_leaves_out_what_is_no_paint(photos: RenderedPhotos, state: PanelScore) -> None:
    truth = photos.states[0].shots[0]
    zone = state.shots[0].shot.zone
    assert (zone & ~truth.on_paint).sum() < 0.002 * zone.sum()
    assert zone.sum() > 0.75 * truth.on_paint.sum()
    x, y = (round(v) for v in truth.highlight_xy_px)
    assert not zone[y, x]


def test_same_photo_same_figures(photos: RenderedPhotos, state: PanelScore) -> None:
    company = Seen()
    again = score(photos.first_before, mm_per_px=MM_PER_PX, seen=company)
    assert again.line_density == state.line_density
    assert again.kinds == state.kinds
    other_seed = score(photos.first_before, mm_per_px=MM_PER_PX, seed=5, seen=company)
    assert other_seed.line_density.value == state.line_density.value
    assert other_seed.line_density.low == pytest.approx(state.line_density.low, rel=0.05)


def test_scale_only_changes_the_unit(photos: RenderedPhotos, state: PanelScore, seen: Seen) -> None:
    twice = score(photos.first_before, mm_per_px=2 * MM_PER_PX, seen=seen)
    assert twice.line_density.value == pytest.approx(state.line_density.value / 2)
    unknown = score(photos.first_before, seen=seen)
    assert unknown.line_density.value == pytest.approx(state.line_density.value * MM_PER_PX / 100)
    assert not unknown.has_scale
    assert unknown.grade is None
    assert Flag.NO_SCALE in unknown.flags


def test_twice_the_exposure_is_the_same_density(rgb: Rgb, tmp_path: Path) -> None:
    dark = score(exposed(tmp_path / "dark.png", rgb, 0.45), mm_per_px=MM_PER_PX)
    bright = score(exposed(tmp_path / "bright.png", rgb, 0.9), mm_per_px=MM_PER_PX)
    assert bright.line_density.value == pytest.approx(dark.line_density.value, rel=0.04)


@pytest.fixture(scope="module")
def upright(rgb: Rgb, tmp_path_factory: pytest.TempPathFactory) -> PanelScore:
    """Score the first shot before without the loss of JPEG."""
    photo = saved(tmp_path_factory.mktemp("upright") / "upright.png", rgb)
    return score(photo, mm_per_px=MM_PER_PX)


@pytest.mark.parametrize("quarter_turns", [1, 2])
def test_a_turned_photo_has_the_same_density(
    quarter_turns: int, upright: PanelScore, rgb: Rgb, tmp_path: Path
) -> None:
    turned_rgb = np.ascontiguousarray(np.rot90(rgb, quarter_turns))
    turned = score(saved(tmp_path / "turned.png", turned_rgb), mm_per_px=MM_PER_PX)
    assert turned.line_density.value == pytest.approx(upright.line_density.value, rel=0.02)
    assert turned.shots[0].photo.luminance.shape == turned_rgb.shape[:2]


def test_a_folder_of_shots_is_pooled(photos: RenderedPhotos, state: PanelScore, seen: Seen) -> None:
    told: list[str] = []
    pooled = score(photos.before, mm_per_px=MM_PER_PX, progress=told.append, seen=seen)
    assert [shot.photo.path.name for shot in pooled.shots] == ["1.jpg", "2.jpg"]
    assert told[:2] == ["1.jpg", "2.jpg"]
    alone = score([photos.before / "2.jpg"], mm_per_px=MM_PER_PX, seen=seen)
    between = sorted([state.line_density.value, alone.line_density.value])
    assert 0.9 * between[0] < pooled.line_density.value < 1.1 * between[1]
    assert pooled.line_density.low < photos.states[0].panel.density_mm_per_cm2()
    assert pooled.line_density.high > photos.states[0].panel.density_mm_per_cm2()
    listed = score(
        [photos.before / "1.jpg", photos.before / "2.jpg"], mm_per_px=MM_PER_PX, seen=seen
    )
    assert listed.line_density.value == pytest.approx(pooled.line_density.value)


def test_a_perfect_panel_reads_nothing(tmp_path: Path) -> None:
    photo = saved(tmp_path / "perfect.png", to_rgb(with_lamp(paint(), 300, 230)))
    found = score(photo, mm_per_px=0.2)
    assert found.shots[0].shot.lines.n == 0
    assert found.line_density.value == 0
    assert found.line_density.high > 0
    assert Flag.BELOW_LIMIT in found.flags
    assert Flag.FEW_LINES in found.flags


def test_no_highlight_is_an_error_and_as_seen_is_the_way_out(tmp_path: Path) -> None:
    picture = paint()
    for start in range(60, 340, 40):
        x = np.arange(50, 590)
        picture[start + np.round(0.2 * (x - 50)).astype(int), x] += 60
    photo = saved(tmp_path / "sky.png", to_rgb(picture))
    with pytest.raises(NotMeasurableError, match=r"sky\.png: no highlight.*--as-seen"):
        score(photo)
    seen = score(photo, as_seen=True, mm_per_px=0.2)
    assert seen.as_seen
    assert seen.shots[0].highlight is None
    assert seen.line_density.value > 0
    assert Flag.AS_SEEN in seen.flags
    assert seen.grade is None


def test_as_seen_is_the_visible_length_over_the_area(photos: RenderedPhotos, seen: Seen) -> None:
    found = score(photos.first_before, as_seen=True, mm_per_px=MM_PER_PX, seen=seen)
    shot = found.shots[0].shot
    length_mm = shot.lines.length_px.sum() * MM_PER_PX
    area_cm2 = shot.zone.sum() * MM_PER_PX**2 / 100
    # Lines that hide others are made up for.
    assert 1 <= found.line_density.value / (length_mm / area_cm2) < 1.25


def test_two_highlights_are_an_error(tmp_path: Path) -> None:
    picture = with_lamp(with_lamp(paint(), 180, 200), 450, 300)
    photo = saved(tmp_path / "two.png", to_rgb(picture))
    with pytest.raises(NotMeasurableError, match=r"two\.png: 2 highlights.*one lamp"):
        score(photo)


def test_too_little_paint_is_an_error(tmp_path: Path) -> None:
    picture = with_lamp(paint(), 320, 240)
    yy, xx = np.mgrid[:480, :640]
    picture[np.hypot(xx - 320, yy - 240) > 70] = 230
    photo = saved(tmp_path / "little.png", to_rgb(picture))
    with pytest.raises(NotMeasurableError, match=r"bare paint fills .* % of the photo"):
        score(photo)


def test_a_highlight_cut_by_the_frame_is_flagged(rgb: Rgb, photos: RenderedPhotos) -> None:
    x, _ = photos.states[0].shots[0].highlight_xy_px
    cut = read_photo(photos.first_before)
    left = round(x)
    cropped = replace(
        cut,
        luminance=np.ascontiguousarray(cut.luminance[:, left:]),
        clipped=np.ascontiguousarray(cut.clipped[:, left:]),
        rgb=np.ascontiguousarray(rgb[:, left:]),
        width_px=cut.width_px - left,
    )
    assert Flag.HIGHLIGHT_CUT in measure_shot(cropped, mm_per_px=MM_PER_PX).flags


def test_a_highlight_broader_than_a_small_lamps_is_flagged(photos: RenderedPhotos) -> None:
    sighting = look(read_photo(photos.first_before))
    assert sighting.highlight is not None
    # As `check` has it: of the picture's longer side, or in millimetres where there is a scale.
    percent = MOST_RADIUS_PERCENT * max(sighting.zone.shape) / 100
    for mm_per_px, limit_px in ((None, percent), (MM_PER_PX, MOST_RADIUS_MM / MM_PER_PX)):
        for radius_px in (0.98 * limit_px, 1.02 * limit_px):
            broad = replace(sighting.highlight, radius_px=radius_px)
            shot = measure(replace(sighting, highlight=broad), mm_per_px=mm_per_px, like=None)
            assert (Flag.BROAD_HIGHLIGHT in shot.flags) is (radius_px > limit_px)


def test_a_large_photo_is_measured_small_and_told_in_its_own_pixels(
    photos: RenderedPhotos, state: PanelScore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(states, "WORKING_SIDE_PX", 800)
    found = score(photos.first_before, mm_per_px=MM_PER_PX)
    shot = found.shots[0]
    assert shot.photo.scale == 0.8
    assert shot.photo.luminance.shape == (600, 800)
    assert shot.shot.mm_per_px == pytest.approx(MM_PER_PX / 0.8)
    highlight, own = shot.highlight, state.shots[0].highlight
    assert highlight is not None
    assert own is not None
    assert shot.own_px(highlight.x_px) == pytest.approx(own.x_px, abs=1)
    assert shot.own_px(highlight.y_px) == pytest.approx(own.y_px, abs=1)
    assert found.line_density.value == pytest.approx(state.line_density.value, rel=0.3)


def test_lines_as_a_picture(state: PanelScore) -> None:
    shot = state.shots[0]
    mask = np.asarray(Image.open(io.BytesIO(lines_png(shot))))
    assert mask.shape == (750, 1000)
    assert set(np.unique(mask)) == {0, 255}
    reduced = replace(shot, photo=replace(shot.photo, width_px=2000, height_px=1500, scale=0.5))
    large = np.asarray(Image.open(io.BytesIO(lines_png(reduced))))
    assert large.shape == (1500, 2000)
    assert set(np.unique(large)) == {0, 255}


def test_unreadable_photos(tmp_path: Path) -> None:
    with pytest.raises(UnreadablePhotoError, match=r"gone\.jpg"):
        score(tmp_path / "gone.jpg")
    (tmp_path / "text.jpg").write_text("no photo")
    with pytest.raises(UnreadablePhotoError, match=r"text\.jpg"):
        compare(tmp_path / "text.jpg", tmp_path / "text.jpg")


# --- Two states ---------------------------------------------------------------------------------


def test_correction_of_a_rendered_pair(photos: RenderedPhotos, comparison: Comparison) -> None:
    before, after = (state.panel.density_mm_per_cm2() for state in photos.states)
    truth = 100 * (1 - after / before)
    found = comparison.correction.percent
    assert found is not None
    assert found.low < truth < found.high
    assert found.high - found.low < 60
    assert comparison.before.line_density.low < before < comparison.before.line_density.high
    assert comparison.after.line_density.low < after < comparison.after.line_density.high


def test_registration_of_a_rendered_pair(photos: RenderedPhotos, comparison: Comparison) -> None:
    first, second = (state.shots[0] for state in photos.states)
    assert comparison.registration.registered
    assert Flag.NOT_REGISTERED not in comparison.flags
    ground = np.stack(np.meshgrid(np.linspace(-40, 40, 9), np.linspace(-30, 30, 7)), axis=-1)
    there, here = (shot.scene.project(ground.reshape(-1, 2)) for shot in (second, first))
    mapped = cv2.perspectiveTransform(there[None], comparison.own_homography(0))[0]
    off = np.linalg.norm(mapped - here, axis=-1)
    assert np.median(off) < 1.5
    assert off.max() < 4


def test_fates_of_a_rendered_pair(comparison: Comparison) -> None:
    before = comparison.before.shots[0].shot.lines
    after = comparison.after.shots[0].shot.lines
    assert len(comparison.fates_before) == before.n
    assert len(comparison.fates_after) == after.n
    assert comparison.after_here.n == after.n
    assert set(comparison.fates_before) <= {Fate.REMOVED, Fate.REMAINING, Fate.UNKNOWN}
    assert set(comparison.fates_after) <= {Fate.NEW, Fate.REMAINING, Fate.UNKNOWN}
    count = comparison.fates_before.count
    assert count(Fate.REMOVED) > 5
    # The pass made no new grooves.
    assert comparison.fates_after.count(Fate.NEW) < 0.2 * max(after.n, 1)


def test_kinds_have_their_own_correction(comparison: Comparison) -> None:
    assert set(comparison.kind_corrections) <= set(Kind)
    swirl = comparison.kind_corrections[Kind.SWIRL].percent
    assert swirl is not None
    assert swirl.low <= swirl.value <= swirl.high
    before, after = (s.kinds[Kind.SWIRL].value for s in (comparison.before, comparison.after))
    assert swirl.value == pytest.approx(100 * (1 - after / before))


def test_more_shots_allow_for_what_no_shot_averages_out(comparison: Comparison) -> None:
    # Each line after weighs less than it does: of all, ±3 points are out of reach.
    before, after = comparison.before, comparison.after
    rest = np.full(len(after.whole.share), 0.6)
    lighter = replace(after.whole.weighted(rest), typical=0.6 * after.whole.typical)

    def of_shots(whole: Count, n: int) -> Count:
        """Return the count as if n photos of other ground had shown the same."""
        photo = before.shots[0].photo
        photos = [replace(before.shots[0], photo=replace(photo, sha256=str(i))) for i in range(n)]
        share, false = (np.tile(part, n) / n for part in (whole.share, whole.false))
        many = replace(whole, share=share, false=false, typical=whole.typical / n)
        return for_ratio(replace(many, model_sd=MODEL_SD), photos)

    def found(n: int) -> Correction:
        states = of_shots(before.whole, n), of_shots(lighter, n)
        return correct(*states, np.random.default_rng(0))

    def half_width(n: int) -> float:
        percent = found(n).percent
        assert percent is not None
        return (percent.high - percent.low) / 2

    more = replace(comparison, correction=found(1)).more_shots
    assert more is not None
    assert half_width(1 + more) < WANTED_POINTS
    assert half_width(1 + more // 2) > WANTED_POINTS


@pytest.mark.parametrize(
    ("value", "half_width", "more"),
    [
        (87, 4, 1),
        (87, 3, 0),
        # 4.3 points would stay with endless shots.
        (48, 9.6, None),
        (-20, 20, None),
        # Not to be reached by a number of shots that anyone takes.
        (65, 12, None),
    ],
)
def test_more_shots_are_named_only_where_they_would_do(
    comparison: Comparison, value: float, half_width: float, more: int | None
) -> None:
    percent = Interval(value=value, low=value - half_width, high=value + half_width)
    assert replace(comparison, correction=Correction(percent=percent)).more_shots == more
    assert replace(comparison, correction=Correction(percent=None)).more_shots is None


def test_the_same_photo_twice_is_no_correction(photos: RenderedPhotos, seen: Seen) -> None:
    found = compare(photos.first_before, photos.first_before, mm_per_px=MM_PER_PX, seen=seen)
    percent = found.correction.percent
    assert percent is not None
    assert percent.value == 0
    assert percent.low < 0 < percent.high
    assert Flag.SAME_PHOTO in found.flags
    assert found.registration.registered
    assert found.own_homography(0) == pytest.approx(np.eye(3), abs=1e-6)
    assert set(found.fates_before) <= {Fate.REMAINING, Fate.UNKNOWN}


def test_the_other_way_round_is_an_increase(photos: RenderedPhotos, seen: Seen) -> None:
    found = compare(photos.first_after, photos.first_before, mm_per_px=MM_PER_PX, seen=seen)
    assert found.correction.percent is not None
    assert found.correction.percent.value < 0


def test_a_photo_after_taken_upside_down(
    photos: RenderedPhotos, comparison: Comparison, seen: Seen, tmp_path: Path
) -> None:
    turned = np.ascontiguousarray(photos.states[1].shots[0].rgb[::-1, ::-1])
    after = saved(tmp_path / "turned.png", turned)
    found = compare(photos.first_before, after, mm_per_px=MM_PER_PX, seen=seen)
    assert found.correction.percent is not None
    assert comparison.correction.percent is not None
    assert found.correction.percent.value == pytest.approx(
        comparison.correction.percent.value, abs=8
    )
    assert Flag.TURNED in found.flags or Flag.NOT_REGISTERED in found.flags


def test_exposed_differently_is_flagged_and_gives_the_same_correction(
    photos: RenderedPhotos, comparison: Comparison, seen: Seen, tmp_path: Path
) -> None:
    darker = exposed(tmp_path / "after.png", photos.states[1].shots[0].rgb, 0.5)
    found = compare(photos.first_before, darker, mm_per_px=MM_PER_PX, seen=seen)
    assert found.correction.percent is not None
    assert comparison.correction.percent is not None
    assert found.correction.percent.value == pytest.approx(
        comparison.correction.percent.value, abs=8
    )


@pytest.mark.parametrize(
    ("view_after", "registered", "tells_scale", "flagged"),
    [
        (Exposure(focal_length_35mm_mm=48.0), False, False, True),
        (Exposure(focal_length_35mm_mm=24.0), False, False, False),
        (Exposure(), False, False, False),
        (Exposure(focal_length_35mm_mm=48.0), True, True, False),
        (Exposure(focal_length_35mm_mm=48.0), False, True, False),
        (Exposure(focal_length_35mm_mm=24.0, digital_zoom=1.3), False, False, True),
        (Exposure(focal_length_35mm_mm=24.0, digital_zoom=1.0), False, False, False),
    ],
)
def test_another_lens_is_flagged_unless_registration_tells_the_scale(
    comparison: Comparison,
    view_after: Exposure,
    registered: bool,
    tells_scale: bool,
    flagged: bool,
) -> None:
    states = [
        [replace(s, photo=replace(s.photo, exposure=view)) for s in state.shots]
        for state, view in (
            (comparison.before, Exposure(focal_length_35mm_mm=24.0)),
            (comparison.after, view_after),
        )
    ]
    registration = replace(comparison.registration, registered=registered, tells_scale=tells_scale)
    found = compare_states(
        states[0],
        states[1],
        np.random.default_rng(0),
        laid=Laid(before=(), after=(registration,)),
    )
    assert (Flag.LENS_DIFFERS in found.flags) is flagged
    assert (Flag.NOT_REGISTERED in found.flags) is not registered


def test_a_photo_after_from_nearer_is_the_same_correction(
    photos: RenderedPhotos, comparison: Comparison, seen: Seen, tmp_path: Path
) -> None:
    # The middle of the photo after, as if taken from nearer: all lines look longer.
    rgb = photos.states[1].shots[0].rgb
    height, width = rgb.shape[:2]
    margin_y, margin_x = height // 16, width // 16
    middle = rgb[margin_y : height - margin_y, margin_x : width - margin_x]
    enlarged = np.asarray(cv2.resize(middle, (width, height)), dtype=np.uint8)
    found = compare(
        photos.first_before, saved(tmp_path / "near.png", enlarged), mm_per_px=MM_PER_PX, seen=seen
    )
    assert found.registration.registered
    scale = found.after.shots[0].shot.mm_per_px
    assert scale == pytest.approx(MM_PER_PX * 7 / 8, rel=0.01)
    assert found.after.line_density.value == pytest.approx(
        comparison.after.line_density.value, rel=0.15
    )


def test_the_stated_scale_is_that_of_the_first_photo_whatever_the_sizes(
    photos: RenderedPhotos, comparison: Comparison, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Twice the size is what is measured of it: it stands for half the length in its own pixels.
    monkeypatch.setattr(states, "WORKING_SIDE_PX", 1000)
    rgb = photos.states[1].shots[0].rgb
    large = np.asarray(cv2.resize(rgb, None, fx=2, fy=2), dtype=np.uint8)
    found = compare(photos.first_before, saved(tmp_path / "large.png", large), mm_per_px=MM_PER_PX)
    assert found.registration.registered
    assert Flag.LENS_DIFFERS not in found.flags
    assert found.after.shots[0].photo.scale == 0.5
    assert found.after.shots[0].shot.mm_per_px == pytest.approx(MM_PER_PX, rel=0.01)
    assert found.correction.percent is not None
    assert comparison.correction.percent is not None
    assert found.correction.percent.value == pytest.approx(
        comparison.correction.percent.value, abs=4
    )


def test_without_a_scale_both_states_are_told_in_pixels_of_the_first_photo(
    photos: RenderedPhotos, unscaled: Comparison, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(states, "WORKING_SIDE_PX", 1000)
    rgb = photos.states[1].shots[0].rgb
    large = np.asarray(cv2.resize(rgb, None, fx=2, fy=2), dtype=np.uint8)
    found = compare(photos.first_before, saved(tmp_path / "large.png", large))
    assert found.after.shots[0].photo.scale == 0.5
    assert found.before.told_factor == found.after.told_factor == 1
    # Its own pixels are half as wide, but the densities are to agree with the correction.
    told = found.after.line_density.value * found.after.told_factor
    assert told == pytest.approx(unscaled.after.line_density.value, rel=0.15)


def test_photos_of_other_sizes_that_nothing_lays_are_flagged(comparison: Comparison) -> None:
    before, after = comparison.before.shots, comparison.after.shots
    smaller = [replace(s, photo=replace(s.photo, width_px=500, height_px=375)) for s in after]
    open_map = replace(comparison.registration, registered=False, tells_scale=False)
    laid = Laid(before=(), after=(open_map,))
    found = compare_states(before, smaller, np.random.default_rng(0), laid=laid)
    assert Flag.LENS_DIFFERS in found.flags


def test_another_paint_is_flagged(photos: RenderedPhotos, seen: Seen, tmp_path: Path) -> None:
    rgb = photos.states[1].shots[0].rgb.astype(np.float64)
    stained = np.clip(rgb * [1, 0.5, 0.5] + [70, 0, 0], 0, 250)
    red = to_rgb(np.where(rgb > 240, rgb, stained))
    found = compare(photos.first_before, saved(tmp_path / "red.png", red), seen=seen)
    assert Flag.MAYBE_OTHER_PANEL in found.flags


def test_folders_of_shots(photos: RenderedPhotos, seen: Seen) -> None:
    found = compare(photos.before, photos.after, mm_per_px=MM_PER_PX, seen=seen)
    assert [len(state.shots) for state in (found.before, found.after)] == [2, 2]
    assert len(found.registrations) == 2
    before, after = (state.panel.density_mm_per_cm2() for state in photos.states)
    assert found.correction.percent is not None
    assert found.correction.percent.low < 100 * (1 - after / before) < found.correction.percent.high


def test_as_seen_comparison(photos: RenderedPhotos, seen: Seen) -> None:
    found = compare(photos.first_before, photos.first_after, as_seen=True, seen=seen)
    assert found.before.as_seen
    assert found.correction.percent is not None
    assert 0 < found.correction.percent.value < 100
    assert found.fates_before == found.fates_after == []


def test_a_photo_in_other_company_is_not_looked_at_twice(
    photos: RenderedPhotos,
    state: PanelScore,
    comparison: Comparison,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    pair = photos.first_before, photos.first_after
    looked: list[str] = []

    def counted(photo: Photo, **how: Any) -> Sighting:
        looked.append(photo.name)
        return look(photo, **how)

    monkeypatch.setattr(states, "look", counted)
    seen = Seen()
    own = score(pair[0], mm_per_px=MM_PER_PX, seen=seen)
    both = compare(*pair, mm_per_px=MM_PER_PX, seen=seen)
    assert sorted(looked) == sorted(path.name for path in pair)
    assert own.line_density == state.line_density
    assert both.correction == comparison.correction
