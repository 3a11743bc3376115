"""Tell whether a photo can be measured, and what to change at the car where it cannot."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.imaging.highlight import Highlight, find_highlights
from defectscan.imaging.paint import background_luminance, paint_mask
from defectscan.imaging.photo import Photo

Image = NDArray[np.float32]
Floats = NDArray[np.float64]
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
# A share of the photo; a lamp's image that find_highlights misses fills more.
BLOWN_OUT_SPOT = 1e-4

TILE_PX = 16
MIDDLE_SD_PX = 1.9
# Variance of the smoothing in a Sobel filter itself.
SOBEL_VARIANCE_PX2 = 0.45
LEAST_DETAIL = 0.3
N_DIRECTIONS = 6
LEAST_TILES = 10
WIDEST_BLUR_PX = 8.0


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


def problems(conditions: tuple[Condition, ...]) -> tuple[Condition, ...]:
    """Return the conditions that are not met, the worst first."""
    return tuple(condition for condition in conditions if not condition.ok)


def check_photo(photo: Photo, *, mm_per_px: float | None) -> tuple[Condition, ...]:
    """Judge a photo by all that measuring needs.

    Each condition can be the cause of those after it: no highlight is found where all is blown
    out. So the first that is not met is what to change first.

    Parameters
    ----------
    photo
        As it is to be measured, reduced where that is.
    mm_per_px
        Millimetres per pixel of the photo itself, if known.

    Returns
    -------
    tuple of Condition
        All conditions, those that are not met first.
    """
    highlights = find_highlights(photo.luminance, photo.clipped)
    highlight = highlights[0] if highlights else None
    paint = paint_mask(photo.rgb, highlight)
    bloom_px2 = 0.0 if highlight is None else np.pi * highlight.bloom_px**2
    share = max(float(paint.sum()) - bloom_px2, 0.0) / paint.size
    if 100 * share < LEAST_PAINT_PERCENT:
        paint = np.ones_like(paint)
    clipping = _clipping(100 * float(photo.clipped[paint].mean()))
    if not clipping.ok:
        highlight = None
    # Blur can hide a lamp's image; but what looks blurred without one may just be smooth.
    is_lit = bool(highlights) or photo.clipped.mean() > BLOWN_OUT_SPOT
    spreads_px = blur_px(photo.luminance, highlights) if is_lit else ()
    px_per_mm = None if mm_per_px is None else photo.scale / mm_per_px
    side_px = max(photo.luminance.shape)
    largest = (
        MOST_RADIUS_PERCENT if px_per_mm is None else 100 * MOST_RADIUS_MM * px_per_mm / side_px
    )
    radius = None if highlight is None else 100 * highlight.radius_px / side_px
    conditions = [
        _size(photo),
        _resolution(px_per_mm),
        _brightness(100 * float(np.median(photo.luminance[::4, ::4][paint[::4, ::4]]))),
        clipping,
        _halo(highlight if radius is not None and radius > largest else None),
        _blur(spreads_px, scale=photo.scale),
        _count(len(highlights) if clipping.ok else None),
        _frame(highlight, photo),
        _radius(radius, limit=largest),
        _paint(100 * share),
    ]
    return tuple(sorted(conditions, key=lambda condition: condition.ok))


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
        bad = "No highlight: the lamp does not mirror in the paint anywhere in the picture."
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


def _frame(highlight: Highlight | None, photo: Photo) -> Condition:
    inside = None
    good = "There is no highlight that the frame could cut."
    if highlight is not None:
        height, width = photo.luminance.shape
        x, y = highlight.x_px, highlight.y_px
        inside = min(x, y, width - 1 - x, height - 1 - y) - highlight.radius_px
        good = "The highlight lies whole in the picture."
    return _judged(
        "frame",
        None if inside is None else inside / photo.scale,
        limit=0.0,
        unit="px",
        ok=highlight is None or not highlight.cut,
        good=good,
        bad="The frame cuts the highlight.",
        advice="Turn the camera until the highlight lies well inside the picture.",
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


def blur_px(luminance: Image, highlights: tuple[Highlight, ...]) -> tuple[float, ...]:
    """Measure how far fine things are spread, in each direction that shows some.

    The energy of gradients is compared at two scales, tile by tile, above the noise. Across a
    line of standard deviation a, smoothed with s, it goes with (a² + s²)^(-3/2) whatever the
    line's contrast; so the ratio gives a. Tiles are sorted by the direction in which light
    changes, as shake blurs one direction only, and of each direction the sharper part counts:
    not all in a picture needs to be fine.

    Parameters
    ----------
    luminance
        Linear luminance, shape (H, W).
    highlights
        Left out, with their bloom.

    Returns
    -------
    tuple of float
        Standard deviations, working pixels; empty where nothing is fine enough to tell.
    """
    background = background_luminance(luminance)
    # Photon noise grows with the root of the light: so it is the same everywhere.
    detail = (luminance - background) / np.sqrt(background)
    fine = _gradient_energy(detail)
    middle = _gradient_energy(cv2.GaussianBlur(detail, (0, 0), MIDDLE_SD_PX))
    y, x = (np.mgrid[: fine.shape[1], : fine.shape[2]] + 0.5) * TILE_PX
    seen = np.ones(x.shape, dtype=bool)
    for spot in highlights:
        seen &= np.hypot(x - spot.x_px, y - spot.y_px) > 2.5 * spot.bloom_px + TILE_PX
    if not seen.any():
        return ()
    xx, yy, xy = np.stack([fine[:, seen], middle[:, seen]], axis=1)
    brightness = np.maximum(_tile_means(luminance / background)[seen], 0.1)
    # Most tiles hold nothing: their energy is the noise.
    noise = np.quantile((xx + yy) / 2 / brightness, 0.25, axis=1)[:, None] * brightness
    direction = np.arctan2(2 * xy[1], xx[1] - yy[1]) / 2
    cos, sin = np.cos(direction), np.sin(direction)
    sharp, soft = xx * cos**2 + yy * sin**2 + 2 * xy * cos * sin - noise
    telling = (soft > LEAST_DETAIL * noise[0]) & (soft > 3 * noise[1])
    ratio = sharp[telling] / soft[telling]
    sector = np.round(direction[telling] / np.pi * N_DIRECTIONS).astype(int) % N_DIRECTIONS
    ratios = [ratio[sector == number] for number in range(N_DIRECTIONS)]
    return tuple(
        _line_spread(float(np.quantile(some, 0.75))) for some in ratios if len(some) >= LEAST_TILES
    )


def _gradient_energy(image: NDArray[Any]) -> Floats:
    """Return the tile means of gx², gy² and gx·gy, shape (3, rows, columns)."""
    across = cv2.Sobel(image, cv2.CV_32F, 1, 0)
    down = cv2.Sobel(image, cv2.CV_32F, 0, 1)
    return np.stack([_tile_means(part) for part in (across**2, down**2, across * down)])


def _tile_means(image: NDArray[Any]) -> Floats:
    rows, columns = (side // TILE_PX for side in image.shape)
    whole = np.ascontiguousarray(image[: rows * TILE_PX, : columns * TILE_PX])
    means = cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA)
    return means.astype(np.float64)


def _line_spread(ratio: float) -> float:
    """Return the standard deviation of a line from its energies at the two scales."""
    fine, middle = SOBEL_VARIANCE_PX2, SOBEL_VARIANCE_PX2 + MIDDLE_SD_PX**2
    steep = max(ratio, 1.0) ** (2 / 3)
    most = WIDEST_BLUR_PX
    if steep * (most**2 + fine) <= most**2 + middle:
        return most
    return float(np.sqrt(max(middle - steep * fine, 0.0) / (steep - 1)))
