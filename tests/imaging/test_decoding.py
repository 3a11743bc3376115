"""Decoding: every format whole, and one clear line for everything else."""

import contextlib
import io
import os
import struct
import warnings
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pillow_heif
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image, ImageOps

from defectscan.errors import DefectscanError, NotMeasurableError, UnreadablePhotoError
from defectscan.imaging.decoding import DecodedPhoto, decode, read_bytes
from tests.fuzz_files import encoded

RNG = np.random.default_rng(7)
SMOOTH = cv2.GaussianBlur(RNG.integers(0, 256, (160, 220, 3), np.uint8), (0, 0), 2)
WIDE = RNG.integers(0, 65536, (160, 220, 3), np.uint16)
PHOTO = Path("photo.jpg")


def png(pixels: npt.NDArray[Any]) -> bytes:
    order = {2: None, 3: [2, 1, 0], 4: [2, 1, 0, 3]}[
        pixels.ndim if pixels.ndim == 2 else pixels.shape[2]
    ]
    done, data = cv2.imencode(".png", pixels if order is None else pixels[..., order])
    assert done
    return data.tobytes()


def tiff(pixels: npt.NDArray[Any], **options: Any) -> bytes:
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, pixels, **options)
    return buffer.getvalue()


def pixels_of(decoded: DecodedPhoto) -> npt.NDArray[Any]:
    return np.asarray(decoded.pixels)


def refused(data: bytes, kind: type[DefectscanError], text: str) -> DefectscanError:
    with pytest.raises(kind, match=text) as raised:
        decode(PHOTO, data)
    error = raised.value
    assert type(error) is kind
    assert str(error).startswith("photo.jpg ")
    assert str(error).isprintable()
    assert all((error.what, error.allowed, error.remedy))
    return error


IMAGE = Image.fromarray(SMOOTH)
FILES = {
    "JPEG": encoded(IMAGE, "JPEG", quality=90),
    "JPEG progressive": encoded(IMAGE, "JPEG", progressive=True),
    "PNG": encoded(IMAGE, "PNG"),
    "TIFF": encoded(IMAGE, "TIFF"),
    "TIFF deflate": encoded(IMAGE, "TIFF", compression="tiff_adobe_deflate"),
    "TIFF LZW": encoded(IMAGE, "TIFF", compression="tiff_lzw"),
    "WEBP": encoded(IMAGE, "WEBP", quality=90),
    "AVIF": encoded(IMAGE, "AVIF"),
    "HEIF": encoded(IMAGE, "HEIF", quality=90),
}
LOSSLESS = {
    "PNG": FILES["PNG"],
    "TIFF": FILES["TIFF"],
    "TIFF deflate": FILES["TIFF deflate"],
    "TIFF LZW": FILES["TIFF LZW"],
    "WEBP": encoded(IMAGE, "WEBP", lossless=True),
}


@pytest.mark.parametrize("name", FILES)
def test_formats(name: str) -> None:
    decoded = decode(PHOTO, FILES[name])
    assert decoded.format == name.split(maxsplit=1)[0]
    assert (decoded.orientation, decoded.exif) == (1, {})
    difference = pixels_of(decoded).astype(int) - SMOOTH
    assert abs(difference).mean() < 4
    assert isinstance(decoded.pixels, Image.Image)
    assert decoded.pixels.mode == "RGB"


@pytest.mark.parametrize("name", LOSSLESS)
def test_lossless_formats_come_back_exactly(name: str) -> None:
    assert np.array_equal(pixels_of(decode(PHOTO, LOSSLESS[name])), SMOOTH)


@pytest.mark.parametrize("name", FILES)
@settings(max_examples=25, deadline=None)
@given(fraction=st.floats(0, 1, exclude_max=True))
def test_cut_off_anywhere_is_refused(name: str, fraction: float) -> None:
    data = FILES[name][: int(fraction * len(FILES[name]))]
    refused(data, UnreadablePhotoError, "cut off")


