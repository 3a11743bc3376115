"""The command: what it prints and writes, and its exit status."""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader

from defectscan.report import pdf
from defectscan.report.page import Page
from defectscan.report.record import files
from defectscan.report.words import CAUTION
from defectscan.version import __version__
from tests.conftest import RenderedPhotos, Run

pytestmark = pytest.mark.usefixtures("looked_at_once")

SCALE = ("--mm-per-px", "0.1")


def test_version(run: Run) -> None:
    told = run("--version")
    assert (told.status, told.out, told.err) == (0, f"{__version__}\n", "")


def test_help_names_the_commands(run: Run) -> None:
    told = run("--help")
    assert told.status == 0
    for command in ("check", "score", "compare", "render"):
        assert command in told.out
    for command in ("score", "compare"):
        told = run(command, "--help")
        assert told.status == 0
        for option in ("--mm-per-px", "--json", "--out", "--as-seen", "--seed", "--force"):
            assert option in told.out
    assert "--lines" in run("score", "--help").out


def test_score_in_words(run: Run, photos: RenderedPhotos) -> None:
    told = run("score", photos.first_before, *SCALE)
    assert (told.status, told.err) == (0, "")
    assert told.out.startswith("Line density ")
    assert "mm/cm²" in told.out


def test_score_as_json_on_standard_output(run: Run, photos: RenderedPhotos) -> None:
    told = run("score", photos.first_before, *SCALE, "--json", "-")
    assert (told.status, told.err) == (0, "")
    record = json.loads(told.out)
    assert record["format"] == "defectscan.score/1"
    again = run("score", photos.first_before, *SCALE, "--json", "-", "--seed", "0")
    assert again.out == told.out


def test_score_of_several_photos_and_of_a_folder(run: Run, photos: RenderedPhotos) -> None:
    files = [photos.before / "1.jpg", photos.before / "2.jpg"]
    listed = run("score", *files, *SCALE, "--json", "-")
    folder = run("score", photos.before, *SCALE, "--json", "-")
    assert listed.status == folder.status == 0
    assert listed.out == folder.out
    assert [shot["file"] for shot in json.loads(folder.out)["shots"]] == ["1.jpg", "2.jpg"]


def test_score_writes_json_lines_and_report(
    run: Run, photos: RenderedPhotos, tmp_path: Path
) -> None:
    lines, out = tmp_path / "lines.png", tmp_path / "report"
    record = tmp_path / "score.json"
    told = run(
        "score", photos.first_before, *SCALE, "--json", record, "--lines", lines, "--out", out,
        "--title", "Bonnet",
    )  # fmt: skip
    assert (told.status, told.err) == (0, "")
    assert told.out.startswith("Line density ")
    assert sorted(p.name for p in out.iterdir()) == sorted(files())
    assert json.loads(record.read_text()) == json.loads((out / "result.json").read_text())
    mask = np.asarray(Image.open(lines))
    assert mask.shape == (750, 1000)
    assert set(np.unique(mask)) == {0, 255}
    assert "Bonnet" in (out / "report.html").read_text(encoding="utf-8")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["lines.png", "report", "score.json"]


def test_compare(run: Run, photos: RenderedPhotos, tmp_path: Path) -> None:
    out = tmp_path / "report"
    told = run("compare", photos.first_before, photos.first_after, *SCALE, "--out", out)
    assert (told.status, told.err) == (0, "")
    assert told.out.startswith("Correction ")
    assert CAUTION in told.out
    assert sorted(p.name for p in out.iterdir()) == sorted(files())
    record = json.loads((out / "result.json").read_text())
    assert record["format"] == "defectscan.comparison/1"
    assert record["correction_percent"]["low"] < record["correction_percent"]["high"]


