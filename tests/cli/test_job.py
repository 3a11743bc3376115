"""`defectscan job`: a vehicle from arrival to export, one short command a step."""

import csv
import json
import re
import shlex
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from defectscan import pipeline
from defectscan.cli import job_options
from defectscan.errors import NotMeasurableError
from defectscan.version import __version__
from defectscan.workshop import comparable
from defectscan.workshop.book import open_book
from defectscan.workshop.book_entries import FilmReading, Job, Note, Pass, Result, Shot, State
from tests.cli.commands import plain_photo, refused, well
from tests.conftest import RenderedPhotos, Run
from tests.drawn_card import laid_on
from tests.workshop.polished_panel import Bench, score_record, told

pytestmark = pytest.mark.usefixtures("here", "looked_at_once")


def test_a_job_step_by_step(run: Run, here: Path) -> None:
    assert "Job 1 Red coupe started" in well(run("job", "new", "Red coupe"))
    assert "panel bonnet, painted metal" in well(run("job", "panel", "bonnet"))
    bumper = well(run("job", "panel", "bumper", "--material", "painted-plastic"))
    assert "painted plastic" in bumper
    photo = plain_photo(here / "1.png")
    told = well(run("job", "shots", photo, "--panel", "bonnet", "--no-measure"))
    assert "bonnet, before: 1 photo(s) kept." in told
    told = well(run("job", "film", "112", "114", "116", "--at", "left edge"))
    assert "bonnet: 3 reading(s), mean 114.0 µm" in told  # the last panel is the bonnet now
    told = well(run("job", "pass", "--machine", "rotary", "--pad", "wool", "--minutes", "12"))
    assert "bonnet: pass 1" in told
    told = well(run("job", "pass", "--same", "--pad", "foam"))
    assert "bonnet: pass 2" in told
    told = well(run("job", "shots", photo, "--no-measure"))
    assert "bonnet, after pass 2: 1 photo(s) kept." in told
    told = well(run("job", "shots", photo, "--no-measure", "--after-pass", "1"))
    assert "bonnet, after pass 1: 1 photo(s) kept." in told
    told = well(run("job", "shots", photo, "--no-measure", "--spot", "A"))
    assert "bonnet, spot A, before: 1 photo(s) kept." in told
    well(run("job", "note", "the owner wants it glossy"))
    shown = well(run("job", "list", "1"))
    for part in ("bumper", "after pass 2", "bonnet, spot A", "rotary", "112 114 116", "glossy"):
        assert part in shown
    with open_book(here / "job_book") as book:
        passes = [entry.content for entry in book.current(Pass)]
        assert [(p.machine, p.pad, p.time_min, p.who) for p in passes] == [
            ("rotary", "wool", 12, "tester"),
            ("rotary", "foam", 12, "tester"),
        ]
        assert len(book.current(State)) == 4
        assert {shot.content.file_name for shot in book.current(Shot)} == {"1.png"}


def test_corrections_keep_what_was_entered(run: Run, here: Path) -> None:
    well(run("job", "new", "Van"))
    well(run("job", "panel", "door"))
    well(run("job", "film", "11", "--at", "top", "--gauge", "own"))
    well(run("job", "film", "110", "--correct", "3"))
    well(run("job", "pass", "--pad", "wool"))
    well(run("job", "pass", "--correct", "5", "--polish", "fine"))
    well(run("job", "panel", "--correct", "2", "--material", "lamp-lens"))
    well(run("job", "new", "Blue van", "--correct", "1"))
    well(run("job", "note", "wrong job"))
    well(run("job", "note", "wrong panel", "--correct", "9"))
    assert "Entry 9 (note) is void (entry 11)" in well(run("job", "withdraw", "9"))
    shown = well(run("job", "list", "1"))
    assert "Blue van" in shown
    assert "lamp lens" in shown
    assert "110.0" in shown
    assert "wrong" not in shown
    history = well(run("job", "list", "--history"))
    for part in ("title Van", "title Blue van", "film um 11.0", "wrong job", "void: "):
        assert part in history
    with open_book(here / "job_book") as book:
        (reading,) = book.current(FilmReading)
        assert (reading.content.spot, reading.content.gauge) == ("top", "own")
        (one,) = book.current(Pass)
        assert (one.content.pad, one.content.polish) == ("wool", "fine")
    refused(run("job", "film", "1", "--correct", "5"), "entry 5 is a pass, not a film_reading")
    refused(run("job", "note", "x", "--correct", "99"), "no entry 99")
    refused(run("job", "withdraw", "99"), "no entry 99")
    told = well(run("job", "withdraw", "6"))
    assert "Entry 6 (pass) is void; what it corrected is in force again (entry 12)." in told
    assert "`job withdraw 5` makes the whole pass void." in told
    shown = well(run("job", "list", "1"))
    assert "fine" not in shown
    assert re.search(r"wool +5 *$", shown, re.MULTILINE)  # by its first entry, as all others
    well(run("job", "film", "109"))
    refused(run("job", "withdraw", "5"), "after the pass of entry 5 stand 1 film reading(s)")


