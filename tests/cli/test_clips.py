"""Clips through the command: frames in the JSON, one line where a clip is bad."""

import json
from pathlib import Path

import pytest

from defectscan.imaging import clip as clips
from tests.conftest import Run
from tests.drawn_clip import painted, with_lamps, written


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a clip with the highlight at three places."""
    frames = (with_lamps(painted(marks=25), (120 + 110 * (k // 40), 130)) for k in range(120))
    return written(tmp_path_factory.mktemp("clip") / "door.mp4", frames)


def test_score_names_the_clip_and_its_frames(clip: Path, run: Run, tmp_path: Path) -> None:
    record = tmp_path / "score.json"
    told = run("score", clip, "--mm-per-px", "0.2", "--json", record)
    assert (told.status, told.err) == (0, "")
    shots = json.loads(record.read_text())["shots"]
    assert [shot["file"] for shot in shots] == ["door.mp4"] * 3
    indices = [shot["frame"]["index"] for shot in shots]
    assert [index // 40 for index in indices] == [0, 1, 2]
    times = [shot["frame"]["time_s"] for shot in shots]
    assert times == pytest.approx([index / 30 for index in indices], abs=0.002)
    assert len({shot["sha256"] for shot in shots}) == 1


def test_a_clip_against_itself_is_noticed(clip: Path, run: Run) -> None:
    told = run("compare", clip, clip, "--mm-per-px", "0.2", "--json", "-")
    assert told.status == 0
    result = json.loads(told.out)
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
        from PIL import Image  # noqa: PLC0415

        Image.fromarray(with_lamps(painted(), (200, 130))).save(path, "PNG")
    told = run("score", path, "--json", tmp_path / "score.json")
    assert (told.status, told.out) == (1, "")
    assert told.err.count("\n") == 1
    assert path.name in told.err
    assert told.err.count(";") >= 2
    assert not (tmp_path / "score.json").exists()


def test_progress_counts_as_many_steps_as_it_takes(clip: Path) -> None:
    from defectscan.shots import measure_states, n_steps  # noqa: PLC0415

    steps: list[str] = []
    measure_states([clip], mm_per_px=0.2, progress=steps.append)
    assert steps[: clips.SCAN_STEPS] == ["door.mp4"] * clips.SCAN_STEPS
    assert len(steps) == clips.SCAN_STEPS + 3 <= n_steps([clip])
