"""Withdraw an entry of the job book, unless others would then say something else."""

from collections.abc import Iterator, Sequence

from defectscan.errors import on_one_line
from defectscan.workshop.book import Book
from defectscan.workshop.book_entries import (
    BookError,
    Content,
    Entry,
    Job,
    Panel,
    Pass,
    Result,
    Shot,
    State,
    TestSpot,
)
from defectscan.workshop.book_view import SurfaceView, view_job
from defectscan.workshop.entering import check_panel_name

_MOST_NAMED = 10


def withdraw(book: Book, entry_id: int) -> Entry[Content]:
    """Enter that an entry is void.

    With the first entry about a thing, the thing is void. With the last correction of it, what
    that corrected is in force again, which is entered as a further correction.

    Parameters
    ----------
    book
        Open.
    entry_id
        The first entry about a thing that stands, or the last entry about it.

    Returns
    -------
    made
        The entry that says so; not itself withdrawn where something is in force again.

    Raises
    ------
    BookError
        If there is no such entry, or it was corrected since; if the thing is void already, or
        belongs to something void; if another panel or test spot has by now the name that would be
        in force again, or a state or photo to be put back was entered anew; or if it is a pass
        after which photos, results or film readings stand: they would count as of the state before
        it.
    """
    with book.together():
        return _withdrawn(book, entry_id)


def check_stands(book: Book, last: Entry[Content]) -> None:
    """Refuse an entry about something that is void or belongs to something void.

    Parameters
    ----------
    book
        Open.
    last
        The last entry about a thing.

    Raises
    ------
    BookError
        If the thing, or what it belongs to, is void.
    """
    if last.withdrawn:
        raise BookError(
            f"entry {last.thing_id} ({_kind(last)}) is void already, by entry {last.id}",
            allowed="what is void can be put back",
            remedy=f"put it back with `job withdraw {last.id}`",
        )
    _check_owners_stand(book, last)


def _check_owners_stand(book: Book, last: Entry[Content]) -> None:
    """Refuse an entry that belongs to a void job, panel, test spot, pass or state.

    What stands on something void is not seen, so that nothing tells what a change would do to it.
    """
    for owner in _owners(book, last):
        if owner.withdrawn:
            raise BookError(
                f"entry {last.thing_id} ({_kind(last)}) belongs to the {_kind(owner)} of entry "
                f"{owner.thing_id}, which is void",
                allowed="what belongs to something void stays as it is",
                remedy=f"first put that back with `job withdraw {owner.id}`",
            )


def _owners(book: Book, entry: Entry[Content]) -> Iterator[Entry[Content]]:
    """Give what an entry belongs to, each as last said, the job first."""
    names = ["panel_id", "test_spot_id", "after_pass_id", "deck_id"]
    if isinstance(entry.content, Shot | Result):  # a decision is the panel's, whatever its state
        names.append("state_id")
    numbers = {entry.job_id, *(getattr(entry.content, name, None) for name in names)}
    for number in sorted(n for n in numbers if n not in (None, entry.thing_id)):
        owner = book.entry(number)
        yield owner
        yield from _owners(book, owner)


def _kind(entry: Entry[Content]) -> str:
    return entry.kind.replace("_", " ")


def _withdrawn(book: Book, entry_id: int) -> Entry[Content]:
    last = book.entry(entry_id)
    if entry_id not in (last.id, last.thing_id):
        raise BookError(
            f"entry {entry_id} was corrected since, by entry {last.id}",
            allowed="the last correction of a thing is withdrawn, or with its first entry the "
            "whole thing",
            remedy=f"put it back with `job withdraw {last.id}`"
            if last.withdrawn
            else f"withdraw entry {last.id}, or entry {last.thing_id} for the whole",
        )
    if entry_id == last.thing_id:
        check_stands(book, last)
    else:
        older = _corrected_by(book, last)
        for one in (last, older):
            _check_owners_stand(book, one)
        if not older.withdrawn:
            return _in_force_again(book, older)
    if isinstance(last.content, Pass):
        _check_nothing_after(book, last)
    return book.withdraw(entry_id)


def _corrected_by(book: Book, last: Entry[Content]) -> Entry[Content]:
    """Return what the last entry about a thing corrected; where it is void, what last stood."""
    by_id = {entry.id: entry for entry in book.history(last.job_id)}
    older = by_id[last.supersedes_id or last.id]
    while last.withdrawn and older.withdrawn and older.supersedes_id is not None:
        older = by_id[older.supersedes_id]
    return older


