"""Tell whether a photo can be measured, and what to change at the car where it cannot."""

from dataclasses import dataclass

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
# The glint radius is about the highlight's: from here on lines stop being rare and short.
MOST_RADIUS_PERCENT = 3.0
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
SHAKEN = 1.5


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
        The value from which on the photo is good enough.
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
    share = _paint_share(paint, highlight)
    if 100 * share < LEAST_PAINT_PERCENT:
        paint = np.ones_like(paint)
    lamp = [_count(highlights), _frame(highlight, photo)]
    blur = _blur(blur_px(photo.luminance, highlights), scale=photo.scale)
    # Blur can hide a lamp's image, but what is blurred without one may just be smooth.
    blurred_lamp = photo.clipped.mean() > BLOWN_OUT_SPOT
    conditions = [
        _size(photo),
        _resolution(None if mm_per_px is None else photo.scale / mm_per_px),
        _brightness(100 * float(np.median(photo.luminance[::4, ::4][paint[::4, ::4]]))),
        _clipping(100 * float(photo.clipped[paint].mean())),
        _halo(highlight, photo),
        *([blur, *lamp] if blurred_lamp else [*lamp, blur]),
        _radius(highlight, photo),
        _paint(100 * share),
    ]
    return tuple(sorted(conditions, key=lambda condition: condition.ok))


def _size(photo: Photo) -> Condition:
    side = max(photo.width_px, photo.height_px)
    ok = side >= LEAST_SIDE_PX
    return Condition(
        name="size",
        value=side,
        limit=LEAST_SIDE_PX,
        unit="px",
        ok=ok,
        text=f"The photo is {photo.width_px} x {photo.height_px} pixels"
        + ("." if ok else f"; its longer side needs {LEAST_SIDE_PX} at least."),
        advice="" if ok else "Use the photo as the camera took it, not a reduced copy.",
    )


def _resolution(px_per_mm: float | None) -> Condition:
    ok = px_per_mm is None or px_per_mm >= LEAST_PX_PER_MM
    if px_per_mm is None:
        text = "How many pixels show a millimetre is not known without --mm-per-px."
    elif ok:
        text = f"{px_per_mm:.1f} pixels show a millimetre of paint."
    else:
        text = (
            f"Only {px_per_mm:.1f} pixels show a millimetre of paint; fine lines need "
            f"{LEAST_PX_PER_MM:.0f}."
        )
    return Condition(
        name="resolution",
        value=px_per_mm,
        limit=LEAST_PX_PER_MM,
        unit="px/mm",
        ok=ok,
        text=text,
        advice="" if ok else "Go nearer, and use the photo at full size.",
    )


def _brightness(percent: float) -> Condition:
    ok = percent >= LEAST_BRIGHTNESS_PERCENT
    found = f"{percent:.1f} % of full light"
    return Condition(
        name="brightness",
        value=percent,
        limit=LEAST_BRIGHTNESS_PERCENT,
        unit="%",
        ok=ok,
        text=f"The paint has {found}."
        if ok
        else f"Too dark: the paint has {found}; {LEAST_BRIGHTNESS_PERCENT:.0f} % are needed.",
        advice="" if ok else "Tap on the paint and raise the exposure, or bring the lamp nearer.",
    )


def _clipping(percent: float) -> Condition:
    ok = percent <= MOST_CLIPPED_PERCENT
    return Condition(
        name="clipping",
        value=percent,
        limit=MOST_CLIPPED_PERCENT,
        unit="%",
        ok=ok,
        text=f"{percent:.1f} % of the paint is blown out."
        if ok
        else f"Blown out: {percent:.0f} % of the paint is pure white or at full colour; "
        f"{MOST_CLIPPED_PERCENT:.0f} % at most can be.",
        advice="" if ok else "Tap on the paint and lower the exposure, then lock it.",
    )


def _halo(highlight: Highlight | None, photo: Photo) -> Condition:
    """Judge the glare round a large highlight; round a small one it takes little ground."""
    value = None
    ok = True
    text = "Glare round the highlight takes little ground."
    if highlight is None:
        text = "There is no highlight whose glare could be judged."
    elif _radius_percent(highlight, photo) > MOST_RADIUS_PERCENT:
        value = highlight.bloom_px / highlight.radius_px
        ok = value <= MOST_HALO
        text = f"The glare round the highlight reaches {value:.2f} times its radius."
        if not ok:
            text = (
                f"Blown out round the highlight: the glare reaches {value:.2f} times its radius; "
                f"{MOST_HALO} at most can be."
            )
    return Condition(
        name="halo",
        value=value,
        limit=MOST_HALO,
        unit="radii",
        ok=ok,
        text=text,
        advice="" if ok else "Lower the exposure until the highlight is small, then lock it.",
    )


