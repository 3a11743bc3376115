"""From figures to a report: what the content holds, and the files."""

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from defectscan.errors import OutputExistsError
from defectscan.flags import Flag
from defectscan.measurement.comparison import Correction, Fate
from defectscan.measurement.kinds import Kind
from defectscan.measurement.state import PanelScore, SetAside
from defectscan.pipeline import Comparison, compare
from defectscan.report import record
from defectscan.report.assemble import (
    comparison_panel,
    score_panel,
    write_comparison,
    write_score,
)
from defectscan.states import Seen
from tests.conftest import MM_PER_PX, RenderedPhotos


def test_panel_of_one_state(state: PanelScore) -> None:
    panel = score_panel(state, title="Bonnet")
    assert panel.title == "Bonnet"
    assert panel.after is None
    assert panel.registration is None
    assert panel.density_unit == "mm/cm²"
    assert panel.before.line_density.value == state.line_density.value
    assert panel.before.grade == state.grade
    assert set(panel.before.kinds) == {"swirl", "deep_scratch", "machine_trail"}
    assert panel.before.picture.image.shape == (750, 1000, 3)
    shot = state.shots[0]
    assert len(panel.before.picture.lines) == shot.shot.lines.n + shot.scratches.n
    kinds = [line.kind for line in panel.before.picture.lines]
    assert kinds.count("deep_scratch") == shot.scratches.n
    assert kinds.count("machine_trail") == (state.trail_share[: shot.shot.lines.n] > 0.5).sum()
    assert panel.density_map is not None
    assert np.isfinite(panel.density_map.values).any()


@pytest.mark.parametrize(("share", "kind"), [(0.4, "swirl"), (0.6, "machine_trail")])
def test_a_line_is_drawn_as_what_it_likelier_is(state: PanelScore, share: float, kind: str) -> None:
    told = replace(state, trail_share=np.full(len(state.trail_share), share))
    n = state.shots[0].shot.lines.n
    lines = score_panel(told, title="").before.picture.lines[:n]
    assert {line.kind for line in lines} == {kind}


def test_directions_add_up_to_the_density_of_swirls_and_trails(state: PanelScore) -> None:
    directions = score_panel(state, title="").before.directions
    assert directions is not None
    fine = state.kinds[Kind.SWIRL].value + state.kinds[Kind.MACHINE_TRAIL].value
    assert np.sum(directions) == pytest.approx(fine)


def test_the_map_shows_the_density_that_is_stated(
    state: PanelScore, comparison: Comparison
) -> None:
    panels = score_panel(state, title=""), comparison_panel(comparison, title="")
    for panel, told in zip(panels, (state, comparison.after), strict=True):
        assert panel.density_map is not None
        assert np.nanmean(panel.density_map.values) == pytest.approx(told.count.density, rel=0.1)


def test_conditions_of_a_photo(state: PanelScore) -> None:
    conditions = score_panel(state, title="").before.photos[0]
    assert conditions.file == "1.jpg"
    assert (conditions.width_px, conditions.height_px) == (1000, 750)
    assert conditions.mm_per_px == pytest.approx(MM_PER_PX)
    assert conditions.iso == 100
    assert conditions.f_number == pytest.approx(1.8)
    time_s = state.shots[0].photo.exposure.exposure_time_s
    assert time_s is not None
    assert 1 / 1000 < time_s < 1
    assert conditions.exposure_time_s == pytest.approx(time_s)
    assert conditions.zone_area_cm2 == pytest.approx(state.shots[0].shot.zone.sum() * 1e-4)
    assert conditions.highlight is not None
    assert conditions.highlight.radius_px == state.shots[0].highlight.radius_px  # type: ignore[union-attr]


