"""Write a deck as one HTML file that works from disk and asks for nothing outside itself."""

import base64
import hashlib
import json
from pathlib import Path

from markupsafe import Markup

from defectscan.judging.deck import Deck
from defectscan.judging.scale import WORDS, Scale, anchor_pictures
from defectscan.report.html import page_environment
from defectscan.version import __version__

_FOLDER = Path(__file__).parent


def render_deck(deck: Deck) -> str:
    """Write a deck as a self-contained page.

    A blind deck holds pictures and their order, and nothing that tells names, values or which
    photo comes twice. A content security policy forbids every outside request.

    Parameters
    ----------
    deck
        From `build_deck`.
    """
    environment = page_environment(_FOLDER)
    environment.filters["data_uri"] = lambda jpeg: "data:image/jpeg;base64," + _base64(jpeg)
    style = (_FOLDER / "deck.css").read_text(encoding="utf-8")
    script = (_FOLDER / "deck.js").read_text(encoding="utf-8")
    html = environment.get_template("deck.html").render(
        deck=deck,
        pairs=len(deck.cards[0].jpegs) > 1,
        words=WORDS if deck.scale is Scale.QUANTITY else (),
        anchors=anchor_pictures() if deck.scale is Scale.QUANTITY else (),
        version=__version__,
        style=Markup(style),  # noqa: S704 - the package's own file
        script=Markup(script),  # noqa: S704 - the package's own file
        style_hash=_hash(style),
        script_hash=_hash(script),
        cards_json=Markup(_cards_json(deck)),  # noqa: S704 - escaped below
    )
    return html.encode("utf-8", "replace").decode("utf-8")


def _cards_json(deck: Deck) -> str:
    cards = []
    for card in deck.cards:
        told: dict[str, object] = {"views": [_base64(jpeg) for jpeg in card.jpegs]}
        if card.answer is not None:
            told |= {"overlays": [_base64(png) for png in card.overlays], "answer": card.answer}
        cards.append(told)
    text = json.dumps(cards, separators=(",", ":"), allow_nan=False)
    # So that no text in it ends the script element.
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode()


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
