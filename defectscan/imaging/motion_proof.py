"""What speaks for a fit of two shots of a panel, and how far off it may be."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.imaging.landmark_matching import (
    EdgesFound,
    links_of,
    match_edges,
    speck_links,
)
from defectscan.imaging.landmarks import Floats, Landmarks, ShotPair
from defectscan.imaging.panel_motion import (
    Links,
    PanelMotion,
    held_out,
    join,
    no_links,
    project,
    residuals,
)

_PIECE_PX = 100
_EDGE_TOLERANCE_PX = 1.5
_SPECK_TOLERANCES_PX = (1.0, 2.5)
_FIT_TOLERANCE_PX = 1.5
_USUAL_RESIDUAL_PX = 0.35
_MIN_EDGES_FOUND = 0.9
_MIN_EDGES_SEEN = 0.4
_FEWEST_PIECES = 10
_MAX_HELD_OUT_PX = 0.75
# Specks that a false fit gets for nothing by its own freedom, and how many poses it is in effect
# the best of: without edges, and beside edges that leave only the way along them open.
_FREE_ALONE, _POSES_ALONE = 3, 1e5
_FREE_BESIDE_EDGES, _POSES_BESIDE_EDGES = 2, 1e3
_FREE_BY_BEND_ALONE, _FREE_BY_BEND_BESIDE_EDGES = 2, 1
# No chance brings that many.
_MORE_THAN_CHANCE = 200
_FREE_AGAINST_EDGES = 4
_FALSE_PROOFS = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Proof:
    """A motion and what speaks for it.

    Parameters
    ----------
    motion
        The motion.
    residual_px
        Median distance between linked landmarks as a standard deviation.
    held_out_px
        Median distance between a landmark and where all the others put it.
    uncertainty_px
        Expected error, averaged over what both shots show.
    n_specks
        How many specks lie where all other landmarks put them.
    n_specks_needed
        How many would not by chance.
    n_pieces, n_pieces_off
        Pieces of edge that lie where all other landmarks put them, and those that do not.
    n_edges_seen
        Edge points of both shots that are inside the other frame.
    edges_found
        Share of those that the other shot shows as well.
    edges_agree
        Whether the shots show the same edges, and most of them.
    overlap
        Share of the before frame that the after frame covers.
    """

    motion: PanelMotion
    residual_px: float
    held_out_px: float
    uncertainty_px: float
    n_specks: int
    n_specks_needed: int
    n_pieces: int
    n_pieces_off: int
    n_edges_seen: int
    edges_found: float
    edges_agree: bool
    overlap: float

    @property
    def score(self) -> float:
        """Weigh what agrees against what does not, to choose among motions."""
        edges = (2 * self.edges_found - 1) * min(self.n_edges_seen / 10, 30.0)
        return 6.0 * self.n_specks + 1.2 * (self.n_pieces - self.n_pieces_off) + edges

    @property
    def specks_prove(self) -> bool:
        """Say whether more specks agree than chance explains."""
        return self.n_specks >= self.n_specks_needed and self.held_out_px <= _MAX_HELD_OUT_PX

    @property
    def is_promising(self) -> bool:
        """Say whether a closer fit may prove itself."""
        by_edges = self.edges_agree and self.uncertainty_px < 10
        return by_edges or self.n_specks >= self.n_specks_needed - 1


def prove(
    pair: ShotPair,
    motion: PanelMotion,
    *,
    specks: bool = True,
    at_most: int = 500,
) -> Proof:
    """Gather what speaks for a motion.

    Parameters
    ----------
    pair
        The two shots.
    motion
        A motion that was fitted to them.
    specks
        Whether it was fitted to specks as well.
    at_most
        About how many edge points of each shot to look for.
    """
    before, after = pair.before, pair.after
    half = before.half_px
    points = speck_links(pair, motion, within_px=3.0) if specks else no_links()
    forward = match_edges(pair, motion, reach=6, at_most=at_most)
    backward = match_edges(pair, motion, reach=6, backward=True, at_most=at_most)
    n_seen = forward.n_seen + backward.n_seen
    n_edges = len(forward.seen) + len(backward.seen)
    edges_found = (forward.n_found + backward.n_found) / max(n_seen, 1)
    links = join(points, links_of(pair, forward))
    group = np.concatenate([np.arange(len(points)), len(points) + _pieces(forward)])
    off = held_out(motion, links, tolerance=_FIT_TOLERANCE_PX / half, group=group) * half
    pieces_off = off[len(points) :]
    n_pieces = int((pieces_off < _EDGE_TOLERANCE_PX).sum())
    edges_agree = (
        edges_found >= _MIN_EDGES_FOUND
        and n_seen >= _MIN_EDGES_SEEN * n_edges
        and n_pieces >= _FEWEST_PIECES
    )
    n_specks, n_needed = _specks_against_chance(
        off[: len(points)],
        density=len(before.speck_xy_px) * len(after.speck_xy_px)
        / (before.width_px * before.height_px),
        is_bent=motion.is_bent,
        edges_agree=edges_agree,
        edges_differ=n_seen >= 60 and edges_found < 0.5,
    )  # fmt: skip
    residual = _residual_px(motion, points, forward, half)
    return Proof(
        motion=motion,
        residual_px=residual,
        held_out_px=float(np.median(off)) if len(off) else np.inf,
        uncertainty_px=uncertainty_px(pair, motion) * max(1.0, residual / _USUAL_RESIDUAL_PX),
        n_specks=n_specks,
        n_specks_needed=n_needed,
        n_pieces=n_pieces,
        n_pieces_off=len(pieces_off) - n_pieces,
        n_edges_seen=n_seen,
        edges_found=edges_found,
        edges_agree=edges_agree,
        overlap=_overlap(pair, motion),
    )


def shared_points(pair: ShotPair, motion: PanelMotion, *, n_a_side: int) -> Floats:
    """Return points of a grid over after, in units, that before shows as well."""
    before = pair.before
    grid = _grid(pair.after, n_a_side)
    xy_px = before.to_px(motion.forth(grid))
    last = np.array([before.width_px, before.height_px]) - 0.5
    shared: Floats = grid[((xy_px >= -0.5) & (xy_px <= last)).all(axis=1)]
    return shared


def uncertainty_px(pair: ShotPair, motion: PanelMotion) -> float:
    """Return the motion's expected error over what both shots show."""
    x = shared_points(pair, motion, n_a_side=9)
    if len(x) < 4:
        return np.inf
    variance = np.trace(motion.spread(x), axis1=1, axis2=2).mean()
    return float(np.sqrt(variance)) * pair.before.half_px


