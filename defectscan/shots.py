"""One photo: see its lines, learn its lamp."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.errors import NotMeasurableError
from defectscan.flags import Flag
from defectscan.imaging.card import Card, find_card
from defectscan.imaging.conditions import largest_radius_percent
from defectscan.imaging.highlight import Highlight, find_highlights
from defectscan.imaging.paint import background_luminance, paint_mask
from defectscan.imaging.photo import Photo
from defectscan.measurement import kinds as kinds_of
from defectscan.measurement.glint import Glint, circles, cross_angle_deg, fit_glint
from defectscan.measurement.lines import Lines, trace_lines
from defectscan.measurement.ridges import find_ridges
from defectscan.measurement.state import MeasuredShot
from defectscan.measurement.window import Shot

Floats = NDArray[Any]
Mask = NDArray[np.bool_]

WORKING_SIDE_PX = 2000
FEW_LINES = 12
MANY_LINES = 40
ZONE_FROM_BLOOM = 1.6
LEAST_ZONE_SHARE = 0.05
SPARKLE_SHARE = 0.3
CARD_STEP_PX = 40
MOST_REACH_SHARE = 0.06
MOST_CARD_ERROR = 0.01
MOST_ZOOM = 1.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sighting:
    """What one photo shows by itself, before anything is known of lamp and panel.

    Attributes
    ----------
    photo, highlight
        What was read and where the lamp is mirrored; no highlight in an as-seen score.
    zone
        Shape (H, W): bare paint outside the bloom, working pixels.
    lines
        In the zone.
    noise
        Median noise of ridge contrast in the zone.
    haze
        Glow near the highlight over the paint far off, by sectors.
    card
        The scale card, if it is in the picture.
    """

    photo: Photo
    highlight: Highlight | None
    card: Card | None
    zone: Mask
    lines: Lines
    noise: float
    haze: Floats


def look(photo: Photo, *, as_seen: bool = False, card_mm: float | None = None) -> Sighting:
    """Find highlight, scale card, paint and lines in one photo.

    Parameters
    ----------
    photo
        As read.
    as_seen
        Look at all paint, whether there is a highlight or not.
    card_mm
        Length that the user measured of the scale card's ruler.

    Raises
    ------
    NotMeasurableError
        If there is no single highlight in the photo, or no paint round it.
    """
    luminance = photo.luminance
    highlight = None if as_seen else _the_highlight(photo)
    background = background_luminance(luminance)
    zone = paint_mask(photo.rgb, highlight)
    card = find_card(luminance, card_mm=card_mm)
    if card is not None:
        zone &= ~card.mask(zone.shape)
    if highlight is not None:
        zone &= ~bloom_disc(highlight, zone.shape)
    if zone.sum() < LEAST_ZONE_SHARE * zone.size:
        raise NotMeasurableError(
            f"{photo.name}: bare paint fills {100 * zone.mean():.1f} % of the photo",
            allowed=f"at least {100 * LEAST_ZONE_SHARE:.0f} % round the highlight is needed",
            remedy="go nearer or point the camera at the paint",
        )
    ridges = find_ridges(luminance, background, measured=zone)
    return Sighting(
        photo=photo,
        highlight=highlight,
        card=card,
        zone=zone,
        lines=trace_lines(ridges, measured=zone),
        noise=ridges.typical_noise(zone),
        haze=np.zeros(0) if highlight is None else kinds_of.haze_glow(background, zone, highlight),
    )


def measure(sighting: Sighting, *, mm_per_px: float | None, like: Glint | None) -> MeasuredShot:
    """Learn the glint geometry from what a photo shows, and set deep scratches apart.

    Parameters
    ----------
    sighting
        From `look`.
    mm_per_px
        Millimetres per pixel of the photo itself, if known; a card in the picture tells better.
    like
        Glint geometry of another shot of the same panel.

    Raises
    ------
    NotMeasurableError
        If the lines do not lie round the highlight as one small lamp shows them.
    """
    photo, highlight, lines = sighting.photo, sighting.highlight, sighting.lines
    scale, scale_error = None if mm_per_px is None else mm_per_px / photo.scale, 0.0
    flags = processing_doubts(photo)
    if sighting.card is not None:
        places = _places(sighting.zone)
        scale, scale_error, fit_error = sighting.card.mean_mm_per_px(places)
        flags += card_doubts(sighting.card, fit_error=fit_error)
    if highlight is None:
        glint = circles(np.zeros(2))
        deep = np.zeros(lines.n, dtype=bool)
        flags.append(Flag.AS_SEEN)
    else:
        if highlight.cut:
            flags.append(Flag.HIGHLIGHT_CUT)
        own_mm_per_px = None if scale is None else scale * photo.scale
        radius_percent = 100 * highlight.radius_px / max(sighting.zone.shape)
        if radius_percent > largest_radius_percent(photo, mm_per_px=own_mm_per_px):
            flags.append(Flag.BROAD_HIGHLIGHT)
        glint = fit_glint(
            lines,
            np.array([highlight.x_px, highlight.y_px]),
            least_radius_px=1.5 * ZONE_FROM_BLOOM * highlight.bloom_px,
            scale_px=max(sighting.zone.shape) / 2,
            usual_reach_px=highlight.radius_px,
            like=like,
        )
        most_px = MOST_REACH_SHARE * max(sighting.zone.shape)
        # Fewer may be false ones, on a panel without a groove.
        if lines.n >= MANY_LINES and glint.reach_px > most_px:
            raise off_the_rings(
                photo,
                glint.reach_px,
                allowed=f"{most_px:.0f} px, as for a small lamp",
                remedy="use one small lamp, and cover white tape and whatever else shines brightly",
            )
        if glint.assumed:
            flags.append(Flag.ODD_GEOMETRY)
        deep = kinds_of.deep_scratches(lines, glint)
        crosswise = lines.total(cross_angle_deg(glint, lines)) / np.maximum(
            lines.total(np.ones(len(lines.line))), 1
        )
        if lines.n and np.mean(crosswise[~deep] > 60) > SPARKLE_SHARE:
            flags.append(Flag.SPARKLE)
        if lines.n < FEW_LINES:
            flags.append(Flag.FEW_LINES)
    return MeasuredShot(
        photo=photo,
        highlight=highlight,
        shot=Shot(
            lines=lines.of(~deep),
            zone=sighting.zone,
            glint=glint,
            mm_per_px=scale,
            scale_error=scale_error,
        ),
        scratches=lines.of(deep),
        noise=sighting.noise,
        haze=sighting.haze,
        card=sighting.card,
        flags=tuple(flags),
    )


def off_the_rings(
    photo: Photo, reach_px: float, *, allowed: str, remedy: str
) -> NotMeasurableError:
    """Word the error that a photo's lines lie too far off the rings that a lamp would show."""
    what = f"{photo.name}: the lines lie up to {reach_px:.0f} px off the rings round the highlight"
    return NotMeasurableError(what, allowed=allowed, remedy=remedy)


