"""`defectscan judge`: from the deck to the result, each step as a user would take it."""

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from defectscan.judging.key import read_key
from defectscan.workshop.book import open_book
from defectscan.workshop.book_entries import Grades
from tests.cli.commands import refused, well
from tests.conftest import MM_PER_PX, RenderedPhotos, Run
from tests.drawn_clip import painted, with_lamps, written

pytestmark = pytest.mark.usefixtures("here")

NAMES = ("deck.html", "deck_key.json", "deck.pdf")


def photos_in(folder: Path, count: int = 6) -> Path:
    folder.mkdir()
    for number in range(count):
        pixels = np.random.default_rng(number).integers(20, 30, (240, 320, 3), dtype=np.uint8)
        Image.fromarray(pixels).save(folder / f"secret_{number}.png")
    return folder


def sheet(folder: Path, rater: str, *, day: int, shift: int = 0) -> Path:
    """Type a sheet whose grades follow the photo, so that second showings agree."""
    _, told = read_key(folder / "deck_key.json")
    rows = [
        f"{rater},2026-05-{day:02},{number},{min(5, card % 6 + shift)}"
        for number, card in enumerate(told["cards"], start=1)
    ]
    path = folder / f"{rater}_{day}.csv"
    path.write_text("\n".join(["rater,date,photo,grade", *rows, ""]))
    return path


def saved(folder: Path, rater: str, *, when: str) -> Path:
    """Write what the page saves, every photo of grade 1."""
    _, deck = read_key(folder / "deck_key.json")
    grades = [{"card": card, "grade": 1} for card in range(1, len(deck["cards"]) + 1)]
    told = {"format": "defectscan.grades/1", "deck": deck["deck"], "rater": rater}
    told |= {"session": "s1", "finished_at": when, "grades": grades}
    path = folder / "grades.json"
    path.write_text(json.dumps(told))
    return path


def test_from_photos_to_the_result(run: Run, here: Path) -> None:
    photos = photos_in(here / "photos")
    deck = here / "deck"
    told = well(
        run("judge", "deck", photos, "--out", deck, "--no-measure", "--paper", "--repeats", "3")
    )
    assert "9 cards of 6 photos" in told
    assert sorted(p.name for p in deck.iterdir()) == sorted(NAMES)
    assert "secret" not in (deck / "deck.html").read_text(encoding="utf-8")
    assert "secret_0.png" in (deck / "deck_key.json").read_text(encoding="utf-8")
    refused(run("judge", "deck", photos, "--out", deck, "--no-measure"), "is there already")
    key = deck / "deck_key.json"
    sheets = [sheet(deck, "Ana", day=1), sheet(deck, "Ben", day=1, shift=1)]
    refused(run("judge", "grades", sheets[0]), "there is no job book")
    told = well(run("judge", "grades", *sheets, "--key", key))
    assert told == "Ana, 2026-05-01: 9 grades entered.\nBen, 2026-05-01: 9 grades entered.\n"
    told = well(run("judge", "grades", *sheets, "--key", key))
    assert told.count("there already") == 2
    sheet(deck, "Ana", day=1, shift=2)
    refused(run("judge", "grades", sheets[0], "--key", key), "--correct")
    assert "corrected" in well(run("judge", "grades", sheets[0], "--key", key, "--correct"))
    refused(run("judge", "grades", sheets[1]), "does not say its deck")
    ident = json.loads(key.read_text())["deck"]
    rows = sheets[1].read_text().splitlines()
    sheets[1].write_text("\n".join([f"deck,{rows[0]}", *(f"{ident},{row}" for row in rows[1:])]))
    assert "there already" in well(run("judge", "grades", sheets[1]))
    told = well(run("judge", "result", "--out", "report", "--json", "-"))
    record = json.loads(told)
    assert record["format"] == "defectscan.judging/1"
    assert [one["rater"] for one in record["raters"]] == ["Ana", "Ben"]
    assert record["raters"][0]["kappa_with_oneself"]["value"] == 1
    assert record["raters"][0]["kappa_with_value"]["value"] is None
    assert sorted(p.name for p in (here / "report").iterdir()) == [
        "result.html",
        "result.json",
        "result.pdf",
    ]
    refused(run("judge", "result", "--out", "report"), "is there already")
    (here / "job_book" / "judging_limits.toml").write_text("alpha = 0.1\n")
    assert "at least 0.1 (the workshop's own limit)" in well(run("judge", "result"))


def test_faults_in_any_file_leave_the_book_as_it_is(run: Run, here: Path) -> None:
    deck = here / "deck"
    well(run("judge", "deck", photos_in(here / "photos"), "--out", deck, "--no-measure"))
    good, bad = sheet(deck, "Ana", day=1), sheet(deck, "Ben", day=1)
    bad.write_text(bad.read_text() + "Ben,2026-05-01,1,3\n")
    refused(run("judge", "grades", good, bad, "--key", deck / "deck_key.json"), "graded twice")
    refused(run("judge", "result"), "no grades")


