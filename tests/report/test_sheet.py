"""Sheets: letters of every script are written, in their order, or their lack is told."""

import pypdfium2
import pytest

from defectscan.report import sheet
from defectscan.report.sheet import Sheet, in_reading_order, printable

CHINESE_JAPANESE_KOREAN = "引擎盖 ボンネット 보닛"


def text_of(*texts: str, bold: bool = False) -> str:
    written = Sheet(footer_text="foot")
    for text in texts:
        written.write_text(text, bold=bold)
    # pypdf misreads the two-byte codes of such fonts.
    pages = pypdfium2.PdfDocument(bytes(written.output()))
    return "\n".join(page.get_textpage().get_text_range() for page in pages)


@pytest.mark.parametrize("bold", [False, True])
def test_chinese_japanese_and_korean_are_written(bold: bool) -> None:
    text = text_of(f"Bonnet {CHINESE_JAPANESE_KOREAN}, left", bold=bold)
    assert "".join(f"Bonnet {CHINESE_JAPANESE_KOREAN}, left".split()) in "".join(text.split())
    assert "does not have" not in text
    assert "□" not in text


def test_without_the_font_boxes_stand_and_are_explained(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sheet, "_cjk_font", lambda: None)
    text = text_of("Bonnet 引擎盖, left")
    assert "Bonnet □□□, left" in text
    assert text.count("a letter that this file's fonts do not have") == 1
    assert sheet.lacks_cjk_font("Bonnet 引擎盖")
    assert not sheet.lacks_cjk_font("Küche ε ≤ 5")


def test_an_emoji_that_no_font_has_is_a_box_and_explained() -> None:
    assert "car □" in text_of("car \U0001f697\ufe0f")


def test_width_is_that_of_the_font_that_is_used() -> None:
    written = Sheet(footer_text="foot")
    written.pen(size_pt=10)
    per_letter = written.get_string_width("引")
    assert per_letter == pytest.approx(10 * 25.4 / 72, rel=0.01)  # a full-width letter is an em
    mixed = written.get_string_width("a引b")
    assert mixed == pytest.approx(per_letter + written.get_string_width("ab"))
    assert written.height_of("引" * 200, 50) > 10 * written.height_of("引", 50)


def test_right_to_left_letters_stand_in_their_order() -> None:
    assert in_reading_order("abc") == "abc"
    assert in_reading_order("\u05d0\u05d1\u05d2") == "\u05d2\u05d1\u05d0"
    assert in_reading_order("door \u05d0\u05d1 12") == "door 12 \u05d1\u05d0"


def test_brackets_are_mirrored_where_the_letters_run_from_the_right() -> None:
    assert in_reading_order("\u05d0 (\u05d1) [2] <\u05d2>") == "<\u05d2> [2] (\u05d1) \u05d0"
    assert in_reading_order("door (\u05d0) <b>") == "door (\u05d0) <b>"
    assert in_reading_order("(abc)") == "(abc)"


def test_letters_that_only_steer_are_left_out() -> None:
    assert printable("a\u202eb\u200dc\ufe0f") == "abc"
    assert printable("a\nb") == "a\N{REPLACEMENT CHARACTER}b"
