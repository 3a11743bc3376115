"""Find the scale card's coded marks in a photo and place their corners."""

import functools

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.imaging.card_layout import (
    CORNER_SIGNS,
    N_TAGS,
    TAG_MODULES,
    TAGS,
    Floats,
    dictionary,
)

Grey = NDArray[np.uint8]

_FINDING_SIDE_PX = 2400
_NOISE_SMOOTHING_PX = 1.0
# With so few marks a second look, at the photo sharpened, is worth its time.
_FEW = 4
# Of a mark as it is printed with the photo where it is said to lie, once aligned.
_LEAST_CORRELATION = 0.75
# Of the white round a mark, in modules, that is compared with: the ruler stands beyond.
_RIM_MODULES = 0.5
_TEMPLATE_MODULES = TAG_MODULES + 2 * _RIM_MODULES
_EXPECTED_BLUR_MODULES = 0.2
# Far more than a mark is moved by where it is aligned at all.
_MOST_MOVE_MODULES = 1.5
_LEAST_MODULE_PX = 1.5


def encoded(grey: NDArray[np.generic]) -> Grey:
    """Return the photo as it would be shown, in which dark marks stand out as for the eye."""
    if grey.dtype == np.uint8:
        return np.ascontiguousarray(grey, dtype=np.uint8)
    # Unlike clip, these take what is no number for dark.
    linear = np.fmin(np.fmax(np.asarray(grey, dtype=np.float32), 0), 1)
    return np.asarray(cv2.LUT((65535 * linear).astype(np.uint16), _shown_table()), dtype=np.uint8)


@functools.cache
def _shown_table() -> Grey:
    return np.round(255 * np.linspace(0, 1, 1 << 16) ** (1 / 2.2)).astype(np.uint8)


def find_tags(picture: Grey) -> dict[int, Floats]:
    """Find the card's marks anywhere.

    Parameters
    ----------
    picture
        As shown, shape (H, W).

    Returns
    -------
    dict
        Each mark's corners by its number, pixels, shape (4, 2). A number that is seen twice is
        left out.
    """
    reduction = max(1.0, max(picture.shape) / _FINDING_SIDE_PX)
    small = picture
    if reduction > 1:
        size = [round(side / reduction) for side in picture.shape[::-1]]
        small = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    smooth = cv2.GaussianBlur(small, (0, 0), _NOISE_SMOOTHING_PX)
    found = _detect(np.asarray(smooth, dtype=np.uint8))
    if 0 < len(found) < _FEW:
        smoother = cv2.GaussianBlur(small, (0, 0), 3 * _NOISE_SMOOTHING_PX)
        sharper = cv2.addWeighted(smooth, 2.5, smoother, -1.5, 0)
        found = _detect(np.asarray(sharper, dtype=np.uint8)) | found
    factor = np.array(picture.shape[::-1]) / small.shape[::-1]
    return look_for_tags(
        picture, {number: (quad + 0.5) * factor - 0.5 for number, quad in found.items()}
    )


def _detect(picture: Grey) -> dict[int, Floats]:
    """Return the corners of the marks that are seen once, roughly."""
    settings = cv2.aruco.DetectorParameters()
    settings.minMarkerPerimeterRate = 0.02
    settings.errorCorrectionRate = 1.0
    quads, numbers, _ = cv2.aruco.ArucoDetector(dictionary(), settings).detectMarkers(picture)
    if not len(quads):
        return {}
    found = [int(number) for number in np.ravel(numbers)]
    return {
        number: np.reshape(quad, (4, 2)).astype(np.float64)
        for number, quad in zip(found, quads, strict=True)
        if number < N_TAGS and found.count(number) == 1
    }


def look_for_tags(picture: Grey, expected: dict[int, Floats]) -> dict[int, Floats]:
    """Look for marks where they are expected.

    Parameters
    ----------
    picture
        As shown, shape (H, W).
    expected
        The corners of each mark by its number, pixels, shape (4, 2), within half a module.

    Returns
    -------
    dict
        The corners of those that are there.
    """
    found = {number: _align(picture, number, corners) for number, corners in expected.items()}
    return {number: corners for number, corners in found.items() if corners is not None}


def _align(picture: Grey, number: int, corners_px: Floats) -> Floats | None:
    """Lay a mark as it is printed on the photo, by all its edges; ``None`` if it is not there.

    References
    ----------
    Evangelidis and Psarakis, "Parametric image alignment using enhanced correlation coefficient
    maximization", IEEE TPAMI 30 (2008) 1858.
    """
    sides = np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=0), axis=1) / TAG_MODULES
    height, width = picture.shape
    low = np.floor(corners_px.min(axis=0) - sides.max()).astype(int)
    high = np.ceil(corners_px.max(axis=0) + sides.max()).astype(int) + 1
    if sides.min() < _LEAST_MODULE_PX or (low < 0).any() or (high > (width, height)).any():
        return None
    patch = picture[low[1] : high[1], low[0] : high[0]]
    module_px = int(np.clip(np.ceil(sides.max()), 4, 10))
    template = _template(number, module_px)
    drawn = _corners_in_template(module_px)
    start = cv2.getPerspectiveTransform(
        drawn.astype(np.float32), (corners_px - low).astype(np.float32)
    ).astype(np.float32)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-6)
    try:
        correlation, warp = cv2.findTransformECC(
            template, patch, start, cv2.MOTION_HOMOGRAPHY, stop, np.full_like(patch, 255), 5
        )
    except cv2.error:
        return None  # It does not converge where there is nothing alike.
    corners = cv2.perspectiveTransform(drawn.reshape(-1, 1, 2), np.asarray(warp, np.float64))
    aligned = np.asarray(corners, dtype=np.float64).reshape(4, 2) + low
    moved = np.linalg.norm(aligned - corners_px, axis=1).max() / sides.max()
    if correlation < _LEAST_CORRELATION or moved > _MOST_MOVE_MODULES:
        return None
    return aligned


def _template(number: int, module_px: int) -> Grey:
    """Draw a mark with some of the white round it."""
    black = np.kron(TAGS[number].modules(), np.ones((module_px, module_px), dtype=bool))
    rim = round(_RIM_MODULES * module_px)
    drawn = np.pad(np.where(black, 0, 255).astype(np.uint8), rim, constant_values=255)
    return np.asarray(
        cv2.GaussianBlur(drawn, (0, 0), _EXPECTED_BLUR_MODULES * module_px), dtype=np.uint8
    )


def _corners_in_template(module_px: int) -> Floats:
    """Return where the corners of the black rim are, pixels, shape (4, 2)."""
    rim, side = round(_RIM_MODULES * module_px), TAG_MODULES * module_px
    return rim - 0.5 + side * (CORNER_SIGNS + 1) / 2
