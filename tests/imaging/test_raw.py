"""DNG raw files, written here by the rules of the DNG specification 1.4."""

import io
import struct
import sys
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import tifffile

from defectscan.errors import NotMeasurableError, UnreadablePhotoError
from defectscan.imaging.photo import Photo, list_photos, read_photo

# XYZ to linear sRGB, IEC 61966-2-1: this camera sees in sRGB's primaries.
MATRIX = (3.2405, -1.5371, -0.4985, -0.9693, 1.8760, 0.0416, 0.0556, -0.2040, 1.0572)
WEDGE = np.tile(np.linspace(1000, 60000, 400).astype(np.uint16), (300, 1))


def rational(values: tuple[float, ...]) -> list[int]:
    return [part for value in values for part in (round(value * 10000), 10000)]


def dng(mosaic: npt.NDArray[np.uint16], *, orientation: int = 1, compression: int = 1) -> bytes:
    tags: list[tuple[int, str, int, Any, bool]] = [
        (274, "H", 1, orientation, True),
        (33421, "H", 2, (2, 2), True),  # CFARepeatPatternDim
        (33422, "B", 4, bytes((0, 1, 1, 2)), True),  # CFAPattern: RGGB
        (50706, "B", 4, bytes((1, 4, 0, 0)), True),  # DNGVersion
        (50707, "B", 4, bytes((1, 1, 0, 0)), True),  # DNGBackwardVersion
        (50708, "s", 0, "drawn", True),  # UniqueCameraModel
        (50717, "H", 1, 65535, True),  # WhiteLevel
        (50721, "2i", 9, rational(MATRIX), True),  # ColorMatrix1
        (50728, "2I", 3, rational((1.0, 1.0, 1.0)), True),  # AsShotNeutral
        (50778, "H", 1, 21, True),  # CalibrationIlluminant1: D65
    ]
    out = io.BytesIO()
    tifffile.imwrite(out, mosaic, photometric=32803, extratags=tags, metadata=None)
    data = bytearray(out.getvalue())
    if compression != 1:
        place = data.index(bytes((3, 1, 3, 0, 1, 0, 0, 0, 1, 0)))  # tag 259, one SHORT of 1
        data[place + 8 : place + 10] = compression.to_bytes(2, "little")
    return bytes(data)


def read(folder: Path, data: bytes) -> Photo:
    path = folder / "raw.dng"
    path.write_bytes(data)
    assert list_photos(folder) == [path]
    return read_photo(path)


def test_raw_is_linear(tmp_path: Path) -> None:
    photo = read(tmp_path, dng(WEDGE))
    assert (photo.format, photo.bit_depth) == ("DNG", 16)
    assert (photo.width_px, photo.height_px) == (400, 300)
    middle = photo.luminance[150, 5:-5]
    assert middle == pytest.approx(WEDGE[150, 5:-5] / 65535, rel=0.003)
    assert not photo.clipped.any()


def test_colours_are_kept(tmp_path: Path) -> None:
    mosaic = np.empty((300, 400), dtype=np.uint16)
    mosaic[::2, ::2], mosaic[1::2, 1::2] = 30000, 10000  # red, blue
    mosaic[::2, 1::2] = mosaic[1::2, ::2] = 20000
    photo = read(tmp_path, dng(mosaic))
    # Luminance weights of ITU-R BT.709; the primaries are sRGB's.
    expected = (0.2126 * 30000 + 0.7152 * 20000 + 0.0722 * 10000) / 65535
    assert float(np.median(photo.luminance)) == pytest.approx(expected, rel=0.02)
    red, green, blue = np.median(photo.rgb.reshape(-1, 3), axis=0)
    assert red > green > blue


def test_blown_out_sites_are_clipped(tmp_path: Path) -> None:
    mosaic = WEDGE.copy()
    mosaic[100:200, 100:200] = 65535
    photo = read(tmp_path, dng(mosaic))
    assert photo.clipped[110:190, 110:190].all()
    assert not photo.clipped[:90].any()


def test_orientation_is_applied_once(tmp_path: Path) -> None:
    upright, turned = read(tmp_path, dng(WEDGE)), read(tmp_path, dng(WEDGE, orientation=6))
    assert (turned.width_px, turned.height_px) == (300, 400)
    assert np.array_equal(turned.luminance, np.rot90(upright.luminance, -1))


@pytest.mark.parametrize("length", [200, 400, 2000, 100_000])
def test_cut_off(tmp_path: Path, length: int) -> None:
    with pytest.raises(UnreadablePhotoError):
        read(tmp_path, dng(WEDGE)[:length])


def test_unknown_compression(tmp_path: Path) -> None:
    with pytest.raises(UnreadablePhotoError, match=r"DNG|damaged"):
        read(tmp_path, dng(WEDGE, compression=52546))  # JPEG XL


def test_cut_off_makes_no_noise(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(UnreadablePhotoError):
        read(tmp_path, dng(WEDGE)[:2000])
    assert capfd.readouterr().err == ""


def test_one_colour_alone_is_refused(tmp_path: Path) -> None:
    # Tag 33422, CFAPattern, says that it is longer than the file.
    data = dng(WEDGE)
    told = struct.pack("<HHI", 33422, 1, 4)
    assert told in data
    with pytest.raises(UnreadablePhotoError, match="of 1 colours"):
        read(tmp_path, data.replace(told, struct.pack("<HHI", 33422, 1, 10_223_620)))


def test_too_small(tmp_path: Path) -> None:
    with pytest.raises(NotMeasurableError, match="200 px"):
        read(tmp_path, dng(WEDGE[:100, :150]))


def test_without_the_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "rawpy", None)
    with pytest.raises(UnreadablePhotoError, match=r"defectscan\[raw\]"):
        read(tmp_path, dng(WEDGE))
