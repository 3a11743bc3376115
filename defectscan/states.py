"""The shots of a state, one after the other: read ahead, each learning from the one before."""

from collections.abc import Callable, Hashable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from defectscan.ahead import WORKERS, in_order
from defectscan.errors import DefectscanError, NotMeasurableError
from defectscan.flags import Flag
from defectscan.imaging.clip import SCAN_STEPS, is_clip, read_clip
from defectscan.imaging.frame_choice import MOST_FRAMES
from defectscan.imaging.photo import Photo, list_photos, read_photo
from defectscan.measurement.state import MeasuredShot, SetAside
from defectscan.shots import (
    MANY_LINES,
    WORKING_SIDE_PX,
    Sighting,
    look,
    measure,
    off_the_rings,
)

if TYPE_CHECKING:
    from defectscan.measurement.glint import Glint

FEWEST_ALIKE = 3
ODD_REACH = 2.0
ODD_RADIUS = 3.0
ON_BARE_PAINT = "let the highlight fall on bare paint, off tape and trim, under the same lamp"

Progress = Callable[[str], None]
T = TypeVar("T")


def silent(_: str) -> None:
    """Take a progress message and do nothing."""


class Seen:
    """What was looked at: a photo that comes again in other company is not looked at twice.

    It holds the photos in memory, so it is for the few states of one panel.
    """

    def __init__(self) -> None:
        self._found: dict[Hashable, Any] = {}

    def once(self, key: Hashable, work: Callable[[], T]) -> T:
        """Return what was found under a key, or do the work."""
        if key not in self._found:
            self._found[key] = work()
        found: T = self._found[key]
        return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredState:
    """The shots of one state, and photos of it that could not be used."""

    shots: tuple[MeasuredShot, ...]
    set_aside: tuple[SetAside, ...]


def measure_states(
    states: Sequence[Path | Sequence[Path]],
    *,
    mm_per_px: float | None,
    as_seen: bool = False,
    card_mm: float | None = None,
    progress: Progress = silent,
    seen: Seen | None = None,
) -> list[MeasuredState]:
    """Read and measure the shots of several states of one panel.

    Each shot learns the panel's geometry from the one before it.

    Parameters
    ----------
    states
        Each a photo, a clip, a folder of photos, or several of them. A clip counts as many
        photos: its frames with the highlight in different places.
    mm_per_px, as_seen, card_mm
        As for `measure` and `look`.
    progress
        Called with the name of each photo when it is measured, and while a clip is read.
    seen
        What was looked at before, and takes what is looked at now.

    Returns
    -------
    list of MeasuredState
        Each with at least one shot.

    Raises
    ------
    UnreadablePhotoError, NotMeasurableError
        If no photo of a state can be read and measured: that of its first.
    """
    paths = [[state] if isinstance(state, Path) else list(state) for state in states]
    found: list[MeasuredState] = []
    like: Glint | None = None
    seen = seen or Seen()
    with ThreadPoolExecutor(WORKERS) as pool:
        read = partial(_pictures, seen, as_seen=as_seen, progress=progress)
        sight = partial(_sight, seen, as_seen=as_seen, card_mm=card_mm)
        sources = iter(list(pool.map(read, [path for state in paths for path in state])))
        files = [[one for _ in state for one in next(sources)] for state in paths]
        sightings = in_order(pool, sight, [file for state in files for file in state])
        for state in files:
            before_it = like
            shots: list[MeasuredShot] = []
            errors: list[tuple[Path | Photo, DefectscanError]] = []
            for file, sighting in zip(state, islice(sightings, len(state)), strict=True):
                progress(file.name)
                if isinstance(sighting, DefectscanError):
                    errors.append((file, sighting))
                    continue
                try:
                    shots.append(measure(sighting, mm_per_px=mm_per_px, like=like))
                except NotMeasurableError as error:
                    errors.append((file, error))
                    continue
                like = _learnt(shots[-1], like)
            if not shots:
                raise errors[0][1]
            alike, odd = _without_odd(shots)
            like = before_it
            for shot in alike:
                like = _learnt(shot, like)
            aside = [SetAside(file=one.name, reason=str(error)) for one, error in [*errors, *odd]]
            found.append(MeasuredState(shots=tuple(alike), set_aside=tuple(aside)))
    _check_scales([shot for state in found for shot in state.shots])
    return found


