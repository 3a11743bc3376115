"""Withdrawing: nothing else in the book comes to say something else by it."""

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from defectscan.workshop.book import open_book
from defectscan.workshop.book_entries import BookError, Note, Panel, Pass, Shot, State, TestSpot
from defectscan.workshop.withdrawing import withdraw
from tests.workshop.polished_panel import Bench, score_record


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with open_book(tmp_path / "book", create=True) as book:
        yield Bench(book)


def test_a_pass_with_nothing_after_it_is_withdrawn(bench: Bench) -> None:
    bench.course([200, 100], [110, 109])
    void, last = bench.polish(), bench.polish()
    withdraw(bench.book, void)
    assert [one.thing_id for one in bench.view().surface.passes][1:] == [last]
    spot = bench.spot("A", 50)
    withdraw(bench.book, last)  # what stands on a test spot stands after the spot's passes
    assert len(bench.view().surface.passes) == 1
    withdraw(bench.book, bench.polish(spot=spot))


def test_a_pass_with_photos_after_it_is_refused_until_they_are_withdrawn(bench: Bench) -> None:
    before, after = bench.course([200, 100])
    assert before is not None
    assert after is not None
    bench.compare(before, after, None)
    (one,) = bench.view().surface.passes
    state = bench.view().surface.states[1]
    (shot,), (compared,) = state.shots, state.comparisons
    history = bench.book.history()
    says = (
        f"after the pass of entry {one.id} stand 1 photo(s) (entry {shot.id}), 2 result(s) "
        f"(entries {after.id}, {compared.id}); a pass is withdrawn while nothing stands after "
        f"it; correct it with `job pass --correct {one.id}`, or "
    )
    with pytest.raises(BookError, match=re.escape(says)):
        withdraw(bench.book, one.id)
    assert bench.book.history() == history
    withdraw(bench.book, shot.id)  # its results are void with it
    withdraw(bench.book, one.id)
    surface = bench.view().surface
    assert surface.passes == ()
    assert [state.name for state in surface.states] == ["before"]


def test_readings_and_what_stands_after_a_later_pass_hold_a_pass_too(bench: Bench) -> None:
    bench.course([200, None, None], [110, None, 108])
    first, second = bench.view().surface.passes
    readings = [r for r in bench.view().surface.film if r.content.after_pass_id is not None]
    for one in (first, second):
        with pytest.raises(BookError, match=r"15 film reading\(s\) .* and 5 more\)") as raised:
            withdraw(bench.book, one.id)
        assert "photo(s)" not in raised.value.what
    for reading in readings:
        withdraw(bench.book, reading.id)
    withdraw(bench.book, first.id)
    assert [one.id for one in bench.book.current(Pass)] == [second.id]


def test_a_pass_on_a_test_spot_is_held_by_the_spots_photos(bench: Bench) -> None:
    spot = bench.spot("A", 50)
    (one,) = bench.view().test_spots[0].surface.passes
    with pytest.raises(BookError, match=r"1 photo\(s\)"):
        withdraw(bench.book, one.id)
    void = withdraw(bench.book, spot)  # with the spot itself all that was done on it goes
    says = (
        f"entry {one.id} (pass) belongs to the test spot of entry {spot}, which is void; what "
        "belongs to something void stays as it is; first put that back with `job withdraw "
        f"{void.id}`"
    )
    with pytest.raises(BookError, match=re.escape(says)):
        withdraw(bench.book, one.id)
    withdraw(bench.book, void.id)
    with pytest.raises(BookError, match=r"1 photo\(s\)"):
        withdraw(bench.book, one.id)


def test_what_belongs_to_something_void_stays_as_it_is(bench: Bench) -> None:
    bench.course([200, 50], [110, None])
    surface = bench.view().surface
    (one,), (shot,), reading = surface.passes, surface.states[1].shots, surface.film[0]
    for owner in (bench.job.id, bench.panel_id):
        void = withdraw(bench.book, owner)
        for entry in (one, shot, reading):
            with pytest.raises(BookError, match=f"to the (job|panel) of entry {owner}, which"):
                withdraw(bench.book, entry.id)
        withdraw(bench.book, void.id)
    assert bench.view().surface == surface
    gone = withdraw(bench.book, shot.id)
    withdraw(bench.book, one.id)
    # Put back now, the photo after the pass would count as one before it.
    with pytest.raises(BookError, match=f"belongs to the pass of entry {one.id}, which is void"):
        withdraw(bench.book, gone.id)


