"""The customer's report: stored figures, gaps told, and typed text that breaks nothing."""

import io
import json
import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader

from defectscan import pipeline
from defectscan.errors import NotMeasurableError
from defectscan.output import to_json
from defectscan.pipeline import Comparison
from defectscan.report import record
from defectscan.report.drawn_again import as_taken
from defectscan.report.html import page_html
from defectscan.report.letterhead import Letterhead
from defectscan.report.marks import Label
from defectscan.report.page import Charts
from defectscan.report.pdf import page_pdf
from defectscan.report.vehicle import (
    VehicleReport,
    vehicle_files,
    vehicle_report,
    write_vehicle,
)
from defectscan.states import Seen
from defectscan.version import __version__
from defectscan.workshop.book import Book, open_book
from defectscan.workshop.book_entries import (
    FilmReading,
    Job,
    Material,
    Panel,
    Pass,
    Result,
    Shot,
    State,
    TestSpot,
)
from defectscan.workshop.book_view import view_job
from defectscan.workshop.outlook import WorkshopLimits
from tests.conftest import RenderedPhotos
from tests.drawn_clip import painted, with_lamps, written
from tests.report.test_html import Reader
from tests.workshop.polished_panel import Bench, score_record

HOSTILE = (
    '<script>alert("x")</script>',
    "\"'><img src=x onerror=alert(1)>",
    "{{ 7*7 }}{% raw %}{# note #}",
    "</style></title><b>bold</b>",
    "\u202egnp.exe \u2067turned",
    "\u05d3\u05dc\u05ea \u0628\u0627\u0628 door",
    "引擎盖 \U0001f697\U0001f468\u200d\U0001f527",
    "W" * 3000,
    "line\nbreak\ttab\rreturn",
    "nul\0 bell\x07 bad \udcff",
    "$a^2$ [b]x[/b] %s \\n &amp; &lt;",
)


def silent(_: str) -> None:
    pass


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    with open_book(tmp_path / "book", create=True, who="tester") as book:
        yield book


def report(book: Book, *, number: int = 1, pictures: bool = False, **head: Any) -> VehicleReport:
    return vehicle_report(
        book,
        view_job(book, book.job(number)),
        limits=WorkshopLimits(),
        letterhead=Letterhead(**head),
        pictures=pictures,
        progress=silent,
    )


def pdf_text(made: VehicleReport) -> str:
    pages = PdfReader(io.BytesIO(page_pdf(made.page))).pages
    return "".join("".join(page.extract_text().split()) for page in pages)


def plain_photo(seed: int) -> bytes:
    pixels = np.random.default_rng(seed).integers(20, 30, (240, 320, 3), dtype=np.uint8)
    data = io.BytesIO()
    Image.fromarray(pixels).save(data, "PNG")
    return data.getvalue()


def enter_measured(book: Book, comparison: Comparison, *, version: str = __version__) -> Bench:
    """Enter a panel whose stored figures are those of a comparison."""
    bench = Bench(book)
    states = [bench.state()]
    states.append(bench.state(bench.polish()))
    told = json.loads(to_json(record.of_comparison(comparison)))
    sha256s: list[str] = []
    for state, key in zip(states, ("before", "after"), strict=True):
        sha256 = book.keep_photo(plain_photo(len(sha256s)), suffix=".png")
        sha256s.append(sha256)
        bench.add(Shot(state_id=state.id, sha256=sha256, file_name=f"{key}.png", mm_per_px=0.1))
        told[key]["shots"][0]["sha256"] = sha256
    settings = {"mm_per_px": 0.1, "as_seen": False, "seed": 0}
    for state, key, sha256 in zip(states, ("before", "after"), sha256s, strict=True):
        result = Result(
            state_id=state.id,
            version=version,
            settings=settings,
            sha256s=(sha256,),
            record=told[key],
        )
        bench.add(result)
    bench.add(
        Result(
            state_id=states[1].id,
            before_state_id=states[0].id,
            version=version,
            settings=settings,
            sha256s=tuple(sha256s),
            record=told,
        )
    )
    return bench


