"""Decks and grades in the job book: entered once, corrected by a further entry, archived whole."""

import copy
import dataclasses
from pathlib import Path

import pytest

from defectscan.errors import DefectscanError
from defectscan.judging import journal
from defectscan.judging.grades import Session
from defectscan.judging.key import read_key
from defectscan.judging.scale import Scale
from defectscan.workshop.book import open_book
from defectscan.workshop.book_archive import export_archive, import_archive
from defectscan.workshop.book_entries import Deck, Grades, Job
from tests.judging.conftest import HOSTILE_RATER, deck_of, key_file


def session(ident: str = "s1", grade: int = 3, rater: str = HOSTILE_RATER) -> Session:
    return Session(
        rater=rater,
        graded_on="2026-05-01",
        ident=ident,
        source="a.json",
        grades={1: grade, 2: None},
    )


def test_a_deck_is_entered_once_with_its_pictures(tmp_path: Path) -> None:
    path, key = key_file(deck_of([0, 3, 5]), tmp_path)
    with open_book(tmp_path / "book", create=True) as book:
        entry = journal.enter_deck(book, *read_key(path))
        assert journal.enter_deck(book, *read_key(path)) == entry
        assert journal.key_of(book, entry) == key
        assert len(book.current(Deck)) == 1


def test_a_deck_made_anew_with_values_is_refused_or_corrects_the_first(tmp_path: Path) -> None:
    valued = deck_of([0, 3, 5])
    bare = copy.deepcopy(valued)
    for photo in bare.key["photos"]:
        photo["reference"] = None
    with open_book(tmp_path / "book", create=True) as book:
        entry = journal.enter_deck(book, *read_key(key_file(bare, tmp_path)[0]))
        journal.enter_sessions(book, entry, [session()], correct=False)
        path, key = key_file(valued, tmp_path)
        with pytest.raises(DefectscanError, match=r"other values of its photos.*--correct"):
            journal.enter_deck(book, *read_key(path))
        assert book.current(Deck) == [entry]
        corrected = journal.enter_deck(book, *read_key(path), correct=True)
        assert book.current(Deck) == [corrected]
        assert journal.key_of(book, corrected) == key
        assert journal.sessions_of(book, corrected) == [session()]  # they stay with the deck
        assert journal.enter_deck(book, *read_key(path)) == corrected
        for photo in valued.key["photos"]:
            photo["reference"]["detection_limit_mm_per_cm2"] = 1.2  # as older keys do not tell it
        told = read_key(key_file(valued, tmp_path)[0])
        reference = told[0].photos[0].reference
        assert reference is not None
        assert reference.detection_limit_mm_per_cm2 == 1.2
        assert journal.enter_deck(book, *told) == corrected


def test_grades_are_entered_once_and_corrected_by_a_further_entry(tmp_path: Path) -> None:
    path, _ = key_file(deck_of([0, 3, 5]), tmp_path)
    with open_book(tmp_path / "book", create=True) as book:
        deck = journal.enter_deck(book, *read_key(path))
        kept = journal.enter_sessions(book, deck, [session(), session()], correct=False)
        assert (len(kept.new), len(kept.known)) == (1, 0)
        assert journal.sessions_of(book, deck) == [session()]
        kept = journal.enter_sessions(book, deck, [session()], correct=False)
        assert (len(kept.new), len(kept.known)) == (0, 1)
        with pytest.raises(DefectscanError, match=r"says otherwise.*--correct"):
            journal.enter_sessions(book, deck, [session(grade=4)], correct=False)
        both = [session("s2", grade=1), session("s2", grade=2)]
        with pytest.raises(DefectscanError, match="says otherwise"):
            journal.enter_sessions(book, deck, both, correct=True)
        kept = journal.enter_sessions(book, deck, [session(grade=4)], correct=True)
        assert len(kept.corrected) == 1
        assert journal.sessions_of(book, deck)[0].grades[1] == 4
        told = [e.content.grades["1"] for e in book.history() if isinstance(e.content, Grades)]
        assert told == [3, 4]


def test_a_name_in_other_capitals_is_there_already(tmp_path: Path) -> None:
    path, _ = key_file(deck_of([0, 3, 5]), tmp_path)
    with open_book(tmp_path / "book", create=True) as book:
        deck = journal.enter_deck(book, *read_key(path))
        journal.enter_sessions(book, deck, [session(rater="Ana")], correct=False)
        kept = journal.sort_sessions(book, deck, [session(rater="ANA")], correct=False)
        assert len(kept.known) == 1
        kept = journal.sort_sessions(book, deck, [session(rater="ANA")], correct=True)
        assert len(kept.corrected) == 1
        with pytest.raises(DefectscanError, match="says otherwise"):
            journal.sort_sessions(book, deck, [session(rater="Ben")], correct=False)


