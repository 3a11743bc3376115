"""Decode a photo's file whole, or say why it cannot be."""

import contextlib
import functools
import io
import re
import stat
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import cv2
import numpy as np
import numpy.typing as npt
import pi_heif
from PIL import ExifTags, Image, UnidentifiedImageError

from defectscan.errors import (
    DefectscanError,
    NotMeasurableError,
    UnreadablePhotoError,
    on_one_line,
)
from defectscan.imaging.linear_light import Pixels
from defectscan.imaging.quiet_codecs import STANDARD_ERROR, codecs_quiet

# AVIF before HEIF: both may call themselves "mif1", and only the AVIF reader looks further.
_FORMATS = ("JPEG", "PNG", "TIFF", "WEBP", "AVIF", "HEIF")
_OTHER_FORMATS = ("GIF", "BMP", "JPEG2000", "PSD", "PPM", "ICO", "EPS")
_MODES = frozenset(
    ("L", "LA", "La", "P", "PA", "RGB", "RGBA", "RGBa", "CMYK", "YCbCr", "I;16", "I;16B")
)
_MAX_PX = 250_000_000
_MIN_SIDE_PX = 200
_SUBFILE_TYPE, _BITS_PER_SAMPLE, _PHOTOMETRIC, _DNG_VERSION = 254, 258, 262, 50706  # TIFF tags
_STILL_BRANDS = frozenset((b"avi", b"hei", b"hev", b"mif", b"msf"))  # AVIF, HEIF, and sequences
_TIFF_STARTS = frozenset((b"II*\0", b"MM\0*"))
_PNG_END = b"\0\0\0\0IEND\xaeB`\x82"  # a whole picture may come without, when a copy was cut off
_HDR_TRANSFERS = frozenset((16, 18))  # PQ and HLG in ITU-T H.273
# An item's entry in ISO/IEC 14496-12: size, name, version 2 or 3, flags; number and protection.
_HEIF_ITEM = re.compile(rb"(.{4})infe(?:\x02.{7}|\x03.{9})", re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DecodedPhoto:
    """Hold a file's content, decoded.

    Parameters
    ----------
    format
        The file's format, as Pillow names it.
    pixels
        Opaque pixels, as stored: 16-bit grey or RGB, or an 8-bit image.
    icc_profile
        The ICC profile, if there is one.
    orientation
        EXIF orientation that is still to be applied, 1 to 8.
    exif
        EXIF tags of the exposure; empty where there are none, or damaged ones.
    """

    format: str
    pixels: Pixels
    icc_profile: bytes | None
    orientation: int
    exif: dict[int, Any]


def read_bytes(path: Path) -> bytes:
    """Read a photo's file.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    bytes
        Its content.

    Raises
    ------
    UnreadablePhotoError
        If it is missing, no regular file, may not be read, or is empty.
    """
    try:
        mode = path.stat().st_mode
        if not stat.S_ISREG(mode):
            kind = "a folder" if stat.S_ISDIR(mode) else "not a regular file"
            raise unreadable(path, f"is {kind}", remedy="name one photo")
        data = path.read_bytes()
    except (OSError, ValueError) as error:
        raise not_opened(path, error) from error
    if not data:
        raise unreadable(path, "is empty (0 bytes)", remedy="copy it from the camera again")
    return data


def decode(path: Path, data: bytes) -> DecodedPhoto:
    """Decode a photo.

    Parameters
    ----------
    path
        The file, for messages.
    data
        Its content.

    Returns
    -------
    DecodedPhoto
        One opaque picture.

    Raises
    ------
    UnreadablePhotoError
        If it is no photo, cut off, damaged, animated, too large, or of a kind not supported.
    NotMeasurableError
        If it is too small or partly transparent.
    """
    try:
        if data[:4] in _TIFF_STARTS and (tags := _tiff_tags(data)).get(_DNG_VERSION):
            return _developed(path, data, tags)
        image = _opened(path, data)
        icc_profile = image.info.get("icc_profile")
        # Pillow parses more of a TIFF's tags, with their warnings, while it decodes.
        with codecs_quiet() if image.format == "TIFF" else contextlib.nullcontext():
            image.load()
        orientation, exif = _exif(image.getexif)
        opaque = _opaque(path, image)
        return DecodedPhoto(
            format=str(image.format),
            pixels=_sixteen_bit(path, opaque, data) if _bits(image, data) == 16 else opaque,
            icc_profile=icc_profile,
            orientation=orientation,
            exif=exif,
        )
    except DefectscanError:
        raise
    except Exception as error:  # damaged bytes make a decoder raise anything
        reason = " ".join(str(error).split())[:120] or type(error).__name__
        raise unreadable(
            path, f"is cut off or damaged ({reason})", remedy="copy it from the camera again"
        ) from error


def _tiff_tags(data: bytes) -> Image.Exif:
    tags = Image.Exif()
    with codecs_quiet():
        tags.load(data)
    return tags


def _developed(path: Path, data: bytes, tags: Image.Exif) -> DecodedPhoto:
    """Develop a DNG raw file to sRGB: demosaiced and white-balanced, no more."""
    try:
        import rawpy  # noqa: PLC0415 - an extra
    except ImportError:
        raise unreadable(
            path,
            "is a DNG raw file",
            allowed="raw files need the extra raw",
            remedy="run pip install 'defectscan[raw]', or export it as a 16-bit TIFF",
        ) from None
    with STANDARD_ERROR.held_back():
        try:
            opened = rawpy.imread(io.BytesIO(data))
        except rawpy.LibRawFileUnsupportedError:
            raise unreadable(
                path,
                "is a DNG raw file of a kind unknown here",
                remedy="export it as a 16-bit TIFF",
            ) from None
        with opened as raw:
            _refuse_too_large(path, raw.sizes.raw_width, raw.sizes.raw_height)
            _refuse_too_small(path, raw.sizes.width, raw.sizes.height)
            # The gamma is sRGB's. LibRaw would turn and brighten the picture by itself.
            pixels = cast(
                "npt.NDArray[np.uint16]",
                raw.postprocess(
                    output_bps=16,
                    gamma=(2.4, 12.92),
                    no_auto_bright=True,
                    use_camera_wb=True,
                    user_flip=0,
                    adjust_maximum_thr=0,
                ),
            )
    if pixels.shape[2:] != (3,):
        raise unreadable(
            path,
            f"is a DNG raw file of {pixels.shape[-1]} colours",
            allowed="red, green and blue are needed",
            remedy="export it as a 16-bit TIFF",
        )
    orientation, exif = _exif(lambda: tags)
    return DecodedPhoto(
        format="DNG", pixels=pixels, icc_profile=None, orientation=orientation, exif=exif
    )


def unreadable(
    path: Path,
    what: str,
    *,
    allowed: str = "a JPEG, PNG, TIFF, HEIC, WebP or AVIF photo is needed",
    remedy: str,
) -> UnreadablePhotoError:
    """Word the error that a photo cannot be read."""
    return UnreadablePhotoError(f"{on_one_line(path)} {what}", allowed=allowed, remedy=remedy)


def not_opened(path: Path, error: OSError | ValueError) -> UnreadablePhotoError:
    """Word the error that a path cannot be opened."""
    if isinstance(error, FileNotFoundError):
        return unreadable(path, "is not there", remedy="check the name and the folder")
    if isinstance(error, PermissionError):
        return unreadable(path, "may not be read", remedy="change its permissions or copy it")
    reason = getattr(error, "strerror", None) or error
    return unreadable(path, f"cannot be opened ({reason})", remedy="check the name")


@functools.cache
def _register_heif() -> None:
    pi_heif.register_heif_opener()


def _opened(path: Path, data: bytes) -> Image.Image:
    """Read the header, and refuse what is not one measurable picture before it is decoded."""
    _refuse_unreadable_items(path, data)
    with codecs_quiet():
        _register_heif()
        try:
            image = Image.open(io.BytesIO(data), formats=_FORMATS)
        except UnidentifiedImageError:
            raise _unidentified(path, data) from None
        n_pictures = getattr(image, "n_frames", 1)
    width_px, height_px = image.size
    _refuse_too_large(path, width_px, height_px)
    _refuse_too_small(path, width_px, height_px)
    if image.format == "PNG" and _PNG_END not in data:
        raise unreadable(path, "is cut off", remedy="copy it from the camera again")
    # Multi-picture JPEG and HEIF say which of their pictures is the photo.
    if n_pictures > 1 and image.format not in ("MPO", "HEIF"):
        raise unreadable(
            path,
            f"holds {n_pictures} pictures",
            allowed="a single still photo is needed",
            remedy="save the one to be measured as a file of its own",
        )
    _refuse_unknown_pixels(path, image, data)
    return image


def _refuse_unreadable_items(path: Path, data: bytes) -> None:
    """Refuse a HEIF file whose items' kinds are no text: its reader would crash the process."""
    if data[4:8] != b"ftyp":
        return
    for item in _HEIF_ITEM.finditer(data):
        end = item.start() + int.from_bytes(item[1])
        try:
            data[item.end() : end].decode()
        except UnicodeDecodeError:
            raise unreadable(
                path,
                "is damaged (an item of no kind that is known)",
                remedy="copy it from the camera again",
            ) from None


def _refuse_too_large(path: Path, width_px: int, height_px: int) -> None:
    if width_px * height_px > _MAX_PX:
        raise unreadable(
            path,
            f"has {width_px} x {height_px} px ({width_px * height_px / 1e6:.1f} megapixels)",
            allowed=f"at most {_MAX_PX / 1e6:.0f} megapixels are allowed",
            remedy="take the photo at a lower resolution",
        )


def _refuse_too_small(path: Path, width_px: int, height_px: int) -> None:
    if max(width_px, height_px) < _MIN_SIDE_PX:
        raise NotMeasurableError(
            f"{on_one_line(path)} has {width_px} x {height_px} px",
            allowed=f"the longer side needs at least {_MIN_SIDE_PX} px",
            remedy="use the photo at its full size",
        )


def _refuse_unknown_pixels(path: Path, image: Image.Image, data: bytes) -> None:
    tags = getattr(image, "tag_v2", {})
    if tags.get(_SUBFILE_TYPE, 0) & 1:
        raise unreadable(path, "is a camera raw file", remedy="export it as a 16-bit TIFF")
    if image.mode not in _MODES or (_bits(image, data) == 16 and tags.get(_PHOTOMETRIC) == 0):
        raise unreadable(
            path,
            f"has pixels of the kind {image.mode}, {_bits(image, data)} bits",
            allowed="8 or 16 bits a channel, grey or colour, are needed",
            remedy="save it as an 8- or 16-bit RGB PNG",
        )
    if image.format in ("AVIF", "HEIF") and "icc_profile" not in image.info:
        transfers = {code[0] for code in re.findall(rb"colrnclx..\0(.)", data, re.DOTALL)}
        if transfers and transfers <= _HDR_TRANSFERS:
            raise unreadable(
                path,
                "is an HDR photo (PQ or HLG)",
                allowed="a photo with the sRGB curve or an ICC profile is needed",
                remedy="switch HDR off in the camera",
            )


def _unidentified(path: Path, data: bytes) -> UnreadablePhotoError:
    moving = data[4:8] == b"ftyp" and data[8:11] not in _STILL_BRANDS
    if moving or data[:4] == b"\x1aE\xdf\xa3" or data[8:11] == b"AVI":
        return unreadable(
            path, "is a clip", remedy="give it to score or compare under its own suffix, as .mp4"
        )
    try:
        kind = Image.open(io.BytesIO(data), formats=_OTHER_FORMATS).format
    except Exception:  # noqa: BLE001 - damaged bytes raise anything, and only a name is wanted
        return unreadable(path, "is no photo, or is cut off", remedy="check or copy it again")
    return unreadable(path, f"is a {kind} file", remedy="save it in one of these formats")


def _exif(read: Callable[[], Image.Exif]) -> tuple[int, dict[int, Any]]:
    # Damaged EXIF leaves the exposure unknown; the pixels are not worse for it.
    orientation: int = 1
    tags: dict[int, Any] = {}
    with codecs_quiet(), contextlib.suppress(Exception):
        exif = read()
        stored = exif.get(ExifTags.Base.Orientation, 1)
        orientation = int(stored) if stored in range(1, 9) else 1
        tags = exif.get_ifd(ExifTags.IFD.Exif)
    return orientation, tags


def _opaque(path: Path, image: Image.Image) -> Image.Image:
    if not image.has_transparency_data:
        return image
    rgba = image.convert("RGBA")
    counts = rgba.getchannel("A").histogram()
    transparent = 1 - counts[255] / sum(counts)
    if transparent:
        raise NotMeasurableError(
            f"{on_one_line(path)} is transparent in {100 * transparent:.2g} % of its area",
            allowed="an opaque photo is needed",
            remedy="use the photo as the camera wrote it",
        )
    # From a palette with transparency in bytes, Pillow warns of any way but this.
    return image.convert("L") if image.mode in ("L", "LA", "La") else rgba.convert("RGB")


def _bits(image: Image.Image, data: bytes) -> int:
    if image.format == "PNG":
        return data[24]  # the bit depth in the first chunk (ISO/IEC 15948)
    tags = getattr(image, "tag_v2", None)
    return 8 if tags is None else int(max(tags.get(_BITS_PER_SAMPLE, (1,))))


def _sixteen_bit(path: Path, image: Image.Image, data: bytes) -> npt.NDArray[np.uint16]:
    """Decode the 16 bits, of which Pillow keeps the upper 8 where there is colour.

    OpenCV and Pillow must agree on those: either misreads some layouts without an error.
    """
    with codecs_quiet():
        stored = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    wide = cast("npt.NDArray[Any] | None", stored)
    upper = np.asarray(image)
    if upper.dtype.itemsize == 2:
        upper = (upper >> 8).astype(np.uint8)
    if wide is not None and wide.dtype == np.uint16:
        if wide.ndim == 3:
            wide = np.ascontiguousarray(wide[:, :, 2::-1])
            wide = wide if upper.ndim == 3 else wide[:, :, 0]
        if wide.shape == upper.shape and np.array_equal(wide >> 8, upper):
            return wide
    raise unreadable(
        path,
        "stores its 16 bits in an unusual layout",
        allowed="plain 16-bit grey or RGB is needed",
        remedy="save it as a 16-bit RGB PNG",
    )
