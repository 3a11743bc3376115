"""`defectscan job next` and `job spots`: every case ends in an answer or in one clear line."""

import json
import re
from pathlib import Path

import pytest

from defectscan.cli import job_next
from defectscan.workshop.answer import Answer
from defectscan.workshop.book import open_book
from defectscan.workshop.book_entries import Decision, State, TestSpot
from tests.cli.commands import refused, well
from tests.conftest import Run
from tests.workshop.polished_panel import Bench, score_record

pytestmark = pytest.mark.usefixtures("here")

TARGET = ("--target-density", "40", "--reserve", "90", "--largest-removal", "12")


def test_next_says_answer_reason_figures_notes_and_cautions(run: Run, here: Path) -> None:
    with open_book(here / "job_book", create=True) as book:
        Bench(book).course([200, 130, 85], [110, 109, 108])
    told = well(run("job", "next", *TARGET))
    for part in (
        "Job 1 Grey saloon, invented, bonnet, after pass 2\nAnother pass\nDensity 85 mm/cm2",
        "Film it would take off",
        "Thinnest spot after it",
        "\nNotes\n",
        "\nCautions\n- A photo cannot see film thickness",
        "Edges",
    ):
        assert part in told
    assert "not the workshop's own" not in told
    assert well(run("job", "next", *TARGET)) == told  # the same seed, the same figures
    told = well(run("job", "next"))
    assert "Limits not the workshop's own" in told
    assert "Reserve: 80 um" in told
    (here / "job_book" / "limits.toml").write_text("target_density_mm_per_cm2 = 100\n")
    assert "\nDone\n" in well(run("job", "next"))
    (here / "job_book" / "limits.toml").write_text("target = 100\n")
    refused(run("job", "next"), "limits.toml says target = 100")


def test_json_and_picture_are_written(run: Run, here: Path) -> None:
    with open_book(here / "job_book", create=True) as book:
        Bench(book).course([200, 130, 85], [110, 109, 108])
    record = json.loads(well(run("job", "next", *TARGET, "--json", "-")))
    assert record["format"] == "defectscan.next_pass/1"
    assert record["answer"] == "another pass"
    assert (record["job"], record["panel"], record["state"]) == (1, "bonnet", "after pass 2")
    assert record["expectation"]["density_mm_per_cm2"]["value"] == 85
    well(run("job", "next", *TARGET, "--json", "f.json", "--out", "f.svg"))
    assert json.loads((here / "f.json").read_text()) == record
    assert (here / "f.svg").read_text().startswith("<svg ")
    refused(run("job", "next", "--out", "f.svg", "--take", "stop"), "f.svg is there already")
    assert run("job", "next", "--out", "f.png").status == 2
    with open_book(here / "job_book") as book:
        assert book.current(Decision) == []  # nothing is decided by asking


def test_a_decision_is_kept_with_the_figures_shown(run: Run, here: Path) -> None:
    with open_book(here / "job_book", create=True) as book:
        Bench(book).course([200, 130, 85], [110, 109, 108])
    told = well(run("job", "next", *TARGET, "--take", "another pass"))
    assert "Decided: another pass (entry " in told
    well(run("job", "next", *TARGET, "--take", "stop", "--because", "the owner is content"))
    outcome = run("job", "next", *TARGET, "--take", "stop", "--json", "-")
    assert outcome.status == 0
    assert "Decided: stop" in outcome.err
    record = json.loads(outcome.out)
    with open_book(here / "job_book") as book:
        first, second, third = (entry.content for entry in book.current(Decision))
        last_state = book.current(State)[-1].thing_id
    assert first.answer == "another pass"
    assert first.reason == record["reason"]
    assert first.figures == record
    assert first.state_id == last_state
    assert first.settings["limits"]["reserve_um"] == 90
    assert (second.answer, second.reason) == ("stop", "the owner is content")
    assert third.reason == ""  # the program said otherwise, and the technician gave none
    assert run("job", "next", "--because", "x").status == 2


def test_what_cannot_be_weighed_is_one_line(run: Run) -> None:
    refused(run("job", "next"), "there is no job book")
    refused(run("job", "spots"), "there is no job book")
    well(run("job", "new", "Van"))
    refused(run("job", "next"), "has no panels")
    well(run("job", "panel", "door"))
    refused(run("job", "next"), "door is not measured as it is now, before")
    refused(run("job", "spots"), "0 test spot(s) of door can be compared")
    refused(run("job", "next", "--panel", "roof"), "no panels are called 'roof'")
    refused(run("job", "next", "--reserve", "-1"), "reserve um is -1")
    refused(run("job", "next", "--target-correction", "nan"), "target correction is nan")
    two = ("--target-density", "40", "--target-correction", "80")
    refused(run("job", "next", *two), "two targets")
    assert run("job", "next", "--usual-cut", "0").status == 2
    assert run("job", "spots", "--keep-order").status == 2


