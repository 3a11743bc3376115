"""Photos with one fault each, and good ones: how often `check` names the fault first.

Each panel of `scenes.draw_case` is photographed well once, which is to pass in silence, and with
two faults. The faults come in equal numbers, in an order that is drawn, so that each meets paints
of all kinds, flat and curved. What is said is judged with the scale given and without.
"""

import argparse
import json
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from unittest import mock

import cv2
import numpy as np
import scenes
from numpy.typing import NDArray

from defectscan.errors import DefectscanError
from defectscan.imaging.capture import check_photo
from defectscan.imaging.linear_light import srgb_to_linear
from defectscan.imaging.photo import Photo, read_photo
from defectscan.shots import WORKING_SIDE_PX
from defectscan.simulation import light as lighting
from defectscan.simulation import render
from defectscan.simulation.develop import spread
from defectscan.simulation.render import RenderedShot, render_shot
from defectscan.simulation.scene import Lamp, Scene
from defectscan.simulation.specimen import check_in_sight

Image = NDArray[np.float32]
Floats = NDArray[np.float64]
Generator = np.random.Generator

GOOD, UNSCALED = "good", "too few pixels"
NAMED = {
    "no highlight": {"no highlight"},
    "several highlights": {"several highlights"},
    "highlight cut": {"frame"},
    "out of focus": {"blur"},
    "shaken": {"blur"},
    "blown out": {"clipping", "halo"},
    "too dark": {"brightness"},
    "lamp too broad": {"highlight_radius"},
    UNSCALED: {"resolution", "size"},
}
"""What `check` may call each fault."""
# Blur counts once among the faults, whether by focus or by shake.
DRAWN = [name for name in NAMED for _ in range(1 if name in {"out of focus", "shaken"} else 2)]


def shoot(shot: RenderedShot, rng: Generator, **changes: object) -> RenderedShot:
    """Photograph the panel again with another scene or development."""
    development = changes.pop("development", shot.development)
    scene = changes.pop("scene", shot.scene)
    return render_shot(shot.panel, scene, development, rng, **changes)  # type: ignore[arg-type]


def exposed(shot: RenderedShot, rng: Generator, *, low: float, high: float) -> RenderedShot:
    """Expose so that the paint lies between two levels, in parts of what the sensor can hold."""
    light = srgb_to_linear(shot.rgb / 255)
    level = float(np.median((light @ render.LUMINANCE)[shot.on_paint]))
    wanted = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    exposure = shot.development.exposure * wanted / level
    return shoot(shot, rng, development=replace(shot.development, exposure=exposure))


@contextmanager
def seen_through(change: Callable[[Image], Image]) -> Iterator[None]:
    """Change the light before it reaches the lens."""
    with mock.patch.object(render, "spread", lambda light, how: spread(change(light), how)):
        yield


def defocused(shot: RenderedShot, rng: Generator) -> RenderedShot:
    """Focus before or behind the paint: each point becomes a disc."""
    radius = 2 * rng.uniform(2.5, 6)
    half = int(radius + 2)
    y, x = np.mgrid[-half : half + 1, -half : half + 1]
    disc = np.clip(radius + 0.5 - np.hypot(x, y), 0, 1)
    return _filtered(shot, rng, disc)


def shaken(shot: RenderedShot, rng: Generator) -> RenderedShot:
    """Move the camera while the shutter is open: each point becomes a bent streak."""
    length, angle = rng.uniform(8, 25), rng.uniform(0, np.pi)
    half = int(length) + 4
    along = np.linspace(-0.5, 0.5, 400)
    aside = rng.uniform(-0.1, 0.1) * (4 * along**2 - 1 / 3)
    x = half + length * (along * np.cos(angle) - aside * np.sin(angle))
    y = half + length * (along * np.sin(angle) + aside * np.cos(angle))
    side = 2 * half + 1
    streak = lighting.deposit((side, side), np.stack([x, y], axis=-1), np.ones(len(x)))
    return _filtered(shot, rng, streak)


def _filtered(shot: RenderedShot, rng: Generator, kernel: Floats | Image) -> RenderedShot:
    kernel = (kernel / kernel.sum()).astype(np.float32)
    change = partial(cv2.filter2D, ddepth=-1, kernel=kernel, borderType=cv2.BORDER_REPLICATE)
    with seen_through(change):  # type: ignore[arg-type]
        return shoot(shot, rng)


