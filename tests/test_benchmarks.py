"""The benchmarks run, on inputs so small that their figures mean nothing."""

import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))

import accuracy
import clips
import figures
import folders
import groove_free
import repeats
import ridge_filters
import scaling
import scenes
import shown_grooves
import speed

from defectscan.simulation.clip import Filming


@pytest.fixture(autouse=True)
def _small(monkeypatch: pytest.MonkeyPatch) -> None:
    # 120 by 90 mm in sight, with grooves little beyond. Were it less, no move of the lamp would
    # bring the highlight into the picture.
    monkeypatch.setattr(scenes, "WIDTH_PX", 840)
    monkeypatch.setattr(scenes, "HEIGHT_PX", 630)
    monkeypatch.setattr(scenes, "MARGIN_PX", 56)
    monkeypatch.setattr(scenes, "PX_PER_MM", 7.0)
    monkeypatch.setattr(scenes, "EXTENT_MM", (120.0, 90.0))
    monkeypatch.setattr(scenes, "GROUND_MM", (200.0, 170.0))


def test_accuracy(tmp_path: Path) -> None:
    home = accuracy.prepare(6, tmp_path)
    assert accuracy.prepare(6, tmp_path) == home
    row = accuracy.measure(home)
    assert 0 < row.measured[0] < 3 * row.true[0]
    assert row.low[0] <= row.measured[0] <= row.high[0]
    table = accuracy.report([row])
    for word in ("density, all", "correction: rms", "registration", "lines F1"):
        assert word in table
    right, found, seen, asked = row.f1_terms[0]
    assert 0 < right <= found
    assert 0 < seen <= asked


def test_clips(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clips, "WIDTH_PX", 960)
    monkeypatch.setattr(clips, "HEIGHT_PX", 540)
    monkeypatch.setattr(clips, "PX_PER_MM", 5.0)
    # A frame shows 192 by 108 mm.
    monkeypatch.setattr(scenes, "EXTENT_MM", (200.0, 150.0))
    monkeypatch.setattr(scenes, "GROUND_MM", (240.0, 170.0))
    filming = Filming(duration_s=0.5, shake_px=2, jolt_px=0)
    home = clips.prepare(6, tmp_path, filming=filming, places=2)
    row = clips.measure(home)
    assert row.true[0] > row.true[1]
    assert all(0 < one <= 2 for one in row.n_shots)
    assert all(low <= value <= high for low, value, high in zip(
        row.low, row.measured, row.high, strict=True
    ))  # fmt: skip
    table = clips.report([row])
    for word in ("correction: median error", "density", "frames a clip"):
        assert word in table
    assert re.search(
        r"clips of 0.5 s \(1 pairs\), alone: \d+\.\d+ s for a second of clip .*\d MB at most",
        clips.work_report([home]),
    )


def test_shown_grooves(monkeypatch: pytest.MonkeyPatch) -> None:
    # The stand-in leaves the dice where rendering leaves them.
    (rendered,) = scenes.draw_case(2, states=1).before
    one, other = (np.random.default_rng(0) for _ in range(2))
    scenes.render_shot(rendered.panel, rendered.scene, rendered.development, one)
    shown_grooves.not_rendered(rendered.panel, rendered.scene, rendered.development, other)
    assert one.random() == other.random()
    # Lamps that light every course show the panel as it is.
    few = shown_grooves.errors_points(2, shots=1)
    assert abs(few.known_in_both) < 40
    assert abs(few.own_lamps) < 60
    assert few.own_lamps != few.known_in_both
    others = [shown_grooves.Shown(known_in_both=one, own_lamps=-3.0) for one in (1.0, 4.0)]
    both, own = shown_grooves.report(others).splitlines()
    assert both.endswith("median error 2.50 points, rms 2.92, bias +2.50")
    assert own.endswith("median error 3.00 points, rms 3.00, bias -3.00")
    monkeypatch.setattr(shown_grooves, "TILTS", (0.0, np.inf))
    monkeypatch.setattr(
        shown_grooves.lighting, "along_across", lambda slopes, _: (0 * slopes[..., 0], None)
    )
    monkeypatch.setattr(
        shown_grooves, "in_sight",
        lambda panel, _, uv: np.all(np.abs(uv) <= np.asarray(panel.extent_mm) / 2, axis=-1),
    )  # fmt: skip
    monkeypatch.setattr(shown_grooves, "edge_slope", lambda depth, *_: np.full(len(depth), np.inf))
    # With a broad lamp, too, each place is lit in every direction.
    scene = rendered.scene
    broad = replace(scene, lamp=replace(scene.lamp, radius_mm=1e9))
    area_mm2 = float(np.prod(rendered.panel.extent_mm))
    assert shown_grooves.exposure_mm2(rendered.panel, [broad, broad]) == 2 * area_mm2
    monkeypatch.setattr(shown_grooves, "exposure_mm2", lambda *_: 1.0)
    every = shown_grooves.errors_points(2, shots=1)
    assert every.known_in_both == pytest.approx(0, abs=0.5)
    assert every.own_lamps == pytest.approx(0, abs=0.5)


