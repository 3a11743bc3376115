"""Linear light: sRGB, colour profiles, reduction, clipping."""

import io
import struct

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from PIL import Image, ImageCms

from defectscan.imaging import linear_light
from defectscan.imaging.linear_light import LinearLight, Pixels, srgb_to_linear, to_linear_light

REC_709 = (0.2126, 0.7152, 0.0722)  # ITU-R BT.709, item 3.2
RNG = np.random.default_rng(5)
NOISE = RNG.integers(0, 256, (240, 320, 3), np.uint8)
WIDE_NOISE = RNG.integers(0, 65536, (240, 320, 3), np.uint16)

SRGB_PRIMARIES = ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))  # IEC 61966-2-1
P3_PRIMARIES = ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))  # SMPTE EG 432-1


def light(pixels: Pixels, icc_profile: bytes | None = None, scale: float = 1.0) -> LinearLight:
    return to_linear_light(pixels, icc_profile=icc_profile, scale=scale)


def luminance_of(rgb: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.asarray(srgb_to_linear(rgb) @ np.array(REC_709))


def d50_primaries(primaries: tuple[tuple[float, float], ...]) -> npt.NDArray[np.float64]:
    """Give a colour space's primaries under D65 as XYZ adapted to D50, one a column."""

    def xyz(x: float, y: float) -> npt.NDArray[np.float64]:
        return np.array([x / y, 1, (1 - x - y) / y])

    d65, d50 = xyz(0.3127, 0.3290), np.array([0.9642, 1, 0.8249])
    columns = np.array([xyz(*primary) for primary in primaries]).T
    columns = columns * np.linalg.solve(columns, d65)
    # the Bradford cone matrix, ICC.1:2010 annex E
    cones = np.array(
        [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
    )
    adapted = np.linalg.inv(cones) @ np.diag(cones @ d50 / (cones @ d65)) @ cones
    return np.asarray(adapted @ columns)


def fixed(*values: float) -> bytes:
    return b"".join(struct.pack(">i", round(value * 65536)) for value in values)


def icc_file(kind: bytes, space: bytes, tags: dict[bytes, bytes], pcs: bytes = b"XYZ ") -> bytes:
    """Lay out a profile by ICC.1:2001-04 (version 2)."""
    directory, body, offset = b"", b"", 128 + 4 + 12 * len(tags)
    for name, content in tags.items():
        directory += name + struct.pack(">II", offset + len(body), len(content))
        body += content + bytes(-len(content) % 4)
    size = struct.pack(">I", offset + len(body))
    header = size + bytes(4) + b"\2\x40\0\0" + kind + space + pcs + bytes(12) + b"acsp"
    header += bytes(28) + fixed(0.9642, 1, 0.8249)
    return header.ljust(128, b"\0") + struct.pack(">I", len(tags)) + directory + body


def curve(gamma: float | None) -> bytes:
    """Write a power curve, or sRGB's where there is no power."""
    if gamma is not None:
        return b"curv" + bytes(4) + struct.pack(">IH", 1, round(gamma * 256))
    values = (srgb_to_linear(np.linspace(0, 1, 1024)) * 65535).round().astype(">u2")
    return b"curv" + bytes(4) + struct.pack(">I", 1024) + values.tobytes()


def rgb_profile(primaries: tuple[tuple[float, float], ...], gamma: float | None) -> bytes:
    columns = d50_primaries(primaries).T
    tags = {b"wtpt": b"XYZ " + bytes(4) + fixed(0.9642, 1, 0.8249)}
    for name, column in zip((b"r", b"g", b"b"), columns, strict=True):
        tags[name + b"XYZ"] = b"XYZ " + bytes(4) + fixed(*column)
        tags[name + b"TRC"] = curve(gamma)
    return icc_file(b"mntr", b"RGB ", tags)


def grey_profile(gamma: float | None) -> bytes:
    white = b"XYZ " + bytes(4) + fixed(0.9642, 1, 0.8249)
    return icc_file(b"mntr", b"GRAY", {b"wtpt": white, b"kTRC": curve(gamma)})


def black_ink_profile() -> bytes:
    """Make a CMYK profile in which L* falls evenly with black ink, and other inks do nothing."""
    ramp = bytes(range(256))
    nodes = b"".join(bytes([0 if node & 1 else 255, 128, 128]) for node in range(16))
    table = b"mft1" + bytes(4) + bytes([4, 3, 2, 0]) + fixed(1, 0, 0, 0, 1, 0, 0, 0, 1)
    white = b"XYZ " + bytes(4) + fixed(0.9642, 1, 0.8249)
    tags = {b"wtpt": white, b"A2B0": table + 4 * ramp + nodes + 3 * ramp}
    return icc_file(b"prtr", b"CMYK", tags, pcs=b"Lab ")


SRGB = rgb_profile(SRGB_PRIMARIES, None)
DISPLAY_P3 = rgb_profile(P3_PRIMARIES, None)


@pytest.mark.parametrize(
    ("level", "linear"),
    [
        # computed from the formula of IEC 61966-2-1 by hand calculator, not by this program
        (0, 0.0),
        (1, 0.0003035),
        (10, 0.0030353),
        (11, 0.0033465),
        (50, 0.031896),
        (64, 0.0512695),
        (100, 0.1274377),
        (118, 0.1811642),
        (127, 0.2122308),
        (128, 0.2158605),
        (188, 0.5028865),
        (200, 0.5775804),
        (254, 0.9911021),
        (255, 1.0),
    ],
)
def test_srgb_levels(level: int, linear: float) -> None:
    # the table's own rounding
    assert srgb_to_linear(level / 255) == pytest.approx(linear, abs=5e-7)
    grey = light(Image.new("RGB", (8, 8), (level, level, level)))
    assert_allclose(grey.luminance, linear, atol=5e-7, rtol=0)


@given(st.floats(0, 1))
def test_srgb_undoes_its_encoding(linear: float) -> None:
    # encoding: IEC 61966-2-1
    encoded = 12.92 * linear if linear <= 0.0031308 else 1.055 * linear ** (1 / 2.4) - 0.055
    assert srgb_to_linear(encoded) == pytest.approx(linear, abs=1e-8)


def test_srgb_rises_throughout() -> None:
    assert (np.diff(srgb_to_linear(np.linspace(0, 1, 65536))) > 0).all()


@pytest.mark.parametrize("channel", [0, 1, 2])
def test_primaries_weigh_as_in_rec_709(channel: int) -> None:
    pixels = np.zeros((8, 8, 3), np.uint8)
    pixels[..., channel] = 255
    assert_allclose(light(Image.fromarray(pixels)).luminance, REC_709[channel], rtol=1e-6)


def test_every_pixel_by_the_formula() -> None:
    result = light(Image.fromarray(NOISE))
    assert result.luminance.dtype == np.float32
    assert_allclose(result.luminance, luminance_of(NOISE / 255), atol=2e-7, rtol=0)
    assert np.array_equal(result.rgb, NOISE)
    assert result.bit_depth == 8


def test_sixteen_bits_by_the_formula() -> None:
    result = light(WIDE_NOISE)
    assert_allclose(result.luminance, luminance_of(WIDE_NOISE / 65535), atol=2e-7, rtol=0)
    assert np.array_equal(result.rgb, np.rint(WIDE_NOISE / 257))
    assert result.bit_depth == 16


def test_sixteen_bits_tell_steps_that_eight_do_not() -> None:
    steps = np.arange(20000, 20256, dtype=np.uint16)[np.newaxis].repeat(4, axis=0)
    luminance = light(steps).luminance
    assert (np.diff(luminance, axis=1) > 0).all()
    assert_allclose(luminance[0], srgb_to_linear(steps[0] / 65535), atol=1e-7, rtol=0)


def test_reduction_averages_in_linear_light() -> None:
    checks = np.indices((240, 320)).sum(axis=0) % 2 * np.uint8(255)
    reduced = light(Image.fromarray(checks.astype(np.uint8)), scale=0.5)
    assert reduced.luminance.shape == (120, 160)
    # half the light; averaging the stored values first would give 0.2159
    assert_allclose(reduced.luminance, 0.5, rtol=1e-6)


def test_reduction_gives_block_means() -> None:
    reduced = light(Image.fromarray(NOISE), scale=0.25)
    blocks = luminance_of(NOISE / 255).reshape(60, 4, 80, 4).mean(axis=(1, 3))
    assert_allclose(reduced.luminance, blocks, atol=1e-6, rtol=0)
    shown = NOISE.reshape(60, 4, 80, 4, 3).mean(axis=(1, 3))
    assert abs(reduced.rgb - shown).max() <= 1.01  # two roundings to whole levels


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 60), st.integers(1, 60), st.floats(0.02, 1), st.booleans())
def test_any_size_keeps_the_mean(width: int, height: int, scale: float, wide: bool) -> None:
    pixels = WIDE_NOISE[:height, :width] if wide else Image.fromarray(NOISE[:height, :width])
    whole, reduced = light(pixels), light(pixels, scale=scale)
    shape = max(1, round(height * scale)), max(1, round(width * scale))
    assert reduced.luminance.shape == reduced.unclipped.shape == shape
    assert reduced.rgb.shape == (*shape, 3)
    assert reduced.luminance.mean() == pytest.approx(whole.luminance.mean(), rel=1e-4)
    assert reduced.luminance.min() >= whole.luminance.min() - 1e-6
    assert reduced.luminance.max() <= whole.luminance.max() + 1e-6


