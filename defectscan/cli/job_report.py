"""`defectscan job report`: the customer's report of a vehicle, and what the shop learns of all."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from defectscan.cli.job_next import job
from defectscan.cli.job_options import BookFolder, Job, book_folder
from defectscan.cli.options import Force, Json, emit_json, json_file, progress_bar

if TYPE_CHECKING:
    from defectscan.report.letterhead import Letterhead
    from defectscan.workshop.book import Book

__all__ = ["job"]


@job.command()
def report(
    everything: Annotated[
        bool,
        typer.Option("--all", help="What each machine, pad and polish brought, over all jobs."),
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="Write report.html, report.pdf and the rest here; job_N_report if not given.",
        ),
    ] = None,
    workshop: Annotated[
        str | None,
        typer.Option(help="Your workshop's name at the head; that of workshop.toml if not given."),
    ] = None,
    logo: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Your logo at the head: a PNG, JPEG or WebP file."),
    ] = None,
    pictures: Annotated[
        bool,
        typer.Option(
            "--pictures/--no-pictures",
            help="Draw the lines over the photos, which are measured again for that alone.",
        ),
    ] = True,
    json: Json = None,
    force: Force = False,
    job: Job = None,
    book: BookFolder = None,
) -> None:
    """Write the customer's report of the current job, from the results that the book keeps.

    With --all: list what each combination brought over all jobs, and write it with --out.
    """
    from defectscan.report.letterhead import read_letterhead  # noqa: PLC0415 - slow
    from defectscan.workshop.book import open_book  # noqa: PLC0415 - slow

    if everything and job is not None:
        raise typer.BadParameter("--all takes every job; leave out --job")
    folder = book_folder(book)
    with open_book(folder) as opened:
        letterhead = read_letterhead(folder, workshop=workshop, logo=logo)
        if everything:
            _report_shop(opened, out, letterhead=letterhead, json=json, force=force)
            return
        _report_job(
            opened,
            folder,
            job,
            out,
            letterhead=letterhead,
            pictures=pictures,
            json=json,
            force=force,
        )


def _report_job(
    book: "Book",
    folder: Path,
    number: int | None,
    out: Path | None,
    *,
    letterhead: "Letterhead",
    pictures: bool,
    json: Path | None,
    force: bool,
) -> None:
    from defectscan.cli.job_tables import print_job  # noqa: PLC0415 - slow
    from defectscan.output import check_free, to_json  # noqa: PLC0415
    from defectscan.report import vehicle  # noqa: PLC0415 - slow
    from defectscan.report.record import FILES  # noqa: PLC0415
    from defectscan.report.sheet import lacks_cjk_font  # noqa: PLC0415
    from defectscan.workshop.book_view import view_job  # noqa: PLC0415
    from defectscan.workshop.limits_file import workshop_limits  # noqa: PLC0415

    view = view_job(book, book.job(number))
    out = out or Path(f"job_{view.entry.content.number}_report")
    check_free(
        [*json_file(json), *(out / name for name in vehicle.vehicle_files(view))], force=force
    )
    limits = workshop_limits(folder, {})
    n_shots = sum(len(state.shots) for panel in view.panels for state in panel.surface.states)
    with progress_bar(len(view.panels) + 3 * n_shots * pictures + 1) as step:
        report = vehicle.vehicle_report(
            book, view, limits=limits, letterhead=letterhead, pictures=pictures, progress=step
        )
        step("report")
        vehicle.write_vehicle(report, out, force=force)
    emit_json(to_json(report.record), json, force=force)
    if str(json) != "-":
        print_job(view)
        for line in report.advice:
            typer.echo(line)
        if lacks_cjk_font(repr(view)):
            typer.echo(
                "The PDF has boxes for Chinese, Japanese and Korean letters, the HTML page has the "
                'letters: install "defectscan[cjk]" for both.'
            )
        typer.echo(f"Report: {out / FILES[0]}")


def _report_shop(
    book: "Book",
    out: Path | None,
    *,
    letterhead: "Letterhead",
    json: Path | None,
    force: bool,
) -> None:
    from defectscan.cli.job_tables import print_combinations  # noqa: PLC0415 - slow
    from defectscan.output import check_free, to_json  # noqa: PLC0415
    from defectscan.report import shop  # noqa: PLC0415 - slow
    from defectscan.workshop.book_view import view_jobs  # noqa: PLC0415
    from defectscan.workshop.shop_view import shop_record, view_shop  # noqa: PLC0415

    files = [] if out is None else [out / name for name in shop.SHOP_FILES]
    check_free([*json_file(json), *files], force=force)
    view = view_shop(view_jobs(book))
    if out is not None:
        shop.write_shop(view, out, letterhead=letterhead, force=force)
    emit_json(to_json(shop_record(view)), json, force=force)
    if str(json) != "-":
        print_combinations(shop.HEAD, shop.combination_rows(view), view.notes)
        if out is not None:
            typer.echo(f"Report: {out / shop.SHOP_FILES[0]}")
