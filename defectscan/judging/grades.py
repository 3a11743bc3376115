"""Grades as raters hand them in: the file that a deck saves, or a CSV typed from paper."""

import csv
import hashlib
import io
import json
import re
import sys
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from defectscan.errors import DefectscanError, on_one_line
from defectscan.judging.key import DeckKey
from defectscan.judging.scale import SPANS, Scale

FORMAT = "defectscan.grades/1"
COLUMNS = ("rater", "date", "photo", "grade")
DECK_COLUMN = "deck"  # may be left out
CANNOT_TELL = ("-", "\N{EN DASH}", "x")
LARGEST_BYTES = 5_000_000
LONGEST_NAME = 80
_MOST_TOLD = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """What one rater gave the cards of one deck at one time.

    Attributes
    ----------
    rater, graded_on
        Who, and when (ISO 8601).
    ident
        Of the session.
    source
        The file's name.
    grades
        Number of the card, from 1, to grade; `None` where the rater could not tell.
    """

    rater: str
    graded_on: str
    ident: str
    source: str
    grades: dict[int, float | None]


@dataclass(slots=True)
class _Problems:
    """What is wrong in a file, by line."""

    told: list[str] = field(default_factory=list)

    def add(self, line: int, what: str) -> None:
        self.told.append(f"line {line}: {what}")


def deck_of(path: Path) -> str | None:
    """Return which deck a saved file or a CSV belongs to; `None` if it does not say.

    Raises
    ------
    DefectscanError
        If the file cannot be read.
    """
    text = _read(path)
    if not text.lstrip().startswith("{"):
        return _typed_deck(path, text)
    told = _json(path, text).get("deck")
    return told if isinstance(told, str) else None


def read_grades(path: Path, key: DeckKey, *, partial: bool = False) -> list[Session]:
    """Read a saved file or a CSV; all of it is right, or none of it is taken.

    A CSV has the columns rater, date, photo and grade, in any order, between commas, semicolons
    or tabs; a dash is "cannot tell". It may hold several raters' sheets, and a column deck, whose
    cells name the deck or are empty.

    Parameters
    ----------
    path
        The file.
    key
        Of the deck.
    partial
        Whether photos may be missing, or a cell of a grade be empty.

    Raises
    ------
    DefectscanError
        If the file cannot be read, belongs to another deck, or has wrong, missing or double
        entries, which it names by line.
    """
    text = _read(path)
    problems = _Problems()
    if text.lstrip().startswith("{"):
        sessions = [_saved(path, text, key, problems)]
    else:
        sessions = _typed(path, text, key, problems, partial=partial)
    if not partial:
        for session in sessions:
            missing = [n for n in range(1, len(key.cards) + 1) if n not in session.grades]
            if missing and not problems.told:
                who = (
                    f"{on_one_line(session.rater)}, {session.graded_on}: "
                    if len(sessions) > 1
                    else ""
                )
                problems.told.append(f"{who}no grade for {_listed(missing)}")
    if problems.told:
        told, more = problems.told[:_MOST_TOLD], len(problems.told) - _MOST_TOLD
        remedy = "correct the file"
        if not partial and any("no grade" in one for one in problems.told):
            remedy += ", or give --partial to do without what is missing"
        raise DefectscanError(
            f"{path}: {', '.join(told)}" + (f" and {more} more" if more > 0 else ""),
            allowed=f"each of photos 1 to {len(key.cards)} is graded once, in "
            f"{SPANS[key.scale].told}, or with a dash",
            remedy=remedy,
        )
    return sessions


