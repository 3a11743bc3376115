"""Entries of the job book as rows of its tables, there and back."""

from collections.abc import Iterable, Sequence
from dataclasses import fields
from itertools import groupby
from typing import Any, TypeVar

import sqlalchemy as sa

from defectscan.workshop.book_entries import (
    KIND_NAMES,
    KINDS,
    REFERENCES,
    ROOTS,
    BookError,
    Content,
    Entry,
    Material,
)
from defectscan.workshop.book_schema import ENTRY, TABLES

Kind = TypeVar("Kind", bound=Content)

OWN = (
    "id",
    "uid",
    "job_id",
    "thing_id",
    "supersedes_id",
    "withdrawn",
    "recorded_at",
    "recorded_by",
)
_later = ENTRY.alias("later")
# The last entry about a thing is the one that no other corrects; it stands if it is not void.
LAST = ~sa.exists(sa.select(_later.c.id).where(_later.c.supersedes_id == ENTRY.c.id))
STANDS = sa.and_(~ENTRY.c.withdrawn, LAST)


def write_entries(connection: sa.Connection, entries: Sequence[Entry[Content]]) -> None:
    """Write entries as they are."""
    if not entries:
        return
    rows = [{n: getattr(entry, n) for n in OWN} | {"kind": entry.kind} for entry in entries]
    connection.execute(sa.insert(ENTRY), rows)
    for kind, same in groupby(sorted(entries, key=lambda e: e.kind), key=lambda e: e.kind):
        details = [
            {"entry_id": entry.id}
            | {f.name: _stored(getattr(entry.content, f.name)) for f in fields(KINDS[kind])}  # type: ignore[arg-type]
            for entry in same
        ]
        connection.execute(sa.insert(TABLES[kind]), details)


def read_entries(
    connection: sa.Connection, kind: type[Kind], *conditions: sa.ColumnElement[bool]
) -> list[Entry[Kind]]:
    """Read the entries of one kind that meet the conditions, in no order."""
    table = TABLES[KIND_NAMES[kind]]
    own = [ENTRY.c[name] for name in OWN]
    names = [each.name for each in fields(kind)]  # type: ignore[arg-type]
    select = sa.select(*own, *(table.c[n] for n in names)).join_from(
        ENTRY, table, table.c.entry_id == ENTRY.c.id
    )
    found = []
    try:
        for row in connection.execute(select.where(*conditions)):
            values = tuple(row)
            content = content_of(kind, dict(zip(names, values[len(OWN) :], strict=True)))
            entry = dict(zip(OWN, values, strict=False))
            found.append(_whole(Entry(**entry, content=content)))
    except (ValueError, TypeError, LookupError, RecursionError) as error:  # SQLite keeps anything
        raise damaged(f"a {KIND_NAMES[kind]} in it cannot be read") from error
    return found


def _whole(entry: Entry[Kind]) -> Entry[Kind]:
    numbers = (entry.id, entry.job_id, entry.thing_id, entry.supersedes_id or 0)
    texts = (entry.uid, entry.recorded_at, entry.recorded_by)
    if not all(type(one) is int for one in numbers) or not all(type(one) is str for one in texts):
        raise TypeError("an entry is named by numbers and texts")
    return entry


def damaged(what: str) -> BookError:
    """Word the error that the database holds what this program did not write."""
    return BookError(
        f"the job book is damaged: {what}",
        allowed="entries stay as they were made",
        remedy="bring the book back from a copy",
    )


def content_of(kind: type[Kind], values: dict[str, Any]) -> Kind:
    """Make a kind's content of what a database or an archive holds."""
    if "material" in values:
        values["material"] = Material(values["material"])
    if "sha256s" in values:
        values["sha256s"] = tuple(values["sha256s"])
    return kind(**values)


def check_references(connection: sa.Connection, entries: Iterable[Entry[Content]]) -> None:
    """Refuse entries that name a thing of another job or kind, or none."""
    wanted = {
        (entry.job_id, KIND_NAMES[kind], number)
        for entry in entries
        for name, kind in REFERENCES.items()
        if (number := getattr(entry.content, name, None)) is not None
    } | {(entry.job_id, "job", entry.job_id) for entry in entries}
    roots = {KIND_NAMES[root] for root in ROOTS}
    for job_id, kind, number in sorted(wanted):
        there = sa.select(ENTRY.c.job_id, ENTRY.c.kind).where(
            ENTRY.c.id == number, ENTRY.c.thing_id == ENTRY.c.id
        )
        kinds = roots if kind == "job" else {kind}
        if connection.execute(there).one_or_none() not in {(job_id, one) for one in kinds}:
            raise BookError(
                f"entry {number} is no {kind} of this job",
                allowed="an entry names things of its own job",
                remedy="look the number up with `job list --history`",
            )


def _stored(value: Any) -> Any:  # noqa: ANN401 - whatever a field holds
    if isinstance(value, Material):
        return value.value
    return list(value) if isinstance(value, tuple) else value


def next_number(connection: sa.Connection, column: sa.ColumnElement[int]) -> int:
    """Return the number after the largest; right only under the writers' lock."""
    largest = connection.scalar(sa.select(sa.func.max(column))) or 0
    if type(largest) is not int:
        raise damaged(f"{column.name} is no number")
    return largest + 1


def last_about(connection: sa.Connection, entry_id: int) -> Entry[Content]:
    """Return the last entry about what an entry is about.

    Raises
    ------
    BookError
        If there is no such entry.
    """
    about = sa.select(ENTRY.c.thing_id).where(ENTRY.c.id == entry_id).scalar_subquery()
    last = sa.select(ENTRY.c.id, ENTRY.c.kind).where(ENTRY.c.thing_id == about)
    row = connection.execute(last.order_by(ENTRY.c.id.desc()).limit(1)).one_or_none()
    if row is None:
        raise BookError(
            f"there is no entry {entry_id}",
            allowed="entries are named by their number",
            remedy="look the number up with `job list --history`",
        )
    found = read_entries(connection, kind_named(row[1]), ENTRY.c.id == row[0])
    if len(found) != 1:
        raise damaged(f"entry {row[0]} says nothing")
    return found[0]


def kind_named(name: str) -> type[Content]:
    """Return a kind of entry by the name that the database has for it."""
    if name not in KINDS:
        raise damaged(f"it has entries of the kind {str(name)[:40]!r}")
    return KINDS[name]
