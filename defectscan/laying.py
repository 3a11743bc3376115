"""Lay the shots of a panel over each other by what is fixed to it."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.ahead import WORKERS
from defectscan.imaging.card import Card
from defectscan.imaging.card_registration import card_homography, register_by_card
from defectscan.imaging.landmarks import Landmarks, ShotPair, find_landmarks
from defectscan.imaging.registration import (
    MAX_UNCERTAINTY_PX,
    MIN_OVERLAP,
    Registration,
    register_landmarks,
)
from defectscan.imaging.steady import steady_picture
from defectscan.measurement.groove_registration import register_by_grooves
from defectscan.measurement.lines import Lines
from defectscan.measurement.pairing import carried
from defectscan.measurement.state import MeasuredShot
from defectscan.shots import bloom_mask

Floats = NDArray[Any]
Mask = NDArray[np.bool_]

FEWEST_STEADY = 3
FEWEST_POOLED = 3
SAME = Registration.same().reason


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pile:
    """Shots that lie about alike: one photo, or the frames of a clip.

    Attributes
    ----------
    identity
        That of the first photo.
    landmarks
        What is fixed to the panel, in the first one's frame; of a clip, what all its frames
        together show.
    card
        The scale card in the first.
    on_first
        Each shot on the first.
    lines
        Those of all frames of a clip that lie on the first, in its frame; `None` for a photo,
        which shows too few grooves to be laid by them.
    each
        The lines of each shot, as it shows them.
    """

    identity: tuple[object, ...]
    landmarks: Landmarks
    card: Card | None
    on_first: tuple[Registration, ...]
    lines: Lines | None
    each: tuple[Lines, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Laid:
    """How the shots of two states lie on the first of all.

    Attributes
    ----------
    before
        The further shots before.
    after
        All shots after.
    after_on_first
        All shots after on the first of them; empty where one of them lies on before.
    """

    before: tuple[Registration, ...]
    after: tuple[Registration, ...]
    after_on_first: tuple[Registration, ...] = ()

    def for_scale(self) -> tuple[list[Floats | None], list[Floats | None]]:
        """Return the maps of all shots of either state as far as they tell the scale.

        Each leads to the first of all; `None` where not even the scale is known. Where the two
        states do not lie on each other, and nothing tells otherwise, the first of each are taken
        to be of one scale.
        """
        after = [one.for_scale for one in self.after]
        if self.after_on_first:
            own = [one.for_scale for one in self.after_on_first]
            both = zip(after, own, strict=True)
            links = [a @ np.linalg.inv(b) for a, b in both if a is not None and b is not None]
            first = links[0] if links else np.eye(3)
            after = [
                first @ b if a is None and b is not None else a
                for a, b in zip(after, own, strict=True)
            ]
        return [np.eye(3), *(one.for_scale for one in self.before)], after


def lay_state(shots: Sequence[MeasuredShot]) -> list[Registration]:
    """Lay the further shots of a state over the first.

    Parameters
    ----------
    shots
        At least one.
    """
    with ThreadPoolExecutor(WORKERS) as pool:
        piles = _piles(shots, pool.map(_landmarks_of, shots))
        return _lay(piles, piles, pool.map)[1:]


def lay_states(before: Sequence[MeasuredShot], after: Sequence[MeasuredShot]) -> Laid:
    """Lay the shots of two states over the first before.

    The frames of a clip are laid over each other first: all together show the courses of most
    grooves, and what else is fixed to the panel, without the lines of light that move with the
    lamp. Photos of the second state that do not lie on the first before are laid over each other,
    too, and lie there all together.

    Parameters
    ----------
    before, after
        At least one each.
    """
    with ThreadPoolExecutor(WORKERS) as pool:
        landmarks = pool.map(_landmarks_of, [*before, *after])
        piles = tuple(_piles(shots, landmarks) for shots in (before, after))
        first = _lay(piles[0], piles[0], pool.map)
        second = _lay(piles[0], piles[1], pool.map)
        apart: list[Registration] = []
        if not all(one.registered for one in second):
            apart = _lay(piles[1], piles[1], pool.map)
            second = _with_others(second, apart, lambda: _together(piles, first, apart))
    if any(one.registered for one in second):
        apart = []
    return Laid(before=tuple(first[1:]), after=tuple(second), after_on_first=tuple(apart))


def _with_others(
    on_before: Sequence[Registration],
    on_first: Sequence[Registration],
    together: Callable[[], Registration | None],
) -> list[Registration]:
    """Lay shots of the second state that do not lie on the first before by those that do.

    Dust is the same in all shots of a state, and another after it has been wiped off.

    Parameters
    ----------
    on_before
        Each shot on the very first before.
    on_first
        Each on the first of its own state.
    together
        Lays the first of the state on the very first by what all shots show; asked where none
        lies there by itself.
    """
    both = zip(on_before, on_first, strict=True)
    link = next((pair for pair in both if all(one.registered for one in pair)), None)
    first = together() if link is None else carried_on(link[0], _turned_round(link[1]))
    if first is None:
        return list(on_before)
    return [
        max((there, carried_on(first, own)), key=lambda one: (one.registered, one.tells_scale))
        for there, own in zip(on_before, on_first, strict=True)
    ]


def _together(
    piles: Sequence[Sequence[Pile]], *laid: Sequence[Registration]
) -> Registration | None:
    """Lay the first shot of the second state on that of the first by the grooves of all shots.

    `None` where few shots show too few grooves, or two clips have been tried already.

    Parameters
    ----------
    piles
        Of both states.
    laid
        For each state, its shots on their first.
    """
    if all(len(state) == 1 for state in piles):
        return None
    shown = []
    for state, on_first in zip(piles, laid, strict=True):
        each = [lines for pile in state for lines in pile.each]
        known = [(a, b) for a, b in zip(each, on_first, strict=True) if b.registered]
        if len(known) < FEWEST_POOLED:
            return None
        shown.append(Lines.joined([carried(a, b.homography_after_to_before) for a, b in known]))
    before, after = (state[0].landmarks.smooth.shape for state in piles)
    return register_by_grooves(*shown, shape=before) if before == after else None


def _turned_round(laid: Registration) -> Registration:
    """Return how the first of two shots lies on the second."""
    turned = np.linalg.inv(laid.homography_after_to_before)
    back: Floats = turned / turned[2, 2]
    flat = replace(laid.panel_map, homography=back, bend_px=np.zeros((2, 3)))
    return replace(laid, homography_after_to_before=back, panel_map=flat)


def _piles(shots: Sequence[MeasuredShot], landmarks: Iterator[Landmarks]) -> list[Pile]:
    """Gather the shots, each with the next of the landmarks, by the clip that they are from."""
    seen = zip(shots, landmarks, strict=False)
    groups = groupby(seen, key=lambda one: _clip_of(one[0]))
    return [_pile(list(group)) for _, group in groups]


def _clip_of(shot: MeasuredShot) -> tuple[str | None, Path | None]:
    """Return the checksum of the clip that a shot is from, or its own path."""
    photo = shot.photo
    return (None, photo.path) if photo.frame is None else (photo.sha256, None)


def _pile(seen: Sequence[tuple[MeasuredShot, Landmarks]]) -> Pile:
    shots, landmarks = zip(*seen, strict=True)
    found, lines = _on_first(shots, landmarks)
    shown = landmarks[0]
    laid = [(shot, one) for shot, one in zip(shots, found, strict=True) if one.registered]
    if len(laid) >= FEWEST_STEADY:
        picture, hidden = steady_picture(
            [shot.photo.luminance for shot, _ in laid],
            ignored=[_not_fixed(shot) for shot, _ in laid],
            to_first=[one.homography_after_to_before for _, one in laid],
        )
        shown = find_landmarks(picture, ignored=hidden)
    first = shots[0]
    return Pile(
        identity=first.photo.identity,
        landmarks=shown,
        card=first.card,
        on_first=found,
        lines=lines if len(shots) > 1 else None,
        each=tuple(shot.shot.lines for shot in shots),
    )


def _on_first(
    shots: Sequence[MeasuredShot], landmarks: Sequence[Landmarks]
) -> tuple[tuple[Registration, ...], Lines]:
    """Lay frames of one clip on the first, and return the lines of all that lie there.

    They lie about alike. Each is laid by the grooves of those before it, or by landmarks.
    """
    shape = landmarks[0].smooth.shape
    found: dict[int, Registration] = {0: Registration.same()}
    lines = [shots[0].shot.lines]

    def lay_by_grooves() -> None:
        for number, shot in enumerate(shots):
            if number in found:
                continue
            known = Lines.joined(lines)
            on_first = register_by_grooves(known, shot.shot.lines, shape=shape, alike=True)
            if on_first.registered:
                found[number] = on_first
                lines.append(carried(shot.shot.lines, on_first.homography_after_to_before))

    # With more frames laid, more of the others find their grooves.
    n_before = 0
    while n_before < len(found) < len(shots):
        n_before = len(found)
        lay_by_grooves()
    for number, shot in enumerate(shots):
        if number not in found:
            pair = ShotPair(before=landmarks[0], after=landmarks[number])
            found[number] = register_landmarks(pair, initial=np.eye(3))
            if found[number].registered:
                matrix = found[number].homography_after_to_before
                lines.append(carried(shot.shot.lines, matrix))
    return tuple(found[number] for number in range(len(shots))), Lines.joined(lines)


def _landmarks_of(shot: MeasuredShot) -> Landmarks:
    return find_landmarks(shot.photo.luminance, ignored=_not_fixed(shot))


def _not_fixed(shot: MeasuredShot) -> Mask:
    """Return where a shot shows what may move on the panel, shape (H, W).

    The highlight moves with the lamp, and the card with whoever needs the paint under it.
    """
    hidden = bloom_mask(shot)
    return hidden if shot.card is None else hidden | shot.card.mask(hidden.shape)


def _lay(
    base: Sequence[Pile], piles: Sequence[Pile], run: Callable[..., Any]
) -> list[Registration]:
    """Lay each shot of the piles over the very first of the base."""
    first = base[0]
    found = run(partial(_pile_on, first, same_state=piles is base), piles)
    return [
        laid
        for pile, one in zip(piles, found, strict=True)
        for laid in _frames_laid(first, pile, one)
    ]


def _frames_laid(first: Pile, pile: Pile, on_first: Registration) -> Iterator[Registration]:
    """Carry each shot of a pile on; one that lies on none of its own finds its grooves there."""
    shape = first.landmarks.smooth.shape
    for own, lines in zip(pile.on_first, pile.each, strict=True):
        if own.registered or not on_first.registered or pile is first or first.lines is None:
            yield carried_on(on_first, own)
            continue
        there = carried(lines, on_first.homography_after_to_before)
        closer = register_by_grooves(first.lines, there, shape=shape, alike=True)
        yield carried_on(closer, on_first) if closer.registered else carried_on(on_first, own)


def _pile_on(first: Pile, pile: Pile, *, same_state: bool) -> Registration:
    if pile.identity == first.identity:
        return Registration.same()
    shape = first.landmarks.smooth.shape
    alike = pile.landmarks.smooth.shape == shape
    if alike and first.lines is not None and pile.lines is not None:
        by_grooves = register_by_grooves(first.lines, pile.lines, shape=shape)
        if by_grooves.registered:
            return by_grooves
    pair = ShotPair(before=first.landmarks, after=pile.landmarks)
    if first.card is None or pile.card is None:
        return register_landmarks(pair)
    found = register_landmarks(pair, initial=card_homography(first.card, pile.card))
    if found.registered or not same_state:
        return found
    shape = pile.landmarks.height_px, pile.landmarks.width_px
    by_card = register_by_card(first.card, pile.card, shape=shape)
    return by_card if by_card.registered else found


def carried_on(first: Registration, own: Registration) -> Registration:
    """Return how a shot lies where it lies on another, and that one lies there.

    Where one of the two does not, its reason is told; together they may still tell the scale.

    Parameters
    ----------
    first
        That of the other shot.
    own
        Of the shot on the other.
    """
    if own.reason == SAME:
        return first
    if first.reason == SAME:
        return own
    weaker = first if own.registered else own
    if first.for_scale is None or own.for_scale is None:
        return replace(weaker, tells_scale=False)
    to_before = first.for_scale @ own.for_scale
    to_before /= to_before[2, 2]
    uncertainty_px = float(np.hypot(first.uncertainty_px, own.uncertainty_px))
    overlap = first.overlap * own.overlap
    reason = weaker.reason
    registered = first.registered and own.registered
    if registered and not (uncertainty_px <= MAX_UNCERTAINTY_PX and overlap >= MIN_OVERLAP):
        registered = False
        reason = (
            f"by way of another photo the map is open by about {uncertainty_px:.0f} px, and "
            f"{100 * overlap:.0f} % of the picture is shared"
        )
    return replace(
        weaker,
        registered=registered,
        reason=reason,
        homography_after_to_before=to_before if registered else np.full((3, 3), np.nan),
        uncertainty_px=uncertainty_px,
        overlap=overlap,
        panel_map=replace(weaker.panel_map, homography=to_before, bend_px=np.zeros((2, 3))),
    )
