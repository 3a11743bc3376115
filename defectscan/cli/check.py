"""`defectscan check`: can these photos be measured, and what to change at the car."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from defectscan.cli.options import Force, Json, MmPerPx, emit_json, json_file, progress_bar
from defectscan.errors import DefectscanError
from defectscan.version import __version__

if TYPE_CHECKING:
    from defectscan.imaging.capture import Condition
    from defectscan.imaging.photo import Photo

MOST_LINES = 3


def check(
    photos: Annotated[
        list[Path], typer.Argument(help="Photos, or folders of them.", metavar="PHOTO...")
    ],
    mm_per_px: MmPerPx = None,
    json: Json = None,
    force: Force = False,
) -> None:
    """Tell whether photos can be measured and, where not, what to change at the car."""
    from defectscan.imaging.capture import check_photo, problems  # noqa: PLC0415 - heavy
    from defectscan.imaging.photo import list_photos, read_photo  # noqa: PLC0415
    from defectscan.output import check_free, to_json  # noqa: PLC0415
    from defectscan.shots import WORKING_SIDE_PX  # noqa: PLC0415

    check_free(json_file(json), force=force)
    files = [file for path in photos for file in list_photos(path)]
    records: list[dict[str, Any]] = []
    lines: list[str] = []
    errors: list[str] = []
    with progress_bar(len(files)) as step:
        for file in files:
            step(file.name)
            try:
                photo = read_photo(file, max_side_px=WORKING_SIDE_PX)
            except DefectscanError as error:
                records.append(_unread(file, error))
                errors.append(str(error))
                continue
            conditions = check_photo(photo, mm_per_px=mm_per_px)
            records.append(_record(photo, conditions))
            lines.extend(_words(file.name, problems(conditions)))
    text = to_json({"format": "defectscan.check/1", "version": __version__, "photos": records})
    emit_json(text, json, force=force)
    if lines and str(json) != "-":
        typer.echo("\n".join(lines))
    for line in errors:
        typer.echo(line, err=True)
    if not all(record["measurable"] for record in records):
        raise typer.Exit(1)


def _words(name: str, wrong: "tuple[Condition, ...]") -> list[str]:
    """Return what to say of a photo: the worst first, and no more than can be done at once."""
    if not wrong:
        return [f"{name}: can be measured"]
    advice = [f"- {condition.text} {condition.advice}" for condition in wrong[:MOST_LINES]]
    return [f"{name}: cannot be measured as it is", *advice]


def _record(photo: "Photo", conditions: "tuple[Condition, ...]") -> dict[str, Any]:
    return {
        "file": photo.path.name,
        "sha256": photo.sha256,
        "measurable": all(condition.ok for condition in conditions),
        "error": None,
        "conditions": conditions,
    }


def _unread(file: Path, error: DefectscanError) -> dict[str, Any]:
    return {
        "file": file.name,
        "sha256": None,
        "measurable": False,
        "error": str(error),
        "conditions": [],
    }
