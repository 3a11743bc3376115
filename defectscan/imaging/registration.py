"""Register two shots of one panel by what is fixed to it, or say why that cannot be done."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import gammainc

from defectscan.imaging.landmark_matching import (
    edge_links,
    links_of,
    match_edges,
    speck_links,
)
from defectscan.imaging.landmarks import Floats, Image, Landmarks, Mask, find_landmarks
from defectscan.imaging.panel_motion import (
    CURVED,
    FLAT,
    RIGID,
    Links,
    PanelMotion,
    fit,
    from_homography,
    held_out,
    join,
    project,
    quadratic,
    residuals,
    start,
)
from defectscan.imaging.pose_search import poses_by_edges, poses_by_specks

_FEWEST_EDGES = 30
_MAX_UNCERTAINTY_PX = 2.5
_MIN_OVERLAP = 0.3
_MIN_EDGES_FOUND = 0.9
_FEWEST_CELLS = 10
_CELL_PX = 100
_HELD_OUT_SPECK_PX = 1.0
_MAX_HELD_OUT_PX = 0.75
_HELD_OUT_EDGE_PX = 1.5
_USUAL_RESIDUAL_PX = 0.35
_BEND_CHI_SQUARE = 40.0  # far beyond the 99.9 % point of 6 degrees of freedom, which is 22.5
# Specks that a false fit gets for nothing, and how many poses were in effect tried.
_FREE_SPECKS_ALONE, _POSES_ALONE = 3, 1e5
_FREE_SPECKS_BEND, _FREE_SPECKS_MISSING = 3, 4
_FREE_SPECKS_BESIDE_EDGES, _POSES_BESIDE_EDGES = 2, 1e3
_FALSE_PROOFS = 1e-3
_COARSE_STAGES = ((14, RIGID), (10, RIGID), (8, RIGID), (6, FLAT), (5, FLAT), (4, FLAT))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Registration:
    """How an after shot lies on a before shot, and what proves it.

    Parameters
    ----------
    registered
        Whether the fit proved itself. If not, no coordinates may be taken from it.
    reason
        In plain words, why or why not.
    homography_after_to_before
        Shape (3, 3), pixels; all NaN where not registered. On a curved panel the best fit.
    residual_px
        Median distance between linked landmarks, robustly as a standard deviation.
    held_out_px
        Median distance between a landmark and where all the others put it.
    uncertainty_px
        Expected error of the map, averaged over the part of the panel in both shots.
    bend_px
        Mean distance of the curved panel's map from its best homography; 0 on a flat panel.
    overlap
        Share of the before frame that the after frame covers.
    n_features
        Specks and pieces of edge that lie where all the others put them.
    n_specks, n_edge_pieces
        The same, apart.
    n_specks_needed
        How many specks would not agree by chance.
    edges_found
        Share of the edges in both frames that the other shot shows as well; 0 without edges.
    turned_deg
        0, 90, 180 or 270: by how much the camera was turned.
    """

    registered: bool
    reason: str
    homography_after_to_before: Floats
    residual_px: float
    held_out_px: float
    uncertainty_px: float
    bend_px: float
    overlap: float
    n_features: int
    n_specks: int
    n_edge_pieces: int
    n_specks_needed: int
    edges_found: float
    turned_deg: int
    motion: PanelMotion | None
    before_size_px: tuple[int, int]
    after_size_px: tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Trial:
    """A motion with its proof."""

    motion: PanelMotion
    residual_px: float
    held_out_px: float
    uncertainty_px: float
    n_specks: int
    n_pieces: int
    n_pieces_off: int
    n_edges: int
    edges_found: float
    overlap: float
    chance: float

    @property
    def score(self) -> float:
        """Weigh what agrees against what does not: a speck agrees by chance once in e⁶."""
        edges = (2 * self.edges_found - 1) * min(self.n_edges / 10, 30)
        return 6 * self.n_specks + 1.2 * (self.n_pieces - self.n_pieces_off) + edges

    @property
    def specks_needed(self) -> int:
        bend = _FREE_SPECKS_BEND * (np.abs(self.motion.bend).max() > 1e-5)
        if self.edges_agree:
            return bend + _specks_needed(self.chance, _FREE_SPECKS_BESIDE_EDGES, _POSES_BESIDE_EDGES)
        missing = _FREE_SPECKS_MISSING * (self.n_edges >= 60 and self.edges_found < 0.5)
        return bend + missing + _specks_needed(self.chance, _FREE_SPECKS_ALONE, _POSES_ALONE)

    @property
    def is_promising(self) -> bool:
        return self.n_specks >= self.specks_needed or (self.edges_agree and self.uncertainty_px < 10)

    @property
    def edges_agree(self) -> bool:
        return self.edges_found >= _MIN_EDGES_FOUND and self.n_pieces >= _FEWEST_CELLS

    @property
    def specks_prove(self) -> bool:
        return self.n_specks >= self.specks_needed and self.held_out_px <= _MAX_HELD_OUT_PX


def register_shots(
    before: Image,
    after: Image,
    *,
    ignored_before: Mask,
    ignored_after: Mask,
    lines_before: Mask | None = None,
    lines_after: Mask | None = None,
    initial: Floats | None = None,
) -> Registration:
    return register(
        find_landmarks(before, ignored=ignored_before, lines=lines_before),
        find_landmarks(after, ignored=ignored_after, lines=lines_after),
        initial=initial,
    )


def register(
    before: Landmarks, after: Landmarks, *, initial: Floats | None = None
) -> Registration:
    best: _Trial | None = None
    reason = ""
    if initial is not None:
        unit = _unit_matrix(before) @ initial @ np.linalg.inv(_unit_matrix(after))
        best = _best(before, after, [from_homography(unit)])
        if best is not None and (settled := _settle(before, after, best))[1] == "":
            return _result(before, after, settled[0], "")
    for quarter_turns in (0, 2, 1, 3):
        for tried in _tiers(before, after, quarter_turns):
            if best is None or tried.score > best.score:
                best = tried
            if not tried.is_promising:
                continue
            settled, why = _settle(before, after, tried)
            if not why:
                return _result(before, after, settled, "")
    if best is None:
        return _result(before, after, best, "nothing")
    settled, why = _settle(before, after, best)
    return _result(before, after, settled, why)


def _tiers(before, after, quarter_turns):
    if min(len(before.edge_xy_px), len(after.edge_xy_px)) >= _FEWEST_EDGES:
        held = []
        for pose in poses_by_edges(before, after, quarter_turns=quarter_turns):
            motion = _held_by_edges(before, after, pose)
            if motion is not None and not any(_apart_px(motion, o, after, before) < 4 for o in held):
                held.append(motion)
                best = _best(before, after, [motion])
                if best is not None:
                    yield best
        for motion in held:
            if _uncertainty_px(before, after, motion) > 8:
                best = _best(before, after, poses_by_specks(before, after, motion, at_most=4))
                if best is not None:
                    yield best
    best = _best(before, after, poses_by_specks(before, after, start(quarter_turns), at_most=4), edges=False)
    if best is not None:
        yield best


def _best(before, after, poses, edges=True):
    trials = []
    for pose in poses:
        motion = _refined(before, after, pose, FLAT, within=(24, 12, 8, 5, 4), edges=edges, at_most=200)
        if motion is not None:
            trials.append(_try(before, after, motion, at_most=200))
    return max(trials, key=lambda t: t.score, default=None)


def _settle(before, after, trial):
    """returns the settled trial and why it's not registered ('' if it is)"""
    joint = _flat_or_curved(before, after, trial.motion, specks=True)
    if joint is None:
        return trial, 'x'
    if joint.specks_prove:
        settled = joint
    else:
        settled = _flat_or_curved(before, after, joint.motion, specks=False) or joint
        if not settled.edges_agree:
            return settled, 'neither'
    if settled.uncertainty_px > _MAX_UNCERTAINTY_PX:
        return settled, 'sliding'
    if settled.overlap < _MIN_OVERLAP:
        return settled, 'overlap'
    return settled, ''


