"""Read a photo: linear luminance, exposure and checksum."""

import hashlib
import math
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
from PIL import ExifTags, Image, ImageOps

from defectscan.imaging.decoding import decode, not_opened, read_bytes, unreadable
from defectscan.imaging.linear_light import size_px, to_linear_light
from defectscan.imaging.processing import NOT_PROCESSED, Processing, processing_of

_SUFFIXES = frozenset(
    (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif", ".webp", ".avif", ".dng")
)
_ISO_SPEED_OVER = 65535

_Scalar = TypeVar("_Scalar", bound=np.generic)


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """Hold how the photo was exposed, as its EXIF says; ``None`` where it does not say.

    Parameters
    ----------
    exposure_time_s
        Exposure time t.
    f_number
        F-number N.
    iso_speed
        ISO speed S.
    focal_length_mm
        Focal length of the lens.
    focal_length_35mm_mm
        Focal length giving the same view on 35 mm film.
    digital_zoom
        Digital zoom ratio, 1.0 where the camera says that none was used.
    """

    exposure_time_s: float | None = None
    f_number: float | None = None
    iso_speed: float | None = None
    focal_length_mm: float | None = None
    focal_length_35mm_mm: float | None = None
    digital_zoom: float | None = None

    @property
    def zoomed_focal_length_35mm_mm(self) -> float | None:
        """Give the focal length on 35 mm film of the view with digital zoom, or ``None``.

        What a camera enlarged differs in it from what it did not, whether or not its own figure
        reckons with digital zoom.
        """
        if self.focal_length_35mm_mm is None:
            return None
        return self.focal_length_35mm_mm * (self.digital_zoom or 1.0)

    @property
    def exposure_value(self) -> float | None:
        """Give EV = log2(N²/t), or ``None`` where N or t is unknown."""
        if self.f_number is None or self.exposure_time_s is None:
            return None
        return 2 * math.log2(self.f_number) - math.log2(self.exposure_time_s)

    @property
    def exposure_value_100(self) -> float | None:
        """Give EV - log2(S/100), the exposure value at ISO 100, or ``None`` where unknown."""
        if self.exposure_value is None or self.iso_speed is None:
            return None
        return self.exposure_value - math.log2(self.iso_speed / 100)


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Say which frame of a clip a photo is.

    Parameters
    ----------
    index
        Counted from 0.
    time_s
        From the clip's beginning.
    """

    index: int
    time_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Photo:
    """Hold a photo as it is measured: upright, linear, and reduced where asked.

    Parameters
    ----------
    path
        The file.
    sha256
        SHA-256 of the file's bytes, in hexadecimal.
    format
        The file's format, told from its content, as Pillow names it.
    bit_depth
        Bits per channel that were used, 8 or 16.
    exposure
        What the EXIF says of the exposure.
    processing
        What the EXIF says that the camera did beyond.
    width_px, height_px
        The photo's own size, upright.
    scale
        Working pixels per photo pixel, 1.0 where the photo was not reduced.
    luminance
        Linear luminance, 0 to 1, shape (H, W), float32.
    clipped
        Where any channel of any photo pixel averaged into this one is within 1.5 % of the top
        of its range (weighing at least about 1/500 in the average), shape (H, W), bool.
    rgb
        sRGB for display, shape (H, W, 3), uint8.
    frame
        Which frame of a clip it is; ``None`` for a photo of its own.
    """

    path: Path
    sha256: str
    format: str
    bit_depth: int
    exposure: Exposure
    width_px: int
    height_px: int
    scale: float
    luminance: npt.NDArray[np.float32]
    clipped: npt.NDArray[np.bool_]
    rgb: npt.NDArray[np.uint8]
    processing: Processing = NOT_PROCESSED
    frame: Frame | None = None

    @property
    def name(self) -> str:
        """Name the file, and the frame where it is one of a clip."""
        if self.frame is None:
            return self.path.name
        return f"{self.path.name}, frame {self.frame.index} ({self.frame.time_s:.2f} s)"

    @property
    def identity(self) -> tuple[str, int | None]:
        """Give what no other picture has: its file's checksum, and the frame in a clip."""
        return self.sha256, None if self.frame is None else self.frame.index


def list_photos(path: str | os.PathLike[str]) -> list[Path]:
    """List the photos meant by a path: the file itself, or a folder's photos.

    A folder's photos are told by their suffix (jpg, jpeg, png, tif, tiff, heic, heif, webp,
    avif, dng) and come in natural order (2 before 10). Hidden files and folders within are left
    out.

    Parameters
    ----------
    path
        A photo or a folder of photos.

    Returns
    -------
    list of Path
        At least one.

    Raises
    ------
    UnreadablePhotoError
        If there is no such file or folder, it may not be read, or the folder holds no photo.
    """
    path = Path(path)
    try:
        if not path.is_dir():
            path.stat()
            return [path]
        photos = [
            entry
            for entry in path.iterdir()
            if entry.suffix.lower() in _SUFFIXES
            and not entry.name.startswith(".")
            and entry.is_file()
        ]
    except (OSError, ValueError) as error:
        raise not_opened(path, error) from error
    if not photos:
        raise unreadable(path, "holds no photo", remedy="name the folder that the photos are in")
    return sorted(photos, key=_natural_order)


def read_photo(path: str | os.PathLike[str], *, max_side_px: int | None = None) -> Photo:
    """Read a photo's linear luminance, exposure and checksum.

    JPEG, PNG, TIFF, HEIC/HEIF, WebP and AVIF are told by content, not by suffix. PNG and TIFF
    keep 16 bits; 10-bit HEIC and AVIF are read as 8. DNG is developed without any sharpening or
    brightening, where the extra `raw` is installed. Of a file with several pictures of which it
    calls one the photo (multi-picture JPEG, HEIF), that one is read. The EXIF orientation is
    applied. A photo is reduced by averaging over areas: the luminance in linear light, the
    pixels for display as they are stored.

    Colour is taken to sRGB by the photo's ICC profile. Where its tone curve is sRGB's and only
    its primaries differ, the luminance is weighed by those primaries instead, which loses no
    bits; with any other curve, 16-bit photos are read as 8. A profile that cannot be read or
    does not fit the pixels is ignored, as viewers do, and so are primaries given without a
    profile. CMYK without a fitting profile is converted the plain way, unmanaged.

    Parameters
    ----------
    path
        The photo.
    max_side_px
        The longer side is reduced to this where it is longer.

    Returns
    -------
    Photo
        The photo, upright.

    Raises
    ------
    UnreadablePhotoError
        If the file is missing, no photo, cut off, damaged, animated, of more than 250 megapixels,
        or of a kind that cannot be linearised (other raw files, HDR, floating point).
    NotMeasurableError
        If the photo's longer side is under 200 px, or it is partly transparent.

    References
    ----------
    sRGB: IEC 61966-2-1. Luminance weights: ITU-R BT.709. EXIF: CIPA DC-008.
    """
    if max_side_px is not None and max_side_px < 1:
        raise ValueError(f"max_side_px is {max_side_px}; it must be at least 1")
    path = Path(path)
    data = read_bytes(path)
    decoded = decode(path, data)
    width_px, height_px = size_px(decoded.pixels)
    scale = min(1.0, (max_side_px or math.inf) / max(width_px, height_px))
    light = to_linear_light(decoded.pixels, icc_profile=decoded.icc_profile, scale=scale)
    if decoded.orientation in range(5, 9):  # those with a quarter turn
        width_px, height_px = height_px, width_px
    return Photo(
        path=path,
        sha256=hashlib.sha256(data).hexdigest(),
        format=decoded.format,
        bit_depth=light.bit_depth,
        exposure=_exposure(decoded.exif),
        width_px=width_px,
        height_px=height_px,
        scale=scale,
        luminance=_upright(light.luminance, decoded.orientation),
        clipped=_upright(light.unclipped, decoded.orientation) < 255,
        rgb=_upright(light.rgb, decoded.orientation),
        processing=processing_of(decoded.exif),
    )


def _exposure(exif: dict[int, Any]) -> Exposure:
    zoom = exif.get(ExifTags.Base.DigitalZoomRatio)
    iso_speed = _positive(exif.get(ExifTags.Base.ISOSpeedRatings))
    return Exposure(
        exposure_time_s=_positive(exif.get(ExifTags.Base.ExposureTime)),
        f_number=_positive(exif.get(ExifTags.Base.FNumber)),
        iso_speed=None if iso_speed == _ISO_SPEED_OVER else iso_speed,
        focal_length_mm=_positive(exif.get(ExifTags.Base.FocalLength)),
        focal_length_35mm_mm=_positive(exif.get(ExifTags.Base.FocalLengthIn35mmFilm)),
        # a numerator of 0 says that digital zoom was not used
        digital_zoom=1.0 if getattr(zoom, "numerator", None) == 0 else _positive(zoom),
    )


def _positive(value: Any) -> float | None:  # noqa: ANN401 - whatever a file holds
    try:
        number = float(value[0] if isinstance(value, tuple) else value)
    except (TypeError, ValueError, IndexError, ArithmeticError):
        return None
    return number if 0 < number < math.inf else None


def _upright(values: npt.NDArray[_Scalar], orientation: int) -> npt.NDArray[_Scalar]:
    if orientation == 1:
        return values
    image = Image.fromarray(values)
    image.getexif()[ExifTags.Base.Orientation] = orientation
    ImageOps.exif_transpose(image, in_place=True)
    return np.array(image)


def _natural_order(path: Path) -> tuple[list[str | int], str]:
    # Splitting at groups of digits puts the numbers at the odd places.
    parts = re.split(r"([0-9]+)", path.name.casefold())
    return [int(part) if i % 2 else part for i, part in enumerate(parts)], path.name
