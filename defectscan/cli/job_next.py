"""`defectscan job next` and `job spots`: what the book says about the next pass."""

import json as json_text
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from defectscan.cli.job import job
from defectscan.cli.job_options import BookFolder, Job, Panel, book_folder
from defectscan.cli.options import Force, Json, Seed, emit_json, json_file

if TYPE_CHECKING:
    from collections.abc import Sequence

    from defectscan.workshop.book import Book
    from defectscan.workshop.book_view import JobView, PanelView, TestSpotView
    from defectscan.workshop.next_pass import NextPass

__all__ = ["job"]

ANSWERS = ("done", "another pass", "finer pass", "stop", "not enough evidence")


def complete_answer(incomplete: str) -> list[str]:
    """Return the answers that begin so."""
    return [answer for answer in ANSWERS if answer.startswith(incomplete.casefold())]


def complete_spot(ctx: typer.Context, incomplete: str) -> list[str]:
    """Return the test spots of the job that begin so."""
    from defectscan.errors import DefectscanError  # noqa: PLC0415 - not needed otherwise
    from defectscan.workshop.book import open_book  # noqa: PLC0415 - slow
    from defectscan.workshop.book_entries import TestSpot  # noqa: PLC0415

    try:
        with open_book(book_folder(ctx.params.get("book"))) as book:
            ident = book.job(ctx.params.get("job")).thing_id
            names = [spot.content.name for spot in book.current(TestSpot, job_id=ident)]
    except (DefectscanError, OSError):
        return []
    return [name for name in names if name.casefold().startswith(incomplete.casefold())]


TargetDensity = Annotated[float | None, typer.Option(help="Line density to reach, mm per cm2.")]
TargetCorrection = Annotated[
    float | None, typer.Option(help="Correction to reach, percent from the first state on.")
]


@job.command("next")
def next_(
    target_density: TargetDensity = None,
    target_correction: TargetCorrection = None,
    reserve: Annotated[
        float | None,
        typer.Option(help="Least gauge reading that must remain, micrometres, all layers."),
    ] = None,
    largest_removal: Annotated[
        float | None, typer.Option(help="Most film to take off in all passes, micrometres.")
    ] = None,
    usual_cut: Annotated[
        float | None,
        typer.Option(min=0.01, help="Your own figure for the film of one pass, micrometres."),
    ] = None,
    take: Annotated[
        str | None,
        typer.Option(
            metavar="DECISION",
            help=f"Keep what you decide, with these figures: {', '.join(ANSWERS)}, or other words.",
            autocompletion=complete_answer,
        ),
    ] = None,
    because: Annotated[str, typer.Option(help="Your reason, with --take.")] = "",
    panel: Panel = None,
    json: Json = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE.svg", help="Write a picture of density against film taken off."),
    ] = None,
    seed: Seed = 0,
    force: Force = False,
    job: Job = None,
    book: BookFolder = None,
) -> None:
    """Weigh another pass on the last panel: done, another, finer, stop, or more evidence.

    Limits that are not given are those of limits.toml in the book's folder, then usual ones.
    """
    from defectscan.cli.job_tables import shown  # noqa: PLC0415 - slow
    from defectscan.output import check_free, to_json, write_whole  # noqa: PLC0415
    from defectscan.workshop import limits_file, next_pass  # noqa: PLC0415
    from defectscan.workshop.book import open_book  # noqa: PLC0415

    if out is not None and out.suffix.lower() != ".svg":
        raise typer.BadParameter("--out names a file that ends in .svg")
    if because and take is None:
        raise typer.BadParameter("--because gives the reason for what --take decides")
    check_free([*json_file(json), *([out] if out else [])], force=force)
    folder = book_folder(book)
    with open_book(folder) as opened:
        view, chosen = _view(opened, job, panel)
        limits = limits_file.workshop_limits(
            folder,
            {
                "target_density_mm_per_cm2": target_density,
                "target_correction_percent": target_correction,
                "reserve_um": reserve,
                "largest_removal_um": largest_removal,
                "usual_cut_um": usual_cut,
            },
        )
        result = next_pass.weigh_next_pass(chosen, limits, seed=seed)
        record = next_pass.next_pass_record(result, job_number=view.entry.content.number)
        if out is not None:
            from defectscan.report.decay_figure import draw_decay, to_svg  # noqa: PLC0415

            picture = to_svg(draw_decay(result.decision.picture))
            write_whole(out, picture, force=force)
        text = to_json(record)
        emit_json(text, json, force=force)
        if str(json) != "-":
            from defectscan.cli.job_next_text import print_next_pass  # noqa: PLC0415 - slow

            print_next_pass(result, view)
        if take is not None:
            number = _keep_decision(opened, result, text, answer=take, reason=because)
            typer.echo(f"Decided: {shown(take)} (entry {number}).", err=str(json) == "-")


