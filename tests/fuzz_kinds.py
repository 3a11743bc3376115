"""Kinds of bad input: each a strategy that draws cases."""

import functools
import json
import sqlite3
import tempfile
import warnings
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import strategies as st
from PIL import Image

from defectscan.workshop.book_archive import NAME
from defectscan.workshop.book_database import FILE
from tests import fuzz_bombs, fuzz_files
from tests.fuzz_cases import Case
from tests.fuzz_files import damaged, encoded, tiff16

Cases = st.SearchStrategy[Case]
Rng = np.random.Generator

BOOK = ("--book", "{folder}/book")
# What is looked at of a book that was let in.
LOOKS = (
    ("job", "list", *BOOK, "--all"),
    ("job", "list", *BOOK, "--history"),
    ("job", "list", "1", *BOOK),
    ("job", "next", *BOOK, "--json", "-"),
    ("job", "spots", *BOOK, "--json", "-"),
    ("job", "report", *BOOK, "--no-pictures", "--out", "{folder}/out/report"),
    ("job", "report", *BOOK, "--all", "--json", "-"),
    ("job", "export", "{folder}/out/results.csv", *BOOK, "--all"),
    ("job", "export", "{folder}/out/all.zip", *BOOK, "--all"),
    ("judge", "result", *BOOK, "--json", "-"),
)


def looks(draw: st.DrawFn) -> tuple[tuple[str, ...], ...]:
    """Draw two ways to look at a book: all of them would take long."""
    return (draw(st.sampled_from(LOOKS)), draw(st.sampled_from(LOOKS)))


def by_bytes(make: Callable[[Rng], Case]) -> Cases:
    """Draw cases that are made from a source of chance."""
    return st.integers(0, 2**48).map(lambda seed: make(np.random.default_rng(seed)))


def _one(rng: Rng, among: Any) -> Any:
    return among[int(rng.integers(len(among)))]


def _photo(rng: Rng, *, kind: str) -> Case:
    suffix = fuzz_files.SUFFIXES[kind]
    if rng.random() < 0.1:
        suffix = _one(rng, (*fuzz_files.SUFFIXES.values(), ".mp4", ".txt", ""))
    name = f"door{suffix}"
    data = damaged(_one(rng, fuzz_files.photos(kind)), rng)
    return Case(files={name: data}, reader="photo", name=name)


def _profile(rng: Rng) -> Case:
    """Put a damaged colour profile into a whole photo."""
    profile = _one(rng, fuzz_files.profiles())
    if rng.random() < 0.7:
        # The tags' values lie behind the head and the table of tags.
        out = bytearray(profile)
        for _ in range(int(rng.integers(1, 12))):
            start = int(rng.integers(128, min(len(out), 700)))
            out[start : start + 4] = rng.bytes(4) if rng.random() < 0.6 else bytes(4)
        profile = bytes(out)
    if rng.random() < 0.6:
        profile = damaged(profile, rng)
    rgb = fuzz_files.panel()
    if rng.random() < 0.2:
        return _in_photo(tiff16(rgb.astype(np.uint16) * 257, iccprofile=profile or None), ".tif")
    mode = _one(rng, ("RGB", "RGB", "L", "CMYK", "RGBA"))
    form = "TIFF" if mode == "CMYK" else _one(rng, ("TIFF", "PNG", "WEBP"))
    data = encoded(Image.fromarray(rgb).convert(mode), form, icc_profile=profile)
    return _in_photo(data, ".png")


def _exif(rng: Rng) -> Case:
    """Put damaged EXIF into a whole photo."""
    form = _one(rng, ("JPEG", "PNG", "WEBP"))  # an AVIF writer refuses damaged EXIF
    rgb = Image.fromarray(fuzz_files.panel())
    told = damaged(fuzz_files.exif(), rng)[:60_000]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return _in_photo(encoded(rgb, form, exif=told), ".jpg")


def _in_photo(data: bytes, suffix: str) -> Case:
    return Case(files={f"door{suffix}": data}, reader="photo", name=f"door{suffix}")


def _clip(rng: Rng) -> Case:
    suffix = _one(rng, tuple(fuzz_files.clips()))
    data = damaged(fuzz_files.clips()[suffix], rng)
    if rng.random() < 0.1:
        suffix = _one(rng, (".mov", ".webm", ".avi", ".3gp"))
    return Case(files={f"door{suffix}": data}, reader="clip", name=f"door{suffix}")


