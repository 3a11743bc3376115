"""The blocks of a report on PDF sheets, each under the one before."""

from collections.abc import Sequence

from defectscan.report.content import Flag
from defectscan.report.page import (
    Block,
    Card,
    Cards,
    Chart,
    Charts,
    Flags,
    Headline,
    Plate,
    Plates,
    Signature,
    Table,
    Text,
    Tile,
    Tiles,
    Wipe,
)
from defectscan.report.palette import INKS
from defectscan.report.sheet import MARGIN_MM, WIDTH_MM, Sheet

_GAP_MM = 6.0
_HALF_MM = (WIDTH_MM - _GAP_MM) / 2
SMALL_PT = 7.5
_WIDEST_MM, _TALLEST_MM = 118.0, 78.0
_SIGNATURE_MM = 22.0


def write_block(sheet: Sheet, block: Block) -> None:  # noqa: C901 - one case a kind of block
    """Write one block, and go on under it."""
    match block:
        case Headline():
            _write_headline(sheet, block)
        case Tiles(tiles=tiles):
            sheet.space(2)
            _write_tiles(sheet, tiles)
            sheet.space(2)
        case Signature(labels=labels):
            _write_signature(sheet, labels)
        case Text():
            _write_texts(sheet, block)
        case Table():
            _write_table(sheet, block)
        case Charts():
            _write_charts(sheet, block.charts)
        case Wipe():
            _write_pair(sheet, (block.before, block.after))
            _write_caption(sheet, block.caption)
        case Plates():
            _write_plates(sheet, block)
        case Flags():
            _write_flags(sheet, block.flags, MARGIN_MM, WIDTH_MM)
            sheet.space(2)
        case Cards():
            _write_cards(sheet, block.cards)


def least_height(sheet: Sheet, block: Block) -> float:
    """Return the height that a block needs to begin, so that its heading stands with it."""
    match block:
        case Plates(plates=plates):
            widest = _WIDEST_MM if len(plates) == 1 else _HALF_MM
            return max(_fitted(plate, widest, _TALLEST_MM)[1] for plate in plates) + 16
        case Wipe(before=before):
            return _fitted(before, _HALF_MM, _TALLEST_MM)[1] + 16
        case Charts(charts=charts):
            return _charts_height(sheet, charts)
        case Cards(cards=cards):
            return max((_card_height(sheet, card) for card in cards[:2]), default=0.0)
        case Signature():
            return _SIGNATURE_MM + 8
        case _:
            return 25.0


def _write_headline(sheet: Sheet, headline: Headline) -> None:
    size = 44.0 if len(headline.figure) <= 9 else 28.0
    sheet.pen(size_pt=size, bold=True)
    width = sheet.get_string_width(headline.figure) + 5
    y = sheet.get_y()
    sheet.write_text(headline.figure, size_pt=size, ink=headline.ink, bold=True)
    below = sheet.get_y()
    if width < 115:
        lines = sheet.height_of(headline.phrase, WIDTH_MM - width, size_pt=14)
        sheet.set_y(max(y, below - 2.6 - lines))
        sheet.write_text(
            headline.phrase, x_mm=MARGIN_MM + width, width_mm=WIDTH_MM - width, size_pt=14
        )
        sheet.set_y(max(below, sheet.get_y()))
    else:
        sheet.write_text(headline.phrase, size_pt=14)
    sheet.space(0.5)
    sheet.write_text(headline.interval, size_pt=10, ink="muted")
    sheet.space(3)
    _write_tiles(sheet, headline.tiles)
    for sentence in headline.sentences:
        sheet.space(1)
        sheet.write_text(sentence)


