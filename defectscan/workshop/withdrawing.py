"""Withdraw an entry of the job book, unless others would then say something else."""

from collections.abc import Iterator, Sequence

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
        The first entry about a thing, or the last.

    Returns
    -------
    made
        The entry that says so; not itself withdrawn where something is in force again.

    Raises
    ------
    BookError
        If there is no such entry, or it was corrected since; if it belongs to something void; if
        another panel has by now the name that would be in force again; or if it is a pass after
        which photos, results or film readings stand: they would count as of the state before it.
    """
    with book.together():
        return _withdrawn(book, entry_id)


def check_owners_stand(book: Book, last: Entry[Content]) -> None:
    """Refuse an entry that belongs to a void job, panel, test spot, pass or state.

    What stands on something void is not seen, so that nothing tells what a change would do to it.

    Parameters
    ----------
    book
        Open.
    last
        The last entry about a thing.

    Raises
    ------
    BookError
        If what it belongs to is void.
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
            remedy=f"withdraw entry {last.id}, or entry {last.thing_id} for the whole",
        )
    check_owners_stand(book, last)
    if entry_id != last.thing_id:
        history = book.history(last.job_id)
        (older,) = [entry for entry in history if entry.id == last.supersedes_id]
        if not older.withdrawn:
            return _in_force_again(book, older)
    if isinstance(last.content, Pass):
        _check_nothing_after(book, last)
    return book.withdraw(entry_id)


def _in_force_again(book: Book, older: Entry[Content]) -> Entry[Content]:
    if isinstance(older.content, Panel):
        name, panel_id = older.content.name, older.thing_id
        check_panel_name(book, name, job_id=older.job_id, panel_id=panel_id)
    return book.correct(older.thing_id, older.content)


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