def test_a_correction_takes_an_option_or_refuses_it(run: Run, here: Path) -> None:
    well(run("job", "new", "Van"))
    well(run("job", "panel", "door"))
    well(run("job", "panel", "roof"))
    well(run("job", "pass", "--panel", "door"))
    well(run("job", "film", "110"))
    well(run("job", "note", "chip"))
    well(run("job", "new", "Coupe"))
    well(run("job", "film", "--correct", "5", "--after-pass", "0"))
    well(run("job", "note", "chip", "--correct", "6", "--panel", "roof", "--job", "1"))
    with open_book(here / "job_book") as book:
        (reading,), (note,) = book.current(FilmReading), book.current(Note)
        assert (reading.content.film_um, reading.content.after_pass_id) == (110, None)
        assert (note.content.text, note.content.panel_id) == ("chip", 3)
        well(run("job", "film", "109", "--correct", "5", "--after-pass", "1"))
        (reading,) = book.current(FilmReading)
        assert (reading.content.film_um, reading.content.after_pass_id) == (109, 4)
        history = book.history()
        refused(run("job", "film", "--correct", "5", "--after-pass", "2"), "--after-pass is 2")
        refused(run("job", "note", "x", "--correct", "6", "--panel", "boot"), "no panels are call")
        refused(run("job", "pass", "--correct", "4", "--job", "2"), "entry 4 is not of job 2")
        for command in (
            ("film", "--correct", "5", "--panel", "roof"),
            ("film", "--correct", "5", "--spot", "A"),
            ("pass", "--correct", "4", "--same", "--panel", "roof", "--spot", "A"),
            ("new", "--correct", "1", "--from", "x.zip"),
        ):
            told = run("job", *command)
            assert told.status == 2
            assert (
                "cannot go with --correct, which changes what the entry itself says: leave"
                in told.err
            )
        assert book.history() == history


def test_what_is_void_is_not_corrected(run: Run) -> None:
    well(run("job", "new", "Van"))
    well(run("job", "panel", "door"))
    well(run("job", "pass"))
    well(run("job", "withdraw", "2"))
    says = "the panel of entry 2, which is void; what belongs to something void stays as it is; fi"
    refused(run("job", "pass", "--correct", "3", "--minutes", "5"), says)
    well(run("job", "withdraw", "4"))
    well(run("job", "pass", "--correct", "3", "--minutes", "5"))
    well(run("job", "withdraw", "3"))
    says = "entry 3 (pass) is void already, by entry 7; what is void can be put back; put it back w"
    refused(run("job", "pass", "--correct", "3", "--minutes", "6"), says)


def test_a_void_job_is_found_in_its_history(run: Run) -> None:
    well(run("job", "new", "Van"))
    well(run("job", "new", "Coupe"))
    well(run("job", "withdraw", "1"))
    assert re.search(r"3 .* void: .*title Van", well(run("job", "list", "1", "--history")))
    refused(
        run("job", "list", "1"), "job 1 is void, by entry 3; `job list 1 --history` alone shows"
    )
    refused(run("job", "list", "7"), "there is no job 7; the book holds 1 job(s)")
    assert "Coupe" in well(run("job", "list", "--history"))  # the only one that stands
    well(run("job", "withdraw", "3"))
    assert "Van" in well(run("job", "list", "1"))


