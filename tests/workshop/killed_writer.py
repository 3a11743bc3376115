"""Enter photos and passes until killed at a given step: before or after the disk is touched.

Run as `python -m tests.workshop.killed_writer FOLDER`: for each step in turn, a copy of this
process starts a book, enters things, and is killed there. A line of JSON a step says what had been
confirmed. The book of step n stays in FOLDER/n.
"""

import hashlib
import json
import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from defectscan import output
from defectscan.workshop import photo_store
from defectscan.workshop.book import open_book
from defectscan.workshop.book_entries import Job, Panel, Pass, Shot, State

assert output
assert photo_store


def write(folder: Path, confirm: Callable[[str], None], *, rounds: int = 2) -> None:
    """Enter a job with photos and passes, confirming each entry once it is in the book."""
    with open_book(folder, create=True, who="killed") as book:
        job = book.add(Job(title="Van, invented"))
        confirm(job.uid)
        panel = book.add(Panel(name="Door"), job_id=job.id)
        confirm(panel.uid)
        for number in range(rounds):
            state = book.add(State(panel_id=panel.id), job_id=job.id)
            confirm(state.uid)
            data = f"photo {number}".encode() * 20_000
            sha256 = book.keep_photo(data, suffix=".jpg")
            shot = book.add(Shot(state_id=state.id, sha256=sha256), job_id=job.id)
            confirm(shot.uid)
            both = book.add_all([Pass(panel_id=panel.id)] * 2, job_id=job.id)
            for one in both:
                confirm(one.uid)


def what_is_wrong(folder: Path, confirmed: list[str]) -> list[str]:
    """Look at a book whose writer was killed, and say what has been lost or left half-done."""
    with open_book(folder, create=not confirmed) as book:
        entries = book.history()
        there = {entry.uid for entry in entries}
        wrong = [f"lost {uid}" for uid in confirmed if uid not in there]
        for shot in book.current(Shot):
            book.photo_path(shot.content.sha256)  # proves it whole
        with book.database.reading() as connection:
            if connection.scalar(sa.text("PRAGMA integrity_check")) != "ok":
                wrong.append("the database is damaged")
            if connection.execute(sa.text("PRAGMA foreign_key_check")).all():
                wrong.append("an entry names one that is not there")
            kinds = connection.scalars(sa.text("SELECT kind FROM entry")).all()
        if len(kinds) != len(entries):
            wrong.append("an entry without its content")
        if len(book.current(Pass)) % 2:
            wrong.append("one of two passes that were entered at once")
    photos = (folder / "photos").rglob("*.jpg")
    halves = [p.name for p in photos if hashlib.sha256(p.read_bytes()).hexdigest() != p.stem]
    return wrong + [f"half a photo: {name}" for name in halves]


class Steps:
    """Counts steps, and kills this process at one of them."""

    def __init__(self, last: int | None) -> None:
        self.n = 0
        self.last = last

    def take(self) -> None:
        if self.n == self.last:
            os.kill(os.getpid(), signal.SIGKILL)
        self.n += 1

    def around(self, work: Callable[..., Any]) -> Callable[..., Any]:
        """Make steps of the moments before and after some work."""

        def worked(*arguments: Any, **named: Any) -> Any:
            self.take()
            result = work(*arguments, **named)
            self.take()
            return result

        return worked


def _child(folder: Path, last: int | None, out: int) -> None:
    steps = Steps(last)
    os.fsync = steps.around(os.fsync)
    Path.replace = steps.around(Path.replace)  # type: ignore[method-assign]
    for event in ("begin", "commit", "after_cursor_execute"):
        sa.event.listen(sa.Engine, event, lambda *_: steps.take())

    def confirm(uid: str) -> None:
        os.write(out, uid.encode() + b"\n")
        steps.take()

    write(folder, confirm)
    os.write(out, f"steps {steps.n}\n".encode())


def _run(folder: Path, last: int | None) -> list[str]:
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reader)
        status = 1
        try:
            _child(folder, last, writer)
            status = 0
        finally:
            os._exit(status)
    os.close(writer)
    with os.fdopen(reader) as told:
        lines = told.read().split("\n")[:-1]
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert status == (0 if last is None else -signal.SIGKILL), status
    return lines


def main(folder: Path, *, every: int) -> None:
    """Kill at every so-many-th step."""
    import alembic.command  # noqa: F401, PLC0415 - once, before the copies are made

    n_steps = int(_run(folder / "whole", None)[-1].removeprefix("steps "))
    for last in range(0, n_steps, every):
        confirmed = _run(folder / str(last), last)
        wrong = what_is_wrong(folder / str(last), confirmed)
        sys.stdout.write(json.dumps({"step": last, "n": len(confirmed), "wrong": wrong}) + "\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]), every=int(sys.argv[2]))
