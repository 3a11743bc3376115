"""Grades handed in: right ones are taken, wrong, missing and double ones named by line."""

import json
import time
from pathlib import Path
from typing import Any

import pytest

from defectscan.errors import DefectscanError
from defectscan.judging.deck import Deck
from defectscan.judging.grades import deck_of as deck_of_file
from defectscan.judging.grades import read_grades
from defectscan.judging.key import DeckKey, read_key
from defectscan.judging.scale import Scale
from tests.judging.conftest import HOSTILE_RATER, deck_of, key_file, saved

N = 8  # cards of the deck: six photos, two of them twice


def write(folder: Path, text: str, name: str = "grades.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def sheet(*rows: str, head: str = "rater,date,photo,grade") -> str:
    return "\n".join([head, *rows, ""])


def whole(rater: str = "Ana") -> list[str]:
    return [f"{rater},2026-05-01,{n},{n % 6}" for n in range(1, N + 1)]


def test_a_saved_file_is_read_with_a_hostile_name(key: DeckKey, tmp_path: Path) -> None:
    text = saved(key, [0, 1, 2, 3, 4, 5, None, 0], rater=HOSTILE_RATER)
    (session,) = read_grades(write(tmp_path, text, "a.json"), key)
    assert session.rater == HOSTILE_RATER
    assert session.graded_on.startswith("2026-05-01T08:00")
    assert session.grades == {1: 0, 2: 1, 3: 2, 4: 3, 5: 4, 6: 5, 7: None, 8: 0}


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_a_typed_sheet_is_read_in_any_order_of_columns(
    key: DeckKey, tmp_path: Path, mark: str
) -> None:
    rows = [mark.join((str(n), "-" if n == 3 else "2", "2026-05-01", "Béla")) for n in range(1, 9)]
    text = "\ufeff" + sheet(*rows, head=mark.join(("Photo", "Grade", "Date", "Rater")))
    (session,) = read_grades(write(tmp_path, text), key)
    assert session.rater == "Béla"
    assert session.grades == {n: None if n == 3 else 2 for n in range(1, 9)}


def test_sheets_of_two_raters_in_one_file(key: DeckKey, tmp_path: Path) -> None:
    found = read_grades(write(tmp_path, sheet(*whole("Ana"), *whole("Ben"))), key)
    assert [session.rater for session in found] == ["Ana", "Ben"]
    assert found[0].ident != found[1].ident


def test_a_rater_in_other_letters_is_the_same_rater(key: DeckKey, tmp_path: Path) -> None:
    rows = [*whole("Ana")[:4], *whole("ANA")[4:]]
    (session,) = read_grades(write(tmp_path, sheet(*rows)), key)
    assert session.rater == "Ana"
    assert len(session.grades) == 8
    (alone,) = read_grades(write(tmp_path, sheet(*whole("Ana"))), key)
    assert session.ident == alone.ident


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("Ana,2026-05-01,9,3", "line 10: there is no photo '9'"),
        ("Ana,2026-05-01,x,3", "line 10: there is no photo 'x'"),
        ("Ana,2026-05-01,2,3", "line 10: photo 2 is graded twice"),
        ("Ana,2026-05-01,8,6", "line 9: photo 8 is graded 6"),
        ("Ana,2026-05-01,8,2.5", "line 9: photo 8 is graded 2.5"),
        ("Ana,2026-05-01,8,two", "line 9: photo 8 is graded 'two'"),
        ("Ana,2026-05-01,8,nan", "line 9: photo 8 is graded 'nan'"),
        ("Ana,1 May,8,3", "line 9: the date is '1 May'"),
        (",2026-05-01,8,3", "line 9: no rater"),
        ("Ana,2026-05-01", "line 9: 2 cells, not 4"),
    ],
)
def test_a_fault_in_a_sheet_is_named_by_line(
    key: DeckKey, tmp_path: Path, row: str, says: str
) -> None:
    rows = whole() if says.startswith("line 10") else whole()[:-1]
    with pytest.raises(DefectscanError) as told:
        read_grades(write(tmp_path, sheet(*rows, row)), key, partial=True)
    assert says in str(told.value)
    assert "\n" not in str(told.value)


