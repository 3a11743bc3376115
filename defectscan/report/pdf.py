"""Write a report as a PDF, A4 portrait, with the content of the HTML page."""

from datetime import UTC, datetime, time
from io import BytesIO

from PIL import Image

from defectscan.report.page import Page
from defectscan.report.pdf_blocks import SMALL_PT, least_height, write_block
from defectscan.report.sheet import MARGIN_MM, WIDTH_MM, Sheet, printable

_LOGO_MM = (50.0, 15.0)
# A chapter begins where so much of it stands with its title.
_CHAPTER_MM = 75.0


def page_pdf(page: Page, sheet: Sheet | None = None) -> bytes:
    """Write a composed report as a PDF file.

    Its dates are the report's, so the same report gives the same bytes.

    Parameters
    ----------
    page
        The report in reading order.
    sheet
        An empty one to write it on, where it has been made before.

    Returns
    -------
    bytes
        The file.
    """
    sheet = sheet or Sheet()
    sheet.footer_text = f"{page.date.isoformat()} · defectscan {page.version}"
    sheet.set_title(printable(page.title))
    sheet.set_subject(printable(page.subtitle))
    sheet.set_creator(f"defectscan {page.version}")
    sheet.set_lang("en")
    sheet.set_creation_date(datetime.combine(page.date, time(), UTC))
    _write_masthead(sheet, page)
    if page.opening:
        sheet.write_text("Overview", size_pt=15, bold=True)
        for block in page.opening:
            write_block(sheet, block)
        sheet.space(6)
    for i, chapter in enumerate(page.chapters):
        if i > 0:
            sheet.add_page()
        sheet.need(_CHAPTER_MM)
        sheet.start_section(printable(chapter.title))
        sheet.write_text(chapter.title, size_pt=15, bold=True)
        sheet.space(1)
        for section in chapter.sections:
            if section.title:
                sheet.space(5)
                sheet.need(12 + least_height(sheet, section.blocks[0]))
                sheet.start_section(section.title, level=1)
                sheet.rule()
                sheet.set_y(sheet.get_y() + 2.5)
                sheet.write_text(section.title, size_pt=11, bold=True)
                sheet.space(1.5)
            for block in section.blocks:
                write_block(sheet, block)
    return bytes(sheet.output())


def _write_letterhead(sheet: Sheet, page: Page) -> None:
    x, y, bottom = MARGIN_MM, sheet.get_y(), sheet.get_y()
    if page.logo:
        width_px, height_px = Image.open(BytesIO(page.logo)).size
        scale = min(_LOGO_MM[0] / width_px, _LOGO_MM[1] / height_px)
        width, height = width_px * scale, height_px * scale
        sheet.image(BytesIO(page.logo), x=x, y=y, w=width, h=height, alt_text=page.workshop)
        x, bottom = x + width + 5, y + height
    if page.workshop:
        room = MARGIN_MM + WIDTH_MM - x
        lines = sheet.height_of(page.workshop, room, size_pt=11, bold=True)
        sheet.set_y(max(y, (y + bottom - lines) / 2))
        sheet.write_text(page.workshop, x_mm=x, width_mm=room, size_pt=11, bold=True)
    sheet.set_y(max(bottom, sheet.get_y()) + 7)


def _write_masthead(sheet: Sheet, page: Page) -> None:
    if page.logo or page.workshop:
        _write_letterhead(sheet, page)
    sheet.write_text(page.title, size_pt=21, bold=True)
    if page.subtitle:
        sheet.space(0.5)
        sheet.write_text(page.subtitle, size_pt=10, ink="muted")
    sheet.space(1)
    sheet.write_text(
        f"{page.date.isoformat()} · defectscan {page.version}", size_pt=SMALL_PT, ink="muted"
    )
    sheet.space(4)
    sheet.rule(ink="ink", width_mm=0.4)
    sheet.space(5)
