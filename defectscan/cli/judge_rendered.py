"""Rendered photos as they go into a deck: the only place where decks meet the simulation."""

import hashlib
import io
from collections.abc import Callable, Sequence

import numpy as np
from PIL import Image

from defectscan.judging.candidates import (
    Candidate,
    Reference,
    View,
    grade_of,
    hint,
    paint_group,
)
from defectscan.judging.scale import Scale
from defectscan.simulation.deck_photos import JudgedPhoto, render_pairs, render_singles


def render_candidates(
    count: int,
    *,
    scale: Scale,
    pairs: bool,
    range_mm_per_cm2: tuple[float, float],
    seed: int,
    width_px: int,
    progress: Callable[[str], None],
) -> list[Candidate]:
    """Render photos or pairs with their true values.

    Parameters
    ----------
    count
        How many.
    scale
        Of the deck.
    pairs
        Whether before and after make one card.
    range_mm_per_cm2, seed, width_px, progress
        As for `render_singles`.
    """
    cards: Sequence[tuple[JudgedPhoto, ...]]
    if pairs:
        cards = render_pairs(
            count,
            range_mm_per_cm2=range_mm_per_cm2,
            seed=seed,
            width_px=width_px,
            progress=progress,
        )
    else:
        singles = render_singles(
            count,
            range_mm_per_cm2=range_mm_per_cm2,
            seed=seed,
            width_px=width_px,
            progress=progress,
        )
        cards = [(one,) for one in singles]
    return [candidate(card, scale) for card in cards]


def candidate(photos: tuple[JudgedPhoto, ...], scale: Scale) -> Candidate:
    """Return rendered photos of one card with their true value.

    Parameters
    ----------
    photos
        One, or before and after.
    scale
        Of the deck.
    """
    last = photos[-1]
    views = tuple(
        View(rgb=np.asarray(Image.open(io.BytesIO(p.jpeg)).convert("RGB")), lines=p.lit > 0)
        for p in photos
    )
    density = last.density_mm_per_cm2
    value: float = grade_of(density)
    if scale is Scale.CORRECTION:
        value = 100 * (1 - density / photos[0].density_mm_per_cm2)
    digests = [hashlib.sha256(photo.jpeg).hexdigest() for photo in photos]
    paint = paint_group(views[0].rgb)
    return Candidate(
        ident=digests[0]
        if len(digests) == 1
        else hashlib.sha256(":".join(digests).encode()).hexdigest(),
        name=f"{photos[0].name}, {last.paint}, {density:.1f} mm/cm²",
        views=views,
        reference=Reference(
            value=value, low=None, high=None, source="true", density_mm_per_cm2=density
        ),
        look=hint(
            last.kinds_mm_per_cm2,
            paint=paint,
            grade=value if scale is Scale.QUANTITY else None,
        ),
    )