def _flat_or_curved(before, after, motion, *, specks):
    flat = _refined(before, after, motion, FLAT, within=(4, 3), specks=specks, converge=True)
    if flat is None:
        return None
    flat_trial = _try(before, after, flat, at_most=500)
    curved = _refined(before, after, flat, CURVED, within=(6, 4, 3), specks=specks, converge=True)
    if curved is None:
        return flat_trial
    curved_trial = _try(before, after, curved, at_most=500)
    if curved.bend_significance() > _BEND_CHI_SQUARE or curved_trial.score > flat_trial.score + 12:
        return curved_trial
    return flat_trial


def _held_by_edges(before, after, pose):
    for reach, expected in _COARSE_STAGES:
        links = edge_links(before, after, pose, reach=reach, coarse=True)
        if len(links) < 12:
            return None
        pose = fit(pose, links, tolerance=8 / before.half_px, expected=expected)
    return pose


def _refined(before, after, motion, expected, *, within, specks=True, edges=True, at_most=400, converge=False):
    def links(within_px):
        parts = []
        if specks:
            parts.append(speck_links(before, after, motion, within_px=within_px))
        if edges:
            parts.append(edge_links(before, after, motion, reach=8 if within_px > 5 else 6, at_most=at_most))
        return join(*parts)
    for within_px in within:
        pairs = links(within_px)
        if len(pairs) < 4:
            return None
        motion = fit(motion, pairs, tolerance=max(within_px / 2, 1.5) / before.half_px, expected=expected)
    grid = _grid(after, 3)
    for _ in range(10 if converge else 0):
        was = motion.forth(grid)
        pairs = links(within[-1])
        if len(pairs) < 4:
            return None
        motion = fit(motion, pairs, tolerance=1.5 / before.half_px, expected=expected)
        if np.abs(motion.forth(grid) - was).max() * before.half_px < 0.1:
            break
    return motion


