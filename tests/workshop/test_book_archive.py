"""The archive: everything out, everything in again, and nothing else."""

import json
import shutil
import sqlite3
import zipfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from defectscan.errors import DefectscanError
from defectscan.workshop.book import Book, open_book
from defectscan.workshop.book_archive import NAME, TakenIn, export_archive, import_archive
from defectscan.workshop.book_database import FILE
from defectscan.workshop.book_entries import BookError, Job, Note, Shot
from tests.workshop.conftest import Clock
from tests.workshop.job_of_all_kinds import enter_all_kinds


def test_what_two_books_corrected_is_named(book: Book, tmp_path: Path) -> None:
    job = book.add(Job(title="Van"))
    export_archive(book, tmp_path / "first.zip", job_id=None, force=False)
    with open_book(tmp_path / "other", create=True) as other:
        import_archive(other, tmp_path / "first.zip")
        other.correct(job.id, Job(title="Blue van"))
        history = other.history()
        book.correct(job.id, Job(title="Red van"))
        export_archive(book, tmp_path / "second.zip", job_id=None, force=False)
        with pytest.raises(BookError, match=r"entry 1 of this book \(job\) was corrected") as no:
            import_archive(other, tmp_path / "second.zip")
        assert no.value.remedy == "import the archive into a new book"
        assert other.history() == history


@pytest.mark.parametrize("name", ["archive.zip", "archive"])
def test_an_archive_imports_again_without_loss(book: Book, tmp_path: Path, name: str) -> None:
    for title in ("First, invented", "Second, invented"):
        enter_all_kinds(book, title=title)
    assert export_archive(book, tmp_path / name, job_id=None, force=False) == len(book.history())
    with open_book(tmp_path / "other", create=True, who="somebody else") as other:
        jobs = list(import_archive(other, tmp_path / name).job_ids)
        assert other.history() == book.history()
        assert [job.id for job in book.history() if job.id in jobs] == jobs
        for shot in book.current(Shot):
            first, second = (b.photo_path(shot.content.sha256) for b in (book, other))
            assert first.read_bytes() == second.read_bytes()
        export_archive(other, tmp_path / "again.zip", job_id=None, force=False)
    export_archive(book, tmp_path / "first.zip", job_id=None, force=False)
    assert (tmp_path / "again.zip").read_bytes() == (tmp_path / "first.zip").read_bytes()
    assert not list(tmp_path.glob(".*"))


def test_one_job_goes_into_a_book_that_holds_others(book: Book, tmp_path: Path) -> None:
    enter_all_kinds(book, title="Not taken")
    job = enter_all_kinds(book, title="Taken")
    export_archive(book, tmp_path / "one.zip", job_id=job.id, force=False)
    with open_book(tmp_path / "other", create=True) as other:
        own = [other.add(Job(title=title)) for title in ("Own", "Own too")]
        (taken,) = import_archive(other, tmp_path / "one.zip").job_ids
        # Number 2 is given away there: it gets the next one, in all its versions.
        versions = [e.content for e in other.history(taken) if isinstance(e.content, Job)]
        assert [version.number for version in versions] == [3, 3]
        assert [e.content for e in other.history(own[0].id)] == [own[0].content]
        kinds = [e.kind for e in book.history(job.id)]
        assert [e.kind for e in other.history(taken)] == kinds
        uids = [e.uid for e in book.history(job.id)]
        assert [e.uid for e in other.history(taken)] == uids
        twice = import_archive(other, tmp_path / "one.zip")  # is once
        assert twice == TakenIn(job_ids=(), n_entries=0)
        assert [e.uid for e in other.history(taken)] == uids
        book.add(Note(text="later"), job_id=job.id)
        export_archive(book, tmp_path / "one.zip", job_id=job.id, force=True)
        later = import_archive(other, tmp_path / "one.zip")
        assert later == TakenIn(job_ids=(), n_entries=1)  # no new job, but what is new in it
        assert [n.content.text for n in other.current(Note, job_id=taken)][-1] == "later"
        book.correct(job.id, Job(title="Taken, blue"))
        export_archive(book, tmp_path / "one.zip", job_id=job.id, force=True)
        assert import_archive(other, tmp_path / "one.zip").n_entries == 1
        blue = other.job(3).content  # the job keeps the number that it has here
        assert (blue.title, blue.number) == ("Taken, blue", 3)


def test_nothing_is_written_over(book: Book, tmp_path: Path) -> None:
    enter_all_kinds(book)
    for name in ("there.zip", "there"):
        target = tmp_path / name
        export_archive(book, target, job_id=None, force=False)
        with pytest.raises(DefectscanError, match="is there"):
            export_archive(book, target, job_id=None, force=False)


def test_an_altered_photo_is_not_exported(book: Book, tmp_path: Path) -> None:
    enter_all_kinds(book)
    (shot,) = book.current(Shot)
    book.photo_path(shot.content.sha256).write_bytes(b"another")
    for name in ("a.zip", "a"):
        with pytest.raises(BookError, match="altered"):
            export_archive(book, tmp_path / name, job_id=None, force=False)
        assert not (tmp_path / name).exists()
    assert not list(tmp_path.glob(".*"))


