"""One state of a panel: its measured shots pooled to a score."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.flags import Flag
from defectscan.imaging.card import Card
from defectscan.imaging.highlight import Highlight
from defectscan.imaging.photo import Photo
from defectscan.measurement import kinds as kinds_of
from defectscan.measurement import score as scoring
from defectscan.measurement.glint import glints
from defectscan.measurement.lines import LEAST_EVIDENCE, Lines
from defectscan.measurement.pairing import carried, groove_numbers
from defectscan.measurement.score import Count, Interval, count_both_ways
from defectscan.measurement.thinning import Thinning
from defectscan.measurement.window import Shot

Floats = NDArray[Any]
Mask = NDArray[np.bool_]

CROWDED_SHARE = 0.1
# In place of score.MODEL_SD, for what compression takes; set on ten rendered pairs of clips.
CLIP_MODEL_SD = 0.08
# Of the model's variance, what is each photo's own. All of it would have done for the 60 rendered
# pairs of five shots that it was set on; of the table's 36 near ones 89 % held then, so it is less.
OWN_VARIANCE_SHARE = 0.64
SCALE_STEP_PX = 32
GRADE_LIMITS_MM_PER_CM2 = (2.0, 10.0, 30.0, 80.0, 200.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredShot:
    """One photo with all that was found in it, in working pixels.

    Attributes
    ----------
    photo, highlight
        What was read and where the lamp is mirrored; no highlight in an as-seen score.
    shot
        Lines (deep scratches apart), zone and glint geometry.
    scratches
        Deep scratches.
    noise
        Median noise of ridge contrast in the zone: lines are found above a multiple of it.
    haze
        Glow near the highlight over the paint far off, by sectors.
    card
        The scale card, if it is in the picture.
    flags
        What makes this photo doubtful.
    """

    photo: Photo
    highlight: Highlight | None
    shot: Shot
    scratches: Lines
    noise: float
    haze: Floats
    card: Card | None = None
    flags: tuple[Flag, ...] = ()

    def own_px(self, working_px: float) -> float:
        """Return a coordinate in the photo's own pixels."""
        return (working_px + 0.5) / self.photo.scale - 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside:
    """A photo of a state that could not be used, and why."""

    file: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PanelScore:
    """One state of a panel.

    Attributes
    ----------
    line_density
        mm per cm², or px per px² where the scale is unknown.
    kinds
        Density by kind.
    count
        Lines by direction, deep scratches apart.
    whole
        All lines, deep scratches with them, directions not told apart: to be compared with
        another state's.
    scratch_share
        Shape (k,): what each deep scratch adds to their density.
    trail_share
        Shape (n,): how much of each line of `count` goes to machine trails, the rest to swirls: in
        the crowd of one direction the trails' share of it, elsewhere 0.
    photo_scale
        Working pixels to a pixel of the photo in whose own pixels lengths are told where the
        scale is unknown: the first shot's, or that of the state that this one is compared with.
    set_aside
        Photos that could not be used.
    frames
        For each shot the homography to one common frame, `None` where it is not known; empty
        where none was looked for.
    """

    line_density: Interval
    detection_limit: float
    grade: int | None
    kinds: dict[kinds_of.Kind, Interval]
    haze: Interval | None
    shots: tuple[MeasuredShot, ...]
    count: Count
    whole: Count
    scratch_share: Floats
    trail_share: Floats
    has_scale: bool
    as_seen: bool
    flags: tuple[Flag, ...]
    photo_scale: float
    set_aside: tuple[SetAside, ...] = ()
    frames: tuple[Floats | None, ...] = ()

    @property
    def on_first(self) -> list[Floats | None]:
        """The homography of each shot to the first; `None` where it is not known."""
        first = self.frames[0] if self.frames else None
        if first is None:
            return [np.eye(3), *[None] * (len(self.shots) - 1)]
        to_first = np.linalg.inv(first)
        others = [None if one is None else to_first @ one for one in self.frames[1:]]
        return [np.eye(3), *others]

    @property
    def told_factor(self) -> float:
        """The factor from a density to the one that is told.

        Without a scale that is length per area in a photo's own pixels, not in those of the
        reduced photo that was measured.
        """
        return 1.0 if self.has_scale else self.photo_scale