def _count(highlights: tuple[Highlight, ...]) -> Condition:
    n = len(highlights)
    text, advice = "There is one highlight.", ""
    if n == 0:
        text = "There is no highlight: the lamp does not mirror in the paint of this picture."
        advice = "Hold a small lamp beside the camera so that its mirror image is in the picture."
    elif n > 1:
        text = f"There are {n} highlights; only one lamp may mirror in the paint."
        advice = "Switch off or cover the other lamps, and close the door to daylight."
    return Condition(
        name="highlights", value=n, limit=1, unit="", ok=n == 1, text=text, advice=advice
    )


def _frame(highlight: Highlight | None, photo: Photo) -> Condition:
    value, ok = None, True
    text = "There is no highlight that the frame could cut."
    if highlight is not None:
        height, width = photo.luminance.shape
        x, y = highlight.x_px, highlight.y_px
        middle = min(x, y, width - 1 - x, height - 1 - y)
        value, ok = (middle - highlight.radius_px) / photo.scale, not highlight.cut
        text = "The highlight lies inside the picture." if ok else "The frame cuts the highlight."
    return Condition(
        name="frame",
        value=value,
        limit=0.0,
        unit="px",
        ok=ok,
        text=text,
        advice="" if ok else "Turn the camera until the highlight lies well inside the picture.",
    )


def _blur(along: tuple[float, ...], *, scale: float) -> Condition:
    limit = MOST_BLUR_PX / scale
    if not along:
        return Condition(
            name="blur",
            value=None,
            limit=limit,
            unit="px",
            ok=True,
            text="Nothing in the picture is fine enough to judge its sharpness by.",
        )
    worst, best = max(along), min(along)
    ok = worst <= MOST_BLUR_PX
    found = f"fine lines spread by {worst / scale:.1f} px"
    advice = ""
    if not ok:
        shaken = worst > SHAKEN * best
        advice = (
            "The camera moved: brace it or use the self-timer."
            if shaken
            else "Tap on the paint to focus, wipe the lens, and do not go nearer than it can focus."
        )
    return Condition(
        name="blur",
        value=worst / scale,
        limit=limit,
        unit="px",
        ok=ok,
        text=f"Sharp: {found}." if ok else f"Blurred: {found}; {limit:.1f} px at most can be.",
        advice=advice,
    )


def _radius(highlight: Highlight | None, photo: Photo) -> Condition:
    value, ok = None, True
    text = "There is no highlight whose size could be judged."
    if highlight is not None:
        value = _radius_percent(highlight, photo)
        ok = value <= MOST_RADIUS_PERCENT
        found = f"the highlight's radius is {value:.1f} % of the picture's longer side"
        text = f"{found[0].upper()}{found[1:]}."
        if not ok:
            text = f"The lamp is too broad: {found}; {MOST_RADIUS_PERCENT:.0f} % at most can be."
    return Condition(
        name="highlight_radius",
        value=value,
        limit=MOST_RADIUS_PERCENT,
        unit="%",
        ok=ok,
        text=text,
        advice="" if ok else "Use a smaller lamp, or hold it further away.",
    )


def _radius_percent(highlight: Highlight, photo: Photo) -> float:
    return 100 * highlight.radius_px / max(photo.luminance.shape)


def _paint(percent: float) -> Condition:
    ok = percent >= LEAST_PAINT_PERCENT
    found = f"bare paint fills {percent:.0f} % of the picture"
    return Condition(
        name="paint",
        value=percent,
        limit=LEAST_PAINT_PERCENT,
        unit="%",
        ok=ok,
        text=f"{found[0].upper()}{found[1:]}."
        if ok
        else f"Too little paint: {found}; {LEAST_PAINT_PERCENT:.0f} % are needed.",
        advice="" if ok else "Point the camera at the paint, the highlight away from edge and trim.",
    )


