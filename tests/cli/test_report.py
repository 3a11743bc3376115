"""`defectscan report`: one report of a job's panels, whatever becomes of one of them."""

import json
from pathlib import Path

import pytest

from tests.conftest import RenderedPhotos, Run

pytestmark = pytest.mark.usefixtures("looked_at_once")


@pytest.fixture
def job(photos: RenderedPhotos, tmp_path: Path) -> Path:
    """Write a job of two panels, one of them with photos that show nothing."""
    folder = tmp_path / "job"
    folder.mkdir()
    panels = [
        {"title": "Tank", "before": "nothing.jpg", "after": "after.jpg", "mm_per_px": 0.1},
        {"title": "Fairing\u202e", "before": "before.jpg", "after": "after.jpg", "mm_per_px": 0.1},
    ]
    (folder / "before.jpg").write_bytes(photos.first_before.read_bytes())
    (folder / "after.jpg").write_bytes(photos.first_after.read_bytes())
    (folder / "nothing.jpg").write_bytes(b"nothing")
    (folder / "job.json").write_text(json.dumps({"title": "Invented", "panels": panels}))
    return folder


def test_a_panel_that_fails_is_named_and_costs_itself_alone(
    run: Run, job: Path, tmp_path: Path
) -> None:
    told = run("report", job, "--out", tmp_path / "out")
    assert told.status == 1
    assert told.out.startswith("'Fairing\\u202e'\nCorrection ")
    assert told.out.endswith(f"Report: {tmp_path / 'out' / 'report.html'}\n")
    (line,) = told.err.splitlines()
    assert line.startswith("Tank: ")
    assert "nothing.jpg is no photo" in line
    first, second = json.loads((tmp_path / "out" / "result.json").read_text())["panels"]
    assert (first["title"], list(first)) == ("Tank", ["title", "error"])
    assert (second["title"], second["format"]) == ("Fairing\u202e", "defectscan.comparison/1")
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "<strong>Not measured</strong> Tank: nothing.jpg is no photo" in page
    assert "\u202e" not in page
    # The overlay has the number that its panel has in job.json and in the JSON.
    assert [path.name for path in (tmp_path / "out").glob("overlay*")] == ["overlay_2.jpg"]


def test_a_job_of_which_nothing_can_be_measured(run: Run, job: Path, tmp_path: Path) -> None:
    (job / "after.jpg").write_bytes(b"nothing, too")
    told = run("report", job, "--out", tmp_path / "out")
    assert (told.status, told.out) == (1, "")
    assert [line.split(":")[0] for line in told.err.splitlines()] == ["Tank", "'Fairing\\u202e'"]
    assert not (tmp_path / "out").exists()
