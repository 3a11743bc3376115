"""Photos: what is read of them, upright and whole, and which ones a path means."""

import hashlib
import io
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pillow_heif
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from PIL import ExifTags, Image, ImageOps, TiffImagePlugin

from defectscan.errors import NotMeasurableError, UnreadablePhotoError
from defectscan.imaging.linear_light import srgb_to_linear
from defectscan.imaging.photo import Exposure, _natural_order, list_photos, read_photo

RNG = np.random.default_rng(11)
# four corners of different brightness, so that no two orientations look alike
CORNERS = np.repeat(np.repeat([[40, 90], [140, 200]], 90, axis=0), 120, axis=1)
PIXELS = (CORNERS[..., np.newaxis] + RNG.integers(-9, 10, (180, 240, 3))).astype(np.uint8)
IMAGE = Image.fromarray(PIXELS)
SUFFIX = {
    "JPEG": "jpg",
    "PNG": "png",
    "TIFF": "tif",
    "WEBP": "webp",
    "AVIF": "avif",
    "HEIF": "heic",
}
SMALL, LARGE = (240, 180), (480, 360)


def rational(numerator: int, denominator: int) -> TiffImagePlugin.IFDRational:
    return TiffImagePlugin.IFDRational(numerator, denominator)


PHONE: dict[int, Any] = {
    ExifTags.Base.ExposureTime: rational(1, 125),
    ExifTags.Base.FNumber: rational(8, 1),
    ExifTags.Base.ISOSpeedRatings: 400,
    ExifTags.Base.FocalLength: rational(57, 10),
    ExifTags.Base.FocalLengthIn35mmFilm: 26,
    ExifTags.Base.DigitalZoomRatio: rational(3, 2),
}


def exif_with(tags: dict[int, Any], orientation: int = 1) -> Image.Exif:
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = orientation
    exif.get_ifd(ExifTags.IFD.Exif).update(tags)
    # only in the stored form does the part for the exposure count as being there
    stored = Image.Exif()
    stored.load(exif.tobytes())
    return stored


def saved(folder: Path, kind: str = "PNG", image: Image.Image = IMAGE, **options: Any) -> Path:
    path = folder / f"photo.{SUFFIX[kind]}"
    if kind == "HEIF":
        if "exif" in options:
            options["exif"] = options["exif"].tobytes()
        pillow_heif.from_pillow(image).save(path, quality=95, **options)
    else:
        image.save(path, kind, **options)
    return path


def relative_luminance(pixels: npt.NDArray[Any]) -> npt.NDArray[np.float64]:
    return np.asarray(srgb_to_linear(pixels / 255) @ np.array([0.2126, 0.7152, 0.0722]))


def test_whole_photo(tmp_path: Path) -> None:
    path = saved(tmp_path)
    photo = read_photo(path)
    assert photo.path == path
    assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (photo.format, photo.bit_depth) == ("PNG", 8)
    assert (photo.width_px, photo.height_px, photo.scale) == (240, 180, 1.0)
    assert photo.luminance.dtype == np.float32
    assert_allclose(photo.luminance, relative_luminance(PIXELS), atol=2e-7, rtol=0)
    assert photo.clipped.dtype == np.bool_
    assert not photo.clipped.any()
    assert photo.rgb.dtype == np.uint8
    assert np.array_equal(photo.rgb, PIXELS)
    assert photo.exposure == Exposure()


def test_reduced_photo(tmp_path: Path) -> None:
    photo = read_photo(saved(tmp_path), max_side_px=120)
    assert (photo.width_px, photo.height_px, photo.scale) == (240, 180, 0.5)
    assert photo.luminance.shape == photo.clipped.shape == (90, 120)
    assert photo.rgb.shape == (90, 120, 3)
    blocks = relative_luminance(PIXELS).reshape(90, 2, 120, 2).mean(axis=(1, 3))
    assert_allclose(photo.luminance, blocks, atol=1e-6, rtol=0)


@pytest.mark.parametrize("max_side_px", [240, 241, 5000])
def test_a_photo_is_never_enlarged(tmp_path: Path, max_side_px: int) -> None:
    photo = read_photo(saved(tmp_path), max_side_px=max_side_px)
    assert (photo.luminance.shape, photo.scale) == ((180, 240), 1.0)


@pytest.mark.parametrize("max_side_px", [1, 7, 100, 239])
def test_the_longer_side_is_met_exactly(tmp_path: Path, max_side_px: int) -> None:
    photo = read_photo(saved(tmp_path), max_side_px=max_side_px)
    assert photo.luminance.shape[1] == max_side_px
    assert photo.scale == max_side_px / 240


@pytest.mark.parametrize("max_side_px", [0, -1])
def test_no_size_at_all(tmp_path: Path, max_side_px: int) -> None:
    with pytest.raises(ValueError, match="at least 1"):
        read_photo(saved(tmp_path), max_side_px=max_side_px)