def mean_distance_px(pair: ShotPair, motion: PanelMotion, *, other: PanelMotion) -> float:
    """Return how far two motions differ over the after frame."""
    grid = _grid(pair.after, 5)
    return float(np.abs(motion.forth(grid) - other.forth(grid)).mean()) * pair.before.half_px


def _specks_against_chance(
    off_px: Floats, *, density: float, is_bent: bool, edges_agree: bool, edges_differ: bool
) -> tuple[int, int]:
    """Return how many specks agree and how many must, at the tolerance that says most."""
    free, n_poses = (
        (_FREE_BESIDE_EDGES + _FREE_BY_BEND_BESIDE_EDGES * is_bent, _POSES_BESIDE_EDGES)
        if edges_agree
        else (_FREE_ALONE + _FREE_BY_BEND_ALONE * is_bent, _POSES_ALONE)
    )
    free += _FREE_AGAINST_EDGES * edges_differ
    counts = []
    # What a bend does not take up must be small.
    for tolerance in _SPECK_TOLERANCES_PX[: 1 if is_bent else 2]:
        by_chance = max(density * np.pi * tolerance**2, 1e-9)
        unlikely = _that_many_by_chance(by_chance) * n_poses < _FALSE_PROOFS
        counts.append((int((off_px < tolerance).sum()), free + int(np.argmax(unlikely))))
    return max(counts, key=lambda count: count[0] - count[1])


def _that_many_by_chance(expected: float) -> Floats:
    """Return the chances of 0, 1, 2 and so on or more where so many are expected (Poisson)."""
    n = np.arange(_MORE_THAN_CHANCE)
    log_factorial = np.cumsum(np.log(np.maximum(n, 1)))
    exactly = np.exp(n * np.log(expected) - expected - log_factorial)
    return np.cumsum(exactly[::-1])[::-1]


def _residual_px(motion: PanelMotion, points: Links, edges: EdgesFound, half_px: float) -> float:
    distance = np.hypot(*residuals(motion, points).T) * half_px
    # The median distance in a plane is 1.18 standard deviations, on a line 0.67.
    scaled = np.concatenate([edges.distance_px[edges.found] / 0.67, distance / 1.18])
    return float(np.median(scaled)) if len(scaled) else np.inf


def _pieces(edges: EdgesFound) -> NDArray[np.int64]:
    """Give each found edge point the number of its piece of edge."""
    cell = np.floor(edges.own_xy_px / _PIECE_PX).astype(np.int64)
    is_steep = np.abs(edges.normal[:, 0]) > np.abs(edges.normal[:, 1])
    key = np.column_stack([cell, is_steep, edges.normal.sum(axis=1) > 0])
    return np.unique(key, axis=0, return_inverse=True)[1].ravel()


def _overlap(pair: ShotPair, motion: PanelMotion) -> float:
    before, after = pair.before, pair.after
    frame, corners = _corners_px(before), _corners_px(after)
    moved = before.to_px(project(motion.homography, after.to_unit(corners)))
    area, _ = cv2.intersectConvexConvex(
        frame.astype(np.float32), cv2.convexHull(moved.astype(np.float32))
    )
    return float(min(1.0, area / cv2.contourArea(frame.astype(np.float32))))


def _corners_px(shot: Landmarks) -> Floats:
    right, bottom = shot.width_px - 1.0, shot.height_px - 1.0
    return np.array([[0, 0], [right, 0], [right, bottom], [0, bottom]])


def _grid(shot: Landmarks, n_a_side: int) -> Floats:
    x, y = (np.linspace(0, side - 1, n_a_side) for side in (shot.width_px, shot.height_px))
    return shot.to_unit(np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2))
