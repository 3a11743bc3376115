"""`defectscan check`: can these photos be measured, and what to change at the car."""

from pathlib import Path
from typing import Annotated

import typer

from defectscan.cli.options import Force, Json, MmPerPx, emit_json, json_file, progress_bar


def check(
    photos: Annotated[
        list[Path],
        typer.Argument(help="Photos, or folders of them.", metavar="PHOTO..."),
    ],
    mm_per_px: MmPerPx = None,
    json: Json = None,
    force: Force = False,
) -> None:
    """Tell whether photos can be measured, and what to change at the car where not."""
    from defectscan import pipeline  # noqa: PLC0415 - heavy
    from defectscan.imaging.capture import check_photo, problems  # noqa: PLC0415
    from defectscan.imaging.photo import list_photos, read_photo  # noqa: PLC0415
    from defectscan.output import check_free, to_json  # noqa: PLC0415
    from defectscan.version import __version__  # noqa: PLC0415

    check_free(json_file(json), force=force)
    files = [file for path in photos for file in list_photos(path)]
    records = []
    with progress_bar(len(files)) as step:
        for file in files:
            step(file.name)
            photo = read_photo(file, max_side_px=pipeline.WORKING_SIDE_PX)
            conditions = check_photo(photo, mm_per_px=mm_per_px)
            faults = problems(conditions)
            records.append(
                {
                    "file": file.name,
                    "sha256": photo.sha256,
                    "measurable": not faults,
                    "conditions": conditions,
                }
            )
            if str(json) != "-":
                typer.echo(f"{file.name}: {'cannot' if faults else 'can'} be measured")
                for fault in faults:
                    typer.echo(f"- {fault.text} {fault.advice}")
    text = to_json({"format": "defectscan.check/1", "version": __version__, "photos": records})
    emit_json(text, json, force=force)
    if not all(record["measurable"] for record in records):
        raise typer.Exit(1)
