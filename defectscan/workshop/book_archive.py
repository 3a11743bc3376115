"""The job book as a JSON archive with its photos, which imports again without loss.

An archive is a ZIP file or a folder that holds `job_book.json` and `photos/`. Entries name each
other by their uid, which is theirs in every book, so that an archive goes into a book that holds
other jobs, or part of these, too.
"""

import hashlib
import json
import os
import re
import secrets
import shutil
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, fields
from datetime import datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from defectscan.errors import DefectscanError
from defectscan.output import check_free, to_json
from defectscan.version import __version__
from defectscan.workshop.book import Book
from defectscan.workshop.book_entries import (
    KINDS,
    REFERENCES,
    SHA256,
    BookError,
    Content,
    Deck,
    Entry,
    Shot,
)
from defectscan.workshop.book_rows import (
    Kind,
    check_references,
    content_of,
    damaged,
    next_number,
    write_entries,
)
from defectscan.workshop.book_schema import ENTRY, PHOTO, TABLES
from defectscan.workshop.photo_store import SUFFIXES

FORMAT = "defectscan.job_book/1"
NAME = "job_book.json"
LARGEST_PHOTO_BYTES = 500_000_000
LARGEST_JSON_BYTES = 2_000_000_000
# Entries are compressed 5 to 20 times; what is packed far more tightly is there to fill the memory.
SMALL_BYTES = 20_000_000
MOST_COMPRESSED = 100
UID = re.compile(r"[0-9a-f]{32}")
_ZIP_TIME = (1980, 1, 1, 0, 0, 0)

Member = Callable[[str, int], bytes]


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenIn:
    """What an archive brought into a book.

    Attributes
    ----------
    job_ids
        Of the jobs in it that are new in this book.
    n_entries
        How many entries are new, those of jobs that were there too.
    """

    job_ids: tuple[int, ...]
    n_entries: int


def export_archive(book: Book, target: Path, *, job_id: int | None, force: bool) -> int:
    """Write a job, or all, with their history and photos.

    Parameters
    ----------
    book
        Open.
    target
        A file ending in .zip, or else a folder, which must not be there.
    job_id
        One job, or `None` for all.
    force
        Whether a ZIP file that is there may be written over.

    Returns
    -------
    int
        How many entries there are in it.

    Raises
    ------
    DefectscanError
        If it is there already or cannot be written, or a photo is missing or altered.
    """
    entries = book.history(job_id)
    hashes = {e.content.sha256 for e in entries if isinstance(e.content, Shot)}
    hashes |= {name for e in entries if isinstance(e.content, Deck) for name in e.content.sha256s}
    with book.database.reading() as connection:
        rows = connection.execute(sa.select(PHOTO).order_by(PHOTO.c.sha256))
        photos = [dict(row._mapping) for row in rows if row.sha256 in hashes]  # noqa: SLF001
    # SQLite keeps anything in any column.
    if not all(type(p["size_bytes"]) is int and type(p["suffix"]) is str for p in photos):
        raise damaged("a photo in it has no size or no suffix")
    text = to_json(
        {
            "format": FORMAT,
            "version": __version__,
            "entries": _archived(entries),
            "photos": photos,
        }
    )
    write = _zipped if target.suffix.lower() == ".zip" else _in_folder
    check_free([target], force=force)
    with write(target) as put:
        put(NAME, text.encode())
        for photo in photos:
            sha256, suffix = photo["sha256"], photo["suffix"]
            put(f"photos/{sha256}{suffix}", book.photos.read(sha256, suffix))
    return len(entries)


def import_archive(book: Book, source: Path) -> TakenIn:
    """Enter what an archive holds and the book does not, all or nothing.

    A job that is new gets the next number where its own is given away; one that is there keeps
    the number that it has.

    Parameters
    ----------
    book
        Open.
    source
        A ZIP file or folder, from `export_archive`.

    Raises
    ------
    BookError
        If it is no archive, is damaged, or says something else than the book about an entry.
    """
    with ExitStack() as stack:
        member = stack.enter_context(_opened(source))
        try:
            told = json.loads(member(NAME, LARGEST_JSON_BYTES))
            if told["format"] != FORMAT:
                raise _no_archive(source, f"its format is {str(told['format'])[:80]!r}")
            photos = [_photo(entry) for entry in told["photos"]]
            entries = list(told["entries"])
            _check_order(entries)
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
            raise _no_archive(source, f"{NAME} says something else") from error
        for sha256, size_bytes, suffix in photos:
            data = member(f"photos/{sha256}{suffix}", size_bytes)
            if len(data) != size_bytes or hashlib.sha256(data).hexdigest() != sha256:
                raise _no_archive(source, f"the photo {sha256} in it is damaged")
            book.keep_photo(data, suffix=suffix)
    with book.database.writing() as connection:
        try:
            new = _new_entries(connection, entries)
        except DefectscanError:
            raise
        except (ValueError, LookupError, TypeError, AttributeError) as error:
            reason = f"an entry in {NAME} says something else ({type(error).__name__})"
            raise _no_archive(source, reason) from error
        _check_corrected_once(connection, new)
        write_entries(connection, new)
        check_references(connection, new)
    jobs = tuple(e.id for e in new if e.kind == "job" and e.id == e.thing_id)
    return TakenIn(job_ids=jobs, n_entries=len(new))