def score_state(
    shots: Sequence[MeasuredShot],
    rng: np.random.Generator,
    *,
    noise: float | None = None,
    to_frame: Sequence[Floats | None] | None = None,
    for_scale: Sequence[Floats | None] | None = None,
    frame: Shot | None = None,
    thinning: Thinning | None = None,
    set_aside: tuple[SetAside, ...] = (),
) -> PanelScore:
    """Pool the shots of one state to a score.

    Parameters
    ----------
    shots
        At least one.
    rng
        Source of randomness for the intervals.
    noise
        Noise of the poorest photo that the score is to be compared with: lines are counted
        above its limit.
    to_frame
        For each shot the homography to one common frame, `None` where it is not known: a groove
        that several shots show is then one piece of evidence.
    for_scale
        The same, where need be not good for more than the scale: that of the frame is carried to
        shots without a card, from nearer or further away or of another size.
    frame
        The shot whose frame `for_scale` leads to, the first of these where not given.
    thinning
        As for `score.count_lines`.
    set_aside
        Photos that could not be used.
    """
    noise = max([shot.noise for shot in shots] + ([] if noise is None else [noise]))
    if for_scale is not None:
        frame = frame or shots[0].shot
        shots = [_in_scale(s, matrix, frame) for s, matrix in zip(shots, for_scale, strict=True)]
    counted = [
        replace(shot.shot, lines=shot.shot.lines.of(_above(shot.shot.lines, shot.noise, noise)))
        for shot in shots
    ]
    scratches = [s.scratches.of(_above(s.scratches, s.noise, noise)) for s in shots]
    shots = [
        replace(s, shot=c, scratches=d) for s, c, d in zip(shots, counted, scratches, strict=True)
    ]
    count, pooled = count_both_ways(counted, thinning=thinning)
    of_clip = _of_clip(shots)
    if of_clip:
        # Both states lose about the same, so it is the densities that suffer, not their ratio.
        count = replace(count, model_sd=CLIP_MODEL_SD)
    laid = in_frame(counted, to_frame)
    # Trails run one way on the panel, however the camera was held.
    direction = np.concatenate(
        [
            kinds_of.mean_direction(shot.lines if isinstance(lines, int) else lines)
            for shot, lines in zip(counted, laid, strict=True)
        ]
    )
    as_seen = shots[0].highlight is None
    trails = kinds_of.find_trails(direction, count.share)
    trail_share = np.where(trails.within(direction), trails.share, 0.0)
    scratch_share = _scratch_shares(shots)
    scratch = _scratch_density(scratch_share, rng, least=_least_scratch_share(shots))
    number = np.concatenate(groove_numbers(laid))
    swirl, trail, total = (
        scoring.interval(part, rng, groove=number)
        for part in (count.weighted(1 - trail_share), count.weighted(trail_share), count)
    )
    kinds = {
        kinds_of.Kind.SWIRL: swirl,
        kinds_of.Kind.DEEP_SCRATCH: scratch,
        kinds_of.Kind.MACHINE_TRAIL: trail,
    }
    line_density = _sum(total, scratch)
    limit = scoring.detection_limit(count)
    has_scale = shots[0].shot.mm_per_px is not None
    flags = [flag for shot in shots for flag in shot.flags] + _doubts(
        count, of_clip=of_clip, as_seen=as_seen
    )
    if set_aside:
        flags.append(Flag.SET_ASIDE)
    if not has_scale:
        flags.append(Flag.NO_SCALE)
    if line_density.value <= limit:
        flags.append(Flag.BELOW_LIMIT)
    return PanelScore(
        line_density=line_density,
        detection_limit=limit,
        grade=_grade(line_density.value) if has_scale and not as_seen else None,
        kinds=kinds,
        haze=_haze(shots),
        shots=tuple(shots),
        count=count,
        whole=replace(
            for_ratio(pooled, shots),
            share=np.append(pooled.share, scratch_share),
            false=np.append(pooled.false, np.zeros(len(scratch_share))),
        ),
        scratch_share=scratch_share,
        trail_share=trail_share,
        has_scale=has_scale,
        as_seen=as_seen,
        flags=once(flags),
        photo_scale=shots[0].photo.scale,
        set_aside=set_aside,
        frames=() if to_frame is None else tuple(to_frame),
    )