def _commanded(rng: Rng) -> Case:
    """Give a damaged photo to a command."""
    kind = _one(rng, fuzz_files.PHOTOS)
    suffix = fuzz_files.SUFFIXES[kind]
    name, out = f"{{folder}}/door{suffix}", "{folder}/out"
    whole = fuzz_files.photos("jpeg")[3]
    data = damaged(_one(rng, fuzz_files.photos(kind)), rng) if rng.random() < 0.9 else whole
    words = _one(
        rng,
        (
            ("score", name, "--out", out, "--json", out + "/x.json", "--lines", out + "/l.png"),
            ("score", "{folder}", "--mm-per-px", "0.2", "--json", "-"),
            ("score", name, "--as-seen", "--json", "-"),
            ("check", name, "--out", out, "--like", "{folder}/whole.jpg"),
            ("check", name, "--json", "-"),
            ("compare", "{folder}/whole.jpg", name, "--out", out),
            ("compare", name, "{folder}/whole.jpg", "--json", out + "/x.json"),
            ("split", name, "--line", "120,0,121,170", "--out", out),
            ("split", name, "--out", out),
            ("job", "shots", name, *BOOK),
            ("judge", "deck", name, "{folder}/whole.jpg", "--out", out, "--no-measure"),
        ),
    )
    files = {f"door{suffix}": data, "whole.jpg": whole}
    return Case(files=files | _book_files(fuzz_files.book()), commands=(words,))


def _book_files(files: dict[str, bytes]) -> dict[str, bytes]:
    return {f"book/{name}": data for name, data in files.items()}


def _job_bytes(rng: Rng) -> Case:
    return _of_job(damaged(json.dumps(fuzz_files.JOB).encode(), rng))


def _of_job(told: bytes) -> Case:
    # No photo is there, so that no case takes as long as a report.
    return Case(
        files={"job/job.json": told},
        commands=(("report", "{folder}/job", "--out", "{folder}/out"),),
    )


def _graded_bytes(rng: Rng) -> Case:
    files = dict(fuzz_files.graded())
    spoilt = _one(rng, tuple(files))
    files[spoilt] = damaged(files[spoilt], rng)
    return _of_grades(files, "grades.csv" if spoilt == "grades.csv" else "grades.json")


def _of_grades(files: dict[str, bytes], name: str, *, partial: bool = False) -> Case:
    enter = ("judge", "grades", "{folder}/" + name, "--key", "{folder}/key.json", *BOOK)
    tell = ("judge", "result", *BOOK, "--json", "-")
    return Case(
        files=files | _book_files(fuzz_files.empty_book()),
        commands=((*enter, "--partial") if partial else enter, tell),
    )


def _toml_bytes(rng: Rng) -> Case:
    name, data, reader = _one(rng, TOMLS)
    return Case(files={name: damaged(data, rng)}, reader=reader)


def _logo(rng: Rng) -> Case:
    kind = _one(rng, ("png", "jpeg", "webp", "tiff"))
    data = damaged(_one(rng, fuzz_files.photos(kind)), rng)
    files = {"workshop.toml": fuzz_files.LETTERHEAD, "logo.png": data}
    return Case(files=files, reader="letterhead")


TOMLS = (
    ("limits.toml", fuzz_files.LIMITS, "limits"),
    ("judging_limits.toml", fuzz_files.JUDGING_LIMITS, "judging limits"),
    ("workshop.toml", fuzz_files.LETTERHEAD, "letterhead"),
)


@st.composite
def _sqlite_bytes(draw: st.DrawFn) -> Case:
    rng = np.random.default_rng(draw(st.integers(0, 2**48)))
    files = dict(fuzz_files.book())
    files[FILE] = damaged(files[FILE], rng)
    return Case(files=_book_files(files), commands=looks(draw))


@st.composite
def _archive_bytes(draw: st.DrawFn) -> Case:
    rng = np.random.default_rng(draw(st.integers(0, 2**48)))
    members = dict(fuzz_files.archive())
    if rng.random() < 0.5:
        spoilt = _one(rng, tuple(members))
        members[spoilt] = damaged(members[spoilt], rng)
        data = fuzz_files.zipped(members)
    else:
        data = damaged(fuzz_files.zipped(members), rng)
    return _of_archive(data, looks(draw))


def _of_archive(data: bytes, then: tuple[tuple[str, ...], ...]) -> Case:
    take = ("job", "new", "--from", "{folder}/archive.zip", *BOOK)
    return Case(
        files={"archive.zip": data} | _book_files(fuzz_files.empty_book()), commands=(take, *then)
    )