def test_a_corrected_panel_keeps_a_name_of_its_own(run: Run) -> None:
    well(run("job", "new", "Van"))
    well(run("job", "panel", "door"))
    well(run("job", "panel", "roof"))
    well(run("job", "new", "Coupe"))
    well(run("job", "panel", "bonnet"))
    # It is the panel's own job that counts, whichever is the current one.
    refused(run("job", "panel", "DOOR ", "--correct", "3"), "job 1 has a panel DOOR  already")
    well(run("job", "panel", "bonnet", "--correct", "3"))
    well(run("job", "panel", "Bonnet", "--correct", "3"))
    well(run("job", "panel", "--correct", "3", "--material", "trim"))
    well(run("job", "film", "100", "--panel", "bonnet", "--job", "1"))


def test_photos_are_measured_with_their_method(
    run: Run, here: Path, photos: RenderedPhotos, monkeypatch: pytest.MonkeyPatch
) -> None:
    well(run("job", "new", "Van"))
    well(run("job", "panel", "door"))
    told = well(run("job", "shots", photos.first_before, "--mm-per-px", "0.1"))
    assert "Line density" in told
    assert "mm/cm²" in told
    well(run("job", "pass"))
    told = well(run("job", "shots", photos.first_after))  # of the same scale, if not told
    assert "Correction" in told
    assert "film thickness" in told
    with open_book(here / "job_book") as book:
        score, after, comparison = (entry.content for entry in book.current(Result))
    assert score.version == after.version == __version__
    assert score.settings == {"mm_per_px": 0.1, "as_seen": False, "seed": 0}
    assert comparison.sha256s == (*score.sha256s, *after.sha256s)
    assert comparison.record["format"] == "defectscan.comparison/1"
    assert [shot["file"] for shot in comparison.record["after"]["shots"]] == ["1.jpg"]
    assert [shot["sha256"] for shot in score.record["shots"]] == list(score.sha256s)
    asked = json.loads(well(run("score", photos.first_before, "--mm-per-px", "0.1", "--json", "-")))
    assert asked == score.record  # the book keeps what `score` would say
    shown = well(run("job", "list", "1"))
    assert "cannot be compared" not in shown
    # A newer version scores nothing by itself, and says what it cannot compare.
    monkeypatch.setattr("defectscan.workshop.measuring.__version__", "9.9")
    assert "cannot be compared" not in well(run("job", "list", "1"))
    well(run("job", "shots", "--again", "--after-pass", "0"))
    shown = well(run("job", "list", "1"))
    assert "first and last score cannot be compared" in shown
    assert f"versions 9.9 and {__version__}" in shown
    advice = "with `job shots --again --job 1 --panel door --after-pass 0`, then"
    assert advice in " ".join(shown.split())
    with open_book(here / "job_book") as book:
        again, *others = (entry.content for entry in book.current(Result))
        assert again.version == "9.9"
        assert again.record == score.record
        assert others == [after, comparison]
        versions = [e.content.version for e in book.history() if isinstance(e.content, Result)]
        assert versions == [__version__] * 3 + ["9.9"]  # the older score stays
    reasons = comparable.incomparable(again, after)
    assert len(reasons) == 1
    assert comparable.incomparable(score, after) == ()


