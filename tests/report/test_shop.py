"""The shop's page: each combination with its interval, too few told, files written."""

import csv
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from defectscan.report.html import page_html
from defectscan.report.letterhead import Letterhead
from defectscan.report.shop import SHOP_FILES, shop_page, write_shop
from defectscan.workshop.book import Book, open_book
from defectscan.workshop.book_view import view_jobs
from defectscan.workshop.shop_view import view_shop
from tests.report.test_html import Reader
from tests.workshop.test_shop_view import polished

HOSTILE = '<script>alert("x")</script> {{ 7*7 }}'


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    with open_book(tmp_path / "book", create=True) as book:
        for left in (20.0, 30.0, 25.0):
            polished(book, left, film_um=2.0)
        polished(book, 10.0, pads=(HOSTILE,))
        yield book


def test_the_page_tells_each_combination(book: Book) -> None:
    page = Reader(page_html(shop_page(view_shop(view_jobs(book)), Letterhead(workshop="A & B"))))
    text = page.text
    assert [tag for tag, _ in page.tags].count("script") == 1
    for told in (
        "A & B",
        "What the passes brought",
        "Rotary, wool, cutting",
        "3 in 3 jobs",
        "70 % to 80 %",
        "90.0 %, too few passes",
        f"Rotary, {HOSTILE}, cutting",
        "which is better on one panel",
        "never orders a pass by itself",
    ):
        assert told in text


def test_files_are_written_whole(book: Book, tmp_path: Path) -> None:
    view = view_shop(view_jobs(book))
    write_shop(view, tmp_path / "out", letterhead=Letterhead(), force=False)
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(SHOP_FILES)
    told = json.loads((tmp_path / "out" / "result.json").read_text())
    assert told["format"] == "defectscan.shop_view/1"
    assert [each["n"] for each in told["combinations"]] == [3, 1]
    assert told["combinations"][1]["correction_percent"]["low"] is None
    with (tmp_path / "out" / "combinations.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["remark"] for row in rows] == ["", "too few"]
    assert float(rows[0]["correction_percent"]) == pytest.approx(
        told["combinations"][0]["correction_percent"]["value"]
    )


def test_an_empty_book_has_a_page(tmp_path: Path) -> None:
    with open_book(tmp_path / "book", create=True) as book:
        view = view_shop(view_jobs(book))
    page = Reader(page_html(shop_page(view, Letterhead())))
    assert "No pass was measured both before and after it yet." in page.text
