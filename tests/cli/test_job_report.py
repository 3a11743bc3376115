"""`defectscan job report`: one command for the customer's report, one for the shop's view."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image

from defectscan.version import __version__
from defectscan.workshop.book import open_book
from defectscan.workshop.book_entries import Result
from tests.cli.commands import plain_photo, refused, well
from tests.conftest import RenderedPhotos, Run
from tests.workshop.polished_panel import Bench
from tests.workshop.test_shop_view import polished

pytestmark = pytest.mark.usefixtures("here", "looked_at_once")


def test_a_measured_vehicle_is_reported_with_its_stored_figures(
    run: Run, here: Path, photos: RenderedPhotos
) -> None:
    well(run("job", "new", "Grey saloon, invented"))
    well(run("job", "panel", "bonnet"))
    well(run("job", "shots", photos.first_before, "--mm-per-px", "0.1"))
    well(run("job", "pass", "--machine", "rotary", "--pad", "wool", "--minutes", "12"))
    well(run("job", "shots", photos.first_after))
    well(run("job", "panel", "door"))
    well(run("job", "shots", plain_photo(here / "dark.png"), "--no-measure"))
    told = well(run("job", "report", "--out", "r", "--workshop", "A & B"))
    assert "Report: r/report.html" in told
    names = {"report.html", "report.pdf", "result.json", "overlay_1.jpg"}
    assert {path.name for path in (here / "r").iterdir()} == names
    html = (here / "r" / "report.html").read_text(encoding="utf-8")
    assert "A &amp; B" in html
    assert "What became of the lines" in html
    assert "found again" not in html  # the same version gives the same figures
    bonnet, door = json.loads((here / "r" / "result.json").read_text())["panels"]
    with open_book(here / "job_book") as book:
        (kept,) = [r for r in book.current(Result) if r.content.before_state_id is not None]
    # How to take more shots is for the workshop.
    assert kept.content.record["more_shots_for_3_points"] != 0
    assert "bonnet: " in told
    assert "ore shot" in told[told.index("bonnet: ") :]
    assert "ore shot" not in html
    percent = kept.content.record["correction_percent"]
    assert bonnet["measured"]["correction_percent"] == percent
    assert bonnet["measured"]["measured_again_for_pictures"]["correction_percent"] == percent
    assert door["measured"] is None
    assert "could not be measured: dark.png" in door["not_measured"][0]
    refused(run("job", "report", "--out", "r"), "is there already; nothing is written over")
    # An older version's figures stay, and the report says that they are older.
    older = {
        **kept.content.record,
        "correction_percent": {"value": 50.0, "low": 40.0, "high": 60.0},
    }
    with open_book(here / "job_book") as book:
        for result in book.current(Result):
            content = replace(result.content, version="0.0.1")
            if result.thing_id == kept.thing_id:
                content = replace(content, record=older)
            book.correct(result.thing_id, content)
    well(run("job", "report", "--out", "r", "--force"))
    html = (here / "r" / "report.html").read_text(encoding="utf-8").replace("\u00a0", " ")
    assert f"measured with version 0.0.1 of the program; this is version {__version__}" in html
    assert "the figure of this report is the stored one, 50 % (40 to 60 %)" in html


def test_without_pictures_nothing_is_measured(
    run: Run, here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_book(here / "job_book", create=True) as book:
        Bench(book).course([200, 130, 85], [110, 109, 108])

    def measured(*_: object, **__: object) -> None:
        raise AssertionError("nothing is to be measured")

    monkeypatch.setattr("defectscan.pipeline.compare", measured)
    told = well(run("job", "report", "--no-pictures", "--json", "f.json"))
    assert "Report: job_1_report/report.html" in told
    told = json.loads((here / "f.json").read_text())
    assert told == json.loads((here / "job_1_report" / "result.json").read_text())
    assert told["format"] == "defectscan.vehicle_report/1"
    refused(run("job", "report", "--job", "7"), "there is no job 7")


def test_name_and_logo_are_settings_of_the_book(run: Run, here: Path) -> None:
    with open_book(here / "job_book", create=True) as book:
        Bench(book)
    Image.new("RGB", (40, 20), "navy").save(here / "job_book" / "own.png")
    (here / "job_book" / "workshop.toml").write_text('name = "Own <b>name</b>"\nlogo = "own.png"\n')
    well(run("job", "report"))
    html = (here / "job_1_report" / "report.html").read_text(encoding="utf-8")
    assert "Own &lt;b&gt;name&lt;/b&gt;" in html
    assert "data:image/png;base64," in html
    (here / "own.svg").write_text("<svg/>")
    refused(run("job", "report", "--logo", "own.svg", "--force"), "cannot be read")


def test_the_shops_view(run: Run, here: Path) -> None:
    with open_book(here / "job_book", create=True) as book:
        for left in (20.0, 30.0, 25.0):
            polished(book, left)
        polished(book, 10.0, pads=("foam\x1b[31m",))
    told = well(run("job", "report", "--all"))
    for part in ("Rotary, wool, cutting", "3 in 3 jobs", "too few passes", "not which is better"):
        assert part in told
    assert "\x1b" not in told
    assert list(here.iterdir()) == [here / "job_book"]
    record = json.loads(well(run("job", "report", "--all", "--json", "-")))
    assert record["format"] == "defectscan.shop_view/1"
    told = well(run("job", "report", "--all", "--out", "s"))
    assert "Report: s/report.html" in told
    assert (here / "s" / "report.pdf").read_bytes().startswith(b"%PDF-")
    refused(run("job", "report", "--all", "--out", "s"), "s/report.html is there already")
    assert run("job", "report", "--all", "--job", "1").status == 2
