"""`defectscan check`: can these photos be measured, and what to change at the car."""

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from defectscan.cli.options import (
    CardMm,
    Force,
    Json,
    MmPerPx,
    emit_json,
    json_file,
    progress_bar,
)
from defectscan.errors import DefectscanError
from defectscan.version import __version__

if TYPE_CHECKING:
    from defectscan.imaging.capture import CaptureCheck
    from defectscan.imaging.card import Card
    from defectscan.imaging.photo import Photo
    from defectscan.imaging.repeat import Repeat, View

Look = tuple["Photo", "CaptureCheck", "Repeat | None"]

MOST_LINES = 3
FEWEST_FRAMES = 3
RECORD = "check.json"


def check(
    photos: Annotated[
        list[Path], typer.Argument(help="Photos, folders of them, or clips.", metavar="PHOTO...")
    ],
    mm_per_px: MmPerPx = None,
    card_mm: CardMm = None,
    like: Annotated[
        Path | None,
        typer.Option(help="Tell how to stand to repeat this photo, too.", metavar="BEFORE"),
    ] = None,
    json: Json = None,
    out: Annotated[
        Path | None, typer.Option(help="Write each photo with marks, and the JSON, here.")
    ] = None,
    force: Force = False,
) -> None:
    """Tell whether photos can be measured and, where not, what to change at the car."""
    from defectscan.output import check_free, to_json, write_whole  # noqa: PLC0415 - heavy

    listed = _listed(photos)
    names = _picture_names(listed)
    files = [] if out is None else [out / name for name in (*names, RECORD)]
    check_free([*json_file(json), *files], force=force)
    records: list[dict[str, Any]] = []
    lines: list[str] = []
    errors: list[str] = []
    before = None
    if like is not None:
        try:
            before = _view_to_repeat(like, mm_per_px=mm_per_px)
        except DefectscanError as error:
            errors.append(f"--like {error}")
    with progress_bar(len(listed)) as step:
        for (file, missing), name in zip(listed, names, strict=True):
            step(file.name)
            try:
                if missing is not None:
                    raise missing
                looks = [
                    _look(photo, before, mm_per_px=mm_per_px, card_mm=card_mm)
                    for photo in _pictures(file)
                ]
            except DefectscanError as error:
                records.append(_unread(file, error))
                errors.append(str(error))
                continue
            photo, found, repeat = _telling(looks)
            told = _record(photo, found, repeat, None if out is None else name)
            words = _words(file.name, found, repeat)
            if photo.frame is not None:
                told |= {"measurable": _enough(looks), "frames": _frames(looks)}
                words = _clip_words(file.name, looks, words)
            records.append(told)
            lines += words
            if out is not None:
                drawn = _drawn(photo, found, repeat)
                write_whole(out / name, drawn, force=force)
    like_name = None if before is None else before.photo.path.name
    head = {"format": "defectscan.check/1", "version": __version__, "like": like_name}
    text = to_json({**head, "photos": records})
    if out is not None:
        write_whole(out / RECORD, text.encode(), force=force)
    emit_json(text, json, force=force)
    _tell([] if str(json) == "-" else lines, errors)
    if errors or not all(record["measurable"] for record in records):
        raise typer.Exit(1)


def _tell(lines: list[str], errors: list[str]) -> None:
    for line in lines:
        typer.echo(line)
    for line in errors:
        typer.echo(line, err=True)


def _listed(paths: list[Path]) -> list[tuple[Path, DefectscanError | None]]:
    """Return all photos, and with each path that holds none the reason."""
    from defectscan.imaging.photo import list_photos  # noqa: PLC0415

    listed: list[tuple[Path, DefectscanError | None]] = []
    for path in paths:
        try:
            listed += [(file, None) for file in list_photos(path)]
        except DefectscanError as error:
            listed.append((path, error))
    return listed


def _picture_names(listed: list[tuple[Path, DefectscanError | None]]) -> list[str]:
    """Name a picture for each photo, numbered where two photos have one name."""
    stems = [file.stem for file, _ in listed]
    times = Counter(stems)
    return [
        f"{stem}_check.jpg" if times[stem] == 1 else f"{number}_{stem}_check.jpg"
        for number, stem in enumerate(stems, start=1)
    ]


