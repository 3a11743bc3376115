"""Which stored comparison is told: one that was measured as the scores beside it were."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from defectscan.workshop.book import open_book
from defectscan.workshop.book_entries import Entry, Result
from defectscan.workshop.next_pass import course_of
from defectscan.workshop.stored_figures import current_comparison, score_of
from tests.workshop.polished_panel import Bench, score_record

CARD: dict[str, Any] = {"mm_per_px": 0.1, "ruler_mm": None}


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with open_book(tmp_path / "book", create=True) as book:
        yield Bench(book)


def compared(bench: Bench, *, card: dict[str, Any] | None = None) -> list[Entry[Result]]:
    record = [score_record(density, shots=[{"card": card}]) for density in (200, 100)]
    first = bench.score(bench.state(), record[0])
    last = bench.score(bench.state(bench.polish()), record[1])
    bench.compare(first, last, {"value": 52.0, "low": 48.0, "high": 56.0})
    return [first, last]


def measured_anew(bench: Bench, score: Entry[Result], **settings: Any) -> None:
    content = replace(score.content, settings={**score.content.settings, **settings})
    bench.book.correct(score.id, content)


def is_current(bench: Bench) -> bool:
    return current_comparison(*bench.view().surface.states) is not None


@pytest.mark.parametrize("which", [(0,), (1,), (0, 1)])
def test_a_comparison_at_another_scale_is_not_current(bench: Bench, which: tuple[int, ...]) -> None:
    scores = compared(bench)
    assert is_current(bench)
    for number in which:
        measured_anew(bench, scores[number], mm_per_px=0.15)
    assert not is_current(bench)
    course = course_of(bench.view())
    assert course.correction_percent is not None
    assert course.correction_percent.value == pytest.approx(50)
    (note,) = course.notes
    assert note.startswith("before and after pass 1 were not compared line by line as they were")
    assert ("Their scales are " in note) is (len(which) == 1)


def test_a_comparison_of_another_way_of_counting_is_not_current(bench: Bench) -> None:
    first, _ = compared(bench)
    measured_anew(bench, first, as_seen=True)
    assert not is_current(bench)


def test_of_two_results_of_a_state_the_last_entered_counts(bench: Bench) -> None:
    first, last = compared(bench)
    # As two people enter who measure at once.
    bench.book.add(replace(last.content, record=score_record(151)), job_id=bench.job.id)
    assert score_of(bench.view().surface.states[1]).record == score_record(151)
    again = score_record(120)
    bench.book.correct(last.id, replace(last.content, record=again))
    assert score_of(bench.view().surface.states[1]).record == again
    assert score_of(bench.view().surface.states[0]) == first.content


@pytest.mark.parametrize("card", [None, CARD])
def test_the_cards_ruler_counts_where_a_card_is_in_the_photos(
    bench: Bench, card: dict[str, Any] | None
) -> None:
    first, last = compared(bench, card=card)
    measured_anew(bench, last, card_mm=200.0)  # printed true, as one not measured is taken to be
    assert is_current(bench)
    # Once given for any panel, the length is taken over in the whole job.
    measured_anew(bench, last, card_mm=190.0)
    assert is_current(bench) is (card is None)
    measured_anew(bench, first, card_mm=190.0)
    (comparison,) = bench.view().surface.states[1].comparisons
    measured_anew(bench, comparison, card_mm=190.0)
    assert is_current(bench)
