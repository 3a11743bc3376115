"""The deck on paper: an answer sheet, the scale, every photo by its number."""

import io

import pypdf

from defectscan.judging.paper import render_paper
from defectscan.judging.scale import Scale
from tests.judging.conftest import SECRET, deck_of


def pages(data: bytes) -> list[str]:
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(data)).pages]


def test_single_photos_on_paper() -> None:
    deck = deck_of([0, 1, 2, 3, 4, 5])
    data = render_paper(deck)
    told = pages(data)
    assert len(told) == 1 + 1 + 4  # answer sheet, scale, two photos a sheet
    assert "Answer sheet" in told[0]
    assert deck.ident in told[0]
    assert "considerable" in told[1]
    assert [text.split("\n")[:2] for text in told[2:]] == [
        ["1", "2"],
        ["3", "4"],
        ["5", "6"],
        ["7", "8"],
    ]
    assert SECRET not in "".join(told)
    assert data == render_paper(deck)


def test_pairs_and_a_long_deck_on_paper() -> None:
    pairs = pages(render_paper(deck_of([20, 60, 90], scale=Scale.CORRECTION, repeats=1)))
    assert len(pairs) == 1 + 2  # no scale; three pairs a sheet
    assert pairs[1].count("Before") == 3
    long = pages(render_paper(deck_of([i % 6 for i in range(50)], repeats=10)))
    assert len(long) == 2 + 1 + 30  # 60 rows take two answer sheets
    assert "60 0 1 2 3 4 5" in long[1].split("\n")
    assert ["Name" in text and "Date" in text for text in long[:3]] == [True, True, False]
