"""JSON: every key that others rely on is there, numbers are unrounded, null is for unknown."""

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from defectscan.flags import Flag
from defectscan.measurement.comparison import Correction, Fate
from defectscan.measurement.state import PanelScore
from defectscan.pipeline import Comparison, compare, score
from defectscan.report.assemble import comparison_panel
from defectscan.report.record import of_comparison, of_score, to_json
from defectscan.states import Seen
from defectscan.version import __version__
from tests.conftest import MM_PER_PX, RenderedPhotos

INTERVAL = {"value", "low", "high"}
SCORE = {
    "format",
    "version",
    "line_density_mm_per_cm2",
    "line_density_per_px",
    "detection_limit_mm_per_cm2",
    "grade",
    "kinds",
    "haze",
    "shots",
    "flags",
}
SHOT = {
    "file",
    "sha256",
    "width_px",
    "height_px",
    "mm_per_px",
    "highlight",
    "glint_radius_px",
    "zone_area_px",
    "n_lines",
    "flags",
}
COMPARISON = {
    "format",
    "version",
    "correction_percent",
    "before",
    "after",
    "registration",
    "lines",
    "flags",
}
REGISTRATION = {"before", "after", "residual_px", "overlap", "homography_after_to_before"}
KINDS = {"swirl", "deep_scratch", "machine_trail"}


def through_json(record: dict[str, Any]) -> dict[str, Any]:
    read: dict[str, Any] = json.loads(to_json(record))
    return read


def unregistered(comparison: Comparison) -> Comparison:
    found = replace(comparison.registration, registered=False, reason="nothing to hold on to")
    return replace(
        comparison,
        registrations=(found,),
        fates_before=[],
        fates_after=[],
        flags=(Flag.NOT_REGISTERED,),
    )


def test_score_has_the_keys_of_the_contract(state: PanelScore) -> None:
    record = through_json(of_score(state))
    assert set(record) >= SCORE
    assert record["format"] == "defectscan.score/1"
    assert record["version"] == __version__
    for key in ("line_density_mm_per_cm2", "line_density_per_px", "haze"):
        assert set(record[key]) == INTERVAL
    assert set(record["kinds"]) == KINDS
    assert all(set(kind) == INTERVAL for kind in record["kinds"].values())
    assert isinstance(record["grade"], int)
    assert isinstance(record["detection_limit_mm_per_cm2"], float)
    shot = record["shots"][0]
    assert set(shot) >= SHOT
    assert set(shot["highlight"]) == {"x_px", "y_px", "radius_px"}
    assert isinstance(shot["zone_area_px"], int)
    assert isinstance(shot["n_lines"], int)
    assert all(isinstance(flag, str) for flag in shot["flags"])
    assert all(set(flag) == {"name", "text", "advice"} for flag in record["flags"])


def test_score_in_figures(state: PanelScore, photos: RenderedPhotos) -> None:
    record = through_json(of_score(state))
    density = record["line_density_mm_per_cm2"]
    # Unrounded: what JSON says is the very number.
    assert density == {
        "value": state.line_density.value,
        "low": state.line_density.low,
        "high": state.line_density.high,
    }
    per_px = record["line_density_per_px"]
    for end in INTERVAL:
        assert per_px[end] == pytest.approx(density[end] * MM_PER_PX / 100)
    shot = record["shots"][0]
    assert shot["file"] == "1.jpg"
    assert len(shot["sha256"]) == 64
    assert (shot["width_px"], shot["height_px"]) == (1000, 750)
    assert shot["mm_per_px"] == pytest.approx(MM_PER_PX)
    truth = photos.states[0].shots[0].highlight_xy_px
    assert (shot["highlight"]["x_px"], shot["highlight"]["y_px"]) == pytest.approx(truth, abs=5)
    assert shot["n_lines"] > 20
    assert 0 < shot["zone_area_px"] < 750_000


def test_a_reduced_photo_is_told_in_its_own_pixels(state: PanelScore) -> None:
    shot = state.shots[0]
    assert shot.shot.mm_per_px is not None
    own = shot.shot.mm_per_px / 2
    half = replace(shot, photo=replace(shot.photo, width_px=2000, height_px=1500, scale=0.5))
    record = through_json(of_score(replace(state, shots=(half,))))
    whole = through_json(of_score(state))
    one, other = record["shots"][0], whole["shots"][0]
    assert one["mm_per_px"] == pytest.approx(own)
    assert one["highlight"]["x_px"] == pytest.approx(2 * other["highlight"]["x_px"] + 0.5)
    assert one["highlight"]["radius_px"] == pytest.approx(2 * other["highlight"]["radius_px"])
    assert one["glint_radius_px"] == pytest.approx(2 * other["glint_radius_px"])
    assert one["zone_area_px"] == pytest.approx(4 * other["zone_area_px"], abs=2)
    # The same panel with half the millimetres to a pixel: half the length per area in pixels.
    assert record["line_density_per_px"]["value"] == pytest.approx(
        whole["line_density_per_px"]["value"] / 2
    )


