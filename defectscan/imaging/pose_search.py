"""Where to start when two shots of a panel are to be brought together."""

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.imaging.landmark_matching import edge_links, speck_links
from defectscan.imaging.landmarks import Floats, Image, Landmarks, Mask, ShotPair
from defectscan.imaging.panel_motion import VOTED, PanelMotion, fit, join, start

_FIELD_PX = 168
_EDGE_TURNS_RAD = np.deg2rad((-7.5, -4.5, -1.5, 1.5, 4.5, 7.5))
_EDGE_LOG_SCALES = np.log((0.9, 1.0, 1.11))
_SPECK_TURNS_RAD = np.deg2rad(np.arange(-8.0, 9.0))
_SPECK_LOG_SCALES = np.arange(-7, 8) * 0.02
_VOTERS, _OPEN_VOTERS = 120, 90
_BIN_PX = 24.0
_BINS = 64
_FEWEST_VOTES = 3
_FEWEST_LINKS = 4
_LEAST_TOLERANCE_PX = 1.5
_LAST_STAGES = 10
_STILL_PX = 0.1


def poses_by_edges(
    pair: ShotPair, *, quarter_turns: int = 0, at_most: int = 3
) -> list[PanelMotion]:
    """Correlate the fields of gradients over turns and scales; return the best shifts.

    Parameters
    ----------
    pair
        The two shots.
    quarter_turns
        By how many quarter turns the camera was turned.
    at_most
        How many poses to return, the best first.
    """
    fixed, moving = _gradient_field(pair.before), _gradient_field(pair.after)
    size = cv2.getOptimalDFTSize(_FIELD_PX * 3 // 2)
    spectrum = cv2.dft(_padded(fixed, size))
    middle, moving_middle = (np.array(f.shape[1::-1]) / 2 - 0.5 for f in (fixed, moving))
    canvas = (_FIELD_PX, _FIELD_PX) if quarter_turns % 2 else fixed.shape[1::-1]
    found: list[tuple[float, PanelMotion]] = []
    for turn in _EDGE_TURNS_RAD:
        angle = turn + quarter_turns * np.pi / 2
        rotation = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        for log_scale in _EDGE_LOG_SCALES:
            linear = np.exp(log_scale) * rotation
            affine = np.column_stack([linear, middle - linear @ moving_middle])
            turned = np.asarray(cv2.warpAffine(moving, affine, canvas), dtype=np.float32)
            turned = turned @ rotation.T.astype(np.float32)
            product = cv2.mulSpectrums(spectrum, cv2.dft(_padded(turned, size)), 0, conjB=True)
            agreement = cv2.idft(product)[..., 0]
            for _ in range(2):
                peak = np.unravel_index(int(agreement.argmax()), agreement.shape)
                down, right = (int(k) - size if k > size // 2 else int(k) for k in peak)
                shift = np.array([right, down]) / (_FIELD_PX / 2)
                motion = _moved(start(quarter_turns), shift, turn, log_scale)
                found.append((float(agreement[peak]), motion))
                rows, columns = ((np.arange(k - 6, k + 7) % size) for k in peak)
                agreement[np.ix_(rows, columns)] = -np.inf
    return _distinct(found, apart=(0.08, 0.08, 0.12, 0.06), at_most=at_most)


def poses_by_specks(pair: ShotPair, around: PanelMotion, *, at_most: int = 6) -> list[PanelMotion]:
    """Let pairs of specks vote for shifts, within what is known of the motion.

    Parameters
    ----------
    pair
        The two shots.
    around
        What is known; where its turn is open, turns and scales are tried as well.
    at_most
        How many poses to return, the best first.
    """
    before, after = pair.before, pair.after
    deviation = np.sqrt(np.diag(around.covariance))
    is_open = deviation[3] > 0.02
    voters = _OPEN_VOTERS if is_open else _VOTERS
    from_after = after.to_unit(after.speck_xy_px[:voters])
    in_before = before.to_unit(before.speck_xy_px[:voters])
    if min(len(from_after), len(in_before)) < _FEWEST_VOTES:
        return []
    alike = after.speck_is_bright[:voters, None] == before.speck_is_bright[:voters]
    one, other = np.nonzero(alike)
    turns = _SPECK_TURNS_RAD if is_open else np.zeros(1)
    log_scales = _SPECK_LOG_SCALES if deviation[2] > 0.03 else np.array([0.0])
    if 0.008 < deviation[2] <= 0.03:
        log_scales = np.array([-0.015, 0.0, 0.015])
    bin_width = _BIN_PX / before.half_px
    found: list[tuple[float, PanelMotion]] = []
    for turn in turns:
        for log_scale in log_scales:
            motion = _moved(around, np.zeros(2), turn, log_scale)
            shift = in_before[other] - motion.forth(from_after)[one]
            if not is_open:
                allowed = _within(motion, from_after, one, shift, 8 / before.half_px)
                shift = shift[allowed]
            found += [
                (votes, _moved(motion, place, 0.0, 0.0))
                for votes, place in _crowds(shift, bin_width, 1 if is_open else 3)
            ]
    poses = _distinct(found, apart=(0.03, 0.03, 0.035, 0.03), at_most=at_most)
    return [replace(pose, covariance=np.diag(VOTED**2)) for pose in poses]


def linked(
    pair: ShotPair,
    motion: PanelMotion,
    *,
    expected: Floats,
    within_px: tuple[float, ...],
    specks: bool = True,
    edges: bool = True,
    at_most: int = 400,
    to_the_end: bool = False,
) -> PanelMotion | None:
    """Link landmarks and fit the motion to them by turns, with ever narrower gates."""
    grid = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0], [0.0, 0.0]])
    stages = list(within_px) + [within_px[-1]] * (_LAST_STAGES if to_the_end else 0)
    for stage, within in enumerate(stages):
        parts = [speck_links(pair, motion, within_px=within)] if specks else []
        if edges:
            reach = 8 if within > 5 else 6
            parts.append(edge_links(pair, motion, reach=reach, at_most=at_most))
        links = join(*parts)
        if len(links) < _FEWEST_LINKS:
            return None
        was = motion.forth(grid)
        tolerance = max(within / 2, _LEAST_TOLERANCE_PX) / pair.before.half_px
        motion = fit(motion, links, tolerance=tolerance, expected=expected, rounds=5)
        change = np.abs(motion.forth(grid) - was).max() * pair.before.half_px
        if stage >= len(within_px) and change < _STILL_PX:
            break
    return motion


