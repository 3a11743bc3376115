"""One photo measured: the scale card in it gives the scale, and is no paint."""

import pickle
import shutil
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from defectscan import shots, states
from defectscan.errors import NotMeasurableError
from defectscan.flags import Flag
from defectscan.imaging.capture import check_photo
from defectscan.imaging.highlight import Highlight
from defectscan.imaging.photo import Exposure, read_photo
from defectscan.imaging.processing import NOT_PROCESSED, Processing
from defectscan.measurement.glint import Glint
from defectscan.measurement.state import MeasuredShot
from defectscan.shots import Sighting, look, measure
from defectscan.simulation.develop import Development
from defectscan.simulation.specimen import Specimen, Stand, render_states
from defectscan.states import Seen, measure_states
from tests.drawn_card import laid_on

# The panel is taken to be so large that the card fits on it.
MM_PER_PX = 0.28


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
    path = bare.with_name("with_card.png")
    rgb = np.asarray(Image.open(bare))
    Image.fromarray(laid_on(rgb, mm_per_px=MM_PER_PX)).save(path, compress_level=1)
    return path


@cache
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


@pytest.fixture(scope="module")
def sighting(bare: Path) -> Sighting:
    return look(read_photo(bare))


@pytest.mark.parametrize(
    ("processing", "exposure", "flag"),
    [
        (Processing(merged=True), Exposure(), Flag.MERGED),
        (Processing(portrait=True), Exposure(), Flag.PORTRAIT),
        (Processing(sharpened=True), Exposure(), Flag.SHARPENED),
        (NOT_PROCESSED, Exposure(digital_zoom=2.0), Flag.ZOOMED),
        (NOT_PROCESSED, Exposure(digital_zoom=1.0), None),
    ],
)
def test_what_the_camera_made_of_it_is_flagged(
    sighting: Sighting, processing: Processing, exposure: Exposure, flag: Flag | None
) -> None:
    taken = replace(sighting.photo, processing=processing, exposure=exposure)
    flags = measure(replace(sighting, photo=taken), mm_per_px=None, like=None).flags
    traces = {Flag.MERGED, Flag.PORTRAIT, Flag.SHARPENED, Flag.ZOOMED}
    assert traces & set(flags) == ({flag} if flag else set())


def test_check_takes_the_scale_from_the_card(with_card: Path, bare: Path) -> None:
    found = check_photo(read_photo(with_card), mm_per_px=None)
    assert found.card is not None
    assert found.mm_per_px == pytest.approx(MM_PER_PX, rel=0.01)
    assert not (found.paint & found.card.mask(found.paint.shape)).any()
    without = check_photo(read_photo(bare), mm_per_px=0.2)
    assert (without.card, without.mm_per_px) == (None, 0.2)


def test_a_card_that_hardly_shows_is_flagged(with_card: Path) -> None:
    sighting = look(read_photo(with_card))
    assert sighting.card is not None
    assert Flag.CARD_UNSURE not in measure(sighting, mm_per_px=None, like=None).flags
    unsure = replace(sighting.card, fit_standard_error=0.02 * sighting.card.mm_per_px)
    flags = measure(replace(sighting, card=unsure), mm_per_px=None, like=None).flags
    assert Flag.CARD_UNSURE in flags


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
    seen = Seen()
    with pytest.raises(NotMeasurableError, match="no scale card in the picture"):
        measure_states([[bare, with_card]], mm_per_px=None, seen=seen)
    states = measure_states([[bare, with_card]], mm_per_px=MM_PER_PX, seen=seen)
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


