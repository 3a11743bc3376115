"""Entering at the vehicle: two people at once make one state and one test spot."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from defectscan.workshop import entering
from defectscan.workshop.book import Book, open_book
from defectscan.workshop.book_entries import BookError, Job, Panel, Pass, Shot, State, TestSpot
from defectscan.workshop.book_view import JobView, view_job
from tests.cli.commands import plain_photo


@pytest.fixture
def two(tmp_path: Path) -> Iterator[tuple[Book, Book]]:
    """Give one book with a panel as two people have it open."""
    with (
        open_book(tmp_path / "book", create=True, who="A") as a,
        open_book(tmp_path / "book", who="B") as b,
    ):
        a.add(Panel(name="tank"), job_id=a.add(Job(title="Van")).id)
        yield a, b


def viewed(book: Book) -> JobView:
    return view_job(book, book.job(1))


def shots(book: Book, view: JobView, photo: Path, **said: object) -> entering.KeptShots:
    return entering.enter_shots(
        book,
        view,
        view.panels[0],
        [photo],
        progress=lambda _: None,
        **said,  # type: ignore[arg-type]
    )


@pytest.mark.parametrize("spot", [None, "A"])
def test_photos_of_two_people_are_of_one_state(
    two: tuple[Book, Book], tmp_path: Path, spot: str | None
) -> None:
    views = [viewed(book) for book in two]  # both look before either enters anything
    kept = [
        shots(book, view, plain_photo(tmp_path / f"{n}.png", seed=n), spot=spot, mm_per_px=0.1)
        for n, (book, view) in enumerate(zip(two, views, strict=True))
    ]
    assert [one.n_shots for one in kept] == [1, 2]
    assert kept[0].state_id == kept[1].state_id
    assert len(two[0].current(State)) == 1
    assert len(two[0].current(TestSpot)) == (spot is not None)
    known = shots(two[0], views[0], tmp_path / "1.png", spot=spot)
    assert (known.n_new, known.n_known, known.n_shots) == (0, 1, 2)
    with pytest.raises(BookError, match=r"scale of this state's other photos is 0\.1"):
        shots(two[0], views[0], plain_photo(tmp_path / "2.png", seed=2), spot=spot, mm_per_px=0.2)
    assert len(two[0].current(Shot)) == 2


def test_passes_of_two_people_are_counted_and_make_one_spot(two: tuple[Book, Book]) -> None:
    views = [viewed(book) for book in two]
    numbers = [
        entering.enter_pass(book, view, view.panels[0], {"pad": "wool"}, spot=" a")[1]
        for book, view in zip(two, views, strict=True)
    ]
    assert numbers == [1, 2]
    (spot,) = two[0].current(TestSpot)
    assert {one.content.test_spot_id for one in two[0].current(Pass)} == {spot.thing_id}
    (reading,) = entering.enter_film(two[1], views[1], views[1].panels[0], [110.0], spot="A")
    assert reading.content.test_spot_id == spot.thing_id


def test_what_was_withdrawn_while_photos_were_read_takes_none(
    two: tuple[Book, Book], tmp_path: Path
) -> None:
    a, b = two
    one, _ = entering.enter_pass(a, viewed(a), viewed(a).panels[0], {})
    view, photo = viewed(b), plain_photo(tmp_path / "1.png")
    a.withdraw(one.id)
    with pytest.raises(BookError, match=f"the pass of entry {one.id}, .* was withdrawn meanwhile"):
        shots(b, view, photo)
    a.withdraw(view.panels[0].entry.id)
    with pytest.raises(BookError, match="tank was withdrawn meanwhile"):
        shots(b, view, photo)
    assert a.current(State) == []