def small(shot: RenderedShot, rng: Generator) -> RenderedShot:
    """Take the same view with fewer pixels."""
    share = rng.uniform(2, 4.4) * shot.mm_per_px
    camera = shot.scene.camera
    camera = replace(
        camera,
        focal_px=camera.focal_px * share,
        width_px=round(camera.width_px * share),
        height_px=round(camera.height_px * share),
    )
    return shoot(shot, rng, scene=replace(shot.scene, camera=camera))


def image_radius_px(shot: RenderedShot, scene: Scene) -> float:
    """Return the radius of the lamp's mirror image."""
    lit, _ = lighting.highlight_light(shot.panel, scene)
    return float(np.sqrt(np.count_nonzero(lit) / np.pi))


def broad(shot: RenderedShot, rng: Generator) -> RenderedShot:
    """Take a lamp whose mirror image has a radius of 7 to 16 mm."""
    wanted_px = rng.uniform(7, 16) / shot.mm_per_px
    lamp = shot.scene.lamp
    radius_mm = lamp.radius_mm * wanted_px / image_radius_px(shot, shot.scene)
    return shoot(shot, rng, scene=replace(shot.scene, lamp=replace(lamp, radius_mm=radius_mm)))


def turned(shot: RenderedShot, rng: Generator, *, low_px: float, high_px: float) -> RenderedShot:
    """Turn the camera until the highlight lies so far beyond the frame, at a side that is drawn."""
    camera, mirror = shot.scene.camera, shot.scene.mirror_point()
    for _ in range(20):
        beyond = rng.uniform(low_px, high_px)
        across, down = rng.uniform(0.15, 0.85, 2) * (camera.width_px, camera.height_px)
        wanted = [
            (-beyond, down),
            (camera.width_px - 1 + beyond, down),
            (across, -beyond),
            (across, camera.height_px - 1 + beyond),
        ][rng.integers(4)]
        scene = shot.scene
        target = np.array(camera.target_mm)
        for _ in range(20):
            target[:2] += (scene.project(mirror) - wanted) * shot.mm_per_px * (1, -1)
            way = tuple(map(float, target))
            scene = replace(scene, camera=replace(camera, target_mm=way))  # type: ignore[arg-type]
        # A curved panel may fall out of sight there.
        with suppress(DefectscanError):
            check_in_sight(scene)
            return shoot(shot, rng, scene=scene)
    raise RuntimeError("no side of this panel has room for the highlight to leave the picture")


def cut(shot: RenderedShot, rng: Generator) -> RenderedShot:
    """Let the frame cut the highlight, a little or nearly all of it."""
    radius = image_radius_px(shot, shot.scene)
    return turned(shot, rng, low_px=-0.7 * radius, high_px=0.5 * radius)


def unlit(shot: RenderedShot, rng: Generator) -> RenderedShot:
    """Leave the lamp out of the picture, or off."""
    if rng.random() < 0.5:
        radius = image_radius_px(shot, shot.scene)
        return turned(shot, rng, low_px=2 * radius + 40, high_px=2 * radius + 300)
    off = replace(shot.scene.lamp, radius_mm=0.01)
    return shoot(shot, rng, scene=replace(shot.scene, lamp=off), ambient=50.0)


def two_lamps(shot: RenderedShot, rng: Generator) -> RenderedShot:
    """Let a second lamp of a like size mirror elsewhere in the picture."""
    second = _second(shot, rng)
    added: list[Image] = []

    def keep(light: Image) -> Image:
        added.append(light.copy())
        return light

    with seen_through(keep):
        shoot(shot, rng, scene=second)
    exposure = shot.development.exposure * rng.uniform(0.5, 1)
    with seen_through(lambda light: light + added[0]):
        return shoot(shot, rng, development=replace(shot.development, exposure=exposure))


def _second(shot: RenderedShot, rng: Generator) -> Scene:
    scene = shot.scene
    camera, lamp = scene.camera, scene.lamp
    first = scene.project(scene.mirror_point())
    while True:
        place = np.array(lamp.position_mm) + rng.uniform(-1, 1, 3) * (120, 120, 80)
        other = Lamp(
            position_mm=tuple(map(float, place)),  # type: ignore[arg-type]
            radius_mm=lamp.radius_mm * rng.uniform(0.8, 1.25),
        )
        second = replace(scene, lamp=other)
        x, y = second.project(second.mirror_point())
        inside = 80 < x < camera.width_px - 80 and 80 < y < camera.height_px - 80
        if inside and np.hypot(x - first[0], y - first[1]) > 150:
            return second


