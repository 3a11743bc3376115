"""`defectscan render`: files and truth, exit status 1 and 2, nothing written over."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import typer
from PIL import Image
from typer.testing import CliRunner, Result

from defectscan.cli.render import PaintName, render
from defectscan.errors import DefectscanError, OutputExistsError
from defectscan.simulation import demo
from defectscan.simulation.panel import PAINTS
from defectscan.simulation.truth import file_names

app = typer.Typer()
app.command()(render)

QUICK = ("--width", "200", "--density", "15", "--dust", "5")


def run(*arguments: str) -> Result:
    return CliRunner().invoke(app, arguments)


def done(*arguments: str) -> Result:
    result = run(*arguments)
    assert result.exit_code == 0, result.output
    return result


def test_writes_the_pair_and_its_truth(tmp_path: Path) -> None:
    said = done(str(tmp_path / "new"), *QUICK).output
    there = {
        str(p.relative_to(tmp_path / "new")) for p in (tmp_path / "new").rglob("*") if p.is_file()
    }
    assert there == set(file_names(shots=1))
    truth = json.loads((tmp_path / "new/truth/truth.json").read_text())
    before, after = (s["line_density_mm_per_cm2"]["all"] for s in truth["states"])
    assert f"{before:.1f} mm/cm² before, {after:.1f} after" in said
    assert after < before


def test_options_reach_the_picture(tmp_path: Path) -> None:
    options = (
        "--paint blue-metallic --radius 400 --radius-across 900 --pass-depth 1.5 --haze 0.02 "
        "--trails 25 --lamp 10 5 400 --camera 0 -8 350 --lamp-radius 2.5 --move 0 --exposure 0.8 "
        "--exposure-after 1.25 --blur 1.1 --glare 0.5 --noise 2 --sharpening 0 --no-furniture "
        "--jpeg-quality 80 --shots 2 --orange-peel 0.001 --deep-scratches 0"
    )
    done(str(tmp_path), *QUICK, *options.split())
    truth = json.loads((tmp_path / "truth/truth.json").read_text())
    before, after = truth["states"]
    assert truth["panel"]["curvature_u_per_mm"] == pytest.approx(1 / 400)
    assert truth["panel"]["curvature_v_per_mm"] == pytest.approx(1 / 900)
    assert tuple(truth["panel"]["paint"]["albedo"]) == PAINTS["blue metallic"].albedo
    assert truth["panel"]["dust"] == 5
    assert (after["removed_um"], after["haze"]) == ([1.5], 0.02)
    assert after["line_density_mm_per_cm2"]["machine_trail"] > 5
    assert before["line_density_mm_per_cm2"]["deep_scratch"] == 0
    assert len(before["shots"]) == 2
    for shot in (*before["shots"], *after["shots"]):
        assert shot["lamp"] == {"position_mm": [10, 5, 400], "radius_mm": 2.5}
        assert shot["camera"]["position_mm"] == [0, -8, 350]
    assert before["shots"][0]["development"] == {
        "exposure": 0.8, "blur_px": 1.1, "glare": 0.5, "full_well_e": 1500, "read_noise_e": 2.5,
        "sharpening": 0, "jpeg_quality": 80,
    }  # fmt: skip
    assert after["shots"][1]["development"]["exposure"] == pytest.approx(1.0)
    panel = json.loads((tmp_path / "truth/before_panel.json").read_text())
    assert panel["patches"] == []
    with Image.open(tmp_path / "after/2.jpg") as photo:
        assert photo.size == (200, 150)


def test_the_seed_decides(tmp_path: Path) -> None:
    for name, seed in (("a", "4"), ("b", "4"), ("c", "5")):
        done(str(tmp_path / name), *QUICK, "--seed", seed)
    one, same, other = ((tmp_path / name / "before.jpg").read_bytes() for name in "abc")
    assert one == same != other


def test_nothing_is_written_over_without_force(tmp_path: Path) -> None:
    (tmp_path / "before.jpg").write_bytes(b"mine")
    refused = run(str(tmp_path), *QUICK)
    assert isinstance(refused.exception, OutputExistsError)
    assert (tmp_path / "before.jpg").read_bytes() == b"mine"
    assert len(list(tmp_path.iterdir())) == 1
    done(str(tmp_path), *QUICK, "--force")
    assert (tmp_path / "before.jpg").read_bytes() != b"mine"


def test_a_file_in_the_folders_place(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    refused = run(str(tmp_path / "file"), *QUICK)
    assert isinstance(refused.exception, DefectscanError)
    assert "\n" not in str(refused.exception)


def test_a_panel_out_of_sight(tmp_path: Path) -> None:
    refused = run(str(tmp_path), *QUICK, "--radius", "250", "--camera", "300", "0", "200")
    assert isinstance(refused.exception, DefectscanError)
    assert "curves out of the sight" in str(refused.exception)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "wrong",
    [
        ("--paint", "gold"),
        ("--density", "-1"),
        ("--density", "nan"),
        ("--density", "inf"),
        ("--radius", "100"),
        ("--radius", "nan"),
        ("--lamp", "0", "0", "50"),
        ("--camera", "0", "nan", "300"),
        ("--shots", "0"),
        ("--width", "100000"),
        ("--jpeg-quality", "99"),
        ("--seed", "-1"),
        ("--demo", "--paint", "red"),
        ("--unknown",),
    ],
)
def test_wrong_usage(tmp_path: Path, wrong: tuple[str, ...]) -> None:
    result = run(str(tmp_path / "new"), *wrong)
    assert result.exit_code == 2
    assert not (tmp_path / "new").exists()


def test_no_folder() -> None:
    assert run().exit_code == 2


def test_the_paints_offered_are_those_that_there_are() -> None:
    assert [name.replace("-", " ") for name in PaintName] == list(PAINTS)


def test_the_sample_job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: dict[str, object] = {}

    def write_demo(folder: Path, **options: object) -> list[Path]:
        seen.update(options, folder=folder)
        return [folder / "job.json", folder / "README.md"]

    monkeypatch.setattr(demo, "write_demo", write_demo)
    said = done(str(tmp_path), "--demo", "--width", "300", "--force").output
    assert "2 files in" in said
    assert (seen["folder"], seen["width_px"], seen["force"]) == (tmp_path, 300, True)


def test_importing_the_command_loads_nothing_heavy() -> None:
    code = "import sys, defectscan.cli.render; print(*sys.modules)"
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    assert "defectscan.cli.render" in loaded
    assert not {"numpy", "cv2", "scipy", "PIL"} & set(loaded)


def test_extreme_yet_allowed_options(tmp_path: Path) -> None:
    options = (
        "--width 160 --density 0 --deep-scratches 0 --dust 0 --pass-depth 0 --no-furniture "
        "--lamp 500 0 300 --exposure 20 --noise 20"
    )
    done(str(tmp_path), *options.split())
    truth = json.loads((tmp_path / "truth/truth.json").read_text())
    assert truth["correction_percent"]["all"] is None
    assert truth["states"][0]["reference_floor_mm_per_cm2"] in {None, 0}
    with Image.open(tmp_path / "before.jpg") as photo:
        assert np.asarray(photo).shape == (120, 160, 3)
