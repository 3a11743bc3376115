"""Register two shots of one panel by what is fixed to it, or say why that cannot be done."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from defectscan.imaging.landmark_matching import edge_links
from defectscan.imaging.landmarks import Floats, Image, Mask, ShotPair, find_landmarks
from defectscan.imaging.motion_proof import (
    Proof,
    mean_distance_px,
    prove,
    shared_points,
    uncertainty_px,
)
from defectscan.imaging.panel_map import PanelMap
from defectscan.imaging.panel_motion import (
    CURVED,
    FLAT,
    RIGID,
    PanelMotion,
    fit,
    from_homography,
    project,
    start,
)
from defectscan.imaging.pose_search import linked, poses_by_edges, poses_by_specks

_FEWEST_EDGES = 30
MAX_UNCERTAINTY_PX = 2.5
# A map that is open by so much still tells the scale within some per cent.
MAX_SCALE_UNCERTAINTY_PX = 30.0
MIN_OVERLAP = 0.3
_BEND_CHI_SQUARE = 40.0  # far beyond 22.5, the 99.9 % point of 6 degrees of freedom
_BEND_COST = 12.0  # two specks
_SLIDING_PX = 4.0
_FEWEST_HELD = 12
_CLEARLY_UPRIGHT = 0.6  # overlap
_COARSE_STAGES = ((14, RIGID), (10, RIGID), (8, RIGID), (6, FLAT), (5, FLAT), (4, FLAT))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Registration:
    """How an after shot lies on a before shot, and what proves it.

    Parameters
    ----------
    registered
        Whether the fit proved itself. If not, no coordinates may be taken from it.
    reason
        In plain words, what it rests on, or why there is none.
    homography_after_to_before
        Shape (3, 3), pixels; all NaN where not registered. On a curved panel the best fit.
    residual_px
        Median distance between linked landmarks as a standard deviation.
    held_out_px
        Median distance between a landmark and where all the others put it.
    uncertainty_px
        Expected error, averaged over the part of the panel in both shots.
    bend_px
        Mean distance between a curved panel's map and the homography; 0 on a flat panel.
    overlap
        Share of the before frame that the after frame covers.
    n_specks, n_edge_pieces
        Specks and pieces of edge, 100 px long, that lie where all the others put them.
    n_specks_needed
        How many specks would not agree by chance.
    edges_found
        Share of the edges inside both frames that the other shot shows as well.
    turned_deg
        0, 90, 180 or 270: how far the camera was turned, clockwise as after is to be turned.
    panel_map
        The map behind the homography, with its bend.
    tells_scale
        Whether the fit proved itself at least so far that the map tells how large things are in
        the other shot, if not where they lie.
    """

    registered: bool
    reason: str
    homography_after_to_before: Floats
    residual_px: float
    held_out_px: float
    uncertainty_px: float
    bend_px: float
    overlap: float
    n_specks: int
    n_edge_pieces: int
    n_specks_needed: int
    edges_found: float
    turned_deg: int
    panel_map: PanelMap
    tells_scale: bool

    @classmethod
    def same(cls) -> "Registration":
        """Return that of a photo on itself."""
        return cls(
            registered=True,
            reason="the same photo",
            homography_after_to_before=np.eye(3),
            residual_px=0.0,
            held_out_px=0.0,
            uncertainty_px=0.0,
            bend_px=0.0,
            overlap=1.0,
            n_specks=0,
            n_edge_pieces=0,
            n_specks_needed=0,
            edges_found=1.0,
            turned_deg=0,
            panel_map=PanelMap(
                homography=np.eye(3), bend_px=np.zeros((2, 3)), middle_px=np.zeros(2), half_px=1.0
            ),
            tells_scale=True,
        )

    @property
    def n_features(self) -> int:
        """Count the landmarks that prove the fit."""
        return self.n_specks + self.n_edge_pieces

    @property
    def for_scale(self) -> Floats | None:
        """The homography as far as it tells the scale, shape (3, 3), if it does."""
        if self.registered:
            return self.homography_after_to_before
        return self.panel_map.homography if self.tells_scale else None

    def to_before(self, xy_px: Floats) -> Floats:
        """Map pixels of after to before, bend and all; NaN where not registered.

        Parameters
        ----------
        xy_px
            Shape (n, 2).
        """
        if not self.registered:
            return np.full_like(xy_px, np.nan, dtype=np.float64)
        return self.panel_map.to_before(xy_px)


def register(
    before: Image,
    after: Image,
    *,
    before_ignore: Mask,
    after_ignore: Mask,
    before_lines: Mask | None = None,
    after_lines: Mask | None = None,
    initial: Floats | None = None,
) -> Registration:
    """Register an after shot on a before shot of the same panel.

    Parameters
    ----------
    before, after
        Linear luminance, shapes (H, W), which may differ.
    before_ignore, after_ignore
        The highlight with its bloom, rather too much of it than too little.
    before_lines, after_lines
        Lines of light, which move with the lamp.
    initial
        A homography from after to before to start from, shape (3, 3).

    Returns
    -------
    Registration
        See `register_landmarks`.
    """
    pair = ShotPair(
        before=find_landmarks(before, ignored=before_ignore, lines=before_lines),
        after=find_landmarks(after, ignored=after_ignore, lines=after_lines),
    )
    return register_landmarks(pair, initial=initial)


def register_landmarks(pair: ShotPair, *, initial: Floats | None = None) -> Registration:
    """Register by landmarks: edges and specks, never the highlight nor lines of light.

    Starts come from the correlation of gradients and from votes of pairs of specks, upright and
    then in quarter turns, and are fitted with a homography of the size that a hand-held camera
    makes, or with a bend where the landmarks call for one. A fit must prove itself: enough
    specks lie where all other landmarks put them, more than chance could bring there; or the
    edges of each shot are in the other and leave no motion open.

    Parameters
    ----------
    pair
        The two shots' landmarks.
    initial
        A homography from after to before to start from, shape (3, 3).

    Returns
    -------
    Registration
        Also where there is none, with the reason.
    """
    best: Proof | None = None
    for proof in _starts(pair, initial):
        if best is None or proof.score > best.score:
            best = proof
        if proof.is_promising:
            settled = _settled(pair, proof)
            if _shortcoming(settled) is None:
                return _registration(pair, settled)
    if best is not None:
        best = _settled(pair, best)
    return _registration(pair, best)


def _starts(pair: ShotPair, initial: Floats | None) -> Iterator[Proof]:
    """Yield fits that may be worth settling, the likelier ones first."""
    before, after = pair.before, pair.after
    if initial is not None:
        corners = np.array([[-1.0, -0.75], [1.0, -0.75], [1.0, 0.75], [-1.0, 0.75]])
        there = before.to_unit(project(initial, after.to_px(corners)))
        unit, _ = cv2.findHomography(corners, there)
        pose = from_homography(np.asarray(unit, dtype=np.float64))
        yield from _best_of(pair, [pose])
    has_edges = min(len(before.edge_xy_px), len(after.edge_xy_px)) >= _FEWEST_EDGES
    for quarter_turns in (0, 2, 1, 3):
        edges_agree = False
        if has_edges:
            for proof in _starts_by_edges(pair, quarter_turns):
                edges_agree |= proof.edges_agree and proof.overlap > _CLEARLY_UPRIGHT
                yield proof
        poses = poses_by_specks(pair, start(quarter_turns), at_most=4)
        yield from _best_of(pair, poses, edges=False)
        if edges_agree:
            break


def _starts_by_edges(pair: ShotPair, quarter_turns: int) -> Iterator[Proof]:
    held: list[PanelMotion] = []
    for pose in poses_by_edges(pair, quarter_turns=quarter_turns):
        coarse = _held_by_edges(pair, pose)
        if coarse is None or any(mean_distance_px(pair, coarse, other=other) < 4 for other in held):
            continue
        held.append(coarse)
        fine = linked(pair, coarse, expected=FLAT, within_px=(8, 4), specks=False, at_most=200)
        poses = [coarse if fine is None else fine]
        # Edges in one direction leave the way along them open: specks may close it. On a curved
        # panel the finer fit may be the farther off.
        if uncertainty_px(pair, coarse) > _SLIDING_PX:
            for motion in (poses[0], coarse):
                around = replace(motion, covariance=coarse.covariance)
                poses += poses_by_specks(pair, around, at_most=3)
        yield from _best_of(pair, poses)


def _held_by_edges(pair: ShotPair, motion: PanelMotion) -> PanelMotion | None:
    for reach, expected in _COARSE_STAGES:
        links = edge_links(pair, motion, reach=reach, coarse=True, at_most=200)
        if len(links) < _FEWEST_HELD:
            return None
        motion = fit(motion, links, tolerance=8 / pair.before.half_px, expected=expected, rounds=4)
    return motion


def _best_of(pair: ShotPair, poses: list[PanelMotion], *, edges: bool = True) -> list[Proof]:
    """Fit from each pose; return the best fit's proof, or nothing."""
    proofs = []
    for pose in poses:
        motion = linked(
            pair, pose, expected=FLAT, within_px=(24, 12, 8, 5, 4), edges=edges, at_most=200
        )
        if motion is not None:
            proofs.append(prove(pair, motion, at_most=200))
    return sorted(proofs, key=lambda proof: -proof.score)[:1]


