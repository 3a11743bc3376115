"""A4 sheets to write and draw on: texts that break, tables, photos with overlays, drawings.

All lengths are in millimetres, from the top left corner of the sheet.
"""

import importlib.util
import re
from collections.abc import Callable, Container, Sequence
from io import BytesIO
from pathlib import Path
from typing import Any

from fpdf import FPDF
from fpdf.bidi import BIDI_BRACKETS, BidiParagraph

from defectscan.report import marks
from defectscan.report.marks import WIDTH, Drawing, Label, Layer, Polyline
from defectscan.report.page import Plate
from defectscan.report.palette import CELL_OPACITY, CELLS, INKS, STROKES

MARGIN_MM = 15.0
WIDTH_MM = 180.0
_BOTTOM_MM = 297.0 - 18.0
_MM_PER_PT = 25.4 / 72
_FONT = "DejaVu"
_CJK, _CJK_PACKAGE, _CJK_FILE = "cjk", "noto_cjk_sans_jp_regular", "NotoSansCJKjp-Regular.otf"
_BOX = "\N{WHITE SQUARE}"
_LACKING = f"{_BOX}: a letter that this file's fonts do not have; the HTML page shows it"
_EAST_ASIAN = re.compile(
    r"[\u1100-\u11ff\u2e80-\u9fff\uac00-\ud7af\uf900-\ufaff\uff00-\uffef\U00020000-\U0003ffff]"
)
_RIGHT_TO_LEFT = re.compile(r"[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufeff]")
_MIRRORED = {
    **{bracket: told["pair"] for bracket, told in BIDI_BRACKETS.items()},
    **dict(zip("<>«»≤≥", "><»«≥≤", strict=True)),
}
_LEADING = 1.42

Place = Callable[[Polyline], list[tuple[float, float]]]