def test_a_cut_that_is_no_number_is_refused(run: Run, here: Path) -> None:
    with open_book(here / "job_book", create=True) as book:
        Bench(book).course([200])
    refused(run("job", "next", "--usual-cut", "inf"), "the usual cut is inf")
    assert run("job", "next", "--usual-cut", "nan").status == 2


def test_no_scale_and_unlike_versions_are_one_line(run: Run, here: Path) -> None:
    with open_book(here / "job_book", create=True) as book:
        bench = Bench(book)
        bench.score(bench.state(), score_record(0.01, scale=False))
    refused(run("job", "next"), "scale of bonnet, before, is not known")
    with open_book(here / "job_book") as book:
        bench = Bench(book)
        bench.score(bench.state(), score_record(200))
        bench.score(bench.state(bench.polish()), score_record(85), version="2.0")
    refused(run("job", "next"), "versions 1.0 and 2.0")


def test_one_state_with_the_workshops_own_cut(run: Run, here: Path) -> None:
    with open_book(here / "job_book", create=True) as book:
        Bench(book).course([200])
    told = well(run("job", "next", *TARGET))
    assert re.search(r"^Film that is left +not known *$", told, re.MULTILINE)
    assert "The film thickness is unknown" in told
    told = well(run("job", "next", *TARGET, "--usual-cut", "1.5", "--out", "one.svg"))
    assert "workshop's own figure" in told
    assert "film taken off" in (here / "one.svg").read_text()


def test_spots_are_ranked_and_their_order_kept(run: Run, here: Path) -> None:
    with open_book(here / "job_book", create=True) as book:
        bench = Bench(book)
        bench.spot("wool \x1b[31m", 95)
        bench.spot("foam", 92)
    told = well(run("job", "spots", "--target-correction", "80"))
    assert "which is the gentlest is not known" in told
    assert "Recommended" not in told
    told = well(run("job", "spots", "wool", "foam", "--target-correction", "80"))
    assert "Recommended: wool \\x1b[31m (rotary, wool \\x1b[31m, medium)" in told
    assert "\x1b" not in told
    for part in ("foam", "92 % (", "not read", "reaches the target", "Notes", "Cautions"):
        assert part in told
    order = ("foam", "wool", "--keep-order")
    told = well(run("job", "spots", *order, "--target-correction", "80"))
    assert "Recommended: foam" in told
    told = well(run("job", "spots", "--target-correction", "80"))
    assert "Recommended: foam" in told
    with open_book(here / "job_book") as book:
        kept = {s.content.name: s.content.gentleness for s in book.current(TestSpot)}
        n_entries = len(book.history())
    assert kept == {"foam": 1, "wool \x1b[31m": 2}
    record = json.loads(well(run("job", "spots", "foam", "wool", "--json", "-")))
    assert record["format"] == "defectscan.test_spots/1"
    assert [row["name"] for row in record["ranking"]] == ["wool \x1b[31m", "foam"]
    with open_book(here / "job_book") as book:
        assert len(book.history()) == n_entries  # asking enters nothing
    refused(run("job", "spots", "x"), "no test spots are called 'x'")


def test_at_least_is_no_value(run: Run, here: Path) -> None:
    with open_book(here / "job_book", create=True) as book:
        bench = Bench(book)
        first, last = bench.course([200, 5])
        assert first is not None
        assert last is not None
        percent = {"value": 97.5, "low": 93.49, "high": 99.9}
        bench.compare(first, last, percent, at_least=True)
        bench.spot("soft", 70)
        bench.spot("hard", 95, at_least=True)
    told = well(run("job", "next", "--target-correction", "80"))
    assert "\nDone\nCorrection at least 93.4 % against the target of 80 %" in told
    assert re.search(r"^Correction so far +at least 93.4 % *$", told, re.MULTILINE)
    record = json.loads(well(run("job", "next", "--json", "-")))
    assert record["expectation"]["correction_percent"]["at_least"] is True
    told = well(run("job", "spots", "--target-correction", "80"))
    assert "correction at least 93.9 %." in told
    assert "95 %" not in told.replace("own 95 % interval", "")


def test_words_are_completed() -> None:
    assert list(Answer) == list(job_next.ANSWERS)
    assert job_next.complete_answer("f") == ["finer pass"]
