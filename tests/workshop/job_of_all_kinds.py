"""An invented job with an entry of every kind, and names that are hard to keep."""

from typing import Any

from defectscan.workshop.book import Book
from defectscan.workshop.book_entries import (
    Decision,
    Deck,
    Entry,
    FilmReading,
    Grades,
    Job,
    Material,
    Note,
    Panel,
    Pass,
    Result,
    Shot,
    State,
    TestSpot,
)

HOSTILE = (
    "'; DROP TABLE entry; --",
    '<script>alert("x")</script>',
    "=HYPERLINK(A1)",
    "../../etc/passwd",
    "[bold]red[/bold] \x1b[31m",
    "line\nbreak\ttab",
    "Kühlerhaube 引擎盖 \U0001f697",
    "nul\0byte",
    "name with bad bytes \udcff",
    "%s %d {0} %(x)s",
)
PHOTO = b"\xff\xd8 not a photo, but bytes of one"


def enter_all_kinds(book: Book, *, title: str = "Green van, invented") -> Entry[Job]:
    """Enter a job with an entry of every kind, two corrections and one withdrawal."""
    job = book.add(Job(title=title, about="for the tests"))

    def add(content: Any) -> int:
        return book.add(content, job_id=job.id).id

    panel = add(Panel(name="Bonnet", material=Material.PAINTED_PLASTIC))
    spot = add(TestSpot(panel_id=panel, name="A", gentleness=1))
    before = add(State(panel_id=panel))
    sha256 = book.keep_photo(PHOTO + title.encode(), suffix=".JPG")
    add(Shot(state_id=before, sha256=sha256, file_name=HOSTILE[3], mm_per_px=0.1 + 0.2))
    reading = add(FilmReading(panel_id=panel, film_um=112.5, spot="left", gauge=HOSTILE[2]))
    one = add(Pass(panel_id=panel, who="A", machine=HOSTILE[1], pad="foam", time_min=1 / 3))
    add(Pass(panel_id=panel, test_spot_id=spot, polish="fine"))
    after = add(State(panel_id=panel, after_pass_id=one))
    add(Note(text=HOSTILE[6]))
    void = add(Note(text="on the wrong panel", panel_id=panel))
    interval = {"value": 220.125, "low": 1e-300, "high": 261.3}
    record: dict[str, Any] = {
        "format": "defectscan.score/1",
        "line_density_mm_per_cm2": interval,
        "flags": [],
    }
    told: dict[str, Any] = {"version": "0.0.1", "settings": {"seed": 0}, "sha256s": (sha256,)}
    add(Result(state_id=after, record=record, **told))
    record = {"format": "defectscan.comparison/1", "correction_percent": None}
    add(Result(state_id=after, before_state_id=before, record=record, **told))
    figures = {"film_um": None, "left": [1, 2.5]}
    add(Decision(panel_id=panel, state_id=after, answer="stop", reason="film", figures=figures))
    deck = add(Deck(ident=f"{job.id:012x}", title=HOSTILE[0], key={"n": 2}, sha256s=(sha256,)))
    given = {"1": 3, "2": None}
    add(Grades(deck_id=deck, rater=HOSTILE[1], session="s", graded_on="2026-01-02", grades=given))
    book.correct(reading, FilmReading(panel_id=panel, film_um=121.5, spot="left"))
    book.correct(job.id, Job(title=title + ", long wheelbase", about="for the tests"))
    book.withdraw(void)
    return job
