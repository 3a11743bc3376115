"""Truth: what is written beside the photos is complete and agrees with them."""

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from defectscan.errors import OutputExistsError
from defectscan.simulation.develop import Development
from defectscan.simulation.grooves import KINDS
from defectscan.simulation.render import LIT_CONTRAST, true_homography
from defectscan.simulation.specimen import Pass, RenderedState, Specimen, Stand, render_states
from defectscan.simulation.surface import Surface
from defectscan.simulation.truth import (
    file_names,
    pair_record,
    panel_record,
    write_pair,
)

Pair = tuple[RenderedState, RenderedState]


def render(shots: int = 1, *, density: float = 90.0) -> Pair:
    return render_states(
        Specimen(
            density_mm_per_cm2=density, across_mm=80, margin_mm=15, deep_scratches=3, dust=5,
            radius_mm=400, draws_furniture=True,
            passes=(Pass(depth_um=0.7, haze=0.01, trails_mm_per_cm2=30),),
        ),
        stand=Stand(lamp_mm=(6.0, -4.0, 210.0), camera_mm=(-9.0, 6.0, 180.0), width_px=240,
                    move_mm=10),
        development=Development(jpeg_quality=90),
        seed=3,
        shots=shots,
    )  # fmt: skip


@pytest.fixture(scope="module")
def pair() -> Pair:
    return render()


