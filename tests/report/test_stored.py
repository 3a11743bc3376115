"""Stored records: every figure comes back as it was, and unknown stays unknown."""

import json
from dataclasses import replace
from typing import Any

import pytest

from defectscan.measurement.comparison import Correction
from defectscan.measurement.score import Interval
from defectscan.output import to_json
from defectscan.pipeline import Comparison
from defectscan.report import record, stored, words
from defectscan.report.assemble import comparison_panel
from defectscan.report.content import UNKNOWN
from defectscan.report.stored import Drawn


def kept(comparison: Comparison) -> dict[str, Any]:
    return json.loads(to_json(record.of_comparison(comparison)))


def test_a_stored_comparison_reads_as_it_was_measured(comparison: Comparison) -> None:
    told, panel = kept(comparison), comparison_panel(comparison, title="")
    assert stored.correction(told) == panel.correction
    assert stored.kind_corrections(told) == panel.kind_corrections
    assert stored.more_shots(told) == panel.more_shots
    assert stored.flags(told) == panel.flags
    after = stored.state(told["after"], names={}, drawn=Drawn())
    assert panel.after is not None
    assert after.line_density == panel.after.line_density
    assert after.kinds == panel.after.kinds
    assert (after.grade, after.haze) == (panel.after.grade, panel.after.haze)
    assert after.detection_limit == panel.after.detection_limit
    assert after.flags == panel.after.flags
    (photo,), (measured,) = after.photos, panel.after.photos
    area = measured.zone_area_cm2
    assert photo.zone_area_cm2 == pytest.approx(area, rel=1e-4)  # stored in whole pixels
    assert replace(photo, zone_area_cm2=area) == measured


def test_without_a_scale_figures_are_of_the_photos_own_pixels(unscaled: Comparison) -> None:
    told = kept(unscaled)
    assert not stored.has_scale(told["before"])
    before = stored.state(told["before"], names={}, drawn=Drawn())
    assert before.line_density.value == told["before"]["line_density_per_px"]["value"]
    assert before.grade is None
    assert set(before.kinds) == {"swirl", "deep_scratch", "machine_trail"}


@pytest.mark.parametrize(
    "percent", [Interval(value=48, low=38, high=57), Interval(value=48, low=46, high=50), None]
)
def test_more_shots_that_would_not_do_stay_so(
    comparison: Comparison, percent: Interval | None
) -> None:
    found = replace(comparison, correction=Correction(percent=percent))
    told = kept(found)
    assert told["more_shots_for_3_points"] in (None, 0)
    assert list(stored.more_shots(told)) == words.more_shots(found)
    del told["more_shots_for_3_points"]
    assert stored.more_shots(told) == ()


def test_unknown_is_not_zero(comparison: Comparison) -> None:
    bare = replace(comparison, correction=Correction(percent=None))
    assert stored.correction(kept(bare)) == UNKNOWN
    empty = stored.state({}, names={}, drawn=Drawn())
    assert (empty.line_density, empty.grade, empty.photos) == (UNKNOWN, None, ())
    odd = {"value": True, "low": None, "high": "3"}
    assert stored.estimate(odd) == UNKNOWN


def test_a_bounded_correction_stays_one() -> None:
    told = {"value": 99.0, "low": 96.0, "high": None}
    found = stored.correction({"correction_percent": told, "correction_is_at_least": True})
    assert found.at_least == 96.0


def test_bounded_corrections_by_kind_stay_so() -> None:
    told = {"value": 99.0, "low": 96.0, "high": 99.9}
    by_kind = {"swirl": told, "machine_trail": told, "deep_scratch": None}
    marks = {"swirl": True, "machine_trail": False, "deep_scratch": False}
    record = {"kind_corrections_percent": by_kind, "kind_corrections_are_at_least": marks}
    found = stored.kind_corrections(record)
    assert (found["swirl"].at_least, found["machine_trail"].at_least) == (96.0, None)
    assert found["deep_scratch"] == UNKNOWN
    # An older record does not say so: what is left under the detection limit does.
    density = {"value": 0.9, "low": 0.2, "high": 2.0}
    after = {
        "line_density_mm_per_cm2": {"value": 5.0, "low": 4.0, "high": 6.0},
        "detection_limit_mm_per_cm2": 1.1,
        "kinds": {"swirl": density, "machine_trail": density | {"value": 4.1}},
    }
    found = stored.kind_corrections({"kind_corrections_percent": by_kind, "after": after})
    assert (found["swirl"].at_least, found["machine_trail"].at_least) == (96.0, None)


def test_flags_of_another_version_keep_their_name() -> None:
    shot = {"sha256": "a", "flags": ["few_lines", "made_up"], "file": "x.jpg"}
    (photo,) = stored.state({"shots": [shot]}, names={}, drawn=Drawn()).photos
    assert photo.flags[0].advice
    assert (photo.flags[1].name, photo.flags[1].text) == ("made_up", "")


@pytest.mark.parametrize(
    "text",
    [
        "/some where/book/photos/aa/{}.jpg has no highlight",
        "book/photos/aa/{}.jpg has no highlight",
        "C:\\book\\photos\\aa\\{}.jpg has no highlight",
        "{} has no highlight",
    ],
)
def test_reasons_name_photos_as_they_were_entered(text: str) -> None:
    sha256 = "0123456789abcdef" * 4
    told = stored.with_entered_names(text.format(sha256), {sha256: "bonnet 1.jpg"})
    assert told == "bonnet 1.jpg has no highlight"
    assert stored.with_entered_names(text.format(sha256), {}) == "a photo has no highlight"


def test_a_name_in_a_reason_cannot_turn_or_swamp_the_page() -> None:
    kept = {"set_aside": [{"reason": "a\u202eb.jpg: dark."}, {"reason": "w" * 3000}]}
    turned, long = stored.set_aside(kept, {})
    assert turned == "ab.jpg: dark"
    assert len(long) <= 400
