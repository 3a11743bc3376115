"""What work costs against its size: megapixels, lines, shots of a state, photos of a folder.

Seconds of processor for each size, and the exponent of growth from the middle size to the
largest: 1 is linear. The job book's own sizes are in `job_book.py`.
"""

import argparse
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import cv2
import numpy as np
import scenes
from PIL import Image

from defectscan import pipeline
from defectscan.simulation.render import RenderedShot

MM_PER_PX = 0.1
MEGAPIXELS = (3, 12, 24, 48)
DENSITIES_MM_PER_CM2 = (50.0, 200.0, 800.0)
SHOTS = (2, 4, 8, 16)
TIMES = 2


def work_s(work: Callable[[], object]) -> float:
    """Return the least seconds of processor that some runs of the work take."""
    taken = []
    for _ in range(TIMES):
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return min(taken)


def growth(sizes: Sequence[float], seconds: Sequence[float]) -> float:
    """Return the exponent of growth from the middle size to the last.

    From the first on it would not tell order from what is done once: two shots are laid on each
    other once, a hundred 99 times.
    """
    middle = (len(sizes) - 1) // 2
    return float(np.log(seconds[-1] / seconds[middle]) / np.log(sizes[-1] / sizes[middle]))


def row(name: str, sizes: Sequence[float], seconds: Sequence[float]) -> str:
    """Return a line of the table."""
    cells = ", ".join(f"{size:g}: {s:.2f} s" for size, s in zip(sizes, seconds, strict=True))
    return f"{name}: {cells}; grows with the power {growth(sizes, seconds):.2f}"


def photo_of(shot: RenderedShot, path: Path, *, megapixels: float) -> Path:
    """Write a rendered shot enlarged to so many megapixels, with a phone's noise."""
    height, width = shot.rgb.shape[:2]
    scale = np.sqrt(megapixels * 1e6 / (height * width))
    size = round(width * scale), round(height * scale)
    large = cv2.resize(shot.rgb, size, interpolation=cv2.INTER_CUBIC).astype(np.float32)
    large += np.random.default_rng(0).standard_normal(large.shape, dtype=np.float32) * 2.5
    Image.fromarray(np.clip(large, 0, 255).astype(np.uint8)).save(path, quality=92)
    return path


def by_megapixels(folder: Path, megapixels: Sequence[float]) -> str:
    """Score one photo at several sizes."""
    (shot,) = scenes.draw_case(6, furnished=True, states=1).before
    paths = [photo_of(shot, folder / f"{n}.jpg", megapixels=n) for n in megapixels]
    seconds = [work_s(lambda path=path: pipeline.score(path, mm_per_px=0.05)) for path in paths]
    return row("score by megapixels", megapixels, seconds)


def by_lines(folder: Path, densities: Sequence[float]) -> str:
    """Score panels of several densities; the size is the number of lines found."""
    sizes, seconds = [], []
    for density in densities:
        case = scenes.draw_case(
            6, density_mm_per_cm2=density, curved=False, furnished=False, states=1
        )
        path = folder / f"{density:g}.jpg"
        path.write_bytes(case.before[0].jpeg)
        sizes.append(float(pipeline.score(path, mm_per_px=MM_PER_PX).shots[0].shot.lines.n))
        seconds.append(work_s(lambda path=path: pipeline.score(path, mm_per_px=MM_PER_PX)))
    return row("score by lines", sizes, seconds)


def by_shots(folder: Path, shots: Sequence[int]) -> str:
    """Score a state of several shots."""
    rendered = scenes.draw_case(6, furnished=True, shots=max(shots), states=1).before
    paths = []
    for number, shot in enumerate(rendered):
        paths.append(folder / f"shot_{number}.jpg")
        paths[-1].write_bytes(shot.jpeg)
    seconds = [work_s(lambda n=n: pipeline.score(paths[:n], mm_per_px=MM_PER_PX)) for n in shots]
    return row("score by shots", shots, seconds)


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        print(by_megapixels(folder, MEGAPIXELS), flush=True)
        print(by_lines(folder, DENSITIES_MM_PER_CM2), flush=True)
        print(by_shots(folder, SHOTS), flush=True)


if __name__ == "__main__":
    main()