def _sum(one: Interval, other: Interval) -> Interval:
    """Return the sum of two figures that know nothing of each other."""
    value = one.value + other.value
    return Interval(
        value=value,
        low=value - float(np.hypot(one.value - one.low, other.value - other.low)),
        high=value + float(np.hypot(one.high - one.value, other.high - other.value)),
    )


def _doubts(count: Count, *, of_clip: bool, as_seen: bool) -> list[Flag]:
    """Return what makes a count doubtful."""
    doubts = {
        Flag.CLIP: of_clip,
        Flag.DIRECTIONS_MISSING: not as_seen
        and bool(count.exposure_shares.min() < scoring.LEAST_EXPOSURE_SHARE),
        Flag.CROWDED: count.crowding > CROWDED_SHARE,
        Flag.SHALLOW_WALLS: count.thinned,
        Flag.UNEVEN_DIRECTIONS: not as_seen and _uneven(count),
    }
    return [flag for flag, found in doubts.items() if found]


def _in_scale(shot: MeasuredShot, to_frame: Floats | None, frame: Shot) -> MeasuredShot:
    """Return a shot with the scale that its map to the frame tells, unless a card tells it."""
    if to_frame is None or shot.card is not None:
        return shot
    y, x = np.nonzero(shot.shot.zone[::SCALE_STEP_PX, ::SCALE_STEP_PX])
    if not len(x):
        return shot
    places = np.stack([x, y], axis=-1) * float(SCALE_STEP_PX)
    # A homography changes areas by its determinant over the cube of its divisor.
    divisor = places @ to_frame[2, :2] + to_frame[2, 2]
    spans = float(np.sqrt(np.mean(np.abs(np.linalg.det(to_frame) / divisor**3))))
    # Not the scale stated for the shot itself, whose own pixels may be of another size.
    scale = frame.mm_per_px
    known = replace(
        shot.shot,
        mm_per_px=None if scale is None else scale * spans,
        scale_error=frame.scale_error,
        frame_px=spans,
    )
    return replace(shot, shot=known)


def in_frame(shots: Sequence[Shot], to_frame: Sequence[Floats | None] | None) -> list[Lines | int]:
    """Return the lines of each shot in a common frame, or how many there are where unknown."""
    if to_frame is None:
        return [shot.lines.n for shot in shots]
    return [
        shot.lines.n if matrix is None else carried(shot.lines, matrix)
        for shot, matrix in zip(shots, to_frame, strict=True)
    ]


def lines_mask(shot: MeasuredShot) -> Mask:
    """Return where a photo's lines are, working pixels, shape (H, W).

    Lines that neither the lamp could have lit nor a deep scratch explains are left out.
    """
    mask = np.zeros(shot.shot.zone.shape, dtype=np.uint8)
    lines = shot.shot.lines
    if shot.highlight is not None:
        lines = lines.of(glints(lines, shot.shot.glint))
    for part in (lines, shot.scratches):
        x, y = np.round(part.xy_px).astype(np.int64).T
        mask[y, x] = 1
    return mask.astype(bool)


def _above(lines: Lines, own_noise: float, noise: float) -> Mask:
    """Return which lines a photo with the given noise would have shown, too."""
    return lines.evidence >= LEAST_EVIDENCE * noise / own_noise


def _scratch_shares(shots: Sequence[MeasuredShot]) -> Floats:
    """Return the visible length of each deep scratch per area of all zones, shape (k,).

    They shine whatever their direction, so the lamp's acceptance does not apply to them.
    """
    area = _zones_area(shots)
    return np.concatenate(
        [shot.scratches.total(shot.scratches.length_px) * shot.shot.pixel / area for shot in shots]
    )


def _least_scratch_share(shots: Sequence[MeasuredShot]) -> float:
    """Return what a deep scratch would add that is as short as one can be."""
    pixel = float(np.mean([shot.shot.pixel for shot in shots]))
    return kinds_of.LEAST_SCRATCH_PX * pixel / _zones_area(shots)


def _zones_area(shots: Sequence[MeasuredShot]) -> float:
    """Return the area of all zones, in cm² where the scale is known."""
    area = sum(float(s.shot.zone.sum()) * s.shot.pixel**2 for s in shots)
    return area if shots[0].shot.mm_per_px is None else area / 100


