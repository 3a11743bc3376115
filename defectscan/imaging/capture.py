"""Tell whether a photo can be measured, and what to change at the car where it cannot."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.imaging.card import Card, find_card
from defectscan.imaging.conditions import (
    LEAST_PAINT_PERCENT,
    Condition,
    blur_of,
    brightness_of,
    clipping_of,
    halo_of,
    lamp_radius,
    largest_radius_percent,
    number_of_lamps,
    paint_in_view,
    resolution_of,
    room_in_frame,
    size_of,
)
from defectscan.imaging.highlight import Highlight, find_highlights
from defectscan.imaging.paint import paint_mask
from defectscan.imaging.photo import Photo
from defectscan.imaging.sharpness import blur_px

Mask = NDArray[np.bool_]

FULL = 250
LEAST_ELLIPTIC = 0.92
# Spread so far, a small lamp's image is no longer blown out.
HIDING_BLUR_PX = 3.0
# A share of the photo; a lamp's image that find_highlights misses fills more.
BLOWN_OUT_SPOT = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaptureCheck:
    """What a photo was found to be like.

    Attributes
    ----------
    conditions
        All, those that are not met first.
    highlights
        The largest first, working pixels.
    paint
        Shape (H, W): bare paint, the highlights with it.
    card
        The scale card, if it is in the picture.
    mm_per_px
        Millimetres per pixel of the photo itself, by the card or as stated.
    """

    conditions: tuple[Condition, ...]
    highlights: tuple[Highlight, ...]
    paint: Mask
    card: Card | None
    mm_per_px: float | None

    @property
    def problems(self) -> tuple[Condition, ...]:
        """The conditions that are not met, the worst first."""
        return tuple(condition for condition in self.conditions if not condition.ok)

    @property
    def measurable(self) -> bool:
        """Whether all conditions are met."""
        return not self.problems


def check_photo(
    photo: Photo, *, mm_per_px: float | None, card_mm: float | None = None
) -> CaptureCheck:
    """Judge a photo by all that measuring needs.

    Each condition can be the cause of those after it: no highlight is found where all is blown
    out. So the first that is not met is what to change first.

    Parameters
    ----------
    photo
        As it is to be measured, reduced where that is.
    mm_per_px
        Millimetres per pixel of the photo itself, if known; a card in the picture tells better.
    card_mm
        Length that the user measured of the scale card's ruler.
    """
    card = find_card(photo.luminance, card_mm=card_mm)
    if card is not None:
        mm_per_px = card.mm_per_px * photo.scale
    largest = largest_radius_percent(photo, mm_per_px=mm_per_px)
    highlights = find_highlights(photo.luminance, photo.clipped)
    if not highlights:
        highlights = _broad_lamp(photo, least_px=largest / 100 * max(photo.clipped.shape))
    highlight = highlights[0] if highlights else None
    paint = paint_mask(photo.rgb, highlight)
    if card is not None:
        paint &= ~card.mask(paint.shape)
    bloom_px2 = 0.0 if highlight is None else np.pi * highlight.bloom_px**2
    share = max(float(paint.sum()) - bloom_px2, 0.0) / paint.size
    judged = paint if 100 * share >= LEAST_PAINT_PERCENT else np.ones_like(paint)
    clipping = clipping_of(100 * float(photo.clipped[judged].mean()))
    if not clipping.ok:
        highlight = None
    # Blur can hide a lamp's image; but what looks blurred without one may just be smooth.
    is_lit = bool(highlights) or photo.clipped.mean() > BLOWN_OUT_SPOT
    spreads_px = blur_px(photo.luminance, highlights) if is_lit else ()
    px_per_mm = None if mm_per_px is None else 1 / mm_per_px
    radius = None if highlight is None else 100 * highlight.radius_px / max(paint.shape)
    faults_of_lamp = [
        blur_of(spreads_px, scale=photo.scale),
        number_of_lamps(len(highlights) if clipping.ok else None),
    ]
    if max(spreads_px, default=0.0) < HIDING_BLUR_PX:
        faults_of_lamp.sort(key=lambda condition: condition.value != 0)
    conditions = [
        size_of(photo),
        resolution_of(px_per_mm, scale=photo.scale),
        brightness_of(100 * float(np.median(photo.luminance[::4, ::4][judged[::4, ::4]]))),
        clipping,
        halo_of(highlight if radius is not None and radius > largest else None),
        *faults_of_lamp,
        room_in_frame(highlight, photo),
        lamp_radius(radius, limit=largest),
        paint_in_view(100 * share),
    ]
    return CaptureCheck(
        conditions=tuple(sorted(conditions, key=lambda condition: condition.ok)),
        highlights=highlights,
        paint=paint,
        card=card,
        mm_per_px=mm_per_px,
    )


def _broad_lamp(photo: Photo, *, least_px: float) -> tuple[Highlight, ...]:
    """Return the mirror image of a broad lamp that orange peel has bent out of shape.

    It is full in all channels and nearer to an ellipse than tape is.
    """
    full = photo.clipped & (photo.rgb.min(axis=-1) >= FULL)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7))
    spots = cv2.morphologyEx(full.astype(np.uint8), cv2.MORPH_OPEN, disc)
    outlines, _ = cv2.findContours(spots, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = max(outlines, key=cv2.contourArea, default=None)
    area = 0.0 if outline is None else cv2.contourArea(outline)
    if outline is None or area <= np.pi * least_px**2:
        return ()
    (x, y), axes, _ = cv2.fitEllipse(outline)
    if not LEAST_ELLIPTIC < area / (np.pi / 4 * axes[0] * axes[1]) < 1 / LEAST_ELLIPTIC:
        return ()
    radius = float(np.sqrt(area / np.pi))
    (left, top), (right, lower) = outline.min(axis=(0, 1)), outline.max(axis=(0, 1))
    rows, columns = full.shape
    is_cut = left <= 1 or top <= 1 or right >= columns - 2 or lower >= rows - 2
    return (
        Highlight(
            x_px=x, y_px=y, radius_px=radius, bloom_px=1.3 * radius, area_px=int(area),
            cut=bool(is_cut), box_px=(float(left), float(top), float(right), float(lower)),
        ),
    )  # fmt: skip