@pytest.mark.usefixtures("ahead_of_utc")
def test_sessions_and_decks_are_sorted_by_local_time(tmp_path: Path) -> None:
    sheet = dataclasses.replace(session("sheet"), graded_on="2026-06-01")
    page = dataclasses.replace(session("page"), graded_on="2026-05-31T20:00:00+00:00")
    with open_book(tmp_path / "book", create=True) as book:
        for scale, some in ((Scale.CORRECTION, [page, sheet]), (Scale.QUANTITY, [sheet])):
            path, _ = key_file(deck_of([0, 3, 5], scale=scale), tmp_path)
            deck = journal.enter_deck(book, *read_key(path))
            journal.enter_sessions(book, deck, some, correct=False)
            told = [one.ident for one in journal.sessions_of(book, deck)]
            assert told == ["sheet", "page"][: len(some)]
        # That of the page at eight in the morning of the sheets' day.
        ((key, _),) = journal.graded_decks(book, [], None)
        assert key.scale is Scale.CORRECTION


def test_sorting_sessions_enters_nothing(tmp_path: Path) -> None:
    path, _ = key_file(deck_of([0, 3, 5]), tmp_path)
    with open_book(tmp_path / "book", create=True) as book:
        both = [session("s2", grade=1), session("s2", grade=2)]
        with pytest.raises(DefectscanError, match="says otherwise"):
            journal.sort_sessions(book, None, both, correct=True)
        deck = journal.enter_deck(book, *read_key(path))
        kept = journal.sort_sessions(book, deck, [session()], correct=False)
        assert kept.new == (session(),)
        assert journal.sessions_of(book, deck) == []


def test_grades_do_not_change_which_job_is_the_current_one(tmp_path: Path) -> None:
    path, _ = key_file(deck_of([0, 3, 5]), tmp_path)
    with open_book(tmp_path / "book", create=True) as book:
        book.add(Job(title="Van"))
        last = book.add(Job(title="Coupe"))
        deck = journal.enter_deck(book, *read_key(path))
        journal.enter_sessions(book, deck, [session()], correct=False)
        assert book.job() == last
        assert [job.title for job in book.jobs()] == ["Coupe", "Van"]


def test_an_archive_takes_decks_and_grades_along(tmp_path: Path) -> None:
    path, key = key_file(deck_of([0, 3, 5]), tmp_path)
    with open_book(tmp_path / "book", create=True) as book:
        deck = journal.enter_deck(book, *read_key(path))
        journal.enter_sessions(book, deck, [session()], correct=False)
        export_archive(book, tmp_path / "all.zip", job_id=None, force=False)
        history = book.history()
    with open_book(tmp_path / "other", create=True) as other:
        import_archive(other, tmp_path / "all.zip")
        assert other.history() == history
        (entry,) = other.current(Deck)
        assert journal.key_of(other, entry) == key


def test_decks_are_chosen_by_scale_and_name(tmp_path: Path) -> None:
    entries = {}
    with open_book(tmp_path / "book", create=True) as book:
        with pytest.raises(DefectscanError, match="no grades"):
            journal.graded_decks(book, [], None)
        for scale, values in ((Scale.QUANTITY, [0, 3, 5]), (Scale.CORRECTION, [20, 60, 90])):
            path, _ = key_file(deck_of(values, scale=scale), tmp_path)
            entries[scale] = journal.enter_deck(book, *read_key(path))
            day = "2026-05-01" if scale is Scale.CORRECTION else "2026-04-01"
            one = dataclasses.replace(session(str(scale)), graded_on=day)
            journal.enter_sessions(book, entries[scale], [one], correct=False)
        ((key, _),) = journal.graded_decks(book, [], None)
        assert key.scale is Scale.CORRECTION  # graded last
        ((key, _),) = journal.graded_decks(book, [], "quantity")
        assert key.scale is Scale.QUANTITY
        idents = [entry.content.ident for entry in entries.values()]
        ((key, _),) = journal.graded_decks(book, [idents[0][:6]], None)
        assert key.ident == idents[0]
        with pytest.raises(DefectscanError, match="two scales"):
            journal.graded_decks(book, idents, None)
        with pytest.raises(DefectscanError, match="there is no deck 'zzz'"):
            journal.graded_decks(book, ["zzz"], None)