def test_pictures_are_drawn_again_and_figures_are_the_stored_ones(
    book: Book, comparison: Comparison, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    enter_measured(book, comparison)
    asked: dict[str, Any] = {}

    def compare(before: list[Path], after: list[Path], **settings: Any) -> Comparison:
        asked.update(settings, photos=[*before, *after])
        return comparison

    monkeypatch.setattr(pipeline, "compare", compare)
    made = report(book, pictures=True)
    assert (asked["mm_per_px"], asked["as_seen"], asked["seed"]) == (0.1, False, 0)
    assert [path.suffix for path in asked["photos"]] == [".png", ".png"]
    page = Reader(page_html(made.page))
    for text in ("What became of the lines", "before.png", "What the figures rest on"):
        assert text in page.text
    for text in ("Remarks", "measured again", "not compared"):
        assert text not in page.text
    (panel,) = made.record["panels"]
    told = json.loads(to_json(panel["measured"]))
    stored = told["comparison"]["record"]["correction_percent"]
    assert told["correction_percent"] == stored
    assert told["measured_again_for_pictures"]["correction_percent"] == stored
    write_vehicle(made, tmp_path / "out", force=False)
    names = sorted(path.name for path in (tmp_path / "out").iterdir())
    assert names == ["overlay_1.jpg", "report.html", "report.pdf", "result.json"]
    assert sorted(vehicle_files(view_job(book, book.job(1)))) == names


def test_a_panel_as_seen_has_its_pictures(
    book: Book, photos: RenderedPhotos, seen: Seen, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = pipeline.compare(photos.first_before, photos.first_after, as_seen=True, seen=seen)
    enter_measured(book, found)
    monkeypatch.setattr(pipeline, "compare", lambda *_, **__: found)
    page = Reader(page_html(report(book, pictures=True).page))
    assert "Lines as seen are not followed one by one" in page.text


def test_a_figure_that_comes_out_otherwise_now_is_told_and_not_taken(
    book: Book, comparison: Comparison, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert comparison.correction.percent is not None
    enter_measured(book, comparison, version="0.0.1")
    other = replace(comparison.correction.percent, value=12.5, low=10.0, high=15.0)
    now = replace(comparison, correction=replace(comparison.correction, percent=other))
    monkeypatch.setattr(pipeline, "compare", lambda *_, **__: now)
    made = report(book, pictures=True)
    page = Reader(page_html(made.page))
    assert "measured with version 0.0.1 of the program" in page.text
    assert "gives a correction of 12 % (10 to 15 %)" in page.text
    assert "the figure of this report is the stored one" in page.text
    (panel,) = made.record["panels"]
    assert panel["measured"]["correction_percent"]["value"] == comparison.correction.percent.value
    assert page.text.count("12 % (10 to 15 %)") == 1


def test_photos_that_cannot_be_measured_again_are_shown_as_taken(
    book: Book, comparison: Comparison, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = enter_measured(book, comparison)
    sha256 = bench.view().surface.states[0].shots[0].content.sha256

    def refuse(photos: list[Path], *_: Any, **__: Any) -> Comparison:
        raise NotMeasurableError(f"{photos[0]} has no lamp", allowed="one", remedy="retake")

    monkeypatch.setattr(pipeline, "compare", refuse)
    made = report(book, pictures=True)
    page = Reader(page_html(made.page))
    assert "could not be measured again: before.png has no lamp." in page.text
    assert "As taken." in page.text
    assert sha256 not in page.text
    assert made.overlays == {}
    book.photo_path(sha256).write_bytes(b"altered")
    page = Reader(page_html(report(book).page))
    assert "A photo is missing from the book, or has been altered." in page.text
    assert "of the scratch length per area is gone" in page.text


def test_of_a_clip_the_frame_that_was_measured_is_shown(book: Book, tmp_path: Path) -> None:
    frames = (with_lamps(painted(), (90 + 75 * (k // 4), 135)) for k in range(20))
    clip = written(tmp_path / "door.mp4", frames)
    bench = Bench(book)
    state = bench.state()
    sha256 = book.keep_photo(clip.read_bytes(), suffix=".mp4")
    bench.add(Shot(state_id=state.id, sha256=sha256, file_name=clip.name))
    shots = [{"sha256": sha256, "file": clip.name, "frame": {"index": 10, "time_s": 1 / 3}}]
    told: dict[str, Any] = {"version": __version__, "settings": {}, "sha256s": (sha256,)}
    bench.add(Result(state_id=state.id, record=score_record(100, shots=shots), **told))
    (view,) = bench.view().surface.states
    image = as_taken(book, view, None, reason="").before.picture.image
    assert np.nonzero(image.min(axis=-1) > 250)[1].mean() == pytest.approx(90 + 75 * 2, abs=2)
    text = Reader(page_html(report(book).page)).text
    assert "As taken." in text
    assert "missing from the book" not in text


def test_what_was_entered_since_is_told(book: Book, comparison: Comparison) -> None:
    bench = enter_measured(book, comparison)
    state = bench.view().surface.states[0]
    shot = state.shots[0]
    book.correct(shot.thing_id, replace(shot.content, mm_per_px=0.2))
    bench.add(Shot(state_id=state.entry.thing_id, sha256=book.keep_photo(plain_photo(9))))
    bench.polish()
    text = Reader(page_html(report(book).page)).text
    for told in (
        "1 photo(s) of the state before are kept, but not in its figures",
        "the figures are those of the older scale",
        "it was polished again since",
        "Not photographed after pass 2.",
    ):
        assert told in text


@pytest.mark.usefixtures("ahead_of_utc")
def test_the_day_of_measuring_is_the_one_here(tmp_path: Path) -> None:
    late = datetime(2021, 5, 31, 12, 30, tzinfo=UTC)
    with open_book(tmp_path / "book", create=True, who="tester", clock=lambda: late) as book:
        bench = Bench(book)
        bench.score(bench.state(), score_record(100))
        text = Reader(page_html(report(book).page)).text
    assert "2021-06-01" in text
    assert "2021-05-31" not in text


def test_photos_that_were_withdrawn_are_told_and_not_shown(
    book: Book, comparison: Comparison, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = enter_measured(book, comparison)
    before, after = bench.view().surface.states
    assert after.score is not None
    bench.withdrawn_since(after.score)
    monkeypatch.delattr(pipeline, "compare")  # nothing is measured, for nothing would be drawn
    made = report(book, pictures=True)
    text = Reader(page_html(made.page)).text
    assert "1 photo(s) in the figures of the state after pass 1 were withdrawn since" in text
    assert "No lines are drawn, for photos in the figures were withdrawn since." in text
    assert made.record["panels"][0]["measured"]["last_state"] == "after pass 1"
    book.withdraw(after.shots[0].id)
    (panel,) = report(book).record["panels"]
    assert "Not photographed after pass 1." in panel["not_measured"]
    assert panel["measured"]["last_state"] is None
    assert panel["measured"]["correction_percent"] is None
    book.withdraw(before.shots[0].id)
    (panel,) = report(book).record["panels"]
    assert panel["measured"] is None


def test_states_that_were_not_compared_are_reckoned_and_told(book: Book) -> None:
    Bench(book).course([200, 130, 50], [110, 109, 107])
    made = report(book)
    text = Reader(page_html(made.page)).text
    assert "75 % (69 to 80 %)" in text
    assert "the correction is reckoned from their two densities" in text
    for told in ("State by state", "After pass 1", "Film thickness", "Thinnest spot", "rotary"):
        assert told in text
    assert "Not photographed" not in text


@pytest.mark.parametrize("density", [0.0, 0.4, 0.6])
def test_from_a_density_under_its_limit_no_correction_is_reckoned(
    book: Book, density: float
) -> None:
    bench = Bench(book)
    little = {"value": density, "low": 0.0, "high": 1.1}
    limit: dict[str, Any] = {"line_density_mm_per_cm2": little, "detection_limit_mm_per_cm2": 0.6}
    bench.score(bench.state(), score_record(9, **limit))
    bench.score(bench.state(bench.polish()), score_record(30, detection_limit_mm_per_cm2=0.5))
    made = report(book)
    text = Reader(page_html(made.page)).text
    assert "undefined (before, the panel was already under what these photos can show)" in text
    assert "reckoned" not in text
    assert made.record["panels"][0]["measured"]["correction_percent"] is None


@pytest.mark.parametrize("density", [0.0, 0.4, 0.6])
def test_of_a_density_that_falls_under_its_limit_the_least_is_reckoned(
    book: Book, density: float
) -> None:
    bench = Bench(book)
    little = {"value": density, "low": 0.0, "high": 2.0}
    limit: dict[str, Any] = {"line_density_mm_per_cm2": little, "detection_limit_mm_per_cm2": 0.6}
    bench.score(bench.state(), score_record(100, detection_limit_mm_per_cm2=0.5))
    bench.score(bench.state(bench.polish()), score_record(9, **limit))
    made = report(book)
    text = Reader(page_html(made.page)).text.replace("\N{NO-BREAK SPACE}", " ")
    assert "What is left is under the detection limit." in text
    assert "reckoned from their two densities" in text
    measured = made.record["panels"][0]["measured"]
    assert measured["correction_is_at_least"]
    percent = measured["correction_percent"]
    assert percent["value"] == pytest.approx(100 - density)
    assert percent["high"] == 100
    # Never more than the upper limit after leaves of the value before.
    assert 95 < percent["low"] <= 98
    assert f"at least {math.floor(percent['low'])} %" in text


def test_results_of_two_versions_give_no_correction(book: Book) -> None:
    bench = Bench(book)
    bench.score(bench.state(), {"line_density_mm_per_cm2": {"value": 9, "low": 8, "high": 10}})
    after = {"line_density_mm_per_cm2": {"value": 3, "low": 2, "high": 4}}
    bench.score(bench.state(bench.polish()), after, version="2.0")
    text = Reader(page_html(report(book).page)).text
    assert "undefined (the two results cannot be compared)" in text
    assert "They come from versions 1.0 and 2.0" in text


def test_every_gap_stands_on_the_cover(book: Book) -> None:
    bench = Bench(book, material=Material.LAMP_LENS)
    bench.add(Panel(name="door"))
    made = report(book)
    text = Reader(page_html(made.page)).text
    assert text.count("not measured") >= 2
    assert "0 of 2" in text
    assert "a paint gauge does not read on a lens" in text
    assert "nothing can be said of its paint" in text
    assert "nothing can be said of its paint".replace(" ", "") in pdf_text(made)
    empty = book.add(Job(title="Nothing yet"))
    assert empty.content.number == 2
    assert "No panel has been entered." in Reader(page_html(report(book, number=2).page)).text


def test_test_spots_are_ranked(book: Book) -> None:
    bench = Bench(book)
    bench.spot("soft", 70, gentleness=1)
    bench.spot("hard", 95, gentleness=2)
    bench.polish()
    text = Reader(page_html(report(book).page)).text
    assert "Recommended." in text
    assert "hard is the only one that surely reaches the target of 80 %" in text
    assert "Spot hard, pass 1" in text


def test_a_test_spot_with_nothing_left_is_at_least(book: Book) -> None:
    bench = Bench(book)
    bench.spot("soft", 70)
    bench.spot("hard", 95, at_least=True)
    text = Reader(page_html(report(book).page)).text.replace("\N{NO-BREAK SPACE}", " ")
    assert "the target of 80 %: correction at least 93.9 %." in text
    assert "at least 93 %" in text
    assert "95 %" not in text.replace("95 % interval", "")


def test_the_chart_of_the_panels_has_room_for_its_texts(book: Book) -> None:
    bench = Bench(book)
    for name, density in (("bonnet", 0.0), ("door", 30.0)):
        bench.panel_id = bench.add(Panel(name=name))
        little = {"value": density, "low": density, "high": density + 1}
        bench.score(bench.state(), score_record(9, line_density_mm_per_cm2=little))
        bench.score(bench.state(bench.polish()), score_record(100))
    (charts,) = [block for block in report(book).page.opening if isinstance(block, Charts)]
    drawing = charts.charts[0].drawing
    texts = [mark.text for mark in drawing.marks if isinstance(mark, Label)]
    assert texts[texts.index("bonnet") + 1] == "undefined"
    assert "an increase" not in " ".join(texts)
    assert "bonnet undefined (before, the panel was already under" in drawing.description
    assert "an increase" in drawing.description


def test_passes_and_film_readings_on_test_spots_are_told(book: Book) -> None:
    bench = Bench(book)
    spot = bench.add(TestSpot(panel_id=bench.panel_id, name="sill"))
    one = bench.polish(spot=spot)
    bench.add(Pass(panel_id=bench.panel_id, time_min=1))
    bench.readings({"": (110, 111, 109)}, spot=spot)
    bench.readings({"edge": (90.5, 95, 99)}, one, spot=spot)
    made = report(book)
    tiles = {
        tile.label: tile for block in made.page.opening for tile in getattr(block, "tiles", ())
    }
    assert tiles["Polishing passes"].value == "2"
    assert tiles["Polishing passes"].detail == "1 minute for 1 of them, 1 on test spots"
    assert tiles["Film readings"].value == "6"
    assert tiles["Film readings"].detail == "1 test spot, with 6 of them"
    page = Reader(page_html(made.page))
    assert "read on test spots alone (6 readings)" in page.text
    assert "Film thickness: not read" not in page.text
    for row in (
        ("sill", "Before", "unnamed", "110 (3 readings)", "109"),
        ("sill", "After pass 1", "edge", "94.83 (3 readings)", "90.5"),
    ):
        assert " ".join(row) in " ".join(page.texts)
    assert "how much there is on the rest of the panel is unknown" in page.text
    bench.readings({"left": (100, 101, 102)})
    page = Reader(page_html(report(book).page))
    assert "test spots alone" not in page.text
    assert "90.5" in page.text


@pytest.mark.parametrize("name", HOSTILE, ids=range(len(HOSTILE)))
def test_typed_text_breaks_neither_page_nor_sheet(book: Book, name: str) -> None:
    job = book.add(Job(title=name, about=name))

    def add(content: Any) -> int:
        return book.add(content, job_id=job.id).id

    panel = add(Panel(name=name))
    spot = add(TestSpot(panel_id=panel, name=name))
    for where in (None, spot):
        add(
            Pass(
                panel_id=panel, test_spot_id=where, who=name, machine=name, pad=name, polish=name,
                speed=name, section=name, time_min=5,
            )
        )  # fmt: skip
    for value in (101, 102, 103):
        add(FilmReading(panel_id=panel, film_um=value, spot=name, gauge=name))
    state = add(State(panel_id=panel))
    sha256 = book.keep_photo(plain_photo(1), suffix=".png")
    shot = book.add(Shot(state_id=state, sha256=sha256, file_name=name), job_id=job.id)
    kept = shot.content.file_name
    density = {"value": 9.0, "low": 8.0, "high": 10.0}
    add(
        Result(
            state_id=state,
            version=__version__,
            settings={},
            sha256s=(sha256,),
            record={
                "line_density_mm_per_cm2": density,
                "shots": [{"sha256": sha256, "file": kept, "width_px": 320, "height_px": 240}],
            },
        )
    )
    made = report(book, workshop=name)
    page = Reader(page_html(made.page))
    tags = [tag for tag, _ in page.tags]
    assert tags.count("script") == 1
    assert not {"b", "img"} & set(tags)
    assert "49" not in page.text
    assert not set("\u202e\u2067\0") & set(page.text)
    assert max(map(len, page.texts)) <= 1000
    assert made.page.title
    text = pdf_text(made)
    assert "Signatures" in text
    if name.isascii() and name.isprintable() and len(name) < 100:
        assert name in page.text
        assert "".join(name.split()) in text


def test_logo_and_name_stand_at_the_head(book: Book) -> None:
    Bench(book)
    data = io.BytesIO()
    Image.new("RGB", (40, 20), "navy").save(data, "PNG")
    made = report(book, workshop="A & B", logo=data.getvalue())
    page = Reader(page_html(made.page))
    assert page.texts[1] == "A & B"
    (source,) = page.values("src")
    assert source.startswith("data:image/png;base64,")
    reader = PdfReader(io.BytesIO(page_pdf(made.page)))
    assert len(reader.pages[0].images) == 1
    assert "A & B" in reader.pages[0].extract_text()
