"""`defectscan score`: line density of one state."""

from pathlib import Path
from typing import Annotated

import typer

from defectscan.cli.options import (
    AsSeen,
    CardMm,
    Force,
    Json,
    MmPerPx,
    Out,
    Seed,
    Title,
    check_apart,
    emit_json,
    json_file,
    load_ahead,
    progress_bar,
)
from defectscan.cli.pdf_process import pdf_process


def score(
    photos: Annotated[
        list[Path],
        typer.Argument(
            help="Photos of one state, a folder of them, or a clip.", metavar="PHOTO..."
        ),
    ],
    mm_per_px: MmPerPx = None,
    card_mm: CardMm = None,
    as_seen: AsSeen = False,
    json: Json = None,
    out: Out = None,
    lines: Annotated[
        Path | None,
        typer.Option(help="Write the first photo's lines as a PNG: 255 on a line, its own size."),
    ] = None,
    title: Title = "",
    seed: Seed = 0,
    force: Force = False,
) -> None:
    """Measure the line density of one state of a panel, from one or more shots of it."""
    with pdf_process(wanted=out is not None) as pdf_writer:
        from defectscan import pipeline  # noqa: PLC0415 - heavy
        from defectscan.output import check_free, write_whole  # noqa: PLC0415
        from defectscan.report import record, words  # noqa: PLC0415
        from defectscan.states import n_steps  # noqa: PLC0415

        targets = json_file(json) + ([lines] if lines else [])
        if out:
            check_apart(out, photos)
        if lines:
            check_apart(lines.parent, photos, option="--lines")
        check_free([*targets, *([out / n for n in record.files()] if out else [])], force=force)
        load_ahead(report=out is not None)
        with progress_bar(n_steps([photos]) + 2) as step:
            result = pipeline.score(
                photos,
                mm_per_px=mm_per_px,
                as_seen=as_seen,
                card_mm=card_mm,
                seed=seed,
                progress=step,
            )
            text = record.to_json(record.of_score(result))
            if lines:
                write_whole(lines, pipeline.lines_png(result.shots[0]), force=force)
            if out:
                step("report")
                from defectscan.report.assemble import write_score  # noqa: PLC0415

                write_score(
                    result, out, title=title, record=text, force=force, pdf_writer=pdf_writer
                )
    emit_json(text, json, force=force)
    if str(json) != "-":
        typer.echo(words.of_score(result))
