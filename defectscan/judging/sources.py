"""Where a deck's photos come from: folders and the job book, measured as `score` does."""

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from defectscan import pipeline
from defectscan.errors import DefectscanError
from defectscan.imaging.clip import is_clip
from defectscan.imaging.decoding import read_bytes
from defectscan.imaging.photo import Photo, list_photos, read_photo
from defectscan.judging.candidates import (
    Candidate,
    Reference,
    View,
    correction_reference,
    grade_of,
    hint,
    paint_group,
)
from defectscan.judging.scale import Scale
from defectscan.measurement.comparison import Correction
from defectscan.measurement.score import Interval
from defectscan.measurement.state import MeasuredShot, PanelScore, lines_mask
from defectscan.workshop.book import Book
from defectscan.workshop.book_entries import Entry, Result
from defectscan.workshop.book_view import JobView, StateView, view_job

LONGEST_PX = 1400
NO_SCALE = "without a scale there is no grade"
Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measuring:
    """How photos are measured.

    Attributes
    ----------
    scale
        Of the deck.
    wanted
        Whether they are.
    mm_per_px, card_mm, seed
        As for `pipeline.score`.
    """

    scale: Scale
    wanted: bool = True
    mm_per_px: float | None = None
    card_mm: float | None = None
    seed: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One card's photos, not read yet.

    Attributes
    ----------
    name
        For the key.
    states
        Photos of one state, or of the ones before and after; the first of each is shown.
    stored
        The result that the job book has of it.
    mm_per_px
        Scale, where the job book knows it.
    """

    name: str
    states: tuple[tuple[Path, ...], ...]
    stored: Mapping[str, Any] | None = None
    mm_per_px: float | None = None


def from_folders(paths: Sequence[Path], *, pairs: bool) -> list[Source]:
    """List the photos meant by paths.

    Parameters
    ----------
    paths
        Photos, folders of them, folders with `before` and `after`, or folders of such folders.
    pairs
        Whether before and after make one card; else each state is a photo of its own.

    Raises
    ------
    DefectscanError
        If nothing is found.
    """
    found: list[Source] = []
    for path in paths:
        couples = [path, *_folders(path)] if path.is_dir() else []
        there = [(folder, both) for folder in couples if (both := _before_after(folder))]
        for folder, both in there:
            if pairs:
                found.append(Source(name=str(folder), states=both))
            else:
                for state, name in zip(both, ("before", "after"), strict=True):
                    found.append(Source(name=f"{folder}, {name}", states=(state,)))
        if not pairs and not (there and there[0][0] == path) and (not there or _has_photos(path)):
            found += [Source(name=str(photo), states=((photo,),)) for photo in list_photos(path)]
    if not found:
        raise DefectscanError(
            f"{paths[0]} holds no photos before and after",
            allowed="a pair is a folder with before and after in it, each a photo or a folder",
            remedy="name such a folder, or one of such folders",
        )
    return found


def from_book(book: Book, jobs: Sequence[Any], *, pairs: bool) -> list[Source]:
    """List the states of jobs that have photos, with what was measured of them.

    Parameters
    ----------
    book
        Open.
    jobs
        Entries of the jobs.
    pairs
        Whether states that were compared make one card.

    Raises
    ------
    DefectscanError
        If there are none, or a photo is missing.
    """
    found: list[Source] = []
    for job in jobs:
        view = view_job(book, job)
        for where, states in _surfaces(view):
            by_id = {state.entry.thing_id: state for state in states}
            for state in states:
                if not state.shots:
                    continue
                name = f"job {view.entry.content.number}, {where}, {state.name}"
                if not pairs:
                    found.append(_source(book, name, (state,), state.score))
                for result in state.comparisons if pairs else ():
                    before = by_id.get(result.content.before_state_id or 0)
                    if before is not None and before.shots:
                        found.append(_source(book, name, (before, state), result))
    if not found:
        raise DefectscanError(
            f"the job book has no {'compared states' if pairs else 'photos'} of these jobs",
            allowed="a deck is made of photos that were entered",
            remedy="enter some with `job shots`, or name another job or a folder",
        )
    return found


def without_clips(sources: Sequence[Source]) -> tuple[list[Source], list[str]]:
    """Leave clips out: a deck is made of photos.

    Returns
    -------
    kept
        Sources with a photo of each state, their clips left out.
    left_out
        Names of the others.

    Raises
    ------
    DefectscanError
        If none is kept.
    """
    kept, left_out = [], []
    for source in sources:
        states = tuple(tuple(p for p in state if not is_clip(p)) for state in source.states)
        if all(states):
            kept.append(replace(source, states=states))
        else:
            left_out.append(source.name)
    if not kept:
        raise DefectscanError(
            f"{left_out[0]} is a clip, and there are no photos",
            allowed="a deck is made of photos",
            remedy="name photos, or enter some with `job shots`",
        )
    return kept, left_out


def read_candidates(
    sources: Sequence[Source], measuring: Measuring, *, progress: Progress
) -> list[Candidate]:
    """Read the photos and measure them where that is wanted.

    A photo that cannot be measured stays in, with the reason; the same photo comes in once.

    Raises
    ------
    DefectscanError
        If a photo cannot be read.
    """
    found: dict[str, Candidate] = {}
    for source in sources:
        progress(Path(source.name).name)
        digests = [hashlib.sha256(read_bytes(state[0])).hexdigest() for state in source.states]
        ident = digests[0] if len(digests) == 1 else _digest(":".join(digests))
        if ident not in found:
            found[ident] = _read(source, measuring, ident)
    return list(found.values())


def _read(source: Source, measuring: Measuring, ident: str) -> Candidate:
    how = replace(measuring, mm_per_px=source.mm_per_px or measuring.mm_per_px)
    reason = "not measured"
    reference = None if source.stored is None else _stored(source.stored, how.scale)
    if how.wanted and reference is None:
        try:
            return _measured(source, how, ident)
        except DefectscanError as error:
            reason = str(error)
    photos = [read_photo(state[0], max_side_px=LONGEST_PX) for state in source.states]
    return _candidate(source, ident, photos, reference, reason=reason)


def _measured(source: Source, how: Measuring, ident: str) -> Candidate:
    told: dict[str, Any] = {"mm_per_px": how.mm_per_px, "card_mm": how.card_mm, "seed": how.seed}
    reference: Reference | None
    if len(source.states) == 1:
        score = pipeline.score(source.states[0], **told)
        reference, shots = score_reference(score), [score.shots[0]]
        reason = NO_SCALE
    else:
        comparison = pipeline.compare(source.states[0], source.states[1], **told)
        after = comparison.after
        if how.scale is Scale.QUANTITY:
            reference, reason = score_reference(after), NO_SCALE
        else:
            reference = correction_reference(
                comparison.correction,
                after.line_density.value if after.has_scale else None,
                limit=after.detection_limit if after.has_scale else None,
            )
            reason = "the correction is undefined, or too little to tell"
        shots = [comparison.before.shots[0], after.shots[0]]
        score = after
    kinds = {str(kind): one.value for kind, one in score.kinds.items()}
    return _candidate(
        source, ident, [s.photo for s in shots], reference, reason=reason, shots=shots, kinds=kinds
    )


def _candidate(
    source: Source,
    ident: str,
    photos: Sequence[Photo],
    reference: Reference | None,
    *,
    reason: str,
    shots: Sequence[MeasuredShot] = (),
    kinds: Mapping[str, float] | None = None,
) -> Candidate:
    lines = [lines_mask(shot) for shot in shots] if shots else [None] * len(photos)
    single = len(photos) == 1
    return Candidate(
        ident=ident,
        name=source.name,
        views=tuple(View(rgb=p.rgb, lines=m) for p, m in zip(photos, lines, strict=True)),
        reference=reference,
        unknown="" if reference is not None else reason,
        look=hint(
            dict(kinds or {}),
            paint=paint_group(photos[0].rgb),
            grade=reference.value if reference is not None and single else None,
        ),
    )


def score_reference(score: PanelScore) -> Reference | None:
    """Return a measured grade as a reference; `None` without a scale."""
    if score.grade is None:
        return None
    density = score.line_density
    return Reference(
        value=score.grade,
        low=grade_of(density.low),
        high=grade_of(density.high),
        source="measured",
        density_mm_per_cm2=density.value,
        detection_limit_mm_per_cm2=score.detection_limit,
    )


def _stored(record: Mapping[str, Any], scale: Scale) -> Reference | None:
    """Return what the job book's result says."""
    if scale is Scale.QUANTITY:
        record = record.get("after", record)
    if record["format"].startswith("defectscan.score/"):
        density = record["line_density_mm_per_cm2"]
        if density is None or record["grade"] is None:
            return None
        return Reference(
            value=record["grade"],
            low=grade_of(density["low"]),
            high=grade_of(density["high"]),
            source="measured",
            density_mm_per_cm2=density["value"],
            detection_limit_mm_per_cm2=record.get("detection_limit_mm_per_cm2"),
        )
    percent = record["correction_percent"]
    if percent is None or any(percent.get(name) is None for name in ("value", "low", "high")):
        return None
    interval = Interval(value=percent["value"], low=percent["low"], high=percent["high"])
    at_least = bool(record.get("correction_is_at_least"))
    return correction_reference(Correction(percent=interval, at_least=at_least), None)


