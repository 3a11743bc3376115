"""Draw a panel's overlay as a picture file of its own, for those who want no page round it."""

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.report.content import Line, Panel
from defectscan.report.palette import STROKES, Stroke

_LONGEST_PX = 2000
_PX_PER_PT = 2.2
_VEIL = 0.55
_QUALITY = 90


def overlay_jpeg(panel: Panel) -> bytes:
    """Draw what became of the lines over the darkened photo, or the lines found in it.

    Parameters
    ----------
    panel
        Of a report. Where lines were followed, the photo after is drawn as it lies on the one
        before; otherwise the photo before with its own lines.

    Returns
    -------
    bytes
        A JPEG file.
    """
    image, lines = panel.before.picture.image, panel.before.picture.lines
    registration = panel.registration
    warped = None if registration is None else registration.after_on_before
    if registration is not None and warped is not None and not registration.not_followed:
        image, lines = warped, registration.lines
    scale = min(1.0, _LONGEST_PX / max(image.shape[:2]))
    drawn = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    drawn = cv2.convertScaleAbs(cv2.cvtColor(drawn, cv2.COLOR_RGB2BGR), alpha=1 - _VEIL)
    for line in lines:
        style = line.kind if line.status == "line" else line.status
        _draw(drawn, line, STROKES[style], scale)
    done, data = cv2.imencode(".jpg", drawn, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    if not done:
        raise RuntimeError("the JPEG encoder refused the picture")
    return bytes(data)


def _draw(image: cv2.typing.MatLike, line: Line, stroke: Stroke, scale: float) -> None:
    points = np.asarray(line.points_px, dtype=np.float64) * scale
    colour = [int(stroke.colour[k : k + 2], 16) for k in (5, 3, 1)]
    width = max(round(stroke.width_pt * _PX_PER_PT), 1)
    for part in _dashes(points, stroke.dash_pt):
        cv2.polylines(
            image, [np.round(part * 16).astype(np.int32)], isClosed=False, color=colour,
            thickness=width, lineType=cv2.LINE_AA, shift=4,
        )  # fmt: skip


def _dashes(
    points: NDArray[np.float64], dash_pt: tuple[float, float] | None
) -> list[NDArray[np.float64]]:
    """Cut a course of points about one pixel apart into the dashes of a stroke."""
    if dash_pt is None:
        return [points]
    on, off = (max(round(length * _PX_PER_PT * 2), 2) for length in dash_pt)
    return [points[k : k + on] for k in range(0, len(points), on + off)]