@pytest.mark.parametrize("name", FILES)
@pytest.mark.parametrize("missing", [1, 2, 5, 12, 50])
def test_cut_off_at_the_end_is_refused(name: str, missing: int) -> None:
    refused(FILES[name][:-missing], UnreadablePhotoError, "cut off")


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=300))
@pytest.mark.parametrize(
    "start", [b"", b"\xff\xd8\xff\xe0", b"\x89PNG\r\n\x1a\n", b"II*\0", b"GIF89a"]
)
def test_arbitrary_bytes_are_refused(start: bytes, data: bytes) -> None:
    with pytest.raises(DefectscanError):
        decode(PHOTO, start + data)


@pytest.mark.parametrize("name", ["JPEG", "PNG", "TIFF", "TIFF LZW", "WEBP", "AVIF", "HEIF"])
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    changes=st.lists(
        st.tuples(st.one_of(st.integers(0, 600), st.integers(0, 10**6)), st.integers(0, 255)),
        min_size=1,
        max_size=6,
    )
)
def test_damaged_bytes_are_read_or_refused(name: str, changes: list[tuple[int, int]]) -> None:
    data = bytearray(FILES[name])
    for position, value in changes:
        data[position % len(data)] = value
    with contextlib.suppress(DefectscanError):
        assert pixels_of(decode(PHOTO, bytes(data))).shape[:2] != (0, 0)


def test_text_is_refused() -> None:
    refused(b"scratches: none\n" * 50, UnreadablePhotoError, "is no photo")


@pytest.mark.parametrize(
    ("kind", "name"), [("GIF", "GIF"), ("BMP", "BMP"), ("JPEG2000", "JPEG2000")]
)
def test_other_formats_are_named(kind: str, name: str) -> None:
    error = refused(encoded(IMAGE, kind), UnreadablePhotoError, f"is a {name} file")
    assert "HEIC" in error.allowed


def png_header(width: int, height: int) -> bytes:
    chunk = b"IHDR" + struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    data = b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + chunk
    data += struct.pack(">I", zlib.crc32(chunk))
    return data + FILES["PNG"][33:]


@pytest.mark.parametrize(
    ("width", "height", "megapixels"),
    [(40_000, 40_000, "1600.0"), (25_000, 10_001, "250.0"), (2**31 - 1, 300, "644245.1")],
)
def test_more_pixels_than_allowed(width: int, height: int, megapixels: str) -> None:
    error = refused(png_header(width, height), UnreadablePhotoError, f"{megapixels} megapixels")
    assert f"{width} x {height} px" in error.what
    assert "250 megapixels" in error.allowed


def test_a_phone_photo_of_200_megapixels_passes_the_limit() -> None:
    # the header passes; the picture behind it is not there
    refused(png_header(16_320, 12_240), UnreadablePhotoError, "cut off or damaged")


def test_pillow_keeps_its_own_limit() -> None:
    limit = Image.MAX_IMAGE_PIXELS
    decode(PHOTO, FILES["JPEG"])
    refused(png_header(40_000, 40_000), UnreadablePhotoError, "megapixels")
    assert limit == Image.MAX_IMAGE_PIXELS


@pytest.mark.parametrize("size", [(1, 1), (199, 199), (20, 199), (199, 1)])
def test_too_small(size: tuple[int, int]) -> None:
    error = refused(encoded(Image.new("RGB", size), "PNG"), NotMeasurableError, "has ")
    assert f"{size[0]} x {size[1]} px" in error.what
    assert "200 px" in error.allowed


@pytest.mark.parametrize("size", [(200, 1), (1, 200), (200, 150)])
def test_just_large_enough(size: tuple[int, int]) -> None:
    decoded = decode(PHOTO, encoded(Image.new("RGB", size), "PNG"))
    assert isinstance(decoded.pixels, Image.Image)
    assert decoded.pixels.size == size


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "AVIF", "TIFF"])
def test_several_pictures_are_refused(kind: str) -> None:
    frames = [Image.fromarray(np.roll(SMOOTH, 9 * n, axis=1)) for n in range(3)]
    data = encoded(frames[0], kind, save_all=True, append_images=frames[1:])
    refused(data, UnreadablePhotoError, "holds 3 pictures")


