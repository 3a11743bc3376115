"""How near the truth a pair of clips is measured, how fast, and in how much memory.

Run `python tests/benchmarks/clips.py`. Each pair is a panel before and after polishing, filmed
by hand for five seconds (1920 x 1080, 30 frames a second, MPEG-4 as OpenCV writes it) while the
lamp is drawn over it. The light is rendered for `PLACES` places of the lamp in each clip; it
rests at each for some frames, and those in between are blends of two places. Hand shake, motion
blur, rolling shutter and noise are each frame's own (`defectscan.simulation.clip`).
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
import scenes
from numpy.typing import NDArray

from defectscan import pipeline
from defectscan.errors import DefectscanError
from defectscan.simulation.clip import Filming, lamp_over, render_clip, write_clip
from defectscan.simulation.develop import Development
from defectscan.simulation.light import ground_grid
from defectscan.simulation.panel import PAINTS, Panel, polish
from defectscan.simulation.render import _mm_per_px
from defectscan.simulation.scene import Camera, Lamp, Scene

Floats = NDArray[np.float64]

WIDTH_PX, HEIGHT_PX = 1920, 1080
PLACES = 20
PX_PER_MM = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One pair: truth, and what was measured."""

    seed: int
    paint: str
    curved: bool
    furnished: bool
    true: tuple[float, float]
    measured: tuple[float, float]
    low: tuple[float, float]
    high: tuple[float, float]
    correction: float | None
    correction_low: float | None
    correction_high: float | None
    n_shots: tuple[int, int]
    n_tracked: int
    seconds: float
    cpu_seconds: float
    clip_seconds: float

    @property
    def true_correction(self) -> float:
        """Percent."""
        return 100 * (1 - self.true[1] / self.true[0])


def prepare(seed: int, folder: Path, *, filming: Filming, places: int = PLACES) -> Path:
    """Render a pair of clips into a folder of its own, unless it is there, and return that."""
    home = folder / f"{seed:05d}"
    if (home / "truth.json").exists():
        return home
    home.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    paint = list(PAINTS)[seed % len(PAINTS)]
    curved, furnished = bool(rng.random() < 0.5), bool(rng.random() < 0.5)
    panel = scenes._draw_panel(rng, paint, seed, None, curved=curved, furnished=furnished)
    polished = polish(panel, rng, depth_um=rng.uniform(0.1, 2.0))
    lamp, camera = np.zeros(3), np.zeros(3)
    camera[:2], camera[2] = rng.uniform(-50, 50, 2), rng.uniform(280, 450)
    lamp[2], radius = rng.uniform(300, 600), rng.uniform(2, 5)
    focal = PX_PER_MM * float(np.linalg.norm(camera))
    scale = 0.0
    for name, state in (("before", panel), ("after", polished)):
        moved = camera + (scenes._move(rng) if name == "after" else 0)
        height = lamp[2] + (rng.uniform(-30, 30) if name == "after" else 0)
        scene = _scene(state, moved, np.array([0, 0, height]), radius, focal_px=focal)
        scale = scale or _mm_per_px(state, ground_grid(scene))
        development = Development(
            exposure=rng.uniform(0.8, 1.2), blur_px=rng.uniform(0.7, 1.1),
            glare=rng.uniform(0.5, 1.5), sharpening=rng.uniform(0, 0.5),
        )  # fmt: skip
        path = [lamp_over(scene, at) for at in lamp_path(rng, places)]
        frames = render_clip(state, path, development, rng, filming=filming)
        write_clip(home / f"{name}.mp4", frames, frames_per_s=filming.frames_per_s)
    truth = {
        "seed": seed, "paint": paint, "curved": curved, "furnished": furnished,
        "mm_per_px": scale, "duration_s": filming.duration_s,
        "density": [panel.density_mm_per_cm2(), polished.density_mm_per_cm2()],
    }  # fmt: skip
    (home / "truth.json").write_text(json.dumps(truth))
    return home


def lamp_path(rng: np.random.Generator, places: int) -> Floats:
    """Return places on the panel along which a hand draws the highlight, mm, shape (places, 2)."""
    along = np.linspace(-1, 1, places)
    wave = np.sin(np.pi * (rng.uniform(1.2, 2.2) * along + rng.uniform(0, 2)))
    x = along * rng.uniform(55, 75) + rng.normal(0, 4, places)
    y = wave * rng.uniform(20, 32) + rng.normal(0, 3, places)
    if rng.random() < 0.5:
        x = -x
    return np.stack([x, y], axis=-1)


def _scene(
    panel: Panel, camera_mm: Floats, lamp_mm: Floats, radius_mm: float, *, focal_px: float
) -> Scene:
    return Scene(
        surface=panel.surface,
        lamp=Lamp(position_mm=tuple(map(float, lamp_mm)), radius_mm=radius_mm),  # type: ignore[arg-type]
        camera=Camera(
            position_mm=tuple(map(float, camera_mm)),  # type: ignore[arg-type]
            target_mm=(0.0, 0.0, 0.0),
            focal_px=focal_px,
            width_px=WIDTH_PX,
            height_px=HEIGHT_PX,
        ),
    )