def test_shots_over_the_panel_go_where_the_guide_shows(monkeypatch: pytest.MonkeyPatch) -> None:
    # Not rendered, so as large as in earnest: in a small picture the places lie outside.
    monkeypatch.undo()
    monkeypatch.setattr(scenes, "render_shot", shown_grooves.not_rendered)
    case = scenes.draw_case(2, shots=5, over_panel=True)
    before, after = (
        np.array([shot.scene.mirror_point() for shot in state])
        for state in (case.before, case.after)
    )
    off = np.linalg.norm(before - scenes.PLACES_MM, axis=-1)
    assert 0 < off.min() < off.max() < 4 * scenes.AIM_SD_MM
    # A lamp moved by 40 mm, and a camera, move it by half as much each.
    moved = np.linalg.norm(after - before, axis=-1)
    assert 0 < moved.min() < moved.max() < 45


def test_groove_free_panels() -> None:
    paint, value, limit = groove_free.reading(2)
    assert paint == list(scenes.PAINTS)[2]
    assert 0 <= value <= limit


def test_ridge_filters(monkeypatch: pytest.MonkeyPatch) -> None:
    thin = {name: values[4:12:3] for name, values in ridge_filters.THRESHOLDS.items()}
    monkeypatch.setattr(ridge_filters, "THRESHOLDS", thin)
    _, terms = ridge_filters.terms_of(3)
    best = {name: max(accuracy.f1(row) for row in rows) for name, rows in terms.items()}
    assert set(best) == {"defectscan", "sato", "frangi"}
    assert all(0.3 < value <= 1 for value in best.values())


def test_repeats(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(repeats, "DENSITIES_MM_PER_CM2", {"red": 40.0, "white": 100.0})
    monkeypatch.setattr(repeats, "SHOTS", 2)
    monkeypatch.setattr(repeats, "WIDTH_PX", 640)
    mm_per_px = repeats.prepare(tmp_path)
    assert repeats.prepare(tmp_path) == mm_per_px > 0
    first, *figures_told = repeats.report(tmp_path, mm_per_px=mm_per_px).splitlines()
    assert first == "shots: 8, measured 8"
    assert [line.split(":")[1].strip() != "undefined" for line in figures_told] == [True] * 3


def test_speed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(speed, "SIZE_PX", (1200, 900))
    before, after = speed.large_photos(tmp_path)
    assert before.stat().st_size > 100_000 < after.stat().st_size
    assert speed.seconds([sys.executable, "-c", ""]) > 0
    held = "held = bytearray(100_000_000); import time; time.sleep(0.3)"
    started = f"import subprocess, sys; subprocess.run([sys.executable, '-c', {held!r}])"
    both = f"{started[: started.index(';')]}; {held}; {started[started.index(';') + 2 :]}"
    one, other, two = (speed.peak_mb([sys.executable, "-c", c]) for c in (held, started, both))
    assert 90 < one < 200
    assert 90 < other < 200
    assert two > one + 90


def test_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folders, "STOPPED_AFTER", 1)
    command = folders.draw_folder(tmp_path / "photos", 4)
    made, kept, told = folders.going_on(command, tmp_path / "out")
    assert 1 <= made == kept
    assert told == 4
    monkeypatch.setattr(folders, "PANELS", 1)
    assert all(0 < mb < 2 for mb in folders.report_mb(tmp_path).values())


def test_scaling(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert scaling.growth((1, 10), (2, 20)) == pytest.approx(1)
    assert scaling.growth((1, 2, 10), (7, 2, 10)) == pytest.approx(1)
    monkeypatch.setattr(scaling, "TIMES", 1)
    line = scaling.by_shots(tmp_path, (1, 2))
    assert line.startswith("score by shots: 1: ")
    assert "grows with the power " in line
    (shot,) = scenes.draw_case(8, states=1).before
    with Image.open(scaling.photo_of(shot, tmp_path / "large.jpg", megapixels=2.0)) as image:
        assert image.width * image.height == pytest.approx(2e6, rel=0.01)


def test_all_figures_in_one_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for _, script, _ in figures.RUNS:
        assert (Path(figures.__file__).parent / script).is_file()
    monkeypatch.setattr(
        figures, "RUNS", (("card", "card.py", "--draws 1"), ("other", "none.py", ""))
    )
    monkeypatch.setattr(sys, "argv", ["figures.py", "card", "--folder", str(tmp_path)])
    figures.main()
    told = capsys.readouterr().out
    assert re.search(r"## card: python tests/benchmarks/card.py --draws 1 \(\d+ min\)\n", told)
    assert "FAILED" not in told
    assert (tmp_path / "figures.txt").read_text(encoding="utf-8") == told
    monkeypatch.setattr(sys, "argv", ["figures.py", "cart"])
    with pytest.raises(SystemExit):
        figures.main()
