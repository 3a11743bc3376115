"""Demo: the sample job is complete, deterministic, marked as invented, and the one kept here."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from defectscan.errors import OutputExistsError
from defectscan.simulation import demo
from defectscan.simulation.demo import PANELS, DemoPanel, write_demo
from defectscan.simulation.panel import PAINTS
from defectscan.simulation.specimen import draw_panel
from defectscan.simulation.truth import file_names

SAMPLES = Path(__file__).parents[2] / "sample_images"


def thin(panel: DemoPanel) -> DemoPanel:
    """Return the panel with few grooves, to be rendered fast."""
    specimen = replace(
        panel.specimen, density_mm_per_cm2=15, deep_scratches=1, dust=5, margin_mm=30
    )
    return replace(panel, specimen=specimen)


THIN = tuple(thin(panel) for panel in PANELS)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("demo")
    write_demo(home, force=False, width_px=240, panels=THIN)
    return home


def files(folder: Path) -> set[str]:
    return {str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()}


def expected() -> set[str]:
    parts = {f"{panel.name}/{name}" for panel in PANELS for name in file_names(shots=1)}
    return parts | {"README.md", "job.json"}


def test_there_are_panels_of_every_sort() -> None:
    assert len(PANELS) >= 4
    paints = [PAINTS[panel.specimen.paint] for panel in PANELS]
    assert any(max(paint.albedo) < 0.02 for paint in paints)
    assert any(min(paint.albedo) > 0.5 for paint in paints)
    assert any(paint.flakes_per_mm2 > 0 for paint in paints)
    assert any(np.isinf(panel.specimen.radius_mm) for panel in PANELS)
    assert any(panel.specimen.radius_mm < 500 for panel in PANELS)
    assert any(done.haze and done.trails_mm_per_cm2 for p in PANELS for done in p.specimen.passes)
    assert len({panel.name for panel in PANELS}) == len({panel.seed for panel in PANELS})


def test_the_job_is_complete(folder: Path) -> None:
    assert files(folder) == expected()
    job = json.loads((folder / "job.json").read_text())
    assert [panel["name"] for panel in job["panels"]] == [panel.name for panel in PANELS]
    for panel in job["panels"]:
        truth = json.loads((folder / panel["truth"]).read_text())
        assert panel["mm_per_px"] == truth["states"][0]["shots"][0]["mm_per_px"]
        assert panel["title"]
        for state in ("before", "after"):
            with Image.open(folder / panel[state]) as photo:
                assert photo.size == (240, 180)


def test_it_says_that_it_is_invented_and_rendered(folder: Path) -> None:
    job = json.loads((folder / "job.json").read_text())
    assert job["invented"] is True
    for text in (job["scenario"], (folder / "README.md").read_text()):
        assert "Invented" in text
        assert "rendered, not photographed" in text


def test_the_highlight_lies_well_inside_every_photo(folder: Path) -> None:
    for panel in PANELS:
        truth = json.loads((folder / panel.name / "truth/truth.json").read_text())
        for state in truth["states"]:
            place = state["shots"][0]["highlight"]
            assert 0.3 * 240 < place["x_px"] < 0.7 * 240
            assert 0.3 * 180 < place["y_px"] < 0.7 * 180


def test_the_same_bytes_each_time(folder: Path, tmp_path: Path) -> None:
    write_demo(tmp_path, force=False, width_px=240, panels=THIN[-1:])
    again = file_names(shots=1)
    for name in again:
        first = folder / PANELS[-1].name / name
        assert (tmp_path / PANELS[-1].name / name).read_bytes() == first.read_bytes()


def test_progress_names_every_photo(tmp_path: Path) -> None:
    seen: list[str] = []
    write_demo(tmp_path, force=False, width_px=160, panels=THIN[:1], progress=seen.append)
    assert seen == [f"{PANELS[0].title}: before 1", f"{PANELS[0].title}: after 1"]


def test_nothing_is_written_over(tmp_path: Path) -> None:
    (tmp_path / "job.json").write_text("mine")
    with pytest.raises(OutputExistsError):
        write_demo(tmp_path, force=False, width_px=160, panels=THIN[:1])
    assert files(tmp_path) == {"job.json"}


def test_from_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "README.md").write_text("mine")
    assert demo.main([str(tmp_path)]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert "README.md is there already" in said.err
    with pytest.raises(SystemExit) as usage:
        demo.main([])
    assert usage.value.code == 2


def test_the_kept_samples_are_complete_and_small() -> None:
    assert files(SAMPLES) == expected()
    assert sum(p.stat().st_size for p in SAMPLES.rglob("*") if p.is_file()) < 15e6
    for panel in PANELS:
        with Image.open(SAMPLES / panel.name / "before.jpg") as photo:
            assert photo.size == (2000, 1500)


@pytest.mark.parametrize("panel", PANELS, ids=lambda panel: panel.name)
def test_the_kept_samples_are_of_these_panels(panel: DemoPanel) -> None:
    """The panel drawn anew has the density that the kept truth states."""
    truth = json.loads((SAMPLES / panel.name / "truth/truth.json").read_text())
    of_panel = np.random.default_rng(panel.seed).spawn(4)[0]
    drawn = draw_panel(panel.specimen, of_panel, flake_seed=panel.seed)
    kept = truth["states"][0]["line_density_mm_per_cm2"]["all"]
    assert drawn.density_mm_per_cm2() == pytest.approx(kept, rel=1e-9)
    assert truth["states"][0]["shots"][0]["lamp"]["position_mm"] == list(panel.stand.lamp_mm)