def test_a_report_of_several_shots_is_written_by_the_other_process(
    run: Run, photos: RenderedPhotos, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def here(page: Page) -> bytes:
        pytest.fail(f"the PDF of {page.title} was to be written here")

    monkeypatch.setattr(pdf, "page_pdf", here)
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    out = tmp_path / "report"
    told = run("compare", photos.before, photos.after, *SCALE, "--out", out)
    assert (told.status, told.err) == (0, "")
    text = "".join(page.extract_text() for page in PdfReader(out / "report.pdf").pages)
    assert "Ground covered" in text


def test_compare_as_seen_as_json(run: Run, photos: RenderedPhotos) -> None:
    told = run("compare", photos.first_before, photos.first_after, "--as-seen", "--json", "-")
    assert (told.status, told.err) == (0, "")
    record = json.loads(told.out)
    assert record["before"]["as_seen"]
    assert record["before"]["line_density_mm_per_cm2"] is None


@pytest.mark.parametrize("option", ["--json", "--out", "--lines"])
def test_nothing_is_written_over_without_force(
    option: str, run: Run, photos: RenderedPhotos, tmp_path: Path
) -> None:
    target = tmp_path / ("report" if option == "--out" else "file")
    old = target / "report.pdf" if option == "--out" else target
    old.parent.mkdir(exist_ok=True)
    old.write_text("old")
    arguments = ("score", photos.first_before, *SCALE, option, target)
    told = run(*arguments)
    assert told.status == 1
    assert told.out == ""
    assert "is there already" in told.err
    assert "--force" in told.err
    assert told.err.count("\n") == 1
    assert old.read_text() == "old"
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == [old]
    forced = run(*arguments, "--force")
    assert (forced.status, forced.err) == (0, "")
    assert old.read_bytes() != b"old"


def test_no_picture_is_written_into_a_folder_of_shots(
    run: Run, photos: RenderedPhotos, tmp_path: Path
) -> None:
    shot = tmp_path / "shot.jpg"
    shot.write_bytes(photos.first_before.read_bytes())
    for words in (
        ("score", tmp_path, "--out", tmp_path),
        ("score", tmp_path, "--lines", tmp_path / "lines.png"),
        ("compare", photos.first_before, tmp_path, "--out", tmp_path / ".." / tmp_path.name),
    ):
        told = run(*words, *SCALE)
        assert (told.status, told.out, told.err.count("\n")) == (1, "", 1)
        assert f"{tmp_path}, a folder of photos" in told.err
        assert "choose another folder" in told.err
    assert list(tmp_path.iterdir()) == [shot]


def test_two_outputs_to_one_file_are_refused(
    run: Run, photos: RenderedPhotos, tmp_path: Path
) -> None:
    told = run("score", photos.first_before, "--json", tmp_path / "x", "--lines", tmp_path / "x")
    assert told.status == 1
    assert "named for two outputs" in told.err
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("measure",),
        ("score",),
        ("compare", "one.jpg"),
        ("compare", "one.jpg", "two.jpg", "three.jpg"),
        ("score", "one.jpg", "--mm-per-px", "0"),
        ("score", "one.jpg", "--mm-per-px", "-1"),
        ("score", "one.jpg", "--mm-per-px", "wide"),
        ("score", "one.jpg", "--mm-per-px", "nan"),
        ("score", "one.jpg", "--seed", "-1"),
        ("score", "one.jpg", "--colour"),
        ("compare", "one.jpg", "two.jpg", "--lines", "lines.png"),
        ("score", "one.jpg", "--json"),
    ],
    ids=" ".join,
)
def test_wrong_usage(arguments: tuple[str, ...], run: Run) -> None:
    told = run(*arguments)
    assert told.status == 2
    assert "Traceback" not in told.out + told.err


def test_as_a_process(photos: RenderedPhotos, tmp_path: Path) -> None:
    call = [sys.executable, "-W", "error", "-c", "from defectscan.cli.main import run; run()"]
    out = tmp_path / "score.json"
    arguments = ["score", str(photos.first_before), *SCALE, "--json", str(out)]
    done = subprocess.run([*call, *arguments], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("Line density")
    assert json.loads(out.read_text())["format"] == "defectscan.score/1"
    again = subprocess.run([*call, *arguments], capture_output=True, text=True, check=False)
    assert again.returncode == 1
    assert again.stdout == ""
    assert again.stderr.count("\n") == 1
    assert "Traceback" not in again.stderr
