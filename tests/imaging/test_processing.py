"""Traces of processing in the EXIF, by the codes of CIPA DC-008."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import ExifTags, Image

from defectscan.imaging.photo import read_photo
from defectscan.imaging.processing import Processing, processing_of

TAGS = ExifTags.Base


@pytest.mark.parametrize(
    ("exif", "expected"),
    [
        ({}, Processing()),
        ({TAGS.SceneCaptureType: 0, TAGS.CompositeImage: 1, TAGS.Sharpness: 0}, Processing()),
        ({TAGS.SceneCaptureType: 3}, Processing(merged=True)),
        ({TAGS.CompositeImage: 2}, Processing(merged=True)),
        ({TAGS.CompositeImage: 3}, Processing(merged=True)),
        ({TAGS.CustomRendered: 1}, Processing()),
        ({TAGS.CustomRendered: 8}, Processing(portrait=True)),
        ({TAGS.Sharpness: 2}, Processing(sharpened=True)),
        ({TAGS.Sharpness: "2", TAGS.CompositeImage: (3,), TAGS.SceneCaptureType: b"3"},
         Processing()),
    ],
)  # fmt: skip
def test_codes(exif: dict[int, Any], expected: Processing) -> None:
    assert processing_of(exif) == expected


def test_traces_are_read_from_a_photo(tmp_path: Path) -> None:
    image = Image.fromarray(np.full((200, 300, 3), 90, np.uint8))
    exif = image.getexif()
    exif.get_ifd(ExifTags.IFD.Exif).update({TAGS.SceneCaptureType: 3, TAGS.Sharpness: 2})
    image.save(tmp_path / "night.jpg", exif=exif)
    image.save(tmp_path / "plain.jpg")
    assert read_photo(tmp_path / "night.jpg").processing == Processing(merged=True, sharpened=True)
    assert read_photo(tmp_path / "plain.jpg").processing == Processing()