FAULTY: dict[str, Callable[[RenderedShot, Generator], RenderedShot]] = {
    "no highlight": unlit,
    "several highlights": two_lamps,
    "highlight cut": cut,
    "out of focus": defocused,
    "shaken": shaken,
    "blown out": partial(exposed, low=0.9, high=5.0),
    "too dark": partial(exposed, low=0.0015, high=0.014),
    "lamp too broad": broad,
    UNSCALED: small,
}


def photograph(seed: int, folder: Path, *, faults: list[str]) -> Path:
    """Render one panel's photos into a folder of its own, unless they are there."""
    cv2.setNumThreads(1)
    home = folder / f"{seed:05d}"
    if (home / "photos.json").exists():
        return home
    home.mkdir(parents=True, exist_ok=True)
    case = scenes.draw_case(seed, states=1)
    rng = np.random.default_rng([seed, 1])
    taken = {GOOD: case.before[0]}
    photos = []
    for number, fault in enumerate([GOOD, *faults]):
        shot = taken[GOOD] if fault == GOOD else FAULTY[fault](taken[GOOD], rng)
        (home / f"{number}.jpg").write_bytes(shot.jpeg)
        photos.append({"file": f"{number}.jpg", "fault": fault, "mm_per_px": shot.mm_per_px})
    record = {"paint": case.paint, "curved": case.curved, "photos": photos}
    (home / "photos.json").write_text(json.dumps(record))
    return home


def said(photo: Photo, *, mm_per_px: float | None) -> list[str]:
    """Return what `check` finds wrong with a photo, the worst first."""
    names = []
    for condition in check_photo(photo, mm_per_px=mm_per_px).problems:
        name = condition.name
        if name == "highlights":
            name = "several highlights" if condition.value else "no highlight"
        names.append(name)
    return names


def judge(seed: int, folder: Path, *, faults: list[str]) -> list[tuple[str, list[bool], str]]:
    """Return each photo's fault, whether it was said with the scale and without, and words."""
    home = photograph(seed, folder, faults=faults)
    record = json.loads((home / "photos.json").read_text())
    shape = "curved" if record["curved"] else "flat"
    rows = []
    for entry in record["photos"]:
        fault, file = entry["fault"], home / entry["file"]
        photo = read_photo(file, max_side_px=WORKING_SIDE_PX)
        heard = [said(photo, mm_per_px=scale) for scale in (entry["mm_per_px"], None)]
        right = [
            not names if fault == GOOD else bool(names) and names[0] in NAMED[fault]
            for names in heard
        ]
        words = " | ".join(", ".join(names) or "nothing" for names in heard)
        rows.append((fault, right, f"{file} ({record['paint']}, {shape}): {fault}; said: {words}"))
    return rows


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--panels", type=int, default=100)
    parser.add_argument("--first", type=int, default=40_000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--folder", type=Path, help="Keep the photos here, and use them again.")
    given = parser.parse_args()
    faults = np.resize(DRAWN, 2 * given.panels)
    np.random.default_rng(given.first).shuffle(faults)
    counts: dict[str, list[list[bool]]] = defaultdict(list)
    with tempfile.TemporaryDirectory() as passing, ProcessPoolExecutor(given.jobs) as pool:
        waiting = [
            pool.submit(judge, given.first + number, given.folder or Path(passing), faults=pair)
            for number, pair in enumerate(faults.reshape(-1, 2).tolist())
        ]
        for fault, right, detail in (row for done in waiting for row in done.result()):
            counts[fault].append(right)
            if not (right[0] and (right[1] or fault == UNSCALED)):
                print(detail, flush=True)
    for fault in NAMED:
        counts["any fault"] += counts[fault]
    for fault, rows in counts.items():
        what = "silent" if fault == GOOD else "named first"
        print(f"{fault}: {what} in {sum(row[0] for row in rows)} of {len(rows)}", end="")
        # How many pixels show a millimetre is not known without the scale.
        if fault not in {UNSCALED, "any fault"}:
            print(f"; without the scale, {sum(row[1] for row in rows)} of {len(rows)}", end="")
        print()


if __name__ == "__main__":
    main()