def test_a_conflict_in_the_second_deck_keeps_the_first_deck_out(run: Run, here: Path) -> None:
    photos = photos_in(here / "photos")
    files = []
    for name, seed in (("one", "1"), ("two", "2")):
        well(run("judge", "deck", photos, "--out", name, "--no-measure", "--seed", seed))
        well(
            run(
                "judge",
                "grades",
                sheet(here / name, "Ana", day=1),
                "--key",
                Path(name, "deck_key.json"),
            )
        )
        files.append(saved(here / name, "Ben", when="2026-05-02T08:00:00.000Z"))
    well(run("judge", "grades", files[1]))
    files[1].write_text(files[1].read_text().replace('"grade": 1', '"grade": 2'))
    refused(run("judge", "grades", *files), "--correct")
    with open_book(here / "job_book") as book:
        raters = [entry.content.rater for entry in book.current(Grades)]
    assert raters == ["Ana", "Ana", "Ben"]
    told = well(run("judge", "grades", *files, "--correct"))
    assert [line.split()[-1] for line in told.splitlines()] == ["entered.", "corrected."]


@pytest.mark.usefixtures("ahead_of_utc")
def test_a_session_is_told_with_the_day_it_had_here(run: Run, here: Path) -> None:
    well(run("judge", "deck", photos_in(here / "photos", 2), "--out", "deck", "--no-measure"))
    file = saved(here / "deck", "Ana", when="2026-05-31T12:30:00.000Z")
    told = well(run("judge", "grades", file, "--key", Path("deck", "deck_key.json")))
    assert told == "Ana, 2026-06-01: 3 grades entered.\n"


def test_a_rendered_deck_knows_the_truth(run: Run, here: Path) -> None:
    common = ("--rendered", "2", "--width", "400", "--range", "2", "70", "--out")
    told = well(run("judge", "deck", *common, here / "one", "--repeats", "1"))
    assert "3 cards of 2 photos" in told
    key, _ = read_key(here / "one" / "deck_key.json")
    assert [p.reference.source for p in key.photos if p.reference] == ["true"] * 2
    well(run("judge", "deck", *common, here / "two", "--practice"))
    assert [p.name for p in (here / "two").iterdir()] == ["deck.html"]
    told = well(run("judge", "deck", *common, here / "three", "--scale", "correction"))
    key, _ = read_key(here / "three" / "deck_key.json")
    values = [p.reference.value for p in key.photos if p.reference]
    assert len(values) == 2
    assert all(-5 <= value <= 100 for value in values)


@pytest.mark.parametrize(
    "arguments",
    [
        ("deck", "--rendered", "4", "--out", "x", "photos"),
        ("deck", "photos", "--out", "x", "--scale", "gloss"),
        ("deck", "photos", "--out", "x", "--practice", "--paper"),
        ("deck", "photos"),
        ("grades",),
        ("result", "photos"),
    ],
)
def test_wrong_usage_is_said_so(run: Run, here: Path, arguments: tuple[str, ...]) -> None:
    photos_in(here / "photos", 2)
    told = run("judge", *arguments)
    assert told.status == 2
    assert "Traceback" not in told.err
    assert not (here / "x").exists()


def test_a_deck_of_the_job_book(run: Run, here: Path) -> None:
    photos = photos_in(here / "photos", 2)
    well(run("job", "new", "Van"))
    well(run("job", "panel", "roof"))
    for number in range(2):
        well(run("job", "shots", photos / f"secret_{number}.png", "--no-measure"))
        well(run("job", "pass", "--pad", "foam"))
    told = well(run("judge", "deck", "--out", "deck", "--no-measure"))
    assert "3 cards of 2 photos" in told
    refused(run("judge", "deck", "--out", "deck2", "--scale", "correction"), "no compared states")


def test_clips_of_the_job_book_are_left_out_and_told(run: Run, here: Path) -> None:
    photos = photos_in(here / "photos", 2)
    clip = written(here / "door.mp4", (with_lamps(painted(), (200, 130)) for _ in range(9)))
    well(run("job", "new", "Van"))
    well(run("job", "panel", "door"))
    well(run("job", "shots", clip, "--no-measure"))
    refused(run("judge", "deck", "--out", "deck"), "a deck is made of photos")
    for number in range(2):
        well(run("job", "panel", f"wing {number}"))
        well(run("job", "shots", clip, photos / f"secret_{number}.png", "--no-measure"))
    told = well(run("judge", "deck", "--out", "deck", "--no-measure"))
    assert "3 cards of 2 photos" in told
    assert told.count("left out") == 1
    assert "- left out: job 1, door, before: it is a clip, and a deck is made of photos\n" in told


def test_the_instrument_by_repeated_shots(run: Run, here: Path, photos: RenderedPhotos) -> None:
    for state in ("before", "after"):
        for shot in (1, 2):
            target = here / "repeats" / "panel" / state / f"{shot}.jpg"
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes((getattr(photos, state) / f"{shot}.jpg").read_bytes())
    told = run(
        "judge", "result", "repeats", "--instrument", "--mm-per-px", MM_PER_PX, "--json", "i.json",
        "--out", "report",
    )  # fmt: skip
    assert "Repeatability:" in well(told)
    record = json.loads((here / "i.json").read_text())
    assert record["format"] == "defectscan.instrument/1"
    assert record["panels"] == 2
    assert record["repeatability_percent"]["degrees_of_freedom"] == 2
    densities = [shot["line_density_mm_per_cm2"] for shot in record["shots"]]
    truth = {s.name: s.panel.density_mm_per_cm2() for s in photos.states}
    for shot, density in zip(record["shots"], densities, strict=True):
        assert density == pytest.approx(truth[shot["panel"].split(", ")[1]], rel=0.4)
    assert (here / "report" / "result.pdf").exists()
    refused(run("judge", "result", here / "report", "--instrument"), "no repeated shots")
