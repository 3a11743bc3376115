"""How near the truth a half-polished panel is measured from one photo.

Run `python tests/benchmarks/split.py`. The untouched and the polished panel are rendered from
the same place with a strip of tape on both, and joined along it. The truth is the pass's
correction over the whole panel.
"""

import argparse
import json
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import scenes
from numpy.typing import NDArray

from defectscan import split
from defectscan.errors import DefectscanError
from defectscan.imaging.split_line import SplitLine, find_line
from defectscan.simulation.develop import Development, to_jpeg
from defectscan.simulation.furniture import MASKING_TAPE, strip
from defectscan.simulation.panel import PAINTS, Panel, polish
from defectscan.simulation.render import RenderedShot, render_shot
from defectscan.simulation.scene import Camera, Lamp, Scene

Floats = NDArray[np.float64]

PLACES = ("untouched", "polished", "near the tape", "under the tape")
TAPES = (MASKING_TAPE, (0.05, 0.16, 0.45), (0.55, 0.56, 0.55))
FOUND_PX = 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One photo: truth, and what was measured."""

    seed: int
    paint: str
    curved: bool
    highlight: str
    line_off_px: float | None
    guessed_right: bool | None
    true: float
    measured: float | None
    low: float | None
    high: float | None
    direction_share: float | None
    refused: str


def draw_photo(seed: int, folder: Path) -> Path:
    """Render a half-polished panel into a folder of its own, unless it is there."""
    home = folder / f"{seed:05d}"
    if (home / "truth.json").exists():
        return home
    rng = np.random.default_rng(seed)
    paint, curved = list(PAINTS)[seed % len(PAINTS)], (seed // len(PAINTS)) % 2 == 1
    panel = scenes._draw_panel(rng, paint, seed, None, curved=curved, furnished=False)
    angle = float(rng.choice([0, 90]) + rng.uniform(-12, 12))
    tape = strip(
        offset_mm=rng.uniform(-15, 15), angle_deg=angle, width_mm=rng.uniform(5, 25),
        length_mm=900, albedo=TAPES[int(rng.integers(len(TAPES)))], what="tape",
    )  # fmt: skip
    panel = replace(panel, patches=(tape,))
    polished = polish(panel, rng, depth_um=rng.uniform(0.1, 2.0))
    first_is_polished = bool(rng.random() < 0.5)
    place = PLACES[int(rng.choice(len(PLACES), p=(0.35, 0.35, 0.2, 0.1)))]
    scene = _scene(rng, panel, place, first_is_polished=first_is_polished)
    development = Development(
        blur_px=rng.uniform(0.7, 1.1), glare=rng.uniform(0.5, 1.5),
        sharpening=rng.uniform(0, 0.5), jpeg_quality=int(rng.integers(85, 96)),
    )  # fmt: skip
    shots = [render_shot(state, scene, development, rng) for state in (panel, polished)]
    home.mkdir(parents=True, exist_ok=True)
    ends, off = _tape_in(shots[0])
    (home / "photo.jpg").write_bytes(
        joined(shots[0], shots[1], (off < 0) == first_is_polished, development)
    )
    truth = {
        "seed": seed, "paint": paint, "curved": curved, "highlight": place,
        "mm_per_px": shots[0].mm_per_px, "line": ends.tolist(),
        "first_is_polished": first_is_polished,
        "density": [shot.density_mm_per_cm2 for shot in shots],
    }  # fmt: skip
    (home / "truth.json").write_text(json.dumps(truth))
    return home


def joined(
    untouched: RenderedShot,
    polished: RenderedShot,
    is_polished: NDArray[np.bool_],
    development: Development,
) -> bytes:
    """Return one photo, a JPEG file, that shows the polished panel where it is polished."""
    both = np.where(is_polished[..., None], polished.rgb, untouched.rgb)
    return to_jpeg(both.astype(np.float32) / 255, development, exposure_time_s=1 / 60)


def _tape_in(shot: RenderedShot) -> tuple[Floats, Floats]:
    """Return the ends of the tape's middle in the photo, and each pixel's distance from it."""
    corners = shot.panel.patches[0].outline_mm
    middle = np.array([(corners[0] + corners[3]) / 2, (corners[1] + corners[2]) / 2])
    # Far beyond the picture a curved panel turns away: take the part that is in sight.
    inner = middle.mean(axis=0) + np.array([[-0.08], [0.08]]) * (middle[1] - middle[0])
    ends = shot.scene.project(inner)
    line = SplitLine.through(ends[0], ends[1])
    return ends, line.across_picture(shot.rgb.shape).astype(np.float64)


def _scene(rng: np.random.Generator, panel: Panel, place: str, *, first_is_polished: bool) -> Scene:
    """Draw lamp and camera until the highlight lies where it is to be."""
    for _ in range(5000):
        stand = scenes._Stand.draw(rng)
        camera = stand.camera_mm
        scene = Scene(
            surface=panel.surface,
            lamp=Lamp(position_mm=tuple(map(float, stand.lamp_mm)), radius_mm=stand.lamp_radius_mm),
            camera=Camera(
                position_mm=tuple(map(float, camera)), target_mm=(0.0, 0.0, 0.0),
                focal_px=scenes.WIDTH_PX / 200 * float(np.linalg.norm(camera)),
                width_px=scenes.WIDTH_PX, height_px=scenes.HEIGHT_PX,
                roll_deg=rng.uniform(-2, 2),
            ),
        )  # fmt: skip
        at = scene.project(scene.mirror_point())
        margin = scenes.MARGIN_PX
        if not (
            margin < at[0] < scenes.WIDTH_PX - margin and margin < at[1] < scenes.HEIGHT_PX - margin
        ):
            continue
        if _place(scene, panel, at, first_is_polished=first_is_polished) == place:
            return scene
    raise RuntimeError(f"no place for a highlight {place}")


def _place(scene: Scene, panel: Panel, at: Floats, *, first_is_polished: bool) -> str:
    corners = panel.patches[0].outline_mm
    middle = np.array([(corners[0] + corners[3]) / 2, (corners[1] + corners[2]) / 2])
    inner = middle.mean(axis=0) + np.array([[-0.08], [0.08]]) * (middle[1] - middle[0])
    ends = scene.project(inner)
    line = SplitLine.through(ends[0], ends[1])
    off = float(line.across(at))
    half = float(np.linalg.norm(corners[3] - corners[0])) / 2 * scenes.WIDTH_PX / 200
    radius = 0.012 * scenes.WIDTH_PX
    if abs(off) < half - radius:
        return PLACES[3]
    if abs(off) < half + 3 * radius:
        return PLACES[2]
    return PLACES[1] if (off < 0) == first_is_polished else PLACES[0]


def measure(home: Path) -> Row:
    """Measure a photo twice, told and not told which half is polished, beside its truth."""
    truth = json.loads((home / "truth.json").read_text())
    path = home / "photo.jpg"
    true = SplitLine.through(*np.array(truth["line"]))
    name = true.halves[0 if truth["first_is_polished"] else 1]
    rgb = cv2.cvtColor(
        cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR),
        cv2.COLOR_BGR2RGB,
    )
    found = find_line(rgb.astype(np.uint8))
    off = None
    if found is not None:
        chord = found.chord(rgb.shape)
        off = float(np.abs(true.across(chord)).max()) if chord is not None else None
    result, refused = None, ""
    try:
        result = split.split(path, polished=name, mm_per_px=truth["mm_per_px"])
    except DefectscanError as error:
        refused = str(error)
    percent = None if result is None else result.correction.percent
    return Row(
        seed=truth["seed"], paint=truth["paint"], curved=truth["curved"],
        highlight=truth["highlight"], line_off_px=off,
        guessed_right=None if percent is None else percent.value > 0,
        true=100 * (1 - truth["density"][1] / truth["density"][0]),
        measured=None if percent is None else percent.value,
        low=None if percent is None else percent.low,
        high=None if percent is None else percent.high,
        direction_share=None if result is None else result.direction_share,
        refused=refused,
    )  # fmt: skip


def report(rows: list[Row]) -> str:
    """Return the table of figures."""
    found = sum(row.line_off_px is not None and row.line_off_px < FOUND_PX for row in rows)
    out = [f"photos: {len(rows)}; tape found within {FOUND_PX:.0f} px: {found} of {len(rows)}"]
    usable = [row for row in rows if row.measured is not None]
    groups = [("all", usable)]
    groups += [(f"highlight {p}", [r for r in usable if r.highlight == p]) for p in PLACES]
    groups += [("flat", [r for r in usable if not r.curved])]
    groups += [("curved", [r for r in usable if r.curved])]
    for name, group in groups:
        if not group:
            continue
        off = np.array([row.measured - row.true for row in group])
        held = np.mean([row.low <= row.true <= row.high for row in group])
        width = np.median([row.high - row.low for row in group])
        out.append(
            f"correction, {name} ({len(group)}): median error {np.median(np.abs(off)):.1f} "
            f"points, rms {np.sqrt(np.mean(off**2)):.1f}, bias {off.mean():+.1f}; interval holds "
            f"{100 * held:.0f} % (median width {width:.0f})"
        )
    right = sum(bool(row.guessed_right) for row in usable)
    out.append(f"polished half guessed rightly: {right} of {len(usable)}")
    out += [f"refused {row.seed} ({row.highlight}): {row.refused}" for row in rows if row.refused]
    undefined = len(rows) - len(usable) - sum(bool(row.refused) for row in rows)
    out.append(f"undefined: {undefined}")
    return "\n".join(out)


def one(task: tuple[int, Path, bool]) -> Row | None:
    """Draw a photo, where needed, and measure it unless it is only to be drawn."""
    cv2.setNumThreads(1)
    seed, folder, render_only = task
    home = draw_photo(seed, folder)
    return None if render_only else measure(home)


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=40)
    parser.add_argument("--first", type=int, default=70_000)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--render-only", action="store_true")
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary, ProcessPoolExecutor(given.jobs) as pool:
        folder = given.folder or Path(temporary)
        seeds = range(given.first, given.first + given.photos)
        rows = []
        for row in pool.map(one, [(seed, folder, given.render_only) for seed in seeds]):
            if row is not None:
                rows.append(row)
                print(row, flush=True)
    if rows:
        print(report(rows))


if __name__ == "__main__":
    main()