def test_all_faults_are_named_at_once(key: DeckKey, tmp_path: Path) -> None:
    rows = [*whole()[:6], "Ana,2026-05-01,7,9", "Ana,2026-05-01,1,1"]
    with pytest.raises(DefectscanError, match=r"line 8: .* 9, line 9: photo 1 is graded twice"):
        read_grades(write(tmp_path, sheet(*rows)), key)


def test_missing_photos_are_named_and_may_be_left_out(key: DeckKey, tmp_path: Path) -> None:
    path = write(tmp_path, sheet(*whole()[:5]))
    with pytest.raises(DefectscanError, match=r"no grade for photos 6, 7, 8.*--partial"):
        read_grades(path, key)
    assert len(read_grades(path, key, partial=True)[0].grades) == 5


def test_an_empty_grade_is_named_or_left_out(key: DeckKey, tmp_path: Path) -> None:
    empty = [f"Ben,2026-05-01,{number}," for number in range(1, 9)]
    path = write(tmp_path, sheet(*whole()[:7], "Ana,2026-05-01,8,", *empty))
    with pytest.raises(DefectscanError, match=r"line 9: no grade for photo 8.*--partial"):
        read_grades(path, key)
    (session,) = read_grades(path, key, partial=True)  # who gave none has no session
    assert sorted(session.grades) == [1, 2, 3, 4, 5, 6, 7]
    with pytest.raises(DefectscanError, match="it holds no grades"):
        read_grades(write(tmp_path, sheet(*empty)), key, partial=True)


def test_a_typed_sheet_may_say_its_deck(key: DeckKey, tmp_path: Path) -> None:
    head = "deck,rater,date,photo,grade"

    def typed(deck: str) -> Path:
        first, *others = whole()
        return write(tmp_path, sheet(f",{first}", *(f"{deck},{row}" for row in others), head=head))

    path = typed(key.ident.upper())
    assert deck_of_file(path) == key.ident
    (session,) = read_grades(path, key)
    assert len(session.grades) == 8
    assert session == read_grades(write(tmp_path, sheet(*whole())), key)[0]
    assert deck_of_file(path) is None
    path = typed("ffffffffffff")
    assert deck_of_file(path) == "ffffffffffff"
    with pytest.raises(DefectscanError, match=r"line 3 of .* belongs to deck 'ffffffffffff'"):
        read_grades(path, key)
    path = write(tmp_path, sheet(*whole(), head=f"{head},deck"))
    with pytest.raises(DefectscanError, match="its first line"):
        deck_of_file(path)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"card": 3', '"card": 2', "line 10: photo 2 is graded twice"),
        ('"grade": 2', '"grade": 7', "line 10: photo 3 is graded 7"),
        ('"grade": 2', '"grade": "2"', "line 10: photo 3 is graded '2'"),
        ('"grade": 2', '"grade": true', "line 10: photo 3 is graded 'True'"),
        ('"grade": 2', '"grade": NaN', "line 10: photo 3 is graded 'nan'"),
        ('"grade": 2', '"grade": 1' + "0" * 400, "line 10: photo 3 is graded '1000"),
        ('"card": 3', '"card": 1' + "0" * 400, "line 10: there is no photo '1000"),
        ('"card": 3', '"card": [1]', "line 10: there is no photo"),
        ("grades/1", "grades/9", "its format is"),
        ('"rater": "Ana"', '"rater": 5', "rater, session or grades are missing"),
        ('"rater": "Ana"', '"rater": " "', "the rater's name has 0 letters"),
        ("2026-05-01T", "yesterday", "its date is"),
        (' "grades": [', ' "grades": [[', "line"),
    ],
)
def test_a_fault_in_a_saved_file_is_named(
    key: DeckKey, tmp_path: Path, old: str, new: str, says: str
) -> None:
    text = saved(key, [0, 1, 2, 3, 4, 5, 0, 1])
    assert old in text
    with pytest.raises(DefectscanError) as told:
        read_grades(write(tmp_path, text.replace(old, new, 1), "a.json"), key)
    assert says in str(told.value)


