"""From the job book to the rule of the next pass."""

import json
import math
from collections.abc import Iterator
from pathlib import Path

import pytest

from defectscan.errors import DefectscanError
from defectscan.output import to_json
from defectscan.workshop.answer import Answer
from defectscan.workshop.book import open_book
from defectscan.workshop.book_entries import Material
from defectscan.workshop.evidence import UnusableFiguresError
from defectscan.workshop.limits_file import LIMITS_FILE, workshop_limits
from defectscan.workshop.next_pass import NextPass, course_of, next_pass_record, weigh_next_pass
from defectscan.workshop.outlook import WorkshopLimits
from tests.workshop.polished_panel import Bench, score_record, told

LIMITS = WorkshopLimits(target_density_mm_per_cm2=40, reserve_um=90, largest_removal_um=12)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with open_book(tmp_path / "book", create=True) as book:
        yield Bench(book)


def weighed(bench: Bench, limits: WorkshopLimits = LIMITS) -> NextPass:
    return weigh_next_pass(bench.view(), limits, seed=1)


def test_states_carry_density_film_and_kinds(bench: Bench) -> None:
    first, *_ = bench.course([200, 130, 85], [110, 109, 108])
    course = course_of(bench.view())
    assert [state.name for state in course.states] == ["before", "after pass 1", "after pass 2"]
    assert [state.density_mm_per_cm2.value for state in course.states] == [200, 130, 85]
    films = [state.film for state in course.states]
    assert [film.mean_um.value for film in films if film] == pytest.approx([110, 109, 108])
    assert [film.thinnest_um.value for film in films if film] == pytest.approx([106, 105, 104])
    swirl = course.states[0].swirl_mm_per_cm2
    assert swirl is not None
    assert swirl.value == pytest.approx(180)
    assert course.states[0].machine_trail_mm_per_cm2 is None
    assert {state.made_by for state in course.states[1:]} == {"rotary, foam, medium; "}
    assert first is not None
    decision = weighed(bench).decision
    assert decision.answer is Answer.ANOTHER_PASS
    assert decision.expectation.thinnest_um is not None
    assert decision.expectation.thinnest_um.value == pytest.approx(104, abs=0.5)


def test_deep_scratches_are_taken_off_value_and_limits(bench: Bench) -> None:
    bench.score(bench.state(), score_record(100, scratch=30))
    course = course_of(bench.view())
    density = course.states[0].density_mm_per_cm2
    expected = told(100)
    assert (density.value, density.low, density.high) == pytest.approx(
        (expected["value"], expected["low"], expected["high"])
    )
    assert any("deep scratches (30 mm/cm2) left out" in note for note in course.notes)


def test_one_state_without_film_is_answered(bench: Bench) -> None:
    bench.course([200])
    result = weighed(bench)
    assert result.decision.answer is Answer.ANOTHER_PASS
    assert "film is unknown" in result.decision.reason
    assert result.decision.picture.predicted is None
    record = json.loads(to_json(next_pass_record(result, job_number=1)))
    assert record["answer"] == "another pass"
    assert record["expectation"]["next_density_mm_per_cm2"] is None
    assert record["states"][0]["film_mean_um"] is None
    assert record["limits"]["target_density_mm_per_cm2"] == 40
    assert record["limits"]["target_correction_percent"] is None


def test_the_stored_comparison_counts(bench: Bench) -> None:
    first, last = bench.course([200, 100])
    assert first is not None
    assert last is not None
    percent = {"value": 52.0, "low": 48.0, "high": 56.0}
    bench.compare(first, last, percent, at_least=True)
    course = course_of(bench.view())
    assert course.correction_percent is not None
    assert course.correction_percent.low == 48
    assert course.correction_percent.high == 100  # only the lower limit is known
    assert course.correction_percent.at_least
    assert course.notes == ()
    reason = weighed(bench, WorkshopLimits(target_correction_percent=40)).decision.reason
    assert reason.startswith("Correction at least 48 % against the target of 40 %")
    # Measured again from another photo, the state is no longer the one that was compared.
    state = bench.book.entry(last.content.state_id)
    bench.score(state, score_record(100))  # type: ignore[arg-type]
    course = course_of(bench.view())
    assert course.correction_percent is not None
    assert course.correction_percent.value == pytest.approx(50)
    assert course.correction_percent.high < 100
    assert any("reckoned from the two densities" in note for note in course.notes)
    assert any("1 photo(s) kept, but not in the figures" in note for note in course.notes)


