"""Nothing lost: killed writers, two at once, a full disk, a folder that cannot be written to."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from defectscan.workshop.book import open_book
from defectscan.workshop.book_database import FILE
from defectscan.workshop.book_entries import BookError, Job, Note
from defectscan.workshop.photo_store import STALE_AFTER_S
from tests.workshop import killed_writer
from tests.workshop.conftest import Clock
from tests.workshop.job_of_all_kinds import enter_all_kinds

ROOT = Path(__file__).parents[2]
JOB = "from defectscan.cli.main import run; run()"
# Root may write anywhere, unless it gives up what makes it root (setpriv is in util-linux).
NO_RIGHTS = ("setpriv", "--bounding-set=-all", "--inh-caps=-all") if os.geteuid() == 0 else ()


def python(*arguments: str | Path, before: tuple[str, ...] = ()) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [*before, sys.executable, "-W", "error", *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"},
    )


def test_killed_at_every_seventh_step(tmp_path: Path) -> None:
    process = python("-m", "tests.workshop.killed_writer", tmp_path, "7")
    out, err = process.communicate()
    assert (process.returncode, err) == (0, "")
    kills = [json.loads(line) for line in out.splitlines()]
    assert len(kills) > 15
    assert [kill for kill in kills if kill["wrong"]] == []
    # They were killed with nothing, some and nearly everything entered.
    assert kills[0]["n"] == 0
    assert kills[-1]["n"] >= 8


def test_the_look_at_a_killed_writers_book_sees_what_is_lost(tmp_path: Path) -> None:
    confirmed: list[str] = []
    killed_writer.write(tmp_path, confirmed.append, rounds=1)
    assert killed_writer.what_is_wrong(tmp_path, confirmed) == []
    assert killed_writer.what_is_wrong(tmp_path, ["0" * 32]) == ["lost " + "0" * 32]
    (photo,) = (tmp_path / "photos").rglob("*.jpg")
    photo.write_bytes(photo.read_bytes()[:-1])
    with pytest.raises(BookError, match="altered"):
        killed_writer.what_is_wrong(tmp_path, confirmed)


def test_what_a_killed_program_left_goes_after_a_day(tmp_path: Path) -> None:
    with open_book(tmp_path, create=True) as book:
        sha256 = book.keep_photo(b"one")
        folder = tmp_path / "photos" / sha256[:2]
        for name, age_s in ((".old.part", STALE_AFTER_S + 60), (".new.part", 60)):
            (folder / name).write_bytes(b"half")
            made = (folder / name).stat().st_mtime - age_s
            os.utime(folder / name, (made, made))
        (folder / sha256).unlink()
        book.keep_photo(b"one")
    assert sorted(path.name for path in folder.iterdir()) == [".new.part", sha256]


WRITER = """
import sys
from defectscan.workshop.book import open_book
from defectscan.workshop.book_entries import Job, Note
folder, name = sys.argv[1:]
for number in range(15):
    with open_book(folder, create=True, who=name) as book:
        job = book.add(Job(title=f"{name} {number}"))
        book.add_all([Note(text=name)] * 3, job_id=job.id)
        book.keep_photo(f"photo {number}".encode(), suffix=".jpg")
"""


def test_two_processes_writing_at_once_both_succeed(folder: Path) -> None:
    # From the very start: both would make the tables.
    both = [python("-c", WRITER, folder, name) for name in ("A", "B")]
    told = [process.communicate() for process in both]
    assert [(p.returncode, *t) for p, t in zip(both, told, strict=True)] == [(0, "", "")] * 2
    with open_book(folder) as book:
        jobs = book.current(Job)
        assert sorted(job.content.number for job in jobs) == list(range(1, 31))
        titles = {f"{name} {number}" for name in "AB" for number in range(15)}
        assert {job.content.title for job in jobs} == titles
        assert len(book.current(Note)) == 90
        ids = [entry.id for entry in book.history()]
        assert ids == list(range(1, 121))
    assert len(list((folder / "photos").rglob("*.jpg"))) == 15


def clear_line(process: "subprocess.Popen[str]", says: str) -> None:
    out, err = process.communicate()
    assert process.returncode == 1, (out, err)
    assert says in err
    assert err.count("\n") == 1
    assert "Traceback" not in err


def limited(size_bytes: int) -> str:
    return (
        "import resource; "
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({size_bytes}, {size_bytes})); {JOB}"
    )


def test_a_full_disk_gives_one_line_and_loses_nothing(tmp_path: Path) -> None:
    with open_book(tmp_path, create=True, clock=Clock()) as book:
        enter_all_kinds(book)
        before = book.history()
    clear_line(
        python("-c", limited(8192), "job", "note", "x" * 9000, "--book", tmp_path, "--job", "1"),
        "make room on the disk",
    )
    with open_book(tmp_path) as book:
        assert book.history() == before
        with pytest.MonkeyPatch.context() as patch:

            def full(*_: object) -> None:
                raise OSError(28, "No space left on device")

            patch.setattr("os.fsync", full)
            with pytest.raises(Exception, match="No space left on device"):
                book.keep_photo(b"a further photo", suffix=".jpg")
        assert book.history() == before
    assert len(list((tmp_path / "photos").rglob("*.*"))) == 1


def test_a_folder_that_cannot_be_written_to(tmp_path: Path) -> None:
    folder = tmp_path / "book"
    with open_book(folder, create=True, clock=Clock()) as book:
        enter_all_kinds(book)
    places = [path for path in (folder, *folder.rglob("*")) if path.is_dir()]
    (folder / FILE).chmod(0o444)
    for place in places:
        place.chmod(0o555)
    try:
        writing = python(
            "-c", JOB, "job", "note", "x", "--book", folder, "--job", "1", before=NO_RIGHTS
        )
        clear_line(writing, "copy the book to a folder that can be written to")
        making = python("-c", JOB, "job", "new", "x", "--book", folder / "new", before=NO_RIGHTS)
        clear_line(making, "Permission denied")
        listing = python("-c", JOB, "job", "list", "--book", folder, before=NO_RIGHTS)
        out, err = listing.communicate()
        assert (listing.returncode, err) == (0, "")
        assert "Green van" in out
        assert not (folder / f"{FILE}-wal").exists()
    finally:
        for place in places:
            place.chmod(0o755)