def _archived(entries: list[Entry[Content]]) -> list[dict[str, Any]]:
    uids = {entry.id: entry.uid for entry in entries}

    def uid(number: int | None) -> str | None:
        if number is not None and number not in uids:
            raise damaged(f"an entry names entry {number}, which is not there")
        return None if number is None else uids[number]

    return [
        {
            "uid": entry.uid,
            "kind": entry.kind,
            "job": uid(entry.job_id),
            "thing": uid(entry.thing_id),
            "supersedes": uid(entry.supersedes_id),
            "withdrawn": entry.withdrawn,
            "recorded_at": entry.recorded_at,
            "recorded_by": entry.recorded_by,
            "content": {
                each.name: uid(value) if each.name in REFERENCES else value
                for each in fields(entry.content)  # type: ignore[arg-type]
                for value in [getattr(entry.content, each.name)]
            },
        }
        for entry in entries
    ]


def _new_entries(connection: sa.Connection, archived: list[dict[str, Any]]) -> list[Entry[Content]]:
    """Return the entries that the book does not hold, numbered to follow those it does."""
    rows = connection.execute(sa.select(ENTRY.c.uid, ENTRY.c.id, ENTRY.c.kind, ENTRY.c.recorded_at))
    there = {row.uid: row for row in rows}
    ids: dict[str | None, int | None] = {None: None}
    number, next_job = (next_number(connection, c) for c in (ENTRY.c.id, TABLES["job"].c.number))
    numbers = sa.select(ENTRY.c.thing_id, TABLES["job"].c.number).join(TABLES["job"])
    renamed: dict[int | None, int] = {
        row.thing_id: row.number for row in connection.execute(numbers.order_by(ENTRY.c.id))
    }
    taken = set(renamed.values())
    new: list[Entry[Content]] = []
    for told in archived:
        uid = told["uid"]
        known = there.get(uid)
        if known is not None:
            if (known.kind, known.recorded_at) != (told["kind"], told["recorded_at"]):
                raise BookError(
                    f"entry {uid} is another one in this book",
                    allowed="entries stay as they were made",
                    remedy="import the archive into a new book",
                )
            ids[uid] = known.id
            continue
        ids[uid] = number
        thing_id = ids[told["thing"]]
        content = dict(told["content"])
        for name in REFERENCES:
            if name in content:
                content[name] = ids[content[name]]
        if told["kind"] == "job":
            if thing_id not in renamed:
                if content["number"] in taken or content["number"] < 1:
                    content["number"] = next_job
                renamed[thing_id] = content["number"]
                taken.add(content["number"])
                next_job = max(next_job, content["number"] + 1)
            content["number"] = renamed[thing_id]
        new.append(
            _entry(
                told,
                _content(KINDS[told["kind"]], content),
                id=number,
                job_id=ids[told["job"]],
                thing_id=thing_id,
                supersedes_id=ids[told["supersedes"]],
            )
        )
        number += 1
    return new


def _check_corrected_once(connection: sa.Connection, new: list[Entry[Content]]) -> None:
    """Refuse corrections of what was corrected in this book, too: nobody says which is right."""
    corrected = set(connection.scalars(sa.select(ENTRY.c.supersedes_id)))
    for entry in new:
        if entry.supersedes_id is not None and entry.supersedes_id in corrected:
            raise BookError(
                f"entry {entry.supersedes_id} of this book ({entry.kind.replace('_', ' ')}) was "
                "corrected or withdrawn in this book and, otherwise, in the archive's; nothing "
                "was entered",
                allowed="an entry is corrected in one book, and the other takes that in",
                remedy="import the archive into a new book",
            )


