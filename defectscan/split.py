"""One photo of a panel that is polished on one side of a line: score both halves, compare them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.errors import NotMeasurableError
from defectscan.flags import Doubt, Flag
from defectscan.imaging.card import find_card
from defectscan.imaging.highlight import Highlight
from defectscan.imaging.paint import background_luminance, paint_mask
from defectscan.imaging.photo import Photo, read_photo
from defectscan.imaging.split_line import MARGIN_PX, SplitLine, find_line, mended
from defectscan.measurement import kinds as kinds_of
from defectscan.measurement.comparison import Correction, correct
from defectscan.measurement.halves import (
    lines_in,
    over_directions,
    shared_directions,
    widened,
)
from defectscan.measurement.kinds import Kind
from defectscan.measurement.lines import Lines, trace_lines
from defectscan.measurement.ridges import find_ridges
from defectscan.measurement.rings import centre_of_rings, find_rings
from defectscan.measurement.score import count_lines
from defectscan.measurement.state import MeasuredShot, PanelScore, once, score_state
from defectscan.measurement.thinning import fit_thinning
from defectscan.shots import (
    WORKING_SIDE_PX,
    Sighting,
    bloom_disc,
    measure,
    only_highlight,
)
from defectscan.states import Progress, silent

Floats = NDArray[Any]
Mask = NDArray[np.bool_]

LEAST_HALF_SHARE = 0.02
HIDDEN_RADIUS_SHARE = 0.01
FEW_TO_FIND = 30
# Squares and differences of larger ones lose the photo, or overflow.
MOST_COORDINATE_PX = 1e6
FEW_DIRECTIONS = 0.75
# How far the correction of directions that are not compared may differ, of what is left.
DIRECTION_SD = 0.15
THINNING_STEP = 1.25


class SplitFlag(Doubt):
    """A doubt about the comparison of two halves."""

    POLISHED_HALF_GUESSED = (
        "The half with fewer lines is taken to be the polished one; this is a guess.",
        "Say which half is polished with --polished: guessed so, no increase could show.",
    )
    HALVES_ALIKE = (
        "The halves differ by no more than chance allows.",
        "Take more photos with the highlight elsewhere along the tape, and compare those.",
    )
    DIRECTIONS_DIFFER = (
        (
            "The halves show grooves of different directions; compared are those that both show, "
            "and the others are taken to be like them."
        ),
        "Repeat the photo with the highlight close beside the tape.",
    )
    HIGHLIGHT_HIDDEN = (
        "The tape hides the highlight; its place is told from the lines round it.",
        "Nothing needs doing; a highlight just beside the tape is surer.",
    )
    ONE_PHOTO = (
        "The untouched half stands for what the polished half was before.",
        "Keep to a panel that was equally worn on both sides of the tape.",
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Split:
    """A panel that is polished on one side of a line.

    Attributes
    ----------
    photo
        As read.
    line
        Between the halves, working pixels.
    line_found
        Whether the line was found rather than given.
    polished, untouched
        What the halves are called: left, right, above or below.
    guessed
        Whether the polished half was guessed.
    before, after
        Scores of the untouched and the polished half, each over all directions.
    correction
        Over the directions that both halves show.
    direction_share
        How much of all directions that is: 1 where both halves show each as well.
    sector_weights
        Shape (N_SECTORS,): 0 to 1, how far each direction enters the correction.
    """

    photo: Photo
    line: SplitLine
    line_found: bool
    polished: str
    untouched: str
    guessed: bool
    before: PanelScore
    after: PanelScore
    correction: Correction
    direction_share: float
    sector_weights: Floats
    flags: tuple[Doubt, ...]


def split(
    path: Path,
    *,
    line: tuple[float, float, float, float] | None = None,
    polished: str | None = None,
    mm_per_px: float | None = None,
    card_mm: float | None = None,
    seed: int = 0,
    progress: Progress = silent,
) -> Split:
    """Compare the polished and the untouched half of a panel in one photo.

    Parameters
    ----------
    path
        The photo.
    line
        x and y of two points of the line between the halves, in the photo's own pixels and at
        most `MOST_COORDINATE_PX`; the tape is looked for along it. `None` finds the tape.
    polished
        The polished half: left, right, above or below. `None` guesses it.
    mm_per_px
        Millimetres on the panel per pixel of the photo; a card in the picture tells better.
    card_mm
        Length that the user measured of the scale card's ruler.
    seed
        Of the resampling behind the intervals.
    progress
        Called with the name of each step.

    Raises
    ------
    UnreadablePhotoError, NotMeasurableError
        If the photo cannot be read or measured.
    """
    photo = read_photo(path, max_side_px=WORKING_SIDE_PX)
    progress("line")
    border = _line(photo, line)
    if polished is not None and polished not in border.halves:
        raise NotMeasurableError(
            f"{path.name}: there is no half {polished} the line",
            allowed=f"its halves are called {border.halves[0]} and {border.halves[1]}",
            remedy=f"give --polished {border.halves[0]} or {border.halves[1]}",
        )
    progress("lines")
    sides, flags = _halves(photo, border, mm_per_px=mm_per_px, card_mm=card_mm)
    progress("comparison")
    return _compare(
        sides, border, np.random.default_rng(seed), polished=polished, line_found=line is None,
        flags=flags,
    )  # fmt: skip


def _line(photo: Photo, given: tuple[float, float, float, float] | None) -> SplitLine:
    name = photo.path.name
    if given is None:
        found = find_line(photo.rgb)
        if found is None:
            raise NotMeasurableError(
                f"{name}: no line found that parts the photo",
                allowed="a straight strip of tape from one side of the photo to another is needed",
                remedy="give the line's two ends with --line x1,y1,x2,y2",
            )
        return found
    shown = ",".join(f"{value:g}" for value in given)
    if max(map(abs, given)) > MOST_COORDINATE_PX:
        raise NotMeasurableError(
            f"{name}: the line {shown} has a point far outside the photo",
            allowed=f"coordinates of at most {MOST_COORDINATE_PX:.0f} pixels are allowed",
            remedy="give two points of the line in the photo's own pixels",
        )
    ends = (np.array(given).reshape(2, 2) + 0.5) * photo.scale - 0.5
    if np.linalg.norm(ends[1] - ends[0]) < 1:
        raise NotMeasurableError(
            f"{name}: the line {shown} begins where it ends",
            allowed="two different points are needed",
            remedy="give two points of the line that lie far apart",
        )
    line = SplitLine.through(ends[0], ends[1])
    if line.chord(photo.luminance.shape) is None:
        raise NotMeasurableError(
            f"{name}: the line {shown} misses the photo",
            allowed=f"it must cross the photo of {photo.width_px} by {photo.height_px} pixels",
            remedy="give two points of the line in the photo's own pixels",
        )
    return find_line(photo.rgb, near=line) or line


def _halves(
    photo: Photo, line: SplitLine, *, mm_per_px: float | None, card_mm: float | None
) -> tuple[list[MeasuredShot], list[SplitFlag]]:
    """Measure the photo, and part it into its halves, which share lamp and geometry."""
    # With the tape painted over, the ground round the highlight goes on beyond it.
    luminance, rgb = mended(photo.luminance, line), mended(photo.rgb, line)
    highlight = only_highlight(photo)
    background = background_luminance(luminance)
    off = line.across_picture(luminance.shape)
    zone = paint_mask(rgb, highlight)
    card = find_card(photo.luminance, card_mm=card_mm)
    if card is not None:
        zone &= ~card.mask(zone.shape)
    if line.width_px:
        zone &= np.abs(off) > line.width_px / 2 + MARGIN_PX
    if highlight is not None:
        zone &= ~bloom_disc(highlight, zone.shape)
    zones = [zone & (off < 0), zone & (off >= 0)]
    for name, own in zip(line.halves, zones, strict=True):
        if own.mean() < LEAST_HALF_SHARE:
            raise NotMeasurableError(
                f"{photo.path.name}: bare paint {name} the line fills {100 * own.mean():.1f} % "
                "of the photo",
                allowed=f"at least {100 * LEAST_HALF_SHARE:.0f} % is needed on each side",
                remedy="take the photo with the line nearer its middle, or give --line",
            )
    ridges = find_ridges(luminance, background, measured=zone)
    lines = trace_lines(ridges, measured=zone)
    flags: list[SplitFlag] = []
    if highlight is None:
        highlight = _hidden_highlight(photo, line, lines)
        flags.append(SplitFlag.HIGHLIGHT_HIDDEN)
    elif line.width_px and lines.n >= FEW_TO_FIND and _beside(highlight, line):
        # The tape may cover a part of it, and what is left has its middle elsewhere.
        centre, _ = centre_of_rings(
            lines, np.array([highlight.x_px, highlight.y_px]),
            side_px=max(zone.shape), radius_px=highlight.bloom_px,
        )  # fmt: skip
        if np.hypot(centre[0] - highlight.x_px, centre[1] - highlight.y_px) < highlight.bloom_px:
            highlight = replace(highlight, x_px=float(centre[0]), y_px=float(centre[1]))
    whole = measure(
        Sighting(
            photo=replace(photo, luminance=luminance, rgb=rgb), highlight=highlight, card=card,
            zone=zone, lines=lines, noise=ridges.typical_noise(zone),
            haze=np.zeros(0),
        ),
        mm_per_px=mm_per_px, like=None,
    )  # fmt: skip
    sides = [
        replace(
            whole,
            photo=photo,
            shot=replace(whole.shot, lines=lines_in(whole.shot.lines, own), zone=own),
            scratches=lines_in(whole.scratches, own),
            noise=ridges.typical_noise(own),
            haze=kinds_of.haze_glow(background, own, highlight),
        )
        for own in zones
    ]
    return sides, flags


def _beside(highlight: Highlight, line: SplitLine) -> bool:
    off = abs(float(line.across(np.array([highlight.x_px, highlight.y_px]))))
    return off < line.width_px / 2 + 1.5 * highlight.radius_px


def _hidden_highlight(photo: Photo, line: SplitLine, lines: Lines) -> Highlight:
    """Return the highlight under the tape: the centre of the rings that lines lie on.

    Raises
    ------
    NotMeasurableError
        If there is no tape, or the lines lie round no place under it.
    """
    side = max(photo.luminance.shape)
    radius = HIDDEN_RADIUS_SHARE * side
    chord = line.chord(photo.luminance.shape)
    found = None
    if line.width_px and chord is not None and lines.n >= FEW_TO_FIND:
        along = np.linspace(0, 1, max(side // 16, 2))[:, None] * (chord[1] - chord[0])
        places = chord[0] + along
        found = find_rings(lines, places, side_px=side, radius_px=radius)
    if found is None or abs(line.across(found)) > line.width_px / 2 + 2 * radius:
        raise NotMeasurableError(
            f"{photo.path.name}: no highlight of a lamp in the photo, and no rings of lines round "
            "one under the tape",
            allowed="one round highlight on either half or under the tape is needed",
            remedy="hold a small lamp so that it mirrors in the panel close beside the tape",
        )
    return Highlight(
        x_px=float(found[0]), y_px=float(found[1]), radius_px=radius, bloom_px=radius,
        area_px=round(np.pi * radius**2), cut=False,
    )  # fmt: skip


def _compare(
    sides: Sequence[MeasuredShot],
    line: SplitLine,
    rng: np.random.Generator,
    *,
    polished: str | None,
    line_found: bool,
    flags: Sequence[SplitFlag],
) -> Split:
    noise = max(side.noise for side in sides)
    # One lamp lights both halves of one panel: walls drop out alike.
    thinning = fit_thinning([side.shot for side in sides])
    scores = [score_state([side], rng, noise=noise, thinning=thinning) for side in sides]
    shots = [score.shots[0].shot for score in scores]
    weights = shared_directions(*(score.count for score in scores))
    share = float(weights.mean())
    if share == 0:
        raise NotMeasurableError(
            f"{sides[0].photo.path.name}: the halves show no direction of groove in common",
            allowed="at least one of six directions must show on both sides of the line",
            remedy="repeat the photo with the highlight close beside the line",
        )
    counts = [
        over_directions(s.count, shot.lines, weights) for s, shot in zip(scores, shots, strict=True)
    ]
    number = (
        int(counts[1].density < counts[0].density)
        if polished is None
        else line.halves.index(polished)
    )
    other = 1 - number
    correction = correct(counts[other], counts[number], rng)
    # The halves lie at different distances from the lamp: what is not known of how lines thin
    # out with it does not cancel.
    thinned = replace(thinning, longer_sides=thinning.longer_sides * THINNING_STEP)
    changed = [
        over_directions(count_lines([shot], thinning=thinned), shot.lines, weights)
        for shot in shots
    ]
    moved = [
        float(np.log(max(new.density, 1e-12) / max(old.density, 1e-12)))
        for new, old in zip(changed, counts, strict=True)
    ]
    common = max(float(np.mean(np.abs(moved))), 1e-9)
    model_sd = thinning.spread * min(abs(moved[0] - moved[1]) / common, 2.0)
    correction = widened(correction, float(np.hypot(model_sd, DIRECTION_SD * (1 - share))))
    before, after = scores[other], scores[number]
    doubts: list[Doubt] = [SplitFlag.ONE_PHOTO, *flags]
    if polished is None:
        doubts.append(SplitFlag.POLISHED_HALF_GUESSED)
    percent = correction.percent
    if percent is not None and percent.low <= 0 <= percent.high:
        doubts.append(SplitFlag.HALVES_ALIKE)
    if share < FEW_DIRECTIONS:
        doubts.append(SplitFlag.DIRECTIONS_DIFFER)
    if after.kinds[Kind.MACHINE_TRAIL].low > before.kinds[Kind.MACHINE_TRAIL].high:
        doubts.append(Flag.TRAILS_ADDED)
    return Split(
        photo=sides[0].photo,
        line=line,
        line_found=line_found,
        polished=line.halves[number],
        untouched=line.halves[other],
        guessed=polished is None,
        before=before,
        after=after,
        correction=correction,
        direction_share=share,
        sector_weights=weights,
        flags=tuple(dict.fromkeys([*doubts, *once([*before.flags, *after.flags])])),
    )
