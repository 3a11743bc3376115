"""Find the lines of stored results again, for the pictures alone."""

from dataclasses import dataclass
from typing import Any

from defectscan import pipeline
from defectscan.errors import DefectscanError
from defectscan.imaging.clip import is_clip, read_frame
from defectscan.imaging.photo import read_photo
from defectscan.report import content, record
from defectscan.report.assemble import comparison_panel, score_panel
from defectscan.report.stored import Drawn, Names, with_entered_names
from defectscan.workshop.book import Book
from defectscan.workshop.book_entries import Result
from defectscan.workshop.book_view import StateView
from defectscan.workshop.comparable import unlike_settings
from defectscan.workshop.measuring import Progress
from defectscan.workshop.stored_figures import n_withdrawn, score_of

_SHOWN_PX = 2000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnPanel:
    """The pictures of a panel, and what measuring for them gave.

    Attributes
    ----------
    before, after
        Of each state.
    registration, density_map
        As in `content.Panel`.
    figures
        What measuring gave now, as `score --json` or `compare --json` has it; `None` where
        nothing was measured.
    reason
        Why no lines are drawn, a sentence; empty where they are.
    """

    before: Drawn
    after: Drawn
    registration: content.Registration | None = None
    density_map: content.DensityMap | None = None
    figures: dict[str, Any] | None = None
    reason: str = ""


def draw_again(
    book: Book,
    first: StateView,
    last: StateView | None,
    compared: Result | None,
    *,
    names: Names,
    progress: Progress,
) -> DrawnPanel:
    """Measure the photos of a stored result again, as they were measured, for the pictures.

    Parameters
    ----------
    book
        Open.
    first, last
        States that have scores; `last` is `None` with one state alone.
    compared
        Their stored comparison, if there is one.
    names
        Names under which photos were entered, by SHA-256.
    progress
        Called with the name of each photo when its turn comes.
    """
    score = score_of(first)
    if any(state is not None and n_withdrawn(state) for state in (first, last)):
        # What was withdrawn is shown to nobody, and without it other lines would be found.
        reason = "No lines are drawn, for photos in the figures were withdrawn since."
        return as_taken(book, first, last, reason=reason)
    if last is not None:
        unlike = unlike_settings(score.settings, score_of(last).settings)
        if unlike:
            reason = f"The two states were measured in different ways. {' '.join(unlike)}"
            return as_taken(book, first, last, reason=reason)
    told = compared or score
    settings: dict[str, Any] = {
        "mm_per_px": told.settings.get("mm_per_px"),
        "as_seen": bool(told.settings.get("as_seen")),
        "card_mm": told.settings.get("card_mm"),
        "seed": int(told.settings.get("seed") or 0),
        "progress": progress,
    }
    try:
        photos = [book.photo_path(sha256) for sha256 in score.sha256s]
        if last is None:
            found = pipeline.score(photos, **settings)
            panel, figures = score_panel(found, title=""), record.of_score(found)
        else:
            after = [book.photo_path(sha256) for sha256 in score_of(last).sha256s]
            both = pipeline.compare(photos, after, **settings)
            panel, figures = comparison_panel(both, title=""), record.of_comparison(both)
    except DefectscanError as error:
        why = with_entered_names(error.what, names)
        reason = f"No lines are drawn, for the photos could not be measured again: {why}."
        return as_taken(book, first, last, reason=reason)
    return DrawnPanel(
        before=_drawn(panel.before),
        after=Drawn() if panel.after is None else _drawn(panel.after),
        registration=panel.registration,
        density_map=panel.density_map,
        figures=figures,
    )


def as_taken(book: Book, first: StateView, last: StateView | None, *, reason: str) -> DrawnPanel:
    """Show the first photo or frame of each state without lines, and say why there are none."""
    shown = [Drawn() if state is None else _plain(book, state) for state in (first, last)]
    missing = [one for one in shown[: 1 if last is None else 2] if not one.picture.is_there]
    if missing:
        reason += " A photo is missing from the book, or has been altered."
    return DrawnPanel(before=shown[0], after=shown[1], reason=reason)


def _plain(book: Book, state: StateView) -> Drawn:
    measured = state.score.content.sha256s if state.score else ()
    sha256s = [sha256 for sha256 in measured if sha256 not in state.withdrawn_sha256s]
    sha256s = sha256s or [shot.content.sha256 for shot in state.shots]
    try:
        path = book.photo_path(sha256s[0])
        if is_clip(path):
            photo = read_frame(path, _measured_frame(state, sha256s[0]), max_side_px=_SHOWN_PX)
        else:
            photo = read_photo(path, max_side_px=_SHOWN_PX)
    except DefectscanError:
        return Drawn()
    return Drawn(picture=content.Picture(image=photo.rgb))


def _measured_frame(state: StateView, sha256: str) -> int:
    """Return which frame of a clip was measured first; its first one where none was."""
    record = state.score.content.record if state.score else {}
    for shot in record.get("shots") or ():
        frame = shot.get("frame")
        if frame and shot.get("sha256") == sha256:
            return int(frame.get("index") or 0)
    return 0


def _drawn(state: content.State) -> Drawn:
    return Drawn(picture=state.picture, directions=state.directions, coverage=state.coverage)