def _write_tiles(sheet: Sheet, tiles: Sequence[Tile]) -> None:
    if not tiles:
        return
    width, height, y = WIDTH_MM / len(tiles), 16.5, sheet.get_y()
    sheet.set_draw_color(INKS["hair"])
    sheet.set_line_width(0.2)
    sheet.rect(MARGIN_MM, y, WIDTH_MM, height, round_corners=True, corner_radius=1.8)
    for i, tile in enumerate(tiles):
        x = MARGIN_MM + i * width
        if i > 0:
            sheet.set_draw_color(INKS["hair"])
            sheet.line(x, y, x, y + height)
        sheet.set_y(y + 2)
        for text, size, ink, bold in (
            (tile.label, SMALL_PT, "muted", False),
            (tile.value, 12.0, "ink", True),
            (tile.detail, SMALL_PT, "muted", False),
        ):
            sheet.write_text(text, x_mm=x + 3, width_mm=width - 4, size_pt=size, ink=ink, bold=bold)
    sheet.set_y(y + height + 1.5)


def _write_signature(sheet: Sheet, labels: Sequence[str]) -> None:
    sheet.need(_SIGNATURE_MM + 8)
    y = sheet.get_y() + _SIGNATURE_MM
    width = (WIDTH_MM - _GAP_MM * (len(labels) - 1)) / len(labels)
    sheet.set_draw_color(INKS["muted"])
    sheet.set_line_width(0.2)
    for i, label in enumerate(labels):
        x = MARGIN_MM + i * (width + _GAP_MM)
        sheet.line(x, y, x + width, y)
        sheet.set_y(y + 1)
        sheet.write_text(label, x_mm=x, width_mm=width, size_pt=SMALL_PT, ink="muted")
    sheet.set_y(y + 8)


def _write_texts(sheet: Sheet, block: Text) -> None:
    for paragraph in block.paragraphs:
        indent = 4.0 if block.as_list else 0.0
        sheet.need(sheet.height_of(paragraph, WIDTH_MM - indent))
        if block.as_list:
            sheet.set_fill_color(INKS["muted"])
            sheet.circle(MARGIN_MM + 1, sheet.get_y() + 2.1, 0.55, style="F")
        sheet.write_text(paragraph, x_mm=MARGIN_MM + indent, width_mm=WIDTH_MM - indent)
        sheet.space(1.4)


def _write_table(sheet: Sheet, table: Table) -> None:
    sheet.space(1.5)
    n = len(table.head)
    first = 32.0
    widths: tuple[float, ...] = (first, *[(WIDTH_MM - first) / (n - 1)] * (n - 1))
    if table.widths:
        widths = tuple(WIDTH_MM * width / sum(table.widths) for width in table.widths)
    sheet.need(18)
    sheet.write_row(table.head, widths, head=True)
    for row in table.rows:
        sheet.write_row(row, widths)
    sheet.space(3)


def _write_charts(sheet: Sheet, charts: Sequence[Chart]) -> None:
    if len(charts) == 1:
        _write_chart_with_caption(sheet, charts[0])
        return
    columns = (charts[::2], charts[1::2])
    height = _charts_height(sheet, charts)
    sheet.need(height)
    top = sheet.get_y()
    for i, column in enumerate(columns):
        x = MARGIN_MM + i * (_HALF_MM + _GAP_MM)
        sheet.set_y(top)
        for chart in column:
            sheet.write_text(chart.title, x_mm=x, width_mm=_HALF_MM, size_pt=9, bold=True)
            y = sheet.get_y() + 1
            drawn = sheet.draw(chart.drawing, x_mm=x, y_mm=y, width_mm=_HALF_MM)
            sheet.set_y(y + drawn + 1)
            _write_caption(sheet, chart.caption, x, _HALF_MM)
            sheet.set_y(sheet.get_y() + 2)
    sheet.set_y(top + height)


def _write_chart_with_caption(sheet: Sheet, chart: Chart) -> None:
    sheet.need(_chart_height(sheet, chart))
    y = sheet.get_y() + 1
    height = sheet.draw(chart.drawing, x_mm=MARGIN_MM, y_mm=y, width_mm=_HALF_MM)
    text_height = sheet.height_of(chart.caption, _HALF_MM, size_pt=SMALL_PT)
    sheet.set_y(y + max(0, (height - text_height) / 2))
    _write_caption(sheet, chart.caption, MARGIN_MM + _HALF_MM + _GAP_MM, _HALF_MM)
    sheet.set_y(max(sheet.get_y(), y + height) + 2)


