"""What the scale card is: a frame of coded marks round a window, the same on A4 and Letter.

Card coordinates are millimetres from the card's middle, x to the right and y down, the card
upright: the ruler runs down its left side.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

WIDTH_MM, HEIGHT_MM = 196.0, 262.0
FRAME_MM = 26.0
BORDER_MM = 1.5
RULER_MM = 200.0
RULER_STRIP_MM = 3.0
TAG_MM = 16.0
TAG_MODULES = 8
N_TAGS = 12
# Of white round each mark's black rim: one module, without which it is not found on dark paint.
QUIET_MM = TAG_MM / TAG_MODULES
_TAG_INSET_MM = BORDER_MM + RULER_STRIP_MM + QUIET_MM + TAG_MM / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Tag:
    """One coded mark of the card.

    Attributes
    ----------
    number
        Its number in the AprilTag family 36h11.
    x_mm, y_mm
        Its middle.
    """

    number: int
    x_mm: float
    y_mm: float

    def corners_mm(self) -> Floats:
        """Return the corners of its black rim, clockwise from the top left, shape (4, 2)."""
        return np.array([self.x_mm, self.y_mm]) + TAG_MM / 2 * CORNER_SIGNS

    def modules(self) -> NDArray[np.bool_]:
        """Tell which of its squares are black, shape (8, 8), rows from the top."""
        return np.asarray(
            cv2.aruco.generateImageMarker(dictionary(), self.number, TAG_MODULES, borderBits=1) == 0
        )


CORNER_SIGNS: Floats = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])


def dictionary() -> cv2.aruco.Dictionary:
    """Return the card's marks: the first twelve of the family 36h11.

    Any two of the family differ in eleven bits or more, however turned, so that five that are
    misread can be put right.

    References
    ----------
    Olson, "AprilTag: A robust and flexible visual fiducial system", ICRA 2011, for the family's
    kind; family 36h11 as the library holds it.
    """
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    return cv2.aruco.Dictionary(family.bytesList[:N_TAGS], family.markerSize, 5)


def _place_tags() -> tuple[Tag, ...]:
    x, y = WIDTH_MM / 2 - _TAG_INSET_MM, HEIGHT_MM / 2 - _TAG_INSET_MM
    across = np.linspace(-x, x, 4)
    down = np.linspace(-y, y, 4)
    places = [
        *((u, -y) for u in across),
        *((x, v) for v in down[1:]),
        *((u, y) for u in across[-2::-1]),
        *((-x, v) for v in down[-2:0:-1]),
    ]
    return tuple(Tag(number=i, x_mm=float(u), y_mm=float(v)) for i, (u, v) in enumerate(places))


TAGS = _place_tags()


def outline_mm(*, grow_mm: float = 0.0) -> Floats:
    """Return the corners of the card's outer edge, moved outwards, shape (4, 2)."""
    return CORNER_SIGNS * (WIDTH_MM / 2 + grow_mm, HEIGHT_MM / 2 + grow_mm)


def window_mm(*, shrink_mm: float = 0.0) -> Floats:
    """Return the corners of the window, moved inwards, shape (4, 2)."""
    inset = FRAME_MM + shrink_mm
    return CORNER_SIGNS * (WIDTH_MM / 2 - inset, HEIGHT_MM / 2 - inset)
