"""The key of a deck, read back: which photo each card shows and what it is worth."""

import base64
import binascii
import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from defectscan.errors import DefectscanError
from defectscan.judging.candidates import Reference
from defectscan.judging.deck import KEY_FORMAT
from defectscan.judging.scale import Scale

LARGEST_BYTES = 100_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyedPhoto:
    """A photo of a deck.

    Attributes
    ----------
    ident, name
        Its identity in every deck, and what it is called.
    groups
        How photos are sorted: by paint, by amount.
    reference
        Its value, if it is known.
    pictures
        Small JPEGs: one, or before and after.
    """

    ident: str
    name: str
    groups: dict[str, str]
    reference: Reference | None
    pictures: tuple[bytes, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeckKey:
    """A deck's key.

    Attributes
    ----------
    ident, title
        Of the deck.
    scale
        What was asked.
    photos
        Each once.
    cards
        Which photo each card shows, from 0.
    """

    ident: str
    title: str
    scale: Scale
    photos: tuple[KeyedPhoto, ...]
    cards: tuple[int, ...]


def read_key(path: Path) -> tuple[DeckKey, dict[str, Any]]:
    """Read a key file.

    Returns
    -------
    DeckKey, dict
        What it says, and the same as JSON.

    Raises
    ------
    DefectscanError
        If it is none, or that of a practice deck.
    """
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise _no_key(path, "it is too large")
        told = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        reason = getattr(error, "strerror", None) or "it is no JSON"
        raise _no_key(path, reason) from error
    try:
        if told["practice"]:
            raise DefectscanError(
                f"{path} belongs to a practice deck",
                allowed="its grades are not blind, and are not kept",
                remedy="make a deck without --practice",
            )
        key = parse_key(told)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _no_key(path, "it says something else") from error
    if not all(photo.pictures for photo in key.photos):
        raise _no_key(path, "a photo in it has no picture")
    return key, told


def parse_key(told: dict[str, Any]) -> DeckKey:
    """Make a key of its JSON.

    Raises
    ------
    KeyError, TypeError, ValueError
        If it is none.
    """
    if told["format"] != KEY_FORMAT:
        raise ValueError("another format")
    photos = tuple(_photo(one) for one in told["photos"])
    cards = tuple(told["cards"])
    if not cards or not all(type(card) is int and 0 <= card < len(photos) for card in cards):
        raise ValueError("a card shows no photo")
    return DeckKey(
        ident=_text(told["deck"]),
        title=_text(told["title"]),
        scale=Scale(told["scale"]),
        photos=photos,
        cards=cards,
    )


def _photo(told: dict[str, Any]) -> KeyedPhoto:
    reference = None
    if told["reference"] is not None:
        reference = Reference(**told["reference"])
        numbers = (
            reference.value,
            reference.low,
            reference.high,
            reference.density_mm_per_cm2,
            reference.detection_limit_mm_per_cm2,
        )
        if not all(_is_number(one) for one in numbers if one is not None):
            raise ValueError("a value is no number")
        if reference.value is None or reference.source not in ("true", "measured"):
            raise ValueError("a value is missing, or where it comes from")
        if type(reference.at_least) is not bool or (reference.at_least and reference.low is None):
            raise ValueError("a lower limit is missing")
    try:
        pictures = tuple(base64.b64decode(text, validate=True) for text in told["pictures"])
    except binascii.Error as error:
        raise ValueError("a picture is damaged") from error
    return KeyedPhoto(
        ident=_text(told["photo"]),
        name=_text(told["name"]),
        groups={_text(k): _text(v) for k, v in told["groups"].items()},
        reference=reference,
        pictures=pictures,
    )


def _text(told: Any) -> str:  # noqa: ANN401 - whatever JSON holds
    """Return a text as one that can be written; JSON takes halves of letters, too."""
    if not isinstance(told, str):
        raise TypeError("a text is needed")
    return told.encode("utf-8", "backslashreplace").decode()


def _is_number(told: Any) -> bool:  # noqa: ANN401 - the same
    number = isinstance(told, (int, float)) and not isinstance(told, bool)
    return number and abs(told) <= sys.float_info.max


def _no_key(path: Path, reason: str) -> DefectscanError:
    return DefectscanError(
        f"{path} is no deck key ({reason})",
        allowed="a key is the file that `judge deck` writes beside the deck",
        remedy="name it with --key",
    )