def _chart_height(sheet: Sheet, chart: Chart) -> float:
    drawing = chart.drawing.height / chart.drawing.width * _HALF_MM
    return 10 + drawing + sheet.height_of(chart.caption, _HALF_MM, size_pt=SMALL_PT)


def _charts_height(sheet: Sheet, charts: Sequence[Chart]) -> float:
    if len(charts) == 1:
        return _chart_height(sheet, charts[0])
    columns = (charts[::2], charts[1::2])
    return max(sum(_chart_height(sheet, chart) + 1 for chart in column) for column in columns)


def _write_pair(sheet: Sheet, plates: Sequence[Plate]) -> None:
    """Put photos side by side, each with its title under it."""
    sizes = [_fitted(plate, _HALF_MM, _TALLEST_MM) for plate in plates]
    tallest = max(height for _, height in sizes)
    sheet.need(tallest + 16)
    y = sheet.get_y()
    for i, (plate, (width, height)) in enumerate(zip(plates, sizes, strict=True)):
        x = MARGIN_MM + i * (_HALF_MM + _GAP_MM)
        sheet.draw_plate(plate, x_mm=x, y_mm=y, width_mm=width)
        sheet.set_y(y + height + 0.8)
        sheet.write_text(plate.title, x_mm=x, width_mm=width, size_pt=8, bold=True)
    sheet.set_y(y + tallest + 5.2)


def _write_plates(sheet: Sheet, block: Plates) -> None:
    """Put a photo beside its key and caption, or several above them."""
    if len(block.plates) > 1:
        _write_pair(sheet, block.plates)
        _write_key(sheet, block, MARGIN_MM, WIDTH_MM)
        _write_caption(sheet, block.caption)
        return
    plate = block.plates[0]
    width, height = _fitted(plate, _WIDEST_MM, _TALLEST_MM)
    sheet.need(height + 2)
    y = sheet.get_y()
    sheet.draw_plate(plate, x_mm=MARGIN_MM, y_mm=y, width_mm=width)
    x = MARGIN_MM + width + _GAP_MM
    beside = min(WIDTH_MM - width - _GAP_MM, 80.0)
    sheet.write_text(plate.title, x_mm=x, width_mm=beside, size_pt=9, bold=True)
    sheet.set_y(sheet.get_y() + 1.5)
    _write_key(sheet, block, x, beside)
    sheet.set_y(sheet.get_y() + 1)
    _write_caption(sheet, block.caption, x, beside)
    sheet.set_y(max(sheet.get_y(), y + height + 2))


def _fitted(plate: Plate, width_mm: float, height_mm: float) -> tuple[float, float]:
    photo = plate.photo
    width = min(width_mm, height_mm * photo.width_px / photo.height_px)
    return width, width * photo.height_px / photo.width_px


def _write_key(sheet: Sheet, block: Plates, x_mm: float, width_mm: float) -> None:
    x, y = x_mm, sheet.get_y()
    items = [("line", style, label) for style, label in block.key]
    for plate in block.plates:
        items += [("cell", *entry) for entry in (plate.heat.key if plate.heat else ())]
    for what, style, label in items:
        sheet.pen(size_pt=SMALL_PT)
        width = 12 + sheet.get_string_width(label) + 5
        if x > x_mm and (width_mm < WIDTH_MM or x + width > x_mm + width_mm):
            x, y = x_mm, y + 5
        if what == "line":
            sheet.draw_swatch(style, x_mm=x, y_mm=y)
        else:
            sheet.set_fill_color(style)
            sheet.rect(x, y, 10, 3.6, style="F")
        sheet.text(x + 12, y + 2.8, label)
        x += width
    if items:
        sheet.set_y(y + 5.2)


def _write_caption(
    sheet: Sheet, text: str, x_mm: float = MARGIN_MM, width_mm: float = WIDTH_MM
) -> None:
    sheet.write_text(text, x_mm=x_mm, width_mm=width_mm, size_pt=SMALL_PT, ink="muted")
    sheet.space(2)


