"""Options of the job book's commands, and what the shell completes them with."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Annotated

import typer

from defectscan.errors import DefectscanError
from defectscan.workshop.book_entries import Material as PanelMaterial

FOLDER_VARIABLE = "DEFECTSCAN_BOOK"
FOLDER = "job_book"
MATERIALS = tuple(material.replace(" ", "-") for material in PanelMaterial)


def book_folder(given: Path | None) -> Path:
    """Return the book's folder: as given, or one here or above, or `job_book` here."""
    from defectscan.workshop.book import is_book  # noqa: PLC0415 - slow

    if given is not None:
        return given
    here = Path.cwd()
    for folder in (here, *here.parents):
        for place in (folder, folder / FOLDER):
            if is_book(place):
                return place
    return Path(FOLDER)


def _complete(names: Callable[[Path, int | None], Iterator[str]]) -> Callable[..., list[str]]:
    def complete(ctx: typer.Context, incomplete: str) -> list[str]:
        number = ctx.params.get("job")
        try:
            found = list(names(book_folder(ctx.params.get("book")), number))
        except (DefectscanError, OSError):
            return []
        return [name for name in found if name.casefold().startswith(incomplete.casefold())]

    return complete


def _job_numbers(folder: Path, _: int | None) -> Iterator[str]:
    from defectscan.workshop.book import open_book  # noqa: PLC0415 - slow

    with open_book(folder) as book:
        yield from (str(job.number) for job in book.jobs())


def _panel_names(folder: Path, number: int | None) -> Iterator[str]:
    from defectscan.workshop.book import open_book  # noqa: PLC0415 - slow
    from defectscan.workshop.book_entries import Panel as PanelContent  # noqa: PLC0415

    with open_book(folder) as book:
        job_id = book.job(number).thing_id
        yield from (panel.content.name for panel in book.current(PanelContent, job_id=job_id))


def _spot_names(folder: Path, number: int | None) -> Iterator[str]:
    from defectscan.workshop.book import open_book  # noqa: PLC0415 - slow
    from defectscan.workshop.book_entries import TestSpot  # noqa: PLC0415

    with open_book(folder) as book:
        job_id = book.job(number).thing_id
        yield from (spot.content.name for spot in book.current(TestSpot, job_id=job_id))


def _material(text: str) -> PanelMaterial:
    try:
        return PanelMaterial(text.replace("-", " ").strip().lower())
    except ValueError as error:
        raise typer.BadParameter(f"{text!r} is not one of {', '.join(MATERIALS)}") from error


def complete_material(incomplete: str) -> list[str]:
    """Return the materials that begin so."""
    return [name for name in MATERIALS if name.startswith(incomplete.lower())]


BookFolder = Annotated[
    Path | None,
    typer.Option(help="The book's folder; one here or above if not given.", envvar=FOLDER_VARIABLE),
]
Job = Annotated[
    int | None,
    typer.Option(
        min=1,
        help="Number of the job; that of your last entry if not given.",
        autocompletion=_complete(_job_numbers),
    ),
]
Panel = Annotated[
    str | None,
    typer.Option(
        help="Name or number of the panel; that of your last entry if not given.",
        autocompletion=_complete(_panel_names),
    ),
]
Spot = Annotated[
    str | None,
    typer.Option(
        help="Test spot of the panel, made where there is none of that name.",
        autocompletion=_complete(_spot_names),
    ),
]
AfterPass = Annotated[
    int | None,
    typer.Option(
        min=0, help="State after so many passes, 0 before them all; the last if left out."
    ),
]
Material = Annotated[
    PanelMaterial | None,
    typer.Option(
        help=f"What the panel is made of: {', '.join(MATERIALS)}; painted metal if left out.",
        parser=_material,
        metavar="MATERIAL",
        autocompletion=complete_material,
    ),
]
Correct = Annotated[
    int | None,
    typer.Option(
        metavar="ENTRY", help="Correct that entry: what is given here replaces what it says."
    ),
]
