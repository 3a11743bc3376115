"""Clips: sharp frames with the highlight in new places are read, and bad clips refused."""

import hashlib
import tracemalloc
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from defectscan.errors import DefectscanError, NotMeasurableError, UnreadablePhotoError
from defectscan.imaging import clip as clips
from defectscan.imaging.clip import SCAN_STEPS, check_clip, is_clip, read_clip, read_frame
from defectscan.imaging.frame_choice import MOST_FRAMES, Glimpse, choose
from tests.drawn_clip import HEIGHT_PX, WIDTH_PX, encoded, painted, with_lamps, written

SIZE_PX = (1920, 1080)


def glimpse(index: int, x_px: float, **known: float) -> Glimpse:
    given = {"y_px": 540.0, "radius_px": 20.0, "detail": 5.0, **known}
    return Glimpse(index=index, time_s=index / 30, x_px=x_px, **given)


def drawn_on() -> list[Glimpse]:
    """Let a highlight rest for five frames at each of eight places."""
    return [glimpse(index, 300 + 180 * (index // 5)) for index in range(40)]


@pytest.fixture(scope="module")
def moving(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a clip: five places, four frames at each, of which only one is sharp."""
    paint = painted()
    frames = [
        with_lamps(paint, (90 + 75 * (k // 4), 135), blur_px=0 if k % 4 == 2 else 1.6)
        for k in range(20)
    ]
    return written(tmp_path_factory.mktemp("clip") / "door.mp4", frames)


@pytest.fixture(autouse=True)
def _every_frame(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clips, "_SCANNED_PER_S", 30.0)


def test_each_place_of_the_highlight_is_chosen_once() -> None:
    chosen = choose(drawn_on(), size_px=SIZE_PX)
    assert [one.x_px for one in chosen] == [300 + 180 * k for k in range(8)]


def test_the_sharpest_frame_of_a_place_is_chosen() -> None:
    seen = [replace(one, detail=6.0 if one.index % 5 == 3 else 4.0) for one in drawn_on()]
    assert [one.index % 5 for one in choose(seen, size_px=SIZE_PX)] == [3] * 8


def test_a_fast_highlight_is_passed_over() -> None:
    resting = [glimpse(k, 400 + 100 * (k // 8)) for k in range(16)]
    racing = [glimpse(16 + k, 600 + 150 * k) for k in range(6)]
    at_rest_again = [glimpse(22 + k, 1500) for k in range(8)]
    chosen = choose([*resting, *racing, *at_rest_again], size_px=SIZE_PX)
    assert [one.x_px for one in chosen] == [400, 500, 1500]


def test_a_lamp_that_stays_counts_as_one_shot() -> None:
    assert len(choose([glimpse(k, 700 + k) for k in range(30)], size_px=SIZE_PX)) == 1
    assert choose([], size_px=SIZE_PX) == []


def test_frames_are_bounded_however_long_the_clip() -> None:
    # To and fro over the panel, for more than a minute.
    k = np.arange(2000)
    x, y = 960 + 800 * np.sin(k / 300), 540 + 400 * np.sin(k / 47)
    seen = [glimpse(int(n), x[n], y_px=y[n]) for n in k]
    chosen = choose(seen, size_px=SIZE_PX)
    assert len(chosen) == MOST_FRAMES
    places = np.array([(one.x_px, one.y_px) for one in chosen])
    apart = np.linalg.norm(places[:, None] - places[None], axis=-1)
    assert apart[~np.eye(MOST_FRAMES, dtype=bool)].min() > 100


def test_sharp_frames_at_new_places_are_read(moving: Path) -> None:
    steps: list[str] = []
    photos = read_clip(moving, progress=steps.append)
    assert [photo.frame.index for photo in photos if photo.frame] == [2, 6, 10, 14, 18]
    for photo in photos:
        assert photo.frame is not None
        assert photo.frame.time_s == pytest.approx(photo.frame.index / 30, abs=0.002)
        assert photo.luminance.shape == (HEIGHT_PX, WIDTH_PX) == photo.clipped.shape
        x = np.nonzero(photo.clipped)[1].mean()
        assert x == pytest.approx(90 + 75 * (photo.frame.index // 4), abs=1.5)
        assert photo.sha256 == hashlib.sha256(moving.read_bytes()).hexdigest()
    assert len({photo.identity for photo in photos}) == 5
    assert photos[1].name == "door.mp4, frame 6 (0.20 s)"
    assert steps == ["door.mp4"] * SCAN_STEPS


@pytest.mark.parametrize("codec", ["libx264", "libx265"])
def test_what_phones_write_is_read(codec: str, tmp_path: Path) -> None:
    paint = painted()
    lamps = [(90 + 75 * (k // 4), 135) for k in range(20)]
    frames = (with_lamps(paint, at) for at in lamps)
    photos = read_clip(encoded(tmp_path / "door.mp4", frames, codec=codec))
    assert len(photos) == 5
    for number, photo in enumerate(photos):
        assert photo.frame is not None
        assert photo.frame.index // 4 == number
        assert np.nonzero(photo.clipped)[1].mean() == pytest.approx(90 + 75 * number, abs=1.5)


def test_a_clip_filmed_upright_is_turned(tmp_path: Path) -> None:
    frames = [with_lamps(painted(), (90 + 150 * (k // 4), 135)) for k in range(8)]
    path = encoded(tmp_path / "door.mov", frames, codec="libx264", turned=True)
    photos = read_clip(path)
    # Clockwise by a quarter: what was left is on top.
    assert [(p.width_px, p.height_px) for p in photos] == [(HEIGHT_PX, WIDTH_PX)] * 2
    places = [np.argwhere(photo.clipped).mean(axis=0) for photo in photos]
    np.testing.assert_allclose(places, [(90, HEIGHT_PX - 1 - 135), (240, 134)], atol=1.5)


def test_a_clip_is_reduced_as_photos_are(moving: Path) -> None:
    photo = read_clip(moving, max_side_px=240)[0]
    assert (photo.width_px, photo.height_px, photo.scale) == (WIDTH_PX, HEIGHT_PX, 0.5)
    assert photo.luminance.shape == (135, 240)


def test_one_frame_is_read_as_among_all(moving: Path) -> None:
    among = read_clip(moving, max_side_px=240)[2]
    alone = read_frame(moving, 10, max_side_px=240)
    assert (alone.frame, alone.identity) == (among.frame, among.identity)
    np.testing.assert_array_equal(alone.rgb, among.rgb)
    for index in (-1, 20):
        with pytest.raises(UnreadablePhotoError, match=f"has no frame {index};"):
            read_frame(moving, index)


def test_memory_does_not_grow_with_the_clip(tmp_path: Path) -> None:
    paint = painted()
    still = [with_lamps(paint, (100 + 70 * k, 135)) for k in range(4)]
    peaks = []
    for n in (32, 128):
        path = written(tmp_path / f"{n}.mp4", (still[4 * k // n] for k in range(n)))
        tracemalloc.start()
        photos = read_clip(path)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert len(photos) == 4
    # Far less than the further frames would fill.
    assert peaks[1] - peaks[0] < 0.02 * 96 * 3 * WIDTH_PX * HEIGHT_PX


def test_without_a_highlight_frames_are_spread_over_time(tmp_path: Path) -> None:
    path = written(tmp_path / "dull.mp4", (with_lamps(painted()) for _ in range(60)))
    with pytest.raises(NotMeasurableError, match="no highlight"):
        read_clip(path)
    times = [photo.frame.time_s for photo in read_clip(path, needs_highlight=False) if photo.frame]
    assert len(times) > 2
    assert np.diff(times).min() > 0.2


def test_suffixes_tell_a_clip() -> None:
    assert is_clip("a/door.MP4")
    assert not is_clip("a/door.jpg")


def empty(path: Path) -> None:
    path.write_bytes(b"")


def text(path: Path) -> None:
    path.write_text("This is no clip.\n" * 20)


def still(path: Path) -> None:
    Image.fromarray(with_lamps(painted(), (200, 135))).save(path, "JPEG")


def cut_off(path: Path) -> None:
    written(path, (with_lamps(painted(), (90 + 5 * k, 135)) for k in range(40)))
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def without_frames(path: Path) -> None:
    cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"mp4v"), 30.0, (320, 240)).release()


def no_highlight(path: Path) -> None:
    written(path, (with_lamps(painted()) for _ in range(12)))


def two_lamps(path: Path) -> None:
    plain = np.full((HEIGHT_PX, WIDTH_PX), 40, np.float32)
    written(path, (with_lamps(plain, (120, 135), (330, 135)) for _ in range(12)))


def tiny(path: Path) -> None:
    written(path, (with_lamps(painted(), (80, 60))[:120, :160] for _ in range(12)))


def hdr(path: Path) -> None:
    written(path, (with_lamps(painted(), (200, 135)) for _ in range(12)))
    # As phones mark hybrid log-gamma: a colour box with ITU-T H.273's code 18.
    path.write_bytes(path.read_bytes() + b"\0\0\0\x13colrnclx\0\x09\0\x12\0\x09\0")


def folder(path: Path) -> None:
    path.mkdir()


def missing(path: Path) -> None:
    assert not path.exists()


REFUSED = {
    empty: "is empty",
    text: "is no clip",
    still: "is a still picture",
    cut_off: "cut off",
    without_frames: "no clip|no frame|empty",
    no_highlight: "no highlight",
    two_lamps: "several highlights",
    tiny: "160 x 120",
    hdr: "HDR",
    folder: "is a folder",
    missing: "not there",
}


@pytest.mark.parametrize("suffix", [".mp4", ".avi"])
@pytest.mark.parametrize("make", REFUSED, ids=lambda make: make.__name__)
def test_bad_clips_are_refused_in_one_line(
    make: object, suffix: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / f"door{suffix}"
    make(path)  # type: ignore[operator]
    capfd.readouterr()
    with pytest.raises(DefectscanError, match=REFUSED[make]) as caught:  # type: ignore[index]
        read_clip(path)
    told = str(caught.value)
    assert "\n" not in told
    assert path.name in told
    assert told.count(";") >= 2
    # Nor does the decoder speak up by itself.
    assert capfd.readouterr() == ("", "")


def test_a_clip_longer_than_a_minute_is_refused(
    moving: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(clips, "MOST_SECONDS", 0.5)
    with pytest.raises(NotMeasurableError, match="at most 0 s"):
        read_clip(moving)


def test_a_clip_under_a_photos_suffix_says_so(moving: Path, tmp_path: Path) -> None:
    from defectscan.imaging.photo import read_photo  # noqa: PLC0415

    path = tmp_path / "door.jpg"
    path.write_bytes(moving.read_bytes())
    with pytest.raises(UnreadablePhotoError, match=r"is a clip.*\.mp4"):
        read_photo(path)


def test_a_clip_is_checked_whatever_it_shows(moving: Path, tmp_path: Path) -> None:
    check_clip(moving)
    check_clip(written(tmp_path / "dark.mp4", (with_lamps(painted()) for _ in range(6))))
    half = tmp_path / "half.mp4"
    half.write_bytes(moving.read_bytes()[:-4000])
    with pytest.raises(UnreadablePhotoError):
        check_clip(half)
