"""`defectscan report`: one report of all panels that a folder's job.json lists."""

from pathlib import Path
from typing import Annotated

import typer

from defectscan.cli.options import Force, Seed, progress_bar


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
    from defectscan.report import record, words  # noqa: PLC0415
    from defectscan.report.assemble import write_job  # noqa: PLC0415

    job = jobs.read_job(folder)
    check_free([out / name for name in record.files(len(job.panels))], force=force)
    with progress_bar(3 * len(job.panels) + 1) as step:
        comparisons = jobs.compare_panels(job, seed=seed, progress=step)
        step("report")
        write_job(job, comparisons, out, force=force)
    for panel, comparison in zip(job.panels, comparisons, strict=True):
        typer.echo(f"{panel.title}\n{words.of_comparison(comparison)}\n")
    typer.echo(f"Report: {out / record.FILES[0]}")
