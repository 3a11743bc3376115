"""`defectscan judge grades` and `judge result`."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from defectscan.cli.job_options import BookFolder, book_folder
from defectscan.cli.judge import KEY, judge
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

if TYPE_CHECKING:
    from defectscan.judging.key import DeckKey
    from defectscan.report.page import Page
    from defectscan.workshop.book import Book
    from defectscan.workshop.book_entries import Deck, Entry

__all__ = ["judge"]

REPORT = ("result.html", "result.pdf", "result.json")
OutFolder = Annotated[
    Path | None, typer.Option(help=f"Write {', '.join(REPORT)} into this folder.")
]


@judge.command()
def grades(
    files: Annotated[
        list[Path],
        typer.Argument(help="Files that a deck saved, or CSV typed from paper.", metavar="FILE..."),
    ],
    *,
    key: Annotated[
        Path | None,
        typer.Option(
            help=f"The deck's {KEY}; once the book has the deck, not needed for what a deck saved, "
            "nor for CSV with a column deck."
        ),
    ] = None,
    partial: Annotated[
        bool, typer.Option("--partial", help="Photos without a grade are left out.")
    ] = False,
    correct: Annotated[
        bool, typer.Option("--correct", help="What was entered otherwise before is corrected.")
    ] = False,
    book: BookFolder = None,
) -> None:
    """Read raters' grades into the job book: all files, or none where one has a fault."""
    from defectscan.judging import journal  # noqa: PLC0415 - slow
    from defectscan.judging.grades import deck_of, read_grades  # noqa: PLC0415
    from defectscan.judging.key import read_key  # noqa: PLC0415
    from defectscan.workshop.book import open_book  # noqa: PLC0415
    from defectscan.workshop.local_time import local_day  # noqa: PLC0415

    folder = book_folder(book)
    given = None if key is None else read_key(key)
    sessions: dict[str, list[Any]] = {}
    with open_book(folder, create=given is not None) as opened:
        for file in files:
            found = given[0] if given else _deck_in(opened, file, deck_of(file))[1]
            sessions.setdefault(found.ident, []).extend(read_grades(file, found, partial=partial))
        for ident, some in sessions.items():  # of all decks, before the first is entered
            journal.sort_sessions(opened, journal.find_deck(opened, ident), some, correct=correct)
        for ident, some in sessions.items():
            entry = (
                journal.enter_deck(opened, *given, correct=correct)
                if given
                else _deck_in(opened, files[0], ident)[0]
            )
            kept = journal.enter_sessions(opened, entry, some, correct=correct)
            for what, told in (
                ("entered", kept.new),
                ("corrected", kept.corrected),
                ("there already", kept.known),
            ):
                for one in told:
                    n = sum(grade is not None for grade in one.grades.values())
                    day = local_day(one.graded_on)
                    typer.echo(f"{_shown(one.rater)}, {day}: {n} grades {what}.")


@judge.command()
def result(
    folder: Annotated[
        Path | None,
        typer.Argument(help="With --instrument: repeated shots, a folder for each panel."),
    ] = None,
    *,
    deck: Annotated[
        list[str] | None, typer.Option(help="Only this deck; all of one scale if left out.")
    ] = None,
    scale: Annotated[
        str | None, typer.Option(help="quantity or correction, where the book holds both.")
    ] = None,
    instrument: Annotated[
        bool, typer.Option("--instrument", help="The instrument as a rater, by repeated shots.")
    ] = False,
    out: OutFolder = None,
    json: Json = None,
    title: Annotated[str, typer.Option(help="Over the report.")] = "",
    mm_per_px: MmPerPx = None,
    card_mm: CardMm = None,
    seed: Seed = 0,
    force: Force = False,
    book: BookFolder = None,
) -> None:
    """Say how alike raters judge: with themselves, each other, and the values."""
    from defectscan.output import check_free  # noqa: PLC0415 - slow

    if folder is not None and not instrument:
        raise typer.BadParameter("a folder of repeated shots goes with --instrument")
    targets = [*json_file(json), *([out / name for name in REPORT] if out else [])]
    check_free(targets, force=force)
    if instrument:
        page, told, lines = _instrument(
            folder, book_folder(book), title, mm_per_px=mm_per_px, card_mm=card_mm, seed=seed
        )
    else:
        page, told, lines = _raters(book_folder(book), title, deck or [], scale, seed=seed)
    _write(page, told, out, json, force=force)
    if str(json) != "-":
        for line in lines:
            typer.echo(line)


