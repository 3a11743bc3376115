"""Name and logo: read, drawn anew, and nothing foreign let through."""

import io
from pathlib import Path

import pytest
from PIL import Image, PngImagePlugin

from defectscan.errors import DefectscanError
from defectscan.report.letterhead import Letterhead, read_letterhead


def picture(path: Path, size: tuple[int, int] = (1200, 300)) -> Path:
    told = PngImagePlugin.PngInfo()
    told.add_text("Comment", "<script>alert(1)</script>")
    Image.new("RGBA", size, (0, 114, 178, 128)).save(path, pnginfo=told)
    return path


def test_name_and_logo_are_kept_beside_the_book(tmp_path: Path) -> None:
    assert read_letterhead(tmp_path) == Letterhead()
    picture(tmp_path / "logo.png")
    (tmp_path / "workshop.toml").write_text('name = "A & B"\nlogo = "logo.png"\n')
    head = read_letterhead(tmp_path)
    assert head.workshop == "A & B"
    assert head.logo.startswith(b"\x89PNG")
    assert read_letterhead(tmp_path, workshop="C").workshop == "C"
    assert read_letterhead(tmp_path, workshop="").workshop == ""


def test_only_pixels_are_left_of_a_logo(tmp_path: Path) -> None:
    logo = read_letterhead(tmp_path, logo=picture(tmp_path / "l.png")).logo
    assert b"script" not in logo
    drawn = Image.open(io.BytesIO(logo))
    assert (drawn.size, drawn.mode) == ((800, 200), "RGB")
    assert drawn.getpixel((5, 5)) == pytest.approx((127, 184, 216), abs=2)  # on white


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("l.svg", b'<svg xmlns="http://www.w3.org/2000/svg"/>', "cannot be read"),
        ("l.png", b"\x89PNG\r\n\x1a\n rest", "cannot be read"),
        ("l.gif", b"GIF89a", "cannot be read"),
    ],
)
def test_what_is_no_picture_is_refused(
    tmp_path: Path, name: str, content: bytes, says: str
) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(DefectscanError, match=says):
        read_letterhead(tmp_path, logo=tmp_path / name)


def test_a_cut_off_or_huge_logo_is_refused(tmp_path: Path) -> None:
    whole = picture(tmp_path / "l.png").read_bytes()
    (tmp_path / "cut.png").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(DefectscanError, match="cannot be read"):
        read_letterhead(tmp_path, logo=tmp_path / "cut.png")
    Image.new("1", (12_000, 12_000)).save(tmp_path / "huge.png")
    with pytest.raises(DefectscanError, match="pixels"):
        read_letterhead(tmp_path, logo=tmp_path / "huge.png")
    with pytest.raises(DefectscanError, match="cannot be read"):
        read_letterhead(tmp_path, logo=tmp_path / "none.png")


@pytest.mark.parametrize("text", ["name = 3", 'colour = "red"', "name", "name = " + "[" * 9999])
def test_a_wrong_file_is_told(tmp_path: Path, text: str) -> None:
    (tmp_path / "workshop.toml").write_text(text)
    with pytest.raises(DefectscanError, match=r"workshop\.toml"):
        read_letterhead(tmp_path)
