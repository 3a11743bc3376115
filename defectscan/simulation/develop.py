"""From light to a photo file's pixels: lens, sensor, and what a phone does to the picture."""

import io
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image as PillowImage
from PIL.TiffImagePlugin import IFDRational

Image = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Development:
    """How the camera turns light into a picture.

    Attributes
    ----------
    exposure
        Factor on the exposure that the paint would get by itself.
    blur_px
        Standard deviation of lens and focus blur.
    glare
        Factor on the stray light round the highlight.
    full_well_e, read_noise_e
        Electrons at saturation and noise in the dark.
    sharpening
        Amount of unsharp masking, as phones do.
    jpeg_quality
        1 to 95.
    """

    exposure: float = 1.0
    blur_px: float = 0.8
    glare: float = 1.0
    full_well_e: float = 6000.0
    read_noise_e: float = 5.0
    sharpening: float = 0.3
    jpeg_quality: int = 92


def spread(light: Image, how: Development) -> Image:
    """Return light (H, W, 3) after lens blur and the glare that a bright lamp throws about."""
    sharp = cv2.GaussianBlur(light, (0, 0), how.blur_px)
    height, width = light.shape[:2]
    lost = np.zeros_like(light)
    total = 0.0
    # Shares and widths (of the picture) of a phone lens's stray light: common practice.
    for share, relative in ((0.010, 0.004), (0.006, 0.015), (0.004, 0.06), (0.003, 0.25)):
        sd = relative * width
        shrink = max(int(sd / 4), 1)
        small = cv2.resize(
            light,
            (-(-width // shrink), -(-height // shrink)),
            interpolation=cv2.INTER_AREA,
        )
        wide = cv2.GaussianBlur(small, (0, 0), sd / shrink, borderType=cv2.BORDER_CONSTANT)
        lost += how.glare * share * cv2.resize(wide, (width, height))
        total += how.glare * share
    spread_out: Image = (1 - total) * sharp + lost
    return spread_out


def develop(light: Image, how: Development, rng: np.random.Generator, *, gain: float) -> Image:
    """Return the encoded picture, values 0..1, shape (H, W, 3), of light after `spread`."""
    signal = np.minimum(light * gain, 1.0)
    sd = np.sqrt(signal / how.full_well_e + (how.read_noise_e / how.full_well_e) ** 2)
    noise = rng.standard_normal(signal.shape, dtype=np.float32)
    # Demosaicing spreads each pixel's noise over its neighbours.
    noise = cv2.GaussianBlur(noise, (0, 0), 0.45)
    exposed = np.clip(signal + sd * noise, 0, 1)
    encoded = np.where(
        exposed <= 0.0031308, 12.92 * exposed, 1.055 * np.power(exposed, 1 / 2.4) - 0.055
    ).astype(np.float32)
    if how.sharpening:
        encoded += how.sharpening * (encoded - cv2.GaussianBlur(encoded, (0, 0), 1.0))
    picture: Image = np.clip(encoded, 0, 1)
    return picture


def to_jpeg(encoded: Image, how: Development, *, exposure_time_s: float) -> bytes:
    """Return the picture as a JPEG file with its exposure data."""
    picture = PillowImage.fromarray(to_bytes(encoded))
    exif = PillowImage.Exif()
    camera = exif.get_ifd(0x8769)
    camera[0x829A] = IFDRational(round(exposure_time_s * 1e6), 1_000_000)
    camera[0x829D] = IFDRational(9, 5)
    camera[0x8827] = 100
    camera[0x920A] = IFDRational(9)
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=how.jpeg_quality, subsampling="4:2:0", exif=exif)
    return buffer.getvalue()


def to_bytes(encoded: Image) -> NDArray[np.uint8]:
    """Return the picture in 8 bits."""
    return np.round(encoded * 255).astype(np.uint8)
