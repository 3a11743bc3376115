"""Tell whether a photo can be measured, and what to change at the car where it cannot."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.imaging.card import Card, find_card
from defectscan.imaging.highlight import Highlight, find_highlights
from defectscan.imaging.paint import paint_mask
from defectscan.imaging.photo import Photo
from defectscan.imaging.sharpness import blur_px

Mask = NDArray[np.bool_]

# With fewer, thin lines go missing: at 4 pixels per mm about a fifth of their length.
LEAST_PX_PER_MM = 5.0
# Some 120 mm of panel at the least resolution.
LEAST_SIDE_PX = 640
# Here one step of an 8-bit photo is a contrast of 5 %, and fainter lines drown in it.
LEAST_BRIGHTNESS_PERCENT = 2.0
MOST_CLIPPED_PERCENT = 30.0
# The lamp's own image has a crisp rim; a glare that blows out round it fades slowly.
MOST_HALO = 1.33
# Under a broad lamp glints run long and touch: at twice this, density reads a fifth low.
MOST_RADIUS_MM = 5.5
# The same where the scale is unknown, of the longer side, taken to show some 140 mm.
MOST_RADIUS_PERCENT = 4.0
MOST_BLUR_PX = 1.5
LEAST_PAINT_PERCENT = 10.0
LEAST_ROOM_PX = 1.0
FULL = 250
LEAST_ELLIPTIC = 0.92
# Spread so far, a small lamp's image is no longer blown out.
HIDING_BLUR_PX = 3.0
# A share of the photo; a lamp's image that find_highlights misses fills more.
BLOWN_OUT_SPOT = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One thing that a photo needs to be measured.

    Attributes
    ----------
    name
        What is judged.
    value
        Its value in this photo; ``None`` where the photo does not tell.
    limit
        The last value, from above or below, that is good enough.
    unit
        Of both.
    ok
        Whether the photo is good enough; true where it does not tell.
    text
        What was found, in plain words.
    advice
        What to change at the car; empty where nothing needs changing.
    """

    name: str
    value: float | None
    limit: float
    unit: str
    ok: bool
    text: str
    advice: str = ""


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
    clipping = _clipping(100 * float(photo.clipped[judged].mean()))
    if not clipping.ok:
        highlight = None
    # Blur can hide a lamp's image; but what looks blurred without one may just be smooth.
    is_lit = bool(highlights) or photo.clipped.mean() > BLOWN_OUT_SPOT
    spreads_px = blur_px(photo.luminance, highlights) if is_lit else ()
    px_per_mm = None if mm_per_px is None else photo.scale / mm_per_px
    radius = None if highlight is None else 100 * highlight.radius_px / max(paint.shape)
    faults_of_lamp = [
        _blur(spreads_px, scale=photo.scale),
        _count(len(highlights) if clipping.ok else None),
    ]
    if max(spreads_px, default=0.0) < HIDING_BLUR_PX:
        faults_of_lamp.sort(key=lambda condition: condition.value != 0)
    conditions = [
        _size(photo),
        _resolution(px_per_mm),
        _brightness(100 * float(np.median(photo.luminance[::4, ::4][judged[::4, ::4]]))),
        clipping,
        _halo(highlight if radius is not None and radius > largest else None),
        *faults_of_lamp,
        _frame(highlight, photo),
        _radius(radius, limit=largest),
        _paint(100 * share),
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
            cut=bool(is_cut),
        ),
    )  # fmt: skip


def largest_radius_percent(photo: Photo, *, mm_per_px: float | None) -> float:
    """Return the largest good radius of a highlight, in percent of the photo's longer side."""
    if mm_per_px is None:
        return MOST_RADIUS_PERCENT
    return 100 * MOST_RADIUS_MM / mm_per_px / max(photo.width_px, photo.height_px)


def _judged(
    name: str,
    value: float | None,
    *,
    limit: float,
    unit: str,
    ok: bool,
    good: str,
    bad: str,
    advice: str,
) -> Condition:
    return Condition(
        name=name,
        value=value,
        limit=limit,
        unit=unit,
        ok=ok,
        text=good if ok else bad,
        advice="" if ok else advice,
    )


def _size(photo: Photo) -> Condition:
    side = max(photo.width_px, photo.height_px)
    found = f"The photo is {photo.width_px} x {photo.height_px} pixels"
    return _judged(
        "size",
        side,
        limit=LEAST_SIDE_PX,
        unit="px",
        ok=side >= LEAST_SIDE_PX,
        good=f"{found}.",
        bad=f"{found}; its longer side needs at least {LEAST_SIDE_PX}.",
        advice="Use the photo as the camera took it, not a reduced copy.",
    )


def _resolution(px_per_mm: float | None) -> Condition:
    if px_per_mm is None:
        good = bad = "How many pixels show a millimetre is not known without --mm-per-px."
    else:
        good = f"{px_per_mm:.1f} pixels show a millimetre of paint."
        bad = f"Only {good[:-1]}; fine lines need at least {LEAST_PX_PER_MM:.0f}."
    return _judged(
        "resolution",
        px_per_mm,
        limit=LEAST_PX_PER_MM,
        unit="px/mm",
        ok=px_per_mm is None or px_per_mm >= LEAST_PX_PER_MM,
        good=good,
        bad=bad,
        advice="Go nearer, and use the photo at full size.",
    )


def _brightness(percent: float) -> Condition:
    found = f"the paint is at {percent:.1f} % of full light"
    return _judged(
        "brightness",
        percent,
        limit=LEAST_BRIGHTNESS_PERCENT,
        unit="%",
        ok=percent >= LEAST_BRIGHTNESS_PERCENT,
        good=f"Bright enough: {found}.",
        bad=f"Too dark: {found} and needs at least {LEAST_BRIGHTNESS_PERCENT:.0f} %.",
        advice="Raise the exposure, or bring the lamp nearer.",
    )