def _settled(pair: ShotPair, proof: Proof) -> Proof:
    """Fit to the end, without the specks where these prove nothing."""
    together = _flat_or_curved(pair, proof, specks=True)
    if together.specks_prove or not together.edges_agree:
        return together
    return _flat_or_curved(pair, together, specks=False)


def _flat_or_curved(pair: ShotPair, proof: Proof, *, specks: bool) -> Proof:
    flat = linked(
        pair, proof.motion, expected=FLAT, within_px=(4, 3), specks=specks, to_the_end=True
    )
    if flat is None:
        return proof
    flat_proof = prove(pair, flat, specks=specks)
    curved = linked(
        pair, flat, expected=CURVED, within_px=(6, 4, 3), specks=specks, to_the_end=True
    )
    if curved is None:
        return flat_proof
    curved_proof = prove(pair, curved, specks=specks)
    if curved.bend_significance() > _BEND_CHI_SQUARE:
        return curved_proof
    if curved_proof.specks_prove != flat_proof.specks_prove:
        return curved_proof if curved_proof.specks_prove else flat_proof
    return curved_proof if curved_proof.score > flat_proof.score + _BEND_COST else flat_proof


def _shortcoming(proof: Proof | None) -> str | None:
    """Say what a fit lacks to be believed, or `None`."""
    if proof is None:
        return (
            "nothing that is fixed to the panel is in both photos: no edge, trim, emblem or tape, "
            "and too few specks"
        )
    if not _proves_itself(proof):
        if proof.n_edges_seen >= _FEWEST_EDGES:
            return (
                f"only {100 * proof.edges_found:.0f} % of the edges in one photo are in the other, "
                f"and {proof.n_specks} specks agree where {proof.n_specks_needed} are needed: "
                "another panel, or too little of it in both"
            )
        return (
            f"{proof.n_specks} specks agree where {proof.n_specks_needed} are needed, and there "
            "is no edge, trim, emblem or tape in both photos"
        )
    if proof.uncertainty_px > MAX_UNCERTAINTY_PX:
        return (
            "what is fixed to the panel in both photos leaves the map open by about "
            f"{proof.uncertainty_px:.0f} px (allowed: {MAX_UNCERTAINTY_PX} px), as a single edge "
            "does: it needs a second one across, a corner, tape or an emblem in the picture"
        )
    if proof.overlap < MIN_OVERLAP:
        return (
            f"the photos share {100 * proof.overlap:.0f} % of the picture; at least "
            f"{100 * MIN_OVERLAP:.0f} % is needed"
        )
    return None


