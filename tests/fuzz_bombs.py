"""Small files that unpack to much: of under 50 megapixels, and text without end."""

import io
import struct
import zipfile
import zlib
from collections.abc import Callable

import numpy as np
from PIL import Image

from tests.fuzz_files import JOB, encoded, exif, graded, panel, photos, png16, tiff16

SIDE_PX = 7000


def _plain(mode: str) -> Image.Image:
    return Image.new(mode, (SIDE_PX, SIDE_PX), 40 if mode in "LP" else None)


def _opaque() -> Image.Image:
    return Image.new("RGBA", (SIDE_PX, SIDE_PX), (40, 40, 40, 255))


def _wide(*, channels: int) -> "np.ndarray[tuple[int, ...], np.dtype[np.uint16]]":
    return np.full((SIDE_PX, SIDE_PX, channels)[: 2 + (channels > 1)], 9000, np.uint16)


def chunk(name: bytes, content: bytes) -> bytes:
    """Return a chunk of a PNG."""
    sum_ = struct.pack(">I", zlib.crc32(name + content))
    return struct.pack(">I", len(content)) + name + content + sum_


def png_with(*chunks: bytes) -> bytes:
    """Return a small PNG with further chunks behind its head."""
    data = encoded(Image.fromarray(panel()), "PNG")
    return data[:33] + b"".join(chunks) + data[33:]


def png_that_says(width_px: int, height_px: int, *, bits: int = 8, colour: int = 2) -> bytes:
    """Return a small PNG whose head says another size."""
    data = encoded(Image.fromarray(panel()), "PNG")
    head = struct.pack(">IIBBBBB", width_px, height_px, bits, colour, 0, 0, 0)
    return data[:8] + chunk(b"IHDR", head) + data[33:]


def _heavy_profile() -> bytes:
    return b"p\0\0" + zlib.compress(bytes(400_000_000), 9)


def _tiff_of_many_pictures() -> bytes:
    """Return a TIFF whose list of pictures comes back to its beginning."""
    data = bytearray(encoded(Image.fromarray(panel()), "TIFF"))
    (first,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, first)
    struct.pack_into("<I", data, first + 2 + 12 * count, first)
    return bytes(data)


def _jpeg_that_says(width_px: int, height_px: int) -> bytes:
    data = bytearray(photos("jpeg")[0])
    place = data.index(b"\xff\xc0") + 5
    struct.pack_into(">HH", data, place, height_px, width_px)
    return bytes(data)


PHOTO_BOMBS: dict[str, Callable[[], bytes]] = {
    "png grey": lambda: encoded(_plain("L"), "PNG"),
    "png colour": lambda: encoded(_plain("RGB"), "PNG"),
    "png opaque": lambda: encoded(_opaque(), "PNG"),
    "png palette": lambda: encoded(_plain("P"), "PNG", transparency=1),
    "png 16 grey": lambda: png16(_wide(channels=1)),
    "png 16 colour": lambda: png16(_wide(channels=3)),
    "png 16 alpha": lambda: png16(np.where(np.arange(4) == 3, 65535, _wide(channels=4))),
    "png says 49 megapixels": lambda: png_that_says(SIDE_PX, SIDE_PX),
    "png says 49 megapixels of 16 bits": lambda: png_that_says(SIDE_PX, SIDE_PX, bits=16, colour=6),
    "png says one line": lambda: png_that_says(2**31 - 1, 1),
    "png profile": lambda: png_with(chunk(b"iCCP", _heavy_profile())),
    "png text": lambda: png_with(*[chunk(b"zTXt", b"k\0\0" + zlib.compress(bytes(10**6), 9))] * 99),
    "png exif": lambda: png_with(chunk(b"eXIf", exif() + bytes(30_000_000))),
    "tiff colour": lambda: encoded(_plain("RGB"), "TIFF", compression="tiff_adobe_deflate"),
    "tiff cmyk": lambda: encoded(_plain("CMYK"), "TIFF", compression="tiff_lzw"),
    "tiff 16 colour": lambda: tiff16(_wide(channels=3), compression="zlib"),
    "tiff 16 grey": lambda: tiff16(_wide(channels=1), compression="zlib"),
    "tiff of pictures in a ring": _tiff_of_many_pictures,
    "jpeg": lambda: encoded(_plain("RGB"), "JPEG"),
    "jpeg progressive": lambda: encoded(_plain("RGB"), "JPEG", progressive=True),
    "jpeg cmyk": lambda: encoded(_plain("CMYK"), "JPEG"),
    "jpeg says 65500 lines": lambda: _jpeg_that_says(700, 65500),
    "webp": lambda: encoded(_plain("RGB"), "WEBP"),
    "webp opaque": lambda: encoded(_opaque(), "WEBP", lossless=True),
    "avif": lambda: encoded(_plain("RGB"), "AVIF", speed=10),
    "heic": lambda: encoded(_plain("RGB"), "HEIF"),
}


def _zip_of_spaces() -> bytes:
    buffer = io.BytesIO()
    with (
        zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as opened,
        opened.open("job_book.json", "w") as file,
    ):
        for _ in range(150):
            file.write(b" " * 10_000_000)
        file.write(b"{}")
    return buffer.getvalue()


def _many_grades() -> bytes:
    head = graded()["grades.json"].split(b' "grades": [')[0]
    rows = ",\n".join('{"card":1,"grade":1}' for _ in range(220_000))
    return head + b' "grades": [\n' + rows.encode() + b"\n]}"


def _sheet(row: str, times: int) -> bytes:
    return b"rater,date,photo,grade\n" + row.encode() * times


# By the name that the file is to have.
TEXT_BOMBS: dict[str, tuple[str, Callable[[], bytes]]] = {
    "archive of spaces": ("archive.zip", _zip_of_spaces),
    "many grades": ("grades.json", _many_grades),
    "many braces": ("grades.json", lambda: b"{" * 4_900_000),
    "a long cell": ("grades.csv", lambda: _sheet("Ana,2026-05-01,1," + "9" * 4_000_000 + "\n", 1)),
    "many sheets": ("grades.csv", lambda: _sheet("Ana,2026-05-01,1,1\n", 240_000)),
    "many quotes": ("grades.csv", lambda: _sheet('"', 4_900_000)),
    "deep job": ("job.json", lambda: b"[" * 200_000),
    "deep job, closed": ("job.json", lambda: b'{"panels":' * 100_000 + b"1" + b"}" * 100_000),
    "digits": ("job.json", lambda: b'{"panels": [{"mm_per_px": ' + b"9" * 1_000_000 + b"}]}"),
    "many panels": (
        "job.json",
        lambda: str({"panels": [JOB["panels"][0]] * 20_000}).replace("'", '"').encode(),
    ),
    "deep limits": ("limits.toml", lambda: b"reserve_um = " + b"[" * 100_000),
    "long key of limits": ("limits.toml", lambda: b"a." * 100_000 + b"b = 1"),
    "digits of a limit": ("limits.toml", lambda: b"reserve_um = " + b"9" * 400),
    "deep judging limits": ("judging_limits.toml", lambda: b"kappa = " + b"[" * 100_000),
    "deep letterhead": ("workshop.toml", lambda: b"name = " + b"{a=" * 50_000),
}
