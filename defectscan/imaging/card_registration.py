"""Register shots of one state by the scale card that lies still in them."""

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.imaging.card import Card
from defectscan.imaging.panel_motion import project
from defectscan.imaging.registration import (
    MAX_UNCERTAINTY_PX,
    MIN_OVERLAP,
    Registration,
)

Floats = NDArray[np.float64]


def card_homography(before: Card, after: Card) -> Floats:
    """Return the homography from after to before that the card's two places tell, shape (3, 3).

    Parameters
    ----------
    before, after
        The card in each shot; it is only as true as the card lay still.
    """
    matrix = before.homography_mm_to_px @ np.linalg.inv(after.homography_mm_to_px)
    return np.asarray(matrix / matrix[2, 2])


def register_by_card(before: Card, after: Card, *, shape: tuple[int, int]) -> Registration:
    """Register an after shot on a before shot by the card alone.

    Nothing in the pictures tells whether the card was moved in between: this is for shots of
    one state, taken one after the other.

    Parameters
    ----------
    before, after
        The card in each shot.
    shape
        Height and width of both.
    """
    homography = card_homography(before, after)
    uncertainty_px = float(
        np.hypot.reduce(
            [part for card in (before, after) for part in (card.homography_error_px, card.bend_px)]
        )
    )
    height, width = shape
    frame = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=np.float64)
    there = project(homography, frame)
    shared_px2, _ = cv2.intersectConvexConvex(frame.astype(np.float32), there.astype(np.float32))
    overlap = float(shared_px2) / (width * height)
    registered = uncertainty_px <= MAX_UNCERTAINTY_PX and overlap >= MIN_OVERLAP
    return replace(
        Registration.same(),
        registered=registered,
        tells_scale=registered,
        reason="rests on the scale card, taken to have lain still"
        if registered
        else f"the scale card leaves the map open by {uncertainty_px:.1f} px, over "
        f"{100 * overlap:.0f} % of the picture",
        homography_after_to_before=homography if registered else np.full((3, 3), np.nan),
        residual_px=float(np.hypot(before.residual_px, after.residual_px)),
        held_out_px=float("nan"),
        uncertainty_px=uncertainty_px,
        overlap=overlap,
        edges_found=0.0,
        panel_map=replace(Registration.same().panel_map, homography=homography),
    )
