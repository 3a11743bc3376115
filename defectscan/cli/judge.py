"""`defectscan judge`: decks of photos to grade, raters' grades, and what they say."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from defectscan.cli.job_options import BookFolder, Job, book_folder
from defectscan.cli.options import CardMm, Force, MmPerPx, progress_bar

if TYPE_CHECKING:
    from defectscan.judging.candidates import Candidate
    from defectscan.judging.sources import Measuring

judge = typer.Typer(
    help="Train staff to judge a finish alike: photo decks, grades, agreement.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
DECK, KEY, PAPER = "deck.html", "deck_key.json", "deck.pdf"
TITLES = {"quantity": "How many lines are there?", "correction": "How much is corrected?"}
SCALES = tuple(TITLES)


@judge.command()
def deck(
    photos: Annotated[
        list[Path] | None,
        typer.Argument(
            help="Photos, folders of them, or folders with before and after; the job book if none.",
            metavar="[PHOTO...]",
        ),
    ] = None,
    *,
    out: Annotated[Path, typer.Option(help=f"Write {DECK} and {KEY} into this folder.")],
    scale: Annotated[
        str, typer.Option(help="What is asked: quantity (0 to 5) or correction (percent).")
    ] = "quantity",
    pairs: Annotated[
        bool, typer.Option("--pairs", help="Before and after on one card; always so for percent.")
    ] = False,
    rendered: Annotated[
        int | None, typer.Option(min=2, max=120, help="Render so many, with their truth.")
    ] = None,
    range_: Annotated[
        tuple[float, float], typer.Option("--range", help="Line densities to render, mm per cm².")
    ] = (1.0, 320.0),
    repeats: Annotated[
        int | None, typer.Option(min=0, help="How many are shown twice; a fifth if left out.")
    ] = None,
    practice: Annotated[
        bool, typer.Option("--practice", help="A deck that answers back after each grade.")
    ] = False,
    paper: Annotated[
        bool, typer.Option("--paper", help=f"Write {PAPER} with an answer sheet, too.")
    ] = False,
    title: Annotated[str | None, typer.Option(help="Over the deck.")] = None,
    no_measure: Annotated[
        bool, typer.Option("--no-measure", help="Do not measure the photos.")
    ] = False,
    mm_per_px: MmPerPx = None,
    card_mm: CardMm = None,
    everything: Annotated[bool, typer.Option("--all", help="Photos of all jobs.")] = False,
    job: Job = None,
    seed: Annotated[int, typer.Option(min=0, help="Of the order, and of rendering.")] = 0,
    width: Annotated[
        int, typer.Option(min=400, max=2000, help="Width of rendered photos, pixels.")
    ] = 900,
    force: Force = False,
    book: BookFolder = None,
) -> None:
    """Make a deck of photos to be graded blind: one page that works from disk, and its key."""
    from defectscan.judging.deck import build_deck, key_to_json  # noqa: PLC0415 - slow
    from defectscan.judging.deck_page import render_deck  # noqa: PLC0415
    from defectscan.judging.scale import Scale  # noqa: PLC0415
    from defectscan.judging.sources import Measuring  # noqa: PLC0415
    from defectscan.output import check_free, write_whole  # noqa: PLC0415

    _refuse(
        {
            f"--scale is one of {', '.join(SCALES)}": scale not in SCALES,
            "name photos or --rendered, not both": rendered is not None and bool(photos),
            "--practice goes without --paper, --repeats and --no-measure": practice
            and bool(paper or no_measure or repeats),
        }
    )
    asked = Scale(scale)
    pairs = pairs or asked is Scale.CORRECTION
    names = [DECK, *([] if practice else [KEY]), *([PAPER] if paper else [])]
    files = {name: out / name for name in names}
    check_free(files.values(), force=force)
    left_out: list[str] = []
    measuring = Measuring(
        scale=asked, wanted=not no_measure, mm_per_px=mm_per_px, card_mm=card_mm, seed=seed
    )
    if rendered is not None:
        from defectscan.cli.judge_rendered import render_candidates  # noqa: PLC0415 - slow

        with progress_bar(rendered) as step:
            found = render_candidates(
                rendered,
                scale=asked,
                pairs=pairs,
                range_mm_per_cm2=range_,
                seed=seed,
                width_px=width,
                progress=step,
            )
    else:
        found, left_out = _read(
            photos or [], book_folder(book), job, measuring, everything=everything, pairs=pairs,
            practice=practice,
        )  # fmt: skip
    if title is None:
        title = TITLES[asked]
    if repeats is None:
        repeats = 0 if practice else max(1, round(len(found) / 5))
    made = build_deck(
        found, title=title, scale=asked, repeats=repeats, seed=seed, practice=practice
    )
    page = render_deck(made).encode()
    if paper:
        from defectscan.judging.paper import render_paper  # noqa: PLC0415 - slow

        write_whole(files[PAPER], render_paper(made), force=force)
    if not practice:
        write_whole(files[KEY], key_to_json(made.key).encode(), force=force)
    write_whole(files[DECK], page, force=force)
    typer.echo(
        f"Deck {made.ident}: {len(made.cards)} cards of {len(found)} "
        f"{'pairs' if pairs else 'photos'}, {len(page) / 1e6:.1f} MB: {files[DECK]}"
    )
    if not practice:
        typer.echo(f"Its key, which stays with you: {files[KEY]}")
    for name in left_out:
        typer.echo(f"- left out: {name}: it is a clip, and a deck is made of photos")
    _tell_unknown(found, measured=not no_measure)


def _refuse(faults: dict[str, bool]) -> None:
    """Refuse options that do not go together."""
    for what, there in faults.items():
        if there:
            raise typer.BadParameter(what)


def _tell_unknown(found: list["Candidate"], *, measured: bool) -> None:
    """Name the photos without a value, where one was looked for."""
    unknown = [one for one in found if one.reference is None and measured]
    for one in unknown:
        typer.echo(f"- without a value: {one.name}: {one.unknown}")
    if unknown and len(unknown) == len(found):
        typer.echo("No photo has a value: raters can be held against each other alone.")


def _read(
    photos: list[Path], folder: Path, job: int | None, measuring: "Measuring", *, everything: bool,
    pairs: bool, practice: bool,
) -> tuple[list["Candidate"], list[str]]:  # fmt: skip
    """Return the photos, and the names of what was left out because it is a clip."""
    from dataclasses import replace  # noqa: PLC0415 - not needed for --help

    from defectscan.judging import sources  # noqa: PLC0415 - slow
    from defectscan.workshop.book import open_book  # noqa: PLC0415
    from defectscan.workshop.book_entries import Job as JobContent  # noqa: PLC0415

    if photos:
        listed = sources.from_folders(photos, pairs=pairs)
    else:
        with open_book(folder) as opened:
            jobs = opened.current(JobContent) if everything else [opened.job(job)]
            listed = sources.from_book(opened, jobs, pairs=pairs)
        if practice:  # the lines are not kept in the book: they are found again
            listed = [replace(one, stored=None) for one in listed]
    listed, left_out = sources.without_clips(listed)
    with progress_bar(len(listed)) as step:
        return sources.read_candidates(listed, measuring, progress=step), left_out
