"""Tell bare paint from what covers or bounds it."""

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.imaging.highlight import Highlight

Image = NDArray[Any]
Mask = NDArray[np.bool_]

SHRINK = 4
EDGE_STEP = 0.10
EDGE_NOISE = 8.0
MARGIN_PX = 10


def background_luminance(luminance: Image) -> Image:
    """Return the paint's luminance without lines and specks, shape (H, W), above zero."""
    height, width = luminance.shape
    small = cv2.resize(luminance, (-(-width // 8), -(-height // 8)), interpolation=cv2.INTER_AREA)
    smooth = cv2.medianBlur(small, 5)
    return np.maximum(cv2.resize(smooth, (width, height)), np.float32(1e-4))


def paint_mask(rgb: NDArray[np.uint8], highlight: Highlight | None) -> Mask:
    """Return where bare paint is: the ground round the highlight that no edge divides.

    The light falls off smoothly over paint. Where lightness or colour steps, something else
    begins: trim, tape, an emblem, a gap. The ground is the region without such steps that the
    highlight lies in; with no highlight, the largest one.

    Parameters
    ----------
    rgb
        The photo, sRGB, shape (H, W, 3).
    highlight
        The lamp's mirror image, if there is one.
    """
    height, width = rgb.shape[:2]
    size = (-(-width // SHRINK), -(-height // SHRINK))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    smooth = cv2.medianBlur(cv2.medianBlur(small, 7), 7)
    log = np.log2(cv2.GaussianBlur(smooth.astype(np.float32), (0, 0), 1.0) + 4)
    grey = log.mean(axis=-1)
    channels = [grey, *cv2.split(log - grey[..., None])]
    if highlight is not None:
        # The bloom grows paler towards the highlight, in steps where a channel is full.
        radial = _radial(channels, highlight)
        channels = [channel - own for channel, own in zip(channels, radial, strict=True)]
    step = np.zeros(grey.shape, dtype=np.float32)
    for channel in channels:
        plane = np.ascontiguousarray(channel)
        across = cv2.Sobel(plane, cv2.CV_32F, 1, 0) / 4
        down = cv2.Sobel(plane, cv2.CV_32F, 0, 1) / 4
        slope = cv2.magnitude(across, down)
        noise = 1.4826 * float(np.median(slope))
        step = np.maximum(step, slope / max(EDGE_STEP, EDGE_NOISE * noise))
    border = step > 1
    if highlight is not None:
        y, x = np.mgrid[: size[1], : size[0]]
        away = np.hypot(x - highlight.x_px / SHRINK, y - highlight.y_px / SHRINK)
        border &= away > 1.8 * highlight.bloom_px / SHRINK + 2
    n, label, stats, _ = cv2.connectedComponentsWithStats(
        (~border).astype(np.uint8), connectivity=4
    )
    if n < 2:
        return np.zeros((height, width), dtype=bool)
    if highlight is None:
        ground = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    else:
        around = label[(away < 2.5 * highlight.bloom_px / SHRINK + 3) & ~border]
        ground = int(np.bincount(around).argmax()) if around.size else 0
    paint = (label == ground).astype(np.uint8)
    # Small islands are specks and bright scratches: they lie on paint.
    holes, hole, stats, _ = cv2.connectedComponentsWithStats(1 - paint, connectivity=8)
    island = np.flatnonzero(stats[:, cv2.CC_STAT_AREA] < 200)
    paint[np.isin(hole, island[island > 0])] = 1
    del holes
    margin = 2 * round(MARGIN_PX / SHRINK) + 1
    framed = cv2.copyMakeBorder(paint, 1, 1, 1, 1, cv2.BORDER_REPLICATE)
    ellipse = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (margin, margin))
    framed = cv2.erode(framed, ellipse, borderType=cv2.BORDER_REPLICATE)
    full = cv2.resize(framed[1:-1, 1:-1], (width, height), interpolation=cv2.INTER_NEAREST)
    return full.astype(bool)


def _radial(channels: Sequence[Image], highlight: Highlight) -> list[Image]:
    """Return the medians of small pictures round the highlight, ring by ring, as pictures."""
    height, width = channels[0].shape
    x = np.arange(width, dtype=np.float32) - highlight.x_px / SHRINK
    y = np.arange(height, dtype=np.float32)[:, None] - highlight.y_px / SHRINK
    ring = np.hypot(x, y) / 3
    # Every second pixel each way is enough for a median.
    some = (slice(None, None, 2),) * 2
    number = ring[some].astype(np.int64).ravel()
    order = np.argsort(number, kind="stable")
    known, starts, counts = np.unique(number[order], return_index=True, return_counts=True)
    # A row a ring, filled up to the longest: sorting all at once is twice as quick.
    row = np.repeat(np.arange(len(known)), counts)
    rows = np.full((len(channels), len(known), counts.max()), np.inf, dtype=np.float32)
    values = np.stack([channel[some].ravel()[order] for channel in channels])
    rows[:, row, np.arange(len(number)) - starts[row]] = values
    rows.sort(axis=-1)
    each = np.arange(len(known))
    medians = (rows[:, each, (counts - 1) // 2] + rows[:, each, counts // 2]) / 2
    return [np.interp(ring, known + 0.5, profile).astype(np.float32) for profile in medians]