def _proves_itself(proof: Proof) -> bool:
    return proof.specks_prove or proof.edges_agree


def _registration(pair: ShotPair, proof: Proof | None) -> Registration:
    reason = _shortcoming(proof)
    if proof is None:
        proof = prove(pair, start())
    tells_scale = (
        _proves_itself(proof)
        and proof.uncertainty_px <= MAX_SCALE_UNCERTAINTY_PX
        and proof.overlap >= MIN_OVERLAP
    )
    panel_map = _panel_map(pair, proof.motion)
    homography, bend_px = np.full((3, 3), np.nan), 0.0
    if reason is None:
        shared_px = pair.after.to_px(shared_points(pair, proof.motion, n_a_side=14))
        homography, bend_px = panel_map.flattened(shared_px)
        reason = f"rests on {proof.n_pieces} pieces of edge and {proof.n_specks} specks"
    return Registration(
        registered=bool(np.isfinite(homography).all()),
        reason=reason,
        homography_after_to_before=homography,
        residual_px=proof.residual_px,
        held_out_px=proof.held_out_px,
        uncertainty_px=proof.uncertainty_px,
        bend_px=bend_px,
        overlap=proof.overlap,
        n_specks=proof.n_specks,
        n_edge_pieces=proof.n_pieces,
        n_specks_needed=proof.n_specks_needed,
        edges_found=proof.edges_found,
        turned_deg=90 * proof.motion.quarter_turns,
        panel_map=panel_map,
        tells_scale=tells_scale,
    )


def _panel_map(pair: ShotPair, motion: PanelMotion) -> PanelMap:
    before, after = pair.before, pair.after
    from_unit = np.diag([before.half_px, before.half_px, 1.0])
    from_unit[:2, 2] = before.middle_px
    to_unit = np.diag([1 / after.half_px, 1 / after.half_px, 1.0])
    to_unit[:2, 2] = -after.middle_px / after.half_px
    return PanelMap(
        homography=from_unit @ motion.homography @ to_unit,
        bend_px=motion.bend * before.half_px,
        middle_px=after.middle_px,
        half_px=after.half_px,
    )
