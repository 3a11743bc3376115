"""Bad input through the command: one clear line and exit status 1, or the answer with a flag."""

import json
import zlib
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from tests.conftest import Outcome, RenderedPhotos, Run

pytestmark = pytest.mark.usefixtures("looked_at_once")

Rgb = NDArray[np.uint8]
SIZE = (320, 240)


def panel(*, lamps: tuple[tuple[int, int], ...] = ((150, 120),), seed: int = 0) -> Rgb:
    """Draw plain paint with the images of lamps in it."""
    rng = np.random.default_rng(seed)
    picture = 32 + 1.5 * rng.standard_normal((SIZE[1], SIZE[0], 3))
    y, x = np.mgrid[: SIZE[1], : SIZE[0]]
    for at_x, at_y in lamps:
        away = np.hypot(x - at_x, y - at_y)[..., None]
        picture += 400 / (1 + np.exp((away - 9) / 1.2)) + 40 / (1 + (away / 15) ** 2)
    return np.clip(np.round(picture), 0, 255).astype(np.uint8)


def empty(path: Path) -> None:
    path.write_bytes(b"")


def text(path: Path) -> None:
    path.write_text("This is no photo.\n" * 20)


def zeros(path: Path) -> None:
    path.write_bytes(bytes(5000))


def truncated(path: Path) -> None:
    Image.fromarray(panel()).save(path, "JPEG")
    path.write_bytes(path.read_bytes()[:-600])


def one_pixel(path: Path) -> None:
    Image.new("RGB", (1, 1)).save(path, "PNG")


def gigantic(path: Path) -> None:
    # A small file that says it is 40000 pixels wide and high.
    small = path.with_suffix(".small.png")
    Image.new("L", (64, 64)).save(small, "PNG")
    data = bytearray(small.read_bytes())
    small.unlink()
    data[16:24] = (40_000).to_bytes(4, "big") * 2
    data[29:33] = zlib.crc32(bytes(data[12:29])).to_bytes(4, "big")
    path.write_bytes(bytes(data))


def transparent(path: Path) -> None:
    alpha = np.full((*SIZE[::-1], 1), 90, np.uint8)
    Image.fromarray(np.concatenate([panel(), alpha], axis=-1)).save(path, "PNG")


def animated(path: Path) -> None:
    frames = [Image.fromarray(panel(seed=seed)) for seed in (1, 2)]
    frames[0].save(path, "WEBP", save_all=True, append_images=frames[1:], duration=100)


def no_highlight(path: Path) -> None:
    Image.fromarray(panel(lamps=())).save(path, "PNG")


def two_highlights(path: Path) -> None:
    Image.fromarray(panel(lamps=((80, 120), (240, 120)))).save(path, "PNG")


def black(path: Path) -> None:
    Image.new("RGB", SIZE).save(path, "PNG")


def white(path: Path) -> None:
    Image.new("RGB", SIZE, (255, 255, 255)).save(path, "PNG")


def folder_without_photos(path: Path) -> None:
    path.mkdir()
    (path / "notes.txt").write_text("none here")


def missing(path: Path) -> None:
    assert not path.exists()


REFUSED = [
    empty,
    text,
    zeros,
    truncated,
    one_pixel,
    gigantic,
    transparent,
    animated,
    no_highlight,
    two_highlights,
    black,
    white,
    folder_without_photos,
    missing,
]


def assert_refused(told: Outcome, name: str) -> None:
    assert told.status == 1
    assert told.out == ""
    assert told.err.count("\n") == 1
    assert "Traceback" not in told.err
    assert name in told.err
    # What and its value; what is allowed; what to do.
    assert told.err.count(";") >= 2


@pytest.mark.parametrize("make", REFUSED, ids=lambda make: make.__name__)
def test_score_refuses(make: Callable[[Path], None], run: Run, tmp_path: Path) -> None:
    photo = tmp_path / "door.jpg"
    make(photo)
    before = set(tmp_path.rglob("*"))
    told = run(
        "score", photo, "--json", tmp_path / "score.json", "--lines", tmp_path / "lines.png",
        "--out", tmp_path / "report",
    )  # fmt: skip
    assert_refused(told, "door.jpg")
    assert set(tmp_path.rglob("*")) == before


