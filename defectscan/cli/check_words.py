"""What `defectscan check` says of one photo or clip: in words, as JSON, as a picture."""

import hashlib
import json
from collections import Counter
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from defectscan.errors import DefectscanError

if TYPE_CHECKING:
    from defectscan.flags import Flag
    from defectscan.imaging.capture import CaptureCheck
    from defectscan.imaging.card import Card
    from defectscan.imaging.conditions import Condition
    from defectscan.imaging.photo import Photo
    from defectscan.imaging.repeat import Repeat, View

Look = tuple["Photo", "CaptureCheck", "Repeat | None"]

MOST_LINES = 3
ANOTHER_SIZE = (
    "The stated scale is that of the first photo, and this one has another size: how many of its "
    "pixels show a millimetre is not known. Check it by itself, with its own --mm-per-px."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedScale:
    """The scale that the user states, which is that of the first photo.

    Attributes
    ----------
    mm_per_px
        Millimetres per pixel of the first photo itself.
    side_px
        That photo's longer side; ``None`` where there is no other photo.
    """

    mm_per_px: float
    side_px: int | None

    def of(self, photo: "Photo") -> float | None:
        """Return it for a photo; ``None`` for one of another size, of which it says nothing."""
        side_px = max(photo.width_px, photo.height_px)
        return self.mm_per_px if self.side_px in {side_px, None} else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """What to change at the car: the worst first, and no more than can be done at once.

    Attributes
    ----------
    faults
        Conditions that are not met.
    others
        What else would make a better photo, in plain words.
    """

    faults: "tuple[Condition, ...]"
    others: tuple[str, ...]

    @property
    def lines(self) -> list[str]:
        """All of it in plain words."""
        return [f"{fault.text} {fault.advice}" for fault in self.faults] + list(self.others)


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What there is to say of a photo.

    Attributes
    ----------
    record
        For the JSON, plain.
    words
        Lines for the terminal; the first is to stand behind the photo's name.
    error
        Why it could not be read, or ``None``.
    picture
        A JPEG file of it with marks, or ``None`` where none was asked for.
    """

    record: dict[str, Any]
    words: tuple[str, ...]
    error: str | None = None
    picture: bytes | None = None


def tell(
    file: Path,
    *,
    before: "View | None",
    stated: StatedScale | None,
    card_mm: float | None,
    picture: str | None,
) -> Told:
    """Look at a photo, or at the frames of a clip, and say whether it can be measured.

    Parameters
    ----------
    file
        The photo or clip.
    before
        The photo to repeat.
    stated
        The scale, if it is stated.
    card_mm
        As for `check_photo`.
    picture
        Name of the picture with marks, where one is wanted.

    Raises
    ------
    UnreadablePhotoError, NotMeasurableError
        If the file cannot be read.
    """
    from defectscan.output import to_json  # noqa: PLC0415 - heavy

    looks = [_look(photo, before, stated=stated, card_mm=card_mm) for photo in _pictures(file)]
    photo, found, repeat = _telling(looks)
    if photo.frame is not None:
        found = _as_clip(found, len(looks))
    advice = _advice(photo, found, repeat, stated)
    record = _record(photo, found, repeat, picture) | {"advice": advice.lines}
    words = _words(found, repeat, advice)
    if photo.frame is not None:
        record["frames"] = _frames(looks)
        good = sum(look[1].measurable for look in looks)
        words[0] += f": {good} of {len(looks)} chosen frames are good"
    return Told(
        record=json.loads(to_json(record)),
        words=tuple(words),
        picture=None if picture is None else _drawn(photo, found, repeat, advice),
    )


def longer_side_px(files: Iterable[Path]) -> int | None:
    """Return the longer side of the first photo or clip that can be read; ``None`` if none can."""
    from defectscan.imaging.clip import is_clip, read_frame  # noqa: PLC0415 - heavy
    from defectscan.imaging.photo import read_photo  # noqa: PLC0415
    from defectscan.shots import WORKING_SIDE_PX  # noqa: PLC0415

    for file in files:
        with suppress(DefectscanError):
            if is_clip(file):
                photo = read_frame(file, 0, max_side_px=WORKING_SIDE_PX)
            else:
                photo = read_photo(file, max_side_px=WORKING_SIDE_PX)
            return max(photo.width_px, photo.height_px)
    return None


def unread(file: Path, error: DefectscanError) -> Told:
    """Say that a file cannot be read, and why."""
    record: dict[str, Any] = {
        "file": file.name,
        "path": str(file),
        "sha256": None,
        "measurable": False,
        "error": str(error),
        "conditions": [],
        "highlights": [],
        "scale": None,
        "flags": [],
        "repeat": None,
        "picture": None,
        "advice": [],
    }
    return Told(record=record, words=(), error=str(error))


def checksum(file: Path) -> str | None:
    """Return a file's SHA-256 in hexadecimal, or ``None`` where it cannot be read."""
    try:
        with file.open("rb") as opened:
            return hashlib.file_digest(opened, "sha256").hexdigest()
    except OSError:
        return None


def _pictures(file: Path) -> "list[Photo]":
    """Return a photo, or the frames of a clip that would be measured."""
    from defectscan.imaging.clip import is_clip, read_clip  # noqa: PLC0415 - heavy
    from defectscan.imaging.photo import read_photo  # noqa: PLC0415
    from defectscan.shots import WORKING_SIDE_PX  # noqa: PLC0415

    if is_clip(file):
        return read_clip(file, max_side_px=WORKING_SIDE_PX)
    return [read_photo(file, max_side_px=WORKING_SIDE_PX)]


def _look(
    photo: "Photo", before: "View | None", *, stated: StatedScale | None, card_mm: float | None
) -> Look:
    from defectscan.imaging.capture import check_photo  # noqa: PLC0415
    from defectscan.imaging.repeat import View, repeat_photo  # noqa: PLC0415

    mm_per_px = None if stated is None else stated.of(photo)
    found = check_photo(photo, mm_per_px=mm_per_px, card_mm=card_mm)
    if before is None:
        return photo, found, None
    now = View.of(photo, found.highlights)
    return photo, found, repeat_photo(before, now, mm_per_px=found.mm_per_px)


def _enough(looks: list[Look]) -> bool:
    """Tell whether so many frames of a clip can be measured that it is worth filming."""
    from defectscan.imaging.conditions import LEAST_FRAMES  # noqa: PLC0415 - heavy

    return sum(found.measurable for _, found, _ in looks) >= LEAST_FRAMES


def _telling(looks: list[Look]) -> Look:
    """Return the frame to speak of: with what is wrong in most, where too few can be measured."""
    if len(looks) > 1 and not _enough(looks):
        faults = Counter(found.problems[0].name for _, found, _ in looks if found.problems)
        usual = faults.most_common(1)[0][0] if faults else ""
        for look in looks:
            if look[1].problems and look[1].problems[0].name == usual:
                return look
    return next((look for look in looks if look[1].measurable), looks[0])


def _frames(looks: list[Look]) -> list[dict[str, Any]]:
    return [
        {
            "index": photo.frame.index,
            "time_s": photo.frame.time_s,
            "measurable": found.measurable,
            "problems": [wrong.name for wrong in found.problems],
        }
        for photo, found, _ in looks
        if photo.frame is not None
    ]


def _as_clip(found: "CaptureCheck", n_frames: int) -> "CaptureCheck":
    """Judge the clip that a frame is to speak for: by its number of chosen frames, too."""
    from defectscan.imaging.conditions import places_in_clip  # noqa: PLC0415 - heavy

    conditions = (places_in_clip(n_frames), *found.conditions)
    return replace(found, conditions=tuple(sorted(conditions, key=lambda one: one.ok)))


def _drawn(photo: "Photo", found: "CaptureCheck", repeat: "Repeat | None", advice: Advice) -> bytes:
    from defectscan.report.check_picture import draw_check  # noqa: PLC0415

    return draw_check(photo, found, repeat=repeat, faults=advice.faults, others=advice.others)


def _advice(
    photo: "Photo", found: "CaptureCheck", repeat: "Repeat | None", stated: StatedScale | None
) -> Advice:
    """Return what terminal, JSON and picture say to change."""
    faults = found.problems[:MOST_LINES]
    others = [f"{flag.text} {flag.advice}" for flag in _flags(photo, found)]
    if stated is not None and found.mm_per_px is None:
        others.append(ANOTHER_SIZE)
    if repeat is not None:
        others += repeat.advice
    return Advice(faults=faults, others=tuple(others[: MOST_LINES - len(faults)]))


def _flags(photo: "Photo", found: "CaptureCheck") -> "list[Flag]":
    """Return what `score` would call doubtful, too, and can be told without measuring."""
    from defectscan.shots import card_doubts, processing_doubts  # noqa: PLC0415

    return processing_doubts(photo) + ([] if found.card is None else card_doubts(found.card))


def _words(found: "CaptureCheck", repeat: "Repeat | None", advice: Advice) -> list[str]:
    """Return what to say of a photo."""
    can = "can be measured" if found.measurable else "cannot be measured as it is"
    words = [can]
    if found.card is not None:
        scale = f"{found.mm_per_px:.4f} mm a pixel"
        words.append(f"  scale card: {scale}, seen {found.card.tilt_deg:.0f}° off the square")
    if repeat is not None:
        words.append(f"  {repeat.text}")
    return words + [f"- {line}" for line in advice.lines]


def _record(
    photo: "Photo", found: "CaptureCheck", repeat: "Repeat | None", picture: str | None
) -> dict[str, Any]:
    from defectscan.report.record import of_flag  # noqa: PLC0415 - heavy

    return {
        "file": photo.path.name,
        "path": str(photo.path),
        "sha256": photo.sha256,
        "measurable": found.measurable,
        "error": None,
        "conditions": found.conditions,
        "highlights": [
            {
                "x_px": (spot.x_px + 0.5) / photo.scale - 0.5,
                "y_px": (spot.y_px + 0.5) / photo.scale - 0.5,
                "radius_px": spot.radius_px / photo.scale,
                "bloom_px": spot.bloom_px / photo.scale,
            }
            for spot in found.highlights
        ],
        "scale": None if found.card is None else _scale(found, found.card),
        "flags": [of_flag(flag) for flag in _flags(photo, found)],
        "repeat": repeat,
        "picture": picture,
    }


def _scale(found: "CaptureCheck", card: "Card") -> dict[str, Any]:
    return {
        "mm_per_px": found.mm_per_px,
        "relative_standard_error": card.mm_per_px_standard_error / card.mm_per_px,
        "tilt_deg": card.tilt_deg,
        "tilt_standard_error_deg": card.tilt_standard_error_deg,
    }