def test_panel_of_two_states(comparison: Comparison) -> None:
    panel = comparison_panel(comparison, title="Bonnet")
    assert panel.after is not None
    assert panel.correction.value == comparison.correction.percent.value  # type: ignore[union-attr]
    assert panel.registration is not None
    assert panel.registration.after_on_before is not None
    assert panel.registration.after_on_before.shape == panel.before.picture.image.shape
    assert panel.registration.reason == panel.registration.not_followed == ""
    status = [line.status for line in panel.registration.lines]
    assert status.count("removed") == comparison.fates_before.count(Fate.REMOVED)
    assert status.count("new") == comparison.fates_after.count(Fate.NEW)
    assert status.count("remaining") == comparison.fates_after.count(Fate.REMAINING)
    assert len(status) == status.count("removed") + status.count("new") + status.count("remaining")
    assert [flag.name for flag in panel.flags] == [f.name.lower() for f in comparison.flags]


def test_deep_scratches_of_either_photo_are_drawn_and_not_followed(comparison: Comparison) -> None:
    def scratched(state: PanelScore, *numbers: int) -> PanelScore:
        shot = state.shots[0]
        lines = shot.shot.lines
        shot = replace(shot, scratches=lines.of(np.isin(np.arange(lines.n), numbers)))
        return replace(state, shots=(shot, *state.shots[1:]))

    before, after = scratched(comparison.before, 2, 5), scratched(comparison.after, 3)
    found = replace(comparison, before=before, after=after)
    registration = comparison_panel(found, title="").registration
    assert registration is not None
    deep = [line for line in registration.lines if line.kind == "deep_scratch"]
    statuses = [line.status for line in deep]
    assert statuses == ["scratch_before", "scratch_before", "scratch_after"]
    # That after as it lies on the photo before.
    course = after.shots[0].scratches.courses()[0]
    matrix = comparison.registration.homography_after_to_before
    assert matrix is not None
    np.testing.assert_allclose(
        deep[2].points_px, cv2.perspectiveTransform(course[None], matrix)[0], rtol=1e-6
    )
    others = [line for line in registration.lines if line.kind != "deep_scratch"]
    plain = comparison_panel(comparison, title="").registration
    assert plain is not None
    assert [line.status for line in others] == [line.status for line in plain.lines]


def test_the_wiped_photo_lies_on_the_one_before(comparison: Comparison) -> None:
    panel = comparison_panel(comparison, title="")
    assert panel.registration is not None
    warped = panel.registration.after_on_before
    assert warped is not None
    # Along the bright trim, which is on the left side of the panel.
    one, other = (p[200:550, :200].mean(axis=-1) for p in (panel.before.picture.image, warped))
    assert np.corrcoef(one.ravel(), other.ravel())[0, 1] > 0.95


def test_an_unregistered_pair_says_why(comparison: Comparison) -> None:
    found = replace(comparison.registration, registered=False, reason="nothing to hold on to")
    bare = replace(comparison, registrations=(found,), fates_before=[], fates_after=[])
    panel = comparison_panel(bare, title="")
    assert panel.registration is not None
    assert panel.registration.after_on_before is None
    assert panel.registration.reason == "nothing to hold on to"
    assert panel.registration.lines == ()
    assert panel.density_map is not None


def test_photos_set_aside_are_named_without_their_folder(
    state: PanelScore, comparison: Comparison
) -> None:
    folder = state.shots[0].photo.path.parent
    aside = SetAside(file="5.jpg", reason=f"{folder / '5.jpg'} has no highlight; repeat it")
    panel = score_panel(replace(state, set_aside=(aside,)), title="")
    assert panel.set_aside == ("5.jpg has no highlight; repeat it",)
    folder = comparison.after.shots[0].photo.path.parent
    aside = replace(aside, reason=f"{folder / '5.jpg'} has no highlight; repeat it")
    two = replace(comparison, after=replace(comparison.after, set_aside=(aside,)))
    (told,) = comparison_panel(two, title="").set_aside
    assert told.startswith("5.jpg has no")


