"""A half-polished panel in one photo: its correction is true; what cannot be measured is said."""

from dataclasses import replace
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from defectscan.errors import NotMeasurableError
from defectscan.flags import Flag
from defectscan.report.split_picture import draw_split
from defectscan.split import Split, SplitFlag, split
from tests.half_polished import HEIGHT_PX, MM_PER_PX, TAPE_PX, WIDTH_PX, half_polished

MIDDLE = (WIDTH_PX / 2, 0.0, WIDTH_PX / 2, HEIGHT_PX - 1.0)


def saved(folder: Path, rgb: NDArray[np.uint8]) -> Path:
    path = folder / "photo.png"
    Image.fromarray(rgb).save(path, compress_level=1)
    return path


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return saved(tmp_path_factory.mktemp("split"), half_polished().rgb)


@pytest.fixture(scope="module")
def result(photo: Path) -> Split:
    return split(photo, polished="right", mm_per_px=MM_PER_PX)


def test_the_correction_holds_the_truth(result: Split) -> None:
    percent = result.correction.percent
    assert percent is not None
    assert percent.low < half_polished().true_percent < percent.high
    assert percent.value == pytest.approx(half_polished().true_percent, abs=15)
    assert (result.untouched, result.polished, result.guessed) == ("left", "right", False)
    assert result.before.line_density.value > result.after.line_density.value
    assert 0 < result.direction_share <= 1


def test_the_tape_is_found_and_nothing_on_it_is_counted(result: Split) -> None:
    chord = result.line.chord(result.photo.luminance.shape)
    assert chord is not None
    assert np.abs(chord[:, 0] - (WIDTH_PX - 1) / 2).max() < 4
    assert result.line_found
    for score, side in ((result.before, -1), (result.after, 1)):
        shot = score.shots[0].shot
        zone_x = np.nonzero(shot.zone)[1]
        for x in (zone_x, shot.lines.xy_px[:, 0], score.shots[0].scratches.xy_px[:, 0]):
            assert np.all(side * (x - WIDTH_PX / 2) > TAPE_PX / 2)
    one, two = (score.shots[0].shot.glint for score in (result.before, result.after))
    assert one is two


def test_a_guess_is_right_and_called_so(photo: Path, result: Split) -> None:
    guess = split(photo, mm_per_px=MM_PER_PX)
    assert guess.polished == "right"
    assert SplitFlag.POLISHED_HALF_GUESSED in guess.flags
    assert SplitFlag.POLISHED_HALF_GUESSED not in result.flags
    assert guess.correction == result.correction


def test_the_other_half_named_polished_is_an_increase(photo: Path) -> None:
    swapped = split(photo, polished="left").correction.percent
    assert swapped is not None
    assert swapped.high < 0


def test_the_photo_mirrored_names_the_other_half(tmp_path: Path, result: Split) -> None:
    mirrored = split(
        saved(tmp_path, np.ascontiguousarray(half_polished().rgb[:, ::-1])), mm_per_px=MM_PER_PX
    )
    assert mirrored.polished == "left"
    assert mirrored.correction.percent is not None
    assert result.correction.percent is not None
    assert mirrored.correction.percent.value == pytest.approx(
        result.correction.percent.value, abs=4
    )


def test_a_line_given_beside_the_tape_finds_it(photo: Path, result: Split) -> None:
    given = split(photo, line=(505, 10, 494, 700), polished="right", mm_per_px=MM_PER_PX)
    assert not given.line_found
    assert given.line.width_px == pytest.approx(result.line.width_px, abs=3)
    assert given.correction.percent is not None
    assert result.correction.percent is not None
    assert given.correction.percent.value == pytest.approx(result.correction.percent.value, abs=3)


def test_two_halves_alike_are_flagged_and_hold_no_correction(photo: Path) -> None:
    # Within the untouched half nothing differs.
    alike = split(photo, line=(300, 0, 300, HEIGHT_PX - 1), polished="left", mm_per_px=MM_PER_PX)
    assert alike.line.width_px == 0
    percent = alike.correction.percent
    assert percent is not None
    assert percent.low < 0 < percent.high
    assert SplitFlag.HALVES_ALIKE in alike.flags


def test_a_highlight_under_the_tape_is_told_from_the_lines(tmp_path: Path, result: Split) -> None:
    highlight = result.before.shots[0].highlight
    assert highlight is not None
    rgb = half_polished().rgb.copy()
    # A broad tape over highlight and tape alike.
    left = int(highlight.x_px - 2 * highlight.bloom_px)
    rgb[:, left : WIDTH_PX // 2 + 40] = (150, 140, 80)
    hidden = split(saved(tmp_path, rgb), polished="right", mm_per_px=MM_PER_PX)
    assert SplitFlag.HIGHLIGHT_HIDDEN in hidden.flags
    centre = hidden.before.shots[0].shot.glint.centre_px
    assert np.hypot(*(centre - [highlight.x_px, highlight.y_px])) < 12
    percent = hidden.correction.percent
    assert percent is not None
    assert percent.low < half_polished().true_percent < percent.high


@pytest.mark.parametrize(
    ("line", "polished", "word"),
    [
        ((2000.0, 0.0, 2000.0, 700.0), None, "misses the photo"),
        ((5.0, 5.0, 5.0, 5.0), None, "begins where it ends"),
        ((4.0, 0.0, 4.0, 749.0), None, "bare paint left the line"),
        (None, "above", "no half above"),
    ],
)
def test_what_cannot_be_measured_is_one_clear_line(
    photo: Path,
    line: tuple[float, float, float, float] | None,
    polished: str | None,
    word: str,
) -> None:
    with pytest.raises(NotMeasurableError, match=word) as caught:
        split(photo, line=line, polished=polished)
    assert "\n" not in str(caught.value)
    assert caught.value.remedy


def test_without_tape_the_line_is_asked_for(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    bare = np.clip(rng.normal(60, 3, (600, 800, 3)), 0, 255).astype(np.uint8)
    path = saved(tmp_path, bare)
    with pytest.raises(NotMeasurableError, match="no line found"):
        split(path)
    with pytest.raises(NotMeasurableError, match="no highlight"):
        split(path, line=(400, 0, 400, 599))


def test_one_half_under_something_else_has_no_paint(tmp_path: Path) -> None:
    rgb = half_polished().rgb.copy()
    stripes = (np.arange(HEIGHT_PX) // 20 % 2)[:, None, None] * np.array([180, 120, 40])
    rgb[:, WIDTH_PX // 2 + 40 :] = stripes
    with pytest.raises(NotMeasurableError, match="bare paint right the line"):
        split(saved(tmp_path, rgb), line=MIDDLE)


def test_the_picture_shows_both_halves(result: Split) -> None:
    picture = Image.open(BytesIO(draw_split(result))).convert("RGB")
    assert picture.width == 1600
    guess = draw_split(replace(result, guessed=True))
    assert guess != draw_split(result)


def test_flags_of_both_halves_travel(photo: Path) -> None:
    flags = split(photo, polished="right").flags
    assert Flag.NO_SCALE in flags
    assert SplitFlag.ONE_PHOTO in flags
    assert len(flags) == len(set(flags))