def test_multi_picture_jpeg_gives_its_first() -> None:
    second = Image.fromarray(255 - SMOOTH)
    data = encoded(IMAGE, "MPO", save_all=True, append_images=[second], quality=95)
    decoded = decode(PHOTO, data)
    assert decoded.format == "MPO"
    assert abs(pixels_of(decoded).astype(int) - SMOOTH).mean() < 4


@pytest.mark.parametrize("primary", [0, 1])
def test_heif_gives_its_primary_picture(primary: int) -> None:
    heif = pillow_heif.from_pillow(IMAGE)
    heif.add_from_pillow(Image.fromarray(255 - SMOOTH))
    buffer = io.BytesIO()
    heif.save(buffer, primary_index=primary, quality=95)
    expected = 255 - SMOOTH if primary else SMOOTH
    decoded = decode(PHOTO, buffer.getvalue())
    assert abs(pixels_of(decoded).astype(int) - expected).mean() < 4


@pytest.mark.parametrize("kind", ["AVIF", "HEIF"])
def test_files_that_call_themselves_mif1(kind: str) -> None:
    data = bytearray(FILES[kind])
    data[8:12] = b"mif1"
    assert decode(PHOTO, bytes(data)).format == kind


@pytest.mark.parametrize("kind", ["AVIF", "HEIF"])
@pytest.mark.parametrize("transfer", [16, 18])  # PQ and HLG in ITU-T H.273
def test_hdr_is_refused(kind: str, transfer: int) -> None:
    data = FILES[kind]
    place = data.index(b"colrnclx") + 10
    assert data[place : place + 2] == b"\0\x0d"  # sRGB's curve
    hdr = data[:place] + bytes([0, transfer]) + data[place + 2 :]
    refused(hdr, UnreadablePhotoError, "HDR")


def test_camera_raw_is_refused() -> None:
    refused(encoded(IMAGE, "TIFF", tiffinfo={254: 1}), UnreadablePhotoError, "camera raw")


@pytest.mark.parametrize(
    ("image", "kind", "bits"),
    [
        (Image.new("1", (220, 160)), "PNG", "1, 1 bits"),
        (Image.new("1", (220, 160)), "TIFF", "1, 1 bits"),
        (Image.new("F", (220, 160)), "TIFF", "F, 32 bits"),
        (Image.new("I", (220, 160)), "TIFF", "I, 32 bits"),
        (Image.new("LAB", (220, 160)), "TIFF", "LAB, 8 bits"),
    ],
)
def test_other_pixels_are_refused(image: Image.Image, kind: str, bits: str) -> None:
    refused(encoded(image, kind), UnreadablePhotoError, f"kind {bits}")


@pytest.mark.parametrize("mode", ["L", "P", "CMYK", "YCbCr", "RGBA", "LA"])
def test_opaque_modes(mode: str) -> None:
    image = IMAGE.convert(mode)
    data = encoded(image, "TIFF" if mode in ("CMYK", "YCbCr") else "PNG")
    pixels = decode(PHOTO, data).pixels
    assert isinstance(pixels, Image.Image)
    assert pixels.mode == {"RGBA": "RGB", "LA": "L"}.get(mode, mode)
    assert np.array_equal(np.asarray(pixels.convert("RGB")), np.asarray(image.convert("RGB")))


def with_alpha(mode: str, alpha: int) -> Image.Image:
    image = IMAGE.convert(mode)
    band = Image.new("L", image.size, 255)
    band.paste(alpha, (0, 0, 22, 160))  # a tenth
    image.putalpha(band)
    return image


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "WEBP", "AVIF", "HEIF"])
def test_transparent_photos_are_refused(kind: str) -> None:
    data = encoded(with_alpha("RGB", 128), kind)
    refused(data, NotMeasurableError, "transparent in (9.9|10) % of its area")


