"""`defectscan card`: the scale card to print, and the guide to hang in the bay."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from defectscan.cli.options import Force


class Paper(StrEnum):
    """The papers that the sheets are drawn for."""

    A4 = "a4"
    LETTER = "letter"


def card(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The sheet: .pdf, .svg or .png.")],
    paper: Annotated[Paper, typer.Option(help="Paper that it is printed on.")] = Paper.A4,
    guide: Annotated[
        bool, typer.Option("--guide", help="The capture guide in place of the card.")
    ] = False,
    force: Force = False,
) -> None:
    """Draw the scale card, or the guide to taking photos, to be printed at actual size."""
    suffix = file.suffix.lower()
    if suffix not in {".pdf", ".svg", ".png"}:
        raise typer.BadParameter(f"{file.name} is to end in .pdf, .svg or .png.", param_hint="FILE")
    from defectscan.output import check_free, write_whole  # noqa: PLC0415

    check_free([file], force=force)
    from defectscan.report.card_sheet import card_page  # noqa: PLC0415 - heavy
    from defectscan.report.guide import guide_page  # noqa: PLC0415
    from defectscan.report.vector_page import to_pdf, to_png, to_svg  # noqa: PLC0415

    page = guide_page(paper.value) if guide else card_page(paper.value)
    write = {".pdf": to_pdf, ".svg": to_svg, ".png": to_png}[suffix]
    write_whole(file, write(page), force=force)
    typer.echo(
        f"{file.name}: print at actual size (100 %), on {_NAMES[paper]} paper"
        + ("" if guide else ", matte; then measure its ruler, and give it as --card-mm")
    )


_NAMES = {Paper.A4: "A4", Paper.LETTER: "Letter"}