def _write_flags(sheet: Sheet, flags: Sequence[Flag], x_mm: float, width_mm: float) -> None:
    for flag in flags:
        sheet.need(_flag_height(sheet, flag, width_mm))
        y = sheet.get_y()
        x, width = x_mm + 3, width_mm - 4
        sheet.write_text(flag.title, x_mm=x, width_mm=width, size_pt=8, ink="warning", bold=True)
        sheet.write_text(flag.text, x_mm=x, width_mm=width, size_pt=8)
        if flag.advice:
            sheet.write_text(flag.advice, x_mm=x, width_mm=width, size_pt=8, ink="muted")
        sheet.set_fill_color(INKS["warning"])
        sheet.rect(x_mm, y, 0.9, sheet.get_y() - y, style="F")
        sheet.set_y(sheet.get_y() + 1.5)


def _flag_height(sheet: Sheet, flag: Flag, width_mm: float) -> float:
    texts = [flag.title, flag.text, *([flag.advice] if flag.advice else [])]
    return 1.5 + sum(sheet.height_of(text, width_mm - 4, size_pt=8) for text in texts)


def _write_cards(sheet: Sheet, cards: Sequence[Card]) -> None:
    for pair in zip(cards[::2], [*cards[1::2], None], strict=False):
        chosen = [card for card in pair if card is not None]
        height = max(_card_height(sheet, card) for card in chosen)
        sheet.need(height + 3)
        y = sheet.get_y()
        for i, card in enumerate(chosen):
            x = MARGIN_MM + i * (_HALF_MM + _GAP_MM)
            sheet.set_draw_color(INKS["hair"])
            sheet.set_line_width(0.2)
            sheet.rect(x, y, _HALF_MM, height, round_corners=True, corner_radius=1.8)
            sheet.set_y(y + 2.5)
            _write_card(sheet, card, x + 3)
        sheet.set_y(y + height + 3)


_CARD_MM = _HALF_MM - 6
_TERM_MM = 27.0
_PLATE_MM = 52.0


def _write_card(sheet: Sheet, card: Card, x_mm: float) -> None:
    sheet.write_text(card.title, x_mm=x_mm, width_mm=_CARD_MM, size_pt=9, bold=True)
    sheet.set_y(sheet.get_y() + 1)
    if card.plate is not None:
        height = sheet.draw_plate(card.plate, x_mm=x_mm, y_mm=sheet.get_y(), width_mm=_PLATE_MM)
        sheet.set_y(sheet.get_y() + height + 1)
        _write_caption(sheet, card.plate.title, x_mm, _CARD_MM)
    for term, text in card.rows:
        y = sheet.get_y()
        sheet.write_text(term, x_mm=x_mm, width_mm=_TERM_MM, size_pt=SMALL_PT, ink="muted")
        sheet.set_y(y)
        x, width = x_mm + _TERM_MM, _CARD_MM - _TERM_MM
        sheet.write_text(text, x_mm=x, width_mm=width, size_pt=SMALL_PT)
        sheet.set_y(sheet.get_y() + 0.5)
    if card.flags:
        sheet.set_y(sheet.get_y() + 1.5)
        _write_flags(sheet, card.flags, x_mm, _CARD_MM)


def _card_height(sheet: Sheet, card: Card) -> float:
    height = 2.5 + sheet.height_of(card.title, _CARD_MM, size_pt=9) + 1
    if card.plate is not None:
        photo = card.plate.photo
        height += _PLATE_MM * photo.height_px / photo.width_px + 1
        height += sheet.height_of(card.plate.title, _CARD_MM, size_pt=SMALL_PT) + 2
    for _, text in card.rows:
        height += sheet.height_of(text, _CARD_MM - _TERM_MM, size_pt=SMALL_PT) + 0.5
    if card.flags:
        height += 1.5 + sum(_flag_height(sheet, flag, _CARD_MM) for flag in card.flags)
    return height + 2.5
