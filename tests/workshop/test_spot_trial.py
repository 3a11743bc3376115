"""Test spots of the job book side by side."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from defectscan.output import to_json
from defectscan.workshop.book import open_book
from defectscan.workshop.book_entries import BookError, TestSpot
from defectscan.workshop.evidence import UnusableFiguresError
from defectscan.workshop.outlook import WorkshopLimits
from defectscan.workshop.spot_trial import (
    SpotTrial,
    compare_test_spots,
    spots_in_order,
    spots_record,
)
from defectscan.workshop.spots import SpotAnswer
from tests.workshop.polished_panel import Bench, score_record

LIMITS = WorkshopLimits(target_correction_percent=80)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with open_book(tmp_path / "book", create=True) as book:
        yield Bench(book)


def tried(bench: Bench, *names: str, limits: WorkshopLimits = LIMITS) -> SpotTrial:
    panel = bench.view()
    spots = spots_in_order(panel, names)
    return compare_test_spots(panel, spots, limits, order_named=bool(names))


def test_the_gentlest_by_film_is_recommended(bench: Bench) -> None:
    bench.spot("wool", 95, film_um=3.0)
    bench.spot("foam", 90, film_um=1.2)
    bench.spot("soft foam", 40, film_um=0.4)
    trial = tried(bench)
    assert trial.comparison.recommended == "foam"
    assert trial.done["foam"] == "rotary, foam, medium"
    (foam,) = (row for row in trial.comparison.ranking if row.name == "foam")
    assert foam.film_um is not None
    assert foam.film_um.value == pytest.approx(1.2)
    record = json.loads(to_json(spots_record(trial, job_number=1)))
    assert [row["name"] for row in record["ranking"]] == ["wool", "foam", "soft foam"]
    assert record["recommended"] == "foam"


def test_the_order_named_counts_without_film(bench: Bench) -> None:
    bench.spot("wool", 95)
    bench.spot("foam", 92, film_um=1.0)
    assert tried(bench, "wool", "foam").comparison.recommended == "wool"
    assert tried(bench, "foam", "wool").comparison.recommended == "foam"


def test_without_film_and_order_nothing_is_the_gentlest(bench: Bench) -> None:
    bench.spot("wool", 95)
    bench.spot("foam", 92)
    bench.spot("soft foam", 79)
    comparison = tried(bench).comparison
    assert comparison.answer is SpotAnswer.NOT_ENOUGH_EVIDENCE
    assert comparison.recommended == ""
    assert comparison.reason.startswith("wool, foam reach the target of 80 %, but which is the ge")
    assert comparison.gentle_by == "not known"


def test_one_that_alone_reaches_needs_no_order(bench: Bench) -> None:
    bench.spot("soft foam", 79)
    bench.spot("wool", 95)
    trial = tried(bench)
    assert trial.comparison.recommended == "wool"
    assert not any("is gentler" in note for note in trial.notes)
    trial = tried(bench, "soft foam", "wool")
    assert any("soft foam is gentler and may reach" in note for note in trial.notes)


def test_the_order_kept_in_the_book_counts(bench: Bench) -> None:
    bench.spot("wool", 95, gentleness=2)
    bench.spot("foam", 92, gentleness=1)
    assert tried(bench).comparison.recommended == "foam"
    bench.add(TestSpot(panel_id=bench.panel_id, name="begun"))  # nothing to set beside them yet
    assert tried(bench).comparison.recommended == "foam"
    bench.spot("felt", 60)
    assert tried(bench).comparison.recommended == ""


def test_spots_that_cannot_count_are_named(bench: Bench) -> None:
    bench.spot("wool", 95)
    bench.spot("foam", 30)
    bench.spot("dull", None)
    bench.add(TestSpot(panel_id=bench.panel_id, name="bare"))
    trial = tried(bench)
    assert [row.name for row in trial.comparison.ranking] == ["wool", "foam"]
    assert "bare is left out: no pass is entered on it." in trial.notes
    assert any(note.startswith("dull is left out: its correction is undef") for note in trial.notes)


def test_without_a_stored_comparison_densities_count(bench: Bench) -> None:
    bench.spot("wool", 95)
    spot = bench.add(TestSpot(panel_id=bench.panel_id, name="foam"))
    bench.score(bench.state(spot=spot), score_record(200))
    bench.score(bench.state(bench.polish(spot=spot), spot=spot), score_record(100))
    trial = tried(bench)
    (foam,) = (row for row in trial.comparison.ranking if row.name == "foam")
    assert foam.correction_percent.value == pytest.approx(50)
    assert foam.correction_percent.low < 50 < foam.correction_percent.high
    assert any(note.startswith("foam: its states were not compared") for note in trial.notes)


def test_what_densities_under_the_detection_limit_leave_open_stays_open(bench: Bench) -> None:
    bench.spot("wool", 95)
    limits = {"faint": (300.0, 1.0), "clean": (1.0, 30.0)}
    for name, (before_limit, after_limit) in limits.items():
        spot = bench.add(TestSpot(panel_id=bench.panel_id, name=name))
        before = score_record(200.0, detection_limit_mm_per_cm2=before_limit)
        bench.score(bench.state(spot=spot), before)
        after = score_record(20.0, detection_limit_mm_per_cm2=after_limit)
        bench.score(bench.state(bench.polish(spot=spot), spot=spot), after)
    trial = tried(bench)
    assert trial.notes[0].startswith("faint is left out: its correction is undefined")
    (clean,) = (row for row in trial.comparison.ranking if row.name == "clean")
    assert clean.correction_percent.at_least
    assert clean.correction_percent.low == pytest.approx(87.5, abs=0.1)


def test_photos_withdrawn_since_are_told(bench: Bench) -> None:
    for name, share in (("wool", 95), ("foam", 30)):
        bench.spot(name, share)
    state = bench.view().test_spots[1].surface.states[1]
    assert state.score is not None
    bench.withdrawn_since(state.score)
    (note,) = (n for n in tried(bench).notes if n.startswith("foam, after pass 1: 1 photo(s) in"))
    assert note.endswith("`job shots --again --job 1 --panel bonnet --spot foam --after-pass 1`.")
    bench.book.withdraw(state.shots[0].id)
    with pytest.raises(UnusableFiguresError, match="foam is left out: it is not measured after"):
        tried(bench)


def test_a_target_density_is_held_against_the_density_after(bench: Bench) -> None:
    bench.spot("wool", 95)  # leaves 10 of 200 mm/cm2
    bench.spot("foam", 60)
    limits = WorkshopLimits(target_density_mm_per_cm2=30)
    trial = tried(bench, limits=limits)
    assert trial.comparison.answer is SpotAnswer.RECOMMENDED
    assert trial.comparison.recommended == "wool"


def test_too_few_are_refused(bench: Bench) -> None:
    with pytest.raises(UnusableFiguresError, match=r"0 test spot\(s\) of bonnet"):
        tried(bench)
    bench.spot("wool", 95)
    spot = bench.add(TestSpot(panel_id=bench.panel_id, name="foam"))
    bench.polish(spot=spot)
    with pytest.raises(
        UnusableFiguresError, match="foam is left out: it is not measured before"
    ) as no:
        tried(bench)
    assert "`--job 1 --panel bonnet --spot NAME`" in no.value.remedy
    with pytest.raises(BookError, match="no test spots are called 'x'"):
        tried(bench, "x")
    with pytest.raises(UnusableFiguresError, match="two test spots are called wool"):
        tried(bench, "wool", "wool")


def test_results_of_two_versions_are_refused(bench: Bench) -> None:
    bench.spot("wool", 95)
    spot = bench.add(TestSpot(panel_id=bench.panel_id, name="foam"))
    bench.score(bench.state(spot=spot), score_record(200), version="2.0")
    after = bench.state(bench.polish(spot=spot), spot=spot)
    bench.score(after, score_record(100), version="2.0")
    with pytest.raises(UnusableFiguresError, match=r"versions 1\.0 and 2\.0"):
        tried(bench)