def _source(
    book: Book, name: str, states: tuple[StateView, ...], result: Entry[Result] | None
) -> Source:
    shots = [state.shots for state in states]
    return Source(
        name=name,
        states=tuple(tuple(book.photo_path(s.content.sha256) for s in some) for some in shots),
        stored=None if result is None else result.content.record,
        mm_per_px=shots[0][0].content.mm_per_px,
    )


def _surfaces(view: JobView) -> Iterator[tuple[str, tuple[StateView, ...]]]:
    for panel in view.panels:
        yield panel.name, panel.surface.states
        for spot in panel.test_spots:
            yield f"{panel.name}, {spot.entry.content.name}", spot.surface.states


def _before_after(folder: Path) -> tuple[tuple[Path, ...], tuple[Path, ...]] | None:
    states = []
    for name in ("before", "after"):
        named = [p for p in _within(folder) if p.stem == name and p.suffix != ".json"]
        if len(named) != 1:
            return None
        states.append(tuple(list_photos(named[0])))
    return states[0], states[1]


def _folders(path: Path) -> list[Path]:
    return [p for p in _within(path) if p.is_dir() and not p.name.startswith(".")]


def _within(folder: Path) -> list[Path]:
    """Return what is in a folder; nothing where it may not be looked into."""
    try:
        return sorted(folder.iterdir())
    except OSError:
        return []


def _has_photos(path: Path) -> bool:
    try:
        return bool(list_photos(path))
    except DefectscanError:
        return False


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