def _learnt(shot: MeasuredShot, like: "Glint | None") -> "Glint | None":
    """Return the geometry that the next shot starts from: this shot's, if it tells one."""
    few = shot.highlight is None or Flag.FEW_LINES in shot.flags
    return like if few else shot.shot.glint


def _without_odd(
    shots: Sequence[MeasuredShot],
) -> tuple[list[MeasuredShot], list[tuple[Photo, DefectscanError]]]:
    """Set apart photos whose highlight or lines are not those of the lamp of the others.

    Where a highlight falls on tape or trim, its middle is not known, and grooves seem to be shown
    that are not. It looks far broader than the others do; or lines lie further off its rings, and
    how far they do is the lamp's matter: one lamp's reaches agree within some tenths.
    """
    if len(shots) < FEWEST_ALIKE:
        return list(shots), []
    most_reach_px = ODD_REACH * float(np.median([shot.shot.glint.reach_px for shot in shots]))
    most_radius_px = ODD_RADIUS * float(np.median([_radius_px(shot) for shot in shots]))
    alike: list[MeasuredShot] = []
    odd: list[tuple[Photo, DefectscanError]] = []
    for shot in shots:
        reach_px = shot.shot.glint.reach_px
        if _radius_px(shot) > most_radius_px:
            error = NotMeasurableError(
                f"{shot.photo.name}: the highlight's radius is {_radius_px(shot):.0f} px",
                allowed=f"at most {most_radius_px:.0f} px, three times what is usual in this state",
                remedy=ON_BARE_PAINT,
            )
        # Of few lines, the reach is not known well.
        elif shot.shot.lines.n >= MANY_LINES and reach_px > most_reach_px:
            error = off_the_rings(
                shot.photo,
                reach_px,
                allowed=f"at most {most_reach_px:.0f} px, twice what is usual in this state",
                remedy=ON_BARE_PAINT,
            )
        else:
            alike.append(shot)
            continue
        odd.append((shot.photo, error))
    return alike, odd


def _radius_px(shot: MeasuredShot) -> float:
    """Return the highlight's radius; 0 as seen, where there need be none."""
    return 0.0 if shot.highlight is None else shot.highlight.radius_px


def _check_scales(shots: Sequence[MeasuredShot]) -> None:
    without = [shot.photo.name for shot in shots if shot.shot.mm_per_px is None]
    if without and len(without) < len(shots):
        raise NotMeasurableError(
            f"{without[0]}: no scale card in the picture, and others have one",
            allowed="photos that are compared or pooled need a scale each, or none has one",
            remedy="photograph the card in all of them, or state --mm-per-px for those without",
        )


def _pictures(
    seen: Seen, path: Path, *, as_seen: bool, progress: Progress
) -> Sequence[Path | Photo]:
    """Return the photos that a path means, or the frames of a clip."""
    if not is_clip(path) or path.is_dir():
        return list_photos(path)
    side = WORKING_SIDE_PX
    return seen.once(
        (path, as_seen),
        lambda: read_clip(path, max_side_px=side, needs_highlight=not as_seen, progress=progress),
    )


def _sight(seen: Seen, one: Path | Photo, *, as_seen: bool, card_mm: float | None) -> Sighting:
    def sighted() -> Sighting:
        photo = read_photo(one, max_side_px=WORKING_SIDE_PX) if isinstance(one, Path) else one
        return look(photo, as_seen=as_seen, card_mm=card_mm)

    own = one if isinstance(one, Path) else one.identity
    return seen.once((own, as_seen, card_mm), sighted)


def n_steps(states: Sequence[Path | Sequence[Path]]) -> int:
    """Return how many calls of `progress` to expect of `measure_states`, at most."""
    paths = [p for state in states for p in ([state] if isinstance(state, Path) else state)]
    return sum(SCAN_STEPS + MOST_FRAMES if is_clip(p) else len(list_photos(p)) for p in paths)
