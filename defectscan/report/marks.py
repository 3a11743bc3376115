"""What is drawn on a page, as plain points: charts, photos and what lies over them.

Charts are drawn in units of which 360 make the width of a phone's screen, so that text of size 11
stays readable there. No library is loaded here or by a page, so that the process that writes a
report's PDF is soon ready.
"""

from dataclasses import dataclass
from typing import Literal

WIDTH = 360.0

Anchor = Literal["start", "middle", "end"]
Polyline = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Path:
    """Draw an open or closed line through points, filled or not."""

    points: tuple[tuple[float, float], ...]
    stroke: str = ""
    fill: str = ""
    width: float = 1.0
    dash: tuple[float, float] | None = None
    closed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """Write a text on its base line."""

    x: float
    y: float
    text: str
    ink: str = "ink"
    size: float = 12.0
    anchor: Anchor = "start"
    bold: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """Hold a drawing: its size, what it shows in one sentence, and its marks in drawing order."""

    width: float
    height: float
    description: str
    marks: tuple[Path | Label, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """Hold a photo as JPEG, and the size of the frame that its overlays are counted in.

    ``veil`` is the share of black to lay over it so that coloured lines stand out on it.
    """

    jpeg: bytes
    width_px: int
    height_px: int
    veil: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """Gather the polylines that are drawn alike, ``style`` naming their stroke."""

    style: str
    paths: tuple[Polyline, ...]
    closed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """Place one coloured cell of the density map, ``level`` counting up its colours."""

    x_px: float
    y_px: float
    width_px: float
    height_px: float
    level: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Heat:
    """Hold the cells of a map and what each colour stands for.

    ``style`` names the row of colours.
    """

    cells: tuple[Cell, ...]
    key: tuple[tuple[str, str], ...]
    style: Literal["heat", "cover"] = "heat"