@pytest.mark.parametrize("kind", SUFFIX)
@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation(tmp_path: Path, kind: str, orientation: int) -> None:
    finest: dict[str, Any] = {"WEBP": {"lossless": True}, "JPEG": {"quality": 95}}
    path = saved(tmp_path, kind, exif=exif_with({}, orientation), **finest.get(kind, {}))
    tagged = Image.fromarray(PIXELS)
    tagged.getexif()[ExifTags.Base.Orientation] = orientation
    upright = np.asarray(ImageOps.exif_transpose(tagged))
    photo = read_photo(path)
    assert (photo.height_px, photo.width_px) == upright.shape[:2] == photo.luminance.shape
    assert photo.rgb.shape == upright.shape
    assert photo.clipped.shape == upright.shape[:2]
    worst = 0 if kind in ("PNG", "TIFF", "WEBP") else 25
    assert abs(photo.rgb.astype(int) - upright).max() <= worst
    assert_allclose(photo.luminance, relative_luminance(photo.rgb), atol=1e-6, rtol=0)
    assert photo.luminance.flags.c_contiguous


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_of_reduced_and_clipped(tmp_path: Path, orientation: int) -> None:
    pixels = PIXELS.copy()
    pixels[:20, :60] = 255
    plain = read_photo(saved(tmp_path, image=Image.fromarray(pixels)), max_side_px=120)
    path = saved(tmp_path, image=Image.fromarray(pixels), exif=exif_with({}, orientation))
    photo = read_photo(path, max_side_px=120)
    for name in ("luminance", "clipped", "rgb"):
        image = Image.fromarray(getattr(plain, name))
        image.getexif()[ExifTags.Base.Orientation] = orientation
        assert np.array_equal(getattr(photo, name), np.asarray(ImageOps.exif_transpose(image)))
    assert photo.clipped.sum() == 10 * 30
    assert photo.scale == 0.5


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_of_a_sixteen_bit_png(tmp_path: Path, orientation: int) -> None:
    wide = RNG.integers(0, 65536, (180, 240, 3), np.uint16)
    done, data = cv2.imencode(".png", wide[..., ::-1])
    assert done
    # the EXIF chunk goes before the picture, which starts after the 33 bytes of the header
    tag = exif_with({}, orientation).tobytes().removeprefix(b"Exif\0\0")
    chunk = io.BytesIO()
    Image.new("L", (1, 1)).save(chunk, "PNG", exif=tag)
    small = chunk.getvalue()
    start = small.index(b"eXIf") - 4
    path = tmp_path / "wide.png"
    file = data.tobytes()
    path.write_bytes(file[:33] + small[start : start + 12 + len(tag)] + file[33:])
    photo = read_photo(path)
    assert photo.bit_depth == 16
    tagged = Image.fromarray(np.rint(wide / 257).astype(np.uint8))
    tagged.getexif()[ExifTags.Base.Orientation] = orientation
    assert np.array_equal(photo.rgb, np.asarray(ImageOps.exif_transpose(tagged)))


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_orientations_that_mean_nothing(tmp_path: Path, orientation: int) -> None:
    photo = read_photo(saved(tmp_path, exif=exif_with({}, orientation)))
    assert np.array_equal(photo.rgb, PIXELS)


@pytest.mark.parametrize("kind", SUFFIX)
def test_exposure_of_every_format(tmp_path: Path, kind: str) -> None:
    exposure = read_photo(saved(tmp_path, kind, exif=exif_with(PHONE, 6))).exposure
    assert exposure.exposure_time_s == pytest.approx(1 / 125)
    assert exposure.f_number == 8
    assert exposure.iso_speed == 400
    assert exposure.focal_length_mm == pytest.approx(5.7)
    assert exposure.focal_length_35mm_mm == 26
    assert exposure.digital_zoom == 1.5
    assert exposure.zoomed_focal_length_35mm_mm == 39
    # by hand: log2(64 * 125) and two stops for ISO 400
    assert exposure.exposure_value == pytest.approx(12.9658, abs=5e-5)
    assert exposure.exposure_value_100 == pytest.approx(10.9658, abs=5e-5)


@pytest.mark.parametrize(
    ("tag", "value", "field"),
    [
        (ExifTags.Base.ExposureTime, rational(0, 1), "exposure_time_s"),
        (ExifTags.Base.ExposureTime, rational(1, 0), "exposure_time_s"),
        (ExifTags.Base.FNumber, rational(0, 0), "f_number"),
        (ExifTags.Base.ISOSpeedRatings, 0, "iso_speed"),
        (ExifTags.Base.ISOSpeedRatings, 65535, "iso_speed"),  # EXIF: 65535 or higher
        (ExifTags.Base.FocalLengthIn35mmFilm, 0, "focal_length_35mm_mm"),  # EXIF: unknown
    ],
)
def test_exposures_that_are_unknown(tmp_path: Path, tag: int, value: Any, field: str) -> None:
    exposure = read_photo(saved(tmp_path, exif=exif_with({**PHONE, tag: value}))).exposure
    assert getattr(exposure, field) is None
    known = [name for name in Exposure.__dataclass_fields__ if getattr(exposure, name) is not None]
    assert len(known) == 5


