"""`defectscan split`: one photo, half polished, with tape between."""

from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from defectscan.cli.options import (
    CardMm,
    Force,
    Json,
    MmPerPx,
    Seed,
    emit_json,
    json_file,
    progress_bar,
)
from defectscan.version import __version__

if TYPE_CHECKING:
    from defectscan.split import Split

PICTURE, RECORD = "split.jpg", "split.json"


class Half(Enum):
    """What a half of the photo is called."""

    LEFT = "left"
    RIGHT = "right"
    ABOVE = "above"
    BELOW = "below"


def split(
    photo: Annotated[Path, typer.Argument(help="The photo.")],
    line: Annotated[
        str | None,
        typer.Option(
            help="Two points of the line between the halves, in the photo's own pixels; "
            "without it the tape is looked for.",
            metavar="X1,Y1,X2,Y2",
        ),
    ] = None,
    polished: Annotated[
        Half | None, typer.Option(help="The polished half; without it, it is guessed.")
    ] = None,
    mm_per_px: MmPerPx = None,
    card_mm: CardMm = None,
    json: Json = None,
    out: Annotated[
        Path | None, typer.Option(help="Write the picture of both halves, and the JSON, here.")
    ] = None,
    seed: Seed = 0,
    force: Force = False,
) -> None:
    """Measure the correction between the halves of one photo, tape between them."""
    ends = None if line is None else _ends(line)
    from defectscan import split as splitting  # noqa: PLC0415 - heavy
    from defectscan.output import check_free, to_json, write_whole  # noqa: PLC0415

    files = [] if out is None else [out / PICTURE, out / RECORD]
    check_free([*json_file(json), *files], force=force)
    with progress_bar(4) as step:
        result = splitting.split(
            photo,
            line=ends,
            polished=None if polished is None else polished.value,
            mm_per_px=mm_per_px,
            card_mm=card_mm,
            seed=seed,
            progress=step,
        )
        text = to_json(_record(result))
        if out is not None:
            step("picture")
            from defectscan.report.split_picture import draw_split  # noqa: PLC0415

            write_whole(out / PICTURE, draw_split(result), force=force)
            write_whole(out / RECORD, text.encode(), force=force)
    emit_json(text, json, force=force)
    if str(json) != "-":
        typer.echo(_words(result))


def _ends(text: str) -> tuple[float, float, float, float]:
    from math import isfinite  # noqa: PLC0415

    try:
        x1, y1, x2, y2 = (float(part) for part in text.split(","))
    except ValueError:
        raise typer.BadParameter(f"{text!r}: four numbers x1,y1,x2,y2 are needed") from None
    if not all(map(isfinite, (x1, y1, x2, y2))):
        raise typer.BadParameter(f"{text!r}: four finite numbers are needed")
    return x1, y1, x2, y2


def _words(result: "Split") -> str:
    from defectscan.report import wording, words  # noqa: PLC0415

    correction = wording.correction(words.correction_estimate(result.correction))
    compared = wording.share(result.direction_share)
    guess = ", a guess" if result.guessed else ""
    return "\n".join(
        [
            f"Correction {correction}, over {compared} of directions",
            f"Untouched  {words.density(result.before)} ({result.untouched})",
            f"Polished   {words.density(result.after)} ({result.polished}{guess})",
            *words.flag_lines(result.flags),
            words.CAUTION,
        ]
    )


def _record(result: "Split") -> dict[str, Any]:
    from defectscan.report import record  # noqa: PLC0415

    photo, line = result.photo, result.line
    chord = line.chord(photo.luminance.shape)
    return {
        "format": "defectscan.split/1",
        "version": __version__,
        "correction_percent": result.correction.percent,
        "correction_is_at_least": result.correction.at_least,
        "polished": result.polished,
        "untouched": result.untouched,
        "polished_is_guessed": result.guessed,
        "line": {
            "ends_px": None if chord is None else (chord + 0.5) / photo.scale - 0.5,
            "width_px": line.width_px / photo.scale,
            "found": result.line_found,
        },
        "direction_share": result.direction_share,
        "direction_weights": result.sector_weights,
        "before": record.of_score(result.before),
        "after": record.of_score(result.after),
        "flags": [record.of_flag(flag) for flag in result.flags],
    }
