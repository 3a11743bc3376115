"""A whole file of every kind that is read, and ways to damage its bytes."""

import functools
import io
import json
import struct
import zipfile
import zlib
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import cv2
import numpy as np
import pillow_heif
import tifffile
from numpy.typing import NDArray
from PIL import Image

from defectscan.workshop.book import open_book
from defectscan.workshop.book_archive import NAME, export_archive
from defectscan.workshop.book_database import FILE
from tests.imaging.test_linear_light import (
    DISPLAY_P3,
    SRGB,
    black_ink_profile,
    grey_profile,
    rgb_profile,
)
from tests.imaging.test_raw import dng
from tests.judging.conftest import deck_of, key_file, saved
from tests.workshop.job_of_all_kinds import enter_all_kinds

WIDTH_PX, HEIGHT_PX = 240, 180
PHOTOS = ("jpeg", "png", "tiff", "heic", "webp", "avif", "dng")
SUFFIXES = {
    "jpeg": ".jpg", "png": ".png", "tiff": ".tif", "heic": ".heic", "webp": ".webp",
    "avif": ".avif", "dng": ".dng",
}  # fmt: skip
# Sizes and counts that fields of a header are set to.
_HUGE = (0, 1, 0x7F, 0xFF, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0xFFFFFFFF, 2**63 - 1, 2**64 - 1, 50_000)
_HEAD_BYTES = 1200
_MOST_BYTES = 4_000_000

Rgb = NDArray[np.uint8]


def panel(*, lamp_px: float = 110, seed: int = 0) -> Rgb:
    """Draw plain paint with grooves round one lamp's image."""
    rng = np.random.default_rng(seed)
    picture = 32 + 1.5 * rng.standard_normal((HEIGHT_PX, WIDTH_PX, 3))
    y, x = np.mgrid[:HEIGHT_PX, :WIDTH_PX]
    away = np.hypot(x - lamp_px, y - 90)[..., None]
    picture += 400 / (1 + np.exp((away - 9) / 1.2)) + 40 / (1 + (away / 15) ** 2)
    for _ in range(40):
        radius, angle = rng.uniform(25, 90), rng.uniform(0, 2 * np.pi)
        middle = np.array([lamp_px, 90]) + radius * np.array([np.cos(angle), np.sin(angle)])
        along = 8 * np.array([-np.sin(angle), np.cos(angle)])
        ends = [tuple(int(v) for v in middle + sign * along) for sign in (-1, 1)]
        cv2.line(picture, ends[0], ends[1], (120, 120, 120), 1, cv2.LINE_AA)
    return np.clip(np.round(picture), 0, 255).astype(np.uint8)


def encoded(image: Image.Image, file_format: str, **options: Any) -> bytes:
    """Return a picture as a file."""
    buffer = io.BytesIO()
    if file_format == "HEIF":
        pillow_heif.from_pillow(image).save(buffer, **options)
    else:
        image.save(buffer, file_format, **options)
    return buffer.getvalue()


def png16(pixels: NDArray[np.uint16]) -> bytes:
    """Return 16-bit pixels as a PNG."""
    done, data = cv2.imencode(".png", pixels)
    assert done
    return data.tobytes()


def tiff16(pixels: NDArray[np.uint16], **options: Any) -> bytes:
    """Return 16-bit pixels as a TIFF."""
    buffer = io.BytesIO()
    photometric = "rgb" if pixels.ndim == 3 else "minisblack"
    tifffile.imwrite(buffer, pixels, photometric=photometric, **options)
    return buffer.getvalue()


def exif() -> bytes:
    """Return what a phone says of an exposure."""
    tags = Image.Exif()
    tags[274], tags[271] = 6, "a phone"
    tags.get_ifd(0x8769).update(
        {33434: 0.01, 33437: 1.8, 34855: 100, 37386: 4.2, 41988: 1.0, 41990: 3, 42080: 2}
    )
    tags.get_ifd(0x8825).update({1: "N", 2: (48.0, 30.0, 0.0)})
    return tags.tobytes()


@functools.cache
def profiles() -> tuple[bytes, ...]:
    """Return colour profiles of several kinds."""
    wide = rgb_profile(((0.7, 0.3), (0.2, 0.7), (0.14, 0.05)), 1.8)
    return SRGB, DISPLAY_P3, wide, grey_profile(2.2), grey_profile(None), black_ink_profile()