def test_digital_zoom_of_zero_means_none_was_used(tmp_path: Path) -> None:
    # EXIF 2.32, DigitalZoomRatio: "if the numerator is 0, digital zoom was not used"
    tags: dict[int, Any] = {ExifTags.Base.DigitalZoomRatio: rational(0, 1)}
    assert read_photo(saved(tmp_path, exif=exif_with(tags))).exposure.digital_zoom == 1.0


def test_first_of_several_iso_speeds(tmp_path: Path) -> None:
    tags: dict[int, Any] = {ExifTags.Base.ISOSpeedRatings: (200, 0)}
    assert read_photo(saved(tmp_path, exif=exif_with(tags))).exposure.iso_speed == 200


@pytest.mark.parametrize(
    ("f_number", "exposure_time_s", "iso_speed", "exposure_value", "exposure_value_100"),
    # worked by hand from EV = log2(N^2/t) and EV100 = EV - log2(S/100), ISO 2720:1974
    [
        (1, 1, 100, 0, 0),
        (16, 1 / 125, 100, 14.9658, 14.9658),
        (16, 1 / 128, 100, 15, 15),
        (8, 1 / 125, 400, 12.9658, 10.9658),
        (5.6, 1 / 60, 100, 10.8777, 10.8777),
        (2.8, 1 / 30, 100, 7.8777, 7.8777),
        (11, 1 / 250, 100, 14.8846, 14.8846),
        (4, 1 / 4, 50, 6, 7),
    ],
)
def test_exposure_value(
    f_number: float,
    exposure_time_s: float,
    iso_speed: float,
    exposure_value: float,
    exposure_value_100: float,
) -> None:
    exposure = Exposure(f_number=f_number, exposure_time_s=exposure_time_s, iso_speed=iso_speed)
    assert exposure.exposure_value == pytest.approx(exposure_value, abs=5e-5)
    assert exposure.exposure_value_100 == pytest.approx(exposure_value_100, abs=5e-5)


def test_exposure_value_in_apex() -> None:
    # EXIF 2.32 annex C: Av = 2 log2 N, Tv = -log2 t, EV = Av + Tv
    exposure = Exposure(f_number=2**1.5, exposure_time_s=2**-7)
    assert exposure.exposure_value == pytest.approx(3 + 7)


@given(st.floats(0.7, 64), st.floats(1e-5, 60))
def test_twice_the_time_is_one_less(f_number: float, exposure_time_s: float) -> None:
    shorter = Exposure(f_number=f_number, exposure_time_s=exposure_time_s, iso_speed=100)
    longer = Exposure(f_number=f_number, exposure_time_s=2 * exposure_time_s, iso_speed=200)
    assert shorter.exposure_value is not None
    assert longer.exposure_value == pytest.approx(shorter.exposure_value - 1)
    assert longer.exposure_value_100 == pytest.approx(shorter.exposure_value - 2)


def test_exposure_value_unknown() -> None:
    assert Exposure().exposure_value is None
    assert Exposure(f_number=8).exposure_value is None
    assert Exposure(exposure_time_s=1).exposure_value_100 is None
    half_known = Exposure(f_number=8, exposure_time_s=1)
    assert half_known.exposure_value == 6
    assert half_known.exposure_value_100 is None


def test_sixteen_bits(tmp_path: Path) -> None:
    wide = np.arange(180 * 240, dtype=np.uint16).reshape(180, 240)
    path = tmp_path / "wide.png"
    Image.fromarray(wide).save(path)
    photo = read_photo(path)
    assert photo.bit_depth == 16
    assert_allclose(photo.luminance, srgb_to_linear(wide / 65535), atol=2e-7, rtol=0)
    assert len(np.unique(photo.luminance)) > 180 * 240 * 0.99


def test_content_counts_and_not_the_suffix(tmp_path: Path) -> None:
    path = saved(tmp_path).rename(tmp_path / "photo.jpg")
    photo = read_photo(str(path))
    assert photo.format == "PNG"
    assert np.array_equal(photo.rgb, PIXELS)


def test_names_outside_ascii(tmp_path: Path) -> None:
    path = saved(tmp_path).rename(tmp_path / "Kotflügel 漆.png")
    assert read_photo(path).path == path