def _gradient_field(shot: Landmarks) -> Image:
    """Return the gradient at small scale, of nearly equal length wherever there is an edge."""
    length = np.hypot(shot.step[..., 0], shot.step[..., 1])
    evened = np.where(length > 0.02, 1 / (length + 0.02), 0)[..., None] * shot.step
    size = tuple(round(side * _FIELD_PX / max(length.shape)) for side in length.shape[::-1])
    blurred = cv2.GaussianBlur(evened.astype(np.float32), (0, 0), 4.0)
    return np.asarray(cv2.resize(blurred, size, interpolation=cv2.INTER_AREA))


def _padded(field: Image, size: int) -> Image:
    padded = np.zeros((size, size, 2), dtype=np.float32)
    padded[: field.shape[0], : field.shape[1]] = field
    return padded


def _within(
    motion: PanelMotion, x: Floats, index: NDArray[np.int64], shift: Floats, least: float
) -> Mask:
    """Return which shifts, each of the point of an index into x, the covariance allows."""
    precision = np.linalg.inv(motion.spread(x) + np.eye(2) * least**2)[index]
    within: Mask = np.einsum("ni,nij,nj->n", shift, precision, shift) < 9
    return within


def _crowds(shift: Floats, width: float, at_most: int) -> list[tuple[float, Floats]]:
    """Return the shifts, of shape (n, 2), where most fall together, with their number."""
    place = (shift / width + _BINS / 2).astype(np.int64)
    inside = ((place > 0) & (place < _BINS - 1)).all(axis=1)
    place, shift = place[inside], shift[inside]
    count = np.bincount(place[:, 1] * _BINS + place[:, 0], minlength=_BINS**2)
    count = count.reshape(_BINS, _BINS)
    crowd = count[:-1, :-1] + count[1:, :-1] + count[:-1, 1:] + count[1:, 1:]
    found: list[tuple[float, Floats]] = []
    for _ in range(at_most):
        row, column = np.unravel_index(int(crowd.argmax()), crowd.shape)
        votes = int(crowd[row, column])
        if votes < _FEWEST_VOTES:
            break
        voted = (np.abs(place - np.array([column, row]) - 0.5) < 1).all(axis=1)
        found.append((float(votes), np.median(shift[voted], axis=0)))
        crowd[max(row - 1, 0) : row + 2, max(column - 1, 0) : column + 2] = 0
    return found


def _moved(motion: PanelMotion, shift: Floats, turn: float, log_scale: float) -> PanelMotion:
    parameters = motion.parameters.copy()
    parameters[:4] += (*shift, log_scale, turn)
    return replace(motion, parameters=parameters)


def _distinct(
    found: list[tuple[float, PanelMotion]],
    *,
    apart: tuple[float, float, float, float],
    at_most: int,
) -> list[PanelMotion]:
    """Return the best ones that differ, the best first."""
    kept: list[PanelMotion] = []
    for _, motion in sorted(found, key=lambda entry: -entry[0]):
        differences = [np.abs(motion.parameters - other.parameters)[:4] / apart for other in kept]
        if all(difference.max() > 1 for difference in differences):
            kept.append(motion)
        if len(kept) == at_most:
            break
    return kept