def test_the_length_of_the_cards_ruler_is_told_once(
    run: Run, here: Path, photos: RenderedPhotos
) -> None:
    for name, photo in (("before", photos.first_before), ("after", photos.first_after)):
        picture = laid_on(np.asarray(Image.open(photo)), mm_per_px=0.28)
        Image.fromarray(picture).save(here / f"{name}.png", compress_level=1)
    well(run("job", "new", "Van"))
    well(run("job", "panel", "door"))
    (here / "wrong.png").write_bytes((here / "before.png").read_bytes() + b"\0")
    well(run("job", "shots", here / "wrong.png", "--card-mm", "199"))
    well(run("job", "withdraw", "4"))  # what was told, and measured, is not forgotten with it
    well(run("job", "shots", here / "before.png"))
    well(run("job", "pass"))
    well(run("job", "shots", here / "after.png"))
    with open_book(here / "job_book") as book:
        results = [entry.content for entry in book.current(Result)]
    assert [one.settings.get("card_mm") for one in results] == [199, 199, 199]
    (shot,) = results[1].record["shots"]
    assert shot["mm_per_px"] == pytest.approx(0.28 * 199 / 200, rel=0.01)


def test_a_test_spots_state_is_measured_again_by_the_spots_name(run: Run, here: Path) -> None:
    with open_book(here / "job_book", create=True) as book:
        bench = Bench(book)
        bench.spot("soft wool", 95)
        state = bench.view().test_spots[0].surface.states[1]
        assert state.score is not None
        bench.withdrawn_since(state.score)
    shown = well(run("job", "list", "1"))
    assert "bonnet, spot soft wool, after pass 1: 1 photo(s) in the figures were withdrawn" in shown
    again = "`job shots --again --job 1 --panel bonnet --spot 'soft wool' --after-pass 1`"
    assert again in " ".join(shown.split())


def test_an_advised_command_measures_the_state_that_it_was_advised_for(
    run: Run, here: Path, photos: RenderedPhotos
) -> None:
    well(run("job", "new", "Van"))
    well(run("job", "panel", "driver's door"))
    well(run("job", "shots", photos.first_before))
    well(run("job", "new", "Coupe"))
    well(run("job", "panel", "driver's door"))
    told = run("job", "next", "--job", "1")
    assert "the scale of driver's door, before, is not known" in told.err
    (advised,) = re.findall("`job (.*)`", told.err)
    arguments = shlex.split(advised.replace(" F", " 0.1"))
    shown = well(run("job", *arguments))
    assert shown.startswith("Job 1 Van, driver's door, before: 1 photo(s) there.\nLine density ")
    with open_book(here / "job_book") as book:
        (score,) = book.current(Result)
    assert (score.job_id, score.content.settings["mm_per_px"]) == (1, 0.1)


def test_figures_of_withdrawn_photos_are_not_listed(run: Run, here: Path) -> None:
    with open_book(here / "job_book", create=True) as book:
        bench = Bench(book)
        before, after = bench.course([200, 50])
        assert before is not None
        assert after is not None
        bench.compare(before, after, told(75))
        shown = well(run("job", "list", "1")).replace("\u00a0", " ")
        assert "50 mm/cm²" in shown
        assert "75 %" in shown
        bench.withdrawn_since(before)
        shown = well(run("job", "list", "1")).replace("\u00a0", " ")
        assert "bonnet, before: 1 photo(s) in the figures were withdrawn since. Measure" in shown
        assert "`job shots --again --job 1 --panel bonnet --after-pass 0`" in shown
        (shot,) = bench.view().surface.states[1].shots
        well(run("job", "withdraw", str(shot.id)))
        shown = well(run("job", "list", "1")).replace("\u00a0", " ")
        assert "50 mm/cm²" not in shown
        assert "75 %" not in shown
        assert "not measured" in shown


def test_a_comparison_with_older_figures_is_not_listed(run: Run, here: Path) -> None:
    with open_book(here / "job_book", create=True) as book:
        bench = Bench(book)
        before = bench.score(bench.state(), score_record(200))
        after = bench.score(bench.state(bench.polish()), score_record(50))
        bench.compare(before, after, {"value": 75.0, "low": 70.0, "high": 80.0})
    listed = well(run("job", "list", "1"))
    assert "75\N{NO-BREAK SPACE}% (70 to 80\N{NO-BREAK SPACE}%)" in listed
    assert "anew" not in listed
    with open_book(here / "job_book") as book:
        anew = replace(before.content, sha256s=(*before.content.sha256s, "0" * 64))
        book.correct(before.id, anew)
    listed = well(run("job", "list", "1"))
    assert "70 to 80" not in listed
    assert "not compared since" in listed
    assert "it or the state before was measured anew since they were compared" in listed
    assert "`job shots --again --job 1 --panel bonnet --after-pass 1`" in listed