def _try(before, after, motion, *, at_most):
    half = before.half_px
    specks = speck_links(before, after, motion, within_px=3.0)
    forward = match_edges(before, after, motion, reach=6, at_most=at_most)
    backward = match_edges(before, after, motion, reach=6, backward=True, at_most=at_most)
    edges = links_of(forward, before, after)
    links = join(specks, edges)
    apart = np.hypot(*residuals(motion, specks).T) * half
    both = np.concatenate([forward.distance_px[forward.found], apart[apart < 4] / 1.2])
    residual = 1.48 * float(np.median(both)) if len(both) else np.inf
    group = np.concatenate([np.arange(len(specks)), len(specks) + _pieces(forward)])
    out = held_out(motion, links, tolerance=1.5 / half, group=group) * half
    out_specks, out_edges = out[: len(specks)], out[len(specks) :]
    n_seen = forward.n_seen + backward.n_seen
    return _Trial(
        motion=motion,
        residual_px=residual,
        held_out_px=float(np.median(out)) if len(out) else np.inf,
        uncertainty_px=_uncertainty_px(before, after, motion) * max(1.0, residual / _USUAL_RESIDUAL_PX),
        n_specks=int((out_specks < _HELD_OUT_SPECK_PX).sum()),
        n_pieces=int((out_edges < _HELD_OUT_EDGE_PX).sum()),
        n_pieces_off=int((out_edges >= _HELD_OUT_EDGE_PX).sum()),
        n_edges=n_seen,
        edges_found=(forward.n_found + backward.n_found) / max(n_seen, 1),
        overlap=_overlap(before, after, motion),
        chance=len(before.speck_xy_px) * len(after.speck_xy_px) * np.pi * _HELD_OUT_SPECK_PX**2 / (before.width_px * before.height_px),
    )


