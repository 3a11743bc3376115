"""Fit how the scale card lies before the camera: a bent sheet seen through a lens.

The sheet's middle has a place and a turn in space and a curvature. The camera has a focal length, a
principal point and a distortion, which one photo hardly tells: each is held near what is usual by
as much as phones differ, and what stays unknown of it shows in the covariance.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
import scipy

from defectscan.imaging.card_layout import CORNER_SIGNS, Floats

# Where the parameters stand: turn 0-2, place 3-5, then these.
_LOG_FOCAL, _PRINCIPAL, _CURVATURE, _DISTORTION, _SPREAD = 6, slice(7, 9), slice(9, 12), 12, 13
N_PARAMETERS = 14

# Main lenses of phones see some 62 to 80 degrees across the diagonal; zoomed ones far less.
_FOCAL_PER_DIAGONAL, _LOG_FOCAL_SD = 0.75, 0.35
_KNOWN_LOG_FOCAL_SD = 0.05
_PRINCIPAL_SD = 0.015  # of the diagonal
_CURVATURE_SD_PER_MM = 1 / 400
_DISTORTION_SD = 0.01  # at the picture's corner
_SPREAD_SD_MM = 0.15  # ink, blur and glare move a mark's rim
# Corners of marks in sharp photos, and how many of them this is worth.
_NOISE_PX, _NOISE_WEIGHT = 0.1, 4.0
_FIRST_NOISE_PX = 0.3
_ROUNDS = 2
# From the wrong one of a plane's two poses a fit may creep on and on.
_SETTLED, _MOST_STEPS = 1e-7, 30
# Singular values smaller than this, relative to the largest, are rounding.
_LEAST_TOLD = 3e-8


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """What is known of the camera beforehand.

    Attributes
    ----------
    width_px, height_px
        Size of the picture.
    focal_px
        Focal length, or ``None`` where it is unknown.
    """

    width_px: int
    height_px: int
    focal_px: float | None

    @property
    def diagonal_px(self) -> float:
        """Give the picture's diagonal."""
        return math.hypot(self.width_px, self.height_px)

    @property
    def middle_px(self) -> Floats:
        """Give the picture's middle, shape (2,)."""
        return np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])

    @property
    def expected_focal_px(self) -> float:
        """Give the focal length to start from."""
        return self.focal_px or _FOCAL_PER_DIAGONAL * self.diagonal_px


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CardPose:
    """A fitted pose.

    Attributes
    ----------
    parameters, covariance
        Shape (14,) and (14, 14).
    residuals_px
        Of the corners, shape (n, 2).
    noise_px
        Standard deviation of a corner's place along one axis.
    cost
        What the fit made least, to compare fits by.
    lens
        The camera.
    """

    parameters: Floats
    covariance: Floats
    residuals_px: Floats
    noise_px: float
    cost: float
    lens: Lens

    @property
    def curvature_per_mm(self) -> Floats:
        """Give the sheet's curvature, positive where it bulges to the camera, shape (2, 2)."""
        return _curvature(self.parameters)

    def to_px(self, xy_mm: Floats) -> Floats:
        """Map places on the sheet to pixels, shape (n, 2)."""
        return project(self.parameters, xy_mm, self.lens)


def project(parameters: Floats, xy_mm: Floats, lens: Lens) -> Floats:
    """Map places on a bent sheet to pixels, both shape (n, 2).

    Along each direction of principal curvature the sheet runs in an arc, so that a sheet that is
    bent one way only keeps its lengths.
    """
    curvatures, directions = np.linalg.eigh(_curvature(parameters))
    run = xy_mm @ directions
    turn = run * curvatures
    within = run * np.sinc(turn / math.pi)
    fall = run * turn / 2 * np.sinc(turn / (2 * math.pi)) ** 2
    sheet = np.column_stack([within @ directions.T, fall.sum(axis=1)])
    seen = sheet @ _turned(parameters).T + parameters[3:6]
    plane = np.exp(parameters[_LOG_FOCAL]) * seen[:, :2] / seen[:, 2:]
    radius = (plane**2).sum(axis=1, keepdims=True) / (lens.diagonal_px / 2) ** 2
    pixels: Floats = (
        plane * (1 + parameters[_DISTORTION] * radius)
        + lens.middle_px
        + parameters[_PRINCIPAL] * lens.diagonal_px
    )
    return pixels


def tilt_vector_deg(parameters: Floats) -> Floats:
    """Return the angle from the line of sight to the sheet's normal, both at its middle.

    It is a vector across the line of sight, shape (2,), so that it varies smoothly round nought.
    """
    normal = _turned(parameters)[:, 2]
    sight = parameters[3:6] / np.linalg.norm(parameters[3:6])
    right = np.array([1.0, 0, 0]) - sight[0] * sight
    right /= np.linalg.norm(right)
    across = np.array([normal @ right, normal @ np.cross(sight, right)])
    sine = float(np.linalg.norm(across))
    angle = math.atan2(sine, abs(float(normal @ sight)))
    vector: Floats = np.rad2deg(across * (angle / sine if sine > 0 else 1.0))
    return vector


