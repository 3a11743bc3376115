"""`defectscan check`: can these photos be measured, and what to change at the car."""

import hashlib
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from defectscan.cli.options import (
    CardMm,
    Force,
    Json,
    MmPerPx,
    check_apart,
    emit_json,
    json_file,
    progress_bar,
)
from defectscan.errors import DefectscanError
from defectscan.version import __version__

if TYPE_CHECKING:
    from collections.abc import Iterator

    from defectscan.cli.check_words import StatedScale, Told
    from defectscan.imaging.repeat import View
    from defectscan.unfinished import Unfinished

RECORD = "check.json"
UNFINISHED = "check.unfinished"


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
        Path | None,
        typer.Option(
            help="Write each photo with marks, and the JSON, here, not beside the photos. "
            "A run that was stopped goes on."
        ),
    ] = None,
    force: Force = False,
) -> None:
    """Tell whether photos can be measured and, where not, what to change at the car."""
    from defectscan.cli.check_words import checksum  # noqa: PLC0415 - heavy
    from defectscan.output import check_free, to_json, write_whole  # noqa: PLC0415
    from defectscan.unfinished import Unfinished  # noqa: PLC0415

    listed = _listed(photos)
    if out is not None:
        known = [file for file, missing in listed if missing is None]
        check_apart(out, {file.parent for file in [*known, *([] if like is None else [like])]})
    names = _picture_names(listed)
    stated = _stated(mm_per_px, listed, like)
    settings = {
        "version": __version__,
        "mm_per_px": mm_per_px,
        "mm_per_px_of_side_px": None if stated is None else stated.side_px,
        "card_mm": card_mm,
        "like": None if like is None else checksum(like),
    }
    kept = None if out is None else Unfinished(out / UNFINISHED, settings)
    fresh = [name for name in names if kept is None or name not in kept]
    files = [] if out is None else [out / name for name in (*fresh, RECORD)]
    check_free([*json_file(json), *files], force=force)
    errors: list[str] = []
    before = None
    if like is not None:
        try:
            before = _view_to_repeat(like, stated)
        except DefectscanError as error:
            errors.append(f"--like {error}")
    records: list[dict[str, Any]] = []
    lines: list[str] = []
    with progress_bar(len(listed)) as step:
        found = _told(listed, names, kept, out=out, before=before, stated=stated, card_mm=card_mm)
        for (file, _), shown, name, told in zip(
            listed, _shown_names(listed), names, found, strict=True
        ):
            step(file.name)
            records.append(told.record)
            if told.words:
                lines += [f"{shown}: {told.words[0]}", *told.words[1:]]
            if told.error is not None:
                errors.append(told.error)
            elif out is not None and kept is not None and told.picture is not None:
                # Noted first: a run stopped in between finds no picture that it does not know.
                is_own = name in kept
                kept.keep(name, _done(told, told.picture))
                write_whole(out / name, told.picture, force=force or is_own)
    like_name = None if before is None else before.photo.path.name
    head = {"format": "defectscan.check/1", "version": __version__, "like": like_name}
    text = to_json({**head, "photos": records})
    if out is not None and kept is not None:
        write_whole(out / RECORD, text.encode(), force=force)
        kept.finish()
    emit_json(text, json, force=force)
    _tell([] if str(json) == "-" else lines, errors)
    if errors or not all(record["measurable"] for record in records):
        raise typer.Exit(1)


def _told(
    listed: list[tuple[Path, DefectscanError | None]],
    names: list[str],
    kept: "Unfinished | None",
    *,
    out: Path | None,
    before: "View | None",
    stated: "StatedScale | None",
    card_mm: float | None,
) -> "Iterator[Told]":
    """Look at the files side by side, and say what there is to say in their order."""
    from defectscan.ahead import WORKERS, in_order  # noqa: PLC0415
    from defectscan.cli.check_words import Told, checksum, tell, unread  # noqa: PLC0415 - heavy

    def look(number: int) -> Told:
        (file, missing), name = listed[number], names[number]
        if missing is not None:
            raise missing
        known = kept.done(name) if kept else None
        if (
            known
            and out
            and known["sha256"] == checksum(file)
            and known["picture_sha256"] == checksum(out / name)
        ):
            # The stopped run may have been started in another folder.
            record = known["record"] | {"path": str(file)}
            return Told(record=record, words=tuple(known["words"]))
        return tell(
            file,
            before=before,
            stated=stated,
            card_mm=card_mm,
            picture=None if out is None else name,
        )

    with ThreadPoolExecutor(WORKERS) as pool:
        found = in_order(pool, look, range(len(listed)))
        for (file, _), told in zip(listed, found, strict=True):
            yield unread(file, told) if isinstance(told, DefectscanError) else told


def _done(told: "Told", picture: bytes) -> dict[str, Any]:
    """Return what to keep of a photo, and by what to know it and its picture again."""
    return {
        "sha256": told.record["sha256"],
        "picture_sha256": hashlib.sha256(picture).hexdigest(),
        "record": told.record,
        "words": told.words,
    }


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


def _shown_names(listed: list[tuple[Path, DefectscanError | None]]) -> list[str]:
    """Return what to call each photo: its name, or the path where another has the same."""
    times = Counter(file.name for file, _ in listed)
    return [file.name if times[file.name] == 1 else str(file) for file, _ in listed]


def _picture_names(listed: list[tuple[Path, DefectscanError | None]]) -> list[str]:
    """Name a picture for each photo, numbered where two photos have one name."""
    stems = [file.stem for file, _ in listed]
    # Where capitals do not count, names that differ by them alone are one file.
    times = Counter(stem.casefold() for stem in stems)
    numbered = [f"{number}_{stem}_check.jpg" for number, stem in enumerate(stems, start=1)]
    names = [
        f"{stem}_check.jpg" if times[stem.casefold()] == 1 else name
        for stem, name in zip(stems, numbered, strict=True)
    ]
    # A photo's own name may be the other's with its number.
    return names if len({name.casefold() for name in names}) == len(names) else numbered


def _stated(
    mm_per_px: float | None, listed: list[tuple[Path, DefectscanError | None]], like: Path | None
) -> "StatedScale | None":
    from defectscan.cli.check_words import StatedScale, longer_side_px  # noqa: PLC0415 - heavy

    if mm_per_px is None:
        return None
    is_alone = len(listed) == 1 and like is None
    files = (file for file, missing in listed if missing is None)
    return StatedScale(mm_per_px=mm_per_px, side_px=None if is_alone else longer_side_px(files))


def _view_to_repeat(path: Path, stated: "StatedScale | None") -> "View":
    from defectscan.imaging.capture import check_photo  # noqa: PLC0415
    from defectscan.imaging.photo import read_photo  # noqa: PLC0415
    from defectscan.imaging.repeat import View  # noqa: PLC0415
    from defectscan.shots import WORKING_SIDE_PX  # noqa: PLC0415

    photo = read_photo(path, max_side_px=WORKING_SIDE_PX)
    mm_per_px = None if stated is None else stated.of(photo)
    return View.of(photo, check_photo(photo, mm_per_px=mm_per_px).highlights)
