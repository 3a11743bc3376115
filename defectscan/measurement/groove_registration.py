"""Lay clips of a panel, or their frames, over each other by the courses of the grooves.

The lamp lights a groove in other places from frame to frame, but always on the groove's own
course, and that is fixed to the panel. A clip's frames show most grooves in sight, so two clips
share hundreds of courses where a pair of photos shares a few.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.imaging.panel_map import PanelMap
from defectscan.imaging.panel_motion import (
    CURVED,
    FLAT,
    RIGID,
    VOTED,
    Links,
    PanelMotion,
    fit,
    residuals,
    start,
)
from defectscan.imaging.registration import (
    MAX_SCALE_UNCERTAINTY_PX,
    MAX_UNCERTAINTY_PX,
    MIN_OVERLAP,
    Registration,
)
from defectscan.measurement.lines import Lines
from defectscan.measurement.pairing import BEND_PX

Floats = NDArray[np.float64]

# The clearest lines are enough, and more would cost more than they tell.
MOST_COURSES = 2500
FEW_LINKED, MOST_LINKED = 200, 600
CELL_PX = 12
N_CHANNELS = 12
# How far a course is drawn beyond what is lit: the other clip lights another part of it.
AHEAD_PX = 60.0
# The rings round the lamp's way, which are not fixed to the panel, are wider than this.
WIDE_CELLS = 6.0
TURNS_RAD = np.deg2rad(np.arange(-6.0, 6.1, 1.5))
LOG_SCALES = np.arange(-6, 7) * 0.025
MOST_POSES = 5
NEAR_PX = 150.0
ALIKE_SINE = 0.07
COARSE_STAGES_PX = ((24.0, RIGID), (16.0, RIGID), (10.0, FLAT))
FINE_STAGES_PX = (7.0, 5.0, 4.0, 4.0, 4.0)
ALIKE_STAGES_PX = (24.0, 16.0, 10.0, 7.0, 5.0, 4.0, 4.0)
ACROSS_SD_PX = 1.0
AGREE_PX = 2.0
# Laid so far off, no line lies on its own course: what agrees there does by chance.
ELSEWHERE_PX = (
    (45.0, 20.0),
    (-45.0, 25.0),
    (30.0, -50.0),
    (-25.0, -55.0),
    (70.0, 5.0),
    (5.0, 75.0),
)
# A hand holds a camera for some seconds within a few millimetres and half a degree: standard
# deviations in the order of `PanelMotion`, half the longer side as the unit.
HELD = np.array((0.03, 0.03, 0.01, 0.005, 0.0003, 0.0003, 0.0005, 0.0005, *(1e-6,) * 6))
# Fewest lines that prove a fit, and by how many deviations they must be more than chance brings:
# the best of many places is taken. With 5 deviations some frames were laid 20 px off. Frames of a
# clip leave less open, and fewer lines will do.
FEWEST, FEWEST_ALIKE, SURE_SD = 25, 12, 8.0
BEND_CHI_SQUARE = 40.0  # far beyond 22.5, the 99.9 % point of 6 degrees of freedom
GRID = 9


def register_by_grooves(
    before: Lines, after: Lines, *, shape: tuple[int, int], alike: bool = False
) -> Registration:
    """Register by the courses of grooves.

    The pictures of the courses, by direction, are correlated over turns and scales. From the
    best shifts on, each line is linked to the course of the nearest line of its direction, and
    a homography of the size that a hand-held camera makes is fitted, or a bend where the links
    call for one. The fit must prove itself: far more lines lie on a course than where the same
    motion is shifted off.

    Parameters
    ----------
    before, after
        Lines of one or more shots in one frame each.
    shape
        Height and width of a frame, those of both alike.
    alike
        Whether both lie about alike, as frames of a clip do: no shift is looked for.

    Returns
    -------
    Registration
        Also where there is none, with the reason.
    """
    first, second = (_Courses.of(lines, shape) for lines in (before, after))
    fewest = FEWEST_ALIKE if alike else FEWEST
    if min(len(first.middle), len(second.middle)) < fewest:
        return _registration(_Fit(start(), 0, 0.0, np.inf), shape, fewest=fewest)
    if alike:
        motion = start()
        for reach_px in ALIKE_STAGES_PX:
            motion = _closer(first, second, motion, reach_px, HELD, at_most=MOST_LINKED)
        held = _judged(first, second, motion, at_most=MOST_LINKED)
        return _registration(held, shape, fewest=fewest)
    poses = _poses(first, second)
    coarse = [_coarse(first, second, pose) for pose in poses]
    best = max(coarse, key=lambda one: _judged(first, second, one, at_most=FEW_LINKED).n_grooves)
    flat = _fine(first, second, best, FLAT)
    curved = _fine(first, second, flat.motion, CURVED)
    bent = curved.motion.bend_significance() > BEND_CHI_SQUARE
    found = curved if bent and curved.n_grooves > flat.n_grooves else flat
    return _registration(found, shape, fewest=fewest)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """A motion, how many lines lie on a course, and how many do by chance."""

    motion: PanelMotion
    n_grooves: int
    n_by_chance: float
    residual_px: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Courses:
    """Middles and directions of lines, in units of half the longer side, the clearest first."""

    middle: Floats
    direction: Floats
    half_length: Floats
    half_px: float
    shape: tuple[int, int]

    @staticmethod
    def of(lines: Lines, shape: tuple[int, int]) -> "_Courses":
        middle, direction = lines.middles()
        clearest = np.argsort(-lines.evidence, kind="stable")[:MOST_COURSES]
        half_px = max(shape) / 2
        origin = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
        return _Courses(
            middle=((middle - origin) / half_px)[clearest],
            direction=direction[clearest],
            half_length=(lines.total(lines.length_px) / 2 / half_px)[clearest],
            half_px=half_px,
            shape=shape,
        )

    def field(self) -> NDArray[np.float32]:
        """Draw the courses coarsely, one picture for each direction, without slow changes."""
        rows, columns = (side // CELL_PX + 1 for side in self.shape)
        field = np.zeros((N_CHANNELS, rows, columns), np.float32)
        reach = (self.half_length + AHEAD_PX / self.half_px)[:, None] * self.direction
        ends = self._cells(self.middle - reach), self._cells(self.middle + reach)
        angle = np.arctan2(self.direction[:, 1], self.direction[:, 0]) % np.pi
        channel = np.round(angle / np.pi * N_CHANNELS).astype(np.int64) % N_CHANNELS
        for number, first, last in zip(channel, *ends, strict=True):
            cv2.line(field[number], first, last, 1.0)
        return np.stack([one - cv2.GaussianBlur(one, (0, 0), WIDE_CELLS) for one in field])

    def _cells(self, xy: Floats) -> list[tuple[int, int]]:
        origin = np.array([self.shape[1], self.shape[0]]) / 2
        cells = np.floor((xy * self.half_px + origin) / CELL_PX).astype(np.int64)
        return [(int(x), int(y)) for x, y in cells]


def _poses(before: _Courses, after: _Courses) -> list[PanelMotion]:
    """Return the likeliest shifts, turns and scales by correlation, the best first."""
    fixed, moving = before.field(), after.field()
    rows, columns = fixed.shape[1:]
    size = tuple(cv2.getOptimalDFTSize(side * 3 // 2) for side in (rows, columns))
    spectrum = np.fft.rfft2(fixed, s=size)
    middle = np.array([columns, rows]) / 2 - 0.5
    found: list[tuple[float, PanelMotion]] = []
    for turn in TURNS_RAD:
        rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        for log_scale in LOG_SCALES:
            linear = np.exp(log_scale) * rotation
            affine = np.column_stack([linear, middle - linear @ middle])
            turned = np.stack([cv2.warpAffine(p, affine, (columns, rows)) for p in moving])
            product = spectrum * np.conj(np.fft.rfft2(turned, s=size))
            agreement = np.fft.irfft2(product.sum(axis=0), s=size)
            peak = np.unravel_index(int(agreement.argmax()), agreement.shape)
            down, right = (
                int(k) - side if k > side // 2 else int(k)
                for k, side in zip(peak, size, strict=True)
            )
            motion = start()
            parameters = motion.parameters.copy()
            parameters[:2] = np.array([right, down]) * CELL_PX / before.half_px
            parameters[2:4] = log_scale, turn
            motion = replace(motion, parameters=parameters, covariance=np.diag(VOTED**2))
            found.append((float(agreement[peak]), motion))
    found.sort(key=lambda one: -one[0])
    return [motion for _, motion in found[:MOST_POSES]]


def _closer(
    before: _Courses,
    after: _Courses,
    motion: PanelMotion,
    reach_px: float,
    expected: Floats,
    *,
    at_most: int,
) -> PanelMotion:
    links = _links(before, after, motion, reach_px=reach_px, at_most=at_most)
    tolerance = reach_px / 2 / before.half_px
    return fit(motion, links, tolerance=tolerance, expected=expected, rounds=4)


def _coarse(before: _Courses, after: _Courses, motion: PanelMotion) -> PanelMotion:
    for reach_px, expected in COARSE_STAGES_PX:
        motion = _closer(before, after, motion, reach_px, expected, at_most=FEW_LINKED)
    return motion


def _fine(before: _Courses, after: _Courses, motion: PanelMotion, expected: Floats) -> _Fit:
    for reach_px in FINE_STAGES_PX:
        motion = _closer(before, after, motion, reach_px, expected, at_most=MOST_LINKED)
    return _judged(before, after, motion, at_most=MOST_LINKED)


def _judged(before: _Courses, after: _Courses, motion: PanelMotion, *, at_most: int) -> _Fit:
    """Count the lines on a course, and those that are where the motion is shifted off."""

    def miss_px(shift_px: Sequence[float]) -> Floats:
        parameters = motion.parameters.copy()
        parameters[:2] += np.array(shift_px) / before.half_px
        shifted = replace(motion, parameters=parameters)
        links = _links(before, after, shifted, reach_px=FINE_STAGES_PX[-1], at_most=at_most)
        miss: Floats = np.abs(residuals(shifted, links)[:, 0]) * before.half_px
        return miss[miss < AGREE_PX]

    agreeing = miss_px((0.0, 0.0))
    return _Fit(
        motion=motion,
        n_grooves=len(agreeing),
        n_by_chance=float(np.mean([len(miss_px(way)) for way in ELSEWHERE_PX])),
        residual_px=float(np.median(agreeing)) / 0.67 if len(agreeing) else np.inf,
    )


def _links(
    before: _Courses, after: _Courses, motion: PanelMotion, *, reach_px: float, at_most: int
) -> Links:
    """Link each line to the course, within reach, of the nearest line of its direction."""
    unit = before.half_px
    middle = after.middle[:at_most]
    here = motion.forth(middle)
    ahead = motion.forth(middle + 1e-3 * after.direction[:at_most]) - here
    ahead /= np.linalg.norm(ahead, axis=-1, keepdims=True)
    side = np.stack([-before.direction[:, 1], before.direction[:, 0]], axis=-1)
    across = np.abs(here @ side.T - np.sum(before.middle * side, axis=-1))
    along = np.abs(here @ before.direction.T - np.sum(before.middle * before.direction, axis=-1))
    sine = np.abs(ahead @ side.T)
    near_px = along * unit
    allowed = ALIKE_SINE + near_px / BEND_PX
    cost = across * unit + near_px / NEAR_PX * reach_px
    cost[(across * unit > reach_px) | (near_px > NEAR_PX) | (sine > allowed)] = np.inf
    best = np.argmin(cost, axis=1)
    rows = np.flatnonzero(np.isfinite(cost[np.arange(len(best)), best]))
    best = best[rows]
    sag_px = near_px[rows, best] ** 2 / (2 * BEND_PX)
    return Links(
        after=middle[rows],
        before=before.middle[best],
        normal=side[best],
        deviation=np.hypot(ACROSS_SD_PX, sag_px) / unit,
        is_point=np.zeros(len(rows), dtype=bool),
    )


def _registration(found: _Fit, shape: tuple[int, int], *, fewest: int) -> Registration:
    """Return the registration that a fit makes, or the reason why it makes none."""
    height, width = shape
    half_px = max(shape) / 2
    middle_px = np.array([(width - 1) / 2, (height - 1) / 2])
    from_unit = np.array([[half_px, 0, middle_px[0]], [0, half_px, middle_px[1]], [0, 0, 1]])
    motion = found.motion
    panel_map = PanelMap(
        homography=from_unit @ motion.homography @ np.linalg.inv(from_unit),
        bend_px=motion.bend * half_px,
        middle_px=middle_px,
        half_px=half_px,
    )
    x, y = (np.linspace(0, side - 1, GRID) for side in (width, height))
    grid_px = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    there_px = panel_map.to_before(grid_px)
    shared = np.all((there_px >= 0) & (there_px <= (width - 1, height - 1)), axis=-1)
    overlap = float(shared.mean())
    uncertainty_px = np.inf
    if shared.any():
        spread = motion.spread((grid_px[shared] - middle_px) / half_px)
        uncertainty_px = half_px * float(np.sqrt(np.trace(spread, axis1=1, axis2=2).mean()))
    reason = f"rests on the courses of {found.n_grooves} lines"
    registered = False
    sure = found.n_by_chance + SURE_SD * np.sqrt(found.n_by_chance + 1)
    n_needed = max(fewest, math.ceil(sure))
    if found.n_grooves < n_needed:
        reason = f"{found.n_grooves} lines lie on a course where {n_needed} are needed"
    elif uncertainty_px > MAX_UNCERTAINTY_PX:
        reason = f"the courses of grooves leave the map open by about {uncertainty_px:.0f} px"
    elif overlap < MIN_OVERLAP:
        reason = f"they share {100 * overlap:.0f} % of the picture"
    else:
        registered = True
    homography, bend_px = np.full((3, 3), np.nan), 0.0
    if registered:
        homography, bend_px = panel_map.flattened(grid_px[shared])
    return replace(
        Registration.same(),
        registered=registered,
        tells_scale=found.n_grooves >= n_needed
        and uncertainty_px <= MAX_SCALE_UNCERTAINTY_PX
        and overlap >= MIN_OVERLAP,
        reason=reason,
        homography_after_to_before=homography,
        residual_px=found.residual_px,
        held_out_px=found.residual_px,
        uncertainty_px=uncertainty_px,
        bend_px=bend_px,
        overlap=overlap,
        edges_found=0.0,
        panel_map=panel_map,
    )
