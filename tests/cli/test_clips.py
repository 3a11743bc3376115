"""Clips through the command: frames in the JSON, one line where a clip is bad."""

import hashlib
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from defectscan.imaging import clip as clips
from defectscan.imaging.capture import CaptureCheck
from defectscan.imaging.photo import Frame, Photo, read_photo
from defectscan.report import check_picture
from tests.conftest import RenderedPhotos, Run
from tests.drawn_clip import HEIGHT_PX, WIDTH_PX, painted, with_lamps, written


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a clip with the highlight at three places."""
    frames = (with_lamps(painted(marks=25), (120 + 110 * (k // 40), 130)) for k in range(120))
    return written(tmp_path_factory.mktemp("clip") / "door.mp4", frames)


def test_score_names_the_clip_and_its_frames_and_the_ground_they_cover(
    clip: Path, run: Run, tmp_path: Path
) -> None:
    record = tmp_path / "score.json"
    told = run("score", clip, "--mm-per-px", "0.2", "--json", record)
    assert (told.status, told.err) == (0, "")
    told = json.loads(record.read_text())
    assert "clip" in [flag["name"] for flag in told["flags"]]
    shots = told["shots"]
    assert [shot["file"] for shot in shots] == ["door.mp4"] * 3
    indices = [shot["frame"]["index"] for shot in shots]
    assert [index // 40 for index in indices] == [0, 1, 2]
    times = [shot["frame"]["time_s"] for shot in shots]
    assert times == pytest.approx([index / 30 for index in indices], abs=0.002)
    assert len({shot["sha256"] for shot in shots}) == 1
    covered = told["coverage"]
    assert covered["shots_laid"] + covered["shots_not_laid"] == 3
    one_photo_cm2 = WIDTH_PX * HEIGHT_PX * 0.2**2 / 100
    assert 0.5 * one_photo_cm2 < covered["area_cm2"] < 1.2 * one_photo_cm2


def test_a_clip_against_itself_is_noticed(run: Run, tmp_path: Path) -> None:
    frames = (with_lamps(painted(marks=25), (120 + 110 * (k // 20), 130)) for k in range(40))
    clip = written(tmp_path / "door.mp4", frames)
    told = run("compare", clip, clip, "--mm-per-px", "0.2", "--json", "-")
    assert told.status == 0
    result = json.loads(told.out)
    assert len(result["before"]["shots"]) == 2
    assert result["before"]["shots"] == result["after"]["shots"]
    assert all(one["residual_px"] == 0 for one in result["registration"][:1])
    assert "same_photo" in [flag["name"] for flag in result["flags"]]


@pytest.mark.parametrize(
    ("content", "suffix"),
    [
        ("photo", ".mp4"),
        ("clip", ".jpg"),
        ("clip", ".txt"),
        ("half", ".mp4"),
        ("half", ".jpg"),
        ("nothing", ".mp4"),
        ("nothing", ".avi"),
    ],
)
def test_what_is_no_good_clip_gives_one_line(
    content: str, suffix: str, clip: Path, run: Run, tmp_path: Path
) -> None:
    path = tmp_path / f"hood{suffix}"
    whole = clip.read_bytes()
    path.write_bytes({"clip": whole, "half": whole[: len(whole) // 2]}.get(content, b""))
    if content == "photo":
        Image.fromarray(with_lamps(painted(), (200, 130))).save(path, "PNG")
    told = run("score", path, "--json", tmp_path / "score.json")
    assert (told.status, told.out) == (1, "")
    assert told.err.count("\n") == 1
    assert path.name in told.err
    assert told.err.count(";") >= 2
    assert not (tmp_path / "score.json").exists()


def test_progress_counts_as_many_steps_as_it_takes(clip: Path) -> None:
    from defectscan.states import measure_states, n_steps  # noqa: PLC0415

    steps: list[str] = []
    measure_states([clip], mm_per_px=0.2, progress=steps.append)
    assert steps[: clips.SCAN_STEPS] == ["door.mp4"] * clips.SCAN_STEPS
    assert len(steps) == clips.SCAN_STEPS + 3 <= n_steps([clip])


def test_a_photo_has_no_ground_that_frames_cover(run: Run, tmp_path: Path) -> None:
    photo = tmp_path / "door.png"
    Image.fromarray(with_lamps(painted(marks=25), (200, 130))).save(photo)
    told = run("score", photo, "--mm-per-px", "0.2", "--json", "-")
    assert json.loads(told.out)["coverage"] is None


def test_check_judges_the_frames_that_would_be_measured(
    clip: Path, run: Run, tmp_path: Path
) -> None:
    told = run("check", clip, "--json", tmp_path / "check.json", "--out", tmp_path / "out")
    (record,) = json.loads((tmp_path / "check.json").read_text())["photos"]
    assert [frame["index"] // 40 for frame in record["frames"]] == [0, 1, 2]
    good = sum(frame["measurable"] for frame in record["frames"])
    # So small a clip shows too little of the panel.
    assert (told.status, record["measurable"], good) == (1, False, 0)
    assert told.out.startswith("door.mp4: cannot be measured as it is: 0 of 3 chosen frames")
    problems = record["frames"][0]["problems"]
    assert told.out.count("- ") == min(len(problems), 3)
    assert (tmp_path / "out" / record["picture"]).stat().st_size > 10_000


def test_check_says_that_the_lamp_must_be_drawn_on(run: Run, tmp_path: Path) -> None:
    still = written(
        tmp_path / "still.mp4", (with_lamps(painted(marks=25), (200, 130)) for _ in range(9))
    )
    told = run("check", still, "--json", tmp_path / "check.json")
    assert told.status == 1
    assert "0 of 1 chosen frames" in told.out
    assert "Draw the lamp slowly over the panel" in told.out
    (record,) = json.loads((tmp_path / "check.json").read_text())["photos"]
    (places,) = [one for one in record["conditions"] if one["name"] == "frames"]
    assert (places["value"], places["limit"], places["ok"]) == (1, 3, False)
    assert f"{places['text']} {places['advice']}" in record["advice"]
    dark = written(tmp_path / "dark.mp4", (with_lamps(painted()) for _ in range(9)))
    told = run("check", dark)
    assert told.status == 1
    assert "draw one small lamp over the panel" in told.err


def test_a_clip_of_good_frames_in_too_few_places_is_not_called_good(
    run: Run, photos: RenderedPhotos, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Frames are as good as photos here, so that nothing else can be wrong.
    def frames(_: Path, *, max_side_px: int) -> list[Photo]:
        photo = read_photo(photos.first_before, max_side_px=max_side_px)
        return [replace(photo, frame=Frame(index=k, time_s=k / 30)) for k in range(n)]

    monkeypatch.setattr(clips, "read_clip", frames)
    drawn: list[bool] = []
    draw = check_picture.draw_check

    def seen(photo: Photo, check: CaptureCheck, **how: Any) -> bytes:
        drawn.append(check.measurable)
        return draw(photo, check, **how)

    monkeypatch.setattr(check_picture, "draw_check", seen)
    clip = tmp_path / "door.mp4"
    clip.touch()
    for n, enough in ((2, False), (3, True)):
        out = tmp_path / str(n)
        told = run("check", clip, "--out", out)
        (record,) = json.loads((out / "check.json").read_text())["photos"]
        met = {one["name"]: one["ok"] for one in record["conditions"]}
        assert met.pop("frames") is enough
        assert all(met.values())
        assert drawn.pop() is record["measurable"] is (told.status == 0) is enough
        assert told.out.startswith(
            f"door.mp4: can{'' if enough else 'not'} be measured"
            f"{'' if enough else ' as it is'}: {n} of {n} chosen frames are good\n"
        )


def test_the_job_book_keeps_a_clip_and_measures_it(run: Run, tmp_path: Path) -> None:
    # The lamp stands still: one frame, so that none need be laid over another.
    frames = (with_lamps(painted(marks=25), (200, 130)) for _ in range(20))
    clip = written(tmp_path / "door.mp4", frames)
    book = ("--book", tmp_path / "book")
    run("job", "new", "Grey van (invented)", *book)
    run("job", "panel", "door", *book)
    told = run("job", "shots", clip, "--mm-per-px", "0.2", *book)
    assert (told.status, told.err) == (0, "")
    assert "1 photo(s) kept" in told.out
    sha256 = hashlib.sha256(clip.read_bytes()).hexdigest()
    (kept,) = (tmp_path / "book").rglob("*.mp4")
    assert kept.stem == sha256
    assert kept.read_bytes() == clip.read_bytes()
    again = run("job", "shots", "--again", *book)
    assert again.status == 0
    half = tmp_path / "half.mp4"
    half.write_bytes(clip.read_bytes()[:-4000])
    told = run("job", "shots", half, *book)
    assert told.status == 1
    assert "half.mp4 is no clip, or is cut off" in told.err