@functools.cache
def photos(kind: str) -> tuple[bytes, ...]:  # noqa: PLR0911 - a kind each
    """Return whole photos of one kind."""
    rgb = panel()
    wide = rgb.astype(np.uint16) * 257
    image = Image.fromarray(rgb)
    second = Image.fromarray(rgb[::-1])
    if kind == "jpeg":
        return (
            encoded(image, "JPEG", quality=85, exif=exif()),
            encoded(image, "JPEG", progressive=True, icc_profile=DISPLAY_P3),
            encoded(image.convert("CMYK"), "JPEG", icc_profile=black_ink_profile()),
            encoded(image.convert("L"), "JPEG"),
            encoded(image, "MPO", save_all=True, append_images=[second]),
        )
    if kind == "png":
        return (
            encoded(image, "PNG", exif=exif(), icc_profile=DISPLAY_P3),
            encoded(image.convert("P"), "PNG"),
            encoded(image.convert("RGBA"), "PNG"),
            png16(wide),
            png16(wide[..., 0].copy()),
        )
    if kind == "tiff":
        return (
            encoded(image, "TIFF", exif=exif(), icc_profile=DISPLAY_P3),
            encoded(image, "TIFF", compression="tiff_lzw"),
            encoded(image, "TIFF", compression="jpeg"),
            encoded(image.convert("CMYK"), "TIFF", compression="tiff_adobe_deflate"),
            tiff16(wide),
            tiff16(wide, compression="zlib", predictor=2, tile=(64, 64), byteorder=">"),
            tiff16(wide[..., 0]),
        )
    if kind == "heic":
        return encoded(image, "HEIF", quality=80), encoded(image, "HEIF", exif=exif())
    if kind == "webp":
        return (
            encoded(image, "WEBP", exif=exif()),
            encoded(image, "WEBP", lossless=True, icc_profile=DISPLAY_P3),
            encoded(image.convert("RGBA"), "WEBP"),
        )
    if kind == "avif":
        return encoded(image, "AVIF"), encoded(image, "AVIF", exif=exif(), icc_profile=DISPLAY_P3)
    assert kind == "dng"
    return dng(wide[..., 1].copy()), dng(wide[..., 1].copy(), orientation=6)


@functools.cache
def clips() -> dict[str, bytes]:
    """Return short clips by suffix."""
    found = {}
    with TemporaryDirectory() as folder:
        for suffix, code in ((".mp4", "mp4v"), (".avi", "MJPG"), (".mkv", "mp4v")):
            path = Path(folder) / f"clip{suffix}"
            fourcc = cv2.VideoWriter.fourcc(*code)
            writer = cv2.VideoWriter(str(path), fourcc, 30.0, (WIDTH_PX, HEIGHT_PX))
            assert writer.isOpened()
            for number in range(8):
                writer.write(panel(lamp_px=60 + 15 * number, seed=number))
            writer.release()
            found[suffix] = path.read_bytes()
    return found


@functools.cache
def book() -> dict[str, bytes]:
    """Return the files of a job book with an entry of every kind, by their name in its folder."""
    with TemporaryDirectory() as folder:
        with open_book(folder, create=True, who="tester") as opened:
            enter_all_kinds(opened)
        return {
            str(path.relative_to(folder)): path.read_bytes()
            for path in Path(folder).rglob("*")
            if path.is_file()
        }


@functools.cache
def empty_book() -> dict[str, bytes]:
    """Return the files of a job book without entries."""
    with TemporaryDirectory() as folder:
        open_book(folder, create=True, who="tester").close()
        return {FILE: (Path(folder) / FILE).read_bytes()}


@functools.cache
def archive() -> dict[str, bytes]:
    """Return what an archive of a job book holds."""
    with TemporaryDirectory() as folder:
        with open_book(Path(folder) / "book", create=True, who="tester") as opened:
            enter_all_kinds(opened)
            export_archive(opened, Path(folder) / "all", job_id=None, force=False)
        return {
            str(path.relative_to(Path(folder) / "all")): path.read_bytes()
            for path in (Path(folder) / "all").rglob("*")
            if path.is_file()
        }


def zipped(members: dict[str, bytes]) -> bytes:
    """Return an archive as a ZIP file."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as opened:
        for name, data in members.items():
            opened.writestr(name, data)
    return buffer.getvalue()


def archive_json() -> Any:
    """Return what an archive of a job book says."""
    return json.loads(archive()[NAME])


@functools.cache
def graded() -> dict[str, bytes]:
    """Return a deck's key, grades as its page saves them, and a sheet typed from paper."""
    with TemporaryDirectory() as folder:
        path, key = key_file(deck_of([0, 1, 2, 3, 4, 5]), Path(folder))
        rows = "".join(f"Ana,2026-05-01,{n},{n % 6}\n" for n in range(1, 9))
        return {
            "key.json": path.read_bytes(),
            "grades.json": saved(key, [0, 1, 2, 3, 4, 5, None, 0]).encode(),
            "grades.csv": b"rater,date,photo,grade\n" + rows.encode(),
        }


