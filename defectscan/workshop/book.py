"""The job book: what was done to which vehicle, entered once and never overwritten."""

import getpass
import os
import uuid
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar, cast

import sqlalchemy as sa

from defectscan.workshop.book_database import FILE, URL_FILE, URL_VARIABLE, Database
from defectscan.workshop.book_entries import (
    KIND_NAMES,
    ROOTS,
    BookError,
    Content,
    Deck,
    Entry,
    Job,
)
from defectscan.workshop.book_rows import (
    LAST,
    STANDS,
    check_references,
    kind_named,
    last_about,
    next_number,
    read_entries,
    write_entries,
)
from defectscan.workshop.book_schema import ENTRY, PHOTO, TABLES
from defectscan.workshop.photo_store import SUFFIXES, PhotoStore

WHO_VARIABLE = "DEFECTSCAN_WHO"
Kind = TypeVar("Kind", bound=Content)


@dataclass(frozen=True, slots=True, kw_only=True)
class JobSummary:
    """One job in the list of all.

    Attributes
    ----------
    id
        Of the job, in this book.
    number, title
        As entered.
    n_panels, n_passes, n_shots
        How many there are.
    last_at
        When the last entry was made (ISO 8601, UTC).
    """

    id: int
    number: int
    title: str
    n_panels: int
    n_passes: int
    n_shots: int
    last_at: str


