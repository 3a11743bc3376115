"""The PDF: the page's content, selectable, the same bytes every time."""

import io
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, datetime

import numpy as np
import pytest
from pypdf import PdfReader

from defectscan.report import page as parts
from defectscan.report.compose import compose
from defectscan.report.content import Estimate, Flag, Panel, Picture, ReportContent, State
from defectscan.report.marks import Drawing, Label
from defectscan.report.pdf import page_pdf


def read(content: ReportContent) -> PdfReader:
    return PdfReader(io.BytesIO(page_pdf(compose(content))))


def squeezed(text: str) -> str:
    return "".join(text.split())


def text_of(content: ReportContent) -> str:
    return squeezed("".join(page.extract_text() for page in read(content).pages))


def texts_in(item: object) -> Iterator[str]:
    """Yield every text that a composed page shows."""
    if isinstance(item, str):
        yield item
    elif isinstance(item, Drawing):
        yield from (mark.text for mark in item.marks if isinstance(mark, Label))
    elif isinstance(item, tuple):
        for part in item:
            yield from texts_in(part)
    elif is_dataclass(item):
        hidden = {"ink", "key", "layers", "photo", "backdrops", "heat", "as_list", "small"}
        for field in fields(item):
            if field.name not in hidden:
                yield from texts_in(getattr(item, field.name))
        if isinstance(item, parts.Plates):
            yield from (label for _, label in item.key)
        if isinstance(item, parts.Plate) and item.heat is not None:
            yield from (label for _, label in item.heat.key)


@pytest.mark.parametrize("kind", ["registered", "unregistered", "one state"])
def test_all_that_the_page_says_stands_in_the_pdf(
    content: ReportContent, unregistered: Panel, one_state: Panel, kind: str
) -> None:
    other = {"unregistered": unregistered, "one state": one_state}.get(kind)
    content = replace(content, panels=(other,)) if other else content
    composed = compose(content)
    text = text_of(content)
    shown = [composed.title, composed.subtitle, *texts_in(composed.opening)]
    shown += texts_in(composed.chapters)
    assert len(shown) > 100
    for piece in shown:
        assert squeezed(piece) in text


def test_letters_beyond_ascii_can_be_selected(content: ReportContent) -> None:
    assert "Müller&Sønε≤5µm" in text_of(replace(content, title="Müller & Søn ε ≤ 5 µm"))


def test_pages_are_a4_and_numbered(content: ReportContent) -> None:
    reader = read(content)
    n = len(reader.pages)
    assert 3 <= n <= 8
    for i, page in enumerate(reader.pages, 1):
        assert float(page.mediabox.width) == pytest.approx(595.28, abs=0.01)
        assert float(page.mediabox.height) == pytest.approx(841.89, abs=0.01)
        assert f"page {i} of {n}" in page.extract_text()


def test_no_page_is_left_empty(content: ReportContent, panel: Panel) -> None:
    many = replace(content, panels=(panel, replace(panel, title="Door")))
    for page in read(many).pages:
        assert len(page.extract_text()) > 100


def test_photos_are_stored_once(content: ReportContent) -> None:
    names = {image.indirect_reference for page in read(content).pages for image in page.images}
    assert len(names) == len(compose(content).photos())


def test_outline_names_panels_and_sections(content: ReportContent) -> None:
    panel, sections, closing = read(content).outline[:3]
    assert isinstance(sections, list)
    assert not isinstance(panel, list)
    assert not isinstance(closing, list)
    assert panel.title == "Bonnet, left half"
    assert [str(entry["/Title"]) for entry in sections if not isinstance(entry, list)] == [
        "Pictures",
        "Numbers",
        "By kind",
        "Directions",
        "Where lines are left",
        "Photos",
    ]
    assert closing.title == "About these figures"


def test_dates_are_the_contents(content: ReportContent) -> None:
    metadata = read(content).metadata
    assert metadata is not None
    assert metadata.title == content.title
    assert metadata.creation_date == datetime(2026, 3, 14, tzinfo=UTC)


def test_the_same_content_gives_the_same_file(content: ReportContent) -> None:
    first = page_pdf(compose(content))
    assert page_pdf(compose(content)) == first


def test_undefined_and_bounded_corrections_are_in_words(
    content: ReportContent, panel: Panel
) -> None:
    undefined = text_of(replace(content, panels=(replace(panel, correction=Estimate()),)))
    assert "Undefined" in undefined
    bounded = replace(panel, correction=Estimate(at_least=96.2))
    assert "atleast96%" in text_of(replace(content, panels=(bounded,)))


def test_portrait_photo_and_long_names_stay_on_the_sheet(
    content: ReportContent, panel: Panel
) -> None:
    tall = Picture(image=np.full((400, 300, 3), 40, np.uint8))
    photo = replace(
        panel.before.photos[0],
        file="x" * 300,
        flags=(Flag(name="n" * 150, text="wordy " * 400, advice="a"),),
    )
    state = State(picture=tall, line_density=Estimate(value=3.0), photos=(photo,))
    stressed = replace(content, title="t" * 200, panels=(Panel(title="P", before=state),))
    text = text_of(stressed)
    assert "x" * 300 in text
    assert "t" * 200 in text
    assert text.count("wordy") == 400
    places: list[tuple[float, float]] = []
    for page in read(stressed).pages:
        page.extract_text(
            visitor_text=lambda piece, _cm, tm, _font, _size: (
                places.append((tm[4], tm[5])) if piece.strip() else None
            )
        )
    x, y = np.array(places).T
    assert x.min() > 40
    assert x.max() < 560
    assert y.min() > 20
    assert y.max() < 820


def test_odd_names_can_be_written(content: ReportContent, panel: Panel) -> None:
    text = text_of(replace(content, panels=(replace(panel, title="a\nb\udcff"),)))
    assert "a\N{REPLACEMENT CHARACTER}b\N{REPLACEMENT CHARACTER}" in text