def processing_doubts(photo: Photo) -> list[Flag]:
    """Return what the camera's processing makes doubtful, by the photo's own account.

    Parameters
    ----------
    photo
        As read.
    """
    traces = {
        Flag.MERGED: photo.processing.merged,
        Flag.PORTRAIT: photo.processing.portrait,
        Flag.SHARPENED: photo.processing.sharpened,
        Flag.ZOOMED: (photo.exposure.digital_zoom or 1.0) > MOST_ZOOM,
    }
    return [flag for flag, found in traces.items() if found]


def card_doubts(card: Card, *, fit_error: float = 0.0) -> list[Flag]:
    """Return what makes a scale card's word doubtful.

    Parameters
    ----------
    card
        As found.
    fit_error
        Relative standard error of the scale where it is used, from the fit.
    """
    flags = []
    if card.printed_wrong:
        flags.append(Flag.CARD_SIZE)
    if max(fit_error, card.fit_standard_error / card.mm_per_px) > MOST_CARD_ERROR:
        flags.append(Flag.CARD_UNSURE)
    return flags


def _places(zone: Mask) -> Floats:
    """Return places all over a zone, working pixels, shape (n, 2)."""
    y, x = np.nonzero(zone[::CARD_STEP_PX, ::CARD_STEP_PX])
    return np.stack([x, y], axis=-1).astype(np.float64) * CARD_STEP_PX


def measure_shot(
    photo: Photo, *, mm_per_px: float | None, as_seen: bool = False, like: Glint | None = None
) -> MeasuredShot:
    """Find highlight, paint, lines and glint geometry in one photo: `look`, then `measure`."""
    return measure(look(photo, as_seen=as_seen), mm_per_px=mm_per_px, like=like)


def only_highlight(photo: Photo) -> Highlight | None:
    """Find the lamp's highlight, if there is one.

    Raises
    ------
    NotMeasurableError
        If there are several.
    """
    found = find_highlights(photo.luminance, photo.clipped)
    if len(found) > 1:
        raise NotMeasurableError(
            f"{photo.name}: {len(found)} highlights in the photo",
            allowed="one lamp alone is allowed",
            remedy="switch off or cover the other lamps",
        )
    return found[0] if found else None


def _the_highlight(photo: Photo) -> Highlight:
    found = only_highlight(photo)
    if found is None:
        raise NotMeasurableError(
            f"{photo.name}: no highlight of a lamp in the photo",
            allowed="one round highlight with the paint round it is needed",
            remedy="hold a small lamp so that it mirrors in the panel, or use --as-seen",
        )
    return found


def bloom_disc(highlight: Highlight, shape: tuple[int, ...]) -> Mask:
    """Return where no line can be told for the bloom, working pixels, shape (H, W)."""
    return _disc(highlight, shape, radius_px=ZONE_FROM_BLOOM * highlight.bloom_px)


def bloom_mask(shot: MeasuredShot) -> Mask:
    """Return where a shot's bloom and glare are, working pixels, shape (H, W)."""
    shape = shot.photo.luminance.shape
    if shot.highlight is None:
        return np.zeros(shape, dtype=bool)
    return _disc(shot.highlight, shape, radius_px=2.5 * shot.highlight.bloom_px)


def _disc(highlight: Highlight, shape: tuple[int, ...], *, radius_px: float) -> Mask:
    x = np.arange(shape[1], dtype=np.float32) - np.float32(highlight.x_px)
    y = np.arange(shape[0], dtype=np.float32) - np.float32(highlight.y_px)
    return np.asarray(x**2 + y[:, None] ** 2 <= np.float32(radius_px**2))
