"""The printed card: true size in every format, the marks where the finder takes them to be."""

import io
import re
import xml.etree.ElementTree as ET
from typing import Any

import cv2
import numpy as np
import pypdfium2
import pytest
from numpy.typing import NDArray
from PIL import Image
from pypdf import PdfReader

from defectscan.imaging.card_layout import FRAME_MM, HEIGHT_MM, RULER_MM, TAG_MM, TAGS, WIDTH_MM
from defectscan.report.card_sheet import card_page
from defectscan.report.vector_page import PAPERS_MM, Shape, Words, to_pdf, to_png, to_svg, width_of

Floats = NDArray[np.float64]
# ISO 216 and ANSI/ASME Y14.1, both from memory.
SIZES_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}


def detect(sheet: NDArray[np.uint8]) -> dict[int, Floats]:
    """Find marks with the library's own family and corners, knowing nothing of the card."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    quads, numbers, _ = cv2.aruco.ArucoDetector(family, settings).detectMarkers(sheet)
    found = [int(number) for number in np.ravel(numbers)]
    return {n: np.reshape(q, (4, 2)).astype(float) for n, q in zip(found, quads, strict=True)}


def rasterised(pdf: bytes, px_per_mm: int) -> NDArray[np.uint8]:
    """Rasterise finely and average, as the library widens what it fills to whole pixels."""
    document = pypdfium2.PdfDocument(pdf)
    bitmap = document[0].render(scale=4 * px_per_mm * 25.4 / 72, grayscale=True)
    sheet = np.array(bitmap.to_numpy(), dtype=np.uint8).squeeze()
    bitmap.close()
    document.close()
    size = (sheet.shape[1] // 4, sheet.shape[0] // 4)
    whole = sheet[: 4 * size[1], : 4 * size[0]]
    return np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def expected_px(paper: str, px_per_mm: float) -> dict[int, Floats]:
    middle = np.array(SIZES_MM[paper]) / 2
    return {t.number: (t.corners_mm() + middle) * px_per_mm - 0.5 for t in TAGS}


@pytest.mark.parametrize("paper", sorted(PAPERS_MM))
def test_the_pdf_is_of_the_papers_size_and_asks_for_no_scaling(paper: str) -> None:
    reader: Any = PdfReader(io.BytesIO(to_pdf(card_page(paper))))
    (page,) = reader.pages
    size = (float(page.mediabox.width), float(page.mediabox.height))
    assert np.allclose(np.array(size) / 72 * 25.4, SIZES_MM[paper], atol=0.01)
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"
    assert "/XObject" not in page["/Resources"] or not page.images  # vectors only


@pytest.mark.parametrize("paper", sorted(PAPERS_MM))
def test_the_marks_of_the_pdf_lie_where_the_layout_says(paper: str) -> None:
    px_per_mm = 6
    found = detect(rasterised(to_pdf(card_page(paper)), px_per_mm))
    expected = expected_px(paper, px_per_mm)
    assert sorted(found) == sorted(expected) == list(range(12))
    for number, corners in expected.items():
        assert np.abs(found[number] - corners).max() < 0.05 * px_per_mm, number


def test_the_marks_of_the_png_lie_there_too_and_it_carries_its_dpi() -> None:
    with Image.open(io.BytesIO(to_png(card_page("a4")))) as image:
        dpi = image.info["dpi"]
        assert np.allclose(dpi, 600, atol=0.1)
        assert np.allclose(np.array(image.size) / dpi * 25.4, SIZES_MM["a4"], atol=0.05)
        sheet = np.asarray(image.reduce(4))
    px_per_mm = 150 / 25.4
    found = detect(sheet)
    for number, corners in expected_px("a4", px_per_mm).items():
        assert np.abs(found[number] - corners).max() < 0.05 * px_per_mm, number


def test_the_svg_has_true_millimetres_and_the_same_marks() -> None:
    root = ET.fromstring(to_svg(card_page("a4")))  # noqa: S314 - our own
    assert (root.get("width"), root.get("height")) == ("210mm", "297mm")
    assert root.get("viewBox") == "0 0 210 297"
    polygons = [e for e in root if e.tag.endswith("polygon") and e.get("fill") == "#000000"]
    squares = []
    for polygon in polygons:
        points = np.array(re.findall(r"-?[\d.]+", polygon.get("points", "")), float).reshape(-1, 2)
        if np.allclose(np.ptp(points, axis=0), TAG_MM, atol=1e-3):
            squares.append(points.mean(axis=0) - (105, 148.5))
    assert np.allclose(squares, [(t.x_mm, t.y_mm) for t in TAGS], atol=1e-3)
    texts = "".join(e.text or "" for e in root if e.tag.endswith("text"))
    assert "Scale card" in texts


def test_the_ruler_is_as_long_as_it_says() -> None:
    left = (210 - WIDTH_MM) / 2
    ticks = [
        mark
        for mark in card_page("a4").marks
        if isinstance(mark, Shape)
        and np.ptp([y for _, y in mark.points]) < 0.3
        and min(x for x, _ in mark.points) == pytest.approx(left + 1.5)
    ]
    middles = sorted(float(np.mean([y for _, y in mark.points])) for mark in ticks)
    assert len(middles) == RULER_MM + 1
    assert np.allclose(np.diff(middles), 1.0)
    assert middles[-1] - middles[0] == pytest.approx(200)


def test_each_mark_has_a_module_of_white_round_it() -> None:
    px_per_mm = 8
    sheet = rasterised(to_pdf(card_page("a4")), px_per_mm)
    for corners in expected_px("a4", px_per_mm).values():
        (x0, y0), (x1, y1) = corners[0], corners[2]
        out, near = 1.8 * px_per_mm, 0.2 * px_per_mm
        rim = np.zeros(sheet.shape, dtype=bool)
        rim[round(y0 - out) : round(y1 + out), round(x0 - out) : round(x1 + out)] = True
        rim[round(y0 - near) : round(y1 + near) + 1, round(x0 - near) : round(x1 + near) + 1] = (
            False
        )
        assert sheet[rim].min() > 250


@pytest.mark.parametrize("paper", sorted(PAPERS_MM))
def test_nothing_leaves_the_paper_or_its_place(paper: str) -> None:
    width, height = SIZES_MM[paper]
    window = (WIDTH_MM - 2 * FRAME_MM, HEIGHT_MM - 2 * FRAME_MM)
    for mark in card_page(paper).marks:
        if isinstance(mark, Shape):
            for x, y in mark.points:
                assert 1.5 < x < width - 1.5
                assert 1.5 < y < height - 1.5
        elif mark.size_pt > 9 and not mark.turn_deg and mark.anchor == "start":
            end = mark.x_mm + width_of(mark.text, size_pt=mark.size_pt, bold=mark.bold)
            assert end < (width + window[0]) / 2, mark.text


def test_it_warns_of_dirty_paint_and_wants_matte_paper() -> None:
    marks = card_page("a4").marks
    text = " ".join(mark.text for mark in marks if isinstance(mark, Words)).lower()
    for words in ("matte", "actual size", "washed, dry, wiped", "scratches", "do not slide"):
        assert words in text


def test_the_same_bytes_every_time() -> None:
    for write in (to_pdf, to_svg):
        assert write(card_page("letter")) == write(card_page("letter"))
