"""Decks and grades in the job book."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from defectscan.errors import DefectscanError
from defectscan.judging.grades import Session
from defectscan.judging.key import DeckKey, KeyedPhoto, parse_key
from defectscan.workshop.book import Book
from defectscan.workshop.book_entries import BookError, Deck, Entry, Grades
from defectscan.workshop.local_time import place_in_time


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What became of some sessions.

    Attributes
    ----------
    new, corrected, known
        Sessions entered, entered as a correction, and there already.
    """

    new: tuple[Session, ...]
    corrected: tuple[Session, ...]
    known: tuple[Session, ...]


def find_deck(book: Book, ident: str) -> Entry[Deck] | None:
    """Return a deck of the book; `None` if it has not got it."""
    return next((one for one in book.current(Deck) if one.content.ident == ident), None)


def key_of(book: Book, deck: Entry[Deck]) -> DeckKey:
    """Return the key of a deck in the book, its pictures from the photos kept.

    Raises
    ------
    BookError
        If a picture is missing or altered, or the key is.
    """
    told = deck.content.key
    names = deck.content.sha256s
    try:
        parsed = parse_key({**told, "photos": [{**one, "pictures": []} for one in told["photos"]]})
        counts = [len(range(one["n_pictures"])) for one in told["photos"]]
    except (LookupError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise _damaged(deck) from error
    if sum(counts) != len(names) or not all(counts):
        raise _damaged(deck)
    photos = []
    first = 0
    for photo, count in zip(parsed.photos, counts, strict=True):
        files = [book.photo_path(name) for name in names[first : first + count]]
        first += count
        photos.append(replace(photo, pictures=tuple(file.read_bytes() for file in files)))
    return replace(parsed, photos=tuple(photos))


def enter_deck(
    book: Book, key: DeckKey, told: dict[str, Any], *, correct: bool = False
) -> Entry[Deck]:
    """Enter a deck with its key and pictures, if the book has not got it.

    Parameters
    ----------
    book
        Open.
    key, told
        From `read_key`.
    correct
        Whether a key with other values than the book has of the same photos corrects them.

    Raises
    ------
    DefectscanError
        If the values differ and `correct` is not given; nothing is entered then.
    """
    found = find_deck(book, key.ident)
    if found is not None and _values(key_of(book, found)) == _values(key):
        return found
    if found is not None and not correct:
        raise DefectscanError(
            f"deck {key.ident} is in the job book with other values of its photos",
            allowed="a deck has one set of values",
            remedy="name the key that was entered, or give --correct to count with the new values",
        )
    names = [book.keep_photo(p, suffix=".jpg") for one in key.photos for p in one.pictures]
    photos = [_bare(one, photo) for one, photo in zip(told["photos"], key.photos, strict=True)]
    content = Deck(
        ident=key.ident, title=key.title, key={**told, "photos": photos}, sha256s=tuple(names)
    )
    return book.add(content) if found is None else book.correct(found.id, content)


def sort_sessions(
    book: Book, deck: Entry[Deck] | None, sessions: Sequence[Session], *, correct: bool
) -> Kept:
    """Tell what would become of sessions if they were entered; nothing is entered.

    Parameters
    ----------
    book
        Open.
    deck
        Where they belong; `None` if the book has not got it yet.
    sessions
        Of one or more files.
    correct
        Whether a session that says something else than before corrects it.

    Raises
    ------
    DefectscanError
        If one differs from what is there and `correct` is not given, or comes twice.
    """
    there = _entered(book, deck)
    seen: dict[str, Session] = {}
    new, corrected, known = [], [], []
    for session in sessions:
        twin = seen.setdefault(session.ident, session)
        if twin is not session:
            if twin.grades == session.grades:
                continue
            raise _differs(session, f"{twin.source} says otherwise", "keep one of the files")
        old = there.get(session.ident)
        if old is None:
            new.append(session)
        elif old.content.grades == _stored(session) and (
            old.content.rater == session.rater
            # Capitals make no other rater, and are corrected where that is asked for.
            or (not correct and old.content.rater.casefold() == session.rater.casefold())
        ):
            known.append(session)
        elif correct:
            corrected.append(session)
        else:
            raise _differs(
                session, f"entry {old.id} says otherwise", "give --correct to enter a correction"
            )
    return Kept(new=tuple(new), corrected=tuple(corrected), known=tuple(known))


def enter_sessions(
    book: Book, deck: Entry[Deck], sessions: Sequence[Session], *, correct: bool
) -> Kept:
    """Enter sessions; one that is there already is left, one that differs is a correction.

    Parameters
    ----------
    book, deck
        Where they belong.
    sessions, correct
        As for `sort_sessions`.

    Raises
    ------
    DefectscanError
        As `sort_sessions`; nothing is entered then.
    """
    kept = sort_sessions(book, deck, sessions, correct=correct)
    there = _entered(book, deck)
    contents = [_content(session, deck) for session in kept.new]
    if contents:
        book.add_all(contents, job_id=deck.job_id)
    for session in kept.corrected:
        book.correct(there[session.ident].id, _content(session, deck))
    return kept


def sessions_of(book: Book, deck: Entry[Deck]) -> list[Session]:
    """Return the sessions that stand of a deck, by date."""
    found = [
        Session(
            rater=entry.content.rater,
            graded_on=entry.content.graded_on,
            ident=entry.content.session,
            source=entry.content.source,
            grades={int(card): grade for card, grade in entry.content.grades.items()},
        )
        for entry in book.current(Grades, job_id=deck.job_id)
        if entry.content.deck_id == deck.thing_id
    ]
    return sorted(found, key=lambda session: (place_in_time(session.graded_on), session.ident))


def _entered(book: Book, deck: Entry[Deck] | None) -> dict[str, Entry[Grades]]:
    """Return what stands of a deck's sessions, by session."""
    if deck is None:
        return {}
    return {
        entry.content.session: entry
        for entry in book.current(Grades, job_id=deck.job_id)
        if entry.content.deck_id == deck.thing_id
    }


def _values(key: DeckKey) -> dict[str, Any]:
    """Return what of the photos' values counts; keys of older decks tell no detection limit."""
    found = {}
    for photo in key.photos:
        reference = photo.reference
        if reference is not None:
            reference = replace(reference, detection_limit_mm_per_cm2=None)
        found[photo.ident] = photo.groups, reference
    return found


def _bare(told: dict[str, Any], photo: KeyedPhoto) -> dict[str, Any]:
    """Leave the pictures out of a photo's JSON; they are kept as photos are."""
    rest = {name: value for name, value in told.items() if name != "pictures"}
    return rest | {"n_pictures": len(photo.pictures)}


def _stored(session: Session) -> dict[str, float | None]:
    return {str(card): grade for card, grade in sorted(session.grades.items())}


def _content(session: Session, deck: Entry[Deck]) -> Grades:
    return Grades(
        deck_id=deck.thing_id,
        rater=session.rater,
        session=session.ident,
        graded_on=session.graded_on,
        source=session.source,
        grades=_stored(session),
    )


def _damaged(deck: Entry[Deck]) -> BookError:
    return BookError(
        f"the key of deck {deck.content.ident[:40]!r} in the job book is damaged",
        allowed="keys stay as they were made",
        remedy="bring the book back from a copy",
    )


def _differs(session: Session, what: str, remedy: str) -> DefectscanError:
    return DefectscanError(
        f"{session.source}: the grades of {session.rater!r} on {session.graded_on} are there, and "
        f"{what}",
        allowed="a session is entered once",
        remedy=remedy,
    )


def graded_decks(
    book: Book, idents: Sequence[str], scale: str | None
) -> list[tuple[DeckKey, list[Session]]]:
    """Return the graded decks of one scale with their sessions.

    Parameters
    ----------
    book
        Open.
    idents
        Of decks, or their beginnings; all if there are none.
    scale
        Which scale, where the book holds both; that of the deck graded last if `None`.

    Raises
    ------
    DefectscanError
        If there are no grades, or the decks named are of two scales.
    """
    decks = book.current(Deck)
    for ident in idents:
        if not any(ident and deck.content.ident.startswith(ident) for deck in decks):
            there = ", ".join(deck.content.ident for deck in decks[-20:]) or "none"
            raise DefectscanError(
                f"there is no deck {ident[:40]!r}",
                allowed=f"the book has: {there}",
                remedy="name one of them",
            )
    named = [d for d in decks if not idents or any(d.content.ident.startswith(i) for i in idents)]
    graded = [(deck, some) for deck in named if (some := sessions_of(book, deck))]
    if scale is None and graded:
        last = max(graded, key=lambda one: place_in_time(one[1][-1].graded_on))
        scale = last[0].content.key.get("scale")
    chosen = [(deck, some) for deck, some in graded if deck.content.key.get("scale") == scale]
    if not chosen:
        raise DefectscanError(
            "the job book has no grades" + (f" on the scale {scale}" if graded else ""),
            allowed="results are worked out from grades that were entered",
            remedy="enter some with `judge grades FILE --key KEY`",
        )
    if idents and len(chosen) < len(graded):
        raise DefectscanError(
            "the decks named are of two scales",
            allowed="grades and percentages are not counted together",
            remedy="name decks of one scale, or --scale",
        )
    return [(key_of(book, deck), some) for deck, some in chosen]