def test_a_file_of_another_deck_is_refused(key: DeckKey, tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    _, other = key_file(deck_of([5, 4, 3], repeats=0), tmp_path / "other")
    path = write(tmp_path, saved(other, [1, 2, 3]), "a.json")
    with pytest.raises(DefectscanError, match="belongs to deck"):
        read_grades(path, key)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"a,b\n1,2\n",
        b"\xff\xfe\x00",
        b"{",
        b"rater,date,photo,grade\n",
        b"{" * 100_000,
        b"rater,date\rphoto,grade\n",
        b'"' + b"x" * 200_000,
    ],
    ids=lambda data: repr(data[:24]),
)
def test_what_holds_no_grades_is_refused(key: DeckKey, tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "odd"
    path.write_bytes(data)
    with pytest.raises(DefectscanError, match="holds no grades"):
        read_grades(path, key)
    with pytest.raises(DefectscanError, match="holds no grades"):
        read_grades(tmp_path / "missing", key)


def test_percentages_take_commas_signs_and_percent_signs(tmp_path: Path) -> None:
    _, key = key_file(deck_of([50, 80, 95], scale=Scale.CORRECTION, repeats=0), tmp_path)
    rows = ["Ana;2026-05-01;1;62,5 %", "Ana;2026-05-01;2;\N{MINUS SIGN}10", "Ana;2026-05-01;3;100"]
    (session,) = read_grades(write(tmp_path, sheet(*rows, head="rater;date;photo;grade")), key)
    assert session.grades == {1: 62.5, 2: -10.0, 3: 100.0}
    with pytest.raises(DefectscanError, match="photo 1 is graded 101"):
        read_grades(write(tmp_path, sheet("Ana,2026-05-01,1,101")), key, partial=True)


def test_grades_without_end_are_counted_in_time(key: DeckKey, tmp_path: Path) -> None:
    rows = ",\n".join(['{"card":1,"grade":1}'] * 200_000)
    text = saved(key, []).replace('"grades": [\n\n ]', f'"grades": [\n{rows}\n]')
    start = time.process_time()
    with pytest.raises(DefectscanError, match=r"line 9: photo 1 is graded twice.* more"):
        read_grades(write(tmp_path, text, "a.json"), key)
    assert time.process_time() - start < 10


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("cards", [float("inf")]),
        ("cards", [0.5]),
        ("cards", [True]),
        ("cards", [10**400]),
        ("deck", 5),
        ("reference", {"value": "3", "low": None, "high": None, "source": "true"}),
        ("reference", {"value": 10**400, "low": None, "high": None, "source": "true"}),
        ("reference", {"value": 3, "low": "2", "high": None, "source": "true"}),
        ("reference", {"value": None, "low": None, "high": None, "source": "true"}),
        (
            "reference",
            {"value": 3, "low": None, "high": None, "source": "measured", "at_least": True},
        ),
        ("reference", {"value": 3, "low": 2, "high": 4, "source": "measured", "at_least": 1}),
        ("groups", {"paint": 5}),
        ("pictures", ["no base64"]),
    ],
)
def test_a_key_that_says_something_else_is_refused(
    deck: Deck, tmp_path: Path, name: str, value: Any
) -> None:
    path, _ = key_file(deck, tmp_path)
    told = json.loads(path.read_text())
    (told if name in told else told["photos"][0])[name] = value
    with pytest.raises(DefectscanError, match="is no deck key"):
        read_key(write(tmp_path, json.dumps(told), "key.json"))


def test_a_key_without_a_picture_is_refused(deck: Deck, tmp_path: Path) -> None:
    path, _ = key_file(deck, tmp_path)
    told = json.loads(path.read_text())
    told["photos"][1]["pictures"] = []
    with pytest.raises(DefectscanError, match="no picture"):
        read_key(write(tmp_path, json.dumps(told), "key.json"))


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"practice": false}', "nonsense", "[" * 100_000])
def test_what_is_no_key_is_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(DefectscanError, match="is no deck key"):
        read_key(write(tmp_path, text, "key.json"))


def test_the_key_of_a_practice_deck_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DefectscanError, match="practice deck"):
        key_file(deck_of([1, 2, 3], repeats=0, practice=True), tmp_path)