def _pieces(edges):
    """Number the pieces of edge"""
    if not edges.n_found:
        return np.empty(0, dtype=np.int64)
    cell = np.floor(edges.own_xy_px / _CELL_PX).astype(np.int64)
    facing = (np.abs(edges.normal[:, 0]) > np.abs(edges.normal[:, 1])) + 2 * (edges.normal.sum(axis=1) > 0)
    return np.unique(np.column_stack([cell, facing]), axis=0, return_inverse=True)[1].ravel()


def _specks_needed(chance, free, n_poses):
    more = np.arange(1, 40)
    return free + int(more[gammainc(more, max(chance, 1e-9)) * n_poses < _FALSE_PROOFS][0])


def _grid(shot, n):
    y, x = (np.linspace(0, side - 1, n) for side in (shot.height_px, shot.width_px))
    return shot.to_unit(np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2))


def _shared(before, after, motion, n):
    grid = _grid(after, n)
    px = before.to_px(motion.forth(grid))
    inside = ((px >= -0.5) & (px <= np.array([before.width_px, before.height_px]) - 0.5)).all(axis=1)
    return grid[inside]


def _uncertainty_px(before, after, motion):
    x = _shared(before, after, motion, 9)
    if len(x) < 4:
        return np.inf
    return float(np.sqrt(np.trace(motion.spread(x), axis1=1, axis2=2).mean())) * before.half_px


def _apart_px(one, other, after, before):
    grid = _grid(after, 5)
    return float(np.abs(one.forth(grid) - other.forth(grid)).mean()) * before.half_px


def _overlap(before, after, motion):
    w, h = before.width_px, before.height_px
    corners = before.to_px(project(motion.homography, after.to_unit(np.array([[0, 0], [after.width_px - 1, 0], [after.width_px - 1, after.height_px - 1], [0, after.height_px - 1.0]]))))
    frame = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1.0]])
    area, _ = cv2.intersectConvexConvex(frame.astype(np.float32), cv2.convexHull(corners.astype(np.float32)))
    return float(min(1.0, area / ((w - 1) * (h - 1))))


def _unit_matrix(shot):
    h = shot.half_px
    return np.array([[1 / h, 0, -(shot.width_px - 1) / 2 / h], [0, 1 / h, -(shot.height_px - 1) / 2 / h], [0, 0, 1]])


def _nothing(before, after):
    return 'nothing'


def _result(before, after, trial, why):
    H = np.full((3, 3), np.nan); bend = 0.0
    if trial is not None and not why:
        x = _shared(before, after, trial.motion, 14)
        y = trial.motion.forth(x)
        U = trial.motion.homography
        if np.abs(trial.motion.bend).max() > 1e-5:
            U, _ = cv2.findHomography(x, y)
            bend = float(np.linalg.norm(project(U, x) - y, axis=1).mean()) * before.half_px
        H = np.linalg.inv(_unit_matrix(before)) @ U @ _unit_matrix(after)
        H /= H[2, 2]
    t = trial
    return Registration(registered=t is not None and not why, reason=why, homography_after_to_before=H, residual_px=t.residual_px if t else np.nan, held_out_px=t.held_out_px if t else np.nan,
        uncertainty_px=t.uncertainty_px if t else np.nan, bend_px=bend, overlap=t.overlap if t else 0., n_features=t.n_specks + t.n_pieces if t else 0, n_specks=t.n_specks if t else 0, n_edge_pieces=t.n_pieces if t else 0,
        n_specks_needed=t.specks_needed if t else 0, edges_found=t.edges_found if t else 0., turned_deg=90 * t.motion.quarter_turns if t else 0, motion=t.motion if t else None,
        before_size_px=(before.width_px, before.height_px), after_size_px=(after.width_px, after.height_px))