def test_a_comparison_at_another_scale_is_not_listed(run: Run, here: Path) -> None:
    with open_book(here / "job_book", create=True) as book:
        bench = Bench(book)
        before, after = bench.course([200, 100])
        assert before is not None
        assert after is not None
        bench.compare(before, after, {"value": 75.0, "low": 70.0, "high": 80.0})
        settings = {**after.content.settings, "mm_per_px": 0.15}
        book.correct(after.id, replace(after.content, settings=settings))
    listed = well(run("job", "list", "1"))
    assert "not compared since" in listed
    assert "70 to 80" not in listed
    assert "it and the state before were not measured alike. Their scales are 0.1 and" in listed
    assert "--after-pass 0`, then `job shots --again" in " ".join(listed.split())


def test_the_correction_counts_from_the_first_state_with_a_result(run: Run, here: Path) -> None:
    with open_book(here / "job_book", create=True) as book:
        bench = Bench(book)
        before, after, last = bench.course([200, 100, 50])
        assert before is not None
        assert after is not None
        assert last is not None
        bench.compare(after, last, {"value": 50.0, "low": 47.0, "high": 53.0})
        assert "47 to 53" not in well(run("job", "list", "1"))
        book.withdraw(bench.view().surface.states[0].shots[0].id)
    assert "50\N{NO-BREAK SPACE}% (47 to 53\N{NO-BREAK SPACE}%)" in well(run("job", "list", "1"))


def test_places_in_other_capitals_are_listed_as_one(run: Run, here: Path) -> None:
    with open_book(here / "job_book", create=True) as book:
        Bench(book).readings({"Left": [100.0, 101.0], " left": [130.0], "": [90.0]})
    listed = well(run("job", "list", "1"))
    (left,) = re.findall(".*left.*", listed, re.IGNORECASE)
    assert left.split() == ["bonnet", "Left", "0", "100", "101", "130", "110.3"]
    assert re.search(r"bonnet +unnamed +0 +90 +90\.0", listed)


def test_what_cannot_be_measured_is_kept(run: Run, here: Path) -> None:
    well(run("job", "new", "Van"))
    well(run("job", "panel", "door"))
    told = run("job", "shots", plain_photo(here / "1.png"))
    assert told.status == 1
    assert "1 photo(s) kept." in told.out
    assert told.err.startswith("1.png: no highlight")
    assert told.err.count("\n") == 1
    told = run("job", "shots", here / "1.png", "--no-measure")
    assert "0 photo(s) kept, 1 there already" in well(told)
    with open_book(here / "job_book") as book:
        assert len(book.current(Shot)) == 1
        assert book.current(Result) == []


def test_photos_are_named_as_they_were_entered(
    run: Run, here: Path, photos: RenderedPhotos, monkeypatch: pytest.MonkeyPatch
) -> None:
    well(run("job", "new", "Van"))
    well(run("job", "panel", "door"))
    dark = plain_photo(here / "dark door.png")
    told = well(run("job", "shots", photos.first_before, dark, "--mm-per-px", "0.1"))
    assert "\n- set aside: dark door.png: no highlight" in told
    with open_book(here / "job_book") as book:
        (score,) = book.current(Result)
        (aside,) = score.content.record["set_aside"]
    assert aside["file"] == "dark door.png"
    assert aside["reason"].startswith("dark door.png: no highlight")

    def refuse(before: list[Path], *_: object, **__: object) -> None:
        raise NotMeasurableError(f"{before[1].name}: is odd", allowed="even", remedy="retake")

    monkeypatch.setattr(pipeline, "compare", refuse)
    well(run("job", "pass"))
    told = well(run("job", "shots", photos.first_after))
    assert "- Not compared with before: dark door.png: is odd; even; retake" in told