# Texts in place of which JSON that `json` itself would not write is put.
_DEEP, _DIGITS, _OPEN = "@deep@", "@digits@", "@open@"
_texts = st.one_of(
    st.text(max_size=20),
    st.sampled_from(
        (
            "", " ", "\0", "two\nlines", "\x1b[31m", "\ud800", "\u202e", "x" * 5000,
            "../../etc/passwd", "/dev/zero", "<script>", "NaN", "1e999", "\U0001f697" * 50,
            "a" * 64,
            "2026-05-01", "{0}%s",
            _DEEP, _DIGITS, _OPEN,
        )
    ),
)  # fmt: skip
_numbers = st.one_of(
    st.integers(-3, 10),
    st.floats(),
    st.sampled_from((10**400, -(10**400), 2**63, -(2**63) - 1, 2**31, 1e308, -1e308, 5e-324, -0.0)),
)
_plain = st.one_of(st.none(), st.booleans(), _numbers, _texts)
_values = st.recursive(
    _plain,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=8), inner, max_size=3)
    ),
    max_leaves=6,
)


def _places(told: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Return the ways to all parts of a JSON value."""
    parts: Iterable[tuple[Any, Any]] = told.items() if isinstance(told, dict) else []
    parts = enumerate(told) if isinstance(told, list) else parts
    return [at, *(way for name, part in parts for way in _places(part, (*at, name)))]


@st.composite
def spoilt_json(draw: st.DrawFn, whole: Any) -> bytes:
    """Draw a JSON value with some of its parts changed, taken out, or put in twice."""
    told = json.loads(json.dumps(whole))
    for _ in range(draw(st.integers(1, 3))):
        places = _places(told)
        way = places[draw(st.integers(0, len(places) - 1))]
        if not way:
            if draw(st.integers(0, 9)) == 9:
                told = draw(_values)
            continue
        holder = told
        for name in way[:-1]:
            holder = holder[name]
        how = draw(st.sampled_from(("value", "value", "value", "out", "twice", "swapped")))
        if how == "out":
            del holder[way[-1]]
        elif how == "twice" and isinstance(holder, list):
            holder.append(holder[way[-1]])
        elif how == "swapped" and isinstance(holder, dict):
            other = draw(st.sampled_from(sorted(holder, key=str)))
            holder[way[-1]], holder[other] = holder[other], holder[way[-1]]
        else:
            holder[way[-1]] = draw(_values)
    text = json.dumps(told, ensure_ascii=draw(st.booleans()))
    text = text.replace(f'"{_DEEP}"', "[" * 3000 + "]" * 3000).replace(f'"{_DIGITS}"', "9" * 5000)
    text = text.replace(f'"{_OPEN}"', '{"a":' * 3000)
    return text.encode("utf-8", draw(st.sampled_from(("surrogatepass", "replace"))))


@st.composite
def _job_told(draw: st.DrawFn) -> Case:
    return _of_job(draw(spoilt_json(fuzz_files.JOB)))


@st.composite
def _graded_told(draw: st.DrawFn) -> Case:
    files = dict(fuzz_files.graded())
    spoilt = draw(st.sampled_from(("key.json", "grades.json")))
    files[spoilt] = draw(spoilt_json(json.loads(files[spoilt])))
    return _of_grades(files, "grades.json", partial=draw(st.booleans()))


@st.composite
def _sheet_told(draw: st.DrawFn) -> Case:
    mark = draw(st.sampled_from((",", ";", "\t", "|")))
    end = draw(st.sampled_from(("\n", "\r\n", "\r", "\n\r", "\u2028")))
    cells = st.one_of(
        st.sampled_from(
            ("Ana", "2026-05-01", "1", "2", "3", "-", "2,5", '"a', 'a"b"', "\N{MINUS SIGN}1")
        ),
        _texts,
        _numbers.map(str),
    )  # fmt: skip
    head = draw(st.one_of(st.just(["rater", "date", "photo", "grade"]), st.lists(cells)))
    good = st.integers(1, 9).map(lambda n: ["Ana", "2026-05-01", str(n), "3"])
    rows = draw(st.lists(st.one_of(good, st.lists(cells, max_size=6)), max_size=12))
    text = end.join(mark.join(row) for row in [head, *rows])
    files = fuzz_files.graded() | {"grades.csv": text.encode("utf-8", "surrogatepass")}
    return _of_grades(files, "grades.csv", partial=draw(st.booleans()))


@st.composite
def _toml_told(draw: st.DrawFn) -> Case:
    name, data, reader = draw(st.sampled_from(TOMLS))
    known = [line.split("=")[0].strip() for line in data.decode().splitlines()]
    keys = st.one_of(st.sampled_from(known), _texts.map(json.dumps), st.just("a.b"))
    values = st.one_of(
        st.sampled_from(
            (
                "nan", "inf", "-inf", "-1", "0", "1e400", "1" + "0" * 400, "9" * 5000, "0x10",
                "true", "[1]", "{a = 1}", "1979-05-27", '"""two\nlines"""', "[" * 3000, "'x'",
                "[1" + ", 1" * 5000 + "]", "1_000", ".5", '"/dev/zero"', '"\\u0000"', '"."',
            )
        ),
        _plain.map(json.dumps),
    )  # fmt: skip
    rows = draw(st.lists(st.tuples(keys, values), max_size=4))
    text = "\n".join(f"{key} = {value}" for key, value in rows)
    return Case(files={name: text.encode("utf-8", "surrogatepass")}, reader=reader)


@st.composite
def _archive_told(draw: st.DrawFn) -> Case:
    members = dict(fuzz_files.archive())
    members[NAME] = draw(spoilt_json(fuzz_files.archive_json()))
    return _of_archive(fuzz_files.zipped(members), looks(draw))


@st.composite
def _sqlite_told(draw: st.DrawFn) -> Case:
    """Put odd values into a book's tables, past the guards."""
    files = dict(fuzz_files.book())
    with tempfile.NamedTemporaryFile(suffix=".sqlite") as file:
        file.write(files[FILE])
        file.flush()
        opened = sqlite3.connect(file.name, isolation_level=None)
        opened.execute("PRAGMA journal_mode = DELETE")
        tables = _columns(opened)
        for _ in range(draw(st.integers(1, 3))):
            table, column, rows = draw(st.sampled_from(tables))
            value = draw(
                st.one_of(
                    st.none(),
                    st.integers(-(2**63), 2**63 - 1),
                    st.integers(-2, 20),
                    st.floats(),
                    st.binary(max_size=8),
                    st.text(st.characters(exclude_categories=["Cs"]), max_size=12),
                    spoilt_json({"value": 1.0, "flags": []}).map(
                        lambda data: data.decode("utf-8", "replace")
                    ),
                )
            )  # fmt: skip
            row = draw(st.sampled_from(rows))
            try:
                opened.execute(f'UPDATE "{table}" SET "{column}" = ? WHERE rowid = ?', (value, row))  # noqa: S608
            except sqlite3.IntegrityError:
                continue
        opened.close()
        files[FILE] = Path(file.name).read_bytes()
    return Case(files=_book_files(files), commands=looks(draw))


def _columns(opened: sqlite3.Connection) -> list[tuple[str, str, list[int]]]:
    """Take the guards away, and return every column of the tables that hold rows."""
    for (name,) in opened.execute(
        "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    ).fetchall():
        opened.execute(f'DROP TRIGGER "{name}"')
    found = []
    tables = "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name"
    for (table,) in opened.execute(tables).fetchall():
        rows = [row for (row,) in opened.execute(f'SELECT rowid FROM "{table}"')]  # noqa: S608
        columns = opened.execute(f'PRAGMA table_info("{table}")').fetchall()
        found += [(table, column[1], rows) for column in columns if rows]
    return found


_words = st.one_of(
    st.sampled_from(
        (
            "nan", "inf", "-inf", "-1", "0", "1", "2", "0.2", "1e400", "1e-400", "9" * 400, "0x10",
            "", " ", "-", "--", "\udcff", "two\nlines", "x" * 5000, "{folder}",
            "{folder}/missing",
            "{folder}/whole.jpg", "1,2,3,4", "nan,0,1,1", "1,1,1,1", "1e300,0,1,1", "\x1b[31m",
            "\u202e", "A", "Bonnet", "120,0,121,170", "left",
        )
    ),
    st.text(st.characters(exclude_characters="\0{}", exclude_categories=["Cs"]), max_size=8),
    st.integers(-5, 2**70).map(str),
    st.floats().map(str),
)  # fmt: skip
_PHOTO = "{folder}/whole.jpg"
COMMANDS: tuple[tuple[tuple[str, ...], tuple[str, ...]], ...] = (
    (("score", _PHOTO), ("--mm-per-px", "--card-mm", "--seed", "--json", "--title", "--out")),
    (("check", _PHOTO), ("--mm-per-px", "--like", "--json")),
    (("compare", _PHOTO, _PHOTO), ("--mm-per-px", "--card-mm", "--seed", "--title", "--out")),
    (("split", _PHOTO), ("--line", "--polished", "--mm-per-px", "--card-mm", "--seed")),
    (("card", "{folder}/out/card.svg"), ("--paper",)),
    (("job", "new"), ("--about", "--from", "--correct", "")),
    (("job", "panel"), ("--material", "--job", "--correct", "")),
    (
        ("job", "shots", _PHOTO, "--no-measure"),
        ("--panel", "--spot", "--after-pass", "--mm-per-px", "--job", "--seed"),
    ),
    (
        ("job", "pass"),
        ("--machine", "--pad", "--speed", "--minutes", "--section", "--who", "--panel", "--spot",
         "--job", "--correct", "--same"),
    ),
    (
        ("job", "film"),
        ("--at", "--gauge", "--panel", "--spot", "--after-pass", "--correct", "", ""),
    ),
    (("job", "note"), ("--panel", "--job", "--correct", "")),
    (("job", "withdraw"), ("",)),
    (("job", "list"), ("", "--history", "--all")),
    (
        ("job", "next"),
        ("--target-density", "--target-correction", "--reserve", "--largest-removal",
         "--usual-cut", "--take", "--because", "--panel", "--seed", "--job"),
    ),
    (("job", "spots"), ("", "--target-density", "--target-correction", "--panel", "--job")),
    (("job", "export"), ("", "--table", "--job")),
    (
        ("job", "report", "--no-pictures", "--out", "{folder}/out"),
        ("--workshop", "--logo", "--job"),
    ),
    (
        ("judge", "deck", "--out", "{folder}/out", "--no-measure", _PHOTO, _PHOTO),
        ("--scale", "--repeats", "--title", "--seed", "--mm-per-px", "--job"),
    ),
    (("judge", "result"), ("--deck", "--scale", "--seed", "--title", "")),
)  # fmt: skip
_FLAGS = ("--same", "--history", "--all")


@st.composite
def _options(draw: st.DrawFn) -> Case:
    words, options = draw(st.sampled_from(COMMANDS))
    told = list(words)
    for option in draw(st.lists(st.sampled_from(options), max_size=4)):
        told += (
            [option] if option in _FLAGS else [option, draw(_words)] if option else [draw(_words)]
        )
    if words[0] in ("job", "judge") and words[1] != "deck":
        told += BOOK
    # What a command may write goes into its own folder.
    told = [
        word.replace("{", "{{").replace("}", "}}").replace("{{folder}}", "{folder}")
        for word in told
    ]
    files = {"whole.jpg": fuzz_files.photos("jpeg")[3]} | _book_files(fuzz_files.book())
    return Case(files=files, commands=(tuple(told),))


def _bombs() -> Cases:
    photos = st.sampled_from(sorted(fuzz_bombs.PHOTO_BOMBS)).map(_photo_bomb)
    return st.one_of(photos, st.sampled_from(sorted(fuzz_bombs.TEXT_BOMBS)).map(text_bomb))


@functools.cache
def _photo_bomb(name: str) -> Case:
    return _in_photo(fuzz_bombs.PHOTO_BOMBS[name](), ".jpg")


@functools.cache
def text_bomb(name: str) -> Case:
    """Return the case of one of `TEXT_BOMBS`."""
    file, make = fuzz_bombs.TEXT_BOMBS[name]
    data = make()
    if file == "archive.zip":
        return _of_archive(data, ())
    if file == "job.json":
        return _of_job(data)
    if file.startswith("grades"):
        return _of_grades(fuzz_files.graded() | {file: data}, file)
    (reader,) = [reader for name, _, reader in TOMLS if name == file]
    return Case(files={file: data}, reader=reader)


KINDS: dict[str, Callable[[], Cases]] = {
    **{
        f"photo {kind}": functools.partial(by_bytes, functools.partial(_photo, kind=kind))
        for kind in fuzz_files.PHOTOS
    },
    "colour profile": functools.partial(by_bytes, _profile),
    "exif": functools.partial(by_bytes, _exif),
    "clip": functools.partial(by_bytes, _clip),
    "photo by command": functools.partial(by_bytes, _commanded),
    "job.json bytes": functools.partial(by_bytes, _job_bytes),
    "job.json values": _job_told,
    "key and grades bytes": functools.partial(by_bytes, _graded_bytes),
    "key and grades values": _graded_told,
    "sheet of grades": _sheet_told,
    "toml bytes": functools.partial(by_bytes, _toml_bytes),
    "toml values": _toml_told,
    "logo": functools.partial(by_bytes, _logo),
    "archive bytes": _archive_bytes,
    "archive values": _archive_told,
    "job book bytes": _sqlite_bytes,
    "job book values": _sqlite_told,
    "options": _options,
    "bombs": _bombs,
}