def _paint_share(paint: Mask, highlight: Highlight | None) -> float:
    """Return the share of the picture that is bare paint outside the bloom."""
    covered = 0.0
    if highlight is not None:
        left, right = (int(max(highlight.x_px + s * highlight.bloom_px, 0)) for s in (-1, 1))
        top, bottom = (int(max(highlight.y_px + s * highlight.bloom_px, 0)) for s in (-1, 1))
        covered = np.pi / 4 * float(paint[top : bottom + 1, left : right + 1].sum())
    return (float(paint.sum()) - covered) / paint.size


def blur_px(luminance: Image, highlights: tuple[Highlight, ...]) -> tuple[float, ...]:
    """Measure how far fine things are spread, in each direction that shows some.

    The energy of gradients is compared at three scales, tile by tile, above the noise. Across a
    line of standard deviation a, smoothed with s, it goes with (a² + s²)^(-3/2) whatever the
    line's contrast; so the ratio at two scales gives a. Tiles are sorted by the direction in
    which light changes, as shake blurs one direction only, and of each direction the sharper
    part counts: not all in a picture needs to be fine.

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
    half = cv2.resize(detail, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    fine = _gradient_energy(detail, TILE_PX)
    middle = _gradient_energy(cv2.GaussianBlur(detail, (0, 0), MIDDLE_SD_PX), TILE_PX)
    coarse = _gradient_energy(cv2.GaussianBlur(half, (0, 0), MIDDLE_SD_PX), TILE_PX // 2)
    rows, columns = np.minimum(fine.shape[1:], coarse.shape[1:])
    energy = np.stack([e[:, :rows, :columns] for e in (fine, middle, coarse)])
    brightness = _tile_means(luminance / background, TILE_PX)[:rows, :columns]
    seen = np.ones((rows, columns), dtype=bool)
    y, x = (np.mgrid[:rows, :columns] + 0.5) * TILE_PX
    for spot in highlights:
        seen &= np.hypot(x - spot.x_px, y - spot.y_px) > 2.5 * spot.bloom_px + TILE_PX
    if not seen.any():
        return ()
    xx, yy, xy = energy[:, :, seen].swapaxes(0, 1)
    brightness = np.maximum(brightness[seen], 0.1)
    # Most tiles hold nothing: their energy is the noise.
    noise = np.quantile((xx + yy) / 2 / brightness, 0.25, axis=1)[:, None] * brightness
    direction = np.arctan2(2 * xy[2], xx[2] - yy[2]) / 2
    cos, sin = np.cos(direction), np.sin(direction)
    fine_energy, *coarser = xx * cos**2 + yy * sin**2 + 2 * xy * cos * sin - noise
    telling = (coarser[0] > LEAST_DETAIL * noise[0]) & np.all(coarser > 3 * noise[1:], axis=0)
    ratio = fine_energy[telling] / coarser[0][telling]
    sector = np.round(direction[telling] / np.pi * N_DIRECTIONS).astype(int) % N_DIRECTIONS
    ratios = [ratio[sector == number] for number in range(N_DIRECTIONS)]
    return tuple(
        _line_spread(float(np.quantile(some, 0.75))) for some in ratios if len(some) >= LEAST_TILES
    )


def _gradient_energy(image: Image, tile_px: int) -> Floats:
    """Return the tile means of gx², gy² and gx·gy, shape (3, rows, columns)."""
    across, down = (cv2.Sobel(image, cv2.CV_32F, 1 - i, i, scale=TILE_PX / tile_px) for i in (0, 1))
    products = (across * across, down * down, across * down)
    return np.stack([_tile_means(product, tile_px) for product in products])


def _tile_means(image: Image, tile_px: int) -> Floats:
    rows, columns = (side // tile_px for side in image.shape)
    whole = np.ascontiguousarray(image[: rows * tile_px, : columns * tile_px])
    means = cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA)
    return means.astype(np.float64)


def _line_spread(ratio: float) -> float:
    """Return the standard deviation of a line from its energies at the two finer scales."""
    fine, middle = SOBEL_VARIANCE_PX2, SOBEL_VARIANCE_PX2 + MIDDLE_SD_PX**2
    steep = max(ratio, 1.0) ** (2 / 3)
    most = WIDEST_BLUR_PX
    if steep * (most**2 + fine) <= most**2 + middle:
        return most
    return float(np.sqrt(max(middle - steep * fine, 0.0) / (steep - 1)))