def _entry(told: Mapping[str, Any], content: Kind, **numbers: Any) -> Entry[Kind]:  # noqa: ANN401
    texts = {name: told[name] for name in ("uid", "recorded_at", "recorded_by")}
    if not all(isinstance(text, str) for text in texts.values()):
        raise TypeError("uid, recorded_at and recorded_by are texts")
    if not UID.fullmatch(texts["uid"]) or len(texts["recorded_at"]) > 32:
        raise ValueError("an entry has a name of its own, and a time")
    datetime.fromisoformat(texts["recorded_at"])
    if "\0" in texts["recorded_by"].encode().decode():  # nor halves of letters
        raise ValueError("a name is a text")
    if not isinstance(told["withdrawn"], bool):
        raise TypeError("withdrawn is true or false")
    return Entry(**texts, **numbers, withdrawn=told["withdrawn"], content=content)


def _content(kind: type[Content], content: dict[str, Any]) -> Content:
    """Make content in which nothing is missing: what can be left out is left out nowhere."""
    if not content.keys() >= {each.name for each in fields(kind)}:  # type: ignore[arg-type]
        raise KeyError("a part is missing")
    return content_of(kind, content)


def _check_order(entries: list[dict[str, Any]]) -> None:
    """Refuse entries that name one that does not come before them, or is not theirs."""
    seen: set[str | None] = {None}
    for entry in entries:
        seen.add(entry["uid"])
        named = [entry["job"], entry["thing"], entry["supersedes"]]
        named += [entry["content"].get(name) for name in REFERENCES]
        if entry["job"] is None or entry["thing"] is None or not seen.issuperset(named):
            raise ValueError("an entry names one that is not there")


def _photo(told: Mapping[str, Any]) -> tuple[str, int, str]:
    sha256, size_bytes, suffix = told["sha256"], told["size_bytes"], told["suffix"]
    if not SHA256.fullmatch(sha256) or suffix not in ("", *SUFFIXES):
        raise ValueError("a photo is named by its hash")
    if type(size_bytes) is not int or not 0 < size_bytes <= LARGEST_PHOTO_BYTES:
        raise ValueError("a photo has a size")
    return sha256, size_bytes, suffix


@contextmanager
def _opened(source: Path) -> Iterator[Member]:
    """Give a function that reads a named part of an archive, up to a size."""
    try:
        if source.is_dir():

            def from_folder(name: str, most: int) -> bytes:
                with (source / name).open("rb") as file:
                    return file.read(most + 1)

            yield from_folder
            return
        with zipfile.ZipFile(source) as archive:

            def from_zip(name: str, most: int) -> bytes:
                told = archive.getinfo(name)
                if told.file_size > max(SMALL_BYTES, MOST_COMPRESSED * told.compress_size):
                    raise _no_archive(source, f"{name} in it unpacks to {told.file_size} bytes")
                with archive.open(name) as file:
                    return file.read(most + 1)

            yield from_zip
    except (
        OSError,
        zipfile.BadZipFile,
        zlib.error,
        KeyError,
        NotImplementedError,
        EOFError,
    ) as error:
        reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
        raise _no_archive(source, reason) from error
    except RuntimeError as error:  # an encrypted member
        raise _no_archive(source, str(error)) from error


@contextmanager
def _zipped(target: Path) -> Iterator[Callable[[str, bytes], None]]:
    part = target.absolute().with_name(f".{secrets.token_hex(8)}.part")
    try:
        part.parent.mkdir(parents=True, exist_ok=True)
        with part.open("xb") as file:
            with zipfile.ZipFile(file, "w") as archive:

                def put(name: str, data: bytes) -> None:
                    info = zipfile.ZipInfo(name, _ZIP_TIME)
                    # Photos are compressed already.
                    info.compress_type = (
                        zipfile.ZIP_DEFLATED if name == NAME else zipfile.ZIP_STORED
                    )
                    archive.writestr(info, data)

                yield put
            file.flush()
            os.fsync(file.fileno())
        part.replace(target)
    except OSError as error:
        raise _not_written(target, error) from error
    finally:
        part.unlink(missing_ok=True)


@contextmanager
def _in_folder(target: Path) -> Iterator[Callable[[str, bytes], None]]:
    part = target.absolute().with_name(f".{secrets.token_hex(8)}.part")

    def put(name: str, data: bytes) -> None:
        path = part / name
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())

    try:
        yield put
        part.rename(target)
    except OSError as error:
        raise _not_written(target, error) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _not_written(target: Path, error: OSError) -> BookError:
    return BookError(
        f"{target} cannot be written ({error.strerror})",
        allowed="a place with room for all photos is needed",
        remedy="choose another place",
    )


def _no_archive(source: Path, reason: str) -> BookError:
    return BookError(
        f"{source}: {' '.join(reason.split())[:300]}",
        allowed="an archive from `job export` is read: a ZIP file or a folder",
        remedy="name another file, or export it again",
    )