@pytest.mark.parametrize("is_compared", [True, False])
def test_an_undefined_correction_is_not_reckoned(bench: Bench, *, is_compared: bool) -> None:
    limit = 0.5 if is_compared else 1.2
    before = score_record(1.0, detection_limit_mm_per_cm2=limit)
    first = bench.score(bench.state(), before)
    last = bench.score(bench.state(bench.polish()), score_record(0.1))
    if is_compared:
        bench.compare(first, last, None)
    result = weighed(bench, WorkshopLimits(target_correction_percent=80))
    assert result.decision.answer is Answer.NOT_ENOUGH_EVIDENCE
    assert result.decision.reason.startswith(
        "Correction undefined, too few lines were there before, so the target of 80 % says nothing"
    )
    expected = result.decision.expectation
    assert expected.correction_percent is None
    assert expected.next_correction_percent is None
    assert (expected.target_mm_per_cm2, expected.passes_to_target) == (None, None)
    assert result.decision.picture.target_mm_per_cm2 is None
    assert "The correction between before and after pass 1 is undefined: " in result.notes[0]
    # A target density needs no correction.
    by_density = weighed(bench, WorkshopLimits(target_density_mm_per_cm2=0.5)).decision
    assert by_density.answer is Answer.DONE
    assert by_density.expectation.correction_percent is None
    assert by_density.expectation.target_mm_per_cm2 is not None
    record = json.loads(to_json(next_pass_record(result, job_number=1)))
    assert record["expectation"]["correction_percent"] is None


def test_what_is_left_under_the_detection_limit_is_at_least(bench: Bench) -> None:
    bench.score(bench.state(), score_record(100))
    left = score_record(1.0, detection_limit_mm_per_cm2=1.1)
    bench.score(bench.state(bench.polish()), left)
    expected = weighed(bench).decision.expectation
    assert expected.correction_percent is not None
    assert expected.correction_percent.at_least
    assert expected.correction_percent.low < 99


def test_an_undefined_correction_does_not_hide_that_the_film_is_short(bench: Bench) -> None:
    first, last = bench.course([1.0, 0.1], [84, 83])
    assert first is not None
    assert last is not None
    bench.compare(first, last, None)
    assert weighed(bench, WorkshopLimits(target_correction_percent=80)).decision.answer is (
        Answer.STOP
    )


def test_a_pass_between_that_was_not_measured_is_left_open(bench: Bench) -> None:
    bench.course([200, None, 85], [110, 109, 108])
    result = weighed(bench)
    assert tuple(state.measured for state in result.course.states) == (True, False, True)
    assert [point.name for point in result.decision.picture.points] == ["before", "after pass 2"]
    assert any("not measured after pass 1" in note for note in result.notes)
    assert not any("has not lowered" in note for note in result.notes)
    # One of two passes brings 200 to 85: about the root of 85/200 stays after each.
    surviving = result.decision.expectation.surviving_percent
    assert surviving is not None
    assert surviving.low < 100 * math.sqrt(85 / 200) < surviving.high
    record = json.loads(to_json(next_pass_record(result, job_number=1)))
    assert record["states"][1]["density_mm_per_cm2"] is None


def test_a_pass_that_did_nothing_is_said_to(bench: Bench) -> None:
    bench.course([100, 99])
    assert any("has not lowered" in note for note in weighed(bench).notes)


def test_first_measured_after_a_pass_is_said(bench: Bench) -> None:
    bench.course([None, 130, 85])
    result = weighed(bench)
    assert [state.name for state in result.course.states] == ["after pass 1", "after pass 2"]
    (note,) = (note for note in result.notes if "first measured after pass 1" in note)
    assert "Film that the first pass took off is not in the figures" in note


