"""One photo measured: the scale card in it gives the scale, and is no paint."""

import pickle
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from defectscan import shots
from defectscan.errors import NotMeasurableError
from defectscan.flags import Flag
from defectscan.imaging.highlight import Highlight
from defectscan.measurement.state import MeasuredShot
from defectscan.shots import measure_states
from defectscan.simulation.develop import Development
from defectscan.simulation.specimen import Specimen, Stand, render_states
from tests.drawn_card import CARD_MM, PAPER_MM, WINDOW_MM, printed

# The panel is taken to be so large that the card fits on it.
MM_PER_PX = 0.28
SHEET_PX_PER_MM = 8


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Render a bare panel under a lamp."""
    specimen = Specimen(paint="black", density_mm_per_cm2=160, across_mm=100, margin_mm=40)
    before, _ = render_states(
        specimen, stand=Stand(width_px=1000, move_mm=8), development=Development(), seed=5, shots=1
    )
    path = tmp_path_factory.mktemp("bare") / "bare.jpg"
    path.write_bytes(before.shots[0].jpeg)
    return path


@pytest.fixture(scope="module")
def with_card(bare: Path) -> Path:
    """Lay the printed card, turned by a quarter, round the middle of the photo."""
    rgb = np.asarray(Image.open(bare))
    height, width = rgb.shape[:2]
    scale = 1 / (MM_PER_PX * SHEET_PX_PER_MM)
    left, top = (PAPER_MM[k] / 2 * SHEET_PX_PER_MM for k in (0, 1))
    to_photo = np.array(
        [[0, -scale, width / 2 + scale * top], [scale, 0, height / 2 - scale * left]]
    )
    sheet = printed().astype(np.float32)
    y, x = np.mgrid[: sheet.shape[0], : sheet.shape[1]] / SHEET_PX_PER_MM
    off = np.abs(np.stack([x - PAPER_MM[0] / 2, y - PAPER_MM[1] / 2]))
    on_card = np.all(off < np.reshape(CARD_MM, (2, 1, 1)) / np.float64(2), axis=0)
    on_card &= ~np.all(off < np.reshape(WINDOW_MM, (2, 1, 1)) / np.float64(2), axis=0)
    lit, covered = (
        cv2.warpAffine(part, to_photo, (width, height), flags=cv2.INTER_AREA)
        for part in (cv2.GaussianBlur(sheet, (0, 0), 1.4), on_card.astype(np.float32))
    )
    # Paper under the lamp, brighter than the paint.
    paper = np.clip(255 * (0.2 + 0.55 * lit), 0, 255)
    mixed = covered[..., None] * paper[..., None] + (1 - covered[..., None]) * rgb
    path = bare.with_name("with_card.png")
    Image.fromarray(mixed.astype(np.uint8)).save(path)
    return path


def measured(path: Path, **how: float | None) -> MeasuredShot:
    (state,) = measure_states([path], **{"mm_per_px": None, **how})  # type: ignore[arg-type]
    return state.shots[0]


def test_the_card_gives_the_scale_and_is_no_paint(with_card: Path) -> None:
    shot = measured(with_card)
    assert shot.card is not None
    assert shot.shot.mm_per_px == pytest.approx(MM_PER_PX, rel=0.01)
    assert 0 < shot.shot.scale_error < 0.02
    assert not (shot.shot.zone & shot.card.mask(shot.shot.zone.shape)).any()
    assert shot.shot.zone.mean() > 0.25
    # The card counts, whatever else was said.
    assert measured(with_card, mm_per_px=1.0).shot.mm_per_px == shot.shot.mm_per_px


def test_a_ruler_printed_too_small_is_made_up_for(with_card: Path) -> None:
    shot = measured(with_card, card_mm=190.0)
    assert shot.shot.mm_per_px == pytest.approx(0.95 * MM_PER_PX, rel=0.01)
    assert Flag.CARD_SIZE in shot.flags


def test_lines_are_those_of_the_bare_photo(bare: Path, with_card: Path) -> None:
    plain, carded = measured(bare), measured(with_card)
    assert plain.card is None
    inside = carded.shot.zone & plain.shot.zone
    found = []
    for shot in (plain, carded):
        x, y = np.round(shot.shot.lines.xy_px).astype(int).T
        found.append(inside[y, x].sum())
    assert found[1] == pytest.approx(found[0], rel=0.12)


def test_photos_with_and_without_a_card_do_not_mix(bare: Path, with_card: Path) -> None:
    with pytest.raises(NotMeasurableError, match="no scale card in the picture"):
        measure_states([[bare, with_card]], mm_per_px=None)
    states = measure_states([[bare, with_card]], mm_per_px=MM_PER_PX)
    assert all(shot.shot.mm_per_px for shot in states[0].shots)


def test_a_bad_photo_among_good_ones_is_set_aside(bare: Path, tmp_path: Path) -> None:
    dark, torn = tmp_path / "dark.png", tmp_path / "torn.jpg"
    Image.fromarray(np.full((400, 600, 3), 40, np.uint8)).save(dark)
    torn.write_bytes(bare.read_bytes()[:5000])
    (state,) = measure_states([[dark, bare, torn]], mm_per_px=MM_PER_PX)
    assert [shot.photo.path for shot in state.shots] == [bare]
    assert [one.file for one in state.set_aside] == ["dark.png", "torn.jpg"]
    assert "no highlight" in state.set_aside[0].reason
    assert "cut off" in state.set_aside[1].reason
    with pytest.raises(NotMeasurableError, match="no highlight"):
        measure_states([[dark, torn]], mm_per_px=MM_PER_PX)


def test_lines_that_no_small_lamp_explains_are_refused(
    bare: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # As where blown-out tape is taken for the highlight.
    spot = Highlight(x_px=15, y_px=735, radius_px=20, bloom_px=25, area_px=1250, cut=False)
    monkeypatch.setattr(shots, "find_highlights", lambda *_: (spot,))
    with pytest.raises(NotMeasurableError, match="off the rings round the highlight"):
        measured(bare)


def test_an_error_travels_between_processes() -> None:
    error = NotMeasurableError("a lamp too many", allowed="one", remedy="cover it")
    there = pickle.loads(pickle.dumps(error))  # noqa: S301 - our own
    assert (type(there), str(there), there.remedy) == (type(error), str(error), "cover it")
