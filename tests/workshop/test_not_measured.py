"""What was not measured: every gap of a panel is told, and nothing that is there."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from defectscan.workshop.book import open_book
from defectscan.workshop.book_entries import Material, Shot
from defectscan.workshop.not_measured import not_measured, unmeasured_states
from tests.workshop.polished_panel import Bench, score_record


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with open_book(tmp_path / "book", create=True) as book:
        yield Bench(book)


def test_a_panel_without_a_gap_has_no_reason(bench: Bench) -> None:
    bench.course([200, 130], [110, 109])
    assert not_measured(bench.view(), {}) == ()


def test_every_gap_is_told(bench: Bench) -> None:
    assert not_measured(bench.view(), {})[0].startswith("No photo was taken")
    bench.course([200, None, 85], [110, None, None])
    spot = bench.spot("A", 60)
    bench.polish(spot=spot)
    told = not_measured(bench.view(), {})
    assert told == (
        "Not photographed after pass 1.",
        "Test spot A: Not photographed after pass 2.",
        "Film thickness: last read before; what is left now was not read.",
    )


def test_photos_without_a_result_are_told_with_the_reason(bench: Bench) -> None:
    bench.score(bench.state(), score_record(200.0))
    state = bench.state(bench.polish())
    sha256 = bench.book.keep_photo(b"no photo")
    bench.add(Shot(state_id=state.id, sha256=sha256))
    (unmeasured,) = unmeasured_states(bench.view())
    assert unmeasured.entry.thing_id == state.id
    assert "After pass 1: 1 photo(s) were kept, not measured." in not_measured(bench.view(), {})
    failures = {state.id: "it has no highlight"}
    told = not_measured(bench.view(), failures)[0]
    assert told.endswith("but could not be measured: it has no highlight.")


def test_film_that_was_read_on_test_spots_alone_is_told(bench: Bench) -> None:
    bench.spot("A", 60, film_um=2.0)
    bench.score(bench.state(), score_record(200.0))
    (told,) = not_measured(bench.view(), {})
    assert told.startswith("Film thickness: read on test spots alone (30 readings). How much")


def test_film_on_plastic_has_its_own_reason(tmp_path: Path) -> None:
    with open_book(tmp_path / "book", create=True) as book:
        bench = Bench(book, material=Material.PAINTED_PLASTIC)
        assert "does not read on plastic" in not_measured(bench.view(), {})[-1]