def test_film_read_before_the_first_measured_state_counts(bench: Bench) -> None:
    bench.course([None, 200, 110], [110, 104.5, 103.5])
    limits = WorkshopLimits(target_correction_percent=80, largest_removal_um=6)
    result = weighed(bench, limits)
    assert [state.measured for state in result.course.states] == [False, True, True]
    assert result.decision.answer is Answer.STOP
    expected = result.decision.expectation
    assert expected.removed_um is not None
    assert expected.removed_um.value == pytest.approx(6.5, abs=0.1)
    # Correction and target count from the first measured state.
    assert expected.target_mm_per_cm2 is not None
    assert expected.target_mm_per_cm2.value == pytest.approx(40, rel=0.1)
    assert expected.correction_percent is not None
    assert expected.correction_percent.value == pytest.approx(45)
    picture = result.decision.picture
    assert [point.name for point in picture.points] == ["after pass 1", "after pass 2"]
    assert picture.points[0].along.value == pytest.approx(5.5, abs=0.1)
    assert picture.at[0] == pytest.approx(5.5, abs=0.1)
    assert picture.curve[0] == pytest.approx(200, rel=0.1)
    assert not any("not in the figures" in note for note in result.notes)


def test_a_thin_spot_read_on_arrival_counts_where_no_photo_was_taken(bench: Bench) -> None:
    bench.readings({"left": [70.0, 71.0, 70.0], "right": [95.0, 95.0, 96.0]})
    bench.score(bench.state(bench.polish()), score_record(200))
    result = weighed(bench)
    assert result.decision.answer is Answer.STOP
    assert result.decision.expectation.surviving_percent is None
    assert any("No pass between two measured states" in note for note in result.notes)


@pytest.mark.parametrize("densities", [[None], [200.0, None], [None, None]])
def test_a_panel_not_measured_as_it_is_now_is_refused(
    bench: Bench, densities: list[float | None]
) -> None:
    bench.course(densities)
    with pytest.raises(UnusableFiguresError, match="bonnet is not measured as it is now") as error:
        weighed(bench)
    assert error.value.remedy == "take some (`job shots PHOTO... --job 1 --panel bonnet`)"


def test_figures_of_withdrawn_photos_do_not_count(bench: Bench) -> None:
    first, *_ = bench.course([200, 130, 85])
    assert first is not None
    bench.withdrawn_since(first)
    note = "before: 1 photo(s) in the figures were withdrawn since; measure it again with `job "
    assert note + "shots --again --job 1 --panel bonnet --after-pass 0`." in weighed(bench).notes
    bench.book.withdraw(bench.view().surface.states[2].shots[0].id)
    with pytest.raises(UnusableFiguresError, match=r"now, after pass 2; .* measured after pass 1"):
        weighed(bench)


def test_no_scale_is_refused(bench: Bench) -> None:
    bench.score(bench.state(), score_record(0.01, scale=False))
    with pytest.raises(UnusableFiguresError, match="scale of bonnet, before, is not known"):
        weighed(bench)


def test_results_of_two_versions_are_refused(bench: Bench) -> None:
    bench.score(bench.state(), score_record(200), version="1.0")
    bench.score(bench.state(bench.polish()), score_record(85), version="2.0")
    with pytest.raises(UnusableFiguresError, match=r"compared: .*versions 1.0 and 2.0") as refused:
        weighed(bench)
    again = "`job shots --again --job 1 --panel bonnet --after-pass"
    both = f"{again} 0`, then {again} 1`"
    how = "in the same way and each with its scale (--mm-per-px)"
    assert refused.value.remedy == f"measure both again, {how}, with {both}"


