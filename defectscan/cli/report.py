"""`defectscan report`: one report of all panels that a folder's job.json lists."""

from pathlib import Path
from typing import Annotated

import typer

from defectscan.cli.options import Force, Seed, progress_bar
from defectscan.errors import on_one_line


def report(
    folder: Annotated[
        Path, typer.Argument(help="Folder with job.json and the photos that it names.")
    ],
    out: Annotated[Path, typer.Option(help="Write report.html, report.pdf and the JSON here.")],
    seed: Seed = 0,
    force: Force = False,
) -> None:
    """Compare before and after of every panel of a job, and write one report."""
    from defectscan import jobs  # noqa: PLC0415 - heavy
    from defectscan.output import check_free  # noqa: PLC0415
    from defectscan.report import assemble, record  # noqa: PLC0415

    job = jobs.read_job(folder)
    check_free([out / name for name in record.files(len(job.panels))], force=force)
    with progress_bar(3 * len(job.panels) + 1) as step:
        # Only what the report needs is held of each, however many there are.
        found = jobs.compare_panels(job, seed=seed, progress=step)
        parts = [
            assemble.job_part(one, of=panel) for one, panel in zip(found, job.panels, strict=True)
        ]
        step("report")
        if any(part.panel for part in parts):
            assemble.write_job(job, parts, out, force=force)
    for part in parts:
        if part.panel:
            typer.echo(f"{on_one_line(part.title)}\n{part.words}\n")
    if any(part.panel for part in parts):
        typer.echo(f"Report: {out / record.FILES[0]}")
    errors = [f"{on_one_line(part.title)}: {part.error}" for part in parts if part.error]
    for line in errors:
        typer.echo(line, err=True)
    if errors:
        raise typer.Exit(1)