@pytest.mark.parametrize("mode", ["RGB", "L"])
def test_transparent_by_degree_or_colour(mode: str) -> None:
    refused(encoded(with_alpha(mode, 254), "PNG"), NotMeasurableError, "transparent in 10 %")
    flat = Image.new(mode, (220, 160))
    key = (0, 0, 0) if mode == "RGB" else 0
    refused(encoded(flat, "PNG", transparency=key), NotMeasurableError, "transparent in 1e\\+02 %")


def test_transparent_palette_is_refused() -> None:
    paletted = Image.new("P", (220, 160))
    data = encoded(paletted, "PNG", transparency=0)
    refused(data, NotMeasurableError, "transparent")


@pytest.mark.parametrize("mode", ["RGB", "L"])
def test_opaque_alpha_is_dropped(mode: str) -> None:
    decoded = decode(PHOTO, encoded(with_alpha(mode, 255), "PNG"))
    assert np.array_equal(pixels_of(decoded), np.asarray(IMAGE.convert(mode)))


OPAQUE = np.full((160, 220), 65535, np.uint16)


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (png(WIDE), WIDE),
        (png(WIDE[..., 0]), WIDE[..., 0]),
        (png(np.dstack([WIDE, OPAQUE])), WIDE),
        (tiff(WIDE, photometric="rgb"), WIDE),
        (tiff(WIDE, photometric="rgb", compression="zlib", predictor=2), WIDE),
        (tiff(WIDE, photometric="rgb", byteorder=">"), WIDE),
        (tiff(WIDE, photometric="rgb", tile=(64, 64)), WIDE),
        (tiff(np.dstack([WIDE, OPAQUE]), photometric="rgb", extrasamples=["unassalpha"]), WIDE),
        (tiff(WIDE[..., 0], photometric="minisblack"), WIDE[..., 0]),
        (tiff(WIDE[..., 0], photometric="minisblack", byteorder=">"), WIDE[..., 0]),
        (encoded(Image.fromarray(WIDE[..., 0]), "TIFF", compression="tiff_lzw"), WIDE[..., 0]),
    ],
    ids=[
        "PNG",
        "PNG grey",
        "PNG alpha",
        "TIFF",
        "TIFF deflate",
        "TIFF big-endian",
        "TIFF tiled",
        "TIFF alpha",
        "TIFF grey",
        "TIFF grey big-endian",
        "TIFF grey LZW",
    ],
)
def test_sixteen_bits_are_kept(data: bytes, expected: npt.NDArray[np.uint16]) -> None:
    pixels = decode(PHOTO, data).pixels
    assert isinstance(pixels, np.ndarray)
    assert pixels.dtype == np.uint16
    assert np.array_equal(pixels, expected)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("grey", [False, True])
def test_sixteen_bit_tiff_is_turned_upright(orientation: int, grey: bool) -> None:
    stored = WIDE[..., 0] if grey else WIDE
    data = tiff(
        stored,
        photometric="minisblack" if grey else "rgb",
        extratags=[(274, "H", 1, orientation, True)],
    )
    decoded = decode(PHOTO, data)
    upper = Image.fromarray((stored >> 8).astype(np.uint8))
    upper.getexif()[274] = orientation
    upright = np.asarray(ImageOps.exif_transpose(upper))
    assert decoded.orientation == 1
    assert np.array_equal(pixels_of(decoded) >> 8, upright)


def test_sixteen_bits_in_an_unusual_layout_are_refused() -> None:
    # both decoders misread separate planes of 16 bits, each in its own way
    planes = tiff(np.moveaxis(WIDE, 2, 0).copy(), photometric="rgb", planarconfig="separate")
    refused(planes, UnreadablePhotoError, "unusual layout")
    negative = tiff(WIDE[..., 0], photometric="miniswhite")
    refused(negative, UnreadablePhotoError, "kind I;16, 16 bits")


def test_unknown_tags_make_no_noise(capfd: pytest.CaptureFixture[str]) -> None:
    level = cv2.utils.logging.getLogLevel()
    data = encoded(Image.fromarray(WIDE[..., 0]), "TIFF", tiffinfo={50341: b"PrintIM"})
    assert np.array_equal(pixels_of(decode(PHOTO, data)), WIDE[..., 0])
    assert capfd.readouterr().err == ""
    assert cv2.utils.logging.getLogLevel() == level