def test_a_photo_whose_lines_lie_off_its_rings_unlike_the_others_is_set_aside(
    bare: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = ("1.jpg", "2.jpg", "3.jpg", "4.jpg")
    photos = [Path(shutil.copy(bare, tmp_path / name)) for name in names]
    told: list[Glint | None] = []

    def measured_off(sighting: Sighting, *, mm_per_px: float, like: Glint | None) -> MeasuredShot:
        told.append(like)
        shot = measure(sighting, mm_per_px=mm_per_px, like=None)
        wider = widened.get(sighting.photo.name, 1.0)
        glint = replace(shot.shot.glint, reach_px=wider * shot.shot.glint.reach_px)
        return replace(shot, shot=replace(shot.shot, glint=glint))

    monkeypatch.setattr(states, "measure", measured_off)
    seen = Seen()
    widened = {"3.jpg": 2.1}
    first, _ = measure_states([photos[:3], photos[3]], mm_per_px=MM_PER_PX, seen=seen)
    assert [shot.photo.name for shot in first.shots] == ["1.jpg", "2.jpg"]
    (odd,) = first.set_aside
    assert odd.file == "3.jpg"
    assert "off the rings round the highlight" in odd.reason
    # Nor does the next state learn its lamp from that one.
    assert told[3] is not None
    assert told[3].reach_px == first.shots[-1].shot.glint.reach_px
    # Nor where those that stay show too few lines to tell it.
    tells = states._learnt

    def odd_alone(shot: MeasuredShot, like: Glint | None) -> Glint | None:
        return tells(shot, like) if shot.photo.name == "3.jpg" else like

    monkeypatch.setattr(states, "_learnt", odd_alone)
    told.clear()
    measure_states([photos[:3], photos[3]], mm_per_px=MM_PER_PX, seen=seen)
    assert told[3] is None
    monkeypatch.undo()
    monkeypatch.setattr(states, "measure", measured_off)
    # Of two, nobody knows which is odd; and lamps differ a little.
    (pair,) = measure_states([photos[1:3]], mm_per_px=MM_PER_PX, seen=seen)
    widened = {"3.jpg": 1.9}
    (three,) = measure_states([photos[:3]], mm_per_px=MM_PER_PX, seen=seen)
    assert pair.set_aside == three.set_aside == ()


def test_a_photo_whose_highlight_is_far_broader_than_the_others_is_set_aside(
    bare: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # As where it falls on tape, which shines round it.
    photos = [Path(shutil.copy(bare, tmp_path / name)) for name in ("1.jpg", "2.jpg", "3.jpg")]

    def measured_broad(sighting: Sighting, *, mm_per_px: float, like: Glint | None) -> MeasuredShot:
        shot = measure(sighting, mm_per_px=mm_per_px, like=like)
        times = broader if sighting.photo.name == "1.jpg" else 1.0
        assert shot.highlight is not None
        spot = replace(shot.highlight, radius_px=times * shot.highlight.radius_px)
        return replace(shot, highlight=spot)

    monkeypatch.setattr(states, "measure", measured_broad)
    seen = Seen()
    broader = 3.1
    (state,) = measure_states([photos], mm_per_px=MM_PER_PX, seen=seen)
    assert [shot.photo.name for shot in state.shots] == ["2.jpg", "3.jpg"]
    (odd,) = state.set_aside
    assert odd.file == "1.jpg"
    assert "the highlight's radius is" in odd.reason
    assert "off tape and trim" in odd.reason
    broader = 2.9
    (state,) = measure_states([photos], mm_per_px=MM_PER_PX, seen=seen)
    assert state.set_aside == ()


def test_lines_that_no_small_lamp_explains_are_refused(
    bare: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # As where blown-out tape is taken for the highlight.
    spot = Highlight(x_px=15, y_px=735, radius_px=20, bloom_px=25, area_px=1250, cut=False)
    monkeypatch.setattr(shots, "find_highlights", lambda *_: (spot,))
    with pytest.raises(NotMeasurableError, match="off the rings round the highlight"):
        measure_states([bare], mm_per_px=None)


def test_an_error_travels_between_processes() -> None:
    error = NotMeasurableError("a lamp too many", allowed="one", remedy="cover it")
    there = pickle.loads(pickle.dumps(error))  # noqa: S301 - our own
    assert (type(there), str(there), there.remedy) == (type(error), str(error), "cover it")
