"""Measure a state of the job book, and keep the result with its method."""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

from defectscan.errors import (
    DefectscanError,
    NotMeasurableError,
    UnreadablePhotoError,
    on_one_line,
)
from defectscan.output import to_json
from defectscan.version import __version__
from defectscan.workshop.book import Book
from defectscan.workshop.book_entries import BookError, Entry, Job, Result, Shot
from defectscan.workshop.book_view import JobView, StateView, SurfaceView, again_command, view_job
from defectscan.workshop.comparable import unlike_settings


class Progress(Protocol):
    """Takes the name of what is done next."""

    def __call__(self, name: str, /) -> None:
        """Take it."""


def set_scale(book: Book, state: StateView, mm_per_px: float) -> None:
    """Enter another scale for all photos of a state, where it differs."""
    for shot in state.shots:
        if shot.content.mm_per_px != mm_per_px:
            book.correct(shot.thing_id, replace(shot.content, mm_per_px=mm_per_px))


def measure_state(
    book: Book,
    state_id: int,
    *,
    as_seen: bool,
    card_mm: float | None = None,
    seed: int,
    progress: Progress,
) -> tuple[list[Entry[Result]], list[str]]:
    """Score a state and compare it with those before it; the results supersede older ones.

    It is compared with the state before the last pass, for what that pass did, and with the
    first, for the whole.

    Parameters
    ----------
    book
        Open.
    state_id
        A state with photos.
    as_seen, seed
        As for `pipeline.score`.
    card_mm
        Length of the scale card's ruler; as it was last given in this job if `None`.
    progress
        Called with the name of each photo when its turn comes.

    Returns
    -------
    results
        As entered: the score, then comparisons.
    reasons
        Why it was not compared with a state, a sentence each.

    Raises
    ------
    DefectscanError
        If a photo cannot be measured, which is named as it was entered; what was entered before
        stays.
    """
    from defectscan import pipeline  # noqa: PLC0415 - heavy
    from defectscan.report import record  # noqa: PLC0415
    from defectscan.states import Seen  # noqa: PLC0415

    job, surface, state = _find(book, state_id)
    # Those of withdrawn photos are void, but are still what a new result corrects.
    older = book.current(Result, job_id=job.entry.thing_id)
    card_mm = card_mm or _last_card_mm(older)
    # What is kept of how a state was measured is what it was measured with.
    settings: dict[str, Any] = {"mm_per_px": scale_of(state), "as_seen": as_seen, "seed": seed}
    if card_mm is not None:
        settings["card_mm"] = card_mm
    seen = Seen()
    names = _entered_names([shot for one in (*surface.states, state) for shot in one.shots])
    with _named_as_entered(names):
        score = pipeline.score(_photos(book, state), **settings, progress=progress, seen=seen)
    entered = [
        _enter(book, older, state, None, settings=settings, record=record.of_score(score)),
    ]
    reasons = []
    earlier = [s for s in surface.states if s.n_passes < state.n_passes and s.shots]
    for before in {s.entry.thing_id: s for s in (*earlier[-1:], *earlier[:1])}.values():
        unlike = list(unlike_settings(_settings_of(before, settings), settings))
        if not unlike and scale_of(before) != scale_of(state):
            unlike = [f"Their scales are {scale_of(before):g} and {scale_of(state):g} mm per px."]
        if unlike:
            reasons += [f"Not compared with {before.name}: {reason}" for reason in unlike]
            continue
        try:
            with _named_as_entered(names):
                comparison = pipeline.compare(
                    _photos(book, before),
                    _photos(book, state),
                    **settings,
                    progress=progress,
                    seen=seen,
                )
        except DefectscanError as error:
            reasons.append(f"Not compared with {before.name}: {error}")
            continue
        told = record.of_comparison(comparison)
        entered.append(_enter(book, older, state, before, settings=settings, record=told))
    return entered, reasons


