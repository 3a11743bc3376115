"""The shop's view: what each combination brought, what was left out, and why."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from defectscan.output import to_json
from defectscan.workshop.book import Book, open_book
from defectscan.workshop.book_entries import Pass, Result
from defectscan.workshop.book_sheets import to_csv
from defectscan.workshop.book_view import view_job, view_jobs
from defectscan.workshop.evidence import log_share_left
from defectscan.workshop.pooling import pool_corrections
from defectscan.workshop.shop_view import (
    NOT_A_TRIAL,
    CombinationView,
    shop_record,
    shop_sheet,
    view_shop,
)
from defectscan.workshop.stored_figures import correction_figure
from tests.workshop.conftest import Clock
from tests.workshop.polished_panel import SETTINGS, VERSION, Bench, score_record, told


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    with open_book(tmp_path / "book", create=True, clock=Clock()) as book:
        yield book


def share(left: float) -> dict[str, float]:
    figure = told(left / 100, 0.1)
    return {
        "value": 100 * (1 - figure["value"]),
        "low": 100 * (1 - figure["high"]),
        "high": 100 * (1 - figure["low"]),
    }


def polished(
    book: Book,
    left: float,
    *,
    pads: tuple[str, ...] = ("wool",),
    minutes: float | None = 12.0,
    film_um: float | None = None,
    section: str = "",
    version: str = VERSION,
) -> Bench:
    """Enter a job whose panel was measured before and after some passes."""
    bench = Bench(book)
    before = bench.score(bench.state(), score_record(200.0), version=version)
    if film_um is not None:
        bench.film(110.0)
    last = 0
    for pad in pads:
        done = Pass(
            panel_id=bench.panel_id,
            machine="Rotary",
            pad=pad,
            polish="cutting",
            time_min=minutes,
            section=section,
        )
        last = bench.add(done)
    after = bench.score(bench.state(last), score_record(2 * left), version=version)
    if version == VERSION:
        bench.compare(before, after, share(left))
    if film_um is not None:
        bench.film(110.0 - film_um, last)
    return bench


def only(view_of: Book) -> CombinationView:
    (one,) = view_shop(view_jobs(view_of)).combinations
    return one


def test_all_jobs_at_once_read_as_each_by_itself(book: Book) -> None:
    for left in (20.0, 30.0):
        bench = polished(book, left, film_um=2.0)
        bench.spot("A", 60)
    one_by_one = [view_job(book, book.job(number)) for number in (1, 2)]
    assert view_jobs(book) == one_by_one


def test_a_combination_is_pooled_over_jobs(book: Book) -> None:
    for left in (20.0, 30.0, 25.0, 15.0):
        polished(book, left, film_um=2.0)
    one = only(book)
    assert (one.done, one.n, one.n_jobs, one.too_few) == ("Rotary, wool, cutting", 4, 4, False)
    figures = [correction_figure({"correction_percent": share(x)}) for x in (20, 30, 25, 15)]
    expected = pool_corrections([log_share_left(f, "") for f in figures if f is not None])
    assert one.correction_percent == expected
    assert (one.lowest_percent, one.highest_percent) == pytest.approx((70, 85))
    assert one.minutes_per_point is not None
    assert one.minutes_per_point.value == pytest.approx(4 * 12 / (80 + 70 + 75 + 85))
    assert one.film_um_per_point is not None
    assert one.film_um_per_point.value == pytest.approx(4 * 2 / (80 + 70 + 75 + 85))


def test_too_few_passes_say_so_and_stand_last(book: Book) -> None:
    polished(book, 5.0, pads=("best",))
    for left in (20.0, 30.0, 25.0):
        polished(book, left)
    view = view_shop(view_jobs(book))
    assert [each.done for each in view.combinations] == [
        "Rotary, wool, cutting",
        "Rotary, best, cutting",
    ]
    assert [each.too_few for each in view.combinations] == [False, True]
    assert view.combinations[1].correction_percent.low is None
    assert NOT_A_TRIAL in view.notes


def test_a_correction_that_is_at_least_is_told(book: Book) -> None:
    assert not any('"at least"' in note for note in view_shop(view_jobs(book)).notes)
    bench = Bench(book)
    bench.spot("wool", 95, at_least=True)
    notes = view_shop(view_jobs(book)).notes
    assert notes[0].startswith('1 correction(s) are "at least": ')


def test_passes_measured_together_count_as_one_treatment(book: Book) -> None:
    polished(book, 10.0, pads=("wool", "WOOL", "foam"))
    one = only(book)
    assert one.done == "2 times Rotary, wool, cutting; then Rotary, foam, cutting"
    assert one.minutes_per_point is not None
    assert one.minutes_per_point.value == pytest.approx(36 / 90)


def test_minutes_count_on_whole_panels_alone(book: Book) -> None:
    polished(book, 20.0, section="left half")
    assert only(book).minutes_per_point is None
    polished(book, 20.0, minutes=None)
    assert only(book).n_timed == 0
    bench = polished(book, 20.0)
    bench.spot("A", 80)
    whole = [c for c in view_shop(view_jobs(book)).combinations if "wool" in c.done]
    assert whole[0].n_timed == 1


def test_what_has_no_figure_is_told(book: Book) -> None:
    polished(book, 20.0).polish()  # a further pass, never photographed
    unsaid = Bench(book)
    before = unsaid.score(unsaid.state(), score_record(200.0))
    after = unsaid.add(Pass(panel_id=unsaid.panel_id))
    unsaid.compare(before, unsaid.score(unsaid.state(after), score_record(20.0)), share(10))
    undefined = Bench(book)
    before = undefined.score(undefined.state(), score_record(1.0))
    later = undefined.score(undefined.state(undefined.polish()), score_record(1.0))
    undefined.compare(before, later, None)
    seen = Bench(book)
    for state in (seen.state(), seen.state(seen.polish())):
        result = Result(
            state_id=state.id,
            version=VERSION,
            settings={**SETTINGS, "as_seen": True},
            sha256s=(),
            record=score_record(50.0),
        )
        seen.add(result)
    notes = " ".join(view_shop(view_jobs(book)).notes)
    for reason in (
        "1 pass(es) left out: not measured both before and after",
        "nobody entered machine, pad or polish",
        "the correction is undefined",
        "visible lines only",
    ):
        assert reason in notes


def test_versions_that_are_put_together_are_named(book: Book) -> None:
    polished(book, 20.0)
    polished(book, 30.0, version="9.9")  # not compared: reckoned from the two densities
    view = view_shop(view_jobs(book))
    assert view.combinations[0].n == 2
    assert any("versions 1.0, 9.9" in note for note in view.notes)


def test_record_and_sheet_hold_the_same_figures(book: Book) -> None:
    for left in (20.0, 30.0, 25.0):
        polished(book, left, pads=("=cmd()",))
    view = view_shop(view_jobs(book))
    assert '"format": "defectscan.shop_view/1"' in to_json(shop_record(view))
    sheet = shop_sheet(view)
    (row,) = sheet.rows
    assert len(row) == len(sheet.columns)
    told_of = dict(zip(sheet.columns, row, strict=True))
    assert told_of["correction_percent"] == view.combinations[0].correction_percent.value
    assert told_of["film_um_per_point"] is None
    assert b"Rotary, =cmd()" in to_csv(sheet)


def test_an_empty_book_has_an_empty_view(book: Book) -> None:
    view = view_shop(view_jobs(book))
    assert (view.combinations, view.n_jobs, view.notes) == ((), 0, ())
