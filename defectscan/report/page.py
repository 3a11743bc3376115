"""A report in reading order: titled sections of a few kinds of block, the same for every writer."""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Literal

from defectscan.report.content import Flag
from defectscan.report.marks import Drawing, Heat, Layer, Photo


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """Show one figure with its label and what stands under it."""

    label: str
    value: str
    detail: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tiles:
    """Show a row of figures."""

    tiles: tuple[Tile, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Headline:
    """Give the result in one large figure and a sentence, with the figures behind it."""

    figure: str
    ink: Literal["after", "warning", "muted"]
    phrase: str
    interval: str
    sentences: tuple[str, ...] = ()
    tiles: tuple[Tile, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """Hold paragraphs, or the items of a list."""

    paragraphs: tuple[str, ...]
    as_list: bool = False
    small: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Hold a table: the first column names the row.

    ``widths`` are the columns' shares of the sheet, where they are not to be alike.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """Put a title, where there are several, and a caption to a drawing."""

    drawing: Drawing
    caption: str
    title: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Charts:
    """Hold charts that stand beside each other where there is room."""

    charts: tuple[Chart, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate:
    """Show a photo, darkened under its overlays where it has any."""

    title: str
    photo: Photo
    layers: tuple[Layer, ...] = ()
    heat: Heat | None = None

    @property
    def veiled(self) -> bool:
        """Whether the photo is darkened."""
        return bool(self.layers) or self.heat is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Wipe:
    """Lay one photo over the other, with a slider to wipe between them."""

    before: Plate
    after: Plate
    caption: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Plates:
    """Show photos with their overlays and a key.

    ``key`` names each style of line that is drawn; ``backdrops`` are photos of the same frame
    that the reader may choose to lie underneath.
    """

    plates: tuple[Plate, ...]
    caption: str
    key: tuple[tuple[str, str], ...] = ()
    backdrops: tuple[Plate, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Flags:
    """List what makes the numbers doubtful, and what to do."""

    flags: tuple[Flag, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """Tell how one photo was taken."""

    title: str
    rows: tuple[tuple[str, str], ...]
    flags: tuple[Flag, ...] = ()
    plate: Plate | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Cards:
    """Hold the cards of all photos."""

    cards: tuple[Card, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """Leave room to sign: a line over each label."""

    labels: tuple[str, ...]


Block = Headline | Tiles | Text | Table | Charts | Wipe | Plates | Flags | Cards | Signature


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """Hold the blocks under one heading."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Chapter:
    """Hold the sections of one panel, or those that close the report."""

    title: str
    sections: tuple[Section, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """Hold the report as it will be read.

    ``workshop`` and ``logo``, a PNG file, stand at the head, where they are given.
    """

    title: str
    subtitle: str
    date: date
    version: str
    opening: tuple[Block, ...]
    chapters: tuple[Chapter, ...]
    workshop: str = ""
    logo: bytes = b""

    def photos(self) -> tuple[Photo, ...]:
        """Return each photo of the report once, in reading order."""
        sections = (section for chapter in self.chapters for section in chapter.sections)
        blocks = itertools.chain(self.opening, *(section.blocks for section in sections))
        found = (plate.photo for block in blocks for plate in _plates(block))
        return tuple(dict.fromkeys(found))


def _plates(block: Block) -> Iterator[Plate]:
    match block:
        case Wipe(before=before, after=after):
            yield from (before, after)
        case Plates(plates=plates, backdrops=backdrops):
            yield from (*plates, *backdrops)
        case Cards(cards=cards):
            yield from (card.plate for card in cards if card.plate is not None)