@pytest.mark.parametrize("strip_px", [1, 7 * 320, 100_000])
def test_strips_leave_no_seam(monkeypatch: pytest.MonkeyPatch, strip_px: int) -> None:
    expected = light(Image.fromarray(NOISE), scale=0.37)
    monkeypatch.setattr(linear_light, "_STRIP_PX", strip_px)
    result = light(Image.fromarray(NOISE), scale=0.37)
    assert np.array_equal(result.luminance, expected.luminance)
    assert np.array_equal(result.unclipped, expected.unclipped)
    assert np.array_equal(result.rgb, expected.rgb)


@pytest.mark.parametrize("scale", [1.0, 0.5, 0.49, 0.3, 0.25, 0.1])
@pytest.mark.parametrize("channel", [0, 1, 2])
def test_one_clipped_pixel_marks_its_place(channel: int, scale: float) -> None:
    pixels = np.full((200, 200, 3), 251, np.uint8)
    pixels[101, 55, channel] = 252  # 0.985 of 255 lies between
    unclipped = light(Image.fromarray(pixels), scale=scale).unclipped
    rows, columns = np.nonzero(unclipped < 255)
    assert int(101.5 * scale) in rows
    assert int(55.5 * scale) in columns
    assert len(rows) <= (1 if scale in (1.0, 0.5, 0.25, 0.1) else 4)


