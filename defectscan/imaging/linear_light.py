"""Turn a photo's decoded pixels into linear luminance."""

import functools
import io
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, TypeAlias, cast

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageCms

Pixels: TypeAlias = Image.Image | npt.NDArray[np.uint16]

_Array: TypeAlias = npt.NDArray[Any]

_REC_709 = (0.2126, 0.7152, 0.0722)
_CLIPPED_FROM = 0.985
_STRIP_PX = 1 << 18
_MODE_OF_PROFILE = {"RGB": "RGB", "GRAY": "L", "CMYK": "CMYK"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LinearLight:
    """Hold what a photo's pixels say of the light.

    Parameters
    ----------
    luminance
        Linear luminance, 0 to 1, shape (H, W), float32.
    unclipped
        255 where no photo pixel that was averaged is clipped, lower elsewhere, shape (H, W), uint8.
    rgb
        sRGB for display, shape (H, W, 3), uint8.
    bit_depth
        Bits per channel that were used, 8 or 16.
    """

    luminance: npt.NDArray[np.float32]
    unclipped: npt.NDArray[np.uint8]
    rgb: npt.NDArray[np.uint8]
    bit_depth: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Colour:
    """How pixels become luminance and sRGB: brought to a mode, then weighed or converted."""

    mode: str = "RGB"
    weights: tuple[float, float, float] = _REC_709
    to_srgb: ImageCms.ImageCmsTransform | None = None
    convert_first: bool = False


def srgb_to_linear(values: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Decode sRGB values to linear light.

    Parameters
    ----------
    values
        sRGB values, 0 to 1, any shape.

    Returns
    -------
    ndarray
        Linear values, 0 to 1, same shape.

    References
    ----------
    IEC 61966-2-1:1999, sRGB.

    Examples
    --------
    >>> float(srgb_to_linear(0.5).round(4))
    0.214
    """
    encoded = np.asarray(values, np.float64)
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def to_linear_light(pixels: Pixels, *, icc_profile: bytes | None, scale: float) -> LinearLight:
    """Linearise pixels and reduce them by averaging over areas in linear light.

    Parameters
    ----------
    pixels
        Opaque 8-bit image, or 16-bit grey (H, W) or RGB (H, W, 3).
    icc_profile
        The photo's ICC profile; one that cannot be read or does not fit is ignored.
    scale
        Working pixels per photo pixel, at most 1.

    Returns
    -------
    LinearLight
        Of 8 bits where 16-bit pixels had to pass through the profile's tone curve.

    References
    ----------
    Luminance weights: ITU-R BT.709.
    """
    colour = _colour(icc_profile, _mode(pixels))
    if colour.convert_first and not isinstance(pixels, Image.Image):
        pixels = Image.fromarray(_eight_bit(pixels))
    if isinstance(pixels, Image.Image) and pixels.mode != colour.mode:
        pixels = pixels.convert(colour.mode)
    bit_depth = 8 if isinstance(pixels, Image.Image) else 16
    table, weights = _linear_table(bit_depth), np.array([colour.weights], np.float32)
    below = (math.floor(_CLIPPED_FROM * (2**bit_depth - 1)),) * 3
    photo_width_px, photo_height_px = size_px(pixels)
    width_px = max(1, round(photo_width_px * scale))
    height_px = max(1, round(photo_height_px * scale))
    halvings = _halvings((photo_width_px, photo_height_px), (width_px, height_px))
    # Strip by strip the photo is halved as often as that goes, and its rows shortened; their
    # number is reduced at the end: area averages are separable, and the linear photo never
    # stands in memory whole with three channels.
    n_rows = photo_height_px >> halvings
    luminance: _Array = np.empty((n_rows, width_px), np.float32)
    unclipped: _Array = np.empty((n_rows, width_px), np.uint8)
    rgb: _Array = np.empty((n_rows, width_px, 3), np.uint8)

    def shortened(values: _Array) -> _Array:
        for _ in range(halvings):
            values = _averaged(values, (values.shape[1] // 2, values.shape[0] // 2))
        return _averaged(values, (width_px, values.shape[0]))

    for photo_rows, own, used in _strips(pixels, colour, multiple=1 << halvings):
        rows = slice(photo_rows.start >> halvings, photo_rows.stop >> halvings)
        luminance[rows] = shortened(cv2.transform(cv2.LUT(used, table), weights))
        in_range = cv2.inRange(own, (0, 0, 0), below)
        unclipped[rows] = 255 if in_range.min() == 255 else shortened(in_range)
        rgb[rows] = shortened(used if bit_depth == 8 else _eight_bit(used))
    luminance = np.minimum(_averaged(luminance, (width_px, height_px)), 1)
    unclipped = _averaged(unclipped, (width_px, height_px))
    rgb = _averaged(rgb, (width_px, height_px))
    if colour.to_srgb is not None and not colour.convert_first:
        rgb = np.array(_converted(Image.fromarray(rgb), colour.to_srgb))
    return LinearLight(luminance=luminance, unclipped=unclipped, rgb=rgb, bit_depth=bit_depth)


def size_px(pixels: Pixels) -> tuple[int, int]:
    """Give the width and height of pixels."""
    if isinstance(pixels, Image.Image):
        return pixels.size
    return pixels.shape[1], pixels.shape[0]


def _mode(pixels: Pixels) -> str:
    if isinstance(pixels, Image.Image):
        return pixels.mode if pixels.mode in ("L", "CMYK") else "RGB"
    return "L" if pixels.ndim == 2 else "RGB"


def _colour(icc_profile: bytes | None, mode: str) -> _Colour:
    """Choose how pixels of a mode (RGB, L or CMYK) become luminance and sRGB."""
    try:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(icc_profile or b""))
        srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
        # grey pixels may carry an RGB profile, whose tone curve then holds
        own_mode = _MODE_OF_PROFILE[profile.profile.xcolor_space.strip()]
        if own_mode not in (mode, "RGB") or (own_mode, mode) == ("RGB", "CMYK"):
            return _Colour()
        to_srgb = ImageCms.buildTransform(
            profile, srgb, own_mode, "RGB", ImageCms.Intent.RELATIVE_COLORIMETRIC
        )
    except (ImageCms.PyCMSError, OSError, KeyError, UnicodeDecodeError):
        return _Colour()
    through_profile = _Colour(mode=own_mode, to_srgb=to_srgb, convert_first=True)
    if own_mode == "CMYK" or _change(Image.linear_gradient("L").convert(own_mode), to_srgb) > 1:
        return through_profile
    # The tone curve is sRGB's; are the primaries, too? Full colours would be clipped to sRGB's.
    colours = Image.fromarray(np.eye(3, dtype=np.uint8)[np.newaxis] * np.uint8(128) + np.uint8(64))
    if mode == "L" or _change(colours, to_srgb) <= 1:
        return _Colour()
    if profile.profile.is_matrix_shaper:
        own = _primaries(profile)
        red, green, blue = np.array(_REC_709) @ np.linalg.solve(_primaries(srgb), own)
        white = red + green + blue
        if min(red, green, blue) >= 0 and white > 0:  # no light has other primaries
            return _Colour(weights=(red / white, green / white, blue / white), to_srgb=to_srgb)
    return through_profile


def _change(image: Image.Image, to_srgb: ImageCms.ImageCmsTransform) -> int:
    after = np.asarray(_converted(image, to_srgb), np.int16)
    return int(abs(after - np.asarray(image.convert("RGB"))).max())


def _converted(image: Image.Image, to_srgb: ImageCms.ImageCmsTransform) -> Image.Image:
    return cast("Image.Image", ImageCms.applyTransform(image, to_srgb))


def _primaries(profile: ImageCms.ImageCmsProfile) -> npt.NDArray[np.float64]:
    """Give the XYZ of a matrix profile's primaries, one a column."""
    core = profile.profile
    primaries = (core.red_colorant, core.green_colorant, core.blue_colorant)
    return np.array([primary[0] for primary in primaries if primary is not None]).T


@functools.cache
def _linear_table(bit_depth: int) -> npt.NDArray[np.float32]:
    return srgb_to_linear(np.linspace(0, 1, 2**bit_depth)).astype(np.float32)


def _eight_bit(wide: _Array) -> _Array:
    return cv2.convertScaleAbs(wide, alpha=1 / 257)


def _halvings(from_px: tuple[int, int], to_px: tuple[int, int]) -> int:
    """Return how often both sides can be halved first, which takes a tenth of the time.

    What is a whole multiple stays one, so that no pixel's light falls into two.
    """
    n = 0
    own = from_px
    while True:
        half = own[0] // 2, own[1] // 2
        for side, half_side, to in zip(own, half, to_px, strict=True):
            if side % 2 or half_side < to or (side % to == 0) > (half_side % to == 0):
                return n
        n, own = n + 1, half


def _strips(
    pixels: Pixels, colour: _Colour, *, multiple: int
) -> Iterator[tuple[slice, _Array, _Array]]:
    """Cut pixels into strips that fit the cache: rows, RGB as stored, RGB to linearise.

    The number of rows in each is a multiple of one that divides the photo's.
    """
    width_px, height_px = size_px(pixels)
    n_rows = max(multiple, _STRIP_PX // width_px // multiple * multiple)
    for top in range(0, height_px, n_rows):
        rows = slice(top, min(top + n_rows, height_px))
        if not isinstance(pixels, Image.Image):
            wide: _Array = pixels[rows]
            wide = cv2.cvtColor(wide, cv2.COLOR_GRAY2RGB) if wide.ndim == 2 else wide
            yield rows, wide, wide
            continue
        own = used = pixels.crop((0, rows.start, width_px, rows.stop))
        if colour.convert_first and colour.to_srgb is not None:
            used = _converted(own, colour.to_srgb)
        values = np.asarray(used)
        yield rows, np.asarray(own) if own.mode == "RGB" else values, values


def _averaged(values: _Array, to_size_px: tuple[int, int]) -> _Array:
    if (values.shape[1], values.shape[0]) == to_size_px:
        return values
    return cv2.resize(values, to_size_px, interpolation=cv2.INTER_AREA)