def test_a_thin_spot_that_is_not_read_again_still_counts(bench: Bench) -> None:
    first = {"a": 110.0, "b": 111.0, "c": 109.0, "d": 112.0, "door edge": 91.0}
    bench.readings({place: [um] * 3 for place, um in first.items()})
    bench.course([100])
    after = bench.polish()
    bench.score(bench.state(after), score_record(60))
    del first["door edge"]
    bench.readings({place: [um - 1.5] * 3 for place, um in first.items()}, after)
    result = weighed(bench)
    assert result.decision.answer is Answer.STOP
    assert result.decision.expectation.thinnest_um is not None
    assert result.decision.expectation.thinnest_um.value == pytest.approx(89.5, abs=0.3)
    assert any(
        "before, the film at spot door edge (91 um). It counts" in note for note in result.notes
    )
    bench.readings({"door edge": [89.5] * 3}, after)
    again = weighed(bench)
    assert again.decision.answer is Answer.STOP
    assert not any("door edge (91 um)" in note for note in again.notes)


def test_film_spots_that_do_not_count_are_named(bench: Bench) -> None:
    bench.course([200], [110])
    bench.readings({"edge": [84.0, 85.0]})
    result = weighed(bench)
    (note,) = (note for note in result.notes if "edge" in note)
    assert "84, 85 um" in note
    assert "thinner than any spot that counts" in note
    film = result.course.states[0].film
    assert film is not None
    assert "edge" not in film.spots


@pytest.mark.parametrize(
    "readings",
    [
        {"a": [60.0], "b": [61.0]},
        {"a": [60.0, 60.0], "b": [130.0, 130.0, 131.0]},
        {"a": [60.0, 61.0, 75.0]},
        {"a": [60.0, 61.0, 62.0, 110.0, 111.0, 109.0]},
        {"a": [110.0, 111.0, 109.0, 60.0, 61.0, 62.0]},
    ],
)
def test_readings_near_the_reserve_that_make_no_spot_hold_a_pass_back(
    bench: Bench, readings: dict[str, list[float]]
) -> None:
    bench.course([200])
    bench.readings(readings)
    result = weighed(bench)
    assert result.decision.answer is Answer.NOT_ENOUGH_EVIDENCE
    assert "a (60 um, before)" in result.decision.reason
    assert "reserve of 90 um; take 3 readings that agree there" in result.decision.reason
    assert any("spot a (" in note and "read it again before" in note for note in result.notes)
    bench.score(bench.state(bench.polish()), score_record(130))
    assert weighed(bench).decision.answer is Answer.NOT_ENOUGH_EVIDENCE


@pytest.mark.parametrize("last_um", [104.5, 106, 108, 110, 130])
def test_film_that_reads_thicker_later_frees_nothing(bench: Bench, last_um: float) -> None:
    bench.course([200, 130, 85], [110, 104.5, last_um])
    result = weighed(bench, WorkshopLimits(target_density_mm_per_cm2=40, largest_removal_um=6))
    assert result.decision.answer is Answer.STOP
    expected = result.decision.expectation
    assert expected.removed_um is not None
    assert expected.removed_um.low > 5
    assert expected.thinnest_um is not None
    assert expected.thinnest_um.value < 101
    assert result.decision.picture.most_um is not None
    assert result.decision.picture.most_um.high < 6.01
    noted = any("thicker after pass 2 than before, and film does not" in n for n in result.notes)
    assert noted is (last_um > 104.5)


def test_film_that_reads_thicker_after_the_only_pass_counts_as_not_read(bench: Bench) -> None:
    bench.course([100, 45], [110, 115])
    result = weighed(bench, WorkshopLimits(target_density_mm_per_cm2=20, largest_removal_um=6))
    assert result.decision.answer is Answer.NOT_ENOUGH_EVIDENCE
    expected = result.decision.expectation
    assert expected.removed_um is not None
    assert expected.removed_um.low > 0
    assert expected.thinnest_um is not None
    assert expected.thinnest_um.value < 106


def test_a_spot_that_was_read_again_holds_no_pass_back(bench: Bench) -> None:
    bench.course([200], [110])
    bench.readings({"edge": [60.0]})
    after = bench.polish()
    bench.film(109, after)
    bench.score(bench.state(after), score_record(130))
    assert "edge (60 um, before)" in weighed(bench).decision.reason
    bench.readings({"edge": [108.0, 109.0, 108.0]}, after)
    assert weighed(bench).decision.answer is Answer.ANOTHER_PASS


