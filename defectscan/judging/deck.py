"""A deck: photos in a shuffled order, some twice, and the key that stays behind."""

import base64
import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import cv2
import numpy as np

from defectscan.errors import DefectscanError
from defectscan.judging.candidates import Candidate, Pixels, groups_of
from defectscan.judging.scale import Scale
from defectscan.measurement.state import GRADE_LIMITS_MM_PER_CM2
from defectscan.report.palette import YELLOW
from defectscan.version import __version__

KEY_FORMAT = "defectscan.deck_key/1"
LONGEST_PX = (1400, 1200, 1000, 800, 640)
BUDGET_BYTES = 10_500_000  # a third more as text in the page
PICTURE_PX = 480
QUALITY = 80
MOST_PHOTOS = 300


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """One photo or pair as it is shown at one place of the deck.

    Attributes
    ----------
    jpegs
        One picture, or before and after.
    overlays
        In practice: PNG of the lines on each, b"" where they are not known.
    answer
        In practice: what the page says after the grade; empty otherwise.
    """

    jpegs: tuple[bytes, ...]
    overlays: tuple[bytes, ...] = ()
    answer: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Deck:
    """What raters get, and the key.

    Attributes
    ----------
    ident
        Of this deck, from all that is in it.
    cards
        In the order in which they are shown.
    key
        JSON: photos with names, values and small pictures; which photo each card shows.
    """

    ident: str
    title: str
    scale: Scale
    cards: tuple[Card, ...]
    practice: bool
    key: dict[str, Any]


def build_deck(
    candidates: Sequence[Candidate],
    *,
    title: str,
    scale: Scale,
    repeats: int,
    seed: int,
    practice: bool = False,
) -> Deck:
    """Shuffle photos into a deck.

    Parameters
    ----------
    candidates
        Photos or pairs, each once.
    title
        Over the deck.
    scale
        What is asked.
    repeats
        How many photos are shown a second time, as far from the first time as can be.
    seed
        Of the order.
    practice
        Whether the deck answers back; photos without a value are then left out.

    Raises
    ------
    DefectscanError
        If there are too few photos or too many.
    """
    photos = [one for one in candidates if one.reference is not None or not practice]
    if not 2 <= len(photos) <= MOST_PHOTOS or repeats > len(photos):
        known = " with a known value" if practice else ""
        raise DefectscanError(
            f"the deck would hold {len(photos)} photos{known} and show {repeats} of them twice",
            allowed=f"a deck holds 2 to {MOST_PHOTOS} photos, and shows each at most twice",
            remedy="name more photos or other --repeats",
        )
    if practice:  # the page chooses by how well it goes, the easy ones first
        order = [int(i) for i in np.argsort([_difficulty(one, scale) for one in photos])]
    else:
        order = _order(len(photos), repeats, np.random.default_rng(seed))
    cards = _cards(photos, order, scale=scale, practice=practice)
    told = [f"{scale} {practice} {title}", *(photos[i].ident for i in order)]
    ident = hashlib.sha256("\n".join(told).encode("utf-8", "replace")).hexdigest()[:12]
    key = {
        "format": KEY_FORMAT,
        "version": __version__,
        "deck": ident,
        "title": title,
        "scale": str(scale),
        "pairs": len(photos[0].views) > 1,
        "practice": practice,
        "seed": seed,
        "photos": [_keyed(one, scale) for one in photos],
        "cards": order,
    }
    return Deck(ident=ident, title=title, scale=scale, cards=cards, practice=practice, key=key)


def _order(n: int, repeats: int, rng: np.random.Generator) -> list[int]:
    """Return an order in which what comes twice comes early and late, mixed with the others."""
    shuffled = [int(i) for i in rng.permutation(n)]
    twice, once = shuffled[:repeats], shuffled[repeats:]
    third = len(once) // 3
    early, late = once[:third], once[len(once) - third :]
    middle = once[third : len(once) - third]
    # In the same order both times, so that no second showing follows closely on the first.
    return [*_mixed(twice, early, rng), *middle, *_mixed(twice, late, rng)]


def _mixed(some: list[int], others: list[int], rng: np.random.Generator) -> list[int]:
    """Mix two lists and keep the order within each."""
    total = len(some) + len(others)
    places = set(rng.choice(total, len(some), replace=False).tolist())
    one, other = iter(some), iter(others)
    return [next(one) if place in places else next(other) for place in range(total)]