def test_clipping_of_sixteen_bits() -> None:
    pixels = np.full((4, 6, 3), 64551, np.uint16)
    pixels[1, 2, 1] = 64552  # 0.985 of 65535 is 64551.98
    assert np.argwhere(light(pixels).unclipped < 255).tolist() == [[1, 2]]


def test_nothing_clipped_in_dark_pixels() -> None:
    assert light(Image.fromarray(NOISE // 2)).unclipped.min() == 255


@pytest.mark.parametrize(
    "profile",
    [SRGB, ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()],
)
def test_srgb_profile_changes_nothing(profile: bytes) -> None:
    plain, managed = light(Image.fromarray(NOISE)), light(Image.fromarray(NOISE), profile)
    assert np.array_equal(plain.luminance, managed.luminance)
    assert np.array_equal(plain.rgb, managed.rgb)


@pytest.mark.parametrize(
    ("channel", "weight"),
    # row Y of the linear Display P3 to XYZ matrix in the sample code of CSS Color Module Level 4
    [(0, 0.22897), (1, 0.69174), (2, 0.07929)],
)
def test_display_p3_weighs_by_its_primaries(channel: int, weight: float) -> None:
    pixels = np.zeros((8, 8, 3), np.uint8)
    pixels[..., channel] = 255
    result = light(Image.fromarray(pixels), DISPLAY_P3)
    assert_allclose(result.luminance, weight, atol=2e-4, rtol=0)


def test_display_p3_agrees_with_full_conversion() -> None:
    # muted colours, which sRGB holds as well
    pixels = (NOISE // 4 + 90).astype(np.uint8)
    image = Image.fromarray(pixels)
    result = light(image, DISPLAY_P3)
    converted = ImageCms.profileToProfile(
        image,
        ImageCms.ImageCmsProfile(io.BytesIO(DISPLAY_P3)),
        ImageCms.createProfile("sRGB"),
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
    )
    assert converted is not None
    assert np.array_equal(result.rgb, np.asarray(converted))
    expected = luminance_of(np.asarray(converted) / 255)
    # the conversion rounds to whole levels, worth 0.5 * 2.4 / 90 at the darkest
    assert_allclose(result.luminance, expected, rtol=0.014)
    assert result.luminance.mean() == pytest.approx(expected.mean(), rel=5e-4)


def test_display_p3_colour_against_a_published_pair() -> None:
    # web-platform-tests, css/css-color/display-p3-006: these two are one colour
    display_p3 = np.array([0.465377, 0.532768, 0.317713])
    srgb = np.array([0.448436, 0.535370, 0.288113])
    pixels = np.empty((8, 8, 3), np.uint16)
    pixels[:] = np.rint(display_p3 * 65535)
    result = light(pixels, DISPLAY_P3)
    assert_allclose(result.luminance, float(luminance_of(srgb)), rtol=5e-5)
    assert abs(result.rgb - srgb * 255).max() <= 1


def test_display_p3_keeps_sixteen_bits() -> None:
    grey = np.arange(20000, 20256, dtype=np.uint16)[np.newaxis, :, np.newaxis].repeat(3, axis=2)
    result = light(grey, DISPLAY_P3)
    assert result.bit_depth == 16
    assert_allclose(result.luminance[0], srgb_to_linear(grey[0, :, 0] / 65535), atol=1e-6, rtol=0)


def test_other_tone_curve_is_undone() -> None:
    levels = np.arange(40, 240, dtype=np.uint8)[np.newaxis].repeat(8, axis=0)
    image = Image.fromarray(levels).convert("RGB")
    result = light(image, rgb_profile(SRGB_PRIMARIES, 1.8))
    expected = (levels / 255.0) ** 1.8
    # the conversion rounds to whole sRGB levels
    assert_allclose(result.luminance, expected, rtol=0.03)
    assert result.luminance.mean() == pytest.approx(expected.mean(), rel=2e-3)


def test_clipping_is_that_of_the_stored_values() -> None:
    # a saturated colour that leaves sRGB, without being clipped in the photo
    result = light(Image.new("RGB", (8, 8), (230, 10, 10)), rgb_profile(P3_PRIMARIES, 1.8))
    assert result.rgb[0, 0, 0] == 255
    assert result.unclipped.min() == 255


def test_other_tone_curve_leaves_eight_bits() -> None:
    result = light(WIDE_NOISE, rgb_profile(SRGB_PRIMARIES, 1.8))
    assert result.bit_depth == 8
    eight = Image.fromarray(np.rint(WIDE_NOISE / 257).astype(np.uint8))
    expected = light(eight, rgb_profile(SRGB_PRIMARIES, 1.8))
    assert np.array_equal(result.luminance, expected.luminance)


@pytest.mark.parametrize("profile", [grey_profile(1.8), rgb_profile(SRGB_PRIMARIES, 1.8)])
@pytest.mark.parametrize("wide", [False, True])
def test_grey_with_a_tone_curve(profile: bytes, wide: bool) -> None:
    levels = np.arange(40, 240, dtype=np.uint8)[np.newaxis].repeat(8, axis=0)
    result = light(levels * np.uint16(257) if wide else Image.fromarray(levels), profile)
    assert result.bit_depth == 8
    assert_allclose(result.luminance, (levels / 255.0) ** 1.8, rtol=0.03)


def test_grey_with_the_srgb_curve_keeps_its_bits() -> None:
    result = light(WIDE_NOISE[..., 0], grey_profile(None))
    assert result.bit_depth == 16
    assert np.array_equal(result.luminance, light(WIDE_NOISE[..., 0]).luminance)


def test_cmyk_by_its_profile() -> None:
    image = Image.new("CMYK", (8, 8), (0, 0, 0, 128))
    managed, plain = light(image, black_ink_profile()), light(image)
    # L* = 100 (1 - 128/255) = 49.80; Y = ((L* + 16) / 116)^3 by CIE 15
    assert_allclose(managed.luminance, ((49.804 + 16) / 116) ** 3, rtol=0.01)
    # plainly: sRGB 255 - 128
    assert_allclose(plain.luminance, float(srgb_to_linear(127 / 255)), rtol=1e-6)
    white = light(Image.new("CMYK", (8, 8)), black_ink_profile())
    assert_allclose(white.luminance, 1, atol=0.01, rtol=0)
    assert white.unclipped.max() == 0


@pytest.mark.parametrize(
    "profile",
    [b"", b"junk" * 100, SRGB[:200], grey_profile(1.8), black_ink_profile()],
    ids=["empty", "junk", "cut off", "grey", "CMYK"],
)
def test_unfit_profile_is_ignored(profile: bytes) -> None:
    result = light(Image.fromarray(NOISE), profile)
    assert np.array_equal(result.luminance, light(Image.fromarray(NOISE)).luminance)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, len(SRGB) - 1), st.integers(0, 255))
@example(16, 128)  # a colour space that is no ASCII
def test_damaged_profile_raises_nothing(position: int, value: int) -> None:
    damaged = bytearray(DISPLAY_P3)
    damaged[position] = value
    result = light(Image.fromarray(NOISE[:20, :20]), bytes(damaged))
    assert np.isfinite(result.luminance).all()
    assert result.luminance.min() >= 0
    assert result.luminance.max() <= 1


def test_primaries_that_no_light_has_make_no_negative_light() -> None:
    odd = rgb_profile(((0.64, 0.33), (0.30, 0.60), (0.15, -0.06)), None)
    blue = np.zeros((8, 8, 3), np.uint8)
    blue[..., 2] = 200
    for pixels in (Image.fromarray(blue), blue.astype(np.uint16) * 257):
        luminance = light(pixels, odd).luminance
        assert luminance.min() >= 0
        assert luminance.max() <= 1
