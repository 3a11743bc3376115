"""`defectscan compare`: the correction from before to after."""

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


def compare(
    before: Annotated[Path, typer.Argument(help="Photo before, a folder of shots, or a clip.")],
    after: Annotated[Path, typer.Argument(help="Photo after, a folder of shots, or a clip.")],
    mm_per_px: MmPerPx = None,
    card_mm: CardMm = None,
    as_seen: AsSeen = False,
    json: Json = None,
    out: Out = None,
    title: Title = "",
    seed: Seed = 0,
    force: Force = False,
) -> None:
    """Measure the correction between two states of a panel, with its interval."""
    with pdf_process(wanted=out is not None) as pdf_writer:
        from defectscan import pipeline  # noqa: PLC0415 - heavy
        from defectscan.output import check_free  # noqa: PLC0415
        from defectscan.report import record, words  # noqa: PLC0415
        from defectscan.states import n_steps  # noqa: PLC0415

        if out:
            check_apart(out, [before, after])
        targets = [*json_file(json), *([out / n for n in record.files()] if out else [])]
        check_free(targets, force=force)
        load_ahead(report=out is not None)
        with progress_bar(n_steps([before, after]) + 2) as step:
            result = pipeline.compare(
                before,
                after,
                mm_per_px=mm_per_px,
                as_seen=as_seen,
                card_mm=card_mm,
                seed=seed,
                progress=step,
            )
            text = record.to_json(record.of_comparison(result))
            if out:
                step("report")
                from defectscan.report.assemble import write_comparison  # noqa: PLC0415

                write_comparison(
                    result, out, title=title, record=text, force=force, pdf_writer=pdf_writer
                )
    emit_json(text, json, force=force)
    if str(json) != "-":
        typer.echo(words.of_comparison(result))