JOB = {
    "title": "Touring motorcycle, invented",
    "scenario": "Invented.",
    "panels": [
        {"title": "Tank", "before": "before.jpg", "after": "after.jpg", "mm_per_px": 0.2},
        {"title": "Fairing", "before": "before.jpg", "after": "after.jpg", "mm_per_px": None},
    ],
}
LIMITS = (
    b"target_density_mm_per_cm2 = 12\nreserve_um = 70.5\nlargest_haze = 0.1\nusual_cut_um = 1.5\n"
)
JUDGING_LIMITS = b"kappa = 0.7\nicc = 0.8\nbias_percent = 12\n"
LETTERHEAD = b'name = "Workshop of nobody, invented"\nlogo = "logo.png"\n'


@functools.cache
def everything() -> tuple[bytes, ...]:
    """Return a file of every kind, to take parts from."""
    found = [one for kind in PHOTOS for one in photos(kind)]
    found += [*clips().values(), book()[FILE], zipped(archive()), *graded().values(), *profiles()]
    return (*found, json.dumps(JOB).encode(), LIMITS)


def damaged(data: bytes, rng: np.random.Generator) -> bytes:
    """Damage a file in one to three of the ways in which files are damaged."""
    for _ in range(int(rng.integers(1, 4))):
        way = _WAYS[int(rng.integers(len(_WAYS)))]
        data = bytes(way(data or b"\0", rng))[:_MOST_BYTES]
    if data.startswith(b"\x89PNG") and rng.random() < 0.7:
        data = _with_right_sums(data)
    return data


def _place(data: Sequence[int], rng: np.random.Generator) -> int:
    # Half of the damage goes to the head, where the sizes and the counts stand.
    end = min(len(data), _HEAD_BYTES) if rng.random() < 0.5 else len(data)
    return int(rng.integers(end))


def _bytes_flipped(data: bytes, rng: np.random.Generator) -> bytes:
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 9))):
        out[_place(out, rng)] = int(rng.integers(256))
    return bytes(out)


def _bits_flipped(data: bytes, rng: np.random.Generator) -> bytes:
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 9))):
        out[_place(out, rng)] ^= 1 << int(rng.integers(8))
    return bytes(out)


def _cut(data: bytes, rng: np.random.Generator) -> bytes:
    return data[: _place(data, rng)] if rng.random() < 0.7 else data[_place(data, rng) :]


def _taken_out(data: bytes, rng: np.random.Generator) -> bytes:
    start = _place(data, rng)
    return data[:start] + data[start + int(rng.integers(1, 200)) :]


def _spliced(data: bytes, rng: np.random.Generator) -> bytes:
    others = everything()
    other = others[int(rng.integers(len(others)))]
    start, first = _place(data, rng), _place(other, rng)
    part = other[first : first + int(rng.integers(1, 600))]
    end = start + len(part) if rng.random() < 0.5 else start
    return data[:start] + part + data[end:]


def _repeated(data: bytes, rng: np.random.Generator) -> bytes:
    start = _place(data, rng)
    part = data[start : start + int(rng.integers(1, 400))]
    return data[:start] + part * int(rng.integers(2, 60)) + data[start:]


def _another_head(data: bytes, rng: np.random.Generator) -> bytes:
    others = everything()
    other = others[int(rng.integers(len(others)))]
    length = int(rng.choice([4, 8, 12, 16, 32, 64, 128]))
    return other[:length] + data[length:]


def _zeroed(data: bytes, rng: np.random.Generator) -> bytes:
    start, length = _place(data, rng), int(rng.integers(1, 300))
    return data[:start] + bytes(len(data[start : start + length])) + data[start + length :]


def _huge(data: bytes, rng: np.random.Generator) -> bytes:
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 4))):
        size = int(rng.choice([1, 2, 4, 4, 8]))
        value = _HUGE[int(rng.integers(len(_HUGE)))] % 256**size
        start = _place(out, rng)
        order = "big" if rng.random() < 0.5 else "little"
        out[start : start + size] = value.to_bytes(size, order)
    return bytes(out)


_WAYS = (
    _bytes_flipped, _bits_flipped, _cut, _taken_out, _spliced, _repeated, _another_head, _zeroed,
    _huge, _huge,
)  # fmt: skip


def _with_right_sums(data: bytes) -> bytes:
    """Give a PNG's chunks their right check sums, so that what is in them is looked at."""
    out, place = bytearray(data), 8
    while place + 12 <= len(out):
        (length,) = struct.unpack_from(">I", out, place)
        end = place + 8 + length
        if end + 4 > len(out):
            break
        struct.pack_into(">I", out, end, zlib.crc32(bytes(out[place + 4 : end])))
        place = end + 4
    return bytes(out)
