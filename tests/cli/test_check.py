"""`defectscan check`: what it says of photos, its JSON and its exit status."""

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from PIL import Image, ImageFilter

from defectscan.version import __version__

Run = Callable[..., Any]
CONDITION = {"name", "value", "limit", "unit", "ok", "text", "advice"}


@pytest.fixture(scope="session")
def blurred(photos: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Blur a good photo."""
    path = tmp_path_factory.mktemp("blurred") / "blurred.jpg"
    with Image.open(photos.first_before) as image:
        image.filter(ImageFilter.GaussianBlur(4)).save(path, quality=92)
    return path


def test_a_good_photo_can_be_measured(run: Run, photos: Any) -> None:
    outcome = run("check", photos.first_before, "--mm-per-px", "0.1")
    assert outcome.out == "1.jpg: can be measured\n"
    assert (outcome.status, outcome.err) == (0, "")


def test_a_fault_is_named_with_its_remedy(run: Run, blurred: Path) -> None:
    outcome = run("check", blurred)
    assert (outcome.status, outcome.err) == (1, "")
    name, worst, *rest = outcome.out.splitlines()
    assert name == "blurred.jpg: cannot be measured as it is"
    assert worst.startswith("- Blurred: thin lines spread by ")
    assert "at most 1.5 px" in worst
    assert "focus" in worst
    assert len(rest) <= 2


def test_every_photo_of_a_folder_is_checked(run: Run, photos: Any, blurred: Path) -> None:
    outcome = run("check", photos.before, blurred)
    lines = [line for line in outcome.out.splitlines() if not line.startswith("- ")]
    assert lines == [
        "1.jpg: can be measured",
        "2.jpg: can be measured",
        "blurred.jpg: cannot be measured as it is",
    ]
    assert outcome.status == 1


def test_json_holds_all_conditions(run: Run, photos: Any, blurred: Path, tmp_path: Path) -> None:
    path = tmp_path / "check.json"
    outcome = run("check", photos.first_before, blurred, "--json", path)
    assert outcome.status == 1
    record = json.loads(path.read_text())
    assert list(record) == ["format", "version", "photos"]
    assert (record["format"], record["version"]) == ("defectscan.check/1", __version__)
    good, bad = record["photos"]
    assert (good["file"], good["measurable"]) == ("1.jpg", True)
    assert good["sha256"] == hashlib.sha256(photos.first_before.read_bytes()).hexdigest()
    assert (bad["file"], bad["measurable"]) == ("blurred.jpg", False)
    for photo in (good, bad):
        assert {frozenset(condition) for condition in photo["conditions"]} == {frozenset(CONDITION)}
    assert bad["conditions"][0]["name"] == "blur"
    assert bad["conditions"][0]["value"] > bad["conditions"][0]["limit"]
    unknown = next(c for c in good["conditions"] if c["name"] == "resolution")
    assert (unknown["value"], unknown["ok"]) == (None, True)


def test_json_on_standard_output_stands_alone(run: Run, photos: Any) -> None:
    outcome = run("check", photos.first_before, "--json", "-")
    assert json.loads(outcome.out)["photos"][0]["measurable"] is True
    assert outcome.status == 0


def test_the_scale_tells_the_resolution(run: Run, photos: Any) -> None:
    outcome = run("check", photos.first_before, "--mm-per-px", "0.5")
    assert outcome.status == 1
    assert "- Only 2.0 pixels show a millimetre of paint" in outcome.out


def test_an_unreadable_photo_does_not_hide_the_others(
    run: Run, photos: Any, tmp_path: Path
) -> None:
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(photos.first_before.read_bytes()[:5000])
    outcome = run("check", broken, photos.first_before, "--json", tmp_path / "check.json")
    assert outcome.status == 1
    assert outcome.out == "1.jpg: can be measured\n"
    assert outcome.err.count("\n") == 1
    assert "broken.jpg" in outcome.err
    first, second = json.loads((tmp_path / "check.json").read_text())["photos"]
    assert (first["sha256"], first["measurable"], first["conditions"]) == (None, False, [])
    assert first["error"] == outcome.err.strip()
    assert (second["error"], second["measurable"]) == (None, True)


def test_nothing_to_check_is_one_line(run: Run, tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "missing.jpg"):
        outcome = run("check", path)
        assert (outcome.status, outcome.out, outcome.err.count("\n")) == (1, "", 1)
    assert run("check").status == 2


def test_nothing_is_written_over_without_force(run: Run, photos: Any, tmp_path: Path) -> None:
    path = tmp_path / "check.json"
    path.write_text("mine")
    outcome = run("check", photos.first_before, "--json", path)
    assert outcome.status == 1
    assert path.read_text() == "mine"
    assert "--force" in outcome.err
    assert run("check", photos.first_before, "--json", path, "--force").status == 0
    assert json.loads(path.read_text())["format"] == "defectscan.check/1"