def test_results_that_cannot_be_compared() -> None:
    settings = {"mm_per_px": 0.1, "as_seen": False, "seed": 0}
    first = Result(
        state_id=1, version="1", settings=settings, sha256s=(), record={"format": "score"}
    )

    def other(**changes: object) -> Result:
        said = {"version": "1", "settings": settings, "record": {"format": "score"}, **changes}
        return Result(state_id=2, sha256s=(), **said)  # type: ignore[arg-type]

    assert comparable.incomparable(first, other(settings={**settings, "seed": 9})) == ()
    for changes, says in (
        ({"version": "2"}, "versions 1 and 2"),
        ({"settings": {**settings, "as_seen": True}}, "visible lines alone"),
        ({"settings": {**settings, "mm_per_px": None}}, "scale of only one"),
        ({"record": {"format": "comparison"}}, "One is a score and the other a comparison"),
        ({"settings": {**settings, "card_mm": 190.0}}, "given as 200 mm and 190 mm"),
    ):
        (reason,) = comparable.incomparable(first, other(**changes))
        assert says in reason


def test_scales_of_one_state_are_one(run: Run, here: Path) -> None:
    well(run("job", "new", "Van"))
    well(run("job", "panel", "door"))
    shots = ("job", "shots", "--no-measure")
    well(run(*shots, plain_photo(here / "1.png"), "--mm-per-px", "0.1"))
    second = plain_photo(here / "2.png", seed=2)
    refused(run(*shots, second, "--mm-per-px", "0.2"), "--mm-per-px is 0.2")
    well(run(*shots, second))
    told = well(run(*shots, "--again", "--mm-per-px", "0.3"))
    assert told == "Job 1 Van, door, before: 2 photo(s) there.\n"
    with open_book(here / "job_book") as book:
        assert [shot.content.mm_per_px for shot in book.current(Shot)] == [0.3, 0.3]


def test_export(run: Run, here: Path) -> None:
    for title in ("=Van", "Coupe"):
        well(run("job", "new", title))
        well(run("job", "panel", "door"))
        well(run("job", "film", "100", "101", "102"))
    well(run("job", "export", "film.csv", "--table", "film"))
    rows = list(csv.reader((here / "film.csv").read_text("utf-8-sig").splitlines()))
    assert [row[1] for row in rows] == ["vehicle", "Coupe", "Coupe", "Coupe"]
    well(run("job", "export", "all.csv", "--table", "film", "--all"))
    rows = list(csv.reader((here / "all.csv").read_text("utf-8-sig").splitlines()))
    assert [row[1] for row in rows][1] == "'=Van"
    well(run("job", "export", "all.xlsx", "--all"))
    assert zipfile.is_zipfile(here / "all.xlsx")
    well(run("job", "export", "all.zip", "--all"))
    refused(run("job", "export", "all.zip"), "is there already")
    well(run("job", "export", "folder", "--job", "1"))
    told = well(run("job", "new", "--from", "all.zip", "--book", "other"))
    assert "2 job(s) taken in from all.zip into other: 10 new entries." in told
    told = well(run("job", "new", "--from", "folder", "--book", "other"))
    assert "0 job(s) taken in from folder into other: 0 new entries." in told
    with open_book(here / "job_book") as first, open_book(here / "other") as second:
        assert first.history() == second.history()


def test_bad_input_gives_one_line(run: Run, here: Path) -> None:
    refused(run("job", "list"), "no job book")
    refused(run("job", "panel", "door"), "no job book")
    well(run("job", "new", "Van"))
    refused(run("job", "film", "100"), "has no panels")
    refused(run("job", "panel", " "), "name is empty")
    well(run("job", "panel", "door"))
    refused(run("job", "panel", "Door "), "has a panel Door  already")
    well(run("job", "panel", "door, rear"))
    refused(run("job", "film", "100", "--panel", "roof"), "no panels are called 'roof'")
    refused(run("job", "film", "100", "0"), "film_um is 0")
    refused(run("job", "film", "100", "nan"), "film_um is nan")
    refused(run("job", "film", "100", "--after-pass", "1"), "--after-pass is 1")
    refused(run("job", "pass", "--minutes", "-1"), "time_min is -1")
    refused(run("job", "pass", "--same"), "has had no pass yet")
    refused(run("job", "list", "7"), "no job 7")
    refused(run("job", "shots", "missing.jpg"), "missing.jpg")
    (here / "text.jpg").write_text("no photo")
    refused(run("job", "shots", plain_photo(here / "1.png"), "text.jpg"), "text.jpg")
    refused(run("job", "shots", "--again"), "no photos of")
    refused(run("job", "new", "--from", "text.jpg"), "text.jpg")
    with open_book(here / "job_book") as book:
        assert book.current(Shot) == []
        assert book.current(FilmReading) == []
        assert len(book.current(Job)) == 1


