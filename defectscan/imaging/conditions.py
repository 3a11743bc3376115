"""What a photo needs to be measured, condition by condition, each with what to change."""

from dataclasses import dataclass

from defectscan.imaging.highlight import Highlight
from defectscan.imaging.photo import Photo

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
# A clip with fewer frames to measure is not worth filming.
LEAST_FRAMES = 3


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


def _apart(value: float, limit: float, *, digits: int) -> tuple[str, str]:
    """Write a value and its limit, with further digits where rounding makes them the same."""
    while value != limit and f"{value:.{digits}f}" == f"{limit:.{digits}f}":
        digits += 1
    return f"{value:.{digits}f}", f"{float(f'{limit:.{digits}f}'):.15g}"


def size_of(photo: Photo) -> Condition:
    """Judge how many pixels the photo has."""
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


def resolution_of(px_per_mm: float | None, *, scale: float) -> Condition:
    """Judge how many pixels of the photo itself show a millimetre.

    Parameters
    ----------
    px_per_mm
        Of the photo itself, if known.
    scale
        Working pixels per photo pixel: what counts is how many of those show a millimetre.
    """
    limit = LEAST_PX_PER_MM / scale
    if px_per_mm is None:
        good = bad = (
            "How many pixels show a millimetre is not known without a scale card or --mm-per-px "
            "for this photo."
        )
    else:
        good = f"{px_per_mm:.1f} pixels show a millimetre of paint."
        found, least = _apart(px_per_mm, limit, digits=1)
        where = " in a photo of this size" if scale < 1 else ""
        bad = (
            f"Only {found} pixels show a millimetre of paint; fine lines need at least "
            f"{least}{where}."
        )
    return _judged(
        "resolution",
        px_per_mm,
        limit=limit,
        unit="px/mm",
        ok=px_per_mm is None or px_per_mm >= limit,
        good=good,
        bad=bad,
        # One that was reduced to be measured has more pixels than are of use.
        advice="Go nearer, and use the photo at full size." if scale == 1 else "Go nearer.",
    )


def brightness_of(percent: float) -> Condition:
    """Judge how bright the paint is, in percent of full light."""
    found, least = _apart(percent, LEAST_BRIGHTNESS_PERCENT, digits=1)
    return _judged(
        "brightness",
        percent,
        limit=LEAST_BRIGHTNESS_PERCENT,
        unit="%",
        ok=percent >= LEAST_BRIGHTNESS_PERCENT,
        good=f"Bright enough: the paint is at {percent:.1f} % of full light.",
        bad=f"Too dark: the paint is at {found} % of full light and needs at least {least} %.",
        advice="Raise the exposure, or bring the lamp nearer.",
    )


def clipping_of(percent: float) -> Condition:
    """Judge how much of the paint is blown out, in percent."""
    found, most = _apart(percent, MOST_CLIPPED_PERCENT, digits=0)
    blown_out = "% of the paint is as bright as the camera can show"
    return _judged(
        "clipping",
        percent,
        limit=MOST_CLIPPED_PERCENT,
        unit="%",
        ok=percent <= MOST_CLIPPED_PERCENT,
        good=f"Not blown out: {percent:.0f} {blown_out}.",
        bad=f"Blown out: {found} {blown_out}; at most {most} % may be.",
        advice="Tap on the paint, lower the exposure and lock it.",
    )


def halo_of(large: Highlight | None) -> Condition:
    """Judge the glare round a large highlight; round a small one it takes little ground."""
    reach = None if large is None else large.bloom_px / large.radius_px
    good = "There is no large highlight to glare."
    bad = ""
    if reach is not None:
        found, most = _apart(reach, MOST_HALO, digits=2)
        good = f"Little glare: the glare reaches {reach:.2f} times the highlight's radius."
        bad = (
            f"Blown out round the highlight: the glare reaches {found} times the highlight's "
            f"radius; at most {most} is fine."
        )
    return _judged(
        "halo",
        reach,
        limit=MOST_HALO,
        unit="radii",
        ok=reach is None or reach <= MOST_HALO,
        good=good,
        bad=bad,
        advice="Lower the exposure until the highlight looks small, and lock it.",
    )


