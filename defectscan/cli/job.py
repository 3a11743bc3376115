"""`defectscan job`: the job book, one short command a step."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from defectscan.cli.job_options import (
    AfterPass,
    BookFolder,
    Correct,
    Job,
    Material,
    Panel,
    Spot,
    book_folder,
)
from defectscan.cli.options import AsSeen, CardMm, Force, MmPerPx, Seed, progress_bar

if TYPE_CHECKING:
    from defectscan.workshop.book import Book
    from defectscan.workshop.book_entries import Content
    from defectscan.workshop.book_view import JobView, PanelView

Kind = TypeVar("Kind", bound="Content")

job = typer.Typer(
    help="The job book: a vehicle from arrival to hand-over.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
Text = Annotated[str | None, typer.Option()]


@job.command()
def new(
    title: Annotated[str, typer.Argument(help="The vehicle, in your own words.")] = "",
    about: Annotated[str | None, typer.Option(help="Anything else about it.")] = None,
    archive: Annotated[
        Path | None, typer.Option("--from", help="Take in an archive from `job export`.")
    ] = None,
    correct: Correct = None,
    book: BookFolder = None,
) -> None:
    """Start a job; it becomes the current one. The book is made where there is none."""
    from defectscan.workshop import book_archive, book_entries  # noqa: PLC0415 - slow
    from defectscan.workshop.book import open_book  # noqa: PLC0415

    if archive is None and not title and correct is None:
        raise typer.BadParameter("name the vehicle, or an archive with --from")
    _check_takes(correct, {"--from": archive})
    folder = book_folder(book)
    with open_book(folder, create=True) as opened:
        if archive is not None:
            taken = book_archive.import_archive(opened, archive)
            typer.echo(
                f"{len(taken.job_ids)} job(s) taken in from {archive} into {folder}: "
                f"{taken.n_entries} new entries."
            )
        elif correct is not None:
            _correct(opened, correct, book_entries.Job, {"title": title or None, "about": about})
        else:
            entry = opened.add(book_entries.Job(title=title, about=about or ""))
            typer.echo(f"Job {entry.content.number} {_shown(title)} started in {folder}.")


@job.command()
def panel(
    name: Annotated[str, typer.Argument(help="The panel, such as: bonnet.")] = "",
    material: Material = None,
    job: Job = None,
    correct: Correct = None,
    book: BookFolder = None,
) -> None:
    """Enter a panel of the current job; it becomes the last panel."""
    from defectscan.workshop import book_entries, entering  # noqa: PLC0415 - slow

    with _opened(book, job) as (opened, view):
        if correct is not None:
            said = {"name": name or None, "material": material}
            _correct(opened, correct, book_entries.Panel, said, number=job)
            return
        entering.check_panel_name(opened, name, job_id=view.entry.thing_id)
        kept = book_entries.Panel(
            name=name, material=material or book_entries.Material.PAINTED_METAL
        )
        entry = opened.add(kept, job_id=view.entry.thing_id)
        typer.echo(f"{_head(view)}: panel {_shown(name)}, {kept.material} (entry {entry.id}).")


@job.command()
def shots(
    photos: Annotated[
        list[Path] | None,
        typer.Argument(
            help="Photos of one state, a folder of them, or a clip.", metavar="PHOTO..."
        ),
    ] = None,
    panel: Panel = None,
    spot: Spot = None,
    after_pass: AfterPass = None,
    mm_per_px: MmPerPx = None,
    card_mm: CardMm = None,
    as_seen: AsSeen = False,
    seed: Seed = 0,
    no_measure: Annotated[
        bool, typer.Option("--no-measure", help="Keep the photos, and measure nothing.")
    ] = False,
    again: Annotated[
        bool, typer.Option("--again", help="Measure the state again from the photos kept.")
    ] = False,
    job: Job = None,
    book: BookFolder = None,
) -> None:
    """Keep photos of the panel as it is now, and measure them."""
    from defectscan.cli.job_tables import print_results  # noqa: PLC0415 - slow
    from defectscan.workshop import entering, measuring  # noqa: PLC0415

    if bool(photos) == again:
        raise typer.BadParameter("name photos, or --again for those that are kept")
    with _opened(book, job) as (opened, view):
        chosen = _panel(opened, view, panel)
        with progress_bar(len(photos or [])) as step:
            kept = entering.enter_shots(
                opened,
                view,
                chosen,
                photos or [],
                spot=spot,
                after_pass=after_pass,
                mm_per_px=mm_per_px,
                progress=step,
            )
        where = ", ".join((_head(view), *_place(opened, chosen, kept.state_id), kept.state_name))
        if photos:
            there = f", {kept.n_known} there already" if kept.n_known else ""
            typer.echo(f"{where}: {kept.n_new} photo(s) kept{there}.")
        else:
            typer.echo(f"{where}: {kept.n_shots} photo(s) there.")
        if no_measure:
            return
        with progress_bar(3 * kept.n_shots + 4) as step:
            results, reasons = measuring.measure_state(
                opened,
                kept.state_id,
                as_seen=as_seen,
                card_mm=card_mm,
                seed=seed,
                progress=step,
            )
        print_results(results, reasons)


@job.command("pass")
def polishing_pass(
    machine: Text = None,
    pad: Text = None,
    polish: Text = None,
    speed: Annotated[str | None, typer.Option(help="As the machine states it.")] = None,
    minutes: Annotated[float | None, typer.Option(help="How long the pass took.")] = None,
    section: Annotated[str | None, typer.Option(help="Part of the panel, if not all.")] = None,
    who: Annotated[str | None, typer.Option(help="Who polished; you, if not given.")] = None,
    same: Annotated[
        bool, typer.Option("--same", help="What is not given is as in the panel's last pass.")
    ] = False,
    panel: Panel = None,
    spot: Spot = None,
    job: Job = None,
    correct: Correct = None,
    book: BookFolder = None,
) -> None:
    """Enter a polishing pass over the last panel."""
    from defectscan.workshop import book_entries, entering  # noqa: PLC0415 - slow

    told = {"machine": machine, "pad": pad, "polish": polish, "speed": speed}
    told |= {"section": section, "who": who}
    said: dict[str, Any] = {**told, "time_min": minutes}
    _check_takes(correct, {"--same": same, "--panel": panel, "--spot": spot})
    with _opened(book, job) as (opened, view):
        if correct is not None:
            _correct(opened, correct, book_entries.Pass, said, number=job)
            return
        chosen = _panel(opened, view, panel)
        entry, number = entering.enter_pass(opened, view, chosen, said, spot=spot, same=same)
        typer.echo(f"{_head(view)}, {_shown(chosen.name)}: pass {number} (entry {entry.id}).")
        if not chosen.surface.film:
            typer.echo(
                "No film reading of this panel: how much is left is unknown. Measure film "
                "thickness before the next pass."
            )


@job.command()
def film(
    readings: Annotated[
        list[float] | None,
        typer.Argument(help="Readings of one spot, micrometres.", metavar="READING..."),
    ] = None,
    at: Annotated[str | None, typer.Option(help="The spot: where on the panel.")] = None,
    gauge: Annotated[str | None, typer.Option(help="A note on the gauge.")] = None,
    panel: Panel = None,
    spot: Spot = None,
    after_pass: AfterPass = None,
    job: Job = None,
    correct: Correct = None,
    book: BookFolder = None,
) -> None:
    """Enter film-thickness readings of one spot of the last panel."""
    from defectscan.workshop import book_entries, entering  # noqa: PLC0415 - slow

    values = readings or []
    if not values and correct is None:
        raise typer.BadParameter("give the readings in micrometres")
    _check_takes(correct, {"--panel": panel, "--spot": spot})
    with _opened(book, job) as (opened, view):
        if correct is not None:
            if len(values) > 1:
                raise typer.BadParameter("one reading corrects one reading")
            said = {"film_um": values[0] if values else None, "spot": at, "gauge": gauge}
            kind = book_entries.FilmReading
            _correct(opened, correct, kind, said, number=job, after_pass=after_pass)
            return
        chosen = _panel(opened, view, panel)
        entries = entering.enter_film(
            opened,
            view,
            chosen,
            values,
            place=at or "",
            gauge=gauge or "",
            spot=spot,
            after_pass=after_pass,
        )
        mean = sum(values) / len(values)
        typer.echo(
            f"{_head(view)}, {_shown(chosen.name)}: {len(entries)} reading(s), mean {mean:.1f} µm "
            f"(entries from {entries[0].id})."
        )
        if len(values) < 3:
            typer.echo("A spot's thickness is the mean of at least three readings: take more.")


@job.command()
def note(
    text: Annotated[str, typer.Argument(help="What is worth keeping.")],
    panel: Panel = None,
    job: Job = None,
    correct: Correct = None,
    book: BookFolder = None,
) -> None:
    """Enter a note on the job, or on a panel of it."""
    from defectscan.workshop import book_entries  # noqa: PLC0415 - slow

    with _opened(book, job) as (opened, view):
        if correct is not None:
            said = {"text": text}
            _correct(opened, correct, book_entries.Note, said, number=job, panel=panel)
            return
        on = None if panel is None else _panel(opened, view, panel).entry.thing_id
        kept = book_entries.Note(text=text, panel_id=on)
        entry = opened.add(kept, job_id=view.entry.thing_id)
        typer.echo(f"{_head(view)}: noted (entry {entry.id}).")


@job.command()
def withdraw(
    entry: Annotated[int, typer.Argument(help="Number of an entry made by mistake.")],
    book: BookFolder = None,
) -> None:
    """Enter that an entry is void; it stays in the history.

    With the number of a correction, what it corrected is in force again; with that of the first
    entry, the whole is void; with that of the entry which says so, it is put back. A pass can
    be withdrawn while no photo, result or film reading stands after it.
    """
    from defectscan.workshop import withdrawing  # noqa: PLC0415 - slow
    from defectscan.workshop.book import open_book  # noqa: PLC0415

    with open_book(book_folder(book)) as opened:
        made = withdrawing.withdraw(opened, entry)
        kind = made.kind.replace("_", " ")
        if made.withdrawn:
            typer.echo(f"Entry {entry} ({kind}) is void (entry {made.id}).")
        else:
            typer.echo(
                f"Entry {entry} ({kind}) is void; what it corrected is in force again (entry "
                f"{made.id}). `job withdraw {made.thing_id}` makes the whole {kind} void."
            )


@job.command("list")
def list_(
    number: Annotated[int | None, typer.Argument(help="One job in full.", metavar="[JOB]")] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="All jobs, not only the newest.")
    ] = False,
    history: Annotated[
        bool, typer.Option("--history", help="Every entry of a job, corrected ones too.")
    ] = False,
    book: BookFolder = None,
) -> None:
    """List the newest jobs, or what stands of one job."""
    from defectscan.cli import job_tables  # noqa: PLC0415 - slow
    from defectscan.workshop.book import open_book  # noqa: PLC0415

    if number is None and not history:
        with open_book(book_folder(book)) as opened:
            job_tables.print_jobs(opened.jobs(), everything=everything)
        return
    if history:
        with open_book(book_folder(book)) as opened:
            there = opened.job(number, void=True)
            job_tables.print_history(opened.history(there.thing_id))
        return
    with _opened(book, number) as (_, view):
        job_tables.print_job(view)


@job.command()
def export(
    target: Annotated[
        Path, typer.Argument(help="FILE.csv, FILE.xlsx, FILE.zip (archive) or a new folder.")
    ],
    everything: Annotated[
        bool, typer.Option("--all", help="All jobs, not the current one.")
    ] = False,
    table: Annotated[
        str,
        typer.Option(
            help="Which table goes to a CSV file: results, passes, film, shots, notes, decisions."
        ),
    ] = "results",
    job: Job = None,
    force: Force = False,
    book: BookFolder = None,
) -> None:
    """Export the current job, or all: sheets, or an archive with history and photos."""
    from defectscan.output import write_whole  # noqa: PLC0415 - slow
    from defectscan.workshop import book_archive, book_sheets, book_view  # noqa: PLC0415
    from defectscan.workshop.book import open_book  # noqa: PLC0415
    from defectscan.workshop.book_entries import Job as JobContent  # noqa: PLC0415

    if table not in book_sheets.NAMES:
        raise typer.BadParameter(f"--table is one of {', '.join(book_sheets.NAMES)}")
    with open_book(book_folder(book)) as opened:
        jobs = opened.current(JobContent) if everything else [opened.job(job)]
        suffix = target.suffix.lower()
        if suffix in (".csv", ".xlsx"):
            sheets = book_sheets.sheets_of([book_view.view_job(opened, one) for one in jobs])
            if suffix == ".csv":
                (sheet,) = [sheet for sheet in sheets if sheet.name == table]
                data = book_sheets.to_csv(sheet)
            else:
                data = book_sheets.to_xlsx(sheets)
            write_whole(target, data, force=force)
            typer.echo(f"{len(jobs)} job(s) written to {target}.")
            return
        job_id = None if everything else jobs[0].thing_id
        count = book_archive.export_archive(opened, target, job_id=job_id, force=force)
        typer.echo(f"{count} entries with their photos written to {target}.")


@contextmanager
def _opened(folder: Path | None, number: int | None) -> Iterator[tuple["Book", "JobView"]]:
    """Give the book and a job of it, the current one if no number is given."""
    from defectscan.workshop.book import open_book  # noqa: PLC0415 - slow
    from defectscan.workshop.book_view import view_job  # noqa: PLC0415

    with open_book(book_folder(folder)) as opened:
        yield opened, view_job(opened, opened.job(number))


def _panel(book: "Book", view: "JobView", name: str | None) -> "PanelView":
    from defectscan.workshop.book_view import last_panel  # noqa: PLC0415 - slow

    return last_panel(book, view) if name is None else view.panel(name)


def _check_takes(correct: int | None, options: dict[str, object]) -> None:
    """Refuse options that a correction does not take, rather than drop them."""
    given = [name for name, value in options.items() if value is not None and value is not False]
    if correct is not None and given:
        raise typer.BadParameter(
            f"{' and '.join(given)} cannot go with --correct, which changes what "
            f"the entry itself says: leave that out, or enter it anew and `job withdraw {correct}`"
        )


def _correct(
    book: "Book",
    entry_id: int,
    kind: type[Kind],
    said: dict[str, Any],
    *,
    number: int | None = None,
    panel: str | None = None,
    after_pass: int | None = None,
) -> None:
    """Enter a correction that changes what was said and keeps the rest."""
    from defectscan.workshop import book_entries, entering, withdrawing  # noqa: PLC0415 - slow

    older: Any = book.entry(entry_id)
    if number is not None and older.job_id != book.job(number).thing_id:
        raise book_entries.BookError(
            f"entry {entry_id} is not of job {number}",
            allowed="an entry is corrected in its own job",
            remedy=f"leave --job out, or look the number up with `job list {number} --history`",
        )
    if not isinstance(older.content, kind):
        raise book_entries.BookError(
            f"entry {entry_id} is a {older.kind}, not a {book_entries.KIND_NAMES[kind]}",
            allowed="a correction is of the same kind",
            remedy="look the number up with `job list --history`",
        )
    withdrawing.check_stands(book, older)
    known = {each.name for each in fields(kind)}  # type: ignore[arg-type]
    changed = {name: value for name, value in said.items() if value is not None and name in known}
    if panel is not None:
        changed["panel_id"] = entering.panel_id_named(book, older, panel)
    if after_pass is not None:
        changed["after_pass_id"] = entering.pass_id_numbered(book, older, after_pass)
    content: Any = replace(older.content, **changed)  # type: ignore[type-var]
    if isinstance(content, book_entries.Panel):
        entering.check_panel_name(book, content.name, job_id=older.job_id, panel_id=older.thing_id)
    made = book.correct(entry_id, content)
    typer.echo(f"Entry {entry_id} corrected by entry {made.id}; both stay in the history.")


def _place(book: "Book", panel: "PanelView", state_id: int) -> Iterator[str]:
    """Name the panel of a state, and its test spot, if it is of one."""
    from defectscan.workshop.book_entries import State, TestSpot  # noqa: PLC0415 - slow

    yield _shown(panel.name)
    state = book.entry(state_id).content
    spot_id = state.test_spot_id if isinstance(state, State) else None
    spot = None if spot_id is None else book.entry(spot_id).content
    if isinstance(spot, TestSpot):
        yield f"spot {_shown(spot.name)}"


def _head(view: "JobView") -> str:
    return f"Job {view.entry.content.number} {_shown(view.entry.content.title)}"


def _shown(text: str) -> str:
    from defectscan.cli.job_tables import shown  # noqa: PLC0415 - slow

    return shown(text)