def scale_of(state: StateView) -> float | None:
    """Return the scale of a state's photos.

    Raises
    ------
    BookError
        If they have several.
    """
    scales = {shot.content.mm_per_px for shot in state.shots}
    if len(scales) > 1:
        told = " and ".join(sorted("none" if s is None else f"{s:g} mm per px" for s in scales))
        raise BookError(
            f"the photos of {state.name} have the scales {told}",
            allowed="photos of one state have one scale",
            remedy=f"give the right one with {again_command(state, '--mm-per-px F')}",
        )
    return scales.pop() if scales else None


def _photos(book: Book, state: StateView) -> list[Path]:
    return [book.photo_path(shot.content.sha256) for shot in state.shots]


def _enter(
    book: Book,
    older: Sequence[Entry[Result]],
    state: StateView,
    before: StateView | None,
    *,
    settings: dict[str, Any],
    record: dict[str, Any],
) -> Entry[Result]:
    shots = [*(before.shots if before else ()), *state.shots]
    result = Result(
        state_id=state.entry.thing_id,
        before_state_id=before.entry.thing_id if before else None,
        version=__version__,
        settings=settings,
        sha256s=tuple(shot.content.sha256 for shot in shots),
        record=json.loads(to_json(_named(record, shots))),
    )
    of = (result.state_id, result.before_state_id)
    for old in older:
        if (old.content.state_id, old.content.before_state_id) == of:
            return book.correct(old.thing_id, result)
    return book.add(result, job_id=state.entry.job_id)


def _find(book: Book, state_id: int) -> tuple[JobView, SurfaceView, StateView]:
    entry = book.entry(state_id)
    (found,) = book.current(Job, job_id=entry.job_id)
    job = view_job(book, found)
    for surface in _surfaces(job):
        for state in surface.states:
            if state.entry.thing_id == state_id and state.shots:
                return job, surface, state
    raise BookError(
        f"entry {state_id} is no state with photos",
        allowed="a state is measured from its photos",
        remedy="enter some with `job shots`",
    )


def _surfaces(job: JobView) -> Iterator[SurfaceView]:
    for panel in job.panels:
        yield panel.surface
        yield from (spot.surface for spot in panel.test_spots)


def _last_card_mm(results: Sequence[Entry[Result]]) -> float | None:
    """Return the length of the card's ruler that the newest result was told, if any was."""
    told = [one for one in results if one.content.settings.get("card_mm") is not None]
    if not told:
        return None
    return float(max(told, key=lambda one: one.id).content.settings["card_mm"])


def _settings_of(state: StateView, otherwise: Mapping[str, Any]) -> Mapping[str, Any]:
    as_seen = (state.score.content.settings if state.score else otherwise)["as_seen"]
    return {**otherwise, "as_seen": as_seen, "mm_per_px": scale_of(state)}


def _entered_names(shots: Iterable[Entry[Shot]]) -> dict[str, str]:
    """Return the names that photos were entered under, by SHA-256."""
    return {shot.content.sha256: shot.content.file_name for shot in shots}


@contextmanager
def _named_as_entered(names: Mapping[str, str]) -> Iterator[None]:
    """Name photos as they were entered where one cannot be measured."""
    try:
        yield
    # An error of the book itself names the file in it that is to be brought back.
    except (UnreadablePhotoError, NotMeasurableError) as error:
        what = _told(error.what, names)
        raise type(error)(what, allowed=error.allowed, remedy=error.remedy) from error


def _told(text: str, names: Mapping[str, str]) -> str:
    from defectscan.report.stored import with_entered_names  # noqa: PLC0415 - heavy

    return with_entered_names(text, {sha256: on_one_line(name) for sha256, name in names.items()})


def _named(record: Any, shots: list[Entry[Shot]]) -> Any:  # noqa: ANN401 - JSON
    """Put the names that photos were entered under for those that they are kept under."""
    names = _entered_names(shots)

    def named(key: str, value: Any) -> Any:  # noqa: ANN401 - JSON
        if isinstance(value, dict):
            return {name: named(name, part) for name, part in value.items()}
        if isinstance(value, list):
            return [named(key, part) for part in value]
        if isinstance(value, str) and key in ("file", "before", "after"):
            return names.get(value.split(".", maxsplit=1)[0], value)
        if isinstance(value, str) and key == "reason":
            return _told(value, names)
        return value

    return named("", record)
