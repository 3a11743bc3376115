"""A workshop's settings: read, or told in one short line what is wrong with them."""

import tracemalloc
from pathlib import Path

import pytest

from defectscan.errors import DefectscanError
from defectscan.judging.limits import JudgingLimits, judging_limits
from defectscan.settings_file import read_settings, wrong_setting
from defectscan.workshop.limits_file import workshop_limits


def test_no_file_says_nothing(tmp_path: Path) -> None:
    assert read_settings(tmp_path / "limits.toml") == {}
    assert judging_limits(tmp_path) == JudgingLimits()


@pytest.mark.parametrize(
    "data",
    [
        b"a = " + b"[" * 9000,
        b"\xff\xfe",
        b"a",
        b"a = 1\na = 2",
        b"#" * 10_001,
        b"a = " + b"9" * 5000,
        b"a." * 100_000 + b"b = 1",  # would take 40 GB
    ],
    ids=["deep", "not UTF-8", "no value", "twice", "long", "digits", "dots"],
)
def test_what_is_no_toml_is_refused(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "limits.toml").write_bytes(data)
    with pytest.raises(DefectscanError, match=r"limits\.toml cannot be read") as raised:
        read_settings(tmp_path / "limits.toml")
    assert "\n" not in str(raised.value)
    assert len(str(raised.value)) < 600


def test_a_long_dotted_name_takes_little_memory(tmp_path: Path) -> None:
    (tmp_path / "limits.toml").write_bytes(b"a." * 4990 + b"b = 1")
    tracemalloc.start()
    try:
        read_settings(tmp_path / "limits.toml")
        assert tracemalloc.get_traced_memory()[1] < 300_000_000
    finally:
        tracemalloc.stop()


def test_a_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DefectscanError, match="cannot be read"):
        read_settings(tmp_path)


@pytest.mark.parametrize(
    "line",
    [
        "1" + "0" * 400,
        "nan",
        "inf",
        "-1",
        "0",
        "true",
        '"""two\nlines"""',
        "[1" + ", 1" * 1000 + "]",
    ],
    ids=lambda line: line[:12],
)
def test_wrong_limits_are_refused_in_one_short_line(tmp_path: Path, line: str) -> None:
    (tmp_path / "limits.toml").write_text(f"reserve_um = {line}")
    (tmp_path / "judging_limits.toml").write_text(f"kappa = {line}")
    for read in (lambda: workshop_limits(tmp_path, {}), lambda: judging_limits(tmp_path)):
        with pytest.raises(DefectscanError, match=r"says |over 10000 bytes") as raised:
            read()
        assert "\n" not in str(raised.value)
        assert len(str(raised.value)) < 600


def test_a_name_cannot_break_the_line() -> None:
    told = str(wrong_setting(Path("limits.toml"), "two\nlines", "x" * 5000, allowed="numbers"))
    assert told.startswith("limits.toml says 'two\\nlines' = 'xxx")
    assert len(told) < 200
