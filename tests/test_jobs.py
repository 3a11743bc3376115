"""job.json: what it says is read, or told in one line what is wrong with it."""

import json
from pathlib import Path
from typing import Any

import pytest

from defectscan.errors import UnreadablePhotoError
from defectscan.jobs import read_job

PANEL = {"title": "Tank", "before": "before.jpg", "after": "after", "mm_per_px": 0.2}


def written(folder: Path, told: Any) -> Path:
    text = told if isinstance(told, str) else json.dumps(told)
    (folder / "job.json").write_text(text, encoding="utf-8")
    return folder


def test_panels_are_read(tmp_path: Path) -> None:
    told = {"title": "Van, invented", "panels": [PANEL, {**PANEL, "mm_per_px": None}]}
    job = read_job(written(tmp_path, told))
    assert (job.title, job.subtitle) == ("Van, invented", "")
    assert [panel.mm_per_px for panel in job.panels] == [0.2, None]
    assert job.panels[0].after == tmp_path / "after"
    unnamed = read_job(written(tmp_path, {"panels": [PANEL]}))
    assert unnamed.title == tmp_path.name.replace("_", " ").capitalize()


@pytest.mark.parametrize(
    "told",
    [
        "[" * 100_000,
        '{"panels":' * 100_000,
        {"panels": []},
        {"panels": [PANEL] * 5001},
        {"panels": {"title": "Tank"}},
        {"panels": None},
        [],
        {"title": 5, "panels": [PANEL]},
        {"panels": [{**PANEL, "title": None}]},
        {"panels": [{**PANEL, "before": ["before.jpg"]}]},
        {"panels": [{**PANEL, "mm_per_px": float("nan")}]},
        {"panels": [{**PANEL, "mm_per_px": float("inf")}]},
        {"panels": [{**PANEL, "mm_per_px": -0.1}]},
        {"panels": [{**PANEL, "mm_per_px": "0.1"}]},
        {"panels": [{**PANEL, "mm_per_px": True}]},
        {"panels": [{**PANEL, "mm_per_px": 10**400}]},
        '{"panels": [{"mm_per_px": ' + "9" * 5000 + "}]}",
    ],
    ids=lambda told: str(told)[:40],
)
def test_what_says_something_else_is_refused_in_one_line(tmp_path: Path, told: Any) -> None:
    with pytest.raises(UnreadablePhotoError, match=r"job\.json: ") as raised:
        read_job(written(tmp_path, told))
    assert "\n" not in str(raised.value)
    assert len(str(raised.value)) < 1000


def test_halves_of_letters_can_be_written(tmp_path: Path) -> None:
    job = read_job(written(tmp_path, {"title": "a\ud800", "panels": [PANEL]}))
    assert job.title.encode() == b"a\\ud800"