def _view_to_repeat(path: Path, *, mm_per_px: float | None) -> "View":
    from defectscan.imaging.capture import check_photo  # noqa: PLC0415
    from defectscan.imaging.photo import read_photo  # noqa: PLC0415
    from defectscan.imaging.repeat import View  # noqa: PLC0415
    from defectscan.shots import WORKING_SIDE_PX  # noqa: PLC0415

    photo = read_photo(path, max_side_px=WORKING_SIDE_PX)
    return View.of(photo, check_photo(photo, mm_per_px=mm_per_px).highlights)


def _pictures(file: Path) -> "list[Photo]":
    """Return a photo, or the frames of a clip that would be measured."""
    from defectscan.imaging.clip import is_clip, read_clip  # noqa: PLC0415 - heavy
    from defectscan.imaging.photo import read_photo  # noqa: PLC0415
    from defectscan.shots import WORKING_SIDE_PX  # noqa: PLC0415

    if is_clip(file):
        return read_clip(file, max_side_px=WORKING_SIDE_PX)
    return [read_photo(file, max_side_px=WORKING_SIDE_PX)]


def _look(
    photo: "Photo", before: "View | None", *, mm_per_px: float | None, card_mm: float | None
) -> Look:
    from defectscan.imaging.capture import check_photo  # noqa: PLC0415
    from defectscan.imaging.repeat import View, repeat_photo  # noqa: PLC0415

    found = check_photo(photo, mm_per_px=mm_per_px, card_mm=card_mm)
    if before is None:
        return photo, found, None
    now = View.of(photo, found.highlights)
    return photo, found, repeat_photo(before, now, mm_per_px=found.mm_per_px)


def _enough(looks: list[Look]) -> bool:
    """Tell whether so many frames of a clip can be measured that it is worth filming."""
    return sum(found.measurable for _, found, _ in looks) >= FEWEST_FRAMES


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


def _clip_words(name: str, looks: list[Look], words: list[str]) -> list[str]:
    """Return what to say of a clip: how many of its frames can be measured, then the advice."""
    good = sum(found.measurable for _, found, _ in looks)
    can = "can be measured" if _enough(looks) else "cannot be measured as it is"
    said = [f"{name}: {can}: {good} of {len(looks)} chosen frames are good", *words[1:]]
    if len(looks) < FEWEST_FRAMES:
        said.append(
            "- The highlight lies in too few places. Draw the lamp slowly over the panel for "
            "5 to 15 s, and let it rest here and there."
        )
    return said


def _drawn(photo: "Photo", found: "CaptureCheck", repeat: "Repeat | None") -> bytes:
    from defectscan.report.check_picture import draw_check  # noqa: PLC0415

    return draw_check(photo, found, repeat=repeat, lines=MOST_LINES)


def _words(name: str, found: "CaptureCheck", repeat: "Repeat | None") -> list[str]:
    """Return what to say of a photo: the worst first, and no more than can be done at once."""
    from defectscan.shots import card_doubts  # noqa: PLC0415

    advice = [f"{wrong.text} {wrong.advice}" for wrong in found.problems]
    words = [f"{name}: can be measured" if not advice else f"{name}: cannot be measured as it is"]
    card = found.card
    if card is not None:
        scale = f"{found.mm_per_px:.4f} mm a pixel"
        words.append(f"  scale card: {scale}, seen {card.tilt_deg:.0f}° off the square")
        advice += [flag.advice for flag in card_doubts(card)]
    if repeat is not None:
        advice += repeat.advice
        words.append(f"  {repeat.text}")
    return words + [f"- {line}" for line in advice[:MOST_LINES]]


def _record(
    photo: "Photo", found: "CaptureCheck", repeat: "Repeat | None", picture: str | None
) -> dict[str, Any]:
    return {
        "file": photo.path.name,
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


def _unread(file: Path, error: DefectscanError) -> dict[str, Any]:
    return {
        "file": file.name,
        "sha256": None,
        "measurable": False,
        "error": str(error),
        "conditions": [],
        "highlights": [],
        "scale": None,
        "repeat": None,
        "picture": None,
    }