def _difficulty(one: Candidate, scale: Scale) -> float:
    """Return how hard a photo is to judge, 0 to 1: light paint, values between two grades."""
    groups = groups_of(one, scale)
    paint = {"dark paint": 0.0, "medium paint": 0.5, "light paint": 1.0}[groups["paint"]]
    reference = one.reference
    near = 0.5
    if reference is not None and reference.density_mm_per_cm2 and scale is Scale.QUANTITY:
        # Limits of the grades are a factor of about 2.5 to 5 apart.
        ratios = np.abs(np.log(np.array(GRADE_LIMITS_MM_PER_CM2) / reference.density_mm_per_cm2))
        near = float(np.clip(1 - ratios.min() / 0.8, 0, 1))
    elif reference is not None:
        known = reference.value if reference.bound is None else reference.bound
        near = 1 - abs(known - 50) / 50
    return 0.6 * paint + 0.4 * near


def _cards(
    photos: Sequence[Candidate], order: Sequence[int], *, scale: Scale, practice: bool
) -> tuple[Card, ...]:
    for longest in LONGEST_PX:
        encoded = {i: tuple(_jpeg(v.rgb, longest) for v in photos[i].views) for i in set(order)}
        total = sum(len(jpeg) for i in order for jpeg in encoded[i])
        if total <= BUDGET_BYTES:
            break
    else:
        raise DefectscanError(
            f"the deck's photos take {total / 1e6:.0f} MB even at {longest} px",
            allowed=f"a deck takes up to {BUDGET_BYTES / 1e6:.0f} MB",
            remedy="make two decks",
        )
    cards, shown = [], set()
    for i in order:
        one, jpegs = photos[i], encoded[i]
        if i in shown:  # other bytes: nothing in the page tells that the photo came before
            jpegs = tuple(_jpeg(view.rgb, longest, QUALITY + 1) for view in one.views)
        shown.add(i)
        if not practice or one.reference is None:
            cards.append(Card(jpegs=jpegs))
            continue
        overlays = tuple(
            b"" if view.lines is None else _overlay(view.lines, jpeg)
            for view, jpeg in zip(one.views, jpegs, strict=True)
        )
        answer = {**asdict(one.reference), "look": one.look, "hard": _difficulty(one, scale)}
        cards.append(Card(jpegs=jpegs, overlays=overlays, answer=answer))
    return tuple(cards)


def _keyed(one: Candidate, scale: Scale) -> dict[str, Any]:
    return {
        "photo": one.ident,
        "name": one.name,
        "groups": groups_of(one, scale),
        "reference": None if one.reference is None else asdict(one.reference),
        "unknown": one.unknown,
        "pictures": [base64.b64encode(_jpeg(view.rgb, PICTURE_PX)).decode() for view in one.views],
    }


def key_to_json(key: dict[str, Any]) -> str:
    """Write a key, numbers unrounded."""
    return json.dumps(key, indent=1, allow_nan=False) + "\n"


def _jpeg(rgb: Pixels, longest_px: int, quality: int = QUALITY) -> bytes:
    """Reduce and encode a photo; nothing of its file but the pixels goes with it."""
    height, width = rgb.shape[:2]
    scale = min(1.0, longest_px / max(height, width))
    small: cv2.typing.MatLike = rgb
    if scale < 1:
        size = (max(1, round(width * scale)), max(1, round(height * scale)))
        small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    bgr = cv2.cvtColor(small, cv2.COLOR_RGB2BGR)
    done, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise RuntimeError("the JPEG encoder refused the picture")
    return bytes(data)


def _overlay(lines: Any, jpeg: bytes) -> bytes:  # noqa: ANN401 - a mask
    """Draw lines as a clear PNG of the picture's size."""
    shape = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)
    if shape is None:
        raise RuntimeError("the JPEG just encoded cannot be read")
    height, width = shape.shape[:2]
    wide = cv2.dilate(lines.astype(np.uint8), np.ones((3, 3), np.uint8))
    mask = cv2.resize(wide, (width, height), interpolation=cv2.INTER_AREA) > 0
    colour = [int(YELLOW[k : k + 2], 16) for k in (5, 3, 1)]
    drawn = np.zeros((height, width, 4), np.uint8)
    drawn[mask] = (*colour, 255)
    done, data = cv2.imencode(".png", drawn, [cv2.IMWRITE_PNG_COMPRESSION, 9])
    if not done:
        raise RuntimeError("the PNG encoder refused the picture")
    return bytes(data)
