"""Wall tilt and acceptance: which grooves the lamp can show where, learnt from the lines alone."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.measurement.lines import LEAST_LENGTH_PX, Lines

Floats = NDArray[Any]

ROUNDS = 14
CROSSWISE_DEG = 60.0
LONG_LINE = 2.0
ENDLESS_LINE = 4.0
ENDLESS_ROW = 8.0
GLINT_REACHES = 8.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Glint:
    """How the tilt that a groove's wall needs grows round the highlight.

    The needed tilt s is the gradient of the path from lamp to camera: a quadratic path gives
    s = A·(x - x0) with A symmetric, a cubic one what perspective and curved panels add.

    Attributes
    ----------
    centre_px
        Shape (2,): x0, the highlight by the lines' own account.
    coefficients
        Shape (9,): s at the centre (2), A (3), cubic terms (4), scaled such that the mean of
        A's eigenvalues is 1: so s is in pixels, and equals the radius where rings are circles.
    reach_px
        Twice the median of |u|, u = s·t, among lines: half the width of its spread were it
        even, the glint radius r_epsilon.
    scale_px
        Unit of length of the cubic terms.
    assumed
        Whether the lines' own geometry was no lamp's, so that a usual one stands in its place.
    """

    centre_px: Floats
    coefficients: Floats
    reach_px: float
    scale_px: float
    assumed: bool = False

    def tilt(self, xy_px: Floats) -> Floats:
        """Return the needed tilt, shape (..., 2), in px, at points (..., 2)."""
        off = xy_px - self.centre_px
        x, y = off[..., 0], off[..., 1]
        sx, sy, xx, xy, yy, *cubic = self.coefficients
        xxx, xxy, xyy, yyy = (part / self.scale_px for part in cubic)
        return np.stack(
            [
                sx + xx * x + xy * y + xxx * x * x + 2 * xxy * x * y + xyy * y * y,
                sy + xy * x + yy * y + xxy * x * x + 2 * xyy * x * y + yyy * y * y,
            ],
            axis=-1,
        )

    @property
    def flatness(self) -> float:
        """Smaller eigenvalue of A, 1 for circles: the unit of s is so much of a flat panel's.

        A panel curved one way needs as much more tilt per px across the curve as along it.
        """
        a, b, c = self.coefficients[2:5]
        return float(np.linalg.eigvalsh(np.array([[a, b], [b, c]]))[0])

    def acceptance(self, tilt_px: Floats, *, reach_px: float | Floats) -> Floats:
        """Return the share of all directions with |s·t| up to `reach_px`.

        Parameters
        ----------
        tilt_px
            Magnitude of the needed tilt, any shape.
        reach_px
            Half-width of the window on s·t.

        References
        ----------
        A groove glints where (l + v)·t = 0 (Kajiya and Kay 1989); an even spread of directions
        has the share (2/pi) asin(min(1, reach/|s|)) within the window.
        """
        ratio = np.minimum(1.0, reach_px / np.maximum(tilt_px, 1e-9))
        return 2 / np.pi * np.arcsin(ratio)


def circles(centre_px: Floats, *, reach_px: float = np.inf, scale_px: float = 1000.0) -> Glint:
    """Return the glint geometry of lamp and camera together over a flat panel: circles."""
    return Glint(
        centre_px=np.asarray(centre_px, dtype=np.float64),
        coefficients=np.array([0, 0, 1, 0, 1, 0, 0, 0, 0], dtype=np.float64),
        reach_px=reach_px,
        scale_px=scale_px,
    )


def cross_angle_deg(glint: Glint, lines: Lines) -> Floats:
    """Return each point's deviation from the ring's tangent, 0 to 90 degrees, shape (m,)."""
    tilt = glint.tilt(lines.xy_px)
    along = np.abs(np.sum(tilt * lines.tangent, axis=-1))
    return np.rad2deg(np.arcsin(np.minimum(along / np.linalg.norm(tilt, axis=-1), 1)))


def fit_glint(
    lines: Lines,
    centre_px: Floats,
    *,
    least_radius_px: float,
    scale_px: float,
    usual_reach_px: float,
    like: Glint | None = None,
) -> Glint:
    """Learn the glint geometry from the directions of lines.

    Among glints u = s·t is spread over the same narrow range everywhere. So the coefficients
    are the smallest eigenvector of the sum of u² against the sum of |s|², in rounds that
    leave out lines far off. What few lines cannot tell is held near what is usual: the centre
    near the highlight, rings near circles or the like shot's ellipses, small cubic terms.

    Parameters
    ----------
    lines
        Lines in the measuring zone, working pixels.
    centre_px
        The highlight, shape (2,).
    least_radius_px
        Lines nearer than this to the highlight are left out: there every direction glints.
    scale_px
        Unit of length of the cubic terms, about half the picture.
    usual_reach_px
        Reach where there are no lines to tell it: the highlight's radius, for there the lamp's
        image ends.
    like
        The geometry of another shot of the same panel.
    """
    start = circles(centre_px, reach_px=usual_reach_px, scale_px=scale_px)
    if like is not None:
        start = replace(
            like,
            centre_px=start.centre_px,
            coefficients=like.coefficients * _WITHOUT_OFFSET,
            # The other photo may be of another size.
            reach_px=like.reach_px * scale_px / like.scale_px,
            scale_px=scale_px,
            assumed=False,
        )
    glint = start
    radius = np.linalg.norm(lines.xy_px - glint.centre_px, axis=-1)
    far = radius > least_radius_px
    every_weight = _weight(lines)
    points, tangent, weight = lines.xy_px[far], lines.tangent[far], every_weight[far]
    line_px = weight.sum() / max(len(np.unique(lines.line[far])), 1)
    limit = np.inf
    # The rounds differ in the coefficients alone.
    seen = _Points.of(points, tangent, weight, glint)
    for number in range(ROUNDS):
        along, size = seen.u_px(glint), seen.tilt_px(glint)
        # Narrow the gate step by step from 45 degrees down to glints alone.
        gate = np.sin(np.deg2rad(max(45 - 4 * number, 12)))
        near = (along < gate * size) | (along < 1.2 * limit)
        near &= along < 3 * limit
        if weight[near].sum() < 5 * LEAST_LENGTH_PX:
            break
        hold = line_px * float(np.average(along[near] ** 2, weights=weight[near]))
        inner = seen.where(near)
        glint = _solve(glint, inner, hold, start)
        limit = _weighted_quantile(inner.u_px(glint), inner.weight, 0.85)
    if not plausible(glint):
        glint = replace(start, assumed=True)
    fitted = _with_reach(glint, lines, every_weight, least_radius_px=least_radius_px)
    if like is None:
        return fitted
    # Few lines may lead astray: the like shot's geometry stays where it gathers them closer.
    kept = _with_reach(start, lines, every_weight, least_radius_px=least_radius_px)
    return kept if kept.reach_px < fitted.reach_px else fitted


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Points:
    """What m points of lines say of the coefficients.

    Attributes
    ----------
    to_tilt
        Shape (2, m, 9): from coefficients to the tilt's x and y.
    to_u
        Shape (m, 9): from coefficients to u.
    weight
        Shape (m,): length that each point stands for.
    """

    to_tilt: Floats
    to_u: Floats
    weight: Floats

    @staticmethod
    def of(xy_px: Floats, tangent: Floats, weight: Floats, glint: Glint) -> "_Points":
        x, y = (xy_px - glint.centre_px).T
        one, none = np.ones_like(x), np.zeros_like(x)
        xx, xy, yy = x * x / glint.scale_px, 2 * x * y / glint.scale_px, y * y / glint.scale_px
        in_x = np.stack([one, none, x, y, none, xx, xy, yy, none], axis=-1)
        in_y = np.stack([none, one, none, x, y, none, xx, xy, yy], axis=-1)
        to_u = in_x * tangent[:, :1] + in_y * tangent[:, 1:]
        return _Points(to_tilt=np.stack([in_x, in_y]), to_u=to_u, weight=weight)

    def where(self, chosen: NDArray[np.bool_]) -> "_Points":
        return _Points(
            to_tilt=self.to_tilt[:, chosen], to_u=self.to_u[chosen], weight=self.weight[chosen]
        )

    def u_px(self, glint: Glint) -> Floats:
        return np.abs(self.to_u @ glint.coefficients)

    def tilt_px(self, glint: Glint) -> Floats:
        return np.hypot(*(self.to_tilt @ glint.coefficients))


def plausible(glint: Glint) -> bool:
    """Tell whether rings are ellipses that a lamp over a panel can make, round the highlight.

    A panel of 250 mm radius under a lamp and camera at 300 mm has eigenvalues in the ratio 2.2,
    and rings of axes 1.5 to 1; eigenvalues of 4 to 1 leave room.
    """
    a, b, c = glint.coefficients[2:5]
    values = np.linalg.eigvalsh(np.array([[a, b], [b, c]]))
    offset = np.linalg.norm(glint.coefficients[:2])
    cubic = np.abs(glint.coefficients[5:]).max()
    return bool(values[0] > 0.4 and offset < 0.1 * glint.scale_px and cubic < 0.8)


def _with_reach(glint: Glint, lines: Lines, weight: Floats, *, least_radius_px: float) -> Glint:
    """Return the geometry with the spread of u among the weighted lines as its reach."""
    tilt = glint.tilt(lines.xy_px)
    size = np.linalg.norm(tilt, axis=-1)
    along = np.abs(np.sum(tilt * lines.tangent, axis=-1))
    near = (size > least_radius_px) & (along < np.sin(np.deg2rad(30)) * size)
    # Lines too long for glints tell nothing of it.
    if not weight[near].any():
        return glint
    reach = 2 * _weighted_quantile(along[near], weight[near], 0.5)
    for _ in range(8):
        # Lines that lie off by more than twice the reach are no glints, or of rounded lips.
        inner = near & (along <= 2.0 * reach)
        reach = 2 * _weighted_quantile(along[inner], weight[inner], 0.5)
    return replace(glint, reach_px=float(reach))


def _weight(lines: Lines) -> Floats:
    """Return the length that each point stands for, shape (m,), of long lines the less.

    Edges of trim and deep scratches run on and on: none may outweigh many glints, and none
    counts that is longer than any glint, in one piece or in several.
    """
    length = lines.total(lines.length_px)
    usual = float(np.median(length)) if lines.n else 0.0
    share = np.minimum(1, LONG_LINE * usual / np.maximum(length, 1e-9))
    share[length > ENDLESS_LINE * usual] = 0.0
    share[lines.row_length_px() > ENDLESS_ROW * usual] = 0.0
    return lines.length_px * share[lines.line]


# How far each coefficient may usually lie from where the fit starts: px, ratio, ratio.
_USUAL_OFFSET_PX = 4.0
_USUAL_ELLIPSE = 0.5
_USUAL_ELLIPSE_LIKE = 0.05
_USUAL_CUBIC = 0.12
_USUAL_CUBIC_LIKE = 0.04
_WITHOUT_OFFSET = np.array([0, 0, 1, 1, 1, 1, 1, 1, 1], dtype=np.float64)


def _solve(glint: Glint, seen: _Points, hold: float, start: Glint) -> Glint:
    weight = seen.weight[:, None]
    spread = seen.to_u.T @ (weight * seen.to_u)
    size = sum(part.T @ (weight * part) for part in seen.to_tilt)
    alike = bool(start.coefficients[5:].any())
    spread[[0, 1], [0, 1]] += hold / _USUAL_OFFSET_PX**2
    ellipse = start.coefficients[2:5] / np.linalg.norm(start.coefficients[2:5])
    usual = _USUAL_ELLIPSE_LIKE if alike else _USUAL_ELLIPSE
    spread[2:5, 2:5] += hold / usual**2 * (np.eye(3) - np.outer(ellipse, ellipse))
    # Cubic terms are held to the start's, in the unit in which A's mean is 1.
    cubic = np.arange(5, 9)
    stiff = hold / (_USUAL_CUBIC_LIKE if alike else _USUAL_CUBIC) ** 2
    spread[cubic, cubic] += stiff
    for index in cubic:
        tie = start.coefficients[index] / 2
        spread[index, [2, 4]] -= stiff * tie
        spread[[2, 4], index] -= stiff * tie
        spread[np.ix_([2, 4], [2, 4])] += stiff * tie**2
    # Solve in scaled coefficients, or rounding would drown the small ones.
    unit = 1 / np.sqrt(np.diag(size))
    scaled_size = size * unit[:, None] * unit
    root = np.linalg.cholesky(scaled_size + 1e-9 * np.eye(9))
    inverse = np.linalg.inv(root)
    vectors = np.linalg.eigh(inverse @ (spread * unit[:, None] * unit) @ inverse.T)[1]
    coefficients = unit * (inverse.T @ vectors[:, 0])
    coefficients /= (coefficients[2] + coefficients[4]) / 2
    return replace(glint, coefficients=coefficients)


def _weighted_quantile(values: Floats, weights: Floats, share: float) -> float:
    order = np.argsort(values)
    cumulative = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(cumulative, share * cumulative[-1])])


def glints(lines: Lines, glint: Glint) -> NDArray[np.bool_]:
    """Return which lines the lamp can have lit, shape (n,): not far out of any groove's reach.

    A bent or wavy groove glints beyond what a straight one would; an edge of trim lies anywhere.
    """
    u = np.abs(np.sum(glint.tilt(lines.xy_px) * lines.tangent, axis=-1))
    mean = lines.total(u) / np.maximum(lines.total(np.ones(len(u))), 1)
    return mean < GLINT_REACHES * glint.reach_px
