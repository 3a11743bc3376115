"""`defectscan check`: what it says of photos, its JSON and its exit status."""

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import ExifTags, Image, ImageFilter

from defectscan.cli import check_words
from defectscan.cli.check import _picture_names
from defectscan.flags import Flag
from defectscan.report import check_picture
from defectscan.version import __version__
from tests.drawn_card import laid_on

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


def test_a_scale_card_is_told(run: Run, photos: Any, tmp_path: Path) -> None:
    path = tmp_path / "card.png"
    with Image.open(photos.first_before) as image:
        picture = Image.fromarray(laid_on(np.asarray(image), mm_per_px=0.28))
        picture.save(path, compress_level=1)
    outcome = run("check", path, "--json", "-")
    scale = json.loads(outcome.out)["photos"][0]["scale"]
    assert scale["mm_per_px"] == pytest.approx(0.28, rel=0.01)
    assert 0 < scale["relative_standard_error"] < 0.01
    assert scale["tilt_deg"] < 3
    # A ruler that measures 194 mm: printed too small.
    told = run("check", path, "--card-mm", "194").out
    assert "  scale card: 0.27" in told
    assert "Print the card again" in told


@pytest.mark.parametrize(
    ("tag", "value", "flag"),
    [
        (ExifTags.Base.SceneCaptureType, 3, Flag.MERGED),
        (ExifTags.Base.CustomRendered, 8, Flag.PORTRAIT),
        (ExifTags.Base.DigitalZoomRatio, 2.0, Flag.ZOOMED),
        (ExifTags.Base.Sharpness, 2, Flag.SHARPENED),
    ],
)
def test_what_the_camera_made_of_it_is_told_at_the_car(
    run: Run, photos: Any, tmp_path: Path, tag: int, value: float, flag: Flag
) -> None:
    path, out = tmp_path / "door.jpg", tmp_path / "out"
    with Image.open(photos.first_before) as image:
        exif = image.getexif()
        exif.get_ifd(ExifTags.IFD.Exif)[tag] = value
        image.save(path, quality=98, exif=exif)
    outcome = run("check", path, photos.first_before, "--out", out)
    told = f"{flag.text} {flag.advice}"
    assert outcome.status == 0
    assert outcome.out.splitlines() == [
        "door.jpg: can be measured", f"- {told}", "1.jpg: can be measured",
    ]  # fmt: skip
    record, other = json.loads((out / "check.json").read_text())["photos"]
    assert [one["name"] for one in record["flags"]] == [flag.name.lower()]
    assert record["advice"] == [told]
    assert (other["flags"], other["advice"]) == ([], [])
    heights = []
    for one in (record, other):
        with Image.open(out / one["picture"]) as image:
            heights.append(image.height)
    assert heights[0] > heights[1]