def test_a_damaged_row_of_a_photo_is_not_exported(tmp_path: Path) -> None:
    with open_book(tmp_path / "book", create=True) as book:
        enter_all_kinds(book)
    with closing(sqlite3.connect(tmp_path / "book" / FILE, isolation_level=None)) as opened:
        opened.execute("DROP TRIGGER photo_no_update")
        opened.execute("UPDATE photo SET size_bytes = x'00ff'")
    with open_book(tmp_path / "book") as book, pytest.raises(BookError, match="damaged"):
        export_archive(book, tmp_path / "a.zip", job_id=None, force=False)
    assert not (tmp_path / "a.zip").exists()


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Export a job of all kinds to a folder, for tests to copy and change."""
    home = tmp_path_factory.mktemp("unpacked")
    with open_book(home / "book", create=True, who="tester", clock=Clock()) as book:
        enter_all_kinds(book)
        export_archive(book, home / "archive", job_id=None, force=False)
    return home / "archive"


@pytest.fixture(scope="module")
def empty_book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a book with its tables, for tests to copy."""
    folder = tmp_path_factory.mktemp("empty") / "book"
    open_book(folder, create=True, who="tester").close()
    return folder


def _set(path: str, value: Any) -> Callable[[dict[str, Any]], None]:
    def change(told: dict[str, Any]) -> None:
        *before, last = path.split(".")
        part: Any = told
        for name in before:
            part = part[int(name) if name.isdigit() else name]
        part[last] = value

    return change


@pytest.mark.parametrize(
    "change",
    [
        _set("format", "defectscan.job_book/9"),
        _set("entries", None),
        _set("entries.0.kind", "cat"),
        _set("entries.0.uid", 7),
        _set("entries.0.withdrawn", "yes"),
        _set("entries.0.content.title", ""),
        _set("entries.0.content.title", 5),
        _set("entries.0.content.number", "one"),
        _set("entries.0.content.number", 10**400),
        _set("entries.0.uid", "\ud800" * 32),
        _set("entries.0.recorded_at", "yesterday"),
        _set("entries.0.recorded_by", "nul\0byte"),
        _set("entries.5.content.film_um", 10**400),
        _set("entries.11.content.record.flags", [{}]),
        _set("entries.11.content.record.line_density_mm_per_cm2.low", "1"),
        _set("entries.11.content.record.line_density_mm_per_cm2", {"value": 1}),
        _set("entries.11.content.record.shots", [{"highlight": {"x_px": 1}}]),
        _set("entries.11.content.record.shots", [{"frame": {"index": "ten"}}]),
        _set("entries.11.content.settings", {"seed": "0"}),
        _set("entries.11.content.sha256s", [5]),
        _set("entries.15.content.grades", {"one": 1}),
        _set("entries.15.content.grades", {"1": "3"}),
        _set("photos.0.size_bytes", 40.0),
        _set("entries.0.content.cat", 1),
        _set("entries.1.content.material", "wood"),
        _set("entries.2.content.panel_id", "0" * 32),
        _set("entries.2.job", None),
        _set("entries.3.supersedes", "0" * 32),
        _set("photos", []),
        _set("photos.0.sha256", "../../etc/passwd"),
        _set("photos.0.suffix", "/../../x"),
        _set("photos.0.size_bytes", 10**15),
        _set("photos.0.size_bytes", 3),
        lambda told: told["entries"].reverse(),
        lambda told: told["entries"][1]["content"].pop("name"),
    ],
)
def test_an_archive_that_says_something_else_leaves_the_book_as_it_was(
    change: Callable[[dict[str, Any]], None], unpacked: Path, empty_book: Path, tmp_path: Path
) -> None:
    shutil.copytree(unpacked, tmp_path / "archive")
    shutil.copytree(empty_book, tmp_path / "other")
    told = json.loads((tmp_path / "archive" / NAME).read_text())
    change(told)
    (tmp_path / "archive" / NAME).write_text(json.dumps(told))
    with open_book(tmp_path / "other") as other:
        own = other.add(Job(title="Own"))
        with pytest.raises(BookError) as raised:
            import_archive(other, tmp_path / "archive")
        assert "\n" not in str(raised.value)
        assert other.history() == [own]
    assert not (tmp_path / "etc").exists()


def test_what_is_no_archive(tmp_path: Path) -> None:
    with open_book(tmp_path / "book", create=True) as book:
        enter_all_kinds(book)
        export_archive(book, tmp_path / "good.zip", job_id=None, force=False)
        good = (tmp_path / "good.zip").read_bytes()
        bad = tmp_path / "bad.zip"
        for data in (b"", b"text", good[:-40], good[:200] + bytes(50) + good[250:]):
            bad.write_bytes(data)
            with pytest.raises(BookError, match=r"bad\.zip"):
                import_archive(book, bad)
        with zipfile.ZipFile(bad, "w") as archive:
            archive.writestr("other.txt", "x")
        for source in (bad, tmp_path / "missing.zip", tmp_path / "book"):
            with pytest.raises(BookError):
                import_archive(book, source)


def test_an_archive_that_unpacks_without_end_is_refused(tmp_path: Path) -> None:
    bomb = tmp_path / "bomb.zip"
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(NAME, b" " * 30_000_000)
    unpacks = pytest.raises(BookError, match="unpacks to 30000000 bytes")
    with open_book(tmp_path / "book", create=True) as book, unpacks:
        import_archive(book, bomb)


def test_a_photo_damaged_in_the_archive_is_refused(tmp_path: Path) -> None:
    with open_book(tmp_path / "book", create=True) as book:
        enter_all_kinds(book)
        export_archive(book, tmp_path / "archive", job_id=None, force=False)
    (photo,) = (tmp_path / "archive" / "photos").iterdir()
    data = photo.read_bytes()
    for damaged in (data[:-1] + b"?", data + b"?", data[:-1]):
        photo.write_bytes(damaged)
        with open_book(tmp_path / "other", create=True) as other:
            with pytest.raises(BookError, match="in it is damaged"):
                import_archive(other, tmp_path / "archive")
            assert other.history() == []
    shutil.rmtree(tmp_path / "archive" / "photos")
    with open_book(tmp_path / "other", create=True) as other, pytest.raises(BookError):
        import_archive(other, tmp_path / "archive")
