"""How near the truth a pair of clips is measured, how fast, and in how much memory.

Run `python tests/benchmarks/clips.py`. Each pair is a panel before and after polishing, filmed
by hand for five seconds (1920 x 1080, 30 frames a second, MPEG-4 as OpenCV writes it) while the
lamp is drawn over it. The light is rendered for `PLACES` places of the lamp in each clip; it
rests at each for some frames, and those in between are blends of two places. Hand shake, motion
blur, rolling shutter and noise are each frame's own (`defectscan.simulation.clip`).

A frame shows 192 x 108 mm, the panel's density is stated for 200 x 150 mm, and passes are uneven:
so the correction is set beside that of the ground in the picture, too.
"""

import argparse
import json
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import scenes
from numpy.typing import NDArray
from speed import PROGRAM, peak_mb

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
    true_in_sight: tuple[float, float]
    measured: tuple[float, float]
    low: tuple[float, float]
    high: tuple[float, float]
    correction: float | None
    correction_low: float | None
    correction_high: float | None
    n_shots: tuple[int, int]
    n_tracked: int

    @property
    def true_correction(self) -> float:
        """Percent."""
        return 100 * (1 - self.true[1] / self.true[0])

    @property
    def true_correction_in_sight(self) -> float:
        """Percent, of the ground that is in the picture."""
        return 100 * (1 - self.true_in_sight[1] / self.true_in_sight[0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Setting:
    """A panel in both states, and where camera and lamp stand before."""

    paint: str
    curved: bool
    furnished: bool
    panel: Panel
    polished: Panel
    camera_mm: Floats
    lamp_height_mm: float
    lamp_radius_mm: float

    @classmethod
    def draw(cls, rng: np.random.Generator, seed: int) -> "Setting":
        """Draw one at random, the paint by the seed."""
        paint = list(PAINTS)[seed % len(PAINTS)]
        curved, furnished = bool(rng.random() < 0.5), bool(rng.random() < 0.5)
        panel = scenes._draw_panel(rng, paint, seed, None, curved=curved, furnished=furnished)
        polished = polish(panel, rng, depth_um=rng.uniform(0.1, 2.0))
        return cls(
            paint=paint, curved=curved, furnished=furnished, panel=panel, polished=polished,
            camera_mm=np.array([*rng.uniform(-50, 50, 2), rng.uniform(280, 450)]),
            lamp_height_mm=rng.uniform(300, 600), lamp_radius_mm=rng.uniform(2, 5),
        )  # fmt: skip

    def scene(self, panel: Panel, camera_mm: Floats, lamp_height_mm: float) -> Scene:
        """Return the scene of a state, the lamp over the panel's middle."""
        return Scene(
            surface=panel.surface,
            lamp=Lamp(position_mm=(0.0, 0.0, lamp_height_mm), radius_mm=self.lamp_radius_mm),
            camera=Camera(
                position_mm=tuple(map(float, camera_mm)),  # type: ignore[arg-type]
                target_mm=(0.0, 0.0, 0.0),
                focal_px=PX_PER_MM * float(np.linalg.norm(self.camera_mm)),
                width_px=WIDTH_PX,
                height_px=HEIGHT_PX,
            ),
        )

    def density_in_sight_mm_per_cm2(self, panel: Panel) -> float:
        """Return the length of groove per area of the ground in the picture before."""
        scene = self.scene(panel, self.camera_mm, self.lamp_height_mm)
        points, depth = panel.samples(0.5)
        stretch = panel.surface.stretch_v(points.uv_mm)
        angle = points.direction_rad
        length = points.length_mm * np.hypot(np.cos(angle), np.sin(angle) * stretch)
        u, v = (np.arange(-side / 2 + 0.25, side / 2, 0.5) for side in panel.ground_mm)
        ground = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
        seen, seen_ground = (
            np.all((xy >= 0) & (xy < (WIDTH_PX, HEIGHT_PX)), axis=-1)
            for xy in (scene.project(points.uv_mm), scene.project(ground))
        )
        area_cm2 = 0.25 * panel.surface.stretch_v(ground)[seen_ground].sum() / 100
        return float(length[seen & (depth > 0)].sum() / area_cm2)


def prepare(seed: int, folder: Path, *, filming: Filming, places: int = PLACES) -> Path:
    """Render a pair of clips into a folder of its own, unless it is there, and return that."""
    home = folder / f"{seed:05d}"
    if (home / "truth.json").exists():
        return home
    home.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    setting = Setting.draw(rng, seed)
    scale = 0.0
    for name, state in (("before", setting.panel), ("after", setting.polished)):
        moved = setting.camera_mm + (scenes._move(rng) if name == "after" else 0)
        height = setting.lamp_height_mm + (rng.uniform(-30, 30) if name == "after" else 0)
        scene = setting.scene(state, moved, height)
        scale = scale or _mm_per_px(state, ground_grid(scene))
        development = Development(
            exposure=rng.uniform(0.8, 1.2), blur_px=rng.uniform(0.7, 1.1),
            glare=rng.uniform(0.5, 1.5), sharpening=rng.uniform(0, 0.5),
        )  # fmt: skip
        path = [lamp_over(scene, at) for at in lamp_path(rng, places)]
        frames = render_clip(state, path, development, rng, filming=filming)
        write_clip(home / f"{name}.mp4", frames, frames_per_s=filming.frames_per_s)
    truth = {
        "seed": seed, "paint": setting.paint,
        "curved": setting.curved, "furnished": setting.furnished,
        "mm_per_px": scale, "duration_s": filming.duration_s,
        "density": [p.density_mm_per_cm2() for p in (setting.panel, setting.polished)],
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


def measure(home: Path) -> Row:
    """Measure a pair of clips and set it beside its truth."""
    truth = json.loads((home / "truth.json").read_text())
    result = pipeline.compare(home / "before.mp4", home / "after.mp4", mm_per_px=truth["mm_per_px"])
    states = (result.before, result.after)
    percent = result.correction.percent
    setting = Setting.draw(np.random.default_rng(truth["seed"]), truth["seed"])
    return Row(
        seed=truth["seed"], paint=truth["paint"],
        curved=truth["curved"], furnished=truth["furnished"],
        true=tuple(truth["density"]),
        true_in_sight=tuple(
            setting.density_in_sight_mm_per_cm2(p) for p in (setting.panel, setting.polished)
        ),
        measured=tuple(s.line_density.value for s in states),
        low=tuple(s.line_density.low for s in states),
        high=tuple(s.line_density.high for s in states),
        correction=None if percent is None else percent.value,
        correction_low=None if percent is None else percent.low,
        correction_high=None if percent is None else percent.high,
        n_shots=tuple(len(s.shots) for s in states),
        n_tracked=sum(one.registered for one in result.registrations),
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
    out = [f"pairs of clips: {len(rows)}; undefined {len(rows) - len(usable)}"]
    out.append(
        f"correction: median error {np.median(np.abs(off)):.2f} points, rms "
        f"{np.sqrt(np.mean(off**2)):.2f}, bias {off.mean():+.2f}; interval holds "
        f"{100 * np.mean(held):.0f} % (median width {width:.1f})"
    )
    off = np.array([row.correction - row.true_correction_in_sight for row in usable])
    out.append(
        f"against the ground in the picture: median error {np.median(np.abs(off)):.2f} points, "
        f"rms {np.sqrt(np.mean(off**2)):.2f}, bias {off.mean():+.2f}"
    )
    out.append(
        f"density (50 mm/cm² and more): median error {100 * np.median(np.abs(error)):.1f} %, "
        f"bias {100 * np.median(error):+.1f} %; interval holds {100 * np.mean(inside):.0f} %"
    )
    out.append(
        f"frames a clip: {np.mean([row.n_shots for row in rows]):.1f}; after registered: "
        f"{sum(r.n_tracked for r in rows)} of {sum(r.n_shots[1] for r in rows)}"
    )
    return "\n".join(out)


def work_report(homes: list[Path]) -> str:
    """Return how long `compare` works on each pair by itself, and the most memory it takes."""
    seconds, peaks = [], []
    for home in homes:
        truth = json.loads((home / "truth.json").read_text())
        clips = [str(home / f"{state}.mp4") for state in ("before", "after")]
        start = time.perf_counter()
        peaks.append(peak_mb([PROGRAM, "compare", *clips, "--mm-per-px", str(truth["mm_per_px"])]))
        seconds.append((time.perf_counter() - start) / (2 * truth["duration_s"]))
    return (
        f"compare of clips of {truth['duration_s']:g} s ({len(homes)} pairs), alone: "
        f"{np.median(seconds):.2f} s for a second of clip (most {max(seconds):.2f}), "
        f"{max(peaks):.0f} MB at most"
    )


def one(task: tuple[int, Path, Filming, bool]) -> Row | str | None:
    """Render a pair, where needed, and measure it unless told not to; say why where refused."""
    cv2.setNumThreads(1)
    seed, folder, filming, render_only = task
    home = prepare(seed, folder, filming=filming)
    try:
        return None if render_only else measure(home)
    except DefectscanError as error:
        return f"refused {seed}: {error}"


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=20)
    parser.add_argument("--first", type=int, default=80_000)
    parser.add_argument("--seconds", type=float, default=5.0)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--rows", type=Path, help="write every pair's figures here, line by line")
    parser.add_argument("--render-only", action="store_true")
    parser.add_argument("--work", action="store_true", help="measure time and memory, too")
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    filming = replace(Filming(), duration_s=given.seconds)
    with tempfile.TemporaryDirectory() as temporary:
        folder = given.folder or Path(temporary)
        seeds = range(given.first, given.first + given.pairs)
        rows = []
        with ProcessPoolExecutor(given.jobs) as pool:
            tasks = [(seed, folder, filming, given.render_only) for seed in seeds]
            for row in pool.map(one, tasks):
                if row is not None:
                    print(row, flush=True)
                if isinstance(row, Row):
                    rows.append(row)
                    if given.rows:
                        with given.rows.open("a") as lines:
                            lines.write(json.dumps(asdict(row)) + "\n")
        if rows:
            print(report(rows))
        if given.work:
            print(work_report([prepare(seed, folder, filming=filming) for seed in seeds[:3]]))
            longer = replace(filming, duration_s=3 * given.seconds)
            print(work_report([prepare(given.first, folder / "longer", filming=longer)]))


if __name__ == "__main__":
    main()
