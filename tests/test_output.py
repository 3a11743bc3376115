"""Output: files whole or not at all, nothing lost, JSON that says null for what is unknown."""

import dataclasses
import datetime as dt
import enum
import json
import math
import os
import stat
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from defectscan.errors import DefectscanError, OutputExistsError
from defectscan.output import check_free, to_json, write_whole


def names_in(folder: Path) -> list[str]:
    return [entry.name for entry in folder.iterdir()]


def test_writes_the_bytes(tmp_path: Path) -> None:
    path = tmp_path / "score.json"
    write_whole(path, b"\0\r\n\xff", force=False)
    assert path.read_bytes() == b"\0\r\n\xff"
    assert names_in(tmp_path) == ["score.json"]


def test_makes_the_folder(tmp_path: Path) -> None:
    write_whole(str(tmp_path / "a" / "b" / "report.html"), b"x", force=False)
    assert (tmp_path / "a" / "b" / "report.html").read_bytes() == b"x"


def test_a_file_that_is_there_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "score.json"
    path.write_bytes(b"old")
    with pytest.raises(OutputExistsError, match=r"score\.json is there already; .*--force"):
        write_whole(path, b"new", force=False)
    assert path.read_bytes() == b"old"
    write_whole(path, b"new", force=True)
    assert path.read_bytes() == b"new"
    assert names_in(tmp_path) == ["score.json"]


@pytest.mark.parametrize("step", ["os.fsync", "pathlib.Path.replace"])
@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_a_failure_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str, error: BaseException
) -> None:
    path = tmp_path / "score.json"
    path.write_bytes(b"old")

    def fail(*_: object) -> None:
        raise error

    monkeypatch.setattr(step, fail)
    expected = DefectscanError if isinstance(error, OSError) else KeyboardInterrupt
    with pytest.raises(expected) as raised:
        write_whole(path, b"new", force=True)
    if isinstance(error, OSError):
        assert "No space left on device" in str(raised.value)
    assert path.read_bytes() == b"old"
    assert names_in(tmp_path) == ["score.json"]


def test_a_folder_that_cannot_be_written_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(DefectscanError, match="cannot be written \\(Permission denied\\)"):
        write_whole(tmp_path / "score.json", b"x", force=False)


@pytest.mark.parametrize("force", [False, True])
def test_folders_and_devices_are_not_written_over(tmp_path: Path, force: bool) -> None:
    for path in (tmp_path, Path(os.devnull)):
        with pytest.raises(DefectscanError, match="not a regular file"):
            write_whole(path, b"x", force=force)
        with pytest.raises(DefectscanError, match="not a regular file"):
            check_free([path], force=force)
    assert stat.S_ISCHR(Path(os.devnull).stat().st_mode)


def test_a_file_in_place_of_the_folder(tmp_path: Path) -> None:
    (tmp_path / "out").touch()
    with pytest.raises(DefectscanError, match="cannot be written"):
        write_whole(tmp_path / "out" / "score.json", b"x", force=False)
    with pytest.raises(DefectscanError, match="not a folder that can be written to"):
        check_free([tmp_path / "out" / "score.json"], force=False)


def test_a_link_is_followed(tmp_path: Path) -> None:
    real, link = tmp_path / "real.json", tmp_path / "link.json"
    real.write_bytes(b"old")
    link.symlink_to(real)
    write_whole(link, b"new", force=True)
    assert link.is_symlink()
    assert real.read_bytes() == b"new"


def test_long_names(tmp_path: Path) -> None:
    path = tmp_path / ("x" * 250 + ".json")
    write_whole(path, b"x", force=False)
    assert path.read_bytes() == b"x"
    with pytest.raises(DefectscanError, match="cannot be written"):
        write_whole(tmp_path / ("x" * 300), b"x", force=False)


def test_others_may_read_it(tmp_path: Path) -> None:
    ordinary, written = tmp_path / "ordinary", tmp_path / "written"
    ordinary.write_bytes(b"x")
    write_whole(written, b"x", force=False)
    assert written.stat().st_mode == ordinary.stat().st_mode


