"""Find one shot's landmarks in another shot, given roughly how the panel moved."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.imaging.landmarks import SHRINK, Floats, Image, Landmarks, Mask, ShotPair
from defectscan.imaging.panel_motion import Links, PanelMotion, no_links

# An edge's neighbouring points share their errors: 100 px of edge count as one speck.
_EDGE_DEVIATION_PX = 1.0
_COARSE_EDGE_DEVIATION_PX = 3.0
_SPECK_DEVIATION_PX = 0.4
_LIKENESS = 0.8
_FARTHEST_SPECK_PX = 30.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgesFound:
    """Which of a shot's edge points the other shot shows, and where.

    Parameters
    ----------
    seen
        Shape (n,): whether the other shot shows their place at all.
    found
        Whether a like edge is there.
    distance_px
        How far it lies from where it should, along the normal, in the shot's own pixels.
    own_xy_px, normal, other_xy_px
        The found ones' places, shape (found, 2).
    """

    seen: Mask
    found: Mask
    distance_px: Floats
    own_xy_px: Floats
    normal: Floats
    other_xy_px: Floats

    @property
    def n_seen(self) -> int:
        """Count those seen."""
        return int(self.seen.sum())

    @property
    def n_found(self) -> int:
        """Count those found."""
        return int(self.found.sum())


def match_edges(
    pair: ShotPair,
    motion: PanelMotion,
    *,
    reach: int,
    coarse: bool = False,
    backward: bool = False,
    at_most: int = 300,
) -> EdgesFound:
    """Look for before's edges in after, or the other way round.

    Parameters
    ----------
    pair
        The two shots.
    motion
        How the panel moved, roughly.
    reach
        How far to look along the normal, in pixels of the picture used.
    coarse
        Whether to look in the small pictures.
    backward
        Whether to look for after's edges in before.
    at_most
        About how many points to look for.
    """
    own, other = (pair.after, pair.before) if backward else (pair.before, pair.after)
    move = motion.forth if backward else motion.back
    every = max(1, -(-len(own.edge_xy_px) // at_most))
    xy, normal = own.edge_xy_px[::every], own.edge_normal[::every]
    if not len(xy):
        none = np.empty((0, 2))
        return EdgesFound(
            seen=np.empty(0, bool), found=np.empty(0, bool), distance_px=np.empty(0),
            own_xy_px=none, normal=none, other_xy_px=none,
        )  # fmt: skip
    shrink = SHRINK if coarse else 1
    half, step = (5.0, 1.0) if coarse and reach >= 8 else (4.0, 0.5) if coarse else (6.0, 0.5)
    across = np.arange(-half, half + step / 2, step)
    pattern = _sample(own, xy[:, None] + shrink * across[:, None] * normal[:, None], coarse)
    # A line across the edge stays straight over so short a reach.
    far = shrink * (half + reach)
    ends = [other.to_px(move(own.to_unit(xy + side * far * normal))) for side in (-1, 1)]
    share = np.linspace(0, 1, round(2 * (half + reach) / step) + 1)[:, None]
    searched = _sample(other, ends[0][:, None] * (1 - share) + ends[1][:, None] * share, coarse)
    likeness = _likeness(pattern, searched)
    peak = np.clip(likeness.argmax(axis=1), 1, likeness.shape[1] - 2)
    index = np.arange(len(peak))
    low, top, high = (likeness[index, peak + side] for side in (-1, 0, 1))
    bow = np.minimum(low - 2 * top + high, -1e-9)
    distance = (peak + np.clip((low - high) / 2 / bow, -1, 1)) * step - reach
    part = ((distance + half + reach) / (2 * (half + reach)))[:, None]
    place = ends[0] * (1 - part) + ends[1] * part
    seen = (pattern.min(axis=1) >= 0) & (searched.min(axis=1) >= 0) & ~_hidden(other, place)
    found = seen & (top >= _LIKENESS) & (likeness.argmax(axis=1) == peak)
    return EdgesFound(
        seen=seen,
        found=found,
        distance_px=np.abs(distance) * shrink,
        own_xy_px=xy[found],
        normal=normal[found],
        other_xy_px=place[found],
    )


def edge_links(
    pair: ShotPair,
    motion: PanelMotion,
    *,
    reach: int,
    coarse: bool = False,
    at_most: int = 300,
) -> Links:
    """Link before's edges to those found in after."""
    edges = match_edges(pair, motion, reach=reach, coarse=coarse, at_most=at_most)
    return links_of(pair, edges, coarse=coarse)