@job.command()
def spots(
    spot: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[SPOT...]",
            help="Test spots from the gentlest to the strongest; all if none is named.",
            autocompletion=complete_spot,
        ),
    ] = None,
    target_density: TargetDensity = None,
    target_correction: TargetCorrection = None,
    keep_order: Annotated[
        bool, typer.Option("--keep-order", help="Keep the order named here in the book.")
    ] = False,
    panel: Panel = None,
    json: Json = None,
    force: Force = False,
    job: Job = None,
    book: BookFolder = None,
) -> None:
    """Set the test spots of the last panel side by side: which is the gentlest that does it.

    Gentlest is the one that took off least film, or comes first in your own order.
    """
    from defectscan.output import check_free, to_json  # noqa: PLC0415
    from defectscan.workshop import limits_file, spot_trial  # noqa: PLC0415 - slow
    from defectscan.workshop.book import open_book  # noqa: PLC0415

    if keep_order and not spot:
        raise typer.BadParameter("--keep-order keeps the order in which spots are named")
    check_free(json_file(json), force=force)
    folder = book_folder(book)
    with open_book(folder) as opened:
        view, chosen = _view(opened, job, panel)
        limits = limits_file.workshop_limits(
            folder,
            {
                "target_density_mm_per_cm2": target_density,
                "target_correction_percent": target_correction,
            },
        )
        ordered = spot_trial.spots_in_order(chosen, spot or [])
        if keep_order:
            _keep_order(opened, ordered)
            view, chosen = _view(opened, view.entry.content.number, chosen.name)
            ordered = spot_trial.spots_in_order(chosen, spot or [])
        trial = spot_trial.compare_test_spots(chosen, ordered, limits, order_named=bool(spot))
        record = spot_trial.spots_record(trial, job_number=view.entry.content.number)
    emit_json(to_json(record), json, force=force)
    if str(json) != "-":
        from defectscan.cli.job_next_text import print_spots  # noqa: PLC0415 - slow

        print_spots(trial, view)


def _view(book: "Book", number: int | None, panel: str | None) -> "tuple[JobView, PanelView]":
    from defectscan.workshop.book_view import last_panel, view_job  # noqa: PLC0415 - slow

    view = view_job(book, book.job(number))
    return view, last_panel(book, view) if panel is None else view.panel(panel)


def _keep_decision(
    book: "Book", result: "NextPass", record: str, *, answer: str, reason: str
) -> int:
    """Enter what was decided; the program's own reason stands where it is the program's answer."""
    from defectscan.version import __version__  # noqa: PLC0415
    from defectscan.workshop.book_entries import Decision  # noqa: PLC0415 - slow

    figures = json_text.loads(record)
    if not reason and answer.casefold().strip() == result.decision.answer.value:
        reason = result.decision.reason
    kept = Decision(
        panel_id=result.panel.entry.thing_id,
        state_id=result.course.last.entry.thing_id,
        answer=answer,
        reason=reason,
        figures=figures,
        settings={"limits": figures["limits"], "seed": result.seed},
        version=__version__,
    )
    return book.add(kept, job_id=result.panel.entry.job_id).id


def _keep_order(book: "Book", ordered: "Sequence[TestSpotView]") -> None:
    for number, spot in enumerate(ordered, start=1):
        content = spot.entry.content
        if content.gentleness != number:
            book.correct(spot.entry.thing_id, replace(content, gentleness=number))