class Sheet(FPDF):
    """Write a report's parts on A4 sheets, one under the other.

    Parameters
    ----------
    footer_text
        Stands at the foot of every sheet, with the sheet's number; it may be set anew before the
        first is full.
    """

    def __init__(self, *, footer_text: str = "") -> None:
        super().__init__(orientation="portrait", unit="mm", format="A4")
        self.footer_text = footer_text
        self._widths_per_pt: dict[tuple[str, str], float] = {}
        self._lacks_letters = False
        fonts = _font_folder()
        self.add_font(_FONT, "", fonts / "DejaVuSans.ttf")
        self.add_font(_FONT, "B", fonts / "DejaVuSans-Bold.ttf")
        self.set_margins(MARGIN_MM, MARGIN_MM, MARGIN_MM)
        self.set_auto_page_break(True, 297.0 - _BOTTOM_MM)
        self.c_margin = 0.0
        self.set_font(_FONT, "", 8.5)
        self.add_page()

    def footer(self) -> None:
        """Write the foot of a sheet; called by the library."""
        self.set_y(-11)
        self.pen(size_pt=7, ink="muted")
        note = f" · {_LACKING}" if self._lacks_letters else ""
        self.cell(WIDTH_MM, 4, f"{self.footer_text} · page {self.page_no()} of {{nb}}{note}")
        self._lacks_letters = False

    def pen(self, *, size_pt: float = 8.5, ink: str = "ink", bold: bool = False) -> None:
        """Choose how texts look from here on."""
        self.set_font(_FONT, "B" if bold else "", size_pt)
        self.set_text_color(INKS[ink])

    def text(self, x: float, y: float, text: str = "") -> None:
        """Write a text on its base line, letter by letter in a font that has it."""
        size, style = self.font_size_pt, self.font_style
        for family, run in self._runs(in_reading_order(text)):
            self.set_font(family, style if family == _FONT else "", size)
            super().text(x, y, run)
            x += super().get_string_width(run)
        self.set_font(_FONT, style, size)

    def get_string_width(self, s: str, *args: Any, **options: Any) -> float:  # noqa: ANN401
        """Return how wide a text is in the fonts that have its letters."""
        if s.isascii():
            return super().get_string_width(s, *args, **options)
        size, style, width = self.font_size_pt, self.font_style, 0.0
        for family, run in self._runs(s):
            self.set_font(family, style if family == _FONT else "", size)
            width += super().get_string_width(run, *args, **options)
        self.set_font(_FONT, style, size)
        return width

    def _runs(self, text: str) -> list[tuple[str, str]]:
        """Split a text by the fonts that have its letters; a box stands for what none has."""
        known = self._letters(_FONT.lower())
        runs: list[tuple[str, str]] = []
        for letter in text:
            family = _FONT
            if ord(letter) not in known:
                family = _CJK if self._has_cjk(letter) else _FONT
                if family == _FONT:
                    letter, self._lacks_letters = _BOX, True  # noqa: PLW2901
            if runs and runs[-1][0] == family:
                letter = runs.pop()[1] + letter  # noqa: PLW2901
            runs.append((family, letter))
        return runs

    def _has_cjk(self, letter: str) -> bool:
        """Tell whether the font for Chinese, Japanese and Korean has a letter; load it once."""
        if _CJK not in self.fonts:
            file = _cjk_font()
            if file is None:
                return False
            self.add_font(_CJK, "", file)
        return ord(letter) in self._letters(_CJK)

    def _letters(self, family: str) -> Container[int]:
        font: Any = self.fonts[family]
        return font.cmap

    def need(self, height_mm: float) -> None:
        """Start a new sheet if so much height is not left on this one."""
        if self.get_y() + height_mm > _BOTTOM_MM:
            self.add_page()

    def space(self, height_mm: float) -> None:
        """Leave a gap, but not at the top of a sheet."""
        if self.get_y() > MARGIN_MM + 1:
            self.set_y(self.get_y() + height_mm)

    def height_of(
        self, text: str, width_mm: float, *, size_pt: float = 8.5, bold: bool = False
    ) -> float:
        """Return how high a text is when broken to a width."""
        self.pen(size_pt=size_pt, bold=bold)
        return len(self._broken(text, width_mm)) * self._line_height(size_pt)

    def write_text(
        self,
        text: str,
        *,
        x_mm: float = MARGIN_MM,
        width_mm: float = WIDTH_MM,
        size_pt: float = 8.5,
        ink: str = "ink",
        bold: bool = False,
    ) -> None:
        """Write a text, broken to a width, and go on under it."""
        self.pen(size_pt=size_pt, ink=ink, bold=bold)
        height = self._line_height(size_pt)
        for line in self._broken(text, width_mm):
            self.need(height)
            base = self.get_y() + height / 2 + 0.36 * size_pt * _MM_PER_PT
            self.text(x_mm, base, line)
            self.set_y(self.get_y() + height)

    def _broken(self, text: str, width_mm: float) -> list[str]:
        """Break a text into lines at spaces, and words that are wider than a line anywhere.

        Every text is measured before it is placed, and the library's cells take several times
        longer for that.
        """
        space = self._width_of(" ")
        lines: list[str] = []
        words: list[str] = []
        taken = 0.0
        for word in printable(text).split(" "):
            width = self._width_of(word)
            if words and taken + space + width > width_mm:
                lines.append(" ".join(words))
                words, taken = [], 0.0
            if width > width_mm:
                *whole, last = self._cut(word, width_mm)
                lines += whole
                words, taken = [last], self.get_string_width(last)
                continue
            taken += width + (space if words else 0.0)
            words.append(word)
        return [*lines, " ".join(words)]

    def _width_of(self, word: str) -> float:
        """Return the width of a word, looked up once for each face."""
        key = (word, self.font_style)
        if key not in self._widths_per_pt:
            self._widths_per_pt[key] = self.get_string_width(word) / self.font_size_pt
        return self._widths_per_pt[key] * self.font_size_pt

    def _cut(self, word: str, width_mm: float) -> list[str]:
        """Cut a word that is wider than a line."""
        pieces = [""]
        for letter in word:
            if pieces[-1] and self.get_string_width(pieces[-1] + letter) > width_mm:
                pieces.append("")
            pieces[-1] += letter
        return pieces

    def rule(self, *, ink: str = "hair", width_mm: float = 0.2) -> None:
        """Draw a line across the sheet."""
        self.set_draw_color(INKS[ink])
        self.set_line_width(width_mm)
        self.line(MARGIN_MM, self.get_y(), MARGIN_MM + WIDTH_MM, self.get_y())

    def write_row(
        self,
        cells: Sequence[str],
        widths_mm: Sequence[float],
        *,
        head: bool = False,
        x_mm: float = MARGIN_MM,
    ) -> None:
        """Write one row of a table and a line under it."""
        size = 7.5 if head else 8.0
        gap = 3.0
        heights = [
            self.height_of(cell, width - gap, size_pt=size, bold=i == 0 and not head)
            for i, (cell, width) in enumerate(zip(cells, widths_mm, strict=True))
        ]
        height = max(heights) + 2.6
        self.need(height)
        y = self.get_y()
        for i, (cell, width) in enumerate(zip(cells, widths_mm, strict=True)):
            self.set_y(y + 1.3)
            self.write_text(
                cell,
                x_mm=x_mm,
                width_mm=width - gap,
                size_pt=size,
                ink="muted" if head else "ink",
                bold=i == 0 and not head,
            )
            x_mm += width
        self.set_y(y + height)
        self.rule()

    def draw(self, drawing: Drawing, *, x_mm: float, y_mm: float, width_mm: float) -> float:
        """Draw a chart; return its height."""
        scale = width_mm / WIDTH
        for mark in drawing.marks:
            if isinstance(mark, Label):
                self._draw_label(mark, x_mm, y_mm, scale)
            else:
                self._draw_path(mark, x_mm, y_mm, scale)
        return drawing.height * scale

    def draw_plate(self, plate: Plate, *, x_mm: float, y_mm: float, width_mm: float) -> float:
        """Draw a photo with its overlays; return its height."""
        photo = plate.photo
        scale = width_mm / photo.width_px
        height = photo.height_px * scale
        self.image(BytesIO(photo.jpeg), x=x_mm, y=y_mm, w=width_mm, h=height, alt_text=plate.title)

        def place(points: Polyline) -> list[tuple[float, float]]:
            return [(x_mm + (x + 0.5) * scale, y_mm + (y + 0.5) * scale) for x, y in points]

        with self.rect_clip(x_mm, y_mm, width_mm, height):
            if plate.veiled:
                with self.local_context(fill_opacity=photo.veil):
                    self.set_fill_color(0)
                    self.rect(x_mm, y_mm, width_mm, height, style="F")
            if plate.heat is not None:
                with self.local_context(fill_opacity=CELL_OPACITY[plate.heat.style]):
                    for cell in plate.heat.cells:
                        (x, y), *_ = place(((cell.x_px, cell.y_px),))
                        self.set_fill_color(CELLS[plate.heat.style][cell.level])
                        self.rect(x, y, cell.width_px * scale, cell.height_px * scale, style="F")
            with self.local_context(stroke_cap_style="butt"):
                for layer in plate.layers:
                    self._draw_layer(layer, place)
        return height

    def draw_swatch(self, style: str, *, x_mm: float, y_mm: float) -> None:
        """Draw a sample of a line, as it looks on a darkened photo."""
        self.set_fill_color(0)
        self.rect(x_mm, y_mm, 10, 3.6, style="F")
        with self.local_context(stroke_cap_style="butt"):
            self._stroke(style)
            self.line(x_mm + 1, y_mm + 1.8, x_mm + 9, y_mm + 1.8)

    def _draw_layer(self, layer: Layer, place: Place) -> None:
        self._stroke(layer.style)
        for path in layer.paths:
            self.polyline(place(path), polygon=layer.closed)

    def _stroke(self, style: str) -> None:
        stroke = STROKES[style]
        self.set_draw_color(stroke.colour)
        self.set_line_width(0.8 * stroke.width_pt * _MM_PER_PT)
        self.set_dash_pattern(*(0.8 * length * _MM_PER_PT for length in stroke.dash_pt or ()))

    def _draw_label(self, label: Label, x_mm: float, y_mm: float, scale: float) -> None:
        self.pen(size_pt=label.size * scale / _MM_PER_PT, ink=label.ink, bold=label.bold)
        shift = {"start": 0.0, "middle": 0.5, "end": 1.0}[label.anchor]
        x = x_mm + label.x * scale - shift * self.get_string_width(label.text)
        self.text(x, y_mm + label.y * scale, label.text)

    def _draw_path(self, path: marks.Path, x_mm: float, y_mm: float, scale: float) -> None:
        points = [(x_mm + x * scale, y_mm + y * scale) for x, y in path.points]
        if path.fill:
            self.set_fill_color(INKS[path.fill])
        if path.stroke:
            self.set_draw_color(INKS[path.stroke])
            self.set_line_width(path.width * scale)
        self.set_dash_pattern(*(length * scale for length in path.dash or ()))
        style = ("D" if path.stroke else "") + ("F" if path.fill else "")
        self.polyline(points, polygon=path.closed, style=style)
        self.set_dash_pattern()

    @staticmethod
    def _line_height(size_pt: float) -> float:
        leading = _LEADING if size_pt < 12 else 1.2
        return size_pt * _MM_PER_PT * leading