def _in_force_again(book: Book, older: Entry[Content]) -> Entry[Content]:
    if isinstance(older.content, Panel):
        name, panel_id = older.content.name, older.thing_id
        check_panel_name(book, name, job_id=older.job_id, panel_id=panel_id)
    elif isinstance(older.content, TestSpot):
        _check_spot_name(book, older.content, job_id=older.job_id, spot_id=older.thing_id)
    elif isinstance(older.content, State):
        _check_one_state(book, older.content, job_id=older.job_id, state_id=older.thing_id)
    elif isinstance(older.content, Shot):
        _check_one_shot(book, older.content, job_id=older.job_id, shot_id=older.thing_id)
    return book.correct(older.thing_id, older.content)


def _check_one_shot(book: Book, shot: Shot, *, job_id: int, shot_id: int) -> None:
    """Refuse a photo that was entered anew: it would count as two shots."""
    for other in book.current(Shot, job_id=job_id):
        told = other.content
        is_same = (told.state_id, told.sha256) == (shot.state_id, shot.sha256)
        if is_same and other.thing_id != shot_id:
            raise BookError(
                f"the same photo was entered anew by entry {other.thing_id}",
                allowed="a photo stands once in its state",
                remedy=f"leave it so, or first withdraw entry {other.thing_id}",
            )


def _check_spot_name(book: Book, spot: TestSpot, *, job_id: int, spot_id: int) -> None:
    """Refuse a name by which two test spots of a panel could not be told apart."""
    folded = spot.name.casefold().strip()
    for other in book.current(TestSpot, job_id=job_id):
        told = other.content
        if (told.panel_id, told.name.casefold().strip()) == (spot.panel_id, folded) and (
            other.thing_id != spot_id
        ):
            raise BookError(
                f"the panel has by now another test spot {on_one_line(spot.name[:80])}, of entry "
                f"{other.thing_id}",
                allowed="test spots of one panel have different names",
                remedy=f"first withdraw that one with `job withdraw {other.thing_id}`",
            )


def _check_one_state(book: Book, state: State, *, job_id: int, state_id: int) -> None:
    """Refuse a state that was entered anew: the photos of one state are measured together."""
    for other in book.current(State, job_id=job_id):
        if other.content == state and other.thing_id != state_id:
            raise BookError(
                f"the same state was entered anew by entry {other.thing_id}",
                allowed="the photos of one state stand together",
                remedy="enter its photos with `job shots`, or first withdraw entry "
                f"{other.thing_id}",
            )


def _check_nothing_after(book: Book, last: Entry[Content]) -> None:
    standing = [
        told
        for job in book.current(Job, job_id=last.job_id)
        for panel in view_job(book, job).panels
        for surface in (panel.surface, *(spot.surface for spot in panel.test_spots))
        if last.thing_id in [one.thing_id for one in surface.passes]
        for told in _after(surface, last.thing_id)
    ]
    if standing:
        raise BookError(
            f"after the pass of entry {last.thing_id} stand {', '.join(standing)}",
            allowed="a pass is withdrawn while nothing stands after it",
            remedy=f"correct it with `job pass --correct {last.thing_id}`, or withdraw those first "
            "(results go with their photos)",
        )


def _after(surface: SurfaceView, pass_id: int) -> list[str]:
    """Name what was photographed, measured and read on a surface after one of its passes."""
    states = [s for s in surface.states if (s.entry.content.after_pass_id or 0) >= pass_id]
    found: dict[str, Sequence[Entry[Content]]] = {
        "photo": [shot for state in states for shot in state.shots],
        "result": [
            result
            for state in states
            for result in (*([state.score] if state.score else []), *state.comparisons)
        ],
        "film reading": [r for r in surface.film if (r.content.after_pass_id or 0) >= pass_id],
    }
    return [
        f"{len(entries)} {what}(s) ({_named(entries)})"
        for what, entries in found.items()
        if entries
    ]


def _named(entries: Sequence[Entry[Content]]) -> str:
    numbers = ", ".join(str(entry.thing_id) for entry in entries[:_MOST_NAMED])
    more = f" and {len(entries) - _MOST_NAMED} more" if len(entries) > _MOST_NAMED else ""
    return f"entries {numbers}{more}" if len(entries) > 1 else f"entry {numbers}"
