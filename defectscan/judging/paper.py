"""A deck on paper: the scale, the photos by number, and an answer sheet."""

from datetime import UTC, datetime
from io import BytesIO

from PIL import Image

from defectscan.judging.deck import Card, Deck
from defectscan.judging.scale import WORDS, Scale, anchor_pictures
from defectscan.report.palette import INKS
from defectscan.report.sheet import MARGIN_MM, WIDTH_MM, Sheet, printable
from defectscan.version import __version__

_GAP_MM = 6.0
_TOP_MM = 15.0
_BOTTOM_MM = 277.0
_ROW_MM = 7.2
_ROWS = 24
# The same deck is to give the same bytes.
_ALWAYS = datetime(2000, 1, 1, tzinfo=UTC)


def render_paper(deck: Deck) -> bytes:
    """Write a deck as a PDF, A4 portrait: answer sheet first, then scale and photos.

    Parameters
    ----------
    deck
        A blind one.
    """
    sheet = Sheet(footer_text=f"deck {deck.ident} · defectscan {__version__}")
    sheet.set_title(printable(deck.title))
    sheet.set_creator(f"defectscan {__version__}")
    sheet.set_lang("en")
    sheet.set_creation_date(_ALWAYS)
    _write_answer_sheet(sheet, deck)
    if deck.scale is Scale.QUANTITY:
        sheet.add_page()
        _write_scale(sheet)
    _write_photos(sheet, deck)
    return bytes(sheet.output())


def _write_answer_sheet(sheet: Sheet, deck: Deck) -> None:
    quantity = deck.scale is Scale.QUANTITY
    sheet.write_text(deck.title, size_pt=19, bold=True)
    what = "pairs" if len(deck.cards[0].jpegs) > 1 else "photos"
    asked = (
        "Give each a grade from 0 to 5 by the scale on the next sheet: how many lines there are, "
        "not how bright they shine."
        if quantity
        else "Say how many percent of the lines are gone after polishing: 100 none are left, 0 "
        "nothing changed, below 0 there are more."
    )
    sheet.space(1)
    sheet.write_text(
        f"Answer sheet · {len(deck.cards)} {what} · deck {deck.ident}", size_pt=9, ink="muted"
    )
    sheet.space(3)
    sheet.write_text(
        f"{asked} In even light, one after the other, without comparing notes. A dash stands for "
        "“cannot tell”."
    )
    sheet.space(6)
    y = sheet.get_y()
    for first in range(0, len(deck.cards), 2 * _ROWS):
        if first:
            sheet.add_page()
            y = _TOP_MM
        _write_name_and_date(sheet, y)  # on each sheet: sheets of several raters get mixed up
        top = y + 13
        for number in range(first, min(first + 2 * _ROWS, len(deck.cards))):
            column, row = divmod(number - first, _ROWS)
            x = MARGIN_MM + column * (WIDTH_MM + _GAP_MM) / 2
            _write_answer_row(sheet, number + 1, x, top + row * _ROW_MM, quantity=quantity)
    sheet.set_y(top + _ROW_MM * min(_ROWS, len(deck.cards)) + 5)
    sheet.write_text(
        "To type it up: a CSV file with the columns deck, rater, date, photo, grade; one line a "
        f"photo. The deck is {deck.ident}.",
        size_pt=7.5,
        ink="muted",
    )


def _write_name_and_date(sheet: Sheet, y: float) -> None:
    for x, width, label in ((MARGIN_MM, 105.0, "Name"), (MARGIN_MM + 115.0, 65.0, "Date")):
        sheet.set_y(y)
        sheet.write_text(label, x_mm=x, size_pt=8, ink="muted")
        sheet.set_draw_color(INKS["ink"])
        sheet.set_line_width(0.3)
        sheet.line(x + 14, y + 4, x + width, y + 4)


def _write_answer_row(sheet: Sheet, number: int, x: float, y: float, *, quantity: bool) -> None:
    width = (WIDTH_MM - _GAP_MM) / 2
    sheet.set_y(y + 1.6)
    sheet.write_text(str(number), x_mm=x, width_mm=10, size_pt=9, bold=True)
    sheet.set_draw_color(INKS["before"])
    sheet.set_line_width(0.25)
    if quantity:
        for grade in range(6):
            middle = x + 18 + grade * 11
            sheet.circle(middle, y + 3.6, 2.5)
            sheet.pen(size_pt=7.5, ink="muted")
            text = str(grade)
            sheet.text(middle - sheet.get_string_width(text) / 2, y + 4.5, text)
        sheet.line(x + 78, y + 5.4, x + width - 1, y + 5.4)
    else:
        sheet.line(x + 14, y + 5.4, x + width - 10, y + 5.4)
        sheet.pen(size_pt=8, ink="muted")
        sheet.text(x + width - 8, y + 5, "%")
    sheet.set_draw_color(INKS["hair"])
    sheet.set_line_width(0.15)
    sheet.line(x, y + _ROW_MM, x + width, y + _ROW_MM)


def _write_scale(sheet: Sheet) -> None:
    sheet.write_text("The scale", size_pt=15, bold=True)
    sheet.space(2)
    width = (WIDTH_MM - _GAP_MM) / 2
    top = sheet.get_y()
    for grade, (word, jpeg) in enumerate(zip(WORDS, anchor_pictures(), strict=True)):
        x = MARGIN_MM + grade % 2 * (width + _GAP_MM)
        y = top + grade // 2 * (0.75 * width + 14)
        sheet.image(BytesIO(jpeg), x=x, y=y, w=width, h=0.75 * width, alt_text=f"Grade {grade}")
        sheet.set_y(y + 0.75 * width + 1.5)
        sheet.write_text(f"{grade}  {word}", x_mm=x, width_mm=width, size_pt=11, bold=True)
    sheet.set_y(sheet.get_y() + 4)
    sheet.write_text(
        "Rendered: black paint, one lamp. Other paints show the same lines more faintly.",
        size_pt=7.5,
        ink="muted",
    )


def _write_photos(sheet: Sheet, deck: Deck) -> None:
    """Put two photos or three pairs on a sheet, each as large as it fits."""
    rows = 2 if len(deck.cards[0].jpegs) == 1 else 3
    height = (_BOTTOM_MM - _TOP_MM - (rows - 1) * _GAP_MM) / rows
    for number, card in enumerate(deck.cards, start=1):
        place = (number - 1) % rows
        if not place:
            sheet.add_page()
        _write_card(sheet, card, number, _TOP_MM + place * (height + _GAP_MM), height)


def _write_card(sheet: Sheet, card: Card, number: int, top: float, height: float) -> None:
    sheet.set_y(top)
    sheet.write_text(str(number), size_pt=15, bold=True)
    top, height = sheet.get_y() + 1, height - (sheet.get_y() + 1 - top) - 5
    n = len(card.jpegs)
    width = (WIDTH_MM - (n - 1) * 2) / n
    for i, jpeg in enumerate(card.jpegs):
        x = MARGIN_MM + i * (width + 2)
        with Image.open(BytesIO(jpeg)) as image:
            shape = image.height / image.width
        shown = min(width, height / shape)
        sheet.image(BytesIO(jpeg), x=x, y=top, w=shown, h=shown * shape, alt_text=f"Photo {number}")
        if n > 1:
            sheet.set_y(top + shown * shape + 1)
            sheet.write_text(("Before", "After")[i], x_mm=x, size_pt=8, ink="muted")
