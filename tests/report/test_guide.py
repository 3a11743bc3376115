"""The capture guide: one sheet, everything on it, nothing over anything else."""

import io

import numpy as np
import pypdfium2
import pytest
from pypdf import PdfReader

from defectscan.report.guide import CAUTIONS, SPOILERS, STEPS, TITLE, guide_page
from defectscan.report.vector_page import (
    MM_PER_PT,
    PAPERS_MM,
    Shape,
    Words,
    to_pdf,
    to_svg,
    width_of,
)

PAPERS = sorted(PAPERS_MM)


def box(words: Words) -> tuple[float, float, float, float]:
    """Return left, top, right and bottom of a line of text, as its letters stand."""
    length = width_of(words.text, size_pt=words.size_pt, bold=words.bold)
    high = 0.76 * words.size_pt * MM_PER_PT
    start = {"start": 0.0, "middle": -length / 2, "end": -length}[words.anchor]
    corners = np.array([(start, -high), (start + length, 0.2 * high)])
    angle = np.deg2rad(words.turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    placed = corners @ turn.T + (words.x_mm, words.y_mm)
    return (*placed.min(axis=0), *placed.max(axis=0))


@pytest.mark.parametrize("paper", PAPERS)
def test_one_sheet_with_all_its_texts(paper: str) -> None:
    reader = PdfReader(io.BytesIO(to_pdf(guide_page(paper))))
    (page,) = reader.pages
    text = "".join(page.extract_text().split())
    size = np.array([float(page.mediabox.width), float(page.mediabox.height)]) / 72 * 25.4
    assert np.allclose(size, PAPERS_MM[paper], atol=0.01)
    expected = [TITLE, *(part for step in STEPS for part in step[:2])]
    expected += [spoiler[0] for spoiler in SPOILERS] + [c for column in CAUTIONS for c in column]
    for part in expected:
        assert "".join(part.split()) in text, part


@pytest.mark.parametrize("paper", PAPERS)
def test_all_stays_on_the_paper(paper: str) -> None:
    width, height = PAPERS_MM[paper]
    for mark in guide_page(paper).marks:
        left, top, right, bottom = (
            box(mark)
            if isinstance(mark, Words)
            else (*np.min(mark.points, axis=0), *np.max(mark.points, axis=0))
        )
        assert left >= 8, mark
        assert top >= 8, mark
        assert right <= width - 8, mark
        assert bottom <= height - 8, mark


@pytest.mark.parametrize("paper", PAPERS)
def test_no_text_runs_over_another(paper: str) -> None:
    boxes = [(box(m), m.text) for m in guide_page(paper).marks if isinstance(m, Words)]
    for i, ((l0, t0, r0, b0), one) in enumerate(boxes):
        for (l1, t1, r1, b1), other in boxes[i + 1 :]:
            apart = r0 <= l1 or r1 <= l0 or b0 <= t1 or b1 <= t0
            assert apart, (one, other)


@pytest.mark.parametrize("paper", PAPERS)
def test_the_cautions_stay_in_their_frame(paper: str) -> None:
    marks = guide_page(paper).marks
    frame = next(m for m in marks if isinstance(m, Shape) and m.stroke == "warning")
    (left, top), (right, bottom) = np.min(frame.points, axis=0), np.max(frame.points, axis=0)
    inside = [m for m in marks if isinstance(m, Words) and m.y_mm > top]
    assert len(inside) > sum(len(column) for column in CAUTIONS)
    for words in inside:
        l0, t0, r0, b0 = box(words)
        assert left + 1 < l0 < r0 < right - 1, words.text
        assert top + 1 < t0 < b0 < bottom - 1, words.text


def test_it_can_be_read_from_a_metre() -> None:
    """From memory: an eye of normal sight tells 5 minutes of arc; half as much again is asked."""
    least_mm = 1000 * np.tan(np.deg2rad(7.5 / 60))
    for mark in guide_page("a4").marks:
        if isinstance(mark, Words) and mark.text[0] != "v":
            capital_mm = 0.73 * mark.size_pt * MM_PER_PT
            assert capital_mm > least_mm, mark.text


@pytest.mark.parametrize(
    "word",
    ["film thickness", "edges", "protect eyes", "ventilate", "safety data sheets", "local codes",
     "tape", "do not look into the lamp"],
)  # fmt: skip
def test_nothing_asked_for_is_left_out(word: str) -> None:
    text = " ".join(m.text for m in guide_page("a4").marks if isinstance(m, Words)).lower()
    assert word in text


def test_the_same_bytes_every_time_and_ink_on_the_sheet() -> None:
    pdf = to_pdf(guide_page("a4"))
    assert pdf == to_pdf(guide_page("a4"))
    assert to_svg(guide_page("a4")).startswith(b"<?xml")
    document = pypdfium2.PdfDocument(pdf)
    bitmap = document[0].render(scale=0.5, grayscale=True)
    sheet = np.array(bitmap.to_numpy()).squeeze()
    bitmap.close()
    document.close()
    assert 0.1 < (sheet < 128).mean() < 0.5
