"""Small drawn photos with values, and a deck of them: nothing is rendered or measured."""

import json
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import pytest

from defectscan.judging.candidates import Candidate, Reference, View
from defectscan.judging.deck import Deck, build_deck, key_to_json
from defectscan.judging.key import DeckKey, read_key
from defectscan.judging.scale import Scale
from defectscan.workshop.book_database import URL_VARIABLE

HOSTILE_RATER = '</script><img src=x onerror=alert(1)> "Zoë" & \'; DROP'
SECRET = "customer_door_left"  # noqa: S105 - part of a file name


@pytest.fixture(autouse=True)
def _nobodys_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in (URL_VARIABLE, "DEFECTSCAN_BOOK"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("DEFECTSCAN_WHO", "tester")


def drawn(value: float, *, seed: int, light: bool = False) -> View:
    """Draw a photo with more lines the larger the value is."""
    rng = np.random.default_rng(seed)
    rgb = np.full((150, 200, 3), 180 if light else 45, np.uint8)
    lines = np.zeros(rgb.shape[:2], np.uint8)
    for _ in range(int(2 + 6 * value)):
        x, y, dx, dy = (int(v) for v in rng.integers((5, 5, -12, -12), (195, 145, 12, 12)))
        cv2.line(lines, (x, y), (x + dx, y + dy), 1, 1)
    rgb[lines > 0] = 235
    return View(rgb=rgb, lines=lines > 0)


def candidate(number: int, value: float | None, *, pair: bool = False) -> Candidate:
    reference = None
    if value is not None:
        reference = Reference(
            value=value, low=None, high=None, source="true", density_mm_per_cm2=4.0 * value + 1
        )
    views = [drawn(value or 0, seed=number, light=number % 2 == 0)]
    if pair:
        views.insert(0, drawn(30, seed=900 + number))
    return Candidate(
        ident=f"{number:064x}",
        name=f"{SECRET}_{number}.jpg",
        views=tuple(views),
        reference=reference,
        look="Look <b>here</b> & there.",
    )


def deck_of(
    values: Sequence[float | None],
    *,
    scale: Scale = Scale.QUANTITY,
    repeats: int = 2,
    practice: bool = False,
    seed: int = 1,
) -> Deck:
    pair = scale is Scale.CORRECTION
    return build_deck(
        [candidate(i, value, pair=pair) for i, value in enumerate(values)],
        title="Bonnets <of> May & June",
        scale=scale,
        repeats=repeats,
        seed=seed,
        practice=practice,
    )


def key_file(deck: Deck, folder: Path) -> tuple[Path, DeckKey]:
    path = folder / "deck_key.json"
    path.write_text(key_to_json(deck.key), encoding="utf-8")
    return path, read_key(path)[0]


@pytest.fixture
def deck() -> Deck:
    return deck_of([0, 1, 2, 3, 4, 5])


@pytest.fixture
def key(deck: Deck, tmp_path: Path) -> DeckKey:
    return key_file(deck, tmp_path)[1]


def saved(
    key: DeckKey,
    grades: Sequence[object],
    *,
    rater: str = "Ana",
    session: str = "s1",
    when: str = "2026-05-01T08:00:00.000Z",
) -> str:
    """Write what the page saves, one grade a line."""
    cards = [
        json.dumps({"card": i, "grade": g, "seconds": 2.5}) for i, g in enumerate(grades, start=1)
    ]
    head = {
        "format": "defectscan.grades/1",
        "deck": key.ident,
        "rater": rater,
        "session": session,
        "finished_at": when,
    }
    lines = [f" {json.dumps(name)}: {json.dumps(value)}," for name, value in head.items()]
    return "\n".join(["{", *lines, ' "grades": [', ",\n".join(cards), " ]", "}", ""])