def _saved(path: Path, text: str, key: DeckKey, problems: _Problems) -> Session:
    told = _json(path, text)
    if told.get("format") != FORMAT:
        raise _no_grades(path, f"its format is {str(told.get('format'))[:60]!r}")
    if told.get("deck") != key.ident:
        raise _other_deck(str(path), str(told.get("deck")), key)
    rater, session = told.get("rater"), told.get("session")
    given = told.get("grades")
    if not isinstance(rater, str) or not isinstance(session, str) or not isinstance(given, list):
        raise _no_grades(path, "rater, session or grades are missing")
    when = str(told.get("finished_at") or told.get("started_at"))
    if (graded_on := _date(when)) is None:
        raise _no_grades(path, f"its date is {when[:40]!r}")
    lines = _lines_of_cards(text, len(given))
    grades: dict[int, float | None] = {}
    for entry, line in zip(given, lines, strict=True):
        if not isinstance(entry, dict):
            problems.add(line, "this is no grade")
            continue
        _take(grades, entry.get("card"), entry.get("grade"), line, key, problems)
    return Session(
        rater=_name(path, rater),
        graded_on=graded_on,
        ident=session[:64] or _digest(text),
        source=path.name,
        grades=grades,
    )


def _rows_of(path: Path, text: str) -> tuple[Any, list[str]]:
    """Return a CSV's rows after the first, as a reader, and the names of its columns."""
    head = text.splitlines()[0] if text.strip() else ""
    mark = max(",;\t", key=head.count)
    rows = csv.reader(io.StringIO(text), delimiter=mark)
    try:
        columns = [cell.strip().casefold() for cell in next(rows, [])]
    except csv.Error as error:
        raise _no_grades(path, f"line {rows.line_num}: {error}") from error
    if any(columns.count(name) != 1 for name in COLUMNS) or columns.count(DECK_COLUMN) > 1:
        raise _no_grades(path, f"its first line is {head[:60]!r}")
    return rows, columns


def _typed_deck(path: Path, text: str) -> str | None:
    """Return the first deck that a CSV names."""
    rows, columns = _rows_of(path, text)
    if DECK_COLUMN not in columns:
        return None
    at = columns.index(DECK_COLUMN)
    try:
        named = (row[at].strip().casefold() for row in rows if len(row) > at)
        return next((deck for deck in named if deck), None)
    except csv.Error as error:
        raise _no_grades(path, f"line {rows.line_num}: {error}") from error


def _typed(
    path: Path, text: str, key: DeckKey, problems: _Problems, *, partial: bool
) -> list[Session]:
    rows, columns = _rows_of(path, text)
    found: dict[tuple[str, str], dict[int, float | None]] = {}
    spelt: dict[str, str] = {}
    try:
        for row in rows:
            line = rows.line_num
            if not any(cell.strip() for cell in row):
                continue
            cells = dict(zip(columns, (cell.strip() for cell in row), strict=False))
            if len(row) < len(columns):
                problems.add(line, f"{len(row)} cells, not {len(columns)}")
                continue
            deck = cells.get(DECK_COLUMN, "")
            if deck and deck.casefold() != key.ident:
                raise _other_deck(f"line {line} of {path}", deck, key)
            date = _date(cells["date"])
            if not cells["rater"] or date is None:
                what = "no rater" if not cells["rater"] else f"the date is {cells['date'][:40]!r}"
                problems.add(line, f"{what} (dates are written 2026-05-31)")
                continue
            rater = _name(path, cells["rater"])
            # One rater, however the name's letters are typed: as it stands first.
            rater = spelt.setdefault(rater.casefold(), rater)
            grades = found.setdefault((rater, date), {})
            if cells["grade"] or not partial:
                _take_typed(grades, cells, line, key, problems)
    except csv.Error as error:
        raise _no_grades(path, f"line {rows.line_num}: {error}") from error
    if not any(found.values()) and not problems.told:
        raise _no_grades(path, "it holds no grades")
    return [
        Session(
            rater=rater,
            graded_on=date,
            # A sheet typed anew is the same session.
            ident=_digest(f"{key.ident}\n{rater.casefold()}\n{date}"),
            source=path.name,
            grades=grades,
        )
        for (rater, date), grades in found.items()
        if grades
    ]