def _raters(
    folder: Path, title: str, decks: list[str], scale: str | None, *, seed: int
) -> tuple["Page", dict[str, Any], list[str]]:
    import numpy as np  # noqa: PLC0415 - not needed for --help

    from defectscan.judging import journal, wording  # noqa: PLC0415 - slow
    from defectscan.judging.limits import judging_limits  # noqa: PLC0415
    from defectscan.judging.result_page import compose_result  # noqa: PLC0415
    from defectscan.judging.result_record import of_result  # noqa: PLC0415
    from defectscan.judging.results import study  # noqa: PLC0415
    from defectscan.judging.table import lay_out  # noqa: PLC0415
    from defectscan.workshop.book import open_book  # noqa: PLC0415

    limits = judging_limits(folder)
    with open_book(folder) as opened:
        chosen = journal.graded_decks(opened, decks, scale)
    group = study(lay_out(chosen), limits, np.random.default_rng(seed))
    page = compose_result(group, title=title or "How alike we judge", on=_today())
    lines = [f"The group: {wording.group_answer(group)}."]
    lines += [f"- {reason}" for reason in group.reasons]
    for one in group.raters:
        lines.append(f"{_shown(one.rater)}: judges as wanted: {one.answer}.")
        lines += [f"- {reason}" for reason in one.reasons]
    return page, of_result(group, limits), lines


def _instrument(
    repeats: Path | None,
    folder: Path,
    title: str,
    *,
    mm_per_px: float | None,
    card_mm: float | None,
    seed: int,
) -> tuple["Page", dict[str, Any], list[str]]:
    import numpy as np  # noqa: PLC0415 - not needed for --help

    from defectscan.judging import instrument, instrument_page, wording  # noqa: PLC0415 - slow
    from defectscan.judging.limits import judging_limits  # noqa: PLC0415
    from defectscan.rater_statistics.estimate import Undefined  # noqa: PLC0415
    from defectscan.workshop.book import open_book  # noqa: PLC0415

    limits = judging_limits(folder)
    if repeats is not None:
        shots = instrument.repeats_in(repeats)
    else:
        with open_book(folder) as opened:
            shots = instrument.repeats_of(opened)
    with progress_bar(len(shots)) as step:
        readings, in_mm = instrument.measure(
            shots, mm_per_px=mm_per_px, card_mm=card_mm, seed=seed, progress=step
        )
    found = instrument.study_instrument(readings, np.random.default_rng(seed), in_mm=in_mm)
    page = instrument_page.compose_instrument(
        found, limits, title=title or "Repeatability of the measurement", on=_today()
    )
    percent, gauge = found.relative_percent, found.gauge
    lines = [
        f"Repeatability: {percent.reason}."
        if isinstance(percent, Undefined)
        else f"Repeatability: {wording.both(percent.sd, 1, unit=' %')} of the line density "
        "(one shot, sd).",
        f"Reproducibility: {gauge.reason}."
        if isinstance(gauge, Undefined)
        else f"Gauge in the whole spread: {wording.both(gauge.gauge_percent, 1, unit=' %')}.",
    ]
    if not isinstance(gauge, Undefined):
        lines.append(f"- {instrument_page.gauge_reason(found, limits)}")
    unread = [one for one in readings if one.density is None]
    lines += [f"- not measured: {one.repeat.photo}: {one.reason}" for one in unread]
    return page, instrument_page.of_instrument(found, limits), lines


def _write(
    page: "Page", told: dict[str, Any], out: Path | None, json: Path | None, *, force: bool
) -> None:
    from defectscan.output import to_json, write_whole  # noqa: PLC0415 - slow

    text = to_json(told)
    if out:
        from defectscan.report.html import page_html  # noqa: PLC0415 - slow
        from defectscan.report.pdf import page_pdf  # noqa: PLC0415

        parts = (page_html(page).encode(), page_pdf(page), text.encode())
        for name, data in zip(REPORT, parts, strict=True):
            write_whole(out / name, data, force=force)
    emit_json(text, json, force=force)


def _deck_in(book: "Book", file: Path, ident: str | None) -> tuple["Entry[Deck]", "DeckKey"]:
    from defectscan.errors import DefectscanError  # noqa: PLC0415 - slow
    from defectscan.judging import journal  # noqa: PLC0415

    found = None if ident is None else journal.find_deck(book, ident)
    if found is None:
        what = "does not say its deck" if ident is None else f"belongs to deck {ident[:40]!r}"
        raise DefectscanError(
            f"{file} {what}",
            allowed="the deck's key must be known",
            remedy=f"name its {KEY} with --key",
        )
    return found, journal.key_of(book, found)


def _today() -> Any:  # noqa: ANN401 - a date; imported late
    from datetime import UTC, datetime  # noqa: PLC0415 - with the slow ones

    return datetime.now(UTC).astimezone().date()


def _shown(text: str) -> str:
    from defectscan.cli.job_tables import shown  # noqa: PLC0415 - slow

    return shown(text)