def test_places_in_other_capitals_are_the_same_spot(bench: Bench) -> None:
    bench.course([200], [110])
    after = bench.polish()
    bench.score(bench.state(after), score_record(130))
    bench.readings({"LEFT": [105.0, 105.0], " left ": [105.0], "Rear": [112.0] * 3}, after)
    first, last = (state.film for state in course_of(bench.view()).states)
    assert first is not None
    assert last is not None
    assert sorted(last.spots) == ["left", "rear"]
    assert last.spots["left"].n_readings == 3
    assert first.mean_um.value - last.mean_um.value == pytest.approx(1)


def test_readings_at_one_bad_spot_alone_leave_the_film_unknown(bench: Bench) -> None:
    bench.course([200])
    bench.readings({"left": [110.0]})
    result = weighed(bench)
    assert result.course.states[0].film is None
    assert result.decision.answer is Answer.ANOTHER_PASS
    assert any("thickness is unknown" in caution for caution in result.decision.cautions)


def test_material_section_and_flags_are_told(tmp_path: Path) -> None:
    with open_book(tmp_path / "book", create=True) as book:
        bench = Bench(book, material=Material.PAINTED_PLASTIC)
        bench.course([200])
        flags = [{"name": "crowded", "text": "Lines crowd.", "advice": ""}]
        after = bench.state(bench.polish(section="left half"))
        bench.score(after, score_record(100, flags=flags))
        result = weighed(bench)
    assert any(caution.startswith("Painted plastic") for caution in result.decision.cautions)
    assert "Pass 1 covered a part only (left half)." in result.notes
    assert "after pass 1: Lines crowd." in result.notes


def test_limits_come_from_what_is_said_then_the_file(tmp_path: Path) -> None:
    assert workshop_limits(tmp_path, {}) == WorkshopLimits()
    (tmp_path / LIMITS_FILE).write_text("target_correction_percent = 70\nreserve_um = 95.5\n")
    limits = workshop_limits(tmp_path, {"usual_cut_um": 1.5, "reserve_um": None})
    assert (limits.correction_percent, limits.reserve) == (70, 95.5)
    assert limits.usual_cut_um is not None
    assert limits.usual_cut_um.value == 1.5
    limits = workshop_limits(tmp_path, {"target_density_mm_per_cm2": 40, "reserve_um": 90})
    assert (limits.target_density_mm_per_cm2, limits.correction_percent) == (40, None)
    assert limits.reserve == 90


@pytest.mark.parametrize(
    "text", ["reserve = 90", "reserve_um = '90'", "reserve_um = -1", "reserve_um = nan", "x", "[a]"]
)
def test_a_limits_file_that_says_nothing_usable_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / LIMITS_FILE).write_text(text)
    with pytest.raises(DefectscanError, match=r"correct limits\.toml"):
        workshop_limits(tmp_path, {})


def test_test_spots_of_the_panel_are_named(bench: Bench) -> None:
    bench.course([200, 130], [110, 109])
    assert weighed(bench).trial is None
    bench.spot("soft", 40, gentleness=1)
    alone = weighed(bench)
    assert alone.trial is None
    assert "not taken account of: 1 test spot(s)" in alone.trial_note
    assert alone.trial_note in alone.notes
    bench.spot("hard", 95, gentleness=2)
    result = weighed(bench, WorkshopLimits(target_correction_percent=80))
    assert result.notes[0].startswith(
        "The test spots of this panel recommend rotary, hard, medium, as on spot hard: "
    )
    record = json.loads(to_json(next_pass_record(result, job_number=1)))
    assert record["test_spots"]["recommended"] == "hard"
    assert record["test_spots"]["done"] == "rotary, hard, medium"
    strict = weighed(bench, WorkshopLimits(target_correction_percent=99.9))
    assert strict.trial_note.startswith("The test spots of this panel recommend nothing: None")
    record = json.loads(to_json(next_pass_record(strict, job_number=1)))
    assert record["test_spots"]["recommended"] is None