def fit_pose(corners_mm: Floats, corners_px: Floats, lens: Lens) -> CardPose | None:
    """Fit the pose to the corners of marks.

    Parameters
    ----------
    corners_mm, corners_px
        Shape (4n, 2), each mark's four in the order of `CORNER_SIGNS`.
    lens
        What is known of the camera.

    Returns
    -------
    CardPose or None
        The best of the fits from the two poses that a plane may have; ``None`` where there is none.
    """
    starts = _starts(corners_mm, corners_px, lens)
    fits = [_fit_once(start, _FIRST_NOISE_PX, corners_mm, corners_px, lens) for start in starts]
    best = min(fits, key=lambda fit: fit.cost, default=None)
    for _ in range(_ROUNDS):
        if best is not None:
            best = _fit_once(best.parameters, best.noise_px, corners_mm, corners_px, lens)
    return best


def _starts(corners_mm: Floats, corners_px: Floats, lens: Lens) -> list[Floats]:
    focal = lens.expected_focal_px
    camera = np.array([[focal, 0, 0], [0, focal, 0], [0, 0, 1.0]])
    flat = np.column_stack([corners_mm, np.zeros(len(corners_mm))])
    n, turns, places, _ = cv2.solvePnPGeneric(
        flat, corners_px - lens.middle_px, camera, None, flags=cv2.SOLVEPNP_IPPE
    )
    starts = []
    for turn, place in zip(turns[:n], places[:n], strict=True):
        start = np.zeros(N_PARAMETERS)
        start[:6] = np.concatenate([turn.ravel(), place.ravel()])
        start[_LOG_FOCAL] = math.log(focal)
        if np.isfinite(start).all() and start[5] > 0:
            starts.append(start)
    return starts


def _fit_once(
    start: Floats, noise_px: float, corners_mm: Floats, corners_px: Floats, lens: Lens
) -> CardPose:
    """Fit once, and tell the noise anew from what is left over."""
    inwards = -np.tile(CORNER_SIGNS, (len(corners_mm) // 4, 1))
    usual, usual_sd = _usual(lens)

    def misses_px(at: Floats) -> Floats:
        return project(at, corners_mm + at[_SPREAD] * inwards, lens) - corners_px

    def misses(at: Floats) -> Floats:
        unusual = (at - usual)[_LOG_FOCAL:] / usual_sd
        return np.concatenate([misses_px(at).ravel() / noise_px, unusual])

    found = scipy.optimize.least_squares(
        misses, start, x_scale="jac", ftol=_SETTLED, xtol=_SETTLED, max_nfev=_MOST_STEPS
    )
    # By its singular values, so that rounding leaves no variance below nought.
    _, sizes, directions = np.linalg.svd(found.jac, full_matrices=False)
    told = sizes > _LEAST_TOLD * sizes.max()
    axes = directions[told] / sizes[told, None]
    covariance = axes.T @ axes
    measured = found.jac[: corners_px.size]
    free = corners_px.size - float(np.trace(measured @ covariance @ measured.T))
    left_px = misses_px(found.x)
    squares = float((left_px**2).sum())
    return CardPose(
        parameters=found.x,
        covariance=covariance,
        residuals_px=left_px,
        noise_px=math.sqrt((squares + _NOISE_WEIGHT * _NOISE_PX**2) / (free + _NOISE_WEIGHT)),
        cost=float(found.cost),
        lens=lens,
    )


def _usual(lens: Lens) -> tuple[Floats, Floats]:
    """Return what the parameters usually are, and the standard deviations of all but the pose."""
    usual = np.zeros(N_PARAMETERS)
    usual[_LOG_FOCAL] = math.log(lens.expected_focal_px)
    focal = _LOG_FOCAL_SD if lens.focal_px is None else _KNOWN_LOG_FOCAL_SD
    bend = _CURVATURE_SD_PER_MM
    spread = [
        focal,
        _PRINCIPAL_SD,
        _PRINCIPAL_SD,
        bend,
        bend,
        bend,
        _DISTORTION_SD,
        _SPREAD_SD_MM,
    ]
    return usual, np.array(spread)


def _curvature(parameters: Floats) -> Floats:
    xx, xy, yy = parameters[_CURVATURE]
    return np.array([[xx, xy], [xy, yy]])


def _turned(parameters: Floats) -> Floats:
    return np.asarray(cv2.Rodrigues(parameters[:3])[0], dtype=np.float64)