@pytest.mark.parametrize("which", ["before", "after"])
@pytest.mark.parametrize("make", [empty, truncated, no_highlight], ids=lambda make: make.__name__)
def test_compare_refuses(
    make: Callable[[Path], None], which: str, run: Run, photos: RenderedPhotos, tmp_path: Path
) -> None:
    bad = tmp_path / "bad.jpg"
    make(bad)
    before = set(tmp_path.rglob("*"))
    pair = (bad, photos.first_after) if which == "before" else (photos.first_before, bad)
    told = run("compare", *pair, "--json", tmp_path / "x.json", "--out", tmp_path / "report")
    assert_refused(told, "bad.jpg")
    assert set(tmp_path.rglob("*")) == before


def test_a_file_that_may_not_be_read(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    photo = tmp_path / "door.jpg"
    Image.fromarray(panel()).save(photo)

    def refuse(*_: object) -> bytes:
        raise PermissionError(13, "Permission denied")

    # Whoever runs the tests may be allowed to read everything.
    monkeypatch.setattr(Path, "read_bytes", refuse)
    assert_refused(run("score", photo), "door.jpg")


def test_a_path_through_a_file(run: Run, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    assert_refused(run("score", tmp_path / "file" / "door.jpg"), "door.jpg")


def test_names_that_would_break_the_line(run: Run, tmp_path: Path) -> None:
    told = run("score", tmp_path / "two\nlines\x1b[31m.jpg")
    assert told.status == 1
    assert told.err.count("\n") == 1
    assert "\x1b" not in told.err


@pytest.mark.parametrize("mode", ["L", "P", "CMYK", "RGBA", "I;16"])
def test_other_kinds_of_pixels_are_read(
    mode: str, run: Run, photos: RenderedPhotos, tmp_path: Path
) -> None:
    rgb = photos.states[0].shots[0].rgb
    path = tmp_path / "photo.tif"
    if mode == "I;16":
        wide = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(np.uint16) * 257
        Image.fromarray(wide).save(path)
    else:
        Image.fromarray(rgb).convert(mode).save(path)
    told = run("score", path, "--mm-per-px", "0.1", "--json", "-")
    assert (told.status, told.err) == (0, "")
    found = json.loads(told.out)["line_density_mm_per_cm2"]
    true = photos.states[0].panel.density_mm_per_cm2()
    # A palette of 256 colours costs most lines; the rest is a matter of colour alone.
    assert mode == "P" or found["low"] < true < found["high"]


def test_a_wrong_extension_does_not_matter(
    run: Run, photos: RenderedPhotos, tmp_path: Path
) -> None:
    path = tmp_path / "photo.png"
    path.write_bytes(photos.first_before.read_bytes())
    told = run("score", path, "--mm-per-px", "0.1", "--json", "-")
    right = run("score", photos.first_before, "--mm-per-px", "0.1", "--json", "-")
    assert told.status == 0
    density = "line_density_mm_per_cm2"
    assert json.loads(told.out)[density] == json.loads(right.out)[density]


def test_a_stray_text_file_in_a_folder_does_not_matter(
    run: Run, photos: RenderedPhotos, tmp_path: Path
) -> None:
    (tmp_path / "1.jpg").write_bytes(photos.first_before.read_bytes())
    (tmp_path / "notes.txt").write_text("bonnet, left half")
    (tmp_path / ".hidden.jpg").write_text("no photo")
    told = run("score", tmp_path, "--json", "-")
    assert told.status == 0
    assert len(json.loads(told.out)["shots"]) == 1


def test_a_bad_photo_in_a_folder_is_named(run: Run, photos: RenderedPhotos, tmp_path: Path) -> None:
    (tmp_path / "1.jpg").write_bytes(photos.first_before.read_bytes())
    truncated(tmp_path / "2.jpg")
    told = run("score", tmp_path, "--json", "-")
    assert (told.status, told.err) == (0, "")
    record = json.loads(told.out)
    assert [shot["file"] for shot in record["shots"]] == ["1.jpg"]
    assert [one["file"] for one in record["set_aside"]] == ["2.jpg"]
    assert "set_aside" in {flag["name"] for flag in record["flags"]}
    assert "2.jpg" in run("score", tmp_path).out
    (tmp_path / "1.jpg").unlink()
    assert_refused(run("score", tmp_path), "2.jpg")


def test_a_perfect_panel_is_an_answer(run: Run, tmp_path: Path) -> None:
    photo = tmp_path / "perfect.png"
    Image.fromarray(panel()).save(photo)
    told = run("score", photo, "--mm-per-px", "0.2", "--json", "-")
    assert (told.status, told.err) == (0, "")
    record = json.loads(told.out)
    assert record["line_density_mm_per_cm2"]["value"] == 0
    assert record["line_density_mm_per_cm2"]["high"] > 0
    assert "below_limit" in {flag["name"] for flag in record["flags"]}
    both = run("compare", photo, photo, "--mm-per-px", "0.2", "--json", "-")
    assert (both.status, both.err) == (0, "")
    assert json.loads(both.out)["correction_percent"] is None


def test_a_spotless_picture_without_noise(run: Run, tmp_path: Path) -> None:
    # Paint in one single shade, as noise reduction may leave it.
    y, x = np.mgrid[: SIZE[1], : SIZE[0]]
    away = np.hypot(x - 150, y - 120)
    even = np.clip(30 + 400 / (1 + np.exp((away - 9) / 1.2)), 0, 255).astype(np.uint8)
    photo = tmp_path / "even.png"
    Image.fromarray(np.stack([even] * 3, axis=-1)).save(photo)
    told = run("score", photo, "--json", "-")
    assert (told.status, told.err) == (0, "")
    assert json.loads(told.out)["line_density_per_px"]["value"] == 0


def test_the_same_photo_twice(run: Run, photos: RenderedPhotos) -> None:
    told = run("compare", photos.first_before, photos.first_before, "--json", "-")
    assert (told.status, told.err) == (0, "")
    record = json.loads(told.out)
    percent = record["correction_percent"]
    assert percent["value"] == 0
    assert percent["low"] < 0 < percent["high"]
    assert "same_photo" in {flag["name"] for flag in record["flags"]}


def test_two_different_panels(run: Run, photos: RenderedPhotos, tmp_path: Path) -> None:
    # Another panel of another colour, without anything that the first one has.
    rng = np.random.default_rng(8)
    rgb = panel(lamps=((210, 110),)).astype(np.float64)
    for at_x, at_y in rng.random((40, 2)) * [300, 220] + 10:
        ends = np.array([at_x, at_y]) + rng.normal(0, 9, 2)
        cv2.line(
            rgb, (int(at_x), int(at_y)), (int(ends[0]), int(ends[1])), (90, 90, 90), 1, cv2.LINE_AA
        )
    other = np.clip(rgb * [1.4, 0.6, 0.5] + [50, 0, 0], 0, 255).astype(np.uint8)
    other[rgb.min(axis=-1) > 240] = 255
    path = tmp_path / "other.png"
    Image.fromarray(cv2.resize(other, (960, 720), interpolation=cv2.INTER_CUBIC)).save(path)
    told = run("compare", photos.first_before, path, "--json", "-")
    assert (told.status, told.err) == (0, "")
    record = json.loads(told.out)
    names = {flag["name"] for flag in record["flags"]}
    assert {"not_registered", "maybe_other_panel"} <= names
    assert record["registration"] is None
    assert record["lines"] is None


def test_a_photo_after_turned_by_half_a_turn(
    run: Run, photos: RenderedPhotos, tmp_path: Path
) -> None:
    turned = tmp_path / "turned.png"
    Image.fromarray(photos.states[1].shots[0].rgb).rotate(180).save(turned, compress_level=1)
    told = run("compare", photos.first_before, turned, "--mm-per-px", "0.1", "--json", "-")
    assert (told.status, told.err) == (0, "")
    record = json.loads(told.out)
    before, after = (state.panel.density_mm_per_cm2() for state in photos.states)
    percent = record["correction_percent"]
    assert percent["low"] < 100 * (1 - after / before) < percent["high"]
    names = {flag["name"] for flag in record["flags"]}
    assert "turned" in names or "not_registered" in names


def test_an_output_folder_that_is_a_file(run: Run, photos: RenderedPhotos, tmp_path: Path) -> None:
    (tmp_path / "report").write_text("a file")
    told = run("score", photos.first_before, "--out", tmp_path / "report")
    assert_refused(told, "report")
    assert (tmp_path / "report").read_text() == "a file"
