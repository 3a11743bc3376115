"""`defectscan card`: the formats by their suffix, the guide, and what it refuses."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from pypdf import PdfReader

Run = Callable[..., Any]


@pytest.mark.parametrize(
    ("name", "start"), [("card.pdf", b"%PDF-"), ("card.SVG", b"<?xml"), ("card.png", b"\x89PNG")]
)
def test_the_suffix_says_the_format(run: Run, tmp_path: Path, name: str, start: bytes) -> None:
    outcome = run("card", tmp_path / name)
    assert (outcome.status, outcome.err) == (0, "")
    assert outcome.out == (
        f"{name}: print at actual size (100 %), on A4 paper, matte; then measure its ruler, and "
        "give it as --card-mm\n"
    )
    assert (tmp_path / name).read_bytes().startswith(start)
    assert list(tmp_path.iterdir()) == [tmp_path / name]


def test_the_png_carries_its_dpi(run: Run, tmp_path: Path) -> None:
    assert run("card", tmp_path / "card.png", "--paper", "letter").status == 0
    with Image.open(tmp_path / "card.png") as image:
        assert image.info["dpi"] == pytest.approx((600, 600), abs=0.1)
        assert image.size == (5100, 6600)


@pytest.mark.parametrize(("paper", "width_pt"), [("a4", 595.28), ("letter", 612.0)])
def test_the_paper_is_chosen(run: Run, tmp_path: Path, paper: str, width_pt: float) -> None:
    for name, options in (("card.pdf", ()), ("guide.pdf", ("--guide",))):
        assert run("card", tmp_path / name, "--paper", paper, *options).status == 0
        (page,) = PdfReader(tmp_path / name).pages
        assert float(page.mediabox.width) == pytest.approx(width_pt, abs=0.01)


def test_the_guide_is_another_sheet(run: Run, tmp_path: Path) -> None:
    outcome = run("card", "--guide", tmp_path / "guide.pdf")
    assert outcome.out == "guide.pdf: print at actual size (100 %), on A4 paper\n"
    (page,) = PdfReader(tmp_path / "guide.pdf").pages
    assert "film thickness" in page.extract_text()


def test_nothing_is_written_over_without_force(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "card.svg"
    path.write_text("mine")
    outcome = run("card", path)
    assert (outcome.status, outcome.out) == (1, "")
    assert "is there already" in outcome.err
    assert path.read_text() == "mine"
    assert run("card", path, "--force").status == 0
    assert path.read_text().startswith("<?xml")


@pytest.mark.parametrize("arguments", [("card.jpg",), ("card",), (), ("card.pdf", "--paper", "a3")])
def test_wrong_usage_is_told(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...]
) -> None:
    monkeypatch.chdir(tmp_path)
    outcome = run("card", *arguments)
    assert outcome.status == 2
    assert outcome.err
    assert not list(tmp_path.iterdir())