def test_a_reading_goes_back_to_no_void_pass(bench: Bench) -> None:
    bench.course([200, None], [110, 108])
    surface = bench.view().surface
    readings = [r for r in surface.film if r.content.after_pass_id is not None]
    moved = [bench.book.correct(r.id, replace(r.content, after_pass_id=None)) for r in readings]
    withdraw(bench.book, surface.passes[0].id)
    with pytest.raises(BookError, match="belongs to the pass of entry"):
        withdraw(bench.book, moved[0].id)


def test_without_its_correction_the_older_content_is_in_force_again(bench: Bench) -> None:
    bench.course([200, 100])
    book, (one,) = bench.book, bench.view().surface.passes
    slip = book.correct(one.id, replace(one.content, time_min=60.0))
    made = withdraw(book, slip.id)
    assert (made.content, made.withdrawn, made.supersedes_id) == (one.content, False, slip.id)
    assert bench.view().surface.passes == (made,)
    assert [state.name for state in bench.view().surface.states] == ["before", "after pass 1"]
    says = f"entry {slip.id} was corrected since, by entry {made.id}"
    with pytest.raises(BookError, match=says):
        withdraw(book, slip.id)
    assert withdraw(book, made.id).content == slip.content  # as if it had not been withdrawn
    with pytest.raises(BookError, match="after the pass of entry"):
        withdraw(book, one.id)


def test_a_withdrawal_is_withdrawn_and_entered_again(bench: Bench) -> None:
    note = bench.add(Note(text="the owner waits"))
    void = withdraw(bench.book, note)
    assert void.withdrawn
    again = withdraw(bench.book, void.id)
    assert [one.content.text for one in bench.book.current(Note)] == ["the owner waits"]
    assert withdraw(bench.book, again.id).withdrawn
    assert bench.book.current(Note) == []


def test_what_is_void_is_not_withdrawn_again_but_put_back(bench: Bench) -> None:
    note = bench.add(Note(text="the owner waits"))
    void = withdraw(bench.book, note)
    says = f"entry {note} (note) is void already, by entry {void.id}; what is void can be put back;"
    with pytest.raises(BookError, match=re.escape(says)):
        withdraw(bench.book, note)
    twice = bench.book.withdraw(note)  # as older books have it
    with pytest.raises(BookError, match=f"put it back with `job withdraw {twice.id}`"):
        withdraw(bench.book, void.id)
    assert not withdraw(bench.book, twice.id).withdrawn
    assert [one.content.text for one in bench.book.current(Note)] == ["the owner waits"]


def test_a_test_spots_name_may_be_anothers_by_now(bench: Bench) -> None:
    spot = bench.add(TestSpot(panel_id=bench.panel_id, name="A"))
    void = withdraw(bench.book, spot)
    other = bench.add(TestSpot(panel_id=bench.panel_id, name="a "))
    says = f"another test spot A, of entry {other}; test spots of one panel have different names"
    with pytest.raises(BookError, match=says):
        withdraw(bench.book, void.id)
    withdraw(bench.book, other)
    withdraw(bench.book, void.id)
    assert [one.thing_id for one in bench.book.current(TestSpot)] == [spot]


def test_a_state_entered_anew_is_not_put_back_beside_it(bench: Bench) -> None:
    state = bench.state().thing_id
    void = withdraw(bench.book, state)
    other = bench.state().thing_id
    with pytest.raises(BookError, match=f"the same state was entered anew by entry {other}"):
        withdraw(bench.book, void.id)
    assert [one.thing_id for one in bench.book.current(State)] == [other]


def test_a_photo_entered_anew_is_not_put_back_beside_it(bench: Bench) -> None:
    state = bench.state()
    bench.score(state, score_record(200))
    (shot,) = bench.book.current(Shot)
    void = withdraw(bench.book, shot.thing_id)
    other = bench.book.add(shot.content, job_id=bench.job.id)
    with pytest.raises(BookError, match=f"same photo was entered anew by entry {other.id}"):
        withdraw(bench.book, void.id)
    assert bench.book.current(Shot) == [other]
    withdraw(bench.book, other.id)
    withdraw(bench.book, void.id)
    assert [one.thing_id for one in bench.book.current(Shot)] == [shot.thing_id]


def test_a_panels_older_name_may_be_anothers_by_now(bench: Bench) -> None:
    renamed = bench.book.correct(bench.panel_id, Panel(name="roof"))
    bench.add(Panel(name="Bonnet"))
    with pytest.raises(BookError, match="job 1 has a panel bonnet already"):
        withdraw(bench.book, renamed.id)
    assert bench.view().name == "roof"
