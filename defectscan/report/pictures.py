"""Make photos ready for a page: one JPEG each, and what is drawn over it as plain points."""

from collections.abc import Iterable
from itertools import groupby

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.report.content import Coverage, DensityMap, Line, Picture
from defectscan.report.marks import Cell, Heat, Layer, Photo, Polyline
from defectscan.report.palette import COVER, HEAT
from defectscan.report.wording import number

LONGEST_PX = 1600
THUMBNAIL_PX = 720
_QUALITY = 80
_SMOOTHING_PX = 0.5
_VEILED_MEAN = 52.0


def encode(image: NDArray[np.uint8], longest_px: int = LONGEST_PX) -> Photo:
    """Reduce a picture and encode it as JPEG.

    Parameters
    ----------
    image
        (height, width, 3), 8 bit sRGB, red first.
    longest_px
        Neither side of the JPEG will be longer than this.

    Returns
    -------
    Photo
        With the size of the picture as it came.
    """
    height, width = image.shape[:2]
    small: cv2.typing.MatLike = image
    # Halving is quick, and so is the last step: averaging by any other factor at once takes five
    # times as long as both.
    while max(small.shape[:2]) >= 2 * longest_px:
        small = _resized(small, 0.5, cv2.INTER_AREA)
    if max(small.shape[:2]) > longest_px:
        small = _resized(small, longest_px / max(small.shape[:2]), cv2.INTER_LINEAR)
    done, data = cv2.imencode(
        ".jpg", cv2.cvtColor(small, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, _QUALITY]
    )
    if not done:
        raise RuntimeError("the JPEG encoder refused the picture")
    brightest = float(small[::8, ::8].mean(axis=(0, 1)).max())
    veil = min(0.8, max(0.25, 1 - _VEILED_MEAN / max(brightest, 1.0)))
    return Photo(jpeg=data.tobytes(), width_px=width, height_px=height, veil=round(veil, 2))


def layer(style: str, lines: Iterable[Line]) -> Layer:
    """Gather lines as one layer, points within half a pixel of the course left out."""
    return Layer(style=style, paths=tuple(_thinned(line.points_px) for line in lines))


def frame_layer(picture: Picture) -> Layer:
    """Draw the measuring zone's outlines and the highlight, where they are known."""
    paths = [_thinned(outline, 1.0) for outline in picture.zone_px if len(outline) > 2]
    if picture.highlight is not None:
        spot, angle = picture.highlight, np.linspace(0, 2 * np.pi, 60, endpoint=False)
        circle = np.column_stack([np.cos(angle), np.sin(angle)]) * spot.radius_px
        paths.append(_thinned(circle + np.array([spot.x_px, spot.y_px]), 0.0))
    return Layer(style="frame", paths=tuple(paths), closed=True)


def outline(zone: NDArray[np.bool_]) -> tuple[NDArray[np.float64], ...]:
    """Trace the outlines of a measuring zone, holes as well.

    Parameters
    ----------
    zone
        (height, width), true inside.

    Returns
    -------
    tuple of arrays
        Closed outlines, each (n, 2), x and y in pixels.
    """
    found, _ = cv2.findContours(zone.astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    return tuple(contour[:, 0].astype(np.float64) for contour in found)


def heat(density_map: DensityMap, unit: str) -> Heat:
    """Sort the cells of a density map into the colours of its key."""
    values = np.asarray(density_map.values, dtype=float)
    measured = np.isfinite(values)
    if not measured.any():
        return Heat(cells=(), key=())
    top = _round_up(float(values[measured].max()))
    left, upper, right, lower = density_map.extent_px
    rows, columns = values.shape
    width, height = (right - left) / columns, (lower - upper) / rows
    cells = tuple(
        Cell(
            x_px=round(left + (column + 0.04) * width, 1),
            y_px=round(upper + (row + 0.04) * height, 1),
            width_px=round(0.92 * width, 1),
            height_px=round(0.92 * height, 1),
            level=max(0, min(len(HEAT) - 1, int(len(HEAT) * values[row, column] / top))),
        )
        for row, column in np.argwhere(measured).tolist()
    )
    steps = [number(top * i / len(HEAT)) for i in range(len(HEAT) + 1)]
    key = tuple(
        (colour, f"{steps[i]} to {steps[i + 1]}" + (f" {unit}" if i == len(HEAT) - 1 else ""))
        for i, colour in enumerate(HEAT)
    )
    return Heat(cells=cells, key=key)


def cover(coverage: Coverage) -> Heat:
    """Sort the cells of covered ground by how many shots cover them, alike ones in one piece."""
    left, upper, right, lower = coverage.extent_px
    rows, columns = coverage.n_shots.shape
    width, height = (right - left) / columns, (lower - upper) / rows
    cells = []
    first = 0
    for counts, same in groupby(np.minimum(coverage.n_shots, len(COVER)).tolist()):
        n_rows, column = len(list(same)), 0
        for count, alike in groupby(counts):
            n = len(list(alike))
            if count:
                cells.append(
                    Cell(
                        x_px=round(left + column * width, 1),
                        y_px=round(upper + first * height, 1),
                        width_px=round(n * width, 1),
                        height_px=round(n_rows * height, 1),
                        level=count - 1,
                    )
                )
            column += n
        first += n_rows
    names = ("Covered once", "Covered twice", "Covered more often")
    return Heat(cells=tuple(cells), key=tuple(zip(COVER, names, strict=True)), style="cover")


def rings(places_px: NDArray[np.floating], radius_px: float) -> Layer:
    """Draw a small ring round each place."""
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    circle = np.column_stack([np.cos(angle), np.sin(angle)]) * radius_px
    paths = tuple(_thinned(circle + place, 0.0) for place in places_px)
    return Layer(style="highlight", paths=paths, closed=True)


def _resized(image: cv2.typing.MatLike, scale: float, interpolation: int) -> cv2.typing.MatLike:
    height, width = (max(1, round(side * scale)) for side in image.shape[:2])
    return cv2.resize(image, (width, height), interpolation=interpolation)


def _thinned(points_px: NDArray[np.floating], smoothing_px: float = _SMOOTHING_PX) -> Polyline:
    points = np.ascontiguousarray(points_px, dtype=np.float32).reshape(-1, 2)
    kept = cv2.approxPolyDP(points, smoothing_px, closed=False)[:, 0] if len(points) > 2 else points
    return tuple((round(float(x), 1), round(float(y), 1)) for x, y in kept)


def _round_up(value: float) -> float:
    """Round up to a number that a fifth of is still round."""
    if value <= 0:
        return 1.0
    power = 10.0 ** np.floor(np.log10(value))
    return float(next(f * power for f in (1, 1.5, 2, 2.5, 3, 4, 5, 7.5, 10) if f * power >= value))
