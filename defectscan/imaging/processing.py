"""What the camera made of a photo beyond exposing it, as far as its EXIF tells."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from PIL import ExifTags

_NIGHT_SCENE = 3
_COMPOSITES = frozenset((2, 3))
_HARD = 2
# No standard has these: common practice of phones, without a source.
_PORTRAITS = frozenset((7, 8))


@dataclass(frozen=True, slots=True, kw_only=True)
class Processing:
    """Hold what was done to a photo; false where the EXIF does not say so.

    Parameters
    ----------
    merged
        Put together from several exposures, as by a night or high-dynamic-range mode.
    portrait
        Blurred round a subject.
    sharpened
        Sharpened hard, by the camera's own account.
    """

    merged: bool = False
    portrait: bool = False
    sharpened: bool = False


NOT_PROCESSED = Processing()


def processing_of(exif: Mapping[int, Any]) -> Processing:
    """Read the traces of processing.

    Parameters
    ----------
    exif
        Tags of the EXIF folder.

    References
    ----------
    CIPA DC-008 (Exif 2.32): SceneCaptureType 3 is a night scene, CompositeImage 2 and 3 a
    composite, Sharpness 2 hard. Values of CustomRendered over 1 are the makers' own.
    """
    tags = ExifTags.Base

    def code(tag: ExifTags.Base) -> int | None:
        value = exif.get(tag)
        return value if isinstance(value, int) else None

    return Processing(
        merged=code(tags.SceneCaptureType) == _NIGHT_SCENE
        or code(tags.CompositeImage) in _COMPOSITES,
        portrait=code(tags.CustomRendered) in _PORTRAITS,
        sharpened=code(tags.Sharpness) == _HARD,
    )