def test_a_pair_as_seen_is_laid_on_each_other_and_its_lines_are_not_followed(
    photos: RenderedPhotos, seen: Seen, tmp_path: Path
) -> None:
    found = compare(
        photos.first_before, photos.first_after, mm_per_px=MM_PER_PX, as_seen=True, seen=seen
    )
    registration = comparison_panel(found, title="").registration
    assert registration is not None
    assert registration.after_on_before is not None
    assert registration.lines == ()
    assert "not followed" in registration.not_followed
    write_comparison(found, tmp_path, title="", record="{}\n", force=False)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(record.files())


def test_unknown_is_not_zero(unscaled: Comparison) -> None:
    panel = comparison_panel(replace(unscaled, correction=Correction(percent=None)), title="")
    assert panel.density_unit == "px/px²"
    assert panel.before.grade is None
    assert panel.before.photos[0].mm_per_px is None
    assert panel.before.photos[0].zone_area_cm2 is None
    assert panel.correction.value is None
    assert panel.correction.at_least is None
    assert Flag.NO_SCALE.name.lower() in [flag.name for flag in panel.before.flags]


def test_without_a_scale_a_reduced_photo_is_told_in_its_own_pixels(unscaled: Comparison) -> None:
    whole = comparison_panel(unscaled, title="")
    states = [replace(s, photo_scale=0.5) for s in (unscaled.before, unscaled.after)]
    reduced = replace(unscaled, before=states[0], after=states[1])
    panel, told = comparison_panel(reduced, title=""), record.of_comparison(reduced)
    assert whole.after is not None
    assert panel.after is not None
    pairs = ((panel.before, whole.before, "before"), (panel.after, whole.after, "after"))
    for state, other, name in pairs:
        assert state.line_density.value == told[name]["line_density_per_px"]["value"]
        assert state.detection_limit == told[name]["detection_limit_per_px"]
        for kind, density in state.kinds.items():
            assert density.high == told[name]["kinds_per_px"][kind]["high"]
        assert state.line_density.value == pytest.approx(other.line_density.value / 2)  # type: ignore[operator]
        assert state.directions is not None
        assert other.directions is not None
        assert state.directions == pytest.approx(other.directions / 2)
    maps = [
        made.density_map
        for made in (
            whole, panel, score_panel(unscaled.before, title=""), score_panel(states[0], title="")
        )
    ]  # fmt: skip
    assert all(maps)
    values = [one.values for one in maps if one]
    assert values[1] == pytest.approx(values[0] / 2, nan_ok=True)
    assert values[3] == pytest.approx(values[2] / 2, nan_ok=True)


def test_files_of_a_comparison(comparison: Comparison, tmp_path: Path) -> None:
    folder = tmp_path / "new" / "report"
    text = record.to_json(record.of_comparison(comparison))
    write_comparison(comparison, folder, title="Bonnet <left>", record=text, force=False)
    assert sorted(p.name for p in folder.iterdir()) == sorted(record.files())
    html = (folder / "report.html").read_text(encoding="utf-8")
    assert "Bonnet &lt;left&gt;" in html
    assert "<left>" not in html
    for outside in ('src="http', "src='http", 'href="http', "url(http", "@import"):
        assert outside not in html
    assert (folder / "report.pdf").read_bytes().startswith(b"%PDF-")
    assert json.loads((folder / "result.json").read_text()) == json.loads(text)
    with pytest.raises(OutputExistsError, match=r"report\.html is there already"):
        write_comparison(comparison, folder, title="", record=text, force=False)
    assert (folder / "report.html").read_text(encoding="utf-8") == html


def test_files_of_a_score(state: PanelScore, tmp_path: Path) -> None:
    write_score(state, tmp_path, title="", record="{}\n", force=False)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(record.files())
    # Without a title, the photo's name stands in its place.
    assert "<title>1" in (tmp_path / "report.html").read_text(encoding="utf-8")
    (tmp_path / "report.html").write_text("old")
    write_score(state, tmp_path, title="Door", record="{}\n", force=True)
    assert "Door" in (tmp_path / "report.html").read_text(encoding="utf-8")
