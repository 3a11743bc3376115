"""Sheets: what stands in the book, and no cell that a spreadsheet would run."""

import csv
import io
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest

from defectscan.workshop.book import open_book
from defectscan.workshop.book_entries import Job, Note, Shot, State
from defectscan.workshop.book_sheets import (
    NAMES,
    Cell,
    Sheet,
    harmless,
    sheets_of,
    to_csv,
    to_xlsx,
)
from defectscan.workshop.book_view import view_job
from tests.workshop.conftest import Clock
from tests.workshop.job_of_all_kinds import HOSTILE, enter_all_kinds
from tests.workshop.polished_panel import Bench, score_record

# The beginnings that OWASP's page "CSV Injection" names (from memory), and some behind blanks.
FORMULAS = [
    "=1+1",
    "+1",
    "-1",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    "\n=1",
    "  =1",
    "\uff1d1",
    '=cmd|"x"!A1',
]


def sheets(folder: Path) -> list[Sheet]:
    with open_book(folder, create=True, clock=Clock()) as book:
        job = enter_all_kinds(book, title="=van")
        (shot,), state = book.current(Shot), book.current(State)[-1]
        book.add(replace(shot.content, state_id=state.id), job_id=job.id)
        for text in (*FORMULAS, *HOSTILE, "plain", "5 - 3 = 2", 'quote " and , comma'):
            book.add(Note(text=text), job_id=job.id)
        return sheets_of([view_job(book, one) for one in book.current(Job)])


def test_the_tables_hold_what_stands(tmp_path: Path) -> None:
    tables = {sheet.name: sheet for sheet in sheets(tmp_path)}
    assert tuple(tables) == NAMES
    score, comparison = (
        dict(zip(tables["results"].columns, row, strict=True)) for row in tables["results"].rows
    )
    assert score["line_density_mm_per_cm2"] == 220.125
    assert (score["state"], score["compared_with"]) == ("after pass 1", "")
    assert score["program_version"] == "0.0.1"
    assert (comparison["compared_with"], comparison["correction_percent"]) == ("before", None)
    assert (score["correction_is_at_least"], comparison["correction_is_at_least"]) == (None, "no")
    assert (score["current"], score["n_photos_withdrawn_since"]) == ("yes", 0)
    (reading,) = tables["film"].rows
    assert dict(zip(tables["film"].columns, reading, strict=True))["film_um"] == 121.5
    assert [row[4] for row in tables["passes"].rows] == ["", "A"]
    assert (len(tables["shots"].rows), len(tables["decisions"].rows)) == (2, 1)


def test_results_that_list_and_report_disown_are_marked(tmp_path: Path) -> None:
    with open_book(tmp_path, create=True, clock=Clock()) as book:
        bench = Bench(book)
        before = bench.score(bench.state(), score_record(200))
        left = score_record(1, detection_limit_mm_per_cm2=2.0)
        after = bench.score(bench.state(bench.polish()), left)
        bench.compare(before, after, {"value": 99.5, "low": 97.0, "high": 99.9}, at_least=True)

        def rows() -> list[dict[str, Cell]]:
            sheet = sheets_of([view_job(book, bench.job)])[0]
            return [dict(zip(sheet.columns, row, strict=True)) for row in sheet.rows]

        first, last, comparison = rows()
        assert [row["detection_limit_mm_per_cm2"] for row in (first, last)] == [None, 2.0]
        assert comparison["correction_is_at_least"] == "yes"
        # A lower limit is no value, nor does anything bound it from above.
        names = ("correction_percent", "correction_low", "correction_high")
        assert [comparison[name] for name in names] == [None, 97.0, None]
        assert [row["current"] for row in (first, last, comparison)] == ["yes"] * 3
        bench.withdrawn_since(before)
        first, last, comparison = rows()
        assert [row["current"] for row in (first, last, comparison)] == ["yes", "yes", "no"]
        assert [row["n_photos_withdrawn_since"] for row in (first, last)] == [1, 0]


def test_csv_comes_back_with_its_formulas_neutralised(tmp_path: Path) -> None:
    for sheet in sheets(tmp_path):
        text = to_csv(sheet).decode("utf-8-sig")
        head, *rows = csv.reader(io.StringIO(text, newline=""))
        assert tuple(head) == sheet.columns
        for row, cells in zip(rows, sheet.rows, strict=True):
            assert row == ["" if cell is None else str(harmless(cell)) for cell in cells]
            for written, cell in zip(row, cells, strict=True):
                if isinstance(cell, str):
                    assert not written.lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r"))


@pytest.mark.parametrize("text", FORMULAS)
def test_formulas_are_made_harmless(text: str) -> None:
    assert harmless(text) == "'" + text


@pytest.mark.parametrize("cell", ["plain", "5 - 3", "", "'=", -3.5, 0, None, "ü"])
def test_other_cells_stay_as_they_are(cell: str | float | None) -> None:
    assert harmless(cell) == cell


def test_xlsx_holds_texts_and_numbers_and_no_formula(tmp_path: Path) -> None:
    tables = sheets(tmp_path)
    workbook = openpyxl.load_workbook(io.BytesIO(to_xlsx(tables)))
    assert tuple(workbook.sheetnames) == NAMES
    for sheet in tables:
        rows = list(workbook[sheet.name].iter_rows())
        assert tuple(cell.value for cell in rows[0]) == sheet.columns
        for row, cells in zip(rows[1:], sheet.rows, strict=True):
            for written, cell in zip(row, cells, strict=True):
                assert written.data_type in ("s", "n"), written.value
                assert written.hyperlink is None
                if isinstance(cell, (int, float)):
                    # A workbook keeps 16 digits.
                    assert written.value == pytest.approx(cell, rel=1e-15)
                elif isinstance(cell, str) and cell.isprintable():
                    assert (written.value or "") == harmless(cell)