def _take_typed(
    grades: dict[int, float | None],
    cells: dict[str, str],
    line: int,
    key: DeckKey,
    problems: _Problems,
) -> None:
    photo, text = cells["photo"], cells["grade"].rstrip("% ")
    number: Any = int(photo) if re.fullmatch(r"[0-9]{1,4}", photo) else photo
    if not text:
        problems.add(line, f"no grade for photo {photo[:20]}")
        return
    grade: Any = text
    if text.casefold() in CANNOT_TELL:
        grade = None
    elif re.fullmatch(r"[-+\N{MINUS SIGN}]?[0-9]{1,4}([.,][0-9]{1,6})?", text):
        grade = float(text.replace(",", ".").replace("\N{MINUS SIGN}", "-"))
    _take(grades, number, grade, line, key, problems)


def _take(
    grades: dict[int, float | None],
    card: Any,  # noqa: ANN401 - whatever the file holds
    grade: Any,  # noqa: ANN401 - the same
    line: int,
    key: DeckKey,
    problems: _Problems,
) -> None:
    number = isinstance(card, int) and not isinstance(card, bool)
    if not number or not 1 <= card <= len(key.cards):
        problems.add(line, f"there is no photo {str(card)[:20]!r}")
    elif card in grades:
        problems.add(line, f"photo {card} is graded twice")
    elif grade is None:
        grades[card] = None
    elif (
        isinstance(grade, bool)
        or not isinstance(grade, (int, float))
        or not abs(grade) <= sys.float_info.max  # nor not a number
    ):
        problems.add(line, f"photo {card} is graded {str(grade)[:20]!r}")
    elif not SPANS[key.scale].takes(grade):
        problems.add(line, f"photo {card} is graded {grade:g}")
    else:
        grades[card] = int(grade) if key.scale is Scale.QUANTITY else float(grade)


def _lines_of_cards(text: str, count: int) -> list[int]:
    """Return the line of each grade: the page writes one a line."""
    start = max(text.find('"grades"'), 0)
    first = line = text.count("\n", 0, start) + 1
    lines: list[int] = []
    at = start
    for found in re.finditer(r'\{[^{}]*"card"', text):
        if found.start() > start and len(lines) < count:
            line += text.count("\n", at, found.start())
            at = found.start()
            lines.append(line)
    return lines + [first] * (count - len(lines))


def _date(text: str) -> str | None:
    try:
        return datetime.fromisoformat(text.strip()).isoformat()
    except ValueError:
        return None


def _read(path: Path) -> str:
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise _no_grades(path, "it is too large")
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise _no_grades(path, error.strerror or "it cannot be read") from error
    except UnicodeDecodeError as error:
        raise _no_grades(path, "it is not written in UTF-8") from error


def _json(path: Path, text: str) -> dict[str, Any]:
    try:
        told = json.loads(text)
    except (ValueError, RecursionError) as error:
        line = getattr(error, "lineno", 1)
        raise _no_grades(path, f"line {line}: it is no JSON, or is cut off") from error
    return dict(told)


def _name(path: Path, name: str) -> str:
    name = " ".join(name.split())
    if not name or len(name) > LONGEST_NAME:
        raise _no_grades(path, f"the rater's name has {len(name)} letters")
    return name


def _listed(numbers: Iterable[int]) -> str:
    told = [str(number) for number in numbers]
    some = told[:_MOST_TOLD]
    more = len(told) - len(some)
    photos = "photo " if len(told) == 1 else "photos "
    return photos + ", ".join(some) + (f" and {more} more" if more else "")


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()[:24]


def _other_deck(what: str, deck: str, key: DeckKey) -> DefectscanError:
    return DefectscanError(
        f"{what} belongs to deck {deck[:40]!r}",
        allowed=f"the key is that of deck {key.ident}",
        remedy="name that deck's key with --key, and give each deck a file of its own",
    )


def _no_grades(path: Path, reason: str) -> DefectscanError:
    return DefectscanError(
        f"{path} holds no grades ({reason})",
        allowed="the file that a deck saves, or a CSV with the columns rater, date, photo, grade",
        remedy="name another file",
    )