def _scratch_density(share: Floats, rng: np.random.Generator, *, least: float) -> Interval:
    if not len(share):
        # None found does not say that there is none: the exact limit where none was counted
        # (Garwood 1936, from memory).
        return Interval(value=0.0, low=0.0, high=-float(np.log(0.025)) * least)
    draws = scoring.draw_weights(rng, len(share)) @ share
    # The high draws hold one more scratch than was found, as in `scoring.resample`.
    with_further = draws + share.mean() * rng.exponential(size=len(draws))
    value = float(share.sum())
    return Interval(
        value=value,
        low=min(float(np.quantile(draws, 0.025)), value),
        high=max(float(np.quantile(with_further, 0.975)), value),
    )


def for_ratio(count: Count, shots: Sequence[MeasuredShot]) -> Count:
    """Return a state's count with what its model leaves open in a ratio of two states.

    Part of it is each photo's own, as the geometry of its glints, and averages out. The frames of
    a clip have much in common that another clip has not.
    """
    if _of_clip(shots):
        return count
    left = (1 - OWN_VARIANCE_SHARE) * count.model_sd**2 + _own_variance(shots)
    return replace(count, model_sd=float(np.sqrt(left)))


def lasting_model_sd(whole: Count, shots: Sequence[MeasuredShot]) -> float:
    """Return what of a count by `for_ratio` stays open however many more shots are taken.

    A relative standard deviation, as `Count.model_sd`.
    """
    own = 0.0 if _of_clip(shots) else _own_variance(shots)
    return float(np.sqrt(max(whole.model_sd**2 - own, 0.0)))


def _own_variance(shots: Sequence[MeasuredShot]) -> float:
    """Return what is left of the part of the model's variance that is each photo's own."""
    n_photos = len({shot.photo.identity for shot in shots})
    return OWN_VARIANCE_SHARE * scoring.MODEL_SD**2 / n_photos


def _of_clip(shots: Sequence[MeasuredShot]) -> bool:
    return any(shot.photo.frame is not None for shot in shots)


def of_kind(state: PanelScore, kind: kinds_of.Kind) -> Count:
    """Return the count of one kind, to be compared with another state's."""
    count = for_ratio(state.count, state.shots)
    if kind is kinds_of.Kind.DEEP_SCRATCH:
        share = state.scratch_share
        typical = float(share.mean()) if len(share) else count.typical
        return replace(count, share=share, false=np.zeros(len(share)), typical=typical)
    trail = state.trail_share
    return count.weighted(trail if kind is kinds_of.Kind.MACHINE_TRAIL else 1 - trail)


def _grade(density_mm_per_cm2: float) -> int:
    return int(np.searchsorted(GRADE_LIMITS_MM_PER_CM2, density_mm_per_cm2))


def _haze(shots: Sequence[MeasuredShot]) -> Interval | None:
    values = np.concatenate([shot.haze for shot in shots])
    if len(values) < 3:
        return None
    value = float(np.median(values))
    error = 1.2533 * float(values.std(ddof=1)) / np.sqrt(len(values))
    spread = _student_quantile(len(values) - 1) * error
    return Interval(value=value, low=value - spread, high=value + spread)


def _student_quantile(degrees_of_freedom: int) -> float:
    """Return the 97.5 % quantile of Student's t, 3 % short for 2 degrees, within 1 % from 3 on.

    By its expansion about the normal one (Abramowitz and Stegun 26.7.5, from memory): SciPy takes
    long to load.
    """
    z, v = 1.959964, degrees_of_freedom
    return (
        z
        + (z**3 + z) / (4 * v)
        + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * v**2)
        + (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / (384 * v**3)
    )


def _uneven(count: Count) -> bool:
    """Tell whether grooves favour some directions by more than chance."""
    n = len(count.share)
    if n < 40:
        return False
    expected = count.sector.mean()
    spread = expected * np.sqrt(len(count.sector) * 1.6 / n)
    return bool(count.sector.max() > max(1.6 * expected, expected + 3.5 * spread))


def once(flags: Sequence[Flag]) -> tuple[Flag, ...]:
    """Return flags without repetition."""
    return tuple(dict.fromkeys(flags))