def test_check_free(tmp_path: Path) -> None:
    there, new = tmp_path / "there.json", tmp_path / "new" / "report.html"
    there.touch()
    check_free([], force=False)
    check_free([new, tmp_path / "b.json"], force=False)
    check_free([there, str(new)], force=True)
    with pytest.raises(OutputExistsError, match=r"there\.json"):
        check_free([new, there], force=False)
    assert names_in(tmp_path) == ["there.json"]


def test_one_file_for_two_outputs(tmp_path: Path) -> None:
    twice = [tmp_path / "a.json", tmp_path / "b" / ".." / "a.json"]
    with pytest.raises(DefectscanError, match="named for two outputs"):
        check_free(twice, force=True)


def test_check_free_without_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(DefectscanError, match="not a folder that can be written to"):
        check_free([tmp_path / "a.json"], force=False)


def test_check_free_on_a_drive_that_is_not_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Path, "exists", lambda *_, **__: False)
    with pytest.raises(DefectscanError, match="is not there"):
        check_free([tmp_path / "a.json"], force=False)


def test_odd_names_stay_on_one_line(tmp_path: Path) -> None:
    (tmp_path / "two\nlines").touch()
    with pytest.raises(OutputExistsError) as raised:
        check_free([tmp_path / "two\nlines"], force=False)
    assert str(raised.value).isprintable()


class Kind(enum.StrEnum):
    SWIRL = "swirl"


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    value: float
    low: float | None = None
    high: float = math.inf


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (Estimate(value=np.float64(0.1)), {"value": 0.1, "low": None, "high": None}),
        ([math.nan, math.inf, -math.inf, np.nan, np.float32("nan")], [None] * 5),
        (np.array([[1.5, np.nan], [np.inf, 2]]), [[1.5, None], [None, 2.0]]),
        (np.float32(0.1), 0.10000000149011612),
        ((np.int64(3), np.uint8(4), np.bool_(True), True, None), [3, 4, True, True, None]),
        ({Kind.SWIRL: Estimate(value=1, high=2)}, {"swirl": {"value": 1, "low": None, "high": 2}}),
        ([Kind.SWIRL, Path("a") / "b.jpg"], ["swirl", str(Path("a") / "b.jpg")]),
        (dt.date(2026, 2, 3), "2026-02-03"),
        (dt.datetime(2026, 2, 3, 4, 5, tzinfo=dt.UTC), "2026-02-03T04:05:00+00:00"),
        ({"deep": [{"deeper": (Estimate(value=-0.0),)}]}, None),
        (np.zeros((0, 2)), []),
        (np.str_("text"), "text"),
    ],
)
def test_to_json(value: Any, expected: Any) -> None:
    text = to_json(value)
    assert text.endswith("\n")
    assert text.isascii()
    read = json.loads(text, parse_constant=pytest.fail)
    if expected is not None or value is None:
        assert read == expected
    else:
        assert read == {"deep": [{"deeper": [{"value": -0.0, "low": None, "high": None}]}]}


@given(st.floats())
def test_numbers_come_back_exactly(number: float) -> None:
    for value in (number, np.float64(number)):
        read = json.loads(to_json(value))
        assert read == number if math.isfinite(number) else read is None


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.text(),
        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
        max_leaves=10,
    )
)
def test_plain_values_come_back(value: Any) -> None:
    assert json.loads(to_json(value)) == value


def test_names_that_are_not_text() -> None:
    # a file name of bytes that are no UTF-8, as Python hands it on
    assert json.loads(to_json(os.fsdecode(b"Lack\xff.jpg"))) == "Lack\udcff.jpg"


@pytest.mark.parametrize("value", [{1, 2}, 1j, object(), Estimate, b"bytes", np.complex128(1)])
def test_values_without_a_form(value: object) -> None:
    with pytest.raises(TypeError, match="no form in JSON"):
        to_json([value])
