"""Put the stages together: from photos to a score, from two states to a comparison."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.flags import Flag
from defectscan.imaging.registration import Registration
from defectscan.laying import Laid, lay_state, lay_states
from defectscan.measurement import kinds as kinds_of
from defectscan.measurement.comparison import (
    Correction,
    Fate,
    correct,
    fates,
)
from defectscan.measurement.lines import Lines
from defectscan.measurement.pairing import carried, groove_numbers
from defectscan.measurement.score import Count
from defectscan.measurement.state import (
    CLIP_MODEL_SD,
    MeasuredShot,
    PanelScore,
    SetAside,
    in_frame,
    lasting_model_sd,
    lines_mask,
    of_kind,
    once,
    score_state,
)
from defectscan.measurement.thinning import fit_thinning
from defectscan.states import Progress, Seen, measure_states, silent

Floats = NDArray[Any]
Mask = NDArray[np.bool_]

UNLIKE_EXPOSURE = 1.5
HAZE_RISE = 0.25
UNLIKE_ZOOM = 0.03
WANTED_POINTS = 3.0
MOST_MORE_SHOTS = 20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """Two states of a panel.

    Attributes
    ----------
    registrations
        Of each shot after on the first before.
    fates_before, fates_after
        What became of each line of the first shots; empty where they were not followed.
    after_here
        The lines of the first shot after in the frame of the first before.
    """

    correction: Correction
    kind_corrections: dict[kinds_of.Kind, Correction]
    before: PanelScore
    after: PanelScore
    registrations: tuple[Registration, ...]
    after_here: Lines
    fates_before: list[Fate] = field(default_factory=list)
    fates_after: list[Fate] = field(default_factory=list)
    flags: tuple[Flag, ...] = ()

    @property
    def registration(self) -> Registration:
        """That of the first shot after."""
        return self.registrations[0]

    @property
    def is_followed(self) -> bool:
        """Whether lines were followed from one state to the other.

        The photos have to be registered; and of lines as seen it is not known which the other
        lamp would show.
        """
        return self.registration.registered and not self.before.as_seen

    @property
    def followed(self) -> list[tuple[Floats, Fate]]:
        """The lines that both first shots would show, each once: their courses and fates.

        In the frame of the first before. Those removed lie where they were found before, those
        remaining and new where they were found after. Deep scratches are not among them: which
        lamp shows one is not known.
        """
        if not self.is_followed:
            return []
        before = zip(self.before.shots[0].shot.lines.courses(), self.fates_before, strict=True)
        after = zip(self.after_here.courses(), self.fates_after, strict=True)
        return [
            *((course, fate) for course, fate in before if fate is Fate.REMOVED),
            *((course, fate) for course, fate in after if fate in (Fate.REMAINING, Fate.NEW)),
        ]

    @property
    def more_shots(self) -> int | None:
        """How many more shots of each state would bring the interval to ±3 points, about.

        None where the correction is undefined, or `MOST_MORE_SHOTS` would not do: what all shots
        of a state have in common stays open. The rest shrinks with the root of their number;
        repeats of the same ground would bring less.
        """
        percent = self.correction.percent
        if percent is None:
            return None
        half_width = (percent.high - percent.low) / 2
        if half_width <= WANTED_POINTS:
            return 0
        states = self.before, self.after
        wholes = _wholes(*states, registered=self.registration.registered)
        lasting_sd = math.hypot(
            *(lasting_model_sd(w, s.shots) for w, s in zip(wholes, states, strict=True))
        )
        lasting = 1.96 * lasting_sd * (100 - percent.value)
        if lasting >= WANTED_POINTS:
            return None
        times = (half_width**2 - lasting**2) / (WANTED_POINTS**2 - lasting**2)
        shots = min(len(state.shots) for state in states)
        more = math.ceil(shots * times) - shots
        return more if more <= MOST_MORE_SHOTS else None

    def own_homography(self, number: int) -> Floats:
        """Return the homography from a shot after to the first before, in their own pixels."""
        before = _to_own(self.before.shots[0].photo.scale)
        after = _to_own(self.after.shots[number].photo.scale)
        found = self.registrations[number].homography_after_to_before
        matrix = before @ np.asarray(found) @ np.linalg.inv(after)
        return np.asarray(matrix / matrix[2, 2])


def compare_states(
    before: Sequence[MeasuredShot],
    after: Sequence[MeasuredShot],
    rng: np.random.Generator,
    *,
    laid: Laid,
    set_aside: tuple[tuple[SetAside, ...], tuple[SetAside, ...]] = ((), ()),
) -> Comparison:
    """Compare two states of a panel, counted above the same contrast.

    Parameters
    ----------
    before, after
        Measured shots, at least one each.
    rng
        Source of randomness for the intervals.
    laid
        How the shots lie on the first before.
    set_aside
        For each state the photos that could not be used.
    """
    noise = max(shot.noise for shot in [*before, *after])
    matrix = _matrix(laid.after[0])
    frames: list[list[Floats | None]] = [
        [np.eye(3), *map(_matrix, laid.before)],
        [_matrix(one) for one in laid.after_on_first or laid.after],
    ]
    # Both states are of one panel under about the same lamp: walls drop out alike.
    thinning = fit_thinning([shot.shot for shot in [*before, *after]])
    score_before, score_after = (
        score_state(
            state,
            rng,
            noise=noise,
            to_frame=frame,
            for_scale=scaled,
            frame=before[0].shot,
            thinning=thinning,
            set_aside=aside,
        )
        for state, frame, scaled, aside in zip(
            (before, after), frames, laid.for_scale(), set_aside, strict=True
        )
    )
    # Lengths of both in the same pixels, or they would not agree with the correction.
    score_after = replace(score_after, photo_scale=score_before.photo_scale)
    shots_before = [shot.shot for shot in score_before.shots]
    shots_after = [shot.shot for shot in score_after.shots]
    lines = in_frame(shots_before, frames[0]), in_frame(shots_after, frames[1])
    if laid.after_on_first:
        # Two frames: which grooves are the same in both states is not known.
        numbers = [np.concatenate(groove_numbers(state)) for state in lines]
        numbers[1] = numbers[1] + 1 + numbers[0].max(initial=-1)
        grooves = numbers[0], numbers[1]
    else:
        together = groove_numbers([*lines[0], *lines[1]])
        n = len(shots_before)
        grooves = np.concatenate(together[:n]), np.concatenate(together[n:])
    # Deep scratches are lines of the whole, too: each a groove of its own.
    free = 1 + max((int(g.max()) for g in grooves if len(g)), default=-1)
    n_before, n_after = len(score_before.scratch_share), len(score_after.scratch_share)
    grooves_and_scratches = (
        np.append(grooves[0], free + np.arange(n_before)),
        np.append(grooves[1], free + n_before + np.arange(n_after)),
    )
    flags: list[Flag] = []
    here = shots_after[0].lines
    gone: list[Fate] = []
    come: list[Fate] = []
    if matrix is None:
        flags.append(Flag.NOT_REGISTERED)
    else:
        here = carried(here, matrix)
        if not score_before.as_seen:
            gone, come = fates(shots_before[0], shots_after[0], matrix)
        if matrix[0, 0] < 0 and matrix[1, 1] < 0:
            flags.append(Flag.TURNED)
    wholes = _wholes(score_before, score_after, registered=matrix is not None)
    whole = correct(*wholes, rng, grooves=grooves_and_scratches)
    by_kind = {
        kind: correct(
            of_kind(score_before, kind),
            of_kind(score_after, kind),
            rng,
            grooves=None if kind is kinds_of.Kind.DEEP_SCRATCH else grooves,
        )
        for kind in kinds_of.Kind
    }
    scale_known = laid.after[0].for_scale is not None
    if not scale_known and _lens_differs(score_before.shots[0], score_after.shots[0]):
        flags.append(Flag.LENS_DIFFERS)
    flags += _doubts(score_before, score_after)
    return Comparison(
        correction=whole,
        kind_corrections=by_kind,
        before=score_before,
        after=score_after,
        registrations=laid.after,
        after_here=here,
        fates_before=gone,
        fates_after=come,
        flags=once(flags),
    )


def _wholes(before: PanelScore, after: PanelScore, *, registered: bool) -> tuple[Count, Count]:
    """Return the counts of two states whose ratio is the correction."""
    shots = [*before.shots, *after.shots]
    if registered or all(shot.photo.frame is None for shot in shots):
        return before.whole, after.whole
    # Not laid on each other, clips may differ in scale as well: a camera held twice by hand
    # is some per cent nearer or further away.
    return (
        replace(before.whole, model_sd=CLIP_MODEL_SD),
        replace(after.whole, model_sd=CLIP_MODEL_SD),
    )


def _doubts(before: PanelScore, after: PanelScore) -> list[Flag]:
    """Return what makes the comparison of two scores doubtful, or wants a look."""
    flags = []
    if {s.photo.identity for s in before.shots} & {s.photo.identity for s in after.shots}:
        flags.append(Flag.SAME_PHOTO)
    first, second = (s.shots[0].photo.exposure.exposure_value_100 for s in (before, after))
    if None not in (first, second) and abs(first - second) > np.log2(UNLIKE_EXPOSURE):  # type: ignore[operator]
        flags.append(Flag.EXPOSURE_DIFFERS)
    if _colour_differs(before.shots[0], after.shots[0]):
        flags.append(Flag.MAYBE_OTHER_PANEL)
    trail = kinds_of.Kind.MACHINE_TRAIL
    if after.kinds[trail].low > before.kinds[trail].high:
        flags.append(Flag.TRAILS_ADDED)
    if before.haze and after.haze and after.haze.low > before.haze.high + HAZE_RISE:
        flags.append(Flag.HAZE_RAISED)
    return flags


def _matrix(registration: Registration) -> Floats | None:
    return registration.homography_after_to_before if registration.registered else None


def score(
    photos: Path | Sequence[Path],
    *,
    mm_per_px: float | None = None,
    as_seen: bool = False,
    card_mm: float | None = None,
    seed: int = 0,
    progress: Progress = silent,
    seen: Seen | None = None,
) -> PanelScore:
    """Score one state of a panel from a photo or a folder of photos.

    Parameters
    ----------
    photos
        Photos of one state, folders of them, or a clip.
    mm_per_px
        Millimetres on the panel per pixel of the photos.
    as_seen
        Count visible lines only, not corrected for the lamp.
    card_mm
        Length that the user measured of the scale card's 200 mm ruler.
    seed
        Of the resampling behind the intervals.
    progress
        Called with the name of each photo when its turn comes.
    seen
        What was looked at before, for measuring the same photos again in other company.

    Raises
    ------
    UnreadablePhotoError, NotMeasurableError
        If a photo cannot be read or measured.
    """
    (state,) = measure_states(
        [photos],
        mm_per_px=mm_per_px,
        as_seen=as_seen,
        card_mm=card_mm,
        progress=progress,
        seen=seen,
    )
    shots = state.shots
    rng = np.random.default_rng(seed)
    if len(shots) == 1:
        return score_state(shots, rng, set_aside=state.set_aside)
    laid = Laid(before=tuple(lay_state(shots)), after=())
    return score_state(
        shots,
        rng,
        to_frame=[np.eye(3), *map(_matrix, laid.before)],
        for_scale=laid.for_scale()[0],
        set_aside=state.set_aside,
    )


def compare(
    before: Path | Sequence[Path],
    after: Path | Sequence[Path],
    *,
    mm_per_px: float | None = None,
    as_seen: bool = False,
    card_mm: float | None = None,
    seed: int = 0,
    progress: Progress = silent,
    seen: Seen | None = None,
) -> Comparison:
    """Compare two states of a panel, each a photo, a folder of photos, or a clip.

    Parameters
    ----------
    before, after
        A photo, a clip, a folder of photos, or several of them.
    mm_per_px, as_seen, card_mm, seed, progress, seen
        As for `score`.

    Raises
    ------
    UnreadablePhotoError, NotMeasurableError
        If a photo cannot be read or measured.
    """
    first, second = measure_states(
        [before, after],
        mm_per_px=mm_per_px,
        as_seen=as_seen,
        card_mm=card_mm,
        progress=progress,
        seen=seen,
    )
    shots, others = first.shots, second.shots
    # The same photo for both states is measured once: it differs from itself by nothing.
    known = {shot.photo.identity: shot for shot in shots}
    others = tuple(known.get(shot.photo.identity, shot) for shot in others)
    progress("registration")
    return compare_states(
        shots,
        others,
        np.random.default_rng(seed),
        laid=lay_states(shots, others),
        set_aside=(first.set_aside, second.set_aside),
    )


def _lens_differs(before: MeasuredShot, after: MeasuredShot) -> bool:
    """Tell whether two photos without a scale of their own differ in zoom or size."""
    if before.card or after.card:
        return False
    sizes = [max(shot.photo.width_px, shot.photo.height_px) for shot in (before, after)]
    if sizes[0] != sizes[1]:
        return True
    views = [shot.photo.exposure.zoomed_focal_length_35mm_mm for shot in (before, after)]
    if None in views:
        return False
    return abs(np.log(views[0] / views[1])) > UNLIKE_ZOOM  # type: ignore[operator]


def _colour_differs(before: MeasuredShot, after: MeasuredShot) -> bool:
    """Tell whether the paints in two photos have clearly different colours."""
    ratio = []
    for shot in (before, after):
        zone = shot.shot.zone[::16, ::16]
        paint = shot.photo.rgb[::16, ::16][zone].astype(np.float64)
        colour = np.median(paint, axis=0) + 8
        ratio.append(colour / colour.sum())
    return bool(np.abs(ratio[0] - ratio[1]).max() > 0.08)


def lines_png(shot: MeasuredShot) -> bytes:
    """Return a PNG of the photo's own size, 255 on the pixels of lines, 0 elsewhere."""
    mask: NDArray[Any] = lines_mask(shot).astype(np.uint8) * 255
    size = (shot.photo.width_px, shot.photo.height_px)
    if (mask.shape[1], mask.shape[0]) != size:
        mask = cv2.resize(mask, size, interpolation=cv2.INTER_NEAREST)
    return bytes(cv2.imencode(".png", mask)[1])


def _to_own(scale: float) -> Floats:
    """Return the matrix from working pixels to the photo's own."""
    shift = 0.5 / scale - 0.5
    return np.array([[1 / scale, 0, shift], [0, 1 / scale, shift], [0, 0, 1]])