class Book:
    """A job book, open. Make one with `open_book`.

    Parameters
    ----------
    database
        Set up.
    photos
        Where its photos are.
    who
        Who makes the entries.
    clock
        Gives the time.
    """

    def __init__(
        self, *, database: Database, photos: PhotoStore, who: str, clock: Callable[[], datetime]
    ) -> None:
        self.database = database
        self.photos = photos
        self.who = who
        self._clock = clock

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the book."""
        self.database.close()

    @contextmanager
    def together(self) -> Iterator[None]:
        """Enter what is entered within all or nothing: an error within takes it back.

        Nobody else enters anything meanwhile, so that what is read within stays as it is.
        """
        with self.database.writing():
            yield

    def add(self, content: Kind, *, job_id: int | None = None) -> Entry[Kind]:
        """Enter one thing; see `add_all`."""
        (entry,) = self.add_all([content], job_id=job_id)
        return entry

    def add_all(self, contents: Iterable[Kind], *, job_id: int | None = None) -> list[Entry[Kind]]:
        """Enter several things at once, all or none. They are on the disk when this returns.

        Parameters
        ----------
        contents
            Things that name others by the numbers of the same job's entries.
        job_id
            The job, or the deck that stands by itself; not needed for these themselves. A job gets
            the next number.

        Raises
        ------
        BookError
            If a thing names one that is not there, or the book cannot be written.
        """
        with self.database.writing() as connection:
            next_id = next_number(connection, ENTRY.c.id)
            next_job = next_number(connection, TABLES["job"].c.number)
            entries: list[Entry[Kind]] = []
            for content in contents:
                if isinstance(content, Job):
                    job = replace(content, number=next_job)
                    next_job += 1
                    entries.append(self._entry(cast("Kind", job), next_id, job_id=next_id))
                elif job_id is None and isinstance(content, ROOTS):
                    entries.append(self._entry(content, next_id, job_id=next_id))
                elif job_id is None:
                    raise ValueError(f"a {KIND_NAMES[type(content)]} belongs to a job")
                else:
                    entries.append(self._entry(content, next_id, job_id=job_id))
                next_id += 1
            check_references(connection, [e for e in entries if e.job_id != e.id])
            write_entries(connection, entries)
        return entries

    def correct(self, entry_id: int, content: Kind, *, withdrawn: bool = False) -> Entry[Kind]:
        """Enter a correction of what an entry is about; the older entries stay in the history.

        Parameters
        ----------
        entry_id
            Any entry about the thing; what supersedes it is corrected if it was corrected before.
        content
            What is right, of the same kind. A job keeps its number.
        withdrawn
            Whether the thing is void: it then shows in the history alone.

        Raises
        ------
        BookError
            If there is no such entry, it is of another kind, or the book cannot be written.
        """
        with self.database.writing() as connection:
            last = last_about(connection, entry_id)
            if type(content) is not type(last.content):
                raise BookError(
                    f"entry {entry_id} is a {last.kind}, not a {KIND_NAMES[type(content)]}",
                    allowed="a correction is of the same kind",
                    remedy="name another entry",
                )
            if isinstance(content, Job) and isinstance(last.content, Job):
                content = cast("Kind", replace(content, number=last.content.number))
            entry = replace(
                self._entry(content, next_number(connection, ENTRY.c.id), job_id=last.job_id),
                thing_id=last.thing_id,
                supersedes_id=last.id,
                withdrawn=withdrawn,
            )
            check_references(connection, [entry])
            write_entries(connection, [entry])
        return entry

    def withdraw(self, entry_id: int) -> Entry[Content]:
        """Enter that what an entry is about is void; `withdrawing` looks at what rests on it."""
        return self.correct(entry_id, self.entry(entry_id).content, withdrawn=True)

    def entry(self, entry_id: int) -> Entry[Content]:
        """Return the last entry about the thing that an entry is about.

        Raises
        ------
        BookError
            If there is no such entry.
        """
        with self.database.reading() as connection:
            return last_about(connection, entry_id)

    def current(self, kind: type[Kind], *, job_id: int | None = None) -> list[Entry[Kind]]:
        """Return what stands of one kind, corrections in the place of what they correct."""
        conditions = [STANDS] + ([] if job_id is None else [ENTRY.c.job_id == job_id])
        with self.database.reading() as connection:
            entries = read_entries(connection, kind, *conditions)
        return sorted(entries, key=lambda entry: entry.thing_id)

    def history(self, job_id: int | None = None) -> list[Entry[Content]]:
        """Return all entries of a job, or of all jobs, in the order in which they were made."""
        condition = sa.true() if job_id is None else ENTRY.c.job_id == job_id
        with self.database.reading() as connection:
            kinds = connection.scalars(sa.select(ENTRY.c.kind).where(condition).distinct()).all()
            entries = [
                e for name in kinds for e in read_entries(connection, kind_named(name), condition)
            ]
        return sorted(entries, key=lambda entry: entry.id)

    def jobs(self) -> list[JobSummary]:
        """Return all jobs in short, the newest first."""
        # The clock may have been set back; the last entry is the one of the largest number.
        last = sa.select(sa.func.max(ENTRY.c.id)).group_by(ENTRY.c.job_id)
        newest = sa.select(ENTRY.c.job_id, ENTRY.c.recorded_at).where(ENTRY.c.id.in_(last))
        with self.database.reading() as connection:
            jobs = sorted(read_entries(connection, Job, STANDS), key=lambda job: job.thing_id)
            rows = [row for query in _counted() for row in connection.execute(query)]
            last_at = {row[0]: row[1] for row in connection.execute(newest)}
        counts = {(row[0], row[1]): row[2] for row in rows}
        return [
            JobSummary(
                id=job.thing_id,
                number=job.content.number,
                title=job.content.title,
                n_panels=counts.get((job.thing_id, "panel"), 0),
                n_passes=counts.get((job.thing_id, "pass"), 0),
                n_shots=counts.get((job.thing_id, "shot"), 0),
                last_at=last_at.get(job.thing_id, job.recorded_at),
            )
            for job in reversed(jobs)
        ]

    def job(self, number: int | None = None, *, void: bool = False) -> Entry[Job]:
        """Return a job by its number, or the current one: that of this person's last entry.

        Parameters
        ----------
        number
            As `jobs` tells it.
        void
            Whether a job of that number that was withdrawn will do.

        Raises
        ------
        BookError
            If there is no such job, or nothing says which is the current one.
        """
        with self.database.reading() as connection:
            if number is not None:
                of_number = read_entries(connection, Job, LAST, TABLES["job"].c.number == number)
                found = [job for job in of_number if void or not job.withdrawn]
            else:
                of_number = []
                decks = sa.select(ENTRY.c.id).where(ENTRY.c.kind == KIND_NAMES[Deck])
                own = sa.select(ENTRY.c.job_id).where(
                    ENTRY.c.recorded_by == self.who, ENTRY.c.job_id.not_in(decks)
                )
                last = connection.scalar(own.order_by(ENTRY.c.id.desc()).limit(1))
                found = read_entries(connection, Job, STANDS, ENTRY.c.job_id == last)
            standing = sa.select(sa.func.count()).where(ENTRY.c.kind == KIND_NAMES[Job], STANDS)
            total = connection.scalar(standing) or 0
            if not found and number is None and total == 1:
                found = read_entries(connection, Job, STANDS)
        if found:
            return found[0]
        if of_number:
            raise BookError(
                f"job {number} is void, by entry {of_number[0].id}",
                allowed=f"`job list {number} --history` alone shows it",
                remedy=f"put it back with `job withdraw {of_number[0].id}`",
            )
        what = f"there is no job {number}" if number is not None else "there is no current job"
        raise BookError(
            what,
            allowed=f"the book holds {total} job(s)",
            remedy="name one with --job as `job list` shows them, or start one with `job new`",
        )

    def keep_photo(self, data: bytes, *, suffix: str = "") -> str:
        """Keep a photo and return its SHA-256; it is on the disk, whole, when this returns."""
        suffix = suffix.lower() if suffix.lower() in SUFFIXES else ""
        sha256 = self.photos.keep(data, suffix=suffix)
        with self.database.writing() as connection:
            known = connection.scalar(sa.select(PHOTO.c.suffix).where(PHOTO.c.sha256 == sha256))
            if known is None:
                row = {"sha256": sha256, "size_bytes": len(data), "suffix": suffix}
                connection.execute(sa.insert(PHOTO), row)
        if known is not None and known != suffix:
            self.photos.keep(data, suffix=known)
        return sha256

    def photo_path(self, sha256: str) -> Path:
        """Return the file of a photo, proven by its hash.

        Raises
        ------
        BookError
            If the book has no such photo, or it is missing or altered.
        """
        with self.database.reading() as connection:
            suffix = connection.scalar(sa.select(PHOTO.c.suffix).where(PHOTO.c.sha256 == sha256))
        if suffix is None:
            raise BookError(
                f"the book has no photo {sha256[:80]!r}",
                allowed="photos are named by their SHA-256",
                remedy="enter it with `job shots`",
            )
        self.photos.read(sha256, suffix)
        return self.photos.path(sha256, suffix)

    def _entry(self, content: Kind, number: int, *, job_id: int) -> Entry[Kind]:
        return Entry(
            id=number,
            uid=uuid.uuid4().hex,
            job_id=job_id,
            thing_id=number,
            supersedes_id=None,
            withdrawn=False,
            recorded_at=self._clock().astimezone(UTC).isoformat(timespec="microseconds"),
            recorded_by=self.who,
            content=content,
        )


def open_book(
    folder: str | os.PathLike[str],
    *,
    create: bool = False,
    who: str | None = None,
    clock: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> Book:
    """Open the job book in a folder.

    Parameters
    ----------
    folder
        Holds the book; on PostgreSQL its photos alone.
    create
        Whether to start one where there is none.
    who
        Who makes the entries; the environment's DEFECTSCAN_WHO or the login name if not given.
    clock
        Gives the time.

    Raises
    ------
    BookError
        If there is no book, it cannot be opened, or a newer version of the program made it.
    """
    folder = Path(folder)
    if not create and not is_book(folder):
        raise BookError(
            f"there is no job book in {folder}",
            allowed="a folder with a job book is needed",
            remedy="start one with `job new`, or name its folder with --book",
        )
    try:
        if create:
            (folder / "photos").mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BookError(
            f"the folder {folder} cannot be made ({error.strerror})",
            allowed="a folder that can be written to is needed",
            remedy="name another one with --book",
        ) from error
    database = Database(folder)
    try:
        database.prepare()
    except BaseException:
        database.close()
        raise
    who = who or os.environ.get(WHO_VARIABLE) or _login_name()
    photos = PhotoStore(folder / "photos")
    return Book(database=database, photos=photos, who=who, clock=clock)


def is_book(folder: Path) -> bool:
    """Tell whether a folder holds a job book."""
    try:
        stated = bool(os.environ.get(URL_VARIABLE)) and (folder / "photos").is_dir()
        return stated or any((folder / name).is_file() for name in (FILE, URL_FILE))
    except OSError:
        return False


def _counted() -> tuple[sa.Select[Any], ...]:
    """Return queries that count, by job and kind, what stands on panels and spots that stand."""
    passes, states, shots = (TABLES[name] for name in ("pass", "state", "shot"))
    there = sa.select(ENTRY.c.thing_id).where(
        ENTRY.c.kind.in_(("panel", "test_spot", "state")), STANDS
    )
    there_ids = sa.select(there.cte("there").c.thing_id)
    count = sa.select(ENTRY.c.job_id, ENTRY.c.kind, sa.func.count()).where(STANDS)
    count = count.group_by(ENTRY.c.job_id, ENTRY.c.kind)

    def on_surface(table: sa.Table) -> sa.ColumnElement[bool]:
        spot_id = table.c.test_spot_id
        return table.c.panel_id.in_(there_ids) & (spot_id.is_(None) | spot_id.in_(there_ids))

    return (
        count.where(ENTRY.c.kind == "panel"),
        count.join(passes, passes.c.entry_id == ENTRY.c.id).where(on_surface(passes)),
        count.join(shots, shots.c.entry_id == ENTRY.c.id)
        .join(states, states.c.entry_id == shots.c.state_id)
        .where(shots.c.state_id.in_(there_ids), on_surface(states)),
    )


def _login_name() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a user without a name, as in a container
        return f"user {os.getuid()}" if hasattr(os, "getuid") else "unknown"
