"""`defectscan split`: figures as words, JSON and a picture; errors in one line."""

import json
from pathlib import Path

import pytest
from PIL import Image

from tests.conftest import Run
from tests.half_polished import HEIGHT_PX, WIDTH_PX, half_polished


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("split") / "half.png"
    path.write_bytes(half_polished().png)
    return path


def test_words_json_and_picture(run: Run, photo: Path, tmp_path: Path) -> None:
    out, record_path = tmp_path / "new" / "out", tmp_path / "figures.json"
    told = run(
        "split", photo, "--polished", "right", "--mm-per-px", "0.1",
        "--out", out, "--json", record_path,
    )  # fmt: skip
    assert (told.status, told.err) == (0, "")
    rows = told.out.splitlines()
    assert [row.split()[0] for row in rows[:3]] == ["Correction", "Untouched", "Polished"]
    assert rows[2].endswith("(right)")
    assert "film thickness" in rows[-1]
    record = json.loads(record_path.read_text())
    assert record == json.loads((out / "split.json").read_text())
    assert record["format"] == "defectscan.split/1"
    percent = record["correction_percent"]
    assert percent["low"] < half_polished().true_percent < percent["high"]
    assert (record["untouched"], record["polished"]) == ("left", "right")
    assert record["polished_is_guessed"] is False
    assert record["line"]["found"] is True
    for x, y in record["line"]["ends_px"]:
        assert abs(x - WIDTH_PX / 2) < 4
        assert min(abs(y), abs(y - HEIGHT_PX + 1)) < 1
    assert len(record["direction_weights"]) == 6
    for state in ("before", "after"):
        assert record[state]["format"] == "defectscan.score/1"
        assert record[state]["line_density_mm_per_cm2"]["value"] > 0
    assert "one_photo" in {flag["name"] for flag in record["flags"]}
    assert {file.name for file in out.iterdir()} == {"split.jpg", "split.json"}
    with Image.open(out / "split.jpg") as picture:
        picture.load()
    again = run("split", photo, "--out", out)
    assert again.status == 1
    assert "--force" in again.err


def test_a_guess_is_said_and_json_alone_goes_to_standard_output(run: Run, photo: Path) -> None:
    told = run("split", photo, "--json", "-")
    assert told.status == 0
    record = json.loads(told.out)
    assert record["polished_is_guessed"] is True
    assert record["polished"] == "right"
    assert "polished_half_guessed" in {flag["name"] for flag in record["flags"]}
    assert record["before"]["line_density_mm_per_cm2"] is None


@pytest.mark.parametrize(
    "options",
    [
        ("--line", "5000,0,5000,100"),
        ("--line", "10,10,10,10"),
        ("--line", "1e308,0,-1e308,100"),
        ("--line", "500,500,1e200,0"),
        ("--polished", "below"),
    ],
)
def test_one_line_for_what_cannot_be_measured(
    run: Run, photo: Path, options: tuple[str, str]
) -> None:
    told = run("split", photo, *options)
    assert (told.status, told.out, told.err.count("\n")) == (1, "", 1)
    assert "half.png" in told.err


@pytest.mark.parametrize("line", ["1,2,3", "a,b,c,d", "1,2,3,nan", "1,2,3,inf", ""])
def test_a_line_that_is_none_is_wrong_usage(run: Run, photo: Path, line: str) -> None:
    told = run("split", photo, "--line", line)
    assert (told.status, told.out) == (2, "")
    assert "Traceback" not in told.err


def test_a_missing_photo_is_one_line(run: Run, tmp_path: Path) -> None:
    told = run("split", tmp_path / "lost.jpg")
    assert (told.status, told.out, told.err.count("\n")) == (1, "", 1)