@pytest.fixture(scope="module")
def folder(pair: Pair, tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("truth")
    write_pair(pair, home, force=False)
    return home


def read(path: Path) -> Any:
    return json.loads(path.read_text())


def test_all_files_are_there_and_no_others(folder: Path) -> None:
    there = {str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()}
    assert there == set(file_names(shots=1))
    assert there == {
        "before.jpg",
        "after.jpg",
        "truth/truth.json",
        "truth/before_panel.json",
        "truth/after_panel.json",
        "truth/before_lit.png",
        "truth/after_lit.png",
    }


def test_photos_and_masks_are_those_of_the_shots(pair: Pair, folder: Path) -> None:
    for state in pair:
        shot = state.shots[0]
        assert (folder / f"{state.name}.jpg").read_bytes() == shot.jpeg
        data = np.frombuffer((folder / f"truth/{state.name}_lit.png").read_bytes(), np.uint8)
        lit = np.asarray(cv2.imdecode(data, cv2.IMREAD_UNCHANGED))
        assert np.array_equal(lit, shot.lit)
        assert set(np.unique(lit)) == {0, 128, 255}


def test_the_figures_are_those_of_the_shots(pair: Pair, folder: Path) -> None:
    truth = read(folder / "truth/truth.json")
    assert truth["format"] == "defectscan.truth/1"
    assert truth["rendered"] is True
    assert truth["lit"]["contrast"] == LIT_CONTRAST
    assert truth["panel"]["curvature_u_per_mm"] == pytest.approx(1 / 400)
    assert truth["panel"]["curvature_v_per_mm"] == 0
    for state, record in zip(pair, truth["states"], strict=True):
        shot, written = state.shots[0], record["shots"][0]
        assert (folder / written["file"]).exists()
        assert (folder / written["lit"]).exists()
        assert (folder / record["grooves"]).exists()
        assert (written["width_px"], written["height_px"]) == (240, 180)
        assert written["mm_per_px"] == shot.mm_per_px
        assert list(written["highlight"].values()) == list(shot.highlight_xy_px)
        assert tuple(written["lamp"]["position_mm"]) == shot.scene.lamp.position_mm
        assert written["camera"]["focal_px"] == shot.scene.camera.focal_px
        assert written["development"]["jpeg_quality"] == 90
        floor = shot.reference_length_mm / shot.reference_exposure_cm2
        assert record["reference_floor_mm_per_cm2"] == pytest.approx(floor)
    assert truth["states"][1]["haze"] == 0.01
    assert truth["states"][1]["removed_um"] == [0.7]


def test_densities_by_kind_and_corrections(pair: Pair, folder: Path) -> None:
    truth = read(folder / "truth/truth.json")
    before, after = (state["line_density_mm_per_cm2"] for state in truth["states"])
    assert before["all"] == pair[0].panel.density_mm_per_cm2()
    for density in (before, after):
        assert sum(density[kind] for kind in KINDS) == pytest.approx(density["all"])
    correction = truth["correction_percent"]
    assert correction["swirl"] == pytest.approx(100 * (1 - after["swirl"] / before["swirl"]))
    # There were no trails before, so there is no correction of them.
    assert before["machine_trail"] == 0
    assert after["machine_trail"] > 0
    assert correction["machine_trail"] is None


def test_the_homography_is_after_to_before(pair: Pair, folder: Path) -> None:
    (record,) = read(folder / "truth/truth.json")["registration"]
    assert (record["before"], record["after"]) == ("before.jpg", "after.jpg")
    matrix = np.array(record["homography_after_to_before"])
    assert matrix == pytest.approx(true_homography(pair[1].shots[0], pair[0].shots[0]))
    uv = np.array([[0.0, 0.0], [25.0, -20.0]])
    here = np.column_stack([pair[1].shots[0].scene.project(uv), np.ones(2)]) @ matrix.T
    there = pair[0].shots[0].scene.project(uv)
    miss = np.linalg.norm(here[:, :2] / here[:, 2:] - there, axis=-1)
    assert miss.max() < max(4 * record["misfit_px"], 0.05)
    assert record["misfit_px"] < 1


@pytest.mark.parametrize("state", ["before", "after"])
def test_the_grooves_written_have_the_density_stated(folder: Path, state: str) -> None:
    """Walk the listed arcs and count what lies on the panel and is left."""
    truth = read(folder / "truth/truth.json")
    written = read(folder / f"truth/{state}_panel.json")
    g = {name: np.array(values) for name, values in written["grooves"].items()}
    assert len({len(values) for values in g.values()}) == 1
    along = (np.arange(200) + 0.5) / 200 * g["length_mm"][:, None]
    curve = g["curvature_per_mm"][:, None]
    turned = g["heading_rad"][:, None] + curve * along
    start = g["heading_rad"][:, None]
    u = g["start_mm"][:, :1] + (np.sin(turned) - np.sin(start)) / curve
    v = g["start_mm"][:, 1:] - (np.cos(turned) - np.cos(start)) / curve
    width, height = truth["panel"]["extent_mm"]
    inside = ((np.abs(u) <= width / 2) & (np.abs(v) <= height / 2)).mean(axis=1) * g["length_mm"]
    left = g["length_left_mm"]
    # Which part of a worn groove is left is not listed: of those that cross the panel's rim,
    # what is left may lie on the panel or off it.
    least = np.maximum(left - (g["length_mm"] - inside), 0)
    most = np.minimum(left, inside)
    densities = next(s for s in truth["states"] if s["state"] == state)["line_density_mm_per_cm2"]
    for number, kind in enumerate(written["kinds"]):
        mine = g["kind"] == number
        low, high = (np.sum(part[mine]) / (width * height / 100) for part in (least, most))
        assert high <= 1.08 * low
        assert low - 0.2 <= densities[kind] <= high + 0.2


def test_depths_left_are_those_of_the_panel(pair: Pair) -> None:
    before, after = (panel_record(state.panel)["grooves"] for state in pair)
    n = len(before["length_mm"])
    assert after["length_mm"][:n] == before["length_mm"]
    left = np.array(after["depth_left_um"][:n])
    taken = np.array(before["depth_left_um"]) - left
    whole = np.array(after["length_left_mm"][:n]) == np.array(before["length_left_mm"])
    assert whole.any()
    assert taken[whole].mean() == pytest.approx(0.7, rel=0.25)
    gone = np.array(after["length_left_mm"][:n]) == 0
    assert gone.any()
    assert (left[gone] == 0).all()
    short = np.array(after["length_left_mm"][:n])
    short_is_left = (short > 2) & (short < 5)
    assert short_is_left.any()
    assert (left[short_is_left] > 0).all()
    assert set(after["born"][n:]) == {1}


def test_patches_are_listed(pair: Pair, folder: Path) -> None:
    written = read(folder / "truth/before_panel.json")["patches"]
    assert [patch["what"] for patch in written] == [p.what for p in pair[0].panel.patches]
    assert written[0]["outline_mm"] == pytest.approx(
        np.asarray(pair[0].panel.patches[0].outline_mm), abs=0.006
    )


def test_nothing_is_written_over(pair: Pair, tmp_path: Path) -> None:
    (tmp_path / "after.jpg").write_bytes(b"mine")
    with pytest.raises(OutputExistsError):
        write_pair(pair, tmp_path, force=False)
    assert [p.name for p in tmp_path.iterdir()] == ["after.jpg"]
    write_pair(pair, tmp_path, force=True)
    assert (tmp_path / "after.jpg").read_bytes() == pair[1].shots[0].jpeg


def test_several_shots(tmp_path: Path) -> None:
    pair = render(2)
    written = write_pair(pair, tmp_path, force=False)
    assert {str(p.relative_to(tmp_path)) for p in written} == set(file_names(shots=2))
    assert (tmp_path / "before/2.jpg").read_bytes() == pair[0].shots[1].jpeg
    truth = read(tmp_path / "truth/truth.json")
    assert [shot["file"] for shot in truth["states"][1]["shots"]] == ["after/1.jpg", "after/2.jpg"]
    assert len(truth["registration"]) == 2


def test_a_panel_without_grooves_has_no_correction() -> None:
    specimen = Specimen(density_mm_per_cm2=0, deep_scratches=0, across_mm=80, margin_mm=15)
    stand = Stand(lamp_mm=(6.0, -4.0, 210.0), camera_mm=(-9.0, 6.0, 180.0), width_px=160)
    pair = render_states(specimen, stand=stand, development=Development(), seed=0)
    record = pair_record(pair)
    assert record["correction_percent"]["all"] is None
    assert panel_record(pair[0].panel)["grooves"]["start_mm"] == []
    assert pair[0].panel.surface == Surface()