def number_of_lamps(n: int | None) -> Condition:
    """Judge how many highlights there are; `None` where the photo does not tell."""
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
    left, top, right, bottom = highlight.reach_px
    room = {"left": left, "right": width - 1 - right, "upper": top, "lower": height - 1 - bottom}
    return {side: max(away, 0.0) for side, away in room.items()}


def room_in_frame(highlight: Highlight | None, photo: Photo) -> Condition:
    """Judge how far the highlight lies from the photo's sides."""
    if highlight is None:
        room = None
        good = bad = advice = "There is no highlight that the frame could cut."
    else:
        sides = frame_room_px(highlight, photo.luminance.shape)
        side = min(sides, key=lambda name: sides[name])
        # As `cut` has it, a spot that ends a pixel off the rim may go on beyond it.
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


def blur_of(spreads_px: tuple[float, ...], *, scale: float) -> Condition:
    """Judge how far thin lines spread, in working pixels."""
    worst = max(spreads_px, default=None)
    limit = MOST_BLUR_PX / scale
    good = "Nothing in the picture shows how sharp it is."
    bad = ""
    if worst is not None:
        found, most = _apart(worst / scale, limit, digits=2)
        good = f"Sharp: thin lines spread by {worst / scale:.2f} px."
        bad = f"Blurred: thin lines spread by {found} px; at most {most} px is fine."
    # What is sharp in one direction only has moved in the other.
    moved = min(spreads_px, default=0.0) <= MOST_BLUR_PX
    return _judged(
        "blur",
        None if worst is None else worst / scale,
        limit=limit,
        unit="px",
        ok=worst is None or worst <= MOST_BLUR_PX,
        good=good,
        bad=bad,
        advice="The camera moved: rest it on something, and use the self-timer."
        if moved
        else "Tap on the paint to focus, wipe the lens, and stand no nearer than it can focus.",
    )


def lamp_radius(percent: float | None, *, limit: float) -> Condition:
    """Judge how large the lamp's image is, in percent of the longer side."""
    good = "There is no highlight whose size could be judged."
    bad = ""
    if percent is not None:
        found, most = _apart(percent, limit, digits=1)
        side = "of the picture's longer side"
        good = f"The lamp is small enough: its mirror image has a radius of {percent:.1f} % {side}."
        bad = (
            f"The lamp is too broad: its mirror image has a radius of {found} % {side}; at most "
            f"{most} % is fine."
        )
    return _judged(
        "highlight_radius",
        percent,
        limit=limit,
        unit="%",
        ok=percent is None or percent <= limit,
        good=good,
        bad=bad,
        advice="Use a smaller lamp, or hold it further away, its highlight off tape and trim.",
    )


def paint_in_view(percent: float) -> Condition:
    """Judge how much of the photo is bare paint, in percent."""
    found, least = _apart(percent, LEAST_PAINT_PERCENT, digits=0)
    return _judged(
        "paint",
        percent,
        limit=LEAST_PAINT_PERCENT,
        unit="%",
        ok=percent >= LEAST_PAINT_PERCENT,
        good=f"Paint enough: bare paint fills {percent:.0f} % of the picture.",
        bad=f"Too little paint: bare paint fills {found} % of the picture; at least {least} % is "
        "needed.",
        advice="Point the camera at the paint, with the highlight away from edges and trim.",
    )


def places_in_clip(n: int) -> Condition:
    """Judge in how many places a clip shows the highlight, with a frame chosen for each."""
    many = "place" if n == 1 else "places"
    return _judged(
        "frames",
        n,
        limit=LEAST_FRAMES,
        unit="",
        ok=n >= LEAST_FRAMES,
        good=f"The highlight lies in {n} places.",
        bad=f"The highlight lies in too few places: in {n} {many}, and at least {LEAST_FRAMES} "
        "are needed.",
        advice="Draw the lamp slowly over the panel for 5 to 15 s, and let it rest here and there.",
    )
