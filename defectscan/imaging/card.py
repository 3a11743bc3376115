"""Find the scale card in a photo: scale, tilt and map of the panel, with their uncertainty."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.errors import DefectscanError
from defectscan.imaging.card_layout import (
    RULER_MM,
    TAGS,
    Floats,
    outline_mm,
    window_mm,
)
from defectscan.imaging.card_pose import CardPose, Lens, fit_pose, project, tilt_vector_deg
from defectscan.imaging.card_tags import encoded, find_tags, look_for_tags

Mask = NDArray[np.bool_]

# How far a ruler may be off to have been measured on this card: any printer's "fit to page".
LEAST_CARD_MM, MOST_CARD_MM = 0.8 * RULER_MM, 1.2 * RULER_MM
WRONG_SIZE_PERCENT = 1.0
# Standard errors of the printed size, assumed: a printer left to itself, and reading a steel rule.
_PRINTED_SIZE_SE = 0.005
_RULER_READING_SE_MM = 0.25
_FEWEST_TAGS = 2
_LOOKS = 3
# A mark whose corners miss by this share of its side is not lying where the others say.
_MOST_MISS = 0.03
_EXPECTED_MISS_PX = 0.6
_STEPS_A_SIDE = 12
_PLACES_FOR_ERROR = 100


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Card:
    """The scale card in a photo. Standard errors are one standard deviation.

    Attributes
    ----------
    mm_per_px
        At the card's middle: the square root of the panel's area over the pixels' area there.
    mm_per_px_standard_error
        Of it, from the fit and from how well the printed size is known.
    fit_standard_error
        From the fit alone, were the printed size exact.
    tilt_deg, tilt_standard_error_deg
        Angle between the panel's normal at the card's middle and the line of sight to it; under
        two standard errors it is likely nought.
    homography_mm_to_px
        From card coordinates in true mm to pixels, shape (3, 3), its last entry 1. On a curved
        panel the best fit over the card.
    homography_covariance
        Of its first eight entries, row by row, shape (8, 8); the printed size is taken as exact.
    homography_error_px
        Expected error of the map over the window, root mean square.
    bend_px
        Distance between the homography and the bent sheet, root mean square over the card.
    curvature_per_mm
        Of the panel in card coordinates, positive where it bulges to the camera, shape (2, 2).
    residual_px
        Root mean square of the corners' distances from the fit.
    tag_numbers
        The marks that it rests on.
    print_scale
        Printed over drawn size.
    card_mm
        What the user measured of the ruler, or ``None``.
    outline_px, window_px
        The card's outer edge and its window, each a closed polygon, shape (n, 2).
    pose
        The fit behind it all.
    """

    mm_per_px: float
    mm_per_px_standard_error: float
    fit_standard_error: float
    tilt_deg: float
    tilt_standard_error_deg: float
    homography_mm_to_px: Floats
    homography_covariance: Floats
    homography_error_px: float
    bend_px: float
    curvature_per_mm: Floats
    residual_px: float
    tag_numbers: tuple[int, ...]
    print_scale: float
    card_mm: float | None
    outline_px: Floats
    window_px: Floats
    pose: CardPose

    @property
    def printed_wrong(self) -> bool:
        """Tell whether the ruler was measured and is more than 1 % off."""
        return abs(self.print_scale - 1) * 100 > WRONG_SIZE_PERCENT

    def to_px(self, xy_mm: Floats) -> Floats:
        """Map places on the panel, mm from the card's middle, to pixels, shape (n, 2)."""
        return self.pose.to_px(np.asarray(xy_mm, dtype=np.float64))

    def to_mm(self, xy_px: Floats) -> Floats:
        """Map pixels to places on the panel, mm from the card's middle, shape (n, 2).

        The sheet's curvature is carried on beyond the card; far from it the map may be wrong.
        """
        pixels = np.asarray(xy_px, dtype=np.float64)
        at = _apply(np.linalg.inv(self.homography_mm_to_px), pixels)
        for _ in range(8):
            step = np.linalg.solve(
                _derivative(self.pose.parameters, self.pose.lens, at),
                (pixels - self.to_px(at))[..., None],
            )
            at = at + np.clip(step[..., 0], -20, 20)
        return at

    def mm_per_px_at(self, xy_px: Floats) -> Floats:
        """Return the scale at pixels, as `mm_per_px` is meant, shape (n,) for shape (n, 2)."""
        return _scale(_derivative(self.pose.parameters, self.pose.lens, self.to_mm(xy_px)))

    def mean_mm_per_px(self, xy_px: Floats) -> tuple[float, float, float]:
        """Return the scale over places, root mean square, with its relative standard errors.

        Away from the card its tilt, bend and lens are less well known than at its middle.

        Parameters
        ----------
        xy_px
            Shape (n, 2), at least one.

        Returns
        -------
        tuple
            Millimetres per pixel; its relative standard error in all; that of the fit alone.
        """

        def mean(parameters: Floats, places: Floats) -> NDArray[np.floating]:
            card = replace(self, pose=replace(self.pose, parameters=parameters))
            return np.asarray(np.sqrt(np.mean(card.mm_per_px_at(places) ** 2)))

        pose = self.pose
        # A few places tell the error well enough.
        few = xy_px[:: -(-len(xy_px) // _PLACES_FOR_ERROR)]
        slopes = _slopes(pose, lambda parameters: np.log(mean(parameters, few)))
        fit_se = self.fit_standard_error / self.mm_per_px
        if np.isfinite(slopes).all():
            fit_se = max(fit_se, math.sqrt(max(float(slopes @ pose.covariance @ slopes), 0.0)))
        size_se = math.sqrt(max(self.mm_per_px_standard_error**2 - self.fit_standard_error**2, 0.0))
        return (
            float(mean(pose.parameters, xy_px)),
            math.hypot(fit_se, size_se / self.mm_per_px),
            fit_se,
        )

    def mask(self, shape: tuple[int, int], *, margin_mm: float = 2.5) -> Mask:
        """Mark the pixels of the card, its edges' shadow and what a cut may be off.

        Parameters
        ----------
        shape
            Height and width of the photo.
        margin_mm
            How far the mask goes beyond the card, outside and into the window.
        """
        drawn = np.zeros(shape, dtype=np.uint8)
        printed = self.print_scale
        for corners, value in (
            (outline_mm(grow_mm=margin_mm / printed), 1),
            (window_mm(shrink_mm=margin_mm / printed), 0),
        ):
            edge = self.to_px(_along(corners) * printed)
            cv2.fillPoly(drawn, [np.round(edge * 16).astype(np.int32)], value, shift=4)
        return drawn.astype(bool)


def printed_scale(card_mm: float | None) -> float:
    """Return printed over drawn size from what the user measured of the ruler.

    Parameters
    ----------
    card_mm
        Length of the printed 200 mm ruler; ``None`` takes the print as true.

    Raises
    ------
    DefectscanError
        If no print of the card has a ruler of that length.
    """
    if card_mm is None:
        return 1.0
    if not LEAST_CARD_MM <= card_mm <= MOST_CARD_MM:
        raise DefectscanError(
            f"a ruler of {card_mm:g} mm does not belong to a scale card",
            allowed=f"drawn as {RULER_MM:g} mm, it prints at {LEAST_CARD_MM:g} to "
            f"{MOST_CARD_MM:g} mm",
            remedy="measure from 0 to 200 with a steel rule, in millimetres, or print the card "
            "again at actual size",
        )
    return card_mm / RULER_MM


def find_card(
    grey: NDArray[np.generic], *, card_mm: float | None = None, focal_px: float | None = None
) -> Card | None:
    """Find the scale card.

    Parameters
    ----------
    grey
        The photo: linear luminance from 0 to 1, floating, or sRGB grey, uint8; shape (H, W).
    card_mm
        Length that the user measured of the printed 200 mm ruler; ``None`` takes it as true, with
        a standard error of 0.5 %.
    focal_px
        The lens's focal length in this photo's pixels, where it is known to a few per cent.

    Returns
    -------
    Card or None
        ``None`` where fewer than two marks of a card that agree are in the picture.

    Raises
    ------
    DefectscanError
        If no print of the card has a ruler of that length.
    """
    printed = printed_scale(card_mm)
    picture = encoded(grey)
    lens = Lens(width_px=picture.shape[1], height_px=picture.shape[0], focal_px=focal_px)
    tags = find_tags(picture)
    pose, tags = _fit(tags, printed, lens)
    # What one look misses is found where the others say that it lies.
    for _ in range(_LOOKS):
        if pose is None:
            return None
        expected = {
            tag.number: pose.to_px(tag.corners_mm() * printed)
            for tag in TAGS
            if tag.number not in tags
        }
        more = look_for_tags(picture, expected)
        if not more:
            break
        pose, tags = _fit(tags | more, printed, lens)
    return None if pose is None else _measure(pose, tuple(sorted(tags)), printed, card_mm)


def _fit(
    tags: dict[int, Floats], printed: float, lens: Lens
) -> tuple[CardPose | None, dict[int, Floats]]:
    """Fit the pose to marks, leaving out those that do not lie where the others say."""
    tags = dict(tags)
    while len(tags) >= _FEWEST_TAGS:
        corners_mm = np.concatenate([TAGS[n].corners_mm() for n in tags]) * printed
        pose = fit_pose(corners_mm, np.concatenate(list(tags.values())), lens)
        if pose is None:
            break
        misses = np.sqrt((pose.residuals_px**2).sum(axis=1).reshape(-1, 4).mean(axis=1))
        sides = np.array([math.sqrt(cv2.contourArea(c.astype(np.float32))) for c in tags.values()])
        excess = misses / np.maximum(_MOST_MISS * sides, _EXPECTED_MISS_PX)
        if excess.max() <= 1:
            return pose, tags
        del tags[list(tags)[int(excess.argmax())]]
    return None, {}


def _measure(pose: CardPose, tags: tuple[int, ...], printed: float, card_mm: float | None) -> Card:
    outline, window = _along(outline_mm()) * printed, _along(window_mm()) * printed
    over = np.concatenate([outline, window, _grid(window)])
    here = _figures(pose.parameters, over, pose.lens)
    slopes = _slopes(pose, lambda parameters: _figures(parameters, over, pose.lens))
    covariance = slopes @ pose.covariance @ slopes.T
    homography = np.append(here[:8], 1.0).reshape(3, 3)
    fit_se = float(np.sqrt(covariance[8, 8]))
    size_se = _PRINTED_SIZE_SE if card_mm is None else _RULER_READING_SE_MM / card_mm
    mm_per_px = math.exp(here[8])
    tilt = float(np.linalg.norm(here[9:]))
    towards = here[9:] / tilt if tilt > 0 else np.array([1.0, 0.0])
    at = _apply(homography, over)
    bend = np.sqrt(((pose.to_px(over) - at) ** 2).sum(axis=1).mean())
    return Card(
        mm_per_px=mm_per_px,
        mm_per_px_standard_error=mm_per_px * math.hypot(fit_se, size_se),
        fit_standard_error=mm_per_px * fit_se,
        tilt_deg=tilt,
        tilt_standard_error_deg=math.sqrt(float(towards @ covariance[9:, 9:] @ towards)),
        homography_mm_to_px=homography,
        homography_covariance=covariance[:8, :8],
        homography_error_px=_map_error_px(homography, covariance[:8, :8], _grid(window)),
        bend_px=float(bend),
        curvature_per_mm=pose.curvature_per_mm,
        residual_px=float(np.sqrt((pose.residuals_px**2).sum(axis=1).mean())),
        tag_numbers=tags,
        print_scale=printed,
        card_mm=card_mm,
        outline_px=pose.to_px(outline),
        window_px=pose.to_px(window),
        pose=pose,
    )


def _slopes(pose: CardPose, figures: Callable[[Floats], NDArray[np.floating]]) -> Floats:
    """Return how figures change with each of the pose's parameters, by differences."""
    steps = np.diag(0.3 * np.sqrt(np.diag(pose.covariance)) + 1e-12)
    changes = [
        (figures(pose.parameters + step) - figures(pose.parameters - step)) / (2 * step.sum())
        for step in steps
    ]
    return np.stack(changes, axis=-1)


def _figures(parameters: Floats, over: Floats, lens: Lens) -> Floats:
    """Return the homography's eight entries, the scale's logarithm, and the tilt's two parts."""
    homography = _plane_map(over, project(parameters, over, lens))
    scale = _scale(_derivative(parameters, lens, np.zeros((1, 2))))[0]
    return np.array([*homography.ravel()[:8], math.log(scale), *tilt_vector_deg(parameters)])


def _plane_map(xy_mm: Floats, xy_px: Floats) -> Floats:
    """Return the homography that fits best, its last entry 1."""
    homography, _ = cv2.findHomography(xy_mm, xy_px, 0)
    found = np.asarray(homography, dtype=np.float64)
    return found / found[2, 2]


def _map_error_px(homography: Floats, covariance: Floats, xy_mm: Floats) -> float:
    """Return the expected error of a map at places, root mean square."""
    x, y = xy_mm.T
    depth = homography[2, 0] * x + homography[2, 1] * y + 1
    u, v = _apply(homography, xy_mm).T
    one, nought = np.ones_like(x), np.zeros_like(x)
    slopes = np.stack(
        [
            np.stack([x, y, one, nought, nought, nought, -u * x, -u * y], axis=-1),
            np.stack([nought, nought, nought, x, y, one, -v * x, -v * y], axis=-1),
        ],
        axis=1,
    ) / depth.reshape(-1, 1, 1)
    variances = np.einsum("nik,kl,nil->n", slopes, covariance, slopes)
    return float(np.sqrt(variances.mean()))


def _apply(homography: NDArray[np.floating], points: Floats) -> Floats:
    mapped = np.column_stack([points, np.ones(len(points))]) @ homography.T
    places: Floats = mapped[:, :2] / mapped[:, 2:]
    return places


def _derivative(parameters: Floats, lens: Lens, xy_mm: Floats) -> Floats:
    """Return how pixels move with millimetres, shape (n, 2, 2)."""
    step = 0.5
    columns = [
        (project(parameters, xy_mm + offset, lens) - project(parameters, xy_mm - offset, lens))
        / (2 * step)
        for offset in np.diag([step, step])
    ]
    return np.stack(columns, axis=-1)


def _scale(derivative: Floats) -> Floats:
    scale: Floats = 1 / np.sqrt(np.abs(np.linalg.det(derivative)))
    return scale


def _along(corners: Floats) -> Floats:
    """Return points along the sides of a polygon."""
    share = np.arange(_STEPS_A_SIDE)[:, None] / _STEPS_A_SIDE
    following = np.roll(corners, -1, axis=0)
    sides = [a + share * (b - a) for a, b in zip(corners, following, strict=True)]
    return np.concatenate(sides)


def _grid(outline: Floats) -> Floats:
    """Return points all over a rectangle."""
    low, high = outline.min(axis=0), outline.max(axis=0)
    x, y = np.meshgrid(*(np.linspace(a, b, 7) for a, b in zip(low, high, strict=True)))
    return np.stack([x.ravel(), y.ravel()], axis=-1)