def test_a_refused_command_leaves_no_test_spot_behind(run: Run, here: Path) -> None:
    well(run("job", "new", "Van"))
    well(run("job", "panel", "door"))
    (here / "text.jpg").write_text("no photo")
    photo = plain_photo(here / "1.png")
    spot = ("--spot", "A")
    with open_book(here / "job_book") as book:
        before = book.history()
        refused(run("job", "film", "110", *spot, "--after-pass", "3"), "--after-pass is 3")
        refused(run("job", "film", "110", "0", *spot), "film_um is 0")
        refused(run("job", "pass", "--same", *spot), "has had no pass yet")
        refused(run("job", "pass", "--minutes", "-5", *spot), "time_min is -5")
        refused(run("job", "shots", photo, "text.jpg", *spot), "text.jpg")
        refused(run("job", "shots", photo, *spot, "--after-pass", "1"), "--after-pass is 1")
        assert book.history() == before
    well(run("job", "pass", *spot))
    assert "door, spot A, after pass 1: 1 photo" in well(
        run("job", "shots", photo, *spot, "--no-measure")
    )


@pytest.mark.parametrize(
    "arguments",
    [
        ("new",),
        ("shots",),
        ("shots", "1.png", "--again"),
        ("film",),
        ("film", "thick"),
        ("panel", "x", "--material", "wood"),
        ("export", "x.csv", "--table", "cats"),
        ("withdraw", "x"),
        ("polish",),
    ],
    ids=" ".join,
)
def test_wrong_usage(arguments: tuple[str, ...], run: Run) -> None:
    if arguments != ("new",):
        well(run("job", "new", "Van"))
    told = run("job", *arguments)
    assert told.status == 2
    assert "Traceback" not in told.out + told.err


def test_what_was_typed_cannot_steer_the_terminal(run: Run) -> None:
    well(run("job", "new", "[bold]x[/] \x1b[31mred \u202eevil"))
    told = well(run("job", "list"))
    assert "[bold]x[/] \\x1b[31mred \\u202eevil" in told
    assert "\x1b" not in told


def test_the_list_is_short_unless_asked(run: Run, here: Path) -> None:
    with open_book(here / "job_book", create=True) as book:
        book.add_all([Job(title=f"Van {number}") for number in range(1, 36)])
    told = well(run("job", "list"))
    assert "Van 35" in told
    assert "Van 5 " not in told
    assert "5 older jobs: --all lists them." in told
    assert "Van 5 " in well(run("job", "list", "--all"))


def test_the_shell_completes_names(here: Path) -> None:
    class Context:
        params: dict[str, object] = {}  # noqa: RUF012 - as typer's

    def completed(option: object, start: str) -> list[str]:
        return list(option.__metadata__[0].autocompletion(Context(), start))  # type: ignore[attr-defined]

    assert completed(job_options.Panel, "") == []  # no book yet
    with open_book(here / "job_book", create=True) as book:
        job = book.add(Job(title="Van"))
        from defectscan.workshop.book_entries import Panel  # noqa: PLC0415

        book.add_all([Panel(name=name) for name in ("Bonnet", "Boot", "Roof")], job_id=job.id)
    assert completed(job_options.Panel, "bo") == ["Bonnet", "Boot"]
    assert completed(job_options.Job, "") == ["1"]
    assert job_options.complete_material("paint") == ["painted-metal", "painted-plastic"]