def printable(text: str) -> str:
    """Replace control characters and broken code points, as odd file names have them.

    What only steers how letters join or run is left out.
    """
    text = re.sub(r"[\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufe00-\ufe0f\ufeff]", "", text)
    return re.sub(r"[\x00-\x1f\x7f-\x9f\ud800-\udfff]", "\N{REPLACEMENT CHARACTER}", text)


def in_reading_order(text: str) -> str:
    """Put a line's letters into the order in which they stand on paper, from the left.

    Where they run from the right, brackets and the like stand mirrored; the library leaves that to
    whoever draws them (Unicode Standard Annex 9, rule L4).
    """
    if not _RIGHT_TO_LEFT.search(text):
        return text
    ordered = BidiParagraph(text).get_reordered_characters()
    return "".join(
        _MIRRORED.get(one.character, one.character) if one.embedding_level % 2 else one.character
        for one in ordered
    )


def lacks_cjk_font(text: str) -> bool:
    """Tell whether a text has Chinese, Japanese or Korean letters and their font is missing."""
    return bool(_EAST_ASIAN.search(text)) and _cjk_font() is None


def _cjk_font() -> Path | None:
    """Find the font for Chinese, Japanese and Korean, if that extra is installed."""
    spec = importlib.util.find_spec(_CJK_PACKAGE)
    if spec is None or spec.origin is None:
        return None
    file = Path(spec.origin).parent / _CJK_FILE
    return file if file.is_file() else None


def _font_folder() -> Path:
    """Find the DejaVu fonts that matplotlib brings, without importing it."""
    spec = importlib.util.find_spec("matplotlib")
    if spec is None or spec.origin is None:
        raise RuntimeError("matplotlib, whose fonts the report is set in, is not installed")
    return Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"