def _clipping(percent: float) -> Condition:
    found = f"{percent:.0f} % of the paint is as bright as the camera can show"
    return _judged(
        "clipping",
        percent,
        limit=MOST_CLIPPED_PERCENT,
        unit="%",
        ok=percent <= MOST_CLIPPED_PERCENT,
        good=f"Not blown out: {found}.",
        bad=f"Blown out: {found}; at most {MOST_CLIPPED_PERCENT:.0f} % may be.",
        advice="Tap on the paint, lower the exposure and lock it.",
    )


def _halo(large: Highlight | None) -> Condition:
    """Judge the glare round a large highlight; round a small one it takes little ground."""
    reach = None if large is None else large.bloom_px / large.radius_px
    found = "" if reach is None else f"the glare reaches {reach:.2f} times the highlight's radius"
    return _judged(
        "halo",
        reach,
        limit=MOST_HALO,
        unit="radii",
        ok=reach is None or reach <= MOST_HALO,
        good=f"Little glare: {found}." if found else "There is no large highlight to glare.",
        bad=f"Blown out round the highlight: {found}; at most {MOST_HALO} is fine.",
        advice="Lower the exposure until the highlight looks small, and lock it.",
    )


def _count(n: int | None) -> Condition:
    if n == 0:
        bad = (
            "No highlight: the lamp does not mirror in the paint anywhere in the picture, "
            "and it must once."
        )
        advice = "Hold a small lamp so that its mirror image lies well inside the picture."
    else:
        bad = f"{n} highlights: only one lamp may mirror in the paint."
        advice = "Switch off or cover the other lamps, and keep daylight out."
    return _judged(
        "highlights",
        n,
        limit=1,
        unit="",
        ok=n in {1, None},
        good="One lamp mirrors in the paint."
        if n
        else "So much is blown out that no highlight can be told.",
        bad=bad,
        advice=advice,
    )


def frame_room_px(highlight: Highlight, shape: tuple[int, ...]) -> dict[str, float]:
    """Return how far a highlight's rim lies from each side of a picture of that shape (H, W)."""
    height, width = shape
    x, y, radius = highlight.x_px, highlight.y_px, highlight.radius_px
    room = {"left": x, "right": width - 1 - x, "upper": y, "lower": height - 1 - y}
    return {side: max(away - radius, 0.0) for side, away in room.items()}


def _frame(highlight: Highlight | None, photo: Photo) -> Condition:
    if highlight is None:
        room = None
        good = bad = advice = "There is no highlight that the frame could cut."
    else:
        sides = frame_room_px(highlight, photo.luminance.shape)
        side = min(sides, key=lambda name: sides[name])
        # A spot at the rim is rarely round: its radius alone may leave a gap.
        room = 0.0 if highlight.cut else sides[side] / photo.scale
        good = f"The highlight lies whole in the picture, {room:.0f} px from its {side} side."
        bad = (
            f"The picture's {side} side cuts the highlight: {room:.0f} px lie between them; "
            f"at least {LEAST_ROOM_PX:.0f} px is needed, and more is better."
        )
        turn = {"left": "to the left", "right": "to the right", "upper": "up", "lower": "down"}
        advice = f"Turn the camera {turn[side]} until the highlight lies well inside."
    return _judged(
        "frame",
        room,
        limit=LEAST_ROOM_PX,
        unit="px",
        ok=highlight is None or not highlight.cut,
        good=good,
        bad=bad,
        advice=advice,
    )


def _blur(spreads_px: tuple[float, ...], *, scale: float) -> Condition:
    worst = max(spreads_px, default=None)
    limit = MOST_BLUR_PX / scale
    found = "" if worst is None else f"thin lines spread by {worst / scale:.1f} px"
    # What is sharp in one direction only has moved in the other.
    moved = min(spreads_px, default=0.0) <= MOST_BLUR_PX
    return _judged(
        "blur",
        None if worst is None else worst / scale,
        limit=limit,
        unit="px",
        ok=worst is None or worst <= MOST_BLUR_PX,
        good=f"Sharp: {found}." if found else "Nothing in the picture shows how sharp it is.",
        bad=f"Blurred: {found}; at most {limit:.1f} px is fine.",
        advice="The camera moved: rest it on something, and use the self-timer."
        if moved
        else "Tap on the paint to focus, wipe the lens, and stand no nearer than it can focus.",
    )


def _radius(percent: float | None, *, limit: float) -> Condition:
    found = "" if percent is None else f"its mirror image has a radius of {percent:.1f} %"
    return _judged(
        "highlight_radius",
        percent,
        limit=limit,
        unit="%",
        ok=percent is None or percent <= limit,
        good=f"The lamp is small enough: {found} of the picture's longer side."
        if found
        else "There is no highlight whose size could be judged.",
        bad=f"The lamp is too broad: {found} of the picture's longer side; "
        f"at most {limit:.1f} % is fine.",
        advice="Use a smaller lamp, or hold it further away.",
    )


def _paint(percent: float) -> Condition:
    found = f"bare paint fills {percent:.0f} % of the picture"
    return _judged(
        "paint",
        percent,
        limit=LEAST_PAINT_PERCENT,
        unit="%",
        ok=percent >= LEAST_PAINT_PERCENT,
        good=f"Paint enough: {found}.",
        bad=f"Too little paint: {found}; at least {LEAST_PAINT_PERCENT:.0f} % is needed.",
        advice="Point the camera at the paint, with the highlight away from edges and trim.",
    )