def test_terminal_record_and_picture_give_the_same_advice(
    run: Run, photos: Any, blurred: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    card = tmp_path / "card.png"
    with Image.open(photos.first_before) as image:
        Image.fromarray(laid_on(np.asarray(image), mm_per_px=0.28)).save(card, compress_level=1)
    written: list[list[str]] = []
    draw = check_picture.draw_check

    def drawn(*what: Any, faults: Any, others: Any, **how: Any) -> bytes:
        written.append([*(f"{one.text} {one.advice}" for one in faults), *others])
        return draw(*what, faults=faults, others=others, **how)

    monkeypatch.setattr(check_picture, "draw_check", drawn)
    for file in (card, blurred):
        outcome = run(
            "check", file, "--card-mm", "194", "--like", photos.first_after,
            "--out", tmp_path / f"out_{file.stem}",
        )  # fmt: skip
        record = json.loads((tmp_path / f"out_{file.stem}" / "check.json").read_text())
        said = [line[2:] for line in outcome.out.splitlines() if line.startswith("- ")]
        assert said == record["photos"][0]["advice"] == written.pop()
        assert 1 <= len(said) <= 3


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
    assert list(record) == ["format", "version", "like", "photos"]
    assert record["like"] is None
    assert (record["format"], record["version"]) == ("defectscan.check/1", __version__)
    good, bad = record["photos"]
    assert (good["file"], good["measurable"]) == ("1.jpg", True)
    assert good["sha256"] == hashlib.sha256(photos.first_before.read_bytes()).hexdigest()
    assert (bad["file"], bad["measurable"]) == ("blurred.jpg", False)
    for photo in (good, bad):
        assert {frozenset(condition) for condition in photo["conditions"]} == {frozenset(CONDITION)}
    assert bad["conditions"][0]["name"] == "blur"
    assert bad["conditions"][0]["value"] > bad["conditions"][0]["limit"]
    truth = photos.states[0].shots[0].highlight_xy_px
    (spot,) = good["highlights"]
    assert np.hypot(spot["x_px"] - truth[0], spot["y_px"] - truth[1]) < spot["radius_px"]
    assert spot["bloom_px"] > spot["radius_px"] > 3
    assert (good["repeat"], good["picture"]) == (None, None)
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


def test_the_scale_says_nothing_of_photos_of_another_size(
    run: Run, photos: Any, tmp_path: Path
) -> None:
    reduced, broken = tmp_path / "reduced.png", tmp_path / "broken.jpg"
    with Image.open(photos.first_before) as image:
        image.resize((image.width * 3 // 4, image.height * 3 // 4)).save(reduced)
    broken.write_bytes(b"no photo")
    outcome = run(
        "check", broken, photos.first_before, reduced, photos.first_after, "--mm-per-px", "0.1",
        "--json", "-",
    )  # fmt: skip
    records = json.loads(outcome.out)["photos"][1:]
    told = [{one["name"]: one for one in photo["conditions"]} for photo in records]
    assert [one["resolution"]["value"] for one in told] == [10.0, None, 10.0]
    assert "not known" in told[1]["resolution"]["text"]
    assert ["another size" in " ".join(one["advice"]) for one in records] == [False, True, False]
    without = json.loads(run("check", reduced, "--json", "-").out)["photos"][0]["conditions"]
    assert list(told[1].values()) == without
    # Alone, it is the photo that the scale is stated for.
    (alone,) = json.loads(run("check", reduced, "--mm-per-px", "0.1", "--json", "-").out)["photos"]
    judged = next(one for one in alone["conditions"] if one["name"] == "resolution")
    assert judged["value"] == pytest.approx(10)


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


def test_a_missing_path_does_not_hide_the_others(run: Run, photos: Any, tmp_path: Path) -> None:
    outcome = run("check", tmp_path, photos.first_before, tmp_path / "no.jpg", "--json", "-")
    assert outcome.status == 1
    assert outcome.err.count("\n") == 2
    empty, good, missing = json.loads(outcome.out)["photos"]
    assert "holds no photo" in empty["error"]
    assert good["measurable"]
    assert "no.jpg is not there" in missing["error"]


def test_a_run_that_was_stopped_goes_on(
    run: Run, photos: Any, blurred: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = run("check", photos.before, blurred, "--out", tmp_path / "whole")
    looked: list[str] = []
    look = check_words.tell

    def stopped(file: Path, **how: Any) -> check_words.Told:
        looked.append(file.name)
        if file == blurred and len(looked) <= 3:
            raise KeyboardInterrupt
        return look(file, **how)

    monkeypatch.setattr(check_words, "tell", stopped)
    out = tmp_path / "out"
    assert run("check", photos.before, blurred, "--out", out).status != 0
    assert sorted(path.name for path in out.iterdir()) == [
        "1_check.jpg", "2_check.jpg", "check.unfinished",
    ]  # fmt: skip
    again = run("check", photos.before, blurred, "--out", out)
    assert sorted(looked) == ["1.jpg", "2.jpg", "blurred.jpg", "blurred.jpg"]
    assert (again.status, again.out) == (whole.status, whole.out)
    assert {path.name for path in out.iterdir()} == {p.name for p in (tmp_path / "whole").iterdir()}
    for path in out.iterdir():
        assert path.read_bytes() == (tmp_path / "whole" / path.name).read_bytes()


@pytest.mark.parametrize("over_old", [False, True])
def test_a_run_that_was_stopped_between_note_and_picture_goes_on(
    run: Run, photos: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, over_old: bool
) -> None:
    whole, out = tmp_path / "whole", tmp_path / "out"
    run("check", photos.first_before, "--out", whole)
    force = ["--force"] if over_old else []
    if over_old:
        out.mkdir()
        (out / "1_check.jpg").write_bytes(b"an older picture")

    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    for place in ("defectscan.unfinished.Unfinished.keep", "defectscan.output.write_whole"):
        with monkeypatch.context() as patch:
            patch.setattr(place, stopped)
            assert run("check", photos.first_before, "--out", out, *force).status != 0
    again = run("check", photos.first_before, "--out", out, *force)
    assert (again.status, again.err) == (0, "")
    assert {path.name for path in out.iterdir()} == {path.name for path in whole.iterdir()}
    for path in out.iterdir():
        assert path.read_bytes() == (whole / path.name).read_bytes()


def test_like_tells_how_to_stand(run: Run, photos: Any, tmp_path: Path) -> None:
    path = tmp_path / "check.json"
    same = run(
        "check", photos.first_before, photos.first_after, "--like", photos.first_before,
        "--json", path,
    )  # fmt: skip
    assert (same.status, same.err) == (0, "")
    name, covered, *rest = same.out.splitlines()
    assert name == f"{photos.first_before}: can be measured"
    assert covered == (
        "  100 % of the ground in the before photo is in this picture. You stand as before."
    )
    # Both are called 1.jpg.
    assert rest[0] == f"{photos.first_after}: can be measured"
    assert 1 <= len([line for line in rest if line.startswith("- ")]) <= 3
    record = json.loads(path.read_text())
    assert record["like"] == "1.jpg"
    paths = [str(photos.first_before), str(photos.first_after)]
    assert [photo["path"] for photo in record["photos"]] == paths
    assert [photo["file"] for photo in record["photos"]] == ["1.jpg", "1.jpg"]
    first, second = (photo["repeat"] for photo in record["photos"])
    assert (first["covered_percent"], first["registered"]) == (100, True)
    assert all(step["ok"] for step in first["steps"])
    assert second["registered"]
    assert 50 < second["covered_percent"] < 100
    before, after = (state.shots[0].scene.camera for state in photos.states)
    nearer = np.linalg.norm(after.position_mm) / np.linalg.norm(before.position_mm)
    distance = next(step for step in second["steps"] if step["name"] == "distance")
    assert distance["value"] == pytest.approx(100 * (nearer - 1), abs=1.5)


def test_faults_come_before_how_to_stand(run: Run, photos: Any, blurred: Path) -> None:
    outcome = run("check", blurred, "--like", photos.first_after)
    assert outcome.status == 1
    advice = [line for line in outcome.out.splitlines() if line.startswith("- ")]
    assert advice[0].startswith("- Blurred")
    assert len(advice) <= 3


def test_an_unreadable_photo_to_repeat_is_one_line(run: Run, photos: Any, tmp_path: Path) -> None:
    outcome = run("check", photos.first_before, "--like", tmp_path / "lost.jpg")
    assert outcome.status == 1
    assert outcome.out == "1.jpg: can be measured\n"
    assert outcome.err.startswith("--like ")
    assert outcome.err.count("\n") == 1


def test_out_holds_a_picture_of_each_photo(
    run: Run, photos: Any, blurred: Path, tmp_path: Path
) -> None:
    out = tmp_path / "new" / "out"
    lost = tmp_path / "lost.jpg"
    files = [photos.first_before, lost, blurred, photos.first_after]
    assert run("check", *files, "--out", out).status == 1
    assert {file.name for file in out.iterdir()} == {
        "1_1_check.jpg", "blurred_check.jpg", "4_1_check.jpg", "check.json",
    }  # fmt: skip
    record = json.loads((out / "check.json").read_text())
    pictures = [photo["picture"] for photo in record["photos"]]
    assert pictures == ["1_1_check.jpg", None, "blurred_check.jpg", "4_1_check.jpg"]
    for name in filter(None, pictures):
        with Image.open(out / name) as image:
            image.load()
            assert image.width == 1080
    again = run("check", photos.first_before, photos.first_after, "--out", out)
    assert again.status == 1
    assert "--force" in again.err
    assert run("check", photos.first_before, "--out", out, "--force").status == 0


def test_each_photo_has_a_picture_of_its_own() -> None:
    for names, pictures in (
        (["a.jpg", "b.jpg"], ["a_check.jpg", "b_check.jpg"]),
        (["a.jpg", "a.png", "b.jpg"], ["1_a_check.jpg", "2_a_check.jpg", "b_check.jpg"]),
        (["2_a.jpg", "a.jpg", "a.png"], ["1_2_a_check.jpg", "2_a_check.jpg", "3_a_check.jpg"]),
        (["A.JPG", "a.jpg"], ["1_A_check.jpg", "2_a_check.jpg"]),
    ):
        assert _picture_names([(Path(name), None) for name in names]) == pictures


@pytest.mark.parametrize("named", ["file", "folder", "like"])
def test_no_picture_is_written_beside_photos(
    run: Run, photos: Any, tmp_path: Path, named: str
) -> None:
    mine = tmp_path / "mine"
    mine.mkdir()
    photo = mine / "door.jpg"
    photo.write_bytes(photos.first_before.read_bytes())
    asked = {
        "file": [photo],
        "folder": [mine],
        "like": [photos.first_after, "--like", photo],
    }[named]
    (tmp_path / "link").symlink_to(mine)
    for out in (mine, mine / ".." / "mine", tmp_path / "link"):
        outcome = run("check", *asked, "--out", out)
        assert (outcome.status, outcome.out, outcome.err.count("\n")) == (1, "", 1)
        assert "a folder of photos" in outcome.err
        assert "choose another folder" in outcome.err
    assert list(mine.iterdir()) == [photo]


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
