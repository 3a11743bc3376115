"""Options that several commands share, and how they show progress."""

import os
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

MmPerPx = Annotated[
    float | None,
    typer.Option(
        min=1e-4,
        max=10.0,
        help="Millimetres on the panel that a pixel of the (first) photo shows.",
    ),
]
CardMm = Annotated[
    float | None,
    typer.Option(help="What you measured of the printed scale card's ruler, from 0 to 200."),
]
AsSeen = Annotated[
    bool,
    typer.Option(
        "--as-seen",
        help="No highlight in the picture: visible lines only, not corrected for the lamp.",
    ),
]
Json = Annotated[
    Path | None,
    typer.Option("--json", help="Write the figures as JSON here; - is standard output."),
]
Out = Annotated[
    Path | None, typer.Option(help="Write report.html, report.pdf, overlays and the JSON here.")
]
Seed = Annotated[int, typer.Option(min=0, help="Of the resampling behind the intervals.")]
Force = Annotated[bool, typer.Option("--force", help="Write over files that are there already.")]
Title = Annotated[str, typer.Option(help="The panel's name in the report.")]


@contextmanager
def progress_bar(total: int) -> Iterator[Callable[[str], None]]:
    """Show a bar of `total` steps on a terminal; give the function that takes a step's name."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console  # noqa: PLC0415 - not needed where no one looks on
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn  # noqa: PLC0415

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("reading", total=total)

        def step(name: str) -> None:
            bar.update(task, description=name, advance=1)

        yield step


def load_ahead(*, report: bool) -> None:
    """Load what measuring, and a report of it, need later beside the reading of the photos."""

    def load() -> None:
        if report:
            from defectscan.report import assemble, html  # noqa: F401, PLC0415

            html.report_templates()

    threading.Thread(target=load, daemon=True).start()


def emit_json(text: str, path: Path | None, *, force: bool) -> None:
    """Write JSON to a file or, for -, to standard output; do nothing without a path."""
    if path is None:
        return
    if str(path) == "-":
        typer.echo(text)
        return
    from defectscan.output import write_whole  # noqa: PLC0415

    write_whole(path, text.encode(), force=force)


def check_apart(pictures: Path, folders: Iterable[Path], *, option: str = "--out") -> None:
    """Refuse to write pictures into a folder of photos: they would be measured as shots.

    Parameters
    ----------
    pictures
        The folder that they go to.
    folders
        Folders of photos; what is none is passed over.
    option
        That names where they go.

    Raises
    ------
    DefectscanError
        If they are one folder, by whatever way.
    """
    from defectscan.errors import DefectscanError, on_one_line  # noqa: PLC0415

    for folder in folders:
        if folder.is_dir() and os.path.realpath(folder) == os.path.realpath(pictures):
            raise DefectscanError(
                f"{option} leads into {on_one_line(folder)}, a folder of photos",
                allowed="a folder without photos is needed, or the pictures would be measured as "
                "photos next time",
                remedy="choose another folder",
            )


def json_file(path: Path | None) -> list[Path]:
    """Return the file that JSON goes to, if it is one."""
    return [] if path is None or str(path) == "-" else [path]