@pytest.mark.parametrize("compression", ["tiff_lzw", "tiff_adobe_deflate", "jpeg"])
def test_damaged_strips_make_no_noise(compression: str, capfd: pytest.CaptureFixture[str]) -> None:
    data = bytearray(encoded(IMAGE, "TIFF", compression=compression))
    start = 200 if compression == "jpeg" else 300
    for place in range(start, len(data) - 300, 97):
        data[place] ^= 0xFF
    with contextlib.suppress(DefectscanError):
        decode(PHOTO, bytes(data))
    assert capfd.readouterr().err == ""


def test_eight_bit_negative_grey() -> None:
    decoded = decode(PHOTO, tiff(SMOOTH[..., 0], photometric="miniswhite"))
    assert np.array_equal(pixels_of(decoded), 255 - SMOOTH[..., 0])


def test_sixteen_bits_cut_off_are_refused() -> None:
    data = png(WIDE)
    for missing in (1, 100, len(data) // 2):
        refused(data[:-missing], UnreadablePhotoError, "cut off")


@pytest.mark.parametrize(
    "exif",
    [b"Exif\0\0", b"Exif\0\0junk" * 9, b"Exif\0\0II*\0\x08\0\0\0\xff\xff" + bytes(range(64))],
)
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_damaged_exif_does_not_spoil_the_photo(kind: str, exif: bytes) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        data = encoded(IMAGE, kind, exif=exif)
    decoded = decode(PHOTO, data)
    assert decoded.orientation == 1
    assert abs(pixels_of(decoded).astype(int) - SMOOTH).mean() < 10


def test_colour_profile_is_handed_on() -> None:
    for kind in ("JPEG", "PNG", "TIFF", "WEBP", "AVIF", "HEIF"):
        data = encoded(IMAGE, kind, icc_profile=b"a profile")
        assert decode(PHOTO, data).icc_profile == b"a profile", kind
    assert decode(PHOTO, FILES["JPEG"]).icc_profile is None


def test_whatever_a_decoder_raises(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(error: Exception) -> Callable[..., None]:
        def load(*_: object) -> None:
            raise error

        return load

    for error in (SyntaxError("broken\nPNG"), struct.error("short"), MemoryError(), Warning("w")):
        monkeypatch.setattr("PIL.ImageFile.ImageFile.load", fail(error))
        refused(FILES["PNG"], UnreadablePhotoError, "cut off or damaged")


def test_read_bytes(tmp_path: Path) -> None:
    path = tmp_path / "Lack.jpg"
    path.write_bytes(b"\0\1\2")
    assert read_bytes(path) == b"\0\1\2"


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("gone.jpg", "is not there"),
        ("folder", "is a folder"),
        ("empty.jpg", "is empty \\(0 bytes\\)"),
        ("empty.jpg/in.jpg", "cannot be opened"),
        ("x" * 300, "cannot be opened"),
        ("nul\0.jpg", "cannot be opened"),
    ],
)
def test_paths_without_a_photo(tmp_path: Path, name: str, text: str) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "empty.jpg").touch()
    with pytest.raises(UnreadablePhotoError, match=text) as raised:
        read_bytes(tmp_path / name)
    assert str(raised.value).isprintable()


def test_devices_are_refused() -> None:
    with pytest.raises(UnreadablePhotoError, match="not a regular file"):
        read_bytes(Path(os.devnull))


def test_without_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "photo.jpg"
    path.write_bytes(b"x")

    def refuse(_: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(UnreadablePhotoError, match="may not be read"):
        read_bytes(path)


def test_odd_names_stay_on_one_line(tmp_path: Path) -> None:
    with pytest.raises(UnreadablePhotoError) as raised:
        read_bytes(tmp_path / "two\nlines.jpg")
    assert str(raised.value).isprintable()
    assert "two\\nlines.jpg" in str(raised.value)