def test_clipped_where_the_highlight_is(tmp_path: Path) -> None:
    pixels = PIXELS.copy()
    pixels[60:80, 100:130] = 255
    photo = read_photo(saved(tmp_path, image=Image.fromarray(pixels)))
    expected = np.zeros((180, 240), bool)
    expected[60:80, 100:130] = True
    assert np.array_equal(photo.clipped, expected)


def test_one_clipped_pixel_in_four_hundred(tmp_path: Path) -> None:
    pixels = PIXELS.copy()
    pixels[105, 47] = 255
    photo = read_photo(saved(tmp_path, image=Image.fromarray(pixels)), max_side_px=12)
    assert np.argwhere(photo.clipped).tolist() == [[5, 2]]


def test_two_threads_read_alike(tmp_path: Path) -> None:
    paths = []
    for kind in SUFFIX:
        large = IMAGE.resize((480, 360))
        paths.append(saved(tmp_path, kind, large, exif=exif_with(PHONE, 6)))
    alone = [read_photo(path, max_side_px=200) for path in paths]
    with ThreadPoolExecutor(2) as pool:
        together = list(pool.map(lambda path: read_photo(path, max_side_px=200), paths * 4))
    for one, other in zip(alone * 4, together, strict=True):
        assert np.array_equal(one.luminance, other.luminance)
        assert np.array_equal(one.rgb, other.rgb)
        assert (one.sha256, one.exposure) == (other.sha256, other.exposure)


@pytest.mark.parametrize("kind", SUFFIX)
def test_cut_off_files(tmp_path: Path, kind: str) -> None:
    path = saved(tmp_path, kind)
    path.write_bytes(path.read_bytes()[:-20])
    with pytest.raises(UnreadablePhotoError, match="cut off"):
        read_photo(path)


def test_errors_name_the_file(tmp_path: Path) -> None:
    with pytest.raises(UnreadablePhotoError, match=r"door\.jpg is not there; .* needed; check"):
        read_photo(tmp_path / "door.jpg")
    with pytest.raises(NotMeasurableError, match="1 x 1 px"):
        read_photo(saved(tmp_path, image=Image.new("RGB", (1, 1))))


def test_photos_of_a_folder(tmp_path: Path) -> None:
    names = ["IMG_10.JPG", "IMG_2.jpg", "img_1.jpeg", "a.HEIC", "b.heif", "c.webp", "d.avif"]
    names += ["e.png", "f.tif", "g.TIFF"]
    others = ["truth.json", "notes.txt", ".IMG_3.jpg", "._IMG_2.jpg", "Thumbs.db", "IMG_4.mov"]
    for name in names + others:
        (tmp_path / name).touch()
    (tmp_path / "masks").mkdir()
    (tmp_path / "masks" / "IMG_2.png").touch()
    (tmp_path / "folder.jpg").mkdir()
    found = [path.name for path in list_photos(tmp_path)]
    assert found == [*sorted(names[3:]), "img_1.jpeg", "IMG_2.jpg", "IMG_10.JPG"]
    assert all(path.parent == tmp_path for path in list_photos(str(tmp_path)))


@given(st.lists(st.text("ab019 _²", min_size=1, max_size=6), unique=True))
def test_natural_order_is_one_order(names: list[str]) -> None:
    keys = sorted(_natural_order(Path(name)) for name in names)
    assert keys == sorted(keys)
    assert len({repr(key) for key in keys}) == len(names)


def test_one_photo_is_itself(tmp_path: Path) -> None:
    path = tmp_path / "whatever.bin"
    path.touch()
    assert list_photos(path) == [path]


def test_no_photos(tmp_path: Path) -> None:
    with pytest.raises(UnreadablePhotoError, match="holds no photo"):
        list_photos(tmp_path)
    with pytest.raises(UnreadablePhotoError, match="is not there"):
        list_photos(tmp_path / "gone")


def test_a_folder_without_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_: Path) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "iterdir", refuse)
    with pytest.raises(UnreadablePhotoError, match="may not be read"):
        list_photos(tmp_path)


def test_a_heif_item_of_no_readable_kind(tmp_path: Path) -> None:
    path = saved(tmp_path, "HEIF", exif=exif_with(PHONE))
    data = path.read_bytes()
    assert b"Exif\0" in data
    at = data.index(b"Exif\0", data.index(b"infe"))
    path.write_bytes(data[:at] + b"\xff\xff\xff\xff" + data[at + 4 :])
    with pytest.raises(UnreadablePhotoError, match="is damaged"):
        read_photo(path)


@pytest.mark.filterwarnings("error")
def test_a_palette_with_opacity_in_bytes_is_read_without_a_word(tmp_path: Path) -> None:
    image = IMAGE.convert("P")
    plain = read_photo(saved(tmp_path, "PNG", image))
    opaque = read_photo(saved(tmp_path, "PNG", image, transparency=bytes([255] * 256)))
    assert np.array_equal(opaque.rgb, plain.rgb)