def test_null_where_the_scale_is_unknown(unscaled: Comparison) -> None:
    record = through_json(of_score(unscaled.before))
    assert record["line_density_mm_per_cm2"] is None
    assert record["detection_limit_mm_per_cm2"] is None
    assert record["grade"] is None
    assert record["kinds"] == dict.fromkeys(KINDS)
    assert record["shots"][0]["mm_per_px"] is None
    assert record["line_density_per_px"]["value"] > 0
    assert "no_scale" in {flag["name"] for flag in record["flags"]}


def test_as_seen_has_no_highlight(photos: RenderedPhotos) -> None:
    record = through_json(of_score(score(photos.first_before, as_seen=True, mm_per_px=MM_PER_PX)))
    assert set(record) >= SCORE
    shot = record["shots"][0]
    assert shot["highlight"] is None
    assert shot["glint_radius_px"] is None
    assert record["haze"] is None
    assert record["grade"] is None
    assert record["line_density_mm_per_cm2"]["value"] > 0
    assert "as_seen" in {flag["name"] for flag in record["flags"]}


def test_comparison_has_the_keys_of_the_contract(comparison: Comparison) -> None:
    record = through_json(of_comparison(comparison))
    assert set(record) >= COMPARISON
    assert record["format"] == "defectscan.comparison/1"
    assert set(record["correction_percent"]) == INTERVAL
    for name in ("before", "after"):
        assert set(record[name]) >= SCORE
    assert len(record["registration"]) == 1
    registration = record["registration"][0]
    assert set(registration) >= REGISTRATION
    assert (registration["before"], registration["after"]) == ("1.jpg", "1.jpg")
    assert np.array(registration["homography_after_to_before"]).shape == (3, 3)
    assert 0 < registration["overlap"] <= 1
    assert registration["residual_px"] == comparison.registration.residual_px
    assert set(record["lines"]) == {"removed", "remaining", "new"}
    assert all(isinstance(n, int) for n in record["lines"].values())


def test_comparison_in_figures(comparison: Comparison) -> None:
    record = through_json(of_comparison(comparison))
    percent = comparison.correction.percent
    assert percent is not None
    assert record["correction_percent"] == {
        "value": percent.value,
        "low": percent.low,
        "high": percent.high,
    }
    assert record["correction_is_at_least"] is False
    by_kind = comparison.kind_corrections
    told = {kind.value: each.at_least for kind, each in by_kind.items()}
    assert record["kind_corrections_are_at_least"] == told
    matrix = np.array(record["registration"][0]["homography_after_to_before"])
    np.testing.assert_array_equal(matrix, comparison.own_homography(0))
    assert record["lines"]["removed"] == comparison.fates_before.count(Fate.REMOVED)
    assert record["lines"]["remaining"] == comparison.fates_after.count(Fate.REMAINING)
    assert record["lines"]["new"] == comparison.fates_after.count(Fate.NEW)


def test_lines_are_counted_as_the_report_draws_them(comparison: Comparison) -> None:
    # One more of the lines after is told to remain than of those before.
    first = comparison.fates_after.index(Fate.NEW) if Fate.NEW in comparison.fates_after else 0
    after = list(comparison.fates_after)
    after[first] = Fate.REMAINING
    found = replace(comparison, fates_after=after)
    registration = comparison_panel(found, title="").registration
    assert registration is not None
    drawn = [line.status for line in registration.lines]
    told = through_json(of_comparison(found))["lines"]
    assert told == {name: drawn.count(name) for name in ("removed", "remaining", "new")}


def test_null_where_not_registered(comparison: Comparison) -> None:
    record = through_json(of_comparison(unregistered(comparison)))
    assert set(record) >= COMPARISON
    assert record["registration"] is None
    assert record["lines"] is None
    assert record["registration_refused"] == "nothing to hold on to"


def test_null_where_lines_are_as_seen_and_not_followed(photos: RenderedPhotos, seen: Seen) -> None:
    found = compare(photos.first_before, photos.first_after, as_seen=True, seen=seen)
    record = through_json(of_comparison(found))
    assert len(record["registration"]) == 1
    assert record["registration_refused"] is None
    assert record["lines"] is None


def test_null_where_the_correction_is_undefined(comparison: Comparison) -> None:
    undefined = replace(comparison, correction=Correction(percent=None))
    record = through_json(of_comparison(undefined))
    assert record["correction_percent"] is None
    assert set(record) >= COMPARISON


def test_json_holds_no_number_that_is_none(comparison: Comparison) -> None:
    def check(value: object) -> None:
        if isinstance(value, dict):
            for part in value.values():
                check(part)
        elif isinstance(value, list):
            for part in value:
                check(part)
        elif isinstance(value, float):
            assert math.isfinite(value)

    text = to_json(of_comparison(comparison))
    check(json.loads(text))
    assert "NaN" not in text
    assert "Infinity" not in text