def links_of(pair: ShotPair, edges: EdgesFound, *, coarse: bool = False) -> Links:
    """Return the links of before's edges found in after."""
    deviation = _COARSE_EDGE_DEVIATION_PX if coarse else _EDGE_DEVIATION_PX
    return Links(
        after=pair.after.to_unit(edges.other_xy_px),
        before=pair.before.to_unit(edges.own_xy_px),
        normal=edges.normal,
        deviation=np.full(edges.n_found, deviation / pair.before.half_px),
        is_point=np.zeros(edges.n_found, dtype=bool),
    )


def speck_links(pair: ShotPair, motion: PanelMotion, *, within_px: float) -> Links:
    """Link specks that are each other's nearest.

    Parameters
    ----------
    pair
        The two shots.
    motion
        How the panel moved, with its covariance.
    within_px
        How near they must be, beside what the covariance allows.
    """
    before, after = pair.before, pair.after
    if not len(before.speck_xy_px) or not len(after.speck_xy_px):
        return no_links()
    from_after, in_before = after.to_unit(after.speck_xy_px), before.to_unit(before.speck_xy_px)
    spread = np.trace(motion.spread(from_after), axis1=1, axis2=2)
    gate = np.minimum(2.5 * np.sqrt(spread / 2) * before.half_px + within_px, _FARTHEST_SPECK_PX)
    offset = motion.forth(from_after)[:, None] - in_before
    distance = np.hypot(offset[..., 0], offset[..., 1]) * before.half_px
    distance[after.speck_is_bright[:, None] != before.speck_is_bright] = np.inf
    nearest = distance.argmin(axis=1)
    index = np.arange(len(nearest))
    linked = (distance[index, nearest] < gate) & (distance.argmin(axis=0)[nearest] == index)
    n_links = int(linked.sum())
    return Links(
        after=from_after[linked],
        before=in_before[nearest[linked]],
        normal=np.tile([1.0, 0.0], (n_links, 1)),
        deviation=np.full(n_links, _SPECK_DEVIATION_PX / before.half_px),
        is_point=np.ones(n_links, dtype=bool),
    )


def _sample(shot: Landmarks, xy_px: Floats, coarse: bool) -> Image:
    """Sample a shot's picture; -1 outside of it."""
    image, shrink = (shot.small, SHRINK) if coarse else (shot.smooth, 1)
    x, y = (((xy_px[..., i] - (shrink - 1) / 2) / shrink).astype(np.float32) for i in (0, 1))
    return np.asarray(
        cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=-1)
    )


def _likeness(pattern: Image, searched: Image) -> Floats:
    """Correlate each row of the pattern with every stretch of the searched one."""
    length = pattern.shape[1]
    stretches = np.lib.stride_tricks.sliding_window_view(searched, length, axis=1)
    centred = pattern - pattern.mean(axis=1, keepdims=True)
    product = np.matmul(stretches, centred[:, :, None])[..., 0]
    total, square = (_running_sum(values, length) for values in (searched, searched**2))
    height = np.linalg.norm(centred, axis=1)[:, None] + 1e-9
    other_height = np.sqrt(np.maximum(square - total**2 / length, 0))
    # Flat stretches are noise: they must not count as like.
    likeness: Floats = product / (height * np.maximum(other_height, 0.15 * height))
    return likeness


def _running_sum(values: Image, length: int) -> Floats:
    total = np.cumsum(values, axis=1, dtype=np.float64)
    total = np.pad(total, ((0, 0), (1, 0)))
    running: Floats = total[:, length:] - total[:, :-length]
    return running


def _hidden(shot: Landmarks, xy_px: Floats) -> NDArray[np.bool_]:
    height, width = shot.hidden.shape
    x = np.clip(np.nan_to_num(xy_px[:, 0]) / SHRINK, 0, width - 1).astype(np.int64)
    y = np.clip(np.nan_to_num(xy_px[:, 1]) / SHRINK, 0, height - 1).astype(np.int64)
    hidden: NDArray[np.bool_] = shot.hidden[y, x]
    return hidden
