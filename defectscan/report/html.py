"""Write a report as one HTML file that opens from disk and asks for nothing outside itself."""

import base64
import hashlib
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template
from markupsafe import Markup

from defectscan.report.marks import Photo, Polyline
from defectscan.report.page import Page
from defectscan.report.palette import CELL_OPACITY, CELLS, STROKES
from defectscan.report.wording import unsteered

_FOLDER = Path(__file__).parent


def page_environment(folder: Path) -> Environment:
    """Return what pages are rendered in: text is escaped, and a missing name is an error.

    Parameters
    ----------
    folder
        Where the templates are.
    """
    return Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
        optimized=False,  # reading a template takes longer than filling it in
    )


def page_html(page: Page) -> str:
    """Write a composed report as one self-contained HTML page.

    Pictures stand in it as data URIs; a content security policy forbids every outside request
    and every script and style but its own. The same content gives the same text.

    Parameters
    ----------
    page
        The report in reading order.

    Returns
    -------
    str
        The page.
    """
    style_template, page_template = report_templates()
    style = style_template.render(strokes=STROKES, cells=CELLS, cell_opacity=CELL_OPACITY)
    script = (_FOLDER / "report.js").read_text(encoding="utf-8")
    html = page_template.render(
        page=page,
        style=Markup(style),  # noqa: S704 - the package's own file
        script=Markup(script),  # noqa: S704 - the package's own file
        style_hash=_hash(style),
        script_hash=_hash(script),
    )
    # A title or a file name may hold what turns the text round it, and broken code points, which
    # could not be written to a file.
    return unsteered(html).encode("utf-8", "replace").decode("utf-8")


@cache
def report_templates() -> tuple[Template, Template]:
    """Read the templates of a report's style and page: longer work than filling them in."""
    environment = page_environment(_FOLDER)
    environment.filters.update(
        {
            "data_uri": _data_uri,
            "png_uri": _png_uri,
            "photo_id": lambda photo: "photo-" + hashlib.sha256(photo.jpeg).hexdigest()[:12],
            "paths_data": _paths_data,
            "path_data": _path_data,
            "block_kind": lambda block: type(block).__name__.lower(),
        }
    )
    return environment.get_template("report.css"), environment.get_template("report.html")


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode()).digest()
    return "sha256-" + base64.b64encode(digest).decode()


def _data_uri(photo: Photo) -> str:
    return "data:image/jpeg;base64," + base64.b64encode(photo.jpeg).decode()


def _png_uri(png: bytes) -> str:
    return "data:image/png;base64," + base64.b64encode(png).decode()


def _paths_data(paths: Iterable[Polyline], *, closed: bool = False) -> str:
    return "".join(_path_data(path, closed=closed) for path in paths)


def _path_data(points: Polyline, *, closed: bool = False) -> str:
    pairs = [f"{x:.1f} {y:.1f}".replace(".0", "") for x, y in points]
    return "M" + "L".join(pairs) + ("z" if closed else "")