def measure(home: Path) -> Row:
    """Measure a pair of clips and set it beside its truth."""
    truth = json.loads((home / "truth.json").read_text())
    start, cpu = time.perf_counter(), time.process_time()
    result = pipeline.compare(home / "before.mp4", home / "after.mp4", mm_per_px=truth["mm_per_px"])
    seconds, cpu = time.perf_counter() - start, time.process_time() - cpu
    states = (result.before, result.after)
    percent = result.correction.percent
    return Row(
        seed=truth["seed"], paint=truth["paint"],
        curved=truth["curved"], furnished=truth["furnished"],
        true=tuple(truth["density"]),
        measured=tuple(s.line_density.value for s in states),
        low=tuple(s.line_density.low for s in states),
        high=tuple(s.line_density.high for s in states),
        correction=None if percent is None else percent.value,
        correction_low=None if percent is None else percent.low,
        correction_high=None if percent is None else percent.high,
        n_shots=tuple(len(s.shots) for s in states),
        n_tracked=sum(one.registered for one in result.registrations),
        seconds=seconds, cpu_seconds=cpu, clip_seconds=2 * truth["duration_s"],
    )  # fmt: skip


def report(rows: list[Row]) -> str:
    """Return the table of figures."""
    usable = [row for row in rows if row.correction is not None]
    off = np.array([row.correction - row.true_correction for row in usable])
    held = [r.correction_low <= r.true_correction <= r.correction_high for r in usable]
    width = np.median([row.correction_high - row.correction_low for row in usable])
    inside = [[low <= t <= high for low, t, high in zip(r.low, r.true, r.high, strict=True)]
              for r in rows]  # fmt: skip
    error = np.array(
        [m / t - 1 for r in rows for m, t in zip(r.measured, r.true, strict=True) if t >= 50]
    )
    speed = [row.seconds / row.clip_seconds for row in rows]
    cpu = [row.cpu_seconds / row.clip_seconds for row in rows]
    out = [f"pairs of clips: {len(rows)}; undefined {len(rows) - len(usable)}"]
    out.append(
        f"correction: median error {np.median(np.abs(off)):.2f} points, rms "
        f"{np.sqrt(np.mean(off**2)):.2f}, bias {off.mean():+.2f}; interval holds "
        f"{100 * np.mean(held):.0f} % (median width {width:.1f})"
    )
    out.append(
        f"density (50 mm/cm² and more): median error {100 * np.median(np.abs(error)):.1f} %, "
        f"bias {100 * np.median(error):+.1f} %; interval holds {100 * np.mean(inside):.0f} %"
    )
    out.append(
        f"frames a clip: {np.mean([row.n_shots for row in rows]):.1f}; after registered: "
        f"{sum(r.n_tracked for r in rows)} of {sum(r.n_shots[1] for r in rows)}"
    )
    out.append(
        f"work a second of clip: {np.median(speed):.2f} s on the clock (most "
        f"{max(speed):.2f}), {np.median(cpu):.2f} s of processor"
    )
    return "\n".join(out)


def peak_memory_mb(clip: Path, *, mm_per_px: float) -> float:
    """Return the peak memory of scoring a clip in a process of its own."""
    code = (
        "import sys, resource; from pathlib import Path; from defectscan import pipeline; "
        "pipeline.score(Path(sys.argv[1]), mm_per_px=float(sys.argv[2])); "
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(clip), str(mm_per_px)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return int(done.stdout) / 1024


def memory_report(folder: Path, *, seed: int) -> str:
    """Return the peak memory for clips of 5 s and 15 s of the same panel."""
    out = []
    for duration in (5.0, 15.0):
        filming = Filming(duration_s=duration)
        home = prepare(seed, folder / f"{duration:.0f}s", filming=filming)
        scale = json.loads((home / "truth.json").read_text())["mm_per_px"]
        peak = peak_memory_mb(home / "before.mp4", mm_per_px=scale)
        out.append(f"{duration:.0f} s: {peak:.0f} MB")
    return "peak memory of score: " + "; ".join(out)


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=20)
    parser.add_argument("--first", type=int, default=80_000)
    parser.add_argument("--seconds", type=float, default=5.0)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--rows", type=Path, help="write every pair's figures here, line by line")
    parser.add_argument("--render-only", action="store_true")
    parser.add_argument("--memory", action="store_true", help="measure the peak memory, too")
    given = parser.parse_args()
    filming = replace(Filming(), duration_s=given.seconds)
    with tempfile.TemporaryDirectory() as temporary:
        folder = given.folder or Path(temporary)
        rows = []
        for seed in range(given.first, given.first + given.pairs):
            home = prepare(seed, folder, filming=filming)
            if given.render_only:
                continue
            try:
                row = measure(home)
            except DefectscanError as error:
                print(f"refused {seed}: {error}", flush=True)
                continue
            rows.append(row)
            print(row, flush=True)
            if given.rows:
                with given.rows.open("a") as lines:
                    lines.write(json.dumps(asdict(row)) + "\n")
        if rows:
            print(report(rows))
        if given.memory:
            print(memory_report(folder, seed=given.first))


if __name__ == "__main__":
    main()
